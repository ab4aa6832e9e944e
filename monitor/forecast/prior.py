"""What earlier lives say of this one: how long they lasted, and along which shape they loaded.

Each earlier life is a template dP = f(V / L) with its own L. Two questions are asked of them. `believe`: the present
life follows one of them from its beginning, stretched: L is unknown, lognormal around the lives known, and weighed by
how well the stretched template passes through what has been seen. Before the knee that is all there is. `alike`: what
was left in each of them at the present dP, stretched by how much faster or slower this life has lately come up to it,
as far as lives differ in that at all. This needs no beginning, neither theirs nor ours.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.forecast.curve import pooled

Array = npt.NDArray[np.float64]

SHARES = np.linspace(0.0, 1.0, 101)  # of a life, at which a template's dP is kept
GRID = np.linspace(-2.6, 2.6, 41)    # of ln L, in standard deviations of its spread
OWN_SPREAD = 0.30      # of ln L between lives of one part, before any are known. Common practice, no source
OWN_PACE = 0.20        # the same of how fast lives of one part load at the same dP
PACE_FROM = 0.4        # of dP now, from which on the pace of this life is taken
PACE_ERROR = 0.20      # of the logarithm of a pace: shapes differ
PACE_DP_ERROR = 0.03   # of the changeout point: of the rise over which a pace is taken
LEFT_ERROR = 0.10      # of ln of what was left at a dP, between lives of one part
OWN_WORTH = 2.0        # lives that this is worth
SHAPE_ERROR = 0.09     # of the share of a life at which a dP is reached, between lives of one part
VOLUME_ERROR = 0.10    # the same, where the share is to be told
PLACE_ERROR = 0.02     # of the share of a life, however steep the dP
DP_ERROR = 0.015       # of the changeout point: zeros and clean elements differ
DP_RELATIVE = 0.05     # of dP
EFFECTIVE = 9.0        # independent points that a curve is worth
FADING = 2.0           # how much less what is behind counts: by e for each 1/FADING of the volume so far
MOST = 10              # earlier lives that are looked at, the newest


LEVELS = np.linspace(0.1, 0.95, 18)  # of the changeout point
NONE = np.full(LEVELS.size, np.nan)


class Template(NamedTuple):
    """One earlier life. shape: dP at SHARES of it, not falling; total: its volume up to the changeout point, or to its
    end where `censored`: then its shape is not used; misses: by how much the laws would have missed on it from each of
    LEVELS, ln(forecast / truth), NaN where they would not have spoken; whole: its beginning was seen, not inferred."""

    total: float
    shape: Array
    censored: bool = False
    misses: Array = NONE
    whole: bool = True


class Belief(NamedTuple):
    """Remaining volume as weighted values, each with the standard deviation of its logarithm."""

    remaining: Array
    weight: Array
    error: Array


class Kind(NamedTuple):
    """Lives of one part: mean of ln L with its standard error, and by how much lives differ about it."""

    mean: float
    error: float
    spread: float


def template(volume: Array, dp: Array, weight: Array, *, limit: float, total: float | None) -> Template:
    """From a loading curve. total: where it reached `limit` [Pa]; None where it was ended before."""
    rising = pooled(dp, weight)
    if total is None:
        return Template(float(volume[-1]), np.empty(0), censored=True)
    k = int(np.searchsorted(rising, limit))
    k = min(k, int(np.searchsorted(volume, total)))
    x, f = np.append(volume[:k], total), np.append(rising[:k], limit)
    return Template(total, np.interp(SHARES * total, x, f))


def life_of(templates: Sequence[Template]) -> Kind | None:
    """None without one that was seen to its end. A censored one counts as what its kind would be expected to have
    reached."""
    logs = np.log([t.total for t in templates])
    cut = np.array([t.censored for t in templates], bool)
    if cut.all():
        return None
    mean, spread = float(logs[~cut].mean()), OWN_SPREAD
    for _ in range(8):
        filled = np.where(cut, _beyond(logs, mean, spread), logs)
        mean = float(filled.mean())
        squares = float(np.sum((filled - mean) ** 2)) + OWN_WORTH * OWN_SPREAD**2
        spread = math.sqrt(squares / (OWN_WORTH + logs.size - 1))
    return Kind(mean, spread / math.sqrt(logs.size), spread)


def _beyond(logs: Array, mean: float, spread: float) -> Array:
    """Expected ln L of lives that were ended at `logs`: the mean of a normal above a bound."""
    z = np.clip((logs - mean) / spread, -6, 6)
    density = np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
    above = 0.5 * np.array([math.erfc(v / math.sqrt(2)) for v in z.tolist()])
    return np.asarray(mean + spread * density / np.maximum(above, 1e-9))


def believe(
    templates: Sequence[Template], volume: Array, dp: Array, weight: Array, *, now: float, level: float,
    level_error: float, limit: float, whole: bool = True,
) -> Belief | None:
    """Remaining volume from `now`; None without an earlier life that was seen to its end. volume, dp, weight: the curve
    so far; level: dP now with its standard error; limit: dP of the changeout point; whole: whether the curve begins
    with clean elements: else each earlier life tells by dP how much of this one had gone before."""
    templates = templates[-MOST:]
    known = life_of(templates) if templates else None
    if known is None:
        return None
    shapes = np.stack([t.shape for t in templates if not t.censored])       # (J, shares)
    totals = np.exp(known.mean + math.hypot(known.error, known.spread) * GRID)      # (G,)
    share = weight * np.exp(FADING * (volume - now) / max(now, 1e-12))
    share *= EFFECTIVE / share.sum()
    gone = np.zeros(1) if whole else np.array([float(np.interp(begin(dp, weight), s, SHARES)) for s in shapes])
    at = gone[:, None, None] + volume / totals[:, None]                     # (J or 1, G, N)
    predicted, slope = follow(shapes, at)                                   # (J, G, N)
    variance = (slope * at * SHAPE_ERROR) ** 2 + (DP_ERROR * limit) ** 2 + (DP_RELATIVE * predicted) ** 2
    misfit = ((dp - predicted) ** 2 / variance + np.log(variance)) @ share  # (J, G)
    weights = np.exp(-0.5 * (misfit - misfit.min() + GRID**2))
    used, error = place(gone[:, None] + now / totals, shapes, level, level_error, limit)
    return Belief((totals * (1 - used)).ravel(), (weights / weights.sum()).ravel(), (error / (1 - used)).ravel())


def alike(
    templates: Sequence[Template], volume: Array, rising: Array, *, now: float, level: float, level_error: float,
    limit: float,
) -> tuple[float, float] | None:
    """Mean and standard deviation of ln(remaining volume) by what was left in earlier lives at dP `level` [Pa]; None
    without one that was seen to its end. volume, rising: the curve so far, dP not falling."""
    ended = [t for t in templates[-MOST:] if not t.censored]
    if not ended:
        return None
    logs = np.log([t.total for t in ended])
    squares = float(np.sum((logs - logs.mean()) ** 2)) + OWN_WORTH * OWN_PACE**2
    differ = squares / (OWN_WORTH + logs.size - 1) * (1 + 1 / logs.size)
    unsure = math.hypot(level_error, DP_ERROR * limit)
    means, variances, weights = np.zeros(logs.size), np.zeros(logs.size), np.ones(logs.size)
    for j, t in enumerate(ended):
        near, at, far = (math.log(max(left_at(t, dp), PLACE_ERROR * 0.25 * t.total))
                         for dp in (level + unsure, level, level - unsure))  # fmt: skip
        since = max(PACE_FROM * level, float(rising[0]), float(t.shape[0]))
        took = now - float(np.interp(since, climbing(rising), volume))
        then = left_at(t, since) - left_at(t, level)
        spread = differ
        if level > 1.05 * since and took > 0 and then > 0:
            error = PACE_ERROR**2 + (PACE_DP_ERROR * limit / (level - since)) ** 2
            slower, share = math.log(took / then), differ / (differ + error)
            means[j], spread, weights[j] = share * slower, share * error, math.exp(-0.5 * slower**2 / (differ + error))
        means[j] += at
        variances[j] = spread + LEFT_ERROR**2 + (0.5 * (far - near)) ** 2
    weights /= weights.sum()
    mean = float(weights @ means)
    return mean, math.sqrt(float(weights @ (variances + (means - mean) ** 2)))


def left_at(t: Template, dp: float) -> float:
    """Volume that was left when dP was reached."""
    return t.total * (1 - float(np.interp(dp, climbing(t.shape), SHARES)))


def climbing(rising: Array) -> Array:
    """What does not fall, made to rise by as good as nothing, so that it can be read backwards."""
    return np.asarray(rising + 1e-6 * np.arange(rising.size))


def begin(dp: Array, weight: Array) -> float:
    """dP of the first points."""
    few = max(3, dp.size // 12)
    return float(np.average(dp[:few], weights=weight[:few]))


def follow(shapes: Array, at: Array) -> tuple[Array, Array]:
    """dP and its slope per share of a life, (J, G, N), of templates (J, shares) at shares `at` (J or 1, G, N); beyond
    its end a template goes on as in its last tenth."""
    step = SHARES.size - 1
    k = np.clip((at * step).astype(int), 0, step - 1)
    steep = np.diff(shapes, axis=1) * step
    last = (shapes[:, -1] - shapes[:, 90]) / 0.1
    j = np.arange(shapes.shape[0])[:, None, None]
    slope = np.where(at > 1, last[:, None, None], steep[j, k])
    start = np.where(at > 1, 1.0, k / step)
    return np.where(at > 1, shapes[:, -1][:, None, None], shapes[j, k]) + slope * (at - start), slope


def place(by_volume: Array, shapes: Array, level: float, level_error: float, limit: float) -> tuple[Array, Array]:
    """Share of the life used with its standard deviation, (J, G): by volume (J or 1, G), and by dP, each as sure as it
    is there."""
    error = math.hypot(level_error, DP_ERROR * limit, DP_RELATIVE * level)
    lower, by_dp, upper = (
        np.array([float(np.interp(v, s, SHARES)) for s in shapes])[:, None]
        for v in (level - error, level, level + error)
    )  # fmt: skip
    by_dp_weight = np.maximum(0.5 * (upper - lower), PLACE_ERROR) ** -2
    by_volume_weight = (VOLUME_ERROR * np.maximum(by_volume, 0.2)) ** -2
    mixed = by_dp_weight * by_dp + by_volume_weight * np.minimum(by_volume, 1.0)
    used = np.minimum(mixed / (by_dp_weight + by_volume_weight), 0.999)
    return np.asarray(used), np.asarray((by_dp_weight + by_volume_weight) ** -0.5)
