"""Recorded files: how they are compressed, what kind they are, and their bytes.

The kind is told by content first and by the name's ending second.
"""

from __future__ import annotations

import bz2
import io
import lzma
import re
import shutil
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import IO, Any, cast

import pyarrow as pa

from canlevel.capture.lines import dropped_frames, parse_line
from canlevel.errors import CaptureError, NoFramesError, Place

__all__ = ["Kind", "Opened", "kind_of_stream", "open_recording", "unreadable"]

SNIFFED = 64 * 1024
PIECE = 64 * 1024
GZIP_PIECE = 256 * 1024
BUFFER = 1024 * 1024
GZIP_FORMAT = 31  # zlib's window bits for a gzip member with its checksum
XZ_MAGIC = b"\xfd7zXZ\x00"
XZ_MEMORY = 100 * 1024 * 1024  # its highest preset takes 65 MB, xz(1)
ROOM_LEFT = 256 * 1024 * 1024  # of the disk that temporary files are on
COPIED = 16 * 1024 * 1024


class Kind(StrEnum):
    """What a recording is. TEXT and CSV are read by text.py, MF4 by mf4.py in a process of its own, others by messages.py."""

    TEXT = "candump text"
    ASC = "ASC"
    BLF = "BLF"
    TRC = "TRC"
    CSV = "CSV"
    MF4 = "MF4"
    SQLITE = "SQLite"


class _Unpacked(io.RawIOBase):
    """The unpacked bytes of a compressed stream up to where it breaks off; `fault` then says why.

    A recorder that lost its power leaves such files, and all that can be unpacked counts. Reading goes in small pieces,
    because a decompressor that fails in the middle of a large one keeps what it had to itself.
    """

    def __init__(self, inner: IO[bytes]) -> None:
        self._inner = inner
        self._read = getattr(inner, "read1", inner.read)
        self._rest = b""
        self.fault: Exception | None = None

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        if self.fault is not None:
            return 0
        try:
            data = self._rest or self._read(min(len(buffer), PIECE))
        except (EOFError, zlib.error, lzma.LZMAError, OSError, pa.ArrowInvalid) as error:
            self.fault = error
            return 0
        n = min(len(data), len(buffer))
        buffer[:n] = data[:n]
        self._rest = data[n:]
        return n

    def close(self) -> None:
        self._inner.close()
        super().close()


class _Gzip:
    """The bytes of gzip members that follow one another, unpacked in larger pieces than the standard library's module does.

    Where a member is damaged, what came before is handed out to the last byte.
    """

    def __init__(self, raw: IO[bytes]) -> None:
        self._raw, self._packed = raw, b""
        self._member = zlib.decompressobj(GZIP_FORMAT)
        self._fault: zlib.error | None = None

    def read(self, _: int) -> bytes:
        """The next bytes, few or many; none at the end. Raises EOFError where a member is cut, zlib.error where it is wrong."""
        while self._fault is None:
            if self._member.eof and not self._next_member():
                return b""
            packed = self._packed or self._raw.read(GZIP_PIECE)
            before = self._member.copy()
            try:
                data = self._member.decompress(packed, GZIP_PIECE)
            except zlib.error as error:
                self._fault = error
                data = _until_the_fault(before, packed)
            self._packed = self._member.unconsumed_tail
            if data:
                return data
            if not packed and not self._member.eof:
                raise EOFError("it ends before its end mark")
        raise self._fault

    def _next_member(self) -> bool:
        """Go on to the member behind the last one; zeros between them are filling."""
        self._packed = self._member.unused_data.lstrip(b"\0")
        while not self._packed:
            more = self._raw.read(GZIP_PIECE)
            if not more:
                return False
            self._packed = more.lstrip(b"\0")
        self._member = zlib.decompressobj(GZIP_FORMAT)
        return True

    def close(self) -> None:
        """Nothing of its own is open."""


def _until_the_fault(member: Any, packed: bytes) -> bytes:
    """What `member` can still unpack of the piece in which it fails."""
    parts = []
    try:
        for at in range(len(packed)):
            parts.append(member.decompress(packed[at : at + 1]))
    except zlib.error:
        pass
    return b"".join(parts)


def _gzip(raw: IO[bytes]) -> IO[bytes]:
    return cast(IO[bytes], _Gzip(raw))


def _zstd(raw: IO[bytes]) -> IO[bytes]:
    return cast(IO[bytes], pa.CompressedInputStream(pa.PythonFile(raw, mode="r"), "zstd"))


class _Xz:
    """The bytes of xz streams that follow one another, unpacked within a bounded memory.

    The standard library's file object sets no bound, and a file may ask for a dictionary of up to 4 GB.
    """

    def __init__(self, raw: IO[bytes]) -> None:
        self._raw, self._packed = raw, b""
        self._stream = lzma.LZMADecompressor(lzma.FORMAT_XZ, XZ_MEMORY)

    def read(self, _: int) -> bytes:
        """The next bytes, few or many; none at the end. Raises EOFError where it is cut, LZMAError where it is wrong."""
        while True:
            if self._stream.eof and not self._next_stream():
                return b""
            if self._stream.needs_input and not self._packed:
                self._packed = self._raw.read(PIECE)
                if not self._packed:
                    raise EOFError("it ends before its end mark")
            packed, self._packed = self._packed, b""
            data = self._stream.decompress(packed, PIECE)
            if data:
                return data

    def _next_stream(self) -> bool:
        """Go on to the stream behind the last one; zeros between them are filling, anything else is none."""
        packed = self._stream.unused_data.lstrip(b"\0")
        while len(packed) < len(XZ_MAGIC):
            more = self._raw.read(PIECE)
            if not more:
                return False
            packed = (packed + more).lstrip(b"\0")
        if not packed.startswith(XZ_MAGIC):
            return False
        self._packed = packed
        self._stream = lzma.LZMADecompressor(lzma.FORMAT_XZ, XZ_MEMORY)
        return True

    def close(self) -> None:
        """Nothing of its own is open."""


