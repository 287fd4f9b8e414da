"""Readings to an MQTT broker while they are logged, without ever holding up the log. READINGS in; what a user should know goes
to `tell`.

The log's thread only puts a batch into a queue. A thread takes it from there as JSON into the pipe of a process of its own
(mqtt.py), which speaks with the broker; while it writes into a pipe it holds up nobody. If the broker takes less than comes,
the pipe is full and the queue grows to MOST_WAITING readings; then the oldest go, but for the last of each tank, so that what a
broker holds as the last value is the last value. A recording is read far faster than any broker takes it, and both would take
turns with one interpreter: what it says waits until it is logged.
"""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from types import TracebackType
from typing import IO, Any, Literal, Protocol
from urllib.parse import unquote, urlsplit

import numpy as np
import pyarrow as pa

from canlevel.errors import QueryError, printable
from canlevel.show.rows import json_lines
from canlevel.tables import READINGS, codes_of, distinct, rows_at, values_of
from canlevel.words import counted

__all__ = ["PASSWORD", "Broker", "Publisher", "broker_of", "publishing"]

PASSWORD = "CANLEVEL_MQTT_PASSWORD"
PORTS = {"mqtt": 1883, "mqtts": 8883}
EXAMPLE = "write it like --publish mqtt://192.168.1.5/boat/tanks"
MOST_WAITING = 50_000  # readings, some 20 MB at most: five hours of seven tanks at 2.5 s
AT_ONCE = (
    64  # readings of a batch that are made into JSON where they come from: so small a table takes more room than that
)
A_PIECE = 500  # readings that are made into JSON together
PATIENCE_S, LONGEST_END_S = 3.0, 20.0  # at the end: so long without news of a delivery, so long at the most
LONGEST_RECORDING_S = 60.0  # the same for a recording, all of which comes at the end
SHORTEST_PAUSE_S, LONGEST_PAUSE_S = 1.0, 60.0  # before a process that died is started again
PROGRAM = ("-m", "canlevel.mqtt")
Tell = Callable[[Literal["info", "warning"], str], None]


@dataclass(frozen=True, slots=True)
class Broker:
    """Where to publish. Its text, and so whatever is said or traced of it, leaves the password out."""

    host: str
    port: int
    topic: str
    tls: bool = False
    user: str | None = None
    password: str | None = None

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        who = "" if self.user is None else f"{self.user}@"
        return f"mqtt{'s' if self.tls else ''}://{who}{host}:{self.port}/{self.topic}"

    __repr__ = __str__

    def settings(self) -> dict[str, str | int | bool | None]:
        """All of it, the password too, for the process that connects."""
        return {name: getattr(self, name) for name in ("host", "port", "topic", "tls", "user", "password")}


def broker_of(url: str, *, password: str | None = None) -> Broker:
    """The broker and topic of a URL mqtt://[user[:password]@]host[:port]/topic, or mqtts:// for TLS.

    password: where the URL has a user and no password, as any other user of the computer can read a command's words.
    Raises QueryError, which does not repeat the URL, as there may be a password in it.
    """
    try:
        if not url.isprintable():
            raise ValueError("it has control characters in it")
        parts = urlsplit(url)
        if parts.scheme not in PORTS:
            raise ValueError("it does not begin with mqtt:// or mqtts://")
        try:
            port = parts.port
        except ValueError:
            raise ValueError("its port is no number from 1 to 65535") from None
        if not parts.hostname or port == 0:
            raise ValueError("it names no host" if port != 0 else "its port is no number from 1 to 65535")
        topic = unquote(parts.path, errors="strict").strip("/")
        if not topic:
            raise ValueError("it names no topic")
        if parts.query or parts.fragment or "+" in topic or "#" in topic:
            raise ValueError("its topic has a +, # or ? in it, which no topic to publish under may have")
        if topic.startswith("$") or not topic.isprintable() or len(topic.encode()) > 1000:
            raise ValueError("its topic begins with $, is very long or has control characters in it")
        user, given = (None if word is None else unquote(word) for word in (parts.username, parts.password))
        if given is not None and not user:
            raise ValueError("it has a password and no user")
    except ValueError as error:
        raise QueryError(f"--publish: this is no URL to publish to: {error}", next_step=EXAMPLE) from None
    secret = given if given is not None else password
    return Broker(parts.hostname, port or PORTS[parts.scheme], topic, parts.scheme == "mqtts", user or None, secret)


class _Publishes(Protocol):
    """What decodes, and hands on the readings that it decodes."""

    on_readings: Callable[[pa.Table], None] | None


