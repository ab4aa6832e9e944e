"""Loading unlike that of earlier lives: dP that does not rise while volume passes, or rises many times as fast.

Both are told only where every earlier life says so, and by far: water carries more or less from day to day, and lives
differ. What counts as far is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.forecast.curve import Point, columns
from monitor.forecast.prior import SHARES, Template

Array = npt.NDArray[np.float64]

STALLED, FAST = "stalled", "fast"
LIVES = 2                # seen to their end, at least
ENDS, BETWEEN = 4, 5     # points averaged at either end of a stretch, and at least between these
LONGER = 1.5             # times the volume of an earlier life: lives differ by that much
DP_ERROR = 0.03          # of the changeout point: so much lower the level may have been at which the stretch began
EXPECTED = 0.25          # of the changeout point: rise of each earlier life over the same volume, before none is told
HARDLY = 0.1             # of that rise: less is none
RISE = 0.2               # of the changeout point: rise whose rate is compared
TIMES = 5.0              # faster than the fastest earlier life
LEAST_S = 900.0          # of running: what is over sooner is a step, not loading
STEP = 0.4               # of a rise: more between two points is a step too


class Unusual(NamedTuple):
    """what: STALLED or FAST. Over the newest `carried` (m^3, or s of running), which took `seconds` of running, dP rose
    by `rise` [Pa]. usual: STALLED: least rise [Pa] of an earlier life over as much; FAST: least that one took for such
    a rise. lives: how many were compared."""

    what: str
    carried: float
    seconds: float
    rise: float
    usual: float
    lives: int


def unusual(points: Sequence[Point], lives: Sequence[Template], limit: float) -> Unusual | None:
    """What is unlike all earlier lives about the newest stretch; None where nothing is, or nothing can be told. points:
    the curve so far; limit: dP of the changeout point [Pa]."""
    known = [t for t in lives if not t.censored]
    if len(known) < LIVES or len(points) < 2 * ENDS + BETWEEN:
        return None
    x, dp, weight = columns(list(points))
    return _stalled(x, dp, weight, known, limit) or _fast(x, dp, weight, known, limit)


def _ends(values: Array) -> Array:
    """Means of ENDS points, by the first of them."""
    return np.convolve(values, np.full(ENDS, 1 / ENDS), "valid")


def _stalled(x: Array, dp: Array, weight: Array, lives: Sequence[Template], limit: float) -> Unusual | None:
    middle, level = _ends(x), _ends(dp)
    starts = level.size - ENDS - BETWEEN
    carried, rise = middle[-1] - middle[:starts], level[-1] - level[:starts]
    expected = np.full(starts, np.inf)
    for life in lives:
        begun = np.interp(level[:starts] - DP_ERROR * limit, life.shape, SHARES)
        ended = np.interp(begun + carried / (LONGER * life.total), SHARES, life.shape)
        expected = np.minimum(expected, ended - level[:starts])
    told = np.flatnonzero((expected >= EXPECTED * limit) & (rise <= HARDLY * expected))
    if told.size == 0:
        return None
    k = int(told[np.argmax(expected[told])])
    return Unusual(STALLED, float(carried[k]), float(weight[k:].sum()), float(rise[k]), float(expected[k]), len(lives))


def _fast(x: Array, dp: Array, weight: Array, lives: Sequence[Template], limit: float) -> Unusual | None:
    middle, level = _ends(x), _ends(dp)
    lasted = np.cumsum(weight[::-1])[::-1][: level.size]
    lower = np.flatnonzero((level <= level[-1] - RISE * limit) & (lasted >= LEAST_S))
    lower = lower[lower <= level.size - ENDS - BETWEEN]
    if lower.size == 0:
        return None
    k = int(lower[-1])
    rise, carried, seconds = float(level[-1] - level[k]), float(middle[-1] - middle[k]), float(lasted[k])
    if carried <= 0 or np.abs(np.diff(dp[k:])).max() > STEP * rise:
        return None
    usual = min(t.total * float(np.diff(np.interp([level[k], level[-1]], t.shape, SHARES))[0]) for t in lives)
    if usual < TIMES * carried:
        return None
    return Unusual(FAST, carried, seconds, rise, usual, len(lives))
