"""Tanks that are filled and drained at marks, by senders of many kinds, and one thing wrong with them: what proofs are held
against.

python tests/proofs.py        see tests/benchmark/proof_scores.py for the confusion table

Recordings are canlevel.simulate's (other traffic, address claims, periods that jitter); the level in each frame is made anew
here from a level that is known: the valve, a sender's delay and lag, noise, and its steps.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from faults import (
    NMEA_FLUIDS,
    RVC_FLUIDS,
    START_US,
    capacity_of,
    change,
    in_time,
    level_of,
    log_text,
    of_another,
    raw_of,
    roster_text,
    tanks_of,
    without,
)

import canlevel
from canlevel.proving.records import Proofs
from canlevel.simulate import SimulatedFrame, Tank, simulate

__all__ = ["FAULTS", "KINDS", "Bench", "bench", "proved"]

START = datetime(2026, 5, 1, 8, 0, tzinfo=UTC)
PERIODS = {"nmea2000": 2.5, "rvc": 5.0, "j1939": 1.0}
Frames = list[SimulatedFrame]


@dataclass(frozen=True)
class Sender:
    """How a sender shows a level. parts: steps in the tank, 0 for none. noise_pct: standard deviation. delay_s, lag_s: a dead
    time, and the time constant of its damping."""

    parts: int = 0
    noise_pct: float = 0.0
    delay_s: float = 0.0
    lag_s: float = 0.0

    def shown(self, level_pct: np.ndarray[Any, Any], random: np.random.Generator) -> np.ndarray[Any, Any]:
        """(n,) what it says of (n,) true levels."""
        level = np.clip(level_pct + random.normal(0, self.noise_pct, len(level_pct)), 0, 100)
        if not self.parts:
            return level
        return np.floor(level * self.parts / 100 + 1e-9) * 100 / self.parts


@dataclass(frozen=True)
class Bench:
    """One tank, filled and drained, with a neighbour at rest. All in seconds from the start; litres."""

    protocol: str
    fluid: str
    instance: int
    capacity_l: float
    begin_pct: float
    rate_l_per_min: float
    fill: tuple[float, float]
    drain: tuple[float, float]
    seconds: float
    sender: Sender
    seed: int = 1
    steps: int = 100
    source: int = 35
    leak_pct_per_min: float = 0.0
    early_s: float = 0.0
    only: tuple[float, ...] = (1.0, 1.0)  # how much of the fill and of the drain the level shows
    marked: tuple[str, ...] = ("fill", "drain")
    neighbour: str = "grey_water"

    @property
    def id(self) -> str:
        return f"{self.protocol}.{self.fluid}.{self.instance}"

    @property
    def neighbour_id(self) -> str:
        number = {"rvc": {"grey_water": 2, "fresh_water": 0}.get(self.neighbour, 1)}.get(self.protocol, 1)
        return f"{self.protocol}.{self.neighbour}.{number}"

    def true_pct(self, at: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        """(n,) true levels at (n,) times."""
        rate = 100 * self.rate_l_per_min / 60 / self.capacity_l
        up, down = (
            share * rate * np.clip(at - begin + self.early_s, 0, end - begin)
            for (begin, end), share in zip((self.fill, self.drain), self.only, strict=True)
        )
        # What no longer fits runs over.
        level = np.maximum(np.minimum(self.begin_pct + up, 100.0) - down, 0.0)
        return np.asarray(level - self.leak_pct_per_min / 60 * at)

    def shown_pct(self, at: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        """(n,) what the sender says."""
        random = np.random.default_rng([self.seed, 5])
        fine = np.arange(0, self.seconds + 1, 0.1)
        level = self.true_pct(fine - self.sender.delay_s)
        if self.sender.lag_s:
            keep = np.exp(-0.1 / self.sender.lag_s)
            behind, value = np.empty_like(level), level[0]
            for i, one in enumerate(level.tolist()):
                value = keep * value + (1 - keep) * one
                behind[i] = value
            level = behind
        return self.sender.shown(np.interp(at, fine, level), random)

    def frames(self) -> Frames:
        """The recording without a fault of the device."""
        mine = Tank(
            self.protocol, self.fluid, self.instance, self.source, self.capacity_l, self.capacity_l / 2,
            period_s=PERIODS[self.protocol], steps=self.steps,
        )  # fmt: skip
        other = replace(
            mine, fluid=self.neighbour, instance=int(self.neighbour_id.rpartition(".")[2]), capacity_l=120, start_l=44.4,
            step_pct=0.4,
        )  # fmt: skip
        frames = simulate([mine, other], start=START, seconds=self.seconds, seed=self.seed).frames
        at = np.array([(f.time_us - START_US) / 1e6 for f in frames if self.id in tanks_of(f)])
        shown = self.shown_pct(at).tolist()
        return change(frames, self.id, lambda frame, number: level_of(frame, shown[number]))

    @property
    def roster(self) -> str:
        fluid, number = self.neighbour_id.split(".")[1:]
        return roster_text(
            [
                ("Under test", self.fluid, self.instance, self.protocol, self.capacity_l),
                ("Neighbour", fluid, int(number), self.protocol, 120),
            ]
        )

    @property
    def marks(self) -> dict[str, list[str]]:
        """As the library takes them, a hand's second off."""
        random = np.random.default_rng([self.seed, 6])
        found: dict[str, list[str]] = {"fill": [], "drain": []}
        for kind, (begin, end) in (("fill", self.fill), ("drain", self.drain)):
            if kind in self.marked:
                off = random.uniform(-0.5, 0.8, 2)
                found[kind].append(f"{self.id}=+{begin + off[0]:.1f}/+{end + off[1]:.1f}")
        return found


