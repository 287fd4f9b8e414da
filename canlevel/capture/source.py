"""SOURCE: files, standard input or live buses as one stream of frame batches.

What comes in: the words a user gives as SOURCE. What goes out: FRAMES tables, in time order over several files, the same
from a recording and from a bus, and a Tally of what was counted on the way.
"""

from __future__ import annotations

import codecs
import io
import os
import select
import stat
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Protocol, cast

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.capture.candump import Block, TextReader, frames_table
from canlevel.capture.files import Kind, Opened, kind_of_stream, open_recording, unreadable
from canlevel.capture.mf4 import Mf4Error, mf4_text
from canlevel.capture.tally import Tally
from canlevel.errors import CaptureError, Place
from canlevel.tables import UNKNOWN_TIME_US, time_column, timestamp_us

if TYPE_CHECKING:
    from canlevel.capture.live import Bus, BusAddress

__all__ = ["GIVE_START", "Progress", "Source", "is_live", "open_source"]

CHUNK = 4 * 1024 * 1024
FIRST_LOOK = 64 * 1024
LONGEST_LINE = 1024 * 1024  # a line longer than this is no frame; it is dropped as it arrives, not kept in memory
POLL_S = 0.05
STANDARD_INPUT = "standard input"
# A stamp before this does not tell the date: it counts from the start of the recording or of the recorder's clock.
EARLIEST_DATE_US = timestamp_us(datetime(1990, 1, 1))
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

    def batches(self) -> Iterator[pa.Table]:
        """FRAMES tables until the recording ends or the source is stopped."""

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
) -> Source:
    """Open one or more SOURCEs: files, "-" for standard input, or INTERFACE:CHANNEL for live buses.

    start: date and time at which a recording began whose times count from zero (naive means UTC). bitrate: of a live bus,
    bit/s. seconds: stop listening to a live bus or standard input after so long. need_dates: refuse frames whose date is
    not known instead of giving them a null time.
    Raises CaptureError for what cannot be opened.
    """
    words = [sources] if isinstance(sources, str | Path) else list(sources)
    if not words:
        raise CaptureError("no source given", next_step="name a file, - for standard input, or INTERFACE:CHANNEL")
    if "" in words:
        raise CaptureError("an empty word names no source", next_step="name a file, - or INTERFACE:CHANNEL")
    clock = _Clock(None if start is None else timestamp_us(start), need_dates)
    addresses = [_live_address(word) for word in words]
    live = [address for address in addresses if address is not None]
    if live and len(live) < len(words):
        raise CaptureError("live buses and recordings cannot be read in one call", next_step="use two calls")
    if live:
        return _Buses(live, bitrate=bitrate, seconds=seconds)
    pipes = [word for word in words if str(word) == "-" or _is_pipe(Path(word))]
    if pipes:
        if len(words) > 1:
            raise CaptureError("a pipe cannot be read together with other sources", next_step="use two calls")
        return _Pipe(None if str(words[0]) == "-" else Path(words[0]), clock, seconds=seconds)
    return _Files([Path(word) for word in words], clock)


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

    def __init__(self, start_us: int | None, need_dates: bool) -> None:
        self._start_us = start_us
        self._need_dates = need_dates

    def settle(self, block: Block, place_at: Callable[[int], Place], tally: Tally) -> NDArray[np.int64]:
        """(n,) microseconds since 1970 UTC, UNKNOWN_TIME_US where the date is not known (or CaptureError, if needed)."""
        time_us = block.time_us
        # Comparing with the earliest date finds both kinds: UNKNOWN_TIME_US is the smallest integer of all.
        undated = time_us < EARLIEST_DATE_US
        if not undated.any():
            return time_us
        unmarked = time_us == UNKNOWN_TIME_US
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


