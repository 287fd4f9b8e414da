"""The errors a user can meet: what is wrong, where, and what to do next.

What a device or a line of a recording gets wrong is data (a status, a counted line) and raises nothing. What the user
asks wrongly raises a CanlevelError. What this program gets wrong keeps its traceback.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "CanlevelError",
    "CaptureError",
    "DefinitionError",
    "NoFramesError",
    "Place",
    "QueryError",
    "RosterError",
    "StoreError",
    "StoreWarning",
    "printable",
]

SHOWN_CHARACTERS = 120
# Not printable as Python has it, harmless to a terminal, and needed to write names: the joiners of Persian, of Indic scripts
# and of emoji, and the blanks that French and Japanese know besides.
JOINERS_AND_BLANKS = "\u200c\u200d\xa0\u202f\u3000"


def printable(text: str | bytes, limit: int | None = None) -> str:
    """`text` with control characters escaped, cut to `limit` characters, so that a file or a device cannot drive a terminal."""
    if isinstance(text, bytes):
        text = text.decode("utf-8", "replace")
    shown = text
    if not text.isprintable():
        shown = "".join(c if c.isprintable() or c in JOINERS_AND_BLANKS else ascii(c)[1:-1] for c in text)
    return shown if limit is None or len(shown) <= limit else shown[: limit - 1] + "…"


@dataclass(frozen=True, slots=True)
class Place:
    """Where something was found: a file, a line (or frame) number in it counted from 1, and the text there."""

    file: str
    line: int | None = None
    text: str | None = None
    unit: str = "line"

    def __str__(self) -> str:
        where = printable(self.file)
        if self.line is not None:
            where += f", {self.unit} {self.line}"
        return where


class CanlevelError(Exception):
    """Something asked for cannot be done.

    what: one sentence. where: the Place, if there is one. next_step: what the user can do about it.
    """

    def __init__(self, what: str, *, where: Place | None = None, next_step: str | None = None) -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.next_step = next_step

    def __str__(self) -> str:
        # A sentence may quote what stands in a file.
        what = printable(self.what)
        lines = [f"{self.where}: {what}" if self.where else what]
        if self.where and self.where.text:
            lines.append("    " + printable(self.where.text.strip(), SHOWN_CHARACTERS))
        if self.next_step:
            lines.append(f"  Next: {printable(self.next_step)}")
        return "\n".join(lines)


class CaptureError(CanlevelError):
    """A recording or a bus cannot be read."""


class NoFramesError(CaptureError):
    """A recording in which there is nothing at all: no frame, and no line that might have been one."""


class DefinitionError(CanlevelError):
    """A message definition cannot be used."""


class RosterError(CanlevelError):
    """A roster of tanks cannot be used."""


class StoreError(CanlevelError):
    """A store cannot be opened, read or written."""


class QueryError(CanlevelError):
    """A question that cannot be answered: an unknown tank, a wrong date, a missing column."""


class StoreWarning(UserWarning):
    """Something in a store that was passed over: a damaged part, a journal that cannot be brought in. The rest is good."""
