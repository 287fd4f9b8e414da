"""Timings of the main job. No test: it asserts nothing and takes as long as it takes.

    python tests/benchmark                          twenty million frames of text, three rounds
    python tests/benchmark bulk --frames 200000000 --rounds 1
    python tests/benchmark forms live start --frames 1000000

bulk: candump text, canlevel beside what a user would write with python-can and cantools, and beside grep and a bare read.
forms: compressed text, and the recorded formats that python-can writes. live: processor time for each frame of a bus at
2,000 frames/s, beside a bare receiving loop. start: what a command costs before it begins.
Whole processes, in turns, medians. The bus is invented and seeded (bus.py); --dirt 0.01 makes one line in a hundred dirt.
"""

from __future__ import annotations

import argparse
import gzip
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pyarrow as pa
from bus import write_bus
from measure import Job, machine, run_in_turns, table

PYTHON = sys.executable
SCRIPTS = str(Path(__file__).parent / "scripts.py")
MOST_BY_HAND = 10_000_000  # frames that what is slow goes through; its rate does not depend on it
PARTS = ("bulk", "forms", "live", "start")
LIVE_S = 10.0


def script(name: str, *arguments: str | Path) -> list[str]:
    return [PYTHON, SCRIPTS, name, *map(str, arguments)]


def log(path: Path, scratch: Path) -> dict[str, object]:
    """Arguments of a Job that logs a file into a store that is new each time."""
    store = scratch / "history"

    def anew(command: list[str]) -> list[str]:
        shutil.rmtree(store, ignore_errors=True)
        return command

    return {"command": [PYTHON, "-m", "canlevel", "log", str(path), "--store", str(store)], "before": anew}


