"""Rates as they are known at the time of each reading: causal, one small state for each tank and source.

A sender that moves in steps tells when the level passed a mark (the middle between two steps, as in stepped.py), and nothing
between. A rate is stated from the marks it passed last in one direction.
- While no mark is passed, all that is known is that the level stayed within a step for so long: the rate lies between minus
  and plus one step over that time. It never speaks of more than the last LATELY_S: a tap that was opened since may not have
  shown, however long the level lay still before.
- The first mark in a direction tells that something flows, and how fast it flows at most: a step over the time since.
  Between that and a slow tap the middle, by ratio, is taken for the rate.
- From the second on the pace of the marks is the rate, by least squares, as long as marks go on coming at a like pace. How far
  they are off their places is known from them, too, as they become more. Two marks may be two taps: nothing is said of how
  fast the second flows before the third is due, and a pace slower than a tap's is no flow yet. After n of them the flow
  has ended before a part p of the time to the next with a chance of about p / (n + 1) (there is no telling where in a flow one
  is: Laplace's rule of succession), and when that passes one in twenty, the interval reaches down to zero.
- A level that turns back has passed a mark, too, unless a flow goes on or the level flickers: then it takes two steps. Where
  it went back by one and stayed, the next step either way is a mark. After turning VAIN times and getting nowhere, it flickers.

A level that scatters by more than a step, of a fine sender or amid waves, has slopes instead (slopes.py); marks, some times the
noise apart, then tell of flows that are too slow for slopes.
Before a sender has moved at all its step is unknown, and so is the rate.
What is stated is rounded at the end (rounding.py), bounds outwards; what is remembered is not.

The definition is that of a walk from reading to reading, which tests/reference_rates.py writes down plainly. Here the same
walk is taken in strides, with the same operations in the same order, so that every float comes out the same:

1. What depends on the last readings alone is arithmetic of columns, for all series of a batch at once: the change, the
   middle of three, the step, the noise, and how far the level must move to pass a mark (_columns).
2. What was passed so far changes at marks and gaps only. Few readings can be one, and only those are walked (_walk).
3. Between two of those it is constant and is repeated; the rates are again arithmetic of columns (_stated).
4. Slopes take the place of what marks say where readings scatter (_scattered).

_State carries what was passed, and the last readings, from one batch to the next.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from itertools import pairwise
from math import sqrt
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.derivation.rounding import rounded_rates
from canlevel.derivation.series import SourceName, source_runs
from canlevel.derivation.slopes import KEPT, slopes
from canlevel.roster import PRISMATIC, Roster
from canlevel.tables import UNKNOWN_TIME_US, codes_of, column, distinct, float_column, times_us, values_of

__all__ = ["OnlineRates"]

MARKS = 16  # a rate comes from so many marks at most
STOPPED_DWELLS = 1.5  # no mark for so many times the usual dwell: the flow has stopped
# The last dwell, the mean of the last two, three ...: so many times the mean before, or so small a part, it is another pace.
OTHER_PACES = (2.2, 1.6, 1.4, 1.3, 1.25)
UNLIKE_GAPS = 2.0  # times the time between two readings, by which that must differ
ENDED = 0.05  # chance that the flow has ended, from which on the interval reaches down to zero
UNEVEN = 0.3  # of a grain, by which marks are off their places, as far as nothing else is known
UNEVEN_MARKS = 2.0  # for so many marks that counts
READING = 12**-0.5  # of the time between two readings, by which a mark's time is off
SPREAD_95 = 2.0
LATE = 1.0 + 2 * UNEVEN
LATELY_S = 600.0  # what began in the last ten minutes may not have shown
# Litres a minute of what may have begun: a tap, a hose; and of two marks that are one flow (common practice, no source).
SLOWEST_L, FASTEST_L, PAIR_L = 3.0, 20.0, 1.5
NOISE_WEIGHT = 1 / 32
# For independent normal noise: half a second difference, the smaller of two, has so large a mean in standard deviations
# (sqrt(6) / 2 * 2 (sqrt(2) - 1) / sqrt(pi)).
CALMER = 0.5724
NOISE_GRAINS = 4.0
ESTABLISHED = 3  # marks of a level that scatters, from which on their pace counts
TURN_STEPS, TURN_NOISE, ONWARD_NOISE = 1.5, 6.0, 3.0
FLICKER = 0.1  # of a grain: noise from which on turning takes more than a step
VAIN = 12  # turns without getting anywhere
SETTLED_S, SETTLED = 20.0, 12  # seconds, and periods, that a level has stayed where it went back to
SPIKE = 8.0  # times the noise, between the highest and the lowest of three: the middle one counts
AROUND_PCT = 1.0  # over so much above and below a level its litres are told
LONGEST_GAP_S = 120.0
SAME = 1e-9
UNKNOWN = float("nan")
NO_PACE = (UNKNOWN,) * 6
LONG_STILL = 50  # readings without a curve from which on it is quicker to reckon them together
SILENCE = 1e-200  # noise below this is none: it counts for nothing any more, and floats still smaller are slow

Floats = NDArray[np.float64]
# quiet_since_s, marks passed in this direction with its sign, then of the last marks: percent per second, their usual dwell
# in seconds, how far they are off in dwells, the root of the sum of squares of their levels, their first and last
_Pace = tuple[float, float, float, float, float, float, float, float]


@dataclass(slots=True)
class _State:
    """What is remembered of one series.

    curves: the last three of them (_columns). recent: times and levels of the last readings, at most KEPT, while they scatter.
    marks: (seconds, percent) the level passed last, at one pace. passed: how many in all, in that direction. vain: how often
    it turned since it last passed two in one direction. back, back_s: to where it went back without passing a mark, and when.
    """

    last_s: float = UNKNOWN
    level: float = UNKNOWN
    before: float = UNKNOWN
    step: float = float("inf")
    bend: float = 0.0
    curves: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    extreme: float = UNKNOWN
    direction: int = 0
    quiet_since_s: float = UNKNOWN
    passed: int = 0
    vain: int = 0
    back: float = UNKNOWN
    back_s: float = UNKNOWN
    marks: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=MARKS))
    recent: Floats = field(default_factory=lambda: np.empty((2, 0)))

    def begin(self, at_s: float, level: float) -> None:
        """Start over: the first reading, one after a gap, a clock that was set back, or a level that came to rest elsewhere."""
        self.extreme, self.direction, self.quiet_since_s, self.passed = level, 0, at_s, 0
        self.back = self.back_s = UNKNOWN
        self.marks.clear()

    def pass_mark(self, mark_s: float, mark: float, at_s: float, gap_s: float, middle: float, direction: int) -> None:
        """The level passed a mark, in a direction; at_s, gap_s and middle are those of the reading that shows it."""
        if direction != self.direction:
            self.marks.clear()
            self.passed = 0
            self.vain += 1
        else:
            self.vain = 0
            self._forget_other_paces(mark_s, gap_s)
        self.marks.append((mark_s, mark))
        self.passed += 1
        self.extreme, self.direction, self.quiet_since_s = middle, direction, at_s
        self.back = self.back_s = UNKNOWN

    def _forget_other_paces(self, mark_s: float, gap_s: float) -> None:
        """Of the marks before one that is passed now, those go that were passed at another pace than the last."""
        marks, n = self.marks, len(self.marks)
        for late, other in enumerate(OTHER_PACES[: max(n - 1, 0)], 1):
            at_s = marks[-late][0]
            now_s, before_s = (mark_s - at_s) / late, (at_s - marks[0][0]) / (n - late)
            # Marks may be off by half the time between two readings.
            unlike = late * abs(now_s - before_s) > UNLIKE_GAPS * gap_s
            if unlike and (now_s * other < before_s or now_s > other * before_s):
                # In one long dwell the flow may have stopped, and this is another.
                kept = 0 if late == 1 and now_s > before_s else late
                while len(marks) > kept:
                    marks.popleft()
                self.passed = kept
                return

    def quiet(self, at_s: float) -> bool:
        """Whether no flow goes on, and the level does not just flicker."""
        n = len(self.marks)
        if n < 2 or self.vain >= VAIN:
            return self.vain < VAIN
        return at_s - self.quiet_since_s > STOPPED_DWELLS * (self.marks[-1][0] - self.marks[0][0]) / (n - 1)

    def settled(self, at_s: float, gap_s: float) -> bool:
        """Whether the level stayed where it went back to, until now, when it leaves."""
        return at_s - self.back_s >= max(SETTLED_S, SETTLED * gap_s) and self.quiet(at_s)

    def pace(self) -> _Pace:
        """What holds until the next mark: the line of the marks' times over their levels, by least squares."""
        passed, n = self.direction * self.passed, len(self.marks)
        if n < 2:
            return self.quiet_since_s, passed, *NO_PACE
        first_s = self.marks[0][0]
        dwell_s = (self.marks[-1][0] - first_s) / (n - 1)
        mean_s = mean = squares = product = misfit = 0.0
        for at_s, mark in self.marks:
            mean_s += (at_s - first_s) / n
            mean += mark / n
        for at_s, mark in self.marks:
            squares += (mark - mean) * (mark - mean)
            product += (mark - mean) * (at_s - first_s - mean_s)
        if product * self.direction <= 0 or dwell_s <= 0:
            return self.quiet_since_s, passed, *NO_PACE
        slope = product / squares
        for at_s, mark in self.marks:
            off_s = at_s - first_s - mean_s - slope * (mark - mean)
            misfit += off_s * off_s
        uneven = (UNEVEN_MARKS * UNEVEN * UNEVEN + misfit / (dwell_s * dwell_s)) / (UNEVEN_MARKS + n - 2)
        ends = self.marks[0][1], self.marks[-1][1]
        return self.quiet_since_s, passed, 1 / slope, dwell_s, sqrt(uneven), sqrt(squares), *ends


