"""A slow, obvious reader of candump log lines, written apart from the program's own: what the bulk reader is held against."""

from __future__ import annotations

from typing import NamedTuple

HEX = set("0123456789abcdefABCDEF")


class Frame(NamedTuple):
    """time_us, channel, identifier, extended, remote, error, fd, length, data (all of it)."""

    time_us: int
    channel: str
    identifier: int
    extended: bool
    remote: bool
    error: bool
    fd: bool
    length: int
    data: bytes


def read_line(text: str) -> Frame | None:
    """One line `(seconds.fraction) interface ID#DATA`, by the rules of candump(1), or None for anything else."""
    words = text.split()
    if len(words) == 4 and words[3] in ("R", "T"):
        words = words[:3]
    if len(words) != 3:
        return None
    stamp, channel, frame = words
    if "#" in channel or "(" in channel or ")" in channel or channel.startswith("["):
        return None
    if not (stamp.startswith("(") and stamp.endswith(")")) or stamp.count(".") != 1:
        return None
    seconds, fraction = stamp[1:-1].split(".")
    if not (seconds.isdecimal() and fraction.isdecimal() and len(seconds) <= 11 and len(fraction) <= 9):
        return None
    time_us = int(seconds) * 10**6 + int((fraction + "000000")[:6])
    if "#" not in frame:
        return None
    name, body = frame.split("#", 1)
    if len(name) not in (3, 8) or not set(name) <= HEX:
        return None
    number = int(name, 16)
    if len(name) == 3 and number > 0x7FF:
        return None
    error = len(name) == 8 and bool(number & 0x20000000)
    extended = len(name) == 8 and not error
    remote = extended and bool(number & 0x40000000)
    identifier = number & 0x1FFFFFFF
    fd = body.startswith("#")
    if fd:
        if len(body) < 2 or body[1] not in HEX:
            return None
        body = body[2:]
    else:
        if "_" in body:
            body, raw_length = body.split("_", 1)
            if len(raw_length) != 1 or raw_length not in "9abcdefABCDEF":
                return None
        if body.startswith("R"):
            if body[1:] not in ("", *"012345678"):
                return None
            return Frame(time_us, channel, identifier, extended, True, error, False, int(body[1:] or 0), b"")
    data = bytearray()
    while body:
        if len(body) < 2 or not set(body[:2]) <= HEX:
            return None
        data.append(int(body[:2], 16))
        body = body[2:]
        if body.startswith("."):
            body = body[1:]
    if len(data) > (64 if fd else 8):
        return None
    return Frame(time_us, channel, identifier, extended, remote, error, fd, len(data), bytes(data))
