"""Slopes of levels that scatter, and what on-line rates say when they can know little.

Oracles: numpy's polyfit, laws of independent normal noise, levels whose flows are known. That batches change nothing
is tested in test_rates.py.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pyarrow as pa
import pytest
from numpy.typing import NDArray
from test_flows import read_at

from canlevel.derivation.online import CALMER, LATE, LATELY_S, OnlineRates
from canlevel.derivation.slopes import FEWEST, KEPT, LINES, REST, slopes
from canlevel.roster import PRISMATIC, Roster, Shape, TankEntry
from canlevel.tables import column

Floats = NDArray[np.float64]
SECONDS = np.arange(14_400.0)  # a reading a second for four hours
HORIZONTAL_CYLINDER = "horizontal_cylinder"


def rates_of(
    at_s: Floats, level: Floats, capacity_l: float = 100.0, shape: str = PRISMATIC
) -> tuple[Floats, Floats, Floats]:
    """(rate, low, high) in litres a minute, nan where nothing is known. at_s, level: (n,), percent."""
    entry = TankEntry("x", "fresh_water", 0, capacity_l=capacity_l, shape=Shape(shape))
    stated: pa.Table = OnlineRates(Roster(tanks=(entry,))).add(read_at(at_s, level, capacity_l))
    rate, low, high = (column(stated, name) for name in ("rate_l_per_min", "rate_low", "rate_high"))
    return rate, low, high


def read(level: Floats, step: float, noise: float, draw: np.random.Generator) -> Floats:
    return np.asarray(np.round((level + noise * draw.standard_normal(len(level))) / step) * step)


def test_a_steady_slope_is_that_of_a_line_and_mostly_of_the_longest() -> None:
    draw = np.random.default_rng(1)
    at_s = 1.7e9 + np.cumsum(draw.uniform(0.8, 1.2, 400))
    level = 0.1 * (at_s - at_s[0]) + 0.05 * draw.standard_normal(400)
    rate, low, high, first, last = slopes(at_s, level, np.full(400, 0.05), np.arange(1, 401))
    assert np.isnan(rate[: FEWEST - 1]).all()
    off = []
    for row in range(KEPT, 400):
        lines = [np.polyfit(at_s[row + 1 - k : row + 1] - at_s[row], level[row + 1 - k : row + 1], 1)[0] for k in LINES]
        off.append([abs(rate[row] - slope) for slope in lines])
        assert first[row] < level[row] < last[row] + 0.5
    assert np.mean(np.min(off, axis=1) < 1e-7) > 0.97  # hardly ever none of them
    assert np.mean(np.array(off)[:, -1] < 1e-7) > 0.7
    known = slice(FEWEST - 1, None)
    assert np.mean((low[known] <= 0.1) & (high[known] >= 0.1)) > 0.9


def test_noise_is_the_smaller_of_two_curves() -> None:
    """Of independent normal noise; no wrong reading is in both."""
    level = np.random.default_rng(2).standard_normal(200_000)
    curve = np.abs(level[2:] - 2 * level[1:-1] + level[:-2]) / 2
    assert np.minimum(curve[3:], curve[:-3]).mean() / CALMER == pytest.approx(1, abs=0.01)


@pytest.mark.parametrize("noise", [0.1, 0.5])
def test_a_fine_sender_at_rest_claims_no_flow_and_says_how_fast_one_may_be(noise: float) -> None:
    level = read(np.full(len(SECONDS), 50.0), 0.004, noise, np.random.default_rng(3))
    level[[700, 5000, 5001, 9000]] = [90.0, 10.0, 50.0, 0.0]  # wrong readings
    rate, low, high = (values[100:] for values in rates_of(SECONDS, level))
    assert (low <= 0).all()
    assert (high >= 0).all()
    begun = np.count_nonzero((rate[1:] != 0) & (rate[:-1] == 0))
    assert begun < 60  # in four hours; a small rate, for a second or two
    assert np.mean(rate != 0) < 0.03
    # A ramp that has run for 24 readings, from a level known by 32: standard deviation by least squares.
    u = np.arange(1, 25)
    sd = noise * 60 * np.sqrt(1 / (u @ u) + (u.sum() / (u @ u)) ** 2 / 32)  # of 100 litres, a minute
    assert np.median(high) == pytest.approx(REST * sd, rel=0.15)


@pytest.mark.parametrize("way", [1, -1])
def test_a_fine_sender_tells_a_tap_within_ten_readings(way: int) -> None:
    """0.2 % a second in noise of 0.25 %: from a known level, that is 16 standard deviations after ten readings."""
    draw = np.random.default_rng(4)
    told, held, ended = [], [], []
    for begin in range(300, 14_000, 400):
        at_s = SECONDS[:500]
        true = way * 0.2 * np.clip(at_s - 300, 0, 100)
        rate, low, high = rates_of(at_s, read(50 + true, 0.004, 0.25, draw))
        told.append((np.sign(rate[301:311]) == way).any())
        held.append(np.mean((low[311:400] <= way * 12) & (high[311:400] >= way * 12)))
        ended.append(low[411] <= 0 <= high[411])
        assert begin
    assert np.mean(told) > 0.95
    assert np.mean(held) > 0.92
    assert np.mean(ended) > 0.85


def test_a_level_that_lies_still_for_hours_speaks_of_the_last_minutes_alone() -> None:
    level = np.where(SECONDS < 100, 50.0, 53.0)
    rate, low, high = rates_of(SECONDS, level)
    assert (rate[-1], low[-1]) == (0, -high[-1])
    assert high[-1] == pytest.approx(LATE * 3.0 / LATELY_S * 60, rel=0.07)  # rounded up


@pytest.mark.parametrize(("step", "noise"), [(100 / 36, 0.2), (0.4, 0.05), (0.004, 0.2)])
@pytest.mark.parametrize("shape", [PRISMATIC, HORIZONTAL_CYLINDER])
def test_a_long_steady_flow_is_known_ever_better(step: float, noise: float, shape: str) -> None:
    """8 litres a minute into 200, half an hour and less, in a tank of any shape."""
    grid = np.linspace(0, 100, 5001)
    litres = np.clip(SECONDS[:1700] - 400, 0, 1200) * 8 / 60 + 20
    level = np.interp(litres, Shape(shape).volume_l(grid, np.full(len(grid), 200.0)), grid)
    late, widths = slice(1000, 1600), []
    for seed in range(5):
        rate, low, high = rates_of(SECONDS[:1700], read(level, step, noise, np.random.default_rng(seed)), 200.0, shape)
        assert np.mean((low[late] <= 8) & (high[late] >= 8)) > 0.85
        assert np.median(np.abs(rate[late] - 8)) < 0.8
        widths.append((np.median(high[500:700] - low[500:700]), np.median(high[late] - low[late])))
    early, then = np.median(widths, axis=0)
    assert then < 2.5
    assert then <= early


def test_two_marks_are_two_taps_until_the_third_is_due() -> None:
    """A step of 3 % in 100 l every five minutes: after the second no flow is certain, and a faster one is not excluded."""
    level = 60 - 3.0 * np.floor(SECONDS[:2400] / 300)
    _, low, high = rates_of(SECONDS[:2400], level)
    assert (high[600:899] >= 0).all()
    assert (low[602:640] < -4).all()  # a tap of 4 litres a minute would show 45 seconds after the second
    # A flow of that pace, once it is known for one.
    assert high[2105] < 0
    assert low[2105] < -0.6 < high[2105]


def test_a_mark_that_was_passed_back_by_noise_is_passed_again() -> None:
    """After a drain the level flickered back by a step and stayed; the next tap shows with the first step."""
    level = np.concatenate([np.repeat([60.0, 57.0, 54.0, 51.0], 60), np.full(600, 54.0), np.full(60, 51.0)])
    rate, low, high = rates_of(SECONDS[: len(level)], level)
    assert rate[838] == 0
    assert rate[842] < 0
    assert low[842] < 0 < high[842]


def test_marks_of_another_pace_do_not_count() -> None:
    """0.4 % every 30 s, then every 10 s: after a few marks only the new pace counts."""
    dwells = [30] * 8 + [10] * 8
    level = np.repeat(50 + 0.4 * np.arange(len(dwells)), dwells)
    rate, low, high = rates_of(SECONDS[: len(level)], level)
    new = 240 + 45
    assert (low[new:] <= 2.4).all()
    assert (high[new:] >= 2.4).all()
    assert rate[new:] == pytest.approx(np.full(len(rate) - new, 2.4), rel=0.1)
    assert all(one <= other for one, other in pairwise([low[-1], rate[-1], high[-1]]))
