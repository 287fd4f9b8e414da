"""Live buses as one stream of batches, with what happens to them and to the host's clock on the way.

What comes in: addresses. What goes out: FRAMES tables twice a second, several buses merged as their frames arrive, no table
over two settings of the host's clock; events; a Tally.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Iterator, Sequence
from typing import Any

import numpy as np
import pyarrow as pa

from canlevel.capture.blocks import block_of
from canlevel.capture.candump import Block, frames_table
from canlevel.capture.events import ClockSet, Event
from canlevel.capture.hostclock import HostClock
from canlevel.capture.lasting import LastingBus, spoken
from canlevel.capture.live import Arrival, Bus, BusAddress, reason
from canlevel.capture.source import Progress, asked_for
from canlevel.capture.tally import Tally
from canlevel.errors import CaptureError, Place
from canlevel.tables import time_column

__all__ = ["BATCH_S", "Buses"]

POLL_S = 0.05
BATCH_S = 0.5  # what comes within it is handed out together


class Buses:
    """Live buses; see Source. reconnect: open anew what goes away."""

    live = True
    several = False

    def __init__(
        self,
        addresses: Sequence[BusAddress],
        *,
        bitrate: int,
        seconds: float | None,
        ask: bool = False,
        reconnect: bool = False,
    ) -> None:
        self.tally = Tally()
        self._seconds = seconds
        self._stopped = False
        self._clock = HostClock()
        self._events: list[Event] = []
        self._buses: list[LastingBus] = []
        self._names: list[str | None] = []
        self._heard: list[int] = []
        self._garbled: list[int] = []
        ports = [dict(address.options).get("port") for address in addresses if address.interface == "udp_multicast"]
        if len(set(ports)) < len(ports):
            # The groups of one port are heard by every listener on it (python-can 4.6.1 on Linux, seen).
            raise CaptureError(
                "two multicast groups on one port would hear each other",
                where=Place(str(addresses[0])),
                next_step="give each its own port, as in udp_multicast:239.74.163.2,port=43113",
            )

        def reopen(old: Bus) -> Bus:
            return Bus(old.address, bitrate, self.tally, self._clock, after=old, bus_off_ends=True)

        try:
            for address in addresses:
                bus = Bus(address, bitrate, self.tally, self._clock, ask=ask, bus_off_ends=reconnect)
                self._buses.append(LastingBus(bus, self.tally, reopen if reconnect else None))
                self._names.append(bus.name)
                self._heard.append(0)
                self._garbled.append(0)
        except BaseException:
            self.close()
            raise
        self._reconnect = reconnect

    def batches(self, pgns: Collection[int] | None = None) -> Iterator[pa.Table]:
        """FRAMES as they arrive; see Source."""
        for bus in self._buses:
            bus.want(pgns)
        due = time.monotonic()
        until = None if self._seconds is None else time.monotonic() + self._seconds
        while True:
            over = self._stopped or (until is not None and time.monotonic() >= until)
            if over:
                # Before the last taking, so that what arrived just before the end is still handed out.
                self._halt()
            lost = [] if self._reconnect else [bus for bus in self._buses if bus.calls]
            now = time.monotonic()
            # A clock that was set is seen at once, so that few frames can be on the way meanwhile.
            stepped = self._clock.has_stepped()
            if over or lost or stepped or now >= due or any(bus.calls for bus in self._buses):
                due = now + BATCH_S
                yield from self._round(pgns, over=over)
            if over:
                return
            if lost:
                gone = lost[0].bus.lost
                assert gone is not None
                raise CaptureError(
                    f"the bus is gone ({reason(gone)})",
                    where=Place(str(lost[0].address)),
                    next_step="check the adapter and its cable, and start again",
                )
            time.sleep(POLL_S)

    def events(self) -> list[Event]:
        events, self._events = self._events, []
        return events

    def progress(self) -> Progress:
        return Progress(0, None, self.tally.frames)

    def stop(self) -> None:
        # A plain flag: this may run in a signal handler, where taking a lock could wait for ever.
        self._stopped = True

    def close(self) -> None:
        self._halt()

    def _halt(self) -> None:
        for bus in self._buses:
            bus.stop()
        for bus in self._buses:
            bus.halt()

    def _round(self, pgns: Collection[int] | None, *, over: bool) -> Iterator[pa.Table]:
        """What has arrived on all buses since the last round: one table, or two where the clock was set in between."""
        frames = self.tally.frames
        taken: list[tuple[int, Bus, list[Arrival]]] = []
        for at, lasting in enumerate(self._buses):
            self._count(at, lasting.bus)
            taken += [(at, bus, arrived) for bus, arrived in lasting.take() if arrived]
        # After the taking: no frame that was taken can have been stamped on a setting that is not known here.
        by_us = self._clock.step_us()
        before, after = [], []
        for at, bus, arrived in taken:
            # What a driver calls its channel is up to it; here it has the name the user gave.
            block = block_of([arrival.message for arrival in arrived], _always(at), 1)
            block.line[:] = [arrival.number for arrival in arrived]
            received_us = np.array([arrival.received_us for arrival in arrived], np.int64)
            block.time_us, earlier = bus.stamps.settle(block.time_us, received_us, by_us)
            if by_us:
                before.append(asked_for(block.rows(earlier), pgns))
                block = block.rows(~earlier)
            after.append(asked_for(block, pgns))
        if by_us:
            for lasting in self._buses:
                lasting.shift(by_us)
            self._events.append(ClockSet(by_us))
            way = "forward" if by_us > 0 else "back"
            self.tally.tell("info", f"the host's clock was set {way} by {spoken(by_us)}")
            yield self._table(before)
        events, fault = self._watch()
        self._events += events
        if not over or events or self.tally.frames > frames or any(len(block.line) for block in after):
            yield self._table(after)
        if fault is not None:
            raise fault

    def _watch(self) -> tuple[list[Event], CaptureError | None]:
        events: list[Event] = []
        fault = None
        for bus in self._buses:
            try:
                bus.watch(time.monotonic())
            except CaptureError as error:  # told once what was heard has been handed out
                fault = error
            events += bus.events
            bus.events.clear()
        return events, fault

    def _table(self, blocks: Sequence[Block]) -> pa.Table:
        block = blocks[0] if len(blocks) == 1 else Block.joined(blocks) if blocks else Block.sized(0)
        return frames_table(block, self._names, time_column(block.time_us))

    def _count(self, at: int, bus: Bus) -> None:
        frames, garbled = bus.frames, bus.garbled
        self.tally.frames += frames - self._heard[at]
        if garbled > self._garbled[at]:
            self.tally.skipped += garbled - self._garbled[at]
            self.tally.first_skipped = self.tally.first_skipped or Place(str(bus.address))
        self._heard[at], self._garbled[at] = frames, garbled


def _always(code: int) -> Callable[[Any], int]:
    return lambda _: code
