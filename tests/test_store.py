"""The store: what plain readers see, that nothing is stored twice, and what is refused."""

from __future__ import annotations

import json
import multiprocessing
import os
import random
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from conftest import START_US, Result
from hypothesis import given, settings
from hypothesis import strategies as st

import canlevel as library
from canlevel.errors import StoreError, StoreWarning
from canlevel.roster import Roster, TankEntry
from canlevel.storage.store import Store, create_store, open_store
from canlevel.tables import READINGS

DAY_US = 86_400_000_000


def line(at_us: int, level_raw: int = 12500, *, channel: str = "can0", source: int = 0x23, instance: int = 0) -> str:
    data = bytes([0x10 | instance]) + level_raw.to_bytes(2, "little") + bytes.fromhex("D0070000FF")
    return f"({at_us // 1_000_000:010d}.{at_us % 1_000_000:06d}) {channel} 19F211{source:02X}#{data.hex().upper()}\n"


def recording(path: Path, lines: list[str]) -> Path:
    path.write_text("".join(lines))
    return path


def test_plain_pandas_reads_the_designed_columns(tmp_path: Path) -> None:
    lines = [line(START_US + i * 2_500_000, 12500 + i) for i in range(100)]
    library.log(recording(tmp_path / "a.log", lines), tmp_path / "history", vessel="Workboat")
    frame = pd.read_parquet(tmp_path / "history" / "readings")
    assert frame.columns.tolist() == [*READINGS.names, "date"]
    assert str(frame["time"].dtype) == "datetime64[us, UTC]"
    types = {name: str(frame[name].dtype) for name in READINGS.names}
    assert {name for name, kind in types.items() if kind == "category"} == {
        "vessel", "channel", "protocol", "tank", "name", "fluid", "status"
    }  # fmt: skip
    assert {
        types[name] for name in ("level_pct", "capacity_l", "volume_l", "rate_l_per_min", "rate_low", "rate_high")
    } == {"float64"}
    assert frame["level_pct"].tolist() == [(12500 + i) * 0.004 for i in range(100)]
    assert frame["time"].is_monotonic_increasing
    assert set(frame["vessel"]) == {"Workboat"}
    assert set(frame["date"].astype(str)) == {"2026-05-01"}


def test_a_recording_over_midnight_is_stored_by_day(tmp_path: Path) -> None:
    midnight = START_US + 16 * 3600 * 1_000_000
    lines = [line(midnight + i * 1_000_000) for i in range(-5, 5)]
    library.log(recording(tmp_path / "a.log", lines), tmp_path / "history")
    days = sorted(path.name for path in (tmp_path / "history" / "readings").iterdir())
    assert days == ["date=2026-05-01", "date=2026-05-02"]
    assert [len(pd.read_parquet(tmp_path / "history" / "readings" / day)) for day in days] == [5, 5]


def test_the_same_recording_twice_adds_nothing(tmp_path: Path) -> None:
    path = recording(tmp_path / "a.log", [line(START_US + i * 2_500_000, 100 * i) for i in range(200)])
    first, second = (library.log(path, tmp_path / "history") for _ in range(2))
    assert (first.added, first.known, second.added, second.known) == (200, 0, 0, 200)
    assert len(library.open_store(tmp_path / "history").parts()) == 1


MOMENTS = st.lists(
    st.tuples(st.integers(0, 60), st.integers(0, 3), st.integers(0, 2), st.integers(0, 1)), min_size=1, max_size=60
)


