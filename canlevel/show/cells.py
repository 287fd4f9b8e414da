"""Text measured as a terminal does: in cells. Wide letters take two, combining ones none; some run from right to left."""

from __future__ import annotations

import re
import unicodedata

from rich.cells import cell_len

from canlevel.errors import printable

__all__ = ["cells", "fitted", "own_words", "wrapped"]

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


def wrapped(text: str, width: int, *, indent: int = 6) -> list[str]:
    """Lines of a text, each at most `width` cells, broken at blanks where there are any; those that follow are indented."""
    if cell_len(text) <= width:
        return [text]
    indent = indent if width > 3 * indent else 0
    lines, line = [], ""
    for word in text.split(" "):
        longer = f"{line} {word}" if line.strip() else line + word if word else f"{line} "
        if cell_len(longer) <= width:
            line = longer
            continue
        if line.strip():
            lines.append(line)
            line = " " * indent
        line += word
        while cell_len(line) > width:  # a word longer than a line, as in scripts without blanks
            fits = max(n for n in range(1, len(line) + 1) if n == 1 or cell_len(line[:n]) <= width)
            lines.append(line[:fits])
            line = " " * indent + line[fits:]
    return [*lines, line]
