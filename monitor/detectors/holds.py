"""Holds: a vessel that is full and blocked in, or an idle skid, whose pressure ought to stand still (compiled).

A vessel is held where it was without pressure, has been filled and has not come back, or where its pressure stays off
both headers'. The means of a hold are kept, however long it lasts: when there is no more room each two become one.
What they say is worked out in the event tier, which is woken when they have moved and when the hold is over.
"""

from __future__ import annotations

import math

import numpy as np

from monitor.compiled import compiled
from monitor.conditioning.zero import at_rest
from monitor.detectors.isolation import DEPARTED, PRESSURISED
from monitor.engine.codes import CLEARED, INLET, MAX_VESSELS, OUTLET, RETURNED, RING, SEEP, WAKE
from monitor.engine.emissions import emit
from monitor.engine.layout_integrity import IDLE, LEVELS, RECENT
from monitor.hydraulics.frame import mean

SECOND = 1_000_000_000
NONE, FILLED, HOLDING, MOVED = 0, 1, 2, 3     # MOVED: a valve was opened; filled further, or back in service
FIRST_WIDTH = 10                 # seconds in a mean at first
ENOUGH = 6                       # means, before anything is told
LOOK_AGAIN = 30_000_000_000      # ns
APART_FOR = 60                   # seconds off both headers that are a hold
AVERAGED = 20                    # seconds over which an idle skid shows no dP
IDLE_FOR = 60                    # seconds after a stop that do not count yet
LONGEST_IDLE = 7_200_000_000_000    # ns: over longer times temperature has more say than any seep
IN_SERVICE = 30                  # seconds at the inlet header's pressure with nobody isolated, that end a hold
STILL, NOISES = 0.02e5, 2.0      # Pa in half of RECENT, and times the noise: a vessel that rises by less is not filling
JUMP, JUMP_SHARE, JUMP_NOISES = 0.06e5, 0.03, 4.0   # Pa, of its pressure, and times the noise: a valve was opened
NO_PRESSURE = 0.2e5              # Pa: nothing can be told of an idle skid with less


