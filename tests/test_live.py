"""Live buses, each through its real python-can driver: a serial adapter, multicast, a bus in memory, a bus on the network.

Frames and tanks are invented; only the layout of the messages is the standards'. Nothing here measures time: the time-outs
are guards, so that a fault shows as a failure and not as a test that never ends.
"""

from __future__ import annotations

import ctypes.util
import itertools
import json
import os
import random
import re
import select
import signal
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Any

import can
import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from adapter import Adapter, WireFrame
from can.interfaces import virtual
from soak import Measure, Outcome, soak
from socketcand_server import HOST, SocketcandServer

from canlevel.capture.events import BusBack, BusGone, ClockSet, Event
from canlevel.capture.hostclock import HostClock
from canlevel.capture.lasting import LastingBus, Patience
from canlevel.capture.live import Bus, bus_address
from canlevel.capture.source import Source, open_source
from canlevel.capture.tally import Tally
from canlevel.errors import CaptureError
from canlevel.pipeline import Decoding, collect, log_source, open_decoding
from canlevel.simulate import Simulation, candump_text, clinic_coach, workboat
from canlevel.tables import column, times_us

GUARD_S = 30.0
NO_WAIT = (
    "sleep_after_open=0"  # python-can gives a serial adapter two seconds to wake up, which the emulator does not need
)
MULTICAST_GROUP = "239.74.163.2"  # python-can 4.6.1, UdpMulticastBus.DEFAULT_GROUP_IPv4

# PGN 127505 at priority 6, PF and PS as in SAE J1939-21: the source address is the lowest byte.
FLUID_LEVEL_ID = 0x19F21100
FRESH_WATER = 1  # fluid type 1: PGN 127505 field lists in published NMEA 2000 equipment manuals
OTHER_TRAFFIC = WireFrame(0x09F20010, bytes.fromhex("00102700FF00FFFF"))  # PGN 127488, no tank's; figures invented

linux = pytest.mark.skipif(
    not sys.platform.startswith("linux"), reason="the adapter emulator needs Linux pseudo-terminals"
)
_numbers = itertools.count()


def tank_frame(level_raw: int, *, instance: int = 0, source_address: int = 35) -> WireFrame:
    """A fresh-water tank of 200 L. Layout: PGN 127505 field lists in published NMEA 2000 equipment manuals."""
    data = struct.pack("<BhIB", instance | FRESH_WATER << 4, level_raw, 2000, 0xFF)
    return WireFrame(FLUID_LEVEL_ID | source_address, data)


def boat_traffic(tank_frames: int, *, first: int = 0) -> list[WireFrame]:
    """Frames of which every third is a tank's, each at a level of its own, so that none can stand for another."""
    return [
        frame
        for i in range(first, first + tank_frames)
        for frame in (OTHER_TRAFFIC, tank_frame(2500 + i), OTHER_TRAFFIC)
    ]


def levels_pct(tank_frames: int) -> list[float]:
    """The levels in boat_traffic(): 0.004 % a bit, by the manuals named above."""
    return [(2500 + i) * 0.004 for i in range(tank_frames)]


def unique(name: str) -> str:
    """A channel of a bus in memory that no other test shares."""
    return f"{name}-{os.getpid()}-{next(_numbers)}"


def message(frame: WireFrame, *, time_us: int = 0) -> can.Message:
    return can.Message(
        arbitration_id=frame.identifier,
        data=frame.data,
        is_extended_id=frame.extended,
        timestamp=time_us / 1e6,
    )


def wait_until(condition: Callable[[], bool]) -> None:
    """Wait for what is sure to come; give up only where it does not."""
    give_up_s = time.monotonic() + GUARD_S
    while not condition():
        assert time.monotonic() < give_up_s, "waited in vain"
        time.sleep(0.005)


@contextmanager
def guarded(source: Source) -> Iterator[None]:
    """Stop a source that would otherwise wait for ever for frames that were lost."""
    guard = threading.Timer(GUARD_S, source.stop)
    guard.start()
    try:
        yield
    finally:
        guard.cancel()
        source.close()


def gather(batches: Iterable[pa.Table], source: Source, frames: int) -> pa.Table:
    """The tables until so many frames have come in, then stop; the source is closed."""
    tables = []
    with guarded(source):
        for table in batches:
            tables.append(table)
            if source.tally.frames >= frames:
                source.stop()
    return pa.concat_tables(tables).unify_dictionaries().combine_chunks()


def gather_readings(decoding: Decoding, frames: int) -> pa.Table:
    return gather(decoding.batches(), decoding.source, frames)


class Program:
    """`canlevel` in a process of its own, its standard error a terminal if wanted, its output a pipe."""

    def __init__(self, words: tuple[str | Path, ...], *, terminal: bool = False) -> None:
        self.shown = ""  # what the terminal has been given so far
        self._terminal: int | None = None
        errors = subprocess.PIPE
        if terminal:
            self._terminal, errors = os.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "canlevel", *map(str, words)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
            # Unbuffered output would hide a missing flush.
            env={name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"},
        )
        if terminal:
            os.close(errors)

    def wait_for_readings(self, count: int) -> None:
        """Until the status line on the terminal counts so many tank readings: then the store will have them."""
        wait_until(lambda: self._read_terminal() and self.readings_shown() >= count)

    def wait_for(self, words: str) -> None:
        """Until the terminal has shown something."""
        wait_until(lambda: self._read_terminal() and words in self.shown)

    def readings_shown(self) -> int:
        counts = re.findall(r"([\d,]+) tank readings", self.shown)
        return int(counts[-1].replace(",", "")) if counts else 0

    def finish(self) -> tuple[int, str, str]:
        """(exit code, standard output, standard error), once it has ended."""
        if self._terminal is None:
            output, errors = self.process.communicate(timeout=GUARD_S)
            return self.process.returncode, output, errors
        wait_until(lambda: self.process.poll() is not None or not self._read_terminal())
        output, _ = self.process.communicate(timeout=GUARD_S)
        while self._read_terminal():
            pass
        return self.process.returncode, output, self.shown

    def _read_terminal(self) -> bool:
        """Take what is there; False once nobody writes to the terminal any more."""
        assert self._terminal is not None
        while select.select([self._terminal], [], [], 0)[0]:
            try:
                self.shown += os.read(self._terminal, 4096).decode()
            except OSError:
                return False  # Linux says so when the last writer is gone
        return True

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.communicate()
        if self._terminal is not None:
            os.close(self._terminal)


@contextmanager
def running(*words: str | Path, terminal: bool = False) -> Iterator[Program]:
    program = Program(words, terminal=terminal)
    try:
        yield program
    finally:
        program.close()


def stored_levels(store: Path) -> list[float]:
    return pd.read_parquet(store / "readings").sort_values("time")["level_pct"].tolist()


def one_error(errors: str) -> str:
    """The error among lines of standard error: one sentence with what to do next, and nothing of ours or a driver's besides."""
    assert "Traceback" not in errors
    lines = errors.splitlines()
    assert len(lines) == 2, errors
    assert lines[0].startswith("error: ")
    assert lines[1].startswith("  Next: ")
    return lines[0]


# ---- a serial adapter


@linux
def test_slcan_delivers_every_frame_and_only_listens() -> None:
    """The whole way from the adapter's text to readings; and what the adapter was told, as this must disturb no bus."""
    with Adapter(frames_per_s=2000) as adapter:
        adapter.send(boat_traffic(100))
        decoding = open_decoding(f"slcan:{adapter.path},{NO_WAIT}")
        readings = gather_readings(decoding, 300)
        wait_until(lambda: not adapter.is_open)
    assert adapter.sent == 300
    assert decoding.tally.frames == 300
    assert column(readings, "level_pct").tolist() == pytest.approx(levels_pct(100), abs=1e-9)
    assert set(column(readings, "tank")) == {"nmea2000.fresh_water.0"}
    assert set(column(readings, "source_address")) == {35}
    assert set(column(readings, "capacity_l")) == {200.0}
    assert set(column(readings, "status")) == {"ok"}
    assert set(column(readings, "channel")) == {adapter.path}
    # S5 is 250 kbit/s and L opens listen-only, where O would take part in the bus: slcan-core.c, as in adapter.py.
    assert "S5" in adapter.commands
    assert "L" in adapter.commands
    assert "O" not in adapter.commands
    assert not [command for command in adapter.commands if command.startswith(("t", "T", "r", "R"))]
    assert adapter.commands[-1] == "C"
    assert decoding.tally.notes == []


def to_all(pgn: int) -> str:
    """A request for a parameter group, to all, from the null address, as slcan writes it (SAE J1939-21: three bytes)."""
    return f"T18EAFFFE3{pgn.to_bytes(3, 'little').hex().upper()}"


