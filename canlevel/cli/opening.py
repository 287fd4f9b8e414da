"""Opening what a command reads, with what is shown and told meanwhile: a SOURCE or a store, Ctrl-C, progress, notes."""

from __future__ import annotations

import signal
import sys
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from canlevel.cli.interrupts import interrupts
from canlevel.cli.options import INTERRUPTED, moment
from canlevel.errors import QueryError
from canlevel.words import counted

if TYPE_CHECKING:
    import pyarrow as pa

    from canlevel.capture.source import Source
    from canlevel.capture.tally import Tally
    from canlevel.diagnosis import Examination, Heard
    from canlevel.pipeline import Decoding
    from canlevel.reporting.gather import HeardSource
    from canlevel.roster import Roster, TankEntry

__all__ = [
    "Ending",
    "Notes",
    "examined",
    "flows_of_store",
    "heard_for_report",
    "levels_lately",
    "one_of",
    "progress_bar",
    "readings_and_flows",
    "readings_of",
    "readings_of_source",
    "stopping",
    "tell_skipped",
]

PICTURE_DAYS = 3  # of a store's levels that are shown beside its flows: seven tanks take half a second
REPORT_S = 60.0  # how long a report listens to a live bus: as long as `explain`


def examined(
    source: list[str],
    listen_s: float,
    *,
    roster: Path | None,
    dbc: list[Path] | None,
    start: str | None,
    bitrate: int,
    seconds: float | None,
    ask: bool,
    levels: bool,
) -> Heard:
    """A SOURCE heard to its end, or for a while."""
    from canlevel.capture.source import is_live
    from canlevel.diagnosis import open_examination

    if seconds is None and any(is_live(word) for word in source):
        seconds = listen_s
        print(f"listening for {listen_s:.0f} s; Ctrl-C ends it sooner", file=sys.stderr)
    examination = open_examination(
        source,
        roster=roster,
        dbc=dbc or (),
        start=moment(start, "--start"),
        bitrate=bitrate,
        seconds=seconds,
        ask=ask,
        levels=levels,
    )
    with stopping(examination.source) as ending, progress_bar(examination) as advance:
        heard = examination.run(lambda _: advance())
    tally = examination.source.tally
    for sentence in tally.notes:
        print(f"note: {sentence}", file=sys.stderr)
    tell_skipped(tally)
    ending.leave("interrupted before the end of the recording, so that nothing is said of it")
    return heard


def heard_for_report(
    source: list[str] | None,
    *,
    roster: Path | None,
    dbc: list[Path] | None,
    start: str | None,
    bitrate: int,
    seconds: float | None,
) -> HeardSource | None:
    """A SOURCE heard to its end, or for a while, for a report; None where none was given."""
    if not source:
        return None
    from canlevel.capture.source import is_live
    from canlevel.reporting.gather import open_hearing

    if seconds is None and any(is_live(word) for word in source):
        seconds = REPORT_S
        print(f"listening for {REPORT_S:.0f} s; Ctrl-C ends it sooner", file=sys.stderr)
    hearing = open_hearing(
        source, roster=roster, dbc=dbc or (), start=moment(start, "--start"), bitrate=bitrate, seconds=seconds
    )
    with stopping(hearing.source) as ending, progress_bar(hearing) as advance:
        hearing.run(lambda _: advance())
    for sentence in hearing.source.tally.notes:
        print(f"note: {sentence}", file=sys.stderr)
    tell_skipped(hearing.source.tally)
    ending.leave("interrupted before the end of the recording, so that nothing is written")
    return hearing


