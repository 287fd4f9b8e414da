"""Digits of many lines at once: hexadecimal and decimal text in columns of characters, as integers.

Each function takes the characters as an array that it may overwrite and says which rows held something else. Arithmetic goes
over whole machine words where it can: eight digits are three multiplications.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["base64_bytes", "decimal_16", "hex_bytes", "put", "taken"]

_ZEROS = np.uint64(0x3030303030303030)
_SIXES = np.uint64(0x0606060606060606)
_HIGH_HALVES = np.uint64(0xF0F0F0F0F0F0F0F0)
_BYTES, _PAIRS, _FOURS = np.uint64(0x00FF00FF00FF00FF), np.uint64(0x0000FFFF0000FFFF), np.uint64(0xFFFFFFFF)

_BASE64 = np.full(256, 0xFF, np.uint8)
_BASE64[np.frombuffer(b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/", np.uint8)] = np.arange(64)


def taken(characters: NDArray[np.uint8], first: int, last: int) -> NDArray[np.uint8]:
    """Columns first to last of characters (n, w), contiguous, as a copy (n, last - first)."""
    room = np.empty((len(characters), last - first), np.uint8)
    put(room, 0, characters, first, last)
    return room


def put(room: NDArray[np.uint8], at: int, characters: NDArray[np.uint8], first: int, last: int) -> None:
    """Copy columns first to last of characters (n, w) into those of room (n, v) from `at` on; both contiguous.

    Rows are copied as items, which numpy does several times as fast as row by row.
    """
    n, width = last - first, f"V{last - first}"
    if n and len(room):
        source = np.ndarray(len(room), width, buffer=characters, offset=first, strides=(characters.shape[1],))
        np.ndarray(len(room), width, buffer=room, offset=at, strides=(room.shape[1],))[:] = source


def hex_bytes(characters: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.bool_] | None]:
    """Bytes of hexadecimal digits in either case. characters: (n, 2k), contiguous; overwritten.

    Returns (n, k) bytes, and which of the n rows held a character that is no digit, or None where none did.
    """
    n, width = characters.shape
    flat = characters.reshape(-1)
    letter = flat | np.uint8(0x20)
    letter -= np.uint8(0x57)  # a..f and A..F become 10..15; digits become large
    flat -= np.uint8(0x30)  # 0..9 become themselves; letters become 17 and more
    np.minimum(flat, letter, out=flat)
    bad = None
    # The characters just before a and A become 9 by the first way alone.
    before_a = letter == np.uint8(9)
    if len(flat) and (flat.max() > 15 or before_a.any()):
        before_a |= flat > 15
        bad = before_a.reshape(n, width).any(axis=1)
    pairs = flat.view("<u2")
    values = pairs << np.uint16(4)
    pairs >>= np.uint16(8)
    values |= pairs
    return values.astype(np.uint8).reshape(n, width // 2), bad


def base64_bytes(characters: NDArray[np.uint8], filling: int) -> tuple[NDArray[np.uint8], NDArray[np.bool_] | None]:
    """Bytes of base64 text (RFC 4648, section 4). characters: (n, 4k), contiguous. filling: how many of them are = at the end.

    Returns (n, 3k - filling) bytes, and which of the n rows held another character, or None where none did.
    """
    n, width = characters.shape
    values = _BASE64[characters]
    values[:, width - filling :] = 0
    bad = np.asarray((values > 63).any(axis=1)) if values.max(initial=0) > 63 else None
    groups = values.reshape(n, width // 4, 4)
    out = np.empty((n, width // 4, 3), np.uint8)
    out[:, :, 0] = groups[:, :, 0] << np.uint8(2) | groups[:, :, 1] >> np.uint8(4)
    out[:, :, 1] = groups[:, :, 1] << np.uint8(4) | groups[:, :, 2] >> np.uint8(2)
    out[:, :, 2] = groups[:, :, 2] << np.uint8(6) | groups[:, :, 3]
    data: NDArray[np.uint8] = out.reshape(n, width // 4 * 3)[:, : width // 4 * 3 - filling]
    return data, bad


def decimal_16(characters: NDArray[np.uint8]) -> tuple[NDArray[np.int64], NDArray[np.bool_] | None]:
    """Integers of sixteen decimal digits, leading zeros written out. characters: (n, 16), contiguous; overwritten.

    Returns (n,) integers, and which of the n rows held a character that is no digit, or None where none did.
    """
    words = characters.view("<u8")  # (n, 2), the first character lowest
    words ^= _ZEROS
    check = words + _SIXES
    check |= words
    check &= _HIGH_HALVES
    bad = (check != 0).any(axis=1) if check.any() else None
    higher = check  # its room is free again
    for digits, tens, mask in ((8, 10, _BYTES), (16, 100, _PAIRS), (32, 10_000, _FOURS)):
        np.right_shift(words, np.uint64(digits), out=higher)
        words *= np.uint64(tens)
        words += higher
        words &= mask
    return (words[:, 0] * np.uint64(100_000_000) + words[:, 1]).view(np.int64), bad
