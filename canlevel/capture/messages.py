"""Batches of columns from what python-can reads: the messages of its live buses, ASC and TRC lines, SQLite rows; and BLF.

Beside this only live.py, socketcand.py and mf4.py import python-can.
"""

from __future__ import annotations

import io
import re
import sqlite3
import tempfile
from collections.abc import Callable, Collection, Generator, Iterable, Iterator, Sequence
from itertools import chain, compress, islice
from operator import itemgetter
from pathlib import Path
from typing import IO, Any, NamedTuple, cast

import can
import numpy as np
from can.io.trc import TRCFileVersion
from numpy.typing import NDArray

from canlevel.capture.blf import BlfReader
from canlevel.capture.candump import Block
from canlevel.capture.files import Kind, Opened, unreadable
from canlevel.identifier import carries, pgn_of
from canlevel.tables import ERROR_FRAME, EXTENDED, FD, REMOTE, UNKNOWN_TIME_US

__all__ = ["block_of", "read_messages"]

BATCH = 20_000
SPARSE = 10 * BATCH  # frames looked at, after which a batch goes out although few of them were wanted
LONGEST_LINE = 1_000_000
TEXT_PIECE = 64 * 1024
LONGEST_FRAME = 64
LONGEST_COLUMN = 255  # what the column of lengths holds; damaged recordings promise more
LATEST_S = 253_402_300_800.0  # the end of the year 9999
REMEMBERED = 100_000  # identifiers
EIGHT = np.arange(8)

# One frame: time in seconds, channel, identifier, flags, length, data (none of a remote frame), and how many frames were
# passed over before it in its batch.
Row = tuple[float, Any, int, int, int, bytes | bytearray, int]


def block_of(messages: Sequence[can.Message], channel_code: Callable[[Any], int], first_line: int) -> Block:
    """A Block of n messages, numbered from `first_line`. channel_code gives the code of a message's channel.

    Times are rounded to the microsecond that was written: python-can hands out floats, which near 2026 are exact to
    0.24 microseconds.
    """
    datas: list[Any] = [message.data for message in messages]
    remote = [message.is_remote_frame for message in messages]
    if any(remote) or None in datas:
        datas = [b"" if of_remote else data or b"" for of_remote, data in zip(remote, datas, strict=True)]
    # The data that is there counts, not the length that the recording promises: a frame cut short stays short.
    lengths = list(map(len, datas))
    for i in compress(range(len(messages)), remote):
        lengths[i] = min(messages[i].dlc, LONGEST_FRAME)
    return _block(
        [message.timestamp for message in messages],
        [message.channel for message in messages],
        [message.arbitration_id & 0x1FFFFFFF for message in messages],
        [_flags(message) for message in messages],
        lengths,
        datas,
        channel_code,
        first_line,
    )


def _flags(message: can.Message) -> int:
    return (
        (EXTENDED if message.is_extended_id else 0)
        | (REMOTE if message.is_remote_frame else 0)
        | (ERROR_FRAME if message.is_error_frame else 0)
        | (FD if message.is_fd else 0)
    )


def _block(
    timestamps: Sequence[float] | NDArray[np.float64],
    channels: Sequence[Any],
    identifiers: Sequence[int] | NDArray[np.int64],
    flags: Sequence[int] | NDArray[np.uint8],
    lengths: Sequence[int] | NDArray[np.int64],
    datas: Sequence[bytes | bytearray],
    channel_code: Callable[[Any], int],
    first_line: int,
) -> Block:
    """A Block of n frames, numbered from `first_line`. All (n,); identifiers of up to 63 bits, of which 29 count."""
    seconds = np.asarray(timestamps, np.float64)
    # Zero stands for no time; damaged recordings hold times that no calendar has.
    known = (seconds > 0) & (seconds < LATEST_S)
    time_us = np.full(len(seconds), UNKNOWN_TIME_US, np.int64)
    time_us[known] = np.rint(seconds[known] * 1e6)
    codes = {channel: channel_code(channel) for channel in dict.fromkeys(channels)}
    return Block(
        time_us,
        np.array([codes[channel] for channel in channels], np.int32),
        (np.asarray(identifiers, np.int64) & 0x1FFFFFFF).astype(np.uint32),
        np.asarray(flags, np.uint8),
        np.clip(np.asarray(lengths, np.int64), 0, LONGEST_COLUMN).astype(np.uint8),
        _payloads(datas),
        np.arange(first_line, first_line + len(seconds)),
    )


