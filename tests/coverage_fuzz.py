"""Fuzzing that is led by coverage: inputs that reach new code are kept and changed further.

    python tests/coverage_fuzz.py --seconds 60 [roster lines asc assembly blf rows]

Needs atheris (pip install atheris). Each part runs in a process of its own for so long. A part ends with exit code 0 where
nothing was found; a traceback, an input that takes longer than ten seconds, or a gigabyte of memory ends it with the input,
which libFuzzer keeps as crash-*, timeout-* or oom-* in the folder that is named. Not collected by pytest, nor run by .ci/run.
"""

from __future__ import annotations

import argparse
import importlib.util
import io
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

CAPTURES = Path(__file__).parent.parent / "captures"
LINES = [
    b"(1777622400.123456) can0 19F21123#10D430D0070000FF\n",
    b"(000.000001) vcan0 18fefc00#ff80.ff.ff R\n",
    b"  can0  TX - -  19F21123   [8]  10 D4 30 D0 07 00 00 FF   '..0.....'\n",
    b"(2026-05-01 08:00:00.000000) can0 123 [2] remote request\n",
    b"1777622400.1,0x19f21123,1,0,0,8,ENQw0AcAAP8=\n",
    b"date Fri May 1 08:00:00 2026\nbase hex timestamps absolute\n 0.5 1 19F21123x Rx d 8 10 D4 30 D0 07 00 00 FF\n",
]
ROSTERS = [
    b'[vessel]\nname = "a"\n[[tank]]\nname = "x"\nfluid = "fuel"\ninstance = 0\n'
    b'capacity = "50 us-gallon"\nshape = "prismatic"\n'
]


def roster_part(folder: Path) -> Callable[[bytes], None]:
    from canlevel.errors import RosterError, printable
    from canlevel.roster import load_roster

    path = folder / "roster.toml"

    def one(data: bytes) -> None:
        path.write_bytes(data)
        try:
            load_roster(path)
        except RosterError as error:
            plain = str(error).replace("\n", "")
            if printable(plain) != plain:
                raise ValueError("an error with control characters") from error

    return one


def lines_part(_: Path) -> Callable[[bytes], None]:
    import numpy as np

    from canlevel.capture.candump import LONGEST_LINE, TextReader, lines_of
    from canlevel.capture.files import kind_of_text
    from canlevel.capture.lines import CANDUMP, CSV

    def one(data: bytes) -> None:
        kind_of_text(data)
        text = data + b"\n"
        room = np.frombuffer(text + bytes(LONGEST_LINE), np.uint8)
        for form in (CANDUMP, CSV):
            reading = TextReader(form).read(lines_of(room, len(text)))
            alone = sum(form.parse(line) is not None for line in text.split(b"\n") if len(line) <= LONGEST_LINE)
            assert len(reading.block.line) == alone

    return one


def asc_part(_: Path) -> Callable[[bytes], None]:
    from canlevel.capture.asc_trc import AscReader, Frames, TextLines, TrcReader

    def one(data: bytes) -> None:
        for reader_of in (AscReader, TrcReader):
            rows = Frames(lambda _: 0, None)
            reader = reader_of(TextLines(io.BytesIO(data)), lambda *_: None, rows)
            try:
                for _ in reader:
                    pass
            except Exception as error:
                # What python-can runs into is taken for damage by messages.py; what runs out is ours.
                if isinstance(error, MemoryError | RecursionError):
                    raise
            rows.piece()

    return one


def assembly_part(_: Path) -> Callable[[bytes], None]:
    import numpy as np

    from canlevel.capture.candump import Block, frames_table
    from canlevel.decoding.assembly import Assembler
    from canlevel.decoding.devices import (
        installer_texts,
        j1939_diagnostics,
        product_identification,
        product_information,
    )
    from canlevel.decoding.tanks import TankDecoder
    from canlevel.decoding.told import told_times
    from canlevel.tables import EXTENDED, time_column

    identifiers = np.array(
        [0x1CECFF00, 0x1CEBFF00, 0x19F01400, 0x19F01600, 0x18FEEB00, 0x19F21100, 0x19FFB700, 0x0DF01000]
    )

    def one(data: bytes) -> None:
        n = len(data) // 10
        block = Block.sized(n)
        cells = np.frombuffer(data[: n * 10], np.uint8).reshape(n, 10)
        block.time_us[:] = 1_777_622_400_000_000 + np.arange(n) * 1000
        block.identifier[:] = identifiers[cells[:, 0] & 7] | cells[:, 0] >> 6
        block.flags[:] = EXTENDED
        block.length[:] = np.minimum(cells[:, 1], 8)
        block.payload[:] = np.ascontiguousarray(cells[:, 2:]).view("<u8")[:, 0]
        block.channel[:] = 0
        block.line[:] = np.arange(1, n + 1)
        frames = frames_table(block, ["can0"], time_column(block.time_us))
        assert len(TankDecoder().decode(frames)) >= 0
        told_times(frames)
        for read in (installer_texts, j1939_diagnostics, product_identification, product_information):
            read(data)
        Assembler().add(frames)

    return one


