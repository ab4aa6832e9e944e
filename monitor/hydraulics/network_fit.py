"""Resistances of vessels from several steady states at once, with what was known before.

Each state says that the vessels in service together carry the measured flow at the measured dP. Unknown are the
laminar part of each element, the turbulent part that all vessels share, the zero of dP, and how far cake is
compressed (its resistance goes with dP to the power s, Ruth's relation, s 0 to 0.6 for most cakes; common practice, no
source); each has a prior. Solved as least squares (Levenberg-Marquardt); the covariance there gives the errors.

A vessel's share and resistance are told as in `monitor.hydraulics.network`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.hydraulics.network import Conditions
from monitor.remembered import remembered

Array = npt.NDArray[np.float64]
STEPS, STEP = 40, 1e-6
FLOOR = 1e-3             # Pa: below it a dP says nothing
LONGEST = 0.7            # of a step in any logarithm
LEAST, WORST = 1e-4, 1e8 # damping, of the curvature
REMEMBERED = 64          # fits kept: of one changeout the places tried, then the verdict


class Observed(NamedTuple):
    """One steady state. elements: which unknowns carry flow; error: relative, of the flow that dP and flow imply."""

    state: Conditions
    elements: tuple[int, ...]
    error: float


class Link(NamedTuple):
    """Element `later` is element `earlier` some time on: grown by `growth` +- `error` in the logarithm."""

    earlier: int
    later: int
    growth: float
    error: float


class Prior(NamedTuple):
    value: float             # of a positive quantity
    error: float             # of its logarithm


COMPRESSIBILITY = Prior(0.04, 0.10)     # of the exponent itself


class Known(NamedTuple):
    """What a residual needs besides the unknowns."""

    vessels: int
    unknown: int             # elements
    zero_error: float
    clean: float
    reference_drop: float


class Fit(NamedTuple):
    """resistance: of each element [Pa at its share]; error: of its logarithm; turbulent [Pa], zero [Pa]."""

    resistance: Array
    error: Array
    turbulent: float
    turbulent_error: float
    zero: float
    compressibility: float


@remembered(REMEMBERED)
def fit(
    observed: Sequence[Observed], vessels: int, elements: Sequence[Prior], links: Sequence[Link], *, turbulent: Prior,
    zero_error: float, clean: float, reference_drop: float,
) -> Fit:  # fmt: skip
    """elements: prior of each laminar part [Pa] at reference_drop [Pa]; turbulent: of b q^2 at share 1 [Pa];
    zero_error: of dP's zero [Pa]; clean: laminar part without cake [Pa], which is not compressed."""
    count = len(elements)
    x = np.array([*(np.log(p.value) for p in elements), np.log(turbulent.value), 0.0, COMPRESSIBILITY.value])
    anchor = x.copy()
    weights = np.array([*(1 / p.error for p in elements), 1 / turbulent.error, 1.0, 1 / COMPRESSIBILITY.error])
    known = Known(vessels, count, zero_error, clean, reference_drop)

    def residuals(x: Array) -> Array:
        parts = [(x - anchor) * weights]
        parts.append(np.array([_flow_residual(o, x, known) for o in observed]))
        parts.append(np.array([(x[k.later] - x[k.earlier] - k.growth) / k.error for k in links]))
        return np.concatenate(parts)

    x = _least_squares(residuals, x, count + 1)
    jacobian = _jacobian(residuals, x)
    covariance = np.linalg.inv(jacobian.T @ jacobian)
    laminar, square = np.exp(x[:count]), float(np.exp(x[count]))
    resistance = laminar + square
    # d ln(a + b) = (a dln a + b dln b) / (a + b)
    errors = np.empty(count)
    for i in range(count):
        gradient = np.zeros(x.size)
        gradient[i], gradient[count] = laminar[i] / resistance[i], square / resistance[i]
        errors[i] = np.sqrt(gradient @ covariance @ gradient)
    return Fit(resistance, errors, square, float(np.sqrt(covariance[count, count])), float(x[count + 1] * zero_error),
               float(x[count + 2]))  # fmt: skip


def _least_squares(residuals: Callable[[Array], Array], x: Array, logarithms: int) -> Array:
    """Levenberg and Marquardt: Gauss-Newton steps, shortened while they do not lead downhill. The first `logarithms`
    of the unknowns are such, whose steps are kept short."""
    damping, r = 0.0, residuals(x)
    for _ in range(STEPS):
        jacobian = _jacobian(residuals, x)
        curvature, slope = jacobian.T @ jacobian, jacobian.T @ r
        scale = np.diag(np.diag(curvature))
        while True:
            step = -np.linalg.solve(curvature + damping * scale, slope)
            step *= min(1.0, LONGEST / max(float(np.abs(step[:logarithms]).max()), 1e-12))
            tried = residuals(x + step)
            if tried @ tried <= r @ r or damping > WORST:
                break
            damping = max(10.0 * damping, LEAST)
        x, r, damping = x + step, tried, 0.1 * damping if damping > LEAST else 0.0
        if np.abs(step).max() < 1e-7:
            break
    return x


def _flow_residual(o: Observed, x: Array, known: Known) -> float:
    count = known.unknown
    drop = max(o.state.pressure_drop - x[count + 1] * known.zero_error, FLOOR)
    square = np.exp(x[count]) * o.state.density
    laminar = np.exp(x[list(o.elements)])
    packed = (drop / known.reference_drop) ** x[count + 2]
    laminar = (laminar + np.maximum(laminar - known.clean, 0.0) * (packed - 1.0)) * o.state.viscosity
    shares = 2 * drop / (laminar + np.sqrt(laminar * laminar + 4 * square * drop))
    return float(np.log(shares.sum() / (known.vessels * o.state.flow)) / o.error)


def _jacobian(residuals, x: Array) -> Array:  # type: ignore[no-untyped-def]
    columns = []
    for k in range(x.size):
        step = np.zeros(x.size)
        step[k] = STEP
        columns.append((residuals(x + step) - residuals(x - step)) / (2 * STEP))
    return np.stack(columns, 1)
