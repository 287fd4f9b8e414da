"""Command: prove. Each tank filled and drained, and judged; guided at a bus, or with marks given as times."""

from __future__ import annotations

import json
import sys
import textwrap
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canlevel.cli.opening import progress_bar, stopping, tell_skipped
from canlevel.cli.options import BAD_NEWS, Bitrate, DbcFiles, Seconds, Sources, Start, TankId, Units, moment
from canlevel.cli.program import app
from canlevel.cli.screen import print_lines, screen_width, text_width
from canlevel.errors import CaptureError, QueryError
from canlevel.units import VolumeUnit

if TYPE_CHECKING:
    import pyarrow as pa

    from canlevel.diagnosis import Examination, Heard
    from canlevel.guide import Guide
    from canlevel.proving.marks import Mark, WrittenMark

__all__: list[str] = []


class ProofFormat(StrEnum):
    """How a proof is written."""

    TEXT = "text"
    JSON = "json"


UNATTENDED_S = 120.0  # how long a bus is listened to without anybody at the valves
AFTER_LAST_S = 60.0


@app.command(
    short_help="Prove tanks: fill, drain, and judge what the bus says.",
    epilog="Example:  canlevel prove boat.log --roster tanks.toml --tank nmea2000.fresh_water.0 --fill 08:12:30/08:19",
)
def prove(
    source: Sources,
    roster: Annotated[
        Path, typer.Option("--roster", metavar="FILE", help="The tanks that are to be proved.", show_default=False)
    ],
    tank: TankId = None,
    fill: Annotated[
        list[str] | None,
        typer.Option(
            "--fill",
            metavar="[ID=]TIME[/TIME]",
            help="When a tank's fill valve was opened (and closed): a date and time, a time of day, or +SECONDS from the first "
            "frame. May be given more than once.",
            show_default=False,
        ),
    ] = None,
    drain: Annotated[
        list[str] | None,
        typer.Option("--drain", metavar="[ID=]TIME[/TIME]", help="The same of draining.", show_default=False),
    ] = None,
    marks: Annotated[
        Path | None,
        typer.Option(
            "--marks", metavar="FILE", help="Marks from a CSV file: tank,what,opened,closed.", show_default=False
        ),
    ] = None,
    format: Annotated[
        ProofFormat, typer.Option("--format", help="json has everything, times in UTC.")
    ] = ProofFormat.TEXT,
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", metavar="FILE", help="Write the JSON there, too.", show_default=False),
    ] = None,
    rest: Annotated[
        float,
        typer.Option(
            "--rest", metavar="SECONDS", help="Guided: how long to leave a tank alone before and after.", min=1
        ),
    ] = 30.0,
    dbc: DbcFiles = None,
    start: Start = None,
    units: Units = VolumeUnit.LITRE,
    bitrate: Bitrate = 250_000,
    seconds: Seconds = None,
) -> None:
    """Prove each tank of a roster: present, right fluid, one device, steady at rest, rises when filled, falls when drained,
    how far, how fast, how late, its step, its capacity.

    On a live bus you are guided, tank by tank: open a valve and press Enter. For a recording say when, with --fill and --drain.
    Exit code 0 where all are proved (remarks or not), 1 where one is not.
    """
    from canlevel import __version__
    from canlevel.capture.source import is_live
    from canlevel.diagnosis import open_examination
    from canlevel.proof import proof_of
    from canlevel.proving.marks import entry_named, load_marks, parse_mark
    from canlevel.roster import load_roster
    from canlevel.show.proving import proof_lines
    from canlevel.show.rows import json_escaped

    written = [parse_mark(text, "fill") for text in fill or ()] + [parse_mark(text, "drain") for text in drain or ()]
    if marks is not None:
        written += load_marks(marks)
    listed = load_roster(roster)
    if tank is not None:
        entry_named(listed, tank)  # a wrong id is told before anybody opens a valve
    live = any(is_live(word) for word in source)
    guided = live and not written and seconds is None and sys.stdin is not None and sys.stdin.isatty()
    if live and not guided and seconds is None:
        seconds = _long_enough(written)
        print(f"listening for {seconds:.0f} s; Ctrl-C ends it sooner", file=sys.stderr)
    _writable(output)
    examination = open_examination(
        source, roster=listed, dbc=dbc or (), start=moment(start, "--start"), bitrate=bitrate, seconds=seconds
    )
    if guided:
        heard, placed = _guided(examination, tank, rest, units)
        proofs = proof_of(heard, placed, source, version=__version__, tank=tank, units=units)
    else:
        with stopping(examination.source) as ending, progress_bar(examination) as advance:
            heard = examination.run(lambda _: advance())
        ending.leave("interrupted before the end of the recording, so that nothing is proved")
        proofs = proof_of(heard, written, source, version=__version__, tank=tank, units=units)
    for sentence in examination.source.tally.notes:
        print(f"note: {sentence}", file=sys.stderr)
    tell_skipped(examination.source.tally)
    document = proofs.to_dict()
    text = json_escaped(json.dumps(document, ensure_ascii=False, allow_nan=False, indent=2))
    if output is not None:
        output.write_text(text + "\n", encoding="utf-8")
    if format is ProofFormat.JSON:
        print(text)
    else:
        print_lines(proof_lines(document, text_width(), units))
    if not proofs.all_proved:
        raise typer.Exit(BAD_NEWS)


