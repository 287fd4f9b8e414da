"""Calibration: known amounts poured into a tank, and its readings. In: readings and pours. Out: litres at every level.

What is known: after k pours the tank holds V_k litres, to within what the can is off, and the sender read a level (plateaus.py)
or, of a sender of coarse steps, when it passed from one step to the next (marks.py). What is sought: the litres V(h) at every
true level h, and with it the capacity V(100 %).

Two kinds of curves are held against that. A *shape* has one unknown, the capacity C: V = C f(h), with f prismatic, of a lying
cylinder (the circular segment of the handbooks), or of a wedge either way up. It is tried for each C of a grid. The *table* has
the level at every plateau as an unknown: the logarithms of the percent that a litre makes, from pour to pour, change by a
t-distributed step of two degrees of freedom, so that walls may be straight, bend, or have a kink; drawn by Metropolis' way
(Metropolis et al., "Equation of state calculations by fast computing machines", 1953), many chains at a time.

A plateau is the mean of its readings with its standard error; what the can is off adds up from pour to pour, and so do its
covariances.

Shape or table, and which shape: by Schwarz's criterion, L - p/2 log n (G. Schwarz, "Estimating the dimension of a model",
Annals of Statistics 6, 1978), so that a shape with its one unknown is preferred where it fits as well; for marks, the evidence
itself. The range of the capacity is that over all of them, each with its weight (A. E. Raftery, "Bayesian model selection in
social research", 1995).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.derivation.marks import Marks, fits_of_marks, marks_passed
from canlevel.derivation.plateaus import Plateaus, described, is_stepped, plateaus_of_marks, plateaus_of_rests
from canlevel.derivation.series import Series, series_of
from canlevel.errors import QueryError
from canlevel.roster import PRISMATIC, SHAPES, TABLE, Shape, cylinder_fraction
from canlevel.words import counted

__all__ = [
    "CAN_ERROR",
    "FEWEST_POURS",
    "Calibration",
    "Plateau",
    "TablePoint",
    "calibrate_levels",
    "calibrate_tank",
    "series_to_calibrate",
]

Floats = NDArray[np.float64]

LEAST_ERROR = 0.002  # no sender is straight, and no pour known, to less
CAN_ERROR = 0.01  # within which a pour is what the can says, in 95 of 100 cases
FEWEST_POURS = 3
FEWEST_READINGS = 8
PRIORS = {PRISMATIC: 0.4, "horizontal_cylinder": 0.2, "wedge": 0.1, "wedge_upside_down": 0.1, TABLE: 0.2}
WORST_MISFIT = 25.0  # squared standard deviations; what is further off says no more
MOST_DRAWS = 2000
WAYS = 48  # to count the pours of a coarse sender that are carried along
LEAST_WEIGHT = 0.02
TABLE_UNKNOWNS = 8  # at most
LEVELS = np.linspace(0.0, 100.0, 401)
FREEDOM, BEND = 2.0, 0.2  # of the steps of a table's logarithms of slope, for a tenth of the litres
CLOSING, CLOSING_SPREAD = 2.0, 1.2  # how much more than before walls close in, and the spread of its logarithm
CHAINS, ROUNDS, BURNT, KEPT = 64, 500, 200, 10
ENDED, ENDED_AT_MOST = 0.02, 4.0  # by which a fit may miss what filled the tank, logarithm; and at most so many of it
SETTLED_PCT = 0.3  # within which a level is that of an empty or a full tank, beyond its error
FALLS_PCT = 2.0
UNSEEN_PCT = 15.0  # of the height, that was not reached
GUESS = 0.1  # half the range of a capacity, as a part of it
AT_TOP_PCT = 0.1  # within which a level is at the top
STAYED = 0.6  # of the rise that the last pours should have made: below it the level stayed at the top
STAYED_AT_TOP = (
    "the level stayed at the top for the last pours: the tank ran over, its sender ends below the top, or fewer were made; "
    "the range reaches up to what was named"
)
ZERO_PCT = 0.2  # by which a sender's zero may be off. Common practice, no source.


@dataclass(frozen=True, slots=True)
class Plateau:
    """Where the level came to rest. pours: how many were over. litres: in all, poured in or taken out until then.

    level_pct, low_pct, high_pct: as read, and between which the true level lies; None where it was not seen apart from others.
    begin_s, end_s: since the first reading.
    """

    pours: int
    litres: float
    level_pct: float | None
    low_pct: float | None
    high_pct: float | None
    begin_s: float | None
    end_s: float | None


@dataclass(frozen=True, slots=True)
class TablePoint:
    """Litres at a level as it is read, with their 95 % range. extrapolated: below the first plateau or above the last."""

    level_pct: float
    litres: float
    low_l: float
    high_l: float
    extrapolated: bool


@dataclass(frozen=True, slots=True)
class Calibration:
    """What a tank holds. capacity_l with its 95 % range. shape: the one chosen, or "table".

    weights: how much speaks for each shape and the table, 1 in all;
    a table that fits far worse than a shape for its number of unknowns is not listed.
    start_known: whether it began empty (drained: full). end_known: whether it ended full (drained: empty).
    step_pct, noise_pct: the sender's. points: the table, rising, from 0 to 100 %. notes: what the technician should know.
    """

    capacity_l: float
    capacity_low_l: float
    capacity_high_l: float
    shape: str
    weights: dict[str, float]
    points: tuple[TablePoint, ...]
    plateaus: tuple[Plateau, ...]
    pours_l: tuple[float, ...]
    drain: bool
    start_known: bool
    end_known: bool
    start_l: float
    start_low_l: float
    start_high_l: float
    can_error: float
    step_pct: float
    noise_pct: float
    stepped: bool
    notes: tuple[str, ...]

    @property
    def table(self) -> tuple[tuple[float, float], ...]:
        """(level_pct, litres) pairs, rising, as a roster has them."""
        return tuple((point.level_pct, point.litres) for point in self.points)

    @property
    def roster_shape(self) -> Shape:
        """The shape for a roster's entry."""
        return Shape(TABLE, self.table) if self.shape == TABLE else Shape(self.shape)


