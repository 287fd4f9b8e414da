"""The times that devices tell on the bus: FRAMES in, one row out for each frame that tells one.

NMEA 2000 system time (PGN 126992) is UTC and says what the device has it from. RV-C's date and time (DGN 1FFFFh) is local
time; what its byte for the time zone means is not known here, so it is used only where the caller says which zone it is. On an
NMEA 2000 bus that number belongs to makers' own messages, one more reason not to read it unasked. Layouts: dbc/network.dbc,
from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.decoding.definitions import network_messages
from canlevel.decoding.fields import OK, raw_values, statuses
from canlevel.decoding.messages import NetworkMessage
from canlevel.identifier import carries
from canlevel.tables import DAY_US, values_of

__all__ = ["TIME_MESSAGES", "ToldTimes", "told_times"]

TIME_MESSAGES = ("SystemTime", "RvcDateTime")
GOOD_SOURCES = ("gps", "glonass", "radio_station", "caesium_clock", "rubidium_clock")
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class ToldTimes:
    """n times, in the order of their frames. row: (n,) of the frames given; source_address: (n,); told_us: (n,) microseconds
    since 1970, UTC. good: (n,) whether the device has it from a satellite, a radio station or an atomic clock; of RV-C the
    caller has vouched for it.
    """

    row: NDArray[np.int64]
    source_address: NDArray[np.int64]
    told_us: NDArray[np.int64]
    good: NDArray[np.bool_]


def told_times(frames: pa.Table, *, local_zone: tzinfo | None = None) -> ToldTimes:
    """The times told in FRAMES, m rows of any PGN. local_zone: that of the clocks of an RV-C bus, if it is to be read.

    A frame that is short, or whose date or time is not available or cannot be, tells none. Nothing that a device sends raises.
    """
    identifier, flags = values_of(frames.column("identifier")), values_of(frames.column("flags"))
    messages = network_messages()
    found = [_told(frames, identifier, flags, messages["SystemTime"], None)]
    if local_zone is not None:
        found.append(_told(frames, identifier, flags, messages["RvcDateTime"], local_zone))
    row, told_us, good = (np.concatenate(parts) for parts in zip(*found, strict=True))
    order = np.argsort(row, kind="stable")
    row = row[order]
    return ToldTimes(row, (identifier[row] & 0xFF).astype(np.int64), told_us[order], good[order])


def _told(
    frames: pa.Table,
    identifier: NDArray[np.uint32],
    flags: NDArray[np.uint8],
    message: NetworkMessage,
    zone: tzinfo | None,
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    """(row, told_us, good) of one kind of message."""
    row = carries(identifier, flags, (message.pgn,)).nonzero()[0]
    row = row[values_of(frames.column("length"))[row] >= message.length]
    payload = values_of(frames.column("payload"))[row]
    raw = {name: raw_values(payload, field) for name, field in message.fields.items()}
    needed = ("Days", "SecondsOfDay") if zone is None else ("Year", "Month", "DayOfMonth", "Hour", "Minute", "Second")
    known = np.ones(len(row), np.bool_)
    for name in needed:
        known &= statuses(raw[name], message.fields[name]) == OK
    row, raw = row[known], {name: values[known] for name, values in raw.items()}
    if zone is None:
        us_per_step = round(message.fields["SecondsOfDay"].scale * 1_000_000)
        words = message.fields["Source"].words
        good = np.isin(raw["Source"], [code for code, word in words.items() if word in GOOD_SOURCES])
        return row, raw["Days"] * DAY_US + raw["SecondsOfDay"] * us_per_step, good
    raw["Year"] = raw["Year"] + round(message.fields["Year"].offset)
    moments = [_utc_us(zone, *parts) for parts in zip(*(raw[name].tolist() for name in needed), strict=True)]
    dated = np.array([moment is not None for moment in moments], np.bool_)
    told_us = np.array([moment for moment in moments if moment is not None], np.int64)
    return row[dated], told_us, np.ones(len(told_us), np.bool_)


def _utc_us(zone: tzinfo, *parts: int) -> int | None:
    """UTC microseconds of a local date and time of day; None where there is none such, or two, as when summer time ends."""
    try:
        year, month, day, hour, minute, second = parts
        moment = datetime(year, month, day, hour, minute, second, tzinfo=zone)
    except ValueError:
        return None
    utc = moment.astimezone(UTC)
    if moment.replace(fold=1).astimezone(UTC) != utc:
        return None
    return (utc - EPOCH) // timedelta(microseconds=1)
