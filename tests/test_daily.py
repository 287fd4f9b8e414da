"""A day of a tank in one row: counted by hand, cut at midnights, and over a fleet."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from test_leaks import START_US, tank_readings

import canlevel
from canlevel import history
from canlevel.derivation.daily import DAILY, daily, with_unheard_days
from canlevel.derivation.flows import derive_flows
from canlevel.storage.store import create_store, marks_table
from canlevel.tables import FLOWS, OUTAGES, empty, rows_at, times_us

DAY_US, HOUR_US = 86_400_000_000, 3_600_000_000
NO_OUTAGES = empty(OUTAGES)
BEGIN = datetime(2026, 5, 1, tzinfo=UTC)


def of_hours(readings: pa.Table, *spans: tuple[float, float]) -> pa.Table:
    """Those between hours since readings began."""
    at_h = (times_us(readings) - START_US) / HOUR_US
    keep = np.zeros(len(readings), np.bool_)
    for begin, end in spans:
        keep |= (at_h >= begin) & (at_h < end)
    return rows_at(readings, np.flatnonzero(keep))


def outages(*spans: tuple[float, float, str | None]) -> pa.Table:
    """OUTAGES of (from, to, channel), in hours since readings began."""
    rows = [
        {"from": START_US + round(a * HOUR_US), "to": START_US + round(b * HOUR_US), "why": "x", "channel": c}
        for a, b, c in spans
    ]
    return marks_table("outages", rows, None)


def test_a_day_counted_by_hand() -> None:
    # Readings begin at 08:00, so midnight is at hour 16. 40 L are drawn from hour 4, 30 L flow in over midnight.
    readings = tank_readings([0, 4, 4.2, 15.9, 16.1, 24], [160, 160, 120, 120, 150, 150], period_s=10, step_pct=0.4)
    heard = of_hours(readings, (0, 6), (8, 24))
    days = daily(heard, derive_flows(heard), outages((6, 8, None), (7, 9, "can0"), (10, 12, "another")))
    first, second = days.to_pylist()
    assert days.schema.equals(DAILY)
    assert (first["day"], second["day"]) == (BEGIN, BEGIN + timedelta(days=1))
    assert (first["fills"], first["drains"], second["fills"], second["drains"]) == (1, 1, 0, 0)
    assert first["drained_l"] == pytest.approx(40, abs=1)
    assert first["filled_l"] == pytest.approx(30, abs=1)  # whole, on the day it began
    assert (second["filled_l"], second["drained_l"]) == (0, 0)
    assert (first["level_min_pct"], first["level_max_pct"]) == (pytest.approx(60), pytest.approx(80))
    assert second["level_last_pct"] == pytest.approx(75, abs=0.3)
    assert second["volume_last_l"] == pytest.approx(150, abs=0.6)
    assert (first["readings"], second["readings"]) == (14 * 360, 8 * 360)
    assert (first["without_level"], second["without_level"]) == (0, 0)
    # Two hours of silence are in neither; of the two outages that overlap three hours count.
    assert first["hours_heard"] == pytest.approx(14, abs=0.01)
    assert second["hours_heard"] == pytest.approx(8, abs=0.01)
    assert (first["outage_hours"], second["outage_hours"]) == (3, 0)


def test_days_of_a_history_are_the_days_one_by_one() -> None:
    tables = [
        tank_readings([0, 30, 30.2, 70], [160, 160, 90, 90], period_s=30, step_pct=0.4, instance=0),
        tank_readings([3, 15.9, 16.1, 50], [20, 20, 70, 70], period_s=30, step_pct=2.8, instance=1, capacity_l=None),
    ]
    readings = pa.concat_tables(tables).sort_by("time")
    flows, lost = derive_flows(readings), outages((20, 45, None))
    whole = daily(readings, flows, lost)
    day = times_us(readings) // DAY_US
    parts = [
        daily(
            rows_at(readings, np.flatnonzero(day == number)),
            rows_at(flows, np.flatnonzero(times_us(flows, "start") // DAY_US == number)),
            lost,
        )
        for number in np.unique(day)
    ]
    joined = sorted(pa.concat_tables(parts).to_pylist(), key=lambda row: (row["tank"], row["day"]))
    assert whole.to_pylist() == joined
    assert len(whole) == 7
    # Without a capacity there are flows and no litres.
    moved = [row for row in joined if row["tank"].endswith(".1") and row["fills"]]
    assert [(row["filled_l"], row["drained_l"]) for row in moved] == [(None, 0)]
    assert sum(row["fills"] + row["drains"] for row in joined) == len(flows) == 2


def test_readings_without_a_level_and_nothing_at_all() -> None:
    assert daily(empty(tank_readings([0, 1], [1, 1]).schema), empty(FLOWS), NO_OUTAGES).equals(empty(DAILY))
    readings = tank_readings([0, 1], [60, 60], period_s=60)
    blank = readings.set_column(
        readings.schema.get_field_index("level_pct"), "level_pct", pa.nulls(len(readings), pa.float64())
    )
    (row,) = daily(blank, empty(FLOWS), NO_OUTAGES).to_pylist()
    assert (row["readings"], row["without_level"]) == (60, 60)
    assert (row["level_min_pct"], row["level_max_pct"], row["level_last_pct"]) == (None, None, None)


def test_a_day_that_was_lost_has_a_row_and_a_day_of_rest_has_none() -> None:
    readings = tank_readings([0, 150], [60, 60], period_s=60)
    heard = of_hours(readings, (0, 10), (64, 70), (130, 150))  # on days 1, 4, 6 and 7
    lost = outages((20, 41, None))  # on days 2 and 3
    days = with_unheard_days(daily(heard, empty(FLOWS), lost), lost).to_pylist()
    assert [row["day"].day for row in days] == [1, 2, 3, 4, 6, 7]
    second = days[1]
    assert (second["readings"], second["hours_heard"], second["outage_hours"]) == (0, 0, 20)
    assert (second["level_last_pct"], second["fills"]) == (None, 0)
    assert [row["outage_hours"] for row in days] == [0, 20, 1, 0, 0, 0]


@pytest.mark.parametrize("stored", [True, False])
def test_days_of_a_fleet_are_those_of_its_readings_and_flows(tmp_path: Path, stored: bool) -> None:
    """Over the end of a week (hour 136) as well; and the sums are those of the flows."""
    expected: list[dict[str, Any]] = []
    lost = outages((50, 80, None))
    for name, litres in (("anna", 90), ("bella", 120)):
        whole = tank_readings(
            [0, 30, 30.2, 135.8, 136.2, 180], [160, 160, litres, litres, 60, 60], period_s=30, vessel=name
        )
        readings = of_hours(whole, (0, 50), (80, 180))
        store = create_store(tmp_path / "fleet" / name, vessel=name)
        with store.writing() as writer:
            writer.append(readings)
        store.add_marks("outages", lost)
        if stored:
            history.bring_flows_up_to_date(store)
        days = with_unheard_days(daily(readings, derive_flows(readings), lost), lost)
        expected += [{"store": str(store.path), **row} for row in days.to_pylist()]
    result = canlevel.fleet.daily(tmp_path / "fleet")
    found = result.table().to_pylist()
    for row, other in zip(found, expected, strict=True):
        for column, value in other.items():
            # A flow at the end of a week is derived from half a day more, and not from all of both weeks.
            assert row[column] == (pytest.approx(value, rel=1e-3) if isinstance(value, float) else value), column
    flows = canlevel.fleet.flows(tmp_path / "fleet").frame()
    assert result.frame()["drained_l"].sum() == pytest.approx(flows["volume_l"].sum())
    assert result.frame()["drains"].sum() == len(flows) == 4
    part = canlevel.fleet.daily(tmp_path / "fleet", since="2026-05-03T12:00Z", until="2026-05-05").table().to_pylist()
    assert part == [row for row in found if row["day"].day in (3, 4)]
