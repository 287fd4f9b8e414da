"""Tables and lines for people: readings as they stream, tanks, flows."""

from __future__ import annotations

import math
from collections.abc import Generator, Iterable, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from canlevel.errors import printable
from canlevel.show.ahead import crossed_words
from canlevel.show.cells import cut, fitted, padded, paragraph
from canlevel.show.pictures import FLOW_STYLES
from canlevel.show.rows import time_texts
from canlevel.units import VolumeUnit
from canlevel.words import NO_VESSEL

if TYPE_CHECKING:
    from rich.table import Table

    from canlevel.derivation.limits import Crossing

__all__ = [
    "NOTHING",
    "STATUS_WORDS",
    "bound",
    "crossing_line",
    "flows_table",
    "levels",
    "number",
    "rate",
    "reading_head",
    "reading_lines",
    "size_text",
    "span_text",
    "tanks_lines",
    "tanks_table",
]

NOTHING = "–"
STATUS_WORDS = {
    "ok": "ok",
    "not_available": "not available",
    "error": "error",
    "reserved": "reserved value",
    "over_range": "over range",
    "malformed": "malformed",
}
_WIDE = "{time:<23}  {tank:<24} {level:>8} {volume:>11} {capacity:>9}  {status:<14} {source:>6}  {channel} {name}"
_NARROW = "{clock:<12}  {label} {level:>8} {volume:>10}  {source:>6}  {status}"
WIDE_COLUMNS = 132  # with room for a name
LABEL = 23  # of a tank where there is little room


def number(value: float | None, *, unit: VolumeUnit | None = None, signed: bool = False) -> str:
    """A figure to three digits at least, and at most four decimals; litres in the user's unit."""
    if value is None or value != value:
        return NOTHING
    shown = value if unit is None else unit.from_litres(value)
    size = abs(shown)
    digits = next((digits for least, digits in ((1000, 0), (1, 1), (0.1, 2), (0.01, 3)) if size >= least), 4)
    shown = round(shown, digits) or 0.0  # never "-0.0"
    text = f"{shown:+,.{digits}f}" if signed else f"{shown:,.{digits}f}"
    return text if shown else "0"


def bound(value: float, *, unit: VolumeUnit, most_digits: int = 3) -> str:
    """How far a rate may be off: two digits and no more than three decimals, as steps of some percent tell no more; rounded up,
    so that it is never less than it is. most_digits: decimals at most."""
    shown = unit.from_litres(value)
    digits = next((digits for least, digits in ((10, 0), (1, 1), (0.1, 2)) if shown >= least), 3)
    digits = min(digits, most_digits)
    return f"{math.ceil(round(shown * 10**digits, 6)) / 10**digits:,.{digits}f}"


def rate(value: float | None, low: float | None, high: float | None, unit: VolumeUnit) -> str:
    """A rate with its 95 % interval: "+14.0 (+13.8 to +14.2)"; "±0.11" where no more is known than that."""
    limits = [number(limit, unit=unit, signed=True) for limit in (low, high)]
    if value is None:
        return NOTHING
    if low is None and high is None:
        return number(value, unit=unit, signed=True)
    if value == 0 and low is not None and high is not None and low == -high:
        return f"±{bound(high, unit=unit)}"
    return f"{number(value, unit=unit, signed=True)} ({limits[0]} to {limits[1]})"


def levels(start_pct: float, end_pct: float) -> str:
    """From one level to another, with as many decimals as it takes to tell them apart."""
    digits = 0 if abs(end_pct - start_pct) >= 2 else 1
    start, end = (round(level, digits) or 0.0 for level in (start_pct, end_pct))  # never "-0"
    return f"{start:.{digits}f} → {end:.{digits}f}"


def moment(value: datetime | None) -> str:
    """A time of day with its date, UTC, to the second."""
    return NOTHING if value is None else f"{value.astimezone(UTC):%Y-%m-%d %H:%M:%S}"


def crossing_line(crossing: Crossing, unit: VolumeUnit = VolumeUnit.LITRE) -> str:
    """A limit that was crossed, as one line of a mail: 'Fresh water (nmea2000.fresh_water.0): low: 7.0 % (limit 20 %)'."""
    told = crossing.sentence if crossing.alarm is None else crossed_words(crossing.alarm, unit)
    entry = crossing.entry
    tank = crossing.tank or f"{entry.protocol + '.' if entry.protocol else ''}{entry.fluid}.{entry.instance}"
    return printable(f"{entry.name} ({tank}): {told}")


