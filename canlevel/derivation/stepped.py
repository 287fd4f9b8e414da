"""Flows in a level that moves in steps: a coarse sender's, at rest.

Such a reading is an interval: the level lies somewhere in its step. What is known exactly is when the level passed the middle
between two steps, to within one reading: a mark. A steady flow passes marks at a steady pace (in litres, by the tank's shape),
so flows are runs of marks in one direction whose times lie on a line, and the best division into such runs is found as in
segments.py, with a price for each run.

1. Flicker: a level close to a mark reads as either step in turn. An excursion of one step that is over within minutes is none.
2. Marks, each with how well its time is known: between two readings, within its flicker, and as evenly as steps are cut.
3. Runs of marks. Two marks alone may be two taps an hour apart: they are one flow only at a pace that appliances have.
4. What passes several steps between two readings is a line to the readings themselves, and is fitted to them (ramps.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from canlevel.derivation.noisy import FEWEST_STEPS, SHORTEST_S, UNHEARD_S, Found, Tank
from canlevel.derivation.ramps import SPREAD_95, Ramps, Readings, fit_one_ramp_each
from canlevel.derivation.segments import best_division
from canlevel.derivation.sender import Sender, middle_of_five, usual_period_s

__all__ = ["stepped_flows"]

Floats = NDArray[np.float64]

FLICKER_S, FLICKER_READINGS = 240.0, 40
UNEVEN_STEPS = 0.07  # of a step, by which marks are off their places: hysteresis, and strips that are not cut evenly
RUN_PRICE = 12.0
# Slowest pace, litres a minute, at which two marks, or a few, are one flow: taps give 2-6 (common practice, no source).
# Taps that are opened now and then pass marks that happen to lie on a line, too: of so few marks that is soon said.
SLOWEST_OF_TWO, SLOWEST_OF_FEW, FEW_IF_SLOW = 1.5, 0.8, 5
SLOW_PRICE = 10.0  # more for a run that is slower than that
FIT_PRICE = 6.0
BEATING = 0.4  # of a step, between two readings
FINEST_PCT = 0.2  # finer steps are taken together
SLOWEST_L, FASTEST_L = 0.5, 20.0  # litres a minute of a trickle and of a hose (common practice, no source)
LAG_S, LAG_SD_S = 2.0, 1.0  # common practice, no source
NEXT = 1.1  # dwells, after which the next mark of a steady flow has been passed
DUE = 1.6  # dwells, after which the next mark of a flow is missing
FAST_MARKS = 4
FEW_AT_ONCE = 3
PASSING = 6.0  # standard deviations of noise within which a level on its way flickers at most
PASSING_READINGS = 4.0  # and how many readings more
END_PRICE = 4.0  # of a first mark that was passed too early, or a last one too late
UNSTEADY = 9.0  # mean squared misfit of what is no slow flow but a shift or two
FEW_MARKS = 0.5
CLEAN_S = 60.0  # flicker of a flow that passes a mark is over sooner
TOUCHING_S, TAIL_PART, BRIEF_S = 5.0, 0.15, 18.0
BELIEVED_PCT = (-200.0, 300.0)  # a level beyond is a wrong reading; it would pass marks without end
PHASES = 4096  # readings that tell where in a percent the steps lie
AROUND = 60  # readings on either side that a fast flow is fitted with


@dataclass(frozen=True, slots=True)
class _Marks:
    """n marks in the order of time."""

    at_s: Floats  # when each was passed
    sd_s: Floats  # and how well that is known
    uneven: Floats  # standard deviation of the place of the mark, litres
    noise_l: Floats  # of the readings around it, in litres
    noise: Floats  # the same times the seconds between two of them
    dwell_s: Floats  # time to the nearer neighbour in the same direction
    way: NDArray[np.int64]  # 1 up, -1 down
    volume: Floats  # litres (or percent) at the mark
    size: Floats  # of the step that it parts, in the same unit
    flicker_s: Floats  # for how long both steps were read in turn
    ahead_s: Floats  # when that began
    low_s: Floats  # since when the level had rested in the step before
    high_s: Floats  # and until when it rested in the one behind


def stepped_flows(
    at_s: Floats, calm: Floats, sender: Sender, volume_at: Callable[[Floats], Floats], tank: Tank
) -> Iterator[Found]:
    """Flows of one stretch of readings, in the order of time. calm: (n,) percent, without spikes. volume_at: its litres."""
    if len(at_s) < 8:
        return
    # A step that is finer than needed makes marks without end.
    step = sender.step_pct * max(1, int(np.ceil(FINEST_PCT / sender.step_pct)))
    calm = np.clip(calm, *BELIEVED_PCT)
    phase = (2 * np.pi / step) * calm[:: max(1, len(calm) // PHASES)]
    offset = float(np.arctan2(np.sin(phase).mean(), np.cos(phase).mean())) / (2 * np.pi) * step
    index = np.round((calm - offset) / step).astype(np.int64)
    _without_moments(index)
    marks = _marks(at_s, index, step, offset, volume_at, min(sender.noise_pct / step, 0.3))
    if len(marks.at_s):
        yield from _flows(marks, at_s, volume_at(calm), tank)


def _without_moments(index: NDArray[np.int64]) -> None:
    """Replace (n,) steps by the median of five around each. Most readings are like their neighbours, and stay."""
    other = index[1:] != index[:-1]
    near = other[:-3] | other[1:-2] | other[2:-1] | other[3:]
    rows = np.flatnonzero(near) + 2
    index[rows] = middle_of_five(*(index[rows + place] for place in range(-2, 3)))


def _runs(at_s: Floats, index: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """(first, last, index) of the runs of equal index that remain when flicker has been taken out; rows, inclusive."""
    change = np.flatnonzero(index[1:] != index[:-1]) + 1
    first = np.concatenate([[0], change])
    last = np.append(change - 1, len(index) - 1)
    value = index[first]
    longest = min(FLICKER_S, FLICKER_READINGS * usual_period_s(at_s) * 2)
    while True:
        # What a reading stands for: the time until the next.
        length = at_s[np.minimum(last + 1, len(at_s) - 1)] - at_s[first]
        flicker = np.zeros(len(value), np.bool_)
        flicker[1:-1] = (value[:-2] == value[2:]) & (np.abs(value[1:-1] - value[:-2]) == 1) & (length[1:-1] < longest)
        if not flicker.any():
            return first, last, value
        gone = _shortest_apart(length, np.flatnonzero(flicker))
        value[gone] = value[gone - 1]
        keep = np.append(True, value[1:] != value[:-1])
        first, value = first[keep], value[keep]
        last = np.append(first[1:] - 1, len(index) - 1)


def _shortest_apart(length: Floats, rows: NDArray[np.int64]) -> NDArray[np.int64]:
    """Of some runs those that are taken one by one, shortest first, if none is taken whose neighbours touch.

    So that of two steps in turn the one that is read more often remains. Who comes before all that are within reach is taken,
    they are left, and so on: the same ones as one by one.
    """
    rank = np.full(len(length) + 4, len(rows))
    rank[rows[np.lexsort((rows, length[rows]))] + 2] = np.arange(len(rows))
    taken = []
    while len(rows):
        within = np.minimum(np.minimum(rank[rows], rank[rows + 1]), np.minimum(rank[rows + 3], rank[rows + 4]))
        ahead = rows[rank[rows + 2] < within]
        taken.append(ahead)
        for place in range(5):
            rank[ahead + place] = len(length)
        rows = rows[rank[rows + 2] < len(length)]
    return np.concatenate(taken)


def _marks(
    at_s: Floats,
    index: NDArray[np.int64],
    step: float,
    offset: float,
    volume_at: Callable[[Floats], Floats],
    noise_steps: float,
) -> _Marks:
    first, last, value = _runs(at_s, index)
    if len(value) < 2:
        no = np.zeros(0)
        return _Marks(no, no, no, no, no, no, np.zeros(0, np.int64), no, no, no, no, no, no)
    old, new, begin, end = value[:-1], value[1:], last[:-1], first[1:]
    way, count = np.sign(new - old), np.abs(new - old)
    pause_s = at_s[end] - at_s[begin]
    # Flicker around the mark, from the first reading of the new step to the last of the old one: the mark was passed when as
    # many of these are behind it as read the old step.
    strays = np.flatnonzero(index != np.repeat(value, last - first + 1))
    run = np.searchsorted(first, strays, side="right") - 1
    ahead = index[strays] == np.append(value, value[-1])[run + 1]
    behind = index[strays] == value[np.maximum(run - 1, 0)]
    behind[run == 0] = ahead[run == len(value) - 1] = False
    from_row, to_row = end.copy(), begin.copy()
    from_row[run[ahead][::-1]] = strays[ahead][::-1]
    to_row[run[behind] - 1] = strays[behind]
    flickers = (count == 1) & (to_row > from_row)
    # Readings of the old step: all of its run but the strays, and strays of the next.
    away, back = (np.concatenate([[0], np.cumsum(which)]) for which in (np.ones(len(strays), np.int64), behind))
    of_from, of_end, of_to = (np.searchsorted(strays, rows) for rows in (from_row, end, to_row + 1))
    olds = np.maximum(end - from_row - (away[of_end] - away[of_from]), 0) + np.maximum(back[of_to] - back[of_end], 0)
    passed = np.where(flickers, at_s[np.maximum(from_row - 1 + np.where(from_row > 0, olds, 0), 0)], at_s[begin])
    flicker_s = np.where(flickers, at_s[to_row] - at_s[from_row], 0.0)
    ahead_s = np.where(flickers, at_s[from_row], at_s[begin])
    # What passes several steps at once passes them evenly.
    of = np.repeat(np.arange(len(old)), count)
    part = (np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count) + 0.5) / count[of]
    time, way_of = passed[of] + pause_s[of] * part, way[of]
    place = offset + (old[of] + way_of * part * count[of]) * step
    pace = np.full(len(time) + 1, np.inf)
    pace[1:-1] = np.where(way_of[1:] == way_of[:-1], np.diff(time), np.inf)
    dwell = np.minimum(pace[1:], pace[:-1])
    size = np.abs(volume_at(place + step / 2) - volume_at(place - step / 2))
    return _Marks(
        time,
        pause_s[of] / np.sqrt(12),
        UNEVEN_STEPS * size + 1e-9,
        noise_steps * size,
        noise_steps * size * usual_period_s(at_s),
        dwell,
        way_of,
        volume_at(place),
        size,
        flicker_s[of],
        ahead_s[of],
        at_s[first[:-1]][of],
        at_s[last[1:]][of],
    )


def _flows(marks: _Marks, at_s: Floats, volume: Floats, tank: Tank) -> Iterator[Found]:
    # Nobody heard when a mark was passed in a pause: what is on either side of it is apart.
    period = usual_period_s(at_s)
    unheard = marks.sd_s * np.sqrt(12) > max(UNHEARD_S, 6 * period)
    turns = np.flatnonzero((np.diff(marks.way) != 0) | (np.diff(unheard.astype(np.int8)) != 0)) + 1
    groups = [
        _best_runs(marks, begin, end, tank)
        for begin, end in pairwise([0, *turns.tolist(), len(marks.at_s)])
        if not unheard[begin]
    ]
    told = iter(_measured(marks, [run for group in groups for run in group], at_s, volume, tank))
    found: list[tuple[Found, float, float]] = []
    for group in groups:
        runs: list[tuple[int, int, Found]] = []
        for first, last in group:
            flow = next(told)
            if flow is None:
                continue
            if runs and _one_flow(marks, runs[-1], (first, last, flow)):
                before = runs[-1][0]
                (both,) = _measured(marks, [(before, last)], at_s, volume, tank)
                if both is not None:
                    runs[-1] = (before, last, both)
                    continue
            runs.append((first, last, flow))
        found += [(flow, float(marks.at_s[first]), float(marks.at_s[last - 1])) for first, last, flow in runs]
    for i in range(len(found) - 1):
        (one, _, one_last), (other, other_first, _) = found[i : i + 2]
        if one.end_s > other.start_s:
            # Both ends are guesses of half a step: that of the faster flow is the better one.
            edge = one.end_s if abs(one.rate) > abs(other.rate) else other.start_s
            edge = min(max(edge, one_last - LAG_S, one.start_s), max(other_first - LAG_S, one.start_s))
            found[i] = (replace(one, end_s=edge), found[i][1], one_last)
            found[i + 1] = (replace(other, start_s=edge), other_first, found[i + 1][2])
    yield from _without_tails([flow for flow, _, _ in found if flow.end_s > flow.start_s])


def _one_flow(marks: _Marks, one: tuple[int, int, Found], other: tuple[int, int, Found]) -> bool:
    """Whether two runs that follow one another differ by no more than they are uncertain, and no mark is missing between."""
    rates = [abs(one[2].rate), abs(other[2].rate)]
    if min(one[1] - one[0], other[1] - other[0]) < 2 or other[0] != one[1]:
        return False
    reach = np.hypot(one[2].rate_high - one[2].rate_low, other[2].rate_high - other[2].rate_low) / 2
    pause_s = float(marks.at_s[other[0]] - marks.at_s[one[1] - 1])
    due_s = float(marks.size[other[0]]) / min(rates)
    return abs(rates[0] - rates[1]) < reach and pause_s < DUE * due_s


def _without_tails(flows: list[Found]) -> list[Found]:
    """Flows, those of a few steps taken into the much larger one that they touch: a sender's lag, and a valve that closes."""
    kept: list[Found] = []
    for flow in flows:
        before = kept[-1] if kept else None
        if before is not None and flow.start_s - before.end_s < TOUCHING_S and flow.change * before.change > 0:
            large, small = (before, flow) if abs(before.change) > abs(flow.change) else (flow, before)
            part = abs(small.change / large.change)
            brief = small.end_s - small.start_s < BRIEF_S and part < 2 * TAIL_PART
            if part < TAIL_PART or brief or small.rate_low <= 0 <= small.rate_high:
                lasted = large.end_s - large.start_s + small.change / large.rate
                kept[-1] = replace(
                    large,
                    start_s=large.start_s if large is before else large.end_s - lasted,
                    end_s=large.end_s if large is flow else large.start_s + lasted,
                    before=before.before,
                    after=flow.after,
                    change=large.change + small.change,
                )
                continue
        kept.append(flow)
    return kept


