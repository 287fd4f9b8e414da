"""Balance against tanks whose water is known."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from test_leaks import tank_readings

from canlevel.derivation.balance import BALANCE, balance
from canlevel.derivation.flows import derive_flows
from canlevel.simulate import NINE_INCH_STRIP, TWELVE_INCH_STRIP
from canlevel.tables import FLOWS, READINGS, empty

# Readings begin at 08:00 UTC, so that the first day is 16 hours long.
FIRST_H = 16.0


def balanced(*tanks: pa.Table) -> list[dict[str, Any]]:
    readings = pa.concat_tables(tanks)
    table = balance(readings, derive_flows(readings))
    assert table.schema == BALANCE
    rows: list[dict[str, Any]] = table.to_pylist()
    for row in rows:
        if row["missing_l"] is not None:
            assert row["missing_l"] == pytest.approx(row["out_of_fresh_l"] - row["into_waste_l"])
            assert row["missing_low"] < row["missing_l"] < row["missing_high"]
        else:
            assert row["note"]
    return rows


def test_what_goes_out_of_fresh_and_into_waste_and_what_is_missing() -> None:
    """By hand: 40 L drawn on the first day and 60 L on the second; of them 30 and 45 L into grey, 5 and 5 L into black."""
    times = [0, 4, 4.2, 26, 26.3, 40]
    fresh = tank_readings(times, [180, 180, 140, 140, 80, 80], noise_pct=0.1)
    grey = tank_readings(times, [10, 10, 40, 40, 85, 85], capacity_l=120, noise_pct=0.1, fluid="grey_water")
    black = tank_readings(times, [10, 10, 15, 15, 20, 20], capacity_l=80, noise_pct=0.1, fluid="black_water")
    first, second = balanced(fresh, grey, black)
    assert (first["date"], second["date"]) == ("2026-05-01", "2026-05-02")
    assert first["out_of_fresh_l"] == pytest.approx(40, abs=0.5)
    assert first["into_waste_l"] == pytest.approx(35, abs=0.5)
    assert first["missing_low"] <= 5 <= first["missing_high"]
    assert second["out_of_fresh_l"] == pytest.approx(60, abs=0.5)
    assert second["missing_low"] <= 10 <= second["missing_high"]
    assert first["note"] == ""


def test_fills_and_dumps_are_neither_use_nor_loss() -> None:
    times = [0, 2, 2.2, 5, 5.1, 9, 9.2, 14]
    fresh = tank_readings(times, [60, 60, 40, 40, 160, 160, 130, 130], step_pct=0.4)
    grey = tank_readings(times, [70, 70, 90, 90, 5, 5, 35, 35], capacity_l=120, step_pct=0.4, fluid="grey_water")
    (row,) = balanced(fresh, grey)
    assert row["out_of_fresh_l"] == pytest.approx(50, abs=2)
    assert row["into_waste_l"] == pytest.approx(50, abs=2)
    assert row["missing_low"] <= 0 <= row["missing_high"]


def test_a_fill_while_nothing_was_heard_is_taken_out() -> None:
    fresh = tank_readings([0, 2, 2.2, 5, 5.1, 14], [60, 60, 40, 40, 160, 150], step_pct=0.4, period_s=5)
    rows = [row for row in fresh.to_pylist() if not 4.5 < (row["time"].hour + row["time"].minute / 60 - 8) < 5.5]
    grey = tank_readings([0, 14], [70, 70], capacity_l=120, noise_pct=0.1, fluid="grey_water")
    (row,) = balanced(pa.Table.from_pylist(rows, schema=READINGS), grey)
    assert row["out_of_fresh_l"] == pytest.approx(20 + 10, abs=2)


def test_the_range_holds_what_is_missing() -> None:
    """Strip senders, uses too small to be seen: 95 of 100 ranges hold the truth, give or take."""
    inside = 0
    for seed in range(40):
        random = np.random.default_rng(seed)
        at = np.sort(random.uniform(0.2, 15, 14))
        use = random.uniform(0.3, 6, 14)
        part = random.uniform(0.5, 1, 14)
        hours = np.sort(np.concatenate([[0], at, at + 0.02, [15.9]]))
        drawn, kept = (np.repeat(np.concatenate([[0], np.cumsum(litres)]), 2) for litres in (use, use * part))
        start = random.uniform(120, 190, 2)
        fresh = tank_readings(
            hours.tolist(), (start[0] - drawn).tolist(), step_pct=NINE_INCH_STRIP, period_s=30, seed=seed
        )
        grey = tank_readings(
            hours.tolist(),
            (start[1] - 100 + kept).tolist(),
            step_pct=TWELVE_INCH_STRIP,
            period_s=30,
            fluid="grey_water",
        )
        (row,) = balanced(fresh, grey)
        inside += row["missing_low"] <= float((use * (1 - part)).sum()) <= row["missing_high"]
    assert inside >= 34  # of a binomial with 40 and 0.95 all but 1 %


def test_what_cannot_be_known_is_said() -> None:
    fresh = tank_readings([0, 2, 2.2, 14], [160, 160, 120, 120], step_pct=0.4)
    grey = tank_readings(
        [0, 2, 2.2, 14], [20, 20, 60, 60], step_pct=0.4, fluid="grey_water", capacity_l=None, name="Sink"
    )
    (alone,) = balanced(fresh)
    assert alone["out_of_fresh_l"] == pytest.approx(40, abs=1.5)
    assert alone["note"] == "no waste water tank"
    (dumb,) = balanced(fresh, grey)
    assert dumb["into_waste_l"] is dumb["missing_l"] is None
    assert dumb["note"] == "no litres known of Sink"
    late = tank_readings([20, 30], [20, 20], noise_pct=0.1, fluid="grey_water", name="Sink")
    assert balanced(fresh, late)[0]["note"] == "Sink was not heard"


def test_a_tank_that_two_devices_send_counts_once() -> None:
    one = tank_readings([0, 2, 2.2, 14], [160, 160, 120, 120], step_pct=0.4)
    other = tank_readings([0, 2, 2.2, 14], [160, 160, 120, 120], step_pct=0.4, source_address=36, period_s=20)
    grey = tank_readings([0, 2, 2.2, 14], [20, 20, 60, 60], step_pct=0.4, fluid="grey_water")
    (row,) = balanced(one, other, grey)
    assert row["out_of_fresh_l"] == pytest.approx(40, abs=1.5)


def test_vessels_are_kept_apart_and_fuel_is_no_water() -> None:
    tanks = [
        tank_readings([0, 2, 2.2, 14], [160, 160, 160 - use, 160 - use], step_pct=0.4, vessel=vessel)
        for vessel, use in (("Clinic coach", 40), ("Harbour workboat", 80))
    ]
    fuel = tank_readings([0, 2, 2.2, 14], [160, 160, 120, 120], step_pct=0.4, vessel="Third", fluid="fuel")
    rows = balanced(*tanks, fuel)
    assert [row["vessel"] for row in rows] == ["Clinic coach", "Harbour workboat"]
    assert [row["out_of_fresh_l"] for row in rows] == pytest.approx([40, 80], abs=1.5)


def test_balance_of_nothing() -> None:
    assert balance(empty(READINGS), empty(FLOWS)).num_rows == 0


def test_a_tank_that_is_silent_where_the_others_begin_or_end_shortens_the_day() -> None:
    """Fresh is heard from two hours to twelve; grey is silent from one to four, and from eleven to fifteen."""
    fresh = tank_readings([2, 6, 6.2, 12], [150, 150, 110, 110], step_pct=0.4)
    grey = [
        tank_readings(times, litres, capacity_l=120, step_pct=0.4, fluid="grey_water")
        for times, litres in (([0, 1], [10, 10]), ([4, 6, 6.2, 11], [10, 10, 50, 50]), ([15, 16], [50, 50]))
    ]
    (row,) = balanced(fresh, *grey)
    assert (f"{row['since']:%H:%M}", f"{row['until']:%H:%M}") == ("12:00", "18:59")  # readings begin at 08:00
    assert row["out_of_fresh_l"] == pytest.approx(40, abs=1)
    assert row["into_waste_l"] == pytest.approx(40, abs=1)
