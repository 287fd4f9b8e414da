"""What a check is, and how checks become findings: each asks one question of the Evidence, and one fault is told once.

A check is a function from Evidence to Founds, with its code, severity, causes, next steps and caution beside it:

    @check("code", "warning", causes=(...), next_steps=(...), caution=WIRES, told_by=("other-code",))
    def name_of_the_question(evidence: Evidence) -> Iterator[Found]: ...

told_by: codes of findings that already tell the same fault of the same tank, device or bus; where one of them was found, this
one is not told again. Those checks run first, wherever they are listed. needs_s: how long a bus has to be heard.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from canlevel.findings.evidence import Bus, Device, Evidence, Tank
from canlevel.findings.listener import Proof

__all__ = [
    "HYGIENE",
    "LEVELS",
    "MOVING",
    "SEVERITIES",
    "WIRES",
    "Check",
    "Finding",
    "Found",
    "Severity",
    "check",
    "examine",
    "listen_longer",
    "not_answered",
]

Severity = Literal["fault", "warning", "info"]
Subject = tuple[str, ...]
NEARLY = 0.98  # of a time that is as good as the whole
ENOUGH_S = 30.0  # six of the slowest usual periods
SEVERITIES: tuple[Severity, ...] = ("fault", "warning", "info")

WIRES = (
    "Work on wiring with the supply off and fused, and measure resistance only with the power off. "
    "Local codes and licensed trades come first."
)
LEVELS = "Levels of fuel and gas on a bus are an indication, no safety device: a gas detector and a proper gauge stay required."
HYGIENE = "Work on black water needs gloves and hygiene."
MOVING = "The same bus may carry engine or steering data: unplug or reconfigure nothing while under way."
_OF_FLUID = {"fuel": LEVELS, "gasoline": LEVELS, "lpg": LEVELS, "black_water": HYGIENE}


@dataclass(frozen=True, slots=True)
class Found:
    """What a check found: one sentence, what it rests on, and whom it is about.

    tanks: the tanks concerned, of which the first gives the finding its id. tank_id: that of a tank that is not there.
    device, bus: where it is about more than tanks. severity: where this one differs from the check's. causes, next_steps: where
    they say more than the check's own; they come first.
    """

    summary: str
    proof: Proof
    tanks: tuple[Tank, ...] = ()
    tank_id: str | None = None
    device: Device | None = None
    bus: Bus | None = None
    source_address: int | None = None
    severity: Severity | None = None
    causes: tuple[str, ...] = ()
    next_steps: tuple[str, ...] = ()
    fluid: str | None = None


@dataclass(frozen=True, slots=True)
class Check:
    """One question that is asked of the evidence, with all that is said where the answer is bad news."""

    code: str
    severity: Severity
    causes: tuple[str, ...]
    next_steps: tuple[str, ...]
    caution: str
    told_by: tuple[str, ...]
    needs_s: float
    look: Callable[[Evidence], Iterator[Found]]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing worth telling the technician."""

    code: str
    severity: Severity
    tank: str | None
    source_address: int | None
    summary: str
    proof: Proof
    causes: tuple[str, ...]
    next_steps: tuple[str, ...]
    caution: str


def check(
    code: str,
    severity: Severity,
    *,
    causes: Sequence[str] = (),
    next_steps: Sequence[str],
    caution: str = "",
    told_by: Sequence[str] = (),
    needs_s: float = 0.0,
) -> Callable[[Callable[[Evidence], Iterator[Found]]], Check]:
    """Make a function a Check. causes: likely ones first. next_steps: what to do or measure, in that order. needs_s: how long a
    bus of the usual periods has to be heard before the question can be answered.
    """

    def made(look: Callable[[Evidence], Iterator[Found]]) -> Check:
        return Check(code, severity, tuple(causes), tuple(next_steps), caution, tuple(told_by), needs_s, look)

    return made


def examine(evidence: Evidence, checks: Sequence[Check]) -> list[Finding]:
    """Findings of all checks, the worst first, and of equally bad ones in the order of the checks."""
    told: dict[str, set[Subject]] = {}
    findings = []
    for one in _in_order(checks):
        for found in one.look(evidence):
            about = _about(found)
            around = about | _around(found)
            if any(told.get(code, set()) & around for code in one.told_by):
                continue
            told.setdefault(one.code, set()).update(about)
            findings.append(_finding(one, found))
    place = {one.code: i for i, one in enumerate(checks)}
    return sorted(findings, key=lambda finding: (SEVERITIES.index(finding.severity), place[finding.code]))


def not_answered(evidence: Evidence, checks: Sequence[Check]) -> list[Check]:
    """The checks for which a bus was not heard long enough, or whose frames do not tell their times."""
    heard_s = evidence.heard_s or 0.0
    return [one for one in checks if heard_s < NEARLY * one.needs_s]


def listen_longer(heard_s: float | None, why: str) -> tuple[str, ...]:
    """The first step where something is missing and was not waited for: none, where it was."""
    return (f"listen for longer, {ENOUGH_S:.0f} s or more: {why}",) if (heard_s or 0.0) < ENOUGH_S else ()


def _in_order(checks: Sequence[Check]) -> list[Check]:
    """The checks, each behind those that may tell its fault."""
    waiting, order = list(checks), list[Check]()
    while waiting:
        left = {one.code for one in waiting}
        ready = next((one for one in waiting if not left & set(one.told_by)), waiting[0])
        waiting.remove(ready)
        order.append(ready)
    return order


def _about(found: Found) -> set[Subject]:
    """Whom a finding is about."""
    about = {_tank_subject(tank) for tank in found.tanks}
    if found.tank_id is not None and not about:
        about.add(("tank id", found.tank_id))
    if found.device is not None:
        about.add(("device", str(found.device.channel), str(found.device.source_address)))
    if found.bus is not None:
        about.add(("bus", str(found.bus.channel)))
    if found.source_address is not None and not about:
        about.add(("address", str(found.source_address)))
    return about or {("everything",)}


def _around(found: Found) -> set[Subject]:
    """Who else stands for it: what is told of a device is told of its tanks, and what is told of a bus of all on it."""
    around: set[Subject] = {("everything",)}
    for tank in found.tanks:
        around |= {("device", str(tank.channel), str(tank.source_address)), ("bus", str(tank.channel))}
    if found.device is not None:
        around.add(("bus", str(found.device.channel)))
    return around


def _tank_subject(tank: Tank) -> Subject:
    return ("tank", str(tank.channel), tank.tank, str(tank.source_address))


def _finding(one: Check, found: Found) -> Finding:
    source = found.source_address
    if source is None and found.tanks:
        source = found.tanks[0].source_address
    if source is None and found.device is not None:
        source = found.device.source_address
    tank = found.tanks[0].tank if found.tanks else found.tank_id
    fluid = found.fluid or (found.tanks[0].fluid if found.tanks else "")
    caution = " ".join(part for part in dict.fromkeys([one.caution, _OF_FLUID.get(fluid, "")]) if part)
    return Finding(
        code=one.code,
        severity=found.severity or one.severity,
        tank=tank,
        source_address=source,
        summary=found.summary,
        proof=found.proof,
        causes=tuple(dict.fromkeys((*found.causes, *one.causes))),
        next_steps=tuple(dict.fromkeys((*found.next_steps, *one.next_steps))),
        caution=caution,
    )
