"""Live buses through any python-can interface: listen-only where the adapter can, never sending unless asked to ask.

Each bus is read in a thread of its own, so that a slow disk or terminal never makes the adapter's buffer overflow.
"""

from __future__ import annotations

import errno
import threading
from collections import deque
from collections.abc import Collection
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, NamedTuple

import can

import canlevel.capture.hostclock as hostclock
from canlevel.capture.hostclock import HostClock, Stamps
from canlevel.capture.tally import Tally
from canlevel.errors import CaptureError, Place, printable
from canlevel.identifier import pgn_of

__all__ = ["CLOSING_S", "Arrival", "Bus", "BusAddress", "bus_address", "reason"]

RECEIVE_TIMEOUT_S = 0.2
CLOSING_S = 5.0  # how long a driver may take to let an adapter go before it is left to itself
MOST_IDENTIFIERS = 100_000
MOST_GARBLED = 1000  # so many failures in a row are no garbled pieces but a bus that is gone
MOST_UNENDED = 4096  # bytes of a serial line that never ends
# Linux include/uapi/linux/can/error.h: CAN_ERR_BUSOFF in the identifier of an error frame.
BUS_OFF = 0x40

# How python-can is asked for listen-only, interface by interface (python-can 4.6.1, arguments of each Bus class).
_LISTEN_ONLY: dict[str, dict[str, Any]] = {
    "slcan": {"listen_only": True},
    "vector": {"listen_only": True},
    "nixnet": {"listen_only": True},
    "cantact": {"monitor": True},
    "kvaser": {"driver_mode": False},
    "pcan": {"state": can.BusState.PASSIVE},
    "systec": {"state": can.BusState.PASSIVE},
    "seeedstudio": {"operation_mode": "silent"},
}
# What is asked for, with PGN 59904 to all (SAE J1939-21): address claims, and product information as NMEA 2000 and as RV-C have
# it. Who has no address sends from 254 (SAE J1939-81, from memory).
_REQUEST_TO_ALL = 0x18EAFFFE
_ASKED_FOR = (60928, 126996, 65259)
# Reading these cannot disturb a bus: no controller of ours takes part in it.
_NO_CONTROLLER = frozenset({"virtual", "udp_multicast", "socketcand"})
# The default serial timeout of 1 ms costs 3 % of a core on an idle bus, this one 0.1 %.
_DEFAULTS: dict[str, dict[str, Any]] = {"slcan": {"timeout": 0.1}}
_PACKAGES = {
    "slcan": "pip install pyserial",
    "gs_usb": "pip install gs-usb",
    "udp_multicast": "pip install msgpack",
}


@dataclass(frozen=True, slots=True)
class BusAddress:
    """A live SOURCE taken apart: INTERFACE:CHANNEL, with KEY=VALUE parts for what else an interface needs."""

    interface: str
    channel: str
    options: tuple[tuple[str, str | int | float], ...] = ()

    def __str__(self) -> str:
        return f"{self.interface}:{self.channel}"


def bus_address(text: str) -> BusAddress:
    """The address in "slcan:/dev/ttyACM0" or "socketcand:can0,host=192.168.1.5,port=29536".

    Raises CaptureError for an interface that python-can does not have, and for an empty channel.
    """
    interface, _, rest = text.partition(":")
    interfaces = sorted(can.VALID_INTERFACES)
    if interface not in interfaces:
        raise CaptureError(
            f'"{printable(interface)}" is not an interface that python-can has',
            where=Place(text),
            next_step=f"use one of: {', '.join(interfaces)}",
        )
    parts = rest.split(",")
    options = [part.partition("=") for part in parts if "=" in part]
    channel = ",".join(part for part in parts if "=" not in part)
    if not channel:
        raise CaptureError("names no channel", where=Place(text), next_step=f"write it as {interface}:CHANNEL")
    return BusAddress(interface, channel, tuple((key, _value(value)) for key, _, value in options))


class _Picks(dict[int, bool]):
    """Whether an identifier carries one of the PGNs that matter; worked out once for each identifier on the bus."""

    def __init__(self, wanted: Collection[int]) -> None:
        super().__init__()
        self._wanted = frozenset(wanted)

    def __missing__(self, identifier: int) -> bool:
        if len(self) >= MOST_IDENTIFIERS:  # a bus of random identifiers must not fill the memory
            self.clear()
        mine = self[identifier] = pgn_of(identifier & 0x1FFFFFFF) in self._wanted
        return mine


class Arrival(NamedTuple):
    """A frame as it was received. number: from 1 on this bus. received_us: on the clock that is never set."""

    number: int
    message: can.Message
    received_us: int


class _BusOffError(Exception):
    """The controller has left the bus."""


