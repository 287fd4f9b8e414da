"""Messages that carry tank levels, as decoding uses them: where each part of a tank stands in the payload."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from canlevel.decoding.fields import Field

__all__ = ["Level", "Message", "messages_by_pgn"]


@dataclass(frozen=True, slots=True)
class Level:
    """One tank level in a message: percent in `level`, or a fraction `level` / `steps`. fluid and instance where fixed."""

    level: Field
    steps: Field | None = None
    fluid: str | None = None
    instance: int | None = None


@dataclass(frozen=True, slots=True)
class Message:
    """One message that carries tank levels, ready for column extraction. length: data bytes it must have."""

    name: str
    pgn: int
    protocol: str
    length: int
    levels: tuple[Level, ...]
    instance: Field | None = None
    fluid: Field | None = None
    capacity: Field | None = None
    volume: Field | None = None

    @property
    def fields(self) -> tuple[Field, ...]:
        """Every field that is part of a tank."""
        shared = (self.instance, self.fluid, self.capacity, self.volume)
        levels = [part for level in self.levels for part in (level.level, level.steps)]
        return tuple(part for part in (*levels, *shared) if part is not None)


def messages_by_pgn(messages: Iterable[Message]) -> dict[int, Message]:
    """Messages by their PGN; of two with one PGN the later wins, so that a user's definition replaces a built-in one."""
    return {message.pgn: message for message in messages}
