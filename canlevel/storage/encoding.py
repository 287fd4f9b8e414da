"""How READINGS lie in a Parquet file: in which order, in which groups of rows, and how each column is written.

In come READINGS, out go the bits of one file, and the other way round; names, folders and days are others' business. Any
Parquet reader reads them: nothing here is beyond what pandas, DuckDB and Polars know. What was tried, with figures:
tests/benchmark/README.md.
"""

from __future__ import annotations

import base64
import inspect
import json
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import IO, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from canlevel.tables import (
    KEPT,
    READINGS,
    arrow,
    as_kept,
    codes_of,
    column,
    dictionary_column,
    distinct,
    float_column,
    plain,
    rows_at,
    times_us,
    units,
    values_of,
    word_ranks,
)

__all__ = ["PART_VERSION", "facts_of", "read_kept", "read_verified", "tidied", "write_readings"]

PART_VERSION = 1
SORTED_BY = ("tank", "source_address", "time")  # they alone have statistics: what a reader passes over rows by
FEWEST_ROWS, MOST_ROWS = 4096, 1 << 20  # of a group of rows: each costs some 1,500 bytes
SENT = b"canlevel.sent"
LONGEST_SENT = 64 * 1024 * 1024
QUICK, LASTING = 3, 15  # levels of zstd: of a part that is soon merged, and of a merged day


def tidied(readings: pa.Table) -> pa.Table:
    """The same READINGS, n rows, by tank, source address and time: the order in which a merged day holds them.

    Tanks are in the order of their characters. Readings of one moment are by level and status, so that the same readings come
    out alike in whatever order they were. One tank's readings lie together: a day of seven tanks takes half the room that it
    takes in the order of time, and a tank's day is found without reading the others.
    """
    level = column(readings, "level_pct").view(np.int64)
    by = (word_ranks(readings.column("status")), level, *reversed(_sort_keys(readings)))
    return rows_at(readings.unify_dictionaries(), np.lexsort(by))


def facts_of(schema: pa.Schema) -> dict[str, str]:
    """What a Parquet file of ours says of itself: the version of its layout, and the unit of each column that has one."""
    return {"canlevel.part_version": str(PART_VERSION), "canlevel.units": json.dumps(units(schema))}


def write_readings(readings: pa.Table, file: str | Path | IO[bytes]) -> None:
    """Write READINGS or KEPT as a Parquet file, rows in the order they have; `file` is a path or is open for writing.

    READINGS that are tidied get a group of rows for each tank that has more than a few. Every page carries a checksum, and
    the file its version and units ("canlevel.part_version", "canlevel.units"), and what devices sent where a roster's word
    stands in its place ("canlevel.sent"). Raises OSError where the disk refuses.
    """
    facts = facts_of(READINGS)
    if len(readings.schema) == len(KEPT):
        facts[SENT.decode()] = _sent_text(readings)
        readings = readings.select(READINGS.names)
    ordered = _order(readings)
    options: dict[str, Any] = {
        "compression": "zstd",
        "compression_level": LASTING if ordered == SORTED_BY else QUICK,
        # Codes of few values beat all else, also for levels: some hundreds in a day, if one sender's are together.
        "use_dictionary": [name for name in READINGS.names if name != "time"],
        "column_encoding": {"time": "DELTA_BINARY_PACKED"},
        "write_statistics": list(SORTED_BY),
        "write_page_checksum": True,
        "sorting_columns": pq.SortingColumn.from_ordering(READINGS, [(name, "ascending") for name in ordered]) or None,
    }
    if _PAGES_OF_ANY_LENGTH:
        options["max_rows_per_page"] = MOST_ROWS
    with pq.ParquetWriter(file, plain(READINGS).with_metadata(facts), **options) as writer:
        for group in _groups(readings, by_tank=ordered == SORTED_BY):
            writer.write_table(group, row_group_size=MOST_ROWS)


# Pages of at most 20,000 rows are the default of newer versions; older ones know no such limit.
_PAGES_OF_ANY_LENGTH = "max_rows_per_page" in inspect.signature(pq.write_table).parameters


