"""The rules that keep the project in one piece: who may import whom, what is public, and what ships."""

from __future__ import annotations

import ast
import gzip
import importlib
import tomllib
import typing
from pathlib import Path

import pytest

import canlevel
from canlevel.simulate import clinic_coach, workboat

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "canlevel"
MODULES = sorted(PACKAGE.rglob("*.py"))
GROUND = {"tables", "identifier", "units", "roster", "errors", "shipped", "words", "keys"}
ROOMS = {"capture", "decoding", "derivation", "findings", "storage"}
ALLOWED = {
    **dict.fromkeys(GROUND, GROUND),
    **{room: {room, *GROUND} for room in ROOMS},
    "simulate": {"decoding", *GROUND},
    "history": {"derivation", "storage", *GROUND},
    "histories": {"history", "recovery", *ROOMS, *GROUND},
    "season": {"simulate", "decoding", "derivation", "storage", *GROUND},
    "tablespage": {"diagnosis", "fleet", *ROOMS, *GROUND},
    "runclock": set(),
    "rosterfile": GROUND,
    "service": GROUND,
    "recovery": {*ROOMS, *GROUND},
    "joining": {"history", "recovery", *ROOMS, *GROUND},
    "revision": {"history", "recovery", *ROOMS, *GROUND},
    "pipeline": {"history", "logger", "recovery", *ROOMS, *GROUND},
    "logger": {"pipeline", "recovery", "runclock", "service", *ROOMS, *GROUND},
    "fleet": {"fleet", "history", "derivation", "findings", "storage", *GROUND},
    "diagnosis": {*ROOMS, *GROUND},
    "proving": {"proving", "derivation", "findings", *GROUND},
    "proof": {"diagnosis", "proving", *ROOMS, *GROUND},
    "guide": {"proving", *ROOMS, *GROUND},
    "show": {"show", "derivation", *GROUND},
    "watching": {"watching", "diagnosis", "show", *ROOMS, *GROUND},
    "checking": {"derivation", "history", "recovery", "storage", *GROUND},
    "mqtt": set(),
    "publish": {"show", *GROUND},
    "reporting": {"reporting", "show", "pipeline", "diagnosis", "history", "recovery", *ROOMS, *GROUND},
    "api": {
        "proof",
        "proving",
        "pipeline",
        "publish",
        "reporting",
        "diagnosis",
        "histories",
        "joining",
        "revision",
        "recovery",
        *ROOMS,
        *GROUND,
    },
    "cli": {
        "cli",
        "rosterfile",
        "checking",
        "guide",
        "proof",
        "proving",
        "pipeline",
        "publish",
        "reporting",
        "diagnosis",
        "history",
        "joining",
        "recovery",
        "revision",
        "service",
        "show",
        "watching",
        *ROOMS,
        *GROUND,
    },
    "__main__": {"cli"},
    "__init__": {"api", "histories", "season", "storage", *GROUND},
}
ONLY_IN = {
    "can": {"capture/asc_trc.py", "capture/blocks.py", "capture/live.py", "capture/socketcand.py", "capture/mf4.py"},
    "cantools": {"decoding/definitions.py"},
    "tomlkit": {"rosterfile.py"},
    "fsspec": {"storage/reader.py"},
    "paho": {"mqtt.py"},
    "pyarrow.parquet": {"storage/commit.py", "storage/encoding.py", "storage/parts.py"},
    "matplotlib": {"reporting/pictures.py"},
    "bokeh": {"reporting/zoom.py"},
    "jinja2": {"reporting/page.py"},
}
ONLY_IN_ROOM = {"typer": "cli", "distributed": "fleet"}
PURE = ("decoding", "derivation", "findings")


