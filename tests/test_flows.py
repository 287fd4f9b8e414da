"""Flows and rates against simulated tanks whose truth is known."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pyarrow as pa
import pytest
from conftest import START_US
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from reading import read_text

from canlevel.decoding.tanks import TankDecoder
from canlevel.derivation import noisy
from canlevel.derivation.flows import derive_flows
from canlevel.derivation.online import OnlineRates
from canlevel.derivation.overview import OVERVIEW, overview
from canlevel.derivation.ramps import Readings, fit_ramps
from canlevel.derivation.sender import describe_sender, restless
from canlevel.derivation.series import series_of
from canlevel.roster import Roster, Shape, TankEntry
from canlevel.simulate import (
    NINE_INCH_STRIP,
    TWELVE_INCH_STRIP,
    Flow,
    Simulation,
    Tank,
    clinic_coach,
    simulate,
    workboat,
)
from canlevel.tables import FLOWS, READINGS, empty

START = datetime(2026, 5, 1, 8, tzinfo=UTC)
Floats = NDArray[np.float64]


def frames_of(simulation: Simulation) -> pa.Table:
    from canlevel.capture.candump import frames_table
    from canlevel.tables import time_column

    reading = read_text(simulation.text().encode())
    return frames_table(reading.block, reading.channels, time_column(reading.block.time_us))


def readings_of(simulation: Simulation, roster: Roster | None = None) -> pa.Table:
    return (roster or Roster()).apply(TankDecoder().decode(frames_of(simulation)))


def one_tank(tank: Tank, seconds: float, seed: int, roster: Roster | None = None) -> pa.Table:
    return readings_of(simulate([tank], start=START, seconds=seconds, seed=seed, traffic=False), roster)


# Common practice, no source: a sender strip of 9 in in steps of 1/4 in, and one of 12 in in steps of 3/8 in.
@pytest.mark.parametrize(("step", "count"), [(NINE_INCH_STRIP, 36), (TWELVE_INCH_STRIP, 32)])
def test_strip_senders_have_so_many_steps_from_empty_to_full(step: float, count: int) -> None:
    tank = Tank("nmea2000", "fresh_water", 0, 35, 100, 0, step, flows=(Flow(10, 10, 100),))
    readings = one_tank(tank, 700, 1)
    levels = np.array(readings.column("level_pct").to_pylist())
    assert len(np.unique(levels)) == count + 1
    assert (levels.min(), levels.max()) == (0, 100)
    (series,) = series_of(readings)
    assert describe_sender(series.seconds, series.level_pct).step_pct == pytest.approx(step, abs=0.004)


SENDERS = [
    pytest.param(0.004, 0.1, id="fine, noise 0.1 %"),
    pytest.param(0.004, 0.5, id="fine, noise 0.5 %"),
    pytest.param(0.4, 0.0, id="0.4 %"),
    pytest.param(0.4, 0.15, id="0.4 %, noise 0.15 %"),
    pytest.param(NINE_INCH_STRIP, 0.0, id="strip of 36 steps"),
    pytest.param(TWELVE_INCH_STRIP, 0.3, id="strip of 32 steps, noise 0.3 %"),
    pytest.param(100 / 3, 0.0, id="thirds"),
]


@pytest.mark.parametrize(("step", "noise"), SENDERS)
@pytest.mark.parametrize("period", [0.5, 2.5, 5.0])
def test_no_flow_out_of_a_tank_at_rest(step: float, noise: float, period: float) -> None:
    """Whatever the sender, and wherever the level lies between two steps: also right on the edge, where it flickers."""
    for seed, start in enumerate([50.0, 49.999, 100 * step * round(50 / step) / 100, 50 + step / 2, 73.1]):
        tank = Tank("nmea2000", "fresh_water", 0, 35, 100, start, step, noise, period_s=period)
        flows = derive_flows(one_tank(tank, 6 * 3600, seed)).to_pylist()
        assert flows == [], (seed, start, flows)


@pytest.mark.parametrize(("step", "noise"), SENDERS[:-1])
@pytest.mark.parametrize(
    ("rate", "volume"), [(14.0, 90), (-6.0, 40), (-60.0, 80), (-0.4, 30)], ids=["hose", "shower", "dump", "engine"]
)
def test_one_flow_is_found_with_its_rate_and_edges(step: float, noise: float, rate: float, volume: float) -> None:
    tank = Tank("nmea2000", "fresh_water", 0, 35, 150, 20 if rate > 0 else 130, step, noise)
    true = Flow(1200, rate, volume)
    (flow,) = derive_flows(one_tank(replace(tank, flows=(true,)), true.end_s + 1200, 11)).to_pylist()
    assert flow["kind"] == ("fill" if rate > 0 else "drain")
    assert flow["rate_l_per_min"] == pytest.approx(rate, rel=0.1)
    assert flow["rate_pct_per_min"] == pytest.approx(rate / 1.5, rel=0.1)
    step_l = 1.5 * max(step, 4 * noise)
    assert flow["volume_l"] == pytest.approx(volume, abs=step_l)
    edge_s = 60 * step_l / abs(rate) + 10
    assert abs((flow["start"] - START).total_seconds() - true.at_s) < edge_s
    assert abs((flow["end"] - START).total_seconds() - true.end_s) < edge_s
    assert (flow["end_level_pct"] - flow["start_level_pct"]) * rate > 0


def test_the_interval_holds_the_true_rate_most_of_the_time() -> None:
    """First version: near 95 % on still tanks; seeds of their own, apart from those the method was tried on."""
    inside = 0
    for seed in range(200):
        random = np.random.default_rng(900 + seed)
        rate, step = random.uniform(3, 20), [0.4, NINE_INCH_STRIP, TWELVE_INCH_STRIP][seed % 3]
        tank = Tank("nmea2000", "fresh_water", 0, 35, 200, random.uniform(10, 30), step)
        flow = Flow(600 + random.uniform(0, 10), rate, random.uniform(60, 150))
        (found,) = derive_flows(one_tank(replace(tank, flows=(flow,)), flow.end_s + 600, seed)).to_pylist()
        inside += found["rate_low"] <= rate <= found["rate_high"]
    assert inside >= 180


def test_flows_of_the_demo_are_those_that_were_simulated() -> None:
    for simulation in (workboat(), clinic_coach()):
        flows = derive_flows(readings_of(simulation)).to_pylist()
        true = [(tank.id, flow) for tank in simulation.tanks for flow in tank.flows]
        assert len(flows) == len(true)
        for tank, flow in true:
            near = [
                f for f in flows
                if f["tank"] == tank and abs((f["start"] - simulation.start).total_seconds() - flow.at_s) < 300
            ]  # fmt: skip
            assert len(near) == 1, (tank, flow, flows)
            assert near[0]["rate_pct_per_min"] * flow.rate_l_per_min > 0
            if near[0]["rate_l_per_min"] is not None:
                assert near[0]["rate_l_per_min"] == pytest.approx(flow.rate_l_per_min, rel=0.12)


def test_two_flows_with_a_pause_are_two() -> None:
    tank = Tank("nmea2000", "fresh_water", 0, 35, 200, 30, NINE_INCH_STRIP)
    flows = (Flow(600, 10, 40), Flow(1800, 10, 60), Flow(4000, -5, 50))
    found = derive_flows(one_tank(replace(tank, flows=flows), 6000, 5)).to_pylist()
    assert [flow["kind"] for flow in found] == ["fill", "fill", "drain"]


def test_nothing_is_claimed_across_a_gap() -> None:
    tank = Tank("nmea2000", "fresh_water", 0, 35, 200, 150, 0.4, flows=(Flow(3000, -2, 80),))
    readings = one_tank(tank, 9000, 3)
    outside = [row for row in readings.to_pylist() if not 2800 < (row["time"] - START).total_seconds() < 6000]
    assert derive_flows(pa.Table.from_pylist(outside, schema=READINGS)).num_rows == 0


def test_a_single_spike_is_no_flow() -> None:
    rows = one_tank(Tank("nmea2000", "fresh_water", 0, 35, 200, 100, 0.4, 0.1), 3600, 4).to_pylist()
    for at, level in ((300, 0.0), (700, 100.0), (900, 20.0)):
        rows[at]["level_pct"] = level
    assert derive_flows(pa.Table.from_pylist(rows, schema=READINGS)).num_rows == 0


def test_rates_are_of_litres_by_the_tanks_shape() -> None:
    """A steady 12 L/min into a lying cylinder bends the level; the flow is steady all the same."""
    roster = Roster(None, (TankEntry("c", "fresh_water", 0, capacity_l=200, shape=Shape("horizontal_cylinder")),))
    depth = np.linspace(0, 1, 100_001)
    from canlevel.roster import cylinder_fraction

    seconds = np.arange(0, 1400, 2.5)
    litres = 20 + np.clip(seconds - 300, 0, 700) * 12 / 60
    level = 100 * np.interp(litres / 200, cylinder_fraction(depth), depth)
    rows = [
        {"time": START_US + int(at * 1e6), "tank": "nmea2000.fresh_water.0", "protocol": "nmea2000", "fluid": "fresh_water",
         "instance": 0, "source_address": 35, "level_pct": round(pct / 0.4) * 0.4, "status": "ok"}
        for at, pct in zip(seconds, level, strict=True)
    ]  # fmt: skip
    readings = roster.apply(pa.Table.from_pylist(rows, schema=READINGS))
    (flow,) = derive_flows(readings).to_pylist()
    assert flow["rate_l_per_min"] == pytest.approx(12, rel=0.02)
    assert flow["volume_l"] == pytest.approx(140, rel=0.02)


def test_without_a_capacity_there_are_percents_and_no_litres() -> None:
    tank = Tank("nmea2000", "fresh_water", 0, 35, 200, 20, 0.4, tells_capacity=False, flows=(Flow(600, 10, 100),))
    (flow,) = derive_flows(one_tank(tank, 1800, 8)).to_pylist()
    assert flow["volume_l"] is flow["rate_l_per_min"] is flow["rate_low"] is flow["rate_high"] is None
    assert flow["rate_pct_per_min"] == pytest.approx(5, rel=0.05)


def test_scale_the_tank_and_the_rate_scales() -> None:
    tank = Tank("nmea2000", "fresh_water", 0, 35, 100, 10, NINE_INCH_STRIP, flows=(Flow(600, 5, 60),))
    big = replace(tank, capacity_l=300, start_l=30, flows=(Flow(600, 15, 180),))
    (small,) = derive_flows(one_tank(tank, 2000, 2)).to_pylist()
    (large,) = derive_flows(one_tank(big, 2000, 2)).to_pylist()
    for name in ("volume_l", "rate_l_per_min", "rate_low", "rate_high"):
        assert large[name] == pytest.approx(3 * small[name], rel=1e-6)


def test_two_sources_of_one_tank_are_two_series() -> None:
    tank = Tank("nmea2000", "fresh_water", 0, 35, 100, 10, 0.4, flows=(Flow(300, 10, 60),))
    other = replace(tank, source_address=36, start_l=90, flows=())
    readings = readings_of(simulate([tank, other], start=START, seconds=1000, seed=1))
    assert [flow["source_address"] for flow in derive_flows(readings).to_pylist()] == [35]
    assert overview(readings).column("source_address").to_pylist() == [35, 36]


def test_flows_and_overviews_of_nothing() -> None:
    assert derive_flows(empty(READINGS)).schema == FLOWS
    assert overview(empty(READINGS)).schema == OVERVIEW
    assert OnlineRates().add(empty(READINGS)).num_rows == 0


def test_overview_tells_the_last_reading_and_the_period() -> None:
    readings = one_tank(Tank("nmea2000", "fresh_water", 0, 35, 100, 10, 0.4, period_s=2.5), 1000, 1)
    (row,) = overview(readings).to_pylist()
    last = readings.to_pylist()[-1]
    assert {name: row[name] for name in ("tank", "level_pct", "volume_l", "status")} == {
        name: last[name] for name in ("tank", "level_pct", "volume_l", "status")
    }
    assert (row["last_heard"], row["last_time"], row["readings"]) == (last["time"], last["time"], len(readings))
    assert row["first_time"] == readings.to_pylist()[0]["time"]
    assert row["period_s"] == pytest.approx(2.5, abs=0.1)


@pytest.mark.parametrize("seed", range(5))
def test_online_rates_are_the_same_however_the_stream_is_cut(seed: int) -> None:
    frames = frames_of(workboat(seconds=3000, seed=seed))
    whole = OnlineRates().add(Roster().apply(TankDecoder().decode(frames)))
    random = np.random.default_rng(seed)
    cuts = sorted(random.integers(0, len(frames), 40).tolist())
    rates, decoder, parts = OnlineRates(), TankDecoder(), []
    for begin, end in zip([0, *cuts], [*cuts, len(frames)], strict=True):
        parts.append(rates.add(Roster().apply(decoder.decode(frames.slice(begin, end - begin)))))
    assert pa.concat_tables(parts).to_pylist() == whole.to_pylist()


def test_online_rates_know_no_future() -> None:
    """Causal: what is said of a reading does not change when more readings follow."""
    readings = Roster().apply(TankDecoder().decode(frames_of(workboat(seconds=3000))))
    whole = OnlineRates().add(readings).column("rate_l_per_min").to_pylist()
    for n in (100, 1000, 2000):
        assert OnlineRates().add(readings.slice(0, n)).column("rate_l_per_min").to_pylist() == whole[:n]


@pytest.mark.parametrize(("step", "noise"), [(0.4, 0.0), (NINE_INCH_STRIP, 0.0), (0.004, 0.1)])
def test_online_rate_follows_a_steady_flow_and_its_end(step: float, noise: float) -> None:
    tank = Tank("nmea2000", "fresh_water", 0, 35, 100, 10, step, noise, flows=(Flow(600, 8, 72),))
    rows = OnlineRates().add(one_tank(tank, 2400, 3)).to_pylist()
    during = [row for row in rows if 600 + 240 < (row["time"] - START).total_seconds() < 1140]
    assert np.median([row["rate_l_per_min"] for row in during]) == pytest.approx(8, rel=0.1)
    assert np.mean([row["rate_low"] <= 8 <= row["rate_high"] for row in during]) > 0.9
    after = rows[-1]
    assert after["rate_l_per_min"] == 0
    assert after["rate_low"] < 0 < after["rate_high"] < 8


def test_a_sender_that_never_moved_has_no_rate() -> None:
    rows = OnlineRates().add(one_tank(Tank("nmea2000", "fuel", 0, 35, 100, 50, 33.3), 600, 1)).to_pylist()
    assert {row["rate_l_per_min"] for row in rows} == {row["rate_low"] for row in rows} == {None}


@settings(max_examples=120, deadline=None)
@given(
    steps_s=st.lists(st.sampled_from([0.0, 0.0, 0.1, 1.0, 2.5, 5.0, 61.0, 4000.0]), min_size=6, max_size=120),
    levels=st.lists(
        st.one_of(
            st.sampled_from([0.0, 2.776, 50.0, 52.776, 55.552, 100.0]),
            st.floats(-131, 131),
            st.sampled_from([1e6, -1e6]),
        ),
        min_size=6,
        max_size=120,
    ),
    capacities=st.lists(st.sampled_from([None, 0.0, 90.0, 400.0]), min_size=1, max_size=3),
)
def test_whatever_is_read_gives_flows_that_make_sense(
    steps_s: list[float], levels: list[float], capacities: list[float | None]
) -> None:
    at_us, rows = START_US, []
    for i, (step_s, level) in enumerate(zip(steps_s, levels, strict=False)):
        at_us += round(step_s * 1e6)
        rows.append(
            {"time": at_us, "tank": "rvc.fresh_water.0", "source_address": 7, "status": "ok", "level_pct": level,
             "capacity_l": capacities[i % len(capacities)]}
        )  # fmt: skip
    readings = Roster().apply(pa.Table.from_pylist(rows, schema=READINGS))
    flows = derive_flows(readings).to_pylist()
    for flow in flows:
        assert flow["start"] < flow["end"]
        assert flow["rate_pct_per_min"] * (1 if flow["kind"] == "fill" else -1) >= 0
        if flow["rate_l_per_min"] is not None:
            assert flow["volume_l"] > 0
            assert flow["rate_low"] <= flow["rate_l_per_min"] <= flow["rate_high"]
            assert np.isfinite([flow["rate_low"], flow["rate_high"], flow["volume_l"]]).all()
    assert [flow["start"] for flow in flows] == sorted(flow["start"] for flow in flows)


def read_at(at_s: Floats, level_pct: Floats, capacity_l: float) -> pa.Table:
    """READINGS of one tank, as its levels were read."""
    rows = [
        {"time": START_US + round(at * 1e6), "tank": "rvc.fresh_water.0", "source_address": 7, "status": "ok",
         "level_pct": level, "capacity_l": capacity_l}
        for at, level in zip(at_s.tolist(), level_pct.tolist(), strict=True)
    ]  # fmt: skip
    return Roster().apply(pa.Table.from_pylist(rows, schema=READINGS))


@pytest.mark.parametrize("noise_pct", [0.01, 0.05, 0.2])
def test_a_recording_that_is_mostly_flow_tells_both_flows(noise_pct: float) -> None:
    """Eleven minutes, six of them filling and draining, as somebody records who proves a tank: a slope hides the noise, and
    the noise must not be taken for none, or the rest for slosh. 160 L; litres are rate times time."""
    for seed in range(5):
        random = np.random.default_rng(seed)
        at = np.arange(0, 660, 2.5)
        litres = 50 + 12 * np.clip(at - 90, 0, 180) / 60 - 9 * np.clip(at - 360, 0, 180) / 60
        level = stepped(100 * litres / 160 + random.normal(0, noise_pct, len(at)), 0.004)
        assert describe_sender(at, level).noise_pct == pytest.approx(noise_pct, rel=0.35)
        filled, drained = derive_flows(read_at(at, level, 160)).to_pylist()
        assert (filled["kind"], drained["kind"]) == ("fill", "drain")
        assert filled["volume_l"] == pytest.approx(36, abs=0.8)
        assert drained["volume_l"] == pytest.approx(27, abs=0.8)
        assert filled["rate_l_per_min"] == pytest.approx(12, rel=0.02)
        assert drained["rate_l_per_min"] == pytest.approx(-9, rel=0.02)


def stepped(level_pct: Floats, step_pct: float) -> Floats:
    return np.asarray(np.round(level_pct / step_pct) * step_pct)


def test_a_mark_that_noise_passes_late_belongs_to_the_flow_before() -> None:
    """A level that comes to rest close to the edge of a step is carried over it by noise, now or minutes later: one flow."""
    found = []
    for seed in range(30):
        random = np.random.default_rng(seed)
        at = np.arange(0, 2400, 1.2)
        end_pct = NINE_INCH_STRIP * (14.5 + random.uniform(-0.25, 0.25))
        level = np.interp(at, [0, 900, 1500, 2400], [60, 60, end_pct, end_pct])
        level = stepped(level + random.normal(0, 0.16 * NINE_INCH_STRIP, len(at)), NINE_INCH_STRIP)
        flows = derive_flows(read_at(at, level, 56)).to_pylist()
        rate = (end_pct - 60) * 0.56 / 10
        found.append([flow["rate_l_per_min"] / rate for flow in flows])
    assert sum(len(rates) == 1 for rates in found) >= 28, found
    assert np.median([abs(rates[0] - 1) for rates in found]) < 0.1


@pytest.mark.parametrize("step", [0.004, 0.4, NINE_INCH_STRIP])
def test_a_flow_through_a_gap_in_the_readings_is_one(step: float) -> None:
    random = np.random.default_rng(4)
    at = np.arange(0, 3000, 1.5)
    level = np.interp(at, [0, 900, 1500, 3000], [80, 80, 40, 40])
    level = stepped(level + random.normal(0, 0.05, len(at)), step)
    heard = (at < 1150) | (at > 1230)
    (flow,) = derive_flows(read_at(at[heard], level[heard], 150)).to_pylist()
    assert flow["rate_l_per_min"] == pytest.approx(-6, rel=0.05)
    assert flow["volume_l"] == pytest.approx(60, rel=0.1)
    # Where the tap was shut meanwhile, there are two.
    level = np.interp(at, [0, 900, 1152, 1228, 1500, 3000], [80, 80, 60, 60, 40, 40])
    level = stepped(level + random.normal(0, 0.05, len(at)), step)
    assert len(derive_flows(read_at(at[heard], level[heard], 150))) == 2


def test_parking_on_a_slope_is_no_flow() -> None:
    """A drive whose slosh a strip sender hardly shows, and the slope the vehicle stands on afterwards.

    Of a single step that is passed at once nobody can tell whether something flowed, and what is stated of it says so.
    """
    for seed in range(25):
        random = np.random.default_rng(seed)
        at = np.arange(0, 7200, 0.8)
        under_way = np.where(at < 5400, np.minimum(at / 10, 1), np.exp(-np.maximum(at - 5400, 0) / 8)) * (at > 1800)
        slosh = 1.0 * under_way * np.sin(2 * np.pi * 0.7 * at + np.cumsum(random.normal(0, 0.2, len(at))))
        tilt = np.where(at > 5400, random.choice([-4, 4]), 0.0)
        level = random.uniform(45, 55) + tilt + slosh * 1.4 + random.normal(0, 0.25, len(at))
        flows = derive_flows(read_at(at, stepped(level, NINE_INCH_STRIP), 300)).to_pylist()
        assert all(flow["volume_l"] < 1.1 * 3 * NINE_INCH_STRIP for flow in flows), (seed, flows)
        assert all(abs(flow["rate_low"] - flow["rate_high"]) > 50 for flow in flows), (seed, flows)
        assert len(flows) <= 1


def test_high_waves_are_no_flows() -> None:
    for seed in range(10):
        random = np.random.default_rng(seed)
        at = np.arange(0, 7200, 1.1) + random.uniform(0, 0.05, 6546)
        under_way = (at > 1800) & (at < 5400)
        waves = sum(
            random.uniform(2, 6) * np.sin(2 * np.pi * random.uniform(0.3, 1.4) * at + random.uniform(0, 6))
            for _ in "123"
        )
        level = 50 + under_way * waves + random.normal(0, 0.3, len(at))
        for step in (0.004, 0.4, TWELVE_INCH_STRIP):
            flows = derive_flows(read_at(at, stepped(level, step), 150)).to_pylist()
            assert flows == [], (seed, step, flows)


def test_a_slope_of_several_steps_at_the_end_of_a_drive_is_no_flow() -> None:
    """Waves that die away stretch the slope a vehicle parks on, of 8 %, over marks that flicker for a minute."""
    for seed in range(40):
        random = np.random.default_rng(seed)
        at = np.arange(0, 7200, 2.5)
        under_way = np.where(at < 5400, np.minimum(at / 10, 1), np.exp(-np.maximum(at - 5400, 0) / 12)) * (at > 1800)
        waves = sum(
            random.uniform(2, 4) * np.sin(2 * np.pi * random.uniform(0.2, 1.4) * at + random.uniform(0, 6))
            for _ in "12"
        )
        tilt = np.where(at > 5400, random.choice([-8, 8]), 0.0)
        level = random.uniform(45, 55) + tilt + under_way * waves + random.normal(0, 0.4, len(at))
        flows = derive_flows(read_at(at, stepped(level, NINE_INCH_STRIP), 150)).to_pylist()
        assert flows == [], (seed, flows)


def test_waves_of_little_more_than_half_a_step_are_told_from_flicker() -> None:
    """A strip's level that swings by two steps and back, again and again, sloshes; the noise of one at rest does not do that.

    At rest nothing may be taken for waves, wherever the level lies in a step, with as much noise as a coarse sender has.
    """
    told = []
    for seed in range(12):
        random = np.random.default_rng(seed)
        at = np.arange(0, 7200, random.choice([0.6, 1.7, 3.1]))
        under_way = (at > 1800) & (at < 5400)
        waves = 0.6 * np.sqrt(2) * NINE_INCH_STRIP * np.sin(2 * np.pi * random.uniform(0.3, 1.5) * at)
        start, noise = random.uniform(45, 55), 0.1 * NINE_INCH_STRIP * random.normal(0, 1, len(at))
        level = stepped(start + under_way * waves + noise, NINE_INCH_STRIP)
        sloshes = restless(at, level, describe_sender(at, level))
        assert not sloshes[(at < 1500) | (at > 5700)].any(), seed
        told.append(sloshes[under_way].mean())
    assert np.median(told) > 0.9, told
    for place in np.linspace(0, 1, 9):
        for noise_steps in (0.0, 0.1, 0.2):
            random = np.random.default_rng(5)
            at = np.arange(0, 43_200, 0.9)
            level = 20 + place + np.interp(at, [0, 3600], [4, 0]) + noise_steps * random.normal(0, 1, len(at))
            level = stepped(level * NINE_INCH_STRIP, NINE_INCH_STRIP)
            sloshes = restless(at, level, describe_sender(at, level))
            # A level in the very middle of a step shows too little of its noise; for a moment that may pass for waves.
            assert sloshes.mean() <= (0.01 if noise_steps == 0.2 and not place % 1 else 0), (place, noise_steps)


def test_high_waves_low_in_a_lying_cylinder_are_no_flows() -> None:
    """Near its bottom a percent holds less than above: litres of waves there have another mean than the waves themselves."""
    for seed in range(12):
        random = np.random.default_rng(seed)
        at = np.arange(0, 7200, 1.3)
        under_way = (at > 900) & (at < 6300)
        swell = np.exp(0.5 * np.interp(at, np.arange(0, 7300, 100), random.normal(0, 1, 73)))
        waves = 5 * under_way * swell * random.normal(0, 1, len(at))
        level = stepped(np.clip(12 + waves + random.normal(0, 0.3, len(at)), 0, 100), 0.004)
        readings = read_at(at, level, 140)
        litres = Shape("horizontal_cylinder").volume_l(level, np.full(len(level), 140.0))
        column = readings.schema.get_field_index("volume_l")
        readings = readings.set_column(column, readings.field(column), pa.array(litres))
        assert derive_flows(readings).to_pylist() == [], seed


@pytest.mark.parametrize("step", [0.004, 0.4])
def test_a_slope_after_high_waves_is_no_slow_flow(step: float) -> None:
    """Waves hide for minutes when the level changed; what is known is that it did about when the vehicle stopped."""
    for seed in range(20):
        random = np.random.default_rng(seed)
        at = np.arange(0, 9000, 1.6)
        under_way = (at > 1800) & (at < 6000)
        tilt = np.where(at > 6000, random.choice([-3.5, 3.5]), 0.0)
        level = 50 + tilt + under_way * random.normal(0, 3.5, len(at)) + random.normal(0, 0.2, len(at))
        flows = derive_flows(read_at(at, stepped(level, step), 150)).to_pylist()
        assert flows == [], (seed, flows)


@pytest.mark.parametrize("at_s", [1650.0, 5900.0])
def test_a_shower_while_the_vehicle_starts_or_stops_is_found(at_s: float) -> None:
    for seed in range(10):
        random = np.random.default_rng(seed)
        at = np.arange(0, 9000, 1.6)
        under_way = (at > 1800) & (at < 6000)
        tilt = np.where(at > 6000, 2.0, 0.0)
        drawn = np.interp(at, [at_s, at_s + 300], [0, 24])  # 36 L of 150 L in five minutes
        level = 60 + tilt - drawn + under_way * random.normal(0, 2, len(at)) + random.normal(0, 0.2, len(at))
        flows = derive_flows(read_at(at, stepped(level, 0.004), 150)).to_pylist()
        assert {flow["kind"] for flow in flows} == {"drain"}, seed
        # By as much as the tilt is, 3 L, nobody knows better.
        assert sum(flow["volume_l"] for flow in flows) == pytest.approx(36, abs=4.5), seed


@pytest.mark.parametrize("tilt", [2.0, -4.0])
def test_a_flow_amid_which_the_vehicle_leans_over_is_one(tilt: float) -> None:
    """What the tilt does to the level is none of the volume that flowed."""
    whole = 0
    for seed in range(10):
        random = np.random.default_rng(seed)
        at = np.arange(0, 2400, 1.4)
        flowed = np.interp(at, [600, 1200], [0, 30])
        leaning = np.interp(at, [960, 962], [0, tilt])
        level = 80 - flowed + leaning + random.normal(0, 0.2, len(at))
        flows = derive_flows(read_at(at, stepped(level, 0.004), 150)).to_pylist()
        if len(flows) == 1:
            whole += 1
            assert flows[0]["rate_l_per_min"] == pytest.approx(-4.5, rel=0.06), seed
            assert flows[0]["volume_l"] == pytest.approx(45, rel=0.06), seed
    assert whole >= 7


def test_a_line_that_a_change_of_slope_explains_as_well_is_none() -> None:
    """A level that was elsewhere when the vehicle stopped, and one that a tap moved meanwhile, fitted by the same line."""
    tank = noisy.Tank(True, most_shift=18.0, alike=0.06, fastest=200 / 60)
    for seed in range(20):
        random = np.random.default_rng(seed)
        at = np.arange(0, 1800, 1.5)
        moving = at < 930  # told half a minute late
        sd = np.where(moving, 5.0, 0.3)
        for flows in (False, True):
            changed = np.interp(at, [740, 900], [0, -6]) if flows else np.where(at > 900, -6.0, 0.0)
            level = 70 + changed + sd * random.normal(0, 1, len(at)) * (0.3 if flows else 1)
            sd_known = sd * (0.3 if flows else 1)
            near = noisy.Noisy(at, level, sd_known, np.ones(len(at)), moving, tank)
            readings = Readings(at, level, sd_known)
            fitted = fit_ramps(at, level, sd_known, [740.0, 900.0], [-6 / 160], lag_s=2.0)
            assert noisy._is_slope(fitted, 0, near, readings, 2.0) is not flows, (seed, flows)


@pytest.mark.parametrize("step", [0.004, 0.4])
def test_a_tilt_that_takes_seconds_is_no_flow(step: float) -> None:
    """Taps and showers give less than 10 L/min, and what gives more runs for longer than 20 s (common practice, no source)."""
    flows = []
    for seed in range(20):
        random = np.random.default_rng(seed)
        at = np.arange(0, 5400, 2.9)
        lagged = np.where(at > 2700, 1 - np.exp(-np.maximum(at - 2700, 0) / 2.5), 0.0)
        leaning = random.choice([-1, 1]) * random.uniform(1.5, 3.0) * np.minimum(lagged, (at - 2700).clip(0) / 6)
        level = stepped(55 + leaning + random.normal(0, 0.1, len(at)), step)
        flows += derive_flows(read_at(at, level, 250)).to_pylist()
    assert not flows


def test_a_brief_flow_that_is_larger_than_a_tilt_is_found() -> None:
    random = np.random.default_rng(3)
    at = np.arange(0, 5400, 1.1)
    level = stepped(np.interp(at, [2700, 2718], [70, 40]) + random.normal(0, 0.1, len(at)), 0.004)
    (flow,) = derive_flows(read_at(at, level, 100)).to_pylist()
    assert flow["volume_l"] == pytest.approx(30, rel=0.03)


def test_the_same_tap_opened_again_is_two_flows_and_no_shift() -> None:
    random = np.random.default_rng(5)
    at = np.arange(0, 3600, 1.3)
    level = 80 - np.interp(at, [1000, 1200, 1260, 1500], [0, 15, 15, 33]) + random.normal(0, 0.2, len(at))
    flows = derive_flows(read_at(at, stepped(level, 0.004), 150)).to_pylist()
    assert [flow["volume_l"] for flow in flows] == [pytest.approx(22.5, rel=0.05), pytest.approx(27, rel=0.05)]


def test_a_shift_that_hides_a_pause_leaves_one_flow_with_the_rate_before_and_after() -> None:
    """Seven litres a minute for six minutes; after two of them the vehicle leans over, for seconds, by what flows meanwhile."""
    for seed in range(4):
        random = np.random.default_rng(seed)
        at = np.arange(0, 3600, 1.6)
        flowed = np.interp(at, [1000, 1360], [0, 42])
        leaning = np.interp(at, [1120, 1126], [0, 2.0])
        level = 70 - flowed / 1.5 + leaning + random.normal(0, 0.15, len(at))
        (flow,) = derive_flows(read_at(at, stepped(level, 0.004), 150)).to_pylist()
        assert flow["rate_low"] <= -7 <= flow["rate_high"]
        assert flow["volume_l"] == pytest.approx(42, rel=0.05)
