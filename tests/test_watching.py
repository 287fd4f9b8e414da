"""What there is to see of a bus at a moment, and how it is laid out. tests/test_watch_screen.py has the terminal."""

from __future__ import annotations

import random
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from conftest import START_US
from faults import CASES
from hypothesis import given
from hypothesis import strategies as st

from canlevel.capture.candump import Block, frames_table
from canlevel.capture.events import BusBack, BusGone
from canlevel.capture.source import open_source
from canlevel.decoding.tanks import TankDecoder
from canlevel.derivation.overview import overview
from canlevel.diagnosis import open_examination
from canlevel.findings.evidence import Recording
from canlevel.pipeline import collect, open_decoding
from canlevel.roster import Roster, TankEntry, load_roster
from canlevel.show.cells import cells, fitted, own_words, wrapped
from canlevel.show.text import rate
from canlevel.tables import EXTENDED, FRAMES, UNKNOWN_TIME_US, empty, time_column, times_us
from canlevel.units import VolumeUnit
from canlevel.watching import watched as watched_module
from canlevel.watching.board import View, board
from canlevel.watching.playing import LONGEST_WAIT_S, SPEEDS, Player, paced
from canlevel.watching.snapshot import BusSight, Message, Playing, Remark, Snapshot, TankSight
from canlevel.watching.watched import Watched

CAPTURES = Path(__file__).parent.parent / "captures"
FLUID_LEVEL = 0x19F21100  # PGN 127505, priority 6
SIZES = [(80, 24), (120, 40), (60, 20), (40, 10), (200, 60), (72, 12), (20, 5), (10, 3), (3, 2), (1, 1)]


def level_data(fluid: int, instance: int, level_pct: float | None, capacity_l: float | None = 200) -> bytes:
    """PGN 127505: field lists in published NMEA 2000 equipment manuals."""
    raw = 32767 if level_pct is None else round(level_pct / 0.004)
    capacity = 0xFFFFFFFF if capacity_l is None else round(capacity_l * 10)
    return bytes([fluid << 4 | instance]) + raw.to_bytes(2, "little") + capacity.to_bytes(4, "little") + b"\xff"


Row = tuple[float, int, bytes, str]  # seconds, identifier, data, channel


def frames_of(rows: Sequence[Row]) -> pa.Table:
    """FRAMES of some rows."""
    block = Block.sized(len(rows))
    channels = list(dict.fromkeys(row[3] for row in rows))
    block.time_us[:] = [START_US + round(at_s * 1e6) for at_s, *_ in rows]
    block.identifier[:] = [identifier for _, identifier, _, _ in rows]
    block.channel[:] = [channels.index(channel) for *_, channel in rows]
    block.flags[:] = EXTENDED
    block.length[:] = [len(data) for _, _, data, _ in rows]
    block.payload[:] = [int.from_bytes(data[:8].ljust(8, b"\0"), "little") for _, _, data, _ in rows]
    block.line[:] = np.arange(1, len(rows) + 1)
    return frames_table(block, channels, time_column(block.time_us))


def tank_rows(
    seconds: Sequence[float], *, fluid: int = 1, instance: int = 0, source: int = 35, level_pct: Any = 50.0,
    channel: str = "can0", capacity_l: float | None = 200,
) -> list[Row]:  # fmt: skip
    """A tank's frames at some seconds; level_pct: a number, None, or a function of the second."""
    return [
        (
            at_s,
            FLUID_LEVEL | source,
            level_data(fluid, instance, level_pct(at_s) if callable(level_pct) else level_pct, capacity_l),
            channel,
        )
        for at_s in seconds
    ]


def every(period_s: float, until_s: float, first_s: float = 0.0) -> list[float]:
    return np.arange(first_s, until_s, period_s).tolist()


def watching(roster: Roster | None = None, *, live: bool = False) -> Watched:
    return Watched(TankDecoder(), roster or Roster(), title="boat.log", bitrate=250_000, live=live)


def heard(rows: Sequence[Row], roster: Roster | None = None, *, until_s: float | None = None) -> Watched:
    """Some rows watched to their end."""
    watched = watching(roster)
    if rows:
        rows = sorted(rows)
        watched.add(frames_of(rows), np.array([row[0] for row in rows]))
    watched.reach(until_s or 0.0)
    return watched


