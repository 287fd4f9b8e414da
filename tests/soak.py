"""A long run of a live bus with many outages, to see that nothing grows and nothing is lost.

    python tests/soak.py --frames 1000000 --outages 100

A serial adapter on a pseudo-terminal (adapter.py, Linux) through python-can's slcan driver and a source that reconnects. The
adapter is pulled out and plugged in again; every fifth outage it stalls instead, with its port open. It is made to go only
after all that it sent has been read from its port, so that what must be received is known exactly. Prints memory, threads and
open files; exit code 1 if memory or one of them grew, or if frames received and sent differ.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import cycle, islice
from pathlib import Path
from unittest.mock import patch

from adapter import Adapter, WireFrame

from canlevel.capture.events import BusBack, BusGone
from canlevel.capture.lasting import Patience
from canlevel.capture.source import open_source

# Resident memory may move by so much: arrow and malloc give room back when they like. A leak of a hundred bytes for each frame
# of a million would be 100 MB, one of a driver object for each of a hundred outages some MB.
MOST_GROWTH_MB = 16.0
# From the middle to the end, when all rooms have been made.
MOST_LATE_GROWTH_MB = 6.0
PORTION = 2000  # frames that wait in the emulator, which must not be what grows
STALLED_EVERY = 5
SILENCE_S = 2.0
GUARD_S = 60.0  # for what is sure to come, as a fault shall end the run
FRAMES = [
    WireFrame(0x09F20010 + i, bytes([i]) * 8) if i % 10 else WireFrame(0x19F21123 + i, bytes(8)) for i in range(40)
]  # invented


@dataclass(frozen=True, slots=True)
class Measure:
    """What a process has taken of its machine."""

    memory_mb: float
    threads: int
    files: int

    @classmethod
    def now(cls) -> Measure:
        resident_kb = int(Path("/proc/self/status").read_text().partition("VmRSS:")[2].split()[0])
        return cls(resident_kb / 1024, threading.active_count(), len(list(Path("/proc/self/fd").iterdir())))

    def __str__(self) -> str:
        return f"{self.memory_mb:6.1f} MB, {self.threads} threads, {self.files} files"


@dataclass(slots=True)
class Outcome:
    """What a soak came to. measures: one for each outage, each while the bus is open and idle."""

    sent: int
    received: int
    gone: int
    back: int
    skipped: int
    measures: list[Measure]

    def faults(self, outages: int) -> list[str]:
        """What is wrong, in words."""
        start, middle, end = self.measures[0], self.measures[len(self.measures) // 2], self.measures[-1]
        found = []
        if self.received != self.sent:
            found.append(f"{self.sent:,} frames were sent while the bus was open, {self.received:,} received")
        if (self.gone, self.back) != (outages, outages):
            found.append(f"{outages} outages, of which {self.gone} were told, and the end of {self.back}")
        if end.memory_mb - start.memory_mb > MOST_GROWTH_MB:
            found.append(f"memory grew by {end.memory_mb - start.memory_mb:.1f} MB, {MOST_GROWTH_MB} are allowed")
        if end.memory_mb - middle.memory_mb > MOST_LATE_GROWTH_MB:
            found.append(f"memory grew by {end.memory_mb - middle.memory_mb:.1f} MB in the second half")
        if (end.threads, end.files) != (start.threads, start.files):
            found.append("threads or files were left over")
        return found


def soak(frames: int, outages: int, folder: Path) -> Outcome:
    """Send so many frames with so many outages between them. Raises TimeoutError where what must come does not come."""
    outcome = Outcome(0, 0, 0, 0, 0, [])
    patience = Patience(pauses_s=(0.02, 0.05), silence_s=SILENCE_S, first_silence_s=SILENCE_S, usual_gaps=0.0)
    with (
        patch("canlevel.capture.lasting.PATIENCE", patience),
        Adapter(port=folder / "adapter", frames_per_s=1e9, burst=64) as adapter,
    ):
        source = open_source(f"slcan:{adapter.path},sleep_after_open=0", reconnect=True)
        batches = source.batches()
        traffic: Iterator[WireFrame] = cycle(FRAMES)

        def advance() -> None:
            outcome.received += len(next(batches))
            for event in source.events():
                outcome.gone += isinstance(event, BusGone)
                outcome.back += isinstance(event, BusBack)
            source.tally.take_told()

        def wait_for(words: str, since: float) -> None:
            if time.monotonic() - since > GUARD_S:
                raise TimeoutError(f"waited in vain: {words}; {outcome}")
            advance()

        for life in range(outages + 1):
            until = frames * (life + 1) // (outages + 1)
            first = outcome.sent
            while outcome.sent < until:
                portion = list(islice(traffic, min(PORTION, until - outcome.sent)))
                adapter.send(portion)
                outcome.sent += len(portion)
                began = time.monotonic()
                while outcome.received < outcome.sent - PORTION // 2:
                    wait_for(f"frames of life {life}, which began at {first}", began)
            began = time.monotonic()
            while not (adapter.is_drained and outcome.received >= outcome.sent and outcome.back == life):
                wait_for(f"the last frames of life {life}", began)
            outcome.measures.append(Measure.now())
            if life == outages:
                break
            began = time.monotonic()
            stalls = life % STALLED_EVERY == STALLED_EVERY - 1
            if stalls:
                adapter.stall()
            else:
                adapter.unplug()
            while outcome.gone == life:
                wait_for("an outage to be told", began)
            if stalls:
                adapter.resume()
            else:
                adapter.replug()
        source.stop()
        for table in batches:
            outcome.received += len(table)
        source.close()
        outcome.skipped = source.tally.skipped
    return outcome


def main() -> int:
    """Run it, print what was measured."""
    options = argparse.ArgumentParser(description="A live bus with many outages.")
    options.add_argument("--frames", type=int, default=1_000_000)
    options.add_argument("--outages", type=int, default=100)
    arguments = options.parse_args()
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="canlevel-soak-") as folder:
        outcome = soak(arguments.frames, arguments.outages, Path(folder))
    measures = outcome.measures
    for words, measure in (
        ("start", measures[0]),
        ("middle", measures[len(measures) // 2]),
        ("end", measures[-1]),
    ):
        print(f"{words:>8}: {measure}")
    print(f"{'most':>8}: {max(measure.memory_mb for measure in measures):6.1f} MB")
    print(
        f"{outcome.sent:,} frames sent while the bus was open, {outcome.received:,} received; {outcome.skipped:,} garbled"
    )
    print(
        f"{arguments.outages} outages, {outcome.gone} told, {outcome.back} ends told; {time.monotonic() - began:.0f} s"
    )
    faults = outcome.faults(arguments.outages)
    for fault in faults:
        print(f"fault: {fault}")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
