"""Writing to standard output: how wide, in which format, tables and lines."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable, Generator, Iterable
from typing import TYPE_CHECKING, TextIO

from canlevel.cli.options import Format
from canlevel.units import VolumeUnit

if TYPE_CHECKING:
    import pyarrow as pa
    from rich.console import Console
    from rich.table import Table

__all__ = [
    "csv_for_screen",
    "fits",
    "print_flows",
    "print_lines",
    "print_pieces",
    "print_plain",
    "print_tanks",
    "screen",
    "screen_height",
    "screen_width",
    "show",
    "text_width",
    "write_lines",
]


def print_lines(lines: list[tuple[str, str]]) -> None:
    """Lines, each with its style."""
    from rich.text import Text

    console = screen()
    for style, line in lines:
        console.print(Text(line, style=style), soft_wrap=True)


def print_plain(lines: Iterable[str]) -> None:
    """Lines as they are, without colour."""
    for line in lines:
        print(line)


def text_width() -> int:
    """Columns of running text: what is pleasant to read, and into a file or a pipe what every screen has."""
    return min(screen_width(), 110) if sys.stdout.isatty() else 80


def screen_height() -> int | None:
    """Rows of the screen, with room for the prompt; none into a file or a pipe."""
    return shutil.get_terminal_size().lines - 2 if sys.stdout.isatty() else None


def write_lines(lines: Generator[str, None, str], out: TextIO) -> str:
    """Write what a generator yields, a line each; returns what it returns."""
    while True:
        try:
            out.write(next(lines) + "\n")
        except StopIteration as end:
            return str(end.value)


def csv_for_screen(text: str) -> str:
    """CSV for standard output: as it is, but on a terminal nothing may drive it."""
    if not sys.stdout.isatty():
        return text
    from canlevel.show.rows import terminal_text

    return terminal_text(text)


def show(
    found: pa.Table, keys: tuple[str, ...], format: Format, show_table: Callable[[Console], None], nothing: str
) -> None:
    """Write a table in a format: `keys` of it as data, or for people by show_table; `nothing` is said of an empty one."""
    from canlevel.show.rows import csv_head, csv_lines, json_lines

    if format is Format.JSONL:
        sys.stdout.write(json_lines(found, keys))
    elif format is Format.CSV:
        sys.stdout.write(csv_for_screen(csv_head(keys) + csv_lines(found, keys)))
    elif len(found):
        show_table(screen())
    if not len(found):
        print(nothing, file=sys.stderr)


def print_tanks(console: Console, tanks: pa.Table, units: VolumeUnit) -> None:
    """OVERVIEW as a table where it fits, else as lines."""
    from canlevel.show.text import tanks_lines, tanks_table

    table = tanks_table(tanks, units)
    if fits(console, table):
        console.print(table)
    else:
        print("\n".join(tanks_lines(tanks, units, console.width)))


def print_pieces(lines: Iterable[list[tuple[str, str]]]) -> None:
    """Lines, each of pieces with a style of their own."""
    from rich.text import Text

    console = screen()
    for pieces in lines:
        console.print(Text.assemble(*((text, style) for style, text in pieces)), soft_wrap=True)


def print_flows(console: Console, flows: pa.Table, units: VolumeUnit) -> None:
    """FLOWS as a table; on a narrow screen without intervals, and one for each vessel."""
    from canlevel.errors import printable
    from canlevel.show.text import flows_table
    from canlevel.words import NO_VESSEL

    table = flows_table(flows, units)
    if fits(console, table):
        console.print(table)
        return
    vessels = flows.column("vessel").to_pylist()
    names = sorted(set(vessels), key=lambda name: name or "")
    for name in names:
        if len(names) > 1:
            print(f"{printable(name or NO_VESSEL)}:")
        console.print(flows_table(flows.filter([vessel == name for vessel in vessels]), units, narrow=True))


def fits(console: Console, table: Table) -> bool:
    """Whether a table has room on the screen."""
    return console.measure(table, options=console.options.update(width=1000)).maximum <= console.width


def screen_width() -> int:
    """Columns to write in. Into a file or a pipe a table is as wide as it needs to be."""

    return shutil.get_terminal_size().columns if sys.stdout.isatty() else 160


def screen() -> Console:
    """Standard output for rich."""
    from rich.console import Console

    return Console(width=screen_width())
