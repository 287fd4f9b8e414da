"""Command: calibrate. Known amounts poured into a tank, and what it holds at every level."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canlevel.cli.opening import Notes, progress_bar, stopping
from canlevel.cli.options import Bitrate, DbcFiles, RosterFile, Seconds, Start, Units, moment
from canlevel.cli.program import app
from canlevel.cli.screen import print_lines
from canlevel.errors import QueryError
from canlevel.units import VolumeUnit

if TYPE_CHECKING:
    import pyarrow as pa

    from canlevel.derivation.calibration import Calibration
    from canlevel.pipeline import Decoding

__all__: list[str] = []

# Differences between times are all that counts, so that a recording without dates needs none.
SOME_DAY = "2000-01-01T00:00Z"
DANGEROUS = ("fuel", "gasoline", "lpg")
COUNTED_S, ENDS_S = 15.0, 120.0  # a rest that counts as one after a pour; after the last pour, until it ends by itself
UNSEEN_S = 60.0  # at rest, after which a pour may have gone unseen
LATEST_BATCHES = 240  # two minutes, by which a level is seen to rest
MOVED_PCT = 0.3


class Format(StrEnum):
    """How a calibration is written."""

    TEXT = "text"
    JSON = "json"


class Ends(StrEnum):
    """What was in the tank after the last pour."""

    FULL = "full"
    EMPTY = "empty"


class Begins(StrEnum):
    """What was in the tank before the first pour."""

    EMPTY = "empty"
    FULL = "full"
    UNKNOWN = "unknown"


@app.command(
    short_help="Find what a tank holds at each level, from known amounts poured in.",
    epilog="Example:  canlevel calibrate pours.log --tank nmea2000.fresh_water.0 --pour 10 --count 12",
)
def calibrate(
    source: Annotated[
        list[str],
        typer.Argument(metavar="SOURCE", help="Files, - for standard input, or INTERFACE:CHANNEL.", show_default=False),
    ],
    tank: Annotated[
        str, typer.Option("--tank", metavar="ID", help="Which tank, e.g. nmea2000.fresh_water.0.", show_default=False)
    ],
    pours: Annotated[
        str | None,
        typer.Option(
            "--pours",
            metavar="N,N,...",
            help="What was poured, in order: 10,10,7.5 or 2us-gallon,...",
            show_default=False,
        ),
    ] = None,
    pour: Annotated[
        str | None, typer.Option("--pour", metavar="N", help="The same amount each time.", show_default=False)
    ] = None,
    count: Annotated[
        int | None, typer.Option("--count", metavar="N", help="How often --pour.", min=1, max=400, show_default=False)
    ] = None,
    drain: Annotated[bool, typer.Option("--drain", help="The amounts are taken out of a full tank.")] = False,
    begins: Annotated[
        Begins | None,
        typer.Option("--begins", help="The tank before the first pour; with --drain it is full.", show_default="empty"),
    ] = None,
    ends: Annotated[
        Ends | None,
        typer.Option(
            "--ends", help="The last pour filled it to the brim (with --drain: emptied it).", show_default="unknown"
        ),
    ] = None,
    can_error: Annotated[
        float, typer.Option("--can-error", metavar="PERCENT", help="How far the can's mark may be off.", min=0, max=20)
    ] = 1.0,
    source_address: Annotated[
        int | None,
        typer.Option(
            "--source-address",
            metavar="N",
            help="Which device, where several send this tank.",
            min=0,
            max=255,
            show_default=False,
        ),
    ] = None,
    record: Annotated[
        Path | None,
        typer.Option(
            "--record",
            metavar="FILE",
            help="Of a live bus: keep what the tanks send as a candump log, to calibrate again from it.",
            show_default=False,
        ),
    ] = None,
    roster: RosterFile = None,
    write: Annotated[bool, typer.Option("--write", help="Write the tank's entry into --roster.")] = False,
    name: Annotated[
        str | None, typer.Option("--name", metavar="NAME", help="Of the tank, for a new entry.", show_default=False)
    ] = None,
    format: Annotated[
        Format, typer.Option("--format", help="json has everything, in litres and percent.")
    ] = Format.TEXT,
    dbc: DbcFiles = None,
    start: Start = None,
    units: Units = VolumeUnit.LITRE,
    bitrate: Bitrate = 250_000,
    seconds: Seconds = None,
) -> None:
    """Find what a tank holds at each level: pour known amounts, wait after each until the level rests, and say what was poured.

    Of a live bus it leads through the pours; Enter or q ends it. From a recording it is the same. The entry for the roster is
    shown, and written with --write.

    canlevel calibrate slcan:/dev/ttyACM0 --tank rvc.fresh_water.0 --pour 5us-gallon --count 8 --roster tanks.toml
    """
    from canlevel.derivation.calibration import calibrate_levels, series_to_calibrate
    from canlevel.pipeline import collect, open_decoding
    from canlevel.show.calibration import CAUTION, calibration_lines

    amounts = _amounts(pours, pour, count, units)
    start_known = _start_known(begins, drain)
    end_known = _end_known(ends, drain)
    if write and roster is None:
        raise QueryError("--write needs a roster to write into", next_step="add --roster tanks.toml")
    fluid = tank.split(".")[1] if tank.count(".") == 2 else ""
    if fluid in DANGEROUS:
        print(CAUTION, file=sys.stderr)
    there = roster is not None and roster.exists()
    decoding = open_decoding(
        source, roster=roster if there else None, dbc=dbc or (), start=moment(start or SOME_DAY, "--start"),
        bitrate=bitrate, seconds=seconds,
    )  # fmt: skip
    notes = Notes(decoding, announced=True)
    with stopping(decoding.source) as ending, _recorded(decoding, record):
        if decoding.source.live:
            readings = _guided(decoding, notes, tank, source_address, amounts, units, drain=drain)
        else:
            with progress_bar(decoding) as advance:
                readings = collect(decoding, lambda _: advance())
    notes.finish(summary=False)
    ending.leave()
    series = series_to_calibrate(readings, tank, source_address)
    found = calibrate_levels(
        series.seconds, series.level_pct, amounts, drain=drain, start_known=start_known, end_known=end_known,
        can_error=can_error / 100,
    )  # fmt: skip
    if format is Format.JSON:
        import json

        from canlevel.show.calibration import calibration_values
        from canlevel.show.rows import json_escaped

        values = calibration_values(found, tank, series.source_address, series.name)
        print(json_escaped(json.dumps(values, ensure_ascii=False, allow_nan=False, indent=2)))
    else:
        from canlevel.errors import printable

        print_lines(calibration_lines(found, tank, units, name=printable(series.name) if series.name else None))
    _entry(found, tank, series.source_address, roster, name, write=write, pinned=source_address is not None,
           quiet=format is Format.JSON)  # fmt: skip


@contextmanager
def _recorded(decoding: Decoding, record: Path | None) -> Iterator[None]:
    """While it runs, what a live bus says of tanks is added to a file at once: a wrong count costs no second pouring."""
    from canlevel.capture.candump import frames_text
    from canlevel.errors import printable

    if record is None:
        yield
        return
    if not decoding.source.live:
        decoding.source.close()
        raise QueryError("--record is of a live bus; this is a recording already", next_step="leave --record out")
    try:
        file = record.open("x", encoding="utf-8")
    except OSError as error:
        decoding.source.close()
        there = isinstance(error, FileExistsError)
        raise QueryError(
            f"{printable(str(record))}: {'is there already' if there else error.strerror}",
            next_step="name another file for --record",
        ) from None
    with file:

        def keep(frames: pa.Table) -> None:
            file.write(frames_text(frames))
            file.flush()

        decoding.on_frames = keep
        yield


def _amounts(pours: str | None, pour: str | None, count: int | None, units: VolumeUnit) -> tuple[float, ...]:
    from canlevel.errors import printable
    from canlevel.units import amounts_of

    usage = "write --pours 10,10,7.5, or --pour 10 --count 12"
    if (pours is None) == (pour is None) or (pour is None) != (count is None):
        raise QueryError("say what was poured: --pours, or --pour with --count", next_step=usage)
    try:
        if pours is not None:
            return amounts_of(pours, units)
        assert pour is not None
        assert count is not None
        each = amounts_of(pour, units)
    except ValueError as error:
        raise QueryError(
            f"--{'pour' if pours is None else 'pours'}: {printable(str(error))}", next_step=usage
        ) from None
    if len(each) != 1:
        raise QueryError("--pour takes one amount", next_step=usage)
    return each * count


def _start_known(begins: Begins | None, drain: bool) -> bool:
    if begins is (Begins.EMPTY if drain else Begins.FULL):
        raise QueryError(
            f"a tank that begins {begins} cannot be {'drained' if drain else 'filled'}",
            next_step="leave --begins out" if drain else "use --drain for a tank that is emptied",
        )
    return begins is not Begins.UNKNOWN


def _end_known(ends: Ends | None, drain: bool) -> bool:
    if ends is (Ends.FULL if drain else Ends.EMPTY):
        raise QueryError(
            f"a tank that is {'drained' if drain else 'filled'} does not end {ends}",
            next_step=f"write --ends {'empty' if drain else 'full'}, or leave it out",
        )
    return ends is not None


def _guided(
    decoding: Decoding,
    notes: Notes,
    tank: str,
    source_address: int | None,
    amounts: tuple[float, ...],
    units: VolumeUnit,
    *,
    drain: bool,
) -> pa.Table:
    """The readings of a live bus; a technician is led through the pours until Enter, q, Ctrl-C, or the last has rested."""
    import pyarrow as pa

    from canlevel.derivation.calibration import series_to_calibrate
    from canlevel.derivation.plateaus import settled
    from canlevel.keys import Keys
    from canlevel.show.calibration import live_line
    from canlevel.tables import READINGS, empty

    tables: list[pa.Table] = []
    tty = sys.stderr.isatty()
    shown, rested_at, since_s, done, moving, hinted = "", None, 0.0, 0, False, False

    def tell(line: str, *, stays: bool = False, rings: bool = False) -> None:
        nonlocal shown
        if tty:
            # Who pours has both hands full and is not at the screen: the terminal's bell says when it goes on.
            end = ("\a" if rings else "") + ("\n" if stays else "")
            print(f"\r\x1b[K{line}", end=end, file=sys.stderr, flush=True)
        elif stays or line.partition(" (")[0] != shown.partition(" (")[0]:
            print(line, file=sys.stderr, flush=True)
        shown = line

    with Keys() as keys:
        ends = "Enter or q ends, once the level rests after the last pour" if keys.available else "Ctrl-C ends"
        tell(f"wait until the first level is there, then pour; {ends}", stays=True)
        for readings in decoding.batches():
            notes.tell()
            if {"\n", "q", "Q"} & set(keys.pressed()):
                break
            if not len(readings):
                continue
            tables.append(readings)
            try:
                series = series_to_calibrate(pa.concat_tables(tables[-LATEST_BATCHES:]), tank, source_address)
            except QueryError as error:
                tell(f"{error.what}: {error.next_step}" if error.next_step else error.what)
                continue
            now_s, now = series.origin_us / 1e6 + float(series.seconds[-1]), float(series.level_pct[-1])
            level = settled(series.seconds, series.level_pct)
            sign = -1 if drain else 1
            if level is None:
                if not moving:
                    moving, since_s = True, now_s
                state = (
                    f"{'falling' if drain else 'rising'} ({now:.1f} %)"
                    if rested_at is not None
                    else f"waiting ({now:.1f} %)"
                )
                tell(live_line(min(done + 1, len(amounts)), len(amounts), amounts[min(done, len(amounts) - 1)], units, state,
                               drain=drain))  # fmt: skip
                continue
            if moving or not since_s:
                moving, since_s = False, now_s
            rest_s = now_s - since_s
            if rested_at is None:
                rested_at = level
                tell(f"begins at {level:.1f} %: {'take out' if drain else 'pour'} the first", stays=True, rings=True)
            elif sign * (level - rested_at) > MOVED_PCT and rest_s >= COUNTED_S - 10 and done < len(amounts):
                done += 1
                rested_at = level
                said = live_line(done, len(amounts), amounts[done - 1], units, f"settled at {level:.1f} %", drain=drain)
                tell(said + ("; next" if done < len(amounts) else "; that was the last: Enter ends"), stays=True,
                     rings=True)  # fmt: skip
            if done >= len(amounts):
                tell(f"all seen; resting at {level:.1f} % ({rest_s:.0f} s); ends by itself after {ENDS_S:.0f} s")
                if rest_s >= ENDS_S:
                    break
            else:
                if rest_s >= UNSEEN_S and not hinted:
                    hinted = True
                    tell(
                        "a coarse sender does not show every pour: go on pouring and waiting, end after the last",
                        stays=True,
                    )
                tell(live_line(done + 1, len(amounts), amounts[done], units, f"now; resting at {level:.1f} % ({rest_s:.0f} s)",
                               drain=drain))  # fmt: skip
    if tty:
        print(file=sys.stderr)
    decoding.source.close()
    return pa.concat_tables(tables).unify_dictionaries().combine_chunks() if tables else empty(READINGS)


def _entry(
    found: Calibration,
    tank: str,
    source_address: int,
    roster: Path | None,
    name: str | None,
    *,
    write: bool,
    pinned: bool,
    quiet: bool,
) -> None:
    """Show the tank's entry for the roster, or what would change in it; write it where that was asked for."""
    from canlevel.errors import printable
    from canlevel.roster import TankEntry
    from canlevel.rosterfile import changed_roster, entry_text

    protocol, fluid, instance = tank.split(".")
    facts = TankEntry(
        name=name or f"{fluid.replace('_', ' ').capitalize()} {instance}",
        fluid=fluid,
        instance=int(instance),
        protocol=protocol,
        capacity_l=found.capacity_l,
        shape=found.roster_shape,
    )
    out = sys.stderr if quiet else sys.stdout
    if roster is None:
        if not quiet:
            print("\nFor the roster:\n")
            print(entry_text(facts, source_address if pinned else None), end="")
        return
    change = changed_roster(roster, tank, source_address, facts, pinned=pinned)
    lines = change.diff()
    print("\n" + "\n".join(lines) if lines else "\nthe roster says so already", file=out)
    if write and lines:
        change.write()
        print(f"\nwritten to {printable(str(roster))}", file=out)
    elif lines:
        print(f"\nnothing is written yet: add --write to change {printable(str(roster))}", file=out)
