"""The proof of a tank: good ones are proved, one thing wrong is told under its item, and marks say what was shown.

What is known of the recordings: proofs.py makes them from a valve's times, a rate and a sender. Litres are rate times time; the
lying cylinder's figures are a handbook's (domain facts in tests/test_roster.py).
"""

from __future__ import annotations

import json
import os
import pty
import re
import select
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from adapter import Adapter, WireFrame
from faults import ROSTERS, START_US, change, level_of, log_text, raw_of
from proofs import FAULTS, KINDS, PERIODS, Bench, Sender, bench, proved

import canlevel
from canlevel.cli import run
from canlevel.cli.prove import led
from canlevel.errors import CanlevelError, QueryError
from canlevel.guide import Guide
from canlevel.proving.judging import cautions_of
from canlevel.proving.marks import load_marks, parse_mark
from canlevel.proving.records import ITEMS, NOT_SHOWN, Proofs
from canlevel.roster import Roster, TankEntry
from canlevel.shipped import shipped
from canlevel.show.proving import proof_lines
from canlevel.tables import READINGS, dictionary_column, float_column, null_column, time_column
from canlevel.units import VolumeUnit

ROOT = Path(__file__).parent.parent
STRIP = 100 / 36


def strip(protocol: str = "nmea2000", **changes: Any) -> Bench:
    """200 L filled with 8 L/min for five minutes, that is 40 L or 20 %, and drained alike; a strip of 36 steps."""
    fluid = "fuel" if protocol == "j1939" else "fresh_water"
    made = Bench(
        protocol, fluid, 1 if protocol == "j1939" else 0, 200, 30, 8, (100, 400), (520, 820), 960, Sender(36, 0.1, 1.0),
        steps=36, neighbour="def" if protocol == "j1939" else "grey_water", source=0 if protocol == "j1939" else 35,
    )  # fmt: skip
    return replace(made, **changes)


def results(proofs: Proofs) -> dict[str, str]:
    """What became of each item of the first tank."""
    return {item.key: item.result for item in proofs.tanks[0].items}


# ---- good tanks ----


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("protocol", PERIODS)
def test_a_good_tank_is_proved(protocol: str, kind: str, tmp_path: Path) -> None:
    one = bench(40, protocol, kind)
    tank = proved(one, one.frames(), tmp_path).tanks[0]
    if kind == "thirds":  # all it tells is thirds: that is worth a remark
        assert tank.verdict == "proved with remarks"
        assert [item.key for item in tank.items if item.result == "remark"] == ["step"]
    else:
        assert (tank.verdict, tank.reasons) == ("proved", ())
    assert [item.key for item in tank.items] == list(ITEMS)


@pytest.mark.parametrize("sender", [Sender(0, 0.3, 1.0), Sender(250, 0.05, 1.0), Sender(36, 0.2, 1.0)])
def test_what_is_measured_is_what_flowed(sender: Sender, tmp_path: Path) -> None:
    one = strip(sender=sender)
    tank = proved(one, one.frames(), tmp_path).tanks[0]
    step = 100 / sender.parts if sender.parts else 0.0
    assert tank.item("rises").measured == pytest.approx(20, abs=step + 0.3)
    assert tank.item("falls").measured == pytest.approx(-20, abs=step + 0.3)
    fill, drain = tank.movements
    for movement, rate in ((fill, 8.0), (drain, -8.0)):
        assert movement.rate_l_per_min is not None
        middle, low, high = movement.rate_l_per_min
        assert middle == pytest.approx(rate, rel=0.08)
        assert min(low, high) - 0.1 <= rate <= max(low, high) + 0.1
        assert movement.change_l == pytest.approx(40 * np.sign(rate), abs=2 * step + 0.6)
        assert movement.delay_s is not None
        assert movement.delay_s[0] - 1.3 <= 1.0 <= movement.delay_s[1] + 1.3  # of the sender, give or take the hand's
    assert tank.item("step").measured == pytest.approx(step or 0.004, rel=0.02, abs=0.001)
    assert tank.item("period").measured == pytest.approx(2.5, rel=0.02)


def test_litres_go_by_the_shape_of_the_roster(tmp_path: Path) -> None:
    # A lying cylinder holds 0.1424 of itself at h = 0.2 and 0.5 at h = 0.5 (area of a circular segment, handbooks of geometry).
    one = strip(sender=Sender(0, 0.05), begin_pct=20, fill=(100, 550), drain=(650, 1100), seconds=1250)
    roster = one.roster.replace("capacity_l = 200\n", 'capacity_l = 200\nshape = "horizontal_cylinder"\n', 1)
    path, listed = tmp_path / "a.log", tmp_path / "a.toml"
    path.write_text(log_text(one.frames()))
    listed.write_text(roster)
    tank = canlevel.prove(path, roster=listed, tank=one.id, **one.marks).tanks[0]
    assert tank.movements[0].change_l == pytest.approx(200 * (0.5 - 0.14238), abs=1.5)


