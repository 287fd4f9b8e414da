"""How large a year of readings is, and how soon one tank's day is read from it.

`python tests/benchmark/year_of_store.py --boat lazy --weeks 3`. Seven tanks, a reading every 2.5 s from each (88 million a year
if none is lost), rates by OnlineRates, every day written as a merged day is, and the bytes scaled to 88.3 million readings.
Then a store with a folder for each of 365 days (the days written, again and again, as links), and one tank's day read from it
in fresh processes: by canlevel, pyarrow and pandas.

Levels are those of tank_days.py. A reading's time is off its sender's clock by a normal error of --jitter-us, a sender's clock
by a crystal's, a stamp by the kernel's.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from tank_days import START_US, TRAIN, draw_sender, simulate_day

from canlevel.derivation.online import OnlineRates
from canlevel.roster import CYLINDER, PRISMATIC, Shape
from canlevel.storage.encoding import tidied, write_readings
from canlevel.storage.store import create_store
from canlevel.tables import READINGS, arrow, dictionary_column, time_column, times_us

PERIOD_S = 2.5
DAY_US = 86_400_000_000
WEEK_DAYS = 7
BEGIN_DAY = 20_454  # 2026-01-01, in days since 1970
DRIVEN_WEEK = 3  # every third week is under way, in a boat that is
YEAR_READINGS = 7 * 365 * 86_400 / PERIOD_S
CRYSTAL = 30e-6  # standard deviation of how far a clock is off, as a part (common practice, no source)
STAMP_US = 20.0  # standard deviation of the kernel's stamps (common practice, no source)
MB = 1e6


@dataclass(frozen=True, slots=True)
class OneTank:
    """A tank of the boat, its sender's kind and address; like: whose uses it has, a fluid of tank_days."""

    fluid: str
    instance: int
    like: str
    kind: str
    source_address: int


@dataclass(frozen=True, slots=True)
class Boat:
    """driven: whether every third week is under way. ranges: fields of tank_days.World."""

    tanks: tuple[OneTank, ...]
    driven: bool
    ranges: dict[str, Any] = field(default_factory=dict)


_TANKS = (
    OneTank("fresh_water", 0, "fresh_water", "1/4 of 9 in", 35),
    OneTank("grey_water", 0, "grey_water", "3/8 of 12 in", 35),
    OneTank("black_water", 0, "grey_water", "3/8 of 12 in", 35),
    OneTank("fuel", 0, "fuel", "fine", 42),
    OneTank("fuel", 1, "fuel", "fine", 43),
    OneTank("live_well", 0, "fresh_water", "fine", 50),
    OneTank("oil", 0, "fuel", "0.4 %", 51),
)
BOATS = {
    # At the quay most of the year: each tank used once or twice a day, two fine senders.
    "lazy": Boat((*_TANKS[:4], replace(_TANKS[4], kind="0.4 %"), *_TANKS[5:]), False, {"uses": (1.0, 2.0)}),
    # Lived aboard: six to twenty-five uses a day, a week in three under way, three fine senders.
    "busy": Boat(_TANKS, True),
    # The same with seven fine senders.
    "fine": Boat(tuple(replace(tank, kind="fine") for tank in _TANKS), True),
    # The same with none.
    "coarse": Boat(tuple(replace(tank, kind="0.4 %") if tank.kind == "fine" else tank for tank in _TANKS), True),
}


@dataclass(frozen=True, slots=True)
class Noise:
    """jitter_us: standard deviation of a reading's time. fine_pct: least and most noise of fine senders, None: tank_days'."""

    jitter_us: float = 1000.0
    fine_pct: tuple[float, float] = TRAIN.fine_noise_pct


