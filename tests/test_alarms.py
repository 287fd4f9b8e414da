"""Alarms: the limits of a roster, when they count as crossed, and that a wrong limit is an error with its line."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from canlevel.derivation.alarms import crossed
from canlevel.errors import RosterError
from canlevel.roster import Roster, Shape, TankEntry, load_roster

TANK = TankEntry("Fresh water, bow", "fresh_water", 0)
HEAD = '[[tank]]\nname = "Fresh water"\nfluid = "fresh_water"\ninstance = 0\n'


@pytest.mark.parametrize(
    ("entry", "facts", "kinds"),
    [
        (replace(TANK, low_pct=20), {"level_pct": 20.0}, ["low_pct"]),
        (replace(TANK, low_pct=20), {"level_pct": 20.1}, []),
        (replace(TANK, low_pct=0), {"level_pct": 0.0}, ["low_pct"]),
        (replace(TANK, high_pct=100), {"level_pct": 100.0}, ["high_pct"]),
        (replace(TANK, high_pct=90), {"level_pct": 89.9}, []),
        (replace(TANK, low_pct=20, high_pct=90), {"level_pct": None}, []),
        (replace(TANK, silent_after_s=60), {"silent_s": 60.0}, []),
        (replace(TANK, silent_after_s=60), {"silent_s": 61.0}, ["silent_after_s"]),
        (replace(TANK, leak_l_per_h=0.5), {"leak_l_per_h": 0.5}, ["leak_l_per_h"]),
        (replace(TANK, leak_l_per_h=0.5), {"leak_l_per_h": 0.4}, []),
        (
            replace(TANK, low_pct=20, silent_after_s=60, leak_l_per_h=0.5),
            {"level_pct": 3.0, "silent_s": 7200.0, "leak_l_per_h": 2.0},
            ["low_pct", "silent_after_s", "leak_l_per_h"],
        ),
        (TANK, {"level_pct": 0.0, "silent_s": 1e9, "leak_l_per_h": 99.0}, []),
    ],
)
def test_a_limit_that_is_reached_is_crossed(entry: TankEntry, facts: dict, kinds: list[str]) -> None:
    found = crossed(entry, **facts)
    assert [alarm.kind for alarm in found] == kinds
    for alarm in found:
        assert alarm.limit == getattr(entry, alarm.kind)
        assert f"{alarm.limit:g}" in alarm.sentence


def test_limits_come_from_the_roster(tmp_path: Path) -> None:
    path = tmp_path / "tanks.toml"
    path.write_text(HEAD + "low_pct = 15\nhigh_pct = 95.5\nsilent_after_s = 60\nleak_l_per_h = 0.4\n")
    (entry,) = load_roster(path).tanks
    assert (entry.low_pct, entry.high_pct, entry.silent_after_s, entry.leak_l_per_h) == (15, 95.5, 60, 0.4)
    assert entry.has_limits
    assert not TANK.has_limits


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("low_pct = -1", "low_pct"),
        ("low_pct = 101", "low_pct"),
        ('low_pct = "15 %"', "low_pct"),
        ("high_pct = nan", "high_pct"),
        ("high_pct = true", "high_pct"),
        ("low_pct = 90\nhigh_pct = 90", "not below"),
        ("silent_after_s = 0", "silent_after_s"),
        ("silent_after_s = inf", "silent_after_s"),
        ("leak_l_per_h = -0.5", "leak_l_per_h"),
        ("leak_l_per_h = []", "leak_l_per_h"),
    ],
)
def test_a_wrong_limit_is_refused_with_its_line(tmp_path: Path, line: str, said: str) -> None:
    path = tmp_path / "tanks.toml"
    path.write_text(HEAD + line + "\n")
    with pytest.raises(RosterError) as told:
        load_roster(path)
    assert said in told.value.what
    assert told.value.where is not None
    assert told.value.where.line == 5


def test_a_roster_survives_json() -> None:
    import json

    whole = Roster(
        "Harbour workboat",
        (
            replace(TANK, low_pct=15.0, capacity_l=200.0),
            replace(TANK, instance=1, shape=Shape("table", ((0, 0), (100, 9)))),
        ),
    )
    assert Roster.from_dict(json.loads(json.dumps(whole.to_dict()))) == whole
    for wrong in (
        {},
        {"vessel": None, "tanks": [{"name": "x"}]},
        {"vessel": None, "tanks": 3},
        {"vessel": None, "tanks": ["x"]},
    ):
        with pytest.raises(ValueError, match="no roster"):
            Roster.from_dict(wrong)