@contextmanager
def publishing(
    decoding: _Publishes, url: str | None, tell: Tell, *, recorded: bool = False, by_channel: bool = False
) -> Iterator[None]:
    """Publish what is decoded in this block to `url`; nothing where that is None. recorded, by_channel: as for Publisher.

    Raises QueryError for a wrong call.
    """
    if url is None:
        yield
        return
    broker = broker_of(url, password=os.environ.get(PASSWORD))
    if importlib.util.find_spec("paho") is None:
        raise QueryError(
            "--publish needs paho-mqtt, which is not installed",
            next_step="pip install '.[mqtt]' in the clone of canlevel",
        )
    with Publisher(broker, tell, recorded=recorded, by_channel=by_channel) as publisher:
        decoding.on_readings = publisher.publish
        try:
            yield
        finally:
            decoding.on_readings = None


@dataclass(slots=True)
class _Batch:
    """Readings that wait, in the order they came: as lines for mqtt.py, or as a table."""

    lines: list[str] | None = None
    table: pa.Table | None = None

    def __len__(self) -> int:
        rows: Any = self.table if self.lines is None else self.lines
        return len(rows)

    def take(self, count: int) -> _Batch:
        """The first of them, which are no longer in this one."""
        if self.lines is not None:
            taken, self.lines = _Batch(self.lines[:count]), self.lines[count:]
            return taken
        assert self.table is not None
        taken, self.table = _Batch(table=self.table.slice(0, count)), self.table.slice(count)
        return taken


