"""What a sender can say: its true step, its noise at rest, and when its level sloshes. One series in, a few figures out.

The wire's resolution is finer than most senders: a strip with 36 steps still sends hundredths of a percent. So the step is
learnt from the levels that occur, and the noise from how readings scatter around their neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erfc, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "FINEST_PCT",
    "Sender",
    "calm_noise",
    "describe_sender",
    "from_minute",
    "local_noise",
    "middle_of_five",
    "restless",
    "scatter_pct",
    "sender_and_calm",
    "starts_of",
    "usual_period_s",
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
SWING_STEPS = 1.5  # a swing of two steps, uneven ones included
SWINGS, SWINGS_S, SWINGS_SD = (
    3,
    60.0,
    3.0,
)  # so many within so long, and so many standard deviations beyond what noise does
MORE_NOISE, LEAST_NOISE_STEPS = 1.25, 0.15  # the noise may be more than was found, and more than none
TURNING, FEWEST_MEANS = 4.0, 12
AROUND_S, SHORT_S, LONG_S = 60.0, 10.0, 300.0
CALM_RATIO = 2.5  # noise beyond this many times that of a calm hour is not the sender's own
SPIKE_NOISE = 6.0
FEWEST = 4  # readings without which nothing is said of scatter
CALM_QUANTILE = 0.25
RUNS, RUN = 32, 128  # readings in a row, and how many such runs, that tell the usual period
MOST_TICKS = 1 << 20  # a table of all levels between the lowest and the highest is no longer than this


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
    return sender_and_calm(seconds, level)[0]


def sender_and_calm(seconds: Floats, level: Floats) -> tuple[Sender, Floats]:
    """What `describe_sender` says, and the n readings without spikes."""
    changes = _changes(level)
    step = _true_step(without_spikes(level, 0.0, changes))
    calm = without_spikes(level, step, changes)
    return Sender(step, float(calm_noise(seconds, calm, step))), calm


def restless(seconds: Floats, calm: Floats, sender: Sender) -> NDArray[np.bool_]:
    """(n,) readings taken while the level sloshes: for minutes, readings lie far from the mean of the minute around them.

    So they do where one tap after the other is opened; but then neighbours agree, and in slosh for a good part they do not.
    calm: (n,) percent, without spikes.
    """
    # A level that flickers between two steps is half a step from its mean, whatever the noise.
    usual = np.hypot(RESTLESS_RATIO * max(sender.noise_pct, FINEST_PCT), RESTLESS_STEPS * sender.step_pct)
    if len(calm) < FEWEST:
        return np.zeros(len(calm), np.bool_)
    square, first, width = _squares(seconds, calm)
    # A median is above a limit where more than half of its values are.
    above = np.concatenate([[0], np.cumsum(_padded(square, width) > usual**2)])
    waves: NDArray[np.bool_] = np.repeat(
        above[width:] - above[:-width] > width // 2, np.diff(np.append(first, len(calm)))
    )
    if waves.any():
        rough = local_noise(seconds, calm) > usual
        edges = np.flatnonzero(np.diff(np.concatenate([[False], waves, [False]])))
        for begin, end in zip(edges[::2], edges[1::2], strict=True):
            waves[begin:end] = rough[begin:end].mean() > ROUGH_SHARE or _turns(seconds[begin:end], calm[begin:end])
    return waves | _swings(seconds, calm, sender) if sender.coarse else waves


def _swings(seconds: Floats, calm: Floats, sender: Sender) -> NDArray[np.bool_]:
    """(n,) readings of a coarse sender amid swings of two steps and back, one after the other.

    A level at rest flickers about one mark, and no tap or pump turns back within seconds. What noise does by itself: in the
    middle of a step a reading lies beyond either mark with the chance 2 Phi(-D / 2s), and it swings by two no more often.
    Three swings in a minute beyond that number, and three standard deviations of it by Poisson's law, are waves.
    """
    swings = _turned_back(calm, SWING_STEPS * sender.step_pct)
    noise_steps = max(MORE_NOISE * sender.noise_pct / sender.step_pct, LEAST_NOISE_STEPS)
    by_noise = erfc(0.5 / noise_steps / sqrt(2)) * SWINGS_S / usual_period_s(seconds)
    needed = int(np.ceil(SWINGS + by_noise + SWINGS_SD * sqrt(by_noise)))
    edge = np.zeros(len(calm) + 1, np.int64)
    if len(swings) >= needed:
        at_s = seconds[swings]
        begins = np.flatnonzero(at_s[needed - 1 :] - at_s[: len(at_s) - needed + 1] <= SWINGS_S)
        np.add.at(edge, swings[begins], 1)
        np.add.at(edge, swings[begins + needed - 1] + 1, -1)
    return np.asarray(np.cumsum(edge[:-1]) > 0)


def _turned_back(level: Floats, far: float) -> NDArray[np.int64]:
    """Rows at which (n,) levels have come back by more than `far` from the highest or the lowest since they did so last."""
    rows = np.flatnonzero(level[1:] != level[:-1]) + 1
    turns = level[rows]
    # A level that goes to and fro between two that are close gets nowhere after the first time.
    to_and_fro = (turns[3:] == turns[1:-2]) & (turns[2:-1] == turns[:-3]) & (np.abs(turns[3:] - turns[2:-1]) <= far)
    rows = rows[np.concatenate([np.ones(min(len(rows), 3), np.bool_), ~to_and_fro])]
    rising, end, found = True, float(level[0]), []
    for row, here in zip(rows.tolist(), level[rows].tolist(), strict=True):
        if (here > end) is rising:
            end = here
        elif abs(here - end) > far:
            rising, end = not rising, here
            found.append(row)
    return np.array(found, np.int64)


def _turns(seconds: Floats, level: Floats) -> bool:
    """Whether a level goes up and down far more than it gets anywhere: by its means over ten seconds."""
    first = starts_of((seconds - seconds[0]) / SHORT_S)
    means = np.add.reduceat(level, first) / np.diff(np.append(first, len(level)))
    return len(means) > FEWEST_MEANS and float(np.abs(np.diff(means)).sum()) > TURNING * float(np.ptp(means))


def scatter_pct(seconds: Floats, level: Floats) -> Floats:
    """(n,) how far readings lie from the mean of the minute around them: root of the mean square in ten seconds, and of that
    the median over five minutes. A flow moves the mean along, and what is over in a minute or two does not count.

    Unlike a comparison of neighbours it sees waves that the period of the readings makes slow.
    """
    if len(level) < FEWEST:
        return np.zeros(len(level))
    square, first, width = _squares(seconds, level)
    middle = np.median(np.lib.stride_tricks.sliding_window_view(_padded(square, width), width), axis=1)
    return np.asarray(np.sqrt(np.repeat(middle, np.diff(np.append(first, len(level))))))


def _squares(seconds: Floats, level: Floats) -> tuple[Floats, NDArray[np.int64], int]:
    """(square, first, width): mean squares of some ten seconds, the reading at which each of them begins, and how many of
    them are five minutes."""
    n = len(level)
    period = usual_period_s(seconds)
    off = from_minute(seconds, level)
    length_s = max(SHORT_S, 4 * period)
    first = starts_of((seconds - seconds[0]) / length_s)
    square = np.add.reduceat(off * off, first) / np.diff(np.append(first, n))
    return square, first, round(LONG_S / length_s) // 2 * 2 + 1


def from_minute(seconds: Floats, level: Floats) -> Floats:
    """(n,) how far each reading is above the mean of the minute around it; a steady slope leaves nothing."""
    n = len(level)
    half = max(round(AROUND_S / usual_period_s(seconds) / 2), 4)
    off = level - level[0]
    total = np.concatenate([[0.0], np.cumsum(off)])
    if 2 * half + 1 <= n:
        off[half : n - half] -= (total[2 * half + 1 :] - total[: -2 * half - 1]) / (2 * half + 1)
    # At the ends the window is narrower, and as wide on both sides.
    row = np.concatenate([np.arange(min(half, n)), np.arange(max(n - half, half), n)])
    reach = np.minimum(np.minimum(row, n - 1 - row), half)
    off[row] -= (total[row + reach + 1] - total[row - reach]) / (2 * reach + 1)
    return np.asarray(off, np.float64)


def starts_of(blocks: Floats) -> NDArray[np.int64]:
    """The rows at which n rising numbers reach another whole number, the first row included."""
    number = blocks.astype(np.int64)
    return np.concatenate([[0], np.flatnonzero(number[1:] != number[:-1]) + 1])


def _padded(square: Floats, width: int) -> Floats:
    return np.pad(square, width // 2, mode="reflect" if len(square) > width // 2 else "edge")


def usual_period_s(seconds: Floats) -> float:
    """The median time between two readings, at least a millisecond. seconds: (n,), rising, n >= 2."""
    if len(seconds) <= RUNS * RUN:
        return max(float(np.median(np.diff(seconds))), 1e-3)
    # Whole runs of neighbours: a sender may have two periods in turn.
    begins = np.linspace(0, len(seconds) - RUN, RUNS).astype(np.int64)
    return max(float(np.median(np.diff(seconds[begins[:, None] + np.arange(RUN)], axis=1))), 1e-3)


def _true_step(level: Floats) -> float:
    """The distance between neighbouring levels of the sender, percent; 0 where there is one level only. level: (n,).

    The smallest distance that most distances between levels in use are multiples of, made exact by all of them.
    """
    ticks, counts = _counted(np.rint(level / FINEST_PCT).astype(np.int64))
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


def _counted(ticks: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(values, counts) of (n,) integers, as numpy's unique gives them; it sorts, which takes longer."""
    least, most = int(ticks.min()), int(ticks.max())
    if most - least > MOST_TICKS:
        values, counts = np.unique(ticks, return_counts=True)
        return values, counts
    table = np.bincount(ticks - least)
    values = np.flatnonzero(table)
    return values + least, table[values]


