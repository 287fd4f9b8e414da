"""Messages that come in many frames, put together again by a listener: frames in, whole messages out.

Two ways of sending them:
- NMEA 2000 fast packets (facts from memory): byte 0 is a sequence counter (3 bits) and the number of the frame (5 bits);
  frame 0 has the length in byte 1 and six bytes, the others have seven each; at most 223 bytes.
- The transport protocol of SAE J1939-21 (from memory), which RV-C and NMEA 2000 share: PGN 60416 announces, PGN 60160 carries
  seven bytes a packet, 9 to 1785 bytes in all. To everybody (BAM): packets follow one another. To one address (RTS): it asks
  for packets (CTS), again where it missed some, until it acknowledges the end; either side may abort.

Frames get lost and doubled, recordings begin in the middle and lengths lie. That no message is put together from two matters
more than to get one more. So
- fast packets and broadcasts count up without a gap; a frame that is exactly the one before it is a double and is ignored;
- no pause within a message is longer than the standard's, where times are known, in whichever direction the clock goes;
- a fast packet that stands still while four newer ones of its kind begin is over: the counter is half-way round, and the next
  frame with its number may be of another message;
- packets to one address may be missing until they are asked for again; what is asked for again has to come again.
What no listener can tell: two messages, within such a pause and with one counter, the first of which lost its second half and
the second its first half; and whether a message of one frame that comes again at once is a double or was sent twice.

State is bounded: 32 unfinished messages of each sender on each channel, the oldest of which goes first.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.identifier import carries, pgn_of, pgns, source_addresses
from canlevel.tables import UNKNOWN_TIME_US, codes_of, rows_at, times_us, values_of

__all__ = ["CONFIGURATION_INFORMATION", "PRODUCT_INFORMATION", "Assembled", "Assembler"]

PRODUCT_INFORMATION, CONFIGURATION_INFORMATION = 126996, 126998
CONTROL, PACKETS = 60416, 60160
TO_ALL = 255

# First bytes of PGN 60416.
RTS, CTS, END, BROADCAST, ABORT = 16, 17, 19, 32, 255

FAST_LONGEST = 223
TRANSPORT_SHORTEST, TRANSPORT_LONGEST = 9, 1785
FRAME_BYTES = 7  # of data, beside the byte that counts

# Longest pauses, from memory: T1 of J1939-21 within a broadcast, and the same for fast packets; T2 and T3 where it is answered.
PATIENCE_US = 750_000
ANSWERED_PATIENCE_US = 1_250_000

HALF_ROUND = 4
MOST_OPEN = 32


@dataclass(frozen=True, slots=True)
class Assembled:
    """One whole message. destination: 255 is all. Times in microseconds since 1970, UNKNOWN_TIME_US where unknown.

    time_us: of its last frame; first_time_us and line: of its first, which is the announcement where there is one. frames: of
    its sender, the announcement counted and doubles not.
    """

    channel: str | None
    source_address: int
    destination: int
    pgn: int
    data: bytes
    time_us: int
    first_time_us: int
    line: int
    frames: int


@dataclass(slots=True)
class _Frame:
    """One frame of a message in parts. data: the bytes that it has, at most eight."""

    channel: str | None
    source: int
    destination: int
    pgn: int
    data: bytes
    time_us: int
    line: int


@dataclass(slots=True)
class _InOrder:
    """A fast packet or a broadcast under way. number, last: of the last frame taken."""

    pgn: int
    size: int
    first: _Frame
    data: bytes
    last: bytes
    time_us: int
    number: int = 0
    newer: int = 0  # fast packets of its kind that began since


@dataclass(slots=True)
class _Answered:
    """A message to one address under way. parts: what has come, by packet. number, last: of the last frame taken."""

    pgn: int
    size: int
    first: _Frame
    last: bytes
    time_us: int
    number: int = 0
    parts: dict[int, bytes] = field(default_factory=dict)

    @property
    def packets(self) -> int:
        return -(-self.size // FRAME_BYTES)


# What tells the unfinished messages of a sender apart: PGN of the frames, destination, sequence counter.
_Key = tuple[int, int, int]
_Open = dict[_Key, _InOrder | _Answered]


class Assembler:
    """Puts messages together from batches of frames; what is unfinished is carried from one batch to the next."""

    def __init__(self, fast_packets: Collection[int] = (PRODUCT_INFORMATION, CONFIGURATION_INFORMATION)) -> None:
        """fast_packets: the PGNs that are sent as fast packets, which no frame tells of itself."""
        self._wanted = frozenset((*fast_packets, CONTROL, PACKETS))
        self._senders: dict[tuple[str | None, int], _Open] = {}

    def add(self, frames: pa.Table) -> list[Assembled]:
        """The messages that `frames` (FRAMES, in the order they came) complete, in the order of their last frames.

        Frames of other PGNs are ignored. The messages are the same however the stream is cut into batches. Never raises for
        what devices send.
        """
        found = []
        for frame in _frames(frames, self._wanted):
            if frame.pgn == PACKETS:
                message = self._packet(frame)
            elif frame.pgn == CONTROL:
                message = self._control(frame)
            else:
                message = self._fast(frame)
            if message is not None:
                found.append(message)
        return found

    def _fast(self, frame: _Frame) -> Assembled | None:
        if not frame.data:
            return None
        counter, number = divmod(frame.data[0], 32)
        key = (frame.pgn, frame.destination, counter)
        open_messages = self._of(frame)
        message = _fresh(open_messages, key, frame.time_us)
        if message is not None and _is_double(message, frame, number):
            return None
        if number:
            return _next(open_messages, key, frame, number)
        open_messages.pop(key, None)
        size = frame.data[1] if len(frame.data) > 1 else 0
        part = frame.data[2 : 2 + size]
        if not 0 < size <= FAST_LONGEST or len(part) < min(size, FRAME_BYTES - 1):
            return None
        for other_key, other in list(open_messages.items()):
            if other_key[:2] == key[:2] and isinstance(other, _InOrder):
                other.newer += 1
                if other.newer == HALF_ROUND:
                    del open_messages[other_key]
        begun = _InOrder(frame.pgn, size, frame, part, frame.data, frame.time_us)
        _insert(open_messages, key, begun)
        # A message of one frame stays, so that its double is known for one.
        return _whole(begun.first, begun.pgn, part, frame.time_us, 1) if len(part) == size else None

    def _control(self, frame: _Frame) -> Assembled | None:
        kind = frame.data[0] if frame.data else None
        if kind in (BROADCAST, RTS):
            self._announce(frame)
        elif len(frame.data) < 8:
            return None
        elif kind == CTS:
            self._ask(frame)
        elif kind == END:
            self._of_receiver(frame).pop(_answered_key(frame.source), None)
        elif kind == ABORT:
            # Either side may abort.
            self._close(self._of_receiver(frame), frame.source, _announced_pgn(frame))
            self._close(self._of(frame), frame.destination, _announced_pgn(frame))
        return None

    def _announce(self, frame: _Frame) -> None:
        key = _answered_key(frame.destination)
        open_messages = self._of(frame)
        message = _fresh(open_messages, key, frame.time_us)
        if message is not None and _is_double(message, frame, 0):
            return
        # Whatever is announced, what was announced before is over.
        open_messages.pop(key, None)
        if len(frame.data) < 8 or (frame.data[0] == BROADCAST) != (frame.destination == TO_ALL):
            return
        pgn, size = _announced_pgn(frame), int.from_bytes(frame.data[1:3], "little")
        if pgn is None or not TRANSPORT_SHORTEST <= size <= TRANSPORT_LONGEST:
            return
        if frame.data[3] != -(-size // FRAME_BYTES):
            return
        if frame.data[0] == BROADCAST:
            _insert(open_messages, key, _InOrder(pgn, size, frame, b"", frame.data, frame.time_us))
        else:
            _insert(open_messages, key, _Answered(pgn, size, frame, frame.data, frame.time_us))

    def _packet(self, frame: _Frame) -> Assembled | None:
        if not frame.data:
            return None
        key = _answered_key(frame.destination)
        open_messages = self._of(frame)
        message = _fresh(open_messages, key, frame.time_us)
        number = frame.data[0]
        if message is None or _is_double(message, frame, number):
            return None
        if isinstance(message, _InOrder):
            return _next(open_messages, key, frame, number)
        wanted = max(0, min(FRAME_BYTES, message.size - FRAME_BYTES * (number - 1)))
        part = frame.data[1 : 1 + wanted]
        if not message.number < number <= message.packets or len(part) < wanted:
            del open_messages[key]
            return None
        message.parts[number] = part
        message.number, message.last, message.time_us = number, frame.data, frame.time_us
        if len(message.parts) < message.packets:
            return None
        del open_messages[key]
        data = b"".join(message.parts[n] for n in range(1, message.packets + 1))
        return _whole(message.first, message.pgn, data, frame.time_us, 1 + message.packets)

    def _ask(self, frame: _Frame) -> None:
        """The receiver asks for packets; those that have come already will come again, and what they were is forgotten."""
        key, open_messages = _answered_key(frame.source), self._of_receiver(frame)
        message = _fresh(open_messages, key, frame.time_us)
        if not isinstance(message, _Answered):
            return
        count, first = frame.data[1], frame.data[2]
        if message.pgn != _announced_pgn(frame):
            del open_messages[key]
            return
        message.time_us = frame.time_us
        if count == 0:  # not now
            return
        # What it does not ask for it has; where we have not, the message is lost to us.
        if not 1 <= first <= message.packets or any(n not in message.parts for n in range(1, first)):
            del open_messages[key]
            return
        for number in range(first, first + count):
            message.parts.pop(number, None)
        message.number = first - 1

    def _of(self, frame: _Frame) -> _Open:
        return self._senders.setdefault((frame.channel, frame.source), {})

    def _of_receiver(self, frame: _Frame) -> _Open:
        """The messages of the sender that a receiver's frame speaks of."""
        return self._senders.get((frame.channel, frame.destination), {})

    @staticmethod
    def _close(open_messages: _Open, destination: int, pgn: int | None) -> None:
        key = _answered_key(destination)
        message = open_messages.get(key)
        if message is not None and message.pgn == pgn:
            del open_messages[key]


