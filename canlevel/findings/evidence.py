"""What findings are made from: each bus, each tank as each device sends it, and what devices say, on one axis of time.

What comes in: a Listener that has heard everything, and READINGS of the tank frames it kept. What goes out: Evidence, which
checks only read. Everything here is what a listener on the wire can know.

The axis: seconds of a bus being heard, from its first frame on. What the recorder did to the times (a pause, a clock that was
set) is taken out, so that a device is called late or silent only for what it did itself.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from canlevel.findings.held import Readings, Series
from canlevel.findings.listener import Leaps, Listener, Proof, Sender, frame_text
from canlevel.findings.traffic import SILENT_US, Break, Slot, frame_bits
from canlevel.identifier import pgn_of
from canlevel.roster import Roster, TankEntry
from canlevel.tables import EARLIEST_DATE_US, STATUSES, UNKNOWN_TIME_US

__all__ = [
    "ERROR",
    "LONGER_THAN_USUAL",
    "MALFORMED",
    "NOT_AVAILABLE",
    "OK",
    "OVER_RANGE",
    "RESERVED",
    "Bus",
    "BusTime",
    "Claim",
    "Device",
    "Evidence",
    "Recording",
    "Report",
    "Stop",
    "Tank",
    "gather",
    "load_share",
]

# A clock that jumps so far was set; nobody pauses a recording for so long.
NEVER_A_PAUSE_US = 300 * 86_400_000_000
MORE_LIKE_A_CLOCK_US = 1_800_000_000
HELD_BACK_US = 6_000_000  # an adapter or a busy computer may keep frames back for some seconds
LONGER_THAN_USUAL = 3.0
ALIKE, FEWEST_BURSTS, LONGEST_BURST = 1.5, 4, 200  # frames
FEWEST_WITNESSES, STEP_OVER_PAUSE = 3, 100.0
STEADY, STEADY_INTERVALS = 0.3, 6  # spread over mean of a sender that keeps its period
THERE_PERIODS = 1.5
SAME_MOMENT, SAME_MOMENT_US, SAME_PERIOD = 0.1, 50_000, 1.1  # what is sent in one breath
KEPT_TIME = 3.0
STRAYS, LEAST_SPREAD_S = 0.05, 1e-3  # a frame that was lost or held back comes anywhere
CAUGHT_UP_US = 10_000_000
REGULAR = 0.5
FEWEST_OF_A_PERIOD, SHORTEST_LIFE_S = 4, 10.0
LIFE_OF_BURSTS_S, LONGEST_OF_LIFE = 60.0, 0.05
LASTING_PERIODS, LASTING_S = 3.0, 2.0
# Address claim, request, acknowledgement, transport, product and configuration information: sent when asked, or once.
MANAGEMENT = frozenset({60928, 59904, 59392, 60416, 60160, 126464, 126996, 126998, 65259, 65240})
OK, NOT_AVAILABLE, ERROR, RESERVED, OVER_RANGE, MALFORMED = range(len(STATUSES))

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Stop:
    """Where the times of a bus do not go on, and what is taken out there. sign: what tells that the recorder's clock was set;
    None where the recording was interrupted, or the whole bus silent.
    """

    found: Break
    sign: str | None
    taken_out_us: int

    @property
    def clock(self) -> bool:
        """Whether the recorder's clock was set."""
        return self.sign is not None

    @property
    def proof(self) -> Proof:
        """The two frames on either side of it."""
        return Proof(2, self.found.before_us, self.found.after_us, self.found.before_line, None)


