"""Checks of when things come: tanks and devices that fell silent, are slow or irregular; and faults that devices report."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from canlevel.findings.bus_checks import span_words
from canlevel.findings.checks import MOVING, WIRES, Check, Found, check
from canlevel.findings.evidence import Device, Evidence, Tank
from canlevel.identifier import NULL_ADDRESS, pgn_of

__all__ = ["TIME_CHECKS"]

SILENT_PERIODS, SILENT_S, SILENT_LONGEST = 5.0, 10.0, 2.0
FEWEST_HEARD = 3
SLOW = 2.1
FEWEST_INTERVALS = 4
STEADY = 0.5
FEWEST_OF_A_RHYTHM = 10
LATE, EARLY, OFF_SHARE = 1.6, 0.4, 0.08
# The lower quartile is a sender's own period even where every other reading is lost.
OWN_QUANTILE, OWN_PERIOD = 0.25, 1.3
FEWEST_OF_A_CLOCK, SHORTEST_S, OFF_ITS_CLOCK, MOSTLY_ON_TIME, FEWEST_STILL = 6, 0.01, 0.25, 0.9, 3
PAUSE, PAUSE_SHARE, FEWEST_PAUSES = 3.0, 0.1, 3
AWAY_PERIODS, AWAY_S = 10.0, 45.0
# Heartbeat of NMEA 2000, diagnostic messages of RV-C and J1939: what every device of the kind sends.
SIGNS_OF_LIFE = frozenset({126993, 0x1FECA, 65226})
# Off-board diagnostic and service tools (SAE J1939, preferred addresses; from memory).
SERVICE_TOOLS = frozenset({249, 250})
CAME_LATER_S, VISIT_S = 30.0, 600.0
SUPPLY = (
    "it was switched off or restarted",
    "its supply or its plug failed",
)


@check(
    "device-went-silent",
    "warning",
    causes=(*SUPPLY, "the device went off the bus after too many errors"),
    next_steps=(
        "look at the device: does it have its supply, do its lights burn?",
        "check its plug and drop cable; measure the supply at it: 9 to 16 V",
        "restart it and listen whether it claims its address again",
    ),
    caution=WIRES,
    told_by=("address-changed",),
    needs_s=30.0,
)
def device_went_silent(evidence: Evidence) -> Iterator[Found]:
    """Did a device stop while the bus went on?"""
    for device in evidence.devices:
        if device.source_address >= NULL_ADDRESS or not _stopped(device):
            continue
        if _only_a_tank(device) or _is_a_visitor(device):
            continue
        lost = ", ".join(tank.tank for tank in device.tanks)
        with_it = f", and with it {lost}" if lost else ""
        yield Found(
            f"address {device.source_address} stopped {span_words(device.silent_s)} before the end{with_it}",
            device.proof,
            device=device,
        )


def _stopped(device: Device) -> bool:
    """Whether what a device sends again and again has ended well before the bus did."""
    if not device.lasting or device.bus.seconds is None:
        return False
    most = min(device.lasting, key=lambda sender: sender.mean_s)
    enough_s = max(SILENT_S, SILENT_PERIODS * most.mean_s, SILENT_LONGEST * most.longest_s)
    return device.silent_s > enough_s


def _is_a_visitor(device: Device) -> bool:
    """Whether a device without a tank came and went: a service tool, say, or a panel that somebody used for a while."""
    if device.tanks or device.bus.first_us is None:
        return False
    if device.source_address in SERVICE_TOOLS:
        return True
    first_us = min((sender.first_us for sender in device.senders if sender.first_us is not None), default=None)
    came_s = 0.0 if first_us is None else (first_us - device.bus.first_us) / 1e6
    stayed_s = device.last_s - came_s
    return came_s > CAME_LATER_S and stayed_s < min(VISIT_S, device.silent_s)


def _only_a_tank(device: Device) -> bool:
    """Whether one tank is all that a device is for: then the tank is what fell silent."""
    if len(device.tanks) != 1:
        return False
    tank_pgns = {pgn_of(int(identifier)) for identifier in np.unique(device.tanks[0].identifier)}
    return all(sender.pgn in tank_pgns | SIGNS_OF_LIFE for sender in device.regular)


@check(
    "tank-went-silent",
    "fault",
    causes=(
        "the sender or its input was switched off, or the monitor gave it up",
        "the device that sends it lost its supply or its plug",
        "the tank was given another number or kind",
    ),
    next_steps=(
        "look in the monitor whether the tank is still there",
        "check the sender's plug and wires, and the supply of the device that sends it",
    ),
    caution=WIRES,
    told_by=("device-went-silent", "address-changed", "address-conflict"),
    needs_s=30.0,
)
def tank_went_silent(evidence: Evidence) -> Iterator[Found]:
    """Did a tank stop while the bus went on?"""
    for tank in evidence.tanks:
        if not tank.timed or len(tank.number) < FEWEST_HEARD:
            continue
        longest_s = float(tank.intervals_s.max()) if len(tank.intervals_s) else 0.0
        ticks = _ticks(tank)
        period_s = ticks[0] if ticks is not None else max(tank.usual_s or 0.0, tank.period_s or 0.0)
        if tank.silent_s <= max(SILENT_S, SILENT_PERIODS * period_s, SILENT_LONGEST * longest_s):
            continue
        # Frames that arrive too short to tell their tank are no silence.
        if any(
            (other.channel, other.source_address) == (tank.channel, tank.source_address)
            and other.number[-1] > tank.number[-1]
            for other in evidence.nameless
        ):
            continue
        yield Found(
            f"{tank.name} stopped {span_words(tank.silent_s)} before the end, while the bus went on",
            tank.proof(shown=-1),
            (tank,),
        )


@check(
    "update-irregular",
    "warning",
    causes=(
        "the device is starved: too busy, or restarting again and again",
        "a plug with a bad contact, so that its frames are lost",
        "a bridge between networks that drops what it cannot carry",
    ),
    next_steps=(
        "check the device's plug and its supply under load",
        "run canlevel explain on a longer recording: are other tanks of the device late at the same moments?",
    ),
    caution=WIRES,
    told_by=(
        "device-went-silent",
        "identity-clash",
        "instance-flicker",
        "address-conflict",
        "frame-malformed",
        "frames-dropped",
        "bus-overloaded",
    ),
    needs_s=60.0,
)
def update_irregular(evidence: Evidence) -> Iterator[Found]:
    """Do a tank's readings come at odd times, or stay away for a while?"""
    for tank in evidence.tanks:
        between = tank.intervals_s
        if len(between) < FEWEST_OF_A_RHYTHM or not tank.usual_s:
            continue
        usual = tank.usual_s
        # Who sends more often than its kind, if only while the level changes, is late when its kind would be.
        due = _due_s(tank)
        late, early, pauses = between > LATE * due, between < EARLY * usual, between > PAUSE * due
        lost_share = float((between[pauses] - due).sum() / between.sum())
        often = late.any() and np.count_nonzero(late) + np.count_nonzero(early) >= OFF_SHARE * len(between)
        paused = np.count_nonzero(pauses) >= FEWEST_PAUSES and lost_share >= PAUSE_SHARE
        longest = float(between.max())
        if often or paused:
            yield Found(
                f"{tank.name} comes irregularly: every {span_words(due)} as a rule, but "
                f"{np.count_nonzero(late):,} of {len(between):,} times late, by up to {span_words(longest)}",
                tank.proof(),
                (tank,),
            )
        elif longest > max(AWAY_PERIODS * due, AWAY_S) and not _switched_off(tank, longest, evidence):
            gap = int(np.argmax(np.diff(tank.at_s)))
            yield Found(
                f"{tank.name} was away for {span_words(longest)} while the bus went on, and came back",
                tank.proof(np.array([gap, gap + 1])),
                (tank,),
            )