@linux
def test_devices_sends_nothing_unless_it_is_asked_to(canlevel: Callable[..., tuple[int, str, str]]) -> None:
    with Adapter() as adapter:
        adapter.send(boat_traffic(30))
        code, output, errors = canlevel(
            "devices", f"slcan:{adapter.path},{NO_WAIT}", "--seconds", "1", "--format", "jsonl"
        )
    assert code == 0
    assert [json.loads(line)["source_address"] for line in output.splitlines()] == [16, 35]
    assert "sending" not in errors
    assert "L" in adapter.commands
    assert "O" not in adapter.commands
    assert not [command for command in adapter.commands if command.startswith(("t", "T", "r", "R"))]


@linux
def test_ask_sends_one_request_for_each_and_says_so_before(canlevel: Callable[..., tuple[int, str, str]]) -> None:
    name = 0xC0F0820000E00001  # invented: arbitrary address, marine, class 120, function 130
    with Adapter() as adapter:
        adapter.send([*boat_traffic(30), WireFrame(0x18EEFF23, name.to_bytes(8, "little"))])
        source = f"slcan:{adapter.path},{NO_WAIT}"
        code, output, errors = canlevel("devices", source, "--ask", "--seconds", "1", "--format", "jsonl")
    assert code == 0
    assert errors.startswith("sending")
    assert "59904" in errors.splitlines()[0]
    sent = [command for command in adapter.commands if command.startswith(("t", "T", "r", "R"))]
    assert sent == [
        to_all(60928),
        to_all(126996),
        to_all(65259),
    ]  # address claim, product information: NMEA 2000 and RV-C
    assert "L" not in adapter.commands
    rows = {row["source_address"]: row for row in map(json.loads, output.splitlines())}
    assert rows[35]["name"] == f"{name:016X}"
    assert rows[16]["name"] is None


def test_a_recording_cannot_be_asked(canlevel: Callable[..., tuple[int, str, str]], tmp_path: Path) -> None:
    path = tmp_path / "boat.log"
    path.write_text(workboat(seconds=20).text())
    code, output, errors = canlevel("devices", path, "--ask")
    assert (code, output) == (2, "")
    assert "a recording cannot be asked" in errors
    assert "sending" not in errors


@linux
def test_an_adapter_that_may_not_send_is_told_as_such() -> None:
    bus = virtual.VirtualBus(unique("deaf"))

    def refuse(message: can.Message, timeout: float | None = None) -> None:
        raise can.CanOperationError(f"listen-only: {message.arbitration_id} not sent within {timeout}")

    from canlevel.capture.live import _ask

    bus.send = refuse  # type: ignore[method-assign]
    with pytest.raises(CaptureError, match="could not be sent") as caught:
        _ask(bus, bus_address("virtual:deaf"))
    assert "--ask" in (caught.value.next_step or "")


@linux
def test_explain_of_a_bus_is_that_of_its_recording(canlevel: Callable[..., tuple[int, str, str]]) -> None:
    """The same frames on a live bus: a level that is not available (raw 32767, by the published range of PGN 127505)."""
    with Adapter() as adapter:
        adapter.send(
            [frame for _ in range(20) for frame in (OTHER_TRAFFIC, tank_frame(32767), tank_frame(2500, instance=1))]
        )
        code, output, _ = canlevel("explain", f"slcan:{adapter.path},{NO_WAIT}", "--seconds", "1", "--format", "json")
    document = json.loads(output)
    faults = [(f["code"], f["tank"]) for f in document["findings"] if f["severity"] == "fault"]
    assert (code, faults) == (1, [("level-not-available", "nmea2000.fresh_water.0")])
    assert document["findings"][0]["evidence"]["frames"] == 20


@linux
def test_ctrl_c_ends_listening_and_tells_what_was_heard() -> None:
    """As at the end of --seconds: the findings so far, and for which of them it was too short."""
    script = (
        "import os, signal\nfrom canlevel.findings.listener import Listener\nreal = Listener.add\n"
        "def add(self, frames):\n    real(self, frames)\n"
        "    if self.traffic.frames >= 60:\n        os.kill(os.getpid(), signal.SIGINT)\n"
        "Listener.add = add\nfrom canlevel.__main__ import main\nmain()\n"
    )
    with Adapter() as adapter:
        adapter.send(
            [frame for _ in range(20) for frame in (OTHER_TRAFFIC, tank_frame(32767), tank_frame(2500, instance=1))]
        )
        words = ("explain", f"slcan:{adapter.path},{NO_WAIT}", "--format", "json")
        done = subprocess.run([sys.executable, "-c", script, *words], capture_output=True, text=True, timeout=GUARD_S)
    document = json.loads(done.stdout)
    assert (done.returncode, next(f["code"] for f in document["findings"])) == (1, "level-not-available")
    assert document["bus"]["frames"] == 60
    assert document["bus"]["heard_seconds"] < 60
    assert "level-pinned-full" in [one["code"] for one in document["bus"]["not_checked"]]
    assert "same command" not in done.stderr
    assert "interrupted" not in done.stderr


@linux
def test_a_silent_bus_is_a_finding(canlevel: Callable[..., tuple[int, str, str]]) -> None:
    with Adapter() as adapter:
        code, output, _ = canlevel("explain", f"slcan:{adapter.path},{NO_WAIT}", "--seconds", "0.5", "--format", "json")
    document = json.loads(output)
    assert (code, [f["code"] for f in document["findings"]]) == (1, ["no-traffic"])
    assert "the bus" in document["findings"][0]["summary"]
    # Half a second of silence proves little, and the first step says so.
    assert document["findings"][0]["next_steps"][0].startswith("listen for longer")


@linux
def test_slcan_frames_that_are_no_tanks_do_no_harm() -> None:
    """11-bit and remote frames, an empty frame, and the adapter's answers between the frames."""
    odd = [
        WireFrame(0x123, b"\x01\x02", extended=False),
        WireFrame(0x123, bytes(8), extended=False, remote=True),
        WireFrame(FLUID_LEVEL_ID | 35, bytes(8), remote=True),
        WireFrame(0x18EAFF23, b""),
    ]
    with Adapter() as adapter:
        adapter.send(odd)
        adapter.send_raw(b"\a")  # what an adapter says when it did not like a command
        adapter.send_raw(b"\r")
        adapter.send([tank_frame(12500)])
        frames = gather((source := open_source(f"slcan:{adapter.path},{NO_WAIT}")).batches(), source, 5)
    assert column(frames, "identifier").tolist() == [0x123, 0x123, 0x19F21123, 0x18EAFF23, 0x19F21123]
    assert column(frames, "length").tolist() == [2, 8, 8, 0, 8]
    assert column(frames, "flags").tolist() == [0, 2, 3, 1, 1]  # tables.py: 1 extended, 2 remote


@linux
def test_a_slcan_line_that_lost_its_end_is_malformed() -> None:
    """It promises eight bytes and brings three: what the level was is unknown, and nothing is made up for it."""
    with Adapter() as adapter:
        adapter.send_raw(b"T19F21123810D430\r")
        readings = gather_readings(open_decoding(f"slcan:{adapter.path},{NO_WAIT}"), 1)
    assert column(readings, "status").tolist() == ["malformed"]
    assert readings.column("level_pct").to_pylist() == [None]


@linux
@pytest.mark.parametrize("garbage", [b"D00\r", b"B\r", b"T19F2\r", b"T19F211238000\xff\r"])
def test_slcan_goes_on_after_a_line_that_is_no_frame(garbage: bytes) -> None:
    """A program that opens an adapter which is already talking begins in the middle of a line, and serial lines drop bytes.

    The end of a data field may well begin with B or D, which open an FD frame in some adapters' slcan.
    """
    with Adapter() as adapter:
        adapter.send_raw(garbage)
        adapter.send(boat_traffic(5))
        readings = gather_readings(open_decoding(f"slcan:{adapter.path},{NO_WAIT}"), 15)
    assert column(readings, "level_pct").tolist() == pytest.approx(levels_pct(5), abs=1e-9)


@linux
@pytest.mark.parametrize(
    ("end", "options"),
    # One of them with python-can's default of two seconds between opening the port and talking to the adapter.
    [(signal.SIGINT, ""), (signal.SIGTERM, f",{NO_WAIT}")],
    ids=["SIGINT", "SIGTERM"],
)
def test_log_stores_all_it_was_sent_when_it_is_ended(end: signal.Signals, options: str, tmp_path: Path) -> None:
    """Ctrl-C and a service manager's stop are how a log of a bus ends; neither may cost a reading."""
    store = tmp_path / "history"
    with Adapter(chatter=OTHER_TRAFFIC) as adapter:
        adapter.send(boat_traffic(80))
        with running("log", f"slcan:{adapter.path}{options}", "--store", store, terminal=True) as program:
            program.wait_for_readings(80)
            program.process.send_signal(end)
            code, output, errors = program.finish()
        wait_until(lambda: not adapter.is_open)
    assert code == 0
    assert "80 tank readings" in output
    assert "80 new" in output
    assert "Traceback" not in errors
    assert stored_levels(store) == pytest.approx(levels_pct(80), abs=1e-9)
    assert adapter.commands[-1] == "C"
    assert "O" not in adapter.commands


