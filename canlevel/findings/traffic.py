"""What went over a bus, in one pass over all its frames: who sent what and how often, how full the bus was, when it was silent.

What comes in: FRAMES tables. What goes out: small tables. Evidence for findings, and nothing but what a listener can know.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.identifier import pgns, source_addresses
from canlevel.tables import (
    ERROR_FRAME,
    EXTENDED,
    FD,
    REMOTE,
    TIME_TYPE,
    UNKNOWN_TIME_US,
    WORD,
    arrow,
    codes_of,
    described,
    dictionary_column,
    distinct,
    time_column,
    times_us,
    values_of,
)

__all__ = [
    "BACK_US",
    "GAPS",
    "LENGTHS",
    "MINUTES",
    "SENDERS",
    "SILENT_US",
    "SLOT_US",
    "Break",
    "Counted",
    "Slot",
    "Traffic",
    "frame_bits",
]

MINUTE_US = 60_000_000
SLOT_US = 10_000_000  # how finely load is counted, so that the worst minute may begin at any of these
SILENT_US = 2_000_000
BACK_US = 1_000_000  # a time so much before the one before it is a clock that was set, and no frame out of order
TABLE_BITS = 16
SPREAD = np.uint32(
    2_654_435_769
)  # 2^32 over the golden ratio: D. E. Knuth, The Art of Computer Programming, volume 3, 6.4
HAS_29_BITS, NO_KEY = np.uint32(1 << 31), np.uint32(0xFFFFFFFF)
LENGTHS = 16  # room for data lengths in a code; FD frames go over the wire at two rates and are left out

SENDERS = pa.schema(
    [
        described("channel", WORD, "which bus", null="not told"),
        described("identifier", pa.uint32(), "29 or 11 bits"),
        described("pgn", pa.uint32(), "the parameter group (RV-C: DGN) in it", null="an 11-bit identifier"),
        described("source_address", pa.uint8(), "the address in it", null="an 11-bit identifier"),
        described("frames", pa.int64(), "how many"),
        described("first", TIME_TYPE, "time of the first", unit="UTC", null="no times with dates"),
        described("last", TIME_TYPE, "time of the last", unit="UTC", null="no times with dates"),
    ]
)
MINUTES = pa.schema(
    [
        described("channel", WORD, "which bus", null="not told"),
        described("start", TIME_TYPE, "begin of the minute", unit="UTC"),
        described("frames", pa.int64(), "how many"),
        described("load_low", pa.float64(), "of the bit rate that data frames took, without stuff bits", unit="%"),
        described("load_high", pa.float64(), "the same with the most stuff bits there can be", unit="%"),
        described("first", TIME_TYPE, "time of its first frame", unit="UTC"),
        described("line", pa.int64(), "where that stands in the recording"),
    ]
)
GAPS = pa.schema(
    [
        described("channel", WORD, "which bus", null="not told"),
        described("start", TIME_TYPE, "the last frame before the silence", unit="UTC"),
        described("end", TIME_TYPE, "the first after it", unit="UTC"),
        described("line", pa.int64(), "where that stands in the recording"),
    ]
)


def frame_bits(length: int, *, extended: bool) -> tuple[int, int]:
    """(least, most) bits that a data frame of so many bytes takes on the wire, with the pause behind it.

    Source: R. I. Davis, A. Burns, R. J. Bril, J. J. Lukkien, "Controller Area Network (CAN) schedulability analysis:
    refuted, revisited and revised", Real-Time Systems 35 (2007), equation for C_m: g + 8 s + 13 bits and at most
    (g + 8 s - 1) / 4 stuff bits, with g = 34 for 11-bit and 54 for 29-bit identifiers.
    """
    stuffed = (54 if extended else 34) + 8 * length
    return stuffed + 13, stuffed + 13 + (stuffed - 1) // 4


class _Codes:
    """Small numbers for identifiers, from 1 on in the order they are met; keys of n frames at once.

    A key's place in a table says its number, if that number's key is the same; where two keys share a place, the later one is
    looked up by itself.
    """

    def __init__(self) -> None:
        self._numbers: dict[int, int] = {}
        self._table = np.zeros(1 << TABLE_BITS, np.int32)
        self._keys = np.full(1, NO_KEY, np.uint32)

    @property
    def keys(self) -> NDArray[np.uint32]:
        """(n,) keys met so far, in the order of their numbers from 1 on."""
        return self._keys[1:]

    def of(self, keys: NDArray[np.uint32]) -> NDArray[np.int32]:
        """(n,) numbers of (n,) keys."""
        places = keys * SPREAD
        places >>= np.uint32(32 - TABLE_BITS)
        numbers: NDArray[np.int32] = self._table[places]
        strange = self._keys[numbers] != keys
        if strange.any():
            rows = np.flatnonzero(strange)
            values, which = distinct(keys[rows])
            numbers[rows] = np.array([self._number(value) for value in values.tolist()], np.int32)[which]
        return numbers

    def _number(self, key: int) -> int:
        number = self._numbers.get(key)
        if number is None:
            number = self._numbers[key] = len(self._numbers) + 1
            self._keys = np.append(self._keys, np.uint32(key))
            place = (key * int(SPREAD) & 0xFFFFFFFF) >> (32 - TABLE_BITS)
            if not self._table[place]:
                self._table[place] = number
        return number


@dataclass(frozen=True, slots=True)
class Break:
    """Where the times of one channel do not go on: it was silent, or its recorder's clock was set back.

    before_us, after_us: times of the frames on either side; before_line, line: where they stand in the recording. number: of
    the frame behind it, over all channels, from 0.
    """

    before_us: int
    after_us: int
    number: int
    before_line: int
    line: int


@dataclass(frozen=True, slots=True)
class Counted:
    """Data frames of one channel in a batch, as they were counted.

    rows: (m,) their places in the batch, None for all of it.
    senders: (m,) the number of each one's identifier on its channel, from 1 on in the order in which they were met.
    """

    channel: str | None
    rows: NDArray[np.int64] | None
    senders: NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class Slot:
    """Ten seconds of one channel: data frames, the bits they took without stuff bits and with the most there can be, and when
    the first of them came and where it stands."""

    start_us: int
    bits_least: int
    bits_most: int
    frames: int
    first_us: int
    line: int


@dataclass(slots=True)
class _Channel:
    """What is remembered of one channel. frames, first_us, last_us: of each number in `codes`, the first of them unused.

    slots, slot_firsts: frames by kind and length, and (time, line) of the first, of each ten seconds.
    """

    codes: _Codes = field(default_factory=_Codes)
    frames: NDArray[np.int64] = field(default_factory=lambda: np.zeros(1, np.int64))
    first_us: NDArray[np.int64] = field(default_factory=lambda: np.zeros(1, np.int64))
    last_us: NDArray[np.int64] = field(default_factory=lambda: np.zeros(1, np.int64))
    slots: dict[int, NDArray[np.int64]] = field(default_factory=dict)
    slot_firsts: dict[int, tuple[int, int]] = field(default_factory=dict)
    breaks: list[Break] = field(default_factory=list)
    latest_us: int = UNKNOWN_TIME_US
    latest_line: int = 0


class Traffic:
    """Counts the frames of one or more buses; memory grows with identifiers and minutes, not with frames.

    frames: of all kinds. remote, error, fd, eleven_bits: how many of them were of that kind.
    """

    def __init__(self) -> None:
        self.frames = self.remote = self.error = self.fd = self.eleven_bits = 0
        self._channels: dict[str | None, _Channel] = {}

    def add(self, frames: pa.Table) -> list[Counted]:
        """Count a batch, and say how it was counted, channel by channel. frames: FRAMES, n rows, in the order they came."""
        identifier, flags = values_of(frames.column("identifier")), values_of(frames.column("flags"))
        length, time_us = values_of(frames.column("length")), times_us(frames)
        line = values_of(frames.column("line"))
        channel, names = codes_of(frames.column("channel"))
        counted: list[Counted] = []
        number = self.frames
        self.frames += len(frames)
        if len(frames) and flags.min() == flags.max() == EXTENDED:
            plain = None
        else:
            self.remote += int(np.count_nonzero(flags & REMOTE))
            self.error += int(np.count_nonzero(flags & ERROR_FRAME))
            self.fd += int(np.count_nonzero(flags & FD))
            self.eleven_bits += int(np.count_nonzero((flags & (EXTENDED | ERROR_FRAME)) == 0))
            plain = np.flatnonzero((flags & (ERROR_FRAME | FD | REMOTE)) == 0)
        present = [0]
        if len(names) != 2 or channel.max(initial=0) > 0:
            present = np.flatnonzero(np.bincount(channel, minlength=len(names))).tolist()
        if not len(frames):
            return counted
        for code in present:
            rows = plain
            # Error frames break a silence as much as any.
            everything: NDArray[np.int64] | slice = slice(None)
            if len(present) > 1:
                mine = channel == code
                everything = np.flatnonzero(mine)
                rows = everything if plain is None else plain[mine[plain]]
            state = self._channels.setdefault(names[code], _Channel())
            _count_silence(state, time_us, line, everything, number)
            if rows is None:
                senders = _count_frames(state, identifier, flags, length, time_us, line)
            elif len(rows):
                senders = _count_frames(state, identifier[rows], flags[rows], length[rows], time_us[rows], line[rows])
            else:
                continue
            counted.append(Counted(names[code], rows, senders))
        return counted

    def channels(self) -> list[str | None]:
        """The channels heard so far, in the order they were met."""
        return list(self._channels)

    def keys(self, channel: str | None) -> NDArray[np.uint32]:
        """(k,) identifiers met on a channel, in the order of their numbers; those of 29 bits have the highest bit set."""
        return self._channels[channel].codes.keys

    def counts(self, channel: str | None) -> NDArray[np.int64]:
        """(k,) frames of each of those identifiers."""
        return self._channels[channel].frames[1:]

    def breaks(self, channel: str | None) -> list[Break]:
        """Where the times of a channel do not go on, in their order."""
        return self._channels[channel].breaks

    def senders(self) -> pa.Table:
        """SENDERS: one row for each channel and identifier of a data frame, the most frequent first."""
        names: list[str | None] = []
        columns: list[tuple[NDArray[Any], ...]] = []
        for name, state in self._channels.items():
            names += [name] * len(state.codes.keys)
            columns.append((state.codes.keys, state.frames[1:], state.first_us[1:], state.last_us[1:]))
        none = np.zeros(0, np.int64)
        key, frames, first, last = (np.concatenate([column[i] for column in columns] or [none]) for i in range(4))
        order = np.argsort(-frames, kind="stable")
        key = key[order].astype(np.uint32)
        identifier, has_29_bits = key & np.uint32(0x1FFFFFFF), key >= HAS_29_BITS
        return pa.table(
            [
                _names([names[i] for i in order]),
                arrow(identifier),
                arrow(pgns(identifier), known=has_29_bits),
                arrow(source_addresses(identifier), known=has_29_bits),
                arrow(frames[order]),
                time_column(first[order]),
                time_column(last[order]),
            ],
            schema=SENDERS,
        )

    def minutes(self, bitrate: int = 250_000) -> pa.Table:
        """MINUTES: how full each channel was in each minute in which it was heard, at a bit rate in bit/s."""
        rows = []
        for name, state in self._channels.items():
            for minute, slots in groupby(sorted(state.slots), lambda slot: slot * SLOT_US // MINUTE_US):
                numbers = list(slots)
                counts = np.sum([state.slots[slot] for slot in numbers], axis=0)
                rows.append((name, minute, counts, *state.slot_firsts[numbers[0]]))
        counts = np.array([row[2] for row in rows], np.int64).reshape(-1, 2 * LENGTHS)
        bits = np.array([frame_bits(i % LENGTHS, extended=i >= LENGTHS) for i in range(2 * LENGTHS)])
        low, high = (100 * (counts @ bits).T / (60 * bitrate)).astype(np.float64)
        return pa.table(
            [
                _names([row[0] for row in rows]),
                time_column(np.array([row[1] for row in rows], np.int64) * MINUTE_US),
                arrow(counts.sum(axis=1)),
                arrow(low),
                arrow(high),
                time_column(np.array([row[3] for row in rows], np.int64)),
                arrow(np.array([row[4] for row in rows], np.int64)),
            ],
            schema=MINUTES,
        )

    def slots(self, channel: str | None) -> Iterator[Slot]:
        """What a channel carried in each ten seconds in which it was heard, in their order."""
        state = self._channels[channel]
        bits = np.array([frame_bits(i % LENGTHS, extended=i >= LENGTHS) for i in range(2 * LENGTHS)])
        for slot in sorted(state.slots):
            least, most = (state.slots[slot] @ bits).tolist()
            yield Slot(slot * SLOT_US, least, most, int(state.slots[slot].sum()), *state.slot_firsts[slot])

    def gaps(self) -> pa.Table:
        """GAPS: when a whole channel was silent for more than two seconds between frames."""
        rows = [
            (name, silence)
            for name, state in self._channels.items()
            for silence in state.breaks
            if silence.after_us > silence.before_us
        ]
        return pa.table(
            [
                _names([row[0] for row in rows]),
                time_column(np.array([row[1].before_us for row in rows], np.int64)),
                time_column(np.array([row[1].after_us for row in rows], np.int64)),
                arrow(np.array([row[1].line for row in rows], np.int64)),
            ],
            schema=GAPS,
        )


def _names(names: list[str | None]) -> pa.Array:
    words = list(dict.fromkeys(names))
    return dictionary_column(np.array([words.index(name) for name in names], np.int64), words)


def _count_silence(
    state: _Channel,
    time_us: NDArray[np.int64],
    line: NDArray[np.int64],
    rows: NDArray[np.int64] | slice,
    number: int,
) -> None:
    """Note the silences before and between some rows of a batch, and clocks set back. number: of the batch's first frame."""
    moments = time_us[rows]
    if not len(moments) or moments.min() == UNKNOWN_TIME_US:
        return
    before = state.latest_us if state.latest_us != UNKNOWN_TIME_US else int(moments[0])
    steps = np.diff(moments, prepend=before)
    if steps.max() > SILENT_US or steps.min() < -BACK_US:
        for at in np.flatnonzero((steps > SILENT_US) | (steps < -BACK_US)).tolist():
            row, previous = (at, at - 1) if isinstance(rows, slice) else (int(rows[at]), int(rows[at - 1]))
            before_line = int(line[previous]) if at else state.latest_line
            after = int(moments[at])
            state.breaks.append(Break(after - int(steps[at]), after, number + row, before_line, int(line[row])))
    state.latest_us, state.latest_line = int(moments[-1]), int(line[-1 if isinstance(rows, slice) else int(rows[-1])])


