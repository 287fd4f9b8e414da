"""Recorded files: every format that python-can writes, every compression, and everything that can be wrong with a file."""

from __future__ import annotations

import bz2
import gzip
import json
import lzma
import random
import sqlite3
from collections.abc import Callable
from pathlib import Path

import can
import pandas as pd
import pyarrow as pa
import pytest
from conftest import Result

import canlevel as library
from canlevel import CaptureError
from canlevel.capture.source import open_source

START_S = 1777622400.25  # 2026-05-01T08:00:00.250Z, a time that millisecond formats keep
WRITERS = {
    ".log": can.CanutilsLogWriter,
    ".asc": can.ASCWriter,
    ".blf": can.BLFWriter,
    ".trc": can.TRCWriter,
    ".csv": can.CSVWriter,
    ".mf4": can.MF4Writer,
    ".db": can.SqliteWriter,
}
PACKERS: dict[str, Callable[[bytes], bytes]] = {
    ".gz": gzip.compress,
    ".bz2": bz2.compress,
    ".xz": lzma.compress,
    ".zst": lambda data: pa.Codec("zstd").compress(data, asbytes=True),
}


def messages() -> list[can.Message]:
    """Invented traffic: tank frames of three protocols between others, an 11-bit frame and a remote frame."""
    sent = []
    for i in range(300):
        kind = i % 6
        arbitration_id, data = [
            (0x19F21123, bytes([0x10]) + (100 * i).to_bytes(2, "little") + b"\xd0\x07\x00\x00\xff"),
            (0x19FFB744, bytes([18, i % 29, 28, 0, 0, 100, 0, 255])),
            (0x18FEFC00, bytes([255, i % 251, 255, 255, 255, 255, 255, 255])),
            (0x09F80112, bytes(range(8))),
            (0x123, b"\x01\x02"),
            (0x19F21124, b""),
        ][kind]
        remote = kind == 5
        sent.append(
            can.Message(
                timestamp=START_S + i * 0.125,
                arbitration_id=arbitration_id,
                is_extended_id=kind != 4,
                is_remote_frame=remote,
                dlc=8 if remote else len(data),
                data=None if remote else data,
                channel=0,
                is_rx=True,
            )
        )
    return sent


def write(path: Path) -> Path:
    writer = WRITERS[path.suffix](str(path))
    for message in messages():
        writer(message)
    writer.stop()
    return path


def comparable(frame: pd.DataFrame) -> pd.DataFrame:
    """Readings without what a format does not carry: each names channels its own way, some keep only milliseconds."""
    shown = frame.drop(columns=["channel", "rate_l_per_min", "rate_low", "rate_high"])
    return shown.assign(time=shown["time"].dt.round("ms"))


@pytest.fixture(scope="module")
def log_readings(tmp_path_factory: pytest.TempPathFactory) -> pd.DataFrame:
    return library.decode(write(tmp_path_factory.mktemp("log") / "boat.log"))


def test_the_log_itself_reads_what_was_sent(log_readings: pd.DataFrame) -> None:
    assert log_readings["tank"].value_counts().to_dict() == {
        "nmea2000.fresh_water.0": 50,
        "rvc.grey_water.18": 50,
        "j1939.fuel.1": 50,
    }
    fresh = log_readings[log_readings["tank"] == "nmea2000.fresh_water.0"]
    assert fresh["level_pct"].tolist() == [100 * i * 0.004 for i in range(0, 300, 6)]
    assert (fresh["time"].astype("datetime64[us, UTC]").astype("int64") == [
        1777622400_250_000 + i * 125_000 for i in range(0, 300, 6)
    ]).all()  # fmt: skip


@pytest.mark.parametrize("ending", [ending for ending in WRITERS if ending != ".log"])
def test_every_format_gives_the_same_readings(ending: str, tmp_path: Path, log_readings: pd.DataFrame) -> None:
    """Written by python-can's own writers; read by content, whatever the file is called."""
    path = write(tmp_path / f"boat{ending}")
    pd.testing.assert_frame_equal(comparable(library.decode(path)), comparable(log_readings))
    if ending != ".mf4":  # asammdf itself wants the name
        renamed = path.rename(tmp_path / "renamed.log")
        pd.testing.assert_frame_equal(comparable(library.decode(renamed)), comparable(log_readings))


@pytest.mark.parametrize("packing", PACKERS)
@pytest.mark.parametrize("ending", WRITERS)
def test_every_format_compressed(ending: str, packing: str, tmp_path: Path, log_readings: pd.DataFrame) -> None:
    plain = write(tmp_path / f"boat{ending}")
    packed = tmp_path / f"boat{ending}{packing}"
    packed.write_bytes(PACKERS[packing](plain.read_bytes()))
    plain.unlink()
    pd.testing.assert_frame_equal(comparable(library.decode(packed)), comparable(log_readings))


