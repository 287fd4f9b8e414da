"""Rates at each reading, one reading after the other: the slow and obvious walk that canlevel/derivation/online.py must equal.

It is the first implementation, kept for that purpose, with its own dictionary of series instead of columns and runs. What is
to change about the rates is changed here first. The constants are taken from online.py: here the walk is told, not its tuning.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from canlevel.derivation.online import (
    ENDED,
    FASTEST_L,
    LATE,
    LONGEST_GAP_S,
    MARKS,
    NOISE_GRAINS,
    NOISE_WEIGHT,
    ONWARD_NOISE,
    OTHER_PACE,
    READING,
    SAME,
    SLOWEST_L,
    SPREAD_95,
    STOPPED_DWELLS,
    TURN_NOISE,
    TURN_STEPS,
    UNEVEN,
    UNEVEN_NOISE,
)

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

    marks: (seconds, percent) the level passed last, at one pace. passed: how many in all, in that direction.
    """

    last_s: float = float("nan")
    level: float = float("nan")
    before: float = float("nan")
    step: float = float("inf")
    bend: float = 0.0
    extreme: float = float("nan")
    direction: int = 0
    quiet_since_s: float = float("nan")
    passed: int = 0
    marks: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=MARKS))

    def add(self, at_s: float, level: float, per_minute: float) -> tuple[float, float, float]:
        """(rate, low, high) in percent per second after one more reading. per_minute: litres a minute for one of these."""
        gap_s = at_s - self.last_s
        if not 0 <= gap_s <= LONGEST_GAP_S:  # the first reading, a gap, or a clock that was set back: start over
            self.extreme, self.direction, self.quiet_since_s, self.passed = level, 0, at_s, 0
            self.marks.clear()
            self.last_s = at_s
            self.level = self.before = level
            return UNKNOWN
        change = abs(level - self.level)
        if change > SAME:
            self.step = min(self.step, change)
        # The middle of three: one wrong reading moves nothing, at the price of one reading's delay.
        middle = sorted((self.before, self.level, level))[1]
        self.bend += NOISE_WEIGHT * (abs(level - 2 * self.level + self.before) / 2 - self.bend)
        # The mean of half a second difference of independent noise is within 2 % of its standard deviation.
        grain = max(self.step, NOISE_GRAINS * self.bend) if self.bend > self.step else self.step
        if grain < float("inf"):
            moved = middle - self.extreme
            # Turning round takes more than one step: a level between two steps flickers.
            onward = self.direction == 0 or moved * self.direction > 0
            needed = max(grain, ONWARD_NOISE * self.bend) if onward else max(TURN_STEPS * grain, TURN_NOISE * self.bend)
            if abs(moved) >= needed - SAME:
                turn = 1 if moved > 0 else -1
                half_s = gap_s / 2 if change >= grain - SAME else 0.0
                self._pass(at_s - half_s, middle - turn * grain / 2, turn)
                self.extreme, self.quiet_since_s = middle, at_s
        self.before, self.level, self.last_s = self.level, level, at_s
        return self._rate(at_s, gap_s, grain, per_minute, change)

    def _pass(self, mark_s: float, mark: float, turn: int) -> None:
        if turn != self.direction:
            self.marks.clear()
            self.passed = 0
        elif len(self.marks) >= 2:
            dwell_s = mark_s - self.marks[-1][0]
            usual_s = (self.marks[-1][0] - self.marks[0][0]) / (len(self.marks) - 1)
            if dwell_s > OTHER_PACE * usual_s:  # the flow stopped, and this is another
                self.marks.clear()
                self.passed = 0
            elif dwell_s * OTHER_PACE < usual_s:  # another has joined
                self.marks = deque([self.marks[-1]], maxlen=MARKS)
                self.passed = 1
        self.direction = turn
        self.marks.append((mark_s, mark))
        self.passed += 1

    def _rate(
        self, at_s: float, gap_s: float, grain: float, per_minute: float, change: float
    ) -> tuple[float, float, float]:
        quiet_s = max(at_s - self.quiet_since_s, gap_s)
        if grain == float("inf") or not quiet_s:
            return UNKNOWN
        bound = grain / quiet_s
        passing = self.passed > 0 and at_s == self.quiet_since_s
        if self.passed == 1:
            if passing and grain <= self.step:  # without noise one reading may have passed many steps
                bound = max(bound, change / quiet_s)
            fastest = min(bound, FASTEST_L / per_minute) if per_minute > 0 else math.nan
            slowest = SLOWEST_L / per_minute if per_minute > 0 else math.nan
            speed = math.sqrt(fastest * slowest) if fastest > slowest else 0.0
            return speed * self.direction, -LATE * bound, LATE * bound
        if len(self.marks) >= 2:
            (first_s, first), (last_s, last) = self.marks[0], self.marks[-1]
            span_s = last_s - first_s
            dwell_s = span_s / (len(self.marks) - 1)
            if span_s > 0 and quiet_s <= STOPPED_DWELLS * dwell_s:
                speed = abs((last - first) / span_s)
                jitter_s = float(np.hypot(READING * gap_s, (UNEVEN_NOISE if grain > self.step else UNEVEN) * dwell_s))
                error = jitter_s * (SPREAD_95 * 2**0.5) / span_s * speed
                ended = quiet_s > ENDED * (self.passed + 1) * dwell_s
                overdue = quiet_s > dwell_s and not passing
                most = min(speed + error, LATE * bound) if overdue else speed + error
                ended = ended or most < speed - error
                least = 0.0 if ended else max(speed - error, 0.0)
                speed = min(speed, most)
                if self.direction > 0:
                    return speed, least, most
                return -speed, -most, -least
        return 0.0, -bound, bound


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
