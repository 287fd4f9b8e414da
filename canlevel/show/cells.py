"""Text in cells: how many columns of a terminal it takes; cut and padded to so many.

Letters are no measure: a Chinese character takes two columns, an accent that stands by itself none, and an emoji of several
characters two. Source: Unicode Standard Annexes 11 (East Asian width) and 29 (grapheme clusters), as rich has them. A terminal
may still disagree about the newest emoji.
"""

from __future__ import annotations

import textwrap

__all__ = ["cells_of", "cut", "fitted", "padded", "wrapped"]


def cells_of(text: str) -> int:
    """How many columns a text takes."""
    if text.isascii():
        return len(text)
    from rich.cells import cell_len  # what is plain does not wait for it

    return cell_len(text)


def cut(text: str, columns: int) -> str:
    """A text of at most so many columns, with … at its end where some of it is left out."""
    if cells_of(text) <= columns:
        return text
    from rich.cells import set_cell_size

    return set_cell_size(text, columns - 1).rstrip() + "…"


def fitted(text: str, columns: int) -> str:
    """A text of exactly so many columns: cut where it is longer, with blanks after it where it is shorter."""
    return padded(cut(text, columns), columns)


def padded(text: str, columns: int) -> str:
    """A text of so many columns or more, with blanks after it where it is shorter."""
    return text + " " * (columns - cells_of(text))


def wrapped(text: str, width: int, *, initial_indent: str = "", subsequent_indent: str = "") -> list[str]:
    """Lines of at most `width` columns, as textwrap makes them of letters; a word with hyphens stays in one piece."""
    if cells_of(text) == len(text):
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
        if not fresh and cells_of(line) + 1 + cells_of(word) <= width:
            line += f" {word}"
            continue
        if not fresh:
            lines.append(line)
            line = subsequent_indent
        *full, word = chop_cells(word, max(width - cells_of(line), 2))
        for piece in full:  # a word longer than a line
            lines.append(line + piece)
            line = subsequent_indent
        line, fresh = line + word, False
    return [*lines, line] if not fresh else lines
