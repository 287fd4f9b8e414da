"""Two healthy buses with known truth, and faults put into them: what findings are held against.

    python tests/faults.py        prints the confusion table of all codes over all captures

The harbour workboat (NMEA 2000) and the clinic coach (RV-C, and J1939 in the chassis) are canlevel.simulate's, a quarter of an
hour of each, with what else is on a real bus. Layouts of messages: dbc/ and its sources; periods of messages from memory.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from itertools import count
from pathlib import Path

import numpy as np

import canlevel
from canlevel.diagnosis import Explanation
from canlevel.simulate import SimulatedFrame, clinic_coach, workboat

Frames = list[SimulatedFrame]
Fault = Callable[[Frames], Frames | str]

START_US = 1_777_622_400_000_000  # 2026-05-01T08:00:00Z, as simulate has it
SECONDS = 900
EVERYTHING = (0.0, float("inf"))

# The codes and severities of the contract, and no others.
FAULT, WARNING, INFO = "fault", "warning", "info"
CODES = {
    **dict.fromkeys(("no-traffic", "no-extended-frames"), FAULT),
    **dict.fromkeys(("error-frames", "bus-overloaded", "frames-dropped", "clock-step"), WARNING),
    "capture-gap": INFO,
    **dict.fromkeys(("no-tank-frames", "other-protocol", "tank-missing"), FAULT),
    "tank-unexpected": INFO,
    "capacity-mismatch": WARNING,
    "capacity-missing": INFO,
    **dict.fromkeys(("level-not-available", "level-error", "level-over-range", "resolution-zero"), FAULT),
    **dict.fromkeys(("level-pinned-full", "level-pinned-empty", "level-jumps", "frame-malformed"), WARNING),
    **dict.fromkeys(("fluid-suspect", "unlisted-instance", "coarse-steps"), INFO),
    **dict.fromkeys(("identity-clash", "instance-flicker", "address-conflict"), FAULT),
    "address-unclaimed": WARNING,
    "address-changed": INFO,
    "tank-went-silent": FAULT,
    **dict.fromkeys(("device-went-silent", "update-slow", "update-irregular", "diagnostic-reported"), WARNING),
}
# What is said of the healthy ones: the black tank of the boat and the chassis' tanks tell no capacity, and the coach's LPG is
# known in quarters. With the roster the capacities are known.
BASELINE = {
    "boat": {("capacity-missing", "nmea2000.black_water.0")},
    "coach": {
        ("capacity-missing", "j1939.fuel.1"),
        ("capacity-missing", "j1939.def.1"),
        ("coarse-steps", "rvc.lpg.3"),
    },
}
BASELINE_WITH_ROSTER = {"boat": set[tuple[str, str]](), "coach": {("coarse-steps", "rvc.lpg.3")}}

Entry = tuple[str, str, int, str, float]  # name, fluid, instance, protocol, capacity in litres
TANKS: dict[str, list[Entry]] = {
    "boat": [
        ("Fuel, port", "fuel", 0, "nmea2000", 380),
        ("Fuel, starboard", "fuel", 1, "nmea2000", 380),
        ("Fresh water", "fresh_water", 0, "nmea2000", 200),
        ("Galley sink", "grey_water", 0, "nmea2000", 120),
        ("Heads", "black_water", 0, "nmea2000", 80),
    ],
    "coach": [
        ("Fresh water", "fresh_water", 0, "rvc", 300),
        ("Treatment rooms", "grey_water", 2, "rvc", 150),
        ("Kitchenette", "grey_water", 18, "rvc", 90),
        ("Washroom", "black_water", 1, "rvc", 110),
        ("LPG", "lpg", 3, "rvc", 48),
        ("Diesel", "fuel", 1, "j1939", 250),
        ("Exhaust fluid", "def", 1, "j1939", 40),
    ],
}


def roster_text(entries: Iterable[Entry]) -> str:
    """A roster of some tanks; a capacity of 0 is left out."""
    parts = []
    for name, fluid, instance, protocol, capacity_l in entries:
        told = f"capacity_l = {capacity_l}\n" if capacity_l else ""
        parts.append(
            f'[[tank]]\nname = "{name}"\nfluid = "{fluid}"\ninstance = {instance}\nprotocol = "{protocol}"\n{told}\n'
        )
    return "".join(parts)


ROSTERS = {name: roster_text(entries) for name, entries in TANKS.items()}


def roster_but(bus: str, name: str, **changes: object) -> str:
    """The roster of a bus with one tank changed, or without it where no change is given."""
    keys = ("name", "fluid", "instance", "protocol", "capacity_l")
    entries = []
    for entry in TANKS[bus]:
        if entry[0] == name:
            if not changes:
                continue
            entry = tuple(changes.get(key, value) for key, value in zip(keys, entry, strict=True))  # type: ignore[assignment]
        entries.append(entry)
    assert entries != TANKS[bus]
    return roster_text(entries)


# ---- frames ----

REQUEST, CLAIM, HEARTBEAT, PRODUCT, SYSTEM_TIME = 59904, 60928, 126993, 126996, 126992
CONTROL, PACKETS, RVC_PRODUCT = 60416, 60160, 65259
FLUID_LEVEL, TANK_STATUS, DASH_DISPLAY, EXHAUST_FLUID = 127505, 0x1FFB7, 65276, 65110
TANK_PGNS = (FLUID_LEVEL, TANK_STATUS, DASH_DISPLAY, EXHAUST_FLUID)
RVC_DIAGNOSTIC, DIAGNOSTIC = 0x1FECA, 65226
ENGINE, HEADING, POSITION = 127488, 127250, 129025
DC_SOURCE, THERMOSTAT, ENGINE_SPEED, VEHICLE_SPEED = 0x1FFFD, 0x1FFE2, 61444, 65265
NO_NAME_ADDRESS = 254
# Source addresses: the simulated tank devices, and those of the rest of the bus.
FUEL_GAUGE, WATER_MONITOR = 42, 35
BOAT_OTHERS = (3, 4, 5, 16, 17)  # position, heading, display, what simulate has, engine
CLINIC_MONITOR, CLINIC_OTHERS = 0x44, (16, 0x50, 0x60)  # what simulate has, thermostat, display
CHASSIS, CHASSIS_OTHERS = 0, (3, 11, 16)  # engine (with the tanks), transmission, brakes, what simulate has
BAD_READER = 23  # a device of which only faults speak


def pgn_of(frame: SimulatedFrame) -> int:
    """By J1939-21, from memory: the byte below is a destination where the one above is under 240."""
    group = frame.identifier >> 8 & 0x3FFFF
    return group if group >> 8 & 0xFF >= 240 else group & 0x3FF00


def source_of(frame: SimulatedFrame) -> int:
    return frame.identifier & 0xFF


NMEA_FLUIDS = ("fuel", "fresh_water", "grey_water", "live_well", "oil", "black_water")
RVC_FLUIDS = ("fresh_water", "black_water", "grey_water", "lpg")


def tanks_of(frame: SimulatedFrame) -> set[str]:
    """Ids of the tanks that a frame speaks of; read apart from the program, from the layouts in dbc/."""
    pgn, data = frame.identifier >> 8 & 0x3FFFF, frame.data  # all of them go to all
    if pgn not in TANK_PGNS:
        return set()
    if pgn == FLUID_LEVEL and data:
        kind = data[0] >> 4
        return {f"nmea2000.{NMEA_FLUIDS[kind] if kind < 6 else 'unknown'}.{data[0] & 15}"}
    if pgn == TANK_STATUS and data:
        known = data[0] < 0x20 and data[0] & 15 < 4
        return {f"rvc.{RVC_FLUIDS[data[0] & 15] if known else 'unknown'}.{data[0]}"}
    if pgn == DASH_DISPLAY:
        return {"j1939.fuel.1"}
    return {"j1939.def.1"} if pgn == EXHAUST_FLUID else set()


def log_text(frames: Iterable[SimulatedFrame]) -> str:
    """Frames as candump -l writes them; identifiers below 800h as those of 11 bits."""
    return "".join(
        f"({frame.time_us // 1_000_000:010d}.{frame.time_us % 1_000_000:06d}) {frame.channel} "
        f"{frame.identifier:0{8 if frame.identifier > 0x7FF else 3}X}#{frame.data.hex().upper()}\n"
        for frame in frames
    )


def send(at_s: float, pgn: int, source: int, data: bytes, channel: str = "can0", priority: int = 6) -> SimulatedFrame:
    """A frame to all, so long after the start."""
    to_all = 0 if pgn >> 8 & 0xFF >= 240 else 0xFF00
    return SimulatedFrame(START_US + round(at_s * 1e6), channel, priority << 26 | pgn << 8 | to_all | source, data)


def every(
    period_s: float, pgn: int, source: int, data: bytes, *, channel: str = "can0", begin: float = 0.0, priority: int = 6
) -> Frames:
    """A message again and again, its period jittering by a hundredth; where its first two bytes are 0 they count."""
    random = np.random.default_rng([pgn, source])
    at = begin + np.arange(period_s / 3, SECONDS - begin, period_s)
    at = np.clip(at + random.normal(0, period_s / 100, len(at)), begin, SECONDS)
    counting = data[:2] == b"\0\0"
    return [
        send(moment, pgn, source, (number & 0xFFFF).to_bytes(2, "little") + data[2:] if counting else data, channel, priority)
        for number, moment in enumerate(at.tolist())
    ]  # fmt: skip


def name_of_device(source: int, group: int) -> bytes:
    """A NAME of our own for an address (J1939-81, from memory): identity, maker 2046, function, class, group."""
    name = 0x100 + source | 2046 << 21 | 130 << 40 | 25 << 49 | group << 60 | 1 << 63
    return (name & (1 << 64) - 1).to_bytes(8, "little")


def fast_packet(at_s: float, pgn: int, source: int, data: bytes) -> Frames:
    """A message in frames of 6 and then 7 bytes, numbered (domain facts of NMEA 2000)."""
    pieces = [bytes([len(data)]) + data[:6], *(data[at : at + 7] for at in range(6, len(data), 7))]
    return [send(at_s + 0.002 * n, pgn, source, bytes([n]) + piece.ljust(7, b"\xff")) for n, piece in enumerate(pieces)]


def announced(at_s: float, pgn: int, source: int, data: bytes, channel: str = "can0") -> Frames:
    """A message announced to all and sent in numbered packets of 7 bytes, 50 ms apart (J1939-21, from memory)."""
    pieces = [data[at : at + 7].ljust(7, b"\xff") for at in range(0, len(data), 7)]
    head = bytes([32]) + len(data).to_bytes(2, "little") + bytes([len(pieces), 255]) + pgn.to_bytes(3, "little")
    return [
        send(at_s, CONTROL, source, head, channel),
        *(send(at_s + 0.05 * n, PACKETS, source, bytes([n]) + piece, channel) for n, piece in enumerate(pieces, 1)),
    ]


def product_data(model: bytes, serial: bytes = b"0001") -> bytes:
    """134 bytes of product information (from memory): version, code, four texts of 32 characters, certification, load."""
    texts = b"".join(text.ljust(32, b"\xff") for text in (model, b"1.0", b"A", serial))
    return (2100).to_bytes(2, "little") + (7).to_bytes(2, "little") + texts + b"\x01\x02"


def claim_round(claims: Frames, others: Collection[int], channel: str, group: int) -> Frames:
    """Who else is there says so at once; a display then asks, and all claim again. claims: those of the simulated devices."""
    own = [send(0.02 * n, CLAIM, source, name_of_device(source, group), channel) for n, source in enumerate(others, 1)]
    mine = [claim for claim in claims if claim.channel == channel]
    again = [replace(claim, time_us=START_US + 2_010_000 + 5000 * n) for n, claim in enumerate([*mine, *own])]
    return [*own, send(2.0, REQUEST, max(others), CLAIM.to_bytes(3, "little"), channel), *again]


BUSY = bytes(2) + bytes.fromhex("7d007d00ffff")


def boat_life(claims: Frames) -> Frames:
    """What else goes by on the workboat: engine ten times a second, heading, position, the time, heartbeats, products."""
    life = claim_round(claims, BOAT_OTHERS, "can0", 4)
    life += every(0.1, ENGINE, 17, BUSY, priority=2) + every(0.25, HEADING, 4, BUSY, priority=2)
    life += every(1.0, POSITION, 3, BUSY, priority=2)
    for source in (*BOAT_OTHERS, FUEL_GAUGE, WATER_MONITOR):
        life += every(60.0, HEARTBEAT, source, bytes.fromhex("60ea00ffffffffff"))
        life += fast_packet(3.0 + 0.1 * source, PRODUCT, source, product_data(f"Device {source}".encode()))
    # Days since 1970 and tenths of milliseconds since midnight, with a clock of its own that is 1.5 s ahead.
    for frame in every(1.0, SYSTEM_TIME, 3, bytes(8), priority=3):
        days, rest_us = divmod(frame.time_us + 1_500_000, 86_400_000_000)
        told = b"\x01\xf0" + days.to_bytes(2, "little") + (rest_us // 100).to_bytes(4, "little")
        life.append(replace(frame, data=told))
    return life


def coach_life(claims: Frames) -> Frames:
    """What else goes by in clinic and chassis: supply, thermostat, engine and speed, and diagnostics: all is well."""
    life = claim_round(claims, CLINIC_OTHERS, "can0", 0) + claim_round(claims, CHASSIS_OTHERS, "can1", 0)
    life += every(0.5, DC_SOURCE, 0x50, b"\x01" + BUSY[1:]) + every(5.0, THERMOSTAT, 0x60, b"\x01" + BUSY[1:])
    for source in (CLINIC_MONITOR, *CLINIC_OTHERS):
        life += every(5.0, RVC_DIAGNOSTIC, source, bytes.fromhex("0545ffffffffffff"))
        life += announced(3.0 + source / 20, RVC_PRODUCT, source, f"WORKS*UNIT {source}*{source}*A*".encode())
    life += every(0.1, ENGINE_SPEED, CHASSIS, BUSY, channel="can1", priority=3)
    life += every(0.5, VEHICLE_SPEED, 11, BUSY, channel="can1")
    for source in (CHASSIS, 3, 11):
        life += every(1.0, DIAGNOSTIC, source, bytes.fromhex("00ff00000000ffff"), channel="can1")
    return life


@cache
def _healthy(bus: str) -> tuple[SimulatedFrame, ...]:
    frames = (workboat if bus == "boat" else clinic_coach)(seconds=SECONDS).frames
    claims = [frame for frame in frames if pgn_of(frame) == CLAIM]
    return tuple(in_time([*frames, *(boat_life if bus == "boat" else coach_life)(claims)]))


def healthy(bus: str) -> Frames:
    """A quarter of an hour of "boat" or "coach" with which nothing is wrong."""
    return list(_healthy(bus))


# ---- faults ----


def in_time(frames: Iterable[SimulatedFrame]) -> Frames:
    """Frames in the order of their times; those of one moment in the order in which they were given."""
    return sorted(frames, key=lambda frame: frame.time_us)


def _within(frame: SimulatedFrame, span: tuple[float, float]) -> bool:
    return span[0] <= (frame.time_us - START_US) / 1e6 < span[1]


def change(
    frames: Frames,
    tank: str,
    how: Callable[[SimulatedFrame, int], SimulatedFrame | None],
    span: tuple[float, float] = EVERYTHING,
) -> Frames:
    """Frames with those of a tank in a span of seconds replaced by how(frame, number of it), or taken out by None."""
    found, number = [], 0
    for frame in frames:
        if tank in tanks_of(frame) and _within(frame, span):
            new = how(frame, number)
            number += 1
            if new is not None:
                found.append(new)
        else:
            found.append(frame)
    assert number > 2
    return in_time(found)


def without(frames: Frames, gone: Callable[[SimulatedFrame], bool]) -> Frames:
    """Frames but for some, of which there have to be any."""
    left = [frame for frame in frames if not gone(frame)]
    assert len(left) < len(frames)
    return left


def silenced(frames: Frames, source: int, at_s: float, channel: str = "can0") -> Frames:
    """A device that sends no more from a moment on."""
    return without(
        frames, lambda f: f.channel == channel and source_of(f) == source and _within(f, (at_s, float("inf")))
    )


def moved_address(frames: Frames, old: int, new: int, at_s: float, channel: str, *, claimed: bool) -> Frames:
    """A device that goes on from another address, with or without a claim of its NAME."""
    found = []
    for frame in frames:
        if frame.channel == channel and source_of(frame) == old and _within(frame, (at_s, float("inf"))):
            frame = replace(frame, identifier=frame.identifier & ~0xFF | new)
        found.append(frame)
    if claimed:
        name = next(f.data for f in frames if pgn_of(f) == CLAIM and (f.channel, source_of(f)) == (channel, old))
        found.append(send(at_s, CLAIM, new, name, channel))
    return in_time(found)


def raw_of(frame: SimulatedFrame, raw: int) -> SimulatedFrame:
    """The frame with another raw level; of J1939 the exhaust fluid's or fuel 1's byte."""
    pgn, data = pgn_of(frame), bytearray(frame.data)
    if pgn == FLUID_LEVEL:
        data[1:3] = raw.to_bytes(2, "little")
    else:
        data[0 if pgn == EXHAUST_FLUID else 1] = raw
    return replace(frame, data=bytes(data))


def level_of(frame: SimulatedFrame, percent: float) -> SimulatedFrame:
    """The frame with another level, in the steps of its message: 0.004 %, 0.4 %, or parts of its resolution."""
    pgn = pgn_of(frame)
    if pgn == TANK_STATUS:
        return raw_of(frame, round(percent / 100 * frame.data[2]))
    return raw_of(frame, round(percent * (250 if pgn == FLUID_LEVEL else 2.5)))


def capacity_of(frame: SimulatedFrame, litres: int | None) -> SimulatedFrame:
    """The frame with another capacity, None for one that is not told."""
    if pgn_of(frame) == FLUID_LEVEL:
        raw = 0xFFFFFFFF if litres is None else litres * 10
        return replace(frame, data=frame.data[:3] + raw.to_bytes(4, "little") + frame.data[7:])
    return replace(
        frame, data=frame.data[:5] + (litres if litres is not None else 0xFFFF).to_bytes(2, "little") + b"\xff"
    )


def of_another(
    frames: Frames, tank: str, source: int | None, percent: float, late_s: float, begin_s: float = 0.0
) -> Frames:
    """A second sender of a tank, a while after each frame of the first one; source: None for the same device."""
    second = []
    for frame in frames:
        if tank in tanks_of(frame) and _within(frame, (begin_s, float("inf"))):
            identifier = frame.identifier if source is None else frame.identifier & ~0xFF | source
            second.append(
                level_of(replace(frame, time_us=frame.time_us + round(late_s * 1e6), identifier=identifier), percent)
            )
    assert len(second) > 10
    return in_time([*frames, *second])


def paused(frames: Frames, begin_s: float, end_s: float) -> Frames:
    return without(frames, lambda frame: _within(frame, (begin_s, end_s)))


def stepped_clock(frames: Frames, at_s: float, by_s: float) -> Frames:
    """The recorder's clock set at a moment; the frames stay in the order in which they came."""
    return [
        replace(f, time_us=f.time_us + round(by_s * 1e6)) if _within(f, (at_s, float("inf"))) else f for f in frames
    ]


