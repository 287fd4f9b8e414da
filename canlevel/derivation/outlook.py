"""Outlook: how long until a tank is empty or full, at the present rate and at the tank's habit. READINGS and FLOWS in.

**At the present rate**: what is left, over the rate of the flow that is going on at the end of the readings, or else the rate
stated with the last reading. The range takes half a step of the sender to either side, and the rate's 95 % interval.

**At the tank's habit**: what is used by the hour of the day (UTC). Use is what the level says from hour to hour, with fills
(of a waste tank: dumps) taken out, so that uses too small to be seen as flows count as well. Days are counted back from the
last reading, DAYS of them at most. The use x of n days to come lies where, with m and s the mean and the standard deviation
(divisor D - 1) of D past days and t the 95 % point of Student's t with D - 1 degrees of freedom,

    (x - n m)^2 <= t^2 s^2 (n + n^2 / D) (x + D m) / (n m + D m):

the interval of prediction of textbooks, for the sum of n new values after D old ones that have nothing to do with one another,
with a variance that grows with the mean of all of them, as it does for uses at random (a compound Poisson process). A part of a
day counts as that part of a day's usual use. Limits: a week has weekends, and a vessel left behind uses nothing, but the days
to come are taken to be like those before.

Waste tanks fill, others empty; where the fluid is not known, the kind of flow that is more frequent is taken for use.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.derivation.flows import VolumeCurve
from canlevel.derivation.leaks import student_quantile
from canlevel.derivation.sender import describe_sender
from canlevel.derivation.series import Series, series_of
from canlevel.tables import TIME_TYPE, UNKNOWN_TIME_US, WORD, column, described, rows_at, times_us, timestamp_us

__all__ = ["OUTLOOK", "USE_FILLS", "median_level", "outlook", "serviced_l", "shape_of"]

Floats = NDArray[np.float64]

OUTLOOK = pa.schema(
    [
        described("vessel", WORD, "whose tank", null="nobody said"),
        described("tank", WORD, "protocol.fluid.instance"),
        described("name", WORD, "the owner's name for the tank", null="not in a roster"),
        described("source_address", pa.uint8(), "the address of the device that sent the level"),
        described("time", TIME_TYPE, "of the last reading, from which it is counted", unit="UTC"),
        described("level_pct", pa.float64(), "level then", unit="%"),
        described("volume_l", pa.float64(), "volume then", unit="L", null="no capacity"),
        described("present_toward", WORD, "empty or full, at the present rate", null="nothing flows"),
        described(
            "present_rate_l_per_min", pa.float64(), "the present rate, filling positive", unit="L/min", null="not known"
        ),
        described(
            "present_h",
            pa.float64(),
            "hours until empty or full at the present rate",
            unit="h",
            null="not known: see present_note",
        ),
        described("present_low_h", pa.float64(), "95 % limit", unit="h", null="as present_h"),
        described("present_high_h", pa.float64(), "95 % limit", unit="h", null="not known, or never"),
        described("present_note", pa.string(), "why not, if not", null="nothing to add"),
        described("habit_toward", WORD, "empty or full, by habit", null="no habit is known"),
        described(
            "habit_l_per_day",
            pa.float64(),
            "used a day, positive",
            unit="L/d",
            null="no habit is known, or no capacity",
        ),
        described("habit_days", pa.int64(), "days it was learnt from"),
        described(
            "habit_h", pa.float64(), "hours until empty or full by habit", unit="h", null="not known: see habit_note"
        ),
        described("habit_low_h", pa.float64(), "95 % limit", unit="h", null="as habit_h"),
        described("habit_high_h", pa.float64(), "95 % limit", unit="h", null="not known, or never"),
        described("habit_note", pa.string(), "why not, if not", null="nothing to add"),
    ]
)

USE_FILLS = {"grey_water": True, "black_water": True, "live_well": None, "unknown": None}  # others empty

DAYS, FEWEST_DAYS = 14, 3
HOUR_S, DAY_H = 3600.0, 24
AROUND_S = 300.0  # readings to either side of a moment that its level is the median of
NOW_S = 60.0
SILENT_S = 3600.0  # of a tank that is no longer heard nothing is said of the present
UNDER_WAY_S = 90.0
LONGEST_GAP_H = 6
UNSEEN_PCT, UNSEEN_OFF = (
    2.0,
    3.0,
)  # a rise by so much, or so many times what it may be off, within an hour is an unseen fill
SURE = 0.975
HORIZON_H = 366 * 24
LEVEL_SD = 2.0


def outlook(readings: pa.Table, flows: pa.Table, *, now: datetime | str | None = None) -> pa.Table:
    """OUTLOOK of READINGS and their FLOWS: one row for each vessel, tank and source, sorted by these.

    now: what counts is what was known then; by default the time of the last reading. Pure: no clock is read.
    """
    time_us = times_us(readings)
    known = time_us[time_us != UNKNOWN_TIME_US]
    if not len(known):
        return OUTLOOK.empty_table()
    now_us = int(known.max()) if now is None else timestamp_us(now)
    begin_us = now_us - int(((DAYS + 1) * DAY_H + 1) * HOUR_S * 1e6)
    recent = rows_at(readings, np.flatnonzero((time_us <= now_us) & (time_us >= begin_us)))
    rates = _last_rates(recent)
    by_key: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for flow in flows.to_pylist():
        if timestamp_us(flow["start"]) <= now_us and timestamp_us(flow["end"]) >= begin_us:
            by_key.setdefault((flow["vessel"], flow["tank"], flow["source_address"]), []).append(flow)
    rows = []
    for series in series_of(recent):
        key = (series.vessel, series.tank, series.source_address)
        rows.append(_row(series, by_key.get(key, []), rates.get(key), now_us))
    rows.sort(key=lambda row: (row["vessel"] or "", row["tank"], row["source_address"]))
    return pa.Table.from_pylist(rows, schema=OUTLOOK)


@dataclass(frozen=True, slots=True)
class _Span:
    """How long it takes, in hours, between two limits; None where that is not known, and why."""

    hours: float | None = None
    low: float | None = None
    high: float | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True)
class _Left:
    """What is left until empty or full, in litres (or percent), between two limits."""

    amount: float
    low: float
    high: float


def _row(
    series: Series, flows: list[dict[str, Any]], stated: tuple[float, float, float] | None, now_us: int
) -> dict[str, Any]:
    curve = shape_of(series)
    last_us = series.origin_us + round(float(series.seconds[-1]) * 1e6)
    silent_s = (now_us - last_us) / 1e6
    off = _level_error(series)
    rate, low, high = _present_rate(flows, stated, last_us, litres=curve.litres)
    level = _level_now(series, curve, rate)
    present = _Span(note=f"not heard for {silent_s / HOUR_S:.0f} h")
    if silent_s <= SILENT_S:
        present = _at_rate(_left(curve, level, off, fills=rate > 0), rate, low, high)
    fills = _use_fills(series.tank, flows)
    habit, a_day, days = _by_habit(series, curve, flows, level, off, fills=fills, silent_h=silent_s / HOUR_S)
    under_way = rate != 0 and silent_s <= SILENT_S
    return {
        "vessel": series.vessel,
        "tank": series.tank,
        "name": series.name,
        "source_address": series.source_address,
        "time": last_us,
        "level_pct": level,
        "volume_l": float(curve(np.array([level]))[0]) if curve.litres else None,
        "present_toward": _toward(rate > 0) if under_way else None,
        "present_rate_l_per_min": rate if under_way and curve.litres else None,
        "present_h": present.hours,
        "present_low_h": present.low,
        "present_high_h": present.high,
        "present_note": present.note,
        "habit_toward": _toward(fills),
        "habit_l_per_day": a_day if curve.litres else None,
        "habit_days": days,
        "habit_h": habit.hours,
        "habit_low_h": habit.low,
        "habit_high_h": habit.high,
        "habit_note": habit.note,
    }


def _toward(fills: bool) -> str:
    return "full" if fills else "empty"


def shape_of(series: Series) -> VolumeCurve:
    """Litres at any level. Of a tank that was read at one level alone the shape is taken for straight, from empty on."""
    level, volume = series.level_pct, series.volume_l
    if level[0] > 0 and volume[0] > 0 and (level == level[0]).all():
        seconds, level, volume = (np.append(0.0, values) for values in (series.seconds, level, volume))
        capacity = np.append(series.capacity_l[:1], series.capacity_l)
        return VolumeCurve(replace(series, seconds=seconds, level_pct=level, volume_l=volume, capacity_l=capacity))
    return VolumeCurve(series)


def median_level(series: Series, begin_s: float, end_s: float) -> float:
    """The median level between two times, in seconds since the series' origin; nan without a reading there."""
    first, last = np.searchsorted(series.seconds, [begin_s, end_s + 1e-6])
    return float(np.median(series.level_pct[first:last])) if last > first else float("nan")


