"""A level that rests, runs along lines, and rests again, fitted to single readings: how fast, from when to when, how sure.

The level is continuous: a at rest, then rate_1 from start_1 to end_1 = start_2, and so on, then at rest. All of it is fitted at
once by weighted least squares (Levenberg 1944, Marquardt 1963); the covariance of what was fitted is the inverse of the
information matrix, which for normal noise is the Cramer-Rao bound.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "SETTLED_LAGS",
    "SPREAD_95",
    "Ramps",
    "Readings",
    "best_split",
    "fit_each",
    "fit_one_ramp",
    "fit_one_ramp_each",
    "fit_ramps",
    "line_levels",
    "lines",
    "ran",
    "split_each",
]

Floats = NDArray[np.float64]
_Problem = TypeVar("_Problem")
_Answer = TypeVar("_Answer")

ROUNDS, REFUSED = 12, 6
WELL_TOLD = 1e12  # largest value of a table times that of its inverse, up to which digits tell it
NEGLIGIBLE = 1e-4
SHORTEST_S = 1e-3  # a line keeps at least this length
BEYOND = 1e300  # a misfit that floats cannot tell
GRID = 21
EVENLY = np.linspace(0, 1, GRID)
ALIKE = 1e-9
LAGS_SETTLED = 6
SETTLED_LAGS = 40  # after so many lags floats cannot tell a sender that follows from one that has followed
SPLITS = 9  # places within a line that are tried for one more knot
SPREAD_95 = 2.2
ZOOMS = 2
POINTS, PARTS = np.array([-np.sqrt(3), 0.0, np.sqrt(3)]), np.array([1 / 6, 2 / 3, 1 / 6])
TOGETHER = 16  # problems that are solved at once


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


def ran(since: Floats, lag_s: float) -> Floats:
    """How far a level has gone that has been running at rate 1 since (n,) seconds, as a lagging sender shows it."""
    since = np.maximum(since, 0.0)
    return since - lag_s * (1 - np.exp(since * (-1 / lag_s))) if lag_s > 0 else since


@dataclass(frozen=True, slots=True)
class Readings:
    """n readings that lines are fitted to, or means of several. at: (n,) rising. level: (n,). sd: (n,) their noise."""

    at: Floats
    level: Floats
    sd: Floats


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
    return fit_each([(Readings(at, level, sd), knots, rates)], lag_s=lag_s)[0]


_Floats = Sequence[float] | Floats


def fit_each(problems: Sequence[tuple[Readings, _Floats, _Floats]], *, lag_s: float) -> list[Ramps]:
    """What `fit_ramps` makes of each of some (readings, knots, rates), which takes far less time than one after the other."""
    return _each(problems, lambda problem: (len(problem[2]), len(problem[0].at)), lambda some: _fit_alike(some, lag_s))


def _each(
    problems: Sequence[_Problem],
    size: Callable[[_Problem], tuple[int, int]],
    solve: Callable[[list[_Problem]], list[_Answer]],
) -> list[_Answer]:
    """The answer to each of some problems: those of as many lines and of about as many readings are solved together."""
    sizes = [size(problem) for problem in problems]
    answers: dict[int, _Answer] = {}
    for _, alike in groupby(sorted(range(len(problems)), key=sizes.__getitem__), lambda i: sizes[i][0]):
        numbers = list(alike)
        for begin in range(0, len(numbers), TOGETHER):
            some = numbers[begin : begin + TOGETHER]
            answers.update(zip(some, solve([problems[i] for i in some]), strict=True))
    return [answers[i] for i in range(len(problems))]


def _side_by_side(readings: Sequence[Readings]) -> tuple[Floats, Floats, Floats]:
    """(at, level, weight): (m, n) of m times readings, the shorter ones filled up with readings of no weight."""
    at, level, weight = np.zeros((3, len(readings), max(len(some.at) for some in readings)))
    for i, some in enumerate(readings):
        n = len(some.at)
        at[i, :n], level[i, :n], weight[i, :n] = some.at, some.level, 1 / some.sd
        at[i, n:] = some.at[-1]
    return at, level, weight


def _fit_alike(problems: Sequence[tuple[Readings, _Floats, _Floats]], lag_s: float) -> list[Ramps]:
    """The fits of m problems of k lines each."""
    k, m = len(problems[0][2]), len(problems)
    at, level, weight = _side_by_side([readings for readings, _, _ in problems])
    values = np.empty((m, 2 * k + 2))
    for i, (readings, knots, rates) in enumerate(problems):
        first = int(np.searchsorted(readings.at, knots[0]))
        heavy = weight[i, :first] ** 2
        before = float(heavy @ level[i, :first] / heavy.sum()) if first else float(level[i, 0])
        values[i, 0], values[i, 1 : 1 + k], values[i, 1 + k :] = before, rates, knots
    corner, spaced = np.arange(2 * k + 2), SHORTEST_S * np.arange(k + 1)
    model, off = _Model(at, values, k, lag_s), np.zeros_like(at)
    np.multiply(level - model.level, weight, out=off)
    best, damping = (off * off).sum(axis=1), np.full(m, 1e-2)
    rounds, refused = np.zeros((2, m), np.int64)
    information, lean = model.information(values, weight, off)
    left = np.arange(m)  # those that can still be bettered
    while len(left):
        damped = information[left]
        damped[:, corner, corner] += damping[left, None] * np.maximum(damped[:, corner, corner], 1e-12)
        tried = values[left] + _solved(damped, lean[left])
        within = np.minimum(np.maximum(tried[:, 1 + k :], at[left, :1]), at[left, -1:])
        np.maximum.accumulate(within + spaced, axis=1, out=tried[:, 1 + k :])
        all_left = len(left) == m
        at_left, level_left, weight_left = (at, level, weight) if all_left else (at[left], level[left], weight[left])
        model = _Model(at_left, tried, k, lag_s)
        off = (level_left - model.level) * weight_left
        now = (off * off).sum(axis=1)
        better = now <= best[left]
        worse = left[~better]
        damping[worse] *= 5
        refused[worse] += 1
        rows, gain = left[better], best[left[better]] - now[better]
        best[rows], values[rows] = now[better], tried[better]
        damping[rows] = np.maximum(damping[rows] / 5, 1e-6)
        rounds[rows] += 1
        refused[rows] = 0
        if len(rows):
            model, weight_left, off = (
                (model, weight_left, off) if better.all() else (model.of(better), weight_left[better], off[better])
            )
            information[rows], lean[rows] = model.information(values[rows], weight_left, off)
        settled = np.zeros(m, np.bool_)
        settled[rows] = gain < NEGLIGIBLE * np.maximum(best[rows], 1.0)
        left = left[~settled[left] & (rounds[left] < ROUNDS) & (refused[left] < REFUSED)]
    covariance = _inverse(information)
    return [_ramps(values[i], covariance[i], float(best[i]), len(problems[i][0].at), k) for i in range(m)]


class _Model:
    """What m chains of k lines give for n readings each. level: (m, n). gone: (m, k, n) how far the level has gone along each
    line at rate 1. running: (m, k + 1, n) how far the sender has caught up with each knot."""

    def __init__(self, at: Floats, values: Floats, k: int, lag_s: float) -> None:
        since = at[:, None, :] - values[:, 1 + k :, None]
        np.maximum(since, 0.0, out=since)
        if lag_s > 0:
            self.running = since * (-1 / lag_s)
            np.exp(self.running, out=self.running)
            np.subtract(1.0, self.running, out=self.running)
            since -= lag_s * self.running
        else:
            self.running = (since > 0).astype(np.float64)
        self.gone = since[:, :-1] - since[:, 1:]
        self.level = values[:, :1] + np.matmul(values[:, None, 1 : 1 + k], self.gone)[:, 0]

    def of(self, some: NDArray[np.bool_]) -> _Model:
        """Some of the chains."""
        few = object.__new__(_Model)
        few.level, few.gone, few.running = self.level[some], self.gone[some], self.running[some]
        return few

    def information(self, values: Floats, weight: Floats, off: Floats) -> tuple[Floats, Floats]:
        """(J'J, J'y) of each chain: (m, 2k + 2, 2k + 2) and (m, 2k + 2). off: (m, n) what the lines leave, weighted."""
        m, k, n = self.gone.shape
        slopes = np.empty((m, 2 * k + 2, n))
        slopes[:, 0] = weight
        np.multiply(self.gone, weight[:, None], out=slopes[:, 1 : 1 + k])
        # By how much the rate changes at each knot.
        changes = np.zeros((m, k + 1, 1))
        changes[:, :-1, 0] = -values[:, 1 : 1 + k]
        changes[:, 1:, 0] += values[:, 1 : 1 + k]
        np.multiply(self.running, changes, out=slopes[:, 1 + k :])
        slopes[:, 1 + k :] *= weight[:, None]
        return np.matmul(slopes, slopes.transpose(0, 2, 1)), np.matmul(slopes, off[:, :, None])[:, :, 0]


def _solved(tables: Floats, values: Floats) -> Floats:
    """The solutions of m times linear equations; the least where there are many. A table of no digits gives no number."""
    try:
        return np.asarray(np.linalg.solve(tables, values[:, :, None])[:, :, 0], np.float64)
    except np.linalg.LinAlgError:
        return np.array([np.linalg.lstsq(one, row, rcond=None)[0] for one, row in zip(tables, values, strict=True)])


def _inverse(tables: Floats) -> Floats:
    """The inverse of each of m symmetric tables; where digits do not tell it, the one of Moore and Penrose."""
    try:
        inverse = np.linalg.inv(tables)
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.pinv(tables))
    size = np.abs(tables).max(axis=(1, 2)) * np.abs(inverse).max(axis=(1, 2))
    unsure = ~(size < WELL_TOLD)
    if unsure.any():
        inverse[unsure] = np.linalg.pinv(tables[unsure])
    return np.asarray(inverse)


def _ramps(values: Floats, covariance: Floats, squares: float, n: int, k: int) -> Ramps:
    """A fit as it is told, with how sure it is. n: readings that it was fitted to."""
    mean = squares / max(n - len(values), 1)
    scale = max(mean, 1.0)
    rate_sd = np.sqrt(np.maximum(covariance.diagonal()[1 : 1 + k] * scale, 0))
    rates, knots = values[1 : 1 + k], values[1 + k :]
    lasting = knots[1:] - knots[:-1]
    # Of the whole change: a linear combination of what was fitted.
    combination = np.zeros(len(values))
    combination[1 : 1 + k] = lasting
    combination[1 + k : -1] -= rates
    combination[2 + k :] += rates
    duration_sd = float(np.sqrt(max(float(_between(covariance, 1 + k)) * scale, 0.0)))
    before = float(values[0])
    return Ramps(
        knots=knots,
        rates=rates,
        rate_low=rates - SPREAD_95 * rate_sd,
        rate_high=rates + SPREAD_95 * rate_sd,
        before=before,
        after=before + float(rates @ lasting),
        change_sd=float(np.sqrt(max(float(combination @ covariance @ combination) * scale, 0.0))),
        duration_low=float(knots[-1] - knots[0] - 2 * duration_sd),
        misfit=mean,
        squares=squares,
    )


def _between(covariance: Floats, first: int) -> float:
    """The variance of the last of some values less that of the first one."""
    return float(covariance[first, first] + covariance[-1, -1] - 2 * covariance[first, -1])


def line_levels(at: Floats, fitted: Ramps, lag_s: float) -> Floats:
    """(k, n) what each of k fitted lines adds to the level at n times."""
    return fitted.rates[:, None] * lines(at, fitted.knots, lag_s)


def lines(at: Floats, knots: Floats, lag_s: float) -> Floats:
    """(k, n) how far a level has gone at n times that runs at rate 1 between two knots, for each two neighbours of k + 1."""
    gone = ran(at - knots[:, None], lag_s)
    return gone[:-1] - gone[1:]


def best_split(at: Floats, level: Floats, sd: Floats, fitted: Ramps, *, lag_s: float) -> tuple[float, float]:
    """(time, gain) of the one more knot that would lessen the sum of squares most, the others staying where they are.

    A knot more is a column more in the linear problem of levels and rates: what it gains is the square of what the misfit
    has in common with the part of that column that the others do not explain already.
    """
    return split_each([(Readings(at, level, sd), fitted)], lag_s=lag_s)[0]


def split_each(fits: Sequence[tuple[Readings, Ramps]], *, lag_s: float) -> list[tuple[float, float]]:
    """What `best_split` says of each of some fits to readings, which takes less time than one after the other."""
    return _each(fits, lambda fit: (len(fit[1].rates), len(fit[0].at)), lambda some: _splits_alike(some, lag_s))


def _splits_alike(fits: Sequence[tuple[Readings, Ramps]], lag_s: float) -> list[tuple[float, float]]:
    """The splits of m fits of k lines each."""
    at, level, weight = _side_by_side([readings for readings, _ in fits])
    knots, rates = np.array([fit.knots for _, fit in fits]), np.array([fit.rates for _, fit in fits])
    gone = ran(at[:, None] - knots[:, :, None], lag_s)
    columns = np.concatenate([np.ones((len(at), 1, at.shape[1])), gone[:, :-1] - gone[:, 1:]], axis=1)
    before = np.array([[fit.before] for _, fit in fits])
    off = (level - before - np.matmul(rates[:, None], columns[:, 1:])[:, 0]) * weight
    base, _ = np.linalg.qr((columns * weight[:, None]).transpose(0, 2, 1))
    off = off[:, :, None] - np.matmul(base, np.matmul(base.transpose(0, 2, 1), off[:, :, None]))
    parts = np.arange(1, SPLITS + 1) / (SPLITS + 1)
    tried = (knots[:, :-1, None] + np.diff(knots)[:, :, None] * parts).reshape(len(fits), -1)
    # A line that bends at the knot and keeps to the ends of its neighbours.
    table = ran(at[:, None] - tried[:, :, None], lag_s) - np.repeat(gone[:, 1:], SPLITS, axis=1)
    table *= weight[:, None]
    table -= np.matmul(np.matmul(table, base), base.transpose(0, 2, 1))
    length = np.maximum((table * table).sum(axis=2), 1e-12)
    gain = np.matmul(table, off)[:, :, 0] ** 2 / length
    # Where nothing was heard for long, a knot gains the same wherever it is: the last of them, not what rounding makes best.
    best = gain.shape[1] - 1 - (gain >= (1 - ALIKE) * gain.max(axis=1, keepdims=True))[:, ::-1].argmax(axis=1)
    return [(float(tried[i, place]), float(gain[i, place])) for i, place in enumerate(best.tolist())]


def fit_one_ramp(
    at: Floats, level: Floats, sd: Floats, start: tuple[float, float], end: tuple[float, float], *, lag_s: float
) -> Ramps:
    """Fit one line, its start and end anywhere within two ranges: for flows of a few readings, where the misfit has corners.

    Every start and end is weighed by its likelihood, the levels at rest being the best for them; the intervals are those of the
    weights (a posterior under even priors).
    """
    return fit_one_ramp_each([(Readings(at, level, sd), start, end)], lag_s=lag_s)[0]


_Range = tuple[float, float]


def fit_one_ramp_each(problems: Sequence[tuple[Readings, _Range, _Range]], *, lag_s: float) -> list[Ramps]:
    """What `fit_one_ramp` makes of each of some (readings, start, end), which takes less time than one after the other."""
    return _each(problems, lambda problem: (1, len(problem[0].at)), lambda some: _one_ramp_alike(some, lag_s))


def _one_ramp_alike(problems: Sequence[tuple[Readings, _Range, _Range]], lag_s: float) -> list[Ramps]:
    m = len(problems)
    bounds = np.array([(start, end) for _, start, end in problems])  # (m, start or end, low or high)
    low, high = bounds[:, :, 0], bounds[:, :, 1]
    origins = np.array([readings.level[0] for readings, _, _ in problems])
    inner, sums, behind = [], np.empty((3, m)), np.empty((2, m))
    for i, (readings, start, end) in enumerate(problems):
        weight, level = 1 / readings.sd**2, readings.level - origins[i]
        wy = weight * level
        sums[:, i] = weight.sum(), wy.sum(), wy @ level
        # Readings before the first start have seen nothing of the flow, and those long after the last end all of it.
        first, last = np.searchsorted(readings.at, [start[0], end[1] + LAGS_SETTLED * lag_s])
        behind[:, i] = weight[last:].sum(), wy[last:].sum()
        inner.append((readings.at[first:last], weight[first:last], wy[first:last]))
    w, wy, wyy = sums[:, :, None]
    after_w, after_wy = behind[:, :, None]
    at, *products = np.zeros((3, m, max(len(times) for times, _, _ in inner)))
    weights = np.stack(products, axis=2)  # (m, n, 2): weights, and those times the levels
    for i, (times, *values) in enumerate(inner):
        at[i, : len(times)], weights[i, : len(times)] = times, np.stack(values, axis=1)
    for zoom in range(ZOOMS + 1):
        # (m, GRID) each, and (m, GRID * GRID) for every pair of them.
        starts, stops = (low[:, i, None] + (high - low)[:, i, None] * EVENLY for i in (0, 1))
        s, e = np.repeat(starts, GRID, axis=1), np.tile(stops, GRID)
        lasting = e - s
        good = lasting > 1e-3
        lasting[~good] = 1.0
        # What a level has run from a start to an end is the difference of what it has since each: so are its sums, and the
        # sums of its squares follow from products of the two.
        since = ran(at[:, None] - np.concatenate([starts, stops], axis=1)[:, :, None], lag_s)
        run = np.matmul(since, weights).reshape(m, 2, GRID, 2)
        squares = np.matmul(since * weights[:, None, :, 0], since.transpose(0, 2, 1))
        alone = squares[:, np.arange(2 * GRID), np.arange(2 * GRID)].reshape(m, 2, GRID)
        wp, wpy = ((run[:, 0, :, None, i] - run[:, 1, None, :, i]).reshape(m, -1) / lasting for i in (0, 1))
        wp, wpy = wp + after_w, wpy + after_wy
        wpp = alone[:, 0, :, None] + alone[:, 1, None, :] - 2 * squares[:, :GRID, GRID:]
        wpp = wpp.reshape(m, -1) / lasting**2 + after_w
        spread = np.maximum(wpp - wp * wp / w, 1e-12)
        common = wpy - wp * wy / w
        change = common / spread
        misfit = (wyy - wy * wy / w) - change * common
        misfit[~(np.isfinite(misfit) & good)] = BEYOND
        least = misfit.min(axis=1, keepdims=True)
        likely = np.exp((least - misfit) / 2)
        likely[~good] = 0.0
        if zoom < ZOOMS:
            rows = likely > 1e-4
            step = (high - low) / (GRID - 1)
            ends = (s, e)
            low, high = (
                np.maximum(np.stack([np.where(rows, one, np.inf).min(axis=1) for one in ends], axis=1) - step, low),
                np.minimum(np.stack([np.where(rows, one, -np.inf).max(axis=1) for one in ends], axis=1) + step, high),
            )
    count = np.array([len(readings.at) for readings, _, _ in problems])
    mean = least[:, 0] / np.maximum(count - 4, 1)
    noise = np.maximum(mean, 1.0)[:, None]
    likely = likely ** (1 / noise)
    likely /= likely.sum(axis=1, keepdims=True)
    level_sd = np.sqrt(noise / spread)
    # The change for each start and end is itself uncertain: three points of a normal curve stand for it.
    rates = ((change[:, :, None] + level_sd[:, :, None] * POINTS) / lasting[:, :, None]).reshape(m, -1)
    low_middle_high = _quantiles(rates, (likely[:, :, None] * PARTS).reshape(m, -1), (0.025, 0.5, 0.975))
    (shortest,) = _quantiles(lasting, likely, (0.025,)).T
    start_s, end_s, mean_change = ((likely * values).sum(axis=1) for values in (s, e, change))
    fitted = []
    for i, (readings, _, _) in enumerate(problems):
        share = lines(readings.at, np.array([start_s[i], end_s[i]]), lag_s)[0] / max(end_s[i] - start_s[i], 1e-3)
        off = readings.level - mean_change[i] * share
        before = float(np.average(off, weights=1 / readings.sd**2))
        rate_low, rate, rate_high = low_middle_high[i]
        fitted.append(
            Ramps(
                knots=np.array([start_s[i], end_s[i]]),
                rates=np.array([rate]),
                rate_low=np.array([rate_low]),
                rate_high=np.array([rate_high]),
                before=before,
                after=before + float(mean_change[i]),
                change_sd=float(np.sqrt(likely[i] @ level_sd[i] ** 2)),
                duration_low=float(shortest[i]),
                misfit=float(mean[i]),
                squares=float(least[i, 0]),
            )
        )
    return fitted


def _quantiles(values: Floats, weights: Floats, parts: Sequence[float]) -> Floats:
    """(m, q) the values below which some parts of the weight lie. values: (m, n). weights: (m, n), 1 in all."""
    order = np.argsort(values, axis=1)
    total = np.cumsum(np.take_along_axis(weights, order, axis=1), axis=1)
    places = np.stack([np.minimum((total < part).sum(axis=1), values.shape[1] - 1) for part in parts], axis=1)
    return np.take_along_axis(values, np.take_along_axis(order, places, axis=1), axis=1)
