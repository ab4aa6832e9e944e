"""The compiled loop: rows in order of time, whole-second ticks between them, for one skid or ten thousand."""

from __future__ import annotations

import math

import numpy as np

from monitor.alarms.delay import judge
from monitor.compiled import compiled, inlined
from monitor.conditioning.clocks import align, keep_trace
from monitor.conditioning.health import watch, watch_silence
from monitor.conditioning.pair import watch_pair
from monitor.conditioning.sensor import close_second, take
from monitor.conditioning.steps import look_for_steps
from monitor.conditioning.zero import watch_zeros
from monitor.detectors.drop import watch_drop
from monitor.detectors.integrity import watch_integrity
from monitor.detectors.isolation import follow
from monitor.engine.codes import DUE, FLOW, INLET, LIMIT, OUTLET, RING, SERVICE, WAKE, WAKES
from monitor.engine.emissions import emit
from monitor.engine.history import add_block
from monitor.engine.loading import sample_loading
from monitor.engine.rollup import SECOND, add_minute, add_trend
from monitor.hydraulics.frame import assemble, mean

SHUT_PATH = 0.02    # of reference flow: below it, with dP at the limit, the path is shut: no `dp-limit`
SHUTTING, RECENT = 40, 4        # seconds back, and averaged
FALLING = 0.7                   # of flow then: less now, with more dP, is a valve
EASING, RISING = 0.97, 1.25     # of flow and of dP then: so much more dP with less flow is one too
STARTED = 600 * SECOND          # since flow began: only after it is a rise within seconds taken for valves


@compiled
def now_and_then(ring, filled, newest):  # type: ignore[no-untyped-def]
    """Means of the last seconds and of those before valves began to move."""
    return mean(ring, filled, newest, 0, RECENT), mean(ring, filled, newest, SHUTTING, RECENT)


@compiled
def being_shut(skid, newest):  # type: ignore[no-untyped-def]
    """Whether dP has risen although flow has fallen, one of them steeply: valves of the skid itself do that, one after
    the other, before there is no path left. Less demand lowers dP, and elements do not load within seconds."""
    then = (newest - SHUTTING) & (RING - 1)
    if not (skid.ring_flow[newest] < FALLING * skid.ring_flow[then]
            or skid.ring_dp[newest] > RISING * skid.ring_dp[then]):
        return False    # nearly always
    flow, flow_then = now_and_then(skid.ring_flow, skid.filled, newest)
    drop, drop_then = now_and_then(skid.ring_dp, skid.filled, newest)
    return ((flow < FALLING * flow_then and drop > drop_then)
            or (flow < EASING * flow_then and drop > RISING * drop_then))


