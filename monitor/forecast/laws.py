"""Loading laws at constant rate: da/dV = k a^m, and what follows from them by algebra.

m = 0 cake, 1 intermediate, 3/2 standard, 2 complete blocking: Hermia's laws in their constant-flow form (Hermia,
Trans. IChemE 60 (1982) 183; Hlavacek and Bouchet, J. Membr. Sci. 82 (1993) 285; both from memory). `a` is the laminar
part of a resistance in any unit, V volume (or time), k in the unit that follows.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

LAWS: dict[str, float] = {"cake": 0.0, "intermediate": 1.0, "standard": 1.5, "complete": 2.0}


def straight(resistance: Array | float, exponent: float) -> Array:
    """What grows in a straight line of slope k under the law: the integral of a^-m. resistance: positive."""
    a: Array = np.asarray(resistance, float)
    if exponent == 1.0:
        return np.asarray(np.log(a))
    return np.asarray(a ** (1.0 - exponent) / (1.0 - exponent))


def bent(line: Array | float, exponent: float) -> Array:
    """The resistance again; infinity where the law has run away before."""
    g: Array = np.asarray(line, float)
    if exponent == 1.0:
        return np.asarray(np.exp(g))
    base = g * (1.0 - exponent)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(base > 0, np.abs(base) ** (1.0 / (1.0 - exponent)), np.inf if exponent > 1.0 else np.nan)


def resistance_after(volume: Array | float, start: float, rate: float, exponent: float) -> Array:
    """Resistance after `volume`, from `start`, under da/dV = rate a^exponent."""
    return bent(straight(start, exponent) + rate * np.asarray(volume, float), exponent)


def volume_to(start: float, end: float, rate: float, exponent: float) -> float:
    """Volume in which resistance grows from `start` to `end`; infinity where it does not grow."""
    if rate <= 0:
        return math.inf
    return float((straight(end, exponent) - straight(start, exponent)) / rate)