def _level_now(series: Series, curve: VolumeCurve, rate: float) -> float:
    """The level at the last reading: the median of a minute's, carried on at the rate a minute of the flow under way."""
    some = slice(int(np.searchsorted(series.seconds, series.seconds[-1] - NOW_S)), None)
    since = series.seconds[-1] - series.seconds[some]
    return float(curve.level(np.median(curve(series.level_pct[some]) + rate / 60 * since, keepdims=True))[0])


def _level_error(series: Series) -> float:
    """By how many percent the level may be off: half a step, or the noise of a minute's median."""
    day = slice(int(np.searchsorted(series.seconds, series.seconds[-1] - DAY_H * HOUR_S)), None)
    sender = describe_sender(series.seconds[day], series.level_pct[day])
    return max(sender.step_pct / 2, LEVEL_SD * sender.noise_pct / 2)


def _left(curve: VolumeCurve, level: float, off: float, *, fills: bool) -> _Left:
    levels = np.clip(np.array([level, level - off, level + off]), 0.0, 100.0)
    amount, below, above = curve(levels).tolist()
    if not fills:
        empty = float(curve(np.zeros(1))[0])
        return _Left(amount - empty, below - empty, above - empty)
    full = float(curve(np.full(1, 100.0))[0])
    return _Left(full - amount, full - above, full - below)