@dataclass(frozen=True)
class Bus:
    """One channel. seconds: how long it was heard; None where its frames carry no times."""

    channel: str | None
    senders: tuple[Sender, ...]
    stops: tuple[Stop, ...]
    slots: tuple[Slot, ...]
    first_us: int | None
    last_us: int | None
    last_number: int

    @cached_property
    def seconds(self) -> float | None:
        if self.first_us is None or self.last_us is None:
            return None
        return float(self.at(np.array([self.last_number]), np.array([self.last_us]))[0])

    def at(self, number: NDArray[np.int64], time_us: NDArray[np.int64]) -> Floats:
        """(n,) seconds on the axis of frames with these numbers and times."""
        broken = np.array([stop.found.number for stop in self.stops], np.int64)
        taken_out = np.cumsum([0, *(stop.taken_out_us for stop in self.stops)])
        passed = taken_out[np.searchsorted(broken, number, "right")]
        return np.asarray((time_us - (self.first_us or 0) - passed) / 1e6)

    @cached_property
    def frames(self) -> int:
        return sum(sender.frames for sender in self.senders)

    @cached_property
    def bits(self) -> float:
        """Bits that all its frames took at most."""
        return sum(_bits(sender) for sender in self.senders)


@dataclass(frozen=True, eq=False)
class Tank:
    """One tank as one device sends it on one channel, n readings in the order they came.

    number, time_us, line, identifier, payload, length: (n,) of the frames they were in. at_s: (n,) on the bus's axis, nan
    without times. level_pct, capacity_l (the device's own), steps (into how many it divides its level): (n,), nan where not
    told. status: (n,) places in STATUSES. These columns are made anew whenever they are asked for, from a Series, which takes
    far less room: a function that needs one twice gives it a name.
    period_s: that of its kind, by its definition. entry: its entry in the roster.
    """

    tank: str
    protocol: str
    fluid: str
    instance: int | None
    channel: str | None
    source_address: int
    period_s: float | None
    entry: TankEntry | None
    bus: Bus
    series: Series

    @property
    def number(self) -> NDArray[np.int64]:
        return self.series.column("number").astype(np.int64)

    @property
    def time_us(self) -> NDArray[np.int64]:
        return self.series.column("time_us")

    @property
    def at_s(self) -> Floats:
        return self.bus.at(self.number, self.time_us) if self.timed else np.full(self.series.rows, np.nan)

    @property
    def line(self) -> NDArray[np.int64]:
        return self.series.column("line").astype(np.int64)

    @property
    def identifier(self) -> NDArray[np.uint32]:
        return self.series.column("identifier")

    @property
    def payload(self) -> NDArray[np.uint64]:
        return self.series.column("payload")

    @property
    def length(self) -> NDArray[np.uint8]:
        return self.series.column("length")

    @property
    def level_pct(self) -> Floats:
        return self.series.column("level_pct")

    @property
    def capacity_l(self) -> Floats:
        return self.series.column("capacity_l")

    @property
    def steps(self) -> Floats:
        return self.series.column("steps")

    @property
    def status(self) -> NDArray[np.int8]:
        return self.series.column("status")

    @property
    def name(self) -> str:
        """What to call it: the owner's name with the id behind it, or the id."""
        return f'"{self.entry.short_name}" ({self.tank})' if self.entry else self.tank

    @cached_property
    def timed(self) -> bool:
        return self.bus.first_us is not None and bool((self.time_us != UNKNOWN_TIME_US).all())

    @property
    def intervals_s(self) -> Floats:
        """(m,) between readings that no stop lies between."""
        if not self.timed:
            return np.zeros(0)
        # A frame that comes twice in one moment is one message.
        return np.asarray(np.maximum(np.diff(self.at_s), 0.0)[self._unbroken])

    @property
    def moves_pct(self) -> Floats:
        """(m,) how far the level moved in each of `intervals_s`, nan where it is not known."""
        return np.asarray(np.abs(np.diff(self.level_pct))[self._unbroken]) if self.timed else np.zeros(0)

    @property
    def _unbroken(self) -> NDArray[np.bool_]:
        """(n - 1,) readings that no stop lies behind."""
        broken = np.array([stop.found.number for stop in self.bus.stops], np.int64)
        return np.asarray(np.diff(np.searchsorted(broken, self.number, "right")) == 0)

    @cached_property
    def usual_s(self) -> float | None:
        """Its own period: the median interval."""
        intervals_s = self.intervals_s
        return float(np.median(intervals_s)) if len(intervals_s) else None

    @cached_property
    def silent_s(self) -> float:
        """How long the bus went on without it, at the end."""
        return (self.bus.seconds or 0.0) - float(self.at_s[-1]) if self.timed else 0.0

    @property
    def numbers_known(self) -> NDArray[np.bool_]:
        """(n,) readings that carry a level."""
        return np.asarray(~np.isnan(self.level_pct))

    def proof(self, rows: NDArray[np.bool_] | NDArray[np.int64] | None = None, *, shown: int = 0) -> Proof:
        """A Proof by some of the readings (all without `rows`); shown: which of those is the sample."""
        if rows is None:
            places: Sequence[int] | NDArray[np.int64] = range(self.series.rows)
        else:
            places = np.flatnonzero(rows) if rows.dtype == np.bool_ else np.asarray(rows, np.int64)
        if not len(places):
            return Proof()
        first, last, sample = int(places[0]), int(places[-1]), int(places[shown])
        first_us, last_us = (
            None if moment == UNKNOWN_TIME_US else moment
            for moment in (int(self.series.value("time_us", first)), int(self.series.value("time_us", last)))
        )
        identifier, length, payload = (
            int(self.series.value(name, sample)) for name in ("identifier", "length", "payload")
        )
        text = frame_text(self.channel, identifier, 1, length, payload)
        return Proof(len(places), first_us, last_us, int(self.series.value("line", first)), text)