def played(path: Path, *, speed: float, by_s: Iterator[float], roster: Roster) -> Watched:
    """A recording played in steps of some seconds, with looks for findings on the way."""
    source = open_source(path, leniently=True)
    watched = Watched(TankDecoder(), roster, title=path.name, bitrate=250_000, live=False)
    player = Player(speed)
    batches = source.batches()
    more = True
    while more or not player.played:
        while more and player.wants:
            frames = next(batches, None)
            more = frames is not None
            if frames is not None:
                player.add(frames)
        for frames, at_s in player.advance(next(by_s)):
            watched.add(frames, at_s)
        watched.reach(player.now_s)
        watched.look(Recording())
    return watched


def texts(snapshot: Snapshot, width: int = 80, height: int | None = 24, **view: Any) -> list[str]:
    return ["".join(text for _, text in line) for line in board(snapshot, View(**view), width, height).lines]


# ---- one pass tells what the other commands tell ----


@pytest.mark.parametrize("name", ["workboat", "clinic-coach"])
def test_what_is_seen_at_the_end_is_what_tanks_and_explain_say(name: str) -> None:
    """However a recording was cut while it was played, and whenever findings were looked for on the way."""
    path, roster = CAPTURES / f"{name}.log.gz", load_roster(CAPTURES / f"{name}.toml")
    seeded = random.Random(7)
    watched = played(path, speed=600, by_s=iter(lambda: seeded.uniform(0.05, 3.0), None), roster=roster)
    watched.look(Recording(), whole=True)
    snapshot = watched.snapshot(0.0, ended=True)
    rows = overview(collect(open_decoding(path, roster=roster))).to_pylist()
    expected = {(row["tank"], row["source_address"]): row for row in rows}
    found = {(tank.tank, tank.source_address): tank for tank in snapshot.tanks}
    assert found.keys() == expected.keys()
    for key, tank in found.items():
        row = expected[key]
        assert (tank.level_pct, tank.volume_l, tank.capacity_l) == (
            row["level_pct"], row["volume_l"], row["capacity_l"]
        )  # fmt: skip
        rates = (row["rate_l_per_min"], row["rate_low"], row["rate_high"])
        assert (tank.rate_l_per_min, tank.rate_low, tank.rate_high) == rates
        assert not tank.silent
    explained = open_examination(path, roster=roster).run().explain()
    told = [(remark.code, remark.tank, remark.severity) for remark in snapshot.remarks if not remark.over]
    assert told == [(finding.code, finding.tank, finding.severity) for finding in explained.findings]
    assert snapshot.explanation == explained.to_dict()


@pytest.mark.parametrize(
    "case", [case for number, case in enumerate(CASES) if number % 9 == 0], ids=lambda case: case.id
)
def test_a_fault_is_seen_as_explain_sees_it(case: Any, tmp_path: Path) -> None:
    path = tmp_path / "fault.log"
    path.write_text(case.text())
    roster = Roster()
    if case.roster is not None:
        (tmp_path / "roster.toml").write_text(case.roster)
        roster = load_roster(tmp_path / "roster.toml")
    watched = played(path, speed=60, by_s=iter(lambda: 0.7, None), roster=roster)
    watched.look(Recording(), whole=True)
    told = {(remark.code, remark.tank) for remark in watched.snapshot(0.0).remarks if not remark.over}
    expected = open_examination(path, roster=roster).run().explain()
    # Lines that tell of lost frames are the reader's to count; there is none of it here.
    assert told == {(f.code, f.tank) for f in expected.findings if f.code != "frames-dropped"}


# ---- tanks ----


def test_two_devices_and_two_buses_are_told_apart() -> None:
    rows = [
        *tank_rows(every(2.5, 30)),
        *tank_rows(every(2.5, 30, 0.5), source=40, level_pct=60),
        *tank_rows(every(2.5, 30, 1.0), channel="can1", level_pct=70),
    ]
    snapshot = heard(rows).snapshot(30.0)
    assert [(tank.channel, tank.source_address, tank.level_pct) for tank in snapshot.tanks] == [
        ("can0", 35, 50.0),
        ("can0", 40, 60.0),
        ("can1", 35, 70.0),
    ]
    assert [tank.told_apart for tank in snapshot.tanks] == ["can0 from 35", "can0 from 40", "can1 from 35"]
    for width in (80, 120):
        lines = texts(snapshot, width, form="one")
        for tank in snapshot.tanks:
            assert sum(tank.told_apart in line for line in lines) == 1


