"""What `explain` finds: every code in a bus with that fault and in no other, pairs of faults, laws, and the command line.

The captures and their faults are in faults.py. What is outside the project: the lengths of frames on the wire by Davis, Burns,
Bril and Lukkien, 2007; the rest are laws, and walks over the frames that are slow and obvious.
"""

from __future__ import annotations

import json
import random
import re
import subprocess
import sys
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from conftest import Result
from faults import (
    BASELINE,
    BASELINE_WITH_ROSTER,
    BLACK_N,
    CASES,
    CHASSIS,
    CLAIM,
    CODES,
    CONTROL,
    DEF_J,
    DIAGNOSTIC,
    EVERYTHING,
    FRESH_N,
    FUEL_GAUGE,
    FUEL_J,
    GREY_N,
    GREY_R,
    HEADING,
    J1939,
    NMEA,
    PRODUCT,
    ROSTERS,
    RVC,
    RVC_DIAGNOSTIC,
    SECONDS,
    START_US,
    TANK_PGNS,
    WATER_MONITOR,
    Case,
    Frames,
    alone,
    capacity_of,
    case,
    change,
    examine_file,
    fast_packet,
    flooded,
    healthy,
    in_time,
    irregular,
    jumping,
    level_of,
    log_text,
    lossy,
    moved_address,
    name_of_device,
    noisy,
    of_another,
    paused,
    pgn_of,
    product_data,
    raw_of,
    resent,
    roster_but,
    send,
    silenced,
    source_of,
    stepped_clock,
    tanks_of,
    two_names,
    without,
)
from hypothesis import given, settings
from hypothesis import strategies as st

import canlevel
from canlevel.capture.candump import Block, frames_table
from canlevel.capture.source import Progress, open_source
from canlevel.capture.tally import Tally
from canlevel.decoding.tanks import TankDecoder
from canlevel.diagnosis import Examination, Explanation
from canlevel.findings.catalogue import CHECKS
from canlevel.findings.checks import Finding, Found, check, examine
from canlevel.findings.evidence import Evidence
from canlevel.findings.listener import Listener
from canlevel.findings.traffic import BACK_US, SILENT_US, Break
from canlevel.roster import Roster
from canlevel.show.findings import explanation_lines
from canlevel.show.rows import TANK_KEYS
from canlevel.simulate import SimulatedFrame
from canlevel.tables import ERROR_FRAME, EXTENDED, FD, REMOTE, column, time_column, times_us, values_of
from canlevel.words import span_words

SEVERITY_ORDER = ["fault", "warning", "info"]
# What is told of an absence has no frames to show; of a silence, or of a minute, no single frame is a sample.
WITHOUT_FRAMES = {"no-traffic", "tank-missing"}
WITHOUT_SAMPLE = {"capture-gap", "clock-step", "bus-overloaded"}


def told(explanation: Explanation) -> set[tuple[str, str | None]]:
    return {(finding.code, finding.tank) for finding in explanation.findings}


def codes(explanation: Explanation) -> set[str]:
    return {finding.code for finding in explanation.findings}


def bad_news(explanation: Explanation) -> set[str]:
    """Codes of faults and warnings."""
    return {finding.code for finding in explanation.findings if finding.severity != "info"}


def found_in(folder: Path, frames: Frames | str, roster: str | None = None) -> Explanation:
    path = folder / "bus.log"
    path.write_text(frames if isinstance(frames, str) else log_text(frames))
    return examine_file(path, roster)


# --- One fault in a healthy bus -------------------------------------------------------------------------------------


@pytest.mark.parametrize("with_roster", [False, True])
@pytest.mark.parametrize("bus", sorted(BASELINE))
def test_a_healthy_bus_has_no_fault_and_no_warning(bus: str, with_roster: bool, tmp_path: Path) -> None:
    explanation = found_in(tmp_path, healthy(bus), ROSTERS[bus] if with_roster else None)
    assert bad_news(explanation) == set()
    assert told(explanation) == (BASELINE_WITH_ROSTER if with_roster else BASELINE)[bus]
    assert not explanation.faulty


@pytest.mark.parametrize("demo", ["workboat", "clinic-coach"])
def test_the_demo_captures_have_no_fault_and_no_warning(demo: str) -> None:
    folder = Path(__file__).parent.parent / "captures"
    explanation = canlevel.explain(folder / f"{demo}.log.gz", roster=folder / f"{demo}.toml")
    assert bad_news(explanation) == set()


def test_every_code_has_a_case_in_each_protocol_it_applies_to() -> None:
    """The codes are the contract's. What a protocol has no room for: see the comments."""
    protocols = {code: {one.protocol for one in CASES if one.code == code} for code in CODES}
    of_the_bus = {"no-traffic", "no-extended-frames", "error-frames", "bus-overloaded", "capture-gap", "frames-dropped",
                  "clock-step", "no-tank-frames"}  # fmt: skip  # the coach has both of its protocols in one recording
    only = {
        "capacity-mismatch": {NMEA, RVC},  # J1939 sends no capacity
        "level-over-range": {NMEA, RVC},  # what J1939 has above 100 % (250) means "no number"
        "resolution-zero": {RVC},  # the only one that divides
        "fluid-suspect": {NMEA},  # the others have no factory default
        "unlisted-instance": {RVC},  # the only one whose instance is the fluid
        "diagnostic-reported": {RVC, J1939},
    }
    for code in CODES:
        assert protocols[code] == ({NMEA, RVC} if code in of_the_bus else only.get(code, {NMEA, RVC, J1939})), code


@pytest.mark.parametrize("one", CASES, ids=lambda one: one.id)
def test_the_fault_is_found_and_no_other(one: Case, tmp_path: Path) -> None:
    """The confusion matrix: besides the infos of the healthy bus, and those that a case lists, nothing else is told."""
    text, explanation = one.examined(tmp_path)
    severity = one.severity or CODES[one.code]
    found = [finding for finding in explanation.findings if finding.code == one.code and _concerns(finding, one)]
    assert found, [finding.summary for finding in explanation.findings]
    finding = found[0]
    assert finding.severity == severity
    others = bad_news(explanation) - ({one.code} if severity != "info" else set())
    assert others == set(), [finding.summary for finding in explanation.findings]
    more = {(code, tank) for code, tank in told(explanation) if code != one.code}
    assert more <= one.baseline | one.also, more
    assert explanation.faulty == (severity == "fault")
    assert finding.next_steps
    assert all(step.strip() for step in finding.next_steps)
    _holds(finding, text)
    _fits_a_screen(explanation, finding)


def _concerns(finding: Finding, one: Case) -> bool:
    return finding.tank in one.tank if isinstance(one.tank, tuple) else finding.tank == one.tank


def _fits_a_screen(explanation: Explanation, finding: Finding) -> None:
    """At the narrowest and lowest a terminal is; one finding in full is never left out, though it may take more rows."""
    lines = [text for _, text in explanation_lines(explanation.to_dict(), "bus.log", 80, 24)]
    assert len(lines) <= 40
    assert all(len(line) <= 80 for line in lines)
    joined = re.sub(r"\s+", "", "".join(lines))  # a line may end within a word, at its hyphen
    assert f"[{finding.code}]" in joined
    # A remark that holds for several tanks is told of one, and names the others.
    named = finding.severity == "info" and finding.tank is not None and finding.tank in joined
    assert re.sub(r"\s+", "", finding.summary) in joined or named


@dataclass(frozen=True)
class Line:
    """A line of a candump log, read apart from the program."""

    time_us: int
    frame: SimulatedFrame
    digits: int

    @classmethod
    def of(cls, text: str) -> Line:
        match = re.fullmatch(r"\((\d+)\.(\d{6})\) (\S+) ([0-9A-F]+)#([0-9A-F]*)", text)
        assert match, text
        time_us = int(match[1]) * 1_000_000 + int(match[2])
        return cls(
            time_us, SimulatedFrame(time_us, match[3], int(match[4], 16), bytes.fromhex(match[5])), len(match[4])
        )


def _holds(finding: Finding, text: str) -> None:
    """The evidence is in the recording: a line that holds a frame of that kind, times within it, a sample that is there."""
    proof, code = finding.proof, finding.code
    if code in WITHOUT_FRAMES:
        assert (proof.frames, proof.first_us, proof.last_us, proof.first_line, proof.sample) == (
            0,
            None,
            None,
            None,
            None,
        )
        return
    lines = text.splitlines()
    assert proof.frames > 0
    assert proof.first_line is not None
    assert 1 <= proof.first_line <= len(lines)
    shown = lines[proof.first_line - 1]
    if code == "frames-dropped":
        assert (proof.sample, proof.first_us, proof.last_us) == (shown, None, None)
        assert shown.startswith("DROPCOUNT: ")
        return
    line = Line.of(shown)
    assert proof.first_us == line.time_us
    assert proof.last_us is not None
    times = [Line.of(lines[at]).time_us for at in (0, -1)]
    if code == "clock-step":  # its times are those on either side of the step, whichever is later
        assert f"({proof.last_us / 1e6:017.6f})" in text
    else:
        assert times[0] <= proof.first_us <= proof.last_us <= times[1]
    assert _is_of_its_kind(finding, line, lines)
    if finding.source_address is not None:
        assert source_of(line.frame) == finding.source_address
    if code in WITHOUT_SAMPLE:
        assert proof.sample is None
    elif line.frame.identifier >> 8 & 0x3FF00 == CONTROL:  # a message of many frames is shown as it was put together
        assert proof.sample == "can1 PGN 0FECA of 3: 04FF6000040561000301"
    else:
        assert proof.sample is not None
        assert f"{proof.sample}\n" in text


