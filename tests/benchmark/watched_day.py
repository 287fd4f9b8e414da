"""What watching costs: processor time and memory over a simulated day on a bus, as the screen would have it.

    python tests/benchmark/watched_day.py --hours 24 --frames 300 --tanks 7

Frames are made in memory and handed over in batches as a live bus hands them over, every half second (--batch); findings are
looked for as often as `canlevel watch` does; a screen of 80 by 24 is drawn four times a second into a buffer, whose
characters are counted. Nothing waits, so that a day takes minutes.
"""

from __future__ import annotations

import argparse
import io
import resource
import time
from pathlib import Path

import numpy as np

from canlevel.capture.candump import Block, frames_table
from canlevel.decoding.tanks import TankDecoder
from canlevel.findings.evidence import Recording
from canlevel.roster import Roster
from canlevel.tables import EXTENDED, time_column
from canlevel.watching.board import View, board
from canlevel.watching.screen import Screen
from canlevel.watching.watch import LOOK_S, LOOK_SHARE
from canlevel.watching.watched import Watched

START_US = 1_777_622_400_000_000
PERIOD_S = 2.5


def main() -> None:
    """Print a table: hours, processor time by part, memory."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--hours", type=float, default=24.0)
    words.add_argument("--frames", type=int, default=300, help="a second, tanks among them")
    words.add_argument("--tanks", type=int, default=7)
    words.add_argument("--batch", type=float, default=0.5, help="seconds")
    words.add_argument("--draws", type=int, default=2, help="in each batch")
    words.add_argument("--look", type=float, default=LOOK_S, help="seconds between two looks for findings, at least")
    options = words.parse_args()
    generator = np.random.default_rng(7)
    watched = Watched(TankDecoder(), Roster(), title="bus", bitrate=250_000, live=True)
    screen = Screen(io.StringIO(), colour=True)
    spent = {"taking in": 0.0, "findings": 0.0, "drawing": 0.0}
    looks, dearest_s, look_due_s, next_report_s = 0, 0.0, 0.0, 0.0
    n = int(options.frames * options.batch)
    print("| hours | taking in, s | findings, s (dearest) | drawing, s | characters/s to the screen | MB |")
    print("| --- | --- | --- | --- | --- | --- |")
    for batch in range(int(options.hours * 3600 / options.batch)):
        now_s = (batch + 1) * options.batch
        frames, at_s = a_batch(generator, batch, n, options)
        began_s = time.process_time()
        watched.add(frames, at_s)
        watched.reach(now_s)
        spent["taking in"] += time.process_time() - began_s
        if now_s >= look_due_s:
            began_s = time.process_time()
            watched.look(Recording(live=True))
            took_s = time.process_time() - began_s
            spent["findings"] += took_s
            looks, dearest_s = looks + 1, max(dearest_s, took_s)
            look_due_s = now_s + max(options.look, took_s / LOOK_SHARE)
        began_s = time.process_time()
        for part in range(options.draws):
            moment_s = now_s + options.batch * part / options.draws
            screen.draw(board(watched.snapshot(moment_s), View(), 80, 24).lines, (80, 24))
        spent["drawing"] += time.process_time() - began_s
        screen._out.seek(0)  # the buffer must not grow
        screen._out.truncate()
        if now_s >= next_report_s or now_s >= options.hours * 3600 - options.batch / 2:
            next_report_s += max(options.hours * 3600 / 8, 1.0)
            memory = resident_mb()
            print(
                f"| {now_s / 3600:.2f} | {spent['taking in']:.2f} | {spent['findings']:.2f} ({dearest_s:.3f}) | "
                f"{spent['drawing']:.2f} | {screen.written / now_s:.0f} | {memory:.0f} |",
                flush=True,
            )
    share = 100 * sum(spent.values()) / (options.hours * 3600)
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{looks} looks for findings; {share:.1f} % of one core; {most:.0f} MB at most")


def a_batch(generator: np.random.Generator, batch: int, n: int, options: argparse.Namespace):  # type: ignore[no-untyped-def]
    """(FRAMES, (n,) seconds): steady traffic of twenty senders, and the tanks that are due."""
    begin_s = batch * options.batch
    at_s = begin_s + np.arange(n) / n * options.batch
    block = Block.sized(n)
    block.time_us[:] = START_US + np.round(at_s * 1e6).astype(np.int64)
    kind = np.arange(n) % 20
    block.identifier[:] = 0x09F80100 + kind * 0x100 + kind % 10
    block.flags[:] = EXTENDED
    block.length[:] = 8
    block.payload[:] = generator.integers(0, 2**63, n, dtype=np.uint64)
    block.line[:] = batch * n + np.arange(n)
    for tank in range(options.tanks):
        offset_s = PERIOD_S * tank / options.tanks
        if int((begin_s - offset_s) / PERIOD_S) != int((begin_s + options.batch - offset_s) / PERIOD_S):
            row = (tank + 1) * n // (options.tanks + 2)
            level = 50 + 40 * np.sin(begin_s / 20_000 + tank) + generator.normal(0, 0.1)
            raw = round(level / 0.004) & 0xFFFF
            data = (
                bytes([(tank // 16 << 4) | tank % 16])
                + raw.to_bytes(2, "little")
                + (2000).to_bytes(4, "little")
                + b"\xff"
            )
            block.identifier[row] = 0x19F21100 | (40 + tank % 3)
            block.payload[row] = int.from_bytes(data, "little")
    return frames_table(block, ["can0"], time_column(block.time_us)), at_s


def resident_mb() -> float:
    """Memory of this process now."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() / 1e6


if __name__ == "__main__":
    main()
