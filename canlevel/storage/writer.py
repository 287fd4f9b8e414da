"""Appending to a store: what is new, in parts that appear whole; and readings moved in time once the clock is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.errors import Place, StoreError
from canlevel.storage.commit import as_store_error, change_files, commit_part, stage_part
from canlevel.storage.parts import DAMAGED, fault_of, parts_in, pass_over, read_kept, read_part, time_span
from canlevel.tables import (
    DAY_US,
    IDENTITY,
    READINGS,
    UNKNOWN_TIME_US,
    as_kept,
    codes_of,
    column,
    distinct,
    first_of_each,
    rows_at,
    time_column,
    times_us,
    values_of,
)

if TYPE_CHECKING:
    from canlevel.storage.store import Store

__all__ = ["DAY_US", "PART_ROWS", "Writer", "day_name", "moved_within"]

PART_ROWS = 65_536  # rows kept in memory before a part is written, whatever the clock says
# One reading can come in with two times: the kernel stamps a frame in nanoseconds, which python-can hands out as a float and
# is rounded here, while candump writes whole microseconds, cut off. Two frames of one sender are never so close: the shortest
# takes 64 bits, 64 microseconds at 1 Mbit/s.
NEAR_US = 1
TIME_COLUMN = READINGS.get_field_index("time")


def day_name(time_us: int) -> str:
    """The folder of the day of a time."""
    return f"date={date(1970, 1, 1) + timedelta(days=time_us // DAY_US)}"


@dataclass(slots=True)
class Writer:
    """Appends readings to a store. added and known count what was new and what was there already.

    parts: the files it has made, in their order.
    """

    store: Store
    added: int = 0
    known: int = 0
    parts: list[Path] = field(default_factory=list)
    _waiting: list[pa.Table] = field(default_factory=list)
    _waiting_rows: int = 0
    _spans: dict[Path, tuple[int, int]] = field(default_factory=dict)
    _left_out: set[Path] = field(default_factory=set)

    def append(self, readings: pa.Table) -> None:
        """Take READINGS or KEPT, all with a time; they reach the disk at the next commit, or by themselves when many."""
        if len(readings):
            self._waiting.append(readings)
            self._waiting_rows += len(readings)
            if self._waiting_rows >= PART_ROWS:
                self.commit()

    @property
    def waiting(self) -> int:
        """Readings that were taken and not yet committed."""
        return self._waiting_rows

    def hold(self, tables: Sequence[pa.Table]) -> None:
        """Take READINGS or KEPT that reach the disk at the next commit and not before."""
        self._waiting += tables
        self._waiting_rows += sum(map(len, tables))

    def take_waiting(self) -> list[pa.Table]:
        """Give back what was taken and not yet committed."""
        waiting, self._waiting, self._waiting_rows = self._waiting, [], 0
        return waiting

    def commit(self) -> None:
        """Write what is waiting, one part file for each day. Raises StoreError where the disk refuses; nothing is lost then:
        what is waiting stays and the next commit tries again."""
        if not self._waiting:
            return
        table = pa.concat_tables([as_kept(readings) for readings in self._waiting]).unify_dictionaries()
        time_us = times_us(table)
        if (time_us == UNKNOWN_TIME_US).any():
            raise ValueError("readings without a time cannot be stored")
        days = time_us // DAY_US
        try:
            self.store.be_there()
            for day in distinct(days)[0].tolist():
                mine = np.flatnonzero(days == day)
                fresh = self._new_rows(rows_at(table, mine), day)
                if len(fresh):
                    folder = self.store.path / "readings" / day_name(day * DAY_US)
                    fresh_us = times_us(fresh)
                    part = commit_part(fresh, folder, int(fresh_us[0]))
                    self.parts.append(part)
                    self._spans[part] = (int(fresh_us[0]), int(fresh_us[-1]))
                self.added += len(fresh)
                self.known += len(mine) - len(fresh)
                # A later day that fails must not bring this one back.
                table = rows_at(table, np.flatnonzero(days != day)) if len(mine) < len(table) else table.slice(0, 0)
                days = days[days != day]
                self._waiting, self._waiting_rows = ([table] if len(table) else []), len(table)
        except OSError as error:
            raise as_store_error(error, self.store.path) from error

    def move(self, parts: Sequence[Path], from_us: int, to_us: int, by_us: int) -> int:
        """Move readings in some parts, whose times are from_us to to_us, by so much. Returns how many. Raises StoreError.

        Either all of them are moved or none, also after a crash.
        """
        moved, tables, gone = 0, [], []
        try:
            for part in parts:
                table = read_kept(part)
                table, n = moved_within(table, from_us, to_us, by_us)
                if n:
                    moved += n
                    tables.append(table)
                    gone.append(part)
            if not moved:
                return 0
            table = pa.concat_tables(tables).unify_dictionaries().combine_chunks()
            time_us = times_us(table)
            days, added = time_us // DAY_US, []
            for day in distinct(days)[0].tolist():
                rows = np.flatnonzero(days == day)
                mine_us = time_us[rows]
                rows = rows[np.argsort(mine_us, kind="stable")]
                staged = stage_part(rows_at(table, rows), self.store.path, int(mine_us.min()))
                added.append((staged, self.store.path / "readings" / day_name(day * DAY_US) / staged.name))
            change_files(self.store.path, added, gone)
        except OSError as error:
            raise as_store_error(error, self.store.path) from error
        except DAMAGED as error:
            raise StoreError(f"cannot be read ({error})", where=Place(str(self.store.path))) from error
        for part in gone:
            self._spans.pop(part, None)
        self.parts = [part for part in self.parts if part not in gone] + [final for _, final in added]
        return moved

    def forget(self) -> None:
        """Forget what is known of the parts, after others than this writer's commits have changed them."""
        self._spans.clear()

    def _new_rows(self, table: pa.Table, day: int) -> pa.Table:
        """The rows of one day that the store does not have, each once, in the order of time."""
        time_us = times_us(table)
        low, high = int(time_us.min()), int(time_us.max())
        tables = []
        for part in self._parts_of(day):
            try:
                if self._touches(part, low - NEAR_US, high + NEAR_US):
                    tables.append(_read_keys(part, low - NEAR_US, high + NEAR_US))
            except FileNotFoundError:
                raise
            except DAMAGED:
                self._leave_out(part)
        keys = pa.concat_tables([*tables, table.select(IDENTITY)]).unify_dictionaries().combine_chunks()
        stored = len(keys) - len(table)
        fresh = first_of_each(keys)[stored:]
        if stored and fresh.any():
            fresh &= ~_nearly_stored(keys, stored, fresh)
        rows = np.flatnonzero(fresh)
        rows = rows[np.argsort(time_us[rows], kind="stable")]
        return rows_at(table, rows)

    def _leave_out(self, part: Path) -> None:
        """What a damaged part holds cannot be known; readings that come again are stored again."""
        if part not in self._left_out:
            self._left_out.add(part)
            pass_over(part, fault_of(part, READINGS) or "cannot be read")

    def _parts_of(self, day: int) -> list[Path]:
        return parts_in(self.store.path / "readings" / day_name(day * DAY_US))

    def _touches(self, part: Path, low_us: int, high_us: int) -> bool:
        """Whether a part has readings in a span of time, once read."""
        span = self._spans.get(part)
        if span is None:
            span = self._spans[part] = time_span(part)
        return span[0] <= high_us and span[1] >= low_us


