"""The process that hands readings to an MQTT broker, started by publish.py: lines in on standard input, events out on standard
output. Alone here paho-mqtt is known.

It is a process of its own because packing and acknowledging a message is work for the interpreter, some 0.1 ms each: in a
thread of the logger it would take turns with decoding.

In: first one line of JSON, the settings; then lines TOPIC, a tab, PAYLOAD; the end of the input ends it once all is delivered.
Out: lines of JSON: {"event": "up"}; {"event": "down", "why": ...}; {"event": "delivered", "count": so many since the start}.

Each message is retained and sent with quality of service 1: the broker acknowledges it, and after a break it is sent again, so
that it may come twice. `TOPIC/state` says "online", and "offline" after the end; the broker says it itself, by the last will,
if this process or the network goes. Source: MQTT Version 3.1.1, OASIS Standard 2014: 3.1.2.5 (will), 3.3.1.3 (retain), 4.3.2
(quality 1); paho-mqtt's documentation of version 2.
"""

from __future__ import annotations

import contextlib
import json
import os
import secrets
import signal
import sys
import threading
from collections.abc import Callable
from typing import Any, BinaryIO

__all__ = ["main"]

WINDOW = 500  # messages on their way; at 20, paho's own figure, a broker next door takes 1,250 a second, at 500 it takes 7,300
KEEPALIVE_S = 30  # a broker that stands still is noticed within one and a half of it
SHORTEST_PAUSE_S, LONGEST_PAUSE_S = 1, 30  # between attempts to connect
LOOK_S = 0.2
GOODBYE_S = 2.0
NICE = 10  # where there is more to do than cores, the log goes first

_writing = threading.Lock()


def _say(event: str, **facts: Any) -> None:
    """One event to whoever started this; if that one is gone, to nobody."""
    line = json.dumps({"event": event, **facts}) + "\n"
    with contextlib.suppress(OSError, ValueError), _writing:
        sys.stdout.write(line)
        sys.stdout.flush()


class _Broker:
    """A connection that comes back by itself. settings: as canlevel.publish writes them."""

    def __init__(self, settings: dict[str, Any]) -> None:
        from paho.mqtt.client import Client
        from paho.mqtt.enums import CallbackAPIVersion

        self._changed = threading.Condition()
        self._sent = self._under_way = self._told = 0
        self._leaving = self._refused = False
        self._state_topic = f"{settings['topic']}/state"
        self._topic = settings["topic"]
        client = Client(CallbackAPIVersion.VERSION2, f"canlevel-{secrets.token_hex(6)}", clean_session=True)
        if settings["user"] is not None:
            client.username_pw_set(settings["user"], settings["password"])
        if settings["tls"]:
            client.tls_set()  # the system's authorities, or those of SSL_CERT_FILE; the name is checked
        client.will_set(self._state_topic, "offline", qos=1, retain=True)
        client.reconnect_delay_set(SHORTEST_PAUSE_S, LONGEST_PAUSE_S)
        client.max_inflight_messages_set(WINDOW)
        client.on_connect = self._connected
        client.on_connect_fail = lambda *_: _say("down", why=_words(sys.exc_info()[1]))
        client.on_disconnect = self._disconnected
        client.on_publish = self._published
        self._client = client
        client.connect_async(settings["host"], settings["port"], KEEPALIVE_S)
        client.loop_start()

    def send(self, topic: str, payload: bytes) -> None:
        """Hand one message over; waits while too many are under way."""
        self._wait_for(lambda: self._under_way < WINDOW)
        with self._changed:
            self._sent += 1
        self._publish(f"{self._topic}/{topic}", payload)

    def _publish(self, topic: str, payload: bytes | str) -> None:
        with self._changed:
            self._under_way += 1
        # What a broker that is away does not take now, paho keeps and sends when it is back.
        self._client.publish(topic, payload, qos=1, retain=True)

    def leave(self) -> None:
        """Wait until all is delivered, say goodbye, and end the connection. Waits for ever: who started this may not."""
        self._wait_for(lambda: not self._under_way)
        self.report()
        self._publish(self._state_topic, "offline")
        self._wait_for(lambda: not self._under_way, GOODBYE_S)
        self._leaving = True
        self._client.disconnect()
        self._client.loop_stop()

    def report(self) -> None:
        """Say how many were delivered, if it is more than was said before."""
        with self._changed:
            # Words about the state are under way as well: at most it is a few more.
            count = self._sent - self._under_way
            news, self._told = count > self._told, max(count, self._told)
        if news:
            _say("delivered", count=count)

    def _wait_for(self, ready: Callable[[], bool], wait_s: float | None = None) -> None:
        with self._changed:
            self._changed.wait_for(ready, wait_s)

    def _connected(self, _: Any, __: Any, ___: Any, reason: Any, ____: Any) -> None:
        self._refused = reason.is_failure
        if reason.is_failure:
            _say("down", why=f"the broker refuses: {reason}")
            return
        self._publish(self._state_topic, "online")
        _say("up")

    def _disconnected(self, _: Any, __: Any, ___: Any, reason: Any, ____: Any) -> None:
        if not self._leaving and not self._refused:  # who refuses ends the connection, too
            _say("down", why=f"the connection ended: {reason}")

    def _published(self, *_: Any) -> None:
        with self._changed:
            self._under_way -= 1
            self._changed.notify_all()


def _words(error: BaseException | None) -> str:
    if error is None:
        return "no connection"
    return str(getattr(error, "strerror", None) or error) or type(error).__name__


def _watch(broker: _Broker, parent: int) -> None:
    """Report now and then; end where nobody waits for that any more."""
    while True:
        threading.Event().wait(LOOK_S)
        broker.report()
        if os.getppid() != parent:
            os._exit(1)  # whoever started this was killed; the broker says "offline" by itself


def main(lines: BinaryIO | None = None) -> None:
    """Hand over what comes in on standard input until it ends."""
    # Ctrl-C and a service manager's stop reach the whole group; the end of the input is what ends this.
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)
    if hasattr(os, "nice"):
        os.nice(NICE)
    stream = lines or sys.stdin.buffer
    parent = os.getppid()
    broker = _Broker(json.loads(stream.readline()))
    threading.Thread(target=_watch, args=(broker, parent), daemon=True).start()
    for line in stream:
        topic, _, payload = line.rstrip(b"\n").partition(b"\t")
        if line.endswith(b"\n"):  # or who wrote it was killed
            broker.send(topic.decode(), payload)
    broker.leave()


if __name__ == "__main__":
    main()
