"""Keys: a real pseudo-terminal, pressed on from its other side."""

from __future__ import annotations

import os
import pty
import termios
import time

import pytest

from canlevel.keys import Keys, KeyTimes


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> tuple[int, int]:
    ours, theirs = pty.openpty()
    monkeypatch.setattr("sys.stdin", os.fdopen(theirs, closefd=False))
    yield ours, theirs
    os.close(ours)
    os.close(theirs)


def pressed(keys: Keys, n: int) -> list[str]:
    found: list[str] = []
    until = time.monotonic() + 5
    while len(found) < n and time.monotonic() < until:
        found += keys.pressed()
    return found


# The sequences of cursor keys: ECMA-48 and DEC VT100 user guide (from memory); "ä" is two bytes in UTF-8.
@pytest.mark.parametrize(
    ("sent", "keys"),
    [
        (b"q", ["q"]),
        (b"\r", ["\n"]),
        (b"\n", ["\n"]),
        (b"a\x1b[Ab", ["a", "up", "b"]),
        (b"\x1bOB\x1b[6~", ["down", "page down"]),
        ("ä+".encode(), ["ä", "+"]),
        (b"\x1b[<0;3;4Mq", ["q"]),  # a mouse nobody asked for
        (b"\x1b[200~x", ["x"]),
        (b"\x1bx-", ["-"]),
    ],
)
def test_keys_have_names(terminal: tuple[int, int], sent: bytes, keys: list[str]) -> None:
    with Keys() as board:
        assert board.available
        assert board.pressed() == []
        os.write(terminal[0], sent)
        assert pressed(board, len(keys)) == keys


def test_the_terminal_is_as_it_was(terminal: tuple[int, int]) -> None:
    before = termios.tcgetattr(terminal[1])
    with Keys():
        flags = termios.tcgetattr(terminal[1])[3]
    assert not flags & (termios.ICANON | termios.ECHO)
    assert flags & termios.ISIG  # Ctrl-C stays what it is
    assert termios.tcgetattr(terminal[1]) == before


def test_without_a_terminal_no_key_is_pressed(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_terminal(*_: object) -> int:
        raise OSError(6, "No such device or address")  # what opening /dev/tty gives a process without one

    monkeypatch.setattr("sys.stdin", None)
    monkeypatch.setattr("os.open", no_terminal)
    with Keys() as board:
        assert not board.available
        assert board.pressed() == []


def test_keys_have_the_time_at_which_they_were_pressed(terminal: tuple[int, int]) -> None:
    """Though nobody asks for them until later. The clock is one that the test sets."""
    now_s = [1.0]
    with Keys() as keys, KeyTimes(keys, lambda: now_s[0]) as pressed:
        for key in ("\n", "q"):
            os.write(terminal[0], key.encode())
            give_up = time.monotonic() + 20
            while len(pressed._pressed) < int(now_s[0]):
                assert time.monotonic() < give_up
                time.sleep(0.01)
            now_s[0] += 1.0
        assert pressed.taken() == [("\n", 1.0), ("q", 2.0)]
        assert pressed.taken() == []
