"""A failed loop: readings at or beyond NAMUR NE 43's failure limits.

A word in the place of a reading ("Bad", "I/O Timeout") says that there is none: it is used as little, but judged as
silence, because gateways and historians write such words for half a minute at a time without a transmitter at fault.
"""

from __future__ import annotations

import math

from monitor.compiled import compiled
from monitor.conditioning.range import FAIL_ABOVE, FAIL_BELOW, ROUNDING

AGREEING = 2                 # one bad reading is a lost sample; two in a row are a state
SLOW = 15_000_000_000        # ns between readings, above which one has to do


@compiled
def beyond(limits, value):  # type: ignore[no-untyped-def]
    """Whether a value is at or beyond the failure limits."""
    span = limits.high - limits.low
    low, high = limits.low - (FAIL_BELOW - ROUNDING) * span, limits.high + (FAIL_ABOVE - ROUNDING) * span
    return limits.analog == 1 and (value <= low or value >= high)


@compiled
def certain(health, limits):  # type: ignore[no-untyped-def]
    """Whether there is no value now. One bad reading is a lost sample, unless it is the only one to be had:
    on change a failed loop is reported once."""
    if health.bad_run >= AGREEING or health.gone != 0:
        return True
    told_once = limits.on_change == 1 or health.interval > SLOW
    return health.bad_run == 1 and told_once and math.isfinite(health.bad_value)


@compiled
def failed(sensor, health, limits, tick):  # type: ignore[no-untyped-def]
    """Whether the loop has failed for as long as makes it a fault."""
    lasting = sensor.bad_since != 0 and tick - sensor.bad_since >= limits.failed_after
    return lasting and math.isfinite(health.bad_value) and certain(health, limits)
