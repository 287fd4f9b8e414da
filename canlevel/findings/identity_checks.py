"""Checks of who is who: one identity for two devices or two senders, addresses that clash, change or were never claimed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from canlevel.findings.checks import MOVING, Check, Found, check
from canlevel.findings.evidence import Claim, Evidence, Tank
from canlevel.identifier import NULL_ADDRESS

__all__ = ["IDENTITY_CHECKS"]

FEWEST_TOGETHER = 3
FEWEST_TURNS, TURN_WINDOW = 8, 16
MOSTLY_IN_TURN, ALWAYS_IN_TURN, LONG_IN_TURN = 0.7, 0.95, 40
RETURNS = 0.35  # of the way there
BEYOND_SLOSH_PCT, LEAST_APART_PCT, LEAST_APART_DOUBLED_PCT = 15.0, 3.0, 0.3
DOUBLED, OFF_ITS_PERIOD, NEAR_ITS_PERIOD = 0.65, 0.15, 0.3
FEWEST_WINDOWS, STEADY_WAVES_S, LEAST_STEADILY_APART_PCT = 8, 40.0, 1.5
AS_FAR_APART, MOSTLY_AS_FAR, FINER = 0.25, 0.85, 3
COARSEST_PARTS, STEP_OFF_PCT = 6, 0.7
OWN_CLOCK, OWN_LEVEL, EXTREME_PCT = 0.35, 0.05, 1.0
TAKEN_OVER_PERIODS, TAKEN_OVER_S = 6.0, 60.0
ROUND_SHARE, ROUND_LEAST = 0.5, 2
POWER_ON_US = 10_000_000


@check(
    "identity-clash",
    "fault",
    causes=(
        "two monitors, or a monitor and a display that sends on, were given the same kind and number",
        "a new device still has the number it left the factory with",
    ),
    next_steps=(
        "give one of them another number (instance) in its setup; canlevel devices shows who they are",
        "unplug one: the tank that stays is the other's",
    ),
    caution=MOVING,
)
def identity_clash(evidence: Evidence) -> Iterator[Found]:
    """Do two devices send the same fluid and number?"""
    groups: dict[tuple[str | None, str], list[Tank]] = {}
    for tank in evidence.tanks:
        groups.setdefault((tank.channel, tank.tank), []).append(tank)
    for (_, name), tanks in groups.items():
        clashing = {tank for one, other in combinations(tanks, 2) if _together(one, other) for tank in (one, other)}
        if not clashing:
            continue
        found = tuple(tank for tank in tanks if tank in clashing)
        sources = ", ".join(f"{tank.source_address}{_level(tank)}" for tank in found)
        proof = replace(
            found[0].proof(), frames=sum(len(tank.number) for tank in found), last_us=found[-1].proof().last_us
        )
        yield Found(f"{name} is sent by {len(found)} devices in turn: addresses {sources}", proof, found)


def _together(one: Tank, other: Tank) -> bool:
    """Whether two devices send at the same time, and not one after the other."""
    begin, end = max(one.number[0], other.number[0]), min(one.number[-1], other.number[-1])
    inside = [int(np.count_nonzero((tank.number >= begin) & (tank.number <= end))) for tank in (one, other)]
    return min(inside) >= FEWEST_TOGETHER or (
        min(inside) >= 1 and min(len(one.number), len(other.number)) < FEWEST_TOGETHER
    )


def _level(tank: Tank) -> str:
    known = tank.level_pct[tank.numbers_known]
    return f" ({known[-1]:.0f} %)" if len(known) else ""


@check(
    "instance-flicker",
    "fault",
    causes=(
        "two senders on one pair of wires are cut to the same address: they answer in turn",
        "two inputs of the monitor are set to the same kind and number",
        "a stacked pair of senders that was not declared as two",
    ),
    next_steps=(
        "unplug one of the senders: the level stands still then",
        "cut the address tabs of each sender differently, or give each input its own number",
        "declare stacked senders as a pair in the monitor",
    ),
    caution=MOVING,
    needs_s=30.0,
)
def instance_flicker(evidence: Evidence) -> Iterator[Found]:
    """Does one device send two levels in turn under one identity?"""
    for tank in evidence.tanks:
        rows = _levels_in_turn(tank, doubled=_twice_as_often(tank, evidence))
        rows = _two_levels(tank) if rows is None else rows
        rows = _steadily_apart(tank) if rows is None else rows
        if rows is not None:
            level = tank.level_pct[rows[: TURN_WINDOW * 2]]
            level = level[~np.isnan(level)]
            middle = (level.min() + level.max()) / 2
            first, second = float(np.median(level[level < middle])), float(np.median(level[level >= middle]))
            told = f"two levels in turn, {first:.0f} and {second:.0f} %"
        else:
            rows = _capacities_in_turn(tank)
            if rows is None:
                continue
            told = "two capacities in turn, {:,.0f} and {:,.0f} L".format(*np.unique(tank.capacity_l[rows]))
        yield Found(f"{tank.name}: address {tank.source_address} sends {told}", tank.proof(rows), (tank,))


def _levels_in_turn(tank: Tank, *, doubled: bool) -> NDArray[np.int64] | None:
    """Rows from where on a tank's level goes to and fro between two, reading by reading; None if it does not.

    Slosh does so too, by some percent, when its waves and the readings are in step; so two close levels count only where the
    readings come twice as often as they should, or where it goes on and on between the same two.
    """
    use = np.flatnonzero(tank.numbers_known)
    level = tank.level_pct[use]
    if len(level) < FEWEST_TURNS:
        return None
    change = np.diff(level)
    way = np.minimum(np.abs(change[1:]), np.abs(change[:-1]))
    back = np.abs(level[2:] - level[:-2])
    least = LEAST_APART_DOUBLED_PCT if doubled else LEAST_APART_PCT
    turns = (change[1:] * change[:-1] < 0) & (back <= RETURNS * way) & (way >= least)
    window = min(TURN_WINDOW, len(turns))
    share = np.convolve(turns, np.ones(window), "valid") / window
    if share.max() < MOSTLY_IN_TURN:
        return None
    inside = np.flatnonzero(turns)
    first, last = int(inside[0]), int(inside[-1])
    apart = float(np.median(way[inside]))
    often = turns[first : last + 1].mean()
    one, other = level[inside], level[inside + 1]
    low_pct, high_pct = float(np.median(np.minimum(one, other))), float(np.median(np.maximum(one, other)))
    on_and_on = often >= ALWAYS_IN_TURN and last - first >= LONG_IN_TURN
    one_sender = _neighbours(tank, low_pct, high_pct)
    sure = doubled or (not one_sender and (apart >= BEYOND_SLOSH_PCT or on_and_on))
    return use[first : last + 3] if sure and len(inside) >= FEWEST_TURNS - 2 else None


def _two_levels(tank: Tank) -> NDArray[np.int64] | None:
    """Rows of a tank whose levels are two far apart, now one and now the other in no strict order; None if they are not.

    So it is with two senders of which each has its own clock. A bad contact has no clock, and its level falls to an end or
    anywhere.
    """
    use = np.flatnonzero(tank.numbers_known)
    if len(use) < 2 * FEWEST_TURNS or not tank.timed:
        return None
    level = tank.level_pct[use]
    values = np.sort(level)
    widest = int(np.argmax(np.diff(values)))
    apart = float(values[widest + 1] - values[widest])
    if apart < BEYOND_SLOSH_PCT:
        return None
    high = level > values[widest]
    begin = int(np.argmax(high != high[0]))  # a second sender may have come later
    use, level, high, seconds = use[begin:], level[begin:], high[begin:], tank.at_s[use][begin:]
    often = min(np.count_nonzero(high), np.count_nonzero(~high), np.count_nonzero(np.diff(high)))
    if often < max(FEWEST_TURNS, len(high) // 5):
        return None
    if _neighbours(tank, float(level.min()), float(level.max())):
        return None
    kept_time = kept_level = True
    for mine in (high, ~high):
        between, change = np.diff(seconds[mine]), np.abs(np.diff(level[mine]))
        kept_time &= bool(between.std() <= OWN_CLOCK * between.mean())
        inside = float(level[mine].min()) > EXTREME_PCT and float(level[mine].max()) < 100 - EXTREME_PCT
        kept_level &= inside and float(np.quantile(change, 0.95)) <= OWN_LEVEL * apart
    return use if kept_time or kept_level else None


def _steadily_apart(tank: Tank) -> NDArray[np.int64] | None:
    """Rows of a tank whose every other reading is higher by as much all the time, whatever else moves it; else None.

    Waves in step with the readings do so too, but they grow and die away. A sender whose steps are as far apart may lie between
    two of them, so that the level has to be seen to move in smaller ones.
    """
    use = np.flatnonzero(tank.numbers_known)
    level = tank.level_pct[use]
    # Waves seldom stay as high for longer.
    window = int(np.clip(STEADY_WAVES_S / max(tank.usual_s or 0.0, 0.1), TURN_WINDOW // 2, TURN_WINDOW))
    count = (len(level) - 2) // window
    if count < FEWEST_WINDOWS:
        return None
    off = level[1:-1] - (level[2:] + level[:-2]) / 2  # what a slope does not change
    off[1::2] *= -1
    apart = np.abs(off[: count * window].reshape(count, window).mean(axis=1))
    usual = float(np.median(apart))
    if usual < LEAST_STEADILY_APART_PCT or np.mean(np.abs(apart - usual) <= AS_FAR_APART * usual) < MOSTLY_AS_FAR:
        return None
    moves = np.abs(level[2:] - level[:-2])
    finer = (moves > 0) & (moves <= usual / FINER)
    return use if np.count_nonzero(finer) >= count else None


def _neighbours(tank: Tank, low_pct: float, high_pct: float) -> bool:
    """Whether two levels may be neighbouring steps of one coarse sender, which a wave or a little noise takes it between."""
    told = tank.steps[tank.steps > 0]
    if len(told) and high_pct - low_pct <= 1.5 * 100 / float(told.max()):
        return True
    off_pct = (
        max(STEP_OFF_PCT, 50 / float(told.max())) if len(told) else STEP_OFF_PCT
    )  # half of what a device rounds to
    for parts in range(2, COARSEST_PARTS + 1):
        step = 100 / parts
        places = [level / step for level in (low_pct, high_pct)]
        if round(places[1]) - round(places[0]) == 1 and all(
            abs(place - round(place)) * step <= off_pct for place in places
        ):
            return True
    return False


def _capacities_in_turn(tank: Tank) -> NDArray[np.int64] | None:
    """Rows in which a tank's device says two capacities by turns, however much alike the levels are; None if it does not."""
    use = np.flatnonzero(tank.capacity_l > 0)
    capacity = tank.capacity_l[use]
    if len(use) < FEWEST_TURNS or len(np.unique(capacity)) != 2:
        return None
    return use if np.count_nonzero(np.diff(capacity)) >= MOSTLY_IN_TURN * (len(use) - 1) else None


