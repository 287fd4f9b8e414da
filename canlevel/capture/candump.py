"""The bulk reader of candump text: a block of bytes in, columns of frames out.

Lines of equal length form a rectangle. The first line of a rectangle is read by the plain parser (lines.py), which says
where its digits stand; every other line with the same fixed characters and with digits in the same places is then read
by columns. Lines that fit no layout go to the plain parser one by one, so the result never depends on which way a line
took; tests compare the two.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.capture.lines import Line, dropped_frames, identifier_and_flags, local_second_us, parse_line
from canlevel.tables import ERROR_FRAME, EXTENDED, FRAMES, REMOTE, UNKNOWN_TIME_US, dictionary_column

__all__ = ["Block", "TextReader", "frames_table", "split_lines"]

FEW = 24  # below this many lines, one by one is faster than columns
MISSES = 8  # layouts in a row that fit only a few lines, after which the rest of a rectangle is read one by one
LONGEST_LINE = 4096  # the longest frame, CAN FD with an ASCII column, takes some 300 characters

_NOT_HEX = 0xFF
_NIBBLE = np.full(256, _NOT_HEX, dtype=np.uint8)
for _value, _digits in enumerate(zip("0123456789abcdef", "0123456789ABCDEF", strict=True)):
    for _digit in _digits:
        _NIBBLE[ord(_digit)] = _value


@dataclass(slots=True)
class Block:
    """Columns of n frames as numpy arrays, in the order of the text. Times are as written: dated, from zero, or unknown."""

    time_us: NDArray[np.int64]
    channel: NDArray[np.int32]
    identifier: NDArray[np.uint32]
    flags: NDArray[np.uint8]
    length: NDArray[np.uint8]
    payload: NDArray[np.uint64]
    line: NDArray[np.int64]

    @classmethod
    def sized(cls, n: int) -> Block:
        return cls(
            np.full(n, UNKNOWN_TIME_US, np.int64),
            np.zeros(n, np.int32),
            np.zeros(n, np.uint32),
            np.zeros(n, np.uint8),
            np.zeros(n, np.uint8),
            np.zeros(n, np.uint64),
            np.zeros(n, np.int64),
        )

    def rows(self, keep: NDArray[np.bool_]) -> Block:
        """The rows where `keep` is true."""
        return Block(*(getattr(self, name)[keep] for name in self.__slots__))


def frames_table(block: Block, channels: list[str | None], time: pa.Array) -> pa.Table:
    """FRAMES, n rows, of a block whose channel codes point into `channels` and whose times have been settled."""
    return pa.table(
        [
            time,
            dictionary_column(block.channel, channels),
            pa.array(block.identifier),
            pa.array(block.flags),
            pa.array(block.length),
            pa.array(block.payload),
            pa.array(block.line),
        ],
        schema=FRAMES,
    )


def split_lines(text: NDArray[np.uint8]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(starts, lengths) of the lines of a block; a last line may lack its newline. text: (n,) bytes."""
    ends = np.flatnonzero(text == ord("\n"))
    if len(text) and (not len(ends) or ends[-1] != len(text) - 1):
        ends = np.append(ends, len(text))
    starts = np.empty_like(ends)
    if len(ends):
        starts[0] = 0
        starts[1:] = ends[:-1] + 1
    return starts, ends - starts


