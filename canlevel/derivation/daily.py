"""A day of a tank in one row: what went in and out, where the level was, how long it was heard. READINGS, FLOWS in, DAILY out.

A day is one of UTC. A flow counts whole for the day on which it began, as it is stored. Heard is the time between readings that
follow one another on the day without a gap, a gap being what flows take for one; what lies between the last reading of a day
and the first of the next is in neither.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.derivation.flows import GAP_PERIODS, GAP_S
from canlevel.derivation.series import source_groups
from canlevel.tables import DAY_US, TIME_TYPE, UNKNOWN_TIME_US, WORD, codes_of, column, described, times_us

__all__ = ["DAILY", "DAILY_COLUMNS", "daily", "with_unheard_days"]

DAILY = pa.schema(
    [
        described("vessel", WORD, "whose tank it is", null="nobody said"),
        described("tank", WORD, "protocol.fluid.instance"),
        described("name", WORD, "the owner's name for the tank, as of the day's last reading", null="not in a roster"),
        described("source_address", pa.uint8(), "the device that sent it"),
        described("day", TIME_TYPE, "begin of the day", unit="UTC"),
        described("fills", pa.int64(), "flows into the tank that began on the day"),
        described("drains", pa.int64(), "flows out of it that began on the day"),
        described("filled_l", pa.float64(), "litres of these fills", unit="L", null="some are known in percent only"),
        described("drained_l", pa.float64(), "litres of these drains", unit="L", null="some are known in percent only"),
        described("level_min_pct", pa.float64(), "least level, slosh and spikes included", unit="%", null="no level"),
        described("level_max_pct", pa.float64(), "highest level, slosh and spikes included", unit="%", null="no level"),
        described("level_last_pct", pa.float64(), "the last level", unit="%", null="no level"),
        described("volume_last_l", pa.float64(), "the last volume", unit="L", null="no level, or no capacity"),
        described("readings", pa.int64(), "how many came"),
        described("without_level", pa.int64(), "how many of them have no level"),
        described("hours_heard", pa.float64(), "between readings without a gap", unit="h"),
        described("outage_hours", pa.float64(), "in which nothing could be heard, by the outages", unit="h"),
    ]
)
DAILY_COLUMNS = ["time", "vessel", "channel", "tank", "name", "source_address", "level_pct", "volume_l"]
HOUR_US = 3_600_000_000

Ints = NDArray[np.int64]


def daily(readings: pa.Table, flows: pa.Table, outages: pa.Table) -> pa.Table:
    """DAILY of READINGS (DAILY_COLUMNS of them will do), their FLOWS and OUTAGES: a row for each vessel, tank, source and day
    with readings, by tank, source and day. Pure; the days of a history may be given one after the other as well.
    """
    time_us = times_us(readings)
    which, first = source_groups(readings)
    level, volume = column(readings, "level_pct"), column(readings, "volume_l")
    channel, channels = codes_of(readings.column("channel"))
    moved = _flows_by_day(flows)
    rows: list[dict[str, Any]] = []
    for number, row in enumerate(first):
        mine = np.flatnonzero((which == number) & (time_us != UNKNOWN_TIME_US))
        mine = mine[np.argsort(time_us[mine], kind="stable")]
        days = time_us[mine] // DAY_US
        told = {name: readings.column(name)[row].as_py() for name in ("vessel", "tank", "source_address")}
        where = {channels[code] for code in np.unique(channel[mine]).tolist()}
        for day in np.unique(days).tolist():
            at = mine[days == day]
            known = at[~np.isnan(level[at])]
            litres = known[~np.isnan(volume[known])]
            rows.append(
                told
                | {
                    "name": readings.column("name")[int(at[-1])].as_py(),
                    "day": day * DAY_US,
                    "level_min_pct": float(level[known].min()) if len(known) else None,
                    "level_max_pct": float(level[known].max()) if len(known) else None,
                    "level_last_pct": float(level[known[-1]]) if len(known) else None,
                    "volume_last_l": float(volume[litres[-1]]) if len(litres) else None,
                    "readings": len(at),
                    "without_level": len(at) - len(known),
                    "hours_heard": _heard_us(time_us[at]) / HOUR_US,
                    "outage_hours": _outage_us(outages, where, day * DAY_US) / HOUR_US,
                }
                | moved.get((*told.values(), day), _NOTHING_MOVED)
            )
    return _table(rows)


def with_unheard_days(days: pa.Table, outages: pa.Table) -> pa.Table:
    """DAILY, with a row without readings for each day between a tank's first and last that an outage touches."""
    rows = days.to_pylist()
    heard: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for row in rows:
        row["day"] = round(row["day"].timestamp()) * 1_000_000
        heard.setdefault((row["vessel"], row["tank"], row["source_address"]), []).append(row)
    spans = _spans(outages, None)
    for (vessel, tank, source), mine in heard.items():
        there = {row["day"] for row in mine}
        touched = {
            day * DAY_US
            for begin, end in spans
            for day in range(max(begin, min(there)) // DAY_US, min(end - 1, max(there)) // DAY_US + 1)
        }
        for day in sorted(touched - there):
            told = {"vessel": vessel, "tank": tank, "source_address": source, "name": mine[-1]["name"], "day": day}
            lost = {"outage_hours": _outage_us(outages, None, day) / HOUR_US}
            rows.append(told | {"readings": 0, "without_level": 0, "hours_heard": 0.0} | lost | _NOTHING_MOVED)
    return _table(rows)


_NOTHING_MOVED = {"fills": 0, "drains": 0, "filled_l": 0.0, "drained_l": 0.0}


def _flows_by_day(flows: pa.Table) -> dict[tuple[Any, ...], dict[str, Any]]:
    """What was filled and drained, by vessel, tank, source and the number of the day."""
    names = ("vessel", "tank", "source_address", "kind", "volume_l")
    day = (times_us(flows, "start") // DAY_US).tolist()
    found: dict[tuple[Any, ...], dict[str, Any]] = {}
    for vessel, tank, source, kind, volume, number in zip(
        *(flows.column(name).to_pylist() for name in names), day, strict=True
    ):
        count, litres = ("fills", "filled_l") if kind == "fill" else ("drains", "drained_l")
        row = found.setdefault((vessel, tank, source, number), dict(_NOTHING_MOVED))
        row[count] += 1
        row[litres] = None if volume is None or row[litres] is None else row[litres] + volume
    return found


def _heard_us(time_us: Ints) -> int:
    """How long a tank was heard, of the times of its readings in order."""
    between = np.diff(time_us)
    between = between[between > 0]
    if not len(between):
        return 0
    gap_us = max(GAP_PERIODS * float(np.median(between)), GAP_S * 1e6)
    return int(between[between <= gap_us].sum())


def _spans(outages: pa.Table, channels: set[str | None] | None) -> list[tuple[int, int]]:
    """(from, to) of outages that concern any of some channels, those that overlap made one. channels: None for any."""
    channel = outages.column("channel").to_pylist()
    spans = sorted(
        (begin, end)
        for begin, end, where in zip(
            times_us(outages, "from").tolist(), times_us(outages, "to").tolist(), channel, strict=True
        )
        if begin != UNKNOWN_TIME_US and end > begin and (where is None or channels is None or where in channels)
    )
    joined: list[tuple[int, int]] = []
    for begin, end in spans:
        if joined and begin <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(end, joined[-1][1]))
        else:
            joined.append((begin, end))
    return joined


def _outage_us(outages: pa.Table, channels: set[str | None] | None, begin_us: int) -> int:
    end_us = begin_us + DAY_US
    return sum(max(min(end, end_us) - max(begin, begin_us), 0) for begin, end in _spans(outages, channels))


def _table(rows: list[dict[str, Any]]) -> pa.Table:
    rows.sort(key=lambda row: (row["vessel"] or "", row["tank"] or "", row["source_address"] or 0, row["day"]))
    return pa.Table.from_pylist(rows, schema=DAILY)
