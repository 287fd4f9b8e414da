"""Text measured as a terminal does: in cells. Wide letters take two, combining ones none; some run from right to left."""

from __future__ import annotations

import re
import unicodedata

from rich.cells import cell_len

from canlevel.errors import printable

__all__ = ["cells", "fitted", "own_words"]

# Marks that take no room and say how letters join, break, look or run. Terminals differ in what they make of them.
_MARKS = re.compile("[\u00ad\u061c\u180e\u200b-\u200f\u202a-\u202e\u2060-\u2064\u2066-\u2069\ufe00-\ufe0f\ufeff]")
_LEFT_TO_RIGHT = "\u200e"
CUT = "…"


def own_words(text: str) -> str:
    """A name as its owner wrote it, fit for one line of a terminal: nothing in it drives the terminal or turns its line."""
    return printable(_MARKS.sub("", text)).strip()


def cells(text: str) -> int:
    """How many cells a text takes."""
    return cell_len(text)


def fitted(text: str, width: int, *, right: bool = False) -> str:
    """A text in exactly `width` cells: padded, or cut with an ellipsis. right: padded on the left."""
    room = width - cell_len(text)
    if room < 0:
        kept = text[: 4 * width + 4]  # more letters than any name has combining ones
        while kept and cell_len(kept) > width - 1:
            kept = kept[:-1]
        text = kept + CUT if width else ""
        room = width - cell_len(text)
    if any(unicodedata.bidirectional(letter) in ("R", "AL", "AN") for letter in text):
        text += _LEFT_TO_RIGHT  # else a terminal that knows such scripts would draw the figures that follow before them
    return " " * room + text if right else text + " " * room
