"""Recordings that python-can reads, beside python-can's own readers, frame by frame.

What a frame is, `plain` below says for one message; the readers under test say it for columns.
"""

from __future__ import annotations

import datetime
import gzip
import io
import math
import random
import sqlite3
import struct
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import can
import pytest
from can.io.trc import TRCFileVersion

from canlevel.capture import asc_trc, blf, messages
from canlevel.capture.blocks import block_of
from canlevel.capture.files import open_recording
from canlevel.capture.messages import read_messages
from canlevel.errors import CaptureError
from canlevel.identifier import pgn_of
from canlevel.tables import ERROR_FRAME, EXTENDED, FD, REMOTE, UNKNOWN_TIME_US

START_S = 1777622400.25  # 2026-05-01T08:00:00.250Z
WANTED = (127505, 0x1FFB7, 65276, 0xEF00)  # of several lengths, one of them addressed to a destination
IDENTIFIERS = [0x19F21123, 0x19FFB744, 0x18FEFC00, 0x18EF1234, 0x18EF5634, 0x09F80112, 0x0CF00400, 0, 0x1FFFFFFF]
DATA = [b"", b"\0", b"LOBJ", b"LOBJLOBJ", bytes(8), b"\xff" * 8, bytes(range(1, 9))]
SEEDS = range(6)

Frame = tuple[int, str | None, int, int, int, int]  # time in microseconds, channel, identifier, flags, length, payload


@dataclass
class Reading:
    """What read_messages made of a recording."""

    frames: list[Frame] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    count: int = 0
    skipped: list[tuple[int, str]] = field(default_factory=list)
    faults: list[tuple[str, int]] = field(default_factory=list)
    error: str | None = None


def read(path: Path, wanted: Sequence[int] | None = None) -> Reading:
    reading, words = Reading(), []

    def code(channel: Any) -> int:
        if channel not in words:
            words.append(channel)
        return words.index(channel)

    def on_skipped(line: int, text: str) -> None:
        reading.skipped.append((line, text))

    def on_fault(why: str, frames: int) -> None:
        reading.faults.append((why, frames))

    opened = open_recording(path)
    try:
        for block, count in read_messages(opened, code, on_skipped, on_fault, wanted):
            columns = (block.time_us, block.channel, block.identifier, block.flags, block.length, block.payload)
            for time_us, channel, *others in zip(*(column.tolist() for column in columns), strict=True):
                reading.frames.append((time_us, words[channel], *others))
            reading.lines += block.line.tolist()
            reading.count += count
    except CaptureError as error:
        reading.error = str(error)
    finally:
        opened.close()
    return reading


def plain(message: can.Message) -> Frame:
    """A frame as canlevel has it, from one message of python-can's."""
    data = b"" if message.is_remote_frame else bytes(message.data or b"")
    return (
        round(message.timestamp * 1e6) if 0 < message.timestamp < 253402300800 else UNKNOWN_TIME_US,
        message.channel,
        message.arbitration_id & 0x1FFFFFFF,
        sum(
            bit
            for bit, flag in (
                (EXTENDED, message.is_extended_id),
                (REMOTE, message.is_remote_frame),
                (ERROR_FRAME, message.is_error_frame),
                (FD, message.is_fd),
            )
            if flag
        ),
        min(message.dlc, 64) if message.is_remote_frame else min(len(data), 255),
        int.from_bytes(data[:8], "little"),
    )


def is_wanted(frame: Frame) -> bool:
    return frame[3] == EXTENDED and pgn_of(frame[2]) in WANTED


def good_part(reader: Iterable[can.Message]) -> list[Frame]:
    """The frames of a reader of python-can's up to where it raises something."""
    frames = []
    try:
        for message in reader:
            frames.append(plain(message))
    except Exception:
        pass
    return frames


def random_messages(draw: random.Random, kinds: Sequence[str], n: int = 200) -> list[can.Message]:
    sent, at = [], START_S
    for _ in range(n):
        kind = draw.choice(kinds)
        at += draw.choice([0, 1e-6, 0.0005, 0.125, 3.7, draw.random()])
        extended = draw.random() < 0.8
        identifier = draw.choice([*IDENTIFIERS, draw.randrange(1 << 29)])
        remote, error, fd = kind == "remote", kind == "error", kind == "fd"
        size = draw.choice([0, 1, 7, 8, 12, 48, 64]) if fd else draw.randrange(9)
        data = draw.choice([*DATA, draw.randbytes(8)])[:size] if size <= 8 else draw.randbytes(size)
        sent.append(
            can.Message(
                timestamp=at,
                arbitration_id=identifier if extended else identifier & 0x7FF,
                is_extended_id=extended,
                is_remote_frame=remote,
                is_error_frame=error,
                is_fd=fd,
                is_rx=draw.random() < 0.9,
                bitrate_switch=fd and draw.random() < 0.5,
                dlc=size if remote else len(data),
                data=None if remote else data,
                channel=draw.choice([0, 0, 1, 7]),
            )
        )
    return sent


