"""SOURCE: times, several files at once, standard input."""

from __future__ import annotations

import gzip
import io
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from conftest import START_US, Result
from hypothesis import given
from hypothesis import strategies as st

import canlevel as library
from canlevel import CaptureError
from canlevel.capture.source import is_live, open_source
from canlevel.tables import times_us

DATA = "00D430D0070000FF"


def log_lines(times_us_: list[int], channel: str = "can0", digits: int = 10) -> str:
    return "".join(
        f"({at // 1_000_000:0{digits}d}.{at % 1_000_000:06d}) {channel} 19F21123#{DATA}\n" for at in times_us_
    )


def all_times(*paths: Path, **options: object) -> list[int]:
    return [at for batch in open_source(paths, **options).batches() for at in times_us(batch).tolist()]  # type: ignore[arg-type]


def test_relative_times_are_null_in_decode_and_said_once(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    path = tmp_path / "boat.log"
    path.write_text(log_lines([0, 2_500_000, 5_000_000], digits=3))
    code, output, errors = canlevel("decode", path, "--format", "jsonl")
    assert code == 0
    assert [json.loads(line)["time"] for line in output.splitlines()] == [None] * 3
    assert errors.count("counts from the start of the recording") == 1
    assert "--start" in errors


@pytest.mark.parametrize("command", [["log", "--store", "history"], ["flows"]])
def test_relative_times_are_refused_where_a_date_is_needed(
    command: list[str], tmp_path: Path, canlevel: Callable[..., Result], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "boat.log"
    path.write_text("# recorded with zero times\n" + log_lines([0, 2_500_000], digits=3))
    code, output, errors = canlevel(command[0], path, *command[1:])
    assert (code, output) == (2, "")
    assert f"{path}, line 2" in errors
    assert "(000.000000) can0 19F21123" in errors
    assert "--start 2026-05-01T08:00Z" in errors
    assert not list(tmp_path.glob("history/readings/*/*"))


def test_start_says_when_the_zero_was(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    path = tmp_path / "boat.log"
    path.write_text(log_lines([0, 2_500_001], digits=3))
    code, output, errors = canlevel("decode", path, "--format", "jsonl", "--start", "2026-05-01T08:00Z")
    assert (code, errors) == (0, "")
    assert [json.loads(line)["time"] for line in output.splitlines()] == [
        "2026-05-01T08:00:00.000000Z",
        "2026-05-01T08:00:02.500001Z",
    ]
    code, output, _ = canlevel("log", path, "--store", tmp_path / "history", "--start", "2026-05-01T10:00+02:00")
    assert code == 0
    assert library.open_store(tmp_path / "history").readings()["time"][0].isoformat() == "2026-05-01T08:00:00+00:00"


def test_console_text_without_stamps(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    path = tmp_path / "console.txt"
    path.write_text("  can0  19F21123   [8]  00 D4 30 D0 07 00 00 FF\n" * 3)
    code, output, errors = canlevel("decode", path, "--format", "jsonl")
    assert code == 0
    assert [json.loads(line)["time"] for line in output.splitlines()] == [None] * 3
    assert errors.count("no time stamps") == 1
    for words in (["flows", path], ["log", path, "--store", tmp_path / "history"]):
        code, _, errors = canlevel(*words)
        assert code == 2
        assert "no time stamps" in errors
        assert "candump" in errors
    code, output, _ = canlevel("tanks", path, "--format", "jsonl")
    assert code == 0
    assert json.loads(output)["readings"] == 3


def test_a_missing_date_is_said_once_however_many_batches_there_are(
    tmp_path: Path, canlevel: Callable[..., Result], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("canlevel.capture.text.PIECE", 200)
    for text in (log_lines(list(range(0, 50_000, 100)), digits=3), "  can0  123   [1]  00\n" * 500):
        path = tmp_path / "boat.log"
        path.write_text(text)
        code, _, errors = canlevel("decode", path, "--format", "jsonl")
        assert (code, errors.count("the time stays empty")) == (0, 1)


def test_a_dated_recording_needs_no_start_and_is_not_moved_by_it(tmp_path: Path) -> None:
    path = tmp_path / "boat.log"
    path.write_text(log_lines([START_US]))
    assert all_times(path, start=datetime(2020, 1, 1, tzinfo=UTC)) == [START_US]


@pytest.mark.parametrize(
    "text",
    ["yesterday", "2026-13-01", "2026-05-01T25:00", "08:00", ""],
    ids=["word", "month", "hour", "time", "nothing"],
)
def test_a_wrong_start_is_refused(text: str, tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    path = tmp_path / "boat.log"
    path.write_text(log_lines([0], digits=3))
    code, _, errors = canlevel("decode", path, "--start", text)
    assert code == 2
    assert "--start" in errors
    assert "Next: " in errors


def test_naive_and_zoned_moments(tmp_path: Path) -> None:
    path = tmp_path / "boat.log"
    path.write_text(log_lines([0], digits=3))
    start = datetime(2026, 5, 1, 8)
    assert all_times(path, start=start) == [START_US]
    assert all_times(path, start=start.replace(tzinfo=timezone(timedelta(hours=2)))) == [START_US - 7_200_000_000]


def test_files_are_read_in_time_order_whatever_order_they_are_named_in(tmp_path: Path) -> None:
    paths = [tmp_path / f"{name}.log" for name in "abc"]
    for i, path in enumerate(paths):
        path.write_text(log_lines([START_US + 10_000_000 * i + k * 1_000_000 for k in range(10)], f"can{i}"))
    expected = [START_US + k * 1_000_000 for k in range(30)]
    assert all_times(paths[2], paths[0], paths[1]) == expected


@given(st.lists(st.lists(st.integers(0, 40), min_size=1, max_size=30), min_size=2, max_size=4), st.integers(40, 400))
def test_overlapping_files_are_merged_frame_by_frame(offsets: list[list[int]], chunk: int) -> None:
    """Law: the merge is the stable sort of all frames; a file that runs backwards keeps its own order."""
    import tempfile

    import canlevel.capture.text as text_module

    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(text_module, "PIECE", chunk)  # batches of a few lines
        paths = []
        keyed = []
        for number, moments in enumerate(offsets):
            path = Path(folder) / f"{number}.log"
            path.write_text(log_lines([START_US + 1_000_000 * moment for moment in moments], f"can{number}"))
            paths.append(path)
            latest = 0
            for moment in moments:
                latest = max(latest, moment)
                keyed.append((latest, START_US + 1_000_000 * moment, f"can{number}"))
        found = [
            (at, channel)
            for batch in open_source(paths).batches()
            for at, channel in zip(times_us(batch).tolist(), batch.column("channel").to_pylist(), strict=True)
        ]
        latest_first = [(at, channel) for _, at, channel in sorted(keyed, key=lambda row: row[0])]
        assert sorted(found) == sorted(latest_first)
        for number in range(len(offsets)):
            own = [at for at, channel in found if channel == f"can{number}"]
            assert own == [START_US + 1_000_000 * moment for moment in offsets[number]]
        if all(moments == sorted(moments) for moments in offsets):
            assert [at for at, _ in found] == sorted(at for at, _ in found)


def test_files_without_dates_follow_one_another(tmp_path: Path) -> None:
    for name in "ab":
        (tmp_path / f"{name}.log").write_text(log_lines([0, 1_000_000], f"can{name}", digits=3))
    batches = open_source([tmp_path / "b.log", tmp_path / "a.log"]).batches()
    assert [name for batch in batches for name in batch.column("channel").to_pylist()] == ["canb"] * 2 + ["cana"] * 2


def test_one_bad_file_among_several_is_told_before_anything_is_stored(
    tmp_path: Path, canlevel: Callable[..., Result]
) -> None:
    good, bad = tmp_path / "good.log", tmp_path / "bad.log"
    good.write_text(log_lines([START_US]))
    bad.write_text("nothing here\n")
    code, _, errors = canlevel("log", good, bad, "--store", tmp_path / "history")
    assert code == 2
    assert str(bad) in errors
    assert not (tmp_path / "history").exists()


def pipe(text: bytes, *words: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run([sys.executable, "-m", "canlevel", *words], input=text, capture_output=True, timeout=60)


def test_standard_input_plain_compressed_and_binary(tmp_path: Path) -> None:
    text = log_lines([START_US + i for i in range(100)]).encode()
    expected = pipe(text, "decode", "-", "--format", "jsonl").stdout
    assert len(expected.splitlines()) == 100
    assert pipe(text.rstrip(b"\n"), "decode", "-", "--format", "jsonl").stdout == expected
    assert pipe(gzip.compress(text), "decode", "-", "--format", "jsonl").stdout == expected
    import can

    path = tmp_path / "boat.blf"
    with can.BLFWriter(str(path)) as writer:
        writer(can.Message(timestamp=START_US / 1e6, arbitration_id=0x19F21123, data=bytes.fromhex(DATA)))
    assert len(pipe(path.read_bytes(), "decode", "-", "--format", "jsonl").stdout.splitlines()) == 1


@pytest.mark.parametrize("text", [b"", b"\n", b"nothing\n", b"\x1f\x8b\x08", os.urandom(3000)])
def test_standard_input_without_frames(text: bytes) -> None:
    done = pipe(text, "decode", "-")
    assert done.returncode == 2
    assert done.stderr.startswith(b"error: standard input")
    assert b"Traceback" not in done.stderr


def test_a_pipe_shows_each_reading_as_it_arrives() -> None:
    """The first reading comes out while standard input stays open."""
    process = subprocess.Popen(
        [sys.executable, "-u", "-m", "canlevel", "decode", "-", "--format", "jsonl"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        for number in range(3):
            process.stdin.write(log_lines([START_US + number]).encode())
            process.stdin.flush()
            assert json.loads(process.stdout.readline())["time"] == f"2026-05-01T08:00:00.00000{number}Z"
        half = log_lines([START_US + 7]).encode()
        process.stdin.write(half[:20])
        process.stdin.flush()
        time.sleep(0.3)
        process.stdin.write(half[20:])
        process.stdin.close()
        assert json.loads(process.stdout.readline())["time"] == "2026-05-01T08:00:00.000007Z"
        assert process.wait(timeout=30) == 0
    finally:
        process.kill()
        process.stdout.close()
        assert process.stderr is not None
        process.stderr.close()


def test_standard_input_in_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    class Stdin:
        buffer = io.BytesIO(log_lines([START_US]).encode())

    monkeypatch.setattr(sys, "stdin", Stdin())
    assert len(library.decode("-")) == 1


@pytest.mark.parametrize(
    ("word", "live"),
    [
        ("socketcan:can0", True),
        ("slcan:/dev/ttyACM0", True),
        ("gs_usb:0", True),
        ("udp_multicast:239.74.163.2", True),
        ("virtual:test", True),
        ("boat.log", False),
        ("-", False),
        ("C:\\logs\\boat.log", False),
        ("./a:b.log", False),
        ("2026-05-01T08:00.log", False),
    ],
)
def test_what_is_live_and_what_is_a_file(word: str, live: bool) -> None:
    assert is_live(word) is live


@pytest.mark.parametrize(
    "sources", [[], ["-", "x.log"], ["virtual:a", "x.log"]], ids=["nothing", "pipe and file", "bus and file"]
)
def test_sources_that_do_not_go_together(sources: list[str]) -> None:
    with pytest.raises(CaptureError) as caught:
        open_source(sources)
    assert caught.value.next_step
