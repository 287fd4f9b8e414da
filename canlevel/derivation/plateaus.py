"""Plateaus: what the level was after each pour of a known number of pours. Readings in, one level or cell for each pour out.

A sender that measures without coarse steps shows rests and rises. They are told apart by the division of least cost
(segments.py: Bellman 1961, Auger and Lawrence 1989, Jackson et al. 2005, Killick et al. 2012) into rests, straight rises, and
what is neither (slosh). More rests than pours are pauses in a pour; fewer are pours that went in together. Which is which the
division of least cost of the rests among the known number of pours says: by how long a rest lasted, and by how much of the
level a litre makes up beside its neighbours.

A sender of coarse steps shows marks being passed, and between them pours may go unseen. What was read after each pour then
follows from the curves that explain the marks (marks.py), drawn by how likely they are.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from canlevel.derivation.marks import Marks
from canlevel.derivation.segments import best_division
from canlevel.derivation.sender import FINEST_PCT, Sender, describe_sender, without_spikes

__all__ = ["Plateaus", "described", "is_stepped", "noise_of", "plateaus_of_marks", "plateaus_of_rests", "settled"]

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]

OF_A_REST, CALM_SHARE, RESTS_SHARE = 9, 0.33, 0.12
MEDIAN_TO_SD = 1.4826  # of a normal variable
CALM_IS_LOW = 0.86  # by which the lower third of such medians is below the usual one: simulated for white noise
COARSE_PCT, COARSE_NOISE = 0.75, 0.3  # a step from which on, and noise in steps up to which, levels are cells
WILD, WILD_PRICE, REST_PRICE = 9.0, 10.0, 15.0  # in squared standard deviations
PAUSE_COST, PAUSE_LONG_COST, TOGETHER_COST, UNSEEN_COST, MISFIT_COST = 1.0, 6.0, 3.0, 1.5, 12.0
PAUSE_S, AS_PIECES = 6.0, 2.0  # a pause is longer, and by so much longer than the others in its pour
LEANS = 3.0  # standard errors of a slope, from which on a rest may be a piece of a rise
AS_LONG, HASTY = 0.6, 0.3  # of the usual rest after a pour
ALIKE = 2.0  # standard errors within which two rests are one
LEANING_COST, SHORT_COST, LATE_COST, SAME_COST = 6.0, 1.0, 15.0, 0.3
SLOPE_SPREADS = (0.35, 0.2, 0.15)  # by logarithm, round after round
SETTLING_PCT = 0.04  # by which slosh and the sender's lag may leave a plateau off, however long it rests


@dataclass(frozen=True, slots=True)
class Plateaus:
    """The level after 0, 1, ... K pours; draining, it falls.

    stepped: whether the level is known as a cell only. level_pct: (K + 1,), as read; nan where it was not seen apart.
    sd_pct: (K + 1,), its standard error without the cell. cells: (P, K + 1), the level as read in each of P ways to count the
    pours, equally likely; one row where there is one way only. begin_s, end_s: (K + 1,), nan where not seen apart.
    pauses: rests that were pauses within a pour. together: pours that were not seen apart from the one before.
    unnamed: rests as long as those after a pour, in pours that were named. hasty: rests after a pour far shorter than others.
    """

    stepped: bool
    step_pct: float
    noise_pct: float
    level_pct: Floats
    sd_pct: Floats
    cells: Floats
    begin_s: Floats
    end_s: Floats
    pauses: int
    together: int
    unnamed: int = 0
    hasty: int = 0


# How the level may rise with the litres, both as parts of a whole, before anything is known: as in a prismatic tank, as in one
# that is narrow at both ends, at the bottom, or at the top.
FIRST_GUESSES: tuple[Callable[[Floats], Floats], ...] = (
    lambda part: part,
    lambda part: 0.5 - np.sin(np.arcsin(1 - 2 * part) / 3),  # a smooth step turned about: steep, flat, steep
    np.sqrt,
    lambda part: 1 - np.sqrt(1 - part),
)


@dataclass(frozen=True, slots=True)
class _Rest:
    begin_s: float
    end_s: float
    level: float
    sd: float
    leaning: float  # how many standard errors its slope is above none: a piece of a rise leans


def noise_of(level: Floats, calm_share: float = CALM_SHARE) -> float:
    """Standard deviation of a reading at rest, percent, by second differences, which no rise disturbs: the median of their
    size, of nine in a row, and of those the lower third (calm_share), in which nothing sloshes."""
    if len(level) < 5:
        return 0.0
    second = np.abs(level[2:] - 2 * level[1:-1] + level[:-2])
    if len(second) < 4 * OF_A_REST:
        return float(MEDIAN_TO_SD * np.median(second) / np.sqrt(6))
    rows = second[: len(second) // OF_A_REST * OF_A_REST].reshape(-1, OF_A_REST)
    calm = float(np.quantile(np.median(rows, axis=1), calm_share))
    return float(MEDIAN_TO_SD * calm / np.sqrt(6)) / CALM_IS_LOW


def is_stepped(step_pct: float, noise_pct: float) -> bool:
    """Whether a reading at rest says in which step the level lies, and no more."""
    return step_pct >= COARSE_PCT and noise_pct < COARSE_NOISE * step_pct


def described(seconds: Floats, level: Floats) -> tuple[Sender, Floats]:
    """The sender by a level that fills, n >= 8 readings, and the readings without spikes. Its noise is that of rests."""
    step = describe_sender(seconds, level).step_pct
    calm = without_spikes(level, step)
    # While it is poured into, a tank sloshes over the marks of a coarse sender for most of the time; where it rests at all,
    # such a sender says one thing.
    return Sender(step, noise_of(calm, RESTS_SHARE if step >= COARSE_PCT else CALM_SHARE)), calm


def plateaus_of_marks(marks: Marks, passed: Floats, pours_l: Floats) -> Plateaus:
    """What a coarse sender read after each pour. passed: (P, J) litres poured at each of its marks, in P likely ways."""
    count = len(pours_l)
    ends = np.concatenate([[0.0], np.cumsum(pours_l)])
    ends[-1] = np.inf  # all were over when the last mark was passed
    over = (passed[:, None, :] <= ends[None, :, None]).sum(axis=2)
    over[:, 0] = 0
    over = np.maximum.accumulate(over, axis=1)
    values = np.concatenate([[marks.first_pct], marks.above])
    cells = values[over]
    agreed = np.flatnonzero((over == over[:1]).all(axis=0))
    blank = np.full(count + 1, np.nan)
    begins, lasted = blank.copy(), blank.copy()
    edges = np.concatenate([[marks.first_s], marks.at_s, [marks.last_s]])
    begins[agreed], lasted[agreed] = edges[over[0, agreed]], edges[over[0, agreed] + 1]
    if len(agreed) == count + 1:
        cells = cells[:1]
    usual = np.median(cells, axis=0)
    # Several marks that one pour passed: where the level stood still for long among them, another pour may have been made.
    rests = lasted - begins
    usual_s = float(np.nanmedian(rests)) if len(agreed) else np.inf
    within = np.diff(marks.at_s)[(over[:, :, None] != np.arange(1, len(marks.at_s))).all(axis=(0, 1))]
    together = int(np.count_nonzero(np.diff(usual) == 0))
    soft = np.full(count + 1, marks.soft_pct)
    return Plateaus(
        True, marks.step_pct, marks.noise_pct, usual, soft, cells, begins, lasted, pauses=0, together=together,
        unnamed=int(np.count_nonzero(within >= AS_LONG * usual_s)),
        hasty=int(np.count_nonzero(rests[1:] < HASTY * usual_s)),
    )  # fmt: skip


def settled(seconds: Floats, level: Floats, *, lasting_s: float = 10.0) -> float | None:
    """The level, if it has rested for so long up to the last reading; else None. For a hint while pouring, no more."""
    late = seconds >= seconds[-1] - lasting_s
    if seconds[-1] - seconds[0] < lasting_s or np.count_nonzero(late) < 3:
        return None
    values = level[late]
    half = len(values) // 2
    moved = abs(float(values[half:].mean() - values[:half].mean()))
    # A level that rests at a mark flickers about it: each half scatters, and the halves are alike.
    flicker = float(np.hypot(values[half:].std(), values[:half].std())) / np.sqrt(2)
    scatter = max(3 * max(noise_of(level[-200:]), FINEST_PCT), 2.5 * flicker)
    calm = moved <= scatter * np.sqrt(2 / max(half, 1)) + 0.05
    return float(np.median(values)) if calm else None


# ---- a sender without coarse steps ----


def plateaus_of_rests(seconds: Floats, level: Floats, sender: Sender, pours_l: Floats) -> Plateaus:
    """What a sender without coarse steps read after each pour. seconds, level: (n,), without spikes. pours_l: (K,)."""
    step, noise = sender.step_pct, sender.noise_pct
    # What rounding leaves once noise has dithered it: the first harmonic of the saw-tooth (Widrow and Kollar, "Quantization
    # noise", 2008).
    spread = max(noise, FINEST_PCT, step / np.sqrt(12))
    dither = step / (np.pi * np.sqrt(2)) * np.exp(-2 * (np.pi * noise / step) ** 2) if step else 0.0
    rests = _rests(seconds, level, spread, float(dither))
    count = len(pours_l)
    chosen = _shared_out(rests, pours_l) if len(rests) > 1 else {0: 0}
    shape = np.full(count + 1, np.nan)
    values, sds, begins, ends = shape.copy(), shape.copy(), shape.copy(), shape.copy()
    for pour, place in chosen.items():
        rest = rests[place]
        values[pour], sds[pour], begins[pour], ends[pour] = rest.level, rest.sd, rest.begin_s, rest.end_s
    # At its ends a level is cut off, and the mean of what noise leaves is off towards the middle.
    near = (np.abs(values) < 3 * noise) | (np.abs(values - 100) < 3 * noise)
    sds = np.where(near, np.hypot(sds, 0.5 * noise), sds)
    together = count + 1 - len(chosen)
    return Plateaus(
        False, step, noise, values, sds, values[None, :], begins, ends, together=together, **_passed_over(rests, chosen)
    )


def _rests(seconds: Floats, level: Floats, spread: float, dither: float) -> list[_Rest]:
    """The rests among the readings, by the division of least cost into rests, straight rises, and what is neither."""
    n = len(level)
    off = (level - level.mean()) / spread
    sums = np.zeros((2, n + 1))
    for row, values in zip(sums, (off, off * off), strict=True):
        np.cumsum(values, out=row[1:])

    def misfits(begins: Rows, ends: Rows) -> tuple[Floats, Floats]:
        count = np.maximum(ends[:, None] - begins, 1)
        y, yy = sums[:, ends, None] - sums[:, None, begins]
        return np.maximum(yy - y * y / count, 0), WILD * count

    def priced(begins: Rows, ends: Rows) -> tuple[Floats, Floats]:
        rest, wild = misfits(begins, ends)
        return np.minimum(rest + REST_PRICE, wild + WILD_PRICE), np.minimum(rest, wild)

    knots = best_division(n, priced)
    found: list[_Rest] = []
    for first, last in pairwise(knots):
        rest, wild = (float(part[0, 0]) for part in misfits(np.array([first]), np.array([last])))
        if rest + REST_PRICE > wild + WILD_PRICE or last - first < 2:
            continue
        late = level[first + (last - first) // 3 : last] if last - first >= 6 else level[first:last]
        # Readings at rest that scatter more than noise does are alike among neighbours: slosh that has not died.
        scatter = float(np.std(late)) if len(late) > 3 else spread
        sd = np.hypot(np.hypot(max(spread, scatter) / np.sqrt(len(late)), dither), SETTLING_PCT)
        at = seconds[last - len(late) : last] - seconds[last - len(late) : last].mean()
        leaning = float(at @ late / np.sqrt(at @ at) / max(spread, 1e-9))
        found.append(_Rest(float(seconds[first]), float(seconds[last - 1]), float(late.mean()), float(sd), leaning))
    return found


def _shared_out(rests: list[_Rest], pours_l: Floats) -> dict[int, int]:
    """{pours so far: place of the rest that shows the level then}."""
    total = np.concatenate([[0.0], np.cumsum(pours_l)])
    rise = max(rests[-1].level - rests[0].level, 1e-3)
    count = len(pours_l)
    chosen: dict[int, int] = {0: 0, count: len(rests) - 1}
    least = np.inf
    costs = _costs(rests, count)
    for guess in FIRST_GUESSES:
        guessed = np.maximum(rise * np.diff(guess(total / total[-1])), 1e-6) / pours_l
        slopes = guessed
        for spread in SLOPE_SPREADS:
            found = _least_cost(rests, costs, total, slopes, spread)
            if found is None:
                break
            cost, path = found
            slopes = _smooth_slopes(rests, total, path, guessed)
        else:
            if cost < least:
                least, chosen = cost, path
    return chosen


def _passed_over(rests: list[_Rest], chosen: dict[int, int]) -> dict[str, int]:
    """How many rests were pauses, unnamed, hasty; see Plateaus. The pieces of a slow rise are alike."""
    taken = sorted(set(chosen.values()))
    lasting = [rests[place].end_s - rests[place].begin_s for place in taken]
    usual = float(np.median(lasting))
    counts = {"pauses": 0, "unnamed": 0, "hasty": 0}
    for before, after in pairwise(taken):
        between = rests[before + 1 : after]
        lasted = np.array([rest.end_s - rest.begin_s for rest in between])
        for place, rest in enumerate(between):
            others = np.delete(lasted, place)
            pieces_s = float(np.median(others)) if len(others) else 0.0
            piece = lasted[place] < AS_PIECES * pieces_s and not (
                lasted[place] >= AS_LONG * usual and rest.leaning < LEANS
            )
            if lasted[place] < PAUSE_S or piece or any(_alike(rest, rests[p]) for p in (before, after)):
                continue
            counts["unnamed" if lasted[place] >= AS_LONG * usual else "pauses"] += 1
    counts["hasty"] = sum(1 for each in lasting[1:] if each < HASTY * usual)
    return counts


def _alike(one: _Rest, other: _Rest) -> bool:
    return abs(one.level - other.level) < ALIKE * float(np.hypot(one.sd, other.sd))


@dataclass(frozen=True, slots=True)
class _Costs:
    """What does not depend on the slopes. furthest: rests from one plateau to the next. rhythm: usual time between pours.
    pause: (m,) of passing over a rest. skipped: (m, m) of passing over all between two. unlike: (m,) of taking it
    for a plateau.
    """

    furthest: int
    rhythm: float
    pause: Floats
    skipped: Floats
    unlike: Floats


def _costs(rests: list[_Rest], count: int) -> _Costs:
    rows = len(rests)
    lasting = np.array([rest.end_s - rest.begin_s for rest in rests])
    usual = max(float(np.median(np.sort(lasting)[-(count + 1) :])), 1e-3)
    pause = np.minimum(PAUSE_COST * np.minimum(1, lasting / 5) + PAUSE_LONG_COST * lasting / usual, 40.0)
    # A plateau does not lean, and is not much shorter than others are.
    leaning = np.array([rest.leaning for rest in rests])
    unlike = np.minimum(0.5 * np.maximum(leaning - 1, 0) ** 2, LEANING_COST)
    unlike += np.minimum(SHORT_COST * np.log(np.minimum(lasting / usual, 1.0) + 0.01) ** 2, LEANING_COST)
    level, sd = (np.array([getattr(rest, name) for rest in rests]) for name in ("level", "sd"))
    alike = np.abs(level[:, None] - level) < ALIKE * np.hypot(sd[:, None], sd)
    furthest = max(8, 4 * rows // count + 4)
    skipped = np.zeros((rows, rows))
    for before in range(rows):
        some = slice(before + 1, min(before + furthest + 1, rows))
        # Rests between two belong to one of them, or are pauses.
        each = np.where(alike[some, before][:, None] | alike[some, some], SAME_COST, pause[some][:, None])
        skipped[before, some] = np.triu(each, 1).sum(axis=0)
    rhythm = max((rests[-1].begin_s - rests[0].begin_s) / count, 1e-3)
    return _Costs(furthest, rhythm, pause, skipped, unlike)


def _least_cost(
    rests: list[_Rest], costs: _Costs, total: Floats, slopes: Floats, spread: float
) -> tuple[float, dict[int, int]] | None:
    rows, count = len(rests), len(total) - 1
    begins, level, sd = (np.array([getattr(rest, name) for rest in rests]) for name in ("begin_s", "level", "sd"))
    pause, unlike = costs.pause, costs.unlike
    paused = np.concatenate([[0.0], np.cumsum(pause)])
    rising = np.concatenate([[0.0], np.cumsum(slopes * np.diff(total))])  # (K + 1,) level expected after each pour
    most_together = max(4, 2 * count // max(rows - 1, 1) + 2)
    best = np.full((rows, count + 1), np.inf)
    come_from = np.full((rows, count + 1, 2), -1)
    # What is heard first is the level before the first pour, unless the recording begins in the midst of it.
    best[:, 0] = [SAME_COST * place + unlike[place] if _alike(rest, rests[0]) else LATE_COST + paused[place] + unlike[place]
                  for place, rest in enumerate(rests)]  # fmt: skip
    togethers = range(1, min(most_together, count) + 1)
    expected = {many: np.maximum(rising[many:] - rising[:-many], 1e-6) for many in togethers}
    for place in range(1, rows):
        first = max(0, place - costs.furthest)
        change = level[place] - level[first:place]  # (b,) from each rest before
        error = np.hypot(sd[place], sd[first:place])
        skipped = np.where(change < -3 * error, np.inf, costs.skipped[first:place, place])
        room = begins[place] - begins[first:place]
        for many, rise in expected.items():
            relative = np.log(np.maximum(change[:, None], 0.05 * rise) / rise)  # (b, K + 1 - many)
            misfit = np.minimum(0.5 * relative**2 / (spread**2 + (error[:, None] / rise) ** 2), MISFIT_COST)
            each = np.where(room > 0.7 * many * costs.rhythm, UNSEEN_COST, TOGETHER_COST) * (many - 1)
            cost = best[first:place, :-many] + misfit + (skipped + each)[:, None] + unlike[place]
            before = np.argmin(cost, axis=0)
            least = cost[before, np.arange(cost.shape[1])]
            better = least < best[place, many:]
            best[place, many:][better] = least[better]
            come_from[place, many:, 0][better] = first + before[better]
            come_from[place, many:, 1][better] = many
    after = LATE_COST + paused[-1] - paused[1:]
    for place, rest in enumerate(rests):
        if _alike(rest, rests[-1]):
            after[place] = SAME_COST * (rows - 1 - place)
    ends = best[:, count] + after
    pours, place = count, int(np.argmin(ends))
    if not np.isfinite(ends[place]):
        return None
    chosen = {}
    while place >= 0:
        chosen[pours] = place
        place, many = come_from[place, pours].tolist()
        if place >= 0:
            pours -= many
    return float(np.min(ends)), dict(sorted(chosen.items()))


def _smooth_slopes(rests: list[_Rest], total: Floats, chosen: dict[int, int], guessed: Floats) -> Floats:
    """(K,) percent a litre over each pour: the guess times the median of what five pours around are off it."""
    pours = np.array(list(chosen))
    level = np.array([rests[place].level for place in chosen.values()])
    expected = np.diff(np.concatenate([[0.0], np.cumsum(guessed * np.diff(total))])[pours])
    off = np.log(np.maximum(np.diff(level), 1e-6) / np.maximum(expected, 1e-9))
    middle = (total[pours[1:]] + total[pours[:-1]]) / 2
    return np.asarray(guessed * np.exp(np.interp((total[1:] + total[:-1]) / 2, middle, _middle_of_neighbours(off))))


def _middle_of_neighbours(values: Floats) -> Floats:
    return np.array([np.median(values[max(0, i - 2) : i + 3]) for i in range(len(values))])
