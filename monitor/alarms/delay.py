"""On-delay, off-delay and deadband of one alarm (ISA-18.2 / IEC 62682 terms)."""

from __future__ import annotations

import math

from monitor.compiled import compiled
from monitor.engine.codes import CLEARED, RAISED


@compiled
def judge(alarm, parameters, value, tick):  # type: ignore[no-untyped-def]
    """Judge a value [unit of the limit] at a tick [ns]; returns RAISED, CLEARED or 0.

    A value that is not known changes nothing but that a delay starts over.
    """
    if not math.isfinite(value) or parameters.enabled == 0:
        alarm.pending_since = 0
        alarm.leaving_since = 0
        return 0
    if alarm.active == 0:
        if value < parameters.limit:
            alarm.pending_since = 0
            return 0
        if alarm.pending_since == 0:
            alarm.pending_since = tick
        if tick - alarm.pending_since < parameters.on_delay:
            return 0
        alarm.active, alarm.changed, alarm.leaving_since = 1, tick, 0
        return RAISED
    if value >= parameters.clear:
        alarm.leaving_since = 0
        return 0
    if alarm.leaving_since == 0:
        alarm.leaving_since = tick
    if tick - alarm.leaving_since < parameters.off_delay:
        return 0
    alarm.active, alarm.changed, alarm.pending_since = 0, tick, 0
    return CLEARED
