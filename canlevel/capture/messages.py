"""python-can's messages as batches of columns: its recorded formats, and what its live buses deliver.

Beside this only live.py, socketcand.py and mf4.py import python-can.
"""

from __future__ import annotations

import base64
import io
import re
import sqlite3
import struct
import tempfile
from collections.abc import Callable, Generator, Iterator, Sequence
from pathlib import Path
from typing import IO, Any, cast

import can
import numpy as np

from canlevel.capture.candump import Block
from canlevel.capture.files import Kind, Opened, unreadable
from canlevel.errors import CaptureError, Place
from canlevel.tables import ERROR_FRAME, EXTENDED, FD, REMOTE, UNKNOWN_TIME_US

__all__ = ["block_of", "read_messages"]

BATCH = 20_000
LONGEST_LINE = 1_000_000
LONGEST_FRAME = 64
LATEST_S = 253_402_300_800.0  # the end of the year 9999


def block_of(messages: Sequence[can.Message], channel_code: Callable[[Any], int], first_line: int) -> Block:
    """A Block of n messages, numbered from `first_line`. channel_code gives the code of a message's channel.

    Times are rounded to the microsecond that was written: python-can hands out floats, which near 2026 are exact to
    0.24 microseconds.
    """
    n = len(messages)
    block = Block.sized(n)
    # Zero stands for no time; damaged recordings hold times that no calendar has.
    block.time_us[:] = [
        round(message.timestamp * 1e6) if 0 < message.timestamp < LATEST_S else UNKNOWN_TIME_US for message in messages
    ]
    block.channel[:] = [channel_code(message.channel) for message in messages]
    block.identifier[:] = [message.arbitration_id & 0x1FFFFFFF for message in messages]
    block.flags[:] = [
        message.is_extended_id * EXTENDED
        | message.is_remote_frame * REMOTE
        | message.is_error_frame * ERROR_FRAME
        | message.is_fd * FD
        for message in messages
    ]
    # The data that is there counts, not the length that the recording promises: a frame cut short stays short.
    block.length[:] = [
        min(message.dlc, LONGEST_FRAME) if message.is_remote_frame else len(message.data or b"") for message in messages
    ]
    data = b"".join(
        b"\0" * 8 if message.is_remote_frame else bytes(message.data or b"")[:8].ljust(8, b"\0") for message in messages
    )
    block.payload[:] = np.frombuffer(data, "<u8")
    block.line[:] = np.arange(first_line, first_line + n)
    return block


def read_messages(
    opened: Opened,
    channel_code: Callable[[Any], int],
    on_skipped: Callable[[int, str], None],
    on_fault: Callable[[str, int], None],
) -> Iterator[Block]:
    """Blocks of the frames of one recording that python-can reads.

    on_skipped is told of each line that is no frame (its number and text). A recording that breaks off or turns wrong
    yields its good part; on_fault is then told why and after how many frames.
    Raises CaptureError when nothing at all can be read.
    """
    frames = 0
    waiting: list[can.Message] = []
    fault: Exception | None = None
    with tempfile.TemporaryDirectory(prefix="canlevel-") as scratch:
        try:
            reader = _reader(opened, Path(scratch), on_skipped)
        except Exception as error:
            raise unreadable(opened, _reason(error)) from error
        messages = iter(reader)
        try:
            while True:
                try:
                    message = next(messages)
                except StopIteration:
                    break
                # python-can's readers raise whatever their parsing runs into; all of it means a damaged recording.
                except Exception as error:
                    fault = error
                    break
                waiting.append(message)
                if len(waiting) >= BATCH:
                    yield block_of(waiting, channel_code, frames + 1)
                    frames += len(waiting)
                    waiting.clear()
        finally:
            reader.stop()
        if waiting:
            yield block_of(waiting, channel_code, frames + 1)
            frames += len(waiting)
    if fault is not None:
        if not frames:
            raise unreadable(opened, _reason(fault)) from fault
        on_fault(f"the rest cannot be read ({_reason(fault)})", frames)
    elif opened.kind == Kind.BLF and not opened.packing:
        # python-can's BLF reader ends quietly where a file is cut; its header says how long it ought to be.
        missing = cast(can.BLFReader, reader).file_size - opened.size
        if missing > 0:
            if not frames:
                raise CaptureError(f"is cut short: {missing} bytes are missing", where=Place(opened.name))
            on_fault(f"the file is cut short: {missing} bytes are missing at its end", frames)


def _reader(opened: Opened, scratch: Path, on_skipped: Callable[[int, str], None]) -> Any:
    if opened.kind == Kind.SQLITE:
        return _SqliteReader(opened.plain_file(scratch), on_skipped)
    if opened.kind == Kind.BLF:
        return can.BLFReader(cast(Any, opened.stream))
    return _TEXT_READERS[opened.kind](_Lines(opened.stream), on_skipped)


