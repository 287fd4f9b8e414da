"""Readings taken apart into one series for each tank and source: the unit that flows and rates are derived from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.tables import UNKNOWN_TIME_US, codes_of, column, times_us, values_of

__all__ = ["Series", "SourceName", "series_groups", "series_of", "source_groups", "source_runs"]

FEWEST_OF_A_BUS = 4  # readings on a channel before it counts as a bus of its own

SourceName = tuple[str | None, str | None, int, str | None]  # vessel, tank, source address, channel


@dataclass(frozen=True, slots=True)
class Series:
    """The levels one device sent of one tank, in the order of time; n readings that carry a number and a time.

    seconds: (n,) since `origin_us`. level_pct: (n,). volume_l, capacity_l: (n,), nan where they are not known.
    """

    vessel: str | None
    tank: str
    name: str | None
    source_address: int
    origin_us: int
    seconds: NDArray[np.float64]
    level_pct: NDArray[np.float64]
    volume_l: NDArray[np.float64]
    capacity_l: NDArray[np.float64]


def source_groups(readings: pa.Table, *, by_channel: bool = False) -> tuple[NDArray[np.int64], list[int]]:
    """(which, first): for each of n READINGS the number of its vessel, tank and source, and a row of each of those.

    Numbers run in the order of first appearance. by_channel: one tank and source on two channels are two.
    """
    words = ("vessel", "tank", "channel") if by_channel else ("vessel", "tank")
    return _numbered(_keys(_coded(readings, *words), readings))


def _coded(readings: pa.Table, *names: str) -> list[tuple[NDArray[np.int32], list[str | None]]]:
    return [codes_of(readings.column(name)) for name in names]


def source_runs(
    readings: pa.Table, rows: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64], list[SourceName]]:
    """(order, begins, names): some rows of READINGS with those of one vessel, tank, source and channel together.

    rows: (n,), at least one, rising. order: (n,), the same rows; within each run they rise. begins: (k,), where each of the k
    runs begins in it. names: of those.
    """
    coded = _coded(readings, "vessel", "tank", "channel")
    keys = _keys(coded, readings)[rows]
    sorting = np.argsort(keys, kind="stable")
    order, keys = rows[sorting], keys[sorting]
    new = np.ones(len(keys), np.bool_)
    new[1:] = keys[1:] != keys[:-1]
    begins = new.nonzero()[0]
    first = order[begins]
    vessels, tanks, channels = ([words[code] for code in codes[first].tolist()] for codes, words in coded)
    sources = values_of(readings.column("source_address"))[first].tolist()
    return order, begins, list(zip(vessels, tanks, sources, channels, strict=True))


def _keys(coded: list[tuple[NDArray[np.int32], list[str | None]]], readings: pa.Table) -> NDArray[Any]:
    """(n,) integers, equal where all codes and the sources of n READINGS are.

    They come in the smallest type that holds them: integers of 16 bits are sorted by their digits, in a few passes.
    """
    keys = np.zeros(len(readings), np.int64)
    for codes, _ in coded:
        # Words that none has take no room: mostly there is one vessel and one channel.
        least, most = int(codes.min(initial=0)), int(codes.max(initial=0))
        if most > least:
            keys *= most + 1
            keys += codes
    keys *= 256
    keys += values_of(readings.column("source_address"))
    smallest: NDArray[Any] = keys.astype(np.min_scalar_type(keys.max(initial=0)))
    return smallest


def series_groups(readings: pa.Table) -> tuple[NDArray[np.int64], list[int]]:
    """As source_groups, with one tank and source kept apart where it is heard on several channels in turn.

    Those are two buses with equal devices, or a bridge. Channels that follow one another are one bus that was called
    differently, as happens between a live log and an imported recording.
    """
    which, first = source_groups(readings)
    (channels, _), *_ = _coded(readings, "channel")
    if not len(channels) or channels.min() == channels.max():
        return which, first
    apart, first_apart = source_groups(readings, by_channel=True)
    if len(first_apart) == len(first):
        return which, first
    time_us = times_us(readings)
    keys = which.copy()
    for number in range(len(first)):
        rows = np.flatnonzero(which == number)
        channel = apart[rows[np.argsort(time_us[rows], kind="stable")]]
        _, counts = np.unique(channel, return_counts=True)
        turns = int(np.count_nonzero(np.diff(channel)))
        if len(counts) > 1 and turns > counts.min() / 2 and counts.min() >= FEWEST_OF_A_BUS:
            keys[rows] = len(first) + apart[rows]
    return _numbered(keys)


def _numbered(keys: NDArray[Any]) -> tuple[NDArray[np.int64], list[int]]:
    """Numbers of equal keys in the order of first appearance, and the row of each first one. keys: (n,)."""
    if keys.dtype.itemsize <= 2 and len(keys):
        # All keys there may be have a table: no sorting.
        row = np.full(int(keys.max()) + 1, -1)
        row[keys[::-1]] = np.arange(len(keys))[::-1]
        first = np.sort(row[row >= 0])
        number = np.zeros(len(row), np.int64)
        number[keys[first]] = np.arange(len(first))
        return number[keys], first.tolist()
    _, first, which = np.unique(keys, return_index=True, return_inverse=True)
    rank = np.empty(len(first), np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    return rank[which], sorted(first.tolist())


def series_of(readings: pa.Table) -> Iterator[Series]:
    """One Series for each vessel, tank and source (see series_groups) in READINGS, in the order of first appearance."""
    time_us, level, volume = times_us(readings), column(readings, "level_pct"), column(readings, "volume_l")
    capacity = column(readings, "capacity_l")
    usable = (time_us != UNKNOWN_TIME_US) & ~np.isnan(level)
    all_usable = bool(usable.all())
    which, first = series_groups(readings)
    if (time_us[1:] >= time_us[:-1]).all():
        # Small integers are sorted by their digits, and mostly readings come in the order of time.
        order = np.argsort(which.astype(np.min_scalar_type(len(first))), kind="stable")
    else:
        order = np.lexsort((time_us, which))
    bounds = np.concatenate([[0], np.cumsum(np.bincount(which, minlength=len(first)))])
    for number, row in enumerate(first):
        rows = order[bounds[number] : bounds[number + 1]]
        if not all_usable:
            rows = rows[usable[rows]]
        if not len(rows):
            continue
        origin = int(time_us[rows[0]])
        words = {name: readings.column(name)[row].as_py() for name in ("vessel", "tank", "source_address")}
        yield Series(
            vessel=words["vessel"],
            tank=words["tank"],
            # The owner may have named the tank since: the latest name counts.
            name=readings.column("name")[int(rows[-1])].as_py(),
            source_address=words["source_address"],
            origin_us=origin,
            seconds=(time_us[rows] - origin) / 1e6,
            level_pct=level[rows],
            volume_l=volume[rows],
            capacity_l=capacity[rows],
        )
