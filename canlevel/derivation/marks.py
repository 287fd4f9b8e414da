"""Marks: when a sender of coarse steps changed its word while known amounts were poured. Out: litres at every level.

Such a sender says in which step the level lies, and no more; what can be measured is when the level passed from one step to the
next. How many pours were over by then is not seen: small ones pass no mark, large ones several. But any curve of litres by
level says how many litres were in at each mark, and with them how many waits between pours lie between two marks. So each curve
is judged by the times: from mark to mark passes, to within their spread, a wait for each end of a pour between them, and the
time that the litres take to run in. A wrong curve has waits where none were, and none where the level stood still.

Curves of a *shape* (prismatic, lying cylinder, wedge either way up) are tried for each capacity of a grid; where a mark lies is
uncertain by a part of a step, and is summed out (the forward pass of a hidden Markov model; L. R. Rabiner, "A tutorial on
hidden Markov models", Proceedings of the IEEE 77, 1989). The *table* has the litres from mark to mark as unknowns: their
logarithms change by t-distributed steps of two degrees of freedom, so that walls may be straight, bend, or have a kink; it is
drawn by a particle filter (N. Gordon, D. Salmond, A. Smith, "Novel approach to nonlinear/non-Gaussian Bayesian state
estimation", IEE Proceedings F 140, 1993), whose mean weights are its evidence. Both give evidence in the same measure, so that
Bayes' factors decide between them (R. Kass, A. Raftery, "Bayes factors", Journal of the American Statistical Association 90,
1995).

Whether a sender tells the nearest step or the last one passed is not known, and both are tried. Draining is filling with air:
levels are turned about 100 %.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from canlevel.roster import SHAPES, TABLE, Shape

__all__ = ["Marks", "MarksFit", "fits_of_marks", "marks_passed"]

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]
Volume = Callable[[Floats], Floats]

SOFT = 0.08  # of a step, by which a mark may be elsewhere
# Paces of pouring that are tried: a wait as a part of the whole time by the number of pours, the part of the whole time that
# all litres take to run in, and the spread of waits of who keeps time and of who does not. Common practice, no source.
WAITS = tuple(np.exp(np.linspace(np.log(0.2), np.log(1.15), 12)).tolist())
RUNS = (0.03, 0.07, 0.13, 0.22, 0.35, 0.5)
SPREADS = (0.12, 0.35)
# Of coarse senders: that they tell the last step passed, not the nearest. Common practice, no source.
LAST_PASSED = 0.4
UNEVEN_RUN = 0.3  # spread of the time that litres take, as a part of it
LATE, HASTY, WILD = 0.05, 0.03, 0.02  # how often a pour is interrupted, follows the one before at once, and neither
PAUSE = 0.4  # of a wait: an interruption within a pour
AGAINST = 8.0  # logarithms that a mark passed beyond what was poured, or not passed below it, counts against a curve
OVERFLOWS = 3.0  # and a tank that holds less than was poured, if it reads full
REACH = 1.8  # logarithm: how far from the prismatic guess a capacity is looked for
SPREAD_OF_CAPACITY = 0.8  # and its prior spread
FILLED = 4.0  # a tank is poured nearly full: the part of it that was goes by this power less one. Common practice, no source.
NODES = np.array([-1.7, -0.8, 0.0, 0.8, 1.7])  # where a mark may be, in standard deviations
PACES_KEPT, PACE_WEIGHT = 10, 1e-3
SCREENED, SCREENED_BELOW = 400, 18.0
PARTICLES, DRAWS = 16_000, 2000
FREEDOM, BEND = 1.0, 0.06  # of the steps of a table's logarithms of litres a percent, for a tenth of the height
FIRST_SPREAD = 0.7  # of the logarithm of the first
LARGEST_BEND = 2.5


@dataclass(frozen=True, slots=True)
class Marks:
    """Marks that a rising level passed. at_s: (J,) when. below, above: (J,) what was read before and after.

    first_s, last_s: of the readings. first_pct, last_pct: what was read then. period_s: usual time between readings.
    """

    at_s: Floats
    below: Floats
    above: Floats
    first_s: float
    last_s: float
    first_pct: float
    last_pct: float
    step_pct: float
    noise_pct: float
    period_s: float

    @property
    def soft_pct(self) -> float:
        """Standard deviation of where a mark is."""
        return max(self.noise_pct, SOFT * self.step_pct)

    @property
    def rise_pct(self) -> float:
        """By how much it rose, half a step at least."""
        return max(self.last_pct - self.first_pct, 0.5 * self.step_pct)

    @property
    def reads_full(self) -> bool:
        """Whether it ended at the sender's last step."""
        return self.last_pct > 100 - 0.75 * self.step_pct