def _twice_as_often(tank: Tank, evidence: Evidence) -> bool:
    """Whether a tank comes twice as often as the others of its device; or, alone, as its kind does, by turns soon and late.

    Every other reading then comes at regular times. A sender that also sends when its level changes does not do that.
    """
    between = tank.intervals_s
    if tank.usual_s is None or len(between) < FEWEST_TURNS:
        return False
    pairs = between[1:] + between[:-1]
    period_s = float(np.median(pairs))
    if float(np.quantile(np.abs(pairs - period_s), 0.75)) > OFF_ITS_PERIOD * period_s:
        return False
    others = [
        other.usual_s
        for other in evidence.tanks
        if other is not tank
        and (other.channel, other.source_address, other.protocol) == (tank.channel, tank.source_address, tank.protocol)
        and other.usual_s is not None
    ]
    due_s = float(np.median(others)) if others else tank.period_s
    if due_s is None or tank.usual_s > DOUBLED * due_s or abs(period_s / due_s - 1) > NEAR_ITS_PERIOD:
        return False
    if others:
        return True
    again, other_way = np.abs(between[2:] - between[:-2]), np.abs(np.diff(between))
    return float(np.median(again)) < RETURNS * float(np.median(other_way))


@check(
    "address-conflict",
    "fault",
    causes=(
        "a device with a fixed address that another device has already",
        "two devices of one model that were given the same address by hand",
        "a device that does not give way to the one with the lower NAME, as the standard asks",
    ),
    next_steps=(
        "give one of them another address, or switch address claiming on",
        "unplug one and restart the other",
    ),
    caution=MOVING,
)
def address_conflict(evidence: Evidence) -> Iterator[Found]:
    """Do two NAMEs claim one address? Where one of them then takes another, all is as it should be."""
    by_address: dict[tuple[str | None, int], list[Claim]] = {}
    latest: dict[tuple[str | None, int], int] = {}
    for claim in evidence.claims:
        latest[claim.channel, claim.name] = claim.source_address
        if claim.source_address < NULL_ADDRESS:
            by_address.setdefault((claim.channel, claim.source_address), []).append(claim)
    for (channel, source), claims in by_address.items():
        names = list(dict.fromkeys(claim.name for claim in claims))
        staying = [name for name in names if latest[channel, name] in (source, NULL_ADDRESS)]
        if len(names) > 1 and len(staying) > 1:
            yield Found(
                f"{len(names)} devices claim address {source}: NAMEs {', '.join(f'{name:016X}' for name in sorted(names))}; "
                "the lowest wins",
                replace(claims[0].proof, frames=len(claims), last_us=claims[-1].proof.last_us),
                device=evidence.device(channel, source),
                source_address=source,
            )


