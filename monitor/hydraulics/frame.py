"""One second of a skid: pressures, flow and temperature side by side, dP, and dP at reference conditions."""

from __future__ import annotations

import math

import numpy as np

from monitor.compiled import compiled
from monitor.engine.codes import (
    DIFFERENTIAL,
    FLOW,
    FLUID_LOWEST,
    FLUID_POINTS,
    FLUID_STEP,
    INLET,
    OUTLET,
    PUMP,
    RING,
    TEMPERATURE,
)
from monitor.hydraulics.pressure_drop import normalised, uncompressed

FLOW_CONFIRM = 3     # seconds that flow must have come or gone: transmitters drop out for less
SECOND = 1_000_000_000


@compiled
def reading(sensors, parameters, role):  # type: ignore[no-untyped-def]
    """Value now of the signal with a role, NaN where there is none."""
    k = parameters.role[role]
    return np.nan if k < 0 else sensors[k].now


@compiled
def property_ratio(table, temperature, reference, held):  # type: ignore[no-untyped-def]
    """A fluid's property over its reference value. Where temperature is not known the last one holds, 1 before any: a
    body of water does not jump to reference temperature when its thermometer fails. Linear between points."""
    if not math.isfinite(temperature):
        return held if held > 0.0 else 1.0
    x = (temperature - FLUID_LOWEST) / FLUID_STEP
    x = min(max(x, 0.0), FLUID_POINTS - 1.001)
    k = int(x)
    return (table[k] + (x - k) * (table[k + 1] - table[k])) / reference


