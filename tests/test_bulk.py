"""The bulk path: only what some PGNs need, by several threads, cut anywhere. It must hand out the frames of the slow reader."""

from __future__ import annotations

import base64
import io
import os
import subprocess
import sys
from pathlib import Path

import can
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from reading import recorded
from test_candump import DIRT, LINE, reference_rows

import canlevel
import canlevel.capture.text as text_module
from canlevel.capture.lines import CSV
from canlevel.capture.pieces import LineFeed, Room, in_order
from canlevel.capture.source import open_source
from canlevel.decoding.definitions import builtin_messages
from canlevel.identifier import carries
from canlevel.tables import values_of

# The built-in PGNs, and three that go to one destination (SAE J1939-21: PDU format below 240).
WANTED = frozenset([*(message.pgn for message in builtin_messages()), 0xEF00, 0x0100, 0x1DF00])


def tank_line(priority: int, pgn: int, low: int, data: bytes, channel: str, upper: bool) -> str:
    frame = f"{priority << 26 | pgn << 8 | low % 65536:08x}#{data.hex()}"
    return f"(1777622400.{low:06d}) {channel} {frame.upper() if upper else frame}"


TANK_LINE = st.builds(
    tank_line,
    st.integers(0, 7),
    st.sampled_from([*sorted(WANTED), 0x1F212, 0xEE00]),
    st.integers(0, 999_999),
    st.binary(max_size=8),
    st.sampled_from(["can0", "can0", "vcan12"]),
    st.booleans(),
)
CONSOLE_LINE = st.builds(
    lambda identifier, data: f" (1777622400.000001)  can0  {identifier}   [{len(data)}]  {data.hex(' ').upper()}",
    st.sampled_from(["19F21123", "19f21123", "18FEFC00", "09F80123", "     123", "00EF1234"]),
    st.binary(min_size=1, max_size=8),
)


def wanted_rows(text: str) -> list[tuple[int, str, int, int, int, int]]:
    rows, _ = reference_rows(text)
    return [row for row in rows if carries(np.array([row[2]], np.uint32), np.array([row[3]], np.uint8), WANTED)[0]]


def picked(text: str, monkeypatch: pytest.MonkeyPatch, closely: int, **how: object) -> tuple[list[object], int, int]:
    """(frames of wanted PGNs, frames counted, lines skipped), where only the first lines are looked at closely."""
    monkeypatch.setattr(text_module, "LOOKED_AT_CLOSELY", closely)
    found, tally = recorded(text.encode(), wanted=WANTED, **how)  # type: ignore[arg-type]
    rows = [row for _, row in found]
    keep = carries(np.array([r[2] for r in rows], np.uint32), np.array([r[3] for r in rows], np.uint8), WANTED)
    return [row for row, mine in zip(rows, keep, strict=True) if mine], tally.frames, tally.skipped


