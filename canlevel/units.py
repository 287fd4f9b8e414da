"""Litres inside, the user's units at the edge.

Source of the gallons: NIST Special Publication 811, appendix B (both exact).
"""

from __future__ import annotations

import re
from enum import StrEnum

__all__ = ["LITRES_PER_IMPERIAL_GALLON", "LITRES_PER_US_GALLON", "VolumeUnit", "amounts_of", "litres_of"]

LITRES_PER_US_GALLON = 3.785411784
LITRES_PER_IMPERIAL_GALLON = 4.54609


class VolumeUnit(StrEnum):
    """A unit of volume for what a person reads or writes."""

    LITRE = "litre"
    US_GALLON = "us-gallon"
    IMPERIAL_GALLON = "imperial-gallon"

    @property
    def litres(self) -> float:
        """Litres in one of this unit."""
        return _LITRES[self]

    @property
    def symbol(self) -> str:
        """Short form for column heads."""
        return _SYMBOLS[self]

    def from_litres(self, volume_l: float) -> float:
        """`volume_l` litres in this unit."""
        return volume_l / self.litres


_LITRES = {
    VolumeUnit.LITRE: 1.0,
    VolumeUnit.US_GALLON: LITRES_PER_US_GALLON,
    VolumeUnit.IMPERIAL_GALLON: LITRES_PER_IMPERIAL_GALLON,
}
_SYMBOLS = {VolumeUnit.LITRE: "L", VolumeUnit.US_GALLON: "US gal", VolumeUnit.IMPERIAL_GALLON: "imp gal"}
_SPELLINGS = {
    "l": VolumeUnit.LITRE,
    "liter": VolumeUnit.LITRE,
    "liters": VolumeUnit.LITRE,
    "litres": VolumeUnit.LITRE,
    "us-gallons": VolumeUnit.US_GALLON,
    "imperial-gallons": VolumeUnit.IMPERIAL_GALLON,
} | {str(unit): unit for unit in VolumeUnit}


def litres_of(text: str) -> float:
    """Litres of a volume with its unit, such as "25 us-gallon" or "95 litre".

    Raises ValueError with a sentence for the user: a bare number or a plain "gal" could mean two things.
    """
    number, _, spelling = text.strip().partition(" ")
    unit = _SPELLINGS.get(spelling.strip().lower())
    if unit is None:
        units = ", ".join(VolumeUnit)
        raise ValueError(f'"{text}" has no unit that says what it means; write a number, a space and one of: {units}')
    try:
        return float(number) * unit.litres
    except ValueError:
        raise ValueError(f'"{text}" does not begin with a number') from None


_AMOUNT = re.compile(r"([0-9]+(?:\.[0-9]*)?|\.[0-9]+)[ \t]?([A-Za-z][A-Za-z-]*)?[, \t]*")


def amounts_of(text: str, unit: VolumeUnit = VolumeUnit.LITRE) -> tuple[float, ...]:
    """Litres of several amounts, "10, 10, 7.5" or "2us-gallon,2us-gallon"; one without a unit is in `unit`.

    Raises ValueError with a sentence for the user.
    """
    found, at = [], 0
    text = text.strip()
    while at < len(text):
        amount = _AMOUNT.match(text, at)
        if amount is None:
            raise ValueError(f'"{text}" is no list of amounts; write them like 10,10,7.5 or 2us-gallon,2us-gallon')
        known = unit if amount[2] is None else _SPELLINGS.get(amount[2].lower())
        if known is None:
            raise ValueError(f'"{amount[2]}" is no unit; use one of: {", ".join(VolumeUnit)}')
        found.append(float(amount[1]) * known.litres)
        at = amount.end()
    if not found:
        raise ValueError("it names no amount; write amounts like 10,10,7.5")
    return tuple(found)
