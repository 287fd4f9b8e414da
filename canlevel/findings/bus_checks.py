"""Checks of a bus as a whole and of its recording: is anything there, can it be trusted, is it too full."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime

from canlevel.findings.checks import MOVING, WIRES, Check, Found, check, listen_longer
from canlevel.findings.evidence import Bus, Evidence, Stop
from canlevel.findings.listener import Proof
from canlevel.tables import EARLIEST_DATE_US
from canlevel.words import counted, span_words

__all__ = ["BUS_CHECKS", "clock_words", "load_pct", "span_words"]

FULL_PCT = 70.0
MINUTE_US = 60_000_000
MOST_OF_A_MINUTE_US, LEAST_OF_A_RECORDING_US = 50_000_000, 1_000_000
ENDED_EARLY_US = 10_000_000
# Linux include/uapi/linux/can/error.h, the error classes in the identifier of an error frame.
ERROR_WORDS = {
    0: "a frame could not be sent in time",
    1: "lost arbitration",
    2: "trouble of the adapter's controller",
    3: "frames that break the protocol",
    4: "trouble of the transceiver or the wires",
    5: "nobody acknowledged",
    6: "the adapter went off the bus",
    7: "bus errors",
    8: "the adapter was restarted",
    9: "error counters",
}


@check(
    "no-traffic",
    "fault",
    causes=(
        "the network has no supply: it needs its own, fused",
        "the adapter is not on the two data wires, or they are swapped",
        "the adapter listens at another bit rate than the bus (NMEA 2000 and RV-C: 250 kbit/s)",
        "the monitor has no data port: such a one is on no bus at all",
    ),
    next_steps=(
        "measure the supply of the network: 9 to 16 V between its supply wires",
        "with the power off, measure between the data wires: 60 ohm; 120 means one terminator is missing, 40 one too many, "
        "and open that you are not on the bus",
        "check that the two data wires are not swapped, and the bit rate (--bitrate)",
    ),
    caution=WIRES,
)
def no_traffic(evidence: Evidence) -> Iterator[Found]:
    """Is there a single frame of data?"""
    if evidence.extended or evidence.eleven_bits:
        return
    where = "the bus" if evidence.recording.live else "the recording"
    if evidence.errors.frames:
        causes = ("the adapter listens at another bit rate than the bus, or a data wire is open or shorted",)
        yield Found(
            f"{where} holds {counted(evidence.errors.frames, 'error frame')} and not one frame of data",
            evidence.errors,
            causes=causes,
        )
    else:
        heard_s = evidence.heard_s
        listened = f" in {span_words(heard_s)}" if heard_s is not None else ""
        longer = (
            listen_longer(heard_s, "a bus that is on speaks several times a second") if evidence.recording.live else ()
        )
        yield Found(f"not one frame{listened}: {where} is silent", Proof(), next_steps=longer)


@check(
    "no-extended-frames",
    "fault",
    causes=(
        "this is another kind of bus: NMEA 2000, RV-C and J1939 speak with 29-bit identifiers only",
        "the adapter is plugged into a diagnostic socket or an engine's own bus",
    ),
    next_steps=(
        "find the bus that the tank monitor is on, and record there",
        "check that the recorder was not set to keep 11-bit identifiers only",
    ),
    caution=MOVING,
)
def no_extended_frames(evidence: Evidence) -> Iterator[Found]:
    """Is it a bus of this kind at all?"""
    if evidence.eleven_bits and not evidence.extended:
        proof = replace(evidence.first, frames=evidence.eleven_bits)
        frames = counted(evidence.eleven_bits, "frame")
        yield Found(f"{frames} with 11-bit identifiers and none with 29 bits, with which tanks speak", proof)


@check(
    "error-frames",
    "warning",
    causes=(
        "a terminator is missing or there is one too many",
        "a plug with a bad contact, a data wire that is chafed, wet or swapped",
        "a device or the adapter at another bit rate",
        "drop cables longer than the network allows",
    ),
    next_steps=(
        "with the power off, measure between the data wires: 60 ohm",
        "unplug one device after the other and see with which the errors end",
        "measure the supply at both ends under load: 9 to 16 V, at most 1.5 V apart",
    ),
    caution=WIRES,
)
def error_frames(evidence: Evidence) -> Iterator[Found]:
    """Did the adapter report errors?"""
    if not evidence.errors.frames:
        return
    most = sorted(evidence.error_bits.items(), key=lambda item: -item[1])
    words = ", ".join(f"{ERROR_WORDS[bit]} ({n:,})" for bit, n in most if bit in ERROR_WORDS)
    told = f": {words}" if words else ""
    yield Found(f"the adapter reported {counted(evidence.errors.frames, 'error frame')}{told}", evidence.errors)


@check(
    "bus-overloaded",
    "warning",
    causes=(
        "a device that repeats its messages far too often",
        "more devices than one network carries, or a bridge that copies another bus onto this one",
    ),
    next_steps=(
        "canlevel devices shows what share of the load each device has: begin with the largest",
        "unplug it and see whether the load falls",
    ),
    caution=MOVING,
)
def bus_overloaded(evidence: Evidence) -> Iterator[Found]:
    """Is the worst minute too full, by the longest that frames can be on the wire?"""
    for bus in evidence.buses:
        worst = load_pct(bus, evidence.recording.bitrate)
        if worst is not None and worst[0] > FULL_PCT:
            high, low, proof = worst
            yield Found(
                f"{_named(bus)}is at most {high:.0f} % full in its worst minute, and {low:.0f} % at least, by how many stuff "
                f"bits its frames need; above {FULL_PCT:.0f} % messages of low priority, tanks among them, come late",
                proof,
                bus=bus,
            )


def load_pct(bus: Bus, bitrate: int) -> tuple[float, float, Proof] | None:
    """(most, least, Proof): how full a bus was in its worst minute, percent, with the most stuff bits and without any.

    A minute may begin at any ten seconds. Of shorter recordings it is the time that was heard, a second at least; pauses do not
    count, nor does time that was recorded twice because the clock was set back. None where nothing is left. A bus whose least
    load is above 100 % runs at twice the bit rate, or more.
    """
    if bus.first_us is None or bus.last_us is None:
        return None
    jumps = [(stop.found.before_us, stop.found.after_us) for stop in bus.stops]
    heard = []
    slots, last = bus.slots, 0
    for first, slot in enumerate(slots):
        while last < len(slots) and slots[last].start_us < slot.start_us + MINUTE_US:
            last += 1
        begin, end = max(slot.start_us, bus.first_us), min(slot.start_us + MINUTE_US, bus.last_us)
        if any(after < end and begin < before for before, after in jumps if after < before):
            continue
        missed = sum(max(min(after, end) - max(before, begin), 0) for before, after in jumps)
        minute = slots[first:last]
        proof = Proof(sum(part.frames for part in minute), slot.first_us, end, slot.line, None)
        most, least = (sum(bits) for bits in zip(*((part.bits_most, part.bits_least) for part in minute), strict=True))
        heard.append((end - begin - missed, most, least, proof))
    enough_us = min(MOST_OF_A_MINUTE_US, max((one[0] for one in heard), default=0))
    long = [one for one in heard if one[0] >= max(enough_us, LEAST_OF_A_RECORDING_US)]
    if not long:
        return None
    covered, high, low, proof = max(long, key=lambda one: one[1] / one[0])
    full = covered / 1e6 * bitrate / 100
    while low / full > 100:
        full *= 2
    return high / full, low / full, proof


@check(
    "frames-dropped",
    "warning",
    causes=(
        "the recording computer was too busy, or its disk too slow",
        "the recorder's receive buffer is too small for this bus",
    ),
    next_steps=(
        "record again with nothing else running, onto a local disk",
        "gaps in the levels of this recording prove nothing about a device",
    ),
)
def frames_dropped(evidence: Evidence) -> Iterator[Found]:
    """Did the recorder say that it lost frames?"""
    told = evidence.recording
    if told.dropped:
        sample = (told.dropped_text or "").strip() or None
        proof = Proof(told.dropped, None, None, told.dropped_line, sample)
        yield Found(f"the recorder itself lost {counted(told.dropped, 'frame')}", proof)


@check(
    "clock-step",
    "warning",
    causes=(
        "a small computer without a battery clock, which got the true time from the network or the bus while it recorded",
        "somebody set the clock while it recorded",
        "recordings were joined in the wrong order",
    ),
    next_steps=(
        "let the recorder get the time before it records, or give it a battery clock",
        "times before the step are those of the wrong clock: do not compare them with a watch",
    ),
)
def clock_step(evidence: Evidence) -> Iterator[Found]:
    """Was the recorder's clock set?"""
    found: list[tuple[Bus, Stop]] = [(bus, stop) for bus in evidence.buses for stop in bus.stops if stop.clock]
    if not found:
        return
    bus = found[0][0]
    steps = [stop for other, stop in found if other is bus]
    first = steps[0].found
    jump = (first.after_us - first.before_us) / 1e6
    more = f", and {len(steps) - 1} more" if len(steps) > 1 else ""
    way = "forward" if jump > 0 else "back"
    known = "" if first.before_us < 0 else f" at {clock_words(first.before_us)}"
    yield Found(
        f"the recorder's clock jumped {way} by {span_words(abs(jump))}{known} while the bus went on ({steps[0].sign}){more}",
        replace(steps[0].proof, frames=2 * len(steps), last_us=steps[-1].found.after_us),
        causes=() if jump > 0 else ("the clock was wrong and was set back while it recorded",),
    )


