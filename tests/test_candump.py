"""The bulk reader of candump text: against a slow reference, against python-can's reader, and on every kind of dirt."""

from __future__ import annotations

import io
import time
from pathlib import Path

import can
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reading import Row, read_text, recorded, rows_of
from reference import read_line

from canlevel.capture.lines import parse_line
from canlevel.capture.source import open_source
from canlevel.tables import ERROR_FRAME, EXTENDED, FD, REMOTE, UNKNOWN_TIME_US


def reference_rows(text: str) -> tuple[list[Row], list[int]]:
    """(rows, numbers of lines that are no frame and not empty), by the reference reader."""
    rows, skipped = [], []
    for number, line in enumerate(text.split("\n"), 1):
        frame = read_line(line)
        if frame is None:
            if line.strip() and not line.strip().startswith("DROPCOUNT:"):
                skipped.append(number)
            continue
        flags = frame.extended * EXTENDED | frame.remote * REMOTE | frame.error * ERROR_FRAME | frame.fd * FD
        payload = int.from_bytes(frame.data[:8], "little")
        rows.append((frame.time_us, frame.channel, frame.identifier, flags, frame.length, payload))
    return rows, skipped


HEX_BYTE = st.integers(0, 255).map(lambda value: f"{value:02X}")
SECONDS = st.one_of(st.integers(0, 99), st.integers(1_700_000_000, 1_800_000_000))
STAMP = st.builds(
    lambda seconds, fraction, digits, width: f"({seconds:0{width}d}.{fraction:09d}"[: -(9 - digits) or None] + ")",
    SECONDS,
    st.integers(0, 999_999_999),
    st.sampled_from([6, 6, 6, 6, 8, 9, 3]),
    st.sampled_from([10, 10, 10, 3, 1]),
)
IDENTIFIER = st.one_of(
    st.integers(0, 0x1FFFFFFF).map(lambda value: f"{value:08X}"),
    st.sampled_from(["19F21123", "19FFB744", "18FEFC00", "18fe5600"]),
    st.integers(0, 0xFFF).map(lambda value: f"{value:03X}"),
    st.integers(0, 0xFFFFFFFF).map(lambda value: f"{value:08x}"),
)
DATA = st.one_of(
    st.lists(HEX_BYTE, max_size=8).map("".join),
    st.lists(HEX_BYTE, min_size=8, max_size=8).map("".join),
    st.lists(HEX_BYTE, max_size=8).map(".".join),
    st.lists(HEX_BYTE, max_size=8).map(lambda data: "".join(data).lower()),
    st.sampled_from(
        ["R", "R8", "R0", "R9", "00112233445566778", "0011223344556677_B", "001122334455667788", "0G", "1"]
    ),
    st.lists(HEX_BYTE, max_size=20).map(lambda data: "#1" + "".join(data)),
)
CHANNEL = st.sampled_from(["can0", "can0", "can1", "vcan-engine0", "slcan_0", "x", "can0 ", "  can12", "[x", "x[8]"])
LINE = st.builds(
    lambda stamp, channel, identifier, data, tail: f"{stamp} {channel} {identifier}#{data}{tail}",
    STAMP,
    CHANNEL,
    IDENTIFIER,
    DATA,
    st.sampled_from(["", "", "", " R", " T", "\r", " R\r", "  ", " X"]),
)
DIRT = st.sampled_from(
    [
        "",
        "   ",
        "garbage",
        "(1777622400.000000) can0",
        "(1777622400.000000 can0 19F21123#00",
        "1777622400.000000) can0 19F21123#0011223344556677",
        "can0 19F21123#0011223344556677",
        "(1777622400,000000) can0 19F21123#00",
        "(1777622400.00000x) can0 19F21123#0011223344556677",
        "(17776224oo.000000) can0 19F21123#0011223344556677",
        "(1777622400.000000) can0 19F2112G#0011223344556677",
        "(1777622400.000000) can0 19F21123#001122334455667G",
        "(1777622400.000000) can0 12345#81:00:12345678#11223344",
        "(1777622400.000000) can0 19F21123#0011223344556677 R extra",
        "DROPCOUNT: dropped 17 CAN frames on 'can0' socket (total drops 17)",
        "é¨\x00\x1b[31m",
    ]
)


