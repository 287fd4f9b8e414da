"""Commands: explain and devices. What is wrong on a bus, and who is there."""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canlevel.cli.opening import examined
from canlevel.cli.options import (
    BAD_NEWS,
    LISTEN_S,
    Bitrate,
    DbcFiles,
    Format,
    RosterFile,
    Seconds,
    Sources,
    Start,
    TableFormat,
)
from canlevel.cli.program import app
from canlevel.cli.screen import print_lines, screen_height, show, text_width

if TYPE_CHECKING:
    from rich.console import Console

__all__: list[str] = []

EXPLAIN_S = 60.0  # how long `explain` listens to a live bus: long enough to tell a rhythm


class Report(StrEnum):
    """How an explanation is written."""

    TEXT = "text"
    JSON = "json"


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

    heard = examined(
        source, EXPLAIN_S, roster=roster, dbc=dbc, start=start, bitrate=bitrate, seconds=seconds, ask=False, levels=True
    )
    explanation = heard.explain()
    if format is Report.JSON:
        print(json_escaped(json.dumps(explanation.to_dict(), ensure_ascii=False, allow_nan=False, indent=2)))
    else:
        first, *others = source
        title = "standard input" if first == "-" else first if is_live(first) else Path(first).name
        title += f" and {len(others)} more" if others else ""
        print_lines(explanation_lines(explanation.to_dict(), title, text_width(), screen_height()))
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
    heard = examined(
        source, LISTEN_S, roster=roster, dbc=dbc, start=start, bitrate=bitrate, seconds=seconds, ask=ask, levels=False
    )
    found = heard.devices()

    def show_lines(_: Console) -> None:
        print_lines(device_lines(plain_rows(found), heard.heard_words(), text_width()))

    show(found, tuple(found.column_names), format, show_lines, "no device was heard")
