"""Findings of a history: those of `explain` for each day, told once, and what only a history shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from faults import CASES, Case
from test_leaks import START_US, tank_readings

import canlevel
from canlevel.derivation.flows import derive_flows
from canlevel.derivation.leaks import watch_leaks
from canlevel.findings.checks import Finding
from canlevel.findings.history import CODES, HistoryFinding, HistoryFindings
from canlevel.pipeline import collect, open_decoding
from canlevel.roster import Roster, TankEntry, load_roster
from canlevel.storage.store import create_store
from canlevel.tables import READINGS, dictionary_column, float_column, rows_at, times_us

DAY_US, HOUR_US = 86_400_000_000, 3_600_000_000
OF_EXPLAIN = {*CODES, "tank-went-silent"}
FRESH = "nmea2000.fresh_water.0"
GREY = "nmea2000.grey_water.0"


def in_order(readings: pa.Table) -> pa.Table:
    return rows_at(readings, np.argsort(times_us(readings), kind="stable"))


def examined(readings: pa.Table, roster: Roster | None = None) -> list[HistoryFinding]:
    """What is found in READINGS, a day at a time."""
    found = HistoryFindings(roster or Roster())
    readings = in_order(readings)
    day = times_us(readings) // DAY_US
    for number in np.unique(day):
        found.add(rows_at(readings, np.flatnonzero(day == number)))
    return found.findings()


def told(found: Sequence[HistoryFinding]) -> dict[tuple[str, str | None], tuple[int, bool]]:
    """(days, ongoing) by code and tank."""
    return {(one.finding.code, one.finding.tank): (one.days, one.ongoing) for one in found}


def cases() -> list[Case]:
    """One of each code and protocol that readings can show."""
    picked = {(one.code, one.protocol): one for one in reversed(CASES) if one.code in OF_EXPLAIN}
    return [one for (code, protocol), one in picked.items() if protocol != "j1939" or code in ("level-error",)]


@pytest.mark.parametrize("case", cases(), ids=lambda case: case.id)
def test_a_day_has_the_findings_that_explain_has_for_its_frames(case: Case, tmp_path: Path) -> None:
    """Oracle: explain, which reads the frames."""
    _, explanation = case.examined(tmp_path)
    roster = load_roster(tmp_path / "bus.toml") if case.roster else None
    found = examined(collect(open_decoding(tmp_path / "bus.log")), roster)
    ours = {(one.finding.code, one.finding.tank, one.finding.severity) for one in found}
    theirs = {(one.code, one.tank, one.severity) for one in explanation.findings if one.code in OF_EXPLAIN}
    # Readings do not tell into how many steps an RV-C device divides its level, and this one never moves.
    assert ours == theirs - {("coarse-steps", "rvc.lpg.3", "info")}


def test_a_division_by_zero_is_an_error_of_the_level(tmp_path: Path) -> None:
    (case,) = [one for one in CASES if one.code == "resolution-zero"]
    (tmp_path / "bus.log").write_text(case.text())
    found = examined(collect(open_decoding(tmp_path / "bus.log")))
    assert ("level-error", case.tank) in told(found)


def with_status(readings: pa.Table, status: str, begin_h: float, end_h: float) -> pa.Table:
    """The same READINGS with a status, and no level, for some hours."""
    at_h = (times_us(readings) - START_US) / HOUR_US
    bad = (at_h >= begin_h) & (at_h < end_h)
    columns = {name: readings.column(name) for name in READINGS.names}
    columns["status"] = dictionary_column(bad.astype(np.int64), ["ok", status])
    for name in ("level_pct", "volume_l"):
        columns[name] = float_column(np.where(bad, np.nan, readings.column(name).to_numpy()))
    return pa.table(columns, schema=READINGS)


def two(**other: Any) -> pa.Table:
    """Five days of two tanks in which nothing is wrong: they are used a little every day."""
    hours = [0, *(hour + part for hour in range(4, 124, 24) for part in (0, 0.2)), 124]
    used = [120 - 10 * number for number in range(6)]
    litres = [used[0], *(litre for pair in pairwise(used) for litre in pair), used[-1]]
    fresh = tank_readings(hours, litres, period_s=20, step_pct=0.4)
    grey = tank_readings(
        hours, [150 - litre for litre in litres], period_s=20, step_pct=0.4, fluid="grey_water", **other
    )
    return pa.concat_tables([fresh, grey]).unify_dictionaries()


def between(readings: pa.Table, begin_h: float, end_h: float) -> pa.Table:
    at_h = (times_us(readings) - START_US) / HOUR_US
    return rows_at(readings, np.flatnonzero((at_h >= begin_h) & (at_h < end_h)))


def test_nothing_is_found_where_nothing_is_wrong() -> None:
    assert examined(two()) == []
    assert examined(two().slice(0, 0)) == []


def test_a_fault_of_several_days_is_told_once_with_its_days() -> None:
    # From hour 20 (on the second day) to hour 70 (on the fourth).
    fresh, grey = (
        rows_at(two(), np.flatnonzero(np.array(two().column("tank").to_pylist(), object) == tank))
        for tank in (FRESH, GREY)
    )
    (one,) = examined(pa.concat_tables([with_status(fresh, "not_available", 20, 70), grey]))
    assert (one.finding.code, one.finding.tank, one.finding.severity) == ("level-not-available", FRESH, "fault")
    assert (one.days, one.ongoing) == (3, False)
    assert one.readings == pytest.approx(50 * 180, abs=2)
    assert (one.first_us - START_US) / HOUR_US == pytest.approx(20, abs=0.01)
    assert (one.last_us - START_US) / HOUR_US == pytest.approx(70, abs=0.01)
    assert one.finding.next_steps
    assert one.finding.caution
    assert one.finding.proof.sample is None  # no frame was read, and none is shown


def test_a_tank_that_stays_away_is_silent_until_it_is_back() -> None:
    whole = two()
    fresh, grey = (
        rows_at(whole, np.flatnonzero(np.array(whole.column("tank").to_pylist(), object) == tank))
        for tank in (FRESH, GREY)
    )
    # It stops at hour 30, on the second day; the bus goes on until the sixth.
    (one,) = examined(pa.concat_tables([between(fresh, 0, 30), grey]))
    assert (one.finding.code, one.finding.tank, one.days, one.ongoing) == ("tank-went-silent", FRESH, 5, True)
    assert one.finding.summary == f"{FRESH} stopped 3.9 days before the end, while the bus went on"
    back = examined(pa.concat_tables([between(fresh, 0, 30), between(fresh, 90, 124), grey]))
    assert told(back) == {("tank-went-silent", FRESH): (3, False)}
    # A vehicle that is switched off as a whole is not silent.
    assert examined(pa.concat_tables([between(whole, 0, 30), between(whole, 90, 124)])) == []
    # With a roster it is missing, which says the same.
    entries = (TankEntry("Fresh", "fresh_water", 0), TankEntry("Grey", "grey_water", 0))
    found = examined(pa.concat_tables([between(fresh, 0, 30), grey]), Roster(None, entries))
    assert told(found) == {("tank-went-silent", FRESH): (1, False), ("tank-missing", FRESH): (4, True)}


def test_a_tank_that_goes_on_from_another_address_is_not_silent() -> None:
    whole = two()
    tank = np.array(whole.column("tank").to_pylist(), object)
    fresh, grey = (rows_at(whole, np.flatnonzero(tank == name)) for name in (FRESH, GREY))
    after = between(fresh, 30, 124)
    after = after.set_column(
        READINGS.get_field_index("source_address"), "source_address", pa.array(np.full(len(after), 77, np.uint8))
    )
    found = examined(pa.concat_tables([between(fresh, 0, 30), after, grey]))
    assert told(found) == {("address-changed", FRESH): (1, False)}


def test_two_devices_with_one_tank_and_a_level_that_is_pinned() -> None:
    twin = tank_readings([0, 60], [70, 20], period_s=20, step_pct=0.4, source_address=99)
    assert told(examined(pa.concat_tables([two(), twin]))) == {
        ("identity-clash", FRESH): (3, False),
        ("tank-went-silent", FRESH): (1, False),  # the one that left
    }
    pinned = tank_readings([0, 124], [200, 200], period_s=20, fluid="live_well")
    assert told(examined(pa.concat_tables([two(), pinned]))) == {
        ("level-pinned-full", "nmea2000.live_well.0"): (6, True)
    }


@pytest.mark.parametrize("hour", [20, 40, 63.99])  # within a day, and at midnight
def test_a_capacity_that_changes_is_told_with_both(hour: float) -> None:
    whole = two()
    at_h = (times_us(whole) - START_US) / HOUR_US
    fresh = np.array(whole.column("tank").to_pylist(), object) == FRESH
    capacity = np.where(fresh & (at_h >= hour), 380.0, 200.0)
    changed = whole.set_column(READINGS.get_field_index("capacity_l"), "capacity_l", float_column(capacity))
    (one,) = examined(changed)
    assert (one.finding.code, one.finding.tank, one.finding.severity) == ("capacity-changed", FRESH, "warning")
    assert one.finding.summary == f"{FRESH}: what it holds changed from 200 to 380 L"
    assert (one.days, one.ongoing) == (1, False)
    assert (one.first_us - START_US) / HOUR_US == pytest.approx(hour, abs=0.02)


def test_the_worst_day_tells_how_bad_it_is() -> None:
    found = HistoryFindings(Roster())
    found.add(in_order(with_status(between(two(), 0, 12), "error", 1, 2)))
    (one,) = [one for one in found.findings() if one.finding.tank == FRESH]
    mild = replace(one.finding, severity="info", summary="mild")
    found._found = {(one.finding.code, FRESH, 35): replace(one, finding=mild)}
    found.add(in_order(with_status(between(two(), 20, 30), "error", 21, 22)))
    (again,) = [one for one in found.findings() if one.finding.tank == FRESH]
    assert isinstance(again.finding, Finding)
    assert (again.finding.severity, again.days) == ("fault", 2)


def test_leaks_of_a_fleet_are_those_of_the_leak_watch(tmp_path: Path) -> None:
    """Of 40 days the last 31 are looked at as `canlevel leaks` does; the leak goes on over both spans and is told once."""
    hours = [0, 40 * 24 - 9]
    leaking = tank_readings(hours, [180, 180 - 0.1 * hours[1]], noise_pct=0.05, period_s=120, vessel="anna")
    dry = tank_readings(hours, [90, 90], noise_pct=0.05, period_s=120, instance=1, vessel="anna", seed=3)
    store = create_store(tmp_path / "anna", vessel="anna")
    with store.writing() as writer:
        writer.append(pa.concat_tables([leaking, dry]).sort_by("time"))
    found = canlevel.fleet.findings(store.path)
    assert len(found.failures) == 0
    (one,) = found.table().to_pylist()
    begin = datetime(2026, 6, 9, tzinfo=UTC).timestamp() * 1e6 - 30 * DAY_US
    late = rows_at(leaking, np.flatnonzero(times_us(leaking) >= begin))
    (expected,) = watch_leaks(late, derive_flows(late)).to_pylist()
    assert expected["status"] == "leak"
    assert (one["code"], one["severity"], one["tank"]) == ("leak-suspected", "warning", FRESH)
    assert (one["value"], one["value_low"], one["value_high"]) == (
        expected["leak_l_per_h"], expected["leak_low"], expected["leak_high"],
    )  # fmt: skip
    assert one["value"] == pytest.approx(0.1, rel=0.05)
    assert one["unit"] == "L/h"
    assert (one["vessel"], one["ongoing"]) == ("anna", True)
    assert one["days"] >= 39
    assert one["first_time"].day == 1
    assert one["summary"].startswith(f"{FRESH} loses 0.1 L/h (")
    assert one["last_time"] == expected["until"]
