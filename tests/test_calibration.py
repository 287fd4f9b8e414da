"""Calibrations by pouring, against simulated tanks whose truth is known; rosters changed, with what their owners wrote kept."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

import canlevel as library
from canlevel.capture.candump import frames_text
from canlevel.cli.calibrate import _guided
from canlevel.derivation.calibration import calibrate_levels
from canlevel.errors import QueryError, RosterError
from canlevel.pipeline import collect, open_decoding
from canlevel.roster import TABLE, Shape, TankEntry, cylinder_fraction, load_roster
from canlevel.rosterfile import changed_roster, entry_text
from canlevel.show.calibration import calibration_lines
from canlevel.units import VolumeUnit, amounts_of

sys.path.insert(0, str(Path(__file__).parent / "benchmark"))
from calibration_scores import SCENES
from pours import SENDERS, SHAPES, Pouring, draw_pouring, filled_fraction

CAREFUL = SCENES["careful"]
Floats = np.ndarray


def pouring(seed: int, shape: str, sender: str, *, drain: bool = False) -> Pouring:
    return draw_pouring(np.random.default_rng(seed), shape, sender, drain=drain, scene=CAREFUL)


# Filled fraction of a lying cylinder by relative depth: the area of a circular segment, as handbooks of geometry tabulate it.
@pytest.mark.parametrize(("depth", "part"), [(0.1, 0.05204), (0.25, 0.19550), (0.5, 0.5), (0.75, 0.80450)])
def test_a_calibrated_cylinder_holds_what_the_handbook_says(depth: float, part: float) -> None:
    litres = np.linspace(0, 100, 13)
    depths = np.linspace(0, 1, 4001)
    levels = 100 * np.interp(litres / 100, cylinder_fraction(depths), depths)
    seconds = np.arange(0, 13 * 60.0)
    noise = np.random.default_rng(3).normal(0, 0.1, len(seconds))
    found = calibrate_levels(seconds, np.repeat(levels, 60) + noise, np.diff(litres), can_error=0.001)
    assert found.shape == "horizontal_cylinder"
    volume = found.roster_shape.volume_l(np.array([100 * depth]), np.array([found.capacity_l]))[0]
    assert volume == pytest.approx(100 * part, abs=0.15)


# Similar triangles: half the depth of a wedge holds a quarter, or, upside down, three quarters.
@pytest.mark.parametrize(("kind", "part"), [("wedge", 0.25), ("wedge_upside_down", 0.75), ("prismatic", 0.5)])
def test_half_the_depth_of_a_wedge(kind: str, part: float, tmp_path: Path) -> None:
    assert Shape(kind).volume_l(np.array([50.0]), np.array([80.0]))[0] == pytest.approx(80 * part)
    path = tmp_path / "tanks.toml"
    path.write_text(f'[[tank]]\nname = "a"\nfluid = "fuel"\ninstance = 0\ncapacity_l = 80\nshape = "{kind}"\n')
    assert load_roster(path).tanks[0].shape == Shape(kind)


def test_the_cylinder_agrees_with_integration_of_its_chord() -> None:
    depth = np.linspace(0, 1, 201)
    assert np.abs(cylinder_fraction(depth) - filled_fraction("horizontal_cylinder", depth)).max() < 1e-5


# All seeds are printed by pytest as parameters; the truth is the simulator's. Near enough: half a step where the level ends.
@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("sender", ["0.004 %", "0.4 %", "2.8 %", "3.1 %"])
def test_capacity_against_the_truth(sender: str, shape: str) -> None:
    covered, close, right = 0, 0, 0
    for seed in range(4):
        truth = pouring(70_000 + seed, shape, sender, drain=seed == 3)
        found = calibrate_levels(truth.seconds, truth.level_pct, truth.pours_l, drain=truth.drain)
        off = abs(found.capacity_l - truth.capacity_l) / truth.capacity_l
        covered += found.capacity_low_l <= truth.capacity_l <= found.capacity_high_l
        close += off < max(SENDERS[sender] / 200, 0.015) * (2 if shape == "l_shape" else 1)
        right += found.shape == (TABLE if shape == "l_shape" else shape)
        litres = [point.litres for point in found.points]
        assert litres == sorted(litres)
        assert [found.points[0].level_pct, found.points[-1].level_pct] == [0, 100]
    assert covered >= 3
    assert close >= 3
    assert right >= 3


def poured_exactly(depth: Callable[[np.ndarray], np.ndarray], count: int, filled: float = 1.0) -> tuple[Floats, Floats]:
    """A reading a second of a tank that `count` equal pours fill: 60 s of rest before each, 20 s for each."""
    parts = np.linspace(0, filled, count + 1)
    at = np.concatenate([[0], np.cumsum(np.tile([60, 20], count + 1))[:-1]])
    seconds = np.arange(0.0, at[-1])
    return seconds, 100 * depth(np.interp(seconds, at, np.repeat(parts, 2)))


def bent(kink: float, ratio: float) -> Callable[[np.ndarray], np.ndarray]:
    """Relative depth of an L by the part of its capacity: from the kink on, ratio times the area."""
    whole = kink + ratio * (1 - kink)
    return lambda part: np.interp(part * whole, [0, kink, whole], [0, kink, 1])


@pytest.mark.parametrize("kink", [0.4, 0.6])
@pytest.mark.parametrize("ratio", [0.5, 2.0])
def test_a_full_tank_holds_what_was_poured(kink: float, ratio: float) -> None:
    seconds, level = poured_exactly(bent(kink, ratio), 12)
    level += np.random.default_rng(8).normal(0, 0.1, len(level))
    found = calibrate_levels(seconds, level, [10.0] * 12)
    assert found.shape == TABLE
    assert found.capacity_l == pytest.approx(120, rel=0.003)
    for point in found.points[1:-1]:
        depths = np.linspace(0, 1, 2001)
        assert point.litres == pytest.approx(
            120 * np.interp(point.level_pct / 100, bent(kink, ratio)(depths), depths), abs=0.4
        )


@pytest.mark.parametrize("shape", [shape for shape in SHAPES if shape != "l_shape"])
@pytest.mark.parametrize("count", [4, 11, 40])
@pytest.mark.parametrize("nearest", [True, False])
def test_pours_that_pass_many_marks_and_none(shape: str, count: int, nearest: bool) -> None:
    depths = np.linspace(0, 1, 20_001)
    seconds, level = poured_exactly(lambda part: np.interp(part, filled_fraction(shape, depths), depths), count, 0.96)
    step = 100 / 36
    steps = np.round(level / step) if nearest else np.floor(level / step + 1e-9)
    found = calibrate_levels(seconds, steps * step, [96 / count] * count)
    assert found.shape == shape
    # Of one that tells the last step, the nearest is the likelier, and few pours may not part them.
    assert found.capacity_l == pytest.approx(100, rel=step / 200 if nearest and count > 4 else step / 80)
    assert found.capacity_low_l <= 100 <= found.capacity_high_l
    # What it read at the end of each pour, where that is sure.
    ends = np.interp(60 + 80 * np.arange(1, count + 1) - 2, seconds, steps * step)
    sure = [
        (one.level_pct, read) for one, read in zip(found.plateaus[1:], ends, strict=True) if one.begin_s is not None
    ]
    assert len(sure) >= count / 2
    off = [abs(said - read) > 0.01 for said, read in sure if said is not None]
    assert sum(off) <= len(sure) / 20


# A sphere's cap of height h = 2 R d holds pi h^2 (3 R - h) / 3, of the whole d^2 (3 - 2 d): handbooks of geometry.
@pytest.mark.parametrize("filled", [0.93, 0.97])
def test_a_tank_that_closes_in_at_the_top(filled: float) -> None:
    depths = np.linspace(0, 1, 20_001)
    seconds, level = poured_exactly(lambda part: np.interp(part, depths**2 * (3 - 2 * depths), depths), 12, filled)
    level += np.random.default_rng(11).normal(0, 0.2, len(level))
    found = calibrate_levels(seconds, level, [100 * filled / 12] * 12)
    assert found.shape == TABLE
    assert found.capacity_low_l <= 100 <= found.capacity_high_l
    assert found.capacity_l == pytest.approx(100, rel=0.06)
    middle = [point.litres for point in found.points if 40 < point.level_pct < 60]
    levels = np.array([point.level_pct / 100 for point in found.points if 40 < point.level_pct < 60])
    assert middle == pytest.approx(100 * levels**2 * (3 - 2 * levels), abs=0.5)


@pytest.mark.parametrize("step", [0.004, 100 / 36, 100 / 3])
@pytest.mark.parametrize("drain", [False, True])
@pytest.mark.parametrize("shape", SHAPES)
def test_a_tank_that_the_last_pour_filled(shape: str, step: float, drain: bool) -> None:
    """Whatever the sender, it holds what went in, to within the can; also where the sender ends at 92 %."""
    depths = np.linspace(0, 1, 20_001)
    part = filled_fraction(shape, depths)
    for reach in (1.0, 0.92):
        seconds, level = poured_exactly(lambda litres: np.interp(litres, part, depths), 12)
        if drain:
            seconds, level = poured_exactly(lambda litres: np.interp(1 - litres, part, depths), 12)
        level = np.maximum(level, 100 * (1 - reach)) if drain else np.minimum(level, 100 * reach)
        level += np.random.default_rng(3).normal(0, 0.1, len(level))
        read = np.clip(np.round(level / step) * step, 0, 100)
        found = calibrate_levels(seconds, read, [10.0] * 12, drain=drain, end_known=True)
        assert found.capacity_l == pytest.approx(120, rel=1e-3)
        assert 0.005 < (found.capacity_high_l - found.capacity_low_l) / 2 / 120 < 0.02
        litres = [point.litres for point in found.points]
        assert litres == sorted(litres)
        assert litres[0] == 0
        assert litres[-1] == pytest.approx(120, rel=0.01)
        if reach == 1.0 and step < 1:
            expected = 120 * np.interp([point.level_pct / 100 for point in found.points], depths, part)
            assert litres == pytest.approx(expected, abs=1.2)


def test_a_tank_that_was_not_poured_full() -> None:
    seconds, level = poured_exactly(lambda part: part, 10, 0.6)
    level += np.random.default_rng(8).normal(0, 0.1, len(level))
    assert "above 60 %" in " ".join(calibrate_levels(seconds, level, [6.0] * 10).notes)
    assert "below 40 %" in " ".join(calibrate_levels(seconds, 100 - level, [6.0] * 10, drain=True).notes)


def test_thirds_say_that_they_know_little() -> None:
    truth = pouring(5, "prismatic", "thirds")
    found = calibrate_levels(truth.seconds, truth.level_pct, truth.pours_l)
    assert found.stepped
    assert found.step_pct == pytest.approx(100 / 3, abs=0.01)
    assert found.capacity_high_l - found.capacity_low_l > 0.1 * truth.capacity_l
    assert "little more than a guess" in " ".join(found.notes)
    assert found.capacity_low_l <= truth.capacity_l <= found.capacity_high_l


def test_the_same_readings_give_the_same() -> None:
    truth = pouring(9, "l_shape", "2.8 %")
    first, second = (calibrate_levels(truth.seconds, truth.level_pct, truth.pours_l) for _ in range(2))
    assert first == second


def test_a_start_that_is_not_known() -> None:
    seconds = np.arange(0, 600.0)
    level = np.repeat(np.linspace(20, 95, 10), 60) + np.random.default_rng(1).normal(0, 0.1, 600)
    found = calibrate_levels(seconds, level, [10.0] * 9, start_known=False)  # 90 L make 75 %
    assert found.capacity_l == pytest.approx(120, rel=0.02)
    assert found.start_l == pytest.approx(24, rel=0.05)


@pytest.mark.parametrize(
    ("level", "pours", "words"),
    [
        (np.full(300, 40.0), [10.0] * 5, "never moved"),
        (np.repeat(np.linspace(90, 10, 6), 50), [10.0] * 5, "falls while"),
        (np.repeat(np.linspace(0, 90, 3), 100), [10.0, 10.0], "cannot tell"),
        (np.repeat(np.linspace(0, 90, 6), 50), [10.0, -1, 3], "above 0"),
        (np.array([0.0, 10, 20]), [10.0] * 5, "too few"),
    ],
)
def test_what_cannot_be_calibrated_is_refused(level: np.ndarray, pours: list[float], words: str) -> None:
    noise = np.random.default_rng(2).normal(0, 0.05, len(level)) if np.ptp(level) else 0
    with pytest.raises(QueryError, match=words):
        calibrate_levels(np.arange(float(len(level))), level + noise, pours)


def test_amounts_with_and_without_units() -> None:
    assert amounts_of("10, 10,7.5") == (10.0, 10.0, 7.5)
    assert amounts_of("2us-gallon,1 imperial-gallon") == pytest.approx(
        (7.570823568, 4.54609)
    )  # NIST SP 811, appendix B
    assert amounts_of("2", VolumeUnit.US_GALLON) == pytest.approx((7.570823568,))
    for wrong in ("", "ten", "10;5", "1 gal", "10,-2"):
        with pytest.raises(ValueError):
            amounts_of(wrong)


# ---- the roster's file ----

FACTS = TankEntry("Fresh water 0", "fresh_water", 0, protocol="nmea2000", capacity_l=187.3456, shape=Shape("wedge"))
OWNERS = """# ours
[vessel]
name = "Harbour workboat"  # the old one

