"""`canlevel watch` on a terminal: an emulated one that reads what is drawn, and the program under a real pseudo-terminal."""

from __future__ import annotations

import codecs
import fcntl
import io
import os
import pty
import random
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from adapter import Adapter, WireFrame
from rich.cells import cell_len

from canlevel.watching.board import Line
from canlevel.watching.screen import ENTER, LEAVE, Screen

ROOT = Path(__file__).parent.parent
CAPTURES = ROOT / "captures"
GUARD_S = 120.0  # only reached where something is broken; the machine may be busy
OTHER_TRAFFIC = WireFrame(0x09F80120, bytes(8))

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="needs Linux pseudo-terminals")
_CONTROL = re.compile(r"\x1b\[(\??[\d;]*)([A-Za-z])")


class Terminal:
    """As much of a terminal as is needed: CUP, EL and ED of ECMA-48, the other screen of xterm; styles are noted.

    cells: what stands where on the screen that is shown. styles: all that were asked for. A wide letter leaves its second cell
    empty, a combining one joins the cell before it.
    """

    def __init__(self, columns: int, rows: int) -> None:
        self.columns, self.rows = columns, rows
        self.cells: dict[tuple[int, int], str] = {}
        self.other = False
        self.cursor = True
        self.wraps = True
        self.styles: set[str] = set()
        self._row = self._column = 0
        self._rest = ""

    def write(self, text: str) -> None:
        text, self._rest = self._rest + text, ""
        at = 0
        while at < len(text):
            if text[at] == "\x1b":
                found = _CONTROL.match(text, at)
                if found is None:
                    assert len(text) - at < 12, f"an unknown control: {text[at : at + 12]!r}"
                    self._rest = text[at:]
                    return
                self._control(found[1], found[2])
                at = found.end()
                continue
            self._letter(text[at])
            at += 1

    def _control(self, numbers: str, kind: str) -> None:
        if kind == "H":
            row, column = (int(number or 1) for number in (numbers or "1;1").split(";"))
            self._row, self._column = row - 1, column - 1
        elif kind == "J" and numbers == "2":
            self.cells.clear()
        elif kind == "K" and numbers == "2":
            self.cells = {place: letter for place, letter in self.cells.items() if place[0] != self._row}
        elif kind == "m":
            self.styles |= set(numbers.split(";"))
        elif kind in "hl" and numbers == "?1049":
            self.other = kind == "h"
            self.cells.clear()
        elif kind in "hl" and numbers == "?25":
            self.cursor = kind == "h"
        elif kind in "hl" and numbers == "?7":
            self.wraps = kind == "h"
        else:
            raise AssertionError(f"an unknown control: {numbers}{kind}")

    def _letter(self, letter: str) -> None:
        if letter in "\r\n":
            self._row += letter == "\n"
            self._column = 0 if letter == "\r" else self._column
            return
        size = cell_len(letter)
        if not size:
            place = (self._row, max(self._column - 1, 0))
            self.cells[place] = self.cells.get(place, "") + letter
            return
        if self.other:
            assert self._column + size <= self.columns, "beyond the right edge"
            assert self._row < self.rows, "below the lowest row"
        self.cells[self._row, self._column] = letter
        for column in range(self._column + 1, self._column + size):
            self.cells[self._row, column] = ""
        self._column += size

    @property
    def lines(self) -> list[str]:
        return [
            "".join(self.cells.get((row, column), " ") for column in range(self.columns)).rstrip()
            for row in range(self.rows)
        ]

    @property
    def text(self) -> str:
        return "\n".join(self.lines)


def shown(line: Line) -> str:
    return "".join(text for _, text in line).rstrip()


