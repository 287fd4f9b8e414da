"""Recordings that are no candump text, as batches of columns: BLF, ASC, TRC and SQLite."""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Callable, Collection, Generator, Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canlevel.capture.blf import BlfReader
from canlevel.capture.blocks import block_from, columns_of
from canlevel.capture.candump import Block
from canlevel.capture.files import Kind, Opened, unreadable
from canlevel.identifier import carries
from canlevel.tables import ERROR_FRAME, EXTENDED, REMOTE

__all__ = ["read_messages"]

BATCH = 20_000
SPARSE = 10 * BATCH  # frames looked at, after which a batch goes out although few of them were wanted


def read_messages(
    opened: Opened,
    channel_code: Callable[[Any], int],
    on_skipped: Callable[[int, str], None],
    on_fault: Callable[[str, int], None],
    wanted: Collection[int] | None = None,
) -> Iterator[tuple[Block, int]]:
    """Blocks of the frames of one BLF, ASC, TRC or SQLite recording, each with how many frames were read for it in all.

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
        from canlevel.capture.asc_trc import AscReader, Frames, TextLines, TrcReader  # python-can is heavy

        rows = Frames(channel_code, wanted)
        kinds: dict[Kind, Any] = {Kind.ASC: AscReader, Kind.TRC: TrcReader}
        reader = kinds[opened.kind](TextLines(opened.stream), on_skipped, rows)
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


LONGEST_VALUE = 16 * 1024  # bytes; of a frame they are 64 at most, of the words that define the tables some hundred
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
        connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LONGEST_VALUE)
        connection.execute(
            "PRAGMA trusted_schema = OFF"
        )  # a view in a stranger's file gets no function that does anything
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
    timestamps, identifiers, extended, remote, error, lengths, datas = columns_of(rows, TABLE_COLUMNS)
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
    block = block_from(seconds, [None] * len(rows), identifier, flags, length, datas, channel_code, 1)
    return block if good.all() else block.rows(good), good


def _reason(error: Exception) -> str:
    text = str(error).splitlines()[0] if str(error) else ""
    return "it is damaged" if "<" in text else text or type(error).__name__  # no descriptions of Python objects
