"""The logger: a bus or a pipe, logged for as long as it lasts, through cuts of power, full disks and adapters that fall off.

It hears, journals and decodes here; a second thread writes parts (storage/durable.py). The same batch goes both ways: its
frames into the journal, its readings towards a part.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pyarrow as pa

from canlevel.pipeline import Decoding, LogState
from canlevel.recovery import Recovered, decoding_context
from canlevel.storage.durable import DurableWriter
from canlevel.storage.store import Store
from canlevel.storage.writer import Writer
from canlevel.tables import times_us

__all__ = ["keep_logging"]

NOT_RUNNING = "canlevel was not running"


def keep_logging(
    decoding: Decoding,
    store: Store,
    writer: Writer,
    recovered: Recovered,
    on_batch: Callable[[LogState], None] | None,
) -> int:
    """Log until the source ends or is stopped. Returns how many readings were lost for want of room. Raises CanlevelError.

    writer: of the store, held by the caller. recovered: what was brought in before.
    """
    run = _Run(decoding, store, writer, recovered)
    try:
        for frames in decoding.source.batches(decoding.decoder.messages):
            run.take(frames)
            if on_batch is not None:
                state = LogState(
                    decoding.source.progress(), decoding.readings, run.last, writer.added, run.durable.waiting
                )
                on_batch(state)
    finally:
        run.durable.close(run.facts())
    return run.durable.lost


class _Run:
    """One run of the logger. last: the newest batch that held readings."""

    def __init__(self, decoding: Decoding, store: Store, writer: Writer, recovered: Recovered) -> None:
        self.last: pa.Table | None = None
        self._decoding = decoding
        context = decoding_context(decoding.roster, decoding.own)
        self.durable = DurableWriter(store, writer, context, self._tell)
        self._heard_us: int | None = None
        noted = store.last_run().get("until_us")
        known = [at for at in (noted, recovered.last_us) if isinstance(at, int)]
        self._before_us = max(known, default=None)

    def take(self, frames: pa.Table) -> None:
        """A batch of the source, which may be empty."""
        if len(frames):
            readings = self._decoding.decoded(frames)
            self.durable.append(frames, readings)
            if len(readings):
                self.last = readings
                self._note_times(readings)
        self.durable.tick(self.facts)

    def facts(self) -> dict[str, Any]:
        """What the run notes of itself."""
        facts: dict[str, Any] = {"rates": self._decoding.rates.state()}
        if self._decoding.source.live and self._heard_us is not None:
            facts["until_us"] = self._heard_us
        return facts

    def _note_times(self, readings: pa.Table) -> None:
        time_us = times_us(readings)
        first_us, last_us = int(time_us.min()), int(time_us.max())
        before_us, self._before_us = self._before_us, None
        if self._decoding.source.live and before_us is not None and before_us < first_us:
            # What was not heard between two runs is no standstill of the tanks.
            self.durable.mark("outages", **{"from": before_us, "to": first_us, "why": NOT_RUNNING})
        self._heard_us = max(last_us, self._heard_us or last_us)

    def _tell(self, level: str, sentence: str) -> None:
        self._decoding.tally.note(f"{level}: {sentence}")
