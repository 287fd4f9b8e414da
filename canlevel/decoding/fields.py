"""Fields of payloads, taken out of columns of eight-byte integers, or of one payload of any length: position, sign, scale, and
what means "no number".
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from canlevel.tables import STATUSES

__all__ = ["OK", "Field", "raw_values", "scaled", "statuses", "value_of"]

OK = STATUSES.index("ok")
RESERVED = STATUSES.index("reserved")
_EIGHT_BYTES = (1 << 64) - 1


@dataclass(frozen=True, slots=True)
class Field:
    """One signal of a message definition.

    shift: distance of its lowest bit from the lowest bit of the payload, read in the field's own byte order.
    low_raw, high_raw: raw values between which it is a number; beyond them, values without a name are reserved.
    no_number: raw values that are no number, with the status each means. words: raw values with a name.
    end_byte: data bytes that a frame must have for the field to be there.
    """

    name: str
    shift: int
    bits: int
    big_endian: bool = False
    signed: bool = False
    scale: float = 1.0
    offset: float = 0.0
    low_raw: int | None = None
    high_raw: int | None = None
    no_number: dict[int, str] = field(default_factory=dict)
    words: dict[int, str] = field(default_factory=dict)
    end_byte: int = 8


def raw_values(payload: NDArray[np.uint64], field: Field) -> NDArray[np.int64]:
    """Integers of one field, unscaled, sign applied. payload: (n,), byte 0 lowest. Returns (n,). Fields of up to 63 bits."""
    if field.big_endian:
        payload = payload.byteswap()
    mask = np.uint64((1 << field.bits) - 1)
    raw = ((payload >> np.uint64(field.shift)) & mask).astype(np.int64)
    if not field.signed:
        return raw
    # Flipping the sign bit and subtracting it is two's complement without a branch per row.
    sign_bit = np.int64(1 << (field.bits - 1))
    return (raw ^ sign_bit) - sign_bit


def value_of(payload: int, field: Field) -> int:
    """The integer of one field of one payload, unscaled, sign applied. payload: byte 0 lowest, of any length.

    A big-endian field lies within the first eight bytes. Bytes that the payload does not have read as 0: compare the field's
    end_byte with its length first.
    """
    if field.big_endian:
        payload = int.from_bytes((payload & _EIGHT_BYTES).to_bytes(8, "little"), "big")
    raw = payload >> field.shift & (1 << field.bits) - 1
    return raw - (1 << field.bits) if field.signed and raw >> field.bits - 1 else raw


def scaled(raw: NDArray[np.int64], field: Field) -> NDArray[np.float64]:
    """Physical values: raw * scale + offset, one product and one sum, which is also what cantools computes. (n,) to (n,)."""
    values: NDArray[np.float64] = raw * np.float64(field.scale) + np.float64(field.offset)
    return values


def statuses(raw: NDArray[np.int64], field: Field) -> NDArray[np.int8]:
    """Which raw values are numbers: codes into STATUSES, OK or why not. (n,) to (n,)."""
    status = np.full(len(raw), OK, np.int8)
    if field.low_raw is not None:
        status[raw < field.low_raw] = RESERVED
    if field.high_raw is not None:
        status[raw > field.high_raw] = RESERVED
    for value, meaning in field.no_number.items():
        status[raw == value] = STATUSES.index(meaning)
    return status
