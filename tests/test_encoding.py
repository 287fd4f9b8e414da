"""How readings lie in Parquet: what is written is read back to the last bit, by others as well, and damage is noticed."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from conftest import START_US
from hypothesis import example, given
from hypothesis import strategies as st

from canlevel.storage.encoding import FEWEST_ROWS, PART_VERSION, SORTED_BY, read_verified, tidied, write_readings
from canlevel.tables import FLUIDS, IDENTITY, PROTOCOLS, READINGS, STATUSES, empty, units

FLOATS = [field.name for field in READINGS if pa.types.is_floating(field.type)]
WORDS = [field.name for field in READINGS if pa.types.is_dictionary(field.type)]


def rows_of(table: pa.Table) -> list[tuple[Any, ...]]:
    """Each row as values that are equal only where every bit is: times in microseconds, floats as their bits."""
    columns = []
    for field in READINGS:
        values = table.column(field.name)
        if field.name in FLOATS:
            bits = [np.float64(value).tobytes() if value is not None else None for value in values.to_pylist()]
            columns.append(bits)
        else:
            columns.append((values.cast(pa.int64()) if field.name == "time" else values).to_pylist())
    return list(zip(*columns, strict=True))


def written(table: pa.Table, path: Path) -> pa.Table:
    write_readings(table, path)
    return read_verified(path)


# nan is one, whatever its payload: readings have none (tables.float_column makes them null).
NUMBERS = st.one_of(st.none(), st.floats(allow_nan=False), st.sampled_from([0.0, -0.0, 0.004, 100.0, 1e300, 5e-324]))
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=8)
WORD_OF = {
    "protocol": st.sampled_from(PROTOCOLS),
    "fluid": st.sampled_from(FLUIDS),
    "status": st.sampled_from(STATUSES),
}
ROWS = st.lists(
    st.fixed_dictionaries(
        {
            "time": st.integers(0, 2**52) | st.integers(START_US, START_US + 9),
            **{
                name: WORD_OF.get(name, st.none() | TEXT | st.sampled_from(["tank", "Tank", "\0", "é"]))
                for name in WORDS
            },
            "instance": st.none() | st.integers(-(2**15), 2**15 - 1),
            "source_address": st.integers(0, 255) | st.integers(35, 36),
            **dict.fromkeys(FLOATS, NUMBERS),
        }
    ),
    max_size=40,
)


def table_of(rows: list[dict[str, Any]]) -> pa.Table:
    columns = []
    for field in READINGS:
        values = [row[field.name] for row in rows]
        if field.name == "time":
            columns.append(pa.array(values, pa.int64()).cast(field.type))
        elif field.name in WORDS:
            columns.append(pa.array(values, pa.string()).dictionary_encode().cast(field.type))
        else:
            columns.append(pa.array(values, field.type))
    return pa.table(columns, schema=READINGS)


@given(ROWS, st.integers(0, 40))
@example([], 0)
def test_what_is_written_is_read_back_to_the_last_bit(rows: list[dict[str, Any]], cut: int) -> None:
    table = table_of(rows)
    for given_table in (
        table,
        tidied(table),
        table.slice(cut),
        pa.concat_tables([table.slice(cut), table_of(rows[:cut])]),
    ):
        file = io.BytesIO()
        write_readings(given_table, file)
        found = read_verified(file)  # type: ignore[arg-type]
        assert found.schema.equals(READINGS)
        assert rows_of(found) == rows_of(given_table)


@given(ROWS, st.randoms(use_true_random=False))
def test_tidied_is_by_tank_source_and_time_whatever_the_order_was(rows: list[dict[str, Any]], random: Any) -> None:
    alike: dict[tuple[Any, ...], dict[str, Any]] = {}
    for row in rows:  # the store holds each reading once
        alike.setdefault(tuple(repr(row[name]) for name in IDENTITY), row)
    rows = list(alike.values())
    found = tidied(table_of(rows))
    order = sorted(rows, key=lambda row: (row["tank"] is None, row["tank"] or "", row["source_address"], row["time"]))
    keys = [tuple(row[name] for name in ("tank", "source_address", "time")) for row in order]
    told = found.set_column(0, "time", found.column("time").cast(pa.int64())).to_pylist()
    assert [tuple(row[name] for name in ("tank", "source_address", "time")) for row in told] == keys
    assert sorted(map(repr, rows_of(found))) == sorted(map(repr, rows_of(table_of(rows))))
    random.shuffle(rows)
    assert rows_of(tidied(table_of(rows))) == rows_of(found)
    assert rows_of(tidied(found)) == rows_of(found)


def test_readings_of_one_moment_come_in_one_order() -> None:
    row: dict[str, Any] = dict.fromkeys(WORDS, "word") | dict.fromkeys(FLOATS, 1.0)
    row |= {"time": START_US, "instance": 0, "source_address": 35}
    levels, statuses = (1.0, None, 3.0, 2.0), ("error", "ok")
    rows = [row | {"level_pct": level, "status": status} for level in levels for status in statuses]
    wanted = rows_of(tidied(table_of(rows)))
    assert len(set(wanted)) == len(rows)
    for seed in range(5):
        order = np.random.default_rng(seed).permutation(len(rows))
        assert rows_of(tidied(table_of([rows[i] for i in order]))) == wanted


TANKS = ("nmea2000.fuel.0", "nmea2000.fuel.1", "nmea2000.live_well.0")


def day(n: int = 2 * FEWEST_ROWS, *, seed: int = 1) -> pa.Table:
    """READINGS of three tanks in turn, 3 n in the order of time; some levels are null."""
    draw = np.random.default_rng(seed)
    rows = 3 * n
    which = np.arange(rows) % 3
    level = np.round(50 + draw.normal(0, 0.3, rows) / 0.004) * 0.004
    absent = draw.random(rows) < 0.01
    one = {
        "time": START_US + np.arange(rows) * 830_000 + draw.integers(0, 1000, rows),
        "instance": np.where(which == 1, 1, 0),
        "source_address": np.array([35, 36, 35])[which],
        "level_pct": pa.array(level, mask=absent),
        "capacity_l": np.full(rows, 180.0),
        "volume_l": pa.array(1.8 * level, mask=absent),
        "rate_high": draw.choice([0.1, 0.106, 0.112], rows),
    }
    words = {"protocol": ["nmea2000"] * rows, "tank": [TANKS[i] for i in which.tolist()], "channel": ["can0"] * rows}
    words |= {"status": np.where(absent, "not_available", "ok").tolist(), "name": ["Дизель"] * rows}
    columns = []
    for field in READINGS:
        if field.name in words:
            columns.append(pa.array(words[field.name]).dictionary_encode())
        else:
            columns.append(
                pa.array(one[field.name]).cast(field.type) if field.name in one else pa.nulls(rows, field.type)
            )
    return pa.table(columns, schema=READINGS)


def test_a_tidied_day_has_a_group_for_each_tank_and_tells_its_order(tmp_path: Path) -> None:
    write_readings(tidied(day()), tmp_path / "day.parquet")
    facts = pq.read_metadata(tmp_path / "day.parquet")
    groups = [facts.row_group(i) for i in range(facts.num_row_groups)]
    tank, source, time = (READINGS.get_field_index(name) for name in SORTED_BY)
    assert [(group.column(tank).statistics.min, group.column(tank).statistics.max) for group in groups] == [
        (name, name) for name in TANKS
    ]
    assert [group.column(source).statistics.max for group in groups] == [35, 36, 35]
    assert [[column.column_index for column in group.sorting_columns] for group in groups] == [[tank, source, time]] * 3
    told = {key.decode(): value.decode() for key, value in facts.metadata.items()}
    assert told["canlevel.part_version"] == str(PART_VERSION)
    assert json.loads(told["canlevel.units"]) == units(READINGS)


def test_a_part_in_the_order_of_time_is_one_group_and_says_so(tmp_path: Path) -> None:
    write_readings(day(), tmp_path / "part.parquet")
    facts = pq.read_metadata(tmp_path / "part.parquet")
    assert [column.column_index for column in facts.row_group(0).sorting_columns] == [0]
    assert facts.num_row_groups == 1
    write_readings(day().take(np.random.default_rng(1).permutation(len(day()))), tmp_path / "none.parquet")
    assert pq.read_metadata(tmp_path / "none.parquet").row_group(0).sorting_columns == ()


def test_few_readings_of_many_tanks_are_one_group(tmp_path: Path) -> None:
    write_readings(tidied(day(100)), tmp_path / "day.parquet")
    assert pq.read_metadata(tmp_path / "day.parquet").num_row_groups == 1


def test_an_empty_table_is_a_file_without_rows(tmp_path: Path) -> None:
    assert written(tidied(empty(READINGS)), tmp_path / "empty.parquet").equals(empty(READINGS))
    assert list(pd.read_parquet(tmp_path / "empty.parquet").columns) == READINGS.names


def test_words_that_a_slice_has_no_more_are_not_in_the_file(tmp_path: Path) -> None:
    found = written(day().slice(0, 1), tmp_path / "one.parquet")
    assert found.column("tank").chunk(0).dictionary.to_pylist() == [TANKS[0]]


def test_columns_come_in_the_order_asked_for(tmp_path: Path) -> None:
    write_readings(day(10), tmp_path / "part.parquet")
    assert read_verified(tmp_path / "part.parquet", ["status", "time"]).column_names == ["status", "time"]
    with pytest.raises(KeyError):
        read_verified(tmp_path / "part.parquet", ["colour"])


# ---- other readers: pandas, DuckDB and Polars, each with its own Parquet code but pandas, which has pyarrow's ----


def test_pandas_duckdb_and_polars_read_the_same(tmp_path: Path) -> None:
    path = tmp_path / "day.parquet"
    table = tidied(day(6000))
    write_readings(table, path)
    wanted = rows_of(table)
    by_duckdb = duckdb.sql(f"SET TimeZone = 'UTC'; SELECT * FROM read_parquet('{path}')").to_arrow_table()
    by_polars = pl.read_parquet(path).to_arrow()
    by_pandas = pa.Table.from_pandas(pd.read_parquet(path), preserve_index=False)
    for found in (by_duckdb, by_polars, by_pandas):
        assert found.column_names == READINGS.names
        times = found.column("time").cast(pa.timestamp("us", tz="UTC"))
        assert rows_of(found.set_column(0, "time", times)) == wanted


def test_one_tank_is_found_by_all_three(tmp_path: Path) -> None:
    path = tmp_path / "day.parquet"
    write_readings(tidied(day(6000)), path)
    assert len(pd.read_parquet(path, filters=[("tank", "==", TANKS[1])])) == 6000
    assert pl.scan_parquet(path).filter(pl.col("tank") == TANKS[1]).select(pl.len()).collect().item() == 6000
    query = f"SELECT count(*) FROM read_parquet('{path}') WHERE tank = '{TANKS[1]}'"
    assert duckdb.sql(query).fetchall() == [(6000,)]


# ---- damage ----

DAMAGE = (OSError, pa.ArrowException, KeyError, ValueError)


def test_flipped_bits_in_pages_are_noticed_or_change_nothing(tmp_path: Path) -> None:
    """Page checksums cover what is in a page; its header is parsed, and a flip that is not noticed there changed no value.

    Seeds are printed. tests/benchmark/README.md tells what share was noticed when more of them were tried.
    """
    whole = tmp_path / "day.parquet"
    table = tidied(day(2500))
    write_readings(table, whole)
    wanted, content = rows_of(table), whole.read_bytes()
    footer = int.from_bytes(content[-8:-4], "little") + 8
    print("seed", 11)
    draw = np.random.default_rng(11)
    noticed = 0
    for place in draw.integers(0, len(content) - footer, 300).tolist():
        damaged = bytearray(content)
        damaged[place] ^= 1 << int(draw.integers(8))
        (tmp_path / "damaged.parquet").write_bytes(damaged)
        try:
            found = read_verified(tmp_path / "damaged.parquet")
            assert rows_of(found) == wanted, place
        except DAMAGE:
            noticed += 1
    assert noticed > 0.9 * 300


def test_a_file_cut_off_anywhere_is_noticed(tmp_path: Path) -> None:
    write_readings(day(100), tmp_path / "part.parquet")
    content = (tmp_path / "part.parquet").read_bytes()
    for length in [0, 1, 4, 8, 12, *range(20, len(content), 211), len(content) - 1]:
        (tmp_path / "cut.parquet").write_bytes(content[:length])
        with pytest.raises((OSError, pa.ArrowInvalid)):
            read_verified(tmp_path / "cut.parquet")


def test_a_file_of_other_columns_is_not_taken_for_readings(tmp_path: Path) -> None:
    pq.write_table(day(10).rename_columns(["when", *READINGS.names[1:]]), tmp_path / "other.parquet")
    with pytest.raises(pa.ArrowInvalid, match="columns"):
        read_verified(tmp_path / "other.parquet")
