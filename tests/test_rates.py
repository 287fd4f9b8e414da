"""Rates by columns against the plain walk of reference_rates.py: the same floats, wherever the stream is cut into batches.

Oracle: the first implementation, reading by reading (reference_rates.py says what it is). What it says of known tanks is tested
in test_flows.py. Streams here are invented and full of dirt: hypothesis makes short ones, printed seeds long ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from conftest import START_US
from hypothesis import example, given
from hypothesis import strategies as st
from numpy.typing import NDArray
from reference_rates import Rates, reference_rates

from canlevel.derivation.online import LONG_STILL, LONGEST_GAP_S, OnlineRates
from canlevel.derivation.rounding import BOUNDS, LARGEST, R40, SMALLEST, rounded_rates, rounded_up
from canlevel.derivation.series import source_groups, source_runs
from canlevel.tables import READINGS, UNKNOWN_TIME_US, time_column

RATES = ("rate_l_per_min", "rate_low", "rate_high")
# (vessel, tank, source address, channel): each differs from the first in one of them, or is null in one.
NAMES: list[tuple[str | None, str, int, str | None]] = [
    ("boat", "nmea2000.fuel.0", 35, "can0"),
    ("boat", "nmea2000.fuel.0", 36, "can0"),
    ("boat", "nmea2000.fuel.0", 35, "can1"),
    ("boat", "nmea2000.fuel.0", 35, None),
    (None, "nmea2000.fuel.0", 35, "can0"),
    ("boat", "rvc.fuel.0", 35, "can0"),
    ("coach", "nmea2000.fuel.0", 35, "can0"),
    ("boat", "nmea2000.fuel.0", 255, "can0"),
    ("boat", "nmea2000.fuel.0", 0, "can1"),
]


def readings(
    time_us: Sequence[int | None],
    level: Sequence[float | None],
    which: Sequence[int] | None = None,
    capacity_l: Sequence[float | None] | None = None,
) -> pa.Table:
    """READINGS of the series NAMES[which], None where a time, level or capacity is null. All (n,)."""
    n = len(time_us)
    which = [0] * n if which is None else which
    rows = []
    for i in range(n):
        vessel, tank, source, channel = NAMES[which[i]]
        row: dict[str, Any] = {"vessel": vessel, "tank": tank, "source_address": source, "channel": channel}
        row["level_pct"], row["capacity_l"] = level[i], 200.0 if capacity_l is None else capacity_l[i]
        rows.append(row)
    known = np.array([UNKNOWN_TIME_US if at is None else at for at in time_us], np.int64)
    table = pa.Table.from_pylist(rows, schema=READINGS)
    return table.set_column(0, READINGS.field(0), time_column(known))


def expected(table: pa.Table) -> list[Rates]:
    return reference_rates(table.to_pylist(), table.column("time").cast(pa.int64()).to_pylist())


def found(table: pa.Table, cuts: Sequence[int] = ()) -> list[Rates]:
    """The rates of a stream that comes in batches, each with words numbered in its own way."""
    rates, parts = OnlineRates(), []
    bounds = [0, *sorted(cuts), len(table)]
    for number, (begin, end) in enumerate(pairwise(bounds)):
        batch = table.slice(begin, end - begin)
        if number % 2:
            batch = pa.Table.from_pylist(batch.to_pylist(), schema=READINGS)
        after = rates.add(batch)
        assert after.schema == READINGS
        # As text, for which nan is as nan.
        assert repr(after.drop_columns(list(RATES)).to_pylist()) == repr(batch.drop_columns(list(RATES)).to_pylist())
        parts.append(after)
    columns = pa.concat_tables(parts).select(RATES).columns
    return list(zip(*(column.to_pylist() for column in columns), strict=True))


def everywhere(table: pa.Table) -> list[list[int]]:
    """No cut, a cut after each reading, and in pieces of seven."""
    return [[], list(range(1, len(table))), list(range(7, len(table), 7))]


GAP_US = int(LONGEST_GAP_S * 1e6)


@pytest.mark.parametrize(
    ("steps_us", "levels"),
    [
        ([0], [50.0]),
        ([None], [50.0]),
        ([0], [None]),
        ([0], [float("nan")]),
        ([0, 1_000_000], [50.0, 50.4]),
        ([0, 0, 0, 0, 0], [50.0, 50.4, 50.8, 51.2, 51.6]),  # equal times
        ([0, 10**6, 0, 10**6, 0, 10**6], [50.0, 50.4, 50.8, 51.2, 51.6, 52.0]),
        ([0, GAP_US, GAP_US, GAP_US, GAP_US], [50.0, 50.4, 50.8, 51.2, 51.6]),  # the longest that is none
        ([0, GAP_US + 1, GAP_US, GAP_US, GAP_US + 1], [50.0, 50.4, 50.8, 51.2, 51.6]),
        ([0, 10**6, 10**6, -1, 10**6, 10**6, 10**6], [50.0, 50.4, 50.8, 51.2, 51.6, 52.0, 52.4]),  # set back
        ([0, 10**6, None, None, 10**6, 10**6], [50.0, 50.4, 50.8, 0.0, 51.2, 51.6]),
        ([0, *[10**6] * 6], [50.0, None, 50.4, None, 50.8, float("nan"), 51.2]),
        ([0, *[10**6] * 6], [50.0, 50.4, 50.8, 51.2, 50.8, 50.4, 50.0]),  # there and back
        ([0, *[10**6] * 6], [50.0, 50.0 + 1e-9, 50.0, 50.0 + 2e-9, 50.0 + 4e-9, 50.0, 50.4]),  # hardly a step
        ([0, *[10**6] * 6], [-131.072, 131.056, -131.072, 0.0, -0.0, 100.0, 0.0]),
    ],
)
def test_edges(steps_us: list[int | None], levels: list[float | None]) -> None:
    at, time_us = START_US, []
    for step_us in steps_us:
        at += step_us or 0
        time_us.append(None if step_us is None else at)
    table = readings(time_us, levels)
    for cuts in everywhere(table):
        assert found(table, cuts) == expected(table)


# How the next reading differs from the one before it in its series: microseconds (None: no time), and steps of 0.4 %
# (None: no number), rarely with something besides.
PASSED_US = st.sampled_from([10**6] * 6 + [2_500_000, 500_000, 0, 1, GAP_US, GAP_US + 1, -1, -5 * 10**6, -GAP_US, None])
STEPS = st.sampled_from([0.0] * 4 + [1.0] * 3 + [-1.0, 2.0, -2.0, 25.0, -25.0, 0.5, 0.01, 1e-9, 1e-10, None])
READING = st.tuples(PASSED_US, STEPS, st.integers(0, len(NAMES) - 1), st.sampled_from([200.0, 1000.0, 0.0, None]))


@given(st.lists(READING, max_size=120), st.lists(st.integers(0, 120), max_size=12), st.integers(1, len(NAMES)))
@example([(10**6, 1.0, 0, 200.0)] * 120, [], 1)  # every reading a mark
@example([(10**6, (-1.0) ** i, 0, 200.0) for i in range(120)], [60], 1)  # between two steps
@example([(10**6, float(i < 3), 0, 200.0) for i in range(120)], [70], 1)  # still for long
@example([(GAP_US + 1, 1.0, i % 2, 200.0) for i in range(60)], [31], 2)  # every reading after a gap
def test_rates_are_those_of_the_plain_walk(
    stream: list[tuple[int | None, float | None, int, float | None]], cuts: list[int], series: int
) -> None:
    at_us, level = [START_US] * len(NAMES), [50.0] * len(NAMES)
    time_us: list[int | None] = []
    levels: list[float | None] = []
    for passed_us, steps, number, _ in stream:
        at_us[number % series] += passed_us or 0
        level[number % series] += 0.4 * (steps or 0.0)
        time_us.append(None if passed_us is None else at_us[number % series])
        levels.append(None if steps is None else level[number % series])
    table = readings(time_us, levels, [row[2] % series for row in stream], [row[3] for row in stream])
    assert found(table, [min(cut, len(table)) for cut in cuts]) == expected(table)


def senders(kind: str, n: int, draw: np.random.Generator) -> NDArray[np.float64]:
    """(n,) levels in percent of one sender."""
    flow = np.cumsum(np.repeat(draw.choice([0, 0, 0, 0.02, -0.05, 0.4], n // 100 + 1), 100)[:n])
    level = np.abs((flow + draw.uniform(0, 100)) % 200 - 100)
    step, noise = {
        "steps": (0.4, 0.0),
        "strip": (100 / 36, 0.0),
        "steps with noise": (0.4, 0.15),
        "fine": (0.004, 0.0),
        "fine with noise": (0.004, 0.3),
        "never rounded": (1e-12, 0.5),
        "constant": (0.4, 0.0),
        "fast": (0.4, 0.0),
        "flickering": (0.4, 0.0),
    }[kind]
    if kind == "constant":
        level = 30 + 0.4 * np.minimum(np.arange(n), 10)
    elif kind == "fast":
        level = np.abs(np.arange(n) * 3.7 % 200 - 100)
    elif kind == "flickering":  # its noise comes down to exactly a step, but for rounding
        level = np.where(np.arange(n) < 5, level, 33.2 + 0.4 * (np.arange(n) % 2))
    return np.round((level + noise * draw.standard_normal(n)) / step) * step


KINDS = [
    "steps",
    "strip",
    "steps with noise",
    "fine",
    "fine with noise",
    "never rounded",
    "constant",
    "fast",
    "flickering",
]


@pytest.mark.parametrize("dirt", [0.0, 0.003, 0.1])
@pytest.mark.parametrize("kind", KINDS)
def test_long_series_of_every_kind(kind: str, dirt: float) -> None:
    for seed in range(3):
        print("seed", seed)
        draw = np.random.default_rng(seed)
        n = 2500
        passed_us = (draw.choice([0.5, 1.0, 2.5, 5.0]) * 1e6 * draw.uniform(0.8, 1.2, n)).astype(np.int64)
        dirty = draw.random(n) < dirt
        passed_us[dirty] = draw.choice([0, 1, GAP_US, GAP_US + 1, 10**9, -1, -(10**7)], int(dirty.sum()))
        levels: list[float | None] = senders(kind, n, draw).tolist()
        time_us: list[int | None] = (START_US + np.cumsum(passed_us)).tolist()
        for i in np.flatnonzero(draw.random(n) < dirt).tolist():
            (levels if draw.random() < 0.5 else time_us)[i] = None
        table = readings(time_us, levels)
        wanted = expected(table)
        # With so much dirt little is known; without it nearly everything is, except of one that hardly ever moves.
        assert sum(rate is not None for rate, _, _ in wanted) > n / 20
        assert found(table) == wanted
        assert found(table, draw.integers(0, n, 30).tolist()) == wanted
        assert found(table, np.repeat(draw.integers(0, n - 20, 10), 20).tolist()) == wanted


def test_many_series_in_turn() -> None:
    for seed in range(3):
        print("seed", seed)
        draw = np.random.default_rng(seed)
        n = 600
        kinds = draw.permutation(KINDS)[: len(NAMES)]
        level = np.array([senders(kind, n, draw) for kind in kinds])
        which = draw.permutation(np.repeat(np.arange(len(NAMES)), n))
        turn = np.zeros(len(NAMES), np.int64)
        levels = []
        for number in which.tolist():
            levels.append(float(level[number, turn[number]]))
            turn[number] += 1
        table = readings((START_US + np.arange(len(which)) * 130_000).tolist(), levels, which.tolist())
        wanted = expected(table)
        for size in (len(table), 1700, 37):
            assert found(table, range(size, len(table), size)) == wanted


def test_a_level_still_for_so_long_that_its_noise_is_forgotten() -> None:
    """Beyond 22,000 readings the mean of the noise is less than any float, on the way it is slow to reckon with."""
    levels = [50.0, 50.4, *[50.8] * 30_000, *np.arange(50.8, 60.0, 0.4).tolist()]
    table = readings((START_US + np.arange(len(levels)) * 1_000_000).tolist(), levels)
    wanted = expected(table)
    assert wanted[-1][0] == pytest.approx(0.4 * 2 * 60)  # 0.4 % a second of 200 l
    assert found(table) == wanted
    assert found(table, range(700, len(table), 700)) == wanted


@pytest.mark.parametrize("still", [LONG_STILL - 1, LONG_STILL, LONG_STILL + 1, LONG_STILL + 2, 3 * LONG_STILL])
def test_stretches_that_are_just_long_enough(still: int) -> None:
    levels: list[float | None] = []
    for i in range(6):
        levels += [50.0 + 0.4 * i + 0.1 * (-1) ** i, *[50.0 + 0.4 * i] * still]
    table = readings((START_US + np.arange(len(levels)) * 700_000).tolist(), levels)
    for cuts in [*everywhere(table), [still], [still + 1], [still + 2, 2 * still]]:
        assert found(table, cuts) == expected(table)


@pytest.mark.parametrize(
    "after_spike",
    [
        pytest.param([50.5] * 80, id="turning, while its noise fades"),
        pytest.param([51.6 - 0.1, *[51.6] * 80], id="onward, while its noise fades"),
        pytest.param([52.0, 51.59, 51.59, 51.98, 51.59, 51.59], id="onward, as a finer step shows"),
    ],
)
def test_a_mark_comes_nearer_while_the_middle_is_still(after_spike: list[float]) -> None:
    """One wrong reading of a size of which noise and step are about equal, so that one of them or both say how near it is."""
    for spike in np.arange(0.4, 12.0, 0.1).tolist():
        levels = [50.0, 50.4, 50.4, 50.8, 50.8, 51.2, 51.2, 51.2, 51.2 + spike, 51.2, 51.2, 51.2, *after_spike]
        table = readings((START_US + np.arange(len(levels)) * 1_000_000).tolist(), levels)
        assert found(table) == expected(table), f"spike {spike}"


def numbered(table: pa.Table, columns: Sequence[str]) -> tuple[list[int], list[int]]:
    """source_groups, plainly."""
    first: dict[tuple[Any, ...], int] = {}
    keys = [tuple(row[name] for name in columns) for row in table.select(columns).to_pylist()]
    for row, key in enumerate(keys):
        first.setdefault(key, row)
    order = list(first)
    return [order.index(key) for key in keys], list(first.values())


@pytest.mark.parametrize("n", [0, 1, 2, 300])
def test_groups_and_runs_are_those_of_the_words(n: int) -> None:
    for seed in range(5):
        print("seed", seed)
        draw = np.random.default_rng(seed)
        parts = [readings([START_US] * n, [50.0] * n, draw.integers(0, len(NAMES), n).tolist()) for _ in range(2)]
        for table in (parts[0], pa.concat_tables(parts), pa.concat_tables(parts).slice(n // 2, n)):
            for by_channel in (False, True):
                columns = ["vessel", "tank", "source_address", *(["channel"] if by_channel else [])]
                which, first = source_groups(table, by_channel=by_channel)
                assert (which.tolist(), first) == numbered(table, columns)
            rows = np.flatnonzero(draw.random(len(table)) < 0.7)
            if not len(rows):
                continue
            order, begins, names = source_runs(table, rows)
            assert sorted(order.tolist()) == rows.tolist()
            assert len(set(names)) == len(names)
            told = table.select(["vessel", "tank", "source_address", "channel"]).to_pylist()
            for name, run in zip(names, np.split(order, begins[1:]), strict=True):
                assert len(run)
                assert run.tolist() == sorted(run.tolist())
                assert {tuple(told[row].values()) for row in run.tolist()} == {name}


def test_many_words_are_more_than_two_bytes_hold() -> None:
    n = 4000
    words = pa.DictionaryArray.from_arrays(
        pa.array(np.arange(n)[::-1], pa.int32()), pa.array([f"t{i}" for i in range(n)])
    )
    table = readings([START_US] * n, [50.0] * n).set_column(4, READINGS.field("tank"), words)
    which, first = source_groups(table)
    assert which.tolist() == first == list(range(n))
    _, begins, names = source_runs(table, np.arange(n))
    assert len(begins) == len(names) == n


def test_a_dictionary_may_hold_a_word_twice_and_null_as_a_word() -> None:
    levels = [50.0 + 0.4 * i for i in range(12)]
    table = readings((START_US + np.arange(12) * 1_000_000).tolist(), levels)
    twice = pa.DictionaryArray.from_arrays(pa.array([0, 1] * 6, pa.int32()), pa.array(["can0", "can0"]))
    null = pa.DictionaryArray.from_arrays(pa.array([0, None] * 6, pa.int32()), pa.array([None], pa.string()))
    for channel in (twice, null):
        odd = table.set_column(2, READINGS.field("channel"), channel)
        rates = OnlineRates().add(odd).column("rate_l_per_min").to_pylist()
        assert rates[-1] is not None
        assert rates == [rate for rate, _, _ in expected(odd)]


@pytest.mark.parametrize("by_us", [-3_600_000_000, 56 * 365 * 86_400_000_000, 7_300_001, -7_300_001])
@pytest.mark.parametrize("kind", ["steps", "strip", "steps with noise", "fine with noise"])
def test_a_clock_that_is_set_makes_no_gap_and_no_flow(kind: str, by_us: int) -> None:
    """Law: rates of a stream cut by a step of the clock are those of the unbroken stream, where the step is told."""
    levels = senders(kind, 3000, np.random.default_rng(11))
    time_us = START_US + np.arange(3000) * 2_500_000
    which = [i % 2 for i in range(3000)]
    whole = found(readings(time_us.tolist(), levels.tolist(), which))
    for cut in (1, 2, 700, 1501, 2999):
        rates = OnlineRates()
        first = rates.add(readings(time_us[:cut].tolist(), levels[:cut].tolist(), which[:cut]))
        rates.shift(by_us)
        rest = rates.add(readings((time_us[cut:] + by_us).tolist(), levels[cut:].tolist(), which[cut:]))
        parts = pa.concat_tables([first, rest]).select(RATES)
        got = np.array([column.to_numpy() for column in parts.columns], float)
        wanted = np.array(whole, float).T
        assert (np.isnan(got) == np.isnan(wanted)).all()
        np.testing.assert_allclose(
            got, wanted, rtol=1e-5, atol=1e-9
        )  # seconds since 1970 are floats: 0.24 microseconds
    assert np.count_nonzero(wanted[0][~np.isnan(wanted[0])]) > 50


def test_an_empty_batch_changes_nothing() -> None:
    table = readings((START_US + np.arange(20) * 1_000_000).tolist(), [50.0 + 0.4 * i for i in range(20)])
    assert found(table, [0, 0, 5, 5, 5, 20]) == expected(table)


# ---- rounding ----


def test_bounds_are_the_powers_of_the_fortieth_root_of_ten_as_they_are_rounded() -> None:
    """ISO 3, Preferred numbers: those of R40 are off the exact powers by no more than 1.26 % (from memory)."""
    numbers = np.array([float(number) for number in R40.split()])
    exact = 10 ** (np.arange(40) / 40)
    assert (np.abs(numbers / exact - 1) <= 0.0127).all()
    assert (np.diff([*numbers, 10.0]) / numbers).max() < 0.072


ANY_RATE = st.one_of(
    st.floats(-LARGEST, LARGEST),
    st.floats(-1000, 1000),
    st.builds(lambda m, e: m * 10.0**e, st.integers(-9999, 9999), st.integers(-12, 12)),
    st.builds(lambda bound, ulps: float(np.nextafter(bound, np.inf * ulps)) if ulps else bound,
              st.sampled_from(BOUNDS[:-1].tolist()), st.sampled_from([-1, 0, 1])),
    st.sampled_from([0.0, -0.0, SMALLEST, -SMALLEST, LARGEST, -LARGEST, 5e-324, -5e-324, float("nan")]),
)  # fmt: skip


@given(st.lists(st.tuples(ANY_RATE, ANY_RATE, ANY_RATE), min_size=1, max_size=30))
def test_rounding_keeps_order_goes_outwards_and_is_done_once(rows: list[tuple[float, float, float]]) -> None:
    rates = np.sort(np.array(rows), axis=1)[:, [1, 0, 2]].T  # rate, low, high; nan is last
    rate, low, high = found = rounded_rates(rates)
    assert np.array_equal(found, rounded_rates(found), equal_nan=True)
    assert np.array_equal(np.isnan(found), np.isnan(rates))
    assert not np.signbit(found[found == 0]).any()
    known = ~np.isnan(rates).any(axis=0)
    assert (low <= rate)[known].all()
    assert (rate <= high)[known].all()
    assert (low <= rates[1])[~np.isnan(low)].all()
    assert (high >= rates[2])[~np.isnan(high)].all()
    for rounded_to, value in ((low, rates[1]), (high, rates[2])):
        off = np.abs(rounded_to - value)
        assert (off <= np.maximum(0.072 * np.maximum(np.abs(value), np.abs(rounded_to)), SMALLEST))[
            ~np.isnan(off)
        ].all()
    told = np.abs(rates[0]) > 1e-19
    assert (np.abs(rate - rates[0])[told] <= 0.00501 * np.abs(rates[0][told])).all()
    # The mirror image, and each by itself.
    assert np.array_equal(rounded_rates(-rates[[0, 2, 1]]), 0.0 - found[[0, 2, 1]], equal_nan=True)
    alone = np.concatenate([rounded_rates(rates[:, [i]]) for i in range(rates.shape[1])], axis=1)
    assert np.array_equal(alone, found, equal_nan=True)


def test_beyond_all_bounds_nothing_is_rounded() -> None:
    beyond = np.array([1.5e18, -1.5e18, 1e300])
    assert rounded_up(beyond).tolist() == beyond.tolist()


@pytest.mark.parametrize("step_pct", [0.004, 0.4])
def test_many_steps_in_one_reading(step_pct: float) -> None:
    """A waste tank of 120 L pumped out at 40 L/min, by a sender of fine steps read every 2.5 s, not to the microsecond."""
    rng = np.random.default_rng(5)
    at_s = np.arange(60) * 2.5 + rng.uniform(0, 0.02, 60)
    begun_s, ended_s = 51.0, 111.0
    litres = 90.0 - np.clip(at_s - begun_s, 0, ended_s - begun_s) / 60 * 40.0
    level = np.round(litres / 1.2 / step_pct) * step_pct
    level[:5] += step_pct  # so that its step is known
    table = readings((START_US + at_s * 1e6).astype(np.int64).tolist(), level.tolist(), capacity_l=[120.0] * 60)
    rates = found(table)
    assert rates == expected(table)
    pumped = [rates[i] for i in range(60) if begun_s + 7.5 < at_s[i] < ended_s]
    assert len(pumped) >= 20
    for rate, low, high in pumped:
        assert rate is not None
        assert low is not None
        assert high is not None
        assert rate == pytest.approx(-40.0, rel=0.15)
        assert low <= -40.0 <= high
    assert known_between(rates) >= 50


@pytest.mark.parametrize("seed", range(20))
def test_a_rate_lies_between_its_limits(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = 400
    at_us = START_US + np.cumsum(rng.choice([10**6, 2_500_000, 2_520_000, 5_000_000], n))
    flow = np.repeat(rng.choice([0.0, 0.0, 0.01, 0.4, -1.5], n // 20), 20)
    level = np.round((50 + np.cumsum(flow)) / 0.004) * 0.004
    assert known_between(found(readings(at_us.tolist(), level.tolist()))) > 100


def known_between(rates: list[Rates]) -> int:
    """How many rates are known; each of them lies between its limits."""
    known = 0
    for rate, low, high in rates:
        if rate is not None:
            assert low is not None
            assert high is not None
            assert low <= rate <= high
            known += 1
    return known
