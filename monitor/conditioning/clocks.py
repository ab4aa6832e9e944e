"""Clocks that do not agree: what moves with the process is kept for some minutes, so that transients of one signal can
be compared with those of another, and signals whose clocks are apart are laid side by side (compiled).

A transient moves both headers, flow and vessels within a second or two; what comes later comes by another clock. How
far apart they are is told by the event tier (`engine.clocks`); here signals with early clocks wait for the latest one.
"""

from __future__ import annotations

import math

import numpy as np

from monitor.compiled import compiled
from monitor.engine.codes import CLOCK, NOTED, TRACE
from monitor.engine.emissions import emit

SECOND = 1_000_000_000
MOVE_S = 10          # seconds within which the reference must move
MOVES = 0.03         # of its level: what counts as a move
NOISES = 10.0        # and of its noise
AFTER_S = 110        # seconds from there until a clock a minute behind has shown the move too


@compiled
def keep_trace(trace, settings, sensors, healths, scales, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Keep this second; emit when a transient is over. Returns how many emissions there are."""
    if settings.traced < 2:
        return emitted
    second = tick // SECOND
    for c in range(settings.traced):
        trace.values[second % TRACE, c] = sensors[settings.trace_signal[c]].now
    if trace.begun == 0:
        trace.begun = tick
    if trace.moved == 0:
        now, before = trace.values[second % TRACE, 0], trace.values[(second - MOVE_S) % TRACE, 0]
        change = abs(now - before)
        if change > MOVES * max(abs(now), abs(before)) and tick - trace.begun >= MOVE_S * SECOND:
            k = settings.trace_signal[0]
            if change > NOISES * healths[k].scatter * scales[k].scale:
                trace.moved = tick
    elif tick - trace.moved >= AFTER_S * SECOND:
        moved = trace.moved
        trace.moved = 0
        return emit(emissions, emitted, NOTED, CLOCK, -1, -1, tick, moved, np.nan)
    return emitted


@compiled
def align(trace, settings, sensors, tick):  # type: ignore[no-untyped-def]
    """Put values of earlier seconds in the place of those of clocks that are ahead of the latest one."""
    for c in range(settings.traced):
        delay = trace.delay[c]
        if delay > 0:
            sensor = sensors[settings.trace_signal[c]]
            then = tick - delay * SECOND
            sensor.now = trace.values[then // SECOND % TRACE, c] if then >= trace.begun else np.nan
            if math.isfinite(sensor.now):
                sensor.high = sensor.now
