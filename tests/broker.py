"""An MQTT broker for tests, a process of its own: amqtt's, which is another implementation than the client under test.

    python tests/broker.py PORT [USER PASSWORD]

Its memory goes with it, so that a restart forgets retained messages, as a broker without persistence does.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

__all__ = ["Broker", "Listener", "until"]


def until(condition: Callable[[], object], wait_s: float = 30.0) -> bool:
    """Wait for something; whether it came."""
    ends_s = time.monotonic() + wait_s
    while not condition():
        if time.monotonic() > ends_s:
            return False
        time.sleep(0.02)
    return True


class Broker:
    """A broker that runs while its `with` block does. port: a free one of this computer, the same after a restart."""

    def __init__(self, *who: str) -> None:
        self._who = who
        with socket.create_server(("127.0.0.1", 0)) as taken:
            self.port: int = taken.getsockname()[1]
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it takes connections."""
        words = [sys.executable, str(Path(__file__)), str(self.port), *self._who]
        self._process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        assert until(self._answers), "the broker did not start"

    def kill(self) -> None:
        """Take it away in the middle of whatever it does."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def pause(self) -> None:
        """Let it stand still, with its connections open."""
        assert self._process is not None
        os.kill(self._process.pid, signal.SIGSTOP)

    def go_on(self) -> None:
        """The end of pause()."""
        assert self._process is not None
        os.kill(self._process.pid, signal.SIGCONT)

    def _answers(self) -> bool:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1.0):
            return True
        return False

    def __enter__(self) -> Broker:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.kill()


class Listener:
    """Subscribed to everything below a topic while its `with` block runs. heard: (topic, payload, retained), in order."""

    def __init__(self, port: int, topic: str, *who: str) -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        self._ready = threading.Event()
        self._client = client = Client(CallbackAPIVersion.VERSION2)
        if who:
            client.username_pw_set(*who)
        client.reconnect_delay_set(1, 1)
        client.on_connect = lambda *_: client.subscribe(f"{topic}/#", qos=1)
        client.on_subscribe = lambda *_: self._ready.set()
        client.on_message = lambda _, __, said: self.heard.append((said.topic, said.payload, said.retain))
        client.connect_async("127.0.0.1", port)

    def payloads(self, ending: str = "") -> list[bytes]:
        """What came of topics that end so."""
        return [payload for topic, payload, _ in list(self.heard) if topic.endswith(ending)]

    def __enter__(self) -> Listener:
        self._client.loop_start()
        assert self._ready.wait(30), "no subscription"
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.disconnect()
        self._client.loop_stop()


async def _serve(port: int, who: list[str]) -> None:
    from amqtt.broker import Broker as AmqttBroker

    if who:
        plugins = {f"{__name__}.OneUser": {}}
        OneUser.who = tuple(who)
    else:
        plugins = {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}}
    listeners = {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}}
    await AmqttBroker({"listeners": listeners, "plugins": plugins}).start()
    await asyncio.Event().wait()


if __name__ == "__main__":
    from amqtt.plugins.base import BaseAuthPlugin

    class OneUser(BaseAuthPlugin):  # type: ignore[misc]
        """Lets in whoever gives the name and the password of the command line."""

        who: tuple[str, ...] = ()

        async def authenticate(self, *, session: object) -> bool:
            return (getattr(session, "username", None), getattr(session, "password", None)) == self.who

    asyncio.run(_serve(int(sys.argv[1]), sys.argv[2:]))