def _is_double(message: _InOrder | _Answered, frame: _Frame, number: int) -> bool:
    """Whether a frame is the one taken last, come again."""
    if message.number != number or message.last != frame.data:
        return False
    message.time_us = frame.time_us
    if isinstance(message, _InOrder):
        message.newer = 0
    return True


def _next(open_messages: _Open, key: _Key, frame: _Frame, number: int) -> Assembled | None:
    """Takes a frame that is not the first of a message in order, if it is the one that has to come."""
    message = open_messages.get(key)
    if not isinstance(message, _InOrder):
        return None
    wanted = min(FRAME_BYTES, message.size - len(message.data))
    part = frame.data[1 : 1 + wanted]
    if number != message.number + 1 or not wanted or len(part) < wanted:
        del open_messages[key]
        return None
    message.data += part
    message.number, message.last, message.time_us, message.newer = number, frame.data, frame.time_us, 0
    if len(message.data) < message.size:
        return None
    del open_messages[key]
    return _whole(message.first, message.pgn, message.data, frame.time_us, 1 + number)


def _fresh(open_messages: _Open, key: _Key, time_us: int) -> _InOrder | _Answered | None:
    """The unfinished message of `key`; one that has waited too long is dropped."""
    message = open_messages.get(key)
    if message is None:
        return None
    if UNKNOWN_TIME_US not in (message.time_us, time_us):
        patience_us = PATIENCE_US if isinstance(message, _InOrder) else ANSWERED_PATIENCE_US
        # A clock that was set back by more says nothing about the pause.
        if abs(time_us - message.time_us) > patience_us:
            del open_messages[key]
            return None
    return message