def _long_enough(written: Sequence[WrittenMark]) -> float:
    """How long to listen for marks that are still to come: a minute beyond the last."""
    offsets = [
        time for mark in written for time in (mark.opened, mark.closed) if time is not None and time.startswith("+")
    ]
    last = max((float(time[1:].rstrip("s ")) for time in offsets), default=0.0)
    return last + AFTER_LAST_S if offsets else UNATTENDED_S


def _writable(output: Path | None) -> None:
    """Nobody fills and drains tanks for a file that cannot be written."""
    if output is None:
        return
    if output.is_dir() or not output.absolute().parent.is_dir():
        what = "is a folder" if output.is_dir() else "is in a folder that is not there"
        raise QueryError(f"--output: {output} {what}", next_step="name a file in a folder that is there")
    there = output.exists()
    try:
        with output.open("a", encoding="utf-8"):
            pass
        if not there:
            output.unlink()
    except OSError as error:
        raise QueryError(f"--output: {output} cannot be written ({error.strerror})") from error


def _guided(examination: Examination, tank: str | None, rest_s: float, units: VolumeUnit) -> tuple[Heard, list[Mark]]:
    """A person led from tank to tank, and what was heard meanwhile."""
    import time

    from canlevel.guide import Guide as Led
    from canlevel.keys import Keys, KeyTimes

    guide = Led(examination.roster, tank, rest_s=rest_s, units=units)
    line = _StatusLine()

    def on_frames(frames: pa.Table) -> None:
        readings, host_us, now_s = examination.decoder.decode(frames), round(time.time() * 1e6), time.monotonic()
        line.tell(led(guide, pressed.taken(), readings, host_us=host_us, now_s=now_s), guide.status)
        if guide.done:
            examination.source.stop()

    def on_gone(error: CaptureError) -> bool:
        """Whether there is something to judge: nobody fills and drains a tank again for a plug that came loose at the next."""
        line.tell([], "")
        if guide.marks:
            place = f"{error.where}: " if error.where else ""
            print(f"note: {place}{error.what}; judged is what was heard until then", file=sys.stderr)
        return bool(guide.marks)

    try:
        with Keys() as keys, KeyTimes(keys, time.monotonic) as pressed, stopping(examination.source):
            heard = examination.run(on_frames=on_frames, on_gone=on_gone)
    finally:
        line.tell([], "")  # what is said next begins on a line of its own, also that the bus is gone
    return heard, guide.marks


def led(
    guide: Guide, pressed: Sequence[tuple[str, float]], readings: pa.Table, *, host_us: int, now_s: float
) -> list[str]:
    """What a guide says to keys and to READINGS that came meanwhile. pressed: keys, and when, on the clock of now_s.

    A batch brings the readings of half a second, but a mark is the moment at which its key was pressed.
    """
    said = []
    for key, at_s in pressed:
        guide.hear(readings.slice(0, 0), host_us - round((now_s - at_s) * 1e6))
        said += guide.step([key], at_s)
    guide.hear(readings, host_us)
    return said + guide.step([], now_s)


class _StatusLine:
    """Sentences that stay, and one line below that is rewritten, where there is a terminal."""

    def __init__(self) -> None:
        self._shown, self._width = "", text_width()
        self._rewrites = sys.stderr.isatty()

    def tell(self, sentences: Sequence[str], status: str) -> None:
        status = status[: screen_width() - 1] if self._rewrites else ""
        if not sentences and status == self._shown:
            return
        if self._shown:
            print("\r\x1b[K", end="", file=sys.stderr)
        for sentence in sentences:
            indent = sentence[: len(sentence) - len(sentence.lstrip())]
            print(textwrap.fill(sentence, self._width, subsequent_indent=indent), file=sys.stderr)
        if status:
            print(f"\r\x1b[K{status}", end="", file=sys.stderr)
        sys.stderr.flush()
        self._shown = status