class Publisher:
    """Publishes from its start until it is closed. tell: (level, sentence) as service.line_writer has them.

    recorded: nothing goes out before the end. by_channel: topics name the channel, too, where several buses may have equal
    devices. dropped: readings left out because the broker took too little; delivered: messages that it acknowledged.
    """

    def __init__(self, broker: Broker, tell: Tell, *, recorded: bool = False, by_channel: bool = False) -> None:
        self._broker, self._tell, self._recorded, self._by_channel = broker, tell, recorded, by_channel
        self.offered = self.dropped = self.delivered = 0
        self._news = threading.Condition()
        self._waiting: deque[_Batch] = deque()
        self._rows = 0
        self._newest: dict[str, str] = {}  # lines of readings that were to be left out, the last of each topic
        self._closing = self._given_up = self._ended = False
        self._in_hand: list[str] = []  # lines that the process may not have
        self._why = ""
        self._up: bool | None = None
        self._dropping = False
        self._moved_s = 0.0
        self._process: subprocess.Popen[bytes] | None = None
        self._thread = threading.Thread(target=self._work, name="canlevel publish", daemon=True)

    def __enter__(self) -> Publisher:
        if not self._recorded:
            self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def publish(self, readings: pa.Table) -> None:
        """Put READINGS into the queue. Never waits for the broker, and never fails because of it."""
        count = len(readings)
        if not count:
            return
        batch = _Batch(self._lines(readings)) if count <= AT_ONCE else _Batch(table=readings)
        with self._news:
            self.offered += count
            self._waiting.append(batch)
            self._rows += count
            if self._rows > MOST_WAITING:
                self._make_room()
            self._news.notify_all()

    def close(self) -> None:
        """Deliver what waits, as long as the broker takes it, and some seconds at the most; say what was not delivered."""
        with self._news:
            self._closing = True
            self._news.notify_all()
        if self._recorded:
            self._thread.start()
        self._moved_s = time.monotonic()
        ends_s = self._moved_s + (LONGEST_RECORDING_S if self._recorded else LONGEST_END_S)
        try:
            while self._thread.is_alive():
                self._thread.join(0.05)
                now_s = time.monotonic()
                if now_s > ends_s or now_s > self._moved_s + PATIENCE_S:
                    break
        finally:
            with self._news:
                self._given_up = True
                process = self._process
            if process is not None:
                process.kill()
            self._thread.join()
        missing = self.offered - self.dropped - self.delivered
        if self.dropped and self._recorded:
            told = f"of {counted(self.offered, 'reading')} the last {MOST_WAITING:,} are published; the log has all of them"
            self._tell("info", told)
        elif self.dropped:
            left_out = f"{counted(self.dropped, 'reading')} were left out of what was published"
            self._tell("warning", f"{left_out}, as the broker took less than came; the log has them")
        if missing > 0:
            why = f" ({self._why})" if self._up is not True and self._why else ""
            self._tell("warning", f"{counted(missing, 'reading')} did not reach {self._broker}{why}; the log has them")

    def _make_room(self) -> None:
        """Leave out the oldest readings, but keep the last of each tank."""
        if not self._dropping and not self._recorded:
            self._dropping = True
            self._tell(
                "warning",
                f"{self._broker} takes less than comes: more than {MOST_WAITING:,} readings wait, and the oldest are left "
                "out of what is published",
            )
        before = len(self._newest)
        while self._rows > MOST_WAITING:
            excess, oldest = self._rows - MOST_WAITING, self._waiting[0]
            gone = self._waiting.popleft() if len(oldest) <= excess else oldest.take(excess)
            self._rows -= len(gone)
            self.dropped += len(gone)
            lines = gone.lines if gone.table is None else self._lines(self._last_of_each(gone.table))
            for line in lines or ():
                self._newest[line.partition("\t")[0]] = line
        self.dropped -= len(self._newest) - before  # those are still to go out

    def _last_of_each(self, readings: pa.Table) -> pa.Table:
        tank, _ = codes_of(readings.column("tank"))
        channel, channels = codes_of(readings.column("channel"))
        keys = (tank.astype(np.int64) * len(channels) + channel) * 256 + values_of(readings.column("source_address"))
        _, which = distinct(keys)
        last = np.zeros(int(which.max()) + 1, np.int64)
        last[which] = np.arange(len(which))  # of several the last stays
        return rows_at(readings, np.sort(last))

    def _lines(self, readings: pa.Table) -> list[str]:
        """For each of READINGS its topic below the broker's, a tab, and its JSON."""
        payloads = json_lines(readings, READINGS.names).split("\n")
        columns = [readings.column(name).to_pylist() for name in ("channel", "tank", "source_address")]
        return [
            f"{f'{_level(channel)}/' if self._by_channel else ''}{_level(tank)}/{source}\t{payload}\n"
            for channel, tank, source, payload in zip(*columns, payloads[:-1], strict=True)
        ]

    # ---- the thread that feeds the process ----

    def _work(self) -> None:
        pause_s = SHORTEST_PAUSE_S
        while True:
            started_s = time.monotonic()
            with suppress(OSError):
                self._feed()
            if self._closing:
                return
            if time.monotonic() - started_s > LONGEST_PAUSE_S:
                pause_s = SHORTEST_PAUSE_S
            self._down("the process that publishes ended")
            with self._news:
                if self._news.wait_for(lambda: self._closing, pause_s):
                    return
            pause_s = min(2 * pause_s, LONGEST_PAUSE_S)

    def _feed(self) -> None:
        """Start the process and give it what waits, until the end. Raises OSError where it cannot be started, or is gone."""
        process = subprocess.Popen(
            [sys.executable, *PROGRAM],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,  # Ctrl-C is for the log, which ends this when it has ended
        )
        assert process.stdin is not None
        assert process.stdout is not None
        with self._news:
            self._process = process
            self._ended = False
            if self._given_up:
                process.kill()
        told = threading.Thread(target=self._listen, args=(process.stdout, self.delivered), daemon=True)
        told.start()
        try:
            self._write(process.stdin, [json.dumps(self._broker.settings()) + "\n"])
            while lines := self._in_hand or self._next():
                self._in_hand = lines
                self._write(process.stdin, lines)
                self._in_hand = []
            process.stdin.close()
            process.wait()
        finally:
            process.kill()
            process.wait()
            with suppress(OSError):
                process.stdin.close()
            told.join()
            process.stdout.close()

    @staticmethod
    def _write(pipe: IO[bytes], lines: list[str]) -> None:
        pipe.write("".join(lines).encode())
        pipe.flush()

    def _next(self) -> list[str]:
        """The next lines for the process; none at the end. Raises OSError where the process has ended by itself."""
        with self._news:
            self._news.wait_for(lambda: bool(self._waiting) or self._closing or self._ended)
            if self._ended:
                raise BrokenPipeError
            lines, self._newest = list(self._newest.values()), {}
            batch = None
            if self._waiting:
                oldest = self._waiting[0]
                batch = self._waiting.popleft() if len(oldest) <= A_PIECE else oldest.take(A_PIECE)
                self._rows -= len(batch)
        if batch is not None:
            lines += (
                self._lines(batch.table) if batch.lines is None and batch.table is not None else batch.lines
            ) or []
        return lines

    # ---- the thread that hears the process ----

    def _listen(self, pipe: IO[bytes], before: int) -> None:
        for line in pipe:
            with suppress(ValueError):
                match json.loads(line):
                    case {"event": "up"}:
                        self._back()
                    case {"event": "down", "why": str(why)}:
                        self._down(why)
                    case {"event": "delivered", "count": int(count)}:
                        self.delivered = before + count
                        self._moved_s = time.monotonic()
        with self._news:
            self._ended = True
            self._news.notify_all()

    def _back(self) -> None:
        was, self._up = self._up, True
        self._moved_s = time.monotonic()
        left_out = f"; {counted(self.dropped, 'reading')} were left out so far" if self.dropped else ""
        if was is None:
            self._tell("info", f"publishing to {self._broker}")
        elif not was:
            self._tell("info", f"publishing again to {self._broker}{left_out}")
        self._dropping = False

    def _down(self, why: str) -> None:
        """Told once for each time that the broker is away."""
        self._why = printable(why, 200)
        if self._up is not False and not self._closing:
            self._tell(
                "warning", f"nothing reaches {self._broker} ({self._why}); the log goes on, and it is tried again"
            )
        self._up = False


def _level(text: str | None) -> str:
    """A word as one level of a topic: what has a meaning in topics, or none at all, becomes _."""
    return "".join(c if c.isprintable() and c not in "/+#" else "_" for c in text or "_") or "_"
