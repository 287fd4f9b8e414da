"""Nothing lost, nothing twice: crashes between any two calls that change a store, power cuts, and what follows them.

The frames are invented; candump's text is that of can-utils' log format. What a power cut may leave: the model in powercut.py.
"""

from __future__ import annotations

import os
import random
import shutil
import sys
import tempfile
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pytest
from conftest import START_US
from powercut import Recorder, disks_after

import canlevel as library
from canlevel import recovery
from canlevel.capture.source import open_source
from canlevel.decoding.tanks import TankDecoder
from canlevel.derivation.online import OnlineRates
from canlevel.roster import Roster, TankEntry
from canlevel.storage import disk
from canlevel.storage import durable as durable_module
from canlevel.storage.durable import DurableWriter
from canlevel.storage.store import Store, create_store, open_store

MIDNIGHT_US = START_US // 86_400_000_000 * 86_400_000_000 + 86_400_000_000
# Power cuts drawn after each call; CANLEVEL_POWER_CUTS=30 pytest -s tests/test_durable.py -k crash draws more.
CUTS = int(os.environ.get("CANLEVEL_POWER_CUTS", "1"))
ROSTER = Roster("Workboat", (TankEntry("Fresh water, bow", "fresh_water", 0, capacity_l=150.0),))


def frames_text(first: int, n: int, *, begin_us: int = MIDNIGHT_US - 5_000_000, period_us: int = 500_000) -> str:
    """Frames of two tanks, each at a level of its own, so that none can stand for another."""
    lines = []
    for i in range(first, first + n):
        at_us = begin_us + i * period_us
        data = bytes([0x10 | i % 2]) + (2500 + i).to_bytes(2, "little") + bytes.fromhex("D0070000FF")
        lines.append(f"({at_us // 1_000_000:010d}.{at_us % 1_000_000:06d}) can0 19F21123#{data.hex().upper()}\n")
    return "".join(lines)


def frames(first: int, n: int, **options: int) -> pa.Table:
    with tempfile.NamedTemporaryFile("w", suffix=".log") as file:
        file.write(frames_text(first, n, **options))
        file.flush()
        return pa.concat_tables(open_source(file.name, leniently=True).batches()).unify_dictionaries().combine_chunks()


class Run:
    """A logger's run without a bus: frames through decoding and into a DurableWriter."""

    def __init__(self, store: Store, writer: Any) -> None:
        self.told: list[str] = []
        self.rates = OnlineRates(ROSTER)
        self._decoder = TankDecoder()
        self.durable = DurableWriter(
            store,
            writer,
            recovery.decoding_context(ROSTER, (), live=True),
            lambda level, text: self.told.append(f"{level}: {text}"),
        )

    def hear(self, table: pa.Table) -> None:
        self.durable.append(table, self.rates.add(ROSTER.apply(self._decoder.decode(table))))

    def facts(self) -> dict[str, Any]:
        return {"rates": self.rates.state()}


def stored_raw(store: Path) -> list[tuple[int, float]]:
    """(number, its time) of what a plain reader finds in a store, in order; numbers from the levels."""
    frame = pd.read_parquet(store / "readings") if any((store / "readings").iterdir()) else pd.DataFrame()
    if frame.empty:
        return []
    numbers = (frame["level_pct"] / 0.004).round().astype(int) - 2500
    return sorted(zip(numbers.tolist(), (frame["time"].astype("int64")).tolist(), strict=True))


def check(store: Path, promised: set[int], heard: set[int], where: str) -> None:
    """Open a store after a crash, and hold it against what was promised and what was heard at all."""
    if not (store / "canlevel-store.json").exists():
        assert not promised, where
        return
    opened = library.open_store(store)
    found = [number for number, _ in stored_raw(store)]
    assert len(found) == len(set(found)), f"{where}: doubled"
    assert promised <= set(found) <= heard, f"{where}: lost {sorted(promised - set(found))[:5]}"
    assert not opened.left_undone, where
    frame = opened.readings()
    assert len(frame) == len(found)
    if len(found):
        assert set(frame["name"].dropna()) <= {"Fresh water, bow"}
        assert set(frame["vessel"]) == {"Workboat"}


def every_crash(
    scenario: Callable[[Path, Recorder], None],
    before: Path,
    tmp_path: Path,
    heard: set[int],
    *,
    swaps: bool = True,
    cuts: int = CUTS,
    seed: int = 1,
) -> tuple[int, int]:
    """Run a scenario once, then check the store as it may be found after a crash before each of its calls.

    Returns (calls, disks checked).
    """
    store = tmp_path / "run"
    shutil.copytree(before, store)
    recorder = Recorder(store)
    with recorder.recording(swaps=swaps):
        scenario(store, recorder)
    draw, checked = random.Random(seed), 0
    for n in range(len(recorder.calls) + 1):
        for kind, promised in disks_after(before, recorder, n, tmp_path / "found", draw, cuts):
            after = recorder.calls[n - 1] if n else ("the beginning",)
            numbers = set().union(*promised) if promised else set()
            check(tmp_path / "found", numbers, heard, f"{kind}, after call {n} {after[0]} {str(after[1:])[:80]}")
            checked += 1
    print(f"{len(recorder.calls)} calls, {checked:,} disks checked")
    return len(recorder.calls), checked


