"""Volumes in the user's units."""

from __future__ import annotations

import pytest

from canlevel.units import VolumeUnit, litres_of


# NIST Special Publication 811, appendix B: 1 US gallon = 3.785411784 L exactly, 1 imperial gallon = 4.54609 L exactly.
@pytest.mark.parametrize(
    ("text", "litres"),
    [
        ("25 us-gallon", 94.6352946),
        ("1 imperial-gallon", 4.54609),
        ("10 imperial-gallons", 45.4609),
        ("95 litre", 95.0),
        ("95.5 L", 95.5),
    ],
)
def test_volumes_with_units(text: str, litres: float) -> None:
    assert litres_of(text) == pytest.approx(litres, rel=1e-12)


@pytest.mark.parametrize("text", ["25", "25 gal", "25 gallons", "25us-gallon", "lots litre", "", "us-gallon"])
def test_a_volume_that_could_mean_two_things_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        litres_of(text)


def test_units_go_there_and_back() -> None:
    for unit in VolumeUnit:
        assert unit.from_litres(litres_of(f"1 {unit}")) == 1.0
