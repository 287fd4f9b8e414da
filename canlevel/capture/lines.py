"""One line of a text with a frame a line (candump's log and console, python-can's CSV): what it says and where it says it.

This is the definition of those formats. The bulk reader (candump.py) learns the layout of whole groups of lines from
the spans given here, so both read the same text the same way.

Sources: Debian manual page candump(1), options -l, -L, -t, -x, -a; Linux include/uapi/linux/can.h and can/error.h for
the flag bits of an 8-digit identifier; python-can's documentation of CSVWriter for the columns of its CSV.
"""

from __future__ import annotations

import base64
import binascii
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from canlevel.tables import ERROR_FRAME, EXTENDED, FD, REMOTE, UNKNOWN_TIME_US

__all__ = ["CANDUMP", "CSV", "Line", "TextFormat", "dropped_frames", "local_second_us", "parse_csv_line", "parse_line"]

_TIME = rb"\((?:(?P<seconds>\d{1,11})|(?P<date>\d{4}-\d\d-\d\d \d\d:\d\d:\d\d))\.(?P<fraction>\d{1,9})\)\s+"
_CHANNEL = rb"(?P<channel>[^\s#()\[][^\s#()]*)\s+"  # no bracket first: that is the console's length
_IDENTIFIER = rb"(?P<identifier>[0-9A-Fa-f]{8}|[0-9A-Fa-f]{3})"
_LOG = re.compile(rb"\s*" + _TIME + _CHANNEL + _IDENTIFIER + rb"#(?P<body>\S*)(?:\s+[RT])?\s*")
# Only the console form may lack a time stamp: a log line without one is a line that was cut.
_CONSOLE = re.compile(
    rb"\s*(?:" + _TIME + rb")?" + _CHANNEL + rb"(?:[RT]X\s+[B-]\s+[E-]\s+)?" + _IDENTIFIER
    + rb"\s+\[(?P<length>\d{1,2})\](?P<data>(?:\s+[0-9A-Fa-f]{2}(?=\s|$))*)"
    # Blanks stand within the choice, for two runs of them side by side take the square of their length to fail.
    + rb"(?:\s*(?P<rest>'.*'|ERRORFRAME|remote request))?\s*"
)  # fmt: skip
_CSV = re.compile(
    rb"\s*(?P<seconds>\d{1,11})(?:\.(?P<fraction>\d{1,9}))?,0x(?P<identifier>[0-9A-Fa-f]{1,8}),(?P<extended>[01]),"
    rb"(?P<remote>[01]),(?P<error>[01]),(?P<length>\d{1,2}),(?P<data>[0-9A-Za-z+/]*={0,2})\s*"
)
_REMOTE_BODY = re.compile(rb"R([0-8])?(?:_[9A-Fa-f])?")
_DATA_BODY = re.compile(rb"(?P<data>(?:[0-9A-Fa-f]{2}\.?)*)(?:_[9A-Fa-f])?")
_FD_BODY = re.compile(rb"#[0-9A-Fa-f](?P<data>(?:[0-9A-Fa-f]{2}\.?)*)")
_PAIR = re.compile(rb"[0-9A-Fa-f]{2}")
_DROPCOUNT = re.compile(rb"\s*DROPCOUNT: dropped (\d{1,12}) CAN frames?\b.*", re.DOTALL)

_CAN_EFF_FLAG, _CAN_RTR_FLAG, _CAN_ERR_FLAG = 0x80000000, 0x40000000, 0x20000000
_LONGEST = {0: 8, FD: 64}
MICROSECOND_DIGITS = 6


@dataclass(frozen=True, slots=True)
class Line:
    """One frame of text. Spans are (start, end) in the line; `data` holds the place of each byte's first hex digit.

    packed: where the data stand in base64 instead. whole_flags: whether `flags` is all there is, so that the identifier has no
    bits of its own for them, and any number of digits. rounded: whether digits finer than a microsecond are rounded, which
    is right where they come from a float, and not cut.
    """

    seconds: tuple[int, int] | None
    date: tuple[int, int] | None
    fraction: tuple[int, int] | None
    channel: tuple[int, int] | None
    identifier: tuple[int, int]
    flags: int  # what the layout tells: remote or FD; the identifier tells the rest
    length: int
    data: tuple[int, ...]
    free: tuple[int, int] | None = None  # text that may differ from line to line without meaning: the ASCII column
    packed: tuple[int, int] | None = None
    whole_flags: bool = False
    rounded: bool = False

    def time_us(self, line: bytes) -> int:
        """Integer microseconds as written, UNKNOWN_TIME_US without a stamp; finer digits are cut off (see rounded)."""
        if self.fraction is None:
            return UNKNOWN_TIME_US
        digits = line[slice(*self.fraction)]
        fraction = int(digits[:MICROSECOND_DIGITS].ljust(MICROSECOND_DIGITS, b"0"))
        if self.rounded and digits[MICROSECOND_DIGITS : MICROSECOND_DIGITS + 1] >= b"5":
            fraction += 1
        if self.seconds is not None:
            return int(line[slice(*self.seconds)]) * 1_000_000 + fraction
        assert self.date is not None
        return local_second_us(line[slice(*self.date)]) + fraction

    def channel_name(self, line: bytes) -> bytes:
        """The channel as written, empty where the format tells none."""
        return b"" if self.channel is None else line[slice(*self.channel)]

    def identified(self, line: bytes) -> tuple[int, int]:
        """(identifier, flags)."""
        digits = line[slice(*self.identifier)]
        if self.whole_flags:
            return int(digits, 16), self.flags
        identified = identifier_and_flags(int(digits, 16), len(digits))
        assert identified is not None  # the parser refuses others
        return identified[0], identified[1] | self.flags

    def payload(self, line: bytes) -> int:
        """The first eight data bytes as an integer, byte 0 lowest."""
        if self.packed is not None:
            return int.from_bytes(base64.b64decode(line[slice(*self.packed)])[:8], "little")
        return int.from_bytes(bytes(int(line[at : at + 2], 16) for at in self.data[:8]), "little")