def _variance(marks: _Marks, some: slice, pace: Floats | float) -> Floats:
    """(n,) of the places of some marks at a pace per second, at the times they are said to have been passed.

    Noise lets a mark be passed early or late; over the readings taken near it that averages out. The mean information of a
    reading about a level that moves through a mark evenly is 1.806 / (noise * change between readings), the integral of
    phi^2 / (Phi (1 - Phi)) over the normal curve.
    """
    time_sd = marks.sd_s[some] * pace
    # Where nearly every reading passes a mark, whether one falls before it or behind it goes on in beats, not by chance.
    time_sd = np.where(time_sd * np.sqrt(12) > BEATING * marks.size[some], 2 * time_sd, time_sd)
    variance: Floats = marks.uneven[some] ** 2 + time_sd**2 + marks.noise[some] * pace / 1.806
    return variance


def _best_runs(marks: _Marks, begin: int, end: int, tank: Tank) -> list[tuple[int, int]]:
    """(first, last) of the runs that marks begin to end, all in one direction, are best divided into."""
    n = end - begin
    if n == 1:
        return [(begin, end)]
    unit = 1.0 if tank.litres else 0.5  # percent stand for litres of a tank of two hundred
    at_s, volume = marks.at_s[begin:end] - marks.at_s[begin], np.abs(marks.volume[begin:end] - marks.volume[begin])
    some = slice(begin, end)
    unsure_s = _unsure_s(marks, some)
    # What the uncertainty of its time makes of a mark's place depends on the pace there.
    weight = 1 / _variance(marks, some, marks.size[some] / np.maximum(marks.dwell_s[some], 1e-6))
    sums = np.zeros((6, n + 1))
    wt, wv = weight * at_s, weight * volume
    for row, values in zip(sums, (weight, wt, wt * at_s, wv, wv * at_s, wv * volume), strict=True):
        np.cumsum(values, out=row[1:])

    def line(begins: NDArray[np.int64], ends: NDArray[np.int64]) -> tuple[Floats, Callable[[Floats], Floats], Floats]:
        """(misfit, place, slope) of the line through some marks, each (ends, begins)."""
        w, t, tt, v, vt, vv = sums[:, ends, None] - sums[:, None, begins]
        w = np.where(begins < ends[:, None], w, np.inf)
        spread, lean = np.maximum(tt - t * t / w, 0.0), vt - v * t / w
        slope = lean / np.where(spread > 1e-9, spread, np.inf)
        return np.maximum(vv - v * v / w - lean * slope, 0.0), lambda at: v / w + slope * (at - t / w), slope

    def priced(begins: NDArray[np.int64], ends: NDArray[np.int64]) -> tuple[Floats, Floats]:
        count = ends[:, None] - begins
        starts = np.minimum(begins, n - 1)
        first_s, last_s, first_v, last_v = at_s[starts], at_s[ends - 1, None], volume[starts], volume[ends - 1, None]
        misfit, _, _ = line(begins, ends)
        misfit[count == 1] = 0.0
        # A first mark may be left out, a last one, or both, of runs that are long enough and whose mark flickered.
        some_ends, some_begins = np.flatnonzero(unsure_s[ends - 1] > 0), np.flatnonzero(unsure_s[starts] > 0)
        all_ends, all_begins = np.arange(len(ends)), np.arange(len(begins))
        for rows, columns, firsts, lasts in (
            (some_ends, all_begins, 0, 1),
            (all_ends, some_begins, 1, 0),
            (some_ends, some_begins, 1, 1),
        ):
            table = np.ix_(rows, columns)
            good = count[table] > firsts + lasts + 2
            if not good.any():
                continue
            price, place, slope = line(np.minimum(begins[columns] + firsts, n), ends[rows] - lasts)
            if lasts:
                late = place(last_s[rows]) - last_v[rows]
                good &= (late > 0) & (late < slope * unsure_s[ends[rows] - 1, None])
            if firsts:
                early = first_v[columns] - place(first_s[columns])
                good &= (early > 0) & (early < slope * unsure_s[starts[columns]])
            now = misfit[table]
            misfit[table] = np.where(good, np.minimum(now, price + (firsts + lasts) * END_PRICE), now)
        lasted = np.maximum(last_s - first_s, 1e-6)
        per_minute = 60 * (last_v - first_v) / lasted / unit
        slow = per_minute < SLOWEST_OF_TWO
        price = misfit + RUN_PRICE + np.where(slow & (count > 1), SLOW_PRICE, 0.0)
        # A line through two marks fits whatever they are.
        price += np.where(count > 1, FIT_PRICE / np.maximum(count - 1, 1), 0.0)
        price[((count == 2) & slow) | ((count > 2) & (count <= FEW_IF_SLOW) & (per_minute < SLOWEST_OF_FEW))] = np.inf
        return price, misfit

    runs = [(begin + first, begin + last) for first, last in pairwise(best_division(n, priced))]
    return _united(marks, runs, tank.alike)


