"""What is done with one store: read piece by piece, one tank of one week at a time, and put into a small table.

A function of a store and a question, and of nothing else: it may run anywhere, and again where a worker was lost. It never
raises for what is wrong with a store, which is part of its answer.
"""

from __future__ import annotations

import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from functools import partial
from typing import Any

import numpy as np
import pyarrow as pa

from canlevel import history
from canlevel.derivation.daily import DAILY, DAILY_COLUMNS, daily, with_unheard_days
from canlevel.derivation.leaks import watch_leaks
from canlevel.errors import CanlevelError, printable
from canlevel.findings.checks import SEVERITIES
from canlevel.findings.history import HISTORY_COLUMNS, HistoryFinding, HistoryFindings
from canlevel.findings.losses import Loss, losses
from canlevel.fleet.tables import FLEET_FINDINGS, with_store
from canlevel.storage.reader import StoreReader
from canlevel.tables import DAY_US, FLOWS, column, empty, rows_at, times_us, values_of, word_ranks

__all__ = ["KINDS", "Answer", "Question", "answer", "lost"]


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked of every store. kind: a key of KINDS. since_us, until_us: microseconds since 1970."""

    kind: str
    since_us: int | None = None
    until_us: int | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """What one store says. table: with the schema of its kind. failures: rows of FAILURES. journal: whether frames wait
    there.
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
    whole = pa.table([named, *(table.column(name) for name in schema.names[1:])], schema=schema)
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


def _flows(reader: StoreReader, question: Question) -> pa.Table:
    """FLOWS that ended after `since` and began before `until`, by start, tank and source."""
    # They may have begun on the day before.
    days = _days(reader, question, earlier=1)
    known = reader.derived_from()
    found = [_flows_of(reader, week, known) for week in _weeks(days)]
    return _within(pa.concat_tables([empty(FLOWS), *found]), question)


def _daily(reader: StoreReader, question: Question) -> pa.Table:
    """DAILY of the days that touch the time from `since` to `until`, by tank, source and day."""
    known = reader.derived_from()
    reader.hold(reader.days("outages"), "outages")
    outages = reader.table("outages")
    found = []
    for week, days in _weeks(_days(reader, question)).items():
        flows = _flows_of(reader, week, known)
        flow_day, flow_tank = times_us(flows, "start") // DAY_US, column(flows, "tank")
        reader.hold(days)
        for tank in reader.tanks():
            for day in days:
                mine = rows_at(flows, np.flatnonzero((flow_tank == tank) & (flow_day == _number(day))))
                found.append(daily(reader.day(day, DAILY_COLUMNS, tank), mine, outages))
    return with_unheard_days(pa.concat_tables([empty(DAILY), *found]), outages)


def _findings(reader: StoreReader, question: Question) -> pa.Table:
    """Findings of the days that touch the time from `since` to `until`: the worst first, then by tank."""
    days = _days(reader, question)
    examined = HistoryFindings(reader.roster())
    for day in days:
        reader.hold([day])
        examined.add(reader.day(day, HISTORY_COLUMNS))
    rows = [_finding_row(one) for one in examined.findings()]
    rows += [_loss_row(one, days[-1]) for one in losses(_leaks(reader, days))]
    rows.sort(key=lambda row: (SEVERITIES.index(row["severity"]), row["tank"] or "", row["code"]))
    return pa.Table.from_pylist(
        [{"vessel": reader.vessel, **row} for row in rows], schema=pa.schema(list(FLEET_FINDINGS)[1:])
    )


def _finding_row(one: HistoryFinding) -> dict[str, Any]:
    finding = one.finding
    return {
        "severity": finding.severity,
        "code": finding.code,
        "tank": finding.tank,
        "source_address": finding.source_address,
        "summary": finding.summary,
        "first_time": one.first_us,
        "last_time": one.last_us,
        "days": one.days,
        "readings": one.readings,
        "ongoing": one.ongoing,
        "causes": finding.causes,
        "next_steps": finding.next_steps,
        "caution": finding.caution,
    }


def _loss_row(one: Loss, last_day: str) -> dict[str, Any]:
    return {
        "severity": one.severity,
        "code": one.code,
        "tank": one.tank,
        "source_address": one.source_address,
        "summary": one.summary,
        "first_time": one.first_us,
        "last_time": one.last_us,
        "days": one.last_us // DAY_US - one.first_us // DAY_US + 1,
        # The hours that show a leak seldom last to the very end.
        "ongoing": one.last_us >= (_number(last_day) - 1) * DAY_US,
        "value": one.value,
        "value_low": one.low,
        "value_high": one.high,
        "unit": one.unit,
        "causes": one.causes,
        "next_steps": one.next_steps,
        "caution": one.caution,
    }


def _leaks(reader: StoreReader, days: list[str]) -> list[pa.Table]:
    """LEAKS of spans of history.LATELY_DAYS, the last of which ends with the last day, in order; of each tank by itself."""
    known = reader.derived_from()
    found = []
    for span in _spans(days):
        flows = pa.concat_tables([empty(FLOWS), *(_flows_of(reader, week, known) for week in _weeks(span))])
        tank_of = column(flows, "tank")
        reader.hold(span)
        for tank in reader.tanks():
            readings = pa.concat_tables([reader.day(day, history.FLOW_COLUMNS, tank) for day in span])
            found.append(watch_leaks(readings, rows_at(flows, np.flatnonzero(tank_of == tank))))
    return found


def _spans(days: list[str]) -> list[list[str]]:
    spans: dict[int, list[str]] = {}
    for day in days:
        spans.setdefault((_number(days[-1]) - _number(day)) // history.LATELY_DAYS, []).append(day)
    return [spans[back] for back in sorted(spans, reverse=True)]


def _days(reader: StoreReader, question: Question, *, earlier: int = 0) -> list[str]:
    """The days with readings that touch the time that is asked of, and so many earlier."""
    first = 0 if question.since_us is None else question.since_us // DAY_US - earlier
    last = None if question.until_us is None else (question.until_us - 1) // DAY_US
    return [day for day in reader.days() if _number(day) >= first and (last is None or _number(day) <= last)]


def _weeks(days: list[str]) -> dict[int, list[str]]:
    """Days by the number of their week."""
    weeks: dict[int, list[str]] = {}
    for day in days:
        weeks.setdefault(history.week_of(day), []).append(day)
    return weeks


def _number(day: str) -> int:
    """Of a day, since 1970."""
    return (date.fromisoformat(day) - history.FIRST_DAY).days


def _within(flows: pa.Table, question: Question) -> pa.Table:
    keep = np.ones(len(flows), np.bool_)
    if question.since_us is not None:
        keep &= times_us(flows, "end") > question.since_us
        keep &= times_us(flows, "start") // DAY_US >= question.since_us // DAY_US - 1
    if question.until_us is not None:
        keep &= times_us(flows, "start") < question.until_us
    flows = rows_at(flows.unify_dictionaries().combine_chunks(), np.flatnonzero(keep))
    by = (values_of(flows.column("source_address")), word_ranks(flows.column("tank")), times_us(flows, "start"))
    return rows_at(flows, np.lexsort(by))


def _flows_of(reader: StoreReader, week: int, known: dict[str, Any]) -> pa.Table:
    """FLOWS that began in a week. known: what the stored ones were derived from."""
    stored = _stored(reader, week, known)
    return _derived(reader, week) if stored is None else stored


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
    "flows": (with_store(FLOWS), _flows),
    "daily": (with_store(DAILY), _daily),
    "findings": (FLEET_FINDINGS, _findings),
}