def _is_of_its_kind(finding: Finding, line: Line, lines: list[str]) -> bool:
    code, frame = finding.code, line.frame
    if code == "error-frames":
        return bool(frame.identifier & 0x2000_0000)
    if code == "no-extended-frames":
        return line.digits == 3
    if code in ("capture-gap", "clock-step"):  # the last frame before it
        behind = next(
            other.time_us for other in map(Line.of, lines[finding.proof.first_line or 0 :])
            if other.frame.channel == frame.channel
        )  # fmt: skip
        return abs(behind - line.time_us) > SILENT_US
    if code == "bus-overloaded":  # the flood is in the last minute
        return line.time_us >= START_US + 840_000_000
    if code == "no-tank-frames":
        return not tanks_of(frame)
    if code == "other-protocol":  # the same fluid under another protocol
        assert finding.tank is not None
        (there,) = tanks_of(frame)
        return there.split(".")[1] == finding.tank.split(".")[1] and there.split(".")[0] != finding.tank.split(".")[0]
    if code in ("address-conflict", "address-changed") and pgn_of(frame) == CLAIM:
        return True
    if code == "device-went-silent":
        return source_of(frame) == finding.source_address
    if code == "diagnostic-reported":
        return pgn_of(frame) in (RVC_DIAGNOSTIC, DIAGNOSTIC, CONTROL)
    if code == "frame-malformed" and not frame.data:
        return pgn_of(frame) in TANK_PGNS
    return finding.tank in tanks_of(frame)


# --- Evidence counted -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "protocol", "title", "counts"),
    [
        ("level-not-available", NMEA, "later", lambda f: GREY_N in tanks_of(f) and f.data[1:3] == b"\xff\x7f"),
        ("level-not-available", J1939, "for-a-while", lambda f: FUEL_J in tanks_of(f) and f.data[1] == 0xFF),
        ("level-error", RVC, "later", lambda f: pgn_of(f) == 0x1FFB7 and f.data[1] == 0xFE),
        ("level-pinned-full", NMEA, "", lambda f: BLACK_N in tanks_of(f)),
        ("frame-malformed", NMEA, "", lambda f: pgn_of(f) == 127505 and len(f.data) < 8),
        ("frame-malformed", RVC, "nameless", lambda f: pgn_of(f) == 0x1FFB7 and len(f.data) < 8),
        ("error-frames", NMEA, "", lambda f: bool(f.identifier & 0x2000_0000)),
        ("identity-clash", J1939, "", lambda f: FUEL_J in tanks_of(f)),
        ("device-went-silent", NMEA, "", lambda f: source_of(f) == FUEL_GAUGE and f.time_us < START_US + 500_000_000),
        ("diagnostic-reported", RVC, "", lambda f: pgn_of(f) == RVC_DIAGNOSTIC and f.data[2:5] == b"\x12\x34\xa5"),
        ("no-extended-frames", RVC, "", lambda _: True),
        ("no-tank-frames", NMEA, "", lambda _: True),
    ],
)
def test_frames_of_the_evidence_are_those_with_the_fault(
    code: str, protocol: str, title: str, counts: Callable[[SimulatedFrame], bool], tmp_path: Path
) -> None:
    """Counted by a plain walk over the lines: how many, and the times and the line of the first and the last."""
    text, explanation = case(code, protocol, title).examined(tmp_path)
    (finding,) = [finding for finding in explanation.findings if finding.code == code]
    mine = [
        (number, line.time_us) for number, line in enumerate(map(Line.of, text.splitlines()), 1) if counts(line.frame)
    ]
    proof = finding.proof
    assert (proof.frames, proof.first_line, proof.first_us) == (len(mine), *mine[0])
    if code not in ("no-extended-frames", "no-tank-frames"):
        assert proof.last_us == mine[-1][1]


def test_lost_frames_are_counted_as_the_recorder_says(tmp_path: Path) -> None:
    text = case("frames-dropped", NMEA).text()
    explanation = found_in(tmp_path, text)
    lost = [int(number) for number in re.findall(r"DROPCOUNT: dropped (\d+) ", text)]
    (finding,) = [finding for finding in explanation.findings if finding.code == "frames-dropped"]
    assert finding.proof.frames == sum(lost) == explanation.bus["dropped_frames"]


def test_a_report_is_told_in_words(tmp_path: Path) -> None:
    """SPN by the bits: 12 34 A5h, highest byte first, is 37285; FMI 5 a current low or open circuit (J1939-73, from memory)."""
    words = {
        (RVC, ""): ("SPN 37285", "failure mode 5: current low or open circuit", "yellow"),
        (J1939, ""): ("SPN 96", "failure mode 4: voltage too low", "warning"),
        (J1939, "announced"): ("SPN 96", "SPN 97, failure mode 3: voltage too high"),
    }
    for (protocol, title), parts in words.items():
        _, explanation = case("diagnostic-reported", protocol, title).examined(tmp_path)
        (finding,) = [finding for finding in explanation.findings if finding.code == "diagnostic-reported"]
        for part in parts:
            assert part in finding.summary


# --- Two faults -----------------------------------------------------------------------------------------------------

PAIRS = [
    (("level-not-available", NMEA, "later"), ("level-pinned-full", NMEA)),
    (("level-pinned-empty", NMEA), ("tank-went-silent", NMEA)),
    (("instance-flicker", NMEA, "turns"), ("device-went-silent", NMEA)),
    (("identity-clash", NMEA), ("level-error", NMEA)),
    (("address-unclaimed", NMEA, ""), ("level-jumps", NMEA)),
    (("update-slow", NMEA), ("error-frames", NMEA)),
    (("update-irregular", NMEA), ("device-went-silent", NMEA)),
    (("clock-step", NMEA, "seconds"), ("level-pinned-full", NMEA)),
    (("level-over-range", NMEA), ("bus-overloaded", NMEA)),
    (("address-conflict", NMEA), ("frame-malformed", NMEA)),
    (("tank-went-silent", NMEA), ("capture-gap", NMEA)),
    (("level-error", RVC), ("level-not-available", RVC)),
    (("resolution-zero", RVC), ("level-pinned-full", RVC)),
    (("unlisted-instance", RVC), ("level-jumps", RVC)),
    (("diagnostic-reported", RVC), ("level-not-available", RVC, "later")),
    (("identity-clash", RVC), ("device-went-silent", J1939)),
    (("instance-flicker", RVC, "doubled"), ("level-pinned-empty", J1939)),
    (("tank-went-silent", J1939), ("level-jumps", J1939)),
    (("update-irregular", RVC), ("update-slow", J1939)),
    (("clock-step", RVC, "days"), ("device-went-silent", RVC)),
    (("clock-step", RVC, "1970"), ("tank-went-silent", RVC)),
    (("address-unclaimed", RVC), ("capture-gap", RVC)),
    (("frame-malformed", RVC), ("error-frames", RVC)),
    (("level-pinned-full", J1939), ("frames-dropped", RVC)),
]


@pytest.mark.parametrize(("one", "other"), PAIRS, ids=lambda pair: "-".join(pair))
def test_two_faults_are_both_told_and_no_third(one: tuple[str, ...], other: tuple[str, ...], tmp_path: Path) -> None:
    cases = [case(*one), case(*other)]
    # What touches clocks and recordings comes last, as it does on a real bus.
    cases.sort(key=lambda c: c.code in ("clock-step", "capture-gap", "frames-dropped"))
    frames: Frames | str = healthy(cases[0].bus)
    for part in cases:
        assert not isinstance(frames, str)
        frames = part.inject(frames)
    explanation = found_in(tmp_path, frames)
    for part in cases:
        mine = [f for f in explanation.findings if f.code == part.code and _concerns(f, part)]
        assert mine, [finding.summary for finding in explanation.findings]
        assert mine[0].severity == CODES[part.code]
    assert bad_news(explanation) <= {part.code for part in cases}, [f.summary for f in explanation.findings]


def test_two_tanks_with_one_fault_are_two_findings(tmp_path: Path) -> None:
    frames = healthy("boat")
    for tank in (GREY_N, BLACK_N):
        frames = change(frames, tank, lambda frame, _: raw_of(frame, 0x7FFF))
    found = found_in(tmp_path, frames).findings
    assert {finding.tank for finding in found if finding.code == "level-not-available"} == {GREY_N, BLACK_N}


# --- One fault, one finding -----------------------------------------------------------------------------------------


def _dead_and_restarted(frames: Frames) -> Frames:
    """A gateway that stumbles before it dies: off for a minute and a half, on, then off for good."""
    frames = without(frames, lambda f: source_of(f) == FUEL_GAUGE and START_US + 200e6 <= f.time_us < START_US + 290e6)
    return silenced(frames, FUEL_GAUGE, 500.0)