def weeks_of(boat: Boat, number: int, weeks: int, *, noise: Noise, seed: int) -> Iterator[pa.Table]:
    """READINGS of one tank of the boat, a week at a time, with their rates."""
    rng = np.random.default_rng(seed + 1000 * number)
    tank = boat.tanks[number]
    sender = replace(
        draw_sender(rng, tank.kind, world=replace(TRAIN, fine_noise_pct=noise.fine_pct)),
        period_s=PERIOD_S * (1 + CRYSTAL * rng.standard_normal()),
        jitter=float(np.hypot(noise.jitter_us, STAMP_US)) / 1e6 / PERIOD_S,
    )
    capacity = float(np.round(np.exp(rng.uniform(*np.log((40, 400))))))
    shape = Shape(CYLINDER if tank.fluid == "live_well" else PRISMATIC)
    rates = OnlineRates()
    for week in range(weeks):
        driving = boat.driven and week % DRIVEN_WEEK == DRIVEN_WEEK - 1
        hours = WEEK_DAYS * 24
        made = simulate_day(
            rng, sender, driving=driving, hours=hours, capacity_l=capacity, shape=shape, fluid=tank.like, **boat.ranges
        ).readings
        n = len(made)
        same = np.zeros(n, np.int64)
        columns = {
            "time": time_column(times_us(made) - START_US + (BEGIN_DAY + week * WEEK_DAYS) * DAY_US),
            "vessel": dictionary_column(same, ["workboat"]),
            "tank": dictionary_column(same, [f"nmea2000.{tank.fluid}.{tank.instance}"]),
            "fluid": dictionary_column(same, [tank.fluid]),
            "instance": arrow(np.full(n, tank.instance, np.int16)),
            "source_address": arrow(np.full(n, tank.source_address, np.uint8)),
        }
        yield rates.add(pa.table([columns.get(name, made.column(name)) for name in READINGS.names], schema=READINGS))


def days_of(boat: Boat, weeks: int, *, noise: Noise, seed: int) -> Iterator[pa.Table]:
    """READINGS of the whole boat in the order of time, a day at a time."""
    tanks = [weeks_of(boat, number, weeks, noise=noise, seed=seed) for number in range(len(boat.tanks))]
    for tables in zip(*tanks, strict=True):
        week = pa.concat_tables(tables).unify_dictionaries().combine_chunks().sort_by("time")
        days = times_us(week) // DAY_US
        bounds = np.searchsorted(days, np.unique(days)).tolist()
        for begin, end in zip(bounds, [*bounds[1:], len(week)], strict=True):
            yield week.slice(begin, end - begin)


def bytes_by_column(path: Path) -> Counter[str]:
    """Bytes of each column of a Parquet file, and of what is about them."""
    facts = pq.read_metadata(path)
    found: Counter[str] = Counter()
    for group in range(facts.num_row_groups):
        for number in range(facts.num_columns):
            chunk = facts.row_group(group).column(number)
            found[chunk.path_in_schema] += chunk.total_compressed_size
    found["about them"] = path.stat().st_size - found.total()
    return found


# Each reads one tank's day from STORE, a year of days; DAY is one day, NEXT the one after it.
READ_BY = {
    "canlevel": """
from canlevel.storage.store import open_store
import pyarrow.dataset
def read(): return open_store(STORE).to_arrow(tank=TANK, since=DAY, until=NEXT)
""",
    "pyarrow": """
import pyarrow.dataset as ds
def read():
    return ds.dataset(f"{STORE}/readings", partitioning="hive").to_table(
        filter=(ds.field("date") == DAY) & (ds.field("tank") == TANK))
""",
    "pyarrow, the day's file": """
import pyarrow.parquet as pq
def read(): return pq.read_table(f"{STORE}/readings/date={DAY}/day.parquet", filters=[("tank", "==", TANK)])
""",
    "pandas": """
import pandas as pd
def read(): return pd.read_parquet(f"{STORE}/readings", filters=[("date", "==", DAY), ("tank", "==", TANK)])
""",
    "pandas, the day's file": """
import pandas as pd
def read(): return pd.read_parquet(f"{STORE}/readings/date={DAY}/day.parquet", filters=[("tank", "==", TANK)])
""",
}
TIMING = """
import json, statistics, time
lasted = []
for _ in range(REPEATS):
    began = time.perf_counter(); rows = len(read()); lasted.append(time.perf_counter() - began)
print(json.dumps([rows, lasted[0], statistics.median(lasted)]))
"""