def test_the_demo_captures() -> None:
    """Flows whose times stand in canlevel/simulate.py."""
    captures = Path(str(shipped("captures")))
    boat = canlevel.prove(
        captures / "workboat.log.gz",
        roster=captures / "workboat.toml",
        fill=["fresh_water.0=08:12:00/08:20:34", "grey_water.0=08:32/08:34:48"],
        drain=["fresh_water.0=08:32/08:34:48", "grey_water.0=10:30/10:31:05", "black_water.0=10:34/10:34:46"],
    )
    verdicts = {tank.tank: tank.verdict for tank in boat.tanks}
    assert verdicts == {
        "nmea2000.fuel.0": "not proved",
        "nmea2000.fuel.1": "not proved",
        "nmea2000.fresh_water.0": "proved",
        "nmea2000.grey_water.0": "proved",
        "nmea2000.black_water.0": "proved with remarks",
    }
    assert not boat.all_proved
    coach = canlevel.prove(
        captures / "clinic-coach.log.gz",
        roster=captures / "clinic-coach.toml",
        tank="rvc.fresh_water.0",
        fill="08:06/08:18:44",
        drain="08:22/08:26",
    )
    assert coach.tanks[0].verdict == "proved"
    assert coach.tanks[0].movements[0].change_l == pytest.approx(140, abs=9)  # a step of 36 on 300 L is 8.3 L


# ---- one thing wrong ----

CASES = [(name, protocol) for name, (_, _, protocols) in FAULTS.items() for protocol in protocols]


@pytest.mark.parametrize(("fault", "protocol"), CASES, ids=[f"{name}-{protocol}" for name, protocol in CASES])
def test_one_fault_is_caught_under_its_item(fault: str, protocol: str, tmp_path: Path) -> None:
    how, item, _ = FAULTS[fault]
    made = strip(protocol)
    if fault in ("early", "late"):  # a strip's first step may take as long
        made = replace(made, sender=Sender(250, 0.05, 1.0), steps=250)
    one, frames = how(made, np.random.default_rng(7))
    proofs = proved(one, frames, tmp_path)
    assert results(proofs)[item] == "fail", proofs.tanks[0].reasons
    assert proofs.tanks[0].verdict == "not proved"
    assert proofs.tanks[0].reasons
    told = proofs.tanks[0].item(item)
    assert told.sentence
    assert told.limit or item == "present"


def test_a_swapped_pair_names_the_other_tank(tmp_path: Path) -> None:
    one, frames = FAULTS["swapped"][0](strip(), np.random.default_rng(1))
    told = proved(one, frames, tmp_path).tanks[0].item("identity")
    assert "nmea2000.grey_water.1" in told.sentence
    assert "rose" in told.sentence


def test_what_is_heard_instead_is_named(tmp_path: Path) -> None:
    for fault, name in (("other instance", "nmea2000.fresh_water.7"), ("other fluid", "nmea2000.live_well.0")):
        one, frames = FAULTS[fault][0](strip(), np.random.default_rng(1))
        proofs = proved(one, frames, tmp_path)
        assert name in proofs.tanks[0].item("identity").sentence
        assert proofs.also_heard == (name,)


def test_a_tank_of_another_address_than_the_roster_says(tmp_path: Path) -> None:
    one = strip()
    path, roster = tmp_path / "a.log", tmp_path / "a.toml"
    path.write_text(log_text(one.frames()))
    roster.write_text(one.roster.replace('protocol = "nmea2000"\n', 'protocol = "nmea2000"\nsource_address = 36\n', 1))
    tank = canlevel.prove(path, roster=roster, tank="fresh_water.0", **one.marks).tanks[0]
    assert tank.item("present").result == "fail"
    assert "from address 35" in tank.item("identity").sentence


@pytest.mark.parametrize(
    ("off", "result"), [(0.0, "ok"), (0.01, "ok"), (0.05, "remark"), (-0.05, "remark"), (0.12, "fail")]
)
def test_capacity_by_how_far_it_is_off(off: float, result: str, tmp_path: Path) -> None:
    from faults import capacity_of

    one = strip()
    frames = change(one.frames(), one.id, lambda frame, _: capacity_of(frame, round(200 * (1 + off))))
    item = proved(one, frames, tmp_path).tanks[0].item("capacity")
    assert item.result == result
    assert item.measured == pytest.approx(100 * off, abs=0.3)


@pytest.mark.parametrize(
    "sender", [Sender(0, 0.2, 2.0), Sender(0, 1.8, 0.0), Sender(3, 0.0, 0.0), Sender(0, 0.2, 17.0)]
)
def test_a_measured_delay_goes_with_its_result(sender: Sender, tmp_path: Path) -> None:
    """Who reads the JSON need not know how it is judged: a figure is within its own limits, and beyond that of the item only
    where the result says so. Noise or a step that hides the first change is no delay of the sender."""
    one = strip(sender=sender)
    item = proved(one, one.frames(), tmp_path).tanks[0].item("delay").to_dict()
    assert item["low"] is not None or item["measured"] is not None
    if item["measured"] is not None:
        assert (item["measured"] <= item["limit_high"]) == (item["result"] == "ok"), item
        assert item["low"] <= item["measured"] <= (item["high"] or 1e9)
    else:
        assert item["result"] == "ok"
        assert item["high"] is None or item["high"] > item["limit_high"]


