"""All frames of a bus in one pass: counted, their rhythm taken, and those kept that findings look at one by one.

What comes in: FRAMES tables. What goes out: a Hearing of each channel, and the kept frames with their numbers.
"""

from __future__ import annotations

from array import array
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.findings.traffic import BACK_US, SILENT_US, Break, Counted, Traffic
from canlevel.identifier import pgn_of
from canlevel.tables import (
    ERROR_FRAME,
    EXTENDED,
    FRAMES,
    UNKNOWN_TIME_US,
    empty,
    rows_at,
    times_us,
    values_of,
)

__all__ = ["Kept", "Leaps", "Listener", "Proof", "Sender", "frame_text"]

IDENTIFIER_BITS = 0x1FFFFFFF
MOST_IN_SIXTEEN_BITS = 65_000
FEW = 4  # intervals that tell a period


@dataclass(frozen=True, slots=True)
class Proof:
    """What a finding rests on: how many frames, when the first and the last of them came, the line of the first, and one of
    them as text. Times in microseconds since 1970, None where the recording does not tell them.
    """

    frames: int = 0
    first_us: int | None = None
    last_us: int | None = None
    first_line: int | None = None
    sample: str | None = None


@dataclass(frozen=True, slots=True)
class Leaps:
    """Pairs of frames, each of one identifier, with a Break of their channel between them. All (k,).

    sender: the number of the identifier. before_us, after_us: times. before, after: numbers of the frames over all channels.
    """

    sender: NDArray[np.int64]
    before_us: NDArray[np.int64]
    before: NDArray[np.int64]
    after_us: NDArray[np.int64]
    after: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Sender:
    """One identifier on one channel, and how regularly it came. Times in seconds, silences of the recording left out.

    pgn, source_address: None for an 11-bit identifier. intervals: how many its mean, spread (standard deviation) and longest
    are made of. data_bytes: of all its frames. first: its first frame.
    """

    channel: str | None
    identifier: int
    pgn: int | None
    source_address: int | None
    frames: int
    data_bytes: int
    first_us: int | None
    last_us: int | None
    last_number: int
    intervals: int
    mean_s: float
    spread_s: float
    longest_s: float
    first: Proof


@dataclass(frozen=True, slots=True)
class Kept:
    """Frames that were kept whole. frames: FRAMES, n rows in the order they came. number: (n,) of each over all channels."""

    frames: pa.Table
    number: NDArray[np.int64]

    @staticmethod
    def joined(parts: Sequence[Kept]) -> Kept:
        """Some of them, one behind the other."""
        if not parts:
            return Kept(empty(FRAMES), np.zeros(0, np.int64))
        table = pa.concat_tables([part.frames for part in parts]).unify_dictionaries().combine_chunks()
        return Kept(table, np.concatenate([part.number for part in parts]))


@dataclass(slots=True)
class _Rhythm:
    """Intervals between frames of one identifier, for all identifiers of a channel; index 0 is unused.

    last_us, last_number: of its latest frame. count, total_us (whole microseconds, so that it does not depend on how the stream
    is cut), square and longest (seconds): of the intervals that hold no Break.
    leaps: those that do, rows as in Leaps. broken: numbers of the frames behind the channel's breaks; set_back: whether one of
    them is a clock set back. first: what the first frame looked like. wanted: whether frames are kept.
    """

    last_us: NDArray[np.int64] = field(default_factory=lambda: np.full(1, UNKNOWN_TIME_US))
    last_number: NDArray[np.int64] = field(default_factory=lambda: np.full(1, -1))
    count: NDArray[np.int64] = field(default_factory=lambda: np.zeros(1, np.int64))
    total_us: NDArray[np.int64] = field(default_factory=lambda: np.zeros(1, np.int64))
    square: NDArray[np.float64] = field(default_factory=lambda: np.zeros(1))
    longest: NDArray[np.float64] = field(default_factory=lambda: np.zeros(1))
    data_bytes: NDArray[np.int64] = field(default_factory=lambda: np.zeros(1, np.int64))
    wanted: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(1, np.bool_))
    first: list[Proof] = field(default_factory=lambda: [Proof()])
    leaps: list[NDArray[np.int64]] = field(default_factory=list)
    broken: array[int] = field(default_factory=lambda: array("q"))
    set_back: bool = False

    def grow(self, known: int) -> None:
        more = known - len(self.last_us)
        self.last_us = np.append(self.last_us, np.full(more, UNKNOWN_TIME_US))
        self.last_number = np.append(self.last_number, np.full(more, -1))
        self.count = np.append(self.count, np.zeros(more, np.int64))
        self.total_us = np.append(self.total_us, np.zeros(more, np.int64))
        self.data_bytes = np.append(self.data_bytes, np.zeros(more, np.int64))
        self.square, self.longest = (np.append(values, np.zeros(more)) for values in (self.square, self.longest))