def _xz(raw: IO[bytes]) -> IO[bytes]:
    return cast(IO[bytes], _Xz(raw))


def _bzip2(raw: IO[bytes]) -> IO[bytes]:
    return bz2.open(raw)


@dataclass(frozen=True, slots=True)
class _Packing:
    name: str
    magic: bytes
    endings: tuple[str, ...]
    open: Callable[[IO[bytes]], IO[bytes]]


_PACKINGS = (
    _Packing("gzip", b"\x1f\x8b", (".gz",), _gzip),
    _Packing("zstd", b"\x28\xb5\x2f\xfd", (".zst", ".zstd"), _zstd),
    _Packing("xz", XZ_MAGIC, (".xz",), _xz),
    _Packing("bzip2", b"BZh", (".bz2",), _bzip2),
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

    size: bytes of the file as it lies on the disk. position(): how many of them have been read. fault(): why a compressed
    recording broke off, once that point has been read.
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

    def fault(self) -> Exception | None:
        return _fault(self.stream)

    def plain_file(self, scratch: Path) -> Path:
        """The recording as a file that is not compressed, for formats that are read out of order.

        Raises CaptureError where it would fill the disk that `scratch` is on: a small file can hold any number of bytes.
        """
        if not self.packing:
            return self.path
        path = scratch / "recording"
        with path.open("wb") as file:
            while piece := self.stream.read(COPIED):
                if shutil.disk_usage(scratch).free < ROOM_LEFT + len(piece):
                    raise CaptureError(
                        f"does not fit unpacked into {scratch.parent}, which {self.kind} has to",
                        where=Place(self.name),
                        next_step="unpack it on a larger disk, if it is yours, or set TMPDIR to a folder there",
                    )
                file.write(piece)
        return path

    def close(self) -> None:
        self.stream.close()
        self.raw.close()


def unreadable(opened: Opened, reason: str) -> CaptureError:
    """The error for a recording of which nothing at all can be read."""
    return CaptureError(
        f"cannot be read as {opened.kind} ({reason})",
        where=Place(opened.name),
        next_step="check that the copy is whole and that its name says what it is",
    )


def _fault(stream: IO[bytes]) -> Exception | None:
    inner = getattr(stream, "raw", None)
    return inner.fault if isinstance(inner, _Unpacked) else None


def open_recording(path: Path, name: str | None = None) -> Opened:
    """Open a file, looking through its compression for what it is. name: what to call it, where that is not its path.

    Raises CaptureError for a file that is missing, a folder, empty, unreadable, or not a recording.
    """
    name = name or str(path)
    try:
        if path.is_dir():
            raise CaptureError(
                "is a folder, not a recording",
                where=Place(name),
                next_step="name the files in it; a history that log keeps is read with --store",
            )
        size = path.stat().st_size
        raw = path.open("rb")
    except FileNotFoundError:
        raise CaptureError(
            "no such file",
            where=Place(name),
            next_step="check the path; a live bus is written INTERFACE:CHANNEL, for example socketcan:can0",
        ) from None
    except (OSError, ValueError) as error:
        raise CaptureError(f"cannot be opened ({getattr(error, 'strerror', error)})", where=Place(name)) from error
    try:
        if size == 0:
            raise NoFramesError("is empty", where=Place(name), next_step="record again, or name another file")
        stream, packing, ending = _unpack(raw, name)
        head = stream.read(SNIFFED)
        fault = _fault(stream)
        if not head and fault is not None:
            raise CaptureError(f"is not whole {packing} data ({fault})", where=Place(name)) from fault
        if not head:
            raise NoFramesError("holds nothing once unpacked", where=Place(name))
        kind = _kind(head, ending, name)
        # Reading starts over rather than seeking: a zstd stream cannot go back.
        stream.close()
        raw.close()
        raw = path.open("rb")
        stream, packing, _ = _unpack(raw, name)
    except OSError as error:
        raw.close()
        raise CaptureError(f"cannot be read ({error.strerror})", where=Place(name)) from error
    except BaseException:
        raw.close()
        raise
    return Opened(name, path, kind, stream, size, packing, raw)


def _unpack(raw: IO[bytes], name: str) -> tuple[IO[bytes], str | None, str]:
    """(stream of unpacked bytes, name of the compression or None, the ending that tells the kind)."""
    magic = raw.read(8)
    raw.seek(0)
    suffixes = [suffix.lower() for suffix in Path(name).suffixes[-2:]]
    last = suffixes[-1] if suffixes else ""
    for packing in _PACKINGS:
        if magic.startswith(packing.magic):
            inner = suffixes[-2] if last in packing.endings and len(suffixes) > 1 else last
            return io.BufferedReader(_Unpacked(packing.open(raw)), BUFFER), packing.name, inner
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


# What people send that holds a recording but is none: (bytes, where they stand, what it is, what to do).
_WRAPPINGS = (
    (b"PK\x03\x04", 0, "a zip archive", "unpack it first"),
    (b"ustar", 257, "a tar archive", "unpack it first"),
    (b"\xff\xfe", 0, "UTF-16 text", "save it as UTF-8"),
    (b"\xfe\xff", 0, "UTF-16 text", "save it as UTF-8"),
)


def _kind(head: bytes, ending: str, name: str) -> Kind:
    for magic, at, what, next_step in _WRAPPINGS:
        if head[at:].startswith(magic):
            raise CaptureError(f"is {what}, not a recording", where=Place(name), next_step=next_step)
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