def test_ages_go_on_and_silence_is_told_in_words() -> None:
    watched = heard([*tank_rows(every(2.5, 30)), *[(at_s, 0x09F80120, bytes(8), "can0") for at_s in every(0.1, 60)]])
    at_once, later = watched.snapshot(60.0), watched.snapshot(3660.0)
    assert at_once.tanks[0].age_s == pytest.approx(32.5)
    assert later.tanks[0].age_s == pytest.approx(3632.5)
    # Five periods, as the finding tank-went-silent has it.
    assert heard(tank_rows(every(2.5, 30))).snapshot(39.0).tanks[0].silent is False
    assert heard(tank_rows(every(2.5, 30))).snapshot(41.0).tanks[0].silent is True
    assert any("silent for 32 s" in line for line in texts(at_once, 120))
    assert any("silent" in line and "60 min" in line for line in texts(later, 80, form="one"))
    assert later.tanks[0].rate_l_per_min is None  # nobody knows it any more
    assert later.tanks[0].level_pct == 50.0


def test_limits_of_the_roster_are_shown_and_told() -> None:
    def entry(name: str, instance: int, **limits: float) -> TankEntry:
        return TankEntry(name, "fresh_water", instance, capacity_l=100, **limits)

    roster = Roster(
        "Boat",
        (
            entry("Low", 0, low_pct=20),
            entry("High", 1, high_pct=90),
            entry("Patient", 2, silent_after_s=3600),
            entry("Strict", 3, silent_after_s=4),
            entry("Absent", 4),
            entry("Well", 5, low_pct=20, high_pct=90),
        ),
    )
    rows = [
        row
        for instance, level_pct in ((0, 12.0), (1, 95.0), (2, 50.0), (3, 50.0), (5, 50.0))
        for row in tank_rows(every(2.5, 30), instance=instance, level_pct=level_pct)
    ]
    snapshot = heard(rows, roster).snapshot(60.0)
    by_name = {tank.name: tank for tank in snapshot.tanks}
    assert list(by_name) == ["Low", "High", "Patient", "Strict", "Absent", "Well"]  # the owner's order
    assert [tank.silent for tank in snapshot.tanks] == [True, True, False, True, True, True]
    assert not by_name["Absent"].heard
    now = {tank.name: tank for tank in heard(rows, roster).snapshot(32.0).tanks}
    assert now["Low"].alarms == ("low: 12.0 % (limit 20 %)",)
    assert now["High"].alarms == ("high: 95.0 % (limit 90 %)",)
    assert now["Strict"].alarms == ("silent for 4.5 s (limit 4 s)",)
    assert now["Well"].alarms == now["Patient"].alarms == ()
    for width, form in ((120, "two"), (80, "one")):
        lines = texts(replace(snapshot, tanks=tuple(now.values())), width, form=form)
        shown = {name: next(line for line in lines if line.startswith(name)) for name in now}
        assert "low" in shown["Low"]
        assert "high" in shown["High"]
        assert "silent" in shown["Strict"]
        assert "not heard" in shown["Absent"]
        assert shown["Well"].count("|") == 2  # where the limits are
        assert "ok" in shown["Well"]


def test_statuses_are_told_in_words() -> None:
    rows = [
        *tank_rows(every(2.5, 30), instance=0, level_pct=None),
        *tank_rows(every(2.5, 30), instance=1, level_pct=104.0),
    ]
    lines = texts(heard(rows).snapshot(30.0), 120)
    assert any("not available" in line and "–" in line for line in lines)
    assert any("over range" in line and "104.0 %" in line for line in lines)