@dataclass(frozen=True, slots=True)
class TextFormat:
    """A text with a frame a line. parse: what one line says, or None if it is not a whole CAN frame. head: lines that are none
    and are expected."""

    parse: Callable[[bytes], Line | None]
    head: re.Pattern[bytes] | None = None


def parse_line(line: bytes) -> Line | None:
    """What one line says, or None if it is not a whole CAN frame (cut, wrong hex, no frame at all, CAN XL)."""
    match = _LOG.fullmatch(line)
    if match is not None:
        body, at = match["body"], match.start("body")
        if body.startswith(b"R"):
            remote = _REMOTE_BODY.fullmatch(body)
            return remote and _line(match, REMOTE, int(remote[1] or 0), ())
        flags = FD if body.startswith(b"#") else 0
        parts = (_FD_BODY if flags else _DATA_BODY).fullmatch(body)
        if parts is None:
            return None
        data = tuple(at + pair for pair in _pairs(parts))
        return _line(match, flags, len(data), data)
    match = _CONSOLE.fullmatch(line)
    if match is None:
        return None
    flags = FD if len(match["length"]) > 1 else 0
    length = int(match["length"])
    if match["rest"] == b"remote request":
        return None if match["data"] or flags else _line(match, REMOTE, length, ())
    data = tuple(_pairs(match))
    return _line(match, flags, length, data) if len(data) == length else None


def parse_csv_line(line: bytes) -> Line | None:
    """As parse_line, for a line of python-can's CSV: time, identifier, extended, remote, error, length, data in base64."""
    match = _CSV.fullmatch(line)
    if match is None:
        return None
    extended, remote, error = (match[name] == b"1" for name in ("extended", "remote", "error"))
    length, identifier = int(match["length"]), int(match["identifier"], 16)
    try:
        data = base64.b64decode(match["data"], validate=True)
    except binascii.Error:
        return None
    # The same that python-can checks of a message.
    if identifier > (0x1FFFFFFF if extended else 0x7FF) or length > _LONGEST[0] or (remote and error):
        return None
    if len(data) != (0 if remote else length):
        return None
    return Line(
        seconds=match.span("seconds"),
        date=None,
        fraction=match.span("fraction") if match["fraction"] else (match.end("seconds"), match.end("seconds")),
        channel=None,
        identifier=match.span("identifier"),
        flags=extended * EXTENDED | remote * REMOTE | error * ERROR_FRAME,
        length=length,
        data=(),
        packed=match.span("data") if data else None,
        whole_flags=True,
        rounded=True,
    )


CANDUMP = TextFormat(parse_line)
CSV = TextFormat(parse_csv_line, re.compile(rb"\s*timestamp,arbitration_id,.*", re.DOTALL))


def _pairs(match: re.Match[bytes]) -> list[int]:
    return [pair.start() for pair in _PAIR.finditer(match.string, *match.span("data"))]


def _line(match: re.Match[bytes], flags: int, length: int, data: tuple[int, ...]) -> Line | None:
    if length > _LONGEST[flags & FD]:
        return None
    groups = match.groupdict()
    if identifier_and_flags(int(groups["identifier"], 16), len(groups["identifier"])) is None:
        return None
    if groups["date"] is not None and not _is_date(groups["date"]):
        return None
    span = {name: match.span(name) if text is not None else None for name, text in groups.items()}
    channel, identifier = span["channel"], span["identifier"]
    assert channel is not None
    assert identifier is not None
    free = span.get("rest") if flags != REMOTE else None
    return Line(span["seconds"], span["date"], span["fraction"], channel, identifier, flags, length, data, free)


def identifier_and_flags(number: int, digits: int) -> tuple[int, int] | None:
    """(identifier, flags) of an identifier written as 3 or 8 hex digits, or None where the number is out of range."""
    if digits == 3:
        return (number, 0) if number <= 0x7FF else None
    if number & _CAN_ERR_FLAG:
        return number & 0x1FFFFFFF, ERROR_FRAME
    return number & 0x1FFFFFFF, EXTENDED | (REMOTE if number & _CAN_RTR_FLAG else 0)


def dropped_frames(line: bytes) -> int | None:
    """Frames that the recorder says it dropped, if this is such a line (candump -l writes them itself)."""
    match = _DROPCOUNT.fullmatch(line)
    return int(match[1]) if match else None


def local_second_us(text: bytes) -> int:
    """Microseconds since 1970 of "2026-05-01 08:00:00" in this computer's time zone, which is how candump -t A writes it.

    Raises ValueError where there is no such date or hour.
    """
    moment = datetime.strptime(text.decode("ascii"), "%Y-%m-%d %H:%M:%S")
    return int(moment.timestamp()) * 1_000_000


def _is_date(text: bytes) -> bool:
    try:
        local_second_us(text)
    except (ValueError, OverflowError, OSError):
        return False
    return True
