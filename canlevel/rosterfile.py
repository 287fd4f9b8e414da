"""A roster's file changed by a program: one tank's entry, with all else as its owner wrote it. Text in, text out; then a file.

Comments, order, spelling and line ends stay. The new text is read as a roster before it takes the old one's place, which it
does in one step; what somebody else wrote meanwhile is not written over.
"""

from __future__ import annotations

import difflib
import os
import tempfile
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from canlevel.errors import Place, RosterError, printable
from canlevel.roster import TABLE, Roster, Shape, TankEntry, load_roster
from canlevel.units import litres_of

__all__ = ["RosterChange", "changed_roster", "entry_text"]

CHANGED_MEANWHILE = "was changed by somebody else meanwhile"


@dataclass(frozen=True, slots=True)
class RosterChange:
    """A roster's file as it is and as it would be. before: its bytes, None where there is no file. name: the tank's."""

    path: Path
    before: bytes | None
    after: bytes
    name: str
    added: bool

    def diff(self) -> list[str]:
        """The lines that change, with those around them, as a unified diff; safe for a terminal."""
        old, new = (text.decode("utf-8-sig").splitlines() for text in (self.before or b"", self.after))
        lines = difflib.unified_diff(old, new, str(self.path), f"{self.path} (new)", lineterm="")
        return [printable(line) for line in lines]

    def write(self) -> None:
        """Put the new text in the file's place. Raises RosterError where it is not a roster, or the file is another by now."""
        path = self.path.resolve()  # what a link leads to is replaced, not the link
        try:
            descriptor, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".new", dir=path.parent)
            try:
                with os.fdopen(descriptor, "wb") as file:
                    file.write(self.after)
                    file.flush()
                    os.fsync(file.fileno())
                load_roster(name)
                if _bytes_of(path) != self.before:
                    raise RosterError(
                        CHANGED_MEANWHILE, where=Place(str(self.path)), next_step="give the command again"
                    )
                if self.before is not None:
                    Path(name).chmod(path.stat().st_mode & 0o7777)
                else:
                    Path(name).chmod(0o666 & ~_umask())
                Path(name).replace(path)
            except BaseException:
                with suppress(OSError):
                    Path(name).unlink()
                raise
        except OSError as error:
            raise RosterError(f"cannot be written ({error.strerror})", where=Place(str(self.path))) from error


def changed_roster(
    path: str | Path, tank: str, source_address: int, facts: TankEntry, *, pinned: bool = False
) -> RosterChange:
    """The change that gives a tank its capacity and shape, of an entry of its own where the roster has none.

    path: the roster; one that is not there is begun. tank: its id, heard from source_address. facts: capacity_l and shape; its
    name, fluid, instance and protocol for an entry that is new. pinned: that entry is for this source address only.
    Raises RosterError where the file is no roster.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    path = Path(path)
    before = _bytes_of(path)
    roster = load_roster(path) if before is not None else Roster()
    text = (before or b"").decode("utf-8-sig")
    carriage = "\r\n" in text and text.count("\r\n") == text.count("\n")
    try:
        document = tomlkit.parse(text.replace("\r\n", "\n") if carriage else text)
        entry = roster.entry(tank, source_address)
        if entry is not None:
            _change(document["tank"][roster.tanks.index(entry)], facts)
        else:
            _add(document, facts, source_address if pinned else None)
        after = tomlkit.dumps(document)
    except TOMLKitError as error:
        raise RosterError(f"cannot be changed: {error}", where=Place(str(path))) from error
    if carriage:
        after = after.replace("\r\n", "\n").replace("\n", "\r\n")
    start = b"\xef\xbb\xbf" if (before or b"").startswith(b"\xef\xbb\xbf") else b""
    return RosterChange(path, before, start + after.encode(), entry.name if entry else facts.name, entry is None)


def entry_text(facts: TankEntry, source_address: int | None = None) -> str:
    """An entry as TOML, to paste into a roster."""
    import tomlkit

    document = tomlkit.document()
    _add(document, facts, source_address)
    return tomlkit.dumps(document).strip() + "\n"


def _bytes_of(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise RosterError(f"cannot be read ({error.strerror})", where=Place(str(path))) from error


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _change(table: Any, facts: TankEntry) -> None:
    """Capacity and shape in a tank that is there; what else says one of the two goes."""
    assert facts.capacity_l is not None
    if "capacity" in table and "capacity_l" not in table:
        # The owner's unit stays.
        spelling = str(table["capacity"]).strip().partition(" ")[2]
        _put(table, "capacity", f"{_number(facts.capacity_l / litres_of(f'1 {spelling}'))} {spelling}")
    else:
        _put(table, "capacity_l", _number(facts.capacity_l))
    key, value = _shape_item(facts.shape)
    others = [other for other in ("shape", "table") if other in table and other != key]
    if others and key not in table:
        _put(table, key, value, in_place_of=others[0])
    else:
        _put(table, key, value)
    for other in others:
        if other in table:
            del table[other]


def _put(table: Any, key: str, value: Any, *, in_place_of: str | None = None) -> None:
    """Set a key of a table: where it stands, or in place of another, or behind the last of what the tank has."""
    import tomlkit

    if key in table and not isinstance(value, list):
        table[key] = value  # keeps what stands behind it
        return
    old = in_place_of or (key if key in table else None)
    names = list(table)
    if old is not None:
        comment = getattr(getattr(table[old], "trivia", None), "comment", "")
        before = names[names.index(old) - 1] if names.index(old) else None
        del table[old]
    else:
        comment, before = "", names[-1]
    item = tomlkit.item(value)
    if comment:
        item.comment(comment.removeprefix("#").strip())
    container = getattr(table, "value", None)
    # tomlkit itself appends behind the blank lines and comments that lead to the next tank. An inline table has one line only.
    if before is not None and container is not None and hasattr(container, "_insert_after"):
        container._insert_after(before, key, item)
        if key in table:
            return
    table[key] = item


def _add(document: Any, facts: TankEntry, source_address: int | None) -> None:
    import tomlkit

    table = tomlkit.table()
    table["name"] = facts.name
    table["fluid"] = facts.fluid
    table["instance"] = facts.instance
    if facts.protocol is not None:
        table["protocol"] = facts.protocol
    if source_address is not None:
        table["source_address"] = source_address
    table["capacity_l"] = _number(facts.capacity_l)
    key, value = _shape_item(facts.shape)
    table[key] = value
    tanks = document.get("tank")
    if tanks is None:
        tanks = tomlkit.aot()
        tanks.append(table)
        if document.as_string().strip():
            document.add(tomlkit.nl())
        document["tank"] = tanks
        return
    if hasattr(tanks, "body"):  # [[tank]], one below the other
        tanks.append(table)
        return
    inline = tomlkit.inline_table()
    inline.update({name: table[name] for name in table})
    tanks.append(inline)


def _shape_item(shape: Shape) -> tuple[str, Any]:
    import tomlkit

    if shape.kind != TABLE:
        return "shape", shape.kind
    pairs = tomlkit.array()
    for level, litres in shape.table:
        pair = tomlkit.array()
        pair.extend([_number(level), _number(litres)])
        pairs.append(pair)
    pairs.multiline(True)
    return "table", pairs


def _number(value: float | None) -> float | int:
    """A number as a person would write it: whole, or with as many digits as say something."""
    assert value is not None
    short = float(f"{value:.5g}")
    return int(short) if short.is_integer() else short
