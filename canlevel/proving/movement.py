"""What a tank's level did around a mark: whether it moved, which way, how far, how fast, and how long after the valve.

What comes in: a Tank of the Evidence, and when valves were opened and closed. What goes out: a Track, and a Response for each
mark. Two kinds of sender tell different things. One that measures finely shows where a slope begins; that is fitted. One that
moves in steps shows only when it passes from one to the next: the valve may have been open for as long as one step takes to
fill, so that its delay is known within bounds, which several marks narrow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.derivation.flows import derive_flows
from canlevel.derivation.sender import FINEST_PCT, Sender, describe_sender
from canlevel.findings.evidence import Tank
from canlevel.proving.limits import SETTLING_S
from canlevel.roster import Shape, TankEntry
from canlevel.tables import (
    READINGS,
    UNKNOWN_TIME_US,
    arrow,
    dictionary_column,
    float_column,
    null_column,
    time_column,
    times_us,
    values_of,
)

__all__ = ["Interval", "Response", "Track", "response", "settling_s", "track_of"]

Floats = NDArray[np.float64]
Interval = tuple[float, float]

J1939_STEP_PCT = 0.4  # what a bit of its levels is (J1939-71, from memory)
BEFORE_S, AFTER_S, OPEN_END_S = 120.0, 90.0, 3600.0
HEAD = 0.6  # of the time before the mark: the rest may show what began too early
FEWEST_AT_REST, FEWEST_AFTER = 3, 3
ONE_STEP = 1.5
CLEAR_STEPS, CLEAR_NOISE, CLEAR_PCT = 0.75, 4.0, 0.1
MEDIAN_SPREAD = 1.2533  # standard error of a median over that of a mean, normal noise
SMOOTHED = 5
MOSTLY_THERE, FIFTH = 0.6, 0.2
FEWEST_STEPS, BACK_STEPS = 1.5, 1.6
UNEVEN = 1.2  # steps differ: J1939 rounds a strip's 2.8 % to 2.4, 2.8 and 3.2
QUARTER, FEWEST_BACK, OFTEN_BACK = 0.25, 3, 0.15
GRID, REFINED = 48, 3
TWO_SIGMA = 2.0
MOST_FOR_FLOWS = 20_000  # readings around one mark
FINE_STEP_PCT, ROUNDED_PCT, COARSE = 0.05, 1.0, 0.3
RUN, FEWEST_RUNS, BEYOND, SCATTERING = 12, 4, 2, 0.12


@dataclass(frozen=True, eq=False)
class Track:
    """The levels of one tank, n readings that carry a level and a time, in the order of time.

    rows: (n,) places in the tank's columns. time_us: (n,). seconds: (n,) from `origin_us`. level_pct: (n,). sender: its step
    and its noise. scatters: whether readings at rest lie over several of its steps; noise_pct: their standard deviation.
    told_step_pct: the step that the device itself says (RV-C), else 0. capacity_l: the roster's, else the device's.
    """

    tank: Tank
    rows: NDArray[np.int64]
    time_us: NDArray[np.int64]
    seconds: Floats
    level_pct: Floats
    sender: Sender
    told_step_pct: float
    capacity_l: float | None
    scatters: bool = False
    noise_pct: float = 0.0

    @property
    def origin_us(self) -> int:
        return int(self.time_us[0]) if len(self.time_us) else 0

    def at(self, time_us: int) -> float:
        """Seconds of a moment on the axis of this track."""
        return (time_us - self.origin_us) / 1e6

    @cached_property
    def period_s(self) -> float:
        """The median time between two readings; its kind's where there are too few."""
        if len(self.seconds) < 3:
            return self.tank.period_s or 2.5
        return max(float(np.median(np.diff(self.seconds))), 1e-3)

    @property
    def step_pct(self) -> float:
        """The sender's true step as it moved; what the device says of itself, where it never did."""
        finest = J1939_STEP_PCT if self.tank.protocol == "j1939" else FINEST_PCT
        return self.sender.step_pct or self.told_step_pct or finest

    @property
    def stepped(self) -> bool:
        """Whether a reading says in which step the level lies, and no more."""
        return self.step_pct > FINE_STEP_PCT and not self.scatters and self.noise_pct < COARSE * self.step_pct

    def within(self, begin_s: float, end_s: float) -> NDArray[np.int64]:
        """Places of the readings from one moment up to another."""
        first, last = np.searchsorted(self.seconds, [begin_s, end_s])
        return np.arange(first, max(first, last))

    def litres(self, level_pct: float) -> float | None:
        """Litres at a level, by the roster's shape; None without a capacity."""
        if self.capacity_l is None:
            return None
        return float(self._shape.volume_l(np.array([level_pct]), np.array([self.capacity_l]))[0])

    @property
    def _shape(self) -> Shape:
        return self.tank.entry.shape if self.tank.entry is not None else Shape()

    def readings(self, places: NDArray[np.int64]) -> pa.Table:
        """READINGS of some of them."""
        n = len(places)
        level, tank = self.level_pct[places], self.tank
        capacity = np.full(n, math.nan if self.capacity_l is None else self.capacity_l)
        words: dict[str, str | None] = {
            "vessel": None,
            "name": None,
            "channel": tank.channel,
            "protocol": tank.protocol,
            "tank": tank.tank,
            "fluid": tank.fluid,
            "status": "ok",
        }
        columns = {name: dictionary_column(np.zeros(n, np.int64), [word]) for name, word in words.items()}
        columns |= {
            "time": time_column(self.time_us[places]),
            "source_address": arrow(np.full(n, tank.source_address, np.uint8)),
            "level_pct": float_column(level),
            "capacity_l": float_column(capacity),
            "volume_l": float_column(self._shape.volume_l(level, capacity)),
        }
        return pa.table(
            [columns[one.name] if one.name in columns else null_column(n, one.type) for one in READINGS],
            schema=READINGS,
        )