def proved(one: Bench, frames: Frames, folder: Path, **more: Any) -> Proofs:
    """The proof of a recording of a bench."""
    path, roster = folder / "bench.log", folder / "bench.toml"
    path.write_text(log_text(frames))
    roster.write_text(one.roster)
    return canlevel.prove(path, roster=roster, tank=one.id, **(one.marks | more))


KINDS = ("fine", "0.4", "2.8", "3.1", "thirds")


def bench(seed: int, protocol: str | None = None, kind: str | None = None) -> Bench:
    """A tank by chance: any protocol, kind of sender, capacity from 15 to 400 L, rate from 2 to 20 L/min."""
    random = np.random.default_rng([seed, 1])
    protocol = protocol or str(random.choice(list(PERIODS)))
    kind = kind or str(random.choice(KINDS))
    parts = {"fine": 0, "0.4": 250, "2.8": 36, "3.1": 32, "thirds": 3}[kind]
    noise = (
        float(random.uniform(0.1, 0.6)) if kind == "fine" else min(float(random.uniform(0, 0.15)) * 100 / parts, 0.5)
    )
    if kind == "fine" and protocol != "nmea2000":
        parts = 0  # J1939 rounds to 0.4 %, RV-C to what it divides by
    steps = {"fine": 250, "0.4": 250, "2.8": 36, "3.1": 32, "thirds": 3}[kind]
    fluid = {"nmea2000": "fresh_water", "rvc": "fresh_water", "j1939": "fuel"}[protocol]
    neighbour = "def" if protocol == "j1939" else "grey_water"
    capacity_l = float(np.round(np.exp(random.uniform(np.log(15), np.log(400)))))
    rate = float(random.uniform(2, 20))
    step_pct = 100 / parts if parts else 0.4
    part_pct = min(max(float(random.uniform(2.5, 4)) * step_pct, float(random.uniform(5, 25))), 88.0)
    lasts_s = 60 * part_pct / 100 * capacity_l / rate
    if lasts_s > 2400:  # nobody waits for longer
        rate *= lasts_s / 2400
        lasts_s = 2400.0
    begin_pct = float(random.uniform(4, 96 - part_pct))
    rests = random.uniform(60, 150, 3)
    fill = (float(rests[0]), float(rests[0]) + lasts_s)
    drain = (fill[1] + float(rests[1]), fill[1] + float(rests[1]) + lasts_s)
    sender = Sender(parts, noise, float(random.uniform(0, 3)), float(random.uniform(0, 3)))
    return Bench(
        protocol, fluid, 1 if protocol == "j1939" else 0, capacity_l, begin_pct, rate, fill, drain,
        drain[1] + float(rests[2]), sender, seed, steps, neighbour=neighbour,
        source=0 if protocol == "j1939" else 35,
    )  # fmt: skip