def test_a_rate_has_its_sign_and_limits_in_both_forms() -> None:
    rows = tank_rows(every(2.5, 600), level_pct=lambda at_s: round(80 - at_s / 30, 1))  # 4 L/min out of 200 L
    snapshot = heard(rows).snapshot(600.0)
    tank = snapshot.tanks[0]
    assert tank.rate_l_per_min is not None
    assert tank.rate_low is not None
    assert tank.rate_high is not None
    assert tank.rate_low <= -4.0 <= tank.rate_high < 0
    two = next(line for line in texts(snapshot, 120) if "L/min" in line and "ago" in line)
    assert "-4" in two
    assert f"({tank.rate_low:.1f} to {tank.rate_high:.1f}) L/min" in two
    assert any("draining" in line for line in texts(snapshot, 80, form="one"))


def test_without_a_capacity_a_rate_is_in_percent() -> None:
    """The same levels as above: 4 L/min out of 200 L are 2 % a minute."""
    times = every(2.5, 600)
    falling = tank_rows(times, level_pct=lambda at_s: round(80 - at_s / 30, 1), capacity_l=None)
    snapshot = heard([*falling, *tank_rows(times, instance=1, level_pct=40.0)]).snapshot(600.0)
    bare, still = snapshot.tanks
    assert (bare.rate_l_per_min, still.rate_pct) == (None, None)
    assert bare.rate_pct is not None
    value, low, high = bare.rate_pct
    assert low <= -2.0 <= high < 0
    assert value == pytest.approx(-2.0, rel=0.05)
    two = texts(snapshot, 120)
    assert any("-2" in line and "%/min" in line and "L/min" not in line for line in two)
    assert any("no rate: it never moved" in line for line in two)
    assert any("-2.0 ±0.2% " in line and "draining" in line for line in texts(snapshot, 80, form="one"))


def test_a_bound_is_no_more_precise_than_a_step() -> None:
    """Two digits, three decimals, and never less than it is."""
    litre = VolumeUnit.LITRE
    assert [rate(0.0, -bound, bound, litre) for bound in (0.00204, 0.0004, 0.0431, 0.11, 1.01, 14.2)] == [
        "±0.003", "±0.001", "±0.044", "±0.11", "±1.1", "±15",
    ]  # fmt: skip


@given(
    st.floats(-500, 500).filter(lambda value: abs(value) > 1e-3),
    st.floats(0, 300),
    st.floats(0, 300),
    st.sampled_from(list(VolumeUnit)),
)
def test_a_rate_in_short_is_never_narrower_than_its_limits(
    value: float, down: float, up: float, unit: VolumeUnit
) -> None:
    from canlevel.watching.board import _short_rate

    low, high = value - down, value + up
    tank = TankSight("x", "x", "fuel", 1, rate_l_per_min=value, rate_low=low, rate_high=high)
    text = _short_rate(tank, unit).replace(",", "")
    middle, sign, off = text.partition(" ±")
    if sign:
        shown = float(middle) - float(off), float(middle) + float(off)
    else:
        begin, _, end = text.partition(" to ")
        shown = float(begin), float(end)
    # What is shown is rounded to the digits that number() gives: half of the last of them.
    slack = 0.05 * max(1.0, abs(unit.from_litres(max(abs(low), abs(high))))) ** 0.0 + 0.006 * abs(
        unit.from_litres(value)
    )
    assert shown[0] <= unit.from_litres(low) + slack
    assert shown[1] >= unit.from_litres(high) - slack


def test_a_j1939_tank_that_is_not_fitted_is_none() -> None:
    def fuel(at_s: float, raw: int) -> Row:
        return at_s, 0x18FEFC00, bytes([0xFF, raw, *[0xFF] * 6]), "can1"  # PGN 65276, fuel level 1 in byte 2

    never = heard([fuel(at_s, 0xFF) for at_s in every(1, 20)]).snapshot(20.0)
    assert never.tanks == ()
    lost = heard([fuel(at_s, 125 if at_s < 10 else 0xFF) for at_s in every(1, 20)]).snapshot(20.0)
    assert [(tank.tank, tank.status) for tank in lost.tanks] == [("j1939.fuel.1", "not_available")]


# ---- the bus ----


