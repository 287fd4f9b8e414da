"""The tables that travel between the layers: their schemas, written down once.

frames (capture to decoding), readings (decoding to storage, flows and people), flows (fills and drains).
Every table is a pyarrow.Table; a batch is a table of some thousand rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.errors import QueryError

if TYPE_CHECKING:
    import pyarrow.compute as pc

__all__ = [
    "CLOCK",
    "DAY_US",
    "EARLIEST_DATE_US",
    "ERROR_FRAME",
    "EXTENDED",
    "FD",
    "FLOWS",
    "FLUIDS",
    "FRAMES",
    "IDENTITY",
    "KEPT",
    "OUTAGES",
    "PROTOCOLS",
    "READINGS",
    "REMOTE",
    "STATUSES",
    "TIME_TYPE",
    "UNKNOWN_TIME_US",
    "WORD",
    "arrow",
    "as_kept",
    "as_sent",
    "codes_of",
    "column",
    "described",
    "dictionary_column",
    "distinct",
    "empty",
    "first_of_each",
    "float_column",
    "matching",
    "null_column",
    "plain",
    "rows_at",
    "time_column",
    "times_us",
    "timestamp_us",
    "units",
    "values_of",
    "word_column",
    "word_ranks",
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


def described(
    name: str, kind: pa.DataType, meaning: str, *, unit: str | None = None, null: str | None = None
) -> pa.Field:
    """A column of a schema that says what it means, its unit, and what it means where it is null (None: it never is).

    What it says is the field's metadata: any Arrow reader can show it, and the page of all columns is made of it.
    """
    told = {"meaning": meaning, "unit": unit, "null": null}
    return pa.field(name, kind, metadata={word: text for word, text in told.items() if text is not None})


def plain(schema: pa.Schema) -> pa.Schema:
    """The same columns without what they say of themselves."""
    return pa.schema([pa.field(field.name, field.type) for field in schema])


def units(schema: pa.Schema) -> dict[str, str]:
    """The unit of each column that has one."""
    return {
        field.name: (field.metadata or {})[b"unit"].decode() for field in schema if b"unit" in (field.metadata or {})
    }


FRAMES = pa.schema(
    [
        described(
            "time", TIME_TYPE, "when the frame was received", unit="UTC", null="the recording does not tell the date"
        ),
        described("channel", WORD, "which bus", null="not told"),
        described("identifier", pa.uint32(), "29 or 11 bits, without flags"),
        described("flags", pa.uint8(), "bits: 1 extended, 2 remote, 4 error frame, 8 CAN FD"),
        described("length", pa.uint8(), "data bytes, up to 64 for CAN FD", unit="byte"),
        described("payload", pa.uint64(), "the first eight data bytes, byte 0 lowest"),
        described("line", pa.int64(), "line of a text recording, else the number of the frame, from 1"),
    ]
)

READINGS = pa.schema(
    [
        described(
            "time",
            TIME_TYPE,
            "when the frame was received, to the microsecond",
            unit="UTC",
            null="the recording does not tell the date (never in a store)",
        ),
        described("vessel", WORD, "whose tanks these are", null="nobody said"),
        described("channel", WORD, "which bus, as the recorder or the adapter calls it", null="not told"),
        described("protocol", WORD, "nmea2000, rvc or j1939"),
        described("tank", WORD, "protocol.fluid.instance, as rvc.grey_water.18"),
        described("name", WORD, "the owner's name for the tank, from the roster", null="not in a roster"),
        described(
            "fluid",
            WORD,
            "fuel, gasoline, fresh_water, grey_water, black_water, live_well, oil, lpg, def, washer_fluid or unknown",
        ),
        described(
            "instance",
            pa.int16(),
            "the number of the tank among those of its fluid, as on the wire",
            null="a malformed frame does not tell it",
        ),
        described("source_address", pa.uint8(), "the address of the device that sent it"),
        described(
            "level_pct", pa.float64(), "level, percent of full", unit="%", null="the device gave no number: see status"
        ),
        described(
            "capacity_l",
            pa.float64(),
            "what the tank holds: by the roster, else as the device says",
            unit="L",
            null="neither tells it",
        ),
        described(
            "volume_l",
            pa.float64(),
            "what is in it, from level and capacity by the tank's shape; the device's own figure where there is no capacity",
            unit="L",
            null="no level, or no capacity",
        ),
        described("status", WORD, "ok, not_available, error, reserved, over_range or malformed"),
        described(
            "rate_l_per_min",
            pa.float64(),
            "how fast it fills (positive) or drains, as known at this moment",
            unit="L/min",
            null="not known yet, or no capacity",
        ),
        described(
            "rate_low", pa.float64(), "lower end of the rate's 95 % interval", unit="L/min", null="as rate_l_per_min"
        ),
        described(
            "rate_high", pa.float64(), "upper end of the rate's 95 % interval", unit="L/min", null="as rate_l_per_min"
        ),
    ]
)

# READINGS on their way into a store, and what a device said itself, in the place of which a roster's word may stand in them.
KEPT = pa.schema(
    [
        *READINGS,
        pa.field("sent_capacity_l", pa.float64()),
        pa.field("sent_volume_l", pa.float64()),  # of no use beside a capacity
        pa.field("sent_known", pa.uint8()),  # 0: they are what was stored first, by whomever
    ]
)

FLOWS = pa.schema(
    [
        described("vessel", WORD, "whose tank", null="nobody said"),
        described("tank", WORD, "protocol.fluid.instance"),
        described("name", WORD, "the owner's name for the tank", null="not in a roster"),
        described("source_address", pa.uint8(), "the address of the device that sent the level"),
        described("kind", WORD, "fill or drain"),
        described("start", TIME_TYPE, "when it began", unit="UTC"),
        described("end", TIME_TYPE, "when it ended, or the readings did", unit="UTC"),
        described("start_level_pct", pa.float64(), "level when it began", unit="%"),
        described("end_level_pct", pa.float64(), "level when it ended", unit="%"),
        described("volume_l", pa.float64(), "how much flowed, positive", unit="L", null="no capacity"),
        described("rate_l_per_min", pa.float64(), "how fast, filling positive", unit="L/min", null="no capacity"),
        described(
            "rate_low",
            pa.float64(),
            "lower end of the rate's 95 % interval",
            unit="L/min",
            null="no capacity",
        ),
        described("rate_high", pa.float64(), "upper end of the rate's 95 % interval", unit="L/min", null="no capacity"),
        described("rate_pct_per_min", pa.float64(), "how fast in percent of the tank, filling positive", unit="%/min"),
    ]
)

# When nothing could be heard, and why: a gap in levels there is not the tank's.
OUTAGES = pa.schema(
    [
        described("from", TIME_TYPE, "the last that was heard before", unit="UTC"),
        described("to", TIME_TYPE, "the first that was heard again", unit="UTC"),
        described("why", WORD, "what was wrong, in words"),
        described("channel", WORD, "which bus", null="all of them"),
        described("vessel", WORD, "whose logger", null="nobody said"),
    ]
)

# Readings that were taken while the logger's clock was not known to be right, by the times under which they are stored.
CLOCK = pa.schema(
    [
        described("from", TIME_TYPE, "readings from this time on, as they are stored", unit="UTC"),
        described("to", TIME_TYPE, "up to this time", unit="UTC"),
        described("why", WORD, "how the right time became known"),
        described("shift_s", pa.float64(), "by which they were moved once it was known", unit="s", null="it never was"),
        described("vessel", WORD, "whose logger", null="nobody said"),
    ]
)

# What tells one reading from another.
IDENTITY = ["time", "tank", "source_address", "level_pct", "status"]

DAY_US = 86_400_000_000  # microseconds

# 1990-01-01. A stamp before it does not tell the date: it counts from the start of a recording, an adapter or a clock.
EARLIEST_DATE_US = 631_152_000_000_000

# Stands for "no time" in integer microseconds; numpy's own not-a-time has the same bits.
UNKNOWN_TIME_US = np.iinfo(np.int64).min


def empty(schema: pa.Schema) -> pa.Table:
    """A table of `schema` with no rows."""
    return schema.empty_table()


def arrow(values: NDArray[Any], kind: pa.DataType | None = None, known: NDArray[np.bool_] | None = None) -> pa.Array:
    """A numpy array as a column without a copy; where `known` is false it is null. values: (n,) numbers or truths.

    kind: the column's type, where it is not the array's own. pyarrow's own way, pa.array, imports pandas each time, which
    takes longer than reading a small recording.
    """
    values = np.ascontiguousarray(values)
    data = np.packbits(values, bitorder="little") if values.dtype == np.bool_ else values
    missing = None if known is None or known.all() else pa.py_buffer(np.packbits(known, bitorder="little"))
    return pa.Array.from_buffers(kind or pa.from_numpy_dtype(values.dtype), len(values), [missing, pa.py_buffer(data)])


def word_column(words: Sequence[str]) -> pa.Array:
    """Some words as a column of strings."""
    encoded = [word.encode() for word in words]
    ends = np.cumsum([0, *(len(word) for word in encoded)]).astype(np.int32)
    return pa.Array.from_buffers(pa.string(), len(words), [None, pa.py_buffer(ends), pa.py_buffer(b"".join(encoded))])


def values_of(column: pa.ChunkedArray | pa.Array, null: Any = None) -> NDArray[Any]:
    """The numbers of a column as they lie in memory, n of them; `null`, where given, stands for those that are null."""
    chunks = column.chunks if isinstance(column, pa.ChunkedArray) else [column]
    kind = np.dtype(np.int64) if pa.types.is_timestamp(column.type) else np.dtype(column.type.to_pandas_dtype())
    parts: list[NDArray[Any]] = []
    for chunk in chunks:
        if len(chunk):
            part = np.frombuffer(chunk.buffers()[1], kind)[chunk.offset : chunk.offset + len(chunk)]
            parts.append(
                part if null is None or not chunk.null_count else np.where(_known(chunk), part, kind.type(null))
            )
    if not parts:
        return np.zeros(0, kind)
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def codes_of(column: pa.ChunkedArray) -> tuple[NDArray[np.int32], list[str | None]]:
    """(codes, words) of a column of repeated words: words[code] for each of n rows; each word once, the last being None."""
    encoded = column if column.num_chunks <= 1 else column.unify_dictionaries()
    words: list[str | None] = [*(encoded.chunk(0).dictionary.to_pylist() if encoded.num_chunks else []), None]
    parts = [values_of(chunk.indices, len(words) - 1) for chunk in encoded.chunks]
    codes = parts[0] if len(parts) == 1 else np.concatenate([np.zeros(0, np.int32), *parts])
    place = {word: i for i, word in enumerate(words)}
    if len(place) < len(words):  # a dictionary may hold a word twice, and null as a word
        codes = np.array([place[word] for word in words], np.int32)[codes]
    return codes, words


def word_ranks(words: pa.ChunkedArray) -> NDArray[np.int64]:
    """(n,) numbers in the order of n repeated words, null last."""
    codes, told = codes_of(words)
    order = sorted(range(len(told) - 1), key=lambda code: told[code] or "")
    rank = np.empty(len(told), np.int64)
    rank[[*order, len(told) - 1]] = np.arange(len(told))
    return rank[codes]


def distinct(keys: NDArray[Any]) -> tuple[NDArray[Any], NDArray[np.int64]]:
    """(values, which): the values of n keys in order, each once, and for each key the place of its value.

    numpy's own unique brings masked arrays with it, whose import takes longer than decoding a small recording.
    """
    order = np.argsort(keys, kind="stable")
    ranked = keys[order]
    new = np.ones(len(keys), np.bool_)
    new[1:] = ranked[1:] != ranked[:-1]
    which = np.empty(len(keys), np.int64)
    which[order] = np.cumsum(new) - 1
    return ranked[new], which


def rows_at(table: pa.Table, at: NDArray[np.int64]) -> pa.Table:
    """Some rows of a table, by their places. Costs no import, unlike pyarrow's own take and filter."""
    if len(at) == len(table) and (at == np.arange(len(at))).all():
        return table
    return pa.table([_at(table.column(field.name), at) for field in table.schema], schema=table.schema)


