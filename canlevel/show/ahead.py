"""Leaks, outlook and water balance for people, as lines of text."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pyarrow as pa

from canlevel.derivation.alarms import Alarm
from canlevel.errors import printable
from canlevel.show.cells import cut, fitted
from canlevel.units import VolumeUnit

__all__ = ["crossed_words", "durations", "figure", "leak_lines", "outlook_lines"]

LABEL = 25


def leak_lines(leaks: pa.Table, units: VolumeUnit) -> Iterator[str]:
    """LEAKS for people: what was found in each tank, and the smallest leak that would have been."""
    form = "{tank}  {status:<21} {rate:>20} {smallest:>10}"
    yield form.format(tank=fitted("tank", LABEL), status="finding", rate=f"{units.symbol}/h", smallest="smallest")
    rows = leaks.to_pylist()
    for row, label, vessel in zip(rows, _labels(rows), _vessel_lines(rows), strict=True):
        yield from vessel
        leak, smallest = row["leak_l_per_h"], row["smallest_l_per_h"]
        rate = ""
        if leak is not None:
            rate = f"{figure(leak, units)} ({figure(row['leak_low'], units)} to {figure(row['leak_high'], units)})"
        elif row["leak_pct_per_h"] is not None:
            rate = f"{row['leak_pct_per_h']:.2f} %/h"
        least = "" if smallest is None else figure(smallest, units)
        if smallest is None and row["smallest_pct_per_h"] is not None:
            least = f"{row['smallest_pct_per_h']:.2f} %/h"
        yield form.format(tank=fitted(label, LABEL), status=row["status"], rate=rate, smallest=least).rstrip()
        span = "" if row["since"] is None else f", {row['since']:%m-%d %H:%M} to {row['until']:%m-%d %H:%M} UTC"
        told = f"  {row['quiet_h']:.0f} quiet hours{span}"
        yield told + (f"\n  {row['note']}" if row["note"] else "")
    yield (
        f"\nsmallest: the smallest leak, {units.symbol}/h, that this sender would have shown in the quiet\n"
        "hours at hand in 95 of 100 cases. At most 1 alarm in 1,000 tank-days is false."
    )


def outlook_lines(ahead: pa.Table, days: pa.Table, units: VolumeUnit) -> Iterator[str]:
    """OUTLOOK and BALANCE for people."""
    rows = ahead.to_pylist()
    for row, label, vessel in zip(rows, _labels(rows), _vessel_lines(rows), strict=True):
        yield from vessel
        litres = "" if row["volume_l"] is None else f"{figure(row['volume_l'], units)} {units.symbol}"
        level = "" if row["level_pct"] is None else f"{row['level_pct']:.1f} %"
        yield f"{fitted(label, LABEL)}  {level:>8}  {litres:>12}".rstrip()
        rate, use = row["present_rate_l_per_min"], row["habit_l_per_day"]
        paces = (
            ("now", "" if rate is None else f"{figure(rate, units)} {units.symbol}/min"),
            ("habit", "" if use is None else f"{figure(use, units)} {units.symbol} a day"),
        )
        for (name, pace), kind in zip(paces, ("present", "habit"), strict=True):
            told = row[f"{kind}_note"]
            if row[f"{kind}_h"] is not None:
                hours, low, high = durations(row[f"{kind}_h"], row[f"{kind}_low_h"], row[f"{kind}_high_h"])
                told = f"{row[f'{kind}_toward']} in {hours} ({low} to {high})"
                told += f", by {row['habit_days']} days" if kind == "habit" else ""
            yield f"  {name:<6} {f'{pace}, ' if pace else ''}{told}"
    if len(days):
        several = len(set(days.column("vessel").to_pylist())) > 1
        yield f"\nWater by day (UTC), {units.symbol}, with 95 % limits of what is missing:\n"
        yield "date        from   to       out of fresh  into waste  missing"
    for row in days.to_pylist():
        out, into, missing, low, high = (
            "–" if row[name] is None else figure(row[name], units)
            for name in ("out_of_fresh_l", "into_waste_l", "missing_l", "missing_low", "missing_high")
        )
        told = "–" if row["missing_l"] is None else f"{missing} ({low} to {high})"
        clock = f"{row['since']:%H:%M}  {row['until']:%H:%M}"
        yield f"{row['date']}  {clock}  {out:>12}  {into:>10}  {told}"
        notes = [row["vessel"] or ""] * several + [row["note"]]
        if any(notes):
            yield printable("  " + ", ".join(note for note in notes if note))


def _labels(rows: list[dict[str, Any]]) -> list[str]:
    """What each tank is called, in LABEL columns: with its source where another of the vessel is called the same."""
    who = [(row["vessel"], row["name"] or row["tank"], row["source_address"]) for row in rows]
    alike = [len({one for one in who if one[:2] == (vessel, name)}) > 1 for vessel, name, _ in who]
    return [
        f"{cut(printable(name), LABEL - 7)} ({source})" if several else cut(printable(name), LABEL)
        for (_, name, source), several in zip(who, alike, strict=True)
    ]


def _vessel_lines(rows: list[dict[str, Any]]) -> Iterator[list[str]]:
    """What to print before each row: the vessel where it changes, if there are several."""
    last: list[str | None] = []
    several = len({row["vessel"] for row in rows}) > 1
    for row in rows:
        yield [f"{printable(row['vessel'] or 'no vessel')}:"] if several and last != [row["vessel"]] else []
        last = [row["vessel"]]


def figure(litres: float, units: VolumeUnit) -> str:
    """Litres in the user's unit, to two digits at least."""
    shown = units.from_litres(litres)
    size = abs(shown)
    digits = next((digits for least, digits in ((100, 0), (10, 1), (0.1, 2)) if size >= least), 3)
    return f"{round(shown, digits):,.{digits}f}" if round(shown, digits) else "0"


def crossed_words(alarm: Alarm, units: VolumeUnit) -> str:
    """A limit that was crossed, as a sentence; that of a leak in the user's unit."""
    if alarm.kind != "leak_l_per_h":
        return alarm.sentence
    limit = f"{figure(alarm.limit, units)} {units.symbol}/h"
    return f"loses at least {figure(alarm.value, units)} {units.symbol}/h (limit {limit})"


def durations(hours: float, low: float | None, high: float | None) -> list[str]:
    """A length of time and its limits, each in minutes, hours or days, whichever suits it; "?" for what is not known.

    The unit is said once where all three have the same.
    """
    texts, units = zip(*(_duration(one) for one in (hours, low, high)), strict=True)
    if len({unit for unit in units if unit}) == 1:
        return [f"{texts[0]} {units[0]}", *texts[1:]]
    return [f"{text} {unit}".rstrip() for text, unit in zip(texts, units, strict=True)]


def _duration(hours: float | None) -> tuple[str, str]:
    if hours is None:
        return "?", ""
    per_unit, unit = (1 / 60, "min") if hours < 2 else (1.0, "h") if hours < 48 else (24.0, "d")
    return f"{hours / per_unit:.{1 if unit == 'd' and hours < 10 * 24 else 0}f}", unit
