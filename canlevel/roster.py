"""The roster: what the owner calls each tank, what it holds, and its shape. TOML in, readings with names and litres out.

[vessel]
name = "Harbour workboat"

[[tank]]
name = "Fresh water, bow"
fluid = "fresh_water"
instance = 0
protocol = "nmea2000"        # optional: else any protocol
source_address = 35          # optional: else any device
capacity_l = 200             # or: capacity = "50 us-gallon"
shape = "prismatic"          # or "horizontal_cylinder", "wedge" (narrow at the bottom), "wedge_upside_down" (at the top);
                             # or measured: table = [[0, 0], [50, 80], [100, 200]]
low_pct = 15                 # optional limits, of which an alarm is made: level at or below, at or above,
high_pct = 95
silent_after_s = 60          # nothing heard for longer
leak_l_per_h = 0.5           # a slow loss of this much or more
"""

from __future__ import annotations

import math
import os
import re
import select
import stat
import tomllib
from collections.abc import Collection
from dataclasses import asdict, dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.errors import Place, RosterError
from canlevel.tables import (
    FLUIDS,
    PROTOCOLS,
    codes_of,
    column,
    dictionary_column,
    distinct,
    float_column,
    rows_at,
    values_of,
)
from canlevel.units import litres_of

__all__ = ["PRISMATIC", "SHAPES", "TABLE", "Roster", "Shape", "TankEntry", "cylinder_fraction", "load_roster"]

PRISMATIC, CYLINDER, TABLE = "prismatic", "horizontal_cylinder", "table"
WEDGE, WEDGE_UPSIDE_DOWN = "wedge", "wedge_upside_down"
SHAPES = (PRISMATIC, CYLINDER, WEDGE, WEDGE_UPSIDE_DOWN)  # that are told by their name
LARGEST_ROSTER = 256 * 1024  # bytes; a thousand tanks take 100 KB
MOST_DOTS = 8
_QUOTED = re.compile(r"""\"[^"\n]*+"|'[^'\n]*+'""")
_DOTTED = re.compile(r"(?<![\w-])[\w-]++(?:[ \t]*+\.[ \t]*+[\w-]++)++")
LARGEST_NUMBER = 10**300  # that is a float
PATIENCE_S = 5  # for a pipe
VESSEL_KEYS = ("name",)
TANK_KEYS = (
    "name",
    "protocol",
    "fluid",
    "instance",
    "source_address",
    "capacity_l",
    "capacity",
    "shape",
    "table",
    "low_pct",
    "high_pct",
    "silent_after_s",
    "leak_l_per_h",
)


def cylinder_fraction(depth: NDArray[np.float64]) -> NDArray[np.float64]:
    """Filled fraction of a lying cylinder at relative depth h, 0..1: (acos(1-2h) - (1-2h) sqrt(1-(1-2h)^2)) / pi. (n,) to (n,).

    Source: the area of a circular segment, as in handbooks of geometry; h 0.25 gives 0.19550, 0.10 gives 0.05204.
    """
    u = 1 - 2 * np.clip(depth, 0.0, 1.0)
    fraction: NDArray[np.float64] = (np.arccos(u) - u * np.sqrt(1 - u * u)) / np.pi
    return fraction


@dataclass(frozen=True, slots=True)
class Shape:
    """How level becomes volume. table: (level_pct, litres) pairs, rising, for kind "table".

    A wedge is narrow at the bottom, as a tank in a bilge is: the part filled is the square of the depth h, by similar
    triangles. Upside down it is narrow at the top: 1 - (1-h)^2.
    """

    kind: str = PRISMATIC
    table: tuple[tuple[float, float], ...] = ()

    def volume_l(self, level_pct: NDArray[np.float64], capacity_l: NDArray[np.float64]) -> NDArray[np.float64]:
        """Litres at a level in percent. level_pct, capacity_l: (n,), nan where unknown. Returns (n,).

        A prismatic tank goes on in a straight line below 0 and above 100 %, as its sender does; other shapes end there.
        Between the pairs of a table volume runs in straight lines, so that it never falls as the level rises.
        """
        if self.kind == CYLINDER:
            return capacity_l * cylinder_fraction(level_pct / 100)
        if self.kind in (WEDGE, WEDGE_UPSIDE_DOWN):
            depth = np.clip(level_pct / 100, 0.0, 1.0)
            return capacity_l * (depth**2 if self.kind == WEDGE else depth * (2 - depth))
        if self.kind == TABLE:
            levels, litres = np.array(self.table).T
            volume: NDArray[np.float64] = np.interp(level_pct, levels, litres)
            return np.where(np.isnan(level_pct), np.nan, volume)
        return capacity_l * level_pct / 100


