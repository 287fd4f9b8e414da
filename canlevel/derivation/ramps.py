"""A level that rests, runs along lines, and rests again, fitted to single readings: how fast, from when to when, how sure.

The level is continuous: a at rest, then rate_1 from start_1 to end_1 = start_2, and so on, then at rest. All of it is fitted at
once by weighted least squares (Levenberg 1944, Marquardt 1963); the covariance of what was fitted is the inverse of the
information matrix, which for normal noise is the Cramer-Rao bound.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["SPREAD_95", "Ramps", "best_split", "fit_one_ramp", "fit_ramps", "line_levels", "lines"]

Floats = NDArray[np.float64]

ROUNDS = 12
NEGLIGIBLE = 1e-4
BEYOND = 1e300  # a misfit that floats cannot tell
GRID = 21
EVENLY = np.linspace(0, 1, GRID)
LAGS_SETTLED = 6
SPLITS = 9  # places within a line that are tried for one more knot
SPREAD_95 = 2.2
ZOOMS = 2


@dataclass(frozen=True, slots=True)
class Ramps:
    """k lines between two rests. knots: (k + 1,) times. rates, rate_sd, rate_low, rate_high: (k,) per second.

    before, after: levels at rest. duration_low: of all of them, the shortest that the readings allow (2.5 %).
    misfit: mean squared misfit in units of the noise; 1 where the noise is what it was taken for. squares: their sum.
    """

    knots: Floats
    rates: Floats
    rate_low: Floats
    rate_high: Floats
    before: float
    after: float
    change_sd: float
    duration_low: float
    misfit: float
    squares: float

    @property
    def rate_sd(self) -> Floats:
        """(k,) standard deviations of the rates."""
        return (self.rate_high - self.rate_low) / (2 * SPREAD_95)

    @property
    def levels(self) -> Floats:
        """(k + 1,) true levels at the knots."""
        return self.before + np.concatenate([[0.0], np.cumsum(self.rates * np.diff(self.knots))])


def _ran(since: Floats, lag_s: float) -> Floats:
    """How far a level has gone that has been running at rate 1 since (n,) seconds, as a lagging sender shows it."""
    since = np.maximum(since, 0.0)
    return since - lag_s * -np.expm1(-since / lag_s) if lag_s > 0 else since


def _model(at: Floats, values: Floats, k: int, lag_s: float) -> tuple[Floats, Floats]:
    """(level, running): (n,) the level that the values give, and (k + 1, n) how far the sender has caught up with each knot."""
    since = np.maximum(at - values[1 + k :, None], 0.0)
    if lag_s > 0:
        running = -np.expm1(since * (-1 / lag_s))
        gone = since - lag_s * running
    else:
        running, gone = (since > 0).astype(np.float64), since
    return values[0] + _changes(values, k) @ gone, running


def _slopes(at: Floats, values: Floats, running: Floats, k: int, lag_s: float) -> Floats:
    """(2k + 2, n) derivatives of the level by the fitted values."""
    gone = np.maximum(at - values[1 + k :, None], 0.0) - lag_s * running
    table = np.empty((2 * k + 2, len(at)))
    table[0] = 1
    table[1 : 1 + k] = gone[:-1] - gone[1:]
    table[1 + k :] = running * -_changes(values, k)[:, None]
    return table


def _changes(values: Floats, k: int) -> Floats:
    """(k + 1,) by how much the rate changes at each knot."""
    changes = np.zeros(k + 1)
    changes[:-1] = values[1 : 1 + k]
    changes[1:] -= values[1 : 1 + k]
    return changes


def _solved(table: Floats, values: Floats) -> Floats:
    """The solution of linear equations; the least one where there are many. A table of no digits gives no number."""
    try:
        return np.asarray(np.linalg.solve(table, values), np.float64)
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.lstsq(table, values, rcond=None)[0], np.float64)


def fit_ramps(
    at: Floats,
    level: Floats,
    sd: Floats,
    knots: Sequence[float] | Floats,
    rates: Sequence[float] | Floats,
    *,
    lag_s: float,
) -> Ramps:
    """Fit k lines. at, level, sd: (n,) readings and their noise. knots: (k + 1,), rates: (k,) to begin with.

    lag_s: the time constant with which the sender follows the level.
    """
    k = len(rates)
    weight = 1 / sd
    first = int(np.searchsorted(at, knots[0]))
    heavy = weight[:first] ** 2
    before = float(heavy @ level[:first] / heavy.sum()) if first else float(level[0])
    values = np.concatenate([[before], rates, knots])
    shortest = 1e-3

    level_now, running = _model(at, values, k, lag_s)
    off = (level - level_now) * weight
    best, damping = float(off @ off), 1e-2
    for _ in range(ROUNDS):
        table = _slopes(at, values, running, k, lag_s) * weight
        information = table @ table.T
        lean = table @ off
        diagonal = np.diag(np.maximum(information.diagonal(), 1e-12))
        for _ in range(6):
            tried = values + _solved(information + damping * diagonal, lean)
            tried[1 + k :] = np.minimum(np.maximum(tried[1 + k :], at[0]), at[-1])
            tried[1 + k :] = np.maximum.accumulate(tried[1 + k :] + shortest * np.arange(k + 1)) - 0.0
            level_now, running_now = _model(at, tried, k, lag_s)
            off_now = (level - level_now) * weight
            now = float(off_now @ off_now)
            if now <= best:
                break
            damping *= 5
        else:
            break
        gain, best, values, damping = best - now, now, tried, max(damping / 5, 1e-6)
        running, off = running_now, off_now
        if gain < NEGLIGIBLE * max(best, 1.0):
            break
    table = _slopes(at, values, running, k, lag_s) * weight
    information = table @ table.T
    covariance = np.linalg.pinv(information)
    mean = best / max(len(at) - len(values), 1)
    scale = max(mean, 1.0)
    rate_sd = np.sqrt(np.maximum(np.diag(covariance)[1 : 1 + k] * scale, 0))
    rates_fitted, fitted_knots = values[1 : 1 + k], values[1 + k :]
    # Of the whole change: a linear combination of what was fitted.
    combination = np.zeros(len(values))
    for i in range(k):
        combination[1 + i] += fitted_knots[i + 1] - fitted_knots[i]
        combination[1 + k + i] -= rates_fitted[i]
        combination[2 + k + i] += rates_fitted[i]
    ends = np.zeros(len(values))
    ends[1 + k], ends[-1] = -1, 1
    duration_sd = float(np.sqrt(max(float(ends @ covariance @ ends) * scale, 0.0)))
    return Ramps(
        knots=fitted_knots,
        rates=rates_fitted,
        rate_low=rates_fitted - SPREAD_95 * rate_sd,
        rate_high=rates_fitted + SPREAD_95 * rate_sd,
        before=float(values[0]),
        after=float(values[0] + rates_fitted @ np.diff(fitted_knots)),
        change_sd=float(np.sqrt(max(float(combination @ covariance @ combination) * scale, 0.0))),
        duration_low=float(fitted_knots[-1] - fitted_knots[0] - 2 * duration_sd),
        misfit=mean,
        squares=best,
    )


def line_levels(at: Floats, fitted: Ramps, lag_s: float) -> Floats:
    """(k, n) what each of k fitted lines adds to the level at n times."""
    return fitted.rates[:, None] * lines(at, fitted.knots, lag_s)


def lines(at: Floats, knots: Floats, lag_s: float) -> Floats:
    """(k, n) how far a level has gone at n times that runs at rate 1 between two knots, for each two neighbours of k + 1."""
    gone = _ran(at - knots[:, None], lag_s)
    return gone[:-1] - gone[1:]


def best_split(at: Floats, level: Floats, sd: Floats, fitted: Ramps, *, lag_s: float) -> tuple[float, float]:
    """(time, gain) of the one more knot that would lessen the sum of squares most, the others staying where they are.

    A knot more is a column more in the linear problem of levels and rates: what it gains is the square of what the misfit
    has in common with the part of that column that the others do not explain already.
    """
    knots, weight = fitted.knots, 1 / sd
    gone = _ran(at - knots[:, None], lag_s)
    columns = np.concatenate([np.ones((1, len(at))), gone[:-1] - gone[1:]])
    off = (level - fitted.before - fitted.rates @ columns[1:]) * weight
    base, _ = np.linalg.qr((columns * weight).T)
    off = off - base @ (base.T @ off)
    parts = np.arange(1, SPLITS + 1) / (SPLITS + 1)
    tried = (knots[:-1, None] + np.diff(knots)[:, None] * parts).reshape(-1)
    # A line that bends at the knot and keeps to the ends of its neighbours.
    ends = np.repeat(np.arange(1, len(knots)), SPLITS)
    table = (_ran(at - tried[:, None], lag_s) - gone[ends]) * weight
    table -= (table @ base) @ base.T
    length = np.maximum((table * table).sum(axis=1), 1e-12)
    gain = (table @ off) ** 2 / length
    best = int(gain.argmax())
    return float(tried[best]), float(gain[best])


def fit_one_ramp(
    at: Floats, level: Floats, sd: Floats, start: tuple[float, float], end: tuple[float, float], *, lag_s: float
) -> Ramps:
    """Fit one line, its start and end anywhere within two ranges: for flows of a few readings, where the misfit has corners.

    Every start and end is weighed by its likelihood, the levels at rest being the best for them; the intervals are those of the
    weights (a posterior under even priors).
    """
    low = (start[0], end[0])
    high = (start[1], end[1])
    weight = 1 / sd**2
    origin = float(level[0])
    level = level - origin
    w, wy, wyy = weight.sum(), weight @ level, weight @ (level * level)
    # Readings before the first start have seen nothing of the flow, and those long after the last end all of it.
    first, last = np.searchsorted(at, [low[0], high[1] + LAGS_SETTLED * lag_s])
    inner, inner_weight, inner_wy = at[first:last], weight[first:last], (weight * level)[first:last]
    after_w, after_wy = weight[last:].sum(), (weight * level)[last:].sum()
    for zoom in range(ZOOMS + 1):
        starts, stops = (low[i] + (high[i] - low[i]) * EVENLY for i in (0, 1))
        s, e = np.repeat(starts, GRID), np.tile(stops, GRID)
        lasting = e - s
        good = lasting > 1e-3
        s, e, lasting = s[good], e[good], lasting[good]
        # Both ends take few values: what the level has run since each of them is worked out once.
        since_start, since_end = (_ran(inner - ends[:, None], lag_s) for ends in (starts, stops))
        share = (since_start[:, None, :] - since_end[None, :, :]).reshape(-1, len(inner))[good] / lasting[:, None]
        wp, wpy = share @ inner_weight + after_w, share @ inner_wy + after_wy
        wpp = (share * share) @ inner_weight + after_w
        spread = np.maximum(wpp - wp * wp / w, 1e-12)
        change = (wpy - wp * wy / w) / spread
        misfit = (wyy - wy * wy / w) - change * (wpy - wp * wy / w)
        misfit = np.where(np.isfinite(misfit), misfit, BEYOND)
        likely = np.exp(-(misfit - misfit.min()) / 2)
        if zoom < ZOOMS:
            rows = likely > 1e-4
            step = [(high[i] - low[i]) / (GRID - 1) for i in (0, 1)]
            low = (max(s[rows].min() - step[0], low[0]), max(e[rows].min() - step[1], low[1]))
            high = (min(s[rows].max() + step[0], high[0]), min(e[rows].max() + step[1], high[1]))
    mean = float(misfit.min()) / max(len(at) - 4, 1)
    likely = likely ** (1 / max(mean, 1.0))
    likely /= likely.sum()
    level_sd = np.sqrt(max(mean, 1.0) / spread)
    # The change for each start and end is itself uncertain: three points of a normal curve stand for it.
    points = np.array([-np.sqrt(3), 0.0, np.sqrt(3)])
    parts = np.array([1 / 6, 2 / 3, 1 / 6])
    rates = ((change[:, None] + level_sd[:, None] * points) / lasting[:, None]).reshape(-1)
    weights = (likely[:, None] * parts).reshape(-1)
    order = np.argsort(rates)
    total = np.cumsum(weights[order])
    rate_low, rate, rate_high = (
        float(rates[order][min(np.searchsorted(total, q), len(total) - 1)]) for q in (0.025, 0.5, 0.975)
    )
    by_length = np.argsort(lasting)
    shortest = float(lasting[by_length][np.searchsorted(np.cumsum(likely[by_length]), 0.025)])
    start_s, end_s = float(likely @ s), float(likely @ e)
    mean_change = float(likely @ change)
    share = (_ran(at - start_s, lag_s) - _ran(at - end_s, lag_s)) / max(end_s - start_s, 1e-3)
    before = origin + float(weight @ (level - mean_change * share) / w)
    return Ramps(
        knots=np.array([start_s, end_s]),
        rates=np.array([rate]),
        rate_low=np.array([rate_low]),
        rate_high=np.array([rate_high]),
        before=before,
        after=before + mean_change,
        change_sd=float(np.sqrt(likely @ level_sd**2)),
        duration_low=shortest,
        misfit=mean,
        squares=float(misfit.min()),
    )
