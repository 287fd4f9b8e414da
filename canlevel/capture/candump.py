"""The bulk reader of texts with a frame a line: lines in, columns of frames out.

Lines of equal length form a rectangle. The first line of a rectangle is read by the plain parser (lines.py), which says
where its digits stand; every other line with the same fixed characters and with digits in the same places is then read
by columns. Lines that fit no layout go to the plain parser one by one, so the result never depends on which way a line
took; tests compare the two.

Where only some PGNs are wanted, most lines need not be read at all: `pick` looks at the four characters that tell the PGN,
where earlier lines had theirs, and leaves out what is certainly something else.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.capture.columns import base64_bytes, decimal_16, hex_bytes, put, taken
from canlevel.capture.lines import CANDUMP, Line, TextFormat, dropped_frames, local_second_us
from canlevel.tables import ERROR_FRAME, EXTENDED, FRAMES, REMOTE, UNKNOWN_TIME_US, arrow, dictionary_column, distinct

__all__ = ["LONGEST_LINE", "Block", "Lines", "Reading", "TextReader", "frames_table", "frames_text", "lines_of"]

FEW = 24  # below this many lines, one by one is faster than columns
MISSES = 8  # layouts in a row that fit only a few lines, after which the rest of a rectangle is read one by one
MOST_LAYOUTS = 4 * MISSES  # of one length
MOST_ANCHORS = 6
MOST_OPEN = 4
CLASSIC_BYTES = 8
LONGEST_LINE = 4096  # the longest frame, CAN FD with an ASCII column, takes some 300 characters
NARROW = 256  # lines up to this long are copied in rows of one width
_WORD = 8
_PLACES = np.uint64(0x0001020304050607)
# Of 0 to 8 data bytes: the words that keep their sixteen digits, and those that put zeros behind them.
# Each is one item of sixteen bytes, which numpy takes in a tenth of the time of a row of two words.
_DIGITS_OF = np.array([(b"\xff" * 2 * n).ljust(16, b"\0") for n in range(9)], "V16")
_ZEROS_BEHIND = np.array([b"".ljust(2 * n, b"\0").ljust(16, b"0") for n in range(9)], "V16")
_LOWER_CASE = np.uint64(0x2020202020202020)  # turns A..F into a..f and leaves digits as they are


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
        """n rows to be filled in: time_us unknown, all else zero."""
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

    @classmethod
    def joined(cls, blocks: Sequence[Block]) -> Block:
        """All rows of several blocks, one after the other."""
        return cls(*(np.concatenate([getattr(block, name) for block in blocks]) for name in cls.__slots__))


def frames_table(block: Block, channels: Sequence[str | None], time: pa.Array) -> pa.Table:
    """FRAMES, n rows, of a block whose channel codes point into `channels` and whose times have been settled."""
    return pa.table(
        [
            time,
            dictionary_column(block.channel, channels),
            arrow(block.identifier),
            arrow(block.flags),
            arrow(block.length),
            arrow(block.payload),
            arrow(block.line),
        ],
        schema=FRAMES,
    )


def frames_text(frames: pa.Table) -> str:
    """FRAMES as candump -l writes them, a line each; those without a date, of more than eight bytes, remote and error frames
    are left out. Blanks in a channel's name become underscores."""
    lines = []
    for row in frames.select(["channel", "identifier", "flags", "length", "payload"]).append_column(
        "time_us", frames.column("time").cast(pa.int64())
    ).to_pylist():  # fmt: skip
        if row["time_us"] is None or row["length"] > CLASSIC_BYTES or row["flags"] & ~EXTENDED:
            continue
        channel = "_".join((row["channel"] or "can").split())
        digits = 8 if row["flags"] & EXTENDED else 3
        data = row["payload"].to_bytes(8, "little")[: row["length"]].hex().upper()
        seconds, micros = divmod(row["time_us"], 1_000_000)
        lines.append(f"({seconds:010d}.{micros:06d}) {channel} {row['identifier']:0{digits}X}#{data}\n")
    return "".join(lines)