@dataclass(frozen=True, slots=True)
class MarksFit:
    """One kind of curve, N draws. log_evidence: of the times, given this kind.

    curves: (N, G) litres above the first level at rest, at the levels asked for, rising. shifts: (N,) by which a reading is
    below the level in the middle of its step. passed: (N, J) litres poured when each mark was passed.
    """

    kind: str
    log_evidence: float
    curves: Floats
    shifts: Floats
    passed: Floats


@dataclass(frozen=True, slots=True)
class _Scene:
    """What all curves are judged by. ends: (K - 1,) litres at the ends of pours but the last."""

    marks: Marks
    ends: Floats
    poured_l: float
    start_known: bool
    drain: bool

    @property
    def empty_at_first(self) -> bool:
        """Whether it began where the sender has its end."""
        return self.start_known and self.marks.first_pct < 0.75 * self.marks.step_pct

    @property
    def shifts(self) -> Floats:
        """By which marks are above the middle of what was read before and after: of the nearest step, of the last passed."""
        half = self.marks.step_pct / 2
        return np.array([0.0, -half if self.drain else half])

    def levels(self, shift: float) -> Floats:
        """(J,) levels of the marks."""
        return np.asarray(np.clip((self.marks.below + self.marks.above) / 2 + shift, 0.0, 100.0))

    def levels_ahead(self, shift: float) -> Floats:
        """Levels of the marks that were not passed, rising."""
        ahead = self.marks.last_pct + self.marks.step_pct * (np.arange(400, dtype=np.float64) + 0.5) + shift
        return np.asarray(ahead[ahead < 100 - 1e-6], np.float64)


@dataclass(frozen=True, slots=True)
class _Pace:
    """wait_s: between pours. s_per_l: that a litre takes to run in. spread: of waits, as a part of them; (M,) each."""

    wait_s: Floats
    s_per_l: Floats
    spread: Floats

    def taken(self, rows: Rows) -> _Pace:
        return _Pace(self.wait_s[rows], self.s_per_l[rows], self.spread[rows])


def marks_passed(seconds: Floats, level: Floats, step_pct: float, noise_pct: float) -> Marks:
    """The marks that a level passed which rises, in steps of step_pct. seconds, level: (n,), n >= 8."""
    path = _rising(level)
    rows = np.flatnonzero(np.diff(path) > 0) + 1
    at, below, above = [], [], []
    for row in rows.tolist():
        many = max(round(float(path[row] - path[row - 1]) / step_pct), 1)
        between = np.linspace(path[row - 1], path[row], many + 1)
        at += [seconds[row]] * many
        below += between[:-1].tolist()
        above += between[1:].tolist()
    return Marks(
        np.array(at), np.array(below), np.array(above), float(seconds[0]), float(seconds[-1]), float(path[0]),
        float(path[-1]), step_pct, noise_pct, float(np.median(np.diff(seconds))),
    )  # fmt: skip


def _rising(level: Floats) -> Floats:
    """(n,) levels that never fall, nearest to (n,) readings by the sum of what they are off: isotonic regression of the
    median kind (Barlow, Bartholomew, Bremner, Brunk, "Statistical inference under order restrictions", 1972)."""
    used = np.unique(level)
    if len(used) > 400:
        used = np.unique(np.quantile(level, np.linspace(0, 1, 400)))
    cost = np.zeros(len(used))
    origin = np.empty((len(level), len(used)), np.int32)
    places = np.arange(len(used))
    for row, here in enumerate(level):
        least = np.minimum.accumulate(cost)
        origin[row] = np.maximum.accumulate(np.where(cost == least, places, 0))
        cost = least + np.abs(here - used)
    path = np.empty(len(level))
    place = int(np.argmin(cost))
    for row in range(len(level) - 1, -1, -1):
        path[row] = used[place]
        place = int(origin[row, place])
    return path