@linux
def test_ctrl_c_while_the_adapter_is_being_opened_ends_without_a_traceback(tmp_path: Path) -> None:
    """An impatient user presses it within the seconds that a serial adapter takes to open."""
    with (
        Adapter() as adapter,
        running("log", f"slcan:{adapter.path},sleep_after_open=4", "--store", tmp_path / "history") as program,
    ):
        descriptors = Path(f"/proc/{program.process.pid}/fd")
        wait_until(lambda: adapter.path in map(_target, descriptors.iterdir()))
        program.process.send_signal(signal.SIGINT)
        code, _, errors = program.finish()
    assert code == 130  # 128 + SIGINT, as shells count
    assert "Traceback" not in errors
    # Python can lose the interrupt to a callback; the program then notices it once the adapter is open, and ends all the same.
    assert not [command for command in adapter.commands if command.startswith(("O", "t", "T", "r", "R"))]


def _target(descriptor: Path) -> str:
    try:
        return str(descriptor.readlink())
    except FileNotFoundError:
        return ""  # closed while the folder was being listed


@linux
def test_decode_streams() -> None:
    """A reading is on standard output before the next one is even sent, or nobody could pipe it into anything."""
    with Adapter() as adapter:
        adapter.send([tank_frame(12500)])
        with running("decode", f"slcan:{adapter.path},{NO_WAIT}", "--format", "jsonl", "--seconds", "600") as program:
            assert program.process.stdout is not None
            assert _line(program)["level_pct"] == pytest.approx(50.0)
            adapter.send([tank_frame(25000)])
            assert _line(program)["level_pct"] == pytest.approx(100.0)
            program.process.send_signal(signal.SIGINT)
            code, output, errors = program.finish()
    assert (code, output, errors) == (0, "", "")


def _line(program: Program) -> dict[str, Any]:
    """The next JSON line on standard output; the process is ended where none comes."""
    guard = threading.Timer(GUARD_S, program.process.kill)
    guard.start()
    assert program.process.stdout is not None
    line = program.process.stdout.readline()
    guard.cancel()
    reading: dict[str, Any] = json.loads(line)
    return reading


@linux
def test_seconds_end_a_command_by_themselves() -> None:
    """Without a signal, as in a cron job; on a bus that never falls silent."""
    with Adapter(chatter=tank_frame(12500)) as adapter:
        with running("decode", f"slcan:{adapter.path},{NO_WAIT}", "--format", "jsonl", "--seconds", "1") as program:
            code, output, errors = program.finish()
        wait_until(lambda: not adapter.is_open)
    levels = [json.loads(line)["level_pct"] for line in output.splitlines()]
    assert code == 0
    assert levels
    assert set(levels) == {50.0}
    assert errors == ""


# ---- an adapter that vanishes


@linux
def test_log_of_an_adapter_that_vanishes_goes_on_and_says_so(tmp_path: Path) -> None:
    """On a terminal, with a line of its own: CR and ESC [K go to the start of the status line and clear it (ECMA-48, EL)."""
    store = tmp_path / "history"
    with Adapter(chatter=OTHER_TRAFFIC) as adapter:
        adapter.send(boat_traffic(40))
        with running("log", f"slcan:{adapter.path},{NO_WAIT}", "--store", store, terminal=True) as program:
            program.wait_for_readings(40)
            adapter.unplug()
            program.wait_for("warning: ")
            program.process.send_signal(signal.SIGTERM)
            code, _, errors = program.finish()
    assert code == 0
    assert "Traceback" not in errors
    before, _, said = errors.partition("warning: ")
    assert before.endswith(("\r\x1b[K", "\n"))
    assert f"slcan:{adapter.path}" in said
    assert stored_levels(store) == pytest.approx(levels_pct(40), abs=1e-9)


@linux
def test_a_vanished_adapter_is_an_error_in_the_library_too(tmp_path: Path) -> None:
    """A notebook gets the readings up to then from the store, and an exception that says where."""
    with Adapter(chatter=OTHER_TRAFFIC) as adapter:
        adapter.send(boat_traffic(10))
        decoding = open_decoding(f"slcan:{adapter.path},{NO_WAIT}", need_dates=True)
        with guarded(decoding.source), pytest.raises(CaptureError) as raised:
            log_source(decoding, tmp_path, on_batch=lambda state: adapter.unplug() if state.readings == 10 else None)
    assert raised.value.where is not None
    assert raised.value.where.file == f"slcan:{adapter.path}"
    assert raised.value.next_step
    assert stored_levels(tmp_path) == pytest.approx(levels_pct(10), abs=1e-9)


@linux
def test_a_vanished_adapter_leaves_no_file_open() -> None:
    """A logger that starts anew after each loss would otherwise run out of file descriptors (python-can 4.6.1, measured)."""
    with Adapter(chatter=OTHER_TRAFFIC) as adapter:
        source = open_source(f"slcan:{adapter.path},{NO_WAIT}")
        batches = source.batches()
        with guarded(source):
            next(batches)
            adapter.unplug()
            with pytest.raises(CaptureError):
                list(batches)
        # Looked at before the garbage collector might close it.
        left = [target for target in map(_target, Path("/proc/self/fd").iterdir()) if adapter.path in target]
    assert left == []


# ---- a bus that goes and comes back


