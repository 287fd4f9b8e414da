"""Captures with known truth: invented tanks on invented buses, seeded, for the demo and for tests.

    python -m canlevel.simulate captures        writes the demo captures anew

Two scenarios of our own: a harbour workboat on NMEA 2000, and a mobile dental-clinic coach with RV-C in its living part
and J1939 in its chassis. All figures are invented; only the layout of the messages is the standards'.
"""

from __future__ import annotations

import gzip
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from canlevel.decoding.definitions import builtin_messages
from canlevel.decoding.fields import Field
from canlevel.decoding.messages import Message, messages_by_pgn
from canlevel.tables import timestamp_us

__all__ = [
    "NINE_INCH_STRIP",
    "Flow",
    "SimulatedFrame",
    "Simulation",
    "Tank",
    "candump_text",
    "clinic_coach",
    "simulate",
    "tank_frame",
    "workboat",
]

FLUID_LEVEL, TANK_STATUS, DASH_DISPLAY, EXHAUST_FLUID = 127505, 0x1FFB7, 65276, 65110
ADDRESS_CLAIM = 60928
NINE_INCH_STRIP = 100 * 0.25 / 9  # a quarter of an inch on nine: 36 steps
TWELVE_INCH_STRIP = 100 * 0.375 / 12  # three eighths of an inch on twelve: 32 steps


@dataclass(frozen=True, slots=True)
class Flow:
    """A steady flow into (positive) or out of a tank. at_s: from the start of the capture."""

    at_s: float
    rate_l_per_min: float
    volume_l: float

    @property
    def end_s(self) -> float:
        return self.at_s + 60 * self.volume_l / abs(self.rate_l_per_min)


@dataclass(frozen=True, slots=True)
class Tank:
    """A prismatic tank with its sender. step_pct: how far apart the sender's steps are; noise_pct: standard deviation.

    steps: for RV-C, into how many steps the message divides the level. tells_capacity: whether the device sends it.
    """

    protocol: str
    fluid: str
    instance: int
    source_address: int
    capacity_l: float
    start_l: float
    step_pct: float = 0.004
    noise_pct: float = 0.0
    period_s: float = 2.5
    steps: int = 100
    tells_capacity: bool = True
    channel: str = "can0"
    flows: tuple[Flow, ...] = ()

    @property
    def id(self) -> str:
        return f"{self.protocol}.{self.fluid}.{self.instance}"

    def volume_l(self, seconds: NDArray[np.float64]) -> NDArray[np.float64]:
        """True litres at (n,) times since the start of the capture."""
        volume = np.full(len(seconds), float(self.start_l))
        for flow in self.flows:
            volume += np.clip(seconds - flow.at_s, 0, flow.end_s - flow.at_s) * flow.rate_l_per_min / 60
        return volume


@dataclass(frozen=True, slots=True, order=True)
class SimulatedFrame:
    """One frame on the wire."""

    time_us: int
    channel: str
    identifier: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Simulation:
    """A capture and the truth about it."""

    start: datetime
    tanks: tuple[Tank, ...]
    frames: list[SimulatedFrame] = field(repr=False)

    def text(self) -> str:
        """The capture as candump log text."""
        return candump_text(self.frames)


def candump_text(frames: Iterable[SimulatedFrame]) -> str:
    """Frames as candump -l writes them."""
    return "".join(
        f"({frame.time_us // 1_000_000:010d}.{frame.time_us % 1_000_000:06d}) {frame.channel} "
        f"{frame.identifier:08X}#{frame.data.hex().upper()}\n"
        for frame in frames
    )


def simulate(tanks: Sequence[Tank], *, start: datetime, seconds: float, seed: int, traffic: bool = True) -> Simulation:
    """The frames of tanks' devices over a time, with other traffic between them if wanted.

    A sender shows the step at or below the true level; periods jitter by a hundredth.
    """
    random = np.random.default_rng(seed)
    start_us = timestamp_us(start)
    frames: list[SimulatedFrame] = []
    for tank in tanks:
        count = int(seconds / tank.period_s)
        at = (np.arange(count) + random.uniform(0, 1)) * tank.period_s + random.normal(0, tank.period_s / 100, count)
        at = np.clip(np.sort(at), 0, seconds)
        level = 100 * tank.volume_l(at) / tank.capacity_l + random.normal(0, tank.noise_pct, count)
        shown = np.floor(level / tank.step_pct + 1e-9) * tank.step_pct
        for when, percent in zip(at.tolist(), np.clip(shown, 0, 100).tolist(), strict=True):
            identifier, data = tank_frame(tank, percent)
            frames.append(SimulatedFrame(start_us + round(when * 1e6), tank.channel, identifier, data))
    if traffic:
        frames += _other_traffic(tanks, start_us, seconds, random)
    return Simulation(start, tuple(tanks), sorted(frames))


