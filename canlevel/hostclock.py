"""What the operating system says of its clock: whether it is synchronised."""

from __future__ import annotations

import ctypes
import sys

__all__ = ["host_synchronised"]

# Source: adjtimex(2), and Linux include/uapi/linux/timex.h.
TIME_ERROR = 5
STA_UNSYNC = 0x0040


class _Timex(ctypes.Structure):
    """struct timex of the C library, with room behind it for those that have more in it."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_long * 64),
    )


def host_synchronised() -> bool | None:
    """Whether the kernel says that a time service keeps its clock right; None where there is none to ask. Changes nothing.

    A kernel says so until its own estimate of the error passes 16 seconds, hours after the service was last heard of.
    """
    if not sys.platform.startswith("linux"):
        return None
    try:
        asked = _Timex()  # modes 0: look, do not touch
        state = ctypes.CDLL(None).adjtimex(ctypes.byref(asked))
    except (OSError, AttributeError):
        return None
    if state < 0:  # forbidden, in a sandbox
        return None
    return state != TIME_ERROR and not asked.status & STA_UNSYNC