@pytest.mark.parametrize(("delay_s", "result"), [(2.0, "ok"), (8.0, "ok"), (17.0, "remark"), (40.0, "fail")])
def test_delay_of_a_fine_sender(delay_s: float, result: str, tmp_path: Path) -> None:
    one = strip(sender=Sender(0, 0.2, delay_s))
    item = proved(one, one.frames(), tmp_path).tanks[0].item("delay")
    assert item.result == result
    assert item.low is not None
    assert item.high is not None
    assert item.low - 1.3 <= delay_s <= item.high + 1.3


def test_a_mark_long_before_the_level_moves_is_not_made_good_by_another(tmp_path: Path) -> None:
    """Its valve was opened 80 s before the level rose, says the mark of the fill; that of the drain is right."""
    one = strip(sender=Sender(0, 0.1))
    (tmp_path / "tank.log").write_text(log_text(one.frames()))
    (tmp_path / "tanks.toml").write_text(one.roster)
    log, roster = tmp_path / "tank.log", tmp_path / "tanks.toml"
    proofs = canlevel.prove(log, roster=roster, tank=one.id, fill="+20/+90", drain="+520/+820")
    tank = proofs.tanks[0]
    item = tank.item("delay")
    assert item.result == "fail"
    assert item.low == pytest.approx(80, abs=4)
    assert "mark is wrong" in item.sentence
    assert tank.verdict == "not proved"


def test_a_drain_without_a_mark_is_no_scatter(tmp_path: Path) -> None:
    one = strip(sender=Sender(0, 0.1), marked=("fill",))
    item = proved(one, one.frames(), tmp_path).tanks[0].item("rest")
    assert item.result == "remark"
    assert "was not left alone: it fell by" in item.sentence
    assert "scatters" not in item.sentence


def test_a_level_of_j1939_that_never_moved_is_known_to_its_own_step(tmp_path: Path) -> None:
    one = strip("j1939", only=(0.0, 0.0))
    sentence = proved(one, one.frames(), tmp_path).tanks[0].item("rises").sentence
    assert "a step of its sender is 0.4 %" in sentence


@pytest.mark.parametrize(("noise_pct", "result"), [(0.2, "ok"), (0.6, "ok"), (1.5, "remark"), (4.0, "fail")])
def test_scatter_at_rest(noise_pct: float, result: str, tmp_path: Path) -> None:
    one = strip(sender=Sender(0, noise_pct))
    item = proved(one, one.frames(), tmp_path).tanks[0].item("rest")
    assert item.result == result
    assert item.measured == pytest.approx(noise_pct, rel=0.2)


# ---- what was shown, and what was not ----


@pytest.mark.parametrize(
    ("marked", "verdict", "untested"),
    [
        (("fill", "drain"), "proved", set()),
        (("fill",), "proved with remarks", {"falls"}),
        (("drain",), "proved with remarks", {"rises"}),
        ((), "not proved", {"rises", "falls", "extent", "speed", "delay"}),
    ],
)
def test_what_was_not_marked_is_not_tested(
    marked: tuple[str, ...], verdict: str, untested: set[str], tmp_path: Path
) -> None:
    one = strip()
    # Only what was marked did flow, or the rest would not be one.
    shares = tuple(1.0 if kind in marked or not marked else 0.0 for kind in ("fill", "drain"))
    one = replace(one, marked=marked, only=shares)
    tank = proved(one, one.frames(), tmp_path).tanks[0]
    assert tank.verdict == verdict
    assert untested <= {item.key for item in tank.items if item.result == "not_tested"}
    if not marked:
        assert "not filled or drained" in tank.reasons[0]
        assert tank.item("rises").sentence.startswith("seen, unmarked: rose from ")
        assert tank.item("rest").result == "ok"


def test_valves_that_nobody_closed(tmp_path: Path) -> None:
    one = strip(sender=Sender(0, 0.2, 1.0))
    marks = {"fill": [f"{one.id}=+100"], "drain": [f"{one.id}=+520"]}
    tank = proved(one, one.frames(), tmp_path, **marks).tanks[0]
    assert tank.verdict == "proved"
    assert tank.item("rises").measured == pytest.approx(20, abs=1.5)


def test_a_silent_bus_and_an_empty_recording(tmp_path: Path) -> None:
    one = strip(marked=())
    tank = proved(one, [], tmp_path).tanks[0]
    assert tank.verdict == "not proved"
    assert results(proved(one, [], tmp_path))["present"] == "fail"


def test_a_fill_that_ends_at_the_brim_is_no_late_mark(tmp_path: Path) -> None:
    one = strip(begin_pct=85)
    tank = proved(one, one.frames(), tmp_path).tanks[0]
    assert tank.item("delay").result == "ok"


# ---- laws ----


@pytest.mark.parametrize("factor", [0.1, 3.0])
def test_a_larger_tank_at_a_faster_rate_is_the_same_in_percent(factor: float, tmp_path: Path) -> None:
    one, other = (
        strip(sender=Sender(36, 0.1)),
        strip(sender=Sender(36, 0.1), capacity_l=200 * factor, rate_l_per_min=8 * factor),
    )
    first, second = (proved(each, each.frames(), tmp_path).tanks[0] for each in (one, other))
    assert first.verdict == second.verdict == "proved"
    for mine, theirs in zip(first.movements, second.movements, strict=True):
        assert theirs.change_l == pytest.approx((mine.change_l or 0) * factor, rel=1e-3)
        assert theirs.after_pct == mine.after_pct
        assert theirs.rate_l_per_min is not None
        assert mine.rate_l_per_min is not None
        assert theirs.rate_l_per_min[0] == pytest.approx(mine.rate_l_per_min[0] * factor, rel=0.05)


