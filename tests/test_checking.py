"""Limits of a roster checked for scripts: what crosses them, what cannot be judged, and the exit codes.

The rules that are held here are the project's own (derivation/limits.py); no standard says when a tank is low.
"""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from adapter import Adapter, WireFrame
from broker import until
from conftest import START_US, Result

import canlevel as library
from canlevel.checking import check_readings, check_store
from canlevel.derivation.leaks import LEAKS
from canlevel.derivation.limits import crossings
from canlevel.errors import QueryError
from canlevel.recovery import heard_lately
from canlevel.roster import Roster, TankEntry
from canlevel.storage.store import create_store, open_store
from canlevel.tables import READINGS

FRESH = TankEntry("Fresh water", "fresh_water", 0)
GREY = TankEntry("Grey water", "grey_water", 2)


def readings(
    at_s: Sequence[float],
    level_pct: Sequence[float | None],
    *,
    tank: str = "nmea2000.fresh_water.0",
    source: int = 35,
    status: str = "ok",
    vessel: str | None = None,
) -> pa.Table:
    """READINGS of one tank, capacity 200 L. A level that is None has the status, and no number."""
    protocol, fluid, instance = tank.split(".")
    rows = [
        dict.fromkeys(READINGS.names)
        | {"time": START_US + round(at * 1e6), "vessel": vessel, "protocol": protocol, "tank": tank, "fluid": fluid}
        | {"instance": int(instance), "source_address": source, "level_pct": level, "capacity_l": 200.0}
        | {"volume_l": None if level is None else 2 * level, "status": "ok" if level is not None else status}
        for at, level in zip(at_s, level_pct, strict=True)
    ]
    return pa.Table.from_pylist(rows, schema=READINGS)


def kinds(
    roster: Roster | TankEntry, table: pa.Table, *, now_s: float = 0.0, leaks: pa.Table | None = None
) -> list[str]:
    roster = roster if isinstance(roster, Roster) else Roster(None, (roster,))
    found = crossings(roster, table, now_us=START_US + round(now_s * 1e6), heard_in="in the test", leaks=leaks)
    return [crossing.kind for crossing in found]


def test_a_sloshing_level_is_judged_by_its_last_minute() -> None:
    at_s = np.arange(0, 600, 2.5)
    # Waves of 1.7 and 2.9 s, down to 18 % again and again, and a wrong reading now and then.
    level = 22 + 2.5 * np.sin(at_s * 2 * np.pi / 1.7) + 1.5 * np.sin(at_s * 2 * np.pi / 2.9)
    level[::40] = 0
    assert np.count_nonzero(level < 20) > len(level) / 8
    low = replace(FRESH, low_pct=20)
    results = {tuple(kinds(low, readings(at_s[:n], level[:n].tolist()))) for n in range(24, len(at_s) + 1)}
    assert results == {()}
    # An emptied tank is told within half a minute.
    emptied = readings([*at_s, *(600 + 2.5 * np.arange(13))], [*level, *[5.0] * 13])
    assert kinds(low, emptied) == ["low_pct"]
    assert kinds(replace(FRESH, high_pct=20), readings(at_s, level.tolist())) == ["high_pct"]


def test_a_single_reading_will_do_and_numbers_out_of_range_count() -> None:
    assert kinds(replace(FRESH, low_pct=20), readings([0], [20.0])) == ["low_pct"]
    assert kinds(replace(FRESH, high_pct=95), readings([0], [104.0])) == ["high_pct"]
    assert kinds(replace(FRESH, low_pct=20, high_pct=95), readings([0], [50.0])) == []


