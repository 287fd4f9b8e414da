"""Files of a store that appear whole or not at all, and changes of several files that are made whole after a crash.

A part is written under a name that readers pass over, synced, and renamed. What changes several files at once (parts merged,
readings moved in time) is first prepared in STORE/staging, then told in STORE/change.json, which is the moment from which on
it counts, and then done; whoever opens the store next does what a crash has left undone.
"""

from __future__ import annotations

import errno
import io
import json
import os
import zlib
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path, PurePosixPath
from typing import TypeVar

import pyarrow as pa
import pyarrow.parquet as pq

from canlevel.errors import Place, StoreError
from canlevel.storage import disk
from canlevel.storage.encoding import facts_of, write_readings
from canlevel.storage.parts import PARQUET, footer_sum
from canlevel.tables import CLOCK, FLOWS, KEPT, OUTAGES, READINGS, plain

__all__ = [
    "CHANGE",
    "STAGING",
    "UNFINISHED",
    "as_store_error",
    "change_files",
    "commit_part",
    "finish_change",
    "part_content",
    "read_document",
    "replace_part",
    "stage_part",
    "write_whole",
]

CHANGE, STAGING = "change.json", "staging"
UNFINISHED = ".unfinished"  # how the name of a file ends that has not its own yet; it begins with "."
LONGEST_CHANGE = 64 * 1024 * 1024

_Kind = TypeVar("_Kind")


def part_content(table: pa.Table) -> bytes:
    """`table` as a Parquet file."""
    content = io.BytesIO()
    if table.schema.equals(KEPT) or table.schema.equals(READINGS):
        write_readings(table, content)
    else:
        words = [part.name for part in table.schema if pa.types.is_dictionary(part.type)]
        schema = next((known for known in (FLOWS, OUTAGES, CLOCK) if table.schema.equals(known)), table.schema)
        table = pa.table(table.columns, schema=plain(schema).with_metadata(facts_of(schema)))
        pq.write_table(table, content, compression="zstd", use_dictionary=words, write_page_checksum=True)
    return content.getvalue()


def part_name(first_time_us: int, content: bytes, ending: str = PARQUET) -> str:
    """The name of a part: its first time, so that a listing is in order, and two sums, of its footer and of all of it.

    Parquet has sums for its pages and none for the footer, which says what the pages mean.
    """
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=first_time_us // 1_000_000)
    return f"{moment:%Y%m%dT%H%M%SZ}-{footer_sum(content):08x}-{zlib.crc32(content):08x}{ending}"


def commit_part(table: pa.Table, folder: Path, first_time_us: int) -> Path:
    """Write `table` as one Parquet file in `folder`: it appears under its name only once it is on the disk.

    Names beginning with "." are unfinished.
    """
    content = part_content(table)
    path = folder / part_name(first_time_us, content)
    _put(content, path)
    return path


def stage_part(table: pa.Table, store: Path, first_time_us: int, ending: str = PARQUET, within: str = "") -> Path:
    """Write `table` as a Parquet file in STAGING, or a folder `within` it, for change_files(). Raises OSError."""
    content = part_content(table)
    path = store / STAGING / within / part_name(first_time_us, content, ending)
    disk.make_folder(path.parent)
    disk.write_file(path, lambda file: file.write(content))
    return path


def replace_part(table: pa.Table, path: Path) -> None:
    """Write `table` as the Parquet file at `path`, in the place of one that may be there.

    Readers see either the old or the new one.
    """
    _put(part_content(table), path)


def _put(content: bytes, path: Path) -> None:
    disk.make_folder(path.parent)
    unfinished = path.with_name(f".{path.name}.{os.urandom(6).hex()}{UNFINISHED}")
    try:
        disk.write_file(unfinished, lambda file: file.write(content))
        disk.rename(unfinished, path)
    except BaseException:
        unfinished.unlink(missing_ok=True)
        raise
    disk.sync_folder(path.parent)


