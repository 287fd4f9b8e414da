"""Histories for notebooks: one store and many, levels at even intervals, and readers that know nothing of canlevel."""

from __future__ import annotations

import json
import shutil
from importlib import resources
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import canlevel as library
from canlevel.derivation.resampling import LEVELS, resample
from canlevel.errors import QueryError, StoreError, StoreWarning
from canlevel.tables import FLOWS, OUTAGES, READINGS, empty, units
from canlevel.tablespage import TABLES

FRESH = "nmea2000.fresh_water.0"
MINUTE_US = 60_000_000
BEGIN = pd.Timestamp("2026-05-01T08:00Z")


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three stores: a workboat, a coach, and a second workboat that was named the same."""
    folder = tmp_path_factory.mktemp("fleet")
    captures = resources.files("canlevel.captures")
    for name in ("workboat", "clinic-coach"):
        capture, roster = (str(captures / f"{name}{ending}") for ending in (".log.gz", ".toml"))
        library.log(capture, store=folder / name, roster=roster)
    shutil.copytree(folder / "workboat", folder / "workboat-2")
    return folder


def readings_of(
    at_s: list[float], level: list[float], capacity_l: float | None = 100.0, tank: str = FRESH
) -> pd.DataFrame:
    frame = pd.DataFrame({"time": BEGIN + pd.to_timedelta(at_s, unit="s"), "level_pct": level})
    frame["tank"], frame["source_address"], frame["capacity_l"] = tank, 16, capacity_l
    frame["volume_l"] = frame["level_pct"] * capacity_l / 100 if capacity_l else np.nan
    return frame


# ---- one store, many stores ----


def test_one_line_reads_one_tank_of_some_hours(fleet: Path) -> None:
    store = library.open_store(fleet / "workboat")
    whole = store.readings()
    some = store.readings(tank=FRESH, since="2026-05-01T09:00Z", until="2026-05-01T10:00Z")
    expected = whole[(whole.tank == FRESH) & (whole.time >= "2026-05-01T09:00Z") & (whole.time < "2026-05-01T10:00Z")]
    assert len(some) == len(expected) > 100
    assert some["level_pct"].tolist() == expected["level_pct"].tolist()
    assert store.to_arrow(tank=FRESH).schema.equals(READINGS)
    assert set(some["vessel"]) == {store.vessel}


def test_a_scan_opens_only_the_days_it_needs(fleet: Path, tmp_path: Path) -> None:
    folder = shutil.copytree(fleet / "workboat", tmp_path / "boat")
    (day,) = (folder / "readings").iterdir()
    other = day.with_name("date=2026-05-02")
    other.mkdir()
    (other / "20260502T000000Z-cut.parquet").write_bytes(b"PAR1 that is none")
    dataset = library.open_store(folder).scan()
    assert len(dataset.files) == 2
    import pyarrow.dataset as ds

    first_day = ds.field("time") < pa.scalar(pd.Timestamp("2026-05-02T00:00Z"), READINGS.field("time").type)
    assert dataset.count_rows(filter=first_day) == len(library.open_store(fleet / "workboat").readings())


def test_many_stores_are_told_apart_by_their_vessel(fleet: Path) -> None:
    stores = library.open_stores(str(fleet / "*"))
    boat = library.open_store(fleet / "workboat")
    frame = stores.readings()
    assert set(frame["vessel"]) == {"Clinic coach", f"{boat.vessel} (workboat)", f"{boat.vessel} (workboat-2)"}
    assert (frame["vessel"] == f"{boat.vessel} (workboat-2)").sum() == len(boat.readings())
    flows = stores.flows(tank=FRESH)
    assert flows.groupby("vessel", observed=True).size().tolist() == [len(boat.flows(tank=FRESH))] * 2
    assert len(stores.tanks()) == sum(len(store.tanks()) for store in stores.stores)
    assert len(stores.outages()) == 0
    assert len(stores.levels_at("1h")) == sum(len(store.levels_at("1h")) for store in stores.stores)
    scanned = stores.scan(tank=FRESH).to_table()
    assert set(scanned["store"].to_pylist()) == {str(fleet / "workboat"), str(fleet / "workboat-2")}


@pytest.mark.parametrize("how", ["folder", "list", "one", "relative"])
def test_stores_are_found_however_they_are_named(fleet: Path, how: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(fleet.parent)
    named = {
        "folder": fleet,
        "list": [fleet / "workboat", str(fleet / "clinic-coach"), fleet / "workboat"],
        "one": fleet / "workboat",
        "relative": f"{fleet.name}/*",
    }[how]
    assert len(library.open_stores(named).stores) == {"folder": 3, "list": 2, "one": 1, "relative": 3}[how]


def test_a_broken_store_is_left_out_and_named(fleet: Path, tmp_path: Path) -> None:
    shutil.copytree(fleet / "workboat", tmp_path / "good")
    shutil.copytree(fleet / "workboat", tmp_path / "bad")
    (tmp_path / "bad" / "canlevel-store.json").write_text("{")
    with pytest.warns(StoreWarning, match=r"bad"):
        stores = library.open_stores(tmp_path / "*")
    assert [store.path.name for store in stores.stores] == ["good"]
    with pytest.raises(StoreError), pytest.warns(StoreWarning):
        library.open_stores(tmp_path / "bad")
    with pytest.raises(StoreError, match="no store"):
        library.open_stores(tmp_path / "nothing-*")


# ---- readers that know nothing of canlevel: pandas, Polars, DuckDB ----


def test_other_readers_find_the_same(fleet: Path) -> None:
    store = library.open_store(fleet / "workboat")
    ours = store.readings()
    expected = ours.groupby("tank", observed=True)["level_pct"].mean().round(9).to_dict()
    folder = fleet / "workboat" / "readings"
    by_pandas = pd.read_parquet(folder)
    by_polars = pl.scan_parquet(f"{folder}/**/*.parquet", hive_partitioning=True)
    by_duckdb = f"read_parquet('{folder}/*/*.parquet', hive_partitioning=true)"
    scanned = store.scan()  # noqa: F841  DuckDB finds it by its name
    mean = pl.col("level_pct").mean()
    found = {
        "pandas": by_pandas.groupby("tank", observed=True)["level_pct"].mean().to_dict(),
        "polars": dict(by_polars.group_by("tank").agg(mean).collect().iter_rows()),
        "polars, scan": dict(pl.scan_pyarrow_dataset(store.scan()).group_by("tank").agg(mean).collect().iter_rows()),
        "duckdb": dict(duckdb.sql(f"select tank, avg(level_pct) from {by_duckdb} group by tank").fetchall()),
        "duckdb, scan": dict(duckdb.sql("select tank, avg(level_pct) from scanned group by tank").fetchall()),
    }
    for reader, means in found.items():
        assert {tank: round(value, 9) for tank, value in means.items()} == pytest.approx(expected), reader


# ---- levels at even intervals ----


def test_a_level_holds_until_the_next_reading() -> None:
    found = library.levels_at(readings_of([0, 15 * 60, 45 * 60, 60 * 60], [80, 40, 20, 20]), every="30min")
    # By hand: 80 for 15 min and 40 for 15; 40 for 15 and 20 for 15; 20 for one period.
    assert found["level_mean_pct"].tolist() == pytest.approx([60, 30, 20])
    assert found["level_pct"].tolist() == [40, 20, 20]
    assert found["heard_s"].tolist()[:2] == [1800, 1800]
    assert (found["level_low_pct"].tolist(), found["level_high_pct"].tolist()) == ([40, 20, 20], [80, 40, 20])
    assert found["volume_mean_l"].tolist() == pytest.approx([60, 30, 20])
    assert found["time"].tolist() == [BEGIN + pd.Timedelta(minutes=m) for m in (0, 30, 60)]


def test_nothing_is_known_across_an_outage() -> None:
    every_10_s = list(range(0, 1200, 10))
    later = [at + 7200 for at in every_10_s]
    found = library.levels_at(readings_of(every_10_s + later, [50.0] * 120 + [90.0] * 120), every="20min")
    assert found["heard_s"].tolist() == [1200, 0, 0, 0, 0, 0, 1200]
    assert found["level_pct"].isna().tolist() == [False, *[True] * 5, False]
    assert found["level_mean_pct"].dropna().tolist() == [50, 90]


def test_a_short_outage_of_the_logger_ends_what_was_known() -> None:
    frame = readings_of([*range(0, 600, 10), *range(900, 1500, 10)], [50.0] * 120)
    outages = pd.DataFrame({"from": [BEGIN + pd.Timedelta(seconds=595)], "to": [BEGIN + pd.Timedelta(seconds=900)]})
    without = library.levels_at(frame, every="5min")
    told = library.levels_at(frame, every="5min", outages=outages)
    assert without["heard_s"].tolist() == [300] * 5
    assert told["heard_s"].tolist() == [300, 295, 0, 300, 300]
    # An outage of another bus, in which this tank was heard all the while, is not its outage.
    other = pd.DataFrame({"from": [BEGIN + pd.Timedelta(seconds=100)], "to": [BEGIN + pd.Timedelta(seconds=500)]})
    assert library.levels_at(frame, every="5min", outages=other)["heard_s"].tolist() == [300] * 5


@settings(max_examples=60, deadline=None)
@given(
    steps=st.lists(st.tuples(st.integers(1, 500), st.floats(0, 100)), min_size=2, max_size=40),
    every=st.sampled_from(["1min", "7min", "1h"]),
)
def test_means_are_those_of_every_second_looked_at(steps: list[tuple[int, float]], every: str) -> None:
    """Reference: pandas, each second filled from the reading before it and averaged."""
    at_s = np.cumsum([step for step, _ in steps]) - steps[0][0]
    frame = readings_of(at_s.tolist(), [level for _, level in steps])
    found = library.levels_at(frame, every=every, flows=empty(FLOWS))
    seconds = frame.set_index("time")["level_pct"].resample("1s").ffill().iloc[:-1]
    expected = seconds.resample(every, origin="epoch").mean()
    whole = found.set_index("time").loc[
        expected.index[: max(len(expected) - 1, 0)]
    ]  # the last reading holds one period longer
    assert whole["level_mean_pct"].tolist() == pytest.approx(expected.iloc[: len(whole)].tolist(), abs=1e-6)
    assert whole["level_pct"].tolist() == seconds.resample(every, origin="epoch").last().iloc[: len(whole)].tolist()


def test_litres_add_up_to_the_flows(fleet: Path) -> None:
    """The conservation law: whatever the intervals, each tank's litres are those of its flows."""
    stores = library.open_stores(fleet)
    flows = stores.flows()
    by = ["vessel", "tank", "source_address"]
    for every in ("1min", "17min", "1h", "1D"):
        levels = stores.levels_at(every)
        for kind, column in (("fill", "filled_l"), ("drain", "drained_l")):
            expected = flows[flows["kind"] == kind].groupby(by, observed=True)["volume_l"].sum()
            found = levels.groupby(by, observed=True)[column].sum()
            assert len(expected) > 0
            assert found[expected.index].tolist() == pytest.approx(expected.tolist(), rel=1e-9)
            assert found.sum() == pytest.approx(expected.sum(), rel=1e-9)


