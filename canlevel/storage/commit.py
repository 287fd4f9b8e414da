"""Part files that appear whole or not at all."""

from __future__ import annotations

import errno
import os
from datetime import UTC, datetime
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from canlevel.errors import Place, StoreError

__all__ = ["as_store_error", "commit_part", "replace_part", "sync_folder", "write_whole"]


def commit_part(table: pa.Table, folder: Path, first_time_us: int) -> Path:
    """Write `table` as one Parquet file in `folder`: it appears under its name only once it is on the disk.

    Names begin with the first time in the part, so that a listing is in order; names beginning with "." are unfinished.
    """
    moment = datetime.fromtimestamp(first_time_us // 1_000_000, UTC)
    name = f"{moment:%Y%m%dT%H%M%SZ}-{os.urandom(6).hex()}.parquet"
    folder.mkdir(parents=True, exist_ok=True)
    unfinished = folder / f".{name}.unfinished"
    try:
        with unfinished.open("wb") as file:
            pq.write_table(table, file, compression="zstd", use_dictionary=_repeating(table.schema))
            file.flush()
            os.fsync(file.fileno())
        unfinished.rename(folder / name)
    except BaseException:
        unfinished.unlink(missing_ok=True)
        raise
    # The rename lasts only once the folder itself is synced, and a new folder only once its parent is.
    sync_folder(folder)
    sync_folder(folder.parent)
    return folder / name


def replace_part(table: pa.Table, path: Path) -> None:
    """Write `table` as the Parquet file at `path`, in the place of one that may be there.

    Readers see either the old or the new one.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_name(f".{path.name}.{os.urandom(6).hex()}.unfinished")
    try:
        with unfinished.open("wb") as file:
            pq.write_table(table, file, compression="zstd", use_dictionary=_repeating(table.schema))
            file.flush()
            os.fsync(file.fileno())
        unfinished.replace(path)
    except BaseException:
        unfinished.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def _repeating(schema: pa.Schema) -> list[str]:
    """Columns with few different values: a dictionary of the others would only be thrown away again."""
    few = ("instance", "source_address", "level_pct", "capacity_l")
    return [part.name for part in schema if pa.types.is_dictionary(part.type) or part.name in few]


def write_whole(path: Path, text: str) -> None:
    """Replace a small text file so that it is always either the old or the new one."""
    unfinished = path.with_name(f".{path.name}.unfinished")
    with unfinished.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    unfinished.replace(path)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Make renames in a folder last. Folders cannot be synced on Windows, where this does nothing."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def as_store_error(error: OSError, path: Path) -> StoreError:
    """An operating system's error about a store, in words for the user."""
    next_steps = {
        errno.EACCES: "give this user the right to read and write there, or name another folder",
        errno.EPERM: "give this user the right to read and write there, or name another folder",
        errno.EROFS: "the disk is read-only: name another folder",
        errno.ENOSPC: "make room on the disk and run the same command again: what is stored stays good",
        errno.ENOTDIR: "name a folder, not a file",
        errno.EEXIST: "name a folder, not a file",
    }
    return StoreError(
        f"cannot be used as a store ({error.strerror or error})",
        where=Place(str(path)),
        next_step=next_steps.get(error.errno or 0),
    )
