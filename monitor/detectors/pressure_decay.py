"""What the pressure of a hold says: robust slope with interval, time constant, and where it is heading.

A laminar seep decays as exp(-t / constant); the constant told is that of a decay to the atmosphere unless the course
itself shows another asymptote.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.detectors.robust_slope import Slope, theil_sen
from monitor.remembered import remembered

Array = npt.NDArray[np.float64]
CONSTANTS = 80           # tried in the fit of an asymptote, from a twentieth of the hold to twenty holds
DETERMINED = 0.25        # of the first pressure: an asymptote whose interval is wider is not known
CHI_SQUARE = 3.84        # 95 %, one degree of freedom


class Decay(NamedTuple):
    """Of a hold of `seconds`: fall [Pa] over it (negative: a rise) with its interval, time constant [s] with its
    interval (infinite: none), asymptote [Pa] with its interval or None where the course does not show it."""

    seconds: float
    first: float
    fall: Slope
    constant: Slope
    asymptote: Slope | None


def decay(x: Array, y: Array, z: float) -> Decay:
    """x: seconds, y: pressure [Pa] of at least 4 means of a hold; z: how sure the interval of the fall is to be."""
    slope = theil_sen(x, y, z)
    seconds = float(x[-1] - x[0])
    fall = Slope(-slope.middle * seconds, -slope.high * seconds, -slope.low * seconds)
    constant, asymptote = to_atmosphere(x, y, z), None
    heading = heading_of(tuple(x.tolist()), tuple(y.tolist())) if fall.low > 0 else None
    if heading is not None and heading[1].low > 0.0:
        constant, asymptote = heading
    return Decay(seconds, float(np.median(y[:3])), fall, constant, asymptote)


def to_atmosphere(x: Array, y: Array, z: float) -> Slope:
    """Time constant [s] of a decay to nothing; infinite where it does not decay."""
    if not np.all(y > 0):
        return Slope(math.inf, 0.0, math.inf)
    slope = theil_sen(x, np.log(y), z)
    return Slope(*(-1.0 / s if s < 0 else math.inf for s in slope))


def heading_for(x: Array, y: Array) -> tuple[Slope, Slope] | None:
    """Time constant [s] and asymptote [Pa] of y = c + A exp(-x / constant), each with its 95 % profile interval."""
    n = x.size
    if n < 8:
        return None
    span = float(x[-1] - x[0])
    constants = np.geomspace(span / 20, span * 20, CONSTANTS)
    found = np.array([_linear(np.exp(-(x - x[0]) / t), y) for t in constants])   # (CONSTANTS, 2): c, sum of squares
    best = int(np.argmin(found[:, 1]))
    inside = found[:, 1] <= found[best, 1] * (1 + CHI_SQUARE / (n - 3)) + 1e-12 * float(y @ y)
    inside[1:-1] = inside[1:-1] | inside[:-2] | inside[2:]     # between two constants that were tried the truth may lie
    low, high = float(found[inside, 0].min()), float(found[inside, 0].max())
    if inside[-1] or inside[0] or high - low > DETERMINED * float(y[0]):
        return None
    constant = Slope(float(constants[best]), float(constants[inside].min()), float(constants[inside].max()))
    return constant, Slope(float(found[best, 0]), low, high)


@remembered(64)
def heading_of(x: tuple[float, ...], y: tuple[float, ...]) -> tuple[Slope, Slope] | None:
    """The same, not worked out twice: tuning asks for one hold under many settings."""
    return heading_for(np.array(x), np.array(y))


def _linear(shape: Array, y: Array) -> tuple[float, float]:
    """Least squares of y = c + A shape: (c, sum of squared residuals)."""
    design = np.stack([np.ones_like(shape), shape], 1)
    solution = np.linalg.lstsq(design, y, rcond=None)[0]
    residual = y - design @ solution
    return float(solution[0]), float(residual @ residual)