def test_silence_is_counted_from_the_last_reading_of_any_status() -> None:
    entry = replace(FRESH, silent_after_s=60)
    table = readings([0, 100], [50.0, None], status="error")
    assert kinds(entry, table, now_s=160) == []
    assert kinds(entry, table, now_s=161) == ["silent_after_s"]
    assert kinds(entry, table, now_s=-1e6) == []  # a clock that stands in the past
    # A device that took over another address is the same tank.
    moved = pa.concat_tables([table, readings([150, 200], [50.0, 50.0], source=36)])
    assert kinds(entry, moved, now_s=230) == []
    assert kinds(entry, moved, now_s=300) == ["silent_after_s"]


def test_what_cannot_be_judged_is_no_pass() -> None:
    nothing = readings([], [])
    assert kinds(replace(FRESH, silent_after_s=60), nothing) == ["silent_after_s"]
    assert kinds(replace(FRESH, low_pct=20), nothing) == ["unheard"]
    assert kinds(FRESH, nothing) == []  # no limits, no question
    disconnected = readings([0, 100, 200], [50.0, None, None], status="not_available")
    assert kinds(replace(FRESH, low_pct=20), disconnected) == ["no_level"]
    assert kinds(replace(FRESH, silent_after_s=1e6), disconnected) == []
    assert kinds(replace(FRESH, low_pct=20), readings([0, 190, 200], [50.0, 50.0, None])) == []  # one bad reading


def test_each_entry_is_asked_about_its_own_tank() -> None:
    both = pa.concat_tables(
        [readings([0], [10.0]), readings([0], [90.0], tank="rvc.grey_water.2"), readings([0], [90.0], source=36)]
    )
    roster = Roster(
        None,
        (
            replace(FRESH, low_pct=20),
            replace(FRESH, name="the other", source_address=36, low_pct=20),
            replace(GREY, protocol="rvc", high_pct=90),
            replace(GREY, name="chassis", protocol="j1939", high_pct=90),
        ),
    )
    found = crossings(roster, both, now_us=START_US, heard_in="in the test")
    assert [(one.entry.name, one.tank, one.source_address, one.kind) for one in found] == [
        ("Fresh water", "nmea2000.fresh_water.0", 35, "low_pct"),
        ("Grey water", "rvc.grey_water.2", 35, "high_pct"),
        ("chassis", None, None, "unheard"),
    ]
    # In a store of two vessels the other's tanks are not this one's.
    roster = Roster("Möwe", (replace(FRESH, low_pct=20),))
    table = pa.concat_tables([readings([0], [90.0], vessel="Möwe"), readings([0], [5.0], source=36, vessel="Star")])
    assert kinds(roster, table) == []


def test_a_leak_counts_with_its_lower_limit_while_it_is_seen() -> None:
    table = readings([0, 10 * 86_400], [50.0, 40.0])

    def found(until_day: float, low: float) -> list[str]:
        until_us = START_US + round(until_day * 86_400e6)
        row = {"tank": "nmea2000.fresh_water.0", "source_address": 35, "status": "leak", "until": until_us}
        row |= {"leak_l_per_h": 0.6, "leak_low": low}
        return kinds(replace(FRESH, leak_l_per_h=0.5), table, leaks=pa.Table.from_pylist([row], schema=LEAKS))

    assert found(10, 0.51) == ["leak_l_per_h"]
    assert found(10, 0.45) == []  # it may be less
    assert found(6, 0.51) == []  # it was mended


def leaking(path: Path) -> Path:
    """A recording of three days: a fine sender of 200 L that loses 0.8 L/h, a reading every 20 s."""
    random = np.random.default_rng(3)
    at_s = np.arange(0, 3 * 86_400, 20)
    level = 80 - at_s / 3600 * 0.8 / 2 + random.normal(0, 0.02, len(at_s))
    raw = np.round(level / 0.004).astype(int).tolist()
    path.write_text(
        "".join(
            f"({START_US // 1_000_000 + at}.000000) can0 19F21123#10{value.to_bytes(2, 'little').hex()}D0070000FF\n"
            for at, value in zip(at_s.tolist(), raw, strict=True)
        )
    )
    return path


