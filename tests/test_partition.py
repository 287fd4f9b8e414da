"""The pieces that flows are found with, each against something slower or from outside."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import integrate, optimize, stats

from canlevel.derivation.flows import _apart, _as_usual, _corner, _each_level, derive_flows
from canlevel.derivation.noisy import Found, Tank, _thinned
from canlevel.derivation.ramps import (
    SPREAD_95,
    Readings,
    best_split,
    fit_each,
    fit_one_ramp,
    fit_one_ramp_each,
    fit_ramps,
    split_each,
)
from canlevel.derivation.segments import TOGETHER, Stretch, partition
from canlevel.derivation.sender import (
    _counted,
    _turned_back,
    describe_sender,
    local_noise,
    middle_of_five,
    restless,
    scatter_pct,
    usual_period_s,
    without_spikes,
)
from canlevel.derivation.stepped import _shortest_apart

sys.path.insert(0, str(Path(__file__).parent / "benchmark"))

Floats = NDArray[np.float64]


def price_of(at: Floats, level: Floats, weight: Floats, stretches: list[Stretch], rest: float, flow: float) -> float:
    """What a division costs, by numpy's own least squares."""
    total = 0.0
    for stretch in stretches:
        rows = slice(stretch.first, stretch.last)
        t, y, w = at[rows], level[rows], weight[rows]
        line = np.polyfit(t, y, 1 if stretch.flowing else 0, w=np.sqrt(w))
        total += float((w * (y - np.polyval(line, t)) ** 2).sum()) + (flow if stretch.flowing else rest)
    return total


def best_price(at: Floats, level: Floats, weight: Floats, rest: float, flow: float) -> float:
    """The least price of all divisions: the same recursion without leaving anything out."""
    best = [0.0]
    for j in range(1, len(at) + 1):
        prices = []
        for i in range(j):
            prices.append(best[i] + price_of(at, level, weight, [Stretch(i, j, False)], rest, flow))
            if j - i >= 3:
                prices.append(best[i] + price_of(at, level, weight, [Stretch(i, j, True)], rest, flow))
        best.append(min(prices))
    return best[-1]


@settings(max_examples=40, deadline=None)
@given(
    levels=st.lists(st.floats(-20, 20), min_size=1, max_size=14),
    gaps=st.lists(st.floats(0.5, 30), min_size=14, max_size=14),
    sds=st.lists(st.floats(0.2, 3), min_size=14, max_size=14),
    rest=st.floats(1, 30),
    more=st.floats(0, 20),
)
def test_no_division_is_better_than_the_one_found(
    levels: list[float], gaps: list[float], sds: list[float], rest: float, more: float
) -> None:
    n = len(levels)
    at, level, weight = np.cumsum(gaps[:n]), np.array(levels), np.array(sds[:n]) ** -2.0
    found = partition(at, level, weight, rest_price=rest, flow_price=rest + more)
    assert [s.first for s in found] == [0, *(s.last for s in found[:-1])]
    assert found[-1].last == n
    assert price_of(at, level, weight, found, rest, rest + more) == pytest.approx(
        best_price(at, level, weight, rest, rest + more), rel=1e-6, abs=1e-6
    )


def test_rest_and_flow_are_told_apart() -> None:
    random = np.random.default_rng(1)
    at = np.arange(300) * 10.0
    level = np.interp(at, [0, 1000, 2000, 3000], [50, 50, 20, 20]) + random.normal(0, 0.5, 300)
    found = partition(at, level, np.full(300, 4.0), rest_price=14, flow_price=24)
    assert [s.flowing for s in found] == [False, True, False]
    assert [s.last for s in found[:2]] == pytest.approx([100, 200], abs=2)
    shifted = np.where(at < 1500, 50, 47) + random.normal(0, 0.5, 300)
    found = partition(at, shifted, np.full(300, 4.0), rest_price=14, flow_price=24)
    assert [s.flowing for s in found] == [False, False]


def ramp(at: Floats, before: float, rate: float, start: float, end: float) -> Floats:
    return np.asarray(before + rate * (np.clip(at, start, end) - start))


def test_a_ramp_is_fitted_as_by_an_outside_least_squares() -> None:
    """scipy.optimize.curve_fit of the same model without lag: the same values, and the same standard deviation of the rate."""
    random = np.random.default_rng(5)
    at = np.sort(random.uniform(0, 400, 500))
    level = ramp(at, 80, -0.21, 120, 260) + random.normal(0, 0.4, 500)
    sd = np.full(500, 0.4)
    ours = fit_ramps(at, level, sd, [110, 270], [-0.2], lag_s=0)
    theirs, covariance = optimize.curve_fit(ramp, at, level, p0=[80, -0.2, 110, 270], sigma=sd, absolute_sigma=True)
    assert [ours.before, ours.rates[0], *ours.knots] == pytest.approx(theirs, rel=2e-3)
    scale = max(ours.misfit, 1.0) ** 0.5
    assert ours.rate_sd[0] == pytest.approx(scale * np.sqrt(covariance[1, 1]), rel=0.1)


