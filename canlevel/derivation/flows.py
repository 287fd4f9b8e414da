"""Flows: fills and drains of each tank and source, found off-line in its readings. READINGS in, FLOWS out.

Readings become litres first, by the tank's shape, so that a steady flow is a straight line in any tank. How the flows are
then found depends on what the sender can say at the time: in steps, at rest (stepped.py), or with a scatter (noisy.py), which
is always so in a fine sender and in any sender while the liquid sloshes.
Nothing is claimed across a long gap in the readings.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.derivation.noisy import (
    BRIEF_S,
    FASTEST_L,
    FEWEST_STEPS,
    MOMENT_S,
    PARKED_CHANGE,
    SHORTEST_S,
    UNHEARD_S,
    Found,
    Noisy,
    Tank,
    noisy_flows,
)
from canlevel.derivation.ramps import SPREAD_95
from canlevel.derivation.segments import neighbours_joined
from canlevel.derivation.sender import (
    FINEST_PCT,
    Sender,
    from_minute,
    local_noise,
    restless,
    scatter_pct,
    sender_and_calm,
    starts_of,
    usual_period_s,
)
from canlevel.derivation.series import Series, series_of
from canlevel.derivation.stepped import stepped_flows
from canlevel.tables import FLOWS, arrow, dictionary_column, float_column, time_column

__all__ = ["GAP_PERIODS", "GAP_S", "VolumeCurve", "derive_flows"]

Floats = NDArray[np.float64]

GAP_PERIODS, GAP_S = 20, 600.0
FEWEST_READINGS = 5
JOINED_S, SPELL_S = 400.0, 60.0  # restless spells closer than this are one; shorter ones are none
CLOSE_S, STEPS_MOVING = 600.0, 2.5  # so close to a spell a flow of so few steps is left to the slope
PARKED_S, PARKED_LASTS_S = 60.0, 120.0  # what is brief and so close to a spell's begin or end may be a slope
SETTLING_S = 20.0  # after a spell, until the level has come to rest
TOUCHING_S = 6.0
AT_A_TOUCH_S = 2.0
SMALL = 2.0  # times the largest shift
SELDOM = 1 / 4  # part of a tank's small flows
LONGEST_LAG_S = 5.0  # time constant of the slowest sender (common practice, no source)
FASTEST_TAP_L = 10.0  # litres a minute that a shower, let alone a tap, does not give (common practice, no source)
RESTED_S = 20.0  # a shift, and what a sender lags, are over sooner
SLACK_S = 15.0  # within which a gap begins or ends about where a flow does
FINE_L = 0.4  # steps of less are no more than a scatter, as taps pass one with every reading
SMALLEST_L, SMALLEST_PCT = 0.25, 0.25  # flows of less are left to noise
MOST_SHIFT_PCT = 12.0  # no tilt changes a level by more
STRAIGHT, ALIKE, ALIKE_IF_BENT = 0.02, 0.06, 0.15
UNEVEN = (
    0.1  # part by which what a pump gives goes up and down as its pressure switch does (common practice, no source)
)
# Standard deviation of how far a level is off by a tilt, of a vehicle that stays and of one that moves about.
TILT_PCT, TILT_MOVING_PCT = 1.5, 2.5
TRIFLE = 1e-6
SAME_S, SAME_PCT = 1e-4, 1e-9
MOST_TICKS = 1 << 20
POINTS = 1024  # of a curve
SAME_PART, LEAST_SLOPE = 1e-9, 1e-6
BEND_PCT = 5.0  # so far above and below a level its shape's bend is told
WIDER = (
    1.09  # noise, lag and where the lines meet are taken for known, though they were fitted to the same few readings
)
CORNERS_S = 0.25  # standard deviation of when a sender shows a corner
COLOUR_SCALES = (1, 2, 4, 8, 16)
USUAL_OF_SQUARE = 0.4549  # median of a squared standard normal variable
COLOUR_BLOCK_S = 10.0
SURROUNDINGS_S = 180.0
DITHERED = 1.5  # steps of noise, beyond which nothing is left of the error of rounding


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
        levels, first = _each_level(series.level_pct[known])
        volumes = np.maximum.accumulate(series.volume_l[known][first]) if len(levels) else levels
        self.litres = len(levels) > 1 and bool(volumes[-1] > volumes[0])
        if self.litres:
            # A shape that ends at its top, and a level that goes on: a trifle keeps the curve rising.
            volumes = volumes + TRIFLE * (volumes[-1] - volumes[0]) * (levels - levels[0]) / (levels[-1] - levels[0])
            levels, volumes = _few(levels, volumes)
        self._levels = levels if self.litres else np.array([0.0, 100.0])
        self._volumes = volumes if self.litres else np.array([0.0, 100.0])
        self._rising = np.append(True, np.diff(self._volumes) > 0)
        fifths = np.diff(self(np.linspace(0, 100, 6)))
        straight = float(np.ptp(fifths)) < STRAIGHT * float(fifths.max())
        self.tank = Tank(
            self.litres,
            most_shift=MOST_SHIFT_PCT / 100 * float(fifths.sum()),
            alike=ALIKE if straight else ALIKE_IF_BENT,
            fastest=FASTEST_L / 60 if self.litres else np.inf,
        )

    def __call__(self, level: Floats) -> Floats:
        """(n,) litres at (n,) percent, in straight lines between what was read and on beyond its ends."""
        return _along(level, self._levels, self._volumes)

    def level(self, volume: Floats) -> Floats:
        """(n,) percent at (n,) litres."""
        return _along(volume, self._volumes[self._rising], self._levels[self._rising])

    def slope(self, level: Floats) -> Floats:
        """(n,) litres that a percent holds at (n,) percent; never nothing."""
        if self.straight:
            slope = (self._volumes[1] - self._volumes[0]) / (self._levels[1] - self._levels[0])
            return np.full(len(level), max(float(slope), LEAST_SLOPE))
        at = np.linspace(self._levels[0] - 1, self._levels[-1] + 1, POINTS)
        return np.asarray(np.interp(level, at, np.maximum(self(at + 0.5) - self(at - 0.5), LEAST_SLOPE)))

    @property
    def straight(self) -> bool:
        """Whether every percent holds as much as every other."""
        return len(self._levels) == 2

    def bend(self, level: float) -> float:
        """By which part what a percent holds differs from one percent to the next, at some percent and not at either end."""
        middle = min(max(level, BEND_PCT), 100 - BEND_PCT)
        around = np.diff(self(middle + np.array([-BEND_PCT, 0.0, BEND_PCT]))) / BEND_PCT
        return float(abs(around[1] - around[0]) / BEND_PCT / max(around.mean(), 1e-9))


def _few(levels: Floats, volumes: Floats) -> tuple[Floats, Floats]:
    """A curve by no more points than it needs: a fine sender has been at thousands of levels."""
    line = np.interp(levels, levels[[0, -1]], volumes[[0, -1]])
    if np.abs(line - volumes).max() < SAME_PART * (volumes[-1] - volumes[0]):
        return levels[[0, -1]], volumes[[0, -1]]
    if len(levels) > POINTS:
        some = np.unique(np.searchsorted(levels, np.linspace(levels[0], levels[-1], POINTS)))
        return levels[some], volumes[some]
    return levels, volumes


def _each_level(level: Floats) -> tuple[Floats, NDArray[np.int64]]:
    """(levels, first): those among (n,) in order, each once, and a row that has it."""
    ticks = np.rint(level / FINEST_PCT).astype(np.int64)
    if len(level) and np.abs(ticks * FINEST_PCT - level).max() < SAME_PCT and int(np.ptp(ticks)) <= MOST_TICKS:
        # A table of all levels there may be takes less time than sorting all readings.
        least = int(ticks.min())
        rows = np.full(int(np.ptp(ticks)) + 1, -1)
        rows[ticks[::-1] - least] = np.arange(len(ticks))[::-1]
        first = rows[rows >= 0]
        return level[first], first
    levels, first = np.unique(level, return_index=True)
    return levels, first


def _along(at: Floats, xs: Floats, ys: Floats) -> Floats:
    values: Floats = np.interp(at, xs, ys)
    for end, inner in ((0, 1), (-1, -2)):
        beyond = at < xs[0] if end == 0 else at > xs[-1]
        if beyond.any():
            slope = (ys[end] - ys[inner]) / (xs[end] - xs[inner])
            values[beyond] = ys[end] + slope * (at[beyond] - xs[end])
    return values


def _series_flows(series: Series, curve: VolumeCurve) -> Iterator[Found]:
    """Flows of one series, stretch by stretch between gaps."""
    # Of several readings of one moment the first counts: a level has no rate within a moment.
    series = _at_moments(series)
    periods = np.diff(series.seconds)
    if len(periods) < FEWEST_READINGS:
        return
    sender, calm = sender_and_calm(series.seconds, series.level_pct)
    if sender.step_pct == 0:
        return
    gaps = np.flatnonzero(periods > max(GAP_PERIODS * usual_period_s(series.seconds), GAP_S)) + 1
    sloshes = restless(series.seconds, calm, sender)
    tilt_pct = TILT_MOVING_PCT if sloshes.any() else TILT_PCT
    smallest = SMALLEST_L if curve.litres else SMALLEST_PCT
    stretches = []
    for begin, end in pairwise([0, *gaps.tolist(), len(calm)]):
        if end - begin >= FEWEST_READINGS:
            at_s = series.seconds[begin:end]
            stretches.append((at_s, calm[begin:end], _spells(at_s, sloshes[begin:end])))
    told: list[Found] = []
    for (at_s, _, _), found in zip(stretches, _flows_of(stretches, sender, curve), strict=True):
        flows = (_widened(flow, curve, tilt_pct) for flow in found if abs(flow.change) >= smallest)
        united = list(_united(_unshifted(_apart(flows), curve.tank), at_s, curve.tank.alike))
        told += _without_tilts(united, curve.tank)
    yield from _as_usual(told, curve.tank)


def _as_usual(flows: list[Found], tank: Tank) -> Iterator[Found]:
    """Flows without those of a single step that go the way in which little never flows in this tank.

    Taps take from one tank and run into another, a little at a time, while what goes the other way fills or empties it. A slope
    goes either way. Of n small flows of which m went this way, (m + 1) / (n + 2) more are to be expected to (Laplace 1814).
    """
    small = [flow.change for flow in flows if flow.steps > 1 and abs(flow.change) <= SMALL * tank.most_shift]
    up, down = sum(change > 0 for change in small), sum(change < 0 for change in small)
    for flow in flows:
        mine, other = (up, down) if flow.change > 0 else (down, up)
        if flow.steps > 1 or (mine + 1) / (mine + other + 2) > SELDOM:
            yield flow


def _unshifted(flows: Iterable[Found], tank: Tank) -> list[Found]:
    """Flows, those made one that a shift parts: of a like rate before and after what was over in a moment.

    Nobody closes one tap and opens another like it within seconds; that the vehicle leans over meanwhile, anybody does. What
    touches a larger flow of its direction and is over sooner than any valve is a part of that.
    """
    kept: list[Found] = []
    for flow in flows:
        for ago in (1, 2):
            if len(kept) < ago or not (
                _shift_between(kept[-ago], flow, tank) or (ago == 1 and _corner(kept[-1], flow))
            ):
                continue
            if ago == 2 and not _no_tap(kept[-1], flow.rate, tank):
                continue
            flow = _one_of([*kept[-ago:], flow])
            del kept[-ago:]
            break
        kept.append(flow)
    return kept


def _one_of(parts: list[Found]) -> Found:
    """One flow of parts, at the rate of the longest: the others' were made by a tilt, or a tap ran along for a moment.

    There is no telling, so that the interval holds the mean rate of all of them as well.
    """
    first, last = parts[0], parts[-1]
    longest = max(parts, key=lambda part: part.end_s - part.start_s)
    along = [part for part in parts if part.change * longest.change > 0]
    mean = sum(part.change * part.rate for part in along) / sum(part.change for part in along)
    return replace(
        longest,
        start_s=first.start_s,
        end_s=last.end_s,
        before=first.before,
        after=last.after,
        change=longest.rate * (last.end_s - first.start_s),
        rate_low=min(longest.rate_low, mean),
        rate_high=max(longest.rate_high, mean),
        steps=first.steps + last.steps,
    )


def _no_tap(between: Found, rate: float, tank: Tank) -> bool:
    """Whether what came between was over too soon and too fast for one more tap, or was slower or went the other way."""
    more = between.rate / rate * abs(rate) - abs(rate)
    return between.end_s - between.start_s <= BRIEF_S and (more < 0 or more > _fastest_tap(tank))


def _fastest_tap(tank: Tank) -> float:
    """What no tap and no shower gives, per second."""
    # Percent stand for litres of a tank of two hundred.
    return FASTEST_TAP_L / 60 if tank.litres else FASTEST_TAP_L / 60 / 2


def _shift_between(one: Found, other: Found, tank: Tank) -> bool:
    pause_s = other.start_s - one.end_s
    if one.change * other.change <= 0 or not 0 <= pause_s <= MOMENT_S or not _like(one, other, tank.alike):
        return False
    meanwhile, went_on = other.before - one.after, pause_s * (one.rate + other.rate) / 2
    # Neither did it rest, as far as can be seen, nor is it elsewhere by more than a tilt.
    step = max(abs(part.change) / part.steps for part in (one, other))
    rested = pause_s > RESTED_S and abs(went_on) > step and abs(meanwhile) <= abs(went_on) / 2
    return not rested and abs(meanwhile - went_on) < PARKED_CHANGE * tank.most_shift


def _corner(one: Found, other: Found) -> bool:
    """Whether the smaller of two flows that touch is a part of the larger: over sooner than any valve, or the sender's lag."""
    small, large = (one, other) if abs(one.change) < abs(other.change) else (other, one)
    if one.change * other.change <= 0 or abs(other.start_s - one.end_s) >= AT_A_TOUCH_S:
        return False
    lasted = small.end_s - small.start_s
    return lasted < SHORTEST_S or (small is one and _lags(small, large, lasted))


