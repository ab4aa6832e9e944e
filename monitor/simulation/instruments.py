"""Transmitters: what they make of a true value.

Gain and zero errors within their class, first-order lag, noise, a low cut-off for flow, resolution of the
converter, saturation where NAMUR NE 43 puts it (-1.25 % and +103.125 % of span).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from monitor.model import Role

Array = npt.NDArray[np.float64]

SATURATION = (-0.0125, 1.03125)   # share of span, NE 43
FAILED_LOW, FAILED_HIGH = -0.03, 1.08  # share of span, beyond NE 43's failure limits (-2.5 %, +106.25 %)

# unit: (SI per unit, SI at zero of the unit)
UNITS: dict[str, tuple[float, float]] = {
    "bar": (1e5, 0.0), "kPa": (1e3, 0.0), "psi": (6894.757293168361, 0.0), "mbar": (1e2, 0.0),
    "m^3/h": (1 / 3600, 0.0), "L/min": (1e-3 / 60, 0.0), "US gpm": (6.30901964e-5, 0.0),
    "degC": (1.0, 273.15), "degF": (5 / 9, 459.67 * 5 / 9), "NTU": (1.0, 0.0), "1": (1.0, 0.0), "%": (0.01, 0.0),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Transmitter:
    """One transmitter. Everything but `lag` and `gain` is in `unit`; resolution 0 means unlimited."""

    id: str
    role: Role
    unit: str
    low: float
    high: float
    vessel: str | None = None
    gain: float = 1.0
    zero: float = 0.0
    noise: float = 0.0
    lag: float = 0.0
    resolution: float = 0.0
    cutoff: float = 0.0
    decimals: int = 4

    @property
    def span(self) -> float:
        return self.high - self.low

    def to_unit(self, value: Array) -> Array:
        """SI to `unit`."""
        scale, offset = UNITS[self.unit]
        return np.asarray((value - offset) / scale)

    def respond(self, value: Array) -> Array:
        """True SI values, one a second, as the sensor follows them, in `unit`, before noise and conversion."""
        seen = self.to_unit(value) * self.gain + self.zero
        return first_order(seen, self.lag)

    def convert(self, seen: Array, rng: np.random.Generator) -> Array:
        """What is transmitted of what the sensor sees: noise, cut-off, saturation, resolution."""
        noisy = seen + self.noise * rng.standard_normal(seen.size) if self.noise else seen
        if self.cutoff:
            noisy = np.where(seen < self.cutoff, 0.0, noisy)
        clipped = np.clip(noisy, self.low + SATURATION[0] * self.span, self.low + SATURATION[1] * self.span)
        return np.round(self.quantise(clipped), self.decimals)

    def quantise(self, values: Array) -> Array:
        """Values on the converter's steps."""
        if not self.resolution:
            return values
        return self.low + np.round((values - self.low) / self.resolution) * self.resolution


def first_order(values: Array, constant: float) -> Array:
    """First-order lag with time constant [s] over values one second apart, settled at the first value."""
    if constant <= 0 or values.size == 0:
        return values
    from scipy.signal import lfilter

    share = -math.expm1(-1.0 / constant)
    return np.asarray(lfilter([share], [1.0, share - 1.0], values, zi=[(1.0 - share) * values[0]])[0])
