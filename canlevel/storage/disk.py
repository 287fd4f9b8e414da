"""The calls that change files of a store, each by its name: what a crash can come between, and what a disk can refuse.

Everything in `storage` that writes goes through here, so that a test can stop the world before any of these calls, or lose
what was not yet on the disk (tests/crash.py).
"""

from __future__ import annotations

import ctypes
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

__all__ = [
    "append",
    "exchange",
    "make_folder",
    "open_appending",
    "remove",
    "remove_folder",
    "rename",
    "sync",
    "sync_folder",
    "write_file",
]

_AT_THIS_FOLDER, _SWAP = -100, 2  # AT_FDCWD and RENAME_EXCHANGE: linux/fcntl.h, linux/fs.h


def write_file(path: Path, write: Callable[[BinaryIO], object]) -> None:
    """Make a file, or write it anew, and wait until its content is on the disk. Nothing of it is left after an error."""
    try:
        with path.open("wb") as file:
            write(file)
            file.flush()
            os.fsync(file.fileno())
    except BaseException:
        path.unlink(missing_ok=True)
        raise


def open_appending(path: Path) -> int:
    """Open a file for appending, making it if it is not there. Its name lasts once its folder is synced."""
    return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)


def append(descriptor: int, content: bytes) -> None:
    """Write all of some bytes at the end of an open file."""
    rest = memoryview(content)
    while rest:
        rest = rest[os.write(descriptor, rest) :]


def sync(descriptor: int) -> None:
    """Wait until what was written to an open file is on the disk."""
    os.fsync(descriptor)


def rename(path: Path, to: Path) -> None:
    """Give a file or folder another name, in the place of a file that may have it. Lasts once both folders are synced."""
    path.replace(to)


def exchange(path: Path, other: Path) -> bool:
    """Swap the names of two folders in one step, so that nobody sees either missing; False where that cannot be done.

    Linux has it for ext4, xfs, btrfs, f2fs and tmpfs, not for FAT (renameat2(2), RENAME_EXCHANGE). Lasts once the folders that
    hold them are synced.
    """
    renameat2 = getattr(ctypes.CDLL(None), "renameat2", None) if os.name == "posix" else None
    if renameat2 is None:
        return False
    # Whatever the reason, the way that works everywhere follows, and tells if even that is refused.
    return bool(renameat2(_AT_THIS_FOLDER, os.fsencode(path), _AT_THIS_FOLDER, os.fsencode(other), _SWAP) == 0)


def remove(path: Path) -> None:
    """Remove a file, if it is there. Lasts once its folder is synced."""
    path.unlink(missing_ok=True)


def remove_folder(path: Path) -> None:
    """Remove a folder with all that is in it, if it is there."""
    if path.exists():
        shutil.rmtree(path)


def make_folder(path: Path) -> None:
    """Make a folder, and those above it, so that they last."""
    if path.is_dir():
        return
    make_folder(path.parent)
    path.mkdir(exist_ok=True)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Make the names in a folder last. Folders cannot be synced on Windows, where this does nothing."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