def fits_of_marks(
    marks: Marks, pours_l: Floats, levels: Floats, *, drain: bool, start_known: bool, rng: np.random.Generator
) -> list[MarksFit]:
    """How each shape and the table explain the marks. pours_l: (K,). levels: (G,) at which litres are asked for, 0 to 100, in
    the sense of the marks: of a tank that is drained they are those of its air."""
    scene = _Scene(marks, np.cumsum(pours_l)[:-1], float(np.sum(pours_l)), start_known, drain)
    volumes = {kind: _volume(kind, drain=drain) for kind in SHAPES}
    pace, weights = _paces(scene, volumes)
    fits = [_fit_shape(kind, volumes[kind], scene, pace, levels, rng) for kind in SHAPES]
    return [*fits, _fit_table(scene, pace, weights, levels, rng)]


def _volume(kind: str, *, drain: bool) -> Volume:
    """Litres at levels, as a part of the capacity."""
    shape = Shape(kind)

    def filled(level: Floats) -> Floats:
        flat = np.clip(np.ravel(level), 0.0, 100.0)
        return np.reshape(shape.volume_l(flat, np.ones(len(flat))), np.shape(level))

    return (lambda level: 1.0 - filled(100.0 - level)) if drain else filled


# ---- times ----


def _all_paces(scene: _Scene) -> _Pace:
    whole_s, count = scene.marks.last_s - scene.marks.first_s, len(scene.ends) + 1
    rows = np.array([(w * whole_s / count, r * whole_s / scene.poured_l, s) for w, r, s in product(WAITS, RUNS, SPREADS)
                     if 0.4 < w + r < 1.3])  # fmt: skip
    return _Pace(rows[:, 0], rows[:, 1], rows[:, 2])


def _likely_gap(seconds: Floats | float, waits: Floats, litres: Floats, pace: _Pace, scene: _Scene) -> Floats:
    """How likely a time from mark to mark is. All broadcast: waits and litres between the marks, and the pace."""
    marks = scene.marks
    run_s = pace.s_per_l * np.maximum(litres, 0.0)
    mean = waits * pace.wait_s + run_s
    sd = np.sqrt(
        waits * (pace.spread * pace.wait_s) ** 2 + (UNEVEN_RUN * run_s) ** 2 + max(marks.period_s, 1.0) ** 2 + 1.0
    )
    off = seconds - mean
    usual = np.exp(-0.5 * (off / sd) ** 2) / sd
    pause_s = PAUSE * pace.wait_s + sd
    late = np.exp(-np.abs(off) / pause_s) / pause_s * (off > -sd)
    hasty = np.exp(-0.5 * ((off + pace.wait_s) / sd) ** 2) / sd * (waits > 0)
    wild = WILD / (marks.last_s - marks.first_s)
    return np.asarray((1 - LATE - HASTY - WILD) * usual / 2.5066 + LATE * late + HASTY * hasty / 2.5066 + wild)


def _likely_edge(seconds: float, waits: Floats, litres: Floats, pace: _Pace, scene: _Scene) -> Floats:
    """The same from the first reading to the first mark, or from the last mark to the last reading: with any wait besides."""
    whole_s = scene.marks.last_s - scene.marks.first_s
    run_s = pace.s_per_l * np.maximum(litres, 0.0)
    sd = np.sqrt(waits * (pace.spread * pace.wait_s) ** 2 + (UNEVEN_RUN * run_s) ** 2 + (0.2 * pace.wait_s) ** 2 + 1.0)
    over = seconds - waits * pace.wait_s - run_s
    usual = np.exp(-np.maximum(over, 0) / pace.wait_s - 0.5 * (np.minimum(over, 0) / sd) ** 2) / (pace.wait_s + sd)
    return np.asarray(
        0.8 * usual + 0.2 * np.exp(-0.5 * (np.minimum(over, 0) / sd) ** 2) / whole_s + WILD / whole_s / 10
    )


def _waits(litres: Floats, scene: _Scene) -> Floats:
    """How many pours but the last were over."""
    return np.searchsorted(scene.ends, litres, side="right").astype(np.float64)


# ---- shapes ----


@dataclass(frozen=True, slots=True)
class _Candidates:
    """Curves of one shape: capacity_l, start_pct (of the level), shift, pace; (M,) each. log_prior: (M,)."""

    capacity_l: Floats
    start_pct: Floats
    shift: Rows
    pace: Rows
    log_prior: Floats

    def taken(self, rows: Rows) -> _Candidates:
        return _Candidates(*(getattr(self, name)[rows] for name in self.__slots__))