COVERED: list[tuple[str, str, Callable[[Frames], Frames | str], str | None, str, set[str]]] = [
    ("a dead gateway is no irregular tank", "boat", lambda f: silenced(f, FUEL_GAUGE, 500.0), None,
     "device-went-silent", {"update-irregular", "update-slow", "tank-went-silent"}),
    ("a gateway that stumbles and dies", "boat", _dead_and_restarted, None,
     "device-went-silent", {"update-irregular", "tank-went-silent"}),
    ("a dead gateway with the roster", "boat", lambda f: silenced(f, WATER_MONITOR, 300.0), ROSTERS["boat"],
     "device-went-silent", {"update-irregular", "tank-went-silent", "tank-missing"}),
    ("a dead chassis computer", "coach", lambda f: silenced(f, CHASSIS, 300.0, "can1"), None,
     "device-went-silent", {"update-irregular", "tank-went-silent"}),
    ("a tank without a level is not pinned", "boat",
     lambda f: change(change(f, GREY_N, lambda x, _: level_of(x, 100), (0, 450)), GREY_N,
                      lambda x, _: raw_of(x, 0x7FFF), (450, 1e9)), None,
     "level-not-available", {"level-pinned-full", "level-jumps", "tank-went-silent"}),
    ("an error is not pinned", "coach", lambda f: change(f, DEF_J, lambda x, _: raw_of(x, 0xFE)), None,
     "level-error", {"level-pinned-full", "level-over-range"}),
    ("no tank frames: no tank is missing", "boat", lambda f: without(f, lambda x: pgn_of(x) in TANK_PGNS), ROSTERS["boat"],
     "no-tank-frames", {"tank-missing", "other-protocol", "device-went-silent"}),
    ("a silent bus: no tank is missing", "boat", lambda _: [], ROSTERS["boat"], "no-traffic",
     {"tank-missing", "no-tank-frames", "other-protocol"}),
    ("another kind of bus has no tanks", "boat", lambda f: [replace(x, identifier=0x123) for x in f], ROSTERS["boat"],
     "no-extended-frames", {"tank-missing", "no-tank-frames"}),
    ("frames lost by the recorder", "boat", lambda f: lossy(f, 0.4), None,
     "frames-dropped", {"update-irregular", "update-slow", "tank-went-silent"}),
    ("a changed address is no silence", "boat",
     lambda f: moved_address(f, FUEL_GAUGE, 99, 450.0, "can0", claimed=True), None,
     "address-changed", {"tank-went-silent", "device-went-silent", "identity-clash", "address-unclaimed"}),
    ("a changed address that nobody claimed", "boat",
     lambda f: moved_address(f, FUEL_GAUGE, 99, 450.0, "can0", claimed=False), None,
     "address-changed", {"tank-went-silent", "device-went-silent", "identity-clash", "address-unclaimed"}),
    ("two senders in turn are no jumps", "boat",
     lambda f: change(f, GREY_N, lambda x, n: level_of(x, 95.0) if n % 2 else x), None,
     "instance-flicker", {"level-jumps", "update-irregular"}),
    ("out of range is no jump", "boat", lambda f: change(f, GREY_N, lambda x, _: raw_of(x, 32_000), (300, 400)), None,
     "level-over-range", {"level-jumps"}),
    ("short frames are no silence", "boat",
     lambda f: change(f, GREY_N, lambda x, _: replace(x, data=x.data[:2]), (300, 1e9)), None,
     "frame-malformed", {"tank-went-silent", "update-irregular", "level-not-available"}),
    ("short frames are no odd rhythm", "boat",
     lambda f: change(f, GREY_N, lambda x, n: replace(x, data=b"") if n % 4 == 1 else x), None,
     "frame-malformed", {"update-irregular"}),
    ("short frames are no slow rhythm", "coach",
     lambda f: change(f, GREY_R, lambda x, n: replace(x, data=b"") if n % 4 else x), None,
     "frame-malformed", {"update-slow"}),
    ("two devices with one tank, of which one is starved", "boat",
     lambda f: of_another(irregular(f, GREY_N), GREY_N, 5, 77.0, 0.4), None, "identity-clash", {"update-irregular"}),
    ("a tank that fell silent empty is not pinned", "coach",
     lambda f: change(change(f, GREY_R, lambda x, _: level_of(x, 0)), GREY_R, lambda *_: None, (600, 1e9)), None,
     "tank-went-silent", {"level-pinned-empty"}),
    ("on its way out of range it does not jump", "boat",
     lambda f: change(change(f, GREY_N, lambda x, _: level_of(x, 104), (290, 300)), GREY_N,
                      lambda x, _: raw_of(x, 32_000), (300, 400)), None,
     "level-over-range", {"level-jumps"}),
    ("a pause of the recording is no silence", "boat", lambda f: paused(f, 300, 700), None,
     "capture-gap", {"tank-went-silent", "device-went-silent", "update-irregular", "clock-step"}),
    ("a full bus delays its tanks", "boat", lambda f: irregular(flooded(f, 127488, 17, 1100), GREY_N), None,
     "bus-overloaded", {"update-irregular", "update-slow"}),
    ("under another protocol it is not missing", "coach", lambda f: f,
     roster_but("coach", "Washroom", protocol=NMEA, instance=0), "other-protocol", {"tank-missing", "tank-unexpected"}),
    ("a tank that fell silent full is not pinned", "boat",
     lambda f: change(change(f, GREY_N, lambda x, _: level_of(x, 100)), GREY_N, lambda *_: None, (600, 1e9)), None,
     "tank-went-silent", {"level-pinned-full"}),
]  # fmt: skip


@pytest.mark.parametrize(("bus", "inject", "roster", "code", "covered"), [row[1:] for row in COVERED],
                         ids=[row[0] for row in COVERED])  # fmt: skip
def test_one_fault_is_told_once(
    bus: str, inject: Callable[[Frames], Frames | str], roster: str | None, code: str, covered: set[str], tmp_path: Path
) -> None:
    explanation = found_in(tmp_path, inject(healthy(bus)), roster)
    assert code in codes(explanation)
    assert not codes(explanation) & covered
    assert bad_news(explanation) <= {code}, [finding.summary for finding in explanation.findings]


def test_a_device_that_keeps_a_tank_did_not_move(tmp_path: Path) -> None:
    """One of its two tanks goes on elsewhere, then it dies: the tank's move does not hide that."""
    frames = change(healthy("boat"), "nmea2000.fuel.1",
                    lambda x, _: replace(x, identifier=x.identifier & ~0xFF | 5), (300, 1e9))  # fmt: skip
    explanation = found_in(tmp_path, silenced(frames, FUEL_GAUGE, 500.0))
    assert {"address-changed", "device-went-silent"} <= codes(explanation)


# --- How full a bus is ----------------------------------------------------------------------------------------------


def steady(per_s: int, length: int = 8, *, eleven_bits: bool = False, seconds: int = 60) -> str:
    """So many frames a second, evenly, with a tank's level among them every 2.5 s in place of one of them."""
    digits = "123" if eleven_bits else "1CF80111"
    data = "00" * length
    lines = []
    for number in range(per_s * seconds):
        at_us = START_US + number * 1_000_000 // per_s
        lines.append(f"({at_us // 10**6}.{at_us % 10**6:06d}) can0 {digits}#{data}\n")
    return "".join(lines)


# Davis, Burns, Bril, Lukkien 2007 (Real-Time Systems 35): C = g + 8 s + 13 + floor((g + 8 s - 1) / 4) bits, g = 54 for 29-bit
# and 34 for 11-bit identifiers: 160 bits at most for 8 bytes with 29, 80 for none, 135 with 11; 131 without stuff bits.
# 1,100 * 160 / 250,000 = 70.4 %; 1,090 * 160 / 250,000 = 69.76 %; 2,200 * 80 / 250,000 = 70.4 %; 1,290 * 135 = 69.66 %;
# 1,300 * 135 = 70.2 %; 2,200 * 160 / 500,000 = 70.4 %.
@pytest.mark.parametrize(
    ("per_s", "length", "eleven_bits", "bitrate", "load_pct"),
    [
        (1100, 8, False, 250_000, 70.4),
        (1090, 8, False, 250_000, 69.76),
        (2200, 0, False, 250_000, 70.4),
        (1290, 8, True, 250_000, 69.66),
        (1300, 8, True, 250_000, 70.2),
        (1100, 8, False, 500_000, 35.2),
        (2200, 8, False, 500_000, 70.4),
        (2180, 8, False, 500_000, 69.76),
    ],
)
def test_load_of_the_worst_minute(
    per_s: int, length: int, eleven_bits: bool, bitrate: int, load_pct: float, tmp_path: Path
) -> None:
    path = tmp_path / "bus.log"
    path.write_text(steady(per_s, length, eleven_bits=eleven_bits, seconds=20))
    explanation = canlevel.explain(path, bitrate=bitrate)
    (facts,) = explanation.bus["channels"]
    # Told to hundredths; the last frame ends the time that was heard, so that one of 20 * per_s intervals is missing.
    assert facts["worst_minute_load_pct"] == pytest.approx(load_pct, abs=0.011)
    assert ("bus-overloaded" in codes(explanation)) == (load_pct > 70)


def test_load_without_stuff_bits(tmp_path: Path) -> None:
    """131 bits of 8 bytes with a 29-bit identifier: 1,100 * 131 / 250,000 = 57.64 %."""
    path = tmp_path / "bus.log"
    path.write_text(steady(1100, seconds=20))
    (facts,) = canlevel.explain(path).bus["channels"]
    assert facts["worst_minute_load_least_pct"] == pytest.approx(57.64, abs=0.011)


