"""Frames that came one by one, as messages or as rows, put into the columns of a Block."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import compress
from operator import itemgetter
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from canlevel.capture.candump import Block
from canlevel.tables import ERROR_FRAME, EXTENDED, FD, REMOTE, UNKNOWN_TIME_US

if TYPE_CHECKING:
    import can

__all__ = ["LONGEST_FRAME", "block_from", "block_of", "columns_of", "flags_of", "microseconds"]

LONGEST_FRAME = 64
LONGEST_COLUMN = 255  # what the column of lengths holds; damaged recordings promise more
LATEST_S = 253_402_300_800.0  # the end of the year 9999
EIGHT = np.arange(8)


def block_of(messages: Sequence[can.Message], channel_code: Callable[[Any], int], first_line: int) -> Block:
    """A Block of n messages, numbered from `first_line`. channel_code gives the code of a message's channel.

    Times are rounded to the microsecond that was written: python-can hands out floats, which near 2026 are exact to
    0.24 microseconds.
    """
    datas: list[Any] = [message.data for message in messages]
    remote = [message.is_remote_frame for message in messages]
    if any(remote) or None in datas:
        datas = [b"" if of_remote else data or b"" for of_remote, data in zip(remote, datas, strict=True)]
    # The data that is there counts, not the length that the recording promises: a frame cut short stays short.
    lengths = list(map(len, datas))
    for i in compress(range(len(messages)), remote):
        lengths[i] = min(messages[i].dlc, LONGEST_FRAME)
    return block_from(
        [message.timestamp for message in messages],
        [message.channel for message in messages],
        [message.arbitration_id & 0x1FFFFFFF for message in messages],
        [flags_of(message) for message in messages],
        lengths,
        datas,
        channel_code,
        first_line,
    )


def flags_of(message: can.Message) -> int:
    """A message's kind as bits of the frames' flags."""
    return (
        (EXTENDED if message.is_extended_id else 0)
        | (REMOTE if message.is_remote_frame else 0)
        | (ERROR_FRAME if message.is_error_frame else 0)
        | (FD if message.is_fd else 0)
    )


def block_from(
    timestamps: Sequence[float] | NDArray[np.float64],
    channels: Sequence[Any],
    identifiers: Sequence[int] | NDArray[np.int64],
    flags: Sequence[int] | NDArray[np.uint8],
    lengths: Sequence[int] | NDArray[np.int64],
    datas: Sequence[bytes | bytearray],
    channel_code: Callable[[Any], int],
    first_line: int,
) -> Block:
    """A Block of n frames, numbered from `first_line`. All (n,); identifiers of up to 63 bits, of which 29 count."""
    time_us = microseconds(np.asarray(timestamps, np.float64))
    codes = {channel: channel_code(channel) for channel in dict.fromkeys(channels)}
    return Block(
        time_us,
        np.array([codes[channel] for channel in channels], np.int32),
        (np.asarray(identifiers, np.int64) & 0x1FFFFFFF).astype(np.uint32),
        np.asarray(flags, np.uint8),
        np.clip(np.asarray(lengths, np.int64), 0, LONGEST_COLUMN).astype(np.uint8),
        _payloads(datas),
        np.arange(first_line, first_line + len(time_us)),
    )


def microseconds(seconds: NDArray[np.float64]) -> NDArray[np.int64]:
    """Integer microseconds of seconds since 1970, UNKNOWN_TIME_US where they are no time. seconds: (n,). Returns (n,)."""
    # Zero stands for no time; damaged recordings hold times that no calendar has.
    known = (seconds > 0) & (seconds < LATEST_S)
    time_us = np.full(len(seconds), UNKNOWN_TIME_US, np.int64)
    time_us[known] = np.rint(seconds[known] * 1e6)
    return time_us


def _payloads(datas: Sequence[bytes | bytearray]) -> NDArray[np.uint64]:
    """The first eight bytes of each of n pieces of data, byte 0 lowest. Returns (n,)."""
    present = np.fromiter(map(len, datas), np.int64, len(datas))
    if (present > 8).any():
        return _payloads([data[:8] for data in datas])
    payload = np.zeros(len(datas), "<u8")
    payload.view(np.uint8).reshape(-1, 8)[present[:, None] > EIGHT] = np.frombuffer(b"".join(datas), np.uint8)
    return payload


def columns_of(rows: Sequence[tuple[Any, ...]], width: int) -> list[list[Any]]:
    """The columns of rows. zip(*rows) would do, in four times the time."""
    return [list(map(itemgetter(i), rows)) for i in range(width)]