def late_clock(frames: Frames, at_s: float) -> Frames:
    """A small computer that begins in 1970 and gets the time later."""
    return [f if _within(f, (at_s, float("inf"))) else replace(f, time_us=f.time_us - START_US) for f in frames]


def lossy(frames: Frames, share: float, begin_s: float = 200.0, end_s: float = 700.0) -> str:
    """A recorder that was too slow, and says so every ten seconds."""
    random = np.random.default_rng(5)
    parts: list[str] = []
    lost = total = 0
    told_s = begin_s
    for frame in frames:
        at_s = (frame.time_us - START_US) / 1e6
        if begin_s <= at_s < end_s and random.uniform() < share:
            lost += 1
            continue
        if lost and at_s > told_s:
            total += lost
            parts.append(f"DROPCOUNT: dropped {lost} CAN frames on '{frame.channel}' socket (total drops {total})\n")
            lost, told_s = 0, at_s + 10
        parts.append(log_text([frame]))
    assert total > 100
    return "".join(parts)


def with_errors(frames: Frames, count: int = 40) -> Frames:
    """Error frames for some seconds, class "protocol violation" (Linux include/uapi/linux/can/error.h: 8)."""
    errors = [
        SimulatedFrame(START_US + 300_000_000 + 250_000 * n, "can0", 0x20000008, bytes.fromhex("0000080000000000"))
        for n in range(count)
    ]
    return in_time([*frames, *errors])


