"""Flows in a level that scatters: a fine sender's, and any sender's while the liquid sloshes.

1. Readings are taken together in blocks of some ten seconds; where nothing changes at any scale, blocks are taken together
   further, so that a quiet night is a few points.
2. The best division into rest and flow (segments.py). A level that is elsewhere after a rest without a flow between was
   shifted: the vehicle was parked on a slope, or somebody moved the load.
3. Each flow is fitted anew to the single readings around it (ramps.py).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from canlevel.derivation.ramps import (
    SETTLED_LAGS,
    Ramps,
    Readings,
    fit_each,
    fit_one_ramp_each,
    line_levels,
    lines,
    ran,
    split_each,
)
from canlevel.derivation.segments import Stretch, neighbours_joined, partition
from canlevel.derivation.sender import starts_of, usual_period_s

__all__ = [
    "BRIEF_S",
    "FASTEST_L",
    "FEWEST_STEPS",
    "MOMENT_S",
    "PARKED_CHANGE",
    "SHORTEST_S",
    "UNHEARD_S",
    "Found",
    "Noisy",
    "Tank",
    "noisy_flows",
]

Floats = NDArray[np.float64]

BLOCK_S, BLOCK_READINGS = 10.0, 4
WIDEST = 32  # blocks that are taken together at most
STIRRED = 4.2  # standard deviations between neighbouring means that keep blocks apart
REST_PRICE, FLOW_PRICE = 17.0, 27.0
CORNER_S = 1.5
STAIR_S, STAIR_MISFIT = 90.0, 2.0  # a rest that is shorter may be a step of a staircase that noise makes of a slope
MOMENT_S = 30.0  # a rest that is shorter is none
SEVERAL_MARGIN = 8.0
MOST_RATES = 4
SPLIT_GAIN = 12.0
USUAL_LAG_S = 2.0  # common practice, no source
LAGS_S = (0.0, 1.0, 2.0, 3.0, 4.0, 5.0)
LAG_FLOWS, LAG_SIZE, LAG_SAYS, LAG_GAIN = 8, 8.0, 60.0, 8.0
MOST_AROUND = 240  # readings at rest on either side that a flow is fitted with
MOST_WITHIN = 240  # of readings deep within, or of means of them
FEWEST = 8  # readings that a flow is fitted to
FEW, MANY = 16, 48  # readings within a flow; with few the misfit has corners, and with many it has none to speak of
PARKED_S = 60.0  # so soon before or after a vehicle starts or stops it stands on another slope
PARKED_CHANGE = 1.2  # of the largest shift, as much as steps and waves make of it
OWN_SLOPE, TRIED = 3.0, 13
FAR_WORSE = 100.0  # squares, in units of the noise
SHIFTS_S, SHIFTS_TRIED, SHIFT_OFF_S = (1.0, 3.0, 6.0), 25, 12.0
AT_ONCE_S, BRIEF_S = 4.0, 20.0  # what may have been at once, and was brief, is taken for a shift
STRETCHED_S = 30.0  # by noise and a sender's lag, a shift is seen for so long at most
SHORTEST_S = 9.0  # what is over sooner was no pump and no valve, but a shift
FEWEST_STEPS = 1.6  # of a coarse sender, less may be a level that rests close to a mark
FASTEST_L = 200.0  # litres a minute that no valve gives: waste is dumped at 40-120 (common practice, no source)
SURE, SURE_MOVING = 5.2, 6.0  # standard deviations of the change
UNHEARD_S = 20.0


@dataclass(frozen=True, slots=True)
class Found:
    """One flow. rate, low, high: per second, signed. change: signed. All in the unit of the level that was given."""

    start_s: float
    end_s: float
    before: float
    after: float
    change: float
    rate: float
    rate_low: float
    rate_high: float
    steps: float = np.inf  # of a coarse sender


@dataclass(frozen=True, slots=True)
class Tank:
    """What is known of a tank. litres: whether its levels are told in litres, not in percent.

    most_shift: by how much a tilt changes a level at most. alike: by which part two rates may differ that are one flow in a
    tank whose shape is not known to the last litre. fastest: per second, more than any pump or valve gives.
    """

    litres: bool
    most_shift: float
    alike: float
    fastest: float


@dataclass(frozen=True, slots=True)
class Noisy:
    """n readings of a level that scatters. sd: (n,) of each. colour: (n,) by how much means scatter more than sd tells.

    moving: (n,) whether the vehicle is under way."""

    at_s: Floats
    level: Floats
    sd: Floats
    colour: Floats
    moving: NDArray[np.bool_]
    tank: Tank

    def rows(self, some: slice) -> Noisy:
        """Some of the readings."""
        return Noisy(self.at_s[some], self.level[some], self.sd[some], self.colour[some], self.moving[some], self.tank)


@dataclass(frozen=True, slots=True)
class _Points:
    """Blocks of readings. first: (n + 1,) the reading at which each begins, and the number of readings."""

    at_s: Floats
    level: Floats
    variance: Floats
    first: NDArray[np.int64]


def noisy_flows(stretches: Sequence[Noisy]) -> list[list[Found]]:
    """Flows of some stretches of one sender's readings, each without long gaps: of each stretch in the order of time."""
    parts: list[list[_Busy]] = []
    for noisy in stretches:
        parts.append([])
        if len(noisy.at_s) >= 4 * BLOCK_READINGS:
            points = _gathered(_blocks(noisy))
            weight = 1 / points.variance
            divided = partition(points.at_s, points.level, weight, rest_price=REST_PRICE, flow_price=FLOW_PRICE)
            parts[-1] += _busy_parts(divided, points)
    lag_s = _lag([(noisy, part) for noisy, some in zip(stretches, parts, strict=True) for part in some])
    joined = [list(_joined(noisy, some, lag_s)) for noisy, some in zip(stretches, parts, strict=True)]
    measured = _measured([(noisy, part) for noisy, some in zip(stretches, joined, strict=True) for part in some], lag_s)
    return [[flow for _ in some for flow in next(measured)] for some in joined]