@dataclass(frozen=True, slots=True)
class _Columns:
    """What depends on the last readings alone; n readings, those of one series together and in the order they came.

    bounds: where each series begins, and n. begins_anew: the first reading of a series, after a gap, or after a clock was
    set back. change: from the reading before. middle, spread: of three, and from the lowest to the highest of them. bend: the
    noise. grain: how finely the level is known, inf while its step is not. onward, turn: how far from the last extreme the
    next mark is, in the same direction and in the other; quiet_turn: the latter where no flow goes on. scatters: by more
    than a step. slowest, fastest, pair: SLOWEST_L, FASTEST_L, PAIR_L in percent per second; nan without a capacity.
    """

    bounds: list[int]
    at_s: Floats
    gap_s: Floats
    begins_anew: NDArray[np.bool_]
    level: Floats
    change: Floats
    middle: Floats
    grain: Floats
    onward: Floats
    turn: Floats
    quiet_turn: Floats
    bend: Floats
    spread: Floats
    scatters: NDArray[np.bool_]
    slowest: Floats
    fastest: Floats
    pair: Floats


class OnlineRates:
    """Fills in rate_l_per_min, rate_low and rate_high of readings as they come, whatever the batches are cut into.

    Litres come from the capacity and, where the roster tells it, the tank's shape; without a capacity the rates stay null.
    """

    def __init__(self, roster: Roster | None = None) -> None:
        self._roster = roster or Roster()
        self._states: dict[SourceName, _State] = {}

    def add(self, readings: pa.Table) -> pa.Table:
        """The same READINGS, n rows, with their rates."""
        n = len(readings)
        if not n:
            return readings
        # rate, low, high, and the levels between which they are in percent a second
        stated = np.full((5, n), np.nan)
        time_us, level = times_us(readings), column(readings, "level_pct")
        usable = ((time_us != UNKNOWN_TIME_US) & ~np.isnan(level)).nonzero()[0]
        if len(usable):
            order, begins, names = source_runs(readings, usable)
            states = [self._states.setdefault(name, _State()) for name in names]
            per_minute = _above_zero(self._litres_per_pct(readings, level, level)[order] * 60)
            columns = _columns(states, begins, time_us[order] / 1e6, level[order], per_minute)
            told = _stated(columns, *_walk(states, columns))
            _scattered(states, columns, told)
            for values, found in zip(stated, told, strict=True):
                values[order] = found
        rates = stated[:3] * (self._litres_per_pct(readings, *stated[3:]) * 60)
        rates[~np.isfinite(rates)] = np.nan
        rates = rounded_rates(rates)
        table = readings
        for name, values in zip(("rate_l_per_min", "rate_low", "rate_high"), rates, strict=True):
            table = table.set_column(table.schema.get_field_index(name), table.schema.field(name), float_column(values))
        return table

    def _litres_per_pct(self, readings: pa.Table, one: Floats, other: Floats) -> Floats:
        """(n,) litres that one percent more holds, on the mean between two levels of each reading. one, other: (n,) percent."""
        per_pct = column(readings, "capacity_l") / 100
        if all(entry.shape.kind == PRISMATIC for entry in self._roster.tanks):
            return per_pct
        tank, tanks = codes_of(readings.column("tank"))
        sources = values_of(readings.column("source_address"))
        keys, which = distinct(tank * np.int64(256) + sources)
        for i, key in enumerate(keys.tolist()):
            entry = self._roster.entry(tanks[key // 256] or "", key % 256)
            if entry is not None and entry.shape.kind != PRISMATIC:
                rows = which == i
                middle = np.clip((one[rows] + other[rows]) / 2, AROUND_PCT, 100 - AROUND_PCT)
                half = np.maximum(np.abs(one[rows] - other[rows]) / 2, AROUND_PCT)
                half = np.minimum(half, np.minimum(middle, 100 - middle))
                above, below = (entry.shape.volume_l(middle + off, per_pct[rows] * 100) for off in (half, -half))
                per_pct[rows] = (above - below) / (2 * half)
        return per_pct

    def shift(self, by_us: int) -> None:
        """Move all that is remembered in time, where the readings that follow are on an axis that was moved by so much.

        So a clock that was set is no gap in the readings, and no flow. by_us: microseconds.
        """
        by_s = by_us / 1e6
        for state in self._states.values():
            state.last_s += by_s
            state.quiet_since_s += by_s
            state.back_s += by_s
            state.recent[0] += by_s
            state.marks = deque(((at_s + by_s, mark) for at_s, mark in state.marks), maxlen=MARKS)

    def state(self) -> list[dict[str, Any]]:
        """What is remembered of each tank and source, as values that JSON holds; `restore` takes it."""
        return [
            {
                "vessel": vessel,
                "tank": tank,
                "source_address": source,
                "channel": channel,
                **{name: getattr(state, name) for name in _State.__slots__ if name not in ("marks", "recent")},
                "marks": [list(mark) for mark in state.marks],
                "recent": state.recent.tolist(),
            }
            for (vessel, tank, source, channel), state in self._states.items()
        ]

    def restore(self, remembered: list[dict[str, Any]]) -> None:
        """Go on where another run left off. Raises ValueError for what `state` has not given."""
        try:
            for values in remembered:
                values = dict(values)
                name = tuple(values.pop(word) for word in ("vessel", "tank", "source_address", "channel"))
                marks = deque(((float(at_s), float(mark)) for at_s, mark in values.pop("marks")), maxlen=MARKS)
                recent = np.array(values.pop("recent", ((), ())), np.float64)
                state = self._states[name] = _State(**values, marks=marks, recent=recent)
                if recent.shape != (2, recent.shape[-1]) or len(state.curves) != 3:
                    raise TypeError("recent readings")
        except (KeyError, TypeError, AttributeError, ValueError) as error:
            raise ValueError(f"not a state of rates ({error})") from error


def _columns(
    states: list[_State], begins: NDArray[np.int64], at_s: Floats, level: Floats, per_minute: Floats
) -> _Columns:
    """The columns of n readings, each series' after what its state remembers; the state then remembers its last ones.

    per_minute: litres a minute for a percent per second; nan where there is none.
    """
    bounds = [*begins.tolist(), len(at_s)]
    remembered = np.array([(state.last_s, state.level, state.before, state.step) for state in states])
    gap_s = at_s - _shifted(at_s, begins, remembered[:, 0])
    begins_anew = ~((gap_s >= 0) & (gap_s <= LONGEST_GAP_S))
    last = _shifted(level, begins, remembered[:, 1])
    last[begins_anew] = level[begins_anew]
    before = _shifted(last, begins, remembered[:, 2])
    change = np.abs(level - last)
    lowest, highest = np.minimum(before, last), np.maximum(before, last)
    # The middle of three: one wrong reading moves nothing, at the price of one reading's delay.
    middle = np.maximum(lowest, np.minimum(highest, level))
    step = np.where(change > SAME, change, np.inf)
    step[begins] = np.minimum(step[begins], remembered[:, 3])
    for begin, end in pairwise(bounds):
        np.minimum.accumulate(step[begin:end], out=step[begin:end])
    curve = np.abs(level - 2 * last + before) / 2
    curve[begins_anew] = 0.0
    # One wrong reading bends three in a row, and none that is three away from another of them.
    bend = _bend(states, bounds, np.minimum(curve, _third(states, bounds, curve)) / CALMER, begins_anew)
    scatters = bend > step
    grain = np.where(scatters, np.maximum(step, NOISE_GRAINS * bend), step)
    ends = np.array(bounds[1:]) - 1
    tails = zip(*(values[ends].tolist() for values in (at_s, level, last, step)), strict=True)
    for state, tail in zip(states, tails, strict=True):
        state.last_s, state.level, state.before, state.step = tail
    return _Columns(
        bounds=bounds,
        at_s=at_s,
        gap_s=gap_s,
        begins_anew=begins_anew,
        level=level,
        change=change,
        middle=middle,
        grain=grain,
        onward=np.maximum(grain, ONWARD_NOISE * bend) - SAME,
        # Turning round takes more than one step: a level between two steps flickers.
        turn=np.maximum(TURN_STEPS * grain, TURN_NOISE * bend) - SAME,
        quiet_turn=np.maximum(np.where(bend > FLICKER * grain, TURN_STEPS, 1.0) * grain, TURN_NOISE * bend) - SAME,
        bend=bend,
        spread=np.maximum(highest, level) - np.minimum(lowest, level),
        scatters=scatters,
        slowest=SLOWEST_L / per_minute,
        fastest=FASTEST_L / per_minute,
        pair=PAIR_L / per_minute,
    )


def _third(states: list[_State], bounds: list[int], curve: Floats) -> Floats:
    """For each reading the curve of three before, within its series; the states remember the last three. curve: (n,)."""
    third = np.empty_like(curve)
    third[3:] = curve[:-3]
    for state, (begin, end) in zip(states, pairwise(bounds), strict=True):
        n = min(end - begin, 3)
        third[begin : begin + n] = state.curves[:n]
        state.curves = [*state.curves, *curve[max(begin, end - 3) : end].tolist()][-3:]
    return third


def _above_zero(values: Floats) -> Floats:
    return np.where(values > 0, values, np.nan)


def _shifted(values: Floats, begins: NDArray[np.int64], remembered: Floats) -> Floats:
    """For each reading the value of the one before it in its series. values: (n,). begins, remembered: of k series."""
    shifted = np.empty_like(values)
    shifted[1:] = values[:-1]
    shifted[begins] = remembered
    return shifted


def _bend(states: list[_State], bounds: list[int], curve: Floats, begins_anew: NDArray[np.bool_]) -> Floats:
    """The exponential mean of `curve` over the readings of each series that do not begin anew; 0 at those. All (n,).

    One reading after another: summed in blocks it would be rounded differently wherever the stream is cut, and a level that
    flickers between two steps has a mean that is equal to the step but for rounding, on which its grain depends.
    """
    counted = (~begins_anew).nonzero()[0]
    curve = curve[counted]
    limits = np.searchsorted(counted, bounds)
    bend = np.zeros(len(curve))
    stills, ends = _still(curve, limits)
    splits = np.searchsorted(stills, limits).tolist()
    stretches = list(zip(stills.tolist(), ends.tolist(), strict=True))
    for state, (begin, end), (first, last) in zip(states, pairwise(limits.tolist()), pairwise(splits), strict=True):
        mean = state.bend
        for still, still_end in [*stretches[first:last], (end, end)]:
            bend[begin:still] = [mean := mean + NOISE_WEIGHT * (value - mean) for value in curve[begin:still].tolist()]
            if still < still_end:
                # Without a curve each mean is the last less a 32nd of it. As a 32nd is exact, that is one rounding: a product.
                fading = bend[still:still_end]
                fading[:] = 1 - NOISE_WEIGHT
                fading[0] *= mean
                np.multiply.accumulate(fading, out=fading)
                mean = fading.item(-1)
            begin = still_end
        state.bend = mean if mean > SILENCE else 0.0
    column = np.zeros(len(begins_anew))
    column[counted] = bend
    return column


def _still(curve: Floats, bounds: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(begins, ends) of long stretches of readings without a curve, each within one series. bounds: of the series, and n."""
    if len(curve) <= LONG_STILL:
        return bounds[:0], bounds[:0]
    edge = curve != 0
    edge[bounds[:-1][bounds[:-1] < len(curve)]] = True
    edges = np.append(edge.nonzero()[0], len(curve))
    long = (np.diff(edges) > LONG_STILL).nonzero()[0]
    return edges[long] + 1, edges[long + 1]


def _walk(states: list[_State], columns: _Columns) -> tuple[list[int], list[_Pace]]:
    """Readings at which the pace changes, and the pace from each of them on; the first reading of each series is among them.

    Only those are looked at that can pass a mark. One whose middle is its predecessor's, with its marks no nearer, can not:
    either that one passed its mark or began anew, and nothing has moved since; or it did not, and neither does this one.
    """
    middle, onward, anew = columns.middle, columns.onward, columns.begins_anew
    begins = columns.bounds[:-1]
    maybe = np.ones(len(middle), np.bool_)
    maybe[1:] = middle[1:] != middle[:-1]
    for distance in (onward, columns.turn, columns.quiet_turn):
        maybe[1:] |= distance[1:] < distance[:-1]
    maybe[begins] = True
    if anew.any():
        maybe |= anew
        # Where every reading comes after a gap, only the last of them is remembered.
        forgotten = anew[:-1] & anew[1:]
        forgotten[[begin - 1 for begin in begins[1:]]] = False
        maybe[:-1] &= ~forgotten
    candidates = maybe.nonzero()[0]
    # Nothing is nearer than a negative distance, so that a reading that begins anew is never passed over.
    nearest = np.where(anew, -1.0, onward)
    rows, middles, nears = (values.tolist() for values in (candidates, middle[candidates], nearest[candidates]))
    changes: list[int] = []
    paces: list[_Pace] = []
    splits = np.searchsorted(candidates, columns.bounds).tolist()
    for state, first, (begin, end) in zip(states, begins, pairwise(splits), strict=True):
        changes.append(first)
        paces.append(state.pace())
        extreme, back = state.extreme, state.back
        for row, value, near in zip(rows[begin:end], middles[begin:end], nears[begin:end], strict=True):
            # (nan is as no number)
            if (-near < value - extreme < near and not back < value and not back > value) or not _step(
                state, columns, row, value, near
            ):
                back = state.back
                continue
            extreme, back = state.extreme, state.back
            changes.append(row)
            paces.append(state.pace())
    return changes, paces


def _step(state: _State, columns: _Columns, row: int, value: float, near: float) -> bool:
    """One reading of the walk, whose middle is `value`: whether anything is passed with it or begins with it."""
    at_s = columns.at_s.item(row)
    if near < 0:
        state.begin(at_s, columns.level.item(row))
        return True
    gap_s, came_s, settled = columns.gap_s.item(row), at_s, False
    if value == state.back:
        came_s = state.back_s  # what it came to then holds as long as it stays
    elif state.back_s == state.back_s:
        if settled := state.settled(at_s, gap_s):
            state.begin(state.back_s, state.back)
        state.back = state.back_s = UNKNOWN
    moved = value - state.extreme
    if -near < moved < near:
        return settled
    size, way = abs(moved), 1 if moved > 0 else -1
    if (
        way * state.direction >= 0
        or size >= columns.turn.item(row)
        or (size >= columns.quiet_turn.item(row) and state.quiet(came_s))
    ):
        grain = columns.grain.item(row)
        # A change of a whole grain in one go happened at some time between two readings.
        half_s = gap_s / 2 if columns.change.item(row) >= grain - SAME else 0.0
        state.pass_mark(at_s - half_s, value - way * grain / 2, at_s, gap_s, value, way)
        return True
    state.back, state.back_s = value, came_s
    return settled


def _stated(columns: _Columns, changes: list[int], paces: list[_Pace]) -> tuple[Floats, ...]:
    """(rate, low, high) in percent per second at each of n readings, nan where nothing is known yet, and the two levels between
    which it was so; each (n,)."""
    at_s, gap_s, grain, change = columns.at_s, columns.gap_s, columns.grain, columns.change
    lasting = np.diff([*changes, len(at_s)])
    since_s, passed, pace, usual_s, uneven, lever, first_mark, last_mark = (
        np.repeat(values, lasting) for values in np.array(paces).T
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        quiet_s = np.maximum(at_s - since_s, gap_s)
        high = LATE * grain / np.minimum(quiet_s, np.maximum(LATELY_S, gap_s))
        known = ~columns.begins_anew & (grain < np.inf) & (quiet_s != 0)
    high[~known] = np.nan
    rate = np.where(known, 0.0, np.nan)
    low = -high
    count = np.abs(passed)
    begun = (known & (count >= 1)).nonzero()[0]
    if len(begun):
        rising, passing = passed[begun] > 0, at_s[begun] == since_s[begun]
        bound, lately = grain[begun] / quiet_s[begun], high[begun]
        # One mark: between a trickle and what the time since allows; without noise one reading may have passed many steps.
        many = passing & ~columns.scatters[begun]
        bound = np.where(many, np.maximum(bound, change[begun] / quiet_s[begun]), bound)
        fastest = np.minimum(bound, columns.fastest[begun])
        one = np.where(fastest > columns.slowest[begun], np.sqrt(fastest * columns.slowest[begun]), 0.0)
        dwell_s = usual_s[begun]
        going = quiet_s[begun] <= STOPPED_DWELLS * dwell_s
        speed = np.abs(pace[begun])
        # The time of each mark is uncertain by the time between two readings, and by uneven steps.
        off_s = np.hypot(READING * gap_s[begun], uneven[begun] * dwell_s)
        error = off_s * SPREAD_95 * speed * speed / lever[begun]
        two = count[begun] == 2
        ended = quiet_s[begun] > ENDED * (count[begun] + 1) * dwell_s
        # A mark that is overdue says how fast the flow is at most. None is where one was just passed, however late.
        overdue = (quiet_s[begun] > dwell_s) & ~passing
        most = np.where(overdue, np.minimum(speed + error, LATE * bound), speed + error)
        # Too slow now for the pace of before: it has ended, or is another flow.
        ended |= most < speed - error
        ended |= two & ~(speed >= columns.pair[begun])
        least = np.where(ended, 0.0, np.maximum(speed - error, 0.0))
        speed = np.minimum(speed, most)
        # The second flow may be faster, as far as the third mark is not overdue.
        most = np.where(two, np.maximum(most, LATE * bound), most)
        first = count[begun] == 1
        # Where readings scatter, two marks are no pace yet.
        stated = np.where(columns.scatters[begun], going & (count[begun] >= ESTABLISHED), first | going)
        speed = np.where(first, one, speed)
        # Of a first mark no more is known than when the second is due, and marks are off their places.
        either = np.maximum(LATE * bound, lately)
        least, most = np.where(first, -either, least), np.where(first, either, most)
        rows = begun[stated]
        rising, speed, least, most = rising[stated], speed[stated], least[stated], most[stated]
        rate[rows] = np.where(rising, speed, -speed)
        low[rows] = np.where(rising, least, -most)
        high[rows] = np.where(rising, most, -least)
    unpaced = np.isnan(pace)
    return rate, low, high, np.where(unpaced, columns.level, first_mark), np.where(unpaced, columns.level, last_mark)


def _scattered(states: list[_State], columns: _Columns, stated: tuple[Floats, ...]) -> None:
    """Put slopes in the place of what marks say, where levels scatter; the states remember the last of those readings."""
    level = np.where(columns.spread > SPIKE * columns.bend, columns.middle, columns.level)
    runs: list[tuple[Floats, Floats, Floats, NDArray[np.int64], NDArray[np.int64]]] = []
    for state, (begin, end) in zip(states, pairwise(columns.bounds), strict=True):
        rows = begin + columns.scatters[begin:end].nonzero()[0]
        if not len(rows):
            state.recent = state.recent[:, :0]
            continue
        kept = state.recent.shape[1] if rows[0] == begin else 0
        breaks = np.zeros(kept + len(rows), np.bool_)
        breaks[kept + 1 :] = np.diff(rows) > 1  # the noise of a reading that begins anew is 0
        place = np.arange(kept + len(rows))
        count = place - np.maximum.accumulate(np.where(breaks, place, 0)) + 1
        both = np.concatenate([state.recent[:, :kept], (columns.at_s[rows], level[rows])], axis=1)
        # What is said of remembered readings was said before.
        again = np.zeros(kept)
        runs.append((*both, np.concatenate([again, columns.bend[rows]]), count, np.concatenate([again - 1, rows])))
        last = min(count.item(-1), KEPT) if rows[-1] == end - 1 else 0
        state.recent = both[:, both.shape[1] - last :].copy()
    if not runs:
        return
    at_s, levels, noise, count, row = (np.concatenate(values) for values in zip(*runs, strict=True))
    found = slopes(at_s, levels, noise, count)
    new = (row >= 0) & ~np.isnan(found[0])
    rows = row[new].astype(np.int64)
    rate, low, high, *ends = (values[new] for values in found)
    # What is too slow for slopes may show in the marks of hours.
    rate = np.where((rate == 0) & (np.abs(stated[0][rows]) > 0), stated[0][rows], rate)
    for values, slope in zip(stated, (rate, np.minimum(low, rate), np.maximum(high, rate), *ends), strict=True):
        values[rows] = slope
