"""What a source counted while it was read: nothing that is skipped goes silently."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Literal

from canlevel.errors import Place

__all__ = ["Level", "Tally"]

Level = Literal["detail", "info", "warning"]
MOST_TOLD = 1000  # a bus that comes and goes for a year must not fill the memory of a listener who never asks


@dataclass(slots=True)
class Tally:
    """Counts of one run over all its sources; complete once the batches have been read to their end.

    frames: CAN frames of any kind. skipped: lines that were no frame, first_skipped where the first of them stands.
    dropped: frames that a recorder says it lost, first_dropped where it says so first. undated: frames without a date.
    notes: sentences for the user, in the order they came up, each once. told: what happened on the way, with its level,
    in its order, the same sentence as often as it happened; the latest thousand, until take_told() takes them.
    """

    frames: int = 0
    skipped: int = 0
    first_skipped: Place | None = None
    dropped: int = 0
    first_dropped: Place | None = None
    undated: int = 0
    notes: list[str] = field(default_factory=list)
    told: deque[tuple[Level, str]] = field(default_factory=lambda: deque(maxlen=MOST_TOLD))

    def note(self, sentence: str) -> None:
        """Add a sentence, once."""
        if sentence not in self.notes:
            self.notes.append(sentence)

    def tell(self, level: Level, sentence: str) -> None:
        """Say what just happened."""
        self.told.append((level, sentence))

    def take_told(self) -> list[tuple[Level, str]]:
        """What was told since the last call, in its order."""
        return [self.told.popleft() for _ in range(len(self.told))]