def imports(path: Path) -> list[str]:
    """Full names of the modules that a file imports anywhere in it."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.append(node.module)
    return found


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_go_one_way(path: Path) -> None:
    ours = {name.split(".")[1] for name in imports(path) if name.startswith("canlevel.")}
    assert ours <= ALLOWED[room_of(path)]


@pytest.mark.parametrize("package", ONLY_IN)
def test_libraries_stay_in_their_room(package: str) -> None:
    users = {
        path.relative_to(PACKAGE).as_posix()
        for path in MODULES
        if any(name == package or name.startswith(f"{package}.") for name in imports(path))
    }
    assert users == ONLY_IN[package]


@pytest.mark.parametrize("package", ONLY_IN_ROOM)
def test_libraries_stay_in_their_own_room(package: str) -> None:
    users = {room_of(path) for path in MODULES if any(name.split(".")[0] == package for name in imports(path))}
    assert users == {ONLY_IN_ROOM[package]}


@pytest.mark.parametrize("path", [p for p in MODULES if room_of(p) in PURE], ids=lambda p: p.name)
def test_the_middle_has_no_clock_and_prints_nothing(path: Path) -> None:
    assert not {"time", "os", "sys", "subprocess", "socket"} & set(imports(path))
    calls = {node.func.id for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
             if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}  # fmt: skip
    assert not {"print", "open", "input"} & calls


def test_only_the_command_line_prints() -> None:
    for path in MODULES:
        if room_of(path) in ("cli", "simulate"):  # simulate names the files it wrote, when run as a program
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        assert not [
            node.lineno
            for node in ast.walk(tree)
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
        ], path


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_every_module_says_what_it_is_and_all_is_true(path: Path) -> None:
    name = ".".join(["canlevel", *path.relative_to(PACKAGE).with_suffix("").parts]).removesuffix(".__init__")
    module = importlib.import_module(name)
    assert module.__doc__
    public = getattr(module, "__all__", None)
    if path.name == "__init__.py" and path.parent != PACKAGE:
        return
    assert public is not None
    assert sorted(public) == sorted(set(public))
    for word in public:
        item = getattr(module, word)
        if callable(item) and not isinstance(item, typing._LiteralGenericAlias):  # type: ignore[attr-defined]
            assert item.__doc__, f"{name}.{word} has no docstring"


def test_public_definitions_are_listed() -> None:
    """What a module defines without an underscore and others of ours import is in its __all__."""
    for path in MODULES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("canlevel."):
                home = importlib.import_module(node.module)
                for alias in node.names:
                    if (PACKAGE / Path(*node.module.split(".")[1:]) / f"{alias.name}.py").exists():
                        continue  # a module of a room
                    assert alias.name in home.__all__, f"{path.name} imports {alias.name}, not public in {node.module}"


def test_the_library_offers_what_it_lists() -> None:
    for name in canlevel.__all__:
        assert getattr(canlevel, name).__doc__
    assert set(canlevel.__all__) <= set(dir(canlevel))
    with pytest.raises(AttributeError):
        canlevel.nothing  # noqa: B018


def test_every_package_is_installed() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    listed = set(project["tool"]["setuptools"]["packages"])
    folders = {"canlevel", *(f"canlevel.{p.parent.name}" for p in PACKAGE.glob("*/__init__.py"))}
    assert listed == folders | {"canlevel.dbc", "canlevel.captures"}
    assert project["project"]["version"] == canlevel.__version__
    assert (PACKAGE / "py.typed").is_file()


def test_the_demo_captures_are_what_the_generator_writes() -> None:
    for name, simulation in (("workboat", workboat()), ("clinic-coach", clinic_coach())):
        path = ROOT / "captures" / f"{name}.log.gz"
        assert path.stat().st_size < 1_000_000
        assert gzip.decompress(path.read_bytes()).decode() == simulation.text()


def test_every_capture_says_where_it_comes_from() -> None:
    told = (ROOT / "captures" / "README.md").read_text(encoding="utf-8")
    for path in (ROOT / "captures").iterdir():
        if path.suffix in (".gz", ".toml"):
            assert f"`{path.name}`" in told
