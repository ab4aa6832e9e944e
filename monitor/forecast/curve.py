"""The loading curve of one life: resistance over volume (or running time), in a bounded number of points."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Point = tuple[float, float, float]     # volume [m^3] or running time [s] since the life began, dP [Pa], weight [s]

MOST = 96        # points kept
LATEST = 8       # of them that are never merged
SPAN = 1 / 60    # of the life so far that one point stands for ...
RISE = 0.015     # ... and of the changeout point that dP moves within it
LINE = 6         # latest points through which the present level is drawn


def add_point(points: list[Point], point: Point, limit: float) -> None:
    """Add in place: into the newest point while that stands for little, else as a new one. limit: dP of the changeout
    point, which dP is measured by."""
    x, dp, weight = point
    if points:
        x0, dp0, w0 = points[-1]
        begun = points[-2][0] if len(points) > 1 else 0.0
        if x - begun <= SPAN * x and abs(dp - dp0) <= RISE * limit:
            w = w0 + weight
            points[-1] = ((x0 * w0 + x * weight) / w, (dp0 * w0 + dp * weight) / w, w)
            return
    points.append(point)
    if len(points) > MOST:
        points[:] = [*halved(points[:-LATEST]), *points[-LATEST:]]


def halved(points: list[Point]) -> list[Point]:
    """Neighbours merged two by two, by weight."""
    out = []
    for k in range(0, len(points) - 1, 2):
        (x0, d0, w0), (x1, d1, w1) = points[k], points[k + 1]
        w = w0 + w1
        out.append(((x0 * w0 + x1 * w1) / w, (d0 * w0 + d1 * w1) / w, w))
    return out + ([points[-1]] if len(points) % 2 else [])


def columns(points: list[Point]) -> tuple[Array, Array, Array]:
    """Volume, dP, weight as arrays."""
    table = np.array(points, float).reshape(-1, 3)
    return table[:, 0], table[:, 1], table[:, 2]


def level_now(points: Sequence[Point], now: float, limit: float) -> tuple[float, float]:
    """dP at volume `now` by a line through the last few points, and its standard error [Pa]. Plain numbers: arrays of
    six would cost several times as much, and a young life asks often."""
    last = points[-LINE:]
    total = sum(w for _, _, w in last)
    mean_x = sum(w * (x - now) for x, _, w in last) / total
    mean_dp = sum(w * dp for _, dp, w in last) / total
    spread = sum(w * (x - now - mean_x) ** 2 for x, _, w in last)
    if len(last) < 4 or spread <= 0:
        return mean_dp, 0.02 * limit
    slope = sum(w * (x - now - mean_x) * (dp - mean_dp) for x, dp, w in last) / spread
    squares = sum(w * (dp - mean_dp - slope * (x - now - mean_x)) ** 2 for x, dp, w in last)
    variance = squares / total / (len(last) - 2)
    leverage = 1.0 + mean_x**2 * total / spread
    return mean_dp - slope * mean_x, math.sqrt(variance * leverage)


def level_at_start(dp: Sequence[float] | Array, weight: Sequence[float] | Array) -> float:
    """Mean dP [Pa] of the first twelfth of a curve, of three points at least."""
    n = max(3, len(dp) // 12)
    return float(sum(d * w for d, w in zip(dp[:n], weight[:n], strict=True)) / sum(weight[:n]))


def pooled(y: Array, weight: Array) -> Array:
    """The nearest sequence that never falls (pool adjacent violators; Ayer et al., Ann. Math. Stat. 26 (1955) 641; from
    memory)."""
    blocks: list[list[float]] = []
    for value, w in zip(y.tolist(), weight.tolist(), strict=True):
        blocks.append([value, w, 1])
        while len(blocks) > 1 and blocks[-2][0] >= blocks[-1][0]:
            v, u, n = blocks.pop()
            last = blocks[-1]
            last[0] = (last[0] * last[1] + v * u) / (last[1] + u)
            last[1] += u
            last[2] += n
    return np.concatenate([np.full(int(n), v) for v, _, n in blocks]) if blocks else np.empty(0)
