"""Levels at even intervals: what was known in each, and what flowed. READINGS, FLOWS and the intervals' ends in, LEVELS out.

A level is not a sum and not a sample: it stands until the next reading says otherwise. So a reading holds until the next one
of its tank and source, the mean of an interval weights each by the time it held, and an interval in which the tank was not
read is empty. Across an outage nothing holds: a gap longer than GAP_PERIODS of the sender's usual periods and GAP_S seconds,
or one in which an outage of the logger lies, ends what was known one period after the last reading, or where the outage
begins, whichever is sooner.

What flowed is that of FLOWS: each is spread evenly from its start to its end, so that the sums over any intervals without gaps
between them are the flows' own litres.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.derivation.flows import GAP_PERIODS, GAP_S
from canlevel.derivation.outlook import USE_FILLS
from canlevel.derivation.sender import usual_period_s
from canlevel.derivation.series import Series, series_of
from canlevel.tables import TIME_TYPE, UNKNOWN_TIME_US, WORD, described, empty, float_column, time_column, times_us

__all__ = ["LEVELS", "resample"]

Floats = NDArray[np.float64]
Times = NDArray[np.int64]

LEVELS = pa.schema(
    [
        described("time", TIME_TYPE, "where the interval begins", unit="UTC"),
        described("vessel", WORD, "whose tank", null="nobody said"),
        described("tank", WORD, "protocol.fluid.instance"),
        described("name", WORD, "the owner's name for the tank", null="not in a roster"),
        described("source_address", pa.uint8(), "the address of the device that sent the level"),
        described(
            "level_pct", pa.float64(), "the last level that was known in the interval", unit="%", null="none was"
        ),
        described("level_mean_pct", pa.float64(), "mean over the time a level was known", unit="%", null="none was"),
        described("level_low_pct", pa.float64(), "lowest level in the interval", unit="%", null="none was known"),
        described("level_high_pct", pa.float64(), "highest level in the interval", unit="%", null="none was known"),
        described(
            "volume_l", pa.float64(), "the last volume that was known", unit="L", null="none was, or no capacity"
        ),
        described(
            "volume_mean_l",
            pa.float64(),
            "mean over the time a volume was known",
            unit="L",
            null="none was, or no capacity",
        ),
        described("filled_l", pa.float64(), "litres of fills in the interval", unit="L", null="no capacity"),
        described("drained_l", pa.float64(), "litres of drains in the interval", unit="L", null="no capacity"),
        described("used_l", pa.float64(), "drained_l, or of a waste tank filled_l", unit="L", null="no capacity"),
        described("heard_s", pa.float64(), "how much of the interval the level was known", unit="s"),
        described("readings", pa.int64(), "readings in the interval"),
    ]
)


def resample(readings: pa.Table, edges_us: Times, *, flows: pa.Table, outages: pa.Table | None = None) -> pa.Table:
    """LEVELS of READINGS: for each vessel, tank and source, k rows, one an interval, in the order of time. Pure.

    edges_us: (k + 1,) rising, microseconds: an interval ends where the next begins. flows: FLOWS of the readings. outages:
    OUTAGES, if known. Readings and flows outside the intervals count for nothing. A source that gave no number has no rows.
    """
    gone = np.zeros((0, 2), np.int64)
    if outages is not None and len(outages):
        gone = np.column_stack([times_us(outages, "from"), times_us(outages, "to")])
        gone = gone[(gone != UNKNOWN_TIME_US).all(axis=1)]
    moved = _flows_by_source(flows)
    tables = [
        _levels(series, edges_us, gone, moved.get((series.vessel, series.tank, series.source_address), {}))
        for series in series_of(readings)
    ]
    return pa.concat_tables([empty(LEVELS), *tables]).unify_dictionaries()


def _flows_by_source(flows: pa.Table) -> dict[tuple[Any, ...], dict[str, list[tuple[int, int, float]]]]:
    """(start, end, litres) of each flow whose litres are known, by vessel, tank and source, and by kind."""
    found: dict[tuple[Any, ...], dict[str, list[tuple[int, int, float]]]] = {}
    columns = (flows.column(name).to_pylist() for name in ("vessel", "tank", "source_address", "kind", "volume_l"))
    spans = zip(times_us(flows, "start").tolist(), times_us(flows, "end").tolist(), strict=True)
    for vessel, tank, source, kind, litres, (start_us, end_us) in zip(*columns, spans, strict=True):
        if litres is not None:
            found.setdefault((vessel, tank, source), {}).setdefault(kind, []).append((start_us, end_us, litres))
    return found


def _levels(
    series: Series, edges_us: Times, gone: NDArray[np.int64], flows: dict[str, list[tuple[int, int, float]]]
) -> pa.Table:
    """LEVELS of one source. gone: (m, 2), when the logger heard nothing."""
    at_us = series.origin_us + np.rint(series.seconds * 1e6).astype(np.int64)
    until_us = _held_until(at_us, series, gone)
    k = len(edges_us) - 1
    # The readings that hold somewhere in each interval: from the one that holds into it to the last one in it.
    first = np.searchsorted(until_us, edges_us[:-1], side="right")
    after = np.searchsorted(at_us, edges_us[1:], side="left")
    known = first < after
    last = np.where(known, after - 1, 0)
    held_s, level_s = _integral(at_us, until_us, series.level_pct, edges_us)
    volume = series.volume_l
    litres = bool(np.isfinite(volume).any())
    volume_held_s, volume_s = _integral(at_us, until_us, volume, edges_us)
    low, high = np.full(k, np.nan), np.full(k, np.nan)
    some = np.flatnonzero(known)
    if len(some):
        bounds = np.column_stack([first[some], after[some]]).ravel()
        level = np.append(series.level_pct, np.nan)  # reduceat wants a place for the end of the last
        low[some], high[some] = np.fmin.reduceat(level, bounds)[::2], np.fmax.reduceat(level, bounds)[::2]
    with np.errstate(invalid="ignore", divide="ignore"):
        mean, volume_mean = level_s / held_s, volume_s / volume_held_s
    filled, drained = (_spread(flows.get(kind, []), edges_us) for kind in ("fill", "drain"))
    used = filled if USE_FILLS.get(series.tank.split(".")[1]) else drained
    nothing = np.full(k, np.nan)
    words = {"vessel": series.vessel, "tank": series.tank, "name": series.name}
    columns = {
        "time": time_column(edges_us[:-1]),
        **{name: pa.array([word] * k, pa.string()).dictionary_encode() for name, word in words.items()},
        "source_address": pa.array(np.full(k, series.source_address, np.uint8)),
        "level_pct": float_column(np.where(known, series.level_pct[last], np.nan)),
        "level_mean_pct": float_column(mean),
        "level_low_pct": float_column(low),
        "level_high_pct": float_column(high),
        "volume_l": float_column(np.where(known, volume[last], np.nan)),
        "volume_mean_l": float_column(volume_mean),
        "filled_l": float_column(filled if litres else nothing),
        "drained_l": float_column(drained if litres else nothing),
        "used_l": float_column(used if litres else nothing),
        "heard_s": pa.array(held_s),
        "readings": pa.array(np.diff(np.searchsorted(at_us, edges_us, side="left"))),
    }
    return pa.table([columns[name] for name in LEVELS.names], schema=LEVELS)


def _held_until(at_us: Times, series: Series, gone: NDArray[np.int64]) -> Times:
    """Until when each of n readings holds: (n,), none beyond the next reading."""
    period_us = max(round(usual_period_s(series.seconds) * 1e6), 1) if len(at_us) > 1 else 1
    next_us = np.append(at_us[1:], at_us[-1] + period_us)
    gap_us = max(GAP_PERIODS * period_us, round(GAP_S * 1e6))
    until_us = np.where(next_us - at_us > gap_us, at_us + period_us, next_us)
    for from_us, to_us in gone.tolist():
        row = int(np.searchsorted(at_us, from_us, side="right")) - 1
        # A tank of another bus was heard all the while: the outage was not its.
        if row >= 0 and next_us[row] >= to_us:
            until_us[row] = min(until_us[row], max(at_us[row] + 1, min(from_us, at_us[row] + period_us)))
    return until_us


def _integral(at_us: Times, until_us: Times, values: Floats, edges_us: Times) -> tuple[Floats, Floats]:
    """(seconds, values times seconds) that n held values bring into each interval, both (k,). What is nan is not held."""
    known = np.isfinite(values)
    at_us, until_us, values = at_us[known], until_us[known], values[known]
    if not len(at_us):
        return np.zeros(len(edges_us) - 1), np.zeros(len(edges_us) - 1)
    held_s = (until_us - at_us) / 1e6
    begin = (at_us - edges_us[0]) / 1e6
    end = (until_us - edges_us[0]) / 1e6
    moments = np.column_stack([begin, end]).ravel()
    edges = (edges_us - edges_us[0]) / 1e6
    sums = []
    for brought in (held_s, held_s * values):
        total = np.cumsum(brought)
        sums.append(np.diff(np.interp(edges, moments, np.column_stack([total - brought, total]).ravel())))
    return sums[0], sums[1]


def _spread(flows: list[tuple[int, int, float]], edges_us: Times) -> Floats:
    """Litres of flows, (start, end, litres), in each interval: (k,). A flow without a length is where it begins."""
    litres = np.zeros(len(edges_us) - 1)
    for start_us, end_us, volume in flows:
        end_us = max(end_us, start_us + 1)
        first = max(int(np.searchsorted(edges_us, start_us, side="right")) - 1, 0)
        last = int(np.searchsorted(edges_us, end_us, side="left"))
        inside = np.clip(edges_us[first : last + 1], start_us, end_us)
        litres[first : first + len(inside) - 1] += volume * np.diff(inside) / (end_us - start_us)
    return litres