def flooded(frames: Frames, pgn: int, source: int, per_s: int) -> Frames:
    """The last minute with a device that sends far too often."""
    flood = [send(SECONDS - 60 + n / per_s, pgn, source, BUSY, priority=7) for n in range(60 * per_s)]
    return in_time([*frames, *flood])


def irregular(frames: Frames, tank: str) -> Frames:
    """A tank of which every third message or so is lost on the way."""
    random = np.random.default_rng(3)
    return change(frames, tank, lambda frame, _: None if random.uniform() < 0.35 else frame)


def resent(
    frames: Frames, tank: str, period_s: float, level_pct: Callable[[float], float], until_s: float = SECONDS
) -> Frames:
    """A tank sent with a period of its own, jittering by a hundredth, with a level for each second of the recording."""
    template = next(frame for frame in frames if tank in tanks_of(frame))
    random = np.random.default_rng(11)
    at = np.arange(period_s / 2, until_s, period_s)
    at += random.normal(0, period_s / 100, len(at))
    sent = [
        level_of(replace(template, time_us=START_US + round(moment * 1e6)), level_pct(moment)) for moment in at.tolist()
    ]
    return in_time([*without(frames, lambda frame: tank in tanks_of(frame)), *sent])


def noisy(level_pct: float, spread_pct: float) -> Callable[[float], float]:
    """A level that stands still, by a sender whose noise has this standard deviation."""
    random = np.random.default_rng(13)
    return lambda _: level_pct + float(random.normal(0, spread_pct))


