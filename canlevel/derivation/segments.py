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

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Stretch", "partition"]

Floats = NDArray[np.float64]


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
    best = np.zeros(n + 1)
    begin = np.zeros(n + 1, np.int64)
    flows = np.zeros(n + 1, np.bool_)
    candidates = np.array([0])
    before = np.zeros((7, 1))  # the sums at each candidate, and the best price up to it
    for j in range(1, n + 1):
        w, t, tt, y, ty, yy = sums[:, j, None] - before[:6]
        rest = yy - y * y / w
        spread = tt - t * t / w
        lean = ty - t * y / w
        # A line needs three points to say anything; through two it always fits.
        flow = rest - np.divide(lean * lean, spread, out=np.zeros_like(rest), where=spread > 1e-9 * tt)
        flow[candidates > j - 3] = np.inf
        resting, flowing = before[6] + rest, before[6] + flow
        least_rest, least_flow = int(resting.argmin()), int(flowing.argmin())
        as_rest, as_flow = resting[least_rest] + rest_price, flowing[least_flow] + flow_price
        flows[j] = as_flow < as_rest
        best[j] = min(as_flow, as_rest)
        begin[j] = candidates[least_flow if flows[j] else least_rest]
        keep = np.minimum(resting, flowing) <= best[j]
        keep |= candidates > j - 3
        candidates = np.append(candidates[keep], j)
        column = np.append(sums[:, j], best[j])
        before = np.concatenate([before[:, keep], column[:, None]], axis=1)
    stretches = []
    j = n
    while j:
        stretches.append(Stretch(int(begin[j]), j, bool(flows[j])))
        j = int(begin[j])
    return stretches[::-1]
