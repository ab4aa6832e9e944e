"""Silence: judged against the configured limit, or the signal's own interval where that is longer.

A signal that reports on change is silent while nothing changes, so only `max_silence` (or ten minutes) tells. Where
what sends a signal is known to be gone (a death certificate, a server that cannot be reached) nothing is waited for.
"""

from __future__ import annotations

from monitor.compiled import compiled

MEMORY = 32          # readings over which the interval is learned
STRETCH = 4.0        # a gap counts for at most so many intervals
INTERVALS = 2.5      # silence of a slow signal, in its own intervals
BREAK = 60_000_000_000   # ns: readings further apart than this, and than ten intervals, are no neighbours


@compiled
def go(health, time):  # type: ignore[no-untyped-def]
    """Take note that what sends the signal is gone."""
    if health.gone == 0:
        health.gone = time


@compiled
def hear(health, time):  # type: ignore[no-untyped-def]
    """Take note of a reading; True where it follows a break."""
    spacing = float(time - health.heard)
    first = health.heard == 0
    health.heard, health.gone = time, 0
    if first:
        return True
    if health.interval == 0.0:
        health.interval = spacing
        return False
    broken = spacing > BREAK and spacing > 10.0 * health.interval
    health.interval += (min(spacing, STRETCH * health.interval) - health.interval) / MEMORY
    return broken


@compiled
def silence_ends(health, limits, started):  # type: ignore[no-untyped-def]
    """When the signal is stale [ns] unless it speaks; one never heard counts from the skid's first row."""
    if health.gone != 0:
        return health.gone
    allowed = limits.stale_after
    if limits.own_silence == 0 and limits.on_change == 0:
        allowed = max(allowed, int(INTERVALS * health.interval))
    return (health.heard if health.heard != 0 else started) + allowed