@dataclass(slots=True)
class TextReader:
    """Reads blocks of one candump text. Remembers channel names, layouts and what it had to skip.

    skipped: lines that are neither a frame nor empty. first_skipped: (line number, text) of the first of them.
    dropped: frames that the recorder says it lost.
    """

    lines: int = 0
    skipped: int = 0
    first_skipped: tuple[int, bytes] | None = None
    dropped: int = 0
    dated_locally: bool = False
    channels: list[str | None] = field(default_factory=list)
    _codes: dict[bytes, int] = field(default_factory=dict)
    _layouts: dict[int, list[tuple[bytes, Line]]] = field(default_factory=dict)

    def read(self, data: bytes) -> Block:
        """The frames of whole lines. data: text that ends at the end of a line."""
        text = np.frombuffer(data, np.uint8)
        starts, lengths = split_lines(text)
        block = Block.sized(len(starts))
        good = np.zeros(len(starts), np.bool_)
        block.line[:] = np.arange(self.lines + 1, self.lines + 1 + len(starts))
        order = np.argsort(lengths, kind="stable")
        changes = np.flatnonzero(np.diff(lengths[order])) + 1
        for rows in np.split(order, changes):
            if len(rows):
                self._read_rectangle(data, text, starts, rows, int(lengths[rows[0]]), block, good)
        self.lines += len(starts)
        return block if good.all() else block.rows(good)

    def skip(self, line: bytes) -> None:
        """Count one line that is too long to be a frame."""
        self.lines += 1
        self._count_skipped(self.lines, line)

    def _read_rectangle(
        self,
        data: bytes,
        text: NDArray[np.uint8],
        starts: NDArray[np.int64],
        rows: NDArray[np.int64],
        length: int,
        block: Block,
        good: NDArray[np.bool_],
    ) -> None:
        """Read the lines `rows`, all of `length` characters, into `block`."""
        misses, known = 0, list(self._layouts.get(length, ()))
        left = rows
        while len(left) >= FEW and length <= LONGEST_LINE and misses < MISSES:
            if known:
                sample, layout = known.pop(0)
            else:
                start = int(starts[left[0]])
                sample = data[start : start + length]
                learnt = parse_line(sample)
                if learnt is None:
                    self._read_singly(data, starts, left[:1], length, block, good)
                    left, misses = left[1:], misses + 1
                    continue
                layout = learnt
                self._layouts.setdefault(length, []).append((sample, layout))
            # Items of `length` bytes that overlap: taking rows from this view copies each line once.
            overlapping = np.ndarray(len(text) - length + 1, dtype=f"V{length}", buffer=data, strides=(1,))
            rectangle = overlapping[starts[left]].view(np.uint8).reshape(len(left), length)
            fits = self._read_columns(np.ascontiguousarray(rectangle.T), sample, layout, left, block)
            good[left[fits]] = True
            misses = 0 if fits.sum() >= FEW else misses + 1
            left = left[~fits]
        if len(self._layouts.get(length, ())) > 4 * MISSES:
            self._layouts[length] = []  # a text of many layouts: learn anew instead of trying them all
        self._read_singly(data, starts, np.sort(left), length, block, good)

    def _read_columns(
        self, columns: NDArray[np.uint8], sample: bytes, layout: Line, rows: NDArray[np.int64], block: Block
    ) -> NDArray[np.bool_]:
        """Write the lines that share `layout` into rows `rows` of `block`; returns which did. columns: (length, n)."""
        n = columns.shape[1]
        fits = np.ones(n, np.bool_)
        for at in _fixed_places(sample, layout):
            fits &= columns[at] == sample[at]
        bad = np.zeros(n, np.uint8)  # the high bit is set where a digit is none

        def number(span: tuple[int, int]) -> NDArray[np.int64]:
            value = np.zeros(n, np.int64)
            for first in range(span[0], span[1], 4):  # four digits fit 16 bits, which is four times as fast as 64
                digits = range(first, min(first + 4, span[1]))
                part = np.zeros(n, np.uint16)
                for at in digits:
                    digit = columns[at] - np.uint8(ord("0"))
                    np.bitwise_or(bad, np.where(digit > 9, np.uint8(0x80), np.uint8(0)), out=bad)
                    part = part * np.uint16(10) + digit
                value = value * 10 ** len(digits) + part
            return value

        def byte(at: int) -> NDArray[np.uint8]:
            high, low = _NIBBLE[columns[at]], _NIBBLE[columns[at + 1]]
            np.bitwise_or(bad, high | low, out=bad)
            value: NDArray[np.uint8] = (high << np.uint8(4)) | low
            return value

        time_us = np.full(n, UNKNOWN_TIME_US, np.int64)
        if layout.fraction is not None:
            start, end = layout.fraction
            digits = min(end - start, 6)
            time_us = number((start, start + digits)) * 10 ** (6 - digits)
            for at in range(start + digits, end):
                number((at, at + 1))
            if layout.seconds is not None:
                time_us += number(layout.seconds) * 1_000_000
            else:
                assert layout.date is not None
                self.dated_locally = True
                for at in _places_of_digits(layout.date):
                    number((at, at + 1))
                seconds, exists = _local_seconds_us(columns[slice(*layout.date)])
                time_us += seconds
                fits &= exists

        first, last = layout.identifier
        if last - first == 3:
            identifier = _NIBBLE[columns[first]].astype(np.uint32) << np.uint32(8) | byte(first + 1)
            np.bitwise_or(bad, np.where(identifier > 0x7FF, np.uint8(0x80), np.uint8(0)), out=bad)
            flags = np.zeros(n, np.uint8)
        else:
            raw = np.zeros(n, np.uint32)
            for at in range(first, last, 2):
                raw = raw << np.uint32(8) | byte(at)
            identifier = raw & np.uint32(0x1FFFFFFF)
            flags = np.where(raw & np.uint32(0x40000000), np.uint8(EXTENDED | REMOTE), np.uint8(EXTENDED))
            flags[raw & np.uint32(0x20000000) != 0] = ERROR_FRAME

        payload = np.zeros((n, 8), np.uint8)
        for i, at in enumerate(layout.data):
            value = byte(at)
            if i < 8:
                payload[:, i] = value

        fits &= bad < 0x80
        rows = rows[fits]
        block.time_us[rows] = time_us[fits]
        block.channel[rows] = self._channel_code(sample[slice(*layout.channel)])
        block.identifier[rows] = identifier[fits]
        block.flags[rows] = flags[fits] | np.uint8(layout.flags)
        block.length[rows] = layout.length
        block.payload[rows] = payload.view("<u8")[:, 0][fits]
        return fits

    def _read_singly(
        self,
        data: bytes,
        starts: NDArray[np.int64],
        rows: NDArray[np.int64],
        length: int,
        block: Block,
        good: NDArray[np.bool_],
    ) -> None:
        for row in rows.tolist():
            start = int(starts[row])
            line = data[start : start + length]
            parsed = parse_line(line) if length <= LONGEST_LINE else None
            if parsed is None:
                if line.strip():
                    self._count_skipped(self.lines + 1 + row, line)
                continue
            identified = identifier_and_flags(
                int(line[slice(*parsed.identifier)], 16), parsed.identifier[1] - parsed.identifier[0]
            )
            assert identified is not None  # parse_line refuses others
            good[row] = True
            self.dated_locally |= parsed.date is not None
            block.time_us[row] = parsed.time_us(line)
            block.channel[row] = self._channel_code(line[slice(*parsed.channel)])
            block.identifier[row], flags = identified
            block.flags[row] = flags | parsed.flags
            block.length[row] = parsed.length
            block.payload[row] = parsed.payload(line)

    def _channel_code(self, name: bytes) -> int:
        code = self._codes.get(name)
        if code is None:
            code = self._codes[name] = len(self.channels)
            self.channels.append(name.decode("utf-8", "replace"))
        return code

    def _count_skipped(self, line_number: int, line: bytes) -> None:
        dropped = dropped_frames(line[:LONGEST_LINE])
        if dropped is not None:
            self.dropped += dropped
            return
        self.skipped += 1
        # Rectangles are read by length, so the first one met need not be the first in the text.
        if self.first_skipped is None or line_number < self.first_skipped[0]:
            self.first_skipped = (line_number, line[:LONGEST_LINE])


