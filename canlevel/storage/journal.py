"""The journal: frames of tanks that a bus or a pipe sent and that are in no part yet, as candump text.

    STORE/journal/000001-3fb2a0c1/         one run of the logger
      context.json                         what its frames are decoded with: roster, vessel, own messages
      000001.log, 000002.log, …            frames; a new file with each commit, removed once its readings are in a part
      moved.json                           by how much frames were moved in time, when the clock became known

What was appended is on the disk within SYNC_EVERY_S, and with the operating system at once. Nothing here decodes: recovery
reads the files as it reads any recording (canlevel/recovery.py).
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.storage import disk
from canlevel.storage.commit import read_document, write_whole
from canlevel.tables import ERROR_FRAME, EXTENDED, FD, REMOTE, UNKNOWN_TIME_US, codes_of, times_us, values_of

__all__ = ["Journal", "JournalFile", "JournalRun", "channel_of", "journal_runs", "journal_text"]

JOURNAL, CONTEXT, MOVED = "journal", "context.json", "moved.json"
SYNC_EVERY_S = 0.4
LARGEST_CONTEXT = 16 * 1024 * 1024
PLAIN = "/:.,-+@_"  # of a channel's name, beside letters and digits


class Journal:
    """The journal of one run. Its folder is made with the first frame; a thread syncs what was written.

    Not for use by several threads, but for `drop`, which may be called from another one.
    """

    def __init__(self, store: Path, context: dict[str, Any]) -> None:
        numbers = [int(run.path.name.partition("-")[0]) for run in journal_runs(store)]
        self.run = f"{max(numbers, default=0) + 1:06d}-{os.urandom(4).hex()}"
        self.number = 1
        self._folder = store / JOURNAL / self.run
        self._context = context
        self._moved: list[dict[str, int]] = []
        self._descriptor: int | None = None
        self._good = 0  # bytes of the open file that are whole lines
        self._dirty = False
        self._failed: OSError | None = None
        self._lock = threading.Lock()  # around the descriptor
        self._closing = threading.Event()
        self._thread: threading.Thread | None = None

    def append(self, frames: pa.Table) -> None:
        """Write frames. frames: FRAMES, n rows, all with a time. Raises OSError; nothing of them counts as written then."""
        if self._failed is not None:
            error, self._failed = self._failed, None
            raise error
        if not len(frames):
            return
        text = journal_text(frames)
        if self._descriptor is None:
            self._open()
        assert self._descriptor is not None
        with self._lock:
            try:
                disk.append(self._descriptor, text)
            except OSError:
                # Half a line would spoil the next one.
                with contextlib.suppress(OSError):
                    os.ftruncate(self._descriptor, self._good)
                raise
            self._good += len(text)
            self._dirty = True

    def sync(self) -> None:
        """Wait until all that was appended is on the disk. Raises OSError."""
        with self._lock:
            if self._dirty and self._descriptor is not None:
                disk.sync(self._descriptor)
                self._dirty = False

    def rotate(self) -> int:
        """Begin a new file with the next frame. Returns the number of the last one that is complete now. Raises OSError."""
        self.sync()
        with self._lock:
            if self._descriptor is not None:
                os.close(self._descriptor)
                self._descriptor, self._dirty = None, False
                self.number += 1
        return self.number - 1

    def drop(self, through: int) -> None:
        """Remove the files up to a number, whose readings are in parts. Raises OSError."""
        if not self._folder.is_dir():
            return
        for file in _files_in(self._folder):
            if file.number <= through:
                disk.remove(file.path)

    def note_moved(self, through: int, from_us: int, to_us: int, by_us: int) -> None:
        """Note that frames in the files up to a number, of times from_us to to_us, belong so much later. Raises OSError."""
        self._moved.append({"through": through, "from_us": from_us, "to_us": to_us, "by_us": by_us})
        if self._folder.is_dir():
            write_whole(self._folder / MOVED, json.dumps(self._moved) + "\n")

    def close(self, *, keep: bool = False) -> None:
        """Sync and let go; without `keep` the run's folder is removed: all it holds is in parts. Raises OSError."""
        self._closing.set()
        if self._thread is not None:
            self._thread.join()
        self.rotate()
        if not keep:
            disk.remove_folder(self._folder)

    def _open(self) -> None:
        disk.make_folder(self._folder)
        if not (self._folder / CONTEXT).exists():
            write_whole(self._folder / CONTEXT, json.dumps(self._context) + "\n")
        path = self._folder / f"{self.number:06d}.log"
        self._descriptor = disk.open_appending(path)
        self._good = os.fstat(self._descriptor).st_size
        disk.sync_folder(self._folder)
        if self._thread is None:
            self._thread = threading.Thread(target=self._keep_synced, name="canlevel journal", daemon=True)
            self._thread.start()

    def _keep_synced(self) -> None:
        while not self._closing.wait(SYNC_EVERY_S):
            try:
                self.sync()
            except OSError as error:  # told with the next frames
                self._failed = error


