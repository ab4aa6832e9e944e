"""Reading the row tier's look back: steady levels of a skid over a span of the last twenty minutes."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from monitor.engine.layout import BLOCK_FIELDS, BLOCK_S, BLOCKS
from monitor.hydraulics.network import Conditions
from monitor.model import NS

BLOCK = BLOCK_S * NS


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
    starts = np.asarray(history["start"])
    used = min(int(history["used"]), BLOCKS)
    chosen = np.flatnonzero((starts >= start) & (starts + BLOCK <= end) & (np.arange(BLOCKS) < used))
    means = np.asarray(history["means"], dtype=float)[chosen]
    means = means[np.isfinite(means[:, 0])]
    if len(means) == 0:
        return None
    with np.errstate(all="ignore"):
        middle = [_median(column) for column in means.T]
    drop = means[:, 0]
    scatter = 1.4826 * float(np.median(np.abs(drop - middle[0]))) * math.sqrt(math.pi / 2 / len(drop))
    plain = len(BLOCK_FIELDS)
    return Level(
        Conditions(middle[0], middle[1], middle[2], middle[3]),
        inlet=middle[4], outlet=middle[5], turbidity=middle[plain - 1], vessels=tuple(middle[plain:]),
        error=scatter / abs(middle[0]) if middle[0] else math.inf, blocks=len(drop),
    )  # fmt: skip


def _median(column: np.ndarray) -> float:
    known = column[np.isfinite(column)]
    return float(np.median(known)) if known.size else math.nan
