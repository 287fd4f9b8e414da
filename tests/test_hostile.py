"""Input that means harm: files that unpack to much, odd things in place of a roster, names that would drive a terminal.

Memory is the peak of a child process, as the kernel counts it (VmHWM, proc(5)); what it may be is far below what the bombs
hold, and far above what the program takes by itself.
"""

from __future__ import annotations

import bz2
import csv
import gzip
import io
import json
import lzma
import os
import shutil
import sqlite3
import struct
import subprocess
import sys
import unicodedata
import zlib
from collections.abc import Callable
from pathlib import Path

import pyarrow as pa
import pytest
from conftest import Result

from canlevel.capture.files import XZ_MEMORY
from canlevel.capture.lines import parse_line
from canlevel.errors import RosterError, printable
from canlevel.roster import LARGEST_ROSTER, load_roster
from canlevel.show.rows import csv_lines, json_escaped, terminal_text

Call = Callable[..., Result]
MB = 1024 * 1024
FRAME = b"(1777622400.123456) can0 19F21123#10D430D0070000FF\n"
MOST_MB = 450  # of which 130 are Python, numpy and pyarrow, and up to 100 an xz dictionary
# Not getrusage(2): what its parent held when it was started counts there, too.
MEASURED = (
    "import pathlib, re, sys\nfrom canlevel.cli import run\ncode = run(sys.argv[1:])\nsys.stdout.flush()\n"
    "status = pathlib.Path('/proc/self/status').read_text()\n"
    "print(code, int(re.search(r'VmHWM:\\s*(\\d+) kB', status)[1]) // 1024, file=sys.stderr)"
)


def measured(*words: str | Path) -> tuple[int, int, str]:
    """(exit code, peak memory in MB, what was said) of a command in a process of its own."""
    command = [sys.executable, "-c", MEASURED, *map(str, words)]
    done = subprocess.run(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, timeout=300, check=True
    )
    *said, last = done.stderr.splitlines()
    code, peak_mb = map(int, last.split())
    return code, peak_mb, "\n".join(said)


def gzipped(path: Path, head: bytes, piece: bytes, times: int) -> None:
    with gzip.open(path, "wb", 1) as file:
        file.write(head)
        for _ in range(times):
            file.write(piece)


def blf_head() -> bytes:
    return struct.pack("<4sL8xQ16x8H16x", b"LOGG", 144, 0, 2026, 5, 5, 1, 8, 0, 0, 0).ljust(144, b"\0")


def container(body: bytes, size: int | None = None) -> bytes:
    """A deflated container of a BLF file, which claims to be `size` bytes long."""
    claimed = 32 + len(body) if size is None else size
    return struct.pack("<4sHHLLH14x", b"LOBJ", 16, 1, claimed, 10, 2) + body


def endless_line(path: Path) -> None:
    gzipped(path, FRAME, b"A" * MB, 600)


def endless_zeros(path: Path) -> None:
    gzipped(path, b"", bytes(MB), 600)


def blank_lines(path: Path) -> None:
    gzipped(path, FRAME, b"\n" * MB, 40)


def endless_asc_line(path: Path) -> None:
    gzipped(path, b"date Fri May 1 08:00:00 2026\nbase hex timestamps absolute\n", b"9" * MB, 40)


def bzip2_zeros(path: Path) -> None:
    with bz2.open(path, "wb") as file:
        for _ in range(300):
            file.write(bytes(MB))


def xz_dictionary(path: Path) -> None:
    """A dictionary twice as large as the memory that is allowed."""
    filters = [{"id": lzma.FILTER_LZMA2, "dict_size": 2 * XZ_MEMORY, "mode": lzma.MODE_FAST, "mf": lzma.MF_HC3}]
    with lzma.open(path, "wb", filters=filters) as file:
        file.write(FRAME * 1000)


def blf_that_unpacks_to_much(path: Path) -> None:
    packing = zlib.compressobj(9)
    path.write_bytes(
        blf_head() + container(b"".join(packing.compress(bytes(MB)) for _ in range(600)) + packing.flush())
    )


def blf_that_claims_much(path: Path) -> None:
    gzipped(path, blf_head() + container(b"", 0xFFFFFFF0), bytes(MB), 600)


