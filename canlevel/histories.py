"""Histories for notebooks: one store, or many at once, as pandas frames, Arrow tables and datasets.

    canlevel.open_store("history").readings(tank="rvc.fresh_water.0", since="2026-05-01")
    canlevel.open_stores("fleet/*").flows()

Of many stores, `vessel` tells whose a row is: what the readings say, else what the store was made for, else the name of its
folder; a name that two stores share gets the folder's in brackets.
"""

from __future__ import annotations

import glob
import warnings
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.derivation.balance import BALANCE
from canlevel.derivation.balance import balance as weigh
from canlevel.derivation.flows import derive_flows
from canlevel.derivation.leaks import LEAKS, watch_leaks
from canlevel.derivation.outlook import OUTLOOK
from canlevel.derivation.outlook import outlook as look_ahead
from canlevel.derivation.overview import OVERVIEW, overview
from canlevel.derivation.resampling import LEVELS, resample
from canlevel.errors import CanlevelError, Place, QueryError, StoreError, StoreWarning, printable
from canlevel.history import stored_flows
from canlevel.recovery import open_whole
from canlevel.storage.store import Store, is_store
from canlevel.tables import (
    CLOCK,
    FLOWS,
    OUTAGES,
    READINGS,
    UNKNOWN_TIME_US,
    codes_of,
    dictionary_column,
    empty,
    matching,
    times_us,
    timestamp_us,
)

if TYPE_CHECKING:
    import pandas as pd
    from pyarrow.dataset import Dataset

__all__ = ["Histories", "History", "levels_table", "open_histories", "open_history"]

When = datetime | str
MOST_INTERVALS = 2_000_000


def open_history(path: str | Path) -> History:
    """Open a store for reading, as open_whole() does. Raises StoreError. Warns (StoreWarning) where something is left out."""
    store = open_whole(path)
    return History(store.path, store.vessel)


def open_histories(paths: str | Path | Iterable[str | Path]) -> Histories:
    """Open several stores at once.

    paths: a pattern such as "fleet/*", a folder of stores, a store, or several of these. What is no store, or cannot be
    opened, is left out with a warning (StoreWarning). Raises StoreError where none is left.
    """
    opened: dict[Path, History] = {}
    for path in _store_paths([paths] if isinstance(paths, str | Path) else paths):
        try:
            opened.setdefault(path.resolve(), open_history(path))
        except CanlevelError as error:
            warnings.warn(f"left out: {printable(str(error.where or path))} {error.what}", StoreWarning, stacklevel=2)
    if not opened:
        told = ", ".join(map(str, paths)) if not isinstance(paths, str | Path) else str(paths)
        raise StoreError(
            "holds no store that can be read",
            where=Place(told or "(nothing)"),
            next_step="name a folder of stores, or a pattern such as fleet/*",
        )
    return Histories(tuple(opened.values()))


def _store_paths(paths: Iterable[str | Path]) -> list[Path]:
    found: list[Path] = []
    for path in paths:
        named = Path(path)
        if not named.exists() and glob.has_magic(str(path)):
            matching = sorted(Path(name) for name in glob.glob(str(path)))  # noqa: PTH207  Path.glob wants relative patterns
            found += [one for one in matching if one.is_dir()]
        elif is_store(named) or not named.is_dir():
            found.append(named)
        else:
            found += sorted(folder for folder in named.iterdir() if is_store(folder))
    return found


