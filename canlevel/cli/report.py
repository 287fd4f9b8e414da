"""Command: report. One page that tells an owner and a technician all that is known, and opens without a network."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from canlevel.cli.opening import heard_for_report
from canlevel.cli.options import (
    Bitrate,
    DbcFiles,
    MaybeSources,
    RosterFile,
    Seconds,
    Since,
    Start,
    StoreFolder,
    Units,
    Until,
    moment,
)
from canlevel.cli.program import app
from canlevel.units import VolumeUnit

__all__: list[str] = []


@app.command(
    short_help="Write a report as one page of HTML, to read, mail and print.",
    epilog="Example:  canlevel report boat.log --store history --roster tanks.toml -o report.html",
)
def report(
    source: MaybeSources = None,
    output: Annotated[Path, typer.Option("--output", "-o", metavar="FILE", help="The page.")] = Path("report.html"),
    store: StoreFolder = None,
    since: Since = None,
    until: Until = None,
    roster: RosterFile = None,
    proof: Annotated[
        list[Path] | None,
        typer.Option(
            "--proof",
            metavar="FILE",
            help="A proof as canlevel prove --format json writes it; may be given more than once.",
            show_default=False,
        ),
    ] = None,
    dbc: DbcFiles = None,
    start: Start = None,
    units: Units = VolumeUnit.LITRE,
    bitrate: Bitrate = 250_000,
    seconds: Seconds = None,
) -> None:
    """Write a report as one page of HTML: levels over time, fills and drains, use, leaks, outlook, devices, findings.

    The page holds all it needs and opens without a network, on a phone too; for a PDF, print it from the browser. Of a store
    the last 31 days are told, unless --since says otherwise. Devices and findings come from a SOURCE: with --store as well, all
    else comes from the store.
    """
    from datetime import UTC, datetime

    from canlevel import __version__
    from canlevel.errors import printable
    from canlevel.reporting.gather import gather, source_words
    from canlevel.reporting.page import report_html
    from canlevel.reporting.proofs import load_proof
    from canlevel.reporting.writing import check_writable, write_file
    from canlevel.show.text import size_text
    from canlevel.words import counted

    check_writable(output)
    begin, end = moment(since, "--since"), moment(until, "--until")
    proofs = [load_proof(path) for path in proof or ()]
    hearing = heard_for_report(source, roster=roster, dbc=dbc, start=start, bitrate=bitrate, seconds=seconds)
    gathered = gather(
        hearing=hearing,
        store=store,
        roster=roster,
        since=begin,
        until=end,
        proofs=proofs,
        sources=source_words(source),
        made=datetime.now(UTC),
    )
    page = report_html(gathered, units=units, version=__version__).encode()
    write_file(output, page)
    readings = sum(tank.readings for tank in gathered.tanks)
    print(
        f"{printable(str(output))}: {counted(len(gathered.tanks), 'tank')}, {counted(readings, 'reading')}, "
        f"{size_text(len(page))}",
        file=sys.stderr if str(output) == "/dev/stdout" else sys.stdout,
    )