def track_of(tank: Tank, entry: TankEntry | None) -> Track:
    """The Track of a tank as one device sends it."""
    time_us, level = tank.time_us.astype(np.int64), tank.level_pct
    rows = np.flatnonzero((time_us != UNKNOWN_TIME_US) & ~np.isnan(level))
    rows = rows[np.argsort(time_us[rows], kind="stable")]
    told = tank.steps
    told = told[~np.isnan(told) & (told > 0)]
    device_l = tank.capacity_l[tank.capacity_l > 0]
    capacity_l = entry.capacity_l if entry is not None else None
    if capacity_l is None and len(device_l):
        capacity_l = float(device_l[-1])
    time_us, level = time_us[rows], level[rows]
    seconds = (time_us - (time_us[0] if len(time_us) else 0)) / 1e6
    sender = describe_sender(seconds, level) if len(rows) >= FEWEST_AT_REST else Sender(0.0, 0.0)
    told_step = 100.0 / float(told.max()) if len(told) else 0.0
    scatters, noise = _scatter(level, sender.step_pct)
    noise = max(noise, sender.noise_pct)
    return Track(tank, rows, time_us, seconds, level, sender, told_step, capacity_l, scatters, noise)


def _scatter(level: Floats, step_pct: float) -> tuple[bool, float]:
    """(whether a level scatters over several steps while it gets nowhere, its standard deviation then), from short runs.

    A sender's noise is told from flicker by how many levels a dozen neighbours have beyond those that lie between the first and
    the last of them: a level at a mark goes to and fro between two.
    """
    runs = len(level) // RUN
    if runs < FEWEST_RUNS or not step_pct:
        return False, 0.0
    places = np.round(level[: runs * RUN].reshape(runs, RUN) / step_pct)
    distinct = (np.diff(np.sort(places, axis=1), axis=1) > 0).sum(axis=1) + 1
    beyond = distinct - (np.abs(places[:, -1] - places[:, 0]) + 1)
    scatters = float(np.mean(beyond >= BEYOND)) >= SCATTERING
    if not scatters and step_pct > FINE_STEP_PCT:
        return False, 0.0
    at = np.arange(RUN) - (RUN - 1) / 2
    off = level[: runs * RUN].reshape(runs, RUN)
    off = off - off.mean(axis=1, keepdims=True)
    off = off - (off @ at / (at @ at))[:, None] * at
    return scatters, float(np.sqrt(np.median((off * off).sum(axis=1) / (RUN - 2))))


