"""What is done with one store: read piece by piece, one tank of one week at a time, and put into a small table.

A function of a store and a question, and of nothing else: it may run anywhere, and again where a worker was lost. It never
raises for what is wrong with a store, which is part of its answer.
"""

from __future__ import annotations

import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import date
from functools import partial
from typing import Any

import numpy as np
import pyarrow as pa

from canlevel import history
from canlevel.errors import CanlevelError, printable
from canlevel.storage.reader import StoreReader
from canlevel.tables import FLOWS, WORD, empty, rows_at, times_us, values_of, word_ranks

__all__ = ["FAILURES", "FLEET_FLOWS", "KINDS", "Answer", "Question", "answer", "lost"]

STORE = pa.field("store", WORD)
FLEET_FLOWS = pa.schema([STORE, *FLOWS])
FAILURES = pa.schema(
    [
        pa.field("store", pa.string()),
        pa.field("file", pa.string()),  # the part that was left out; null: nothing of the store was read
        pa.field("why", pa.string()),
        pa.field("next_step", pa.string()),
        pa.field("traceback", pa.string()),  # where the fault is canlevel's own
    ]
)
DAY_US = 86_400_000_000


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked of every store. kind: a key of KINDS. since_us, until_us: microseconds since 1970."""

    kind: str
    since_us: int | None = None
    until_us: int | None = None

    def days(self, heard: list[str]) -> list[str]:
        """Those of some days of which anything is asked: flows may have begun on the day before."""
        first = None if self.since_us is None else _day(max(self.since_us - DAY_US, 0))
        last = None if self.until_us is None else _day(self.until_us)
        return [day for day in heard if (first is None or day >= first) and (last is None or day <= last)]


@dataclass(frozen=True, slots=True)
class Answer:
    """What one store says. table: with the schema of its kind. failures: rows of FAILURES. journal: whether frames wait there.
    """

    store: str
    table: pa.Table
    failures: list[dict[str, Any]] = field(default_factory=list)
    journal: bool = False


def answer(store: str, question: Question) -> Answer:
    """What a store says to a question. What is wrong with the store is told in the answer and raises nothing."""
    schema, look = KINDS[question.kind]
    try:
        reader = StoreReader(store)
        table = look(reader, question)
    except CanlevelError as error:
        return Answer(store, empty(schema), [_failure(store, error.what, next_step=error.next_step)])
    except OSError as error:
        why = f"cannot be read ({error.strerror or printable(str(error), 160) or type(error).__name__})"
        return Answer(store, empty(schema), [_failure(store, why)])
    except Exception as error:  # one store shall not stop the others, whatever is wrong with it
        why = f"could not be worked out ({type(error).__name__}: {printable(str(error), 160)})"
        return Answer(store, empty(schema), [_failure(store, why, trace=traceback.format_exc())])
    named = pa.DictionaryArray.from_arrays(pa.array(np.zeros(len(table), np.int32)), pa.array([store], pa.string()))
    whole = pa.table([named, *table.columns], schema=schema)
    failures = [
        _failure(store, f"{why}; it is left out", file=file, next_step="canlevel tidy sets it aside")
        for file, why in reader.left_out
    ]
    return Answer(store, whole, failures, reader.journal)


def lost(kind: str, store: str, why: str) -> Answer:
    """The answer of a store that nobody could work out."""
    return Answer(store, empty(KINDS[kind][0]), [_failure(store, why)])


def _failure(
    store: str, why: str, *, file: str | None = None, next_step: str | None = None, trace: str | None = None
) -> dict[str, Any]:
    return {"store": store, "file": file, "why": why, "next_step": next_step, "traceback": trace}


def _day(moment_us: int) -> str:
    return date.fromordinal(history.FIRST_DAY.toordinal() + moment_us // DAY_US).isoformat()


def _flows(reader: StoreReader, question: Question) -> pa.Table:
    """FLOWS that ended after `since` and began before `until`, by start, tank and source."""
    found = [flows for _, flows in _flows_by_week(reader, question)]
    return _within(pa.concat_tables([empty(FLOWS), *found]), question)


def _within(flows: pa.Table, question: Question) -> pa.Table:
    keep = np.ones(len(flows), np.bool_)
    if question.since_us is not None:
        keep &= times_us(flows, "end") > question.since_us
        keep &= times_us(flows, "start") >= (question.since_us - DAY_US) // DAY_US * DAY_US
    if question.until_us is not None:
        keep &= times_us(flows, "start") < question.until_us
    flows = rows_at(flows.unify_dictionaries().combine_chunks(), np.flatnonzero(keep))
    by = (values_of(flows.column("source_address")), word_ranks(flows.column("tank")), times_us(flows, "start"))
    return rows_at(flows, np.lexsort(by))


def _flows_by_week(reader: StoreReader, question: Question) -> Iterator[tuple[int, pa.Table]]:
    """(week, FLOWS that began in it) of all weeks that are asked for, in order."""
    known = reader.derived_from()
    for week in sorted({history.week_of(day) for day in question.days(reader.days())}):
        stored = _stored(reader, week, known)
        yield week, _derived(reader, week) if stored is None else stored


def _stored(reader: StoreReader, week: int, known: dict[str, Any]) -> pa.Table | None:
    """The flows of a week as they are stored, where they are those of its readings; None where they are not."""
    around, days = history.days_around(week), known.get("days")
    if known.get("method") != history.METHOD or not isinstance(days, dict):
        return None
    if any(days.get(day, []) != reader.names(day) for day in around):
        return None
    before = len(reader.left_out)
    reader.hold([day for day in around if history.week_of(day) == week], "flows")
    if len(reader.left_out) > before:
        # Nothing is lost with damaged flows: they are derived from the readings once more.
        del reader.left_out[before:]
        return None
    return reader.table("flows")


def _derived(reader: StoreReader, week: int) -> pa.Table:
    """The flows of a week from its readings, tank by tank."""
    heard = reader.hold(history.days_around(week))
    found = [
        history.flows_of_week(week, heard, partial(reader.day, columns=history.FLOW_COLUMNS, tank=tank))
        for tank in reader.tanks()
    ]
    return pa.concat_tables([empty(FLOWS), *found])


KINDS: dict[str, tuple[pa.Schema, Callable[[StoreReader, Question], pa.Table]]] = {
    "flows": (FLEET_FLOWS, _flows),
}
