"""Steps of one header alone, in service: candidates for a zero that moved (compiled).

Valves, pumps and elements move both headers or the flow, or take their time; a transmitter's zero can jump from one
reading to the next while nothing else moves. Under pressure or flow control an element can do the same, so a step
is remembered, not raised: the next idle offset tells.
"""

from __future__ import annotations

import math

from monitor.compiled import compiled
from monitor.engine.codes import BLOCK_FIELDS, BLOCKS
from monitor.engine.layout_signals import STEPS

IN, OUT, FLOW_RATIO = BLOCK_FIELDS.index("inlet"), BLOCK_FIELDS.index("outlet"), BLOCK_FIELDS.index("flow")
LEVEL = 3            # blocks of the look back on each side of the one with the step
SMALLEST = 0.003     # of the pair's span (common practice, no source)
ALONE = 0.2          # of the step: most that the other header may move
QUIET = 0.3          # of the step: most that the levels before and after may scatter
FLOW_MOVES = 0.03    # of reference flow


@compiled
def level(history, newest, column):  # type: ignore[no-untyped-def]
    """Mean of LEVEL blocks up to block number `newest`, and how far they lie apart; NaN where one is unknown."""
    total, low, high = 0.0, math.inf, -math.inf
    for j in range(LEVEL):
        x = float(history.means[(newest - j) % BLOCKS, column])
        total += x
        low, high = min(low, x), max(high, x)
    return total / LEVEL, high - low


@compiled
def look_for_steps(pair, history, span):  # type: ignore[no-untyped-def]
    """Search the blocks that closed since last time; span: of the pair, Pa."""
    if pair.steps_seen == history.used:
        return
    pair.steps_seen = history.used
    after, before = history.used - 1, history.used - 2 - LEVEL
    if before < LEVEL - 1:
        return
    inlet, outlet = level(history, after, IN), level(history, after, OUT)
    inlet_was, outlet_was = level(history, before, IN), level(history, before, OUT)
    moved_in, moved_out = inlet[0] - inlet_was[0], outlet[0] - outlet_was[0]
    size = moved_in if abs(moved_in) > abs(moved_out) else -moved_out
    if not abs(size) > SMALLEST * span:
        return
    scatter = max(max(inlet[1], outlet[1]), max(inlet_was[1], outlet_was[1]))
    alone = min(abs(moved_in), abs(moved_out)) <= ALONE * abs(size)
    if not (alone and scatter <= QUIET * abs(size)):
        return
    flow = abs(level(history, after, FLOW_RATIO)[0] - level(history, before, FLOW_RATIO)[0])
    if flow > FLOW_MOVES:
        return
    keep(pair, size, history.start[(after - LEVEL) % BLOCKS], 1 if abs(moved_out) > abs(moved_in) else 0)


@compiled
def keep(pair, size, at, outlet):  # type: ignore[no-untyped-def]
    """Remember a step; the neighbour of one that is remembered is the same one."""
    if at - pair.step_at[STEPS - 1] > 30_000_000_000:
        for j in range(STEPS - 1):
            pair.step_at[j], pair.step_size[j] = pair.step_at[j + 1], pair.step_size[j + 1]
            pair.step_outlet[j] = pair.step_outlet[j + 1]
    elif abs(size) <= abs(pair.step_size[STEPS - 1]):
        return
    pair.step_at[STEPS - 1], pair.step_size[STEPS - 1], pair.step_outlet[STEPS - 1] = at, size, outlet
