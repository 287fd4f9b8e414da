"""How long the flows of a year take: `python tests/benchmark/year_of_flows.py --weeks 6`, scaled to 365 days.

Seven tanks of seven senders, a reading every 2.5 s, in a store of whole weeks as `log` would leave it; one week in three
under way, six to twenty-five uses of every tank a day. With `--lazy` tanks are used once or twice a day and never driven, as in
a vehicle that is parked most of the year. Then `bring_flows_up_to_date`, as any command that shows flows calls it.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
from tank_days import FLUIDS, START_US, draw_sender, simulate_day

from canlevel.history import bring_flows_up_to_date
from canlevel.roster import CYLINDER, PRISMATIC, Shape
from canlevel.storage.store import create_store
from canlevel.tables import READINGS, dictionary_column, times_us

SENDERS = ("fine", "0.4 %", "1/4 of 9 in", "3/8 of 12 in", "thirds", "n/d", "fine")
CYLINDRICAL = 3  # the tank that is a lying cylinder
PERIOD_S = 2.5
WEEK_US = 7 * 86_400_000_000
BEGIN_US = START_US // WEEK_US * WEEK_US  # weeks of the store begin on Thursdays
LAZY_USES = (1.0, 2.0)


def weeks_of(number: int, count: int, *, lazy: bool, seed: int) -> Iterator[pa.Table]:
    """READINGS of one tank, a week at a time."""
    rng = np.random.default_rng(seed + 1000 * number)
    sender = replace(draw_sender(rng, SENDERS[number]), period_s=PERIOD_S)
    capacity = float(np.exp(rng.uniform(*np.log((40, 400)))))
    shape = Shape(CYLINDER if number == CYLINDRICAL else PRISMATIC)
    fluid = FLUIDS[number % 2]
    ranges = {"uses": LAZY_USES} if lazy else {}
    for week in range(count):
        driving = week % 3 == 2 and not lazy
        day = simulate_day(
            rng, sender, driving=driving, hours=7 * 24, capacity_l=capacity, shape=shape, fluid=fluid, **ranges
        )
        table = day.readings
        us = times_us(table) - START_US + BEGIN_US + week * WEEK_US
        named = dictionary_column(np.zeros(len(table), np.int64), [f"nmea2000.tank.{number}"])
        for name, column in (("time", pa.array(us).cast(READINGS.field("time").type)), ("tank", named)):
            table = table.set_column(READINGS.get_field_index(name), READINGS.field(name), column)
        yield table


def processor_s() -> float:
    """Processor time of this process and of those it waited for, in seconds."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--weeks", type=int, default=6)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--lazy", action="store_true", help="tanks that rest most of the time")
    parser.add_argument("--store", type=Path, help="keep the store here, and use it again")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = arguments.store or Path(folder) / "store"
        fresh = not path.exists()
        store = create_store(path)
        if fresh:
            tanks = [
                weeks_of(number, arguments.weeks, lazy=arguments.lazy, seed=arguments.seed)
                for number in range(len(SENDERS))
            ]
            for week in zip(*tanks, strict=True):
                with store.writing() as writer:
                    writer.append(pa.concat_tables(week).sort_by("time"))
        store.note_derived({})
        rows = len(store.to_arrow(columns=["time"], in_order=False))
        began, busy = time.perf_counter(), processor_s()
        days = bring_flows_up_to_date(store)
        lasted, busy = time.perf_counter() - began, processor_s() - busy
        flows = len(store.scan_flows())
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(
            f"{days} days, {rows / 1e6:.2f} million readings, {flows} flows: {lasted:.1f} s; "
            f"a year: {lasted * 365 / days:.0f} s; {lasted / rows * 1e6:.2f} s a million; "
            f"processor time {busy:.1f} s, a year: {busy * 365 / days:.0f} s; "
            f"peak of this process {peak_mb:.0f} MB"
        )


if __name__ == "__main__":
    main()
