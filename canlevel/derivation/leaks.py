"""Leak watch: slow, steady loss (or gain) of a tank over its quiet hours. READINGS and FLOWS in, LEAKS out.

Quiet is what is left when flows, restless readings, gaps and levels at either end of the tank are cut out, with a margin. It
comes in pieces, and nothing is assumed about the level between two of them. A leak runs through all pieces at one rate; taps,
tilts and moved loads come at once. Levels are turned into litres by the tank's shape. Two kinds of sender need two tests.

**A sender finer than its noise.** Readings become means y over ten minutes. Shifts of the level within a piece are cut out
first: where a line would be broken by a step c, the piece is parted at the largest c^2 / var(c), if that is above SHIFT^2. Then
one slope b, with a height of its own for each of J pieces, is fitted to the n means of a window by least squares,

    b = sum(t y) / S,    S = sum(t^2),    t and y from their means in the piece,

and b / se(b) is held against Student's t with nu degrees of freedom. Where a level drifts, residuals e beside one another are
alike and count for fewer:

    nu = (n - J - 1) (1 - r) / (1 + r),    se(b)^2 = sum(e^2) / (nu S),

r being their correlation at a lag of one, corrected for what the fit takes out of it and raised by DRIFTING of its standard
deviations, as it is uncertain. So a loss that bends or comes in a few steps is left with few degrees of freedom. Source:
B. D. Santer et al., "Statistical significance of trends and trend differences in layer-average atmospheric temperature time
series", J. Geophys. Res. 105 (2000), from memory; the corrections of r are ours. Windows of 6 hours to four weeks are tried. As
a leak does not pause, each third of a window has to show it (where a heater may draw, each sixth of the day): all of several
tests must reject, as in the intersection-union test (R. L. Berger, Technometrics 24, 1982; from memory).

**A coarse sender** tells when the level passes the middle between two steps and nothing else. A use passes it as well as a
leak, but a leak does so at equal intervals. n + 1 passages in one direction leave n dwells, in hours per litre. For uses at
random (a Poisson process) dwells are the spacings of random points, and the chance that they are as even as those seen is the
volume of a ball within the simplex of all spacings. With v the coefficient of variation of the dwells (divisor n),

    p = (n-1)! / sqrt(n) * pi^((n-1)/2) / Gamma((n+1)/2) * (v^2 / n)^((n-1)/2),    exact where v^2 <= 1 / (n - 1).

Source: the sum of squared spacings as a test of randomness is M. Greenwood's, "The statistical study of infectious diseases",
J. R. Statist. Soc. 109 (1946), from memory; the volume is geometry. A quiet piece clearly longer than a dwell without a passage
contradicts the leak.

What no level can tell apart: whatever draws slowly and steadily looks like a leak. A diesel heater takes 0.1-0.5 L/h (common
practice, no source), so a loss of fuel or gas at up to HEATER_L_PER_H is told only when it has gone on for a day without a
pause; even then it may be a heater. What cools shrinks, and senders drift: a change of less than WANDER_PCT of the tank is not
told, and the limits of one that is told are that much wider. A leak that runs only while a pump is on looks like use.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from itertools import pairwise
from math import atan, exp, lgamma, log, pi, sqrt
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.derivation.flows import GAP_PERIODS, GAP_S, VolumeCurve
from canlevel.derivation.sender import Sender, describe_sender, restless, without_spikes
from canlevel.derivation.series import Series, series_of
from canlevel.tables import TIME_TYPE, WORD, described

__all__ = ["FALSE_ALARM", "HEATED", "LEAKS", "Line", "evenness_p", "steady_line", "student_quantile", "watch_leaks"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAKS = pa.schema(
    [
        described("vessel", WORD, "whose tank", null="nobody said"),
        described("tank", WORD, "protocol.fluid.instance"),
        described("name", WORD, "the owner's name for the tank", null="not in a roster"),
        described("source_address", pa.uint8(), "the address of the device that sent the level"),
        described("status", WORD, "leak, gain, none seen or too little quiet time"),
        described(
            "leak_l_per_h",
            pa.float64(),
            "lost an hour; negative in a tank that gains",
            unit="L/h",
            null="none seen, or no capacity",
        ),
        described("leak_low", pa.float64(), "95 % limit", unit="L/h", null="as leak_l_per_h"),
        described("leak_high", pa.float64(), "95 % limit", unit="L/h", null="as leak_l_per_h"),
        described(
            "smallest_l_per_h",
            pa.float64(),
            "the smallest leak that would have been told in 95 of 100 cases",
            unit="L/h",
            null="none would, or no capacity",
        ),
        described("false_alarm", pa.float64(), "false alarms for each tank and day, at most"),
        described("quiet_h", pa.float64(), "quiet hours that were looked at", unit="h"),
        described(
            "since",
            TIME_TYPE,
            "of the quiet time that shows the leak, or of all quiet time",
            unit="UTC",
            null="no quiet time",
        ),
        described("until", TIME_TYPE, "end of that time", unit="UTC", null="no quiet time"),
        described("leak_pct_per_h", pa.float64(), "lost an hour, in percent of the tank", unit="%/h", null="none seen"),
        described(
            "smallest_pct_per_h",
            pa.float64(),
            "the smallest that would have been told, in percent of the tank",
            unit="%/h",
            null="none would",
        ),
        described("step_pct", pa.float64(), "the sender's true step", unit="%", null="not known"),
        described("noise_pct", pa.float64(), "its noise", unit="%", null="not known"),
        described("note", pa.string(), "what else it may be, and what would help", null="nothing to add"),
    ]
)

FALSE_ALARM = 1e-3
NORMAL_95 = 1.645
FINE_ALPHA, COARSE_ALPHA = 3e-5, 5e-5  # of one test; some dozens, most of them much alike, are made a day
FOUND = 0.95  # the chance with which a leak of the smallest size is told

SCATTER_READINGS = 120
AROUND_PCT = 2.0  # to either side: where litres a percent are taken from
BEFORE_S, SETTLING_S = 60.0, 300.0  # cut out before and after a flow or a restless spell
MOST_L_PER_H, MOST_PCT_PER_H = 4.0, 2.0  # what goes faster is a flow
ONE_STEP = 1.5  # a coarse sender's flow of up to so many steps may be a leak passing one

# Coarse is a step of at least so much, more than WANDER_PCT rounds, with noise below this part of it.
FINEST_STEP_PCT, COARSE = 0.1, 0.4
FINE_MEAN_S, COARSE_MEAN_S = 600.0, 60.0
SPIKE_NOISE, SPIKE_STEPS = 6.0, 1.5
END_NOISE = 4.0
SHIFT = 4.5
WINDOWS_H = (6.0, 12.0, 24.0, 48.0, 96.0, 168.0, 336.0, 672.0)
FEWEST_MEANS = 18
FEWEST_DEGREES, MOST_DEGREES = 3.0, 400
PARTS, DAY_PARTS = 3, 6  # of a window; of the day, where a heater may draw
PART_SURE = 1.28  # each part shows the loss by so many standard deviations
PART_FOUND = 2.4  # with so many more all do in 95 of 100 cases
DRIFTING = 4.0

WANDER_PCT, FUEL_WANDER_PCT = 0.2, 0.4
HEATED = ("fuel", "gasoline", "lpg")
HEATER_L_PER_H, HEATER_PCT_PER_H, DAY_H = 0.7, 0.5, 24.0

GRAINS = (1, 4, 16)  # passages of every mark, or of every so many
COARSEST_GRAIN_PCT = 8.0
DWELLS = np.array([4, 5, 6, 8, 10, 12, 16, 24])
SHORTEST_DWELL_H = 0.05
NEAR = 0.25  # of a step: where a mean belongs to a step and not to the way from one to the next
PAUSE = 1.3  # dwells
LONGEST_H, APART_H = 672.0, 168.0
TRIALS, TRIAL_SEED = 40, 1981
TRIAL_JITTER = 0.05  # of a step
LEAST_TRIED, RATES_TRIED = 0.01, 49


def watch_leaks(readings: pa.Table, flows: pa.Table) -> pa.Table:
    """LEAKS of READINGS and their FLOWS: for each vessel, tank and source (sorted) every leak or gain, or one row without.

    Nothing is told of a leak unless the smallest leak that could have been seen is known too. Pure: the same tables give the
    same rows.
    """
    spans = _flow_spans(flows)
    rows: list[dict[str, Any]] = []
    for series in series_of(readings):
        rows += _rows_of(series, spans.get((series.vessel, series.tank, series.source_address), []))
    rows.sort(key=lambda row: (row["vessel"] or "", row["tank"], row["source_address"], row.get("since", 0)))
    return pa.Table.from_pylist(rows, schema=LEAKS)


@dataclass(frozen=True, slots=True)
class _Span:
    """A flow: seconds since 1970, and by how many percent it moved the level."""

    start_s: float
    end_s: float
    moved_pct: float


def _flow_spans(flows: pa.Table) -> dict[tuple[str | None, str, int], list[_Span]]:
    """Flows too fast for a leak, by vessel, tank and source."""
    spans: dict[tuple[str | None, str, int], list[_Span]] = {}
    for row in flows.to_pylist():
        rate = row["rate_l_per_min"]
        fast = abs(rate) * 60 > MOST_L_PER_H if rate is not None else abs(row["rate_pct_per_min"]) * 60 > MOST_PCT_PER_H
        if fast:
            moved = abs(row["end_level_pct"] - row["start_level_pct"])
            span = _Span(row["start"].timestamp(), row["end"].timestamp(), moved)
            spans.setdefault((row["vessel"], row["tank"], row["source_address"]), []).append(span)
    return spans


@dataclass(frozen=True, slots=True)
class _Quiet:
    """Means of quiet readings, n of them in the order of time. hours: (n,) since the series' origin. level: (n,) percent.

    litres: (n,) percent where no capacity is known. per_pct: (n,) litres a percent there. piece: (n,) numbers, rising.
    """

    hours: Floats
    level: Floats
    litres: Floats
    per_pct: Floats
    piece: Ints
    mean_h: float

    def some(self, rows: Any, piece: Ints | None = None) -> _Quiet:
        return _Quiet(
            self.hours[rows],
            self.level[rows],
            self.litres[rows],
            self.per_pct[rows],
            self.piece[rows] if piece is None else piece[rows],
            self.mean_h,
        )

    @property
    def quiet_h(self) -> float:
        return len(self.hours) * self.mean_h


@dataclass(frozen=True, slots=True)
class _Tank:
    """What a test has to know. most: litres (or percent) an hour above which it is no leak."""

    wander_pct: float
    most: float
    heater: float  # litres (or percent) an hour that a heater may take; 0 where there is none

    def told(self, rate: Any, span_h: Any) -> Any:
        """Whether a rate is told after so many hours: a heater's not before it has lasted a day. Both (n,) or a number."""
        return (np.abs(rate) <= self.most) & ((np.abs(rate) > self.heater) | (np.asarray(span_h) >= DAY_H))


