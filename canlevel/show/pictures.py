"""Pictures of levels in characters: a bar of now, a line over time, a line for each tank."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import groupby

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.derivation.series import Series, series_of
from canlevel.errors import printable
from canlevel.show.cells import cells, cut, fitted
from canlevel.tables import times_us
from canlevel.words import NO_VESSEL

__all__ = ["FLOW_STYLES", "flow_picture", "level_bar", "level_line", "level_picture"]

HEIGHTS = "▁▂▃▄▅▆▇█"
WIDTHS = " ▏▎▍▌▋▊▉█"
EIGHTHS = 8
FLOW_STYLES = {"fill": "cyan", "drain": "yellow"}
LONGEST_LABEL, LEVEL, LEAST_COLUMNS = 24, 8, 16


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
    picture = _Picture.of(readings, width)
    if picture is None:
        return []
    lines = []
    for head, row in picture.headed():
        lines += [*head, f"{row.label}{row.line}{row.level}".rstrip()]
    return [*lines, picture.axis]


def flow_picture(readings: pa.Table, flows: pa.Table, width: int) -> list[list[tuple[str, str]]]:
    """The same with the flows marked: each line in pieces of (style, text), in the styles that tables of flows have.

    flows: FLOWS of these readings. A column in which a fill and a drain fall is the later one's.
    """
    picture = _Picture.of(readings, width)
    if picture is None:
        return []
    spans: dict[tuple[str | None, str, int], list[tuple[float, float, str]]] = {}
    begins_us, ends_us = times_us(flows, "start"), times_us(flows, "end")
    for begin_us, end_us, flow in zip(begins_us.tolist(), ends_us.tolist(), flows.to_pylist(), strict=True):
        key = (flow["vessel"], flow["tank"], flow["source_address"])
        begin_s, end_s = ((at - picture.begin_us) / 1e6 for at in (begin_us, end_us))
        spans.setdefault(key, []).append((begin_s, end_s, FLOW_STYLES[flow["kind"]]))
    lines: list[list[tuple[str, str]]] = []
    for head, row in picture.headed():
        lines += [[("", text)] for text in head]
        styles = [""] * len(row.line)
        for begin_s, end_s, style in spans.get(row.key, []):
            first, last = (int(at / picture.length_s * len(styles)) for at in (begin_s, end_s))
            for column in range(max(first, 0), min(last, len(styles) - 1) + 1):
                styles[column] = style
        pieces = [("", row.label)]
        for style, alike in groupby(zip(styles, row.line, strict=True), lambda cell: cell[0]):
            pieces.append((style, "".join(character for _, character in alike)))
        lines.append([*pieces, ("", row.level)])
    return [*lines, [("", picture.axis)]]


@dataclass(frozen=True, slots=True)
class _Row:
    """One tank and source: key (vessel, tank, source), and what stands in its line."""

    key: tuple[str | None, str, int]
    label: str
    line: str
    level: str


@dataclass(frozen=True, slots=True)
class _Picture:
    """Lines over one axis of time. A tank that two devices send has two lines, told apart by their source."""

    rows: list[_Row]
    begin_us: int
    length_s: float
    axis: str

    @classmethod
    def of(cls, readings: pa.Table, width: int) -> _Picture | None:
        """None where there is no level with a time, or all are of one moment."""
        found = sorted(series_of(readings), key=lambda one: (one.vessel or "", one.tank, one.source_address))
        begin_us = min((one.origin_us for one in found), default=0)
        end_us = max((one.origin_us + round(float(one.seconds[-1]) * 1e6) for one in found), default=0)
        if end_us <= begin_us:
            return None
        length_s = (end_us - begin_us) / 1e6
        labels = _labels(found)
        margin = max(map(cells, labels)) + 2
        columns = max(width - margin - LEVEL, LEAST_COLUMNS)
        rows = []
        for label, one in zip(labels, found, strict=True):
            at_s = (one.origin_us - begin_us) / 1e6 + one.seconds
            line = level_line(at_s, one.level_pct, 0.0, length_s, columns)
            level = f" {one.level_pct[-1]:5.1f} %"
            rows.append(_Row((one.vessel, one.tank, one.source_address), fitted(label, margin), line, level))
        first, last = (datetime.fromtimestamp(at // 1_000_000, UTC) for at in (begin_us, end_us))
        style = "%Y-%m-%d" if length_s >= 36 * 3600 else "%H:%M" if length_s >= 600 else "%H:%M:%S"
        ends = f"{first:{style}}", f"{last:{style}} UTC"
        axis = " " * margin + ends[0] + " " * max(columns - len(ends[0]) - len(ends[1]), 1) + ends[1]
        return cls(rows, begin_us, length_s, axis)

    def headed(self) -> Iterator[tuple[list[str], _Row]]:
        """Each row with the lines above it: where there are several vessels, the name of the one that begins there."""
        several, last = len({row.key[0] for row in self.rows}) > 1, ""
        for row in self.rows:
            vessel = f"{cut(printable(row.key[0] or NO_VESSEL), cells(self.axis) - 1)}:" if several else ""
            yield [vessel] if vessel != last else [], row
            last = vessel


def _labels(found: list[Series]) -> list[str]:
    names = [(one.vessel, printable(one.name or one.tank)) for one in found]
    shared = {name for name in names if names.count(name) > 1}
    return [
        f"{cut(name[1], LONGEST_LABEL - 6)} ({one.source_address})" if name in shared else cut(name[1], LONGEST_LABEL)
        for name, one in zip(names, found, strict=True)
    ]
