"""The host's clock beside one that nobody sets: which steps it took, and on which setting a frame was stamped.

What comes in: stamps of frames and when they were received. What goes out: the same stamps, all on one setting.
"""

from __future__ import annotations

import ctypes
import sys
import time
from collections import deque

import numpy as np
from numpy.typing import NDArray

from canlevel.tables import EARLIEST_DATE_US, UNKNOWN_TIME_US

__all__ = ["SMALLEST_STEP_US", "HostClock", "Stamps", "boot_us", "host_synchronised", "wall_us"]

SMALLEST_STEP_US = 1_000_000
LONGEST_ON_THE_WAY_US = 60_000_000  # from stamp to reception; what is further off was stamped by another clock
CLOCKS_APART_US = 60_000_000  # an adapter's own count that is so far off has drifted, or begun anew
SETTINGS_KEPT = 4
SAMPLES = 3
# Source: adjtimex(2), and Linux include/uapi/linux/timex.h.
TIME_ERROR = 5
STA_UNSYNC = 0x0040
# Counts on while the machine sleeps, so that a sleep is no step of the clock; where there is none, sleeps may look like steps.
_NEVER_SET = getattr(time, "CLOCK_BOOTTIME", getattr(time, "CLOCK_MONOTONIC", None))


def wall_us() -> int:
    """The host's clock: microseconds since 1970 UTC, if it is right."""
    return time.time_ns() // 1000


def boot_us() -> int:
    """Microseconds on a clock that is never set."""
    return (time.monotonic_ns() if _NEVER_SET is None else time.clock_gettime_ns(_NEVER_SET)) // 1000


