"""Balance: fresh water out against grey and black water in, by day and vessel. READINGS and FLOWS in, BALANCE out.

What left a fresh tank in a day is what its level fell by and what was filled in; what came into a waste tank is what its level
rose by and what was dumped. Levels are taken at both ends of the part of the day (UTC) in which all tanks were heard, so uses
too small to be seen as flows count as well. A level that is elsewhere after a silence, in the direction of a fill (of a waste
tank: a dump), was filled or dumped meanwhile.

The range of what is missing is 95 %: each level that enters is uncertain by a step of the sender, evenly (standard deviation
step / sqrt(12)), by its noise over the readings it is the median of, and by LEVEL_PCT of the tank for tilt and drift.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from math import sqrt
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.derivation.flows import VolumeCurve
from canlevel.derivation.outlook import USE_FILLS, median_level, serviced_l, shape_of
from canlevel.derivation.sender import describe_sender
from canlevel.derivation.series import Series, series_of
from canlevel.tables import DAY_US, TIME_TYPE, WORD, described, timestamp_us

__all__ = ["BALANCE", "balance"]

Floats = NDArray[np.float64]

BALANCE = pa.schema(
    [
        described("vessel", WORD, "whose tanks", null="nobody said"),
        described("date", pa.string(), "the day in UTC, as 2026-05-01"),
        described("since", TIME_TYPE, "begin of the part of the day in which all tanks were heard", unit="UTC"),
        described("until", TIME_TYPE, "its end", unit="UTC"),
        described(
            "out_of_fresh_l",
            pa.float64(),
            "what left the fresh-water tanks",
            unit="L",
            null="their litres are not known",
        ),
        described(
            "into_waste_l",
            pa.float64(),
            "what came into grey and black water tanks",
            unit="L",
            null="their litres are not known, or there are none",
        ),
        described(
            "missing_l",
            pa.float64(),
            "out of fresh and not into waste; negative where more came in",
            unit="L",
            null="either is not known",
        ),
        described("missing_low", pa.float64(), "95 % limit", unit="L", null="as missing_l"),
        described("missing_high", pa.float64(), "95 % limit", unit="L", null="as missing_l"),
        described("note", pa.string(), "what the figures do not hold", null="nothing to add"),
    ]
)

FRESH = "fresh_water"
SHORTEST_H = 1.0
AROUND_S = 300.0
SILENCE_S = 600.0
JUMP_PCT, JUMP_STEPS = 2.0, 2.0
LEVEL_PCT = 0.3
SURE = 1.96


def balance(readings: pa.Table, flows: pa.Table) -> pa.Table:
    """BALANCE of READINGS and their FLOWS, a row for each vessel and day that has water tanks, in the order of the days.

    A tank that two devices send counts once, as the one that sends more tells it. Pure.
    """
    moved: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for flow in flows.to_pylist():
        moved.setdefault((flow["vessel"], flow["tank"], flow["source_address"]), []).append(flow)
    vessels: dict[str | None, dict[str, Series]] = {}
    for series in series_of(readings):
        if _is_water(series):
            tanks = vessels.setdefault(series.vessel, {})
            if series.tank not in tanks or len(series.seconds) > len(tanks[series.tank].seconds):
                tanks[series.tank] = series
    rows: list[dict[str, Any]] = []
    for vessel, tanks in vessels.items():
        counted = [_Tank.of(s, moved.get((s.vessel, s.tank, s.source_address), [])) for s in tanks.values()]
        rows += ({"vessel": vessel} | row for row in _days(counted))
    rows.sort(key=lambda row: (row["date"], row["vessel"] or ""))
    return pa.Table.from_pylist(rows, schema=BALANCE)


def _fluid(series: Series) -> str:
    return series.tank.split(".")[1] if "." in series.tank else ""


def _is_water(series: Series) -> bool:
    return _fluid(series) == FRESH or USE_FILLS.get(_fluid(series)) is True


@dataclass(frozen=True, slots=True)
class _Tank:
    """A water tank, with what it takes to say what was used of it. error_l: standard deviation of one level, litres."""

    series: Series
    flows: list[dict[str, Any]]
    curve: VolumeCurve
    fresh: bool
    jump_l: float
    error_l: float

    @classmethod
    def of(cls, series: Series, flows: list[dict[str, Any]]) -> _Tank:
        sender = describe_sender(series.seconds, series.level_pct)
        curve = shape_of(series)
        per_pct = float(curve(np.array([0.0, 100.0])) @ [-1.0, 1.0]) / 100
        error_pct = sqrt(sender.step_pct**2 / 12 + (sender.noise_pct / 4) ** 2 + LEVEL_PCT**2)
        jump_pct = max(JUMP_PCT, JUMP_STEPS * sender.step_pct)
        return cls(series, flows, curve, _fluid(series) == FRESH, jump_pct * per_pct, error_pct * per_pct)

    @property
    def label(self) -> str:
        return self.series.name or self.series.tank

    def heard(self, begin_us: int, end_us: int) -> tuple[int, int] | None:
        """The first and the last time it was heard between two moments."""
        first, last = np.searchsorted(self.series.seconds, [self._s(begin_us), self._s(end_us)])
        if last <= first:
            return None
        begin_s, end_s = self.series.seconds[[first, last - 1]].tolist()
        return self.series.origin_us + round(begin_s * 1e6), self.series.origin_us + round(end_s * 1e6)

    def _s(self, moment_us: int) -> float:
        return (moment_us - self.series.origin_us) / 1e6

    def used(self, since_us: int, until_us: int) -> tuple[float, float]:
        """(litres used, their variance) between two moments."""
        at_s = np.array([self._s(since_us), self._s(until_us)])
        levels = [
            median_level(self.series, *ends) for ends in ((at_s[0], at_s[0] + AROUND_S), (at_s[1] - AROUND_S, at_s[1]))
        ]
        litres = self.curve(np.array(levels))
        services = serviced_l(self.series, self.flows, at_s, litres=True, fills=self.fresh)
        unseen = self._unseen(float(at_s[0]), float(at_s[1]))
        seen = sum((flow["kind"] == "fill") == self.fresh and self._within(flow, at_s) for flow in self.flows)
        sign = -1.0 if self.fresh else 1.0
        used = sign * float(litres[1] - litres[0] - (services[1] - services[0]) - sum(unseen))
        return used, self.error_l**2 * (2 + 2 * seen + 2 * len(unseen))

    def _within(self, flow: dict[str, Any], at_s: Floats) -> bool:
        return bool(self._s(timestamp_us(flow["start"])) < at_s[1] and self._s(timestamp_us(flow["end"])) > at_s[0])

    def _unseen(self, begin_s: float, end_s: float) -> list[float]:
        """Litres, signed, of fills (of a waste tank: dumps) that happened while nothing was heard."""
        first, last = np.searchsorted(self.series.seconds, [begin_s, end_s + 1e-6])
        seconds = self.series.seconds[first:last]
        found = []
        for at in (np.flatnonzero(np.diff(seconds) > SILENCE_S) + first).tolist():
            before, after = self.series.seconds[at], self.series.seconds[at + 1]
            ends = [
                median_level(self.series, before - AROUND_S, before),
                median_level(self.series, after, after + AROUND_S),
            ]
            litres = self.curve(np.array(ends))
            change = float(litres[1] - litres[0])
            # A flow that is known to have gone on in the silence is counted already.
            known = serviced_l(self.series, self.flows, np.array([before, after]), litres=True, fills=self.fresh)
            change -= float(known[1] - known[0])
            if (change if self.fresh else -change) > self.jump_l:
                found.append(change)
        return found


def _days(tanks: list[_Tank]) -> Iterator[dict[str, Any]]:
    starts = [tank.series.origin_us for tank in tanks]
    ends = [tank.series.origin_us + round(float(tank.series.seconds[-1]) * 1e6) for tank in tanks]
    for day in range(min(starts) // DAY_US, max(ends) // DAY_US + 1):
        spoke = [tank.heard(day * DAY_US, (day + 1) * DAY_US) is not None for tank in tanks]
        silent = [tank for tank, heard in zip(tanks, spoke, strict=True) if not heard]
        heard_ones = [tank for tank, heard in zip(tanks, spoke, strict=True) if heard]
        since_us, until_us = _common(heard_ones, day * DAY_US, (day + 1) * DAY_US)
        if until_us - since_us >= SHORTEST_H * 3.6e9:
            date = f"{datetime.fromtimestamp(day * DAY_US / 1e6, UTC):%Y-%m-%d}"
            yield {"date": date, "since": since_us, "until": until_us} | _balanced(tanks, silent, since_us, until_us)


def _common(tanks: list[_Tank], since_us: int, until_us: int) -> tuple[int, int]:
    """The longest part of a time at either end of which every tank was heard; of no length where there is none."""
    while tanks:
        spans = [span for tank in tanks if (span := tank.heard(since_us, until_us)) is not None]
        if len(spans) < len(tanks):
            break
        begins, ends = zip(*spans, strict=True)
        since, until = max(begins), min(ends)
        if since - min(begins) <= AROUND_S * 1e6 and max(ends) - until <= AROUND_S * 1e6:
            return since, until
        since_us, until_us = since, until + 1  # one that was silent just then may be heard only later, or not since
    return since_us, since_us


def _balanced(tanks: list[_Tank], silent: list[_Tank], since_us: int, until_us: int) -> dict[str, Any]:
    """Litres out of fresh and into waste, and what is missing; null, with a note, where a tank does not tell its litres."""
    sides: dict[bool, float | None] = {}
    variance, notes = 0.0, []
    for fresh, what in ((True, "fresh"), (False, "waste")):
        side = [tank for tank in tanks if tank.fresh == fresh]
        dumb = [tank.label for tank in side if not tank.curve.litres]
        quiet = [tank.label for tank in silent if tank.fresh == fresh]
        if not side:
            notes.append(f"no {what} water tank")
        notes += [f"no litres known of {label}" for label in dumb] + [f"{label} was not heard" for label in quiet]
        sides[fresh] = None
        if side and not dumb and not quiet:
            used = [tank.used(since_us, until_us) for tank in side]
            sides[fresh] = sum(litres for litres, _ in used)
            variance += sum(one for _, one in used)
    out, into = sides[True], sides[False]
    row: dict[str, Any] = {"out_of_fresh_l": out, "into_waste_l": into, "note": "; ".join(notes)}
    if out is not None and into is not None:
        off = SURE * sqrt(variance)
        row |= {"missing_l": out - into, "missing_low": out - into - off, "missing_high": out - into + off}
    return row