# ---- the present rate ----


def _last_rates(readings: pa.Table) -> dict[tuple[Any, ...], tuple[float, float, float]]:
    """(rate, low, high) in litres a minute stated with the last reading of each vessel, tank and source, where there is one."""
    rate, low, high = (column(readings, name) for name in ("rate_l_per_min", "rate_low", "rate_high"))
    known = np.flatnonzero(~np.isnan(rate))
    order = known[np.argsort(times_us(readings)[known], kind="stable")]
    sources = column(readings, "source_address")[order]
    keys = zip(column(readings, "vessel")[order], column(readings, "tank")[order], sources.tolist(), strict=True)
    last = dict(zip(keys, order.tolist(), strict=True))
    return {key: (float(rate[row]), float(low[row]), float(high[row])) for key, row in last.items()}


def _present_rate(
    flows: list[dict[str, Any]], stated: tuple[float, float, float] | None, last_us: int, *, litres: bool
) -> tuple[float, float, float]:
    """(rate, low, high) a minute in litres, or percent; 0 without a flow. Limits are nan where they are not known."""
    unknown = float("nan")
    for flow in flows:
        if timestamp_us(flow["start"]) <= last_us <= timestamp_us(flow["end"]) + UNDER_WAY_S * 1e6:
            if not litres:
                return flow["rate_pct_per_min"], unknown, unknown
            if flow["rate_l_per_min"] is not None:
                limits = (unknown if flow[name] is None else flow[name] for name in ("rate_low", "rate_high"))
                return flow["rate_l_per_min"], *limits
    if litres and stated is not None and stated[1] * stated[2] > 0:
        return stated
    return 0.0, unknown, unknown


def _at_rate(left: _Left, rate: float, low: float, high: float) -> _Span:
    """Hours at a rate a minute."""
    if rate == 0:
        return _Span(note="no flow")
    slow, fast = sorted((abs(low), abs(high)))
    if low * high <= 0:
        slow = 0.0
    return _Span(
        left.amount / abs(rate) / 60,
        left.low / fast / 60 if fast > 0 else None,
        left.high / slow / 60 if slow > 0 else None,
    )


# ---- the habit ----


def _use_fills(tank: str, flows: list[dict[str, Any]]) -> bool:
    fluid = tank.split(".")[1] if "." in tank else "unknown"
    told = USE_FILLS.get(fluid, False)
    if told is not None:
        return told
    fills = [flow["kind"] for flow in flows].count("fill")
    return fills > len(flows) - fills


