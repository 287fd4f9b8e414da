"""The proof itself: the evidence of a bus, its findings and the marks, judged tank by tank. Evidence in, Proofs out.

What explain already asks is not asked again: its findings about a tank are the answer to the item they belong to. What is new
is what needs a mark: that a tank moves, which way, how far, how fast and how soon; and that it rests when nobody touches it.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from canlevel.derivation.flows import derive_flows
from canlevel.errors import QueryError
from canlevel.findings.checks import HYGIENE, LEVELS, Finding
from canlevel.findings.evidence import OK, Evidence, Tank
from canlevel.findings.listener import Proof
from canlevel.proving.limits import (
    CAPACITY_OFF_PCT,
    CAPACITY_WRONG_PCT,
    COARSE_STEP_PCT,
    DELAY_LONG_S,
    DELAY_S,
    DRIFT_PCT_PER_MIN,
    EARLY_S,
    FASTEST_L_PER_MIN,
    FASTEST_PCT_PER_MIN,
    FEWEST_READINGS,
    LEAST_EXTENT_PCT,
    LEAST_REST_S,
    NOISE_BAD_PCT,
    NOISE_PCT,
)
from canlevel.proving.marks import Mark, WrittenMark, entry_named, marks_at
from canlevel.proving.movement import Interval, Response, Track, response, settling_s, track_of
from canlevel.proving.records import (
    ITEMS,
    NOT_PROVED,
    PROVED,
    WITH_REMARKS,
    Item,
    Movement,
    Proofs,
    Result,
    TankProof,
    Verdict,
)
from canlevel.proving.rest import Rest, rest_of
from canlevel.roster import TankEntry
from canlevel.tables import times_us, values_of
from canlevel.units import VolumeUnit
from canlevel.words import PROTOCOL_NAMES, counted, significant, span_words

__all__ = ["cautions_of", "prove"]

REST_BEFORE_S, REST_AFTER_S, LONGEST_REST_S = 900.0, 900.0, 3600.0
LATE_AT_MOST_S = 60.0
SLOWER = 1.5
BY_THE_ENDS = (0.0, 100.0)
ENDS = (0.5, 99.5)  # a level that has arrived there moves no more, whatever flows
PRESENT = ("no-traffic", "no-extended-frames", "no-tank-frames", "other-protocol", "tank-missing")
STATUS = ("level-not-available", "level-error", "resolution-zero", "level-over-range", "frame-malformed")
ONE_DEVICE = ("identity-clash", "instance-flicker", "address-conflict", "address-changed")
PERIOD = ("device-went-silent", "tank-went-silent", "update-irregular", "update-slow")
PINNED = ("level-pinned-full", "level-pinned-empty")
OF_ITEMS = {*PRESENT, *STATUS, *ONE_DEVICE, *PERIOD, *PINNED, "level-jumps", "coarse-steps", "capacity-mismatch"}
OF_SEVERITY: dict[str, Result] = {"fault": "fail", "warning": "fail", "info": "remark"}
WORST: tuple[Result, ...] = ("fail", "remark", "ok", "not_tested")
ROSE, FELL, STILL = "rose", "fell", "still"
WAYS = {1: ROSE, -1: FELL, 0: STILL}

FUEL = "Fuel: no flame and no spark, watch the filler and not the screen, and fill no further than local codes allow."
GAS = "LPG is filled by a licensed trade only, and never let out for a test: leave its marks out, or watch it while it is used."
POLLUTION = "Pump waste only into a station or tank that takes it; local codes come first."
WATER = "Fill drinking water through a hose for drinking water, with the vent open."
_CAUTIONS = {
    "fuel": (FUEL, LEVELS),
    "gasoline": (FUEL, LEVELS),
    "lpg": (GAS, LEVELS),
    "grey_water": (POLLUTION,),
    "black_water": (POLLUTION, HYGIENE),
    "oil": ("Oil and exhaust fluid are caught and never let into water or soil; local codes come first.",),
    "def": ("Oil and exhaust fluid are caught and never let into water or soil; local codes come first.",),
    "fresh_water": (WATER,),
}


def cautions_of(fluid: str) -> tuple[str, ...]:
    """What to mind when a tank of a fluid is filled and drained."""
    return _CAUTIONS.get(fluid, ())


def prove(
    evidence: Evidence,
    findings: Sequence[Finding],
    marks: Sequence[WrittenMark | Mark] = (),
    *,
    tank: str | None = None,
    units: VolumeUnit = VolumeUnit.LITRE,
) -> Proofs:
    """Each tank of the roster judged, or one of them. Pure: the same bus and the same marks give the same proof.

    findings: those of explain. marks: as written, or as moments. tank: an id of the roster. units: of volumes in sentences;
    figures stay in litres.
    Raises QueryError for a roster without tanks, a tank that is not in it, and marks outside the recording.
    """
    roster = evidence.roster
    if not roster.tanks:
        raise QueryError(
            "a proof needs a roster that lists the tanks",
            next_step="write one (see README.md), and give it with --roster FILE",
        )
    heard = [(one.tank, one.source_address, one.entry) for one in evidence.tanks if one.entry is not None]
    only = None if tank is None else entry_named(roster, tank, heard)
    firsts = [bus.first_us for bus in evidence.buses if bus.first_us is not None]
    lasts = [bus.last_us for bus in evidence.buses if bus.last_us is not None]
    first_us, last_us = min(firsts, default=None), max(lasts, default=None)
    written = [one for one in marks if isinstance(one, WrittenMark)]
    placed = marks_at(written, roster, first_us=first_us, last_us=last_us, only=only, heard=heard)
    placed += [one for one in marks if isinstance(one, Mark) and (only is None or one.entry is only)]
    placed.sort(key=lambda mark: mark.opened_us)
    bench = _Bench(evidence, findings, placed, units)
    entries = roster.tanks if only is None else (only,)
    proofs = tuple(_Case(bench, entry).proof() for entry in entries)
    ids = {proof.tank for proof in proofs}
    return Proofs(
        tanks=proofs,
        vessel=roster.vessel,
        first_us=first_us,
        last_us=last_us,
        live=evidence.recording.live,
        marks=tuple(placed),
        also_heard=tuple(dict.fromkeys(one.tank for one in evidence.tanks if one.entry is None)),
        others=tuple(
            one
            for one in findings
            if one.severity != "info" and one.tank not in ids and (one.tank is None or only is None)
        ),
    )


@dataclass
class _Bench:
    """What all cases share."""

    evidence: Evidence
    findings: Sequence[Finding]
    marks: Sequence[Mark]
    units: VolumeUnit

    @cached_property
    def tracks(self) -> list[tuple[Tank, Track]]:
        return [(tank, track_of(tank, tank.entry)) for tank in self.evidence.tanks]

    def track(self, tank: Tank) -> Track:
        return next(track for one, track in self.tracks if one is tank)


class _Case:
    """One tank of the roster."""

    def __init__(self, bench: _Bench, entry: TankEntry) -> None:
        self.bench, self.entry = bench, entry
        self.mine = [tank for tank in bench.evidence.tanks if tank.entry is entry]
        # Of several that claim to be the tank, the one that says most.
        self.tank = max(self.mine, key=lambda tank: tank.series.rows, default=None)
        self.marks = [mark for mark in bench.marks if mark.entry is entry]
        self.track = None if self.tank is None else bench.track(self.tank)
        self.responses: list[Response | None] = []
        for mark in self.marks if self.track is not None else ():
            assert self.track is not None
            self.responses.append(self._response(self.track, mark, self.responses))

    # ---- what all items need ----

    @cached_property
    def id(self) -> str:
        entry = self.entry
        if self.tank is not None:
            return self.tank.tank
        if entry.protocol is not None:
            return f"{entry.protocol}.{entry.fluid}.{entry.instance}"
        told = next((one.tank for one in self.bench.findings if one.code in PRESENT and self._is_this(one.tank)), None)
        spoken = Counter(tank.protocol for tank in self.bench.evidence.tanks).most_common(1)
        return told or f"{spoken[0][0] if spoken else 'unknown'}.{entry.fluid}.{entry.instance}"

    def _is_this(self, tank: str | None) -> bool:
        return tank is not None and tank.partition(".")[2] == f"{self.entry.fluid}.{self.entry.instance}"

    def _response(self, track: Track, mark: Mark, earlier: Sequence[Response | None]) -> Response | None:
        """What the level did around a mark of this tank. earlier: the same of those before."""
        if not len(track.time_us):
            return None
        at = len(earlier)
        earliest_us = int(track.time_us[0])
        if at:
            before, one = self.marks[at - 1], earlier[at - 1]
            ended_us = before.opened_us if before.closed_us is None else before.closed_us
            if before.closed_us is None and one is not None and one.arrived_s is not None:
                ended_us = min(track.origin_us + round(1e6 * one.arrived_s), mark.opened_us)
            # Half of the time between, so that a sender that is late with the one is not early with the next.
            earliest_us = ended_us + min(round(3e6 * settling_s(track)), (mark.opened_us - ended_us) // 2)
        latest_us = self.marks[at + 1].opened_us if at + 1 < len(self.marks) else int(track.time_us[-1])
        return response(track, mark.opened_us, mark.closed_us, earliest_us, latest_us)

    def _found(self, codes: Sequence[str]) -> list[Finding]:
        """Findings about this tank, or the device that sends it, of some codes."""
        if self.tank is None:
            ours = {self.id}
            return [one for one in self.bench.findings if one.code in codes and one.tank in ours]
        address = self.tank.source_address
        return [
            one
            for one in self.bench.findings
            if one.code in codes and (one.tank == self.id or (one.tank is None and one.source_address == address))
        ]

    def _told(self, key: str, found: Sequence[Finding], limit: str) -> Item | None:
        """An item that findings have answered: the worst of them first."""
        if not found:
            return None
        result = min((OF_SEVERITY[one.severity] for one in found), key=WORST.index)
        return Item(
            key,
            result,
            "; ".join(self._without_name(one.summary) for one in found),
            limit=limit,
            proof=found[0].proof,
            codes=tuple(dict.fromkeys(one.code for one in found)),
            next_steps=found[0].next_steps,
        )

    def _without_name(self, summary: str) -> str:
        """What a finding says, without the tank's own name before it."""
        name = self.tank.name if self.tank is not None else ""
        return summary.removeprefix(f"{name}: ").removeprefix(f"{name} ") if name else summary

    def _moved_instead(self) -> list[tuple[Mark, Tank, float]]:
        """Other tanks that did what this one should have done: (mark, tank, change in percent), where this one did not."""
        found = []
        for i, mark in enumerate(self.marks):
            mine = self.responses[i] if i < len(self.responses) else None
            if mine is not None and mine.moved == (1 if mark.kind == "fill" else -1):
                continue
            found += [(mark, *other) for other in self._also_moved(mark)]
        return found

    def _also_moved(self, mark: Mark) -> list[tuple[Tank, float]]:
        """Other tanks that moved as this one should while it was marked, and were not marked themselves; the most first."""
        way = 1 if mark.kind == "fill" else -1
        end_us = mark.closed_us or mark.opened_us
        found = []
        for tank, track in self.bench.tracks:
            if tank in self.mine or not len(track.time_us) or tank.tank == self.id:
                continue
            marked = [one for one in self.bench.marks if one.entry is tank.entry]
            if any(one.opened_us < end_us and mark.opened_us < (one.closed_us or one.opened_us) for one in marked):
                continue
            others = [one for one in self.bench.marks if one is not mark]
            earliest_us = max(
                [int(track.time_us[0])]
                + [one.closed_us or one.opened_us for one in others if one.opened_us < mark.opened_us]
            )
            latest_us = min(
                [int(track.time_us[-1])] + [one.opened_us for one in others if one.opened_us > mark.opened_us]
            )
            one = response(track, mark.opened_us, mark.closed_us, earliest_us, latest_us)
            if one is not None and one.moved == way:
                found.append((tank, one.change_pct))
        return sorted(found, key=lambda pair: -abs(pair[1]))

    # ---- the items ----

    def proof(self) -> TankProof:
        if self.tank is None or self.track is None:
            items = self._absent()
        else:
            items = {
                "present": self._present(self.tank),
                "identity": self._identity(self.tank),
                "status": self._status(self.tank),
                "one_device": self._one_device(self.tank),
                "period": self._period(self.tank),
                "not_pinned": self._not_pinned(self.tank, self.track),
                "rest": self._rest(self.track),
                "rises": self._moves("fill", self.track),
                "falls": self._moves("drain", self.track),
                "extent": self._extent(self.track),
                "speed": self._speed(self.track),
                "delay": self._delay(self.track),
                "step": self._step(self.track),
                "capacity": self._capacity(self.tank),
            }
        ordered = tuple(items[key] for key in ITEMS)
        verdict, reasons = self._verdict(items)
        movements = tuple(
            self._movement(mark, one) for mark, one in zip(self.marks, self.responses, strict=False) if one is not None
        )
        tank, entry = self.tank, self.entry
        facts = {
            "name": entry.name,
            "fluid": entry.fluid,
            "instance": entry.instance,
            "protocol": tank.protocol if tank is not None else entry.protocol,
            "source_address": tank.source_address if tank is not None else entry.source_address,
            "channel": tank.channel if tank is not None else None,
            "capacity_l": self.track.capacity_l if self.track is not None else entry.capacity_l,
        }
        return TankProof(self.id, facts, verdict, reasons, ordered, movements, cautions_of(entry.fluid))

    def _movement(self, mark: Mark, one: Response) -> Movement:
        assert self.track is not None
        return Movement(
            mark,
            WAYS[one.moved],
            one.before_pct,
            one.after_pct,
            _litres_between(self.track, one.before_pct, one.after_pct),
            one.first_change_s,
            one.delay_s,
            one.rate_l,
            one.rate_pct,
        )

    def _absent(self) -> dict[str, Item]:
        items = {key: Item(key, "not_tested", "nothing was heard of it") for key in ITEMS}
        evidence = self.bench.evidence
        found = [one for one in self.bench.findings if one.code in PRESENT and (one.tank in (None, self.id))]
        listened = f" in {span_words(evidence.heard_s)}" if evidence.heard_s else ""
        items["present"] = Item(
            "present",
            "fail",
            f"{self.id} was not heard{listened}",
            measured=0.0,
            unit="readings",
            limit=f"at least {FEWEST_READINGS} readings",
            least=FEWEST_READINGS,
            codes=tuple(dict.fromkeys(one.code for one in found)),
            next_steps=found[0].next_steps if found else (),
        )
        if self.id in evidence.not_fitted:
            items["status"] = Item(
                "status",
                "fail",
                "its device says, in every message, that this level is not available: not fitted, or not connected",
                measured=0.0,
                unit="%",
                limit="every reading carries a level",
                next_steps=("look at the sender's plug and wires", "look whether the device is set up for this tank"),
            )
        instead = [tank for _, tank, _ in self._moved_instead()] or self._heard_instead()
        if instead:
            first = instead[0]
            moved = next(((mark, change) for mark, tank, change in self._moved_instead() if tank is first), None)
            did = f", and it {_past(moved[1])} while this one was {_done(moved[0])}" if moved else ""
            listed = f'"{first.entry.short_name}" of the roster' if first.entry else "which the roster does not list"
            items["identity"] = Item(
                "identity",
                "fail",
                f"{first.tank} is heard instead, {listed}, from address {first.source_address}{did}",
                limit=f"{self.entry.fluid} {self.entry.instance} as in the roster",
                proof=first.proof(),
                codes=tuple(
                    one.code for one in self.bench.findings if one.tank == first.tank and one.code == "tank-unexpected"
                ),
                next_steps=("give its device this fluid and number, or mend the roster", "then prove it again"),
            )
        return items

    def _heard_instead(self) -> list[Tank]:
        """Tanks that nobody listed and that may be this one under another name, the likeliest first."""
        entry = self.entry
        found: list[tuple[int, Tank]] = []
        for tank in self.bench.evidence.tanks:
            if tank.entry is not None:
                continue
            same_protocol = entry.protocol in (None, tank.protocol)
            if tank.fluid == entry.fluid:
                found.append((0 if tank.instance == entry.instance else 1 if same_protocol else 2, tank))
            elif same_protocol and _number_of(tank.protocol, tank.instance) == _number_of(
                tank.protocol, entry.instance
            ):
                found.append((3, tank))
        return [tank for _, tank in sorted(found, key=lambda pair: pair[0])]

    def _present(self, tank: Tank) -> Item:
        n = sum(one.series.rows for one in self.mine)
        result: Result = "ok" if n >= FEWEST_READINGS else "fail"
        first = f"{counted(n, 'reading')} from address {tank.source_address}"
        where = f" on {tank.channel}" if tank.channel else ""
        return Item(
            "present",
            result,
            first + where,
            measured=float(n),
            unit="readings",
            limit=f"at least {FEWEST_READINGS} readings",
            least=FEWEST_READINGS,
            proof=tank.proof(),
        )

    def _identity(self, tank: Tank) -> Item:
        entry = self.entry
        limit = f"{entry.fluid} {entry.instance}" + (f" by {PROTOCOL_NAMES[entry.protocol]}" if entry.protocol else "")
        instead = self._moved_instead()
        if instead:
            mark, other, change = instead[0]
            name = (
                f'"{other.entry.short_name}" ({other.tank})'
                if other.entry
                else f"{other.tank}, which is not in the roster,"
            )
            return Item(
                "identity",
                "fail",
                f"while it was {_done(mark)}, {name} {_past(change)} by {abs(change):.1f} % in its place: swapped, or plumbed "
                "otherwise",
                limit=limit,
                proof=other.proof(),
                next_steps=(
                    "swap the two numbers (instances) in the monitor, or the two senders' plugs",
                    "make sure which tank the valve belongs to",
                    "then prove both again",
                ),
            )
        also = [
            f"{other.tank} {_past(change)} by {abs(change):.1f} %"
            for mark in self.marks
            for other, change in self._also_moved(mark)
        ]
        meanwhile = f"; meanwhile {', '.join(also[:2])}" if also else ""
        return Item(
            "identity", "ok", f"heard as {tank.tank}, as in the roster{meanwhile}", limit=limit, proof=tank.proof()
        )

    def _status(self, tank: Tank) -> Item:
        limit = "every reading carries a level from 0 to 100 %"
        good = tank.status == OK
        share = 100 * float(good.mean())
        told = self._told("status", self._found(STATUS), limit)
        if told is not None:
            return replace(told, measured=share, unit="%")
        bad = int(np.count_nonzero(~good))
        sentence = (
            "every reading carried a level"
            if not bad
            else f"{bad:,} of {len(good):,} readings carried none, for a moment"
        )
        return Item("status", "ok", sentence, measured=share, unit="%", limit=limit, proof=tank.proof())

    def _one_device(self, tank: Tank) -> Item:
        limit = "one device, at one address, sends it"
        sources = {one.source_address for one in self.mine}
        told = self._told("one_device", self._found(ONE_DEVICE), limit)
        if told is not None:
            return replace(told, measured=float(max(len(sources), 1)), unit="devices")
        if len(self.mine) > 1:
            ways = ", ".join(
                dict.fromkeys(f"{one.tank} from {one.source_address} on {one.channel or 'can'}" for one in self.mine)
            )
            return Item(
                "one_device",
                "remark",
                f"heard in {len(self.mine)} ways: {ways}; the one with the most readings was judged",
                measured=float(len(sources)),
                unit="devices",
                limit=limit,
                proof=tank.proof(),
            )
        return Item(
            "one_device",
            "ok",
            f"address {tank.source_address} alone",
            measured=1.0,
            unit="devices",
            limit=limit,
            proof=tank.proof(),
        )

    def _period(self, tank: Tank) -> Item:
        kind_s = tank.period_s
        limit = "never silent, never late" + (f"; its kind comes every {span_words(kind_s)}" if kind_s else "")
        between = tank.intervals_s
        measured = None if tank.usual_s is None else tank.usual_s
        told = self._told("period", self._found(PERIOD), limit)
        if told is not None:
            return replace(told, measured=measured, unit="s")
        if measured is None or len(between) < FEWEST_READINGS:
            return Item("period", "not_tested", "too few readings with times to tell a rhythm", limit=limit)
        return Item(
            "period",
            "ok",
            f"every {span_words(measured)}, at most {span_words(float(between.max()))} apart",
            measured=measured,
            unit="s",
            limit=limit,
            proof=tank.proof(),
        )

    def _not_pinned(self, tank: Tank, track: Track) -> Item:
        limit = "not at 0 or 100 % from first to last"
        level = track.level_pct
        if not len(level):
            return Item("not_pinned", "not_tested", "no reading carried a level", limit=limit)
        low, high = float(level.min()), float(level.max())
        found = self._found(PINNED)
        if low == high and low in BY_THE_ENDS and len(level) >= FEWEST_READINGS:
            tested = any(one is not None for one in self.responses)
            sure = tested or bool(found)
            span = span_words(float(np.ptp(track.seconds)) + track.period_s)
            why = (
                "though it was filled or drained"
                if tested
                else "as an input without a sender does, or an honest full or empty tank"
            )
            return Item(
                "not_pinned",
                "fail" if sure else "remark",
                f"{low:.0f} % for all of {span}, {why}",
                measured=low,
                unit="%",
                limit=limit,
                proof=tank.proof(),
                codes=tuple(one.code for one in found),
                next_steps=found[0].next_steps
                if found
                else (
                    "unplug the sender at the monitor: if nothing changes, the input has no sender, or a broken wire",
                ),
            )
        return Item(
            "not_pinned",
            "ok",
            f"from {low:.1f} to {high:.1f} %" if high > low else f"at {low:.1f} %",
            measured=high if abs(high - 50) > abs(low - 50) else low,
            unit="%",
            limit=limit,
            proof=tank.proof(),
        )

    def _spans_at_rest(self, track: Track) -> list[Interval]:
        """When nothing of this tank was marked, from the track's own begin to its end; without marks, the longest calm."""
        if not len(track.seconds):
            return []
        last_s = float(track.seconds[-1])
        if not self.marks:
            flows = derive_flows(track.readings(np.arange(len(track.seconds))))
            edges = [0.0]
            for begin, end in zip(times_us(flows, "start"), times_us(flows, "end"), strict=True):
                edges += [track.at(int(begin)) - track.period_s, track.at(int(end)) + settling_s(track)]
            edges.append(last_s)
            spans = [(begin, end) for begin, end in zip(edges[::2], edges[1::2], strict=True) if end > begin]
            longest = max(spans, key=lambda span: span[1] - span[0], default=None)
            return [] if longest is None else [(longest[0], min(longest[1], longest[0] + LONGEST_REST_S))]
        spans, free_s = [], 0.0
        for mark, one in zip(self.marks, self.responses, strict=True):
            opened_s = track.at(mark.opened_us)
            early_s = 1.0
            if one is not None and one.delay_s is not None and one.delay_s[1] < 0:
                early_s = 1.0 - one.delay_s[1]  # what began too early is told under "delay"
            spans.append((max(free_s, opened_s - REST_BEFORE_S), opened_s - early_s))
            if mark.closed_us is not None:
                late = [pair[0] for pair in (one.closed_delay_s, one.delay_s) if pair is not None] if one else []
                late_s = min(max(late, default=0.0), LATE_AT_MOST_S) if max(late, default=0.0) > 0 else 0.0
                free_s = track.at(mark.closed_us) + settling_s(track) + late_s
            else:
                arrived_s = None if one is None else one.arrived_s
                free_s = last_s if arrived_s is None else arrived_s + settling_s(track)
        spans.append((free_s, min(last_s, free_s + REST_AFTER_S)))
        return [span for span in spans if span[1] > span[0]]

    def _rest(self, track: Track) -> Item:
        limit = (
            f"at most {NOISE_PCT:g} % of scatter, {NOISE_BAD_PCT:g} % fails; no jumps; no drift above "
            f"{DRIFT_PCT_PER_MIN:g} % a minute"
        )
        jumps = self._found(("level-jumps",))
        rest, unmarked = self._rested(track)
        if rest is None:
            told = self._told("rest", jumps, limit)
            return told or Item(
                "rest",
                "not_tested",
                f"it was not left alone for {LEAST_REST_S:.0f} s before or after a mark",
                limit=limit,
            )
        assert self.tank is not None
        rows = np.sort(track.rows[rest.rows])
        item = Item(
            "rest",
            "ok",
            "",
            measured=rest.spread_pct,
            unit="%",
            limit=limit,
            most=NOISE_PCT,
            proof=self.tank.proof(rows),
            codes=tuple(one.code for one in jumps),
        )
        loose = ("move the sender's plug and wire and watch the level", "see that nothing sloshes, and prove it again")
        results: list[tuple[Result, str, tuple[str, ...]]] = []
        if rest.noise_pct > NOISE_PCT:
            bad: Result = "fail" if rest.noise_pct > NOISE_BAD_PCT else "remark"
            results.append((bad, f"scatters by {rest.spread_pct:.1f} % with everything closed", loose))
        if jumps or rest.jumps:
            often = "once" if rest.jumps == 1 else f"{rest.jumps:,} times"
            told_jumps = (
                jumps[0].summary if jumps and not rest.jumps else f"jumped {often}, by up to {rest.largest_pct:.1f} %"
            )
            results.append(("fail" if jumps or rest.jumps > 1 else "remark", told_jumps, loose))
        if rest.surely:
            drift = rest.drift_pct_per_min
            litres = self._litres_per_hour(track, drift)
            pace = f"{significant(abs(drift), 2)} % a minute{litres}"
            creeps = "falls" if drift < 0 else "rises"
            results.append(
                (
                    "fail" if abs(drift) > DRIFT_PCT_PER_MIN else "remark",
                    f"{creeps} by {pace} with everything closed: a leak, or a valve that is not tight",
                    (
                        "look for a leak and for a valve or a pump that is not off",
                        "then leave it alone for longer and look again",
                    ),
                )
            )
        elif rest.steps and track.step_pct > NOISE_PCT:
            way = "down" if rest.steps < 0 else "up"
            results.append(
                (
                    "remark",
                    f"went one step {way} ({track.step_pct:.1f} %) with everything closed",
                    ("leave it alone for longer: a second step the same way is a leak, or a valve that is not tight",),
                )
            )
        if unmarked:
            results.append(("remark", f"was not left alone: it {unmarked}", ("mark every fill and drain",)))
        if results:
            results.sort(key=lambda one: WORST.index(one[0]))
            return replace(
                item, result=results[0][0], sentence="; ".join(one[1] for one in results), next_steps=results[0][2]
            )
        smallest = self._litres_per_hour(track, rest.least_pct_per_min)
        return replace(
            item,
            sentence=f"still for {span_words(rest.seconds)}, scatter {rest.spread_pct:.2f} %; "
            f"a drift of {significant(rest.least_pct_per_min, 2)} % a minute{smallest} would have shown",
        )

    def _rested(self, track: Track) -> tuple[Rest | None, str]:
        """The rest, and what moved in it without a mark, if that is no drift: it came and went, and all else stood still.

        Whoever fills and drains and marks the one only has not left the tank alone; that is no leak. What else stood still
        has to be long enough that two thirds of that rate would have shown.
        """
        spans = self._spans_at_rest(track)
        rest = rest_of(track, spans)
        if rest is None or not self.marks or not (rest.surely or rest.steps or rest.noise_pct > NOISE_PCT):
            return rest, ""
        left, moved = list[Interval](), list[tuple[float, float, float, float]]()
        for begin_s, end_s in spans:
            places = track.within(begin_s, end_s + 1e-6)
            flows = derive_flows(track.readings(places)) if len(places) >= FEWEST_READINGS else None
            free_s = begin_s
            for row in flows.to_pylist() if flows is not None else []:
                flow_s = tuple((row[name].timestamp() * 1e6 - track.origin_us) / 1e6 for name in ("start", "end"))
                left.append((free_s, flow_s[0] - 2 * track.period_s))
                free_s = flow_s[1] + settling_s(track)
                moved.append((*flow_s, row["end_level_pct"] - row["start_level_pct"], row["rate_pct_per_min"]))
            left.append((free_s, end_s))
        other = rest_of(track, [span for span in left if span[1] - span[0] >= LEAST_REST_S / 2])
        if other is None or not moved or other.surely or other.steps:
            return rest, ""
        if any(abs(rate) / SLOWER < other.least_pct_per_min for *_, rate in moved):
            return rest, ""
        told = [
            f"{_past(change)} by {abs(change):.1f} % unmarked, {begin_s:.0f} to {end_s:.0f} s after its first reading"
            for begin_s, end_s, change, _ in moved
        ]
        return other, ", and ".join(told)

    def _litres_per_hour(self, track: Track, pct_per_min: float) -> str:
        if track.capacity_l is None:
            return ""
        units = self.bench.units
        per_h = units.from_litres(abs(pct_per_min) / 100 * track.capacity_l * 60)
        return f" ({significant(per_h, 2)} {units.symbol}/h)"

    def _volume(self, litres: float) -> str:
        units = self.bench.units
        return f"{units.from_litres(litres):,.1f} {units.symbol}"

    def _marked(self, kind: str) -> list[tuple[Mark, Response | None]]:
        return [
            (mark, one) for mark, one in zip(self.marks, self.responses, strict=True) if kind in (mark.kind, "both")
        ]

    def _moves(self, kind: str, track: Track) -> Item:
        assert self.tank is not None
        key, way, word = ("rises", 1, "rise") if kind == "fill" else ("falls", -1, "fall")
        limit = f"its level {word}s when it is {_DONE[kind]}"
        marked = self._marked(kind)
        if not marked:
            return Item(key, "not_tested", self._seen_unmarked(kind, track), limit=limit)
        worst: Item | None = None
        for mark, one in marked:
            item = self._moves_at(key, way, mark, one, track, limit)
            if worst is None or WORST.index(item.result) < WORST.index(worst.result):
                worst = item
        assert worst is not None
        return worst

    def _moves_at(self, key: str, way: int, mark: Mark, one: Response | None, track: Track, limit: str) -> Item:
        assert self.tank is not None
        done = _DONE[mark.kind]
        if one is None:
            return Item(
                key,
                "fail",
                f"no reading came after the valve was opened to have it {done}",
                limit=limit,
                next_steps=("see why it fell silent (period)",),
            )
        proof = self.tank.proof(np.sort(track.rows[one.rows])) if len(one.rows) else Proof()
        item = Item(
            key,
            "ok",
            "",
            measured=one.change_pct,
            unit="%",
            limit=f"{limit}, by {one.least_pct:.1f} % or more",
            least=one.least_pct if way > 0 else None,
            most=-one.least_pct if way < 0 else None,
            proof=proof,
        )
        if one.moved == way:
            litres = _litres_between(track, one.before_pct, one.after_pct)
            told = "" if litres is None else f", {self._volume(abs(litres))}"
            return replace(
                item, sentence=f"{_past(one.change_pct)} from {one.before_pct:.1f} to {one.after_pct:.1f} %{told}"
            )
        if one.moved:
            return replace(
                item,
                result="fail",
                sentence=f"{_past(one.change_pct)} from {one.before_pct:.1f} to {one.after_pct:.1f} % while it was {done}: "
                "inverted",
                next_steps=(
                    "look in the monitor's setup for the sender's kind (which end of its range is empty) and turn it round",
                    "swap the sender's two ends if it can be mounted either way",
                ),
            )
        step = _step_words(track, self.bench.units)
        return replace(
            item,
            result="fail",
            sentence=f"stood still at {one.before_pct:.1f} % while it was {done}; a step of its sender is {step}",
            next_steps=(
                "make sure that the valve belongs to this tank and that it did flow",
                "see whether another tank moved instead (identity)",
                f"let more flow than a step of its sender, {step}",
            ),
        )

    def _seen_unmarked(self, kind: str, track: Track) -> str:
        """What moved without a mark, as a sentence."""
        done = _DONE[kind]
        if not self.marks and len(track.seconds) >= FEWEST_READINGS:
            flows = derive_flows(track.readings(np.arange(len(track.seconds))))
            kinds = flows.column("kind").to_pylist()
            before, after = (values_of(flows.column(name), math.nan) for name in ("start_level_pct", "end_level_pct"))
            mine = [i for i, word in enumerate(kinds) if word == kind]
            if mine:
                i = max(mine, key=lambda i: abs(float(after[i] - before[i])))
                begun_s = track.at(int(times_us(flows, "start")[i]))
                change = float(after[i] - before[i])
                return (
                    f"seen, unmarked: {_past(change)} from {before[i]:.1f} to {after[i]:.1f} %, "
                    f"{span_words(max(begun_s, 0.0))} after its first reading; nobody marked it as {done}"
                )
        return f"it was not {done} at a mark"

    def _extent(self, track: Track) -> Item:
        limit = f"at least {LEAST_EXTENT_PCT:g} % and two steps of the sender"
        moved = [one for one in self.responses if one is not None and one.moved]
        if not moved:
            return Item("extent", "not_tested", "it did not move at a mark", limit=limit)
        assert self.tank is not None
        most = max(moved, key=lambda one: abs(one.change_pct))
        litres = _litres_between(track, most.before_pct, most.after_pct)
        told = "" if litres is None else f" ({self._volume(abs(litres))})"
        least = max(LEAST_EXTENT_PCT, 1.5 * track.step_pct if track.stepped else 0.0)
        enough = abs(most.change_pct) >= least
        return Item(
            "extent",
            "ok" if enough else "remark",
            f"{abs(most.change_pct):.1f} %{told} of the tank was passed"
            + ("" if enough else ": a longer fill or drain shows more"),
            measured=abs(most.change_pct),
            unit="%",
            limit=limit,
            least=LEAST_EXTENT_PCT,
            proof=self.tank.proof(np.sort(track.rows[most.rows])),
        )

    def _speed(self, track: Track) -> Item:
        in_litres = track.capacity_l is not None
        unit, most = ("L/min", FASTEST_L_PER_MIN) if in_litres else ("%/min", FASTEST_PCT_PER_MIN)
        units = self.bench.units
        shown, scale = (f"{units.symbol}/min", units.litres) if in_litres else (unit, 1.0)
        limit = f"no pump or valve does more than {float(f'{most / scale:.2g}'):g} {shown}"
        moved = [one for one in self.responses if one is not None and one.moved]
        rates = [(one, one.rate_l if in_litres else one.rate_pct) for one in moved]
        known = [(one, rate) for one, rate in rates if rate is not None]
        if not known:
            why = "it did not move at a mark" if not moved else "too few of its steps were passed to tell"
            return Item("speed", "not_tested", why, limit=limit)
        assert self.tank is not None
        one, rate = known[0]
        slowest = min(abs(rate[1]), abs(rate[2])) if rate[1] * rate[2] > 0 else 0.0
        words = ", ".join(_rate_words(pair, shown, scale) for _, pair in known[:3])
        return Item(
            "speed",
            "fail" if slowest > most else "ok",
            words if slowest <= most else f"{words}: faster than any pump or valve, so that it is no flow",
            measured=rate[0],
            unit=unit,
            low=min(rate[1:]),
            high=max(rate[1:]),
            limit=limit,
            most=most,
            proof=self.tank.proof(np.sort(track.rows[one.rows])),
        )

    def _delay(self, track: Track) -> Item:
        period_s = track.period_s
        ok_s, long_s = DELAY_S + period_s, DELAY_LONG_S + period_s
        limit = f"at most {ok_s:.3g} s behind, {long_s:.3g} s fails; not before the mark"
        told = [one for one in self.responses if one is not None and one.first_change_s is not None]
        if not told:
            moved = any(one is not None and one.moved for one in self.responses)
            return Item(
                "delay", "not_tested", "it did not move at a mark" if not moved else "nothing tells it", limit=limit
            )
        assert self.tank is not None
        first = max(told, key=lambda one: one.first_change_s or 0.0)
        bounds = [one.delay_s for one in told if one.delay_s is not None]
        item = Item(
            "delay",
            "ok",
            f"first change {_at(first.first_change_s)}",
            measured=first.first_change_s,
            unit="s",
            limit=limit,
            least=-EARLY_S,
            most=ok_s,
            proof=self.tank.proof(np.sort(track.rows[first.rows])),
        )
        soonest = min(told, key=_latest_s)
        early_s = -_latest_s(soonest)
        if early_s > EARLY_S:
            return replace(
                item,
                result="fail",
                measured=soonest.first_change_s,
                low=soonest.delay_s[0] if soonest.delay_s else None,
                high=-early_s,
                sentence=f"moved {early_s:.0f} s and more before the valve was opened: something else moved it, "
                "or the mark is wrong",
                next_steps=(
                    "make sure that nothing else fills or drains this tank",
                    "check the time of the mark, and its zone",
                ),
            )
        if not bounds:
            if (first.first_change_s or 0.0) <= ok_s:
                return item
            if (first.first_change_s or 0.0) <= long_s:
                return replace(item, measured=None, high=first.first_change_s)
            told_little = "; too few steps were passed to tell how much of it is the sender's"
            return replace(item, result="remark", sentence=item.sentence + told_little)
        bounds += [one.closed_delay_s for one in told if one.closed_delay_s is not None]
        low, high = max(pair[0] for pair in bounds), min(pair[1] for pair in bounds)
        if low > high:  # what they tell does not go together, so that no more than all of them is sure
            low = min(one.delay_s[0] for one in told if one.delay_s is not None)
            high = max(one.delay_s[1] for one in told if one.delay_s is not None)
            # But what one mark shows for sure, another does not take back: a float that sticks does so in one direction.
            latest = max((one for one in told if one.delay_s is not None), key=_surely_s)
            if _surely_s(latest) > ok_s:
                late = f"{_surely_s(latest):.0f} s and more behind at one mark, and not at another: it sticks one way, or a "
                return replace(
                    item,
                    result="fail" if _surely_s(latest) > long_s else "remark",
                    measured=_inside(first.first_change_s, _surely_s(latest), high),
                    low=_surely_s(latest),
                    high=high,
                    sentence=f"first change {_at(first.first_change_s)}; {late}mark is wrong",
                    next_steps=(
                        "check the times of the marks, and their zone",
                        "fill and drain it once more; move a float by hand, and see whether it sticks",
                    ),
                )
        stops = [
            one
            for one in told
            if one.closed_delay_s is not None and ENDS[0] + track.step_pct < one.after_pct < ENDS[1] - track.step_pct
        ]
        ended = min(stops, key=lambda one: one.closed_delay_s[1] if one.closed_delay_s else math.inf, default=None)
        low = max(low, 0.0)
        result: Result = "ok" if low <= ok_s else "remark" if low <= long_s else "fail"
        # What is measured is the sender's own delay; none, where it may be beyond the limit and nothing shows that it is.
        measured = _inside(first.first_change_s, low, max(high, low))
        item = replace(item, measured=None if result == "ok" and measured > ok_s else measured)
        if ended is not None and ended.closed_delay_s is not None and result == "ok":
            before_s = -ended.closed_delay_s[1]
            if before_s > EARLY_S + period_s:
                return replace(
                    item,
                    result="remark",
                    low=low,
                    high=max(high, low),
                    sentence=f"first change {_at(first.first_change_s)}, but it stopped {before_s:.0f} s and more before the "
                    "valve was closed: the mark is late, or something else moved it",
                    next_steps=("check the times of the marks",),
                )
        # A coarse step may hide a delay; what is not shown is not held against it.
        own = (
            f"the sender may be up to {high:.0f} s behind"
            if result == "ok" and high > ok_s
            else f"the sender is {_between(low, max(high, low))} behind"
        )
        if not track.stepped and result == "ok" and (first.first_change_s or 0.0) > max(high, 0.0) + period_s:
            own = f"its noise hid it until then, and {own}"
        if track.stepped:
            own = f"less the time that a step ({_step_words(track, self.bench.units)}) takes, {own}"
        return replace(
            item,
            result=result,
            low=low,
            high=max(high, low),
            sentence=f"first change {_at(first.first_change_s)}; {own}"
            + ("" if result == "ok" else ": whoever watches it while filling spills"),
            next_steps=()
            if result == "ok"
            else (
                "look in the monitor's setup for damping, and set it lower",
                "see whether a display or bridge holds it back",
            ),
        )

    def _step(self, track: Track) -> Item:
        limit = f"at most {COARSE_STEP_PCT:g} %"
        told = self._told("step", self._found(("coarse-steps",)), limit)
        step = track.sender.step_pct or None
        if told is not None:
            return replace(told, measured=step or track.told_step_pct or None, unit="%", most=COARSE_STEP_PCT)
        if step is None:
            said = (
                f"; the device says that it divides its level by {100 / track.told_step_pct:.0f}"
                if track.told_step_pct
                else ""
            )
            return Item("step", "not_tested", f"its level never changed{said}", limit=limit)
        assert self.tank is not None
        fine = step <= 0.1
        words = (
            f"measures without steps, to {step:.3f} %"
            if fine
            else f"moves in steps of {_step_words(track, self.bench.units)}"
        )
        return Item(
            "step",
            "ok" if step <= COARSE_STEP_PCT else "remark",
            words if step <= COARSE_STEP_PCT else f"{words}: it tells no more than a few parts of the tank",
            measured=step,
            unit="%",
            limit=limit,
            most=COARSE_STEP_PCT,
            proof=self.tank.proof(),
        )

    def _capacity(self, tank: Tank) -> Item:
        limit = f"within {CAPACITY_OFF_PCT:g} %, beyond {CAPACITY_WRONG_PCT:g} % fails"
        ours = self.entry.capacity_l
        told = tank.capacity_l
        said = told[told > 0]
        if ours is None or not len(said):
            who = (
                "the roster gives none"
                if ours is None
                else "J1939 has no place for it"
                if tank.protocol == "j1939"
                else "its device tells none"
            )
            other = ""
            if ours is None and len(said):
                other = f"; its device says {self._volume(float(said[-1]))}"
            elif ours is not None:
                other = f"; the roster's {self._volume(ours)} was used"
            return Item("capacity", "not_tested", who + other, limit=limit)
        device = float(said[-1])
        off_pct = 100 * (device - ours) / ours
        rounding = abs(device - ours) <= 1.0  # RV-C sends whole litres
        size = abs(off_pct)
        result: Result = (
            "ok" if size <= CAPACITY_OFF_PCT or rounding else "remark" if size <= CAPACITY_WRONG_PCT else "fail"
        )
        found = self._found(("capacity-mismatch",))
        return Item(
            "capacity",
            result,
            f"the device says {self._volume(device)}, the roster {self._volume(ours)}",
            measured=off_pct,
            unit="%",
            limit=limit,
            least=-CAPACITY_OFF_PCT,
            most=CAPACITY_OFF_PCT,
            proof=tank.proof(told == device),
            codes=tuple(one.code for one in found),
            next_steps=()
            if result == "ok"
            else (
                "measure or read off what the tank holds, and set the same in the monitor, the display and the roster",
            ),
        )

    def _verdict(self, items: dict[str, Item]) -> tuple[Verdict, tuple[str, ...]]:
        failed = [item for item in items.values() if item.result == "fail"]
        remarks = [item for item in items.values() if item.result == "remark"]
        untested = [key for key in ("rises", "falls") if items[key].result == "not_tested"]
        reasons = [f"{ITEMS[item.key]}: {item.sentence}" for item in failed]
        if len(untested) == 2 and items["present"].result == "ok":
            reasons.append("not filled or drained at a mark, so that nothing shows that it follows its tank")
        if reasons or len(untested) == 2:
            return NOT_PROVED, tuple(reasons)
        reasons = [f"{ITEMS[item.key]}: {item.sentence}" for item in remarks]
        reasons += [f"{ITEMS[key]}: not tested" for key in untested]
        if items["rest"].result == "not_tested":
            reasons.append(f"{ITEMS['rest']}: not tested")
        return (WITH_REMARKS, tuple(reasons)) if reasons else (PROVED, ())


