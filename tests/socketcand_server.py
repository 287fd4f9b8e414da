"""A bus on the network that is none: the server's side of the socketcand protocol, as far as a listener needs it.

Words of the protocol: doc/protocol.md of the socketcand project (< hi >, < open >, < ok >, < rawmode >, < frame >).
"""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Iterable
from types import TracebackType

from adapter import WireFrame

__all__ = ["SocketcandServer"]

HOST = "127.0.0.1"
TimedFrame = tuple[WireFrame, int]  # with the microseconds since 1970 at which it was on the bus


class SocketcandServer:
    """Serves one client while its `with` block runs. port: where. commands: what the client said, in order.

    at_once: frames, with their times, that follow the last < ok > without a pause, as on a busy bus. Given the port of a server
    that has ended, it takes its place.
    """

    def __init__(self, *, at_once: Iterable[TimedFrame] = (), port: int = 0) -> None:
        self._at_once = b"".join(_report(*timed) for timed in at_once)
        self.commands: list[str] = []
        self._listening = socket.create_server((HOST, port))
        self.port: int = self._listening.getsockname()[1]
        self._client: socket.socket | None = None
        self._thread = threading.Thread(target=self._work, name="socketcand server", daemon=True)

    def __enter__(self) -> SocketcandServer:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.hang_up()
        self._listening.close()
        self._thread.join()

    def send(self, frames: Iterable[TimedFrame]) -> None:
        """Report frames, once the client has opened its bus."""
        assert self._client is not None
        for frame, time_us in frames:
            self._client.sendall(_report(frame, time_us))

    def hang_up(self) -> None:
        """Close the connection, as a server that is shut down does."""
        for connection in (self._client, self._listening):
            if connection is not None:
                # Closing alone would not wake the thread that waits on it. An error means that the other side was faster.
                with contextlib.suppress(OSError):
                    connection.shutdown(socket.SHUT_RDWR)

    def _work(self) -> None:
        try:
            self._client, _ = self._listening.accept()
        except OSError:
            return  # nobody came before the end
        with self._client as client:
            client.sendall(b"< hi >")
            # A client that is gone is how a listener says good-bye.
            with contextlib.suppress(OSError):
                while text := client.recv(1024):
                    self.commands.append(text.decode())
                    client.sendall(b"< ok >" + (self._at_once if "rawmode" in self.commands[-1] else b""))


def _report(frame: WireFrame, time_us: int) -> bytes:
    name = f"{frame.identifier:08X}" if frame.extended else f"{frame.identifier:03X}"
    stamp = f"{time_us // 1_000_000}.{time_us % 1_000_000:06d}"
    return f"< frame {name} {stamp} {frame.data.hex().upper()} >".encode()
