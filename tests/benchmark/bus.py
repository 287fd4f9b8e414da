"""A full 250 kbit/s bus as candump text, invented and seeded: what the benchmarks and their short run in CI read.

Frames follow one another without a pause, so that a day holds some 170 million of them. Some are a tank's: readings of a
harbour workboat's and a clinic coach's tanks, each rising and falling slowly in the steps of its sender. On request some
lines are dirt: what cut, merged and hand-edited logs hold, and frames of other kinds.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

__all__ = ["write_bus"]

START_US = 1_777_622_400_000_000  # 2026-05-01 00:00 UTC
BIT_US = 4  # at 250 kbit/s
EMPTY_FRAME_BITS = 67 + 13  # extended frame with its gap, and the stuff bits of a usual one
BLOCK = 250_000
TANKS = 24
NMEA2000, RVC = 0x19F21100, 0x19FFB700
_HEX = np.frombuffer(b"0123456789ABCDEF", np.uint8)
# Lines of other kinds, with time and channel left out: error frame, remote, 11 bits, FD, lower case, and no frames at all.
_OTHER = (
    b"20000004#0004000000000000",
    b"123#R8",
    b"7E8#0341054B",
    b"18FEF100##1112233445566778899AABBCC",
    b"09f80123#00ff7fffffffffff",
    b"19F2112G#10D430D0070000FF",
    b"19F21123#10D430D00",
    b"19F2",
)
_WHOLE_LINES = (
    b"DROPCOUNT: dropped 3 CAN frames on 'can0' socket (total drops 3)",
    b"",
    b"-- engine started --",
    b"\xff\x00\x80",
)


def write_bus(path: Path, frames: int, *, seed: int = 1, tank_share: float = 0.01, dirt: float = 0.0) -> None:
    """Write `frames` lines. tank_share: part of them that are a tank's. dirt: part of them replaced by something else."""
    draw = np.random.default_rng(seed)
    pgns = 0x1F000 + draw.choice(0x600, 60, replace=False)
    sources = draw.integers(0, 250, 60)
    priorities = draw.integers(2, 8, 60)
    others = (priorities << 26 | pgns << 8 | sources).astype(np.uint32)
    lengths = draw.choice([8, 8, 8, 8, 6, 3], 60).astype(np.uint8)
    at_us, phase = START_US, draw.random(TANKS)
    with path.open("wb") as file:
        for first in range(0, frames, BLOCK):
            n = min(BLOCK, frames - first)
            which = draw.integers(0, len(others), n)
            identifier, length = others[which], lengths[which]
            data = draw.integers(0, 256, (n, 8), np.uint8)
            mine = np.flatnonzero(draw.random(n) < tank_share)
            identifier[mine], data[mine], length[mine] = (
                *_tank_frames(draw.integers(0, TANKS, len(mine)), first + mine, phase),
                8,
            )
            took = (EMPTY_FRAME_BITS + 9 * length.astype(np.int64)) * BIT_US
            time_us = at_us + np.cumsum(took)
            at_us = int(time_us[-1])
            text, ends = _lines(time_us, identifier, length, data)
            file.write(text if not dirt else _dirty(text, ends, np.flatnonzero(draw.random(n) < dirt), draw))


def _tank_frames(
    tank: NDArray[np.int64], at: NDArray[np.int64], phase: NDArray[np.float64]
) -> tuple[NDArray[np.uint32], NDArray[np.uint8]]:
    """(identifiers, data) of tanks: two in three speak NMEA 2000, the others RV-C. at: number of the frame, for time."""
    turn = (at / 6e6 * (1 + tank % 5) + phase[tank]) % 2
    part = np.abs(turn - 1)  # rises and falls
    data = np.full((len(tank), 8), 0xFF, np.uint8)
    marine = tank % 3 != 0
    raw = (np.round(part * 250) * 100).astype(np.int64)  # 0.004 %, by a sender that moves in steps of 0.4 %
    capacity = 500 * (1 + tank)
    data[:, 0] = np.where(marine, tank % 6 << 4 | tank // 6, tank // 3 % 4)
    data[:, 1] = np.where(marine, raw & 0xFF, np.round(part * 32))
    data[:, 2] = np.where(marine, raw >> 8, 32)
    for i in range(4):
        data[marine, 3 + i] = (capacity[marine] >> 8 * i) & 0xFF
    identifier = np.where(marine, NMEA2000 | 0x20 + tank, RVC | 0x40 + tank)
    return identifier.astype(np.uint32), data


def _lines(
    time_us: NDArray[np.int64], identifier: NDArray[np.uint32], length: NDArray[np.uint8], data: NDArray[np.uint8]
) -> tuple[bytes, NDArray[np.int64]]:
    """(text, where each line ends in it) of n frames as `candump -l` writes them."""
    n = len(time_us)
    text = np.empty((n, 51), np.uint8)
    text[:] = np.frombuffer(b"(0000000000.000000) can0 00000000#0000000000000000\n", np.uint8)
    seconds, fraction = np.divmod(time_us, 1_000_000)
    for number, last, digits in ((seconds, 10, 10), (fraction, 17, 6)):
        for i in range(digits):
            number, digit = np.divmod(number, 10)
            text[:, last - i] = 48 + digit
    for i in range(8):
        text[:, 25 + i] = _HEX[identifier >> np.uint32(28 - 4 * i) & np.uint32(15)]
    text[:, 34:50:2], text[:, 35:50:2] = _HEX[data >> 4], _HEX[data & 15]
    keep = np.arange(51) < 34 + 2 * length[:, None]
    keep[:, 50] = True
    return text[keep].tobytes(), np.cumsum(keep.sum(axis=1))


def _dirty(text: bytes, ends: NDArray[np.int64], lines: NDArray[np.int64], draw: np.random.Generator) -> bytes:
    """The text with some of its lines replaced by what else a log may hold."""
    parts, done = [], 0
    kinds = draw.integers(0, len(_OTHER) + len(_WHOLE_LINES) + 3, len(lines))
    for line, kind in zip(lines.tolist(), kinds.tolist(), strict=True):
        start, end = int(ends[line - 1]) if line else 0, int(ends[line])
        whole = text[start : end - 1]
        if kind < len(_OTHER):
            new = whole[:25] + _OTHER[kind]
        elif kind - len(_OTHER) < len(_WHOLE_LINES):
            new = _WHOLE_LINES[kind - len(_OTHER)]
        else:
            new = (whole + b"\r", whole + b" R", whole.replace(b"can0", b"vcan12"))[
                kind - len(_OTHER) - len(_WHOLE_LINES)
            ]
        parts += [text[done:start], new, b"\n"]
        done = end
    return b"".join([*parts, text[done:]])