def test_a_recording_cut_anywhere_says_the_same(tmp_path: Path) -> None:
    one = strip()
    frames = one.frames()
    whole = proved(one, frames, tmp_path).to_dict()
    random = np.random.default_rng(3)
    for cut in random.integers(50, len(frames) - 50, 3).tolist():
        first, second, roster = tmp_path / "1.log", tmp_path / "2.log", tmp_path / "bench.toml"
        first.write_text(log_text(frames[:cut]))
        second.write_text(log_text(frames[cut:]))
        cut_up = canlevel.prove([first, second], roster=roster, tank=one.id, **one.marks).to_dict()
        assert cut_up["source"] == "1.log, 2.log"
        for tank in (*cut_up["tanks"], *whole["tanks"]):
            for item in tank["items"]:
                item["evidence"].pop("first_line", None)  # counted within its file
        assert cut_up["tanks"] == whole["tanks"]


def test_a_level_turned_over_is_inverted_and_else_the_same(tmp_path: Path) -> None:
    one = strip()
    frames = one.frames()
    shown = iter(one.shown_pct(np.array([(f.time_us - START_US) / 1e6 for f in frames if _is(one, f)])).tolist())
    turned = change(frames, one.id, lambda frame, _: level_of(frame, 100 - next(shown)))
    tank = proved(one, turned, tmp_path).tanks[0]
    assert {item.key for item in tank.items if item.result == "fail"} == {"rises", "falls"}
    assert "inverted" in tank.item("rises").sentence


def _is(one: Bench, frame: Any) -> bool:
    from faults import tanks_of

    return one.id in tanks_of(frame)


def test_times_of_day_dates_and_seconds_mean_the_same(tmp_path: Path) -> None:
    one = strip()
    frames = one.frames()
    first_s = (frames[0].time_us - START_US) / 1e6
    written = [
        {"fill": f"+{100 - first_s:.3f}/+{400 - first_s:.3f}", "drain": f"+{520 - first_s:.3f}/+{820 - first_s:.3f}"},
        {"fill": "08:01:40/08:06:40", "drain": "08:08:40Z/08:13:40"},
        {"fill": "2026-05-01T08:01:40Z/2026-05-01T10:06:40+02:00", "drain": "2026-05-01 08:08:40/08:13:40"},
    ]
    found = [proved(one, frames, tmp_path, **marks) for marks in written]
    opened = {tuple(round(mark.opened_us, -3) for mark in proofs.marks) for proofs in found}
    assert opened == {(START_US + 100_000_000, START_US + 520_000_000)}
    assert {proofs.tanks[0].verdict for proofs in found} == {"proved"}
    marks = tmp_path / "marks.csv"
    marks.write_text(
        "# by the quay\ntank,what,opened,closed\n"
        "nmea2000.fresh_water.0,fill,08:01:40,08:06:40\nfresh_water.0,Drain,08:08:40,\n"
    )
    by_file = proved(one, frames, tmp_path, fill=(), drain=(), marks=marks)
    assert by_file.marks[0].closed_us == START_US + 400_000_000
    assert by_file.marks[1].closed_us is None
    assert by_file.tanks[0].verdict == "proved"


def test_times_of_day_in_a_recording_beyond_midnight(tmp_path: Path) -> None:
    one = strip()
    late = [replace(frame, time_us=frame.time_us + 57_300_000_000) for frame in one.frames()]  # begins at 23:55
    found = proved(one, late, tmp_path, fill="23:56:40/00:01:40", drain="00:03:40/00:08:40")
    assert [round((mark.opened_us - START_US) / 1e6) for mark in found.marks] == [57_400, 57_820]
    assert found.tanks[0].verdict == "proved"


def test_a_recording_without_dates_wants_seconds(tmp_path: Path) -> None:
    one = strip()
    undated = [replace(frame, time_us=frame.time_us - START_US) for frame in one.frames()]
    tank = proved(one, undated, tmp_path, fill="+100/+400", drain="+520/+820").tanks[0]
    assert tank.verdict == "proved"
    with pytest.raises(QueryError, match="does not say on which day"):
        proved(one, undated, tmp_path, fill="08:01:40", drain=())


# ---- calls that are wrong ----


@pytest.mark.parametrize(
    "text",
    ["", "8", "25:00", "08:61", "+", "+x", "2026-13-01T08:00Z", "08:00/", "=08:00", "soon", "08:00/09:00/10:00", "-5"],
)
def test_what_is_no_mark(text: str) -> None:
    with pytest.raises(QueryError) as error:
        parse_mark(text, "fill")
    assert "--fill" in str(error.value)
    assert error.value.next_step


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("tank,opened\n", "no column what"),
        ("tank,what,opened\nx,filled,+1\n", "line 2"),
        ("tank,what,opened\nx,fill,noon\n", "line 2"),
        ('tank,what,opened\nx,"fill\n', "line 2"),
        ("tank,what,opened,closed\nx,fill\n", "missing"),
        ("\xff", "UTF-8"),
    ],
)
def test_what_is_no_file_of_marks(content: str, says: str, tmp_path: Path) -> None:
    path = tmp_path / "marks.csv"
    path.write_bytes(content.encode("latin-1"))
    with pytest.raises(QueryError, match=says):
        load_marks(path)
    with pytest.raises(QueryError, match="cannot be read"):
        load_marks(tmp_path / "nothing.csv")
    path.write_text("")
    assert load_marks(path) == []