@settings(max_examples=100, deadline=None)
@given(
    spans=st.lists(
        st.tuples(
            st.integers(0, 10**10), st.integers(0, 10**9), st.floats(0.01, 1e3), st.sampled_from(["fill", "drain"])
        ),
        max_size=20,
    ),
    edges=st.lists(st.integers(1, 10**9), min_size=1, max_size=30),
)
def test_no_litre_is_lost_between_intervals(spans: list[tuple[int, int, float, str]], edges: list[int]) -> None:
    edges_us = np.concatenate([[0], np.cumsum(edges), [2 * 10**11]])
    rows = [
        {"tank": FRESH, "source_address": 16, "kind": kind, "start": start, "end": start + length, "volume_l": litres}
        for start, length, litres, kind in spans
    ]
    reading = {"tank": FRESH, "source_address": 16, "time": 5, "level_pct": 50.0, "volume_l": 50.0}
    levels = resample(
        pa.Table.from_pylist([reading], READINGS), edges_us, flows=pa.Table.from_pylist(rows, FLOWS), outages=None
    )
    for kind, column in (("fill", "filled_l"), ("drain", "drained_l")):
        brought = levels[column].to_numpy()
        assert brought.min() >= 0
        assert brought.sum() == pytest.approx(sum(litres for _, _, litres, of in spans if of == kind))