class Bus:
    """One open bus. `take()` hands out what has arrived since the last call.

    name: its channel as it appears in frames. lost: why it ended by itself, or None. garbled: pieces that were no frame.
    frames: how many have arrived, also those that nobody wants. first, last: of those that were no error frames, wanted or
    not. stamps: how its times become the host's.
    """

    def __init__(
        self,
        address: BusAddress,
        bitrate: int,
        tally: Tally,
        clock: HostClock,
        *,
        ask: bool = False,
        after: Bus | None = None,
        bus_off_ends: bool = False,
    ) -> None:
        """ask: send requests first. after: the same bus as it was open before; counts go on from there, and nothing is

        asked or noted again. bus_off_ends: a controller that says it is off the bus ends this one, for whoever opens it anew.
        """
        self.address = address
        self.name = address.channel
        self.lost: BaseException | None = None
        self.garbled: int = after.garbled if after else 0
        self.frames: int = after.frames if after else 0
        self.first: Arrival | None = None
        self.last: Arrival | None = None
        self.stamps = Stamps(clock)
        self._picks: _Picks | None = after._picks if after else None
        self._bus_off_ends = bus_off_ends
        self._bus = _open(address, bitrate, listen_only=not ask)
        self._arrived: deque[Arrival] = deque()
        self._stopping = False
        if ask:
            _ask(self._bus, address)
        elif after is None and address.interface not in _LISTEN_ONLY and address.interface not in _NO_CONTROLLER:
            tally.note(
                f"{address}: this interface has no listen-only switch here; nothing is sent, but the adapter "
                "acknowledges frames unless its own driver was set to listen-only"
            )
        self._thread = threading.Thread(target=self._work, name=f"canlevel {address}", daemon=True)
        self._thread.start()

    def _work(self) -> None:
        # The thread that receives also lets the adapter go: a driver that hangs in either holds up nobody else.
        try:
            self._receive()
        except BaseException as error:  # drivers raise what they like, also SystemExit
            self.lost = error
        self._let_go()

    def _receive(self) -> None:
        append, receive = self._arrived.append, self._bus.recv
        in_a_row = 0
        while not self._stopping:
            try:
                message = receive(RECEIVE_TIMEOUT_S)
            # About a piece that is no frame, or because the adapter is gone.
            except Exception as error:
                in_a_row += 1
                if _is_garbled(error) and in_a_row < MOST_GARBLED:
                    self.garbled += 1
                    _forget_garbled(self._bus)
                    continue
                raise
            in_a_row = 0
            if message is None:
                self.garbled += _forget_unended(self._bus)
                continue
            self.frames += 1
            arrival = Arrival(self.frames, message, hostclock.boot_us())
            # The rest of the bus goes no further than here.
            if self._picks is None or self._picks[message.arbitration_id]:
                append(arrival)
            if not message.is_error_frame:
                self.last = arrival
                self.first = self.first or arrival
            elif self._bus_off_ends and message.arbitration_id & BUS_OFF:
                raise _BusOffError("the controller is bus-off: it met too many errors and left the bus")

    def want(self, pgns: Collection[int] | None) -> None:
        """Keep only frames whose identifier carries one of these PGNs from now on; None keeps all."""
        self._picks = None if pgns is None else _Picks(pgns)

    def take(self) -> list[Arrival]:
        """What has arrived since the last call, in its order."""
        return [self._arrived.popleft() for _ in range(len(self._arrived))]

    @property
    def ended(self) -> bool:
        """Whether it ended by itself; what arrived before can still be taken."""
        return self.lost is not None

    @property
    def hangs(self) -> bool:
        """Whether its driver did not come back after halt()."""
        return self._stopping and self._thread.is_alive()

    def stop(self) -> None:
        """Ask it to stop listening; returns at once."""
        self._stopping = True

    def halt(self) -> None:
        """Stop listening and let the adapter go; what has arrived until now can still be taken."""
        self.stop()
        self._thread.join(CLOSING_S)
        if self._thread.is_alive():
            _wake(self._bus)
            self._thread.join(CLOSING_S / 5)

    def _let_go(self) -> None:
        port = getattr(self._bus, "serialPortOrig", None)
        try:
            self._bus.shutdown()
        # An adapter that was pulled out cannot be shut down in order.
        except BaseException:
            # python-can then leaves the serial port open, and a logger that starts anew would run out of them.
            if port is not None:
                with suppress(Exception):
                    port.close()


def reason(error: BaseException) -> str:
    """Why a bus cannot be heard any more, in plain words."""
    if isinstance(error, _BusOffError):
        return str(error)
    if isinstance(error, CaptureError):
        return error.what
    causes: list[BaseException] = [error]
    while (following := causes[-1].__cause__ or causes[-1].__context__) is not None and following not in causes:
        causes.append(following)
    numbers = {getattr(cause, "errno", None) or getattr(cause, "error_code", None) for cause in causes}
    if errno.ENETDOWN in numbers:
        return f"the interface is down ({_first_line(error)})"
    return f"the adapter or the way to it fails ({_first_line(error)})"


