"""The words of the command line that several commands share, and what they mean."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from canlevel.errors import QueryError
from canlevel.units import VolumeUnit

__all__ = [
    "BAD_CALL",
    "BAD_NEWS",
    "INTERRUPTED",
    "LISTEN_S",
    "Bitrate",
    "DbcFiles",
    "Format",
    "MaybeSources",
    "RosterFile",
    "Seconds",
    "Since",
    "Sources",
    "Start",
    "StoreFolder",
    "TableFormat",
    "TankId",
    "Units",
    "Until",
    "moment",
    "zone",
]

BAD_NEWS, BAD_CALL, INTERRUPTED = 1, 2, 130
LISTEN_S = 15.0  # how long `tanks` and others listen to a live bus: three times the slowest usual period


class Format(StrEnum):
    """How a table is written."""

    TABLE = "table"
    JSONL = "jsonl"
    CSV = "csv"


Sources = Annotated[
    list[str],
    typer.Argument(metavar="SOURCE...", help="Files, - for standard input, or INTERFACE:CHANNEL.", show_default=False),
]
MaybeSources = Annotated[
    list[str] | None,
    typer.Argument(
        metavar="[SOURCE...]", help="Files, - for standard input, or INTERFACE:CHANNEL.", show_default=False
    ),
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


def zone(name: str | None) -> tzinfo | None:
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


def moment(text: str | None, option: str) -> datetime | None:
    """A date or time as a user writes it; without a zone it is UTC."""
    if text is None:
        return None
    from canlevel.tables import timestamp_us

    try:
        return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=timestamp_us(text))
    except QueryError as error:
        raise QueryError(f"{option}: {error.what}", next_step=f"write it like {option} 2026-05-01T08:00Z") from None