def _candidates(scene: _Scene, capacities: Floats, paces: int, starts: int) -> _Candidates:
    marks = scene.marks
    prior = -0.5 * (np.log(capacities * marks.rise_pct / 100 / scene.poured_l) / SPREAD_OF_CAPACITY) ** 2
    prior -= FILLED * np.log(np.maximum(capacities / scene.poured_l, 1.0))
    start = np.zeros(1) if scene.start_known else marks.first_pct + marks.step_pct * (np.arange(starts) + 0.5) / starts
    if not scene.start_known:
        start = start - marks.step_pct / 2
    grid = np.meshgrid(np.arange(len(capacities)), np.arange(len(start)), [0, 1], np.arange(paces), indexing="ij")
    which, first, shift, pace = (each.ravel() for each in grid)
    at = start[first] + (0.0 if scene.start_known else scene.shifts[shift])
    prior = prior - np.log(np.sum(np.exp(prior)))
    prior = prior[which] + np.log(np.where(shift == 1, LAST_PASSED, 1 - LAST_PASSED)) - np.log(len(start) * paces)
    return _Candidates(capacities[which], np.clip(at, 0, 100), shift, pace, prior)


def _capacities(scene: _Scene, count: int) -> Floats:
    middle = np.log(100 * scene.poured_l / scene.marks.rise_pct)
    least = max(middle - REACH, np.log(0.85 * scene.poured_l))
    return np.asarray(np.exp(np.linspace(least, max(middle + REACH, least + 0.1), count)))


def _litres(volume: Volume, some: _Candidates, scene: _Scene, *, off: Floats) -> Floats:
    """(M, J, len(off)) litres poured when each mark is passed that lies off[i] percent higher than it should."""
    found = np.empty((len(some.capacity_l), len(scene.marks.at_s), len(off)))
    for shift in (0, 1):
        part = volume(scene.levels(float(scene.shifts[shift]))[:, None] + off)
        rows = some.shift == shift
        found[rows] = part * some.capacity_l[rows, None, None]
    return found - (volume(some.start_pct) * some.capacity_l)[:, None, None]


def _log_ahead(volume: Volume, some: _Candidates, scene: _Scene) -> Floats:
    """(M,) logarithms of how likely it is that nothing more was passed, and that it all went in."""
    before = volume(some.start_pct) * some.capacity_l
    logs = np.zeros(len(some.capacity_l))
    logs -= np.where(
        some.capacity_l - before < 0.995 * scene.poured_l, OVERFLOWS if scene.marks.reads_full else AGAINST, 0.0
    )
    weights = np.exp(-0.5 * NODES**2)
    for shift in (0, 1):
        ahead = scene.levels_ahead(float(scene.shifts[shift]))[:1]
        rows = some.shift == shift
        if len(ahead):
            litres = volume(ahead + scene.marks.soft_pct * NODES) * some.capacity_l[rows, None] - before[rows, None]
            kept = np.where(litres > scene.poured_l, 1.0, np.exp(-AGAINST))
            logs[rows] += np.log(kept @ weights / weights.sum())
    return logs


def _log_likely(volume: Volume, some: _Candidates, scene: _Scene, pace: _Pace, nodes: Floats) -> Floats:
    """(M,) logarithms of how likely all times are, where a mark lies summed out over nodes (standard deviations)."""
    marks = scene.marks
    litres = _litres(volume, some, scene, off=nodes * marks.soft_pct)
    waits = _waits(litres, scene)
    beyond = np.where(litres > 1.003 * scene.poured_l, np.exp(-AGAINST), 1.0)
    weights = np.exp(-0.5 * nodes**2)
    weights /= weights.sum()
    mine = pace.taken(some.pace)
    wide = _Pace(*(getattr(mine, name)[:, None] for name in mine.__slots__))
    wider = _Pace(*(getattr(mine, name)[:, None, None] for name in mine.__slots__))
    forward = weights * _likely_edge(float(marks.at_s[0] - marks.first_s), waits[:, 0], litres[:, 0], wide, scene)
    forward *= beyond[:, 0]
    logs = np.zeros(len(forward))
    for mark in range(1, len(marks.at_s)):
        move = _likely_gap(
            float(marks.at_s[mark] - marks.at_s[mark - 1]),
            np.maximum(waits[:, mark, None, :] - waits[:, mark - 1, :, None], 0),
            litres[:, mark, None, :] - litres[:, mark - 1, :, None],
            wider,
            scene,
        )
        forward = np.einsum("mi,mij->mj", forward, move) * weights * beyond[:, mark]
        scale = forward.max(axis=1)
        logs += np.log(scale)
        forward /= scale[:, None]
    left = len(scene.ends) - waits[:, -1]
    forward *= _likely_edge(float(marks.last_s - marks.at_s[-1]), left, scene.poured_l - litres[:, -1], wide, scene)
    return np.asarray(logs + np.log(forward.sum(axis=1)) + _log_ahead(volume, some, scene))