def span_text(seconds: float) -> str:
    """A length of time in hours, minutes and seconds: "0:03:20"."""
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes // 60}:{minutes % 60:02d}:{rest:02d}"


def size_text(size: int) -> str:
    """Bytes as a person reads them, in thousands."""
    value, units = float(size), ["bytes", "kB", "MB", "GB"]
    while value >= 1000 and len(units) > 1:
        value, units = value / 1000, units[1:]
    return f"{value:.0f} {units[0]}" if value >= 100 or units[0] == "bytes" else f"{value:.1f} {units[0]}"


def reading_head(unit: VolumeUnit, width: int) -> str:
    """The head over reading_lines."""
    return (_WIDE if width >= WIDE_COLUMNS else _NARROW).format(
        time="time (UTC)",
        clock="UTC",
        tank="tank",
        label=fitted("tank", LABEL),
        level="level %",
        volume=f"volume {unit.symbol}",
        capacity="capacity",
        status="status",
        source="source",
        channel="bus   ",
        name="name",
    )


def reading_lines(readings: pa.Table, unit: VolumeUnit, width: int, day: str = "") -> Generator[str, None, str]:
    """One line for each of n READINGS; on a narrow terminal without capacity and bus, with the name or else the id, and the
    date on a line of its own where it is not `day`, the one before.

    Returns the last day, so that batches can follow one another.
    """
    names = ("tank", "level_pct", "volume_l", "capacity_l", "status", "source_address", "channel", "name")
    form = (_WIDE if width >= WIDE_COLUMNS else _NARROW).format
    times = time_texts(readings, "time")
    for at, *values in zip(times, *(readings.column(name).to_pylist() for name in names), strict=True):
        tank, level, volume, capacity, status, source, channel, name = values
        time = at[:-4].replace("T", " ") if at else NOTHING
        if width < WIDE_COLUMNS and at and time[:10] != day:
            day = time[:10]
            yield day
        yield form(
            time=time,
            clock=time[11:] or NOTHING,
            tank=tank,
            label=fitted(printable(name or tank), LABEL),
            level=NOTHING if level is None else f"{level:.2f}",
            volume=number(volume, unit=unit),
            capacity=number(capacity, unit=unit),
            status=STATUS_WORDS[status],
            source=source,
            channel=padded(printable(channel or NOTHING), 6),
            name=printable(name or ""),
        ).rstrip()
    return day


def _table(columns: Sequence[tuple[str, str]], folding: str = "") -> Table:
    """A plain table; only the column `folding` may wrap."""
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold")
    for head, side in columns:
        table.add_column(head, justify="right" if side == "right" else "left", overflow="fold", no_wrap=head != folding)
    return table


