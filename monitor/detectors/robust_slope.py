"""Slope of a line through points some of which are off: the median of all pairs' slopes (Theil 1950, Sen, J. Am. Stat.
Assoc. 63 (1968) 1379), with Sen's interval from Kendall's variance."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


class Slope(NamedTuple):
    """Units of y over units of x."""

    middle: float
    low: float
    high: float


def pair_slopes(x: Array, y: Array) -> Array:
    """Of all pairs of points, ascending. x, y: (n,), n at least 2, finite, no x twice."""
    i, j = np.triu_indices(x.size, 1)
    return np.sort((y[j] - y[i]) / (x[j] - x[i]))


def theil_sen(x: Array, y: Array, z: float) -> Slope:
    """Slope with the interval that z standard normal deviations make. x, y: as for `pair_slopes`."""
    slopes, n = pair_slopes(x, y), x.size
    reach = z * math.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    low = max(math.floor((slopes.size - reach) / 2) - 1, 0)
    high = min(math.ceil((slopes.size + reach) / 2), slopes.size - 1)
    return Slope(float(np.median(slopes)), float(slopes[low]), float(slopes[high]))