@pytest.mark.parametrize("sign", [",", ";", "\t"])
def test_marks_of_a_spreadsheet(sign: str, tmp_path: Path) -> None:
    """Spreadsheets write ; where a comma is the decimal point (common practice, no source)."""
    path = tmp_path / "marks.csv"
    path.write_text(
        "tank,what,opened,closed\nnmea2000.fuel.0,fill,+12.5,+90\nnmea2000.fuel.0,drain,+200\n".replace(",", sign)
    )
    assert [(one.tank, one.kind, one.opened, one.closed) for one in load_marks(path)] == [
        ("nmea2000.fuel.0", "fill", "+12.5", "+90"),
        ("nmea2000.fuel.0", "drain", "+200", None),
    ]


@pytest.mark.parametrize(
    ("marks", "says"),
    [
        ({"fill": "+9000"}, "outside the recording"),
        ({"fill": "07:00"}, "outside the recording, which goes from 2026-05-01 08:00:0"),
        ({"fill": "+400/+100"}, "not after opened"),
        ({"fill": "oil.3=+10"}, "no tank"),
        ({"fill": ["+10/+50", "+30/+60"]}, "overlap"),
    ],
)
def test_marks_that_cannot_be(marks: dict[str, Any], says: str, tmp_path: Path) -> None:
    one = strip()
    with pytest.raises(QueryError) as error:
        proved(one, one.frames(), tmp_path, **({"fill": (), "drain": ()} | marks))
    assert says in str(error.value)


def test_a_mark_has_to_say_which_tank(tmp_path: Path) -> None:
    one = strip()
    path, roster = tmp_path / "a.log", tmp_path / "a.toml"
    path.write_text(log_text(one.frames()))
    roster.write_text(one.roster)
    with pytest.raises(QueryError, match="which tank") as error:
        canlevel.prove(path, roster=roster, fill="+100")
    assert "--tank" in str(error.value.next_step)
    with pytest.raises(QueryError, match=r'no tank "nmea2000\.oil\.3"'):
        canlevel.prove(path, roster=roster, tank="nmea2000.oil.3")
    with pytest.raises(QueryError, match="roster"):
        canlevel.prove(path, roster=Roster())


def test_frames_without_times(tmp_path: Path) -> None:
    one = strip()
    path, roster = tmp_path / "a.log", tmp_path / "a.toml"
    # What candump prints on the screen.
    path.write_text("".join(f"  can0  {f.identifier:08X}   [8]  {f.data.hex(' ').upper()}\n" for f in one.frames()))
    roster.write_text(one.roster)
    tank = canlevel.prove(path, roster=roster, tank=one.id).tanks[0]
    assert tank.verdict == "not proved"
    with pytest.raises(CanlevelError):
        canlevel.prove(path, roster=roster, tank=one.id, fill="+100")


# ---- the command ----


@pytest.fixture
def files(tmp_path: Path) -> tuple[Path, Path]:
    one = strip()
    path, roster = tmp_path / "boat.log", tmp_path / "tanks.toml"
    path.write_text(log_text(one.frames()))
    roster.write_text(one.roster)
    return path, roster