SHORT_NAME = 40


@dataclass(frozen=True, slots=True)
class TankEntry:
    """One tank of a roster. None in protocol, instance's device or capacity means: any, or not told.

    low_pct, high_pct, silent_after_s, leak_l_per_h: limits that make an alarm (derivation/alarms.py); None: no such limit.
    """

    name: str
    fluid: str
    instance: int
    protocol: str | None = None
    source_address: int | None = None
    capacity_l: float | None = None
    shape: Shape = field(default_factory=Shape)
    low_pct: float | None = None
    high_pct: float | None = None
    silent_after_s: float | None = None
    leak_l_per_h: float | None = None

    @property
    def has_limits(self) -> bool:
        """Whether there is anything of which an alarm could be made."""
        return any(limit is not None for limit in (self.low_pct, self.high_pct, self.silent_after_s, self.leak_l_per_h))

    @property
    def short_name(self) -> str:
        """Its name, cut where a line of a screen has no room for more."""
        return self.name if len(self.name) <= SHORT_NAME else f"{self.name[: SHORT_NAME - 1]}…"

    def matches(self, tank: str, source_address: int) -> bool:
        """Whether a tank id, sent from a source address, is this one."""
        protocol, _, rest = tank.partition(".")
        return (
            rest == f"{self.fluid}.{self.instance}"
            and self.protocol in (None, protocol)
            and self.source_address in (None, source_address)
        )