def _at(column: pa.ChunkedArray, at: NDArray[np.int64]) -> pa.Array:
    if pa.types.is_dictionary(column.type):
        codes, words = codes_of(column)
        return dictionary_column(codes[at], words)
    return arrow(values_of(column)[at], column.type, _known(column)[at] if column.null_count else None)


def _known(column: pa.ChunkedArray | pa.Array) -> NDArray[np.bool_]:
    """Which of n values are not null."""
    parts = [np.zeros(0, np.bool_)]
    for chunk in column.chunks if isinstance(column, pa.ChunkedArray) else [column]:
        missing = chunk.buffers()[0]
        bits = np.ones(len(chunk), np.uint8)
        if missing is not None:
            bits = np.unpackbits(np.frombuffer(missing, np.uint8), bitorder="little")[chunk.offset :][: len(chunk)]
        parts.append(bits != 0)
    return np.concatenate(parts)


def time_column(time_us: NDArray[np.int64]) -> pa.Array:
    """UTC microseconds since 1970 as a column; UNKNOWN_TIME_US becomes null. time_us: (n,)."""
    return arrow(time_us, TIME_TYPE, time_us != UNKNOWN_TIME_US)


def times_us(table: pa.Table, name: str = "time") -> NDArray[np.int64]:
    """The reverse of time_column: (n,) microseconds since 1970, UNKNOWN_TIME_US for null."""
    return values_of(table.column(name), UNKNOWN_TIME_US)


