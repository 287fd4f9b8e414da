"""Tank readings out of frames: one row for each level a device sent, whatever the protocol.

The rules, which hold for the built-in messages and for a user's own alike:
- PGN 127505 and DGN 1FFB7h yield one reading for every frame. A J1939 message yields one for each level it carries: there
  a field that is not available means that the tank is not fitted.
- A level is a number or it is null and `status` says why. Outside 0..100 % it keeps its value, with status over_range.
- A fraction n/d with d = 0 is an error; with n > d it is over_range.
- A frame shorter than its definition is malformed; what it says about its tank is kept only where those bytes arrived.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from canlevel.decoding.definitions import builtin_messages
from canlevel.decoding.fields import OK, Field, raw_values, scaled, statuses
from canlevel.decoding.messages import Level, Message, messages_by_pgn
from canlevel.identifier import carries, pgns, source_addresses
from canlevel.tables import (
    FLUIDS,
    PROTOCOLS,
    READINGS,
    STATUSES,
    arrow,
    dictionary_column,
    distinct,
    empty,
    float_column,
    null_column,
    rows_at,
    values_of,
)

__all__ = ["Decoded", "TankDecoder", "decode_tanks"]

UNKNOWN = FLUIDS.index("unknown")
NOT_AVAILABLE, ERROR = STATUSES.index("not_available"), STATUSES.index("error")
OVER_RANGE, MALFORMED = STATUSES.index("over_range"), STATUSES.index("malformed")
NO_INSTANCE = -1
TANK_ROOM = 1 << 24  # instances are below this in the integer that stands for a tank


@dataclass(slots=True)
class _Rows:
    """Readings of one level of one message, n rows. at: their frames' places in the batch."""

    at: NDArray[np.int64]
    order: int
    protocol: int
    fluid: NDArray[np.int64]
    instance: NDArray[np.int64]
    level_pct: NDArray[np.float64]
    capacity_l: NDArray[np.float64]
    volume_l: NDArray[np.float64]
    status: NDArray[np.int8]

    def rows(self, keep: NDArray[np.bool_]) -> _Rows:
        return _Rows(
            self.at[keep],
            self.order,
            self.protocol,
            self.fluid[keep],
            self.instance[keep],
            self.level_pct[keep],
            self.capacity_l[keep],
            self.volume_l[keep],
            self.status[keep],
        )


@dataclass(frozen=True, slots=True)
class Decoded:
    """Tank levels with where they come from. readings: READINGS, n rows, with levels that a J1939 device says are not fitted.

    at: (n,) rows of the frames they were in, rising. steps: (n,) into how many steps the device says that it divides its
    level, nan where it does not say.
    """

    readings: pa.Table
    at: NDArray[np.int64]
    steps: NDArray[np.float64]


