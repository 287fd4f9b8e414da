"""The logger put together: outages in the store, clocks that are set, signs of life; and the program under a real adapter.

Frames are invented. PGN 126992's layout: dbc/network.dbc, from memory.
"""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import time
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pytest
from adapter import Adapter
from conftest import START_US
from test_durable import frames
from test_live import boat_traffic, wait_until

import canlevel as library
from canlevel import logger
from canlevel.capture.events import BusBack, BusGone, ClockSet, Event
from canlevel.capture.source import Progress
from canlevel.capture.tally import Tally
from canlevel.decoding.tanks import TankDecoder
from canlevel.pipeline import Decoding, LogSummary, log_source
from canlevel.roster import Roster
from canlevel.storage.store import open_store
from canlevel.tables import EXTENDED, FRAMES, times_us

SECOND = 1_000_000
YEARS_US = 20_000 * 86_400 * SECOND
Step = pa.Table | Event


class Scripted:
    """A live source that plays a script: tables are batches, events happen between them."""

    live = True
    several = False

    def __init__(self, steps: Sequence[Step]) -> None:
        self.tally = Tally()
        self._steps = steps
        self._events: list[Event] = []

    def batches(self, pgns: Collection[int] | None = None) -> Iterator[pa.Table]:
        assert pgns is not None
        for step in self._steps:
            if isinstance(step, pa.Table):
                self.tally.frames += len(step)
                yield step
            else:
                self._events.append(step)
                yield FRAMES.empty_table()

    def events(self) -> list[Event]:
        events, self._events = self._events, []
        return events

    def progress(self) -> Progress:
        return Progress(0, None, self.tally.frames)

    def stop(self) -> None:
        pass

    def close(self) -> None:
        pass