def bulk(path: Path, frames: int, rounds: int, scratch: Path, small: Path) -> None:
    by_hand = min(frames, MOST_BY_HAND)
    one, both = {"cores": 1}, {}
    jobs = [
        Job("python-can's reader, cantools on the tank frames", script("tank_frames_by_hand", path, by_hand), by_hand),
        Job("the same, cantools on every frame", script("all_frames_by_hand", path, by_hand // 10), by_hand // 10),
        Job("`canlevel log`", frames=frames, **both, **log(path, scratch)),  # type: ignore[arg-type]
        Job("`canlevel log`, one core", frames=frames, **one, **log(path, scratch)),  # type: ignore[arg-type]
        Job("every frame: `canlevel.traffic`", script("traffic", path), frames),
        Job("every frame: `canlevel.traffic`, one core", script("traffic", path), frames, cores=1),
        Job("what is wrong: `canlevel.explain`", script("explain", path), frames),
        Job("what is wrong: `canlevel.explain`, one core", script("explain", path), frames, cores=1),
        Job(
            "`canlevel decode --format jsonl`",
            [PYTHON, "-m", "canlevel", "decode", str(path), "--format", "jsonl"],
            frames,
        ),
        Job("`canlevel tanks`", [PYTHON, "-m", "canlevel", "tanks", str(path)], frames),
        Job("`grep -c '#'`", ["grep", "-c", "#", str(path)], frames),
        Job("`wc -l`", ["wc", "-l", str(path)], frames),
        Job("a bare read", script("bare_read", path), frames),
    ]
    run_in_turns(jobs, rounds)
    idle = Job("a small file", **log(small, scratch))  # type: ignore[arg-type]
    idle.run()
    print(f"{frames:,} frames of candump text, {path.stat().st_size / 1e9:.2f} GB, {rounds} rounds in turns, medians\n")
    rows = [
        [
            job.name,
            f"{job.median_s:.2f}",
            f"{job.rate / 1e6:.2f}",
            f"{job.rate / jobs[0].rate:.0f}",
            f"{max(job.peak_mb):.0f}",
        ]
        for job in jobs
    ]
    print(table(["what", "seconds", "million frames/s", "times the first", "peak MB"], rows))
    print(
        f"\n`canlevel log` of a file of 1,000 lines: {max(idle.peak_mb):.0f} MB, which is the interpreter and its imports.\n"
    )


def forms(path: Path, frames: int, rounds: int, scratch: Path) -> None:
    packed = scratch / "bus.log.gz", scratch / "bus.log.zst"
    with path.open("rb") as source, gzip.open(packed[0], "wb", compresslevel=6) as target:
        shutil.copyfileobj(source, target, 1 << 20)
    with path.open("rb") as source, pa.CompressedOutputStream(str(packed[1]), "zstd") as target:
        while piece := source.read(1 << 20):
            target.write(piece)
    jobs = []
    for file in packed:
        jobs.append(Job(f"{file.suffix}: unpacking alone", script("unpack", file), frames))
        jobs.append(Job(f"{file.suffix}: `canlevel log`", frames=frames, **log(file, scratch)))  # type: ignore[arg-type]
    few = min(frames, 300_000)
    for ending in (".blf", ".asc", ".trc", ".csv", ".db"):
        file = scratch / f"bus{ending}"
        subprocess.run([PYTHON, "-c", CONVERT, str(path), str(file), str(few)], check=True)
        jobs.append(Job(f"{ending}: python-can's reader alone", script("read_messages", file), few))
        jobs.append(Job(f"{ending}: `canlevel log`", frames=few, **log(file, scratch)))  # type: ignore[arg-type]
        jobs.append(Job(f"{ending}: every frame", script("traffic", file), few))
    run_in_turns(jobs, rounds)
    print(f"{frames:,} frames compressed, {few:,} in each other format, {rounds} rounds in turns, medians\n")
    print(
        table(
            ["what", "seconds", "million frames/s", "peak MB"],
            [[j.name, f"{j.median_s:.2f}", f"{j.rate / 1e6:.2f}", f"{max(j.peak_mb):.0f}"] for j in jobs],
        )
    )
    print()


CONVERT = """
import itertools, sys, can
with can.Logger(sys.argv[2]) as writer:
    for message in itertools.islice(can.CanutilsLogReader(sys.argv[1]), int(sys.argv[3])):
        message.channel = 0
        writer(message)
"""


def live(rounds: int, scratch: Path, small: Path, seconds: float) -> None:
    channel = "239.74.163.98,port=43198"
    bare = Job("a bare receiving loop", script("bare_receive", channel, str(seconds)))
    ours = Job("`canlevel log`", script("log_live", channel, str(seconds), scratch / "live", small))
    per_frame: dict[str, list[float]] = {bare.name: [], ours.name: []}
    for _ in range(rounds):
        for job in (bare, ours):
            sender = subprocess.Popen(script("send", channel, str(seconds + 4), "2000"))
            time.sleep(0.5)
            job.run()
            sender.wait()
            per_frame[job.name].append(float(job.output.split()[1]))
    medians = {name: sorted(values)[len(values) // 2] for name, values in per_frame.items()}
    print(f"a bus of 2,000 frames/s (udp_multicast), {seconds:g} s, {rounds} rounds in turns, medians\n")
    rows = [[name, f"{median:.1f}", f"{median / medians[bare.name]:.2f}"] for name, median in medians.items()]
    print(table(["what", "microseconds of processor time a frame", "times the first"], rows))
    print()


def start(rounds: int, small: Path) -> None:
    jobs = [
        Job("`python -c pass`", [PYTHON, "-c", "pass"]),
        Job("`python -c 'import typer'`", [PYTHON, "-c", "import typer"]),
        Job("`canlevel --help`", [PYTHON, "-m", "canlevel", "--help"]),
        Job("`python -c 'import pyarrow, typer'`", [PYTHON, "-c", "import pyarrow, typer"]),
        Job("`canlevel decode` of 1,000 lines", [PYTHON, "-m", "canlevel", "decode", str(small)]),
        Job("`canlevel demo`", [PYTHON, "-m", "canlevel", "demo"]),
    ]
    run_in_turns(jobs, max(rounds, 5))
    print(table(["what", "seconds"], [[job.name, f"{job.median_s:.3f}"] for job in jobs]))
    print()


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("parts", nargs="*", choices=[*PARTS, []], help="which; all, if not told")
    options.add_argument("--frames", type=int, default=20_000_000)
    options.add_argument("--rounds", type=int, default=3)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--tank-share", type=float, default=0.01, help="part of the frames that are a tank's")
    options.add_argument("--dirt", type=float, default=0.0, help="part of the lines that are something else")
    options.add_argument("--seconds", type=float, default=LIVE_S, help="of listening to a live bus")
    arguments = options.parse_args()
    parts = arguments.parts or PARTS
    print(machine(), "\n")
    with tempfile.TemporaryDirectory(prefix="canlevel-benchmark-") as folder:
        scratch = Path(folder)
        path, small = scratch / "bus.log", scratch / "small.log"
        write_bus(small, 1000, seed=arguments.seed, tank_share=0.5)
        if "bulk" in parts or "forms" in parts:
            write_bus(path, arguments.frames, seed=arguments.seed, tank_share=arguments.tank_share, dirt=arguments.dirt)
        if "bulk" in parts:
            bulk(path, arguments.frames, arguments.rounds, scratch, small)
        if "forms" in parts:
            forms(path, arguments.frames, arguments.rounds, scratch)
        if "live" in parts:
            live(arguments.rounds, scratch, small, arguments.seconds)
        if "start" in parts:
            start(arguments.rounds, small)


if __name__ == "__main__":
    main()
