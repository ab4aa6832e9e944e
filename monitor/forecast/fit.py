"""The laws fitted to one life: rate with an error that stands for scatter and for its memory, and what each law is worth.

In the right transform each law is a straight line over volume, so a fit is weighted least squares in closed form. Errors
are heteroscedasticity and autocorrelation consistent (Newey and West, Econometrica 55 (1987) 703), and outliers weigh
less (Huber's weights). Laws are weighed by the likelihood of the resistances themselves, not of their transforms.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.forecast.laws import LAWS, straight

Array = npt.NDArray[np.float64]

HUBER = 1.345        # of robust standard deviations: 95 % efficient for normal errors (Huber 1981)
SCALE = 0.6745       # median absolute deviation of a standard normal
ROUNDS = 3
LEAST_POINTS = 6


class Line(NamedTuple):
    """A straight line y = level + slope (x - at), with the covariance of level and slope."""

    level: float
    slope: float
    covariance: Array        # (2, 2)
    residuals: Array


def fit_line(x: Array, y: Array, weight: Array, at: float, lags: int | None = None) -> Line:
    """Weighted least squares, errors by Newey and West with `lags` (default 4 (n/100)^(2/9)), small-sample corrected.

    The same as statsmodels' WLS with cov_type HAC and use_correction, which the tests compare it with.
    """
    n = x.size
    design = np.column_stack((np.ones(n), x - at))
    weighted = design * weight[:, None]
    bread = np.linalg.inv(weighted.T @ design)
    beta = bread @ (weighted.T @ y)
    residuals = y - design @ beta
    scores = weighted * residuals[:, None]
    meat = scores.T @ scores
    for lag in range(1, (math.floor(4 * (n / 100) ** (2 / 9)) if lags is None else lags) + 1):
        cross = scores[lag:].T @ scores[:-lag]
        meat += (1 - lag / ((4 * (n / 100) ** (2 / 9) // 1 if lags is None else lags) + 1)) * (cross + cross.T)
    covariance = bread @ meat @ bread * (n / (n - 2))
    return Line(float(beta[0]), float(beta[1]), covariance, residuals)


class LawFit(NamedTuple):
    """One law on one life. remaining: volume from `at` to the point; error: of its logarithm; evidence: log likelihood."""

    law: str
    remaining: float
    error: float
    evidence: float
    rate: float


def fit_law(
    law: str, volume: Array, resistance: Array, weight: Array, *, at: float, point: float, lags: int | None = None
) -> LawFit | None:
    """Fit one law; None where the life is not growing by it. point: resistance at which the life is over.

    weight: how much each point stands for (its duration). Points with resistance <= 0 must be left out before.
    """
    exponent = LAWS[law]
    span = float(np.ptp(volume))
    if volume.size < LEAST_POINTS or span <= 0:
        return None
    resistance, volume = resistance / point, (volume - at) / span     # all of order one
    y = straight(resistance, exponent)
    per_transform = resistance**exponent          # da / dy
    base = weight * per_transform**2
    line, robust = fit_line(volume, y, base, 0.0, lags), base
    for _ in range(ROUNDS - 1):
        scatter = line.residuals * np.sqrt(base)
        sigma = float(np.median(np.abs(scatter))) / SCALE
        if sigma <= 0:
            break
        robust = base * np.minimum(1.0, HUBER * sigma / np.maximum(np.abs(scatter), 1e-300))
        line = fit_line(volume, y, robust, 0.0, lags)
    end = float(straight(1.0, exponent))
    if line.slope <= 0 or line.level >= end:
        return None
    remaining = (end - line.level) / line.slope
    gradient = np.array([-1.0 / (end - line.level), -1.0 / line.slope])       # of ln(remaining)
    error = math.sqrt(max(float(gradient @ line.covariance @ gradient), 0.0))
    misses = line.residuals * per_transform
    spread = float(np.sum(weight * np.minimum(misses**2, 9 * np.median(misses**2) / SCALE**2)) / np.sum(weight))
    return LawFit(law, remaining * span, error, -0.5 * math.log(max(spread, 1e-300)), line.slope / span)