def float_column(values: NDArray[np.float64]) -> pa.Array:
    """(n,) floats as a column; nan becomes null."""
    return arrow(values, pa.float64(), ~np.isnan(values))


def dictionary_column(codes: NDArray[Any], words: Sequence[str | None]) -> pa.Array:
    """A column of repeated words. codes: (n,) positions in `words`; a word of None becomes null."""
    known = [i for i, word in enumerate(words) if word is not None]
    if known and len(known) == len(words):
        return pa.DictionaryArray.from_arrays(arrow(codes.astype(np.int32, copy=False)), word_column(_told(words)))
    position = np.full(len(words) + 1, -1, dtype=np.int32)  # one spare, so that no words at all works too
    position[known] = np.arange(len(known), dtype=np.int32)
    indices = position[codes]
    told = indices >= 0
    indices[~told] = 0
    return pa.DictionaryArray.from_arrays(arrow(indices, pa.int32(), told), word_column(_told(words)))


def _told(words: Sequence[str | None]) -> list[str]:
    return [word for word in words if word is not None]


def null_column(n: int, kind: pa.DataType) -> pa.Array:
    """n numbers that are all null."""
    return arrow(np.zeros(n, kind.to_pandas_dtype()), kind, np.zeros(n, np.bool_))


def column(table: pa.Table, name: str) -> NDArray[Any]:
    """One column as a numpy array; nulls become nan in floats and None in words."""
    chunked = table.column(name)
    if pa.types.is_floating(chunked.type):
        return values_of(chunked, np.nan)
    if pa.types.is_dictionary(chunked.type):
        codes, words = codes_of(chunked)
        return np.array(words, object)[codes]
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


