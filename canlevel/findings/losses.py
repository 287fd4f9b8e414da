"""Findings of the leak watch: slow losses and gains of a history, told as other faults are. LEAKS in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pyarrow as pa

from canlevel.findings.checks import HYGIENE, LEVELS, Severity
from canlevel.tables import DAY_US, times_us

__all__ = ["Loss", "losses"]

APART_US = 7 * DAY_US  # what goes on within a week is one loss, as the leak watch has it
FUELS = ("fuel", "gasoline", "lpg")
LEAK, GAIN = "leak-suspected", "gain-suspected"


@dataclass(frozen=True, slots=True)
class Loss:
    """A leak or a gain, which may last over several spans of the leak watch. Times in microseconds since 1970.

    value, low, high: an hour, in `unit` (L/h, %/h), of the last span; low and high null without a capacity.
    """

    code: str
    severity: Severity
    tank: str
    source_address: int
    summary: str
    first_us: int
    last_us: int
    value: float
    low: float | None
    high: float | None
    unit: str
    causes: tuple[str, ...]
    next_steps: tuple[str, ...]
    caution: str


def losses(leaks: Sequence[pa.Table]) -> list[Loss]:
    """The losses in LEAKS of spans that follow one another, each once, in the order of their beginning."""
    found: list[Loss] = []
    for table in leaks:
        since, until = times_us(table, "since").tolist(), times_us(table, "until").tolist()
        for row, begin_us, end_us in zip(table.to_pylist(), since, until, strict=True):
            if row["status"] not in ("leak", "gain"):
                continue
            one = _loss(row, begin_us, end_us)
            at = next((at for at, other in enumerate(found) if _goes_on(other, one)), None)
            if at is None:
                found.append(one)
            else:
                found[at] = _loss(row, found[at].first_us, end_us)
    return sorted(found, key=lambda one: (one.first_us, one.tank, one.source_address))


def _goes_on(before: Loss, after: Loss) -> bool:
    same = (before.code, before.tank, before.source_address) == (after.code, after.tank, after.source_address)
    return same and after.first_us >= before.first_us and after.first_us - before.last_us <= APART_US


def _loss(row: dict[str, Any], begin_us: int, end_us: int) -> Loss:
    fluid = row["tank"].split(".")[1] if "." in row["tank"] else ""
    name = row["tank"] if row["name"] is None else f'"{row["name"]}" ({row["tank"]})'
    leaks = row["status"] == "leak"
    verb = "loses" if leaks else "gains"
    litres = row["leak_l_per_h"]
    if litres is not None:
        value, unit = abs(litres), "L/h"
        low, high = sorted((abs(row["leak_low"]), abs(row["leak_high"])))
        told = f"{value:.2g} L/h ({low:.2g} to {high:.2g})"
    else:
        value, unit, low, high = abs(row["leak_pct_per_h"]), "%/h", None, None
        told = f"{value:.2g} % an hour"
    note = f": {row['note']}" if row["note"] else ""
    return Loss(
        code=LEAK if leaks else GAIN,
        severity="warning" if leaks else "info",
        tank=row["tank"],
        source_address=row["source_address"],
        summary=f"{name} {verb} {told} in its quiet hours{note}",
        first_us=begin_us,
        last_us=end_us,
        value=value,
        low=low,
        high=high,
        unit=unit,
        causes=_causes(fluid, leaks=leaks),
        next_steps=_next_steps(fluid, leaks=leaks),
        caution=LEVELS if fluid in FUELS else HYGIENE if fluid == "black_water" else "",
    )


def _causes(fluid: str, *, leaks: bool) -> tuple[str, ...]:
    if not leaks:
        return ("something runs into it: a tap, a valve or a flush that drips", "the sender drifts")
    if fluid in FUELS:
        return ("a heater or another device that draws steadily", "a joint, a hose or the tank leaks")
    return ("a tap, a joint or a hose drips", "a pump that lets water back", "the sender drifts")


def _next_steps(fluid: str, *, leaks: bool) -> tuple[str, ...]:
    if not leaks:
        return ("close what feeds it, and see with canlevel leaks whether it ends",)
    first = "a leak of fuel or gas is a matter for a detector and a licensed trade, at once" if fluid in FUELS else None
    steps = (first, "switch off what draws from it for a night, and see with canlevel leaks whether it ends")
    return tuple(step for step in steps if step is not None)
