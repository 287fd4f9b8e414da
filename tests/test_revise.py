"""A store derived anew: as if it had been logged with the right roster, and whatever happens on the way, nothing is lost.

The law that most of this holds: log with the right roster = log with a wrong one, then revise; every column, flows, and what
the next run goes on with. Frames are invented; their layout is the standards' (see dbc/).
"""

from __future__ import annotations

import errno
import io
import json
import os
import random
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from conftest import Result
from hypothesis import given, settings
from hypothesis import strategies as st
from powercut import Recorder, disks_after
from test_durable import CUTS, ROSTER, Refusing, Run, cut_off, frames, log_by_minutes

import canlevel as library
from canlevel import history, revision
from canlevel.errors import QueryError, StoreError, StoreWarning
from canlevel.revision import DERIVED, revise_store
from canlevel.roster import CYLINDER, TABLE, Roster, Shape, TankEntry
from canlevel.storage import encoding
from canlevel.storage.merge import arranged, replace_day
from canlevel.storage.parts import read_kept
from canlevel.storage.store import Store, create_store, marks_table, open_store
from canlevel.tables import KEPT, READINGS, as_kept, as_sent, times_us

MIDNIGHT_US = 1_777_680_000_000_000  # 2026-05-02T00:00:00Z
RECEIVED = [name for name in READINGS.names if name not in DERIVED]
KEY = ["time", "tank", "source_address", "level_pct", "status"]