@dataclass(slots=True)
class Lines:
    """n lines of a text, in its order. text: bytes, of which LONGEST_LINE more than the lines are there to be looked at.

    starts, lengths: (n,) in `text`, without the newline. numbers: (n,) of the lines, the first of the text being 1.
    """

    text: NDArray[np.uint8]
    starts: NDArray[np.int64]
    lengths: NDArray[np.int64]
    numbers: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.starts)

    def rows(self, which: NDArray[np.int64]) -> Lines:
        """Some of the lines, by their places."""
        return Lines(self.text, self.starts[which], self.lengths[which], self.numbers[which])

    def without_empty(self) -> Lines:
        """The lines that have a character in them. Unpacked, a small file may hold any number of others."""
        return self if self.lengths.all() else self.rows(np.flatnonzero(self.lengths))

    def copied(self) -> Lines:
        """The same lines in a text of their own, so that this one can be let go. Over-long lines stay over-long."""
        n = len(self)
        lengths = np.minimum(self.lengths, LONGEST_LINE + 1)
        width = int(lengths.max(initial=0))
        if width <= NARROW:
            room = np.empty((n + 1 + LONGEST_LINE // (width + 1), width + 1), np.uint8)
            room[:n] = _windows(self.text, width + 1)[self.starts].view(np.uint8).reshape(n, width + 1)
            return Lines(room.reshape(-1), np.arange(n) * (width + 1), lengths, self.numbers)
        ends = np.cumsum(lengths)
        starts = ends - lengths
        places = np.arange(int(ends[-1])) + np.repeat(self.starts - starts, lengths)
        return Lines(np.append(self.text[places], np.zeros(LONGEST_LINE, np.uint8)), starts, lengths, self.numbers)

    @classmethod
    def joined(cls, parts: Sequence[Lines]) -> Lines:
        """The lines of several texts as those of one."""
        if len(parts) == 1:
            return parts[0]
        offsets = np.cumsum([0, *(len(part.text) for part in parts)])
        return cls(
            np.concatenate([part.text for part in parts]),
            np.concatenate([part.starts + offset for part, offset in zip(parts, offsets[:-1], strict=True)]),
            np.concatenate([part.lengths for part in parts]),
            np.concatenate([part.numbers for part in parts]),
        )


def lines_of(text: NDArray[np.uint8], size: int, mask: NDArray[np.bool_] | None = None) -> Lines:
    """The lines in the first `size` bytes of a text, the last of which is a newline.

    mask: room for `size` values and a few more to be written over, which saves the system from finding it each time.
    """
    ends = _newlines(text, size, np.empty(size + _WORD, np.bool_) if mask is None else mask)
    starts = np.empty_like(ends)
    starts[:1] = 0
    np.add(ends[:-1], 1, out=starts[1:])
    return Lines(text, starts, ends - starts, np.arange(1, len(ends) + 1))


def _newlines(text: NDArray[np.uint8], size: int, mask: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Where the newlines in the first `size` bytes stand. mask: room for `size` values and up to seven more."""
    found = mask[:size]
    np.equal(text[:size], np.uint8(10), out=found)
    padded = mask[: -(-size // _WORD) * _WORD]
    padded[size:] = False
    # Eight places are looked at together: few words hold a newline, and hardly any holds two.
    words = padded.view("<u8")
    places = np.flatnonzero(words.astype(np.bool_))
    word = words[places]
    if (word & (word - np.uint64(1))).any():
        return np.flatnonzero(found)
    # The only byte that is 1 says its place: the product has that place's number in its highest byte.
    word *= _PLACES
    word >>= np.uint64(56)
    places *= _WORD
    places += word.view(np.int64)
    return places


def _windows(text: NDArray[np.uint8], width: int) -> NDArray[np.void]:
    """Every stretch of `width` bytes as one item: items overlap, and taking some of them copies each once."""
    return np.ndarray(len(text) - width + 1, f"V{width}", buffer=text, strides=(1,))


@dataclass(slots=True)
class Reading:
    """What was read out of some lines. Channel codes in the block point into `channels`.

    skipped: lines that are neither a frame nor empty. first_skipped: (line number, text) of the first of them.
    dropped: frames that the recorder says it lost, first_dropped the first line that says so. dated_locally: whether dates
    without a time zone were met.
    """

    block: Block
    channels: list[str | None] = field(default_factory=list)
    skipped: int = 0
    first_skipped: tuple[int, bytes] | None = None
    dropped: int = 0
    first_dropped: tuple[int, bytes] | None = None
    dated_locally: bool = False
    _codes: dict[bytes, int] = field(default_factory=dict)

    def channel_code(self, name: bytes) -> int:
        """The code of a channel name, a new one where it has not been met."""
        code = self._codes.get(name)
        if code is None:
            code = self._codes[name] = len(self.channels)
            self.channels.append(name.decode("utf-8", "replace") or None)
        return code

    def count_skipped(self, number: int, line: bytes) -> None:
        """Count a line that is no frame."""
        dropped = dropped_frames(line)
        if dropped is not None:
            self.dropped += dropped
            if self.first_dropped is None or number < self.first_dropped[0]:
                self.first_dropped = (number, line)
            return
        self.skipped += 1
        # Rectangles are read by length, so the first one met need not be the first in the text.
        if self.first_skipped is None or number < self.first_skipped[0]:
            self.first_skipped = (number, line)


@dataclass(frozen=True, slots=True)
class _Layout:
    """A sample line, where its digits stand, and the words of eight characters that every line of the layout shares."""

    sample: bytes
    line: Line
    fixed: tuple[tuple[int, np.uint64, np.uint64], ...]  # (number of the word, mask, what is there)
    anchor: _Anchor | None
    # Whether the sample ends where the data begin, of which any number of bytes follows to the end of the line.
    open: bool = False


@dataclass(frozen=True, slots=True)
class _Anchor:
    """Where lines of a layout have the end of their identifier, and the characters behind it, which tell that it is one.

    eleven_bits: they carry no PGN. start, before: then it begins behind this character, so that it has no more digits.
    """

    end: int
    behind: bytes
    eleven_bits: bool = False
    start: int = 0
    before: bytes = b""


class TextReader:
    """Reads lines of one text recording. It learns layouts as it goes and may be used by several threads at once.

    text_format: with the plain parser of one line, which defines the format.
    """

    def __init__(self, text_format: TextFormat = CANDUMP) -> None:
        self._parse, self._head = text_format.parse, text_format.head
        self._layouts: dict[int, list[_Layout]] = {}
        self._open: dict[object, _Layout] = {}
        self._anchors: dict[_Anchor, int] = {}  # and how many lines had it

    def read(self, lines: Lines) -> Reading:
        """The frames of n lines."""
        n = len(lines)
        reading = Reading(Block.sized(n))
        good = np.zeros(n, np.bool_)
        reading.block.line[:] = lines.numbers
        left = self._read_open(lines, reading, good)
        if len(left):
            self._read_rectangles(lines, left, reading, good)
        if not good.all():
            reading.block = reading.block.rows(good)
        return reading

    def _read_open(self, lines: Lines, reading: Reading, good: NDArray[np.bool_]) -> NDArray[np.int64]:
        """Read what the open layouts fit, of all lengths at once; returns the places of the other lines."""
        left = np.arange(len(lines))
        for layout in list(self._open.values()):
            data = (lines.lengths if len(left) == len(lines) else lines.lengths[left]) - len(layout.sample)
            may = (data >= 0) & (data <= 2 * CLASSIC_BYTES) & (data & 1 == 0)
            rows = left if may.all() else left[may]
            if len(rows) >= FEW:
                self._read_layout(lines, rows, layout, reading, good)
                left = np.flatnonzero(~good)
        return left

    def _read_rectangles(
        self, lines: Lines, left: NDArray[np.int64], reading: Reading, good: NDArray[np.bool_]
    ) -> None:
        """Read the lines at `left`, by lengths."""
        # Sixteen bits are sorted by counting, in a tenth of the time.
        lengths = np.minimum(lines.lengths[left], 0xFFFF).astype(np.uint16)
        order = np.argsort(lengths, kind="stable")
        changes = np.flatnonzero(np.diff(lengths[order])) + 1
        for places in np.split(order, changes):
            if len(places):
                self._read_rectangle(lines, left[places], int(lengths[places[0]]), reading, good)

    def pick(self, lines: Lines, wanted: Collection[int]) -> tuple[int, NDArray[np.int64]]:
        """(lines left out, places of the others): frames that certainly carry none of the `wanted` PGNs are left out.

        A line is left out by its identifier alone; its other digits are not looked at.
        """
        patterns = _patterns(frozenset(wanted))
        rows: NDArray[np.int64] | None = None  # not told yet: all of them, at first
        found: list[NDArray[np.int64]] = []
        passed = 0
        for anchor in sorted(self._anchors, key=self._anchors.__getitem__, reverse=True)[:MOST_ANCHORS]:
            starts = lines.starts if rows is None else lines.starts[rows]
            lengths = lines.lengths if rows is None else lines.lengths[rows]
            fits, mine = _at_anchor(lines.text, starts, lengths, anchor, patterns)
            rest = np.flatnonzero(~fits | mine)
            passed += len(starts) - len(rest)
            mine_too = mine[rest]
            rest = rest if rows is None else rows[rest]
            found.append(rest[mine_too])
            rows = rest[~mine_too]
            if len(rows) < FEW:
                break
        found.append(np.arange(len(lines)) if rows is None else rows)
        return passed, np.sort(np.concatenate(found))

    def _read_rectangle(
        self, lines: Lines, rows: NDArray[np.int64], length: int, reading: Reading, good: NDArray[np.bool_]
    ) -> None:
        """Read the lines at `rows`, all of `length` characters."""
        misses, known = 0, list(self._layouts.get(length, ()))
        left = rows
        while len(left) >= FEW and length <= LONGEST_LINE and misses < MISSES:
            if known:
                layout = known.pop(0)
            else:
                learnt = self._learn(_line(lines, left[0]))
                if learnt is None:
                    self._read_singly(lines, left[:1], reading, good)
                    left, misses = left[1:], misses + 1
                    continue
                layout = learnt
            others = self._read_layout(lines, left, layout, reading, good)
            misses = 0 if len(left) - len(others) >= FEW else misses + 1
            left = others
        self._read_singly(lines, np.sort(left), reading, good)

    def _read_layout(
        self, lines: Lines, rows: NDArray[np.int64], layout: _Layout, reading: Reading, good: NDArray[np.bool_]
    ) -> NDArray[np.int64]:
        """Read the lines at `rows` that have this layout, and mark them as good; returns the places of the others."""
        fits = self._read_columns(lines, rows, layout, reading)
        fitting, others = (rows, rows[:0]) if fits is None else (rows[fits], rows[~fits])
        good[fitting] = True
        self._count_anchor(layout.anchor, len(fitting))
        return others

    def _count_anchor(self, anchor: _Anchor | None, lines: int) -> None:
        if anchor is not None and lines:
            self._anchors[anchor] = self._anchors.get(anchor, 0) + lines

    def _learn(self, sample: bytes) -> _Layout | None:
        parsed = self._parse(sample)
        if parsed is None:
            return None
        layout = _layout(sample, parsed)
        known = self._layouts.setdefault(len(sample), [])
        if len(known) >= MOST_LAYOUTS:
            known.clear()  # a text of many layouts: learn anew instead of trying them all
        known.append(layout)
        opened = _opened(layout)
        if opened is not None and len(self._open) < MOST_OPEN:
            self._open.setdefault((len(opened.sample), opened.fixed, opened.line.seconds, opened.line.fraction), opened)
        return layout

    def _read_columns(
        self, lines: Lines, rows: NDArray[np.int64], layout: _Layout, reading: Reading
    ) -> NDArray[np.bool_] | None:
        """Write the lines at `rows` that have this layout into the block; returns which did, or None for all of them."""
        n, line = len(rows), layout.line
        # Rows rise and none is twice; all of them are a slice, which is not copied.
        at: NDArray[np.int64] | slice = rows if n < len(lines) else slice(None)
        length = len(layout.sample) + (2 * CLASSIC_BYTES if layout.open else 0)
        width = -(-length // _WORD) * _WORD
        characters = _windows(lines.text, width)[lines.starts[at]].view(np.uint8).reshape(n, width)
        words = characters.view("<u8")
        different = np.zeros(n, np.uint64)
        for number, mask, shared in layout.fixed:
            word = words[:, number] & mask
            word ^= shared
            different |= word
        bad = different != 0 if different.any() else None

        def also(more: NDArray[np.bool_] | None) -> None:
            nonlocal bad
            if more is not None:
                bad = more if bad is None else bad | more

        time_us = None
        if line.fraction is not None:
            time_us, wrong = _times(characters, line)
            also(wrong)
            if line.date is not None:
                reading.dated_locally = True

        first, last = line.identifier
        padded = np.full((n, 8), ord("0"), np.uint8) if last - first < 8 else np.empty((n, 8), np.uint8)
        put(padded, 8 - (last - first), characters, first, last)
        values, wrong = hex_bytes(padded)
        also(wrong)
        identifier = values.view(">u4")[:, 0].astype(np.uint32)
        flags: NDArray[np.uint8] | np.uint8 = np.uint8(line.flags)
        if not line.whole_flags and last - first == 8:
            flags = _flags(identifier) | flags
            identifier &= np.uint32(0x1FFFFFFF)
        else:
            largest = 0x1FFFFFFF if line.flags & EXTENDED else 0x7FF
            also(identifier > largest if identifier.max(initial=0) > largest else None)

        payload: NDArray[np.uint64] | None = None
        present: NDArray[np.int64] | int = line.length
        if layout.open:
            present = (lines.lengths[at] - len(layout.sample)) >> 1
            text = taken(characters, len(layout.sample), length)
            digits = text.view("<u8")
            # What stands behind the end of the line counts as zeros.
            digits &= _DIGITS_OF[present].view("<u8").reshape(n, 2)
            digits |= _ZEROS_BEHIND[present].view("<u8").reshape(n, 2)
            data, wrong = hex_bytes(text)
            also(wrong)
            payload = data.view("<u8")[:, 0]
        elif line.data or line.packed is not None:
            if line.packed is not None:
                text = taken(characters, *line.packed)
                data, wrong = base64_bytes(text, _filling(layout.sample, line.packed))
                data = np.ascontiguousarray(data)
            else:
                data, wrong = hex_bytes(_digits(characters, line.data))
            also(wrong)
            whole = data
            if data.shape[1] != 8:
                whole = np.zeros((n, 8), np.uint8)
                put(whole, 0, data, 0, min(data.shape[1], 8))
            payload = whole.view("<u8")[:, 0]

        block, channel = reading.block, line.channel_name(layout.sample)
        fits = None if bad is None else ~bad
        if fits is not None:
            at = rows = rows[fits]
            identifier = identifier[fits]
            time_us = time_us if time_us is None else time_us[fits]
            payload = payload if payload is None else payload[fits]
            present = present[fits] if isinstance(present, np.ndarray) else present
            flags = flags[fits] if isinstance(flags, np.ndarray) else flags
        if len(rows):
            if time_us is not None:
                block.time_us[at] = time_us
            code = reading.channel_code(channel)
            if code:  # which it is already where it is zero
                block.channel[at] = code
            block.identifier[at] = identifier
            block.flags[at] = flags
            block.length[at] = present
            if payload is not None:
                block.payload[at] = payload
        return fits

    def _read_singly(self, lines: Lines, rows: NDArray[np.int64], reading: Reading, good: NDArray[np.bool_]) -> None:
        block = reading.block
        for row in rows.tolist():
            line = _line(lines, row)
            parsed = self._parse(line) if len(line) <= LONGEST_LINE else None
            if parsed is None:
                if line.strip() and not (self._head is not None and self._head.fullmatch(line)):
                    reading.count_skipped(int(lines.numbers[row]), line[:LONGEST_LINE])
                continue
            good[row] = True
            self._count_anchor(_anchor(line, parsed), 1)
            reading.dated_locally |= parsed.date is not None
            block.time_us[row] = parsed.time_us(line)
            block.channel[row] = reading.channel_code(parsed.channel_name(line))
            block.identifier[row], block.flags[row] = parsed.identified(line)
            block.length[row] = parsed.length
            block.payload[row] = parsed.payload(line)


def _line(lines: Lines, row: int | np.int64) -> bytes:
    start = int(lines.starts[row])
    return lines.text[start : start + min(int(lines.lengths[row]), LONGEST_LINE + 1)].tobytes()


def _layout(sample: bytes, line: Line) -> _Layout:
    """The layout of which `sample`, read as `line`, is one line."""
    mask = bytearray(-(-len(sample) // _WORD) * _WORD)
    for at in _fixed_places(sample, line):
        mask[at] = 0xFF
    fixed = []
    for number in range(len(mask) // _WORD):
        here = slice(number * _WORD, (number + 1) * _WORD)
        bits = int.from_bytes(mask[here], "little")
        if bits:
            shared = int.from_bytes(sample[here].ljust(_WORD, b"\0"), "little") & bits
            fixed.append((number, np.uint64(bits), np.uint64(shared)))
    return _Layout(sample, line, tuple(fixed), _anchor(sample, line))


def _opened(layout: _Layout) -> _Layout | None:
    """The same layout with any number of data bytes, where they are all that stands behind the #; else None."""
    line, sample = layout.line, layout.sample
    begin = line.identifier[1] + 1
    data = tuple(range(begin, len(sample), 2))
    if (
        sample[begin - 1 : begin] != b"#"
        or line.flags
        or line.whole_flags
        or line.data != data
        or len(sample[begin:]) % 2
    ):
        return None
    head = sample[:begin]
    shared = _layout(head, replace(line, data=(), length=0))
    return replace(shared, open=True)


def _anchor(sample: bytes, line: Line) -> _Anchor | None:
    """The anchor of a line, or None where its identifier cannot be told by its last six digits and what stands behind."""
    start, end = line.identifier
    if line.whole_flags:
        # CSV has three flags behind the identifier; with them no other place in a line looks the same. Lines with 11 bits
        # could be mistaken for others, and are read.
        return _Anchor(end, sample[end : end + 7]) if line.flags & EXTENDED and end - start >= 6 else None
    if sample[end : end + 1] == b"#":
        behind = b"#"
    else:  # the console has some blanks and a bracket
        behind = sample[end : sample.index(b"[", end) + 1][:_WORD]
    if end - start == 3:
        return _Anchor(end, behind, True, start, sample[start - 1 : start])
    return _Anchor(end, behind)


@lru_cache(maxsize=8)
def _patterns(wanted: frozenset[int]) -> dict[int, list[np.uint64]]:
    """What _pattern gives for each PGN, by the masks, of which there are two."""
    patterns: dict[int, list[np.uint64]] = {}
    for mask, value in map(_pattern, wanted):
        patterns.setdefault(mask, []).append(value)
    return patterns


def _pattern(pgn: int) -> tuple[int, np.uint64]:
    """(mask, value) of the characters 1 to 8 of a lower-case identifier with this PGN, as one word.

    Of the first two characters one is no part of the PGN and the other only in part, so they are left out.
    """
    addressed = (pgn >> 8) & 0xFF < 240  # then the second half is a destination
    text = f"{(pgn >> 8) & 0xFF:02x}" if addressed else f"{pgn & 0xFFFF:04x}"
    shift = 8  # behind the second character
    mask = int.from_bytes(b"\xff" * len(text), "little") << shift
    return mask, np.uint64(int.from_bytes(text.encode(), "little") << shift)


def _at_anchor(
    text: NDArray[np.uint8],
    starts: NDArray[np.int64],
    lengths: NDArray[np.int64],
    anchor: _Anchor,
    patterns: Mapping[int, Sequence[np.uint64]],
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """(fits, mine): which of n lines have an identifier at the anchor, and in which it may be one of the wanted.

    Whatever stands in the rest of the line: if such a line is a data frame of the wanted kind, its identifier is this one.
    Before the # of a log there is no other, and behind the console's bracket there is no room for another.
    """
    views = _windows(text, _WORD)
    end = anchor.end
    # The last seven characters of the identifier and the one behind it.
    word = views[starts + (end + 1 - _WORD)].view("<u8") if end >= _WORD else np.zeros(len(starts), "<u8")
    fits = word >> np.uint64(56) == np.uint64(anchor.behind[0])
    fits &= lengths >= end + len(anchor.behind)
    if len(anchor.behind) > 1:
        behind = views[starts + end].view("<u8") & np.uint64((1 << 8 * len(anchor.behind)) - 1)
        fits &= behind == np.uint64(int.from_bytes(anchor.behind, "little"))
    if anchor.eleven_bits:
        shift = 8 * (anchor.start - 1 - (end + 1 - _WORD))
        fits &= (word >> np.uint64(shift)) & np.uint64(0xFF) == np.uint64(anchor.before[0])
        return fits, np.zeros(len(starts), np.bool_)
    mine = np.zeros(len(starts), np.bool_)
    word |= _LOWER_CASE
    for mask, values in patterns.items():
        group = word & np.uint64(mask)
        for value in values:
            mine |= group == value
    mine &= fits
    return fits, mine


def _digits(characters: NDArray[np.uint8], places: Sequence[int]) -> NDArray[np.uint8]:
    """The pairs of digits that begin at `places`, (n, 2 * places), copied."""
    first, last = places[0], places[-1] + 2
    if last - first == 2 * len(places):
        return taken(characters, first, last)
    return np.ascontiguousarray(characters[:, [at + i for at in places for i in (0, 1)]])


def _times(characters: NDArray[np.uint8], line: Line) -> tuple[NDArray[np.int64], NDArray[np.bool_] | None]:
    """(n,) microseconds as written, and which of the n rows held no time, or None where none did."""
    n = len(characters)
    assert line.fraction is not None
    first, last = line.fraction
    # Ten digits of seconds and six of the fraction are one number: microseconds.
    counted = min(last - first, 6)
    whole = counted == 6 and line.seconds is not None and line.seconds[1] - line.seconds[0] >= 10
    digits = np.empty((n, 16), np.uint8) if whole else np.full((n, 16), ord("0"), np.uint8)
    put(digits, 10, characters, first, first + counted)
    wrong: NDArray[np.bool_] | None = None
    if last - first > counted:  # finer digits are cut off, but digits they must be
        finer = characters[:, first + counted : last] - np.uint8(ord("0"))
        wrong = np.asarray((finer > 9).any(axis=1))
    if line.seconds is not None:
        start, end = line.seconds
        spare = max(end - start - 10, 0)  # an eleventh digit is beyond the year 2286: zero, or read one by one
        width = end - start - spare
        put(digits, 10 - width, characters, start + spare, end)
        if spare:
            far = (characters[:, start : start + spare] != ord("0")).any(axis=1)
            wrong = far if wrong is None else wrong | far
    time_us, bad = decimal_16(digits)
    if line.rounded and last - first > counted:
        time_us += characters[:, first + counted] >= ord("5")
    if bad is not None:
        wrong = bad if wrong is None else wrong | bad
    if line.date is not None:
        seconds_us, missing = _local_seconds_us(characters, line.date)
        time_us += seconds_us
        missing |= (characters[:, _places_of_digits(line.date)] - np.uint8(ord("0")) > 9).any(axis=1)
        if missing.any():
            wrong = missing if wrong is None else wrong | missing
    return time_us, wrong


def _flags(raw: NDArray[np.uint32]) -> NDArray[np.uint8]:
    """Flags of identifiers written with eight digits. raw: (n,), with the bits of Linux' can.h above the identifier."""
    if raw.max(initial=0) <= 0x1FFFFFFF:
        return np.full(len(raw), EXTENDED, np.uint8)
    flags = np.where(raw & np.uint32(0x40000000), np.uint8(EXTENDED | REMOTE), np.uint8(EXTENDED))
    flags[raw & np.uint32(0x20000000) != 0] = ERROR_FRAME
    return flags


def _fixed_places(sample: bytes, line: Line) -> list[int]:
    """Places whose character every line of the layout shares: all but the digits and the free text."""
    spans = [line.seconds, line.fraction, line.identifier, line.free]
    if line.packed is not None:
        spans.append((line.packed[0], line.packed[1] - _filling(sample, line.packed)))
    spans += [(at, at + 2) for at in line.data]
    spans += [(at, at + 1) for at in _places_of_digits(line.date)]
    places = set(range(len(sample)))
    for span in spans:
        if span is not None:
            places -= set(range(*span))
    if line.free is not None and line.free[1] > line.free[0]:
        # The quotes (or the letters of a word) around free text are what makes it free text.
        if sample[line.free[0]] == ord("'"):
            places |= {line.free[0], line.free[1] - 1}
        else:
            places |= set(range(*line.free))
    return sorted(places)


def _filling(sample: bytes, packed: tuple[int, int]) -> int:
    """How many = fill the end of base64 text."""
    return sample[slice(*packed)].count(b"=")


def _places_of_digits(date: tuple[int, int] | None) -> list[int]:
    """Where the digits of a date such as "2026-05-01 08:00:00" stand, given its span."""
    return [] if date is None else [date[0] + i for i in range(date[1] - date[0]) if i not in (4, 7, 10, 13, 16)]


def _local_seconds_us(
    characters: NDArray[np.uint8], date: tuple[int, int]
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Times of "2026-05-01 08:00:00" at the columns `date`, and which of them do not exist. characters: (n, w)."""
    texts = taken(characters, *date).view(f"S{date[1] - date[0]}")[:, 0]
    moments, which = distinct(texts)
    values = np.zeros(len(moments), np.int64)
    missing = np.zeros(len(moments), np.bool_)
    for i, text in enumerate(moments.tolist()):
        try:
            values[i] = local_second_us(text)
        except (ValueError, OverflowError, OSError):
            missing[i] = True
    return values[which], missing[which]