def sqlite_values(path: Path) -> None:
    with sqlite3.connect(path) as database:
        database.execute(
            "CREATE TABLE messages(ts REAL, arbitration_id INTEGER, e INTEGER, r INTEGER, x INTEGER, d INTEGER, b BLOB)"
        )
        database.executemany(
            "INSERT INTO messages VALUES (?, 435294499, 1, 0, 0, 8, zeroblob(30000000))",
            [(1.8e9 + i,) for i in range(20)],
        )
    database.close()


BOMBS: list[tuple[str, Callable[[Path], None], int]] = [
    ("line.log.gz", endless_line, 0),
    ("zeros.log.gz", endless_zeros, 2),
    ("blank.log.gz", blank_lines, 0),
    ("line.asc.gz", endless_asc_line, 2),
    ("zeros.log.bz2", bzip2_zeros, 2),
    ("dictionary.log.xz", xz_dictionary, 2),
    ("unpacks.blf", blf_that_unpacks_to_much, 2),
    ("claims.blf.gz", blf_that_claims_much, 2),
    ("values.db", sqlite_values, 2),
]


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="only Linux tells the peak of a process's memory so")
@pytest.mark.parametrize(("name", "make", "expected"), BOMBS, ids=[name for name, _, _ in BOMBS])
def test_what_unpacks_to_much_takes_little_memory(
    name: str, make: Callable[[Path], None], expected: int, tmp_path: Path
) -> None:
    make(tmp_path / name)
    code, peak_mb, said = measured("decode", tmp_path / name, "--format", "csv")
    assert code == expected, said
    assert peak_mb < MOST_MB
    assert code == 0 or said.startswith("error: ")


def test_an_xz_of_the_highest_preset_is_read(tmp_path: Path, canlevel: Call) -> None:
    (tmp_path / "a.log.xz").write_bytes(lzma.compress(FRAME * 5, preset=9 | lzma.PRESET_EXTREME))
    two = (
        lzma.compress(FRAME) + bytes(8) + lzma.compress(FRAME.replace(b".123456", b".999999"))
    )  # streams with filling between
    (tmp_path / "b.log.xz").write_bytes(two + b"no stream at all")
    assert canlevel("decode", tmp_path / "a.log.xz", "--format", "jsonl")[1].count("\n") == 5
    assert canlevel("decode", tmp_path / "b.log.xz", "--format", "jsonl")[1].count("\n") == 2
    varied = b"".join(FRAME.replace(b".123456", b".%06d" % i) for i in range(0, 1_000_000, 7))
    (tmp_path / "c.log.xz").write_bytes(lzma.compress(varied)[:-5000])
    code, output, _ = canlevel("decode", tmp_path / "c.log.xz", "--format", "jsonl")
    assert code == 0
    assert output.count("\n") > 1000  # what stands before the cut


def test_what_does_not_fit_the_disk_is_refused(tmp_path: Path, canlevel: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    with gzip.open(tmp_path / "a.db.gz", "wb") as file:
        file.write(b"SQLite format 3\x00" + bytes(MB))
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=MB))
    code, _, errors = canlevel("decode", tmp_path / "a.db.gz")
    assert code == 2
    assert "does not fit unpacked" in errors


@pytest.mark.parametrize(
    "line",
    [
        b"can0 123 [0]" + b" " * 65_536 + b"x",
        b"can0 123 [8]" + b" 11" * 20_000 + b"x",
        b" " * 65_536,
        b"(1.1) c 123#" + b"11." * 20_000 + b"!",
    ],
    ids=["blanks", "bytes", "only blanks", "dots"],
)  # fmt: skip
def test_a_line_takes_no_more_than_its_length_to_be_refused(line: bytes) -> None:
    """The first took a minute, by the square of its length. Nothing is timed: a test that never ends is told by its runner."""
    assert parse_line(line) is None


# --- Rosters --------------------------------------------------------------------------------------------------------

TANK = '[[tank]]\nname = "x"\nfluid = "fuel"\ninstance = 0\n'


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("a = " + "[" * 50_000, "brackets"),
        ("a = " + "{a=" * 50_000, "brackets"),
        ("a." * 50_000 + "a = 1", "dots"),
        ("a = 1\n" + "b . " * 9 + "b = 1", "dots"),
        (TANK.replace("= 0", "= " + "9" * 6000), "number"),
        (TANK + "capacity_l = " + "9" * 4000, "above 0"),
        (TANK + "table = [[0, 0], [1, " + "9" * 4000 + "]]", "table"),
        (TANK + 'capacity = "1e400 l"', "above 0"),
        ("#" * (LARGEST_ROSTER + 1), "larger than"),
        ("[[tank]]\n" * 20_000, "without name"),
    ],
)
def test_rosters_meant_to_be_hard_to_read(text: str, what: str, tmp_path: Path) -> None:
    (tmp_path / "r.toml").write_text(text)
    with pytest.raises(RosterError, match=what):
        load_roster(tmp_path / "r.toml")


