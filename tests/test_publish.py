"""Readings at an MQTT broker: each of them, the last retained, whatever the broker does, and never at the log's cost.

The broker is amqtt's; the client that listens is paho's, which the publisher uses too, but reads what the broker says.
"""

from __future__ import annotations

import importlib.util
import json
import os
import signal
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Callable
from importlib import resources
from itertools import groupby
from pathlib import Path

import pandas as pd
import pytest
from adapter import Adapter, WireFrame
from broker import Broker, Listener, until
from conftest import Result, frames

import canlevel as library
from canlevel.decoding.tanks import decode_tanks
from canlevel.errors import QueryError
from canlevel.publish import MOST_WAITING, PASSWORD, Publisher, broker_of
from canlevel.roster import Roster, TankEntry
from canlevel.tables import READINGS

WORKBOAT = Path(str(resources.files("canlevel.captures") / "workboat.log.gz"))


def levels(raw: list[int], source: int = 0x23, instance: int = 0) -> object:
    """READINGS of fresh water, one a second, with levels in the wire's steps of 0.004 %."""
    data = [bytes([0x10 | instance]) + level.to_bytes(2, "little") + b"\xd0\x07\x00\x00\xff" for level in raw]
    return decode_tanks(frames([(0x19F21100 | source, payload) for payload in data]))


class Told(list[tuple[str, str]]):
    """What a publisher tells."""

    def __call__(self, level: str, sentence: str) -> None:
        self.append((level, sentence))

    @property
    def text(self) -> str:
        return "\n".join(f"{level}: {sentence}" for level, sentence in self)


def published(listener: Listener, ending: str = "/35") -> list[float]:
    return [json.loads(payload)["level_pct"] for payload in listener.payloads(ending)]