def unlike(tank_level: Callable[[float], float], apart_pct: float, wave_pct: float) -> Callable[[float], float]:
    """Two senders by turns, one so much higher than the other, in waves that keep no step with the readings."""
    turn = count()
    return lambda at_s: (
        tank_level(at_s) + apart_pct * (next(turn) % 2) + wave_pct * float(np.sin(2 * np.pi * 0.37 * at_s))
    )


def alone(frames: Frames, tank: str, source: int) -> Frames:
    """A tank of the chassis in a device of its own, which says so as all do."""
    frames = change(frames, tank, lambda frame, _: replace(frame, identifier=frame.identifier & ~0xFF | source))
    return in_time([*frames, send(0.01, CLAIM, source, name_of_device(source, 0), "can1")])


def jumping(frames: Frames, tank: str, to_pct: float) -> Frames:
    """A loose contact: now and then a level of its own for a while."""
    for begin in (150.0, 400.0, 610.0):
        frames = change(frames, tank, lambda frame, _: level_of(frame, to_pct), (begin, begin + 30))
    return frames


def in_steps(frames: Frames, tank: str, parts: int) -> Frames:
    """A tank that falls from full to empty, by a sender that knows so many parts of it."""

    def level(frame: SimulatedFrame) -> float:
        true = 100 - (frame.time_us - START_US) / 1e6 / 9.5
        return int(true / 100 * parts) / parts * 100

    return change(frames, tank, lambda frame, _: level_of(frame, level(frame)))


