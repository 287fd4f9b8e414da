"""How READINGS lie in a Parquet file: in which order, in which groups of rows, and how each column is written.

In come READINGS, out go the bits of one file, and the other way round; names, folders and days are others' business. Any
Parquet reader reads them: nothing here is beyond what pandas, DuckDB and Polars know. What was tried, with figures:
tests/benchmark/README.md.
"""

from __future__ import annotations

import inspect
import json
from collections.abc import Sequence
from pathlib import Path
from typing import IO, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from canlevel.tables import (
    READINGS,
    codes_of,
    column,
    dictionary_column,
    distinct,
    plain,
    rows_at,
    times_us,
    units,
    values_of,
)

__all__ = ["PART_VERSION", "facts_of", "read_verified", "tidied", "write_readings"]

PART_VERSION = 1
SORTED_BY = ("tank", "source_address", "time")  # they alone have statistics: what a reader passes over rows by
FEWEST_ROWS, MOST_ROWS = 4096, 1 << 20  # of a group of rows: each costs some 1,500 bytes
QUICK, LASTING = 3, 15  # levels of zstd: of a part that is soon merged, and of a merged day


def tidied(readings: pa.Table) -> pa.Table:
    """The same READINGS, n rows, by tank, source address and time: the order in which a merged day holds them.

    Tanks are in the order of their characters. Readings of one moment are by level and status, so that the same readings come
    out alike in whatever order they were. One tank's readings lie together: a day of seven tanks takes half the room that it
    takes in the order of time, and a tank's day is found without reading the others.
    """
    level = column(readings, "level_pct").view(np.int64)
    by = (_ranks(readings.column("status")), level, *reversed(_sort_keys(readings)))
    return rows_at(readings.unify_dictionaries(), np.lexsort(by))


def facts_of(schema: pa.Schema) -> dict[str, str]:
    """What a Parquet file of ours says of itself: the version of its layout, and the unit of each column that has one."""
    return {"canlevel.part_version": str(PART_VERSION), "canlevel.units": json.dumps(units(schema))}


def write_readings(readings: pa.Table, file: str | Path | IO[bytes]) -> None:
    """Write READINGS as a Parquet file, rows in the order they have; `file` is a path or is open for writing.

    READINGS that are tidied get a group of rows for each tank that has more than a few. Every page carries a checksum, and
    the file its version and units ("canlevel.part_version", "canlevel.units"). Raises OSError where the disk refuses.
    """
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
    with pq.ParquetWriter(file, plain(READINGS).with_metadata(facts_of(READINGS)), **options) as writer:
        for group in _groups(readings, by_tank=ordered == SORTED_BY):
            writer.write_table(group, row_group_size=MOST_ROWS)


# Pages of at most 20,000 rows are the default of newer versions; older ones know no such limit.
_PAGES_OF_ANY_LENGTH = "max_rows_per_page" in inspect.signature(pq.write_table).parameters


def read_verified(path: str | Path, columns: Sequence[str] | None = None) -> pa.Table:
    """READINGS, or some columns of them in the order asked for, of one file whose pages are held against their checksums.

    Raises what pyarrow raises: OSError for a page or a footer that is damaged or cut off, pyarrow.ArrowInvalid for what is no
    Parquet file, KeyError for a column that READINGS do not have. The footer has no checksum: pyarrow.ArrowInvalid also for one
    that names other columns, or counts its rows in two ways; any other pyarrow.ArrowException and ValueError may come of one.
    """
    names = READINGS.names if columns is None else list(columns)
    schema = pa.schema([READINGS.field(name) for name in names])
    with pq.ParquetFile(path, page_checksum_verification=True) as file:
        if not file.schema_arrow.equals(READINGS):
            raise pa.ArrowInvalid(f"{path}: its columns are not those of readings")
        facts = file.metadata
        # Not by the columns' counts: to ask a damaged footer for its columns' metadata ends the whole process (pyarrow 26).
        if facts.num_rows != sum(facts.row_group(number).num_rows for number in range(facts.num_row_groups)):
            raise pa.ArrowInvalid(f"{path}: its footer counts its rows in two ways")
        table = file.read(columns=names).select(names).replace_schema_metadata(None)
    if not table.schema.equals(schema):  # to cast imports pyarrow.compute, which takes long
        table = table.cast(schema)
    table.validate(full=True)  # a damaged page header may make codes that no word stands for
    return table


def _sort_keys(readings: pa.Table) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Of n rows: rank of the tank, source address, time; each (n,)."""
    return _ranks(readings.column("tank")), values_of(readings.column("source_address"), 0), times_us(readings)


def _ranks(words: pa.ChunkedArray) -> NDArray[np.int64]:
    """(n,) numbers in the order of the words, null last."""
    codes, told = codes_of(words)
    order = sorted(range(len(told) - 1), key=lambda code: told[code] or "")
    rank = np.empty(len(told), np.int64)
    rank[[*order, len(told) - 1]] = np.arange(len(told))
    return rank[codes]


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
