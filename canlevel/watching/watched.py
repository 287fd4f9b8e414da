"""What was heard of some buses, brought to what there is to see at a moment.

What comes in: FRAMES, batch by batch, with where they lie on an axis of seconds that only goes forward. What goes out:
Snapshots. One pass over the frames serves the tanks, the counts of the bus, and the findings. No clock, files or printing.

What is remembered is bounded, however long it goes on: of each tank its last reading and one level in five seconds for three
hours, of each bus the last seconds, and of the frames that findings are made from some hours (see `_go_on`).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.capture.events import BusBack, BusGone, ClockSet, Event
from canlevel.decoding.tanks import TankDecoder
from canlevel.derivation.alarms import crossed
from canlevel.derivation.online import OnlineRates
from canlevel.derivation.series import source_runs
from canlevel.diagnosis import Heard, Hearing
from canlevel.findings.checks import SEVERITIES, Finding
from canlevel.findings.evidence import Recording
from canlevel.findings.traffic import LENGTHS, frame_bits
from canlevel.identifier import source_addresses
from canlevel.roster import Roster, TankEntry
from canlevel.tables import (
    EARLIEST_DATE_US,
    ERROR_FRAME,
    EXTENDED,
    FD,
    REMOTE,
    UNKNOWN_TIME_US,
    codes_of,
    column,
    float_column,
    rows_at,
    times_us,
    values_of,
)
from canlevel.watching.snapshot import BusSight, Message, Playing, Remark, Snapshot, TankSight

__all__ = ["FIRST_LOOK_S", "Watched", "clock_text"]

FIRST_LOOK_S = (
    15.0  # three times the slowest usual period: before that a tank that is missing may only not have come yet
)
LATELY_S = 5.0  # over which frames and load of a bus are counted
PAST_S, PAST_STEP_S = 3 * 3600.0, 5.0
LAST = 16  # readings whose intervals tell a period
USUAL_S, SILENT_PERIODS, SILENT_S = 5.0, 5.0, 10.0  # as the finding tank-went-silent has it
DEVICE_SILENT_S = 60.0
HEARING_S, OVERLAP_S = 6 * 3600.0, 1800.0
MOST_HELD = 400_000  # frames, some thirty bytes each
MOST_IDENTIFIERS = 20_000  # a bus of garbage has a new one in each frame
MOST_OVER, MOST_MESSAGES = 20, 50
# Findings that say that something stopped: they stay until it is heard again, however long ago that was.
UNTIL_HEARD = ("tank-went-silent", "device-went-silent")

Floats = NDArray[np.float64]
_BITS = np.array([frame_bits(i % LENGTHS, extended=i >= LENGTHS) for i in range(2 * LENGTHS)])  # least and most
_Key = tuple[str | None, str, int]  # channel, tank, source address


@dataclass(slots=True)
class _Tank:
    """What is remembered of a tank. last: its last reading, as a row of READINGS; rate_pct: in percent a minute, with limits,
    where it has no capacity. times_s: of its latest ones.

    at_s, past_pct: (n,) its level, at most one in PAST_STEP_S.
    """

    last: dict[str, Any] = field(default_factory=dict)
    rate_pct: tuple[float, float, float] | None = None
    times_s: deque[float] = field(default_factory=lambda: deque(maxlen=LAST))
    at_s: Floats = field(default_factory=lambda: np.zeros(0))
    past_pct: Floats = field(default_factory=lambda: np.zeros(0))

    def add(self, at_s: Floats, level_pct: Floats) -> None:
        """Readings that follow. at_s, level_pct: (n,)."""
        self.times_s.extend(at_s[-LAST:].tolist())
        known = ~np.isnan(level_pct)
        at_s = np.concatenate([self.at_s, at_s[known]])
        level_pct = np.concatenate([self.past_pct, level_pct[known]])
        step = np.floor(at_s / PAST_STEP_S)
        keep = np.append(np.diff(step) != 0, True)[: len(at_s)]
        keep &= at_s >= at_s.max(initial=0.0) - PAST_S
        self.at_s, self.past_pct = at_s[keep], level_pct[keep]

    @property
    def period_s(self) -> float | None:
        """The median of its latest intervals."""
        return float(np.median(np.diff(self.times_s))) if len(self.times_s) > 1 else None


@dataclass(slots=True)
class _Bus:
    """What is remembered of a bus. seconds: frames, and bits at least and at most, of the latest ones.

    devices: (256,) when each source address was last heard, -inf where it was not.
    """

    frames: int = 0
    first_s: float | None = None
    last_s: float | None = None
    gone: str | None = None
    seconds: dict[int, NDArray[np.int64]] = field(default_factory=dict)
    devices: Floats = field(default_factory=lambda: np.full(256, -np.inf))

    def add(self, at_s: Floats, identifier: NDArray[np.uint32], flags: NDArray[np.uint8], length: Any) -> None:
        """Frames that follow, n of them. All (n,)."""
        self.frames += len(at_s)
        self.first_s = float(at_s[0]) if self.first_s is None else self.first_s
        self.last_s = float(at_s[-1])
        sent = (flags & EXTENDED != 0) & (flags & ERROR_FRAME == 0)
        np.maximum.at(self.devices, source_addresses(identifier[sent]), at_s[sent])
        second = np.floor(at_s).astype(np.int64)
        lately = second >= second[-1] - 2 * LATELY_S
        bits = _BITS[(flags & EXTENDED != 0) * LENGTHS + np.minimum(length, 8)]
        bits[flags & (ERROR_FRAME | FD | REMOTE) != 0] = 0  # they go over the wire otherwise, and are few
        for number in np.unique(second[lately]).tolist():
            mine = second == number
            counts = np.array([np.count_nonzero(mine), *bits[mine].sum(axis=0)], np.int64)
            self.seconds[number] = self.seconds.get(number, 0) + counts
        for number in [number for number in self.seconds if number < second[-1] - 2 * LATELY_S]:
            del self.seconds[number]

    def sight(self, channel: str | None, until_s: float, now_s: float, bitrate: int) -> BusSight:
        """What there is to see. until_s: up to when frames were handed out."""
        # Whole seconds: the one that is going on is not over yet. Before there is one, what there is.
        end = max(int(np.floor(until_s)), int(np.floor(self.first_s or 0.0)) + 1)
        begin = max(end - int(LATELY_S), int(np.floor(self.first_s or 0.0)))
        counts = sum((self.seconds.get(number, np.zeros(3)) for number in range(begin, end)), np.zeros(3))
        frames, least, most = (counts / max(end - begin, 1)).tolist()
        heard = np.isfinite(self.devices)
        return BusSight(
            channel=channel,
            frames=self.frames,
            frames_per_s=frames,
            load_least_pct=100 * least / bitrate,
            load_most_pct=100 * most / bitrate,
            devices=int(heard.sum()),
            silent_devices=int(np.count_nonzero(now_s - self.devices[heard] > DEVICE_SILENT_S)),
            quiet_s=None if self.last_s is None else max(now_s - self.last_s, 0.0),
            gone=self.gone,
        )


class Watched:
    """Buses, live or recorded, being watched."""

    def __init__(self, decoder: TankDecoder, roster: Roster, *, title: str, bitrate: int, live: bool) -> None:
        self._decoder, self._roster, self._bitrate, self._live = decoder, roster, bitrate, live
        self._title = roster.vessel or title
        self._periods: dict[str, float] = {}
        for message in decoder.messages.values():
            if message.period_s is not None:
                slowest_s = max(message.period_s, self._periods.get(message.protocol, 0.0))
                self._periods[message.protocol] = slowest_s
        self._rates, self._pct_rates = OnlineRates(roster), OnlineRates()
        self._tanks: dict[_Key, _Tank] = {}
        self._buses: dict[str | None, _Bus] = {}
        self._hearings = [(0.0, Hearing(decoder))]  # since when; a second one where the first is about to end
        self._remarks: dict[tuple[str, str | None, int | None], Remark] = {}
        self._messages: deque[Message] = deque(maxlen=MOST_MESSAGES)
        self._heard: Heard | None = None
        self._explanation: Mapping[str, Any] | None = None
        self._heard_words: tuple[str, ...] = ()
        self._frames = self._readings = 0
        self._until_s = 0.0
        self._last: tuple[int, float] | None = None  # time of the newest frame, and where it lies on the axis

    @property
    def until_s(self) -> float:
        """Up to when all that came has been handed out."""
        return self._until_s

    def reach(self, at_s: float) -> None:
        """All that came until then has been handed out."""
        self._until_s = max(self._until_s, at_s)

    def add(self, frames: pa.Table, at_s: Floats) -> None:
        """Take in a batch. frames: FRAMES, n rows. at_s: (n,) rising, where they lie on the axis."""
        if not len(frames):
            return
        self.reach(float(at_s[-1]))
        self._frames += len(frames)
        time_us = times_us(frames)
        if time_us[-1] != UNKNOWN_TIME_US:
            self._last = int(time_us[-1]), float(at_s[-1])
        for _, hearing in self._hearings:
            hearing.add(frames)
        self._count(frames, at_s)
        decoded = self._decoder.decode_each(frames)
        if len(decoded.readings):
            self._take(decoded.readings, at_s[decoded.at])

    def happened(self, events: Sequence[Event], told: Sequence[tuple[str, str]]) -> None:
        """What happened to a source besides frames. told: level and sentence, as a Tally has them."""
        for event in events:
            if isinstance(event, BusGone):
                self._buses.setdefault(event.channel, _Bus()).gone = event.why
            elif isinstance(event, BusBack):
                self._buses.setdefault(event.channel, _Bus()).gone = None
            elif isinstance(event, ClockSet):
                self._rates.shift(event.by_us)
                self._pct_rates.shift(event.by_us)
                if self._last is not None:
                    self._last = self._last[0] + event.by_us, self._last[1]
        for level, sentence in told:
            if level != "detail":
                self._messages.append(Message(self._clock(self._until_s)[11:16], level == "warning", sentence))

    def look(self, recording: Recording, *, several: bool = False, whole: bool = False) -> None:
        """Look for findings in what was heard so far. whole: all was heard, so that it need not wait for the slowest tanks."""
        began_s, hearing = self._hearings[0]
        heard_s = self._until_s - began_s
        if not whole and heard_s < FIRST_LOOK_S:
            return
        if recording.live:
            recording = replace(recording, listened_s=heard_s)
        self._heard = hearing.heard(self._roster, recording, several=several)
        explanation = self._heard.explain()
        self._explanation = explanation.to_dict()
        self._heard_words = tuple(self._heard.heard_words())
        self._note(explanation.findings)
        self._go_on(self._heard)

    def snapshot(self, now_s: float, *, playing: Playing | None = None, ended: bool = False) -> Snapshot:
        """What there is to see at a moment of the axis."""
        now_s = max(now_s, self._until_s)
        protocols = {tank.last["protocol"] for tank in self._tanks.values()}
        return Snapshot(
            title=self._title,
            clock=self._clock(now_s),
            now_s=now_s,
            heard_s=now_s,
            live=self._live,
            ended=ended,
            frames=self._frames,
            readings=self._readings,
            tanks=tuple(self._sights(now_s)),
            buses=tuple(bus.sight(name, self._until_s, now_s, self._bitrate) for name, bus in self._buses.items()),
            protocols=tuple(word for word in ("nmea2000", "rvc", "j1939") if word in protocols),
            remarks=self._ranked(),
            examined=self._explanation is not None,
            messages=tuple(self._messages),
            explanation=self._explanation,
            heard_words=self._heard_words,
            playing=playing,
        )

    # ---- what comes in ----

    def _count(self, frames: pa.Table, at_s: Floats) -> None:
        channel, names = codes_of(frames.column("channel"))
        columns = [values_of(frames.column(name)) for name in ("identifier", "flags", "length")]
        for code in np.flatnonzero(np.bincount(channel, minlength=len(names))).tolist():
            mine = slice(None) if channel.min() == channel.max() else channel == code
            bus = self._buses.setdefault(names[code], _Bus())
            bus.add(at_s[mine], *(values[mine] for values in columns))

    def _take(self, readings: pa.Table, at_s: Floats) -> None:
        """Readings that follow, with those that J1939 devices send of tanks that are not fitted. at_s: (n,)."""
        readings = self._rates.add(self._roster.apply(readings))
        pct_rates = self._in_percent(readings)
        level_pct = column(readings, "level_pct")
        unknown = values_of(readings.column("instance"), -1) < 0
        order, begins, names = source_runs(readings, np.arange(len(readings)))
        ends = [*begins[1:].tolist(), len(order)]
        for (_, name, source, channel), begin, end in zip(names, begins.tolist(), ends, strict=True):
            rows = order[begin:end]
            last = readings.slice(int(rows[-1]), 1).to_pylist()[0]
            key = (channel, name or "", source)
            if unknown[rows[-1]] or (key not in self._tanks and _not_fitted(last, level_pct[rows])):
                continue
            self._readings += len(rows)
            tank = self._tanks.setdefault(key, _Tank())
            tank.last = last
            rate_pct = pct_rates[:, rows[-1]].tolist()
            tank.rate_pct = None if np.isnan(rate_pct).any() else (rate_pct[0], rate_pct[1], rate_pct[2])
            tank.add(at_s[rows], level_pct[rows])

    def _in_percent(self, readings: pa.Table) -> Floats:
        """(3, n) rates in percent a minute with their limits, of READINGS of tanks without a capacity; else nan."""
        found = np.full((3, len(readings)), np.nan)
        bare = np.flatnonzero(np.isnan(column(readings, "capacity_l")))
        if len(bare):
            some = rows_at(readings, bare)
            at = some.schema.get_field_index("capacity_l")
            # As a tank of a hundred litres, of which one is a percent.
            some = some.set_column(at, some.schema.field(at), float_column(np.full(len(bare), 100.0)))
            rated = self._pct_rates.add(some)
            found[:, bare] = [column(rated, name) for name in ("rate_l_per_min", "rate_low", "rate_high")]
        return found

    # ---- findings ----

    def _note(self, findings: Sequence[Finding]) -> None:
        """Bring the remarks up to date with what was found at this look."""
        clock = self._clock(self._until_s)
        seen = set()
        for finding in findings:
            key = (finding.code, finding.tank, finding.source_address)
            if key in seen:
                continue
            seen.add(key)
            had = self._remarks.get(key)
            since = had.since if had is not None and not had.over else clock
            # "before the end" is said of recordings; here the end is now.
            summary = finding.summary.replace(" before the end", " ago")
            self._remarks[key] = Remark(
                finding.code, finding.severity, finding.tank, finding.source_address, summary, since
            )
        for key, remark in list(self._remarks.items()):
            if key not in seen and not remark.over and not self._still_silent(remark):
                self._remarks[key] = replace(remark, over=True)
        over = [key for key, remark in self._remarks.items() if remark.over]
        for key in over[: max(len(over) - MOST_OVER, 0)]:
            del self._remarks[key]

    def _still_silent(self, remark: Remark) -> bool:
        """Whether a remark says that something stopped which was not heard since."""
        if remark.code not in UNTIL_HEARD:
            return False
        source = remark.source_address
        if remark.code == "tank-went-silent":
            last_s = [
                tank.times_s[-1] for (_, name, by), tank in self._tanks.items() if (name, by) == (remark.tank, source)
            ]
        else:
            last_s = [float(bus.devices[source]) for bus in self._buses.values()] if source is not None else []
        return max(last_s, default=-np.inf) < self._until_s - DEVICE_SILENT_S

    def _ranked(self) -> tuple[Remark, ...]:
        return tuple(
            sorted(self._remarks.values(), key=lambda remark: (remark.over, SEVERITIES.index(_severity(remark))))
        )

    def _go_on(self, heard: Heard) -> None:
        """Let go of what was heard long ago: a new hearing begins, and follows the old one once it has heard enough itself.

        So findings are those of the last half hour at least, and of six hours and a half at most, or of the latest frames
        where they are very many. Who the devices said they are is taken over, as most say it once.
        """
        began_s, hearing = self._hearings[0]
        long = self._until_s - began_s >= HEARING_S
        full = hearing.held >= MOST_HELD or _identifiers(hearing) >= MOST_IDENTIFIERS
        if len(self._hearings) == 1 and (long or full):
            self._hearings.append((self._until_s, Hearing(self._decoder)))
        elif len(self._hearings) == 2:
            since_s, following = self._hearings[1]
            enough = self._until_s - since_s >= OVERLAP_S or following.held >= MOST_HELD // 2
            if enough or _identifiers(hearing) >= 2 * MOST_IDENTIFIERS:
                following.go_on_from(heard)
                del self._hearings[0]

    # ---- what there is to see ----

    def _sights(self, now_s: float) -> list[TankSight]:
        """All tanks: in the order of the roster, then by id, bus and source; those of the roster that were not heard, too."""
        entries = {key: self._roster.entry(key[1], key[2]) for key in self._tanks}
        place = {id(entry): number for number, entry in enumerate(self._roster.tanks)}
        sights: list[tuple[tuple[int, str, str, int], TankSight]] = []
        for key, tank in self._tanks.items():
            entry = entries[key]
            rank = place[id(entry)] if entry is not None else len(place)
            sights.append(((rank, key[1], key[0] or "", key[2]), self._sight(tank, entry, now_s)))
        met = {id(entry) for entry in entries.values() if entry is not None}
        for entry in self._roster.tanks:
            if id(entry) not in met:
                protocol = f"{entry.protocol}." if entry.protocol else ""
                tank_id = f"{protocol}{entry.fluid}.{entry.instance}"
                alarms = tuple(alarm.sentence for alarm in crossed(entry, silent_s=now_s))
                missing = TankSight(
                    entry.name,
                    tank_id,
                    entry.fluid,
                    capacity_l=entry.capacity_l,
                    silent=now_s > (entry.silent_after_s or FIRST_LOOK_S),
                    alarms=alarms,
                )
                sights.append(((place[id(entry)], tank_id, "", 0), missing))
        return _told_apart([sight for _, sight in sorted(sights, key=lambda one: one[0])])

    def _sight(self, tank: _Tank, entry: TankEntry | None, now_s: float) -> TankSight:
        last = tank.last
        age_s = max(now_s - tank.times_s[-1], 0.0) if self._last is not None else None
        period_s = max(tank.period_s or 0.0, self._periods.get(last["protocol"], USUAL_S))
        # The owner knows best how long it may be silent.
        limit_s = entry.silent_after_s if entry is not None else None
        silent = age_s is not None and age_s > (limit_s or max(SILENT_S, SILENT_PERIODS * period_s))
        alarms: list[str] = []
        if entry is not None:
            alarms = [alarm.sentence for alarm in crossed(entry, level_pct=last["level_pct"], silent_s=age_s)]
        return TankSight(
            name=last["name"] or last["tank"],
            tank=last["tank"],
            fluid=last["fluid"],
            source_address=last["source_address"],
            channel=last["channel"],
            level_pct=last["level_pct"],
            volume_l=last["volume_l"],
            capacity_l=last["capacity_l"],
            # What was known when it was last heard is not known any more.
            rate_l_per_min=None if silent else last["rate_l_per_min"],
            rate_low=None if silent else last["rate_low"],
            rate_high=None if silent else last["rate_high"],
            rate_pct=None if silent else tank.rate_pct,
            age_s=age_s,
            silent=silent,
            status=last["status"],
            alarms=tuple(alarms),
            low_pct=entry.low_pct if entry is not None else None,
            high_pct=entry.high_pct if entry is not None else None,
            at_s=tank.at_s,
            past_pct=tank.past_pct,
        )

    def _clock(self, now_s: float) -> str:
        return "" if self._last is None else clock_text(self._last[0] + round((now_s - self._last[1]) * 1e6))


def clock_text(time_us: int) -> str:
    """A moment to the second, UTC; of a recording without dates what its recorder's clock showed, which counts from zero."""
    if time_us < EARLIEST_DATE_US:
        seconds = max(time_us, 0) // 1_000_000
        return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d} by the recorder's clock"
    return f"{datetime.fromtimestamp(time_us // 1_000_000, UTC):%Y-%m-%d %H:%M:%S} UTC"


def _not_fitted(last: Mapping[str, Any], level_pct: Floats) -> bool:
    """A J1939 level that was never there is a tank that is not fitted."""
    return bool(last["protocol"] == "j1939" and last["status"] == "not_available" and np.isnan(level_pct).all())


def _identifiers(hearing: Hearing) -> int:
    return sum(len(hearing.traffic.keys(channel)) for channel in hearing.traffic.channels())


def _severity(remark: Remark) -> Any:
    return remark.severity


def _told_apart(sights: list[TankSight]) -> list[TankSight]:
    """Where several have one name, what tells them apart: the bus, if it differs, and the source."""
    alike: dict[str, list[TankSight]] = {}
    for sight in sights:
        alike.setdefault(sight.name, []).append(sight)
    told = []
    for sight in sights:
        others = alike[sight.name]
        words = []
        if len(others) > 1 and sight.heard:
            if len({other.channel for other in others}) > 1 and sight.channel:
                words.append(sight.channel)
            if len({other.source_address for other in others}) > 1:
                words.append(f"from {sight.source_address}")
        told.append(replace(sight, told_apart=" ".join(words)) if words else sight)
    return told
