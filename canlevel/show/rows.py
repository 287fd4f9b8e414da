"""Tables for programs: JSON lines and CSV, in litres, times in ISO 8601 UTC with microseconds."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow as pa

from canlevel.tables import UNKNOWN_TIME_US, times_us

__all__ = ["FLOW_KEYS", "READING_KEYS", "TANK_KEYS", "csv_head", "csv_lines", "json_lines", "plain_rows", "time_texts"]

READING_KEYS = (
    "time",
    "channel",
    "protocol",
    "tank",
    "name",
    "fluid",
    "instance",
    "source_address",
    "level_pct",
    "capacity_l",
    "volume_l",
    "status",
)
FLOW_KEYS = (
    "tank",
    "name",
    "source_address",
    "kind",
    "start",
    "end",
    "start_level_pct",
    "end_level_pct",
    "volume_l",
    "rate_l_per_min",
    "rate_low",
    "rate_high",
    "rate_pct_per_min",
)
TANK_KEYS = (
    "vessel",
    "tank",
    "name",
    "protocol",
    "fluid",
    "instance",
    "source_address",
    "channel",
    "level_pct",
    "volume_l",
    "capacity_l",
    "status",
    "rate_l_per_min",
    "rate_low",
    "rate_high",
    "last_heard",
    "period_s",
    "first_time",
    "last_time",
    "readings",
    "malformed",
    "step_pct",
    "noise_pct",
)


def time_texts(table: pa.Table, name: str) -> list[str | None]:
    """A column of times as "2026-05-01T08:00:00.123456Z", null as None."""
    time_us = times_us(table, name)
    texts = np.datetime_as_string(time_us.astype("datetime64[us]"), unit="us").tolist()
    return [
        None if unknown else f"{text}Z"
        for text, unknown in zip(texts, (time_us == UNKNOWN_TIME_US).tolist(), strict=True)
    ]


def _columns(table: pa.Table, keys: Sequence[str]) -> list[list[Any]]:
    return [
        time_texts(table, key) if pa.types.is_timestamp(table.schema.field(key).type) else table.column(key).to_pylist()
        for key in keys
    ]


def plain_rows(table: pa.Table) -> list[dict[str, Any]]:
    """Rows of a table as JSON has them."""
    keys = table.column_names
    return [dict(zip(keys, row, strict=True)) for row in zip(*_columns(table, keys), strict=True)]


def json_lines(table: pa.Table, keys: Sequence[str]) -> str:
    """One JSON object a row, each on a line of its own."""
    encode = json.JSONEncoder(ensure_ascii=False, allow_nan=False).encode
    rows = zip(*_columns(table, keys), strict=True)
    return "".join(encode(dict(zip(keys, row, strict=True))) + "\n" for row in rows)


def csv_head(keys: Sequence[str]) -> str:
    """The first line of a CSV."""
    return ",".join(keys) + "\n"


def csv_lines(table: pa.Table, keys: Sequence[str]) -> str:
    """One CSV line a row; nulls are empty, lists are JSON."""
    text = io.StringIO()
    columns = [
        [None if value is None else json.dumps(value, ensure_ascii=False) for value in values]
        if pa.types.is_list(table.schema.field(key).type)
        else values
        for key, values in zip(keys, _columns(table, keys), strict=True)
    ]
    csv.writer(text, lineterminator="\n").writerows(zip(*columns, strict=True))
    return text.getvalue()