@dataclass(frozen=True, slots=True)
class History(Store):
    """A store, and what follows from its readings. readings(), to_arrow() and scan() are those of Store."""

    def flows(self, *, tank: str | None = None, since: When | None = None, until: When | None = None) -> pd.DataFrame:
        """Fills and drains that ended after `since` and began before `until`, in the order of their start, up to date."""
        return _frame(self.flows_table(tank=tank, since=since, until=until))

    def flows_table(self, *, tank: str | None = None, since: When | None = None, until: When | None = None) -> pa.Table:
        """FLOWS, as flows()."""
        return stored_flows(self, tank=tank, since=since, until=until)

    def outages(self) -> pd.DataFrame:
        """When the logger could hear nothing, and why: a gap in levels there is not the tank's."""
        return _frame(self.marks("outages"))

    def clock(self) -> pd.DataFrame:
        """Which readings were taken before the logger's clock was right, by the times they are stored under."""
        return _frame(self.marks("clock"))

    def tanks(self, *, since: When | None = None, until: When | None = None) -> pd.DataFrame:
        """One row for each tank and source: its last level, volume and status, when and how often it was heard."""
        return _frame(overview(self.to_arrow(since=since, until=until, in_order=False)))

    def leaks(self, *, tank: str | None = None, since: When | None = None, until: When | None = None) -> pd.DataFrame:
        """The leak watch over the quiet hours of each tank, with the smallest leak that would have been seen."""
        return _frame(self.leaks_table(tank=tank, since=since, until=until))

    def leaks_table(self, *, tank: str | None, since: When | None, until: When | None) -> pa.Table:
        """LEAKS, as leaks()."""
        return watch_leaks(*self._readings_and_flows(tank, since, until))

    def outlook(self, *, tank: str | None = None, since: When | None = None, until: When | None = None) -> pd.DataFrame:
        """When each tank will be empty or full, at its present rate and at its habit, as of the last reading."""
        return _frame(self.outlook_table(tank=tank, since=since, until=until))

    def outlook_table(self, *, tank: str | None, since: When | None, until: When | None) -> pa.Table:
        """OUTLOOK, as outlook()."""
        return look_ahead(*self._readings_and_flows(tank, since, until))

    def balance(self, *, since: When | None = None, until: When | None = None) -> pd.DataFrame:
        """By day (UTC): fresh water out, waste water in, and what is missing."""
        return _frame(self.balance_table(since=since, until=until))

    def balance_table(self, *, since: When | None, until: When | None) -> pa.Table:
        """BALANCE, as balance()."""
        return weigh(*self._readings_and_flows(None, since, until))

    def _readings_and_flows(
        self, tank: str | None, since: When | None, until: When | None
    ) -> tuple[pa.Table, pa.Table]:
        readings = self.to_arrow(tank=tank, since=since, until=until)
        return readings, self.flows_table(tank=tank, since=since, until=until)

    def levels_at(
        self,
        every: str = "1h",
        *,
        tank: str | None = None,
        since: When | None = None,
        until: When | None = None,
        zone: str = "UTC",
    ) -> pd.DataFrame:
        """Levels at even intervals, as canlevel.levels_at() makes them, with the store's own flows and outages."""
        return _frame(self.levels_table(every, tank=tank, since=since, until=until, zone=zone))

    def levels_table(
        self, every: str, *, tank: str | None, since: When | None, until: When | None, zone: str
    ) -> pa.Table:
        """LEVELS, as levels_at()."""
        readings = self.to_arrow(tank=tank, since=since, until=until, in_order=False)
        flows, outages = self.flows_table(tank=tank, since=since, until=until), self.marks("outages")
        return levels_table(readings, every, flows=flows, outages=outages, since=since, until=until, zone=zone)