def set_alike(frames: Frames, tank: str, percent: float) -> Frames:
    """Two senders that answer by turns: every second message is the other one's."""
    return change(frames, tank, lambda frame, n: level_of(frame, percent) if n % 2 else frame)


def two_names(frames: Frames, source: int, channel: str, group: int) -> Frames:
    """A second device that claims an address time and again, and does not give way."""
    second = name_of_device(0xAA, group)
    mine = next(f.data for f in frames if pgn_of(f) == CLAIM and (f.channel, source_of(f)) == (channel, source))
    fight = [send(at + 0.01 * n, CLAIM, source, name, channel) for at in (100.0, 300.0, 500.0)
             for n, name in enumerate((second, mine))]  # fmt: skip
    return in_time([*frames, *fight])


def all_frames_of(frames: Frames, tanks: Collection[str], how: Callable[[SimulatedFrame], SimulatedFrame]) -> Frames:
    for tank in tanks:
        frames = change(frames, tank, lambda frame, _: how(frame))
    return frames


def renumbered(frame: SimulatedFrame, first_byte: int) -> SimulatedFrame:
    return replace(frame, data=bytes([first_byte]) + frame.data[1:])


def unfit(frames: Frames) -> Frames:
    """Only 11-bit frames: what another kind of bus has."""
    return [replace(frame, identifier=0x100 | frame.identifier & 0xFF) for frame in frames]


@dataclass(frozen=True)
class Case:
    """One fault in one healthy bus. tank: the id that the finding is to carry, or one of these.

    also: (code, tank id) of findings that are infos and come with it. severity: where it differs from CODES. title: tells it
    from others of its code and protocol.
    """

    code: str
    protocol: str
    inject: Fault
    roster: str | None = None
    tank: str | tuple[str, ...] | None = None
    also: frozenset[tuple[str, str | None]] = frozenset()
    severity: str | None = None
    title: str = ""

    @property
    def bus(self) -> str:
        return "boat" if self.protocol == "nmea2000" else "coach"

    @property
    def id(self) -> str:
        return "-".join(part for part in (self.code, self.protocol, self.title) if part)

    @property
    def baseline(self) -> set[tuple[str, str]]:
        """What is said without the fault: with a roster the capacities are known."""
        return BASELINE[self.bus] if self.roster is None else BASELINE_WITH_ROSTER[self.bus]

    def text(self) -> str:
        """The recording with the fault in it."""
        found = self.inject(healthy(self.bus))
        return found if isinstance(found, str) else log_text(found)

    def examined(self, folder: Path) -> tuple[str, Explanation]:
        """The recording, as it was written, and what is found in it."""
        text = self.text()
        path = folder / "bus.log"
        path.write_text(text)
        return text, examine_file(path, self.roster)


def examine_file(path: Path, roster: str | None) -> Explanation:
    """What is found in a file, with a roster given as text."""
    if roster is None:
        return canlevel.explain(path)
    listed = path.with_suffix(".toml")
    listed.write_text(roster)
    return canlevel.explain(path, roster=listed)


NMEA, RVC, J1939 = "nmea2000", "rvc", "j1939"
GREY_N, BLACK_N, FRESH_N = "nmea2000.grey_water.0", "nmea2000.black_water.0", "nmea2000.fresh_water.0"
FUEL_N, FUEL1_N = "nmea2000.fuel.0", "nmea2000.fuel.1"
GREY_R, GREY2_R, BLACK_R, FRESH_R = "rvc.grey_water.2", "rvc.grey_water.18", "rvc.black_water.1", "rvc.fresh_water.0"
FUEL_J, DEF_J = "j1939.fuel.1", "j1939.def.1"


def _each(code: str, tanks: dict[str, str], fault: Callable[[Frames, str], Frames], **more: object) -> Iterator[Case]:
    """The same fault of one tank for each protocol."""
    for protocol, tank in tanks.items():
        yield Case(code, protocol, lambda frames, tank=tank: fault(frames, tank), tank=tank, **more)  # type: ignore[misc, arg-type]


