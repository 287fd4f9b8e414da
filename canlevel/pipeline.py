"""The main job put together: a SOURCE through decoding, roster and rates, to a person, a table or a store.

A recording and a bus take the same path; nothing here can tell them apart but by `source.live`.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from pathlib import Path

import numpy as np
import pyarrow as pa

from canlevel.capture.source import Progress, Source, open_source
from canlevel.capture.tally import Tally
from canlevel.decoding.definitions import load_dbc
from canlevel.decoding.messages import Message
from canlevel.decoding.tanks import TankDecoder
from canlevel.derivation.online import OnlineRates
from canlevel.errors import CanlevelError, StoreError
from canlevel.recovery import WAIT_FOR_OTHERS_S, Recovered, bring_in
from canlevel.roster import Roster, TankEntry, load_roster
from canlevel.storage.commit import as_store_error
from canlevel.storage.store import Store, create_store
from canlevel.storage.writer import Writer
from canlevel.tables import (
    READINGS,
    UNKNOWN_TIME_US,
    as_sent,
    codes_of,
    distinct,
    empty,
    first_of_each,
    rows_at,
    times_us,
    values_of,
)

__all__ = ["Decoding", "LogState", "LogSummary", "collect", "log_source", "open_decoding"]

MOST_TO_DERIVE = 80_000  # new readings whose flows are derived at once; of more they are when they are asked for


@dataclass(slots=True)
class Decoding:
    """A SOURCE being decoded. readings and malformed count what came out; source.tally what came in. own: a user's messages.

    for_store: what is decoded is to be stored, and comes as KEPT.
    on_readings: is given READINGS of each batch that has some, as they are known then. on_frames: is given FRAMES of each batch
    that has some, before they are decoded. heard_until_us: the latest time of any
    frame, where every frame is read.
    """

    source: Source
    roster: Roster
    decoder: TankDecoder
    own: tuple[Message, ...] = ()
    readings: int = 0
    malformed: int = 0
    for_store: bool = False
    on_readings: Callable[[pa.Table], None] | None = None
    on_frames: Callable[[pa.Table], None] | None = None
    heard_until_us: int | None = None
    _heard: set[tuple[str, int]] = field(default_factory=set)
    _rates: OnlineRates = field(default_factory=OnlineRates)

    def __post_init__(self) -> None:
        self._rates = OnlineRates(self.roster)

    @property
    def tally(self) -> Tally:
        return self.source.tally

    def batches(self, *, every_frame: bool = False) -> Iterator[pa.Table]:
        """READINGS, batch by batch as the source delivers; batches without a tank frame come as empty tables.

        every_frame: read also frames that are no tank's, for heard_until_us.
        """
        for frames in self.source.batches(None if every_frame else self.decoder.messages):
            if every_frame and len(frames):
                latest_us = int(times_us(frames).max())
                if latest_us != UNKNOWN_TIME_US:
                    self.heard_until_us = max(latest_us, self.heard_until_us or latest_us)
            yield self.decoded(frames)

    def decoded(self, frames: pa.Table) -> pa.Table:
        """READINGS of the next batch of the source. frames: FRAMES."""
        if len(frames) and self.on_frames is not None:
            self.on_frames(frames)
        readings = self.decoder.decode(frames)
        if self.for_store:
            readings = as_sent(readings)
        readings = self._rates.add(self.roster.apply(readings))
        self.readings += len(readings)
        self.malformed += _count(readings, "malformed")
        if len(readings) and self.roster.tanks:
            self._heard.update(_tanks_and_sources(readings))
        if len(readings) and self.on_readings is not None:
            self.on_readings(readings)
        return readings

    @property
    def rates(self) -> OnlineRates:
        """The rates as they stand after the last batch."""
        return self._rates

    def not_heard(self) -> list[TankEntry]:
        """Tanks of the roster that no reading so far belongs to."""
        entries = {self.roster.entry(tank, source) for tank, source in self._heard}
        return [entry for entry in self.roster.tanks if entry not in entries]


def open_decoding(
    sources: str | Path | Iterable[str | Path],
    *,
    roster: Roster | str | Path | None = None,
    vessel: str | None = None,
    dbc: str | Path | Iterable[str | Path] = (),
    start: datetime | str | None = None,
    bitrate: int = 250_000,
    seconds: float | None = None,
    need_dates: bool = False,
    reconnect: bool = False,
) -> Decoding:
    """Open SOURCEs for decoding; the arguments are those of open_source, and besides

    roster: a Roster or the path of one. vessel: its name, before the roster's. dbc: a user's own DBC files.
    """
    if not isinstance(roster, Roster):
        roster = load_roster(roster) if roster is not None else Roster()
    if vessel is not None:
        roster = Roster(vessel, roster.tanks)
    paths = [dbc] if isinstance(dbc, str | Path) else dbc
    own = tuple(message for path in paths for message in load_dbc(path))
    decoder = TankDecoder(own)
    source = open_source(
        sources, start=start, bitrate=bitrate, seconds=seconds, need_dates=need_dates, reconnect=reconnect
    )
    return Decoding(source, roster, decoder, own)


def collect(
    decoding: Decoding, on_batch: Callable[[Progress], None] | None = None, *, every_frame: bool = False
) -> pa.Table:
    """All readings of a source as one table; it is closed at the end. every_frame: as in Decoding.batches().

    Of several recordings that overlap each reading comes once, as in a store.
    """
    tables = []
    try:
        for readings in decoding.batches(every_frame=every_frame):
            if len(readings):
                tables.append(readings)
            if on_batch is not None:
                on_batch(decoding.source.progress())
    finally:
        decoding.source.close()
    if not tables:
        return empty(READINGS)
    readings = pa.concat_tables(tables).unify_dictionaries().combine_chunks()
    return rows_at(readings, np.flatnonzero(first_of_each(readings))) if decoding.source.several else readings


@dataclass(frozen=True, slots=True)
class LogSummary:
    """What one run of `log` did. added: readings that were new; known: readings that the store had already.

    recovered: readings from the journal of a run that had not ended in order. lost: readings there was no room for.
    """

    store: Store
    frames: int
    readings: int
    malformed: int
    added: int
    known: int
    seconds: float
    tally: Tally
    recovered: int = 0
    lost: int = 0


@dataclass(frozen=True, slots=True)
class LogState:
    """How a running `log` stands, for a progress bar or a status line. last: the newest batch that held readings.

    stored, waiting: readings in parts, and in the journal only.
    """

    progress: Progress
    readings: int
    last: pa.Table | None
    stored: int = 0
    waiting: int = 0


def log_source(
    decoding: Decoding,
    store: str | Path,
    *,
    on_batch: Callable[[LogState], None] | None = None,
    zone: tzinfo | None = None,
) -> LogSummary:
    """Append the readings of a source to the store at a path, made if it is not there. The same recording twice adds nothing.

    A bus or a pipe is logged until its source is stopped or ends. What it says is on the disk within a second, in a journal,
    and within a minute in a part. A recording can be read again: its readings go into parts only.
    zone: the time zone of RV-C's clocks, by which a bus may tell the time.
    Then the stored flows are brought up to date, but for more than some hours of readings, whose flows are derived when they
    are asked for: who switches off waits for nothing.
    Raises CaptureError, StoreError; what was read before is stored.
    """
    began = time.monotonic()
    decoding.for_store = True
    target = create_store(store, vessel=decoding.roster.vessel)
    if decoding.roster.vessel is None and target.vessel is not None:
        decoding.roster = Roster(target.vessel, decoding.roster.tanks)
    writer: Writer | None = None
    recovered = Recovered()
    lost = 0
    try:
        with target.writing(wait_s=WAIT_FOR_OTHERS_S) as writer:
            if target.left_undone:
                recovered = _recover(decoding, target, writer)
            if decoding.roster.tanks:
                _note_roster(decoding, target)
            before, known = writer.added, writer.known
            with suppress(ValueError):  # rates begin anew then, as in a new store
                decoding.rates.restore(target.last_run().get("rates", []))
            if decoding.source.progress().total is None:
                from canlevel.logger import keep_logging

                lost = keep_logging(decoding, target, writer, recovered, on_batch, zone=zone)
            else:
                _log_recording(decoding, target, writer, on_batch)
        added = writer.added - before
        if 0 < writer.added <= MOST_TO_DERIVE:
            from canlevel.history import bring_flows_up_to_date  # it takes longer than reading a small recording

            bring_flows_up_to_date(target)
    except CanlevelError as error:
        if writer is not None:
            error.add_note(f"{writer.added:,} new readings were stored before that.")
        raise
    finally:
        decoding.source.close()
    return LogSummary(
        store=target,
        frames=decoding.tally.frames,
        readings=decoding.readings,
        malformed=decoding.malformed,
        added=added,
        known=writer.known - known,
        seconds=time.monotonic() - began,
        tally=decoding.tally,
        recovered=recovered.readings,
        lost=lost,
    )


def _recover(decoding: Decoding, target: Store, writer: Writer) -> Recovered:
    """Bring in what an earlier run left, and say so. A bus is logged even if the disk takes nothing yet."""
    try:
        recovered = bring_in(target, writer)
    except StoreError as error:
        if not decoding.source.live:
            raise
        decoding.tally.note(f"what an earlier run left in its journal stays there for now: {error.what}")
        return Recovered()
    decoding.tally.note(
        f"an earlier run did not end in order: {recovered.readings:,} readings of it were in its journal, and are stored now"
    )
    return recovered


def _note_roster(decoding: Decoding, target: Store) -> None:
    """Let the store remember the roster. A bus is logged even if the disk takes nothing yet."""
    try:
        target.note_roster(decoding.roster)
    except StoreError:
        if not decoding.source.live:
            raise


def _log_recording(
    decoding: Decoding, target: Store, writer: Writer, on_batch: Callable[[LogState], None] | None
) -> None:
    before, last = writer.added, None
    for readings in decoding.batches():
        writer.append(readings)
        if len(readings):
            last = readings
        if on_batch is not None:
            on_batch(LogState(decoding.source.progress(), decoding.readings, last, writer.added, writer.waiting))
    writer.commit()
    if writer.added > before:
        try:
            target.note_run(rates=decoding.rates.state())
        except OSError as error:
            raise as_store_error(error, target.path) from error


def _count(readings: pa.Table, status: str) -> int:
    codes, words = codes_of(readings.column("status"))
    return int(np.count_nonzero(codes == words.index(status))) if status in words else 0


def _tanks_and_sources(readings: pa.Table) -> set[tuple[str, int]]:
    codes, words = codes_of(readings.column("tank"))
    keys, _ = distinct(codes * np.int64(256) + values_of(readings.column("source_address")))
    return {(words[key // 256] or "", key % 256) for key in keys.tolist()}
