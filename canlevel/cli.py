"""The command line: words to arguments, one library call, its result on the screen. Only this module prints and exits.

Heavy packages are imported inside the commands, so that help appears at once.
"""

from __future__ import annotations

import os
import signal
import sys
import warnings
from collections.abc import Callable, Generator, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta, tzinfo
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TextIO

import typer

from canlevel.errors import CanlevelError, QueryError
from canlevel.units import VolumeUnit
from canlevel.words import counted

if TYPE_CHECKING:
    import pyarrow as pa
    from rich.console import Console
    from rich.table import Table

    from canlevel.capture.source import Source
    from canlevel.capture.tally import Tally
    from canlevel.diagnosis import Examination, Heard
    from canlevel.pipeline import Decoding, LogState

__all__ = ["app", "run"]

BAD_NEWS, BAD_CALL, INTERRUPTED = 1, 2, 130
WORTH_A_SPEED = 100_000  # frames; below that starting up takes longer than reading
LATELY_DAYS = 31  # of a store that leaks and habits are looked for in
LISTEN_S = 15.0  # how long `tanks` listens to a live bus: three times the slowest usual period
EXPLAIN_S = 60.0  # `explain`: long enough to tell a rhythm

app = typer.Typer(
    name="canlevel",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Tank levels from a CAN bus: NMEA 2000, RV-C and J1939, live or recorded, with a history in Parquet.\n\n"
    "SOURCE is a recording (candump text, ASC, BLF, TRC, CSV, MF4, SQLite; also compressed), - for standard input, or "
    "INTERFACE:CHANNEL for a live bus, which is only listened to.\n\n"
    "Example:  canlevel tanks boat.log     Try it without a bus:  canlevel demo",
)


class Format(StrEnum):
    """How a table is written."""

    TABLE = "table"
    JSONL = "jsonl"
    CSV = "csv"


class Report(StrEnum):
    """How an explanation is written."""

    TEXT = "text"
    JSON = "json"


Sources = Annotated[
    list[str],
    typer.Argument(metavar="SOURCE", help="Files, - for standard input, or INTERFACE:CHANNEL.", show_default=False),
]
MaybeSources = Annotated[
    list[str] | None,
    typer.Argument(metavar="SOURCE", help="Files, - for standard input, or INTERFACE:CHANNEL.", show_default=False),
]
RosterFile = Annotated[
    Path | None,
    typer.Option("--roster", metavar="FILE", help="Names, capacities and shapes of the tanks.", show_default=False),
]
DbcFiles = Annotated[
    list[Path] | None,
    typer.Option(
        "--dbc", metavar="FILE", help="Own message definitions; may be given more than once.", show_default=False
    ),
]
Start = Annotated[
    str | None,
    typer.Option(
        "--start",
        metavar="TIME",
        help="When a recording began whose times count from zero, e.g. 2026-05-01T08:00Z.",
        show_default=False,
    ),
]
Bitrate = Annotated[int, typer.Option("--bitrate", metavar="BIT/S", help="Of a live bus.", min=1)]
Seconds = Annotated[
    float | None,
    typer.Option("--seconds", metavar="N", help="Stop listening after so long.", min=0, show_default=False),
]
Units = Annotated[VolumeUnit, typer.Option("--units", help="For what a person reads; data stays in litres.")]
TableFormat = Annotated[Format, typer.Option("--format", help="Data formats are in litres and UTC.")]
StoreFolder = Annotated[
    Path | None, typer.Option("--store", metavar="DIR", help="Read a store instead of a SOURCE.", show_default=False)
]
TankId = Annotated[
    str | None,
    typer.Option("--tank", metavar="ID", help="Only this tank, e.g. nmea2000.fresh_water.0.", show_default=False),
]
Since = Annotated[
    str | None,
    typer.Option("--since", metavar="TIME", help="From this time on (UTC unless it says).", show_default=False),
]
Until = Annotated[str | None, typer.Option("--until", metavar="TIME", help="Before this time.", show_default=False)]


@app.command(
    short_help="Show every tank reading, as it arrives.",
    epilog="Example:  canlevel decode boat.log --format jsonl | head",
)
def decode(
    source: Sources,
    format: TableFormat = Format.TABLE,
    roster: RosterFile = None,
    dbc: DbcFiles = None,
    start: Start = None,
    units: Units = VolumeUnit.LITRE,
    bitrate: Bitrate = 250_000,
    seconds: Seconds = None,
) -> None:
    """Show every tank reading in SOURCE, one a line, as it arrives.

    Live:  canlevel decode slcan:/dev/ttyACM0     Piped:  candump -L can0 | canlevel decode -
    """
    from canlevel.pipeline import open_decoding
    from canlevel.show.rows import READING_KEYS, csv_head, csv_lines, json_lines
    from canlevel.show.text import reading_head, reading_lines

    decoding = open_decoding(
        source, roster=roster, dbc=dbc or (), start=_moment(start, "--start"), bitrate=bitrate, seconds=seconds
    )
    out = sys.stdout
    with _stopping(decoding.source) as ending:
        width = _width()
        head = {Format.TABLE: reading_head(units, width) + "\n", Format.CSV: csv_head(READING_KEYS), Format.JSONL: ""}[
            format
        ]
        day = ""
        notes = _Notes(decoding)
        for readings in decoding.batches():
            notes.tell()
            out.write(head)
            head = ""
            if format is Format.TABLE:
                lines = reading_lines(readings, units, width, day)
                day = _write_lines(lines, out)
            elif format is Format.JSONL:
                out.write(json_lines(readings, READING_KEYS))
            else:
                out.write(_csv(csv_lines(readings, READING_KEYS)))
            out.flush()
    notes.finish(summary=format is Format.TABLE)
    ending.leave()


