"""Commands: revise. The history derived anew by another roster."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canlevel.cli.options import Since, Units, Until, moment
from canlevel.cli.program import app
from canlevel.cli.screen import screen_width
from canlevel.units import VolumeUnit

if TYPE_CHECKING:
    from canlevel.revision import RevisedTank, Revision

__all__: list[str] = []

MOST_VALUES = 4  # names or capacities that are listed


@app.command(
    short_help="Derive a history anew with another roster.",
    epilog="Example:  canlevel revise --store history --roster tanks.toml --dry-run",
)
def revise(
    store: Annotated[Path, typer.Option("--store", metavar="DIR", help="The history.")],
    roster: Annotated[Path, typer.Option("--roster", metavar="FILE", help="The right one.")],
    since: Since = None,
    until: Until = None,
    vessel: Annotated[
        str | None,
        typer.Option("--vessel", metavar="NAME", help="Only the readings stored under this name.", show_default=False),
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show what would change, and change nothing.")] = False,
    units: Units = VolumeUnit.LITRE,
) -> None:
    """Derive names, capacities, volumes, rates and flows of a history anew, as if it had been logged with this roster.

    What was received stays as it is: times, channels, tanks, sources, levels, status. No logger may be at work meanwhile.
    When it is interrupted, the same command again does the rest.
    """
    from canlevel.revision import revise_store

    begin, end = moment(since, "--since"), moment(until, "--until")
    with _progress() as on_day:
        try:
            done = revise_store(store, roster, since=begin, until=end, vessel=vessel, dry_run=dry_run, on_day=on_day)
        except KeyboardInterrupt:
            print("note: stopped before the end; the same command again does the rest", file=sys.stderr)
            raise
    _show(done, units)


def _show(done: Revision, units: VolumeUnit) -> None:
    from textwrap import fill

    from canlevel.errors import printable
    from canlevel.words import counted

    if done.recovered.runs:
        print(f"{done.recovered.readings:,} readings brought in from the journal")
    for file, to, why in done.set_aside:
        print(f"note: {printable(str(file))} {why}; it is now {printable(str(to))}", file=sys.stderr)
    for tank in done.tanks:
        print(f"{tank.tank}, source {tank.source_address}: {counted(tank.readings, 'reading')} of {_days(tank.days)}")
        print(
            fill(
                _told(tank, units), screen_width(), initial_indent="  ", subsequent_indent="  ", break_long_words=False
            )
        )
    would = "would change" if done.dry_run else "changed"
    if done.changed:
        print(f"{counted(done.readings, 'reading')}, {done.changed:,} {would}, on {_days(done.days)}")
        if not done.dry_run:
            print(f"flows of {_days(done.flow_days)} derived anew")
    else:
        print(
            f"nothing to change: {counted(done.readings, 'reading')} on {_days(done.days_alike)}, as this roster has them"
        )
    for name in done.not_known:
        print(
            f"note: {name} keeps the capacity that is stored: the roster tells none, and what the device said was not noted "
            "when it was stored",
            file=sys.stderr,
        )
    if done.unfinished:
        print(
            "note: an earlier revision was cut off, and this one did not go over all that it was to; without --since, --until "
            "and --vessel it does",
            file=sys.stderr,
        )


def _told(tank: RevisedTank, units: VolumeUnit) -> str:
    """What changed of a tank, in words."""
    from canlevel.errors import printable

    def listed(values: list[Any]) -> str:
        some = [_value(value, units) for value in values[:MOST_VALUES]]
        return printable(", ".join(some + (["…"] if len(values) > MOST_VALUES else [])))

    told = []
    for what, (before, after), unit in (
        ("vessel", tank.vessels, ""),
        ("name", tank.names, ""),
        ("capacity", tank.capacities_l, f" {units.symbol}"),
    ):
        if what in tank.changed:
            told.append(f"{what} {listed(before)} → {listed(after)}{unit}")
    rest = [what for what in tank.changed if what in ("volume", "rates")]
    if rest:
        told.append(" and ".join(rest) + (" anew" if told else " anew, by its shape" if "volume" in rest else " anew"))
    return "; ".join(told)


def _value(value: str | float | None, units: VolumeUnit) -> str:
    if value is None:
        return "(none)"
    return value if isinstance(value, str) else f"{units.from_litres(value):.6g}"


def _days(n: int) -> str:
    return "1 day" if n == 1 else f"{n:,} days"


@contextmanager
def _progress() -> Iterator[Any]:
    """A bar on standard error, day by day; nothing where that is no terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (BarColumn(), TextColumn("{task.completed} of {task.total} days"), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=None)
        yield lambda done, of: bar.update(task, completed=done, total=of)
