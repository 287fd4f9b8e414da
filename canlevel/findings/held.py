"""Tank readings held until a bus has been heard to its end, in some twenty bytes each.

What comes in: READINGS, slice by slice, with the frames they were in. What goes out: a Series for each tank, device and
channel, whose columns are made when they are asked for.

A device says the same few things again and again. So a Piece holds what was said once each, and of every reading only when it
came and which of those it was.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.findings.listener import Kept
from canlevel.tables import STATUSES, UNKNOWN_TIME_US, codes_of, column, distinct, times_us, values_of

__all__ = ["Readings", "Series", "doubled"]

PIECE = 1 << 16  # readings, so that a place in what was said needs 16 bits
WHEN = ("number", "time_us", "line")
SAID = ("identifier", "length", "payload", "level_pct", "capacity_l", "steps", "status")
NOT_AVAILABLE = STATUSES.index("not_available")

Columns = dict[str, NDArray[Any]]


@dataclass(frozen=True, slots=True)
class Piece:
    """Up to PIECE readings in the order they came. when: WHEN, (n,) each. which: (n,) places in `said`: SAID, (k,) each."""

    when: Columns
    which: NDArray[np.uint16]
    said: Columns

    def column(self, name: str) -> NDArray[Any]:
        return self.when[name] if name in self.when else self.said[name][self.which]


@dataclass(slots=True)
class Series:
    """One tank as one device sends it on one channel. instance: None where malformed frames do not tell it."""

    tank: str
    protocol: str
    fluid: str
    instance: int | None
    channel: str | None
    source_address: int
    rows: int = 0
    _pieces: list[Piece] = field(default_factory=list)
    _open: list[Columns] = field(default_factory=list)
    _waiting: int = 0

    def add(self, more: Columns) -> None:
        """Readings that follow: WHEN and SAID, (n,) each, none of which is used by anybody else."""
        n = len(more["number"])
        self.rows += n
        self._waiting += n
        self._open.append(more)
        if self._waiting >= PIECE:
            self._seal()

    def column(self, name: str) -> NDArray[Any]:
        """(rows,) of a column: "number" (of the frame over all channels), "time_us", "line"; "identifier", "length", "payload";
        "level_pct", "capacity_l", "steps" (nan where not told), "status" (places in STATUSES).
        """
        self._seal()
        return np.concatenate([piece.column(name) for piece in self._pieces])

    def value(self, name: str, row: int) -> Any:
        """One value of a column."""
        self._seal()
        for piece in self._pieces:
            if row < len(piece.which):
                return piece.when[name][row] if name in piece.when else piece.said[name][piece.which[row]]
            row -= len(piece.which)
        raise IndexError(row)

    def all_said(self, name: str) -> NDArray[Any]:
        """Everything that was said in one of the columns of SAID, in no order, the same perhaps more than once."""
        self._seal()
        return np.concatenate([piece.said[name] for piece in self._pieces])

    def without(self, rows: NDArray[np.int64]) -> Series:
        """The same without some rows."""
        left = Series(self.tank, self.protocol, self.fluid, self.instance, self.channel, self.source_address)
        keep = np.ones(self.rows, np.bool_)
        keep[rows] = False
        begin = 0
        for piece in self._pieces:
            mine = keep[begin : begin + len(piece.which)]
            begin += len(piece.which)
            if mine.any():
                left._pieces.append(
                    Piece({name: values[mine] for name, values in piece.when.items()}, piece.which[mine], piece.said)
                )
        left.rows = int(keep.sum())
        return left

    def _seal(self) -> None:
        """Put what is open into pieces."""
        if not self._open:
            return
        joined = {name: np.concatenate([part[name] for part in self._open]) for name in (*WHEN, *SAID)}
        self._open.clear()
        self._waiting = 0
        for begin in range(0, len(joined["number"]), PIECE):
            self._pieces.append(_piece({name: values[begin : begin + PIECE] for name, values in joined.items()}))
        # Who asks again and again while readings come leaves small pieces: two alike become one, so that they stay few.
        while len(self._pieces) > 1 and len(self._pieces[-2].which) <= 2 * len(self._pieces[-1].which):
            last, before = self._pieces[-1], self._pieces[-2]
            if len(before.which) + len(last.which) > PIECE:
                break
            rows = {name: np.concatenate([before.column(name), last.column(name)]) for name in (*WHEN, *SAID)}
            self._pieces[-2:] = [_piece(rows)]


class Readings:
    """All Series of some buses, in the order in which they were first heard.

    levels: without them only which tanks there are is kept: of each the first reading, and the first that says that it is
    fitted.
    """

    def __init__(self, *, levels: bool = True) -> None:
        self._levels = levels
        self._series: dict[tuple[str | None, str, int], Series] = {}
        self._fitted: set[tuple[str | None, str, int]] = set()

    def add(self, kept: Kept, readings: pa.Table, at: NDArray[np.int64], steps: NDArray[np.float64]) -> None:
        """Readings that follow. readings: READINGS, m rows. at: (m,) rows of `kept` they were in. steps: (m,) into how many
        steps the device divides its level, nan where it does not say.
        """
        if not len(readings):
            return
        tank, tanks = codes_of(readings.column("tank"))
        channel, channels = codes_of(readings.column("channel"))
        source = values_of(readings.column("source_address")).astype(np.int64)
        words = np.array(
            [STATUSES.index(word) if word in STATUSES else 0 for word in codes_of(readings.column("status"))[1]],
            np.int8,
        )
        columns: Columns = {
            "number": kept.number[at],
            "time_us": times_us(kept.frames)[at],
            **{name: values_of(kept.frames.column(name))[at] for name in ("line", "identifier", "length", "payload")},
            "level_pct": column(readings, "level_pct"),
            "capacity_l": column(readings, "capacity_l"),
            "steps": steps,
            "status": words[codes_of(readings.column("status"))[0]],
        }
        _, which = distinct((channel.astype(np.int64) * len(tanks) + tank) * 256 + source)
        order = np.argsort(which.astype(np.uint16) if which.max() < PIECE else which, kind="stable")
        bounds = np.flatnonzero(np.diff(which[order], prepend=-1, append=-1))
        found = [order[begin:end] for begin, end in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True)]
        for rows in sorted(found, key=lambda rows: int(rows[0])):
            one = int(rows[0])
            key = (channels[channel[one]], tanks[tank[one]] or "", int(source[one]))
            series = self._series.get(key)
            if series is None:
                series = self._series[key] = _series(key, readings.slice(one, 1))
            if not self._levels:
                rows = self._telling(key, rows, columns["status"])
            if len(rows):
                series.add({name: values[rows] for name, values in columns.items()})

    def series(self) -> Iterator[Series]:
        """Each Series."""
        return iter(self._series.values())

    def drop_doubled(self) -> None:
        """Of recordings that overlap keep each frame once: by time, identifier and data, whatever the channel was called."""
        if not self._levels:
            return  # a tank that is heard twice is there all the same
        alike: dict[tuple[str, int], list[tuple[str | None, str, int]]] = {}
        for key in self._series:
            alike.setdefault(key[1:], []).append(key)
        for keys in alike.values():
            mine = [self._series[key] for key in keys]
            owner = np.repeat(np.arange(len(mine)), [series.rows for series in mine])
            row = np.concatenate([np.arange(series.rows) for series in mine])
            again = doubled(partial(_joined, mine))
            for place, key in enumerate(keys):
                rows = row[again][owner[again] == place]
                if len(rows):
                    self._series[key] = mine[place].without(rows)
        self._series = {key: series for key, series in self._series.items() if series.rows}

    def _telling(
        self, key: tuple[str | None, str, int], rows: NDArray[np.int64], status: NDArray[np.int8]
    ) -> NDArray[np.int64]:
        """Which of some rows of a series say something about it that is not known yet."""
        if key in self._fitted:
            return rows[:0]
        fitted = rows[status[rows] != NOT_AVAILABLE][:1]
        if len(fitted):
            self._fitted.add(key)
        new = rows[:1] if not self._series[key].rows else rows[:0]
        return np.array(sorted({*new.tolist(), *fitted.tolist()}), np.int64)


def _joined(several: Sequence[Series], name: str) -> NDArray[Any]:
    return np.concatenate([series.column(name) for series in several])


def doubled(of: Callable[[str], NDArray[Any]]) -> NDArray[np.int64]:
    """Places of the frames that are there already, under a lower number. of: a column of n frames by its name."""
    time_us = of("time_us")
    order = np.lexsort((of("number"), of("payload"), of("identifier"), time_us))
    time_us = time_us[order]
    same = (time_us[1:] == time_us[:-1]) & (time_us[1:] != UNKNOWN_TIME_US)
    for name in ("payload", "identifier"):
        values = of(name)[order]
        same &= values[1:] == values[:-1]
    return np.asarray(order[1:][same])


def _series(key: tuple[str | None, str, int], reading: pa.Table) -> Series:
    channel, tank, source_address = key
    told = {name: reading.column(name)[0].as_py() for name in ("protocol", "fluid", "instance")}
    return Series(tank, told["protocol"], told["fluid"], told["instance"], channel, source_address)


def _piece(rows: Columns) -> Piece:
    """Up to PIECE readings, what was said in them once each. rows: WHEN and SAID, (n,) each."""
    # Whatever else a frame says follows from these.
    keys = [rows["payload"], *(rows[name] for name in ("length", "identifier") if np.ptp(rows[name]))]
    order = np.lexsort(keys) if len(keys) > 1 else np.argsort(keys[0])
    new = np.zeros(len(order), np.bool_)
    new[0] = True
    for key in keys:
        ranked = key[order]
        new[1:] |= ranked[1:] != ranked[:-1]
    which = np.empty(len(order), np.uint16)
    which[order] = (np.cumsum(new) - 1).astype(np.uint16)
    first = order[new]
    return Piece({name: _narrow(rows[name]) for name in WHEN}, which, {name: rows[name][first] for name in SAID})


def _narrow(values: NDArray[Any]) -> NDArray[Any]:
    """(n,) integers in 32 bits, where they fit."""
    small = values.astype(np.uint32)
    return small if (small == values).all() else values.copy()