def _lags(first: Found, then: Found, lasted: float) -> bool:
    """Whether a flow is the beginning of the next as a sender shows it that follows slowly.

    After a time t it has shown 1 - L / t (1 - exp(-t / L)) of what flowed.
    """
    shown = 1 - LONGEST_LAG_S / lasted * (1 - float(np.exp(-lasted / LONGEST_LAG_S)))
    return lasted < 3 * LONGEST_LAG_S and shown < first.rate / then.rate < 1


def _apart(flows: Iterable[Found]) -> Iterator[Found]:
    """Flows without those that lie within a larger one of their direction: a level has one rate at a time."""

    def as_one(one: Found, other: Found) -> Found | None:
        shared = min(one.end_s, other.end_s) - other.start_s
        small, large = (one, other) if abs(one.change) < abs(other.change) else (other, one)
        within = one.change * other.change > 0 and shared > (small.end_s - small.start_s) / 2
        return large if within else None

    return neighbours_joined(flows, as_one)


def _without_tilts(flows: list[Found], tank: Tank) -> Iterator[Found]:
    """Flows without those that were a tilt: between two rests, no larger than one, over at once and faster than any tap.

    Taps and showers give less than ten litres a minute. What gives more, a hose, a pump or an open valve, runs for longer.
    """
    for i, flow in enumerate(flows):
        alone = (i == 0 or flow.start_s - flows[i - 1].end_s > MOMENT_S) and (
            i == len(flows) - 1 or flows[i + 1].start_s - flow.end_s > MOMENT_S
        )
        tilt = flow.end_s - flow.start_s <= BRIEF_S and abs(flow.change) < tank.most_shift
        if not (alone and tilt and abs(flow.rate) > _fastest_tap(tank)):
            yield flow


