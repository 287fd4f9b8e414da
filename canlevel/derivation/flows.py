"""Flows, first version: fills and drains of each tank and source, found off-line in its readings.

A sender moves in steps and a level between two steps flickers, so a flow is claimed only where the level goes further
one way than flicker and noise explain. The method, for one series:
1. noise by second differences (a steady flow cancels out of them), step by the small changes that do occur;
2. turning points with a dead band of one and a half steps or five times the local noise, whichever is more;
3. within a leg the times at which the level passes the middle between steps: points on the true line, however coarse
   the sender. Long pauses between them part one flow from the next;
4. the rate is the slope of the least-squares line through these points; its interval comes from their scatter and from
   how far apart the readings are.
Nothing is claimed across a gap in the readings. Flows of a single step, of less than half a percent of the tank, and jumps
between two readings are left out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.derivation.series import Series, series_of
from canlevel.tables import FLOWS

__all__ = ["derive_flows", "sender_step"]

DEAD_BAND_STEPS = 1.5
DEAD_BAND_NOISE = 5.0
GRAIN_NOISE = 4.0
FEWEST_READINGS = 5
NOISE_WINDOW = 61
GAP_PERIODS, SHORTEST_GAP_S = 20, 60.0
SPIKE_STEPS = 4.0
FLICKER = 0.2  # noise above this part of a step makes the level flicker, and is smoothed over nine readings
PAUSE_DWELLS = 3.0
MOST_CROSSINGS = 40  # a fine sender's flow is cut into at most so many
PLATEAU_READINGS = 20
FEWEST_TO_TRIM = 6
SMALLEST_PCT = 0.5  # flows of less than this part of a tank are left to noise
SPREAD_95 = 2.0
SAME = 1e-9


def derive_flows(readings: pa.Table) -> pa.Table:
    """FLOWS of READINGS, in the order of their start. Pure: the same readings give the same flows.

    Levels outside 0..100 % count like others; readings without a level or a time are passed over.
    """
    rows: list[dict[str, Any]] = []
    for series in series_of(readings):
        for flow in _series_flows(series):
            start, end = (series.origin_us + round(at * 1e6) for at in (flow.start_s, flow.end_s))
            rows.append(
                {
                    "vessel": series.vessel,
                    "tank": series.tank,
                    "name": series.name,
                    "source_address": series.source_address,
                    "kind": "fill" if flow.rate_pct > 0 else "drain",
                    "start": start,
                    "end": end,
                    "start_level_pct": flow.start_level,
                    "end_level_pct": flow.end_level,
                    "volume_l": flow.volume_l,
                    "rate_l_per_min": flow.rate_l,
                    "rate_low": flow.rate_low,
                    "rate_high": flow.rate_high,
                    "rate_pct_per_min": flow.rate_pct,
                }
            )
    rows.sort(key=lambda row: (row["start"], row["tank"], row["source_address"]))
    return pa.Table.from_pylist(rows, schema=FLOWS)


def sender_step(level_pct: NDArray[np.float64]) -> float:
    """The step by which a level moves, percent: the small end of the changes that occur; 0 where there are none. (n,)."""
    changes = np.abs(np.diff(level_pct))
    changes = changes[changes > SAME]
    return float(np.quantile(changes, 0.2)) if len(changes) else 0.0


@dataclass(frozen=True, slots=True)
class _Flow:
    start_s: float
    end_s: float
    start_level: float
    end_level: float
    volume_l: float | None
    rate_pct: float
    rate_l: float | None
    rate_low: float | None
    rate_high: float | None


def _series_flows(series: Series) -> Iterator[_Flow]:
    """Flows of one series, stretch by stretch between gaps."""
    periods = np.diff(series.seconds)
    if len(periods) < FEWEST_READINGS:
        return
    period = float(np.median(periods))
    step = sender_step(series.level_pct)
    if step == 0:
        return
    volume_at = _volume_curve(series)
    gaps = np.flatnonzero(periods > max(GAP_PERIODS * period, SHORTEST_GAP_S)) + 1
    for rows in np.split(np.arange(len(series.seconds)), gaps):
        if len(rows) >= FEWEST_READINGS:
            yield from _stretch_flows(series.seconds[rows], series.level_pct[rows], step, volume_at)


class _VolumeCurve:
    """Litres at any level of one tank, from the pairs its readings carry: the tank's shape without knowing its kind."""

    def __init__(self, levels: NDArray[np.float64], volumes: NDArray[np.float64]) -> None:
        self._levels, self._volumes = levels, volumes

    def __call__(self, level: NDArray[np.float64]) -> NDArray[np.float64]:
        """(n,) litres at (n,) percent, in straight lines between what was read and on beyond its ends."""
        levels, volumes = self._levels, self._volumes
        litres: NDArray[np.float64] = np.interp(level, levels, volumes)
        for end, inner in ((0, 1), (-1, -2)):
            slope = (volumes[end] - volumes[inner]) / (levels[end] - levels[inner])
            beyond = level < levels[0] if end == 0 else level > levels[-1]
            litres = np.where(beyond, volumes[end] + slope * (level - levels[end]), litres)
        return litres


