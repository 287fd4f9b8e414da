"""Messages of many frames: worked examples, a slow reference, simulated conversations with known truth, and hostile frames."""

from __future__ import annotations

import random
import sys
from dataclasses import astuple
from itertools import pairwise

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference_assembly import CONTROL, PACKETS, PATIENCE_US, Row, reference_messages

from canlevel.capture.candump import Block, frames_table
from canlevel.decoding.assembly import CONFIGURATION_INFORMATION, PRODUCT_INFORMATION, Assembled, Assembler
from canlevel.tables import ERROR_FRAME, EXTENDED, FD, UNKNOWN_TIME_US, time_column

START_US = 1_777_622_400_000_000
FAST = {PRODUCT_INFORMATION, CONFIGURATION_INFORMATION}
ADDRESSED_FAST = 126208  # 1ED00h: a fast packet to one address, from memory


def table(rows: list[Row], flags: int = EXTENDED, garbage: int = 0) -> pa.Table:
    """FRAMES of rows. garbage: what the payload holds beyond the data bytes."""
    block = Block.sized(len(rows))
    channels = sorted({row.channel for row in rows})
    for i, row in enumerate(rows):
        block.time_us[i] = UNKNOWN_TIME_US if row.time_us is None else row.time_us
        block.identifier[i], block.length[i], block.line[i] = row.identifier, len(row.data), row.line
        block.payload[i] = int.from_bytes(row.data[:8].ljust(8, bytes([garbage])), "little")
        block.channel[i] = channels.index(row.channel)
    block.flags[:] = flags
    return frames_table(block, channels, time_column(block.time_us))


def plain(messages: list[Assembled]) -> list[tuple]:
    return [
        tuple(None if isinstance(value, int) and value == UNKNOWN_TIME_US else value for value in astuple(message))
        for message in messages
    ]


def identifier(pgn: int, source: int, destination: int = 255, priority: int = 6) -> int:
    addressed = (pgn >> 8 & 0xFF) < 240
    return priority << 26 | pgn << 8 | (destination << 8 if addressed else 0) | source


def fast(data: bytes, counter: int = 0, pgn: int = PRODUCT_INFORMATION, source: int = 0x23) -> list[tuple[int, bytes]]:
    """The frames of a fast packet, filled up with FFh."""
    pieces = [bytes([len(data)]) + data[:6], *(data[at : at + 7] for at in range(6, len(data), 7))]
    return [
        (identifier(pgn, source), bytes([counter << 5 | n]) + piece.ljust(7, b"\xff")) for n, piece in enumerate(pieces)
    ]