def _united(marks: _Marks, runs: list[tuple[int, int]], alike: float) -> list[tuple[int, int]]:
    """Runs with those made one that follow one another without a pause, at a like pace or faster than readings come."""
    united = runs[:1]
    for first, last in runs[1:]:
        begin, end = united[-1]
        pause_s = float(marks.at_s[first] - marks.at_s[end - 1])
        moment_s = 2.5 * float(marks.sd_s[end - 1 : first + 1].max()) * np.sqrt(12)
        both_s = float(marks.at_s[last - 1] - marks.at_s[begin])
        fast = pause_s <= moment_s and last - begin >= FAST_MARKS and both_s < (last - begin) * moment_s / 2.5
        if fast or _alike(marks, (begin, end), (first, last), pause_s - moment_s, alike):
            united[-1] = (begin, last)
        else:
            united.append((first, last))
    return united


def _alike(marks: _Marks, one: tuple[int, int], other: tuple[int, int], pause_s: float, alike: float) -> bool:
    """Whether two runs are one flow in a tank that is not quite the shape it is taken for."""
    paces = []
    for first, last in (one, other):
        if last - first < 3:
            return False
        lasted = float(marks.at_s[last - 1] - marks.at_s[first])
        paces.append(lasted / abs(float(marks.volume[last - 1] - marks.volume[first])) if lasted > 0 else 0.0)
    slow, fast = max(paces), min(paces)
    return fast > (1 - alike) * slow and pause_s < NEXT * slow * float(marks.size[other[0]])