def read_verified(
    path: str | Path | IO[bytes], columns: Sequence[str] | None = None, *, tank: str | None = None
) -> pa.Table:
    """READINGS, or some columns of them in the order asked for, of one file whose pages are held against their checksums.

    Raises what pyarrow raises: OSError for a page or a footer that is damaged or cut off, pyarrow.ArrowInvalid for what is no
    Parquet file, KeyError for a column that READINGS do not have. The footer has no checksum: pyarrow.ArrowInvalid also for one
    that names other columns, or counts its rows in two ways; any other pyarrow.ArrowException and ValueError may come of one.
    tank: groups of rows that hold none of it are passed over. Only for a file that is known to be whole.
    """
    return _read(path, columns, tank)[0]


def read_kept(path: str | Path) -> pa.Table:
    """KEPT of one file, as read_verified() reads it. Where it does not tell what was sent, what is stored counts for that."""
    readings, facts = _read(path)
    return _with_sent(readings, facts.get(SENT))


def _read(
    path: str | Path | IO[bytes], columns: Sequence[str] | None = None, tank: str | None = None
) -> tuple[pa.Table, dict[bytes, bytes]]:
    """(READINGS, what the file says beside them)."""
    names = READINGS.names if columns is None else list(columns)
    schema = pa.schema([READINGS.field(name) for name in names])
    with pq.ParquetFile(path, page_checksum_verification=True) as file:
        if not file.schema_arrow.equals(READINGS):
            raise pa.ArrowInvalid(f"{path}: its columns are not those of readings")
        said: dict[bytes, bytes] = file.schema_arrow.metadata or {}
        facts = file.metadata
        # Not by the columns' counts: to ask a damaged footer for its columns' metadata ends the whole process (pyarrow 26).
        if facts.num_rows != sum(facts.row_group(number).num_rows for number in range(facts.num_row_groups)):
            raise pa.ArrowInvalid(f"{path}: its footer counts its rows in two ways")
        groups = list(range(facts.num_row_groups))
        if tank is not None:
            groups = [number for number in groups if _may_hold(facts.row_group(number), tank)]
        table = file.read_row_groups(groups, columns=names).select(names).replace_schema_metadata(None)
    if not table.schema.equals(schema):  # to cast imports pyarrow.compute, which takes long
        table = table.cast(schema)
    table.validate(full=True)  # a damaged page header may make codes that no word stands for
    return table, said


def _sent_text(kept: pa.Table) -> str:
    """What of n KEPT rows was sent otherwise than it is stored: runs in the order of tank, source and place, packed.

    A run is [its first place in that order, is it known, is it otherwise, capacity_l, volume_l]. Devices seldom change what
    they say of a capacity, so that mostly there is one run for each.
    """
    known = values_of(kept.column("sent_known"), 0)
    capacity, volume = column(kept, "sent_capacity_l"), column(kept, "sent_volume_l")
    bare = np.isnan(capacity)
    other = ~_alike(capacity, column(kept, "capacity_l"))
    other |= bare & ~_alike(volume, column(kept, "volume_l"))
    capacity, volume = np.where(other, capacity, np.nan), np.where(other & bare, volume, np.nan)
    runs: list[list[Any]] = []
    if len(kept):
        order = _by_sender(kept) if other.any() or known.min() < known.max() else np.arange(len(kept))
        columns = [values[order] for values in (known, other, capacity, volume)]
        new = np.ones(len(kept), np.bool_)
        new[1:] = False
        for values in columns:
            new[1:] |= ~_alike(values[1:], values[:-1])
        begins = np.flatnonzero(new)
        told = [[None if value != value else value for value in part[begins].tolist()] for part in columns]
        runs = [list(run) for run in zip(begins.tolist(), *told, strict=True)]
    return base64.b64encode(zlib.compress(json.dumps(runs, separators=(",", ":")).encode())).decode()


