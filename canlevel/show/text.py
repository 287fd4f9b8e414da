"""Tables and lines for people: readings as they stream, tanks, flows, and a picture of levels over time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from canlevel.derivation.series import series_of
from canlevel.errors import printable
from canlevel.show.rows import time_texts
from canlevel.units import VolumeUnit

if TYPE_CHECKING:
    from rich.table import Table

__all__ = ["flows_table", "level_picture", "reading_head", "reading_lines", "span_text", "tanks_table"]

BLOCKS = " ▁▂▃▄▅▆▇█"
NOTHING = "–"
STATUS_WORDS = {
    "ok": "ok",
    "not_available": "not available",
    "error": "error",
    "reserved": "reserved value",
    "over_range": "over range",
    "malformed": "malformed",
}
_READING = "{:<23}  {:<24} {:>8} {:>11} {:>9}  {:<14} {:>4}  {:<6} {}"


def number(value: float | None, *, unit: VolumeUnit | None = None, signed: bool = False) -> str:
    """A figure in as many digits as it deserves; litres in the user's unit."""
    if value is None or value != value:
        return NOTHING
    shown = value if unit is None else unit.from_litres(value)
    digits = 0 if abs(shown) >= 1000 else 1 if abs(shown) >= 1 else 2
    text = f"{shown:+,.{digits}f}" if signed else f"{shown:,.{digits}f}"
    return text.replace("+0.00", "0").replace("-0.00", "0") if float(text.replace(",", "")) == 0 else text


def rate(value: float | None, low: float | None, high: float | None, unit: VolumeUnit) -> str:
    """A rate with its 95 % interval: "+14.0 (13.8 to 14.2)", or only the interval where no more is known."""
    limits = [number(limit, unit=unit, signed=True) for limit in (low, high)]
    if value is None:
        return NOTHING
    if low is None and high is None:
        return number(value, unit=unit, signed=True)
    if value == 0 and low is not None and high is not None:
        return f"{limits[0]} to {limits[1]}"
    return f"{number(value, unit=unit, signed=True)} ({limits[0]} to {limits[1]})"


def moment(value: datetime | None) -> str:
    """A time of day with its date, UTC, to the second."""
    return NOTHING if value is None else f"{value.astimezone(UTC):%Y-%m-%d %H:%M:%S}"


def span_text(seconds: float) -> str:
    """A length of time as people say it: "4.2 s", "3 min 20 s", "2 h 05 min"."""
    if seconds < 60:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    if minutes < 60:
        return f"{minutes} min {rest:02d} s"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def reading_head(unit: VolumeUnit) -> str:
    """The head over reading_lines."""
    return _READING.format(
        "time (UTC)", "tank", "level %", f"volume {unit.symbol}", "capacity", "status", "from", "bus", "name"
    ).rstrip()


def reading_lines(readings: pa.Table, unit: VolumeUnit) -> Iterable[str]:
    """One line for each of n READINGS."""
    names = ("tank", "level_pct", "volume_l", "capacity_l", "status", "source_address", "channel", "name")
    times = time_texts(readings, "time")
    for at, *values in zip(times, *(readings.column(name).to_pylist() for name in names), strict=True):
        tank, level, volume, capacity, status, source, channel, name = values
        yield _READING.format(
            at[:-4].replace("T", " ") if at else NOTHING,
            tank,
            NOTHING if level is None else f"{level:.2f}",
            number(volume, unit=unit),
            number(capacity, unit=unit),
            STATUS_WORDS[status],
            source,
            printable(channel or NOTHING),
            printable(name or ""),
        ).rstrip()


def _table(columns: Sequence[tuple[str, str]]) -> Table:
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, header_style="bold")
    for head, side in columns:
        table.add_column(head, justify="right" if side == "right" else "left", overflow="fold")
    return table