@dataclass(frozen=True, slots=True)
class _Data:
    """Plateaus in the order of rising litres. x: (K + 1,) litres above the lowest. level, sd: (K + 1,), nan where unknown."""

    x: Floats
    level: Floats
    sd: Floats
    pours: Floats
    spread_l: float  # standard deviation of a pour, as a part of it
    zero_pct: float  # standard deviation of what a sender reads of an empty tank
    ends: _Ends

    @property
    def whole(self) -> float:
        return float(self.x[-1])


@dataclass(frozen=True, slots=True)
class _Ends:
    """Whether the lowest plateau is an empty tank, and the highest a full one."""

    empty: bool
    full: bool


@dataclass(frozen=True, slots=True)
class _Fit:
    """One kind of curve. log_evidence: what speaks for it, its unknowns counted. curves: (N, G) litres at LEVELS, N draws.

    shifts: (N,) by which a reading is below the true level. starts: (N,) litres before the first pour.
    passed: (N, J) litres poured when each mark of a coarse sender was passed.
    """

    kind: str
    log_evidence: float
    curves: Floats
    shifts: Floats
    starts: Floats
    passed: Floats


def calibrate_levels(
    seconds: Floats,
    level_pct: Floats,
    pours_l: Sequence[float],
    *,
    drain: bool = False,
    start_known: bool = True,
    end_known: bool = False,
    can_error: float = CAN_ERROR,
    seed: int = 7,
) -> Calibration:
    """The calibration of a tank by known amounts. seconds, level_pct: (n,) its readings, in the order of time.

    pours_l: litres, in order. drain: taken out, not poured in. start_known: it was empty before the first pour, or, drained,
    full. end_known: it was full after the last, or, drained, empty. can_error: part of a pour within which it is what was
    said, 95 %. seed: of the draws; the same gives the same.
    Raises QueryError where no calibration can be made of them, with what is wrong.
    """
    pours = np.asarray(pours_l, np.float64)
    _check(seconds, level_pct, pours, can_error)
    if end_known and not start_known:
        raise QueryError(
            "an end that is known says nothing of a tank whose start is not",
            next_step="begin with an empty tank (--drain: a full one), or leave --ends out",
        )
    order = np.argsort(seconds, kind="stable")
    seconds, level = seconds[order] - seconds[order[0]], level_pct[order]
    rising = 100 - level if drain else level
    _refuse_unmoved(rising, drain)
    seconds, rising = _poured_part(seconds, rising)
    sender, rising = described(seconds, rising)
    rng = np.random.default_rng(seed)
    if is_stepped(sender.step_pct, sender.noise_pct):
        marks = marks_passed(seconds, rising, sender.step_pct, sender.noise_pct)
        _refuse_few(len(np.unique(np.append(marks.above, marks.first_pct))), drain)
        fits = _fits_of_marks(marks, pours, drain=drain, start_known=start_known, rng=rng)
        fits = _ended(fits, float(pours.sum()), rng, drain=drain) if end_known else fits
        weights = _shares(fits)
        found = plateaus_of_marks(
            marks, np.array([fits[i].passed[row] for i, row in _drawn(fits, weights, WAYS, rng)]), pours
        )
    else:
        found = plateaus_of_rests(seconds, rising, sender, pours)
        below = None if drain or end_known else _pours_below_the_top(found, pours)
        if below is not None and below[0] >= FEWEST_POURS:
            until = seconds <= below[1]
            within = calibrate_levels(
                seconds[until],
                rising[until],
                pours_l[: below[0]],
                start_known=start_known,
                can_error=can_error,
                seed=seed,
            )
            return _overfilled(within, found, pours)
        seen = found.level_pct[~np.isnan(found.level_pct)]
        _refuse_few(int(np.count_nonzero(np.diff(seen) > found.noise_pct)) + 1, drain)
        fits = _fits_of_rests(found, pours, drain=drain, start_known=start_known, can_error=can_error, rng=rng)
        fits = _ended(fits, float(pours.sum()), rng, drain=drain) if end_known else fits
        weights = _shares(fits)
    ends = _ends(found, drain=drain, start_known=start_known)
    chosen = fits[int(np.argmax(weights))]
    # What the can's mark is off, the same for every pour; and each pour for itself, where the fits do not know of it.
    alone = np.sum(pours**2) / np.sum(pours) ** 2 if found.stepped else 0.0
    common = np.exp(rng.normal(0, max(can_error, LEAST_ERROR) / 2 * np.sqrt(1 + alone), MOST_DRAWS))
    drawn = _drawn(fits, weights, MOST_DRAWS, rng)
    curves, shifts, starts = (
        np.array([getattr(fits[i], name)[row] for i, row in drawn]) for name in ("curves", "shifts", "starts")
    )
    curves *= common[:, None]
    starts *= common
    low, high = np.quantile(curves[:, -1], [0.025, 0.975])
    capacity = _likeliest(chosen.curves[:, -1], found.step_pct / 100 if found.stepped else 0.0)
    # A tank holds what was poured in, unless it ran over, and what was taken out.
    more = float(pours.sum()) * (1 - max(can_error, LEAST_ERROR)) > high
    high = max(float(high), float(pours.sum())) if more else float(high)
    told = _notes(found, ends, pours, drain=drain, start_known=start_known, more=more)
    if not end_known:
        told += _notes_of_range(found, float(low), high, drain, start_known=start_known)
    return Calibration(
        capacity_l=capacity,
        capacity_low_l=min(float(low), capacity),
        capacity_high_l=max(high, capacity),
        shape=chosen.kind,
        weights={fit.kind: round(float(weight), 3) for fit, weight in zip(fits, weights, strict=True)},
        points=_points(chosen, curves, shifts, ends, found, drain=drain),
        plateaus=_plateaus(found, pours, drain=drain),
        pours_l=tuple(pours.tolist()),
        drain=drain,
        start_known=start_known,
        end_known=end_known,
        start_l=float(np.median(starts)),
        start_low_l=float(np.quantile(starts, 0.025)),
        start_high_l=float(np.quantile(starts, 0.975)),
        can_error=can_error,
        step_pct=found.step_pct,
        noise_pct=found.noise_pct,
        stepped=found.stepped,
        notes=tuple(told),
    )