class TankDecoder:
    """Decodes frames by the built-in messages and, if given, a user's own, which replace built-in ones of the same PGN."""

    def __init__(self, own: Iterable[Message] = ()) -> None:
        self.messages: Mapping[int, Message] = messages_by_pgn((*builtin_messages(), *own))

    def decode(self, frames: pa.Table) -> pa.Table:
        """READINGS of the tank levels in `frames` (FRAMES), in the order of the frames.

        capacity_l and volume_l are the device's own, null where it gives none; vessel, name and rates are null.
        Never raises for what a device sends.
        """
        at, parts = self._parts(frames)
        return _readings(rows_at(frames, at), parts)[0] if parts else empty(READINGS)

    def decode_each(self, frames: pa.Table) -> Decoded:
        """As decode(), for whoever asks what exactly a device sent. frames: FRAMES."""
        at, parts = self._parts(frames, everything=True)
        if not parts:
            return Decoded(empty(READINGS), np.zeros(0, np.int64), np.zeros(0))
        readings, rows = _readings(rows_at(frames, at), parts)
        rows = at[rows]
        steps = np.full(len(rows), np.nan)
        pgn = pgns(values_of(frames.column("identifier"))[rows])
        payload = values_of(frames.column("payload"))[rows]
        for number, message in self.messages.items():
            for level in message.levels:
                if level.steps is not None:
                    mine = pgn == number
                    raw = raw_values(payload[mine], level.steps)
                    steps[mine] = np.where(statuses(raw, level.steps) == OK, raw, np.nan)
        return Decoded(readings, rows, steps)

    def _parts(self, frames: pa.Table, *, everything: bool = False) -> tuple[NDArray[np.int64], list[_Rows]]:
        """(rows of the tank frames, what they say)."""
        at = np.flatnonzero(
            carries(values_of(frames.column("identifier")), values_of(frames.column("flags")), self.messages)
        )
        if not len(at):
            return at, []
        pgn = pgns(values_of(frames.column("identifier"))[at])
        payload = values_of(frames.column("payload"))[at]
        length = values_of(frames.column("length"))[at]
        parts: list[_Rows] = []
        for number, message in self.messages.items():
            mine = np.flatnonzero(pgn == number)
            if len(mine):
                parts += _message_rows(message, mine, payload[mine], length[mine], everything=everything)
        return at, parts


def decode_tanks(frames: pa.Table, own: Iterable[Message] = ()) -> pa.Table:
    """READINGS of the tank levels in one table of FRAMES; for many batches keep a TankDecoder."""
    return TankDecoder(own).decode(frames)


def _message_rows(
    message: Message,
    at: NDArray[np.int64],
    payload: NDArray[np.uint64],
    length: NDArray[np.uint8],
    *,
    everything: bool,
) -> list[_Rows]:
    """Rows of all levels of one message. at, payload, length: (n,). everything: also levels that are not fitted."""
    short = length < message.length
    parts = []
    for order, level in enumerate(message.levels):
        rows = _level_rows(message, level, order, at, payload)
        fitted = ~short
        if message.protocol == "j1939" and not everything:
            fitted &= rows.status != NOT_AVAILABLE
        parts.append(rows.rows(fitted))
    if short.any():
        parts.append(_malformed_rows(message, at[short], payload[short], length[short]))
    return parts


def _level_rows(
    message: Message, level: Level, order: int, at: NDArray[np.int64], payload: NDArray[np.uint64]
) -> _Rows:
    level_raw = raw_values(payload, level.level)
    status = statuses(level_raw, level.level)
    if level.steps is None:
        level_pct = scaled(level_raw, level.level)
        over = (level_pct < 0) | (level_pct > 100)
    else:
        steps_raw = raw_values(payload, level.steps)
        status = np.where(status == OK, statuses(steps_raw, level.steps), status)
        status[steps_raw == 0] = ERROR
        # The product is exact in integers, so that the quotient is rounded once.
        level_pct = level_raw * 100 / np.maximum(steps_raw, 1)
        over = level_raw > steps_raw
    status[(status == OK) & over] = OVER_RANGE
    is_number = (status == OK) | (status == OVER_RANGE)
    fluid, instance = _identity(message, level, payload)
    return _Rows(
        at=at,
        order=order,
        protocol=PROTOCOLS.index(message.protocol),
        fluid=fluid,
        instance=instance,
        level_pct=np.where(is_number, level_pct, np.nan),
        capacity_l=_numbers(message.capacity, payload),
        volume_l=np.where(is_number, _numbers(message.volume, payload), np.nan),
        status=status,
    )


