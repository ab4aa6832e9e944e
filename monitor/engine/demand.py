"""Whether demand has fallen, where no meter tells: then dP falls as it does when an element gives way.

Demand takes its time; or, where a controller holds a header, both headers rise first, before it has cut the supply. An
element gives way at once, and from then on the inlet is lower.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from monitor.engine.codes import BLOCK_FIELDS, BLOCK_S, BLOCKS
from monitor.engine.look_back import Level
from monitor.model import NS

BEFORE, LEAST, LAST = 24, 8, 12   # blocks: of the scatter before the fall, at least; of a fall, at most
AT_ONCE = 0.6            # of the fall, in so short a time that an element may have given way
BEGUN = 0.2              # of the fall: from then on it was under way
AHEAD, AFTER = 5, 1      # blocks before and after that in which headers rise first
SIGNIFICANT = 4.0        # times the scatter of a header's blocks
PART = 0.05              # of the fall of dP: a header that rose by less did not rise
HELD = 0.5               # of its rise: an outlet that stays higher by less is held
QUICK_S = 6              # between readings, so that a block shows both headers at one time
DROP, INLET, OUTLET = (BLOCK_FIELDS.index(name) for name in ("pressure_drop", "inlet", "outlet"))
Array = npt.NDArray[np.float64]


def demand_fell(history: np.record, before: Level, after: Level, time: int, interval: float) -> bool:
    """Whether the fall of dP between two levels, which is over by now, is one of demand.

    interval: seconds between readings of the slower header.
    """
    starts = np.asarray(history["start"])[: min(int(history["used"]), BLOCKS)]
    order = np.argsort(starts)
    means = np.asarray(history["means"], float)[order]
    known = np.isfinite(means[:, [DROP, INLET, OUTLET]]).all(axis=1)
    blocks = means[(starts[order] > time - (BEFORE + 2 * LAST) * BLOCK_S * NS) & known]
    fall = before.state.pressure_drop - after.state.pressure_drop
    apart = 1 + math.ceil(max(interval, BLOCK_S) / BLOCK_S)
    if not fall > 0 or len(blocks) < LEAST + apart:
        return False
    drop = blocks[:, DROP]
    if np.max(drop[:-apart] - drop[apart:]) < AT_ONCE * fall:
        return True
    above = np.flatnonzero(drop > before.state.pressure_drop - BEGUN * fall)
    if not above.size or above[-1] < AHEAD + LEAST:
        return False
    usual, begun = blocks[: above[-1] - AHEAD][-BEFORE:], blocks[above[-1] - AHEAD :]
    rises, errors = begun - np.mean(usual, axis=0), np.std(usual, axis=0, ddof=1)
    if np.max(rises[: AHEAD + AFTER + 1, INLET]) > max(SIGNIFICANT * errors[INLET], PART * fall):
        return True
    highest = int(np.argmax(rises[:, OUTLET]))
    risen, stays = rises[highest, OUTLET], after.outlet - before.outlet
    if not (interval <= QUICK_S and risen > SIGNIFICANT * errors[OUTLET] and stays < HELD * risen):
        return False
    return bool(rises[highest, INLET] > -errors[INLET]) or _outlet_first(rises[: highest + 1], errors)


def _outlet_first(rises: Array, errors: Array) -> bool:
    """Whether the outlet rose before the inlet fell: with an element that gives way they go together."""
    share = rises[-1, INLET] / rises[-1, OUTLET]
    begun = rises[:-1][rises[:-1, OUTLET] > SIGNIFICANT * errors[OUTLET]]
    ahead = begun[:, INLET] - share * begun[:, OUTLET] > SIGNIFICANT * errors[INLET]
    return bool(np.any(ahead & (begun[:, INLET] > -errors[INLET])))