@dataclass(frozen=True, slots=True)
class _Loss:
    """A leak, or a gain where rate is negative; rate, low and high in litres (or percent) an hour."""

    since_h: float
    until_h: float
    rate: float
    low: float
    high: float

    @property
    def sureness(self) -> float:
        return abs(self.rate) / max(self.high - self.low, 1e-12)


def _rows_of(series: Series, spans: list[_Span]) -> Iterator[dict[str, Any]]:
    series = _within(series)
    sender = describe_sender(series.seconds, series.level_pct)
    curve = VolumeCurve(series)
    fluid = series.tank.split(".")[1] if "." in series.tank else ""
    tank = _tank(fluid, litres=curve.litres)
    coarse = _is_coarse(series, sender)
    quiet = _quiet(series, sender, spans, coarse=coarse, curve=curve)
    losses: list[_Loss] = []
    smallest: float | None = None
    if len(quiet.hours) and sender.step_pct:
        losses, smallest = (
            _even_losses(quiet, sender.step_pct, tank) if coarse else _steady_losses(_without_shifts(quiet), tank)
        )
    per_pct = float(quiet.per_pct.mean()) if len(quiet.hours) else 1.0
    common = {
        "vessel": series.vessel,
        "tank": series.tank,
        "name": series.name,
        "source_address": series.source_address,
        "smallest_l_per_h": smallest if curve.litres else None,
        "smallest_pct_per_h": None if smallest is None else smallest / per_pct,
        "false_alarm": FALSE_ALARM,
        "quiet_h": quiet.quiet_h,
        "step_pct": sender.step_pct,
        "noise_pct": sender.noise_pct,
    }
    if smallest is None or not losses:
        ends = _times(series, quiet.hours[0], quiet.hours[-1]) if len(quiet.hours) else {}
        yield common | ends | _without_loss(quiet, sender, smallest, coarse=coarse)
        return
    for loss in losses:
        in_litres = {"leak_l_per_h": loss.rate, "leak_low": loss.low, "leak_high": loss.high} if curve.litres else {}
        yield (
            common
            | in_litres
            | _times(series, loss.since_h, loss.until_h)
            | {
                "status": "leak" if loss.rate > 0 else "gain",
                "leak_pct_per_h": loss.rate / per_pct,
                "note": _note(fluid, loss.rate),
            }
        )