@dataclass(frozen=True, slots=True)
class Claim:
    """An address claim. name: its 64 bits. number: of its frame over all channels."""

    channel: str | None
    source_address: int
    name: int
    number: int
    proof: Proof


@dataclass(frozen=True, slots=True)
class BusTime:
    """The time that a device tells on the bus. number, heard_us: of its frame, by the recorder. told_us: what it says."""

    channel: str | None
    source_address: int
    number: int
    heard_us: int
    told_us: int


@dataclass(frozen=True, slots=True)
class Report:
    """A fault that a device reports of itself, in words."""

    channel: str | None
    source_address: int
    words: str
    proof: Proof


@dataclass(frozen=True, eq=False)
class Device:
    """A source address on a channel: what it sends, and the tanks in it."""

    channel: str | None
    source_address: int
    bus: Bus
    senders: tuple[Sender, ...]
    tanks: tuple[Tank, ...]

    @cached_property
    def last_s(self) -> float:
        """When it was last heard, on the bus's axis."""
        numbers = np.array([sender.last_number for sender in self.senders])
        times = np.array([sender.last_us or 0 for sender in self.senders])
        return float(self.bus.at(numbers, times).max())

    @cached_property
    def silent_s(self) -> float:
        """How long the bus went on without it, at the end."""
        return (self.bus.seconds or 0.0) - self.last_s

    @cached_property
    def regular(self) -> tuple[Sender, ...]:
        """What it sends again and again: with a period, or never silent for long; but for what the network itself asks for."""
        return tuple(sender for sender in self.senders if _is_regular(sender))

    @cached_property
    def lasting(self) -> tuple[Sender, ...]:
        """What of that it sent until it was last heard, and not only for a while before."""
        numbers = np.array([sender.last_number for sender in self.regular], np.int64)
        times = np.array([sender.last_us or 0 for sender in self.regular], np.int64)
        last_s = self.bus.at(numbers, times).tolist()
        return tuple(
            sender
            for sender, at_s in zip(self.regular, last_s, strict=True)
            if self.last_s - at_s <= max(LASTING_PERIODS * sender.mean_s, 2 * sender.longest_s, LASTING_S)
        )

    @cached_property
    def proof(self) -> Proof:
        first = min(self.senders, key=lambda sender: sender.first.first_line or 0)
        last_us = max((sender.last_us or 0 for sender in self.senders), default=0)
        return replace(first.first, frames=sum(sender.frames for sender in self.senders), last_us=last_us or None)


