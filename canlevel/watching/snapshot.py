"""What there is to see at one moment, as plain values: tanks, buses, findings. Made by Watched, shown by board.py."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["BusSight", "Message", "Playing", "Remark", "Snapshot", "TankSight"]

NONE_YET = np.zeros(0)


@dataclass(frozen=True, slots=True)
class TankSight:
    """One tank as one device sends it on one bus, or one of the roster that was not heard yet (source_address is None).

    level_pct, volume_l: null unless the last reading carried a number. rate_*: litres a minute with their 95 % limits, None
    where they are not known. rate_pct: the same three in percent a minute, of a tank of which nobody says what it holds.
    age_s: since its last reading. silent: it should have spoken again long ago. status: the last reading's. alarms: sentences
    about the owner's limits that are crossed. low_pct, high_pct: those limits.
    at_s, past_pct: (n,) its level lately, on the axis of Snapshot.now_s. told_apart: what its name alone does not tell, as
    there is another of that name.
    """

    name: str
    tank: str
    fluid: str
    source_address: int | None = None
    channel: str | None = None
    level_pct: float | None = None
    volume_l: float | None = None
    capacity_l: float | None = None
    rate_l_per_min: float | None = None
    rate_low: float | None = None
    rate_high: float | None = None
    rate_pct: tuple[float, float, float] | None = None
    age_s: float | None = None
    silent: bool = False
    status: str = "ok"
    alarms: tuple[str, ...] = ()
    low_pct: float | None = None
    high_pct: float | None = None
    at_s: NDArray[np.float64] = field(default_factory=lambda: NONE_YET)
    past_pct: NDArray[np.float64] = field(default_factory=lambda: NONE_YET)
    told_apart: str = ""

    @property
    def heard(self) -> bool:
        """Whether anything was heard of it."""
        return self.source_address is not None


@dataclass(frozen=True, slots=True)
class BusSight:
    """One bus over the last seconds. load_least_pct, load_most_pct: of its bit rate, without stuff bits and with the most that
    there can be. devices: addresses heard so far; silent_devices: how many of them have said nothing for a while.

    quiet_s: since its last frame, None before the first. gone: why it cannot be heard, where the adapter or the network went.
    """

    channel: str | None
    frames: int
    frames_per_s: float
    load_least_pct: float
    load_most_pct: float
    devices: int
    silent_devices: int
    quiet_s: float | None
    gone: str | None = None


@dataclass(frozen=True, slots=True)
class Remark:
    """A finding as it arose. since: the clock when it did. over: it was so, and is no longer seen."""

    code: str
    severity: str
    tank: str | None
    source_address: int | None
    summary: str
    since: str
    over: bool = False


@dataclass(frozen=True, slots=True)
class Message:
    """Something that happened to the bus or the recording. clock: when."""

    clock: str
    grave: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class Playing:
    """A recording being played. position_s: how far; length_s: of how much, None while it is not read to its end."""

    speed: float
    paused: bool
    position_s: float
    length_s: float | None


@dataclass(frozen=True, slots=True)
class Snapshot:
    """All there is to see. title: the vessel or the source. clock: its time in words, "" where the frames do not tell any.

    now_s: seconds on an axis that goes on, also while nothing is heard. heard_s: since the first frame, or since the bus was
    opened. examined: whether findings were looked for already. explanation: Explanation.to_dict() of the last look.
    """

    title: str
    clock: str
    now_s: float
    heard_s: float
    live: bool
    ended: bool
    frames: int
    readings: int
    tanks: tuple[TankSight, ...]
    buses: tuple[BusSight, ...]
    protocols: tuple[str, ...]
    remarks: tuple[Remark, ...]
    examined: bool
    messages: tuple[Message, ...]
    explanation: Mapping[str, Any] | None = None
    heard_words: tuple[str, ...] = ()
    playing: Playing | None = None
