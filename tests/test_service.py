"""canlevel as a service. Oracles: a socket of our own for sd_notify(3), and systemd's own parser where it is installed."""

from __future__ import annotations

import configparser
import os
import re
import shutil
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from io import StringIO
from pathlib import Path

import pytest
from conftest import Result
from hypothesis import given
from hypothesis import strategies as st

from canlevel.errors import QueryError
from canlevel.service import (
    line_writer,
    tell_alive,
    tell_ready,
    tell_status,
    tell_stopping,
    unit_text,
    watchdog_every_s,
)

Call = Callable[..., Result]


@contextmanager
def manager(address: str) -> Iterator[Callable[[], list[bytes]]]:
    """A service manager that listens at an address; gives a function for what it was told so far."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(address)
        listener.setblocking(False)

        def heard() -> list[bytes]:
            found = []
            while True:
                try:
                    found.append(listener.recv(4096))
                except BlockingIOError:
                    return found

        yield heard


@pytest.mark.parametrize("abstract", [False, True])
def test_the_manager_is_told(abstract: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    if abstract and sys.platform != "linux":
        pytest.skip("abstract sockets are Linux's alone")
    name = f"canlevel-test-{os.getpid()}"
    monkeypatch.setenv("NOTIFY_SOCKET", f"@{name}" if abstract else str(tmp_path / "notify"))
    with manager(f"\0{name}" if abstract else str(tmp_path / "notify")) as heard:
        tell_ready()
        tell_status("7 tanks\nREADY=0 \x1b[31mred")
        tell_alive()
        tell_stopping()
        assert heard() == [b"READY=1", b"STATUS=7 tanks\\nREADY=0 \\x1b[31mred", b"WATCHDOG=1", b"STOPPING=1"]


@pytest.mark.parametrize(
    "address", [None, "", "relative", "/nowhere/at/all", "vsock:2:1", "@", "/" + "x" * 300, "@\udcff" * 90]
)
def test_nothing_is_raised_without_a_manager(address: str | None, monkeypatch: pytest.MonkeyPatch) -> None:
    if address is None:
        monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    else:
        monkeypatch.setenv("NOTIFY_SOCKET", address)
    tell_ready()


def test_a_manager_that_does_not_listen_holds_up_nobody(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    with manager(str(tmp_path / "notify")) as heard:
        for _ in range(5000):  # more than a socket queues
            tell_alive()
        assert 0 < len(heard()) < 5000


@pytest.mark.parametrize(
    ("microseconds", "pid", "every_s"),
    [
        (None, None, None),
        ("30000000", None, 15.0),
        ("30000000", "own", 15.0),
        ("30000000", "1", None),  # meant for another process
        ("0", None, None),
        ("-5", None, None),
        ("soon", None, None),
        ("30000000", "nobody", None),
    ],
)
def test_watchdog(
    microseconds: str | None, pid: str | None, every_s: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half of the time, as sd_watchdog_enabled(3) advises."""
    for name, value in (("WATCHDOG_USEC", microseconds), ("WATCHDOG_PID", str(os.getpid()) if pid == "own" else pid)):
        if value is None:
            monkeypatch.delenv(name, raising=False)
        else:
            monkeypatch.setenv(name, value)
    assert watchdog_every_s() == every_s


@pytest.mark.parametrize(
    ("quiet", "verbose", "shown"),
    [(False, False, "error warning info"), (True, False, "error warning"), (False, True, "error warning info detail"),
     (True, True, "error warning info detail")],
)  # fmt: skip
def test_what_is_shown(quiet: bool, verbose: bool, shown: str) -> None:
    stream = StringIO()
    write = line_writer(quiet, verbose, stream)
    for level in ("error", "warning", "info", "detail"):
        write(level, f"this is {level}")
    assert [line.split()[-1] for line in stream.getvalue().splitlines()] == shown.split()


def test_lines_for_people() -> None:
    stream = StringIO()
    write = line_writer(False, True, stream)
    for level in ("error", "warning", "info", "detail"):
        write(level, "can0\x1b[2J went\naway")
    said = "can0\\x1b[2J went\\naway\n"
    assert stream.getvalue() == f"error: {said}warning: {said}note: {said}{said}"


def test_lines_for_the_journal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Prefixes of sd-daemon(3), which are syslog's levels: 3 error, 4 warning, 6 informational, 7 debug."""
    with (tmp_path / "journal").open("w+") as stream:
        status = os.fstat(stream.fileno())
        monkeypatch.setenv("JOURNAL_STREAM", f"{status.st_dev}:{status.st_ino}")
        write = line_writer(False, True, stream)
        for level in ("error", "warning", "info", "detail"):
            write(level, "so")
        stream.seek(0)
        assert stream.read() == "<3>so\n<4>so\n<6>so\n<7>so\n"
    monkeypatch.setenv("JOURNAL_STREAM", f"{status.st_dev}:{status.st_ino + 1}")
    with (tmp_path / "journal").open("w+") as stream:
        line_writer(False, False, stream)("warning", "so")
        stream.seek(0)
        assert stream.read() == "warning: so\n"