[[tank]]
name = "Bow"   # forward
fluid = "fresh_water"
instance = 0
capacity = "50 us-gallon"   # told by the yard
low_pct = 10

# and the fuel
[[tank]]
fluid = 'fuel'
name = 'Main'
instance=1
"""


def test_a_roster_keeps_what_its_owner_wrote(tmp_path: Path) -> None:
    path = tmp_path / "tanks.toml"
    path.write_text(OWNERS)
    change = changed_roster(path, "nmea2000.fresh_water.0", 35, FACTS)
    assert path.read_text() == OWNERS
    change.write()
    lines = path.read_text().splitlines()
    changed = [line for line in lines if line not in OWNERS.splitlines()]
    assert changed == ['capacity = "49.491 us-gallon"   # told by the yard', 'shape = "wedge"']
    assert [line for line in lines if line not in changed] == [
        line for line in OWNERS.splitlines() if not line.startswith("capacity")
    ]
    assert load_roster(path).tanks[0].capacity_l == pytest.approx(187.3456, rel=1e-4)


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("shape", [Shape("wedge"), Shape(TABLE, ((0.0, 0.0), (50.0, 80.0), (100.0, 187.0)))])
@pytest.mark.parametrize(
    "text",
    [
        "",
        OWNERS,
        '[[tank]]\nname = "a"\nfluid = "fuel"\ninstance = 0\n',
        '[[tank]]\nname = "a"\nfluid = "fresh_water"\ninstance = 0\ntable = [[0, 0], [100, 20]] # guess\n',
        '[[tank]]\nname = "a"\nfluid = "fresh_water"\ninstance = 0\nshape.table = [[0, 0], [100, 20]]\n',
        'tank = [{name = "a", fluid = "fresh_water", instance = 0}]\n',
    ],
)
def test_every_way_to_write_a_roster_can_be_changed(text: str, shape: Shape, end: str, tmp_path: Path) -> None:
    path = tmp_path / "tanks.toml"
    if text:
        path.write_bytes(text.replace("\n", end).encode())
    facts = TankEntry("Fresh", "fresh_water", 0, protocol="nmea2000", capacity_l=187.0, shape=shape)
    changed_roster(path, "nmea2000.fresh_water.0", 35, facts).write()
    entry = load_roster(path).entry("nmea2000.fresh_water.0", 35)
    assert entry is not None
    assert (entry.capacity_l, entry.shape) == (pytest.approx(187.0, rel=1e-4), shape)
    if text and end == "\r\n":
        assert path.read_bytes().count(b"\r\n") == path.read_bytes().count(b"\n")


def test_a_roster_that_somebody_else_changed_is_not_written_over(tmp_path: Path) -> None:
    path = tmp_path / "tanks.toml"
    path.write_text(OWNERS)
    change = changed_roster(path, "nmea2000.fresh_water.0", 35, FACTS)
    path.write_text(OWNERS + "# more\n")
    with pytest.raises(RosterError, match="meanwhile"):
        change.write()
    assert path.read_text() == OWNERS + "# more\n"
    assert list(tmp_path.iterdir()) == [path]


def test_an_entry_to_paste_is_a_roster(tmp_path: Path) -> None:
    path = tmp_path / "tanks.toml"
    path.write_text(entry_text(FACTS, 35))
    assert load_roster(path).tanks[0].source_address == 35


# ---- the command ----


def recorded(path: Path, truth: Pouring, *, rvc: bool = False, address: int = 0x23) -> None:
    with path.open("w") as file:
        for at_s, level in zip(truth.seconds, truth.level_pct, strict=True):
            if rvc:
                frame = f"19FFB7{address:02X}#00{round(level * 36 / 100):02X}24FFFFFFFFFF"
            else:
                frame = f"19F211{address:02X}#10{round(level / 0.004).to_bytes(2, 'little').hex().upper()}FFFFFFFFFF"
            file.write(f"({at_s:.6f}) can0 {frame}\n")  # counts from zero: no date is needed


@pytest.mark.parametrize("rvc", [False, True])
def test_a_recording_is_calibrated_and_written(rvc: bool, tmp_path: Path, canlevel: Callable[..., object]) -> None:
    truth = pouring(21, "prismatic", "2.8 %" if rvc else "0.4 %")
    log, roster = tmp_path / "pours.log", tmp_path / "tanks.toml"
    recorded(log, truth, rvc=rvc)
    tank = "rvc.fresh_water.0" if rvc else "nmea2000.fresh_water.0"
    roster.write_text('# mine\n[[tank]]\nname = "Bow"\nfluid = "fresh_water"\ninstance = 0\n')
    words = [
        "calibrate",
        str(log),
        "--tank",
        tank,
        "--pours",
        ",".join(map(str, truth.pours_l)),
        "--roster",
        str(roster),
    ]
    code, output, _ = canlevel(*words)  # type: ignore[misc]
    assert code == 0
    assert "capacity" in output
    assert "add --write" in output
    assert "capacity_l" not in roster.read_text()
    code, output, errors = canlevel(*words, "--write", "--format", "json")  # type: ignore[misc]
    assert code == 0
    found = json.loads(output)
    assert found["capacity_low_l"] <= truth.capacity_l <= found["capacity_high_l"]
    assert "written to" in errors
    assert roster.read_text().startswith("# mine\n")
    assert load_roster(roster).tanks[0].capacity_l == pytest.approx(found["capacity_l"], rel=1e-3)
    assert library.calibrate(log, tank, truth.pours_l).capacity_l == pytest.approx(found["capacity_l"])


@pytest.mark.parametrize(("sender", "unseen"), [("0.4 %", False), ("2.8 %", True)])
def test_a_technician_is_led_from_pour_to_pour(
    sender: str, unseen: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    depths = np.linspace(0, 1, 101)
    count = 40 if unseen else 6
    seconds, level = poured_exactly(lambda part: np.interp(part, depths, depths), count, 0.9)
    seconds, level = (
        np.arange(len(level) + 200.0),
        np.append(level, np.full(200, level[-1])),
    )  # left alone after the last
    step = SENDERS[sender]
    log = tmp_path / "pours.log"
    noise = np.random.default_rng(1).normal(0, 0.02, len(level))
    recorded(
        log,
        replace(
            pouring(1, "prismatic", sender), seconds=seconds, level_pct=np.floor((level + noise).clip(0) / step) * step
        ),
    )
    readings = collect(open_decoding(log, start=datetime(2026, 5, 1, tzinfo=UTC)))

    class Bus:
        """What a live bus would deliver, two seconds at a time."""

        delivered = 0

        def batches(self) -> Iterator[pa.Table]:
            for begin in range(0, len(readings), 2):
                self.delivered = begin + 2
                yield readings.slice(begin, 2)

        def close(self) -> None:
            pass

        def tell(self) -> None:
            pass

        @property
        def source(self) -> Bus:
            return self

    bus = Bus()
    pours = (90 / count,) * count
    heard = _guided(bus, bus, "nmea2000.fresh_water.0", None, pours, VolumeUnit.LITRE, drain=False)  # type: ignore[arg-type]
    said = capsys.readouterr().err
    assert ("coarse sender does not show every pour" in said) is unseen
    assert len(heard) == bus.delivered
    if not unseen:
        assert said.count("settled at") == count
        assert "settled at 90" in said or "settled at 89" in said
        assert 600 <= bus.delivered <= 640  # the last was over after 480 s, and it ends by itself two minutes later
    found = library.calibrate(log, "nmea2000.fresh_water.0", pours)
    assert found.capacity_low_l <= 100 <= found.capacity_high_l


def test_questions_that_cannot_be_answered(tmp_path: Path, canlevel: Callable[..., object]) -> None:
    log = tmp_path / "pours.log"
    truth = pouring(21, "prismatic", "0.4 %")
    recorded(log, truth)
    both = tmp_path / "both.log"
    recorded(both, truth, address=0x24)
    fresh, pours = ("--tank", "nmea2000.fresh_water.0"), ("--pour", "10", "--count", "5")
    for words, said in (
        ((log, "--tank", "nmea2000.fuel.3", *pours), "use one of: nmea2000.fresh_water.0"),
        ((log, both, *fresh, *pours), "--source-address"),
        ((log, *fresh, *pours, "--source-address", "9"), "does not come from"),
        ((log, *fresh), "--pour"),
        ((log, *fresh, "--pour", "10"), "--count"),
        ((log, *fresh, "--pours", "ten"), "no list of amounts"),
        ((log, *fresh, *pours, "--write"), "--roster"),
        ((log, *fresh, *pours, "--begins", "full"), "--drain"),
        ((log, *fresh, *pours, "--ends", "empty"), "--ends full"),
        ((log, *fresh, *pours, "--ends", "full", "--begins", "unknown"), "--ends out"),
    ):
        code, _, errors = canlevel("calibrate", *map(str, words))  # type: ignore[misc]
        assert code != 0
        assert said in errors


def poured_evenly(
    depths_pct: np.ndarray, rng: np.random.Generator, *, rest_s: int = 60, rise_s: int = 20
) -> np.ndarray:
    """A reading a second of a level that rests at each of these, and goes straight from one to the next."""
    at = np.concatenate([[0], np.cumsum(np.tile([rest_s, rise_s], len(depths_pct)))[:-1]])
    return np.interp(np.arange(at[-1]), at, np.repeat(depths_pct, 2)) + rng.normal(0, 0.1, int(at[-1]))


def test_bends_near_the_top_are_no_strays() -> None:
    # An L of 100 L, upright up to 58 % of its height, then 0.4 of the area: 29 equal pours, of which three pass the bend.
    kink, ratio, pours = 0.58, 0.4, np.full(29, 3.0)
    share = np.concatenate([[0], np.cumsum(pours)]) / 100
    whole = kink + ratio * (1 - kink)
    depth = np.where(share * whole < kink, share * whole, kink + (share * whole - kink) / ratio)
    level = np.floor(poured_evenly(100 * depth, np.random.default_rng(4)))
    found = calibrate_levels(np.arange(len(level), dtype=float), np.maximum(level, 0), pours)
    assert found.shape == TABLE
    # Taken for prismatic it would be 100 L / whole = 134 L, to within 1 L. Above the last plateau nothing was seen.
    assert found.capacity_low_l <= 100 <= found.capacity_high_l


@pytest.mark.parametrize("filled", [0.97, 0.985, 0.994])
def test_a_capacity_between_the_lines_of_the_grid_is_found(filled: float) -> None:
    # Near the top of a tank that narrows a litre more makes much of the level: what fits lies within a part in a hundred.
    seconds, level = poured_exactly(lambda part: 1 - np.sqrt(1 - part), 10, filled)
    level += np.random.default_rng(8).normal(0, 0.035, len(level))
    found = calibrate_levels(seconds, level, [7.0] * 10)
    assert found.shape == "wedge_upside_down"
    assert found.capacity_l == pytest.approx(70 / filled, rel=0.004)


def test_a_wrong_number_of_pours_is_noticed() -> None:
    level = poured_evenly(np.arange(0, 96, 8.0), np.random.default_rng(5))  # eleven pours, of 10 L
    seconds = np.arange(len(level), dtype=float)
    told = {count: " ".join(calibrate_levels(seconds, level, [10.0] * count).notes) for count in (10, 11, 12)}
    assert "10 pours were named, but the level rests after 11" in told[10]
    assert "were all made" in told[12]
    assert "were named" not in told[11]
    assert "were all made" not in told[11]


@pytest.mark.parametrize("named", [9, 10, 12, 13, 14])
def test_a_note_says_how_many_pours_there_were(named: int) -> None:
    seconds, level = poured_exactly(lambda part: part, 12)
    level += np.random.default_rng(4).normal(0, 0.1, len(level))
    notes = " ".join(calibrate_levels(seconds, level, [10.0] * named).notes)
    assert ("rests after 12" in notes) == (named < 12)
    assert ("fewer were made" in notes) == (named > 12)
    assert "were all made" not in notes


@pytest.mark.parametrize("step", [0.0, 2.5])
@pytest.mark.parametrize("depth", [lambda part: part, np.sqrt])
def test_a_tank_that_ran_over_has_a_range_up_to_what_was_poured(
    depth: Callable[[np.ndarray], np.ndarray], step: float
) -> None:
    # Eight pours of 10 L into 65 L: the seventh and the eighth find it full, or as full as its sender can tell.
    seconds, level = poured_exactly(lambda part: depth(np.minimum(part * 80 / 65, 1)), 8)
    level += np.random.default_rng(4).normal(0, 0.05, len(level))
    level = np.clip(np.round(level / step) * step if step else level, 0, 100)
    found = calibrate_levels(seconds, level, [10.0] * 8)
    assert found.capacity_l == pytest.approx(65, rel=0.02)
    assert found.capacity_low_l <= 65
    assert found.capacity_high_l >= 80
    assert "stayed at the top" in " ".join(found.notes)
    assert len(found.plateaus) == 9
    assert sum(found.pours_l) == 80


def test_two_pours_in_one_go_that_fill_a_tank_are_told_from_one_too_many() -> None:
    litres = np.array([*range(0, 80, 10), 90.0])  # seven, and two in one go
    seconds = np.arange(len(litres) * 60.0)
    level = np.repeat(litres / 0.9, 60) + np.random.default_rng(4).normal(0, 0.05, len(seconds))
    found = calibrate_levels(seconds, level, [10.0] * 9)
    assert found.capacity_l == pytest.approx(90, rel=0.01)
    assert found.capacity_high_l / found.capacity_low_l < 1.05


def test_what_lies_below_an_unknown_start_was_not_seen() -> None:
    seconds, level = poured_exactly(lambda part: 0.4 + 0.6 * part, 8)
    found = calibrate_levels(seconds, level, [10.0] * 8, start_known=False)
    assert "below 40 % nothing was seen" in " ".join(found.notes)
    known = calibrate_levels(*poured_exactly(lambda part: part, 8), [10.0] * 8, start_known=False)
    assert "nothing was seen" not in " ".join(known.notes)


@pytest.mark.parametrize("start_known", [True, False])
def test_a_calibration_fits_eighty_columns(start_known: bool) -> None:
    one = pouring(9, "horizontal_cylinder", "2.8 %")
    found = calibrate_levels(one.seconds, one.level_pct, one.pours_l, start_known=start_known)
    found = replace(
        found, notes=("the tank was taken for empty, yet its sender read 12.3 %: say --begins unknown if it was not",)
    )
    lines = [line for _, line in calibration_lines(found, "nmea2000.fresh_water.0", VolumeUnit.LITRE)]
    assert max(map(len, lines)) <= 80
    assert found.notes[0] in " ".join(line.strip() for line in lines)


def test_what_is_recorded_is_the_same_again(tmp_path: Path) -> None:
    one = pouring(9, "prismatic", "0.4 %")
    recorded(tmp_path / "heard.log", one)
    first = open_decoding([tmp_path / "heard.log"], start="2026-05-01T08:00Z")
    kept: list[str] = []
    first.on_frames = lambda frames: kept.append(frames_text(frames))
    readings = collect(first)
    (tmp_path / "kept.log").write_text("".join(kept))
    again = collect(open_decoding([tmp_path / "kept.log"]))
    assert len(again) == len(one.seconds)
    for name in ("time", "tank", "level_pct", "source_address", "channel"):
        assert again.column(name).to_pylist() == readings.column(name).to_pylist()


def test_a_recording_is_not_recorded(tmp_path: Path, canlevel: Callable[..., object]) -> None:
    recorded(tmp_path / "heard.log", pouring(9, "prismatic", "0.4 %"))
    code, _, errors = canlevel(  # type: ignore[misc]
        "calibrate", str(tmp_path / "heard.log"), "--tank", "nmea2000.fresh_water.0", "--pour", "5", "--count", "9",
        "--record", str(tmp_path / "again.log"),
    )  # fmt: skip
    assert code == 2
    assert "--record is of a live bus" in errors
    assert not (tmp_path / "again.log").exists()