def _due_s(tank: Tank) -> float:
    """When the next reading is due after one: by the period of its kind, or its own if that is longer, or loses readings."""
    own_s = float(np.quantile(tank.intervals_s, OWN_QUANTILE))
    if tank.period_s is None:
        return tank.usual_s or own_s
    if own_s > OWN_PERIOD * tank.period_s:
        return own_s
    return own_s if _loses_readings(tank) else tank.period_s


def _ticks(tank: Tank) -> tuple[float, NDArray[np.float64]] | None:
    """(period, (m,) how many periods each interval is) of a sender that keeps a period of its own, if now and then a reading is
    lost: each interval is a whole number of periods, and most that are longer are two. None where it is none.
    """
    between = tank.intervals_s
    if len(between) < FEWEST_OF_A_CLOCK:
        return None
    own_s = max(float(np.quantile(between, OWN_QUANTILE)), SHORTEST_S)
    times = np.round(between / own_s)
    on_time = np.abs(between - times * own_s) <= OFF_ITS_CLOCK * own_s
    longer = np.count_nonzero(times > 1)
    if on_time.mean() < MOSTLY_ON_TIME or 2 * np.count_nonzero(on_time & (times == 2)) < longer:
        return None
    return own_s, times


def _loses_readings(tank: Tank) -> bool:
    """Whether a sender that keeps a period loses readings, and does not leave them out because the level stands still.

    Who sends on a change leaves out all changes below some limit, as many as are missing; above it are about as many up to
    twice the limit, and none below. Where readings are lost, small changes and none at all are as often there as ever.
    """
    ticks = _ticks(tank)
    if ticks is None:
        return False
    times, moves = ticks[1], tank.moves_pct
    lost = 1 - len(times) / float(np.maximum(times, 1).sum())
    soon = moves[(times == 1) & ~np.isnan(moves)]
    # Chance takes two in a row, too; who leaves out one at the most repeats what it said.
    if (
        len(soon) < FEWEST_OF_A_RHYTHM
        or np.count_nonzero(times > 2) < lost / 4 * np.count_nonzero(times > 1)
        or not lost
    ):
        return False
    still = np.count_nonzero((soon == 0) | (soon < 0.99 * float(np.quantile(soon, lost)) / 2))
    return bool(still >= max(FEWEST_STILL, lost / 4 * len(soon)))