def _count_frames(
    state: _Channel,
    identifier: NDArray[np.uint32],
    flags: NDArray[np.uint8],
    length: NDArray[np.uint8],
    time_us: NDArray[np.int64],
    line: NDArray[np.int64],
) -> NDArray[np.int32]:
    """Count n data frames by identifier and by minute. Returns (n,) the numbers of their identifiers."""
    keys = identifier | (flags & np.uint8(EXTENDED)).astype(np.uint32) * HAS_29_BITS
    numbers = state.codes.of(keys)
    before, known = len(state.frames), len(state.codes.keys) + 1
    if known > before:
        state.frames, state.first_us, state.last_us = (
            np.append(values, np.zeros(known - before, np.int64))
            for values in (state.frames, state.first_us, state.last_us)
        )
    state.frames += np.bincount(numbers, minlength=known)
    # Of several values for one place numpy keeps the one written last.
    state.last_us[numbers] = time_us
    if known > before:
        first = np.empty(known, np.int64)
        first[numbers[::-1]] = time_us[::-1]
        state.first_us[before:] = first[before:]
    if int(time_us.min()) == UNKNOWN_TIME_US:
        return numbers
    kind_and_length = (flags & np.uint8(EXTENDED)) * np.uint8(LENGTHS)
    kind_and_length += np.minimum(length, np.uint8(8))
    for number, some in _slots(time_us):
        counts = np.bincount(kind_and_length[some], minlength=2 * LENGTHS)
        if number in state.slots:
            state.slots[number] += counts
        else:
            state.slots[number] = counts
            state.slot_firsts[number] = int(time_us[some][0]), int(line[some][0])
    return numbers


def _slots(time_us: NDArray[np.int64]) -> Iterator[tuple[int, slice | NDArray[np.bool_]]]:
    """(ten seconds, which of the n times are in them), n at least 1."""
    first, last = int(time_us[0]) // SLOT_US, int(time_us[-1]) // SLOT_US
    if (time_us[1:] >= time_us[:-1]).all():
        if first == last:
            yield first, slice(None)
            return
        if last - first < len(time_us):
            numbers = np.arange(first, last + 1)
            edges = np.searchsorted(time_us, np.append(numbers, last + 1) * SLOT_US).tolist()
            for number, begin, end in zip(numbers.tolist(), edges[:-1], edges[1:], strict=True):
                if begin < end:
                    yield number, slice(begin, end)
            return
    slot = time_us // SLOT_US
    for number in distinct(slot)[0].tolist():
        yield number, slot == number
