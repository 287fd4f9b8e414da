"""How a level behaves while nothing is filled or drained: its scatter, its jumps, and whether it creeps away.

What comes in: a Track and the times in which all valves were closed. What goes out: a Rest.

Drift of a fine sender: one slope for all those times, by least squares in each, weighted by how well each knows it; its
standard error from the residuals, made larger by how alike neighbours are, (1 + r) / (1 - r) for a lag-one correlation r. A
sender in steps shows a drift only where it passes a step and does not come back: two of them in one direction, none in the
other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canlevel.proving.limits import JUMP_PCT, LEAST_REST_S
from canlevel.proving.movement import Interval, Track

__all__ = ["Rest", "rest_of"]

FEWEST = 5
SURE = 4.0  # standard errors: one false alarm in 16,000 by normal noise
MOST_ALIKE = 0.9
DOUBTFUL = 2.0
JUMP_STEPS, JUMP_NOISE = 1.5, 6.0
FEWEST_PASSED, CREPT_STEPS, FEWEST_TURNS = 2, 1.5, 4
TURNS_SHARE, WIDEST_FLICKER_PCT = 0.1, 4.0  # a strip's step, and what J1939 rounds it to
LEAST_NOISE_READINGS = 8
TO_SIGMA = 1.4826
NEIGHBOURS = math.sqrt(2.0)


@dataclass(frozen=True, slots=True)
class Rest:
    """A level at rest. seconds: for how long in all. noise_pct: standard deviation about its slope, beyond the flicker of one
    step. spread_pct: the same with it. jumps: changes from one reading to the next that no level at rest makes; largest_pct:
    the largest change. drift_pct_per_min: signed; surely: whether it is no chance; least_pct_per_min: the smallest that would
    have shown. steps: how many steps a sender in steps passed for good, signed. rows: places of the track's readings.
    """

    seconds: float
    noise_pct: float
    spread_pct: float
    jumps: int
    largest_pct: float
    drift_pct_per_min: float
    surely: bool
    least_pct_per_min: float
    steps: int
    rows: NDArray[np.int64]


def rest_of(track: Track, spans: Sequence[Interval]) -> Rest | None:
    """The rest of a track in some spans of time; None where they are too short to say anything."""
    windows = [places for begin, end in spans if len(places := track.within(begin, end + 1e-6)) >= FEWEST]
    windows = [places for places in windows if np.ptp(track.seconds[places]) >= LEAST_REST_S / 2]
    total_s = sum(float(np.ptp(track.seconds[places])) + track.period_s for places in windows)
    if not windows or total_s < LEAST_REST_S:
        return None
    step = track.step_pct if track.stepped else 0.0
    rows = np.concatenate(windows)
    slopes, errors, weights, squares, beyond, changes, flickers = [], [], [], [], [], [], []
    for places in windows:
        seconds, level = track.seconds[places], track.level_pct[places]
        slope, error, off = _slope(seconds, level)
        flicker = max(step, _flicker(level))
        flickers.append(flicker)
        slopes.append(slope)
        errors.append(error)
        weights.append(1 / max(error, 1e-9) ** 2)
        squares.append(off)
        beyond.append(np.maximum(np.abs(off) - flicker, 0.0))
        changes.append(np.abs(np.diff(level)))
    off, change = np.concatenate(squares), np.concatenate(changes)
    spread = float(np.sqrt(np.mean(off**2)))
    noise = float(np.sqrt(np.mean(np.concatenate(beyond) ** 2)))
    usual = TO_SIGMA * float(np.median(change)) / NEIGHBOURS if len(change) >= LEAST_NOISE_READINGS else 0.0
    jumps = int(np.count_nonzero(change > max(JUMP_PCT, JUMP_STEPS * max(flickers), JUMP_NOISE * usual)))
    longest_s = max(float(np.ptp(track.seconds[places])) for places in windows)
    weight = np.array(weights)
    mean = float((np.array(slopes) * weight).sum() / weight.sum())
    error = float(1 / math.sqrt(weight.sum()))
    # None of the spans may tell otherwise; a short one tells little.
    alike = all(slope * mean > 0 or abs(slope) < DOUBTFUL * off for slope, off in zip(slopes, errors, strict=True))
    creeps = abs(mean) > SURE * error and alike
    passed = 0
    if track.stepped:
        passed = _passed(track, windows, step)
        surely = abs(passed) >= FEWEST_PASSED or (creeps and abs(mean) * total_s > CREPT_STEPS * step)
        drift = 60 * passed * step / total_s if abs(passed) >= FEWEST_PASSED else 60 * mean if surely else 0.0
        least = 60 * FEWEST_PASSED * step / total_s
    else:
        finest = max(track.step_pct, 0.02)
        surely = creeps and abs(mean) * longest_s > finest
        drift, least = 60 * mean, 60 * max(SURE * error, finest / longest_s)
    return Rest(total_s, noise, spread, jumps, float(change.max(initial=0.0)), drift, surely, least, passed, rows)


def _slope(seconds: NDArray[np.float64], level: NDArray[np.float64]) -> tuple[float, float, NDArray[np.float64]]:
    """(slope a second, its standard error, (n,) what it leaves) by least squares."""
    at = seconds - seconds.mean()
    power = float((at * at).sum())
    slope = float((at * level).sum() / power) if power > 0 else 0.0
    off = level - level.mean() - slope * at
    variance = float((off * off).sum()) / max(len(level) - 2, 1)
    alike = float((off[1:] * off[:-1]).sum() / (off * off).sum()) if (off * off).sum() > 0 else 0.0
    alike = min(max(alike, 0.0), MOST_ALIKE)
    # A level that never changed is known to a step of the wire, evenly spread.
    variance = max(variance * (1 + alike) / (1 - alike), 0.004**2 / 12)
    return slope, math.sqrt(variance / power) if power > 0 else math.inf, off


def _passed(track: Track, windows: Sequence[NDArray[np.int64]], step: float) -> int:
    """How many steps were passed for good, all in one direction: signed; 0 where some went the other way.

    For good: in each of the spans the last quarter lies beyond all of the first. A level at a mark of the sender flickers.
    """
    net = []
    for places in windows:
        level = track.level_pct[places]
        edge = max(len(level) // 4, 2)
        begin, end = level[:edge], level[-edge:]
        away = max(float(end.min() - begin.max()), 0.0) - max(float(begin.min() - end.max()), 0.0)
        net.append(round(away / step))
    return 0 if min(net) * max(net) < 0 else sum(net)


def _flicker(level: NDArray[np.float64]) -> float:
    """How far apart the two levels are between which a sender in uneven steps goes to and fro at rest; 0 where it does not."""
    values = np.unique(level)
    if len(values) != 2 or np.count_nonzero(np.diff(level)) < max(FEWEST_TURNS, TURNS_SHARE * len(level)):
        return 0.0
    apart = float(values[1] - values[0])
    return apart if apart <= WIDEST_FLICKER_PCT else 0.0
