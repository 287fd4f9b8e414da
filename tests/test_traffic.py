"""What went over a bus: counts against a plain walk over the frames, lengths on the wire against published figures."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import canlevel
from canlevel.capture.candump import Block, frames_table
from canlevel.findings.traffic import GAPS, MINUTES, SENDERS, Traffic, frame_bits
from canlevel.tables import ERROR_FRAME, EXTENDED, FD, REMOTE, time_column

START_US = 1_777_622_400_000_000


# Davis, Burns, Bril, Lukkien 2007, section 2: a frame of 8 bytes takes at most 135 bits with an 11-bit identifier and 160
# with a 29-bit one; of 0 bytes at most 55 and 80 (the same formula at s = 0).
@pytest.mark.parametrize(
    ("length", "extended", "most"), [(8, False, 135), (8, True, 160), (0, False, 55), (0, True, 80)]
)
def test_frame_lengths_are_the_published_ones(length: int, extended: bool, most: int) -> None:
    assert frame_bits(length, extended=extended)[1] == most


# ISO 11898-1 fields of an extended data frame without stuff bits: 1 start, 32 arbitration, 6 control, data, 16 CRC,
# 2 acknowledge, 7 end, 3 pause = 67 + 8 n.
def test_a_frame_without_stuff_bits_is_the_sum_of_its_fields() -> None:
    assert [frame_bits(n, extended=True)[0] for n in (0, 8)] == [1 + 32 + 6 + 16 + 2 + 7 + 3, 67 + 64]


FRAME = st.tuples(
    st.integers(0, 400_000_000),  # microseconds since the frame before
    st.sampled_from(["can0", "can0", "can1"]),
    st.sampled_from([0x19F21123, 0x09F80101, 0x123, 0x7FF]),
    st.sampled_from([EXTENDED, EXTENDED, 0, REMOTE | EXTENDED, ERROR_FRAME, FD | EXTENDED]),
    st.integers(0, 8),
)


def table(rows: list[tuple[int, str, int, int, int]]) -> pa.Table:
    block = Block.sized(len(rows))
    names = sorted({row[1] for row in rows})
    for i, (at, name, identifier, flags, length) in enumerate(rows):
        block.time_us[i], block.channel[i] = at, names.index(name)
        block.identifier[i], block.flags[i], block.length[i] = identifier, flags, length
    return frames_table(block, names, time_column(block.time_us))


@settings(max_examples=200)
@given(st.lists(FRAME, max_size=40), st.lists(st.integers(1, 9), min_size=1, max_size=5))
def test_counts_are_those_of_a_plain_walk_however_the_frames_are_cut(
    frames: list[tuple[int, str, int, int, int]], cuts: list[int]
) -> None:
    times = START_US + np.cumsum([frame[0] for frame in frames], dtype=np.int64)
    rows = [(int(at), *frame[1:]) for at, frame in zip(times, frames, strict=True)]
    traffic, at, turn = Traffic(), 0, 0
    while at < len(rows):
        size = cuts[turn % len(cuts)]
        traffic.add(table(rows[at : at + size]))
        at, turn = at + size, turn + 1
    data = [row for row in rows if not row[3] & (REMOTE | ERROR_FRAME | FD)]
    expected = Counter((name, identifier, flags) for _, name, identifier, flags, _ in data)
    senders = traffic.senders().to_pylist()
    assert {
        (s["channel"], s["identifier"], EXTENDED if s["pgn"] is not None else 0): s["frames"] for s in senders
    } == expected
    for sender in senders:
        same = [row[0] for row in data if row[1:4] == (
            sender["channel"], sender["identifier"], EXTENDED if sender["pgn"] is not None else 0)]  # fmt: skip
        assert [round(sender[key].timestamp() * 1e6) for key in ("first", "last")] == [same[0], same[-1]]
    low = Counter[tuple[str, int]]()
    for moment, name, _, flags, length in data:
        low[name, moment // 60_000_000] += frame_bits(length, extended=bool(flags & EXTENDED))[0]
    minutes = traffic.minutes().to_pylist()
    assert {(m["channel"], round(m["start"].timestamp()) // 60): m["load_low"] for m in minutes} == pytest.approx(
        {key: 100 * bits / (60 * 250_000) for key, bits in low.items()}
    )
    gaps = []
    for name in sorted({row[1] for row in rows}):
        heard = [row[0] for row in rows if row[1] == name]
        gaps += [(name, a, b) for a, b in pairwise(heard) if b - a > 2_000_000]
    found = [
        (g["channel"], round(g["start"].timestamp() * 1e6), round(g["end"].timestamp() * 1e6))
        for g in traffic.gaps().to_pylist()
    ]
    assert sorted(found) == gaps
    assert (traffic.frames, traffic.remote, traffic.error, traffic.fd) == (
        len(rows), *(sum(bool(row[3] & bit) for row in rows) for bit in (REMOTE, ERROR_FRAME, FD)))  # fmt: skip


def test_nothing_gives_empty_tables() -> None:
    traffic = Traffic()
    assert (traffic.senders(), traffic.minutes(), traffic.gaps()) == (
        SENDERS.empty_table(),
        MINUTES.empty_table(),
        GAPS.empty_table(),
    )


def test_the_library_counts_a_recording(tmp_path: Path) -> None:
    path = tmp_path / "boat.log"
    frames = [(START_US + 1000 * i, 0x09F80101 if i % 10 else 0x19F21123) for i in range(60_000)]
    lines = (f"({at // 10**6}.{at % 10**6:06d}) can0 {identifier:08X}#0011223344556677\n" for at, identifier in frames)
    path.write_text("".join(lines))
    traffic = canlevel.traffic(path)
    most, tank = traffic.senders().to_pylist()
    assert (most["pgn"], most["source_address"], most["frames"]) == (0x1F801, 1, 54_000)
    assert (tank["pgn"], tank["frames"], tank["first"]) == (127505, 6000, datetime(2026, 5, 1, 8, tzinfo=UTC))
    # A frame of 131 to 160 bits each millisecond at 250 kbit/s: 52.4 to 64 %.
    (minute,) = traffic.minutes().to_pylist()
    assert (minute["load_low"], minute["load_high"]) == pytest.approx((52.4, 64.0))


def test_identifiers_that_share_a_place_are_told_apart() -> None:
    """More identifiers than the table has places for without two in one: each keeps a number of its own."""
    from canlevel.findings.traffic import SPREAD, TABLE_BITS, _Codes

    random = np.random.default_rng(8)
    keys = random.integers(0, 1 << 29, 20_000).astype(np.uint32)
    places = (keys * SPREAD) >> np.uint32(32 - TABLE_BITS)
    assert len(np.unique(places)) < len(np.unique(keys)) - 1000
    codes = _Codes()
    for begin in range(0, len(keys), 3000):
        numbers = codes.of(keys[begin : begin + 3000])
        assert (codes.keys[numbers - 1] == keys[begin : begin + 3000]).all()
    assert sorted(codes.keys.tolist()) == sorted(set(keys.tolist()))
    assert (codes.of(keys) == codes.of(keys)).all()
