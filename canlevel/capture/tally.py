"""What a source counted while it was read: nothing that is skipped goes silently."""

from __future__ import annotations

from dataclasses import dataclass, field

from canlevel.errors import Place

__all__ = ["Tally"]


@dataclass(slots=True)
class Tally:
    """Counts of one run over all its sources; complete once the batches have been read to their end.

    frames: CAN frames of any kind. skipped: lines that were no frame, first_skipped where the first of them stands.
    dropped: frames that a recorder says it lost, first_dropped where it says so first. undated: frames without a date.
    notes: sentences for the user, in the order they came up.
    """

    frames: int = 0
    skipped: int = 0
    first_skipped: Place | None = None
    dropped: int = 0
    first_dropped: Place | None = None
    undated: int = 0
    notes: list[str] = field(default_factory=list)

    def note(self, sentence: str) -> None:
        """Add a sentence, once."""
        if sentence not in self.notes:
            self.notes.append(sentence)