def write(writer: Any, sent: Iterable[can.Message]) -> None:
    for message in sent:
        writer(message)
    writer.stop()


def trc_writer_1_0(path: str) -> can.TRCWriter:
    writer = can.TRCWriter(path)
    writer.file_version = TRCFileVersion.V1_0
    return writer


def small_blf_writer(path: str) -> can.BLFWriter:
    return can.BLFWriter(path, max_container_size=200)  # nearly every object lies across two containers


def stored_blf_writer(path: str) -> can.BLFWriter:
    return can.BLFWriter(path, compression_level=0, max_container_size=5000)


def asc_reader(path: str) -> can.ASCReader:
    return can.ASCReader(path, relative_timestamp=False)


CLASSIC = ("data", "data", "data", "remote", "error")
FORMATS: dict[str, tuple[str, Callable[[str], Any], Callable[[str], Any], Sequence[str]]] = {
    "BLF": (".blf", can.BLFWriter, can.BLFReader, (*CLASSIC, "fd")),
    "BLF of classic frames": (".blf", can.BLFWriter, can.BLFReader, ("data",)),
    "BLF in small containers": (".blf", small_blf_writer, can.BLFReader, (*CLASSIC, "fd")),
    "BLF not compressed": (".blf", stored_blf_writer, can.BLFReader, (*CLASSIC, "fd")),
    "ASC": (".asc", can.ASCWriter, asc_reader, (*CLASSIC, "fd")),
    "TRC 2.1": (".trc", can.TRCWriter, can.TRCReader, ("data",)),
    "TRC 1.0": (".trc", trc_writer_1_0, can.TRCReader, ("data",)),
    "SQLite": (".db", can.SqliteWriter, can.SqliteReader, CLASSIC),
}


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("name", FORMATS)
def test_what_python_can_writes_is_read_as_python_can_reads_it(name: str, seed: int, tmp_path: Path) -> None:
    ending, writer, reader, kinds = FORMATS[name]
    path = tmp_path / f"bus{ending}"
    sent = random_messages(random.Random(seed), kinds)
    write(writer(str(path)), sent)
    expected = [plain(message) for message in reader(str(path))]
    assert len(expected) == len(sent)
    found = read(path)
    assert found.frames == expected
    assert found.lines == list(range(1, len(sent) + 1))
    assert (found.count, found.skipped, found.faults, found.error) == (len(sent), [], [], None)
    some = read(path, WANTED)
    assert some.frames == [frame for frame in expected if is_wanted(frame)]
    assert some.lines == [line for line, frame in enumerate(expected, 1) if is_wanted(frame)]
    assert (some.count, some.skipped, some.faults, some.error) == (len(sent), [], [], None)
    assert len(some.frames) > 10
    assert read(path, []).frames == []