@pytest.fixture
def patience(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Called with other pauses than those that a logger makes. Without a call there is next to no pause, and no silence."""

    def set_to(**seconds: Any) -> None:
        settings = {"pauses_s": (0.02,), "silence_s": 900.0, "first_silence_s": 900.0} | seconds
        monkeypatch.setattr("canlevel.capture.lasting.PATIENCE", Patience(**settings))

    set_to()
    return set_to


class Listener:
    """A source that is read batch by batch, as a logger does: events after each. levels_pct in the order they came."""

    def __init__(self, *words: str, **options: Any) -> None:
        self.decoding = open_decoding(words, reconnect=True, **options)
        self.source = self.decoding.source
        self.tables: list[pa.Table] = []
        self.events: list[Event] = []
        self._batches = self.decoding.batches()
        self._guard = threading.Timer(GUARD_S, self.source.stop)

    def __enter__(self) -> Listener:
        self._guard.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._guard.cancel()
        self.source.close()

    def until(self, condition: Callable[[], bool]) -> None:
        """Read on until something has come; a source that ends before it is a failure."""
        while not condition():
            table = next(self._batches, None)
            assert table is not None, f"waited in vain; {self.events}"
            self.tables.append(table)
            self.events += self.source.events()

    def until_readings(self, count: int) -> None:
        self.until(lambda: self.decoding.readings >= count)

    def until_event(self, kind: type[Event], count: int = 1) -> None:
        self.until(lambda: len(self.of(kind)) >= count)

    def of(self, kind: type[Event]) -> list[Any]:
        return [event for event in self.events if isinstance(event, kind)]

    @property
    def readings(self) -> pa.Table:
        return pa.concat_tables(self.tables).unify_dictionaries().combine_chunks()

    @property
    def levels_pct(self) -> list[float]:
        return column(self.readings, "level_pct").tolist()

    @property
    def told(self) -> list[tuple[str, str]]:
        return list(self.decoding.tally.told)


def threads_of_ours() -> list[str]:
    return sorted(thread.name for thread in threading.enumerate() if thread.name.startswith("canlevel "))


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


@linux
@pytest.mark.usefixtures("patience")
def test_an_adapter_that_is_plugged_in_again_is_heard_again(tmp_path: Path) -> None:
    """Nothing that was sent before or after is lost, each event is told once, and nothing is left open."""
    files = open_files()
    with Adapter(port=tmp_path / "adapter", frames_per_s=2000) as adapter:
        address = f"slcan:{adapter.path},{NO_WAIT}"
        with Listener(address) as listener:
            for outage in range(3):
                adapter.send(boat_traffic(20, first=20 * outage))
                listener.until_readings(20 * (outage + 1))
                wait_until(lambda: adapter.is_drained)
                adapter.unplug()
                listener.until_event(BusGone, outage + 1)
                listener.until(lambda tables=len(listener.tables): len(listener.tables) > tables + 1)  # type: ignore[misc]
                assert len(threads_of_ours()) <= 2
                adapter.replug()
            adapter.send(boat_traffic(20, first=60))
            listener.until_readings(80)
            listener.until_event(BusBack, 3)
            listener.source.stop()
            assert list(listener.decoding.batches()) == []
    assert listener.levels_pct == pytest.approx(levels_pct(80), abs=1e-9)
    assert listener.decoding.tally.frames == 240
    gone, back = listener.of(BusGone), listener.of(BusBack)
    assert [type(event) for event in listener.events] == [BusGone, BusBack] * 3
    time_us = times_us(listener.readings)
    for outage in range(3):
        # After the last tank frame there is one other, before the first as well.
        last_us, first_us = time_us[20 * outage + 19], time_us[20 * outage + 20]
        assert last_us <= gone[outage].last_us == back[outage].gone_since_us < back[outage].first_us <= first_us
        assert gone[outage].channel == back[outage].channel == adapter.path
        assert gone[outage].why == back[outage].why
        assert "the adapter or the way to it fails" in gone[outage].why
    assert [level for level, _ in listener.told] == ["warning", "info"] * 3
    assert all(address.partition(",")[0] in sentence for _, sentence in listener.told)
    assert set(column(listener.readings, "channel")) == {adapter.path}
    assert "O" not in adapter.commands
    assert threads_of_ours() == []
    assert open_files() == files


@linux
@pytest.mark.usefixtures("patience")
def test_without_reconnect_a_bus_that_goes_is_an_error_still(tmp_path: Path) -> None:
    with Adapter(port=tmp_path / "adapter", chatter=OTHER_TRAFFIC) as adapter:
        source = open_source(f"slcan:{adapter.path},{NO_WAIT}")
        with guarded(source):
            batches = source.batches()
            next(batches)
            adapter.unplug()
            with pytest.raises(CaptureError, match="the bus is gone"):
                list(batches)
    assert source.events() == []


def test_a_bus_that_cannot_be_opened_at_first_is_an_error_all_the_same() -> None:
    with pytest.raises(CaptureError, match="cannot be opened"):
        open_source("slcan:/dev/nonexistent", reconnect=True)


@linux
def test_an_adapter_that_stalls_is_opened_anew(tmp_path: Path, patience: Callable[..., None]) -> None:
    """It keeps its port and says nothing; what tells it from a bus that was switched off, nobody can hear."""
    patience(silence_s=1.0, first_silence_s=1.0)
    with (
        Adapter(port=tmp_path / "adapter", frames_per_s=2000) as adapter,
        Listener(f"slcan:{adapter.path},{NO_WAIT}") as listener,
    ):
        adapter.send(boat_traffic(20))
        listener.until_readings(20)
        adapter.stall()
        listener.until_event(BusGone)
        adapter.resume()
        adapter.send(boat_traffic(20, first=20))
        listener.until_readings(40)
        listener.until_event(BusBack)
        assert adapter.openings >= 2
    assert listener.levels_pct == pytest.approx(levels_pct(40), abs=1e-9)
    (gone,) = listener.of(BusGone)
    assert "the bus was silent, or the adapter stalled" in gone.why
    assert gone.last_us >= times_us(listener.readings)[19]


def test_a_bus_that_is_silent_from_the_start_is_not_called_gone(patience: Callable[..., None]) -> None:
    """Nobody can tell a silent bus from a stalled adapter; one that never spoke is told by "no frame was heard"."""
    patience(silence_s=0.1, first_silence_s=0.1)
    with Listener(f"virtual:{unique('quay')}") as listener:
        listener.until(lambda: len(listener.tables) >= 3)
    assert listener.events == []


@linux
@pytest.mark.usefixtures("patience")
@pytest.mark.parametrize("seed", range(3))
def test_garbage_between_frames_costs_no_frame(seed: int, tmp_path: Path) -> None:
    """Random bytes up to the end of a line, as a bad cable makes them: counted, and neither a loss nor an outage."""
    draw = random.Random(seed)
    traffic = boat_traffic(40)
    with (
        Adapter(port=tmp_path / "adapter", frames_per_s=2000) as adapter,
        Listener(f"slcan:{adapter.path},{NO_WAIT}") as listener,
    ):
        for frame in traffic:
            # Not every line that is no frame is counted: an empty one is an adapter's "yes". "t" and the like would begin one.
            noise = bytes(draw.choice([*range(0x80, 0x100), *b"#!%"]) for _ in range(draw.randrange(1, 40)))
            adapter.send_raw(noise + b"\r")
            adapter.send([frame])
        listener.until_readings(40)
        listener.until(lambda: listener.decoding.tally.frames >= 120)
    assert listener.levels_pct == pytest.approx(levels_pct(40), abs=1e-9)
    assert listener.decoding.tally.skipped > 40
    assert listener.events == []


@linux
@pytest.mark.usefixtures("patience")
def test_half_lines_spoil_no_more_than_the_line_they_run_into(tmp_path: Path) -> None:
    with (
        Adapter(port=tmp_path / "adapter", frames_per_s=2000) as adapter,
        Listener(f"slcan:{adapter.path},{NO_WAIT}") as listener,
    ):
        for i in range(20):
            adapter.send([tank_frame(2500 + i)])
            adapter.send_raw(tank_frame(0).slcan[: 1 + i])  # no end of line: a reset in the middle of a frame
            adapter.send([OTHER_TRAFFIC])
        adapter.send([tank_frame(2520)])
        listener.until(lambda: bool(listener.tables) and 2520 * 0.004 in [round(x, 3) for x in listener.levels_pct])
    whole = [level for level in listener.levels_pct if level > 5]
    assert whole == pytest.approx(levels_pct(21), abs=1e-9)
    assert listener.events == []


@linux
@pytest.mark.usefixtures("patience")
def test_a_line_without_an_end_does_not_fill_the_memory(tmp_path: Path) -> None:
    """python-can 4.6.1 keeps the bytes of a line until it ends; an adapter at a wrong baud rate may never end one."""
    with (
        Adapter(port=tmp_path / "adapter", frames_per_s=2000) as adapter,
        Listener(f"slcan:{adapter.path},{NO_WAIT}") as listener,
    ):
        for _ in range(20):
            adapter.send_raw(b"~" * 2000)
        listener.until(lambda: listener.decoding.tally.skipped > 0)
        wait_until(lambda: adapter.is_drained)
        adapter.send_raw(b"\r")
        adapter.send([tank_frame(12500)])
        listener.until_readings(1)
    assert listener.levels_pct == [50.0]
    assert listener.events == []


def test_a_socketcand_server_that_is_started_again_is_heard_again(patience: Callable[..., None]) -> None:
    patience()
    start_us = 1_777_622_400_000_000  # invented, as the server's clock
    with SocketcandServer() as server:
        listener = Listener(f"socketcand:can0,host={HOST},port={server.port}")
        server.send([(tank_frame(2500), start_us)])
        listener.until_readings(1)
    with listener:
        listener.until_event(BusGone)
        with SocketcandServer(at_once=[(tank_frame(2501), start_us + 9_000_000)], port=server.port):
            listener.until_readings(2)
            listener.until_event(BusBack)
    assert listener.levels_pct == pytest.approx(levels_pct(2), abs=1e-9)
    assert listener.of(BusGone) == [BusGone("can0", start_us, listener.of(BusBack)[0].why)]
    assert "closed the connection" in listener.of(BusGone)[0].why
    assert (listener.of(BusBack)[0].first_us, listener.of(BusBack)[0].gone_since_us) == (
        start_us + 9_000_000,
        start_us,
    )


def test_a_socketcand_server_that_says_nothing_does_not_hold_up_the_opening(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("canlevel.capture.socketcand.CONNECT_TIMEOUT_S", 0.2)
    with socket.create_server((HOST, 0)) as mute, pytest.raises(CaptureError, match="cannot be opened"):
        open_source(f"socketcand:can0,host={HOST},port={mute.getsockname()[1]}")


@linux
@pytest.mark.usefixtures("patience")
def test_one_bus_of_two_goes_and_the_other_loses_nothing(tmp_path: Path) -> None:
    with (
        Adapter(port=tmp_path / "engine-room", frames_per_s=2000) as one,
        Adapter(port=tmp_path / "saloon", frames_per_s=2000) as other,
        Listener(f"slcan:{one.path},{NO_WAIT}", f"slcan:{other.path},{NO_WAIT}") as listener,
    ):
        one.send(boat_traffic(10))
        other.send(boat_traffic(10))
        listener.until_readings(20)
        wait_until(lambda: one.is_drained and other.is_drained)
        one.unplug()
        for part in range(1, 5):
            other.send(boat_traffic(10, first=10 * part))
            listener.until_readings(20 + 10 * part)
        listener.until_event(BusGone)
        one.replug()
        one.send(boat_traffic(10, first=10))
        listener.until_readings(70)
        listener.until_event(BusBack)
    channel = column(listener.readings, "channel")
    level_pct = column(listener.readings, "level_pct")
    assert level_pct[channel == one.path].tolist() == pytest.approx(levels_pct(20), abs=1e-9)
    assert level_pct[channel == other.path].tolist() == pytest.approx(levels_pct(50), abs=1e-9)
    assert {event.channel for event in listener.events if not isinstance(event, ClockSet)} == {one.path}
    assert len(listener.events) == 2


@pytest.mark.usefixtures("patience")
def test_a_controller_that_goes_bus_off_is_opened_anew() -> None:
    """CAN_ERR_BUSOFF, 0x40: Linux include/uapi/linux/can/error.h. It is back with a frame, not with an error frame."""
    name = unique("can")

    def error_frame(identifier: int) -> can.Message:
        return can.Message(arbitration_id=identifier, is_extended_id=False, is_error_frame=True, data=bytes(8))

    with Listener(f"virtual:{name}") as listener, can.Bus(interface="virtual", channel=name) as bus:
        bus.send(message(tank_frame(2500)))
        bus.send(error_frame(0x04))  # CAN_ERR_CRTL: a controller problem that it survives
        bus.send(message(tank_frame(2501)))
        listener.until_readings(2)
        assert listener.events == []
        before = virtual.channels[name][0]
        bus.send(error_frame(0x40))
        listener.until_event(BusGone)
        # python-can keeps a queue for each listener of a channel, and ours is a new one then.
        listener.until(lambda: len(virtual.channels[name]) == 2 and before not in virtual.channels[name])
        bus.send(error_frame(0x100))  # CAN_ERR_RESTARTED
        listener.until(lambda: listener.decoding.tally.frames == 5)
        assert len(listener.events) == 1
        bus.send(message(tank_frame(2502)))
        listener.until_readings(3)
        listener.until_event(BusBack)
    assert listener.levels_pct == pytest.approx(levels_pct(3), abs=1e-9)
    assert "bus-off" in listener.of(BusGone)[0].why
    assert listener.decoding.tally.frames == 6


class Flaky:
    """A bus in memory whose driver fails as it is told to: `fault` is called by its receive, `at_end` by its shutdown."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.name = unique("flaky")
        self.fault: Callable[[], None] | None = None
        self.at_end: Callable[[], None] | None = None
        self.at_opening: Callable[[], None] | None = None
        receive, shutdown, begin = (
            virtual.VirtualBus._recv_internal,
            virtual.VirtualBus.shutdown,
            virtual.VirtualBus.__init__,
        )

        def failing_begin(bus: virtual.VirtualBus, channel: Any, **options: Any) -> None:
            if channel == self.name and self.at_opening is not None:
                self.at_opening()
            begin(bus, channel, **options)

        def failing_receive(bus: virtual.VirtualBus, timeout: float | None) -> Any:
            if bus.channel_id == self.name and self.fault is not None:
                self.fault()
            return receive(bus, timeout)

        def failing_shutdown(bus: virtual.VirtualBus) -> None:
            if bus.channel_id == self.name and self.at_end is not None:
                self.at_end()
            shutdown(bus)

        monkeypatch.setattr(virtual.VirtualBus, "_recv_internal", failing_receive)
        monkeypatch.setattr(virtual.VirtualBus, "shutdown", failing_shutdown)
        monkeypatch.setattr(virtual.VirtualBus, "__init__", failing_begin)

    def send(self, frame: WireFrame) -> None:
        """To all who listen on the channel, without a bus of its own, which would fail as well."""
        with virtual.channels_lock:
            for queue in virtual.channels.get(self.name, []):
                queue.put(can.Message(arbitration_id=frame.identifier, data=frame.data, timestamp=time.time()))


@pytest.fixture
def flaky(monkeypatch: pytest.MonkeyPatch) -> Flaky:
    return Flaky(monkeypatch)


def test_a_frame_that_comes_while_a_silent_bus_is_being_closed_is_kept(
    flaky: Flaky, patience: Callable[..., None]
) -> None:
    """It arrives after the last taking, and the bus is replaced before the next."""
    patience(silence_s=1.0, first_silence_s=1.0)
    address, tally, clock = bus_address(f"virtual:{flaky.name}"), Tally(), HostClock()
    lasting = LastingBus(
        Bus(address, 250_000, tally, clock), tally, lambda old: Bus(address, 250_000, tally, clock, after=old)
    )
    old, waits = lasting.bus, threading.Event()

    def wait_for_the_end() -> None:
        waits.set()
        wait_until(lambda: old.hangs)  # it has been asked to end, and has not yet

    flaky.send(tank_frame(1))
    wait_until(lambda: old.last is not None)
    assert [len(arrived) for _, arrived in lasting.take()] == [1]
    lasting.watch(0.0)
    flaky.fault = wait_for_the_end
    assert waits.wait(GUARD_S)
    flaky.send(tank_frame(2))
    lasting.watch(100.0)  # a silence, by the clock that it is given
    flaky.fault = None
    wait_until(lambda: lasting.calls)
    lasting.watch(101.0)
    flaky.send(tank_frame(3))
    wait_until(lambda: lasting.bus.last is not None)
    taken = lasting.take()
    lasting.halt()
    assert [(bus is old, [arrival.number for arrival in arrived]) for bus, arrived in taken] == [
        (True, [2]),
        (False, [3]),
    ]
    assert [type(event) for event in lasting.events] == [BusGone, BusBack]


def test_a_bus_that_is_lost_when_it_is_halted_is_not_opened_again(flaky: Flaky, patience: Callable[..., None]) -> None:
    patience(pauses_s=(3600.0,))
    address, tally, clock = bus_address(f"virtual:{flaky.name}"), Tally(), HostClock()
    lasting = LastingBus(
        Bus(address, 250_000, tally, clock), tally, lambda old: Bus(address, 250_000, tally, clock, after=old)
    )

    def fail() -> None:
        raise OSError(19, "No such device")

    flaky.fault = fail
    wait_until(lambda: lasting.bus.ended)
    lasting.halt()
    lasting.take()
    lasting.watch(0.0)
    assert threads_of_ours() == []


class OddError(BaseException):
    """What no driver should raise."""


@pytest.mark.usefixtures("patience")
@pytest.mark.parametrize(
    ("error", "telling"),
    [
        (can.CanOperationError("Error receiving: Network is down", 100), "the interface is down"),  # ENETDOWN
        (OSError(100, "Network is down"), "the interface is down"),
        (OSError(19, "No such device"), "No such device"),
        (ValueError("no frame, a thousand times in a row"), "fails"),
        (RuntimeError("\x1b[2Jfirmware says\nno"), "\\x1b[2Jfirmware says"),
        (SystemExit(3), "fails"),
        (OddError(), "OddError"),
    ],
    ids=["can-down", "down", "no-device", "garbled-for-ever", "control", "exit", "odd"],
)
def test_whatever_a_driver_raises_the_bus_is_opened_anew(error: BaseException, telling: str, flaky: Flaky) -> None:
    def fail() -> None:
        raise error

    with Listener(f"virtual:{flaky.name}") as listener:
        flaky.send(tank_frame(2500))
        listener.until_readings(1)
        flaky.fault = fail
        listener.until_event(BusGone)
        flaky.fault = None

        def send_until_heard() -> bool:
            flaky.send(tank_frame(2501))
            return bool(listener.of(BusBack))

        listener.until(send_until_heard)
    assert telling in listener.of(BusGone)[0].why
    assert len(listener.events) == 2
    assert threads_of_ours() == []


@pytest.mark.usefixtures("patience")
@pytest.mark.parametrize("where", ["shutdown", "receive", "opening"])
def test_a_driver_that_hangs_holds_up_nothing(
    where: str, flaky: Flaky, patience: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A thread in a driver cannot be ended from outside; it is left alone, and what it opens late is closed again."""
    monkeypatch.setattr("canlevel.capture.live.CLOSING_S", 0.1)
    patience(hanging_s=0.1, silence_s=1.0, first_silence_s=1.0)
    let_go, hangs = threading.Event(), []

    def hang() -> None:
        if not let_go.is_set():
            hangs.append(where)
            let_go.wait(GUARD_S)

    def fail() -> None:
        raise OSError(19, "No such device")

    try:
        with Listener(f"virtual:{flaky.name}") as listener:
            flaky.send(tank_frame(2500))
            listener.until_readings(1)
            if where == "receive":
                flaky.fault = hang
            else:
                flaky.at_end, flaky.at_opening = (hang, None) if where == "shutdown" else (None, hang)
                flaky.fault = fail
            listener.until_event(BusGone)
            wait_until(lambda: bool(hangs))
            flaky.fault = flaky.at_end = flaky.at_opening = None

            def send_until_heard() -> bool:
                flaky.send(tank_frame(2501))
                return bool(listener.of(BusBack))

            listener.until(send_until_heard)
            assert threads_of_ours() != []
    finally:
        let_go.set()
    wait_until(lambda: threads_of_ours() == [])
    assert hangs
    assert flaky.name not in virtual.channels


@pytest.mark.usefixtures("patience")
def test_a_driver_that_hangs_again_and_again_is_an_error_at_last(flaky: Flaky, monkeypatch: pytest.MonkeyPatch) -> None:
    """What hangs inside a driver only the end of the process can free; what was heard is handed out before."""
    monkeypatch.setattr("canlevel.capture.live.CLOSING_S", 0.05)
    monkeypatch.setattr("canlevel.capture.lasting.MOST_HANGING", 2)
    let_go = threading.Event()
    flaky.at_end = lambda: let_go.wait(GUARD_S) and None

    def fail_once() -> None:
        flaky.fault = None
        raise OSError(19, "No such device")

    def keep_failing() -> bool:
        flaky.send(tank_frame(2500))
        flaky.fault = fail_once
        return False

    try:
        with (
            Listener(f"virtual:{flaky.name}") as listener,
            pytest.raises(CaptureError, match="its driver hangs") as raised,
        ):
            listener.until(keep_failing)
    finally:
        let_go.set()
    assert "start this program again" in (raised.value.next_step or "")
    assert len(listener.of(BusGone)) >= 1
    wait_until(lambda: threads_of_ours() == [])


@linux
def test_stop_during_a_pause_ends_at_once(tmp_path: Path, patience: Callable[..., None]) -> None:
    """The pause would last an hour; the guard is half a minute."""
    patience(pauses_s=(3600.0,))
    with Adapter(port=tmp_path / "adapter", chatter=tank_frame(12500)) as adapter:
        source = open_source(f"slcan:{adapter.path},{NO_WAIT}", reconnect=True)
        stopped = 0
        with guarded(source):
            for _ in source.batches():
                if not stopped and source.tally.frames:
                    adapter.unplug()
                if any(isinstance(event, BusGone) for event in source.events()):
                    stopped += 1
                    source.stop()
    assert stopped == 1
    assert threads_of_ours() == []


@linux
def test_seconds_end_a_bus_that_is_gone(tmp_path: Path, patience: Callable[..., None]) -> None:
    patience(pauses_s=(3600.0,))
    with Adapter(port=tmp_path / "adapter", chatter=tank_frame(12500)) as adapter:
        source = open_source(f"slcan:{adapter.path},{NO_WAIT}", reconnect=True, seconds=3)
        adapter.unplug()
        stopped = threading.Event()
        guard = threading.Timer(GUARD_S, lambda: (stopped.set(), source.stop()))
        guard.start()
        assert list(source.batches())
        guard.cancel()
        source.close()
    assert not stopped.is_set()
    assert [type(event) for event in source.events()] == [BusGone]


@linux
def test_a_short_soak_loses_nothing_and_leaves_nothing_open(tmp_path: Path) -> None:
    """The command `python tests/soak.py` with less of everything."""
    outcome = soak(20_000, 5, tmp_path)
    assert outcome.faults(5) == []
    assert outcome.sent == outcome.received == 20_000


@pytest.mark.parametrize(
    ("change", "telling"),
    [
        ({"received": 999}, "received"),
        ({"back": 4}, "outages"),
        ({"end": Measure(180.0, 3, 13)}, "memory grew"),
        ({"end": Measure(108.0, 3, 13)}, "second half"),
        ({"end": Measure(100.0, 4, 13)}, "left over"),
        ({"end": Measure(100.0, 3, 14)}, "left over"),
    ],
)
def test_a_soak_can_fail(change: dict[str, Any], telling: str) -> None:
    good = Measure(100.0, 3, 13)
    measures = [good, good, change.pop("end", good)]
    outcome = Outcome(
        **{"sent": 1000, "received": 1000, "gone": 5, "back": 5, "skipped": 0, "measures": measures} | change
    )
    assert telling in " ".join(outcome.faults(5))
    assert Outcome(1000, 1000, 5, 5, 0, [good] * 3).faults(5) == []


@pytest.mark.parametrize("reconnect", [False, True])
def test_a_bus_on_which_nothing_comes_yields_empty_tables(reconnect: bool) -> None:
    """The heartbeat of whoever has to do something now and then: commit, tell a watchdog."""
    source = open_source(f"virtual:{unique('quay')}", reconnect=reconnect)
    with guarded(source):
        tables = list(itertools.islice(source.batches(), 4))
    assert [len(table) for table in tables] == [0] * 4
    assert tables[0].schema.names == gather_schema()


def gather_schema() -> list[str]:
    from canlevel.tables import FRAMES

    return list(FRAMES.names)


# ---- the host's clock is set


class SetClock:
    """The host's clock as python-can's drivers and ours read it, set forward or back by a test."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.by_s = 0.0
        wall, wall_ns = time.time, time.time_ns
        monkeypatch.setattr(time, "time", lambda: wall() + self.by_s)
        monkeypatch.setattr("canlevel.capture.hostclock.wall_us", lambda: wall_ns() // 1000 + round(self.by_s * 1e6))

    def now_us(self) -> int:
        return round(time.time() * 1e6)


@pytest.fixture
def set_clock(monkeypatch: pytest.MonkeyPatch) -> SetClock:
    return SetClock(monkeypatch)


@pytest.mark.usefixtures("patience")
@pytest.mark.parametrize("by_s", [5.0, -5.0, 1.5, -1.5, 1.7e9, -1.7e9], ids=str)
@pytest.mark.parametrize("reconnect", [False, True])
def test_no_batch_mixes_two_settings_of_the_hosts_clock(by_s: float, reconnect: bool, set_clock: SetClock) -> None:
    """Frames of both settings wait to be taken: the old ones come before the event, the new ones after it."""
    name = unique("quay")
    source = open_source(f"virtual:{name}", reconnect=reconnect)
    seen: list[int | ClockSet] = []
    with can.Bus(interface="virtual", channel=name) as bus, guarded(source):
        batches = source.batches()
        next(batches)
        for step in range(3):
            began_us = set_clock.now_us()
            for level in range(10):
                bus.send(message(tank_frame(1000 * step + level)))
            by_now_s = by_s if step % 2 == 0 else -by_s
            set_clock.by_s += by_now_s
            for level in range(10, 20):
                bus.send(message(tank_frame(1000 * step + level)))
            ended_us = set_clock.now_us()
            seen.clear()
            while sum(isinstance(one, int) for one in seen) < 20 or not any(isinstance(one, ClockSet) for one in seen):
                table = next(batches)
                time_us = times_us(table)
                # Laws: within a batch all is of one setting, in which the sending took no time worth speaking of.
                assert time_us.size == 0 or np.ptp(time_us) < 900_000
                seen += time_us.tolist()
                seen += [event for event in source.events() if isinstance(event, ClockSet)]
            at = next(i for i, one in enumerate(seen) if isinstance(one, ClockSet))
            event = seen.pop(at)
            assert isinstance(event, ClockSet)
            assert event.by_us == pytest.approx(by_now_s * 1e6, abs=100_000)
            assert at == 10
            assert seen == sorted(seen[:10]) + sorted(seen[10:])
            assert began_us - 1 <= seen[0]  # type: ignore[operator]
            assert seen[-1] <= ended_us + 1  # type: ignore[operator]
            assert seen[10] - seen[9] == pytest.approx(by_now_s * 1e6, abs=900_000)  # type: ignore[operator]


@pytest.mark.usefixtures("patience")
def test_a_frame_that_was_on_the_way_when_the_clock_was_set_is_moved_to_the_new_setting(set_clock: SetClock) -> None:
    """It was stamped before and handed over after the event was told; a kernel's queue may hold some."""
    name = unique("quay")
    source = open_source(f"virtual:{name}", reconnect=True)
    with can.Bus(interface="virtual", channel=name, preserve_timestamps=True) as bus, guarded(source):
        batches = source.batches()
        next(batches)
        before_us = set_clock.now_us()
        set_clock.by_s += 3600.0
        while not (events := source.events()):
            next(batches)
        bus.send(message(tank_frame(1), time_us=before_us))
        table = next(table for table in batches if len(table))
    (event,) = events
    assert isinstance(event, ClockSet)
    assert times_us(table).tolist() == pytest.approx([before_us + event.by_us], abs=2)


@pytest.mark.usefixtures("patience")
@pytest.mark.parametrize("by_s", [86_400.0, -7.0])
def test_an_adapter_that_counts_from_its_own_start_follows_the_hosts_clock(by_s: float, set_clock: SetClock) -> None:
    name = unique("quay")
    source = open_source(f"virtual:{name}", reconnect=True)
    found: list[int] = []
    with can.Bus(interface="virtual", channel=name, preserve_timestamps=True) as bus, guarded(source):
        batches = source.batches()
        bus.send(message(tank_frame(1), time_us=5_000_000))
        while len(found) < 1:
            found += times_us(next(batches)).tolist()
        set_clock.by_s += by_s
        while not (events := source.events()):
            found += times_us(next(batches)).tolist()
        bus.send(message(tank_frame(2), time_us=7_500_000))
        while len(found) < 2:
            found += times_us(next(batches)).tolist()
    (event,) = events
    assert isinstance(event, ClockSet)
    assert found[1] - found[0] == pytest.approx(2_500_000 + event.by_us, abs=2)


@linux
@pytest.mark.usefixtures("patience")
def test_an_outage_across_a_step_of_the_clock_is_told_on_the_new_setting(tmp_path: Path, set_clock: SetClock) -> None:
    with (
        Adapter(port=tmp_path / "adapter", frames_per_s=2000) as adapter,
        Listener(f"slcan:{adapter.path},{NO_WAIT}") as listener,
    ):
        adapter.send([tank_frame(2500)])
        listener.until_readings(1)
        set_clock.by_s -= 3600.0
        listener.until_event(ClockSet)
        adapter.unplug()
        listener.until_event(BusGone)
        set_clock.by_s += 86_400.0
        listener.until_event(ClockSet, 2)
        adapter.replug()
        adapter.send([tank_frame(2501)])
        listener.until_event(BusBack)
    before, gone, step, back = listener.events
    assert isinstance(before, ClockSet)
    assert isinstance(gone, BusGone)
    assert gone.last_us == times_us(listener.readings)[0] + before.by_us
    assert isinstance(step, ClockSet)
    assert isinstance(back, BusBack)
    assert gone.last_us is not None
    assert back.gone_since_us == gone.last_us + step.by_us
    assert 0 < back.first_us - back.gone_since_us < GUARD_S * 1e6


# ---- multicast


def free_udp_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("", 0))
        port: int = probe.getsockname()[1]
    return port


@pytest.fixture
def multicast_port() -> int:
    """A port on which this machine hears its own multicast."""
    port = free_udp_port()
    with (
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender,
    ):
        try:
            receiver.bind(("", port))
            membership = socket.inet_aton(MULTICAST_GROUP) + struct.pack("@I", socket.INADDR_ANY)
            receiver.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, membership)
            receiver.settimeout(5)
            sender.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, 0)
            sender.sendto(b"heard", (MULTICAST_GROUP, port))
            receiver.recv(16)
        except OSError as error:
            pytest.skip(f"this machine does not hear its own multicast: {error}")
    return port