def test_frames_and_load_are_those_of_the_last_seconds() -> None:
    """A frame of eight bytes with 29 bits takes 131 to 160 bits: Davis, Burns, Bril, Lukkien 2007."""
    rows = [(at_s, 0x09F80120, bytes(8), "can0") for at_s in every(0.01, 60, 0.001)]
    bus = heard(rows).snapshot(60.0).buses[0]
    assert bus.frames_per_s == 100.0
    assert bus.load_least_pct == pytest.approx(100 * 100 * 131 / 250_000)
    assert bus.load_most_pct == pytest.approx(100 * 100 * 160 / 250_000)
    assert (bus.devices, bus.silent_devices, bus.frames) == (1, 0, 6000)
    quiet = heard(rows, until_s=90).snapshot(90.0).buses[0]
    assert quiet.frames_per_s == 0.0
    assert quiet.quiet_s == pytest.approx(30.0, abs=0.1)
    assert any("silent for 30 s" in line for line in texts(heard(rows, until_s=90).snapshot(90.0)))


def test_a_bus_that_goes_and_comes_back_is_told() -> None:
    watched = heard(tank_rows(every(2.5, 30)))
    watched.happened([BusGone("can0", 0, "unplugged")], [("warning", "can0: the bus is gone: unplugged")])
    gone = watched.snapshot(40.0)
    assert gone.buses[0].gone == "unplugged"
    assert any("gone for" in line and "unplugged" in line for line in texts(gone))
    assert any("the bus is gone" in line for line in texts(gone))
    watched.happened([BusBack("can0", 0, 0, "unplugged")], [("info", "can0: the bus is back")])
    assert watched.snapshot(41.0).buses[0].gone is None
    never = watching(live=True)
    never.happened([BusGone("can7", None, "no such device")], [])
    assert any("can7" in line and "gone" in line for line in texts(never.snapshot(3.0)))


def test_buses_without_room_are_counted() -> None:
    snapshot = full_snapshot()
    assert texts(snapshot, 80, 24)[3] == "and 2 more buses"
    assert texts(snapshot, 80, 12)[1].endswith("and 3 more buses, 1 of them gone")


# ---- findings as they arise ----


def test_a_finding_arises_and_passes() -> None:
    roster = Roster(None, (TankEntry("Bow", "fresh_water", 0), TankEntry("Aft", "fresh_water", 1)))
    watched = heard(tank_rows(every(2.5, 20)), roster, until_s=20)
    watched.look(Recording())
    (missing,) = watched.snapshot(20.0).remarks
    assert (missing.code, missing.severity, missing.over) == ("tank-missing", "fault", False)
    assert missing.since.startswith("2026-05-01 08:00:20")
    rows = sorted([*tank_rows(every(2.5, 40, 20)), *tank_rows(every(2.5, 40, 21), instance=1)])
    watched.add(frames_of(rows), np.array([row[0] for row in rows]))
    watched.look(Recording())
    assert [(remark.code, remark.over) for remark in watched.snapshot(40.0).remarks] == [("tank-missing", True)]
    assert any(line.startswith("08:00 OVER") for line in texts(watched.snapshot(40.0)))


def test_nothing_is_claimed_in_the_first_seconds() -> None:
    watched = heard(tank_rows([0.0]), Roster(None, (TankEntry("Aft", "fresh_water", 1),)), until_s=10)
    watched.look(Recording(live=True))
    snapshot = watched.snapshot(10.0)
    assert snapshot.remarks == ()
    assert not snapshot.examined
    assert any("listening" in line for line in texts(snapshot))


