"""The loading curve of one life: resistance over volume (or hours), in a bounded number of points."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Point = tuple[float, float, float]     # volume [m^3] or running time [s] since the life began, dP [Pa], weight [s]

MOST = 64


def add_point(points: list[Point], point: Point, point_dp: float) -> None:
    """Append in place; beyond MOST, the two neighbours that are nearest to each other become one.

    point_dp: the dP of the changeout point, which dP is measured by.
    """
    points.append(point)
    if len(points) <= MOST:
        return
    table = np.array(points)
    steps = np.abs(np.diff(table[:, 0])) / max(table[-1, 0], 1e-12) + np.abs(np.diff(table[:, 1])) / point_dp
    # The newest few stay as they are: they say where dP is now. Mean weight keeps old points from growing without end.
    k = int(np.argmin(steps[:-4] * (table[:-5, 2] + table[1:-4, 2]) ** 0.5))
    (x0, d0, w0), (x1, d1, w1) = points[k], points[k + 1]
    w = w0 + w1
    points[k : k + 2] = [((x0 * w0 + x1 * w1) / w, (d0 * w0 + d1 * w1) / w, w)]


def smooth(x: Array, dp: Array, weight: Array, width: float) -> Array:
    """dP that never falls: a local mean over neighbours within `width` of x, then made monotone by pooling."""
    span = np.abs(x[:, None] - x[None, :]) <= width
    local = (span * (weight * dp)[None, :]).sum(1) / (span * weight[None, :]).sum(1)
    return pooled(local, weight)


def pooled(y: Array, weight: Array) -> Array:
    """The nearest sequence that never falls (pool adjacent violators; Ayer et al. 1955)."""
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