def _fixed_places(sample: bytes, layout: Line) -> list[int]:
    """Places whose character every line of the layout shares: all but the digits and the free text."""
    spans = [layout.seconds, layout.fraction, layout.identifier, layout.free]
    spans += [(at, at + 2) for at in layout.data]
    spans += [(at, at + 1) for at in _places_of_digits(layout.date)]
    places = set(range(len(sample)))
    for span in spans:
        if span is not None:
            places -= set(range(*span))
    if layout.free is not None and layout.free[1] > layout.free[0]:
        # The quotes (or the letters of a word) around free text are what makes it free text.
        if sample[layout.free[0]] == ord("'"):
            places |= {layout.free[0], layout.free[1] - 1}
        else:
            places |= set(range(*layout.free))
    return sorted(places)


def _places_of_digits(date: tuple[int, int] | None) -> list[int]:
    """Where the digits of a date such as "2026-05-01 08:00:00" stand, given its span."""
    return [] if date is None else [date[0] + i for i in range(date[1] - date[0]) if i not in (4, 7, 10, 13, 16)]


def _local_seconds_us(columns: NDArray[np.uint8]) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Times of "2026-05-01 08:00:00" given by columns, and which of them exist. columns: (19, n)."""
    texts = np.ascontiguousarray(columns.T).view("S19")[:, 0]
    distinct, which = np.unique(texts, return_inverse=True)
    values = np.zeros(len(distinct), np.int64)
    exists = np.ones(len(distinct), np.bool_)
    for i, text in enumerate(distinct.tolist()):
        try:
            values[i] = local_second_us(text)
        except (ValueError, OverflowError, OSError):
            exists[i] = False
    return values[which], exists[which]