@check(
    "address-changed",
    "info",
    causes=(
        "another device claimed its address, and it gave way",
        "the device was replaced or restarted",
    ),
    next_steps=("where the roster or a display goes by addresses, give it the new one, or leave addresses out",),
    caution=MOVING,
)
def address_changed(evidence: Evidence) -> Iterator[Found]:
    """Did a device move to another address?"""
    told: set[tuple[str | None, int]] = set()
    holders = {(claim.channel, claim.name): claim.source_address for claim in evidence.claims}
    for old, new, claim in _moves(evidence):
        # Who gave way to another has left it no tanks: they are the other's, and whatever befalls them.
        given_way = any(
            (channel, address) == (claim.channel, old) and name != claim.name
            for (channel, name), address in holders.items()
        )
        device = None if given_way else evidence.device(claim.channel, old)
        tanks = device.tanks if device is not None else ()
        told.add((claim.channel, old))
        yield Found(
            f"the device with NAME {claim.name:016X} went from address {old} to {new}",
            claim.proof,
            tanks,
            device=device,
            source_address=new,
        )
    for (channel, old, new), pairs in _taken_over(evidence).items():
        if (channel, old) in told:
            continue
        device = evidence.device(channel, old)
        left = [before for before, _ in pairs]
        names = ", ".join(tank.name for tank in left)
        come = "comes" if len(left) == 1 else "come"
        yield Found(
            f"{names} {come} from address {new} now, and came from {old} before",
            pairs[0][1].proof(),
            tuple(tank for pair in pairs for tank in pair),
            # A device that has tanks left did not move, and may have failed.
            device=device if device is not None and set(device.tanks) <= set(left) else None,
            source_address=new,
        )