def _measured(
    marks: _Marks, runs: list[tuple[int, int]], at_s: Floats, volume: Floats, tank: Tank
) -> list[Found | None]:
    """The flow of each of some runs of marks, or None for a shift. Fast ones are fitted together, which takes less time."""
    flows = [_flow(marks, first, last, at_s, volume, tank) for first, last in runs]
    fast = [flow for flow in flows if isinstance(flow, _Fast)]
    fits = iter(fit_one_ramp_each([(flow.readings, flow.start, flow.end) for flow in fast], lag_s=LAG_S))
    return [flow.fitted(next(fits), tank) if isinstance(flow, _Fast) else flow for flow in flows]


def _flow(marks: _Marks, first: int, last: int, at_s: Floats, level: Floats, tank: Tank) -> Found | _Fast | None:
    """The flow of one run of marks, or what is needed to fit it, or None for a shift."""
    size = float(marks.size[first:last].mean())
    way = int(marks.way[first])
    if last - first == 1:
        return _single(marks, first, tank)
    marks = _left_and_reached(marks, first, last)
    fits = [_line_of(marks, first, last)]
    for low, high in ((first, last - 1), (first + 1, last), (first + 1, last - 1)):
        flickered = (low == first or marks.flicker_s[first] > 0) and (high == last or marks.flicker_s[last - 1] > 0)
        if flickered and high - low > 2 and fits[0].squares > END_PRICE:
            fit = _line_of(marks, low, high)
            if _only_late(marks, first, last, fit):
                fits.append(fit)
    fit = min(fits, key=lambda fit: fit.squares + END_PRICE * (last - first - (fit.last - fit.first)))
    begin_s, end_s, count = float(marks.at_s[fit.first]), float(marks.at_s[fit.last - 1]), fit.last - fit.first
    if end_s <= begin_s:
        return None
    begin, end = np.searchsorted(at_s, [begin_s, end_s])
    if end - begin < count:
        return _fast(at_s, level, int(begin), int(end), size)
    if (end_s - begin_s) * count / (count - 1) < SHORTEST_S and count < tank.most_shift / size:
        return None
    volume, rate, freedom = marks.volume[first:last], fit.rate, count - 2
    if rate * way <= 0:
        return None
    # A hose would have had to run for seconds: so few marks, so soon one after the other, are a shift's.
    if (
        tank.litres
        and last - first <= FEW_AT_ONCE
        and abs(rate) > 1.5 * FASTEST_L / 60
        and count < tank.most_shift / size
    ):
        return None
    misfit = fit.squares / freedom if freedom > 0 else 1.0
    if abs(rate) < SLOWEST_OF_TWO / 60 and misfit > UNSTEADY:
        return None
    reach = SPREAD_95 * float(np.sqrt(max(misfit, 1.0) / fit.spread))
    reach *= 1 + FEW_MARKS / (freedom + 1)  # of few marks it is not seen where the rate changed between them
    if abs(rate) < reach:
        return None
    # It begins and ends half a step beyond its marks. Where a mark was passed too early or too late, the level lay at it.
    begin_part, end_part = 0.5 * (fit.first == first), 0.5 * (fit.last == last)
    before = float(volume[0]) - way * float(marks.size[first]) * begin_part
    after = float(volume[-1]) + way * float(marks.size[last - 1]) * end_part
    start = max(fit.when(before), marks.low_s[first]) - LAG_S
    stop = min(fit.when(after), marks.high_s[last - 1]) - LAG_S
    return Found(start, stop, before, after, after - before, rate, rate - reach, rate + reach, float(last - first))