def test_a_recording_reaches_the_broker_reading_by_reading(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    roster = WORKBOAT.with_name("workboat.toml")
    with Broker() as broker:
        with Listener(broker.port, "boat/tanks") as listener:
            code, output, errors = canlevel(
                "log", WORKBOAT, "--store", tmp_path / "history", "--roster", roster,
                "--publish", f"mqtt://127.0.0.1:{broker.port}/boat/tanks",
            )  # fmt: skip
            assert (code, "21,600 new" in output) == (0, True)
            assert errors == f"note: publishing to mqtt://127.0.0.1:{broker.port}/boat/tanks\n"
            assert until(lambda: listener.payloads("/state")[-1:] == [b"offline"])
            got = [json.loads(payload) for topic, payload, _ in listener.heard if not topic.endswith("/state")]
            topics = {topic for topic, _, _ in listener.heard}
        assert listener.payloads("/state") == [b"online", b"offline"]
        assert topics == {"boat/tanks/state"} | {
            f"boat/tanks/nmea2000.{tank}"
            for tank in ("fuel.0/42", "fuel.1/42", "fresh_water.0/35", "grey_water.0/35", "black_water.0/35")
        }
        assert [list(row) for row in got] == [READINGS.names] * 21600
        stored = library.open_store(tmp_path / "history").readings()
        kept = {(row["tank"], row["time"]): (row["level_pct"], row["volume_l"], row["name"]) for row in got}
        expected = zip(
            stored["tank"], stored["time"], stored["level_pct"], stored["volume_l"], stored["name"], strict=True
        )
        assert kept == {
            (tank, time.strftime("%Y-%m-%dT%H:%M:%S.%fZ")): (level, volume, name)
            for tank, time, level, volume, name in expected
        }
        # Whoever comes later gets the last value of each tank at once.
        with Listener(broker.port, "boat/tanks") as late:
            assert until(lambda: len(late.heard) >= 6)
        assert all(retained for _, _, retained in late.heard)
        last = stored.groupby("tank")["time"].max()
        values = [json.loads(payload) for topic, payload, _ in late.heard if not topic.endswith("/state")]
        assert {row["tank"]: pd.Timestamp(row["time"]) for row in values} == last.to_dict()


def test_a_notebook_publishes_too(tmp_path: Path) -> None:
    path = tmp_path / "boat.log"
    path.write_text("(1777622400.000000) can0 19F21123#10D430D0070000FF\n")
    with Broker() as broker, Listener(broker.port, "t") as listener:
        library.log(path, tmp_path / "history", publish=f"mqtt://127.0.0.1:{broker.port}/t")
        assert until(lambda: published(listener) == [50.0])


def test_a_broker_that_is_away_costs_the_log_nothing(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    port = Broker().port
    code, output, errors = canlevel(
        "log", WORKBOAT, "--store", tmp_path / "history", "--publish", f"mqtt://127.0.0.1:{port}/boat"
    )
    assert (code, "21,600 new" in output) == (0, True)
    assert f"21,600 readings did not reach mqtt://127.0.0.1:{port}/boat (Connection refused)" in errors


def test_a_broker_that_comes_late_goes_and_comes_back() -> None:
    told, broker = Told(), Broker()
    with Publisher(broker_of(f"mqtt://127.0.0.1:{broker.port}/t"), told) as publisher:
        publisher.publish(levels([1000]))
        assert until(lambda: "nothing reaches" in told.text)
        with broker:
            with Listener(broker.port, "t") as listener:
                assert until(lambda: published(listener) == [4.0])
                assert until(lambda: "publishing again" in told.text)
                publisher.publish(levels([2000]))
                assert until(lambda: 8.0 in published(listener))
            broker.kill()
            assert until(lambda: told.text.count("nothing reaches") == 2)
            for raw in range(3000, 3100):
                publisher.publish(levels([raw]))
            broker.start()
            with Listener(broker.port, "t") as listener:
                # The retained last value, if all had come before the subscription.
                assert until(lambda: 12.396 in published(listener))
            assert until(lambda: publisher.delivered == publisher.offered)
            # Before the broker leaves for good. On a slow machine one that is just starting may refuse once more.
            levels_told = [level for level, _ in groupby(told, key=lambda note: note[0])]
            assert levels_told == ["warning", "info", "warning", "info"]
            assert told[-1][1].startswith("publishing again to ")


def test_a_broker_that_stands_still_loses_only_what_there_is_no_room_for() -> None:
    told = Told()
    with (
        Broker() as broker,
        Listener(broker.port, "t") as listener,
        Publisher(broker_of(f"mqtt://127.0.0.1:{broker.port}/t"), told) as publisher,
    ):
        publisher.publish(levels([1]))
        assert until(lambda: 0.004 in published(listener))
        broker.pause()
        publisher.publish(levels([7], instance=3))  # the only one of this tank, and the first to be left out
        count, size = 40, 5000
        for number in range(count):
            publisher.publish(levels([number] * size))
        assert publisher.dropped >= count * size - MOST_WAITING - 3000  # what the process, the pipe and the window hold
        assert publisher._rows <= MOST_WAITING
        broker.go_on()
        assert until(lambda: publisher.delivered + publisher.dropped == publisher.offered, 120)
        assert until(lambda: published(listener)[-1] == pytest.approx((count - 1) * 0.004))
        assert until(lambda: len(published(listener)) >= publisher.offered - publisher.dropped)
        assert [json.loads(p)["instance"] for p in listener.payloads("fresh_water.3/35")] == [3]
    assert publisher.offered == count * size + 2
    assert "more than 50,000 readings wait" in told.text
    assert f"{publisher.dropped:,} readings were left out" in told.text
    assert told.text.count("more than") == 1


def test_the_last_of_each_tank_is_never_left_out() -> None:
    told = Told()
    publisher = Publisher(broker_of("mqtt://127.0.0.1/t"), told)  # not started: all waits
    for source in (3, 4):
        publisher.publish(levels([100 * source, 100 * source + 1], source=source))
    for _ in range(3):
        publisher.publish(levels([5] * 30_000, source=9))
    waiting = dict(line.split("\t") for line in publisher._newest.values())
    assert {topic: json.loads(payload)["level_pct"] for topic, payload in waiting.items()} == {
        "nmea2000.fresh_water.0/3": pytest.approx(301 * 0.004),
        "nmea2000.fresh_water.0/4": pytest.approx(401 * 0.004),
        "nmea2000.fresh_water.0/9": pytest.approx(0.02),
    }
    assert publisher._rows == MOST_WAITING
    assert publisher.dropped == publisher.offered - publisher._rows - len(waiting)


def test_a_process_that_dies_is_started_again() -> None:
    told = Told()
    with (
        Broker() as broker,
        Listener(broker.port, "t") as listener,
        Publisher(broker_of(f"mqtt://127.0.0.1:{broker.port}/t"), told) as publisher,
    ):
        publisher.publish(levels([1000]))
        assert until(lambda: 4.0 in published(listener))
        assert publisher._process is not None
        publisher._process.kill()
        # The broker itself says so, by the last will.
        assert until(lambda: listener.payloads("/state")[-1:] == [b"offline"])
        assert until(lambda: "nothing reaches" in told.text)
        publisher.publish(levels([2000]))
        assert until(lambda: 8.0 in published(listener))
        assert listener.payloads("/state")[-1] == b"online"
    assert "the process that publishes ended" in told.text


def test_a_user_gets_in_with_the_password_and_nobody_hears_it(
    tmp_path: Path, canlevel: Callable[..., Result], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "boat.log"
    path.write_text("(1777622400.000000) can0 19F21123#10D430D0070000FF\n")
    with Broker("skipper", "h%i/dd:n") as broker, Listener(broker.port, "t", "skipper", "h%i/dd:n") as listener:
        where = f"127.0.0.1:{broker.port}/t"
        said = []
        monkeypatch.setenv(PASSWORD, "wrongone")
        said.append(canlevel("log", path, "--store", tmp_path / "a", "--publish", f"mqtt://skipper@{where}"))
        assert published(listener) == []
        assert "1 reading did not reach" in said[0][2]
        assert "the broker refuses" in said[0][2]
        monkeypatch.setenv(PASSWORD, "h%i/dd:n")
        said.append(canlevel("log", path, "--store", tmp_path / "b", "--publish", f"mqtt://skipper@{where}"))
        assert until(lambda: published(listener) == [50.0])
        monkeypatch.delenv(PASSWORD)
        url = f"mqtt://skipper:h%25i%2Fdd%3An@{where}"
        said.append(canlevel("log", path, "--store", tmp_path / "c", "--publish", url))
        assert until(lambda: published(listener) == [50.0] * 2)
    assert [code for code, _, _ in said] == [0, 0, 0]
    assert not any(
        secret in text
        for _, *texts in said
        for text in texts
        for secret in ("h%i", "h%25i", "wrongone", "dd:n", "dd%3A")
    )


def test_a_live_bus_until_ctrl_c(tmp_path: Path) -> None:
    with Broker() as broker, Listener(broker.port, "bus") as listener, Adapter(frames_per_s=50) as adapter:
        words = [
            sys.executable, "-m", "canlevel", "log", f"slcan:{adapter.path}", "--store", str(tmp_path / "history"),
            "--publish", f"mqtt://127.0.0.1:{broker.port}/bus",
        ]  # fmt: skip
        process = subprocess.Popen(
            words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
        )
        data = [bytes([0x10, n, 0x30, 0xD0, 7, 0, 0, 0xFF]) for n in range(100)]
        adapter.send(WireFrame(0x19F21123, one) for one in data)
        assert until(lambda: len(published(listener)) == 100)
        os.killpg(process.pid, signal.SIGINT)  # as a terminal does: the whole group
        output, errors = process.communicate(timeout=60)
        assert until(lambda: listener.payloads("/state") == [b"online", b"offline"])
    assert process.returncode == 0, errors
    assert "100 new" in output
    assert "did not reach" not in errors
    stored = library.open_store(tmp_path / "history").readings()
    assert Counter(stored["level_pct"]) == Counter(published(listener))


def test_the_broker_says_offline_when_the_logger_is_killed(tmp_path: Path) -> None:
    with Broker() as broker, Listener(broker.port, "bus") as listener, Adapter() as adapter:
        words = [
            sys.executable, "-m", "canlevel", "log", f"slcan:{adapter.path}", "--store", str(tmp_path / "history"),
            "--publish", f"mqtt://127.0.0.1:{broker.port}/bus",
        ]  # fmt: skip
        process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        adapter.send([WireFrame(0x19F21123, bytes.fromhex("10D430D0070000FF"))])
        assert until(lambda: published(listener) == [50.0])
        process.kill()
        process.wait()
        assert until(lambda: listener.payloads("/state") == [b"online", b"offline"])


def test_two_buses_have_topics_of_their_own_and_no_name_is_a_wildcard() -> None:
    publisher = Publisher(broker_of("mqtt://127.0.0.1/t"), Told(), by_channel=True)
    readings = levels([1])
    odd = readings.set_column(2, READINGS.field("channel"), np_words(["can/0+#\x00"]))
    publisher.publish(odd)
    (batch,) = publisher._waiting
    assert batch.lines is not None
    assert batch.lines[0].split("\t")[0] == "can_0___/nmea2000.fresh_water.0/35"


def np_words(words: list[str]) -> object:
    import pyarrow as pa

    return pa.array(words).dictionary_encode()


def test_names_of_any_language_arrive() -> None:
    name = 'Νερό "πλώρης"\t水箱 👨‍👩‍👧 e\u0301'
    roster = Roster("Möwe", (TankEntry(name, "fresh_water", 0),))
    with (
        Broker() as broker,
        Listener(broker.port, "Βάρκα/水") as listener,
        Publisher(broker_of(f"mqtt://127.0.0.1:{broker.port}/%CE%92άρκα/水"), Told()) as publisher,
    ):
        publisher.publish(roster.apply(levels([1000])))
        assert until(lambda: len(listener.payloads("/35")) == 1)
        row = json.loads(listener.payloads("/35")[0])
    assert (row["name"], row["vessel"]) == (name, "Möwe")


def test_publishing_never_waits() -> None:
    """Neither for a broker that is not there nor for one that stands still: it returns, and what waits stays bounded."""
    done = threading.Event()
    with Publisher(broker_of("mqtt://127.0.0.1:1/t"), Told()) as publisher:

        def work() -> None:
            for _ in range(200):
                publisher.publish(levels([5] * 1000))
            done.set()

        threading.Thread(target=work, daemon=True).start()
        assert done.wait(60)
        assert publisher._rows <= MOST_WAITING


@pytest.mark.parametrize(
    ("url", "host", "port", "topic", "tls", "user"),
    [
        ("mqtt://h/t", "h", 1883, "t", False, None),
        ("mqtts://h/t/u/", "h", 8883, "t/u", True, None),
        ("mqtt://me:x%40y@[::1]:99/a%20b", "::1", 99, "a b", False, "me"),
    ],
)
def test_urls_are_taken_apart(url: str, host: str, port: int, topic: str, tls: bool, user: str | None) -> None:
    broker = broker_of(url)
    assert (broker.host, broker.port, broker.topic, broker.tls, broker.user) == (host, port, topic, tls, user)
    assert "x@y" not in f"{broker} {broker!r}"
    assert "x%40y" not in f"{broker} {broker!r}"


@pytest.mark.parametrize(
    "url",
    [
        "", "mqtt://", "mqtt://h", "mqtt://h/", "http://h/t", "h/t", "mqtt:h/t", "mqtt://h:0/t", "mqtt://h:99999/t", "mqtt://h:x/t",
        "mqtt://h/a+", "mqtt://h/a/%23", "mqtt://h/a#b", "mqtt://h/a?b", "mqtt://h/$SYS", "mqtt://h/a%00", "mqtt://h/a\nb",
        "mqtt://:secret@h/t", "mqtt://u:secret@/t", "mqtt://h/%ff", "mqtt://[::1/t", f"mqtt://h/{'a' * 2000}",
    ],
)  # fmt: skip
def test_what_is_no_url_is_refused_without_repeating_it(
    url: str, tmp_path: Path, canlevel: Callable[..., Result]
) -> None:
    with pytest.raises(QueryError) as told:
        broker_of(url)
    assert "secret" not in str(told.value)
    path = tmp_path / "boat.log"
    path.write_text("(1777622400.000000) can0 19F21123#10D430D0070000FF\n")
    code, _, errors = canlevel("log", path, "--store", tmp_path / "history", "--publish", url)
    assert (code, "Next: write it like --publish mqtt://" in errors) == (2, True)
    assert "secret" not in errors
    assert not (tmp_path / "history").exists()


def test_without_paho_the_next_step_is_told(
    tmp_path: Path, canlevel: Callable[..., Result], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda _: None)
    code, _, errors = canlevel("log", WORKBOAT, "--store", tmp_path / "history", "--publish", "mqtt://h/t")
    assert (code, "pip install '.[mqtt]'" in errors) == (2, True)


def test_the_unit_has_the_url_and_never_a_password(canlevel: Callable[..., Result]) -> None:
    words = ("service-file", "socketcan:can0", "--store", "/var/lib/canlevel", "--publish")
    code, output, _ = canlevel(*words, "mqtt://me@h/boat%20tanks")
    assert code == 0
    assert "--publish mqtt://me@h/boat%%20tanks" in output
    assert "EnvironmentFile=-/etc/canlevel.env" in output
    code, output, errors = canlevel(*words, "mqtt://me:secret@h/t")
    assert (code, output, "secret" in errors) == (2, "", False)


def test_the_log_alone_does_not_import_the_client(tmp_path: Path) -> None:
    program = (
        "import sys\nfrom canlevel.cli import run\n"
        f"run(['log', {str(WORKBOAT)!r}, '--store', {str(tmp_path / 'h')!r}])\nassert 'paho' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", program], check=True, capture_output=True, timeout=120)
