"""SOURCE: files, standard input or live buses as one stream of frame batches.

What comes in: the words a user gives as SOURCE. What goes out: FRAMES tables, in time order over several files, the same
from a recording and from a bus, and a Tally of what was counted on the way.
"""

from __future__ import annotations

import io
import os
import select
import stat
import sys
import time
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Protocol, cast

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.capture.candump import Block, frames_table
from canlevel.capture.events import Event
from canlevel.capture.files import Kind, Opened, kind_of_stream, open_recording, unreadable
from canlevel.capture.lines import CANDUMP, CSV
from canlevel.capture.pieces import workers
from canlevel.capture.tally import Tally
from canlevel.capture.text import TextRecording
from canlevel.errors import CaptureError, NoFramesError, Place
from canlevel.identifier import carries
from canlevel.tables import EARLIEST_DATE_US, UNKNOWN_TIME_US, rows_at, time_column, times_us, timestamp_us

if TYPE_CHECKING:
    from canlevel.capture.live import BusAddress

__all__ = ["GIVE_START", "Progress", "Source", "asked_for", "is_live", "open_source"]

FIRST_LOOK = 64 * 1024
COPIED = 1024 * 1024
POLL_S = 0.05
STANDARD_INPUT = "standard input"
_TEXT_FORMATS = {Kind.TEXT: CANDUMP, Kind.CSV: CSV}
GIVE_START = "give the start, for example --start 2026-05-01T08:00Z, or record again with absolute times (candump -l)"
# Times of which more than this part fall are differences, not times that count from zero.
MOST_FALLING, FEWEST_FALLS = 0.25, 3
MARK_TIME = "record again with time stamps (candump -l, or candump -t a)"


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a reading has come: bytes read and in all (None where that cannot be known), frames so far."""

    done: int
    total: int | None
    frames: int


class Source(Protocol):
    """An open SOURCE."""

    tally: Tally
    live: bool  # a bus: it ends when it is stopped, not by itself
    several: bool  # more than one recording, which may overlap

    def batches(self, pgns: Collection[int] | None = None) -> Iterator[pa.Table]:
        """FRAMES tables until the recording ends or the source is stopped; some may be empty.

        pgns: hand out plain data frames with these PGNs only; the rest of the bus is counted and not read any further than
        that takes. A live bus yields a table twice a second, whatever came, and no table mixes two settings of the host's
        clock.
        """

    def events(self) -> list[Event]:
        """What happened since the last call, in its order, for a call after each batch; nothing ever happens to recordings.

        A batch that was handed out before a ClockSet is on the setting before it, one after it on the new one.
        """

    def progress(self) -> Progress:
        """How far it has come."""

    def stop(self) -> None:
        """End the batches soon and in order. May be called from a signal handler."""

    def close(self) -> None:
        """Let files and adapters go."""


def open_source(
    sources: str | Path | Iterable[str | Path],
    *,
    start: datetime | str | None = None,
    bitrate: int = 250_000,
    seconds: float | None = None,
    need_dates: bool = False,
    leniently: bool = False,
    ask: bool = False,
    reconnect: bool = False,
) -> Source:
    """Open one or more SOURCEs: files, "-" for standard input, or INTERFACE:CHANNEL for live buses.

    start: date and time at which a recording began whose times count from zero (naive means UTC). bitrate: of a live bus,
    bit/s. seconds: stop listening to a live bus or standard input after so long. need_dates: refuse frames whose date is
    not known instead of giving them a null time. leniently: for whoever asks what is wrong: a recording without a frame is
    no error, and times that count from zero are left as they are, in the first hours of 1970. ask: send each live bus one
    request for address claims and one for product information; without it nothing is ever sent. reconnect: a live bus that
    goes away once it was open does not end the batches but is opened anew until it is back, and the others go on meanwhile;
    events() tells of it.
    Raises CaptureError for what cannot be opened.
    """
    words = [sources] if isinstance(sources, str | Path) else list(sources)
    if not words:
        raise CaptureError("no source given", next_step="name a file, - for standard input, or INTERFACE:CHANNEL")
    if "" in words:
        raise CaptureError("an empty word names no source", next_step="name a file, - or INTERFACE:CHANNEL")
    clock = _Clock(None if start is None else timestamp_us(start), need_dates, keep_undated=leniently)
    addresses = [_live_address(word) for word in words]
    live = [address for address in addresses if address is not None]
    if live and len(live) < len(words):
        raise CaptureError("live buses and recordings cannot be read in one call", next_step="use two calls")
    if live:
        from canlevel.capture.buses import Buses  # python-can is heavy, and recordings do not need it

        return Buses(live, bitrate=bitrate, seconds=seconds, ask=ask, reconnect=reconnect)
    if ask:
        raise CaptureError("a recording cannot be asked", next_step="ask a live bus, INTERFACE:CHANNEL")
    pipes = [word for word in words if str(word) == "-" or _is_pipe(Path(word))]
    if pipes:
        if len(words) > 1:
            raise CaptureError("a pipe cannot be read together with other sources", next_step="use two calls")
        return _Pipe(None if str(words[0]) == "-" else Path(words[0]), clock, seconds=seconds)
    files = _Files([Path(word) for word in words], clock, empty_too=leniently)
    if seconds is not None:
        files.tally.note(
            "a recording is read to its end: --seconds is how long to listen to a live bus or standard input"
        )
    return files


def _exists(path: Path) -> bool:
    try:
        return path.exists()
    except (OSError, ValueError):  # a folder on the way may not be looked into
        return False


def _is_pipe(path: Path) -> bool:
    """Whether a path is a named pipe or a terminal, which can be read only once and from the start: <(zcat boat.log.gz)."""
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError):
        return False
    return stat.S_ISFIFO(mode) or stat.S_ISCHR(mode)


def is_live(word: str | Path) -> bool:
    """Whether a SOURCE is written like a live bus."""
    return _live_address(word) is not None


def _live_address(word: str | Path) -> BusAddress | None:
    if isinstance(word, Path) or ":" not in word:
        return None
    if _exists(Path(word)):
        return None
    head = word.partition(":")[0]
    # "C:\boat.log" and "./a:b.log" are paths; an interface is a plain word of more than one letter.
    if len(head) < 2 or not head.replace("_", "").isalnum():
        return None
    if Path(word).suffix.lower() in (".log", ".gz", ".asc", ".blf", ".trc", ".csv", ".mf4", ".db", ".txt"):
        return None
    from canlevel.capture.live import bus_address  # python-can is heavy, and recordings do not need it

    return bus_address(word)


class _Clock:
    """Turns times as written into dates: dated ones stay, those that count from zero begin at `start_us`."""

    def __init__(self, start_us: int | None, need_dates: bool, *, keep_undated: bool) -> None:
        self._start_us = start_us
        self._need_dates = need_dates
        self._keep_undated = keep_undated

    def settle(self, block: Block, place_at: Callable[[int], Place], tally: Tally) -> NDArray[np.int64]:
        """(n,) microseconds since 1970 UTC, UNKNOWN_TIME_US where the date is not known (or CaptureError, if needed)."""
        time_us = block.time_us
        # Comparing with the earliest date finds both kinds: UNKNOWN_TIME_US is the smallest integer of all.
        undated = time_us < EARLIEST_DATE_US
        if not undated.any():
            return time_us
        unmarked = time_us == UNKNOWN_TIME_US
        if self._keep_undated and self._start_us is None:
            tally.undated += int((undated & ~unmarked).sum())
            if not unmarked.any():
                return time_us
            undated = unmarked
        time_us = time_us.copy()
        if self._start_us is not None:
            counted = undated & ~unmarked
            falls = np.diff(time_us[counted]) < 0
            if len(falls) >= FEWEST_FALLS and falls.mean() > MOST_FALLING:
                raise CaptureError(
                    "its times fall as often as they rise: they look like the time since the frame before (candump -t d)",
                    where=place_at(int(block.line[int(np.argmax(counted))])),
                    next_step=MARK_TIME,
                )
            time_us[counted] += self._start_us
            undated = unmarked
            if not undated.any():
                return time_us
        first = int(np.argmax(undated))
        line = int(block.line[first])
        if unmarked[first]:
            what, next_step = "no time stamps: when a frame was on the bus is unknown", MARK_TIME
        else:
            seconds = int(block.time_us[first]) / 1e6
            what = f"time ({seconds:.6f}) counts from the start of the recording"
            next_step = GIVE_START
        if self._need_dates:
            what += "; readings need date and time of day"
            raise CaptureError(what, where=place_at(line), next_step=next_step)
        if not tally.undated:  # said once, not for every batch
            tally.note(f"{place_at(line)}: {what}, so the time stays empty. Next: {next_step}")
        tally.undated += int(undated.sum())
        time_us[undated] = UNKNOWN_TIME_US
        return time_us


def asked_for(block: Block, pgns: Collection[int] | None) -> Block:
    """The frames of a block that carry one of the PGNs, or all of it where none are told."""
    if pgns is None:
        return block
    keep = carries(block.identifier, block.flags, pgns)
    return block if keep.all() else block.rows(keep)


@dataclass(slots=True)
class _Channels:
    """Codes of channel names for messages of python-can, which name channels by word, number or not at all."""

    words: list[str | None]
    codes: dict[Any, int]

    def code(self, channel: Any) -> int:
        code = self.codes.get(channel)
        if code is None:
            code = self.codes[channel] = len(self.words)
            self.words.append(None if channel is None else str(channel))
        return code


class _File:
    """One recording as batches with settled times."""

    def __init__(self, path: Path, clock: _Clock, tally: Tally, name: str | None = None) -> None:
        self.name = name or str(path)
        self.opened: Opened | None = None
        self._path, self._clock, self._tally = path, clock, tally
        self.read_bytes = 0

    def batches(self, pgns: Collection[int] | None = None, *, first_look: bool = False) -> Iterator[pa.Table]:
        """Frames of the whole file, or in small batches for a first look; some may be empty."""
        opened = self.opened = open_recording(self._path, self.name)
        before, skipped = self._tally.frames, self._tally.skipped
        try:
            for block, channels in self._blocks(opened, pgns, first_look):
                block.time_us = self._clock.settle(block, self._place_at, self._tally)
                block = asked_for(block, pgns)
                yield frames_table(block, channels, time_column(block.time_us))
            fault = opened.fault()
        finally:
            self.read_bytes = opened.size
            opened.close()
        frames = self._tally.frames - before
        if fault is not None and frames:
            self._tally.note(
                f"{self.name}: its {opened.packing} data is cut short or damaged ({fault}); "
                f"the {frames:,} frames before that point were read"
            )
        if not frames:
            nothing = fault is None and self._tally.skipped == skipped
            broken = f", and its {opened.packing} data is cut short or damaged ({fault})" if fault is not None else ""
            raise (NoFramesError if nothing else CaptureError)(
                f"holds no CAN frame that can be read as {opened.kind}{broken}",
                where=Place(self.name),
                next_step="check that it is a recording: candump text, ASC, BLF, TRC, CSV, MF4 or SQLite, also compressed",
            )

    def _blocks(
        self, opened: Opened, pgns: Collection[int] | None, first_look: bool
    ) -> Iterator[tuple[Block, Sequence[str | None]]]:
        if opened.kind in _TEXT_FORMATS:
            text = TextRecording(
                self.name,
                cast(Any, opened.stream),
                self._tally,
                wanted=pgns,
                threads=1 if first_look else workers(),
                piece=FIRST_LOOK if first_look else None,
                text_format=_TEXT_FORMATS[opened.kind],
            )
            return ((block, text.channels) for block in text.blocks())
        if opened.kind == Kind.MF4:
            return self._mf4(opened, pgns)
        return self._messages(opened, pgns)

    def _mf4(self, opened: Opened, pgns: Collection[int] | None) -> Iterator[tuple[Block, Sequence[str | None]]]:
        import tempfile

        from canlevel.capture.mf4 import Mf4Error, mf4_text

        before = self._tally.frames
        with tempfile.TemporaryDirectory(prefix="canlevel-") as scratch:
            pieces = _Pieces(mf4_text(opened.plain_file(Path(scratch)), self.name))
            text = TextRecording(self.name, pieces, self._tally, wanted=pgns)
            try:
                for block in text.blocks():
                    yield block, text.channels
            except Mf4Error as error:
                frames = self._tally.frames - before
                if not frames:
                    raise unreadable(opened, str(error)) from error
                self._tally.note(f"{self.name}, after frame {frames}: the rest cannot be read ({error})")

    def _messages(self, opened: Opened, pgns: Collection[int] | None) -> Iterator[tuple[Block, Sequence[str | None]]]:
        from canlevel.capture.messages import read_messages  # text does not need it

        channels, tally = _Channels([], {}), self._tally

        def on_skipped(line: int, text: str) -> None:
            tally.skipped += 1
            tally.first_skipped = tally.first_skipped or Place(self.name, line, text)

        def on_fault(why: str, frames: int) -> None:
            tally.note(f"{self.name}, after frame {frames}: {why}; what came before it was read")

        for block, frames in read_messages(opened, channels.code, on_skipped, on_fault, pgns):
            tally.frames += frames
            if len(block.line):
                yield block, channels.words

    def _place_at(self, line: int) -> Place:
        """Where a line, or a frame of what is no text, stands; with its text, where that is quickly found."""
        if self.opened is None or self.opened.kind not in _TEXT_FORMATS:
            return Place(self.name, line, unit="frame")
        if not self.opened.packing and self._path.is_file():
            with self._path.open("rb") as file:
                for number, text in enumerate(file, 1):
                    if number == line:
                        return Place(self.name, line, text[:200].decode("utf-8", "replace"))
        return Place(self.name, line)


class _Pieces:
    """Bytes that come in pieces of their own, as a stream that fills a buffer."""

    def __init__(self, pieces: Iterator[bytes]) -> None:
        self._pieces = pieces
        self._rest = b""

    def readinto(self, buffer: memoryview, /) -> int:
        """Fill what one piece fills; 0 at the end."""
        while not self._rest:
            piece = next(self._pieces, None)
            if piece is None:
                return 0
            self._rest = piece
        n = min(len(buffer), len(self._rest))
        buffer[:n] = self._rest[:n]
        self._rest = self._rest[n:]
        return n


@dataclass(slots=True)
class _Head:
    """The next frames of one file among several. key_us: (n,) the latest time in the file so far, by which files are merged."""

    table: pa.Table
    key_us: NDArray[np.int64]


class _Files:
    """Recordings, in the order of their times."""

    live = False

    def __init__(self, paths: Sequence[Path], clock: _Clock, *, empty_too: bool = False) -> None:
        self.tally = Tally()
        self.several = len(paths) > 1
        self._stopped = False
        self._files: list[_File] = []
        self._total = 0
        # Every file is opened once before anything is read, so that a wrong name is told at once.
        self._first_us = []
        for path in paths:
            try:
                opened = open_recording(path)
                opened.close()
                self._first_us.append(_first_time_us(path, clock) if len(paths) > 1 else 0)
            except NoFramesError as error:
                if not empty_too:
                    raise
                if self.several:
                    self.tally.note(f"{error.where}: {error.what}")
                continue
            self._total += opened.size
            self._files.append(_File(path, clock, self.tally))

    def batches(self, pgns: Collection[int] | None = None) -> Iterator[pa.Table]:
        """FRAMES of all files in the order of their times; see Source."""
        if len(self._files) == 1:
            for table in self._files[0].batches(pgns):
                yield table
                if self._stopped:
                    return
            return
        yield from self._merged(pgns)

    def _merged(self, pgns: Collection[int] | None) -> Iterator[pa.Table]:
        """Batches of all files in time order; a frame out of order in its own file stays where it stands there.

        Files are opened as their time comes, so that a folder of hourly recordings needs two open files, not all.
        """
        waiting = sorted(range(len(self._files)), key=lambda i: (self._first_us[i], i))
        streams: dict[int, Iterator[pa.Table]] = {}
        heads: dict[int, _Head] = {}
        while (waiting or heads) and not self._stopped:
            ends = [(int(head.key_us[-1]), i) for i, head in heads.items()]
            until_us, _ = min(ends, default=(np.iinfo(np.int64).max, -1))
            # Recordings without dates come first, one after the other, as they were named.
            dated = waiting and self._first_us[waiting[0]] != UNKNOWN_TIME_US
            if waiting and (not heads or (dated and self._first_us[waiting[0]] <= until_us)):
                i = waiting.pop(0)
                streams[i] = self._files[i].batches(pgns)
                self._advance(i, streams, heads)
                continue
            parts, keys = [], []
            for i in sorted(heads):
                head = heads[i]
                n = int(np.searchsorted(head.key_us, until_us, side="right"))
                parts.append(head.table.slice(0, n))
                keys.append(head.key_us[:n])
                if n < len(head.key_us):
                    heads[i] = _Head(head.table.slice(n), head.key_us[n:])
                else:
                    self._advance(i, streams, heads)
            table = parts[0] if len(parts) == 1 else pa.concat_tables(parts).unify_dictionaries()
            if sum(len(part) > 0 for part in parts) > 1:
                table = rows_at(table, np.argsort(np.concatenate(keys), kind="stable"))
            yield table

    def _advance(self, i: int, streams: dict[int, Iterator[pa.Table]], heads: dict[int, _Head]) -> None:
        before = heads.pop(i, None)
        table = next((table for table in streams[i] if len(table)), None)
        if table is not None:
            latest = UNKNOWN_TIME_US if before is None else before.key_us[-1]
            heads[i] = _Head(table, np.maximum.accumulate(np.maximum(times_us(table), latest)))

    def events(self) -> list[Event]:
        return []

    def progress(self) -> Progress:
        done = sum(
            file.read_bytes or (file.opened.position() if file.opened is not None else 0) for file in self._files
        )
        return Progress(min(done, self._total), self._total, self.tally.frames)

    def stop(self) -> None:
        self._stopped = True

    def close(self) -> None:
        for file in self._files:
            if file.opened is not None:
                file.opened.close()


def _first_time_us(path: Path, clock: _Clock) -> int:
    """Time of the first frame of a recording, by which several are ordered."""
    batches = _File(path, clock, Tally()).batches(first_look=True)
    first = next((table for table in batches if len(table)), None)
    cast(Any, batches).close()
    first_us = UNKNOWN_TIME_US if first is None else int(times_us(first)[0])
    return first_us if first_us >= EARLIEST_DATE_US else UNKNOWN_TIME_US


class _Arriving:
    """A pipe as it arrives, until its end, a stop, or the time is up. head: what came first, which is handed out again."""

    def __init__(self, stream: IO[bytes], until: float | None, stopped: Callable[[], bool]) -> None:
        self.read_bytes = 0
        self._stream, self._until, self._stopped = stream, until, stopped
        try:
            self._descriptor: int | None = stream.fileno()
        except (AttributeError, io.UnsupportedOperation):
            self._descriptor = None  # standard input replaced by something in memory
        self._rest = b""
        buffer = bytearray(FIRST_LOOK)
        self.head = self._rest = bytes(buffer[: self.readinto(memoryview(buffer))])

    def readinto(self, buffer: memoryview, /) -> int:
        """Fill what there is; waits for the first of it. 0 at the end."""
        if self._rest:
            n = min(len(buffer), len(self._rest))
            buffer[:n] = self._rest[:n]
            self._rest = self._rest[n:]
            return n
        n = 0
        while n < len(buffer) and not self._over() and (not n or self._ready(0)):
            if not n and not self._ready(POLL_S):
                continue
            came = self._read(buffer[n:])
            if not came:
                break
            # A pipe holds 64 KiB; what has come in the meantime is taken along, as large pieces are read faster.
            n += came
        self.read_bytes += n
        return n

    def _over(self) -> bool:
        return self._stopped() or (self._until is not None and time.monotonic() >= self._until)

    def _ready(self, wait_s: float) -> bool:
        if self._descriptor is None or os.name != "posix":
            return True
        return bool(select.select([self._descriptor], [], [], wait_s)[0])

    def _read(self, buffer: memoryview) -> int:
        if self._descriptor is None:
            data = self._stream.read(len(buffer))
        else:
            data = os.read(self._descriptor, len(buffer))
        buffer[: len(data)] = data
        return len(data)


class _Pipe:
    """Standard input, or a named pipe: candump text as it arrives; other kinds are read once they are complete."""

    live = False
    several = False

    def __init__(self, path: Path | None, clock: _Clock, *, seconds: float | None) -> None:
        self.tally = Tally()
        self._path = path
        self._name = STANDARD_INPUT if path is None else str(path)
        if path is None and sys.stdin is None:
            raise CaptureError(
                "is closed", where=Place(STANDARD_INPUT), next_step="pipe a recording in, or name a file"
            )
        self._stream = sys.stdin.buffer if path is None else path.open("rb", buffering=0)
        self._clock = clock
        self._seconds = seconds
        self._stopped = False
        self._arriving: _Arriving | None = None

    def batches(self, pgns: Collection[int] | None = None) -> Iterator[pa.Table]:
        """FRAMES as they arrive; see Source."""
        until = None if self._seconds is None else time.monotonic() + self._seconds
        arriving = self._arriving = _Arriving(cast(IO[bytes], self._stream), until, lambda: self._stopped)
        if kind_of_stream(arriving.head) != Kind.TEXT:
            yield from self._spooled(arriving, pgns)
            return
        text = TextRecording(self._name, arriving, self.tally, wanted=pgns)
        for block in text.blocks():
            block.time_us = self._clock.settle(block, partial(Place, self._name), self.tally)
            block = asked_for(block, pgns)
            yield frames_table(block, text.channels, time_column(block.time_us))
        if not self.tally.frames and not self._stopped:
            raise (CaptureError if self.tally.skipped else NoFramesError)(
                "ended without a CAN frame",
                where=Place(self._name),
                next_step="pipe a recording in, for example: candump -L can0 | canlevel decode -",
            )

    def _spooled(self, arriving: _Arriving, pgns: Collection[int] | None) -> Iterator[pa.Table]:
        import tempfile  # brings much with it that text does not need

        with tempfile.TemporaryDirectory(prefix="canlevel-") as scratch:
            path = Path(scratch) / "standard-input"
            room = memoryview(bytearray(COPIED))
            with path.open("wb") as file:
                while n := arriving.readinto(room):
                    file.write(room[:n])
            recording = _File(path, self._clock, self.tally, self._name)
            for table in recording.batches(pgns):
                yield table
                if self._stopped:
                    return

    def events(self) -> list[Event]:
        return []

    def progress(self) -> Progress:
        return Progress(self._arriving.read_bytes if self._arriving else 0, None, self.tally.frames)

    def stop(self) -> None:
        self._stopped = True

    def close(self) -> None:
        self._stopped = True
        if self._path is not None:
            self._stream.close()
