"""The command line: fixed names, keys and exit codes, and what a user meets on the way."""

from __future__ import annotations

import csv
import io
import json
import os
import pty
import re
import select
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from importlib import resources
from pathlib import Path

import pandas as pd
import pytest
from conftest import START_US, Result
from rich.console import Console

from canlevel.cli import app
from canlevel.cli.screen import print_flows
from canlevel.derivation.flows import derive_flows
from canlevel.derivation.overview import overview
from canlevel.show.pictures import level_picture
from canlevel.show.text import tanks_lines
from canlevel.storage.store import open_store
from canlevel.units import VolumeUnit

READING_KEYS = [
    "time", "channel", "protocol", "tank", "name", "fluid", "instance", "source_address",
    "level_pct", "capacity_l", "volume_l", "status",
]  # fmt: skip
FLOW_KEYS = [
    "tank", "name", "source_address", "kind", "start", "end", "start_level_pct", "end_level_pct", "volume_l",
    "rate_l_per_min", "rate_low", "rate_high", "rate_pct_per_min", "vessel",
]  # fmt: skip
COMMANDS = [command.name or command.callback.__name__ for command in app.registered_commands if command.callback]


@pytest.fixture
def workboat() -> Path:
    return Path(str(resources.files("canlevel.captures") / "workboat.log.gz"))


@pytest.fixture
def boat(tmp_path: Path) -> Path:
    """A short recording with what a real one holds: tanks of three protocols, other traffic, dirt."""
    frames = [
        "19F21123#10D430D0070000FF",
        "19FFB744#12071C1900640064",
        "18FEFC00#FF80FFFFFFFFFFFF",
        "09F80112#0001020304050607",
        "19F21123#10D430",
    ]
    lines = [f"({START_US // 1_000_000 + i:010d}.000000) can0 {frame}\n" for i, frame in enumerate(frames)]
    path = tmp_path / "boat.log"
    path.write_text("".join(lines) + "garbage\x1b[31m\nDROPCOUNT: dropped 5 CAN frames on 'can0' socket\n")
    return path


def test_the_commands_are_these() -> None:
    assert sorted(COMMANDS) == [
        "calibrate",
        "decode",
        "demo",
        "devices",
        "explain",
        "flows",
        "leaks",
        "log",
        "notebook",
        "outlook",
        "plot",
        "prove",
        "report",
        "revise",
        "roster",
        "service-file",
        "tanks",
        "tidy",
        "watch",
    ]


@pytest.mark.parametrize("words", [[], *([command] for command in COMMANDS)])
def test_help_shows_an_example(words: list[str], canlevel: Callable[..., Result]) -> None:
    code, output, _ = canlevel(*words, "--help")
    assert code == 0
    assert re.search(r"Example:\s+canlevel ", output)


def test_help_imports_no_heavy_package() -> None:
    program = (
        "import sys\nfrom canlevel.cli import run\nrun(['--help'])\n"
        "heavy = {'numpy', 'pandas', 'pyarrow', 'can', 'cantools', 'rich'} & set(sys.modules)\nassert not heavy, heavy"
    )
    subprocess.run([sys.executable, "-c", program], check=True, capture_output=True, timeout=60)


def test_decode_jsonl_has_the_fixed_keys(boat: Path, canlevel: Callable[..., Result]) -> None:
    code, output, errors = canlevel("decode", boat, "--format", "jsonl")
    assert code == 0
    rows = [json.loads(line) for line in output.splitlines()]
    assert [list(row) for row in rows] == [READING_KEYS] * 4
    assert rows[0] == {
        "time": "2026-05-01T08:00:00.000000Z",
        "channel": "can0",
        "protocol": "nmea2000",
        "tank": "nmea2000.fresh_water.0",
        "name": None,
        "fluid": "fresh_water",
        "instance": 0,
        "source_address": 35,
        "level_pct": 50.0,
        "capacity_l": 200.0,
        "volume_l": 100.0,
        "status": "ok",
    }
    assert [row["tank"] for row in rows[1:]] == ["rvc.grey_water.18", "j1939.fuel.1", "nmea2000.fresh_water.0"]
    assert rows[3]["status"] == "malformed"
    assert "1 line was skipped" in errors
    assert f"{boat}, line 6" in errors
    assert "\x1b" not in errors
    assert "lost 5 frames" in errors
    assert "1 tank frame too short" in errors


