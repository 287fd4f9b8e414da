"""What the tests share: frames and readings made by hand, and the command line run in this process."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import settings

from canlevel.capture.candump import Block, frames_table
from canlevel.cli import run
from canlevel.tables import EXTENDED, time_column

# No test asserts how long something takes, so hypothesis shall not either.
settings.register_profile("canlevel", deadline=None, print_blob=True)
settings.load_profile("canlevel")

START_US = 1_777_622_400_000_000  # 2026-05-01T08:00:00Z


def frames(rows: Sequence[tuple[int, bytes]], *, flags: int = EXTENDED, step_us: int = 1_000_000) -> pa.Table:
    """FRAMES of (identifier, data) rows, one a second."""
    block = Block.sized(len(rows))
    block.time_us[:] = START_US + np.arange(len(rows)) * step_us
    block.identifier[:] = [identifier for identifier, _ in rows]
    block.flags[:] = flags
    block.length[:] = [len(data) for _, data in rows]
    block.payload[:] = [int.from_bytes(data[:8].ljust(8, b"\0"), "little") for _, data in rows]
    block.line[:] = np.arange(1, len(rows) + 1)
    return frames_table(block, ["can0"], time_column(block.time_us))


Result = tuple[int, str, str]


@pytest.fixture
def canlevel(capfd: pytest.CaptureFixture[str]) -> Callable[..., Result]:
    """Run a command line; returns (exit code, standard output, standard error)."""

    def call(*words: str | Path) -> Result:
        capfd.readouterr()
        code = run([str(word) for word in words])
        output, errors = capfd.readouterr()
        return code, output, errors

    return call