def tanks_table(tanks: pa.Table, unit: VolumeUnit) -> Table:
    """OVERVIEW for people."""
    rows = tanks.to_pylist()
    vessels = len({row["vessel"] for row in rows}) > 1
    buses = len({(row["vessel"], row["tank"], row["source_address"]) for row in rows}) < len(rows)
    named = any(row["name"] for row in rows)
    table = _table(
        [("vessel", "left")] * vessels
        + [("tank", "left")]
        + [("name", "left")] * named
        + [
            ("source", "right"),
            *([("bus", "left")] if buses else []),
            ("level %", "right"),
            (unit.symbol, "right"),
            ("of", "right"),
            (f"{unit.symbol}/min", "right"),
            ("status", "left"),
            ("last heard (UTC)", "left"),
            ("every", "right"),
            ("readings", "right"),
            ("step %", "right"),
            ("noise %", "right"),
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
            *([printable(row["channel"] or NOTHING)] if buses else []),
            NOTHING if row["level_pct"] is None else f"{row['level_pct']:.1f}",
            number(row["volume_l"], unit=unit),
            number(row["capacity_l"], unit=unit),
            rate(row["rate_l_per_min"], row["rate_low"], row["rate_high"], unit),
            status,
            moment(row["last_heard"]),
            NOTHING if row["period_s"] is None else f"{row['period_s']:.1f} s",
            f"{row['readings']:,}",
            *(NOTHING if row[name] is None else f"{row[name]:.2g}" for name in ("step_pct", "noise_pct")),
        ]
        if vessels:
            cells.insert(0, printable(row["vessel"] or NOTHING))
        table.add_row(*_plain(cells), style="red" if bad else None)
    return table


def tanks_lines(tanks: pa.Table, unit: VolumeUnit, width: int) -> Iterable[str]:
    """OVERVIEW for people whose terminal is too narrow for the table: some lines of `width` for each tank and source; of
    several vessels each below a line with its name."""
    rows = tanks.to_pylist()
    several, last = len({row["vessel"] for row in rows}) > 1, ""
    for row in sorted(rows, key=lambda row: row["vessel"] or "") if several else rows:
        vessel = printable(row["vessel"] or NO_VESSEL) if several else ""
        if vessel != last:
            yield f"{cut(vessel, width - 1)}:"
            last = vessel
        known = "" if row["level_pct"] is None else f"{row['level_pct']:.1f} %"
        litres = "" if row["volume_l"] is None else f"{number(row['volume_l'], unit=unit)}"
        of = "" if row["capacity_l"] is None else f" of {number(row['capacity_l'], unit=unit)}"
        volume = f"{litres}{of} {unit.symbol}" if litres or of else ""
        yield f"{fitted(printable(row['tank']), LABEL)} {known:>8}  {volume:<17} {STATUS_WORDS[row['status']]}".rstrip()
        flow = rate(row["rate_l_per_min"], row["rate_low"], row["rate_high"], unit)
        told = [
            cut(printable(row["name"] or ""), 19),
            f"source {row['source_address']}",
            f"{flow} {unit.symbol}/min" if flow != NOTHING else "",
            f"heard {moment(row['last_heard'])[5:]}" if row["last_heard"] else "",
            f"every {row['period_s']:.1f} s" if row["period_s"] is not None else "",
            f"step {row['step_pct']:.2g} %" if row["step_pct"] is not None else "",
            f"noise {row['noise_pct']:.2g} %" if row["noise_pct"] else "",
        ]
        # A fact stays in one piece: its blanks do not break.
        text = ", ".join(part.replace(" ", "\xa0") for part in told if part)
        for line in paragraph(text, width, initial_indent="  ", subsequent_indent="  "):
            yield line.replace("\xa0", " ")


def flows_table(flows: pa.Table, unit: VolumeUnit, *, narrow: bool = False) -> Table:
    """FLOWS for people, day by day, with their vessel where there are several. narrow: without vessels, and without the
    intervals of the rates."""
    rows = flows.to_pylist()
    vessels = not narrow and len({row["vessel"] for row in rows}) > 1
    table = _table(
        [
            ("start", "left"),
            ("lasts", "right"),
            *([("vessel", "left")] if vessels else []),
            ("tank", "left"),
            ("kind", "left"),
            ("level %", "right"),
            (unit.symbol, "right"),
            (f"{unit.symbol}/min", "right"),
        ],
        folding="tank",
    )
    day = ""
    for row in rows:
        start = moment(row["start"])
        if start[:10] != day:
            day = start[:10]
            table.add_row(*_plain([f"{day} UTC"]), style="bold")
        in_litres = row["rate_l_per_min"] is not None
        low, high = (row["rate_low"], row["rate_high"]) if not narrow else (None, None)
        table.add_row(
            *_plain(
                [
                    start[11:],
                    span_text((row["end"] - row["start"]).total_seconds()),
                    *([printable(row["vessel"] or NOTHING)] if vessels else []),
                    printable(row["name"] or row["tank"]),
                    row["kind"],
                    levels(row["start_level_pct"], row["end_level_pct"]),
                    number(row["volume_l"], unit=unit),
                    rate(row["rate_l_per_min"], low, high, unit)
                    if in_litres
                    else f"{row['rate_pct_per_min']:+.2f} %/min",
                ]
            ),
            style=FLOW_STYLES[row["kind"]],
        )
    return table


def _plain(cells: Sequence[str]) -> list[Any]:
    from rich.text import Text

    return [Text(cell) for cell in cells]  # a name with brackets in it is no markup
