"""The readings of other stores taken into one: of two loggers, say, that each kept their own.

Known readings are known again, as with a recording, so that the same store twice adds nothing. Readings come as they are
stored, names and rates too; `revise` then makes one history of them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa

from canlevel.errors import Place, StoreError
from canlevel.history import bring_flows_up_to_date
from canlevel.recovery import WAIT_FOR_OTHERS_S, bring_in, open_whole
from canlevel.storage.commit import as_store_error
from canlevel.storage.parts import parts_in, read_kept, read_whole
from canlevel.storage.store import MARKS, Store, create_store, is_store
from canlevel.tables import READINGS, rows_at, times_us

__all__ = ["Joined", "join_stores"]


@dataclass(frozen=True, slots=True)
class Joined:
    """What was taken in. added: readings that were new; known: that the store had already."""

    store: Store
    added: int
    known: int


def join_stores(others: str | Path | Iterable[str | Path], store: str | Path) -> Joined:
    """Append what other stores hold to the store at a path, made if it is not there: readings, outages, spans of the clock.

    What a run left in another store's journal is brought in there first. Raises StoreError, also where one of them is the
    store itself.
    """
    opened = [open_whole(path) for path in ([others] if isinstance(others, str | Path) else others)]
    vessels = {other.vessel for other in opened}
    for other in opened:
        if is_store(store) and other.path.resolve() == Path(store).resolve():
            raise StoreError(
                "cannot be taken into itself", where=Place(str(other.path)), next_step="name another store"
            )
    target = create_store(store, vessel=vessels.pop() if len(vessels) == 1 else None)
    with target.writing(wait_s=WAIT_FOR_OTHERS_S) as writer:
        bring_in(target, writer)
        before, known = writer.added, writer.known
        for other in opened:
            for day in other.day_folders():
                for table in read_whole(lambda day=day: parts_in(day), READINGS, _read, other.path):  # type: ignore[misc]
                    writer.append(table)
                writer.commit()
            _take_marks(other, target)
        joined = Joined(target, writer.added - before, writer.known - known)
    if joined.added:
        bring_flows_up_to_date(target)
    return joined


def _read(parts: list[Path]) -> list[pa.Table]:
    return [read_kept(part) for part in parts]


def _take_marks(other: Store, target: Store) -> None:
    """OUTAGES and CLOCK of another store that are not there yet."""
    for kind, schema in MARKS.items():
        theirs, ours = other.marks(kind), target.marks(kind)
        there = set(zip(*(ours.column(name).to_pylist() for name in schema.names), strict=True))
        rows = list(zip(*(theirs.column(name).to_pylist() for name in schema.names), strict=True))
        new = np.array([i for i, row in enumerate(rows) if row not in there and row[0] is not None], np.int64)
        if len(new):
            try:
                target.add_marks(kind, rows_at(theirs, new[np.argsort(times_us(theirs, "from")[new], kind="stable")]))
            except OSError as error:
                raise as_store_error(error, target.path) from error
