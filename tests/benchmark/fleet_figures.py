"""The part of DEVELOPERS.md with what a fleet costs, made of what fleet_season.py has measured; nobody writes it by hand.

`python tests/benchmark/fleet_season.py --write` puts it there, between two lines that mark it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

__all__ = ["FIGURES", "figures", "written"]

FIGURES = Path(__file__).parent / "fleet_season.json"
BEGIN, END = "<!-- fleet figures: begin -->", "<!-- fleet figures: end -->"
VEHICLES, DAYS, MONTHS, STORES_OF_A_FILE = 100_000, 365, 12, 64
# Placeholders, to be replaced by one's own: common list prices, no source.
CORE_HOUR, GB_MONTH, MILLION_READS = 0.04, 0.023, 0.40


def written(text: str) -> str:
    """DEVELOPERS.md with the figures as they are now."""
    head, rest = text.split(BEGIN)
    return f"{head}{BEGIN}\n{figures(json.loads(FIGURES.read_text()))}{END}{rest.split(END)[1]}"


def figures(told: dict[str, Any]) -> str:
    """Three tables: what was measured of fleets and of single vehicles, and what follows for the large fleet."""
    fleet, season = told["fleet"], told["season"]
    lines = [
        f"Fleets, {told['machine']}; one day of seven tanks a vehicle, in one part; load: of the machine, begin and end.",
        "",
        *_table(
            "question | vehicles | workers | wall, s | workers' processor, s | a vehicle, s | client, s | peak, MB | load",
            [
                f"{one['kind']} | {one['vehicles']:,} | {one['workers']} | {one['seconds']:.0f} | "
                f"{one['worker_processor_s']:.1f} | {one['worker_processor_s'] / one['vehicles']:.2f} | "
                f"{one['client_processor_s']:.1f} | {one['peak_worker_mb']} | {one['load'][0]:.0f}, {one['load'][1]:.0f}"
                for one in sorted(
                    fleet, key=lambda one: (one["kind"] != "flows", one["kind"], one["vehicles"], one["workers"])
                )
            ],
        ),
        "",
        f"One vehicle for {season[0]['days']} days, in a process of its own (one week in three under way, if lived in):",
        "",
        *_table(
            "question | vehicle | MB a day stored | processor, s a day | peak, MB (idle) | rows a day",
            [
                f"{one['kind']} | {'lived in' if one['vehicle'] == 'busy' else 'used a little'} | "
                f"{one['readings_bytes'] / one['days'] / 1e6:.2f} | {one['processor_s'] / one['days']:.2f} | "
                f"{one['peak_mb']} ({one['idle_mb']}) | {one['rows'] / one['days']:.1f}"
                for one in sorted(season, key=lambda one: (one["vehicle"], one["kind"]))
            ],
        ),
        "",
        f"{VEHICLES:,} vehicles, a year, extrapolated from the season above (half of them lived in), linearly:",
        "",
        *_table("what | flows | daily | findings", _plan(fleet, season)),
    ]
    return "\n".join(lines) + "\n"


def _plan(fleet: list[dict[str, Any]], season: list[dict[str, Any]]) -> list[str]:
    kinds = ("flows", "daily", "findings")
    mine = {kind: [one for one in season if one["kind"] == kind] for kind in kinds}
    largest = {
        kind: max((one for one in fleet if one["kind"] == kind), key=lambda one: one["vehicles"]) for kind in kinds
    }
    stored = _mean([one["readings_bytes"] / one["days"] for one in mine["flows"]]) * VEHICLES * DAYS
    hours = {
        kind: _mean([one["processor_s"] / one["days"] for one in mine[kind]]) * VEHICLES * DAYS / 3600 for kind in kinds
    }
    rows = {kind: _mean([one["rows"] / one["days"] for one in mine[kind]]) * VEHICLES * DAYS for kind in kinds}
    rows["findings"] /= DAYS / mine["findings"][0]["days"]  # a fault is told once, however long it lasts
    size = {kind: rows[kind] * largest[kind]["result_bytes"] / largest[kind]["rows"] for kind in kinds}
    # Of flows each day is read once; days read the two beside a week once more; findings read all for each of their parts.
    reads = {"flows": 1.0, "daily": 9 / 7, "findings": 2 + 9 / 7}
    groups = 1 << (-(-VEHICLES // STORES_OF_A_FILE) - 1).bit_length()
    files = {"flows": groups * MONTHS, "daily": groups * MONTHS, "findings": groups}
    clients = [one["client_processor_s"] / one["vehicles"] for one in fleet if one["vehicles"] >= 1000]
    tasks_s = _mean(clients) * VEHICLES
    return [
        f"readings stored, TB | {stored / 1e12:.1f} | the same | the same",
        _row("parts read, million", [f"{reads[kind] * VEHICLES * DAYS / 1e6:.0f}" for kind in kinds]),
        _row("core-hours", [f"{hours[kind]:,.0f}" for kind in kinds]),
        _row("hours on 200 cores", [f"{hours[kind] / 200:.0f}" for kind in kinds]),
        _row("memory a worker, GB", [f"{max(one['peak_mb'] for one in mine[kind]) / 1000:.1f}" for kind in kinds]),
        _row("client and scheduler, processor minutes", [f"{tasks_s / 60:.0f}"] * 3),
        _row("rows of the result, million", [f"{rows[kind] / 1e6:,.0f}" for kind in kinds]),
        _row("result, GB", [f"{size[kind] / 1e9:.1f}" for kind in kinds]),
        _row("its files", [f"{files[kind]:,}" for kind in kinds]),
        _row("MB a file", [f"{size[kind] / files[kind] / 1e6:.2f}" for kind in kinds]),
        _row(
            f"cost, at {CORE_HOUR} a core-hour and {MILLION_READS:.2f} a million reads",
            [f"{hours[kind] * CORE_HOUR + reads[kind] * VEHICLES * DAYS / 1e6 * MILLION_READS:,.0f}" for kind in kinds],
        ),
        f"keeping a year of readings, a month, at {GB_MONTH} a GB | {stored / 1e9 * GB_MONTH:,.0f} | the same | the same",
    ]


def _row(name: str, values: Sequence[str]) -> str:
    return " | ".join([name, *values])


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)


def _table(head: str, rows: Sequence[str]) -> list[str]:
    return [f"| {head} |", "|" + " --- |" * (head.count("|") + 1), *(f"| {row} |" for row in rows)]
