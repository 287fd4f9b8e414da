"""The store: a folder of Parquet that any Parquet reader opens, and that only ever grows by whole files.

    STORE/
      canlevel-store.json                 format version, vessel
      readings/date=2026-05-01/….parquet  READINGS
      flows/date=2026-05-01/flows.parquet FLOWS that began on that day, derived from the readings and replaced when these grow

Readings are told apart by time, tank, source address, level and status: the same recording read twice, or two recordings
that overlap, add only what is new, whatever the channel was called.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from canlevel.errors import Place, StoreError
from canlevel.storage.commit import as_store_error, commit_part, replace_part, write_whole
from canlevel.storage.lock import writer_lock
from canlevel.tables import (
    FLOWS,
    IDENTITY,
    READINGS,
    UNKNOWN_TIME_US,
    distinct,
    empty,
    first_of_each,
    matching,
    rows_at,
    times_us,
    timestamp_us,
)

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["FORMAT_VERSION", "Store", "Writer", "create_store", "open_store"]

FORMAT_VERSION = 1
MARKER = "canlevel-store.json"
DERIVED, RATES = ".derived.json", ".rates.json"
DAY_US = 86_400_000_000
PART_ROWS = 65_536  # rows kept in memory before a part is written, whatever the clock says


def open_store(path: str | Path) -> Store:
    """Open an existing store for reading. Raises StoreError where there is none, or it is of a newer format."""
    path = Path(path)
    marker = path / MARKER
    try:
        text = marker.read_text(encoding="utf-8")
    except (FileNotFoundError, NotADirectoryError):
        raise StoreError(
            "is no store" if path.exists() else "no such store",
            where=Place(str(path)),
            next_step=f"make one with: canlevel log SOURCE --store {path}",
        ) from None
    except OSError as error:
        raise as_store_error(error, path) from error
    try:
        facts = json.loads(text)
        version = int(facts["format_version"])
    except (ValueError, KeyError, TypeError) as error:
        raise StoreError(
            "is damaged: it does not tell its format version",
            where=Place(str(marker)),
            next_step=f'if the folder is a store, write into this file: {{"format_version": {FORMAT_VERSION}}}',
        ) from error
    if version > FORMAT_VERSION:
        raise StoreError(
            f"has format version {version}; this canlevel knows {FORMAT_VERSION}",
            where=Place(str(path)),
            next_step="install a newer canlevel",
        )
    return Store(path, facts.get("vessel"))


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
        if path.is_dir() and any(path.iterdir()):
            raise StoreError(
                "holds other things and is no store",
                where=Place(str(path)),
                next_step="name a new or an empty folder",
            )
        path.mkdir(parents=True, exist_ok=True)
        facts = {"format_version": FORMAT_VERSION, "vessel": vessel}
        write_whole(path / MARKER, json.dumps(facts, ensure_ascii=False, indent=2) + "\n")
        (path / "readings").mkdir(exist_ok=True)
    except OSError as error:
        raise as_store_error(error, path) from error
    return Store(path, vessel)


@dataclass(frozen=True, slots=True)
class Store:
    """A store that exists. Any number of readers may use it while one writer appends."""

    path: Path
    vessel: str | None = None

    def scan(
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

        parts = self.parts(since, until)
        schema = READINGS if columns is None else pa.schema([READINGS.field(name) for name in columns])
        if not parts:
            return empty(schema)
        try:
            dataset = ds.dataset([str(part) for part in parts], schema=READINGS, format="parquet")
            table = dataset.to_table(columns=schema.names, filter=matching(tank, since, until)).unify_dictionaries()
        except (pa.ArrowInvalid, OSError) as error:
            raise _damaged(parts, error) from error
        return table.sort_by("time") if in_order and "time" in schema.names else table

    def readings(
        self, *, tank: str | None = None, since: datetime | str | None = None, until: datetime | str | None = None
    ) -> pd.DataFrame:
        """The same as scan() as a pandas frame."""
        frame: pd.DataFrame = self.scan(tank=tank, since=since, until=until).to_pandas()
        return frame

    def day_columns(self, since: datetime | str, until: datetime | str, columns: list[str]) -> pa.Table:
        """Some columns of all READINGS of the days from that of `since` to that of `until`, in the order of time.

        Unlike scan() it brings no further libraries with it.
        """
        schema = pa.schema([READINGS.field(name) for name in columns])
        tables = []
        for part in self.parts(since, until):
            try:
                table = pq.ParquetFile(part).read(columns=columns).select(columns)
                tables.append(table if table.schema.equals(schema) else table.cast(schema))
            except (pa.ArrowInvalid, OSError, KeyError) as error:
                raise _damaged([part], error) from error
        if not tables:
            return empty(schema)
        table = pa.concat_tables(tables).unify_dictionaries().combine_chunks()
        return rows_at(table, np.argsort(times_us(table), kind="stable"))

    def scan_flows(
        self, *, tank: str | None = None, since: datetime | str | None = None, until: datetime | str | None = None
    ) -> pa.Table:
        """FLOWS as they were last derived, in the order of their start: of one tank id, that ended after `since` and began
        before `until`. Naive moments mean UTC."""
        import pyarrow.compute as pc
        import pyarrow.dataset as ds

        # A flow may have begun on the day before.
        first = None if since is None else datetime.fromtimestamp(timestamp_us(since) / 1e6, UTC) - timedelta(days=1)
        parts = self._day_parts("flows", first, until)
        if not parts:
            return empty(FLOWS)
        try:
            dataset = ds.dataset([str(part) for part in parts], schema=FLOWS, format="parquet")
            chosen: pc.Expression = pc.scalar(True)
            if tank is not None:
                chosen &= ds.field("tank") == tank
            if since is not None:
                chosen &= ds.field("end") > pa.scalar(timestamp_us(since), FLOWS.field("end").type)
            if until is not None:
                chosen &= ds.field("start") < pa.scalar(timestamp_us(until), FLOWS.field("start").type)
            return dataset.to_table(filter=chosen).unify_dictionaries().sort_by("start")
        except (pa.ArrowInvalid, OSError) as error:
            raise _damaged(parts, error) from error

    def replace_flows(self, day: str, flows: pa.Table) -> None:
        """Put the FLOWS that began on a day ("2026-05-01") in the place of those that are stored. Raises StoreError."""
        folder = self.path / "flows" / f"date={day}"
        try:
            if len(flows):
                replace_part(flows, folder / "flows.parquet")
            else:
                (folder / "flows.parquet").unlink(missing_ok=True)
        except OSError as error:
            raise as_store_error(error, self.path) from error

    def derived_from(self) -> dict[str, Any]:
        """What the stored flows were derived from, as note_derived() was told; empty where that is not known."""
        try:
            known = json.loads((self.path / "flows" / DERIVED).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return known if isinstance(known, dict) else {}

    def note_derived(self, facts: dict[str, Any]) -> None:
        """Note what the stored flows were derived from. Raises StoreError."""
        try:
            (self.path / "flows").mkdir(exist_ok=True)
            write_whole(self.path / "flows" / DERIVED, json.dumps(facts) + "\n")
        except OSError as error:
            raise as_store_error(error, self.path) from error

    def rates_state(self) -> list[Any]:
        """What the last run remembered of each tank for its rates; empty where there is none, or none that can be read."""
        try:
            known = json.loads((self.path / RATES).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return []
        return known if isinstance(known, list) else []

    def note_rates(self, state: list[Any]) -> None:
        """Remember the state of the rates for the next run. Raises StoreError."""
        try:
            write_whole(self.path / RATES, json.dumps(state) + "\n")
        except OSError as error:
            raise as_store_error(error, self.path) from error

    def parts(self, since: datetime | str | None = None, until: datetime | str | None = None) -> list[Path]:
        """The finished part files of readings whose day touches the limits, in order."""
        return self._day_parts("readings", since, until)

    def _day_parts(self, kind: str, since: datetime | str | None, until: datetime | str | None) -> list[Path]:
        first = None if since is None else _day_name(timestamp_us(since))
        last = None if until is None else _day_name(timestamp_us(until))
        try:
            # Not by globbing, which passes over a folder that may not be read as if it were empty.
            if kind != "readings" and not (self.path / kind).exists():
                return []
            days = sorted(folder for folder in (self.path / kind).iterdir() if folder.name.startswith("date="))
            return [
                part
                for day in days
                if (first is None or day.name >= first) and (last is None or day.name <= last)
                for part in sorted(day.iterdir())
                if part.suffix == ".parquet" and not part.name.startswith((".", "_"))
            ]
        except OSError as error:
            raise as_store_error(error, Path(error.filename or self.path)) from error

    @contextmanager
    def writing(self) -> Iterator[Writer]:
        """A Writer, the only one on this store; what it still holds is committed at the end, also after an error.

        Raises StoreError while another writer is at work.
        """
        with ExitStack() as held:
            try:
                held.enter_context(writer_lock(self.path))
            except OSError as error:
                raise as_store_error(error, self.path) from error
            writer = Writer(self)
            try:
                yield writer
            finally:
                writer.commit()


@dataclass(slots=True)
class Writer:
    """Appends readings to a store. added and known count what was new and what was there already."""

    store: Store
    added: int = 0
    known: int = 0
    _waiting: list[pa.Table] = field(default_factory=list)
    _waiting_rows: int = 0
    _spans: dict[Path, tuple[int, int]] = field(default_factory=dict)

    def append(self, readings: pa.Table) -> None:
        """Take READINGS, all with a time; they reach the disk at the next commit, or by themselves when they are many."""
        if len(readings):
            self._waiting.append(readings)
            self._waiting_rows += len(readings)
            if self._waiting_rows >= PART_ROWS:
                self.commit()

    def commit(self) -> None:
        """Write what is waiting, one part file for each day. Raises StoreError where the disk refuses; nothing is lost then:
        what is waiting stays and the next commit tries again."""
        if not self._waiting:
            return
        table = pa.concat_tables(self._waiting).unify_dictionaries()
        time_us = times_us(table)
        if (time_us == UNKNOWN_TIME_US).any():
            raise ValueError("readings without a time cannot be stored")
        days = time_us // DAY_US
        try:
            for day in distinct(days)[0].tolist():
                mine = np.flatnonzero(days == day)
                fresh = self._new_rows(rows_at(table, mine), day)
                if len(fresh):
                    folder = self.store.path / "readings" / _day_name(day * DAY_US)
                    fresh_us = times_us(fresh)
                    part = commit_part(fresh, folder, int(fresh_us[0]))
                    self._spans[part] = (int(fresh_us[0]), int(fresh_us[-1]))
                self.added += len(fresh)
                self.known += len(mine) - len(fresh)
                # A later day that fails must not bring this one back.
                table = rows_at(table, np.flatnonzero(days != day)) if len(mine) < len(table) else table.slice(0, 0)
                days = days[days != day]
                self._waiting, self._waiting_rows = ([table] if len(table) else []), len(table)
        except OSError as error:
            raise as_store_error(error, self.store.path) from error

    def _new_rows(self, table: pa.Table, day: int) -> pa.Table:
        """The rows of one day that the store does not have, each once, in the order of time."""
        time_us = times_us(table)
        low, high = int(time_us.min()), int(time_us.max())
        stored = [part for part in self._parts_of(day) if self._touches(part, low, high)]
        tables = [_read_keys(part, low, high) for part in stored]
        keys = pa.concat_tables([*tables, table.select(IDENTITY)]).unify_dictionaries().combine_chunks()
        fresh = first_of_each(keys)[len(keys) - len(table) :]
        rows = np.flatnonzero(fresh)
        rows = rows[np.argsort(time_us[rows], kind="stable")]
        return rows_at(table, rows)

    def _parts_of(self, day: int) -> list[Path]:
        moment = datetime.fromtimestamp(day * 86_400, UTC)
        return self.store.parts(moment, moment)

    def _touches(self, part: Path, low_us: int, high_us: int) -> bool:
        """Whether a part has readings in a span of time, by the statistics it carries."""
        span = self._spans.get(part)
        if span is None:
            span = self._spans[part] = _time_span(part)
        return span[0] <= high_us and span[1] >= low_us


def _read_keys(part: Path, low_us: int, high_us: int) -> pa.Table:
    try:
        table = pq.ParquetFile(part).read(columns=IDENTITY)
    except (pa.ArrowInvalid, OSError) as error:
        raise _damaged([part], error) from error
    table = table.cast(pa.schema([READINGS.field(name) for name in IDENTITY]))
    time_us = times_us(table)
    within = (time_us >= low_us) & (time_us <= high_us)
    return table if within.all() else rows_at(table, np.flatnonzero(within))


def _time_span(part: Path) -> tuple[int, int]:
    try:
        facts = pq.read_metadata(part)
    except (pa.ArrowInvalid, OSError) as error:
        raise _damaged([part], error) from error
    groups = [
        facts.row_group(i).column(READINGS.get_field_index("time")).statistics for i in range(facts.num_row_groups)
    ]
    if not groups:
        return (0, -1)
    return (
        min(timestamp_us(group.min) for group in groups),
        max(timestamp_us(group.max) for group in groups),
    )


def _damaged(parts: list[Path], error: Exception) -> StoreError:
    for part in parts:
        try:
            pq.read_metadata(part)
        except (pa.ArrowInvalid, OSError) as fault:
            return StoreError(
                f"is not a whole Parquet file ({str(fault).splitlines()[0]})",
                where=Place(str(part)),
                next_step="move it out of the store; the other parts stay good",
            )
    return StoreError(f"cannot be read ({str(error).splitlines()[0]})", where=Place(str(parts[0].parent)))


def _day_name(time_us: int) -> str:
    return f"date={date(1970, 1, 1) + timedelta(days=time_us // DAY_US)}"