def test_a_stream_that_is_gone_raises_nothing(tmp_path: Path) -> None:
    with (tmp_path / "closed").open("w") as stream:
        write = line_writer(False, False, stream)
    write("error", "who hears this?")


def parsed(text: str) -> configparser.ConfigParser:
    unit = configparser.ConfigParser(interpolation=None, delimiters=("=",), comment_prefixes=("#", ";"), strict=True)
    unit.optionxform = str  # type: ignore[assignment, method-assign]
    unit.read_string(text)
    return unit


def words_of(value: str, *, command: bool = False) -> list[str]:
    """The words of a setting by systemd.syntax(7): quotes, backslashes, doubled % and, in a command, doubled $."""
    words = re.findall(r'"(?:[^"\\]|\\.)*"|[^\s"]+', value)
    plain = [re.sub(r"\\(.)", r"\1", word[1:-1] if word.startswith('"') else word).replace("%%", "%") for word in words]
    return [word.replace("$$", "$") if command and i else word for i, word in enumerate(plain)]


NAMES = st.text(
    st.characters(exclude_categories=["C", "Z"], exclude_characters="/") | st.just(" "), min_size=1, max_size=12
).filter(lambda name: name not in (".", "..") and name.isprintable())


@given(NAMES, NAMES)
def test_every_path_is_read_back_as_it_was(folder: str, file: str) -> None:
    store, roster = f"/var/lib/{folder}", f"/etc/{file}"
    unit = parsed(
        unit_text(
            ["slcan:/dev/ttyACM0"], store=Path(store), program=["/opt/a $b/canlevel"], roster=Path(roster), user="al"
        )
    )
    words = words_of(unit["Service"]["ExecStart"], command=True)
    assert words == ["/opt/a $b/canlevel", "log", "slcan:/dev/ttyACM0", "--store", store, "--roster", roster]
    assert words_of(unit["Service"]["ReadWritePaths"]) == [store]
    assert words_of(unit["Unit"]["RequiresMountsFor"]) == [store]


def test_what_a_unit_cannot_hold_is_refused(tmp_path: Path) -> None:
    for name in ("a\nExecStartPre=/bin/rm", "a\x1b[2J", "a\u202eb"):
        with pytest.raises(QueryError, match="control characters"):
            unit_text(["socketcan:can0"], store=tmp_path / name, program=["/bin/canlevel"])
    with pytest.raises(QueryError):
        unit_text(["socketcan:can0"], store=tmp_path, program=["/bin/canlevel"], user="al\nGroup=root")


def test_the_command_prints_a_unit(canlevel: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    code, text, errors = canlevel(
        "service-file", "socketcan:can0", "--store", "his tory", "--roster", "50%.toml", "--user", "al"
    )
    assert (code, errors) == (0, "")
    unit = parsed(text)
    service = unit["Service"]
    assert (service["Type"], service["Restart"], service["User"]) == ("notify", "on-failure", "al")
    assert int(service["WatchdogSec"]) > 0
    assert service["StandardError"] == "journal"
    words = words_of(service["ExecStart"], command=True)
    assert Path(words[0]).is_file()
    at = words.index("log")
    assert words[at:] == [
        "log",
        "socketcan:can0",
        "--store",
        str(tmp_path / "his tory"),
        "--roster",
        str(tmp_path / "50%.toml"),
    ]
    # Whatever waits for the network waits for ever on a boat.
    assert "network" not in unit["Unit"].get("After", "") + unit["Unit"].get("Wants", "")
    assert "ProtectClock" not in service  # would shut out the adapter, systemd.exec(5)


def test_a_recording_is_no_service(canlevel: Call, tmp_path: Path) -> None:
    (tmp_path / "boat.log").write_text("")
    code, text, errors = canlevel("service-file", tmp_path / "boat.log", "--store", tmp_path)
    assert (code, text) == (2, "")
    assert "no live bus" in errors


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd is not installed")
def test_systemd_takes_the_unit(tmp_path: Path) -> None:
    """Oracle: systemd's own parser, which complains about what it does not know or cannot read."""
    folder = tmp_path / 'a b%c"d$e\\f'
    folder.mkdir()
    path = tmp_path / "canlevel-test.service"
    path.write_text(
        unit_text(["slcan:/dev/ttyACM0"], store=folder, program=[shutil.which("true") or "", "-m"], user="daemon")
    )
    done = subprocess.run(["systemd-analyze", "verify", str(path)], capture_output=True, text=True, check=False)
    assert str(path) not in done.stderr, done.stderr
    assert done.returncode == 0
