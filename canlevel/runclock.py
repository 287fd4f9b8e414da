"""Which readings of one run of the logger were taken before the computer's clock was right, and where in time they belong.

In: what the run learns of its clock, in the order in which it learns it: whether the operating system calls it synchronised, by
how much it was set, what devices on the bus say the time is. Out: corrections of what is stored, the shift of what comes next,
and marks for what was taken while the time was not known. No clock is read here, and nothing is stored.

All times are integer microseconds since 1970, UTC. A frame is stored at its host stamp plus `shift_us`: that is the axis. Four
things can happen to the axis when the host's clock is set:

- small: the step is what drift explains (SMALL_US, and DRIFT of the time since the clock was last set). Nothing is moved, so
  that stored times stay the host's to the microsecond; readings overlap by the step where it goes back.
- moved: what was taken in doubt, and by nothing confirmed, moves along with the clock. Order is kept.
- held: a clock set to before this program was made, or set back, by hand, behind readings whose time is confirmed, is not
  believed: the axis goes on as if nothing had happened, until something better is known.
- as it is: after readings that are in no doubt the axis follows the clock, and they stay where they are.

Sources: settimeofday(2) ends what the kernel knows of being synchronised, adjtimex(2) with ADJ_SETOFFSET does not; so a clock
that was set by hand is in doubt afterwards, and one set by a time service is not.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

__all__ = ["PLAUSIBLE_US", "Correction", "Mark", "RunClock"]

SECOND = 1_000_000
PLAUSIBLE_US = 1_767_225_600 * SECOND  # 2026-01-01: no computer has run this program before it was written
LATEST_US = PLAUSIBLE_US + 30 * 365 * 86_400 * SECOND  # a device that tells a date beyond is wrong
SMALL_US = 10 * SECOND
DRIFT = 100e-6  # of a computer's crystal in heat or frost, generously (common practice, no source)
AGREES_US = 10 * SECOND
BEHIND_US = 60 * SECOND  # the bus is followed where the host is behind by more
STEADY_US = 2 * SECOND  # from one telling to the next a device's clock advances as ours does, within this
TOLD_TIMES = 3
TWO_TIMES = "the clock was set back: readings of two times stand here"
FOLLOWED_US = 1 * SECOND  # once the axis is the bus's, differences beyond this are taken over


@dataclass(frozen=True, slots=True)
class Correction:
    """Move the readings of this run that are stored at from_us to to_us, ends included, by by_us. why: a sentence for people.

    No other readings of the run stand in that span.
    """

    from_us: int
    to_us: int
    by_us: int
    why: str


@dataclass(frozen=True, slots=True)
class Mark:
    """Readings of this run, as they are stored now, that were taken while the clock was not known to be right.

    shift_s: by how many seconds they stand away from their host stamps; None where they stand at them.
    """

    from_us: int
    to_us: int
    why: str
    shift_s: float | None


@dataclass(slots=True)
class _Witness:
    """A device that tells the time. ahead_us: of the host's clock. times: told in a row, steadily."""

    ahead_us: int
    times: int