def _paces(scene: _Scene, volumes: dict[str, Volume]) -> tuple[_Pace, Floats]:
    """The paces that explain the times under some shape, and how likely each is."""
    pace = _all_paces(scene)
    some = _candidates(scene, _capacities(scene, 70 if scene.start_known else 40), len(pace.wait_s), 3)
    best = np.full(len(pace.wait_s), -np.inf)
    for volume in volumes.values():
        logs = _log_likely(volume, some, scene, pace, np.zeros(1))
        np.maximum.at(best, some.pace, logs)
    kept = np.argsort(-best)[:PACES_KEPT]
    kept = kept[best[kept] > best[kept[0]] + 2 * np.log(PACE_WEIGHT)]
    weights = np.exp((best[kept] - best[kept[0]]) / 3)
    return pace.taken(kept), weights / weights.sum()


def _fit_shape(
    kind: str, volume: Volume, scene: _Scene, pace: _Pace, levels: Floats, rng: np.random.Generator
) -> MarksFit:
    starts = 9
    capacities = _capacities(scene, SCREENED if scene.start_known else SCREENED // 4)
    some = _candidates(scene, capacities, len(pace.wait_s), starts)
    logs = _log_likely(volume, some, scene, pace, np.zeros(1)) + some.log_prior
    near = np.flatnonzero(logs > logs.max() - SCREENED_BELOW)
    near = near[np.argsort(-logs[near])][: max(200, 60_000 // len(scene.marks.at_s))]
    some = some.taken(near)
    logs = _log_likely(volume, some, scene, pace, NODES) + some.log_prior
    weights = np.exp(logs - logs.max())
    drawn = rng.choice(len(weights), DRAWS, p=weights / weights.sum())
    apart = np.log(capacities[1] / capacities[0])
    capacity = some.capacity_l[drawn] * np.exp(rng.uniform(-apart / 2, apart / 2, DRAWS))
    taken = some.taken(drawn)
    before = volume(taken.start_pct)
    curves = capacity[:, None] * (volume(levels)[None, :] - before[:, None])
    passed = _litres(volume, taken, scene, off=np.zeros(1))[:, :, 0]
    return MarksFit(kind, float(np.log(weights.sum()) + logs.max()), curves, scene.shifts[taken.shift], passed)


# ---- the table ----


def _fit_table(scene: _Scene, pace: _Pace, weights: Floats, levels: Floats, rng: np.random.Generator) -> MarksFit:
    marks, n = scene.marks, PARTICLES
    which = rng.choice(len(weights), n, p=weights)
    log_weight = -np.log(weights[which] * len(weights))
    pace = pace.taken(which)
    shift = (rng.random(n) < LAST_PASSED).astype(np.int64)
    at = np.stack([scene.levels(float(each)) for each in scene.shifts])  # (2, J)
    if scene.empty_at_first:
        start = np.zeros(n)
    else:
        inside = marks.first_pct + marks.step_pct * rng.uniform(-0.5, 0.5, n) + scene.shifts[shift]
        start = np.clip(np.minimum(inside, at[shift, 0]), 0, None)
    litres = np.zeros((n, len(marks.at_s) + 1))  # at the start and at each mark
    slope = np.log(scene.poured_l / marks.rise_pct) + FIRST_SPREAD * rng.standard_t(
        4, n
    )  # logarithm of litres a percent
    first_slope = slope
    before, waits_before = np.zeros(n), np.zeros(n)
    evidence = 0.0
    last, level = np.zeros(n), start
    for mark in range(len(marks.at_s)):
        here = at[shift, mark]
        if mark:
            slope = slope + _bends(here - level, rng)
        last = last + np.exp(slope) * np.maximum(here - level, 0)
        litres[:, mark + 1] = last
        seen = np.maximum(last + np.exp(slope) * marks.soft_pct * rng.normal(size=n), before)
        waits = _waits(seen, scene)
        if mark:
            seconds = float(marks.at_s[mark] - marks.at_s[mark - 1])
            likely = _likely_gap(seconds, waits - waits_before, seen - before, pace, scene)
        else:
            likely = _likely_edge(float(marks.at_s[0] - marks.first_s), waits, seen, pace, scene)
        log_weight += np.log(likely) - np.where(seen > 1.003 * scene.poured_l, AGAINST, 0.0)
        before, waits_before, level = seen, waits, here
        more, log_weight, kept = _resampled(log_weight, rng)
        evidence += more
        if kept is not None:
            litres, last, slope, first_slope = litres[kept], last[kept], slope[kept], first_slope[kept]
            before, waits_before, level = before[kept], waits_before[kept], level[kept]
            shift, start, pace = shift[kept], start[kept], pace.taken(kept)
    left = len(scene.ends) - waits_before
    log_weight += np.log(_likely_edge(float(marks.last_s - marks.at_s[-1]), left, scene.poured_l - before, pace, scene))
    ahead, above = _ahead(scene, at[:, -1], last, slope, shift, rng)
    log_weight -= np.where(above[:, -1] < 0.995 * scene.poured_l, OVERFLOWS if scene.marks.reads_full else AGAINST, 0.0)
    log_weight -= np.where((ahead[shift, 1] < 100) & (above[:, 1] < scene.poured_l), AGAINST, 0.0)
    log_weight -= FILLED * np.log(np.maximum(above[:, -1] / scene.poured_l, 1.0))
    shares = np.exp(log_weight - log_weight.max())
    evidence += float(np.log(np.mean(shares)) + log_weight.max())
    drawn = rng.choice(n, DRAWS, p=shares / shares.sum())
    below = np.zeros(DRAWS) if scene.start_known else _below(start[drawn], first_slope[drawn], scene, rng)
    curves = np.empty((DRAWS, len(levels)))
    for number, row in enumerate(drawn.tolist()):
        x = np.concatenate([[0.0, start[row]], at[shift[row]], ahead[shift[row], 1:]])
        y = np.concatenate([[-below[number]], litres[row], above[row, 1:]])
        curves[number] = np.interp(levels, x, y)
    return MarksFit(TABLE, evidence, curves, scene.shifts[shift[drawn]], litres[drawn, 1:])


def _bends(rise_pct: Floats, rng: np.random.Generator) -> Floats:
    """By how much the logarithm of litres a percent changes over so much of the height."""
    bend = BEND * np.sqrt(np.maximum(rise_pct, 0) / 10)
    return np.asarray(np.clip(bend * rng.standard_t(FREEDOM, len(rise_pct)), -LARGEST_BEND, LARGEST_BEND))


def _resampled(log_weight: Floats, rng: np.random.Generator) -> tuple[float, Floats, Rows | None]:
    """(evidence to add, logarithms of weights, which particles go on, or None where they all do)."""
    weight = np.exp(log_weight - log_weight.max())
    if weight.sum() ** 2 / np.sum(weight**2) > len(weight) / 2:
        return 0.0, log_weight, None
    evidence = float(np.log(weight.mean()) + log_weight.max())
    # Systematic resampling: one random number for all (Kitagawa, "Monte Carlo filter and smoother", 1996).
    at = (np.arange(len(weight)) + rng.random()) / len(weight)
    kept = np.searchsorted(np.cumsum(weight) / weight.sum(), at).clip(0, len(weight) - 1)
    return evidence, np.zeros(len(weight)), kept


def _ahead(
    scene: _Scene, marks_at: Floats, litres: Floats, slope: Floats, shift: Rows, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """((2, A) levels from the last mark to 100 percent by the sender's step, (n, A) litres there); slopes go on to change."""
    step = scene.marks.step_pct
    count = int(np.ceil((100 - marks_at.min()) / step - 1e-9)) + 1
    levels = np.minimum(marks_at[:, None] + step * np.arange(count + 1), 100.0)
    found = np.empty((len(litres), count + 1))
    found[:, 0] = litres
    usual = np.log(scene.poured_l / max(scene.marks.last_pct - scene.marks.first_pct, step))
    for place in range(1, count + 1):
        rise = levels[shift, place] - levels[shift, place - 1]
        slope = np.clip(slope + _bends(rise, rng), usual - LARGEST_BEND, usual + LARGEST_BEND)
        found[:, place] = found[:, place - 1] + np.exp(slope) * rise
    return levels, found


def _below(start: Floats, slope: Floats, scene: _Scene, rng: np.random.Generator) -> Floats:
    """Litres below the level at which it began."""
    found, left = np.zeros(len(start)), start.copy()
    while (left > 0).any():
        rise = np.minimum(left, scene.marks.step_pct)
        slope = slope + _bends(rise, rng)
        found += np.exp(slope) * rise
        left = left - rise
    return found