@compiled
def remember(hold, value, tick):  # type: ignore[no-untyped-def]
    """Put this second's pressure [Pa] into the ring."""
    hold.recent[(tick // SECOND) % RECENT] = value
    hold.filled = min(hold.filled + 1, RECENT)


@compiled
def recent_mean(hold, tick, skip, count):  # type: ignore[no-untyped-def]
    """Mean of `count` seconds that end `skip` seconds before this one."""
    total = 0.0
    for j in range(skip, skip + count):
        total += hold.recent[(tick // SECOND - j) % RECENT]
    return total / count


@compiled
def jumped(hold, noise, tick):  # type: ignore[no-untyped-def]
    """Whether the pressure moved as only a valve moves it."""
    if hold.filled < RECENT:
        return False
    now, just = recent_mean(hold, tick, 0, 2), recent_mean(hold, tick, 5, 3)
    return abs(now - just) > max(max(JUMP, JUMP_SHARE * just), JUMP_NOISES * noise)


@compiled
def settled(hold, noise, tick):  # type: ignore[no-untyped-def]
    """Whether filling is over: the pressure rises no more. It may fall: it may seep."""
    if hold.filled < RECENT or jumped(hold, noise, tick):
        return False
    half = RECENT // 2
    return recent_mean(hold, tick, 0, half) - recent_mean(hold, tick, half, half) <= max(STILL, NOISES * noise)


@compiled
def begin(hold, tick):  # type: ignore[no-untyped-def]
    """A hold begins: what is still in the ring is of it, but for the oldest."""
    hold.phase, hold.since, hold.width = HOLDING, tick, FIRST_WIDTH
    hold.used, hold.seconds, hold.known = 0, 0, 0
    hold.total, hold.total_inlet, hold.total_outlet = 0.0, 0.0, 0.0
    hold.look_at, hold.ended, hold.rise_told = 0, 0, 0


@compiled
def add(hold, inlet, outlet, tick):  # type: ignore[no-untyped-def]
    """Count the oldest second of the ring, which no valve has moved; True where a mean has just been closed."""
    value = hold.recent[(tick // SECOND + 1) % RECENT]
    hold.seconds += 1
    if hold.filled == RECENT and math.isfinite(value):
        hold.total += value
        hold.total_inlet += inlet
        hold.total_outlet += outlet
        hold.known += 1
    if hold.seconds < hold.width:
        return False
    enough = 2 * hold.known >= hold.width
    hold.levels[hold.used] = hold.total / hold.known if enough else np.nan
    hold.inlets[hold.used] = hold.total_inlet / hold.known if enough else np.nan
    hold.outlets[hold.used] = hold.total_outlet / hold.known if enough else np.nan
    hold.used += 1
    hold.seconds, hold.known, hold.total, hold.total_inlet, hold.total_outlet = 0, 0, 0.0, 0.0, 0.0
    if hold.used == LEVELS:
        halve(hold)
    return True


@compiled
def halve(hold):  # type: ignore[no-untyped-def]
    """Make each two means one."""
    for means in (hold.levels, hold.inlets, hold.outlets):
        for j in range(LEVELS // 2):
            a, b = means[2 * j], means[2 * j + 1]
            means[j] = b if math.isnan(a) else a if math.isnan(b) else 0.5 * (a + b)
    hold.used = LEVELS // 2
    hold.width *= 2


@compiled
def moved(hold, rules):  # type: ignore[no-untyped-def]
    """Whether the pressure has moved by more than temperature explains."""
    return hold.used >= ENOUGH and not abs(hold.levels[hold.used - 1] - hold.levels[0]) < rules.thermal


@compiled
def watch(hold, v, skid, rules, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Go on with a hold."""
    if not add(hold, skid.inlet, skid.outlet, tick) or tick < hold.look_at or not moved(hold, rules):
        return emitted
    hold.look_at = tick + LOOK_AGAIN
    return emit(emissions, emitted, WAKE, SEEP, v, -1, tick, hold.since, hold.levels[hold.used - 1])


@compiled
def end(hold, v, phase, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """A hold is over, or there was none. phase: what comes now."""
    was = hold.phase
    hold.phase, hold.apart, hold.filled = phase, 0, 0
    if was != HOLDING or hold.used < ENOUGH:
        hold.ended = tick if was == HOLDING or hold.ended == 0 else hold.ended
        return emitted
    hold.ended = tick
    return emit(emissions, emitted, RETURNED, SEEP, v, -1, tick, hold.since, hold.levels[hold.used - 1])


@compiled
def clear(hold, v, rules, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """A seep that was raised ends with its hold."""
    if hold.raised == 0 or hold.ended == 0 or tick - hold.ended < rules.seep_off:
        return emitted
    hold.raised = 0
    return emit(emissions, emitted, CLEARED, SEEP, v, -1, tick, hold.ended, np.nan)


@compiled
def watch_vessel(hold, v, own, skid, noise, rules, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """One vessel at a second; own: its pressure [Pa]."""
    remember(hold, own, tick)
    was, hold.low = hold.low, 1 if skid.vented & (1 << v) != 0 else 0
    if hold.low == 1:
        return end(hold, v, NONE, tick, emissions, emitted) if hold.phase != NONE else emitted
    at_inlet = abs(own - skid.inlet) <= DEPARTED
    if hold.phase == NONE:
        off = own > PRESSURISED and abs(own - skid.inlet) > DEPARTED and abs(own - skid.outlet) > DEPARTED
        hold.apart = hold.apart + 1 if off else 0
        if was == 1 or hold.apart >= APART_FOR:
            hold.phase, hold.apart = FILLED, 0
        return emitted
    # From here on `apart` counts the seconds that speak for service.
    serving = at_inlet and skid.flowing == 1 and skid.isolated_since == 0
    hold.apart = hold.apart + 1 if serving else 0
    if hold.apart >= IN_SERVICE:
        return end(hold, v, NONE, tick, emissions, emitted)
    if hold.phase != HOLDING:
        at_header = at_inlet or abs(own - skid.outlet) <= DEPARTED
        if settled(hold, noise, tick) and not (hold.phase == MOVED and at_header):
            begin(hold, tick)
        return emitted
    if jumped(hold, noise, tick):
        return end(hold, v, MOVED, tick, emissions, emitted)
    return watch(hold, v, skid, rules, tick, emissions, emitted)


@compiled
def watch_idle(hold, skid, level, still, noise, rules, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """The idle skid at a second; level: its pressure [Pa]; still: whether nothing flows."""
    remember(hold, level, tick)
    if not still:
        hold.apart = 0
        return end(hold, IDLE, NONE, tick, emissions, emitted) if hold.phase != NONE else emitted
    if hold.phase == NONE:
        hold.apart += 1
        if hold.apart >= IDLE_FOR:
            hold.phase = FILLED
        return emitted
    if hold.phase == FILLED:
        if level > NO_PRESSURE and settled(hold, noise, tick):
            begin(hold, tick)
        return emitted
    if jumped(hold, noise, tick):
        return end(hold, IDLE, NONE, tick, emissions, emitted)
    if tick - hold.since > LONGEST_IDLE:
        return emitted
    return watch(hold, IDLE, skid, rules, tick, emissions, emitted)


@compiled
def watch_holds(holds, skid, sensors, healths, settings, scales, rules, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Judge every vessel that has a pressure of its own, and the idle skid; returns how many emissions there are."""
    if rules.seep_enabled == 0:
        return emitted
    for v in range(MAX_VESSELS):
        k = settings.vessel_signal[v]
        if k < 0:
            continue
        hold = holds[v]
        if not math.isfinite(sensors[k].now):
            hold.filled = 0
        else:
            noise = healths[k].scatter * scales[k].scale
            emitted = watch_vessel(hold, v, sensors[k].now, skid, noise, rules, tick, emissions, emitted)
        emitted = clear(hold, v, rules, tick, emissions, emitted)
    hold = holds[IDLE]
    k = settings.role[INLET] if settings.role[INLET] >= 0 else settings.role[OUTLET]
    if skid.flowing == 1 and hold.phase == NONE and hold.raised == 0:
        hold.apart = 0
        return emitted
    if k < 0 or not math.isfinite(sensors[k].now):
        hold.filled = 0
    else:
        still = skid.flowing == 0 and at_rest(settings, sensors) != 0
        drop = mean(skid.ring_dp, skid.filled, (tick // SECOND) % RING, 0, AVERAGED)
        still = still and not abs(drop - skid.idle_offset) > settings.idle_dp
        noise = healths[k].scatter * scales[k].scale
        emitted = watch_idle(hold, skid, sensors[k].now, still, noise, rules, tick, emissions, emitted)
    return clear(hold, IDLE, rules, tick, emissions, emitted)