def _is_regular(sender: Sender) -> bool:
    if sender.pgn is None or sender.pgn in MANAGEMENT or sender.intervals < FEWEST_OF_A_PERIOD:
        return False
    life_s = sender.mean_s * sender.intervals
    period_s, spread_s, intervals = _own_rhythm(sender)
    with_a_period = period_s * intervals >= SHORTEST_LIFE_S and spread_s <= REGULAR * period_s
    return with_a_period or (life_s >= LIFE_OF_BURSTS_S and sender.longest_s <= LONGEST_OF_LIFE * life_s)


@dataclass(frozen=True, slots=True)
class Recording:
    """What the reading of the recording itself brought up. dropped: frames its recorder lost; told of first in `dropped_line`,
    whose text is `dropped_text`. live: a bus, and no recording, that was listened to for `listened_s`. bitrate: bit/s.
    """

    skipped: int = 0
    dropped: int = 0
    dropped_line: int | None = None
    dropped_text: str | None = None
    live: bool = False
    listened_s: float | None = None
    bitrate: int = 250_000


@dataclass(frozen=True)
class Evidence:
    """All that was heard. claims in their order; asked: whether a request for address claims was heard, and its Proof.

    frames: of all kinds; extended: data frames with 29 bits; eleven_bits: with 11. nameless: malformed readings that do not
    tell their tank. not_fitted: ids of tanks of which a J1939 device says that they are not fitted.
    """

    recording: Recording
    roster: Roster
    frames: int
    extended: int
    eleven_bits: int
    errors: Proof
    error_bits: Mapping[int, int]
    first: Proof
    buses: tuple[Bus, ...]
    tanks: tuple[Tank, ...]
    nameless: tuple[Tank, ...]
    not_fitted: frozenset[str]
    devices: tuple[Device, ...]
    claims: tuple[Claim, ...] = ()
    asked: Mapping[str | None, Proof] = field(default_factory=dict)
    reports: tuple[Report, ...] = ()

    @cached_property
    def heard_s(self) -> float | None:
        """How long was listened; of a recording, how long its longest bus lasts. None where its frames carry no times."""
        if self.recording.listened_s is not None:
            return self.recording.listened_s
        return max((bus.seconds for bus in self.buses if bus.seconds is not None), default=None)

    def device(self, channel: str | None, source_address: int) -> Device | None:
        """The device at an address of a channel."""
        return next(
            (d for d in self.devices if (d.channel, d.source_address) == (channel, source_address)),
            None,
        )


def gather(
    listener: Listener,
    readings: Readings,
    periods: Mapping[int, float | None],
    *,
    roster: Roster,
    recording: Recording,
    claims: Sequence[Claim] = (),
    asked: Mapping[str | None, Proof] | None = None,
    reports: Sequence[Report] = (),
    bus_times: Sequence[BusTime] = (),
) -> Evidence:
    """Evidence of everything a Listener heard.

    readings: of the tank frames, without a roster. periods: seconds between two messages of a kind, by PGN, None where its
    definition does not tell.
    """
    traffic = listener.traffic
    buses = {
        channel: _bus(listener, channel, [told for told in bus_times if told.channel == channel])
        for channel in traffic.channels()
    }
    buses = _by_one_clock(buses)
    not_fitted: set[str] = set()
    tanks = _tanks(readings, periods, buses, roster, not_fitted)
    named = [tank for tank in tanks if tank.instance is not None]
    devices = []
    for channel, bus in buses.items():
        sources = sorted({s.source_address for s in bus.senders if s.source_address is not None})
        for source in sources:
            senders = tuple(s for s in bus.senders if s.source_address == source)
            mine = tuple(t for t in named if (t.channel, t.source_address) == (channel, source))
            devices.append(Device(channel, source, bus, senders, mine))
    return Evidence(
        recording=recording,
        roster=roster,
        frames=traffic.frames,
        extended=sum(s.frames for bus in buses.values() for s in bus.senders if s.pgn is not None),
        eleven_bits=traffic.eleven_bits,
        errors=listener.errors,
        error_bits=listener.error_bits,
        first=listener.first,
        buses=tuple(buses.values()),
        tanks=tuple(named),
        nameless=tuple(tank for tank in tanks if tank.instance is None),
        not_fitted=frozenset(not_fitted - {tank.tank for tank in tanks}),
        devices=tuple(devices),
        claims=tuple(claims),
        asked=asked or {},
        reports=tuple(reports),
    )