def _by_habit(
    series: Series,
    curve: VolumeCurve,
    flows: list[dict[str, Any]],
    level: float,
    off: float,
    *,
    fills: bool,
    silent_h: float,
) -> tuple[_Span, float | None, int]:
    """(span, use a day, days it was learnt from)."""
    hours = _hourly_use(series, curve, flows, max(UNSEEN_PCT, UNSEEN_OFF * off), fills=fills)
    whole = ~np.isnan(hours).any(axis=1)
    hours = hours[whole]
    days = len(hours)
    if days < FEWEST_DAYS:
        return (
            _Span(note=f"too few whole days ({days} of {FEWEST_DAYS})"),
            None,
            days,
        )
    totals = hours.sum(axis=1)
    a_day, scatter = float(totals.mean()), float(totals.std(ddof=1))
    if a_day <= 0:
        return _Span(note="nothing is used"), a_day, days
    # The first of the hours to come is the one that began a day before now.
    coming = np.maximum.accumulate(np.cumsum(hours.mean(axis=0)[::-1]))
    used = np.concatenate([[0.0], (np.arange(HORIZON_H // DAY_H)[:, None] * a_day + coming).ravel()])
    n = np.maximum(used, 0.0) / a_day
    sure = student_quantile(SURE, days - 1)
    shift = sure**2 * scatter**2 / a_day * n / days / 2
    error = np.sqrt(shift**2 + sure**2 * scatter**2 * (n + n**2 / days))
    left = _left(curve, level, off, fills=fills)
    span = [
        _reached(used, left.amount),
        _reached(np.maximum.accumulate(used + shift + error), left.low),
        _reached(used + shift - error, left.high),
    ]
    middle, low, high = (None if hours is None else max(hours - silent_h, 0.0) for hours in span)
    return _Span(middle, low, high, note=None if middle is not None else "more than a year"), a_day, days


def _reached(used: Floats, amount: float) -> float | None:
    """After how many hours an amount is used; None if it is not. used: (k,) after 0, 1, ... hours."""
    after = np.flatnonzero(used >= amount)
    if not len(after):
        return None
    at = int(after[0])
    if at == 0:
        return 0.0
    return at - 1 + float((amount - used[at - 1]) / (used[at] - used[at - 1]))


def _hourly_use(
    series: Series, curve: VolumeCurve, flows: list[dict[str, Any]], unseen_pct: float, *, fills: bool
) -> Floats:
    """(days, 24) litres (or percent) used in each hour, the latest day and hour first; nan where not known."""
    last_s = float(series.seconds[-1])
    days = min(int((last_s + AROUND_S) / HOUR_S / DAY_H), DAYS)
    at_s: Floats = last_s - HOUR_S * np.arange(days * DAY_H + 1, dtype=np.float64)
    level = np.array([median_level(series, at - AROUND_S, at + AROUND_S) for at in at_s.tolist()])
    amount = curve(_bridged(level))
    # Times run backwards. What came in or went out by a service is no use.
    serviced = serviced_l(series, flows, at_s, litres=curve.litres, fills=not fills)
    use = -np.diff(amount - serviced) * (1.0 if fills else -1.0)
    unseen = use < -unseen_pct / 100 * float(curve(np.array([0.0, 100.0])) @ [-1.0, 1.0])
    return np.where(unseen, np.nan, use).reshape(days, DAY_H)


def _bridged(level: Floats) -> Floats:
    """Hourly levels with short times of silence bridged by straight lines. (k,) to (k,)."""
    known = np.flatnonzero(~np.isnan(level))
    if not len(known):
        return level
    bridged = np.interp(np.arange(len(level)), known, level[known])
    before = np.maximum.accumulate(np.where(np.isnan(level), -LONGEST_GAP_H - 1, np.arange(len(level))))
    after = np.minimum.accumulate(np.where(np.isnan(level), 10 * len(level), np.arange(len(level)))[::-1])[::-1]
    return np.where(after - before <= LONGEST_GAP_H, bridged, np.nan)


def serviced_l(series: Series, flows: list[dict[str, Any]], at_s: Floats, *, litres: bool, fills: bool) -> Floats:
    """(k,) signed litres (or percent) that flows of one kind had moved by each time; at_s: seconds since the series' origin."""
    total = np.zeros(len(at_s))
    for flow in flows:
        if (flow["kind"] == "fill") == fills:
            begin, end = ((timestamp_us(flow[name]) - series.origin_us) / 1e6 for name in ("start", "end"))
            moved = flow["volume_l"] if litres else abs(flow["end_level_pct"] - flow["start_level_pct"])
            if moved is not None:
                part = np.clip((at_s - begin) / max(end - begin, 1.0), 0.0, 1.0)
                total += (moved if fills else -moved) * part
    return total
