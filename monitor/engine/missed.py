"""A vessel that left with a step too small to be seen at once, found when it comes back.

Of several vessels seen from the headers only, a loaded one beside clean ones carries a few percent of the flow. Its
return, clean, is a large fall, which looks like a loss of resistance: then the look back is searched for the step.
"""

from __future__ import annotations

import numpy as np

from monitor.engine.codes import BLOCK_FIELDS, BLOCK_S, BLOCKS, NORMALISED
from monitor.model import NS

INLET, OUTLET = BLOCK_FIELDS.index("inlet"), BLOCK_FIELDS.index("outlet")
SIDE, GAP = 12, 2        # blocks at least on each side of a step, and left out between them
REACH = 30               # blocks looked at on each side
FEWEST = 20              # blocks that it must have stood since: a changeout takes minutes
RISE = 0.012             # of ln(normalised dP)
SIGNIFICANT = 6.0        # standard errors: some hundred places are tried
KEPT = 0.5               # part of the rise that must still be there just before the fall
AGAINST = 0.3            # of dP's rise, at most this may a header move the wrong way


def step_before(history: np.record, fallen: int) -> int | None:
    """Time [ns] of the clearest small rise of resistance in the look back before a fall; None where there is none."""
    means = _blocks(history, fallen)
    if means is None:
        return None
    level = np.log(means[:, NORMALISED])
    places = range(SIDE, len(level) - max(SIDE + GAP, FEWEST) + 1)
    found = [(*_step(level, k), k) for k in places]
    clear = [(t, k) for rise, t, k in found if rise > RISE and t > SIGNIFICANT and _stands(level, k, rise)]
    if not clear:
        return None
    _, k = max(clear)
    if not _parted(means, k):
        return None
    return fallen - (len(level) - k) * BLOCK_S * NS


def _blocks(history: np.record, fallen: int) -> np.ndarray | None:
    """Blocks before the fall in order of time, as far back as they are all known."""
    used = min(int(history["used"]), BLOCKS)
    starts = np.asarray(history["start"])[:used]
    order = np.argsort(starts)
    order = order[starts[order] + BLOCK_S * NS <= fallen]
    means = np.asarray(history["means"], dtype=float)[order]
    usable = np.isfinite(means[:, NORMALISED]) & (means[:, NORMALISED] > 0)
    bad = np.flatnonzero(~usable | (np.diff(starts[order], prepend=starts[order][:1]) > BLOCK_S * NS))
    means = means[bad[-1] + 1 :] if bad.size else means
    return means if len(means) >= SIDE + max(SIDE + GAP, FEWEST) else None


def _step(level: np.ndarray, k: int) -> tuple[float, float]:
    """Rise at place k beside a straight line through both sides, and how many standard errors it is: by least squares,
    else loading that goes on would look like a step wherever levels scatter little."""
    chosen = np.r_[max(0, k - REACH) : k, k + GAP : min(len(level), k + GAP + REACH)]
    time, after, y = chosen - float(chosen.mean()), (chosen >= k).astype(float), level[chosen]
    after, y = after - after.mean(), y - y.mean()
    after = after - time * (after @ time) / (time @ time)
    y = y - time * (y @ time) / (time @ time)
    rise = float(after @ y / (after @ after))
    left = y - rise * after
    error = float(np.sqrt(left @ left / (len(y) - 3) / (after @ after)))
    return rise, rise / max(error, 1e-6)


def _stands(level: np.ndarray, k: int, rise: float) -> bool:
    return float(np.median(level[-6:]) - np.median(level[k - SIDE : k])) > KEPT * rise


def _parted(means: np.ndarray, k: int) -> bool:
    """Whether inlet went up and outlet down at a place, as when resistance rises; one may stay flat."""
    before, after = means[k - SIDE : k].mean(0), means[k + GAP : k + GAP + SIDE].mean(0)
    up, down = after[INLET] - before[INLET], before[OUTLET] - after[OUTLET]
    if not np.isfinite(up + down):
        return True
    return bool(up > -AGAINST * (up + down) and down > -AGAINST * (up + down))