@settings(max_examples=300, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    lines=st.lists(st.one_of(LINE, TANK_LINE, TANK_LINE, DIRT), max_size=60),
    repeat=st.integers(1, 30),
    cuts=st.lists(st.integers(1, 3000), max_size=5),
    piece=st.sampled_from([64, 300, 1000, 1 << 20]),
    threads=st.sampled_from([1, 2, 3]),
    closely=st.sampled_from([0, 1, 50]),
    last_newline=st.booleans(),
)
def test_picking_loses_no_wanted_frame_and_invents_none(
    lines: list[str],
    repeat: int,
    cuts: list[int],
    piece: int,
    threads: int,
    closely: int,
    last_newline: bool,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    text = "\n".join(lines * repeat) + "\n" * last_newline
    found, frames, skipped = picked(text, monkeypatch, closely, sizes=cuts, piece=piece, threads=threads)
    assert found == wanted_rows(text)
    # Law: every line that says something is a frame, or skipped, or a recorder's own word about frames it dropped.
    said = sum(bool(line.strip()) and not line.strip().startswith("DROPCOUNT:") for line in text.split("\n"))
    assert frames + skipped == said


@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(lines=st.lists(st.one_of(CONSOLE_LINE, TANK_LINE), min_size=1, max_size=30), repeat=st.integers(1, 40))
def test_picking_from_console_text_is_reading_it_whole(
    lines: list[str], repeat: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = "\n".join(lines * repeat)
    whole, tally = recorded(text.encode())
    rows = [row for _, row in whole]
    keep = carries(np.array([r[2] for r in rows], np.uint32), np.array([r[3] for r in rows], np.uint8), WANTED)
    found, frames, skipped = picked(text, monkeypatch, 5, piece=2000, threads=2)
    assert found == [row for row, mine in zip(rows, keep, strict=True) if mine]
    assert (frames, skipped) == (tally.frames, tally.skipped) == (len(lines) * repeat, 0)


def test_most_lines_are_not_read_at_all(monkeypatch: pytest.MonkeyPatch) -> None:
    """The digits of a line about something else are not looked at; those of a tank's line are, to the last one."""
    good = "(1777622400.000000) can0 09F80123#0011223344556677\n"
    lines = [good, good.replace("7\n", "G\n"), good.replace("09F80123", "19F21123").replace("7\n", "G\n")]
    text = good * 100 + "".join(lines) * 50
    assert picked(text, monkeypatch, 50, piece=500) == ([], 200, 50)
    assert picked(text, monkeypatch, 1000, piece=500) == ([], 150, 100)


def test_lines_keep_their_numbers_however_many_threads_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(text_module, "PIECE", 5000)
    monkeypatch.setattr(text_module, "LOOKED_AT_CLOSELY", 10)
    monkeypatch.setattr("canlevel.capture.source.workers", lambda: 3)
    path = tmp_path / "boat.log"
    tank = "(1777622400.000000) can0 19F21123#10D430D0070000FF\n"
    path.write_text(("(1777622400.000000) can0 09F80123#00\n" * 99 + tank) * 300 + "no frame at all\n" + tank)
    source = open_source(path)
    lines = np.concatenate([values_of(table.column("line")) for table in source.batches(WANTED)])
    assert lines.tolist() == [*range(100, 30_001, 100), 30_002]
    assert (source.tally.frames, source.tally.skipped, source.tally.first_skipped.line) == (30_001, 1, 30_001)


def csv_text(seed: int, frames: int) -> str:
    """Messages of every kind as python-can's own writer writes them."""
    draw = np.random.default_rng(seed)
    text = io.StringIO()
    writer = can.CSVWriter(text)
    for _ in range(frames):
        extended, remote = bool(draw.integers(0, 5)), not draw.integers(0, 9)
        identifiers = [0x19F21123, 0x9F80123, 0xEF1234, 0xF1234, 0x1DF0012, 0x123, 0x18FEFC00]
        identifier = int(draw.choice(identifiers)) if extended else int(draw.integers(0, 0x800))
        data = draw.integers(0, 256, draw.integers(0, 9), np.uint8).tobytes()
        writer(
            can.Message(
                timestamp=round(1777622400 + draw.random(), int(draw.integers(0, 7))),
                arbitration_id=identifier,
                is_extended_id=extended,
                is_remote_frame=remote,
                is_error_frame=not remote and not draw.integers(0, 20),
                dlc=8 if remote else len(data),
                data=None if remote else data,
            )
        )
    return text.getvalue()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_csv_equals_python_cans_reader(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Oracle: python-can's own CSV reader on what its writer wrote, read whole and by picking."""
    text = csv_text(seed, 3000)
    oracle = [
        (
            round(message.timestamp * 1e6),
            None,
            message.arbitration_id,
            message.is_extended_id | message.is_remote_frame << 1 | message.is_error_frame << 2,
            message.dlc,
            int.from_bytes(bytes(message.data or b"").ljust(8, b"\0"), "little"),
        )
        for message in can.CSVReader(io.StringIO(text))
    ]
    found, tally = recorded(text.encode(), text_format=CSV)
    assert [row for _, row in found] == oracle
    assert (tally.frames, tally.skipped) == (3000, 0)
    rows, frames, skipped = picked(text, monkeypatch, 100, text_format=CSV, piece=3000, threads=2)
    keep = carries(np.array([r[2] for r in oracle], np.uint32), np.array([r[3] for r in oracle], np.uint8), WANTED)
    assert rows == [row for row, mine in zip(oracle, keep, strict=True) if mine]
    assert (frames, skipped) == (3000, 0)


@pytest.mark.parametrize("repeat", [1, 60])
@pytest.mark.parametrize(
    "line",
    [
        "1777622400.5,0x19f21123,1,0,0,8,ENQw0AcAAP==",  # seven bytes
        "1777622400.5,0x19f21123,1,0,0,8,ENQw0Ac*AP8=",
        "1777622400.5,0x19f21123,1,0,0,8,ENQw0AcAAP8",
        "1777622400.5,0x19f21123,1,0,0,9,ENQw0AcAAP8=",
        "1777622400.5,0x39f21123,1,0,0,8,ENQw0AcAAP8=",
        "1777622400.5,0x800,0,0,0,8,ENQw0AcAAP8=",
        "1777622400.5,0x19f21123,1,1,1,8,ENQw0AcAAP8=",
        "x777622400.5,0x19f21123,1,0,0,8,ENQw0AcAAP8=",
        "1777622400.5,0x19f2112g,1,0,0,8,ENQw0AcAAP8=",
    ],
)
def test_wrong_csv_lines_are_skipped_alone_and_among_good_ones(line: str, repeat: int) -> None:
    good = "1777622400.5,0x19f21123,1,0,0,8,ENQw0AcAAP8="
    text = "timestamp,arbitration_id,rest\n" + f"{good}\n{line}\n" * repeat
    found, tally = recorded(text.encode(), text_format=CSV)
    payload = int.from_bytes(base64.b64decode("ENQw0AcAAP8="), "little")
    assert [row for _, row in found] == [(1777622400500000, None, 0x19F21123, 1, 8, payload)] * repeat
    assert (tally.skipped, tally.first_skipped.line) == (repeat, 3)


def test_csv_times_finer_than_a_microsecond_are_rounded_as_python_can_does() -> None:
    for repeat in (1, 60):
        text = "".join(f"1777622400.{digits},0x123,0,0,0,0,\n" for digits in ("1234564", "1234565", "9999999")) * repeat
        found, _ = recorded(text.encode(), text_format=CSV)
        times = [row[0] - 1777622400_000000 for _, row in found]
        assert times == [123456, 123457, 1000000] * repeat


def test_a_recording_without_tank_frames_is_counted(tmp_path: Path) -> None:
    path = tmp_path / "boat.log"
    path.write_text("(1777622400.000000) can0 09F80123#00\n" * 50_000)
    source = open_source(path)
    assert sum(len(table) for table in source.batches(WANTED)) == 0
    assert source.tally.frames == 50_000


class Failing:
    """A disk that breaks after some bytes."""

    def __init__(self, data: bytes) -> None:
        self._data = data

    def readinto(self, buffer: memoryview, /) -> int:
        if not self._data:
            raise OSError(5, "Input/output error")
        n = min(len(buffer), len(self._data))
        buffer[:n], self._data = self._data[:n], self._data[n:]
        return n


def test_a_disk_that_breaks_gives_what_came_before_and_a_sentence() -> None:
    from canlevel.capture.tally import Tally
    from canlevel.capture.text import TextRecording

    text = TextRecording("boat.log", Failing(b"(1777622400.000000) can0 09F80123#00\n" * 10), Tally())  # type: ignore[arg-type]
    blocks = text.blocks()
    assert len(next(blocks).line) == 10
    with pytest.raises(canlevel.CaptureError, match="Input/output error"):
        next(blocks)


def test_work_comes_in_order_and_a_fault_in_it_comes_through() -> None:
    class Done:
        def __init__(self, number: int) -> None:
            self.number = number

    for threads in (1, 4):
        numbers = iter(range(7, 200))

        def work(numbers: object = numbers) -> Done | None:
            number = next(numbers, None)  # type: ignore[call-overload]
            return None if number is None else Done(number)

        assert [done.number for done in in_order(work, threads, 7, 9)] == list(range(7, 200))

    def wrong() -> Done | None:
        raise ValueError("broken")

    with pytest.raises(ValueError, match="broken"):
        next(in_order(wrong, 2, 0, 4))


def test_over_long_lines_count_as_lines_whatever_the_pieces() -> None:
    frame = b"(1777622400.000000) can0 09F80123#00\n"
    for size in (100, 7000, 9000, 100_000):
        found, tally = recorded(frame * 3 + b"x" * 50_000 + b"\n" + frame * 3, [size], piece=size)
        assert [number for number, _ in found] == [1, 2, 3, 5, 6, 7]
        assert (tally.skipped, tally.first_skipped.line) == (1, 4)


def test_lines_are_taken_whole_by_threads_in_turn() -> None:
    class Slow(io.BytesIO):
        def readinto(self, buffer: memoryview, /) -> int:  # type: ignore[override]
            return super().readinto(buffer[:7])

    data = b"".join(b"%d\n" % i for i in range(500)) + b"last"
    feed, room, found = LineFeed(Slow(data)), Room(64), []
    while (piece := feed.take(room)) is not None:
        for start, length in zip(piece.lines.starts, piece.lines.lengths, strict=True):
            found.append(bytes(room.buffer[start : start + length]))
    assert found == [*(b"%d" % i for i in range(500)), b"last"]


MEMORY = """
import resource, sys
import canlevel
canlevel.log(sys.argv[1], sys.argv[3])
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
canlevel.log(sys.argv[2], sys.argv[3])
print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) // 1024)
"""


@pytest.mark.skipif(os.name != "posix", reason="measures by the operating system's own count")
def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    """The promise is 400 MB above the interpreter and its imports, whatever the file's size; here 150 MB of text, and half as
    much again of it in readings."""
    sys.path.insert(0, str(Path(__file__).parent / "benchmark"))
    from bus import write_bus

    small, large = tmp_path / "small.log", tmp_path / "large.log"
    write_bus(small, 1000, tank_share=0.5)
    write_bus(large, 3_000_000, tank_share=0.2)
    ran = subprocess.run(
        [sys.executable, "-c", MEMORY, str(small), str(large), str(tmp_path / "store")], capture_output=True, check=True
    )
    assert int(ran.stdout) < 400
