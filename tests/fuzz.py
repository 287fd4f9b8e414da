"""Damaged input by the thousand: every recorded format, rosters, DBC files and log lines, mutated at random.

    python tests/fuzz.py [--seconds 60] [--seed 1]

Each case must end with exit code 0 or 2 (explain also with 1), with a sentence where it is 2, and never with a traceback;
mutated log lines must be read as the slow reference reads them. What breaks is kept and named, and the exit code is 1. Not
collected by pytest.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import random
import shutil
import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path

import numpy as np
from reading import Row, read_text, recorded, rows_of
from test_bulk import WANTED
from test_candump import reference_rows
from test_definitions import OWN
from test_recordings import WRITERS, write

import canlevel.capture.text as text_module
from canlevel.cli import run
from canlevel.errors import printable
from canlevel.identifier import carries

LINES = [
    "(1777622400.123456) can0 19F21123#10D430D0070000FF",
    "(1777622400.123456) can0 123#R8",
    "(000.000001) vcan0 18fefc00#ff80.ff.ff",
    "(1777622400.12345678) can1 7FF##1112233445566778899",
    "(1777622400.123456) can0 20000004#0004000000000000 R",
]
# Tanks, and everything in which devices speak of themselves: PGNs 127505, 1FFB7h, 65276, 65110, 60928, 59904, transport,
# product and configuration information, product identification, diagnostics, time.
TALK = [
    0x19F21100, 0x19FFB700, 0x18FEFC00, 0x18FE5600, 0x18EEFF00, 0x18EAFF00, 0x1CECFF00, 0x1CEBFF00, 0x19F01400, 0x19F01600,
    0x18FEEB00, 0x19FECA00, 0x18FECA00, 0x0DF01000, 0x09F80100,
]  # fmt: skip
ALPHABET = "0123456789abcdefABCDEFgG#().R T_\r\t xé"
ROSTER = (Path(__file__).parent.parent / "captures" / "clinic-coach.toml").read_bytes()


def damaged(draw: random.Random, content: bytes) -> bytes:
    """Content with bytes changed, cut out, put in, flipped or repeated."""
    data = bytearray(content)
    for _ in range(draw.choice([1, 2, 5, 20])):
        at = draw.randrange(len(data))
        kind = draw.randrange(5)
        if kind == 0:
            data[at] = draw.randrange(256)
        elif kind == 1:
            del data[at : at + draw.choice([1, 4, 100])]
        elif kind == 2:
            data[at:at] = draw.randbytes(draw.choice([1, 4, 50]))
        elif kind == 3:
            data[at] ^= 1 << draw.randrange(8)
        else:
            other = draw.randrange(len(data))
            data[at:at] = data[other : other + draw.choice([3, 30, 200])]
        data = data or bytearray(b"x")
    return bytes(data)


# What a roster's lines are made of, right and wrong.
ROSTER_LINES = [
    "[vessel]", "[[tank]]", "[tank]", "[[tank.tank]]", 'name = "a"', 'name = "\\u202e\\u001b[2J"', "name = 1", 'fluid = "fuel"',
    'fluid = "\\u001b[2J"', "instance = 0", "instance = 1e9", "instance = -1", "instance = true", "source_address = 35",
    'protocol = "rvc"', "capacity_l = 200", "capacity_l = nan", "capacity_l = -inf", 'capacity = "50 us-gallon"',
    'capacity = "1e999 l"', "capacity_l = " + "9" * 400, 'shape = "horizontal_cylinder"', 'shape = "a\tb"',
    "table = [[0, 0], [50, 80], [100, 200]]", "table = [[0, 0], [0, 1]]", "table = [[0], 1]", "table = []",
    "shape = {table = [[0, 0], [100, 1]]}", "shape = [[0, 0], [100, 1]]", "a.b.c = 1", '"" = 1', '"\\u001b" = 1', "[", "= 1",
    "\ufeff", "x" * 3000,
]  # fmt: skip


def strange_roster(draw: random.Random) -> bytes:
    """A roster of lines that may or may not go together."""
    lines = [draw.choice(ROSTER_LINES) for _ in range(draw.randrange(1, 14))]
    if draw.randrange(2):
        lines = [
            "[[tank]]",
            'name = "b"',
            'fluid = "fuel"',
            "instance = 0",
            *draw.sample(ROSTER_LINES, draw.randrange(3)),
        ]
    return draw.choice(["\n", "\r\n"]).join(lines).encode()


def damaged_line(draw: random.Random) -> str:
    line = draw.choice(LINES)
    for _ in range(draw.choice([0, 0, 0, 1, 1, 2, 4])):
        at = draw.randrange(len(line) + 1)
        line = line[:at] + draw.choice(["", draw.choice(ALPHABET)]) + line[at + draw.randrange(2) :]
    return line


def talking_bus(draw: random.Random) -> bytes:
    """A log of a bus on which devices say anything at all, at any time."""
    at_us, lines = draw.choice([0, 1_777_622_400_000_000]), []
    sources, step_us = [draw.randrange(256) for _ in range(3)], draw.choice([1_000, 200_000, 2_500_000])
    for _ in range(draw.randrange(1, 400)):
        at_us += draw.choice(
            [step_us, step_us, step_us, 0, 10 * step_us, -step_us, draw.choice([10**10, 10**15, -(10**9)])]
        )
        at_us = min(max(at_us, 0), 9 * 10**15)
        edge = draw.choice([b"\x00", b"\xff", b"\x01", b"\xfe"])
        data = draw.choice([draw.randbytes(8), edge * 8, bytes([draw.randrange(20)]) + edge * 7])[
            : draw.choice([8, 8, 8, 7, 1, 0])
        ]
        identifier = draw.choice(TALK) | draw.choice([*sources, 254, 255])
        channel = draw.choice(["can0", "can0", "can1"])
        lines.append(f"({at_us // 10**6:010d}.{at_us % 10**6:06d}) {channel} {identifier:08X}#{data.hex().upper()}")
    return ("\n".join(lines) + "\n").encode()


def text_fault(draw: random.Random) -> str | None:
    """What is wrong with how a damaged log was read, whole or by picking what is wanted, or None."""
    lines = [damaged_line(draw) for _ in range(draw.randrange(1, 40))]
    text = "\n".join(lines * draw.choice([1, 1, 30]))
    expected, skipped = reference_rows(text)
    reading = read_text(text.encode())
    found = rows_of(reading.block, reading.channels)
    if found != expected or reading.skipped != len(skipped):
        return f"read otherwise than the reference: {text!r}"
    text_module.LOOKED_AT_CLOSELY = draw.choice([0, 10])
    picked, tally = recorded(text.encode(), wanted=WANTED, threads=draw.choice([1, 2]), piece=draw.choice([200, 5000]))
    if wanted_only([row for _, row in picked]) != wanted_only(expected):
        return f"picked otherwise than the reference reads: {text!r}"
    said = sum(bool(line.strip()) and not line.strip().startswith("DROPCOUNT:") for line in text.split("\n"))
    return None if tally.frames + tally.skipped == said else f"counted otherwise than there are lines: {text!r}"


def wanted_only(rows: list[Row]) -> list[Row]:
    identifiers, flags = np.array([row[2] for row in rows], np.uint32), np.array([row[3] for row in rows], np.uint8)
    return [row for row, mine in zip(rows, carries(identifiers, flags, WANTED), strict=True) if mine]


def command_fault(words: list[str], codes: Counter[int]) -> str | None:
    """What is wrong with how a command ended, or None."""
    output, errors = io.StringIO(), io.StringIO()
    try:
        with contextlib.redirect_stdout(output), contextlib.redirect_stderr(errors):
            code = run(words)
    except BaseException:
        return traceback.format_exc(limit=-3)
    codes[code] += 1
    said = errors.getvalue()
    plain = said.replace("\n", "").replace("\r", "").replace("\x1b[K", "")
    if printable(plain) != plain:
        return f"control characters are said: {said!r}"
    fine = (0, 1, 2) if words[0] == "explain" else (0, 2)
    if "Traceback" in said or code not in fine or (code == 2 and "error: " not in said):
        return f"exit code {code}: {said}"
    return None


def main() -> int:
    options = argparse.ArgumentParser()
    options.add_argument("--seconds", type=float, default=60)
    options.add_argument("--seed", type=int, default=1)
    arguments = options.parse_args()
    draw = random.Random(arguments.seed)
    folder = Path(tempfile.mkdtemp(prefix="canlevel-fuzz-"))
    whole = {ending: write(folder / f"whole{ending}").read_bytes() for ending in WRITERS}
    (folder / "whole.toml").write_bytes(ROSTER)
    codes: Counter[int] = Counter()
    texts = faults = 0
    until = time.monotonic() + arguments.seconds
    while time.monotonic() < until:
        ending = draw.choice([*WRITERS, ".toml", ".dbc", ".text", ".text", ".talk", ".talk"])
        path = folder / f"damaged{ending}"
        if ending == ".text":
            fault = text_fault(draw)
            texts += 1
        elif ending == ".talk":
            path.write_bytes(talking_bus(draw))
            roster = draw.choice([[], ["--roster", str(folder / "whole.toml")]])
            command = draw.choice(
                [["explain", "--format", "json"], ["explain"], ["devices"], ["devices", "--format", "csv"]]
            )
            fault = command_fault([command[0], str(path), *command[1:], *roster], codes)
        else:
            content = {".toml": ROSTER, ".dbc": OWN.encode()}.get(ending) or whole[ending]
            strange = ending == ".toml" and draw.randrange(2)
            path.write_bytes(strange_roster(draw) if strange else damaged(draw, content))
            option = {".toml": ["--roster"], ".dbc": ["--dbc"]}.get(ending)
            command = draw.choice(["decode", "tanks", "flows", "explain"])
            words = [command, str(folder / "whole.log"), *option, str(path)] if option else [command, str(path)]
            forms = ["text", "json"] if command == "explain" else ["table", "jsonl", "csv"]
            fault = command_fault([*words, "--format", draw.choice(forms)], codes)
        if fault is not None:
            faults += 1
            kept = folder / f"fault-{faults}{ending}"
            if path.exists():
                shutil.copy(path, kept)
            print(f"{kept}\n{fault}")
    counted = ", ".join(f"{number:,} with exit code {code}" for code, number in sorted(codes.items()))
    print(f"seed {arguments.seed}: {texts:,} logs; {sum(codes.values()):,} commands, {counted}; {faults} faults")
    if not faults:
        shutil.rmtree(folder)
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
