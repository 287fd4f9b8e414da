"""Stored flows follow the readings, and the rates of one run go on in the next."""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from test_flows import one_tank, readings_of
from test_leaks import tank_readings

import canlevel
from canlevel import history
from canlevel.derivation.flows import derive_flows
from canlevel.derivation.online import OnlineRates
from canlevel.errors import StoreError
from canlevel.roster import Roster, Shape, TankEntry
from canlevel.simulate import Flow, Tank, simulate
from canlevel.storage.store import Store, create_store, open_store
from canlevel.tables import FLOWS

START = datetime(2026, 5, 1, 20, tzinfo=UTC)
TANK = Tank("nmea2000", "fresh_water", 0, 35, 200, 40, 0.4, 0.05)
FLOWS_OF_A_NIGHT = (Flow(3600, 12, 90), Flow(14_300, -5, 20), Flow(30_000, -8, 40))


def recording(path: Path, *, hours: float = 10, tank: Tank = TANK, flows: tuple[Flow, ...] = FLOWS_OF_A_NIGHT) -> Path:
    simulation = simulate([replace(tank, flows=flows)], start=START, seconds=hours * 3600, seed=5, traffic=False)
    path.write_text(simulation.text())
    return path


def stored(store: Store) -> list[Path]:
    return sorted((store.path / "flows").rglob("*.parquet"))


def test_a_log_leaves_flows_that_any_reader_opens(tmp_path: Path) -> None:
    summary = canlevel.log(recording(tmp_path / "boat.log"), tmp_path / "history")
    parts = stored(summary.store)
    assert [part.parent.name for part in parts] == ["date=2026-05-01", "date=2026-05-02"]
    for part in parts:
        assert pq.ParquetFile(part).schema_arrow.names == FLOWS.names
    found = history.stored_flows(summary.store).to_pylist()
    assert [flow["kind"] for flow in found] == ["fill", "drain", "drain"]
    # The second begins before midnight and ends behind it: it is stored once, on the day it began.
    assert found[1]["start"].day == 1
    assert found[1]["end"].day == 2
    assert found == derive_flows(summary.store.to_arrow()).to_pylist()