def _distance_us() -> int:
    """Wall clock less the clock that is never set; of several looks the one that was disturbed least."""
    looks = []
    for _ in range(SAMPLES):
        before, wall, after = boot_us(), wall_us(), boot_us()
        looks.append((after - before, wall - (before + after) // 2))
        if after - before < 20:
            break
    return min(looks)[1]


class HostClock:
    """The settings of the host's clock in this run, each as its distance to the clock that is never set."""

    def __init__(self) -> None:
        self._settings_us = deque([_distance_us()], maxlen=SETTINGS_KEPT)

    def has_stepped(self) -> bool:
        """Whether the clock was set since the last look; what step_us() tells then. Slow corrections are followed."""
        distance_us = _distance_us()
        if abs(distance_us - self._settings_us[-1]) > SMALLEST_STEP_US:
            return True
        self._settings_us[-1] = distance_us
        return False

    def step_us(self) -> int:
        """By how much the clock was set since the last look, after minus before; 0 if it was not. Begins a new setting."""
        before_us = self._settings_us[-1]
        if not self.has_stepped():
            return 0
        self._settings_us.append(_distance_us())
        return self._settings_us[-1] - before_us

    @property
    def settings_us(self) -> NDArray[np.int64]:
        """The latest settings, the present one last. (k,)"""
        return np.array(self._settings_us, np.int64)


class Stamps:
    """The stamps of one open adapter, put on the host's clock: some adapters count from their own start."""

    def __init__(self, clock: HostClock) -> None:
        self._clock = clock
        self._own_start_us: int | None = None

    def settle(
        self, time_us: NDArray[np.int64], received_us: NDArray[np.int64], by_us: int = 0
    ) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Times on one setting of the host's clock, and which of them came before the step by `by_us` that was just told.

        time_us: (n,) as stamped, UNKNOWN_TIME_US where there is none. received_us: (n,) on the clock that is never set.
        Returns (n,) times: those from before the step on the setting before it, all others on the present one; and (n,)
        bool, all false without a step. Stamps of another host's clock are left as they are.
        """
        settings_us = self._clock.settings_us
        present = len(settings_us) - 1
        rest = present - 1 if by_us else present
        stamped_on = _setting_of(time_us, received_us, settings_us)
        own = (stamped_on < 0) & (time_us < EARLIEST_DATE_US)
        if own.any():
            time_us = time_us.copy()
            time_us[own] = self._dated(time_us[own], received_us[own] + settings_us[rest])
        # Frames that were on the way when the clock was set, and handed over after that was told.
        late = (stamped_on >= 0) & (stamped_on < rest)
        if late.any():
            time_us = np.where(late, time_us + settings_us[rest] - settings_us[stamped_on], time_us)
        return time_us, (stamped_on != present) if by_us else np.zeros(len(time_us), np.bool_)

    def shift(self, by_us: int) -> None:
        """Follow a step of the host's clock, once all frames from before it have been settled."""
        if self._own_start_us is not None:
            self._own_start_us += by_us

    def _dated(self, time_us: NDArray[np.int64], here_us: NDArray[np.int64]) -> NDArray[np.int64]:
        """Date and time for an adapter that counts from its own start: its spacing, the host's date. here_us: of reception."""
        unknown = time_us == UNKNOWN_TIME_US
        counted_us = np.where(unknown, 0, time_us)
        dated_us = here_us.copy()
        if unknown.all():
            return dated_us
        if self._own_start_us is None:
            first = int(np.argmin(unknown))
            self._own_start_us = int(here_us[first] - counted_us[first])
        at = 0
        while True:
            dated_us[at:] = np.where(unknown, here_us, counted_us + self._own_start_us)[at:]
            apart = np.abs(dated_us - here_us) > CLOCKS_APART_US
            if not apart.any():
                return dated_us
            at = int(np.argmax(apart))
            self._own_start_us = int(here_us[at] - counted_us[at])


def _setting_of(
    time_us: NDArray[np.int64], received_us: NDArray[np.int64], settings_us: NDArray[np.int64]
) -> NDArray[np.int64]:
    """On which setting each of n frames was stamped, as an index of settings_us; -1 where it was on none of them.

    A stamp comes before the reception. Of the settings on which it does, by no more than frames are on their way, the one
    with the shortest way is taken: longer ways than the smallest step are rare.
    """
    unknown = time_us == UNKNOWN_TIME_US
    known_us = np.where(unknown, 0, time_us)
    early_us = (
        SMALLEST_STEP_US // 2
    )  # how far a stamp may lie behind the reception, as the two clocks are not read at once
    way_us = received_us + settings_us[-1] - known_us
    if not unknown.any() and (np.abs(way_us) <= early_us).all():  # almost always
        return np.full(len(time_us), len(settings_us) - 1)
    ways_us = received_us[:, None] + settings_us - known_us[:, None]  # (n, k)
    fits = (ways_us >= -early_us) & (ways_us <= LONGEST_ON_THE_WAY_US) & ~unknown[:, None]
    lengths_us = np.where(fits, np.abs(ways_us), np.iinfo(np.int64).max)
    # Of ways that are all but equal the latest setting: a clock that was set wrong and right again is back where it was.
    alike = fits & (lengths_us - early_us <= lengths_us.min(axis=1, keepdims=True))
    latest = len(settings_us) - 1 - np.argmax(alike[:, ::-1], axis=1)
    return np.where(fits.any(axis=1), latest, -1)


class _Timex(ctypes.Structure):
    """struct timex of the C library, with room behind it for those that have more in it."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_long * 64),
    )


def host_synchronised() -> bool | None:
    """Whether the kernel says that a time service keeps its clock right; None where there is none to ask. Changes nothing.

    A kernel says so until its own estimate of the error passes 16 seconds, hours after the service was last heard of.
    """
    if not sys.platform.startswith("linux"):
        return None
    try:
        asked = _Timex()  # modes 0: look, do not touch
        state = ctypes.CDLL(None).adjtimex(ctypes.byref(asked))
    except (OSError, AttributeError):
        return None
    if state < 0:  # forbidden, in a sandbox
        return None
    return state != TIME_ERROR and not asked.status & STA_UNSYNC
