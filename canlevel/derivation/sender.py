"""What a sender can say: its true step, its noise at rest, and when its level sloshes. One series in, a few figures out.

The wire's resolution is finer than most senders: a strip with 36 steps still sends hundredths of a percent. So the step is
learnt from the levels that occur, and the noise from how readings scatter around their neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Sender",
    "calm_noise",
    "describe_sender",
    "local_noise",
    "middle_of_five",
    "restless",
    "scatter_pct",
    "without_spikes",
]

Floats = NDArray[np.float64]
Values = NDArray[Any]

FINEST_PCT = 0.004  # resolution of the finest message on the wire
SAME = 1e-6
RARE = 2e-4  # levels that make up less than this part of the readings may be wrong readings
MOSTLY = 0.75
MULTIPLE_OFF = 0.12  # of a step, by which a distance may miss a multiple of it
WINDOW_S, FEWEST_OF_A_WINDOW = 60.0, 16
RESTLESS_RATIO = 1.5  # scatter beyond this many times the noise at rest
RESTLESS_STEPS = 0.6  # with this part of a step for flicker
ROUGH_SHARE = 0.15
TURNING, FEWEST_MEANS = 4.0, 12
AROUND_S, SHORT_S, LONG_S = 60.0, 10.0, 300.0
CALM_RATIO = 2.5  # noise beyond this many times that of a calm hour is not the sender's own
SPIKE_NOISE = 6.0
CALM_QUANTILE = 0.25


@dataclass(frozen=True, slots=True)
class Sender:
    """A sender as its readings show it. step_pct: its true step; 0 where the level never changed.

    noise_pct: standard deviation of a reading at rest, without the step's rounding.
    """

    step_pct: float
    noise_pct: float

    @property
    def coarse(self) -> bool:
        """Whether a reading at rest says in which step the level lies, and no more."""
        return self.noise_pct < 0.3 * self.step_pct


def describe_sender(seconds: Floats, level: Floats) -> Sender:
    """The step and the noise of one sender, by n of its readings. seconds: (n,), rising. level: (n,) percent."""
    step = _true_step(without_spikes(level, 0.0))
    return Sender(step, float(calm_noise(seconds, level, step)))


def restless(seconds: Floats, level: Floats, sender: Sender) -> NDArray[np.bool_]:
    """(n,) readings taken while the level sloshes: for minutes, readings lie far from the mean of the minute around them.

    So they do where one tap after the other is opened; but then neighbours agree, and in slosh for a good part they do not.
    """
    calm = without_spikes(level, sender.step_pct)
    # A level that flickers between two steps is half a step from its mean, whatever the noise.
    usual = np.hypot(RESTLESS_RATIO * max(sender.noise_pct, FINEST_PCT), RESTLESS_STEPS * sender.step_pct)
    waves: NDArray[np.bool_] = scatter_pct(seconds, calm) > usual
    rough = local_noise(seconds, level, sender.step_pct) > usual
    edges = np.flatnonzero(np.diff(np.concatenate([[False], waves, [False]])))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        waves[begin:end] = rough[begin:end].mean() > ROUGH_SHARE or _turns(seconds[begin:end], calm[begin:end])
    return waves


def _turns(seconds: Floats, level: Floats) -> bool:
    """Whether a level goes up and down far more than it gets anywhere: by its means over ten seconds."""
    number = np.floor((seconds - seconds[0]) / SHORT_S).astype(np.int64)
    first = np.flatnonzero(np.diff(number, prepend=-1))
    means = np.add.reduceat(level, first) / np.diff(np.append(first, len(level)))
    return len(means) > FEWEST_MEANS and float(np.abs(np.diff(means)).sum()) > TURNING * float(np.ptp(means))


def scatter_pct(seconds: Floats, level: Floats) -> Floats:
    """(n,) how far readings lie from the mean of the minute around them: root of the mean square in ten seconds, and of that
    the median over five minutes. A flow moves the mean along, and what is over in a minute or two does not count.

    Unlike a comparison of neighbours it sees waves that the period of the readings makes slow.
    """
    n = len(level)
    if n < 4:
        return np.zeros(n)
    period = max(float(np.median(np.diff(seconds))), 1e-3)
    half = max(round(AROUND_S / period / 2), 4)
    total = np.concatenate([[0.0], np.cumsum(level - level[0])])
    row = np.arange(n)
    # The window is as wide on both sides, so that a slope leaves nothing.
    reach = np.minimum(np.minimum(row, n - 1 - row), half)
    off = level - level[0] - (total[row + reach + 1] - total[row - reach]) / (2 * reach + 1)
    number = np.floor((seconds - seconds[0]) / max(SHORT_S, 4 * period)).astype(np.int64)
    first = np.flatnonzero(np.diff(number, prepend=-1))
    square = np.add.reduceat(off * off, first) / np.diff(np.append(first, n))
    width = round(LONG_S / max(SHORT_S, 4 * period)) // 2 * 2 + 1
    padded = np.pad(square, width // 2, mode="reflect" if len(square) > width // 2 else "edge")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
    return np.asarray(np.sqrt(np.repeat(middle, np.diff(np.append(first, n)))))


def _true_step(level: Floats) -> float:
    """The distance between neighbouring levels of the sender, percent; 0 where there is one level only. level: (n,).

    The smallest distance that most distances between levels in use are multiples of, made exact by all of them.
    """
    ticks, counts = np.unique(np.round(level / FINEST_PCT).astype(np.int64), return_counts=True)
    used = counts >= max(2, RARE * len(level))
    # Wrong readings are few among the levels of a long recording; in a short one a flow shows each level once.
    if np.count_nonzero(used) < MOSTLY * len(ticks):
        used = np.ones(len(ticks), np.bool_)
    apart = np.diff(ticks[used]) * FINEST_PCT
    if not len(apart):
        return 0.0
    weight = np.minimum(counts[used][1:], counts[used][:-1]).astype(np.float64)
    order = np.argsort(apart)
    for share in (0.02, 0.1, 0.25, 0.5):
        at = np.searchsorted(np.cumsum(weight[order]), share * weight.sum())
        step = float(apart[order[min(at, len(order) - 1)]])
        times = np.round(apart / step)
        off = np.abs(apart - times * step)
        fits = (off <= np.maximum(MULTIPLE_OFF * step, FINEST_PCT)) & (times >= 1)
        if weight[fits].sum() >= 0.9 * weight.sum():
            near = fits & (times <= 3)
            return (
                float((apart[near] * weight[near]).sum() / (times[near] * weight[near]).sum()) if near.any() else step
            )
    return float(apart[order[0]])


def without_spikes(level: Floats, step: float) -> Floats:
    """Readings with those replaced that leave both neighbours far and at once: by the median of five around. (n,) to (n,)."""
    if len(level) < 5:
        return level
    around = [level[i : len(level) - 4 + i] for i in range(5)]
    middle = middle_of_five(*around)
    scatter = middle_of_five(*(np.abs(values - middle) for values in around))
    usual = float(np.median(np.abs(np.diff(level)))) + step
    calm = level.copy()
    inner = calm[2:-2]
    far = np.abs(inner - middle) > np.maximum(SPIKE_NOISE * 1.5 * scatter, 3 * usual + 4 * FINEST_PCT)
    # A level that stays is no spike, however far: both neighbours are on the other side of the gap.
    alone = (np.abs(level[2:-2] - level[1:-3]) > np.abs(inner - middle) / 2) & (
        np.abs(level[2:-2] - level[3:-1]) > np.abs(inner - middle) / 2
    )
    inner[far & alone] = middle[far & alone]
    return calm


def middle_of_five(a: Values, b: Values, c: Values, d: Values, e: Values) -> Values:
    """The median of five, row by row. (n,) each."""
    # The largest of the smaller of two pairs is not above it, nor is the smallest of the larger below it.
    low = np.maximum(np.minimum(a, b), np.minimum(c, d))
    high = np.minimum(np.maximum(a, b), np.maximum(c, d))
    return np.maximum(np.minimum(low, high), np.minimum(np.maximum(low, high), e))


def local_noise(seconds: Floats, level: Floats, step: float) -> Floats:
    """(n,) standard deviation of the readings around each, over a minute or sixteen readings.

    It is the mean of the products of neighbouring changes, with the sign turned: noise turns back, and a flow, a step and a
    slope do not, so that they leave it at zero (von Neumann's ratio, 1941, taken at a lag of one).
    """
    n = len(level)
    if n < 4:
        return np.zeros(n)
    calm = without_spikes(level, step)
    change = np.diff(calm)
    turned = np.concatenate([[0.0], -change[1:] * change[:-1], [0.0]])
    period = float(np.median(np.diff(seconds)))
    half = max(FEWEST_OF_A_WINDOW, round(WINDOW_S / max(period, 1e-3))) // 2
    total = np.concatenate([[0.0], np.cumsum(turned)])
    begin = np.maximum(np.arange(n) - half, 0)
    end = np.minimum(np.arange(n) + half + 1, n)
    return np.asarray(np.sqrt(np.maximum(total[end] - total[begin], 0.0) / (end - begin)))


def calm_noise(seconds: Floats, level: Floats, step: float) -> float:
    """Standard deviation of a reading at rest, percent, without the rounding to a step.

    In a fine sender it is what readings show in their calmer hours. In a coarse one readings scatter only where the level is
    close to the middle between two steps: over levels that lie anywhere in a step the mean variance is step * noise / sqrt(pi),
    the integral of p (1 - p) for a normal p.
    """
    noise = local_noise(seconds, level, step)
    if not len(noise):
        return 0.0
    calm = float(np.quantile(noise, CALM_QUANTILE))
    if calm > 0.45 * step:
        return float(np.sqrt(max(np.median(noise[noise <= CALM_RATIO * calm]) ** 2 - step**2 / 12, 0.0)))
    quiet = noise <= max(CALM_RATIO * calm, RESTLESS_STEPS * step)
    variance = float(np.mean(noise[quiet] ** 2)) if quiet.any() else 0.0
    return min(variance * np.sqrt(np.pi) / step, 0.5 * step) if step else 0.0
