"""Whole processes, timed: wall time and the most memory they held, in rounds that take turns, so that no job has the quiet
machine to itself."""

from __future__ import annotations

import os
import platform
import statistics
import subprocess
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

__all__ = ["Job", "machine", "run_in_turns", "table"]


@dataclass(slots=True)
class Job:
    """One command. frames: how many it goes through, for the rate. cores: how many it may use; all of them, if not told.

    before: called before each run, untimed, with the command's own arguments; what it returns replaces them.
    """

    name: str
    command: Sequence[str]
    frames: int = 0
    cores: int | None = None
    before: Callable[[list[str]], list[str]] | None = None
    seconds: list[float] = field(default_factory=list)
    peak_mb: list[float] = field(default_factory=list)
    output: str = ""

    def run(self) -> None:
        """Run it once, and remember how long it took and how much memory it held."""
        command = list(self.command)
        if self.before is not None:
            command = self.before(command)
        allowed = sorted(os.sched_getaffinity(0))[: self.cores]
        began = time.perf_counter()
        process = subprocess.Popen(
            command,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            preexec_fn=lambda: os.sched_setaffinity(0, allowed),
        )
        assert process.stdout is not None
        self.output = process.stdout.read(100_000).decode()
        while process.stdout.read(1 << 20):
            pass
        _, status, usage = os.wait4(process.pid, 0)
        self.seconds.append(time.perf_counter() - began)
        self.peak_mb.append(usage.ru_maxrss / 1024)
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode:
            raise SystemExit(f"{self.name}: exit code {process.returncode}")

    @property
    def median_s(self) -> float:
        return statistics.median(self.seconds)

    @property
    def rate(self) -> float:
        """Frames per second."""
        return self.frames / self.median_s


def run_in_turns(jobs: Sequence[Job], rounds: int) -> None:
    """Run every job once in each round."""
    for _ in range(rounds):
        for job in jobs:
            job.run()


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A Markdown table."""
    return "\n".join("| " + " | ".join(row) + " |" for row in [head, ["---"] * len(head), *rows])


def machine() -> str:
    """What the figures were measured on."""
    model = platform.machine()
    try:
        with Path("/proc/cpuinfo").open(encoding="utf-8") as file:
            model = next((line.partition(":")[2].strip() for line in file if line.startswith("model name")), model)
    except OSError:
        pass
    cores = len(os.sched_getaffinity(0))
    return f"{platform.system()}, {cores} cores ({model}), Python {platform.python_version()}"