def _united(flows: Iterable[Found], at_s: Floats, alike: float) -> Iterator[Found]:
    """Flows, those made one that touch, or have a gap in the readings between, and whose rates are not known to differ."""

    def as_one(one: Found, other: Found) -> Found | None:
        if not (_touching(one, other, alike) or _through_a_gap(one, other, at_s)):
            return None
        lasted = other.end_s - one.start_s
        change = one.change + other.change
        if other.start_s - one.end_s > TOUCHING_S:
            change = other.after - one.before
        rate = change / lasted
        reach = max(one.rate_high - one.rate_low, other.rate_high - other.rate_low) / 2
        # The longer of the two tells the rate of both more closely than their ends do.
        longer = one if one.end_s - one.start_s > other.end_s - other.start_s else other
        half = min(reach, (longer.rate_high - longer.rate_low) / 2 + abs(longer.rate - rate))
        return replace(
            one,
            end_s=other.end_s,
            after=other.after,
            change=change,
            rate=rate,
            rate_low=rate - half,
            rate_high=rate + half,
            steps=one.steps + other.steps,
        )

    return neighbours_joined(flows, as_one)


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


def _touching(one: Found, other: Found, alike: float) -> bool:
    if one.change * other.change <= 0 or other.start_s - one.end_s > TOUCHING_S or other.start_s < one.start_s:
        return False
    return _like(one, other, alike)