def tank_frame(tank: Tank, level_pct: float) -> tuple[int, bytes]:
    """(identifier, eight data bytes) of the message by which a tank's device tells a level."""
    if tank.protocol == "nmea2000":
        capacity = round(tank.capacity_l * 10) if tank.tells_capacity else 0xFFFFFFFF
        values = {"Instance": tank.instance, "LevelPct": round(level_pct * 250), "CapacityL": capacity}
        return _frame(FLUID_LEVEL, 6, tank.source_address, values | {"FluidType": _fluid_raw(FLUID_LEVEL, tank.fluid)})
    if tank.protocol == "rvc":
        count = int(level_pct / 100 * tank.steps + 1e-9)
        litres, size = round(tank.capacity_l * count / tank.steps), round(tank.capacity_l)
        values = {"Instance": tank.instance, "LevelCount": count, "LevelSteps": tank.steps}
        told = {"VolumeL": litres, "TankSizeL": size} if tank.tells_capacity else {}
        return _frame(TANK_STATUS, 6, tank.source_address, values | told)
    if tank.fluid == "def":
        return _frame(EXHAUST_FLUID, 6, tank.source_address, {"Tank1Pct": round(level_pct * 2.5)})
    return _frame(DASH_DISPLAY, 6, tank.source_address, {f"Fuel{tank.instance}Pct": round(level_pct * 2.5)})


def _fluid_raw(pgn: int, fluid: str) -> int:
    telling = _message(pgn).fluid
    assert telling is not None
    return next(raw for raw, word in telling.words.items() if word == fluid)


def _message(pgn: int) -> Message:
    return messages_by_pgn(builtin_messages())[pgn]


def _frame(pgn: int, priority: int, source_address: int, values: dict[str, int]) -> tuple[int, bytes]:
    """(identifier, data) of a tank message; fields that are not given stay all ones, which is "not available"."""
    payload = (1 << 64) - 1
    for part in _message(pgn).fields:
        if part.name in values:
            payload = _packed(payload, part, values[part.name])
    return priority << 26 | pgn << 8 | source_address, payload.to_bytes(8, "little")


def _packed(payload: int, part: Field, raw: int) -> int:
    mask = (1 << part.bits) - 1
    return payload & ~(mask << part.shift) | (raw & mask) << part.shift


def _other_traffic(
    tanks: Sequence[Tank], start_us: int, seconds: float, random: np.random.Generator
) -> list[SimulatedFrame]:
    """What else goes by: an address claim of every device, and broadcasts that are no tank's."""
    frames = []
    devices = sorted({(tank.channel, tank.source_address, tank.protocol) for tank in tanks})
    for number, (channel, source_address, protocol) in enumerate(devices):
        group = 4 if protocol == "nmea2000" else 0  # industry group 4 is marine
        name = 0x1F0000 + number | 2046 << 21 | 150 << 40 | 75 << 49 | group << 60 | 1 << 63
        identifier = 6 << 26 | ADDRESS_CLAIM << 8 | 0xFF << 8 | source_address
        frames.append(
            SimulatedFrame(start_us + 1000 * number, channel, identifier, (name & (1 << 64) - 1).to_bytes(8, "little"))
        )
    protocols = {channel: protocol for channel, _, protocol in devices}
    for channel, protocol in protocols.items():
        pgn, priority = {"nmea2000": (127488, 2), "rvc": (0x1FFFD, 6), "j1939": (61444, 3)}[protocol]
        at = np.arange(0, seconds, 2.0) + random.uniform(0, 0.5, len(np.arange(0, seconds, 2.0)))
        value = np.cumsum(random.integers(-8, 9, len(at))) + 6000
        for when, number in zip(at.tolist(), value.tolist(), strict=True):
            data = bytes([0, number & 0xFF, number >> 8 & 0xFF, 255, 255, 0, 255, 255])
            frames.append(SimulatedFrame(start_us + round(when * 1e6), channel, priority << 26 | pgn << 8 | 16, data))
    return frames


