"""Leak watch against tanks whose leaks are known, against the distributions it rests on, and against scipy's figures."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from conftest import START_US, Result
from numpy.typing import NDArray

from canlevel.derivation.flows import derive_flows
from canlevel.derivation.leaks import FALSE_ALARM, LEAKS, evenness_p, steady_line, student_quantile, watch_leaks
from canlevel.simulate import NINE_INCH_STRIP
from canlevel.storage.store import create_store
from canlevel.tables import FLOWS, READINGS, dictionary_column, empty, float_column, null_column, time_column

HOUR_S = 3600.0


def tank_readings(
    hours: Sequence[float],
    litres: Sequence[float],
    *,
    capacity_l: float | None = 200.0,
    step_pct: float = 0.004,
    noise_pct: float = 0.0,
    drift_pct: Callable[[NDArray[np.float64]], NDArray[np.float64]] | None = None,
    period_s: float = 10.0,
    fluid: str = "fresh_water",
    instance: int = 0,
    source_address: int = 35,
    vessel: str | None = None,
    name: str | None = None,
    seed: int = 1,
) -> pa.Table:
    """READINGS of a prismatic tank whose litres run in straight lines between points; the sender rounds to its step.

    capacity_l: what the device tells; without it the tank holds 200 L all the same. drift_pct: percent the level is read
    too high, of hours.
    """
    random = np.random.default_rng(seed)
    at_h = np.arange(hours[0] + random.uniform(0, period_s) / HOUR_S, hours[-1], period_s / HOUR_S)
    level = 100 * np.interp(at_h, hours, litres) / (capacity_l or 200.0) + random.normal(0, noise_pct, len(at_h))
    if drift_pct is not None:
        level += drift_pct(at_h)
    level = np.clip(np.round(level / step_pct) * step_pct, 0, 100)
    n = len(at_h)
    same, capacity = np.zeros(n, np.int64), np.full(n, np.nan if capacity_l is None else capacity_l)
    words = {
        "vessel": vessel, "channel": "can0", "protocol": "nmea2000", "tank": f"nmea2000.{fluid}.{instance}", "name": name,
        "fluid": fluid, "status": "ok",
    }  # fmt: skip
    columns: dict[str, Any] = {word: dictionary_column(same, [text]) for word, text in words.items()}
    columns |= {
        "time": time_column(START_US + np.round(at_h * 3.6e9).astype(np.int64)),
        "instance": pa.array(np.full(n, instance, np.int16)),
        "source_address": pa.array(np.full(n, source_address, np.uint8)),
        "level_pct": float_column(level),
        "capacity_l": float_column(capacity),
        "volume_l": float_column(level * capacity / 100),
    }
    return pa.table([columns.get(f.name, null_column(n, pa.float64())) for f in READINGS], schema=READINGS)


def told(readings: pa.Table) -> list[dict[str, Any]]:
    """Rows of LEAKS, which hold what all of them promise."""
    table = watch_leaks(readings, derive_flows(readings))
    assert table.schema == LEAKS
    rows: list[dict[str, Any]] = table.to_pylist()
    for row in rows:
        assert row["false_alarm"] == FALSE_ALARM <= 1 / 1000
        if row["status"] in ("leak", "gain"):
            assert row["smallest_pct_per_h"] > 0
            assert (row["leak_pct_per_h"] > 0) == (row["status"] == "leak")
        assert (row["smallest_pct_per_h"] is None) == (row["status"] == "too little quiet time")
    return rows


# Published tables of Student's t, as in any handbook of statistics.
@pytest.mark.parametrize(
    ("p", "degrees", "t"), [(0.975, 10, 2.228), (0.95, 5, 2.015), (0.995, 1, 63.657), (0.975, 120, 1.980)]
)
def test_students_t_is_that_of_published_tables(p: float, degrees: int, t: float) -> None:
    assert student_quantile(p, degrees) == pytest.approx(t, abs=6e-4)


def test_students_t_is_that_of_scipy() -> None:
    stats = pytest.importorskip("scipy.stats")
    for degrees in (1, 2, 3, 7, 30, 399):
        for p in (0.6, 0.95, 1 - 3e-5):
            assert student_quantile(p, degrees) == pytest.approx(stats.t.ppf(p, degrees), rel=1e-8)


def test_a_line_through_one_piece_is_that_of_scipy() -> None:
    """Oracle: scipy.stats.linregress. Its error holds for independent residuals; ours allows for more, and is wider for it."""
    stats = pytest.importorskip("scipy.stats")
    random = np.random.default_rng(5)
    hours = np.sort(random.uniform(0, 24, 4000))
    litres = 80 - 0.3 * hours + random.normal(0, 0.5, 4000)
    line = steady_line(hours, litres, np.zeros(4000, np.int64))
    theirs = stats.linregress(hours, litres)
    assert line is not None
    assert line.slope == pytest.approx(theirs.slope, rel=1e-9)
    assert theirs.stderr < line.error < 1.15 * theirs.stderr


def test_pieces_have_heights_of_their_own() -> None:
    """Oracle: numpy's least squares with a column for the height of each piece."""
    random = np.random.default_rng(6)
    hours, piece = np.arange(40) / 6, np.repeat([3, 4, 8], [9, 21, 10])
    litres = 5.0 * piece - 0.7 * hours + random.normal(0, 0.1, 40)
    line = steady_line(hours, litres, piece)
    columns = np.column_stack([hours, *(piece == number for number in (3, 4, 8))])
    assert line is not None
    assert line.slope == pytest.approx(np.linalg.lstsq(columns, litres, rcond=None)[0][0], rel=1e-9)
    assert steady_line(hours[:4], litres[:4], np.arange(4)) is None