def _changes(level: Floats) -> tuple[Floats, float]:
    """(n - 1,) how far each reading is from the next, and the median of that."""
    change = np.abs(np.diff(level))
    return change, float(np.median(change)) if len(change) else 0.0


def without_spikes(level: Floats, step: float, changes: tuple[Floats, float] | None = None) -> Floats:
    """Readings with those replaced that leave both neighbours far and at once: by the median of five around. (n,) to (n,).

    changes: those of the readings, for who has them.
    """
    if len(level) < 5:
        return level
    change, usual = _changes(level) if changes is None else changes
    least = 3 * (usual + step) + 4 * FINEST_PCT
    # Who is far from the middle of five, and alone there, is at least half as far from both neighbours.
    rows = np.flatnonzero((change[1:-2] > least / 2) & (change[2:-1] > least / 2)) + 2
    if not len(rows):
        return level
    here, ahead, behind = level[rows], change[rows - 1], change[rows]
    around = [level[rows + place] for place in range(-2, 3)]
    middle = middle_of_five(*around)
    scatter = middle_of_five(*(np.abs(values - middle) for values in around))
    away = np.abs(here - middle)
    # A level that stays is no spike, however far: both neighbours are on the other side of the gap.
    spikes = (away > np.maximum(SPIKE_NOISE * 1.5 * scatter, least)) & (ahead > away / 2) & (behind > away / 2)
    calm = level.copy()
    calm[rows[spikes]] = middle[spikes]
    return calm


