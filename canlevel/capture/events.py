"""What happens to a live source besides frames: a bus goes, comes back, the host's clock is set.

All times are integer microseconds since 1970 UTC, on the host's clock as it is set at that moment.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["BusBack", "BusGone", "ClockSet", "Event"]


@dataclass(frozen=True, slots=True)
class BusGone:
    """Nothing can be heard of a bus any more. last_us: time of the last frame heard on it, None if there was none.

    why: in plain words. "silent" in it means that the bus may as well have been switched off.
    """

    channel: str
    last_us: int | None
    why: str


@dataclass(frozen=True, slots=True)
class BusBack:
    """The first frame, not merely the opening, of a bus that was gone. first_us: its time.

    gone_since_us: time of the last frame before, or when the bus was opened if there was none. why: as it was told last.
    """

    channel: str
    first_us: int
    gone_since_us: int
    why: str


@dataclass(frozen=True, slots=True)
class ClockSet:
    """The host's clock was set. by_us: after minus before; frames handed out after this event are on the new setting."""

    by_us: int


Event = BusGone | BusBack | ClockSet
