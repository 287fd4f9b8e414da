"""What a user's world does to a program: cut files, pipes that close, disks that are full, two equal devices, odd exports."""

from __future__ import annotations

import contextlib
import gzip
import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import can
import pytest
from conftest import START_US, Result
from test_recordings import PACKERS

import canlevel as library
from canlevel import QueryError
from canlevel.simulate import Flow, SimulatedFrame, Tank, candump_text, simulate

START = datetime(2026, 5, 1, 8, tzinfo=UTC)
PROGRAM = [sys.executable, "-m", "canlevel"]


def lines(count: int) -> str:
    moments = (divmod(START_US + i * 997, 1_000_000) for i in range(count))
    return "".join(
        f"({seconds}.{micros:06d}) can0 19F21123#10{i // 256 % 97:02X}30D0070000FF\n"
        for i, (seconds, micros) in enumerate(moments)
    )


@pytest.mark.parametrize("packing", PACKERS)
@pytest.mark.parametrize("part", [0.3, 0.9])
def test_a_cut_compressed_recording_keeps_all_that_can_be_unpacked(
    packing: str, part: float, tmp_path: Path, canlevel: Callable[..., Result]
) -> None:
    """Oracle: the compression's own library, fed byte by byte."""
    import bz2
    import lzma
    import zlib

    import pyarrow as pa

    packed = PACKERS[packing](lines(20_000).encode())
    packed = packed[: int(len(packed) * part)]
    if packing == ".zst":
        stream, good = pa.CompressedInputStream(pa.BufferReader(packed), "zstd"), b""
        while True:
            try:
                good += stream.read(16)
            except OSError:
                break
    else:
        plain = {".gz": zlib.decompressobj(31), ".bz2": bz2.BZ2Decompressor(), ".xz": lzma.LZMADecompressor()}[packing]
        good = plain.decompress(packed)
    expected = good.count(b"\n")
    path = tmp_path / f"boat.log{packing}"
    path.write_bytes(packed)
    code, output, errors = canlevel("decode", path, "--format", "jsonl")
    found = len(output.splitlines())
    if not expected:  # some decompressors give nothing before their first block is whole
        assert (code, "cut short or damaged" in errors or "not whole" in errors) == (2, True)
        return
    assert code == 0
    assert expected <= found <= expected + 1  # a last line that happens to be whole without its newline counts
    assert "cut short or damaged" in errors
    assert f"the {found:,} frames before that point were read" in errors


def test_named_pipes_and_process_substitution(tmp_path: Path) -> None:
    script = f'"{sys.executable}" -m canlevel decode <(cat) --format jsonl'
    done = subprocess.run(["bash", "-c", script], input=lines(50).encode(), capture_output=True, timeout=60)
    assert (done.returncode, len(done.stdout.splitlines())) == (0, 50)
    fifo = tmp_path / "fifo"
    os.mkfifo(fifo)
    writer = threading.Thread(target=lambda: fifo.write_text(lines(50)))
    writer.start()
    assert len(library.decode(fifo)) == 50
    writer.join()


def test_closed_and_full_streams_are_no_tracebacks(tmp_path: Path) -> None:
    path = tmp_path / "boat.log"
    path.write_text(lines(20_000))
    call = f'"{sys.executable}" -m canlevel decode "{path}" --format jsonl'
    closed = "error: standard input: is closed\n  Next: pipe a recording in, or name a file\n"
    for script, code, said in [
        (f"{call} | head -n 1; exit ${{PIPESTATUS[0]}}", 0, ""),
        (f"{call} > /dev/full", 2, "error: No space left on device\n"),
        (f"{call} >&-", 0, ""),
        (f'"{sys.executable}" -m canlevel decode - <&-', 2, closed),
    ]:  # fmt: skip
        done = subprocess.run(["bash", "-c", script], capture_output=True, text=True, timeout=60)
        assert (done.returncode, done.stderr) == (code, said), script


