"""The tables that travel between the layers: their schemas, written down once.

frames (capture to decoding), readings (decoding to storage, flows and people), flows (fills and drains).
Every table is a pyarrow.Table; a batch is a table of some thousand rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from canlevel.errors import QueryError

__all__ = [
    "ERROR_FRAME",
    "EXTENDED",
    "FD",
    "FLOWS",
    "FLUIDS",
    "FRAMES",
    "IDENTITY",
    "PROTOCOLS",
    "READINGS",
    "REMOTE",
    "STATUSES",
    "TIME_TYPE",
    "UNKNOWN_TIME_US",
    "WORD",
    "column",
    "dictionary_column",
    "empty",
    "first_of_each",
    "float_column",
    "matching",
    "time_column",
    "times_us",
    "timestamp_us",
]

TIME_TYPE = pa.timestamp("us", tz="UTC")
WORD = pa.dictionary(pa.int32(), pa.string())

PROTOCOLS = ("nmea2000", "rvc", "j1939")
FLUIDS = (
    "fuel",
    "gasoline",
    "fresh_water",
    "grey_water",
    "black_water",
    "live_well",
    "oil",
    "lpg",
    "def",
    "washer_fluid",
    "unknown",
)
STATUSES = ("ok", "not_available", "error", "reserved", "over_range", "malformed")

# Bits of the frames' `flags`.
EXTENDED, REMOTE, ERROR_FRAME, FD = 1, 2, 4, 8

FRAMES = pa.schema(
    [
        pa.field("time", TIME_TYPE),  # null where the recording does not tell the date
        pa.field("channel", WORD),
        pa.field("identifier", pa.uint32()),  # 29 or 11 bits, without flags
        pa.field("flags", pa.uint8()),
        pa.field("length", pa.uint8()),  # data bytes, up to 64 for CAN FD
        pa.field("payload", pa.uint64()),  # the first eight data bytes, byte 0 lowest
        pa.field("line", pa.int64()),  # line of a text recording, else the number of the frame, from 1
    ]
)

READINGS = pa.schema(
    [
        pa.field("time", TIME_TYPE),
        pa.field("vessel", WORD),
        pa.field("channel", WORD),
        pa.field("protocol", WORD),
        pa.field("tank", WORD),
        pa.field("name", WORD),
        pa.field("fluid", WORD),
        pa.field("instance", pa.int16()),
        pa.field("source_address", pa.uint8()),
        pa.field("level_pct", pa.float64()),
        pa.field("capacity_l", pa.float64()),
        pa.field("volume_l", pa.float64()),
        pa.field("status", WORD),
        pa.field("rate_l_per_min", pa.float64()),
        pa.field("rate_low", pa.float64()),
        pa.field("rate_high", pa.float64()),
    ]
)

FLOWS = pa.schema(
    [
        pa.field("vessel", WORD),
        pa.field("tank", WORD),
        pa.field("name", WORD),
        pa.field("source_address", pa.uint8()),
        pa.field("kind", WORD),  # fill, drain
        pa.field("start", TIME_TYPE),
        pa.field("end", TIME_TYPE),
        pa.field("start_level_pct", pa.float64()),
        pa.field("end_level_pct", pa.float64()),
        pa.field("volume_l", pa.float64()),  # positive; null without a capacity
        pa.field("rate_l_per_min", pa.float64()),  # signed, filling positive; null without a capacity
        pa.field("rate_low", pa.float64()),
        pa.field("rate_high", pa.float64()),
        pa.field("rate_pct_per_min", pa.float64()),  # signed
    ]
)

# What tells one reading from another.
IDENTITY = ["time", "tank", "source_address", "level_pct", "status"]

# Stands for "no time" in integer microseconds; numpy's own not-a-time has the same bits.
UNKNOWN_TIME_US = np.iinfo(np.int64).min


def empty(schema: pa.Schema) -> pa.Table:
    """A table of `schema` with no rows."""
    return schema.empty_table()


def time_column(time_us: NDArray[np.int64]) -> pa.Array:
    """UTC microseconds since 1970 as a column; UNKNOWN_TIME_US becomes null. time_us: (n,)."""
    known = time_us != UNKNOWN_TIME_US
    return pa.array(time_us, pa.int64(), mask=None if known.all() else ~known).cast(TIME_TYPE)


def times_us(table: pa.Table, name: str = "time") -> NDArray[np.int64]:
    """The reverse of time_column: (n,) microseconds since 1970, UNKNOWN_TIME_US for null."""
    values = table.column(name).cast(pa.int64()).fill_null(UNKNOWN_TIME_US)
    return np.asarray(values.to_numpy(), dtype=np.int64)


def float_column(values: NDArray[np.float64]) -> pa.Array:
    """(n,) floats as a column; nan becomes null."""
    return pa.array(values, pa.float64(), from_pandas=True)


def dictionary_column(codes: NDArray[Any], words: Sequence[str | None]) -> pa.Array:
    """A column of repeated words. codes: (n,) positions in `words`; a word of None becomes null."""
    known = [i for i, word in enumerate(words) if word is not None]
    position = np.full(len(words) + 1, -1, dtype=np.int32)  # one spare, so that no words at all works too
    position[known] = np.arange(len(known), dtype=np.int32)
    indices = position[codes]
    missing = indices < 0
    return pa.DictionaryArray.from_arrays(
        pa.array(indices, pa.int32(), mask=missing if missing.any() else None),
        pa.array([words[i] for i in known], pa.string()),
    )


def column(table: pa.Table, name: str) -> NDArray[Any]:
    """One column as a numpy array; nulls become nan in floats and None in words."""
    chunked = table.column(name)
    if pa.types.is_dictionary(chunked.type):
        chunked = chunked.cast(chunked.type.value_type)
    return np.asarray(chunked.to_numpy())


def timestamp_us(moment: datetime | str) -> int:
    """A moment as integer microseconds since 1970 UTC, never through a float. A naive moment is read as UTC.

    moment: also text such as "2026-05-01T08:00Z". Raises QueryError for text that is no date, and for dates that no
    recording has (before 1970, after 2200).
    """
    if isinstance(moment, str):
        try:
            moment = datetime.fromisoformat(moment.strip())
        except ValueError:
            raise QueryError(f'"{moment}" is no date or time', next_step="write it like 2026-05-01T08:00Z") from None
    if not 1970 <= moment.year <= 2200:
        raise QueryError(
            f"{moment.isoformat()} is no time that a recording has", next_step="write it like 2026-05-01T08:00Z"
        )
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


def first_of_each(readings: pa.Table) -> NDArray[np.bool_]:
    """Which rows are the first with their time, tank, source, level and status. readings: n rows with IDENTITY. Returns (n,).

    Rows without a time are all their own. The channel does not count: one bus may be called differently in two recordings.
    """
    time_us = times_us(readings)
    level = readings.column("level_pct").fill_null(np.nan).to_numpy().view(np.int64)
    parts = [time_us, level, readings.column("source_address").to_numpy()]
    for name in ("tank", "status"):
        encoded = readings.column(name).unify_dictionaries().combine_chunks()
        parts.append(encoded.indices.to_numpy() if isinstance(encoded, pa.DictionaryArray) else np.array([], np.int32))
    order = np.lexsort(tuple(reversed(parts)))  # stable: of equal rows the first stays first
    again = time_us[order][1:] != UNKNOWN_TIME_US
    for part in parts:
        again &= part[order][1:] == part[order][:-1]
    first = np.ones(len(readings), np.bool_)
    first[order[1:][again]] = False
    return first


def matching(
    tank: str | None = None, since: datetime | str | None = None, until: datetime | str | None = None
) -> pc.Expression:
    """The condition for READINGS of one tank id, from `since` on and before `until`; naive moments mean UTC."""
    condition = pc.scalar(True)
    if tank is not None:
        condition &= pc.field("tank") == tank
    if since is not None:
        condition &= pc.field("time") >= pa.scalar(timestamp_us(since), pa.int64()).cast(TIME_TYPE)
    if until is not None:
        condition &= pc.field("time") < pa.scalar(timestamp_us(until), pa.int64()).cast(TIME_TYPE)
    return condition