def test_members_of_a_gzip_and_frames_of_a_zstd_file_one_after_the_other(
    tmp_path: Path, log_readings: pd.DataFrame
) -> None:
    data = write(tmp_path / "boat.log").read_bytes()
    half = data.index(b"\n", len(data) // 2) - 7  # in the middle of a line
    for packing in PACKERS:
        path = tmp_path / f"two.log{packing}"
        path.write_bytes(PACKERS[packing](data[:half]) + PACKERS[packing](data[half:]))
        pd.testing.assert_frame_equal(library.decode(path), log_readings)


RANDOM = random.Random(20260501)
NOISE = RANDOM.randbytes(20_000)
ENDINGS = [*WRITERS, ".txt", "", ".gz", ".zst", ".xz", ".bz2", ".log.gz", ".blf.gz"]


@pytest.mark.parametrize("ending", ENDINGS)
@pytest.mark.parametrize(
    "content",
    [b"", b"\n", b"x", b"\0" * 100, NOISE, b"hello\nworld\n"],
    ids=["empty", "newline", "x", "zeros", "noise", "text"],
)
def test_what_is_no_recording_is_refused_in_one_sentence(
    ending: str, content: bytes, tmp_path: Path, canlevel: Callable[..., Result]
) -> None:
    path = tmp_path / f"strange{ending}"
    path.write_bytes(content)
    for command in ("decode", "tanks", "flows"):
        code, _, errors = canlevel(command, path)
        assert code == 2
        assert "error: " in errors
        assert str(path) in errors
        assert "Traceback" not in errors


MAGICS = [b"LOGG", b"SQLite format 3\0", b"MDF     4.10    ", b"UnFinMF 4.10    "]
PACKED_MAGICS = [b"\x1f\x8b", b"\x28\xb5\x2f\xfd", b"\xfd7zXZ\0", b"BZh9"]


@pytest.mark.parametrize("magic", MAGICS + PACKED_MAGICS)
def test_random_bytes_behind_every_magic(magic: bytes, tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    path = tmp_path / "strange.bin"
    for length in (0, 1, 100, 20_000):
        path.write_bytes(magic + NOISE[:length])
        code, _, errors = canlevel("decode", path)
        assert (code, "Traceback" in errors) == (2, False)
        assert "error: " in errors


def test_missing_file_and_folder(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    code, _, errors = canlevel("decode", tmp_path / "no.log")
    assert code == 2
    assert "no such file" in errors
    code, _, errors = canlevel("decode", tmp_path)
    assert code == 2
    assert "folder" in errors


@pytest.mark.parametrize("ending", [".blf", ".db", ".mf4", ".log.gz", ".log.zst", ".log.xz", ".log.bz2"])
def test_a_cut_recording_gives_its_good_part_or_an_error_never_a_traceback(
    ending: str, tmp_path: Path, canlevel: Callable[..., Result]
) -> None:
    first = tmp_path / ("boat" + Path("x" + ending).suffixes[0])
    data = write(first).read_bytes()
    packing = Path("x" + ending).suffixes[1:]
    data = PACKERS[packing[0]](data) if packing else data
    path = tmp_path / f"cut{ending}"
    for part in (0.02, 0.3, 0.5, 0.9, 0.999):
        path.write_bytes(data[: int(len(data) * part)])
        code, output, errors = canlevel("decode", path, "--format", "jsonl")
        assert "Traceback" not in errors
        assert (code == 2 and "error: " in errors) or (code == 0 and output and "note: " in errors), (part, errors)


def test_a_cut_blf_keeps_what_came_before(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    path = tmp_path / "long.blf"
    with can.BLFWriter(str(path), max_container_size=1000) as writer:
        for message in messages():
            writer(message)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    code, output, errors = canlevel("decode", path, "--format", "jsonl")
    assert code == 0
    assert 20 < len(output.splitlines()) < 150
    assert "bytes are missing" in errors or "cannot be read" in errors


@pytest.mark.parametrize("ending", [".csv", ".asc", ".trc"])
def test_a_wrong_line_costs_only_itself(ending: str, tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    """python-can's text readers stop at such a line; ours go on, and count it."""
    path = write(tmp_path / f"boat{ending}")
    good = len(library.decode(path))
    lines = path.read_text().splitlines(keepends=True)
    tank_lines = [i for i, line in enumerate(lines) if "19F21123" in line.upper()]
    spoilt = tank_lines[3]
    lines[spoilt] = lines[spoilt].upper().replace("19F21123", "19F2ZZ23")
    path.write_text("".join(lines))
    code, output, errors = canlevel("decode", path, "--format", "jsonl")
    assert (code, len(output.splitlines())) == (0, good - 1)
    assert "1 line was skipped" in errors
    assert f"line {spoilt + 1}" in errors


def test_sqlite_without_the_table_and_with_other_columns(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    path = tmp_path / "other.db"
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE notes (text TEXT)")
    connection.commit()
    code, _, errors = canlevel("decode", path)
    assert code == 2
    assert "no such table" in errors
    connection.execute("CREATE TABLE messages (text TEXT)")
    connection.execute("INSERT INTO messages VALUES ('x')")
    connection.commit()
    connection.close()
    before = path.read_bytes()
    code, _, errors = canlevel("decode", path)
    assert code == 2
    assert "error: " in errors
    assert path.read_bytes() == before  # looking at a recording does not change it


def test_a_file_whose_ending_lies_is_told_by_content(tmp_path: Path) -> None:
    path = write(tmp_path / "boat.log").rename(tmp_path / "boat.csv")
    assert len(library.decode(path)) == 150
    packed = tmp_path / "boat.txt"
    packed.write_bytes(gzip.compress(path.read_bytes()))
    assert len(library.decode(packed)) == 150


def test_missing_asammdf_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(tmp_path / "boat.mf4")
    monkeypatch.setattr("canlevel.capture.mf4.find_spec", lambda _: None)
    with pytest.raises(CaptureError) as caught:
        library.decode(path)
    assert "asammdf" in str(caught.value)


def test_every_frame_is_counted_and_the_progress_reaches_its_end(tmp_path: Path) -> None:
    for ending in WRITERS:
        source = open_source(write(tmp_path / f"boat{ending}"))
        written = 250 if ending == ".trc" else 300  # python-can's TRC writer leaves remote frames out
        assert sum(len(batch) for batch in source.batches()) == written
        assert source.tally.frames == written
        assert source.progress().done == source.progress().total
        source.close()


def test_an_mf4_reader_that_crashes_or_hangs_is_an_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Damaged files do both to asammdf; here a stand-in for the interpreter does it without one."""
    from canlevel.capture import mf4

    path = write(tmp_path / "boat.mf4")
    frame = "(1777622400.000000) 0 19F21123#10D430D0070000FF"
    for script, words in [
        ("kill -SEGV $$", "it is damaged"),
        ("exec sleep 60", "it is damaged"),
        ("echo 'no group' >&2; exit 1", "no group"),
        (f"echo '{frame}'; kill -SEGV $$", None),
    ]:
        stand_in = tmp_path / "python"
        stand_in.write_text(f"#!/bin/sh\n{script}\n")
        stand_in.chmod(0o755)
        monkeypatch.setattr(mf4.sys, "executable", str(stand_in))
        monkeypatch.setattr(mf4, "SILENCE_S", 1.0)
        if words is None:
            assert len(library.decode(path)) == 1  # the good part
            continue
        with pytest.raises(CaptureError, match=words):
            library.decode(path)


def test_numbers_that_fit_no_column_are_no_frames(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    """Found by fuzzing: times beyond the calendar and lengths beyond a byte, in formats that python-can reads."""
    path = tmp_path / "boat.csv"
    good = "1777622400.5,0x19F21123,1,0,0,8,ENQw0AcAAP8=\n"
    wild = "".join(good.replace("1777622400.5", at) for at in ("1e300", "-5", "nan", "inf", "999999999999"))
    good += good.replace("1777622400.5", "1777622401")
    path.write_text("timestamp,arbitration_id,extended,remote,error,dlc,data\n" + good + wild)
    code, output, errors = canlevel("decode", path, "--format", "jsonl")
    assert (code, "Traceback" in errors) == (0, False)
    assert "5 lines were skipped" in errors
    times = [json.loads(line)["time"] for line in output.splitlines()]
    assert times == ["2026-05-01T08:00:00.500000Z", "2026-05-01T08:00:01.000000Z"]
    path = tmp_path / "boat.asc"
    path.write_text(
        "date Fri May 1 08:00:00.000 AM 2026\nbase hex  timestamps absolute\ninternal events logged\n"
        "   0.5 1  19F21123x       Rx   r 291\n   0.6 1  19F21123x       Rx   d 8 10 D4 30 D0 07 00 00 FF\n"
    )
    assert len(library.decode(path)) == 1
