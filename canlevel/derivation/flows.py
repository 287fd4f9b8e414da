"""Flows: fills and drains of each tank and source, found off-line in its readings. READINGS in, FLOWS out.

Readings become litres first, by the tank's shape, so that a steady flow is a straight line in any tank. How the flows are
then found depends on what the sender can say at the time: in steps, at rest (stepped.py), or with a scatter (noisy.py), which
is always so in a fine sender and in any sender while the liquid sloshes.
Nothing is claimed across a long gap in the readings.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.derivation.noisy import Found, Noisy, Tank, noisy_flows
from canlevel.derivation.ramps import SPREAD_95
from canlevel.derivation.sender import Sender, describe_sender, local_noise, restless, scatter_pct, without_spikes
from canlevel.derivation.series import Series, series_of
from canlevel.derivation.stepped import stepped_flows
from canlevel.tables import FLOWS, arrow, dictionary_column, float_column, time_column

__all__ = ["VolumeCurve", "derive_flows"]

Floats = NDArray[np.float64]

GAP_PERIODS, GAP_S = 20, 600.0
FEWEST_READINGS = 5
JOINED_S, SPELL_S = 400.0, 60.0  # restless spells closer than this are one; shorter ones are none
CLOSE_S, STEPS_MOVING = 600.0, 2.5  # so close to a spell a flow of so few steps is left to the slope
SETTLING_S = 20.0  # after a spell, until the level has come to rest
FEWEST_STEPS = 1.6
TOUCHING_S = 6.0
FINE_L = 0.4  # steps of less are no more than a scatter, as taps pass one with every reading
SMALLEST_L, SMALLEST_PCT = 0.25, 0.25  # flows of less are left to noise
MOST_SHIFT_PCT = 12.0  # no tilt changes a level by more
STRAIGHT, ALIKE, ALIKE_IF_BENT = 0.02, 0.06, 0.15
# Standard deviation of how far a level is off by a tilt, of a vehicle that stays and of one that moves about.
TILT_PCT, TILT_MOVING_PCT = 1.0, 2.5
TRIFLE = 1e-6
SAME_S = 1e-4
BEND_PCT = 5.0  # so far above and below a level its shape's bend is told
CORNERS_S = 0.25  # standard deviation of when a sender shows a corner
COLOUR_SCALES = (1, 2, 4, 8, 16)
USUAL_OF_SQUARE = 0.4549  # median of a squared standard normal variable
COLOUR_BLOCK_S = 10.0


def derive_flows(readings: pa.Table) -> pa.Table:
    """FLOWS of READINGS, in the order of their start. Pure: the same readings give the same flows.

    rate_low and rate_high enclose the rate in 95 of 100 cases. Levels outside 0..100 % count like others; readings without a
    level or a time are passed over.
    """
    series = list(series_of(readings))
    found: list[tuple[int, Found]] = []
    curves = [VolumeCurve(one) for one in series]
    for number, (one, curve) in enumerate(zip(series, curves, strict=True)):
        found += ((number, flow) for flow in _series_flows(one, curve))
    begins_us = [series[number].origin_us + round(flow.start_s * 1e6) for number, flow in found]
    order = sorted(
        range(len(found)),
        key=lambda i: (begins_us[i], series[found[i][0]].tank, series[found[i][0]].source_address),
    )
    which = np.array([found[i][0] for i in order], np.int64)
    flows = [found[i][1] for i in order]
    litres = np.array([curves[number].litres for number in which], np.bool_)
    levels = np.array(
        [curves[n].level(np.array([flow.before, flow.after])) for n, flow in zip(which, flows, strict=True)]
    ).reshape(-1, 2)
    starts = np.array([begins_us[i] for i in order], np.int64)
    ends = np.array(
        [series[n].origin_us + round(flow.end_s * 1e6) for n, flow in zip(which, flows, strict=True)], np.int64
    )
    minutes = np.maximum((ends - starts) / 60e6, 1e-9)

    def words(names: list[str | None]) -> pa.Array:
        known = list(dict.fromkeys(names))
        return dictionary_column(np.array([known.index(name) for name in names], np.int64)[which], known)

    def in_litres(values: list[float]) -> pa.Array:
        return float_column(np.where(litres, np.array(values, np.float64), np.nan))

    filling = np.array([flow.change > 0 for flow in flows], np.int64)
    columns = {
        "vessel": words([one.vessel for one in series]),
        "tank": words([one.tank for one in series]),
        "name": words([one.name for one in series]),
        "source_address": arrow(np.array([series[n].source_address for n in which], np.uint8)),
        "kind": dictionary_column(filling, ["drain", "fill"]),
        "start": time_column(starts),
        "end": time_column(ends),
        "start_level_pct": float_column(levels[:, 0]),
        "end_level_pct": float_column(levels[:, 1]),
        "volume_l": in_litres([abs(flow.change) for flow in flows]),
        "rate_l_per_min": in_litres([flow.rate * 60 for flow in flows]),
        "rate_low": in_litres([flow.rate_low * 60 for flow in flows]),
        "rate_high": in_litres([flow.rate_high * 60 for flow in flows]),
        "rate_pct_per_min": float_column((levels[:, 1] - levels[:, 0]) / minutes),
    }
    return pa.table([columns[field.name] for field in FLOWS], schema=FLOWS)


class VolumeCurve:
    """Litres at any level of one tank, from the pairs its readings carry: the tank's shape without knowing its kind.

    Without a capacity it gives percent for percent, and `litres` is false.
    """

    def __init__(self, series: Series) -> None:
        known = ~np.isnan(series.volume_l)
        if known.any():
            # A capacity that was corrected half-way leaves two volumes for one level: the later one is right.
            last = series.capacity_l[np.flatnonzero(known)[-1]]
            known &= (series.capacity_l == last) | (np.isnan(series.capacity_l) & np.isnan(last))
        levels, first = np.unique(series.level_pct[known], return_index=True)
        volumes = np.maximum.accumulate(series.volume_l[known][first]) if len(levels) else levels
        self.litres = len(levels) > 1 and bool(volumes[-1] > volumes[0])
        if self.litres:
            # A shape that ends at its top, and a level that goes on: a trifle keeps the curve rising.
            volumes = volumes + TRIFLE * (volumes[-1] - volumes[0]) * (levels - levels[0]) / (levels[-1] - levels[0])
        self._levels = levels if self.litres else np.array([0.0, 100.0])
        self._volumes = volumes if self.litres else np.array([0.0, 100.0])
        fifths = np.diff(self(np.linspace(0, 100, 6)))
        straight = float(np.ptp(fifths)) < STRAIGHT * float(fifths.max())
        self.tank = Tank(self.litres, MOST_SHIFT_PCT / 100 * float(fifths.sum()), ALIKE if straight else ALIKE_IF_BENT)

    def __call__(self, level: Floats) -> Floats:
        """(n,) litres at (n,) percent, in straight lines between what was read and on beyond its ends."""
        return _along(level, self._levels, self._volumes)

    def level(self, volume: Floats) -> Floats:
        """(n,) percent at (n,) litres."""
        rising = np.append(True, np.diff(self._volumes) > 0)
        return _along(volume, self._volumes[rising], self._levels[rising])


def _along(at: Floats, xs: Floats, ys: Floats) -> Floats:
    values: Floats = np.interp(at, xs, ys)
    for end, inner in ((0, 1), (-1, -2)):
        slope = (ys[end] - ys[inner]) / (xs[end] - xs[inner])
        beyond = at < xs[0] if end == 0 else at > xs[-1]
        values = np.where(beyond, ys[end] + slope * (at - xs[end]), values)
    return values


def _series_flows(series: Series, curve: VolumeCurve) -> Iterator[Found]:
    """Flows of one series, stretch by stretch between gaps."""
    # Of several readings of one moment the first counts: a level has no rate within a moment.
    series = _at_moments(series)
    periods = np.diff(series.seconds)
    if len(periods) < FEWEST_READINGS:
        return
    sender = describe_sender(series.seconds, series.level_pct)
    if sender.step_pct == 0:
        return
    gaps = np.flatnonzero(periods > max(GAP_PERIODS * float(np.median(periods)), GAP_S)) + 1
    sloshes = restless(series.seconds, series.level_pct, sender)
    tilt_pct = TILT_MOVING_PCT if sloshes.any() else TILT_PCT
    smallest = SMALLEST_L if curve.litres else SMALLEST_PCT
    for rows in np.split(np.arange(len(series.seconds)), gaps):
        if len(rows) < FEWEST_READINGS:
            continue
        at_s, level = series.seconds[rows], series.level_pct[rows]
        found = _stretch_flows(at_s, level, _spells(at_s, sloshes[rows]), sender, curve)
        yield from _united(_widened(flow, curve, tilt_pct) for flow in found if abs(flow.change) >= smallest)


def _united(flows: Iterable[Found]) -> Iterator[Found]:
    """Flows, those made one that touch and whose rates are not known to differ."""
    one: Found | None = None
    for other in flows:
        if one is not None and _not_known_to_differ(one, other):
            lasted = other.end_s - one.start_s
            rate = (one.change + other.change) / lasted
            reach = max(one.rate_high - one.rate_low, other.rate_high - other.rate_low) / 2
            # The longer of the two tells the rate of both more closely than their ends do.
            longer = one if one.end_s - one.start_s > other.end_s - other.start_s else other
            half = min(reach, (longer.rate_high - longer.rate_low) / 2 + abs(longer.rate - rate))
            one = replace(
                one,
                end_s=other.end_s,
                after=other.after,
                change=one.change + other.change,
                rate=rate,
                rate_low=rate - half,
                rate_high=rate + half,
                steps=one.steps + other.steps,
            )
            continue
        if one is not None:
            yield one
        one = other
    if one is not None:
        yield one


def _at_moments(series: Series) -> Series:
    once = np.append(True, np.diff(series.seconds) > SAME_S)
    if once.all():
        return series
    return replace(
        series,
        seconds=series.seconds[once],
        level_pct=series.level_pct[once],
        volume_l=series.volume_l[once],
        capacity_l=series.capacity_l[once],
    )


def _not_known_to_differ(one: Found, other: Found) -> bool:
    if one.change * other.change <= 0 or other.start_s - one.end_s > TOUCHING_S or other.start_s < one.start_s:
        return False
    reach = np.hypot(one.rate_high - one.rate_low, other.rate_high - other.rate_low) / 2
    return bool(abs(one.rate - other.rate) < reach)


def _widened(flow: Found, curve: VolumeCurve, tilt_pct: float) -> Found:
    """The flow with an interval that allows for what the fit takes for given: the corners of the sender, and an even keel."""
    levels = curve.level(np.array([flow.before, flow.after]))
    middle = np.clip(float(levels.mean()), BEND_PCT, 100 - BEND_PCT)
    around = np.diff(curve(middle + np.array([-BEND_PCT, 0.0, BEND_PCT]))) / BEND_PCT
    bend = abs(around[1] - around[0]) / BEND_PCT / max(around.mean(), 1e-9)
    corners = CORNERS_S / max(flow.end_s - flow.start_s, 1.0)
    extra = SPREAD_95 * abs(flow.rate) * float(np.hypot(bend * tilt_pct, corners))
    low = flow.rate - float(np.hypot(flow.rate - flow.rate_low, extra))
    high = flow.rate + float(np.hypot(flow.rate_high - flow.rate, extra))
    # Which way it flows is known, if the fit knew it.
    return replace(
        flow,
        rate_low=max(low, 0.0) if flow.rate_low > 0 else low,
        rate_high=min(high, 0.0) if flow.rate_high < 0 else high,
    )


def _stretch_flows(
    at_s: Floats, level: Floats, spells: list[tuple[int, int]], sender: Sender, curve: VolumeCurve
) -> Iterator[Found]:
    step_l = sender.step_pct * curve.tank.most_shift / MOST_SHIFT_PCT
    if not sender.coarse:
        yield from noisy_flows(_noisy(at_s, level, spells, sender, curve))
        return
    # A level that rests close to a mark reads as either step for minutes: less than two steps of change may be that.
    least = FEWEST_STEPS * step_l
    if curve.litres and step_l < FINE_L:
        found = noisy_flows(_noisy(at_s, level, spells, sender, curve))
        yield from (flow for flow in found if abs(flow.change) > least)
        return
    at = 0
    for begin, end in [*spells, (len(at_s), len(at_s))]:
        if begin - at >= FEWEST_READINGS:
            found = stepped_flows(at_s[at:begin], level[at:begin], sender, curve, curve.tank)
            yield from (flow for flow in found if flow.steps > STEPS_MOVING or not _close(flow, at_s, spells))
        if end > begin:
            some = slice(begin, end)
            found = noisy_flows(_noisy(at_s[some], level[some], [(0, end - begin)], sender, curve))
            yield from (flow for flow in found if abs(flow.change) > least)
        at = end


def _close(flow: Found, at_s: Floats, spells: list[tuple[int, int]]) -> bool:
    """Whether the vehicle was under way shortly before or after a flow: then a step or two may be the slope it stands on."""
    return any(flow.start_s < at_s[end - 1] + CLOSE_S and flow.end_s > at_s[begin] - CLOSE_S for begin, end in spells)


def _spells(at_s: Floats, sloshes: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """(begin, end) of the rows in which the level sloshes, short pauses included and short spells left out."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], sloshes, [False]])))
    spells: list[tuple[int, int]] = []
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if spells and at_s[begin] - at_s[spells[-1][1] - 1] < JOINED_S:
            spells[-1] = (spells[-1][0], end)
        else:
            spells.append((begin, end))
    long = [(begin, end) for begin, end in spells if at_s[end - 1] - at_s[begin] >= SPELL_S]
    return [(begin, int(np.searchsorted(at_s, at_s[end - 1] + SETTLING_S))) for begin, end in long]