def write_whole(path: Path, text: str) -> None:
    """Replace a small text file so that it is always either the old or the new one."""
    unfinished = path.with_name(f".{path.name}{UNFINISHED}")
    disk.write_file(unfinished, lambda file: file.write(text.encode()))
    disk.rename(unfinished, path)
    disk.sync_folder(path.parent)


def read_document(path: Path, kind: type[_Kind], most: int = -1) -> _Kind | None:
    """What a file of JSON holds, if that is of a kind; None where there is no such file, or none that can be read.

    most: bytes that it may have, any number without it.
    """
    try:
        with path.open("rb") as file:
            document = json.loads(file.read(most))
    except (OSError, ValueError):
        return None
    return document if isinstance(document, kind) else None


def change_files(store: Path, added: Sequence[tuple[Path, Path]], removed: Sequence[Path]) -> None:
    """Give staged files their names and remove others, all of it or nothing, whatever happens in between.

    added: (in STAGING, where it is to be); all of them synced. Plain readers can see added files beside removed ones for the
    time that the renames take, or until the store is opened after a crash in between.
    """
    disk.sync_folder(store / STAGING)
    facts = {
        "add": [[part.relative_to(store).as_posix() for part in pair] for pair in added],
        "remove": [path.relative_to(store).as_posix() for path in removed],
    }
    write_whole(store / CHANGE, json.dumps(facts) + "\n")
    finish_change(store)


def finish_change(store: Path) -> bool:
    """Do what is left of a change of files; True where there was one. Raises OSError, and StoreError for one not ours."""
    path = store / CHANGE
    try:
        with path.open("rb") as file:
            document = json.loads(file.read(LONGEST_CHANGE))
        added = [(_inside(store, staged), _inside(store, final)) for staged, final in document["add"]]
        removed = [_inside(store, name) for name in document["remove"]]
    except FileNotFoundError:
        return False
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise StoreError(
            "is damaged: it tells of a change of files that cannot be read",
            where=Place(str(path)),
            next_step="move it out of the store; where a day then holds readings twice, run canlevel tidy",
        ) from error
    for folder in dict.fromkeys(final.parent for _, final in added):
        disk.make_folder(folder)
    for staged, final in added:
        if staged.exists():
            disk.rename(staged, final)
    for folder in dict.fromkeys(final.parent for _, final in added):
        disk.sync_folder(folder)
    for gone in removed:
        disk.remove(gone)
    for folder in dict.fromkeys(gone.parent for gone in removed if gone.parent.is_dir()):
        disk.sync_folder(folder)
    disk.remove(path)
    disk.sync_folder(store)
    disk.remove_folder(store / STAGING)
    return True


def _inside(store: Path, name: str) -> Path:
    """A file of the store, by its name from there. Raises ValueError for a name that leads out of it."""
    relative = PurePosixPath(name)
    if relative.is_absolute() or not relative.parts or ".." in relative.parts:
        raise ValueError(name)
    return store / relative


def as_store_error(error: OSError, path: Path) -> StoreError:
    """An operating system's error about a store, in words for the user."""
    next_steps = {
        errno.EACCES: "give this user the right to read and write there, or name another folder",
        errno.EPERM: "give this user the right to read and write there, or name another folder",
        errno.EROFS: "the disk is read-only: name another folder",
        errno.ENOSPC: "make room on the disk and run the same command again: what is stored stays good",
        errno.EDQUOT: "make room on the disk and run the same command again: what is stored stays good",
        errno.ENOTDIR: "name a folder, not a file",
        errno.EEXIST: "name a folder, not a file",
        errno.EIO: "the disk, or its plug, is failing: check it, and keep a copy of the store",
    }
    return StoreError(
        f"cannot be used as a store ({error.strerror or error})",
        where=Place(str(path)),
        next_step=next_steps.get(error.errno or 0),
    )