def log_by_minutes(store: Path, recorder: Recorder, *, first: int = 0, minutes: int = 3) -> None:
    """Batches over midnight, synced and committed. Each batch is promised once it is synced."""
    with open_store(store).writing() as writer:
        run = Run(open_store(store), writer)
        for minute in range(minutes):
            for batch in range(2):
                at = first + 2 * (2 * minute + batch)
                run.hear(frames(at, 2))
                run.durable.journal.sync()
                recorder.promise({at, at + 1})
            run.durable.commit(run.facts())
            assert not list(store.glob("journal/*/*.log"))  # what is in parts is in no journal any more
        at = first + 4 * minutes
        run.hear(frames(at, 2))
        # A file that is complete is on the disk, whether or not its second was over.
        run.durable.journal.rotate()
        recorder.promise({at, at + 1})
        run.durable.close(run.facts())


@pytest.fixture
def empty_store(tmp_path: Path) -> Path:
    create_store(tmp_path / "empty", vessel="Workboat")
    return tmp_path / "empty"


def test_no_crash_of_a_logger_loses_or_doubles(empty_store: Path, tmp_path: Path) -> None:
    calls, checked = every_crash(log_by_minutes, empty_store, tmp_path, set(range(14)))
    assert calls > 60
    assert checked == (2 + CUTS) * (calls + 1)


def test_what_is_written_is_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The calls that the model of power cuts takes at their word: a file and a new folder's name are synced by them."""
    synced: list[str] = []
    real = os.fsync

    def fsync(descriptor: int) -> None:
        synced.append(str(Path(f"/proc/self/fd/{descriptor}").readlink()) if sys.platform.startswith("linux") else "")
        real(descriptor)

    monkeypatch.setattr(os, "fsync", fsync)
    disk.write_file(tmp_path / "a", lambda file: file.write(b"x"))
    disk.make_folder(tmp_path / "b" / "c")
    assert len(synced) == 3
    if synced[0]:
        assert synced == [str(tmp_path / "a"), str(tmp_path), str(tmp_path / "b")]


def test_no_crash_of_a_recovery_loses_or_doubles(empty_store: Path, tmp_path: Path) -> None:
    """Of a run that was killed with a journal of three files, one of them already in parts."""
    with open_store(empty_store).writing() as writer:
        run = Run(open_store(empty_store), writer)
        run.hear(frames(0, 4))
        run.durable.commit(run.facts())
        run.hear(frames(4, 4))
        run.durable.journal.rotate()
        run.hear(frames(8, 4))
        run.durable.journal.close(keep=True)
        run.durable.writer.take_waiting()
        run.durable._worker.shutdown()

    def recover(store: Path, recorder: Recorder) -> None:
        recorder.promise(set(range(12)))
        assert len(library.open_store(store).readings()) == 12

    calls, _ = every_crash(recover, empty_store, tmp_path, set(range(12)))
    assert calls > 10


@pytest.mark.parametrize("swaps", [True, False])
def test_no_crash_of_a_merge_loses_or_doubles(swaps: bool, empty_store: Path, tmp_path: Path) -> None:
    log_by_minutes(empty_store, Recorder(empty_store))
    parts = open_store(empty_store).parts()
    assert len(parts) == 5  # of two days
    sights: list[int] = []

    def merge(store: Path, recorder: Recorder) -> None:
        recorder.promise(set(range(14)))
        done = library.tidy(store)
        assert (done.days, done.parts, done.rows) == (2, 5, 14)

    calls, _ = every_crash(merge, empty_store, tmp_path, set(range(14)), swaps=swaps)
    assert calls > 20
    # What a plain reader sees at each moment of a merge that goes well.
    store = tmp_path / "seen"
    shutil.copytree(empty_store, store)
    recorder = Recorder(store)
    with recorder.recording(swaps=swaps):
        merge(store, recorder)
    for n in range(len(recorder.calls) + 1):
        for kind, _ in disks_after(empty_store, recorder, n, tmp_path / "found", random.Random(1), cuts=0):
            if kind == "killed":
                sights.append(len(stored_raw(tmp_path / "found")))
    if swaps:
        assert set(sights) == {14}
    else:
        assert min(sights) == 14 < max(sights)  # doubled for a moment, as STORE's documentation says
    assert len(open_store(store).parts()) == 2