class _TextRecording:
    """Blocks of one candump text that arrives in pieces of any size."""

    def __init__(self, name: str, tally: Tally) -> None:
        self.name, self.tally = name, tally
        self.reader = TextReader()
        self._rest = b""
        self._too_long = False

    def feed(self, piece: bytes, *, last: bool = False) -> Block | None:
        """The frames of the lines that `piece` completes; `last` completes an unfinished one. None where there are none."""
        cut = len(piece) if last else piece.rfind(b"\n") + 1
        if not cut and not last:
            self._keep(piece)
            self._count(0)
            return None
        data = (self._rest + piece[:cut]) if self._rest else piece[:cut]
        self._rest = b""
        if self._too_long:
            # The end of a line whose beginning was already dropped and counted.
            _, _, data = data.partition(b"\n")
            self._too_long = False
        if not self.reader.lines:
            data = data.removeprefix(codecs.BOM_UTF8)
        block = self.reader.read(data) if data else None
        self._keep(piece[cut:])
        self._count(0 if block is None else len(block.line))
        return block if block is not None and len(block.line) else None

    def _keep(self, rest: bytes) -> None:
        if self._too_long:
            return
        self._rest += rest
        if len(self._rest) > LONGEST_LINE:
            self.reader.skip(self._rest[:1024])
            self._rest, self._too_long = b"", True

    def _count(self, frames: int) -> None:
        reader, tally = self.reader, self.tally
        tally.frames += frames
        tally.skipped += reader.skipped
        tally.dropped += reader.dropped
        if reader.first_skipped is not None and tally.first_skipped is None:
            line, text = reader.first_skipped
            tally.first_skipped = Place(self.name, line, text.decode("utf-8", "replace"))
        reader.skipped = reader.dropped = 0
        if reader.dated_locally:
            zone = time.strftime("%Z")
            tally.note(
                f"{self.name}: its dates carry no time zone and are read in this computer's ({zone}). "
                "Next: set the variable TZ if the recorder's was another, for example TZ=Europe/Oslo"
            )


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


@dataclass(slots=True)
class _Counted:
    """Frames of one file with settled times. key_us: (n,) never falling, by which files are merged."""

    table: pa.Table
    key_us: NDArray[np.int64]


class _File:
    """One recording as batches with settled times; merged with others by `key_us`, the latest time seen so far."""

    def __init__(self, path: Path, clock: _Clock, tally: Tally, name: str | None = None) -> None:
        self.name = name or str(path)
        self.opened: Opened | None = None
        self._path, self._clock, self._tally = path, clock, tally
        self._latest_us = UNKNOWN_TIME_US
        self.read_bytes = 0

    def batches(self, chunk: int | None = None) -> Iterator[_Counted]:
        """Frames of the whole file; `chunk` bytes of a text at a time."""
        opened = self.opened = open_recording(self._path, self.name)
        frames = 0
        try:
            for block, channels in self._blocks(opened, chunk or CHUNK):
                frames += len(block.line)
                time_us = self._clock.settle(block, self._place_at, self._tally)
                key_us = np.maximum.accumulate(np.maximum(time_us, self._latest_us))
                self._latest_us = int(key_us[-1])
                yield _Counted(frames_table(block, channels, time_column(time_us)), key_us)
            fault = opened.fault()
        finally:
            self.read_bytes = opened.size
            opened.close()
        if fault is not None and frames:
            self._tally.note(
                f"{self.name}: its {opened.packing} data is cut short or damaged ({fault}); "
                f"the {frames:,} frames before that point were read"
            )
        if not frames:
            broken = f", and its {opened.packing} data is cut short or damaged ({fault})" if fault is not None else ""
            raise CaptureError(
                f"holds no CAN frame that can be read as {opened.kind}{broken}",
                where=Place(self.name),
                next_step="check that it is a recording: candump text, ASC, BLF, TRC, CSV, MF4 or SQLite, also compressed",
            )

    def _blocks(self, opened: Opened, chunk: int) -> Iterator[tuple[Block, list[str | None]]]:
        if opened.kind == Kind.TEXT:
            return self._text(iter(partial(opened.stream.read, chunk), b""))
        if opened.kind == Kind.MF4:
            return self._mf4(opened)
        return self._messages(opened)

    def _text(self, pieces: Iterator[bytes]) -> Iterator[tuple[Block, list[str | None]]]:
        text = _TextRecording(self.name, self._tally)
        for piece in pieces:
            block = text.feed(piece)
            if block is not None:
                yield block, text.reader.channels
        block = text.feed(b"", last=True)
        if block is not None:
            yield block, text.reader.channels

    def _mf4(self, opened: Opened) -> Iterator[tuple[Block, list[str | None]]]:
        before = self._tally.frames
        with tempfile.TemporaryDirectory(prefix="canlevel-") as scratch:
            try:
                yield from self._text(mf4_text(opened.plain_file(Path(scratch)), self.name))
            except Mf4Error as error:
                frames = self._tally.frames - before
                if not frames:
                    raise unreadable(opened, str(error)) from error
                self._tally.note(f"{self.name}, after frame {frames}: the rest cannot be read ({error})")

    def _messages(self, opened: Opened) -> Iterator[tuple[Block, list[str | None]]]:
        from canlevel.capture.messages import read_messages  # python-can is heavy, and text does not need it

        channels, tally = _Channels([], {}), self._tally

        def on_skipped(line: int, text: str) -> None:
            tally.skipped += 1
            tally.first_skipped = tally.first_skipped or Place(self.name, line, text)

        def on_fault(why: str, frames: int) -> None:
            tally.note(f"{self.name}, after frame {frames}: {why}; what came before it was read")

        for block in read_messages(opened, channels.code, on_skipped, on_fault):
            tally.frames += len(block.line)
            yield block, channels.words

    def _place_at(self, line: int) -> Place:
        """Where a line, or a frame of what is no text, stands; with its text, where that is quickly found."""
        if self.opened is None or self.opened.kind != Kind.TEXT:
            return Place(self.name, line, unit="frame")
        if not self.opened.packing and self._path.is_file():
            with self._path.open("rb") as file:
                for number, text in enumerate(file, 1):
                    if number == line:
                        return Place(self.name, line, text[:200].decode("utf-8", "replace"))
        return Place(self.name, line)


