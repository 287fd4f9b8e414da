"""How finely rates are told: as finely as anybody can use, so that a year of them fits on a small disk.

A rate has three significant digits. Its bounds are preferred numbers of the series R40, forty to a decade and 6 % apart,
always outwards, so that what an interval held before it holds after. An interval rests on the noise of some thirty readings,
which is known to a tenth; with all their digits, bounds would take six sevenths of the store.

Every value is rounded by itself, so that it does not matter how the stream is cut, and what is rounded stays as it is.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["LARGEST", "SMALLEST", "rounded", "rounded_rates", "rounded_up"]

Floats = NDArray[np.float64]

DIGITS = 3
POWERS = 10.0 ** np.arange(23)  # those that a float holds exactly
# ISO 3, Preferred numbers, series R40 (from memory; tests hold it against the powers of the fortieth root of ten).
R40 = (
    "1.00 1.06 1.12 1.18 1.25 1.32 1.40 1.50 1.60 1.70 1.80 1.90 2.00 2.12 2.24 2.36 2.50 2.65 2.80 3.00 "
    "3.15 3.35 3.55 3.75 4.00 4.25 4.50 4.75 5.00 5.30 5.60 6.00 6.30 6.70 7.10 7.50 8.00 8.50 9.00 9.50"
)
LEAST_DECADE, MOST_DECADE = -9, 18
SMALLEST, LARGEST = 10.0**LEAST_DECADE, 10.0**MOST_DECADE
CELL_BITS = 46  # the upper bits of a float tell it to a 64th of an octave, where there is one bound at most


def _bounds() -> Floats:
    """All bounds there are, from 0 on, in order; infinity stands behind them."""
    words = [f"{number}e{decade}" for decade in range(LEAST_DECADE, MOST_DECADE) for number in R40.split()]
    return np.array(["0", *words, f"1e{MOST_DECADE}", "inf"]).astype(np.float64)


def _first_bounds(bounds: Floats) -> tuple[int, NDArray[np.intp]]:
    """(number of the first cell, for it and each further one the place of the first bound in or above it)."""
    first, last = (bounds[[1, -2]].view(np.int64) >> CELL_BITS).tolist()
    # What is smaller than all of them comes into a cell of its own, before the first.
    begins = (np.arange(first, last + 2, dtype=np.int64) << CELL_BITS).view(np.float64)
    return first - 1, np.concatenate([[0], np.searchsorted(bounds, begins)])


BOUNDS = _bounds()
FIRST_CELL, FIRST_BOUNDS = _first_bounds(BOUNDS)


def rounded_rates(rates: Floats) -> Floats:
    """Rates and their bounds, rounded. rates: (3, n), rate, low and high, nan where unknown. Returns (3, n)."""
    result = np.empty_like(rates)
    result[0] = rounded(rates[0])
    np.negative(rates[1], out=result[1])
    result[2] = rates[2]
    result[1:] = rounded_up(result[1:])
    np.subtract(0.0, result[1], out=result[1])  # never -0
    return result


def rounded(values: Floats) -> Floats:
    """(n,) values to three significant digits, nan as nan."""
    result = values + 0.0  # never -0
    rows = (np.isfinite(result) & (result != 0)).nonzero()[0]
    if not len(rows):  # most rates are of tanks at rest
        return result
    some = result[rows]
    places = np.clip(DIGITS - 1 - np.floor(np.log10(np.abs(some))), 1 - len(POWERS), len(POWERS) - 1).astype(np.int64)
    scale = POWERS[np.abs(places)]
    # A quotient of whole numbers is the float nearest to the decimal number, a product with 0.01 is not.
    fine, coarse = np.rint(some * np.where(places > 0, scale, 1)) / scale, np.rint(some / scale) * scale
    result[rows] = np.where(places > 0, fine, coarse) + 0.0
    return result


def rounded_up(values: Floats) -> Floats:
    """Values, of any shape, up to the next bound there is. What is beyond LARGEST either way, and nan, is left as it is."""
    size = np.abs(values)
    place = FIRST_BOUNDS.take((size.view(np.int64) >> CELL_BITS) - FIRST_CELL, mode="clip")
    place += BOUNDS.take(place) < size
    found: Floats = BOUNDS.take(place)
    negative = (values < 0).nonzero()
    if len(negative[0]):  # these go down in size
        inwards = place[negative] - (found[negative] != size[negative])
        found[negative] = 0.0 - BOUNDS[inwards]
    beyond = (~(size <= LARGEST)).nonzero()
    if len(beyond[0]):
        found[beyond] = values[beyond]
    return found