@pytest.mark.parametrize(("noise", "lasting"), [(0.5, 300.0), (0.3, 30.0), (2.0, 200.0)])
def test_intervals_hold_what_they_say(noise: float, lasting: float) -> None:
    """Either fit, short and long flows, with the lag it is told: the interval is a little wider than 95 %."""
    random = np.random.default_rng(int(10 * noise + lasting))
    inside, count = 0, 150
    for _ in range(count):
        at = np.arange(0, 600 + lasting, 2.5) + random.uniform(0, 2.5)
        start = 300 + random.uniform(0, 2.5)
        gone = [np.maximum(at - knot, 0) for knot in (start, start + lasting)]
        lagged = [g + 2 * np.expm1(-g / 2) for g in gone]
        level = 50 - 0.2 * (lagged[0] - lagged[1]) + random.normal(0, noise, len(at))
        sd = np.full(len(at), noise)
        fitted = fit_one_ramp(
            at, level, sd, (start - 30, start + 20), (start + lasting - 20, start + lasting + 30), lag_s=2
        )
        if lasting > 100:
            fitted = fit_ramps(at, level, sd, fitted.knots.tolist(), fitted.rates.tolist(), lag_s=2)
        inside += fitted.rate_low[0] <= -0.2 <= fitted.rate_high[0]
    least, most = stats.binom.ppf([0.001, 0.999], count, [0.94, 0.985])
    assert least <= inside <= most


def drawn_problems(seed: int, count: int) -> list[tuple[Readings, list[float], list[float]]]:
    """Readings of one to three lines with noise, and knots and rates to begin with that are somewhat off."""
    random, problems = np.random.default_rng(seed), []
    for _ in range(count):
        at = np.sort(random.uniform(0, 900, int(random.integers(60, 500))))
        knots = np.cumsum([300.0, *random.uniform(40, 120, int(random.integers(1, 4)))])
        rates = random.uniform(-0.2, 0.2, len(knots) - 1)
        true = np.interp(at, np.append(knots, 1e6), np.append(50 + np.cumsum([0.0, *(rates * np.diff(knots))]), 0))
        true = np.where(at > knots[-1], 50 + rates @ np.diff(knots), true)
        noise = random.uniform(0.1, 0.5)
        readings = Readings(at, true + random.normal(0, noise, len(at)), np.full(len(at), noise))
        problems.append((readings, (knots + random.uniform(-5, 5, len(knots))).tolist(), rates.tolist()))
    return problems


@pytest.mark.parametrize("lag_s", [0.0, 2.0])
def test_many_fits_at_once_are_those_one_by_one(lag_s: float) -> None:
    problems = drawn_problems(11, 60)
    together = fit_each(problems, lag_s=lag_s)
    alone = [fit_ramps(r.at, r.level, r.sd, knots, rates, lag_s=lag_s) for r, knots, rates in problems]
    for one, other in zip(together, alone, strict=True):
        assert one.squares == pytest.approx(other.squares, rel=1e-4)
        assert one.rates == pytest.approx(other.rates, abs=0.02 * float(one.rate_sd.max()) + 1e-9)
    splits = split_each([(readings, fit) for (readings, _, _), fit in zip(problems, alone, strict=True)], lag_s=lag_s)
    for (readings, _, _), fit, split in zip(problems, alone, splits, strict=True):
        assert split == pytest.approx(best_split(readings.at, readings.level, readings.sd, fit, lag_s=lag_s), rel=1e-6)
    ranges = [(r, (k[0] - 20, k[0] + 20), (k[-1] - 15, k[-1] + 20)) for r, k, _ in problems]
    for (readings, *ends), fit in zip(ranges, fit_one_ramp_each(ranges, lag_s=lag_s), strict=True):
        one = fit_one_ramp(readings.at, readings.level, readings.sd, *ends, lag_s=lag_s)
        assert [*fit.knots, *fit.rates, fit.squares] == pytest.approx([*one.knots, *one.rates, one.squares], rel=1e-6)


