"""Rates as they are known at the time of each reading, first version: causal, one small state for each tank and source.

A rate is stated from the last marks the level passed in one direction (marks as in flows.py: the middle between two
steps). While no mark is passed, all that is known is that the level stayed within a step for so long: the rate then lies
between minus and plus one step over that time. Before a sender has moved at all its step is unknown, and so is the rate.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa

from canlevel.derivation.series import source_groups
from canlevel.tables import UNKNOWN_TIME_US, column, float_column, times_us

__all__ = ["OnlineRates"]

MARKS = 4  # a rate comes from so many marks at most: enough to average, few enough to follow a tap
STOPPED_DWELLS = 3.0  # no mark for so many times the usual dwell: the flow has stopped
NOISE_WEIGHT = 1 / 32
NOISE_GRAINS = 4.0
TURN_STEPS, TURN_NOISE, ONWARD_NOISE = 1.5, 6.0, 3.0
LONGEST_GAP_S = 120.0
SAME = 1e-9
UNKNOWN = (float("nan"),) * 3


@dataclass(slots=True)
class _State:
    """What is remembered of one tank and source. marks: (seconds, percent) the level passed last, in one direction."""

    last_s: float = float("nan")
    level: float = float("nan")
    before: float = float("nan")
    step: float = float("inf")
    bend: float = 0.0
    extreme: float = float("nan")
    direction: int = 0
    quiet_since_s: float = float("nan")
    marks: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=MARKS))

    def add(self, at_s: float, level: float) -> tuple[float, float, float]:
        """(rate, low, high) in percent per second after one more reading."""
        gap_s = at_s - self.last_s
        if not 0 <= gap_s <= LONGEST_GAP_S:  # the first reading, a gap, or a clock that was set back: start over
            self.extreme, self.direction, self.quiet_since_s = level, 0, at_s
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
                if turn != self.direction:
                    self.marks.clear()
                self.direction = turn
                half_s = gap_s / 2 if change >= grain - SAME else 0.0
                self.marks.append((at_s - half_s, middle - turn * grain / 2))
                self.extreme, self.quiet_since_s = middle, at_s
        self.before, self.level, self.last_s = self.level, level, at_s
        return self._rate(at_s, gap_s, grain)

    def _rate(self, at_s: float, gap_s: float, grain: float) -> tuple[float, float, float]:
        quiet_s = max(at_s - self.quiet_since_s, gap_s)
        if grain == float("inf") or not quiet_s:
            return UNKNOWN
        bound = grain / quiet_s
        if len(self.marks) >= 2:
            (first_s, first), (last_s, last) = self.marks[0], self.marks[-1]
            span_s = last_s - first_s
            dwell_s = span_s / (len(self.marks) - 1)
            if span_s > 0 and quiet_s <= STOPPED_DWELLS * dwell_s:
                rate = (last - first) / span_s
                # Either end of the span is uncertain by up to half a step's time.
                error = grain / span_s
                low, high = rate - error, rate + error
                if rate > 0:
                    high = max(min(high, bound), low) if quiet_s > dwell_s else high
                    rate = min(rate, high)
                else:
                    low = min(max(low, -bound), high) if quiet_s > dwell_s else low
                    rate = max(rate, low)
                return rate, low, high
        return 0.0, -bound, bound


class OnlineRates:
    """Fills in rate_l_per_min, rate_low and rate_high of readings as they come, whatever the batches are cut into.

    Litres come from the capacity; without one the rates stay null. First version: in a tank that is not prismatic the rate
    is that of a prismatic tank of the same capacity.
    """

    def __init__(self) -> None:
        self._states: dict[tuple[str | None, str, int, str | None], _State] = {}

    def add(self, readings: pa.Table) -> pa.Table:
        """The same READINGS, n rows, with their rates."""
        n = len(readings)
        if not n:
            return readings
        rates = np.full((3, n), np.nan)
        time_us, level = times_us(readings), column(readings, "level_pct")
        litres_per_pct = column(readings, "capacity_l") / 100
        usable = (time_us != UNKNOWN_TIME_US) & ~np.isnan(level)
        which, first = source_groups(readings, by_channel=True)
        for number, row in enumerate(first):
            vessel, tank, source, channel = (
                readings.column(name)[row].as_py() for name in ("vessel", "tank", "source_address", "channel")
            )
            state = self._states.setdefault((vessel, tank, source, channel), _State())
            rows = np.flatnonzero((which == number) & usable)
            if len(rows):
                add = state.add
                found = [
                    add(at, value)
                    for at, value in zip((time_us[rows] / 1e6).tolist(), level[rows].tolist(), strict=True)
                ]
                rates[:, rows] = np.array(found).T
        rates *= 60 * litres_per_pct
        table = readings
        for name, values in zip(("rate_l_per_min", "rate_low", "rate_high"), rates, strict=True):
            values[~np.isfinite(values)] = np.nan
            table = table.set_column(table.schema.get_field_index(name), table.schema.field(name), float_column(values))
        return table