def _payloads(datas: Sequence[bytes | bytearray]) -> NDArray[np.uint64]:
    """The first eight bytes of each of n pieces of data, byte 0 lowest. Returns (n,)."""
    present = np.fromiter(map(len, datas), np.int64, len(datas))
    if (present > 8).any():
        return _payloads([data[:8] for data in datas])
    payload = np.zeros(len(datas), "<u8")
    payload.view(np.uint8).reshape(-1, 8)[present[:, None] > EIGHT] = np.frombuffer(b"".join(datas), np.uint8)
    return payload


def read_messages(
    opened: Opened,
    channel_code: Callable[[Any], int],
    on_skipped: Callable[[int, str], None],
    on_fault: Callable[[str, int], None],
    wanted: Collection[int] | None = None,
) -> Iterator[tuple[Block, int]]:
    """Blocks of the frames of one recording that python-can reads, each with how many frames were read for it in all.

    wanted: PGNs. Only plain 29-bit data frames with one of them (identifier.carries) are then handed out, and a block may be
    empty; the others are counted without looking further than at what kind of line, row or object they are. A line that
    looks like an unwanted frame and is damaged further on, or such a row of a database, counts as a frame.
    Lines number the frames from 1 by their place among all frames of the recording.

    on_skipped is told of each line that is no frame (its number and text). A recording that breaks off or turns wrong
    yields its good part; on_fault is then told why and after how many frames.
    Raises CaptureError when nothing at all can be read.
    """
    frames = 0
    fault: Exception | None = None
    with tempfile.TemporaryDirectory(prefix="canlevel-") as scratch:
        pieces = _pieces(opened, Path(scratch), channel_code, on_skipped, wanted)
        try:
            waiting: list[Block] = []
            count = 0
            while True:
                try:
                    block, read = next(pieces)
                except StopIteration:
                    break
                # python-can's readers raise whatever their parsing runs into; all of it means a damaged recording.
                except Exception as error:
                    fault = error
                    break
                waiting.append(block)
                count += read
                if sum(len(block.line) for block in waiting) >= BATCH or count >= SPARSE:
                    yield Block.joined(waiting), count
                    frames += count
                    waiting, count = [], 0
        finally:
            pieces.close()
        if count:
            yield Block.joined(waiting), count
            frames += count
    if fault is not None:
        if not frames:
            raise unreadable(opened, _reason(fault)) from fault
        on_fault(f"the rest cannot be read ({_reason(fault)})", frames)


def _pieces(
    opened: Opened,
    scratch: Path,
    channel_code: Callable[[Any], int],
    on_skipped: Callable[[int, str], None],
    wanted: Collection[int] | None,
) -> Generator[tuple[Block, int], None, None]:
    """Blocks of any size, and how many frames were read for each. Raises what is wrong after what is good."""
    if opened.kind == Kind.BLF:
        yield from BlfReader(opened.stream).pieces(channel_code, wanted)
    elif opened.kind == Kind.SQLITE:
        yield from _sqlite_pieces(opened.plain_file(scratch), channel_code, on_skipped, wanted)
    else:
        rows = _Rows(channel_code, wanted)
        reader = _TEXT_READERS[opened.kind](_Lines(opened.stream), on_skipped, rows)
        try:
            for _ in reader:
                if rows.full:
                    yield rows.piece()
        except Exception:
            yield rows.piece()  # the good part
            raise
        finally:
            reader.stop()
        yield rows.piece()


