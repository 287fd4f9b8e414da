"""The page of all tables, canlevel/TABLES.md: each column with type, unit, meaning and nulls, made of the schemas themselves.

python -m canlevel.tablespage      writes the page anew
"""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa

from canlevel.derivation.balance import BALANCE
from canlevel.derivation.daily import DAILY
from canlevel.derivation.leaks import LEAKS
from canlevel.derivation.outlook import OUTLOOK
from canlevel.derivation.overview import OVERVIEW
from canlevel.derivation.resampling import LEVELS
from canlevel.diagnosis import DEVICES
from canlevel.findings.traffic import GAPS, MINUTES, SENDERS
from canlevel.fleet.tables import FAILURES, FLEET_FINDINGS
from canlevel.storage.encoding import PART_VERSION
from canlevel.storage.store import FORMAT_VERSION
from canlevel.tables import CLOCK, FLOWS, FRAMES, OUTAGES, READINGS, TIME_TYPE, WORD

__all__ = ["PAGE", "TABLES", "main", "tables_page"]

PAGE = Path(__file__).with_name("TABLES.md")
TABLES = {
    "readings": (
        READINGS,
        "One tank level as a device sent it. `history/readings/`, `canlevel decode`, `open_store().readings()`.",
    ),
    "flows": (FLOWS, "One fill or drain of a tank. `history/flows/`, `canlevel flows`, `open_store().flows()`."),
    "outages": (OUTAGES, "When nothing could be heard, and why. `history/outages/`, `open_store().outages()`."),
    "clock": (CLOCK, "Readings taken before the logger's clock was right. `history/clock/`, `open_store().clock()`."),
    "tanks": (OVERVIEW, "Each tank and source once. `canlevel tanks`, `open_store().tanks()`."),
    "levels": (LEVELS, "Levels at even intervals. `canlevel.levels_at()`, `open_store().levels_at()`."),
    "leaks": (LEAKS, "The leak watch. `canlevel leaks`."),
    "outlook": (OUTLOOK, "When tanks will be empty or full. `canlevel outlook`, rows of kind `outlook`."),
    "balance": (BALANCE, "Fresh water out against waste water in, by day. `canlevel outlook`, rows of kind `balance`."),
    "devices": (DEVICES, "Who is on a bus. `canlevel devices`."),
    "senders": (SENDERS, "What each device sends. `canlevel.traffic().senders()`."),
    "minutes": (MINUTES, "How full the bus was. `canlevel.traffic().minutes()`."),
    "gaps": (GAPS, "When the bus was silent. `canlevel.traffic().gaps()`."),
    "days": (
        DAILY,
        "A day of a tank. `canlevel.fleet.daily()`, with the column `store` in front, as all tables of a fleet.",
    ),
    "fleet findings": (FLEET_FINDINGS, "What is wrong in many stores. `canlevel.fleet.findings()`."),
    "fleet failures": (
        FAILURES,
        "What could not be read of many stores. `canlevel.fleet.flows().failures`, and the others'.",
    ),
    "frames": (FRAMES, "One CAN frame, between the layers of the program; it is not stored."),
}


def tables_page() -> str:
    """The page, in Markdown."""
    head = f"""# Tables, column by column

Made of the schemas in the code by `python -m canlevel.tablespage`; do not edit it by hand.

A store has format version {FORMAT_VERSION} (`canlevel-store.json`). Each of its Parquet files says in its metadata which
version of the layout it has (`canlevel.part_version`, {PART_VERSION}) and the unit of each column that has one
(`canlevel.units`, JSON). Times are UTC with microseconds; volumes are litres, whatever `--units` shows on a screen. Plain
readers see one column more in a store: `date`, from the names of its folders.
"""
    return "\n".join([head, *(_section(name, *told) for name, told in TABLES.items())])


def _section(name: str, schema: pa.Schema, what: str) -> str:
    rows = []
    for field in schema:
        told = {key.decode(): value.decode() for key, value in (field.metadata or {}).items()}
        null = f"null: {told['null']}" if "null" in told else "never null"
        rows.append(f"| `{field.name}` | {_kind(field.type)} | {told.get('unit', '')} | {told['meaning']} | {null} |")
    lines = [
        f"## {name}",
        "",
        what,
        "",
        "| column | type | unit | meaning | nulls |",
        "|---|---|---|---|---|",
        *rows,
        "",
    ]
    return "\n".join(lines)


def _kind(kind: pa.DataType) -> str:
    if kind == TIME_TYPE:
        return "timestamp, µs, UTC"
    if kind == WORD:
        return "string (dictionary)"
    if pa.types.is_list(kind):
        inner = kind.value_type
        parts = ", ".join(part.name for part in inner) if pa.types.is_struct(inner) else ""
        return f"list of {{{parts}}}" if parts else f"list of {_kind(inner)}"
    return {"double": "float64", "bool": "bool"}.get(str(kind), str(kind))


def main() -> None:
    """Write the page."""
    PAGE.write_text(tables_page(), encoding="utf-8")


if __name__ == "__main__":
    main()