def _tank(fluid: str, *, litres: bool) -> _Tank:
    heated = fluid in HEATED
    heater = HEATER_L_PER_H if litres else HEATER_PCT_PER_H
    return _Tank(
        wander_pct=FUEL_WANDER_PCT if heated else WANDER_PCT,
        most=MOST_L_PER_H if litres else MOST_PCT_PER_H,
        heater=heater if heated else 0.0,
    )


def _times(series: Series, since_h: float, until_h: float) -> dict[str, int]:
    since, until = (series.origin_us + round(hours * 3.6e9) for hours in (since_h, until_h))
    return {"since": since, "until": until}


def _without_loss(quiet: _Quiet, sender: Sender, smallest: float | None, *, coarse: bool) -> dict[str, str]:
    if smallest is not None:
        return {"status": "none seen", "note": ""}
    if not len(quiet.hours):
        note = "no ten minutes without flows, slosh or gaps"
    elif not sender.step_pct:
        note = "the level never changed, so what its sender can show is not known"
    else:
        note = "a longer time without use would help"
        if coarse:
            note = f"its sender moves in steps of {sender.step_pct:.1f} %: {note}"
    return {"status": "too little quiet time", "note": note}


def _note(fluid: str, rate: float) -> str:
    if rate > 0 and fluid in HEATED:
        return "may be a heater, or another device that draws steadily"
    if rate > 0:
        return ""
    if fluid in ("grey_water", "black_water"):
        return "something runs into it: a tap or a flush that drips"
    return "something runs into it, or the sender drifts"


def _told_once(losses: Iterable[_Loss]) -> list[_Loss]:
    """Losses in the order of time, those of one direction that follow within a week as one, with the rate of the surest."""
    told: list[_Loss] = []
    for loss in sorted(losses, key=lambda loss: loss.since_h):
        last = next((at for at in range(len(told) - 1, -1, -1) if told[at].rate * loss.rate > 0), None)
        if last is None or loss.since_h > told[last].until_h + APART_H:
            told.append(loss)
            continue
        surer = max(told[last], loss, key=lambda one: one.sureness)
        told[last] = replace(surer, since_h=told[last].since_h, until_h=max(told[last].until_h, loss.until_h))
    return told


# ---- quiet time ----