@app.command(
    short_help="Append tank readings to a Parquet history.",
    epilog="Example:  canlevel log can.log.gz --store history --roster tanks.toml",
)
def log(
    source: Sources,
    store: Annotated[Path, typer.Option("--store", metavar="DIR", help="The history; made if it is not there.")],
    roster: RosterFile = None,
    vessel: Annotated[
        str | None, typer.Option("--vessel", metavar="NAME", help="Whose tanks these are.", show_default=False)
    ] = None,
    dbc: DbcFiles = None,
    start: Start = None,
    bitrate: Bitrate = 250_000,
    seconds: Seconds = None,
    rvc_zone: Annotated[
        str | None,
        typer.Option(
            "--rvc-zone",
            metavar="ZONE",
            help="Time zone of the clocks on an RV-C bus, e.g. America/Denver, to set a clock that stands in the past.",
            show_default=False,
        ),
    ] = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="Only warnings and errors.")] = False,
    verbose: Annotated[bool, typer.Option("--verbose", help="Also what is stored, each time.")] = False,
) -> None:
    """Append the tank readings in SOURCE to a Parquet history.

    The same recording twice adds nothing. A live bus is logged until Ctrl-C, through power cuts, full disks and adapters that
    fall off:

    canlevel log socketcan:can0 --store history
    """
    from canlevel.errors import printable
    from canlevel.pipeline import log_source, open_decoding

    if quiet and verbose:
        raise QueryError("--quiet and --verbose cannot both be", next_step="leave one out")
    zone = _zone(rvc_zone)
    decoding = open_decoding(
        source,
        roster=roster,
        vessel=vessel,
        dbc=dbc or (),
        start=_moment(start, "--start"),
        bitrate=bitrate,
        seconds=seconds,
        need_dates=True,
        reconnect=True,
    )
    notes = _Notes(decoding, quiet=quiet, verbose=verbose)
    with _stopping(decoding.source) as ending, _log_progress(decoding, notes, quiet=quiet) as on_batch:
        try:
            summary = log_source(decoding, store, on_batch=on_batch, zone=zone)
        finally:
            notes.finish(summary=False)
    if quiet:
        ending.leave()
        return
    worth_telling = summary.frames >= WORTH_A_SPEED and not decoding.source.live
    speed = f", {summary.frames / summary.seconds:,.0f} frames/s" if worth_telling else ""
    print(f"{summary.frames:,} frames{speed}; {summary.readings:,} tank readings")
    lost = f", {summary.lost:,} lost for want of room" if summary.lost else ""
    print(f"{summary.added:,} new in {printable(str(store))}, {summary.known:,} there already or doubled{lost}")
    if summary.known and not summary.added and (roster or vessel):
        print(
            "note: readings that were there already keep the vessel and the names they were stored with",
            file=sys.stderr,
        )
    ending.leave()


@app.command(
    short_help="Merge the parts of a history's closed days.",
    epilog="Example:  canlevel tidy --store history",
)
def tidy(store: Annotated[Path, typer.Option("--store", metavar="DIR", help="The history.")]) -> None:
    """Merge the parts of each closed day of a history into one sorted file, and move damaged files to DIR/damaged.

    What a logger that was cut off had heard is brought in first. A running logger does all this by itself.
    """
    from canlevel.errors import printable
    from canlevel.recovery import tidy as tidy_path
    from canlevel.show.text import size_text

    recovered, done = tidy_path(store)
    for file, to, why in done.set_aside:
        print(f"note: {printable(str(file))} {why}; it is now {printable(str(to))}", file=sys.stderr)
    if recovered.runs:
        print(f"{recovered.readings:,} readings brought in from the journal")
    if not done.days:
        print("nothing to merge: each closed day is one file")
        return
    days = "1 day" if done.days == 1 else f"{done.days:,} days"
    print(
        f"{done.parts:,} parts merged into {days}: {done.rows:,} rows, "
        f"{size_text(done.bytes_before)} before, {size_text(done.bytes_after)} now"
    )


@app.command(
    short_help="Show each tank once: level, volume, device.",
    epilog="Example:  canlevel tanks boat.log --roster tanks.toml",
)
def tanks(
    source: MaybeSources = None,
    store: StoreFolder = None,
    format: TableFormat = Format.TABLE,
    roster: RosterFile = None,
    dbc: DbcFiles = None,
    start: Start = None,
    units: Units = VolumeUnit.LITRE,
    bitrate: Bitrate = 250_000,
    seconds: Seconds = None,
) -> None:
    """Show one row for each tank and the device that sends it: last level, volume, status, how often it is heard.

    A live bus is listened to for 15 seconds, or --seconds.
    """
    from canlevel.derivation.overview import overview
    from canlevel.show.rows import TANK_KEYS

    readings = _readings(
        source, store, roster=roster, dbc=dbc, start=start, bitrate=bitrate, seconds=seconds, listen_s=LISTEN_S
    )
    found = overview(readings)
    _show(found, TANK_KEYS, format, lambda console: _print_tanks(console, found, units), "no tank was heard")


@app.command(
    short_help="Show fills and drains with their rates.",
    epilog="Example:  canlevel flows --store history --tank nmea2000.fresh_water.0 --since 2026-05-01",
)
def flows(
    source: MaybeSources = None,
    store: StoreFolder = None,
    tank: TankId = None,
    since: Since = None,
    until: Until = None,
    format: TableFormat = Format.TABLE,
    roster: RosterFile = None,
    dbc: DbcFiles = None,
    start: Start = None,
    units: Units = VolumeUnit.LITRE,
    bitrate: Bitrate = 250_000,
    seconds: Seconds = None,
) -> None:
    """Show the fills and drains of each tank: when, how much, how fast, and between which limits the rate lies.

    rate_low and rate_high enclose the rate of a steady flow in about 95 of 100 cases. A flow of which a coarse sender shows a
    single step has a rate between wide limits.
    """
    from canlevel.derivation.flows import derive_flows
    from canlevel.show.rows import FLOW_KEYS

    begin, end = _moment(since, "--since"), _moment(until, "--until")
    if store is not None and not source and roster is None:
        found = _stored_flows(store, tank, begin, end)
    else:
        readings = _readings(
            source,
            store,
            tank=tank,
            since=begin,
            until=end,
            roster=roster,
            dbc=dbc,
            start=start,
            bitrate=bitrate,
            seconds=seconds,
            need_dates=True,
        )
        found = derive_flows(readings)
    _show(found, FLOW_KEYS, format, lambda console: _print_flows(console, found, units), "no fill or drain was found")


