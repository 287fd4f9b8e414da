"""Pictures of levels in characters: a bar of now, a line over time, a line for each tank."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.derivation.series import series_of
from canlevel.errors import printable

__all__ = ["level_bar", "level_line", "level_picture"]

HEIGHTS = "▁▂▃▄▅▆▇█"
WIDTHS = " ▏▎▍▌▋▊▉█"
EIGHTHS = 8


def level_bar(level_pct: float | None, columns: int) -> str:
    """A bar as long as the tank is full, in eighths of a character, padded to `columns`; blank where it is unknown."""
    if level_pct is None or level_pct != level_pct:
        return " " * columns
    eighths = round(min(max(level_pct, 0.0), 100.0) / 100 * columns * EIGHTHS)
    whole, part = divmod(eighths, EIGHTHS)
    return ("█" * whole + WIDTHS[part] * (part > 0)).ljust(columns)


def level_line(
    at_s: NDArray[np.float64], level_pct: NDArray[np.float64], begin_s: float, end_s: float, columns: int
) -> str:
    """A level over time, empty to full in eight heights, a blank where none was heard. at_s, level_pct: (n,). `columns` long.

    A character shows the mean of its share of the time from begin_s to end_s.
    """
    known = (at_s >= begin_s) & (at_s <= end_s) & ~np.isnan(level_pct)
    place = ((at_s[known] - begin_s) / max(end_s - begin_s, 1e-6) * columns).astype(np.int64)
    place = np.minimum(place, columns - 1)
    sums = np.bincount(place, level_pct[known], columns)
    counts = np.bincount(place, minlength=columns)
    return "".join(
        " " if not count else HEIGHTS[min(max(int(total / count / 100 * EIGHTHS), 0), EIGHTHS - 1)]
        for total, count in zip(sums.tolist(), counts.tolist(), strict=True)
    )


def level_picture(readings: pa.Table, width: int) -> list[str]:
    """Lines of text: for each tank and source its level over the whole time, and below them from when to when."""
    found = list(series_of(readings))
    if not found:
        return []
    labels = [printable(series.name or series.tank, 24) for series in found]
    margin = max(map(len, labels)) + 2
    columns = max(width - margin - 8, 16)
    begin_us = min(series.origin_us for series in found)
    end_us = max(series.origin_us + round(float(series.seconds[-1]) * 1e6) for series in found)
    length_s = max((end_us - begin_us) / 1e6, 1e-6)
    lines = []
    for label, series in zip(labels, found, strict=True):
        at_s = (series.origin_us - begin_us) / 1e6 + series.seconds
        line = level_line(at_s, series.level_pct, 0.0, length_s, columns)
        lines.append(f"{label:<{margin}}{line} {series.level_pct[-1]:5.1f} %")
    first, last = (datetime.fromtimestamp(at // 1_000_000, UTC) for at in (begin_us, end_us))
    style = "%H:%M" if length_s < 36 * 3600 else "%Y-%m-%d"
    ends = f"{first:{style}}", f"{last:{style}} UTC"
    lines.append(" " * margin + ends[0] + " " * max(columns - len(ends[0]) - len(ends[1]), 1) + ends[1])
    return lines
