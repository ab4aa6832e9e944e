"""Nonlinear least squares with derivatives, small and deterministic."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
STEPS = 60
WORST = 1e8              # damping, of the curvature, beyond which nothing leads downhill any more
LEAST = 1e-4
ENOUGH = 1e-8            # step below which it is found
GAIN = 1e-6              # of half the sum of squares and 1: a step that gains less was the last


def minimise(
    residuals: Callable[[Array], tuple[Array, Array]], start: Array, *, limit: Array
) -> tuple[Array, float, Array]:
    """Where half the sum of squares is least, that half sum, and the inverse of the curvature there.

    residuals: values and their derivatives, one row each; limit: longest step in each unknown. Gauss-Newton steps,
    damped while they do not lead downhill (Levenberg 1944, Marquardt 1963).
    """
    x, damping = start.copy(), 0.0
    r, slope = residuals(x)
    for _ in range(STEPS):
        curvature, gradient = slope.T @ slope, slope.T @ r
        scale = np.diag(np.diag(curvature))
        while True:
            step = -np.linalg.solve(curvature + damping * scale, gradient)
            step *= min(1.0, 1.0 / max(float((np.abs(step) / limit).max()), 1e-12))
            tried, tried_slope = residuals(x + step)
            if tried @ tried <= r @ r or damping > WORST:
                break
            damping = max(10.0 * damping, LEAST)
        if damping > WORST:
            break
        gained = 0.5 * float(r @ r - tried @ tried)
        x, r, slope = x + step, tried, tried_slope
        if np.abs(step).max() < ENOUGH or gained < GAIN * (1.0 + 0.5 * float(r @ r)):
            break
        damping = 0.1 * damping if damping > LEAST else 0.0
    return x, 0.5 * float(r @ r), np.asarray(np.linalg.inv(slope.T @ slope))