@dataclass(frozen=True, slots=True)
class Histories:
    """Several stores at once, with the same questions as to one; `vessel` tells whose a row is."""

    stores: tuple[History, ...]

    def labels(self) -> list[str]:
        """What each store's rows are called that have no vessel of their own, or one that another store has as well."""
        paths = [store.path.resolve() for store in self.stores]
        folders = Counter(path.name for path in paths)
        folder = [path.name if folders[path.name] == 1 else str(path) for path in paths]
        vessels = Counter(store.vessel for store in self.stores)
        return [
            where
            if store.vessel is None
            else store.vessel
            if vessels[store.vessel] == 1
            else f"{store.vessel} ({where})"
            for store, where in zip(self.stores, folder, strict=True)
        ]

    def to_arrow(self, *, tank: str | None = None, since: When | None = None, until: When | None = None) -> pa.Table:
        """READINGS of all stores, those of one after those of another, each in the order of time."""
        return self._each(lambda store: store.to_arrow(tank=tank, since=since, until=until), READINGS)

    def readings(
        self, *, tank: str | None = None, since: When | None = None, until: When | None = None
    ) -> pd.DataFrame:
        """The same as a pandas frame."""
        return _frame(self.to_arrow(tank=tank, since=since, until=until))

    def scan(self, *, tank: str | None = None, since: When | None = None, until: When | None = None) -> Dataset:
        """READINGS of all stores as one pyarrow dataset, with one column more: `store`, the path of the store.

        Nothing is read before it is asked for, so that `vessel` is as it was stored. Else it is as Store.scan().
        """
        import pyarrow.dataset as ds

        schema = READINGS.append(pa.field("store", pa.string()))
        fragments: list[Any] = []
        for store in self.stores:
            part_of = store.scan(since=since, until=until)
            fragments += [
                part_of.format.make_fragment(
                    fragment.path,
                    filesystem=part_of.filesystem,
                    partition_expression=fragment.partition_expression & (ds.field("store") == str(store.path)),
                )
                for fragment in part_of.get_fragments()
            ]
        dataset = ds.FileSystemDataset(fragments, schema, part_of.format, part_of.filesystem)
        limited = tank is not None or since is not None or until is not None
        return dataset.filter(matching(tank, since, until)) if limited else dataset

    def flows(self, *, tank: str | None = None, since: When | None = None, until: When | None = None) -> pd.DataFrame:
        """Fills and drains of all stores, store by store, as History.flows()."""
        return _frame(self._each(lambda store: store.flows_table(tank=tank, since=since, until=until), FLOWS))

    def outages(self) -> pd.DataFrame:
        """The outages of all stores, store by store."""
        return _frame(self._each(lambda store: store.marks("outages"), OUTAGES))

    def clock(self) -> pd.DataFrame:
        """Which readings of all stores were taken before their logger's clock was right."""
        return _frame(self._each(lambda store: store.marks("clock"), CLOCK))

    def tanks(self, *, since: When | None = None, until: When | None = None) -> pd.DataFrame:
        """One row for each tank and source of all stores, store by store."""
        return _frame(
            self._each(lambda store: overview(store.to_arrow(since=since, until=until, in_order=False)), OVERVIEW)
        )

    def leaks(self, *, tank: str | None = None, since: When | None = None, until: When | None = None) -> pd.DataFrame:
        """The leak watch over all stores."""
        return _frame(self._each(lambda store: store.leaks_table(tank=tank, since=since, until=until), LEAKS))

    def outlook(self, *, tank: str | None = None, since: When | None = None, until: When | None = None) -> pd.DataFrame:
        """When the tanks of all stores will be empty or full."""
        return _frame(self._each(lambda store: store.outlook_table(tank=tank, since=since, until=until), OUTLOOK))

    def balance(self, *, since: When | None = None, until: When | None = None) -> pd.DataFrame:
        """Fresh water out and waste water in, by day, of all stores."""
        return _frame(self._each(lambda store: store.balance_table(since=since, until=until), BALANCE))

    def levels_at(
        self,
        every: str = "1h",
        *,
        tank: str | None = None,
        since: When | None = None,
        until: When | None = None,
        zone: str = "UTC",
    ) -> pd.DataFrame:
        """Levels at even intervals of all stores, store by store, as History.levels_at()."""
        return _frame(
            self._each(lambda store: store.levels_table(every, tank=tank, since=since, until=until, zone=zone), LEVELS)
        )

    def _each(self, asked: Callable[[History], pa.Table], schema: pa.Schema) -> pa.Table:
        """A table from each store, its rows called by the store's label, as one."""
        tables = [
            _called(asked(store), store.vessel, label) for store, label in zip(self.stores, self.labels(), strict=True)
        ]
        return pa.concat_tables([empty(schema), *tables]).unify_dictionaries()