@app.command(
    short_help="Say what is wrong on a bus, why, and what to do next.",
    epilog="Example:  canlevel explain boat.log --roster tanks.toml",
)
def explain(
    source: Sources,
    format: Annotated[Report, typer.Option("--format", help="json has everything, times in UTC.")] = Report.TEXT,
    roster: RosterFile = None,
    dbc: DbcFiles = None,
    start: Start = None,
    bitrate: Annotated[
        int, typer.Option("--bitrate", metavar="BIT/S", help="Of the bus, live or recorded.", min=1)
    ] = 250_000,
    seconds: Seconds = None,
) -> None:
    """Say what is wrong on a bus: on which frames, the likely causes, and what to do next.

    With a roster also which tanks are missing or not listed. A live bus is listened to for 60 seconds, or --seconds. Exit
    code 1 where there is a fault, 0 otherwise. Nothing is claimed that a listener cannot hear.
    """
    import json

    from canlevel.capture.source import is_live
    from canlevel.show.findings import explanation_lines
    from canlevel.show.rows import json_escaped

    heard = _examined(
        source, EXPLAIN_S, roster=roster, dbc=dbc, start=start, bitrate=bitrate, seconds=seconds, ask=False, levels=True
    )
    explanation = heard.explain()
    if format is Report.JSON:
        print(json_escaped(json.dumps(explanation.to_dict(), ensure_ascii=False, allow_nan=False, indent=2)))
    else:
        first, *others = source
        title = "standard input" if first == "-" else first if is_live(first) else Path(first).name
        title += f" and {len(others)} more" if others else ""
        _print_lines(explanation_lines(explanation.to_dict(), title, _text_width(), _height()))
    if explanation.faulty:
        raise typer.Exit(BAD_NEWS)


@app.command(
    short_help="Show who is on a bus: each device, what it is and sends.",
    epilog="Example:  canlevel devices boat.log --format jsonl",
)
def devices(
    source: Sources,
    format: TableFormat = Format.TABLE,
    ask: Annotated[
        bool, typer.Option("--ask", help="Send a live bus one request for address claims and product information.")
    ] = False,
    roster: RosterFile = None,
    dbc: DbcFiles = None,
    start: Start = None,
    bitrate: Bitrate = 250_000,
    seconds: Seconds = None,
) -> None:
    """Show every device on a bus, by source address: its NAME, product, tanks, what it sends and how often, faults it reports.

    A live bus is listened to for 15 seconds, or --seconds. Nothing is sent, unless --ask is given: many devices tell who they
    are only when they are asked, or switched on.
    """
    from canlevel.capture.source import is_live
    from canlevel.show.findings import device_lines
    from canlevel.show.rows import plain_rows

    if ask and all(is_live(word) for word in source):
        print(
            f"sending to all devices on {', '.join(source)}: one request (PGN 59904) for address claims, and one for product "
            "information as NMEA 2000 and as RV-C have it",
            file=sys.stderr,
        )
    heard = _examined(
        source, LISTEN_S, roster=roster, dbc=dbc, start=start, bitrate=bitrate, seconds=seconds, ask=ask, levels=False
    )
    found = heard.devices()

    def show_lines(_: Console) -> None:
        _print_lines(device_lines(plain_rows(found), heard.heard_words(), _text_width()))

    _show(found, tuple(found.column_names), format, show_lines, "no device was heard")


def _examined(
    source: list[str],
    listen_s: float,
    *,
    roster: Path | None,
    dbc: list[Path] | None,
    start: str | None,
    bitrate: int,
    seconds: float | None,
    ask: bool,
    levels: bool,
) -> Heard:
    """A SOURCE heard to its end, or for a while."""
    from canlevel.capture.source import is_live
    from canlevel.diagnosis import open_examination

    if seconds is None and any(is_live(word) for word in source):
        seconds = listen_s
        print(f"listening for {listen_s:.0f} s; Ctrl-C ends it sooner", file=sys.stderr)
    examination = open_examination(
        source,
        roster=roster,
        dbc=dbc or (),
        start=_moment(start, "--start"),
        bitrate=bitrate,
        seconds=seconds,
        ask=ask,
        levels=levels,
    )
    with _stopping(examination.source) as ending, _progress_bar(examination) as advance:
        heard = examination.run(lambda _: advance())
    tally = examination.source.tally
    for sentence in tally.notes:
        print(f"note: {sentence}", file=sys.stderr)
    _tell_skipped(tally)
    ending.leave("interrupted before the end of the recording, so that nothing is said of it")
    return heard


def _print_lines(lines: list[tuple[str, str]]) -> None:
    from rich.text import Text

    console = _console()
    for style, line in lines:
        console.print(Text(line, style=style), soft_wrap=True)


def _text_width() -> int:
    """Columns of running text: what is pleasant to read, and into a file or a pipe what every screen has."""
    return min(_width(), 110) if sys.stdout.isatty() else 80


def _height() -> int | None:
    """Rows of the screen, with room for the prompt; none into a file or a pipe."""
    import shutil

    return shutil.get_terminal_size().lines - 2 if sys.stdout.isatty() else None


