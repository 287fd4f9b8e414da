"""How long a revision takes: `python tests/benchmark/revising.py --weeks 5`, seven tanks, a reading every 2.5 s.

A store of whole weeks (year_of_store.py's boats), logged with capacities that are all wrong, its days merged; then `revise` by
a roster with other ones: what it would do, doing it, once more, and with one of them corrected. Each is a process of its own,
for its peak of memory. Flows are timed apart: year_of_flows.py has more of them.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from year_of_store import BOATS, YEAR_READINGS, Noise, days_of

from canlevel.derivation.online import OnlineRates
from canlevel.recovery import tidy
from canlevel.roster import Roster, TankEntry
from canlevel.storage.store import create_store
from canlevel.tables import as_sent

REVISE = """
import sys, time
from canlevel import history, revision
from canlevel.roster import Roster, TankEntry
flows, own = [], []
def bring(store):
    began, busy = time.perf_counter(), time.process_time()
    days = history.bring_flows_up_to_date(store)
    flows.append(time.perf_counter() - began)
    own.append(time.process_time() - busy)
    return days
revision.bring_flows_up_to_date = bring
path, right, wrong = sys.argv[1], int(sys.argv[2]), float(sys.argv[3])
tanks = [("fresh_water", 0), ("grey_water", 0), ("black_water", 0), ("fuel", 0), ("fuel", 1), ("live_well", 0), ("oil", 0)]
roster = Roster("workboat", tuple(TankEntry(f"{fluid} {number}", fluid, number, capacity_l=100.0 if i < right else wrong)
    for i, (fluid, number) in enumerate(tanks)))
began, busy = time.perf_counter(), time.process_time()
done = revision.revise_store(path, roster, dry_run="dry" in sys.argv)
lasted, busy = time.perf_counter() - began - sum(flows), time.process_time() - busy - sum(own)
with open("/proc/self/status") as status:
    peak_kb = next(int(line.split()[1]) for line in status if line.startswith("VmHWM"))
print(f"{done.readings:,} readings, {done.changed:,} changed, {done.days} days: {lasted:.1f} s ({busy:.1f} s busy), "
      f"{lasted / done.readings * 1e6:.2f} s a million; flows {sum(flows):.1f} s; "
      f"peak {peak_kb / 1000:.0f} MB")
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--boat", choices=BOATS, default="busy")
    parser.add_argument("--weeks", type=int, default=5)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    boat = BOATS[arguments.boat]
    wrong = Roster("workboat", tuple(TankEntry("?", t.fluid, t.instance, capacity_l=90.0) for t in boat.tanks))
    with tempfile.TemporaryDirectory() as folder:
        store = create_store(Path(folder) / "store", vessel="workboat")
        rates = OnlineRates(wrong)
        rows = 0
        for day in days_of(boat, arguments.weeks, noise=Noise(), seed=arguments.seed):
            with store.writing() as writer:
                writer.append(rates.add(wrong.apply(as_sent(day))))
            rows += len(day)
        tidy(store.path)
        subprocess.run([sys.executable, "-m", "canlevel", "flows", "--store", store.path], stdout=subprocess.DEVNULL)
        size = sum(part.stat().st_size for part in store.parts())
        print(
            f"{rows / 1e6:.2f} million readings; a year is {YEAR_READINGS / 1e6:.1f} million; {size / 1e6:.1f} MB of parts"
        )
        for right, other, word in ((7, 90.0, "dry"), (7, 90.0, ""), (7, 90.0, ""), (6, 90.0, "")):
            subprocess.run([sys.executable, "-c", REVISE, str(store.path), str(right), str(other), word], check=True)
        print(f"{sum(part.stat().st_size for part in store.parts()) / 1e6:.1f} MB of parts after it")
        began = time.perf_counter()
        tidy(store.path)
        print(f"tidy, which finds nothing to do: {time.perf_counter() - began:.1f} s")


if __name__ == "__main__":
    main()