@pytest.mark.parametrize("seed", range(20))
def test_what_is_drawn_is_what_stands_there(seed: int) -> None:
    """However the lines change from one drawing to the next: the screen is the lines, nothing of the old ones is left."""
    choice = random.Random(seed)
    words = ["Fuel", "水のタンク", "Fre\u0301sh", "", "62.1 %", "█▌··", "  ", "ا" * 3, "x" * 9]
    out = io.StringIO()
    screen = Screen(out, colour=choice.random() < 0.5)
    size = (60, 8)
    terminal = Terminal(*size)
    lines: list[Line] = []
    with screen:
        for _ in range(40):
            if choice.random() < 0.1:
                size = (choice.randint(40, 70), choice.randint(3, 10))
                terminal.columns, terminal.rows = size
            if choice.random() < 0.3 or len(lines) > size[1]:
                lines = [
                    tuple(
                        (choice.choice(["", "bold red", "dim"]), choice.choice(words))
                        for _ in range(choice.randint(0, 3))
                    )
                    for _ in range(choice.randint(0, size[1]))
                ]
            elif lines:
                row = choice.randrange(len(lines))
                parts = list(lines[row])
                if parts:
                    parts[choice.randrange(len(parts))] = (choice.choice(["", "green"]), choice.choice(words))
                lines[row] = tuple(parts)
            screen.draw(lines, size)
            terminal.write(out.getvalue())
            out.seek(0)
            out.truncate()
            assert terminal.lines == [shown(line) for line in lines] + [""] * (size[1] - len(lines))
    terminal.write(out.getvalue())
    assert (terminal.other, terminal.cursor, terminal.wraps) == (False, True, True)


def test_what_did_not_change_is_not_written() -> None:
    out = io.StringIO()
    screen = Screen(out, colour=True)
    lines: list[Line] = [(("bold", "Fuel"), ("", f"{number:>6} s"), ("green", "ok")) for number in range(24)]
    screen.draw(lines, (80, 24))
    before = screen.written
    screen.draw(lines, (80, 24))
    assert screen.written == before
    lines[3] = (("bold", "Fuel"), ("", "    99 s"), ("green", "ok"))
    out.seek(0)
    out.truncate()
    screen.draw(lines, (80, 24))
    assert out.getvalue() == "\x1b[4;5H    99 s"


# ---- the program ----