@compiled
def assemble(skid, parameters, sensors, zeros, viscosity, density, tick):  # type: ignore[no-untyped-def]
    """Fill the skid's frame and rings for this second."""
    skid.inlet = reading(sensors, parameters, INLET)
    skid.outlet = reading(sensors, parameters, OUTLET)
    direct = reading(sensors, parameters, DIFFERENTIAL)
    # A transmitter across the headers has one zero error instead of two. A zero that has shifted by more than its
    # accuracy leaves a pressure, but no dP that resistance could be told from; the limit of dP is judged all the same.
    across = skid.inlet - skid.outlet
    raw = direct if math.isfinite(direct) and (zeros[1].shifted == 0 or not math.isfinite(across)) else across
    believed = zeros[1].shifted == 0 if math.isfinite(direct) and raw == direct else zeros[0].shifted == 0
    skid.pressure_drop = raw if believed else np.nan
    skid.flow = reading(sensors, parameters, FLOW)
    skid.temperature = reading(sensors, parameters, TEMPERATURE)
    ratio = skid.flow / parameters.reference_flow if parameters.role[FLOW] >= 0 else 1.0
    if parameters.curve_points > 1:
        ratio = by_curve(skid, parameters)
        skid.flow = ratio * parameters.reference_flow
    k = tick // SECOND & (RING - 1)
    skid.ring_dp[k] = skid.pressure_drop
    skid.ring_inlet[k], skid.ring_outlet[k] = skid.inlet, skid.outlet
    skid.ring_flow[k] = ratio
    thickness, weight = viscosity[parameters.fluid], density[parameters.fluid]
    skid.viscosity = property_ratio(thickness, skid.temperature, parameters.reference_viscosity, skid.viscosity)
    skid.density = property_ratio(weight, skid.temperature, parameters.reference_density, skid.density)
    skid.ring_ratio[k], skid.ring_density[k] = skid.viscosity, skid.density
    skid.filled = min(skid.filled + 1, RING)
    skid.momentary = at_once(skid, parameters, k)
    skid.ring_normalised[k] = skid.momentary
    skid.normalised = window(skid, parameters, k, parameters.window)
    skid.sustained = latest(skid, raw, tick // SECOND)
    follow_flow(skid, parameters, reading(sensors, parameters, PUMP), tick)


@compiled
def by_curve(skid, parameters):  # type: ignore[no-untyped-def]
    """Flow over the reference flow by the pump's curve, from the inlet pressure; NaN while nothing flows."""
    if skid.flowing == 0 or not math.isfinite(skid.inlet):
        return np.nan
    # A curve is near a parabola: between two points the square of flow is linear in pressure, and so beyond them.
    k = 0
    while k < parameters.curve_points - 2 and skid.inlet > parameters.curve_pressure[k + 1]:
        k += 1
    low, high = parameters.curve_pressure[k], parameters.curve_pressure[k + 1]
    slope = (parameters.curve_square[k + 1] - parameters.curve_square[k]) / (high - low)
    return math.sqrt(max(parameters.curve_square[k] + slope * (skid.inlet - low), 0.0))


@compiled
def latest(skid, raw, second):  # type: ignore[no-untyped-def]
    """Mean of dP over the last three seconds; of those known; NaN unless two are."""
    skid.raw[second & 3] = raw
    total = 0.0
    known = 0
    for j in range(min(skid.filled, 3)):
        x = skid.raw[(second - j) & 3]
        if math.isfinite(x):
            total += x
            known += 1
    return total / known if 2 * known >= min(skid.filled, 3) and known > 0 else np.nan


@compiled
def mean(ring, filled, newest, skip, count):  # type: ignore[no-untyped-def]
    """Mean of `count` seconds that end `skip` seconds before the newest; of those known; NaN unless half are."""
    seconds = min(count, filled - skip)
    total = 0.0
    for j in range(skip, skip + seconds):
        total += ring[(newest - j) & (RING - 1)]
    # A finite sum has no unknown second in it, and a check of each costs more than the sums of all.
    if math.isfinite(total) and seconds > 0:
        return total / seconds
    return mean_of_known(ring, filled, newest, skip, count)


@compiled
def mean_of_known(ring, filled, newest, skip, count):  # type: ignore[no-untyped-def]
    """The same where some may be unknown."""
    total = 0.0
    known = 0
    for j in range(skip, min(skip + count, filled)):
        x = ring[(newest - j) & (RING - 1)]
        if math.isfinite(x):
            total += x
            known += 1
    return total / known if 2 * known >= min(count, max(filled - skip, 1)) and known > 0 else np.nan


@compiled
def means_of_flow_and_drop(skid, newest, count):  # type: ignore[no-untyped-def]
    """Both in one pass: two chains of additions take the time of one."""
    seconds = min(count, skid.filled)
    flow, drop = 0.0, 0.0
    for j in range(seconds):
        flow += skid.ring_flow[(newest - j) & (RING - 1)]
        drop += skid.ring_dp[(newest - j) & (RING - 1)]
    if math.isfinite(flow) and math.isfinite(drop):
        return flow / seconds, drop / seconds
    return mean(skid.ring_flow, skid.filled, newest, 0, count), mean(skid.ring_dp, skid.filled, newest, 0, count)


@compiled
def window(skid, parameters, newest, count):  # type: ignore[no-untyped-def]
    """Normalised dP of the last `count` seconds: means first, then the quotient, which noise in flow would bias."""
    flow, drop = means_of_flow_and_drop(skid, newest, count)
    if not flow >= parameters.min_flow:
        return np.nan
    viscosity_ratio, density_ratio = 1.0, 1.0
    if parameters.role[TEMPERATURE] >= 0:    # else the rings hold nothing but ones
        viscosity_ratio = mean(skid.ring_ratio, skid.filled, newest, 0, count)
        density_ratio = mean(skid.ring_density, skid.filled, newest, 0, count)
    referred = normalised(drop, flow, viscosity_ratio, density_ratio, turbulent_of(skid, parameters))
    return referred if skid.packing <= 0.0 else uncompressed(drop, referred, skid.clean, skid.packing)


@compiled
def at_once(skid, parameters, newest):  # type: ignore[no-untyped-def]
    """Normalised dP of the newest second alone."""
    flow = skid.ring_flow[newest]
    if not flow >= parameters.min_flow:
        return np.nan
    viscosity_ratio, density_ratio = skid.ring_ratio[newest], skid.ring_density[newest]
    drop = skid.pressure_drop
    referred = normalised(drop, flow, viscosity_ratio, density_ratio, turbulent_of(skid, parameters))
    return referred if skid.packing <= 0.0 else uncompressed(drop, referred, skid.clean, skid.packing)


@compiled
def turbulent_of(skid, parameters):  # type: ignore[no-untyped-def]
    """Turbulent part of dP [Pa]: as found, else as assumed."""
    return skid.turbulent if skid.turbulent > 0.0 else parameters.turbulent


@compiled
def flow_seen(skid, parameters, pump):  # type: ignore[no-untyped-def]
    """1 flow, 0 none, -1 not known: by the meter, else the pump's contact, else by dP itself."""
    if parameters.role[FLOW] >= 0:
        if not math.isfinite(skid.flow):
            return -1
        return 1 if skid.flow >= parameters.min_flow * parameters.reference_flow else 0
    if math.isfinite(pump):
        return 1 if pump > 0.5 else 0
    if not math.isfinite(skid.pressure_drop):
        return -1
    return 1 if skid.pressure_drop >= parameters.idle_dp else 0


@compiled
def follow_flow(skid, parameters, pump, tick):  # type: ignore[no-untyped-def]
    """Keep track of whether the skid runs, and since when."""
    seen = flow_seen(skid, parameters, pump)
    if seen < 0 or seen == skid.flowing:
        skid.turning = 0
        return
    skid.turning += 1
    if skid.turning >= FLOW_CONFIRM:
        skid.flowing = seen
        skid.flow_since = tick - (FLOW_CONFIRM - 1) * SECOND if seen == 1 else 0
        skid.turning = 0
