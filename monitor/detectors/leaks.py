"""Leak sensors: wet is told at once, but not what a changeout spills (compiled).

What gets wet while its vessel is out of service is drain spillage until some time after the return; if it is still
wet then, it is told.
"""

from __future__ import annotations

import math

from monitor.alarms.delay import judge
from monitor.compiled import compiled
from monitor.detectors.isolation import DEPARTED
from monitor.engine.codes import LEAK
from monitor.engine.emissions import emit

LONGEST_OUT = 7_200_000_000_000     # ns: an isolation that never ends is not believed for longer
NO_PRESSURE = 0.2e5                 # Pa: a vessel with less is open or drained, and nothing in it leaks by force


@compiled
def is_out(skid, holds, sensors, settings, vessel, tick):  # type: ignore[no-untyped-def]
    """Whether a sensor's vessel (-1: any) is out of service, or has no pressure."""
    isolated = skid.isolated_since != 0 and tick - skid.isolated_since < LONGEST_OUT
    k = settings.vessel_signal[vessel] if vessel >= 0 else -1
    if k >= 0 and math.isfinite(sensors[k].now):
        own = sensors[k].now
        if own < NO_PRESSURE or skid.vented & (1 << vessel) != 0 or holds[vessel].phase != 0:
            return True
        return isolated and abs(own - skid.inlet) > DEPARTED
    return isolated or skid.inlet < NO_PRESSURE


@compiled
def watch_leaks(leaks, holds, skid, sensors, settings, rules, delays, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Judge every leak sensor; returns how many emissions there are."""
    for j in range(rules.leaks):
        leak, value = leaks[j], sensors[rules.leak_signal[j]].now
        if not math.isfinite(value):
            continue
        wet = value > 0.5
        if not wet:
            leak.wet_since = 0
            if leak.active == 0:
                leak.pending_since = 0
                continue
        if is_out(skid, holds, sensors, settings, rules.leak_vessel[j], tick):
            leak.out = tick
        if wet and leak.wet_since == 0:
            leak.wet_since, leak.spilt = tick, 1 if leak.out == tick else 0
        spilt = leak.spilt == 1 and tick - leak.out < rules.spillage and tick - leak.wet_since < LONGEST_OUT
        leaving = leak.leaving_since
        code = judge(leak, delays, 1.0 if wet and not spilt else 0.0, tick)
        if code != 0:
            since = leak.wet_since if leak.active == 1 else leaving
            onset = since if since != 0 else tick
            emitted = emit(emissions, emitted, code, LEAK, rules.leak_signal[j], -1, tick, onset, value)
    return emitted