@pytest.mark.parametrize("alike", [0.0, 0.5, 0.8])
def test_a_drifting_level_passes_for_a_slope_no_more_often_than_stated(alike: float) -> None:
    """Means that are alike to their neighbours (AR(1)): one in a hundred slopes beyond the 1 % point, give or take."""
    random = np.random.default_rng(7)
    beyond = 0
    for _ in range(600):
        noise = random.standard_normal(172)
        for i in range(1, 172):
            noise[i] += alike * noise[i - 1]
        line = steady_line(np.arange(72) / 6, noise[100:], np.zeros(72, np.int64))
        assert line is not None
        beyond += line.degrees >= 3 and line.slope > student_quantile(0.99, line.degrees) * line.error
    assert beyond <= 14  # of a binomial with 600 and 0.01 all but 0.2 %


@pytest.mark.parametrize("count", [4, 6, 8])
def test_the_chance_of_even_dwells_is_that_of_random_points(count: int) -> None:
    """Monte Carlo: random points in a unit length cut it into spacings as uniform on their simplex as exponential times are."""
    random = np.random.default_rng(count)
    dwells = random.exponential(size=(400_000, count))
    variation = dwells.std(axis=1) / dwells.mean(axis=1)
    limit = 0.95 / (count - 1) ** 0.5
    expected = float(evenness_p(np.array([limit]), count)[0])
    seen = int((variation < limit).sum())
    assert seen > 100
    assert seen == pytest.approx(400_000 * expected, abs=4 * seen**0.5)


def test_the_chance_of_three_even_dwells_is_the_area_of_a_circle_in_a_triangle() -> None:
    """By hand: three spacings of sum 1 fill a triangle of side sqrt(2), and v < V a circle of radius V / sqrt(3) within it."""
    assert evenness_p(np.array([0.3]), 3)[0] == pytest.approx(np.pi * 0.09 / 3 / (3**0.5 / 4 * 2), rel=1e-12)
    assert evenness_p(np.array([0.9]), 3)[0] == 1  # the circle no longer fits


FINE, TENTHS, STRIP = (0.004, 0.3), (0.4, 0.05), (NINE_INCH_STRIP, 0.05)


