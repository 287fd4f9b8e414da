"""Checks of what a tank's device says: no number, wrong numbers, a level that never moves or moves as no liquid can."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from canlevel.findings.checks import MOVING, WIRES, Check, Found, check
from canlevel.findings.evidence import ERROR, MALFORMED, NOT_AVAILABLE, OK, OVER_RANGE, RESERVED, Evidence, Tank
from canlevel.words import counted, span_words

__all__ = ["VALUE_CHECKS", "coarse_step_pct"]

FEWEST_BAD, BAD_SHARE = 3, 0.05
STARTING_S = 30.0  # a device that was just switched on has no level for a while
BRIEFLY_S, AWAY_PERIODS, BAD_S = 20.0, 5.0, 10.0
PINNED_S = 300.0
LITTLE_OVER = (-1.0, 105.0)
FEWEST_OVER, OVER_SHARE = 3, 0.01
# A dump valve drains up to 120 L/min (common practice, no source), and no tank in less than half a minute; a quarter more, or
# a tank in 20 s, is beyond pumps and valves.
NO_PUMP_L_PER_MIN, NO_PUMP_PCT_PER_S = 150.0, 5.0
JUMP_PCT, LEAST_JUMP_PCT, SURE_JUMP_PCT = 20.0, 14.0, 35.0
JUMP_WITHIN_PERIODS, JUMP_WITHIN_S = 4.0, 15.0
ABOVE_SLOSH, MOST_OF_SLOSH = 5.0, 3.0
SLOSH_WINDOW = 15
AT_A_TIME = 100_000
COARSE_PCT = 5.0
GRID_OFF = 0.12  # of a step
FEW_LEVELS_PARTS, MOST_PARTS = 8, 20
ONE_STEP_SHARE, FEWEST_AT_STEPS = 0.8, 8
STRIP_DISTURBED = "a strip that is disturbed: it reads through plastic only, and metal near it disturbs it"
NO_SENDER = "an input without a sender reads open or full until the monitor is told that it has none"


@check(
    "level-not-available",
    "fault",
    causes=(
        "the sender is not connected, or its wire is broken",
        "the monitor's input is switched on but has no sender",
        "the sender has no supply",
    ),
    next_steps=(
        "look at the sender's plug and wires at the tank and at the monitor",
        "swap the sender with that of a tank that works: does the fault move with it?",
        "if there is no such tank, switch the input off in the monitor and restart the displays",
    ),
    caution=WIRES,
)
def level_not_available(evidence: Evidence) -> Iterator[Found]:
    """Does the device say that it has no level?"""
    for tank in evidence.tanks:
        bad = tank.status == NOT_AVAILABLE
        if _worth_telling(tank, bad, evidence):
            yield Found(
                f"{tank.name}: {_how_often(bad, 'say')} that the level is not available", tank.proof(bad), (tank,)
            )


@check(
    "resolution-zero",
    "fault",
    causes=("the monitor's input is not set up: it divides its level by zero", "a fault in the device's own program"),
    next_steps=("set up the sender's kind in the monitor", "ask its maker for a newer program if that does not help"),
)
def resolution_zero(evidence: Evidence) -> Iterator[Found]:
    """Does an RV-C device divide by zero?"""
    for tank in evidence.tanks:
        bad = (tank.status == ERROR) & (tank.steps == 0)
        if _worth_telling(tank, bad, evidence):
            yield Found(
                f"{tank.name}: {_how_often(bad, 'give')} a resolution of 0, which makes its level no number",
                tank.proof(bad),
                (tank,),
            )


@check(
    "level-error",
    "fault",
    causes=(
        "the device found its sender open, shorted or out of range",
        "a sender of another kind than the monitor is set to",
    ),
    next_steps=(
        "measure the sender at its plug against its data sheet, empty and full",
        "check which kind of sender the monitor's input is set to",
    ),
    caution=WIRES,
)
def level_error(evidence: Evidence) -> Iterator[Found]:
    """Does the device report an error instead of a level?"""
    for tank in evidence.tanks:
        bad = ((tank.status == ERROR) & (tank.steps != 0)) | (tank.status == RESERVED)
        if _worth_telling(tank, bad, evidence):
            what = "an error" if (tank.status[bad] == ERROR).any() else "a value without a meaning"
            yield Found(f"{tank.name}: {_how_often(bad, 'say')} {what} instead of a level", tank.proof(bad), (tank,))


@check(
    "level-over-range",
    "fault",
    causes=(
        "the sender was never calibrated to this tank, or another kind of sender is set up",
        "two senders that are stacked to one, but not declared as two",
        STRIP_DISTURBED,
    ),
    next_steps=(
        "calibrate the sender empty and full",
        "check where a strip is glued: on plastic, over the whole depth, away from metal",
        "check whether stacked senders are declared as a pair",
    ),
)
def level_over_range(evidence: Evidence) -> Iterator[Found]:
    """Is the level outside what a tank can have? A little over full is a matter of calibration."""
    for tank in evidence.tanks:
        over = tank.status == OVER_RANGE
        far = over & (~np.isnan(tank.steps) | (tank.level_pct < LITTLE_OVER[0]) | (tank.level_pct > LITTLE_OVER[1]))
        total = len(tank.status)
        if far.any() and (far.all() or np.count_nonzero(far) >= max(FEWEST_OVER, OVER_SHARE * total)):
            low, high = float(tank.level_pct[far].min()), float(tank.level_pct[far].max())
            levels = f"{low:.0f} %" if high - low < 1 else f"{low:.0f} to {high:.0f} %"
            yield Found(f"{tank.name}: {_how_often(far, 'give')} a level of {levels}", tank.proof(far), (tank,))
        elif over.any() and np.count_nonzero(over) >= min(FEWEST_OVER, total):
            worst = float(tank.level_pct[over][np.argmax(np.abs(tank.level_pct[over] - 50))])
            yield Found(
                f"{tank.name}: its level goes a little beyond its ends ({worst:.1f} %): a matter of calibration",
                tank.proof(over),
                (tank,),
                severity="info",
            )


def _pinned(evidence: Evidence, level_pct: float) -> Iterator[Tank]:
    for tank in evidence.tanks:
        if not tank.timed or len(tank.status) < FEWEST_BAD:
            continue
        heard_s = float(tank.at_s[-1] - tank.at_s[0]) + 2 * (tank.usual_s or 0.0)
        if heard_s >= PINNED_S and (tank.status == OK).all() and bool((tank.level_pct == level_pct).all()):
            yield tank


@check(
    "level-pinned-full",
    "warning",
    causes=(
        NO_SENDER,
        "the sender's wire is open, or its plug is off, with a monitor that takes that for full",
        STRIP_DISTURBED,
        "the tank is honestly full",
    ),
    next_steps=(
        "tell by drawing some of it: an honest full tank falls by the sender's first step, some two seconds behind the valve; "
        "a pinned one stays at 100 %",
        "unplug the sender at the monitor: if nothing changes, the input has no sender, or a broken wire",
        "switch inputs without a sender off in the monitor",
    ),
    caution=WIRES,
    told_by=("tank-went-silent",),
    needs_s=PINNED_S,
)
def level_pinned_full(evidence: Evidence) -> Iterator[Found]:
    """Does a tank stand at 100 % without a change?"""
    for tank in _pinned(evidence, 100.0):
        span = span_words(float(tank.at_s[-1] - tank.at_s[0]))
        yield Found(f"{tank.name} stood at 100 % for {span} without one change", tank.proof(), (tank,))


@check(
    "level-pinned-empty",
    "warning",
    causes=(
        "the sender's wire is shorted or its plug is off, with a monitor that takes that for empty",
        STRIP_DISTURBED,
        "the input has no sender",
        "the tank is honestly empty",
    ),
    next_steps=(
        "tell by pouring some in: an honest empty tank rises by the sender's first step, some two seconds later; a pinned one "
        "stays at 0 %",
        "unplug the sender at the monitor: if nothing changes, the input has no sender, or a broken wire",
        "switch inputs without a sender off in the monitor",
    ),
    caution=WIRES,
    told_by=("tank-went-silent",),
    needs_s=PINNED_S,
)
def level_pinned_empty(evidence: Evidence) -> Iterator[Found]:
    """Does a tank stand at 0 % without a change?"""
    for tank in _pinned(evidence, 0.0):
        span = span_words(float(tank.at_s[-1] - tank.at_s[0]))
        yield Found(f"{tank.name} stood at 0 % for {span} without one change", tank.proof(), (tank,))


@check(
    "level-jumps",
    "warning",
    causes=(
        "a loose contact at the sender or in its wire",
        "a strip that comes off the tank, or metal that moves near it",
        "two senders that disturb one another on one pair of wires",
    ),
    next_steps=(
        "move the sender's plug and wire and watch the level: canlevel decode",
        "check that the strip sticks to the tank over its whole length",
    ),
    caution=WIRES,
    told_by=("instance-flicker", "level-over-range"),
)
def level_jumps(evidence: Evidence) -> Iterator[Found]:
    """Does the level change as no pump can make it?"""
    for tank in evidence.tanks:
        at = _jumps(tank)
        if len(at):
            change = tank.level_pct[at] - tank.level_pct[at - 1]
            most = int(np.argmax(np.abs(change)))
            seconds = float(tank.at_s[at[most]] - tank.at_s[at[most] - 1])
            times = "once" if len(at) == 1 else f"{len(at):,} times"
            yield Found(
                f"{tank.name}: its level jumped {times}, at the most from {tank.level_pct[at[most] - 1]:.0f} to "
                f"{tank.level_pct[at[most]]:.0f} % in {span_words(seconds)}",
                tank.proof(at, shown=most),
                (tank,),
            )


def _jumps(tank: Tank) -> NDArray[np.int64]:
    """(k,) rows whose level is too far from that of the row before for the time between them."""
    none = np.zeros(0, np.int64)
    # Spikes of a wrong reading are jumps too, but a level that is out of range altogether has a finding of its own.
    use = np.flatnonzero(tank.numbers_known & (tank.level_pct >= LITTLE_OVER[0]) & (tank.level_pct <= LITTLE_OVER[1]))
    if len(use) < 2 or not tank.timed or tank.usual_s is None:
        return none
    level, seconds = tank.level_pct[use], tank.at_s[use]
    change, apart_s = np.abs(np.diff(level)), np.maximum(np.diff(seconds), 1.0)
    broken = np.array([stop.found.number for stop in tank.bus.stops], np.int64)
    whole = np.diff(np.searchsorted(broken, tank.number[use], "right")) == 0
    near = (np.diff(use) == 1) & whole & (apart_s <= max(JUMP_WITHIN_PERIODS * tank.usual_s, JUMP_WITHIN_S))
    step = coarse_step_pct(tank)
    if step is not None:
        change = np.where(change < 1.5 * step, 0.0, change)
    rows = np.flatnonzero(near & (change > LEAST_JUMP_PCT))
    # Slosh moves a level to and fro by some percent; it does so all the time.
    reach = min(SLOSH_WINDOW, len(change))
    around = np.lib.stride_tricks.sliding_window_view(
        np.pad(change, (reach // 2, reach - 1 - reach // 2), mode="edge"), reach
    )
    # Some at a time, as a window for every reading of a long recording fills the memory.
    parts = [
        np.sort(around[rows[begin : begin + AT_A_TIME]])[:, reach // 2] for begin in range(0, len(rows), AT_A_TIME)
    ]
    usual, change = np.concatenate([np.zeros(0), *parts]), change[rows]
    moved_per_s = (change - MOST_OF_SLOSH * usual) / apart_s[rows]
    capacity = _capacity_l(tank)
    if capacity is None:
        far = (change > JUMP_PCT) | ((change > LEAST_JUMP_PCT) & (moved_per_s > NO_PUMP_PCT_PER_S))
    else:
        far = (change > LEAST_JUMP_PCT) & (moved_per_s / 100 * capacity * 60 > NO_PUMP_L_PER_MIN)
    found = rows[(change > ABOVE_SLOSH * usual) & (far | (change > SURE_JUMP_PCT))]
    return np.asarray(use[1:][found])


def _capacity_l(tank: Tank) -> float | None:
    if tank.entry is not None and tank.entry.capacity_l is not None:
        return tank.entry.capacity_l
    told = tank.capacity_l[tank.capacity_l > 0]
    return float(told[-1]) if len(told) else None


def coarse_step_pct(tank: Tank) -> float | None:
    """The step of a sender that moves in steps of 5 % and more, percent; None for a finer one, or where nothing shows it.

    An RV-C device says it. Of others it is seen where all levels lie on an even division of the tank, and the level moves from
    one to the next.
    """
    told = tank.steps[~np.isnan(tank.steps) & (tank.steps > 0)]
    if len(told):
        step = 100.0 / float(told.max())
        if step >= COARSE_PCT:
            return step
    level = tank.level_pct[tank.status == OK]
    if len(level) < 4:
        return None
    values = np.unique(np.round(level, 1))
    if not 2 <= len(values) <= MOST_PARTS + 1:
        return None
    for parts in range(2, (FEW_LEVELS_PARTS if len(values) == 2 else MOST_PARTS) + 1):
        step = 100.0 / parts
        place = np.round(values / step)
        if (np.abs(values - place * step) > min(GRID_OFF * step, 0.7)).any():
            continue
        moves = np.abs(np.diff(np.round(level / step)))
        moves = moves[moves > 0]
        if not len(moves):
            continue
        # As many readings at each level as a fine sender, which passes all levels between, would not give.
        if (moves == 1).mean() >= ONE_STEP_SHARE and len(level) >= max(FEWEST_AT_STEPS, 3 * len(values)):
            return step
    return None


@check(
    "fluid-suspect",
    "info",
    causes=(
        "the device was never set up: out of the box it says fuel, number 0, without a capacity",
        "an input without a sender, or a blanked tank that a display still shows",
    ),
    next_steps=(
        "set kind, number and capacity in the monitor",
        "if nobody has such a tank, switch the input off and restart the displays",
    ),
    caution=MOVING,
)
def fluid_suspect(evidence: Evidence) -> Iterator[Found]:
    """Is it what a device says before anybody set it up?"""
    for tank in evidence.tanks:
        if tank.protocol != "nmea2000" or tank.entry is not None:
            continue
        if tank.fluid == "fuel" and tank.instance == 0 and not (tank.capacity_l > 0).any():
            yield Found(
                f"{tank.tank}, sent by address {tank.source_address}, is what devices say before they are set up: "
                "fuel, number 0, no capacity",
                tank.proof(),
                (tank,),
            )
        elif tank.fluid == "unknown":
            yield Found(
                f"{tank.tank}, sent by address {tank.source_address}, has a kind of fluid without a meaning",
                tank.proof(),
                (tank,),
            )


@check(
    "unlisted-instance",
    "info",
    causes=(
        "the device uses a number of its maker's own for a further tank",
        "the monitor's number was set by hand, or never",
    ),
    next_steps=("look in the monitor's manual what this number stands for, and name the tank in the roster",),
)
def unlisted_instance(evidence: Evidence) -> Iterator[Found]:
    """Does an RV-C tank have a number that the standard gives no fluid?"""
    for tank in evidence.tanks:
        if tank.protocol == "rvc" and tank.fluid == "unknown":
            yield Found(
                f"{tank.tank}: RV-C says nothing about which fluid instance {tank.instance} is", tank.proof(), (tank,)
            )


@check(
    "frame-malformed",
    "warning",
    causes=(
        "a device, or a bridge between networks, that sends shorter frames than the standard says",
        "a recorder or converter that cut the data",
    ),
    next_steps=("ask the device's maker for a newer program", "record with another adapter and compare"),
)
def frame_malformed(evidence: Evidence) -> Iterator[Found]:
    """Are there tank frames that are too short?"""
    for tank in (*evidence.tanks, *evidence.nameless):
        bad = tank.status == MALFORMED
        if bad.any():
            n = int(np.count_nonzero(bad))
            known = tank.instance is not None
            what = tank.name if known else f"address {tank.source_address}"
            yield Found(
                f"{what} sent {counted(n, 'tank frame')} too short to be read",
                tank.proof(bad),
                (tank,) if known else (),
                device=evidence.device(tank.channel, tank.source_address),
                source_address=tank.source_address,
            )


@check(
    "coarse-steps",
    "info",
    causes=("a sender with a few probes, or a switch for each part of the tank",),
    next_steps=("a flow is seen only when a step is passed: take that into account in the proof of the tank",),
)
def coarse_steps(evidence: Evidence) -> Iterator[Found]:
    """Does the level move in large steps only?"""
    for tank in evidence.tanks:
        step = coarse_step_pct(tank)
        if step is not None:
            yield Found(f"{tank.name}: its sender moves in steps of {step:.0f} %", tank.proof(), (tank,))


def _worth_telling(tank: Tank, bad: NDArray[np.bool_], evidence: Evidence) -> bool:
    """Whether so many bad readings are a fault, and not a device that is being switched on or off, or a slip now and then."""
    if not bad.any():
        return False
    edges = np.flatnonzero(np.diff(np.concatenate([[False], bad, [False]])))
    stretches = list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
    if bad.all():
        return not (tank.timed and float(np.ptp(tank.at_s)) < BRIEFLY_S and _just_started(tank, evidence))
    if not tank.timed:
        longest = max(end - begin for begin, end in stretches)
        count = int(np.count_nonzero(bad))
        return count >= FEWEST_BAD and (longest >= FEWEST_BAD or count >= BAD_SHARE * len(bad))
    away_s = AWAY_PERIODS * max(tank.usual_s or 0.0, 1.0)
    count, long = 0, False
    for begin, end in stretches:
        lasted_s = float(tank.at_s[end - 1] - tank.at_s[begin]) + (tank.usual_s or 0.0)
        new = begin == 0 or float(tank.at_s[begin] - tank.at_s[begin - 1]) > away_s
        left = end < len(bad) and float(tank.at_s[end] - tank.at_s[end - 1]) > away_s
        if (new or left) and lasted_s < STARTING_S:
            continue
        count += end - begin
        long |= end - begin >= FEWEST_BAD and (lasted_s >= BAD_S or end == len(bad))
    return count >= FEWEST_BAD and (long or count >= BAD_SHARE * len(bad))


def _just_started(tank: Tank, evidence: Evidence) -> bool:
    """Whether a tank's device claimed its address in the recording, as it does when it is switched on."""
    return any(
        (claim.channel, claim.source_address) == (tank.channel, tank.source_address) for claim in evidence.claims
    )


def _how_often(bad: NDArray[np.bool_], verb: str) -> str:
    """In words, which part of the readings does something."""
    n = int(np.count_nonzero(bad))
    if bad.all():
        return f"every reading {verb}s"
    if bad[-n:].all():
        return f"every reading since the first {len(bad) - n:,} {verb}s"
    return f"{n:,} of {len(bad):,} readings {verb}"


VALUE_CHECKS: tuple[Check, ...] = (
    level_not_available,
    resolution_zero,
    level_error,
    level_over_range,
    level_pinned_full,
    level_pinned_empty,
    level_jumps,
    fluid_suspect,
    unlisted_instance,
    frame_malformed,
    coarse_steps,
)