def test_no_crash_of_a_move_in_time_loses_or_doubles(empty_store: Path, tmp_path: Path) -> None:
    """Readings of a run whose clock was 40 days behind, some in parts of two days, some waiting."""
    by_us = 40 * 86_400_000_000

    def move(store: Path, recorder: Recorder) -> None:
        with open_store(store).writing() as writer:
            run = Run(open_store(store), writer)
            run.hear(frames(0, 12))
            run.durable.journal.sync()
            recorder.promise(set(range(12)))
            run.durable.commit(run.facts())
            run.hear(frames(12, 4))
            run.durable.journal.sync()
            recorder.promise(set(range(12, 16)))
            moved = run.durable.move(0, MIDNIGHT_US + 86_400_000_000, by_us)
            assert moved == 16
            run.durable.close(run.facts())

    every_crash(move, empty_store, tmp_path, set(range(16)))
    times = [at for _, at in stored_raw(tmp_path / "run")]
    expected = [MIDNIGHT_US - 5_000_000 + i * 500_000 + by_us for i in range(16)]
    assert [at // 1000 if at > 1e17 else at for at in times] == expected


def test_a_journal_is_recovered_as_it_would_have_been_stored(tmp_path: Path) -> None:
    """All columns, rates too, and the move in time that became known after the frames were written."""
    whole = tmp_path / "whole"
    cut = tmp_path / "cut"
    for path in (whole, cut):
        create_store(path, vessel="Workboat")
        with open_store(path).writing() as writer:
            run = Run(open_store(path), writer)
            run.hear(frames(0, 40))
            run.durable.commit(run.facts())
            run.hear(frames(40, 40))
            if path == whole:
                run.durable.close(run.facts())
            else:
                run.durable.journal.close(keep=True)
                run.durable._worker.shutdown()
    assert open_store(cut).left_undone
    expected, found = (library.open_store(path).to_arrow() for path in (whole, cut))
    assert len(expected) == 80
    assert found.equals(expected)
    assert open_store(cut).last_run()["rates"] == open_store(whole).last_run()["rates"]


def cut_off(store: Path, table: pa.Table) -> None:
    """A run that heard some frames and was cut off before it stored them."""
    with open_store(store).writing() as writer:
        run = Run(open_store(store), writer)
        run.hear(table)
        run.durable.journal.close(keep=True)
        run.durable._worker.shutdown()


def test_a_channel_of_any_name_comes_back(empty_store: Path) -> None:
    name = "bus of the bow, 100 % (ä)\n"
    table = frames(0, 4)
    table = table.set_column(1, "channel", pa.array([name] * 4).dictionary_encode())
    cut_off(empty_store, table)
    assert set(library.open_store(empty_store).readings()["channel"]) == {name}


def test_a_journal_cut_or_damaged_anywhere_gives_the_frames_that_are_whole(empty_store: Path, tmp_path: Path) -> None:
    cut_off(empty_store, frames(0, 6))
    (journal,) = (empty_store / "journal").glob("*/*.log")
    text = journal.read_bytes()
    line = len(text) // 6
    draw = random.Random(5)
    for cut in range(len(text) + 1):
        store = tmp_path / "cut"
        shutil.rmtree(store, ignore_errors=True)
        shutil.copytree(empty_store, store)
        target = store / journal.relative_to(empty_store)
        target.write_bytes(text[:cut] + draw.choice([b"", b"\0" * 40, draw.randbytes(30)]))
        found = numbers_when_opened(store)
        # A line without its end may be whole, or carry a shorter frame: that one is malformed and has no level.
        assert set(range(cut // line)) <= found <= set(range(-(-cut // line)))


def numbers_when_opened(store: Path) -> set[int]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        frame = library.open_store(store).readings()
    return {round(level / 0.004) - 2500 for level in frame.loc[frame["status"] == "ok", "level_pct"]}


@pytest.mark.parametrize(
    "document", ["", "{}", "[]", "\0\0\0", '{"vessel": 1, "tanks": 2}', '{"tanks": [{"name": "x"}]}']
)
def test_a_journal_whose_context_is_damaged_is_decoded_as_any_recording(document: str, empty_store: Path) -> None:
    cut_off(empty_store, frames(0, 6))
    (context,) = (empty_store / "journal").glob("*/context.json")
    context.write_text(document)
    assert len(library.open_store(empty_store).readings()) == 6


class Refusing:
    """A disk that refuses for a while: every call that would write raises the error."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, error: OSError) -> None:
        self.refuses = False
        for name in ("write_file", "append", "sync", "rename", "make_folder", "sync_folder", "open_appending"):
            real = getattr(disk, name)

            def call(*words: Any, _real: Any = real) -> Any:
                if self.refuses:
                    raise error
                return _real(*words)

            monkeypatch.setattr(disk, name, call)


@pytest.mark.parametrize("number", [28, 5, 30, 2, 13])  # ENOSPC, EIO, EROFS, ENOENT, EACCES
def test_a_disk_that_refuses_for_a_while_costs_nothing(
    number: int, empty_store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    refusing = Refusing(monkeypatch, OSError(number, "no"))
    monkeypatch.setattr(durable_module, "FIRST_PAUSE_S", 0.0)
    monkeypatch.setattr(durable_module, "LONGEST_PAUSE_S", 0.0)
    with open_store(empty_store).writing() as writer:
        run = Run(open_store(empty_store), writer)
        for i in range(0, 60, 2):
            refusing.refuses = 20 <= i < 40
            run.hear(frames(i, 2))
            run.durable.tick(run.facts)
            if run.durable._job is not None:
                run.durable._job.exception()
        refusing.refuses = False
        run.durable.close(run.facts())
    told = [text.partition(":")[0] for text in run.told]
    # The journal's thread may tell of a refusal after the writer's has told that the disk takes readings again.
    levels = [level for level in told if level != "detail"]
    assert levels in (["warning", "info"], ["warning", "info", "warning", "info"])
    assert [number for number, _ in stored_raw(empty_store)] == list(range(60))
    assert not open_store(empty_store).left_undone


def test_memory_is_bounded_while_the_disk_refuses_and_the_loss_is_an_outage(
    empty_store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    refusing = Refusing(monkeypatch, OSError(28, "No space left on device"))
    monkeypatch.setattr(durable_module, "MOST_WAITING", 20)
    with open_store(empty_store).writing() as writer:
        run = Run(open_store(empty_store), writer)
        refusing.refuses = True
        for i in range(0, 60, 2):
            run.hear(frames(i, 2))
            run.durable.tick(run.facts)
        assert run.durable.waiting == 20
        assert run.durable.lost == 40
        refusing.refuses = False
        run.durable.close(run.facts())
    assert [number for number, _ in stored_raw(empty_store)] == list(range(20))
    (outage,) = open_store(empty_store).marks("outages").to_pylist()
    begin_us = MIDNIGHT_US - 5_000_000
    assert [int(outage[name].timestamp() * 1e6) for name in ("from", "to")] == [
        begin_us + 20 * 500_000,
        begin_us + 59 * 500_000,
    ]
    assert "written" in outage["why"]


def test_a_disk_that_refuses_to_the_end_is_told_and_the_journal_kept(
    empty_store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    refusing = Refusing(monkeypatch, OSError(28, "No space left on device"))
    with open_store(empty_store).writing() as writer:
        run = Run(open_store(empty_store), writer)
        run.hear(frames(0, 6))
        run.durable.journal.sync()
        refusing.refuses = True
        with pytest.raises(library.StoreError) as told:
            run.durable.close(run.facts())
    assert "6 readings are in the journal" in " ".join(told.value.__notes__)
    refusing.refuses = False
    assert len(library.open_store(empty_store).readings()) == 6


def test_one_frame_under_two_times_a_microsecond_apart_is_one_reading(tmp_path: Path) -> None:
    """As python-can rounds what candump cuts off. Within one recording every frame counts, however close."""
    text = frames_text(0, 50)
    near = "".join(
        line[:12] + f"{int(line[12:18]) + 1:06d}" + line[18:] if i % 2 else line
        for i, line in enumerate(text.splitlines(keepends=True))
    )
    assert near != text
    for name, lines in (("a.log", text), ("b.log", near)):
        (tmp_path / name).write_text(lines)
    library.log(tmp_path / "a.log", tmp_path / "history")
    assert library.log(tmp_path / "b.log", tmp_path / "history").added == 0
    dense = frames_text(0, 50, period_us=1)
    (tmp_path / "c.log").write_text(dense)
    assert library.log(tmp_path / "c.log", tmp_path / "dense").added == 50
    assert library.log(tmp_path / "c.log", tmp_path / "dense").added == 0


def test_readings_that_repeat_each_microsecond_overlap_exactly(tmp_path: Path) -> None:
    """The same frame at each microsecond is no bus, but a recording of it is read as it stands."""
    lines = [f"({START_US // 1_000_000}.{i:06d}) can0 19F21123#10D430D0070000FF\n" for i in range(100)]
    (tmp_path / "a.log").write_text("".join(lines[:60]))
    (tmp_path / "b.log").write_text("".join(lines[30:]))
    assert library.log(tmp_path / "a.log", tmp_path / "history").added == 60
    assert library.log(tmp_path / "b.log", tmp_path / "history").added in (39, 40)
    assert library.log(tmp_path / "b.log", tmp_path / "history").added in (0, 1)