class RunClock:
    """The clock of one run. Make it before the bus is opened; then tell it what happens, in order.

    shift_us: to be added to the host stamps of the frames that follow. jump_us: by how much the axis jumped with the last
    event, which is how far whatever remembers times (OnlineRates.shift) has to be moved. notes: sentences for the log, to be
    taken away by whoever shows them.
    """

    def __init__(self, at_us: int, *, newest_us: int | None = None, synchronised: bool | None = None) -> None:
        """at_us: the host's time at the start. newest_us: the newest time in the store. synchronised: what the operating
        system says of its clock, None where it says nothing.
        """
        self.shift_us = 0
        self.jump_us = 0
        self.notes: list[str] = []
        self._settled_us = -LATEST_US  # no reading that is not to be moved any more stands behind this
        self._marks: list[Mark] = []  # of what is not to be moved any more
        self._left_us: list[int] = []
        self._witnesses: dict[int, _Witness] = {}
        self._disputed = False
        self._begin(at_us, _doubt(at_us, newest_us, synchronised), synchronised is True and at_us >= PLAUSIBLE_US)
        if self._doubt is not None:
            self.notes.append(
                f"the time is in doubt: {self._doubt}; readings are moved when the right time becomes known"
            )

    @property
    def doubtful(self) -> bool:
        """Whether the readings that come now are in doubt as to their time."""
        return self._doubt is not None and not self._confirmed

    def set_by(self, by_us: int, at_us: int, synchronised: bool | None = None) -> Correction | None:
        """The host's clock was set by so much, when it showed at_us. synchronised: what the system says of it afterwards."""
        for witness in self._witnesses.values():
            witness.ahead_us -= by_us
        return self._host_tells(at_us + by_us, at_us + self.shift_us, synchronised)

    def synchronised_now(self, at_us: int) -> Correction | None:
        """The operating system calls its clock synchronised, when it shows at_us. May be told again and again."""
        return self._host_tells(at_us, at_us + self.shift_us, True)

    def told(self, told_us: int, heard_us: int, source_address: int = 0) -> Correction | None:
        """A device told the time. heard_us: the host stamp of the frame. Only for devices that have it from a good source.

        It is believed where the host is in doubt, from the third time on, and only forward: a clock that was not set is
        behind, and so is a receiver that has lost count of its weeks. Devices that disagree are not believed at all.
        """
        self.jump_us = 0
        if not PLAUSIBLE_US <= told_us <= LATEST_US:
            return None
        ahead_us = told_us - heard_us
        witness = self._witnesses.setdefault(source_address, _Witness(ahead_us, 0))
        witness.times = witness.times + 1 if abs(ahead_us - witness.ahead_us) <= STEADY_US else 1
        witness.ahead_us = ahead_us
        if not self._movable or witness.times < TOLD_TIMES:
            return None
        if any(abs(one.ahead_us - ahead_us) > BEHIND_US for one in self._witnesses.values() if one.times >= TOLD_TIMES):
            if not self._disputed:
                self._disputed = True
                self.notes.append("devices on the bus tell times more than a minute apart; none is believed")
            return None
        axis_us = heard_us + self.shift_us
        off_us = told_us - axis_us
        if self._by_bus and abs(off_us) <= self._explained_us(axis_us):
            if abs(off_us) > FOLLOWED_US:  # our crystal drifts, the bus's does not
                self._turn(axis_us, told_us, ahead_us, by_bus=True)
            return None
        if not self._by_bus and abs(off_us) <= AGREES_US:
            self._confirm(axis_us)
            return None
        if off_us <= BEHIND_US:
            return None
        why = f"device {source_address} on the bus says that it is {_date(told_us)} UTC, where it was {_date(axis_us)} here"
        return self._move(axis_us, told_us, ahead_us, why, by_bus=True)

    def marks(self, at_us: int) -> list[Mark]:
        """What was taken while the clock was not known to be right, up to now, when the host's clock shows at_us."""
        return [*self._marks, *self._period_marks(self._ended(at_us + self.shift_us))]

    def _host_tells(self, host_us: int, axis_us: int, synchronised: bool | None) -> Correction | None:
        """The host's clock shows host_us where the axis was at axis_us."""
        self.jump_us = 0
        step_us = host_us - axis_us
        right = synchronised is True and host_us >= PLAUSIBLE_US
        left_us = self._left_us if self._movable else [0]
        if all(abs(left + step_us) <= self._explained_us(axis_us) for left in left_us):
            self._left_us = [min(self._left_us) + step_us, 0, max(self._left_us) + step_us]
            if step_us:
                self.notes.append(
                    f"the computer's clock was set; it differs by {step_us / SECOND:+.1f} s from the time that readings went "
                    "by, which drift explains, and they stay"
                )
            if step_us or self.shift_us:
                self._turn(axis_us, host_us, 0)
            if right:
                self._confirm(host_us)
            return None
        what = f"the computer's clock was set from {_date(axis_us)} to {_date(host_us)} UTC"
        if host_us < PLAUSIBLE_US:
            self._hold(host_us, axis_us, f"{what}, which cannot be; it is not followed")
            return None
        if self._movable:
            if not right and self._from_us + step_us < self._settled_us:
                self._hold(host_us, axis_us, f"{what}, when earlier readings were taken; it is not followed")
                return None
            correction = self._move(axis_us, host_us, 0, what)
            if self._from_us < self._settled_us:
                self._marks.append(Mark(self._from_us, self._settled_us, TWO_TIMES, None))
            if right or synchronised is None:
                self._confirm(host_us)
            return correction
        if step_us < 0 and synchronised is False:
            self._hold(host_us, axis_us, f"{what}, back behind readings whose time is known; it is not followed")
            return None
        self.notes.append(f"{what}; readings taken before were in no doubt and stay")
        self._settle(axis_us)
        if step_us < 0:
            self._marks.append(Mark(host_us, axis_us, TWO_TIMES, None))
        self.shift_us, self.jump_us = 0, step_us
        doubt = "the clock was set, and is not synchronised" if synchronised is False else None
        # Frames that came between the setting and its discovery belong to what follows.
        self._begin(self._settled_us + 1 if host_us > self._settled_us else host_us, doubt, right)
        return None

    @property
    def _movable(self) -> bool:
        return self.doubtful and self._apart

    def _begin(self, from_us: int, doubt: str | None, confirmed: bool) -> None:
        """A period begins: readings that are in doubt for one reason, or in none, and move together."""
        self._from_us, self._doubt, self._confirmed = from_us, doubt, confirmed
        self._apart = from_us > self._settled_us  # else a span of time would not tell them from settled ones
        self._latest_us = -LATEST_US  # where its last reading stands, if it is not the last that was taken
        self._left_us = [
            0
        ]  # how far small steps have left readings of it from the axis: the most, either way, and the last
        self._by_bus = False
        # Its stretches of one shift each: from, to, by how much they stand away from their stamps; the last is open.
        self._stretches: list[tuple[int, int, int]] = []
        self._open_us = from_us

    def _settle(self, axis_us: int) -> None:
        """The period is over, and what it holds is not moved any more."""
        self._marks += self._period_marks(self._ended(axis_us))
        self._settled_us = max(self._settled_us, self._latest_us, axis_us)

    def _confirm(self, axis_us: int) -> None:
        """The axis is right, and so is whatever stands on it; only what has been moved stays marked."""
        if self.doubtful:
            self._stretches, self._open_us = self._ended(axis_us), axis_us
            self._confirmed = True

    def _hold(self, host_us: int, axis_us: int, note: str) -> None:
        """Go on on the axis as it is, whatever the host's clock shows."""
        self.notes.append(note)
        if not self.doubtful:
            self._settle(axis_us)
            self._begin(self._settled_us + 1, "the clock was set to a time that cannot be", False)
            self._apart = self._settled_us - axis_us <= SMALL_US
            self._go_on(axis_us, axis_us - host_us, 0, by_bus=False)
        else:
            self._turn(axis_us, axis_us, axis_us - host_us, by_bus=self._by_bus)

    def _move(self, axis_us: int, to_us: int, shift_us: int, why: str, *, by_bus: bool = False) -> Correction:
        """Move the whole period so that what was at axis_us is at to_us, where the axis goes on."""
        by_us = to_us - axis_us
        correction = Correction(self._from_us, max(self._latest_us, axis_us), by_us, why)
        self._stretches = [
            (from_us + by_us, end_us + by_us, off_us + by_us) for from_us, end_us, off_us in self._ended(axis_us)
        ]
        self._from_us += by_us
        self._latest_us = correction.to_us + by_us
        self._go_on(to_us, shift_us, by_us, by_bus)
        self.notes.append(f"{why}; readings since {_date(correction.from_us)} are moved by {by_us / SECOND:+,.1f} s")
        return correction

    def _turn(self, axis_us: int, to_us: int, shift_us: int, *, by_bus: bool = False) -> None:
        """The axis jumps from axis_us to to_us, and what follows has another shift; what was taken stays."""
        self._stretches = self._ended(axis_us)
        self._latest_us = max(self._latest_us, axis_us)
        self._from_us = max(min(self._from_us, to_us), self._settled_us + 1)
        self._go_on(to_us, shift_us, to_us - axis_us, by_bus)

    def _go_on(self, axis_us: int, shift_us: int, jump_us: int, by_bus: bool) -> None:
        self._open_us, self.shift_us, self.jump_us, self._by_bus = axis_us, shift_us, jump_us, by_bus
        if self._doubt is not None and self._apart and axis_us <= self._settled_us:
            # After a small step back a span does not tell the next readings from settled ones: they stay, too.
            self._marks.append(Mark(axis_us, self._settled_us, self._doubt, shift_us / SECOND if shift_us else None))
            self._open_us = self._settled_us + 1

    def _ended(self, axis_us: int) -> list[tuple[int, int, int]]:
        """The stretches of the period, with the open one ended."""
        if axis_us <= self._open_us:
            return self._stretches
        return [*self._stretches, (self._open_us, axis_us, self.shift_us)]

    def _period_marks(self, stretches: list[tuple[int, int, int]]) -> list[Mark]:
        if self._doubt is None:
            return []
        return [
            Mark(from_us, to_us, self._doubt, off_us / SECOND if off_us else None)
            for from_us, to_us, off_us in stretches
            if off_us or not self._confirmed
        ]

    def _explained_us(self, axis_us: int) -> int:
        """How large a step drift explains."""
        return SMALL_US + round(DRIFT * max(axis_us - self._from_us, 0))


def _doubt(at_us: int, newest_us: int | None, synchronised: bool | None) -> str | None:
    """Why the host's clock is not to be relied upon at the start, or None."""
    if at_us < PLAUSIBLE_US:
        return f"the clock shows {_date(at_us)}, which cannot be"
    if synchronised is True:
        return None  # then it is the store that holds a wrong time
    if newest_us is not None and at_us < newest_us:
        return f"the clock shows {_date(at_us)}, and the store holds readings of {_date(newest_us)}"
    return "the operating system does not call its clock synchronised" if synchronised is False else None


def _date(time_us: int) -> str:
    """A time for people: date and time of day, UTC, to the second."""
    try:
        return f"{datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=time_us):%Y-%m-%d %H:%M:%S}"
    except OverflowError:
        return f"{time_us / SECOND:.0f} s after 1970"
