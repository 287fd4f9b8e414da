"""Recorded files: how they are compressed, what kind they are, and their bytes.

The kind is told by content first and by the name's ending second.
"""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import re
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import IO, cast

import pyarrow as pa

from canlevel.capture.lines import dropped_frames, parse_line
from canlevel.errors import CaptureError, Place

__all__ = ["DECOMPRESSION_ERRORS", "Kind", "Opened", "kind_of_stream", "open_recording", "unpacked"]

SNIFFED = 64 * 1024
DECOMPRESSION_ERRORS = (EOFError, zlib.error, lzma.LZMAError, OSError, pa.ArrowInvalid)


class Kind(StrEnum):
    """What a recording is. TEXT is read by candump.py, the others by python-can's readers."""

    TEXT = "candump text"
    ASC = "ASC"
    BLF = "BLF"
    TRC = "TRC"
    CSV = "CSV"
    MF4 = "MF4"
    SQLITE = "SQLite"


def _zstd(raw: IO[bytes]) -> IO[bytes]:
    return cast(IO[bytes], pa.CompressedInputStream(pa.PythonFile(raw, mode="r"), "zstd"))


def _xz(raw: IO[bytes]) -> IO[bytes]:
    return lzma.open(raw)


@dataclass(frozen=True, slots=True)
class _Packing:
    name: str
    magic: bytes
    endings: tuple[str, ...]
    open: Callable[[IO[bytes]], IO[bytes]]


_PACKINGS = (
    _Packing("gzip", b"\x1f\x8b", (".gz",), lambda raw: cast(IO[bytes], gzip.GzipFile(fileobj=raw))),
    _Packing("zstd", b"\x28\xb5\x2f\xfd", (".zst", ".zstd"), _zstd),
    _Packing("xz", b"\xfd7zXZ\x00", (".xz",), _xz),
    _Packing("bzip2", b"BZh", (".bz2",), lambda raw: cast(IO[bytes], bz2.BZ2File(raw))),
)

_MAGIC = {b"LOGG": Kind.BLF, b"SQLite format 3\x00": Kind.SQLITE, b"MDF ": Kind.MF4, b"UnFinMF ": Kind.MF4}
_ENDINGS = {
    ".blf": Kind.BLF,
    ".db": Kind.SQLITE,
    ".mf4": Kind.MF4,
    ".asc": Kind.ASC,
    ".trc": Kind.TRC,
    ".csv": Kind.CSV,
}
_TEXT_SIGNS = {
    Kind.ASC: re.compile(rb"\s*(date\s+\w+\s+\w+\s+\d|base\s+(hex|dec)\s+timestamps\s)", re.IGNORECASE),
    Kind.TRC: re.compile(rb"\s*;\s*(\$FILEVERSION\s*=|#{10,}|[-=]{10,})"),
    Kind.CSV: re.compile(rb"\s*timestamp,arbitration_id,"),
}


@dataclass(slots=True)
class Opened:
    """A recording ready to be read: its kind, and its unpacked bytes from the start.

    size: bytes of the file as it lies on the disk. position(): how many of them have been read.
    """

    name: str
    path: Path
    kind: Kind
    stream: IO[bytes]
    size: int
    packing: str | None
    raw: IO[bytes]

    def position(self) -> int:
        return self.raw.tell() if not self.raw.closed else self.size

    def close(self) -> None:
        self.stream.close()
        self.raw.close()


def open_recording(path: Path, name: str | None = None) -> Opened:
    """Open a file, looking through its compression for what it is. name: what to call it, where that is not its path.

    Raises CaptureError for a file that is missing, a folder, empty, unreadable, or not a recording.
    """
    name = name or str(path)
    if path.is_dir():
        raise CaptureError("is a folder, not a recording", where=Place(name), next_step="name the files in it")
    try:
        size = path.stat().st_size
        raw = path.open("rb")
    except FileNotFoundError:
        raise CaptureError(
            "no such file",
            where=Place(name),
            next_step="check the path; a live bus is written INTERFACE:CHANNEL, for example socketcan:can0",
        ) from None
    except OSError as error:
        raise CaptureError(f"cannot be opened ({error.strerror})", where=Place(name)) from error
    try:
        if size == 0:
            raise CaptureError("is empty", where=Place(name), next_step="record again, or name another file")
        stream, packing, ending = unpacked(raw, name)
        try:
            head = stream.read(SNIFFED)
        except DECOMPRESSION_ERRORS as error:
            raise CaptureError(f"is not whole {packing} data ({error})", where=Place(name)) from error
        if not head:
            raise CaptureError("holds nothing once unpacked", where=Place(name))
        kind = _kind(head, ending, name)
        # Reading starts over rather than seeking: a zstd stream cannot go back.
        stream.close()
        raw.close()
        raw = path.open("rb")
        stream, packing, _ = unpacked(raw, name)
    except BaseException:
        raw.close()
        raise
    return Opened(name, path, kind, stream, size, packing, raw)


def unpacked(raw: IO[bytes], name: str) -> tuple[IO[bytes], str | None, str]:
    """(stream of unpacked bytes, name of the compression or None, the ending that tells the kind)."""
    magic = raw.read(8)
    raw.seek(0)
    suffixes = [suffix.lower() for suffix in Path(name).suffixes[-2:]]
    last = suffixes[-1] if suffixes else ""
    for packing in _PACKINGS:
        if magic.startswith(packing.magic):
            inner = suffixes[-2] if last in packing.endings and len(suffixes) > 1 else last
            return packing.open(raw), packing.name, inner
    for packing in _PACKINGS:
        if last in packing.endings:
            raise CaptureError(
                f"is named {last} but is not {packing.name} data",
                where=Place(name),
                next_step="copy it again, or rename it to what it is",
            )
    return raw, None, last


def kind_of_text(head: bytes) -> Kind | None:
    """The kind that the first bytes of a text tell, or None."""
    for kind, sign in _TEXT_SIGNS.items():
        if sign.match(head):
            return kind
    for line in io.BytesIO(head):
        if parse_line(line) is not None or dropped_frames(line) is not None:
            return Kind.TEXT
    return None


def kind_of_stream(head: bytes) -> Kind | None:
    """Kind.TEXT where the first bytes of standard input may be candump text, else None: something to be read as a file."""
    packed = any(head.startswith(packing.magic) for packing in _PACKINGS)
    binary = any(head.startswith(magic) for magic in _MAGIC)
    other_text = any(sign.match(head) for sign in _TEXT_SIGNS.values())
    return None if packed or binary or other_text else Kind.TEXT


def _kind(head: bytes, ending: str, name: str) -> Kind:
    for magic, kind in _MAGIC.items():
        if head.startswith(magic):
            return kind
    told = kind_of_text(head)
    if told is not None:
        return told
    named = _ENDINGS.get(ending)
    if named in _MAGIC.values():
        raise CaptureError(
            f"is named {ending} but does not begin like a {named} file",
            where=Place(name),
            next_step="copy it again, or rename it to what it is",
        )
    # A text that begins with other lines may still hold frames further down; the reader counts what it skips.
    return named or Kind.TEXT
