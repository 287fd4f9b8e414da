"""Text measured as a terminal does: in cells. Wide letters take two, combining ones none; some run from right to left.

Source: Unicode Standard Annexes 11 (East Asian width) and 29 (grapheme clusters), as rich has them. A terminal may still
disagree about the newest emoji.
"""

from __future__ import annotations

import re
import textwrap
import unicodedata

from canlevel.errors import printable

__all__ = ["cells", "cut", "fitted", "own_words", "padded", "paragraph", "wrapped"]

# Marks that take no room and say how letters join, break, look or run. Terminals differ in what they make of them.
_MARKS = re.compile("[\u00ad\u061c\u180e\u200b-\u200f\u202a-\u202e\u2060-\u2064\u2066-\u2069\ufe00-\ufe0f\ufeff]")
_LEFT_TO_RIGHT = "\u200e"
CUT = "…"


def own_words(text: str) -> str:
    """A name as its owner wrote it, fit for one line of a terminal: nothing in it drives the terminal or turns its line."""
    return printable(_MARKS.sub("", text)).strip()


def cells(text: str) -> int:
    """How many cells a text takes."""
    if text.isascii():
        return len(text)
    from rich.cells import cell_len  # what is plain does not wait for it

    return cell_len(text)


def cut(text: str, width: int) -> str:
    """A text of at most so many cells, with an ellipsis at its end where some of it is left out."""
    if cells(text) <= width:
        return text
    kept = text[: 4 * width + 4]  # more letters than any name has combining ones
    while kept and cells(kept) > width - 1:
        kept = kept[:-1]
    return kept + CUT if width else ""


def fitted(text: str, width: int, *, right: bool = False) -> str:
    """A text in exactly `width` cells: padded, or cut with an ellipsis. right: padded on the left."""
    text = cut(text, width)
    room = width - cells(text)
    if any(unicodedata.bidirectional(letter) in ("R", "AL", "AN") for letter in text):
        text += _LEFT_TO_RIGHT  # else a terminal that knows such scripts would draw the figures that follow before them
    return " " * room + text if right else text + " " * room


def wrapped(text: str, width: int, *, indent: int = 6) -> list[str]:
    """Lines of a text, each at most `width` cells, broken at blanks where there are any; those that follow are indented."""
    if cells(text) <= width:
        return [text]
    indent = indent if width > 3 * indent else 0
    lines, line = [], ""
    for word in text.split(" "):
        longer = f"{line} {word}" if line.strip() else line + word if word else f"{line} "
        if cells(longer) <= width:
            line = longer
            continue
        if line.strip():
            lines.append(line)
            line = " " * indent
        line += word
        while cells(line) > width:  # a word longer than a line, as in scripts without blanks
            fits = max(n for n in range(1, len(line) + 1) if n == 1 or cells(line[:n]) <= width)
            lines.append(line[:fits])
            line = " " * indent + line[fits:]
    return [*lines, line]


def padded(text: str, columns: int) -> str:
    """A text of so many columns or more, with blanks after it where it is shorter."""
    return text + " " * (columns - cells(text))


def paragraph(text: str, width: int, *, initial_indent: str = "", subsequent_indent: str = "") -> list[str]:
    """Lines of at most `width` columns, as textwrap makes them by letters; a word with hyphens stays in one piece."""
    if cells(text) == len(text):
        return textwrap.wrap(
            text,
            width,
            initial_indent=initial_indent,
            subsequent_indent=subsequent_indent,
            break_on_hyphens=False,
        )
    from rich.cells import chop_cells

    lines, line = [], initial_indent
    fresh = True
    for word in text.split(" "):
        if not word:
            continue
        if not fresh and cells(line) + 1 + cells(word) <= width:
            line += f" {word}"
            continue
        if not fresh:
            lines.append(line)
            line = subsequent_indent
        # Of a mark that stands alone rich makes no piece.
        *full, word = chop_cells(word, max(width - cells(line), 2)) or [word]
        for piece in full:  # a word longer than a line
            lines.append(line + piece)
            line = subsequent_indent
        line, fresh = line + word, False
    return [*lines, line] if not fresh else lines