def _volume_curve(series: Series) -> _VolumeCurve | None:
    known = ~np.isnan(series.volume_l)
    levels, first = np.unique(series.level_pct[known], return_index=True)
    # A capacity that was corrected half-way leaves two volumes for one level; the curve then follows the first.
    return _VolumeCurve(levels, series.volume_l[known][first]) if len(levels) > 1 else None


def _stretch_flows(
    seconds: NDArray[np.float64], level: NDArray[np.float64], step: float, volume_at: _VolumeCurve | None
) -> Iterator[_Flow]:
    noise = _local_noise(level, step)
    calm = _running_median(level, 3)
    smooth = np.where(noise > FLICKER * step, _running_median(level, 9), calm)
    band = np.maximum(DEAD_BAND_STEPS * step, DEAD_BAND_NOISE * noise)
    until = seconds[0]
    for first, last in _legs(smooth.tolist(), band.tolist()):
        rise = smooth[last] - smooth[first]
        usual_noise = float(np.median(noise[first : last + 1]))
        grain = max(step, GRAIN_NOISE * usual_noise, abs(rise) / MOST_CROSSINGS)
        for part in _parted(_crossings(seconds, smooth, first, last, grain)):
            # All marks between two readings: the level jumped, and what has no duration has no rate.
            if len(part.seconds) >= 2 and part.seconds[-1] - part.seconds[0] > part.gap_s[0]:
                flow = _measured(part, seconds, level, usual_noise, volume_at)
                # The level at rest before and after has the last word; and a tank does one thing at a time.
                if (flow.end_level - flow.start_level) * np.sign(flow.rate_pct) >= SMALLEST_PCT and flow.end_s > until:
                    yield replace(flow, start_s=max(flow.start_s, until))
                    until = flow.end_s