def calibrate_tank(
    readings: pa.Table,
    tank: str,
    pours_l: Sequence[float],
    *,
    source_address: int | None = None,
    drain: bool = False,
    start_known: bool = True,
    end_known: bool = False,
    can_error: float = CAN_ERROR,
) -> Calibration:
    """The calibration of one tank among READINGS; the arguments are those of calibrate_levels and series_to_calibrate."""
    series = series_to_calibrate(readings, tank, source_address)
    return calibrate_levels(
        series.seconds,
        series.level_pct,
        pours_l,
        drain=drain,
        start_known=start_known,
        end_known=end_known,
        can_error=can_error,
    )


def series_to_calibrate(readings: pa.Table, tank: str, source_address: int | None = None) -> Series:
    """The readings of one tank id, from a source address where several devices send it.

    Raises QueryError where READINGS have no such tank, no level of it, or several devices send it and none was named.
    """
    heard = sorted(set(readings.column("tank").unique().to_pylist()))
    if tank not in heard:
        raise QueryError(
            f'there is no tank "{tank}" in what was heard',
            next_step=f"use one of: {', '.join(heard) or '(none was heard)'}",
        )
    found = [one for one in series_of(readings) if one.tank == tank]
    if not found:
        raise QueryError(
            f"the device sends no level of {tank}", next_step="see canlevel explain: its sender may not be connected"
        )
    addresses = sorted({one.source_address for one in found})
    if source_address is None and len(addresses) > 1:
        raise QueryError(
            f"{tank} comes from several devices: {', '.join(map(str, addresses))}",
            next_step=f"say which one, for example --source-address {addresses[0]}; see canlevel explain (identity-clash)",
        )
    found = [one for one in found if source_address in (None, one.source_address)]
    if not found:
        raise QueryError(
            f"{tank} does not come from the source address {source_address}",
            next_step=f"use one of: {', '.join(map(str, addresses))}",
        )
    if len(found) > 1:
        raise QueryError(
            f"{tank} was heard on several buses, or of several vessels", next_step="give the recording of one bus alone"
        )
    return found[0]


# ---- what cannot be calibrated ----


def _check(seconds: Floats, level: Floats, pours: Floats, can_error: float) -> None:
    if len(pours) < FEWEST_POURS:
        raise QueryError(
            f"{counted(len(pours), 'pour')} cannot tell a tank's shape",
            next_step=f"pour at least {FEWEST_POURS} times, better ten: --pours 10,10,10 or --pour 10 --count 12",
        )
    if not (np.isfinite(pours).all() and (pours > 0).all()):
        raise QueryError("every pour needs a number above 0", next_step="write them like --pours 10,10,7.5")
    if not 0 <= can_error < 0.5:
        raise QueryError(
            "the can's error is a part of what is poured, from 0 to 50 %", next_step="leave --can-error out"
        )
    if len(level) < FEWEST_READINGS:
        raise QueryError(
            f"{counted(len(level), 'reading')} of this tank: too few",
            next_step="record from before the first pour until the level has come to rest after the last",
        )
    if not (np.isfinite(seconds).all() and np.isfinite(level).all()):
        raise QueryError("readings without a time or a level cannot be calibrated by")