def _left_and_reached(marks: _Marks, first: int, last: int) -> _Marks:
    """Marks, the first and the last of a run at other times where the level had rested at them, or came to rest there.

    Flicker of a level on its way lasts no longer than noise takes to pass. Where it lasts longer the level lay at the mark: it
    left the first one when the flicker ended, and reached the last one when it began.
    """
    if not marks.flicker_s[first] and not marks.flicker_s[last - 1]:
        return marks
    pace = abs(float(marks.volume[last - 1] - marks.volume[first])) / max(
        float(marks.at_s[last - 1] - marks.at_s[first]), 1.0
    )
    at_s = marks.at_s.copy()
    for i, leaves in ((first, True), (last - 1, False)):
        usual = PASSING * marks.noise_l[i] + PASSING_READINGS * np.sqrt(12) * marks.sd_s[i] * pace
        if marks.flicker_s[i] * pace > usual:
            at_s[i] = marks.ahead_s[i] + marks.flicker_s[i] if leaves else marks.ahead_s[i]
    return replace(marks, at_s=at_s)


@dataclass(frozen=True, slots=True)
class _Line:
    """The line through marks first to last (the one behind the last). squares: misfits over variances, added up."""

    first: int
    last: int
    rate: float
    middle_s: float
    mean: float
    spread: float
    squares: float

    def when(self, volume: float) -> float:
        return self.middle_s + (volume - self.mean) / self.rate


