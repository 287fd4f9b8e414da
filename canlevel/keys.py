"""Keys of the terminal as they are pressed, without waiting for them and without Enter.

    with Keys() as keys:
        while "q" not in keys.pressed():
            ...

They come from standard input, or, where that is no terminal (a recording is piped in, say), from the terminal that the
program was started on. Where there is none, no key is ever pressed. Ctrl-C stays what it is.
"""

from __future__ import annotations

import os
import re
import sys
import threading
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from types import TracebackType
from typing import Any

__all__ = ["KeyTimes", "Keys"]

_SEQUENCE = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]?|O[ -~]?)")  # control sequences: ECMA-48, 5.4
LOOK_S = 0.02  # a hand is not faster
MOST_AT_ONCE = 1024  # bytes; more than anybody types between two looks
NAMES = {
    "\r": "\n",  # Enter is "\n" whatever the terminal sends
    "\x1b[A": "up",
    "\x1b[B": "down",
    "\x1b[C": "right",
    "\x1b[D": "left",
    "\x1b[5~": "page up",
    "\x1b[6~": "page down",
    "\x1b[H": "home",
    "\x1b[F": "end",
    "\x1b[1~": "home",
    "\x1b[4~": "end",
    "\x1bOA": "up",
    "\x1bOB": "down",
    "\x1bOC": "right",
    "\x1bOD": "left",
}
WINDOWS_NAMES = {
    "H": "up",
    "P": "down",
    "M": "right",
    "K": "left",
    "I": "page up",
    "Q": "page down",
    "G": "home",
    "O": "end",
}


class Keys:
    """The keys of a terminal while it is entered; afterwards the terminal is as it was, also after an error.

    available: whether there is a terminal to press keys on.
    """

    def __init__(self) -> None:
        self.available = False
        self._descriptor: int | None = None
        self._opened = False
        self._before: Any = None

    def __enter__(self) -> Keys:
        if os.name == "nt":
            self.available = sys.stdin is not None and sys.stdin.isatty()
            return self
        import termios
        import tty

        with suppress(OSError, ValueError, AttributeError, termios.error):  # no terminal, or standard input is closed
            self._descriptor = self._find()
            if self._descriptor is not None:
                self._before = termios.tcgetattr(self._descriptor)
                tty.setcbreak(self._descriptor)
                self.available = True
        return self

    def _find(self) -> int | None:
        if sys.stdin is not None and sys.stdin.isatty():
            return sys.stdin.fileno()
        descriptor = os.open("/dev/tty", os.O_RDONLY | os.O_NOCTTY)
        self._opened = True
        return descriptor

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if os.name == "nt" or self._descriptor is None:
            return
        import termios

        if self._before is not None:
            with suppress(OSError, termios.error):  # the terminal may be gone: the connection was cut
                termios.tcsetattr(self._descriptor, termios.TCSADRAIN, self._before)
        if self._opened:
            os.close(self._descriptor)
        self._descriptor, self.available = None, False

    def pressed(self) -> list[str]:
        """The keys pressed since the last call, in order: characters, "\\n" for Enter, and names such as "up", "page down"."""
        if not self.available:
            return []
        return _windows_keys() if os.name == "nt" else _keys_in(self._waiting())

    def _waiting(self) -> str:
        import select

        assert self._descriptor is not None
        try:
            if not select.select([self._descriptor], [], [], 0)[0]:
                return ""
            data = os.read(self._descriptor, MOST_AT_ONCE)
        except OSError:
            data = b""
        if not data:  # the terminal is gone
            self.available = False
        return data.decode("utf-8", "replace")


class KeyTimes:
    """When keys are pressed, while it is entered: a thread of its own looks for them, as whoever asks has other work.

    keys: entered already, and asked by nobody else meanwhile. clock: seconds.
    """

    def __init__(self, keys: Keys, clock: Callable[[], float]) -> None:
        self._keys, self._clock = keys, clock
        self._pressed: deque[tuple[str, float]] = deque()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._look, name="keys", daemon=True)

    def __enter__(self) -> KeyTimes:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def taken(self) -> list[tuple[str, float]]:
        """The keys pressed since the last call, each with its time."""
        return [self._pressed.popleft() for _ in range(len(self._pressed))]

    def _look(self) -> None:
        while not self._over.wait(LOOK_S):
            at_s = self._clock()
            self._pressed.extend((key, at_s) for key in self._keys.pressed())


def _keys_in(text: str) -> list[str]:
    """Characters and sequences taken apart; sequences nobody knows are left out."""
    keys: list[str] = []
    at = 0
    while at < len(text):
        if text[at] != "\x1b" or at + 1 == len(text):
            keys.append(NAMES.get(text[at], text[at]))
            at += 1
            continue
        sequence = _SEQUENCE.match(text, at)
        end = sequence.end() if sequence else at + 2  # Alt with a key
        name = NAMES.get(text[at:end])
        if name is not None:
            keys.append(name)
        at = end
    return keys


def _windows_keys() -> list[str]:  # not tried here: there is no Windows
    import msvcrt  # type: ignore[import-not-found,unused-ignore]

    keys: list[str] = []
    while msvcrt.kbhit():  # type: ignore[attr-defined,unused-ignore]
        key = msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
        if key in ("\x00", "\xe0"):
            name = WINDOWS_NAMES.get(msvcrt.getwch())  # type: ignore[attr-defined,unused-ignore]
            if name is not None:
                keys.append(name)
        else:
            keys.append(NAMES.get(key, key))
    return keys
