"""A source read by a thread of its own, so that the screen goes on while nothing comes.

What comes in: an open Source. What goes out: what it delivers, in order, with when; at most a few batches ahead.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

import pyarrow as pa

from canlevel.capture.events import Event
from canlevel.capture.source import Source
from canlevel.errors import NoFramesError

__all__ = ["Delivery", "Feed"]

AHEAD = 4
PATIENCE_S = 0.1
CLOSING_S = 5.0


@dataclass(frozen=True, slots=True)
class Delivery:
    """FRAMES, and what happened meanwhile; arrived_s: on time.monotonic()."""

    frames: pa.Table
    arrived_s: float
    events: Sequence[Event]
    told: Sequence[tuple[str, str]]


class Feed:
    """Reads a source while it is entered; on leaving, the source is stopped and closed.

    ended: whether everything was delivered and taken.
    """

    def __init__(self, source: Source) -> None:
        self.source = source
        self.ended = False
        self._came: queue.Queue[Delivery | BaseException | None] = queue.Queue(AHEAD)
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._read, name="canlevel reads for the screen", daemon=True)

    def __enter__(self) -> Feed:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stopped.set()
        self.source.stop()
        # What is left in the queue would keep the thread waiting; a driver that hangs is left to itself.
        until_s = time.monotonic() + CLOSING_S
        while self._thread.is_alive() and time.monotonic() < until_s:
            with suppress(queue.Empty):
                self._came.get(timeout=PATIENCE_S)
            self._thread.join(PATIENCE_S)
        self.source.close()

    def take(self, wait_s: float = 0.0) -> Delivery | None:
        """The next delivery, waited for so long; None where there is none, or no more (`ended`).

        Raises what reading the source raised, in its turn.
        """
        if self.ended:
            return None
        try:
            came = self._came.get(timeout=wait_s) if wait_s > 0 else self._came.get_nowait()
        except queue.Empty:
            return None
        if isinstance(came, BaseException):
            self.ended = True
            raise came
        self.ended = came is None
        return came

    def _read(self) -> None:
        source = self.source
        try:
            # A recording without a frame is a silent bus.
            with suppress(NoFramesError):
                for frames in source.batches():
                    arrived_s, events, told = time.monotonic(), source.events(), source.tally.take_told()
                    if not self._hand_over(Delivery(frames, arrived_s, events, told)):
                        return
            self._hand_over(None)
        except BaseException as error:  # told by whoever takes, in its turn
            self._hand_over(error)

    def _hand_over(self, one: Delivery | BaseException | None) -> bool:
        while not self._stopped.is_set():
            with suppress(queue.Full):
                self._came.put(one, timeout=PATIENCE_S)
                return True
        return False
