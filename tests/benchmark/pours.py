"""Simulated calibrations: a tank of known shape and capacity, a technician who pours, a sender that tells of it. Seeded.

What is drawn and what is assumed about people who pour is common practice, no source. Nothing of canlevel is used here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["SENDERS", "SHAPES", "TRAIN", "Pouring", "Scene", "draw_pouring", "filled_fraction"]

Floats = NDArray[np.float64]
GRID_S = 0.1
SHAPES = ("prismatic", "horizontal_cylinder", "wedge", "wedge_upside_down", "l_shape")
SENDERS = {"0.004 %": 0.004, "0.4 %": 0.4, "2.8 %": 100 / 36, "3.1 %": 100 / 32, "thirds": 100 / 3}


def filled_fraction(shape: str, depth: Floats, kink: float = 0.4, ratio: float = 0.5) -> Floats:
    """Part of the capacity at a relative depth. kink, ratio: of an L, where it widens or narrows, and area above over below."""
    if shape == "prismatic":
        return depth
    if shape == "horizontal_cylinder":
        # By integration of the chord, not by the formula under test.
        grid = np.linspace(0, 1, 20_001)
        width = np.sqrt(np.maximum(grid * (1 - grid), 0))
        area = np.concatenate([[0], np.cumsum((width[1:] + width[:-1]) / 2)])
        return np.interp(depth, grid, area / area[-1])
    if shape == "wedge":
        return depth**2
    if shape == "wedge_upside_down":
        return 1 - (1 - depth) ** 2
    below = np.minimum(depth, kink)
    above = np.maximum(depth - kink, 0)
    return (below + ratio * above) / (kink + ratio * (1 - kink))


@dataclass(frozen=True, slots=True)
class Scene:
    """What the draws range over."""

    pours: tuple[int, int] = (6, 20)
    covered: tuple[float, float] = (0.9, 1.0)  # of the capacity, by all pours together
    uneven: float = 0.5  # of calibrations, in which pours are of different sizes
    wait_s: tuple[float, float] = (20, 180)
    wait_spread: float = 0.3  # of the waits of one technician, by logarithm
    paused: float = 0.1  # of pours, with a pause in it to refill the can
    pause_s: tuple[float, float] = (8, 20)
    doubled: float = 0.04  # of pours, which follow the one before at once
    can_error: float = 0.01  # within which pours are, at 95 %: all alike, and each for itself
    pour_l_per_min: tuple[float, float] = (6, 20)
    slosh_pct: tuple[float, float] = (0.3, 3.0)
    slosh_s: tuple[float, float] = (2, 7)  # in which it dies to a third
    lag_s: tuple[float, float] = (0.5, 3.0)
    period_s: tuple[float, float] = (0.5, 5.0)
    dropouts: float = 0.05  # of readings
    fine_noise_pct: tuple[float, float] = (0.1, 0.5)
    coarse_noise_steps: tuple[float, float] = (0.0, 0.08)
    floors: float = 0.3  # of senders that tell the last step passed, not the nearest
    capacity_l: tuple[float, float] = (15, 400)


TRAIN = Scene()


@dataclass(frozen=True, slots=True)
class Pouring:
    """seconds, level_pct: (n,) readings. pours_l: as the technician reads them off the can. drain: taken out of a full tank."""

    seconds: Floats
    level_pct: Floats
    pours_l: tuple[float, ...]
    drain: bool
    shape: str
    capacity_l: float
    step_pct: float
    poured_s: tuple[float, ...]  # when each pour ended
    levels_pct: Floats  # (K + 1,) what the level was in truth, before the first pour and after each
    kink: float
    ratio: float


def draw_pouring(
    rng: np.random.Generator, shape: str, sender: str, *, drain: bool = False, scene: Scene = TRAIN
) -> Pouring:
    """One calibration of a tank of this shape with this sender."""
    step = SENDERS[sender]
    capacity = float(np.exp(rng.uniform(*np.log(scene.capacity_l))))
    count = int(rng.integers(scene.pours[0], scene.pours[1] + 1))
    told = np.exp(rng.normal(0, 0.3, count)) if rng.random() < scene.uneven else np.ones(count)
    told *= rng.uniform(*scene.covered) * capacity / told.sum()
    half = scene.can_error / 2
    true = told * (1 + rng.normal(0, half)) * (1 + rng.normal(0, half, count))
    true *= min(1.0, 0.999 * capacity / true.sum())  # nobody pours into a full tank
    kink, ratio = rng.uniform(0.25, 0.75), float(rng.choice([0.35, 0.5, 2.0, 3.0]))

    at, litres = [0.0], [0.0]
    now, poured = rng.uniform(5, 60), []
    usual_wait = np.exp(rng.uniform(*np.log(scene.wait_s)))
    usual_rate = rng.uniform(*scene.pour_l_per_min) / 60
    for number, amount in enumerate(true):
        pieces = [0.5, 0.5] if rng.random() < scene.paused else [1.0]
        for place, part in enumerate(pieces):
            if place:
                now += rng.uniform(*scene.pause_s)
            at.append(now)
            litres.append(litres[-1])
            for share in rng.dirichlet(np.full(3, 4.0)):
                now += max(share * part * amount / (usual_rate * np.exp(rng.normal(0, 0.25))), 0.3)
                at.append(now)
                litres.append(litres[-1] + share * part * amount)
        poured.append(now)
        if number + 1 < count and rng.random() < scene.doubled:
            now += rng.uniform(0.5, 3)
        else:
            now += max(usual_wait * np.exp(rng.normal(0, scene.wait_spread)), scene.wait_s[0])
    length = now
    grid = np.arange(0, length, GRID_S)
    inside = np.interp(grid, at, litres)
    if drain:
        inside = capacity - inside
    depth = np.linspace(0, 1, 20_001)
    level = 100 * np.interp(inside / capacity, filled_fraction(shape, depth, kink, ratio), depth)
    after = np.concatenate([[0.0], np.cumsum(true)])
    if drain:
        after = capacity - after
    levels = 100 * np.interp(after / capacity, filled_fraction(shape, depth, kink, ratio), depth)
    lag = rng.uniform(*scene.lag_s)
    smooth = np.empty_like(level)
    smooth[0], keep = level[0], np.exp(-GRID_S / lag)
    for i in range(1, len(level)):
        smooth[i] = keep * smooth[i - 1] + (1 - keep) * level[i]
    height, dies, sloshes = rng.uniform(*scene.slosh_pct), rng.uniform(*scene.slosh_s), rng.uniform(0.8, 2.5)
    waves = np.zeros_like(level)
    flowing = np.interp(grid, at, litres) - np.interp(grid - GRID_S, at, litres) > 1e-9
    strength = 0.0
    for i in range(len(grid)):
        strength = height if flowing[i] else strength * np.exp(-GRID_S / dies)
        waves[i] = strength
    smooth = smooth + waves * np.sin(2 * np.pi * grid / sloshes + rng.uniform(0, 6.28))

    period = np.exp(rng.uniform(*np.log(scene.period_s)))
    seconds = np.arange(rng.uniform(0, period), length, period)
    seconds = seconds + rng.uniform(-0.05, 0.05, len(seconds)) * period
    seconds = seconds[rng.random(len(seconds)) >= scene.dropouts]
    read = np.interp(seconds, grid, smooth)
    if sender in ("0.004 %", "0.4 %"):
        read += rng.normal(0, rng.uniform(*scene.fine_noise_pct), len(read))
        read = np.round(read / step) * step
    else:
        read += rng.normal(0, rng.uniform(*scene.coarse_noise_steps) * step, len(read))
        rounding: Callable[[Floats], Floats] = np.floor if rng.random() < scene.floors else np.round
        read = rounding(read / step + 1e-9) * step
    read = np.clip(read, 0, 100)
    read = np.round(read / 0.004) * 0.004  # as the message has it
    return Pouring(
        seconds, read, tuple(told.tolist()), drain, shape, capacity, step, tuple(poured), levels, kink, ratio
    )