class _Rows:
    """Frames of a text on their way into blocks.

    rows: those that go in. passed: how many others were only counted. wanted: the groups asked for, None for all.
    """

    def __init__(self, channel_code: Callable[[Any], int], wanted: Collection[int] | None) -> None:
        self.rows: list[Row] = []
        self.passed = 0
        self.wanted = wanted
        self._channel_code, self._frames = channel_code, 0

    @property
    def full(self) -> bool:
        return len(self.rows) >= BATCH or self.passed >= SPARSE

    def add(self, message: can.Message) -> None:
        """Take a message of python-can's."""
        remote = message.is_remote_frame
        data = b"" if remote else message.data
        self.rows.append(
            (
                message.timestamp,
                message.channel,
                message.arbitration_id & 0x1FFFFFFF,
                _flags(message),
                min(message.dlc, LONGEST_FRAME) if remote else len(data),
                data,
                self.passed,
            )
        )

    def piece(self) -> tuple[Block, int]:
        """The block of the frames so far, and how many there were in all. What comes next begins anew."""
        timestamps, channels, identifiers, flags, lengths, datas, passed = _columns(self.rows, 7)
        first = self._frames + 1
        block = _block(timestamps, channels, identifiers, flags, lengths, datas, self._channel_code, first)
        block.line += np.array(passed, np.int64)
        if self.wanted is not None:
            block = block.rows(carries(block.identifier, block.flags, self.wanted))
        count = len(self.rows) + self.passed
        self._frames += count
        self.rows.clear()
        self.passed = 0
        return block, count


def _columns(rows: Sequence[tuple[Any, ...]], width: int) -> list[list[Any]]:
    """The columns of rows. zip(*rows) would do, in four times the time."""
    return [list(map(itemgetter(i), rows)) for i in range(width)]


class _MayBeWanted(dict[str, bool]):
    """Whether a data frame may be asked for, by the text of its identifier.

    Exact where the text fits `form`, whose first group are the hexadecimal digits and whose second is there if there are 29
    bits. Any other text may be asked for, so that its line is looked at.
    """

    def __init__(self, wanted: Collection[int], form: re.Pattern[str]) -> None:
        super().__init__()
        self._wanted, self._form = frozenset(wanted), form

    def __missing__(self, text: str) -> bool:
        found = self._form.fullmatch(text)
        if not found or (identifier := int(found[1], 16)) >= 1 << 29:
            return True
        if len(self) >= REMEMBERED:
            self.clear()
        may_be = self[text] = found[2] is not None and pgn_of(identifier) in self._wanted
        return may_be