@app.command(
    short_help="Run the whole job on two captures shipped with it.", epilog="Example:  canlevel demo --units us-gallon"
)
def demo(units: Units = VolumeUnit.LITRE) -> None:
    """Run the whole job on two captures that come with the program: a harbour workboat and a clinic coach."""
    import tempfile
    from importlib import resources

    from canlevel.derivation.flows import derive_flows
    from canlevel.derivation.overview import overview
    from canlevel.pipeline import log_source, open_decoding
    from canlevel.shipped import shipped
    from canlevel.show.text import level_picture

    console = _console()
    folder = Path(tempfile.mkdtemp(prefix="canlevel-demo-"))
    scenarios = (("workboat", "A harbour workboat, NMEA 2000"), ("clinic-coach", "A clinic coach, RV-C and J1939"))
    for name, title in scenarios:
        captures = shipped("captures")
        with (
            resources.as_file(captures / f"{name}.log.gz") as capture,
            resources.as_file(captures / f"{name}.toml") as roster,
        ):
            store = folder / name
            summary = log_source(open_decoding(capture, roster=roster, need_dates=True), store)
        readings = summary.store.scan()
        console.rule(title, style="dim")
        console.print(f"{summary.frames:,} frames held {summary.readings:,} tank readings.\n", highlight=False)
        _print_tanks(console, overview(readings), units)
        print()
        for line in level_picture(readings, console.width):
            console.print(line, highlight=False, markup=False, no_wrap=True)
        console.print("\nFills and drains:\n")
        _print_flows(console, derive_flows(readings), units)
    console.rule(style="dim")
    print("The histories are Parquet. Open one in a notebook:\n")
    print(f'    import pandas; pandas.read_parquet("{(folder / scenarios[0][0] / "readings").as_posix()}")\n')
    print("Your own bus or recording next:  canlevel tanks SOURCE, canlevel explain SOURCE")