@pytest.fixture
def host(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """The host's clock as the logger reads it; tests set it."""
    clock: dict[str, Any] = {"wall": START_US, "synchronised": None}
    monkeypatch.setattr(logger, "wall_us", lambda: clock["wall"])
    monkeypatch.setattr(logger, "host_synchronised", lambda: clock["synchronised"])
    return clock


def log(steps: Sequence[Step], store: Path) -> tuple[LogSummary, list[str]]:
    """A run over a script; what was told, with its level."""
    source = Scripted(steps)
    summary = log_source(Decoding(source, Roster("Workboat"), TankDecoder()), store)
    return summary, [f"{level}: {sentence}" for level, sentence in source.tally.told]


def batch(first: int, n: int, *, begin_us: int = START_US) -> pa.Table:
    """n frames from number `first` on, half a second apart on the host's clock."""
    return frames(first, n, begin_us=begin_us)


def clock_frames(told_us: Sequence[int], heard_us: Sequence[int], *, source: int = 0) -> pa.Table:
    """PGN 126992, priority 3, GPS (source field 0): SID, source, days since 1970, seconds since midnight in 0.1 ms."""
    payloads = []
    for told in told_us:
        day, rest = divmod(told, 86_400 * SECOND)
        data = bytes([1, 0xF0 | source]) + day.to_bytes(2, "little") + (rest // 100).to_bytes(4, "little")
        payloads.append(int.from_bytes(data, "little"))
    n = len(payloads)
    return pa.table(
        [
            pa.array(heard_us, FRAMES.field("time").type),
            pa.array(["can0"] * n).dictionary_encode(),
            pa.array([0x0DF01007] * n, pa.uint32()),
            pa.array([EXTENDED] * n, pa.uint8()),
            pa.array([8] * n, pa.uint8()),
            pa.array(payloads, pa.uint64()),
            pa.array(range(1, n + 1), pa.int64()),
        ],
        schema=FRAMES,
    )


def numbers_and_times(store: Path) -> list[tuple[int, int]]:
    frame = pd.read_parquet(store / "readings").sort_values("time")
    numbers = (frame["level_pct"] / 0.004).round().astype(int) - 2500
    moments = frame["time"].dt.tz_convert(None).astype("datetime64[us]").astype("int64")
    return list(zip(numbers.tolist(), moments.tolist(), strict=True))


def spans(store: Path, kind: str) -> list[tuple[int, int, str]]:
    """(from, to, why) of OUTAGES or CLOCK in microseconds."""
    marks = open_store(store).marks(kind)
    words = marks.column("why").to_pylist()
    return list(zip(times_us(marks, "from").tolist(), times_us(marks, "to").tolist(), words, strict=True))


@pytest.mark.usefixtures("host")
def test_a_bus_that_went_and_came_is_an_outage(tmp_path: Path) -> None:
    gone_us, back_us = START_US + 9 * 500_000, START_US + 100 * SECOND
    log(
        [
            batch(0, 10),
            BusGone("can0", gone_us, "the adapter is gone"),
            BusBack("can0", back_us, gone_us, "the adapter is gone"),
            batch(10, 10, begin_us=back_us - 5 * SECOND),
        ],
        tmp_path / "history",
    )
    assert spans(tmp_path / "history", "outages") == [(gone_us, back_us, "the adapter is gone")]
    row = pd.read_parquet(tmp_path / "history" / "outages").iloc[0]
    assert (row["channel"], row["vessel"]) == ("can0", "Workboat")


def test_a_bus_that_was_gone_at_the_end_and_the_time_between_two_runs(host: dict[str, Any], tmp_path: Path) -> None:
    store = tmp_path / "history"
    gone_us = START_US + 9 * 500_000
    host["wall"] = START_US + 60 * SECOND
    log([batch(0, 10), BusGone("can0", gone_us, "the adapter is gone")], store)
    ((from_us, to_us, why),) = spans(store, "outages")
    assert (from_us, to_us) == (gone_us, host["wall"])
    assert why.startswith("the adapter is gone; ")
    host["wall"] = later_us = START_US + 3600 * SECOND
    log([batch(0, 10, begin_us=later_us)], store)
    first, second = sorted(spans(store, "outages"))
    assert first == (from_us, to_us, why)
    assert second == (gone_us, later_us, logger.NOT_RUNNING)


@pytest.mark.parametrize("before_us", [0, START_US - 40 * 86_400 * SECOND])
def test_a_clock_that_is_set_moves_what_was_taken_before(before_us: int, host: dict[str, Any], tmp_path: Path) -> None:
    """One that began in 1970, and one that stood where the power had gone; the network sets both."""
    store, by_us = tmp_path / "history", START_US - before_us
    host |= {"wall": before_us, "synchronised": False}

    def steps() -> Iterator[Step]:
        yield batch(0, 40, begin_us=before_us)
        host.update(wall=START_US + 20 * SECOND, synchronised=True)
        yield ClockSet(by_us)
        yield batch(40, 40)

    source = Scripted(list[Step]())
    source._steps = steps()  # type: ignore[assignment]
    log_source(Decoding(source, Roster("Workboat"), TankDecoder()), store)
    told = [sentence for _, sentence in source.tally.told]
    assert numbers_and_times(store) == [(i, START_US + i * 500_000) for i in range(80)]
    assert any("40 readings were moved" in sentence for sentence in told)
    ((from_us, to_us, _),) = spans(store, "clock")
    assert (from_us, to_us) == (START_US, START_US + 20 * SECOND)
    assert open_store(store).marks("clock").column("shift_s").to_pylist() == [by_us / SECOND]
    # Rates are those of a run whose clock was right from the beginning.
    host |= {"wall": START_US, "synchronised": True}
    log([batch(0, 40), batch(40, 40)], tmp_path / "right")
    one, other = (library.open_store(path).to_arrow() for path in (store, tmp_path / "right"))
    assert one.equals(other)


def test_a_bus_that_tells_the_time(host: dict[str, Any], tmp_path: Path) -> None:
    store = tmp_path / "history"
    host |= {"wall": 0, "synchronised": False}
    heard = [9 * SECOND, 10 * SECOND, 11 * SECOND]
    _, told = log(
        [batch(0, 20, begin_us=0), clock_frames([START_US + at for at in heard], heard), batch(20, 20, begin_us=0)],
        store,
    )
    assert numbers_and_times(store) == [(i, START_US + i * 500_000) for i in range(40)]
    assert any("device 7 on the bus says" in sentence for sentence in told)


def test_a_clock_that_never_was_right_is_marked(host: dict[str, Any], tmp_path: Path) -> None:
    store = tmp_path / "history"
    host |= {"wall": 0, "synchronised": False}

    def steps() -> Iterator[Step]:
        yield batch(0, 20, begin_us=0)
        host["wall"] = 10 * SECOND

    source = Scripted(list[Step]())
    source._steps = steps()  # type: ignore[assignment]
    log_source(Decoding(source, Roster(), TankDecoder()), store)
    assert [at for _, at in numbers_and_times(store)] == [i * 500_000 for i in range(20)]
    ((from_us, to_us, why),) = spans(store, "clock")
    assert from_us == 0
    assert to_us >= 19 * 500_000
    assert "cannot be" in why
    assert open_store(store).marks("clock").column("shift_s").to_pylist() == [None]


def test_a_crash_after_the_clock_was_set_brings_frames_in_at_their_time(
    host: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = tmp_path / "history"
    host |= {"wall": 0, "synchronised": False}

    class Cut(BaseException):
        pass

    def steps() -> Iterator[Step]:
        yield batch(0, 20, begin_us=0)
        host.update(wall=START_US + 10 * SECOND, synchronised=True)
        yield ClockSet(START_US)
        yield batch(20, 20)
        raise Cut

    def close(run: Any) -> None:
        run.durable.journal.close(keep=True)
        run.durable.writer.take_waiting()
        run.durable._worker.shutdown()

    monkeypatch.setattr(logger._Run, "close", close)
    monkeypatch.setattr(logger.DurableWriter, "tick", lambda *_, **__: None)  # no commit gets in before the cut
    source = Scripted(list[Step]())
    source._steps = steps()  # type: ignore[assignment]
    with pytest.raises(Cut):
        log_source(Decoding(source, Roster(), TankDecoder()), store)
    assert len(open_store(store).parts()) == 0
    library.open_store(store)
    assert numbers_and_times(store) == [(i, START_US + i * 500_000) for i in range(40)]


@pytest.mark.usefixtures("host")
def test_a_service_manager_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(5)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        monkeypatch.setenv("WATCHDOG_USEC", "2000000")
        monkeypatch.delenv("WATCHDOG_PID", raising=False)
        log([batch(0, 10)], tmp_path / "history")
        heard = [manager.recv(1000).decode() for _ in range(4)]
    assert heard[:2] == ["READY=1", "WATCHDOG=1"]
    assert heard[2].startswith("STATUS=10 frames")
    assert heard[3] == "STOPPING=1"


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the adapter emulator needs Linux pseudo-terminals")
def test_the_program_outlasts_an_adapter_that_is_pulled_out(tmp_path: Path) -> None:
    store, port = tmp_path / "history", tmp_path / "adapter"
    with Adapter(port=port) as adapter:
        process = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "canlevel",
                "log",
                f"slcan:{port},sleep_after_open=0",
                "--store",
                store,
                "--verbose",
            ],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        adapter.send(boat_traffic(20))
        wait_until(lambda: adapter.sent == 60)
        time.sleep(0.7)
        adapter.unplug()
        time.sleep(0.5)
        adapter.replug()
        adapter.send(boat_traffic(20, first=20))
        wait_until(lambda: adapter.sent == 120)
        time.sleep(0.7)
        process.send_signal(signal.SIGTERM)
        out, errors = process.communicate(timeout=30)
    assert process.returncode == 0, errors
    assert "Traceback" not in errors
    assert "40 new" in out
    assert [number for number, _ in numbers_and_times(store)] == list(range(40))
    ((from_us, to_us, _),) = spans(store, "outages")
    assert from_us < to_us
    assert "warning: " in errors
    assert "readings stored" in errors


def test_a_pipe_has_its_journal_too(tmp_path: Path) -> None:
    """candump | canlevel log -: killed, what came through the pipe is there."""
    store = tmp_path / "history"
    process = subprocess.Popen(
        [sys.executable, "-m", "canlevel", "log", "-", "--store", store],
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
    )
    assert process.stdin is not None
    from test_durable import frames_text

    process.stdin.write(frames_text(0, 30).encode())
    process.stdin.flush()
    wait_until(lambda: any(path.stat().st_size > 1400 for path in store.glob("journal/*/*.log")))
    process.kill()
    process.wait()
    process.stdin.close()
    library.open_store(store)
    assert [number for number, _ in numbers_and_times(store)] == list(range(30))
