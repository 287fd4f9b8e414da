"""Commands: decode, tanks, flows. What the tanks of a SOURCE or a store say."""

from __future__ import annotations

import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canlevel.cli.opening import Notes, flows_of_store, levels_lately, one_of, readings_of, readings_of_source, stopping
from canlevel.cli.options import (
    BAD_NEWS,
    LISTEN_S,
    Bitrate,
    DbcFiles,
    Format,
    MaybeSources,
    RosterFile,
    Seconds,
    Since,
    Sources,
    Start,
    StoreFolder,
    TableFormat,
    TankId,
    Units,
    Until,
    moment,
)
from canlevel.cli.program import app
from canlevel.cli.screen import (
    csv_for_screen,
    print_flows,
    print_pieces,
    print_plain,
    print_tanks,
    screen_width,
    show,
    write_lines,
)
from canlevel.errors import QueryError
from canlevel.units import VolumeUnit

if TYPE_CHECKING:
    import pyarrow as pa
    from rich.console import Console

    from canlevel.derivation.limits import Crossing

__all__: list[str] = []


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
        source, roster=roster, dbc=dbc or (), start=moment(start, "--start"), bitrate=bitrate, seconds=seconds
    )
    out = sys.stdout
    with stopping(decoding.source) as ending:
        width = screen_width()
        head = {Format.TABLE: reading_head(units, width) + "\n", Format.CSV: csv_head(READING_KEYS), Format.JSONL: ""}[
            format
        ]
        day = ""
        notes = Notes(decoding)
        for readings in decoding.batches():
            notes.tell()
            out.write(head)
            head = ""
            if format is Format.TABLE:
                lines = reading_lines(readings, units, width, day)
                day = write_lines(lines, out)
            elif format is Format.JSONL:
                out.write(json_lines(readings, READING_KEYS))
            else:
                out.write(csv_for_screen(csv_lines(readings, READING_KEYS)))
            out.flush()
    notes.finish(summary=format is Format.TABLE)
    ending.leave()


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
    check: Annotated[
        bool, typer.Option("--check", help="Exit with 1 if a limit of the roster is crossed, and say which.")
    ] = False,
    as_of: Annotated[
        str | None,
        typer.Option("--as-of", metavar="TIME", help="How a store stood at that time.", show_default=False),
    ] = None,
) -> None:
    """Show one row for each tank and the device that sends it: last level, volume, status, how often it is heard.

    A live bus is listened to for 15 seconds, or --seconds. --check reads the last days of a store, and its own roster
    unless --roster says otherwise; limits that are crossed go to standard error, one a line.
    """
    from canlevel.derivation.overview import overview
    from canlevel.show.pictures import level_picture
    from canlevel.show.rows import TANK_KEYS
    from canlevel.show.text import crossing_line

    until = moment(as_of, "--as-of")
    if until is not None and store is None:
        raise QueryError("--as-of is for a store", next_step="give the store with --store")
    one_of(source, store, words="tanks --check" if check else "tanks")
    crossed: list[Crossing] = []
    if check:
        readings, crossed = _checked(
            source, store, roster=roster, dbc=dbc, start=start, bitrate=bitrate, seconds=seconds, until=until
        )
    else:
        readings = readings_of(
            source,
            store,
            roster=roster,
            dbc=dbc,
            start=start,
            bitrate=bitrate,
            seconds=seconds,
            listen_s=LISTEN_S,
            until=until,
        )
    found = overview(readings)

    def show_tanks(console: Console) -> None:
        print_tanks(console, found, units)
        if console.is_terminal:
            lines = level_picture(readings, console.width)
            print_plain(["", *lines] if lines else [])

    show(found, TANK_KEYS, format, show_tanks, "no tank was heard")
    if crossed:
        sys.stdout.flush()
        for crossing in crossed:
            print(crossing_line(crossing, units), file=sys.stderr)
        raise typer.Exit(BAD_NEWS)


def _checked(
    source: list[str] | None,
    store: Path | None,
    *,
    roster: Path | None,
    dbc: list[Path] | None,
    start: str | None,
    bitrate: int,
    seconds: float | None,
    until: datetime | None,
) -> tuple[pa.Table, list[Crossing]]:
    """READINGS of the last days of a store, or of a SOURCE, and the limits that are crossed."""
    from canlevel.capture.source import is_live
    from canlevel.checking import check_readings, check_store, with_limits
    from canlevel.recovery import open_whole
    from canlevel.roster import Roster, load_roster

    limits = None if roster is None else with_limits(load_roster(roster))
    if store is not None:
        checked = check_store(open_whole(store), limits, now=until or datetime.now(UTC), until=until)
        return checked.readings, checked.crossings
    assert source is not None
    limits = with_limits(limits or Roster())
    readings, heard_until_us = readings_of_source(
        source,
        roster=limits,
        dbc=dbc,
        start=start,
        bitrate=bitrate,
        seconds=seconds,
        listen_s=LISTEN_S,
        need_dates=True,
        every_frame=True,
        told=[entry for entry in limits.tanks if entry.has_limits],
    )
    live = any(is_live(word) for word in source)
    now = datetime.now(UTC)
    if not live and heard_until_us is not None:
        now = datetime.fromtimestamp(0, UTC) + timedelta(microseconds=heard_until_us)
    heard_in = "while it was listened to" if live else "in the recording"
    return readings, check_readings(readings, limits, now=now, heard_in=heard_in).crossings


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
    from canlevel.show.pictures import flow_picture
    from canlevel.show.rows import FLOW_KEYS

    one_of(source, store, words="flows")
    begin, end = moment(since, "--since"), moment(until, "--until")
    readings = None
    if store is not None and not source and roster is None:
        found = flows_of_store(store, tank, begin, end)
    else:
        readings = readings_of(
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

    def show_flows(console: Console) -> None:
        print_flows(console, found, units)
        if console.is_terminal:
            levels = levels_lately(store, tank, begin, end) if readings is None and store is not None else readings
            lines = flow_picture(levels, found, console.width) if levels is not None else []
            print_pieces([[], *lines] if lines else [])

    show(found, FLOW_KEYS, format, show_flows, "no fill or drain was found")
