"""The event tier's look back: means over blocks of some seconds, kept for some twenty minutes, and headers and
normalised dP of one block a minute for two hours (compiled)."""

from __future__ import annotations

import math

import numpy as np

from monitor.compiled import compiled
from monitor.engine.codes import (
    BLOCK_COLUMNS,
    BLOCK_FIELDS,
    BLOCK_S,
    BLOCKS,
    KEPT,
    KEPT_EVERY,
    NORMALISED,
    RING,
    TURBIDITY,
)
from monitor.hydraulics.frame import reading

SECOND = 1_000_000_000
PLAIN = len(BLOCK_FIELDS)
INLET, OUTLET = BLOCK_FIELDS.index("inlet"), BLOCK_FIELDS.index("outlet")


@compiled
def column(skid, parameters, sensors, newest, k):  # type: ignore[no-untyped-def]
    """Value now of a block's column."""
    if k == 0:
        return skid.ring_dp[newest]
    if k == 1:
        return skid.ring_flow[newest]
    if k == 2:
        return skid.ring_ratio[newest]
    if k == 3:
        return skid.ring_density[newest]
    if k == 4:
        return skid.inlet
    if k == 5:
        return skid.outlet
    if k == NORMALISED:
        return skid.momentary
    if k == PLAIN - 1:
        return reading(sensors, parameters, TURBIDITY)
    signal = parameters.vessel_signal[k - PLAIN]
    return sensors[signal].now if signal >= 0 else np.nan


@compiled
def add_block(history, skid, parameters, sensors, tick):  # type: ignore[no-untyped-def]
    """Add this second; a block that is over is closed first."""
    start = (tick - SECOND) // (BLOCK_S * SECOND) * (BLOCK_S * SECOND)
    if history.open != start:
        if history.open != 0:
            k = history.used & (BLOCKS - 1)
            history.start[k] = history.open
            for c in range(BLOCK_COLUMNS):
                mean = history.sums[c] / history.known[c] if 2 * history.known[c] >= BLOCK_S else np.nan
                history.means[k, c] = mean
                history.sums[c] = 0.0
                history.known[c] = 0
            if history.used % KEPT_EVERY == 0:
                j = history.used // KEPT_EVERY & (KEPT - 1)
                history.kept_start[j] = history.open
                history.kept[j, 0], history.kept[j, 1] = history.means[k, INLET], history.means[k, OUTLET]
                history.kept[j, 2] = history.means[k, NORMALISED]
            history.used += 1
        history.open = start
    newest = tick // SECOND & (RING - 1)
    for c in range(BLOCK_COLUMNS):
        x = column(skid, parameters, sensors, newest, c)
        if math.isfinite(x):
            history.sums[c] += x
            history.known[c] += 1
