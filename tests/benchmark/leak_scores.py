"""How well leaks are told: `python tests/benchmark/leak_scores.py`, with parts healthy, honest and delay.

healthy: alarms on days of tank_days.py without a leak, flows derived as the command does it. A heater's day is counted apart.
honest: a day without a leak tells the smallest leak it would have shown; the same day is drawn with that leak, and looked at.
delay: hours from the beginning of a leak until it is told, on tanks that nobody uses and on tanks used by day.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from tank_days import DAY_S, SENDER_KINDS, START_US, TEST, TankDay, draw_sender, simulate_day

from canlevel.derivation.flows import derive_flows
from canlevel.derivation.leaks import HEATED, watch_leaks
from canlevel.roster import Shape
from canlevel.tables import TIME_TYPE

ALARMS = ("leak", "gain")
UNUSED = {"uses": (1e-3, 1e-3), "burns": (1e-3, 1e-3), "still_shifts": (0, 0)}
USED = {"uses": (4, 10)}
LEAKS_L_PER_H = (0.1, 0.2, 0.5, 1.0, 2.0)
LOOKS_H = (6, 12, 18, 24, 36, 48, 72, 96, 120, 168)
MOST_OF_A_TANK = 0.3  # a smallest leak that drains more of the tank in its day is not drawn again


def healthy(days: int, seed: int, hours: float) -> None:
    """Print the alarms by kind of sender. days: of each kind, drawn in runs of `hours`."""
    print(
        f"{days} days of each sender in runs of {hours:.0f} h, without a leak: runs by finding, median of the smallest in L/h\n"
    )
    total = alarms = heaters = 0
    for kind in SENDER_KINDS:
        statuses: Counter[str] = Counter()
        smallest, began = [], time.perf_counter()
        for number in range(round(days * 24 / hours)):
            random = np.random.default_rng(seed + number)
            sender = draw_sender(random, kind, world=TEST)
            day = simulate_day(random, sender, driving=number % 3 == 2, hours=hours, world=TEST)
            for row in watch_leaks(day.readings, derive_flows(day.readings)).to_pylist():
                heater = day.fluid in HEATED and row["status"] == "leak"
                statuses[f"{row['status']}, heater" if heater else row["status"]] += 1
                if row["smallest_l_per_h"] is not None:
                    smallest.append(row["smallest_l_per_h"])
                if row["status"] in ALARMS:
                    print(f"    seed {seed + number}: {day.fluid}, {day.capacity_l:.0f} L, {_told(row)}")
        total += days
        alarms += sum(statuses[status] for status in ALARMS)
        heaters += statuses["leak, heater"]
        median = f"{np.median(smallest):.3f}" if smallest else "-"
        each = (time.perf_counter() - began) / days
        print(f"{kind:<14} {dict(statuses)}  {median}  {each:.2f} s a day", flush=True)
    print(f"\n{alarms} alarms on {total} tank-days, and {heaters} that are heaters at work")


def _told(row: dict[str, Any]) -> str:
    rate = " ".join(f"{row[name]:.3f}" for name in ("leak_l_per_h", "leak_low", "leak_high"))
    return f"{row['status']} {rate} (smallest {row['smallest_l_per_h']:.3f}), {row['since']} to {row['until']}"


def honest(days: int, seed: int, hours: float) -> None:
    """Print how often a leak of the smallest size is told, and how often its limits hold it."""
    print("leaks of the smallest size that was stated: found, and within the limits told\n")
    for title, ranges in (("used", {}), ("unused", UNUSED)):
        for kind in SENDER_KINDS:
            found = tried = covered = 0
            for number in range(days):

                def drawn(
                    leak: float, number: int = number, kind: str = kind, ranges: dict[str, Any] = ranges
                ) -> TankDay:
                    random = np.random.default_rng(seed + number)
                    sender = draw_sender(random, kind, world=TEST)
                    driving = number % 3 == 2
                    return simulate_day(
                        random, sender, driving=driving, hours=hours, world=TEST, leak_l_per_h=leak, **ranges
                    )

                day = drawn(0.0)
                (first, *_) = watch_leaks(day.readings, derive_flows(day.readings)).to_pylist()
                leak = first["smallest_l_per_h"]
                if leak is None or leak * hours > MOST_OF_A_TANK * day.capacity_l:
                    continue
                tried += 1
                day = drawn(leak)
                rows = watch_leaks(day.readings, derive_flows(day.readings)).to_pylist()
                leaks = [row for row in rows if row["status"] == "leak"]
                found += bool(leaks)
                covered += any(row["leak_low"] <= leak <= row["leak_high"] for row in leaks)
            print(f"{title:<7} {kind:<14} {found} of {tried} found, {covered} covered", flush=True)


def delay(repeats: int, seed: int, _: float) -> None:
    """Print the median delay by sender and leak; the leak is there from the first reading on."""
    print("hours until a leak is told, median (told within a week), 200 L, 2.5 s\n")
    print(f"{'':<24}" + "".join(f"{leak:>14} L/h" for leak in LEAKS_L_PER_H))
    for title, ranges in (("unused", UNUSED), ("used around the clock", USED)):
        for kind in SENDER_KINDS:
            cells = []
            for leak in LEAKS_L_PER_H:
                hours = [one for n in range(repeats) for one in _delays(kind, leak, ranges, seed + n)]
                told = sorted(hour for hour in hours if hour is not None)
                middle = sorted(np.inf if hour is None else hour for hour in hours)[len(hours) // 2]
                cells.append(f"{'-' if middle == np.inf else f'{middle:.0f} h'} ({len(told)}/{len(hours)})")
            print(f"{title[:8]:<9} {kind:<14}" + "".join(f"{cell:>18}" for cell in cells), flush=True)


def _delays(kind: str, leak: float, ranges: dict[str, Any], seed: int) -> Iterator[float | None]:
    random = np.random.default_rng(seed)
    sender = replace(draw_sender(random, kind, world=TEST), period_s=2.5)
    hours = float(min(LOOKS_H[-1], 130 / leak))  # a tank that is empty tells nothing more
    day = simulate_day(
        random, sender, driving=False, hours=hours, world=TEST, leak_l_per_h=leak, capacity_l=200.0,
        shape=Shape(), fluid="fresh_water", **ranges,
    )  # fmt: skip
    flows = derive_flows(day.readings)
    for look in LOOKS_H:
        if look <= hours:
            end = pa.scalar(START_US + round(look / 24 * DAY_S * 1e6), pa.int64()).cast(TIME_TYPE)
            rows = watch_leaks(
                day.readings.filter(pc.less(day.readings.column("time"), end)),
                flows.filter(pc.less(flows.column("end"), end)),
            )
            if "leak" in rows.column("status").to_pylist():
                yield float(look)
                return
    yield None


PARTS: dict[str, Callable[[int, int, float], None]] = {"healthy": healthy, "honest": honest, "delay": delay}

if __name__ == "__main__":
    parser = argparse.ArgumentParser(description="How well leaks are told.")
    parser.add_argument("parts", nargs="*", choices=[*PARTS, []], default=list(PARTS))
    parser.add_argument("--days", type=int, default=500, help="of each kind of sender; a hundredth of it for delays")
    parser.add_argument("--seed", type=int, default=7_000_000)
    parser.add_argument("--hours", type=float, default=24.0, help="of each run that is drawn")
    arguments = parser.parse_args()
    for part in arguments.parts:
        PARTS[part](max(arguments.days // (100 if part == "delay" else 1), 1), arguments.seed, arguments.hours)
        print()