def test_a_folder_that_may_not_be_looked_into(
    tmp_path: Path, canlevel: Callable[..., Result], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The superuser meets no such error, so every look at this folder is made to fail."""
    locked = tmp_path / "locked"
    real_stat, real_iterdir = Path.stat, Path.iterdir

    def refused(self: Path, *arguments: object, **more: object) -> object:
        if locked in (self, *self.parents):
            raise PermissionError(13, "Permission denied", str(self))
        return real_stat(self, *arguments, **more)  # type: ignore[arg-type]

    path = tmp_path / "boat.log"
    path.write_text(lines(5))
    library.log(path, tmp_path / "history")
    with monkeypatch.context() as patch:
        patch.setattr(Path, "stat", refused)
        for words in (
            ["decode", locked / "boat.log"],
            ["log", path, "--store", locked / "history"],
        ):
            code, _, errors = canlevel(*words)
            assert (code, "Permission denied" in errors, "Traceback" in errors) == (2, True, False)

    def hidden(self: Path) -> object:
        if self.name.startswith("date="):
            raise PermissionError(13, "Permission denied", str(self))
        return real_iterdir(self)

    monkeypatch.setattr(Path, "iterdir", hidden)
    for command in ("tanks", "flows"):
        code, _, errors = canlevel(command, "--store", tmp_path / "history")
        assert (code, "Permission denied" in errors) == (2, True)  # and not "no tank was heard"


def test_delta_times_are_not_taken_for_times_from_zero(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    path = tmp_path / "delta.txt"
    stamps = [0, 2500123, 2499871, 2499871, 2500871, 2499001, 2500300, 2498000]
    path.write_text(
        "".join(
            f" ({at // 10**6:03d}.{at % 10**6:06d})  can0  19F21123   [8]  10 D4 30 D0 07 00 00 FF\n" for at in stamps
        )
    )
    code, output, errors = canlevel("decode", path, "--start", "2026-05-01T08:00Z", "--format", "jsonl")
    assert (code, output, "candump -t d" in errors) == (2, "", True)


ASC_HEAD = "date Fri May 1 08:00:00.000 AM 2026\nbase hex  timestamps {}\n"
ASC_FRAME = "   {} 1  19F21123x       Rx   d {} 10 D4 30 D0 07 00 00 FF\n"


def test_asc_without_its_second_head_line_keeps_the_first_frame(tmp_path: Path) -> None:
    path = tmp_path / "boat.asc"
    path.write_text(ASC_HEAD.format("absolute") + "".join(ASC_FRAME.format(f"{i}.500000", 8) for i in range(3)))
    assert len(library.decode(path)) == 3


def test_asc_with_times_from_line_to_line_is_refused(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    path = tmp_path / "boat.asc"
    path.write_text(ASC_HEAD.format("relative") + ASC_FRAME.format("2.500000", 8) * 3)
    code, _, errors = canlevel("decode", path)
    assert (code, "absolute" in errors) == (2, True)


def test_lines_that_are_none_are_counted_in_asc_and_trc(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    path = tmp_path / "boat.asc"
    good = ASC_FRAME.format("0.500000", 8)
    cut = "   1.500000 1  19F21123x       Rx   d 8 10 D4 30\n"  # the recording's fault, not the device's
    path.write_text(ASC_HEAD.format("absolute") + "internal events logged\n" + good + "garbage line\n" + cut + good)
    code, output, errors = canlevel("decode", path, "--format", "jsonl")
    assert (code, len(output.splitlines()), "2 lines were skipped" in errors, "line 5" in errors) == (0, 2, True, True)
    path = tmp_path / "boat.trc"
    with can.TRCWriter(str(path)) as writer:
        for i in range(3):
            writer(can.Message(timestamp=START_US / 1e6 + i, arbitration_id=0x19F21123, data=bytes(8)))
    path.write_text(path.read_text() + "junk ;; line\n")
    code, output, errors = canlevel("decode", path, "--format", "jsonl")
    assert (code, len(output.splitlines()), "1 line was skipped" in errors) == (0, 3, True)


def test_a_byte_order_mark_costs_no_frame(tmp_path: Path) -> None:
    for ending, text in ((".log", lines(3)), (".asc", ASC_HEAD.format("absolute") + ASC_FRAME.format("0.5", 8) * 3)):
        path = tmp_path / f"boat{ending}"
        path.write_bytes(b"\xef\xbb\xbf" + text.encode())
        assert len(library.decode(path)) == 3


@pytest.mark.parametrize(
    ("content", "word"),
    [
        (lines(3).encode("utf-16"), "UTF-16"),
        (b"PK\x03\x04" + lines(3).encode(), "zip archive"),
        (gzip.compress(b"boat.log".ljust(257, b"\0") + b"ustar\x0000" + bytes(247) + lines(3).encode()), "tar archive"),
    ],
    ids=["utf-16", "zip", "tar"],  # of the contents they would have the time in them
)
def test_wrappings_that_are_no_recordings_are_named(
    content: bytes, word: str, tmp_path: Path, canlevel: Callable[..., Result]
) -> None:
    path = tmp_path / "boat.log"
    path.write_bytes(content)
    code, _, errors = canlevel("decode", path)
    assert (code, word in errors, "Next: " in errors) == (2, True, True)


def two_buses(*, in_turn: bool) -> list[SimulatedFrame]:
    """The same device on two channels: one filling, one at rest; or one bus that was called differently later on."""
    tank = Tank("nmea2000", "fresh_water", 0, 35, 200, 20, 0.4, flows=(Flow(600, 10, 150),))
    one = simulate([tank], start=START, seconds=2400, seed=1, traffic=False).frames
    if not in_turn:
        half = len(one) // 2
        return [*one[:half], *(replace(frame, channel="vcan7") for frame in one[half:])]
    rest = replace(tank, start_l=100, channel="can1", flows=())
    return sorted([*one, *simulate([rest], start=START, seconds=2400, seed=2, traffic=False).frames])


def test_equal_devices_on_two_buses_stay_apart(tmp_path: Path) -> None:
    path = tmp_path / "two.log"
    path.write_text(candump_text(two_buses(in_turn=True)))
    readings = library.decode(path)
    tanks = library.tanks(readings)
    assert tanks[["tank", "source_address", "channel"]].astype(str).to_numpy().tolist() == [
        ["nmea2000.fresh_water.0", "35", "can0"],
        ["nmea2000.fresh_water.0", "35", "can1"],
    ]
    assert library.flows(readings)["volume_l"].round().tolist() == [150]


def test_one_bus_that_was_renamed_stays_one(tmp_path: Path) -> None:
    path = tmp_path / "one.log"
    path.write_text(candump_text(two_buses(in_turn=False)))
    readings = library.decode(path)
    assert len(library.tanks(readings)) == 1
    assert library.flows(readings)["volume_l"].round().tolist() == [150]


def test_flows_of_one_tank_never_overlap() -> None:
    """A level that wanders by itself may look like flows; it must not make a tank do two things."""
    import numpy as np
    import pyarrow as pa

    from canlevel.derivation.flows import derive_flows
    from canlevel.tables import READINGS

    random = np.random.default_rng(4)
    drift, rows = 0.0, []
    for i in range(8000):
        drift += -drift * 2.5 / 600 + random.normal(0, 3 * np.sqrt(2 * 2.5 / 600))
        rows.append({"time": START_US + i * 2_500_000, "tank": "nmea2000.fuel.0", "source_address": 1, "status": "ok",
                     "level_pct": round((50 + drift) / 0.4) * 0.4})  # fmt: skip
    flows = derive_flows(pa.Table.from_pylist(rows, schema=READINGS)).to_pylist()
    assert flows  # the noise is such that the law below is put to the test
    for before, after in pairwise(flows):
        assert before["start"] < before["end"] <= after["start"]


def test_one_wrong_reading_does_not_move_the_online_rate() -> None:
    import pyarrow as pa

    from canlevel.derivation.online import OnlineRates
    from canlevel.tables import READINGS

    tank = Tank("nmea2000", "fuel", 0, 42, 380, 200, 0.4, 0.1, flows=(Flow(100, 30, 20),))
    from test_flows import readings_of

    rows = readings_of(simulate([tank], start=START, seconds=4000, seed=3, traffic=False)).to_pylist()
    clean = OnlineRates().add(pa.Table.from_pylist(rows, schema=READINGS)).to_pylist()
    rows[-4]["level_pct"] += 20
    spiked = OnlineRates().add(pa.Table.from_pylist(rows, schema=READINGS)).to_pylist()
    # No more than a step, 1.5 L, and what marks are off, within the last minute.
    assert clean[-1]["rate_high"] < 2.6
    assert spiked[-1] == clean[-1]


def test_the_library_takes_words_for_times_and_one_path_for_many(tmp_path: Path) -> None:
    from test_definitions import OWN

    path, own = tmp_path / "boat.log", tmp_path / "own.dbc"
    own.write_text(OWN)
    path.write_text("(000.500000) can0 18EFFF23#643278000909\n")
    readings = library.decode(path, dbc=str(own), start="2026-05-01T08:00Z")
    assert [time.isoformat() for time in readings["time"]] == ["2026-05-01T08:00:00.500000+00:00"] * 2
    library.log(path, tmp_path / "history", dbc=own, start="2026-05-01T08:00Z")
    store = library.open_store(tmp_path / "history")
    assert len(store.readings(since="2026-05-01", until="2026-05-02")) == 2
    assert len(store.readings(since="2026-05-02")) == 0
    for wrong in ("yesterday", "9999-12-31", "1066-10-14"):
        with pytest.raises(QueryError):
            store.readings(since=wrong)


def test_a_roster_entry_of_which_nothing_is_heard_is_named(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    path, roster = tmp_path / "boat.log", tmp_path / "tanks.toml"
    path.write_text(lines(3))
    entry = '[[tank]]\nname = "{}"\nfluid = "fresh_water"\ninstance = {}\n'
    roster.write_text(entry.format("bow", 0) + entry.format("stern", 1))
    _, _, errors = canlevel("decode", path, "--roster", roster)
    assert 'nothing was heard of "stern" (fresh_water 1)' in errors
    assert "bow" not in errors


def test_since_after_until_is_refused(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    path = tmp_path / "boat.log"
    path.write_text(lines(3))
    code, _, errors = canlevel("flows", path, "--since", "2026-05-02", "--until", "2026-05-01")
    assert (code, "--until" in errors) == (2, True)


def test_the_narrow_table_tells_the_day_when_it_changes() -> None:
    from conftest import frames

    from canlevel.decoding.tanks import decode_tanks
    from canlevel.roster import Roster
    from canlevel.show.text import reading_head, reading_lines
    from canlevel.units import VolumeUnit

    day = 24 * 3600 * 1_000_000
    readings = Roster().apply(decode_tanks(frames([(0x19F21123, bytes(8))] * 3, step_us=day // 2)))
    shown = list(reading_lines(readings, VolumeUnit.LITRE, 80))
    assert [line for line in shown if line.startswith("2026")] == ["2026-05-01", "2026-05-02"]
    assert max(map(len, [*shown, reading_head(VolumeUnit.LITRE, 80)])) <= 80
    assert not [line for line in reading_lines(readings, VolumeUnit.LITRE, 80, "2026-05-01") if line == "2026-05-01"]


def test_piped_json_is_whole() -> None:
    command = [*PROGRAM, "decode", "-", "--format", "jsonl"]
    done = subprocess.run(command, input=lines(30_000).encode(), capture_output=True, timeout=120)
    rows = [json.loads(line)["time"] for line in done.stdout.splitlines()]
    assert (done.returncode, len(rows), rows == sorted(rows)) == (0, 30_000, True)


def test_overlapping_recordings_count_each_reading_once_as_the_store_does(
    tmp_path: Path, canlevel: Callable[..., Result]
) -> None:
    text = lines(600).splitlines(keepends=True)
    one, two = tmp_path / "one.log", tmp_path / "two.log"
    one.write_text("".join(text[:400]))
    two.write_text("".join(text[200:]).replace("can0", "vcan7"))
    _, output, _ = canlevel("tanks", one, two, one, "--format", "jsonl")
    (row,) = [json.loads(line) for line in output.splitlines()]
    library.log([one, two], tmp_path / "history")
    _, output, _ = canlevel("tanks", "--store", tmp_path / "history", "--format", "jsonl")
    (stored,) = [json.loads(line) for line in output.splitlines()]
    assert (
        (row["readings"], row["period_s"]) == (stored["readings"], stored["period_s"]) == (600, pytest.approx(0.000997))
    )


def test_recordings_without_times_are_not_taken_for_one_another(
    tmp_path: Path, canlevel: Callable[..., Result]
) -> None:
    path = tmp_path / "console.txt"
    path.write_text("  can0  19F21123   [8]  10 D4 30 D0 07 00 00 FF\n" * 3)
    _, output, _ = canlevel("tanks", path, path, "--format", "jsonl")
    assert json.loads(output)["readings"] == 6


def test_two_multicast_groups_on_one_port_are_refused(canlevel: Callable[..., Result]) -> None:
    code, _, errors = canlevel("decode", "udp_multicast:239.74.163.2", "udp_multicast:239.74.163.3", "--seconds", "1")
    assert (code, "its own port" in errors) == (2, True)


def test_an_empty_word_is_no_source(canlevel: Callable[..., Result]) -> None:
    code, _, errors = canlevel("decode", "")
    assert (code, "names no source" in errors) == (2, True)


def test_an_interrupt_that_python_lost_still_ends_the_program(
    tmp_path: Path, canlevel: Callable[..., Result], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A KeyboardInterrupt raised inside a callback is dropped by Python; here one is raised and dropped on purpose."""
    import signal

    import canlevel.pipeline as pipeline

    real = pipeline.open_source

    def opening(*arguments: object, **options: object) -> object:
        with contextlib.suppress(KeyboardInterrupt):  # as a callback would
            signal.raise_signal(signal.SIGINT)
        return real(*arguments, **options)  # type: ignore[arg-type]

    monkeypatch.setattr(pipeline, "open_source", opening)
    path = tmp_path / "boat.log"
    path.write_text(lines(3))
    code, output, errors = canlevel("decode", path, "--format", "jsonl")
    assert (code, output, "Traceback" in errors) == (130, "", False)
    monkeypatch.undo()
    assert canlevel("decode", path, "--format", "jsonl")[0] == 0
