"""How parts are laid out in Parquet. (Stands in until the measured layout comes.)"""

from __future__ import annotations

from pathlib import Path
from typing import BinaryIO

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from canlevel.tables import rows_at, times_us

__all__ = ["read_verified", "tidied", "write_readings"]


def tidied(readings: pa.Table) -> pa.Table:
    """One day's READINGS in the order in which a merged file holds them."""
    return rows_at(readings, np.argsort(times_us(readings), kind="stable"))


def write_readings(table: pa.Table, file: BinaryIO) -> None:
    """Write a part."""
    pq.write_table(table, file, compression="zstd", write_page_checksum=True)


def read_verified(path: Path, columns: list[str] | None = None) -> pa.Table:
    """Read a part, checked against the sums it carries."""
    return pq.ParquetFile(path, page_checksum_verification=True).read(columns=columns)
