"""ASC and TRC recordings: python-can's readers of them, taught to go on and to count, and to pass over what nobody asked for.

What comes in: a stream of text. What goes out: rows, in a Frames, on their way into blocks.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Collection, Generator, Iterable, Iterator
from itertools import chain
from typing import IO, Any, NamedTuple, cast

import can
import numpy as np
from can.io.trc import TRCFileVersion

from canlevel.capture.blocks import LONGEST_FRAME, block_from, columns_of, flags_of
from canlevel.capture.candump import Block
from canlevel.identifier import carries, pgn_of
from canlevel.tables import EXTENDED, FD

__all__ = ["AscReader", "Frames", "TextLines", "TrcReader"]

BATCH = 20_000
SPARSE = 10 * BATCH  # frames looked at, after which a batch goes out although few of them were wanted
LONGEST_LINE = 1_000_000
TEXT_PIECE = 64 * 1024
REMEMBERED = 100_000  # identifiers

# One frame: time in seconds, channel, identifier, flags, length, data (none of a remote frame), and how many frames were
# passed over before it in its batch.
Row = tuple[float, Any, int, int, int, bytes | bytearray, int]


class Frames:
    """Frames of a text on their way into blocks.

    rows: those that go in. passed: how many others were only counted. wanted: the groups asked for, None for all.
    """

    def __init__(self, channel_code: Callable[[Any], int], wanted: Collection[int] | None) -> None:
        self.rows: list[Row] = []
        self.passed = 0
        self.wanted = wanted
        self._channel_code, self._frames = channel_code, 0

    @property
    def full(self) -> bool:
        return len(self.rows) >= BATCH or self.passed >= SPARSE

    def add(self, message: can.Message) -> None:
        """Take a message of python-can's."""
        remote = message.is_remote_frame
        data = b"" if remote else message.data
        self.rows.append(
            (
                message.timestamp,
                message.channel,
                message.arbitration_id & 0x1FFFFFFF,
                flags_of(message),
                min(message.dlc, LONGEST_FRAME) if remote else len(data),
                data,
                self.passed,
            )
        )

    def piece(self) -> tuple[Block, int]:
        """The block of the frames so far, and how many there were in all. What comes next begins anew."""
        timestamps, channels, identifiers, flags, lengths, datas, passed = columns_of(self.rows, 7)
        first = self._frames + 1
        block = block_from(timestamps, channels, identifiers, flags, lengths, datas, self._channel_code, first)
        block.line += np.array(passed, np.int64)
        if self.wanted is not None:
            block = block.rows(carries(block.identifier, block.flags, self.wanted))
        count = len(self.rows) + self.passed
        self._frames += count
        self.rows.clear()
        self.passed = 0
        return block, count


class _MayBeWanted(dict[str, bool]):
    """Whether a data frame may be asked for, by the text of its identifier.

    Exact where the text fits `form`, whose first group are the hexadecimal digits and whose second is there if there are 29
    bits. Any other text may be asked for, so that its line is looked at.
    """

    def __init__(self, wanted: Collection[int], form: re.Pattern[str]) -> None:
        super().__init__()
        self._wanted, self._form = frozenset(wanted), form

    def __missing__(self, text: str) -> bool:
        found = self._form.fullmatch(text)
        if not found or (identifier := int(found[1], 16)) >= 1 << 29:
            return True
        if len(self) >= REMEMBERED:
            self.clear()
        may_be = self[text] = found[2] is not None and pgn_of(identifier) in self._wanted
        return may_be