def _line_of(marks: _Marks, first: int, last: int) -> _Line:
    volume, time = marks.volume[first:last], marks.at_s[first:last]
    rate = (volume[-1] - volume[0]) / (time[-1] - time[0]) if time[-1] > time[0] else 0.0
    middle = mean = spread = 0.0
    weight = np.ones(0)
    for _ in range(2):
        weight = 1 / _variance(marks, slice(first, last), abs(rate))
        w = weight.sum()
        middle, mean = weight @ time / w, weight @ volume / w
        spread = max(float(weight @ (time - middle) ** 2), 1e-12)
        rate = float(weight @ ((time - middle) * (volume - mean)) / spread)
    off = volume - mean - rate * (time - middle)
    return _Line(first, last, rate, float(middle), float(mean), spread, float(weight @ (off * off)))


def _only_late(marks: _Marks, first: int, last: int, fit: _Line) -> bool:
    """Whether the marks left out of a line were passed before it got there, or after: a level that comes to rest close to a
    mark is carried over it by noise, soon."""
    if fit.rate * float(marks.way[first]) <= 0:
        return False
    late = []
    if fit.last < last:
        late.append((float(marks.at_s[last - 1]) - fit.when(float(marks.volume[last - 1])), last - 1))
    if fit.first > first:
        late.append((fit.when(float(marks.volume[first])) - float(marks.at_s[first]), first))
    return all(0 < late_s < float(_unsure_s(marks, slice(i, i + 1))[0]) for late_s, i in late)


