"""MF4 recordings, read by python-can and asammdf in a process of their own, which writes them as candump text.

asammdf's compiled parts can crash on a damaged file, or never come to an end (seen with bit-flipped recordings and asammdf
8.8), and a crash takes its whole process along. Here that is a process whose end is only an answer.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import IO

from canlevel.errors import CaptureError, Place

__all__ = ["Mf4Error", "mf4_text"]

PIECE = 1024 * 1024
SILENCE_S = 120.0  # a large recording takes some time before its first frame comes


class Mf4Error(Exception):
    """The reading process ended early; says why."""


def mf4_text(path: Path, name: str) -> Iterator[bytes]:
    """Pieces of candump log text with the frames of an MF4 file. name: what to call it.

    Raises CaptureError where asammdf is not installed, Mf4Error where the file cannot be read (on).
    """
    if find_spec("asammdf") is None:
        raise CaptureError(
            "MF4 recordings need the package asammdf", where=Place(name), next_step="pip install asammdf"
        )
    command = [sys.executable, "-m", "canlevel.capture.mf4", str(path.absolute())]
    with tempfile.TemporaryFile() as said:
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=said)
        assert process.stdout is not None
        try:
            while True:
                # asammdf can also run in circles on a damaged file.
                watchdog = threading.Timer(SILENCE_S, process.kill)
                watchdog.start()
                piece = process.stdout.read1(PIECE)  # type: ignore[attr-defined]
                watchdog.cancel()
                if not piece:
                    break
                yield piece
            if process.wait():
                raise Mf4Error(_last_words(said))
        finally:
            watchdog.cancel()
            process.kill()
            process.wait()
            process.stdout.close()


def _last_words(said: IO[bytes]) -> str:
    said.seek(0)
    lines = said.read().decode("utf-8", "replace").strip().splitlines()
    # A crash leaves none, and the words of Python objects are no help to anybody.
    return lines[-1] if lines and not re.search(r"<|\b\w*(Error|Exception)\b", lines[-1]) else "it is damaged"


def _write(path: str, out: IO[str]) -> None:
    import can

    for message in can.MF4Reader(path):
        identifier = f"{message.arbitration_id & 0x1FFFFFFF:08X}" if message.is_extended_id else None
        if message.is_error_frame:
            identifier = f"{0x20000000 | message.arbitration_id & 0x1FFFFFFF:08X}"
        identifier = identifier or f"{message.arbitration_id & 0x7FF:03X}"
        data = bytes(message.data or b"").hex().upper()
        body = f"R{message.dlc}" if message.is_remote_frame else f"#0{data}" if message.is_fd else data
        seconds, micros = divmod(round(message.timestamp * 1e6), 1_000_000)
        channel = "mf4" if message.channel is None else message.channel
        out.write(f"({seconds:010d}.{micros:06d}) {channel} {identifier}#{body}\n")


if __name__ == "__main__":
    try:
        _write(sys.argv[1], sys.stdout)
        sys.stdout.flush()
    # Whatever a damaged file leads to, the one who asked wants one line.
    except Exception as error:
        sys.stdout.flush()
        sys.exit(str(error).splitlines()[0] if str(error) else type(error).__name__)
