"""The folders that ship with the program: dbc/ and captures/.

A wheel holds them inside the package; in a checkout they stand beside it, also when Python is started there and finds the
checkout's package before an installed one.
"""

from __future__ import annotations

from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path

__all__ = ["shipped", "shipped_notebook"]


def shipped(folder: str) -> Traversable:
    """The folder "dbc" or "captures"."""
    inside = resources.files("canlevel") / folder
    return inside if inside.is_dir() else Path(__file__).parent.parent / folder


def shipped_notebook() -> bytes:
    """The notebook that looks at histories."""
    return (resources.files("canlevel") / "notebook.ipynb").read_bytes()