class _Files:
    """Recordings, in the order of their times."""

    live = False

    def __init__(self, paths: Sequence[Path], clock: _Clock) -> None:
        self.tally = Tally()
        self.several = len(paths) > 1
        self._stopped = False
        self._files = [_File(path, clock, self.tally) for path in paths]
        self._total = 0
        # Every file is opened once before anything is read, so that a wrong name is told at once.
        self._first_us = []
        for path in paths:
            opened = open_recording(path)
            self._total += opened.size
            opened.close()
            self._first_us.append(_first_time_us(path, clock) if len(paths) > 1 else 0)

    def batches(self) -> Iterator[pa.Table]:
        if len(self._files) == 1:
            for counted in self._files[0].batches():
                yield counted.table
                if self._stopped:
                    return
            return
        yield from self._merged()

    def _merged(self) -> Iterator[pa.Table]:
        """Batches of all files in time order; a frame out of order in its own file stays where it stands there.

        Files are opened as their time comes, so that a folder of hourly recordings needs two open files, not all.
        """
        waiting = sorted(range(len(self._files)), key=lambda i: (self._first_us[i], i))
        streams: dict[int, Iterator[_Counted]] = {}
        heads: dict[int, _Counted] = {}
        while (waiting or heads) and not self._stopped:
            ends = [(int(head.key_us[-1]), i) for i, head in heads.items()]
            until_us, _ = min(ends, default=(np.iinfo(np.int64).max, -1))
            # Recordings without dates come first, one after the other, as they were named.
            dated = waiting and self._first_us[waiting[0]] != UNKNOWN_TIME_US
            if waiting and (not heads or (dated and self._first_us[waiting[0]] <= until_us)):
                i = waiting.pop(0)
                streams[i] = self._files[i].batches()
                self._advance(i, streams, heads)
                continue
            parts, keys = [], []
            for i in sorted(heads):
                head = heads[i]
                n = int(np.searchsorted(head.key_us, until_us, side="right"))
                parts.append(head.table.slice(0, n))
                keys.append(head.key_us[:n])
                if n < len(head.key_us):
                    heads[i] = _Counted(head.table.slice(n), head.key_us[n:])
                else:
                    self._advance(i, streams, heads)
            table = parts[0] if len(parts) == 1 else pa.concat_tables(parts).unify_dictionaries()
            if sum(len(part) > 0 for part in parts) > 1:
                table = table.take(pa.array(np.argsort(np.concatenate(keys), kind="stable")))
            yield table

    def _advance(self, i: int, streams: dict[int, Iterator[_Counted]], heads: dict[int, _Counted]) -> None:
        head = next(streams[i], None)
        if head is None:
            heads.pop(i, None)
        else:
            heads[i] = head

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
    batches = _File(path, clock, Tally()).batches(FIRST_LOOK)
    first = next(batches, None)
    cast(Any, batches).close()
    return UNKNOWN_TIME_US if first is None else int(first.key_us[0])


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
        self._read = 0

    def batches(self) -> Iterator[pa.Table]:
        name = self._name
        text = _TextRecording(name, self.tally)
        pieces = self._pieces(cast(IO[bytes], self._stream))
        head = next(pieces, b"")
        kind = kind_of_stream(head)
        if kind != Kind.TEXT:
            yield from self._spooled(head, pieces)
            return
        for piece in _chain(head, pieces):
            yield from self._settled(text, text.feed(piece), name)
        yield from self._settled(text, text.feed(b"", last=True), name)
        if not self.tally.frames and not self._stopped:
            raise CaptureError(
                "ended without a CAN frame",
                where=Place(name),
                next_step="pipe a recording in, for example: candump -L can0 | canlevel decode -",
            )

    def _settled(self, text: _TextRecording, block: Block | None, name: str) -> Iterator[pa.Table]:
        if block is not None:
            time_us = self._clock.settle(block, partial(Place, name), self.tally)
            yield frames_table(block, text.reader.channels, time_column(time_us))

    def _pieces(self, stream: IO[bytes]) -> Iterator[bytes]:
        """What arrives, as it arrives, until the end, a stop, or the time is up."""
        until = None if self._seconds is None else time.monotonic() + self._seconds
        try:
            descriptor: int | None = stream.fileno()
        except (AttributeError, io.UnsupportedOperation):
            descriptor = None  # standard input replaced by something in memory
        while not self._stopped and (until is None or time.monotonic() < until):
            if descriptor is None:
                piece = stream.read(CHUNK)
            else:
                if os.name == "posix" and not select.select([descriptor], [], [], 0.2)[0]:
                    continue
                piece = os.read(descriptor, CHUNK)
                # A pipe holds 64 KiB; what has come in the meantime is taken along, as large pieces are read faster.
                while piece and len(piece) < CHUNK and os.name == "posix" and select.select([descriptor], [], [], 0)[0]:
                    more = os.read(descriptor, CHUNK)
                    if not more:
                        break
                    piece += more
            if not piece:
                return
            self._read += len(piece)
            yield piece

    def _spooled(self, head: bytes, pieces: Iterator[bytes]) -> Iterator[pa.Table]:
        with tempfile.TemporaryDirectory(prefix="canlevel-") as scratch:
            path = Path(scratch) / "standard-input"
            with path.open("wb") as file:
                for piece in _chain(head, pieces):
                    file.write(piece)
            recording = _File(path, self._clock, self.tally, self._name)
            for counted in recording.batches():
                yield counted.table
                if self._stopped:
                    return

    def progress(self) -> Progress:
        return Progress(self._read, None, self.tally.frames)

    def stop(self) -> None:
        self._stopped = True

    def close(self) -> None:
        self._stopped = True
        if self._path is not None:
            self._stream.close()


