"""The library for notebooks: what the commands do, as functions on pandas frames. Import these names from canlevel."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from canlevel.capture.source import open_source
from canlevel.derivation.flows import derive_flows
from canlevel.derivation.overview import overview
from canlevel.errors import QueryError
from canlevel.findings.traffic import Traffic
from canlevel.pipeline import LogSummary, collect, log_source, open_decoding
from canlevel.roster import Roster
from canlevel.tables import FLOWS, OUTAGES, READINGS
from canlevel.units import VolumeUnit

if TYPE_CHECKING:
    import pandas as pd

    from canlevel.derivation.calibration import Calibration
    from canlevel.diagnosis import Explanation
    from canlevel.findings.checks import Check
    from canlevel.histories import Histories, History
    from canlevel.joining import Joined
    from canlevel.proving.records import Proofs
    from canlevel.reporting.gather import Report
    from canlevel.revision import Revision
    from canlevel.storage.merge import Tidied

__all__ = [
    "balance",
    "calibrate",
    "decode",
    "decode_batches",
    "devices",
    "explain",
    "flows",
    "join",
    "leaks",
    "levels_at",
    "log",
    "open_store",
    "open_stores",
    "outlook",
    "plot",
    "prove",
    "report",
    "revise",
    "tanks",
    "tidy",
    "traffic",
]

NEEDED_OF_FLOWS = ("tank", "source_address", "kind", "start", "end", "volume_l")

Sources = str | Path | Iterable[str | Path]


def decode(
    source: Sources,
    *,
    roster: Roster | str | Path | None = None,
    vessel: str | None = None,
    dbc: Sources = (),
    start: datetime | str | None = None,
    bitrate: int = 250_000,
    seconds: float | None = None,
) -> pd.DataFrame:
    """The tank readings of one or more SOURCEs as one frame: a row a reading, columns as in README.md.

    source: files, "-", or INTERFACE:CHANNEL. start: when a recording began whose times count from zero. dbc: own DBC
    files. bitrate and seconds (how long to listen) are for live buses.
    Raises CanlevelError for what cannot be read.
    """
    decoding = open_decoding(
        source, roster=roster, vessel=vessel, dbc=dbc, start=start, bitrate=bitrate, seconds=seconds
    )
    return _frame(collect(decoding))


def decode_batches(
    source: Sources,
    *,
    roster: Roster | str | Path | None = None,
    vessel: str | None = None,
    dbc: Sources = (),
    start: datetime | str | None = None,
    bitrate: int = 250_000,
    seconds: float | None = None,
) -> Iterator[pd.DataFrame]:
    """As decode(), but batch by batch as the source delivers, for recordings larger than memory and for live buses."""
    decoding = open_decoding(
        source, roster=roster, vessel=vessel, dbc=dbc, start=start, bitrate=bitrate, seconds=seconds
    )
    try:
        for readings in decoding.batches():
            if len(readings):
                yield _frame(readings)
    finally:
        decoding.source.close()


def log(
    source: Sources,
    store: str | Path,
    *,
    roster: Roster | str | Path | None = None,
    vessel: str | None = None,
    dbc: Sources = (),
    start: datetime | str | None = None,
    bitrate: int = 250_000,
    seconds: float | None = None,
    publish: str | None = None,
) -> LogSummary:
    """Append the tank readings of SOURCEs to the store at a path. The same recording twice adds nothing.

    publish: an MQTT broker's URL, as for `canlevel log --publish`.
    """
    from canlevel.publish import publishing

    decoding = open_decoding(
        source,
        roster=roster,
        vessel=vessel,
        dbc=dbc,
        start=start,
        bitrate=bitrate,
        seconds=seconds,
        need_dates=True,
        reconnect=True,
    )
    with publishing(decoding, publish, decoding.tally.tell, recorded=decoding.source.progress().total is not None):
        return log_source(decoding, store)


def join(others: Sources, store: str | Path) -> Joined:
    """Append what other stores hold to the store at a path. What it has already is not added again. Raises StoreError."""
    from canlevel.joining import join_stores

    return join_stores(others, store)


def open_store(path: str | Path) -> History:
    """Open an existing store for reading. What a run that was cut off had heard and not stored is brought in first.

    Raises StoreError where there is none, or it is of a newer format. Warns (StoreWarning) where a damaged part is left out.
    """
    from canlevel.histories import open_history

    return open_history(path)


def open_stores(paths: Sources) -> Histories:
    """Open several stores at once: a pattern such as "fleet/*", a folder of stores, or paths; `vessel` tells them apart.

    What cannot be opened is left out with a warning (StoreWarning). Raises StoreError where nothing is left.
    """
    from canlevel.histories import open_histories

    return open_histories(paths)


def levels_at(
    readings: pd.DataFrame | pa.Table,
    every: str = "1h",
    *,
    flows: pd.DataFrame | pa.Table | None = None,
    outages: pd.DataFrame | pa.Table | None = None,
    zone: str = "UTC",
) -> pd.DataFrame:
    """Levels at even intervals: for each tank and source a row an interval, from the first reading to the last.

    every: "15min", "1h", "1D", "1W", "MS" and what else pandas knows; intervals begin at whole multiples in the time `zone`.
    A level holds until the next reading and never across an outage: a long gap in the readings, or one of `outages` (of
    open_store().outages()). level_pct and volume_l are the last known in the interval, level_mean_pct and volume_mean_l weigh
    each level by the time it held, heard_s says for how long one was known. filled_l and drained_l are the litres of `flows`
    (derived from the readings without them), spread over their time, so that they add up to the flows; used_l is what was
    drained, or filled into a waste tank. Raises QueryError for an unknown length or zone.
    """
    from canlevel.histories import levels_table

    return _frame(
        levels_table(
            _readings_table(readings),
            every,
            flows=None if flows is None else _as_table(flows, FLOWS, NEEDED_OF_FLOWS),
            outages=None if outages is None else _as_table(outages, OUTAGES, ("from", "to")),
            zone=zone,
        )
    )


def tidy(store: str | Path) -> Tidied:
    """Merge the parts of closed days of the store at a path, and set aside what is damaged. Raises StoreError."""
    from canlevel.recovery import tidy as tidy_path

    return tidy_path(store)[1]


def revise(
    store: str | Path,
    roster: Roster | str | Path,
    *,
    since: datetime | str | None = None,
    until: datetime | str | None = None,
    vessel: str | None = None,
    dry_run: bool = False,
) -> Revision:
    """Derive names, capacities, volumes, rates and flows of a store anew, as if it had been logged with this roster.

    What was received stays as it is. since, until, vessel: of these readings only. dry_run: change nothing, only tell.
    Raises StoreError, RosterError, and QueryError where a store of several vessels leaves open whose the roster is.
    """
    from canlevel.revision import revise_store

    return revise_store(store, roster, since=since, until=until, vessel=vessel, dry_run=dry_run)


def traffic(
    source: Sources, *, start: datetime | str | None = None, bitrate: int = 250_000, seconds: float | None = None
) -> Traffic:
    """What went over a bus, tank or not, in one pass: its senders(), how full it was in minutes(), and its gaps(), as tables.

    source, start, bitrate and seconds are those of decode(). Raises CanlevelError for what cannot be read.
    """
    opened = open_source(source, start=start, bitrate=bitrate, seconds=seconds)
    counted = Traffic()
    try:
        for frames in opened.batches():
            counted.add(frames)
    finally:
        opened.close()
    return counted


def explain(
    source: Sources,
    *,
    roster: Roster | str | Path | None = None,
    dbc: Sources = (),
    start: datetime | str | None = None,
    bitrate: int = 250_000,
    seconds: float | None = None,
    checks: Iterable[Check] | None = None,
) -> Explanation:
    """What is wrong on a bus: its findings, the worst first, with the bus, the tanks and the devices they were found in.

    The arguments are those of decode(); bitrate also counts for recordings, as a bus's load depends on it. checks: others
    than the built-in ones, which are canlevel.findings.catalogue.CHECKS. An empty recording is a silent bus, and a finding.
    Raises CanlevelError for what cannot be read.
    """
    from canlevel.diagnosis import open_examination  # brings the decoding of what devices say

    examination = open_examination(source, roster=roster, dbc=dbc, start=start, bitrate=bitrate, seconds=seconds)
    heard = examination.run()
    return heard.explain() if checks is None else heard.explain(tuple(checks))


def devices(
    source: Sources,
    *,
    roster: Roster | str | Path | None = None,
    dbc: Sources = (),
    start: datetime | str | None = None,
    bitrate: int = 250_000,
    seconds: float | None = None,
) -> pd.DataFrame:
    """Who is on a bus: one row for each source address, columns as in canlevel.diagnosis.DEVICES. Arguments as in explain()."""
    from canlevel.diagnosis import open_examination

    examination = open_examination(
        source, roster=roster, dbc=dbc, start=start, bitrate=bitrate, seconds=seconds, levels=False
    )
    return _frame(examination.run().devices())


def prove(
    source: Sources,
    *,
    roster: Roster | str | Path,
    tank: str | None = None,
    fill: str | Iterable[str] = (),
    drain: str | Iterable[str] = (),
    marks: str | Path | None = None,
    units: VolumeUnit | str = VolumeUnit.LITRE,
    dbc: Sources = (),
    start: datetime | str | None = None,
    bitrate: int = 250_000,
    seconds: float | None = None,
) -> Proofs:
    """Whether each tank of a roster is what it should be and follows its valves; to_dict() of what is returned is the JSON.

    fill, drain: marks as `[ID=]OPENED[/CLOSED]`, times as in README.md. marks: a CSV file of them. tank: only this one.
    units: of volumes in sentences; figures stay in litres.
    Raises QueryError for a mark outside the recording or a tank that is not in the roster, CanlevelError for what cannot be
    read.
    """
    from canlevel import __version__
    from canlevel.diagnosis import open_examination
    from canlevel.proof import proof_of
    from canlevel.proving.marks import load_marks, parse_mark

    written = [parse_mark(text, "fill") for text in ([fill] if isinstance(fill, str) else fill)]
    written += [parse_mark(text, "drain") for text in ([drain] if isinstance(drain, str) else drain)]
    if marks is not None:
        written += load_marks(marks)
    words = [source] if isinstance(source, str | Path) else list(source)
    heard = open_examination(words, roster=roster, dbc=dbc, start=start, bitrate=bitrate, seconds=seconds).run()
    return proof_of(heard, written, words, version=__version__, tank=tank, units=VolumeUnit(units))


def report(
    source: Sources | None = None,
    output: str | Path = "report.html",
    *,
    store: str | Path | None = None,
    roster: Roster | str | Path | None = None,
    proofs: Iterable[str | Path] = (),
    dbc: Sources = (),
    start: datetime | str | None = None,
    since: datetime | str | None = None,
    until: datetime | str | None = None,
    units: VolumeUnit | str = VolumeUnit.LITRE,
    bitrate: int = 250_000,
    seconds: float | None = None,
) -> Report:
    """Write a report as one page of HTML that needs no network, and return what it says.

    source: a recording or a bus; store: a history. With both, findings and devices are those of the source, and all else
    is the store's. since, until: by default the last 31 days of a store, and all of a source. proofs: files of `canlevel
    prove`. The other arguments are those of explain().
    Raises CanlevelError for what cannot be read or written.
    """
    from canlevel import __version__
    from canlevel.reporting.page import report_html
    from canlevel.reporting.proofs import load_proof
    from canlevel.reporting.writing import check_writable, write_file

    check_writable(output)
    gathered = _gathered(
        source,
        store,
        roster=roster,
        dbc=dbc,
        start=start,
        since=since,
        until=until,
        bitrate=bitrate,
        seconds=seconds,
        proofs=[load_proof(path) for path in proofs],
    )
    write_file(output, report_html(gathered, units=VolumeUnit(units), version=__version__).encode())
    return gathered


def plot(
    source: Sources | None = None,
    output: str | Path = "levels.svg",
    *,
    store: str | Path | None = None,
    tank: str | None = None,
    roster: Roster | str | Path | None = None,
    dbc: Sources = (),
    start: datetime | str | None = None,
    since: datetime | str | None = None,
    until: datetime | str | None = None,
    bitrate: int = 250_000,
    seconds: float | None = None,
) -> None:
    """Draw the levels of all tanks, or of one, into a file: .svg or .png, by its ending. Arguments as in report().

    Raises CanlevelError for what cannot be read or written.
    """
    from canlevel.reporting.pictures import plot_levels
    from canlevel.reporting.writing import check_writable

    check_writable(output)
    gathered = _gathered(
        source,
        store,
        roster=roster,
        dbc=dbc,
        start=start,
        since=since,
        until=until,
        bitrate=bitrate,
        seconds=seconds,
        tank=tank,
        watch=False,
    )
    plot_levels(gathered, output)


def _gathered(
    source: Sources | None,
    store: str | Path | None,
    *,
    roster: Roster | str | Path | None,
    dbc: Sources,
    start: datetime | str | None,
    since: datetime | str | None,
    until: datetime | str | None,
    bitrate: int,
    seconds: float | None,
    **asked: Any,
) -> Report:
    from canlevel.reporting.gather import gather, open_hearing, source_words

    hearing = None
    if source is not None:
        hearing = open_hearing(source, roster=roster, dbc=dbc, start=start, bitrate=bitrate, seconds=seconds)
        hearing.run()
    return gather(
        hearing=hearing,
        store=store,
        roster=roster,
        since=since,
        until=until,
        sources=source_words(source),
        made=datetime.now(UTC),
        **asked,
    )


def calibrate(
    source: Sources,
    tank: str,
    pours_l: Iterable[float],
    *,
    source_address: int | None = None,
    drain: bool = False,
    start_known: bool = True,
    end_known: bool = False,
    can_error: float = 0.01,
    dbc: Sources = (),
    start: datetime | str | None = None,
    bitrate: int = 250_000,
    seconds: float | None = None,
) -> Calibration:
    """What a tank holds at each level, from known amounts poured into it: capacity, shape and table with their 95 % ranges.

    tank: its id, from source_address where several devices send it. pours_l: litres, in order; with drain they were taken out
    of a full tank. start_known: the tank was empty (full) before the first. end_known: full (empty) after the last.
    can_error: part of a pour that the can may be off.
    The other arguments are those of decode(). Raises CanlevelError for what cannot be read or calibrated.
    """
    from canlevel.derivation.calibration import calibrate_tank  # only it needs this

    decoding = open_decoding(source, dbc=dbc, start=start or "2000-01-01", bitrate=bitrate, seconds=seconds)
    return calibrate_tank(
        collect(decoding),
        tank,
        tuple(pours_l),
        source_address=source_address,
        drain=drain,
        start_known=start_known,
        end_known=end_known,
        can_error=can_error,
    )


def flows(readings: pd.DataFrame | pa.Table) -> pd.DataFrame:
    """Fills and drains found in readings (of decode(), or of a store), in the order of their start."""
    return _frame(derive_flows(_readings_table(readings)))


def leaks(readings: pd.DataFrame | pa.Table, *, flows: pd.DataFrame | pa.Table | None = None) -> pd.DataFrame:
    """The leak watch over the quiet hours of each tank in readings: a row for each tank and source.

    flows: of the same readings, if they are known already. smallest_l_per_h is the smallest leak that would have been told in
    95 of 100 cases; at most 1 alarm in 1,000 tank-days is false.
    """
    from canlevel.derivation.leaks import watch_leaks

    return _frame(watch_leaks(*_with_flows(readings, flows)))


def outlook(readings: pd.DataFrame | pa.Table, *, flows: pd.DataFrame | pa.Table | None = None) -> pd.DataFrame:
    """When each tank in readings will be empty or full, at its present rate and at its habit, as of its last reading."""
    from canlevel.derivation.outlook import outlook as look_ahead

    return _frame(look_ahead(*_with_flows(readings, flows)))


def balance(readings: pd.DataFrame | pa.Table, *, flows: pd.DataFrame | pa.Table | None = None) -> pd.DataFrame:
    """By vessel and day (UTC): fresh water out, waste water in, and what is missing, with 95 % limits."""
    from canlevel.derivation.balance import balance as weigh

    return _frame(weigh(*_with_flows(readings, flows)))


def _with_flows(readings: pd.DataFrame | pa.Table, flows: pd.DataFrame | pa.Table | None) -> tuple[pa.Table, pa.Table]:
    table = _readings_table(readings)
    return table, derive_flows(table) if flows is None else _as_table(flows, FLOWS, NEEDED_OF_FLOWS)


def tanks(readings: pd.DataFrame | pa.Table) -> pd.DataFrame:
    """One row for each tank and source in readings: its last level, volume and status, when and how often it was heard."""
    return _frame(overview(_readings_table(readings)))


def _frame(table: pa.Table) -> pd.DataFrame:
    frame: pd.DataFrame = table.to_pandas()
    return frame


def _readings_table(readings: pd.DataFrame | pa.Table) -> pa.Table:
    """READINGS from a frame, which may carry more columns (a `date` partition, say) and lack those that are only words."""
    return _as_table(readings, READINGS, ("time", "tank", "level_pct", "source_address"))


def _as_table(frame: pd.DataFrame | pa.Table, schema: pa.Schema, needed: tuple[str, ...]) -> pa.Table:
    """A table of a schema from a frame; columns that are not among those needed may be missing."""
    if isinstance(frame, pa.Table):
        return frame
    missing = [name for name in needed if name not in frame.columns]
    if missing:
        raise QueryError(
            f"the frame lacks the columns {', '.join(missing)}",
            next_step="give it a frame as canlevel returns it: readings of decode() or a store, flows of flows()",
        )
    columns: list[Any] = []
    for column in schema:
        if column.name not in frame.columns:
            columns.append(pa.nulls(len(frame), column.type))
            continue
        values = frame[column.name]
        if pa.types.is_dictionary(column.type):
            words = pa.array(values.astype(object).where(values.notna(), None), pa.string())
            columns.append(words.dictionary_encode())
        else:
            columns.append(pa.array(values, column.type, from_pandas=True))
    return pa.table(columns, schema=schema)