class Watching:
    """`canlevel watch` on a pseudo-terminal of its own, which is also the terminal that it is controlled from."""

    def __init__(self, words: tuple[str, ...], size: tuple[int, int], **environment: str) -> None:
        self.terminal = Terminal(*size)
        self.raw = ""
        self._letters = codecs.getincrementaldecoder("utf-8")()
        self._ours, theirs = pty.openpty()
        self.theirs = theirs
        self.resize(*size, tell=False)
        self.before = termios.tcgetattr(theirs)
        settings = {name: value for name, value in os.environ.items() if name not in ("NO_COLOR", "COLUMNS", "LINES")}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "canlevel", "watch", *words],
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
            env={**settings, "TERM": "xterm-256color", "LC_ALL": "C.UTF-8", **environment},
        )

    def resize(self, columns: int, rows: int, *, tell: bool = True) -> None:
        fcntl.ioctl(self.theirs, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        if tell:
            self.terminal.columns, self.terminal.rows = columns, rows

    def press(self, keys: str) -> None:
        os.write(self._ours, keys.encode())

    def read(self) -> None:
        while select.select([self._ours], [], [], 0)[0]:
            text = self._letters.decode(os.read(self._ours, 65536))
            self.raw += text
            self.terminal.write(text)

    def until(self, condition: Callable[[str], bool]) -> str:
        """The screen, once it is as it is to become."""
        give_up_s = time.monotonic() + GUARD_S
        while True:
            self.read()
            if condition(self.terminal.text):
                return self.terminal.text
            assert self.process.poll() is None, f"it ended: {self.raw[-2000:]}"
            assert time.monotonic() < give_up_s, f"waited in vain:\n{self.terminal.text}"
            time.sleep(0.02)

    def ended(self) -> int:
        """Its exit code. Reads on, as else it would wait for its reader."""
        give_up_s = time.monotonic() + GUARD_S
        while self.process.poll() is None:
            assert time.monotonic() < give_up_s, "it did not end"
            self.read()
            time.sleep(0.02)
        self.read()
        return self.process.returncode

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        os.close(self._ours)
        os.close(self.theirs)


@contextmanager
def watching(*words: str | Path, size: tuple[int, int] = (80, 24), **environment: str) -> Iterator[Watching]:
    program = Watching(tuple(map(str, words)), size, **environment)
    try:
        yield program
    finally:
        program.close()


def as_it_was(program: Watching) -> bool:
    """Whether the terminal is as it was before."""
    terminal = program.terminal
    return (
        not terminal.other
        and terminal.cursor
        and terminal.wraps
        and termios.tcgetattr(program.theirs) == program.before
        and program.raw.count(ENTER) == program.raw.count(LEAVE) == 1
    )


WORKBOAT = (CAPTURES / "workboat.log.gz", "--roster", CAPTURES / "workboat.toml")


def test_a_recording_is_watched_resized_and_ended() -> None:
    with watching(*WORKBOAT, "--speed", "60") as program:
        text = program.until(lambda text: "Fuel, port" in text and "5 tanks, NMEA 2000" in text)
        assert "×60" in text
        assert text.startswith("Harbour workboat")
        program.until(lambda text: "nothing wrong so far" in text)
        program.resize(120, 40)
        program.until(lambda text: len(text.splitlines()[2]) == 120 and "q ends" in text.splitlines()[-1])
        program.resize(40, 10)
        program.until(
            lambda text: "Fuel, port" in text and len(text.splitlines()) == 10 and len(text.splitlines()[2]) == 40
        )
        program.press("\x1b[B\x1b[B\x1b[B")
        program.until(lambda text: "Galley sink" in text)
        program.press("d")
        program.until(lambda text: "── devices" in text)
        program.press("d")
        program.until(lambda text: "5 tanks" in text)
        program.press("q")
        assert program.ended() == 0
        assert as_it_was(program)


def test_a_recording_is_paused_made_faster_and_stays_at_its_end() -> None:
    with watching(*WORKBOAT, "--speed", "600") as program:
        program.until(lambda text: "×600" in text and "Heads" in text)
        program.press(" ")
        program.until(lambda text: "paused" in text)
        program.press("p+")
        program.until(lambda text: "×1800" in text)
        program.press("++++")
        # The end of the recording, and the levels that `tanks` shows of it.
        text = program.until(lambda text: "played to its end" in text)
        assert "2026-05-01 10:59:59" in text
        assert re.search(r"Heads .* 3\.1 %", text)
        program.press("q")
        assert program.ended() == 0
        assert as_it_was(program)


@pytest.mark.parametrize("end", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP, "ctrl-c"])
def test_signals_end_it_and_the_terminal_is_as_it_was(end: signal.Signals | str) -> None:
    with watching(*WORKBOAT) as program:
        program.until(lambda text: "Fuel, port" in text)
        if end == "ctrl-c":
            program.press("\x03")
        else:
            program.process.send_signal(end)
        assert program.ended() == 0
        assert as_it_was(program)


def test_it_can_be_suspended_and_comes_back() -> None:
    with watching(*WORKBOAT) as program:
        program.until(lambda text: "Fuel, port" in text)
        program.process.send_signal(signal.SIGTSTP)
        give_up_s = time.monotonic() + GUARD_S
        while os.waitid(os.P_PID, program.process.pid, os.WSTOPPED | os.WNOHANG | os.WNOWAIT) is None:
            assert time.monotonic() < give_up_s
            program.read()
            time.sleep(0.02)
        program.read()
        assert as_it_was(program)
        program.process.send_signal(signal.SIGCONT)
        program.until(lambda text: "Fuel, port" in text)
        program.press("q")
        assert program.ended() == 0
        assert not program.terminal.other
        assert termios.tcgetattr(program.theirs) == program.before