def _like(one: Found, other: Found, alike: float) -> bool:
    """Whether two rates are not known to differ."""
    reach = np.hypot(one.rate_high - one.rate_low, other.rate_high - other.rate_low) / 2
    # What the fits do not know and what the shape does not are errors that have nothing to do with one another.
    alike = max(alike, UNEVEN)
    return bool(abs(one.rate - other.rate) < np.hypot(reach, alike * min(abs(one.rate), abs(other.rate))))


def _through_a_gap(one: Found, other: Found, at_s: Floats) -> bool:
    """Whether a flow went on while nothing was heard: then the litres on either side of the gap are apart by what it moved."""
    if one.change * other.change <= 0 or other.start_s <= one.end_s:
        return False
    first, last = np.searchsorted(at_s, [one.end_s - SLACK_S, other.start_s + SLACK_S])
    if last - first < 2 or np.diff(at_s[first:last]).max() < max(UNHEARD_S, (other.start_s - one.end_s) / 2):
        return False
    rate = (other.after - one.before) / (other.end_s - one.start_s)
    return all(flow.rate_low <= rate <= flow.rate_high for flow in (one, other))


def _widened(flow: Found, curve: VolumeCurve, tilt_pct: float) -> Found:
    """The flow with an interval that allows for what the fit takes for given: the corners of the sender, and an even keel."""
    bend = 0.0 if curve.straight else curve.bend(float(curve.level(np.array([flow.before, flow.after])).mean()))
    corners = CORNERS_S / max(flow.end_s - flow.start_s, 1.0)
    extra = SPREAD_95 * abs(flow.rate) * float(np.hypot(bend * tilt_pct, corners))
    low = flow.rate - WIDER * float(np.hypot(flow.rate - flow.rate_low, extra))
    high = flow.rate + WIDER * float(np.hypot(flow.rate_high - flow.rate, extra))
    # Which way it flows is known, if the fit knew it.
    return replace(
        flow,
        rate_low=max(low, 0.0) if flow.rate_low > 0 else low,
        rate_high=min(high, 0.0) if flow.rate_high < 0 else high,
    )