def _readings(
    source: list[str] | None,
    store: Path | None,
    *,
    roster: Path | None,
    dbc: list[Path] | None,
    start: str | None,
    bitrate: int,
    seconds: float | None,
    listen_s: float | None = None,
    need_dates: bool = False,
    tank: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> pa.Table:
    """READINGS of a SOURCE or of a store, whichever was given."""
    _in_order(since, until)
    if bool(source) == (store is not None):
        raise QueryError(
            "give a SOURCE or --store, and not both",
            next_step="canlevel tanks boat.log, or canlevel tanks --store history",
        )
    if store is not None:
        from canlevel.recovery import open_whole

        opened = open_whole(store)
        readings = opened.scan(tank=tank, since=since, until=until, in_order=False)
        if tank is not None and not len(readings):
            _known_tank(tank, opened.scan(columns=["tank"]))
        if roster is not None:
            from canlevel.roster import load_roster

            readings = load_roster(roster).apply(readings)
        return readings
    from canlevel.capture.source import is_live
    from canlevel.pipeline import collect, open_decoding
    from canlevel.tables import matching

    assert source is not None
    limited = seconds is None and listen_s is not None and any(is_live(word) for word in source)
    if limited:
        seconds = listen_s
        print(f"listening for {listen_s:.0f} s", file=sys.stderr)
    decoding = open_decoding(
        source,
        roster=roster,
        dbc=dbc or (),
        start=_moment(start, "--start"),
        bitrate=bitrate,
        seconds=seconds,
        need_dates=need_dates,
    )
    notes = _Notes(decoding, announced=limited)
    with _stopping(decoding.source) as ending, _progress_bar(decoding) as advance:
        readings = collect(decoding, lambda _: advance())
    notes.finish(summary=False)
    ending.leave()
    if tank is not None:
        _known_tank(tank, readings)
    if tank is None and since is None and until is None:
        return readings
    return readings.filter(matching(tank, since, until))


def _stored_flows(store: Path, tank: str | None, since: datetime | None, until: datetime | None) -> pa.Table:
    """The flows of a store, brought up to date."""
    from canlevel.history import stored_flows
    from canlevel.recovery import open_whole

    _in_order(since, until)
    opened = open_whole(store)
    found = stored_flows(opened, tank=tank, since=since, until=until)
    if tank is not None and not len(found):
        _known_tank(tank, opened.scan(columns=["tank"]))
    return found


def _in_order(since: datetime | None, until: datetime | None) -> None:
    if since is not None and until is not None and since >= until:
        raise QueryError("--since is not before --until", next_step="swap them")


def _write_lines(lines: Generator[str, None, str], out: TextIO) -> str:
    """Write what a generator yields, a line each; returns what it returns."""
    while True:
        try:
            out.write(next(lines) + "\n")
        except StopIteration as end:
            return str(end.value)


def _known_tank(tank: str, readings: pa.Table) -> None:
    known = sorted(set(readings.column("tank").unique().to_pylist()))
    if tank not in known:
        raise QueryError(
            f'there is no tank "{tank}"', next_step=f"use one of: {', '.join(known) or '(none was heard)'}"
        )


def _csv(text: str) -> str:
    """CSV for standard output: as it is, but on a terminal nothing may drive it."""
    if not sys.stdout.isatty():
        return text
    from canlevel.show.rows import terminal_text

    return terminal_text(text)


def _show(
    found: pa.Table, keys: tuple[str, ...], format: Format, show_table: Callable[[Console], None], nothing: str
) -> None:
    from canlevel.show.rows import csv_head, csv_lines, json_lines

    if format is Format.JSONL:
        sys.stdout.write(json_lines(found, keys))
    elif format is Format.CSV:
        sys.stdout.write(_csv(csv_head(keys) + csv_lines(found, keys)))
    elif len(found):
        show_table(_console())
    if not len(found):
        print(nothing, file=sys.stderr)


def _print_tanks(console: Console, tanks: pa.Table, units: VolumeUnit) -> None:
    from canlevel.show.text import tanks_lines, tanks_table

    table = tanks_table(tanks, units)
    if _fits(console, table):
        console.print(table)
    else:
        print("\n".join(tanks_lines(tanks, units)))


def _print_flows(console: Console, flows: pa.Table, units: VolumeUnit) -> None:
    from canlevel.show.text import flows_table

    table = flows_table(flows, units)
    console.print(table if _fits(console, table) else flows_table(flows, units, intervals=False))


def _fits(console: Console, table: Table) -> bool:
    return console.measure(table, options=console.options.update(width=1000)).maximum <= console.width


def _width() -> int:
    """Columns to write in. Into a file or a pipe a table is as wide as it needs to be."""
    import shutil

    return shutil.get_terminal_size().columns if sys.stdout.isatty() else 160


def _console() -> Console:
    from rich.console import Console

    return Console(width=_width())


class _Notes:
    """Tells on standard error what the user should know about the input: notes at once, counts at the end."""

    def __init__(
        self, decoding: Decoding, *, announced: bool = False, quiet: bool = False, verbose: bool = False
    ) -> None:
        from canlevel.service import line_writer

        self._decoding = decoding
        self._told = 0
        self._write = line_writer(quiet, verbose, sys.stderr)
        announced |= quiet
        if decoding.source.live and sys.stderr.isatty() and not announced:
            print("listening; Ctrl-C ends", file=sys.stderr)

    def tell(self) -> None:
        tally = self._decoding.tally
        for sentence in tally.notes[self._told :]:
            self._write("info", sentence)
        self._told = len(tally.notes)
        for level, sentence in tally.take_told():
            self._write(level, sentence)

    @property
    def any(self) -> bool:
        """Whether there is something to tell."""
        return len(self._decoding.tally.notes) > self._told or bool(self._decoding.tally.told)

    def finish(self, *, summary: bool) -> None:
        """summary: also say how much was read when nothing was amiss."""
        from canlevel.errors import printable

        self.tell()
        decoding, tally = self._decoding, self._decoding.tally
        if not tally.frames and decoding.source.live:
            self._write(
                "info",
                "no frame was heard. Next: check the bit rate (--bitrate), that the network has its supply, "
                "and the two data wires",
            )
        elif not decoding.readings and tally.frames:
            self._write("info", f"no tank level among {counted(tally.frames, 'frame')}")
        elif summary:
            print(f"{counted(tally.frames, 'frame')}, {counted(decoding.readings, 'tank reading')}", file=sys.stderr)
        for entry in decoding.not_heard():
            self._write("info", f'nothing was heard of "{printable(entry.name)}" ({entry.fluid} {entry.instance})')
        if decoding.malformed:
            self._write("info", f"{counted(decoding.malformed, 'tank frame')} too short for the definition")
        _tell_skipped(tally)
        if tally.dropped:
            self._write("info", f"the recorder itself lost {counted(tally.dropped, 'frame')}")


def _tell_skipped(tally: Tally) -> None:
    """Say how many lines were no frame, and which was the first."""
    from canlevel.errors import printable

    if tally.skipped:
        first, was = tally.first_skipped, "was" if tally.skipped == 1 else "were"
        where = f"; the first is {first}: {printable((first.text or '').strip(), 80)}" if first else ""
        print(
            f"note: {counted(tally.skipped, 'line')} {was} skipped, as no CAN frame could be read there{where}",
            file=sys.stderr,
        )


class _Ending:
    """How a command came to its end. A bus or a pipe ends when it is stopped; a file that is stopped was not finished."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self.stopped = False

    def leave(self, note: str = "stopped before the end; the same command again does the rest") -> None:
        """Exit with 130 if a recording was not read to its end, and say what that means."""
        if self.stopped and self._source.progress().total is not None:
            print(f"note: {note}", file=sys.stderr)
            raise typer.Exit(INTERRUPTED)


@contextmanager
def _stopping(source: Source) -> Iterator[_Ending]:
    """Ctrl-C and SIGTERM end a source in order, with everything written; a second one ends the program."""
    ending = _Ending(source)

    def stop(*_: Any) -> None:
        ending.stopped = True
        source.stop()
        for name in handled:
            signal.signal(name, signal.default_int_handler)

    handled = [signal.SIGINT, signal.SIGTERM]
    before = {name: signal.signal(name, stop) for name in handled}
    try:
        if _interrupts:
            raise KeyboardInterrupt  # pressed while the source was being opened, and swallowed by what was running then
        yield ending
    finally:
        source.close()
        for name, handler in before.items():
            signal.signal(name, handler)


@contextmanager
def _progress_bar(decoding: Decoding | Examination) -> Iterator[Any]:
    """A bar on standard error while files are read; nothing where that is no terminal or the end cannot be known."""
    if not sys.stderr.isatty() or decoding.source.progress().total is None:
        yield lambda: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    with Progress(
        BarColumn(),
        TextColumn("{task.percentage:3.0f} %"),
        TextColumn("{task.fields[speed]}"),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    ) as bar:
        task = bar.add_task("", total=decoding.source.progress().total, speed="")

        def advance() -> None:
            progress = decoding.source.progress()
            elapsed_s = bar.tasks[0].elapsed or 0
            speed = f"{progress.frames / elapsed_s:,.0f} frames/s" if elapsed_s > 0 else ""
            bar.update(task, completed=progress.done, speed=speed)

        yield advance


@contextmanager
def _log_progress(decoding: Decoding, notes: _Notes, *, quiet: bool) -> Iterator[Any]:
    """What `log` shows while it runs: a bar for files, one quiet line for a bus, nothing where there is no terminal."""
    if decoding.source.progress().total is not None:
        with _progress_bar(decoding) as advance:
            yield lambda _: advance()
        return
    line = _StatusLine() if sys.stderr.isatty() and not quiet else None

    def on_batch(state: LogState) -> None:
        if line is not None and notes.any:
            line.clear()
        notes.tell()
        if line is not None:
            line.update(state)

    try:
        yield on_batch
    finally:
        if line is not None:
            line.clear()


class _StatusLine:
    """One line on a terminal, rewritten once a second."""

    def __init__(self) -> None:
        import time

        self._clock = time.monotonic
        self._began = self._due = self._clock()

    def update(self, state: LogState) -> None:
        now = self._clock()
        if now < self._due:
            return
        self._due = now + 1
        per_s = state.progress.frames / max(now - self._began, 1e-3)
        text = f"{state.progress.frames:,} frames ({per_s:,.0f}/s), {state.readings:,} tank readings"
        if state.last is not None and len(state.last):
            last = state.last.slice(len(state.last) - 1).to_pylist()[0]
            level = "" if last["level_pct"] is None else f" {last['level_pct']:.1f} %"
            text += f", last {last['tank']}{level}"
        print(f"\r\x1b[K{text}", end="", file=sys.stderr, flush=True)

    def clear(self) -> None:
        print("\r\x1b[K", end="", file=sys.stderr, flush=True)


def _zone(name: str | None) -> tzinfo | None:
    """A time zone by its name in the IANA database."""
    if name is None:
        return None
    from zoneinfo import ZoneInfo

    from canlevel.errors import printable

    try:
        return ZoneInfo(name)
    except (OSError, ValueError, KeyError):
        raise QueryError(
            f'--rvc-zone: "{printable(name)}" is no time zone here', next_step="write it like --rvc-zone America/Denver"
        ) from None


def _moment(text: str | None, option: str) -> datetime | None:
    """A date or time as a user writes it; without a zone it is UTC."""
    if text is None:
        return None
    from canlevel.tables import timestamp_us

    try:
        return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=timestamp_us(text))
    except QueryError as error:
        raise QueryError(f"{option}: {error.what}", next_step=f"write it like {option} 2026-05-01T08:00Z") from None


def run(arguments: list[str] | None = None) -> int:
    """Run the command line; returns the exit code: 0 done, 2 the call or the input is wrong, 130 interrupted."""
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # closed by whoever started us
            setattr(sys, name, Path(os.devnull).open("w"))  # noqa: SIM115
        stream = getattr(sys, name)
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="replace")
    warnings.showwarning = _tell_warning
    try:
        with _noting_interrupts():
            code = _invoke(sys.argv[1:] if arguments is None else arguments)
        sys.stdout.flush()
        return code
    except CanlevelError as error:
        _flush()
        print("\n".join([f"error: {error}", *getattr(error, "__notes__", [])]), file=sys.stderr)
        return BAD_CALL
    except BrokenPipeError:
        # The reader of our output has seen enough (head, less): that is no fault. What is left goes nowhere.
        _drop_output()
        return 0
    except KeyboardInterrupt:
        return INTERRUPTED
    except OSError as error:
        # What the machine refuses, a full disk behind standard output for one, is not ours to trace.
        _drop_output()
        where = f"{error.filename}: " if error.filename else ""
        print(f"error: {where}{error.strerror or error}", file=sys.stderr)
        return BAD_CALL


def _tell_warning(message: Warning | str, *_: Any, **__: Any) -> None:
    from canlevel.errors import printable

    print(f"note: {printable(str(message))}", file=sys.stderr)


_interrupts: list[int] = []


@contextmanager
def _noting_interrupts() -> Iterator[None]:
    """Keep note of Ctrl-C: Python drops a KeyboardInterrupt that is raised inside a callback, an import's for one."""

    def interrupt(number: int, _: Any) -> None:
        _interrupts.append(number)
        raise KeyboardInterrupt

    _interrupts.clear()
    if signal.getsignal(signal.SIGINT) is not signal.default_int_handler:
        yield  # ignored, or handled by whoever called us
        return
    signal.signal(signal.SIGINT, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def _invoke(arguments: list[str]) -> int:
    """Run one command. Not by typer's own way, which turns a closed pipe into exit code 1."""
    command = typer.main.get_command(app)
    try:
        with command.make_context("canlevel", list(arguments)) as context:
            command.invoke(context)
    except typer.Exit as ending:
        return ending.exit_code
    except typer.Abort:
        return INTERRUPTED
    except Exception as error:
        # A wrong option or argument: typer explains it and shows how the command is called.
        show = getattr(error, "show", None)
        if show is None:
            raise
        show()
        return BAD_CALL
    return 0


def _flush() -> None:
    try:
        sys.stdout.flush()
    except OSError:
        _drop_output()


def _drop_output() -> None:
    """Let what is still buffered for standard output go nowhere, so that leaving does not fail on it again."""
    try:
        descriptor = sys.stdout.fileno()
    except (OSError, ValueError):
        return
    os.dup2(os.open(os.devnull, os.O_WRONLY), descriptor)


# ---- leaks and outlook ----


@app.command(
    short_help="Watch the quiet hours of each tank for slow leaks.",
    epilog="Example:  canlevel leaks --store history --since 2026-05-01",
)
def leaks(
    source: MaybeSources = None,
    store: StoreFolder = None,
    tank: TankId = None,
    since: Since = None,
    until: Until = None,
    format: TableFormat = Format.TABLE,
    roster: RosterFile = None,
    dbc: DbcFiles = None,
    start: Start = None,
    units: Units = VolumeUnit.LITRE,
) -> None:
    """Watch the quiet hours of each tank for slow, steady loss or gain, and say how small a leak would have been seen.

    A heater, or whatever else draws slowly and steadily, looks like a leak. At most 1 alarm in 1,000 tank-days is false.
    Of a store the last 31 days are looked at, unless --since says otherwise.
    """
    from canlevel.derivation.leaks import LEAKS, watch_leaks

    readings, flows = _readings_and_flows(source, store, tank, since, until, roster=roster, dbc=dbc, start=start)
    found = watch_leaks(readings, flows)
    _show(found, tuple(LEAKS.names), format, lambda _: _print_leaks(found, units), "no tank was heard")


@app.command(
    short_help="Show when tanks will be empty or full, and the water balance.",
    epilog="Example:  canlevel outlook --store history --units us-gallon",
)
def outlook(
    source: MaybeSources = None,
    store: StoreFolder = None,
    tank: TankId = None,
    since: Since = None,
    until: Until = None,
    format: TableFormat = Format.TABLE,
    roster: RosterFile = None,
    dbc: DbcFiles = None,
    start: Start = None,
    units: Units = VolumeUnit.LITRE,
) -> None:
    """Show when each tank will be empty or full, at its present rate and at its habit, as of the last reading.

    Below, by day (UTC): fresh water out, waste water in, and what is missing. Data formats tell the two by "kind".
    Of a store the last 31 days are looked at, unless --since says otherwise.
    """
    import pyarrow as pa

    from canlevel.derivation.balance import balance
    from canlevel.derivation.outlook import outlook as look_ahead

    readings, flows = _readings_and_flows(source, store, tank, since, until, roster=roster, dbc=dbc, start=start)
    ahead, days = look_ahead(readings, flows), balance(readings, flows)
    if format is Format.TABLE:
        _show(ahead, (), format, lambda _: _print_outlook(ahead, days, units), "no tank was heard")
        return
    kinds = [
        table.add_column(0, "kind", pa.array([kind] * len(table), pa.string()))
        for kind, table in (("outlook", ahead), ("balance", days))
    ]
    if format is Format.JSONL and len(days):
        _show(kinds[0], tuple(kinds[0].column_names), format, lambda _: None, "")
        _show(kinds[1], tuple(kinds[1].column_names), format, lambda _: None, "")
        return
    both = pa.concat_tables(kinds, promote_options="default") if len(days) else kinds[0]
    _show(both, tuple(both.column_names), format, lambda _: None, "no tank was heard")


def _readings_and_flows(
    source: list[str] | None,
    store: Path | None,
    tank: str | None,
    since: str | None,
    until: str | None,
    *,
    roster: Path | None,
    dbc: list[Path] | None,
    start: str | None,
) -> tuple[pa.Table, pa.Table]:
    """READINGS of a SOURCE or a store, and their FLOWS: those of the store where they are its own."""
    from canlevel.derivation.flows import derive_flows

    begin, end = _moment(since, "--since"), _moment(until, "--until")
    if store is not None and begin is None:
        begin = _lately(store, end)
    readings = _readings(
        source,
        store,
        tank=tank,
        since=begin,
        until=end,
        roster=roster,
        dbc=dbc,
        start=start,
        bitrate=250_000,
        seconds=None,
        need_dates=True,
    )
    if store is not None and roster is None:
        return readings, _stored_flows(store, tank, begin, end)
    return readings, derive_flows(readings)


def _lately(store: Path, until: datetime | None) -> datetime | None:
    """When the last days of a store began, those before `until`: neither a leak nor a habit is looked for in all of a year."""
    from canlevel.recovery import open_whole

    days = [part.parent.name.removeprefix("date=") for part in open_whole(store).parts(until=until)]
    return datetime.fromisoformat(max(days)).replace(tzinfo=UTC) - timedelta(days=LATELY_DAYS - 1) if days else None


def _print_leaks(leaks: pa.Table, units: VolumeUnit) -> None:
    form = "{tank:<25}  {status:<21} {rate:>20} {smallest:>10}"
    print(form.format(tank="tank", status="finding", rate=f"{units.symbol}/h", smallest="smallest"))
    rows = leaks.to_pylist()
    for row, label, vessel in zip(rows, _labels(rows), _vessel_lines(rows), strict=True):
        print(vessel, end="")
        leak, smallest = row["leak_l_per_h"], row["smallest_l_per_h"]
        rate = ""
        if leak is not None:
            rate = f"{_figure(leak, units)} ({_figure(row['leak_low'], units)} to {_figure(row['leak_high'], units)})"
        elif row["leak_pct_per_h"] is not None:
            rate = f"{row['leak_pct_per_h']:.2f} %/h"
        least = "" if smallest is None else _figure(smallest, units)
        if smallest is None and row["smallest_pct_per_h"] is not None:
            least = f"{row['smallest_pct_per_h']:.2f} %/h"
        print(form.format(tank=label, status=row["status"], rate=rate, smallest=least).rstrip())
        span = "" if row["since"] is None else f", {row['since']:%m-%d %H:%M} to {row['until']:%m-%d %H:%M} UTC"
        told = f"  {row['quiet_h']:.0f} quiet hours{span}"
        print(told + (f"\n  {row['note']}" if row["note"] else ""))
    print(
        f"\nsmallest: the smallest leak, {units.symbol}/h, that this sender would have shown in the quiet\n"
        "hours at hand in 95 of 100 cases. At most 1 alarm in 1,000 tank-days is false."
    )


def _print_outlook(ahead: pa.Table, days: pa.Table, units: VolumeUnit) -> None:
    from canlevel.errors import printable

    rows = ahead.to_pylist()
    for row, label, vessel in zip(rows, _labels(rows), _vessel_lines(rows), strict=True):
        print(vessel, end="")
        litres = "" if row["volume_l"] is None else f"{_figure(row['volume_l'], units)} {units.symbol}"
        level = "" if row["level_pct"] is None else f"{row['level_pct']:.1f} %"
        print(f"{label:<25}  {level:>8}  {litres:>12}".rstrip())
        rate, use = row["present_rate_l_per_min"], row["habit_l_per_day"]
        paces = (
            ("now", "" if rate is None else f"{_figure(rate, units)} {units.symbol}/min"),
            ("habit", "" if use is None else f"{_figure(use, units)} {units.symbol} a day"),
        )
        for (name, pace), kind in zip(paces, ("present", "habit"), strict=True):
            told = row[f"{kind}_note"]
            if row[f"{kind}_h"] is not None:
                hours, low, high = _durations(row[f"{kind}_h"], row[f"{kind}_low_h"], row[f"{kind}_high_h"])
                told = f"{row[f'{kind}_toward']} in {hours} ({low} to {high})"
                told += f", by {row['habit_days']} days" if kind == "habit" else ""
            print(f"  {name:<6} {f'{pace}, ' if pace else ''}{told}")
    if len(days):
        several = len(set(days.column("vessel").to_pylist())) > 1
        print(f"\nWater by day (UTC), {units.symbol}, with 95 % limits of what is missing:\n")
        print("date        from   to       out of fresh  into waste  missing")
    for row in days.to_pylist():
        out, into, missing, low, high = (
            "–" if row[name] is None else _figure(row[name], units)
            for name in ("out_of_fresh_l", "into_waste_l", "missing_l", "missing_low", "missing_high")
        )
        told = "–" if row["missing_l"] is None else f"{missing} ({low} to {high})"
        clock = f"{row['since']:%H:%M}  {row['until']:%H:%M}"
        print(f"{row['date']}  {clock}  {out:>12}  {into:>10}  {told}")
        notes = [row["vessel"] or ""] * several + [row["note"]]
        if any(notes):
            print(printable("  " + ", ".join(note for note in notes if note)))


def _labels(rows: list[dict[str, Any]]) -> list[str]:
    """What each tank is called, in 25 characters: with its source where another of the vessel is called the same."""
    from canlevel.errors import printable

    who = [(row["vessel"], row["name"] or row["tank"], row["source_address"]) for row in rows]
    alike = [len({one for one in who if one[:2] == (vessel, name)}) > 1 for vessel, name, _ in who]
    return [
        f"{printable(name, 18)} ({source})" if several else printable(name, 25)
        for (_, name, source), several in zip(who, alike, strict=True)
    ]


def _vessel_lines(rows: list[dict[str, Any]]) -> Iterator[str]:
    """What to print before each row: the vessel where it changes, if there are several."""
    from canlevel.errors import printable

    last: list[str | None] = []
    several = len({row["vessel"] for row in rows}) > 1
    for row in rows:
        yield f"{printable(row['vessel'] or 'no vessel')}:\n" if several and last != [row["vessel"]] else ""
        last = [row["vessel"]]


def _figure(litres: float, units: VolumeUnit) -> str:
    """Litres in the user's unit, to two digits at least."""
    shown = units.from_litres(litres)
    size = abs(shown)
    digits = next((digits for least, digits in ((100, 0), (10, 1), (0.1, 2)) if size >= least), 3)
    return f"{round(shown, digits) or 0.0:,.{digits}f}"


def _durations(hours: float, low: float | None, high: float | None) -> list[str]:
    """A length of time and its limits, each in minutes, hours or days, whichever suits it; "?" for what is not known.

    The unit is said once where all three have the same.
    """
    texts, units = zip(*(_duration(one) for one in (hours, low, high)), strict=True)
    if len({unit for unit in units if unit}) == 1:
        return [f"{texts[0]} {units[0]}", *texts[1:]]
    return [f"{text} {unit}".rstrip() for text, unit in zip(texts, units, strict=True)]


def _duration(hours: float | None) -> tuple[str, str]:
    if hours is None:
        return "?", ""
    per_unit, unit = (1 / 60, "min") if hours < 2 else (1.0, "h") if hours < 48 else (24.0, "d")
    return f"{hours / per_unit:.{1 if unit == 'd' and hours < 10 * 24 else 0}f}", unit


# ---- as a service ----


@app.command(
    "service-file",
    short_help="Print a systemd unit that logs a live bus.",
    epilog="Example:  canlevel service-file socketcan:can0 --store /var/lib/canlevel > canlevel.service",
)
def service_file(
    source: Annotated[
        list[str], typer.Argument(metavar="SOURCE", help="INTERFACE:CHANNEL of live buses.", show_default=False)
    ],
    store: Annotated[Path, typer.Option("--store", metavar="DIR", help="The history.")],
    roster: RosterFile = None,
    user: Annotated[
        str | None, typer.Option("--user", metavar="NAME", help="Who it runs as; else you.", show_default=False)
    ] = None,
) -> None:
    """Print an example of a systemd unit that logs a live bus into a store from boot on, and starts again after a failure.

    Nothing is installed: read it, then keep it as its first lines say.
    """
    import getpass

    from canlevel.capture.source import is_live
    from canlevel.service import unit_text

    for word in source:
        if not is_live(word):
            raise QueryError(
                f"{word} is no live bus", next_step="write it INTERFACE:CHANNEL, for example socketcan:can0"
            )
    name = user
    if name is None:
        with suppress(OSError, KeyError):  # a user that nobody has given a name
            name = getpass.getuser()
    beside = Path(sys.executable).with_name("canlevel")
    program: list[str | Path] = [beside] if beside.exists() else [sys.executable, "-m", "canlevel"]
    group = _device_group(source)
    print(
        unit_text(
            source, store=store, program=program, roster=roster, user=None if name == "root" else name, group=group
        ),
        end="",
    )


def _device_group(sources: list[str]) -> str | None:
    """The group that may open the serial adapter among SOURCEs, or None without one."""
    import grp

    for word in sources:
        path = word.partition(":")[2].partition(",")[0].partition("@")[0]
        if path.startswith("/dev/"):
            try:
                return grp.getgrgid(Path(path).stat().st_gid).gr_name
            except (OSError, KeyError):
                return "dialout"  # where it is not plugged in; most distributions call it so
    return None
