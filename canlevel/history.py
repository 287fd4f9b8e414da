"""What a store knows beyond its readings: the flows derived from them, brought up to date before they are handed out."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterable
from datetime import UTC, date, datetime, timedelta
from itertools import groupby, pairwise

import numpy as np
import pyarrow as pa

from canlevel.derivation.flows import derive_flows
from canlevel.errors import StoreError
from canlevel.storage.store import Store, open_store
from canlevel.tables import DAY_US, FLOWS, empty, rows_at, times_us, timestamp_us

__all__ = [
    "FLOW_COLUMNS",
    "LATELY_DAYS",
    "METHOD",
    "bring_flows_up_to_date",
    "days_around",
    "flows_of_week",
    "lately",
    "main",
    "stored_flows",
    "week_of",
]

LATELY_DAYS = 31  # of a store that leaks and habits are looked for in
METHOD = 8  # of the derivation; flows of another are derived anew
DAYS_FOR_HELPERS = 15  # from so many on, a process on every core
FLOW_COLUMNS = ["time", "vessel", "channel", "tank", "name", "source_address", "level_pct", "capacity_l", "volume_l"]
DAY = timedelta(days=1)
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)  # readings of a clock that never was right begin there
FIRST_DAY = EPOCH.date()
# Of readings before and after a week: what flowed already as it began, and flows that reach across its end.
BEFORE, AFTER = timedelta(hours=3), timedelta(hours=12)


def stored_flows(
    store: Store,
    *,
    tank: str | None = None,
    since: datetime | str | None = None,
    until: datetime | str | None = None,
) -> pa.Table:
    """FLOWS of a store in the order of their start: of one tank id, that ended after `since` and began before `until`.

    They are brought up to date first; where the store may only be read, they are derived for this once.
    """
    try:
        bring_flows_up_to_date(store)
    except StoreError:
        readings = store.to_arrow(
            tank=tank,
            since=None if since is None else max(_moment(since) - DAY, EPOCH),
            until=None if until is None else _moment(until) + DAY,
        )
        flows = derive_flows(readings)
        keep = np.ones(len(flows), np.bool_)
        if since is not None:
            keep &= times_us(flows, "end") > timestamp_us(since)
        if until is not None:
            keep &= times_us(flows, "start") < timestamp_us(until)
        return rows_at(flows, np.flatnonzero(keep))
    try:
        return store.scan_flows(tank=tank, since=since, until=until)
    except StoreError:
        # A damaged part of flows: they are derived from the readings once more.
        store.note_derived({})
        bring_flows_up_to_date(store)
        return store.scan_flows(tank=tank, since=since, until=until)


def lately(store: Store, until: datetime | str | None = None) -> datetime | None:
    """When the last LATELY_DAYS days of a store began, those before `until`; None for a store without readings."""
    days = [part.parent.name.removeprefix("date=") for part in store.parts(until=until)]
    return datetime.fromisoformat(max(days)).replace(tzinfo=UTC) - timedelta(days=LATELY_DAYS - 1) if days else None


def bring_flows_up_to_date(store: Store) -> int:
    """Derive the flows of every week in which readings have changed, or those of a day beside it. Returns how many days.

    Raises StoreError where the store may not be written, or a part is damaged.
    """
    parts: dict[str, list[str]] = {}
    for part in store.parts():
        parts.setdefault(part.parent.name.removeprefix("date="), []).append(part.name)
    known = store.derived_from()
    before = known.get("days", {}) if known.get("method") == METHOD else {}
    changed = {day for day in {*parts, *before} if parts.get(day) != before.get(day)}
    if not changed:
        return 0
    # What lies beside a day says when its first and its last flow began and ended. Whole weeks are derived, always the same
    # ones, so that flows do not depend on how readings came in: what a sender can say is learnt from the days at hand.
    weeks = {week_of(beside) for day in changed for beside in _beside(day)}
    stale = sorted(day for day in {*parts, *before} if week_of(day) in weeks)
    windows = [list(days) for _, days in groupby(stale, week_of)]
    processes = min(_cores(), len(windows)) if len(stale) >= DAYS_FOR_HELPERS else 1
    # Weeks that follow one another stay together, as each reads the days beside it.
    bounds = [len(windows) * i // processes for i in range(processes + 1)]
    mine, *theirs = (windows[begin:end] for begin, end in pairwise(bounds))
    # Processes of their own, not copies of this one: whoever calls may be a notebook with threads of its own.
    started = [_helper(store, some) for some in theirs]
    try:
        _derive(store, mine)
        for some, process in zip(theirs, started, strict=True):
            if process.wait() != 0:
                _derive(store, some)
    finally:
        for process in started:
            process.kill()
            process.wait()
    store.note_derived({"method": METHOD, "days": parts})
    return len(stale)


def flows_of_week(week: int, heard: Iterable[str], read: Callable[[str], pa.Table]) -> pa.Table:
    """FLOWS that began in a week (the number of which week_of gives), in the order of their start.

    heard: days that have readings ("2026-05-01"), those of days_around(week) at least. read: FLOW_COLUMNS of such a day's
    READINGS in the order of time, of all tanks or of some: a tank's flows depend on no other's readings.
    """
    begin_us = 7 * week * DAY_US
    end_us = begin_us + 7 * DAY_US
    before_us, after_us = (margin // timedelta(microseconds=1) for margin in (BEFORE, AFTER))
    around = sorted(set(heard) & set(days_around(week)))
    tables = [_between(read(day), begin_us - before_us, end_us + after_us) for day in around]
    flows = derive_flows(pa.concat_tables(tables)) if tables else empty(FLOWS)
    start_us = times_us(flows, "start")
    return rows_at(flows, np.flatnonzero((start_us >= begin_us) & (start_us < end_us)))


def days_around(week: int) -> list[str]:
    """The days whose readings say what flows began in a week, in order: its own, the one before and the one after."""
    first = FIRST_DAY + 7 * week * DAY
    return [(first + number * DAY).isoformat() for number in range(-1 if week else 0, 8)]


def week_of(day: str) -> int:
    """The number of the week a day is in, a week beginning on Thursdays as 1970 did."""
    return (date.fromisoformat(day) - FIRST_DAY).days // 7


def _derive(store: Store, windows: list[list[str]]) -> None:
    """Derive the flows of some days, those of one week in each window, and store them."""
    read: dict[str, pa.Table] = {}
    for window in windows:
        week = week_of(window[0])
        around = days_around(week)
        heard = dict.fromkeys(part.parent.name.removeprefix("date=") for part in store.parts(around[0], around[-1]))
        # The days beside a week are those of the next one, too. Columns that flows do not need are not read.
        read = {day: read[day] if day in read else store.day_columns(day, day, FLOW_COLUMNS) for day in heard}
        flows = flows_of_week(week, read, read.__getitem__)
        days = times_us(flows, "start") // DAY_US
        for day in window:
            number = (date.fromisoformat(day) - FIRST_DAY).days
            store.replace_flows(day, rows_at(flows, np.flatnonzero(days == number)))


def _between(readings: pa.Table, begin_us: int, end_us: int) -> pa.Table:
    """Those from a moment on and before another, of READINGS in the order of time."""
    first, last = np.searchsorted(times_us(readings), [begin_us, end_us])
    return readings.slice(int(first), int(last - first))


def _helper(store: Store, windows: list[list[str]]) -> subprocess.Popen[bytes]:
    words = [sys.executable, "-m", "canlevel.history", str(store.path), *(",".join(window) for window in windows)]
    return subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def _cores() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _moment(when: datetime | str) -> datetime:
    return datetime.fromtimestamp(timestamp_us(when) / 1e6, UTC)


def _beside(day: str) -> list[str]:
    middle = date.fromisoformat(day)
    return [(middle + timedelta(days=off)).isoformat() for off in (-1, 0, 1)]


def main(words: list[str]) -> None:
    """The work of a helper: a store, and the days of each week with commas between."""
    _derive(open_store(words[0]), [window.split(",") for window in words[1:]])


if __name__ == "__main__":
    main(sys.argv[1:])