def _refuse_unmoved(rising: Floats, drain: bool) -> None:
    quarter = max(len(rising) // 8, 2)
    first, last = float(np.median(rising[:quarter])), float(np.median(rising[-quarter:]))
    verb, other = ("taken out", "poured in") if drain else ("poured in", "taken out")
    if np.ptp(rising) == 0:
        at = 100 - rising[0] if drain else rising[0]
        raise QueryError(
            f"the level never moved: all readings are {at:.4g} %",
            next_step="see canlevel explain: a sender that is stuck or not connected, or another tank than the one filled",
        )
    if last < first - FALLS_PCT and float(rising.max()) < first + FALLS_PCT:
        raise QueryError(
            f"the level {'rises' if drain else 'falls'} while water is {verb}, from {_real(first, drain):.1f} to "
            f"{_real(last, drain):.1f} %",
            next_step=f"the sender is wired or set up the wrong way round (a roster cannot turn it), or water was {other}: "
            f"then {'leave out --drain' if drain else 'use --drain'}",
        )


def _real(level: float, drain: bool) -> float:
    return 100 - level if drain else level


def _poured_part(seconds: Floats, rising: Floats) -> tuple[Floats, Floats]:
    """Without what came before the lowest level, such as the tank being emptied, and after the highest."""
    width = max(len(rising) // 200, 1) * 2 + 1
    smooth = np.median(np.lib.stride_tricks.sliding_window_view(np.pad(rising, width // 2, mode="edge"), width), axis=1)
    range_pct = float(np.ptp(smooth))
    near = max(0.02 * range_pct, 0.5)
    last = int(np.flatnonzero(smooth >= smooth.max() - near)[-1])
    bottom = float(smooth[: last + 1].min())
    above = np.flatnonzero(smooth[: last + 1] > bottom + 0.2 * range_pct)
    lows = np.flatnonzero(smooth[: last + 1] <= bottom + near)
    # The last time that it was low, and from there back as long as it was.
    low = int(lows[-1])
    earlier = above[above < low]
    first = int(earlier[-1]) + 1 if len(earlier) else 0
    first = int(lows[lows >= first][0]) if first else 0
    return seconds[first : last + 1], rising[first : last + 1]


def _refuse_few(apart: int, drain: bool) -> None:
    if apart < 3:
        raise QueryError(
            f"the level came to rest at {counted(apart, 'place')} only: too few plateaus for a table",
            next_step=f"{'take out' if drain else 'pour'} more, and wait after each until the level stays (30 s and longer)",
        )


# ---- which curve ----


def _shares(fits: list[_Fit]) -> Floats:
    """(F,) how much speaks for each, 1 in all."""
    scores = np.array([fit.log_evidence + np.log(PRIORS[fit.kind]) for fit in fits])
    weights = np.exp(scores - scores.max())
    return np.asarray(weights / weights.sum())


def _likeliest(capacity: Floats, wide: float) -> float:
    """The capacity that most of the draws are near to, within half of a window so wide (a part of it)."""
    ordered = np.sort(capacity)
    beyond = np.searchsorted(ordered, ordered * (1 + wide), side="right")
    first = int(np.argmax(beyond - np.arange(len(ordered))))
    inside = ordered[first : beyond[first]] if wide else ordered
    return float(np.median(inside)) if not wide else float(np.quantile(inside, [0.025, 0.975]).mean())


def _drawn(fits: list[_Fit], weights: Floats, count: int, rng: np.random.Generator) -> list[tuple[int, int]]:
    """(which fit, which of its draws), count of them, each fit by its weight."""
    share = np.repeat(np.arange(len(fits)), rng.multinomial(count, weights))
    return [(int(i), int(rng.integers(len(fits[i].curves)))) for i in share]


def _ended(fits: list[_Fit], poured_l: float, rng: np.random.Generator, *, drain: bool) -> list[_Fit]:
    """The fits of a tank that holds what was poured: their draws that come near it, drawn to it.

    Where none comes near, the sender does not reach the end: the likeliest is cut off there, and is a table.
    """
    kept = []
    for fit in fits:
        off = np.log(fit.curves[:, -1] / poured_l) / ENDED
        likely = np.exp(-0.5 * off**2)
        if np.abs(off).min() > ENDED_AT_MOST:
            continue
        rows = rng.choice(len(likely), MOST_DRAWS, p=likely / likely.sum())
        drawn = poured_l / fit.curves[rows, -1]
        kept.append(
            _Fit(
                fit.kind,
                fit.log_evidence + float(np.log(likely.mean())),
                fit.curves[rows] * drawn[:, None],
                fit.shifts[rows],
                fit.starts[rows] * drawn,
                fit.passed[rows],
            )
        )
    if kept:
        return kept
    best = fits[int(np.argmax(_shares(fits)))]
    if drain:
        curves = np.maximum(best.curves - (best.curves[:, -1:] - poured_l), 0.0)
    else:
        curves = np.minimum(best.curves, poured_l)
    curves[:, -1] = poured_l
    return [replace(best, kind=TABLE, curves=curves, starts=np.full(len(curves), poured_l if drain else 0.0))]


def _ends(found: Plateaus, *, drain: bool, start_known: bool) -> _Ends:
    """An empty tank reads about nothing, if its sender reaches the bottom; a full one about everything."""
    first = float(np.nanmedian(found.cells[:, 0]))  # how far the level has moved from its end, in either case
    reach = found.step_pct + SETTLED_PCT if found.stepped else SETTLED_PCT + found.noise_pct
    at_end = start_known and first <= reach
    return _Ends(empty=at_end and not drain, full=at_end and drain)


def _fits_of_marks(
    marks: Marks, pours: Floats, *, drain: bool, start_known: bool, rng: np.random.Generator
) -> list[_Fit]:
    fits = []
    for one in fits_of_marks(marks, pours, LEVELS, drain=drain, start_known=start_known, rng=rng):
        # Litres count from the level before the first pour; of a tank that is drained, they are those of its air.
        rose, above = one.curves, one.curves[:, -1:]
        curves = above - rose[:, ::-1] if drain else rose - rose[:, :1]
        starts = above[:, 0] if drain else -rose[:, 0]
        fits.append(_Fit(one.kind, one.log_evidence, curves, np.abs(one.shifts), starts, one.passed))
    return fits


def _fits_of_rests(
    found: Plateaus, pours: Floats, *, drain: bool, start_known: bool, can_error: float, rng: np.random.Generator
) -> list[_Fit]:
    data = _data(found, pours, drain=drain, start_known=start_known, can_error=can_error)
    told = max(int(np.count_nonzero(~np.isnan(found.level_pct))), 2)
    fits = [_fit_shape(kind, data, told, drain=drain, start_known=start_known, rng=rng) for kind in SHAPES]
    # The table goes through every plateau. Its slopes go on from pour to pour as they were, but for a few bends: beyond those
    # few, another plateau is no other unknown. It is drawn only where it may matter.
    evidence = -min(told, TABLE_UNKNOWNS) / 2 * float(np.log(told))
    best = max(fit.log_evidence + np.log(PRIORS[fit.kind]) for fit in fits)
    if evidence + np.log(PRIORS[TABLE]) > best + np.log(LEAST_WEIGHT):
        fits.append(_fit_table(data, evidence, rng, start_known=start_known, drain=drain))
    return fits


def _data(found: Plateaus, pours: Floats, *, drain: bool, start_known: bool, can_error: float) -> _Data:
    total = np.concatenate([[0.0], np.cumsum(pours)])
    level, sd = found.level_pct, found.sd_pct
    x = total
    if drain:
        level, sd = 100 - level[::-1], sd[::-1]
        x = total[-1] - total[::-1]
        pours = pours[::-1]
    zero = float(np.hypot(ZERO_PCT, found.step_pct / 2))  # it may tell the last of its steps, not the nearest
    return _Data(x, level, sd, pours, can_error / 2, zero, _ends(found, drain=drain, start_known=start_known))


# ---- shapes ----


def _depths(kind: str) -> Callable[[Floats], Floats]:
    """Relative depth at a part of the capacity; beyond the ends it goes on in a straight line."""
    grid = np.linspace(0, 1, 4001) ** 2 / 2
    grid = np.concatenate([grid, 1 - grid[-2::-1]])  # close together at both ends
    inside: dict[str, Callable[[Floats], Floats]] = {
        PRISMATIC: lambda part: part,
        "horizontal_cylinder": lambda part: np.interp(part, cylinder_fraction(grid), grid),
        "wedge": np.sqrt,
        "wedge_upside_down": lambda part: 1 - np.sqrt(1 - part),
    }
    return lambda part: inside[kind](np.clip(part, 0, 1)) + np.maximum(part - 1, 0) + np.minimum(part, 0)


def _fit_shape(kind: str, data: _Data, told: int, *, drain: bool, start_known: bool, rng: np.random.Generator) -> _Fit:
    depth = _depths(kind)

    def tried(capacity: Floats, apart: Floats, data: _Data) -> Floats:
        """(M,) log likelihoods."""
        below = apart[:, None] + data.x if not drain else (capacity - apart)[:, None] - data.whole + data.x
        return _log_likelihoods(100 * depth(below / capacity[:, None]), data)

    # By how much the tank was not empty, or not full.
    off = np.zeros(1) if start_known else np.linspace(0, 1.2, 61) ** 2 * data.whole
    capacity = data.whole * np.exp(np.linspace(np.log(0.4), np.log(12), 400))
    for narrower in range(3):
        pairs = np.stack(np.meshgrid(capacity, off, indexing="ij"), axis=-1).reshape(-1, 2)
        # While the grid is wider than the peak may be, levels count as less certain, so that no peak falls between two lines.
        loose = 0.0 if narrower == 2 else 50 * np.log(capacity[1] / capacity[0])
        loose += 0.0 if len(off) == 1 or narrower == 2 else 50 * (off[-1] - off[-2]) / data.whole
        likely = tried(pairs[:, 0], pairs[:, 1], replace(data, sd=np.hypot(data.sd, loose)))
        best = likely.max()
        good = pairs[likely > best - 12]
        if narrower == 2:
            break
        step = np.log(capacity[1] / capacity[0])
        # The peak may lie between two lines of the grid: near the top of a tank that narrows a level needs few litres.
        least, most = np.log([good[:, 0].min(), good[:, 0].max()]) + np.array([-step, step])
        capacity = np.exp(np.linspace(least, most, 400 if start_known else 120))
        if not start_known:
            apart = off[1] - off[0] if narrower else 0.02 * data.whole
            off = np.linspace(max(good[:, 1].min() - apart, 0), good[:, 1].max() + apart, 61)
    weight = np.exp(likely - best)
    drawn = rng.choice(len(weight), MOST_DRAWS, p=weight / weight.sum())
    width = np.log(capacity[1] / capacity[0])
    capacities = pairs[drawn, 0] * np.exp(rng.uniform(-width / 2, width / 2, MOST_DRAWS))
    curves = capacities[:, None] * (Shape(kind).volume_l(LEVELS, np.ones(len(LEVELS))))[None, :]
    unknowns = 1 if start_known else 2
    return _fit_of(kind, float(best) - unknowns / 2 * float(np.log(told)), curves, data, start_known, drain)


def _fit_of(kind: str, evidence: float, curves: Floats, data: _Data, start_known: bool, drain: bool) -> _Fit:
    """Of a sender without coarse steps. The start follows from the level before the first pour."""
    if start_known:
        starts = curves[:, -1].copy() if drain else np.zeros(len(curves))
    else:
        level = float(data.level[-1 if drain else 0])
        starts = np.array([np.interp(level, LEVELS, curve) for curve in curves])
    return _Fit(kind, evidence, curves, np.zeros(len(curves)), starts, np.empty((len(curves), 0)))


def _log_likelihoods(level: Floats, data: _Data) -> Floats:
    """(M,) log likelihoods of (M, K + 1) true levels."""
    poured = np.sqrt(np.concatenate([[0.0], np.cumsum(data.pours**2)])) * data.spread_l
    known = np.flatnonzero(~np.isnan(data.level))
    middle = level[np.argmin(np.nansum((level[:, known] - data.level[known]) ** 2, axis=1))]
    slope = np.gradient(middle, data.x)[known]
    adds_up = poured[np.minimum.outer(known, known)] ** 2 * np.outer(slope, slope)
    root = np.linalg.cholesky(np.diag(data.sd[known] ** 2) + adds_up + data.zero_pct**2)
    off = np.linalg.solve(root, (level[:, known] - data.level[known]).T)
    # Two shapes are compared by the same errors but for the slopes: the determinant is left out.
    return np.asarray(-0.5 * np.minimum(off**2, WORST_MISFIT).sum(axis=0))


# ---- the table ----


def _fit_table(data: _Data, evidence: float, rng: np.random.Generator, *, start_known: bool, drain: bool) -> _Fit:
    curves = _curves(_drawn_levels(data, rng), data, rng, from_bottom=start_known and not drain)
    independent = np.sqrt(np.sum(data.pours**2)) / data.whole * data.spread_l
    curves *= np.exp(rng.normal(0, independent, len(curves)))[:, None]
    return _fit_of(TABLE, evidence, curves, data, start_known, drain)


def _drawn_levels(data: _Data, rng: np.random.Generator) -> Floats:
    """(N, K + 1) true levels at the plateaus, N draws."""
    dx = np.diff(data.x)
    count = len(dx)
    known = ~np.isnan(data.level)
    start = np.interp(data.x, data.x[known], np.maximum.accumulate(data.level[known]))
    usual = float(np.nanmedian(data.sd))
    least = 0.1 * usual / count  # so that it rises, and is not off
    start = np.maximum.accumulate(start) + least * np.arange(count + 1)
    if data.ends.empty:
        start = np.maximum(start, least * np.arange(count + 1))
        start[0] = 0.0
    if data.ends.full:
        start = np.minimum(start, 100 - least * np.arange(count + 1)[::-1])
        start[-1] = 100.0
    h = np.repeat(start[None, :], CHAINS, axis=0)
    bend = BEND * np.sqrt(10 * (dx[1:] + dx[:-1]) / 2 / data.whole)

    def bends(h: Floats) -> tuple[Floats, Floats]:
        """Logarithms of the slopes (R, K), and of how likely their changes are (R, K - 1)."""
        rises = np.diff(h, axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            slopes = np.where(rises > 0, np.log(np.maximum(rises, 1e-12) / dx), -np.inf)
            change = np.diff(slopes, axis=1) / bend
            logs = -(FREEDOM + 1) / 2 * np.log1p(change**2 / FREEDOM)
        return slopes, np.where(np.isfinite(change), logs, -np.inf)

    def fits(h: Floats) -> Floats:
        """(R, K + 1) logarithms of how likely the readings are."""
        off = (h - data.level) / data.sd
        return np.where(np.isnan(off), 0.0, -0.5 * np.minimum(off**2, WORST_MISFIT))

    free = np.ones(count + 1, np.bool_)
    free[0], free[-1] = not data.ends.empty, not data.ends.full
    slopes, changes = bends(h)
    likely = fits(h)
    kept = []
    for number in range(ROUNDS):
        for first in range(4):
            some = np.zeros(count + 1, np.bool_)
            some[first::4] = True
            some &= free
            room = np.full((CHAINS, count + 1), 2 * usual)
            room[:, 1:-1] = (h[:, 2:] - h[:, :-2]) / 2
            moved = h + np.where(
                some, rng.normal(size=h.shape) * 10 ** rng.uniform(-2, 0.2, h.shape) * np.minimum(room, 20), 0
            )
            new_slopes, new_changes = bends(moved)
            new_likely = fits(moved)
            gain = new_likely - likely
            difference = np.where(np.isfinite(new_changes), new_changes - changes, -np.inf)
            # A level takes part in two slopes and three changes of slope.
            gain[:, :-2] += difference
            gain[:, 1:-1] += difference
            gain[:, 2:] += difference
            fewer = np.where(np.isfinite(new_slopes), new_slopes - slopes, np.inf)
            gain[:, :-1] -= fewer
            gain[:, 1:] -= fewer
            taken = some & (np.log(rng.random(h.shape)) < gain)
            h = np.where(taken, moved, h)
            likely = np.where(taken, new_likely, likely)
            slopes, changes = bends(h)
        # All slopes by the same factor.
        factor = np.exp(rng.normal(size=CHAINS) * 10 ** rng.uniform(-3, -0.7, CHAINS))[:, None]
        fulcrum = h[:, -1:] if data.ends.full else h[:, :1]
        moved = fulcrum + (h - fulcrum) * factor
        new_likely = fits(moved)
        gain = (new_likely - likely).sum(axis=1)  # the prior of the slopes is flat in their logarithm
        taken = np.log(rng.random(CHAINS)) < gain
        h = np.where(taken[:, None], moved, h)
        likely = np.where(taken[:, None], new_likely, likely)
        slopes, changes = bends(h)
        if number >= BURNT and (number - BURNT) % KEPT == 0:
            kept.append(h.copy())
    return np.concatenate(kept)


def _curves(h: Floats, data: _Data, rng: np.random.Generator, *, from_bottom: bool) -> Floats:
    """(N, G) litres at LEVELS: between the plateaus in straight lines, beyond them as slopes go on to change.

    from_bottom: litres count from the first plateau, where the tank was empty; else from where the level would be nothing.
    """
    dx = np.diff(data.x)
    far, steps = data.whole / 20, 60
    bend = BEND * np.sqrt(10 * far / data.whole)
    slopes = np.log(np.diff(h, axis=1) / dx)
    curves = np.empty((len(h), len(LEVELS)))
    ups = slopes[:, -1:] + np.cumsum(bend * rng.standard_t(FREEDOM, (len(h), steps)).clip(-8, 8), axis=1)
    downs = slopes[:, :1] + np.cumsum(bend * rng.standard_t(FREEDOM, (len(h), steps)).clip(-8, 8), axis=1)
    # The first step goes on as the last plateau left off, and as the walls have been closing in or opening until there.
    ups = np.hstack([slopes[:, -1:], ups[:, :-1]]) + _closing(slopes[:, ::-1], dx[::-1], far, steps, rng)
    downs = np.hstack([slopes[:, :1], downs[:, :-1]]) + _closing(slopes, dx, far, steps, rng)
    near = np.log(100 / data.whole) + np.array([-2.5, 2.5])
    above = h[:, -1:] + np.cumsum(np.exp(np.clip(ups, *near)) * far, axis=1)
    below = h[:, :1] - np.cumsum(np.exp(np.clip(downs, *near)) * far, axis=1)
    reach = far * np.arange(1, steps + 1)
    xs = np.concatenate([-reach[::-1], data.x, data.x[-1] + reach])
    for row in range(len(h)):
        levels = np.concatenate([below[row, ::-1], h[row], above[row]])
        litres = np.interp(LEVELS, levels, xs)
        if from_bottom:
            litres = np.maximum(litres, 0.0)
        else:
            litres -= litres[0]
        curves[row] = litres
    return curves


def _closing(slopes: Floats, dx: Floats, far: float, steps: int, rng: np.random.Generator) -> Floats:
    """(N, S) by which logarithms of slopes go on to change beyond the first of them, where the last two changes agree.

    Of both the smaller counts, several times or hardly: a dome closes in ever more, and behind a bend walls are straight.
    """
    if slopes.shape[1] < 3:
        return np.zeros((len(slopes), steps))
    last = (slopes[:, 0] - slopes[:, 1]) / ((dx[0] + dx[1]) / 2)
    before = (slopes[:, 1] - slopes[:, 2]) / ((dx[1] + dx[2]) / 2)
    trend = np.where(last * before > 0, np.sign(last) * np.minimum(np.abs(last), np.abs(before)), 0.0)
    away = (dx[0] + far) / 2 + far * np.arange(steps)
    return np.asarray((trend * CLOSING * np.exp(rng.normal(0, CLOSING_SPREAD, len(slopes))))[:, None] * away)


# ---- what is told ----


def _pours_below_the_top(found: Plateaus, pours: Floats) -> tuple[int, float] | None:
    """After how many pours a level below the top was last seen, and until when, s; None unless it then stayed at the top.

    Pours that make no rise are taken for pours in one go, wherever those would be. They were made at the top where the level
    bends much less if each rise below is one pour, and where the last rise is less than what the others should have made.
    """
    seen = np.flatnonzero(~np.isnan(found.level_pct))
    at_top = found.level_pct[seen] >= 100 - AT_TOP_PCT - found.noise_pct
    below = seen[~at_top]
    within = len(below) - 1
    if not at_top[-1] or within < 3 or len(pours) - within < 2:
        return None
    total = np.concatenate([[0.0], np.cumsum(pours)])
    slopes = np.diff(found.level_pct[below]) / pours[:within]
    as_shared = np.diff(found.level_pct[seen]) / np.diff(total[seen])
    last_rise = found.level_pct[seen[-1]] - found.level_pct[below[-1]]
    if last_rise > STAYED * slopes[-1] * pours[within:].sum() or _bending(slopes) > STAYED * _bending(as_shared):
        return None
    return within, float(found.end_s[below[-1]])


def _bending(slopes: Floats) -> float:
    """How unevenly slopes change: walls that lean do so evenly."""
    return float(np.abs(np.diff(np.log(np.maximum(slopes, 1e-6)), 2)).sum())


def _overfilled(within: Calibration, found: Plateaus, pours: Floats) -> Calibration:
    """The calibration by the pours below the top, with a range that reaches up to what went in."""
    total = np.cumsum(pours).tolist()
    unseen = [Plateau(n, total[n - 1], None, None, None, None, None) for n in range(len(within.plateaus), len(pours))]
    return replace(
        within,
        capacity_high_l=max(within.capacity_high_l, float(pours.sum())),
        plateaus=(*within.plateaus, *unseen, _plateaus(found, pours, drain=False)[-1]),
        pours_l=tuple(pours.tolist()),
        notes=(STAYED_AT_TOP, *within.notes),
    )


def _points(
    chosen: _Fit, curves: Floats, shifts: Floats, ends: _Ends, found: Plateaus, *, drain: bool
) -> tuple[TablePoint, ...]:
    levels = found.cells[:, ~np.isnan(found.cells).all(axis=0)]
    levels = np.unique(np.round(np.nanmedian(levels, axis=0), 3))
    if drain:
        levels = np.round(100 - levels[::-1], 3)
    levels = levels[(levels > 0) & (levels < 100)]
    apart = max(found.step_pct / 2, 0.5)
    inner = levels[(levels >= apart) & (levels <= 100 - apart)]
    inner = inner[np.concatenate([[True], np.diff(inner) >= apart])] if len(inner) else inner
    at = np.concatenate([[0.0], inner, [100.0]])
    seen = (float(levels[0]), float(levels[-1])) if len(levels) else (0.0, 100.0)

    def litres(curves: Floats, shifts: Floats) -> Floats:
        shifted = np.clip(at[None, 1:-1] + shifts[:, None], 0, 100)
        inside = np.array([np.interp(row, LEVELS, curve) for row, curve in zip(shifted, curves, strict=True)])
        return np.column_stack([curves[:, 0], inside.reshape(len(curves), -1), curves[:, -1]])

    middle = np.median(litres(chosen.curves, chosen.shifts), axis=0)
    middle = np.maximum.accumulate(middle)
    low, high = np.quantile(litres(curves, shifts), [0.025, 0.975], axis=0)
    reads_empty = ends.empty
    reads_full = bool(found.cells[:, -1].max() >= 100) if not drain else ends.full
    return tuple(
        TablePoint(
            round(float(level), 3), round(float(value), 3), float(min(a, value)), float(max(b, value)),
            extrapolated=bool((level < seen[0] and not reads_empty) or (level > seen[1] and not reads_full)),
        )
        for level, value, a, b in zip(at, middle, low, high, strict=True)
    )  # fmt: skip


def _plateaus(found: Plateaus, pours: Floats, *, drain: bool) -> tuple[Plateau, ...]:
    total = np.concatenate([[0.0], np.cumsum(pours)])
    half = found.step_pct / 2
    rows = []
    for number, litres in enumerate(total.tolist()):
        cells = found.cells[:, number]
        if np.isnan(cells).any():
            rows.append(Plateau(number, litres, None, None, None, None, None))
            continue
        level = float(np.median(cells))
        low, high = max(float(cells.min()) - half, 0.0), min(float(cells.max()) + half, 100.0)
        if not found.stepped:
            level = float(found.level_pct[number])
            low, high = level - 1.96 * float(found.sd_pct[number]), level + 1.96 * float(found.sd_pct[number])
        if drain:
            level, low, high = 100 - level, 100 - high, 100 - low
        rows.append(
            Plateau(number, litres, level, low, high, _seconds(found.begin_s[number]), _seconds(found.end_s[number]))
        )
    return tuple(rows)


def _seconds(value: Any) -> float | None:
    return None if np.isnan(value) else float(value)


def _notes(found: Plateaus, at: _Ends, pours: Floats, *, drain: bool, start_known: bool, more: bool) -> list[str]:
    notes = []
    ends = found.level_pct if not drain else 100 - found.level_pct
    first = float(ends[0]) if not np.isnan(ends[0]) else 0.0
    if start_known and not drain and not at.empty:
        notes.append(
            f"the tank was taken for empty, yet its sender read {first:.1f} %: say --begins unknown if it was not"
        )
    if start_known and drain and not at.full:
        notes.append(
            f"the tank was taken for full, yet its sender read {first:.1f} %: say --begins unknown if it was not"
        )
    levels = ends[~np.isnan(ends)]
    stays = [1 for a, b in pairwise(levels) if not found.stepped and abs(b - a) < 2 * found.noise_pct / 5 + 0.05]
    top = levels[-2:] if not drain else levels[:2]
    if len(top) == 2 and top[0] == top[1] and top[0] >= 99.9 and found.step_pct < 5:
        notes.append(STAYED_AT_TOP)
    elif more:
        notes.append(
            "more was taken out than it holds by that: its sender ends above the bottom; the range reaches up to what was "
            "taken"
            if drain
            else "more was poured than it holds by that: it ran over, or its sender ends below the top or above the bottom; "
            "the range reaches up to what was poured"
        )
    elif len(stays) > 0:
        notes.append(f"the level did not move with {counted(len(stays), 'pour')}: the sender may not reach there")
    if found.pauses and not found.stepped:
        were = "was" if found.pauses == 1 else "were"
        notes.append(f"{counted(found.pauses, 'rest')} in the midst of pours {were} passed over")
    seen_apart = not found.stepped or len(found.cells) == 1
    if not seen_apart:
        notes.append("steps this coarse do not show each pour: make sure of their number")
    shown = len(pours) - found.together + found.unnamed
    if not found.stepped and found.unnamed and shown != len(pours):
        notes.append(
            f"{counted(len(pours), 'pour')} were named, but the level rests after {shown}: if one was forgotten or counted "
            "twice, say the right number and calibrate again"
        )
        return notes
    if found.unnamed:
        was = "was" if found.unnamed == 1 else "were"
        notes.append(
            f"{counted(found.unnamed, 'rest')} as long as after a pour {was} left over: were more pours made than named?"
        )
    if seen_apart and (found.together or found.hasty):
        some = counted(found.together + found.hasty, "pour")
        notes.append(f"{some} went in with another, or could not be told from it; were all made?")
    return notes


def _notes_of_range(found: Plateaus, low: float, high: float, drain: bool, *, start_known: bool) -> list[str]:
    notes = []
    began = float(np.nanmedian(found.cells[:, 0]))
    if not start_known and began > UNSEEN_PCT:
        unseen = f"above {100 - began:.0f} %" if drain else f"below {began:.0f} %"
        notes.append(f"{unseen} nothing was seen: the tank is taken to go on there as it does beyond")
    reached = float(np.nanmedian(found.cells[:, -1]))
    if reached < 100 - UNSEEN_PCT:
        seen = f"below {100 - reached:.0f} %" if drain else f"above {reached:.0f} %"
        notes.append(f"{'emptied' if drain else 'filled'} no further: {seen} the tank is taken to go on as before")
    if (high - low) / (high + low) > GUESS:
        notes.append("the capacity is little more than a guess: fill the tank to the brim, and say --ends full")
    return notes
