"""Days of single tanks, invented and seeded, whose flows are known exactly: what the scores of flow detection rest on.

A day is drawn in this order: when the vehicle moves, how it is tilted when parked, what is drawn and filled; then the level
follows from the litres by the tank's shape, and the sender reads it: lag, slosh, noise, its true step, the step of the wire,
wrong readings, and times without any. Every range that numbers are drawn from is a field of `World`; TRAIN is for finding
a method and its constants, TEST, with other sizes and other laws, for saying how good it is. ROUGH adds what neither has: hills
or heel while driving, and a sender that wanders by itself.

Rates, durations and sender steps: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray
from scipy.signal import lfilter

from canlevel.roster import CYLINDER, PRISMATIC, Shape
from canlevel.tables import READINGS, dictionary_column, float_column, null_column, time_column

__all__ = [
    "FLUIDS",
    "ROUGH",
    "SENDER_KINDS",
    "TEST",
    "TRAIN",
    "Sender",
    "TankDay",
    "TrueFlow",
    "World",
    "draw_sender",
    "simulate_day",
    "tank_days",
]

Range = tuple[float, float]
Spans = list[tuple[float, float]]

START_US = 1_777_622_400_000_000  # 2026-05-01 00:00 UTC
DAY_S = 86_400.0
GRID_S = 0.25  # the level is laid on a grid this fine before the sender lags behind it
WIRE_STEP_PCT = 0.004  # PGN 127505
NODE_S = 2.0  # what drifts is drawn at times so far apart
SHORTEST_S = 1.0  # what is shorter does not happen
SAME_FLOW_S = 20.0  # runs of one tap closer than this are one flow
FLUIDS = ("fresh_water", "grey_water", "fuel")
# True steps in percent; None: drawn. 1/4 in of 9 in, 3/8 in of 12 in, n of d.
SENDER_KINDS: dict[str, tuple[float, ...]] = {
    "fine": (0.004,),
    "0.4 %": (0.4,),
    "1/4 of 9 in": (100 / 36,),
    "3/8 of 12 in": (100 / 32,),
    "thirds": (100 / 3,),
    "n/d": (2.0, 1.0, 0.5, 0.4),
}


@dataclass(frozen=True, slots=True)
class World:
    """The ranges everything is drawn from, (least, most); evenly, or evenly in the logarithm where it says so."""

    capacity_l: Range = (15, 400)  # by logarithm
    cylinders: float = 0.2  # part of the tanks that are lying cylinders
    period_s: Range = (0.5, 5)  # by logarithm
    jitter: Range = (0.005, 0.05)  # of a period
    # Senders
    fine_noise_pct: Range = (0.1, 0.5)
    small_noise_pct: Range = (0.02, 0.15)  # of senders of 0.4 %
    coarse_noise_steps: Range = (0.02, 0.2)
    coarse_noise_most_pct: float = 1.0
    noise_laws: tuple[str, ...] = ("gaussian",)
    hysteresis_steps: Range = (0, 0.1)
    hysteresis: float = 0.5  # part of the coarse senders that have it
    floors: float = 0.3  # part of the senders that cut off instead of rounding
    lag_s: Range = (1, 3)
    delays: float = 0.25  # part of the senders that delay instead of lagging
    delay_s: Range = (2, 2)
    wander_pct: Range = (0, 0)  # standard deviation of a slow error (warmth, electronics)
    wander_memory_s: Range = (60, 1800)  # by logarithm
    # Faults of reading, a day
    dropouts: Range = (0, 5)
    dropout_s: Range = (5, 3 * 3600)  # by logarithm
    absences: Range = (0, 3)  # spells of "not available"
    absence_s: Range = (2, 1800)  # by logarithm
    spikes: Range = (0, 5)
    # Movement
    spells: Range = (2, 6)
    spell_s: Range = (600, 3 * 3600)  # by logarithm
    slosh_sd_pct: Range = (1, 5)  # as it is read, behind the sender's lag
    slosh_hz: Range = (0.3, 2)
    slosh_waves: Range = (2, 4)
    slosh_memory_s: Range = (5, 60)  # over which amplitude and phase of a wave drift; by logarithm
    slosh_fade_s: Range = (3, 15)
    sway_sd_pct: Range = (0, 0)  # slow tilt while driving (hills, heel)
    sway_memory_s: Range = (5, 60)  # by logarithm
    tilt_pct: Range = (-4, 4)  # parked, until the next spell
    still_shifts: Range = (0, 2)  # somebody moves weights: a day
    still_shift_pct: Range = (-1.5, 1.5)
    shift_s: Range = (2, 3)
    abrupt: float = 0.5
    # Flows
    uses: Range = (6, 25)  # of a fresh or waste tank, a day
    together: float = 0.3  # part of the uses that follow soon on another
    soon_s: Range = (20, 240)
    while_driving: float = 0.2  # part of the uses that fall into a spell and are not put off
    showers: float = 0.2
    tap_l_per_min: Range = (2, 6)
    tap_s: Range = (12, 300)  # by logarithm
    shower_l_per_min: Range = (5, 9)
    shower_s: Range = (120, 480)
    second_tap: float = 0.12
    again: float = 0.1  # the same tap, after a pause
    again_s: Range = (25, 120)
    hose_l_per_min: Range = (8, 20)
    tap_while_filling: float = 0.3
    fuel_fill_l_per_min: Range = (8, 40)
    dump_l_per_min: Range = (40, 120)
    burn_l_per_h: Range = (0.1, 0.5)
    burns: Range = (1, 3)
    burn_s: Range = (3600, 8 * 3600)
    fuel_fills: float = 0.5  # part of the days on which fuel is filled in
    low_pct: Range = (15, 35)  # a fresh or fuel tank is filled below this
    high_pct: Range = (65, 88)  # a waste tank is dumped above this
    full_pct: Range = (88, 97)
    empty_pct: Range = (2, 6)


TRAIN = World()
TEST = World(
    capacity_l=(20, 350),
    period_s=(0.7, 4.2),
    jitter=(0.0, 0.08),
    fine_noise_pct=(0.08, 0.6),
    noise_laws=("gaussian", "laplace"),
    lag_s=(0.5, 4.5),
    delay_s=(1, 3),
    slosh_sd_pct=(0.8, 6.5),
    slosh_hz=(0.2, 1.4),
    slosh_waves=(1, 5),
    slosh_memory_s=(8, 120),
    tilt_pct=(-5, 5),
    still_shift_pct=(-2, 2),
    shift_s=(1, 5),
    tap_l_per_min=(1.8, 7),
    hose_l_per_min=(7, 24),
    dump_l_per_min=(35, 110),
    spikes=(0, 8),
)
ROUGH = replace(TEST, sway_sd_pct=(0.3, 2), sway_memory_s=(10, 120), wander_pct=(0, 0.2))


@dataclass(frozen=True, slots=True)
class Sender:
    """How a level is read. Steps, noise and hysteresis in percent of the tank; noise is before the step."""

    kind: str
    step_pct: float
    noise_pct: float
    noise_law: str = "gaussian"  # or laplace
    hysteresis_pct: float = 0.0
    floor: bool = False
    lag_s: float = 0.0
    delay_s: float = 0.0
    period_s: float = 2.5
    jitter: float = 0.02


@dataclass(frozen=True, slots=True)
class TrueFlow:
    """A time of one net rate, with what leaks meanwhile. volume_l is positive; the rate is signed, filling positive."""

    start_s: float
    end_s: float
    volume_l: float
    rate_l_per_min: float

    @property
    def kind(self) -> str:
        return "fill" if self.rate_l_per_min > 0 else "drain"


@dataclass(frozen=True, slots=True)
class TankDay:
    """The readings of one tank and what truly happened. All times in seconds since origin_us."""

    readings: pa.Table
    flows: list[TrueFlow]
    leak_l_per_h: float
    capacity_l: float
    step_pct: float
    noise_pct: float
    restless: Spans  # driving
    shifts: list[float]  # when a tilt began: the level moves and nothing flows
    gaps: Spans  # without a reading, or without a level
    sender: Sender
    shape: Shape
    fluid: str
    driving: bool
    hours: float
    spikes: list[float] = field(default_factory=list)
    origin_us: int = START_US

    @property
    def step_l(self) -> float:
        return self.capacity_l * self.step_pct / 100


def draw_sender(rng: np.random.Generator, kind: str | None = None, *, world: World = TRAIN) -> Sender:
    """A sender of a kind, of any kind by default."""
    kind = kind or str(rng.choice(list(SENDER_KINDS)))
    step = float(rng.choice(SENDER_KINDS[kind]))
    coarse = kind not in ("fine", "0.4 %")
    if kind == "fine":
        noise = rng.uniform(*world.fine_noise_pct)
    elif kind == "0.4 %":
        noise = rng.uniform(*world.small_noise_pct)
    else:
        noise = min(rng.uniform(*world.coarse_noise_steps) * step, world.coarse_noise_most_pct)
    delays = rng.random() < world.delays
    return Sender(
        kind=kind,
        step_pct=step,
        noise_pct=float(noise),
        noise_law=str(rng.choice(world.noise_laws)),
        hysteresis_pct=float(rng.uniform(*world.hysteresis_steps) * step)
        if coarse and rng.random() < world.hysteresis
        else 0.0,
        floor=bool(kind != "fine" and rng.random() < world.floors),
        lag_s=0.0 if delays else float(rng.uniform(*world.lag_s)),
        delay_s=float(rng.uniform(*world.delay_s)) if delays else 0.0,
        period_s=_by_logarithm(rng, world.period_s),
        jitter=float(rng.uniform(*world.jitter)),
    )


def simulate_day(
    rng: np.random.Generator,
    sender: Sender,
    *,
    driving: bool,
    hours: float = 24.0,
    world: World = TRAIN,
    leak_l_per_h: float = 0.0,
    capacity_l: float | None = None,
    shape: Shape | None = None,
    fluid: str | None = None,
    **ranges: Any,
) -> TankDay:
    """One tank for some hours. ranges: fields of `world` to be replaced, for example spikes=(0, 0)."""
    world = replace(world, **ranges)
    length = hours * 3600
    capacity = capacity_l or _by_logarithm(rng, world.capacity_l)
    shape = shape or Shape(CYLINDER if rng.random() < world.cylinders else PRISMATIC)
    fluid = fluid or str(rng.choice(FLUIDS, p=(0.45, 0.4, 0.15)))
    restless = _spells(rng, world, length) if driving else []
    tilts = _tilts(rng, world, length, restless, driving)
    tank = _Tank(capacity, shape, tilts.least, tilts.most)
    pieces, start_l = _draw_pieces(rng, world, tank, fluid, length, restless, leak_l_per_h)
    at_s, litres, flows = _integrated(pieces, start_l, length, leak_l_per_h)

    grid = np.arange(0, length + 60, GRID_S)
    level = tank.level_pct(np.interp(grid, at_s, litres)) + tilts.at(grid)
    if sender.lag_s > 0:
        # Exact for a level in straight lines between the points of the grid, up to half a grid step.
        keep = np.exp(-GRID_S / sender.lag_s)
        level, _ = lfilter([1 - keep], [1, -keep], level, zi=[keep * level[0]])
    seconds = _reading_times(rng, sender, length)
    read = np.interp(seconds - sender.delay_s, grid, level)
    for begin, end in restless:
        read += _slosh(rng, world, seconds, begin, end)
    wander = rng.uniform(*world.wander_pct)
    if wander > 0:
        memory = _by_logarithm(rng, world.wander_memory_s)
        nodes = np.arange(0, length + 2 * NODE_S, NODE_S)
        read += wander * np.interp(seconds, nodes, _drifting(rng, nodes, memory))
    spiked = _some(rng, world.spikes, hours, len(seconds))
    read = _read(rng, sender, read)
    read[spiked] = _stepped(sender, rng.uniform(0, 100, len(spiked)))

    dropouts, absences = (
        _short_spans(rng, count, lasting, hours, length)
        for count, lasting in ((world.dropouts, world.dropout_s), (world.absences, world.absence_s))
    )
    heard = ~_inside(seconds, dropouts)
    absent = _inside(seconds, absences)[heard]
    return TankDay(
        readings=_table(seconds[heard], read[heard], absent, capacity, shape, fluid, sender),
        flows=flows,
        leak_l_per_h=leak_l_per_h,
        capacity_l=capacity,
        step_pct=sender.step_pct,
        noise_pct=sender.noise_pct,
        restless=restless,
        shifts=tilts.times,
        gaps=_united(dropouts + absences),
        sender=sender,
        shape=shape,
        fluid=fluid,
        driving=driving,
        hours=hours,
        spikes=[float(at) for at in seconds[spiked]],
    )


def tank_days(
    count: int, seed: int, *, world: World = TRAIN, kind: str | None = None, hours: float = 24.0, **ranges: Any
) -> Iterator[TankDay]:
    """Some days, a third of them driving, sender kinds in turn. Each day has a seed of its own: seed + its number."""
    kinds = list(SENDER_KINDS)
    for number in range(count):
        rng = np.random.default_rng(seed + number)
        # Three days of each kind in turn, one of which is driven.
        sender = draw_sender(rng, kind or kinds[number // 3 % len(kinds)], world=world)
        yield simulate_day(rng, sender, driving=number % 3 == 2, hours=hours, world=world, **ranges)


# ---- what happens ----


class _Tank:
    """Litres and percent, and how far the level may go so that a tilted sender still sees it."""

    def __init__(self, capacity_l: float, shape: Shape, least_tilt: float, most_tilt: float) -> None:
        self.capacity_l, self._shape = capacity_l, shape
        self._levels = np.linspace(0, 100, 20_001)
        self._litres = shape.volume_l(self._levels, np.full(20_001, capacity_l))
        self.least_l = self.litres(1.0 + max(0.0, -least_tilt))
        self.most_l = self.litres(99.0 - max(0.0, most_tilt))

    def litres(self, level_pct: float) -> float:
        return float(np.interp(level_pct, self._levels, self._litres))

    def level_pct(self, litres: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.interp(litres, self._litres, self._levels))

    def within(self, litres: float) -> float:
        return min(max(litres, self.least_l), self.most_l)


Pieces = list[tuple[float, float, float]]  # start, end, litres a second; one after the other


def _draw_pieces(
    rng: np.random.Generator,
    world: World,
    tank: _Tank,
    fluid: str,
    length: float,
    restless: Spans,
    leak_l_per_h: float,
) -> tuple[Pieces, float]:
    """What is drawn and filled, one event after the other, and the litres at the start."""
    waste, fuel, leak = fluid == "grey_water", fluid == "fuel", leak_l_per_h / 3600
    low, high = tank.litres(rng.uniform(*world.low_pct)), tank.litres(rng.uniform(*world.high_pct))
    litres = start_l = tank.within(tank.litres(rng.uniform(30, 75)))
    if fuel and rng.random() < world.fuel_fills:
        litres = start_l = tank.within(low * rng.uniform(0.5, 1.0))
    uses = rng.uniform(*(world.burns if fuel else world.uses))
    pause = DAY_S / uses
    pieces: Pieces = []
    at = began = rng.exponential(pause / (3 if fuel else 1))
    while at < length - 60:
        litres = max(litres - leak * (at - began), 0.0)
        began = at
        if litres > high if waste else litres < low:
            event = _turnover(rng, world, tank, fluid, litres)
            at = _after_spells(at, sum(lasting for lasting, _ in event), restless, rng)
        else:
            event = _burn(rng, world) if fuel else _use(rng, world, 1 if waste else -1)
            if not fuel and _within_any(at, restless) and rng.random() > world.while_driving:
                at = _after_spells(at, 0.0, restless, rng)
        for lasting, rate in event:
            end = min(at + lasting, length)
            if rate:
                # A tank that is nearly empty or full ends what it takes part in.
                room = (tank.least_l if rate < 0 else tank.most_l) - litres
                end = min(end, at + max(room / rate, 0.0))
                if end - at < SHORTEST_S:
                    break
                pieces.append((at, end, rate))
            litres, at = litres + rate * (end - at), end
        soon = not fuel and rng.random() < world.together
        at += rng.uniform(*world.soon_s) if soon else SAME_FLOW_S + rng.exponential(pause)
    return pieces, start_l


def _use(rng: np.random.Generator, world: World, sign: int) -> list[tuple[float, float]]:
    """(seconds, litres a second) of a tap or a shower, perhaps with a second tap, or again after a pause."""
    if rng.random() < world.showers:
        lasting, rate = rng.uniform(*world.shower_s), rng.uniform(*world.shower_l_per_min)
    else:
        lasting, rate = _by_logarithm(rng, world.tap_s), rng.uniform(*world.tap_l_per_min)
    rate *= sign / 60
    kind = rng.random()
    if kind < world.second_tap:
        other = sign * rng.uniform(*world.tap_l_per_min) / 60
        both, alone = _by_logarithm(rng, world.tap_s), _by_logarithm(rng, world.tap_s)
        last = [(alone, rate if rng.random() < 0.5 else other)] if rng.random() < 0.5 else []
        return [(lasting, rate), (both, rate + other), *last]
    if kind < world.second_tap + world.again:
        return [(lasting, rate), (rng.uniform(*world.again_s), 0.0), (_by_logarithm(rng, world.tap_s), rate)]
    return [(lasting, rate)]


def _burn(rng: np.random.Generator, world: World) -> list[tuple[float, float]]:
    return [(rng.uniform(*world.burn_s), -rng.uniform(*world.burn_l_per_h) / 3600)]


def _turnover(
    rng: np.random.Generator, world: World, tank: _Tank, fluid: str, litres: float
) -> list[tuple[float, float]]:
    """A tank filled until nearly full, or dumped until nearly empty; a tap may run meanwhile."""
    if fluid == "grey_water":
        rate = -rng.uniform(*world.dump_l_per_min) / 60
        return [(max((tank.litres(rng.uniform(*world.empty_pct)) - litres) / rate, 1.0), rate)]
    rate = rng.uniform(*(world.fuel_fill_l_per_min if fluid == "fuel" else world.hose_l_per_min)) / 60
    lasting = max((tank.litres(rng.uniform(*world.full_pct)) - litres) / rate, 1.0)
    if fluid == "fuel" or rng.random() > world.tap_while_filling or lasting < 60:
        return [(lasting, rate)]
    tap = rng.uniform(*world.tap_l_per_min) / 60
    first = rng.uniform(0.1, 0.6) * lasting
    both = min(_by_logarithm(rng, world.tap_s), 0.3 * lasting)
    # What the tap takes is filled in addition.
    return [(first, rate), (both, rate - tap), (lasting - first - both + both * tap / rate, rate)]


def _integrated(
    pieces: Pieces, start_l: float, length: float, leak_l_per_h: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], list[TrueFlow]]:
    """(times, litres, flows): litres in straight lines between the times; flows of one rate that follow at once are one."""
    at_s, litres = [-60.0], [start_l]
    flows: list[TrueFlow] = []
    leak = leak_l_per_h / 3600

    def run(until: float, rate: float) -> float:
        """Go on at a rate; returns the litres that came in. A leak ends when the tank is empty."""
        before = litres[-1]
        after = before + rate * (until - at_s[-1])
        if after < 0:
            at_s.append(at_s[-1] + before / -rate)
            litres.append(0.0)
        at_s.append(until)
        litres.append(max(after, 0.0))
        return litres[-1] - before

    for begin, end, rate in pieces:
        if begin > at_s[-1]:
            run(begin, -leak)
        moved = run(end, rate - leak)
        net = 60 * (rate - leak)
        last = flows[-1] if flows else None
        if last is not None and begin - last.end_s < SAME_FLOW_S and abs(net - last.rate_l_per_min) < 1e-6:
            flows[-1] = TrueFlow(last.start_s, end, last.volume_l + abs(moved), net)
        elif abs(moved) > 1e-6:
            flows.append(TrueFlow(begin, end, abs(moved), net))
    run(length + 120, -leak)
    return np.array(at_s), np.array(litres), flows


def _spells(rng: np.random.Generator, world: World, length: float) -> Spans:
    """When the vehicle moves: spells of no more than six tenths of the time, with pauses between them."""
    count = max(1, round(int(rng.integers(int(world.spells[0]), int(world.spells[1]) + 1)) * min(1.0, length / DAY_S)))
    lasting = np.array([_by_logarithm(rng, world.spell_s) for _ in range(count)])
    lasting *= min(1.0, 0.6 * length / lasting.sum())
    pauses = rng.dirichlet(np.full(count + 1, 1.5)) * (length - lasting.sum())
    begins = np.cumsum(pauses[:-1]) + np.concatenate([[0.0], np.cumsum(lasting[:-1])])
    return [(float(begin), float(begin + last)) for begin, last in zip(begins, lasting, strict=True)]


@dataclass(frozen=True, slots=True)
class _Tilts:
    """Percent by which the level is read too high, in straight lines between (seconds, percent)."""

    seconds: list[float]
    percent: list[float]
    times: list[float]

    @property
    def least(self) -> float:
        return min(self.percent)

    @property
    def most(self) -> float:
        return max(self.percent)

    def at(self, seconds: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.interp(seconds, self.seconds, self.percent))


def _tilts(rng: np.random.Generator, world: World, length: float, restless: Spans, driving: bool) -> _Tilts:
    """Level on the road, tilted when parked; and weights are moved now and then."""
    changes: list[tuple[float, float]] = []
    now = rng.uniform(*world.tilt_pct) if driving else 0.0
    seconds, percent = [-60.0], [now]
    for begin, end in restless:
        changes += [(begin, 0.0), (end, rng.uniform(*world.tilt_pct))]
    for _ in range(rng.poisson(rng.uniform(*world.still_shifts) * length / DAY_S)):
        at = rng.uniform(0, length)
        if not any(begin - 60 < at < end + 60 for begin, end in restless):
            changes.append((at, np.nan))  # from wherever it is then
    changes.sort()
    times = []
    for at, to in changes:
        lasting = 0.1 if rng.random() < world.abrupt else rng.uniform(*world.shift_s)
        to = now + rng.uniform(*world.still_shift_pct) if np.isnan(to) else to
        if at <= seconds[-1]:
            continue
        seconds += [at, at + lasting]
        percent += [now, to]
        times.append(float(at))
        now = to
    return _Tilts(seconds, percent, times)


# ---- how it is read ----


def _slosh(
    rng: np.random.Generator, world: World, seconds: NDArray[np.float64], begin: float, end: float
) -> NDArray[np.float64]:
    """(n,) percent: waves whose amplitude and phase drift, faster than most senders read, so that they come out aliased."""
    total = np.zeros(len(seconds))
    fade = rng.uniform(*world.slosh_fade_s)
    first, last = np.searchsorted(seconds, [begin, end + 5 * fade])
    at = seconds[first:last]
    if not len(at):
        return total
    nodes = np.arange(begin, end + 5 * fade + 2 * NODE_S, NODE_S)
    waves = int(rng.integers(int(world.slosh_waves[0]), int(world.slosh_waves[1]) + 1))
    sizes = rng.dirichlet(np.full(waves, 2.0)) ** 0.5
    slosh = np.zeros(len(at))
    for size in sizes:
        hertz = rng.uniform(*world.slosh_hz)
        memory = _by_logarithm(rng, world.slosh_memory_s)
        real, imaginary = (_drifting(rng, nodes, memory) for _ in range(2))
        angle = 2 * np.pi * hertz * at
        slosh += size * (np.interp(at, nodes, real) * np.cos(angle) + np.interp(at, nodes, imaginary) * np.sin(angle))
    roughness = np.exp(0.3 * np.interp(at, nodes, _drifting(rng, nodes, 180.0)))
    slosh *= rng.uniform(*world.slosh_sd_pct) * roughness
    sway = rng.uniform(*world.sway_sd_pct)
    if sway > 0:
        slosh += sway * np.interp(at, nodes, _drifting(rng, nodes, _by_logarithm(rng, world.sway_memory_s)))
    # It builds up when the vehicle starts and dies away when it stops.
    slosh *= np.where(at < end, 1 - np.exp(-(at - begin) / fade), np.exp(-np.maximum(at - end, 0) / fade))
    total[first:last] = slosh
    return total


def _drifting(rng: np.random.Generator, nodes: NDArray[np.float64], memory_s: float) -> NDArray[np.float64]:
    """(n,) values of unit variance that forget themselves over memory_s (a first-order Gauss-Markov process)."""
    keep = np.exp(-NODE_S / memory_s)
    pushes = rng.standard_normal(len(nodes)) * np.sqrt(1 - keep * keep)
    values, _ = lfilter([1.0], [1, -keep], pushes, zi=[keep * rng.standard_normal()])
    return np.asarray(values)


def _reading_times(rng: np.random.Generator, sender: Sender, length: float) -> NDArray[np.float64]:
    count = int(length / sender.period_s)
    seconds = (np.arange(count) + rng.random() + sender.jitter * rng.standard_normal(count)) * sender.period_s
    seconds = np.asarray(np.round(np.sort(seconds), 6), np.float64)
    return seconds[(seconds >= 0) & (seconds < length)]


def _read(rng: np.random.Generator, sender: Sender, level: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n,) percent as the sender tells them: noise, hysteresis, its true step."""
    if sender.noise_law == "laplace":
        level = level + rng.laplace(0, sender.noise_pct / np.sqrt(2), len(level))
    else:
        level = level + sender.noise_pct * rng.standard_normal(len(level))
    if sender.hysteresis_pct > 0:
        level = _with_play(level, sender.hysteresis_pct)
    return _stepped(sender, level)


