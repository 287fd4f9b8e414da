"""The logger: a bus or a pipe, logged for as long as it lasts, through cuts of power, full disks, adapters that fall off, and
clocks that are set.

It hears, journals and decodes here; a second thread writes parts (storage/durable.py). The same batch goes both ways: its
frames into the journal, its readings towards a part. Both carry the time on the axis of runclock.py.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import tzinfo
from typing import Any

import numpy as np
import pyarrow as pa

from canlevel import service
from canlevel.capture.events import BusBack, BusGone, ClockSet, Event
from canlevel.capture.hostclock import host_synchronised, wall_us
from canlevel.capture.tally import Level
from canlevel.decoding.definitions import network_messages
from canlevel.decoding.told import TIME_MESSAGES, told_times
from canlevel.identifier import carries
from canlevel.pipeline import Decoding, LogState
from canlevel.recovery import NOT_RUNNING, Recovered, decoding_context
from canlevel.runclock import Correction, RunClock
from canlevel.storage.durable import DurableWriter
from canlevel.storage.store import Store
from canlevel.storage.writer import Writer
from canlevel.tables import FRAMES, rows_at, time_column, times_us, values_of

__all__ = ["keep_logging"]

STOPPED = "canlevel was stopped before the bus came back"
LOOK_AT_THE_CLOCK_S = 10.0


def keep_logging(
    decoding: Decoding,
    store: Store,
    writer: Writer,
    recovered: Recovered,
    on_batch: Callable[[LogState], None] | None,
    *,
    zone: tzinfo | None = None,
) -> int:
    """Log until the source ends or is stopped. Returns how many readings were lost for want of room. Raises CanlevelError.

    writer: of the store, held by the caller. recovered: what was brought in before. zone: that of RV-C's clocks, if known.
    """
    run = _Run(decoding, store, writer, recovered, zone)
    service.tell_ready()
    try:
        for frames in decoding.source.batches(run.wanted):
            run.take(frames)
            if on_batch is not None:
                on_batch(run.state())
    finally:
        service.tell_stopping()
        run.close()
    return run.durable.lost


class _Run:
    """One run of the logger. wanted: the PGNs it listens for."""

    def __init__(
        self, decoding: Decoding, store: Store, writer: Writer, recovered: Recovered, zone: tzinfo | None
    ) -> None:
        self._decoding = decoding
        self._zone = zone
        self._last: pa.Table | None = None
        self._writer = writer
        context = decoding_context(decoding.roster, decoding.own, live=decoding.source.live)
        self.durable = DurableWriter(store, writer, context, self._tell)
        noted = store.last_run()
        known = [at for at in (noted.get("until_us"), recovered.last_us) if isinstance(at, int)]
        self._before_us = max(known, default=None)  # the last that a run before this one heard, until that is an outage
        self._down_to_us: int | None = None
        self._first_us: int | None = None
        self._heard_us: int | None = None
        self._gone: dict[str, BusGone] = {}
        self._look_s = self._alive_s = 0.0
        self._watchdog_s = service.watchdog_every_s()
        self._clock: RunClock | None = None
        self._tank_pgns = self.wanted = frozenset(decoding.decoder.messages)
        if decoding.source.live:
            times = TIME_MESSAGES[: 1 if zone is None else 2]
            self.wanted |= {network_messages()[name].pgn for name in times}
            self._clock = RunClock(wall_us(), newest_us=self._before_us, synchronised=host_synchronised())
            self._tell_of_the_clock()
            self._mark_clock(noted.get("clock"))

    def state(self) -> LogState:
        """How it stands."""
        decoding = self._decoding
        progress = decoding.source.progress()
        return LogState(progress, decoding.readings, self._last, self._writer.added, self.durable.waiting)

    def take(self, frames: pa.Table) -> None:
        """A batch of the source, which may be empty, and what happened with it."""
        if len(frames):
            self._hear(frames)
        for event in self._decoding.source.events():
            self._happened(event)
        now_s = time.monotonic()
        if self._clock is not None and now_s >= self._look_s:
            self._look_s = now_s + LOOK_AT_THE_CLOCK_S
            if self._clock.doubtful and host_synchronised():
                self._correct(self._clock.synchronised_now(wall_us()))
        self._mark_downtime()
        doubtful = self._clock is not None and self._clock.doubtful
        self.durable.tick(self._facts, settled=not doubtful)
        if self._watchdog_s is not None and now_s >= self._alive_s:
            self._alive_s = now_s + self._watchdog_s / 2
            service.tell_alive()
            service.tell_status(
                f"{self._decoding.tally.frames:,} frames, {self._writer.added:,} readings stored"
                + (f"; gone: {', '.join(self._gone)}" if self._gone else "")
            )

    def close(self) -> None:
        """Commit everything. Raises StoreError."""
        self._mark_downtime()
        shift_us = self._shift_us
        for gone in self._gone.values():
            if gone.last_us is not None:
                ends_us = max(wall_us(), gone.last_us) + shift_us
                why = f"{gone.why}; {STOPPED}"
                self._mark_outage(gone.last_us + shift_us, ends_us, why, gone.channel)
        facts = self._facts()
        self._mark_clock(facts.pop("clock", None))
        self.durable.close(facts | {"clock": []})

    def _hear(self, frames: pa.Table) -> None:
        clock = self._clock
        if clock is not None:
            frames = self._told(clock, frames)
            if clock.shift_us:
                shifted = time_column(times_us(frames) + clock.shift_us)
                frames = frames.set_column(0, FRAMES.field("time"), shifted)
        readings = self._decoding.decoded(frames)
        self.durable.append(frames, readings)
        if len(readings):
            self._last = readings
            time_us = times_us(readings)
            if self._first_us is None:
                self._first_us = int(time_us.min())
            self._heard_us = max(int(time_us.max()), self._heard_us or 0)

    def _told(self, clock: RunClock, frames: pa.Table) -> pa.Table:
        """The frames of tanks, after what others say about the time has been heard."""
        mine = carries(values_of(frames.column("identifier")), values_of(frames.column("flags")), self._tank_pgns)
        if mine.all():
            return frames
        told, heard_us = told_times(frames, local_zone=self._zone), times_us(frames)
        for row, source, told_us, good in zip(
            told.row.tolist(), told.source_address.tolist(), told.told_us.tolist(), told.good.tolist(), strict=True
        ):
            if good:
                self._correct(clock.told(told_us, int(heard_us[row]), source))
        return rows_at(frames, np.flatnonzero(mine))

    @property
    def _shift_us(self) -> int:
        """What is to be added to a stamp of the host's clock."""
        return 0 if self._clock is None else self._clock.shift_us

    def _happened(self, event: Event) -> None:
        if isinstance(event, BusGone):
            self._gone[event.channel] = event
        elif isinstance(event, BusBack):
            self._gone.pop(event.channel, None)
            shift_us = self._shift_us
            self._mark_outage(event.gone_since_us + shift_us, event.first_us + shift_us, event.why, event.channel)
            self.durable.hasten()  # the journal holds frames only
        elif isinstance(event, ClockSet) and self._clock is not None:
            self._correct(self._clock.set_by(event.by_us, wall_us() - event.by_us, host_synchronised()))

    def _correct(self, correction: Correction | None) -> None:
        """Move what was taken before the clock was right, and everything that remembers times."""
        clock = self._clock
        assert clock is not None
        if clock.jump_us:
            self._decoding.rates.shift(clock.jump_us)
            clock.jump_us = 0
        self._tell_of_the_clock()
        if correction is not None:
            self._first_us, self._heard_us = (
                at + correction.by_us if at is not None and correction.from_us <= at <= correction.to_us else at
                for at in (self._first_us, self._heard_us)
            )
            if self._down_to_us is not None and self._first_us is not None and self._down_to_us < self._first_us:
                self._mark_outage(self._down_to_us, self._first_us, NOT_RUNNING, None)  # it was longer than it looked
                self._down_to_us = self._first_us
            moved = self.durable.move(correction.from_us, correction.to_us, correction.by_us)
            self._tell("info", f"{moved:,} readings were moved to their time")

    def _tell_of_the_clock(self) -> None:
        assert self._clock is not None
        notes, self._clock.notes = self._clock.notes, []
        for sentence in notes:
            self._tell("info", sentence)

    def _facts(self) -> dict[str, Any]:
        """What the run notes of itself, for the next one."""
        facts: dict[str, Any] = {"rates": self._decoding.rates.state()}
        if self._decoding.source.live and self._heard_us is not None:
            facts["until_us"] = self._heard_us
        if self._clock is not None and self._heard_us is not None:
            marks = self._clock.marks(wall_us())
            facts["clock"] = [[mark.from_us, mark.to_us, mark.why, mark.shift_s] for mark in marks]
        return facts

    def _mark_clock(self, marks: Any) -> None:
        """Rows for the store's table of the clock, as a run has noted them; what is no such row is left out."""
        for mark in marks if isinstance(marks, list) else []:
            match mark:
                case [int(from_us), int(to_us), str(why), float() | int() | None as shift_s]:
                    values = {"from": from_us, "to": to_us, "why": why, "shift_s": shift_s}
                    self.durable.mark("clock", **values)

    def _mark_downtime(self) -> None:
        """What was not heard between two runs is no standstill of the tanks."""
        if not self._decoding.source.live or self._first_us is None or self._before_us is None:
            return
        # A clock that shows an earlier time is not right yet, and the downtime is told once it is.
        if self._before_us < self._first_us:
            self._mark_outage(self._before_us, self._first_us, NOT_RUNNING, None)
            self._before_us, self._down_to_us = None, self._first_us

    def _mark_outage(self, from_us: int, to_us: int, why: str, channel: str | None) -> None:
        self.durable.mark("outages", **{"from": from_us, "to": to_us, "why": why, "channel": channel})

    def _tell(self, level: Level, sentence: str) -> None:
        self._decoding.tally.tell(level, sentence)
