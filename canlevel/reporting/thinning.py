"""Levels thinned for a picture: of each stretch of time the first, the last, the lowest and the highest reading.

Nothing is averaged: every point of a thinned line is a reading that was made, and no peak is lost. With stretches no wider
than a pixel the line is drawn as all readings would have drawn it. Source: U. Jugel, Z. Jerzak, G. Hackenbroich, V. Markl,
"M4: a visualization-oriented time series data aggregation", Proc. VLDB Endowment 7(10), 2014 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = ["LevelBins", "Points"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

UNTOLD = np.iinfo(np.int64).min


@dataclass(frozen=True, slots=True)
class Points:
    """A line to draw. time_us: (n,) rising. level_pct: (n,), nan where the line is interrupted."""

    time_us: Ints
    level_pct: Floats

    def __len__(self) -> int:
        return len(self.time_us)

    def thinned(self, begin_us: int, width_us: int, count: int) -> Points:
        """The same line by the first, last, lowest and highest point of each of `count` stretches; those of LevelBins.

        It is interrupted where it was: points far apart are no silence here, as those on a level line were left out.
        """
        bins, told = LevelBins(begin_us, width_us, count), ~np.isnan(self.level_pct)
        bins.add(self.time_us[told], self.level_pct[told])
        return _line(*bins.kept(), self.time_us[~told])


@dataclass(slots=True)
class LevelBins:
    """Readings of one tank put by in `count` stretches of `width_us`, the first of which begins at `begin_us`.

    They may come in batches, in any order of batches; what is kept does not grow with them.
    """

    begin_us: int
    width_us: int
    count: int
    readings: Ints = field(init=False)  # (count,) readings with a level in each
    first: tuple[Ints, Floats] = field(init=False)  # (count,) times and levels; where readings is 0 they mean nothing
    last: tuple[Ints, Floats] = field(init=False)
    lowest: tuple[Ints, Floats] = field(init=False)
    highest: tuple[Ints, Floats] = field(init=False)

    def __post_init__(self) -> None:
        n = self.count
        self.readings = np.zeros(n, np.int64)
        self.first = np.full(n, np.iinfo(np.int64).max), np.zeros(n)
        self.last = np.full(n, UNTOLD), np.zeros(n)
        self.lowest = np.zeros(n, np.int64), np.full(n, np.inf)
        self.highest = np.zeros(n, np.int64), np.full(n, -np.inf)

    @property
    def total(self) -> int:
        """Readings that were put by."""
        return int(self.readings.sum())

    def add(self, time_us: Ints, level_pct: Floats) -> None:
        """Put n readings by. time_us: (n,) rising, level_pct: (n,), no nan. What lies outside all stretches is passed over."""
        place = (time_us - self.begin_us) // self.width_us
        inside = (place >= 0) & (place < self.count)
        if not inside.all():
            place, time_us, level_pct = place[inside], time_us[inside], level_pct[inside]
        if not len(place):
            return
        starts = np.flatnonzero(np.diff(place, prepend=-1))
        ends = np.append(starts[1:], len(place)) - 1
        bins = place[starts]
        self.readings[bins] += ends - starts + 1
        _keep(self.first, bins, time_us[starts], level_pct[starts], time_us[starts] < self.first[0][bins])
        _keep(self.last, bins, time_us[ends], level_pct[ends], time_us[ends] >= self.last[0][bins])
        which = np.repeat(np.arange(len(bins)), ends - starts + 1)
        for kept, least in ((self.lowest, True), (self.highest, False)):
            extreme = (np.minimum if least else np.maximum).reduceat(level_pct, starts)
            rows = np.flatnonzero(level_pct == extreme[which])
            at = rows[
                np.searchsorted(which[rows], np.arange(len(bins)))
            ]  # the first reading that is so low, or so high
            better = extreme < kept[1][bins] if least else extreme > kept[1][bins]
            _keep(kept, bins, time_us[at], extreme, better)

    def kept(self) -> tuple[Ints, Floats]:
        """(times, levels) of the readings that were kept, in the order of time."""
        used = np.flatnonzero(self.readings)
        four = (self.first, self.lowest, self.highest, self.last)
        time_us = np.concatenate([times[used] for times, _ in four])
        level_pct = np.concatenate([levels[used] for _, levels in four])
        order = np.argsort(time_us, kind="stable")
        return time_us[order], level_pct[order]

    def points(self, silence_s: float) -> Points:
        """The line through what was kept, interrupted where nothing was heard for longer than `silence_s`."""
        used = np.flatnonzero(self.readings)
        # A silence lies between the last reading of one stretch and the first of the next that has any.
        ends_us, begins_us = self.last[0][used][:-1], self.first[0][used][1:]
        silent = begins_us - ends_us > silence_s * 1e6
        return _line(*self.kept(), (ends_us[silent] + begins_us[silent]) // 2)


def _line(time_us: Ints, level_pct: Floats, breaks_us: Ints) -> Points:
    """The line through n readings in the order of time, interrupted at some times.

    Of points at one level in a row the first and the last are enough for the same line.
    """
    if not len(time_us):
        return Points(time_us, level_pct)
    new = np.ones(len(time_us), np.bool_)
    # Two readings of one moment both count where they tell different levels.
    new[1:] = (time_us[1:] != time_us[:-1]) | (level_pct[1:] != level_pct[:-1])
    time_us, level_pct = time_us[new], level_pct[new]
    behind = np.searchsorted(time_us, breaks_us)
    inside = (behind > 0) & (behind < len(time_us))
    behind, first = np.unique(behind[inside], return_index=True)
    breaks_us = breaks_us[inside][first]
    flat = np.zeros(len(time_us), np.bool_)
    flat[1:-1] = (level_pct[1:-1] == level_pct[:-2]) & (level_pct[1:-1] == level_pct[2:])
    flat[behind] = flat[behind - 1] = False
    at = np.cumsum(~flat)[behind] - 1
    return Points(np.insert(time_us[~flat], at, breaks_us), np.insert(level_pct[~flat], at, np.nan))


def _keep(kept: tuple[Ints, Floats], bins: Ints, time_us: Ints, level_pct: Floats, better: NDArray[np.bool_]) -> None:
    times, levels = kept
    times[bins[better]], levels[bins[better]] = time_us[better], level_pct[better]
