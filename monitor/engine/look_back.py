"""Reading the row tier's look back: steady levels of a skid over a span of the last twenty minutes."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.engine.layout import BLOCK_FIELDS, BLOCK_S, BLOCKS, NORMALISED, RING
from monitor.hydraulics.network import Conditions
from monitor.model import NS

BLOCK = BLOCK_S * NS
FLOW_RATIO = BLOCK_FIELDS.index("flow")
ENOUGH_BLOCKS = 12       # for a rate
STEADY_FLOW = 0.06       # of flow, between the least and the most of blocks with their noise


class Level(NamedTuple):
    """Medians over blocks. error: standard error of dP relative to it, from the blocks' own scatter."""

    state: Conditions
    inlet: float
    outlet: float
    turbidity: float
    vessels: tuple[float, ...]
    error: float
    blocks: int


def level(history: np.record, start: int, end: int) -> Level | None:
    """Level between two times [ns]; None without a block whose dP is known."""
    starts = history["start"]
    chosen = np.flatnonzero((starts >= start) & (starts <= end - BLOCK))
    means = history["means"][chosen[chosen < int(history["used"])]].astype(float)
    means = means[np.isfinite(means[:, 0])]
    if len(means) == 0:
        return None
    middle = _medians(means)
    drop = means[:, :1]
    scatter = 1.4826 * _medians(np.abs(drop - middle[0]))[0] * math.sqrt(math.pi / 2 / len(drop))
    plain = len(BLOCK_FIELDS)
    return Level(
        Conditions(middle[0], middle[1], middle[2], middle[3]),
        inlet=middle[4], outlet=middle[5], turbidity=middle[plain - 1], vessels=tuple(middle[plain:]),
        error=scatter / abs(middle[0]) if middle[0] else math.inf, blocks=len(drop),
    )  # fmt: skip


def latest_seconds(state: np.record, back: int, count: int) -> list[int]:
    """Places in the row tier's rings of `count` seconds that end `back` seconds before the newest."""
    newest = int(state["tick"]) // NS - 1     # `tick` is the next one
    return [(newest - back - j) % RING for j in range(count)]


def seconds(state: np.record, back: int, count: int, vessels: int) -> Level:
    """Means of `count` seconds that end `back` seconds before the newest, from the row tier's rings; of vessels' own
    pressures and turbidity nothing."""
    taken = latest_seconds(state, back, count)
    rings = ("ring_dp", "ring_flow", "ring_ratio", "ring_density", "ring_inlet", "ring_outlet")
    means = [float(np.mean(np.asarray(state[name])[taken])) for name in rings]
    return Level(Conditions(*means[:4]), means[4], means[5], math.nan, (math.nan,) * vessels, 0.0, 0)


def off_inlet(history: np.record, start: int, end: int) -> float:
    """The furthest [Pa] that any vessel's pressure was below the inlet header's in a block between two times [ns]; 0
    where none is known."""
    starts = history["start"][: int(history["used"])]
    means = history["means"][: starts.size][(starts >= start) & (starts <= end)].astype(float)
    below = means[:, BLOCK_FIELDS.index("inlet"), None] - means[:, len(BLOCK_FIELDS) :]
    return float(np.max(below, initial=0.0, where=np.isfinite(below)))


def growth(history: np.record, start: int, end: int) -> float:
    """Rate of ln(normalised dP) between two times [1/s], by the median of slopes (Theil 1950); 0 where unknown.

    Also 0 where flow moved: what is left of it in normalised dP would look like growth.
    """
    starts = np.asarray(history["start"])
    used = min(int(history["used"]), BLOCKS)
    chosen = np.flatnonzero((starts >= start) & (starts + BLOCK <= end) & (np.arange(BLOCKS) < used))
    means = np.asarray(history["means"], dtype=float)[chosen]
    level, flow = means[:, NORMALISED], means[:, FLOW_RATIO]
    usable = np.isfinite(level) & (level > 0) & np.isfinite(flow)
    if np.count_nonzero(usable) < ENOUGH_BLOCKS or np.ptp(flow[usable]) > STEADY_FLOW * np.median(flow[usable]):
        return 0.0
    x, y = (starts[chosen][usable] - start) / NS, np.log(level[usable])
    i, j = np.triu_indices(x.size, 1)
    slopes = (y[j] - y[i]) / (x[j] - x[i])
    return float(np.median(slopes))


def _medians(means: npt.NDArray[np.float64]) -> list[float]:
    """Median of what is known in each column, NaN where nothing is. All at once: this runs every ten minutes of a
    year, and numpy's own median, a column at a time, takes most of that."""
    ordered = np.sort(means, axis=0)    # NaN last
    known = np.count_nonzero(~np.isnan(ordered), axis=0)
    column = np.arange(known.size)
    low, high = ordered[np.maximum(known - 1, 0) // 2, column], ordered[known // 2, column]
    middle: list[float] = (0.5 * (low + high)).tolist()
    return middle