def test_a_bus_that_is_fuller_than_full_runs_at_another_bit_rate(tmp_path: Path) -> None:
    """2,000 * 131 / 250,000 = 104.8 % without one stuff bit cannot be: at 500,000 bit/s it is 52.4 to 64 %."""
    path = tmp_path / "bus.log"
    path.write_text(steady(2000, seconds=20))
    explanation = canlevel.explain(path)
    (facts,) = explanation.bus["channels"]
    assert facts["worst_minute_load_least_pct"] == pytest.approx(52.4, abs=0.011)
    assert facts["worst_minute_load_pct"] == pytest.approx(64.0, abs=0.011)
    assert "bus-overloaded" not in codes(explanation)


def test_the_worst_minute_counts_and_not_the_mean(tmp_path: Path) -> None:
    """Two minutes at 100 and one at 1,100 frames a second: the mean is 27.7 %, the worst minute 70.4 %."""
    text = ""
    for minute, per_s in enumerate((100, 1100, 100)):
        text += re.sub(
            r"^\((\d+)\.", lambda m, minute=minute: f"({int(m[1]) + 60 * minute}.", steady(per_s), flags=re.MULTILINE
        )
    explanation = found_in(tmp_path, text)
    (facts,) = explanation.bus["channels"]
    assert facts["worst_minute_load_pct"] == pytest.approx(70.4, abs=0.011)
    (finding,) = [finding for finding in explanation.findings if finding.code == "bus-overloaded"]
    assert (finding.proof.first_line, finding.proof.frames) == (6001, 66_000)


# --- Close to healthy -----------------------------------------------------------------------------------------------


def _senders(random_: np.random.Generator, at_s: float, leap_s: float, *, missed: bool, timers: int = 6) -> Frames:
    """Ten minutes of messages whose intervals jitter by 2 %, each of a device of its own, and a leap of the recorder's times.

    missed: what the bus said meanwhile is missing; otherwise the clock was set.
    """
    frames = []
    for source in range(timers):
        period_s = [0.05, 0.5, 1.0, 1.0, 2.5, 5.0][source]
        steps = period_s * random_.normal(1, 0.02, round(600 / period_s))
        moments = period_s * random_.uniform() + np.cumsum(steps)
        frames += [send(moment, 65_300 + source, source, bytes(8)) for moment in moments.tolist() if moment < 580]
    frames = in_time(frames)
    return paused(frames, at_s, at_s + leap_s) if missed else stepped_clock(frames, at_s, leap_s)


@pytest.mark.parametrize("leap_s", [11.7, 33.3, 256.8])
def test_a_clock_set_forward_is_told_from_a_pause_by_jittering_senders(leap_s: float, tmp_path: Path) -> None:
    found = Counter[bool]()
    for seed in range(12):
        for missed in (False, True):
            frames = _senders(np.random.default_rng([seed, 3]), 150.0 + 7 * seed, leap_s, missed=missed)
            told_codes = codes(found_in(tmp_path, frames))
            assert ("clock-step" in told_codes) != ("capture-gap" in told_codes)
            found[missed] += "clock-step" in told_codes
    assert found[False] >= 9, found
    assert not found[True]


def test_a_clock_set_is_set_on_all_channels(tmp_path: Path) -> None:
    """One sender alone on the second channel tells nothing; the recorder's clock is the same."""
    frames = _senders(np.random.default_rng(23), 150.0, 33.3, missed=False)
    second = [replace(frame, channel="can1") for frame in frames if source_of(frame) == 1]
    told_codes = codes(found_in(tmp_path, in_time([*frames, *second])))
    assert "clock-step" in told_codes
    assert "capture-gap" not in told_codes


def test_messages_of_one_device_are_one_witness(tmp_path: Path) -> None:
    """After a pause the messages of a device come in the same step as before: they hang on one timer."""
    for seed in range(6):
        random_ = np.random.default_rng([seed, 5])
        rest, began = random_.uniform(0, 1), 40 * random_.uniform()
        sent = in_time(
            send(n + rest + 0.1 * k, 65_300 + k, 7, bytes(8)) for k in range(6) for n in range(3600) if n < began + 900
            or n > began + 900 + 2000
        )  # fmt: skip
        assert "capture-gap" in codes(found_in(tmp_path, sent))


def test_a_gap_names_the_clock_and_how_to_tell(tmp_path: Path) -> None:
    (finding,) = [f for f in found_in(tmp_path, paused(healthy("boat"), 300, 420)).findings if f.code == "capture-gap"]
    assert any("clock" in cause for cause in finding.causes)
    assert any("watch" in step for step in finding.next_steps)


def _on_change(
    level: Callable[[float], float], tick_s: float, least_pct: float, copies: int = 1
) -> list[tuple[float, float]]:
    """(second, level) of a sender that speaks when its level has changed by so much, and every 5 s in any case."""
    said: list[tuple[float, float]] = []
    again = 0
    for n in range(round(SECONDS / tick_s) - 1):
        at_s, new = (n + 0.5) * tick_s, level((n + 0.5) * tick_s)
        news = not said or abs(new - said[-1][1]) >= least_pct
        again = copies if news else again
        if news or again or at_s - said[-1][0] > 4.9:
            said.append((at_s, new if news else said[-1][1]))
            again = max(again - 1, 0)
    return said


@pytest.mark.parametrize("copies", [1, 3])
@pytest.mark.parametrize("least_pct", [0.5, 1.0, 3.0])
@pytest.mark.parametrize("spread_pct", [0.3, 1.0])
def test_who_sends_on_a_change_loses_nothing(spread_pct: float, least_pct: float, copies: int, tmp_path: Path) -> None:
    random_ = np.random.default_rng(17)
    said = _on_change(
        lambda at: round(200 * (50 + 30 * np.sin(at / 97) + random_.normal(0, spread_pct)) / 100) / 2,
        0.5,
        least_pct,
        copies,
    )
    template = next(frame for frame in healthy("coach") if GREY_R in tanks_of(frame))
    frames = without(healthy("coach"), lambda frame: GREY_R in tanks_of(frame))
    frames += [
        replace(template, time_us=START_US + round(at * 1e6), data=bytes([2, round(2 * pct), 200]) + template.data[3:])
        for at, pct in said
    ]
    assert len(said) > 200
    assert "update-irregular" not in codes(found_in(tmp_path, sorted(frames, key=lambda frame: frame.time_us)))


def test_a_key_that_is_turned_is_no_absence(tmp_path: Path) -> None:
    """With the key off two computers are away, and brakes and transmission stay on."""
    frames = alone(healthy("coach"), DEF_J, 24)
    off = without(
        frames,
        lambda f: (
            f.channel == "can1" and source_of(f) in (CHASSIS, 24) and START_US + 300e6 <= f.time_us < START_US + 600e6
        ),
    )
    assert bad_news(found_in(tmp_path, off)) == set()


def test_a_short_recording_tells_a_fast_tank_that_fell_silent(tmp_path: Path) -> None:
    """Silent for 20 s of 40: more than SILENT_S and five of its own periods, if not of its kind's."""
    frames = resent(healthy("coach"), GREY_R, 1.5, noisy(40, 0.3), until_s=20.0)
    assert bad_news(found_in(tmp_path, [f for f in frames if f.time_us < START_US + 40_000_000])) == {
        "tank-went-silent"
    }


def test_who_keeps_an_address_keeps_its_tanks(tmp_path: Path) -> None:
    """A stranger wanted the address, gave way and went to another: what befalls the tanks later is told."""
    stranger = bytes.fromhex("ffffffffffffffff")
    frames = [*healthy("boat"), send(20.0, CLAIM, WATER_MONITOR, stranger), send(20.2, CLAIM, 99, stranger)]
    mine = next(f.data for f in frames if pgn_of(f) == CLAIM and source_of(f) == WATER_MONITOR)
    frames = in_time([*frames, send(20.1, CLAIM, WATER_MONITOR, mine)])
    frames = change(frames, GREY_N, lambda *_: None, (600.0, float("inf")))
    explanation = found_in(tmp_path, frames)
    assert bad_news(explanation) == {"tank-went-silent"}
    assert ("address-changed", None) in told(explanation)


@pytest.mark.parametrize("parts", [36, 48])
def test_waves_in_step_between_two_steps_of_a_coarse_sender_are_no_second_sender(parts: int, tmp_path: Path) -> None:
    """Every other reading is on the next step: so it is with two senders, and with one wave in step with the readings."""
    turn = iter(range(10_000))
    step = 100 / parts
    frames = resent(healthy("boat"), GREY_N, 2.5, lambda _: step * (17 + next(turn) % 2))
    assert "instance-flicker" not in codes(found_in(tmp_path, frames))


def test_waves_that_come_and_go_in_step_with_the_readings_are_no_second_sender(tmp_path: Path) -> None:
    turn, random_ = iter(range(10_000)), np.random.default_rng(19)
    level = lambda at: (  # noqa: E731
        50 + (-1) ** next(turn) * 3 * (0.55 + 0.45 * np.sin(at / 15)) + float(random_.normal(0, 0.2))
    )
    assert bad_news(found_in(tmp_path, resent(healthy("boat"), GREY_N, 2.5, level))) == set()


def test_a_dump_valve_in_waves_does_not_jump(tmp_path: Path) -> None:
    """120 L/min out of 90 L, in waves of 2 %: 11 % from reading to reading, and 15 now and then."""
    level = lambda at: min(95.0, max(8.0, 95 - 2.2 * (at - 300))) + 2 * np.sin(2.1 * at)  # noqa: E731
    frames = change(resent(healthy("coach"), GREY_R, 5.0, level), GREY_R, lambda x, _: capacity_of(x, 90))
    assert bad_news(found_in(tmp_path, frames)) == set()