def test_decode_csv_holds_the_same(boat: Path, canlevel: Callable[..., Result]) -> None:
    _, as_json, _ = canlevel("decode", boat, "--format", "jsonl")
    _, as_csv, _ = canlevel("decode", boat, "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(as_csv)))
    assert list(rows[0]) == READING_KEYS
    expected = [json.loads(line) for line in as_json.splitlines()]
    assert [{k: "" if v is None else str(v) for k, v in row.items()} for row in expected] == rows


def test_decode_table_is_readable_and_in_the_users_units(boat: Path, canlevel: Callable[..., Result]) -> None:
    code, output, _ = canlevel("decode", boat)
    assert code == 0
    head, first, *_ = output.splitlines()
    assert "volume L" in head
    assert "nmea2000.fresh_water.0" in first
    assert "100.0" in first
    _, output, _ = canlevel("decode", boat, "--units", "us-gallon")
    assert "26.4" in output.splitlines()[1]  # 100 L / 3.785411784 L (NIST SP 811)
    _, output, _ = canlevel("decode", boat, "--units", "imperial-gallon")
    assert "22.0" in output.splitlines()[1]  # 100 L / 4.54609 L


def test_data_stays_in_litres(boat: Path, canlevel: Callable[..., Result]) -> None:
    outputs = {canlevel("decode", boat, "--format", "jsonl", "--units", unit)[1] for unit in ("litre", "us-gallon")}
    assert len(outputs) == 1


def test_log_then_tanks_and_flows_from_the_store(
    workboat: Path, tmp_path: Path, canlevel: Callable[..., Result]
) -> None:
    history, roster = tmp_path / "history", workboat.with_name("workboat.toml")
    code, output, errors = canlevel("log", workboat, "--store", history, "--roster", roster)
    assert (code, errors) == (0, "")
    assert "21,600 new" in output
    code, output, _ = canlevel("log", workboat, "--store", history, "--roster", roster)
    assert (code, "0 new" in output, "21,600 there already" in output) == (0, True, True)
    stored = pd.read_parquet(f"{history}/readings")
    assert (len(stored), set(stored["name"])) == (
        21600,
        {"Fuel, port", "Fuel, starboard", "Fresh water", "Galley sink", "Heads"},
    )
    assert set(stored["vessel"]) == {"Harbour workboat"}
    for command in ("tanks", "flows"):
        from_store = canlevel(command, "--store", history, "--format", "jsonl")[1]
        from_file = canlevel(command, workboat, "--roster", roster, "--format", "jsonl")[1]
        strip = [{k: v for k, v in json.loads(line).items() if k != "vessel"} for line in from_store.splitlines()]
        assert strip == [
            {k: v for k, v in json.loads(line).items() if k != "vessel"} for line in from_file.splitlines()
        ]
    flows = [json.loads(line) for line in canlevel("flows", "--store", history, "--format", "jsonl")[1].splitlines()]
    assert [list(flow) for flow in flows] == [FLOW_KEYS] * len(flows)
    assert {flow["kind"] for flow in flows} == {"fill", "drain"}
    for flow in flows:
        assert (flow["rate_l_per_min"] > 0) == (flow["kind"] == "fill")
        assert flow["volume_l"] > 0
        assert flow["rate_low"] < flow["rate_l_per_min"] < flow["rate_high"]
        assert flow["start"].endswith("Z")


def test_flows_of_one_tank_and_some_time(workboat: Path, canlevel: Callable[..., Result]) -> None:
    def starts(*words: str) -> list[str]:
        code, output, _ = canlevel("flows", workboat, "--format", "jsonl", *words)
        assert code == 0
        return [json.loads(line)["tank"] + json.loads(line)["start"][10:16] for line in output.splitlines()]

    grey = starts("--tank", "nmea2000.grey_water.0")
    assert len(grey) == 5
    assert all(start.startswith("nmea2000.grey_water.0") for start in grey)
    late = starts("--since", "2026-05-01T10:00Z")
    early = starts("--until", "2026-05-01T10:00Z")
    assert sorted(early + late) == sorted(starts())
    assert early
    assert late


def test_an_unknown_tank_is_refused_with_those_that_are_there(workboat: Path, canlevel: Callable[..., Result]) -> None:
    code, _, errors = canlevel("flows", workboat, "--tank", "nmea2000.beer.0")
    assert (code, "nmea2000.beer.0" in errors, "nmea2000.fuel.1" in errors) == (2, True, True)


def test_tanks_has_a_row_for_each_tank_and_source(workboat: Path, canlevel: Callable[..., Result]) -> None:
    code, output, _ = canlevel("tanks", workboat, "--format", "jsonl")
    assert code == 0
    rows = [json.loads(line) for line in output.splitlines()]
    assert [(row["tank"], row["source_address"]) for row in rows] == [
        ("nmea2000.black_water.0", 35), ("nmea2000.fresh_water.0", 35), ("nmea2000.fuel.0", 42), ("nmea2000.fuel.1", 42),
        ("nmea2000.grey_water.0", 35),
    ]  # fmt: skip
    for row in rows:
        assert row["readings"] == 4320
        assert row["period_s"] == pytest.approx(2.5, abs=0.05)
        assert row["first_time"] < row["last_heard"] == row["last_time"]
    code, output, _ = canlevel("tanks", workboat)
    assert code == 0
    assert "nmea2000.grey_water.0" in output


def test_a_recording_without_tanks_is_said_so(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    path = tmp_path / "quiet.log"
    path.write_text("(1777622400.000000) can0 09F80112#0001020304050607\n" * 7)
    for command in ("decode", "tanks", "flows"):
        code, output, errors = canlevel(command, path, "--format", "jsonl")
        assert (code, output) == (0, "")
        assert "no tank level among 7 frames" in errors


@pytest.mark.parametrize(
    "words",
    [
        ["decode"],
        ["decode", "x.log", "--format", "xml"],
        ["decode", "x.log", "--colour"],
        ["decode", "virtual:test", "--bitrate", "fast"],
        ["decode", "virtual:test", "--seconds", "-1"],
        ["flows"],
        ["tanks", "x.log", "--store", "history"],
        ["log", "x.log"],
        ["draw"],
        ["tanks", "x.log", "--roster", "missing.toml"],
        ["decode", "x.log", "--dbc", "missing.dbc"],
        ["flows", "x.log", "--since", "noon"],
        ["decode", "nosuch:can0"],
        ["decode", "slcan:"],
    ],
)
def test_wrong_calls_exit_with_2_and_a_sentence(words: list[str], canlevel: Callable[..., Result]) -> None:
    code, output, errors = canlevel(*words)
    assert (code, output) == (2, "")
    assert errors.strip()
    assert "Traceback" not in errors


def test_no_command_shows_the_help(canlevel: Callable[..., Result]) -> None:
    _, output, errors = canlevel()
    assert "Commands:" in output + errors


def test_own_messages_and_rosters_on_the_command_line(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    from test_definitions import OWN

    (tmp_path / "own.dbc").write_text(OWN)
    (tmp_path / "tanks.toml").write_text('[[tank]]\nname = "Bait [1]"\nfluid = "live_well"\ninstance = 4\n')
    (tmp_path / "boat.log").write_text("(1777622400.000000) can0 18EFFF23#643278000909\n")
    words = ["--dbc", tmp_path / "own.dbc", "--roster", tmp_path / "tanks.toml"]
    code, output, _ = canlevel("decode", tmp_path / "boat.log", *words, "--format", "jsonl")
    assert code == 0
    rows = [json.loads(line) for line in output.splitlines()]
    assert [(r["tank"], r["name"], r["volume_l"]) for r in rows] == [
        ("nmea2000.live_well.4", "Bait [1]", 60.0),
        ("nmea2000.oil.0", None, 30.0),
    ]
    code, output, _ = canlevel("tanks", tmp_path / "boat.log", *words)
    assert "Bait [1]" in output  # brackets are no markup


def test_demo_shows_the_whole_job(canlevel: Callable[..., Result]) -> None:
    code, output, errors = canlevel("demo")
    assert (code, errors) == (0, "")
    for word in (
        "nmea2000.fresh_water.0",
        "rvc.grey_water.18",
        "j1939.fuel.1",
        "Treatment rooms",
        "▅",
        "drain",
        "fill",
    ):
        assert word in output
    line = next(line for line in output.splitlines() if "read_parquet" in line)
    found: dict[str, object] = {}
    exec(
        line.strip().replace("pandas.read", "frame = pandas.read"), found
    )  # the very line that the user is told to type
    assert len(found["frame"]) == 21600  # type: ignore[arg-type]


def test_demo_runs_from_any_folder(tmp_path: Path) -> None:
    done = subprocess.run([sys.executable, "-m", "canlevel", "demo"], cwd=tmp_path, capture_output=True, timeout=60)
    assert (done.returncode, list(tmp_path.iterdir())) == (0, [])


def test_a_checkout_that_is_not_installed_runs_from_its_own_folder() -> None:
    """Python started in a clone finds the clone's package first, whatever is installed."""
    root = Path(__file__).parent.parent
    script = "import sys; sys.meta_path = [f for f in sys.meta_path if 'editable' not in repr(f).lower()]; import canlevel.cli; sys.exit(canlevel.cli.run(['demo']))"  # noqa: E501
    done = subprocess.run([sys.executable, "-c", script], cwd=root, capture_output=True, timeout=60)
    assert (done.returncode, done.stderr) == (0, b"")


def test_head_closes_the_pipe_quietly(workboat: Path) -> None:
    script = f'"{sys.executable}" -m canlevel decode "{workboat}" --format jsonl | head -n 2'
    done = subprocess.run(["bash", "-o", "pipefail", "-c", script], capture_output=True, timeout=60)
    assert (len(done.stdout.splitlines()), done.stderr) == (2, b"")


def test_a_file_that_is_stopped_was_not_finished(tmp_path: Path) -> None:
    """What was read is stored and the exit code tells that it is not all; the same command again does the rest."""
    big = tmp_path / "big.log"
    with big.open("w") as file:
        for i in range(300_000):
            file.write(f"({START_US // 1_000_000 + i}.000000) can0 19F21123#10D430D0070000FF\n")
    command = [sys.executable, "-m", "canlevel", "log", str(big), "--store", str(tmp_path / "history")]
    # The program is told to stop by its own progress: at the second batch, wherever the machine is by then.
    script = (
        "import os, signal, sys\nimport canlevel.pipeline as p\nreal = p.OnlineRates.add\nseen = []\n"
        "def add(self, readings):\n    seen.append(1)\n    if len(seen) == 2:\n        os.kill(os.getpid(), signal.SIGINT)\n"
        "    return real(self, readings)\np.OnlineRates.add = add\nfrom canlevel.__main__ import main\nmain()\n"
    )
    done = subprocess.run([sys.executable, "-c", script, *command[3:]], capture_output=True, text=True, timeout=120)
    assert (done.returncode, "stopped before the end" in done.stderr) == (130, True)
    stored = len(pd.read_parquet(tmp_path / "history" / "readings"))
    assert 0 < stored < 300_000
    again = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert again.returncode == 0
    assert f"{300_000 - stored:,} new" in again.stdout
    assert len(pd.read_parquet(tmp_path / "history" / "readings")) == 300_000


@pytest.mark.parametrize("command", ["explain", "devices"])
def test_nothing_is_said_of_a_recording_that_was_not_heard_to_its_end(command: str, tmp_path: Path) -> None:
    """A verdict from half a recording would be one from another recording; and there is no rest for the same command to do."""
    big = tmp_path / "big.log"
    big.write_text(
        "".join(f"({START_US // 1_000_000 + i}.000000) can0 19F21123#10D430D0070000FF\n" for i in range(300_000))
    )
    script = (
        "import os, signal\nfrom canlevel.findings.listener import Listener\nreal, seen = Listener.add, []\n"
        "def add(self, frames):\n    seen.append(1)\n    if len(seen) == 2:\n        os.kill(os.getpid(), signal.SIGINT)\n"
        "    real(self, frames)\nListener.add = add\nfrom canlevel.__main__ import main\nmain()\n"
    )
    done = subprocess.run([sys.executable, "-c", script, command, big], capture_output=True, text=True, timeout=120)
    assert (done.returncode, done.stdout) == (130, "")
    assert "interrupted before the end of the recording" in done.stderr
    assert "same command" not in done.stderr
    assert "Traceback" not in done.stderr


def test_a_terminal_gets_a_progress_bar_and_a_file_none(tmp_path: Path) -> None:
    big = tmp_path / "big.log"
    frame = "(1777622400.000000) can0 19F21123#10D430D0070000FF\n"
    big.write_text(frame * 400_000)
    command = [sys.executable, "-m", "canlevel", "log", str(big), "--store", str(tmp_path / "history")]
    master, slave = pty.openpty()
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=slave, env=os.environ | {"TERM": "xterm"})
    os.close(slave)
    shown = b""
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        if select.select([master], [], [], 0.2)[0]:
            try:
                piece = os.read(master, 65536)
            except OSError:  # the other end is closed
                break
            shown += piece
    assert process.wait(timeout=30) == 0
    os.close(master)
    assert b"frames/s" in shown
    done = subprocess.run(command, capture_output=True, timeout=60)
    assert (done.returncode, done.stderr) == (0, b"")


def test_readme_names_every_command_and_only_those() -> None:
    readme = Path(__file__).parent.parent / "README.md"
    blocks = re.findall(r"```sh\n(.*?)```", readme.read_text(encoding="utf-8"), re.DOTALL)
    named = set(re.findall(r"(?:^|&& |\| )canlevel ([a-z-]+)", "\n".join(blocks), re.MULTILINE))
    assert named == set(COMMANDS)


def recipes() -> list[str]:
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    return re.findall(r"```sh\n(.*?)```", readme.partition("\n## Recipes\n")[2].partition("\n## ")[0], re.DOTALL)


@pytest.mark.parametrize("commands", recipes(), ids=lambda text: text.split()[-1])
def test_recipes_work_word_for_word(commands: str, tmp_path: Path) -> None:
    if "zstd" in commands and shutil.which("zstd") is None:
        pytest.skip("needs zstd")
    shutil.copytree(Path(__file__).parent.parent / "captures", tmp_path / "captures")
    words = "set -eo pipefail\n"
    for name, option in (("canlevel", "-m canlevel"), ("python", "")):
        words += f'{name}() {{ "{sys.executable}" {option} "$@"; }}\n'
    done = subprocess.run(["bash", "-c", words + commands], cwd=tmp_path, capture_output=True, text=True, timeout=120)
    # That its dates are read in this computer's zone is said of screen text.
    assert (done.returncode, "" if "TZ=Europe/Oslo" in done.stderr else done.stderr) == (0, "")
    for told in ("capacity 150 → 200 L", "drain") if "revise" in commands else ():
        assert told in done.stdout
    if "TZ=" in commands:
        assert "2026-05-01 08:00:00" in done.stdout  # ten o'clock of summer time in Oslo (IANA time zone database)


# What a command does not need it does not import: each of these takes longer than reading a small recording.
@pytest.mark.parametrize(
    ("words", "unneeded"),
    [
        (["--help"], ["numpy", "pyarrow", "rich.progress"]),
        (
            ["decode", "boat.log", "--format", "jsonl"],
            ["pandas", "cantools", "can", "pyarrow.dataset", "pyarrow.compute"],
        ),
        (["decode", "boat.log"], ["pandas", "cantools", "can", "pyarrow.dataset"]),
        (
            ["log", "boat.log", "--store", "history"],
            ["pandas", "cantools", "can", "pyarrow.dataset", "pyarrow.compute"],
        ),
    ],
)
def test_commands_import_only_what_they_need(words: list[str], unneeded: list[str], tmp_path: Path) -> None:
    (tmp_path / "boat.log").write_text("(1777622400.000000) can0 19F21123#10D430D0070000FF\n" * 30)
    script = (
        "import sys\nfrom canlevel.cli import run\n"
        f"code = run({words!r})\nprint(code, *sorted(set(sys.modules) & set({unneeded!r})), file=sys.stderr)"
    )
    ran = subprocess.run([sys.executable, "-c", script], cwd=tmp_path, capture_output=True, text=True, check=True)
    assert ran.stderr.splitlines()[-1] == "0"


@pytest.mark.parametrize("command", ["tanks", "tanks --check", "flows", "leaks", "outlook", "plot"])
def test_what_to_do_next_names_the_command(command: str, tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    code, _, errors = canlevel(*command.split())
    assert code == 2
    assert f"canlevel {command} boat.log, or canlevel {command} --store history" in errors
    errors = canlevel(*command.split(), tmp_path)[2]
    assert "is a folder, not a recording" in errors or "no limit" in errors or "no roster" in errors
    if command != "tanks --check":
        assert "a history that log keeps is read with --store" in errors


def test_two_vessels_are_told_apart_in_tables(
    tmp_path: Path, canlevel: Callable[..., Result], capfd: pytest.CaptureFixture[str]
) -> None:
    """The recipe of README: two histories taken into one."""
    for name, store in (("workboat", "bow"), ("clinic-coach", "stern")):
        log, roster = (str(resources.files("canlevel.captures") / f"{name}{end}") for end in (".log.gz", ".toml"))
        assert canlevel("log", log, "--store", tmp_path / store, "--roster", roster)[0] == 0
    assert canlevel("log", tmp_path / "bow", tmp_path / "stern", "--store", tmp_path / "both")[0] == 0
    vessels = ("Clinic coach", "Harbour workboat")
    for command in ("tanks", "flows"):
        table = canlevel(command, "--store", tmp_path / "both")[1]
        assert all(vessel in table for vessel in vessels)
        rows = [
            json.loads(line)
            for line in canlevel(command, "--store", tmp_path / "both", "--format", "jsonl")[1].splitlines()
        ]
        assert {row["vessel"] for row in rows} == set(vessels)
    narrow = list(tanks_lines(overview(open_store(tmp_path / "both").to_arrow()), VolumeUnit.LITRE, 80))
    assert [line for line in narrow if line.endswith(":")] == [f"{vessel}:" for vessel in vessels]
    readings = open_store(tmp_path / "both").to_arrow()
    drawn = level_picture(readings, 80)
    assert [line for line in drawn if line.endswith(":")] == [f"{vessel}:" for vessel in vessels]
    assert (
        sum(line.startswith("Fresh water  ") for line in drawn) == 2
    )  # one of each, which no device has to tell apart
    capfd.readouterr()
    print_flows(Console(width=60), derive_flows(readings), VolumeUnit.LITRE)
    lines = capfd.readouterr().out.splitlines()
    assert [line for line in lines if line.endswith(":")] == [f"{vessel}:" for vessel in vessels]
    assert max(map(len, lines)) <= 60
