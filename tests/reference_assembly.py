"""Fast packets and broadcasts put together slowly and obviously, from the whole recording at once: every first frame is held
against what follows it. Written apart from the program's own way, which goes frame by frame and forgets.
"""

from __future__ import annotations

from typing import NamedTuple

CONTROL, PACKETS = 60416, 60160
PATIENCE_US = 750_000  # T1 of J1939-21, from memory


class Row(NamedTuple):
    """One 29-bit data frame. time_us: None where unknown."""

    time_us: int | None
    channel: str
    identifier: int
    data: bytes
    line: int


class Whole(NamedTuple):
    """One message, in the order of the program's own."""

    channel: str
    source_address: int
    destination: int
    pgn: int
    data: bytes
    time_us: int | None
    first_time_us: int | None
    line: int
    frames: int


class Run(NamedTuple):
    """A frame and its doubles: their places in the recording, and how many messages of the kind had begun by then."""

    first: int
    last: int
    begun_before: int
    begun_by_last: int


def parts_of(identifier: int) -> tuple[int, int, int]:
    """(pgn, destination, source) by SAE J1939-21."""
    pgn, low = identifier >> 16 & 0x3FF, identifier >> 8 & 0xFF
    source = identifier & 0xFF
    return (pgn << 8 | low, 255, source) if pgn & 0xFF >= 240 else (pgn << 8, low, source)


def reference_messages(rows: list[Row], fast: set[int]) -> list[Whole]:
    """The messages of fast packets and of broadcasts in a recording, in the order of their last frames."""
    streams: dict[tuple, list[int]] = {}
    for place, row in enumerate(rows):
        pgn, destination, source = parts_of(row.identifier)
        if pgn in fast and row.data:
            streams.setdefault((row.channel, source, destination, pgn), []).append(place)
        elif destination == 255 and row.data and (pgn == PACKETS or (pgn == CONTROL and row.data[0] in (16, 32, 255))):
            streams.setdefault((row.channel, source, 255, PACKETS), []).append(place)
    found: list[tuple[int, Whole]] = []
    for stream, places in streams.items():
        found += (broadcasts if stream[3] == PACKETS else fast_packets)(rows, places, stream)
    return [whole for _, whole in sorted(found, key=lambda pair: pair[0])]


def soon_after(rows: list[Row], earlier: int, later: int) -> bool:
    a, b = rows[earlier].time_us, rows[later].time_us
    return a is None or b is None or abs(a - b) <= PATIENCE_US


def fast_packets(rows: list[Row], places: list[int], stream: tuple) -> list[tuple[int, Whole]]:
    by_counter: dict[int, list[Run]] = {counter: [] for counter in range(8)}
    begun = 0
    for place in places:
        data = rows[place].data
        runs = by_counter[data[0] >> 5]
        if runs:
            run = runs[-1]
            if rows[run.last].data == data and soon_after(rows, run.last, place) and begun - run.begun_by_last < 4:
                runs[-1] = run._replace(last=place, begun_by_last=begun)
                continue
        before = begun
        begun += data[0] & 31 == 0 and fast_size(data) > 0
        runs.append(Run(place, place, before, begun))
    found = []
    for runs in by_counter.values():
        for i, first in enumerate(runs):
            head = rows[first.first].data
            size = fast_size(head)
            if head[0] & 31 or not size:
                continue
            pieces = [head[2 : 2 + size]]
            for number in range(1, 1 + max(0, -(-(size - 6) // 7))):
                pieces.append(piece(rows, runs, i + number, number, min(7, size - 6 - 7 * (number - 1)), mask=31))
            if b"" in pieces or any(
                later.begun_before - earlier.begun_by_last >= 4
                for earlier, later in zip(runs[i : i + len(pieces)], runs[i + 1 : i + len(pieces)], strict=False)
            ):
                continue
            found.append(whole(rows, stream, stream[3], runs[i : i + len(pieces)], b"".join(pieces)))
    return found


def fast_size(head: bytes) -> int:
    """The length that a first frame tells, 0 where it is a lie."""
    size = head[1] if len(head) > 1 else 0
    return size if 0 < size <= 223 and len(head) - 2 >= min(size, 6) else 0


def broadcasts(rows: list[Row], places: list[int], stream: tuple) -> list[tuple[int, Whole]]:
    runs: list[Run] = []
    announced = None
    for place in places:
        row = rows[place]
        control = parts_of(row.identifier)[0] == CONTROL
        if control and row.data[0] == 255:
            if len(row.data) >= 8 and row.data[5:8] == announced:
                runs.append(Run(place, place, 0, 0))  # stands in the way of whatever was under way
            continue
        same = bool(runs) and rows[runs[-1].last].data == row.data
        same = same and parts_of(rows[runs[-1].last].identifier)[0] == parts_of(row.identifier)[0]
        if same and soon_after(rows, runs[-1].last, place):
            runs[-1] = runs[-1]._replace(last=place)
        else:
            runs.append(Run(place, place, 0, 0))
        if control:
            announced = row.data[5:8]
    found = []
    for i, first in enumerate(runs):
        row = rows[first.first]
        head = row.data
        if parts_of(row.identifier)[0] != CONTROL or head[0] != 32 or len(head) < 8:
            continue
        size, packets, pgn = head[1] | head[2] << 8, head[3], head[5] | head[6] << 8 | head[7] << 16
        if not (9 <= size <= 1785 and packets * 7 >= size > (packets - 1) * 7 and pgn < 1 << 18):
            continue
        pieces = [piece(rows, runs, i + n, n, min(7, size - 7 * (n - 1)), mask=255) for n in range(1, packets + 1)]
        if b"" not in pieces:
            number = parts_of(pgn << 8)[0]
            found.append(whole(rows, stream, number, runs[i : i + packets + 1], b"".join(pieces)))
    return found


def piece(rows: list[Row], runs: list[Run], at: int, number: int, wanted: int, mask: int) -> bytes:
    """The data of the frame `number` if it is the one at `at` and came in time, else nothing."""
    if at >= len(runs) or not soon_after(rows, runs[at - 1].last, runs[at].first):
        return b""
    row = rows[runs[at].first]
    if parts_of(row.identifier)[0] == CONTROL or row.data[0] & mask != number or len(row.data) < 1 + wanted:
        return b""
    return row.data[1 : 1 + wanted]


def whole(rows: list[Row], stream: tuple, pgn: int, runs: list[Run], data: bytes) -> tuple[int, Whole]:
    first, last = rows[runs[0].first], rows[runs[-1].first]
    channel, source, destination, _ = stream
    return runs[-1].first, Whole(
        channel, source, destination, pgn, data, last.time_us, first.time_us, first.line, len(runs)
    )
