"""Scores of calibrations: simulated tanks and senders against the truth. python tests/benchmark/calibration_scores.py

Printed for each sender and shape: the error of the capacity in percent and in steps of the sender, how often the truth lies in
the stated range, how wide that is, how often the shape was recognised (an L is to come out as a table), and what was refused.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from pours import SENDERS, SHAPES, TRAIN, Pouring, Scene, draw_pouring

from canlevel.derivation.calibration import Calibration, calibrate_levels
from canlevel.errors import QueryError

SEEDS = {"train": 10_000, "test": 900_000}
SCENES = {
    "usual": TRAIN,
    # A technician who takes care: no pauses, no two pours in one, half a minute and more between.
    "careful": replace(TRAIN, paused=0.0, doubled=0.0, wait_s=(30, 180)),
    "exact": replace(TRAIN, paused=0.0, doubled=0.0, wait_s=(30, 180), can_error=0.0),
    # Every second pour of two cans, and several at once.
    "rough": replace(TRAIN, paused=0.5, doubled=0.1),
}


@dataclass(frozen=True, slots=True)
class Score:
    """One calibration. off, half: error and half the range of the capacity, parts of it; nan where it was refused."""

    off: float
    half: float
    covered: bool
    shape: str
    right: bool


def score(seed: int, shape: str, sender: str, drain: bool, scene: Scene) -> Score:
    """One simulated calibration, scored."""
    pouring = draw_pouring(np.random.default_rng(seed), shape, sender, drain=drain, scene=scene)
    try:
        found = calibrated(pouring, can_error=max(scene.can_error, 0.0))
    except QueryError:
        return Score(np.nan, np.nan, False, "refused", False)
    capacity = pouring.capacity_l
    return Score(
        off=found.capacity_l / capacity - 1,
        half=(found.capacity_high_l - found.capacity_low_l) / 2 / capacity,
        covered=found.capacity_low_l <= capacity <= found.capacity_high_l,
        shape=found.shape,
        right=found.shape == ("table" if shape == "l_shape" else shape),
    )


def calibrated(pouring: Pouring, can_error: float) -> Calibration:
    """What the program makes of it."""
    return calibrate_levels(
        pouring.seconds, pouring.level_pct, pouring.pours_l, drain=pouring.drain, can_error=can_error
    )


def scores(count: int, first_seed: int, shape: str, sender: str, scene: Scene) -> Iterator[Score]:
    """`count` of them, every fourth drained."""
    for number in range(count):
        yield score(first_seed + number, shape, sender, number % 4 == 3, scene)


def _row(arguments: tuple[int, int, str, str, Scene]) -> tuple[list[Score], float]:
    begin = time.process_time()
    return list(scores(*arguments)), time.process_time() - begin


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--seeds", choices=SEEDS, default="train")
    parser.add_argument("--scene", choices=SCENES, default="usual")
    parser.add_argument("--sender", choices=SENDERS, nargs="*", default=list(SENDERS))
    parser.add_argument("--shape", choices=SHAPES, nargs="*", default=list(SHAPES))
    parser.add_argument("--processes", type=int, default=2)
    words = parser.parse_args()
    print(f"{words.scene} scene, {words.seeds} seeds, {words.count} each; errors of the capacity")
    print(f"{'sender':8} {'shape':20} {'median':>7} {'90 %':>7} {'in steps: median':>16} {'90 %':>6} {'<half step':>10} "
          f"{'covered':>8} {'range':>7} {'shape ok':>8} {'refused':>7} {'s each':>6}")  # fmt: skip
    whole: list[Score] = []
    kinds = [(sender, shape) for sender in words.sender for shape in words.shape]
    jobs = [
        (words.count, SEEDS[words.seeds] + 1000 * i, shape, sender, SCENES[words.scene])
        for i, (sender, shape) in enumerate(kinds)
    ]
    with ProcessPoolExecutor(words.processes) as pool:
        for (sender, shape), (found, spent_s) in zip(kinds, pool.map(_row, jobs), strict=True):
            print(_line(sender, shape, found, SENDERS[sender], spent_s), flush=True)
            whole += found
    kept = [one for one in whole if not np.isnan(one.off)]
    covered, right = (np.mean([getattr(one, name) for one in kept]) for name in ("covered", "right"))
    print(f"all: {covered:.1%} covered, shape right in {right:.1%}, {len(whole) - len(kept)} refused of {len(whole)}")


def _line(sender: str, shape: str, found: list[Score], step: float, spent_s: float) -> str:
    kept = [one for one in found if not np.isnan(one.off)]
    off = np.abs([one.off for one in kept]) * 100
    middle, most = np.quantile(off, [0.5, 0.9])
    within = np.mean(off <= max(step / 2, 0.0))
    return (
        f"{sender:8} {shape:20} {middle:6.2f}% {most:6.2f}% {middle / step:16.2f} {most / step:6.2f} {within:10.0%} "
        f"{np.mean([one.covered for one in kept]):8.0%} ±{np.median([one.half for one in kept]):5.1%} "
        f"{np.mean([one.right for one in kept]):8.0%} {len(found) - len(kept):7} {spent_s / len(found):6.1f}"
    )


if __name__ == "__main__":
    sys.exit(main())
