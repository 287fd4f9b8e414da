"""Live buses through any python-can interface: listen-only where the adapter can, never sending.

Each bus is read in a thread of its own, so that a slow disk or terminal never makes the adapter's buffer overflow.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from dataclasses import dataclass
from typing import Any

import can

from canlevel.capture.tally import Tally
from canlevel.errors import CaptureError, Place, printable

__all__ = ["Bus", "BusAddress", "bus_address"]

RECEIVE_TIMEOUT_S = 0.2
# Before this a time stamp counts from something else (the adapter's start, as a rule): 1990-01-01.
EARLIEST_DATE_S = 631_152_000

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
# Reading these cannot disturb a bus: no controller of ours takes part in it.
_NO_CONTROLLER = frozenset({"virtual", "udp_multicast", "socketcand"})
# The default serial timeout of 1 ms costs 3 % of a core on an idle bus, this one 0.1 %.
_DEFAULTS: dict[str, dict[str, Any]] = {"slcan": {"timeout": 0.1}}
_PACKAGES = {
    "slcan": "pip install pyserial",
    "gs_usb": "pip install 'canlevel[gs-usb]'",
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


class Bus:
    """One open bus. `take()` hands out what has arrived since the last call.

    name: its channel as it appears in frames. lost: why it ended by itself, or None.
    """

    def __init__(self, address: BusAddress, bitrate: int, tally: Tally) -> None:
        self.address = address
        self.name = address.channel
        self.lost: Exception | None = None
        self._bus = _open(address, bitrate)
        self._arrived: deque[can.Message] = deque()
        self._stop = threading.Event()
        self._clock_offset_s: float | None = None
        if address.interface not in _LISTEN_ONLY and address.interface not in _NO_CONTROLLER:
            tally.note(
                f"{address}: this interface has no listen-only switch here; nothing is sent, but the adapter acknowledges "
                "frames unless its own driver was set to listen-only"
            )
        self._thread = threading.Thread(target=self._receive, name=f"canlevel {address}", daemon=True)
        self._thread.start()

    def _receive(self) -> None:
        append, receive = self._arrived.append, self._bus.recv
        while not self._stop.is_set():
            try:
                message = receive(RECEIVE_TIMEOUT_S)
            # Drivers raise what they like when an adapter goes; whatever it is, this bus has ended.
            except Exception as error:
                if not self._stop.is_set():
                    self.lost = error
                return
            if message is not None:
                if message.timestamp < EARLIEST_DATE_S:
                    message.timestamp = self._dated(message.timestamp)
                append(message)

    def _dated(self, timestamp_s: float) -> float:
        """Date and time for an adapter that counts from its own start: its spacing, the host's date."""
        if self._clock_offset_s is None or not timestamp_s:
            self._clock_offset_s = time.time() - timestamp_s
        return timestamp_s + self._clock_offset_s

    def take(self) -> list[can.Message]:
        """The messages that have arrived since the last call, in their order."""
        return [self._arrived.popleft() for _ in range(len(self._arrived))]

    @property
    def ended(self) -> bool:
        return not self._thread.is_alive()

    def close(self) -> None:
        """Stop listening and let the adapter go."""
        self._stop.set()
        self._thread.join(timeout=5)
        try:
            self._bus.shutdown()
        # An adapter that was pulled out cannot be shut down in order; there is nothing left to do about it.
        except Exception as error:
            self.lost = self.lost or error


def _open(address: BusAddress, bitrate: int) -> can.BusABC:
    name, place = address.interface, Place(str(address))
    arguments: dict[str, Any] = _DEFAULTS.get(name, {}) | _LISTEN_ONLY.get(name, {}) | dict(address.options)
    try:
        return can.Bus(interface=name, channel=_channel(address), bitrate=bitrate, **arguments)
    except can.CanInterfaceNotImplementedError as error:
        raise CaptureError(
            f"the driver package for {name} is missing ({_first_line(error)})",
            where=place,
            next_step=_PACKAGES.get(name, "install the driver that the adapter's maker gives out"),
        ) from error
    except ImportError as error:
        raise CaptureError(
            f"the driver package for {name} is missing ({_first_line(error)})",
            where=place,
            next_step=_PACKAGES.get(name, "install the driver that the adapter's maker gives out"),
        ) from error
    except TypeError as error:
        # A Bus class that needs more than a channel says so this way.
        raise CaptureError(
            f"cannot be opened: {_first_line(error).partition('() ')[2] or _first_line(error)}",
            where=place,
            next_step=f"add what it needs, as in {address},host=localhost,port=29536",
        ) from error
    except PermissionError as error:
        raise CaptureError(
            "may not be opened by this user", where=place, next_step="add the user to the group that owns the device"
        ) from error
    # Drivers raise what they like for an adapter that is missing, busy or of another kind.
    except Exception as error:
        raise CaptureError(
            f"cannot be opened ({_first_line(error)})",
            where=place,
            next_step="check that the adapter is plugged in, that no other program holds it, and the name of its channel",
        ) from error


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
