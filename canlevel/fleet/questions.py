"""What can be asked of a fleet: flows, days, findings. Each is one call, whose answer is a FleetResult."""

from __future__ import annotations

import time
import zlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass
from datetime import datetime
from functools import partial
from math import ceil
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from canlevel import history
from canlevel.errors import QueryError
from canlevel.fleet.engine import done_by, need_dask
from canlevel.fleet.result import FleetResult, Progress, in_order
from canlevel.fleet.tables import FAILURES
from canlevel.fleet.work import KINDS, Answer, Question, answer, lost
from canlevel.storage.dataset import Dataset
from canlevel.storage.reader import find_stores
from canlevel.tables import empty, rows_at, times_us, timestamp_us

if TYPE_CHECKING:
    from distributed import Client

__all__ = ["daily", "findings", "flows"]

Paths = str | Path | Iterable[str | Path]
Tell = Callable[[Progress], object]

STORES_OF_A_FILE = 64  # so many, more or less, share their files: some ten megabytes a month
PARTED_BY = {"flows": "start", "daily": "day"}  # the time that tells the month of a row


def flows(
    paths: Paths,
    *,
    client: Client | None = None,
    to: str | Path | None = None,
    since: datetime | str | None = None,
    until: datetime | str | None = None,
    progress: Tell | None = None,
) -> FleetResult:
    """Fills and drains of many stores: columns `store` and those of flows. As `canlevel flows` shows them, store by store.

    paths: stores, folders of stores or globs, here or in an object store ("fleet/*", "s3://bucket/fleet/*"). client: a
    distributed.Client; without one this process does the work. to: a folder for the result, as Parquet by month and group of
    stores, here or in an object store; without it the result is kept in memory. since, until: flows that ended after the one
    and began before the other. progress: is called with a Progress after every store, as in progress=print.
    A store that cannot be read stops nothing: result.failures names it. Raises QueryError for what cannot be asked.
    """
    return _asked("flows", paths, client, to, since, until, progress)


def daily(
    paths: Paths,
    *,
    client: Client | None = None,
    to: str | Path | None = None,
    since: datetime | str | None = None,
    until: datetime | str | None = None,
    progress: Tell | None = None,
) -> FleetResult:
    """Days of many stores: a row for each store, vessel, tank, source and day (UTC), with what went in and out, where the level
    was, how long it was heard and how long nothing could be. Columns: `store`, and canlevel/TABLES.md, days.

    since, until: the days that touch the time from the one and before the other. Everything else is as in flows().
    """
    return _asked("daily", paths, client, to, since, until, progress)


def findings(
    paths: Paths,
    *,
    client: Client | None = None,
    to: str | Path | None = None,
    since: datetime | str | None = None,
    until: datetime | str | None = None,
    progress: Tell | None = None,
) -> FleetResult:
    """What is wrong in many stores, as far as a history tells: a row for each fault of a tank, with how often it was found and
    whether it still was on the last day. Codes and severities are those of explain(); a day is examined as a recording of it
    would be. Beyond them: leak-suspected and gain-suspected, as `canlevel leaks` finds them in spans of 31 days, and
    capacity-changed. Columns: canlevel/TABLES.md, fleet findings.

    since, until: the days that touch the time from the one and before the other. Everything else is as in flows().
    """
    return _asked("findings", paths, client, to, since, until, progress)


def _asked(
    kind: str,
    paths: Paths,
    client: Client | None,
    to: str | Path | None,
    since: datetime | str | None,
    until: datetime | str | None,
    progress: Tell | None,
) -> FleetResult:
    since_us, until_us = (None if moment is None else timestamp_us(moment) for moment in (since, until))
    if since_us is not None and until_us is not None and since_us >= until_us:
        raise QueryError("since is not before until", next_step="give them the other way round")
    if client is not None:
        need_dask(client)
    question = Question(kind, since_us, until_us)
    stores = find_stores(paths)
    groups = _groups(stores)
    place = None if to is None else Dataset(str(to))
    asked = {**asdict(question), "method": history.METHOD}
    if place is not None:
        place.begin(asked)
    count = _Count(len(stores), progress)
    gather = partial(_gather, None if place is None else place.url, kind)
    found: list[_Gathered] = []
    for one in done_by(client, groups, partial(answer, question=question), gather, partial(lost, kind), count.one_more):
        found.append(one)
        count.failed += len({row["store"] for row in one.failures})
    failures = [row for one in found for row in one.failures]
    failures.sort(key=lambda row: (row["store"], row["file"] or ""))
    schema = KINDS[kind][0]
    result = FleetResult(
        kind=kind,
        stores=len(stores),
        rows=sum(one.rows for one in found),
        failed=pa.Table.from_pylist(failures, schema=FAILURES),
        journals=sorted(store for one in found for store in one.journals),
        path=None if place is None else place.url,
        schema=schema,
        files=tuple(sorted(name for one in found for name in one.files)),
        held=in_order(pa.concat_tables([empty(schema), *(one.table for one in found)])) if place is None else None,
    )
    if place is not None:
        facts = {"stores": result.stores, "rows": result.rows, "failures": failures, "journals": result.journals}
        place.end(asked, result.files, facts)
    return result


class _Count:
    """Tells how far the work is."""

    def __init__(self, stores: int, progress: Tell | None) -> None:
        self.done = self.failed = 0
        self._stores, self._progress, self._began = stores, progress, time.monotonic()

    def one_more(self) -> None:
        self.done += 1
        if self._progress is not None:
            self._progress(Progress(self.done, self._stores, self.failed, time.monotonic() - self._began))


@dataclass(frozen=True, slots=True)
class _Gathered:
    """A group of stores. files: that were written; table: the rows, where they were not."""

    rows: int
    failures: list[dict[str, Any]]
    journals: list[str]
    files: list[str]
    table: pa.Table


def _groups(stores: list[str]) -> list[tuple[str, list[str]]]:
    """(name, stores) of each group. A store's group depends on its URL and on how many groups there are, a power of two."""
    number = 1 << max(ceil(len(stores) / STORES_OF_A_FILE) - 1, 0).bit_length()
    groups: dict[int, list[str]] = {}
    for store in stores:
        groups.setdefault(zlib.crc32(store.encode()) % number, []).append(store)
    return [(f"stores-{group:05d}-of-{number:05d}", groups[group]) for group in sorted(groups)]


def _gather(to: str | None, kind: str, group: str, answers: list[Answer]) -> _Gathered:
    """The answers of a group put together: written as files, or handed back."""
    schema = KINDS[kind][0]
    table = pa.concat_tables([empty(schema), *(one.table for one in answers)]).unify_dictionaries().combine_chunks()
    files = []
    if to is not None:
        place = Dataset(to)
        for folder, rows in _by_month(table, PARTED_BY.get(kind)):
            files.append(f"{folder}{group}.parquet")
            place.put(files[-1], rows)
    return _Gathered(
        len(table),
        [row for one in answers for row in one.failures],
        [one.store for one in answers if one.journal],
        files,
        table if to is None else empty(schema),
    )


def _by_month(table: pa.Table, time: str | None) -> Iterator[tuple[str, pa.Table]]:
    """(folder, rows) of each month, by a column of times; all in one folder without."""
    if time is None:
        if len(table):
            yield "", table
        return
    months = times_us(table, time).astype("datetime64[us]").astype("datetime64[M]")
    for month in np.unique(months):
        yield f"month={month}/", rows_at(table, np.flatnonzero(months == month))