def _is_garbled(error: Exception) -> bool:
    """Whether a driver could not read one piece of what it received, rather than receive at all.

    Opening an adapter that is already talking begins in the middle of a line, serial lines lose bytes, and anybody may send
    to a multicast group.
    """
    cause = error.__cause__ or error
    return isinstance(cause, ValueError | IndexError | KeyError | TypeError) and not isinstance(cause, OSError)


def _forget_garbled(bus: can.BusABC) -> None:
    """Drop the piece from python-can's slcan buffer, which keeps bytes that are no ASCII and would fail on them forever."""
    buffer = getattr(bus, "_buffer", None)
    if isinstance(buffer, bytearray):
        buffer.clear()


def _forget_unended(bus: can.BusABC) -> int:
    """Drop a serial line that does not end, which python-can would collect for ever. Returns how many were dropped."""
    buffer = getattr(bus, "_buffer", None)
    if not isinstance(buffer, bytearray) or len(buffer) < MOST_UNENDED:
        return 0
    buffer.clear()
    return 1


def _wake(bus: can.BusABC) -> None:
    """Free a thread that waits for a serial port which takes nothing any more."""
    port = getattr(bus, "serialPortOrig", None)
    for release in ("cancel_read", "cancel_write", "reset_output_buffer"):
        with suppress(Exception):
            getattr(port, release)()


def _ask(bus: can.BusABC, address: BusAddress) -> None:
    """Send one request for each of what devices tell of themselves; before anything is received, with no thread in the way."""
    for pgn in _ASKED_FOR:
        request = can.Message(arbitration_id=_REQUEST_TO_ALL, is_extended_id=True, data=pgn.to_bytes(3, "little"))
        try:
            bus.send(request, timeout=1.0)
        # Drivers raise what they like.
        except Exception as error:
            bus.shutdown()
            raise CaptureError(
                f"the request could not be sent ({_first_line(error)})",
                where=Place(str(address)),
                next_step="check that the adapter may send (it is not set to listen-only), or leave --ask out",
            ) from error


def _open(address: BusAddress, bitrate: int, *, listen_only: bool) -> can.BusABC:
    name, place = address.interface, Place(str(address))
    options = dict(address.options)
    for key in options:
        if key in ("interface", "channel", "bitrate") or key in _LISTEN_ONLY.get(name, {}):
            raise CaptureError(
                f'"{printable(key)}" cannot be set as part of SOURCE',
                where=place,
                next_step="use --bitrate for the bit rate; a bus is always opened listen-only where the interface can",
            )
    quiet = _LISTEN_ONLY.get(name, {}) if listen_only else {}
    arguments: dict[str, Any] = _DEFAULTS.get(name, {}) | options | quiet
    try:
        if name == "socketcand":
            from canlevel.capture.socketcand import SocketcandBus

            return SocketcandBus(address.channel, **arguments)
        return can.Bus(interface=name, channel=_channel(address), bitrate=bitrate, **arguments)
    # Drivers raise what they like for an adapter that is missing, busy or of another kind.
    except Exception as error:
        what, next_step = _explained(error, address, bitrate)
        raise CaptureError(what, where=place, next_step=next_step) from error


def _explained(error: Exception, address: BusAddress, bitrate: int) -> tuple[str, str]:
    """(what, next step) for a bus that could not be opened."""
    text = _first_line(error)
    causes = [error]
    while isinstance(following := causes[-1].__cause__ or causes[-1].__context__, Exception):
        causes.append(following)
    # A driver that did not load leaves names undefined; python-can mostly, but not always, says so itself.
    if any(isinstance(cause, can.CanInterfaceNotImplementedError | ImportError | NameError) for cause in causes):
        install = _PACKAGES.get(address.interface, "install the driver that the adapter's maker gives out")
        return f"the driver package for {address.interface} is missing ({text})", install
    if any(isinstance(cause, OSError) and cause.errno in (errno.EACCES, errno.EPERM) for cause in causes):
        return f"may not be opened by this user ({text})", "add the user to the group that owns the device"
    if isinstance(error, TypeError):
        # A Bus class that needs more than a channel says so this way.
        missing = text.partition("() ")[2] or text
        return f"cannot be opened: {missing}", f"add what it needs, as in {address},host=localhost,port=29536"
    if any(isinstance(cause, ValueError) for cause in causes) and "bitrate" in text.lower():
        return f"cannot be opened with {bitrate} bit/s ({text})", "give one of its bit rates with --bitrate"
    return (
        f"cannot be opened ({text})",
        "check that the adapter is plugged in, that no other program holds it, and the name of its channel",
    )


def _channel(address: BusAddress) -> str | int:
    """Adapters counted by number want a number; a serial port or network interface is a name."""
    return int(address.channel) if address.channel.isdecimal() else address.channel


def _value(text: str) -> str | int | float:
    for kind in (int, float):
        try:
            return kind(text)
        except ValueError:
            pass
    return text


def _first_line(error: BaseException) -> str:
    text = str(error).strip()
    return printable(text.splitlines()[0], 160) if text else type(error).__name__