def middle_of_five(a: Values, b: Values, c: Values, d: Values, e: Values) -> Values:
    """The median of five, row by row. (n,) each."""
    # The largest of the smaller of two pairs is not above it, nor is the smallest of the larger below it.
    low = np.maximum(np.minimum(a, b), np.minimum(c, d))
    high = np.minimum(np.maximum(a, b), np.maximum(c, d))
    return np.maximum(np.minimum(low, high), np.minimum(np.maximum(low, high), e))


def local_noise(seconds: Floats, calm: Floats) -> Floats:
    """(n,) standard deviation of the readings around each, over a minute or sixteen readings. calm: (n,) without spikes.

    It is the mean of the products of neighbouring changes, with the sign turned: noise turns back, and a step and a
    slope do not; a steep slope hides it, and then it is zero (von Neumann's ratio, 1941, taken at a lag of one).
    """
    return np.asarray(np.sqrt(np.maximum(_local_variance(seconds, calm), 0.0)))


def _local_variance(seconds: Floats, calm: Floats) -> Floats:
    """(n,) the square of `local_noise`, below zero where a slope outweighs the noise."""
    n = len(calm)
    if n < FEWEST:
        return np.zeros(n)
    change = np.diff(calm)
    half = max(FEWEST_OF_A_WINDOW, round(WINDOW_S / usual_period_s(seconds))) // 2
    # Sums over the window around each; half of it lies beyond the ends, where there is nothing to add.
    total = np.zeros(n + 2 * half + 1)
    np.cumsum(change[1:] * -change[:-1], out=total[half + 2 : half + n])
    total[half + n :] = total[half + n - 1]
    product = total[2 * half + 1 :] - total[: -2 * half - 1]
    counts = np.full(n, 2 * half + 1)
    ends = np.arange(min(half, n))
    counts[ends] -= half - ends
    counts[n - 1 - ends] -= half - ends
    return np.asarray(product / counts)


def calm_noise(seconds: Floats, calm: Floats, step: float) -> float:
    """Standard deviation of a reading at rest, percent, without the rounding to a step.

    In a fine sender it is what readings show in their calmer hours. In a coarse one readings scatter only where the level is
    close to the middle between two steps: over levels that lie anywhere in a step the mean variance is step * noise / sqrt(pi),
    the integral of p (1 - p) for a normal p.
    """
    square = _local_variance(seconds, calm)
    noise = np.sqrt(np.maximum(square, 0.0))
    if not len(noise):
        return 0.0
    # A slope hides the noise; in a recording that is mostly filling and draining, only the other readings tell of it.
    told = noise[square >= 0] if (square >= 0).any() else noise
    usual = float(np.quantile(told, CALM_QUANTILE))
    if usual > 0.45 * step:
        return float(np.sqrt(max(np.median(told[told <= CALM_RATIO * usual]) ** 2 - step**2 / 12, 0.0)))
    usual = float(np.quantile(noise, CALM_QUANTILE))
    quiet = noise <= max(CALM_RATIO * usual, RESTLESS_STEPS * step)
    variance = float(np.mean(noise[quiet] ** 2)) if quiet.any() else 0.0
    return min(variance * np.sqrt(np.pi) / step, 0.5 * step) if step else 0.0