class TextLines:
    """The lines of a text recording for python-can's readers, counted, and never much longer than memory likes."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._text = io.TextIOWrapper(stream, encoding="utf-8-sig", errors="replace")
        self._lines = self._split()
        self.number = 0
        self.last = ""

    def __iter__(self) -> Iterator[str]:
        return self._lines

    def _split(self) -> Iterator[str]:
        rest = ""
        while piece := self._text.read(TEXT_PIECE):
            *lines, rest = (rest + piece).split("\n")
            if len(rest) > LONGEST_LINE:
                lines, rest = [*lines, rest], ""
            for line in lines:
                self.number += 1
                self.last = line
                yield line
        if rest:
            self.number += 1
            self.last = rest
            yield rest

    def close(self) -> None:
        self._text.close()


# python-can's text readers stop at the first line they cannot read, or pass over it in silence. These go on and count it.
# They put the frames into `rows` and hand control back from time to time. The lines that nearly every recording consists of,
# data frames, they read themselves as python-can would, and every other line python-can reads.
_ASC_OTHER = re.compile(
    r"\s*(\d+\.\d+\s|//|$|date\s|base\s|(no\s+)?internal\s+events|begin\s+trigger|end\s+trigger|previous log)",
    re.IGNORECASE,
)
_ASC_STAMPED = re.compile(r"\s*\d+\.\d+\s")
_ASC_START = r"\s*(\d+\.\d+)\s+(\d{1,9})\s+([0-9A-Fa-f]{1,8}[xX]?)\s+[RT]x\s+d\s+([0-8])"
_ASC_FRAME_START = re.compile(_ASC_START + r"(?!\S)", re.ASCII)
_ASC_FRAME = re.compile(_ASC_START + r"((?: [0-9A-Fa-f]{2}){0,8})(?!\S)", re.ASCII)
# The same groups; between identifier and length a name, two switches and the length code.
_ASC_FD_FRAME = re.compile(
    r"\s*(\d+\.\d+)\s+CANFD\s+(\d{1,9})\s+[RT]x\s+([0-9A-Fa-f]{1,8}[xX]?)\s+(?:[A-Za-z_][!-~]*\s+)?[01]\s+[01]\s+"
    r"[0-9A-Fa-f]\s+([1-9]\d?)((?: [0-9A-Fa-f]{2}){1,64})(?!\S)",
    re.ASCII,
)
_ASC_IDENTIFIER = re.compile(r"([0-9A-Fa-f]{1,8})([xX])?")
_TRC_IDENTIFIER = re.compile(r"([0-9A-Fa-f]{1,4}|([0-9A-Fa-f]{5,8}))")


def _is_whole(message: can.Message) -> bool:
    """Whether as many data bytes stand in a line as it promises."""
    if message.is_remote_frame:
        return message.dlc >= 0
    return message.is_error_frame or message.dlc == len(message.data)


class AscReader(can.ASCReader):
    """python-can's reader of ASC that goes on after a damaged line; each step may have put many frames into `rows`."""

    # python-can's loop comes back only with a message; where it shall come back without one, this line is put in.
    PAUSE = "0.0 1 0 Rx d 0"

    def __init__(self, lines: TextLines, on_skipped: Callable[[int, str], None], rows: Frames) -> None:
        super().__init__(cast(Any, self._watched()), relative_timestamp=False)
        self._lines, self._on_skipped, self._rows = lines, on_skipped, rows
        self._headed = self._paused = False

    def _watched(self) -> Iterator[str]:
        """The lines that python-can shall read."""
        for line in self._lines:
            yield self._looked_at(line)
            if self._headed:
                break
        lines: Iterable[str] = self._lines
        if _ASC_STAMPED.match(self._lines.last):
            # python-can takes a first frame without "internal events" before it for a header.
            lines = chain((self._lines.last,), lines)
        rows, add = self._rows, self._rows.rows.append
        may_be = None if rows.wanted is None else _MayBeWanted(rows.wanted, _ASC_IDENTIFIER)
        for line in lines:
            if self._converted_base != 16:
                found = None
            elif may_be is not None and (found := _ASC_FRAME_START.match(line)) and not may_be[found[3]]:
                rows.passed += 1
                if rows.passed >= SPARSE:
                    self._paused = True
                    yield self.PAUSE
                continue
            else:
                found = _ASC_FRAME.match(line) or _ASC_FD_FRAME.match(line)
            if found:
                at, channel, identifier, code, digits = found.groups()
                length = int(code)
                if len(digits) >= 3 * length:
                    extended = identifier[-1] in "xX"
                    add(
                        (
                            float(at) + self.start_time,
                            int(channel) - 1,
                            int(identifier[:-1] if extended else identifier, 16),
                            (EXTENDED if extended else 0) | (FD if found.re is _ASC_FD_FRAME else 0),
                            length,
                            bytes.fromhex(digits[: 3 * length]),
                            rows.passed,
                        )
                    )
                    if len(rows.rows) >= BATCH:
                        self._paused = True
                        yield self.PAUSE
                    continue
            yield self._looked_at(line)

    def _looked_at(self, line: str) -> str:
        if not _ASC_OTHER.match(line):
            self._on_skipped(self._lines.number, line)
        return line

    def stop(self) -> None:
        self._lines.close()

    def _extract_header(self) -> None:
        super()._extract_header()
        if self.timestamps_format == "relative":
            # Each time then counts from the event before it, and events that are no frames are not all known.
            raise ValueError("its times count from line to line; export it with absolute time stamps")
        self._headed = True

    def _process_classic_can_frame(self, line: str, msg_kwargs: dict[str, Any]) -> can.Message:
        if self._paused:
            self._paused = False
            return can.Message()
        return self._whole(super()._process_classic_can_frame, line, msg_kwargs)

    def _process_fd_can_frame(self, line: str, msg_kwargs: dict[str, Any]) -> can.Message:
        return self._whole(super()._process_fd_can_frame, line, msg_kwargs)

    def _whole(self, read: Callable[..., can.Message], line: str, msg_kwargs: dict[str, Any]) -> can.Message:
        try:
            message = read(line, msg_kwargs)
            if _is_whole(message):
                self._rows.add(message)
                return message
        except (ValueError, IndexError):
            pass
        self._on_skipped(self._lines.number, self._lines.last)
        return cast(can.Message, None)  # the reader leaves out what is None


