"""The command line: words to arguments, one library call, its result on the screen. Only this room prints and exits.

A module for each group of commands; heavy packages are imported inside the commands, so that help appears at once.
"""

from __future__ import annotations

from importlib import import_module

from canlevel.cli.program import app
from canlevel.cli.running import run

__all__ = ["app", "run"]

# In the order in which help lists what they bring.
COMMANDS = (
    "looking",
    "watching",
    "buses",
    "roster",
    "prove",
    "calibrate",
    "ahead",
    "storing",
    "revising",
    "report",
    "plot",
    "demo",
    "notebook",
)

for _module in COMMANDS:
    import_module(f"canlevel.cli.{_module}")