@pytest.mark.parametrize(("words", "environment"), [((), {"NO_COLOR": "1"}), (("--no-colour",), {})])
def test_without_colour_nothing_is_coloured(words: tuple[str, ...], environment: dict[str, str]) -> None:
    colours = {str(number) for number in (*range(30, 38), *range(90, 98))}
    with watching(*WORKBOAT, "--speed", "60") as program:
        program.until(lambda text: "nothing wrong" in text)
        assert program.terminal.styles & colours
        program.press("q")
        assert program.ended() == 0
    with watching(*WORKBOAT, "--speed", "60", *words, **environment) as program:
        program.until(lambda text: "nothing wrong" in text)
        program.press("q")
        assert program.ended() == 0
        assert not program.terminal.styles & colours


def test_a_simple_console_gets_simple_signs() -> None:
    with watching(*WORKBOAT, "--speed", "60", TERM="linux") as program:
        text = program.until(lambda text: "Heads" in text)
        assert "###" in text
        assert not set(text) & set("█▌▁▂▃▄▅▆▇─")
        program.press("q")
        assert program.ended() == 0


def test_a_terminal_without_a_cursor_gets_pictures_one_below_the_other() -> None:
    with watching(*WORKBOAT, "--speed", "60", TERM="dumb") as program:
        program.until(lambda _: "5 tanks" in program.raw)
        program.press("q")
        assert program.ended() == 0
        assert "\x1b" not in program.raw


def tank(level_pct: float, *, instance: int = 0, source: int = 35) -> WireFrame:
    """A fresh-water tank of 200 L. Layout: PGN 127505 field lists in published NMEA 2000 equipment manuals."""
    return WireFrame(0x19F21100 | source, struct.pack("<BhIB", 1 << 4 | instance, round(level_pct / 0.004), 2000, 0xFF))


def test_a_bus_is_watched_and_an_adapter_that_is_pulled_comes_back(tmp_path: Path) -> None:
    (tmp_path / "tanks.toml").write_text(
        '[vessel]\nname = "Boat"\n[[tank]]\nname = "Bow"\nfluid = "fresh_water"\ninstance = 0\nlow_pct = 20\n'
        '[[tank]]\nname = "Aft"\nfluid = "fresh_water"\ninstance = 9\n'
    )
    with Adapter(port=tmp_path / "port", frames_per_s=200, chatter=OTHER_TRAFFIC) as adapter:
        adapter.send([tank(62.0), tank(50.0, instance=1), tank(51.0, instance=1, source=40)])
        with watching(f"slcan:{adapter.path}", "--roster", tmp_path / "tanks.toml", size=(120, 40)) as program:
            text = program.until(lambda text: "62.0 %" in text and "50.0 %" in text and "51.0 %" in text)
            assert "live" in text
            assert "fresh_water.1 from 35" in text
            assert "fresh_water.1 from 40" in text
            assert "not heard" in text
            adapter.send([tank(12.0)])
            program.until(lambda text: "low: 12.0 % (limit 20 %)" in text)
            # Nothing comes but the others' traffic: ages go on, silence is told, then the findings.
            program.until(lambda text: re.search(r"1\d s ago", text) is not None and "silent" in text)
            program.until(lambda text: "FAULT" in text and '"Aft"' in text)
            adapter.unplug()
            program.until(lambda text: "gone" in text)
            adapter.replug()
            adapter.send([tank(71.0)])
            program.until(lambda text: "71.0 %" in text and "frames/s" in text and "gone for" not in text)
            program.press("q")
            assert program.ended() == 0
            assert as_it_was(program)
    assert "L" in adapter.commands  # opened to listen only
    assert "O" not in adapter.commands