def test_flows_are_derived_anew_where_readings_were_added(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = recording(tmp_path / "boat.log").read_text().splitlines(keepends=True)
    first, second = tmp_path / "first.log", tmp_path / "second.log"
    first.write_text("".join(whole[: len(whole) // 3]))
    second.write_text("".join(whole[len(whole) // 3 :]))
    store = canlevel.log(first, tmp_path / "history").store
    assert len(history.stored_flows(store)) == 1
    canlevel.log(second, tmp_path / "history")
    assert len(history.stored_flows(store)) == 3
    at_once = canlevel.log(tmp_path / "boat.log", tmp_path / "whole").store
    assert history.stored_flows(store).to_pylist() == history.stored_flows(at_once).to_pylist()
    seen = []
    real = history.derive_flows
    monkeypatch.setattr(history, "derive_flows", lambda readings: seen.append(len(readings)) or real(readings))
    assert history.bring_flows_up_to_date(store) == 0
    assert seen == []
    monkeypatch.setattr(history, "METHOD", -1)  # as after an update that finds flows in another way
    assert history.bring_flows_up_to_date(store) == 2
    assert seen == [len(whole)]


def test_helpers_derive_the_same_flows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lines = recording(tmp_path / "boat.log").read_text().splitlines(keepends=True)
    days = [
        "".join(f"({float(line[1:18]) + 86_400 * 2 * day:.6f}{line[18:]}" for line in lines[:6000])
        for day in range(0, 18, 3)
    ]
    (tmp_path / "weeks.log").write_text("".join(days))
    store = canlevel.log(tmp_path / "weeks.log", tmp_path / "history").store
    alone = history.stored_flows(store).to_pylist()
    assert len(alone) == 12
    monkeypatch.setattr(history, "DAYS_FOR_HELPERS", 2)
    monkeypatch.setattr(history, "_cores", lambda: 3)
    for python in (sys.executable, "/bin/false"):  # a helper that fails costs time and nothing else
        monkeypatch.setattr(history.sys, "executable", python)
        for part in stored(store):
            part.unlink()
        store.note_derived({})
        assert history.bring_flows_up_to_date(store) > 6
        assert history.stored_flows(store).to_pylist() == alone


def test_flows_of_a_span_of_time_and_of_a_tank(tmp_path: Path) -> None:
    store = canlevel.log(recording(tmp_path / "boat.log"), tmp_path / "history").store
    midnight = datetime(2026, 5, 2, tzinfo=UTC)
    assert [f["kind"] for f in history.stored_flows(store, until=midnight).to_pylist()] == ["fill", "drain"]
    assert len(history.stored_flows(store, since=midnight)) == 2  # the one over midnight belongs to both
    assert len(history.stored_flows(store, since=midnight + timedelta(hours=2))) == 1
    assert len(history.stored_flows(store, tank="nmea2000.fresh_water.0")) == 3
    assert len(history.stored_flows(store, tank="nmea2000.fuel.0")) == 0


def test_a_store_that_may_only_be_read_still_tells_its_flows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = canlevel.log(recording(tmp_path / "boat.log"), tmp_path / "history").store
    expected = history.stored_flows(store).to_pylist()
    for part in stored(store):
        part.unlink()
    (store.path / "flows" / ".derived.json").write_text("{not json")

    def refuse(*_: object) -> None:
        raise StoreError("may only be read")

    monkeypatch.setattr(Store, "replace_flows", refuse)
    midnight = datetime(2026, 5, 2, tzinfo=UTC)
    assert history.stored_flows(store).to_pylist() == expected
    assert history.stored_flows(store, until=midnight).to_pylist() == expected[:2]


def test_flows_of_a_damaged_part_are_derived_anew(tmp_path: Path) -> None:
    store = canlevel.log(recording(tmp_path / "boat.log"), tmp_path / "history").store
    before = history.stored_flows(store)
    assert len(before)
    part = stored(store)[0]
    part.write_bytes(part.read_bytes()[:100])
    with pytest.raises(StoreError, match="not a whole part"):
        store.scan_flows()
    assert history.stored_flows(store).equals(before)


@pytest.mark.parametrize("cut", [0.1, 0.37, 0.5, 0.83])
def test_rates_go_on_where_the_last_run_left_off(tmp_path: Path, cut: float) -> None:
    whole = recording(tmp_path / "boat.log", hours=1.5).read_text().splitlines(keepends=True)
    at = int(cut * len(whole))
    for name, lines in (("first.log", whole[:at]), ("second.log", whole[at:])):
        (tmp_path / name).write_text("".join(lines))
        canlevel.log(tmp_path / name, tmp_path / "history")
    parts = open_store(tmp_path / "history").to_arrow().to_pylist()
    canlevel.log(tmp_path / "boat.log", tmp_path / "whole")
    assert parts == open_store(tmp_path / "whole").to_arrow().to_pylist()


def test_a_state_survives_as_text_and_a_wrong_one_is_refused(tmp_path: Path) -> None:
    import json

    readings = one_tank(replace(TANK, flows=FLOWS_OF_A_NIGHT), 6000, 1)
    whole = OnlineRates().add(readings)
    first, second = OnlineRates(), OnlineRates()
    parts = [first.add(readings.slice(0, 1500))]
    second.restore(json.loads(json.dumps(first.state())))
    parts.append(second.add(readings.slice(1500)))
    assert pa.concat_tables(parts).to_pylist() == whole.to_pylist()
    # One of an older canlevel knows less.
    older = [
        {name: value for name, value in first.state()[0].items() if name not in ("recent", "curves", "vain", "back")}
    ]
    after = OnlineRates()
    after.restore(json.loads(json.dumps(older)))
    assert after.add(readings.slice(1500)).column("rate_l_per_min").null_count == 0
    for wrong in ([{"tank": 1}], [3], [{**first.state()[0], "more": 1}], [{**first.state()[0], "recent": [[1.0], []]}]):
        with pytest.raises(ValueError, match="not a state of rates"):
            OnlineRates().restore(wrong)  # type: ignore[arg-type]
    store = create_store(tmp_path / "history")
    (store.path / ".rates.json").write_text('[{"tank": 1}]')
    assert canlevel.log(recording(tmp_path / "boat.log", hours=0.2), store.path).added > 0


@pytest.mark.parametrize("start_pct", [10, 30, 50])
def test_rates_are_of_litres_by_the_tanks_shape(start_pct: float) -> None:
    """At the relative depth h a percent of a lying cylinder holds 8 / pi * sqrt(h - h^2) times that of a prismatic tank: its
    surface is the chord 2 sqrt(h - h^2) of a circle whose area is pi / 4 (handbooks of geometry)."""
    entry = TankEntry("c", "fresh_water", 0, capacity_l=200, shape=Shape("horizontal_cylinder"))
    tank = replace(TANK, start_l=2 * start_pct, flows=(Flow(600, 6, 12),), tells_capacity=False)
    simulation = simulate([tank], start=START, seconds=800, seed=2, traffic=False)
    rows = []
    for shape in (entry.shape, Shape()):
        roster = Roster(None, (replace(entry, shape=shape),))
        rates = OnlineRates(roster).add(readings_of(simulation, roster)).to_pylist()
        rows.append([row for row in rates if row["rate_low"] is not None and row["rate_low"] > 0])
    bent, straight = rows
    assert len(bent) == len(straight) > 5
    for one, other in zip(bent, straight, strict=True):
        # Its rate is that of the time in which it passed the last marks, sixteen at most.
        depth = (one["level_pct"] - np.arange(0.0, 16 * 0.4, 0.4)) / 100
        part = 8 / np.pi * np.sqrt(depth - depth**2) * other["rate_l_per_min"]
        assert 0.99 * part.min() < one["rate_l_per_min"] < 1.01 * part.max()


def test_a_flow_over_the_end_of_a_week_is_stored_once_and_whole(tmp_path: Path) -> None:
    """Weeks begin on Thursdays; each is derived with half a day on either side, and the days beside it are read once."""
    hours, litres = [0, 60, 60.5, 135.8, 136.2, 231, 231.5, 330], [160, 160, 140, 140, 100, 100, 120, 120]
    readings = tank_readings(hours, litres, step_pct=0.4, period_s=20)
    store = create_store(tmp_path / "history")
    with store.writing() as writer:
        writer.append(readings)
    assert history.bring_flows_up_to_date(store) == len({part.parent.name for part in store.parts()})
    found, whole = store.scan_flows().to_pylist(), derive_flows(readings).to_pylist()
    assert [flow["kind"] for flow in found] == [flow["kind"] for flow in whole] == ["drain", "drain", "fill"]
    thursday = datetime(2026, 5, 7, tzinfo=UTC)
    assert found[1]["start"] < thursday < found[1]["end"]
    for one, other in zip(found, whole, strict=True):
        assert one["rate_l_per_min"] == pytest.approx(other["rate_l_per_min"], rel=1e-3)
        assert abs(one["start"] - other["start"]) < timedelta(seconds=1)
    assert history.bring_flows_up_to_date(store) == 0
