"""One text recording, from its stream to blocks of frames: everything of it, or what some PGNs need.

What comes in: a stream of bytes. What goes out: blocks in the order of the text, and counts in a Tally.
"""

from __future__ import annotations

import time
from collections.abc import Collection, Iterator
from dataclasses import dataclass

import numpy as np

from canlevel.capture.candump import Block, Lines, Reading, TextReader
from canlevel.capture.lines import CANDUMP, TextFormat
from canlevel.capture.pieces import LineFeed, Piece, Readable, Room, ThreadRooms, in_order
from canlevel.capture.tally import Tally
from canlevel.errors import CaptureError, Place

__all__ = ["TextRecording"]

FIRST_PIECE = 1024 * 1024
LOOKED_AT_CLOSELY = 20_000  # lines at the beginning that are read whole, whatever is wanted
PIECE = 2 * 1024 * 1024
PIECES_AS_ONE = 2  # where every line is read: threads wait less for one another over larger arrays
AHEAD, AHEAD_PICKED = 2, 24  # pieces for each thread
MANY = 4096  # lines of one piece that are read by the thread that picked them
BATCH_ROWS = 32_768  # lines picked that are read together
BATCH_PIECES = 64  # pieces after which a batch is handed out, however small, so that progress shows


@dataclass(slots=True)
class _Worked:
    """What one thread made of a piece: its frames, or the lines it picked for being read later."""

    number: int
    full: bool
    lines: int
    passed: int
    what: Reading | Lines


class TextRecording:
    """The frames of one text, which may arrive in pieces of any size.

    wanted: the PGNs that matter. Without them every line is read to the last digit. With them so are the first 20,000 lines;
    of the others those that by their identifier are something else are only counted, as the frames that they look like.
    threads: how many work on it; with one a piece is read as it arrives. channels: their names, for the codes in the blocks.
    """

    def __init__(
        self,
        name: str,
        stream: Readable,
        tally: Tally,
        *,
        wanted: Collection[int] | None = None,
        threads: int = 1,
        piece: int | None = None,
        text_format: TextFormat = CANDUMP,
    ) -> None:
        self.channels: list[str | None] = []
        self._name, self._tally, self._wanted, self._threads = name, tally, wanted, threads
        self._piece = piece or (PIECES_AS_ONE * PIECE if wanted is None else PIECE)
        self._feed = LineFeed(stream)
        self._reader = TextReader(text_format)
        self._rooms = ThreadRooms(self._piece)
        self._lines = 0
        self._waiting: list[Reading | Lines] = []

    def blocks(self) -> Iterator[Block]:
        """Blocks of frames in the order of the text; some may be empty. What was not asked for may be among them."""
        room = Room(min(FIRST_PIECE, self._piece))
        first = 0
        while self._lines < LOOKED_AT_CLOSELY and (piece := self._feed.take(room)) is not None:
            reading = self._placed(_worked(piece, self._reader.read(piece.lines.without_empty())))
            assert isinstance(reading, Reading)
            yield self._counted(reading)
            first = piece.number + 1
        rows = pieces = 0
        for worked in in_order(self._work, self._threads, first, self._ahead()):
            placed = self._placed(worked)
            if self._wanted is None and isinstance(placed, Reading):
                yield self._counted(placed)
                continue
            self._waiting.append(placed)
            rows += len(placed.block.line if isinstance(placed, Reading) else placed)
            pieces += 1
            if rows >= BATCH_ROWS or pieces >= BATCH_PIECES or not worked.full:
                yield self._read_waiting()
                rows = pieces = 0
        if self._waiting:
            yield self._read_waiting()
        if self._feed.fault is not None:
            raise CaptureError(
                f"cannot be read any further ({self._feed.fault.strerror})",
                where=Place(self._name, self._lines),
                next_step="check the disk or the connection it is on",
            ) from self._feed.fault

    def _ahead(self) -> int:
        """Pieces worked out before they are needed: few where each is large in columns, more where little is picked of each."""
        return (AHEAD if self._wanted is None else AHEAD_PICKED) * self._threads

    def _work(self) -> _Worked | None:
        piece = self._feed.take(self._rooms.room)
        if piece is None:
            return None
        lines = piece.lines.without_empty()
        if self._wanted is None:
            return _worked(piece, self._reader.read(lines))
        passed, rows = self._reader.pick(lines, self._wanted)
        picked = lines.rows(rows)
        return _worked(piece, self._reader.read(picked) if len(rows) > MANY else picked.copied(), passed)

    def _placed(self, worked: _Worked) -> Reading | Lines:
        """What was worked out of the next piece, counted, with its line numbers in the whole text."""
        what, before = worked.what, self._lines
        self._lines += worked.lines
        self._tally.frames += worked.passed
        if isinstance(what, Lines):
            what.numbers += before
            return what
        what.block.line += before
        if what.first_skipped is not None:
            number, line = what.first_skipped
            what.first_skipped = (number + before, line)
        if what.first_dropped is not None:
            number, line = what.first_dropped
            what.first_dropped = (number + before, line)
        return what

    def _read_waiting(self) -> Block:
        """One block of what has been waiting; lines that follow one another are read together, as columns like it."""
        blocks: list[Block] = []
        together: list[Lines] = []
        for item in [*self._waiting, None]:
            if isinstance(item, Lines):
                together.append(item)
                continue
            if together:
                blocks.append(self._counted(self._reader.read(Lines.joined(together))))
                together = []
            if item is not None:
                blocks.append(self._counted(item))
        self._waiting = []
        return blocks[0] if len(blocks) == 1 else Block.joined(blocks)

    def _counted(self, reading: Reading) -> Block:
        """The block of a reading, with channel codes of the whole recording, and everything counted."""
        self._count(reading)
        return self._named(reading)

    def _named(self, reading: Reading) -> Block:
        block = reading.block
        if reading.channels == self.channels[: len(reading.channels)]:
            return block
        # Which layout was met first is a matter of chance among threads; names are numbered as they come in the text.
        new = [code for code, name in enumerate(reading.channels) if name not in self.channels]
        new = [code for code in new if (block.channel == code).any()]
        for code in sorted(new, key=lambda code: int(np.argmax(block.channel == code))):
            self.channels.append(reading.channels[code])
        known = {name: code for code, name in enumerate(self.channels)}
        codes = np.array([known.get(name, 0) for name in reading.channels], np.int32)
        if len(codes):
            block.channel = codes[block.channel]
        return block

    def _count(self, reading: Reading) -> None:
        tally = self._tally
        tally.frames += len(reading.block.line)
        tally.skipped += reading.skipped
        tally.dropped += reading.dropped
        if reading.first_dropped is not None and tally.first_dropped is None:
            number, line = reading.first_dropped
            tally.first_dropped = Place(self._name, number, line.decode("utf-8", "replace"))
        if reading.first_skipped is not None and tally.first_skipped is None:
            number, line = reading.first_skipped
            tally.first_skipped = Place(self._name, number, line.decode("utf-8", "replace"))
        if reading.dated_locally:
            tally.note(
                f"{self._name}: its dates carry no time zone and are read in this computer's ({time.strftime('%Z')}). "
                "Next: set the variable TZ if the recorder's was another, for example TZ=Europe/Oslo"
            )


def _worked(piece: Piece, what: Reading | Lines, passed: int = 0) -> _Worked:
    return _Worked(piece.number, piece.full, len(piece.lines), passed, what)