@contextmanager
def multicast_bus(port: int) -> Iterator[can.BusABC]:
    """Where a test sends from. hop_limit=0: nothing leaves the machine."""
    with can.Bus(interface="udp_multicast", channel=MULTICAST_GROUP, port=port, hop_limit=0) as bus:
        yield bus


def test_udp_multicast_delivers_every_frame(multicast_port: int) -> None:
    """A port other than the default one, given in SOURCE; sent in portions, as UDP itself holds nobody back."""
    traffic, portion = boat_traffic(60), 20
    decoding = open_decoding(f"udp_multicast:{MULTICAST_GROUP},port={multicast_port}")
    sent, tables = 0, []
    with multicast_bus(multicast_port) as bus, guarded(decoding.source):

        def send() -> int:
            for frame in traffic[sent : sent + portion]:
                bus.send(message(frame))
            return portion

        sent += send()
        for readings in decoding.batches():
            tables.append(readings)
            if decoding.tally.frames == len(traffic):
                decoding.source.stop()
            elif decoding.tally.frames == sent:
                sent += send()
    readings = pa.concat_tables(tables).unify_dictionaries()
    assert decoding.tally.frames == sent == len(traffic)
    assert column(readings, "level_pct").tolist() == pytest.approx(levels_pct(60), abs=1e-9)
    assert set(column(readings, "channel")) == {MULTICAST_GROUP}
    assert decoding.tally.notes == []