@pytest.mark.parametrize("name", FORMATS)
def test_however_it_is_cut_into_batches_the_frames_are_the_same(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ending, writer, _, kinds = FORMATS[name]
    path = tmp_path / f"bus{ending}"
    write(writer(str(path)), random_messages(random.Random(name), kinds))
    whole, some = read(path), read(path, WANTED)
    for batch in (1, 7, 50):
        for module in (messages, asc_trc):
            monkeypatch.setattr(module, "BATCH", batch)
            monkeypatch.setattr(module, "SPARSE", 3 * batch)
        monkeypatch.setattr(asc_trc, "TEXT_PIECE", batch)
        monkeypatch.setattr(blf, "TOGETHER", 10 * batch)
        assert read(path) == whole
        assert read(path, WANTED) == some


def test_a_compressed_blf_is_read_as_a_stream(tmp_path: Path) -> None:
    path = tmp_path / "bus.blf"
    write(can.BLFWriter(str(path)), random_messages(random.Random(1), (*CLASSIC, "fd")))
    packed = tmp_path / "bus.blf.gz"
    packed.write_bytes(gzip.compress(path.read_bytes()))
    assert read(packed) == read(path)


# BLF objects made by hand. Positions of fields: python-can's open-source reader, as in canlevel/capture/blf.py.
CAN_FRAME, CONTAINER, ERROR, CAN_FRAME_2, FD_FRAME, FD_FRAME_64 = 1, 10, 73, 86, 100, 101
TEN_MICROSECONDS, NANOSECONDS = 1, 2


def blf_object(kind: int, fields: bytes, *, stamp: int = 0, flags: int = NANOSECONDS, version: int = 1) -> bytes:
    if version == 2:
        header = struct.pack("<LBxHQQ", flags, 0, 0, stamp, 0)
    else:
        header = struct.pack("<LHHQ", flags, 0, 0, stamp)
    size = 16 + len(header) + len(fields)
    return struct.pack("<4sHHLL", b"LOBJ", 16 + len(header), version, size, kind) + header + fields


def blf_container(data: bytes, method: int = 2) -> bytes:
    body = zlib.compress(data) if method == 2 else data
    head = struct.pack("<4sHHLLH6xL4x", b"LOBJ", 16, 1, 32 + len(body), CONTAINER, method, len(data))
    return head + body + bytes((32 + len(body)) % 4)


def blf_file(containers: bytes, start: Sequence[int] = (2026, 5, 5, 1, 8, 0, 0, 250), extra: int = 72) -> bytes:
    head = struct.pack(
        "<4sL8BQQLL8H8H", b"LOGG", 72 + extra, *bytes(8), 72 + extra + len(containers), 0, 0, 0, *start, *bytes(8)
    )
    return head + bytes(extra) + containers


def in_containers(draw: random.Random, data: bytes, methods: Sequence[int] = (0, 2)) -> bytes:
    """The bytes of objects, cut into containers anywhere."""
    cuts = sorted(draw.randrange(len(data) + 1) for _ in range(draw.randrange(12)))
    return b"".join(
        blf_container(data[a:b], draw.choice(methods)) for a, b in zip([0, *cuts], [*cuts, len(data)], strict=True)
    )


def random_object(draw: random.Random, stamp: int) -> bytes:
    kind = draw.choice([CAN_FRAME, CAN_FRAME, CAN_FRAME_2, ERROR, FD_FRAME, FD_FRAME_64, 9, 31, 96, 115])
    channel, code = draw.choice([0, 1, 2, 255]), draw.choice([0, 1, 7, 8, 8, 8, 9, 15, 16, 64, 255])
    identifier = draw.choice([*IDENTIFIERS, draw.randrange(1 << 29)]) | draw.choice([0, 1 << 31, 1 << 31, 3 << 30])
    flags = draw.choice([0, 0, 0, 1, 0x80, draw.randrange(256)])
    data = draw.choice([b"LOBJLOBJ", draw.randbytes(8)])
    if kind in (CAN_FRAME, CAN_FRAME_2):
        fields = struct.pack("<HBBL8s", channel, flags, code, identifier, data)
        fields += draw.choice([b"", bytes(8), draw.randbytes(8)])  # the length of the frame and more
    elif kind == ERROR:
        fields = struct.pack("<HHLBBBxLLHxx8s", channel, 0, 0, 0, 0, code, 0, identifier, 0, data)
        fields += draw.choice([b"", bytes(3)])
    elif kind == FD_FRAME:
        told, fd_flags = draw.choice([0, 5, 8, 12, 64, 70]), draw.choice([0, 1, 7])
        fields = struct.pack("<HBBLLBBB5x", channel, flags, code, identifier, 0, 0, fd_flags, told) + draw.randbytes(64)
    elif kind == FD_FRAME_64:
        told, there = draw.choice([0, 5, 8, 12, 64, 200]), draw.choice([0, 3, 8, 12, 64])
        fd_flags = draw.choice([0, 0, 0x10, 0x1000, 0x1000, 0x7000])
        behind = draw.choice([0, 0, 32 + 40 + there])
        fields = struct.pack(
            "<BBBBLLLLLLLHBBL",
            channel, code, told, 0, identifier, 0, fd_flags, 0, 0, 0, 0, 0, draw.randrange(2), behind, 0,
        )  # fmt: skip
        fields += draw.randbytes(there) + (draw.randbytes(12) if behind else b"")
    else:
        fields = draw.randbytes(draw.choice([0, 1, 2, 16, 300]))
    version = draw.choice([1, 1, 1, 2])
    filling = draw.choice([0, 0, 0, 1, 2, 3, 4]) if kind not in (CAN_FRAME, CAN_FRAME_2) else draw.choice([0, 0, 0, 4])
    made = blf_object(
        kind, fields, stamp=stamp, flags=draw.choice([NANOSECONDS, NANOSECONDS, TEN_MICROSECONDS, 0]), version=version
    )
    if draw.random() < 0.03:
        made = made[:6] + struct.pack("<H", draw.choice([0, 3, 60000])) + made[8:]  # a version that nobody knows
    return made + bytes(filling)


def random_objects(draw: random.Random, n: int = 60) -> bytes:
    stamps = [0, 1, 499, 500, 501, 10**9, 2**53 - 1, 2**53 + 1, 2**63, 2**64 - 1]
    return b"".join(
        random_object(draw, draw.choice([draw.choice(stamps), draw.randrange(10**13), draw.randrange(10**13)]))
        for _ in range(n)
    )


class Strict(io.BytesIO):
    """Bytes that, as a file on disk does, refuse to read less than nothing; BytesIO reads all."""

    def read(self, size: int | None = -1) -> bytes:
        if size is None or size < 0:
            raise ValueError("read less than nothing")
        return super().read(size)


class ObjectHead:
    """How python-can unpacks the head of an object, but for two faults of damaged files: an object without a size, which it
    would read again for ever, and a header longer than its object, with which it takes data from the container's end."""

    whole = can.io.blf.OBJ_HEADER_BASE_STRUCT
    size, unpack = whole.size, whole.unpack

    @classmethod
    def unpack_from(cls, data: bytes, at: int) -> tuple[Any, ...]:
        signature, header_size, version, size, kind = cls.whole.unpack_from(data, at)
        if size == 0:
            raise can.io.blf.BLFParseError("an object without a size")
        if kind == FD_FRAME_64 and at + 80 < len(data):
            header_size = min(header_size, data[at + (75 if version == 2 else 67)] or size)
        return signature, header_size, version, size, kind


def check_blf(content: bytes, path: Path) -> Reading:
    """Compare both readings with python-can's, of what may be damaged. Returns the whole one."""
    path.write_bytes(content)
    found, some = read(path), read(path, WANTED)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(blf, "TOGETHER", 1)
        assert read(path) == found  # each container by itself
        patch.setattr(can.io.blf, "OBJ_HEADER_BASE_STRUCT", ObjectHead)
        try:
            expected = good_part(can.BLFReader(Strict(content)))
        except (ValueError, struct.error, can.io.blf.BLFParseError):
            expected = []
    assert found.frames == expected
    assert found.count == some.count == len(expected)
    assert found.lines == list(range(1, len(expected) + 1))
    assert some.frames == [frame for frame in expected if is_wanted(frame)]
    assert some.lines == [line for line, frame in enumerate(expected, 1) if is_wanted(frame)]
    assert (found.faults, found.error) == (some.faults, some.error)
    return found


@pytest.mark.parametrize("seed", range(40))
def test_blf_objects_of_every_type(seed: int, tmp_path: Path) -> None:
    draw = random.Random(seed)
    start = draw.choice(
        [(2026, 5, 5, 1, 8, 0, 0, 250), (2026, 5, 5, 1, 8, 0, 0, 999), (0,) * 8, (2026, 13, 0, 1, 0, 0, 0, 0)]
    )
    content = blf_file(in_containers(draw, random_objects(draw)), start, draw.choice([0, 72]))
    found = check_blf(content, tmp_path / "bus.blf")
    assert len(found.frames) > 20
    assert not found.faults


@pytest.mark.parametrize("seed", range(12))
def test_a_blf_file_cut_anywhere(seed: int, tmp_path: Path) -> None:
    draw = random.Random(seed)
    content = blf_file(in_containers(draw, random_objects(draw)))
    told = 0
    for _ in range(25):
        cut = draw.randrange(5, len(content))
        found = check_blf(content[:cut], tmp_path / "bus.blf")
        # Whatever could be read, that something is missing is said; with no frames the caller says that there are none.
        assert found.faults or found.error or not found.frames
        told += bool(found.faults)
    assert told > 5


@pytest.mark.parametrize("seed", range(40))
def test_a_damaged_blf_file_gives_what_python_can_gives(seed: int, tmp_path: Path) -> None:
    draw = random.Random(seed)
    objects = random_objects(draw)
    for _ in range(25):
        data = bytearray(objects)
        for _ in range(draw.choice([0, 1, 1, 3])):
            at = draw.randrange(len(data))
            kind = draw.randrange(4)
            if kind == 0:
                data[at] = draw.randrange(256)
            elif kind == 1:
                del data[at : at + draw.choice([1, 4, 48])]
            elif kind == 2:
                data[at:at] = draw.choice([b"LOBJ", b"\0", draw.randbytes(4), blf_object(CAN_FRAME, bytes(16))])
            else:
                data[at] ^= 1 << draw.randrange(8)
        content = bytearray(blf_file(in_containers(draw, bytes(data))))
        if draw.random() < 0.3:
            content[draw.randrange(4, len(content))] = draw.randrange(256)
        check_blf(bytes(content), tmp_path / "bus.blf")


def test_a_blf_object_without_a_size_ends_the_reading(tmp_path: Path) -> None:
    good = blf_object(CAN_FRAME, struct.pack("<HBBL8s", 1, 0, 8, 0x99F21123, bytes(8)))
    data = good * 3 + good[:8] + bytes(4) + good[12:] + good
    for start, _, _ in ((data, 0, 0), (good + data, 0, 0)):
        path = tmp_path / "bus.blf"
        path.write_bytes(blf_file(blf_container(start)))
        found = read(path)
        assert len(found.frames) == start.count(good[:16]) - 1
        assert "0 bytes long" in found.faults[0][0]


def test_what_is_missing_from_a_blf_file_is_said(tmp_path: Path) -> None:
    frame = blf_object(CAN_FRAME, struct.pack("<HBBL8s", 1, 0, 8, 0x99F21123, bytes(8)))
    path = tmp_path / "bus.blf"
    whole = blf_file(blf_container(frame * 5) + blf_container(frame * 3))
    for content, frames, words in [
        (whole, 8, None),
        (whole[:-1], 8, "1 bytes are missing"),
        (whole[: len(whole) - len(blf_container(frame * 3)) + 7], 5, f"{len(blf_container(frame * 3)) - 7} bytes are missing"),
        (blf_file(blf_container(frame * 5 + frame[:30])), 5, "middle of a record"),
        (blf_file(blf_container(frame * 5 + frame[:9])), 5, "middle of a record"),
        (blf_file(blf_container(frame * 5) + bytes(20)), 5, "damaged"),
        (blf_file(blf_container(frame * 5 + bytes(20)) + blf_container(frame)), 5, "not followed by another"),
        (blf_file(blf_container(frame * 5) + blf_container(frame, 7) + blf_container(frame)), 6, "not known"),
        (blf_file(blf_container(frame * 5 + frame[:8] + b"\xff" * 4 + frame[12:]) + blf_container(frame)), 5, "claims"),
    ]:  # fmt: skip
        path.write_bytes(content)
        found = read(path)
        assert (len(found.frames), len(found.faults)) == (frames, 0 if words is None else 1), words
        assert words is None or words in found.faults[0][0]
        assert words is None or found.faults[0][1] == frames


# Lines of ASC and TRC, each damaged by itself.
ASC_LINES = [
    "   0.500000 1  19F21123x       Rx   d 8 10 D4 30 D0 07 00 00 FF",
    "   0.500000 1  19F21123x       Rx   d 8 10 D4 30 D0 07 00 00 FF  Length = 244015 BitCount = 126 ID = 435294499x",
    "1.5 2  123             Tx   d 3 01 02 03",
    "1.6 2  18EF5634X  rx D 2 01 02",
    "1.7 1  9F80112x        Rx   d 0",
    "2.500000 1  19F21123x       Rx   r 8",
    "2.600000 1  19F21123x       Rx   r",
    "2.7 1  ErrorFrame",
    "2.8 1  18EF1234x  Rx   d f 01 02 03 04 05 06 07 08",
    "2.9 CANFD   1 Rx   19F21123x                                   1 0 8  8 01 02 03 04 05 06 07 08   0    0     1000"
    "        0        0        0        0        0",
    "3.0 CANFD   2 Tx        123  name   1 0 9 12 01 02 03 04 05 06 07 08 09 0A 0B 0C   0    0     1000 0 0 0 0 0",
    "3.1 1  Statistic: D 0 R 0 XD 0 XR 0 E 0 O 0 B 0.00%",
    "3.2 J1939TP FEE3p 6 0 0 - Rx d 23 A0 0F A6 60",
    "0.000000 Start of measurement",
    "Begin Triggerblock Fri May 01 08:00:01.000 2026",
    "// comment",
    "",
]
ASC_LINES_ODD = [
    "3.0 CANFD  1 Rx 9F80112X 0 0 8 08 01 02 03 04 05 06 07 08",
    "3.0 CANFD  1 Rx 9F80112x 0 0 5 5 01 02 03 04 05 06",
    "3.0 CANFD  1 Rx ErrorFrame 0 0 5 5 01 02 03 04 05 06",
    "3.0 CANFD  1 Rx 123 0 0 0 0",
]
ASC_LINES_DECIMAL = [
    "1.5 1 435294499x Rx d 8 16 212 48 208 7 0 0 255",
    "1.6 2 291 Tx d 3 1 02 003",
    "1.7 1 418320948x Rx d 0",
    "1.8 1 435294499x Rx r 8",
]
ASC_ALPHABET = "0123456789abcdefABCDEFxX.rdRT \t_-G\u00e9\u00a0"
ASC_HEAD = "date Fri May 1 08:00:00.000 2026\nbase {}  timestamps absolute\ninternal events logged\n"
TRC_HEADS = {
    "none": ";##########\n",
    "1.1": ";$FILEVERSION=1.1\n;$STARTTIME=46143.33333334057\n;\n",
    "1.3": ";$FILEVERSION=1.3\n;$STARTTIME=46143.33333334057\n;\n",
    "2.0": ";$FILEVERSION=2.0\n;$STARTTIME=46143.33333334057\n;$COLUMNS=N,O,T,I,d,l,D\n;\n",
    "2.1": ";$FILEVERSION=2.1\n;$STARTTIME=46143.33333334057\n;$COLUMNS=N,O,T,B,I,d,R,L,D\n;\n",
    "2.1 in another order": ";$FILEVERSION=2.1\n;$STARTTIME=46143.3\n;$COLUMNS=N,T,O,L,I,d,D,B\n;\n",
}
TRC_LINES = {
    "none": ["  1)   10.5 19F21123 8 10 D4 30 D0 07 00 00 FF", "2) 11 123 2 01 02", "3) 12 FFFFFFFF 4 00 00 00 00",
             "4) 13 18EF5634 RTR", "5) 14 9F80112 3 RTR", "6) 15 19F21123 0", "7) 15 09F80112 0 RTR"],
    "1.1": ["  1)   10.5  Rx  19F21123  8  10 D4 30 D0 07 00 00 FF ", "2) 11 Tx 0123 2 01 02", "3) 12 Rx 18EF5634 0",
            "4) 13 Warng FFFFFFFF 4 00 00 00 08 BUSLIGHT", "5) 14 Rx 19F21123 8 RTR", "6) 14 Rx 9F80112 0 RTR"],
    "1.3": ["  1)   10.5  1  Rx  19F21123 -  8  10 D4 30 D0 07 00 00 FF", "2) 11 2 Tx 0123 - 2 01 02",
            "3) 12 1 Rx 18EF5634 - 0", "4) 13 1 Error 4 - 4 00 00", "5) 14 1 Rx 19F21123 - 8 RTR"],
    "2.0": ["  1  10.5 DT 19F21123 Rx 8  10 D4 30 D0 07 00 00 FF", "2 11 DT 0123 Tx 2 01 02", "3 12 DT 18EF5634 Rx 0",
            "4 13 FD 19F21123 Rx 12 01 02 03 04 05 06 07 08 09 0A 0B 0C", "5 14 RR 19F21123 Rx 8", "6 15 ER - Rx 5 00"],
    "2.1": ["  1  10.5 DT 1 19F21123 Rx - 8  10 D4 30 D0 07 00 00 FF", "2 11 DT 2 0123 Tx - 2 01 02",
            "3 12 DT 1 18EF5634 Rx - 0", "4 13 FB 1 19F21123 Rx - 8 01 02 03 04 05 06 07 08", "5 14 RR 1 19F21123 Rx - 8",
            "6 15 ST 1 - Rx - 4 00 00 00 08", "7 15 DT 1 09F80112 Rx - 9 01 02 03 04 05 06 07 08 09"],
    "2.1 in another order": ["1 DT 10.5 2 19F21123 Rx 0102 1", "2 DT 11 1 0123 Tx 01 2", "3 RR 12 8 19F21123 Rx 00 1"],
}  # fmt: skip


def damaged_line(draw: random.Random, line: str, alphabet: str) -> str:
    for _ in range(draw.choice([0, 0, 1, 1, 2, 5])):
        at = draw.randrange(len(line) + 1)
        line = line[:at] + draw.choice(["", draw.choice(alphabet)]) + line[at + draw.randrange(2) :]
    return line


def each_alone(head: str, lines: Sequence[str], reader: Callable[[Any], Iterable[can.Message]]) -> Iterator[Frame]:
    """What python-can reads of each line alone behind a head. What it raises an error for is no frame, and a frame of which
    not all data is there is none either."""
    for line in lines:
        try:
            found = list(reader(io.StringIO(head + line + "\n")))
        except (ValueError, IndexError, KeyError):
            continue
        for message in found:
            if (
                message.dlc >= 0
                if message.is_remote_frame
                else message.is_error_frame or message.dlc == len(message.data)
            ):
                yield plain(message)


def check_lines(path: Path, head: str, lines: Sequence[str], expected: Sequence[Frame]) -> None:
    path.write_text(head + "\n".join(lines) + "\n", encoding="utf-8")
    found, some = read(path), read(path, WANTED)
    assert found.frames == expected
    assert found.lines == list(range(1, len(expected) + 1))
    assert some.frames == [frame for frame in expected if is_wanted(frame)]
    # A damaged line of a frame that nobody asked for may count as a frame, and nothing else does.
    assert set(some.skipped) <= set(found.skipped)
    assert some.count + len(some.skipped) == found.count + len(found.skipped)
    assert some.error == found.error


@pytest.mark.parametrize("base", ["hex", "dec"])
@pytest.mark.parametrize("seed", range(15))
def test_asc_lines_are_read_as_python_can_reads_each(seed: int, base: str, tmp_path: Path) -> None:
    draw = random.Random(seed)
    # The date in the head holds until a trigger gives another, which a line alone does not show.
    whole = (
        [line for line in ASC_LINES if "Trigger" not in line]
        + ASC_LINES_ODD
        + ASC_LINES_DECIMAL * (3 if base == "dec" else 1)
    )
    lines = [damaged_line(draw, draw.choice(whole), ASC_ALPHABET) for _ in range(150)]
    head = ASC_HEAD.format(base)
    expected = list(each_alone(head, lines, lambda text: can.ASCReader(text, relative_timestamp=False)))
    assert len(expected) > 20
    check_lines(tmp_path / "bus.asc", head, lines, expected)


def test_asc_lines_are_read_as_python_can_reads_all_of_them(tmp_path: Path) -> None:
    path = tmp_path / "bus.asc"
    path.write_text(ASC_HEAD.format("hex") + "\n".join(ASC_LINES * 3) + "\n" + ASC_LINES[0])
    expected = [
        plain(message)
        for message in asc_reader(str(path))
        if message.dlc == len(message.data) or message.is_remote_frame
    ]
    found = read(path)
    assert found.frames == expected
    assert (
        len({frame[0] for frame in found.frames if frame[5] == 0xFF000007D030D410}) == 2
    )  # before and after the trigger


def test_an_asc_file_that_turns_wrong_keeps_its_good_part(tmp_path: Path) -> None:
    path = tmp_path / "bus.asc"
    lines = [*ASC_LINES[:3], "Begin Triggerblock on some day", ASC_LINES[0]]
    path.write_text(ASC_HEAD.format("hex") + "\n".join(lines))
    expected = good_part(asc_reader(str(path)))
    assert len(expected) == 3
    for wanted, frames in ((None, expected), (WANTED, expected[:2])):
        found = read(path, wanted)
        assert (found.frames, found.count) == (frames, 3)
        assert [(after, "some day" in why) for why, after in found.faults] == [(3, True)]


@pytest.mark.parametrize("version", TRC_HEADS)
@pytest.mark.parametrize("seed", range(10))
def test_trc_lines_are_read_as_python_can_reads_each(seed: int, version: str, tmp_path: Path) -> None:
    draw = random.Random(seed)
    lines = [damaged_line(draw, draw.choice(TRC_LINES[version]), "0123456789ABCDEF)RxT. -_G") for _ in range(150)]
    head = TRC_HEADS[version]
    expected = list(each_alone(head, [line for line in lines if line.strip()], can.TRCReader))
    assert len(expected) > 20
    check_lines(tmp_path / "bus.trc", head, lines, expected)


# Databases, with rows that python-can's writer does not write.
def database(path: Path, rows: Iterable[Sequence[Any]]) -> sqlite3.Connection:
    connection = sqlite3.connect(path)
    connection.execute(
        "CREATE TABLE messages (ts REAL, arbitration_id INTEGER, extended INTEGER, remote INTEGER, error INTEGER,"
        " dlc INTEGER, data BLOB)"
    )
    connection.executemany("INSERT INTO messages VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
    connection.commit()
    return connection


GOOD_ROW = (START_S, 0x19F21123, 1, 0, 0, 8, bytes(8))
BAD_ROWS: list[Sequence[Any]] = [
    ("noon", 0x19F21123, 1, 0, 0, 8, bytes(8)),
    (None, 0x19F21123, 1, 0, 0, 8, bytes(8)),
    (-1.0, 0x19F21123, 1, 0, 0, 8, bytes(8)),
    (math.inf, 0x19F21123, 1, 0, 0, 8, bytes(8)),
    (START_S, "engine", 1, 0, 0, 8, bytes(8)),
    (START_S, None, 1, 0, 0, 8, bytes(8)),
    (START_S, 1.5, 1, 0, 0, 8, bytes(8)),
    (START_S, -1, 1, 0, 0, 8, bytes(8)),
    (START_S, 1 << 29, 1, 0, 0, 8, bytes(8)),
    (START_S, 0x800, 0, 0, 0, 8, bytes(8)),
    (START_S, 0x19F21123, 1, 1, 1, 8, None),
    (START_S, 0x19F21123, 1, 0, 0, 7, bytes(8)),
    (START_S, 0x19F21123, 1, 0, 0, 9, bytes(9)),
    (START_S, 0x19F21123, 1, 0, 0, -1, b""),
    (START_S, 0x19F21123, 1, 0, 0, None, b""),
    (START_S, 0x19F21123, 1, 0, 0, 8, "12345678"),
    (START_S, 0x19F21123, 1, 0, 0, 8, 8),
]


def test_rows_of_a_database_that_hold_no_frame_are_counted(tmp_path: Path) -> None:
    rows = [row for bad in BAD_ROWS for row in (GOOD_ROW, bad)]
    path = tmp_path / "bus.db"
    database(path, rows).close()
    found = read(path)
    assert found.frames == [
        plain(message) for message in [can.Message(START_S, 0x19F21123, data=bytes(8))] * len(BAD_ROWS)
    ]
    assert [number for number, _ in found.skipped] == list(range(2, len(rows) + 1, 2))
    assert (found.count, found.lines) == (len(BAD_ROWS), list(range(1, len(BAD_ROWS) + 1)))
    some = read(path, WANTED)
    assert some.frames == found.frames
    assert some.count + len(some.skipped) == len(rows)
    assert set(some.skipped) <= set(found.skipped)


def test_a_null_flag_is_none_and_null_data_is_no_data(tmp_path: Path) -> None:
    path = tmp_path / "bus.db"
    database(
        path, [(START_S, 0x19F21123, 1, None, None, 0, None), (START_S, 0x123, None, 1, None, 5, b"abcde")]
    ).close()
    found = read(path)
    assert [frame[2:] for frame in found.frames] == [(0x19F21123, EXTENDED, 0, 0), (0x123, REMOTE, 5, 0)]
    assert read(path, WANTED).frames == found.frames[:1]


@pytest.mark.parametrize("change", ["DELETE FROM messages WHERE rowid % 7 = 3", "view", "column"])
def test_a_database_whose_rows_are_not_in_one_row(change: str, tmp_path: Path) -> None:
    path = tmp_path / "bus.db"
    write(can.SqliteWriter(str(path)), random_messages(random.Random(5), CLASSIC))
    connection = sqlite3.connect(path)
    if change == "view":
        connection.execute("ALTER TABLE messages RENAME TO kept")
        connection.execute("CREATE VIEW messages AS SELECT * FROM kept")
    elif change == "column":
        connection.execute('ALTER TABLE messages RENAME arbitration_id TO "the ""id"""')
    else:
        connection.execute(change)
    connection.commit()
    connection.close()
    expected = [plain(message) for message in can.SqliteReader(str(path))]
    assert read(path).frames == expected
    some = read(path, WANTED)
    assert some.frames == [frame for frame in expected if is_wanted(frame)]
    assert some.lines == [line for line, frame in enumerate(expected, 1) if is_wanted(frame)]
    assert some.count == len(expected)


@pytest.mark.parametrize("change", ["ADD COLUMN note TEXT", "DROP COLUMN data"])
def test_a_table_with_other_columns_is_no_recording(change: str, tmp_path: Path) -> None:
    path = tmp_path / "bus.db"
    connection = database(path, [GOOD_ROW])
    connection.execute(f"ALTER TABLE messages {change}")
    connection.commit()
    connection.close()
    for wanted in (None, WANTED):
        found = read(path, wanted)
        assert (found.count, "columns instead of 7" in (found.error or "")) == (0, True)


@pytest.mark.parametrize("seed", range(20))
def test_a_damaged_database_gives_a_good_part_or_an_error(seed: int, tmp_path: Path) -> None:
    draw = random.Random(seed)
    path = tmp_path / "bus.db"
    rows = [(START_S + i, 0x19F21123, 1, 0, 0, 8, i.to_bytes(8, "little")) for i in range(2000)]
    database(path, rows).close()
    content = bytearray(path.read_bytes())
    page = 4096 * draw.randrange(1, len(content) // 4096)
    content[page : page + 200] = draw.randbytes(200)  # the head of a page: what is behind it cannot be reached
    path.write_bytes(content)
    whole = {plain(can.Message(row[0], row[1], data=row[6])) for row in rows}
    for wanted in (None, WANTED):
        found = read(path, wanted)
        assert found.error is not None or found.faults or found.skipped
        assert set(found.frames) <= whole
        assert len(found.frames) == len(set(found.frames)) < len(rows)


def test_messages_of_a_bus_as_columns() -> None:
    """block_of, which live buses use too, beside the definition of a frame for one message."""
    draw = random.Random(11)
    sent = random_messages(draw, (*CLASSIC, "fd"), 500)
    for timestamp in (0, 0.0, -1.0, math.nan, math.inf, 1e300, 253402300799.0, 253402300801.0, 1e-6, START_S):
        sent.append(can.Message(timestamp, 0x19F21123, data=b"12345678"))
    sent.append(can.Message(START_S, 1 << 70 | 5, is_remote_frame=True, dlc=1 << 70))
    sent.append(can.Message(START_S, 5, is_fd=True, data=bytes(300), dlc=64))
    no_data = can.Message(START_S, 5)
    no_data.data = None  # type: ignore[assignment]
    sent.append(no_data)
    for some in (sent, sent[:1], sent[-1:], sent[-3:-2], []):
        words: list[Any] = []

        def code(channel: Any, words: list[Any] = words) -> int:
            if channel not in words:
                words.append(channel)
            return words.index(channel)

        block = block_of(some, code, 7)
        columns = (block.time_us, block.channel, block.identifier, block.flags, block.length, block.payload)
        found = [
            (at, words[channel], *others) for at, channel, *others in zip(*(c.tolist() for c in columns), strict=True)
        ]
        assert found == [plain(message) for message in some]
        assert block.line.tolist() == list(range(7, 7 + len(some)))
    assert datetime.datetime.fromtimestamp(253402300799, datetime.UTC).year == 9999