# --- Laws -----------------------------------------------------------------------------------------------------------


def many_faults(bus: str) -> Frames:
    """Several faults at once, a pause and a clock that was set."""
    titles = {
        "boat": [("level-pinned-full", NMEA), ("instance-flicker", NMEA, "turns"), ("frame-malformed", NMEA, "nameless"),
                 ("address-unclaimed", NMEA, ""), ("device-went-silent", NMEA), ("error-frames", NMEA),
                 ("capture-gap", NMEA)],
        "coach": [("level-error", RVC), ("identity-clash", J1939), ("diagnostic-reported", J1939, "announced"),
                  ("level-jumps", RVC), ("tank-went-silent", J1939), ("clock-step", RVC, "back")],
    }  # fmt: skip
    frames = healthy(bus)
    for title in titles[bus]:
        changed = case(*title).inject(frames)
        assert not isinstance(changed, str)
        frames = changed
    return frames


class Cut:
    """A source that hands out the same frames, cut anywhere."""

    def __init__(self, frames: pa.Table, sizes: Iterator[int]) -> None:
        self.tally, self.live, self.several = Tally(), False, False
        self._frames, self._sizes = frames, sizes

    def batches(self, pgns: Any = None) -> Iterator[pa.Table]:
        assert pgns is None
        at = 0
        while at < len(self._frames):
            size = next(self._sizes)
            yield self._frames.slice(at, size)
            at += size

    def progress(self) -> Progress:
        raise AssertionError("nobody asked")

    def stop(self) -> None: ...

    def close(self) -> None: ...


def examined_in_pieces(frames: pa.Table, sizes: Iterator[int], roster: Roster) -> dict[str, Any]:
    return Examination(Cut(frames, sizes), roster, TankDecoder(), 250_000).run().explain().to_dict()


def same_up_to_rounding(one: Any, other: Any) -> bool:
    """Equal but for the last digits of numbers that are sums in another order."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(same_up_to_rounding(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(same_up_to_rounding, one, other))
    if isinstance(one, float) and isinstance(other, float):
        return one == pytest.approx(other, rel=1e-9, abs=1e-12)
    return bool(one == other)


def table_of(folder: Path, frames: Frames) -> pa.Table:
    path = folder / "bus.log"
    path.write_text(log_text(frames))
    source = open_source(path)
    try:
        return pa.concat_tables(list(source.batches())).unify_dictionaries().combine_chunks()
    finally:
        source.close()


@pytest.mark.parametrize("bus", ["boat", "coach"])
def test_findings_do_not_depend_on_how_the_recording_is_cut(bus: str, tmp_path: Path) -> None:
    frames = table_of(tmp_path, many_faults(bus))
    whole = examined_in_pieces(frames, iter([len(frames)]), Roster())
    assert len(whole["findings"]) >= 6
    for seed in range(4):
        random_ = random.Random(seed)
        most = random_.choice([200, 3000, 15_000])
        cut = examined_in_pieces(frames, iter(lambda: random_.randint(0, most), -1), Roster())  # noqa: B023
        assert same_up_to_rounding(cut, whole), seed
        assert json.dumps(cut["findings"]) == json.dumps(whole["findings"]), seed


def test_findings_do_not_depend_on_cuts_behind_every_frame(tmp_path: Path) -> None:
    """The edge of that law: batches of one frame, with a bus as dense at its end as a recording's begin."""
    frames = table_of(tmp_path, many_faults("coach"))
    part = pa.concat_tables([frames.slice(0, 900), frames.slice(12_000, 600)]).combine_chunks()
    whole = examined_in_pieces(part, iter([len(part)]), Roster())
    assert same_up_to_rounding(examined_in_pieces(part, iter(lambda: 1, 0), Roster()), whole)


def shifted_times(document: Any, by_us: int) -> Any:
    """A document of to_dict() with all its times moved, also those in sentences."""
    text = json.dumps(document)

    def moved(match: re.Match[str]) -> str:
        zone = match["zone"]
        at = np.datetime64(f"{match['date']}T{match['clock']}", "us") + np.timedelta64(by_us, "us")
        whole = str(at)
        return f"{whole}Z" if zone == "Z" else f"{whole[:10]} {whole[11:19]} UTC"

    pattern = r"(?P<date>\d{4}-\d\d-\d\d)[T ](?P<clock>\d\d:\d\d:\d\d(?:\.\d{6})?)(?P<zone>Z| UTC)"
    return json.loads(re.sub(pattern, moved, text))


@pytest.mark.parametrize("bus", ["boat", "coach"])
def test_another_day_changes_nothing_but_times(bus: str, tmp_path: Path) -> None:
    """By whole minutes, as loads are those of the clock's minutes; by 100 days and 47 minutes."""
    by_us = 100 * 86_400_000_000 + 47 * 60_000_000
    frames = many_faults(bus)
    now = found_in(tmp_path, frames).to_dict()
    then = found_in(tmp_path, [replace(frame, time_us=frame.time_us + by_us) for frame in frames]).to_dict()
    assert now["findings"]
    assert now != then
    assert same_up_to_rounding(then, shifted_times(now, by_us))


@pytest.mark.parametrize("bus", ["boat", "coach"])
def test_another_name_of_the_channel_changes_nothing_but_the_name(bus: str, tmp_path: Path) -> None:
    names = {"can0": "vcan7", "can1": "a"}
    frames = many_faults(bus)
    now = found_in(tmp_path, frames).to_dict()
    renamed = found_in(tmp_path, [replace(frame, channel=names[frame.channel]) for frame in frames]).to_dict()
    text = re.sub(r"\bcan([01])\b", lambda match: names[match[0]], json.dumps(now))
    assert same_up_to_rounding(renamed, json.loads(text))


def test_times_that_count_from_zero_change_nothing_but_times(tmp_path: Path) -> None:
    """The same findings on the same lines; times are not known, and where they stand in a sentence they count seconds."""
    for bus in ("boat", "coach"):
        frames = [frame for frame in many_faults(bus) if pgn_of(frame) != 126992]
        # The clock that goes back would fall below zero.
        frames = [frame for frame in frames if frame.time_us >= START_US]
        dated = found_in(tmp_path, frames).to_dict()
        undated = found_in(tmp_path, [replace(f, time_us=f.time_us - START_US) for f in frames]).to_dict()
        assert dated["findings"]
        for one, other in zip(dated["findings"], undated["findings"], strict=True):
            assert other["evidence"]["first_time"] is None
            assert other["evidence"]["last_time"] is None
            for finding in (one, other):
                finding["evidence"] |= {"first_time": None, "last_time": None}
                finding["summary"] = re.sub(
                    r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d UTC|\b\d+\.\d s(?= on)", "", finding["summary"]
                )
            assert one == other


def test_the_order_of_the_checks_does_not_matter(tmp_path: Path) -> None:
    for bus in ("boat", "coach"):
        path = tmp_path / f"{bus}.log"
        path.write_text(log_text(many_faults(bus)))
        forward = canlevel.explain(path, roster=_roster_file(tmp_path, bus))
        shuffled = list(CHECKS)
        random.Random(1).shuffle(shuffled)
        for checks in (CHECKS[::-1], shuffled):
            other = canlevel.explain(path, roster=_roster_file(tmp_path, bus), checks=checks)
            assert Counter(other.findings) == Counter(forward.findings)
            severities = [SEVERITY_ORDER.index(finding.severity) for finding in other.findings]
            assert severities == sorted(severities)


def _roster_file(folder: Path, bus: str) -> Path:
    path = folder / f"{bus}.toml"
    path.write_text(ROSTERS[bus])
    return path


def test_standard_input_gives_the_same(tmp_path: Path) -> None:
    path = tmp_path / "bus.log"
    path.write_text(log_text(many_faults("boat")))
    piped = subprocess.run(
        [sys.executable, "-m", "canlevel", "explain", "-", "--format", "json"],
        stdin=path.open("rb"), capture_output=True, check=False,
    )  # fmt: skip
    assert piped.returncode == 1
    explained = canlevel.explain(path).to_dict()
    assert same_up_to_rounding(json.loads(piped.stdout), explained)
    assert json.loads(piped.stdout)["findings"] == explained["findings"]


# --- The listener against a plain walk ------------------------------------------------------------------------------

ROW = st.tuples(
    # A second is within a rhythm, 2 s the limit of a silence, -1 s that of a clock set back.
    st.sampled_from([0, 1000, 999_999, 2_000_000, 2_000_001, 90_000_000, -1_000_001, -3_600_000_000]),
    st.sampled_from(["can0", "can0", "can1"]),
    st.sampled_from([0x19F21123, 0x09F80101, 0x19FFB744, 0x123]),
    st.sampled_from([EXTENDED, EXTENDED, EXTENDED, 0, REMOTE | EXTENDED, ERROR_FRAME, FD | EXTENDED]),
    st.integers(0, 8),
)
Row = tuple[int, str, int, int, int]


def frames_of(rows: list[Row], first: int) -> pa.Table:
    """FRAMES of (time, channel, identifier, flags, length); first: number of the first."""
    block = Block.sized(len(rows))
    names = sorted({row[1] for row in rows})
    for i, (at, name, identifier, flags, length) in enumerate(rows):
        block.time_us[i], block.channel[i] = at, names.index(name)
        block.identifier[i], block.flags[i], block.length[i] = identifier, flags, length
        block.line[i] = first + i + 1
    return frames_table(block, names, time_column(block.time_us))