class Listener:
    """One pass over the frames of one or more buses. Memory grows with identifiers, minutes, silences, and the frames that
    are kept and not handed out.

    keep: the PGNs whose frames are kept whole. first: the very first frame; firsts: the first data frame of each channel.
    errors: error frames, and error_bits how often each bit of their identifiers was set.
    """

    def __init__(self, keep: Collection[int]) -> None:
        self.traffic = Traffic()
        self._keep = frozenset(keep)
        self._rhythms: dict[str | None, _Rhythm] = {}
        self._kept: list[pa.Table] = []
        self._numbers: list[NDArray[np.int64]] = []
        self.firsts: dict[str | None, Proof] = {}
        self.errors: Proof = Proof()
        self.error_bits: dict[int, int] = {}
        self.first: Proof = Proof()

    def add(self, frames: pa.Table) -> None:
        """Take in a batch. frames: FRAMES, n rows, in the order they came."""
        if not len(frames):
            return
        base, errors = self.traffic.frames, self.traffic.error
        if not base:
            self.first = _proof(frames, np.zeros(1, np.int64))
        counted = self.traffic.add(frames)
        kept = [self._take(batch, frames, times_us(frames), base) for batch in counted]
        rows = np.sort(np.concatenate(kept)) if kept else np.zeros(0, np.int64)
        if len(rows):
            self._kept.append(rows_at(frames, rows))
            self._numbers.append(rows + base)
        if self.traffic.error > errors:
            self._note_errors(frames)

    @property
    def waiting(self) -> int:
        """How many frames are kept and not handed out yet."""
        return sum(map(len, self._numbers))

    def hand_out(self) -> Kept:
        """The frames that were kept and not handed out before."""
        kept = Kept.joined([Kept(*one) for one in zip(self._kept, self._numbers, strict=True)])
        self._kept, self._numbers = [], []
        return kept

    def leaps(self, channel: str | None) -> Leaps:
        """Intervals of a channel's identifiers that hold a Break."""
        rhythm = self._rhythms.get(channel)
        rows = rhythm.leaps if rhythm else []
        return Leaps(*np.concatenate([np.zeros((5, 0), np.int64), *rows], axis=1))

    def fastest_s(self, channel: str | None) -> float | None:
        """Period of the sender of a channel that comes most often, None where none came often enough to tell."""
        rhythm = self._rhythms.get(channel)
        if rhythm is None:
            return None
        leaps = self.leaps(channel)
        periods = []
        for number in np.flatnonzero(rhythm.count + np.bincount(leaps.sender, minlength=len(rhythm.count)) >= FEW):
            long = (leaps.after_us - leaps.before_us)[leaps.sender == number] * 1e-6
            count = int(rhythm.count[number])
            # The mean of what holds no silence, but where most intervals are such that a silence fits in.
            periods.append(int(rhythm.total_us[number]) / count / 1e6 if count >= len(long) else float(np.median(long)))
        return min(periods, default=None)

    def senders(self, channel: str | None, breaks: Sequence[Break]) -> list[Sender]:
        """The identifiers of a channel: the number of each is its place from 1 on.

        breaks: those of the channel that its intervals are not to hold; a silence left out of it counts as time between frames.
        """
        rhythm = self._rhythms.get(channel)
        if rhythm is None:
            return []
        count, total_us, square, longest = _with_leaps(rhythm, self.leaps(channel), breaks)
        keys = self.traffic.keys(channel).tolist()
        frames = self.traffic.counts(channel).tolist()
        found = []
        for number, (key, sent) in enumerate(zip(keys, frames, strict=True), 1):
            n, last_us = int(count[number]), int(rhythm.last_us[number])
            mean = int(total_us[number]) / n / 1e6 if n else 0.0
            identifier = key & IDENTIFIER_BITS
            extended = bool(key >> 31)
            found.append(
                Sender(
                    channel=channel,
                    identifier=identifier,
                    pgn=pgn_of(identifier) if extended else None,
                    source_address=identifier & 0xFF if extended else None,
                    frames=sent,
                    data_bytes=int(rhythm.data_bytes[number]),
                    first_us=rhythm.first[number].first_us,
                    last_us=None if last_us == UNKNOWN_TIME_US else last_us,
                    last_number=int(rhythm.last_number[number]),
                    intervals=n,
                    mean_s=mean,
                    spread_s=max(float(square[number]) / n - mean * mean, 0.0) ** 0.5 if n else 0.0,
                    longest_s=float(longest[number]),
                    first=rhythm.first[number],
                )
            )
        return found

    def _take(self, counted: Counted, frames: pa.Table, time_us: NDArray[np.int64], base: int) -> NDArray[np.int64]:
        """Take the intervals of one channel's data frames in a batch; returns the rows of those to keep."""
        senders, rows = counted.senders, counted.rows
        state = self._rhythms.setdefault(counted.channel, _Rhythm())
        length = values_of(frames.column("length"))
        moments = time_us if rows is None else time_us[rows]
        length = length if rows is None else length[rows]
        keys = self.traffic.keys(counted.channel)
        if counted.channel not in self.firsts:
            self.firsts[counted.channel] = _proof(frames, np.zeros(1, np.int64) if rows is None else rows[:1])
        before, known = len(state.last_us), len(keys) + 1
        if known > before:
            state.grow(known)
            pgns = [pgn_of(key & IDENTIFIER_BITS) if key >> 31 else None for key in keys[before - 1 :].tolist()]
            state.wanted = np.append(state.wanted, np.array([pgn in self._keep for pgn in pgns], np.bool_))
            first = np.zeros(known, np.int64)
            first[senders[::-1]] = np.arange(len(senders))[::-1]
            places = first[before:] if rows is None else rows[first[before:]]
            state.first += [_proof(frames, places[i : i + 1]) for i in range(len(places))]
        state.data_bytes += np.bincount(senders, length, known).astype(np.int64)
        for found in self.traffic.breaks(counted.channel)[len(state.broken) :]:
            state.broken.append(found.number)
            state.set_back |= found.after_us < found.before_us
        _take_intervals(state, senders, moments, rows, base)
        mine = np.flatnonzero(state.wanted[senders])
        return mine if rows is None else rows[mine]

    def _note_errors(self, frames: pa.Table) -> None:
        rows = np.flatnonzero(values_of(frames.column("flags")) & ERROR_FRAME)
        found, had = _proof(frames, rows), self.errors
        self.errors = found if not had.frames else Proof(
            had.frames + found.frames, had.first_us, found.last_us, had.first_line, had.sample
        )  # fmt: skip
        identifier = values_of(frames.column("identifier"))[rows]
        for bit in range(29):
            n = int(np.count_nonzero(identifier >> np.uint32(bit) & np.uint32(1)))
            if n:
                self.error_bits[bit] = self.error_bits.get(bit, 0) + n


