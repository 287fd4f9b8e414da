"""A live bus that is opened again whenever it goes: unplugged, its interface down, bus-off, or a driver fallen silent.

What comes in: one open Bus. What goes out: what arrives on it and on all that follow it, and events. Nothing here waits:
opening and closing are the business of a thread, of which there is one while the bus is gone and none otherwise.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Collection
from dataclasses import dataclass
from statistics import median_low

import numpy as np

import canlevel.capture.hostclock as hostclock
from canlevel.capture.blocks import microseconds
from canlevel.capture.events import BusBack, BusGone, Event
from canlevel.capture.live import CLOSING_S, Arrival, Bus, BusAddress, reason
from canlevel.capture.tally import Tally
from canlevel.errors import CaptureError, Place

__all__ = ["PATIENCE", "LastingBus", "Patience", "spoken"]

MOST_HANGING = 20  # calls of drivers that never return are left to themselves, but not without end


@dataclass(frozen=True, slots=True)
class Patience:
    """How a bus that went away is waited for, in seconds.

    pauses_s: before each attempt to open it, the last one again and again; they begin anew once it has been heard for
    heard_well_s. silence_s: the least silence that counts as gone, and the one for a bus whose rhythm is not known yet is
    first_silence_s. usual_gaps: so many times its usual longest gap. longest_silence_s: it counts as gone after that in any
    case. silent_still_s: a bus that stays silent is opened again ever less often, but as often as that. hanging_s: an opening
    that takes longer is given up.
    """

    pauses_s: tuple[float, ...] = (1.0, 2.0, 4.0, 8.0, 16.0, 30.0)
    heard_well_s: float = 10.0
    silence_s: float = 10.0
    first_silence_s: float = 60.0
    usual_gaps: float = 20.0
    longest_silence_s: float = 3600.0
    silent_still_s: float = 300.0
    hanging_s: float = 60.0

    def pause_s(self, attempt: int) -> float:
        """Before an attempt, counted from 0."""
        return self.pauses_s[min(attempt, len(self.pauses_s) - 1)]


PATIENCE = Patience()


class Rhythm:
    """The usual longest gap of a bus: the middle one of the longest gaps of its latest minutes.

    The middle, so that a night in which it was switched off does not make it patient for days.
    """

    WINDOW_S = 60.0
    WINDOWS = 15

    def __init__(self) -> None:
        self._longest_s: deque[float] = deque(maxlen=self.WINDOWS)
        self._last_s: float | None = None
        self._began_s = 0.0
        self._so_far_s = 0.0

    def heard(self, now_s: float) -> None:
        """Something was heard since the last look."""
        if self._last_s is None:
            self._began_s, self._so_far_s = now_s, 0.0
        else:
            self._so_far_s = max(self._so_far_s, now_s - self._last_s)
        self._last_s = now_s
        if now_s - self._began_s >= self.WINDOW_S:
            self._longest_s.append(self._so_far_s)
            self._began_s, self._so_far_s = now_s, 0.0

    def interrupt(self) -> None:
        """What comes next is no gap of the bus."""
        self._last_s = None

    @property
    def gap_s(self) -> float | None:
        """The usual longest gap, None before the first minute is over."""
        return median_low(self._longest_s) if self._longest_s else None


class _Opening:
    """The work of one thread: close a bus, then open it until that succeeds.

    opened: the new one, once there is one. attempt: how many failed in this outage. why: the last one did.
    """

    def __init__(
        self, old: Bus, reopen: Callable[[Bus], Bus], patience: Patience, attempt: int, *, at_once: bool
    ) -> None:
        self.opened: Bus | None = None
        self.attempt = attempt
        self.why: str | None = None
        self._old, self._reopen, self._patience, self._at_once = old, reopen, patience, at_once
        self._trying_since_s: float | None = None
        self._given_up = threading.Event()
        self._handing_over = threading.Lock()
        self._thread = threading.Thread(target=self._work, name=f"canlevel opens {old.address}", daemon=True)
        self._thread.start()

    def _work(self) -> None:
        self._old.halt()
        pause_s = 0.0 if self._at_once else self._patience.pause_s(self.attempt)
        while not self._given_up.wait(pause_s):
            self._trying_since_s = time.monotonic()
            try:
                bus = self._reopen(self._old)
            except BaseException as error:  # drivers raise what they like, also SystemExit
                # The words alone: the error would keep what was half opened.
                self.why = reason(error)
                bus = None
            self._trying_since_s = None
            if pause_s:
                self.attempt += 1
            pause_s = self._patience.pause_s(self.attempt)
            if bus is None:
                continue
            with self._handing_over:
                given_up = self._given_up.is_set()
                if not given_up:
                    self.opened = bus
            if given_up:
                bus.halt()
            return

    def give_up(self) -> None:
        """End soon; what it opens from now on, it closes."""
        with self._handing_over:
            self._given_up.set()

    def join(self, timeout_s: float) -> None:
        """Wait for its end, but not for ever."""
        self._thread.join(timeout_s)

    def takes_s(self, now_s: float) -> float:
        """For how long the present attempt has been going on."""
        since_s = self._trying_since_s
        return 0.0 if since_s is None else now_s - since_s

    @property
    def hangs(self) -> bool:
        """Whether it was given up and has not ended."""
        return self._given_up.is_set() and self._thread.is_alive()


class LastingBus:
    """One bus for as long as somebody listens. Without `reopen` it is open once, and stays lost when it is lost.

    take(), then watch(), again and again, by one thread. events: what happened, for whoever takes it from there.
    """

    def __init__(self, bus: Bus, tally: Tally, reopen: Callable[[Bus], Bus] | None) -> None:
        self.bus = bus
        self.events: list[Event] = []
        self._tally = tally
        self._reopen = reopen
        self._patience = PATIENCE
        self._rhythm = Rhythm()
        self._opening: _Opening | None = None
        self._halted = False
        self._hanging: list[Bus | _Opening] = []
        self._attempt = 0
        self._rest: list[tuple[Bus, list[Arrival]]] = []  # of the bus as it was open before, not yet taken
        self._drained = False  # it has ended, and all that arrived has been taken
        self._noticed: Arrival | None = None
        self._last_us: int | None = None
        self._opened_us = hostclock.wall_us()
        self._gone_since_us: int | None = None
        self._why = ""
        self._opened_anew = False
        self._quiet_since_s: float | None = None
        self._back_since_s: float | None = None
        self._silences = 0

    @property
    def address(self) -> BusAddress:
        """What it was opened by."""
        return self.bus.address

    @property
    def calls(self) -> bool:
        """Whether take() and watch() have something to do at once."""
        return self.bus.ended if self._opening is None else self._opening.opened is not None

    def want(self, pgns: Collection[int] | None) -> None:
        """Keep only frames whose identifier carries one of these PGNs from now on; None keeps all."""
        self.bus.want(pgns)

    def take(self) -> list[tuple[Bus, list[Arrival]]]:
        """What has arrived since the last call, in its order, with the bus as it was open then."""
        self._drained = self.bus.ended
        rest, self._rest = self._rest, []
        return [*rest, (self.bus, self.bus.take())]

    def watch(self, now_s: float) -> None:
        """Notice that the bus went or came back, and see to it that it is opened again. now_s: on time.monotonic().

        Raises CaptureError when so many drivers hang that only a new start of the program helps.
        """
        if self._reopen is None:
            return
        self._notice(now_s)
        if self._halted:
            return
        if self._opening is not None:
            self._see_to(self._opening, now_s)
        elif self.bus.ended:
            if self._drained:
                assert self.bus.lost is not None
                self._went(reason(self.bus.lost))
                self._rhythm.interrupt()
                self._open(at_once=False)
        elif self._quiet_since_s is not None and now_s - self._quiet_since_s >= self._longest_quiet_s():
            quiet = spoken((now_s - self._quiet_since_s) * 1e6)
            self._silences += 1
            self._went(f"no frame was heard for {quiet}: the bus was silent, or the adapter stalled")
            # Without a pause: a bus that was only silent may speak at any moment.
            self._open(at_once=True)

    def shift(self, by_us: int) -> None:
        """Follow a step of the host's clock, once all that came before it has been settled."""
        for bus in (self.bus, *(bus for bus, _ in self._rest)):
            bus.stamps.shift(by_us)
        self._opened_us += by_us
        self._last_us = None if self._last_us is None else self._last_us + by_us
        self._gone_since_us = None if self._gone_since_us is None else self._gone_since_us + by_us

    def stop(self) -> None:
        """Ask all threads to end; returns at once."""
        self._halted = True
        self.bus.stop()
        if self._opening is not None:
            self._opening.give_up()
            if self._opening.opened is not None:
                self._opening.opened.stop()

    def halt(self) -> None:
        """End all threads and let the adapter go; what has arrived until now can still be taken."""
        self.stop()
        self.bus.halt()
        opening, self._opening = self._opening, None
        if opening is not None:
            opening.join(CLOSING_S)
            if opening.opened is not None:
                opening.opened.halt()
                self._replace(opening.opened)

    def _notice(self, now_s: float) -> None:
        """Whether a frame has come since the last look."""
        last = self.bus.last
        if last is None or last is self._noticed:
            return
        first = self.bus.first if self._opened_anew else last
        self._noticed, self._opened_anew = last, False
        self._last_us = self._time_us(last)
        self._rhythm.heard(now_s)
        self._quiet_since_s = now_s
        self._silences = 0
        if self._gone_since_us is not None:
            assert first is not None
            first_us, since_us = self._time_us(first), self._gone_since_us
            self.events.append(BusBack(self.bus.name, first_us, since_us, self._why))
            self._tally.tell("info", f"{self.address}: the bus is back after {spoken(first_us - since_us)}")
            self._gone_since_us = None
            self._back_since_s = now_s
        elif self._back_since_s is not None and now_s - self._back_since_s >= self._patience.heard_well_s:
            self._back_since_s, self._attempt = None, 0

    def _longest_quiet_s(self) -> float:
        """How long it may be silent before it counts as gone."""
        patience, gap_s = self._patience, self._rhythm.gap_s
        usual_s = patience.first_silence_s if gap_s is None else patience.usual_gaps * gap_s
        quiet_s = min(max(patience.silence_s, usual_s), patience.longest_silence_s)
        # Opened again for its silence and silent still: ever less often.
        return min(quiet_s * 2.0 ** min(self._silences, 20), max(quiet_s, patience.silent_still_s))

    def _went(self, why: str) -> None:
        # What made it go is told to the end; of a silence the attempts to open it may tell more.
        if self._gone_since_us is None or self._silences:
            self._why = why
        if self._gone_since_us is None:
            self._gone_since_us = self._opened_us if self._last_us is None else self._last_us
            self.events.append(BusGone(self.bus.name, self._last_us, why))
            self._tally.tell("warning", f"{self.address}: the bus is gone: {why}; opening it again until it is back")

    def _open(self, *, at_once: bool) -> None:
        assert self._reopen is not None
        self._hanging = [one for one in self._hanging if one.hangs]
        if len(self._hanging) > MOST_HANGING:
            raise CaptureError(
                f"its driver hangs, {len(self._hanging)} times over",
                where=Place(str(self.address)),
                next_step="start this program again; nothing less frees the driver",
            )
        self._opened_anew = False
        self._opening = _Opening(self.bus, self._reopen, self._patience, self._attempt, at_once=at_once)

    def _see_to(self, opening: _Opening, now_s: float) -> None:
        self._attempt = opening.attempt
        if opening.opened is not None:
            self._notice(now_s)
            self._replace(opening.opened)
            self._opening = None
            self._opened_anew = True
            self._quiet_since_s = now_s
        elif opening.takes_s(now_s) > self._patience.hanging_s:
            self._went("opening the adapter does not come to an end")
            opening.give_up()
            self._hanging.append(opening)
            self._open(at_once=False)
        elif opening.why is not None:
            self._went(opening.why)

    def _replace(self, opened: Bus) -> None:
        if self.bus.hangs:
            self._hanging.append(self.bus)
        self._rest.append((self.bus, self.bus.take()))
        self.bus = opened

    def _time_us(self, arrival: Arrival) -> int:
        stamp_us = microseconds(np.array([arrival.message.timestamp]))
        settled_us, _ = self.bus.stamps.settle(stamp_us, np.array([arrival.received_us], np.int64))
        return int(settled_us[0])


def spoken(duration_us: float) -> str:
    """A duration for people, in the largest unit of which there are two."""
    seconds = abs(duration_us) / 1e6
    for unit, size in (("years", 365.25 * 86400), ("days", 86400), ("h", 3600), ("min", 60)):
        if seconds >= 2 * size:
            return f"{seconds / size:,.1f} {unit}"
    return f"{seconds:.1f} s"