@dataclass
class Walk:
    """One channel, walked through frame by frame. breaks: (number, before, after, lines) of frames behind a break."""

    breaks: list[Break]
    of: dict[
        tuple[int, bool], list[tuple[int, int, int]]
    ]  # (number, time, length) by identifier and whether of 29 bits


def walk(rows: list[Row]) -> dict[str, Walk]:
    """Everything that is asked of a Listener, slowly."""
    found: dict[str, Walk] = {}
    latest: dict[str, tuple[int, int]] = {}
    for number, (at, name, identifier, flags, length) in enumerate(rows):
        here = found.setdefault(name, Walk([], {}))
        if name in latest:
            before, line = latest[name]
            if at - before > SILENT_US or at - before < -BACK_US:
                here.breaks.append(Break(before, at, number, line, number + 1))
        latest[name] = (at, number + 1)
        if not flags & (REMOTE | ERROR_FRAME | FD):
            here.of.setdefault((identifier, bool(flags & EXTENDED)), []).append((number, at, length))
    return found


@settings(max_examples=150)
@given(
    st.lists(ROW, max_size=40), st.lists(st.integers(1, 9), min_size=1, max_size=5), st.randoms(use_true_random=False)
)
def test_a_listener_hears_what_a_plain_walk_does(steps: list[Row], cuts: list[int], random_: random.Random) -> None:
    at, rows, latest = START_US, [], {}
    for step, name, *rest in steps:
        at += step
        # Frames out of order by less than a second can hide a silence of two in an interval of ordinary length, which the
        # listener then counts as one; so small a step back is left out here.
        if 0 < latest.get(name, at) - at <= BACK_US:
            at = latest[name]
        latest[name] = at
        rows.append((at, name, *rest))
    listener, begin, turn = Listener([127505]), 0, 0
    while begin < len(rows):
        size = cuts[turn % len(cuts)]
        listener.add(frames_of(rows[begin : begin + size], begin))
        begin, turn = begin + size, turn + 1
    expected = walk(rows)
    assert set(listener.traffic.channels()) == set(expected)
    for name, mine in expected.items():
        assert listener.traffic.breaks(name) == mine.breaks
        pairs = [(key, a, b) for key, heard in mine.of.items() for a, b in pairwise(heard)]
        leaps = listener.leaps(name)
        keys = [(key & 0x1FFF_FFFF, bool(key >> 31)) for key in listener.traffic.keys(name).tolist()]
        columns = (leaps.sender, leaps.before_us, leaps.before, leaps.after_us, leaps.after)
        assert Counter(
            (keys[sender - 1], *rest) for sender, *rest in zip(*(c.tolist() for c in columns), strict=True)
        ) == (Counter((key, a[1], a[0], b[1], b[0]) for key, a, b in pairs if _broken(a, b, mine.breaks)))
        # A silence that belongs to the bus's rhythm is put back; a clock that was set never is.
        taken = [found for found in mine.breaks if found.after_us < found.before_us or random_.random() < 0.5]
        senders = listener.senders(name, taken)
        assert [(sender.identifier, sender.pgn is not None) for sender in senders] == keys
        assert set(keys) == set(mine.of)
        for sender, key in zip(senders, keys, strict=True):
            heard = mine.of[key]
            between = [max(b[1] - a[1], 0) / 1e6 for a, b in pairwise(heard) if not _broken(a, b, taken)]
            assert (sender.frames, sender.intervals, sender.data_bytes) == (
                len(heard),
                len(between),
                sum(h[2] for h in heard),
            )
            assert (sender.first_us, sender.last_us, sender.last_number) == (heard[0][1], heard[-1][1], heard[-1][0])
            assert sender.first.first_line == heard[0][0] + 1
            assert sender.mean_s == pytest.approx(np.mean(between) if between else 0.0)
            assert sender.spread_s == pytest.approx(np.std(between) if between else 0.0, abs=1e-3)
            assert sender.longest_s == pytest.approx(max(between, default=0.0))
    kept = listener.hand_out()
    wanted = [
        number for number, row in enumerate(rows)
        if row[2] >> 8 & 0x3FFFF == 127505 and row[3] == EXTENDED
    ]  # fmt: skip
    assert kept.number.tolist() == wanted
    assert times_us(kept.frames).tolist() == [rows[number][0] for number in wanted]
    assert values_of(kept.frames.column("line")).tolist() == [number + 1 for number in wanted]
    errors = [number for number, row in enumerate(rows) if row[3] & ERROR_FRAME]
    assert listener.errors.frames == len(errors)
    assert listener.errors.first_line == (errors[0] + 1 if errors else None)


def _broken(one: tuple[int, int, int], other: tuple[int, int, int], breaks: list[Break]) -> bool:
    return any(one[0] < found.number <= other[0] for found in breaks)


# --- The catalogue --------------------------------------------------------------------------------------------------


def test_the_catalogue_has_the_codes_of_the_contract_and_no_others() -> None:
    assert {one.code: one.severity for one in CHECKS} == CODES
    assert len(CHECKS) == len(CODES)


@pytest.mark.parametrize("one", CHECKS, ids=lambda one: one.code)
def test_every_check_says_why_and_what_to_do(one: Any) -> None:
    assert one.causes
    assert one.next_steps
    assert one.look.__doc__
    for text in (*one.causes, *one.next_steps):
        assert text == text.strip()
        assert not text.endswith(".")
    assert set(one.told_by) <= set(CODES)
    assert one.code not in one.told_by


# Words of a step that has hands on wires; "plug" is one that is pulled out, "supply" one that is measured.
WIRE_WORDS = re.compile(r"\b(wires?|wiring|plugs?|unplug|ohm|supply|cable|terminators?|contact)\b")


@pytest.mark.parametrize("one", CHECKS, ids=lambda one: one.code)
def test_steps_that_touch_wires_carry_the_caution(one: Any) -> None:
    """Supply off, licensed trades first; where only a device is unplugged, not while under way."""
    steps = " ".join(one.next_steps)
    if WIRE_WORDS.search(steps):
        only_unplugs = set(WIRE_WORDS.findall(steps)) <= {"unplug"}
        assert "supply off" in one.caution or (only_unplugs and "under way" in one.caution)
    if "supply off" in one.caution:
        assert "licensed" in one.caution


@pytest.mark.parametrize(("tank", "words"), [
    (BLACK_N, "hygiene"), ("nmea2000.fuel.1", "no safety device"), (FUEL_J, "no safety device"),
])  # fmt: skip
def test_cautions_of_what_a_tank_holds(tank: str, words: str, tmp_path: Path) -> None:
    frames = change(healthy("coach" if tank == FUEL_J else "boat"), tank,
                    lambda x, _: raw_of(x, 0xFE if tank == FUEL_J else 0x7FFE))  # fmt: skip
    (finding,) = [finding for finding in found_in(tmp_path, frames).findings if finding.code == "level-error"]
    assert words in finding.caution
    assert "supply off" in finding.caution


@check("night-load", "warning", next_steps=("find out who uses water at night",), causes=("a tap that drips",))
def night_load(evidence: Evidence) -> Iterator[Found]:
    """Does a tank fall, however slowly? A check as anybody may add one."""
    for tank in evidence.tanks:
        level = tank.level_pct[tank.numbers_known]
        if len(level) > 10 and level[-1] < level[0] - 5:
            yield Found(f"{tank.name} fell by {level[0] - level[-1]:.0f} %", tank.proof(), (tank,))


def test_a_check_of_ones_own(tmp_path: Path) -> None:
    path = tmp_path / "bus.log"
    path.write_text(case("coarse-steps", NMEA).text())
    explanation = canlevel.explain(path, checks=[*CHECKS, night_load])
    (finding,) = [finding for finding in explanation.findings if finding.code == "night-load"]
    assert (finding.tank, finding.source_address, finding.severity) == (GREY_N, WATER_MONITOR, "warning")
    assert finding.next_steps == ("find out who uses water at night",)
    assert set(explanation.findings) - {finding} == set(canlevel.explain(path).findings)
    assert [found.code for found in canlevel.explain(path, checks=[night_load]).findings] == ["night-load"]


def test_a_check_may_be_told_by_another(tmp_path: Path) -> None:
    path = tmp_path / "bus.log"
    path.write_text(case("coarse-steps", NMEA).text())
    quiet = replace(night_load, told_by=("coarse-steps",))
    for checks in ([quiet, *CHECKS], [*CHECKS, quiet]):
        assert "night-load" not in codes(canlevel.explain(path, checks=checks))


def test_nothing_to_examine_is_nothing_found() -> None:
    """Checks that are not asked find nothing, on any evidence."""
    heard = Examination(Cut(frames_of([], 0), iter(())), Roster(), TankDecoder(), 250_000).run()
    assert examine(heard.evidence, []) == []
    assert [finding.code for finding in heard.explain().findings] == ["no-traffic"]


# --- The command line -----------------------------------------------------------------------------------------------

Command = Callable[..., Result]


@pytest.fixture
def boat(tmp_path: Path) -> Path:
    path = tmp_path / "boat.log"
    path.write_text(log_text(healthy("boat")))
    return path


