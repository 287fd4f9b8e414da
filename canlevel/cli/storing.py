"""Commands: log, tidy, service-file. The history being written."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from canlevel.cli.opening import Notes, progress_bar, stopping
from canlevel.cli.options import Bitrate, DbcFiles, RosterFile, Seconds, Sources, Start, moment, zone
from canlevel.cli.program import app
from canlevel.errors import QueryError

if TYPE_CHECKING:
    from canlevel.pipeline import Decoding, LogState

__all__: list[str] = []

Publish = Annotated[
    str | None,
    typer.Option(
        "--publish",
        metavar="URL",
        help="Also send each reading to an MQTT broker: mqtt://[USER@]HOST[:PORT]/TOPIC, or mqtts:// for TLS. A password goes "
        "into the environment, as CANLEVEL_MQTT_PASSWORD.",
        show_default=False,
    ),
]
WORTH_A_SPEED = 100_000  # frames; below that starting up takes longer than reading


@app.command(
    short_help="Append tank readings to a Parquet history.",
    epilog="Example:  canlevel log can.log.gz --store history --roster tanks.toml",
)
def log(
    source: Sources,
    store: Annotated[Path, typer.Option("--store", metavar="DIR", help="The history; made if it is not there.")],
    roster: RosterFile = None,
    vessel: Annotated[
        str | None, typer.Option("--vessel", metavar="NAME", help="Whose tanks these are.", show_default=False)
    ] = None,
    dbc: DbcFiles = None,
    start: Start = None,
    bitrate: Bitrate = 250_000,
    seconds: Seconds = None,
    rvc_zone: Annotated[
        str | None,
        typer.Option(
            "--rvc-zone",
            metavar="ZONE",
            help="Time zone of the clocks on an RV-C bus, e.g. America/Denver, to set a clock that stands in the past.",
            show_default=False,
        ),
    ] = None,
    publish: Publish = None,
    quiet: Annotated[bool, typer.Option("--quiet", help="Only warnings and errors.")] = False,
    verbose: Annotated[bool, typer.Option("--verbose", help="Also what is stored, each time.")] = False,
) -> None:
    """Append the tank readings in SOURCE to a Parquet history. SOURCE may also be another history.

    The same recording twice adds nothing. A live bus is logged until Ctrl-C, through power cuts, full disks and adapters that
    fall off:

    canlevel log socketcan:can0 --store history
    """
    from canlevel.capture.source import is_live
    from canlevel.errors import printable
    from canlevel.pipeline import log_source, open_decoding
    from canlevel.publish import publishing
    from canlevel.storage.store import is_store

    if any(is_store(word) for word in source):
        _take_in(source, store, alone=not (roster or vessel or dbc or start or seconds or rvc_zone), quiet=quiet)
        return
    if quiet and verbose:
        raise QueryError("--quiet and --verbose cannot both be", next_step="leave one out")
    rvc_clocks = zone(rvc_zone)
    decoding = open_decoding(
        source,
        roster=roster,
        vessel=vessel,
        dbc=dbc or (),
        start=moment(start, "--start"),
        bitrate=bitrate,
        seconds=seconds,
        need_dates=True,
        reconnect=True,
    )
    notes = Notes(decoding, quiet=quiet, verbose=verbose)
    several_buses = len(source) > 1 and any(is_live(word) for word in source)
    with stopping(decoding.source) as ending, _log_progress(decoding, notes, quiet=quiet) as on_batch:
        try:
            recorded = decoding.source.progress().total is not None
            with publishing(decoding, publish, decoding.tally.tell, recorded=recorded, by_channel=several_buses):
                summary = log_source(decoding, store, on_batch=on_batch, zone=rvc_clocks)
        finally:
            notes.finish(summary=False)
    if quiet:
        ending.leave()
        return
    worth_telling = summary.frames >= WORTH_A_SPEED and not decoding.source.live
    speed = f", {summary.frames / summary.seconds:,.0f} frames/s" if worth_telling else ""
    print(f"{summary.frames:,} frames{speed}; {summary.readings:,} tank readings")
    lost = f", {summary.lost:,} lost for want of room" if summary.lost else ""
    print(f"{summary.added:,} new in {printable(str(store))}, {summary.known:,} there already or doubled{lost}")
    if summary.known and not summary.added and (roster or vessel):
        print(
            "note: readings that were there already keep the vessel and the names they were stored with",
            file=sys.stderr,
        )
    ending.leave()


def _take_in(source: list[str], store: Path, *, alone: bool, quiet: bool) -> None:
    """`log` of other histories."""
    from canlevel.errors import printable
    from canlevel.joining import join_stores
    from canlevel.storage.store import is_store

    if not alone or not all(is_store(word) for word in source):
        raise QueryError(
            "a history is taken in as it is: without recordings or buses beside it, and without options but --store",
            next_step="do one after the other; canlevel revise then names all of it by a roster",
        )
    joined = join_stores(source, store)
    if not quiet:
        print(f"{joined.added:,} new in {printable(str(store))}, {joined.known:,} there already")


@app.command(
    short_help="Merge the parts of a history's closed days.",
    epilog="Example:  canlevel tidy --store history",
)
def tidy(store: Annotated[Path, typer.Option("--store", metavar="DIR", help="The history.")]) -> None:
    """Merge the parts of each closed day of a history into one sorted file, and move damaged files to DIR/damaged.

    What a logger that was cut off had heard is brought in first. A running logger does all this by itself.
    """
    from canlevel.errors import printable
    from canlevel.recovery import tidy as tidy_path
    from canlevel.show.text import size_text

    recovered, done = tidy_path(store)
    for file, to, why in done.set_aside:
        print(f"note: {printable(str(file))} {why}; it is now {printable(str(to))}", file=sys.stderr)
    if recovered.runs:
        print(f"{recovered.readings:,} readings brought in from the journal")
    if not done.days:
        print("nothing to merge: each closed day is one file")
        return
    days = "1 day" if done.days == 1 else f"{done.days:,} days"
    print(
        f"{done.parts:,} parts merged into {days}: {done.rows:,} rows, "
        f"{size_text(done.bytes_before)} before, {size_text(done.bytes_after)} now"
    )


@app.command(
    "service-file",
    short_help="Print a systemd unit that logs a live bus.",
    epilog="Example:  canlevel service-file socketcan:can0 --store /var/lib/canlevel > canlevel.service",
)
def service_file(
    source: Annotated[
        list[str], typer.Argument(metavar="SOURCE", help="INTERFACE:CHANNEL of live buses.", show_default=False)
    ],
    store: Annotated[Path, typer.Option("--store", metavar="DIR", help="The history.")],
    roster: RosterFile = None,
    user: Annotated[
        str | None, typer.Option("--user", metavar="NAME", help="Who it runs as; else you.", show_default=False)
    ] = None,
    publish: Publish = None,
) -> None:
    """Print an example of a systemd unit that logs a live bus into a store from boot on, and starts again after a failure.

    Nothing is installed: read it, then keep it as its first lines say.
    """
    import getpass

    from canlevel.capture.source import is_live
    from canlevel.publish import broker_of
    from canlevel.service import unit_text

    if publish is not None and broker_of(publish).password is not None:
        raise QueryError(
            "--publish: a unit can be read by anybody, and there is a password in the URL",
            next_step="leave it out; the unit says where it goes",
        )
    for word in source:
        if not is_live(word):
            raise QueryError(
                f"{word} is no live bus", next_step="write it INTERFACE:CHANNEL, for example socketcan:can0"
            )
    name = user
    if name is None:
        with suppress(OSError, KeyError):  # a user that nobody has given a name
            name = getpass.getuser()
    beside = Path(sys.executable).with_name("canlevel")
    program: list[str | Path] = [beside] if beside.exists() else [sys.executable, "-m", "canlevel"]
    group = _device_group(source)
    print(
        unit_text(
            source,
            store=store,
            program=program,
            roster=roster,
            user=None if name == "root" else name,
            group=group,
            publish=publish,
        ),
        end="",
    )


def _device_group(sources: list[str]) -> str | None:
    """The group that may open the serial adapter among SOURCEs, or None without one."""
    import grp

    for word in sources:
        path = word.partition(":")[2].partition(",")[0].partition("@")[0]
        if path.startswith("/dev/"):
            try:
                return grp.getgrgid(Path(path).stat().st_gid).gr_name
            except (OSError, KeyError):
                return "dialout"  # where it is not plugged in; most distributions call it so
    return None


@contextmanager
def _log_progress(decoding: Decoding, notes: Notes, *, quiet: bool) -> Iterator[Any]:
    """What `log` shows while it runs: a bar for files, one quiet line for a bus, nothing where there is no terminal."""
    if decoding.source.progress().total is not None:
        with progress_bar(decoding) as advance:
            yield lambda _: advance()
        return
    line = _StatusLine() if sys.stderr.isatty() and not quiet else None

    def on_batch(state: LogState) -> None:
        if line is not None and notes.any:
            line.clear()
        notes.tell()
        if line is not None:
            line.update(state)

    try:
        yield on_batch
    finally:
        if line is not None:
            line.clear()


class _StatusLine:
    """One line on a terminal, rewritten once a second."""

    def __init__(self) -> None:
        import time

        self._clock = time.monotonic
        self._began = self._due = self._clock()

    def update(self, state: LogState) -> None:
        now = self._clock()
        if now < self._due:
            return
        self._due = now + 1
        per_s = state.progress.frames / max(now - self._began, 1e-3)
        text = f"{state.progress.frames:,} frames ({per_s:,.0f}/s), {state.readings:,} tank readings"
        if state.last is not None and len(state.last):
            from canlevel.errors import printable

            last = state.last.slice(len(state.last) - 1).to_pylist()[0]
            level = "" if last["level_pct"] is None else f" {last['level_pct']:.1f} %"
            text += f", last {printable(last['name'] or last['tank'], 30)}{level}"
        print(f"\r\x1b[K{text}", end="", file=sys.stderr, flush=True)

    def clear(self) -> None:
        print("\r\x1b[K", end="", file=sys.stderr, flush=True)