def _insert(open_messages: _Open, key: _Key, message: _InOrder | _Answered) -> None:
    if len(open_messages) >= MOST_OPEN:
        del open_messages[next(iter(open_messages))]
    open_messages[key] = message


def _answered_key(destination: int) -> _Key:
    """A sender has one message by the transport protocol under way to each destination."""
    return (PACKETS, destination, 0)


def _announced_pgn(frame: _Frame) -> int | None:
    """The PGN that a frame of PGN 60416 speaks of, None where it is no number of 18 bits."""
    pgn = int.from_bytes(frame.data[5:8], "little")
    return pgn_of(pgn << 8) if pgn < 1 << 18 else None


def _whole(first: _Frame, pgn: int, data: bytes, time_us: int, frames: int) -> Assembled:
    return Assembled(
        channel=first.channel,
        source_address=first.source,
        destination=first.destination,
        pgn=pgn,
        data=data,
        time_us=time_us,
        first_time_us=first.time_us,
        line=first.line,
        frames=frames,
    )


def _frames(frames: pa.Table, wanted: Collection[int]) -> Iterator[_Frame]:
    """The frames of the wanted PGNs, one by one."""
    at = np.flatnonzero(carries(values_of(frames.column("identifier")), values_of(frames.column("flags")), wanted))
    if not len(at):
        return
    mine = rows_at(frames, at)
    identifier = values_of(mine.column("identifier"))
    codes, words = codes_of(mine.column("channel"))
    payloads = values_of(mine.column("payload")).astype("<u8").tobytes()
    ends = np.arange(0, 8 * len(at), 8) + np.minimum(values_of(mine.column("length")), 8)
    columns = (
        codes,
        source_addresses(identifier),
        _destinations(identifier),
        pgns(identifier),
        ends,
        times_us(mine),
        values_of(mine.column("line")),
    )
    for row, (code, source, destination, pgn, end, time_us, line) in enumerate(
        zip(*(column.tolist() for column in columns), strict=True)
    ):
        yield _Frame(words[code], source, destination, pgn, payloads[8 * row : end], time_us, line)


def _destinations(identifier: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """Destinations by SAE J1939-21: the PDU specific where the PDU format is below 240, else all. (n,) to (n,)."""
    addressed = (identifier >> np.uint32(16) & np.uint32(0xFF)) < np.uint32(240)
    return np.where(addressed, identifier >> np.uint32(8) & np.uint32(0xFF), np.uint32(TO_ALL))