def write(folder: Path, frames: Frames | str) -> Path:
    path = folder / "bus.log"
    path.write_text(frames if isinstance(frames, str) else log_text(frames))
    return path


def test_exit_codes(boat: Path, tmp_path: Path, canlevel: Command) -> None:
    """1 with a fault; 0 with warnings and infos only, and with nothing."""
    assert canlevel("explain", boat)[0] == 0
    assert canlevel("explain", boat, "--format", "json")[0] == 0
    for title, code in ((("level-error", NMEA), 1), (("level-jumps", NMEA), 0), (("coarse-steps", NMEA), 0)):
        path = write(tmp_path, case(*title).text())
        assert canlevel("explain", path)[0] == code
        assert canlevel("explain", path, "--format", "json")[0] == code


def test_wrong_input_is_told_with_exit_code_2(boat: Path, tmp_path: Path, canlevel: Command) -> None:
    prose, broken = tmp_path / "letter.txt", tmp_path / "broken.toml"
    prose.write_text("Dear shipyard,\nthe grey tank is not there.\n" * 40)
    broken.write_text('[[tank]]\nname = "Fresh"\nfluid = "lemonade"\ninstance = 0\n')
    calls = [
        ("explain", tmp_path / "nowhere.log"),
        ("explain", prose),
        ("explain", boat, "--roster", broken),
        ("explain", boat, "--roster", tmp_path / "nowhere.toml"),
        ("explain", boat, "--format", "xml"),
        ("explain",),
    ]
    for words in calls:
        code, output, errors = canlevel(*words)
        assert code == 2, words
        assert output == ""
        assert errors


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("empty.log", ""),
        ("blank.log", "\n\n"),
        ("empty.asc", "date Fri May 1 08:00:00.000 2026\nbase hex  timestamps absolute\nno internal events logged\n"),
        ("header.csv", "timestamp,arbitration_id,extended,remote,error,dlc,data\n"),
    ],
)
def test_a_recording_of_nothing_is_a_silent_bus(name: str, content: str, tmp_path: Path, canlevel: Command) -> None:
    path = tmp_path / name
    path.write_text(content)
    code, output, _ = canlevel("explain", path, "--format", "json")
    assert code == 1
    document = json.loads(output)
    assert [finding["code"] for finding in document["findings"]] == ["no-traffic"]
    assert (document["bus"]["frames"], document["tanks"], document["devices"]) == (0, [], [])
    assert "supply off" in document["findings"][0]["caution"]


FINDING_KEYS = ["code", "severity", "tank", "source_address", "summary", "evidence", "causes", "next_steps", "caution"]
EVIDENCE_KEYS = ["frames", "first_time", "last_time", "first_line", "sample"]


def test_json_has_the_keys_of_the_contract(tmp_path: Path, canlevel: Command) -> None:
    path = write(tmp_path, many_faults("boat"))
    code, output, _ = canlevel("explain", path, "--roster", _roster_file(tmp_path, "boat"), "--format", "json")
    assert code == 1
    document = json.loads(output)
    assert list(document) == ["bus", "tanks", "devices", "findings"]
    for finding in document["findings"]:
        assert list(finding) == FINDING_KEYS
        assert list(finding["evidence"]) == EVIDENCE_KEYS
        assert finding["severity"] in SEVERITY_ORDER
        assert isinstance(finding["causes"], list)
        assert isinstance(finding["next_steps"], list)
        for moment in (finding["evidence"]["first_time"], finding["evidence"]["last_time"]):
            assert re.fullmatch(r"2026-05-01T08:\d\d:\d\d\.\d{6}Z", moment)
    for tank in document["tanks"]:
        assert set(tank) < set(TANK_KEYS)
        assert {"tank", "level_pct", "capacity_l", "status", "period_s", "step_pct"} <= set(tank)
    severities = [SEVERITY_ORDER.index(finding["severity"]) for finding in document["findings"]]
    assert severities == sorted(severities)
    assert {tank["tank"] for tank in document["tanks"]} >= {GREY_N, BLACK_N}
    assert {device["source_address"] for device in document["devices"]} >= {FUEL_GAUGE, WATER_MONITOR}


def ten_faults(folder: Path) -> tuple[Path, Path]:
    """(recording, roster) with ten faults and warnings and more."""
    frames = many_faults("boat")
    frames = change(frames, "nmea2000.fuel.0", lambda x, _: raw_of(x, 32_000))
    frames = change(frames, "nmea2000.fuel.1", lambda x, _: raw_of(x, 0x7FFE))
    frames = two_names(jumping(frames, FRESH_N, 6.0), FUEL_GAUGE, "can0", 4)
    roster = folder / "boat.toml"
    spare = f'name = "{"A tank with a long name " * 9}"\nfluid = "live_well"\ninstance = 7\nprotocol = "nmea2000"'
    roster.write_text(f"{ROSTERS['boat']}[[tank]]\n{spare}\n[[tank]]\n{spare.replace('7', '8')}\n")
    return write(folder, frames), roster


def test_the_piped_text_has_all_of_it_the_worst_first(tmp_path: Path, canlevel: Command) -> None:
    """Each finding with every cause and step, though twice the same only once; faults before warnings before remarks."""
    path, roster = ten_faults(tmp_path)
    code, output, _ = canlevel("explain", path, "--roster", roster)
    assert code == 1
    found = re.findall(r"^(FAULT|WARNING|INFO) ", output, re.MULTILINE)
    assert sum(head != "INFO" for head in found) >= 10
    assert found == sorted(found, key=["FAULT", "WARNING", "INFO"].index)
    explanation = examine_file(path, roster.read_text())
    assert len(found) == len(explanation.findings)
    # A line may end within a code, at its hyphen.
    joined = re.sub(r"\s+", "", output).lower()
    assert all(f"[{finding.code}]" in joined for finding in explanation.findings)
    assert all(
        re.sub(r"\s+", "", words).lower() in joined
        for finding in explanation.findings for words in (*finding.causes, *finding.next_steps)
    )  # fmt: skip
    assert "as for the one above" in output.lower()
    assert "supply off" in re.sub(r"\s+", " ", output)
    assert "…" in output
    assert max(map(len, output.splitlines())) <= 80


def heads(lines: list[str]) -> int:
    return sum(line.startswith(("FAULT ", "WARNING ", "INFO ")) for line in lines)


@pytest.mark.parametrize(("width", "height"), [(80, 22), (110, 58), (60, 22), (100, 30)])
def test_the_worst_finding_fits_a_screen_with_its_first_step(width: int, height: int, tmp_path: Path) -> None:
    """A terminal of 80 by 24, less the prompt's lines: the worst in full, what has no room counted, the caution below."""
    path, roster = ten_faults(tmp_path)
    document = examine_file(path, roster.read_text()).to_dict()
    while document["findings"]:
        lines = [text for _, text in explanation_lines(document, "bus.log", width, height)]
        assert len(lines) <= height
        assert max(map(len, lines)) <= width
        worst = document["findings"][0]
        if worst["severity"] != "info":
            text = re.sub(r"\s+", "", "".join(lines)).lower()
            assert f"[{worst['code']}]" in text
            assert re.sub(r"\s+", "", worst["next_steps"][0]).lower() in text
            assert re.sub(r"\s+", "", worst["caution"]).lower() in text
        counted = next((line for line in lines if re.match("and .* more: ", line)), "")
        everything = [text for _, text in explanation_lines(document, "bus.log", width, None)]
        assert heads(lines) + sum(map(int, re.findall(r"\d+", counted))) == heads(everything)
        del document["findings"][0]


@pytest.mark.parametrize("one", CASES, ids=lambda one: one.id)
def test_one_finding_fits_a_small_screen(one: Case, tmp_path: Path) -> None:
    path = write(tmp_path, one.text())
    lines = explanation_lines(examine_file(path, one.roster).to_dict(), "bus.log", 80, 22)
    assert len(lines) <= 22
    assert max(len(text) for _, text in lines) <= 80


def cut(frames: Frames, seconds: float) -> Frames:
    return [frame for frame in frames if frame.time_us - START_US < seconds * 1e6]


def test_a_short_recording_says_what_it_cannot_tell(tmp_path: Path, canlevel: Command) -> None:
    """By the checks' own needs: silence wants 30 s, a rhythm a minute, a pinned level the five minutes of its definition."""
    wanted = {
        "instance-flicker": 30.0, "tank-went-silent": 30.0, "device-went-silent": 30.0,
        "update-slow": 60.0, "update-irregular": 60.0, "level-pinned-full": 300.0, "level-pinned-empty": 300.0,
    }  # fmt: skip
    for seconds, left in ((10, wanted), (45, {k: v for k, v in wanted.items() if v > 45}), (899, {})):
        path = write(tmp_path, cut(healthy("boat"), seconds))
        document = examine_file(path, None).to_dict()
        assert {one["code"]: one["needs_seconds"] for one in document["bus"]["not_checked"]} == left
        assert document["bus"]["heard_seconds"] == pytest.approx(seconds, abs=1)
        code, output, _ = canlevel("explain", path)
        said = re.sub(r"\s+", " ", output)
        assert code == 0
        assert ("Nothing is wrong that a listener can hear." in said) == (seconds >= 30)
        assert ("too little to say that all is well" in said) == (seconds < 30)
        assert ("But not" in said) == bool(left)
        assert all(word in said for word in left)
        assert ("for 5 min" in said) == bool(left)
    # Beside a fault it is said in a sentence.
    path = write(tmp_path, cut(change(healthy("boat"), GREY_N, lambda x, _: raw_of(x, 0x7FFF)), 45))
    assert "4 kinds of finding cannot be told; 5 min do for all" in canlevel("explain", path)[1]