@settings(max_examples=300)
@given(st.lists(st.one_of(LINE, LINE, LINE, DIRT), max_size=60), st.booleans(), st.integers(1, 30))
def test_columns_equal_the_slow_reader_on_dirty_logs(lines: list[str], last_newline: bool, repeat: int) -> None:
    """Repeating the lines makes rectangles that are read by columns; few lines take the other way. Both must agree."""
    text = "\n".join(lines * repeat) + ("\n" if last_newline else "")
    expected, skipped = reference_rows(text)
    reading = read_text(text.encode())
    assert rows_of(reading.block, reading.channels) == expected
    assert reading.skipped == len(skipped)
    assert (reading.first_skipped[0] if reading.first_skipped else None) == (skipped[0] if skipped else None)


@settings(max_examples=60)
@given(
    st.lists(st.one_of(LINE, DIRT), min_size=1, max_size=40),
    st.lists(st.integers(1, 400), min_size=1, max_size=20),
    st.booleans(),
)
def test_text_cut_into_pieces_anywhere_gives_the_same_frames(
    lines: list[str], cuts: list[int], last_newline: bool
) -> None:
    text = ("\n".join(lines) + "\n" * last_newline).encode()
    whole, parts = recorded(text), recorded(text, cuts)
    assert parts == whole
    assert [row for _, row in whole[0]] == reference_rows(text.decode())[0]


def test_clean_logs_equal_python_cans_reader() -> None:
    """Oracle: python-can's own log reader, on lines that its own writer wrote."""
    sent = [
        can.Message(
            timestamp=1777622400 + i * 0.0005,
            arbitration_id=(0x19F21100 + i % 7) if i % 3 else i % 0x7FF,
            is_extended_id=bool(i % 3),
            data=bytes((i * 37 + k) % 256 for k in range(i % 9)),
            channel=f"can{i % 2}",
        )
        for i in range(2000)
    ]
    text = io.StringIO()
    writer = can.CanutilsLogWriter(text)
    for message in sent:
        writer(message)
    written = text.getvalue()
    reading = read_text(written.encode())
    rows = rows_of(reading.block, reading.channels)
    oracle = list(can.CanutilsLogReader(io.StringIO(written)))
    assert len(oracle) == 2000
    assert [(r[1], r[2], bool(r[3] & EXTENDED), r[4], r[5].to_bytes(8, "little")) for r in rows] == [
        (m.channel, m.arbitration_id, m.is_extended_id, m.dlc, bytes(m.data).ljust(8, b"\0")) for m in oracle
    ]
    assert [r[0] for r in rows] == [round(m.timestamp * 1e6) for m in oracle]


def test_times_are_integers_and_finer_digits_are_cut() -> None:
    lines = [
        "0000000001.000001",
        "1777622400.999999",
        "1777622400.99999999",
        "1777622400.999999999",
        "9999999999.000000",
    ]
    for repeat in (1, 50):
        text = "".join(f"({stamp}) can0 123#00\n" for stamp in lines * repeat)
        times = read_text(text.encode()).block.time_us.tolist()
        assert times == [1_000_001, 1777622400999999, 1777622400999999, 1777622400999999, 9999999999000000] * repeat


# Linux include/uapi/linux/can/error.h: bit 29 marks an error frame; 0x004 is a controller problem, 0x080 a bus error.
def test_error_frames_are_not_data_frames() -> None:
    reading = read_text(b"(1777622400.000000) can0 20000004#0004000000000000\n" * 40)
    assert set(rows_of(reading.block, reading.channels)) == {(1777622400000000, "can0", 4, ERROR_FRAME, 8, 0x400)}


def test_dropped_frames_are_counted_and_are_no_dirt() -> None:
    reading = read_text(
        b"DROPCOUNT: dropped 17 CAN frames on 'can0' socket (total drops 17)\nDROPCOUNT: dropped 1 CAN frame on x\n"
    )
    assert (reading.dropped, reading.skipped) == (18, 0)


CONSOLE = [
    ("  can0  19F21123   [8]  00 20 4E D0 07 00 00 FF\n", UNKNOWN_TIME_US),
    ("  can0  19F21123   [8]  00 20 4E D0 07 00 00 FF   '. N.....'\n", UNKNOWN_TIME_US),
    (" (1777622400.000001)  can0  19F21123   [8]  00 20 4E D0 07 00 00 FF\n", 1777622400000001),
    (" (000.002500)  can0  19F21123   [8]  00 20 4E D0 07 00 00 FF   '''''''''\r\n", 2500),
    (" (1777622400.000001)  can0  RX - -  19f21123   [8]  00 20 4e d0 07 00 00 ff\n", 1777622400000001),
]