def _both(code: str, fault: Fault, **more: object) -> Iterator[Case]:
    """The same fault of the bus for the boat and for the coach."""
    for protocol in (NMEA, RVC):
        yield Case(code, protocol, fault, **more)  # type: ignore[arg-type]


def _raw_each(code: str, raw: dict[str, tuple[str, int]], span: tuple[float, float], title: str = "") -> Iterator[Case]:
    for protocol, (tank, value) in raw.items():
        yield Case(
            code,
            protocol,
            lambda frames, tank=tank, value=value: change(frames, tank, lambda f, _: raw_of(f, value), span),  # type: ignore[misc]
            tank=tank,
            title=title,
        )


def _cases() -> Iterator[Case]:
    # The bus and its recording.
    yield from _both("no-traffic", lambda _: [])
    yield from _both("no-extended-frames", unfit)
    yield from _both("error-frames", with_errors)
    yield Case("bus-overloaded", NMEA, lambda f: flooded(f, ENGINE, 17, 1100))
    yield Case("bus-overloaded", RVC, lambda f: flooded(f, DC_SOURCE, 0x50, 1100))
    yield from _both("capture-gap", lambda f: paused(f, 300, 420))
    yield from _both("frames-dropped", lambda f: lossy(f, 0.3))
    yield from _both("clock-step", lambda f: stepped_clock(f, 400, 3 * 86_400 + 17.3), title="days-forward")
    yield from _both("clock-step", lambda f: stepped_clock(f, 400, 47.37), title="seconds-forward")
    yield from _both("clock-step", lambda f: stepped_clock(f, 400, -3600), title="back")
    yield from _both("clock-step", lambda f: late_clock(f, 200), title="from-1970")
    # Which tanks are there.
    for protocol in (NMEA, RVC):
        yield Case(
            "no-tank-frames",
            protocol,
            lambda f: without(f, lambda frame: pgn_of(frame) in TANK_PGNS),
        )
    yield Case(
        "other-protocol", NMEA, healthy_as_it_is, roster_but("boat", "Heads", protocol="rvc", instance=1), BLACK_R,
        also=frozenset({("capacity-missing", BLACK_N)}),
    )  # fmt: skip
    yield Case(
        "other-protocol", RVC, healthy_as_it_is, roster_but("coach", "Washroom", protocol=NMEA, instance=0), BLACK_N
    )
    yield Case(
        "other-protocol", J1939, healthy_as_it_is, roster_but("coach", "Diesel", protocol=NMEA, instance=0), FUEL_N,
        also=frozenset({("capacity-missing", FUEL_J)}),
    )  # fmt: skip
    for protocol, tank in ((NMEA, GREY_N), (RVC, GREY2_R), (J1939, DEF_J)):
        bus = "boat" if protocol == NMEA else "coach"
        yield Case(
            "tank-missing",
            protocol,
            lambda f, tank=tank: without(f, lambda frame: tank in tanks_of(frame)),  # type: ignore[misc]
            ROSTERS[bus],
            tank,
        )
    yield Case(
        "tank-missing", J1939, lambda f: change(f, DEF_J, lambda frame, _: raw_of(frame, 0xFF)), ROSTERS["coach"], DEF_J,
        title="not-fitted",
    )  # fmt: skip
    yield Case("tank-unexpected", NMEA, healthy_as_it_is, roster_but("boat", "Galley sink"), GREY_N)
    yield Case("tank-unexpected", RVC, healthy_as_it_is, roster_but("coach", "Kitchenette"), GREY2_R)
    yield Case(
        "tank-unexpected", J1939, healthy_as_it_is, roster_but("coach", "Diesel"), FUEL_J,
        also=frozenset({("capacity-missing", FUEL_J)}),
    )  # fmt: skip
    for protocol, tank, name, told_l in ((NMEA, GREY_N, "Galley sink", 135), (RVC, GREY2_R, "Kitchenette", 80)):
        yield Case(
            "capacity-mismatch",
            protocol,
            lambda f, tank=tank, told_l=told_l: change(f, tank, lambda frame, _: capacity_of(frame, told_l)),  # type: ignore[misc]
            ROSTERS["boat" if protocol == NMEA else "coach"],
            tank,
            title=name.split()[0].lower(),
        )
    yield from _each(
        "capacity-missing", {NMEA: GREY_N, RVC: GREY_R}, lambda f, t: change(f, t, lambda x, _: capacity_of(x, None))
    )
    yield Case("capacity-missing", J1939, healthy_as_it_is, roster_but("coach", "Exhaust fluid", capacity_l=0), DEF_J)
    # What they say.
    not_there = {NMEA: (GREY_N, 0x7FFF), RVC: (GREY_R, 0xFF), J1939: (FUEL_J, 0xFF)}
    yield from _raw_each("level-not-available", {key: not_there[key] for key in (NMEA, RVC)}, EVERYTHING)
    yield from _raw_each("level-not-available", not_there, (300.0, float("inf")), "later")
    yield from _raw_each("level-not-available", not_there, (300.0, 420.0), "for-a-while")
    wrong = {NMEA: (BLACK_N, 0x7FFE), RVC: (BLACK_R, 0xFE), J1939: (DEF_J, 0xFE)}
    yield from _raw_each("level-error", wrong, EVERYTHING)
    yield from _raw_each("level-error", wrong, (500.0, float("inf")), "later")
    pinned = {NMEA: BLACK_N, RVC: BLACK_R, J1939: FUEL_J}
    yield from _each("level-pinned-full", pinned, lambda f, t: change(f, t, lambda x, _: level_of(x, 100)))
    yield from _each("level-pinned-empty", pinned, lambda f, t: change(f, t, lambda x, _: level_of(x, 0)))
    over = {NMEA: (GREY_N, 32_500), RVC: (GREY_R, 40)}  # 130 %; 40 of 36
    yield from _raw_each("level-over-range", over, EVERYTHING)
    yield from _raw_each("level-over-range", over, (450.0, 500.0), "for-a-while")
    yield Case(
        "level-over-range", NMEA, lambda f: change(f, GREY_N, lambda x, _: raw_of(x, 25_500)), tank=GREY_N, severity=INFO,
        title="a-little",
    )  # fmt: skip
    yield Case(
        "level-over-range", NMEA, lambda f: change(f, GREY_N, lambda x, _: raw_of(x, 0x10000 - 2500)), tank=GREY_N,
        title="below",
    )  # fmt: skip
    yield Case(
        "resolution-zero", RVC, lambda f: change(f, GREY_R, lambda x, _: replace(x, data=x.data[:2] + b"\0" + x.data[3:])),
        tank=GREY_R,
    )  # fmt: skip
    yield from _each("level-jumps", {NMEA: FRESH_N, RVC: FRESH_R, J1939: FUEL_J}, lambda f, t: jumping(f, t, 6.0))
    # A quarter of a tank of 60 L in five seconds is 180 L/min.
    yield Case(
        "level-jumps", RVC,
        lambda f: change(resent(f, GREY_R, 5.0, lambda at: 65 if 300 <= at < 360 else 40), GREY_R,
                         lambda x, _: capacity_of(x, 60)),
        tank=GREY_R, title="up-and-back",
    )  # fmt: skip
    yield from _each(
        "level-jumps", {NMEA: BLACK_N, J1939: FUEL_J},
        lambda f, t: resent(f, t, 2.0, lambda at: 55 if at > 300 else 40), title="capacity-unknown",
    )  # fmt: skip
    yield Case(
        "fluid-suspect", NMEA, lambda f: change(f, FUEL_N, lambda x, _: capacity_of(x, None)), tank=FUEL_N,
        also=frozenset({("capacity-missing", FUEL_N)}),
    )  # fmt: skip
    yield Case(
        "fluid-suspect", NMEA, lambda f: change(f, GREY_N, lambda x, _: renumbered(x, 0xE3)), tank="nmea2000.unknown.3",
        title="no-fluid",
    )  # fmt: skip
    yield Case(
        "unlisted-instance", RVC, lambda f: change(f, GREY_R, lambda x, _: renumbered(x, 0x47)), tank="rvc.unknown.71"
    )
    for protocol, tank, length in ((NMEA, GREY_N, 3), (RVC, GREY_R, 2), (J1939, DEF_J, 0)):
        yield Case(
            "frame-malformed",
            protocol,
            lambda f, tank=tank, length=length: change(  # type: ignore[misc]
                f, tank, lambda x, n: replace(x, data=x.data[:length]) if n % 4 == 1 else x
            ),
            tank=tank,
        )
    for protocol, tank in ((NMEA, GREY_N), (RVC, GREY_R)):
        yield Case(
            "frame-malformed",
            protocol,
            lambda f, tank=tank: change(f, tank, lambda x, n: replace(x, data=b"") if n % 40 == 1 else x),  # type: ignore[misc]
            title="nameless",
        )
    yield from _each("coarse-steps", {NMEA: GREY_N, J1939: FUEL_J}, lambda f, t: in_steps(f, t, 4))
    yield Case(
        "coarse-steps", RVC,
        lambda f: change(in_steps(f, GREY_R, 4), GREY_R,
                         lambda x, _: replace(x, data=x.data[:1] + bytes([x.data[1] // 9, 4]) + x.data[3:])),
        tank=GREY_R,
    )  # fmt: skip
    # Who is who.
    for protocol, tank, other in ((NMEA, GREY_N, 5), (RVC, GREY_R, 0x60), (J1939, FUEL_J, 3)):
        yield Case(
            "identity-clash",
            protocol,
            lambda f, tank=tank, other=other: of_another(f, tank, other, 77.0, 0.4),  # type: ignore[misc]
            tank=tank,
            also=frozenset({("capacity-missing", tank)} if protocol == J1939 else ()),
        )
    yield from _each(
        "instance-flicker",
        {NMEA: GREY_N, RVC: GREY_R, J1939: FUEL_J},
        lambda f, t: set_alike(f, t, 88.0),
        title="turns",
    )
    yield from _each(
        "instance-flicker", {NMEA: GREY_N, RVC: GREY_R, J1939: FUEL_J}, lambda f, t: of_another(f, t, None, 88.0, 0.3),
        title="doubled",
    )  # fmt: skip
    yield from _each(
        "instance-flicker", {NMEA: GREY_N, J1939: DEF_J},
        lambda f, t: resent(f, t, 2.0, unlike(noisy(40, 0.3), 2.5, 1.0)), title="close",
    )  # fmt: skip
    for protocol, source, channel, group in ((NMEA, WATER_MONITOR, "can0", 4), (RVC, CLINIC_MONITOR, "can0", 0),
                                             (J1939, CHASSIS, "can1", 0)):  # fmt: skip
        where = (source, channel)
        mine = {NMEA: (FRESH_N, GREY_N, BLACK_N), RVC: (FRESH_R, GREY_R, GREY2_R, BLACK_R, "rvc.lpg.3"),
                J1939: (FUEL_J, DEF_J)}[protocol]  # fmt: skip
        yield Case(
            "address-conflict",
            protocol,
            lambda f, where=where, group=group: two_names(f, *where, group),  # type: ignore[misc]
        )
        yield Case(
            "address-unclaimed",
            protocol,
            lambda f, where=where: without(  # type: ignore[misc]
                f, lambda x: pgn_of(x) == CLAIM and (source_of(x), x.channel) == where
            ),
            tank=mine,
        )
        yield Case(
            "address-unclaimed",
            protocol,
            lambda f, where=where: [  # type: ignore[misc]
                replace(x, identifier=x.identifier & ~0xFF | NO_NAME_ADDRESS)
                if (source_of(x), x.channel) == where
                else x
                for x in f
            ],
            tank=mine,
            title="cannot-claim",
        )
        yield Case(
            "address-changed",
            protocol,
            lambda f, where=where: moved_address(f, where[0], 99, 450.0, where[1], claimed=True),  # type: ignore[misc]
            tank=mine,
        )
        yield Case(
            "address-changed",
            protocol,
            lambda f, where=where: moved_address(f, where[0], 99, 450.0, where[1], claimed=False),  # type: ignore[misc]
            tank=mine,
            title="without-a-claim",
        )
    # When they come.
    yield from _each(
        "tank-went-silent", {NMEA: GREY_N, RVC: GREY_R, J1939: DEF_J},
        lambda f, t: change(f, t, lambda *_: None, (600.0, float("inf"))),
    )  # fmt: skip
    yield Case("device-went-silent", NMEA, lambda f: silenced(f, FUEL_GAUGE, 500.0))
    yield Case("device-went-silent", RVC, lambda f: silenced(f, CLINIC_MONITOR, 500.0))
    yield Case("device-went-silent", J1939, lambda f: silenced(f, CHASSIS, 500.0, "can1"))
    yield from _each(
        "update-slow", {NMEA: GREY_N, RVC: GREY_R, J1939: DEF_J},
        lambda f, t: change(f, t, lambda frame, n: None if n % 4 else frame),
    )  # fmt: skip
    yield from _each("update-irregular", {NMEA: GREY_N, RVC: GREY_R, J1939: DEF_J}, irregular)
    yield from _each(
        "update-irregular", {NMEA: GREY_N, RVC: GREY_R, J1939: DEF_J},
        lambda f, t: change(f, t, lambda *_: None, (300.0, 480.0)), title="away",
    )  # fmt: skip
    yield from _each(
        "update-irregular", {NMEA: GREY_N, RVC: GREY_R},
        lambda f, t: irregular(resent(f, t, 1.0, noisy(40, 0.3)), t), title="faster-than-its-kind",
    )  # fmt: skip
    yield Case(
        "update-irregular", J1939,
        lambda f: change(alone(f, DEF_J, 24), DEF_J, lambda *_: None, (300.0, 600.0)), tank=DEF_J, title="alone",
    )  # fmt: skip
    # What devices say: SPN and FMI as in domain facts; FMI 5 is an open circuit (J1939-73, from memory).
    yield Case(
        "diagnostic-reported", RVC,
        lambda f: in_time([*f, *every(5.0, RVC_DIAGNOSTIC, CLINIC_MONITOR, bytes.fromhex("15451234a503ffff"), begin=300)]),
    )  # fmt: skip
    yield Case(
        "diagnostic-reported", J1939,
        lambda f: in_time([*f, *every(1.0, DIAGNOSTIC, CHASSIS, bytes.fromhex("04ff60000405ffff"), channel="can1", begin=300)]),
    )  # fmt: skip
    two_faults = bytes.fromhex("04ff" + "60000405" + "61000301")
    yield Case(
        "diagnostic-reported", J1939,
        lambda f: in_time([*f, *(x for at in (300.0, 301.0, 302.0) for x in announced(at, DIAGNOSTIC, 3, two_faults, "can1"))]),
        title="announced",
    )  # fmt: skip


def healthy_as_it_is(frames: Frames) -> Frames:
    """Nothing is wrong on the bus: the roster says otherwise."""
    return frames


CASES = tuple(_cases())


def case(code: str, protocol: str, title: str = "") -> Case:
    """The Case of a code, a protocol and, where there are several, a title."""
    return next(one for one in CASES if (one.code, one.protocol) == (code, protocol) and title in one.title)


def print_confusion(folder: Path) -> None:
    """Which codes were found in each capture, by severity: a row a capture, a column a code."""
    codes = list(CODES)
    print(
        "captures, one fault each (columns: codes by number, F fault, W warning, i info; [ ] the fault that is in it)\n"
    )
    for number, code in enumerate(codes, 1):
        print(f"{number:>3} {code:<20} {CODES[code]}")
    print("\n" + " " * 48 + "".join(f"{number:>3}" for number in range(1, len(codes) + 1)))
    rows: list[tuple[str, str | None, Explanation]] = []
    for bus in BASELINE:
        path = folder / "bus.log"
        path.write_text(log_text(healthy(bus)))
        rows += [(f"healthy {bus}", None, examine_file(path, None))]
        rows += [(f"healthy {bus}, with its roster", None, examine_file(path, ROSTERS[bus]))]
    rows += [(one.id, one.code, one.examined(folder)[1]) for one in CASES]
    missed, false = 0, 0
    for title, injected, explanation in rows:
        cells = []
        found = {finding.code: finding.severity for finding in explanation.findings}
        for code in codes:
            mark = {"fault": "F", "warning": "W", "info": "i", None: "."}[found.get(code)]
            cells.append(f"[{mark}]" if code == injected else f" {mark} ")
        missed += injected is not None and injected not in found
        false += sum(severity != "info" and code != injected for code, severity in found.items())
        print(f"{title:<48}{''.join(cells)}")
    print(f"\n{len(rows)} captures; faults not found: {missed}; other faults and warnings found: {false}")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as temporary:
        print_confusion(Path(temporary))
    sys.exit(0)