START = datetime(2026, 5, 1, 8, 0, tzinfo=UTC)
HOURS = 3600.0


def workboat(*, seconds: float = 3 * HOURS, seed: int = 1) -> Simulation:
    """A harbour workboat on NMEA 2000: fuel for a morning's work, water taken on at the quay, holding tanks pumped out."""
    minute = 60.0
    hand_washing = [Flow(at * minute, -4.0, 2.8 * 4) for at in (32, 61, 96, 127)]
    fresh = Tank("nmea2000", "fresh_water", 0, 35, 200, 62, NINE_INCH_STRIP)
    grey = Tank("nmea2000", "grey_water", 0, 35, 120, 35, TWELVE_INCH_STRIP)
    black = Tank("nmea2000", "black_water", 0, 35, 80, 49, TWELVE_INCH_STRIP, tells_capacity=False)
    fuel = Tank("nmea2000", "fuel", 0, 42, 380, 301, 0.4, 0.15)
    return simulate(
        [
            replace(fuel, flows=(Flow(40 * minute, -0.55, 40), Flow(140 * minute, 38.0, 110))),
            replace(fuel, instance=1, start_l=288, flows=(Flow(40 * minute, -0.52, 38),)),
            replace(fresh, flows=(*hand_washing, Flow(12 * minute, 14.0, 120))),
            replace(
                grey, flows=(*(replace(flow, rate_l_per_min=4.0) for flow in hand_washing), Flow(150 * minute, -55, 60))
            ),
            replace(black, flows=(Flow(154 * minute, -60, 46),)),
        ],
        start=START,
        seconds=seconds,
        seed=seed,
    )


def clinic_coach(*, seconds: float = 3 * HOURS, seed: int = 2) -> Simulation:
    """A mobile dental-clinic coach: RV-C in the clinic (can0), J1939 in the chassis (can1)."""
    minute = 60.0
    rinsing = [Flow((22 + 24 * i) * minute, -6.0, 24) for i in range(5)]
    rvc = Tank("rvc", "fresh_water", 0, 0x44, 300, 96, NINE_INCH_STRIP, period_s=5.0, steps=36)
    grey, rinsed = replace(rvc, fluid="grey_water"), tuple(replace(flow, rate_l_per_min=6.0) for flow in rinsing)
    chassis = Tank("j1939", "fuel", 1, 0, 250, 171, 0.4, 0.2, period_s=1.0, tells_capacity=False, channel="can1")
    return simulate(
        [
            replace(rvc, flows=(Flow(6 * minute, 11.0, 140), *rinsing)),
            replace(grey, instance=2, capacity_l=150, start_l=22, flows=rinsed),
            replace(grey, instance=18, capacity_l=90, start_l=55, flows=(Flow(150 * minute, -45.0, 48),)),
            replace(rvc, fluid="black_water", instance=1, capacity_l=110, start_l=30),
            replace(rvc, fluid="lpg", instance=3, capacity_l=48, start_l=37, steps=4, step_pct=25.0),
            replace(chassis, flows=(Flow(100 * minute, 32.0, 60),)),
            replace(chassis, fluid="def", capacity_l=40, start_l=29, noise_pct=0.0),
        ],
        start=START,
        seconds=seconds,
        seed=seed,
    )


def write_captures(folder: Path) -> list[Path]:
    """Write the demo captures into a folder; the same bytes every time."""
    written = []
    for name, simulation in (("workboat", workboat()), ("clinic-coach", clinic_coach())):
        path = folder / f"{name}.log.gz"
        with path.open("wb") as raw, gzip.GzipFile(filename="", fileobj=raw, mode="wb", mtime=0) as file:
            file.write(simulation.text().encode())
        written.append(path)
    return written


if __name__ == "__main__":
    for capture in write_captures(Path(sys.argv[1] if len(sys.argv) > 1 else "captures")):
        print(capture)
