"""29-bit identifiers: the rules of SAE J1939-21, and cantools' own J1939 arithmetic as a second opinion."""

from __future__ import annotations

import cantools.j1939
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from canlevel.identifier import pgn_of, pgns, source_addresses


# SAE J1939-21: PDU format below 240 addresses a destination, which is no part of the number; from 240 on it broadcasts.
# PGN 127505 = 1F211h, DGN 1FFB7h, 65276 = FEFCh and 65110 = FE56h as the standards print them; 60928 (address claim) and
# 59904 (request) go to a destination.
@pytest.mark.parametrize(
    ("identifier", "pgn", "source_address"),
    [
        (0x19F21123, 127505, 0x23),
        (0x19FFB744, 0x1FFB7, 0x44),
        (0x18FEFC00, 65276, 0x00),
        (0x18FE5600, 65110, 0x00),
        (0x18EEFF23, 60928, 0x23),
        (0x18EA23FE, 59904, 0xFE),
        (0x0CEFFF10, 0xEF00, 0x10),
        (0x1DEF1234, 0x1EF00, 0x34),  # data page 1, addressed
        (0x18F00417, 0xF004, 0x17),  # PDU format 240, the first that broadcasts
    ],
)
def test_numbers_follow_j1939_21(identifier: int, pgn: int, source_address: int) -> None:
    assert pgn_of(identifier) == pgn
    assert source_addresses(np.array([identifier], np.uint32)).tolist() == [source_address]


@given(st.lists(st.integers(0, 0x1FFFFFFF), min_size=1, max_size=50))
def test_columns_agree_with_cantools(identifiers: list[int]) -> None:
    column = np.array(identifiers, np.uint32)
    parts = [cantools.j1939.frame_id_unpack(identifier) for identifier in identifiers]
    expected = [
        cantools.j1939.pgn_pack(
            part.reserved, part.data_page, part.pdu_format, part.pdu_specific if part.pdu_format >= 240 else 0
        )
        for part in parts
    ]
    assert pgns(column).tolist() == expected
    assert source_addresses(column).tolist() == [part.source_address for part in parts]