def test_used_is_what_drains_and_of_a_waste_tank_what_fills() -> None:
    for tank, used in ((FRESH, 10.0), ("rvc.grey_water.1", 4.0)):
        frame = readings_of([0, 60], [50, 50], tank=tank)
        flow = {"tank": tank, "source_address": 16, "start": BEGIN, "end": BEGIN + pd.Timedelta(seconds=30)}
        flows = pd.DataFrame([{**flow, "kind": "drain", "volume_l": 10.0}, {**flow, "kind": "fill", "volume_l": 4.0}])
        row = library.levels_at(frame, every="1h", flows=flows).iloc[0]
        assert (row["filled_l"], row["drained_l"], row["used_l"]) == (4.0, 10.0, used)


def test_without_a_capacity_there_are_no_litres() -> None:
    found = library.levels_at(readings_of([0, 60], [50, 50], capacity_l=None), every="1h")
    assert found[["volume_l", "volume_mean_l", "filled_l", "drained_l", "used_l"]].isna().all().all()
    assert found["level_pct"].tolist() == [50]


# Summer time in Europe ends on 25 October 2026 and begins on 29 March 2026: EU directive 2000/84/EC, last and last Sunday.
@pytest.mark.parametrize(("day", "hours"), [("2026-10-25", 25), ("2026-03-29", 23), ("2026-05-01", 24)])
def test_days_are_those_of_the_place(day: str, hours: int) -> None:
    noon = pd.Timestamp(f"{day}T12:00", tz="Europe/Oslo")
    frame = readings_of([0, 86_400], [50, 50])
    frame["time"] = [noon, noon + pd.Timedelta(days=1)]
    found = library.levels_at(frame, every="1D", zone="Europe/Oslo")
    assert found["time"].dt.tz_convert("Europe/Oslo").dt.hour.tolist() == [0, 0]
    assert found["time"].diff().iloc[1] == pd.Timedelta(hours=hours)


