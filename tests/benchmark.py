"""Timings of the main job. No test: it asserts nothing and takes as long as it takes.

    python tests/benchmark.py [--frames 2000000] [--rounds 5]

Prints medians of interleaved rounds as a Markdown table, whole processes, beside what a user would write with
python-can's log reader and cantools on the tank frames.
"""

from __future__ import annotations

import argparse
import os
import platform
import random
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

BASELINE = """
import sys, can, cantools
from importlib import resources
database = cantools.database.load_string((resources.files("canlevel.dbc") / "nmea2000.dbc").read_text(), "dbc")
message = database.messages[0]
n = sum(1 for m in can.CanutilsLogReader(sys.argv[1])
        if m.arbitration_id >> 8 & 0x3FFFF == 127505 and message.decode(bytes(m.data), decode_choices=False))
print(n)
"""


def write_log(path: Path, frames: int, seed: int = 1) -> None:
    """A full 250 kbit/s bus, invented: one frame in a hundred is a tank's."""
    draw = random.Random(seed)
    at = 1_777_622_400_000_000
    others = [(0x09F80100 + draw.randrange(256), draw.choice([8, 8, 8, 8, 6, 3])) for _ in range(40)]
    with path.open("w") as file:
        for i in range(frames):
            at += draw.randrange(500, 700)
            if i % 100 == 0:
                data = bytes([0x10 | i // 100 % 4]) + draw.randrange(25000).to_bytes(2, "little") + b"\xd0\x07\0\0\xff"
                identifier = 0x19F21123
            else:
                identifier, length = draw.choice(others)
                data = draw.randbytes(length)
            file.write(f"({at // 1_000_000:010d}.{at % 1_000_000:06d}) can0 {identifier:08X}#{data.hex().upper()}\n")


def seconds(command: list[str]) -> float:
    began = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return time.perf_counter() - began


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--frames", type=int, default=2_000_000)
    options.add_argument("--rounds", type=int, default=5)
    arguments = options.parse_args()
    canlevel = [sys.executable, "-m", "canlevel"]
    with tempfile.TemporaryDirectory() as scratch:
        log = Path(scratch) / "bus.log"
        write_log(log, arguments.frames)
        jobs = {
            "python-can's reader, cantools on tank frames": [sys.executable, "-c", BASELINE, str(log)],
            "`canlevel decode --format jsonl`": [*canlevel, "decode", str(log), "--format", "jsonl"],
            "`canlevel tanks`": [*canlevel, "tanks", str(log)],
            "`canlevel log`": [*canlevel, "log", str(log), "--store"],
            "`canlevel --help`": [*canlevel, "--help"],
            "`canlevel demo`": [*canlevel, "demo"],
        }
        times: dict[str, list[float]] = {name: [] for name in jobs}
        for number in range(arguments.rounds):
            for name, command in jobs.items():
                store = [str(Path(scratch) / f"history-{number}")] if command[-1] == "--store" else []
                times[name].append(seconds([*command, *store]))
    print(
        f"{platform.system()} {platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}; ",
        end="",
    )
    print(f"{arguments.frames:,} frames of candump text, medians of {arguments.rounds} rounds\n")
    print("| what | seconds | frames/s |\n|---|---|---|")
    for name, taken in times.items():
        median = statistics.median(taken)
        reads = "--help" not in name and "demo" not in name
        print(f"| {name} | {median:.2f} | {f'{arguments.frames / median:,.0f}' if reads else ''} |")


if __name__ == "__main__":
    main()