class _Lines:
    """The lines of a text recording for python-can's readers, counted, and never longer than memory likes."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._text = io.TextIOWrapper(stream, encoding="utf-8-sig", errors="replace")
        self._pushed_back = False
        self.number = 0
        self.last = ""

    def __iter__(self) -> _Lines:
        return self

    def __next__(self) -> str:
        if self._pushed_back:
            self._pushed_back = False
            return self.last
        line = self._text.readline(LONGEST_LINE)
        if not line:
            raise StopIteration
        self.number += 1
        self.last = line
        return line

    def push_back(self) -> None:
        """Give the last line out once more."""
        self._pushed_back = True

    def close(self) -> None:
        self._text.close()


# python-can's text readers stop at the first line they cannot read, or pass over it in silence. These go on and count it.
_ASC_OTHER = re.compile(
    r"\s*(//|$|date\s|base\s|(no\s+)?internal\s+events|begin\s+trigger|end\s+trigger|previous log|\d+\.\d+\s)",
    re.IGNORECASE,
)
_ASC_STAMPED = re.compile(r"\s*\d+\.\d+\s")


class _AscReader(can.ASCReader):
    def __init__(self, lines: _Lines, on_skipped: Callable[[int, str], None]) -> None:
        super().__init__(cast(Any, self._watched(lines)), relative_timestamp=False)
        self._lines, self._on_skipped = lines, on_skipped

    def _watched(self, lines: _Lines) -> Generator[str, None, None]:
        for line in lines:
            if not _ASC_OTHER.match(line):
                self._on_skipped(lines.number, line)
            yield line

    def stop(self) -> None:
        self._lines.close()

    def _extract_header(self) -> None:
        super()._extract_header()
        if self.timestamps_format == "relative":
            # Each time then counts from the event before it, and events that are no frames are not all known.
            raise ValueError("its times count from line to line; export it with absolute time stamps")
        if _ASC_STAMPED.match(self._lines.last):
            self._lines.push_back()  # python-can takes a first frame without "internal events" before it for a header

    def _process_classic_can_frame(self, line: str, msg_kwargs: dict[str, Any]) -> can.Message:
        return self._whole(super()._process_classic_can_frame, line, msg_kwargs)

    def _process_fd_can_frame(self, line: str, msg_kwargs: dict[str, Any]) -> can.Message:
        return self._whole(super()._process_fd_can_frame, line, msg_kwargs)

    def _whole(self, read: Callable[..., can.Message], line: str, msg_kwargs: dict[str, Any]) -> can.Message:
        try:
            message = read(line, msg_kwargs)
            if message.is_remote_frame or message.is_error_frame or message.dlc == len(message.data):
                return message
        except (ValueError, IndexError):
            pass
        self._on_skipped(self._lines.number, self._lines.last)
        return cast(can.Message, None)  # the reader leaves out what is None


class _TrcReader(can.TRCReader):
    def __init__(self, lines: _Lines, on_skipped: Callable[[int, str], None]) -> None:
        super().__init__(cast(Any, lines))
        self._lines, self._on_skipped = lines, on_skipped

    def _parse_line(self, line: str) -> can.Message | None:
        message = None
        try:
            message = self._parse_cols(tuple(line.split(maxsplit=self._num_columns)))
            # A numbered line of another kind is an event; anything else is no line of such a file.
            fits = message is not None or line.lstrip()[:1].isdigit()
            if message is not None and not message.is_remote_frame and message.dlc != len(message.data):
                message, fits = None, False
        except (ValueError, IndexError, KeyError):
            fits = False
        if not fits and line.strip():
            self._on_skipped(self._lines.number, line)
        return message


class _CsvReader(can.CSVReader):
    def __init__(self, lines: _Lines, on_skipped: Callable[[int, str], None]) -> None:
        super().__init__(cast(Any, lines))
        self._lines, self._on_skipped = lines, on_skipped

    def __iter__(self) -> Generator[can.Message, None, None]:
        next(self._lines, None)  # the head
        for line in self._lines:
            try:
                yield _csv_message(line)
            except ValueError:
                if line.strip():
                    self._on_skipped(self._lines.number, line)


def _csv_message(line: str) -> can.Message:
    """One line of the layout that python-can's CSVWriter documents."""
    timestamp, identifier, extended, remote, error, length, data = line.strip().split(",")
    return can.Message(
        timestamp=float(timestamp),
        arbitration_id=int(identifier, 16),
        is_extended_id=extended == "1",
        is_remote_frame=remote == "1",
        is_error_frame=error == "1",
        dlc=int(length),
        data=base64.b64decode(data, validate=True),
        check=True,
    )


class _SqliteReader(can.SqliteReader):
    """python-can's reader on a database opened read-only, so that a recording is never changed by looking at it, and with
    rows that hold no frame (of a damaged file) counted and left out."""

    def __init__(self, path: Path, on_skipped: Callable[[int, str], None]) -> None:
        self._conn = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)
        self._cursor = self._conn.cursor()
        self.table_name = "messages"
        self._on_skipped = on_skipped

    def __iter__(self) -> Generator[can.Message, None, None]:
        for number, row in enumerate(self._cursor.execute(f"SELECT * FROM {self.table_name}"), 1):
            try:
                timestamp, identifier, extended, remote, error, length, data = row
                yield can.Message(
                    timestamp=float(timestamp),
                    arbitration_id=identifier,
                    is_extended_id=bool(extended),
                    is_remote_frame=bool(remote),
                    is_error_frame=bool(error),
                    dlc=length,
                    data=data,
                    check=True,
                )
            except (ValueError, TypeError):
                self._on_skipped(number, str(row))


_TEXT_READERS: dict[Kind, Callable[..., Any]] = {Kind.ASC: _AscReader, Kind.TRC: _TrcReader, Kind.CSV: _CsvReader}


def _reason(error: Exception) -> str:
    if isinstance(error, struct.error):
        return "it ends in the middle of a record"
    text = str(error).splitlines()[0] if str(error) else ""
    return "it is damaged" if "<" in text else text or type(error).__name__  # no descriptions of Python objects
