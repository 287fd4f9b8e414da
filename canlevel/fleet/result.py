"""What a fleet has answered: rows of all stores, and what could not be read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from canlevel.storage.dataset import Dataset
from canlevel.tables import rows_at, word_ranks
from canlevel.words import counted, span_words

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["FleetResult", "Progress", "in_order"]


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the work is. failed: stores of which nothing, or not all, could be read, as far as is known.
    seconds: since it began."""

    done: int
    stores: int
    failed: int
    seconds: float

    def __str__(self) -> str:
        words = f"{self.done:,} of {counted(self.stores, 'store')}, {self.failed:,} with failures"
        if not 0 < self.done < self.stores:
            return words
        return f"{words}, {span_words(self.seconds / self.done * (self.stores - self.done))} left"


@dataclass(frozen=True, eq=False)
class FleetResult:
    """Rows of all stores: frame() for pandas, table() for pyarrow, path where they were written.

    stores: how many were asked. rows: of all of them. failed: what could not be read; its columns: store, file (null: nothing
    of the store was read), why, next_step, traceback (of a fault that is canlevel's own). journals: stores with frames that no
    part holds yet, because a logger is at work or was cut off; open_store, where they are at home, brings them in.
    """

    kind: str
    stores: int
    rows: int
    failed: pa.Table
    journals: list[str]
    path: str | None
    schema: pa.Schema
    files: tuple[str, ...]
    held: pa.Table | None = None

    @property
    def failures(self) -> pd.DataFrame:
        """What could not be read, as a pandas frame: a row for a store, or for a part of one that was left out."""
        frame: pd.DataFrame = self.failed.to_pandas()
        return frame

    def table(self) -> pa.Table:
        """All rows as a pyarrow table, store by store; read back where they were written."""
        if self.held is not None:
            return self.held
        table = Dataset(self.path or "").read(self.schema, self.files)
        return in_order(table)

    def frame(self) -> pd.DataFrame:
        """All rows as a pandas frame, store by store."""
        frame: pd.DataFrame = self.table().to_pandas()
        return frame


def in_order(table: pa.Table) -> pa.Table:
    """Rows store by store; those of one store stay in the order they have."""
    table = table.unify_dictionaries().combine_chunks()
    return rows_at(table, np.argsort(word_ranks(table.column("store")), kind="stable"))