def moved_within(table: pa.Table, from_us: int, to_us: int, by_us: int) -> tuple[pa.Table, int]:
    """(READINGS, how many of them) with the times from from_us to to_us moved by so much."""
    time_us = times_us(table)
    rows = (time_us >= from_us) & (time_us <= to_us)
    if not rows.any():
        return table, 0
    time = time_column(np.where(rows, time_us + by_us, time_us))
    return table.set_column(TIME_COLUMN, READINGS.field("time"), time), int(np.count_nonzero(rows))


def _nearly_stored(keys: pa.Table, stored: int, fresh: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which new rows are there already under a time that is NEAR_US off; keys: IDENTITY, the first `stored` rows stored.

    fresh: (m,) new rows that are not there to the microsecond. A stored row that another new one meets exactly is that one.
    """
    time_us = times_us(keys)
    parts = [column(keys, "level_pct").view(np.int64), values_of(keys.column("source_address")).astype(np.int64)]
    parts += [codes_of(keys.column(name))[0].astype(np.int64) for name in ("tank", "status")]
    what = np.zeros(len(keys), np.int64)
    for part in parts:
        values, which = distinct(part)
        what = distinct(what * len(values) + which)[1]
    # Within a day and a little: 37 bits for the time leave 26 for what was read.
    key = (what << 37) + (time_us - int(time_us.min()) + 2 * NEAR_US)
    exact = key[stored:][~fresh]
    # The sets' functions of numpy bring masked arrays with them, which take long to import.
    free = np.sort(key[:stored][~_among(key[:stored], np.sort(exact))])
    near = _among(key[stored:] - NEAR_US, free) | _among(key[stored:] + NEAR_US, free)
    return np.asarray(near & fresh)


def _among(values: NDArray[np.int64], ranked: NDArray[np.int64]) -> NDArray[np.bool_]:
    """(n,) which of n values are in an array that is in order."""
    if not len(ranked):
        return np.zeros(len(values), np.bool_)
    return np.asarray(ranked[np.minimum(np.searchsorted(ranked, values), len(ranked) - 1)] == values)


def _read_keys(part: Path, low_us: int, high_us: int) -> pa.Table:
    table = read_part(part, READINGS, IDENTITY)
    time_us = times_us(table)
    within = (time_us >= low_us) & (time_us <= high_us)
    return table if within.all() else rows_at(table, np.flatnonzero(within))