def test_no_tank_in_a_short_recording_is_to_listen_for_longer_first(tmp_path: Path, canlevel: Command) -> None:
    """A bus that is being switched on: no tank in its first 15 seconds proves nothing, and the first step says so."""
    silent = without(healthy("boat"), lambda frame: bool(tanks_of(frame)))
    for seconds, short in ((15, True), (120, False)):
        path = write(tmp_path, cut(silent, seconds))
        (finding,) = examine_file(path, None).findings
        assert (finding.code, finding.severity) == ("no-tank-frames", "fault")
        assert f"in {seconds} s" in finding.summary or "in 2 min" in finding.summary
        assert finding.next_steps[0].startswith("listen for longer") == short
        missing = examine_file(
            write(tmp_path, cut(healthy("boat"), seconds)), roster_but("boat", "Galley sink", instance=9)
        )
        (finding,) = [finding for finding in missing.findings if finding.code == "tank-missing"]
        assert finding.next_steps[0].startswith("listen for longer") == short
    code, output, _ = canlevel("explain", write(tmp_path, cut(silent, 15)))
    assert code == 1
    assert output.index("Listen for longer") < output.index("Run canlevel devices")


@pytest.mark.parametrize("command", ["explain", "devices", "tanks", "decode", "flows"])
def test_seconds_of_a_recording_are_told_to_count_for_nothing(command: str, boat: Path, canlevel: Command) -> None:
    code, output, errors = canlevel(command, boat, "--seconds", "5")
    assert (code, output) == canlevel(command, boat)[:2]
    assert errors.count("--seconds is how long to listen") == 1


def test_nothing_to_report_is_said(boat: Path, tmp_path: Path, canlevel: Command) -> None:
    code, output, _ = canlevel("explain", boat, "--roster", _roster_file(tmp_path, "boat"))
    assert code == 0
    said = re.sub(r"\s+", " ", output)
    assert "Nothing is wrong that a listener can hear." in said
    assert "Checked" in said
    assert "60 ohm" in said
    assert not re.search(r"^(FAULT|WARNING|INFO)", output, re.MULTILINE)


HOSTILE = "Tank \\u001B[31mred\\u0007\\u202Ekcab\\u0085\\u2028end"


def test_hostile_names_do_not_reach_the_terminal(tmp_path: Path, canlevel: Command) -> None:
    frames = change(healthy("boat"), GREY_N, lambda x, _: raw_of(x, 0x7FFF))
    frames += fast_packet(600.0, 126996, 3, product_data(b"\x1b]0;owned\x07\x1b[2J", "a\u202eb\u009bc".encode()))
    path = write(tmp_path, sorted(frames))
    roster = tmp_path / "boat.toml"
    roster.write_text(ROSTERS["boat"].replace("Galley sink", HOSTILE))
    for words in (("explain", path, "--roster", roster), ("devices", path)):
        _, output, errors = canlevel(*words)
        bad = {
            char for char in output + errors if unicodedata.category(char) in ("Cc", "Cf", "Zl", "Zp") and char != "\n"
        }
        assert bad == set(), words
    _, output, _ = canlevel("explain", path, "--roster", roster)
    assert "red" in output
    assert "kcab" in output


def test_devices_are_those_that_speak(boat: Path, canlevel: Command) -> None:
    """One row for each source address, with what it sends, counted by a plain walk."""
    code, output, _ = canlevel("devices", boat, "--format", "jsonl")
    assert code == 0
    rows = [json.loads(line) for line in output.splitlines()]
    frames = healthy("boat")
    sent = Counter((source_of(frame), pgn_of(frame)) for frame in frames)
    assert {(row["source_address"], entry["pgn"]): entry["frames"] for row in rows for entry in row["sends"]} == sent
    assert sum(row["load_share_pct"] for row in rows) == pytest.approx(100.0)
    by_source = {row["source_address"]: row for row in rows}
    assert by_source[17]["model"] == "Device 17"
    assert sorted(by_source[FUEL_GAUGE]["tanks"]) == ["nmea2000.fuel.0", "nmea2000.fuel.1"]
    periods = {entry["pgn"]: entry["period_s"] for entry in by_source[17]["sends"]}
    assert periods[127488] == pytest.approx(0.1, rel=0.01)


def undated(frames: Frames) -> str:
    """The same log with times that count from zero."""
    return re.sub(
        r"^\((\d+)\.", lambda found: f"({int(found[1]) - START_US // 1_000_000}.", log_text(frames), flags=re.MULTILINE
    )


def test_devices_of_a_recording_without_dates(tmp_path: Path, canlevel: Command) -> None:
    """No day is made up: seconds by the recorder's clock for people, nothing for programs, as `explain` has it."""
    path = write(tmp_path, undated(healthy("boat")))
    code, output, _ = canlevel("devices", path)
    assert code == 0
    assert "1970" not in output
    assert len(re.findall(r"heard +\d+(\.\d)? s to \d+\.\d s by the recorder's clock, ", output)) == 7
    rows = [json.loads(line) for line in canlevel("devices", path, "--format", "jsonl")[1].splitlines()]
    assert {(row["first_heard"], row["last_heard"]) for row in rows} == {(None, None)}
    document = json.loads(canlevel("explain", path, "--format", "json")[1])
    assert [{key: row[key] for key in rows[0]} for row in document["devices"]] == rows
    # With the start all of it has dates.
    rows = [
        json.loads(line)
        for line in canlevel("devices", path, "--start", "2026-05-01T08:00Z", "--format", "jsonl")[1].splitlines()
    ]
    assert all(row["first_heard"].startswith("2026-05-01T08:") for row in rows)


def test_devices_in_words(tmp_path: Path, canlevel: Command) -> None:
    """One form for a period; a current with its unit; who gave a NAME has said something; one frame came one time."""
    frames = healthy("boat")
    once = send(300.0, HEADING, 99, bytes(8))
    claim = send(0.2, CLAIM, 77, name_of_device(77, 4))
    product = fast_packet(400.0, PRODUCT, 77, product_data(b"Tank monitor"))
    path = write(tmp_path, in_time([*frames, once, claim, send(0.2, CLAIM, 78, name_of_device(78, 4)), *product]))
    _, output, _ = canlevel("devices", path)
    said = re.sub(r"\s+", " ", output)
    assert "99 (63h) says nothing of itself" in said
    assert "77 (4Dh) Tank monitor" in said
    assert re.search(r"78 \(4Eh\) a device of maker \d+ that did not tell its model", said)
    assert re.search(r"takes \d+ mA", said)
    assert f"{HEADING} ({HEADING:X}h) 1 time " in said
    assert ", every 0.1 s" in said
    assert ", every 1 s" in said
    assert not re.search(r"\d ms\b|every \d\.0 s|1 times|mA:", said)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0, "0 s"), (0.01, "0.01 s"), (0.0999, "0.1 s"), (0.25, "0.25 s"), (0.9996, "1 s"), (1.0, "1 s"), (2.54, "2.5 s"),
     (9.96, "10 s"), (15, "15 s"), (119, "119 s"), (120, "2 min"), (750, "12 min"), (9000, "2.5 h"), (172_800, "2 days")],
)  # fmt: skip
def test_lengths_of_time_in_words(seconds: float, words: str) -> None:
    assert span_words(seconds) == words


def test_a_gap_and_a_full_bus_in_words(tmp_path: Path) -> None:
    """What is not known is said as such: a pause or the supply; a load between two bounds, the higher one being a bound."""
    (gap,) = [f for f in found_in(tmp_path, case("capture-gap", NMEA).text()).findings if f.code == "capture-gap"]
    assert "the whole bus can0 was silent for" in gap.summary
    assert "either the recording was paused, or the whole bus lost its supply; no single device did this" in gap.summary
    (full,) = [
        f for f in found_in(tmp_path, case("bus-overloaded", NMEA).text()).findings if f.code == "bus-overloaded"
    ]
    assert re.search(r"is at most \d+ % full in its worst minute, and \d+ % at least", full.summary)
    (silent,) = [
        f
        for f in found_in(tmp_path, case("device-went-silent", NMEA).text()).findings
        if f.code == "device-went-silent"
    ]
    assert silent.causes[0] == "it was switched off or restarted"


def test_the_helpers_read_tanks_as_the_program_does() -> None:
    """The helpers' own check, as everything above rests on them: tanks by a plain reading, and a change of all of them."""
    frames = healthy("boat")
    assert len(change(frames, GREY_N, lambda *_: None, EVERYTHING)) == len(frames) - sum(
        GREY_N in tanks_of(frame) for frame in frames
    )
    decoded = Counter(word for word in column(_decoded(frames), "tank").tolist())
    assert decoded == Counter(tank for frame in frames for tank in tanks_of(frame))


def _decoded(frames: Frames) -> pa.Table:
    rows = [(f.time_us, f.channel, f.identifier, EXTENDED, len(f.data)) for f in frames]
    table = frames_of(rows, 0)
    payload = pa.array([int.from_bytes(f.data.ljust(8, b"\0"), "little") for f in frames], pa.uint64())
    return TankDecoder().decode(table.set_column(table.schema.get_field_index("payload"), "payload", payload))
