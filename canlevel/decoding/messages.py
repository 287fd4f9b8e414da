"""Messages as decoding uses them: where each part of a tank, or of what a device says about itself, stands in the payload."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from canlevel.decoding.fields import Field

__all__ = ["Definitions", "Level", "Message", "NetworkMessage", "messages_by_pgn"]


@dataclass(frozen=True, slots=True)
class Level:
    """One tank level in a message: percent in `level`, or a fraction `level` / `steps`. fluid and instance where fixed."""

    level: Field
    steps: Field | None = None
    fluid: str | None = None
    instance: int | None = None


@dataclass(frozen=True, slots=True)
class Message:
    """One message that carries tank levels, ready for column extraction.

    length: data bytes it must have. period_s: how often a device sends it, seconds, None where the definition does not say.
    """

    name: str
    pgn: int
    protocol: str
    length: int
    levels: tuple[Level, ...]
    instance: Field | None = None
    fluid: Field | None = None
    capacity: Field | None = None
    volume: Field | None = None
    period_s: float | None = None

    @property
    def fields(self) -> tuple[Field, ...]:
        """Every field that is part of a tank."""
        shared = (self.instance, self.fluid, self.capacity, self.volume)
        levels = [part for level in self.levels for part in (level.level, level.steps)]
        return tuple(part for part in (*levels, *shared) if part is not None)


@dataclass(frozen=True, slots=True)
class NetworkMessage:
    """One message in which a device speaks of itself. length: data bytes of the whole message, more than 8 where it comes in
    many frames. fields: by the names of their signals.
    """

    name: str
    pgn: int
    length: int
    fields: dict[str, Field]


@dataclass(frozen=True, slots=True)
class Definitions:
    """What some DBC files define: messages of tanks, and messages in which devices speak of themselves."""

    tanks: tuple[Message, ...]
    network: tuple[NetworkMessage, ...]


def messages_by_pgn(messages: Iterable[Message]) -> dict[int, Message]:
    """Messages by their PGN; of two with one PGN the later wins, so that a user's definition replaces a built-in one."""
    return {message.pgn: message for message in messages}
