"""Message definitions: DBC files loaded by cantools and compiled to fields.

A signal becomes part of a tank by DBC's own means, attributes:
    BO_  TankProtocol   nmea2000, rvc or j1939
    SG_  TankField      level (percent) | level_count with level_steps (a fraction) | capacity | volume | instance | fluid
    SG_  TankFluid      on a level: its fluid, where no signal tells it
    SG_  TankInstance   on a level: its instance, where no signal tells it
and VAL_ names: fluids on the fluid (or instance) signal; "not_available", "error", "reserved" for raw values that are no
number. GenMsgCycleTime, which many DBC files have, is the period of a tank message in milliseconds.
    BO_  NetworkMessage no, yes: a message in which a device speaks of itself (dbc/network.dbc). All its signals are fields, by
                        their names; it may be longer than a frame, and a text is a signal as long as its characters.
A definition that cannot be used is an error on loading and is never skipped.
This is the only module that imports cantools.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any, NoReturn, TypeVar

from canlevel.decoding.compiled import COMPILED, definitions_of
from canlevel.decoding.fields import Field
from canlevel.decoding.messages import Definitions, Level, Message, NetworkMessage
from canlevel.errors import DefinitionError, Place
from canlevel.identifier import pgn_of
from canlevel.shipped import shipped
from canlevel.tables import FLUIDS, PROTOCOLS

__all__ = ["builtin_messages", "builtin_texts", "compile_texts", "load_dbc", "network_messages"]

TANK_PROTOCOLS = ("none", *PROTOCOLS)
TANK_FIELDS = ("none", "level", "level_count", "level_steps", "capacity", "volume", "instance", "fluid")
NO_YES = ("no", "yes")
NO_NUMBER = ("not_available", "error", "reserved")
PERCENT = ("%",)
LITRES = ("L", "l")
_Kind = TypeVar("_Kind", Message, NetworkMessage)


def builtin_messages() -> tuple[Message, ...]:
    """The tank messages of dbc/, which every installation carries."""
    return _builtin().tanks


@cache
def network_messages() -> Mapping[str, NetworkMessage]:
    """The messages of dbc/ in which devices speak of themselves, by their names."""
    return MappingProxyType({message.name: message for message in _builtin().network})


@cache
def _builtin() -> Definitions:
    texts = builtin_texts()
    kept = shipped("dbc") / COMPILED
    definitions = definitions_of(kept.read_text(encoding="utf-8"), texts) if kept.is_file() else None
    return definitions or compile_texts(texts)


def builtin_texts() -> dict[str, str]:
    """The DBC files of dbc/ by their names."""
    entries = sorted(shipped("dbc").iterdir(), key=lambda item: item.name)
    return {entry.name: entry.read_text(encoding="utf-8") for entry in entries if entry.name.endswith(".dbc")}


def compile_texts(texts: Mapping[str, str]) -> Definitions:
    """The tank messages and the network messages of several DBC files, given by their names."""
    compilers = [compiler for name, text in texts.items() for compiler in _compilers(text, name)]
    return Definitions(
        _known(compiler.tank_message() for compiler in compilers),
        _known(compiler.network_message() for compiler in compilers),
    )


def load_dbc(path: str | Path) -> tuple[Message, ...]:
    """The tank messages of a user's DBC file. Raises DefinitionError, with the line where it is known."""
    name = str(path)
    try:
        data = Path(path).read_bytes()
    except OSError as error:
        raise DefinitionError(f"cannot be read ({error.strerror})", where=Place(name)) from error
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        text = data.decode("cp1252", "replace")  # what DBC editors write where it is not UTF-8
    messages = _known(compiler.tank_message() for compiler in _compilers(text, name))
    if not messages:
        raise DefinitionError(
            "marks no message as a tank's",
            where=Place(name),
            next_step='set the attributes TankProtocol on the message and TankField on its signals; README.md, "Own messages"',
        )
    return messages


def _compilers(text: str, name: str) -> list[_Compiler]:
    import cantools  # takes most of a second to import

    try:
        database: Any = cantools.database.load_string(text, "dbc", strict=True)
    # cantools raises its own errors, the parser's and the reader's; all of them mean that this file is wrong.
    except Exception as error:
        sentence = str(error).splitlines()[0] if str(error) else type(error).__name__
        line = re.search(r"line (\d+)", sentence)
        where = Place(name, int(line[1]) if line else None)
        raise DefinitionError(f"is not a DBC file that can be used ({sentence})", where=where) from error
    return [_Compiler(message, text, name) for message in database.messages]


