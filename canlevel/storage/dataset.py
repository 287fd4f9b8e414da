"""A result for many stores as partitioned Parquet, on this computer or in an object store, through fsspec.

    TO/
      _canlevel-fleet.json                    which question it answers, whether it is finished, what failed
      month=2026-05/stores-0003-of-0016.parquet

A file appears whole or not at all: by a rename here, by a single put in an object store. Its name depends on what is in it
alone, so that a task that runs twice writes the same file twice. Files of an earlier run that this one has not written go when
it ends.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pyarrow as pa

from canlevel.errors import Place, QueryError
from canlevel.storage.commit import as_store_error, part_content, replace_part, write_whole
from canlevel.storage.disk import make_folder
from canlevel.storage.parts import PARQUET, read_content
from canlevel.storage.reader import file_system
from canlevel.tables import empty

__all__ = ["Dataset"]

NOTE = "_canlevel-fleet.json"
LOCAL = "file"


class Dataset:
    """The place of a result. path: a folder, or its URL."""

    def __init__(self, path: str) -> None:
        self._system, self._root = file_system(path)
        self._local = LOCAL in (
            (self._system.protocol,) if isinstance(self._system.protocol, str) else self._system.protocol
        )

    @property
    def url(self) -> str:
        """Where it is: an absolute path on this computer, else a URL."""
        return self._root if self._local else str(self._system.unstrip_protocol(self._root))

    def begin(self, question: dict[str, Any]) -> None:
        """Note what is asked, before anything is written. Raises QueryError where the place is taken by something else."""
        note = self._note()
        if note is None and self._system.exists(self._root) and self._system.ls(self._root, detail=False):
            raise QueryError(
                "holds other things, and is no result for a fleet",
                where=Place(self._root),
                next_step="name a new or an empty folder",
            )
        if note is not None and note.get("question") != question:
            raise QueryError(
                "holds the answer to another question", where=Place(self._root), next_step="name another folder"
            )
        self._put_note({"question": question, "finished": False})

    def put(self, name: str, table: pa.Table) -> None:
        """Write a table as the file of a name ("month=2026-05/….parquet"), in the place of one that is there."""
        try:
            if self._local:
                replace_part(table, Path(self._root) / name)
            else:
                self._system.pipe_file(f"{self._root}/{name}", part_content(table))
        except OSError as error:
            raise as_store_error(error, Path(self._root)) from error

    def end(self, question: dict[str, Any], files: Iterable[str], facts: dict[str, Any]) -> None:
        """Remove files of an earlier run that are not among `files`, and note that the result is finished."""
        kept = sorted(files)
        for name in set(self.files()) - set(kept):
            self._system.rm_file(f"{self._root}/{name}")
        self._put_note({"question": question, "finished": True, **facts, "files": kept})

    def files(self) -> list[str]:
        """The names of its files of Parquet, in order."""
        self._system.invalidate_cache(self._root)
        start = len(self._root.rstrip("/")) + 1
        names = [str(name)[start:] for name in self._system.find(self._root)]
        return sorted(
            name for name in names if name.endswith(PARQUET) and not name.rsplit("/", 1)[-1].startswith((".", "_"))
        )

    def read(self, schema: pa.Schema, files: Iterable[str] | None = None) -> pa.Table:
        """All rows of some of its files, or of all, in the order of the files' names."""
        names = self.files() if files is None else files
        tables = [read_content(self._system.cat_file(f"{self._root}/{name}"), schema) for name in names]
        return pa.concat_tables([empty(schema), *tables]).unify_dictionaries()

    def _note(self) -> dict[str, Any] | None:
        try:
            note = json.loads(self._system.cat_file(f"{self._root}/{NOTE}"))
        except FileNotFoundError:
            return None
        except ValueError:
            return {}
        return note if isinstance(note, dict) else {}

    def _put_note(self, note: dict[str, Any]) -> None:
        text = json.dumps(note, ensure_ascii=False, indent=1) + "\n"
        try:
            if self._local:
                make_folder(Path(self._root))
                write_whole(Path(self._root) / NOTE, text)
            else:
                self._system.pipe_file(f"{self._root}/{NOTE}", text.encode())
        except OSError as error:
            raise as_store_error(error, Path(self._root)) from error