def as_sent(decoded: pa.Table) -> pa.Table:
    """KEPT of n READINGS that no roster has touched."""
    return _kept(decoded, 1)


def as_kept(readings: pa.Table) -> pa.Table:
    """n READINGS or KEPT as KEPT; of mere READINGS it is not known whether a roster has touched them."""
    return readings if len(readings.schema) == len(KEPT) else _kept(readings, 0)


def _kept(readings: pa.Table, known: int) -> pa.Table:
    sent = (readings.column("capacity_l"), readings.column("volume_l"))
    return pa.table([*readings.columns, *sent, arrow(np.full(len(readings), known, np.uint8))], schema=KEPT)


def first_of_each(readings: pa.Table) -> NDArray[np.bool_]:
    """Which rows are the first with their time, tank, source, level and status. readings: n rows with IDENTITY. Returns (n,).

    Rows without a time are all their own. The channel does not count: one bus may be called differently in two recordings.
    """
    time_us = times_us(readings)
    first = np.ones(len(time_us), np.bool_)
    order = np.argsort(time_us, kind="stable")
    ranked = time_us[order]
    again = np.flatnonzero((ranked[1:] == ranked[:-1]) & (ranked[1:] != UNKNOWN_TIME_US))
    if not len(again):
        return first
    # Most readings have their microsecond to themselves; only the others are compared.
    shared = np.zeros(len(time_us), np.bool_)
    shared[again] = shared[again + 1] = True
    rows = np.sort(order[shared])
    level = column(readings, "level_pct").view(np.int64)
    parts = [time_us, level, values_of(readings.column("source_address"))]
    parts += [codes_of(readings.column(name))[0] for name in ("tank", "status")]
    parts = [part[rows] for part in parts]
    order = np.lexsort(tuple(reversed(parts)))  # stable: of equal rows the first stays first
    equal = np.ones(max(len(rows) - 1, 0), np.bool_)
    for part in parts:
        equal &= part[order][1:] == part[order][:-1]
    first[rows[order[1:][equal]]] = False
    return first


def matching(
    tank: str | None = None, since: datetime | str | None = None, until: datetime | str | None = None
) -> pc.Expression:
    """The condition for READINGS of one tank id, from `since` on and before `until`; naive moments mean UTC."""
    import pyarrow.compute as pc  # only questions to a store need it

    condition = pc.scalar(True)
    if tank is not None:
        condition &= pc.field("tank") == tank
    if since is not None:
        condition &= pc.field("time") >= pa.scalar(timestamp_us(since), pa.int64()).cast(TIME_TYPE)
    if until is not None:
        condition &= pc.field("time") < pa.scalar(timestamp_us(until), pa.int64()).cast(TIME_TYPE)
    return condition
