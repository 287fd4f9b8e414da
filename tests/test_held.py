"""Tank readings held in little room: what comes out is what went in, however it is cut, and of doubled frames the first.

The oracle is plain lists of everything, and a walk over them.
"""

from __future__ import annotations

import random
from collections import defaultdict
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from canlevel.decoding.tanks import TankDecoder
from canlevel.findings.held import PIECE, Readings, Series
from canlevel.findings.listener import Kept
from canlevel.tables import EXTENDED, FRAMES, STATUSES, UNKNOWN_TIME_US, dictionary_column, time_column

NAMES = ("number", "time_us", "line", "identifier", "length", "payload", "level_pct", "capacity_l", "steps", "status")
START_US = 1_777_622_400_000_000
FLUID_LEVEL, TANK_STATUS, DASH_DISPLAY = 0x19F21100, 0x19FFB700, 0x18FEFC00
DECODER = TankDecoder()


def traffic(n: int, seed: int, *, first_number: int = 0, channels: int = 2) -> Kept:
    """n tank frames of all three protocols, with short ones, levels that are not told, and times that are not known."""
    chance = np.random.default_rng(seed)
    kind = chance.integers(0, 8, n)
    identifier = np.select(
        [kind < 4, kind < 6, kind == 6], [FLUID_LEVEL + 35, TANK_STATUS + 0x44, DASH_DISPLAY], FLUID_LEVEL + 36
    ).astype(np.uint32)
    payload = chance.integers(0, 40, n).astype(np.uint64) * np.uint64(0x0101_0101_0101) ^ np.uint64(
        0xFF00_0000_0000_0000
    )
    payload &= ~np.uint64(0xEE)  # some few tanks
    payload[chance.random(n) < 0.02] = np.uint64(0xFFFF_FFFF_FFFF_FF10)
    length = np.where(chance.random(n) < 0.03, chance.integers(0, 8, n), 8).astype(np.uint8)
    time_us = START_US + np.cumsum(chance.integers(0, 3, n) * 50_000)
    time_us[chance.random(n) < 0.01] = UNKNOWN_TIME_US
    number = first_number + np.cumsum(chance.integers(1, 5, n))
    channel = chance.integers(0, channels, n)
    columns = [
        time_column(time_us),
        dictionary_column(channel, ["can0", "can1"]),
        pa.array(identifier),
        pa.array(np.full(n, EXTENDED, np.uint8)),
        pa.array(length),
        pa.array(payload),
        pa.array(number + 1),
    ]
    return Kept(pa.table(columns, schema=FRAMES), number)


def held(kept: Kept, sizes: list[int], *, levels: bool = True) -> Readings:
    readings, begin, turn = Readings(levels=levels), 0, 0
    while begin < len(kept.number):
        end = begin + sizes[turn % len(sizes)]
        part = Kept(kept.frames.slice(begin, end - begin), kept.number[begin:end])
        decoded = DECODER.decode_each(part.frames)
        readings.add(part, decoded.readings, decoded.at, decoded.steps)
        begin, turn = end, turn + 1
    return readings


def walked(kept: Kept) -> dict[tuple[Any, ...], list[dict[str, Any]]]:
    """Every reading of every series, one by one."""
    decoded = DECODER.decode_each(kept.frames)
    frames = kept.frames.to_pylist()
    times = kept.frames.column("time").cast(pa.int64()).to_pylist()
    rows: dict[tuple[Any, ...], list[dict[str, Any]]] = defaultdict(list)
    for reading, at, steps in zip(
        decoded.readings.to_pylist(), decoded.at.tolist(), decoded.steps.tolist(), strict=True
    ):
        frame = frames[at]
        rows[reading["channel"], reading["tank"], reading["source_address"]].append(
            {
                "number": int(kept.number[at]),
                "time_us": UNKNOWN_TIME_US if times[at] is None else times[at],
                **{name: frame[name] for name in ("line", "identifier", "length", "payload")},
                **{name: np.nan if reading[name] is None else reading[name] for name in ("level_pct", "capacity_l")},
                "steps": steps,
                "status": STATUSES.index(reading["status"]),
            }
        )
    return rows