@dataclass(frozen=True)
class Response:
    """What a level did around a mark; times in seconds after the valve opened, levels and changes in percent.

    opened_s, closed_s: on the track's axis. moved: 1 rose, -1 fell, 0 stood still. least_pct: what it would have had to move
    by to count. first_change_s: the first reading that had left where it was. delay_s: the sender's own delay, at least and
    at most, what a step takes to fill taken off; None where nothing tells. closed_delay_s: the same by when it stopped after
    the valve was closed. rate_l, rate_pct: per minute, signed, with 95 % bounds; None where not known. arrived_s: when
    it had got there. rows: places of the track's readings that show it.
    """

    opened_s: float
    closed_s: float | None
    moved: int
    before_pct: float
    after_pct: float
    least_pct: float
    first_change_s: float | None = None
    delay_s: Interval | None = None
    closed_delay_s: Interval | None = None
    rate_l: tuple[float, float, float] | None = None
    rate_pct: tuple[float, float, float] | None = None
    arrived_s: float | None = None
    rows: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))

    @property
    def change_pct(self) -> float:
        return self.after_pct - self.before_pct


def settling_s(track: Track) -> float:
    """How long after a valve was closed a level may still move."""
    return max(SETTLING_S, 4 * track.period_s)


def response(track: Track, opened_us: int, closed_us: int | None, earliest_us: int, latest_us: int) -> Response | None:
    """What a level did around a mark; None where there is no reading after it.

    earliest_us, latest_us: between which nothing else was marked of this tank.
    """
    opened_s = track.at(opened_us)
    closed_s = None if closed_us is None else track.at(closed_us)
    from_s = max(opened_s - BEFORE_S, track.at(earliest_us))
    last_s = track.at(latest_us)
    until_s = (
        min(last_s, opened_s + OPEN_END_S)
        if closed_s is None
        else min(last_s, closed_s + max(AFTER_S, 8 * track.period_s))
    )
    before = track.within(from_s, opened_s)
    after = track.within(opened_s, until_s + 1e-6)
    if not len(after):
        return None
    begin_s = track.seconds[before[0]] if len(before) else opened_s
    head = before[track.seconds[before] <= begin_s + HEAD * (opened_s - begin_s)]
    if len(head) < FEWEST_AT_REST:
        head = before[:FEWEST_AT_REST] if len(before) else after[:1]
    level, noise, step = track.level_pct, track.noise_pct, track.step_pct
    before_pct = float(np.median(level[head]))
    # A level that lies at a mark of the sender goes to and fro between two steps.
    flicker = min(float(np.ptp(level[head])), step) if track.stepped else 0.0
    arrived_s = closed_s
    if closed_s is None:
        after_pct, least, top, end = _furthest(track, after, before_pct, flicker)
        arrived_s = float(track.seconds[after[top]])
        after = after[:end]
        until_s = float(track.seconds[after[-1]])
    else:
        tail = after[track.seconds[after] >= closed_s + settling_s(track) / 2]
        if len(tail) < FEWEST_AFTER:
            tail = after[-FEWEST_AFTER:]
        after_pct = float(np.median(level[tail]))
        spread = MEDIAN_SPREAD * noise * math.sqrt(1 / len(head) + 1 / len(tail))
        least = max(CLEAR_STEPS * step, CLEAR_NOISE * spread, CLEAR_PCT)
    change = after_pct - before_pct
    if track.stepped and abs(change) < ONE_STEP * step and _flickers(track, head, after[-max(len(after) // 4, 2) :]):
        change = 0.0
    rows = np.concatenate([before, after])
    found = Response(opened_s, closed_s, 0, before_pct, after_pct, least, rows=rows)
    if abs(change) < least or not change:
        return found
    sign = 1 if change > 0 else -1
    found = replace(found, moved=sign, arrived_s=arrived_s)
    found = _with_rate(track, found, rows, until_s)
    found = _with_first_change(track, found, rows)
    return _stepped_delays(track, found, rows, head) if track.stepped else _fitted_delays(track, found, rows)


def _flickers(track: Track, before: NDArray[np.int64], after: NDArray[np.int64]) -> bool:
    """Whether a change of one step may be no more than a level that lies at a mark of the sender, and goes to and fro."""
    one, other = track.level_pct[before], track.level_pct[after]
    return bool(one.min() <= other.max() and other.min() <= one.max())


def _furthest(
    track: Track, after: NDArray[np.int64], before_pct: float, flicker: float
) -> tuple[float, float, int, int]:
    """(level it got to, what it had to move by, at which reading, how many of the readings until then) without knowing when a
    valve was closed.
    """
    level = track.level_pct[after]
    if len(level) >= SMOOTHED:
        padded = np.pad(level, SMOOTHED // 2, mode="edge")
        level = np.median(np.lib.stride_tricks.sliding_window_view(padded, SMOOTHED), axis=1)
    least = max(CLEAR_STEPS * track.step_pct + flicker, 3 * track.noise_pct, CLEAR_PCT)
    away = level - before_pct
    beyond = np.flatnonzero(np.abs(away) >= least)
    if not len(beyond):
        return float(np.median(level[-FEWEST_AFTER:])), least, 0, len(after)
    sign = 1.0 if away[beyond[0]] > 0 else -1.0
    reached = np.maximum.accumulate(sign * away)
    # Back is more than a flicker.
    back = np.flatnonzero(reached - sign * away > max(least, BACK_STEPS * track.step_pct if track.stepped else 0.0))
    back = back[back > beyond[0]]
    end = int(back[0]) if len(back) else len(after)
    top = int(np.argmax((sign * away)[:end]))
    # Some readings at rest beyond the highest tell that it had got there.
    return before_pct + sign * float(reached[end - 1]), least, top, min(end, top + 20)


def _with_rate(track: Track, found: Response, rows: NDArray[np.int64], until_s: float) -> Response:
    """With the rate of the flow that was derived there; else with what the marks and the change bound it to."""
    span = rows[-MOST_FOR_FLOWS:]
    kind = "fill" if found.moved > 0 else "drain"
    best: dict[str, float] | None = None
    if len(span) >= 5:
        flows = derive_flows(track.readings(span))
        starts, ends = (times_us(flows, name) for name in ("start", "end"))
        words = flows.column("kind").to_pylist()
        columns = {
            name: values_of(flows.column(name), np.nan)
            for name in (
                "volume_l",
                "rate_l_per_min",
                "rate_low",
                "rate_high",
                "rate_pct_per_min",
                "start_level_pct",
                "end_level_pct",
            )
        }
        for i, word in enumerate(words):
            begin_s, end_s = track.at(int(starts[i])), track.at(int(ends[i]))
            if word != kind or end_s < found.opened_s or begin_s > (found.closed_s or until_s):
                continue
            one = {name: float(values[i]) for name, values in columns.items()}
            size = abs(one["end_level_pct"] - one["start_level_pct"])
            one["end_s"] = end_s
            if best is None or size > abs(best["end_level_pct"] - best["start_level_pct"]):
                best = one
    if best is not None:
        if found.closed_s is None:
            found = replace(found, arrived_s=max(best["end_s"], found.arrived_s or 0.0))
        pct = best["rate_pct_per_min"]
        if track.capacity_l is None or math.isnan(best["rate_l_per_min"]):
            return replace(found, rate_pct=(pct, pct, pct))
        middle = best["rate_l_per_min"]
        scale = pct / middle if middle else math.nan
        bounds = (best["rate_low"], best["rate_high"])
        low_pct, high_pct = sorted(bound * scale for bound in bounds)
        return replace(found, rate_l=(middle, *bounds), rate_pct=(pct, low_pct, high_pct))
    if found.closed_s is not None:
        # All that is known: it moved by the change, give or take a step, while the valve was open;
        minutes = (found.closed_s - found.opened_s) / 60
    else:
        # or between the last reading at rest and the one that had arrived.
        last = _last_there(track, found, rows)
        if last is None or found.arrived_s is None or abs(found.change_pct) < FEWEST_STEPS * track.step_pct:
            return found
        minutes = (found.arrived_s - float(track.seconds[rows[last]])) / 60
    if minutes <= 0:
        return found
    change, off = abs(found.change_pct), track.step_pct + TWO_SIGMA * track.noise_pct
    sizes = (change, max(change - off, 0.0), change + off)
    rate_pct = tuple(found.moved * size / minutes for size in sizes)
    middle_pct, low_pct, high_pct = rate_pct[0], min(rate_pct[1:]), max(rate_pct[1:])
    litres = None
    if track.capacity_l is not None:
        here, there = (track.litres(level) or 0.0 for level in (found.before_pct, found.after_pct))
        per_pct = abs(there - here) / change
        litres = (middle_pct * per_pct, low_pct * per_pct, high_pct * per_pct)
    return replace(found, rate_pct=(middle_pct, low_pct, high_pct), rate_l=litres)


def _with_first_change(track: Track, found: Response, rows: NDArray[np.int64]) -> Response:
    """With the first reading that had left, and did not come back to, where the level was before."""
    j = _last_there(track, found, rows)
    if j is None or j + 1 >= len(rows):
        return found
    return replace(found, first_change_s=float(track.seconds[rows[j + 1]]) - found.opened_s)


def _last_there(track: Track, found: Response, rows: NDArray[np.int64]) -> int | None:
    """Which of the readings is the last at rest, before the level went; None where there was none at rest."""
    along = found.moved * (track.level_pct[rows] - found.before_pct)
    far = np.flatnonzero((along >= MOSTLY_THERE * abs(found.change_pct)) & (track.seconds[rows] > found.opened_s))
    if not len(far):
        return None
    top = 0.0
    if track.stepped:
        # A level that lies at a mark of the sender flickers about it: where it came back from before the valve was opened
        # is part of its rest.
        mine = along[: np.searchsorted(track.seconds[rows], found.opened_s)]
        if len(mine):
            back = np.minimum.accumulate(mine[::-1])[::-1]
            returned = mine[mine > back + QUARTER * track.step_pct]
            top = max(0.0, float(returned.max(initial=0.0)))
        still = top + QUARTER * track.step_pct
    else:
        still = max(TWO_SIGMA * track.noise_pct, QUARTER * track.step_pct)
    there = np.flatnonzero(along[: far[0]] <= still)
    return int(there[-1]) if len(there) else None


def _stepped_delays(track: Track, found: Response, rows: NDArray[np.int64], head: NDArray[np.int64]) -> Response:
    """With the bounds of the delay that a sender in steps tells.

    The first step is passed at most one step's time after the flow began, and seen at the first reading after that. When the
    valve is closed, what was passed after it is at most the delay old, and the next step was not reached.
    """
    if found.rate_pct is None or found.first_change_s is None:
        return found
    slowest = min(abs(found.rate_pct[1]), abs(found.rate_pct[0]))
    step_s = UNEVEN * 60 * track.step_pct / slowest if slowest > 0 else math.inf
    seconds = track.seconds[rows]
    noise = max(track.noise_pct, float(track.level_pct[head].std()))  # of a flicker, too
    if track.step_pct < ROUNDED_PCT:  # such a step is what a message rounds to, and says little of the sender behind it
        noise = max(noise, QUARTER * track.step_pct)
    ramp = rows[(seconds >= found.opened_s + found.first_change_s) & (seconds <= (found.closed_s or seconds[-1]))]
    steps = found.moved * np.diff(track.level_pct[ramp]) / track.step_pct
    back, forth = np.count_nonzero(steps < -QUARTER), np.count_nonzero(steps > QUARTER)
    if back >= FEWEST_BACK and back > OFTEN_BACK * forth:  # it scatters, if not by much more than a step
        noise = max(noise, track.step_pct / 2)
    fuzz_s = 60 * TWO_SIGMA * noise / abs(found.rate_pct[0]) if found.rate_pct[0] else 0.0
    first = int(np.searchsorted(seconds, found.opened_s + found.first_change_s - 1e-9))
    unchanged_s = float(seconds[first - 1]) - found.opened_s if first else found.first_change_s - track.period_s
    low = unchanged_s - step_s - fuzz_s
    found = replace(found, delay_s=(low, found.first_change_s + fuzz_s))
    if found.closed_s is None:
        return found
    along = found.moved * (track.level_pct[rows] - found.after_pct)
    reached = np.flatnonzero((along >= -QUARTER * track.step_pct) & (seconds > found.opened_s))
    if not len(reached) or reached[0] == 0:
        return found
    at = int(reached[0])
    since_s = float(seconds[at - 1]) - found.closed_s
    return replace(found, closed_delay_s=(since_s - fuzz_s, float(seconds[at]) - found.closed_s + step_s + fuzz_s))


def _fitted_delays(track: Track, found: Response, rows: NDArray[np.int64]) -> Response:
    """With the delay by a level that rests, goes in a straight line and rests again, fitted by least squares.

    The corner is known to within what two lines' intersection is: sigma / slope * sqrt(1/n + 4/m), n readings at rest and m on
    the slope (the variance of a fitted line at its end is 4/m of one reading's).
    """
    seconds, level = track.seconds[rows], track.level_pct[rows]
    if len(rows) < 2 * SMOOTHED:
        return found
    first_s, last_s = float(seconds[0]), float(seconds[-1])
    begin, end = (first_s, last_s), (first_s, last_s)
    best: tuple[float, float, float, float] | None = None
    for _ in range(REFINED):
        one = _best_corner(seconds, level, np.linspace(*begin, GRID), np.linspace(*end, GRID))
        if one is None:
            return found
        best = one if best is None or one[0] <= best[0] else best
        widths = ((begin[1] - begin[0]) / GRID * 2, (end[1] - end[0]) / GRID * 2)
        begin = (max(first_s, best[1] - widths[0]), min(last_s, best[1] + widths[0]))
        end = (max(first_s, best[2] - widths[1]), min(last_s, best[2] + widths[1]))
    assert best is not None
    squares, corner_s, stop_s, slope = best
    if slope * found.moved <= 0:
        return found
    sigma = math.sqrt(squares / max(len(rows) - 4, 1))
    rests = max(int((seconds < corner_s).sum()), 1)
    slopes = max(int(((seconds >= corner_s) & (seconds < stop_s)).sum()), 2)
    tails = max(int((seconds >= stop_s).sum()), 1)
    # What rounding to a step leaves does not average out where a slow slope takes long to pass one.
    known_s = track.period_s / 2 + FIFTH * track.step_pct / abs(slope)
    off = TWO_SIGMA * sigma / abs(slope) * math.sqrt(1 / rests + 4 / slopes) + known_s
    delay = corner_s - found.opened_s
    found = replace(found, delay_s=(delay - off, delay + off))
    if found.closed_s is None:
        return found
    off = TWO_SIGMA * sigma / abs(slope) * math.sqrt(1 / tails + 4 / slopes) + known_s
    return replace(found, closed_delay_s=(stop_s - found.closed_s - off, stop_s - found.closed_s + off))


def _best_corner(
    seconds: Floats, level: Floats, begins: Floats, ends: Floats
) -> tuple[float, float, float, float] | None:
    """(sum of squares, begin, end, slope a second) of the best ramp among those that begin and end at some moments."""
    begin, end = (grid.ravel() for grid in np.meshgrid(begins, ends, indexing="ij"))
    apart = end - begin > 0
    begin, end = begin[apart], end[apart]
    if not len(begin):
        return None
    best: tuple[float, float, float, float] | None = None
    off = level - level.mean()
    for some in np.array_split(np.arange(len(begin)), max(1, len(begin) * len(seconds) // 2_000_000)):
        ramp = np.clip(seconds[None, :] - begin[some, None], 0, (end - begin)[some, None])
        ramp -= ramp.mean(axis=1, keepdims=True)
        power = (ramp * ramp).sum(axis=1)
        shared = ramp @ off
        gain = np.where(power > 0, shared**2 / np.maximum(power, 1e-12), 0.0)
        at = int(np.argmax(gain))
        squares = float((off * off).sum() - gain[at])
        if power[at] > 0 and (best is None or squares < best[0]):
            best = (squares, float(begin[some[at]]), float(end[some[at]]), float(shared[at] / power[at]))
    return best