def test_seconds_of_a_recording_are_told_to_be_none() -> None:
    with watching(CAPTURES / "workboat.log.gz", "--speed", "600", "--seconds", "5") as program:
        program.until(lambda text: "a recording is read to its end: --seconds" in text)


def test_seconds_end_the_watching_of_a_bus() -> None:
    with Adapter(chatter=OTHER_TRAFFIC) as adapter:
        adapter.send([tank(62.0)])
        with watching(f"slcan:{adapter.path}", "--seconds", "2") as program:
            program.until(lambda text: "62.0 %" in text)
            assert program.ended() == 0
            assert as_it_was(program)


def test_a_bus_without_a_terminal_is_printed_when_its_time_is_over(
    canlevel: Callable[..., tuple[int, str, str]],
) -> None:
    with Adapter(chatter=OTHER_TRAFFIC) as adapter:
        adapter.send([tank(62.0)])
        code, output, _ = canlevel("watch", f"slcan:{adapter.path}", "--seconds", "1.5")
    assert code == 0
    assert "62.0 %" in output
    assert "frames/s" in output
    assert "\x1b" not in output


def test_a_recording_without_a_terminal_is_printed_at_its_end(canlevel: Callable[..., tuple[int, str, str]]) -> None:
    code, output, errors = canlevel("watch", *WORKBOAT)
    assert (code, errors) == (0, "")
    assert "\x1b" not in output
    assert re.search(r"Heads .* 3\.1 % +2\.5 of 80\.0 L +ok", output)
    assert "nothing wrong so far that a listener can hear" in output
    assert all(len(line) <= 110 for line in output.splitlines())


def test_gallons_are_for_who_reads_them(canlevel: Callable[..., tuple[int, str, str]]) -> None:
    # 250.8 L are 66.3 US gallons: NIST SP 811, appendix B.
    _, output, _ = canlevel("watch", *WORKBOAT, "--units", "us-gallon")
    assert re.search(r"Fuel, starboard .* 66\.3 of 100\.4 ", output)


def test_a_pipe_is_watched_and_keys_come_from_the_terminal(tmp_path: Path) -> None:
    """As in: candump -L can0 | canlevel watch -"""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with watching(pipe) as program:
        with pipe.open("w") as out:
            out.write("(1777622400.000000) can0 19F21123#10D43DD0070000FF\n")
            out.flush()
            program.until(lambda text: "63.3 %" in text)
            program.until(lambda text: re.search(r"[1-9] s ago", text) is not None)
        program.until(lambda text: "ended" in text)
        program.press("q")
        assert program.ended() == 0


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["nowhere.log"], "nowhere.log"),
        ([str(CAPTURES / "workboat.log.gz"), "--speed", "0"], "--speed"),
        ([str(CAPTURES / "workboat.log.gz"), "--speed", "nan"], "--speed"),
        (["udp_multicast:239.74.163.9,port=43777", "--speed", "2"], "--speed"),
        ([str(CAPTURES / "workboat.log.gz"), "--roster", "nowhere.toml"], "nowhere.toml"),
    ],
)
def test_a_wrong_call_is_one_sentence(
    words: list[str], told: str, canlevel: Callable[..., tuple[int, str, str]]
) -> None:
    code, output, errors = canlevel("watch", *words)
    assert (code, output) == (2, "")
    assert told in errors
    assert "Traceback" not in errors


@pytest.mark.parametrize("content", [b"", b"nothing that is a frame\n" * 5, b"(0000000001.000000) can0 123#00\n"])
def test_an_odd_recording_does_no_harm(
    content: bytes, tmp_path: Path, canlevel: Callable[..., tuple[int, str, str]]
) -> None:
    path = tmp_path / "odd.log"
    path.write_bytes(content)
    code, output, errors = canlevel("watch", path)
    assert code in (0, 2)
    assert "Traceback" not in errors
    assert (code == 0) == ("no tank" in output)
