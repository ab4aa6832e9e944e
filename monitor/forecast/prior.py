"""What earlier lives say of this one: how long they lasted, and along which shape they loaded.

Each earlier life is a template dP = f(V / L) with its own L. The present life follows one of them, stretched: L is
unknown, lognormal around the lives known, and weighed by how well the stretched template passes through what has been
seen. Before the knee the lives decide, after it dP does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

GRID = np.linspace(-2.6, 2.6, 41)    # of ln L, in standard deviations of its spread
OWN_SPREAD = 0.30      # of ln L between lives of one part, before any are known. Common practice, no source
OWN_WORTH = 2.0        # lives that this is worth
SHAPE_ERROR = 0.06     # of the share of a life at which a dP is reached, between lives of one part
VOLUME_ERROR = 0.2
DP_ERROR = 0.03        # of the changeout point: zeros and clean elements differ
DP_RELATIVE = 0.05     # of dP
EFFECTIVE = 6.0        # independent points that a curve is worth
MOST = 10              # earlier lives that are looked at, the newest


class Template(NamedTuple):
    """One earlier life. volume, dp: its curve, dP not falling; total: volume at the changeout point, or at its end where
    `censored`."""

    volume: Array
    dp: Array
    total: float
    censored: bool = False


class Belief(NamedTuple):
    """Remaining volume as weighted values."""

    remaining: Array
    weight: Array


def life_of(templates: Sequence[Template]) -> tuple[float, float] | None:
    """Mean and predictive standard deviation of ln L; None without a life. A censored one counts as what its kind
    would be expected to have reached."""
    if not templates:
        return None
    logs = np.log([t.total for t in templates])
    cut = np.array([t.censored for t in templates])
    if cut.all():
        return None
    mean, spread = float(logs[~cut].mean()), OWN_SPREAD
    for _ in range(8):
        filled = np.where(cut, _beyond(logs, mean, spread), logs)
        mean = float(filled.mean())
        squares = float(np.sum((filled - mean) ** 2)) + OWN_WORTH * OWN_SPREAD**2
        spread = math.sqrt(squares / (OWN_WORTH + logs.size - 1))
    return mean, spread * math.sqrt(1 + 1 / logs.size)


def _beyond(logs: Array, mean: float, spread: float) -> Array:
    """Expected ln L of lives that were ended at `logs`: the mean of a normal above a bound."""
    z = np.clip((logs - mean) / spread, -6, 6)
    density = np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
    above = 0.5 * np.array([math.erfc(v / math.sqrt(2)) for v in z.tolist()])
    return np.asarray(mean + spread * density / np.maximum(above, 1e-9))


def believe(
    templates: Sequence[Template], volume: Array, dp: Array, weight: Array, *, now: float, level: float, level_error: float,
    point: float,
) -> Belief | None:
    """Remaining volume from `now`; None without earlier lives. volume, dp, weight: the curve so far; level: dP now with its
    standard error; point: the dP of the changeout point."""
    known = life_of(templates)
    if known is None:
        return None
    usable = [t for t in templates if not t.censored][-MOST:]
    totals = np.exp(known[0] + known[1] * GRID)
    prior = np.exp(-0.5 * GRID**2)
    share = weight * np.exp(2.0 * (volume - now) / max(now, 1e-12))
    share *= EFFECTIVE / share.sum()
    remaining, weights = [], []
    for t in usable:
        u, f = t.volume / t.total, t.dp
        at = volume[None, :] / totals[:, None]
        predicted = _follow(at, u, f, point)
        slack = 0.5 * (_follow(at * (1 + SHAPE_ERROR), u, f, point) - _follow(at * (1 - SHAPE_ERROR), u, f, point))
        variance = slack**2 + (DP_ERROR * point) ** 2 + (DP_RELATIVE * predicted) ** 2
        fit = ((dp[None, :] - predicted) ** 2 / variance + np.log(variance)) @ share
        weights.append(prior * np.exp(-0.5 * (fit - fit.min())) * math.exp(-0.5 * float(fit.min())))
        remaining.append(totals * (1 - _place(now / totals, u, f, level, level_error, point)))
    w = np.concatenate(weights)
    return Belief(np.concatenate(remaining), w / w.sum()) if w.sum() > 0 else None


def _follow(u: Array, grid: Array, f: Array, point: float) -> Array:
    """The template at shares u of its life; beyond its end it goes on as it went before it."""
    inside = np.interp(u, grid, f)
    steep = (f[-1] - np.interp(0.9, grid, f)) / 0.1
    return np.where(u > 1, f[-1] + np.maximum(steep, 0.1 * point) * (u - 1), inside)


def _place(by_volume: Array, grid: Array, f: Array, level: float, level_error: float, point: float) -> Array:
    """Share of the life used: by volume, and by dP, each as sure as it is there."""
    by_dp = float(np.interp(level, f, grid))
    error = math.hypot(level_error, DP_ERROR * point, DP_RELATIVE * level)
    lower, upper = float(np.interp(level - error, f, grid)), float(np.interp(level + error, f, grid))
    sd_dp = max(0.5 * (upper - lower), 0.01)
    sd_volume = VOLUME_ERROR * np.maximum(by_volume, 0.2)
    w_dp, w_volume = sd_dp**-2, sd_volume**-2
    return np.minimum((w_dp * by_dp + w_volume * np.minimum(by_volume, 1.0)) / (w_dp + w_volume), 0.999)