def test_udp_multicast_goes_on_after_a_datagram_that_is_no_frame(multicast_port: int) -> None:
    """Anybody on the network may send to a group; what is no frame is not ours to stop at."""
    decoding = open_decoding(f"udp_multicast:{MULTICAST_GROUP},port={multicast_port}")
    with multicast_bus(multicast_port) as bus, socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as stranger:
        stranger.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, 0)
        stranger.sendto(b"hello", (MULTICAST_GROUP, multicast_port))
        bus.send(message(tank_frame(12500)))
        readings = gather_readings(decoding, 1)
    assert column(readings, "level_pct").tolist() == [50.0]


# ---- buses in memory


def test_several_buses_keep_their_names() -> None:
    """One call, three buses, the same tank on each: the channel is all that tells whose frame it was."""
    names = [unique(name) for name in ("engine-room", "saloon", "annex")]
    decoding = open_decoding([f"virtual:{name}" for name in names])
    buses = [can.Bus(interface="virtual", channel=name) for name in names]
    for level in range(20):
        for number, bus in enumerate(buses):
            bus.send(message(tank_frame(1000 * (number + 1) + level)))
    readings = gather_readings(decoding, 60)
    for bus in buses:
        bus.shutdown()
    assert decoding.tally.frames == 60
    channel, level_pct = column(readings, "channel"), column(readings, "level_pct")
    assert set(channel) == set(names)
    for number, name in enumerate(names):
        expected = [(1000 * (number + 1) + level) * 0.004 for level in range(20)]
        assert level_pct[channel == name].tolist() == pytest.approx(expected, abs=1e-9)


