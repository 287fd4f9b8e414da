"""Marks: when a valve was opened and closed, as a person writes it, and as moments of a recording.

    fresh_water.0=08:12:30/08:19        filled, by the time of day (UTC unless the recording says otherwise)
    2026-05-01T08:12:30Z/2026-05-01T08:19Z
    +120/+540                           seconds from the first frame

or many in a CSV file, a line each, with a head line; `closed` may be empty, and a semicolon or a tab part them as well:

    tank,what,opened,closed
    nmea2000.fresh_water.0,fill,08:12:30,08:19
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Literal

from canlevel.errors import Place, QueryError
from canlevel.roster import Roster, TankEntry
from canlevel.tables import DAY_US, EARLIEST_DATE_US, timestamp_us

__all__ = ["Mark", "WrittenMark", "entry_named", "load_marks", "marks_at", "parse_mark"]

Kind = Literal["fill", "drain"]
HEAD = ("tank", "what", "opened", "closed")
LARGEST_MARKS = 256 * 1024  # bytes
NEXT_STEP = (
    "write it like 2026-05-01T08:12:30Z, 08:12:30 or +120 (seconds from the first frame), "
    "and /TIME for when it was closed"
)
_OFFSET = re.compile(r"\+(\d{1,9}(?:\.\d{1,6})?)(?:\s*s)?")
_TIME_OF_DAY = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d{1,6})?))?(Z|[+-]\d{2}:?\d{2})?")
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")


@dataclass(frozen=True, slots=True)
class Mark:
    """A valve of one tank, opened at a moment and perhaps closed at another; microseconds on the recording's clock."""

    entry: TankEntry
    kind: Kind
    opened_us: int
    closed_us: int | None = None


@dataclass(frozen=True, slots=True)
class WrittenMark:
    """A mark as it was written. tank: its id, None where it was left out. opened, closed: times as text. where: option,
    line.
    """

    kind: Kind
    tank: str | None
    opened: str
    closed: str | None
    where: str


def parse_mark(text: str, kind: Kind) -> WrittenMark:
    """`[ID=]TIME[/TIME]` taken apart. Raises QueryError for what is no such thing."""
    where = f"--{kind}"
    tank, equals, times = text.strip().rpartition("=")
    if equals and not tank.strip():
        raise QueryError(
            f'{where}: "{text}" names no tank before the =', next_step="write the tank's id there, or leave the = out"
        )
    opened, slash, closed = times.partition("/")
    written = WrittenMark(kind, tank.strip() or None, opened.strip(), closed.strip() if slash else None, where)
    return _checked(written, text)


def load_marks(path: str | Path) -> list[WrittenMark]:
    """Marks of a CSV file with the columns tank, what (fill or drain), opened, closed, parted as the head line is: by comma,
    semicolon or tab. Lines that begin with # are passed over.

    Raises QueryError with the line of what is wrong.
    """
    name = str(path)
    try:
        with Path(path).open("rb") as file:
            content = file.read(LARGEST_MARKS + 1)
        if len(content) > LARGEST_MARKS:
            raise QueryError(f"is larger than {LARGEST_MARKS // 1024} KB, which no list of marks is", where=Place(name))
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise QueryError("is not UTF-8 text", where=Place(name), next_step="save it as UTF-8") from error
    except (OSError, ValueError) as error:
        raise QueryError(f"cannot be read ({getattr(error, 'strerror', error)})", where=Place(name)) from error
    marks: list[WrittenMark] = []
    head: list[str] | None = None
    comma = ","
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        place = Place(name, number, line)
        try:
            if head is None:  # spreadsheets of many countries write ; as their , is the decimal point
                comma = next((sign for sign in ";\t" if sign in line and "," not in line), ",")
            cells = [cell.strip() for cell in next(csv.reader(io.StringIO(line), strict=True, delimiter=comma))]
        except csv.Error as error:
            raise QueryError(f"is no line of CSV ({error})", where=place) from error
        if head is None:
            head = [cell.lower() for cell in cells]
            missing = [one for one in HEAD[:3] if one not in head]
            if missing:
                raise QueryError(
                    f"has no column {', '.join(missing)}",
                    where=place,
                    next_step=f"begin it with the line {','.join(HEAD)}",
                )
            continue
        row = dict(zip(head, cells, strict=False))
        kind = row.get("what", "").lower()
        if kind not in ("fill", "drain"):
            raise QueryError(f'"{row.get("what", "")}" is neither fill nor drain', where=place)
        written = WrittenMark(
            "fill" if kind == "fill" else "drain",
            row.get("tank") or None,
            row.get("opened", ""),
            row.get("closed") or None,
            f"{name}, line {number}",
        )
        marks.append(_checked(written, line))
    return marks


def _checked(mark: WrittenMark, text: str) -> WrittenMark:
    """The mark, whose times are known to be times."""
    for time in (mark.opened, mark.closed):
        if time is not None and not _is_time(time):
            what = f'"{time}" is no time' if time else "a time is missing"
            raise QueryError(f"{mark.where}: {what}, in {text.strip()}", next_step=NEXT_STEP)
    return mark


def _is_time(text: str) -> bool:
    if _OFFSET.fullmatch(text):
        return True
    if _DATE.match(text):
        try:
            timestamp_us(text)
        except QueryError:
            return False
        return True
    return _seconds_of_day(text) is not None


def _seconds_of_day(text: str) -> tuple[float, float] | None:
    """(seconds since midnight, seconds that its zone is ahead of UTC) of a time of day; None for what is none."""
    found = _TIME_OF_DAY.fullmatch(text)
    if found is None:
        return None
    hours, minutes, seconds = int(found[1]), int(found[2]), float(found[3] or 0)
    if hours > 23 or minutes > 59 or seconds >= 60:
        return None
    zone, ahead = found[4], 0.0
    if zone is not None and zone != "Z":
        digits = zone[1:].replace(":", "")
        ahead = (int(digits[:2]) * 3600 + int(digits[2:]) * 60) * (-1 if zone[0] == "-" else 1)
    return hours * 3600.0 + minutes * 60 + seconds, ahead