class _Buses:
    """Live buses; several are merged as their frames arrive."""

    live = True
    several = False

    def __init__(self, addresses: Sequence[BusAddress], *, bitrate: int, seconds: float | None) -> None:
        from canlevel.capture.live import Bus

        self.tally = Tally()
        self._seconds = seconds
        self._stopped = False
        self._channels = _Channels([], {})
        self._buses: list[Bus] = []
        self._garbled: dict[BusAddress, int] = {}
        ports = [dict(address.options).get("port") for address in addresses if address.interface == "udp_multicast"]
        if len(set(ports)) < len(ports):
            # The groups of one port are heard by every listener on it (python-can 4.6.1 on Linux, seen).
            raise CaptureError(
                "two multicast groups on one port would hear each other",
                where=Place(str(addresses[0])),
                next_step="give each its own port, as in udp_multicast:239.74.163.2,port=43113",
            )
        try:
            for address in addresses:
                self._buses.append(Bus(address, bitrate, self.tally))
        except BaseException:
            self.close()
            raise

    def batches(self) -> Iterator[pa.Table]:
        from canlevel.capture.messages import block_of

        until = None if self._seconds is None else time.monotonic() + self._seconds
        while True:
            over = self._stopped or (until is not None and time.monotonic() >= until)
            if over:
                # Before the last taking, so that what arrived just before the end is still handed out.
                for bus in self._buses:
                    bus.halt()
            lost = [bus for bus in self._buses if bus.ended]
            for bus in self._buses:
                self._count_garbled(bus)
                messages = bus.take()
                if messages:
                    # What a driver calls its channel is up to it; here it has the name the user gave.
                    block = block_of(messages, partial(self._named, bus.name), self.tally.frames + 1)
                    self.tally.frames += len(messages)
                    yield frames_table(block, self._channels.words, time_column(block.time_us))
            if over:
                return
            if lost:
                raise CaptureError(
                    f"the bus is gone ({lost[0].lost})",
                    where=Place(str(lost[0].address)),
                    next_step="check the adapter and its cable, and start again",
                )
            time.sleep(POLL_S)

    def _count_garbled(self, bus: Bus) -> None:
        garbled = bus.garbled - self._garbled.get(bus.address, 0)
        if garbled:
            self._garbled[bus.address] = self._garbled.get(bus.address, 0) + garbled
            self.tally.skipped += garbled
            self.tally.first_skipped = self.tally.first_skipped or Place(str(bus.address))

    def _named(self, name: str, _: object) -> int:
        return self._channels.code(name)

    def progress(self) -> Progress:
        return Progress(0, None, self.tally.frames)

    def stop(self) -> None:
        # A plain flag: this may run in a signal handler, where taking a lock could wait for ever.
        self._stopped = True

    def close(self) -> None:
        for bus in self._buses:
            bus.close()


def _chain(head: bytes, pieces: Iterator[bytes]) -> Iterator[bytes]:
    if head:
        yield head
    yield from pieces
