"""Names are the owner's own, in any language: kept in every command and format, and aligned by the columns they take."""

from __future__ import annotations

import csv
import io
import json
import os
import pty
import re
import select
import subprocess
import sys
import unicodedata
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from conftest import START_US, Result
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from canlevel.errors import printable
from canlevel.show.cells import cells, cut, fitted, paragraph

# Greek, Arabic, Chinese with a Japanese blank, an emoji of three with joiners, an accent that stands by itself, Hindi,
# Persian with a joiner that parts letters.
NAMES = (
    "Νερό, πλώρη",
    "خزان المياه",
    "淡水　船首",
    "👨‍👩‍👧 shower",
    "Eau de cale, tribord e\u0301te\u0301",
    "पानी की टंकी",
    "می‌خواهم",
)
AT = START_US // 1_000_000


@pytest.fixture
def vessel(tmp_path: Path) -> tuple[Path, Path, Path]:
    """(recording, roster, store): a tank for each name, half an hour, filled in the middle."""
    lines, tanks = [], ['[vessel]\nname = "Πλοίο 船"\n']
    for instance, name in enumerate(NAMES):
        tanks.append(f'[[tank]]\nname = "{name}"\nfluid = "fresh_water"\ninstance = {instance}\nlow_pct = 99\n')
    for second in range(0, 1800, 5):
        level = 30 + 40 * min(max((second - 600) / 600, 0), 1)
        for instance in range(len(NAMES)):
            data = bytes([0x10 | instance]) + round(level / 0.004).to_bytes(2, "little") + b"\xd0\x07\x00\x00\xff"
            lines.append(f"({AT + second}.{instance:06d}) can0 19F21123#{data.hex()}\n")
    log, roster, store = tmp_path / "boat.log", tmp_path / "tanks.toml", tmp_path / "history"
    log.write_text("".join(lines))
    roster.write_text("\n".join(tanks), encoding="utf-8")
    return log, roster, store


def on_a_terminal(*words: object, columns: int = 80, rows: int = 24) -> str:
    """What a command writes on a terminal of that size."""
    master, slave = pty.openpty()
    environment = {**os.environ, "COLUMNS": str(columns), "LINES": str(rows), "TERM": "xterm-256color", "NO_COLOR": "1"}
    command = [sys.executable, "-m", "canlevel", *map(str, words)]
    with subprocess.Popen(command, stdout=slave, stderr=subprocess.DEVNULL, env=environment) as process:
        os.close(slave)
        written = b""
        while select.select([master], [], [], 60)[0]:
            try:
                part = os.read(master, 65536)
            except OSError:
                break
            if not part:
                break
            written += part
    os.close(master)
    assert process.returncode in (0, 1)
    return re.sub("\x1b\\[[0-9;]*m", "", written.decode()).replace("\r\n", "\n")


def test_every_command_and_format_keeps_them(vessel: tuple[Path, Path, Path], canlevel: Callable[..., Result]) -> None:
    log, roster, store = vessel
    canlevel("log", log, "--store", store, "--roster", roster)
    stored = pd.read_parquet(store / "readings")
    assert (set(stored["name"]), set(stored["vessel"])) == (set(NAMES), {"Πλοίο 船"})
    for command in ("decode", "tanks", "flows", "leaks", "outlook"):
        words = (command, log) if command == "decode" else (command, "--store", store)
        named = () if command != "decode" else ("--roster", roster)
        rows = canlevel(*words, *named, "--format", "jsonl")[1].splitlines()
        assert {json.loads(row)["name"] for row in rows if "name" in json.loads(row)} == set(NAMES), command
        table = list(csv.DictReader(io.StringIO(canlevel(*words, *named, "--format", "csv")[1])))
        assert {row["name"] for row in table if row["name"]} == set(NAMES), command
        text = canlevel(*words, *named)[1]
        for name in NAMES:
            assert name in text, (command, name)
        assert "\\u200" not in text
    explained = json.loads(canlevel("explain", log, "--roster", roster, "--format", "json")[1])
    assert {tank["name"] for tank in explained["tanks"]} == set(NAMES)
    _, _, errors = canlevel("tanks", "--store", store, "--check")
    assert [line.partition(" (")[0] for line in errors.splitlines()] == list(NAMES)