@dataclass(frozen=True, slots=True)
class JournalFile:
    """One file of a journal, by its number in its run. moves: (from_us, to_us, by_us), one after the other."""

    path: Path
    number: int
    moves: tuple[tuple[int, int, int], ...] = ()

    def moved(self, time_us: NDArray[np.int64]) -> NDArray[np.int64]:
        """Times of its frames as they became known later. (n,) to (n,)."""
        for from_us, to_us, by_us in self.moves:
            time_us = np.where((time_us >= from_us) & (time_us <= to_us), time_us + by_us, time_us)
        return time_us


@dataclass(frozen=True, slots=True)
class JournalRun:
    """The journal that a run left behind."""

    path: Path

    @property
    def name(self) -> str:
        """What the run called itself."""
        return self.path.name

    def context(self) -> dict[str, Any] | None:
        """What its frames are decoded with; None where that cannot be read."""
        return read_document(self.path / CONTEXT, dict, LARGEST_CONTEXT)

    def files(self) -> list[JournalFile]:
        """Its files in their order, each with the move in time that became known later."""
        moved = read_document(self.path / MOVED, list, LARGEST_CONTEXT) or []
        return [
            JournalFile(
                file.path,
                file.number,
                tuple((m["from_us"], m["to_us"], m["by_us"]) for m in moved if file.number <= m["through"]),
            )
            for file in _files_in(self.path)
        ]

    def remove(self) -> None:
        """Remove it, whose readings are in parts. Raises OSError."""
        disk.remove_folder(self.path)
        disk.sync_folder(self.path.parent)


def journal_runs(store: Path) -> list[JournalRun]:
    """The journals in a store, the oldest first."""
    try:
        folders = sorted((store / JOURNAL).iterdir())
    except (FileNotFoundError, NotADirectoryError):
        return []
    return [JournalRun(folder) for folder in folders if folder.name[:6].isdecimal() and folder.is_dir()]


def _files_in(folder: Path) -> Iterator[JournalFile]:
    for path in sorted(folder.iterdir()):
        if path.suffix == ".log" and path.stem.isdecimal():
            yield JournalFile(path, int(path.stem))


def journal_text(frames: pa.Table) -> bytes:
    """Frames as candump writes them into a log (candump -L), one line each. frames: FRAMES, n rows, all with a time.

    Of a frame with more than eight data bytes the others are written as zeros: no message of a tank has any. White space and
    the like in the name of a channel is escaped as in addresses of the web, so that the line stays one of four words.
    """
    time_us = times_us(frames)
    if (time_us == UNKNOWN_TIME_US).any():
        raise ValueError("frames without a time cannot be kept in a journal")
    codes, words = codes_of(frames.column("channel"))
    names = [quote(word or "can", safe=PLAIN) for word in words]
    identifier, flags = values_of(frames.column("identifier")).tolist(), values_of(frames.column("flags"))
    length = values_of(frames.column("length")).tolist()
    data = np.ascontiguousarray(values_of(frames.column("payload")), "<u8").tobytes().hex().upper()
    lines: list[str] = []
    for i, (at_us, code, number, flag, size) in enumerate(
        zip(time_us.tolist(), codes.tolist(), identifier, flags.tolist(), length, strict=True)
    ):
        seconds, micro = divmod(at_us, 1_000_000)
        if flag & ERROR_FRAME:
            number |= 0x20000000
        digits = f"{number:08X}" if flag & (EXTENDED | ERROR_FRAME) else f"{number:03X}"
        payload = data[16 * i : 16 * i + 2 * min(size, 8)] + "00" * (size - 8)
        mark = "#R" if flag & REMOTE else f"##0{payload}" if flag & FD else f"#{payload}"
        lines.append(f"({seconds:010d}.{micro:06d}) {names[code]} {digits}{mark}\n")
    return "".join(lines).encode()


def channel_of(words: Sequence[str | None]) -> list[str | None]:
    """Names of channels as they were before journal_text() escaped them."""
    return [None if word is None else unquote(word) for word in words]