def key_of(series: Series) -> tuple[Any, ...]:
    return series.channel, series.tank, series.source_address


def same(series: Series, rows: list[dict[str, Any]]) -> None:
    assert series.rows == len(rows)
    for name in NAMES:
        expected = np.array([row[name] for row in rows])
        assert np.array_equal(series.column(name), expected, equal_nan=name in ("level_pct", "capacity_l", "steps")), (
            name
        )


@pytest.mark.parametrize("seed", range(4))
def test_what_comes_out_is_what_went_in(seed: int) -> None:
    kept = traffic(6000, seed)
    expected = walked(kept)
    sizes = [random.Random(seed).randint(1, 900) for _ in range(7)]
    series = {key_of(one): one for one in held(kept, sizes).series()}
    assert list(series) == list(expected)  # in the order in which they were first heard
    for key, rows in expected.items():
        same(series[key], rows)
        for row in (0, len(rows) // 2, len(rows) - 1):
            values = [series[key].value(name, row) for name in NAMES]
            assert np.array_equal(values, [rows[row][name] for name in NAMES], equal_nan=True)
        assert {*series[key].all_said("status").tolist()} == {row["status"] for row in rows}


def test_more_than_one_piece() -> None:
    """A piece and a rest, numbers beyond 32 bits among them, in some twenty bytes each."""
    kept = traffic(10 * PIECE, 5, first_number=2**32 - 3 * PIECE, channels=1)
    readings = held(kept, [20_000])
    numbers: dict[int, int] = {}
    for series in readings.series():
        values = [series.column(name) for name in NAMES]
        assert {len(column) for column in values} == {series.rows}
        numbers.update(zip(values[0].tolist(), values[2].tolist(), strict=True))
    assert numbers == dict(zip(kept.number.tolist(), (kept.number + 1).tolist(), strict=True))
    most = max(readings.series(), key=lambda one: one.rows)
    assert most.rows > PIECE
    assert most.value("line", PIECE + 3) == most.column("line")[PIECE + 3]
    with pytest.raises(IndexError):
        most.value("line", most.rows)
    held_bytes = sum(
        column.nbytes
        for piece in most._pieces
        for column in (*piece.when.values(), piece.which, *piece.said.values())
    )  # fmt: skip
    assert held_bytes <= 30 * most.rows


@pytest.mark.parametrize("seed", range(4))
def test_of_recordings_that_overlap_each_frame_counts_once(seed: int) -> None:
    """The same frames again, under another channel's name and higher numbers, by a walk with a set."""
    kept = traffic(3000, seed)
    again = kept.frames.slice(900, 1500)
    other = again.set_column(1, "channel", dictionary_column(np.zeros(1500, np.int64), ["can7"]))
    both = Kept(
        pa.concat_tables([kept.frames, other]).unify_dictionaries().combine_chunks(),
        np.concatenate([kept.number, np.arange(1500) + int(kept.number[-1]) + 1]),
    )
    seen: set[tuple[Any, ...]] = set()
    expected: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    rows = [(row["number"], key, row) for key, found in walked(both).items() for row in found]
    for _, key, row in sorted(rows, key=lambda one: one[0]):
        mark = (row["time_us"], row["identifier"], row["payload"], key[1])
        if row["time_us"] == UNKNOWN_TIME_US or mark not in seen:
            expected.setdefault(key, []).append(row)
        seen.add(mark)
    readings = held(both, [257])
    readings.drop_doubled()
    series = {key_of(one): one for one in readings.series()}
    assert set(series) == set(expected)
    for key, found in expected.items():
        same(series[key], found)


def test_without_levels_only_which_tanks_there_are_is_kept() -> None:
    kept = traffic(6000, 9)
    expected = walked(kept)
    missing = STATUSES.index("not_available")
    series = {key_of(one): one for one in held(kept, [100], levels=False).series()}
    assert list(series) == list(expected)
    for key, rows in expected.items():
        assert series[key].rows <= 2
        assert series[key].value("number", 0) == rows[0]["number"]
        fitted = any(row["status"] != missing for row in rows)
        assert (series[key].all_said("status") != missing).any() == fitted