@pytest.mark.parametrize(
    ("sender", "leak", "hours"),
    [
        (FINE, 0.1, 24),
        (FINE, 0.5, 12),
        (FINE, 2.0, 12),
        (TENTHS, 0.3, 30),
        (TENTHS, 2.0, 8),
        (STRIP, 1.0, 48),
        (STRIP, 0.5, 96),
    ],
    ids=str,
)
def test_a_leak_in_an_unused_tank_is_told_with_its_rate(sender: tuple[float, float], leak: float, hours: float) -> None:
    for seed in range(3):
        readings = tank_readings(
            [0, hours],
            [150 + seed, 150 + seed - leak * hours],
            step_pct=sender[0],
            noise_pct=sender[1],
            period_s=20,
            seed=seed,
        )
        (row,) = told(readings)
        assert row["status"] == "leak"
        assert row["leak_low"] <= leak <= row["leak_high"]
        assert row["leak_high"] - row["leak_low"] < leak
        assert row["smallest_l_per_h"] <= leak
        assert row["leak_pct_per_h"] == pytest.approx(row["leak_l_per_h"] / 2)


def test_a_leak_is_told_between_uses_and_fills() -> None:
    """A tap every third hour of two days, and a fill: the slow loss between them is steady."""
    hours, litres = [0.0], [170.0]

    def go(until: float, litres_more: float) -> None:
        litres.append(litres[-1] - 0.3 * (until - hours[-1]) + litres_more)
        hours.append(until)

    for day in range(2):
        for hour in range(8, 22, 3):
            go(24 * day + hour, 0)
            go(24 * day + hour + 0.04, -9)
        go(24 * day + 22.5, 0)
        go(24 * day + 22.6, 60)
    go(50, 0)
    (row,) = told(tank_readings(hours, litres, noise_pct=0.3, period_s=20))
    assert row["status"] == "leak"
    assert row["leak_low"] <= 0.3 <= row["leak_high"] < 0.45


