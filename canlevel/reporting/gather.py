"""What a report says, gathered as plain data: from a recording or a bus, from a store, or from both. No HTML here.

A store is read day by day for the pictures, which takes little memory however long it is, and tank by tank for what needs all
readings at once: the leak watch and the outlook, over the last LATELY_DAYS.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.capture.source import is_live
from canlevel.derivation.alarms import Alarm, crossed
from canlevel.derivation.balance import BALANCE, balance
from canlevel.derivation.flows import GAP_PERIODS, GAP_S, VolumeCurve, derive_flows
from canlevel.derivation.leaks import watch_leaks
from canlevel.derivation.outlook import USE_FILLS, outlook, shape_of
from canlevel.derivation.overview import overview
from canlevel.derivation.series import series_of, source_groups
from canlevel.diagnosis import Examination, Explanation, open_examination
from canlevel.errors import CaptureError, QueryError
from canlevel.history import LATELY_DAYS, lately, stored_flows
from canlevel.pipeline import Decoding
from canlevel.recovery import open_whole
from canlevel.reporting.proofs import Proof
from canlevel.reporting.thinning import LevelBins, Points
from canlevel.roster import Roster, TankEntry, load_roster
from canlevel.storage.store import Store
from canlevel.tables import (
    DAY_US,
    EARLIEST_DATE_US,
    FLOWS,
    READINGS,
    UNKNOWN_TIME_US,
    column,
    empty,
    first_of_each,
    matching,
    rows_at,
    times_us,
    timestamp_us,
    values_of,
)

__all__ = [
    "DAY_US",
    "MOST_POINTS",
    "DayUse",
    "HeardSource",
    "Report",
    "Span",
    "Stretch",
    "TankHistory",
    "gather",
    "open_hearing",
    "source_words",
    "spans_of",
]

MOST_BINS = 6_000  # of a tank: how finely a picture can be zoomed into
MOST_POINTS = 160_000  # of all tanks, which bounds the size of the page: 1.3 MB of it
FEWEST_BINS = 400  # below which nothing is thinned further, however many tanks there are
MOST_STRETCHES = 62  # rows below a picture
STRETCHES_S = (1, 5, 15, 60, 300, 900, 1800, 3600, 10_800, 21_600, 86_400, 7 * 86_400, 28 * 86_400, 364 * 86_400)
SILENT_PERIODS, SILENT_S = 20, 60.0  # after which a line is interrupted
UNHEARD_S = 60.0  # of a recording: nothing of any tank for so long is shaded
MOST_GAPS = 10_000  # of one tank: the longest
LEVEL_COLUMNS = ["time", "vessel", "tank", "source_address", "level_pct"]
WATER_COLUMNS = [*LEVEL_COLUMNS, "channel", "name", "capacity_l", "volume_l"]
WASTE = {fluid for fluid, fills in USE_FILLS.items() if fills}

Key = tuple[str | None, str, int]  # vessel, tank, source address
Span = tuple[int, int]  # from, to, microseconds
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Stretch:
    """What a tank said in a part of the time: a row of the table below its picture. last_l: null without a capacity."""

    begin_us: int
    readings: int
    lowest_pct: float
    highest_pct: float
    last_pct: float
    last_l: float | None


@dataclass(frozen=True, slots=True)
class DayUse:
    """What went out of a tank and came into it on a day (UTC), by its flows; in litres, or percent where there are none.

    heard_h: between its first and its last reading of the day; None where there was none.
    """

    date: str
    out: float
    into: float
    heard_h: float | None


@dataclass(frozen=True, slots=True)
class TankHistory:
    """One tank as one device sends it. overview: a row of OVERVIEW, of its last readings. entry: what the roster says of it.

    gaps: (from, to) where nothing was heard of it for longer than flows are found across, though no logger noted an outage.
    points: the line of its picture. drawn_s: of each so long stretch of time the first, last, lowest and highest reading are
    in it; None where all of them are. flows: rows of FLOWS. leaks: rows of LEAKS. ahead: its row of OUTLOOK.
    """

    vessel: str | None
    tank: str
    name: str | None
    source_address: int
    overview: dict[str, Any]
    entry: TankEntry | None
    readings: int
    points: Points
    drawn_s: float | None
    stretch_s: int
    stretches: tuple[Stretch, ...]
    litres: bool
    flows: tuple[dict[str, Any], ...] = ()
    days: tuple[DayUse, ...] = ()
    leaks: tuple[dict[str, Any], ...] = ()
    ahead: dict[str, Any] | None = None
    alarms: tuple[Alarm, ...] = ()
    gaps: tuple[Span, ...] = ()

    @property
    def fluid(self) -> str:
        return str(self.overview["fluid"])

    @property
    def is_waste(self) -> bool:
        """Whether it is used by filling it."""
        return self.fluid in WASTE


@dataclass(frozen=True, slots=True)
class Report:
    """All that a report says. Times in microseconds since 1970 UTC.

    sources, store: what it was made from. begin_us, end_us: from the first to the last reading in it; None without any.
    undated: readings that were left out as their date is not known. watched_us: since when leaks and habits were looked for.
    outages, clock: rows of OUTAGES and CLOCK, as a logger noted them. silences: (from, to) in which no tank was heard, and no
    logger noted why. explanation: None where there was no recording.
    """

    made: datetime
    sources: tuple[str, ...]
    store: str | None
    vessels: tuple[str, ...]
    begin_us: int | None
    end_us: int | None
    watched_us: int | None
    undated: int
    tanks: tuple[TankHistory, ...]
    flows: pa.Table
    balance: pa.Table
    outages: tuple[dict[str, Any], ...]
    clock: tuple[dict[str, Any], ...]
    explanation: Explanation | None
    heard_words: tuple[str, ...]
    proofs: tuple[Proof, ...]
    missing: tuple[TankEntry, ...] = field(default=())
    silences: tuple[Span, ...] = ()


# ---- a recording or a bus, in one pass ----


class HeardSource:
    """A SOURCE being heard for a report: what is wrong and who is there, and the readings, in one pass."""

    def __init__(self, examination: Examination, roster: Roster, dbc: Sequence[str | Path]) -> None:
        from canlevel.decoding.definitions import load_dbc
        from canlevel.decoding.tanks import TankDecoder

        own = tuple(message for path in dbc for message in load_dbc(path))
        self.roster = roster
        self.source = examination.source
        self._examination = examination
        self._decoding = Decoding(examination.source, roster, TankDecoder(own), own)
        self.readings = empty(READINGS)
        self.undated = 0
        self.explanation: Explanation | None = None
        self.heard_words: tuple[str, ...] = ()

    def run(self, on_batch: Any = None) -> None:
        """Hear the source to its end. Raises CaptureError for what cannot be read, and where no reading tells its date."""
        tables: list[pa.Table] = []

        def take(frames: pa.Table) -> None:
            readings = self._decoding.decoded(frames)
            if len(readings):
                tables.append(readings)

        heard = self._examination.run(on_batch, on_frames=take)
        self.explanation = heard.explain()
        self.heard_words = tuple(heard.heard_words())
        if not tables:
            return
        readings = pa.concat_tables(tables).unify_dictionaries().combine_chunks()
        if self.source.several:
            readings = rows_at(readings, np.flatnonzero(first_of_each(readings)))
        dated = times_us(readings) >= EARLIEST_DATE_US
        self.undated = int(np.count_nonzero(~dated))
        if not dated.any():
            raise CaptureError(
                "its times count from the start of the recording; a report needs date and time of day",
                next_step="give the start, for example --start 2026-05-01T08:00Z, or record again with absolute times",
            )
        self.readings = rows_at(readings, np.flatnonzero(dated)) if self.undated else readings


def open_hearing(
    sources: str | Path | Iterable[str | Path],
    *,
    roster: Roster | str | Path | None = None,
    dbc: str | Path | Iterable[str | Path] = (),
    start: datetime | str | None = None,
    bitrate: int = 250_000,
    seconds: float | None = None,
) -> HeardSource:
    """Open SOURCEs for a report; the arguments are those of open_examination.

    Raises CanlevelError for what cannot be opened.
    """
    if not isinstance(roster, Roster):
        roster = load_roster(roster) if roster is not None else Roster()
    paths = [dbc] if isinstance(dbc, str | Path) else list(dbc)
    examination = open_examination(sources, roster=roster, dbc=paths, start=start, bitrate=bitrate, seconds=seconds)
    return HeardSource(examination, roster, paths)


# ---- what a history is read from ----


class _History(Protocol):
    """Readings and flows that a report is made of, within its limits of time."""

    @property
    def roster(self) -> Roster: ...
    def span(self) -> tuple[int, int] | None: ...
    def chunks(self) -> Iterator[pa.Table]: ...
    def of_tank(self, tank: str, since_us: int) -> pa.Table: ...
    def water(self, tanks: Sequence[str], since_us: int) -> pa.Table: ...
    def flows(self) -> pa.Table: ...


@dataclass
class _Recorded:
    """Readings in memory."""

    readings: pa.Table
    roster: Roster

    def span(self) -> tuple[int, int] | None:
        time_us = times_us(self.readings)
        return (int(time_us.min()), int(time_us.max())) if len(time_us) else None

    def chunks(self) -> Iterator[pa.Table]:
        order = np.argsort(times_us(self.readings), kind="stable")
        yield rows_at(self.readings.select(LEVEL_COLUMNS), order)

    def of_tank(self, tank: str, since_us: int) -> pa.Table:
        mine = (column(self.readings, "tank") == tank) & (times_us(self.readings) >= since_us)
        return rows_at(self.readings, np.flatnonzero(mine))

    def water(self, tanks: Sequence[str], since_us: int) -> pa.Table:
        mine = np.isin(column(self.readings, "tank").astype(str), tanks) & (times_us(self.readings) >= since_us)
        return rows_at(self.readings, np.flatnonzero(mine))

    def flows(self) -> pa.Table:
        return derive_flows(self.readings)


@dataclass
class _Stored:
    """A store. own: whether its readings are told with the names and capacities of a roster that was given."""

    store: Store
    roster: Roster
    own: bool
    since: datetime | None
    until: datetime | None

    @cached_property
    def vessels(self) -> set[str | None]:
        """Whose readings are in it; looked for where a roster was given that names a vessel."""
        if not self.own or self.roster.vessel is None:
            return set()
        found: set[str | None] = set()
        for day in self._days():
            found.update(self.store.day_columns(day, day, ["time", "vessel"]).column("vessel").unique().to_pylist())
        return found

    def span(self) -> tuple[int, int] | None:
        first = last = None
        days = self._days()
        for day in days:
            time_us = times_us(self._within(self.store.day_columns(day, day, ["time"])))
            if len(time_us):
                first = int(time_us[0])
                break
        for day in reversed(days):
            time_us = times_us(self._within(self.store.day_columns(day, day, ["time"])))
            if len(time_us):
                last = int(time_us[-1])
                break
        return None if first is None or last is None else (first, last)

    def _days(self) -> list[str]:
        days = {part.parent.name.removeprefix("date=") for part in self.store.parts(self.since, self.until)}
        return sorted(days)

    def _within(self, table: pa.Table) -> pa.Table:
        limits = [None if at is None else timestamp_us(at) for at in (self.since, self.until)]
        time_us = times_us(table)
        first = 0 if limits[0] is None else int(np.searchsorted(time_us, limits[0]))
        last = len(time_us) if limits[1] is None else int(np.searchsorted(time_us, limits[1]))
        return table.slice(first, max(last - first, 0))

    def chunks(self) -> Iterator[pa.Table]:
        for day in self._days():
            chunk = self._within(self.store.day_columns(day, day, LEVEL_COLUMNS))
            yield self.roster.name_vessels(chunk, self.vessels) if self.own else chunk

    def of_tank(self, tank: str, since_us: int) -> pa.Table:
        since = datetime.fromtimestamp(since_us // 1_000_000, UTC)
        readings = self.store.to_arrow(tank=tank, since=since, until=self.until)
        return self.roster.apply_to_own(readings, self.vessels) if self.own else readings

    def water(self, tanks: Sequence[str], since_us: int) -> pa.Table:
        if self.own:
            return pa.concat_tables([self.of_tank(tank, since_us) for tank in tanks] or [empty(READINGS)])
        since = datetime.fromtimestamp(since_us // 1_000_000, UTC)
        found = [
            self.store.to_arrow(tank=tank, since=since, until=self.until, columns=WATER_COLUMNS, in_order=False)
            for tank in tanks
        ]
        return pa.concat_tables(found).unify_dictionaries() if found else empty(READINGS).select(WATER_COLUMNS)

    def flows(self) -> pa.Table:
        if not self.own:
            return stored_flows(self.store, since=self.since, until=self.until)
        # Other capacities are other litres: tank by tank, which takes less memory than all at once.
        span = self.span()
        if span is None:
            return empty(FLOWS)
        tanks = {
            tank for chunk in self.chunks() for tank in chunk.column("tank").unique().to_pylist() if tank is not None
        }
        found = [derive_flows(self.of_tank(tank, span[0])) for tank in sorted(tanks)]
        return pa.concat_tables([empty(FLOWS), *found]).unify_dictionaries().sort_by("start")


@dataclass
class _OfTank:
    """One tank of a history."""

    all: _History
    tank: str

    @property
    def roster(self) -> Roster:
        return self.all.roster

    def span(self) -> tuple[int, int] | None:
        ends = [times_us(chunk)[[0, -1]] for chunk in self.chunks() if len(chunk)]
        return (int(ends[0][0]), int(ends[-1][1])) if ends else None

    def chunks(self) -> Iterator[pa.Table]:
        for chunk in self.all.chunks():
            yield rows_at(chunk, np.flatnonzero(column(chunk, "tank") == self.tank))

    def of_tank(self, tank: str, since_us: int) -> pa.Table:
        return self.all.of_tank(tank, since_us)

    def water(self, tanks: Sequence[str], since_us: int) -> pa.Table:
        return self.all.water(tanks, since_us)

    def flows(self) -> pa.Table:
        flows = self.all.flows()
        return rows_at(flows, np.flatnonzero(column(flows, "tank") == self.tank))


# ---- all of it together ----


def source_words(sources: str | Path | Iterable[str | Path] | None) -> tuple[str, ...]:
    """SOURCEs as a person is told of them: files by their names, without their folders."""
    if sources is None:
        return ()
    words = [str(one) for one in ([sources] if isinstance(sources, str | Path) else sources)]
    return tuple("standard input" if word == "-" else word if is_live(word) else Path(word).name for word in words)


def gather(
    *,
    hearing: HeardSource | None = None,
    store: str | Path | Store | None = None,
    roster: Roster | str | Path | None = None,
    since: datetime | str | None = None,
    until: datetime | str | None = None,
    tank: str | None = None,
    proofs: Sequence[Proof] = (),
    sources: Sequence[str] = (),
    made: datetime,
    watch: bool = True,
) -> Report:
    """Gather a report. hearing: a SOURCE that was heard to its end, for findings and devices, and without a store for all else.

    store: a store or its path, for the history. tank: of this tank alone. roster: before the store's own. since, until: by
    default the last LATELY_DAYS days of a store and all of a recording. sources: what the hearing was of, in words. made: the
    present moment. watch: without it leaks, outlook and balance, which take most of the time, are left out.
    Raises CanlevelError where there is nothing to read, or the limits are not in order.
    """
    since, until = (None if at is None else _moment(timestamp_us(at)) for at in (since, until))
    if since is not None and until is not None and since >= until:
        raise QueryError("--since is not before --until", next_step="swap them")
    outages: tuple[dict[str, Any], ...] = ()
    clock: tuple[dict[str, Any], ...] = ()
    history: _History
    if store is not None:
        opened = store if isinstance(store, Store) else open_whole(store)
        given = roster if roster is None or isinstance(roster, Roster) else load_roster(roster)
        since = lately(opened, until) if since is None else since
        history = _Stored(opened, given or opened.roster(), given is not None, since, until)
    elif hearing is not None:
        readings = hearing.readings
        if since is not None or until is not None:
            readings = readings.filter(matching(None, since, until))
        history = _Recorded(readings, hearing.roster)
    else:
        raise QueryError(
            "give a SOURCE, --store, or both", next_step="canlevel report boat.log, or canlevel report --store history"
        )
    if tank is not None:
        history = _OfTank(history, tank)
    span = history.span()
    if tank is not None and span is None:
        raise QueryError(f'there is no tank "{tank}"', next_step="canlevel tanks lists those that there are")
    if store is not None and span is not None:
        outages = _marks(opened, "outages", span)
        clock = _marks(opened, "clock", span)
    heard = _heard(history, span, GAP_S if store is not None else UNHEARD_S) if span is not None else _Heard()
    noted = spans_of(outages, span)
    silences = tuple(_without(heard.silences, noted, GAP_S if store is not None else UNHEARD_S))
    flows = history.flows()
    watched_us = None if span is None else max(span[0], span[1] - LATELY_DAYS * DAY_US)
    tanks, missing = _tanks(history, heard, flows, span, watched_us, noted, watch=watch)
    water = sorted({one.tank for one in tanks if one.fluid == "fresh_water" or one.is_waste})
    days = empty(BALANCE)
    if watch and watched_us is not None and water:
        days = balance(history.water(water, watched_us), flows)
    named = [history.roster.vessel, *(one.vessel for one in tanks)]
    if store is not None and not (tanks and roster is not None):  # which may call it otherwise
        named.append(opened.vessel)
    return Report(
        made=made,
        sources=tuple(sources),
        store=None if store is None else str(opened.path),
        vessels=tuple(dict.fromkeys(name for name in named if name)),
        begin_us=span[0] if span else None,
        end_us=span[1] if span else None,
        watched_us=watched_us,
        undated=hearing.undated if hearing is not None and store is None else 0,
        tanks=tanks,
        flows=flows,
        balance=days,
        outages=outages,
        clock=clock,
        explanation=hearing.explanation if hearing is not None else None,
        heard_words=hearing.heard_words if hearing is not None else (),
        proofs=tuple(proofs),
        missing=missing,
        silences=silences,
    )


def _marks(store: Store, kind: str, span: tuple[int, int]) -> tuple[dict[str, Any], ...]:
    """Rows of OUTAGES or CLOCK that touch a span of time."""
    marks = store.marks(kind)
    if not len(marks):
        return ()
    begin_us, end_us = times_us(marks, "from"), times_us(marks, "to")
    touches = (begin_us <= span[1]) & ((end_us >= span[0]) | (end_us == UNKNOWN_TIME_US))
    rows: list[dict[str, Any]] = rows_at(marks, np.flatnonzero(touches)).to_pylist()
    return tuple(rows)


# ---- the pass over all readings ----


@dataclass
class _Heard:
    """What one pass over the readings leaves: by tank, and the times in which nothing of any tank was heard."""

    fine: dict[Key, LevelBins] = field(default_factory=dict)
    coarse: dict[Key, LevelBins] = field(default_factory=dict)
    daily: dict[Key, LevelBins] = field(default_factory=dict)
    last_us: dict[Key, int] = field(default_factory=dict)
    rows: dict[Key, int] = field(default_factory=dict)
    stretch_s: int = 1
    silences: list[Span] = field(default_factory=list)
    gaps: dict[Key, list[Span]] = field(default_factory=dict)


def _heard(history: _History, span: tuple[int, int], unheard_s: float) -> _Heard:
    length_us = max(span[1] - span[0], 1) + 1
    stretch_s = next((s for s in STRETCHES_S if length_us / 1e6 / s <= MOST_STRETCHES - 1), STRETCHES_S[-1])
    heard = _Heard(stretch_s=stretch_s)
    fine_us = -(-length_us // MOST_BINS)
    stretch_us = stretch_s * 1_000_000
    begins = span[0], span[0] // stretch_us * stretch_us, span[0] // DAY_US * DAY_US
    if stretch_us > DAY_US:
        begins = begins[0], begins[2], begins[2]
    widths = fine_us, stretch_us, DAY_US
    counts = [(span[1] - begin) // width + 1 for begin, width in zip(begins, widths, strict=True)]
    before_us: int | None = None
    for chunk in history.chunks():
        if not len(chunk):
            continue
        time_us, level_pct = times_us(chunk), column(chunk, "level_pct")
        heard.silences += _silences(time_us, before_us, unheard_s)
        before_us = int(time_us[-1])
        which, first = source_groups(chunk)
        order = np.argsort(which, kind="stable")
        bounds = np.searchsorted(which[order], np.arange(len(first) + 1))
        sources = values_of(chunk.column("source_address"))
        for number, row in enumerate(first):
            key: Key = (*(chunk.column(name)[row].as_py() for name in ("vessel", "tank")), int(sources[row]))
            rows = order[bounds[number] : bounds[number + 1]]
            heard.rows[key] = heard.rows.get(key, 0) + len(rows)
            heard.gaps.setdefault(key, []).extend(_silences(time_us[rows], heard.last_us.get(key, span[0]), GAP_S))
            heard.last_us[key] = int(time_us[rows[-1]])
            told = rows[~np.isnan(level_pct[rows])]
            for kept, begin, width, count in zip(
                (heard.fine, heard.coarse, heard.daily), begins, widths, counts, strict=True
            ):
                if key not in kept:
                    kept[key] = LevelBins(begin, width, count)
                kept[key].add(time_us[told], level_pct[told])
    for key, last_us in heard.last_us.items():
        heard.gaps[key] += _silences(np.array([span[1]]), last_us, GAP_S)
    return heard


def _silences(time_us: Ints, before_us: int | None, longest_s: float) -> Iterator[Span]:
    """Where nothing was heard for longer than that, of (n,) times that rise; before_us: the last one before them."""
    times = time_us if before_us is None else np.concatenate([[before_us], time_us])
    for at in np.flatnonzero(np.diff(times) > longest_s * 1e6).tolist():
        yield int(times[at]), int(times[at + 1])


def spans_of(outages: Iterable[dict[str, Any]], span: Span | None) -> list[Span]:
    """(from, to) of rows of OUTAGES, one that goes on up to the end of `span`; in the order of time."""
    if span is None:
        return []
    return sorted(
        (timestamp_us(row["from"]), span[1] if row["to"] is None else timestamp_us(row["to"])) for row in outages
    )


def _without(spans: Iterable[Span], noted: Sequence[Span], longest_s: float) -> Iterator[Span]:
    """Spans without what lies in others, as far as more than `longest_s` is left of them. Both in the order of time."""
    for begin_us, end_us in spans:
        at_us = begin_us
        for left_us, right_us in noted:
            if right_us <= at_us:
                continue
            if left_us >= end_us:
                break
            if left_us - at_us > longest_s * 1e6:
                yield at_us, left_us
            at_us = max(at_us, right_us)
        if end_us - at_us > longest_s * 1e6:
            yield at_us, end_us


def _moment(time_us: int) -> datetime:
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=time_us)


# ---- tank by tank ----


def _tanks(
    history: _History,
    heard: _Heard,
    flows: pa.Table,
    span: tuple[int, int] | None,
    watched_us: int | None,
    noted: Sequence[Span],
    *,
    watch: bool,
) -> tuple[tuple[TankHistory, ...], tuple[TankEntry, ...]]:
    """Every tank that was heard, in the order of the roster and then of their ids, and those of the roster that were not."""
    moved: dict[Key, list[dict[str, Any]]] = {}
    for flow in flows.to_pylist():
        moved.setdefault((flow["vessel"], flow["tank"], flow["source_address"]), []).append(flow)
    found: list[TankHistory] = []
    entries: set[TankEntry] = set()
    if span is not None and watched_us is not None:
        several = max(len(heard.rows), 1)
        most_bins = max(min(MOST_BINS, MOST_POINTS // (4 * several)), FEWEST_BINS)
        vessels = {key[0] for key in heard.rows}
        # Of several vessels a roster that names its own is about that one; of one it is about that, whatever it is called.
        whose = (
            (None, history.roster.vessel) if history.roster.vessel in vessels - {None} and len(vessels) > 1 else vessels
        )
        by_tank: dict[str, list[Key]] = {}
        for key in heard.rows:
            by_tank.setdefault(key[1], []).append(key)
        for tank in sorted(by_tank):
            keys = by_tank[tank]
            # One that was silent for longer is told as of its last day.
            since_us = min(watched_us, min(heard.last_us[key] for key in keys) // DAY_US * DAY_US)
            readings = history.of_tank(tank, since_us)
            some = rows_at(flows, np.flatnonzero(column(flows, "tank") == tank))
            views = overview(readings).to_pylist()
            recent = readings if since_us == watched_us else readings.filter(matching(None, _moment(watched_us), None))
            watched = watch and len(recent)
            losses = watch_leaks(recent, some).to_pylist() if watched else []
            ahead = outlook(recent, some, now=_moment(span[1])).to_pylist() if watched else []
            curves = {(s.vessel, s.tank, s.source_address): shape_of(s) for s in series_of(readings)}
            for key in sorted(keys, key=lambda key: (key[0] or "", key[2])):
                view = max(
                    (row for row in views if _is(row, key)),
                    key=lambda row: (row["last_time"] is not None, row["readings"]),
                )
                entry = history.roster.entry(tank, key[2]) if key[0] in whose else None
                if entry is not None:
                    entries.add(entry)
                one = _history_of(key, view, entry, heard, curves.get(key), most_bins)
                lost = tuple(row for row in losses if _is(row, key))
                found.append(
                    replace(
                        one,
                        flows=tuple(moved.get(key, ())),
                        days=tuple(_days(moved.get(key, ()), heard.daily[key], litres=one.litres)),
                        leaks=lost,
                        ahead=next((row for row in ahead if _is(row, key)), None),
                        alarms=tuple(_alarms(entry, view, lost, span[1])),
                        gaps=_gaps(heard.gaps[key], noted, view["period_s"]),
                    )
                )
    listed = {entry: place for place, entry in enumerate(history.roster.tanks)}
    found.sort(key=lambda one: (one.vessel or "", len(listed) if one.entry is None else listed[one.entry], one.tank))
    missing = tuple(entry for entry in history.roster.tanks if entry not in entries)
    return tuple(found), missing


def _gaps(gaps: Sequence[Span], noted: Sequence[Span], period_s: float | None) -> tuple[Span, ...]:
    """Those of a tank's silences that flows take for gaps, without what a logger noted as its own; the longest."""
    longest_s = max(GAP_PERIODS * (period_s or 0.0), GAP_S)
    long = [gap for gap in gaps if gap[1] - gap[0] > longest_s * 1e6]
    found = sorted(_without(long, noted, longest_s), key=lambda gap: gap[0] - gap[1])
    return tuple(sorted(found[:MOST_GAPS]))


