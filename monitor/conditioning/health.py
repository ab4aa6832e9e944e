"""Faults of single transmitters, judged each second: silence, a failed loop, a frozen value, spikes (compiled).

One cause, one alarm: a signal whose loop has failed or whose value stands still is not stale as well, and a stale
one is neither frozen nor spiking. Each fault is raised once and cleared when the signal is normal again.
"""

from __future__ import annotations

from monitor.compiled import compiled
from monitor.conditioning.failed import failed
from monitor.conditioning.frozen import THAWED, frozen, still
from monitor.conditioning.spikes import count_spike, spiking
from monitor.conditioning.stale import silence_ends
from monitor.engine.codes import CLEARED, FAILED, FROZEN, RAISED, SIGNAL_FAULT, SPIKES, STALE
from monitor.engine.emissions import emit
from monitor.engine.layout_signals import SPIKES_KEPT

SECOND = 1_000_000_000
NEVER = 2**62
LOOK_AGAIN = 60_000_000_000          # ns after which silences are looked at again
LONGEST_CLEARING = 30_000_000_000    # ns of good readings that end a failure, at most


@compiled
def has(health, detail):  # type: ignore[no-untyped-def]
    """Whether a fault is raised."""
    return health.active & (1 << detail) != 0


@compiled
def tell(health, k, detail, code, tick, onset, value, emissions, emitted):  # type: ignore[no-untyped-def]
    """Raise or clear a fault of signal k."""
    health.active ^= 1 << detail
    return emit(emissions, emitted, code, SIGNAL_FAULT, k, detail, tick, onset, value)


@compiled
def watch(sensors, healths, limits, signals, started, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Judge every signal of a skid whose silence is not at stake; returns how many emissions there are."""
    for k in range(signals):
        health = healths[k]
        counted = health.fresh != 0
        if counted:
            count_spike(healths, limits, signals, k)
        if limits[k].enabled == 0:
            continue
        if health.active != 0:
            before = emitted
            emitted = clear(sensors[k], health, limits[k], k, started, tick, emissions, emitted)
            if emitted > before or has(health, STALE):
                continue    # one transition of a signal a tick: events are told apart by signal and time
        if sensors[k].bad_since != 0 or still(health) or counted:
            emitted = accuse(sensors[k], health, limits[k], k, tick, emissions, emitted)
    return emitted


@compiled
def watch_silence(healths, limits, signals, pair, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Raise what has fallen silent, each dated at its last reading plus its limit, the earliest first."""
    if tick < pair.silence_at:
        return emitted    # nobody's silence can have lasted long enough yet
    while True:
        earliest, when, soonest = -1, tick + 1, NEVER
        for k in range(signals):
            health = healths[k]
            if limits[k].enabled == 0 or health.active & (1 << STALE | 1 << FROZEN | 1 << FAILED) != 0:
                continue
            ends = silence_ends(health, limits[k], pair.started)
            soonest = min(soonest, ends)
            if ends < when:
                earliest, when = k, ends
        if earliest < 0:
            pair.silence_at = min(soonest, tick + LOOK_AGAIN)
            return emitted
        health = healths[earliest]
        onset = health.heard if health.heard != 0 else pair.started
        # An interval learned as shorter since the last look must not date an event before others.
        time = max(when, tick - SECOND + 1)
        emitted = tell(health, earliest, STALE, RAISED, time, onset, (time - onset) / 1e9, emissions, emitted)


@compiled
def accuse(sensor, health, limits, k, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Raise at most one fault of a signal that is heard."""
    if not has(health, FAILED) and failed(sensor, health, limits, tick):
        health.good_since = 0
        return tell(health, k, FAILED, RAISED, tick, sensor.bad_since, health.bad_value, emissions, emitted)
    if not has(health, FROZEN) and frozen(health, limits, tick):
        return tell(health, k, FROZEN, RAISED, tick, health.run_since, health.last, emissions, emitted)
    if not has(health, SPIKES) and spiking(health, limits, tick):
        return tell(health, k, SPIKES, RAISED, tick, health.spikes[0], health.spike, emissions, emitted)
    return emitted


@compiled
def clear(sensor, health, limits, k, started, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Clear at most one fault of a signal."""
    patience = min(limits.off_delay, LONGEST_CLEARING)
    if has(health, STALE):
        if silence_ends(health, limits, started) <= tick:
            return emitted
        return tell(health, k, STALE, CLEARED, tick, health.heard, health.last, emissions, emitted)
    if has(health, FAILED) and sensor.bad_since == 0 and tick - health.good_since >= patience:
        return tell(health, k, FAILED, CLEARED, tick, health.good_since, health.last, emissions, emitted)
    thawed = health.thawed >= THAWED and tick - health.thawed_at >= patience and not still(health)
    if has(health, FROZEN) and thawed:
        return tell(health, k, FROZEN, CLEARED, tick, health.thawed_at, health.last, emissions, emitted)
    if has(health, SPIKES) and tick - health.spikes[SPIKES_KEPT - 1] > limits.spike_window:
        return tell(health, k, SPIKES, CLEARED, tick, tick, health.last, emissions, emitted)
    return emitted