@check(
    "capture-gap",
    "info",
    causes=(
        "the recording was paused, cut together, or its computer stood still",
        "the whole network was switched off and on again",
        "the recorder's clock was set forward while it recorded, and nothing was missed",
    ),
    next_steps=(
        "levels that changed meanwhile changed unseen; record without a break to see how",
        "compare times before and after with a watch or another recording, or look in the recorder's own log whether its clock "
        "was set: then the times before are wrong, and no device was silent",
    ),
)
def capture_gap(evidence: Evidence) -> Iterator[Found]:
    """Was a whole bus silent? That is the recording, or the supply, and no single device."""
    for bus in evidence.buses:
        gaps = [stop for stop in bus.stops if not stop.clock]
        if gaps:
            lengths = [(gap.found.after_us - gap.found.before_us) / 1e6 for gap in gaps]
            if len(gaps) == 1:
                what = f"for {span_words(lengths[0])} from {clock_words(gaps[0].found.before_us)} on"
            else:
                what = f"{len(gaps)} times, for {span_words(max(lengths))} at the longest"
            first, last = gaps[0].found, gaps[-1].found
            proof = Proof(2 * len(gaps), first.before_us, last.after_us, first.before_line, None)
            whole = f"the whole bus {bus.channel}" if bus.channel else "the whole bus"
            yield Found(
                f"{whole} was silent {what}: either the recording was paused, or the whole bus lost its supply; no single "
                "device did this",
                proof,
                bus=bus,
            )
        ends = [other.last_us for other in evidence.buses if other.last_us is not None]
        if bus.last_us is not None and bus.frames and max(ends) - bus.last_us > ENDED_EARLY_US:
            proof = Proof(1, bus.last_us, bus.last_us, None, None)
            length = span_words((max(ends) - bus.last_us) / 1e6)
            yield Found(f"{_named(bus)}ended {length} before the other bus: its supply, or its adapter", proof, bus=bus)


def clock_words(time_us: int) -> str:
    """A moment to the second, UTC; of a recording without dates what its recorder's clock showed, which counts from zero."""
    if time_us < EARLIEST_DATE_US:
        return f"{time_us / 1e6:.1f} s"
    return f"{datetime.fromtimestamp(time_us // 1_000_000, UTC):%Y-%m-%d %H:%M:%S} UTC"


def _named(bus: Bus) -> str:
    return f"{bus.channel} " if bus.channel else "the bus "


BUS_CHECKS: tuple[Check, ...] = (
    no_traffic,
    no_extended_frames,
    error_frames,
    bus_overloaded,
    frames_dropped,
    clock_step,
    capture_gap,
)
