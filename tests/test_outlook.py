"""Outlook against tanks whose future is known."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pytest
from conftest import START_US, Result
from test_leaks import tank_readings

from canlevel.derivation.balance import BALANCE
from canlevel.derivation.flows import derive_flows
from canlevel.derivation.outlook import OUTLOOK, outlook
from canlevel.show.ahead import durations
from canlevel.simulate import NINE_INCH_STRIP
from canlevel.storage.store import Store, create_store
from canlevel.tables import FLOWS, READINGS, empty, times_us

START = datetime.fromtimestamp(START_US / 1e6, UTC)
NO_FLOWS = empty(FLOWS)


def looked(readings: pa.Table, flows: pa.Table | None = None, **options: Any) -> dict[str, Any]:
    """The only row of OUTLOOK."""
    table = outlook(readings, derive_flows(readings) if flows is None else flows, **options)
    assert table.schema == OUTLOOK
    (row,) = table.to_pylist()
    for kind in ("present", "habit"):
        assert (row[f"{kind}_h"] is None) <= bool(row[f"{kind}_note"])  # what is not known comes with a reason
        if row[f"{kind}_h"] is not None and row[f"{kind}_high_h"] is not None:
            assert row[f"{kind}_low_h"] <= row[f"{kind}_h"] <= row[f"{kind}_high_h"]
    result: dict[str, Any] = row
    return result


@pytest.mark.parametrize(("step", "noise"), [(0.004, 0.2), (0.4, 0.0), (NINE_INCH_STRIP, 0.0)])
@pytest.mark.parametrize(("rate", "start", "toward"), [(-2.0, 160.0, "empty"), (3.0, 20.0, "full")])
def test_at_the_present_rate_it_takes_what_is_left_over_the_rate(
    step: float, noise: float, rate: float, start: float, toward: str
) -> None:
    end = start + rate * 30
    readings = tank_readings([0, 2, 2.5], [start, start, end], step_pct=step, noise_pct=noise, period_s=2.5)
    row = looked(readings)
    left = end if rate < 0 else 200 - end
    assert row["present_toward"] == toward
    assert row["present_rate_l_per_min"] == pytest.approx(rate, rel=0.15)
    assert row["present_low_h"] <= left / abs(rate) / 60 <= row["present_high_h"]
    assert row["present_h"] == pytest.approx(left / abs(rate) / 60, rel=0.15)
    assert row["volume_l"] == pytest.approx(end, abs=4)


def test_without_a_flow_the_present_says_nothing() -> None:
    row = looked(tank_readings([0, 1, 1.1, 4], [150, 150, 130, 130], step_pct=0.4))
    assert row["present_h"] is row["present_toward"] is row["present_rate_l_per_min"] is None
    assert row["present_note"] == "no flow"
    assert "too few" in row["habit_note"]


def uses(days: int, *, at_h: float = 4.0, litres: float = 24.0, start: float = 390.0, until_h: float) -> dict[str, Any]:
    """One use of an hour at the same time of every day."""
    hours, volume = [0.0], [start]
    for day in range(days):
        hours += [24 * day + at_h, 24 * day + at_h + 1]
        volume += [volume[-1], volume[-1] - litres]
    return {"hours": [*hours, until_h], "litres": [*volume, volume[-1]], "capacity_l": 400.0, "period_s": 60.0}


def test_a_habit_without_scatter_is_carried_on_by_the_hour() -> None:
    """By hand: 24 L between hour 4 and 5 of every day; ten days on, 150 L are left, so the seventh use from then empties it."""
    row = looked(tank_readings(**uses(10, until_h=240.0)), NO_FLOWS)
    assert row["habit_days"] in (9, 10)  # the last reading comes within a minute of the end
    assert row["habit_l_per_day"] == pytest.approx(24, rel=1e-3)
    # Six uses take 144 L; the other 6 L are a quarter of an hour's use. An hour is as fine as habits are kept.
    assert row["habit_h"] == pytest.approx(6 * 24 + 4.25, abs=1.1)
    assert row["habit_toward"] == "empty"
    later = looked(tank_readings(**uses(10, until_h=228.0)), NO_FLOWS)  # half a day earlier, so half a day longer
    assert later["habit_h"] == pytest.approx(row["habit_h"] + 12, abs=0.2)


def test_what_was_filled_in_is_no_use() -> None:
    options = uses(10, until_h=240.0)
    hours, litres = np.array(options["hours"]), np.array(options["litres"])
    at = int(np.searchsorted(hours, 130))
    filled = {
        "hours": [*hours[:at], 130, 130.2, *hours[at:]],
        "litres": [*litres[:at], litres[at - 1], litres[at - 1] + 100, *(litres[at:] + 100)],
    }
    readings = tank_readings(**(options | filled))
    row = looked(readings)
    assert row["habit_l_per_day"] == pytest.approx(24, rel=0.02)
    # A fill that no flow tells of is left out with its day.
    unseen = looked(readings, NO_FLOWS)
    assert unseen["habit_l_per_day"] == pytest.approx(24, rel=0.02)
    assert unseen["habit_days"] == row["habit_days"] - 1


def test_a_silence_of_some_hours_loses_no_day() -> None:
    readings = tank_readings(**uses(6, until_h=144.0))
    seconds = (np.array(readings.column("time").cast(pa.int64()).to_numpy()) - START_US) / 1e6
    silent = (seconds > 50 * 3600) & (seconds < 54 * 3600)
    row = looked(readings.filter(pa.array(~silent)), NO_FLOWS)
    assert row["habit_days"] == looked(readings, NO_FLOWS)["habit_days"]
    assert row["habit_l_per_day"] == pytest.approx(24, rel=1e-3)
    long = (seconds > 50 * 3600) & (seconds < 60 * 3600)
    assert looked(readings.filter(pa.array(~long)), NO_FLOWS)["habit_days"] < row["habit_days"]


def test_a_waste_tank_fills() -> None:
    options = uses(6, litres=-10, start=20, until_h=144.0)
    row = looked(tank_readings(**options, fluid="grey_water"), NO_FLOWS)
    assert row["habit_toward"] == "full"
    assert row["habit_l_per_day"] == pytest.approx(10, rel=0.01)
    assert row["habit_h"] == pytest.approx(24 * 320 / 10, abs=24)


def test_of_an_unknown_fluid_the_flows_say_which_way_it_is_used() -> None:
    hours, litres = [0.0], [20.0]
    for day in range(4):
        hours += [24 * day + 4.0, 24 * day + 4.2]
        litres += [litres[-1], litres[-1] + 20]
    readings = tank_readings([*hours, 97], [*litres, litres[-1]], fluid="unknown", step_pct=0.4)
    assert looked(readings)["habit_toward"] == "full"


def test_the_range_of_the_habit_holds_what_happens() -> None:
    """Days of Poisson-many uses: 95 of 100 tanks are empty within the range, give or take."""
    inside = 0
    for seed in range(60):
        random = np.random.default_rng(300 + seed)
        at = np.sort(random.uniform(0, 80 * 24, random.poisson(80 * 6)))
        left = 1000.0 - np.cumsum(random.exponential(4.0, len(at)))
        now_h = 14 * 24 + random.uniform(0, 24)
        used = int(np.searchsorted(at, now_h - 0.1))
        hours = np.concatenate([[0], (at[:used, None] + [0.0, 0.01]).ravel(), [now_h]])
        litres = np.concatenate([[1000.0], np.repeat(left[:used], 2)])
        readings = tank_readings(
            np.maximum.accumulate(hours).tolist(),
            [1000.0, *litres],
            capacity_l=1000,
            period_s=240,
            step_pct=0.1,
            seed=seed,
        )
        row = looked(readings, NO_FLOWS)
        empty_h = at[np.argmax(left <= 0)] - now_h
        inside += row["habit_low_h"] <= empty_h and (row["habit_high_h"] is None or empty_h <= row["habit_high_h"])
    assert inside >= 52  # of a binomial with 60 and 0.95 all but 1 %


def test_without_a_capacity_times_are_known_and_litres_are_not() -> None:
    with_litres, without = (
        looked(tank_readings([0, 2, 2.5], [160, 160, 100], capacity_l=capacity, step_pct=0.4, period_s=2.5))
        for capacity in (200.0, None)
    )
    assert without["present_h"] == pytest.approx(with_litres["present_h"], rel=0.02)
    assert without["volume_l"] is without["present_rate_l_per_min"] is without["habit_l_per_day"] is None


def test_a_tank_that_is_not_heard_says_so() -> None:
    silent = tank_readings([0, 2, 2.5], [160, 160, 100], step_pct=0.4)
    other = tank_readings([0, 12], [50, 50], fluid="fuel")
    fresh, fuel = outlook(pa.concat_tables([other, silent]), NO_FLOWS).to_pylist()
    assert fresh["present_h"] is None
    assert (fresh["present_note"], fuel["present_note"]) == ("not heard for 10 h", "no flow")


def test_only_what_was_known_then_counts() -> None:
    """Law: as of an earlier moment it says what it would have said had the readings ended there."""
    readings = tank_readings(**uses(9, until_h=216.0))
    cut = START + timedelta(hours=150)
    earlier = readings.filter(pc.less_equal(readings.column("time"), pa.scalar(cut)))
    assert outlook(readings, NO_FLOWS, now=cut).to_pylist() == outlook(earlier, NO_FLOWS, now=cut).to_pylist()


def test_outlook_of_nothing() -> None:
    assert outlook(empty(READINGS), NO_FLOWS).schema == OUTLOOK


def test_the_command_prints_outlook_and_balance(canlevel: Callable[..., Result], tmp_path: Any) -> None:
    store = create_store(tmp_path / "history", vessel="Clinic coach")
    fresh = tank_readings(
        [0, 2, 2.5], [160, 160, 100], step_pct=0.4, period_s=5, vessel="Clinic coach", name="Fresh water"
    )
    grey = tank_readings([0, 2, 2.5], [20, 20, 60], step_pct=0.4, period_s=5, vessel="Clinic coach", fluid="grey_water")
    with store.writing() as writer:
        writer.append(fresh)
        writer.append(grey)
    code, text, _ = canlevel("outlook", "--store", tmp_path / "history")
    assert code == 0
    assert "empty in 50 min" in text
    assert "2026-05-01" in text
    assert max(map(len, text.splitlines())) <= 80
    lines = canlevel("outlook", "--store", tmp_path / "history", "--format", "jsonl")[1].splitlines()
    records = [json.loads(line) for line in lines]
    assert [record["kind"] for record in records] == ["outlook", "outlook", "balance"]
    assert list(records[0]) == ["kind", *OUTLOOK.names]
    assert list(records[2]) == ["kind", *BALANCE.names]
    assert records[2]["missing_low"] <= 20 <= records[2]["missing_high"]
    table = canlevel("outlook", "--store", tmp_path / "history", "--format", "csv")[1].splitlines()
    assert table[0] == ",".join(
        ["kind", *OUTLOOK.names, *(name for name in BALANCE.names if name not in OUTLOOK.names)]
    )
    assert len(table) == 4
    for form in ("table", "jsonl"):
        code, text, errors = canlevel(
            "outlook", "--store", tmp_path / "history", "--since", "2027-01-01", "--format", form
        )
        assert (code, text) == (0, "")
        assert "no tank was heard" in errors


def test_each_limit_is_told_in_the_unit_that_suits_it() -> None:
    assert durations(0.5, 0.4, 0.7) == ["30 min", "24", "42"]
    assert durations(0.5, 0.4, 70.0) == ["30 min", "24 min", "2.9 d"]
    assert durations(10.0, 1.5, None) == ["10 h", "90 min", "?"]
    assert durations(10.0, None, None) == ["10 h", "?", "?"]


@pytest.mark.parametrize("command", ["leaks", "outlook"])
def test_of_a_store_the_last_month_is_looked_at(
    canlevel: Callable[..., Result], tmp_path: Any, command: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So that a store of years takes no more memory than one of a month; --since goes further back."""
    store = create_store(tmp_path / "history")
    readings = tank_readings([0, 2, 2.5], [160, 160, 100], step_pct=0.4, period_s=5)
    earlier = readings.set_column(
        readings.schema.get_field_index("time"),
        "time",
        pa.array(times_us(readings) - 40 * 86_400_000_000).cast(READINGS.field("time").type),
    )
    with store.writing() as writer:
        writer.append(earlier)
        writer.append(readings)
    asked: list[Any] = []
    to_arrow = Store.to_arrow

    def noted(self: Store, **limits: Any) -> pa.Table:
        asked.append(limits.get("since"))
        return to_arrow(self, **limits)

    monkeypatch.setattr(Store, "to_arrow", noted)
    assert canlevel(command, "--store", tmp_path / "history")[0] == 0
    assert [since.isoformat() for since in asked] == ["2026-04-01T00:00:00+00:00"]
    assert canlevel(command, "--store", tmp_path / "history", "--since", "2026-03-01")[0] == 0
    assert asked[-1].isoformat() == "2026-03-01T00:00:00+00:00"
