"""A serial CAN adapter that is none: an slcan emulator on a pseudo-terminal, for tests of live capture on Linux.

Text of the protocol: comment at the head of Linux drivers/net/can/slcan/slcan-core.c (T, t, R, r, Sn, O, L, C, CR and BEL).
From memory: V, N and F, and that a command in the wrong state is answered with BEL.
"""

from __future__ import annotations

import fcntl
import os
import select
import struct
import termios
import threading
import time
import tty
from collections import deque
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import NamedTuple

__all__ = ["Adapter", "WireFrame"]

CR, BEL = b"\r", b"\a"
ANSWERS = {"V": b"V1013\r", "N": b"N0001\r", "F": b"F00\r"}  # invented versions and number; no fault flags
TRANSMIT = ("t", "T", "r", "R")


class WireFrame(NamedTuple):
    """One frame as a device puts it on the bus."""

    identifier: int
    data: bytes
    extended: bool = True
    remote: bool = False

    @property
    def slcan(self) -> bytes:
        """The line in which an adapter reports the frame."""
        letter = "r" if self.remote else "t"
        head = f"{letter.upper()}{self.identifier:08X}" if self.extended else f"{letter}{self.identifier:03X}"
        data = "" if self.remote else self.data.hex().upper()
        return f"{head}{len(self.data)}{data}\r".encode()


class Adapter:
    """Plugged in while its `with` block runs. What it is given to send waits until a program opens the channel.

    path: the serial port; `port` gives it a name that stays the same when the adapter is plugged in again, as udev gives one.
    frames_per_s: its pace. burst: how many lines it writes at once. chatter: sent again and again while nothing else waits,
    like the traffic that never stops on a bus. commands: what it was told, in order. sent: frames and raw lines written,
    without chatter. openings: how often the channel was opened.
    """

    def __init__(
        self,
        *,
        frames_per_s: float = 400.0,
        burst: int = 1,
        chatter: WireFrame | None = None,
        port: Path | None = None,
    ) -> None:
        self.commands: list[str] = []
        self.sent = 0
        self.openings = 0
        self.is_open = False
        self._listen_only = False
        self._pause_s = burst / frames_per_s
        self._burst = burst
        self._chatter = chatter
        self._waiting: deque[bytes] = deque()
        self._stalled = self._writing = False
        self._port = port
        self._unplugged = threading.Event()
        self._plug_in()

    def _plug_in(self) -> None:
        self._master, self._slave = os.openpty()
        # Without this the terminal would echo what the adapter says back to it, until a program sets the port up.
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)
        if self._port is not None:
            self._port.symlink_to(self.path)
            self.path = str(self._port)
        self._thread = threading.Thread(target=self._work, name="slcan emulator", daemon=True)

    def __enter__(self) -> Adapter:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.unplug()

    def send(self, frames: Iterable[WireFrame]) -> None:
        """Report these frames, in order, while the channel is open."""
        self._waiting.extend(frame.slcan for frame in frames)

    def send_raw(self, line: bytes) -> None:
        """Write something that is no frame, where its turn comes: garbage, or half a line."""
        self._waiting.append(line)

    def unplug(self) -> None:
        """Vanish from the machine, with whatever was not read yet."""
        if not self._unplugged.is_set():
            self._unplugged.set()
            self._thread.join()
            if self._port is not None:
                self._port.unlink()
            os.close(self._slave)
            os.close(self._master)
            self.is_open = False

    def replug(self) -> None:
        """Come back under the same name, after unplug(), without the lines that were still to be sent."""
        assert self._port is not None, "without a name of its own it comes back under another one"
        self._waiting.clear()
        self._unplugged.clear()
        self._plug_in()
        self._thread.start()

    def stall(self) -> None:
        """Keep the port, take what is written to it, and say nothing, as a driver or a firmware that hangs."""
        self._stalled = True

    def resume(self) -> None:
        """Work again after stall(): closed, as after a reset, until it is opened again."""
        self._stalled = self.is_open = False

    @property
    def is_drained(self) -> bool:
        """Whether all that it was given has been written, and read from the port."""
        if self._waiting or self._writing:
            return False
        unread: int = struct.unpack("i", fcntl.ioctl(self._slave, termios.FIONREAD, bytes(4)))[0]
        return not unread

    def _work(self) -> None:
        line, due_s = bytearray(), 0.0
        while not self._unplugged.is_set():
            # Short, as it is also how soon a call of send() and unplug() is noticed.
            if select.select([self._master], [], [], min(self._pause_s, 0.01))[0]:
                line += os.read(self._master, 1024)
                while CR in line:
                    command, _, rest = bytes(line).partition(CR)
                    line = bytearray(rest)
                    if not self._stalled:
                        self._write(self._answer(command.decode()))
            if self.is_open and not self._stalled and time.monotonic() >= due_s:
                due_s = time.monotonic() + self._pause_s
                if self._waiting:
                    self._writing = True
                    lines = [self._waiting.popleft() for _ in range(min(self._burst, len(self._waiting)))]
                    self._write(b"".join(lines))
                    self.sent += len(lines)
                    self._writing = False
                elif self._chatter is not None:
                    self._write(self._chatter.slcan)

    def _answer(self, command: str) -> bytes:
        self.commands.append(command)
        if command in ("O", "L"):
            if self.is_open:
                return BEL
            self.is_open, self._listen_only = True, command == "L"
            self.openings += 1
        elif command == "C":
            if not self.is_open:
                return BEL
            self.is_open = False
        elif command.startswith("S"):
            return BEL if self.is_open else CR
        elif command.startswith(TRANSMIT):
            return CR if self.is_open and not self._listen_only else BEL
        return ANSWERS.get(command, CR)

    def _write(self, text: bytes) -> None:
        """All of it: where a real adapter would lose frames, this one waits for the reader, so that counts are exact."""
        while text and not self._unplugged.is_set():
            try:
                text = text[os.write(self._master, text) :]
            except BlockingIOError:
                select.select([], [self._master], [], 0.01)