def _with_play(level: NDArray[np.float64], play: float) -> NDArray[np.float64]:
    """(n,) the level as a part with play follows it: it moves only where it is pushed."""
    now, out = float(level[0]), []
    for value in level.tolist():
        now = min(max(now, value - play), value + play)
        out.append(now)
    return np.array(out)


def _stepped(sender: Sender, level: NDArray[np.float64]) -> NDArray[np.float64]:
    steps = np.clip(level, 0, 100) / sender.step_pct
    stepped = (np.floor(steps + 1e-9) if sender.floor else np.round(steps)) * sender.step_pct
    if sender.kind != "n/d":
        stepped = np.round(stepped / WIRE_STEP_PCT) * WIRE_STEP_PCT
    return np.asarray(np.minimum(stepped, 100.0))


def _table(
    seconds: NDArray[np.float64],
    level: NDArray[np.float64],
    absent: NDArray[np.bool_],
    capacity_l: float,
    shape: Shape,
    fluid: str,
    sender: Sender,
) -> pa.Table:
    n = len(seconds)
    level = np.where(absent, np.nan, level)
    same = np.zeros(n, np.int64)
    protocol = "rvc" if sender.kind == "n/d" else "nmea2000"
    words: dict[str, str | None] = {
        "vessel": None, "channel": "can0", "protocol": protocol, "tank": f"{protocol}.{fluid}.0", "name": None, "fluid": fluid
    }  # fmt: skip
    columns: dict[str, Any] = {name: dictionary_column(same, [word]) for name, word in words.items()}
    columns |= {
        "time": time_column(START_US + np.round(seconds * 1e6).astype(np.int64)),
        "instance": pa.array(np.zeros(n, np.int16)),
        "source_address": pa.array(np.full(n, 35, np.uint8)),
        "level_pct": float_column(level),
        "capacity_l": float_column(np.full(n, capacity_l)),
        "volume_l": float_column(shape.volume_l(level, np.full(n, capacity_l))),
        "status": dictionary_column(absent.astype(np.int64), ["ok", "not_available"]),
    }
    return pa.table([columns.get(f.name, null_column(n, pa.float64())) for f in READINGS], schema=READINGS)