def _with_leaps(
    rhythm: _Rhythm, leaps: Leaps, breaks: Sequence[Break]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Count, sum (us), sum of squares and longest (s) of all intervals but those that hold one of `breaks`."""
    broken = np.array([found.number for found in breaks], np.int64)
    whole = np.searchsorted(broken, leaps.after, "right") == np.searchsorted(broken, leaps.before, "right")
    sender, length_us = leaps.sender[whole], (leaps.after_us - leaps.before_us)[whole]
    seconds, n = length_us * 1e-6, len(rhythm.count)
    longest, total_us = rhythm.longest.copy(), rhythm.total_us.copy()
    np.maximum.at(longest, sender, seconds)
    np.add.at(total_us, sender, length_us)
    count = rhythm.count + np.bincount(sender, minlength=n)
    return count, total_us, rhythm.square + np.bincount(sender, seconds * seconds, n), longest


def _take_intervals(
    state: _Rhythm,
    senders: NDArray[np.int32],
    moments: NDArray[np.int64],
    rows: NDArray[np.int64] | None,
    base: int,
) -> None:
    """Take the intervals between n frames of one channel, and the ones before them, identifier by identifier.

    senders, moments: (n,). rows: (n,) their places in the batch, None for 0..n-1. base: number of the batch's first frame.
    """
    # Integers of 16 bits are sorted by their digits, in a few passes.
    small = senders.astype(np.uint16) if len(state.last_us) < MOST_IN_SIXTEEN_BITS else senders
    order = np.argsort(small, kind="stable")
    ranked, moment = senders[order], moments[order]
    begins = np.flatnonzero(np.diff(ranked, prepend=-1))
    ends = np.append(begins[1:], len(order)) - 1
    who = ranked[begins]
    if moments.min() != UNKNOWN_TIME_US:
        earlier = state.last_us[who]
        fresh = earlier == UNKNOWN_TIME_US
        gap = np.empty(len(moment), np.int64)
        gap[1:] = moment[1:] - moment[:-1]
        gap[begins] = np.where(fresh, 0, moment[begins] - earlier)
        counts = ends - begins + 1 - fresh
        # A clock that was set back can hide a break in an interval of ordinary length; frames that are a little out of order
        # can hide a short silence too, and that does no harm.
        suspects = np.flatnonzero((gap > SILENT_US) | (gap < -BACK_US) | state.set_back)
        if len(suspects) and len(state.broken):
            place = order if rows is None else rows[order]
            leaps = _leaps(state, suspects, gap, ranked, moment, place + base, begins)
            gap[leaps] = 0
            counts -= np.bincount(np.searchsorted(begins, leaps, "right") - 1, minlength=len(begins))
        np.maximum(gap, 0, out=gap)
        seconds = gap * 1e-6
        state.count[who] += counts
        state.total_us[who] += np.add.reduceat(gap, begins)
        state.square[who] += np.add.reduceat(seconds * seconds, begins)
        state.longest[who] = np.maximum(state.longest[who], np.maximum.reduceat(seconds, begins))
    state.last_us[who] = moment[ends]
    state.last_number[who] = base + (order[ends] if rows is None else rows[order[ends]])


def _leaps(
    state: _Rhythm,
    suspects: NDArray[np.int64],
    gap: NDArray[np.int64],
    ranked: NDArray[np.int32],
    moment: NDArray[np.int64],
    number: NDArray[np.int64],
    begins: NDArray[np.int64],
) -> NDArray[np.int64]:
    """Set aside the intervals that hold a break, as they tell nothing of their sender; returns their places among n.

    gap, ranked, moment, number: (n,) intervals with the sender, time and number of the frame that ends each, by sender.
    """
    broken = np.frombuffer(state.broken, np.int64)
    first = begins[np.searchsorted(begins, suspects, "right") - 1] == suspects
    before = np.where(first, state.last_number[ranked[suspects]], number[suspects - 1])
    after = number[suspects]
    holds = np.searchsorted(broken, after, "right") > np.searchsorted(broken, before, "right")
    holds &= before >= 0
    found = suspects[holds]
    after_us = moment[found]
    state.leaps.append(np.array([ranked[found], after_us - gap[found], before[holds], after_us, after[holds]]))
    return found


def _proof(frames: pa.Table, rows: NDArray[np.int64]) -> Proof:
    """A Proof by some rows of FRAMES, at least one."""
    first, last = int(rows[0]), int(rows[-1])
    row = frames.slice(first, 1)
    moments = times_us(frames.select(["time"]).take([first, last]) if first != last else row)
    first_us, last_us = (None if at == UNKNOWN_TIME_US else at for at in (int(moments[0]), int(moments[-1])))
    values = {
        name: int(values_of(row.column(name))[0]) for name in ("identifier", "flags", "length", "payload", "line")
    }
    channel = row.column("channel")[0].as_py()
    text = frame_text(channel, values["identifier"], values["flags"], values["length"], values["payload"])
    return Proof(len(rows), first_us, last_us, values["line"], text)


def frame_text(channel: str | None, identifier: int, flags: int, length: int, payload: int) -> str:
    """A frame as candump's log writes it, without the time; of a longer payload the first eight bytes."""
    if flags & ERROR_FRAME:
        identifier |= 0x20000000
    digits = f"{identifier:08X}" if flags & (EXTENDED | ERROR_FRAME) else f"{identifier:03X}"
    data = payload.to_bytes(8, "little")[: min(length, 8)].hex().upper()
    return f"{channel or 'can'} {digits}#{data}"