def reading_s(code: str, words: dict[str, Any], *, rounds: int) -> tuple[int, float, float, float]:
    """(rows, first, further, whole) in seconds, medians: a process's first read, further ones, a process with one read."""
    given = "".join(f"{name} = {value!r}\n" for name, value in words.items())
    reads: list[list[float]] = []
    wholes = []
    for _ in range(rounds):
        told = subprocess.check_output([sys.executable, "-c", f"REPEATS = 7\n{given}{code}{TIMING}"])
        reads.append(json.loads(told))
        began = time.perf_counter()
        subprocess.check_call([sys.executable, "-c", f"{given}{code}\nread()"])
        wholes.append(time.perf_counter() - began)
    rows, first, further = (statistics.median(values) for values in zip(*reads, strict=True))
    return int(rows), first, further, statistics.median(wholes)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--boat", choices=BOATS, default="lazy")
    parser.add_argument("--weeks", type=int, default=3)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jitter-us", type=float, default=Noise().jitter_us)
    parser.add_argument("--fine-noise-pct", type=float, nargs=2, default=TRAIN.fine_noise_pct, metavar=("FROM", "TO"))
    parser.add_argument("--by-time", action="store_true", help="keep the days in the order of time, for comparison")
    parser.add_argument("--rounds", type=int, default=5, help="of reading; 0: measure bytes only")
    arguments = parser.parse_args()
    boat, noise = BOATS[arguments.boat], Noise(arguments.jitter_us, tuple(arguments.fine_noise_pct))
    with tempfile.TemporaryDirectory() as folder:
        store = create_store(Path(folder) / "store")
        total: Counter[str] = Counter()
        rows, writing_s = 0, 0.0
        written: list[Path] = []
        for day in days_of(boat, arguments.weeks, noise=noise, seed=arguments.seed):
            path = Path(folder) / f"{len(written)}.parquet"
            began = time.process_time()
            write_readings(day if arguments.by_time else tidied(day), path)
            writing_s += time.process_time() - began
            total += bytes_by_column(path)
            rows += len(day)
            written.append(path)
        print(
            f"{arguments.boat}: {len(written)} days, {rows / 1e6:.2f} million readings, {total.total() / rows:.3f} bytes each; "
            f"a year of {YEAR_READINGS / 1e6:.1f} million: {total.total() / rows * YEAR_READINGS / MB:.0f} MB; "
            f"written at {writing_s / rows * 1e6:.2f} s a million"
        )
        few = {name for name in total if total[name] / rows < 0.02}
        parts = {name: size for name, size in total.items() if name not in few}
        parts["others"] = sum(total[name] for name in few)
        print(", ".join(f"{name} {size / rows:.3f}" for name, size in parts.items()))
        if not arguments.rounds:
            return
        days = [datetime.fromtimestamp(86_400 * (BEGIN_DAY + number), UTC).date() for number in range(365)]
        for number, day in enumerate(days):
            place = store.path / "readings" / f"date={day}"
            place.mkdir()
            os.link(written[number % len(written)], place / "day.parquet")
        day = days[WEEK_DAYS + 3]
        words = {
            "STORE": str(store.path),
            "TANK": "nmea2000.fuel.0",
            "DAY": f"{day}",
            "NEXT": f"{day + timedelta(days=1)}",
        }
        print(f"{'one tank of one day, seconds':28s} {'rows':>7s} {'first':>7s} {'further':>7s} {'process':>7s}")
        for name, code in READ_BY.items():
            found = reading_s(code, words, rounds=arguments.rounds)
            print(f"{name:28s} {found[0]:7d} {found[1]:7.3f} {found[2]:7.3f} {found[3]:7.3f}")


if __name__ == "__main__":
    main()
