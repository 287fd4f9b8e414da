"""Text through the program's own reader, for tests: from bytes to plain rows."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

import numpy as np

from canlevel.capture.candump import LONGEST_LINE, Block, Reading, TextReader, lines_of
from canlevel.capture.lines import CANDUMP, TextFormat
from canlevel.capture.tally import Tally
from canlevel.capture.text import TextRecording

Row = tuple[int, str | None, int, int, int, int]


def read_text(data: bytes, reader: TextReader | None = None) -> Reading:
    """What a bulk reader (a new one, if none is given) makes of one text."""
    if data and not data.endswith(b"\n"):
        data += b"\n"
    text = np.frombuffer(data + bytes(LONGEST_LINE), np.uint8)
    return (reader or TextReader()).read(lines_of(text, len(data)))


def rows_of(block: Block, channels: Sequence[str | None]) -> list[Row]:
    """(time_us, channel, identifier, flags, length, payload) of each frame."""
    names = [channels[code] for code in block.channel.tolist()]
    columns = (block.time_us, names, block.identifier, block.flags, block.length, block.payload)
    return list(zip(*(column if isinstance(column, list) else column.tolist() for column in columns), strict=True))


class Pieces:
    """Bytes handed out in pieces of given sizes, over and over, as a slow pipe would."""

    def __init__(self, data: bytes, sizes: Iterable[int] = ()) -> None:
        self._data, self._sizes, self._turn = data, list(sizes) or [1 << 30], 0

    def readinto(self, buffer: memoryview, /) -> int:
        n = min(len(buffer), self._sizes[self._turn % len(self._sizes)], len(self._data))
        self._turn += 1
        buffer[:n], self._data = self._data[:n], self._data[n:]
        return n


def recorded(
    data: bytes,
    sizes: Iterable[int] = (),
    *,
    wanted: Collection[int] | None = None,
    threads: int = 1,
    piece: int = 1 << 16,
    text_format: TextFormat = CANDUMP,
) -> tuple[list[tuple[int, Row]], Tally]:
    """((line number, row) of each frame, counts) of a recording that arrives in pieces of these sizes."""
    tally = Tally()
    text = TextRecording(
        "recording", Pieces(data, sizes), tally, wanted=wanted, threads=threads, piece=piece, text_format=text_format
    )
    found: list[tuple[int, Row]] = []
    for block in text.blocks():
        found += zip(block.line.tolist(), rows_of(block, text.channels), strict=True)
    return found, tally