def blf_part(_: Path) -> Callable[[bytes], None]:
    import zlib

    from canlevel.capture.blf import BlfError, BlfReader

    def one(data: bytes) -> None:
        try:
            for _ in BlfReader(io.BytesIO(data)).pieces(lambda _: 0):
                pass
        except (BlfError, zlib.error):
            pass

    return one


def rows_part(_: Path) -> Callable[[bytes], None]:
    import csv
    import json

    import pyarrow as pa

    from canlevel.errors import printable
    from canlevel.show.rows import csv_lines, json_lines, terminal_text

    def one(data: bytes) -> None:
        text = data.decode("utf-8", "replace")
        table = pa.table({"name": [text, "x"], "n": [1, None]})
        assert [json.loads(line)["name"] for line in json_lines(table, ("name", "n")).split("\n")[:-1]] == [text, "x"]
        written = csv_lines(table, ("name", "n"))
        assert [row[0] for row in csv.reader(io.StringIO(written, newline=""))] == [text, "x"]
        assert all(printable(line) == line for line in terminal_text(written).split("\n"))

    return one


PARTS: dict[str, tuple[Callable[[Path], Callable[[bytes], None]], list[bytes]]] = {
    "roster": (roster_part, ROSTERS),
    "lines": (lines_part, LINES),
    "asc": (asc_part, LINES),
    "assembly": (assembly_part, [bytes(range(100)), b"\x02\x08\x00\x86" + bytes(96)]),
    "blf": (blf_part, []),
    "rows": (rows_part, [b'a,"b"\n\x1b[2J', b"=1+2"]),
}


def run_part(name: str, seconds: int, folder: Path) -> None:
    import atheris

    with atheris.instrument_imports(include=["canlevel", "tomllib"]):
        one = PARTS[name][0](folder)
    corpus = folder / "corpus"
    corpus.mkdir()
    if name == "blf":
        from test_recordings import write

        write(folder / "whole.blf").rename(corpus / "whole")
    for number, seed in enumerate(PARTS[name][1]):
        (corpus / str(number)).write_bytes(seed)
    options = [
        f"-max_total_time={seconds}",
        "-timeout=10",
        "-rss_limit_mb=1024",
        "-max_len=4096",
        f"-artifact_prefix={folder}/",
    ]
    atheris.Setup([sys.argv[0], *options, str(corpus)], one)
    atheris.Fuzz()


def main() -> int:
    options = argparse.ArgumentParser()
    options.add_argument("--seconds", type=int, default=60)
    options.add_argument("--here", help=argparse.SUPPRESS)
    options.add_argument("parts", nargs="*", default=list(PARTS))
    arguments = options.parse_args()
    if importlib.util.find_spec("atheris") is None:
        print("needs atheris: pip install atheris")
        return 2
    if arguments.here:
        run_part(arguments.parts[0], arguments.seconds, Path(arguments.here))
        return 0
    faults = 0
    for name in arguments.parts:
        folder = tempfile.mkdtemp(prefix=f"canlevel-{name}-")
        command = [sys.executable, __file__, "--seconds", str(arguments.seconds), "--here", folder, name]
        done = subprocess.run(command, capture_output=True, text=True, errors="replace", check=False)
        runs = re.findall(r"Done (\d+) runs|#(\d+)\s", done.stderr)
        count = max((int(first or second) for first, second in runs), default=0)
        print(f"{name}: {count:,} inputs, exit code {done.returncode}", flush=True)
        if done.returncode:
            faults += 1
            print(f"  kept in {folder}\n" + "\n".join(done.stderr.splitlines()[-30:]))
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
