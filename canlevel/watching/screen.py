"""Lines on a terminal, of which only what has changed is written: nothing flickers, and a slow connection carries it.

What comes in: lines of (style, text). What goes out: to a stream that is a terminal. ECMA-48 has the control functions: CUP
and CHA move, EL erases, SGR (written by rich) is style. The other screen, the cursor and the wrapping are those of xterm.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import TextIO

from rich.console import Console
from rich.text import Text

from canlevel.show.cells import cells
from canlevel.watching.board import Line

__all__ = ["Screen", "size_of"]

# The other screen, which keeps what was on the terminal before; no cursor; a line that is too wide stays in its row.
ENTER = "\x1b[?1049h\x1b[?25l\x1b[?7l\x1b[0m\x1b[2J"
LEAVE = "\x1b[0m\x1b[2J\x1b[H\x1b[?7h\x1b[?25h\x1b[?1049l"
USUAL_SIZE = (80, 24)


def size_of(out: TextIO) -> tuple[int, int]:
    """Columns and rows of the terminal behind a stream."""
    try:
        columns, rows = os.get_terminal_size(out.fileno())
    except (OSError, ValueError):
        return USUAL_SIZE
    return (columns, rows) if columns > 0 and rows > 0 else USUAL_SIZE


class Screen:
    """The other screen of a terminal while it is entered. written: characters so far."""

    def __init__(self, out: TextIO, *, colour: bool) -> None:
        self.written = 0
        self._out = out
        self._console = Console(file=out, force_terminal=True, no_color=None if colour else True, highlight=False)
        self._shown: list[Line] = []
        self._size = (0, 0)

    def __enter__(self) -> Screen:
        self._write(ENTER)
        return self

    def __exit__(self, *_: object) -> None:
        self._write(LEAVE)
        self.forget()

    def forget(self) -> None:
        """Something else may have been on the screen: draw all of it next time."""
        self._size = (0, 0)

    def draw(self, lines: Sequence[Line], size: tuple[int, int]) -> None:
        """Bring the screen to these lines. size: columns and rows, which they fit."""
        parts = []
        if size != self._size:
            parts.append("\x1b[0m\x1b[2J")
            self._shown, self._size = [], size
        for row in range(max(len(lines), len(self._shown))):
            line: Line = lines[row] if row < len(lines) else ()
            before: Line = self._shown[row] if row < len(self._shown) else ()
            if line != before:
                parts.append(self._change(row, before, line))
        self._shown = list(lines)
        if parts:
            self._write("".join(parts))

    def _change(self, row: int, before: Line, line: Line) -> str:
        """What turns one line into another. Where both have the same columns, only those that differ are written."""
        alike = [cells(text) for _, text in before] == [cells(text) for _, text in line]
        written, column = [] if alike else [f"\x1b[{row + 1};1H\x1b[2K"], 0
        at = None if alike else 0
        for number, (style, text) in enumerate(line):
            if not alike or before[number] != (style, text):
                if at != column:
                    written.append(f"\x1b[{row + 1};{column + 1}H")
                written.append(self._styled(style, text))
                # A terminal may take letters beyond these for wider or narrower than we do.
                at = column + len(text) if text.isascii() else None
            column += cells(text)
        return "".join(written)

    def _styled(self, style: str, text: str) -> str:
        if not style:
            return text
        with self._console.capture() as captured:
            self._console.print(Text(text, style=style, end=""), soft_wrap=True, end="")
        return captured.get()

    def _write(self, text: str) -> None:
        self._out.write(text)
        self._out.flush()
        self.written += len(text.encode())