def test_how_long_it_takes_until_a_leak_is_told() -> None:
    """A fine sender tells half a litre an hour within half a day of its beginning, and not before it begins."""
    for seed in range(3):
        readings = tank_readings([0, 24, 36], [150, 150, 144], noise_pct=0.3, seed=seed)
        before = readings.slice(0, len(readings) * 2 // 3)
        assert told(before)[0]["status"] == "none seen"
        (row,) = told(readings)
        assert row["status"] == "leak"
        assert (row["since"].timestamp() - START_US / 1e6) / HOUR_S > 17


@pytest.mark.parametrize("sender", [FINE, TENTHS, STRIP], ids=str)
def test_no_leak_is_told_of_a_tank_at_rest_or_in_use(sender: tuple[float, float]) -> None:
    """Uses at any time, many too small for the sender; the level also lies where a step flickers."""
    for seed in range(4):
        random = np.random.default_rng(100 + seed)
        hours, litres = [0.0], [150.0 + seed]
        for at in np.sort(random.uniform(0, 48, 30 if seed % 2 else 0)).tolist():
            use = float(np.exp(random.uniform(np.log(0.3), np.log(12))))
            begin = max(at, hours[-1] + 0.01)
            hours += [begin, begin + use / 240]
            litres += [litres[-1], max(litres[-1] - use, 10)]
        readings = tank_readings(
            [*hours, 49], [*litres, litres[-1]], step_pct=sender[0], noise_pct=sender[1], seed=seed
        )
        assert all(row["status"] in ("none seen", "too little quiet time") for row in told(readings))


def test_passages_at_random_are_no_leak_and_even_ones_are() -> None:
    """Forty passages of a strip sender's steps, each by a use of one step: only their times differ."""
    random = np.random.default_rng(9)
    step_l = 2 * NINE_INCH_STRIP
    for even in (False, True):
        alarms = 0
        for seed in range(12):
            times = np.arange(1, 17) * 6 if even else np.sort(random.uniform(0, 100, 16))
            hours = np.sort(np.concatenate([[0], times, times + 1e-3, [101]]))
            litres = 190 - step_l * np.repeat(np.arange(17), 2)
            readings = tank_readings(hours.tolist(), litres.tolist(), step_pct=NINE_INCH_STRIP, period_s=30, seed=seed)
            alarms += told(readings)[0]["status"] == "leak"
        assert alarms == (12 if even else 0)


def test_a_heater_by_night_is_no_leak_and_one_that_never_stops_may_be() -> None:
    hours, litres = [0.0], [300.0]
    for night in range(3):
        for until, loss in ((24 * night + 12, 0.0), (24 * night + 22, 3.5)):
            hours.append(float(until))
            litres.append(litres[-1] - loss)
    options: dict[str, Any] = {"capacity_l": 380, "noise_pct": 0.2, "fluid": "fuel", "period_s": 20}
    assert [row["status"] for row in told(tank_readings(hours, litres, **options))] == ["none seen"]
    assert told(tank_readings([0, 20], [300, 293], **options))[0]["status"] != "leak"  # a night, so far
    (row,) = told(tank_readings([0, 72], [300, 300 - 72 * 0.35], **options))
    assert row["status"] == "leak"
    assert "heater" in row["note"]
    (row,) = told(tank_readings([0, 14], [300, 300 - 14 * 1.5], **options))
    assert row["status"] == "leak"  # no heater takes that much


@pytest.mark.parametrize(("step", "noise"), [(0.004, 0.6), (0.004, 0.2), (0.4, 0.05)])
def test_nights_of_a_heater_do_not_add_up_to_a_leak(step: float, noise: float) -> None:
    for start, lasting in ((20, 8), (19, 14)):
        hours, litres = [0.0], [390.0]
        for day in range(8):
            for until, loss in ((24 * day + start - 8, 0.0), (24 * day + start - 8 + lasting, 0.3 * lasting)):
                hours.append(float(until))
                litres.append(litres[-1] - loss)
        options: dict[str, Any] = {
            "capacity_l": 400,
            "step_pct": step,
            "noise_pct": noise,
            "fluid": "fuel",
            "period_s": 60,
        }
        readings = tank_readings([*hours, 200], [*litres, litres[-1]], **options)
        assert [row["status"] for row in watch_leaks(readings, empty(FLOWS)).to_pylist()] == ["none seen"]


def test_a_tilt_does_not_hide_a_leak_nor_add_to_it() -> None:
    """Somebody moves weights four times a day: the level jumps, and goes on falling as before."""

    def tilt(hours: Any) -> Any:
        return np.array([0.8, 0.0, 1.3, 0.5, -0.4])[(hours // 6).astype(int) % 5]

    for sender, leak in ((FINE, 0.08), (TENTHS, 0.5)):
        options: dict[str, Any] = {"step_pct": sender[0], "noise_pct": sender[1], "drift_pct": tilt, "period_s": 20}
        (row,) = watch_leaks(tank_readings([0, 48], [150, 150 - 48 * leak], **options), empty(FLOWS)).to_pylist()
        assert row["status"] == "leak"
        assert row["leak_low"] <= leak <= row["leak_high"] < 1.5 * leak


def test_a_coarse_sender_that_rests_for_longer_than_a_step_of_the_leak_contradicts_it() -> None:
    """Passages at even intervals on both sides of a time in which none came, with a use between that parts the pieces."""
    step_l = 2 * NINE_INCH_STRIP
    for rest in (2, 24):
        hours, litres = [0.0], [190.0]
        for first in (4, 4 + 4 * 4 + rest):
            for number in range(4):
                hours += [first + 4.0 * number, first + 4.0 * number + 1e-3]
                litres += [litres[-1], litres[-1] - step_l]
            hours += [hours[-1] + 2, hours[-1] + 2.05]
            litres += [litres[-1], litres[-1] - 4 * step_l]
        readings = tank_readings([*hours, hours[-1] + 3], [*litres, litres[-1]], step_pct=NINE_INCH_STRIP, period_s=20)
        assert (told(readings)[0]["status"] == "leak") == (rest == 2)


def test_a_steady_change_smaller_than_the_wander_is_no_leak() -> None:
    for seed in range(3):
        readings = tank_readings([0, 24], [150, 149.7], noise_pct=0.2, seed=seed)  # 0.15 %
        assert [row["status"] for row in told(readings)] == ["none seen"]


def test_noise_that_an_empty_tank_cuts_off_says_nothing() -> None:
    assert told(tank_readings([0, 30], [0.9, 0.9], noise_pct=0.4))[0]["status"] == "too little quiet time"


def test_a_tank_that_gains_is_told_too() -> None:
    (row,) = told(tank_readings([0, 30], [20, 32], capacity_l=120, noise_pct=0.3, fluid="grey_water"))
    assert row["status"] == "gain"
    assert row["leak_low"] <= -0.4 <= row["leak_high"] < 0
    assert "runs into it" in row["note"]


@pytest.mark.parametrize(
    "drift", [lambda h: 0.09 * np.sin(h / 24 * 2 * np.pi), lambda h: -0.3 * np.minimum(h, 10) / 10]
)
def test_a_level_that_drifts_with_the_temperature_is_no_leak(drift: Callable[[Any], Any]) -> None:
    """A daily wave, and fuel that cools by some four kelvin in a night (0.08 % a kelvin; handbooks, from memory)."""
    for seed in range(3):
        readings = tank_readings(
            [0, 48], [300, 300], capacity_l=380, noise_pct=0.2, drift_pct=drift, fluid="fuel", seed=seed
        )
        assert [row["status"] for row in told(readings)] == ["none seen"]


@pytest.mark.parametrize(("sender", "hours"), [(FINE, 24), (TENTHS, 36), (STRIP, 120)], ids=str)
def test_a_leak_of_the_smallest_size_is_told_in_95_of_100_cases(sender: tuple[float, float], hours: float) -> None:
    random = np.random.default_rng(11)
    found = inside = 0
    for seed in range(20):
        start = random.uniform(140, 150)
        options: dict[str, Any] = {"step_pct": sender[0], "noise_pct": sender[1], "period_s": 60, "seed": seed}
        # A use at the beginning shows the step.
        rested = told(tank_readings([0, 0.5, 0.6, hours], [180, 180, start, start], **options))[0]
        leak = rested["smallest_l_per_h"]
        (row,) = told(tank_readings([0, 0.5, 0.6, hours], [180, 180, start, start - leak * hours], **options))
        found += row["status"] == "leak"
        inside += row["status"] == "leak" and row["leak_low"] <= leak <= row["leak_high"]
    assert found >= 17  # of a binomial with 20 and 0.95 all but 1.6 %
    assert inside >= 16


def test_scale_the_tank_and_the_leak_scales() -> None:
    small = told(tank_readings([0, 24], [75, 75 - 4.8], capacity_l=100, noise_pct=0.2))
    large = told(tank_readings([0, 24], [225, 225 - 14.4], capacity_l=300, noise_pct=0.2))
    for name in ("leak_l_per_h", "leak_low", "leak_high", "smallest_l_per_h"):
        assert large[0][name] == pytest.approx(3 * small[0][name], rel=1e-6)


def test_the_order_of_the_readings_does_not_matter() -> None:
    readings = tank_readings([0, 30], [150, 138], step_pct=0.4, noise_pct=0.05)
    shuffled = readings.take(np.random.default_rng(3).permutation(len(readings)))
    assert told(shuffled) == told(readings)


def test_without_a_capacity_there_are_percents() -> None:
    (row,) = told(tank_readings([0, 24], [150, 150 - 7.2], capacity_l=None, noise_pct=0.3))
    assert row["status"] == "leak"
    assert row["leak_pct_per_h"] == pytest.approx(0.15, rel=0.1)
    assert row["leak_l_per_h"] is row["leak_low"] is row["smallest_l_per_h"] is None


def test_too_little_is_said_to_be_too_little() -> None:
    for readings in (
        tank_readings([0, 0.05], [150, 150], noise_pct=0.3),
        tank_readings([0, 2], [150, 149], noise_pct=0.3),
        tank_readings([0, 24], [150, 150], step_pct=NINE_INCH_STRIP),  # its step is not known
        tank_readings([0, 24], [0, 0], step_pct=0.4),
        tank_readings([0, 20], [150, 149], step_pct=100 / 3, noise_pct=1),
    ):
        (row,) = told(readings)
        assert row["status"] == "too little quiet time"
        assert row["note"]


def test_gaps_and_broken_readings_do_no_harm() -> None:
    readings = tank_readings([0, 36], [150, 150 - 18], noise_pct=0.3)
    rows = readings.to_pylist()
    random = np.random.default_rng(2)
    for at in random.integers(0, len(rows), 40).tolist():
        wrong = float(random.uniform(0, 100))
        rows[at] |= {"level_pct": wrong, "volume_l": 2 * wrong}
    for at in random.integers(0, len(rows), 40).tolist():
        rows[at] |= {"level_pct": None, "volume_l": None, "status": "not_available"}
    rows = rows[: len(rows) // 3] + rows[len(rows) // 2 :]
    (row,) = told(pa.Table.from_pylist(rows, schema=READINGS))
    assert row["status"] == "leak"
    assert row["leak_low"] <= 0.5 <= row["leak_high"]
    assert watch_leaks(empty(READINGS), empty(FLOWS)).num_rows == 0


def test_two_sources_of_one_tank_are_two() -> None:
    one = tank_readings([0, 24], [150, 140], noise_pct=0.3)
    other = tank_readings([0, 24], [100, 100], noise_pct=0.3, source_address=36)
    assert [(row["source_address"], row["status"]) for row in told(pa.concat_tables([one, other]))] == [
        (35, "leak"),
        (36, "none seen"),
    ]


def test_the_command_prints_what_was_found(canlevel: Callable[..., Result], tmp_path: Any) -> None:
    store = create_store(tmp_path / "history", vessel="Harbour workboat")
    with store.writing() as writer:
        writer.append(
            tank_readings([0, 24], [150, 140], noise_pct=0.3, name="Fresh water, bow", vessel="Harbour workboat")
        )
        writer.append(tank_readings([0, 24], [100, 100], noise_pct=0.3, fluid="fuel", vessel="Harbour workboat"))
    code, text, _ = canlevel("leaks", "--store", tmp_path / "history")
    assert code == 0
    assert "leak" in text
    assert "none seen" in text
    assert max(map(len, text.splitlines())) <= 80
    gallons = canlevel("leaks", "--store", tmp_path / "history", "--units", "us-gallon")[1]
    assert "0.11" in gallons  # 10 L in 24 h
    import json

    lines = canlevel("leaks", "--store", tmp_path / "history", "--format", "jsonl", "--tank", "nmea2000.fresh_water.0")[
        1
    ]
    (row,) = map(json.loads, lines.splitlines())
    assert list(row) == LEAKS.names
    assert row["leak_l_per_h"] == pytest.approx(10 / 24, rel=0.1)
    head = canlevel("leaks", "--store", tmp_path / "history", "--format", "csv")[1].splitlines()[0]
    assert head == ",".join(LEAKS.names)
    code, text, errors = canlevel("leaks", "--store", tmp_path / "history", "--since", "2027-01-01")
    assert (code, text) == (0, "")
    assert "no tank was heard" in errors


def test_readings_that_share_a_stamp(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    """A recorder that writes whole seconds, and a device that sends three times at once: 0.3 % an hour of 200 L are lost."""
    random = np.random.default_rng(2)
    lines = []
    for second in range(0, 60_000, 5):
        for _ in range(3):
            raw = round((50 - second * 0.3 / 3600 + random.normal(0, 0.1)) * 250)
            data = raw.to_bytes(2, "little", signed=True).hex()
            lines.append(f"({START_US // 1_000_000 + second}.000000) can0 19F21123#10{data}D0070000FF\n")
    (tmp_path / "boat.log").write_text("".join(lines))
    code, output, _ = canlevel("leaks", tmp_path / "boat.log", "--format", "jsonl")
    (row,) = map(json.loads, output.splitlines())
    assert code == 0
    assert row["status"] == "leak"
    assert row["leak_low"] <= 0.6 <= row["leak_high"]