@pytest.mark.parametrize(
    "line", ['shape = "a\\tb"', '"\\u001b[2J" = 1', 'protocol = "\\u202e"', 'capacity = "5 \\u001b"']
)
def test_errors_quote_no_control_characters(line: str, tmp_path: Path) -> None:
    """Found by tests/coverage_fuzz.py."""
    (tmp_path / "r.toml").write_text(TANK + line)
    with pytest.raises(RosterError) as raised:
        load_roster(tmp_path / "r.toml")
    assert drives_a_terminal(str(raised.value)) == []


def test_dots_in_names_and_numbers_are_none_in_keys(tmp_path: Path) -> None:
    table = ", ".join(f"[{i}.5, {i}.25]" for i in range(50))
    text = TANK.replace('"x"', '"a.b.c.d.e.f.g.h.i.j.k.l"') + f"table = [{table}]"
    (tmp_path / "r.toml").write_text(text, newline="\r\n")
    assert load_roster(tmp_path / "r.toml").tanks[0].name == "a.b.c.d.e.f.g.h.i.j.k.l"


def test_what_is_no_roster_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("canlevel.roster.PATIENCE_S", 0.2)
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    os.mkfifo(tmp_path / "pipe")
    for path, what in (
        ("/dev/zero", "device"),
        (tmp_path, "folder"),
        (tmp_path / "loop", "cannot be read"),
        (tmp_path / "pipe", "nobody wrote"),
        (str(tmp_path / "a\0b"), "cannot be read"),
        (tmp_path / ("x" * 5000), "cannot be read"),
    ):
        with pytest.raises(RosterError, match=what):
            load_roster(path)


def test_a_roster_from_another_program() -> None:
    """As the shell's <(command) gives it: a pipe, whose writer may take a moment."""
    reading, writing = os.pipe()
    with subprocess.Popen(["sh", "-c", "sleep 0.3; cat"], stdin=subprocess.PIPE, stdout=writing) as process:
        os.close(writing)
        assert process.stdin is not None
        process.stdin.write(TANK.encode())
        process.stdin.close()
        assert load_roster(f"/dev/fd/{reading}").tanks[0].fluid == "fuel"
    os.close(reading)


# --- Names ----------------------------------------------------------------------------------------------------------

EVIL = (
    '=1+2|"a,b";\x1b[2J\x1b]0;t\x07 \u202egnp.exe\u2066 <script>alert(1)</script>\n'
    "[bold red]x[/]\r\x9b31m \u2028\u200b{x} %s \\"
)
CHANNEL = "can\x1b0\u202e"


def drives_a_terminal(text: str) -> list[str]:
    """The joiners of letters and emoji (Unicode Standard, 23.2) are of the class Cf, and drive nothing."""
    driving = ("Cc", "Cf", "Cs", "Zl", "Zp")
    return [c for c in text if c not in "\n\u200c\u200d" and unicodedata.category(c) in driving]


def fast_packet(pgn: int, data: bytes) -> list[str]:
    pieces = [bytes([0, len(data)]) + data[:6]]
    pieces += [bytes([n]) + data[at : at + 7].ljust(7, b"\xff") for n, at in enumerate(range(6, len(data), 7), 1)]
    return [f"{0x18000023 | pgn << 8:08X}#{piece.hex().upper()}" for piece in pieces]