def entry_named(roster: Roster, tank: str, heard: Iterable[tuple[str, int, TankEntry]] = ()) -> TankEntry:
    """The entry of a roster that a tank id stands for. heard: (tank id, source address, entry) of tanks that were heard.

    Raises QueryError where it is none, or several.
    """
    found = [entry for entry in roster.tanks if _stands_for(entry, tank)]
    if not found:  # the id under which it is heard, of an entry that names no protocol
        found = list({id(entry): entry for name, _, entry in heard if name == tank}.values())
    if len(found) == 1:
        return found[0]
    known = ", ".join(_id_of(entry) for entry in roster.tanks) or "(the roster lists none)"
    if found:
        raise QueryError(
            f'"{tank}" stands for {len(found)} tanks of the roster: {", ".join(one.name for one in found)}',
            next_step=f"name it in full; the roster has {known}",
        )
    raise QueryError(f'there is no tank "{tank}" in the roster', next_step=f"use one of: {known}")


def _id_of(entry: TankEntry) -> str:
    return ".".join(part for part in (entry.protocol, entry.fluid, str(entry.instance)) if part)


def _stands_for(entry: TankEntry, tank: str) -> bool:
    if tank in (entry.name, f"{entry.fluid}.{entry.instance}"):
        return True
    protocol, _, rest = tank.partition(".")
    return rest == f"{entry.fluid}.{entry.instance}" and entry.protocol in (None, protocol)


def marks_at(
    written: Sequence[WrittenMark],
    roster: Roster,
    *,
    first_us: int | None,
    last_us: int | None,
    only: TankEntry | None = None,
    heard: Sequence[tuple[str, int, TankEntry]] = (),
) -> list[Mark]:
    """Marks as moments of a recording that goes from one time to another, in the order of their times.

    only: the one tank that is asked for. Raises QueryError for a time outside the recording, a tank that is not in the
    roster or was left out, valves that close before they open, and marks of one tank that overlap.
    """
    if not written:
        return []
    if first_us is None or last_us is None:
        raise QueryError(
            "marks need a recording whose frames carry times", next_step="record again with times: candump -L can0"
        )
    marks = []
    for one in written:
        if one.tank is not None:
            entry = entry_named(roster, one.tank, heard)
        elif only is not None:
            entry = only
        elif len(roster.tanks) == 1:
            entry = roster.tanks[0]
        else:
            raise QueryError(
                f"{one.where}: does not say which tank {one.opened} is about",
                next_step=f"write --{one.kind} ID={one.opened}, or add --tank ID",
            )
        if only is not None and entry is not only:
            continue
        opened_us = _moment(one.opened, one, first_us, last_us)
        closed_us = None if one.closed is None else _moment(one.closed, one, first_us, last_us, after_us=opened_us)
        if closed_us is not None and closed_us <= opened_us:
            raise QueryError(
                f"{one.where}: closed ({one.closed}) is not after opened ({one.opened})", next_step="swap them"
            )
        marks.append(Mark(entry, one.kind, opened_us, closed_us))
    marks.sort(key=lambda mark: mark.opened_us)
    for entry in {id(mark.entry): mark.entry for mark in marks}.values():
        mine = [mark for mark in marks if mark.entry is entry]
        for before, after in pairwise(mine):
            if after.opened_us <= (before.closed_us or before.opened_us):
                raise QueryError(
                    f'two marks of "{entry.name}" overlap',
                    next_step="one valve at a time: close one before the other opens",
                )
    return marks


def _moment(text: str, mark: WrittenMark, first_us: int, last_us: int, after_us: int | None = None) -> int:
    """Microseconds of a time as written; within the recording."""
    offset = _OFFSET.fullmatch(text)
    dated = first_us >= EARLIEST_DATE_US
    if offset is not None:
        moment = first_us + round(float(offset[1]) * 1e6)
    elif not dated:
        raise QueryError(
            f"{mark.where}: the recording does not say on which day it was made, so that {text} cannot be found in it",
            next_step="write seconds from its first frame, like +120, or say when it began: --start 2026-05-01T08:00Z",
        )
    elif _DATE.match(text):
        moment = timestamp_us(text)
    else:
        told = _seconds_of_day(text)
        assert told is not None  # _checked saw to that
        moment = _on_its_day(told, first_us, last_us, after_us)
    if not first_us <= moment <= last_us:
        raise QueryError(
            f"{mark.where}: {text} is outside the recording, which goes from {_words(first_us)} to {_words(last_us)}",
            next_step="check the time and its zone; without one it is UTC" if offset is None else "check the seconds",
        )
    return moment


def _on_its_day(told: tuple[float, float], first_us: int, last_us: int, after_us: int | None) -> int:
    """A time of day as a moment: of the first day on which it lies in the recording (and after the valve was opened)."""
    seconds, ahead = told
    midnight = first_us // DAY_US * DAY_US
    at = midnight + round((seconds - ahead) * 1e6)
    days = math.ceil((last_us - first_us) / DAY_US) + 2
    candidates = [at + day * DAY_US for day in range(-1, days)]
    least = first_us if after_us is None else after_us
    return next((one for one in candidates if least <= one <= last_us), at)


def _words(time_us: int) -> str:
    if time_us < EARLIEST_DATE_US:
        return f"{time_us / 1e6:.1f} s"
    return (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=time_us)).strftime("%Y-%m-%d %H:%M:%S UTC")