def test_a_day_is_remembered_within_bounds(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hearings follow one another; who the devices are, and what went silent before, is not forgotten with them."""
    monkeypatch.setattr(watched_module, "HEARING_S", 600.0)
    monkeypatch.setattr(watched_module, "OVERLAP_S", 120.0)
    watched = watching(live=True)
    claims: list[Row] = [
        (0.1 * source, 0x18EEFF00 | source, (source << 21 | 0xC0000000_00000000 | source).to_bytes(8, "little"), "can0")
        for source in (35, 40, 41)
    ]
    held = []
    for begin_s in range(0, 3600, 30):
        rows = [
            *(claims if not begin_s else []),
            *tank_rows(every(2.5, begin_s + 30, begin_s), level_pct=lambda at_s: 40 + at_s / 100),
            *(tank_rows(every(2.5, begin_s + 30, begin_s + 1), source=40, instance=1) if begin_s < 300 else []),
            *[(at_s, 0x09F80128, bytes(8), "can0") for at_s in every(1.0, begin_s + 30, begin_s)],
            *[(at_s, 0x09F80129, bytes(8), "can0") for at_s in every(1.0, begin_s + 30, begin_s)],
        ]
        rows.sort()
        watched.add(frames_of(rows), np.array([row[0] for row in rows]))
        watched.reach(begin_s + 30.0)
        watched.look(Recording(live=True))
        held.append(sum(hearing.held for _, hearing in watched._hearings))
        assert len(watched._hearings) <= 2
        assert len(watched._tanks["can0", "nmea2000.fresh_water.0", 35].at_s) <= 3 * 3600 / 5 + 1
    assert max(held[60:]) <= max(held[:60])
    remarks = {(remark.code, remark.source_address): remark for remark in watched.snapshot(3600.0).remarks}
    # The tank fell silent long before the hearing that goes on now began.
    silent = [remark for remark in remarks.values() if remark.code.endswith("went-silent") and not remark.over]
    assert [remark.source_address for remark in silent] == [40]
    assert not any(code == "address-unclaimed" for code, _ in remarks)
    rows = tank_rows(every(2.5, 3660, 3600), source=40, instance=1)
    watched.add(frames_of(rows), np.array([row[0] for row in rows]))
    watched.look(Recording(live=True))
    now = [remark for remark in watched.snapshot(3660.0).remarks if not remark.over]
    assert not [remark for remark in now if remark.code.endswith("went-silent") and remark.source_address == 40]


# ---- playing ----


def ticks(*seconds: float) -> pa.Table:
    return frames_of([(at_s, 0x09F80120, bytes(8), "can0") for at_s in seconds])


@given(st.lists(st.floats(0.01, 5), min_size=1, max_size=30), st.sampled_from(SPEEDS), st.randoms())
def test_every_frame_is_played_once_and_in_its_time(steps: list[float], speed: float, random_: random.Random) -> None:
    seconds = np.cumsum([0.0, *steps]).tolist()
    player = Player(speed)
    at = 0
    while at < len(seconds):
        size = random_.randint(1, 7)
        player.add(ticks(*seconds[at : at + size]))
        at += size
    passed_s, shown = 0.0, []
    while not player.played:
        by_s = random_.uniform(0.01, 2.0) / speed
        passed_s += by_s * speed
        for frames, at_s in player.advance(by_s):
            shown += ((times_us(frames) - START_US) / 1e6).tolist()
            assert at_s.tolist() == pytest.approx(shown[-len(at_s) :], abs=1e-5)
        assert all(at_s <= passed_s + 1e-5 for at_s in shown)
        assert len(shown) == sum(at_s <= min(passed_s, seconds[-1]) for at_s in seconds) or passed_s == pytest.approx(
            seconds[len(shown)] if len(shown) < len(seconds) else passed_s, abs=1e-4
        )
        assert player.now_s == pytest.approx(min(passed_s, seconds[-1]), abs=1e-4)
    assert shown == pytest.approx(seconds, abs=1e-5)


def test_a_pause_holds_and_goes_on() -> None:
    player = Player(10.0)
    player.add(ticks(0, 5, 10))
    assert sum(len(frames) for frames, _ in player.advance(0.6)) == 2
    player.paused = True
    assert player.advance(100.0) == []
    assert player.now_s == pytest.approx(6.0)
    player.paused = False
    assert sum(len(frames) for frames, _ in player.advance(0.5)) == 1
    assert player.played


def test_long_silences_are_not_waited_for_and_clocks_are_no_time() -> None:
    time_us = np.array([0, 1, 1 + 3600, 3602, 3602 + 40 * 365 * 86_400, 10]) * 1_000_000
    wait_s, passed_s = paced(time_us, None)
    assert wait_s.tolist() == [0, 1, 1, 1, 1, 0]
    assert passed_s.tolist() == [0, 1, 3600, 1, 1, 0]
    assert paced(np.array([int(LONGEST_WAIT_S) * 1_000_000]), 0)[0].tolist() == [LONGEST_WAIT_S]
    unknown = np.array([UNKNOWN_TIME_US, UNKNOWN_TIME_US])
    assert paced(unknown, None)[0].tolist() == paced(unknown, 5)[1].tolist() == [0, 0]


def test_speeds_go_up_and_down() -> None:
    player = Player(60.0)
    player.faster(1)
    assert player.speed == 120.0
    player.faster(-2)
    assert player.speed == 20.0
    player.speed = 7.0
    player.faster(-1)
    assert player.speed == 5.0
    player.faster(-100)
    assert player.speed == SPEEDS[0]
    player.faster(100)
    assert player.speed == SPEEDS[-1]


# ---- layout ----

NAMES = (
    "Fuel, port", "燃料タンク右舷側のとても長い名前", "خزان الوقود", "Fre\u0301sh wa\u0308ter", "नया टैंक २", "מים\u200f 1",
    "\x1b[31mred\x1b[0m", "a\nb", "👩\u200d🔧 tank", "\u0301", "[bold]x[/bold]", "ｗｉｄｅ", "x" * 300, " ",
)  # fmt: skip


def sights(count: int = 12) -> tuple[TankSight, ...]:
    at_s = np.arange(0.0, 600.0, 5.0)
    return tuple(
        TankSight(
            name=f"{NAMES[number % len(NAMES)]} {number}",
            tank=f"nmea2000.fresh_water.{number}",
            fluid="fresh_water",
            source_address=30 + number,
            channel="can0",
            level_pct=None if number == 5 else 8.0 * number,
            volume_l=None if number == 5 else 16.0 * number,
            capacity_l=None if number == 6 else 200.0,
            rate_l_per_min=-1234.5 if number == 7 else -0.12,
            rate_low=-2345.6 if number == 7 else -0.14,
            rate_high=-1.0 if number == 7 else -0.10,
            age_s=10.0**number if number < 9 else 1.0,
            silent=number == 4,
            status="not_available" if number == 5 else "ok",
            alarms=("low: 0.0 % (limit 10 %)",) if number == 0 else (),
            low_pct=10.0,
            at_s=at_s,
            past_pct=np.full(len(at_s), 8.0 * number),
        )
        for number in range(count)
    )


def full_snapshot(count: int = 12) -> Snapshot:
    return Snapshot(
        title="Вессел \x1b[2J 船" * 3,
        clock="2026-05-01 08:00:00 UTC",
        now_s=600.0,
        heard_s=600.0,
        live=False,
        ended=False,
        frames=10**9,
        readings=10**6,
        tanks=sights(count),
        buses=tuple(
            BusSight(f"can{number}", 10**9, 1908.0, 99.0, 121.0, 250, 3, 0.1, "unplugged" if number == 1 else None)
            for number in range(4)
        ),
        protocols=("nmea2000", "rvc"),
        remarks=tuple(
            Remark(
                "code",
                ("fault", "warning", "info")[number % 3],
                None,
                None,
                "水" * 90 + " word" * 30,
                "2026-05-01 08:00:00 UTC",
            )
            for number in range(9)
        ),
        examined=True,
        messages=(Message("08:00", True, "the bus is gone: \x1b[31m"),),
        playing=Playing(60.0, False, 600.0, 10_800.0),
    )


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("count", [0, 1, 5, 12, 40])
@pytest.mark.parametrize("plain", [False, True])
def test_nothing_is_wider_or_higher_than_the_screen(size: tuple[int, int], count: int, plain: bool) -> None:
    snapshot = full_snapshot(count)
    for page in ("tanks", "findings", "devices"):
        for form in (None, "one", "two"):
            for first in (0, 3, 10**9):
                lines = texts(snapshot, *size, page=page, form=form, first=first, plain=plain)
                assert len(lines) <= size[1]
                assert all(cells(line) <= size[0] for line in lines), [line for line in lines if cells(line) > size[0]]
                assert all(unicodedata.category(letter) != "Cc" for line in lines for letter in line)


@pytest.mark.parametrize("size", [(80, 24), (60, 20), (40, 10), (120, 40)])
@pytest.mark.parametrize("form", [None, "one", "two"])
def test_every_tank_can_be_reached(size: tuple[int, int], form: str | None) -> None:
    snapshot = full_snapshot(12)
    snapshot = replace(
        snapshot, tanks=tuple(replace(tank, name=f"tank {n:02d}") for n, tank in enumerate(snapshot.tanks))
    )
    view, met = View(form=form), set()
    for _ in range(12):
        shown = board(snapshot, view, *size)
        text = "\n".join("".join(part for _, part in line) for line in shown.lines)
        met |= {n for n in range(12) if f"tank {n:02d}" in text}
        view.first = shown.first + max(shown.step, 1)
    assert met == set(range(12))


@pytest.mark.parametrize("form", ["one", "two"])
def test_at_eighty_columns_a_tank_has_all_that_belongs_to_it(form: str) -> None:
    tank = replace(sights(3)[2], name="Bow", rate_l_per_min=-0.12, age_s=7.0, level_pct=62.1, volume_l=124.2)
    snapshot = replace(full_snapshot(), tanks=(tank,), buses=full_snapshot().buses[:1])
    text = "\n".join(texts(snapshot, 80, 24, form=form))
    for part in ("Bow", "█", "62.1", "124.2", "-0.12", "7 s", "draining", "▂▂▂"):
        assert part in text
    assert "±0.02" in text or "(-0.14 to -0.10)" in text
    plain = "\n".join(texts(snapshot, 80, 24, form=form, plain=True))
    assert plain.replace("…", "").replace("×", "").replace("±", "").isascii() or "水" in plain


def test_pages_scroll_to_their_end() -> None:
    path = CAPTURES / "clinic-coach.log.gz"
    watched = played(path, speed=3600, by_s=iter(lambda: 1.0, None), roster=Roster())
    snapshot = watched.snapshot(0.0)
    for page, last in (("devices", "of the load"), ("findings", "rvc.lpg.3")):
        whole = texts(snapshot, 80, None, page=page)
        view, met = View(page=page), set[str]()
        for _ in range(60):
            shown = board(snapshot, view, 80, 12)
            met |= {"".join(text for _, text in line) for line in shown.lines}
            view.first = shown.first + shown.step
        rule = next(number for number, line in enumerate(whole) if line.startswith(f"── {page}"))
        assert set(whole[rule + 1 :]) <= met
        assert any(last in line for line in whole)


@given(st.text(max_size=40), st.integers(0, 60), st.booleans())
def test_a_text_fits_its_cells(text: str, width: int, right: bool) -> None:
    shown = fitted(own_words(text), width, right=right)
    assert cells(shown) == width
    assert all(unicodedata.category(letter) != "Cc" for letter in shown)


@given(st.text(max_size=200), st.integers(2, 60))
def test_a_wrapped_text_loses_nothing_but_blanks(text: str, width: int) -> None:
    lines = wrapped(own_words(text), width)
    assert all(cells(line) <= width for line in lines)
    assert "".join("".join(lines).split()) == "".join(own_words(text).split())


# East Asian Width (Unicode Standard Annex 11): W and F take two cells; combining marks take none.
@pytest.mark.parametrize(
    ("text", "size"), [("水", 2), ("Ａ", 2), ("가", 2), ("e\u0301", 1), ("שלום", 4), ("a", 1), ("–", 1)]
)
def test_cells_are_those_of_the_standard(text: str, size: int) -> None:
    by_standard = sum(
        0 if unicodedata.combining(letter) else 2 if unicodedata.east_asian_width(letter) in "WF" else 1
        for letter in text
    )
    assert cells(text) == by_standard == size


def test_a_name_from_right_to_left_does_not_turn_its_line() -> None:
    """A mark from left to right behind it: UAX 9, rules W2 and N1: figures behind such letters would go before them."""
    assert fitted(own_words("خزان"), 8).rstrip().endswith("\u200e")
    assert "\u200e" not in fitted("Fuel", 8)
    assert own_words("a\u202eb\u200fc\u2066d") == "abcd"


def test_an_empty_batch_and_frames_without_times_do_no_harm() -> None:
    watched = watching()
    watched.add(empty(FRAMES), np.zeros(0))
    assert texts(watched.snapshot(1.0))
    frames = frames_of(tank_rows(every(2.5, 30)))
    frames = frames.set_column(0, FRAMES.field(0), time_column(np.full(len(frames), UNKNOWN_TIME_US)))
    watched.add(frames, np.zeros(len(frames)))
    watched.look(Recording(), whole=True)
    snapshot = watched.snapshot(1.0)
    assert (snapshot.clock, snapshot.tanks[0].age_s, snapshot.tanks[0].level_pct) == ("", None, 50.0)
    assert texts(snapshot, 40, 10)
