"""python-can's client of a socketcand server, with four things mended that a technician would run into.

Seen in python-can 4.6.1: frames that arrive in one packet with the last "< ok >" of the handshake make it fail, which a busy
bus does as a rule; a server that hangs up looks like silence, and the receive loop spins; a server that is not there is tried
for ten seconds without a pause; one that takes the connection and says nothing is waited for without end. Its socket is
private, hence the mangled name.
"""

from __future__ import annotations

import socket
from typing import Any

import can
from can.interfaces.socketcand import socketcand

__all__ = ["SocketcandBus"]

CONNECT_TIMEOUT_S = 5.0


def _connect_once(connection: socket.socket, host: str, port: int) -> None:
    """Connect or raise OSError: whoever asked is there to try again. The time-out stays on for the handshake."""
    connection.settimeout(CONNECT_TIMEOUT_S)
    connection.connect((host, port))


socketcand.connect_to_server = _connect_once


class SocketcandBus(socketcand.SocketCanDaemonBus):
    """A bus that a socketcand server shares. Arguments as python-can's."""

    def __init__(self, channel: str, host: str, port: int, **options: Any) -> None:
        try:
            super().__init__(channel=channel, host=host, port=port, **options)  # type: ignore[no-untyped-call]
        except BaseException:
            self._connection.close()
            raise
        self._connection.settimeout(None)

    @property
    def _connection(self) -> socket.socket:
        connection: socket.socket = vars(self)["_SocketCanDaemonBus__socket"]
        return connection

    def _expect_msg(self, msg: str) -> None:
        """Take exactly the expected words from the connection, and leave what follows them."""
        got = b""
        while len(got) < len(msg):
            piece = self._connection.recv(len(msg) - len(got))
            if not piece:
                break
            got += piece
        if got.decode("ascii", "replace") != msg:
            raise can.CanError(f"the server answered {got!r} where {msg!r} was expected")

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        message, filtered = super()._recv_internal(timeout)  # type: ignore[no-untyped-call]
        if message is None:
            self._connection.setblocking(False)
            try:
                if self._connection.recv(1, socket.MSG_PEEK) == b"":
                    raise can.CanOperationError("the server closed the connection")
            except BlockingIOError:
                pass  # nothing has arrived, but the connection stands
            finally:
                self._connection.setblocking(True)
        return message, filtered
