"""What a bus says, kept: on the disk within a second as frames in the journal, within a minute as readings in a part.

The thread that hears the bus appends to the journal and goes on; parts are written, and closed days merged, by a second
thread, so that a slow disk never keeps frames waiting outside the journal. While the disk takes nothing, readings wait in
memory up to a bound, and commits are tried again with growing pauses.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any, Literal

import pyarrow as pa

from canlevel.errors import StoreError
from canlevel.storage.commit import as_store_error
from canlevel.storage.journal import Journal
from canlevel.storage.merge import SCHEMAS, Tidied, tidy_day, untidy_days
from canlevel.storage.store import MARKS, Store, marks_table
from canlevel.storage.writer import PART_ROWS, Writer, moved_within
from canlevel.tables import times_us

__all__ = ["DurableWriter"]

COMMIT_EVERY_S = 60.0
MOST_WAITING = 500_000  # readings in memory while the disk takes none, some 90 bytes each
# So many frames at once are a recording poured through a pipe: a part is as quick as the journal.
NOT_FOR_THE_JOURNAL = 10_000
FIRST_PAUSE_S, LONGEST_PAUSE_S = 5.0, 60.0
TIDY_EVERY_S = 600.0
MOST_PARTS = 10_000  # of this run that can be moved in time: a week of one each minute

Tell = Callable[[Literal["detail", "info", "warning"], str], None]


class DurableWriter:
    """Keeps what one run of the logger hears. Used from one thread, and closed at the end.

    writer: of the store, held by this run. context: what the frames are decoded with. tell(level, sentence): for the user,
    level being "info" or "warning". lost: readings that there was no room for.
    """

    def __init__(self, store: Store, writer: Writer, context: dict[str, Any], tell: Tell) -> None:
        self.store = store
        self.writer = writer
        self.journal = Journal(store.path, context)
        self.lost = 0
        self._tell = tell
        self._fresh: list[pa.Table] = []
        self._fresh_rows = 0
        self._marks: list[tuple[str, dict[str, Any]]] = []
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="canlevel commit")
        self._job: Future[None] | None = None
        self._due_s = time.monotonic() + COMMIT_EVERY_S
        self._tidy_due_s = time.monotonic()
        self._added = writer.added
        self._trouble: StoreError | None = None
        self._pause_s = FIRST_PAUSE_S
        self._unjournaled = False  # some of what is fresh is in memory alone
        self._in_memory = False  # some of what waits is
        self._lost_from_us: int | None = None
        self._lost_to_us = 0
        # The worker's own; touched here only while no job runs.
        self._held_marks: list[tuple[str, dict[str, Any]]] = []
        self._held_rows = 0

    @property
    def waiting(self) -> int:
        """Readings that are in no part yet."""
        return self._fresh_rows + self._held_rows

    def append(self, frames: pa.Table, readings: pa.Table) -> None:
        """Take a batch. frames: FRAMES, those of tanks. readings: READINGS that were decoded from them, all with a time."""
        if not len(readings):
            return
        if self.waiting + len(readings) > MOST_WAITING and self._trouble is not None:
            self._lose(readings)
            return
        self._fresh.append(readings)
        self._fresh_rows += len(readings)
        if self._trouble is not None or len(frames) > NOT_FOR_THE_JOURNAL:
            self._unjournaled = True
            return
        try:
            self.journal.append(frames)
        except OSError as error:
            self._unjournaled = True
            self._in_trouble(StoreError(f"the journal cannot be written ({error.strerror or error})"))

    def mark(self, kind: str, **values: Any) -> None:
        """Note a row of OUTAGES or CLOCK (kind "outages" or "clock"). values: by column, times in microseconds."""
        self._marks.append((kind, values))

    def tick(self, facts: Callable[[], dict[str, Any]], *, settled: bool = True) -> None:
        """To be called often. Commits what is due, and takes note of commits that are done.

        facts: what the run notes of itself with the readings so far (see Store.note_run). settled: the times of this run's
        readings will not change any more, so that its days may be merged.
        """
        if self._job is not None and self._job.done():
            self._take_note()
        now = time.monotonic()
        due = now >= self._due_s or (self._trouble is None and (self._fresh_rows >= PART_ROWS or self._unjournaled))
        if due and self._job is None:
            self._start(facts(), settled=settled)

    def hasten(self) -> None:
        """Let the next tick commit, where the disk is not known to refuse."""
        if self._trouble is None:
            self._due_s = time.monotonic()

    def commit(self, facts: dict[str, Any]) -> None:
        """Commit everything now and wait for it. Raises StoreError; what was to be committed is still held then."""
        if self._job is not None:
            self._wait()
        self._start(facts, settled=False)
        self._wait()
        if self._trouble is not None:
            raise self._trouble

    def move(self, from_us: int, to_us: int, by_us: int) -> int:
        """Move this run's readings from one time to another by so much, those in parts and those that wait.

        Returns how many. Raises StoreError.
        """
        # Whatever happens from here on, the journal that is left tells frames under their right times.
        if self._job is not None:
            self._wait()
        try:
            self.journal.note_moved(self.journal.rotate(), from_us, to_us, by_us)
        except OSError as error:
            self._in_trouble(StoreError(f"the journal cannot be written ({error.strerror or error})"))
        for _, values in (*self._marks, *self._held_marks):
            for name in ("from", "to"):
                if from_us <= values.get(name, to_us + 1) <= to_us:
                    values[name] += by_us
        waiting = self._fresh + self.writer.take_waiting()
        self._fresh, moved = [], 0
        for table in waiting:
            table, n = moved_within(table, from_us, to_us, by_us)
            self._fresh.append(table)
            moved += n
        self._fresh_rows, self._held_rows = sum(map(len, self._fresh)), 0
        moved += self.writer.move(self.writer.parts, from_us, to_us, by_us)
        self.hasten()
        return moved

    def close(self, facts: dict[str, Any]) -> None:
        """Commit everything, and let go. Raises StoreError where the disk does not take it; the journal is kept then."""
        try:
            self._end_of_loss()
            self.commit(facts)
        except StoreError as error:
            with suppress(OSError):
                self.journal.close(keep=True)
            kept = (
                "could not be stored"
                if self._in_memory
                else "are in the journal, and stored when the store is opened again"
            )
            error.add_note(f"{self.waiting:,} readings {kept}.")
            self.writer.take_waiting()
            raise
        else:
            with suppress(OSError):
                self.journal.close()
        finally:
            self._worker.shutdown()

    def _start(self, facts: dict[str, Any], *, settled: bool) -> None:
        self._due_s = time.monotonic() + COMMIT_EVERY_S
        try:
            through = self.journal.rotate()
        except OSError:  # what it could not sync is in memory, and is about to be in a part
            through = self.journal.number - 1
        fresh, self._fresh = self._fresh, []
        self._held_rows += self._fresh_rows
        self._fresh_rows = 0
        self._held_marks += self._marks
        self._marks = []
        self._in_memory |= self._unjournaled
        self._unjournaled = False
        self._job = self._worker.submit(self._store, fresh, through, facts, settled)

    def _store(self, fresh: list[pa.Table], through: int, facts: dict[str, Any], settled: bool) -> None:
        """In the second thread: readings into parts, then what else is known, and only then the journal may go."""
        self.writer.hold(fresh)
        self.writer.commit()
        try:
            self.store.be_there()
            for kind in MARKS:
                rows = [row for of, row in self._held_marks if of == kind]
                if rows:
                    self.store.add_marks(kind, marks_table(kind, rows, self.store.vessel))
                    self._held_marks = [(of, row) for of, row in self._held_marks if of != kind]
            self.store.note_run(run=self.journal.run, after=through, **facts)
            self.journal.drop(through)
        except OSError as error:
            raise as_store_error(error, self.store.path) from error
        if settled:
            self.writer.parts.clear()
        del self.writer.parts[:-MOST_PARTS]
        if time.monotonic() >= self._tidy_due_s:
            self._tidy_one_day()

    def _tidy_one_day(self) -> None:
        """Merge the newest closed day that is not merged, if it holds nothing that may still be moved."""
        mine = {part.parent for part in self.writer.parts}
        days = [
            (kind, folder)
            for kind in SCHEMAS
            for folder in untidy_days(self.store, kind, datetime.now(UTC).date())
            if folder not in mine
        ]
        if not days:
            self._tidy_due_s = time.monotonic() + TIDY_EVERY_S
            return
        done = Tidied()
        tidy_day(self.store, *days[0], done)
        self.writer.forget()
        for file, to, why in done.set_aside:
            self._tell("warning", f"{file} {why}; it is now {to}")

    def _take_note(self) -> None:
        """Of a job that is done."""
        assert self._job is not None
        job, self._job = self._job, None
        self._held_rows = self.writer.waiting
        try:
            job.result()
        except StoreError as error:
            self._in_trouble(error)
            self._due_s = time.monotonic() + self._pause_s
            self._pause_s = min(2 * self._pause_s, LONGEST_PAUSE_S)
            return
        self._in_memory = False
        if self.writer.added > self._added:
            self._tell("detail", f"{self.writer.added - self._added:,} readings stored")
            self._added = self.writer.added
        if self._trouble is not None:
            self._trouble, self._pause_s = None, FIRST_PAUSE_S
            self._tell("info", "the store can be written again; what was waiting is stored")
            self._end_of_loss()

    def _wait(self) -> None:
        assert self._job is not None
        with suppress(StoreError):
            self._job.result()
        self._take_note()

    def _in_trouble(self, error: StoreError) -> None:
        if self._trouble is None:
            what = str(error).splitlines()[0]
            self._tell("warning", f"{what}; up to {MOST_WAITING:,} readings are kept in memory until it goes on")
            self._due_s = time.monotonic() + FIRST_PAUSE_S
        self._trouble = error

    def _lose(self, readings: pa.Table) -> None:
        time_us = times_us(readings)
        if self._lost_from_us is None:
            self._lost_from_us = int(time_us.min())
            self._tell(
                "warning", f"{MOST_WAITING:,} readings wait for the store; more are lost until it can be written"
            )
        self._lost_to_us = int(time_us.max())
        self.lost += len(readings)

    def _end_of_loss(self) -> None:
        if self._lost_from_us is not None:
            why = "the store could not be written"
            self.mark("outages", **{"from": self._lost_from_us, "to": self._lost_to_us, "why": why})
            self._tell("warning", f"{self.lost:,} readings were lost while {why}")
            self._lost_from_us = None
