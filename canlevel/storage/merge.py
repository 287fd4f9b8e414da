"""Tidying: the parts of a closed day merged into one, and what is damaged or foreign set aside.

Where the file system can swap two folders in one step, a day's merged folder takes the place of the old one like that: a plain
reader that lists the folder sees either all old parts or the new one, never a row twice or missing, crash or no crash. Where
it cannot (FAT), the merged part appears first and the old ones go then: for as long as their removal takes a plain reader can
see rows twice, and after a crash just then until the store is opened again.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pyarrow as pa

from canlevel.errors import StoreError, printable
from canlevel.storage import disk
from canlevel.storage.commit import STAGING, as_store_error, change_files, stage_part
from canlevel.storage.encoding import tidied
from canlevel.storage.parts import DAMAGED, PARQUET, fault_of, is_part, parts_in, read_kept, read_part
from canlevel.storage.store import MARKS, Store
from canlevel.tables import READINGS, first_of_each, rows_at, times_us

__all__ = [
    "SCHEMAS",
    "Tidied",
    "arranged",
    "read_day",
    "replace_day",
    "set_aside",
    "tidy_day",
    "tidy_store",
    "untidy_days",
]

DAMAGED_FOLDER = "damaged"
MERGED = f".day{PARQUET}"  # how the name of a merged part ends
LARGEST_NAME = 200
SCHEMAS = {"readings": READINGS, **MARKS}  # of what is merged


@dataclass(slots=True)
class Tidied:
    """What tidying did. days, parts, bytes_before, bytes_after: of what was merged. set_aside: (from, to, why)."""

    days: int = 0
    parts: int = 0
    rows: int = 0
    bytes_before: int = 0
    bytes_after: int = 0
    set_aside: list[tuple[Path, Path, str]] = field(default_factory=list)


def tidy_store(store: Store, *, today: date | None = None) -> Tidied:
    """Merge the parts of all closed days and set aside what is damaged. The caller holds the store.

    today: the day that is not closed yet (UTC), by the host's clock where it is not given. Raises StoreError.
    """
    done = Tidied()
    today = today or datetime.now(UTC).date()
    for kind in SCHEMAS:
        schema = SCHEMAS[kind]
        for stray in _strays(store.path / kind):
            _set_aside(store, stray, "is no part of a store", done)
        for folder in _day_folders(store.path / kind):
            for file in _visible(folder):
                fault = fault_of(file, schema) if file.is_file() else "is no part of a store"
                if fault is not None:
                    _set_aside(store, file, fault, done)
    for kind in SCHEMAS:
        for folder in untidy_days(store, kind, today):
            tidy_day(store, kind, folder, done)
    return done


def untidy_days(store: Store, kind: str, today: date) -> list[Path]:
    """Folders of days before `today` that hold parts which are not merged yet, the newest first."""
    found = []
    for folder in _day_folders(store.path / kind):
        parts = parts_in(folder)
        closed = folder.name < f"date={today}"
        if closed and parts and (len(parts) > 1 or not parts[0].name.endswith(MERGED)):
            found.append(folder)
    return found[::-1]


def tidy_day(store: Store, kind: str, folder: Path, done: Tidied) -> None:
    """Merge the parts of one day. The caller holds the store. Raises StoreError; nothing has changed then."""
    parts, table = read_day(store, kind, folder, done)
    if table is None:
        return
    try:
        merged = _stage_day(store, kind, folder, table)
        before = sum(part.stat().st_size for part in parts)
        if kind == "readings":
            _keep_derived(store, folder, parts, merged)
        _replace(store, folder, parts, merged)
        done.days += 1
        done.parts += len(parts)
        done.rows += len(table)
        done.bytes_before += before
        done.bytes_after += (folder / merged.name).stat().st_size
    except OSError as error:
        raise as_store_error(error, store.path) from error


def read_day(store: Store, kind: str, folder: Path, done: Tidied) -> tuple[list[Path], pa.Table | None]:
    """(parts, rows) of one day as a merged day holds them, of readings as KEPT; rows are None where there is no part.

    What is damaged or no part is set aside. The caller holds the store. Raises StoreError.
    """
    schema = SCHEMAS[kind]
    parts, tables = [], []
    try:
        for file in _visible(folder):
            try:
                table = None
                if is_part(file):
                    table = read_kept(file) if kind == "readings" else read_part(file, schema)
            except DAMAGED as error:
                if isinstance(error, FileNotFoundError):
                    raise
            if table is None:
                _set_aside(store, file, fault_of(file, schema) or "cannot be read", done)
            else:
                parts.append(file)
                tables.append(table)
    except OSError as error:
        raise as_store_error(error, store.path) from error
    return parts, arranged(kind, tables) if parts else None


def arranged(kind: str, tables: list[pa.Table]) -> pa.Table:
    """The rows of the parts of a day as a merged day holds them: in its order, readings once each."""
    table = pa.concat_tables(tables).unify_dictionaries().combine_chunks()
    if kind == "readings":
        return tidied(rows_at(table, np.flatnonzero(first_of_each(table))))
    return rows_at(table, np.argsort(times_us(table, "from"), kind="stable"))


def replace_day(store: Store, kind: str, folder: Path, parts: list[Path], table: pa.Table) -> None:
    """Put a table in the place of the parts of one day: all of it or nothing, also after a crash.

    table: the rows of those parts, as read_day() gives them, with others of their columns changed. The caller holds the store.
    Raises StoreError.
    """
    try:
        _replace(store, folder, parts, _stage_day(store, kind, folder, table))
    except OSError as error:
        raise as_store_error(error, store.path) from error


def _stage_day(store: Store, kind: str, folder: Path, table: pa.Table) -> Path:
    # What an attempt that failed has left there would be swapped in, too.
    disk.remove_folder(store.path / STAGING)
    first_us = int(times_us(table, "time" if kind == "readings" else "from").min())
    return stage_part(table, store.path, first_us, MERGED, within=folder.name)


def _replace(store: Store, folder: Path, parts: list[Path], merged: Path) -> None:
    """Put a merged part in the place of those it was made from."""
    staged = merged.parent
    disk.sync_folder(staged)
    disk.sync_folder(staged.parent)
    if disk.exchange(staged, folder):
        # Only once the swap is sure to last may the old parts go.
        disk.sync_folder(folder.parent)
        disk.sync_folder(staged.parent)
        disk.remove_folder(staged.parent)
    else:
        change_files(store.path, [(merged, folder / merged.name)], parts)


def _keep_derived(store: Store, folder: Path, parts: list[Path], merged: Path) -> None:
    """Flows that were derived from the parts of a day are those of the merged one.

    Noted before the merging: should that not happen, the day is derived once more than needed.
    """
    known = store.derived_from()
    day, days = folder.name.removeprefix("date="), known.get("days")
    if isinstance(days, dict) and days.get(day) == [part.name for part in parts]:
        days[day] = [merged.name]
        store.note_derived(known)


def _set_aside(store: Store, file: Path, why: str, done: Tidied) -> None:
    done.set_aside.append((file, set_aside(store, file), why))


def set_aside(store: Store, file: Path) -> Path:
    """Move a file of the store to DAMAGED_FOLDER, under a name that says where it was; returns where it is now.

    Raises StoreError.
    """
    try:
        name = "--".join(file.relative_to(store.path).parts)[-LARGEST_NAME:]
        target = store.path / DAMAGED_FOLDER / name
        disk.make_folder(target.parent)
        if target.exists():
            target = target.with_name(f"{os.urandom(4).hex()}-{name}")
        disk.rename(file, target)
        disk.sync_folder(target.parent)
        disk.sync_folder(file.parent)
    except OSError as error:
        raise StoreError(f"{printable(str(file))} cannot be set aside ({error.strerror})") from error
    return target


def _day_folders(folder: Path) -> Iterator[Path]:
    return (day for day in _visible(folder) if day.name.startswith("date=") and day.is_dir())


def _strays(folder: Path) -> Iterator[Path]:
    """What lies beside the folders of days, where no reader expects it."""
    return (file for file in _visible(folder) if not (file.name.startswith("date=") and file.is_dir()))


def _visible(folder: Path) -> list[Path]:
    """What readers see in a folder; nothing where there is none."""
    if not folder.is_dir():
        return []
    return sorted(file for file in folder.iterdir() if not file.name.startswith((".", "_")))