def _unsure_s(marks: _Marks, some: slice) -> Floats:
    """(n,) by how much too late each mark may have been passed, if it was the last one: while it flickered, and a moment."""
    flicker_s = marks.flicker_s[some]
    return np.asarray(np.where(flicker_s > 0, flicker_s + 2 * np.sqrt(12) * marks.sd_s[some], 0.0))


@dataclass(frozen=True, slots=True)
class _Fast:
    """A flow that passes more than a step between two readings: what it is fitted to. start, end: between which they are."""

    readings: Readings
    start: tuple[float, float]
    end: tuple[float, float]
    origin_s: float
    size: float

    def fitted(self, fit: Ramps, tank: Tank) -> Found | None:
        change, lasted = abs(fit.after - fit.before), float(fit.knots[1] - fit.knots[0])
        if lasted < SHORTEST_S and (change < tank.most_shift or change / lasted > tank.fastest):
            return None
        # What is less than its steps, or may be of either direction, is a wave or two.
        if change < FEWEST_STEPS * self.size or fit.rate_low[0] <= 0 <= fit.rate_high[0]:
            return None
        return Found(
            self.origin_s + float(fit.knots[0]),
            self.origin_s + float(fit.knots[1]),
            fit.before,
            fit.after,
            fit.after - fit.before,
            float(fit.rates[0]),
            float(fit.rate_low[0]),
            float(fit.rate_high[0]),
            change / self.size,
        )