@dataclass(frozen=True, slots=True)
class Roster:
    """The tanks of one vessel. An empty roster changes nothing but volumes: those follow from the device's capacity."""

    vessel: str | None = None
    tanks: tuple[TankEntry, ...] = ()

    def entry(self, tank: str, source_address: int) -> TankEntry | None:
        """The entry for a tank id from a source address; of several the one that says most."""
        found = [entry for entry in self.tanks if entry.matches(tank, source_address)]
        return max(found, key=lambda e: (e.source_address is not None, e.protocol is not None), default=None)

    def to_dict(self) -> dict[str, Any]:
        """The roster as values that JSON holds; from_dict() is the reverse."""
        return {"vessel": self.vessel, "tanks": [asdict(entry) for entry in self.tanks]}

    @classmethod
    def from_dict(cls, facts: dict[str, Any]) -> Roster:
        """A roster of what to_dict() gave, also by way of JSON. Raises ValueError for what cannot come from there."""
        try:
            return cls(facts["vessel"], tuple(_entry_of(entry) for entry in facts["tanks"]))
        except (KeyError, TypeError, AttributeError) as error:
            raise ValueError(f"no roster: {error}") from error

    def apply(self, readings: pa.Table) -> pa.Table:
        """READINGS with vessel, name, capacity_l and volume_l by this roster; n rows in, the same n rows out.

        capacity_l is the roster's where it tells one, else the device's. volume_l follows from level and capacity by the
        tank's shape; without a capacity it is the device's own figure, if it sent one. What the roster does not tell stays.
        """
        n = len(readings)
        tank, tanks = codes_of(readings.column("tank"))
        sources = values_of(readings.column("source_address"))
        keys, which = distinct(tank * np.int64(256) + sources)
        level_pct, capacity_l = column(readings, "level_pct"), column(readings, "capacity_l").copy()
        device_volume_l = column(readings, "volume_l")
        volume_l = np.empty(n)
        names: list[str | None] = []
        name, told = codes_of(readings.column("name"))
        for i, key in enumerate(keys.tolist()):
            entry = self.entry(tanks[key // 256] or "", key % 256)
            rows = which == i
            names.append(entry.name if entry else told[name[np.argmax(rows)]])
            shape = entry.shape if entry else Shape()
            if entry is not None and entry.capacity_l is not None:
                capacity_l[rows] = entry.capacity_l
            volume_l[rows] = shape.volume_l(level_pct[rows], capacity_l[rows])
        volume_l = np.where(np.isnan(capacity_l), device_volume_l, volume_l)
        changed = {
            "name": dictionary_column(which, names),
            "capacity_l": float_column(capacity_l),
            "volume_l": float_column(volume_l),
        }
        if self.vessel is not None:
            changed["vessel"] = dictionary_column(np.zeros(n, np.int64), [self.vessel])
        columns = [changed.get(name, readings.column(name)) for name in readings.schema.names]
        return pa.table(columns, schema=readings.schema)

    def apply_to_own(self, readings: pa.Table, vessels: Collection[str | None] = ()) -> pa.Table:
        """The same of a history, which may be of several vessels: this roster is about the one that it names, and rows of the
        others stay as they are. Where it names none of them, all get its names and capacities, and keep their vessels.

        vessels: those of the whole history, as far as more is known of them than readings tell.
        """
        codes, words = codes_of(readings.column("vessel"))
        known = {*vessels, *(words[code] for code in np.unique(codes).tolist())} - {None}
        if self.vessel is None or len(known) < 2:
            return self.apply(readings)
        if self.vessel not in known:
            return Roster(None, self.tanks).apply(readings)
        mine = np.array([word in (None, self.vessel) for word in words])[codes]
        own, others = np.flatnonzero(mine), np.flatnonzero(~mine)
        parts = [self.apply(rows_at(readings, own)), rows_at(readings, others)]
        return rows_at(pa.concat_tables(parts).unify_dictionaries(), np.argsort(np.concatenate([own, others])))

    def name_vessels(self, table: pa.Table, vessels: Collection[str | None]) -> pa.Table:
        """A table with a column `vessel`, in which it is as apply_to_own has it. vessels: those of the whole history."""
        known = set(vessels) - {None}
        if self.vessel is None or (len(known) > 1 and self.vessel not in known):
            return table
        codes, words = codes_of(table.column("vessel"))
        named = [self.vessel if len(known) < 2 or word is None else word for word in words]
        places = list(dict.fromkeys(named))
        codes = np.array([places.index(word) for word in named])[codes]
        at = table.schema.get_field_index("vessel")
        return table.set_column(at, table.schema.field(at), dictionary_column(codes, places))


def _entry_of(facts: dict[str, Any]) -> TankEntry:
    shape = facts["shape"]
    table = tuple((float(level), float(litres)) for level, litres in shape["table"])
    return TankEntry(**{**facts, "shape": Shape(shape["kind"], table)})


def load_roster(path: str | Path) -> Roster:
    """Read a roster. Raises RosterError with the line of what is wrong: unknown key, duplicate, wrong unit or value."""
    name = str(path)
    try:
        text = _content(Path(path), name).decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        raise RosterError("is not UTF-8 text", where=Place(name), next_step="save it as UTF-8") from error
    except (OSError, ValueError) as error:
        raise RosterError(f"cannot be read ({getattr(error, 'strerror', error)})", where=Place(name)) from error
    dotted = next((key for key in _DOTTED.finditer(_QUOTED.sub("_", text)) if key[0].count(".") > MOST_DOTS), None)
    if dotted is not None:  # tomllib takes the cube of their number to read them
        raise RosterError(f"is no roster: it has a key with more than {MOST_DOTS} dots in it", where=Place(name))
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        sentence = str(error)
        line = re.search(r"\(at line (\d+)", sentence)
        number = int(line[1]) if line else len(text.splitlines())
        raise RosterError(
            f"is not valid TOML: {sentence.partition(' (at')[0]}", where=_place(name, text, number)
        ) from error
    except (ValueError, RecursionError) as error:  # numbers of thousands of digits, brackets without end
        reason = "brackets within brackets" if isinstance(error, RecursionError) else "a number that is far too long"
        raise RosterError(f"is not valid TOML: {reason}", where=Place(name)) from error
    return _Reader(name, text).roster(document)


def _content(path: Path, name: str) -> bytes:
    """The bytes of a roster: of a file, or of a pipe that somebody writes into. Neither without end nor waiting for ever."""
    status = path.stat()
    if not (stat.S_ISREG(status.st_mode) or stat.S_ISFIFO(status.st_mode)):
        what = "a folder" if stat.S_ISDIR(status.st_mode) else "a device or a socket"
        raise RosterError(f"is {what}, not a roster", where=Place(name), next_step="name the roster's file")
    descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
    parts: list[bytes] = []
    with open(descriptor, "rb", buffering=0) as file:  # noqa: PTH123  a descriptor, not a path
        while sum(map(len, parts)) <= LARGEST_ROSTER:
            if stat.S_ISFIFO(status.st_mode) and not select.select([file], [], [], PATIENCE_S)[0]:
                raise RosterError(f"is a pipe into which nobody wrote for {PATIENCE_S} s", where=Place(name))
            part = file.read(LARGEST_ROSTER + 1)
            if part is None:  # the pipe's turn was another's
                continue
            if not part:
                return b"".join(parts)
            parts.append(part)
    raise RosterError(
        f"is larger than {LARGEST_ROSTER // 1024} KB, which no roster is",
        where=Place(name),
        next_step="name the roster's file",
    )


def _place(name: str, text: str, line: int | None) -> Place:
    lines = text.splitlines()
    return Place(name, line, lines[line - 1] if line and line <= len(lines) else None)


class _Reader:
    """Checks a parsed roster and names the line of what is wrong, which the TOML parser does not keep."""

    def __init__(self, name: str, text: str) -> None:
        self._name, self._text = name, text
        self._lines = text.splitlines()
        self._heads = [i for i, line in enumerate(self._lines, 1) if re.match(r"\s*\[\[\s*tank\s*\]\]", line)]

    def roster(self, document: dict[str, Any]) -> Roster:
        for key in document:
            if key not in ("vessel", "tank"):
                self._refuse(f'has an unknown key "{key}"; known are [vessel] and [[tank]]', self._line_of(key, 0))
        vessel = document.get("vessel", {})
        if not isinstance(vessel, dict):
            self._refuse("needs [vessel] as a table with a name", self._line_of("vessel", 0))
        for key in vessel:
            if key not in VESSEL_KEYS:
                self._refuse(f'has an unknown key "{key}" in [vessel]; known is: name', self._line_of(key, 0))
        vessel_name = vessel.get("name")
        if vessel_name is not None and not (isinstance(vessel_name, str) and vessel_name.strip()):
            self._refuse("has a vessel name that is no text", self._line_of("name", 0))
        tanks = document.get("tank", [])
        if not isinstance(tanks, list) or not all(isinstance(tank, dict) for tank in tanks):
            self._refuse("needs its tanks as [[tank]], with two brackets", self._line_of("[tank]", 0))
        entries: list[TankEntry] = []
        for number, tank in enumerate(tanks):
            entry = self._entry(tank, number)
            identity = (entry.protocol, entry.fluid, entry.instance, entry.source_address)
            for earlier, other in enumerate(entries):
                if identity == (other.protocol, other.fluid, other.instance, other.source_address):
                    self._refuse(
                        f'lists {entry.fluid} {entry.instance} twice: "{other.name}" (line {self._line(earlier)}) '
                        f'and "{entry.name}"',
                        self._line(number),
                        "give each its own instance, protocol or source_address",
                    )
            entries.append(entry)
        return Roster(vessel_name, tuple(entries))

    def _entry(self, tank: dict[str, Any], number: int) -> TankEntry:
        for key in tank:
            if key not in TANK_KEYS:
                self._wrong(number, key, f'has an unknown key "{key}"; known are {", ".join(TANK_KEYS)}')
        for key in ("name", "fluid", "instance"):
            if key not in tank:
                self._refuse(f"has a tank without {key}", self._line(number))
        if not (isinstance(tank["name"], str) and tank["name"].strip()):
            self._wrong(number, "name", "needs a name in quotes")
        self._among(tank, number, "fluid", FLUIDS)
        if tank.get("protocol") is not None:
            self._among(tank, number, "protocol", PROTOCOLS)
        shape = self._shape(tank, number)
        capacity_l = self._capacity_l(tank, number)
        if capacity_l is None and shape.kind == TABLE:
            capacity_l = shape.table[-1][1]
        return TankEntry(
            name=tank["name"],
            fluid=tank["fluid"],
            instance=self._whole(tank, number, "instance", 32767) or 0,
            protocol=tank.get("protocol"),
            source_address=self._whole(tank, number, "source_address", 255),
            capacity_l=capacity_l,
            shape=shape,
            **self._limits(tank, number),
        )

    def _limits(self, tank: dict[str, Any], number: int) -> dict[str, float]:
        limits: dict[str, float] = {}
        for key in ("silent_after_s", "leak_l_per_h"):
            if key in tank:
                limits[key] = self._positive(number, key, tank[key])
        for key in ("low_pct", "high_pct"):
            if key in tank:
                if not (_is_number(tank[key]) and 0 <= tank[key] <= 100):
                    self._wrong(number, key, f"needs {key} as a number from 0 to 100")
                limits[key] = float(tank[key])
        if limits.get("low_pct", -1) >= limits.get("high_pct", 101):
            self._wrong(number, "low_pct", "has a low_pct that is not below its high_pct")
        return limits

    def _among(self, tank: dict[str, Any], number: int, key: str, known: tuple[str, ...]) -> None:
        if tank[key] not in known:
            self._wrong(number, key, f'has the {key} "{tank[key]}"; known are {", ".join(known)}')

    def _whole(self, tank: dict[str, Any], number: int, key: str, most: int) -> int | None:
        value = tank.get(key)
        if value is None:
            return None
        if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= most:
            self._wrong(number, key, f"needs {key} as a whole number from 0 to {most}")
        return value

    def _capacity_l(self, tank: dict[str, Any], number: int) -> float | None:
        if "capacity_l" in tank and "capacity" in tank:
            self._wrong(number, "capacity", "gives both capacity_l and capacity; keep one")
        if "capacity" in tank:
            value = tank["capacity"]
            if not isinstance(value, str):
                self._wrong(
                    number,
                    "capacity",
                    'gives a capacity without a unit; write capacity_l for litres, or capacity = "25 us-gallon"',
                )
            try:
                litres = litres_of(value)
            except ValueError as error:
                self._wrong(number, "capacity", f"has a wrong capacity: {error}")
            return self._positive(number, "capacity", litres)
        return None if "capacity_l" not in tank else self._positive(number, "capacity_l", tank["capacity_l"])

    def _positive(self, number: int, key: str, value: Any) -> float:
        if not _is_number(value) or value <= 0:
            self._wrong(number, key, f"needs {key} as a number above 0")
        return float(value)

    def _shape(self, tank: dict[str, Any], number: int) -> Shape:
        shape: Any = tank.get("shape")
        pairs: Any = tank.get("table")
        key = "shape" if "shape" in tank else "table"
        if isinstance(shape, dict) and set(shape) == {"table"} and pairs is None:
            shape, pairs = TABLE, shape["table"]
        elif isinstance(shape, list) and pairs is None:
            shape, pairs = TABLE, shape
        if shape is None:
            shape = PRISMATIC if pairs is None else TABLE
        if shape not in (*SHAPES, TABLE):
            self._wrong(number, "shape", f'has the shape "{shape}"; known are {", ".join(SHAPES)}, or a table')
        if shape != TABLE:
            if pairs is not None:
                self._wrong(number, "table", f"gives a table and the shape {shape}; keep one")
            return Shape(shape)
        return Shape(TABLE, self._table(pairs, number, "table" if "table" in tank else key))

    def _table(self, pairs: Any, number: int, key: str) -> tuple[tuple[float, float], ...]:
        if not isinstance(pairs, list) or len(pairs) < 2:
            self._wrong(number, key, "needs a table of at least two [level_pct, litres] pairs")
        for pair in pairs:
            if not (isinstance(pair, list) and len(pair) == 2 and all(map(_is_number, pair))):
                self._wrong(number, key, f"has {pair} in a table of [level_pct, litres] pairs")
        for (level, litres), (next_level, next_litres) in pairwise(pairs):
            if next_level <= level or next_litres < litres:
                self._wrong(number, key, f"has a table that does not rise from level {level} to {next_level}")
        if pairs[0][1] < 0 or pairs[-1][1] <= 0:
            self._wrong(number, key, "has a table whose litres do not begin at 0 or more and end above 0")
        return tuple((float(level), float(litres)) for level, litres in pairs)

    def _line(self, number: int) -> int | None:
        return self._heads[number] if number < len(self._heads) else None

    def _wrong(self, number: int, key: str, what: str) -> NoReturn:
        head = self._line(number)
        self._refuse(what, self._line_of(key, head) if head else self._line_of(key, 0))

    def _line_of(self, key: str, after: int) -> int | None:
        """The first line after `after` that sets `key` or opens a table of that name; else the line `after` itself."""
        pattern = re.compile(
            rf"""\s*(?:["']?{re.escape(key)}["']?\s*(?:=|\.)|\[+\s*{re.escape(key)}\s*[\].]|{re.escape(key)}\s*$)"""
        )
        for number in range(after, len(self._lines)):
            if after and number + 1 in self._heads:
                break
            if pattern.match(self._lines[number]):
                return number + 1
        return after or None

    def _refuse(self, what: str, line: int | None, next_step: str | None = None) -> NoReturn:
        raise RosterError(what, where=_place(self._name, self._text, line), next_step=next_step)


def _is_number(value: Any) -> bool:
    if not isinstance(value, int | float) or isinstance(value, bool):
        return False
    return abs(value) < LARGEST_NUMBER if isinstance(value, int) else math.isfinite(value)
