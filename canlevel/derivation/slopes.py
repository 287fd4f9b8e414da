"""The slope of a level that scatters, as it is known at each reading: lines through the last readings, and how many of them
belong together.

Readings of one sender come in, each with the noise that is known by then; percent per second come out, with bounds. Nothing
is remembered but the last KEPT readings.

1. **Lines.** Through the last 4, 8, 12, 16 ... 64 readings goes a line each by least squares; a line of k has the standard
   deviation noise / sqrt(sum of squares of the times).
2. **Bends.** Has the level left, during the last k readings, the line of the BEFORE readings before these, or the rest they
   were in? By least squares the slope c of (time since then) that is left over, once against that line carried on and once
   against their mean, where they were at rest. The latter is the likelihood-ratio test for a ramp from a known level, the
   strongest there is for a given k; the largest of all k is the generalised test (Willsky and Jones 1976).
3. **How far back.** The longest line that lies within AGREE standard deviations of all shorter ones (Lepski 1990; intersection
   of confidence intervals: Goldenshluger and Nemirovski 1997), and does not reach beyond a bend. Its slope is the rate, and
   its error the interval.
4. **What began just now** shows later: of a level at rest no more is said than that it moves no faster than what the last
   HORIZON readings (or HORIZON_S, if they are less) would have shown by REST standard deviations.
5. A rate is shown from SHOWN standard deviations on; its interval leaves zero out from SURE on.

Sums of 2 k readings are those of the last k and of the k before, so that all of it is arithmetic of columns; each sum is taken
in one order, wherever the stream is cut (Chan, Golub, LeVeque 1983: means and squares of two parts).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["FEWEST", "KEPT", "slopes"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

LINES = (4, 8, 12, 16, 24, 32, 48, 64)
BENDS, BEFORE = (4, 8, 12, 16, 24, 32), 32
KEPT = 63  # readings before one on which its slope depends
PIECE = 4096  # readings reckoned at once: their columns stay in the processor's cache
SCATTER = 16  # readings about whose line the scatter is taken
FEWEST = 16  # readings in a row without which nothing is said
AGREE = 2.3
BENT = 2.7
SHOWN, SURE = 3.5, 5.0
RESTING = 2.5
SPREAD_95 = 2.1  # more than 1.96, as a line may reach a little beyond where it should
REST = 2.0
HORIZON, HORIZON_S = 10, 20.0
LAG_S = 2.0  # of a sender (common practice, no source)
UNSEEN = 4 / 3  # times lag over time: how much more a change is than a sender that lags has shown of it, some 15 % off
WITHOUT_MOST = 1.12  # the mean of four variances over that of the smaller three
NEVER = 1e300


class _Window(NamedTuple):
    """The last `size` readings before each: means of their times and levels, sums of squares and of products about these."""

    size: int
    time: Floats
    level: Floats
    times: Floats
    product: Floats


class _Bends(NamedTuple):
    """The strongest bend at each reading, of those from rest and of those from any line; (n,) each.

    rested: z of the first kind, in standard deviations; rested_size: readings since it; rested_slope: since.
    size: readings since the second kind, NEVER without one; before: slope of the line before it.
    resting_sd: standard deviation of the slope since the first bend that is as old as the horizon, inf before any is.
    """

    rested: Floats
    rested_size: Floats
    rested_slope: Floats
    size: Floats
    before: Floats
    resting_sd: Floats


def slopes(at_s: Floats, level: Floats, noise: Floats, count: NDArray[np.int64]) -> tuple[Floats, ...]:
    """(rate, low, high) in percent per second at each of n readings, nan where fewer than FEWEST are in a row, and the
    levels at which the line of the rate begins and ends. (n,) each.

    level: percent, without single wrong readings. noise: standard deviation of a reading, as known at each. count: how many
    readings are in a row, up to each; those of a row stand together, and what is before does not belong to it.
    """
    pieces = []
    for begin in range(0, len(at_s), PIECE):
        first = max(begin - KEPT, 0)
        rows = slice(first, begin + PIECE)
        pieces.append(
            [values[begin - first :] for values in _slopes(at_s[rows], level[rows], noise[rows], count[rows])]
        )
    return tuple(np.concatenate(values) for values in zip(*pieces, strict=True))


def _slopes(at_s: Floats, level: Floats, noise: Floats, count: NDArray[np.int64]) -> tuple[Floats, ...]:
    windows = {1: _Window(1, at_s, level, np.zeros_like(at_s), np.zeros_like(at_s))}
    while (size := max(windows)) < LINES[-1]:
        windows[2 * size] = _joined(windows[size], windows[size])
    for size in LINES:
        if size not in windows:
            windows[size] = _joined(windows[size // 3 * 2], windows[size // 3])
    with np.errstate(divide="ignore", invalid="ignore"):
        noise = np.maximum(noise, _scatter(windows, level, count))
        rate, low, high, first, last = _judged(windows, at_s, noise, count)
    unknown = (count < FEWEST) | ~np.isfinite(high - low)
    for values in (rate, low, high):
        values[unknown] = np.nan
    return rate, low, high, first, last


def _before(values: Floats, by: int) -> Floats:
    """For each reading the value of the one so many before it; at the first ones, which have none, the first."""
    found = np.empty_like(values)
    found[by:] = values[: max(len(values) - by, 0)]
    found[:by] = values[:1]
    return found


def _joined(late: _Window, early: _Window) -> _Window:
    """One window of two that follow one another (Chan, Golub, LeVeque 1983)."""
    time, level, times, product = (_before(values, late.size) for values in early[1:])
    later, higher = late.time - time, late.level - level
    size = late.size + early.size
    part, weight = early.size / size, late.size * early.size / size
    return _Window(
        size,
        late.time - part * later,
        late.level - part * higher,
        late.times + times + weight * later * later,
        late.product + product + weight * later * higher,
    )


def _scatter(windows: dict[int, _Window], level: Floats, count: NDArray[np.int64]) -> Floats:
    """(n,) standard deviation of readings about lines of SCATTER, the widest of four such lines left out.

    Waves that are slow against the readings are in it, and not in the differences of neighbours.
    """
    squares, size = np.zeros_like(level), 1
    while size < SCATTER:
        higher = windows[size].level - _before(windows[size].level, size)
        squares = squares + _before(squares, size) + size / 2 * higher * higher
        size *= 2
    line = windows[SCATTER]
    misfit = np.maximum(squares - line.product * line.product / line.times, 0.0) / (SCATTER - 2)
    total = most = misfit
    for by in range(SCATTER, 4 * SCATTER, SCATTER):
        one = np.where(count >= SCATTER + by, _before(misfit, by), 0.0)
        total, most = total + one, np.maximum(most, one)
    others = np.minimum(count // SCATTER, 4) - 1
    return np.asarray(np.sqrt(np.where(others > 0, WITHOUT_MOST * (total - most) / others, total)))


def _bends(windows: dict[int, _Window], at_s: Floats, noise: Floats, count: NDArray[np.int64]) -> _Bends:
    n = len(at_s)
    whole = windows[BEFORE]
    whole_slope = whole.product / whole.times
    rested, rested_size, rested_slope = np.zeros(n), np.full(n, NEVER), np.zeros(n)
    strongest, bent_size, before_slope = np.zeros(n), np.full(n, NEVER), np.zeros(n)
    resting_sd = np.full(n, np.inf)
    for size in BENDS:
        late = windows[size]
        begin_s = _before(at_s, size)
        # About the last reading before: u is the mean time since, uu the sum of squares.
        u = late.time - begin_s
        uu = late.times + size * u * u
        lever = size * u / uu
        higher = late.level - _before(whole.level, size)
        product = late.product + size * u * higher
        known = count >= size + BEFORE
        line, times = _before(whole_slope, size), _before(whole.times, size)
        # From rest: what is left over against the mean before.
        slope = product / uu
        sd = noise * np.sqrt(1 / uu + lever * lever / BEFORE)
        still = known & (np.abs(line) <= RESTING * noise / np.sqrt(times))
        z = np.where(still, slope / sd, 0.0)
        more = np.abs(z) > np.abs(rested)
        rested, rested_slope = np.where(more, z, rested), np.where(more, slope, rested_slope)
        rested_size = np.where(more, size, rested_size)
        if size >= HORIZON:
            old = still & (at_s - begin_s >= HORIZON_S) & (resting_sd == np.inf)
            resting_sd = np.where(old, sd, resting_sd)
        # From any line: against that line carried on, with its own error.
        reach = begin_s - _before(whole.time, size)
        left = (product - line * (uu + size * u * reach)) / uu
        far = 1 + lever * reach
        sd = noise * np.sqrt(1 / uu + lever * lever / BEFORE + far * far / times)
        z = np.where(known, np.abs(left) / sd, 0.0)
        more = (z > strongest) & (z >= BENT)
        strongest, before_slope = np.where(more, z, strongest), np.where(more, line, before_slope)
        bent_size = np.where(more, size, bent_size)
    return _Bends(rested, rested_size, rested_slope, bent_size, before_slope, resting_sd)


def _judged(windows: dict[int, _Window], at_s: Floats, noise: Floats, count: NDArray[np.int64]) -> tuple[Floats, ...]:
    n = len(at_s)
    bends = _bends(windows, at_s, noise, count)
    from_rest = np.abs(bends.rested) >= SHOWN
    bend_size = np.where(from_rest, np.minimum(bends.rested_size, bends.size), bends.size)
    slope, sd, span_s, level = np.zeros(n), np.full(n, np.inf), np.ones(n), windows[1].level
    least, most = np.full(n, -np.inf), np.full(n, np.inf)
    agree = np.ones(n, np.bool_)
    for size in LINES:
        line = windows[size]
        line_slope, line_sd = line.product / line.times, noise / np.sqrt(line.times)
        agree &= (count >= size) & (line_slope >= least) & (line_slope <= most)
        if size > LINES[0]:
            agree &= size <= bend_size
        slope, sd = np.where(agree, line_slope, slope), np.where(agree, line_sd, sd)
        span_s = np.where(agree, at_s - _before(at_s, size - 1), span_s)
        level = np.where(agree, line.level, level)
        least = np.maximum(least, line_slope - AGREE * line_sd)
        most = np.minimum(most, line_slope + AGREE * line_sd)
    z = np.abs(np.where(from_rest, bends.rested, slope / sd))
    shown = z >= SHOWN
    low, high = slope - SPREAD_95 * sd, slope + SPREAD_95 * sd
    # A sender that lags has not shown all of a change yet.
    before = np.where(from_rest & (bends.rested_size <= bends.size), 0.0, bends.before)
    unseen = np.where(bend_size < NEVER, (slope - before) * (UNSEEN * LAG_S) / span_s, 0.0)
    low, high = low + np.minimum(unseen, 0.0), high + np.maximum(unseen, 0.0)
    rested = from_rest & (np.sign(bends.rested_slope) * slope < np.abs(bends.rested_slope))
    rate = np.where(shown, np.where(rested, bends.rested_slope, slope), 0.0)
    # What began within the horizon may not have shown yet.
    resting = REST * np.where(bends.resting_sd < np.inf, bends.resting_sd, sd)
    low = np.where(shown, low, np.minimum(low, -resting))
    high = np.where(shown, high, np.maximum(high, resting))
    unsure = shown & (z < SURE)
    low = np.where(unsure, np.minimum(low, 0.0), low)
    high = np.where(unsure, np.maximum(high, 0.0), high)
    rise = slope * span_s / 2
    return rate, np.minimum(low, rate), np.maximum(high, rate), level - rise, level + rise
