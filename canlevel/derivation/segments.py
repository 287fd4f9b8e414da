"""The best division of a noisy level into stretches at rest and stretches in steady flow.

Optimal partitioning: of all ways to cut n points into stretches, each at rest (a constant) or flowing (a straight line),
the one with the least sum of squared misfits, in units of the noise, and of a price for each stretch. Stretches need not
meet: a level that jumps between two of them was shifted, by a tilt for instance, and no flow was behind it.

Source: B. Jackson et al., "An algorithm for optimal partitioning of data on an interval", IEEE Signal Processing Letters 12
(2005), for the recursion F(j) = min over i of F(i) + C(i, j) + price; R. Killick, P. Fearnhead, I. A. Eckley, "Optimal
detection of changepoints with a linear computational cost", JASA 107 (2012), for leaving out every i with
F(i) + C(i, j) > F(j), which can never be the best again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["Stretch", "best_division", "neighbours_joined", "partition"]

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]
_Part = TypeVar("_Part")

TOGETHER = 24  # ends of stretches that are priced at once
BEFORE = np.tri(TOGETHER, TOGETHER, -1, dtype=np.bool_)  # which of those, as beginnings, come before which
YOUNG = 3  # a line needs three points to say anything; so long a beginning is not left out


@dataclass(frozen=True, slots=True)
class Stretch:
    """Points first to last (the one behind the last) of one stretch. flowing: whether its level runs along a line."""

    first: int
    last: int
    flowing: bool


def partition(at: Floats, level: Floats, weight: Floats, *, rest_price: float, flow_price: float) -> list[Stretch]:
    """The best division of n points. at: times, rising. weight: one over the variance of each level.

    rest_price, flow_price: for each stretch of the kind, in the same unit as squared misfits over variances.
    """
    n = len(at)
    if not n:
        return []
    at = at - at[0]
    level = level - np.average(level, weights=weight)
    sums = np.zeros((6, n + 1))
    wt, wy = weight * at, weight * level
    for row, values in zip(sums, (weight, wt, wt * at, wy, wt * level, wy * level), strict=True):
        np.cumsum(values, out=row[1:])

    def misfits(begins: Rows, ends: Rows) -> tuple[Floats, Floats]:
        w, t, tt, y, ty, yy = sums[:, ends, None] - sums[:, None, begins]
        w = np.where(begins < ends[:, None], w, np.inf)
        rest = yy - y * y / w
        spread = tt - t * t / w
        lean = ty - t * y / w
        flow = rest - lean * lean / np.where(spread > 1e-9 * tt, spread, np.inf)
        # Through two points a line always fits.
        flow[begins > ends[:, None] - YOUNG] = np.inf
        return rest, flow

    def priced(begins: Rows, ends: Rows) -> tuple[Floats, Floats]:
        rest, flow = misfits(begins, ends)
        return np.minimum(rest + rest_price, flow + flow_price), np.minimum(rest, flow)

    knots = np.array(best_division(n, priced))
    w, t, tt, y, ty, _ = np.diff(sums[:, knots], axis=1)
    spread, lean = tt - t * t / w, ty - t * y / w
    says = (spread > 1e-9 * tt) & (np.diff(knots) >= YOUNG)
    # What a line gains over a constant is worth the difference of their prices.
    flowing = (lean * lean / np.where(says, spread, np.inf) > flow_price - rest_price).tolist()
    ends = pairwise(knots.tolist())
    return [Stretch(first, last, flows) for (first, last), flows in zip(ends, flowing, strict=True)]


def best_division(n: int, priced: Callable[[Rows, Rows], tuple[Floats, Floats]]) -> list[int]:
    """0, the ends of the stretches of the best division of n points, and n as the last of them.

    priced: takes (b,) points at which stretches begin and (e,) at which they end (the one behind the last), and returns two
    tables (e, b): what such a stretch costs with its price, and without: no more than any way to divide it costs. What stands
    where a stretch would end before it begins does not matter.
    """
    best = np.zeros(n + 1)
    where = np.zeros(n + 1, np.int64)
    keep = np.zeros(1, np.int64)
    for begin in range(1, n + 1, TOGETHER):
        ends = np.arange(begin, min(begin + TOGETHER, n + 1))
        rows = np.concatenate([keep, ends[:-1]])
        price, misfit = priced(rows, ends)
        known = len(keep)
        # Beginnings before these ends can be weighed all at once, those among them one by one.
        old = best[keep] + price[:, :known]
        least = old.argmin(axis=1)
        cost = old[np.arange(len(ends)), least].tolist()
        where[ends] = keep[least]
        among = price[:, known:]
        # None of them is weighed where the least cost and the least price together are no less than what is known.
        cheapest = np.where(BEFORE[: len(ends), : len(ends) - 1], among, np.inf).min(axis=1, initial=np.inf).tolist()
        lowest = cost[0]
        for i in range(1, len(ends)):
            now = cost[i]
            if lowest + cheapest[i] < now:
                row = among[i, :i].tolist()
                for k in range(i):
                    if cost[k] + row[k] < now:
                        now = cost[k] + row[k]
                        where[begin + i] = begin + k
                cost[i] = now
            lowest = min(lowest, now)
        best[ends] = cost
        alive = (best[rows] + misfit[-1] <= best[ends[-1]]) | (rows > ends[-1] - YOUNG)
        keep = np.append(rows[alive], ends[-1])
    knots = [n]
    while knots[-1]:
        knots.append(int(where[knots[-1]]))
    return knots[::-1]


def neighbours_joined(parts: Iterable[_Part], as_one: Callable[[_Part, _Part], _Part | None]) -> Iterator[_Part]:
    """Parts in their order, each made one with what has become of those before it, as long as `as_one` makes one of the two."""
    one: _Part | None = None
    for other in parts:
        both = None if one is None else as_one(one, other)
        if one is not None and both is None:
            yield one
        one = other if both is None else both
    if one is not None:
        yield one