class _Lines:
    """The lines of a text recording for python-can's readers, counted, and never much longer than memory likes."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._text = io.TextIOWrapper(stream, encoding="utf-8-sig", errors="replace")
        self._lines = self._split()
        self.number = 0
        self.last = ""

    def __iter__(self) -> Iterator[str]:
        return self._lines

    def _split(self) -> Iterator[str]:
        rest = ""
        while piece := self._text.read(TEXT_PIECE):
            *lines, rest = (rest + piece).split("\n")
            if len(rest) > LONGEST_LINE:
                lines, rest = [*lines, rest], ""
            for line in lines:
                self.number += 1
                self.last = line
                yield line
        if rest:
            self.number += 1
            self.last = rest
            yield rest

    def close(self) -> None:
        self._text.close()


# python-can's text readers stop at the first line they cannot read, or pass over it in silence. These go on and count it.
# They put the frames into `rows` and hand control back from time to time. The lines that nearly every recording consists of,
# data frames, they read themselves as python-can would, and every other line python-can reads.
_ASC_OTHER = re.compile(
    r"\s*(\d+\.\d+\s|//|$|date\s|base\s|(no\s+)?internal\s+events|begin\s+trigger|end\s+trigger|previous log)",
    re.IGNORECASE,
)
_ASC_STAMPED = re.compile(r"\s*\d+\.\d+\s")
_ASC_START = r"\s*(\d+\.\d+)\s+(\d{1,9})\s+([0-9A-Fa-f]{1,8}[xX]?)\s+[RT]x\s+d\s+([0-8])"
_ASC_FRAME_START = re.compile(_ASC_START + r"(?!\S)", re.ASCII)
_ASC_FRAME = re.compile(_ASC_START + r"((?: [0-9A-Fa-f]{2}){0,8})(?!\S)", re.ASCII)
# The same groups; between identifier and length a name, two switches and the length code.
_ASC_FD_FRAME = re.compile(
    r"\s*(\d+\.\d+)\s+CANFD\s+(\d{1,9})\s+[RT]x\s+([0-9A-Fa-f]{1,8}[xX]?)\s+(?:[A-Za-z_][!-~]*\s+)?[01]\s+[01]\s+"
    r"[0-9A-Fa-f]\s+([1-9]\d?)((?: [0-9A-Fa-f]{2}){1,64})(?!\S)",
    re.ASCII,
)
_ASC_IDENTIFIER = re.compile(r"([0-9A-Fa-f]{1,8})([xX])?")
_TRC_IDENTIFIER = re.compile(r"([0-9A-Fa-f]{1,4}|([0-9A-Fa-f]{5,8}))")


def _is_whole(message: can.Message) -> bool:
    """Whether as many data bytes stand in a line as it promises."""
    if message.is_remote_frame:
        return message.dlc >= 0
    return message.is_error_frame or message.dlc == len(message.data)


class _AscReader(can.ASCReader):
    # python-can's loop comes back only with a message; where it shall come back without one, this line is put in.
    PAUSE = "0.0 1 0 Rx d 0"

    def __init__(self, lines: _Lines, on_skipped: Callable[[int, str], None], rows: _Rows) -> None:
        super().__init__(cast(Any, self._watched()), relative_timestamp=False)
        self._lines, self._on_skipped, self._rows = lines, on_skipped, rows
        self._headed = self._paused = False

    def _watched(self) -> Iterator[str]:
        """The lines that python-can shall read."""
        for line in self._lines:
            yield self._looked_at(line)
            if self._headed:
                break
        lines: Iterable[str] = self._lines
        if _ASC_STAMPED.match(self._lines.last):
            # python-can takes a first frame without "internal events" before it for a header.
            lines = chain((self._lines.last,), lines)
        rows, add = self._rows, self._rows.rows.append
        may_be = None if rows.wanted is None else _MayBeWanted(rows.wanted, _ASC_IDENTIFIER)
        for line in lines:
            if self._converted_base != 16:
                found = None
            elif may_be is not None and (found := _ASC_FRAME_START.match(line)) and not may_be[found[3]]:
                rows.passed += 1
                if rows.passed >= SPARSE:
                    self._paused = True
                    yield self.PAUSE
                continue
            else:
                found = _ASC_FRAME.match(line) or _ASC_FD_FRAME.match(line)
            if found:
                at, channel, identifier, code, digits = found.groups()
                length = int(code)
                if len(digits) >= 3 * length:
                    extended = identifier[-1] in "xX"
                    add(
                        (
                            float(at) + self.start_time,
                            int(channel) - 1,
                            int(identifier[:-1] if extended else identifier, 16),
                            (EXTENDED if extended else 0) | (FD if found.re is _ASC_FD_FRAME else 0),
                            length,
                            bytes.fromhex(digits[: 3 * length]),
                            rows.passed,
                        )
                    )
                    if len(rows.rows) >= BATCH:
                        self._paused = True
                        yield self.PAUSE
                    continue
            yield self._looked_at(line)

    def _looked_at(self, line: str) -> str:
        if not _ASC_OTHER.match(line):
            self._on_skipped(self._lines.number, line)
        return line

    def stop(self) -> None:
        self._lines.close()

    def _extract_header(self) -> None:
        super()._extract_header()
        if self.timestamps_format == "relative":
            # Each time then counts from the event before it, and events that are no frames are not all known.
            raise ValueError("its times count from line to line; export it with absolute time stamps")
        self._headed = True

    def _process_classic_can_frame(self, line: str, msg_kwargs: dict[str, Any]) -> can.Message:
        if self._paused:
            self._paused = False
            return can.Message()
        return self._whole(super()._process_classic_can_frame, line, msg_kwargs)

    def _process_fd_can_frame(self, line: str, msg_kwargs: dict[str, Any]) -> can.Message:
        return self._whole(super()._process_fd_can_frame, line, msg_kwargs)

    def _whole(self, read: Callable[..., can.Message], line: str, msg_kwargs: dict[str, Any]) -> can.Message:
        try:
            message = read(line, msg_kwargs)
            if _is_whole(message):
                self._rows.add(message)
                return message
        except (ValueError, IndexError):
            pass
        self._on_skipped(self._lines.number, self._lines.last)
        return cast(can.Message, None)  # the reader leaves out what is None


class _TrcReader(can.TRCReader):
    def __init__(self, lines: _Lines, on_skipped: Callable[[int, str], None], rows: _Rows) -> None:
        super().__init__(cast(Any, lines))
        self._lines, self._on_skipped, self._rows = lines, on_skipped, rows

    def __iter__(self) -> Generator[can.Message, None, None]:
        lines = chain((self._extract_header(),), self._lines)
        rows, plain = self._rows, self._plain(self._layout())
        for line in lines:
            if not plain(line) and (stripped := line.strip()) and stripped[0] != ";":
                self._other(stripped)
            if len(rows.rows) >= BATCH or rows.passed >= SPARSE:
                yield can.Message()

    def _other(self, line: str) -> None:
        """Have python-can read a line."""
        try:
            message = self._parse_cols(tuple(line.split(maxsplit=self._num_columns)))
            # A numbered line of another kind is an event; anything else is no line of such a file.
            fits = message is not None or line[0].isdigit()
            if message is not None:
                fits = _is_whole(message)
                if fits:
                    self._rows.add(message)
        except (ValueError, IndexError, KeyError):
            fits = False
        if not fits:
            self._on_skipped(self._lines.number, line)

    def _layout(self) -> _TrcLayout | None:
        version, columns, start_s = self.file_version, self.columns, self._start_time
        if version in (TRCFileVersion.UNKNOWN, TRCFileVersion.V1_0):
            return _TrcLayout(0, 1, 0, (), 2, None, 3, 4)
        if version == TRCFileVersion.V1_1:
            return _TrcLayout(start_s, 1, 2, ("Rx", "Tx"), 3, None, 4, 5)
        if version == TRCFileVersion.V1_3:
            return _TrcLayout(start_s, 1, 3, ("Rx", "Tx"), 4, 2, 6, 7)
        length = "l" if "l" in columns else "L"
        if not {"O", "T", "I", "d", length, "D"} <= set(columns) or columns["D"] != self._num_columns:
            return None
        at = columns.__getitem__
        return _TrcLayout(start_s, at("O"), at("T"), ("DT",), at("I"), columns.get("B"), at(length), at("D"))

    def _plain(self, layout: _TrcLayout | None) -> Callable[[str], bool]:
        """What takes or counts a line that is a classic data frame in the usual form, and tells whether it is."""
        if layout is None:
            return lambda _: False
        start_s, time_at, type_at, types, identifier_at, channel_at, length_at, data_at = layout
        rows, add = self._rows, self._rows.rows.append
        may_be = None if rows.wanted is None else _MayBeWanted(rows.wanted, _TRC_IDENTIFIER)

        def plain(line: str) -> bool:
            words = line.split(None, data_at)
            try:
                if types and words[type_at] not in types:
                    return False
                identifier = words[identifier_at]
                time_s, length = float(words[time_at]) / 1000 + start_s, int(words[length_at])
                if may_be is not None and not may_be[identifier]:
                    rows.passed += 1
                    return True
                if not length and len(words) > data_at:
                    return False  # data, or the word for a remote frame
                digits = words[data_at].rstrip() if length else ""
                data = bytes.fromhex(digits)
                # Nothing but two digits and one space in turn: python-can takes other forms too, or takes them otherwise.
                if len(data) != length or length > 8 or len(digits) > 3 * length or len(digits[2::3].split()):
                    return False
                raw = int(identifier, 16)
                channel = 1 if channel_at is None else int(words[channel_at])
            except (ValueError, IndexError):
                return False
            if not 0 <= raw < 1 << 29:
                return False
            add((time_s, channel, raw, EXTENDED if len(identifier) > 4 else 0, length, data, rows.passed))
            return True

        return plain


class _TrcLayout(NamedTuple):
    """What times count from, in which column of a line each value of a data frame stands, and the words of such a line."""

    start_s: float
    time_at: int
    type_at: int
    types: tuple[str, ...]
    identifier_at: int
    channel_at: int | None
    length_at: int
    data_at: int


_TEXT_READERS: dict[Kind, Callable[..., Any]] = {Kind.ASC: _AscReader, Kind.TRC: _TrcReader}

TABLE_COLUMNS = 7  # time in seconds, identifier, whether extended, remote, error; length, data


def _sqlite_pieces(
    path: Path,
    channel_code: Callable[[Any], int],
    on_skipped: Callable[[int, str], None],
    wanted: Collection[int] | None,
) -> Iterator[tuple[Block, int]]:
    """Blocks of the rows of a database in the layout of python-can's writer. It is opened read-only, so that a recording is
    never changed by looking at it; rows that hold no frame (of a damaged file) are counted and left out.

    With `wanted`, the database itself selects, where the numbers of its rows go from one to the next and so tell their
    places. Rows that it does not select count as frames, whatever is in them.
    """
    connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)
    try:
        names = [column[0] for column in connection.execute("SELECT * FROM messages LIMIT 0").description]
        if len(names) != TABLE_COLUMNS:
            raise ValueError(f"its table of messages has {len(names)} columns instead of {TABLE_COLUMNS}")
        selects = wanted is not None and not _is_cut(path)
        first, last = _unbroken(connection) if selects else (1, None)
        if last is None:
            cursor = connection.execute("SELECT * FROM messages")
        else:
            cursor = connection.execute(_selecting(names[1], wanted or ()))
        looked_at = skipped = 0  # looked_at: place of the last row in what was read so far
        fault: Exception | None = None
        ended = False
        while not ended:
            rows: list[tuple[Any, ...]] = []
            try:
                rows.extend(islice(cursor, BATCH))  # what came before a fault stays in the list
            except sqlite3.Error as error:
                fault = error
            ended = len(rows) < BATCH
            if last is None:
                place = np.arange(looked_at + 1, looked_at + 1 + len(rows))
            else:
                place = np.array([row[-1] for row in rows], np.int64) - (first - 1)
                rows = [row[:-1] for row in rows]
            block, good = _table_block(rows, channel_code)
            for i in np.flatnonzero(~good).tolist():
                on_skipped(int(place[i]), str(rows[i]))
            block.line[:] = (place - skipped - np.cumsum(~good))[good]
            if wanted is not None:
                block = block.rows(carries(block.identifier, block.flags, wanted))
            until = int(place[-1]) if rows else looked_at
            if ended and fault is None and last is not None:
                until = last - first + 1  # what comes behind the last row that was selected
            bad = len(rows) - int(good.sum())
            yield block, until - looked_at - bad
            looked_at, skipped = until, skipped + bad
        if fault is not None:
            raise fault
    finally:
        connection.close()


def _is_cut(path: Path) -> bool:
    """Whether a database file is shorter than its head says, which a selection might pass over.

    Source: sqlite.org, "Database File Format", section 1.3: page size at byte 16, number of pages at byte 28.
    """
    with path.open("rb") as file:
        head = file.read(32)
    page = int.from_bytes(head[16:18], "big")
    return path.stat().st_size < (65_536 if page == 1 else page) * int.from_bytes(head[28:32], "big")


def _unbroken(connection: sqlite3.Connection) -> tuple[int, int | None]:
    """The numbers of the first and the last row if those in between are all there, else (1, None)."""
    try:
        first, last, count = connection.execute("SELECT min(rowid), max(rowid), count(*) FROM messages").fetchone()
    except sqlite3.Error:  # a damaged file, whose good part a plain reading finds; or a table without numbers
        return 1, None
    numbered = isinstance(first, int) and isinstance(last, int)  # the rows of a view are not
    return (first, last) if numbered and last - first + 1 == count else (1, None)


def _selecting(name: str, wanted: Collection[int]) -> str:
    """The query for rows with one of the `wanted` PGNs and their numbers, in order. name: of the column of identifiers."""
    identifier = '"' + name.replace('"', '""') + '"'
    # As identifier.pgns has it: below 240 the PDU specific is a destination.
    group = f"CASE WHEN ({identifier} >> 16 & 255) < 240 THEN {identifier} >> 8 & 261888 ELSE {identifier} >> 8 & 262143 END"
    return (
        f"SELECT *, rowid FROM messages WHERE {group} IN ({', '.join(str(int(pgn)) for pgn in wanted)}) ORDER BY rowid"
    )


def _table_block(
    rows: Sequence[tuple[Any, ...]], channel_code: Callable[[Any], int]
) -> tuple[Block, NDArray[np.bool_]]:
    """The Block of the frames in n rows, and which rows hold one: (n,)."""
    if not rows:
        return Block.sized(0), np.zeros(0, np.bool_)
    try:
        return _regular_block(rows, channel_code)
    except (ValueError, TypeError, OverflowError):
        if len(rows) == 1:
            return Block.sized(0), np.zeros(1, np.bool_)
        half = len(rows) // 2
        first, first_good = _table_block(rows[:half], channel_code)
        second, second_good = _table_block(rows[half:], channel_code)
        return Block.joined([first, second]), np.concatenate((first_good, second_good))


def _regular_block(
    rows: Sequence[tuple[Any, ...]], channel_code: Callable[[Any], int]
) -> tuple[Block, NDArray[np.bool_]]:
    """As _table_block. Raises ValueError, TypeError or OverflowError if a value is not of the type that it ought to be."""
    timestamps, identifiers, extended, remote, error, lengths, datas = _columns(rows, TABLE_COLUMNS)
    seconds = np.array(timestamps, np.float64)
    identifier, length = np.array(identifiers), np.array(lengths)
    kinds = set(map(type, datas))
    if identifier.dtype != np.int64 or length.dtype != np.int64 or not kinds <= {bytes, type(None)}:
        raise TypeError
    is_extended, is_remote, is_error = (np.array(column, np.bool_) for column in (extended, remote, error))
    if kinds != {bytes} or is_remote.any():
        datas = [b"" if of_remote else data or b"" for of_remote, data in zip(remote, datas, strict=True)]
    present = np.fromiter(map(len, datas), np.int64, len(datas))
    good = (seconds >= 0) & np.isfinite(seconds) & ~(is_remote & is_error)
    good &= (identifier >= 0) & (identifier < np.where(is_extended, 1 << 29, 1 << 11))
    good &= (length >= 0) & (length <= 8) & (is_remote | (length == present))
    flags = is_extended * np.uint8(EXTENDED) | is_remote * np.uint8(REMOTE) | is_error * np.uint8(ERROR_FRAME)
    block = _block(seconds, [None] * len(rows), identifier, flags, length, datas, channel_code, 1)
    return block if good.all() else block.rows(good), good


def _reason(error: Exception) -> str:
    text = str(error).splitlines()[0] if str(error) else ""
    return "it is damaged" if "<" in text else text or type(error).__name__  # no descriptions of Python objects
