"""Alarms: which limits of the roster a tank has crossed. One definition for the screen, the report and scripts."""

from __future__ import annotations

from dataclasses import dataclass

from canlevel.roster import TankEntry
from canlevel.words import span_words

__all__ = ["Alarm", "crossed"]


@dataclass(frozen=True, slots=True)
class Alarm:
    """One limit that was crossed. kind: the roster's key; limit and value in the unit of its name; sentence: for people."""

    kind: str
    limit: float
    value: float
    sentence: str


def crossed(
    entry: TankEntry,
    *,
    level_pct: float | None = None,
    silent_s: float | None = None,
    leak_l_per_h: float | None = None,
) -> list[Alarm]:
    """The limits of a tank that it has crossed, in the order of the roster's keys. What is None is not judged.

    level_pct: its level. silent_s: how long nothing was heard of it. leak_l_per_h: the loss that the leak watch has found.
    A level that reaches its limit has crossed it: a sender that ends at 100 % would never exceed a high_pct of 100.
    """
    found = []
    if level_pct is not None:
        if entry.low_pct is not None and level_pct <= entry.low_pct:
            found.append(
                Alarm("low_pct", entry.low_pct, level_pct, f"low: {level_pct:.1f} % (limit {entry.low_pct:g} %)")
            )
        if entry.high_pct is not None and level_pct >= entry.high_pct:
            sentence = f"high: {level_pct:.1f} % (limit {entry.high_pct:g} %)"
            found.append(Alarm("high_pct", entry.high_pct, level_pct, sentence))
    if silent_s is not None and entry.silent_after_s is not None and silent_s > entry.silent_after_s:
        sentence = f"silent for {span_words(silent_s)} (limit {span_words(entry.silent_after_s)})"
        found.append(Alarm("silent_after_s", entry.silent_after_s, silent_s, sentence))
    if leak_l_per_h is not None and entry.leak_l_per_h is not None and leak_l_per_h >= entry.leak_l_per_h:
        sentence = f"loses at least {leak_l_per_h:.2g} L/h (limit {entry.leak_l_per_h:g} L/h)"
        found.append(Alarm("leak_l_per_h", entry.leak_l_per_h, leak_l_per_h, sentence))
    return found