@settings(max_examples=40)
@given(
    MOMENTS, st.lists(st.tuples(st.integers(0, 60), st.integers(1, 60), st.sampled_from(["can0", "vcan7"])), max_size=5)
)
def test_overlapping_recordings_add_only_what_is_new(
    sent: list[tuple[int, int, int, int]], cuts: list[tuple[int, int, str]]
) -> None:
    """Law: whatever pieces are imported, in whatever order and under whatever channel names, the store holds each reading
    of them once: one time, one tank and source, one level."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        history = Path(folder) / "history"
        expected = set()
        for number, (begin, length, channel) in enumerate([*cuts, (0, 60, "can0")]):
            piece = sent[begin : begin + length]
            if not piece:
                continue
            lines = [
                # Seconds around midnight, so that pieces touch two days.
                line(
                    START_US + (16 * 3600 + at - 30) * 1_000_000,
                    100 * level,
                    channel=channel,
                    source=source,
                    instance=tank,
                )
                for at, level, source, tank in piece
            ]
            summary = library.log(recording(Path(folder) / f"{number}.log", lines), history)
            before = len(expected)
            expected |= set(piece)
            assert (summary.added, summary.known) == (len(expected) - before, len(piece) - len(expected) + before)
        stored = library.open_store(history).readings()
        assert len(stored) == len(expected)
        found = {
            ((int(row.time.value) // 1000 - START_US) // 1_000_000 - 16 * 3600 + 30, round(row.level_pct / 0.4),
             row.source_address, row.instance) for row in stored.itertuples()
        }  # fmt: skip
        assert found == expected


def test_readings_of_one_moment_that_differ_are_all_kept(tmp_path: Path) -> None:
    lines = [line(START_US, 1), line(START_US, 2), line(START_US, 1, source=0x24), line(START_US, 1, instance=1)]
    lines += [line(START_US, 32767), line(START_US, 32766)]
    summary = library.log(recording(tmp_path / "a.log", lines * 3), tmp_path / "history")
    assert (summary.added, summary.known) == (6, 12)


def test_queries_by_tank_and_time(tmp_path: Path) -> None:
    lines = [line(START_US + i * 3600 * 1_000_000, 100 * i, instance=i % 2) for i in range(72)]
    library.log(recording(tmp_path / "a.log", lines), tmp_path / "history")
    store = library.open_store(tmp_path / "history")
    assert len(store.readings()) == 72
    odd = store.readings(tank="nmea2000.fresh_water.1")
    assert odd["instance"].tolist() == [1] * 36
    since, until = datetime(2026, 5, 2, 8, tzinfo=UTC), datetime(2026, 5, 3, 8)
    day = store.readings(since=since, until=until)
    assert (len(day), day["time"].min(), day["time"].max()) == (
        24, pd.Timestamp("2026-05-02T08:00Z"), pd.Timestamp("2026-05-03T07:00Z")
    )  # fmt: skip
    assert len(store.parts(since, until)) == 2
    assert store.readings(tank="nmea2000.oil.0").empty
    assert store.to_arrow(columns=["tank"]).column_names == ["tank"]


def test_unfinished_files_are_not_seen(tmp_path: Path) -> None:
    library.log(recording(tmp_path / "a.log", [line(START_US)]), tmp_path / "history")
    (part,) = library.open_store(tmp_path / "history").parts()
    for name in (".x.parquet.unfinished", ".x.parquet", "_x.parquet"):
        (part.parent / name).write_bytes(b"PAR1 half")
    assert len(library.open_store(tmp_path / "history").readings()) == 1
    assert len(pd.read_parquet(tmp_path / "history" / "readings")) == 1


def test_a_failing_disk_leaves_no_part_behind_and_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = recording(tmp_path / "a.log", [line(START_US + i * 1_000_000) for i in range(10)])
    readings = pa.Table.from_pandas(library.decode(path), schema=READINGS)
    store = create_store(tmp_path / "history")
    real = os.fsync

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    with store.writing() as writer:
        writer.append(readings)
        monkeypatch.setattr(os, "fsync", full)
        with pytest.raises(StoreError) as caught:
            writer.commit()
        assert "No space left" in str(caught.value)
        assert "room" in str(caught.value)
        assert [file for file in (tmp_path / "history" / "readings").rglob("*") if file.is_file()] == []
        monkeypatch.setattr(os, "fsync", real)
    assert (writer.added, len(store.readings())) == (10, 10)


def _hold(path: Path, ready: multiprocessing.synchronize.Event, done: multiprocessing.synchronize.Event) -> None:
    with open_store(path).writing():
        ready.set()
        done.wait(30)


def test_one_writer_at_a_time_and_readers_any_time(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    path = recording(tmp_path / "a.log", [line(START_US)])
    library.log(path, tmp_path / "history")
    context = multiprocessing.get_context("spawn")
    ready, done = context.Event(), context.Event()
    process = context.Process(target=_hold, args=(tmp_path / "history", ready, done))
    process.start()
    try:
        assert ready.wait(30)
        code, _, errors = canlevel("log", path, "--store", tmp_path / "history")
        assert (code, "being written by another" in errors) == (2, True)
        assert f"process {process.pid}, since 20" in errors
        assert len(library.open_store(tmp_path / "history").readings()) == 1
    finally:
        done.set()
        process.join(30)
    assert library.log(path, tmp_path / "history").known == 1  # the lock went with its process


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda path: path.write_text("x"), ("file", "folder")),
        (lambda path: (path.mkdir(), (path / "photo.jpg").write_text("x")), ("other things", "empty folder")),
        (lambda path: (path.mkdir(), (path / "canlevel-store.json").write_text("{}")), ("damaged", "format")),
        (lambda path: (path.mkdir(), (path / "canlevel-store.json").write_text("no")), ("damaged", "format")),
        (
            lambda path: (path.mkdir(), (path / "canlevel-store.json").write_text('{"format_version": 99}')),
            ("99", "newer canlevel"),
        ),
    ],
)
def test_paths_that_cannot_be_stores(
    make: Callable[[Path], object], words: tuple[str, str], tmp_path: Path, canlevel: Callable[..., Result]
) -> None:
    history = tmp_path / "history"
    make(history)
    before = sorted((path, path.read_bytes()) for path in tmp_path.rglob("*") if path.is_file())
    code, _, errors = canlevel("log", recording(tmp_path / "a.log", [line(START_US)]), "--store", history)
    assert code == 2
    assert "Traceback" not in errors
    assert all(word in errors for word in words), errors
    (tmp_path / "a.log").unlink()
    assert sorted((path, path.read_bytes()) for path in tmp_path.rglob("*") if path.is_file()) == before


@pytest.mark.parametrize("command", ["tanks", "flows"])
def test_reading_a_store_that_is_not_there(command: str, tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    code, _, errors = canlevel(command, "--store", tmp_path / "none")
    assert (code, "no such store" in errors, "canlevel log" in errors) == (2, True, True)


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="the superuser may write anywhere")
def test_no_permission(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    (tmp_path / "locked").mkdir(mode=0o500)
    code, _, errors = canlevel(
        "log", recording(tmp_path / "a.log", [line(START_US)]), "--store", tmp_path / "locked" / "history"
    )
    assert (code, "ermission" in errors) == (2, True)


def test_permission_errors_are_sentences(
    tmp_path: Path, canlevel: Callable[..., Result], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The superuser meets no such error, so it is injected."""

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    path = recording(tmp_path / "a.log", [line(START_US)])
    monkeypatch.setattr(Path, "mkdir", refuse)
    code, _, errors = canlevel("log", path, "--store", tmp_path / "history")
    assert (code, "Permission denied" in errors, "Traceback" in errors) == (2, True, False)
    monkeypatch.undo()
    real = Path.open
    monkeypatch.setattr(Path, "open", lambda self, *a, **k: refuse() if self == path else real(self, *a, **k))
    code, _, errors = canlevel("decode", path)
    assert (code, "Permission denied" in errors, "Traceback" in errors) == (2, True, False)