def _running_median(values: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Median over `width` readings around each, the ends repeated. (n,) to (n,)."""
    padded = np.pad(values, width // 2, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1))


def _local_noise(level: NDArray[np.float64], step: float) -> NDArray[np.float64]:
    """Standard deviation of the noise around each reading, from second differences; 0 where the level rests. (n,) to (n,).

    For independent noise the second difference has the variance 6 sigma^2. A spike counts for no more than a few steps or a
    few times what is usual, so that one wrong reading does not hide a flow beside it.
    """
    bend = np.abs(level[2:] - 2 * level[1:-1] + level[:-2])
    bend = np.minimum(bend, max(SPIKE_STEPS * step, SPIKE_STEPS * float(np.median(bend))))
    bend = np.concatenate([bend[:1], bend, bend[-1:]])
    width = min(NOISE_WINDOW, len(bend) // 2 * 2 - 1)
    padded = np.pad(bend**2, width // 2, mode="edge")
    total = np.concatenate([[0.0], np.cumsum(padded)])
    mean = (total[width:] - total[:-width]) / width
    return np.asarray(np.sqrt(np.maximum(mean, 0) / 6))


def _legs(level: list[float], band: list[float]) -> Iterator[tuple[int, int]]:
    """(first, last) of every rise or fall that is larger than the dead band: from the last reading at one turning point to
    the first at the next."""
    low = high = level[0]
    low_at = high_at = high_first = low_first = 0
    direction = 0
    for i, value in enumerate(level):
        if direction >= 0 and value > high + SAME:
            high, high_first = value, i
        if direction <= 0 and value < low - SAME:
            low, low_first = value, i
        if direction >= 0 and abs(value - high) <= SAME:
            high_at = i
        if direction <= 0 and abs(value - low) <= SAME:
            low_at = i
        if direction >= 0 and high - value >= band[i]:
            if direction > 0:
                yield low_at, high_first
            direction, low, low_at, low_first = -1, value, i, i
        elif direction <= 0 and value - low >= band[i]:
            if direction < 0:
                yield high_at, low_first
            direction, high, high_at, high_first = 1, value, i, i
    if direction > 0:
        yield low_at, high_first
    elif direction < 0:
        yield high_at, low_first


@dataclass(frozen=True, slots=True)
class _Crossings:
    """Times at which a level passed marks one `grain` apart, each in the middle between two steps. gap_s: how far apart the
    readings around each crossing are. (m,) each; all in one direction."""

    seconds: NDArray[np.float64]
    marks: NDArray[np.float64]
    gap_s: NDArray[np.float64]
    grain: float

    def part(self, rows: slice) -> _Crossings:
        return _Crossings(self.seconds[rows], self.marks[rows], self.gap_s[rows], self.grain)


def _crossings(
    seconds: NDArray[np.float64], level: NDArray[np.float64], first: int, last: int, grain: float
) -> _Crossings:
    rise = level[last] - level[first]
    sign = 1.0 if rise > 0 else -1.0
    count = int(abs(rise) / grain + 0.5 + SAME)
    height = np.maximum.accumulate(sign * (level[first : last + 1] - level[first]))
    marks = (np.arange(count) + 0.5) * grain
    after = np.searchsorted(height, marks, side="left")
    after = np.clip(after, 1, len(height) - 1)
    before = after - 1
    # Between two readings the level is taken to run straight; one step then is passed in the middle.
    part = (marks - height[before]) / np.maximum(height[after] - height[before], SAME)
    times = seconds[first : last + 1]
    gap = times[after] - times[before]
    return _Crossings(times[before] + np.clip(part, 0, 1) * gap, level[first] + sign * marks, gap, grain)


def _parted(crossings: _Crossings) -> Iterator[_Crossings]:
    """One flow from the next: parted where a pause is far longer than the time from mark to mark elsewhere."""
    dwells = np.diff(crossings.seconds)
    if len(dwells) >= 2:
        longest = int(np.argmax(dwells))
        others = np.delete(dwells, longest)
        # A steady flow takes as long for each mark; the quicker marks tell how long that is.
        if dwells[longest] > PAUSE_DWELLS * np.quantile(others, 0.25) + 4 * np.median(crossings.gap_s):
            yield from _parted(crossings.part(slice(0, longest + 1)))
            yield from _parted(crossings.part(slice(longest + 1, None)))
            return
    yield crossings


def _measured(
    crossings: _Crossings,
    seconds: NDArray[np.float64],
    level: NDArray[np.float64],
    noise: float,
    volume_at: _VolumeCurve | None,
) -> _Flow:
    """One flow through at least two crossings."""
    at, marks = crossings.seconds, crossings.marks
    sign = 1.0 if marks[-1] > marks[0] else -1.0
    slope, _, _ = _line(at, marks, crossings.gap_s, noise)
    half = sign * crossings.grain / 2
    # The first and last half step happen at the same rate, beyond the outermost marks.
    lead = half / slope
    start, end = at[0] - lead, at[-1] + lead
    start_level = _plateau(level[seconds <= start][-PLATEAU_READINGS:], marks[0] - half, crossings.grain)
    end_level = _plateau(level[seconds >= end][:PLATEAU_READINGS], marks[-1] + half, crossings.grain)
    if len(at) >= FEWEST_TO_TRIM:
        # Noise carries the outermost marks outwards. The line through the others meets the levels at rest at the true edges.
        inner = slice(1, -1)
        slope, _, _ = _line(at[inner], marks[inner], crossings.gap_s[inner], noise)
        centre, middle = at[inner].mean(), marks[inner].mean()
        start = min(max(centre + (start_level - middle) / slope, start), at[1])
        end = max(min(centre + (end_level - middle) / slope, end), at[-2])
    start, end = max(start, seconds[0]), min(end, seconds[-1])
    volume = rate = rate_low = rate_high = None
    if volume_at is not None:
        litres = volume_at(np.array([start_level, end_level]))
        volume = float(abs(litres[1] - litres[0]))
        # The line is fitted in litres of its own, as a curved tank turns a steady flow into a curved level.
        noise_l = noise * volume / max(abs(end_level - start_level), SAME)
        rate, rate_low, rate_high = _line(at, volume_at(marks), crossings.gap_s, noise_l)
        rate, rate_low, rate_high = rate * 60, rate_low * 60, rate_high * 60
    return _Flow(start, end, start_level, end_level, volume, slope * 60, rate, rate_low, rate_high)


def _line(
    at: NDArray[np.float64], height: NDArray[np.float64], gap_s: NDArray[np.float64], noise: float
) -> tuple[float, float, float]:
    """(slope, low, high) of the least-squares line through (at, height), per second, with its 95 % interval. (m,) each."""
    centred = at - at.mean()
    spread = float(centred @ centred)
    between = float(np.median(gap_s))
    slope = float(centred @ height) / spread
    m = len(at)
    # A crossing lies anywhere between two readings, evenly: standard deviation one gap over the root of 12.
    expected = (slope * between) ** 2 / 12 + noise**2
    scatter = height - height.mean() - slope * centred
    seen = float(scatter @ scatter) / (m - 2) if m > 2 else 0.0
    error = SPREAD_95 * float(np.sqrt(max(expected, seen) / spread))
    return slope, slope - error, slope + error


def _plateau(level: NDArray[np.float64], expected: float, grain: float) -> float:
    """The level at rest beside a flow: the median of what was read there, if that agrees with the outermost mark."""
    if len(level):
        seen = float(np.median(level))
        if abs(seen - expected) <= grain:
            return seen
    return float(expected)
