"""The store: a folder of Parquet that any Parquet reader opens, and that only ever grows by whole files.

    STORE/
      canlevel-store.json                 format version, vessel
      roster.json                         the roster that it was last logged with
      .revising.json                      what a revision that has not come to its end covers
      readings/date=2026-05-01/….parquet  READINGS
      flows/date=2026-05-01/flows.parquet FLOWS that began on that day, derived from the readings and replaced when these grow
      outages/date=2026-05-01/….parquet   OUTAGES that began on that day
      clock/date=2026-05-01/….parquet     CLOCK: readings taken before the clock was right
      journal/                            frames of a live bus that are in no part yet (journal.py)
      damaged/                            what canlevel tidy found damaged, or no part of a store
      staging/, change.json               a change of several files at once, while it is made (commit.py)

Readings are told apart by time, tank, source address, level and status: the same recording read twice, or two recordings
that overlap, add only what is new, whatever the channel was called.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from canlevel.errors import Place, StoreError
from canlevel.roster import Roster
from canlevel.storage import disk
from canlevel.storage.commit import (
    CHANGE,
    STAGING,
    UNFINISHED,
    as_store_error,
    commit_part,
    finish_change,
    read_document,
    replace_part,
    write_whole,
)
from canlevel.storage.journal import journal_runs
from canlevel.storage.lock import writer_lock
from canlevel.storage.parts import check_sums, parts_in, read_part, read_whole
from canlevel.storage.writer import DAY_US, Writer, day_name
from canlevel.tables import (
    CLOCK,
    FLOWS,
    OUTAGES,
    READINGS,
    TIME_TYPE,
    WORD,
    empty,
    matching,
    rows_at,
    times_us,
    timestamp_us,
)

if TYPE_CHECKING:
    import pandas as pd
    from pyarrow.dataset import Dataset

__all__ = [
    "DERIVED",
    "FORMAT_VERSION",
    "LARGEST_MARKER",
    "MARKER",
    "MARKS",
    "ROSTER",
    "Store",
    "create_store",
    "is_store",
    "marks_table",
    "open_store",
    "vessel_of",
]

FORMAT_VERSION = 1
MARKER, ROSTER = "canlevel-store.json", "roster.json"
LARGEST_MARKER = 1024 * 1024
DERIVED, LAST_RUN, REVISING = ".derived.json", ".last-run.json", ".revising.json"
MARKS = {"outages": OUTAGES, "clock": CLOCK}


def open_store(path: str | Path) -> Store:
    """Open an existing store for reading. Raises StoreError where there is none, or it is of a newer format."""
    path = Path(path)
    marker = path / MARKER
    try:
        with marker.open("rb") as file:
            text = file.read(LARGEST_MARKER)
    except (FileNotFoundError, NotADirectoryError):
        raise StoreError(
            "is no store" if path.exists() else "no such store",
            where=Place(str(path)),
            next_step=f"make one with: canlevel log SOURCE --store {path}",
        ) from None
    except OSError as error:
        raise as_store_error(error, path) from error
    return Store(path, vessel_of(text, str(path)))


def vessel_of(marker: bytes, store: str) -> str | None:
    """The vessel that the marker file of a store names. marker: its content. store: where the store is, for people.

    Raises StoreError for a marker that cannot be read, and for a newer format.
    """
    try:
        facts = json.loads(marker)
        version, vessel = int(facts["format_version"]), facts.get("vessel")
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise StoreError(
            "is damaged: it does not tell its format version",
            where=Place(f"{store}/{MARKER}"),
            next_step=f'if the folder is a store, write into this file: {{"format_version": {FORMAT_VERSION}}}',
        ) from error
    if version > FORMAT_VERSION:
        raise StoreError(
            f"has format version {version}; this canlevel knows {FORMAT_VERSION}",
            where=Place(store),
            next_step="install a newer canlevel",
        )
    return vessel if isinstance(vessel, str) else None


def is_store(path: str | Path) -> bool:
    """Whether a folder is a store, whole or not; False for what cannot be looked at."""
    try:
        return (Path(path) / MARKER).is_file()
    except (OSError, ValueError):
        return False


def create_store(path: str | Path, *, vessel: str | None = None) -> Store:
    """Open a store, making it first where the folder is missing or empty. vessel is noted in a new store.

    Raises StoreError where the path is a file, a folder of other things, or cannot be written.
    """
    path = Path(path)
    try:
        if (path / MARKER).exists():
            return open_store(path)
        if path.exists() and not path.is_dir():
            raise StoreError("is a file, not a folder", where=Place(str(path)), next_step="name a folder for the store")
        # A disk of its own has a folder lost+found.
        if path.is_dir() and any(entry.name != "lost+found" for entry in path.iterdir()):
            raise StoreError(
                "holds other things and is no store",
                where=Place(str(path)),
                next_step="name a new or an empty folder",
            )
        disk.make_folder(path)
        facts = {"format_version": FORMAT_VERSION, "vessel": vessel}
        write_whole(path / MARKER, json.dumps(facts, ensure_ascii=False, indent=2) + "\n")
        disk.make_folder(path / "readings")
    except OSError as error:
        raise as_store_error(error, path) from error
    return Store(path, vessel)


@dataclass(frozen=True, slots=True)
class Store:
    """A store that exists. Any number of readers may use it while one writer appends."""

    path: Path
    vessel: str | None = None

    def to_arrow(
        self,
        *,
        tank: str | None = None,
        since: datetime | str | None = None,
        until: datetime | str | None = None,
        columns: list[str] | None = None,
        in_order: bool = True,
    ) -> pa.Table:
        """READINGS (or some of its columns) in the order of time: of one tank id, from `since` on, before `until`.

        in_order: without it rows come as they lie in the parts, which takes half the memory.

        Naive moments mean UTC. Files and days outside the limits are not read.
        """
        import pyarrow.dataset as ds  # brings half of pandas with it, which writing does not need

        schema = READINGS if columns is None else pa.schema([READINGS.field(name) for name in columns])
        chosen = matching(tank, since, until)

        def read(parts: list[Path]) -> pa.Table:
            if not parts:
                return empty(schema)
            dataset = ds.dataset([str(part) for part in _summed(parts)], schema=READINGS, format=_checked_parquet())
            return dataset.to_table(columns=schema.names, filter=chosen).unify_dictionaries()

        table = read_whole(lambda: self.parts(since, until), READINGS, read, self.path)
        return table.sort_by("time") if in_order and "time" in schema.names else table

    def readings(
        self, *, tank: str | None = None, since: datetime | str | None = None, until: datetime | str | None = None
    ) -> pd.DataFrame:
        """The same as to_arrow() as a pandas frame."""
        frame: pd.DataFrame = self.to_arrow(tank=tank, since=since, until=until).to_pandas()
        return frame

    def scan(
        self, *, tank: str | None = None, since: datetime | str | None = None, until: datetime | str | None = None
    ) -> Dataset:
        """READINGS as a pyarrow dataset, of which Polars, DuckDB and others read what they need; rows as they lie in the parts.

        Limits are those of to_arrow(). Days outside a reader's own limits on `time` are passed over, too, without being opened.
        Its files are those of this moment: once the store has merged a day, or a logger runs, ask for it anew.
        """
        import pyarrow.dataset as ds
        from pyarrow.fs import LocalFileSystem

        parts = read_whole(lambda: self.parts(since, until), READINGS, _summed, self.path)
        form, files = _checked_parquet(), LocalFileSystem()
        fragments = [
            form.make_fragment(str(part), filesystem=files, partition_expression=_within_day(part)) for part in parts
        ]
        dataset = ds.FileSystemDataset(fragments, READINGS, form, files)
        limited = tank is not None or since is not None or until is not None
        return dataset.filter(matching(tank, since, until)) if limited else dataset

    def day_columns(self, since: datetime | str, until: datetime | str, columns: list[str]) -> pa.Table:
        """Some columns of all READINGS of the days from that of `since` to that of `until`, in the order of time.

        Unlike to_arrow() it brings no further libraries with it.
        """
        schema = pa.schema([READINGS.field(name) for name in columns])

        def read(parts: list[Path]) -> list[pa.Table]:
            return [read_part(part, READINGS, columns) for part in parts]

        tables = read_whole(lambda: self.parts(since, until), READINGS, read, self.path)
        if not tables:
            return empty(schema)
        table = pa.concat_tables(tables).unify_dictionaries().combine_chunks()
        return rows_at(table, np.argsort(times_us(table), kind="stable"))

    def scan_flows(
        self, *, tank: str | None = None, since: datetime | str | None = None, until: datetime | str | None = None
    ) -> pa.Table:
        """FLOWS as they were last derived, in the order of their start: of one tank id, that ended after `since` and began
        before `until`. Naive moments mean UTC. Raises StoreError for a damaged part: flows can be derived anew.
        """
        import pyarrow.compute as pc
        import pyarrow.dataset as ds

        # A flow may have begun on the day before.
        begin_us = None if since is None else max(timestamp_us(since) - DAY_US, 0)
        first = None if begin_us is None else datetime.fromtimestamp(begin_us / 1e6, UTC)
        chosen: pc.Expression = pc.scalar(True)
        if tank is not None:
            chosen &= ds.field("tank") == tank
        if since is not None:
            chosen &= ds.field("end") > pa.scalar(timestamp_us(since), FLOWS.field("end").type)
        if until is not None:
            chosen &= ds.field("start") < pa.scalar(timestamp_us(until), FLOWS.field("start").type)

        def read(parts: list[Path]) -> pa.Table:
            if not parts:
                return empty(FLOWS)
            dataset = ds.dataset([str(part) for part in parts], schema=FLOWS, format=_checked_parquet())
            return dataset.to_table(filter=chosen).unify_dictionaries().sort_by("start")

        return read_whole(lambda: self._day_parts("flows", first, until), FLOWS, read, self.path, strictly=True)

    def marks(self, kind: str) -> pa.Table:
        """OUTAGES or CLOCK (kind "outages" or "clock") of the store, in the order of their beginning.

        A row that a crash has left twice comes once.
        """
        schema = MARKS[kind]

        def read(parts: list[Path]) -> pa.Table:
            return pa.concat_tables([empty(schema), *(read_part(part, schema) for part in parts)]).unify_dictionaries()

        marks = read_whole(lambda: self._day_parts(kind, None, None), schema, read, self.path).sort_by("from")
        first: dict[tuple[Any, ...], int] = {}
        for i, row in enumerate(zip(*(marks.column(name).to_pylist() for name in schema.names), strict=True)):
            first.setdefault(row, i)
        return rows_at(marks, np.array(list(first.values()), np.int64))

    def add_marks(self, kind: str, marks: pa.Table) -> None:
        """Append to OUTAGES or CLOCK. marks: n rows, each with a beginning. Raises OSError."""
        begin_us = times_us(marks, "from")
        for day in sorted(set((begin_us // DAY_US).tolist())):
            rows = rows_at(marks, np.flatnonzero(begin_us // DAY_US == day))
            commit_part(rows, self.path / kind / day_name(day * DAY_US), int(times_us(rows, "from").min()))

    def replace_flows(self, day: str, flows: pa.Table) -> None:
        """Put the FLOWS that began on a day ("2026-05-01") in the place of those that are stored. Raises StoreError."""
        folder = self.path / "flows" / f"date={day}"
        try:
            if len(flows):
                replace_part(flows, folder / "flows.parquet")
            else:
                disk.remove(folder / "flows.parquet")
        except OSError as error:
            raise as_store_error(error, self.path) from error

    def derived_from(self) -> dict[str, Any]:
        """What the stored flows were derived from, as note_derived() was told; empty where that is not known."""
        return read_document(self.path / "flows" / DERIVED, dict) or {}

    def note_derived(self, facts: dict[str, Any]) -> None:
        """Note what the stored flows were derived from. Raises StoreError."""
        try:
            (self.path / "flows").mkdir(exist_ok=True)
            write_whole(self.path / "flows" / DERIVED, json.dumps(facts) + "\n")
        except OSError as error:
            raise as_store_error(error, self.path) from error

    def roster(self) -> Roster:
        """The roster that readings were last logged with; one without tanks where there was none, or none that can be read."""
        with suppress(ValueError):
            return Roster.from_dict(read_document(self.path / ROSTER, dict, LARGEST_MARKER) or {})
        return Roster(self.vessel)

    def note_roster(self, roster: Roster) -> None:
        """Remember a roster, for its limits, names and shapes. Raises StoreError."""
        if roster == self.roster():
            return
        try:
            write_whole(self.path / ROSTER, json.dumps(roster.to_dict(), ensure_ascii=False, indent=1) + "\n")
        except OSError as error:
            raise as_store_error(error, self.path) from error

    def last_run(self) -> dict[str, Any]:
        """What the last run that wrote to the store noted of itself; empty where there is none, or none that can be read."""
        return read_document(self.path / LAST_RUN, dict) or {}

    def note_run(self, **facts: Any) -> None:
        """Note for the next run, beside what is noted already: "rates", what rates are remembered. Raises OSError."""
        write_whole(self.path / LAST_RUN, json.dumps(self.last_run() | facts) + "\n")

    def note_vessel(self, vessel: str) -> None:
        """Let what is logged from now on be of a vessel, where no roster says otherwise. Raises StoreError."""
        facts = (read_document(self.path / MARKER, dict, LARGEST_MARKER) or {}) | {"vessel": vessel}
        try:
            write_whole(self.path / MARKER, json.dumps(facts, ensure_ascii=False, indent=2) + "\n")
        except OSError as error:
            raise as_store_error(error, self.path) from error

    def revising(self) -> dict[str, Any] | None:
        """What a revision covers that is under way, or was cut off, as note_revising() was told; None without one."""
        return read_document(self.path / REVISING, dict, LARGEST_MARKER)

    def note_revising(self, facts: dict[str, Any] | None) -> None:
        """Note what a revision covers, before its first change, and None once it has come to its end. Raises StoreError."""
        try:
            if facts is not None:
                write_whole(self.path / REVISING, json.dumps(facts) + "\n")
            elif (self.path / REVISING).exists():
                disk.remove(self.path / REVISING)
                disk.sync_folder(self.path)
        except OSError as error:
            raise as_store_error(error, self.path) from error

    def day_folders(self, kind: str = "readings") -> list[Path]:
        """The folders of the days of READINGS, OUTAGES or CLOCK, in order."""
        return [day for day in _listed(self.path / kind) if day.name.startswith("date=") and day.is_dir()]

    def be_there(self) -> None:
        """Raises FileNotFoundError where the store is gone: a disk that was pulled out leaves an empty folder behind, which
        must not be filled."""
        (self.path / MARKER).stat()

    def parts(self, since: datetime | str | None = None, until: datetime | str | None = None) -> list[Path]:
        """The finished part files of readings whose day touches the limits, in order."""
        return self._day_parts("readings", since, until)

    def _day_parts(self, kind: str, since: datetime | str | None, until: datetime | str | None) -> list[Path]:
        first = None if since is None else day_name(timestamp_us(since))
        last = None if until is None else day_name(timestamp_us(until))
        try:
            # Not by globbing, which passes over a folder that may not be read as if it were empty.
            if kind != "readings" and not (self.path / kind).exists():
                return []
            days = sorted(folder for folder in (self.path / kind).iterdir() if folder.name.startswith("date="))
            return [
                part
                for day in days
                if (first is None or day.name >= first) and (last is None or day.name <= last)
                for part in parts_in(day)
            ]
        except OSError as error:
            raise as_store_error(error, Path(error.filename or self.path)) from error

    @property
    def left_undone(self) -> bool:
        """Whether a run that did not end in order has left something that whoever writes next puts right."""
        return bool(journal_runs(self.path)) or any((self.path / name).exists() for name in (CHANGE, STAGING))

    @contextmanager
    def writing(self, *, wait_s: float = 0.0) -> Iterator[Writer]:
        """A Writer, the only one on this store; what it still holds is committed at the end, also after an error.

        Before, what a crash has left half done is put right. Raises StoreError while another writer is at work, also after
        waiting for it for so long.
        """
        with self.locked(wait_s=wait_s):
            writer = Writer(self)
            try:
                yield writer
            finally:
                writer.commit()

    @contextmanager
    def locked(self, *, wait_s: float = 0.0) -> Iterator[None]:
        """Hold the store as its only writer, with nothing left half done but for a journal. Raises StoreError."""
        with ExitStack() as held:
            try:
                held.enter_context(writer_lock(self.path, wait_s=wait_s))
                self._put_right()
            except OSError as error:
                raise as_store_error(error, self.path) from error
            yield

    def _put_right(self) -> None:
        """Finish a change of files that a crash has interrupted, and remove files that it left unfinished."""
        finish_change(self.path)
        disk.remove_folder(self.path / STAGING)
        # Not in flows/, which a reader may be deriving at this moment.
        for kind in ("readings", *MARKS):
            for day in _listed(self.path / kind):
                for file in _listed(day):
                    if file.name.startswith(".") and file.name.endswith(UNFINISHED):
                        disk.remove(file)


def marks_table(kind: str, rows: list[dict[str, Any]], vessel: str | None) -> pa.Table:
    """OUTAGES or CLOCK of rows, times in microseconds; what a row does not tell is null."""
    columns = []
    for part in MARKS[kind]:
        values = [row.get(part.name, vessel if part.name == "vessel" else None) for row in rows]
        if part.type == WORD:
            columns.append(pa.array(values, pa.string()).dictionary_encode())
        else:
            columns.append(pa.array(values, part.type))
    return pa.table(columns, schema=MARKS[kind])


def _summed(parts: list[Path]) -> list[Path]:
    """The same parts, none of which is known to be damaged. Raises one of DAMAGED."""
    for part in parts:
        check_sums(part)
    return parts


def _within_day(part: Path) -> Any:
    """What is true of every reading in a part: that it is of the day that its folder is named after."""
    import pyarrow.dataset as ds

    begin = datetime.fromisoformat(part.parent.name.removeprefix("date=")).replace(tzinfo=UTC)
    first, after = (pa.scalar(at, TIME_TYPE) for at in (begin, begin + timedelta(days=1)))
    return (ds.field("time") >= first) & (ds.field("time") < after)


def _checked_parquet() -> Any:
    """Parquet whose pages are checked against the sums they carry."""
    import pyarrow.dataset as ds

    return ds.ParquetFileFormat(
        default_fragment_scan_options=ds.ParquetFragmentScanOptions(page_checksum_verification=True)
    )


def _listed(folder: Path) -> list[Path]:
    """What is in a folder, in order; nothing where there is none, or it has gone meanwhile."""
    try:
        return sorted(folder.iterdir())
    except (FileNotFoundError, NotADirectoryError):
        return []