# ---- faults: how a bench is spoilt, and the item under which that has to be told ----

Spoilt = Callable[[Bench, np.random.Generator], tuple[Bench, Frames]]


def _level(one: Bench, **changes: Any) -> tuple[Bench, Frames]:
    spoilt = replace(one, **changes)
    return spoilt, spoilt.frames()


def _frames(how: Callable[[Bench, Frames, np.random.Generator], Frames]) -> Spoilt:
    return lambda one, random: (one, how(one, one.frames(), random))


def _each(one: Bench, frames: Frames, how: Callable[[SimulatedFrame, int], SimulatedFrame | None]) -> Frames:
    return change(frames, one.id, how)


def _shown(one: Bench, level: Callable[[np.ndarray[Any, Any], np.ndarray[Any, Any]], np.ndarray[Any, Any]]) -> Frames:
    """With other levels: of (times, what the sender says)."""
    frames = one.frames()
    at = np.array([(f.time_us - START_US) / 1e6 for f in frames if one.id in tanks_of(f)])
    levels = np.clip(level(at, one.shown_pct(at)), 0, 100).tolist()
    return _each(one, frames, lambda frame, number: level_of(frame, levels[number]))


def _other_instance(one: Bench, frames: Frames, _: np.random.Generator) -> Frames:
    if one.protocol == "rvc":
        return _each(one, frames, lambda f, _n: replace(f, data=bytes([f.data[0] | 0x10]) + f.data[1:]))
    return _each(one, frames, lambda f, _n: replace(f, data=bytes([f.data[0] & 0xF0 | 7]) + f.data[1:]))


def _other_fluid(one: Bench, frames: Frames, _: np.random.Generator) -> Frames:
    if one.protocol == "rvc":
        return _each(one, frames, lambda f, _n: replace(f, data=bytes([RVC_FLUIDS.index("black_water")]) + f.data[1:]))
    kind = NMEA_FLUIDS.index("live_well")
    return _each(one, frames, lambda f, _n: replace(f, data=bytes([f.data[0] & 0x0F | kind << 4]) + f.data[1:]))


def _swapped(one: Bench, frames: Frames, _: np.random.Generator) -> Frames:
    """The monitor's two inputs exchanged: each tank under the other's number."""
    mine = [f for f in frames if one.id in tanks_of(f)]
    other = [f for f in frames if one.neighbour_id in tanks_of(f)]
    rest = [f for f in frames if f not in mine and f not in other]
    head_mine, head_other = mine[0].data[0], other[0].data[0]
    return in_time(
        [
            *rest,
            *(replace(f, data=bytes([head_other]) + f.data[1:]) for f in mine),
            *(replace(f, data=bytes([head_mine]) + f.data[1:]) for f in other),
        ]
    )


def _late(one: Bench, random: np.random.Generator) -> tuple[Bench, Frames]:
    return _level(one, sender=replace(one.sender, delay_s=float(random.uniform(35, 55))))


