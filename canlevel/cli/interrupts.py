"""Ctrl-C, kept note of wherever it was pressed."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

__all__ = ["interrupts", "noting_interrupts"]

interrupts: list[int] = []


@contextmanager
def noting_interrupts() -> Iterator[None]:
    """Keep note of Ctrl-C: Python drops a KeyboardInterrupt that is raised inside a callback, an import's for one."""

    def interrupt(number: int, _: Any) -> None:
        interrupts.append(number)
        raise KeyboardInterrupt

    interrupts.clear()
    if signal.getsignal(signal.SIGINT) is not signal.default_int_handler:
        yield  # ignored, or handled by whoever called us
        return
    signal.signal(signal.SIGINT, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, signal.default_int_handler)