def _noisy(at_s: Floats, level: Floats, spells: list[tuple[int, int]], sender: Sender, curve: VolumeCurve) -> Noisy:
    """Readings with their noise, in litres."""
    step = sender.step_pct
    calm = without_spikes(level, step)
    noise = np.maximum(local_noise(at_s, level, step), sender.noise_pct)
    scatter = scatter_pct(at_s, calm)
    colour, moving = np.ones(len(at_s)), np.zeros(len(at_s), np.bool_)
    for begin, end in spells:
        moving[begin:end] = True
        noise[begin:end] = np.maximum(noise[begin:end], scatter[begin:end])
    # What rounding to a step adds to the error of a mean: the first harmonic of its error, which noise dithers away
    # (B. Widrow, I. Kollar, Quantization Noise, 2008, chapter 3: characteristic function of normal noise).
    ratio = noise / step
    variance = noise**2 + step**2 / 12
    stuck = step**2 / 12 * np.exp(-4 * np.pi**2 * np.minimum(ratio, 2) ** 2)
    for begin, end in spells:
        colour[begin:end] = _colour(at_s[begin:end], calm[begin:end], variance[begin:end])
    period = max(float(np.median(np.diff(at_s))), 1e-3)
    variance = variance + stuck * COLOUR_BLOCK_S / period
    slope = (curve(calm + 0.5) - curve(calm - 0.5)) if curve.litres else np.ones(len(at_s))
    sd = np.sqrt(variance) * np.maximum(np.abs(slope), 1e-6)
    return Noisy(at_s, curve(calm), sd, colour, moving, curve.tank)


def _colour(at_s: Floats, level: Floats, variance: Floats) -> float:
    """By how much means of a sloshing level scatter more than independent readings would: at least 1.

    Allan's variance (1966) of means over ten seconds and longer, its median taken so that a flow does not count.
    """
    number = np.floor((at_s - at_s[0]) / COLOUR_BLOCK_S).astype(np.int64)
    first = np.flatnonzero(np.diff(number, prepend=-1))
    counts = np.diff(np.append(first, len(at_s)))
    means = np.add.reduceat(level, first) / counts
    expected = float(np.median(np.add.reduceat(variance, first) / counts**2))
    worst = 1.0
    for scale in COLOUR_SCALES:
        n = len(means) // scale
        if n < 8 and scale > 1:
            break
        longer = means[: n * scale].reshape(n, scale).mean(axis=1)
        change = np.diff(longer)
        if len(change) < 4:
            break
        found = float(np.median(change**2)) / USUAL_OF_SQUARE / 2 * scale
        worst = max(worst, found / expected)
    return worst