def tanks_table(tanks: pa.Table, unit: VolumeUnit) -> Table:
    """OVERVIEW for people."""
    rows = tanks.to_pylist()
    vessels = len({row["vessel"] for row in rows}) > 1
    named = any(row["name"] for row in rows)
    table = _table(
        [("vessel", "left")] * vessels
        + [("tank", "left")]
        + [("name", "left")] * named
        + [
            ("from", "right"),
            ("level %", "right"),
            (unit.symbol, "right"),
            ("of", "right"),
            (f"{unit.symbol}/min", "right"),
            ("status", "left"),
            ("last heard (UTC)", "left"),
            ("every", "right"),
            ("readings", "right"),
        ]
    )
    for row in rows:
        bad = row["status"] not in ("ok", "over_range")
        status = STATUS_WORDS[row["status"]]
        if row["malformed"] and row["status"] != "malformed":
            status += f" ({row['malformed']} malformed)"
        cells = [
            row["tank"],
            *([printable(row["name"] or "")] if named else []),
            str(row["source_address"]),
            NOTHING if row["level_pct"] is None else f"{row['level_pct']:.1f}",
            number(row["volume_l"], unit=unit),
            number(row["capacity_l"], unit=unit),
            rate(row["rate_l_per_min"], row["rate_low"], row["rate_high"], unit),
            status,
            moment(row["last_heard"]),
            NOTHING if row["period_s"] is None else span_text(row["period_s"]),
            f"{row['readings']:,}",
        ]
        if vessels:
            cells.insert(0, printable(row["vessel"] or NOTHING))
        table.add_row(*_plain(cells), style="red" if bad else None)
    return table


def flows_table(flows: pa.Table, unit: VolumeUnit) -> Table:
    """FLOWS for people."""
    rows = flows.to_pylist()
    table = _table(
        [
            ("start (UTC)", "left"),
            ("lasts", "right"),
            ("tank", "left"),
            ("kind", "left"),
            ("level %", "right"),
            (unit.symbol, "right"),
            (f"{unit.symbol}/min", "right"),
        ]
    )
    for row in rows:
        in_litres = row["rate_l_per_min"] is not None
        table.add_row(
            *_plain(
                [
                    moment(row["start"]),
                    span_text((row["end"] - row["start"]).total_seconds()),
                    printable(row["name"] or row["tank"]),
                    row["kind"],
                    f"{row['start_level_pct']:.1f} → {row['end_level_pct']:.1f}",
                    number(row["volume_l"], unit=unit),
                    rate(row["rate_l_per_min"], row["rate_low"], row["rate_high"], unit)
                    if in_litres
                    else f"{row['rate_pct_per_min']:+.2f} %/min",
                ]
            ),
            style="cyan" if row["kind"] == "fill" else "yellow",
        )
    return table


def _plain(cells: Sequence[str]) -> list[Any]:
    from rich.text import Text

    return [Text(cell) for cell in cells]  # a name with brackets in it is no markup


def level_picture(readings: pa.Table, width: int) -> list[str]:
    """Lines of text: for each tank and source its level over the whole time, empty to full in eight heights."""
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
        place = ((series.origin_us - begin_us) / 1e6 + series.seconds) / length_s * columns
        place = np.minimum(place.astype(np.int64), columns - 1)
        sums = np.bincount(place, series.level_pct, columns)
        counts = np.bincount(place, minlength=columns)
        line = "".join(
            " " if not count else BLOCKS[1 + min(max(int(total / count / 100 * 8), 0), 7)]
            for total, count in zip(sums.tolist(), counts.tolist(), strict=True)
        )
        lines.append(f"{label:<{margin}}{line} {series.level_pct[-1]:5.1f} %")
    first, last = (datetime.fromtimestamp(at // 1_000_000, UTC) for at in (begin_us, end_us))
    style = "%H:%M" if length_s < 36 * 3600 else "%Y-%m-%d"
    ends = f"{first:{style}}", f"{last:{style}} UTC"
    lines.append(" " * margin + ends[0] + " " * max(columns - len(ends[0]) - len(ends[1]), 1) + ends[1])
    return lines