def test_a_damaged_part_is_named_and_the_rest_goes_on(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    path = recording(tmp_path / "a.log", [line(START_US)])
    library.log(path, tmp_path / "history")
    (part,) = library.open_store(tmp_path / "history").parts()
    bad = part.with_name("zz.parquet")
    bad.write_bytes(part.read_bytes()[:-20])
    for words in (["tanks", "--store", tmp_path / "history"], ["log", path, "--store", tmp_path / "history"]):
        code, _, errors = canlevel(*words)
        assert (code, str(bad) in errors, "Traceback" in errors) == (0, True, False)
    with pytest.warns(StoreWarning, match="zz.parquet"):
        assert len(library.open_store(tmp_path / "history").readings()) == 1


def test_many_small_imports_equal_one(tmp_path: Path) -> None:
    lines = [line(START_US + i * 2_500_000, 50 * i % 25000) for i in range(300)]
    library.log(recording(tmp_path / "all.log", lines), tmp_path / "one")
    order = list(range(0, 300, 30))
    random.Random(3).shuffle(order)
    for begin in order:
        library.log(recording(tmp_path / "part.log", lines[begin : begin + 40]), tmp_path / "many")
    one, many = (library.open_store(tmp_path / name).readings() for name in ("one", "many"))
    keep = ["time", "tank", "level_pct", "volume_l", "status"]
    pd.testing.assert_frame_equal(one[keep], many[keep])


def test_the_vessel_is_remembered_by_its_store(tmp_path: Path) -> None:
    path = recording(tmp_path / "a.log", [line(START_US)])
    library.log(path, tmp_path / "history", vessel="Workboat")
    assert json.loads((tmp_path / "history" / "canlevel-store.json").read_text())["vessel"] == "Workboat"
    later = recording(tmp_path / "b.log", [line(START_US + 5_000_000)])
    library.log(later, tmp_path / "history")
    assert set(library.open_store(tmp_path / "history").readings()["vessel"]) == {"Workboat"}
    assert isinstance(library.open_store(tmp_path / "history"), Store)


def test_parts_are_written_with_row_statistics_for_pruning(tmp_path: Path) -> None:
    library.log(recording(tmp_path / "a.log", [line(START_US + i * 1000) for i in range(50)]), tmp_path / "history")
    (part,) = library.open_store(tmp_path / "history").parts()
    statistics = pq.read_metadata(part).row_group(0).column(0).statistics
    assert (statistics.min, statistics.max) == (
        datetime(2026, 5, 1, 8, tzinfo=UTC),
        datetime(2026, 5, 1, 8, 0, 0, 49_000, tzinfo=UTC),
    )


def test_a_store_remembers_the_roster_it_was_logged_with(tmp_path: Path) -> None:
    store = create_store(tmp_path / "history", vessel="Harbour workboat")
    assert store.roster() == Roster("Harbour workboat")
    roster = Roster("Harbour workboat", (TankEntry("Fresh water, bow", "fresh_water", 0, low_pct=15),))
    store.note_roster(roster)
    assert store.roster() == roster
    (store.path / "roster.json").write_text('{"vessel": 3')
    assert store.roster() == Roster("Harbour workboat")