def outside_grid_fit(readings: Readings, start: tuple[float, float], end: tuple[float, float]) -> float:
    """The least sum of squares of one line between two rests, by numpy's least squares at a fine grid of ends."""
    least = np.inf
    for first in np.linspace(*start, 81):
        for last in np.linspace(*end, 81):
            part = np.clip((readings.at - first) / (last - first), 0, 1)
            table = np.stack([np.ones(len(part)), part], axis=1) / readings.sd[:, None]
            found = np.linalg.lstsq(table, readings.level / readings.sd, rcond=None)[1]
            least = min(least, float(found[0]))
    return least


def test_a_grid_of_ends_finds_the_line_that_least_squares_do() -> None:
    random = np.random.default_rng(3)
    at = np.arange(0, 200, 2.5)
    readings = Readings(at, ramp(at, 60, -0.3, 80, 110) + random.normal(0, 0.2, len(at)), np.full(len(at), 0.2))
    found = fit_one_ramp(at, readings.level, readings.sd, (70, 90), (100, 120), lag_s=0)
    least = outside_grid_fit(readings, (70, 90), (100, 120))
    assert least - 0.05 < found.squares < least + 0.2


@given(st.lists(st.integers(0, 5), min_size=2, max_size=60))
def test_a_level_that_turns_back_is_followed_step_by_step(steps: list[int]) -> None:
    """The definition, reading by reading, without leaving out a level that goes to and fro."""
    rising, end, expected = True, float(steps[0]), []
    for row, here in enumerate(map(float, steps)):
        if here != steps[row - 1] and row:
            if (here > end) is rising:
                end = here
            elif abs(here - end) > 1.5:
                rising, end = not rising, here
                expected.append(row)
    assert _turned_back(np.array(steps, np.float64), 1.5).tolist() == expected


def test_a_second_rate_is_looked_for_where_it_begins() -> None:
    at = np.arange(0, 900, 2.5)
    level = np.interp(at, [0, 300, 500, 600, 900], [50, 50, 40, 20, 20])
    sd = np.full(len(at), 0.2)
    one = fit_ramps(at, level, sd, [300, 600], [-0.1], lag_s=0)
    when, gain = best_split(at, level, sd, one, lag_s=0)
    assert when == pytest.approx(500, abs=35)
    two = fit_ramps(at, level, sd, [300, when, 600], [-0.1, -0.1], lag_s=0)
    assert two.rates == pytest.approx([-0.05, -0.2], rel=0.02)
    assert one.squares - two.squares > 0.5 * gain > 100


def test_constants_of_noise_at_a_mark_are_those_integrals() -> None:
    """Phi (1 - Phi) integrates to 1 / sqrt(pi); phi^2 / (Phi (1 - Phi)) to 1.806."""
    phi, big = stats.norm.pdf, stats.norm.cdf
    variance, _ = integrate.quad(lambda z: big(z) * big(-z), -12, 12)
    assert variance == pytest.approx(1 / np.sqrt(np.pi), rel=1e-9)
    information, _ = integrate.quad(lambda z: phi(z) ** 2 / (big(z) * big(-z)), -12, 12)
    assert information == pytest.approx(1.806, abs=5e-4)


@given(st.lists(st.lists(st.integers(-5, 5), min_size=5, max_size=5), min_size=1, max_size=20))
def test_the_middle_of_five_is_the_median(rows: list[list[int]]) -> None:
    columns = np.array(rows).T
    assert (middle_of_five(*columns) == np.median(columns, axis=0)).all()


@pytest.mark.parametrize("step", [0.004, 0.4, 1.0, 2.0, 100 / 36, 100 / 32])
@pytest.mark.parametrize("noise_steps", [0.03, 0.15])
def test_step_and_noise_of_a_sender_are_learnt(step: float, noise_steps: float) -> None:
    random = np.random.default_rng(7)
    noise = max(noise_steps * step, 0.05) if step < 0.1 else noise_steps * step
    at = np.arange(20_000) * 2.5
    level = 50 + 30 * np.sin(at / 8000) + random.normal(0, noise, len(at))
    level = np.round(np.round(level / step) * step / 0.004) * 0.004
    level[[500, 900, 7000]] = [3.3, 99.1, 0.0]  # wrong readings
    sender = describe_sender(at, level)
    assert sender.step_pct == pytest.approx(step, abs=max(0.004, 0.002 * step))
    assert sender.noise_pct == pytest.approx(noise, rel=0.35)