def _with_sent(readings: pa.Table, text: bytes | None) -> pa.Table:
    """KEPT of READINGS and what _sent_text() made of them."""
    n, kept = len(readings), as_kept(readings)
    if text is None or not n:
        return kept
    try:
        unpacked = zlib.decompressobj().decompress(base64.b64decode(text), LONGEST_SENT)
        runs = [
            (int(run[0]), bool(run[1]), bool(run[2]), _float(run[3]), _float(run[4])) for run in json.loads(unpacked)
        ]
        begins, *values = (np.array(part) for part in zip(*runs, strict=True))
        lasting = np.diff([*begins.tolist(), n])
        if begins[0] != 0 or lasting.min() <= 0:
            return kept
    except (ValueError, TypeError, IndexError, KeyError, zlib.error):
        return kept  # what is stored can be read all the same
    order = _by_sender(readings) if len(runs) > 1 else np.arange(n)
    known, other, capacity, volume = (np.empty(n, part.dtype) for part in values)
    for column_, part in zip((known, other, capacity, volume), values, strict=True):
        column_[order] = np.repeat(part, lasting)
    bare = other & np.isnan(capacity)
    columns = {
        "sent_capacity_l": float_column(np.where(other, capacity, column(readings, "capacity_l"))),
        "sent_volume_l": float_column(np.where(bare, volume, column(readings, "volume_l"))),
        "sent_known": arrow(known.astype(np.uint8)),
    }
    return pa.table([columns.get(name, kept.column(name)) for name in KEPT.names], schema=KEPT)


def _float(value: float | None) -> float:
    return float("nan") if value is None else float(value)


def _alike(one: NDArray[Any], other: NDArray[Any]) -> NDArray[np.bool_]:
    """(n,) where two columns are equal, or both no number."""
    return np.asarray((one == other) | ((one != one) & (other != other)))


def _by_sender(readings: pa.Table) -> NDArray[np.int64]:
    """(n,) places of n rows by tank and source, those of one sender in the order they have."""
    return np.lexsort((values_of(readings.column("source_address"), 0), word_ranks(readings.column("tank"))))


def _may_hold(group: Any, tank: str) -> bool:
    """Whether a group of rows may hold readings of a tank, by its statistics."""
    told = group.column(READINGS.get_field_index("tank")).statistics
    return told is None or not told.has_min_max or told.min <= tank <= told.max


def _sort_keys(readings: pa.Table) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Of n rows: rank of the tank, source address, time; each (n,)."""
    return word_ranks(readings.column("tank")), values_of(readings.column("source_address"), 0), times_us(readings)


def _order(readings: pa.Table) -> tuple[str, ...]:
    """The columns by which the rows are in order: all of SORTED_BY, or the time alone, or none."""
    if any(readings.column(name).null_count for name in SORTED_BY) or not len(readings):
        return ()
    tank, source, time_us = _sort_keys(readings)
    same_tank, same_source = tank[1:] == tank[:-1], source[1:] == source[:-1]
    later = time_us[1:] >= time_us[:-1]
    if (np.where(same_tank, np.where(same_source, later, source[1:] > source[:-1]), tank[1:] > tank[:-1])).all():
        return SORTED_BY
    return ("time",) if later.all() else ()


def _groups(readings: pa.Table, *, by_tank: bool) -> list[pa.Table]:
    """The rows in the groups they are written in, each with the words it needs and no others."""
    begins = [0]
    if by_tank:
        tank = codes_of(readings.column("tank"))[0]
        for begin in (np.flatnonzero(tank[1:] != tank[:-1]) + 1).tolist():
            if begin - begins[-1] >= FEWEST_ROWS:
                begins.append(begin)
    ends = [*begins[1:], len(readings)]
    return [_compact(readings.slice(begin, end - begin)) for begin, end in zip(begins, ends, strict=True)]


def _compact(readings: pa.Table) -> pa.Table:
    columns = []
    for part in READINGS:
        values = readings.column(part.name)
        if pa.types.is_dictionary(part.type):
            codes, words = codes_of(values)
            used, which = distinct(codes)
            values = dictionary_column(which, [words[code] for code in used.tolist()])
        columns.append(values)
    return pa.table(columns, schema=READINGS)