def _bus(listener: Listener, channel: str | None, bus_clock: Sequence[BusTime]) -> Bus:
    traffic = listener.traffic
    frames = int(traffic.counts(channel).sum())
    fastest_s = listener.fastest_s(channel)
    breaks = _unusual(traffic.breaks(channel), fastest_s, frames)
    senders = listener.senders(channel, breaks)
    usual_us = round(1e6 * (fastest_s or 0.0))
    leaps = listener.leaps(channel)
    stops = []
    for found in breaks:
        jump = found.after_us - found.before_us
        stops.append(
            Stop(found, _sign_of_a_clock(found, senders, leaps, bus_clock), jump - min(usual_us, max(jump, 0)))
        )
    last = max(senders, key=lambda sender: sender.last_number, default=None)
    first = listener.firsts.get(channel, Proof())
    return Bus(
        channel=channel,
        senders=tuple(senders),
        stops=tuple(stops),
        slots=tuple(traffic.slots(channel)),
        first_us=first.first_us,
        last_us=last.last_us if last else None,
        last_number=last.last_number if last else -1,
    )


def _by_one_clock(buses: Mapping[str | None, Bus]) -> dict[str | None, Bus]:
    """The buses; a recorder has one clock, so that what was found to be its step on one is none of the others' pauses."""
    steps = [(channel, stop) for channel, bus in buses.items() for stop in bus.stops if stop.clock]
    found = {}
    for channel, bus in buses.items():
        elsewhere = [step for other, step in steps if other != channel]
        stops = [
            next((replace(stop, sign=step.sign) for step in elsewhere if not stop.clock and _overlap(step, stop)), stop)
            for stop in bus.stops
        ]
        found[channel] = replace(bus, stops=tuple(stops))
    return found


def _overlap(one: Stop, other: Stop) -> bool:
    """Whether two leaps forward are mostly the same time."""
    begin, end = max(one.found.before_us, other.found.before_us), min(one.found.after_us, other.found.after_us)
    longer_us = max(stop.found.after_us - stop.found.before_us for stop in (one, other))
    return 2 * (end - begin) > longer_us


def _unusual(breaks: Sequence[Break], fastest_s: float | None, frames: int) -> list[Break]:
    """The silences that are no part of the bus's own rhythm, and clocks set back.

    fastest_s: period of its most frequent sender. On a bus of a few slow senders each time between two messages is a silence,
    and on one whose only device says all it has in one burst each time between two bursts. frames: of the channel.
    """
    silent = np.array([found.after_us - found.before_us for found in breaks if found.after_us > found.before_us])
    usual_us = 0.0 if fastest_s is None else fastest_s * 1e6
    if len(silent):
        middle_us = float(np.median(silent))
        alike = float(np.quantile(silent, 0.75)) <= ALIKE * middle_us
        bursts = len(silent) >= FEWEST_BURSTS and len(silent) * LONGEST_BURST >= frames
        if fastest_s is None or (alike and bursts):
            usual_us = max(usual_us, middle_us)
    least = max(SILENT_US, round(LONGER_THAN_USUAL * usual_us))
    return [found for found in breaks if found.after_us < found.before_us or found.after_us - found.before_us > least]


def _by_its_own_clock(found: Break, bus_times: Sequence[BusTime]) -> bool | None:
    """Whether a clock on the bus went on while the recorder's jumped; None where no device tells the time around the break."""
    jump_us = abs(found.after_us - found.before_us)
    at = bisect_left([told.number for told in bus_times], found.number)
    before = bus_times[at - 1] if at else None
    if before is None:
        return None
    # What an adapter kept back comes late and all at once; some seconds on, its times are right again.
    for after in bus_times[at:]:
        if after.source_address == before.source_address and after.heard_us - found.after_us >= CAUGHT_UP_US:
            heard_us, told_us = after.heard_us - before.heard_us, after.told_us - before.told_us
            return abs(heard_us - told_us) > jump_us / 2
    return None


