"""The lock that lets one writer at a time into a store. It goes with its process, however that ends."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

from canlevel.errors import Place, StoreError

__all__ = ["HeldError", "writer_lock"]

LOCK = ".writer.lock"
RETRY_S = 0.05

if sys.platform == "win32":
    import msvcrt

    def _take(descriptor: int) -> None:
        # Far behind what the file says, so that others can read it.
        os.lseek(descriptor, 1 << 20, os.SEEK_SET)
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        os.lseek(descriptor, 0, os.SEEK_SET)

else:
    import fcntl

    def _take(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


class HeldError(StoreError):
    """Another process writes to the store."""


@contextmanager
def writer_lock(store: Path, *, wait_s: float = 0.0) -> Iterator[None]:
    """Hold the lock of the store at a path. The operating system lets go of it when the process ends.

    wait_s: how long to wait for another holder to let go. Raises HeldError while another process holds it, with its number
    and since when, and OSError where there can be no lock.
    """
    descriptor = os.open(store / LOCK, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        give_up_s = time.monotonic() + wait_s
        while not _taken(descriptor):
            if time.monotonic() < give_up_s:
                time.sleep(RETRY_S)
                continue
            raise HeldError(
                f"is being written by another canlevel{_holder(descriptor)}",
                where=Place(str(store)),
                next_step="wait for it to end, or stop it",
            )
        with suppress(OSError):  # a full disk is no reason: the lock holds without words
            os.ftruncate(descriptor, 0)
            os.write(descriptor, f"{os.getpid()} {time.time():.0f}\n".encode())
        yield
    finally:
        os.close(descriptor)


def _taken(descriptor: int) -> bool:
    try:
        _take(descriptor)
    except (BlockingIOError, PermissionError):
        return False
    return True


def _holder(descriptor: int) -> str:
    """Who holds the lock, as it has written; nothing where that cannot be read."""
    try:
        pid, since = os.read(descriptor, 64).split()
        moment = datetime.fromtimestamp(int(since), UTC)
        return f" (process {int(pid)}, since {moment:%Y-%m-%d %H:%M:%S} UTC)"
    except (OSError, ValueError, OverflowError):
        return ""