def _within(series: Series) -> Series:
    """The readings between empty and full. At either end a level rests whatever the tank does, which would pass for calm."""
    within = (series.level_pct > 0) & (series.level_pct < 100)
    if within.all() or not within.any():
        return series
    columns = {column.name: getattr(series, column.name) for column in fields(series)}
    some: dict[str, Any] = {name: values[within] for name, values in columns.items() if isinstance(values, np.ndarray)}
    return replace(series, **some)


def _is_coarse(series: Series, sender: Sender) -> bool:
    """Whether a mean of readings says in which step the level lies and no more: few readings are further off than a step.

    Noise of a third of a step and more makes a mean follow the level within a twentieth of the step, for normal noise.
    """
    if sender.step_pct < FINEST_STEP_PCT:
        return False
    if sender.noise_pct < COARSE * sender.step_pct:
        return True
    spread = _groups(series.level_pct, SCATTER_READINGS)
    ranges = spread.max(axis=1) - spread.min(axis=1) if len(spread) else np.zeros(1)
    return float(np.quantile(ranges, 0.25)) < 1.5 * sender.step_pct


def _groups(values: Floats, size: int) -> Floats:
    """(k, size) of (n,) values: whole groups beside one another."""
    return values[: len(values) // size * size].reshape(-1, size)


def _quiet(series: Series, sender: Sender, spans: list[_Span], *, coarse: bool, curve: VolumeCurve) -> _Quiet:
    """Means over the quiet readings of a series, in pieces between which something happened or nothing was heard."""
    seconds = series.seconds
    period = float(np.median(np.diff(seconds))) if len(seconds) > 1 else 1.0
    if period <= 0:  # most readings share a stamp with another, as where a recorder writes whole seconds
        period = float(np.ptp(seconds)) / (len(seconds) - 1) or 1.0
    rows = np.flatnonzero(_is_quiet(series, sender, spans, coarse=coarse))
    mean_s = COARSE_MEAN_S if coarse else FINE_MEAN_S
    apart = np.ones(len(rows), np.bool_)
    # Single readings that are missing, or at an end of the tank, part nothing.
    apart[1:] = (np.diff(rows) > 1) | (np.diff(seconds[rows]) > max(GAP_PERIODS * period, GAP_S))
    piece = np.cumsum(apart) - 1
    begin_s = seconds[rows[apart]][piece]
    number = ((seconds[rows] - begin_s) / mean_s).astype(np.int64)
    new = apart.copy()
    new[1:] |= number[1:] != number[:-1]
    at = np.flatnonzero(new)
    level = series.level_pct[rows]
    if len(rows):
        # Single wrong readings are left out: those far from the middle of the mean they would go into.
        which = np.cumsum(new) - 1
        ranked = level[np.lexsort((level, which))]
        count = np.diff(np.append(at, len(rows)))
        middle = ranked[at + count // 2][which]
        good = np.abs(level - middle) <= SPIKE_NOISE * sender.noise_pct + SPIKE_STEPS * sender.step_pct
        count = np.add.reduceat(good.astype(np.int64), at)
        level = np.add.reduceat(np.where(good, level, 0.0), at) / np.maximum(count, 1)
        hours = np.add.reduceat(np.where(good, seconds[rows], 0.0), at) / np.maximum(count, 1) / 3600
        enough = count >= max(0.5 * mean_s / period, 1)
        # Noise that is cut off at an end of the tank would bend the level.
        end_pct = END_NOISE * sender.noise_pct
        enough &= (level >= end_pct) & (level <= 100 - end_pct)
        level, hours, piece = level[enough], hours[enough], piece[at][enough]
    else:
        level, hours = np.zeros(0), np.zeros(0)
    per_pct = (curve(level + AROUND_PCT) - curve(level - AROUND_PCT)) / (2 * AROUND_PCT)
    return _Quiet(hours, level, curve(level) if curve.litres else level, per_pct, piece, mean_s / 3600)


def _is_quiet(series: Series, sender: Sender, spans: list[_Span], *, coarse: bool) -> NDArray[np.bool_]:
    """(n,) readings away from flows and slosh."""
    seconds, origin_s = series.seconds, series.origin_us / 1e6
    sloshes = np.concatenate(
        [[False], restless(seconds, without_spikes(series.level_pct, sender.step_pct), sender), [False]]
    )
    edges = np.flatnonzero(sloshes[1:] != sloshes[:-1])
    busy = list(zip(seconds[edges[::2]], seconds[edges[1::2] - 1], strict=True))
    least = ONE_STEP * sender.step_pct if coarse else 0.0
    busy += [(span.start_s - origin_s, span.end_s - origin_s) for span in spans if span.moved_pct > least]
    changes = np.zeros(len(seconds) + 1, np.int64)
    if busy:
        begin, end = np.array(busy).T
        np.add.at(changes, np.searchsorted(seconds, begin - BEFORE_S), 1)
        np.add.at(changes, np.searchsorted(seconds, end + SETTLING_S, side="right"), -1)
    quiet: NDArray[np.bool_] = np.cumsum(changes[:-1]) == 0
    return quiet


@lru_cache(maxsize=4096)
def student_quantile(p: float, degrees: float) -> float:
    """What Student's t exceeds with the chance 1 - p, for p above a half. degrees: of freedom, rounded down, at most 400.

    Source: the sums for whole degrees in Abramowitz and Stegun, "Handbook of Mathematical Functions", 26.7.3 and 26.7.4.
    """
    whole = min(max(int(degrees), 1), MOST_DEGREES)
    low, high = 0.0, 10.0
    while _student_tail(high, whole) > 1 - p:
        high *= 4
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if _student_tail(middle, whole) > 1 - p else (low, middle)
    return high


def _student_tail(t: float, degrees: int) -> float:
    """The chance that t is exceeded."""
    angle = atan(t / sqrt(degrees))
    cosine_2 = degrees / (degrees + t * t)
    sine = sqrt(1 - cosine_2)
    odd = degrees % 2
    term = total = sqrt(cosine_2) if odd else 1.0
    for k in range(2 + odd, degrees - 1, 2):
        term *= cosine_2 * (k - 1) / k
        total += term
    if odd:
        inside = 2 / pi * (angle + sine * (total if degrees > 1 else 0.0))
    else:
        inside = sine * total
    return (1 - inside) / 2


# ---- a sender finer than its noise ----


def _without_shifts(quiet: _Quiet) -> _Quiet:
    """The same means with pieces parted where the level was shifted, without the means that hold the shift."""
    piece = np.full(len(quiet.hours), -1)
    bounds = np.flatnonzero(np.diff(quiet.piece, prepend=-1, append=-1)).tolist()
    todo = list(pairwise(bounds))
    found = []
    while todo:
        begin, end = todo.pop()
        if end - begin < 3:
            continue
        at = _shift(quiet.hours[begin:end], quiet.litres[begin:end])
        if at is None:
            found.append((begin, end))
        else:
            todo += [(begin, begin + at - (at > 3)), (begin + at + (end - begin - at > 3), end)]
    for number, (begin, end) in enumerate(sorted(found)):
        piece[begin:end] = number
    return quiet.some(piece >= 0, piece)


def _shift(hours: Floats, litres: Floats) -> int | None:
    """After how many of n means the level was shifted; None if it was not.

    The gain in squared misfit by a step after m means is (sum of the first m residuals of the line)^2 over what is left of the
    step itself when the line is taken out of it: m - m^2 / n - (sum of the first m times)^2 / S.
    """
    n = len(hours)
    if n < 6:
        return None
    t, y = hours - hours.mean(), litres - litres.mean()
    spread = float(t @ t)
    residual = y - (float(t @ y) / spread) * t
    first = np.arange(1, n)
    left = first - first**2 / n - np.cumsum(t)[:-1] ** 2 / spread
    gain = np.where(left > 0.3, np.cumsum(residual)[:-1] ** 2 / np.maximum(left, 0.3), 0.0)
    at = int(np.argmax(gain))
    remains = max(float(residual @ residual) - gain[at], 0.0) / (n - 3)
    return at + 1 if gain[at] > SHIFT**2 * max(remains, 1e-12) else None


@dataclass(frozen=True, slots=True)
class Line:
    """A slope common to all pieces. error: its standard deviation. degrees: of freedom. spread: sum of squared times."""

    slope: float
    error: float
    degrees: float
    spread: float


def steady_line(hours: Floats, litres: Floats, piece: Ints) -> Line | None:
    """The least-squares slope through n means in J pieces, each with a height of its own, its error allowing for drift.

    hours, litres, piece: (n,). None where too few are left to tell an error. See the module for the formulas.
    """
    which = _numbered(piece)
    n, pieces = len(hours), int(which[-1]) + 1 if len(which) else 0
    if n - pieces - 1 < 2:
        return None
    t, y = _centred(hours, which), _centred(litres, which)
    spread = float(t @ t)
    slope = float(t @ y) / spread
    e = y - slope * t
    squares = float(e @ e)
    together = which[1:] == which[:-1]
    free, pairs = n - pieces - 1, max(int(np.count_nonzero(together)), 1)
    alike = 0.0
    if squares > 0:
        # Residuals sum to zero in each piece and against time, which makes neighbours unlike by that much.
        taken = (pieces + 1) * pairs / n
        alike = (float(e[1:] @ (e[:-1] * together)) * free / squares + taken) / pairs
        alike = max(alike, 0.0)
        alike = min(alike + DRIFTING * ((1 - alike**2) / n) ** 0.5, 0.99)
    degrees = free * (1 - alike) / (1 + alike)
    return Line(slope, (squares / degrees / spread) ** 0.5, degrees, spread)


def _numbered(piece: Ints) -> Ints:
    """(n,) rising numbers of pieces as 0, 1, 2 without those that are not there."""
    return np.asarray(np.cumsum(np.diff(piece, prepend=piece[:1]) != 0))


def _centred(values: Floats, which: Ints) -> Floats:
    return np.asarray(values - (np.bincount(which, values) / np.bincount(which))[which])


def _steady_losses(quiet: _Quiet, tank: _Tank) -> tuple[list[_Loss], float | None]:
    """(losses, smallest): all windows that show a steady loss, and the smallest rate that one of them would show."""
    losses: list[_Loss] = []
    smallest: float | None = None
    for begin, end in _windows(quiet.hours):
        hours, litres, piece = quiet.hours[begin:end], quiet.litres[begin:end], quiet.piece[begin:end]
        line = steady_line(hours, litres, piece)
        if line is None or line.degrees < FEWEST_DEGREES:
            continue
        span_h = float(hours[-1] - hours[0])
        # A drift within a piece passes for a slope as long as the piece; that of one piece has nothing to do with the next.
        pieces = np.count_nonzero(np.diff(piece)) + 1
        wander = tank.wander_pct * float(quiet.per_pct[begin:end].mean()) / sqrt(12 * line.spread / len(hours) * pieces)
        parts = _parts(hours, litres, piece, line, by_day=tank.heater > 0 and span_h >= DAY_H)
        if not parts:
            continue
        sure = student_quantile(1 - FINE_ALPHA, line.degrees)
        least = max(
            # What a noncentral t exceeds so often (N. L. Johnson, B. L. Welch, Biometrika 31, 1940; from memory).
            (sure + NORMAL_95 * sqrt(1 + sure**2 / (2 * line.degrees))) * line.error,
            wander + NORMAL_95 * line.error,
            *((PART_SURE + PART_FOUND) * error for _, error in parts),
        )
        if span_h < DAY_H:
            least = max(least, tank.heater + NORMAL_95 * line.error)
        if least <= tank.most:
            smallest = least if smallest is None else min(smallest, least)
        size, sign = abs(line.slope), np.sign(line.slope)
        if (
            size > max(sure * line.error, wander)
            and all(_agrees(sign * slope, error, size) for slope, error in parts)
            and tank.told(size, span_h)
        ):
            off = student_quantile(0.975, line.degrees) * line.error + wander
            losses.append(_Loss(hours[0], hours[-1], -line.slope, -line.slope - off, -line.slope + off))
    return _told_once(losses), smallest


def _windows(hours: Floats) -> Iterator[tuple[int, int]]:
    """(begin, end) of the means in each window: of several lengths, each begun a quarter of its length after the last."""
    done = set()
    for length in WINDOWS_H if len(hours) else ():
        starts = np.arange(hours[0] - 0.75 * length, hours[-1], length / 4)
        begins, ends = np.searchsorted(hours, starts), np.searchsorted(hours, starts + length)
        for window in zip(begins.tolist(), ends.tolist(), strict=True):
            if window[1] - window[0] >= FEWEST_MEANS and window not in done:
                done.add(window)
                yield window


def _parts(hours: Floats, litres: Floats, piece: Ints, line: Line, *, by_day: bool) -> list[tuple[float, float]]:
    """(slope, error) of parts of a window: thirds, or as many hours of each day as make a sixth of it. None may be missing.

    The scatter is that around the whole line.
    """
    count = DAY_PARTS if by_day else PARTS
    part = np.arange(len(hours)) * count // len(hours)
    if by_day:
        part = ((hours - hours[0]) % DAY_H // (DAY_H / count)).astype(np.int64)
    run = np.cumsum((np.diff(part, prepend=part[:1]) != 0) | (np.diff(piece, prepend=piece[:1]) != 0))
    scatter, parts = line.error * line.spread**0.5, []
    for number in range(count):
        rows = np.flatnonzero(part == number)
        which = _numbered(run[rows])
        t, y = _centred(hours[rows], which), _centred(litres[rows], which)
        spread = float(t @ t)
        if spread == 0:
            return []
        parts.append((float(t @ y) / spread, scatter / spread**0.5))
    return parts


def _agrees(slope: float, error: float, whole: float) -> bool:
    """Whether a part shows a loss, and may lose at least half as fast as the whole."""
    return slope > PART_SURE * error and slope + 2 * error > whole / 2


# ---- a coarse sender ----


def evenness_p(variation: Floats, count: int) -> Floats:
    """The chance that `count` spacings of random points vary as little: coefficient of variation (divisor count). (m,) to (m,).

    1 where the formula of the module does not hold.
    """
    n = count
    # Of the logarithm that part which does not depend on the variation.
    ball = lgamma(n) - 0.5 * log(n) + (n - 1) / 2 * log(pi) - lgamma((n + 1) / 2)
    p = exp(ball) * (variation**2 / n) ** ((n - 1) / 2)
    return np.where(variation**2 * (n - 1) <= 1, p, 1.0)


@dataclass(frozen=True, slots=True)
class _Passages:
    """m passages of marks in the middle between steps, in the order of time. hours, mark (in steps), way (+1, -1), piece."""

    hours: Floats
    mark: Floats
    way: Ints
    piece: Ints

    def some(self, rows: Any) -> _Passages:
        return _Passages(self.hours[rows], self.mark[rows], self.way[rows], self.piece[rows])

    def without_flicker(self) -> _Passages:
        """One passage, half-way from the first to the last, for those of one mark to and fro; none if the level came back."""
        if not len(self.hours):
            return self
        new = np.ones(len(self.hours), np.bool_)
        new[1:] = (self.mark[1:] != self.mark[:-1]) | (self.piece[1:] != self.piece[:-1])
        first = np.flatnonzero(new)
        last = np.append(first[1:], len(new)) - 1
        hours = (self.hours[first] + self.hours[last]) / 2
        once = _Passages(hours, self.mark[first], self.way[first], self.piece[first])
        kept = (last - first) % 2 == 0
        return once.some(kept) if kept.all() else once.some(kept).without_flicker()


def _even_losses(quiet: _Quiet, step_pct: float, tank: _Tank) -> tuple[list[_Loss], float | None]:
    """(losses, smallest): what passages at even intervals show, and the smallest rate that they would show."""
    quiet = _without_jumps(quiet, step_pct)
    if not len(quiet.hours):
        return [], None
    passages = _passages(quiet, step_pct)
    at = np.minimum(np.searchsorted(quiet.hours, passages.hours), len(quiet.hours) - 1)
    losses = _told_once(_runs_of_grains(passages, _piece_ends(quiet), step_pct, quiet.per_pct[at], tank))
    return losses, _smallest_even(quiet, None if losses else passages, step_pct, tank)


def _without_jumps(quiet: _Quiet, step_pct: float) -> _Quiet:
    """The same means with pieces parted where the level jumped by more than a step, without the means in a jump."""
    far = np.abs(quiet.level[2:] - quiet.level[:-2]) > ONE_STEP * step_pct
    jumped = np.zeros(len(quiet.hours), np.bool_)
    jumped[1:-1] = far & (quiet.piece[2:] == quiet.piece[:-2])
    return quiet.some(~jumped, quiet.piece + np.cumsum(jumped))


def _runs_of_grains(
    passages: _Passages, pieces: Floats, step_pct: float, per_pct: Floats, tank: _Tank
) -> Iterator[_Loss]:
    """Losses shown by passages of every mark, or of every so many. per_pct: (m,) litres a percent at each passage."""
    for grain in GRAINS:
        if grain == 1 or grain * step_pct <= COARSEST_GRAIN_PCT:
            some = np.flatnonzero(np.round(passages.mark - 0.5) % grain == 0)
            yield from _even_runs(passages.some(some), pieces, grain * step_pct, per_pct[some], tank)


def _piece_ends(quiet: _Quiet) -> Floats:
    """(k, 2) hours at which the pieces 0..k-1 begin and end; nan where a number is not in use."""
    ends = np.full((int(quiet.piece[-1]) + 1, 2), np.nan)
    ends[quiet.piece[::-1], 0] = quiet.hours[::-1]
    ends[quiet.piece, 1] = quiet.hours
    return ends


def _passages(quiet: _Quiet, step_pct: float) -> _Passages:
    """When the means pass the middle between two steps; where they do so several times, half-way from the first to the last."""
    steps = quiet.level / step_pct
    whole = np.round(steps)
    rests = np.flatnonzero(np.abs(steps - whole) < NEAR)
    moved = np.flatnonzero((np.diff(whole[rests]) != 0) & (np.diff(quiet.piece[rests]) == 0))
    found: list[tuple[float, float, int, int]] = []
    for first, last in zip(rests[moved].tolist(), rests[moved + 1].tolist(), strict=True):
        way = 1 if whole[last] > whole[first] else -1
        rise = way * steps[first : last + 1]
        at = quiet.hours[first : last + 1]
        for mark in np.arange(min(whole[first], whole[last]), max(whole[first], whole[last]))[::way] + 0.5:
            above = rise - way * mark
            passed = np.flatnonzero((above[:-1] < 0) & (above[1:] >= 0))
            if len(passed):
                ends = passed[[0, -1]]
                part = -above[ends] / (above[ends + 1] - above[ends])
                hours = float((at[ends] + part * (at[ends + 1] - at[ends])).mean())
                found.append((hours, float(mark), way, int(quiet.piece[first])))
    columns = np.array(found).reshape(-1, 4).T
    return _Passages(columns[0], columns[1], columns[2].astype(np.int64), columns[3].astype(np.int64)).without_flicker()


def _even_runs(passages: _Passages, pieces: Floats, step_pct: float, per_pct: Floats, tank: _Tank) -> Iterator[_Loss]:
    """Losses shown by passages at even intervals. per_pct: (m,) litres a percent at each passage."""
    if len(passages.hours) <= DWELLS[0]:
        return
    same_piece = passages.piece[1:] == passages.piece[:-1]
    same_way = passages.way[1:] == passages.way[:-1]
    use = np.flatnonzero(same_piece & same_way)
    run = np.cumsum(~same_way)[use]  # passages of the other way end a run
    begin_h, end_h = passages.hours[use], passages.hours[use + 1]
    litres = step_pct * (per_pct[use] + per_pct[use + 1]) / 2
    dwell = (end_h - begin_h) / litres
    totals, squares, hours, amounts = (
        np.concatenate([[0.0], np.cumsum(values)]) for values in (dwell, dwell**2, end_h - begin_h, litres)
    )
    for count in DWELLS[len(use) >= DWELLS].tolist():
        last = np.arange(count, len(use) + 1)
        first = last - count
        mean = (totals[last] - totals[first]) / count
        variation = np.sqrt(np.maximum((squares[last] - squares[first]) / count / mean**2 - 1, 0.0))
        since_h, until_h = begin_h[first], end_h[last - 1]
        hours_of_all = hours[last] - hours[first]
        rate = (amounts[last] - amounts[first]) / hours_of_all
        even = (
            (evenness_p(variation, count) < COARSE_ALPHA)
            & (run[first] == run[last - 1])
            & (hours_of_all / count >= SHORTEST_DWELL_H)
            & (until_h - since_h <= LONGEST_H)
            & tank.told(rate, until_h - since_h)
            # Longer dwells would not show when a heater pauses.
            & ((rate > tank.heater) | (hours_of_all / count <= DAY_H / DAY_PARTS))
        )
        for row in np.flatnonzero(even).tolist():
            if _pauses(passages, pieces, since_h[row], until_h[row], PAUSE * hours_of_all[row] / count):
                continue
            size, way = float(rate[row]), int(passages.way[use[first[row]]])
            error = student_quantile(0.975, count - 1) * max(float(variation[row]) / count**0.5, 1 / 60 / count)
            wander = tank.wander_pct / (count * step_pct)
            off = size * (error + wander)
            yield _Loss(since_h[row], until_h[row], -way * size, -way * size - off, -way * size + off)


def _pauses(passages: _Passages, pieces: Floats, since_h: float, until_h: float, longest_h: float) -> bool:
    """Whether a quiet piece shows a longer time without a passage between two moments."""
    inside = np.clip(pieces[~np.isnan(pieces[:, 0])], since_h, until_h)
    for begin, end in inside[inside[:, 1] - inside[:, 0] > longest_h].tolist():
        within = passages.hours[(passages.hours >= begin) & (passages.hours <= end)]
        if np.diff(within, prepend=begin, append=end).max() > longest_h:
            return True
    return False


def _smallest_even(quiet: _Quiet, passages: _Passages | None, step_pct: float, tank: _Tank) -> float | None:
    """The smallest rate that passages would have shown, by trial: a leak is added to what was read, from random levels
    within a step on, and looked for. None where no leak would have been told.

    passages: of uses, which disturb; None for a level at rest but for the leak.
    """
    trials = _Trials(_busiest(quiet, LONGEST_H), passages, step_pct, tank)
    coarsest = max(grain for grain in GRAINS if grain == 1 or grain * step_pct <= COARSEST_GRAIN_PCT)
    fastest = coarsest * step_pct * float(quiet.per_pct.mean()) / SHORTEST_DWELL_H / 1.5
    rates = np.geomspace(LEAST_TRIED, max(min(tank.most, fastest), 2 * LEAST_TRIED), RATES_TRIED)
    low, high = 0, len(rates) - 1
    if not trials.found(float(rates[high])):
        return None
    while low < high:
        middle = (low + high) // 2
        if trials.found(float(rates[middle])):
            high = middle
        else:
            low = middle + 1
    return float(rates[high])


def _busiest(quiet: _Quiet, length_h: float) -> _Quiet:
    """The means of the window that has most of them."""
    hours = quiet.hours
    if hours[-1] - hours[0] <= length_h:
        return quiet
    ends = np.searchsorted(hours, hours + length_h)
    begin = int(np.argmax(ends - np.arange(len(hours))))
    return quiet.some(slice(begin, int(ends[begin])))


class _Trials:
    """Leaks added to quiet means of a coarse sender, and looked for."""

    def __init__(self, quiet: _Quiet, passages: _Passages | None, step_pct: float, tank: _Tank) -> None:
        self._tank, self._step_pct, self._per_pct = tank, step_pct, float(quiet.per_pct.mean())
        self._hours, self._piece, self._ends = quiet.hours, quiet.piece, _piece_ends(quiet)
        self._since_h = quiet.hours - self._ends[quiet.piece, 0]
        self._base, self._uses = np.zeros(len(quiet.hours)), 0
        if passages is not None:
            self._base = np.append(0, np.cumsum(passages.way))[np.searchsorted(passages.hours, quiet.hours)]
            # Where so much is used that passed a mark or was cut out, there are uses and tilts too small for either.
            parted = int(np.count_nonzero(np.diff(quiet.piece)))
            self._uses = int(np.count_nonzero(np.diff(self._base))) + parted // 2

    def found(self, rate: float) -> bool:
        """Whether a leak of a rate is found in at least FOUND of the trials."""
        random = np.random.default_rng(TRIAL_SEED)
        misses = 0
        for _ in range(TRIALS):
            misses += not self._once(rate, random)
            if misses > (1 - FOUND) * TRIALS:
                return False
        return True

    def _once(self, rate: float, random: np.random.Generator) -> bool:
        step_h = self._step_pct * self._per_pct / rate
        start = random.uniform(size=len(self._ends))[self._piece]
        small = np.zeros(len(self._base))
        np.add.at(small, random.integers(0, len(small), self._uses), random.uniform(-0.5, 0.5, self._uses))
        steps = np.floor(self._base + start + np.cumsum(small) - self._since_h / step_h)
        rise = np.diff(steps) * (np.diff(self._piece) == 0)
        at = np.flatnonzero(rise)
        count = np.abs(rise[at]).astype(np.int64)
        at = np.repeat(at, count)
        way = np.sign(rise[at]).astype(np.int64)
        nth = np.arange(len(at)) - np.repeat(np.cumsum(count) - count, count)
        mark = np.where(way > 0, steps[at] + nth + 0.5, steps[at] - nth - 0.5)
        hours = (self._hours[at] + self._hours[at + 1]) / 2 + TRIAL_JITTER * step_h * random.standard_normal(len(at))
        order = np.lexsort((hours, self._piece[at]))
        passages = _Passages(hours[order], mark[order], way[order], self._piece[at][order]).without_flicker()
        per_pct = np.full(len(passages.hours), self._per_pct)
        return any(loss.rate > 0 for loss in _runs_of_grains(passages, self._ends, self._step_pct, per_pct, self._tank))