@pytest.mark.parametrize(
    ("every", "first"), [("8h", "08:00"), ("15min", "08:30"), ("1W", None), ("MS", None), ("2D", "00:00")]
)
def test_intervals_begin_at_whole_multiples(every: str, first: str | None) -> None:
    frame = readings_of([31 * 60, 32 * 60], [50, 50])
    start = library.levels_at(frame, every=every)["time"].iloc[0]
    assert start <= frame["time"].iloc[0]
    if first is not None:
        assert f"{start:%H:%M}" == first
    if every == "MS":
        assert f"{start:%Y-%m-%d %H:%M}" == "2026-05-01 00:00"


@pytest.mark.parametrize(
    ("every", "zone"),
    [("soon", "UTC"), ("-1h", "UTC"), ("0h", "UTC"), ("1h", "Atlantis/Harbour"), ("1us", "UTC"), ("", "UTC")],
)
def test_wrong_intervals_are_refused(every: str, zone: str) -> None:
    with pytest.raises(QueryError):
        library.levels_at(readings_of([0, 86_400], [50, 50]), every=every, zone=zone)


def test_no_readings_have_no_levels() -> None:
    assert resample(empty(READINGS), np.array([0, 60]), flows=empty(FLOWS), outages=empty(OUTAGES)).schema == LEVELS
    assert len(library.levels_at(empty(READINGS))) == 0


def test_columns_said_to_be_never_null_are_not(fleet: Path) -> None:
    stores = library.open_stores(fleet)
    frames = {
        "readings": stores.readings(),
        "flows": stores.flows(),
        "tanks": stores.tanks(),
        "levels": stores.levels_at(),
    }
    for name, frame in frames.items():
        schema, _ = TABLES[name]
        assert list(frame.columns) == schema.names
        assert len(frame)
        for field in schema:
            if b"null" not in field.metadata:
                assert frame[field.name].notna().all(), (name, field.name)


@pytest.mark.parametrize(("kind", "schema"), [("readings", READINGS), ("flows", FLOWS)])
def test_parquet_files_carry_units_and_version(fleet: Path, kind: str, schema: pa.Schema) -> None:
    (part,) = (fleet / "workboat" / kind).rglob("*.parquet")
    told = pq.read_schema(part).metadata
    assert told[b"canlevel.part_version"] == b"1"
    assert json.loads(told[b"canlevel.units"]) == units(schema)
    assert json.loads(told[b"canlevel.units"])["rate_low"] == "L/min"


def test_many_stores_answer_as_one_by_one(fleet: Path) -> None:
    stores = library.open_stores(fleet)
    for ask in ("leaks", "outlook", "balance"):
        together = getattr(stores, ask)()
        single = [getattr(library, ask)(store.readings(), flows=store.flows()) for store in stores.stores]
        assert len(together) == sum(map(len, single)) > 0
        same = [name for name in together.columns if name != "vessel"]
        pd.testing.assert_frame_equal(
            together[same].astype(object), pd.concat(single, ignore_index=True)[same].astype(object)
        )


def test_a_season_is_the_same_every_time_and_holds_what_it_says(tmp_path: Path) -> None:
    for name in ("one", "other"):
        library.write_season(tmp_path / name, days=3, period_s=60)
    one, other = (library.open_stores(tmp_path / name) for name in ("one", "other"))
    pd.testing.assert_frame_equal(one.readings(), other.readings())
    assert one.readings()["vessel"].nunique() == 3
    assert set(one.readings()["name"]) == {"Fresh water", "Grey water", "Washroom", "Diesel"}
    assert set(one.readings()["status"]) == {"ok"}
    with pytest.raises(StoreError, match="already"):
        library.write_season(tmp_path / "one", days=1)