def _switched_off(tank: Tank, away_s: float, evidence: Evidence) -> bool:
    """Whether a vehicle's computer as a whole was away, and another too, as they are whenever the key is turned."""
    device = evidence.device(tank.channel, tank.source_address)
    if tank.protocol != "j1939" or device is None:
        return False
    others = (other for other in evidence.devices if other.channel == tank.channel and other is not device)
    return _was_away(device, away_s) and any(other.regular and _was_away(other, away_s) for other in others)


def _was_away(device: Device, away_s: float) -> bool:
    """Whether all that a device sends again and again stayed away for about so long, at some time."""
    return all(sender.longest_s >= max(away_s / 2, PAUSE * sender.mean_s) for sender in device.regular)


@check(
    "update-slow",
    "warning",
    causes=(
        "the monitor is set to save power, or to a slow rate",
        "a bridge that passes on only some of the messages",
    ),
    next_steps=(
        "look in the monitor's setup for the rate",
        "a display may call such a tank lost: most wait for some periods only",
    ),
    caution=MOVING,
    told_by=("update-irregular", "frames-dropped", "bus-overloaded", "frame-malformed"),
    needs_s=60.0,
)
def update_slow(evidence: Evidence) -> Iterator[Found]:
    """Do a tank's readings come far less often than those of its kind?"""
    for tank in evidence.tanks:
        between = tank.intervals_s
        if tank.period_s is None or tank.usual_s is None or len(between) < FEWEST_INTERVALS:
            continue
        if tank.usual_s > SLOW * tank.period_s and between.std() <= STEADY * between.mean():
            yield Found(
                f"{tank.name} comes every {span_words(tank.usual_s)}; its kind comes every {span_words(tank.period_s)}",
                tank.proof(),
                (tank,),
            )


@check(
    "diagnostic-reported",
    "warning",
    causes=("the device has found the fault itself",),
    next_steps=("look up the code in the device's manual", "mend what it names, and see whether the report ends"),
    caution=MOVING,
)
def diagnostic_reported(evidence: Evidence) -> Iterator[Found]:
    """Does a device report a fault?"""
    for report in evidence.reports:
        yield Found(
            f"address {report.source_address} reports: {report.words}",
            report.proof,
            device=evidence.device(report.channel, report.source_address),
            source_address=report.source_address,
        )


TIME_CHECKS: tuple[Check, ...] = (
    device_went_silent,
    tank_went_silent,
    update_irregular,
    update_slow,
    diagnostic_reported,
)
