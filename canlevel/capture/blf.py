"""BLF recordings: a stream of bytes in, columns of frames out.

A file is a head and a row of objects. The containers among them hold, one after the other, the bytes of a second row of
objects, most often compressed; an object may begin in one container and end in a later one. Each object tells its length and
its type, five types are frames, and between two objects up to four bytes of filling may stand. A container's objects are
found and read together: numpy looks for their signature, checks that each begins where the one before it ends, and reads
the same field of all of them at once.

Source of the positions of fields: python-can's open-source reader of the format, beside which tests/test_messages.py holds
this one frame by frame.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from canlevel.capture.blocks import microseconds
from canlevel.capture.candump import Block
from canlevel.identifier import carries
from canlevel.tables import ERROR_FRAME, EXTENDED, FD, REMOTE

__all__ = ["BlfError", "BlfReader"]

# Signature, size of the head, size of the file, eight numbers of the start time: year, month, day of the week, day, hour,
# minute, second, millisecond.
FILE_HEAD = struct.Struct("<4sL8xQ16x8H16x")
# Signature, size of the header, its version, size of the object, type.
OBJECT_HEAD = struct.Struct("<4sHHLL")
CONTAINER = 10
CONTAINER_HEAD = 16  # two bytes of the compression method first
STORED, DEFLATED = 0, 2
SIGNATURE = b"LOBJ"
FILLING = 4
PIECE = 1024 * 1024
TOGETHER = 1024 * 1024  # small containers are read together
# Containers hold 128 KB as a rule. What claims more than these is damaged, or meant to fill the memory.
LARGEST_CONTAINER = 32 * 1024 * 1024  # packed, and unpacked
LARGEST_OBJECT = 32 * 1024 * 1024

CAN_FRAME, ERROR, CAN_FRAME_2, FD_FRAME, FD_FRAME_64 = 1, 73, 86, 100, 101
# Bytes of the fields of each type, up to the last that is read.
FIELDS = np.zeros(FD_FRAME_64 + 2, np.int64)
FIELDS[[CAN_FRAME, ERROR, CAN_FRAME_2, FD_FRAME, FD_FRAME_64]] = [16, 32, 16, 84, 40]
FD_64_HEAD = 40
# The fields begin behind an object's header, whose length goes by its version.
HEADER_1, HEADER_2 = 32, 40
MARGIN = HEADER_2 + int(FIELDS.max()) + 8  # bytes that may be looked at behind the start of an object
TEN_MICROSECONDS = 1

FD_LENGTHS = np.array([0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, *[64] * 241], np.uint8)
# The lowest n bytes of a payload.
LOWEST = np.array([(1 << 8 * n) - 1 for n in range(9)], np.uint64)

CUT = "it ends in the middle of a record"
DAMAGED = "it is damaged"


class BlfError(Exception):
    """A recording that is damaged; the text says how. What was handed out before is good."""


class BlfReader:
    """The frames of one BLF recording.

    Raises BlfError for a head that is none.
    """

    def __init__(self, stream: IO[bytes]) -> None:
        self._stream = stream
        self._read = 0
        head = self._take(FILE_HEAD.size)
        if len(head) < FILE_HEAD.size:
            raise BlfError(CUT)
        signature, size, self._file_size, *start = FILE_HEAD.unpack(head)
        if signature != b"LOGG" or size < FILE_HEAD.size:
            raise BlfError("its head is damaged")
        self._skip(size - FILE_HEAD.size)
        self._start_s = _seconds(start)
        self._codes = np.full(1 << 16, -1, np.int32)
        self._unknown = False  # whether containers were packed in a way that is not known

    def pieces(
        self, channel_code: Callable[[Any], int], wanted: Collection[int] | None = None
    ) -> Iterator[tuple[Block, int]]:
        """Blocks of the frames in some containers, and how many frames these hold in all.

        channel_code gives the code of a channel, counted from 0. wanted: PGNs; only plain 29-bit data frames with one of
        them are handed out. Lines number the frames from 1. Raises BlfError, or what zlib raises, where the file is damaged.
        """
        frames = held = needed = 0
        waiting: list[bytes] = []
        containers, fault, last = self._containers(), None, False
        while not last:
            try:
                piece = next(containers, None)
            except Exception as error:  # whatever reading and unpacking run into; what waits is good
                piece, fault = None, error
            last = piece is None
            waiting.append(piece or b"")
            held += len(waiting[-1])
            if held < max(needed, TOGETHER) and not last:
                continue
            objects = _objects(b"".join((*waiting, bytes(MARGIN))), held)
            block, count = self._block(objects, channel_code, wanted, frames + 1)
            frames += count
            if count:
                yield block, count
            if objects.damage:
                raise BlfError(objects.damage)
            waiting = [objects.buffer[objects.end : held]]
            held, needed = held - objects.end, objects.needed
        # The head says how long the file ought to be; a recorder that lost its power did not get to write it.
        missing = self._file_size - self._read
        if missing > 0 and (fault is None or str(fault) == CUT):
            raise BlfError(f"{missing} bytes are missing at its end") from fault
        if fault is not None:
            raise fault
        if needed:
            raise BlfError(CUT)
        if self._unknown:
            raise BlfError("part of it is packed in a way that is not known")

    def _containers(self) -> Iterator[bytes]:
        """The unpacked bytes of each container; what stands between containers holds no frames."""
        while head := self._take(OBJECT_HEAD.size):
            if len(head) < OBJECT_HEAD.size:
                raise BlfError(CUT)
            signature, _, _, size, kind = OBJECT_HEAD.unpack(head)
            if signature != SIGNATURE or size < OBJECT_HEAD.size:
                raise BlfError(DAMAGED)
            if kind != CONTAINER:
                self._skip(size - OBJECT_HEAD.size + size % 4)
                continue
            if size > LARGEST_CONTAINER:
                raise BlfError(f"a container claims to be {size} bytes long")
            body = self._take(size - OBJECT_HEAD.size)
            self._take(size % 4)
            if len(body) < CONTAINER_HEAD:
                raise BlfError(CUT)
            method = int.from_bytes(body[:2], "little")
            if method == STORED:
                yield body[CONTAINER_HEAD:]
            elif method == DEFLATED:
                # Not zlib.decompress, because the last container of a file that was cut still gives its first part.
                unpacking = zlib.decompressobj()
                yield unpacking.decompress(memoryview(body)[CONTAINER_HEAD:], LARGEST_CONTAINER)
                if unpacking.unconsumed_tail:
                    raise BlfError(f"a container holds more than {LARGEST_CONTAINER} bytes")
            else:
                self._unknown = True

    def _skip(self, size: int) -> None:
        """Pass over the next `size` bytes, or what there is."""
        while size > 0 and (piece := self._stream.read(min(size, PIECE))):
            size -= len(piece)
            self._read += len(piece)

    def _take(self, size: int) -> bytes:
        """The next `size` bytes, or what there is; in pieces, so that a damaged size asks for no more memory than there is."""
        taken = []
        while size > 0 and (piece := self._stream.read(min(size, PIECE))):
            taken.append(piece)
            size -= len(piece)
            self._read += len(piece)
        return taken[0] if len(taken) == 1 else b"".join(taken)

    def _block(
        self,
        objects: _Objects,
        channel_code: Callable[[Any], int],
        wanted: Collection[int] | None,
        first_line: int,
    ) -> tuple[Block, int]:
        """The frames among objects, or the wanted ones of them, and how many there are in all."""
        told = (objects.version == 1) | (objects.version == 2)
        frames = objects.rows(told & (FIELDS[np.minimum(objects.kind, len(FIELDS) - 1)] > 0))
        count = len(frames.start)
        identifier, flags = _identifiers_and_flags(frames)
        line = np.arange(first_line, first_line + count)
        if wanted is not None:
            keep = carries(identifier, flags, wanted)
            frames, identifier, flags, line = frames.rows(keep), identifier[keep], flags[keep], line[keep]
        channel, length, payload = _channels_lengths_payloads(frames, (flags & REMOTE) > 0)
        time_us = self._times_us(frames.double[frames.start + 24], frames.word[frames.start + 16] == TEN_MICROSECONDS)
        return Block(time_us, self._channels(channel, channel_code), identifier, flags, length, payload, line), count

    def _times_us(self, stamp: NDArray[np.uint64], coarse: NDArray[np.bool_]) -> NDArray[np.int64]:
        """Microseconds since 1970 of stamps in nanoseconds, or in ten microseconds where `coarse`. All (n,).

        Computed in the floats that python-can computes, so that both round to the same microsecond: the exact quotient
        is rounded once, then the start is added.
        """
        per_s = np.where(coarse, 1e5, 1e9)
        seconds = stamp / per_s
        for i in np.flatnonzero(stamp >> np.uint64(53)):  # no float before the division; Python divides integers
            seconds[i] = int(stamp[i]) / int(per_s[i])
        seconds += self._start_s
        return microseconds(seconds)

    def _channels(self, channel: NDArray[np.int64], channel_code: Callable[[Any], int]) -> NDArray[np.int32]:
        """Codes of channels, asked for in the order in which they come up. channel: (n,), counted from 1. Returns (n,)."""
        codes = self._codes[channel]
        while (unknown := codes < 0).any():
            first = int(channel[unknown.argmax()])
            self._codes[first] = channel_code(first - 1)
            codes = self._codes[channel]
        return codes


def _seconds(start: list[int]) -> float:
    """Seconds since 1970 of a start time, 0 for one that no calendar has."""
    year, month, _, day, hour, minute, second, millisecond = start
    try:
        return datetime(year, month, day, hour, minute, second, millisecond * 1000, UTC).timestamp()
    except ValueError:
        return 0.0


@dataclass(frozen=True, slots=True)
class _Objects:
    """n objects that stand in `buffer`. start, size, header_size, version and kind: (n,).

    octet, word and double: the one, four and eight bytes at each place of the buffer as an integer. end: where the first
    object begins that is not whole, if one does. needed: how many bytes it will take from there on, 0 if that is not known.
    damage: why nothing behind the objects can be read.
    """

    buffer: bytes
    start: NDArray[np.int64]
    size: NDArray[np.int64]
    header_size: NDArray[np.int64]
    version: NDArray[np.int64]
    kind: NDArray[np.int64]
    octet: NDArray[np.uint8]
    word: NDArray[np.uint32]
    double: NDArray[np.uint64]
    end: int
    needed: int
    damage: str | None

    @property
    def fields(self) -> NDArray[np.int64]:
        """Where the fields of frames begin. In most types: channel 2 bytes, flags 1, length code 1, identifier 4. (n,)."""
        return self.start + np.where(self.version == 1, HEADER_1, HEADER_2)

    @property
    def usual(self) -> NDArray[np.bool_]:
        """Which are classic frames, of which most recordings have nothing else. (n,)."""
        usual: NDArray[np.bool_] = (self.kind == CAN_FRAME) | (self.kind == CAN_FRAME_2)
        return usual

    def rows(self, keep: NDArray[np.bool_]) -> _Objects:
        """The objects where `keep` is true."""
        if keep.all():
            return self
        return replace(
            self,
            start=self.start[keep],
            size=self.size[keep],
            header_size=self.header_size[keep],
            version=self.version[keep],
            kind=self.kind[keep],
        )


def _identifiers_and_flags(frames: _Objects) -> tuple[NDArray[np.uint32], NDArray[np.uint8]]:
    """Identifiers and flags of n frames: (n,), (n,)."""
    octet, word, fields, kind = frames.octet, frames.word, frames.fields, frames.kind
    raw = word[fields + 4]
    remote = octet[fields + 2] >> 7
    others = np.zeros(len(kind), np.uint8)
    if not frames.usual.all():
        error, fd, fd_64 = (np.flatnonzero(kind == one) for one in (ERROR, FD_FRAME, FD_FRAME_64))
        raw[error] = word[fields[error] + 16]
        remote[error] = 0
        others[error] = ERROR_FRAME
        others[fd] = (octet[fields[fd] + 13] & 1) * np.uint8(FD)
        flags_64 = word[fields[fd_64] + 12]
        remote[fd_64] = (flags_64 >> 4) & 1
        others[fd_64] = ((flags_64 >> 12) & 1).astype(np.uint8) * np.uint8(FD)
    flags = others | remote * np.uint8(REMOTE) | (raw >> 31).astype(np.uint8) * np.uint8(EXTENDED)
    return (raw & 0x1FFFFFFF).astype(np.uint32), flags.astype(np.uint8)


def _channels_lengths_payloads(
    frames: _Objects, is_remote: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], NDArray[np.uint8], NDArray[np.uint64]]:
    """Channels counted from 1, data bytes told and the first eight that stand there, of n frames: (n,), (n,), (n,)."""
    octet, word, fields, kind = frames.octet, frames.word, frames.fields, frames.kind
    head = word[fields]
    channel = (head & 0xFFFF).astype(np.int64)
    code = (head >> 24).astype(np.int64)
    data = fields + 8
    present = np.minimum(code, 8)  # data bytes that stand there
    length = np.where(is_remote, np.minimum(code, 64), present)
    if not frames.usual.all():
        error, fd, fd_64 = (np.flatnonzero(kind == one) for one in (ERROR, FD_FRAME, FD_FRAME_64))
        length[error] = present[error] = np.minimum(octet[fields[error] + 10], 8)
        data[error] += 16
        present[fd] = np.minimum(octet[fields[fd] + 14], 64)
        length[fd] = np.where(is_remote[fd], FD_LENGTHS[code[fd]], present[fd])
        data[fd] += 12
        channel[fd_64] &= 0xFF
        told = octet[fields[fd_64] + 2].astype(np.int64)
        # What the object is too short for counts as zeros: python-can's issue 1905.
        until = octet[fields[fd_64] + 35].astype(np.int64)
        until = np.where(until > 0, until, frames.size[fd_64])
        present[fd_64] = np.clip(until - frames.header_size[fd_64] - FD_64_HEAD, 0, told)
        length[fd_64] = np.where(is_remote[fd_64], FD_LENGTHS[octet[fields[fd_64] + 1]], told)
        data[fd_64] += 32
    payload = frames.double[data] & LOWEST[np.where(is_remote, 0, np.minimum(present, 8))]
    return channel, length.astype(np.uint8), payload


def _objects(buffer: bytes, n: int) -> _Objects:
    """The whole objects in the first n bytes of a buffer, which goes on for MARGIN bytes behind them."""
    octet = np.frombuffer(buffer, np.uint8)
    word: NDArray[np.uint32] = np.ndarray(n + MARGIN - 3, "<u4", buffer, strides=(1,))
    double: NDArray[np.uint64] = np.ndarray(n + MARGIN - 7, "<u8", buffer, strides=(1,))
    start = np.flatnonzero(octet[: max(n - 3, 0)] == SIGNATURE[0])
    start = start[word[start] == int.from_bytes(SIGNATURE, "little")]
    size_and_kind = double[start + 8]
    size = (size_and_kind & np.uint64(0xFFFFFFFF)).astype(np.int64)
    chain, at = _chain(start, start + size)
    start, size = start[chain], size[chain]
    kind = (size_and_kind[chain] >> np.uint64(32)).astype(np.int64)
    header = word[start + 4].astype(np.int64)
    version = header >> 16
    fields = FIELDS[np.minimum(kind, len(FIELDS) - 1)]
    header_end = start + np.where(version == 1, HEADER_1, HEADER_2)
    told = (fields > 0) & ((version == 1) | (version == 2))  # of other objects nothing is read
    fields_end = np.where(told, header_end + fields, start + OBJECT_HEAD.size)
    whole = (np.maximum(fields_end, start + size) <= n) & (size > 0)
    needed, damage = 0, None
    if whole.all():
        # The filling of the last object may go on in the next container; what is longer is none.
        if at + 2 * FILLING <= n:
            damage = "an object is not followed by another"
    else:
        count = int(whole.argmin())
        at = int(start[count - 1] + size[count - 1]) if count else 0
        needed = int(start[count] - at) + OBJECT_HEAD.size
        if start[count] + OBJECT_HEAD.size <= n:
            needed = max(needed, int(start[count] - at + size[count]))
            if not 0 < size[count] <= LARGEST_OBJECT:
                damage = f"an object claims to be {size[count]} bytes long"
        start, size, header, version, kind = (column[:count] for column in (start, size, header, version, kind))
    return _Objects(buffer, start, size, header & 0xFFFF, version, kind, octet, word, double, at, needed, damage)


def _chain(start: NDArray[np.int64], end: NDArray[np.int64]) -> tuple[slice | NDArray[np.int64], int]:
    """Which of the places where the signature stands begin an object, and where the last of these ends.

    start, end: (n,) where the objects begin and end if they are objects. The first begins within the FILLING from 0, each
    other within the FILLING from the end of the one before it. A signature in between is data.
    """
    gap = start - np.concatenate(([0], end[:-1]))[: len(start)]
    breaks = np.flatnonzero((gap < 0) | (gap > FILLING))
    if not len(breaks):
        return slice(None), int(end[-1]) if len(end) else 0
    runs = [np.zeros(0, np.int64)]
    at = first = 0
    while first < len(start) and start[first] - at <= FILLING:
        later = int(np.searchsorted(breaks, first, side="right"))
        behind = int(breaks[later]) if later < len(breaks) else len(start)
        runs.append(np.arange(first, behind))
        at = int(end[behind - 1])
        if at <= start[behind - 1]:  # an object without a size
            break
        first = int(np.searchsorted(start, at))
    return np.concatenate(runs), at