def _surely_s(one: Response) -> float:
    """How long after the valve a level had surely not moved yet; nothing where its delay is not known."""
    return one.delay_s[0] if one.delay_s is not None else 0.0


def _inside(value: float | None, low: float, high: float) -> float:
    """A figure, or the end of the range that is nearest to it."""
    return min(max(low if value is None else value, low), high)


def _latest_s(one: Response) -> float:
    """How late after the mark a level can have begun to move at the most; negative: before it."""
    if one.delay_s is not None:
        return one.delay_s[1]
    return one.first_change_s if one.first_change_s is not None else math.inf


_DONE = {"fill": "filled", "drain": "drained"}


def _done(mark: Mark) -> str:
    return _DONE[mark.kind]


def _past(change: float) -> str:
    return ROSE if change > 0 else FELL


def _number_of(protocol: str, instance: int | None) -> int | None:
    """Which of the tanks of its fluid it is: in RV-C the low nibble of the instance tells the fluid."""
    return instance if instance is None or protocol != "rvc" else instance >> 4


def _litres_between(track: Track, before_pct: float, after_pct: float) -> float | None:
    here, there = track.litres(before_pct), track.litres(after_pct)
    return None if here is None or there is None else there - here


def _step_words(track: Track, units: VolumeUnit) -> str:
    words = f"{track.step_pct:.1f} %" if track.step_pct >= 0.1 else f"{track.step_pct:.3f} %"
    if track.capacity_l is None:
        return words
    return f"{words}, {significant(units.from_litres(track.step_pct / 100 * track.capacity_l), 2)} {units.symbol}"


def _rate_words(rate: tuple[float, float, float], unit: str, scale: float) -> str:
    """A rate with its limits. unit: its name; scale: what one of it is, in the unit of `rate`."""
    value, *limits = (bound / scale for bound in rate)
    if limits[0] == limits[1]:
        return f"{significant(value, signed=True)} {unit}"
    low, high = (significant(bound, signed=True) for bound in sorted(limits))
    return f"{significant(value, signed=True)} {unit} ({low} to {high})"


def _at(seconds: float | None) -> str:
    assert seconds is not None
    return f"{seconds:.1f} s after the valve" if seconds >= 0 else f"{-seconds:.1f} s before the mark"


def _between(low: float, high: float) -> str:
    if not math.isfinite(high):
        return f"at least {low:.0f} s"
    return f"at most {high:.1f} s" if low <= 0 else f"{low:.1f} to {high:.1f} s"
