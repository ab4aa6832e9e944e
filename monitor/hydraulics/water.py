"""Viscosity and density of liquid water at about atmospheric pressure.

Source: IAPWS SR6-08 (2011), Revised Supplementary Release on Properties of Liquid Water at 0.1 MPa,
equations for v(T) and mu(T). Valid 253.15-383.15 K. At the pressures of a bag filter (some bar) the
error from taking 0.1 MPa is below 0.05 %.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

LOWEST, HIGHEST = 253.15, 383.15  # K, range of validity

_GAS_CONSTANT = 461.51805  # J/(kg K), as the release has it
_ALPHA = ((4, 6.74458446e3), (5, -2.22521604e5), (7, 1.00231247e8), (8, -1.63552118e9), (9, 8.32299658e9))
_BETA = (5.78545292e-3, -1.53195665e-2, 3.11337859e-2, -4.23546241e-2, 3.38713507e-2, -1.19946761e-2)
_FIRST = 1.93763157e-2
_VISCOSITY = ((280.68e-6, -1.9), (511.45e-6, -7.7), (61.131e-6, -19.6), (0.45903e-6, -40.0))

Array = npt.NDArray[np.float64]


def _valid(temperature: npt.ArrayLike) -> Array:
    kelvin = np.asarray(temperature, dtype=float)
    return np.where((kelvin >= LOWEST) & (kelvin <= HIGHEST), kelvin, np.nan)


def viscosity(temperature: npt.ArrayLike) -> Array:
    """Dynamic viscosity [Pa s] at temperature [K]; NaN outside 253.15-383.15 K. IAPWS SR6-08, viscosity equation."""
    reduced = _valid(temperature) / 300.0
    return np.asarray(sum(a * reduced**b for a, b in _VISCOSITY))


def density(temperature: npt.ArrayLike) -> Array:
    """Density [kg/m^3] at temperature [K]; NaN outside 253.15-383.15 K. IAPWS SR6-08, equation for v."""
    kelvin = _valid(temperature)
    alpha, beta = 10.0 / (593.0 - kelvin), 10.0 / (kelvin - 232.0)
    total = _FIRST + sum(a * alpha**n for n, a in _ALPHA)
    total = total + sum(b * beta**m for m, b in enumerate(_BETA, start=1))
    return np.asarray(1e5 / (_GAS_CONSTANT * 10.0 * total))
