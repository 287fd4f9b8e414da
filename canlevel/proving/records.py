"""What a proof is made of, and its plain form: items with what was measured, a verdict for each tank, all of a vessel."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np

from canlevel.findings.checks import Finding
from canlevel.findings.listener import Proof
from canlevel.proving.marks import Mark
from canlevel.tables import EARLIEST_DATE_US

__all__ = [
    "FORMAT",
    "FORMAT_VERSION",
    "ITEMS",
    "NOT_PROVED",
    "NOT_SHOWN",
    "PROVED",
    "WITH_REMARKS",
    "Item",
    "Movement",
    "Proofs",
    "Result",
    "TankProof",
    "Verdict",
    "time_text",
]

Result = Literal["ok", "remark", "fail", "not_tested"]
Verdict = Literal["proved", "proved with remarks", "not proved"]

FORMAT, FORMAT_VERSION = "canlevel proof", 1
PROVED: Verdict = "proved"
WITH_REMARKS: Verdict = "proved with remarks"
NOT_PROVED: Verdict = "not proved"
# In the order in which they are told, with what they ask.
ITEMS = {
    "present": "heard on the bus",
    "identity": "right fluid and instance",
    "status": "sends a level",
    "one_device": "one device only",
    "period": "comes regularly",
    "not_pinned": "not pinned at an end",
    "rest": "steady at rest",
    "rises": "rises when filled",
    "falls": "falls when drained",
    "extent": "how far",
    "speed": "how fast",
    "delay": "delay behind the valve",
    "step": "true step",
    "capacity": "capacity as in the roster",
}
NOT_SHOWN = (
    "A proof shows what the bus said around these marks, with this supply and at this temperature. It does not show that half "
    "on the bus is half of the tank (that needs a measured fill), that displays show what the bus says, that the parts of the "
    "range which were not passed are right, or how the tank reads under way."
)


@dataclass(frozen=True, slots=True)
class Item:
    """One question about one tank, answered.

    key: of ITEMS. measured in `unit`, between low and high (95 %), None where nothing was. limit: what it was judged by, in
    words; least and most: the same as numbers, where it is one. sentence: for people. proof: the frames it rests on. codes:
    of the findings that say the same.
    """

    key: str
    result: Result
    sentence: str
    measured: float | None = None
    unit: str | None = None
    low: float | None = None
    high: float | None = None
    limit: str | None = None
    least: float | None = None
    most: float | None = None
    proof: Proof = field(default_factory=Proof)
    codes: tuple[str, ...] = ()
    next_steps: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """The item as plain values, for JSON."""
        return {
            "item": self.key,
            "title": ITEMS[self.key],
            "result": self.result,
            "sentence": self.sentence,
            "measured": _number(self.measured),
            "low": _number(self.low),
            "high": _number(self.high),
            "unit": self.unit,
            "limit": self.limit,
            "limit_low": _number(self.least),
            "limit_high": _number(self.most),
            "evidence": {
                "frames": self.proof.frames,
                "first_time": time_text(self.proof.first_us),
                "last_time": time_text(self.proof.last_us),
                "first_line": self.proof.first_line,
                "sample": self.proof.sample,
                "findings": list(self.codes),
            },
            "next_steps": list(self.next_steps),
        }


@dataclass(frozen=True, slots=True)
class Movement:
    """What one mark did to the tank's level. moved: "rose", "fell" or "still". seconds after the valve opened; volumes in
    litres.
    """

    mark: Mark
    moved: str
    before_pct: float
    after_pct: float
    change_l: float | None
    first_change_s: float | None
    delay_s: tuple[float, float] | None
    rate_l_per_min: tuple[float, float, float] | None
    rate_pct_per_min: tuple[float, float, float] | None

    def to_dict(self, first_us: int | None) -> dict[str, Any]:
        """As plain values. first_us: when the recording began."""
        rate, rate_pct = self.rate_l_per_min, self.rate_pct_per_min
        return _mark_dict(self.mark, first_us) | {
            "moved": self.moved,
            "before_pct": _number(self.before_pct),
            "after_pct": _number(self.after_pct),
            "change_pct": _number(self.after_pct - self.before_pct),
            "change_l": _number(self.change_l),
            "first_change_s": _number(self.first_change_s),
            "delay_low_s": _number(self.delay_s[0] if self.delay_s else None),
            "delay_high_s": _number(self.delay_s[1] if self.delay_s else None),
            "rate_l_per_min": _number(rate[0] if rate else None),
            "rate_low": _number(rate[1] if rate else None),
            "rate_high": _number(rate[2] if rate else None),
            "rate_pct_per_min": _number(rate_pct[0] if rate_pct else None),
        }


@dataclass(frozen=True, slots=True)
class TankProof:
    """One tank of the roster, its items in the order of ITEMS, and what follows from them.

    tank: its id. facts: name, fluid, instance, protocol, source_address, channel, capacity_l. reasons: why it is no more than
    the verdict says, a sentence each.
    """

    tank: str
    facts: Mapping[str, Any]
    verdict: Verdict
    reasons: tuple[str, ...]
    items: tuple[Item, ...]
    movements: tuple[Movement, ...] = ()
    cautions: tuple[str, ...] = ()

    def item(self, key: str) -> Item:
        """The item of a key."""
        return next(item for item in self.items if item.key == key)

    def to_dict(self, first_us: int | None) -> dict[str, Any]:
        """As plain values. first_us: when the recording began."""
        return {
            "tank": self.tank,
            **self.facts,
            "verdict": self.verdict,
            "reasons": list(self.reasons),
            "items": [item.to_dict() for item in self.items],
            "movements": [movement.to_dict(first_us) for movement in self.movements],
            "cautions": list(self.cautions),
        }


@dataclass(frozen=True, slots=True)
class Proofs:
    """The proof of the tanks of a vessel. first_us, last_us: from when to when was heard. also_heard: ids of tanks that the
    roster does not list. others: findings that are about no tank of the proof, such as those of the bus as a whole.
    """

    tanks: tuple[TankProof, ...]
    vessel: str | None
    first_us: int | None
    last_us: int | None
    live: bool
    marks: tuple[Mark, ...] = ()
    also_heard: tuple[str, ...] = ()
    others: tuple[Finding, ...] = ()
    source: str | None = None
    written_by: str | None = None

    @property
    def all_proved(self) -> bool:
        """Whether every tank is proved, with remarks or without."""
        return bool(self.tanks) and all(tank.verdict != NOT_PROVED for tank in self.tanks)

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain values, for JSON; times in ISO 8601, UTC, null where the recording does not tell them."""
        return {
            "format": FORMAT,
            "format_version": FORMAT_VERSION,
            "canlevel": self.written_by,
            "vessel": self.vessel,
            "source": self.source,
            "live": self.live,
            "since": time_text(self.first_us),
            "until": time_text(self.last_us),
            "seconds": None if self.first_us is None or self.last_us is None else (self.last_us - self.first_us) / 1e6,
            "proved": self.all_proved,
            "tanks": [tank.to_dict(self.first_us) for tank in self.tanks],
            "marks": [{"tank_name": mark.entry.name} | _mark_dict(mark, self.first_us) for mark in self.marks],
            "also_heard": list(self.also_heard),
            "other_findings": [
                {"code": one.code, "severity": one.severity, "summary": one.summary} for one in self.others
            ],
            "not_shown": NOT_SHOWN,
        }


def _mark_dict(mark: Mark, first_us: int | None) -> dict[str, Any]:
    def offset(time_us: int | None) -> float | None:
        return None if time_us is None or first_us is None else (time_us - first_us) / 1e6

    return {
        "kind": mark.kind,
        "opened": time_text(mark.opened_us),
        "closed": time_text(mark.closed_us),
        "opened_s": offset(mark.opened_us),
        "closed_s": offset(mark.closed_us),
    }


def time_text(time_us: int | None) -> str | None:
    """ISO 8601, UTC, to the microsecond; None for a time that only counts from a start that is not known."""
    if time_us is None or time_us < EARLIEST_DATE_US:
        return None
    return f"{np.datetime64(time_us, 'us')}Z"


def _number(value: float | None) -> float | None:
    """A number as JSON has it: no infinity, no nan, and no digits that nobody measured."""
    return None if value is None or not np.isfinite(value) else float(f"{value:.6g}")
