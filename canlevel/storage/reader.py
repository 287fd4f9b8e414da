"""A store read wherever it lies, on this computer or in an object store, through fsspec. It is only read, never put right.

What is in parts is read. What a run that was cut off has left in its journal is not: `open_whole` brings that in, where the
store is at home. A store in the midst of a change of several files is refused, as its rows may be there twice.

A part is fetched whole, in one request, and held against the sum in its name: it is small (a day of seven tanks has half a
megabyte), and an object store's requests cost more than its bytes.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from contextlib import suppress
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from canlevel.errors import CanlevelError, Place, QueryError, StoreError, printable
from canlevel.roster import Roster
from canlevel.storage.commit import CHANGE
from canlevel.storage.parts import DAMAGED, PARQUET, TRIES, check_content, read_content
from canlevel.storage.store import DERIVED, LARGEST_MARKER, MARKER, MARKS, ROSTER, vessel_of
from canlevel.tables import FLOWS, READINGS, codes_of, empty, rows_at, times_us

if TYPE_CHECKING:
    from fsspec import AbstractFileSystem

__all__ = ["StoreReader", "file_system", "find_stores"]

SCHEMAS = {"readings": READINGS, "flows": FLOWS, **MARKS}
JOURNAL = "journal"
LOCAL = "file"
GLOB = frozenset("*?[")


def file_system(path: str) -> tuple[AbstractFileSystem, str]:
    """The file system of a path or URL, and the path there. Raises QueryError where fsspec, or what it needs, is missing."""
    try:
        from fsspec.core import url_to_fs
    except ImportError as error:
        raise QueryError(
            "fsspec is not installed, by which the stores of a fleet are read",
            next_step="pip install 'canlevel[fleet]', or in a clone: pip install '.[fleet]'",
        ) from error
    try:
        system, there = url_to_fs(path)
    except (ImportError, ValueError) as error:
        raise QueryError(
            f"cannot be reached ({printable(str(error), 160)})",
            where=Place(path),
            next_step="install the package that fsspec names for it, as s3fs for s3://",
        ) from error
    return system, str(there)


def find_stores(paths: str | Path | Iterable[str | Path]) -> list[str]:
    """The URLs (of this computer: absolute paths) of the stores that are meant, each once, in order.

    paths: stores, folders of stores, globs; with the protocol before them where they are not on this computer. What is named
    by itself and is no store comes too, so that it can be told. Raises QueryError where nothing is there at all.
    """
    words = [paths] if isinstance(paths, (str, Path)) else list(paths)
    found: dict[str, None] = {}
    for word in words:
        alone = len(words) == 1
        try:
            found |= dict.fromkeys(_meant(str(word), alone=alone))
        except CanlevelError:
            raise
        except Exception as error:  # whatever the driver of an object store raises
            raise QueryError(
                f"cannot be listed ({printable(str(error) or type(error).__name__, 160)})", where=Place(str(word))
            ) from error
    if not found:
        raise QueryError("no path of a store was given", next_step='name stores, or a glob such as "fleet/*"')
    return sorted(found)


def _meant(word: str, *, alone: bool) -> list[str]:
    system, path = file_system(word)

    def url(there: str) -> str:
        return there if LOCAL in _protocols(system) else str(system.unstrip_protocol(there))

    if GLOB & set(path):
        listed = system.glob(path, detail=True)
        places = [name for name, facts in listed.items() if _is_folder(system, name, facts["type"])]
        if not places:
            raise QueryError(
                "no folder is there", where=Place(word), next_step='name stores, or a glob such as "fleet/*"'
            )
        return [url(place) for place in places if not _hidden(place)]
    if system.exists(f"{path}/{MARKER}"):
        return [url(path)]
    if not system.isdir(path):
        if alone:
            raise QueryError("is not there", where=Place(word), next_step="name a store, or a folder of stores")
        return [url(path)]
    inside = [facts for facts in system.ls(path, detail=True) if not _hidden(facts["name"])]
    stores = [facts["name"] for facts in inside if _is_folder(system, facts["name"], facts["type"])]
    # A folder that holds what a store holds is one that has lost its marker, and no folder of stores.
    if not stores or any(place.rsplit("/", 1)[-1] in SCHEMAS for place in stores):
        return [url(path)]
    return [url(place) for place in stores]


def _is_day(word: str) -> bool:
    with suppress(ValueError):
        return date.fromisoformat(word).isoformat() == word
    return False


def _is_folder(system: AbstractFileSystem, place: str, kind: str) -> bool:
    """Whether a place is a folder, or a link to one."""
    return kind == "directory" or (kind != "file" and bool(system.isdir(place)))


def _hidden(place: str) -> bool:
    return place.rstrip("/").rsplit("/", 1)[-1].startswith((".", "_"))


def _protocols(system: AbstractFileSystem) -> tuple[str, ...]:
    return (system.protocol,) if isinstance(system.protocol, str) else tuple(system.protocol)


class StoreReader:
    """A store of which days are fetched and read. vessel: as its marker names it.

    left_out: (file, why) of parts that were not read, each once. Raises StoreError, and what the file system raises.
    """

    def __init__(self, url: str) -> None:
        self._system, self._root = file_system(url)
        self._url = url
        self._files: dict[str, dict[str, list[str]]] = {}
        self._held: dict[tuple[str, str], dict[str, bytes]] = {}
        self._faulty: set[str] = set()
        self.left_out: list[tuple[str, str]] = []
        self.journal = False
        self._list()
        try:
            marker = self._system.cat_file(f"{self._root}/{MARKER}", end=LARGEST_MARKER)
        except (FileNotFoundError, NotADirectoryError):
            there = self._system.exists(self._root)
            raise StoreError("is no store" if there else "no such store", where=Place(url)) from None
        self.vessel = vessel_of(marker, url)
        if self._system.exists(f"{self._root}/{CHANGE}"):
            raise StoreError(
                "is in the midst of a change of its files, so that rows may be there twice",
                where=Place(url),
                next_step="canlevel tidy, where the store is at home, finishes it",
            )

    def days(self, kind: str = "readings") -> list[str]:
        """The days ("2026-05-01") that have parts of a kind ("readings", "flows", "outages", "clock"), in order."""
        return sorted(self._files.get(kind, {}))

    def names(self, day: str) -> list[str]:
        """The names of the parts of READINGS of a day, in order."""
        return self._files.get("readings", {}).get(day, [])

    def roster(self) -> Roster:
        """The roster that readings were last logged with; one without tanks where there is none that can be read."""
        with suppress(ValueError):
            return Roster.from_dict(self._document(ROSTER))
        return Roster(self.vessel)

    def derived_from(self) -> dict[str, Any]:
        """What the stored flows were derived from; empty where that is not known."""
        return self._document(f"flows/{DERIVED}")

    def hold(self, days: Sequence[str], kind: str = "readings") -> list[str]:
        """Fetch the parts of some days, let go of those of others, and return which of the days have any.

        Damaged ones are left out. Parts that were merged since they were listed are looked for again.
        """
        for attempt in range(TRIES):
            heard = [day for day in days if day in self._files.get(kind, {})]
            try:
                self._held = {(kind, day): self._held.get((kind, day)) or self._fetched(kind, day) for day in heard}
                return heard
            except FileNotFoundError:
                if attempt + 1 < TRIES:
                    self._held = {}
                    self._list()
        raise StoreError(
            "changes faster than it can be read", where=Place(self._url), next_step="try again in a moment"
        )

    def tanks(self) -> list[str]:
        """The tank ids in the READINGS that are held, in order."""
        found: set[str | None] = set()
        for (kind, _), parts in self._held.items():
            for content in parts.values() if kind == "readings" else ():
                codes, words = codes_of(read_content(content, READINGS, ["tank"]).column("tank"))
                found |= {words[code] for code in np.flatnonzero(np.bincount(codes, minlength=len(words))).tolist()}
        return sorted(tank for tank in found if tank is not None)

    def day(self, day: str, columns: list[str], tank: str | None = None) -> pa.Table:
        """Some columns of the READINGS of a day that is held, in the order of time: of one tank, or of all."""
        schema = pa.schema([READINGS.field(name) for name in columns])
        parts = self._held.get(("readings", day), {})
        tables = [read_content(content, READINGS, columns, tank=tank) for content in parts.values()]
        if not tables:
            return empty(schema)
        table = pa.concat_tables(tables).unify_dictionaries().combine_chunks()
        return rows_at(table, np.argsort(times_us(table), kind="stable"))

    def table(self, kind: str) -> pa.Table:
        """FLOWS, OUTAGES or CLOCK of the days that are held of them, as they lie."""
        schema = SCHEMAS[kind]
        tables = [
            read_content(content, schema)
            for (one, _), parts in self._held.items()
            if one == kind
            for content in parts.values()
        ]
        return pa.concat_tables([empty(schema), *tables]).unify_dictionaries().combine_chunks()

    def _fetched(self, kind: str, day: str) -> dict[str, bytes]:
        """The parts of a day that are whole, by name."""
        fetched = {}
        for name in self._files[kind][day]:
            file = f"{kind}/date={day}/{name}"
            if file in self._faulty:
                continue
            try:
                content = self._system.cat_file(f"{self._root}/{file}")
                if not check_content(name, content):
                    read_content(content, SCHEMAS[kind])  # of an older canlevel: nothing tells but to read it
                fetched[name] = content
            except FileNotFoundError:
                raise
            except DAMAGED as error:
                if isinstance(error, OSError) and not isinstance(error, pa.ArrowException) and error.errno is not None:
                    raise  # the disk or the network, and not the part
                words = str(error).strip().splitlines()
                self._faulty.add(file)
                self.left_out.append((file, printable(words[0], 120) if words else type(error).__name__))
        return fetched

    def _document(self, name: str) -> dict[str, Any]:
        try:
            document = json.loads(self._system.cat_file(f"{self._root}/{name}"))
        except (OSError, ValueError):
            return {}
        return document if isinstance(document, dict) else {}

    def _list(self) -> None:
        """List the parts anew: in one request for a thousand files in an object store, folder by folder on a disk."""
        self._system.invalidate_cache(self._root)
        # fsspec's find passes over a folder that may not be read as if it were empty, on a disk.
        local = LOCAL in _protocols(self._system)
        names = self._walked() if local else self._system.find(self._root)
        files: dict[str, dict[str, list[str]]] = {}
        self.journal = False
        for name in names:
            within = str(name)[len(self._root.rstrip("/")) + 1 :].split("/")
            self.journal |= within[0] == JOURNAL
            if len(within) != 3 or within[0] not in SCHEMAS or not within[1].startswith("date="):
                continue
            kind, day, part = within[0], within[1].removeprefix("date="), within[2]
            if part.endswith(PARQUET) and not part.startswith((".", "_")) and _is_day(day):
                files.setdefault(kind, {}).setdefault(day, []).append(part)
        for days in files.values():
            for parts in days.values():
                parts.sort()
        self._files = files

    def _walked(self) -> list[str]:
        def inside(folder: str) -> list[dict[str, Any]]:
            try:
                return list(self._system.ls(folder, detail=True))
            except (FileNotFoundError, NotADirectoryError):
                return []  # gone meanwhile, or never there

        found: list[str] = []
        for kind in SCHEMAS:
            for day in inside(f"{self._root}/{kind}"):
                if day["type"] == "directory":
                    found += [facts["name"] for facts in inside(day["name"]) if facts["type"] == "file"]
        found += [facts["name"] for facts in inside(f"{self._root}/{JOURNAL}")]
        return found