def test_slosh_is_seen_and_taps_are_not_taken_for_it() -> None:
    random = np.random.default_rng(3)
    at = np.arange(8000) * 2.5
    calm = 60 + random.normal(0, 0.2, len(at))
    sender = describe_sender(at, calm)
    assert not restless(at, calm, sender).any()
    sloshing = (at > 5000) & (at < 8000)
    waves = calm + sloshing * (2 * np.sin(2 * np.pi * 0.37 * at) + 1.5 * np.sin(2 * np.pi * 0.81 * at))
    seen = restless(at, waves, sender)
    assert seen[sloshing].mean() > 0.9
    assert seen[~sloshing].mean() < 0.05
    taps = calm - np.interp(at, np.arange(1000, 16000, 300), np.cumsum(np.arange(50) % 2) * 1.0)
    assert restless(at, taps, describe_sender(at, taps)).mean() < 0.02


def test_noise_is_told_by_what_turns_back() -> None:
    random = np.random.default_rng(2)
    at = np.arange(4000) * 1.0
    slope = 80 - at / 100
    assert local_noise(at, slope).max() < 1e-6
    noisy = slope + random.normal(0, 0.3, len(at))
    assert np.median(local_noise(at, noisy)) == pytest.approx(0.3, rel=0.1)
    assert np.median(scatter_pct(at, noisy)) == pytest.approx(0.3, rel=0.1)
    noisy[2000] += 30
    assert abs(without_spikes(noisy, 0.004)[2000] - slope[2000]) < 2
    assert (without_spikes(noisy, 0.004) != noisy).sum() <= 8


@pytest.mark.parametrize("kind", ["fine", "0.4 %", "n/d", "1/4 of 9 in", "3/8 of 12 in"])
def test_simulated_days_whose_truth_is_known(kind: str) -> None:
    """Days of their own seeds, a third of them under way. The scores are in DEVELOPERS.md; here they may not fall far."""
    from flow_scores import score
    from tank_days import TEST, tank_days

    scores = score(tank_days(9, 9_500_000, world=TEST, kind=kind), derive_flows)
    assert scores.asked > 60
    assert scores.f1 > 0.95
    assert scores.false_a_day < 0.7
    assert np.median(scores.rate_errors) < 0.05
    assert np.quantile(scores.rate_errors, 0.9) < 0.25
    assert np.mean(scores.covered) > 0.85
    assert np.median(scores.start_errors_s) < 10
    assert np.median(scores.end_errors_s) < 10


def test_the_reach_of_an_interval_is_wider_than_the_normal_curves() -> None:
    assert stats.norm.ppf(0.975) < SPREAD_95 < stats.norm.ppf(0.995)


def test_no_division_is_better_where_ends_are_priced_together() -> None:
    """Long enough for many ends at once, and for beginnings to be left out: against the recursion that leaves out nothing."""
    for seed in range(4):
        random = np.random.default_rng(seed)
        n = 3 * TOGETHER + 5 + seed
        at = np.cumsum(random.uniform(5, 15, n))
        turns = np.sort(random.uniform(at[0], at[-1], 4))
        level = np.interp(at, [at[0], *turns, at[-1]], [50, 50, 40, 40, 48, 48]) + random.normal(0, 0.6, n)
        weight = np.full(n, 1 / 0.36)
        found = partition(at, level, weight, rest_price=17, flow_price=27)
        assert price_of(at, level, weight, found, 17, 27) == pytest.approx(
            best_price(at, level, weight, 17, 27), rel=1e-6
        )


@given(st.lists(st.tuples(st.integers(1, 9), st.booleans()), min_size=1, max_size=40))
def test_the_shortest_runs_are_taken_as_if_one_by_one(runs: list[tuple[int, bool]]) -> None:
    length = np.array([float(one) for one, _ in runs])
    rows = np.flatnonzero([flickers for _, flickers in runs])
    one_by_one: list[int] = []
    for _, row in sorted((length[row], row) for row in rows.tolist()):
        if all(abs(row - other) > 2 for other in one_by_one):
            one_by_one.append(row)
    taken = _shortest_apart(length, rows) if len(rows) else rows
    assert sorted(taken.tolist()) == sorted(one_by_one)


@given(st.lists(st.one_of(st.sampled_from([0.0, 0.4, 0.8, 99.6]), st.floats(-131, 131)), min_size=1, max_size=60))
def test_levels_are_told_apart_as_by_numpy(levels: list[float]) -> None:
    level = np.round(np.array(levels) / 0.004) * 0.004
    known, first = _each_level(level)
    assert known == pytest.approx(np.unique(level), abs=1e-9)
    assert (level[first] == known).all()
    ticks = np.round(level / 0.004).astype(np.int64)
    assert [part.tolist() for part in _counted(ticks)] == [
        part.tolist() for part in np.unique(ticks, return_counts=True)
    ]


