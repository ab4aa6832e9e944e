"""The laws fitted to one life: rate with an error that stands for scatter and for its memory, and what each law is
worth.

In the right transform each law is a straight line over volume, so a fit is weighted least squares in closed form, all
laws at once. Errors are consistent under heteroscedasticity and autocorrelation (Newey and West, Econometrica 55 (1987)
703), outliers weigh less (Huber's weights). Laws are weighed by the likelihood of the resistances, not of their
transforms.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.forecast.laws import LAWS, straight

Array = npt.NDArray[np.float64]

HUBER = 1.345        # of robust standard deviations: 95 % efficient for normal errors (Huber 1981, from memory)
SCALE = 0.6745       # median absolute deviation of a standard normal
ROUNDS = 3
EXACT = 1e-9         # of the point's resistance: scatter below it is none
LEAST_POINTS = 6


class Lines(NamedTuple):
    """Straight lines y = level + slope x, one a row of y. covariance: (rows, 2, 2) of level and slope."""

    level: Array
    slope: Array
    covariance: Array
    residuals: Array


def lags_for(n: int) -> int:
    """Lags that Newey and West's errors look back: 4 (n/100)^(2/9), at least one."""
    return max(1, math.floor(4 * math.pow(n / 100, 2 / 9)))


def fit_lines(x: Array, y: Array, weight: Array) -> Lines:
    """Weighted least squares of each row of y (rows, n) on x (n,) with weights (rows, n). Errors by Newey and West with
    Bartlett's kernel and the small-sample factor n / (n - 2): statsmodels' WLS with cov_type HAC, use_correction."""
    n = x.size
    s0, s1, s2 = weight.sum(1), weight @ x, weight @ (x * x)
    t0, t1 = (weight * y).sum(1), (weight * y) @ x
    det = s0 * s2 - s1 * s1
    slope, level = (s0 * t1 - s1 * t0) / det, (s2 * t0 - s1 * t1) / det
    residuals = y - level[:, None] - slope[:, None] * x
    scores = np.stack((weight * residuals, weight * residuals * x), axis=1)     # (rows, 2, n)
    meat = scores @ scores.transpose(0, 2, 1)
    lags = lags_for(n)
    for lag in range(1, lags + 1):
        cross = scores[:, :, lag:] @ scores[:, :, :-lag].transpose(0, 2, 1)
        meat += (1 - lag / (lags + 1)) * (cross + cross.transpose(0, 2, 1))
    bread = np.stack((np.stack((s2, -s1), 1), np.stack((-s1, s0), 1)), 1) / det[:, None, None]
    return Lines(level, slope, bread @ meat @ bread * (n / (n - 2)), residuals)


class LawFit(NamedTuple):
    """Laws on one life, in the order of LAWS. remaining: volume to the point, infinity where a law does not get there;
    error: of its logarithm; evidence: log likelihood a point; rate: k of the law in units of (resistance over that of
    the point) and volume, relative error of rate."""

    remaining: Array
    error: Array
    evidence: Array
    rate: Array
    rate_error: Array


def fit_laws(
    volume: Array, resistance: Array, weight: Array, *, now: float, limit: float, level: float | None = None
) -> LawFit | None:
    """Fit all laws; None with too few points. resistance: positive; weight: how much each point stands for; now: volume
    at which the remaining one begins; limit: resistance at which the life is over; level: the present one, where it is
    known better than from the whole fit: then remaining begins there."""
    span = float(np.ptp(volume)) if volume.size >= LEAST_POINTS else 0.0
    if span <= 0:
        return None
    a, x, w = resistance / limit, (volume - now) / span, weight / weight.sum()       # all of order one
    exponents = np.array(list(LAWS.values()))
    y = np.stack([straight(a, m) for m in LAWS.values()])
    per_transform = a[None, :] ** exponents[:, None]          # da / dy
    base = w * per_transform**2
    lines = fit_lines(x, y, base)
    for _ in range(ROUNDS - 1):
        scatter = np.abs(lines.residuals) * per_transform * np.sqrt(w / w.mean())
        bound = HUBER / SCALE * np.median(scatter, axis=1, keepdims=True) + EXACT
        lines = fit_lines(x, y, base * np.minimum(1.0, bound / np.maximum(scatter, EXACT)))
    end = np.array([float(straight(1.0, m)) for m in LAWS.values()])
    start = lines.level if level is None else np.array([float(straight(level / limit, m)) for m in LAWS.values()])
    gap = end - start
    grows = (lines.slope > 0) & (gap > 0)
    slope, gap = np.where(grows, lines.slope, 1.0), np.where(grows, gap, 1.0)
    gradient = np.stack((-1 / gap, -1 / slope), 1)            # of ln(remaining)
    variance = np.einsum("ri,rij,rj->r", gradient, lines.covariance, gradient)
    squares = (lines.residuals * per_transform) ** 2
    squares = np.minimum(squares, 9 * np.median(squares, axis=1, keepdims=True) / SCALE**2)
    return LawFit(
        np.where(grows, gap / slope * span, np.inf), np.sqrt(np.maximum(variance, 0.0)),
        -0.5 * np.log(np.maximum(squares @ w, 1e-12)), np.where(grows, slope / span, 0.0),
        np.sqrt(np.maximum(lines.covariance[:, 1, 1], 0.0)) / slope,
    )  # fmt: skip
