"""Commands: decode, tanks, flows. What the tanks of a SOURCE or a store say."""

from __future__ import annotations

import sys

from canlevel.cli.opening import Notes, flows_of_store, readings_of, stopping
from canlevel.cli.options import (
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
from canlevel.cli.screen import csv_for_screen, print_flows, print_tanks, screen_width, show, write_lines
from canlevel.units import VolumeUnit

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
) -> None:
    """Show one row for each tank and the device that sends it: last level, volume, status, how often it is heard.

    A live bus is listened to for 15 seconds, or --seconds.
    """
    from canlevel.derivation.overview import overview
    from canlevel.show.rows import TANK_KEYS

    readings = readings_of(
        source, store, roster=roster, dbc=dbc, start=start, bitrate=bitrate, seconds=seconds, listen_s=LISTEN_S
    )
    found = overview(readings)
    show(found, TANK_KEYS, format, lambda console: print_tanks(console, found, units), "no tank was heard")


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

    begin, end = moment(since, "--since"), moment(until, "--until")
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
    show(found, FLOW_KEYS, format, lambda console: print_flows(console, found, units), "no fill or drain was found")