def test_the_usual_period_is_the_median() -> None:
    random = np.random.default_rng(4)
    at = np.cumsum(np.where(np.arange(200_000) % 3, 0.5, 2.0) + random.normal(0, 0.01, 200_000))
    assert usual_period_s(at) == pytest.approx(float(np.median(np.diff(at))), abs=0.005)
    even = np.cumsum(2.5 + random.normal(0, 0.05, 100_000))
    assert usual_period_s(even) == pytest.approx(float(np.median(np.diff(even))), rel=0.005)


def test_scatter_above_a_limit_is_a_median_above_it() -> None:
    """`restless` counts instead of sorting: the same minutes."""
    random = np.random.default_rng(6)
    at = np.arange(6000) * 2.5
    waves = 60 + random.normal(0, 0.2, len(at)) + 4 * (np.abs(at - 7000) < 1500) * random.normal(0, 1, len(at))
    sender = describe_sender(at, waves)
    limit = np.hypot(1.5 * sender.noise_pct, 0.6 * sender.step_pct)
    assert (restless(at, waves, sender) == (scatter_pct(at, waves) > limit)).mean() > 0.99
    assert restless(at, waves, sender).sum() > 1000


def test_readings_deep_in_a_long_flow_are_taken_together_without_loss() -> None:
    random = np.random.default_rng(8)
    at = np.arange(0, 30_000, 2.5)
    level = ramp(at, 90, -0.002, 3000, 27_000) + random.normal(0, 0.4, len(at))
    sd = np.full(len(at), 0.4)
    first, last = np.searchsorted(at, [3600, 26_400])
    few = _thinned(Readings(at, level, sd), [(int(first), int(last))], 30)
    assert len(few.at) < len(at) / 3
    whole = fit_ramps(at, level, sd, [3100, 26_900], [-0.002], lag_s=2)
    thinned = fit_ramps(few.at, few.level, few.sd, [3100, 26_900], [-0.002], lag_s=2)
    assert thinned.rates[0] == pytest.approx(whole.rates[0], abs=0.2 * whole.rate_sd[0])
    assert thinned.rate_sd[0] == pytest.approx(whole.rate_sd[0], rel=0.1)
    assert thinned.knots == pytest.approx(whole.knots, abs=10)


TANK = Tank(litres=True, most_shift=12.0, alike=0.06, fastest=200 / 60)


def flow_of(start_s: float, lasted: float, rate_l_per_min: float, *, steps: float = np.inf) -> Found:
    """A flow in a tank of a hundred litres, its rate known to a tenth."""
    rate = rate_l_per_min / 60
    low, high = sorted((0.9 * rate, 1.1 * rate))
    return Found(start_s, start_s + lasted, 50, 50 + rate * lasted, rate * lasted, rate, low, high, steps)


@pytest.mark.parametrize(
    ("taken", "poured", "kept"), [(6, 0, False), (1, 0, True), (6, 2, True), (0, 0, True), (0, 6, True)]
)
def test_one_mark_against_what_a_tank_is_used_for_is_a_slope(taken: int, poured: int, kept: bool) -> None:
    """A single mark upwards, among small flows down and up: the rule of succession (Laplace 1814), one in four."""
    small = [flow_of(1000.0 * i, 60, -5, steps=2.0) for i in range(taken)]
    small += [flow_of(1000.0 * i + 500, 60, 5, steps=2.0) for i in range(poured)]
    single = flow_of(50_000.0, 2, 60, steps=1.0)
    assert (single in list(_as_usual([*small, single], TANK))) is kept
    assert all(flow in list(_as_usual([*small, single], TANK)) for flow in small)


def test_a_level_has_one_rate_at_a_time() -> None:
    whole, within, later = flow_of(0, 13, -89), flow_of(0.1, 6.5, -91), flow_of(10, 20, -30)
    assert list(_apart([whole, within])) == [whole]
    assert list(_apart([within, whole])) == [whole]
    assert list(_apart([whole, later])) == [whole, later]
    assert list(_apart([whole, flow_of(0.1, 6.5, 91)])) == [whole, flow_of(0.1, 6.5, 91)]


@pytest.mark.parametrize(
    ("first", "lasted", "one"), [(-77, 12.4, True), (-40, 12.4, False), (-77, 25, False), (-110, 12.4, False)]
)
def test_a_slow_sender_shows_the_beginning_of_a_flow_as_slower(first: float, lasted: float, one: bool) -> None:
    """A first-order lag of 5 s has shown 1 - L / t (1 - exp(-t / L)) = 63 % of what flowed after 12.4 s."""
    begin, then = flow_of(0, lasted, first), flow_of(lasted, 60, -94)
    assert _corner(begin, then) is one
