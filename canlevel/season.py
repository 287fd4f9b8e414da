"""Weeks of invented tanks as stores: three mobile dental-clinic coaches, for the notebook and for trying things out.

    canlevel.write_season("fleet")      makes fleet/coach-1, fleet/coach-2, fleet/coach-3

Each coach works five days a week: rinsing at the chairs, hand washing, a washroom; water is taken on in the morning, waste is
dumped in the evening, diesel burnt on the road and filled when it runs low. So that there is something to find, one coach
loses fresh water slowly from its tenth day on, one uses more than the others, and one logger was without power for a night.
Everything is invented and seeded; only the layout of the messages is the standards'.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.decoding.tanks import TankDecoder
from canlevel.derivation.online import OnlineRates
from canlevel.errors import StoreError
from canlevel.roster import Roster, TankEntry
from canlevel.simulate import NINE_INCH_STRIP, Flow, Tank, tank_frame
from canlevel.storage.merge import tidy_store
from canlevel.storage.store import create_store, is_store, marks_table
from canlevel.tables import EXTENDED, FRAMES, dictionary_column, time_column, timestamp_us

__all__ = ["write_season"]

START = datetime(2026, 5, 4, tzinfo=UTC)  # a Monday
DAY_S, HOUR_S, MINUTE_S = 86_400.0, 3600.0, 60.0
WORKING_DAYS = 5
SLOSH_PCT = 1.5
NAMES = ("Clinic coach North", "Clinic coach South", "Clinic coach West")
LEAK_FROM_DAY, LEAK_L_PER_H = 10, 0.7


@dataclass(frozen=True, slots=True)
class _Coach:
    """patients: a day, on average. leak_l_per_h: from LEAK_FROM_DAY on. silent_day: when its logger had no power, at night."""

    name: str
    patients: float
    leak_l_per_h: float = 0.0
    silent_day: int | None = None


COACHES = (
    _Coach(NAMES[0], 11.0),
    _Coach(NAMES[1], 11.0, leak_l_per_h=LEAK_L_PER_H),
    _Coach(NAMES[2], 17.0, silent_day=12),
)


def write_season(folder: str | Path, *, days: int = 28, seed: int = 1, period_s: float = 30.0) -> list[Path]:
    """Write three stores of simulated coaches below a folder, which is made; returns their paths. The same every time.

    days: of life. period_s: between two readings of a tank; real devices send more often.
    Raises StoreError where one of the stores is there already.
    """
    written = []
    for number, coach in enumerate(COACHES, 1):
        path = Path(folder) / f"coach-{number}"
        if is_store(path):
            raise StoreError("is there already", next_step="name another folder, or remove it")
        _write_coach(path, coach, days, np.random.default_rng([seed, number]), period_s)
        written.append(path)
    return written


def _write_coach(path: Path, coach: _Coach, days: int, random: np.random.Generator, period_s: float) -> None:
    tanks, driven = _life(coach, days, random, period_s)
    roster = Roster(
        coach.name,
        tuple(
            TankEntry(name, tank.fluid, tank.instance, tank.protocol, capacity_l=tank.capacity_l)
            for name, tank in tanks.items()
        ),
    )
    decoder, rates = TankDecoder(), OnlineRates(roster)
    store = create_store(path, vessel=coach.name)
    gone = (
        None
        if coach.silent_day is None
        else (coach.silent_day * DAY_S + 20 * HOUR_S, coach.silent_day * DAY_S + 29 * HOUR_S)
    )
    with store.writing() as writer:
        store.note_roster(roster)
        for day in range(days):
            frames = _frames(tanks.values(), day, driven, gone, random)
            writer.append(rates.add(roster.apply(decoder.decode(frames))))
            writer.commit()
        if gone is not None:
            start_us = timestamp_us(START)
            from_us, to_us = (start_us + round(at * 1e6) for at in gone)
            row = {"from": from_us, "to": to_us, "why": "canlevel was not running", "channel": None}
            store.add_marks("outages", marks_table("outages", [row], coach.name))
        tidy_store(store, today=(START + timedelta(days=days)).date())


def _life(
    coach: _Coach, days: int, random: np.random.Generator, period_s: float
) -> tuple[dict[str, Tank], list[tuple[float, float]]]:
    """The tanks with all that flows in and out of them, and when the coach was under way."""
    level = {"fresh": 240.0, "grey": 30.0, "black": 20.0, "diesel": 190.0}
    flows: dict[str, list[Flow]] = {name: [] for name in level}
    driven: list[tuple[float, float]] = []

    def flow(tank: str, at_s: float, rate: float, volume_l: float) -> None:
        flows[tank].append(Flow(at_s, rate, volume_l))
        level[tank] += volume_l if rate > 0 else -volume_l

    for day in range(days):
        morning = day * DAY_S
        if coach.leak_l_per_h and day >= LEAK_FROM_DAY:
            flow("fresh", morning, -coach.leak_l_per_h / 60, coach.leak_l_per_h * 24)
        if day % 7 >= WORKING_DAYS:
            continue
        out, back = morning + random.uniform(7.0, 7.4) * HOUR_S, morning + random.uniform(16.8, 17.3) * HOUR_S
        for begin in (out, back):
            length_s = random.uniform(25, 55) * MINUTE_S
            driven.append((begin, begin + length_s))
            rate = random.uniform(0.25, 0.35)
            flow("diesel", begin, -rate, rate * length_s / 60)
        if level["fresh"] < 200:
            flow("fresh", morning + 6.2 * HOUR_S + random.uniform(0, 900), random.uniform(10, 15), 280 - level["fresh"])
        if level["diesel"] < 90:
            flow("diesel", morning + 6.6 * HOUR_S, random.uniform(30, 38), 235 - level["diesel"])
        at = morning + 8.5 * HOUR_S
        for _ in range(int(random.poisson(coach.patients))):
            at += random.exponential(8.0 * HOUR_S / coach.patients / 1.2) + 4 * MINUTE_S
            if at > morning + 16.4 * HOUR_S or level["fresh"] < 25:
                break
            for name, share, rate in (("rinsing", 1.0, 6.0), ("washing", 0.6, 4.0)):
                volume_l = share * random.uniform(3.0, 6.0)
                begin = at + (0.0 if name == "rinsing" else 150.0)
                flow("fresh", begin, -rate, volume_l)
                flow("grey", begin + 4, rate * 0.97, volume_l * 0.97)
            if random.random() < 0.35:
                flow("black", at + 80, 9.0, random.uniform(3, 5))
        evening = morning + 18.3 * HOUR_S
        if level["grey"] > 60:
            flow("grey", evening, -random.uniform(45, 60), level["grey"] - 4)
        if level["black"] > 60:
            flow("black", evening + 600, -random.uniform(45, 60), level["black"] - 4)
    strip = Tank("rvc", "fresh_water", 0, 0x44, 300, 240, NINE_INCH_STRIP, period_s=period_s, steps=36)
    diesel = Tank("j1939", "fuel", 1, 0, 250, 190, 0.4, 0.15, period_s=period_s, tells_capacity=False, channel="can1")
    return {
        "Fresh water": replace(strip, flows=tuple(flows["fresh"])),
        "Grey water": replace(
            strip, fluid="grey_water", instance=2, capacity_l=180, start_l=30, flows=tuple(flows["grey"])
        ),
        "Washroom": replace(
            strip, fluid="black_water", instance=1, capacity_l=110, start_l=20, flows=tuple(flows["black"])
        ),
        "Diesel": replace(diesel, flows=tuple(flows["diesel"])),
    }, driven


def _frames(
    tanks: Iterable[Tank],
    day: int,
    driven: list[tuple[float, float]],
    gone: tuple[float, float] | None,
    random: np.random.Generator,
) -> pa.Table:
    """FRAMES of one day, in the order of time."""
    times, identifiers, payloads, channels = [], [], [], []
    for tank in tanks:
        count = int(DAY_S / tank.period_s)
        at = day * DAY_S + (np.arange(count) + 0.5) * tank.period_s + random.uniform(-0.3, 0.3, count)
        moved = np.zeros(count, np.bool_)
        for begin, end in driven:
            moved |= (at >= begin) & (at < end)
        level = 100 * _volume_l(tank, at) / tank.capacity_l + random.normal(0, tank.noise_pct, count)
        level += np.where(moved, random.normal(0, SLOSH_PCT, count), 0.0)
        shown = np.clip(np.floor(level / tank.step_pct + 1e-9) * tank.step_pct, 0, 100)
        # A sender that moves in steps shows few levels: each is put into a message once.
        kinds, which = np.unique(shown, return_inverse=True)
        told = [tank_frame(tank, percent) for percent in kinds.tolist()]
        heard = np.ones(count, np.bool_) if gone is None else (at < gone[0]) | (at >= gone[1])
        times.append(at[heard])
        identifiers.append(np.array([identifier for identifier, _ in told], np.uint32)[which][heard])
        payloads.append(np.array([int.from_bytes(data, "little") for _, data in told], np.uint64)[which][heard])
        channels.append(np.full(int(heard.sum()), int(tank.channel == "can1"), np.int64))
    at = np.concatenate(times)
    order = np.argsort(at, kind="stable")
    n = len(at)
    columns = {
        "time": time_column(timestamp_us(START) + np.rint(at[order] * 1e6).astype(np.int64)),
        "channel": dictionary_column(np.concatenate(channels)[order], ["can0", "can1"]),
        "identifier": pa.array(np.concatenate(identifiers)[order]),
        "flags": pa.array(np.full(n, EXTENDED, np.uint8)),
        "length": pa.array(np.full(n, 8, np.uint8)),
        "payload": pa.array(np.concatenate(payloads)[order]),
        "line": pa.array(np.arange(1, n + 1)),
    }
    return pa.table([columns[name] for name in FRAMES.names], schema=FRAMES)


def _volume_l(tank: Tank, at: NDArray[np.float64]) -> NDArray[np.float64]:
    """True litres at (n,) rising times. As Tank.volume_l, but flows that are over count once for all."""
    before = [flow for flow in tank.flows if flow.end_s < at[0]]
    litres = sum(flow.volume_l if flow.rate_l_per_min > 0 else -flow.volume_l for flow in before)
    now = tuple(flow for flow in tank.flows if flow.end_s >= at[0] and flow.at_s <= at[-1])
    return replace(tank, start_l=tank.start_l + litres, flows=now).volume_l(at)
