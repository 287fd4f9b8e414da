"""Command: plot. Levels over time as a picture in a file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from canlevel.cli.opening import heard_for_report, one_of
from canlevel.cli.options import (
    Bitrate,
    DbcFiles,
    MaybeSources,
    RosterFile,
    Seconds,
    Since,
    Start,
    StoreFolder,
    TankId,
    Until,
    moment,
)
from canlevel.cli.program import app

__all__: list[str] = []


@app.command(
    short_help="Draw levels over time into a file, .svg or .png.",
    epilog="Example:  canlevel plot --store history -o levels.svg",
)
def plot(
    source: MaybeSources = None,
    output: Annotated[
        Path, typer.Option("--output", "-o", metavar="FILE", help="The picture, .svg or .png by its ending.")
    ] = Path("levels.svg"),
    store: StoreFolder = None,
    tank: TankId = None,
    since: Since = None,
    until: Until = None,
    roster: RosterFile = None,
    dbc: DbcFiles = None,
    start: Start = None,
    bitrate: Bitrate = 250_000,
    seconds: Seconds = None,
) -> None:
    """Draw the levels of all tanks, one below the other, with fills and drains marked and outages shaded.

    Of a store the last 31 days are drawn, unless --since says otherwise.
    """
    from datetime import UTC, datetime

    from canlevel.errors import printable
    from canlevel.reporting.gather import gather
    from canlevel.reporting.pictures import plot_levels
    from canlevel.reporting.writing import check_writable
    from canlevel.words import counted

    check_writable(output)
    one_of(source, store, words="plot")
    begin, end = moment(since, "--since"), moment(until, "--until")
    hearing = heard_for_report(source, roster=roster, dbc=dbc, start=start, bitrate=bitrate, seconds=seconds)
    gathered = gather(
        hearing=hearing,
        store=store,
        roster=roster,
        since=begin,
        until=end,
        tank=tank,
        made=datetime.now(UTC),
        watch=False,
    )
    plot_levels(gathered, output)
    print(f"{printable(str(output))}: {counted(len(gathered.tanks), 'tank')}")