def _lag(parts: list[tuple[Noisy, _Busy]]) -> float:
    """The time constant with which the sender follows the level, by the corners of its strongest flows."""
    still = [(noisy, part) for noisy, part in parts if not noisy.moving[part.before : part.after].any()]
    sizes = [_size(noisy, part) for noisy, part in still]
    strongest = []
    for i in sorted(range(len(still)), key=lambda i: -sizes[i])[:LAG_FLOWS]:
        _, readings, knots = _near(*still[i])
        if len(readings.at) < FEWEST or sizes[i] < LAG_SIZE:
            break
        strongest.append((readings, knots))
    first = _first_fits(strongest, USUAL_LAG_S)
    begun = [(readings, fit.knots, fit.rates) for (readings, _), fit in zip(strongest, first, strict=True)]
    by_lag = [fit_each(begun, lag_s=lag_s) for lag_s in LAGS_S]
    squares = np.zeros(len(LAGS_S))
    for fits in zip(*by_lag, strict=True):
        found = np.array([fit.squares for fit in fits])
        # One flow of two rates must not outweigh the others.
        squares += np.minimum((found - found.min()) / max(fits[int(found.argmin())].misfit, 1.0), LAG_SAYS)
    best = int(squares.argmin())
    if squares.max() - squares.min() < LAG_GAIN:
        return USUAL_LAG_S
    if 0 < best < len(LAGS_S) - 1:  # the bottom of the parabola through three
        a, b, c = squares[best - 1 : best + 2]
        return LAGS_S[best] + 0.5 * (LAGS_S[1] - LAGS_S[0]) * float((a - c) / max(a - 2 * b + c, 1e-9))
    return LAGS_S[best]


def _size(noisy: Noisy, part: _Busy) -> float:
    """How large the change of a part is, in standard deviations of one reading."""
    before = noisy.level[max(part.before, part.knots[0] - 20) : part.knots[0]]
    after = noisy.level[part.knots[-1] : min(part.after, part.knots[-1] + 20)]
    if not len(before) or not len(after):
        return 0.0
    return float(abs(after.mean() - before.mean()) / noisy.sd[part.knots[0]])


def _blocks(noisy: Noisy) -> _Points:
    """Means of some ten seconds."""
    at_s = noisy.at_s
    length_s = max(BLOCK_S, BLOCK_READINGS * usual_period_s(at_s))
    first = starts_of((at_s - at_s[0]) / length_s)
    means = _means(np.append(first, len(at_s)), noisy.at_s, noisy.level, noisy.sd**2 * noisy.colour)
    if len(first) < 3:
        return means
    # A block in which a flow begins or ends is off any line, and the sender lags: by about as much as passes in its corner.
    slope = np.abs(means.level[2:] - means.level[:-2]) / (means.at_s[2:] - means.at_s[:-2])
    slope = np.concatenate([slope[:1], slope, slope[-1:]])
    return _Points(means.at_s, means.level, means.variance + (CORNER_S * slope) ** 2, means.first)