def readings_of(
    source: list[str] | None,
    store: Path | None,
    *,
    roster: Path | None,
    dbc: list[Path] | None,
    start: str | None,
    bitrate: int,
    seconds: float | None,
    listen_s: float | None = None,
    need_dates: bool = False,
    tank: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> pa.Table:
    """READINGS of a SOURCE or of a store, whichever was given."""
    in_order(since, until)
    if store is not None:
        from canlevel.recovery import open_whole

        opened = open_whole(store)
        readings = opened.to_arrow(tank=tank, since=since, until=until, in_order=False)
        if tank is not None and not len(readings):
            known_tank(tank, opened.to_arrow(columns=["tank"]))
        if roster is not None:
            from canlevel.roster import load_roster

            readings = load_roster(roster).apply_to_own(readings)
        return readings
    from canlevel.tables import matching

    assert source is not None
    readings, _ = readings_of_source(
        source,
        roster=roster,
        dbc=dbc,
        start=start,
        bitrate=bitrate,
        seconds=seconds,
        listen_s=listen_s,
        need_dates=need_dates,
    )
    if tank is not None:
        known_tank(tank, readings)
    if tank is None and since is None and until is None:
        return readings
    return readings.filter(matching(tank, since, until))


def one_of(source: list[str] | None, store: Path | None, *, words: str) -> None:
    """Raises QueryError unless there is either a SOURCE or a store. words: of a command that takes them."""
    if bool(source) == (store is not None):
        raise QueryError(
            "give a SOURCE or --store, and not both",
            next_step=f"canlevel {words} boat.log, or canlevel {words} --store history",
        )


def readings_of_source(
    source: list[str],
    *,
    roster: Path | Roster | None,
    dbc: list[Path] | None,
    start: str | None,
    bitrate: int,
    seconds: float | None,
    listen_s: float | None,
    need_dates: bool,
    every_frame: bool = False,
    told: Collection[TankEntry] = (),
) -> tuple[pa.Table, int | None]:
    """(READINGS of a SOURCE, the latest time of any of its frames in microseconds, where every_frame asks for it).

    told: entries of the roster of which the caller says itself that they were not heard.
    """
    from canlevel.capture.source import is_live
    from canlevel.pipeline import collect, open_decoding

    limited = seconds is None and listen_s is not None and any(is_live(word) for word in source)
    if limited:
        seconds = listen_s
        print(f"listening for {listen_s:.0f} s", file=sys.stderr)
    decoding = open_decoding(
        source,
        roster=roster,
        dbc=dbc or (),
        start=moment(start, "--start"),
        bitrate=bitrate,
        seconds=seconds,
        need_dates=need_dates,
    )
    notes = Notes(decoding, announced=limited)
    with stopping(decoding.source) as ending, progress_bar(decoding) as advance:
        readings = collect(decoding, lambda _: advance(), every_frame=every_frame)
    notes.finish(summary=False, told=told)
    ending.leave()
    return readings, decoding.heard_until_us


def flows_of_store(store: Path, tank: str | None, since: datetime | None, until: datetime | None) -> pa.Table:
    """The flows of a store, brought up to date."""
    from canlevel.history import stored_flows
    from canlevel.recovery import open_whole

    in_order(since, until)
    opened = open_whole(store)
    found = stored_flows(opened, tank=tank, since=since, until=until)
    if tank is not None and not len(found):
        known_tank(tank, opened.to_arrow(columns=["tank"]))
    return found


def levels_lately(store: Path, tank: str | None, since: datetime | None, until: datetime | None) -> pa.Table:
    """READINGS of a store's last days within the limits, as many as a picture of its flows is made of."""
    from canlevel.recovery import open_whole
    from canlevel.tables import READINGS, empty

    opened = open_whole(store)
    days = [part.parent.name.removeprefix("date=") for part in opened.parts(since, until)]
    if not days:
        return empty(READINGS)
    begin = datetime.fromisoformat(max(days)).replace(tzinfo=UTC) - timedelta(days=PICTURE_DAYS - 1)
    return opened.to_arrow(tank=tank, since=max(begin, since or begin), until=until, in_order=False)


def in_order(since: datetime | None, until: datetime | None) -> None:
    if since is not None and until is not None and since >= until:
        raise QueryError("--since is not before --until", next_step="swap them")


def known_tank(tank: str, readings: pa.Table) -> None:
    known = sorted(set(readings.column("tank").unique().to_pylist()))
    if tank not in known:
        raise QueryError(
            f'there is no tank "{tank}"', next_step=f"use one of: {', '.join(known) or '(none was heard)'}"
        )


def readings_and_flows(
    source: list[str] | None,
    store: Path | None,
    tank: str | None,
    since: str | None,
    until: str | None,
    *,
    roster: Path | None,
    dbc: list[Path] | None,
    start: str | None,
) -> tuple[pa.Table, pa.Table]:
    """READINGS of a SOURCE or a store, and their FLOWS: those of the store where they are its own."""
    from canlevel.derivation.flows import derive_flows

    begin, end = moment(since, "--since"), moment(until, "--until")
    if store is not None and begin is None:
        from canlevel.history import lately
        from canlevel.recovery import open_whole

        begin = lately(open_whole(store), end)
    readings = readings_of(
        source,
        store,
        tank=tank,
        since=begin,
        until=end,
        roster=roster,
        dbc=dbc,
        start=start,
        bitrate=250_000,
        seconds=None,
        need_dates=True,
    )
    if store is not None and roster is None:
        return readings, flows_of_store(store, tank, begin, end)
    return readings, derive_flows(readings)


class Notes:
    """Tells on standard error what the user should know about the input: notes at once, counts at the end."""

    def __init__(
        self, decoding: Decoding, *, announced: bool = False, quiet: bool = False, verbose: bool = False
    ) -> None:
        from canlevel.service import line_writer

        self._decoding = decoding
        self._told = 0
        self._write = line_writer(quiet, verbose, sys.stderr)
        announced |= quiet
        if decoding.source.live and sys.stderr.isatty() and not announced:
            print("listening; Ctrl-C ends", file=sys.stderr)

    def tell(self) -> None:
        tally = self._decoding.tally
        for sentence in tally.notes[self._told :]:
            self._write("info", sentence)
        self._told = len(tally.notes)
        for level, sentence in tally.take_told():
            self._write(level, sentence)

    @property
    def any(self) -> bool:
        """Whether there is something to tell."""
        return len(self._decoding.tally.notes) > self._told or bool(self._decoding.tally.told)

    def finish(self, *, summary: bool, told: Collection[TankEntry] = ()) -> None:
        """summary: also say how much was read when nothing was amiss. told: of whom it is not said here that they were not
        heard."""
        from canlevel.errors import printable

        self.tell()
        decoding, tally = self._decoding, self._decoding.tally
        if not tally.frames and decoding.source.live:
            self._write(
                "info",
                "no frame was heard. Next: check the bit rate (--bitrate), that the network has its supply, "
                "and the two data wires",
            )
        elif not decoding.readings and tally.frames:
            self._write("info", f"no tank level among {counted(tally.frames, 'frame')}")
        elif summary:
            print(f"{counted(tally.frames, 'frame')}, {counted(decoding.readings, 'tank reading')}", file=sys.stderr)
        for entry in decoding.not_heard():
            if entry in told:
                continue
            self._write("info", f'nothing was heard of "{printable(entry.name)}" ({entry.fluid} {entry.instance})')
        if decoding.malformed:
            self._write("info", f"{counted(decoding.malformed, 'tank frame')} too short for the definition")
        tell_skipped(tally)
        if tally.dropped:
            self._write("info", f"the recorder itself lost {counted(tally.dropped, 'frame')}")


def tell_skipped(tally: Tally) -> None:
    """Say how many lines were no frame, and which was the first."""
    from canlevel.errors import printable

    if tally.skipped:
        first, was = tally.first_skipped, "was" if tally.skipped == 1 else "were"
        where = f"; the first is {first}: {printable((first.text or '').strip(), 80)}" if first else ""
        print(
            f"note: {counted(tally.skipped, 'line')} {was} skipped, as no CAN frame could be read there{where}",
            file=sys.stderr,
        )


class Ending:
    """How a command came to its end. A bus or a pipe ends when it is stopped; a file that is stopped was not finished."""

    def __init__(self, source: Source) -> None:
        self._source = source
        self.stopped = False

    def leave(self, note: str = "stopped before the end; the same command again does the rest") -> None:
        """Exit with 130 if a recording was not read to its end, and say what that means."""
        if self.stopped and self._source.progress().total is not None:
            print(f"note: {note}", file=sys.stderr)
            raise typer.Exit(INTERRUPTED)


@contextmanager
def stopping(source: Source) -> Iterator[Ending]:
    """Ctrl-C and SIGTERM end a source in order, with everything written; a second one ends the program."""
    ending = Ending(source)

    def stop(*_: Any) -> None:
        ending.stopped = True
        source.stop()
        for name in handled:
            signal.signal(name, signal.default_int_handler)

    handled = [signal.SIGINT, signal.SIGTERM]
    before = {name: signal.signal(name, stop) for name in handled}
    try:
        if interrupts:
            raise KeyboardInterrupt  # pressed while the source was being opened, and swallowed by what was running then
        yield ending
    finally:
        source.close()
        for name, handler in before.items():
            signal.signal(name, handler)


@contextmanager
def progress_bar(decoding: Decoding | Examination | HeardSource) -> Iterator[Any]:
    """A bar on standard error while files are read; nothing where that is no terminal or the end cannot be known."""
    if not sys.stderr.isatty() or decoding.source.progress().total is None:
        yield lambda: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    with Progress(
        BarColumn(),
        TextColumn("{task.percentage:3.0f} %"),
        TextColumn("{task.fields[speed]}"),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    ) as bar:
        task = bar.add_task("", total=decoding.source.progress().total, speed="")

        def advance() -> None:
            progress = decoding.source.progress()
            elapsed_s = bar.tasks[0].elapsed or 0
            speed = f"{progress.frames / elapsed_s:,.0f} frames/s" if elapsed_s > 0 else ""
            bar.update(task, completed=progress.done, speed=speed)

        yield advance