def test_a_channel_that_is_a_number_keeps_its_name() -> None:
    """Adapters that are counted want a number from us; in readings the channel is what the user wrote."""
    number = 7_000_000 + os.getpid()
    decoding = open_decoding(f"virtual:{number}")
    with can.Bus(interface="virtual", channel=number) as bus:
        bus.send(message(tank_frame(12500)))
        readings = gather_readings(decoding, 1)
    assert column(readings, "channel").tolist() == [str(number)]


def test_stop_ends_a_bus_and_close_lets_it_go() -> None:
    """stop() from another thread, as a notebook's button would; what came before is handed out."""
    name = unique("quay")
    source = open_source(f"virtual:{name}")
    with can.Bus(interface="virtual", channel=name) as bus:
        for frame in boat_traffic(10):
            bus.send(message(frame))
        all_came = threading.Event()
        frames = 0

        def stop_when_all_came() -> None:
            all_came.wait(GUARD_S)
            source.stop()

        stopper = threading.Thread(target=stop_when_all_came)
        stopper.start()
        with guarded(source):
            for table in source.batches():
                frames += len(table)
                if frames == 30:
                    all_came.set()
        stopper.join()
        assert frames == source.tally.frames == 30
        bus.send(message(tank_frame(0)))
        # python-can keeps a queue for each listener of a channel: ours is gone.
        assert len(virtual.channels[name]) == 1
    assert not [thread for thread in threading.enumerate() if name in thread.name]


def test_a_source_stopped_before_it_begins_ends_at_once() -> None:
    source = open_source(f"virtual:{unique('quay')}")
    source.stop()
    with guarded(source):
        assert list(source.batches()) == []


def test_stop_may_be_called_between_any_two_lines() -> None:
    """A signal handler runs wherever the main thread happens to be, also inside the wait for the next frames.

    A trace function stands for the signal: unlike a signal it can be put at each line in turn.
    """
    results: list[bool] = []

    def listen(at: int) -> None:
        source, lines = open_source(f"virtual:{unique('quay')}"), itertools.count()

        def trace(_frame: FrameType, event: str, _argument: object) -> Any:
            if event == "line" and next(lines) == at:
                source.stop()
            return trace

        sys.settrace(trace)
        for _ in source.batches():
            pass
        sys.settrace(None)
        source.close()
        results.append(True)

    # Some two turns of the loop; daemons, as a listener that hangs cannot be ended from outside.
    listeners = [threading.Thread(target=listen, args=(at,), daemon=True) for at in range(40)]
    for listener in listeners:
        listener.start()
    give_up_s = time.monotonic() + GUARD_S / 6
    for listener in listeners:
        listener.join(timeout=max(0.0, give_up_s - time.monotonic()))
    assert len(results) == len(listeners)


def test_seconds_end_a_bus() -> None:
    """What was sent before is there; the end comes by itself, and also at once."""
    name = unique("quay")
    decoding = open_decoding(f"virtual:{name}", seconds=1.0)
    with can.Bus(interface="virtual", channel=name) as bus, guarded(decoding.source):
        for frame in boat_traffic(10):
            bus.send(message(frame))
        readings = collect(decoding)
    assert column(readings, "level_pct").tolist() == pytest.approx(levels_pct(10), abs=1e-9)
    source = open_source(f"virtual:{unique('quay')}", seconds=0)
    with guarded(source):
        assert list(source.batches()) == []