@pytest.mark.parametrize(("line", "time_us"), CONSOLE)
@pytest.mark.parametrize("repeat", [1, 60])
def test_console_text(line: str, time_us: int, repeat: int) -> None:
    reading = read_text(line.encode() * repeat)
    payload = int.from_bytes(bytes.fromhex("00204ED0070000FF"), "little")
    assert rows_of(reading.block, reading.channels) == [(time_us, "can0", 0x19F21123, EXTENDED, 8, payload)] * repeat


@pytest.mark.parametrize("repeat", [1, 60])
def test_dated_console_text_is_local_time(repeat: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "Europe/Oslo")
    time.tzset()
    try:
        # Oslo keeps UTC+2 in May and UTC+1 in January (time zone database).
        lines = (
            b" (2026-05-01 10:00:00.000001)  can0  123   [1]  00\n (2026-01-01 01:00:00.000000)  can0  123   [1]  00\n"
        )
        reading = read_text(lines * repeat)
        assert reading.block.time_us.tolist() == [1777622400000001, 1767225600000000] * repeat
        assert reading.dated_locally
    finally:
        monkeypatch.undo()
        time.tzset()


@pytest.mark.parametrize(
    "line",
    [
        "  can0  19F21123   [8]  00 20 4E D0 07 00 00",  # cut
        "  can0  19F21123   [3]  00 20 4E D0",
        "  can0  19F21123   [8]  00 20 4E D0 07 00 00 GG",
        " (2026-13-45 08:00:00.000000)  can0  123   [1]  00",
        " (2026-02-30 08:00:00.000000)  can0  123   [1]  00",
        " (2026-05-01 25:00:00.000000)  can0  123   [1]  00",
        " (2026-05- 1 08:00:00.000000)  can0  123   [1]  00",
    ],
)
@pytest.mark.parametrize("repeat", [1, 60])
def test_wrong_console_lines_are_skipped_alone_and_among_good_ones(line: str, repeat: int) -> None:
    good = "  can0  19F21123   [8]  00 20 4E D0 07 00 00 FF"
    reading = read_text(f"{good}\n{line}\n".encode() * repeat)
    assert (len(reading.block.line), reading.skipped) == (repeat, repeat)
    assert reading.first_skipped == (2, line.encode())


@pytest.mark.parametrize(
    ("line", "flags", "length"),
    [
        ("  can0  123   [0]  remote request", REMOTE, 0),
        ("  can0  19F21123   [8]  remote request", EXTENDED | REMOTE, 8),
        ("  can0  20000088   [8]  00 00 08 00 00 00 00 00   ERRORFRAME", ERROR_FRAME, 8),
        ("  can0  123   [12]  00 01 02 03 04 05 06 07 08 09 0A 0B", FD, 12),
    ],
)
def test_console_text_of_other_frames(line: str, flags: int, length: int) -> None:
    for repeat in (1, 60):
        reading = read_text(f"{line}\n".encode() * repeat)
        assert reading.block.flags.tolist() == [flags] * repeat
        assert reading.block.length.tolist() == [length] * repeat


def test_the_plain_parser_and_the_columns_agree_on_a_line_of_any_bytes() -> None:
    @settings(max_examples=300)
    @given(st.binary(max_size=80).filter(lambda line: b"\n" not in line))
    def check(line: bytes) -> None:
        reading = read_text(line + b"\n")
        assert len(reading.block.line) == (parse_line(line) is not None)

    check()


def test_line_numbers_point_into_the_file(tmp_path: Path) -> None:
    path = tmp_path / "boat.log"
    path.write_text("# head\n\n" + "(1777622400.000000) can0 123#00\n" * 100 + "cut\n(1777622400.000000) can0 123#00\n")
    source = open_source(path)
    lines = pa.concat_tables(list(source.batches())).column("line").to_pylist()
    assert lines == [*range(3, 103), 104]
    assert (source.tally.skipped, source.tally.first_skipped.line) == (2, 1)


def test_a_line_of_five_megabytes_is_skipped_and_nothing_around_it(tmp_path: Path) -> None:
    frame = b"(1777622400.000000) can0 19F21123#00D430D0070000FF\n"
    for filling in (b"x", b"0"):
        path = tmp_path / "long.log"
        path.write_bytes(frame * 10 + frame.strip() + filling * 5_000_000 + b"\n" + frame * 10)
        source = open_source(path)
        assert sum(len(batch) for batch in source.batches()) == 20
        assert source.tally.skipped == 1
