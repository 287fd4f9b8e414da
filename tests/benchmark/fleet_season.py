"""What a fleet costs: `python tests/benchmark/fleet_season.py --vehicles 1000 --days 3`. Stores are made, then asked.

Vehicles are those of year_of_store.py: seven tanks, a reading every 2.5 s; half are used a little, half are lived in and one
week in three under way. Some are simulated (--drawn), and the stores of the fleet are theirs again and again, as links to
the same files: each store is read and worked out as if it were the only one, but the disk holds the bytes once. Every day is
one part, as `tidy` leaves it, and no store has flows yet.

    --fleet FOLDER    keep the fleet there, and use it again
    --note            keep what was measured in tests/benchmark/fleet_season.json, beside what is there
    --write           write the table in DEVELOPERS.md anew from that file, and measure nothing

Each measurement has workers of its own, started for it. Processor time is theirs; what the machine did besides shows in its
load.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import shutil
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import Any

from fleet_figures import FIGURES, written
from year_of_store import BOATS, Noise, days_of

import canlevel.fleet
from canlevel.storage.commit import commit_part
from canlevel.storage.encoding import tidied
from canlevel.storage.store import Store, create_store
from canlevel.tables import times_us

DAY_US = 86_400_000_000
KINDS = ("flows", "daily", "findings")
DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"


def draw_store(path: Path, number: int, days: int, *, seed: int) -> Store:
    """The store of one simulated vehicle: even numbers are used a little, odd ones are lived in."""
    boat = BOATS["busy" if number % 2 else "lazy"]
    store = create_store(path, vessel=f"vehicle {number}")
    weeks = (days + 6) // 7
    for day in islice(days_of(boat, weeks, noise=Noise(), seed=seed + 10_000 * number), days):
        first_us = int(times_us(day).min())
        date = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=first_us)).date()
        commit_part(tidied(day), path / "readings" / f"date={date}", first_us)
    return store


def make_fleet(folder: Path, vehicles: int, days: int, *, drawn: int, seed: int) -> Path:
    """A folder of stores, made where it is not there yet."""
    drawn = min(drawn, vehicles)
    pool, fleet = folder / f"drawn-{days}", folder / f"fleet-{days}"
    for number in range(drawn):
        if not (pool / f"{number}" / "done").exists():
            shutil.rmtree(pool / f"{number}", ignore_errors=True)
            draw_store(pool / f"{number}", number, days, seed=seed)
            (pool / f"{number}" / "done").touch()
    for number in range(vehicles):
        store = fleet / f"vehicle-{number:06d}"
        if not store.exists():
            create_store(store, vessel=f"vehicle {number}")
            for part in sorted((pool / f"{number % drawn}" / "readings").glob("*/*.parquet")):
                place = store / "readings" / part.parent.name
                place.mkdir(parents=True)
                os.link(part, place / part.name)
    return fleet


def of_process() -> tuple[float, float]:
    """(processor seconds, most memory in MB) of the process that this is called in."""
    # Not getrusage's figure, which a new process takes over from the one that it was started by.
    told = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
    return time.process_time(), int(told.split()[1]) / 1024


def bytes_under(folder: Path, ending: str = ".parquet") -> tuple[int, int]:
    """(files, bytes) of Parquet in a folder."""
    sizes = [file.stat().st_size for file in folder.rglob(f"*{ending}")]
    return len(sizes), sum(sizes)


def measure(fleet: Path, kind: str, vehicles: int, days: int, workers: int) -> dict[str, Any]:
    """One question to the first so many stores, on workers started for it; the answer goes to Parquet."""
    from distributed import Client, LocalCluster

    stores = sorted(fleet.iterdir())[:vehicles]
    with (
        tempfile.TemporaryDirectory() as folder,
        LocalCluster(n_workers=workers, threads_per_worker=1, processes=True, dashboard_address=None) as cluster,
        Client(cluster) as client,
    ):
        to = Path(folder) / "result"
        client.run(__import__, "canlevel.fleet.work")
        before = client.run(of_process)
        mine, load = time.process_time(), os.getloadavg()[0]
        began = time.perf_counter()
        result = getattr(canlevel.fleet, kind)(stores, client=client, to=to)
        lasted, mine = time.perf_counter() - began, time.process_time() - mine
        after = client.run(of_process)
        files, size = bytes_under(to)
        return {
            "kind": kind,
            "vehicles": vehicles,
            "days": days,
            "workers": workers,
            "seconds": round(lasted, 2),
            "worker_processor_s": round(sum(after[one][0] - before[one][0] for one in after), 2),
            "client_processor_s": round(mine, 2),
            "idle_worker_mb": round(max(memory for _, memory in before.values())),
            "peak_worker_mb": round(max(memory for _, memory in after.values())),
            "rows": result.rows,
            "failures": len(result.failures),
            "result_files": files,
            "result_bytes": size,
            "load": [round(load, 1), round(os.getloadavg()[0], 1)],
        }


def measure_season(store: Path, kind: str) -> dict[str, Any]:
    """One store in a process of its own."""
    words = [sys.executable, __file__, "--alone", kind, str(store)]
    return dict(json.loads(subprocess.check_output(words)))


def alone(kind: str, store: Path) -> dict[str, Any]:
    """What one store takes of this process, which does nothing else."""
    import canlevel.fleet.work  # what is imported is no work

    idle = of_process()
    began = time.perf_counter()
    result = getattr(canlevel.fleet, kind)(store)
    used = of_process()
    files, size = bytes_under(store / "readings")
    return {
        "kind": kind,
        "vehicle": "lazy" if int(store.name.rsplit("-", 1)[-1]) % 2 == 0 else "busy",
        "days": files,
        "readings_bytes": size,
        "seconds": round(time.perf_counter() - began, 2),
        "processor_s": round(used[0] - idle[0], 2),
        "idle_mb": round(idle[1]),
        "peak_mb": round(used[1]),
        "rows": result.rows,
        "failures": len(result.failures),
        "load": round(os.getloadavg()[0], 1),
    }


def note(part: str, found: list[dict[str, Any]]) -> None:
    """Keep what was measured, in the place of what was measured of the same before."""
    told = json.loads(FIGURES.read_text()) if FIGURES.exists() else {}
    same = ("kind", "vehicles", "days", "workers", "vehicle")
    kept = [
        one
        for one in told.get(part, [])
        if not any(all(one.get(name) == other.get(name) for name in same) for other in found)
    ]
    told[part] = sorted([*kept, *found], key=lambda one: [str(one.get(name)).rjust(9) for name in same])
    told["machine"] = f"{os.cpu_count()} cores, {platform.system()}, Python {platform.python_version()}"
    FIGURES.write_text(json.dumps(told, indent=1) + "\n")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--vehicles", type=int, nargs="*", default=[10, 100, 1000])
    parser.add_argument("--days", type=int, default=3)
    parser.add_argument("--workers", type=int, nargs="*", default=[1, 2])
    parser.add_argument("--kinds", nargs="*", choices=KINDS, default=["flows"])
    parser.add_argument("--drawn", type=int, default=20, help="vehicles that are simulated")
    parser.add_argument("--season", type=int, default=0, help="also one vehicle of each sort, for so many days")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--fleet", type=Path)
    parser.add_argument("--note", action="store_true")
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--alone", nargs=2, metavar=("KIND", "STORE"), help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.alone:
        print(json.dumps(alone(arguments.alone[0], Path(arguments.alone[1]))))
        return
    if arguments.write:
        DEVELOPERS.write_text(written(DEVELOPERS.read_text()))
        return
    with tempfile.TemporaryDirectory() as folder:
        place = arguments.fleet or Path(folder)
        if arguments.vehicles:
            fleet = make_fleet(
                place, max(arguments.vehicles), arguments.days, drawn=arguments.drawn, seed=arguments.seed
            )
        for kind in arguments.kinds:
            for vehicles in arguments.vehicles:
                for workers in arguments.workers:
                    found = measure(fleet, kind, vehicles, arguments.days, workers)
                    print(json.dumps(found), flush=True)
                    if arguments.note:
                        note("fleet", [found])
        if arguments.season:
            fleet = make_fleet(place / "season", 2, arguments.season, drawn=2, seed=arguments.seed)
            for store in sorted(fleet.iterdir()):
                for kind in KINDS:
                    found = measure_season(store, kind)
                    print(json.dumps(found), flush=True)
                    if arguments.note:
                        note("season", [found])


if __name__ == "__main__":
    main()