ROSTER = '[[tank]]\nname = "Fresh water"\nfluid = "fresh_water"\ninstance = 0\n'


def test_a_leak_in_a_recording_and_in_a_store(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    log, roster = leaking(tmp_path / "leak.log"), tmp_path / "tanks.toml"
    for limit, expected in ((0.5, 1), (2.0, 0)):
        roster.write_text(f"{ROSTER}leak_l_per_h = {limit}\n")
        code, _, errors = canlevel("tanks", log, "--roster", roster, "--check", "--format", "csv")
        assert code == expected
        assert ("Fresh water (nmea2000.fresh_water.0): loses at least 0.7" in errors) == bool(expected)
        if expected:
            errors = canlevel("tanks", log, "--roster", roster, "--check", "--units", "us-gallon")[2]
            assert re.search(r"loses at least 0\.2\d US gal/h \(limit 0\.13 US gal/h\)\n", errors)
        store = tmp_path / f"history{limit}"
        canlevel("log", log, "--store", store, "--roster", roster)
        assert canlevel("tanks", "--store", store, "--check")[0] == expected
        assert canlevel("tanks", "--store", store, "--check", "--roster", roster)[0] == expected


def test_check_and_report_agree_on_a_limit_within_the_range(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    log, roster, page = leaking(tmp_path / "leak.log"), tmp_path / "tanks.toml", tmp_path / "report.html"
    canlevel("log", log, "--store", tmp_path / "history")
    found = json.loads(canlevel("leaks", "--store", tmp_path / "history", "--format", "jsonl")[1].splitlines()[0])
    for limit, crossed in ((found["leak_low"] - 0.001, True), ((found["leak_low"] + found["leak_l_per_h"]) / 2, False)):
        roster.write_text(f"{ROSTER}leak_l_per_h = {limit}\n")
        assert canlevel("tanks", log, "--roster", roster, "--check")[0] == crossed
        assert canlevel("report", log, "--roster", roster, "-o", page)[0] == 0
        assert ("loses at least" in page.read_text()) == crossed
        page.unlink()


def boat(path: Path, seconds: int = 600, silent_from: int | None = None) -> Path:
    """A recording: fresh water 0 at 50 %, until it falls silent, and other traffic to the end. One of each a second."""
    at = START_US // 1_000_000
    lines = []
    for second in range(seconds):
        if silent_from is None or second < silent_from:
            lines.append(f"({at + second}.000000) can0 19F21123#10D430D0070000FF\n")
        lines.append(f"({at + second}.500000) can0 09F80112#0001020304050607\n")
    path.write_text("".join(lines))
    return path


@pytest.mark.parametrize(
    ("limits", "silent_from", "code", "said"),
    [
        ("low_pct = 40", None, 0, ""),
        ("low_pct = 50", None, 1, "Fresh water (nmea2000.fresh_water.0): low: 50.0 % (limit 50 %)\n"),
        ("high_pct = 45", None, 1, "Fresh water (nmea2000.fresh_water.0): high: 50.0 % (limit 45 %)\n"),
        ("silent_after_s = 60", None, 0, ""),
        # The end is that of the recording, which other traffic tells.
        ("silent_after_s = 60", 530, 1, "Fresh water (nmea2000.fresh_water.0): silent for 70 s (limit 60 s)\n"),
        ("silent_after_s = 80", 530, 0, ""),
    ],
)
def test_a_recording_is_checked(
    limits: str, silent_from: int | None, code: int, said: str, tmp_path: Path, canlevel: Callable[..., Result]
) -> None:
    roster = tmp_path / "tanks.toml"
    roster.write_text(f"{ROSTER}{limits}\n")
    log = boat(tmp_path / "boat.log", silent_from=silent_from)
    for format in ("table", "jsonl", "csv"):
        got, output, errors = canlevel("tanks", log, "--roster", roster, "--check", "--format", format)
        assert (got, errors) == (code, said)
        assert output == canlevel("tanks", log, "--roster", roster, "--format", format)[1]  # the data stays pure


def test_a_store_is_checked_by_its_own_roster(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    roster, store = tmp_path / "tanks.toml", tmp_path / "history"
    roster.write_text(f"{ROSTER}silent_after_s = 120\nlow_pct = 10\n")
    canlevel("log", boat(tmp_path / "boat.log"), "--store", store, "--roster", roster)
    code, output, errors = canlevel("tanks", "--store", store, "--check")
    assert code == 1  # it was in May
    assert "Fresh water (nmea2000.fresh_water.0): silent for" in errors
    assert "low" not in errors
    assert "nmea2000.fresh_water.0" in output
    for moment, expected in (("08:09:59Z", 0), ("08:11:58Z", 0), ("08:12:01Z", 1), ("07:00Z", 1)):
        code, _, errors = canlevel("tanks", "--store", store, "--check", "--as-of", f"2026-05-01T{moment}")
        assert code == expected, (moment, errors)
    assert "nothing was heard of it in the store" in errors
    roster.write_text(f"{ROSTER}low_pct = 60\n")
    words = ("tanks", "--store", store, "--roster", roster, "--format", "jsonl")
    code, output, errors = canlevel(*words, "--check")
    assert (code, errors) == (1, "Fresh water (nmea2000.fresh_water.0): low: 50.0 % (limit 60 %)\n")
    assert json.loads(output)["level_pct"] == 50.0
    code, output, errors = canlevel("tanks", "--store", store, "--as-of", "2026-05-01T08:05Z", "--format", "jsonl")
    assert (code, errors, json.loads(output)["readings"]) == (0, "", 300)


def test_of_two_vessels_a_roster_judges_its_own(tmp_path: Path) -> None:
    store = create_store(tmp_path / "both", vessel=None)
    with store.writing() as writer:
        writer.append(
            pa.concat_tables(
                [
                    readings(range(0, 600, 10), [level] * 60, vessel=vessel)
                    for vessel, level in (("Bow", 50.0), ("Stern", 5.0))
                ]
            )
            .unify_dictionaries()
            .sort_by("time")
        )
    low = replace(FRESH, low_pct=20)
    now = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=START_US, seconds=600)
    found = {
        vessel: check_store(open_store(tmp_path / "both"), Roster(vessel, (low,)), now=now).crossings
        for vessel in ("Bow", "Stern")
    }
    assert [one.kind for one in found["Stern"]] == ["low_pct"]
    assert found["Bow"] == []


def test_a_check_that_cannot_fail_is_refused(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    log, roster, store = boat(tmp_path / "boat.log"), tmp_path / "tanks.toml", tmp_path / "history"
    roster.write_text(ROSTER)
    canlevel("log", log, "--store", store)
    for words in ((log,), (log, "--roster", roster), ("--store", store), ("--store", store, "--roster", roster)):
        code, output, errors = canlevel("tanks", *words, "--check")
        assert (code, output) == (2, "")
        assert "--roster tanks.toml" in errors
    assert canlevel("tanks", log, "--as-of", "2026-05-01")[0] == 2
    code, _, errors = canlevel("tanks", "--check")
    assert code == 2
    assert "canlevel tanks --check boat.log, or canlevel tanks --check --store history" in errors


def test_a_tank_that_was_not_heard_is_told_once(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    log, roster = boat(tmp_path / "boat.log"), tmp_path / "tanks.toml"
    absent = '[[tank]]\nname = "Ghost"\nfluid = "oil"\ninstance = 3\n'
    roster.write_text(f"{ROSTER}low_pct = 10\n{absent}low_pct = 10\n")
    told = canlevel("tanks", log, "--roster", roster, "--check")
    assert (told[0], told[2]) == (1, "Ghost (oil.3): nothing was heard of it in the recording\n")
    roster.write_text(f"{ROSTER}low_pct = 10\n{absent}")
    told = canlevel("tanks", log, "--roster", roster, "--check")
    assert (told[0], told[2]) == (0, 'note: nothing was heard of "Ghost" (oil 3)\n')
    roster.write_text(f"{ROSTER}low_pct = -3\n")
    code, _, errors = canlevel("tanks", log, "--roster", roster, "--check")
    assert (code, "line 5" in errors) == (2, True)


def test_a_tank_that_died_long_ago_is_found_and_one_never_heard_told(tmp_path: Path) -> None:
    """The last days are read, and of what is missing there the days before."""
    lines = []
    at = START_US // 1_000_000
    for day in range(10):
        for minute in range(0, 600, 5):
            stamp = at + day * 86_400 + minute
            if day < 3:
                lines.append(f"({stamp}.000000) can0 19F21123#10D430D0070000FF\n")
            lines.append(f"({stamp}.100000) can0 19F21123#2010270000FFFFFF\n")
    (tmp_path / "boat.log").write_text("".join(lines))
    library.log(tmp_path / "boat.log", tmp_path / "history")
    store = open_store(tmp_path / "history")
    roster = Roster(
        "Möwe",
        (
            replace(FRESH, silent_after_s=60, low_pct=60),
            replace(GREY, instance=0, silent_after_s=86_400, high_pct=90),
            replace(FRESH, name="never", instance=9, silent_after_s=60),
        ),
    )
    now = datetime.fromtimestamp(at + 9 * 86_400 + 700, UTC)
    checked = check_store(store, roster, now=now)
    assert [(one.entry.name, one.kind) for one in checked.crossings] == [
        ("Fresh water", "low_pct"),
        ("Fresh water", "silent_after_s"),
        ("never", "silent_after_s"),
    ]
    assert "silent for 7" in checked.crossings[1].sentence
    days = {time.date() for time in checked.readings.column("time").to_pylist()}
    assert len(days) == 3  # the last two, and the one on which the other was last heard
    with pytest.raises(QueryError):
        check_store(store, now=now)
    assert check_readings(checked.readings, roster, now=now - timedelta(days=9)).crossings


def test_what_a_logger_at_work_has_not_stored_yet_counts(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    roster, store = tmp_path / "tanks.toml", tmp_path / "history"
    roster.write_text(f"{ROSTER}silent_after_s = 30\nhigh_pct = 90\n")
    frame = WireFrame(0x19F21123, bytes.fromhex("10D430D0070000FF"))
    with Adapter(frames_per_s=5, chatter=frame) as adapter:
        words = [sys.executable, "-m", "canlevel", "log", f"slcan:{adapter.path}", "--store", str(store)]
        process = subprocess.Popen(
            [*words, "--roster", str(roster)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        try:
            assert until(lambda: (store / "canlevel-store.json").exists() and len(heard_lately(open_store(store))) > 5)
            assert len(open_store(store).to_arrow()) == 0
            code, _, errors = canlevel("tanks", "--store", store, "--check")
            assert (code, "silent" in errors, "high" in errors) == (0, False, False), errors
        finally:
            process.send_signal(signal.SIGINT)
            process.wait()


def test_a_live_bus_is_checked_against_the_clock(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    roster = tmp_path / "tanks.toml"
    roster.write_text(f"{ROSTER}silent_after_s = 30\nlow_pct = 60\n\n" + ROSTER.replace("= 0", "= 1") + "low_pct = 5\n")
    with Adapter(frames_per_s=20) as adapter:
        adapter.send([WireFrame(0x19F21123, bytes.fromhex("10D430D0070000FF"))] * 10)
        code, _, errors = canlevel("tanks", f"slcan:{adapter.path}", "--roster", roster, "--check", "--seconds", "3")
    assert code == 1
    assert "Fresh water (nmea2000.fresh_water.0): low: 50.0 % (limit 60 %)" in errors
    assert "Fresh water (fresh_water.1): nothing was heard of it while it was listened to" in errors