def _called(table: pa.Table, vessel: str | None, label: str) -> pa.Table:
    """A table whose vessel is `label` where it was null or `vessel`."""
    codes, words = codes_of(table.column("vessel"))
    told = [label if word in (None, vessel) else word for word in words]
    return table.set_column(table.schema.get_field_index("vessel"), "vessel", dictionary_column(codes, told))


def levels_table(
    readings: pa.Table,
    every: str = "1h",
    *,
    flows: pa.Table | None = None,
    outages: pa.Table | None = None,
    since: When | None = None,
    until: When | None = None,
    zone: str = "UTC",
) -> pa.Table:
    """LEVELS of READINGS at even intervals, which begin at whole multiples of `every` in a time zone.

    every: as pandas writes lengths of time: "15min", "1h", "1D", "1W", "MS". flows: FLOWS, derived from the readings without
    them. outages: OUTAGES. since, until: where the intervals begin and end, else where readings and flows do.
    Raises QueryError for an unknown length or zone, and for more than MOST_INTERVALS.
    """
    flows = derive_flows(readings) if flows is None else flows
    times = [readings.column("time"), flows.column("start"), flows.column("end")]
    known = [times_us(pa.table({"time": column})) for column in times]
    moments = np.concatenate([one[one != UNKNOWN_TIME_US] for one in known])
    if not len(moments):
        return empty(LEVELS)
    begin_us = int(moments.min()) if since is None else timestamp_us(since)
    end_us = int(moments.max()) if until is None else timestamp_us(until) - 1
    return resample(readings, _edges_us(begin_us, max(begin_us, end_us), every, zone), flows=flows, outages=outages)


def _edges_us(begin_us: int, end_us: int, every: str, zone: str) -> NDArray[np.int64]:
    """The ends of intervals that hold all from one moment to another: (k + 1,)."""
    import pandas as pd
    from pandas.tseries.frequencies import to_offset

    try:
        length = to_offset(every)
        first, last = (pd.Timestamp(at, unit="us", tz="UTC").tz_convert(zone) for at in (begin_us, end_us))
    except (ValueError, TypeError, KeyError, OSError) as error:  # a zone that is not there is a KeyError or an OSError
        raise QueryError(
            f'every="{every}" and zone="{zone}" are no intervals ({error})',
            next_step='write every like "15min", "1h", "1D", "1W" or "MS", and zone like "America/Denver"',
        ) from None
    if length is None or length.n < 1:
        raise QueryError(f'every="{every}" is no length of time', next_step='write it like "15min", "1h" or "1D"')
    if isinstance(length, pd.offsets.Tick) and not isinstance(length, pd.offsets.Day):
        whole_us = length.nanos // 1000
        count = (end_us - begin_us) // max(whole_us, 1) + 2
        _not_too_many(count, every)
        # Multiples counted from midnight, so that 8 hours are 0, 8 and 16 o'clock there.
        offset_us = first.tz_localize(None).value // 1000 - begin_us
        start_us = (begin_us + offset_us) // whole_us * whole_us - offset_us
        count = (end_us - start_us) // whole_us + 1
        return start_us + whole_us * np.arange(count + 1)
    start = length.rollback(first.normalize())
    edges = [start]
    while edges[-1] <= last:
        _not_too_many(len(edges), every)
        edges.append(
            (edges[-1].tz_localize(None) + length).tz_localize(zone, ambiguous=True, nonexistent="shift_forward")
        )
    return np.array([edge.tz_convert("UTC").value // 1000 for edge in edges], np.int64)


def _not_too_many(count: int, every: str) -> None:
    if count > MOST_INTERVALS:
        raise QueryError(
            f'every="{every}" makes more than {MOST_INTERVALS:,} intervals',
            next_step="take longer ones, or a shorter time",
        )


def _frame(table: pa.Table) -> pd.DataFrame:
    frame: pd.DataFrame = table.to_pandas()
    return frame
