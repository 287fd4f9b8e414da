"""Checks of which tanks are there at all: against the roster, and what they hold."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from canlevel.findings.checks import MOVING, WIRES, Check, Found, check, listen_longer
from canlevel.findings.evidence import Evidence, Tank
from canlevel.findings.listener import Proof
from canlevel.roster import TankEntry
from canlevel.words import PROTOCOL_NAMES, counted, span_words

__all__ = ["ROSTER_CHECKS"]

CAPACITY_OFF = 0.10
LEVELS_COME = "levels come every 2.5 to 5 s, and a bus takes a while after its supply is switched on"
NOT_ON_THE_BUS = (
    "the sender or its monitor is not connected to this bus, or has no supply",
    "the monitor's input was never told that it has a tank, or under another number or kind",
    "the monitor has no data port, and is on no bus at all",
)
FIND_IT = (
    "check the monitor's supply and its plug into the network",
    "look in the monitor's setup for the tank: kind, number (instance) and whether it is switched on",
    "run canlevel devices: is the monitor's address there at all?",
)


@check(
    "no-tank-frames",
    "fault",
    causes=(
        "no device on this bus sends tank levels: the tank monitor is not connected, or has no supply",
        "the monitor's port is set to another protocol or to none",
    ),
    next_steps=(
        "run canlevel devices: is the monitor's address there at all?",
        "check the monitor's supply, its plug into the network and the protocol its port is set to",
    ),
    caution=WIRES,
    told_by=("no-traffic", "no-extended-frames"),
)
def no_tank_frames(evidence: Evidence) -> Iterator[Found]:
    """Does anything on the bus speak of tanks?"""
    if evidence.tanks or evidence.nameless:
        return
    expected = len(evidence.roster.tanks)
    told = f"; the roster lists {expected}" if expected else ""
    heard_s = evidence.heard_s
    heard = f" in {span_words(heard_s)}" if heard_s is not None else ""
    longer = listen_longer(heard_s, LEVELS_COME)
    short = ("it was too short: levels come every 2.5 to 5 s, and a monitor that was just switched on takes its time",)
    yield Found(
        f"{counted(evidence.extended, 'frame')}{heard}, and none of them is a tank's{told}",
        replace(evidence.first, frames=evidence.extended),
        causes=short if longer else (),
        next_steps=longer,
    )


@check(
    "other-protocol",
    "fault",
    causes=(
        "the monitor sends the other protocol than the display's port listens to: a port listens to one at a time",
        "the roster, or the display, was set up for another network",
    ),
    next_steps=(
        "set the display's port, or the monitor's output, so that both speak the same protocol",
        "if the tank is meant to be there under this protocol, change its id in the roster",
    ),
    caution=MOVING,
    told_by=("no-tank-frames",),
)
def other_protocol(evidence: Evidence) -> Iterator[Found]:
    """Is a tank of the roster there under another protocol only?"""
    for entry in _missing(evidence):
        others = _under_other_protocols(evidence, entry)
        if others:
            here = ", ".join(dict.fromkeys(tank.tank for tank in others))
            spoken = " and ".join(dict.fromkeys(PROTOCOL_NAMES[tank.protocol] for tank in others))
            yield Found(
                f'"{entry.short_name}" is not there as {_id(evidence, entry)}, but {spoken} carries {here}',
                others[0].proof(),
                tank_id=_id(evidence, entry),
                source_address=others[0].source_address,
                fluid=entry.fluid,
            )


@check(
    "tank-missing",
    "fault",
    causes=NOT_ON_THE_BUS,
    next_steps=FIND_IT,
    caution=WIRES,
    told_by=("no-traffic", "no-extended-frames", "no-tank-frames", "other-protocol"),
)
def tank_missing(evidence: Evidence) -> Iterator[Found]:
    """Is every tank of the roster heard?"""
    for entry in _missing(evidence):
        like = [tank for tank in evidence.tanks if tank.fluid == entry.fluid and tank.entry is None]
        elsewhere = _from_elsewhere(evidence, entry)
        hint: tuple[str, ...] = ()
        if elsewhere:
            sources = " and ".join(str(tank.source_address) for tank in elsewhere)
            hint = (f"its device has another address by now: {elsewhere[0].tank} comes from {sources}",)
        elif _id(evidence, entry) in evidence.not_fitted:
            hint = ("the vehicle says that it has no such tank, or its sender is not connected (FFh, not available)",)
        elif like:
            there = ", ".join(dict.fromkeys(tank.tank for tank in like))
            hint = (f"it is sent under another number: {there} is there and not in the roster",)
        from_source = f" from address {entry.source_address}" if entry.source_address is not None else ""
        word = _id(evidence, entry) or f"{entry.fluid} {entry.instance}"
        yield Found(
            f'"{entry.short_name}" ({word}){from_source} is not on the bus',
            Proof(),
            tank_id=_id(evidence, entry),
            causes=hint,
            next_steps=listen_longer(evidence.heard_s, LEVELS_COME),
            fluid=entry.fluid,
        )


@check(
    "tank-unexpected",
    "info",
    causes=(
        "a tank that the roster does not list yet",
        "an input of the monitor without a sender, which reads full or open until the monitor is told that it has none",
        "a second monitor, or a display that sends a tank on",
    ),
    next_steps=(
        "add it to the roster if it is a tank",
        "if nobody has it: switch the input off in the monitor, then restart displays, which may go on showing it as a tank "
        "without a name",
    ),
    told_by=("other-protocol",),
)
def tank_unexpected(evidence: Evidence) -> Iterator[Found]:
    """Is there a tank that the roster does not list?"""
    if not evidence.roster.tanks:
        return
    explained = {
        other
        for entry in _missing(evidence)
        for other in (*_under_other_protocols(evidence, entry), *_from_elsewhere(evidence, entry))
    }
    for tank in evidence.tanks:
        if tank.entry is None and tank not in explained:
            yield Found(
                f"{tank.tank}, sent by address {tank.source_address}, is not in the roster", tank.proof(), tanks=(tank,)
            )


@check(
    "capacity-mismatch",
    "warning",
    causes=(
        "the capacity in the monitor or display is its default, or another tank's",
        "the roster gives another unit, or what the tank holds in use and not to the brim",
    ),
    next_steps=(
        "measure or read off what the tank holds, and set the same in the monitor, the display and the roster",
    ),
)
def capacity_mismatch(evidence: Evidence) -> Iterator[Found]:
    """Does the device say the same capacity as the roster?"""
    for tank in evidence.tanks:
        told = tank.capacity_l[tank.capacity_l > 0]
        if tank.entry is None or tank.entry.capacity_l is None or not len(told):
            continue
        ours, device = tank.entry.capacity_l, float(told[-1])
        if abs(device - ours) > CAPACITY_OFF * ours:
            yield Found(
                f"{tank.name}: the device says {device:,.0f} L, the roster {ours:,.0f} L",
                tank.proof(tank.capacity_l == device),
                tanks=(tank,),
            )


@check(
    "capacity-missing",
    "info",
    causes=("the monitor was never told what the tank holds",),
    next_steps=(
        "set the capacity in the monitor, or give it in the roster: without it there are percents and no litres",
    ),
)
def capacity_missing(evidence: Evidence) -> Iterator[Found]:
    """Is it known what the tank holds?"""
    for tank in evidence.tanks:
        unknown = not (tank.capacity_l > 0).any() and (tank.entry is None or tank.entry.capacity_l is None)
        if unknown and tank.numbers_known.any():
            causes = (
                ("J1939 messages have no place for it: only the roster can tell",) if tank.protocol == "j1939" else ()
            )
            yield Found(f"{tank.name}: nobody says how much it holds", tank.proof(), tanks=(tank,), causes=causes)


def _missing(evidence: Evidence) -> list[TankEntry]:
    """Tanks of the roster that nothing heard belongs to."""
    heard = {id(tank.entry) for tank in evidence.tanks if tank.entry is not None}
    return [entry for entry in evidence.roster.tanks if id(entry) not in heard]


def _from_elsewhere(evidence: Evidence, entry: TankEntry) -> list[Tank]:
    """Tanks like a missing one of the roster, but from another source address than it says."""
    if entry.source_address is None:
        return []
    anywhere = replace(entry, source_address=None)
    return [tank for tank in evidence.tanks if tank.entry is None and anywhere.matches(tank.tank, tank.source_address)]


def _under_other_protocols(evidence: Evidence, entry: TankEntry) -> list[Tank]:
    """Tanks of the same fluid under another protocol that the roster does not list; those of the same number first."""
    if entry.protocol is None:
        return []
    found = [
        tank
        for tank in evidence.tanks
        if tank.entry is None and tank.fluid == entry.fluid and tank.protocol != entry.protocol
    ]
    return sorted(found, key=lambda tank: tank.instance != entry.instance)


def _id(evidence: Evidence, entry: TankEntry) -> str | None:
    """The tank id of an entry; where it does not name its protocol, by that of the tanks heard, if they share one."""
    if entry.protocol is not None:
        return f"{entry.protocol}.{entry.fluid}.{entry.instance}"
    spoken = Counter(tank.protocol for tank in evidence.tanks)
    if not spoken or (len(spoken) > 1 and np.ptp(list(spoken.values())) == 0):
        return None
    return f"{spoken.most_common(1)[0][0]}.{entry.fluid}.{entry.instance}"


ROSTER_CHECKS: tuple[Check, ...] = (
    no_tank_frames,
    other_protocol,
    tank_missing,
    tank_unexpected,
    capacity_mismatch,
    capacity_missing,
)