def recording(seed: int = 3) -> list[str]:
    """Half an hour around each of two midnights. A fresh tank that is drawn from, whose device tells its capacity; two fuel
    tanks, of one the device tells it now and then and changes its mind; a grey tank that tells litres and no capacity; short
    frames.
    """
    draw = random.Random(seed)
    lines = []
    for begin_us in (MIDNIGHT_US - 900_000_000, MIDNIGHT_US + 86_400_000_000 - 900_000_000):
        for i in range(720):
            at_us = begin_us + i * 2_500_000 + draw.randrange(2000)
            fresh = 20_000 - 40 * max(0, i - 200) if i < 500 else 8_000
            fuel = 12_000 + draw.randrange(-30, 30)
            told = draw.choice([3800, 3800, 3800, 0xFFFFFFFF]) if i < 400 else 4000
            grey = min(100, 20 + max(0, i - 200) // 12)
            sent = [
                (0x19F21123, bytes([0x10]) + fresh.to_bytes(2, "little") + (2000).to_bytes(4, "little") + b"\xff"),
                (0x19F2112A, bytes([0x00]) + fuel.to_bytes(2, "little") + told.to_bytes(4, "little") + b"\xff"),
                (0x19F2112B, bytes([0x01]) + fuel.to_bytes(2, "little") + b"\xff\xff\xff\xff\xff"),
                (0x19FFB744, bytes([2, grey, 100]) + (grey * 3 // 2).to_bytes(2, "little") + b"\xff\xff\xff"),
            ]
            if i % 97 == 0:
                sent.append((0x19F21123, bytes([0x10, 0x11])))
            for number, (identifier, data) in enumerate(sent):
                time_us = at_us + 300 * number
                lines.append(
                    f"({time_us // 1_000_000:010d}.{time_us % 1_000_000:06d}) can0 {identifier:08X}#{data.hex().upper()}\n"
                )
    return lines


LINES = recording()
FRESH, FUEL, OTHER_FUEL, GREY = ("fresh_water", 0), ("fuel", 0), ("fuel", 1), ("grey_water", 2)
BENT = Shape(TABLE, ((0.0, 0.0), (50.0, 80.0), (100.0, 190.0)))
RIGHT = [
    Roster("Workboat"),
    Roster("Workboat", (TankEntry("Fresh water, bow", *FRESH, capacity_l=210.0), TankEntry("Fuel", *FUEL))),
    Roster(
        "Workboat",
        (
            TankEntry("Fresh", *FRESH, capacity_l=190.0, shape=BENT),
            TankEntry("Fuel, port", *FUEL, source_address=0x2A, capacity_l=380.0, shape=Shape(CYLINDER)),
            TankEntry("Fuel, starboard", *OTHER_FUEL, capacity_l=400.0),
            TankEntry("Sink", *GREY, protocol="rvc", capacity_l=150.0),
        ),
    ),
    Roster("Workboat", (TankEntry("Sink", *GREY, shape=Shape(CYLINDER)), TankEntry("x", *FUEL, source_address=1))),
]
WRONG = [
    Roster(),
    Roster("Wrokboat", (TankEntry("Fresh", *FRESH, capacity_l=20.0), TankEntry("Grey", *GREY, capacity_l=15.0))),
    Roster(None, tuple(TankEntry("?", *tank, capacity_l=77.0, shape=Shape(CYLINDER)) for tank in (FRESH, FUEL, GREY))),
    *RIGHT,
]


@pytest.fixture(autouse=True)
def _no_waiting_for_disks(monkeypatch: pytest.MonkeyPatch) -> None:
    """What a disk has when the power goes is powercut.py's to say; real ones would take minutes over it."""
    monkeypatch.setattr(os, "fsync", lambda _: None)


def log(path: Path, store: Path, roster: Roster, lines: list[str], *, pieces: int = 1, tidied: bool = False) -> Store:
    for number in range(pieces):
        begin, end = (len(lines) * place // pieces for place in (number, number + 1))
        path.write_text("".join(lines[begin:end]))
        library.log(path, store, roster=roster)
        if tidied:
            library.tidy(store)
    return open_store(store)


def rows(store: Store) -> pa.Table:
    """All that a store keeps of its readings, sent figures too, in one order."""
    return arranged("readings", [read_kept(part) for part in store.parts()])


def frame(table: pa.Table) -> pd.DataFrame:
    plain = table.to_pandas()
    for name in plain.columns:
        if plain[name].dtype == "category":
            plain[name] = plain[name].astype(object)
    return plain


def files(folder: Path) -> dict[str, tuple[int, int]]:
    """What is in a folder: when each file was written last, and how long it is."""
    found = (path for path in folder.rglob("*") if path.is_file() and path.name != ".writer.lock")
    return {str(path): (path.stat().st_mtime_ns, path.stat().st_size) for path in found}


@pytest.mark.parametrize("right", RIGHT, ids=range(len(RIGHT)))
def test_revised_is_as_logged_with_the_right_roster(right: Roster, tmp_path: Path) -> None:
    expected = log(tmp_path / "a.log", tmp_path / "right", right, LINES, pieces=3)
    for number, wrong in enumerate(WRONG):
        store = log(
            tmp_path / "a.log", tmp_path / f"{number}", wrong, LINES, pieces=1 + number % 3, tidied=number % 2 == 1
        )
        before = rows(store)
        done = revise_store(store.path, right)
        assert (done.readings, done.unfinished, done.not_known) == (len(before), False, [])
        assert (done.changed == 0) == (wrong == right)
        after = rows(store)
        assert after.select(RECEIVED).equals(before.select(RECEIVED))
        pd.testing.assert_frame_equal(frame(after), frame(rows(expected)), check_exact=True)
        flows = [history.stored_flows(s).to_pylist() for s in (store, expected)]
        assert flows[0] == flows[1]
        assert len(flows[0]) >= 3
        store = open_store(store.path)
        assert (store.vessel, store.roster(), store.revising()) == ("Workboat", right, None)
        ours, theirs = (sorted(map(json.dumps, s.last_run()["rates"])) for s in (store, expected))
        assert ours == theirs
        # The same again changes nothing.
        seen = files(store.path)
        again = library.revise(store.path, right)
        assert (again.changed, again.days, again.tanks) == (0, 0, [])
        assert files(store.path) == seen


def test_the_next_log_goes_on_where_the_revised_store_stands(tmp_path: Path) -> None:
    cut = len(LINES) - 700
    for name, first in (("right", RIGHT[2]), ("wrong", WRONG[1])):
        log(tmp_path / "a.log", tmp_path / name, first, LINES[:cut])
        revise_store(tmp_path / name, RIGHT[2])
        log(tmp_path / "b.log", tmp_path / name, RIGHT[2], LINES[cut:])
    right, wrong = (rows(open_store(tmp_path / name)) for name in ("right", "wrong"))
    pd.testing.assert_frame_equal(frame(wrong), frame(right), check_exact=True)


@pytest.mark.parametrize(
    ("since", "until"),
    [
        ("2026-05-02T00:00Z", None),
        (None, "2026-05-02T00:05:10Z"),
        ("2026-05-01T23:55:01Z", "2026-05-02T23:50:02Z"),
        ("2026-05-02T12:00Z", "2026-05-02T13:00Z"),
    ],
)
def test_a_span_of_time_is_revised_and_nothing_beside_it(since: str | None, until: str | None, tmp_path: Path) -> None:
    """Rates within it go on from the readings before it."""
    right, wrong = RIGHT[2], Roster("Workboat", (TankEntry("Fresh", *FRESH, capacity_l=20.0),))
    expected, store = (log(tmp_path / "a.log", tmp_path / name, r, LINES) for name, r in (("r", right), ("w", wrong)))
    old, new = frame(rows(store)), frame(rows(expected))
    done = revise_store(store.path, right, since=since, until=until)
    found = frame(rows(store))
    mine = np.ones(len(found), bool)
    if since is not None:
        mine &= (found["time"] >= pd.Timestamp(since)).to_numpy()
    if until is not None:
        mine &= (found["time"] < pd.Timestamp(until)).to_numpy()
    assert done.readings == mine.sum()
    pd.testing.assert_frame_equal(found[mine], new[mine], check_exact=True)
    pd.testing.assert_frame_equal(found[~mine], old[~mine], check_exact=True)
    # Who revises the past has not said what holds now.
    assert store.roster() == (right if until is None else wrong)


def test_wrong_spans_are_refused(tmp_path: Path) -> None:
    log(tmp_path / "a.log", tmp_path / "s", Roster(), LINES[:50])
    with pytest.raises(QueryError, match="swap"):
        revise_store(tmp_path / "s", RIGHT[1], since="2026-05-02", until="2026-05-01")


def test_looking_changes_nothing_and_tells_the_same(tmp_path: Path) -> None:
    store = log(tmp_path / "a.log", tmp_path / "s", WRONG[1], LINES, pieces=2)
    seen = files(store.path)
    look = library.revise(store.path, RIGHT[2], dry_run=True)
    assert files(store.path) == seen
    done = library.revise(store.path, RIGHT[2])
    assert (look.tanks, look.changed, look.days) == (done.tanks, done.changed, done.days)
    assert done.flow_days > 0
    told = {tank.tank: tank for tank in done.tanks}
    fuel = told["nmea2000.fuel.0"]
    assert fuel.capacities_l == ([None, 380.0, 400.0], [380.0])
    assert fuel.names == ([None], ["Fuel, port"])
    assert fuel.vessels == (["Wrokboat"], ["Workboat"])
    assert fuel.changed == ["vessel", "name", "capacity", "volume", "rates"]
    assert (fuel.readings, fuel.days) == (1440, 3)


SENT = st.lists(
    st.tuples(
        st.integers(0, 2),
        st.one_of(st.none(), st.sampled_from([100.0, 0.1, 380.0])),
        st.one_of(st.none(), st.integers(0, 200).map(float)),
        st.integers(0, 1),
        st.booleans(),
    ),
    max_size=80,
)


@settings(max_examples=60)
@given(SENT, st.booleans())
def test_what_was_sent_is_kept_beside_the_readings(sent: list[tuple[Any, ...]], in_order: bool) -> None:
    """Law: write, read, get it back; whatever the order of the rows. Beside a capacity a sent volume is of no use."""

    def told(row: dict[str, Any]) -> tuple[Any, ...]:
        capacity = row["sent_capacity_l"]
        return row["sent_known"], capacity, row["sent_volume_l"] if capacity is None else None

    n = len(sent)
    words = {name: ["x"] * n for name in ("vessel", "channel", "protocol", "name", "fluid", "status")}
    words["tank"] = [f"nmea2000.fuel.{tank}" for tank, *_ in sent]
    columns: dict[str, Any] = {name: pa.array(word, pa.string()).dictionary_encode() for name, word in words.items()}
    columns["time"] = pa.array([MIDNIGHT_US + i for i in range(n)]).cast(READINGS.field("time").type)
    columns["source_address"] = pa.array([7 * tank for tank, *_ in sent], pa.uint8())
    columns["sent_capacity_l"] = pa.array([row[1] for row in sent], pa.float64())
    columns["sent_volume_l"] = pa.array([row[2] if row[1] is None else None for row in sent], pa.float64())
    columns["sent_known"] = pa.array([row[3] for row in sent], pa.uint8())
    columns["capacity_l"] = pa.array([row[1] if row[4] else 77.0 for row in sent], pa.float64())
    columns["volume_l"] = pa.array(
        [(row[2] if row[1] is None else None) if row[4] else 5.0 for row in sent], pa.float64()
    )
    table = pa.table([columns.get(f.name, pa.nulls(n, f.type)) for f in KEPT], schema=KEPT)
    if in_order:
        table = encoding.tidied(table)
    file = io.BytesIO()
    encoding.write_readings(table, file)
    assert pq.read_schema(io.BytesIO(file.getvalue())).names == READINGS.names
    found = encoding.read_kept(io.BytesIO(file.getvalue()))  # type: ignore[arg-type]
    assert found.select(READINGS.names).to_pylist() == table.select(READINGS.names).to_pylist()
    assert [told(row) for row in found.to_pylist()] == [told(row) for row in table.to_pylist()]
    assert encoding.read_verified(io.BytesIO(file.getvalue())).schema.equals(READINGS)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "x",
        "eJw=",
        "[]",
        None,
        '[[0,1,1,"x",null]]',
        "[[0]]",
        "[[5,1,1,1.0,null]]",
        "[[0,1,0,null,null],[0,1,0,1,2]]",
    ],
)
def test_what_was_sent_cannot_be_made_to_fail_a_reading(text: str | None, tmp_path: Path) -> None:
    """A note that says nothing costs the note only."""
    import base64
    import zlib

    store = log(tmp_path / "a.log", tmp_path / "s", WRONG[2], LINES[:400])
    (part,) = store.parts()
    readings = read_kept(part).select(READINGS.names)
    packed = base64.b64encode(zlib.compress(text.encode())).decode() if text and text.startswith("[") else text
    facts = {} if packed is None else {"canlevel.sent": packed}
    part.unlink()
    pq.write_table(readings.replace_schema_metadata(facts), part.with_name("plain.parquet"))
    found = rows(store)
    assert len(found) == len(readings)
    assert set(found.column("sent_known").to_pylist()) == {0}


def test_of_an_older_store_the_stored_capacity_stays_and_that_is_told(
    tmp_path: Path, canlevel: Callable[..., Result]
) -> None:
    """One that was written before parts told what was sent; and once revised it still is not known."""
    store = log(tmp_path / "a.log", tmp_path / "s", WRONG[2], LINES)
    for day in store.day_folders():
        parts = list(day.iterdir())
        readings = pa.concat_tables([read_kept(part).select(READINGS.names) for part in parts])
        replace_day(store, "readings", day, parts, arranged("readings", [readings]))
    assert set(rows(store).column("sent_known").to_pylist()) == {0}
    done = revise_store(store.path, RIGHT[1])
    assert done.not_known == ["nmea2000.fuel.0", "rvc.grey_water.2"]
    told = frame(rows(store)).groupby("tank")["capacity_l"].agg(set)
    assert told.to_dict() == {
        "nmea2000.fresh_water.0": {210.0}, "nmea2000.fuel.0": {77.0}, "nmea2000.fuel.1": set(), "rvc.grey_water.2": {77.0}
    } | {"nmea2000.fuel.1": told["nmea2000.fuel.1"]}  # fmt: skip
    (tmp_path / "t.toml").write_text('[[tank]]\nname = "Fuel"\nfluid = "fuel"\ninstance = 0\ncapacity_l = 300\n')
    code, _, errors = canlevel("revise", "--store", store.path, "--roster", tmp_path / "t.toml")
    assert code == 0
    assert "rvc.grey_water.2 keeps the capacity that is stored" in errors
    assert "fuel.0" not in errors


def test_what_was_sent_outlasts_merges_moves_in_time_and_recoveries(tmp_path: Path) -> None:
    create_store(tmp_path / "s", vessel="Workboat")
    with open_store(tmp_path / "s").writing() as writer:
        run = Run(open_store(tmp_path / "s"), writer)
        real = run._decoder.decode
        run._decoder.decode = lambda table: as_sent(real(table))  # type: ignore[method-assign]
        run.hear(frames(0, 12))
        run.durable.commit(run.facts())
        run.hear(frames(12, 4))
        assert run.durable.move(0, 2 * MIDNIGHT_US, 5_000_000) == 16
        run.durable.close(run.facts())
    cut_off(tmp_path / "s", frames(20, 8))
    library.tidy(tmp_path / "s")
    found = frame(rows(open_store(tmp_path / "s")))
    bow = found["tank"] == "nmea2000.fresh_water.0"
    assert (len(found), bow.sum(), set(found["sent_known"])) == (24, 12, {1})
    assert set(found["sent_capacity_l"]) == {200.0}
    assert set(found["capacity_l"][bow]) == {150.0}


def test_a_store_of_two_vessels_asks_whose_the_roster_is(tmp_path: Path) -> None:
    other = [line.replace("(17776", "(17777") for line in LINES[:300]]
    store = log(tmp_path / "a.log", tmp_path / "s", Roster("A"), LINES[:300])
    log(tmp_path / "b.log", tmp_path / "s", Roster("B"), other)
    before = frame(rows(store))
    tanks = RIGHT[1].tanks
    with pytest.raises(QueryError, match=r"(?s)A, B.*--vessel"):
        revise_store(store.path, Roster(None, tanks))
    with pytest.raises(QueryError, match=r"A, B"):
        revise_store(store.path, Roster("C", tanks))
    with pytest.raises(QueryError, match=r'(?s)"C".*A, B'):
        revise_store(store.path, Roster("A", tanks), vessel="C")
    revise_store(store.path, Roster("B", tanks))
    found = frame(rows(store))
    theirs = found["vessel"] == "A"
    pd.testing.assert_frame_equal(found[theirs], before[before["vessel"] == "A"], check_exact=True)
    assert set(found["name"][~theirs].dropna()) == {"Fresh water, bow", "Fuel"}
    revise_store(store.path, Roster("Harbour workboat"), vessel="A")
    found = frame(rows(store))
    assert set(found["vessel"]) == {"B", "Harbour workboat"}
    assert open_store(store.path).vessel == "Harbour workboat"


def test_outages_and_spans_of_the_clock_go_with_their_vessel(tmp_path: Path) -> None:
    store = log(tmp_path / "a.log", tmp_path / "s", Roster("Wrokboat"), LINES[:600])
    for kind in ("outages", "clock"):
        row = {"from": MIDNIGHT_US - 1_000_000, "to": MIDNIGHT_US, "why": "a test"}
        store.add_marks(kind, marks_table(kind, [row, row | {"from": MIDNIGHT_US - 2_000_000}], "Wrokboat"))
    revise_store(store.path, RIGHT[1])
    for kind in ("outages", "clock"):
        marks = store.marks(kind)
        assert marks.column("vessel").to_pylist() == ["Workboat"] * 2
        assert times_us(marks, "from").tolist() == [MIDNIGHT_US - 2_000_000, MIDNIGHT_US - 1_000_000]


def test_a_store_that_is_held_is_not_revised(tmp_path: Path, canlevel: Callable[..., Result], monkeypatch: Any) -> None:
    monkeypatch.setattr(revision, "WAIT_FOR_OTHERS_S", 0.1)
    store = log(tmp_path / "a.log", tmp_path / "s", WRONG[1], LINES[:600])
    (tmp_path / "t.toml").write_text('[[tank]]\nname = "Fuel"\nfluid = "fuel"\ninstance = 0\n')
    words = ["revise", "--store", store.path, "--roster", tmp_path / "t.toml"]
    seen = files(store.path)
    with store.writing():
        code, _, errors = canlevel(*words)
        assert (code, "another canlevel (process" in errors, "stop it" in errors) == (2, True, True)
        assert canlevel(*words, "--dry-run")[0] == 0
    assert files(store.path) == seen
    assert canlevel(*words)[0] == 0


def test_what_a_run_left_in_its_journal_is_brought_in_first(tmp_path: Path) -> None:
    create_store(tmp_path / "s", vessel="Workboat")
    cut_off(tmp_path / "s", frames(0, 8))
    done = revise_store(tmp_path / "s", Roster("Workboat", (TankEntry("Bow", "fresh_water", 0, capacity_l=100.0),)))
    assert (done.recovered.readings, done.readings, done.changed) == (8, 8, 4)
    assert set(frame(rows(open_store(tmp_path / "s")))["capacity_l"]) == {100.0, 200.0}


def test_a_damaged_part_is_set_aside_and_the_rest_revised(tmp_path: Path) -> None:
    store = log(tmp_path / "a.log", tmp_path / "s", WRONG[1], LINES, pieces=2)
    part = store.parts()[0]
    content = bytearray(part.read_bytes())
    content[len(content) // 2] ^= 8
    part.write_bytes(content)
    done = revise_store(store.path, RIGHT[1])
    ((_, to, _),) = done.set_aside
    assert to.parent.name == "damaged"
    assert done.readings == len(rows(store)) < len(LINES)


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO, errno.EROFS])
def test_a_disk_that_refuses_costs_nothing(number: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whenever it begins to: what is stored stays good, and the same call afterwards does the rest."""
    expected = frame(rows(log(tmp_path / "a.log", tmp_path / "r", RIGHT[2], LINES[:2000])))
    log(tmp_path / "a.log", tmp_path / "w", WRONG[1], LINES[:2000], pieces=2)
    monkeypatch.setattr(revision, "bring_flows_up_to_date", lambda _: 0)
    refusals = 0
    for allowed in range(number % 3, 100, 3):
        shutil.rmtree(tmp_path / "s", ignore_errors=True)
        shutil.copytree(tmp_path / "w", tmp_path / "s")
        with monkeypatch.context() as patches:
            refusing = _AfterSome(patches, OSError(number, "no"), allowed)
            try:
                revise_store(tmp_path / "s", RIGHT[2])
                assert not refusing.refused
                break
            except StoreError:
                refusals += 1
        revise_store(tmp_path / "s", RIGHT[2])
        pd.testing.assert_frame_equal(frame(rows(open_store(tmp_path / "s"))), expected, check_exact=True)
    assert refusals > 8


class _AfterSome(Refusing):
    """A disk that takes so many calls, and refuses from then on."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, error: OSError, allowed: int) -> None:
        self._left = allowed
        super().__init__(monkeypatch, error)

    @property
    def refuses(self) -> bool:
        self._left -= 1
        return self._left < 0

    @refuses.setter
    def refuses(self, _: bool) -> None: ...

    @property
    def refused(self) -> bool:
        return self._left < 0


CORRECTED = Roster("Harbour workboat", (TankEntry("Fresh water", "fresh_water", 0, capacity_l=200.0),))


def _a_store_with_days(tmp_path: Path) -> Path:
    store = tmp_path / "before"
    create_store(store, vessel="Workboat")
    log_by_minutes(store, Recorder(store))
    row = {"from": times_us(rows(open_store(store)))[0].item(), "to": MIDNIGHT_US, "why": "a test"}
    open_store(store).add_marks("outages", marks_table("outages", [row], "Workboat"))
    assert len(open_store(store).parts()) == 5
    return store


def _content(folder: Path) -> frozenset[tuple[str, bytes]]:
    return frozenset(
        (str(path.relative_to(folder)), path.read_bytes() if path.is_file() else b"") for path in folder.rglob("*")
    )


@pytest.mark.parametrize("swaps", [True, False])
def test_no_crash_of_a_revision_loses_doubles_or_tears(
    swaps: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each reading is there once, each day is as it was or as it shall be, and the same call afterwards does the rest."""
    before = _a_store_with_days(tmp_path)
    monkeypatch.setattr(revision, "bring_flows_up_to_date", lambda _: 0)
    shutil.copytree(before, tmp_path / "after")
    assert revise_store(tmp_path / "after", CORRECTED).days == 2
    old, new = (frame(rows(open_store(path))) for path in (before, tmp_path / "after"))
    assert old["vessel"].tolist() != new["vessel"].tolist()

    shutil.copytree(before, tmp_path / "run")
    recorder = Recorder(tmp_path / "run")
    with recorder.recording(swaps=swaps):
        revise_store(tmp_path / "run", CORRECTED)
    draw, mixed, disks = random.Random(1), 0, set()
    for n in range(len(recorder.calls) + 1):
        for kind, _ in disks_after(before, recorder, n, tmp_path / "found", draw, CUTS):
            where = f"{kind}, after call {n}"
            disk = _content(tmp_path / "found")
            if disk in disks:
                continue  # another way to what was looked at
            disks.add(disk)
            seen = pd.read_parquet(tmp_path / "found" / "readings")
            if swaps:
                assert len(seen) == len(old), where
            with pytest.MonkeyPatch.context() as quiet:
                quiet.setattr(library.recovery, "_warn", lambda _: None)
                opened = library.open_store(tmp_path / "found")
            found = frame(rows(opened))
            pd.testing.assert_frame_equal(found[RECEIVED], old[RECEIVED], obj=where, check_exact=True)
            assert len(pd.read_parquet(tmp_path / "found" / "readings")) == len(old), where
            day = found["time"].dt.date
            states = []
            for one in sorted(set(day)):
                mine = day == one
                states.append(next(i for i, whole in enumerate((old, new)) if found[mine].equals(whole[mine])))
            mixed += len(set(states)) > 1
            if any(states) and not all(states):
                assert opened.revising() is not None, where
            revise_store(tmp_path / "found", CORRECTED)
            opened = open_store(tmp_path / "found")
            pd.testing.assert_frame_equal(frame(rows(opened)), new, obj=where, check_exact=True)
            assert (opened.vessel, opened.roster(), opened.revising()) == ("Harbour workboat", CORRECTED, None), where
            assert opened.marks("outages").column("vessel").to_pylist() == ["Harbour workboat"], where
            assert opened.last_run()["rates"] == open_store(tmp_path / "after").last_run()["rates"], where
            assert not opened.left_undone, where
    print(f"{len(recorder.calls)} calls, {len(disks)} different disks, {mixed} of them with days of both kinds")
    assert mixed >= 5


def test_one_that_was_cut_off_is_told_until_it_is_done(tmp_path: Path) -> None:
    store = log(tmp_path / "a.log", tmp_path / "s", WRONG[1], LINES)
    new = frame(rows(log(tmp_path / "a.log", tmp_path / "r", RIGHT[1], LINES)))

    def stop(done: int, of: int) -> None:
        if done == 2 < of:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        revise_store(store.path, RIGHT[1], on_day=stop)
    assert set(frame(rows(store))["vessel"]) == {"Wrokboat", "Workboat"}
    with pytest.warns(StoreWarning, match="once more"):
        library.open_store(store.path)
    # One that goes over less leaves the note; its vessel's two names count as one.
    done = revise_store(store.path, RIGHT[1], since="2026-05-02T23:50Z")
    assert done.unfinished
    assert store.revising() is not None
    done = revise_store(store.path, RIGHT[1])
    assert (done.unfinished, store.revising()) == (False, None)
    pd.testing.assert_frame_equal(frame(rows(store)), new, check_exact=True)


def test_the_command_tells_what_changed(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    wrong = tmp_path / "wrong.toml"
    wrong.write_text(
        '[[tank]]\nname = "Bow\\u001b[31m"\nfluid = "fresh_water"\ninstance = 0\ncapacity = "50 us-gallon"\n'
    )
    right = tmp_path / "right.toml"
    right.write_text(
        '[vessel]\nname = "Workboat"\n[[tank]]\nname = "Fresh water, bow"\nfluid = "fresh_water"\ninstance = 0\n'
        'capacity_l = 200\n[[tank]]\nname = "Sink"\nfluid = "grey_water"\ninstance = 2\nshape = "horizontal_cylinder"\n'
    )
    (tmp_path / "a.log").write_text("".join(LINES))
    canlevel("log", tmp_path / "a.log", "--store", tmp_path / "s", "--roster", wrong, "--vessel", "Workboat")
    words = ["revise", "--store", tmp_path / "s", "--roster", right]
    code, output, errors = canlevel(*words, "--dry-run", "--units", "us-gallon")
    assert (code, errors) == (0, "")
    assert "capacity 50 → 52.8344 US gal" in output  # 200 L / 3.785411784 L (NIST SP 811)
    assert "would change" in output
    code, output, errors = canlevel(*words)
    assert (code, errors) == (0, "")
    assert output.splitlines()[:4] == [
        "nmea2000.fresh_water.0, source 35: 1,456 readings of 3 days",
        "  name Bow\\x1b[31m → Fresh water, bow; capacity 189.271 → 200 L; volume and rates anew",
        "rvc.grey_water.2, source 68: 1,440 readings of 3 days",
        "  name (none) → Sink",
    ]
    assert output.splitlines()[4] == "5,776 readings, 2,896 changed, on 3 days"
    code, output, errors = canlevel(*words)
    assert (code, output, errors) == (0, "nothing to change: 5,776 readings on 3 days, as this roster has them\n", "")


@pytest.mark.parametrize(
    "words",
    [
        ["--roster", "t.toml"],
        ["--store", "none", "--roster", "t.toml"],
        ["--store", "s"],
        ["--store", "s", "--roster", "none.toml"],
        ["--store", "s", "--roster", "t.toml", "--since", "noon"],
        ["--store", "s", "--roster", "t.toml", "--since", "2026-05-02", "--until", "2026-05-01"],
        ["--store", "s", "--roster", "t.toml", "--vessel", "nobody's"],
    ],
)
def test_wrong_calls(
    words: list[str], tmp_path: Path, canlevel: Callable[..., Result], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    log(tmp_path / "a.log", tmp_path / "s", Roster("A"), LINES[:50])
    Path("t.toml").write_text('[[tank]]\nname = "Fuel"\nfluid = "fuel"\ninstance = 0\n')
    seen = files(tmp_path / "s")
    code, output, errors = canlevel("revise", *words)
    assert (code, output, "Traceback" in errors) == (2, "", False)
    assert errors.strip()
    assert files(tmp_path / "s") == seen


def test_a_store_without_readings(tmp_path: Path) -> None:
    create_store(tmp_path / "s")
    done = revise_store(tmp_path / "s", RIGHT[1])
    assert (done.readings, done.days) == (0, 0)


def test_mere_readings_are_kept_as_what_is_not_known() -> None:
    assert as_kept(READINGS.empty_table()).schema.equals(KEPT)
    assert ROSTER.tanks


def test_two_stores_become_one(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    """Law: two loggers' stores taken into one and revised are as one that was logged with all of it."""
    half = len(LINES) // 2
    row = {"from": MIDNIGHT_US - 1_000_000, "to": MIDNIGHT_US, "why": "a test"}
    one = log(tmp_path / "a.log", tmp_path / "one", WRONG[1], LINES[: half + 300], pieces=2, tidied=True)
    one.add_marks("outages", marks_table("outages", [row], "Wrokboat"))
    log(tmp_path / "a.log", tmp_path / "two", Roster("Wrokboat"), LINES[half:])
    both = tmp_path / "both"
    code, output, errors = canlevel("log", tmp_path / "two", tmp_path / "one", "--store", both)
    assert (code, errors) == (0, "")
    assert output == f"{len(LINES):,} new in {both}, 300 there already\n"
    assert library.join(tmp_path / "one", both).added == 0
    assert len(open_store(both).marks("outages")) == 1
    revise_store(both, RIGHT[1])
    expected = log(tmp_path / "a.log", tmp_path / "right", RIGHT[1], LINES)
    pd.testing.assert_frame_equal(frame(rows(open_store(both))), frame(rows(expected)), check_exact=True)
    assert history.stored_flows(open_store(both)).to_pylist() == history.stored_flows(expected).to_pylist()


@pytest.mark.parametrize(
    "words", [["one", "a.log"], ["one", "--vessel", "x"], ["one", "--store", "one"], ["one", "none.log"]]
)
def test_a_store_is_taken_in_as_it_is(
    words: list[str], tmp_path: Path, canlevel: Callable[..., Result], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    log(Path("a.log"), Path("one"), Roster("A"), LINES[:50])
    code, output, errors = canlevel("log", *words, *([] if "--store" in words else ["--store", "new"]))
    assert (code, output, "Next: " in errors) == (2, "", True)
    assert not Path("new").exists()
