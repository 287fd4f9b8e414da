"""Rates at each reading, one reading after the other: the slow and obvious walk that canlevel/derivation/online.py must equal.

It has its own dictionary of series instead of columns and runs, and lines through readings taken one by one. What is to change
about the rates is changed here first. Constants are taken from online.py and slopes.py: here the walk is told, not its tuning.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from canlevel.derivation import online, slopes
from canlevel.derivation.online import LATE, MARKS, SAME

# The preferred numbers of ISO 3, series R40, from memory, of all decades that matter.
R40 = [
    1.00, 1.06, 1.12, 1.18, 1.25, 1.32, 1.40, 1.50, 1.60, 1.70, 1.80, 1.90, 2.00, 2.12, 2.24, 2.36, 2.50, 2.65, 2.80, 3.00,
    3.15, 3.35, 3.55, 3.75, 4.00, 4.25, 4.50, 4.75, 5.00, 5.30, 5.60, 6.00, 6.30, 6.70, 7.10, 7.50, 8.00, 8.50, 9.00, 9.50,
]  # fmt: skip
BOUNDS = [float(f"{number}e{decade}") for decade in range(-9, 18) for number in R40] + [1e18]
BOUNDS = [*(-bound for bound in reversed(BOUNDS)), 0.0, *BOUNDS]

Rates = tuple[float | None, float | None, float | None]
UNKNOWN = (float("nan"),) * 3


@dataclass
class Walker:
    """What is remembered of one tank and source.

    marks: (seconds, percent) the level passed last, at one pace. passed: how many in all, in that direction. vain: how often
    it turned since it last passed two in one direction. back: (seconds, percent) where it went back to without passing a mark.
    recent: (seconds, percent) of the readings in a row that scatter.
    """

    last_s: float = float("nan")
    level: float = float("nan")
    before: float = float("nan")
    step: float = float("inf")
    bend: float = 0.0
    curves: deque[float] = field(default_factory=lambda: deque([0.0] * 3, maxlen=3))
    extreme: float = float("nan")
    direction: int = 0
    quiet_since_s: float = float("nan")
    passed: int = 0
    vain: int = 0
    back: tuple[float, float] | None = None
    marks: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=MARKS))
    recent: list[tuple[float, float]] = field(default_factory=list)

    def begin(self, at_s: float, level: float) -> None:
        self.extreme, self.direction, self.quiet_since_s, self.passed, self.back = level, 0, at_s, 0, None
        self.marks.clear()

    def add(self, at_s: float, level: float, per_minute: float) -> tuple[float, float, float]:
        """(rate, low, high) in percent per second after one more reading. per_minute: litres a minute for one of these."""
        gap_s = at_s - self.last_s
        if not 0 <= gap_s <= online.LONGEST_GAP_S:  # the first reading, a gap, or a clock that was set back: start over
            self.begin(at_s, level)
            self.curves.append(0.0)
            self.last_s = at_s
            self.level = self.before = level
            self.recent = []
            return UNKNOWN
        change = abs(level - self.level)
        if change > SAME:
            self.step = min(self.step, change)
        # The middle of three: one wrong reading moves nothing, at the price of one reading's delay.
        lowest, middle, highest = sorted((self.before, self.level, level))
        curve = abs(level - 2 * self.level + self.before) / 2
        # One wrong reading bends three in a row.
        self.bend += online.NOISE_WEIGHT * (min(curve, self.curves[0]) / online.CALMER - self.bend)
        self.curves.append(curve)
        scatters = self.bend > self.step
        grain = max(self.step, online.NOISE_GRAINS * self.bend) if scatters else self.step
        if grain < float("inf"):
            self._step(at_s, gap_s, middle, change, grain)
        self.before, self.level, self.last_s = self.level, level, at_s
        rates = self._rate(at_s, gap_s, grain, per_minute, change)
        if not scatters:
            self.recent = []
            return rates
        self.recent.append((at_s, middle if highest - lowest > online.SPIKE * self.bend else level))
        slope = Slope(self.recent, self.bend).rates() if len(self.recent) >= slopes.FEWEST else None
        if slope is None:
            return rates
        rate, low, high = slope
        if rate == 0 and abs(rates[0]) > 0:  # what is too slow for slopes may show in the marks of hours
            rate = rates[0]
        return rate, min(low, rate), max(high, rate)

    def _step(self, at_s: float, gap_s: float, middle: float, change: float, grain: float) -> None:
        onward = max(grain, online.ONWARD_NOISE * self.bend) - SAME
        # Turning round takes more than one step: a level between two steps flickers.
        flickers = self.bend > online.FLICKER * grain
        turn = max(online.TURN_STEPS * grain, online.TURN_NOISE * self.bend) - SAME
        quiet_turn = max((online.TURN_STEPS if flickers else 1.0) * grain, online.TURN_NOISE * self.bend) - SAME
        came_s = at_s
        if self.back is not None:
            if middle == self.back[1]:
                came_s = self.back[0]
            else:
                if at_s - self.back[0] >= max(online.SETTLED_S, online.SETTLED * gap_s) and self.quiet(at_s):
                    self.begin(*self.back)
                self.back = None
        moved = middle - self.extreme
        if abs(moved) < onward:
            return
        way = 1 if moved > 0 else -1
        if way * self.direction >= 0 or abs(moved) >= turn or (abs(moved) >= quiet_turn and self.quiet(came_s)):
            half_s = gap_s / 2 if change >= grain - SAME else 0.0
            self._pass(at_s - half_s, gap_s, middle - way * grain / 2, way)
            self.extreme, self.quiet_since_s, self.back = middle, at_s, None
        else:
            self.back = came_s, middle

    def quiet(self, at_s: float) -> bool:
        if self.vain >= online.VAIN:
            return False
        if len(self.marks) < 2:
            return True
        dwell_s = (self.marks[-1][0] - self.marks[0][0]) / (len(self.marks) - 1)
        return at_s - self.quiet_since_s > online.STOPPED_DWELLS * dwell_s

    def _pass(self, mark_s: float, gap_s: float, mark: float, way: int) -> None:
        if way != self.direction:
            self.marks.clear()
            self.passed = 0
            self.vain += 1
        else:
            self.vain = 0
            times = [at_s for at_s, _ in self.marks]
            for late, other in zip(range(1, len(times)), online.OTHER_PACES, strict=False):
                now_s, before_s = (mark_s - times[-late]) / late, (times[-late] - times[0]) / (len(times) - late)
                if late * abs(now_s - before_s) <= online.UNLIKE_GAPS * gap_s:
                    continue
                if now_s > other * before_s and late == 1:  # the flow stopped, and this is another
                    self.marks.clear()
                    self.passed = 0
                    break
                if now_s > other * before_s or now_s * other < before_s:  # another has joined, or one has left
                    self.marks = deque(list(self.marks)[-late:], maxlen=MARKS)
                    self.passed = late
                    break
        self.direction = way
        self.marks.append((mark_s, mark))
        self.passed += 1

    def _rate(
        self, at_s: float, gap_s: float, grain: float, per_minute: float, change: float
    ) -> tuple[float, float, float]:
        quiet_s = max(at_s - self.quiet_since_s, gap_s)
        if grain == float("inf") or not quiet_s:
            return UNKNOWN
        lately = LATE * grain / min(quiet_s, max(online.LATELY_S, gap_s))
        bound = grain / quiet_s
        passing = self.passed > 0 and at_s == self.quiet_since_s
        if passing and not self.bend > self.step:  # without noise one reading may have passed many steps
            bound = max(bound, change / quiet_s)
        slowest, fastest, pair = (
            litres / per_minute if per_minute > 0 else math.nan
            for litres in (online.SLOWEST_L, online.FASTEST_L, online.PAIR_L)
        )
        established = self.passed >= online.ESTABLISHED or not self.bend > self.step
        if self.passed == 1 and established:
            fastest = min(bound, fastest) if per_minute > 0 else math.nan
            speed = math.sqrt(fastest * slowest) if fastest > slowest else 0.0
            either = max(LATE * bound, lately)
            return speed * self.direction, -either, either
        line = self._line()
        if line is not None and established and quiet_s <= online.STOPPED_DWELLS * line[1]:
            pace, dwell_s, uneven, lever = line
            speed = abs(pace)
            off_s = float(np.hypot(online.READING * gap_s, uneven * dwell_s))
            error = off_s * online.SPREAD_95 * speed * speed / lever
            ended = quiet_s > online.ENDED * (self.passed + 1) * dwell_s
            overdue = quiet_s > dwell_s and not passing
            most = min(speed + error, LATE * bound) if overdue else speed + error
            ended = ended or most < speed - error or (self.passed == 2 and not speed >= pair)
            least = 0.0 if ended else max(speed - error, 0.0)
            speed = min(speed, most)
            if self.passed == 2:
                most = max(most, LATE * bound)
            if self.direction > 0:
                return speed, least, most
            return -speed, -most, -least
        return 0.0, -lately, lately

    def _line(self) -> tuple[float, float, float, float] | None:
        """(percent per second, usual dwell, how many dwells marks are off the line, root of the sum of squares of levels)."""
        n = len(self.marks)
        if n < 2:
            return None
        times = [at_s - self.marks[0][0] for at_s, _ in self.marks]
        marks = [mark for _, mark in self.marks]
        dwell_s = times[-1] / (n - 1)
        # One after the other: sum() adds more exactly, from Python 3.12 on.
        mean_s, mean = added(at_s / n for at_s in times), added(mark / n for mark in marks)
        squares = added((mark - mean) * (mark - mean) for mark in marks)
        product = added((mark - mean) * (at_s - mean_s) for at_s, mark in zip(times, marks, strict=True))
        if product * self.direction <= 0 or dwell_s <= 0:
            return None
        slope = product / squares
        off = [at_s - mean_s - slope * (mark - mean) for at_s, mark in zip(times, marks, strict=True)]
        misfit = added(off_s * off_s for off_s in off) / (dwell_s * dwell_s)
        weight = online.UNEVEN_MARKS
        uneven = math.sqrt((weight * online.UNEVEN * online.UNEVEN + misfit) / (weight + n - 2))
        return 1 / slope, dwell_s, uneven, math.sqrt(squares)


def added(values: Iterable[float]) -> float:
    total = 0.0
    for value in values:
        total += value
    return total


Line = tuple[float, float, float, float]  # mean time, mean level, sum of squares of times, of products


class Slope:
    """The slope of a level that scatters after the last of some readings in a row; slopes.py says how it is found.

    Numbers are numpy's, which divide by zero without an error.
    """

    def __init__(self, readings: list[tuple[float, float]], bend: float) -> None:
        self._readings = [(np.float64(at_s), np.float64(level)) for at_s, level in readings[-slopes.LINES[-1] :]]
        self._lines: dict[tuple[int, int], Line] = {}
        self._noise = max(np.float64(bend), self._scatter())

    def _line(self, size: int, ago: int = 0) -> Line:
        """Of `size` readings, the last of them so many before the last of all."""
        if (size, ago) in self._lines:
            return self._lines[size, ago]
        if size == 1:
            at_s, level = self._readings[-1 - ago]
            line: Line = (at_s, level, np.float64(0.0), np.float64(0.0))
        else:
            late = size // 2 if size & (size - 1) == 0 else size // 3 * 2
            early = size - late
            time, level, times, product = self._line(late, ago)
            early_time, early_level, early_times, early_product = self._line(early, ago + late)
            later, higher, part, weight = time - early_time, level - early_level, early / size, late * early / size
            line = (
                time - part * later,
                level - part * higher,
                times + early_times + weight * later * later,
                product + early_product + weight * later * higher,
            )
        self._lines[size, ago] = line
        return line

    def _squares(self, size: int, ago: int) -> float:
        """Of levels about their mean."""
        if size == 1:
            return np.float64(0.0)
        half = size // 2
        higher = self._line(half, ago)[1] - self._line(half, ago + half)[1]
        return self._squares(half, ago) + self._squares(half, ago + half) + half / 2 * higher * higher

    def _scatter(self) -> float:
        size = slopes.SCATTER
        misfits = []
        for ago in range(0, 4 * size, size):
            if len(self._readings) >= size + ago:
                _, _, times, product = self._line(size, ago)
                misfits.append(max(self._squares(size, ago) - product * product / times, np.float64(0.0)) / (size - 2))
        if len(misfits) == 1:
            return np.sqrt(misfits[0])
        return np.sqrt(slopes.WITHOUT_MOST * (added(misfits) - max(misfits)) / (len(misfits) - 1))

    def rates(self) -> tuple[float, float, float] | None:
        with np.errstate(all="ignore"):
            rate, low, high = self._judged()
        return (rate, low, high) if np.isfinite(high - low) else None

    def _judged(self) -> tuple[float, float, float]:
        last_s, noise = self._readings[-1][0], self._noise
        rested, rested_size, rested_slope = 0.0, slopes.NEVER, 0.0
        strongest, bent_size, before = 0.0, slopes.NEVER, 0.0
        resting_sd = float("inf")
        for size in slopes.BENDS:
            if len(self._readings) < size + slopes.BEFORE:
                break
            time, level, times, product = self._line(size)
            whole_time, whole_level, whole_times, whole_product = self._line(slopes.BEFORE, size)
            begin_s, line = self._readings[-1 - size][0], whole_product / whole_times
            u = time - begin_s
            uu = times + size * u * u
            lever = size * u / uu
            product = product + size * u * (level - whole_level)
            if abs(line) <= slopes.RESTING * noise / np.sqrt(whole_times):
                slope, sd = product / uu, noise * np.sqrt(1 / uu + lever * lever / slopes.BEFORE)
                if abs(slope / sd) > abs(rested):
                    rested, rested_size, rested_slope = slope / sd, size, slope
                if size >= slopes.HORIZON and last_s - begin_s >= slopes.HORIZON_S and math.isinf(resting_sd):
                    resting_sd = sd
            reach = begin_s - whole_time
            left = (product - line * (uu + size * u * reach)) / uu
            far = 1 + lever * reach
            sd = noise * np.sqrt(1 / uu + lever * lever / slopes.BEFORE + far * far / whole_times)
            if abs(left) / sd > strongest and abs(left) / sd >= slopes.BENT:
                strongest, bent_size, before = abs(left) / sd, size, line
        from_rest = abs(rested) >= slopes.SHOWN
        bend_size = min(rested_size, bent_size) if from_rest else bent_size
        slope, sd, span_s = np.float64(0.0), np.float64("inf"), 1.0
        least, most = -math.inf, math.inf
        for size in slopes.LINES:
            if len(self._readings) < size or (size > slopes.LINES[0] and size > bend_size):
                break
            _, _, times, product = self._line(size)
            line, line_sd = product / times, noise / np.sqrt(times)
            if not least <= line <= most:
                break
            slope, sd, span_s = line, line_sd, last_s - self._readings[-size][0]
            least, most = max(least, line - slopes.AGREE * line_sd), min(most, line + slopes.AGREE * line_sd)
        z = abs(rested) if from_rest else abs(slope / sd)
        shown = z >= slopes.SHOWN
        low, high = slope - slopes.SPREAD_95 * sd, slope + slopes.SPREAD_95 * sd
        if from_rest and rested_size <= bent_size:
            before = 0.0
        if bend_size < slopes.NEVER:
            unseen = (slope - before) * (slopes.UNSEEN * slopes.LAG_S) / span_s
            low, high = low + min(unseen, 0.0), high + max(unseen, 0.0)
        if not shown:
            resting = slopes.REST * (sd if math.isinf(resting_sd) else resting_sd)
            return 0.0, min(low, -resting, 0.0), max(high, resting, 0.0)
        rate = rested_slope if from_rest and np.sign(rested_slope) * slope < abs(rested_slope) else slope
        if z < slopes.SURE:
            low, high = min(low, 0.0), max(high, 0.0)
        return rate, min(low, rate), max(high, rate)


def three_digits(value: float) -> float | None:
    if not math.isfinite(value):
        return None
    places = 2 - math.floor(math.log10(abs(value))) if value else 0
    if places > 0:
        return round(value * 10.0 ** min(places, 22)) / 10.0 ** min(places, 22)
    return float(round(value / 10.0**-places)) * 10.0**-places


def outwards_up(value: float) -> float | None:
    if not math.isfinite(value):
        return None
    return BOUNDS[bisect_left(BOUNDS, value)] if abs(value) <= 1e18 else value


def outwards_down(value: float) -> float | None:
    mirrored = outwards_up(-value)
    return None if mirrored is None else 0.0 - mirrored


def reference_rates(rows: Iterable[dict[str, Any]], time_us: Iterable[int | None]) -> list[Rates]:
    """(rate_l_per_min, rate_low, rate_high) of each reading, None where there is none.

    rows: READINGS as dictionaries, all of a stream. time_us: their times in microseconds since 1970, None where not known.
    """
    walkers: dict[tuple[Any, ...], Walker] = {}
    found: list[Rates] = []
    for row, at_us in zip(rows, time_us, strict=True):
        level, capacity_l = row["level_pct"], row["capacity_l"]
        rates = UNKNOWN
        if at_us is not None and level is not None and not math.isnan(level):
            key = tuple(row[name] for name in ("vessel", "tank", "source_address", "channel"))
            per_minute = (math.nan if capacity_l is None else capacity_l / 100) * 60
            rates = walkers.setdefault(key, Walker()).add(at_us / 1e6, level, per_minute)
        litres_per_pct = math.nan if capacity_l is None else capacity_l / 100
        rate, low, high = (rate * (litres_per_pct * 60) for rate in rates)
        found.append((three_digits(rate), outwards_down(low), outwards_up(high)))
    return found
