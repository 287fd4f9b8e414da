"""Columns to arrays and back: against pyarrow's own ways, which are slower to start but obvious."""

from __future__ import annotations

import importlib
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canlevel.tables import (
    TIME_TYPE,
    UNKNOWN_TIME_US,
    WORD,
    arrow,
    codes_of,
    column,
    dictionary_column,
    distinct,
    float_column,
    rows_at,
    time_column,
    values_of,
    word_column,
)
from canlevel.tablespage import PAGE, TABLES, tables_page

WORDS = st.one_of(st.none(), st.sampled_from(["can0", "Süßwasser", "", "black_water"]))
TIMES = st.one_of(st.none(), st.integers(-(2**40), 2**57))  # to the year 6536, as Python has dates
ROW = st.tuples(
    TIMES, WORDS, st.one_of(st.none(), st.floats(allow_nan=False)), st.one_of(st.none(), st.integers(-9, 9))
)
SCHEMA = pa.schema([("time", TIME_TYPE), ("word", WORD), ("level", pa.float64()), ("instance", pa.int16())])


def table(rows: list[tuple[object, ...]]) -> pa.Table:
    return pa.table(
        [
            pa.array([row[0] for row in rows], pa.int64()).cast(TIME_TYPE),
            pa.array([row[1] for row in rows], pa.string()).dictionary_encode(),
            pa.array([row[2] for row in rows], pa.float64()),
            pa.array([row[3] for row in rows], pa.int16()),
        ],
        schema=SCHEMA,
    )


@given(st.lists(st.lists(ROW, max_size=12), max_size=4), st.data())
def test_rows_and_columns_are_those_of_pyarrow(chunks: list[list[tuple[object, ...]]], data: st.DataObject) -> None:
    whole = pa.concat_tables([SCHEMA.empty_table(), *(table(rows) for rows in chunks)])
    begin = data.draw(st.integers(0, len(whole)))
    part = whole.slice(begin, data.draw(st.integers(0, len(whole) - begin)))
    at = data.draw(st.lists(st.integers(0, len(part) - 1), max_size=20)) if len(part) else []
    assert rows_at(part, np.array(at, np.int64)).to_pylist() == part.take(pa.array(at, pa.int64())).to_pylist()
    plain = part.set_column(0, "time", part.column("time").cast(pa.int64())).to_pydict()
    assert values_of(part.column("time"), UNKNOWN_TIME_US).tolist() == [
        UNKNOWN_TIME_US if value is None else value for value in plain["time"]
    ]
    assert values_of(part.column("instance"), -32768).tolist() == [
        -32768 if value is None else value for value in plain["instance"]
    ]
    assert [None if np.isnan(value) else value for value in column(part, "level").tolist()] == plain["level"]
    codes, words = codes_of(part.column("word"))
    assert [words[code] for code in codes.tolist()] == plain["word"]
    assert words[-1] is None
    assert len(set(words)) == len(words)
    assert column(part, "word").tolist() == plain["word"]


@given(st.lists(st.one_of(st.none(), st.integers(-(2**62), 2**62))))
def test_times_go_in_and_come_out(times: list[int | None]) -> None:
    made = time_column(np.array([UNKNOWN_TIME_US if at is None else at for at in times], np.int64))
    assert made.cast(pa.int64()).to_pylist() == times
    assert made.type == TIME_TYPE
    assert made.null_count == times.count(None)


@given(st.lists(st.one_of(st.none(), st.floats(allow_nan=False))))
def test_floats_go_in_and_nan_is_null(values: list[float | None]) -> None:
    made = float_column(np.array([np.nan if value is None else value for value in values]))
    assert made.to_pylist() == values


@given(st.lists(st.booleans(), max_size=70))
def test_truths_are_packed(truths: list[bool]) -> None:
    assert arrow(np.array(truths, np.bool_)).to_pylist() == truths


@given(st.lists(st.text()))
def test_words_of_any_letters(words: list[str]) -> None:
    assert word_column(words).to_pylist() == words


@given(st.lists(WORDS, min_size=1), st.data())
def test_codes_become_words(words: list[str | None], data: st.DataObject) -> None:
    codes = data.draw(st.lists(st.integers(0, len(words) - 1)))
    made = dictionary_column(np.array(codes, np.int64), words)
    assert made.to_pylist() == [words[code] for code in codes]
    assert made.type == WORD


def test_a_dictionary_that_holds_a_word_twice_or_null_counts_it_once() -> None:
    made = pa.DictionaryArray.from_arrays(pa.array([0, 1, 2, 3, None], pa.int32()), pa.array(["a", "b", "a", None]))
    codes, words = codes_of(pa.chunked_array([made]))
    assert [words[code] for code in codes.tolist()] == ["a", "b", "a", None, None]
    assert codes[0] == codes[2]
    assert codes[3] == codes[4]


@pytest.mark.parametrize("kind", [np.int64, np.int32, np.uint16])
@given(data=st.data())
def test_distinct_values_are_numpys(kind: type, data: st.DataObject) -> None:
    keys = np.array(data.draw(st.lists(st.integers(0, 20))), kind)
    values, which = distinct(keys)
    expected, places = np.unique(keys, return_inverse=True)
    assert (values.tolist(), which.tolist()) == (expected.tolist(), places.tolist())


def test_the_page_of_tables_is_what_the_schemas_say() -> None:
    """Written anew by: python -m canlevel.tablespage"""
    assert PAGE.read_text(encoding="utf-8") == tables_page()


def test_every_schema_of_ours_is_on_the_page_and_every_column_says_what_it_means() -> None:
    on_the_page = {id(schema) for schema, _ in TABLES.values()}
    package = Path(__file__).parent.parent / "canlevel"
    for path in package.rglob("*.py"):
        if path.name == "__main__.py":
            continue
        name = ".".join(["canlevel", *path.relative_to(package).with_suffix("").parts]).removesuffix(".__init__")
        for word, value in vars(importlib.import_module(name)).items():
            # KEPT never leaves the program: a part holds READINGS.
            if isinstance(value, pa.Schema) and not word.startswith("_") and word != "KEPT":
                assert id(value) in on_the_page, f"{name}.{word}"
                assert all(b"meaning" in (field.metadata or {}) for field in value), f"{name}.{word}"
