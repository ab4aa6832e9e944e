"""Resistance lost at once: a sharp fall of normalised dP in service, and stops across which it has to be compared.

The row tier only says that it fell, beyond noise and settled; what explains it the event tier weighs.
"""

from __future__ import annotations

import math

from monitor.compiled import compiled
from monitor.detectors.isolation import LAG, RECENT, SETTLING, STILL, block_average, scatter
from monitor.detectors.sudden import sudden_fall
from monitor.engine.codes import BLOCK_S, BREACH, DROPPED, GRADUAL, NORMALISED, RING, STARTED, STOPPED, SUDDEN
from monitor.engine.emissions import emit
from monitor.hydraulics.frame import mean

SECOND = 1_000_000_000
SMALLEST = 0.12          # fall of ln(normalised dP) worth weighing: a loss of 11 %
UNMOVED = math.exp(0.9 * SMALLEST)   # a ratio that surely is none
SIGNIFICANT = 6.0        # times the scatter before it
CONFIRM = 4              # seconds it must last
AT_ONCE = 2              # and a large one at a flow that stands
QUIET = 90               # seconds after flow came, a vessel came back or a fall was told, in which none is looked for
LOST, FOUND = 60, 30     # seconds without a usable value that make a stop, and with one that end it
SPAN, APART = 5, 6       # blocks averaged, and between the two averages: for falls that noise hides from seconds


@compiled
def watch_drop(skid, parameters, history, healths, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Follow stops and falls of one skid; returns how many emissions there are."""
    emitted = watch_stops(skid, tick, emissions, emitted)
    since = max(skid.flow_since, skid.returned_at, skid.dropped_at, skid.steady_since)
    if skid.flowing == 0 or skid.steady == 0 or skid.isolated_since != 0 or tick - since < QUIET * SECOND:
        skid.dropping, skid.sudden = 0, 0
        return emitted
    large, back = sudden_fall(skid, parameters, healths, tick // SECOND & (RING - 1))
    skid.sudden = skid.sudden + 1 if large > 0.0 else 0
    if skid.sudden == AT_ONCE:
        emitted = emit(emissions, emitted, DROPPED, BREACH, -1, SUDDEN, tick, tick - back * SECOND, large)
    fall = fall_of_seconds(skid, tick // SECOND & (RING - 1))
    skid.dropping = skid.dropping + 1 if fall > 0.0 else 0
    if skid.dropping < CONFIRM:
        fall = fall_of_blocks(history, tick)
        if fall == 0.0:
            return emitted
    skid.dropping = 0
    skid.dropped_at = tick
    return emit(emissions, emitted, DROPPED, BREACH, -1, GRADUAL, tick, tick, fall)


@compiled
def fall_of_seconds(skid, newest):  # type: ignore[no-untyped-def]
    """Fall of ln(normalised dP) within the last seconds, 0 where there is none beyond noise or it still goes on."""
    ring, filled = skid.ring_normalised, skid.filled
    now = mean(ring, filled, newest, 0, RECENT)
    before = mean(ring, filled, newest, LAG, RECENT)
    if not (now > 0.0 and before > UNMOVED * now):
        return 0.0    # nearly always: logarithms and the rest are for what has moved
    recently = mean(ring, filled, newest, SETTLING, RECENT)
    if not recently > 0.0:
        return 0.0
    fall = math.log(before / now)
    if fall < SMALLEST or math.log(recently / now) > STILL * fall:
        return 0.0
    return fall if fall > SIGNIFICANT * scatter(ring, filled, newest) else 0.0


@compiled
def fall_of_blocks(history, tick):  # type: ignore[no-untyped-def]
    """The same between averages of a minute, looked at when a block has just been closed."""
    if history.used < SPAN + APART + SPAN or (tick // SECOND) % BLOCK_S != 1:
        return 0.0
    now, now_error = block_average(history, NORMALISED, 0, SPAN)
    before, before_error = block_average(history, NORMALISED, SPAN + APART - 1, SPAN)
    if not (now > 0.0 and before > 0.0):
        return 0.0
    fall = math.log(before / now)
    noise = math.sqrt((now_error / now) ** 2 + (before_error / before) ** 2)
    return fall if fall > SMALLEST and fall > SIGNIFICANT * noise else 0.0


@compiled
def watch_stops(skid, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Tell when normalised dP has been without a value for a while, and when it has one again."""
    usable = skid.flowing == 1 and math.isfinite(skid.momentary)
    if usable == (skid.steady == 1):
        skid.unsteady = 0
        return emitted
    skid.unsteady += 1
    if skid.unsteady < (FOUND if usable else LOST):
        return emitted
    onset = tick - skid.unsteady * SECOND
    skid.unsteady = 0
    skid.steady = 1 if usable else 0
    if usable:
        skid.steady_since = onset
    return emit(emissions, emitted, STARTED if usable else STOPPED, BREACH, -1, -1, tick, onset, skid.momentary)