def _fast(at_s: Floats, volume: Floats, begin: int, end: int, size: float) -> _Fast:
    """A fast flow's readings: each is off by its step's rounding."""
    low, high = max(begin - AROUND, 0), min(end + AROUND, len(at_s))
    at, level = at_s[low:high] - at_s[low], volume[low:high]
    # Other flows may be near: what is at rest next to this one is like its nearest readings.
    near = np.ones(len(at), np.bool_)
    for rows, anchor in (
        (slice(0, max(begin - 2 - low, 0)), max(begin - 3, 0)),
        (slice(end + 3 - low, None), min(end + 3, len(at_s) - 1)),
    ):
        near[rows] = np.abs(level[rows] - volume[anchor]) < 1.5 * size
    at, level = at[near], level[near]
    start, stop = float(at_s[max(begin - 1, 0)] - at_s[low]), float(at_s[min(end + 1, len(at_s) - 1)] - at_s[low])
    slack = 3 * float(np.median(np.diff(at_s[low:high]))) + 2 * LAG_S
    # In the corners of a fast flow the sender's lag, of which no more is known than is common, makes more of a difference.
    sd = np.hypot(size / np.sqrt(12), LAG_SD_S * np.abs(np.gradient(level, at)))
    begins, ends = ((max(knot - slack, at[0]), min(knot + slack, at[-1])) for knot in (start, stop))
    return _Fast(Readings(at, level, sd), begins, ends, float(at_s[low]), size)


def _single(marks: _Marks, at: int, tank: Tank) -> Found | None:
    """A flow of which one mark tells: it was going on when the mark was passed, and nothing is known of its pace."""
    way = int(marks.way[at])
    size = float(marks.size[at])
    time, spread = float(marks.at_s[at]), float(marks.sd_s[at])
    half = max(spread, 1.0)
    before, after = float(marks.volume[at]) - way * size / 2, float(marks.volume[at]) + way * size / 2
    quiet = min(time - marks.low_s[at], marks.high_s[at] - time)
    # A level that rests close to a mark passes it now and then, and back.
    back = any(
        0 <= near < len(marks.at_s) and marks.way[near] != way and abs(marks.volume[near] - marks.volume[at]) < size / 4
        for near in (at - 1, at + 1)
    )
    if quiet < FLICKER_S / 2 or marks.flicker_s[at] > CLEAN_S or back:
        return None
    slow, fast = size / max(2 * quiet, 1.0), 2 * size / SHORTEST_S
    low, high = sorted((way * slow, way * fast))
    least, most = (max(slow, SLOWEST_L / 60), min(fast, FASTEST_L / 60)) if tank.litres else (slow, fast)
    rate = way * float(np.sqrt(least * most) if least < most else np.sqrt(slow * fast))
    return Found(time - half, time + half, before, after, after - before, rate, low, high, 1.0)