def _sign_of_a_clock(found: Break, senders: Sequence[Sender], leaps: Leaps, bus_times: Sequence[BusTime]) -> str | None:
    """What tells that the recorder's clock was set at a break, while the bus went on; None where nothing does."""
    jump = found.after_us - found.before_us
    told = _by_its_own_clock(found, bus_times)
    if told is not None:
        return "a device that tells the time on the bus had no such jump" if told else None
    if jump < 0:
        return "time does not run back"
    if found.before_us < EARLIEST_DATE_US <= found.after_us:
        return "it had no date before"
    if jump > NEVER_A_PAUSE_US:
        return "nobody pauses a recording for so long"
    return "all senders went on in step" if jump >= HELD_BACK_US and _in_step(found, senders, leaps) else None


def _in_step(found: Break, senders: Sequence[Sender], leaps: Leaps) -> bool:
    """Whether the senders' phases at a break speak for a clock that was set, and against a pause, by a hundred to one.

    A clock that is set moves all senders by the same time: each comes its own period, and that time, after its last frame.
    After a pause each comes when it is due, anywhere within its period. The leap of one sender, less its period, is taken for
    the step, and the likelihood of the others' after a step and after a pause compared; each timer's fastest sender is that one
    in turn, and the mean counts. Of a pause its expectation is 1 at most, and so it is above a hundred for one pause in a
    hundred at most (A. Markov's inequality).
    """
    jump_s = (found.after_us - found.before_us) / 1e6
    witnesses = _witnesses(found, senders, leaps)
    if len(witnesses) < FEWEST_WITNESSES:
        return False
    # A pause of less than half an hour may be a whole multiple of periods that are kept all the while.
    in_time = jump_s < MORE_LIKE_A_CLOCK_US / 1e6
    references = {witness.timer: witness for witness in reversed(witnesses)}.values()  # the fastest of each
    ratios = [_step_over_pause(reference, witnesses, in_time=in_time) for reference in references]
    return sum(ratios) / len(ratios) >= STEP_OVER_PAUSE


@dataclass(frozen=True, slots=True)
class _Witness:
    """A sender that keeps its period, on either side of a break. moved_s: from its last frame before to its first after, less
    its period. timer: what it may share its timer with has the same number.
    """

    period_s: float
    spread_s: float
    intervals: int
    moved_s: float
    timer: int


def _witnesses(found: Break, senders: Sequence[Sender], leaps: Leaps) -> list[_Witness]:
    """Senders that keep their periods and were there just before a break and just after it, the fastest first."""
    over = (leaps.before < found.number) & (leaps.after >= found.number)
    rows = sorted(
        (*_own_rhythm(senders[number - 1]), number, before_us, after_us)
        for number, before_us, after_us in zip(
            leaps.sender[over].tolist(), leaps.before_us[over].tolist(), leaps.after_us[over].tolist(), strict=True
        )
    )
    witnesses: list[_Witness] = []
    met: list[tuple[int | None, float, int]] = []
    for period_s, spread_s, intervals, number, before_us, after_us in rows:
        source = senders[number - 1].source_address
        if intervals < STEADY_INTERVALS or spread_s > STEADY * period_s:
            continue
        if max(found.before_us - before_us, after_us - found.after_us) > THERE_PERIODS * period_s * 1e6:
            continue
        # A device's messages hang on one timer, as does what several addresses send in one breath.
        timer = next(
            (
                witness.timer
                for witness, (address, other_s, other_us) in zip(witnesses, met, strict=True)
                if address == source
                or (
                    period_s < SAME_PERIOD * other_s
                    and abs(before_us - other_us) < min(SAME_MOMENT * period_s * 1e6, SAME_MOMENT_US)
                )
            ),
            len(witnesses),
        )
        moved_s = (after_us - before_us) / 1e6 - period_s
        witnesses.append(_Witness(period_s, max(spread_s, LEAST_SPREAD_S), intervals, moved_s, timer))
        met.append((source, period_s, before_us))
    return witnesses