def _malformed_rows(
    message: Message, at: NDArray[np.int64], payload: NDArray[np.uint64], length: NDArray[np.uint8]
) -> _Rows:
    """One row for each frame that is too short. Of several levels in one message none is singled out."""
    n = len(at)
    fluid, instance = np.full(n, UNKNOWN), np.full(n, NO_INSTANCE)
    if len(message.levels) == 1:
        fluid, instance = _identity(message, message.levels[0], payload)
        needed = max((part.end_byte for part in (message.fluid, message.instance) if part is not None), default=0)
        lost = length < needed
        fluid[lost], instance[lost] = UNKNOWN, NO_INSTANCE
    nothing = np.full(n, np.nan)
    return _Rows(
        at=at,
        order=0,
        protocol=PROTOCOLS.index(message.protocol),
        fluid=fluid,
        instance=instance,
        level_pct=nothing,
        capacity_l=nothing,
        volume_l=nothing,
        status=np.full(n, MALFORMED, np.int8),
    )


def _identity(
    message: Message, level: Level, payload: NDArray[np.uint64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(fluid codes, instances) of n frames."""
    n = len(payload)
    if message.instance is not None:
        instance = raw_values(payload, message.instance)
    else:
        instance = np.full(n, level.instance or 0)
    if level.fluid is not None:
        return np.full(n, FLUIDS.index(level.fluid)), instance
    fluid = np.full(n, UNKNOWN)
    telling = message.fluid or message.instance
    if telling is not None:
        raw = raw_values(payload, telling)
        for value, word in telling.words.items():
            fluid[raw == value] = FLUIDS.index(word)
    return fluid, instance


def _numbers(field: Field | None, payload: NDArray[np.uint64]) -> NDArray[np.float64]:
    """Physical values of a field, nan where it is absent or no number. payload: (n,). Returns (n,)."""
    if field is None:
        return np.full(len(payload), np.nan)
    raw = raw_values(payload, field)
    return np.where(statuses(raw, field) == OK, scaled(raw, field), np.nan)


def _readings(tank_frames: pa.Table, parts: list[_Rows]) -> tuple[pa.Table, NDArray[np.int64]]:
    """READINGS of all parts in the order of their frames, and of the levels within a frame; and the row of each one's frame."""
    at = np.concatenate([part.at for part in parts])
    order = np.concatenate([np.full(len(part.at), part.order) for part in parts])
    sorting = np.lexsort((order, at))
    at = at[sorting]
    protocol = np.concatenate([np.full(len(part.at), part.protocol) for part in parts])[sorting]

    def joined(name: str) -> NDArray[np.float64]:
        values: NDArray[np.float64] = np.concatenate([getattr(part, name) for part in parts])[sorting]
        return values

    fluid, instance = joined("fluid").astype(np.int64), joined("instance").astype(np.int64)
    # One integer stands for one tank, so that its words are made once for each tank and not for each row.
    keys, which = distinct((protocol * len(FLUIDS) + fluid) * TANK_ROOM + instance - NO_INSTANCE)
    tanks = [_tank_id(int(key)) for key in keys]
    frames = rows_at(tank_frames, at)
    nulls = null_column(len(at), pa.float64())
    nothing = dictionary_column(np.zeros(len(at), np.int64), [None])
    readings = pa.table(
        [
            frames.column("time"),
            nothing,
            frames.column("channel"),
            dictionary_column(protocol, PROTOCOLS),
            dictionary_column(which, tanks),
            nothing,
            dictionary_column(fluid, FLUIDS),
            arrow(instance.astype(np.int16), known=instance != NO_INSTANCE),
            arrow(source_addresses(values_of(frames.column("identifier")))),
            float_column(joined("level_pct")),
            float_column(joined("capacity_l")),
            float_column(joined("volume_l")),
            dictionary_column(joined("status").astype(np.int64), STATUSES),
            nulls,
            nulls,
            nulls,
        ],
        schema=READINGS,
    )
    return readings, at


def _tank_id(key: int) -> str:
    """protocol.fluid.instance; without the instance where a malformed frame does not tell it."""
    rest, instance = divmod(key, TANK_ROOM)
    protocol, fluid = divmod(rest, len(FLUIDS))
    words = [PROTOCOLS[protocol], FLUIDS[fluid]]
    if instance:
        words.append(str(instance + NO_INSTANCE))
    return ".".join(words)
