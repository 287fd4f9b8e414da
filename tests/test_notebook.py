"""The notebook: written out by its command, it runs to its end where nothing is prepared, and draws."""

from __future__ import annotations

import base64
import json
from collections.abc import Callable
from pathlib import Path

import nbformat
from conftest import Result
from nbclient import NotebookClient


def test_the_notebook_runs_and_draws(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    path = tmp_path / "history.ipynb"
    code, output, _ = canlevel("notebook", "-o", str(path))
    assert code == 0
    assert str(path) in output
    book = nbformat.read(path, as_version=4)
    NotebookClient(book, timeout=300, kernel_name="python3", resources={"metadata": {"path": str(tmp_path)}}).execute()
    outputs = [out for cell in book.cells if cell.cell_type == "code" for out in cell.outputs]
    assert not [out for out in outputs if out.output_type in ("error", "stream")]  # no warning either
    pictures = [base64.b64decode(out.data["image/png"]) for out in outputs if "image/png" in out.get("data", {})]
    assert len(pictures) == 6
    assert all(len(picture) > 5_000 for picture in pictures)
    text = "".join(out.data.get("text/html", "") for out in outputs if "data" in out)
    assert text.count("Clinic coach South") > 2
    assert ">leak<" in text  # the one that the season holds
    assert {folder.name for folder in (tmp_path / "fleet").iterdir()} == {"coach-1", "coach-2", "coach-3"}


def test_a_notebook_that_is_there_is_kept(tmp_path: Path, canlevel: Callable[..., Result]) -> None:
    path = tmp_path / "history.ipynb"
    path.write_text("mine")
    code, _, errors = canlevel("notebook", "-o", str(path))
    assert code == 2
    assert "already" in errors
    assert "--force" in errors
    assert path.read_text() == "mine"
    assert canlevel("notebook", "-o", str(path), "--force")[0] == 0
    assert json.loads(path.read_text())["nbformat"] == 4
    code, _, errors = canlevel("notebook", "-o", str(tmp_path / "nowhere" / "history.ipynb"))
    assert code == 2
    assert "Traceback" not in errors


def test_the_shipped_notebook_has_no_outputs() -> None:
    import canlevel as library

    book = json.loads((Path(library.__file__).parent / "notebook.ipynb").read_text(encoding="utf-8"))
    assert [cell["outputs"] for cell in book["cells"] if cell["cell_type"] == "code"] == [[]] * 11