def _is(row: dict[str, Any], key: Key) -> bool:
    return (row["vessel"], row["tank"], row["source_address"]) == key


def _history_of(
    key: Key,
    view: dict[str, Any],
    entry: TankEntry | None,
    heard: _Heard,
    curve: VolumeCurve | None,
    most_bins: int,
) -> TankHistory:
    fine, coarse = heard.fine[key], heard.coarse[key]
    silence_s = _silence_s(view["period_s"])
    points = fine.points(silence_s)
    thinned_us = fine.width_us if int(fine.readings.max(initial=0)) > 2 else None
    if len(points) > 4 * most_bins:
        thinned_us = -(-fine.width_us * fine.count // most_bins)
        points = points.thinned(fine.begin_us, thinned_us, most_bins)
    litres = curve is not None and curve.litres
    return TankHistory(
        vessel=key[0],
        tank=key[1],
        name=entry.name if entry is not None else view["name"],
        source_address=key[2],
        overview=view,
        entry=entry,
        readings=heard.rows[key],
        points=points,
        drawn_s=None if thinned_us is None else thinned_us / 1e6,
        stretch_s=heard.stretch_s,
        stretches=tuple(_stretches(coarse, curve if litres else None)),
        litres=litres,
    )


def _silence_s(period_s: float | None) -> float:
    return max(SILENT_PERIODS * (period_s or 0.0), SILENT_S)


def _stretches(bins: LevelBins, curve: VolumeCurve | None) -> Iterator[Stretch]:
    for at in np.flatnonzero(bins.readings).tolist():
        last = float(bins.last[1][at])
        yield Stretch(
            begin_us=bins.begin_us + at * bins.width_us,
            readings=int(bins.readings[at]),
            lowest_pct=float(bins.lowest[1][at]),
            highest_pct=float(bins.highest[1][at]),
            last_pct=last,
            last_l=None if curve is None else float(curve(np.array([last]))[0]),
        )


def _days(flows: Sequence[dict[str, Any]], daily: LevelBins, *, litres: bool) -> Iterator[DayUse]:
    """Every day, with the flows that lie in it; one across midnight is shared out by its time on either side."""
    out, into = np.zeros(daily.count), np.zeros(daily.count)
    for flow in flows:
        begin_us, end_us = timestamp_us(flow["start"]), timestamp_us(flow["end"])
        amount = flow["volume_l"] if litres else abs(flow["end_level_pct"] - flow["start_level_pct"])
        if amount is None:
            continue
        first, last = (int((at - daily.begin_us) // DAY_US) for at in (begin_us, end_us))
        for day in range(max(first, 0), min(last, daily.count - 1) + 1):
            day_us = daily.begin_us + day * DAY_US
            within_us = min(end_us, day_us + DAY_US) - max(begin_us, day_us)
            part = within_us / (end_us - begin_us) if end_us > begin_us else 1.0
            (into if flow["kind"] == "fill" else out)[day] += amount * part
    for day in range(daily.count):
        heard = bool(daily.readings[day])
        span_us = int(daily.last[0][day] - daily.first[0][day]) if heard else 0
        yield DayUse(
            f"{_moment(daily.begin_us + day * DAY_US):%Y-%m-%d}",
            float(out[day]),
            float(into[day]),
            span_us / 3.6e9 if heard else None,
        )


def _alarms(
    entry: TankEntry | None, view: dict[str, Any], losses: Sequence[dict[str, Any]], now_us: int
) -> list[Alarm]:
    """Limits that the owner set and the tank has crossed by the end of the report."""
    if entry is None:
        return []
    # As `tanks --check` has it: what is certain, the lower end of the range.
    leaks = [row["leak_low"] for row in losses if row["status"] == "leak" and row["leak_low"] is not None]
    last = view["last_heard"]
    return crossed(
        entry,
        level_pct=view["level_pct"],
        silent_s=None if last is None else (now_us - timestamp_us(last)) / 1e6,
        leak_l_per_h=max(leaks, default=None),
    )
