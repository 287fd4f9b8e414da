"""Numbers, lengths of time and protocols as one says them to a person."""

from __future__ import annotations

import math

__all__ = ["NO_VESSEL", "PROTOCOL_NAMES", "counted", "significant", "span_words"]

NO_VESSEL = "a vessel without a name"
PROTOCOL_NAMES = {"nmea2000": "NMEA 2000", "rvc": "RV-C", "j1939": "J1939"}


def counted(n: int, what: str) -> str:
    """So many of something: "1 frame", "2,000 frames"."""
    return f"{n:,} {what}{'' if n == 1 else 's'}"


def span_words(seconds: float) -> str:
    """A length of time: "0.25 s", "2.5 s", "12 min", "5 h", "56 years"."""
    for unit, length in (("years", 365.25 * 86_400), ("days", 86_400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= 2 * length:
            return f"{_figure(seconds / length)} {unit}"
    return f"{_figure(seconds)} s"


def significant(value: float, digits: int = 3, *, signed: bool = False) -> str:
    """A measured figure to so many digits, zeros at its end as well: "10.0" is more than "10" says. Whole numbers in full."""
    rounded = float(f"{value:.{digits}g}") + 0.0
    exponent = math.floor(math.log10(abs(rounded))) if rounded else 0
    decimals = max(digits - 1 - exponent, 0)
    return f"{rounded:{'+' if signed else ''},.{decimals}f}"


def _figure(value: float) -> str:
    """Two digits of a small number, whole numbers from ten on."""
    if value >= 9.95:
        return f"{value:.0f}"
    return f"{value:.1f}".removesuffix(".0") if value >= 0.995 else f"{float(f'{value:.2g}'):g}"
