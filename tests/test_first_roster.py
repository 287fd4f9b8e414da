"""A first roster of what is heard: it loads as it is, names every reading, and what a bus says stays in its comments."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from importlib import resources
from pathlib import Path

import pytest
from adapter import Adapter, WireFrame
from conftest import START_US, Result
from hypothesis import given
from hypothesis import strategies as st

import canlevel as library
from canlevel.roster import load_roster
from canlevel.show.first_roster import FLUID_NAMES, LIMITS, first_roster
from canlevel.tables import FLUIDS

CAPTURES = Path(str(resources.files("canlevel.captures")))


def recording(path: Path, frames: list[str], *, rounds: int = 8, channels: tuple[str, ...] = ("can0",)) -> Path:
    """All frames in turn, one every tenth of a second."""
    lines = []
    for number in range(rounds * len(frames)):
        at_us = START_US + number * 100_000
        channel = channels[number % len(frames) % len(channels)]
        lines.append(f"({at_us // 1_000_000:010d}.{at_us % 1_000_000:06d}) {channel} {frames[number % len(frames)]}\n")
    path.write_text("".join(lines))
    return path


@pytest.mark.parametrize("name", ["workboat", "clinic-coach"])
def test_it_loads_at_once_and_names_every_reading(name: str, tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    source, output = CAPTURES / f"{name}.log.gz", tmp_path / "tanks.toml"
    code, said, errors = canlevel("roster", source, "-o", output)
    assert (code, errors) == (0, "")
    entries = load_roster(output).tanks
    assert f"{len(entries)} tanks in {output}" in said
    readings = library.decode(source, roster=output)
    assert readings["name"].notna().all()
    assert len({entry.name for entry in entries}) == len(entries)
    # Those that the shipped roster lists, which was written by hand, are among them.
    shipped = load_roster(CAPTURES / f"{name}.toml").tanks
    assert {(entry.fluid, entry.instance) for entry in entries} >= {(entry.fluid, entry.instance) for entry in shipped}
    assert canlevel("roster", source)[1] == output.read_text(encoding="utf-8")


def test_every_comment_can_be_made_a_line(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    output = tmp_path / "tanks.toml"
    canlevel("roster", CAPTURES / "workboat.log.gz", "-o", output)
    text = output.read_text(encoding="utf-8")
    assert "# capacity_l =   #" in text
    awake = re.sub(
        r"^# (\w+ = \S)", r"\1", text.replace("# capacity_l =   ", "# capacity_l = 80  "), flags=re.MULTILINE
    )
    output.write_text(awake, encoding="utf-8")
    roster = load_roster(output)
    assert roster.vessel == "Harbour workboat"
    assert all(entry.has_limits and entry.capacity_l and entry.shape.kind != "prismatic" for entry in roster.tanks)


def test_the_order_and_what_tells_tanks_apart(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    frames = [
        "19FFB744#12071C1900640064",  # RV-C grey water 18
        "19FFB744#00071C1900640064",  # RV-C fresh water 0
        "18FEFC00#FF80FFFFFFFFFFFF",  # J1939 fuel 1
        "19F21123#10D430D0070000FF",  # NMEA 2000 fresh water 0
        "19F21123#00D430FFFFFFFFFF",  # fuel 0 without a capacity
        "19F21124#11D430D0070000FF",  # fresh water 1, of two devices
        "19F21125#11204ED0070000FF",
        "19F21123#F2D430D0070000FF",  # a fluid that is not available
        "19FFB744#FF071C1900640064",  # RV-C instance 255
        "19F21123#12D4",  # too short, and nothing else of fresh water 2
    ]
    source, output = recording(tmp_path / "boat.log", frames), tmp_path / "tanks.toml"
    code, _, _ = canlevel("roster", source, "-o", output)
    assert code == 0
    text = output.read_text(encoding="utf-8")
    found = [
        (one["name"], one.get("protocol"), one.get("source_address"), one.get("capacity_l"))
        for one in tomllib.loads(text)["tank"]
    ]
    assert found == [
        ("Fuel 0", None, None, None),
        ("Fresh water 0 (NMEA 2000)", "nmea2000", None, 200),
        ("Fresh water 1 (device 36)", None, 36, 200),
        ("Fresh water 1 (device 37)", None, 37, 200),
        ("Fresh water 2", None, None, None),
        ("Unknown fluid 2", None, None, 200),
        ("Fresh water 0 (RV-C)", "rvc", None, 100),
        ("Grey water 18", None, None, 100),
        ("Unknown fluid 255", None, None, 100),
        ("Fuel 1", None, None, None),
    ]
    assert text.count("a fault to mend first") == 2
    assert "in RV-C instance 18 is the second tank of its kind" in text
    assert "255 is what devices send before somebody sets them up" in text
    assert "all its frames were too short" in text
    assert "canlevel explain: nmea2000.fresh_water.1 is sent by 2 devices in turn" in text
    readings = library.decode(source, roster=output)
    assert readings["name"].notna().all()
    load_roster(output)


def test_what_tells_no_tank_has_no_entry(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    source = recording(tmp_path / "boat.log", ["19F21123#", "18FEFC00#FFFFFFFFFFFFFFFF"])
    code, output, errors = canlevel("roster", source, "-o", tmp_path / "tanks.toml")
    assert (code, output) == (1, "")
    assert "no tank was heard" in errors
    assert not (tmp_path / "tanks.toml").exists()


def test_a_file_that_is_there_stays(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    output = tmp_path / "Δεξαμενές.toml"
    output.write_text("mine")
    code, _, errors = canlevel("roster", CAPTURES / "workboat.log.gz", "-o", output)
    assert (code, "--force" in errors, output.read_text()) == (2, True, "mine")
    assert canlevel("roster", CAPTURES / "workboat.log.gz", "-o", output, "--force")[0] == 0
    assert len(load_roster(output).tanks) == 5
    assert [path.name for path in tmp_path.iterdir()] == [output.name]
    for wrong, said in ((tmp_path, "is a folder"), (tmp_path / "no" / "x.toml", "folder is not there")):
        code, _, errors = canlevel("roster", CAPTURES / "workboat.log.gz", "-o", wrong, "--force")
        assert (code, said in errors) == (2, True)
    code, _, errors = canlevel("roster", CAPTURES / "workboat.log.gz", "-o", "/dev/null", "--force")
    assert (code, Path("/dev/null").is_char_device()) == (2, True)


def explanation(device: dict[str, object], **tank: object) -> dict[str, object]:
    told = {
        "tank": "rvc.fuel.3", "protocol": "rvc", "fluid": "fuel", "instance": 3, "source_address": 7, "channel": "c",
        "level_pct": None, "capacity_l": None, "status": "not_available", "period_s": None, "readings": 1, "malformed": 0,
    } | tank  # fmt: skip
    bus = {"frames": 1, "first_time": None, "last_time": None, "heard_seconds": None}
    nobody = {"channel": "c", "source_address": 7, "make": None, "model": None, "installer_text": []}
    return {"bus": bus, "tanks": [told], "findings": [], "devices": [nobody | device]}


@given(model=st.text(), note=st.text(), title=st.text())
def test_nothing_from_the_bus_gets_out_of_a_comment(model: str, note: str, title: str) -> None:
    text = first_roster(explanation({"model": model, "installer_text": [note]}), title)
    document = tomllib.loads(text)
    assert document == {"vessel": {}, "tank": [{"name": "Fuel 3", "fluid": "fuel", "instance": 3}]}
    assert all(
        line.startswith("#") or " = " in line or line in ("", "[vessel]", "[[tank]]") for line in text.split("\n")
    )


def test_a_text_with_newlines_stays_in_its_comment() -> None:
    evil = 'x\n[[tank]]\nname = "evil"\r\x1b[31m\u2028\x85 y'
    text = first_roster(explanation({"model": evil, "installer_text": [evil]}), evil)
    assert len(tomllib.loads(text)["tank"]) == 1
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u2028]", text)


@pytest.mark.parametrize("capacity_l", [0.1, 1234567.8, 429496729.2, 6.5e-7])
def test_capacities_are_numbers_that_toml_knows(capacity_l: float) -> None:
    (tank,) = tomllib.loads(first_roster(explanation({}, capacity_l=capacity_l), "x"))["tank"]
    if capacity_l < 0.05:
        assert "capacity_l" not in tank
    else:
        assert tank["capacity_l"] == pytest.approx(capacity_l)


def test_every_fluid_has_its_words() -> None:
    assert set(FLUID_NAMES) == set(FLUIDS)
    assert set(LIMITS) == set(FLUIDS) - {"unknown"}


def test_two_buses_with_one_tank_each(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    frames = ["19F21123#10D430D0070000FF", "19F21124#10204ED0070000FF"]
    source = recording(tmp_path / "boat.log", frames, channels=("can0", "can1"))
    _, text, _ = canlevel("roster", source)
    assert [one["source_address"] for one in tomllib.loads(text)["tank"]] == [35, 36]
    equal = recording(
        tmp_path / "equal.log", ["19F21123#10D430D0070000FF", "19F21123#10D430D0070000FF"], channels=("a", "b")
    )
    _, text, _ = canlevel("roster", equal)
    assert len(tomllib.loads(text)["tank"]) == 1
    assert "heard on a and b" in text


def test_a_live_bus_is_listened_to(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    output = tmp_path / "tanks.toml"
    with Adapter(frames_per_s=20) as adapter:
        adapter.send([WireFrame(0x19F21123, bytes.fromhex("10D430D0070000FF"))] * 5)
        code, _, _ = canlevel("roster", f"slcan:{adapter.path}", "-o", output, "--seconds", "3")
    assert code == 0
    assert [(entry.name, entry.capacity_l) for entry in load_roster(output).tanks] == [("Fresh water 0", 200)]
    assert output.read_text().startswith(f"# A first roster, of what was heard in slcan:{adapter.path}:\n")