def _known(messages: Iterable[_Kind | None]) -> tuple[_Kind, ...]:
    return tuple(message for message in messages if message is not None)


class _Compiler:
    """Turns one message of cantools into one of ours, or says what is wrong with it and where."""

    def __init__(self, message: Any, text: str, file: str) -> None:
        self._source, self._text, self._file = message, text, file

    def tank_message(self) -> Message | None:
        """The message as a tank's, None where it is none."""
        source = self._source
        roles = {signal.name: self._choice(signal, "TankField", TANK_FIELDS) for signal in source.signals}
        protocol = self._choice(source, "TankProtocol", TANK_PROTOCOLS)
        if protocol == "none":
            if any(role != "none" for role in roles.values()):
                self._refuse("has signals with TankField but no TankProtocol")
            return None
        if not source.is_extended_frame:
            self._refuse("has an 11-bit identifier; tank messages have 29 bits")
        if source.length > 8:
            self._refuse(f"is {source.length} bytes long; a tank message fits one frame of at most 8")
        if source.is_multiplexed():
            self._refuse("is multiplexed, which tank messages cannot be")
        by_role: dict[str, list[Any]] = {}
        for signal in source.signals:
            by_role.setdefault(roles[signal.name], []).append(signal)
        shared = {role: self._only(by_role.get(role, []), role) for role in ("instance", "fluid", "capacity", "volume")}
        fields = {role: self._field(signal, role) if signal else None for role, signal in shared.items()}
        return Message(
            name=source.name,
            pgn=self._pgn(),
            protocol=protocol,
            length=source.length,
            levels=tuple(self._levels(by_role, fields)),
            instance=fields["instance"],
            fluid=fields["fluid"],
            capacity=fields["capacity"],
            volume=fields["volume"],
            period_s=self._period_s(),
        )

    def network_message(self) -> NetworkMessage | None:
        """The message as one in which a device speaks of itself, None where it is none."""
        source = self._source
        if self._choice(source, "NetworkMessage", NO_YES) != "yes":
            return None
        if self._choice(source, "TankProtocol", TANK_PROTOCOLS) != "none":
            self._refuse("has both NetworkMessage and TankProtocol")
        if not source.is_extended_frame:
            self._refuse("has an 11-bit identifier; network messages have 29 bits")
        if source.is_multiplexed():
            self._refuse("is multiplexed, which network messages cannot be")
        fields = {signal.name: self._field(signal, "network") for signal in source.signals}
        return NetworkMessage(source.name, self._pgn(), source.length, fields)

    def _period_s(self) -> float | None:
        period_ms = self._source.cycle_time
        if period_ms is None:
            return None
        if not isinstance(period_ms, int | float) or not 0 < period_ms < math.inf:
            self._refuse(f'has GenMsgCycleTime "{period_ms}"; it is a number of milliseconds')
        return period_ms / 1000

    def _levels(self, by_role: dict[str, list[Any]], fields: dict[str, Field | None]) -> list[Level]:
        counts, steps = by_role.get("level_count", []), by_role.get("level_steps", [])
        if len(counts) > 1 or len(counts) != len(steps):
            self._refuse("needs exactly one level_count and one level_steps for a fraction")
        pairs = [(signal, None) for signal in by_role.get("level", [])] + list(zip(counts, steps, strict=True))
        if not pairs:
            self._refuse("has TankProtocol but no signal with TankField level")
        told = any(part is not None and part.words for part in (fields["fluid"], fields["instance"]))
        levels = []
        for signal, divisor in pairs:
            fluid = str(self._attribute(signal, "TankFluid") or "")
            if fluid and fluid not in FLUIDS:
                self._refuse(f'names the fluid "{fluid}"; known are {", ".join(FLUIDS)}', signal)
            if not fluid and not told:
                self._refuse(
                    "has a level whose fluid nothing tells: set TankFluid, or VAL_ names on a fluid signal", signal
                )
            instance = None if fields["instance"] else int(self._attribute(signal, "TankInstance") or 0)
            level = self._field(signal, "level_count" if divisor else "level")
            levels.append(
                Level(level, self._field(divisor, "level_steps") if divisor else None, fluid or None, instance)
            )
        return levels

    def _field(self, signal: Any, role: str) -> Field:
        if signal.is_float:
            self._refuse("is a floating-point signal, which these messages cannot have", signal)
        if signal.length > 63 and role != "network":
            self._refuse("is longer than 63 bits", signal)
        units = {"level": PERCENT, "capacity": LITRES, "volume": LITRES}.get(role)
        if units and signal.unit not in units:
            self._refuse(f'has the unit "{signal.unit or ""}"; {role} needs {" or ".join(units)}', signal)
        if role in ("level_count", "level_steps", "instance", "fluid") and (signal.scale, signal.offset) != (1, 0):
            self._refuse(f"is a {role} and needs scale 1 and offset 0", signal)
        words = {int(raw): str(word) for raw, word in (signal.choices or {}).items()}
        if role in ("instance", "fluid"):
            for word in words.values():
                if word not in FLUIDS and word not in NO_NUMBER:
                    self._refuse(f'names the fluid "{word}"; known are {", ".join(FLUIDS)}', signal)
            words = {raw: word for raw, word in words.items() if word in FLUIDS}
            no_number = {}
        else:
            no_number = {raw: word for raw, word in words.items() if word in NO_NUMBER}
        limits = sorted(
            round((limit - signal.offset) / signal.scale)
            for limit in (signal.minimum, signal.maximum)
            if limit is not None
        )
        ranged = len(limits) == 2 and limits[0] < limits[1]
        first_byte, bit = divmod(signal.start, 8)
        if signal.byte_order == "big_endian":
            # DBC counts from the highest bit here: so many bits lie above it when byte 0 is the highest.
            above = first_byte * 8 + 7 - bit
            shift, end_byte = 64 - above - signal.length, (above + signal.length - 1) // 8 + 1
            if shift < 0:
                self._refuse("counts from the highest bit and lies beyond the first eight bytes", signal)
        else:
            shift, end_byte = signal.start, (signal.start + signal.length - 1) // 8 + 1
        return Field(
            name=signal.name,
            shift=shift,
            bits=signal.length,
            big_endian=signal.byte_order == "big_endian",
            signed=signal.is_signed,
            scale=float(signal.scale),
            offset=float(signal.offset),
            low_raw=limits[0] if ranged else None,
            high_raw=limits[1] if ranged else None,
            no_number=no_number,
            words=words,
            end_byte=end_byte,
        )

    def _pgn(self) -> int:
        # cantools hands out the identifier without the flag that marks 29 bits in a DBC file.
        return pgn_of(int(self._source.frame_id))

    def _only(self, signals: list[Any], role: str) -> Any:
        if len(signals) > 1:
            self._refuse(f"marks more than one signal as {role}", signals[1])
        return signals[0] if signals else None

    def _choice(self, item: Any, name: str, choices: tuple[str, ...]) -> str:
        value = self._attribute(item, name)
        if value is None:
            return "none"
        if isinstance(value, int) and 0 <= value < len(choices):
            # An enumerated attribute is stored by its position in the file's own list.
            return self._enumerated(name, value, choices)
        if value not in choices:
            self._refuse(f'has {name} "{value}"; known are {", ".join(choices)}')
        return str(value)

    def _enumerated(self, name: str, value: int, choices: tuple[str, ...]) -> str:
        definition = self._source.dbc.attribute_definitions.get(name) if self._source.dbc else None
        listed = list(definition.choices) if definition is not None and definition.choices else list(choices)
        word = listed[value] if value < len(listed) else ""
        if word not in choices:
            self._refuse(f'has {name} "{word}"; known are {", ".join(choices)}')
        return str(word)

    @staticmethod
    def _attribute(item: Any, name: str) -> Any:
        attributes = item.dbc.attributes if item.dbc is not None else {}
        return attributes[name].value if name in attributes else None

    def _refuse(self, what: str, signal: Any = None) -> NoReturn:
        # The line is found by the name, as cantools does not keep it.
        word = (
            rf"SG_\s+{re.escape(signal.name)}\s"
            if signal is not None
            else rf"BO_\s+\d+\s+{re.escape(self._source.name)}\s*:"
        )
        line = None
        for number, text in enumerate(self._text.splitlines(), 1):
            if re.match(rf"\s*{word}", text):
                line = Place(self._file, number, text)
                break
        name = f"{self._source.name}.{signal.name}" if signal is not None else self._source.name
        raise DefinitionError(
            f"{name} {what}", where=line or Place(self._file), next_step='see README.md, "Own messages"'
        )