_Stretch = tuple[Floats, Floats, list[tuple[int, int]]]  # seconds, percent, and the spells in it


def _flows_of(stretches: list[_Stretch], sender: Sender, curve: VolumeCurve) -> Iterator[list[Found]]:
    """The flows of each of some stretches without long gaps."""
    step_l = sender.step_pct * curve.tank.most_shift / MOST_SHIFT_PCT
    # A level that rests close to a mark reads as either step for minutes: less than two steps of change may be that.
    least = FEWEST_STEPS * step_l if sender.coarse else 0.0
    if not sender.coarse or (curve.litres and step_l < FINE_L):
        for found in noisy_flows([_noisy(*stretch, sender, curve) for stretch in stretches]):
            yield [flow for flow in found if abs(flow.change) > least]
        return
    for at_s, calm, spells in stretches:
        yield list(_stepping_flows(at_s, calm, spells, sender, curve, least))


def _stepping_flows(
    at_s: Floats, calm: Floats, spells: list[tuple[int, int]], sender: Sender, curve: VolumeCurve, least: float
) -> Iterator[Found]:
    """A coarse sender's: by its steps at rest, and by its scatter under way."""
    at = 0
    for begin, end in [*spells, (len(at_s), len(at_s))]:
        if begin - at >= FEWEST_READINGS:
            found = stepped_flows(at_s[at:begin], calm[at:begin], sender, curve, curve.tank)
            found = (flow for flow in found if not _parks(flow, at_s, spells, curve.tank))
            yield from (flow for flow in found if flow.steps > STEPS_MOVING or not _close(flow, at_s, spells))
        if end > begin:
            some = slice(begin, end)
            (moved,) = noisy_flows([_noisy(at_s[some], calm[some], [(0, end - begin)], sender, curve)])
            moved = [flow for flow in moved if not _parks(flow, at_s, spells, curve.tank)]
            yield from (flow for flow in moved if abs(flow.change) > least)
        at = end


