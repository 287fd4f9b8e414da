"""29-bit identifiers taken apart, on columns.

Source: SAE J1939-21: priority 3 bits, extended data page 1, data page 1, PDU format 8, PDU specific 8, source address 8.
With a PDU format below 240 the PDU specific is a destination and no part of the parameter group number. NMEA 2000 and
RV-C share this; RV-C says DGN for PGN.
"""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
from numpy.typing import NDArray

from canlevel.tables import ERROR_FRAME, EXTENDED, FD, REMOTE

__all__ = ["NULL_ADDRESS", "carries", "pgn_of", "pgns", "source_addresses"]

BROADCAST_FORMAT = 240
NULL_ADDRESS = 254  # of a device that could not claim one (SAE J1939-81, from memory); 255 stands for all


def pgns(identifier: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """Parameter group numbers of 29-bit identifiers. identifier: (n,). Returns (n,)."""
    group = (identifier >> np.uint32(8)) & np.uint32(0x3FFFF)
    addressed = (group & np.uint32(0xFF00)) < np.uint32(BROADCAST_FORMAT << 8)
    return np.where(addressed, group & np.uint32(0x3FF00), group)


def pgn_of(identifier: int) -> int:
    """The parameter group number of one 29-bit identifier."""
    group = identifier >> 8 & 0x3FFFF
    return group & 0x3FF00 if group & 0xFF00 < BROADCAST_FORMAT << 8 else group


def source_addresses(identifier: NDArray[np.uint32]) -> NDArray[np.uint8]:
    """Source addresses of 29-bit identifiers. identifier: (n,). Returns (n,)."""
    return (identifier & np.uint32(0xFF)).astype(np.uint8)


def carries(identifier: NDArray[np.uint32], flags: NDArray[np.uint8], wanted: Collection[int]) -> NDArray[np.bool_]:
    """Which frames are plain data frames with a 29-bit identifier and one of the `wanted` PGNs. All (n,).

    Remote, error and FD frames carry no parameter group of these protocols.
    """
    plain: NDArray[np.bool_] = (flags & (EXTENDED | REMOTE | ERROR_FRAME | FD)) == EXTENDED
    group = pgns(identifier)
    mine = np.zeros(len(group), np.bool_)
    for pgn in wanted:  # some few comparisons beat numpy's search by sorting
        mine |= group == np.uint32(pgn)
    return plain & mine