def announcement(kind: int, size: int, pgn: int, packets: int | None = None) -> bytes:
    count = -(-size // 7) if packets is None else packets
    return bytes([kind, size & 255, size >> 8, count & 255, 255]) + pgn.to_bytes(3, "little")


def packet(data: bytes, number: int) -> bytes:
    return bytes([number]) + data[7 * number - 7 : 7 * number].ljust(7, b"\xff")


def bam(data: bytes, pgn: int = 0xFEEB, source: int = 0x80) -> list[tuple[int, bytes]]:
    """The frames of a broadcast by the transport protocol."""
    return [
        (identifier(CONTROL, source), announcement(32, len(data), pgn)),
        *((identifier(PACKETS, source), packet(data, n)) for n in range(1, -(-len(data) // 7) + 1)),
    ]


def rows_of(frames: list[tuple[int, bytes]], step_us: int = 1000, channel: str = "can0") -> list[Row]:
    return [Row(START_US + i * step_us, channel, name, data, i + 1) for i, (name, data) in enumerate(frames)]


def assembled(frames: list[tuple[int, bytes]], step_us: int = 1000) -> list[Assembled]:
    return Assembler().add(table(rows_of(frames, step_us)))


TEXT = bytes(range(1, 135))


# --- Worked examples ------------------------------------------------------------------------------------------------


def test_a_fast_packet_byte_by_byte() -> None:
    """16 bytes: 6 in the first frame, 7 and 3 in the others; byte 0 is counter (3 bits) and frame number (from memory)."""
    sent = ["6010010203040506", "610708090a0b0c0d", "620e0f10ffffffff"]
    (message,) = assembled([(0x19F01423, bytes.fromhex(text)) for text in sent])
    assert plain([message]) == [
        ("can0", 0x23, 255, 126996, bytes(range(1, 17)), START_US + 2000, START_US, 1, 3),
    ]


def test_product_information_takes_twenty_frames() -> None:
    """134 bytes = 6 + 18 * 7 + 2: twenty frames. The longest, 223 bytes = 6 + 31 * 7, takes all 32 numbers (from memory)."""
    (message,) = assembled(fast(TEXT))
    assert (message.data, message.frames) == (TEXT, 20)
    (longest,) = assembled(fast(bytes(223)))
    assert (len(longest.data), longest.frames) == (223, 32)


def test_a_broadcast_byte_by_byte() -> None:
    """20 bytes in 3 packets: 20 14 00 03 FF EB FE 00, then 01.., 02.., 03.. (layout of J1939-21, from memory)."""
    sent = [(0x18ECFF80, "201400" + "03ffebfe00"), (0x18EBFF80, "01" + b"WORKS*T".hex()),
            (0x18EBFF80, "02" + b"ANK*12*".hex()), (0x18EBFF80, "03" + b"UNIT7*".hex() + "ff")]  # fmt: skip
    (message,) = assembled([(name, bytes.fromhex(text)) for name, text in sent])
    assert plain([message]) == [("can0", 0x80, 255, 0xFEEB, b"WORKS*TANK*12*UNIT7*", START_US + 3000, START_US, 1, 4)]


@pytest.mark.parametrize(("told", "pgn"), [(0xEA00, 0xEA00), (0xEA12, 0xEA00), (0x1FECA, 0x1FECA), (0x3FFFF, 0x3FFFF)])
def test_an_announced_pgn_is_read_by_the_rule_of_identifiers(told: int, pgn: int) -> None:
    """PDU format below 240: the low byte is a destination and no part of the number (SAE J1939-21)."""
    assert [message.pgn for message in assembled(bam(TEXT, told))] == [pgn]
    assert assembled(bam(TEXT, told | 0x40000)) == []


def test_a_conversation_byte_by_byte() -> None:
    """23 bytes from 10h to 20h in two windows: RTS 16, CTS 17, end 19 (layout of J1939-21, from memory)."""
    sent = [(0x1CEC2010, "10170004ffcafe00"), (0x1CEC1020, "110201ffffcafe00"), (0x1CEB2010, "0101020304050607"),
            (0x1CEB2010, "0208090a0b0c0d0e"), (0x1CEC1020, "110203ffffcafe00"), (0x1CEB2010, "030f101112131415"),
            (0x1CEB2010, "041617ffffffffff"), (0x1CEC1020, "13170004ffcafe00")]  # fmt: skip
    (message,) = assembled([(name, bytes.fromhex(text)) for name, text in sent])
    assert plain([message]) == [
        ("can0", 0x10, 0x20, 0xFECA, bytes(range(1, 24)), START_US + 6000, START_US, 1, 5),
    ]


def test_packets_asked_for_again_are_taken() -> None:
    """The receiver, and so the listener, missed packet 2; it asks for one packet from 2 on, then goes on at 4."""
    data = bytes(range(1, 29))

    def to(text: bytes) -> tuple[int, bytes]:
        return identifier(PACKETS, 0x10, 0x20), text

    def back(count: int, first: int) -> tuple[int, bytes]:
        return identifier(CONTROL, 0x20, 0x10), bytes([17, count, first, 255, 255, 0xCA, 0xFE, 0])

    rts = (identifier(CONTROL, 0x10, 0x20), announcement(16, 28, 0xFECA))
    sent = [rts, back(3, 1), to(packet(data, 1)), to(packet(data, 3)), back(1, 2), to(packet(data, 2)), back(1, 4)]
    (message,) = assembled([*sent, to(packet(data, 4))])
    assert message.data == data
    # Without the request a packet that comes late belongs to something that was not heard.
    assert assembled([rts, back(3, 1), *(to(packet(data, n)) for n in (1, 3, 2, 4))]) == []


def test_what_is_asked_for_again_has_to_come_again() -> None:
    """Two equal-sized messages of one PGN; the end of the first and the announcement of the second are lost."""
    older, newer = bytes(range(1, 29)), bytes(range(101, 129))
    rts = (identifier(CONTROL, 0x10, 0x20), announcement(16, 28, 0xFECA))

    def to(data: bytes, number: int) -> tuple[int, bytes]:
        return identifier(PACKETS, 0x10, 0x20), packet(data, number)

    def back(count: int, first: int, pgn: int = 0xFECA) -> tuple[int, bytes]:
        data = bytes([17, count, first, 255, 255]) + pgn.to_bytes(3, "little")
        return identifier(CONTROL, 0x20, 0x10), data

    heard = [rts, back(3, 1), *(to(older, n) for n in (1, 2, 3))]
    assert [m.data for m in assembled([*heard, back(4, 1), *(to(newer, n) for n in (1, 2, 3, 4))])] == [newer]
    assert assembled([*heard, back(4, 1), *(to(newer, n) for n in (1, 3, 4))]) == []
    assert assembled([*heard, back(4, 1, 0xFEEB), *(to(newer, n) for n in (1, 2, 3, 4))]) == []
    # Packet 2 was lost to the listener and not to the receiver, which goes on at 4: the older message cannot be completed.
    heard = [rts, back(3, 1), to(older, 1), to(older, 3), back(1, 4), to(older, 4)]
    assert assembled([*heard, back(1, 1), to(newer, 1), back(1, 2), to(newer, 2)]) == []


def test_a_receiver_that_asks_for_time_gets_it() -> None:
    """CTS for no packets holds the sender (J1939-21, from memory); no pause between two frames is longer than 1250 ms."""
    data = bytes(range(1, 29))
    for pause_us, messages in ((1_250_000, 1), (1_250_001, 0)):
        rows = rows_of(
            [
                (identifier(CONTROL, 0x10, 0x20), announcement(16, 28, 0xFECA)),
                (identifier(CONTROL, 0x20, 0x10), bytes.fromhex("1100ffffffcafe00")),
                (identifier(CONTROL, 0x20, 0x10), bytes.fromhex("110401ffffcafe00")),
                *((identifier(PACKETS, 0x10, 0x20), packet(data, n)) for n in (1, 2, 3, 4)),
            ],
            pause_us,
        )
        assert len(Assembler().add(table(rows))) == messages


# --- Lost, doubled, cut, lying --------------------------------------------------------------------------------------


@pytest.mark.parametrize("frames", [fast(TEXT), bam(TEXT)], ids=["fast", "broadcast"])
def test_one_lost_frame_loses_the_message_and_not_the_next(frames: list[tuple[int, bytes]]) -> None:
    for lost in range(len(frames)):
        found = assembled(frames[:lost] + frames[lost + 1 :] + frames)
        assert [message.data for message in found] == [TEXT]
    for cut in range(1, len(frames)):
        assert [message.data for message in assembled(frames[cut:] + frames)] == [TEXT]


@pytest.mark.parametrize("frames", [fast(TEXT), bam(TEXT), fast(b"short")], ids=["fast", "broadcast", "one frame"])
def test_doubled_frames_are_one_message(frames: list[tuple[int, bytes]]) -> None:
    (message,) = assembled([frame for frame in frames for _ in range(2)])
    assert (message.line, message.frames) == (1, len(frames))


@pytest.mark.parametrize("size", [0, 224, 255])
def test_fast_packets_of_impossible_length_are_none(size: int) -> None:
    lie = (identifier(PRODUCT_INFORMATION, 0x23), bytes([0, size]) + bytes(6))
    following = [(identifier(PRODUCT_INFORMATION, 0x23), bytes([n]) + bytes(7)) for n in range(1, 32)]
    assert assembled([lie, *following]) == []
    assert [m.data for m in assembled([*fast(TEXT)[:5], lie, *fast(TEXT)[5:], *fast(TEXT)])] == [TEXT]


@pytest.mark.parametrize(
    ("size", "packets"), [(0, 0), (8, 2), (1786, 255), (1786, 256), (20, 2), (20, 4), (65535, 255)]
)
def test_announcements_that_do_not_fit_are_none(size: int, packets: int) -> None:
    sent = [(identifier(CONTROL, 0x80), announcement(32, size, 0xFEEB, packets))]
    sent += [(identifier(PACKETS, 0x80), bytes([n]) + bytes(7)) for n in range(1, 256)]
    assert assembled(sent) == []
    assert assembled([(identifier(CONTROL, 0x80, 0x20), data) if not i else (identifier(PACKETS, 0x80, 0x20), data)
                      for i, (_, data) in enumerate(sent)]) == []  # fmt: skip


def test_an_announcement_that_lies_ends_what_was_announced_before() -> None:
    """The packets that follow are no longer the older message's."""
    frames = bam(TEXT)
    for lie in (announcement(32, 8, 0xFEEB), announcement(16, 134, 0xFEEB), announcement(32, 134, 0xFEEB)[:7]):
        assert assembled([*frames[:3], (identifier(CONTROL, 0x80), lie), *frames[3:]]) == []


@pytest.mark.parametrize(("kind", "destination"), [(16, 255), (32, 0x20)])
def test_an_announcement_has_the_destination_of_its_kind(kind: int, destination: int) -> None:
    sent = [(identifier(CONTROL, 0x80, destination), announcement(kind, len(TEXT), 0xFEEB))]
    sent += [(identifier(PACKETS, 0x80, destination), data) for _, data in bam(TEXT)[1:]]
    assert assembled(sent) == []


@pytest.mark.parametrize("destination", [255, 0x20])
def test_short_packets_are_taken_only_as_far_as_they_go(destination: int) -> None:
    data = bytes(range(1, 17))
    kind = 32 if destination == 255 else 16
    for length, last_length, messages in ((8, 8, 1), (8, 3, 1), (8, 2, 0), (7, 8, 0), (0, 8, 0)):
        sent = [(identifier(CONTROL, 0x80, destination), announcement(kind, 16, 0xFEEB))]
        lengths = {1: 8, 2: length, 3: last_length}
        sent += [(identifier(PACKETS, 0x80, destination), packet(data, n)[: lengths[n]]) for n in (1, 2, 3)]
        found = Assembler().add(table(rows_of(sent), garbage=0xEE))
        assert [message.data for message in found] == [data] * messages


def test_the_shortest_and_the_longest_transport_message() -> None:
    for size, packets in ((9, 2), (1785, 255)):
        data = bytes(n % 251 for n in range(size))
        (message,) = assembled(bam(data))
        assert (message.data, message.frames) == (data, packets + 1)


def test_short_frames_are_taken_only_as_far_as_they_go() -> None:
    """A last frame may end with the data; a frame in the middle may not; what lies beyond the length is not there."""
    frames = fast(bytes(range(1, 17)))
    trimmed = [*frames[:2], (frames[2][0], frames[2][1][:4])]
    cut = [*frames[:2], (frames[2][0], frames[2][1][:3])]
    middle = [frames[0], (frames[1][0], frames[1][1][:7]), frames[2]]
    empty = [frames[0], (frames[1][0], b""), *frames[1:]]
    found = [[m.data for m in Assembler().add(table(rows_of(sent), garbage=0xEE))]
             for sent in (trimmed, cut, middle, empty)]  # fmt: skip
    assert found == [[bytes(range(1, 17))], [], [], [bytes(range(1, 17))]]


@pytest.mark.parametrize(("frames", "patience_us"), [(fast(TEXT), 750_000), (bam(TEXT), 750_000)])
def test_a_pause_that_the_standard_does_not_allow_ends_a_message(
    frames: list[tuple[int, bytes]], patience_us: int
) -> None:
    """T1 of J1939-21, 750 ms, from memory; the same is asked of fast packets."""
    rows = rows_of(frames)
    for pause_us, messages in ((patience_us, 1), (patience_us + 1, 0), (-patience_us, 1), (-patience_us - 1, 0)):
        late = [row._replace(time_us=rows[4].time_us + pause_us + row.time_us - rows[5].time_us) for row in rows[5:]]
        assert len(Assembler().add(table([*rows[:5], *late]))) == messages
    assert len(Assembler().add(table([row._replace(time_us=None) for row in rows]))) == 1


def test_a_counter_that_came_round_never_completes_an_older_message() -> None:
    """The end of a message is lost, and the beginning of the eighth after it, which has its counter, without any times."""
    messages = [bytes([n]) * 13 for n in range(9)]
    sent = [fast(data, n % 8) for n, data in enumerate(messages)]
    sent[0], sent[8] = sent[0][:1], sent[8][1:]
    rows = [row._replace(time_us=None) for row in rows_of([frame for frames in sent for frame in frames])]
    assert [message.data for message in Assembler().add(table(rows))] == messages[1:8]


@pytest.mark.parametrize(("newer", "whole"), [(3, True), (4, False)])
def test_a_message_waits_for_three_newer_ones(newer: int, whole: bool) -> None:
    """Four of one sender and kind may be under way at once; each frame of a message lets it wait anew, and so does a double."""
    first, second, third = fast(bytes(range(20)), 0)
    others = [fast(bytes(13), counter)[0] for counter in range(1, 8)]
    for waiting in (
        [first, *others[:newer], second, third],
        [first, second, *others[:newer], third],
        [first, *others[:2], second, *others[2 : 2 + newer], third],
        [first, second, *others[:2], second, *others[2 : 2 + newer], third],
    ):
        assert [message.data for message in assembled(waiting)] == ([bytes(range(20))] if whole else [])


def test_a_double_lets_a_message_wait_anew() -> None:
    frames = bam(TEXT)
    rows = rows_of(frames)
    late = [row._replace(time_us=rows[4].time_us + 1_400_000) for row in rows[5:]]
    double = rows[4]._replace(time_us=rows[4].time_us + 700_000)
    assert len(Assembler().add(table([*rows[:5], double, *late]))) == 1
    assert len(Assembler().add(table([*rows[:5], *late]))) == 0


def test_another_kind_of_frame_carries_nothing() -> None:
    for flags in (0, EXTENDED | ERROR_FRAME, EXTENDED | FD):
        assert Assembler().add(table(rows_of(fast(TEXT)), flags=flags)) == []
    assert Assembler().add(table(rows_of(fast(TEXT, pgn=129029)))) == []
    assert len(Assembler([129029]).add(table(rows_of(fast(TEXT, pgn=129029))))) == 1


def test_an_end_or_an_abort_ends_a_message_of_its_pgn() -> None:
    frames = bam(TEXT)

    def stopped(kind: int, pgn: int, source: int, destination: int) -> list[bytes]:
        stop = (identifier(CONTROL, source, destination), bytes([kind, 1, 255, 255, 255]) + pgn.to_bytes(3, "little"))
        return [message.data for message in assembled([*frames[:3], stop, *frames[3:]])]

    assert stopped(255, 0xFEEB, 0x80, 255) == []
    assert stopped(255, 0xFECA, 0x80, 255) == [TEXT]
    assert stopped(255, 0xFEEB, 0x81, 255) == [TEXT]
    # To one address: the receiver acknowledges or aborts, or the sender aborts.
    frames = [(identifier(CONTROL, 0x80, 0x20), announcement(16, len(TEXT), 0xFEEB)),
              *((identifier(PACKETS, 0x80, 0x20), data) for _, data in frames[1:])]  # fmt: skip
    assert stopped(17, 0xFEEB, 0x21, 0x80) == [TEXT]
    for kind, source, destination in ((19, 0x20, 0x80), (255, 0x20, 0x80), (255, 0x80, 0x20)):
        assert stopped(kind, 0xFEEB, source, destination) == []
        assert stopped(255, 0xFECA, source, destination) == [TEXT]


# --- Against the reference ------------------------------------------------------------------------------------------

SOURCES = st.sampled_from([0x23, 0x24])
FAST_PGNS = st.sampled_from([PRODUCT_INFORMATION, ADDRESSED_FAST])
FAST_FRAMES = st.builds(
    lambda pgn, source, counter, number, size, tail, length: (
        identifier(pgn, source, 0x30),
        (bytes([counter << 5 | number]) + (bytes([size]) if number == 0 else b"") + bytes([tail]) * 7)[:length],
    ),
    FAST_PGNS,
    SOURCES,
    st.integers(0, 1),
    st.integers(0, 3),
    st.sampled_from([0, 1, 6, 7, 13, 14, 20, 27, 223, 224]),
    st.integers(0, 2),
    st.sampled_from([8, 8, 8, 8, 0, 1, 2, 4]),
)
BAM_FRAMES = st.one_of(
    st.builds(
        lambda source, number, tail, length: (
            identifier(PACKETS, source),
            (bytes([number]) + bytes([tail]) * 7)[:length],
        ),
        SOURCES,
        st.integers(0, 4),
        st.integers(0, 2),
        st.sampled_from([8, 8, 8, 5, 0]),
    ),
    st.builds(
        lambda source, kind, size, packets, pgn, length: (
            identifier(CONTROL, source),
            announcement(kind, size, pgn, packets)[:length],
        ),
        SOURCES,
        st.sampled_from([32, 32, 32, 16, 255]),
        st.sampled_from([8, 9, 14, 20]),
        st.sampled_from([None, None, None, 2, 3]),
        st.sampled_from([0xFEEB, 0xFECA, 0xEA12, 0x40000]),
        st.sampled_from([8, 8, 8, 7]),
    ),
)
MESSAGES = st.one_of(
    st.builds(fast, st.binary(min_size=1, max_size=40), st.integers(0, 7), FAST_PGNS, SOURCES),
    st.builds(bam, st.binary(min_size=9, max_size=40), st.sampled_from([0xFEEB, 0xEA00]), SOURCES),
)
STEPS_US = st.one_of(
    st.integers(0, 2000), st.sampled_from([-2000, -PATIENCE_US, -PATIENCE_US - 1, PATIENCE_US, PATIENCE_US + 1])
)


@st.composite
def recordings(draw: st.DrawFn) -> list[Row]:
    """Whole messages, interleaved, with frames lost and doubled, amid single frames at random; times with steps, or none."""
    rng = random.Random(draw(st.integers(0, 2**32)))
    waiting = [list(frames) for frames in draw(st.lists(MESSAGES, max_size=8))]
    waiting += [[frame] for frame in draw(st.lists(st.one_of(FAST_FRAMES, BAM_FRAMES), max_size=40))]
    lost, doubled, apart = (draw(st.sampled_from([0.0, 0.03, 0.3])) for _ in range(3))
    sent: list[tuple[int, bytes]] = []
    current = 0
    while waiting:
        current = rng.randrange(len(waiting)) if rng.random() < apart or current >= len(waiting) else current
        frame = waiting[current].pop(0)
        if not waiting[current]:
            del waiting[current]
        if rng.random() >= lost:
            sent += [frame] * (1 + (rng.random() < doubled))
    steps = draw(st.lists(STEPS_US, min_size=1, max_size=8))
    unknown = draw(st.sampled_from([0.0, 0.0, 0.1, 1.0]))
    time_us, rows = START_US, []
    for i, (name, data) in enumerate(sent):
        time_us += rng.choice(steps) if rng.random() < 0.2 else 500
        told = None if rng.random() < unknown else time_us
        rows.append(Row(told, rng.choice(["can0", "can0", "can1"]) if apart == 0.3 else "can0", name, data, i + 1))
    return rows


@st.composite
def crowded_recordings(draw: st.DrawFn) -> list[Row]:
    """One sender's fast packets of two frames, begun, continued and doubled in any order, so that the counter comes round."""
    rng = random.Random(draw(st.integers(0, 2**32)))
    counters = draw(st.integers(2, 8))
    begin, go_on = draw(st.sampled_from([(0.5, 0.4), (0.8, 0.1), (0.3, 0.3)]))
    steps = draw(st.lists(STEPS_US, min_size=1, max_size=8))
    known = draw(st.booleans())
    last: dict[int, bytes] = {}
    time_us, rows = START_US, []
    for line in range(1, draw(st.integers(1, 60)) + 1):
        counter, what = rng.randrange(counters), rng.random()
        if what < begin or counter not in last:
            data = bytes([counter << 5, rng.choice([13, 13, 13, 20, 6])]) + bytes([rng.randrange(2)] * 6)
        elif what < begin + go_on:
            data = bytes([last[counter][0] + 1 & 0xFF]) + bytes([rng.randrange(2)] * 7)
        else:
            data = last[counter]
        last[counter] = data
        time_us += rng.choice(steps) if rng.random() < 0.1 else 500
        rows.append(Row(time_us if known else None, "can0", identifier(PRODUCT_INFORMATION, 0x23), data, line))
    return rows


@settings(max_examples=600)
@given(st.one_of(recordings(), crowded_recordings()), st.lists(st.integers(0, 200), max_size=5))
def test_messages_equal_the_reference_however_the_stream_is_cut(rows: list[Row], cuts: list[int]) -> None:
    kinds = {PRODUCT_INFORMATION, ADDRESSED_FAST}
    expected = [tuple(whole) for whole in reference_messages(rows, kinds)]
    assembler, found = Assembler(kinds), []
    places = [0, *sorted(min(cut, len(rows)) for cut in cuts), len(rows)]
    for start, end in pairwise(places):
        found += assembler.add(table(rows[start:end]))
    assert plain(found) == expected


# --- Against the truth ----------------------------------------------------------------------------------------------


def conversation(
    rng: random.Random, data: bytes, source: int, destination: int, pgn: int
) -> list[tuple[int, bytes, bool]]:
    """A message to one address, with packets lost on the bus and asked for again. (identifier, data, heard by nobody)."""
    packets = -(-len(data) // 7)
    there, back = identifier(PACKETS, source, destination), identifier(CONTROL, destination, source)
    tail = pgn.to_bytes(3, "little")
    sent = [(identifier(CONTROL, source, destination), announcement(16, len(data), pgn), False)]
    have: set[int] = set()
    while len(have) < packets:
        first = min(set(range(1, packets + 1)) - have)
        count = 1
        limit = rng.randint(1, 6)
        while count < limit and first + count <= packets and first + count not in have:
            count += 1
        if rng.random() < 0.1:
            sent.append((back, bytes([17, 0, 255, 255, 255]) + tail, False))
        sent.append((back, bytes([17, count, first, 255, 255]) + tail, False))
        for number in range(first, first + count):
            missed = rng.random() < 0.2
            sent.append((there, packet(data, number), missed))
            if not missed:
                have.add(number)
    sent.append((back, bytes([19]) + announcement(19, len(data), pgn)[1:], False))
    return sent


@settings(max_examples=300)
@given(st.integers(0, 2**32), st.sampled_from([0.0, 0.05, 0.4]), st.sampled_from([0.0, 0.3]))
def test_conversations_are_heard_whole_or_not_at_all(seed: int, lost: float, doubled: float) -> None:
    """Several pairs talk at once. Every message handed out is one that was sent; without losses all of them are."""
    rng = random.Random(seed)
    sent: list[tuple] = []
    timed: list[tuple[int, int, bytes]] = []
    for source, destination in ((0x10, 0x20), (0x20, 0x10), (0x10, 0x21)):
        time_us = START_US
        for _ in range(rng.randint(1, 4)):
            data, pgn = rng.randbytes(rng.randint(9, 80)), rng.choice([0xFECA, 0xEF00])
            sent.append((source, destination, pgn, data))
            for name, payload, missed in conversation(rng, data, source, destination, pgn):
                time_us += rng.randint(1000, 150_000)
                if missed or rng.random() < lost:
                    continue
                timed.append((time_us, name, payload))
                if rng.random() < doubled:
                    timed.append((time_us, name, payload))
            time_us += 1_300_000  # longer than T2 and T3 (1250 ms, from memory)
    timed.sort(key=lambda row: row[0])
    rows = [Row(time_us, "can0", name, data, i) for i, (time_us, name, data) in enumerate(timed, 1)]
    assembler, found = Assembler(), []
    cut = rng.randint(0, len(rows))
    for part in (rows[:cut], rows[cut:]):
        found += assembler.add(table(part))
    heard = [(m.source_address, m.destination, m.pgn, m.data) for m in found]
    assert all(heard.count(message) <= sent.count(message) for message in heard)
    if not lost:
        assert sorted(heard) == sorted(sent)


@settings(max_examples=200)
@given(st.integers(0, 2**32), st.sampled_from([0.02, 0.3, 0.6]), st.booleans())
def test_what_is_lost_never_mixes_two_messages(seed: int, lost: float, begins_in_the_middle: bool) -> None:
    """Every message has bytes of its own. Three senders interleave, each with fast packets and broadcasts; those of one
    kind follow one another by at least a second."""
    rng = random.Random(seed)
    timed: list[tuple[int, int, bytes]] = []
    sent: set[bytes] = set()
    for source in (0x23, 0x24, 0x25):
        for kind in range(3):
            time_us = START_US + rng.randint(0, 500_000)
            for n in range(6):
                data = rng.randbytes(rng.randint(9, 134))
                sent.add(data)
                frames = bam(data, source=source) if kind == 2 else fast(data, n % 8, sorted(FAST)[kind], source)
                for name, payload in frames:
                    time_us += rng.randint(500, 2000)
                    if rng.random() >= lost:
                        timed.append((time_us, name, payload))
                time_us += rng.randint(1_000_000, 2_000_000)
    timed.sort(key=lambda row: row[0])
    if begins_in_the_middle:
        del timed[: rng.randint(0, len(timed))]
    rows = [Row(time_us, "can0", name, data, i) for i, (time_us, name, data) in enumerate(timed, 1)]
    assert {message.data for message in Assembler().add(table(rows))} <= sent


# --- Hostile --------------------------------------------------------------------------------------------------------


@given(
    st.lists(
        st.tuples(
            st.sampled_from([CONTROL, CONTROL, PACKETS, PRODUCT_INFORMATION]),
            st.sampled_from([1, 2, 254, 255]),
            st.sampled_from([1, 2, 255]),
            st.sampled_from([0, 1, 2, 16, 17, 19, 32, 33, 255]),
            st.binary(max_size=7),
        ),
        max_size=60,
    ),
    st.integers(0, 60),
)
def test_random_frames_never_raise_and_cuts_change_nothing(
    sent: list[tuple[int, int, int, int, bytes]], cut: int
) -> None:
    rows = rows_of([(identifier(pgn, source, to), bytes([first]) + rest) for pgn, source, to, first, rest in sent])
    whole = Assembler().add(table(rows))
    halves = Assembler()
    assert halves.add(table(rows[:cut])) + halves.add(table(rows[cut:])) == whole
    assert all(0 < len(message.data) <= 1785 for message in whole)


def held_bytes(thing: object, seen: set[int]) -> int:
    """Memory of an object and of what it refers to."""
    if id(thing) in seen:
        return 0
    seen.add(id(thing))
    inner: list = []
    if isinstance(thing, dict):
        inner = [*thing, *thing.values()]
    elif isinstance(thing, (list, tuple, set, frozenset)):
        inner = [*thing]
    else:
        names = [*getattr(thing, "__dict__", {}), *getattr(type(thing), "__slots__", ())]
        inner = [getattr(thing, name) for name in names]
    return sys.getsizeof(thing) + sum(held_bytes(part, seen) for part in inner)


def test_a_hostile_bus_cannot_fill_the_memory() -> None:
    """One sender begins messages to every address, twice over; what is kept of it stays the same."""
    assembler, held = Assembler([PRODUCT_INFORMATION, ADDRESSED_FAST]), []
    for _ in range(3):
        starts = [(identifier(ADDRESSED_FAST, 7, to), bytes([0x40, 223]) + bytes(6)) for to in range(256)]
        starts += [(identifier(CONTROL, 7, to), announcement(16, 1785, 0xFECA)) for to in range(255)]
        assert assembler.add(table(rows_of(starts))) == []
        held.append(held_bytes(assembler, set()))
    assert max(held) < 1.05 * held[0] < 60_000
    assert [m.data for m in assembler.add(table(rows_of(fast(TEXT, source=7))))] == [TEXT]


def test_an_empty_table_and_unknown_pgns_give_nothing() -> None:
    rows = rows_of([(0x19F21123, bytes(8))])
    assert Assembler().add(table(rows)) == []
    assert Assembler().add(table([])) == []
