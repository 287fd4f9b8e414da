"""A store derived anew from what was received: names, capacities, volumes, rates and flows by another roster.

In comes a store and a roster; the store then holds what it would hold had all of it been logged with that roster, in the order
of time. What was received (time, channel, tank, source, level, status) stays as it is. Day by day: the parts of a day are
replaced by one change, so that a crash leaves each day as it was or as it shall be, and the same call does the rest.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.derivation.online import OnlineRates
from canlevel.errors import QueryError
from canlevel.history import bring_flows_up_to_date
from canlevel.recovery import WAIT_FOR_OTHERS_S, Recovered, bring_in, open_whole
from canlevel.roster import Roster, load_roster
from canlevel.storage.commit import as_store_error
from canlevel.storage.merge import Tidied, arranged, read_day, replace_day
from canlevel.storage.parts import parts_in, read_kept, read_part, read_whole
from canlevel.storage.store import MARKS, Store, open_store
from canlevel.storage.writer import DAY_US, day_name
from canlevel.tables import (
    READINGS,
    codes_of,
    column,
    dictionary_column,
    distinct,
    float_column,
    rows_at,
    times_us,
    timestamp_us,
    values_of,
)

__all__ = ["DERIVED", "RevisedTank", "Revision", "revise_store"]

# The columns that follow from a roster, each with what it is called to a person.
DERIVED = {
    "vessel": "vessel",
    "name": "name",
    "capacity_l": "capacity",
    "volume_l": "volume",
    "rate_l_per_min": "rates",
    "rate_low": "rates",
    "rate_high": "rates",
}
BEGINNING_US, END_US = np.iinfo(np.int64).min, np.iinfo(np.int64).max

Words = dict[str | None, None]  # in the order in which they came


@dataclass(slots=True)
class RevisedTank:
    """A tank and source of which readings changed. readings, days: how many. changed: which of the values of DERIVED.

    Each of names, capacities_l and vessels: (what these readings had, what they have now).
    """

    tank: str
    source_address: int
    readings: int = 0
    days: int = 0
    changed: list[str] = field(default_factory=list)
    names: tuple[list[str | None], list[str | None]] = field(default_factory=lambda: ([], []))
    capacities_l: tuple[list[float | None], list[float | None]] = field(default_factory=lambda: ([], []))
    vessels: tuple[list[str | None], list[str | None]] = field(default_factory=lambda: ([], []))


@dataclass(slots=True)
class Revision:
    """What a revision did, or would do (dry_run). tanks: those of which something changed, in the order of their ids.

    readings: that were looked at; changed: of those. days: that were written anew; days_alike: that were as they shall be.
    flow_days: whose flows were derived anew. not_known: tanks for which the roster tells no capacity, and of which an older
    canlevel has not noted what the device said: the stored capacity stays. unfinished: an earlier revision that was cut off
    reaches further than this one. recovered, set_aside: what was put right before.
    """

    store: Store
    dry_run: bool = False
    tanks: list[RevisedTank] = field(default_factory=list)
    readings: int = 0
    changed: int = 0
    days: int = 0
    days_alike: int = 0
    flow_days: int = 0
    not_known: list[str] = field(default_factory=list)
    unfinished: bool = False
    recovered: Recovered = field(default_factory=Recovered)
    set_aside: list[tuple[Path, Path, str]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Scope:
    """Which readings are revised: those of some vessels, with times from since_us on and before until_us."""

    vessels: frozenset[str | None]
    since_us: int
    until_us: int

    def of_vessels(self, table: pa.Table) -> NDArray[np.bool_]:
        """(n,) rows of a vessel that is revised, whenever."""
        codes, words = codes_of(table.column("vessel"))
        return np.array([word in self.vessels for word in words])[codes]

    def within(self, time_us: NDArray[np.int64]) -> NDArray[np.bool_]:
        """(n,) times that are revised."""
        return (time_us >= self.since_us) & (time_us < self.until_us)

    def touches(self, day: Path) -> bool:
        """Whether the folder of a day may hold such times."""
        begin_us = (date.fromisoformat(day.name.removeprefix("date=")) - date(1970, 1, 1)).days * DAY_US
        return begin_us < self.until_us and begin_us + DAY_US > self.since_us


def revise_store(
    path: str | Path,
    roster: Roster | str | Path,
    *,
    since: datetime | str | None = None,
    until: datetime | str | None = None,
    vessel: str | None = None,
    dry_run: bool = False,
    on_day: Callable[[int, int], None] | None = None,
) -> Revision:
    """Derive name, capacity_l, volume_l, the rates and the flows of a store's readings anew, by a roster; and the vessel, if it
    names one.

    since, until: of the readings from the one moment on and before the other only; naive moments mean UTC. vessel: of those of
    this vessel only; of a store with several it has to be said, by the roster's name or here. dry_run: change nothing.
    on_day(done, of): after each day.

    Rates are those of all readings in the order of time, so that --since changes none of them. The same call again changes
    nothing. Raises StoreError, also while another holds the store or where the disk refuses: each day is then as it was or as
    it shall be. Raises RosterError and QueryError.
    """
    if not isinstance(roster, Roster):
        roster = load_roster(roster)
    limits = [None if moment is None else timestamp_us(moment) for moment in (since, until)]
    begin_us, end_us = BEGINNING_US if limits[0] is None else limits[0], END_US if limits[1] is None else limits[1]
    if begin_us >= end_us:
        raise QueryError("the time to revise ends before it begins", next_step="swap --since and --until")
    if dry_run:
        store = open_whole(path)
        revision = Revision(store, dry_run=True)
        scope = _scope(store, roster, vessel, begin_us, end_us)
        _Reviser(revision, roster, scope).look(on_day)
        return revision
    store = open_store(path)
    revision = Revision(store)
    with store.writing(wait_s=WAIT_FOR_OTHERS_S) as writer:
        revision.recovered = bring_in(store, writer)
        scope = _scope(store, roster, vessel, begin_us, end_us)
        _Reviser(revision, roster, scope).change(on_day)
    if revision.days:
        revision.flow_days = bring_flows_up_to_date(store)
    return revision


def _scope(store: Store, roster: Roster, vessel: str | None, since_us: int, until_us: int) -> _Scope:
    """Whose readings are meant. Raises QueryError where that cannot be known."""
    everything = _Scope(frozenset(), since_us, until_us)
    there: set[str | None] = set()
    for day in filter(everything.touches, store.day_folders()):
        there |= read_whole(lambda day=day: parts_in(day), READINGS, _vessels_in, store.path)  # type: ignore[misc]
    named = {word for word in there if word is not None}
    # Names of which a revision that was cut off would have made one.
    noted = store.revising() or {}
    one = {*_list(noted.get("vessels")), noted.get("vessel")}
    groups = len(named - one) + bool(named & one)
    if vessel is not None:
        if vessel not in named:
            raise QueryError(
                f'the store holds no readings of "{vessel}" then',
                next_step=f"use one of: {', '.join(sorted(named)) or '(none is named)'}",
            )
        chosen = {vessel}
    elif groups <= 1:
        return _Scope(frozenset({*named, None, *one}), since_us, until_us)
    elif roster.vessel in named:
        chosen = {roster.vessel}
    else:
        raise QueryError(
            f"the store holds readings of {', '.join(sorted(named))}, and the roster does not say whose it is",
            next_step='name the one it is for, for example --vessel "' + min(named) + '"',
        )
    return _Scope(frozenset(chosen | one if chosen & one else chosen), since_us, until_us)


def _vessels_in(parts: list[Path]) -> set[str | None]:
    found: set[str | None] = set()
    for part in parts:
        codes, words = codes_of(read_part(part, READINGS, ["vessel"]).column("vessel"))
        found |= {words[code] for code in distinct(codes)[0].tolist()}
    return found


def _list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []


class _Reviser:
    """One revision under way."""

    def __init__(self, revision: Revision, roster: Roster, scope: _Scope) -> None:
        self._revision, self._roster, self._scope = revision, roster, scope
        self._rates = OnlineRates(roster)
        self._tanks: dict[tuple[str, int], RevisedTank] = {}
        self._not_known: Words = {}

    def look(self, on_day: Callable[[int, int], None] | None) -> None:
        """Find what would change. The store may be another's."""
        store = self._revision.store

        def read(parts: list[Path]) -> pa.Table | None:
            return arranged("readings", [read_kept(part) for part in parts]) if parts else None

        days = self._days()
        for number, day in enumerate(days, 1):
            table = read_whole(lambda day=day: parts_in(day), READINGS, read, store.path)  # type: ignore[misc]
            if table is not None:
                self._revised(table, self._scope.touches(day))
            if on_day is not None:
                on_day(number, len(days))
        self._tell()

    def change(self, on_day: Callable[[int, int], None] | None) -> None:
        """Do it. The caller holds the store."""
        revision, store, scope = self._revision, self._revision.store, self._scope
        aside = Tidied()
        begun = False
        days = self._days()
        for number, day in enumerate(days, 1):
            parts, table = read_day(store, "readings", day, aside)
            revised = None if table is None else self._revised(table, scope.touches(day))
            if revised is not None:
                if not begun:
                    self._begin()
                    begun = True
                replace_day(store, "readings", day, parts, arranged("readings", [revised]))
            if on_day is not None:
                on_day(number, len(days))
        if self._roster.vessel is not None:
            for kind in MARKS:
                self._rename_marks(kind, aside)
        revision.set_aside = aside.set_aside
        if scope.until_us == END_US:
            self._note_for_those_that_follow()
        self._end()
        self._tell()

    def _days(self) -> list[Path]:
        """Those that are read: also those before, as rates remember them; none behind."""
        days = self._revision.store.day_folders()
        end = None if self._scope.until_us == END_US else day_name(self._scope.until_us - 1)
        return [day for day in days if end is None or day.name <= end]

    def _revised(self, table: pa.Table, touched: bool) -> pa.Table | None:
        """One day's rows as they shall be, in the order of time; None where they are so. table: KEPT, arranged."""
        scope = self._scope
        table = rows_at(table, np.argsort(times_us(table), kind="stable"))
        theirs = scope.of_vessels(table)
        mine = theirs & scope.within(times_us(table))
        nameless = dictionary_column(np.zeros(len(table), np.int64), [None])
        received = {"capacity_l": table.column("sent_capacity_l"), "volume_l": table.column("sent_volume_l")}
        applied = self._roster.apply(_with(table, {"name": nameless, **received}))
        # A series is known by its vessel, too: what came before is remembered under the name that it has from now on.
        vessel = _chosen(theirs, applied, table, "vessel")
        rated = self._rates.add(_with(applied, {"vessel": vessel}))
        if not touched or not mine.any():
            return None
        revised = _with(table, {name: _chosen(mine, rated, table, name) for name in DERIVED})
        different = {name: _different(table, revised, name) for name in DERIVED}
        any_different = np.logical_or.reduce(list(different.values()))
        self._count(table, revised, mine, different, any_different)
        if not any_different.any():
            self._revision.days_alike += 1
            return None
        self._revision.days += 1
        return revised

    def _count(
        self,
        before: pa.Table,
        after: pa.Table,
        mine: NDArray[np.bool_],
        different: dict[str, NDArray[np.bool_]],
        any_different: NDArray[np.bool_],
    ) -> None:
        revision = self._revision
        revision.readings += int(np.count_nonzero(mine))
        revision.changed += int(np.count_nonzero(any_different))
        tank, tanks = codes_of(before.column("tank"))
        keys, which = distinct(tank * np.int64(256) + values_of(before.column("source_address")))
        not_known = (
            mine & (values_of(before.column("sent_known"), 0) == 0) & ~np.isnan(column(before, "sent_capacity_l"))
        )
        for i, key in enumerate(keys.tolist()):
            name, source = tanks[key // 256] or "", key % 256
            rows = which == i
            entry = self._roster.entry(name, source)
            if (entry is None or entry.capacity_l is None) and (rows & not_known).any():
                self._not_known[name] = None
            rows &= any_different
            if not rows.any():
                continue
            found = self._tanks.setdefault((name, source), RevisedTank(name, source))
            found.readings += int(np.count_nonzero(rows))
            found.days += 1
            for label, mask in different.items():
                if DERIVED[label] not in found.changed and (rows & mask).any():
                    found.changed.append(DERIVED[label])
            for values, label in ((found.names, "name"), (found.vessels, "vessel"), (found.capacities_l, "capacity_l")):
                for told, table in zip(values, (before, after), strict=True):
                    told += [value for value in _values(table, label, rows) if value not in told]  # type: ignore[operator]

    def _rename_marks(self, kind: str, aside: Tidied) -> None:
        """The vessel of OUTAGES or CLOCK is that of the readings beside them."""
        store, scope = self._revision.store, self._scope
        for day in filter(scope.touches, store.day_folders(kind)):
            parts, table = read_day(store, kind, day, aside)
            if table is None:
                continue
            mine = scope.of_vessels(table) & scope.within(times_us(table, "from"))
            new = _with(table, {"vessel": dictionary_column(np.zeros(len(table), np.int64), [self._roster.vessel])})
            renamed = _with(table, {"vessel": _chosen(mine, new, table, "vessel")})
            if _different(table, renamed, "vessel").any():
                replace_day(store, kind, day, parts, renamed)

    def _note_for_those_that_follow(self) -> None:
        """What `log` goes on with: the rates that are remembered, the vessel; and the roster, for its limits."""
        store, roster = self._revision.store, self._roster
        remembered = self._rates.state()
        if remembered and json.dumps(remembered) != json.dumps(store.last_run().get("rates", [])):
            try:
                store.note_run(rates=remembered)
            except OSError as error:
                raise as_store_error(error, store.path) from error
        if roster.vessel is not None and store.vessel != roster.vessel and store.vessel in self._scope.vessels:
            store.note_vessel(roster.vessel)
        store.note_roster(roster)

    def _begin(self) -> None:
        """Before the first change, note what this covers, and what one that was cut off has left."""
        store, scope = self._revision.store, self._scope
        earlier = store.revising()
        facts = {"since_us": scope.since_us, "until_us": scope.until_us, "vessel": self._roster.vessel}
        vessels = sorted(scope.vessels, key=lambda word: word or "")
        if earlier is not None:
            since_us, until_us = _span(earlier)
            facts |= {"since_us": min(scope.since_us, since_us), "until_us": max(scope.until_us, until_us)}
            vessels += [word for word in (*_list(earlier.get("vessels")), earlier.get("vessel")) if word not in vessels]
        store.note_revising({**facts, "vessels": vessels})

    def _end(self) -> None:
        """Let the note go, if all that it covers is done."""
        store, scope = self._revision.store, self._scope
        noted = store.revising()
        if noted is None:
            return
        since_us, until_us = _span(noted)
        whole = scope.since_us <= since_us and scope.until_us >= until_us
        if whole and set(_list(noted.get("vessels"))) <= scope.vessels | {self._roster.vessel}:
            store.note_revising(None)
        else:
            self._revision.unfinished = True

    def _tell(self) -> None:
        self._revision.tanks = [self._tanks[key] for key in sorted(self._tanks)]
        self._revision.not_known = sorted(word or "" for word in self._not_known)


def _span(noted: dict[str, Any]) -> tuple[int, int]:
    """The times that a note covers; all of them where it does not tell."""
    since_us, until_us = noted.get("since_us"), noted.get("until_us")
    return (
        since_us if isinstance(since_us, int) else BEGINNING_US,
        until_us if isinstance(until_us, int) else END_US,
    )


def _with(table: pa.Table, changed: dict[str, Any]) -> pa.Table:
    """The table with some columns in the place of its own."""
    columns = [changed.get(name, table.column(name)) for name in table.schema.names]
    return pa.table(columns, schema=table.schema)


def _chosen(mask: NDArray[np.bool_], one: pa.Table, other: pa.Table, name: str) -> Any:
    """A column of one table where the mask is true, and of another where it is false."""
    if mask.all():
        return one.column(name)
    if not mask.any():
        return other.column(name)
    if not pa.types.is_dictionary(one.column(name).type):
        return float_column(np.where(mask, column(one, name), column(other, name)))
    (codes, words), (others, more) = codes_of(one.column(name)), codes_of(other.column(name))
    return dictionary_column(np.where(mask, codes, others + len(words)), [*words, *more])


def _different(one: pa.Table, other: pa.Table, name: str) -> NDArray[np.bool_]:
    """(n,) where a column of two tables differs, to the last bit."""
    if not pa.types.is_dictionary(one.column(name).type):
        return np.asarray(column(one, name).view(np.int64) != column(other, name).view(np.int64))
    (codes, words), (others, more) = codes_of(one.column(name)), codes_of(other.column(name))
    number = {word: i for i, word in enumerate({*words, *more})}
    return np.asarray(
        np.array([number[word] for word in words])[codes] != np.array([number[word] for word in more])[others]
    )


def _values(table: pa.Table, name: str, rows: NDArray[np.bool_]) -> list[Any]:
    """The values of a column in some rows, each once, in their order; None for null."""
    if pa.types.is_dictionary(table.column(name).type):
        codes, words = codes_of(table.column(name))
        return [words[code] for code in distinct(codes[rows])[0].tolist()]
    values = column(table, name)[rows]
    known = distinct(values[~np.isnan(values)])[0].tolist()
    return [*([None] if np.isnan(values).any() else []), *known]