def _moves(evidence: Evidence) -> Iterator[tuple[int, int, Claim]]:
    """(old address, new address, claim of the new one) of each NAME that claims one address after the other."""
    latest: dict[tuple[str | None, int], int] = {}
    for claim in evidence.claims:
        if claim.source_address >= NULL_ADDRESS:
            continue
        old = latest.get((claim.channel, claim.name))
        latest[claim.channel, claim.name] = claim.source_address
        if old is not None and old != claim.source_address:
            yield old, claim.source_address, claim


def _taken_over(evidence: Evidence) -> dict[tuple[str | None, int, int], list[tuple[Tank, Tank]]]:
    """Tanks that end at one address and soon go on at another, before and after, by (channel, old address, new address)."""
    found: dict[tuple[str | None, int, int], list[tuple[Tank, Tank]]] = {}
    for before in evidence.tanks:
        for after in evidence.tanks:
            if before is after or before.tank != after.tank or before.channel != after.channel:
                continue
            if not (before.timed and after.timed):
                continue
            wait_s = float(after.at_s[0] - before.at_s[-1])
            usual_s = before.usual_s or before.period_s or 0.0
            if 0 <= wait_s <= max(TAKEN_OVER_PERIODS * usual_s, TAKEN_OVER_S):
                move = (before.channel, before.source_address, after.source_address)
                found.setdefault(move, []).append((before, after))
    return found


@check(
    "address-unclaimed",
    "warning",
    causes=(
        "the device could not get an address, and sends all the same",
        "a simple sender or bridge that never claims an address",
        "the device was plugged in without a restart of the network",
    ),
    next_steps=(
        "restart the network and record from the start: does the device claim an address?",
        "canlevel devices shows which addresses are taken",
    ),
    caution=MOVING,
    told_by=("address-changed", "address-conflict", "identity-clash"),
)
def address_unclaimed(evidence: Evidence) -> Iterator[Found]:
    """Does a tank come from an address that nobody claimed, although addresses were being claimed?"""
    for device in evidence.devices:
        if not device.tanks:
            continue
        source, channel = device.source_address, device.channel
        names = ", ".join(tank.tank for tank in device.tanks)
        if source == NULL_ADDRESS:
            summary = f"{names} comes from address {NULL_ADDRESS}, which means that the device could not claim one"
        else:
            claimed = {claim.source_address for claim in evidence.claims if claim.channel == channel}
            if source in claimed or not _claim_round(evidence, channel, claimed):
                continue
            summary = f"{names} comes from address {source}, which never claimed it, while {len(claimed)} others did"
        yield Found(summary, device.tanks[0].proof(), device.tanks, device=device)


def _claim_round(evidence: Evidence, channel: str | None, claimed: set[int]) -> bool:
    """Whether all devices of a channel were to claim: asked for, or because most of them do, or do as the recording begins."""
    claimed = claimed - {NULL_ADDRESS}
    if channel in evidence.asked and claimed:
        return True
    talking = {d.source_address for d in evidence.devices if d.channel == channel and d.regular}
    bus = next((bus for bus in evidence.buses if bus.channel == channel), None)
    first_us = next((c.proof.first_us for c in evidence.claims if c.channel == channel), None)
    at_once = bus is not None and bus.first_us is not None and (first_us or 0) - bus.first_us < POWER_ON_US
    enough = len(claimed) >= ROUND_LEAST or (at_once and bool(claimed & talking))
    return enough and len(claimed & talking) >= ROUND_SHARE * len(talking)


IDENTITY_CHECKS: tuple[Check, ...] = (
    identity_clash,
    instance_flicker,
    address_conflict,
    address_changed,
    address_unclaimed,
)
