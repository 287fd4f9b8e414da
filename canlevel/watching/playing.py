"""A recording played by its own times, at a speed. What comes in: FRAMES and seconds that pass. What goes out: the frames
that are due. No clock in here.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.tables import UNKNOWN_TIME_US, times_us

__all__ = ["SPEEDS", "Player", "paced"]

SPEEDS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 60.0, 120.0, 300.0, 600.0, 1800.0, 3600.0)
# A longer silence of a recording is not waited for; one of more than a day is a clock that was set, and no time that passed.
LONGEST_WAIT_S, LONGEST_SILENCE_S = 300.0, 86_400.0
AT_ONCE_S = 1.0
MOST_AHEAD = (
    200_000  # frames that are read before their time; most recordings are so short that their length is known then
)

Floats = NDArray[np.float64]


def paced(time_us: NDArray[np.int64], last_us: int | None) -> tuple[Floats, Floats]:
    """(wait_s, passed_s): how long each frame comes after the one before it, to be waited for and as time that passed.

    time_us: (n,). last_us: of the frame before the first. Times that run backwards, and frames without a time, come at once.
    """
    before = np.concatenate([[time_us[0] if last_us is None else last_us], time_us[:-1]])
    known = (time_us != UNKNOWN_TIME_US) & (before != UNKNOWN_TIME_US)
    step_s = np.where(known, time_us - np.where(known, before, 0), 0) / 1e6
    step_s = np.maximum(step_s, 0.0)
    passed_s = np.where(step_s > LONGEST_SILENCE_S, AT_ONCE_S, step_s)
    return np.where(step_s > LONGEST_WAIT_S, AT_ONCE_S, passed_s), passed_s


@dataclass(slots=True)
class _Ahead:
    """Frames that were read and are not due yet. play_s, at_s: (n,) where they lie in the playing, and on the axis of time."""

    frames: pa.Table
    play_s: Floats
    at_s: Floats


@dataclass(slots=True)
class Player:
    """Hands frames out as their time comes. Give it frames while it `wants` some.

    speed: seconds of the recording in one; infinite: all at once. position_s: how far the playing has come.
    """

    speed: float = 1.0
    paused: bool = False
    position_s: float = 0.0
    _ahead: deque[_Ahead] = field(default_factory=deque)
    _read_s: tuple[float, float] = (0.0, 0.0)  # of the last frame that was read: in the playing, and on the axis
    _shown_s: tuple[float, float] = (0.0, 0.0)  # of the last one that was handed out
    _last_us: int | None = None

    @property
    def wants(self) -> bool:
        """Whether what was read does not reach far ahead of what is due."""
        ahead = sum(len(one.at_s) for one in self._ahead)
        return ahead < MOST_AHEAD or self._read_s[0] <= self.position_s + max(self.speed, 1.0)

    @property
    def read_s(self) -> float:
        """How long the playing of all that was read takes, at a speed of 1."""
        return self._read_s[0]

    @property
    def played(self) -> bool:
        """Whether all that was read has been handed out."""
        return not self._ahead

    def add(self, frames: pa.Table) -> None:
        """Frames that follow. frames: FRAMES, n rows."""
        if not len(frames):
            return
        time_us = times_us(frames)
        wait_s, passed_s = paced(time_us, self._last_us)
        known = time_us[time_us != UNKNOWN_TIME_US]
        self._last_us = int(known[-1]) if len(known) else self._last_us
        play_s, at_s = (np.cumsum(steps) + read for steps, read in zip((wait_s, passed_s), self._read_s, strict=True))
        self._read_s = float(play_s[-1]), float(at_s[-1])
        self._ahead.append(_Ahead(frames, play_s, at_s))

    def advance(self, by_s: float) -> list[tuple[pa.Table, Floats]]:
        """What is due after so many seconds more, with where it lies on the axis: (n,) seconds."""
        if not self.paused:
            # Where reading is slower than playing, playing waits for it.
            self.position_s = min(self.position_s + by_s * self.speed, max(self._read_s[0], self.position_s))
        due = []
        while self._ahead:
            first = self._ahead[0]
            n = int(np.searchsorted(first.play_s, self.position_s, "right"))
            if n:
                due.append((first.frames.slice(0, n), first.at_s[:n]))
                self._shown_s = float(first.play_s[n - 1]), float(first.at_s[n - 1])
            if n < len(first.play_s):
                self._ahead[0] = _Ahead(first.frames.slice(n), first.play_s[n:], first.at_s[n:])
                break
            self._ahead.popleft()
        return due

    @property
    def now_s(self) -> float:
        """How far the playing has come, on the axis of time."""
        return self._shown_s[1] + max(self.position_s - self._shown_s[0], 0.0)

    def faster(self, steps: int) -> None:
        """Another speed of SPEEDS: so many steps up, or down where negative."""
        places = [i for i, speed in enumerate(SPEEDS) if speed <= self.speed * 1.001]
        place = (places[-1] if places else 0) + steps
        if steps < 0 and places and SPEEDS[places[-1]] < self.speed * 0.999:
            place += 1
        self.speed = SPEEDS[min(max(place, 0), len(SPEEDS) - 1)]