def test_exit_codes_and_json(files: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, roster = files
    call = ["prove", str(path), "--roster", str(roster), "--tank", "nmea2000.fresh_water.0"]
    marks = ["--fill", "+100/+400", "--drain", "+520/+820"]
    out = tmp_path / "proof.json"
    assert run([*call, *marks, "-o", str(out)]) == 0
    assert "PROVED: Under test (nmea2000.fresh_water.0), 200 L, address 35" in capsys.readouterr().out
    assert run([*call, *marks[:2]]) == 0  # with remarks
    capsys.readouterr()
    assert run(call) == 1
    assert "not filled or drained at a mark" in capsys.readouterr().out
    assert run([*call, "--fill", "noon"]) == 2
    assert run(["prove", str(path)]) == 2
    assert run(["prove", str(tmp_path / "no.log"), "--roster", str(roster)]) == 2
    assert run([*call, "-o", str(tmp_path)]) == 2
    capsys.readouterr()
    assert run([*call, *marks, "--format", "json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document == json.loads(out.read_text())
    assert document["format"] == "canlevel proof"
    assert document["source"] == "boat.log"
    assert document["not_shown"] == NOT_SHOWN
    assert document["canlevel"] == canlevel.__version__
    (tank,) = document["tanks"]
    assert [item["item"] for item in tank["items"]] == list(ITEMS)
    assert tank["movements"][0]["opened_s"] == 100
    assert all(item["evidence"]["frames"] for item in tank["items"] if item["measured"] is not None)


def test_the_text_fits_and_nothing_drives_the_terminal(
    files: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    path, roster = files
    roster.write_text(roster.read_text().replace("Under test", "\\u001b[31mred " + "x" * 200))
    run(
        [
            "prove",
            str(path),
            "--roster",
            str(roster),
            "--fill",
            "fresh_water.0=+100/+400",
            "--drain",
            "fresh_water.0=+520",
        ]
    )
    text = capsys.readouterr().out
    assert "\x1b[31mred" not in text
    assert max(map(len, text.splitlines())) <= 80
    assert NOT_SHOWN[:40] in text.replace("\n", " ")


@pytest.mark.parametrize("fluid", ["fuel", "lpg", "black_water", "grey_water"])
def test_cautions(fluid: str) -> None:
    assert cautions_of(fluid)


def test_cautions_defer_to_local_codes() -> None:
    assert "local codes" in " ".join(cautions_of("fuel"))
    assert "licensed" in " ".join(cautions_of("lpg"))
    assert "local codes" in " ".join(cautions_of("black_water"))


# ---- a person led at a bus ----


def readings(levels: dict[str, float], at_us: int) -> pa.Table:
    """READINGS of one moment."""
    names = list(levels)
    n = len(names)
    columns = {
        "time": time_column(np.full(n, at_us)),
        "tank": dictionary_column(np.arange(n), names),
        "source_address": pa.array([35] * n, pa.uint8()),
        "level_pct": float_column(np.array([levels[name] for name in names])),
    }
    words = {field.name for field in READINGS if pa.types.is_dictionary(field.type)} - {"tank"}
    columns |= {word: dictionary_column(np.zeros(n, np.int64), [None]) for word in words}
    return pa.table(
        [columns[f.name] if f.name in columns else null_column(n, f.type) for f in READINGS], schema=READINGS
    )


FRESH = TankEntry("Fresh water", "fresh_water", 0, capacity_l=200)
GREY = TankEntry("Galley sink", "grey_water", 0, capacity_l=100)
F, G = "nmea2000.fresh_water.0", "nmea2000.grey_water.0"


class Scene:
    """A guide, a clock and levels that the test moves. behind_s: how far the frames' clock is behind this computer's."""

    def __init__(self, *entries: TankEntry, behind_s: float = 0.0, **more: Any) -> None:
        self.guide = Guide(Roster(None, entries), rest_s=30, **more)
        self.levels = {F: 40.0, G: 20.0}
        self.now_s, self.said, self.behind_s = 0.0, [], behind_s  # type: ignore[var-annotated]

    def run(self, seconds: float, key: str = "", **per_s: float) -> str:
        """So much time, with a key at its begin; what was said meanwhile."""
        said = []
        for i in range(round(seconds * 2)):
            self.now_s += 0.5
            for name, rate in per_s.items():
                self.levels[{"fresh": F, "grey": G}[name]] += rate / 2
            stamp = START_US + round((self.now_s - self.behind_s) * 1e6)
            self.guide.hear(readings(self.levels, stamp), START_US + round(self.now_s * 1e6) + 10_000)
            said += self.guide.step([key] if key and not i else [], self.now_s)
        self.said += said
        return "\n".join(said)


@pytest.mark.parametrize("behind_s", [0.0, 7200.0])
def test_led_through_two_tanks(behind_s: float) -> None:
    scene = Scene(FRESH, GREY, behind_s=behind_s)
    assert "Tank 1 of 2: Fresh water, 200 L" in scene.run(1)
    assert "Not yet" in scene.run(5, "\n")
    assert "FILL: open its fill valve" in scene.run(30)
    opened_s = scene.now_s + 0.5
    assert "Enough: +" in scene.run(40, "\n", fresh=0.2)
    assert "Closed after 40 s, +" in scene.run(1, "\n")
    assert "DRAIN" in scene.run(50)
    assert "wrong way" in scene.run(40, "\n", fresh=0.2)
    scene.run(1, "\n")
    assert "Tank 2 of 2: Galley sink" in scene.run(50)
    scene.run(35)
    assert "Not filled: not tested" in scene.run(1, "s")
    assert "That was the last" in scene.run(1, "s")
    assert scene.guide.done
    fill, drain = scene.guide.marks
    assert (fill.entry, fill.kind, drain.kind) == (FRESH, "fill", "drain")
    # On the clock of the frames, give or take what a batch takes to arrive.
    assert fill.opened_us == pytest.approx(START_US + (opened_s - behind_s) * 1e6, abs=0.2e6)
    assert fill.closed_us is not None
    assert (fill.closed_us - fill.opened_us) / 1e6 == pytest.approx(40, abs=0.6)


def test_another_tank_that_moves_is_named_at_once() -> None:
    scene = Scene(FRESH, GREY)
    scene.run(32)
    assert "but Galley sink, nmea2000.grey_water.0, went by +" in scene.run(70, "\n", grey=0.1)


def test_a_tank_that_is_not_heard_is_passed_over_and_an_end_is_an_end() -> None:
    scene = Scene(TankEntry("Oil", "oil", 3), FRESH)
    said = scene.run(22)
    assert "Nothing is heard of it" in said
    assert f"not in the roster: {G}" in said
    assert "Tank 2 of 2" in said
    scene.run(32)
    scene.run(3, "\n")
    assert "Close the valve" in scene.run(1, "q")
    assert scene.guide.done
    assert scene.guide.marks == []


def test_the_guide_speaks_in_the_unit_that_was_asked_for() -> None:
    entry = TankEntry("Bow", "fresh_water", 0, capacity_l=200.0)
    said = Guide(Roster(None, (entry,)), units=VolumeUnit.US_GALLON).step([], 0.0)
    assert said[0].endswith("Bow, 53 US gal")  # 200 L / 3.785411784 L (NIST SP 811)


def test_only_the_tank_that_is_asked_for() -> None:
    assert "Tank 1 of 1: Galley sink" in Scene(FRESH, GREY, tank="grey_water.0").run(1)
    with pytest.raises(QueryError):
        Guide(Roster(None, (FRESH,)), "oil.1")


def _fluid_level(instance: int, fluid: int, level_pct: float) -> WireFrame:
    """PGN 127505 (field lists in published NMEA 2000 equipment manuals), 20 L."""
    raw = round(round(level_pct / 0.4) * 0.4 * 250)
    data = (
        bytes([fluid << 4 | instance]) + raw.to_bytes(2, "little", signed=True) + (200).to_bytes(4, "little") + b"\xff"
    )
    return WireFrame(6 << 26 | 127505 << 8 | 35, data)


def test_a_mark_is_the_moment_of_its_key() -> None:
    """A batch of half a second comes in at once; the key was pressed 0.4 s before."""
    scene = Scene(FRESH)
    scene.run(32)
    host_us = START_US + round((scene.now_s + 0.5) * 1e6)
    scene.levels[F] += 1.0
    late = readings(scene.levels, host_us - 10_000)
    said = led(scene.guide, [("\n", scene.now_s + 0.1)], late, host_us=host_us, now_s=scene.now_s + 0.5)
    assert any("Open. Watching" in sentence for sentence in said)
    opened_s = scene.now_s + 0.1
    scene.now_s += 0.5
    scene.run(20, fresh=0.3)
    closed_us = START_US + round((scene.now_s + 0.5) * 1e6)
    late = readings(scene.levels, closed_us - 10_000)
    led(scene.guide, [("\n", scene.now_s + 0.25)], late, host_us=closed_us, now_s=scene.now_s + 0.5)
    (mark,) = scene.guide.marks
    assert mark.opened_us == START_US + round(opened_s * 1e6)
    assert mark.closed_us == START_US + round((scene.now_s + 0.25) * 1e6)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="pseudo-terminals")
def test_led_on_a_terminal(tmp_path: Path) -> None:
    roster, out = tmp_path / "tanks.toml", tmp_path / "proof.json"
    roster.write_text('[[tank]]\nname = "Fresh"\nfluid = "fresh_water"\ninstance = 0\ncapacity_l = 20\n')
    level, rate = 40.0, 0.0
    master, slave = pty.openpty()
    screen = ""

    def until(done: Callable[[], bool]) -> None:
        nonlocal level, screen
        give_up = time.monotonic() + 60
        while not done():
            assert time.monotonic() < give_up, screen
            level += rate * 0.25
            adapter.send([_fluid_level(0, 1, level)])
            end = time.monotonic() + 0.25
            while (left := end - time.monotonic()) > 0:
                if select.select([master], [], [], left)[0]:
                    screen += os.read(master, 4096).decode("utf-8", "replace")

    with Adapter() as adapter:
        process = subprocess.Popen(
            [sys.executable, "-m", "canlevel", "prove", f"slcan:{adapter.path}", "--roster", str(roster), "--rest", "2",
             "-o", str(out)],
            stdin=slave, stdout=subprocess.DEVNULL, stderr=slave, cwd=ROOT, start_new_session=True,
        )  # fmt: skip
        try:
            until(lambda: "FILL: open" in screen)
            os.write(master, b"\n")
            rate = 2.0
            until(lambda: "Enough" in screen)
            os.write(master, b"\n")
            rate = 0.0
            until(lambda: "DRAIN: open" in screen)
            os.write(master, b"\n")
            rate = -2.0
            until(lambda: screen.count("Enough") == 2)
            os.write(master, b"\n")
            rate = 0.0
            until(lambda: process.poll() is not None)
        finally:
            process.kill()
            os.close(master)
            os.close(slave)
    document = json.loads(out.read_text())
    (tank,) = document["tanks"]
    found = {item["item"]: item["result"] for item in tank["items"]}
    assert document["live"] is True
    assert (found["rises"], found["falls"], found["rest"]) == ("ok", "ok", "not_tested"), tank["reasons"]
    assert tank["verdict"] == "proved with remarks", tank["reasons"]
    assert process.returncode == 0
    assert [mark["kind"] for mark in document["marks"]] == ["fill", "drain"]


def test_a_bus_that_goes_leaves_what_was_proved(tmp_path: Path) -> None:
    """The adapter comes loose after the first tank was filled: that it rose is told, and not lost."""
    roster, out = tmp_path / "tanks.toml", tmp_path / "proof.json"
    roster.write_text('[[tank]]\nname = "Fresh"\nfluid = "fresh_water"\ninstance = 0\n')
    master, slave = pty.openpty()
    screen, level = "", 40.0
    with Adapter() as adapter:
        process = subprocess.Popen(
            [sys.executable, "-m", "canlevel", "prove", f"slcan:{adapter.path}", "--roster", str(roster), "--rest", "2",
             "-o", str(out)],
            stdin=slave, stdout=subprocess.DEVNULL, stderr=slave, cwd=ROOT, start_new_session=True,
        )  # fmt: skip
        os.set_blocking(master, False)
        pressed, give_up = 0, time.monotonic() + 60
        try:
            while process.poll() is None:
                assert time.monotonic() < give_up, screen
                adapter.send([_fluid_level(0, 1, level)])
                level += 0.5 if pressed == 1 else 0.0
                time.sleep(0.25)
                with suppress(BlockingIOError):
                    screen += os.read(master, 4096).decode("utf-8", "replace")
                if (pressed == 0 and "FILL: open" in screen) or (pressed == 1 and "Enough" in screen):
                    os.write(master, b"\n")
                    pressed += 1
                elif pressed == 2 and "DRAIN: open" in screen:
                    break
            adapter.unplug()
            assert process.wait(30) == 0
            with suppress(BlockingIOError):
                screen += os.read(master, 4096).decode("utf-8", "replace")
        finally:
            process.kill()
            os.close(master)
            os.close(slave)
    told = " ".join(screen.split())
    assert "judged is what was heard until then" in told
    assert told.count("gone") == 1
    assert "Next: check the adapter" not in told
    (tank,) = json.loads(out.read_text())["tanks"]
    found = {item["item"]: item["result"] for item in tank["items"]}
    assert (found["rises"], found["falls"], tank["verdict"]) == ("ok", "not_tested", "proved with remarks")


def test_nobody_at_a_terminal(tmp_path: Path) -> None:
    """A live bus without a terminal: as much as can be told by listening, with marks in seconds from its first frame."""
    roster = tmp_path / "tanks.toml"
    roster.write_text('[[tank]]\nname = "Fresh"\nfluid = "fresh_water"\ninstance = 0\n')
    with Adapter(frames_per_s=20) as adapter:
        adapter.send([_fluid_level(0, 1, 40 + i / 8) for i in range(400)])
        call = [
            "prove",
            f"slcan:{adapter.path}",
            "--roster",
            str(roster),
            "--seconds",
            "4",
            "--fill",
            "+1/+2",
            "--format",
            "json",
        ]
        done = subprocess.run(
            [sys.executable, "-m", "canlevel", *call],
            stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False, timeout=60, cwd=ROOT,
        )  # fmt: skip
    assert done.returncode in (0, 1), done.stderr
    (tank,) = json.loads(done.stdout)["tanks"]
    assert next(item for item in tank["items"] if item["item"] == "rises")["result"] == "ok"


def test_a_status_that_comes_later_is_told(tmp_path: Path) -> None:
    one = strip()
    frames = change(one.frames(), one.id, lambda f, n: raw_of(f, 0x7FFF) if n % 3 == 0 else f)
    item = proved(one, frames, tmp_path).tanks[0].item("status")
    assert item.result == "fail"
    assert item.measured == pytest.approx(66.7, abs=1)


def test_volumes_are_told_in_the_users_unit(tmp_path: Path) -> None:
    """1 US gallon is 3.785411784 L (NIST SP 811, appendix B); figures of the JSON stay in litres."""
    one = strip(sender=Sender(0, 0.1))
    (tmp_path / "tank.log").write_text(log_text(one.frames()))
    (tmp_path / "tanks.toml").write_text(one.roster)
    proofs = [
        canlevel.prove(
            tmp_path / "tank.log", roster=tmp_path / "tanks.toml", tank=one.id, units=units, **one.marks
        ).to_dict()
        for units in ("litre", "us-gallon")
    ]
    litres, gallons = ({item["item"]: item for item in proof["tanks"][0]["items"]} for proof in proofs)
    for key in ("rises", "extent", "speed", "rest", "capacity"):
        assert (litres[key]["measured"], litres[key]["unit"]) == (gallons[key]["measured"], gallons[key]["unit"])
        assert " US gal" in gallons[key]["sentence"]
        assert not re.search(r" L\b", gallons[key]["sentence"] + gallons[key]["limit"])
    moved = [
        float(re.findall(r"([0-9.]+) (?:L|US gal)", items["rises"]["sentence"])[-1]) for items in (litres, gallons)
    ]
    assert moved[0] / moved[1] == pytest.approx(3.785411784, rel=0.01)
    told = " ".join(text for _, text in proof_lines(proofs[1], 110, VolumeUnit.US_GALLON))
    assert not re.search(r" L\b|L/", told)


def test_figures_keep_their_digits() -> None:
    from canlevel.words import significant

    figures = [significant(value) for value in (10.0, 9.996, 0.1, 100.0, 1234.0, 0.0, -2.0)]
    assert figures == ["10.0", "10.0", "0.100", "100", "1,230", "0.00", "-2.00"]
    assert significant(10.0, signed=True) == "+10.0"
    assert significant(0.1, 2) == "0.10"


def test_the_rosters_of_the_tests_name_their_tanks() -> None:
    assert "Heads" in ROSTERS["boat"]
