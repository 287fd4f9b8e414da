"""A person led from tank to tank at a live bus: what to do next, when it has moved enough, and the marks that come of it.

What comes in: READINGS as they arrive, the keys that were pressed, and the time. What goes out: sentences, a line of status,
and marks. The judging comes afterwards and is the same as for a recording (proving/).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

import numpy as np
import pyarrow as pa

from canlevel.proving.judging import cautions_of
from canlevel.proving.marks import Mark, entry_named
from canlevel.roster import Roster, TankEntry
from canlevel.tables import UNKNOWN_TIME_US, codes_of, column, times_us, values_of
from canlevel.units import VolumeUnit

__all__ = ["Guide"]

State = Literal["waiting", "rest", "ready", "open", "after"]

AFTER_S = 15.0  # longer than at rest before: the level and the sender's damping come to rest first
NOT_HEARD_S = 20.0  # four of the slowest usual periods
NO_CHANGE_S = 60.0
ENOUGH_PCT, ENOUGH_LEVELS = 3.0, 3
CLEAR_PCT = 0.3
SAME_CLOCK_S = 2.0  # a batch comes every half second
LATEST = 3
VERBS = {"fill": ("fill", "filled"), "drain": ("drain", "drained")}


@dataclass
class _Levels:
    """What one tank from one source said so far."""

    entry: TankEntry | None
    name: str
    at_us: list[int] = field(default_factory=list)
    level_pct: list[float] = field(default_factory=list)

    def since(self, time_us: int) -> list[float]:
        return [level for at, level in zip(self.at_us, self.level_pct, strict=True) if at >= time_us]

    def latest(self) -> float | None:
        return float(np.median(self.level_pct[-LATEST:])) if self.level_pct else None


class Guide:
    """The dialogue. status: one line for now. marks: those made so far. done: whether all tanks had their turn, or it was
    ended.

    tank: only this one. rest_s: how long a tank is left alone before and between. units: of what is said.
    Raises QueryError for a tank that is not listed.
    """

    def __init__(
        self, roster: Roster, tank: str | None = None, *, rest_s: float = 30.0, units: VolumeUnit = VolumeUnit.LITRE
    ) -> None:
        self._entries = list(roster.tanks) if tank is None else [entry_named(roster, tank)]
        self._roster = roster
        self._rest_s = rest_s
        self._units = units
        self._levels: dict[tuple[str, int], _Levels] = {}
        self._behind_us: int | None = None  # how far the frames' stamps are behind this computer's clock, at least
        self._now_us = 0
        self._turn = -1
        self._kind: Literal["fill", "drain"] = "fill"
        self._state: State = "waiting"
        self._since = 0.0
        self._rest_from_us = 0
        self._opened_us = 0
        self._told: set[str] = set()
        self.marks: list[Mark] = []
        self.status = ""
        self.done = not self._entries

    # ---- what is heard ----

    def hear(self, readings: pa.Table, host_us: int) -> None:
        """READINGS that arrived, when this computer's clock said host_us (microseconds since 1970)."""
        tank, tanks = codes_of(readings.column("tank"))
        source = values_of(readings.column("source_address"))
        time_us, level = times_us(readings), column(readings, "level_pct")
        for row in range(len(readings)):
            name, address = tanks[tank[row]] or "", int(source[row])
            at_us = int(time_us[row])
            if at_us == UNKNOWN_TIME_US:
                continue
            if self._behind_us is None or host_us - at_us < self._behind_us:
                self._behind_us = host_us - at_us
            heard = self._levels.get((name, address))
            if heard is None:
                heard = self._levels[name, address] = _Levels(self._roster.entry(name, address), name)
            if not math.isnan(level[row]):
                heard.at_us.append(at_us)
                heard.level_pct.append(float(level[row]))
        # Frames are stamped by this computer, or by that which has the adapter, whose clock may be another.
        behind_us = self._behind_us or 0
        self._now_us = host_us - (0 if abs(behind_us) < SAME_CLOCK_S * 1e6 else behind_us)

    def _mine(self) -> _Levels | None:
        entry = self._entries[self._turn]
        found = [one for one in self._levels.values() if one.entry is entry and one.level_pct]
        return max(found, key=lambda one: len(one.level_pct), default=None)

    # ---- what is done ----

    def step(self, keys: Sequence[str], now_s: float) -> list[str]:
        """What is to be said now. keys: pressed since the last call. now_s: of a clock that only goes forward."""
        said: list[str] = []
        if self._turn < 0:
            said += self._next_tank(now_s)
        for key in keys:
            if self.done:
                break
            said += self._press(key, now_s)
        if not self.done:
            said += self._wait(now_s)
        if self.done:
            self.status = ""
        return said

    def _press(self, key: str, now_s: float) -> list[str]:
        if key in ("q", "Q"):
            return self._end()
        if key in ("s", "S"):
            return self._skip(now_s)
        if key != "\n":
            return []
        if self._state == "ready":
            self._opened_us = self._now_us
            self._enter("open", now_s)
            return ["  Open. Watching. Press Enter at once when you close it."]
        if self._state == "open":
            return self._close(now_s)
        if self._state == "rest":
            return ["  Not yet: leave it closed until the time is up (s skips, q ends)."]
        return []

    def _close(self, now_s: float) -> list[str]:
        entry = self._entries[self._turn]
        closed_us = max(self._now_us, self._opened_us + 1)
        self.marks.append(Mark(entry, self._kind, self._opened_us, closed_us))
        mine, base = self._mine(), self._base(self._mine())
        change = ""
        if mine is not None and base is not None:
            change = f", {(mine.latest() or 0.0) - base:+.1f} %"
        open_s = (closed_us - self._opened_us) / 1e6
        self._enter("after", now_s)
        return [f"  Closed after {open_s:.0f} s{change}. Leave it alone for {self._after_s:.0f} s."]

    @property
    def _after_s(self) -> float:
        return self._rest_s + min(AFTER_S, self._rest_s)

    def _skip(self, now_s: float) -> list[str]:
        if self._state == "open":
            self._opened_us = 0
        if self._state in ("after", "waiting"):
            return self._next_kind(now_s)
        return [f"  Not {VERBS[self._kind][1]}: not tested.", *self._next_kind(now_s)]

    def _end(self) -> list[str]:
        self.done = True
        if self._state == "open":
            return ["  Ended with the valve open: that mark is not counted. Close the valve."]
        return ["  Ended."]

    def _next_kind(self, now_s: float) -> list[str]:
        if self._kind == "fill" and self._state != "waiting":
            self._kind = "drain"
            if self._state == "after":
                return self._ask(now_s)
            self._enter("rest" if self._state == "rest" else "ready", now_s, keep=True)
            return self._ask(now_s) if self._state == "ready" else []
        return self._next_tank(now_s)

    def _next_tank(self, now_s: float) -> list[str]:
        self._turn += 1
        if self._turn >= len(self._entries):
            self.done = True
            return ["That was the last."]
        entry = self._entries[self._turn]
        self._kind = "fill"
        self._enter("waiting", now_s)
        said = [
            f"Tank {self._turn + 1} of {len(self._entries)}: {_name(entry)}"
            + (f", {self._units.from_litres(entry.capacity_l):,.0f} {self._units.symbol}" if entry.capacity_l else "")
        ]
        return said + [f"  {caution}" for caution in cautions_of(entry.fluid)]

    def _enter(self, state: State, now_s: float, *, keep: bool = False) -> None:
        self._state = state
        if not keep:
            self._since = now_s
        self._told.clear()
        if state in ("rest", "after"):
            self._rest_from_us = self._now_us

    def _ask(self, now_s: float) -> list[str]:
        """The next valve, opened by a person."""
        self._enter("ready", now_s)
        what = "fill valve" if self._kind == "fill" else "drain valve, tap or pump"
        return [f"  {self._kind.upper()}: open its {what}, and press Enter at once. (s: skip, q: end)"]

    def _wait(self, now_s: float) -> list[str]:
        waited_s = now_s - self._since
        mine = self._mine()
        latest = None if mine is None else mine.latest()
        shown = "  no level yet" if latest is None else f"  {latest:.1f} %"
        if self._state == "waiting":
            self.status = f"{shown}, listening"
            if mine is not None:
                self._enter("rest", now_s)
                return [f"  Leave everything closed for {self._rest_s:.0f} s. (s: skip, q: end)"]
            if waited_s >= NOT_HEARD_S:
                return [f"  Nothing is heard of it in {waited_s:.0f} s{self._instead()}.", *self._next_tank(now_s)]
            return []
        if self._state in ("rest", "after"):
            total_s = self._rest_s if self._state == "rest" else self._after_s
            self.status = f"{shown}, {max(total_s - waited_s, 0):.0f} s to go"
            if waited_s < total_s:
                return []
            return self._ask(now_s) if self._state == "rest" else self._next_kind(now_s)
        if self._state == "ready":
            self.status = f"{shown}, ready"
            return []
        return self._watch(mine, shown, waited_s)

    def _watch(self, mine: _Levels | None, shown: str, waited_s: float) -> list[str]:
        """While a valve is open."""
        base, way = self._base(mine), 1 if self._kind == "fill" else -1
        self.status = f"{shown}, {waited_s:.0f} s"
        if mine is None or base is None:
            return []
        latest = mine.latest() or 0.0
        change = latest - base
        self.status = f"{shown}, {change:+.1f} % in {waited_s:.0f} s"
        said: list[str] = []
        levels = len({round(level, 2) for level in mine.since(self._opened_us)})
        if abs(change) > self._noise(mine):
            if way * change < 0 and "inverted" not in self._told:
                self._told.add("inverted")
                said.append(f"  It goes the wrong way: {change:+.1f} % while it is {VERBS[self._kind][1]}.")
            elif way * change >= ENOUGH_PCT and levels >= ENOUGH_LEVELS and "enough" not in self._told:
                self._told.add("enough")
                said.append(f"  Enough: {change:+.1f} %. Close it, and press Enter at once.")
        elif waited_s >= NO_CHANGE_S and "still" not in self._told:
            self._told.add("still")
            said.append(
                f"  No change in {waited_s:.0f} s{self._instead()}. A coarse sender needs more. Press Enter at once when you "
                "close it."
            )
        return said

    def _base(self, levels: _Levels | None) -> float | None:
        """A tank's level before the valve was opened."""
        if levels is None:
            return None
        begin_us = self._rest_from_us if self._rest_from_us < self._opened_us else 0
        before = [
            level for at, level in zip(levels.at_us, levels.level_pct, strict=True) if begin_us <= at <= self._opened_us
        ]
        return float(np.median(before[-12:])) if before else None

    def _noise(self, levels: _Levels) -> float:
        """How far a level may be off by its own scatter: what neighbours differed by, before the valve was opened."""
        before = [level for at, level in zip(levels.at_us, levels.level_pct, strict=True) if at <= self._opened_us][
            -20:
        ]
        return CLEAR_PCT + max((abs(two - one) for one, two in pairwise(before)), default=0.0)

    def _instead(self) -> str:
        """Which other tank moved while this one did not, or is heard where this one is not."""
        entry = self._entries[self._turn]
        if self._state == "waiting":
            strangers = [one.name for one in self._levels.values() if one.entry is None]
            return f"; heard, and not in the roster: {', '.join(strangers)}" if strangers else ""
        for one in self._levels.values():
            base = self._base(one)
            if one.entry is entry or base is None or not one.level_pct:
                continue
            change = (one.latest() or 0.0) - base
            if abs(change) > 2 * self._noise(one):
                who = one.name if one.entry is None else f"{_name(one.entry)}, {one.name},"
                return f", but {who} went by {change:+.1f} %"
        return ""


def _name(entry: TankEntry) -> str:
    from canlevel.errors import printable

    return printable(entry.short_name)