def _jumping(one: Bench, random: np.random.Generator) -> tuple[Bench, Frames]:
    """A loose contact: for some readings of the time before the fill, and after the drain, another level."""
    high = random.uniform(0, 1) < 0.5

    def level(at: np.ndarray[Any, Any], shown: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        away = np.zeros(len(at), bool)
        for begin in (one.fill[0] - 45, one.fill[0] - 20, one.drain[1] + 45):
            away |= (at >= begin) & (at < begin + 8)
        return np.where(away, 97.0 if high else 2.0, shown)

    return one, _shown(one, level)


def _noisy(one: Bench, random: np.random.Generator) -> tuple[Bench, Frames]:
    return _level(one, sender=Sender(0, float(random.uniform(3.5, 6)), one.sender.delay_s))


def _leaking(one: Bench, _: np.random.Generator) -> tuple[Bench, Frames]:
    """Fast enough that the rest of this recording holds three of the sender's steps."""
    rest_min = (one.seconds - 2 * (one.fill[1] - one.fill[0]) - 160) / 60
    step_pct = 100 / one.sender.parts if one.sender.parts else 0.4
    rate = max(3.2 * step_pct, 1.5) / max(rest_min, 1.0)
    begin_pct = min(max(one.begin_pct, rate * one.seconds / 60 + 5), 95.0)
    return _level(one, leak_pct_per_min=rate, begin_pct=begin_pct)


def _irregular(one: Bench, frames: Frames, random: np.random.Generator) -> Frames:
    return _each(one, frames, lambda f, _: None if random.uniform() < 0.35 else f)


def _slow(one: Bench, frames: Frames, random: np.random.Generator) -> Frames:
    every = int(random.integers(3, 6))
    return _each(one, frames, lambda f, n: f if n % every == 0 else None)


def _silent(one: Bench, frames: Frames, random: np.random.Generator) -> Frames:
    at_s = float(random.uniform(one.fill[1], one.drain[0] + 20))
    return _each(one, frames, lambda f, _: f if (f.time_us - START_US) / 1e6 < at_s else None)


def _status(raw: dict[str, int]) -> Spoilt:
    return _frames(lambda one, frames, _: _each(one, frames, lambda f, _n: raw_of(f, raw[one.protocol])))


def _status_later(raw: dict[str, int]) -> Spoilt:
    return _frames(
        lambda one, frames, _: _each(
            one,
            frames,
            lambda f, _n: raw_of(f, raw[one.protocol]) if (f.time_us - START_US) / 1e6 > one.drain[0] else f,
        )
    )


def _pinned(level_pct: float) -> Spoilt:
    return lambda one, _: (one, _shown(one, lambda _at, shown: np.full(len(shown), level_pct)))


def _other_capacity(one: Bench, frames: Frames, random: np.random.Generator) -> Frames:
    litres = round(one.capacity_l * float(random.choice([0.6, 0.8, 1.25, 1.6])))
    return _each(one, frames, lambda f, _n: capacity_of(f, litres))


ANY = ("nmea2000", "rvc", "j1939")
NUMBERED = ("nmea2000", "rvc")
NOT_AVAILABLE = {"nmea2000": 0x7FFF, "rvc": 0xFF, "j1939": 0xFF}
WRONG = {"nmea2000": 0x7FFE, "rvc": 0xFE, "j1939": 0xFE}
# name: (how, item under which it is to be told, protocols in which there can be such a thing)
FAULTS: dict[str, tuple[Spoilt, str, tuple[str, ...]]] = {
    "missing": (_frames(lambda one, f, _: without(f, lambda x: one.id in tanks_of(x))), "present", ANY),
    "other fluid": (_frames(_other_fluid), "identity", NUMBERED),
    "other instance": (_frames(_other_instance), "identity", NUMBERED),
    "swapped": (_frames(_swapped), "identity", NUMBERED),
    "two devices": (
        _frames(lambda one, f, _: of_another(f, one.id, 77, min(max(110 - one.begin_pct, 5), 95), 0.7)), "one_device", ANY,
    ),
    "pinned full": (_pinned(100.0), "not_pinned", ANY),
    "pinned empty": (_pinned(0.0), "not_pinned", ANY),
    "inverted": (lambda one, _: (one, _shown(one, lambda _at, shown: 100 - shown)), "rises", ANY),
    "stuck": (lambda one, _: (one, _shown(one, lambda _at, shown: np.full(len(shown), shown[0]))), "rises", ANY),
    "only up": (lambda one, _: _level(one, only=(1.0, 0.0)), "falls", ANY),
    "only down": (lambda one, _: _level(one, only=(0.0, 1.0), begin_pct=min(one.begin_pct + 30, 97.0)), "rises", ANY),
    "early": (lambda one, random: _level(one, early_s=float(random.uniform(25, 45))), "delay", ANY),
    "late": (_late, "delay", ANY),
    "noisy": (_noisy, "rest", ANY),
    "jumping": (_jumping, "rest", ANY),
    "leaking": (_leaking, "rest", ANY),
    "other capacity": (_frames(_other_capacity), "capacity", NUMBERED),
    "slow": (_frames(_slow), "period", ANY),
    "irregular": (_frames(_irregular), "period", ANY),
    "silent": (_frames(_silent), "period", ANY),
    "not available": (_status(NOT_AVAILABLE), "status", ANY),
    "error": (_status(WRONG), "status", ANY),
    "not available later": (_status_later(NOT_AVAILABLE), "status", ANY),
}  # fmt: skip