@compiled
def may_judge(skid, parameters, tick):  # type: ignore[no-untyped-def]
    """Whether normalised dP speaks of the elements: flow has settled, no vessel is out, filling or being shut.

    Elements that blind within minutes rise as valves do that are being shut: until flow has lasted for a while, that
    is taken for the elements, which it is better to call in vain."""
    if skid.flowing == 0 or tick - skid.flow_since < parameters.settle:
        return 0
    if (parameters.role[FLOW] >= 0 and tick - skid.flow_since > STARTED
            and being_shut(skid, tick // SECOND & (RING - 1))):
        return 0
    if skid.isolated_since != 0 and tick - skid.isolated_since < parameters.isolation_hold:
        return 0
    return 1 if skid.returned_at == 0 or tick - skid.returned_at >= parameters.settle else 0


@compiled
def actual(skid, path, parameters):  # type: ignore[no-untyped-def]
    """dP across the elements [Pa], NaN where the path is shut or nothing is known."""
    if path.active == 1:
        return np.nan
    if parameters.role[FLOW] >= 0 and skid.flow < SHUT_PATH * parameters.reference_flow:
        return np.nan if skid.sustained > parameters.idle_dp else skid.sustained
    return skid.sustained


@compiled
def judge_limit(alarm, parameters, a, value, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Judge the alarm at position `a` by its value; returns how many emissions there are."""
    pending, leaving = alarm.pending_since, alarm.leaving_since
    code = judge(alarm, parameters, value, tick)
    if code == 0:
        return emitted
    since = pending if alarm.active == 1 else leaving
    return emit(emissions, emitted, code, a, -1, -1, tick, since if since != 0 else tick, value)


@inlined
def condition(state, parameters, s, tick, emissions):  # type: ignore[no-untyped-def]
    """Values of this second, of transmitters that can be believed; returns how many emissions were written."""
    settings, pair, rules = parameters.skid[s], state.pair[s], parameters.pair[s]
    sensors, healths, zeros = state.sensor[s], state.health[s], state.zero[s]
    scales, limits = parameters.sensor[s], parameters.health[s]
    look = 0
    for k in range(settings.signals):
        look |= close_second(sensors[k], healths[k], scales[k], limits[k], tick)
    if look == 1:
        pair.silence_at = 0    # what a fault hid may be due at once when it is over
    trace = state.trace[s]
    emitted = keep_trace(trace, settings, sensors, healths, scales, tick, emissions, 0)
    if trace.delayed == 1:
        align(trace, settings, sensors, tick)
    emitted = watch_silence(healths, limits, settings.signals, pair, tick, emissions, emitted)
    if look == 1:
        emitted = watch(sensors, healths, limits, settings.signals, pair.started, tick, emissions, emitted)
    i, o = settings.role[INLET], settings.role[OUTLET]
    if i >= 0 and o >= 0 and (pair.watched == 1 or sensors[i].now - sensors[o].now < zeros[0].offset):
        emitted = watch_pair(
            pair, zeros[0], state.history[s], settings, rules, sensors, healths, scales, limits, tick, emissions,
            emitted,
        )  # fmt: skip
    skid = state.skid[s]
    if skid.flowing == 1:
        zeros[0].idle_since, zeros[1].idle_since = 0, 0
        return emitted
    return watch_zeros(
        zeros, pair, skid, settings, rules, sensors, healths, scales, limits, tick, emissions, emitted
    )


@inlined
def second(state, parameters, s, tick, emissions):  # type: ignore[no-untyped-def]
    """Judge one skid at one whole second; returns how many emissions were written."""
    skid, settings = state.skid[s], parameters.skid[s]
    sensors = state.sensor[s]
    emitted = condition(state, parameters, s, tick, emissions)
    assemble(skid, settings, sensors, state.zero[s], parameters.viscosity, parameters.density, tick)
    add_block(state.history[s], skid, settings, sensors, tick)
    look_for_steps(state.pair[s], state.history[s], settings.pair_span)
    emitted = follow(skid, settings, sensors, state.history[s], tick, emissions, emitted)
    emitted = watch_integrity(state, parameters, s, tick, emissions, emitted)
    skid.judged = may_judge(skid, settings, tick) if state.path[s].active == 0 else 0
    skid.running += skid.flowing
    if math.isfinite(skid.flow):
        skid.volume += max(skid.flow, 0.0)
    due = skid.normalised if skid.judged == 1 else np.nan
    emitted = judge_limit(state.alarm[s, DUE], parameters.alarm[s, DUE], DUE, due, tick, emissions, emitted)
    drop = actual(skid, state.path[s], settings)
    emitted = judge_limit(state.alarm[s, LIMIT], parameters.alarm[s, LIMIT], LIMIT, drop, tick, emissions, emitted)
    emitted = watch_drop(skid, settings, state.history[s], state.health[s], tick, emissions, emitted)
    emitted = sample_loading(state.loading[s], skid, settings, tick, emissions, emitted)
    for purpose in range(WAKES):
        if skid.wake_at[purpose] != 0 and tick >= skid.wake_at[purpose]:
            skid.wake_at[purpose] = 0
            emitted = emit(emissions, emitted, WAKE, SERVICE, purpose, -1, tick, tick, np.nan)
    return emitted


@compiled
def run(state, parameters, rows, start, emissions, minutes, trend, head):  # type: ignore[no-untyped-def]
    """Process rows from `start` until one emits, the minutes are full, or all are done.

    rows: (skid, signal, time, value, quality) arrays, in order of (time, signal) for each skid; signal -1
    only moves that skid's time. trend: (n,) buckets of `rollup.trend_dtype` for skid 0, or empty.
    Returns (next row, emissions written, minutes written). A row that emits at a tick before it is not yet taken.
    """
    which, signal, time, value, quality = rows
    closed = 0
    for i in range(start, time.size):
        s = which[i]
        skid = state.skid[s]
        if skid.tick == 0:
            skid.tick = (time[i] + SECOND - 1) // SECOND * SECOND
            state.pair[s].started = time[i]
        # A tick sees every row up to and including its own second.
        last = time[i] if signal[i] < 0 else time[i] - 1
        while skid.tick <= last:
            if closed == minutes.size:
                return i, 0, closed
            tick = skid.tick
            skid.tick += SECOND
            emitted = second(state, parameters, s, tick, emissions)
            closed = add_minute(state.minute[s], skid, s, tick, minutes, closed)
            if trend.size > 0:
                add_trend(trend, head[0], skid, tick)
            if emitted > 0:
                return i, emitted, closed
        if signal[i] >= 0:
            k = signal[i]
            take(
                state.sensor[s, k], state.health[s, k], parameters.sensor[s, k], parameters.health[s, k], skid.flowing,
                time[i], value[i], quality[i],
            )  # fmt: skip
    return time.size, 0, closed