# ---- draws and spans ----


def _by_logarithm(rng: np.random.Generator, between: Range) -> float:
    return float(np.exp(rng.uniform(*np.log(between))))


def _some(rng: np.random.Generator, a_day: Range, hours: float, count: int) -> NDArray[np.int64]:
    return np.unique(rng.integers(0, count, rng.poisson(rng.uniform(*a_day) * hours / 24)))


def _short_spans(rng: np.random.Generator, a_day: Range, lasting: Range, hours: float, length: float) -> Spans:
    count = rng.poisson(rng.uniform(*a_day) * hours / 24)
    begins = rng.uniform(0, length, count)
    return _united([(float(b), float(b + _by_logarithm(rng, lasting))) for b in begins])


def _united(spans: Spans) -> Spans:
    united: Spans = []
    for begin, end in sorted(spans):
        if united and begin <= united[-1][1]:
            united[-1] = (united[-1][0], max(end, united[-1][1]))
        else:
            united.append((begin, end))
    return united


def _inside(seconds: NDArray[np.float64], spans: Spans) -> NDArray[np.bool_]:
    inside = np.zeros(len(seconds), np.bool_)
    for begin, end in spans:
        inside |= (seconds >= begin) & (seconds < end)
    return inside


def _within_any(at: float, spans: Spans) -> bool:
    return any(begin <= at < end for begin, end in spans)


def _after_spells(at: float, lasting: float, restless: Spans, rng: np.random.Generator) -> float:
    """The time `at`, put off until the vehicle stands for so long, if it moves."""
    for begin, end in restless:
        if at < end + 60 and at + lasting > begin - 10:
            at = end + rng.uniform(60, 900)
    return at
