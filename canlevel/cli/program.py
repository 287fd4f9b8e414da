"""The program as typer sees it; the commands of the modules beside it hang themselves on it."""

from __future__ import annotations

import typer

__all__ = ["app"]

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