@pytest.mark.parametrize("columns", [80, 120])
def test_columns_stand_below_one_another(vessel: tuple[Path, Path, Path], columns: int) -> None:
    log, roster, _ = vessel
    levels: set[int] = set()
    for command in ("tanks", "flows"):
        lines = on_a_terminal(command, log, "--roster", roster, columns=columns).splitlines()
        picture = [line for line in lines if re.search("[▁-█]{9}", line)]
        assert len(picture) == len(NAMES)
        assert {cell_len(line) for line in picture} == {columns}
        levels |= {cell_len(line[: re.search("[▁-█]", line).start()]) for line in picture}  # type: ignore[union-attr]
        assert all(cell_len(line) <= columns for line in lines)
        axis = lines[lines.index(picture[-1]) + 1]
        assert re.fullmatch(r" +08:00 +08:29 UTC", axis)
    assert len(levels) == 1
    decoded = on_a_terminal("decode", log, "--roster", roster, columns=columns).splitlines()
    body = [line for line in decoded if " 30.00 " in line]
    assert len({cell_len(line[: line.index(" 30.00 ")]) for line in body}) == 1
    room = 23 if columns < 132 else 60
    assert all(any(cut(name, room) in line for line in body) for name in NAMES)
    for command in ("leaks", "outlook"):
        lines = on_a_terminal(command, log, "--roster", roster, columns=columns).splitlines()
        mark = "too little quiet time" if command == "leaks" else "70.0 %"
        body = [line for line in lines if mark in line]
        assert len(body) == len(NAMES)
        assert len({cell_len(line[: line.index(mark)]) for line in body}) == 1


def test_no_picture_goes_into_a_pipe(vessel: tuple[Path, Path, Path], canlevel: Callable[..., Result]) -> None:
    log, roster, store = vessel
    canlevel("log", log, "--store", store, "--roster", roster)
    for words in ((log, "--roster", roster), ("--store", store)):
        for command in ("tanks", "flows"):
            for format in ("table", "jsonl", "csv"):
                assert not re.search("[▁-█]", canlevel(command, *words, "--format", format)[1])
    for format in ("jsonl", "csv"):
        assert not re.search("[▁-█]", on_a_terminal("tanks", log, "--format", format))


def test_a_store_has_a_picture_of_its_last_days(
    vessel: tuple[Path, Path, Path], canlevel: Callable[..., Result]
) -> None:
    log, roster, store = vessel
    canlevel("log", log, "--store", store, "--roster", roster)
    later = log.with_name("later.log")
    shifted = [line.replace(f"({str(AT)[:4]}", f"({int(str(AT)[:4]) + 1}") for line in log.read_text().splitlines(True)]
    later.write_text("".join(shifted))  # eleven days later
    canlevel("log", later, "--store", store, "--roster", roster)
    lines = on_a_terminal("flows", "--store", store).splitlines()
    assert len([line for line in lines if " fill " in line]) == 2 * len(NAMES)
    assert len([line for line in lines if re.search("[▁-█]{9}", line)]) == len(NAMES)
    assert re.fullmatch(r" +21:46 +22:16 UTC", lines[-1]), lines[-1]
    lines = on_a_terminal("tanks", "--store", store).splitlines()
    assert re.fullmatch(r" +2026-05-01 +2026-05-12 UTC", lines[-1]), lines[-1]


WORDS = st.text(st.characters(exclude_categories=["Cs", "Cc", "Zl", "Zp"]), max_size=60).map(printable)


@given(WORDS, st.integers(2, 40))
def test_a_fitted_text_takes_just_its_columns(text: str, columns: int) -> None:
    assert cell_len(fitted(text, columns)) == columns  # the measure: rich's, by UAX 11 and 29
    assert cell_len(cut(text, columns)) <= columns
    assert cut(text, columns) == text or cut(text, columns).endswith("…")


@given(WORDS, st.integers(10, 60))
def test_wrapped_text_keeps_its_words_and_its_width(text: str, width: int) -> None:
    lines = paragraph(text, width, initial_indent="- ", subsequent_indent="  ")
    assert all(cells(line) <= width for line in lines)
    squeezed = "".join(line[2:] for line in lines)
    assert [c for c in squeezed if not c.isspace()] == [c for c in text if not c.isspace()]


def test_widths_agree_with_the_character_database() -> None:
    """Against unicodedata's East Asian widths (UAX 11), for single characters that are wide or narrow beyond doubt."""
    for character in "水淡漢字カナ한글ＡＢ":
        assert unicodedata.east_asian_width(character) in "WF"
        assert cells(character) == 2
    for character in "aéΩжעا":
        assert unicodedata.east_asian_width(character) in "NaA"
        assert cells(character) == 1
    assert cells("e\u0301") == cells("é") == 1