def _own_rhythm(sender: Sender) -> tuple[float, float, int]:
    """(mean, spread, number) of a sender's intervals but the longest, in which it may have been switched off."""
    n, mean_s = sender.intervals - 1, sender.mean_s
    if n < 1:
        return 0.0, 0.0, 0
    squares = sender.intervals * (sender.spread_s**2 + mean_s**2) - sender.longest_s**2
    mean_s = (sender.intervals * mean_s - sender.longest_s) / n
    return mean_s, max(squares / n - mean_s**2, 0.0) ** 0.5, n


def _step_over_pause(reference: _Witness, witnesses: Sequence[_Witness], *, in_time: bool) -> float:
    """How much likelier the leaps of witnesses (the fastest first) are after a step that one of them tells than after a pause.

    in_time: whether senders may have kept time through the pause, each coming a whole number of periods after its last frame.
    Of messages that share a timer all but one tell only on which of its ticks they came.
    """
    ratio, ticks = 1.0, {reference.timer: reference.period_s}
    for one in witnesses:
        if one is reference:
            continue
        spread_s = math.hypot(one.spread_s, reference.spread_s)
        step = _normal(one.moved_s - reference.moved_s, spread_s)
        step = (1 - STRAYS) * step + STRAYS / one.period_s
        pause = 1 / one.period_s
        if in_time:
            # Whether its jitter adds up is not known, so it does as speaks most for the pause.
            times = round(one.moved_s / one.period_s)
            off_s = abs(one.moved_s - times * one.period_s)
            adds_up_s = spread_s * math.sqrt(1 + times + times**2 / one.intervals)
            pause = max(
                pause, _normal(off_s, min(max(off_s, spread_s), KEPT_TIME * spread_s)), _normal(off_s, adds_up_s)
            )
        tick_s = ticks.get(one.timer)
        most = math.inf if tick_s is None else max(one.period_s / tick_s, 1.0)
        ticks[one.timer] = max(one.period_s, tick_s or 0.0)
        ratio *= min(step / pause, most)
    return ratio


def _normal(off: float, spread: float) -> float:
    """Density of the normal distribution."""
    return math.exp(-0.5 * (off / spread) ** 2) / (spread * math.sqrt(2 * math.pi))


def _tanks(
    readings: Readings,
    periods: Mapping[int, float | None],
    buses: Mapping[str | None, Bus],
    roster: Roster,
    not_fitted: set[str],
) -> list[Tank]:
    """A Tank for each Series, in the order in which they were first heard.

    Ids of tanks that a J1939 device says are not fitted are added to `not_fitted`.
    """
    found = []
    for series in readings.series():
        # A J1939 level that is never there is a tank that is not fitted.
        if series.protocol == "j1939" and (series.all_said("status") == NOT_AVAILABLE).all():
            not_fitted.add(series.tank)
            continue
        found.append(
            Tank(
                tank=series.tank,
                protocol=series.protocol,
                fluid=series.fluid,
                instance=series.instance,
                channel=series.channel,
                source_address=series.source_address,
                period_s=periods.get(pgn_of(int(series.value("identifier", 0)))),
                entry=roster.entry(series.tank, series.source_address),
                bus=buses[series.channel],
                series=series,
            )
        )
    return sorted(found, key=lambda one: int(one.series.value("number", 0)))


def load_share(device: Device) -> float:
    """Part of the bus's bits, at most, that a device's frames took."""
    return sum(_bits(sender) for sender in device.senders) / max(device.bus.bits, 1.0)


def _bits(sender: Sender) -> float:
    """Bits that the frames of a sender took at most, by their mean length."""
    extended = sender.pgn is not None
    mean = sender.data_bytes / max(sender.frames, 1)
    low, high = (frame_bits(length, extended=extended)[1] for length in (int(mean), min(int(mean) + 1, 8)))
    return sender.frames * (low + (mean - int(mean)) * (high - low))