def _means(first: NDArray[np.int64], at_s: Floats, level: Floats, variance: Floats) -> _Points:
    weight = 1 / variance
    total = np.add.reduceat(weight, first[:-1])
    return _Points(
        np.add.reduceat(weight * at_s, first[:-1]) / total,
        np.add.reduceat(weight * level, first[:-1]) / total,
        1 / total,
        first,
    )


def _gathered(blocks: _Points) -> _Points:
    """Blocks taken together where the level is the same before and after at every scale, and left alone elsewhere."""
    n = len(blocks.at_s)
    weight = np.concatenate([[0.0], np.cumsum(1 / blocks.variance)])
    mean = np.concatenate([[0.0], np.cumsum(blocks.level / blocks.variance)])
    widest = np.full(n, WIDEST)
    scale = 1
    while scale <= 4 * WIDEST and 2 * scale <= n:
        middle = np.arange(scale, n - scale + 1)
        left, right = weight[middle] - weight[middle - scale], weight[middle + scale] - weight[middle]
        apart = (mean[middle + scale] - mean[middle]) / right - (mean[middle] - mean[middle - scale]) / left
        stirred = middle[np.abs(apart) > STIRRED * np.sqrt(1 / left + 1 / right)]
        if len(stirred):
            # Every block within reach of a stirred place is kept as narrow as a quarter of the scale.
            edge = np.zeros(n + 1, np.int64)
            np.add.at(edge, np.maximum(stirred - scale, 0), 1)
            np.add.at(edge, np.minimum(stirred + scale, n), -1)
            widest[np.cumsum(edge[:-1]) > 0] = np.minimum(widest[np.cumsum(edge[:-1]) > 0], max(1, scale // 4))
        scale *= 2
    number = np.arange(n)
    width = WIDEST
    joined = np.arange(n)
    taken = np.zeros(n, np.bool_)
    while width > 1:
        group = number // width
        least = np.minimum.reduceat(widest, np.flatnonzero(np.diff(group, prepend=-1)))
        whole = (least >= width)[group] & ~taken
        joined[whole] = group[whole] * width
        taken |= whole
        width //= 2
    begins = np.flatnonzero(np.diff(joined, prepend=-1))
    means = _means(np.append(begins, n), blocks.at_s, blocks.level, blocks.variance)
    return _Points(means.at_s, means.level, means.variance, np.append(blocks.first[begins], blocks.first[-1]))


@dataclass(frozen=True, slots=True)
class _Busy:
    """A part in which something happened, in rows of the readings. before, after: where the rests around it begin and end.

    knots: where its stretches begin, and its end; begin and end are the first and the last of them.
    """

    before: int
    knots: tuple[int, ...]
    after: int


def _busy_parts(stretches: list[Stretch], points: _Points) -> Iterator[_Busy]:
    """Flows and jumps between two rests; rests of a moment belong to what is around them."""
    rows = [(int(points.first[s.first]), int(points.first[s.last])) for s in stretches]

    def rest(i: int) -> bool:
        if stretches[i].flowing:
            return False
        lasting = points.at_s[stretches[i].last - 1] - points.at_s[stretches[i].first]
        return i in (0, len(stretches) - 1) or stretches[i].last - stretches[i].first >= 3 or lasting > MOMENT_S

    rests = [i for i in range(len(stretches)) if rest(i)]
    places = [-1, *rests, len(stretches)]
    for one, other in pairwise(places):
        busy = range(one + 1, other)
        if not busy and (one < 0 or other == len(stretches)):
            continue
        knots = (*(rows[i][0] for i in busy), rows[other - 1][1] if busy else rows[other][0])
        yield _Busy(
            rows[one][0] if one >= 0 else knots[0], knots, rows[other][1] if other < len(stretches) else knots[-1]
        )


def _near(noisy: Noisy, busy: _Busy) -> tuple[Noisy, Readings, list[float]]:
    """(rows, readings, knots) of a busy part and the rests around it, times from the first of them."""
    begin, end = busy.knots[0], busy.knots[-1]
    low, high = max(busy.before, begin - MOST_AROUND), min(busy.after, end + MOST_AROUND)
    near = noisy.rows(slice(low, high))
    at = near.at_s - near.at_s[0]
    knots = [float(at[min(max(row - low, 0), len(at) - 1)]) for row in busy.knots]
    # Deep within: far from where anything changes.
    deep = [(one - low + MOST_AROUND, other - low - MOST_AROUND) for one, other in pairwise(busy.knots)]
    deep = [(first, last) for first, last in deep if first < last]
    together = sum(last - first for first, last in deep) // MOST_WITHIN
    readings = Readings(at, near.level, near.sd * np.sqrt(near.colour))
    return near, readings if together < 2 else _thinned(readings, deep, together), knots


def _thinned(readings: Readings, deep: list[tuple[int, int]], together: int) -> Readings:
    """Readings, those deep in a long flow taken together by means: they tell as much. deep: (first, last) rows."""
    begins, ends = [0, *(last for _, last in deep)], [*(first for first, _ in deep), len(readings.at)]
    whole = [np.arange(begin, end) for begin, end in zip(begins, ends, strict=True)]
    starts = np.sort(np.concatenate([*whole, *(np.arange(first, last, together) for first, last in deep)]))
    counts = np.diff(np.append(starts, len(readings.at)))
    at, level, variance = (
        np.add.reduceat(values, starts) / counts for values in (readings.at, readings.level, readings.sd**2)
    )
    return Readings(at, level, np.sqrt(variance / counts))


def _joined(noisy: Noisy, parts: list[_Busy], lag_s: float) -> Iterator[_Busy]:
    """Busy parts, those made one that one line explains as well as two and a rest between.

    Noise makes a staircase of a slow slope, of which the division into stretches takes a step now and then.
    """
    pairs = list(pairwise(parts))
    known = dict(zip(pairs, _are_one(noisy, pairs, lag_s), strict=True))

    def as_one(one: _Busy, other: _Busy) -> _Busy | None:
        pair = (one, other)
        if not (known[pair] if pair in known else _are_one(noisy, [pair], lag_s)[0]):
            return None
        return _Busy(one.before, (one.knots[0], other.knots[-1]), other.after)

    return neighbours_joined(parts, as_one)


def _are_one(noisy: Noisy, pairs: Sequence[tuple[_Busy, _Busy]], lag_s: float) -> list[bool]:
    """Whether each of some pairs of neighbours is one line rather than two."""
    are_one = [False] * len(pairs)
    begun, chains, numbers = [], [], []
    for number, (one, other) in enumerate(pairs):
        pause_s = noisy.at_s[other.knots[0]] - noisy.at_s[min(one.knots[-1], len(noisy.at_s) - 1)]
        if pause_s > STAIR_S or max(len(one.knots), len(other.knots)) > 2:
            continue
        both = _Busy(one.before, (one.knots[0], other.knots[-1]), other.after)
        _, readings, (begin, end) = _near(noisy, both)
        if len(readings.at) < FEWEST:
            continue
        knots = [float(noisy.at_s[row] - noisy.at_s[both.knots[0]]) + begin for row in (one.knots[-1], other.knots[0])]
        chain = [begin, max(knots[0], begin + 1.0), max(knots[1], begin + 2.0), max(end, begin + 3.0)]
        begun.append((readings, [begin, end]))
        chains.append((readings, chain, _slopes(readings, chain)))
        numbers.append(number)
    for number, line, apart in zip(numbers, _first_fits(begun, lag_s), fit_each(chains, lag_s=lag_s), strict=True):
        n = len(chains[numbers.index(number)][0].at)
        are_one[number] = line.misfit <= STAIR_MISFIT and _better(line, apart, n, 0.0) is line
    return are_one


def _many(at: Floats, knots: Sequence[float]) -> bool:
    """Whether so many readings lie within that the misfit has no corners to speak of."""
    begin, end = np.searchsorted(at, [knots[0], knots[-1]])
    return bool(end - begin > MANY)


def _first_fits(parts: Sequence[tuple[Readings, Sequence[float]]], lag_s: float) -> list[Ramps]:
    """One line for all of each part. parts: (readings, knots)."""
    many = [_many(readings.at, knots) for readings, knots in parts]
    lines = fit_each(
        [
            (readings, [knots[0], knots[-1]], [_slope(readings, knots[0], knots[-1])])
            for (readings, knots), so in zip(parts, many, strict=True)
            if so
        ],
        lag_s=lag_s,
    )
    ranged = []
    for (readings, knots), so in zip(parts, many, strict=True):
        if not so:
            at = readings.at
            slack = max(3 * BLOCK_S, 2 * BLOCK_READINGS * float(np.median(np.diff(at))))
            start, end = ((max(knot - slack, at[0]), min(knot + slack, at[-1])) for knot in (knots[0], knots[-1]))
            ranged.append((readings, start, end))
    of_many, of_few = iter(lines), iter(fit_one_ramp_each(ranged, lag_s=lag_s))
    return [next(of_many if so else of_few) for so in many]


@dataclass(slots=True)
class _Part:
    """A busy part while it is measured: the readings near it, where its stretches meet, and the best fit until now."""

    near: Noisy
    readings: Readings
    knots: list[float]
    fitted: Ramps

    def weigh(self, other: Ramps, alike: float) -> bool:
        """Take a fit of more lines, if it is worth them."""
        better = _better(self.fitted, other, len(self.readings.at), alike)
        taken, self.fitted = better is not self.fitted, better
        return taken


def _measured(parts: Sequence[tuple[Noisy, _Busy]], lag_s: float) -> Iterator[list[Found]]:
    """The flows of each of some busy parts, fitted to single readings with the rests on either side.

    All parts go through each step together, as many fits at once take far less time than one after the other.
    """
    near = [_near(noisy, busy) for noisy, busy in parts]
    told = [one for one in near if len(one[1].at) >= FEWEST]
    first = _first_fits([(readings, knots) for _, readings, knots in told], lag_s)
    some = [_Part(*one, fit) for one, fit in zip(told, first, strict=True)]
    few = [part for part in some if _within(part) > FEW and not _many(part.readings.at, part.knots)]
    smooth = fit_each([(part.readings, part.fitted.knots, part.fitted.rates) for part in few], lag_s=lag_s)
    for part, fit in zip(few, smooth, strict=True):
        if fit.squares < part.fitted.squares + 4:
            part.fitted = fit
    bent = [part for part in some if len(part.knots) > 2]
    chains = fit_each([(part.readings, part.knots, _slopes(part.readings, part.knots)) for part in bent], lag_s=lag_s)
    for part, fit in zip(bent, chains, strict=True):
        part.weigh(fit, part.near.tank.alike)
    growing = some
    for _ in range(MOST_RATES):
        splits = split_each([(part.readings, part.fitted) for part in growing], lag_s=lag_s)
        tried = [
            (part, _with_knot(part.fitted, time))
            for part, (time, gain) in zip(growing, splits, strict=True)
            if gain >= SPLIT_GAIN
        ]
        fits = fit_each([(part.readings, *split) for part, split in tried], lag_s=lag_s)
        growing = [part for (part, _), fit in zip(tried, fits, strict=True) if part.weigh(fit, part.near.tank.alike)]
    leaned = _with_shifts(some, lag_s)
    found = iter([_flows_of(part, shift, lag_s) for part, shift in zip(some, leaned, strict=True)])
    yield from (next(found) if len(one[1].at) >= FEWEST else [] for one in near)


def _within(part: _Part) -> int:
    begin, end = part.fitted.knots
    return int(np.count_nonzero((part.readings.at > begin) & (part.readings.at < end)))


def _with_knot(fitted: Ramps, time: float) -> tuple[Floats, Floats]:
    """(knots, rates) with one more knot."""
    place = int(np.searchsorted(fitted.knots, time))
    return np.insert(fitted.knots, place, time), np.insert(fitted.rates, place - 1, fitted.rates[place - 1])


def _flows_of(part: _Part, leaned: _Leaned | None, lag_s: float) -> list[Found]:
    near, fitted, readings = part.near, part.fitted, part.readings
    if leaned is not None:
        fitted, readings = leaned.fitted, leaned.readings
    if _is_shift(fitted, near):
        return []
    flows = _parts(fitted, near, readings, lag_s)
    return [flow if leaned is None else leaned.as_read(flow, float(near.at_s[0])) for flow in flows]


@dataclass(frozen=True, slots=True)
class _Leaned:
    """A fit of flows amid which the level was shifted by `by` at `when`, to readings without the shift."""

    fitted: Ramps
    readings: Readings
    when: float
    by: float

    def as_read(self, flow: Found, origin_s: float) -> Found:
        """The flow with the levels that were read."""
        before, after = (self.by if at_s - origin_s > self.when else 0.0 for at_s in (flow.start_s, flow.end_s))
        return replace(flow, before=flow.before + before, after=flow.after + after)


def _with_shifts(parts: Sequence[_Part], lag_s: float) -> list[_Leaned | None]:
    """The fit of each part with a shift of the level amid it, where that is worth its two values, or saves a line or two.

    A vehicle that leans over while a tap runs makes a level jump and nothing else: the rate is the same before and after.
    Without this the jump is a flow of its own, and the tap's is two.
    """
    tried = [(number, shift) for number, part in enumerate(parts) for shift in _shifts(part, lag_s)]
    fits = fit_each([(s.alone, s.knots, _slopes(s.alone, s.knots)) for _, s in tried], lag_s=lag_s)
    leaned: list[_Leaned | None] = [None] * len(parts)
    best = [0.0] * len(parts)
    for (number, shift), refitted in zip(tried, fits, strict=True):
        fitted = parts[number].fitted
        gain = (fitted.squares - refitted.squares) / max(fitted.misfit, 1.0) - shift.price
        if gain > best[number] and _runs_through(refitted, shift.alone, shift.line, shift.when, lag_s):
            leaned[number], best[number] = _Leaned(refitted, shift.alone, shift.when, shift.by), gain
    return leaned


@dataclass(frozen=True, slots=True)
class _Shift:
    """A shift `by` at `when` that may stand for some knots. knots: those left. line: amid which of their lines it is.

    alone: the readings without it. price: by how much it has to lessen the squares."""

    when: float
    by: float
    knots: Floats
    line: int
    alone: Readings
    price: float


def _shifts(part: _Part, lag_s: float) -> Iterator[_Shift]:
    """The shifts that may stand for one or two neighbouring knots of a part's fit."""
    fitted, readings = part.fitted, part.readings
    k, n = len(fitted.rates), len(readings.at)
    for gone in (1, 2):
        for first in range(1, k - gone + 1):
            # Without `gone` knots from the first on: the level jumped about there.
            knots = np.delete(fitted.knots, range(first, first + gone))
            low = max(float(fitted.knots[first]) - SHIFT_OFF_S, float(knots[0]))
            high = min(float(fitted.knots[first + gone - 1]) + SHIFT_OFF_S, float(knots[-1]))
            if high <= low:
                continue
            when, by, lasted, squares = _best_shift(readings, knots, low, high, lag_s)
            # The knots that are left are about where they belong: moving them does not save a fit that is far worse.
            if squares > fitted.squares + FAR_WORSE * max(fitted.misfit, 1.0):
                continue
            price = SEVERAL_MARGIN - 2 * np.log(n) * (gone == 2 and not _rests(fitted, first))
            if abs(by) <= part.near.tank.most_shift:
                level = readings.level - by * _step(readings.at, when, lasted, lag_s)
                yield _Shift(when, by, knots, first - 1, Readings(readings.at, level, readings.sd), price)


def _rests(fitted: Ramps, line: int) -> bool:
    """Whether a line is rather a rest between two flows: the same tap, opened again."""
    around = min(fitted.rates[line - 1], fitted.rates[line + 1], key=abs)
    return bool(abs(fitted.rates[line]) < abs(around) / 2)


def _runs_through(fitted: Ramps, alone: Readings, line: int, when: float, lag_s: float) -> bool:
    """Whether a flow amid which the level was shifted ran before and after at one rate."""
    knots, rates = np.insert(fitted.knots, line + 1, when), np.insert(fitted.rates, line, fitted.rates[line])
    if not knots[line] + SHORTEST_S < when < knots[line + 2] - SHORTEST_S:
        return False
    (apart,) = fit_each([(alone, knots, rates)], lag_s=lag_s)
    return _better(fitted, apart, len(alone.at), 0.0) is fitted


def _step(at: Floats, when: float, lasted: float, lag_s: float) -> Floats:
    """(n,) which part of a shift a lagging sender shows, that began at a time and was over soon."""
    return np.asarray(lines(at, np.array([when, when + lasted]), lag_s)[0] / lasted)


def _best_shift(
    readings: Readings, knots: Floats, low: float, high: float, lag_s: float
) -> tuple[float, float, float, float]:
    """(when, by, lasted, squares) of the shift that explains most, the flows beginning and ending at the knots, and what it
    leaves."""
    at, weight = readings.at, 1 / readings.sd
    columns = np.concatenate([np.ones((1, len(at))), lines(at, knots, lag_s)])
    base, _ = np.linalg.qr((columns * weight).T)
    off = readings.level * weight
    off = off - base @ (base.T @ off)
    # What a whole shift has in common with itself, the misfit and the other columns, from each reading on to the last.
    product = np.concatenate([(weight * weight)[:, None], (off * weight)[:, None], base * weight[:, None]], axis=1)
    behind = np.concatenate([np.cumsum(product[::-1], axis=0)[::-1], np.zeros((1, product.shape[1]))])
    product = np.append(product, np.zeros((1, product.shape[1])), axis=0)
    beyond = np.append(at, at[-1])
    for _ in range(3):
        whens = np.tile(np.linspace(low, high, SHIFTS_TRIED), len(SHIFTS_S))
        lasting = np.repeat(SHIFTS_S, SHIFTS_TRIED)
        # Before it nothing is shown of a shift, and soon after all of it: only readings between are worked out.
        first, last = np.searchsorted(at, [whens, whens + lasting + SETTLED_LAGS * lag_s])
        rows = np.minimum(first[:, None] + np.arange(max(int((last - first).max()), 1)), len(at))
        last = np.minimum(rows[:, -1] + 1, len(at))
        since = beyond[rows] - whens[:, None]
        part = (ran(since, lag_s) - ran(since - lasting[:, None], lag_s)) / lasting[:, None]
        near = product[rows]
        common = np.matmul(part[:, None, :], near)[:, 0] + behind[last]
        length = np.einsum("ij,ij,ij->i", part, part, near[:, :, 0]) + behind[last, 0]
        length = np.maximum(length - (common[:, 2:] ** 2).sum(axis=1), 1e-12)
        i = int(np.argmax(common[:, 1] ** 2 / length))
        best = (float(whens[i]), float(common[i, 1] / length[i]), float(lasting[i]))
        squares = float(off @ off) - float(common[i, 1] ** 2 / length[i])
        reach = (high - low) / (SHIFTS_TRIED - 1)
        if reach < 1:
            break
        low, high = best[0] - reach, best[0] + reach
    return *best, squares


def _better(few: Ramps, many: Ramps, n: int, alike: float) -> Ramps:
    """The fit of many lines if it is worth its values (Schwarz 1978, with a margin), else that of few.

    Lines that hardly differ are one flow in a tank that is not quite the shape it is taken for.
    """
    for one, other in pairwise(many.rates.tolist()):
        if one * other > 0 and abs(one - other) < alike * max(abs(one), abs(other)):
            return few
    price = 2 * (len(many.rates) - len(few.rates)) * np.log(n) + SEVERAL_MARGIN
    noise = max(many.misfit, 1.0)
    return many if many.squares / noise + price < few.squares / noise else few


def _slopes(readings: Readings, knots: Sequence[float] | Floats) -> Floats:
    return np.array([_slope(readings, begin, end) for begin, end in pairwise(knots)])


def _slope(readings: Readings, begin: float, end: float) -> float:
    first, last = np.searchsorted(readings.at, [begin, end])
    if last - first < 2:
        return 0.0
    t, y = readings.at[first:last] - readings.at[first:last].mean(), readings.level[first:last]
    return float((t @ y) / max(t @ t, 1e-9))


def _is_shift(fitted: Ramps, near: Noisy) -> bool:
    """Whether the level was somewhere else at once, or, where noise hides how long it took, may well have been."""
    change, lasted = abs(fitted.after - fitted.before), float(fitted.knots[-1] - fitted.knots[0])
    # What lasts seconds while the liquid sloshes is a wave, however high.
    if lasted < SHORTEST_S and (near.moving.any() or change > near.tank.fastest * lasted):
        return True
    if near.moving.any() and fitted.duration_low < SHORTEST_S:
        return True
    if change > near.tank.most_shift:
        return False
    if lasted < SHORTEST_S or (lasted < PARKED_S and _parks(fitted, near)):
        return True
    return fitted.duration_low < AT_ONCE_S and lasted < STRETCHED_S


def _parks(fitted: Ramps, near: Noisy) -> bool:
    """Whether the vehicle starts or stops about the time of a change: then it may be the slope that it stands on."""
    edges_s = _edges(near) - near.at_s[0]
    return bool(((edges_s > fitted.knots[0] - PARKED_S) & (edges_s < fitted.knots[-1] + PARKED_S)).any())


def _edges(near: Noisy) -> Floats:
    """The times at which the vehicle starts or stops: readings that begin or end under way were cut there."""
    rows = np.flatnonzero(near.moving[1:] != near.moving[:-1]).tolist()
    rows += [row for row in (0, len(near.at_s) - 1) if near.moving[row]]
    return near.at_s[sorted(rows)]


def _is_slope(fitted: Ramps, i: int, near: Noisy, readings: Readings, lag_s: float) -> bool:
    """Whether a line is no better than a level that changed at once, about when the vehicle started or stopped.

    Both are held against the same readings: those of the moments in which it may have changed tell nothing of either. The
    slope has the benefit of the doubt, as it changes with every drive: a line has to be likelier by three standard deviations.
    """
    origin_s = float(near.at_s[0])
    start, end = (float(knot) for knot in fitted.knots[i : i + 2])
    edges = _edges(near) - origin_s
    edges = edges[(edges > start - PARKED_S) & (edges < end + PARKED_S)]
    if not len(edges) or abs(float(fitted.rates[i])) * (end - start) > PARKED_CHANGE * near.tank.most_shift:
        return False
    at, weight = readings.at, 1 / readings.sd**2
    parts = line_levels(at, fitted, lag_s)
    alone = readings.level - fitted.before - parts.sum(axis=0) + parts[i]
    alone -= np.average(alone, weights=weight)
    off = alone - parts[i]
    off -= np.average(off, weights=weight)
    sums = np.zeros((4, len(at) + 1))
    for row, values in zip(sums, (weight, weight * alone, weight * alone**2, weight * off**2), strict=True):
        np.cumsum(values, out=row[1:])
    # Rests before, between and after the first and the last of the times at which it may have changed.
    first, last = ([*np.linspace(edge - PARKED_S, edge + PARKED_S, TRIED)] for edge in (edges[0], edges[-1]))
    changes = [(one, other) for one in first for other in (last if len(edges) > 1 else [one]) if one <= other]
    rows = np.searchsorted(
        at,
        [
            (at[0] - 1, one - SHORTEST_S, one + SHORTEST_S, other - SHORTEST_S, other + SHORTEST_S, at[-1] + 1)
            for one, other in changes
        ],
    )
    rows = np.maximum.accumulate(rows, axis=1)
    total = np.zeros(len(changes))
    for begin, stop in ((0, 1), (2, 3), (4, 5)):
        w, y, yy, line = sums[:, rows[:, stop]] - sums[:, rows[:, begin]]
        total += yy - y * y / np.maximum(w, 1e-300) - line
    return bool(total.min() < OWN_SLOPE**2 * max(fitted.misfit, 1.0))


def _parts(fitted: Ramps, near: Noisy, readings: Readings, lag_s: float) -> Iterator[Found]:
    """The lines of a fit as flows: those that are surely not level, and of which there are readings."""
    levels, origin_s = fitted.levels, float(near.at_s[0])
    largest = float(np.abs(np.diff(levels)).max())
    needed = SURE_MOVING if near.moving.any() else SURE
    for i, rate in enumerate(fitted.rates.tolist()):
        start_s, end_s = origin_s + float(fitted.knots[i]), origin_s + float(fitted.knots[i + 1])
        change = float(levels[i + 1] - levels[i])
        if len(fitted.rates) == 1:
            sure = abs(change) / max(fitted.change_sd, 1e-9)
        else:
            sure = abs(rate) / max(float(fitted.rate_sd[i]), 1e-12)
        # What may have been at once, beside a larger line, is a shift, a wave or a valve that closes.
        if end_s - start_s < AT_ONCE_S and abs(change) < largest:
            continue
        either = fitted.rate_low[i] <= 0 <= fitted.rate_high[i]
        if sure < needed or either or _unheard(near.at_s, start_s, end_s):
            continue
        if _is_slope(fitted, i, near, readings, lag_s):
            continue
        yield Found(
            start_s,
            end_s,
            float(levels[i]),
            float(levels[i + 1]),
            change,
            rate,
            float(fitted.rate_low[i]),
            float(fitted.rate_high[i]),
        )


def _unheard(at_s: Floats, start_s: float, end_s: float) -> bool:
    """Whether a change fell into a pause between readings, so that all there is to it is a guess."""
    first, last = np.searchsorted(at_s, [start_s, end_s])
    around = at_s[max(first - 1, 0) : last + 1]
    return len(around) > 1 and float(np.diff(around).max()) > max(UNHEARD_S, 0.7 * (end_s - start_s))