def _close(flow: Found, at_s: Floats, spells: list[tuple[int, int]]) -> bool:
    """Whether the vehicle was under way shortly before or after a flow: then a step or two may be the slope it stands on."""
    return any(flow.start_s < at_s[end - 1] + CLOSE_S and flow.end_s > at_s[begin] - CLOSE_S for begin, end in spells)


def _parks(flow: Found, at_s: Floats, spells: list[tuple[int, int]], tank: Tank) -> bool:
    """Whether a brief change, no larger than a slope makes, is close to where the vehicle starts or stops.

    Waves stretch what a slope does at once over a minute or two, so that it looks like a flow of some steps.
    """
    if abs(flow.change) > PARKED_CHANGE * tank.most_shift or flow.end_s - flow.start_s > PARKED_LASTS_S:
        return False
    edges = [at_s[row] for begin, end in spells for row in (begin, end - 1) if 0 < row < len(at_s) - 1]
    return any(flow.start_s - PARKED_S < edge < flow.end_s + PARKED_S for edge in edges)


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


def _noisy(at_s: Floats, calm: Floats, spells: list[tuple[int, int]], sender: Sender, curve: VolumeCurve) -> Noisy:
    """Readings with their noise, in litres."""
    step = sender.step_pct
    noise = np.maximum(local_noise(at_s, calm), sender.noise_pct)
    colour, moving = np.ones(len(at_s)), np.zeros(len(at_s), np.bool_)
    for begin, end in spells:
        moving[begin:end] = True
        # What a spell is surrounded by belongs to the minutes that its scatter is told by.
        low, high = np.searchsorted(at_s, [at_s[begin] - SURROUNDINGS_S, at_s[end - 1] + SURROUNDINGS_S])
        scatter = scatter_pct(at_s[low:high], calm[low:high])[begin - low : end - low]
        noise[begin:end] = np.maximum(noise[begin:end], scatter)
    # What rounding to a step adds to the error of a mean: the first harmonic of its error, which noise dithers away
    # (B. Widrow, I. Kollar, Quantization Noise, 2008, chapter 3: characteristic function of normal noise).
    variance = noise**2 + step**2 / 12
    for begin, end in spells:
        colour[begin:end] = _colour(at_s[begin:end], calm[begin:end], variance[begin:end])
    if sender.noise_pct < DITHERED * step:
        stuck = step**2 / 12 * np.exp(-4 * np.pi**2 * np.minimum(noise / step, 2) ** 2)
        variance += stuck * COLOUR_BLOCK_S / usual_period_s(at_s)
    volume, sd = curve(calm), np.sqrt(variance)
    if curve.litres:
        middle = calm
        if not curve.straight and len(spells):
            # In a bent tank the mean of a sloshing level's litres is not that of its level, and a wave that is low would weigh
            # more than one that is high: both are taken at the mean of the minute.
            middle = calm.copy()
            for begin, end in spells:
                if end - begin > 1:
                    off = from_minute(at_s[begin:end], calm[begin:end])
                    middle[begin:end] -= off
                    volume[begin:end] = curve(middle[begin:end]) + curve.slope(middle[begin:end]) * off
        sd = sd * curve.slope(middle)
    return Noisy(at_s, volume, sd, colour, moving, curve.tank)


def _colour(at_s: Floats, level: Floats, variance: Floats) -> float:
    """By how much means of a sloshing level scatter more than independent readings would: at least 1.

    Allan's variance (1966) of means over ten seconds and longer, its median taken so that a flow does not count.
    """
    first = starts_of((at_s - at_s[0]) / COLOUR_BLOCK_S)
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
