"""Which tanks of a roster have crossed a limit, for a script that asks now and then. READINGS and LEAKS in, Crossings out.

- A level is the mean of the readings of the last minute in which the tank was heard (LAST_S), without a tenth of them, and one
  at least, at either end; of each device that told one then. One reading flickers as the tank sloshes, and a wave lies at its
  ends more often than in its middle, so that a median flickers too; the ends go for the sake of single wrong readings. A real
  change is followed within half a minute.
- Silence is counted from the latest reading of any status, of whichever device.
- A leak counts with its lower limit (95 %), as long as the quiet time that shows it reaches to within three days of the tank's
  last reading (LEAK_IS_OLD_S): one that was mended is not told for ever.
- What cannot be judged is no pass: a tank of which nothing was heard, or whose device tells no level, is a crossing too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.derivation.alarms import Alarm, crossed
from canlevel.roster import Roster, TankEntry
from canlevel.tables import UNKNOWN_TIME_US, codes_of, column, distinct, times_us, values_of

__all__ = ["Crossing", "crossings", "tanks_of_entries"]

LAST_S = 60.0
LEAK_IS_OLD_S = 3 * 86_400.0


@dataclass(frozen=True, slots=True)
class Crossing:
    """A limit that a tank has crossed. tank: its id, source_address: its device; None where it was not heard.

    kind: the roster's key; "unheard" or "no_level" for a tank that has limits and cannot be judged. alarm: the limit with its
    figures, None where nothing was measured.
    """

    entry: TankEntry
    tank: str | None
    source_address: int | None
    kind: str
    sentence: str
    alarm: Alarm | None = None


def crossings(
    roster: Roster, readings: pa.Table, *, now_us: int, heard_in: str, leaks: pa.Table | None = None
) -> list[Crossing]:
    """The Crossings of a roster's tanks, in the roster's order. readings: READINGS up to now, each with a time.

    now_us: from when silence counts back. heard_in: where a tank that is not there was looked for, "in the recording". leaks:
    LEAKS of tanks with a limit for them. Where the roster names its vessel, readings of others are left out.
    """
    senders = _senders(roster, readings)
    time_us, level_pct = times_us(readings), column(readings, "level_pct")
    found: list[Crossing] = []
    for entry in roster.tanks:
        if not entry.has_limits:
            continue
        mine = {sender: rows for sender, rows in senders.items() if roster.entry(*sender) is entry}
        if not mine:
            kind = "unheard" if entry.silent_after_s is None else "silent_after_s"
            found.append(Crossing(entry, None, None, kind, f"nothing was heard of it {heard_in}"))
            continue
        last_us = max(int(time_us[rows].max()) for rows in mine.values())
        for (tank, source), rows in mine.items():
            newest = int(time_us[rows].max()) == last_us
            silent_s = max((now_us - last_us) / 1e6, 0.0) if newest else None
            told = rows[time_us[rows] >= last_us - LAST_S * 1e6]
            told_pct = level_pct[told]
            told_pct = told_pct[~np.isnan(told_pct)]
            level = _settled(told_pct) if len(told_pct) else None
            loss = _leak(leaks, tank, source, last_us)
            for alarm in crossed(entry, level_pct=level, silent_s=silent_s, leak_l_per_h=loss):
                found.append(Crossing(entry, tank, source, alarm.kind, alarm.sentence, alarm))
            if level is None and len(told) and (entry.low_pct is not None or entry.high_pct is not None):
                status = readings.column("status")[int(told[np.argmax(time_us[told])])].as_py().replace("_", " ")
                found.append(Crossing(entry, tank, source, "no_level", f"no level is told: {status}"))
    return found


def _settled(level_pct: NDArray[np.float64]) -> float:
    """The mean of n levels without those at their ends. level_pct: (n,), at least one."""
    ends = max(len(level_pct) // 10, 1) if len(level_pct) > 2 else 0
    return float(np.sort(level_pct)[ends : len(level_pct) - ends].mean())


def tanks_of_entries(roster: Roster, readings: pa.Table) -> dict[TankEntry, set[str]]:
    """For each tank of a roster the ids that were heard of it. readings: READINGS, or some of their columns."""
    found: dict[TankEntry, set[str]] = {}
    for tank, source in _senders(roster, readings):
        entry = roster.entry(tank, source)
        if entry is not None:
            found.setdefault(entry, set()).add(tank)
    return found


def _senders(roster: Roster, readings: pa.Table) -> dict[tuple[str, int], NDArray[np.int64]]:
    """Rows of READINGS by tank id and source address."""
    rows = np.flatnonzero(times_us(readings) != UNKNOWN_TIME_US)
    if roster.vessel is not None:
        vessel, vessels = codes_of(readings.column("vessel"))
        others = [code for code, word in enumerate(vessels) if word not in (None, roster.vessel)]
        rows = rows[~np.isin(vessel[rows], others)]
    tank, tanks = codes_of(readings.column("tank"))
    keys = tank[rows].astype(np.int64) * 256 + values_of(readings.column("source_address"))[rows]
    words, which = distinct(keys)
    return {
        (tanks[key // 256] or "", key % 256): rows[np.flatnonzero(which == number)]
        for number, key in enumerate(words.tolist())
    }


def _leak(leaks: pa.Table | None, tank: str, source: int, last_us: int) -> float | None:
    """The lower limit of the largest loss that was found lately, litres an hour."""
    losses = []
    if leaks is not None:
        until_us = times_us(leaks, "until")
        for i, row in enumerate(leaks.to_pylist()):
            lately = until_us[i] >= last_us - LEAK_IS_OLD_S * 1e6
            if row["status"] == "leak" and lately and (row["tank"], row["source_address"]) == (tank, source):
                losses.append(row["leak_low"])
    return max((loss for loss in losses if loss is not None), default=None)
