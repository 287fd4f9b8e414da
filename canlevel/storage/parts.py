"""One part file: whether it is whole, what it holds, and what to say of one that is damaged or no part of ours."""

from __future__ import annotations

import io
import os
import re
import warnings
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from canlevel.errors import Place, StoreError, StoreWarning, printable
from canlevel.storage import encoding
from canlevel.storage.encoding import read_verified
from canlevel.tables import READINGS, codes_of, rows_at, times_us

__all__ = [
    "DAMAGED",
    "PARQUET",
    "TRIES",
    "check_content",
    "check_sums",
    "fault_of",
    "footer_sum",
    "is_part",
    "parts_in",
    "pass_over",
    "read_content",
    "read_kept",
    "read_part",
    "read_whole",
    "time_span",
]

PARQUET = ".parquet"
DAMAGED = (pa.ArrowException, OSError, KeyError, ValueError)  # what pyarrow raises for a file that is no part of ours
TRIES = 5
SUMMED_WHOLE = 1_000_000  # bytes: a day of seven tanks
MARK = 8  # bytes at the end of a Parquet file: the length of its footer, and what kind of file it is
_SUMS = re.compile(r"-([0-9a-f]{8})-([0-9a-f]{8})\.")

_Read = TypeVar("_Read")


def is_part(path: Path) -> bool:
    """Whether a file is named as a finished part."""
    return path.suffix == PARQUET and not path.name.startswith((".", "_"))


def parts_in(folder: Path) -> list[Path]:
    """The finished parts in the folder of a day, in order; none where there is no such folder, or it has gone meanwhile."""
    try:
        return sorted(file for file in folder.iterdir() if is_part(file))
    except (FileNotFoundError, NotADirectoryError):
        return []


def footer_sum(content: bytes) -> int:
    """CRC-32 of the footer of a Parquet file, or of its end, with what tells its length. Raises ValueError for another file.

    Source: the Apache Parquet format, "File Format": the footer, its length in four bytes, "PAR1".
    """
    if len(content) < MARK or content[-4:] != b"PAR1":
        raise ValueError("does not end as a Parquet file")
    size = int.from_bytes(content[-MARK:-4], "little") + MARK
    if size > len(content):
        raise ValueError("is too short for its footer")
    return zlib.crc32(content[-size:])


def check_sums(path: Path, *, all_of_it: bool = False) -> None:
    """Raises ValueError where a part is not what the sums in its name tell: all of it up to SUMMED_WHOLE bytes, of a larger one
    the footer, as Parquet has sums for its pages. all_of_it: whatever the size. Raises OSError.
    """
    named = _SUMS.search(path.name)
    if named is None:
        return  # of an older canlevel, or flows, which are derived anew when in doubt
    with path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        if all_of_it or size <= SUMMED_WHOLE:
            file.seek(0)
            found, expected = zlib.crc32(file.read()), named[2]
        else:
            file.seek(size - MARK)
            length = int.from_bytes(file.read(4), "little") + MARK
            file.seek(max(0, size - length))
            found, expected = footer_sum(file.read()), named[1]
    if found != int(expected, 16):
        raise ValueError("a bit of it has changed, or it is cut off")


def read_part(path: Path, schema: pa.Schema, columns: list[str] | None = None) -> pa.Table:
    """Some columns of a part (all of them without `columns`), checked against the sums it carries.

    Raises one of DAMAGED for a part that is damaged or has other columns.
    """
    check_sums(path)
    return _read_columns(path, schema, columns)


def check_content(name: str, content: bytes) -> bool:
    """Whether the name of a part carries the sum of its content. Raises ValueError where that is another one."""
    named = _SUMS.search(name)
    if named is not None and zlib.crc32(content) != int(named[2], 16):
        raise ValueError("a bit of it has changed, or it is cut off")
    return named is not None


def read_content(
    content: bytes, schema: pa.Schema, columns: list[str] | None = None, *, tank: str | None = None
) -> pa.Table:
    """As read_part, of the bytes of a part, which somebody has checked. tank: of READINGS, only those of that tank."""
    if tank is None or schema is not READINGS:
        return _read_columns(io.BytesIO(content), schema, columns)
    wanted = READINGS.names if columns is None else columns
    table = read_verified(io.BytesIO(content), list(dict.fromkeys([*wanted, "tank"])), tank=tank)
    codes, words = codes_of(table.column("tank"))
    return rows_at(table, np.flatnonzero(codes == words.index(tank) if tank in words else codes < 0)).select(wanted)


def _read_columns(file: Path | io.BytesIO, schema: pa.Schema, columns: list[str] | None) -> pa.Table:
    wanted = schema if columns is None else pa.schema([schema.field(name) for name in columns])
    if schema is READINGS:
        return read_verified(file, wanted.names)
    with pq.ParquetFile(file, page_checksum_verification=True) as parquet:
        if not parquet.schema_arrow.equals(schema):
            raise pa.ArrowInvalid("its columns are others")
        return parquet.read(columns=wanted.names).select(wanted.names)


def read_kept(path: Path) -> pa.Table:
    """A part of readings as KEPT, checked against the sums it carries. Raises one of DAMAGED."""
    check_sums(path)
    return encoding.read_kept(path)


def time_span(path: Path) -> tuple[int, int]:
    """First and last time in a part of READINGS, in microseconds; (0, -1) of an empty one."""
    time_us = times_us(read_part(path, READINGS, ["time"]))
    return (int(time_us.min()), int(time_us.max())) if len(time_us) else (0, -1)


def fault_of(path: Path, schema: pa.Schema) -> str | None:
    """What is wrong with a part, in words; None where it is whole to the last bit and of a schema."""
    if not is_part(path):
        return "is no part of a store"
    try:
        check_sums(path, all_of_it=True)
        read_part(path, schema)
    except FileNotFoundError:
        raise
    except DAMAGED as error:
        words = str(error).strip().splitlines()
        return f"is not a whole part ({printable(words[0], 120) if words else type(error).__name__})"
    return None


def pass_over(path: Path, fault: str) -> None:
    """Tell that a file of the store was left out."""
    warnings.warn(
        f"{printable(str(path))} {fault} and is left out; canlevel tidy sets it aside", StoreWarning, stacklevel=3
    )


def read_whole(
    listed: Callable[[], list[Path]],
    schema: pa.Schema,
    read: Callable[[list[Path]], _Read],
    store: Path,
    *,
    strictly: bool = False,
) -> _Read:
    """What `read` makes of the parts that `listed` gives, without those that are damaged, which are told.

    Parts that were merged between being listed and being read are looked for again. Raises StoreError; strictly: also for a
    damaged part.
    """
    passed_over: set[Path] = set()
    for _ in range(TRIES):
        parts = [part for part in listed() if part not in passed_over]
        try:
            return read(parts)
        except FileNotFoundError:
            continue
        except DAMAGED as error:
            fault: Exception = error
        try:
            found = {part: words for part in parts if (words := fault_of(part, schema)) is not None}
        except FileNotFoundError:
            continue
        if not found:
            raise StoreError(f"cannot be read ({printable(str(fault), 160)})", where=Place(str(store))) from fault
        for part, words in found.items():
            if strictly:
                raise StoreError(words, where=Place(str(part)))
            pass_over(part, words)
        passed_over |= set(found)
    raise StoreError("changes faster than it can be read", where=Place(str(store)), next_step="try again in a moment")