def test_an_adapter_that_counts_from_its_own_start_gets_the_hosts_date() -> None:
    """Some adapters stamp frames with the time since they were plugged in: the spacing is theirs, the date the host's."""
    name = unique("quay")
    decoding = open_decoding(f"virtual:{name}")
    began_us = time.time_ns() // 1000
    with can.Bus(interface="virtual", channel=name, preserve_timestamps=True) as bus:
        for time_us in (5_000_000, 7_500_000, 10_000_000):
            bus.send(message(tank_frame(time_us // 1000), time_us=time_us))
        found_us = times_us(gather_readings(decoding, 3))
    ended_us = time.time_ns() // 1000
    # A float of today's date is exact to a quarter of a microsecond, and each time is rounded to a whole one.
    assert [b - a for a, b in itertools.pairwise(found_us.tolist())] == pytest.approx([2_500_000] * 2, abs=1)
    assert began_us - 1 <= found_us[0] <= ended_us + 1
    assert decoding.tally.undated == 0


# ---- a bus on the network


def test_socketcand_delivers_every_frame_with_its_own_time() -> None:
    """The server's clock is the one that saw the frame; only what opens a raw connection is said to the server."""
    start_us = 1_777_622_400_123_456  # invented: 2026-05-01T08:00:00.123456Z
    traffic = [(frame, start_us + 1000 * number) for number, frame in enumerate(boat_traffic(50))]
    with SocketcandServer() as server:
        decoding = open_decoding(f"socketcand:can0,host={HOST},port={server.port}")
        server.send(traffic)
        readings = gather_readings(decoding, 150)
    assert decoding.tally.frames == 150
    assert column(readings, "level_pct").tolist() == pytest.approx(levels_pct(50), abs=1e-9)
    assert times_us(readings).tolist() == [start_us + 1000 + 3000 * i for i in range(50)]
    assert set(column(readings, "channel")) == {"can0"}
    assert server.commands == ["< open can0 >", "< rawmode >"]


def test_a_socketcand_bus_that_is_busy_can_be_opened() -> None:
    """TCP keeps no borders between messages: what the server says next may arrive together with its < ok >."""
    with SocketcandServer(at_once=[(tank_frame(12500), 1_777_622_400_000_000)]) as server:
        decoding = open_decoding(f"socketcand:can0,host={HOST},port={server.port}")
        readings = gather_readings(decoding, 1)
    assert column(readings, "level_pct").tolist() == [50.0]


def test_a_socketcand_server_that_hangs_up_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    """Otherwise a log would go on for days with nothing in it, and a core at full load."""
    monkeypatch.setattr("test_live.GUARD_S", 4.0)
    with SocketcandServer() as server:
        source = open_source(f"socketcand:can0,host={HOST},port={server.port}")
        server.send([(tank_frame(12500), 1_777_622_400_000_000)])
        batches = source.batches()
        with guarded(source):
            next(batches)
            server.hang_up()
            with pytest.raises(CaptureError):
                list(batches)


# ---- what a user may get wrong


def error_of(*words: str | Path) -> str:
    """The error of a command in a process of its own, where drivers may print what they like."""
    with running(*words) as program:
        code, output, errors = program.finish()
    assert code == 2
    assert output == ""
    return one_error(errors)


@pytest.mark.parametrize(
    ("source", "telling"),
    [
        ("parallelport:0", '"parallelport" is not an interface'),
        ("slcan:/dev/nonexistent", "slcan:/dev/nonexistent: cannot be opened"),
        ("slcan:", "names no channel"),
        ("virtual:,rx_queue_size=1", "names no channel"),
        ("socketcand:can0", "'host' and 'port'"),
    ],
)
def test_a_source_that_cannot_be_opened_is_one_clear_sentence(source: str, telling: str, tmp_path: Path) -> None:
    assert telling in error_of("log", source, "--store", tmp_path / "history")


def test_one_wrong_bus_among_several_lets_the_others_go() -> None:
    """The buses that were opened before it are closed again, so that the next try finds them free."""
    name = unique("quay")
    with pytest.raises(CaptureError) as raised:
        open_source([f"virtual:{name}", "slcan:/dev/nonexistent"])
    assert raised.value.where is not None
    assert raised.value.where.file == "slcan:/dev/nonexistent"
    assert name not in virtual.channels


def test_buses_and_recordings_do_not_mix(tmp_path: Path) -> None:
    recording = tmp_path / "boat.log"
    recording.write_text("(1777622400.000000) can0 19F21123#00D430D0070000FF\n")
    with pytest.raises(CaptureError, match="one call"):
        open_source([f"virtual:{unique('quay')}", recording])


def test_a_missing_driver_package_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a machine without it, whether or not this one has it."""
    (tmp_path / "usb.py").write_text('raise ModuleNotFoundError("No module named \'usb\'", name="usb")\n')
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    with running("decode", "gs_usb:0") as program:
        code, output, errors = program.finish()
    assert (code, output) == (2, "")
    assert "driver package for gs_usb is missing" in one_error(errors)
    assert "pip install gs-usb" in errors.splitlines()[1]


@pytest.mark.skipif(ctypes.util.find_library("canlib") is not None, reason="this machine has the driver")
def test_a_missing_driver_library_is_named() -> None:
    """Here python-can's module loads without the maker's library, and fails only when it is used."""
    assert "driver" in error_of("decode", "kvaser:0")


@linux
def test_a_bitrate_that_the_adapter_lacks_is_told_as_such() -> None:
    with Adapter() as adapter, running("decode", f"slcan:{adapter.path},{NO_WAIT}", "--bitrate", "123456") as program:
        code, _, errors = program.finish()
    assert code == 2
    assert "bitrate" in one_error(errors)
    assert "--bitrate" in errors.splitlines()[1]


@linux
def test_a_bitrate_in_the_source_is_taken_or_refused_in_plain_words() -> None:
    """A natural thing to write. It works, or the error names --bitrate."""
    with Adapter(chatter=tank_frame(12500)) as adapter:
        words = ("decode", f"slcan:{adapter.path},{NO_WAIT},bitrate=500000", "--format", "jsonl", "--seconds", "1")
        with running(*words) as program:
            code, output, errors = program.finish()
    # S6 is 500 kbit/s: slcan-core.c, as in adapter.py.
    assert (code == 0 and output and "S6" in adapter.commands) or "--bitrate" in errors


# ---- live and recorded


def recorded(path: Path, text: str, **options: Any) -> pa.Table:
    path.write_text(text)
    return collect(open_decoding(path, **options))


def by_time(readings: pa.Table) -> list[dict[str, Any]]:
    """Rows in an order that does not depend on how buses were taken turns with."""
    return sorted(readings.to_pylist(), key=lambda row: (row["time"], row["channel"], row["tank"]))


@pytest.mark.parametrize("simulation", [workboat(seconds=300), clinic_coach(seconds=300)], ids=["workboat", "coach"])
def test_a_live_bus_yields_the_readings_of_its_recording(simulation: Simulation, tmp_path: Path) -> None:
    """Law: the same frames with the same times give the same readings in every column, live or recorded.

    Invented captures; a bus in memory keeps their times, so that the rates, which follow from the times, are the same too.
    """
    names = {channel: unique(channel) for channel in sorted({frame.channel for frame in simulation.frames})}
    text = candump_text(simulation.frames)
    for channel, name in names.items():
        text = text.replace(f" {channel} ", f" {name} ")
    decoding = open_decoding([f"virtual:{name}" for name in names.values()])
    buses = {
        channel: can.Bus(interface="virtual", channel=name, preserve_timestamps=True) for channel, name in names.items()
    }
    for frame in simulation.frames:
        buses[frame.channel].send(message(WireFrame(frame.identifier, frame.data), time_us=frame.time_us))
    live = gather_readings(decoding, len(simulation.frames))
    for bus in buses.values():
        bus.shutdown()
    assert decoding.tally.frames == len(simulation.frames)
    assert len(live) > 100
    assert by_time(live) == by_time(recorded(tmp_path / "boat.log", text))


@linux
def test_a_serial_adapter_yields_the_readings_of_its_recording(tmp_path: Path) -> None:
    """The same law where the adapter tells no time: all but the channel, the time, and the rates that follow from it."""
    simulation = workboat(seconds=120)
    with Adapter(frames_per_s=2000) as adapter:
        adapter.send(WireFrame(frame.identifier, frame.data) for frame in simulation.frames)
        live = gather_readings(open_decoding(f"slcan:{adapter.path},{NO_WAIT}"), len(simulation.frames))
    of_the_clock = ["time", "channel", "rate_l_per_min", "rate_low", "rate_high"]
    expected = recorded(tmp_path / "boat.log", simulation.text())
    assert len(live) > 100
    assert live.drop_columns(of_the_clock).to_pylist() == expected.drop_columns(of_the_clock).to_pylist()


def test_frames_that_are_no_data_frames_are_the_same_live_and_recorded(tmp_path: Path) -> None:
    """Remote, error, FD, 11-bit and short frames: as candump(1) of can-utils writes them, and as python-can delivers them."""
    name = unique("can")
    rows = [
        ("19F21123#R8", can.Message(arbitration_id=0x19F21123, is_remote_frame=True, dlc=8)),
        (
            # Bit 29 marks an error frame, in which 4 is a controller problem: Linux include/uapi/linux/can/error.h.
            "20000004#0004000000000000",
            can.Message(
                arbitration_id=4, is_extended_id=False, is_error_frame=True, data=bytes.fromhex("0004000000000000")
            ),
        ),
        (
            "19F21123##0100AFFFFFFFFFFFF0102030405060708",
            can.Message(
                arbitration_id=0x19F21123, is_fd=True, data=bytes.fromhex("100AFFFFFFFFFFFF0102030405060708"), dlc=16
            ),
        ),
        ("123#0102", can.Message(arbitration_id=0x123, is_extended_id=False, data=b"\x01\x02")),
        ("19F21123#10D430", can.Message(arbitration_id=0x19F21123, data=b"\x10\xd4\x30")),
        ("19F21123#10D430D0070000FF", can.Message(arbitration_id=0x19F21123, data=tank_frame(12500).data)),
    ]
    text = "".join(f"(17776224{number:02d}.000000) {name} {words}\n" for number, (words, _) in enumerate(rows))
    recording = tmp_path / "boat.log"
    recording.write_text(text)
    source = open_source(f"virtual:{name}")
    with can.Bus(interface="virtual", channel=name, preserve_timestamps=True) as bus:
        for number, (_, row) in enumerate(rows):
            row.timestamp = 1_777_622_400 + number
            bus.send(row)
        live = gather(source.batches(), source, len(rows))
    (expected,) = open_source(recording).batches()
    assert live.to_pylist() == expected.to_pylist()