class TrcReader(can.TRCReader):
    """python-can's reader of TRC that goes on after a damaged line; each step may have put many frames into `rows`."""

    def __init__(self, lines: TextLines, on_skipped: Callable[[int, str], None], rows: Frames) -> None:
        super().__init__(cast(Any, lines))
        self._lines, self._on_skipped, self._rows = lines, on_skipped, rows

    def __iter__(self) -> Generator[can.Message, None, None]:
        lines = chain((self._extract_header(),), self._lines)
        rows, plain = self._rows, self._plain(self._layout())
        for line in lines:
            if not plain(line) and (stripped := line.strip()) and stripped[0] != ";":
                self._other(stripped)
            if len(rows.rows) >= BATCH or rows.passed >= SPARSE:
                yield can.Message()

    def _other(self, line: str) -> None:
        """Have python-can read a line."""
        try:
            message = self._parse_cols(tuple(line.split(maxsplit=self._num_columns)))
            # A numbered line of another kind is an event; anything else is no line of such a file.
            fits = message is not None or line[0].isdigit()
            if message is not None:
                fits = _is_whole(message)
                if fits:
                    self._rows.add(message)
        except (ValueError, IndexError, KeyError):
            fits = False
        if not fits:
            self._on_skipped(self._lines.number, line)

    def _layout(self) -> _TrcLayout | None:
        version, columns, start_s = self.file_version, self.columns, self._start_time
        if version in (TRCFileVersion.UNKNOWN, TRCFileVersion.V1_0):
            return _TrcLayout(0, 1, 0, (), 2, None, 3, 4)
        if version == TRCFileVersion.V1_1:
            return _TrcLayout(start_s, 1, 2, ("Rx", "Tx"), 3, None, 4, 5)
        if version == TRCFileVersion.V1_3:
            return _TrcLayout(start_s, 1, 3, ("Rx", "Tx"), 4, 2, 6, 7)
        length = "l" if "l" in columns else "L"
        if not {"O", "T", "I", "d", length, "D"} <= set(columns) or columns["D"] != self._num_columns:
            return None
        at = columns.__getitem__
        return _TrcLayout(start_s, at("O"), at("T"), ("DT",), at("I"), columns.get("B"), at(length), at("D"))

    def _plain(self, layout: _TrcLayout | None) -> Callable[[str], bool]:
        """What takes or counts a line that is a classic data frame in the usual form, and tells whether it is."""
        if layout is None:
            return lambda _: False
        start_s, time_at, type_at, types, identifier_at, channel_at, length_at, data_at = layout
        rows, add = self._rows, self._rows.rows.append
        may_be = None if rows.wanted is None else _MayBeWanted(rows.wanted, _TRC_IDENTIFIER)

        def plain(line: str) -> bool:
            words = line.split(None, data_at)
            try:
                if types and words[type_at] not in types:
                    return False
                identifier = words[identifier_at]
                time_s, length = float(words[time_at]) / 1000 + start_s, int(words[length_at])
                if may_be is not None and not may_be[identifier]:
                    rows.passed += 1
                    return True
                if not length and len(words) > data_at:
                    return False  # data, or the word for a remote frame
                digits = words[data_at].rstrip() if length else ""
                data = bytes.fromhex(digits)
                # Nothing but two digits and one space in turn: python-can takes other forms too, or takes them otherwise.
                if len(data) != length or length > 8 or len(digits) > 3 * length or len(digits[2::3].split()):
                    return False
                raw = int(identifier, 16)
                channel = 1 if channel_at is None else int(words[channel_at])
            except (ValueError, IndexError):
                return False
            if not 0 <= raw < 1 << 29:
                return False
            add((time_s, channel, raw, EXTENDED if len(identifier) > 4 else 0, length, data, rows.passed))
            return True

        return plain


class _TrcLayout(NamedTuple):
    """What times count from, in which column of a line each value of a data frame stands, and the words of such a line."""

    start_s: float
    time_at: int
    type_at: int
    types: tuple[str, ...]
    identifier_at: int
    channel_at: int | None
    length_at: int
    data_at: int