@pytest.fixture
def evil_bus(tmp_path: Path) -> tuple[Path, Path]:
    """A recording of a device whose texts and channel mean harm, and a roster whose names do."""
    texts = [EVIL.encode()[:32].ljust(32, b" "), b"\xe2\x80\xae<b>=x\x1b[1m".ljust(32, b"\0")] * 2
    product = (2100).to_bytes(2, "little") + (1).to_bytes(2, "little") + b"".join(texts) + b"\1\1"
    installer = bytes([220, 1]) + EVIL.encode().ljust(218, b"!")[:218]
    sent = [
        f"19F21123#10{(25_000 - abs(1000 - i) * 10).to_bytes(2, 'little').hex().upper()}D0070000FF" for i in range(2000)
    ]
    sent += fast_packet(126996, product) + fast_packet(126998, installer) + ["18EEFF23#01002000008232C0"]
    lines = [f"({1_777_622_400 + 2 * i}.000000) {CHANNEL} {frame}\n" for i, frame in enumerate(sent)]
    (tmp_path / "bus.log").write_text("".join(lines), newline="")
    name = json.dumps(EVIL)
    (tmp_path / "r.toml").write_text(
        f'[vessel]\nname = {name}\n[[tank]]\nname = {name}\nfluid = "fresh_water"\ninstance = 0\ncapacity_l = 200\n'
        f'[[tank]]\nname = {name}\nfluid = "fuel"\ninstance = 0\n'
    )
    return tmp_path / "bus.log", tmp_path / "r.toml"


def test_names_drive_no_screen(evil_bus: tuple[Path, Path], canlevel: Call) -> None:
    bus, roster = evil_bus
    code, output, errors = canlevel("watch", bus, "--roster", roster)
    assert code == 0
    assert "fresh_water" in output
    assert drives_a_terminal(output) == drives_a_terminal(errors) == []


@pytest.mark.parametrize("command", ["decode", "tanks", "flows", "leaks", "outlook", "devices", "explain"])
def test_names_drive_no_terminal_and_break_no_table(command: str, evil_bus: tuple[Path, Path], canlevel: Call) -> None:
    """Oracles: Python's unicodedata for what a character is, its csv and json for what was written."""
    bus, roster = evil_bus
    forms = ["text", "json"] if command == "explain" else ["table", "jsonl", "csv"]
    for form in forms:
        code, output, errors = canlevel(command, bus, "--roster", roster, "--format", form)
        assert code in ((0, 1) if command == "explain" else (0,))
        assert drives_a_terminal(errors) == []
        if form in ("table", "text"):
            assert output
            assert drives_a_terminal(output) == []
        elif form == "jsonl":
            assert drives_a_terminal(output) == []
            rows = [json.loads(line) for line in output.split("\n") if line]
            assert rows
            assert command == "devices" or EVIL in {row["name"] for row in rows if "name" in row}
        elif form == "csv":
            rows = list(csv.DictReader(io.StringIO(output, newline="")))
            assert rows
            assert not any(None in row or None in row.values() for row in rows)
            assert command == "devices" or EVIL in {row["name"] for row in rows if "name" in row}
            assert drives_a_terminal(terminal_text(output)) == []


def test_a_store_of_names(evil_bus: tuple[Path, Path], canlevel: Call, tmp_path: Path) -> None:
    bus, roster = evil_bus
    code, output, errors = canlevel("log", bus, "--store", tmp_path / "store", "--roster", roster)
    assert (code, drives_a_terminal(output + errors)) == (0, [])
    names = {path.name for path in tmp_path.rglob("*")}
    assert all(name.isascii() and name.isprintable() for name in names), "a name became a path"
    for command in ("tanks", "flows"):
        code, output, errors = canlevel(command, "--store", tmp_path / "store")
        assert (code, drives_a_terminal(output + errors)) == (0, [])


@pytest.mark.parametrize("text", ["\r", "a\rb", "\r\n", "\n", '"', ",", "", " ", "\0", "=1+2"])
def test_csv_reads_back_what_was_written(text: str) -> None:
    """Oracle: Python's csv reader. A lone carriage return was found by tests/coverage_fuzz.py."""
    written = csv_lines(pa.table({"name": [text, "x"], "n": [1, None]}), ("name", "n"))
    assert list(csv.reader(io.StringIO(written, newline=""))) == [[text, "1"], ["x", ""]]


def test_every_character_that_drives_a_terminal_is_escaped() -> None:
    every = "".join(chr(code) for code in range(0x3000) if chr(code) != "\n")
    assert drives_a_terminal(printable(every)) == []
    assert drives_a_terminal(terminal_text(every)) == []
    turning = "".join(
        map(
            chr,
            [*range(0x7F, 0xA0), 0x61C, *range(0x200B, 0x2010), *range(0x2028, 0x202F), *range(0x2060, 0x2070), 0xFEFF],
        )
    )
    written = json_escaped(json.dumps(turning + "ü漢", ensure_ascii=False))
    assert drives_a_terminal(written) == []
    assert json.loads(written) == turning + "ü漢"
