"""Whole lines out of a stream that arrives in pieces of any size, and work on those pieces by several threads, in order.

A thread that wants work reads its piece itself, into room of its own, while the others work on theirs: so a compressed
stream is unpacked at the speed of its decompressor, a plain one is copied once, and memory is the room of so many threads.
"""

from __future__ import annotations

import codecs
import os
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from typing import Generic, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from canlevel.capture.candump import LONGEST_LINE, Lines, lines_of

__all__ = ["LineFeed", "Piece", "Readable", "Room", "ThreadRooms", "in_order", "workers"]

MOST_WORKERS = 4  # beyond this the interpreter's own lock is what they wait for
KEPT_OF_A_LINE = 2 * LONGEST_LINE  # of a line without an end; the rest is dropped as it arrives
ROOM_THAT_STAYS = 31 * 1024 * 1024  # glibc looks at pieces of up to 32 MB


class Readable(Protocol):
    """A stream that fills a buffer: how many bytes came, 0 at the end."""

    def readinto(self, buffer: memoryview, /) -> int | None:
        """Fill as much of `buffer` as there is."""


class Room:
    """Memory for one piece of text and for what is worked out of it; used over and over by one thread."""

    def __init__(self, size: int) -> None:
        self.size = size
        self.buffer = bytearray(KEPT_OF_A_LINE + size + 1 + LONGEST_LINE)
        self.text: NDArray[np.uint8] = np.frombuffer(self.buffer, np.uint8)
        self.view = memoryview(self.buffer)
        self.mask = np.empty(len(self.buffer), np.bool_)


@dataclass(frozen=True, slots=True)
class Piece:
    """Lines that arrived together. number: of the piece, from 0. full: whether there may be more to be had at once."""

    lines: Lines
    number: int
    full: bool


class LineFeed:
    """Cuts a stream into pieces of whole lines; a last line may lack its newline.

    A line too long for any frame arrives cut to KEPT_OF_A_LINE characters, so that it counts as a line and costs no memory.
    fault: why the stream ended before its end.
    """

    def __init__(self, stream: Readable) -> None:
        self._stream = stream
        self._lock = threading.Lock()
        self._rest = b""
        self._dropping = False
        self._ended = False
        self._number = 0
        self.fault: OSError | None = None

    def take(self, room: Room) -> Piece | None:
        """The next piece, in `room`, or None at the end. Several threads may take turns."""
        with self._lock:
            filled = self._fill(room)
            if not filled:
                return None
            size, full = filled
            number, self._number = self._number, self._number + 1
        return Piece(lines_of(room.text, size, room.mask), number, full)

    def _fill(self, room: Room) -> tuple[int, bool] | None:
        """(bytes of whole lines, whether the room was filled)."""
        while not self._ended:
            begin = len(self._rest)
            room.view[:begin] = self._rest
            came = self._read(room.view[begin : begin + room.size])
            end = begin + came
            if not came:
                self._ended = True
                if not end:
                    return None
                room.buffer[end] = ord("\n")
                self._rest = b""
                return end + 1, False
            if self._dropping:
                end = begin + self._drop(room, begin, end)
            if not self._number and room.buffer.startswith(codecs.BOM_UTF8) and end > len(codecs.BOM_UTF8):
                room.view[:3] = b"   "  # blanks before a line mean nothing
            cut = room.buffer.rfind(b"\n", 0, end) + 1
            rest = bytes(room.view[cut:end])
            if len(rest) > KEPT_OF_A_LINE:
                rest, self._dropping = rest[:KEPT_OF_A_LINE], True
            self._rest = rest
            if cut:
                return cut, came == room.size
        return None

    def _read(self, room: memoryview) -> int:
        try:
            return self._stream.readinto(room) or 0
        except OSError as error:
            self.fault = error
            return 0

    def _drop(self, room: Room, begin: int, end: int) -> int:
        """Leave out what still belongs to an over-long line; how many bytes of the new ones remain."""
        newline = room.buffer.find(b"\n", begin, end)
        if newline < 0:
            return 0
        self._dropping = False
        room.view[begin : begin + end - newline] = bytes(room.view[newline:end])
        return end - newline


class ThreadRooms(threading.local):
    """One Room for each thread that asks."""

    def __init__(self, size: int) -> None:
        _keep_freed_memory()
        self.room = Room(size)


@cache
def _keep_freed_memory() -> None:
    """Let arrays be made from memory that earlier ones left.

    The C library gives freed memory back to the system and fetches it anew for every array, which takes longer than the work
    on it, until it has seen one large piece come and go (mallopt(3), M_MMAP_THRESHOLD, its note on the dynamic threshold).
    """
    np.empty(ROOM_THAT_STAYS, np.uint8)


def workers() -> int:
    """How many threads work on the pieces of one recording."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return min(cores, MOST_WORKERS)


class _Numbered(Protocol):
    @property
    def number(self) -> int: ...


T = TypeVar("T", bound=_Numbered)


def in_order(work: Callable[[], T | None], threads: int, first: int, ahead: int) -> Iterator[T]:
    """What `work` returns, in the order of its numbers from `first` on, until it returns None.

    Threads work out up to `ahead` pieces before they are asked for.
    """
    if threads <= 1:
        while (done := work()) is not None:
            yield done
        return
    crew = _Crew(work, threads, ahead)
    due = first
    try:
        while (piece := crew.wait_for(due)) is not None:
            yield piece
            due += 1
    finally:
        crew.dismiss()


class _Crew(Generic[T]):
    """Threads that work until there is nothing left, each piece done kept until it is asked for.

    The standard library's pool would do, and takes longer to import than a small recording to read.
    """

    def __init__(self, work: Callable[[], T | None], threads: int, ahead: int) -> None:
        self._work = work
        self._room = threading.Semaphore(ahead)
        self._changed = threading.Condition()
        self._done: dict[int, T] = {}
        self._fault: BaseException | None = None
        self._dismissed = False
        self._at_work = threads
        self._threads = [threading.Thread(target=self._run, name=f"canlevel-{i}", daemon=True) for i in range(threads)]
        for thread in self._threads:
            thread.start()

    def wait_for(self, number: int) -> T | None:
        """The piece with this number, or None where there is none. Raises what the work on it raised."""
        with self._changed:
            self._changed.wait_for(lambda: number in self._done or self._fault is not None or not self._at_work)
            if number not in self._done and self._fault is not None:
                raise self._fault
            piece = self._done.pop(number, None)
        if piece is not None:
            self._room.release()
        return piece

    def dismiss(self) -> None:
        """Let the threads go, and wait until they have."""
        self._dismissed = True
        self._room.release(len(self._threads))
        for thread in self._threads:
            thread.join()

    def _run(self) -> None:
        fault: BaseException | None = None
        try:
            while True:
                self._room.acquire()
                piece = None if self._dismissed else self._work()
                if piece is None:
                    return
                with self._changed:
                    self._done[piece.number] = piece
                    self._changed.notify()
        except BaseException as error:  # whoever waits for the piece hears of it
            fault = error
        finally:
            with self._changed:
                self._at_work -= 1
                self._fault = self._fault or fault
                self._changed.notify()
