"""Tables for programs: JSON lines and CSV, in litres, times in ISO 8601 UTC with microseconds."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow as pa

from canlevel.errors import printable
from canlevel.tables import UNKNOWN_TIME_US, times_us

__all__ = [
    "FLOW_KEYS",
    "READING_KEYS",
    "TANK_KEYS",
    "csv_head",
    "csv_lines",
    "json_escaped",
    "json_lines",
    "plain_rows",
    "terminal_text",
    "time_texts",
]

# Control characters, marks without a width or that turn the direction of writing, separators of lines, halves of characters.
_UNSEEN = re.compile(
    "[\x7f-\x9f\xad\u061c\u180e\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb\ud800-\udfff]"
)

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
    "vessel",
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
    return json_escaped("".join(encode(dict(zip(keys, row, strict=True))) + "\n" for row in rows))


def json_escaped(text: str) -> str:
    """JSON with whatever drives a terminal escaped as JSON has it, which changes nothing of what it says.

    JSON itself escapes the characters below 20h alone, not those up to 9Fh, nor those that turn the direction of writing.
    """
    if text.isascii() and "\x7f" not in text:
        return text
    return _UNSEEN.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def terminal_text(text: str) -> str:
    """CSV as a terminal may show it: control characters escaped, but for newlines. Into a file or a pipe it goes as it is."""
    return "\n".join(line if line.isprintable() else printable(line) for line in text.split("\n"))


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
    if "\r" not in text.getvalue():
        return text.getvalue()
    # Python's writer leaves a lone carriage return unquoted, at which its reader, and others, end the row.
    text = io.StringIO()
    plain, quoting = (csv.writer(text, lineterminator="\n", quoting=how) for how in (csv.QUOTE_MINIMAL, csv.QUOTE_ALL))
    for row in zip(*columns, strict=True):
        (quoting if any(isinstance(value, str) and "\r" in value for value in row) else plain).writerow(row)
    return text.getvalue()
