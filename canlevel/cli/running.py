"""From the words of a call to an exit code: errors told, interrupts kept, a closed pipe borne."""

from __future__ import annotations

import os
import sys
import warnings
from pathlib import Path
from typing import Any

import typer

from canlevel.cli.interrupts import noting_interrupts
from canlevel.cli.options import BAD_CALL, INTERRUPTED
from canlevel.cli.program import app
from canlevel.errors import CanlevelError

__all__ = ["run"]


def run(arguments: list[str] | None = None) -> int:
    """Run the command line; returns the exit code: 0 done, 2 the call or the input is wrong, 130 interrupted."""
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # closed by whoever started us
            setattr(sys, name, Path(os.devnull).open("w"))  # noqa: SIM115
        stream = getattr(sys, name)
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="replace")
    warnings.showwarning = _tell_warning
    try:
        with noting_interrupts():
            code = _invoke(sys.argv[1:] if arguments is None else arguments)
        sys.stdout.flush()
        return code
    except CanlevelError as error:
        _flush()
        print("\n".join([f"error: {error}", *getattr(error, "__notes__", [])]), file=sys.stderr)
        return BAD_CALL
    except BrokenPipeError:
        # The reader of our output has seen enough (head, less): that is no fault. What is left goes nowhere.
        _drop_output()
        return 0
    except KeyboardInterrupt:
        return INTERRUPTED
    except OSError as error:
        # What the machine refuses, a full disk behind standard output for one, is not ours to trace.
        _drop_output()
        where = f"{error.filename}: " if error.filename else ""
        print(f"error: {where}{error.strerror or error}", file=sys.stderr)
        return BAD_CALL


def _tell_warning(message: Warning | str, *_: Any, **__: Any) -> None:
    from canlevel.errors import printable

    print(f"note: {printable(str(message))}", file=sys.stderr)


def _invoke(arguments: list[str]) -> int:
    """Run one command. Not by typer's own way, which turns a closed pipe into exit code 1."""
    command = typer.main.get_command(app)
    try:
        with command.make_context("canlevel", list(arguments)) as context:
            command.invoke(context)
    except typer.Exit as ending:
        return ending.exit_code
    except typer.Abort:
        return INTERRUPTED
    except Exception as error:
        # A wrong option or argument: typer explains it and shows how the command is called.
        show = getattr(error, "show", None)
        if show is None:
            raise
        show()
        return BAD_CALL
    return 0


def _flush() -> None:
    try:
        sys.stdout.flush()
    except OSError:
        _drop_output()


def _drop_output() -> None:
    """Let what is still buffered for standard output go nowhere, so that leaving does not fail on it again."""
    try:
        descriptor = sys.stdout.fileno()
    except (OSError, ValueError):
        return
    os.dup2(os.open(os.devnull, os.O_WRONLY), descriptor)
