"""A value that stands still although the signal's own noise should have moved it dozens of times.

How often consecutive readings differ is learned, apart for times with and without flow. What that share may be
relied upon for is bounded twice: a run must be three times the longest that service has shown, and changes must
often skip a step of the converter. A signal whose noise is below its resolution can rest between two steps for
hours, however busily it moved before (noise of half a step: changes of two steps are a twelfth of all, and at
least half the readings differ wherever the level lies; normal noise, worked out from the error function).
"""

from __future__ import annotations

from monitor.compiled import compiled, inlined

DOZENS = 24.0        # changes that should have been seen (contract: dozens)
RUNS = 8.0           # DOZENS of them are then at least three of the longest runs
ENOUGH = 120         # readings, before the share of changes is known
MEMORY = 512         # readings over which it is learned
FIRST_RUN = 8.0      # runs up to here are learned from before any is known
FORGET = 1e-5        # of the longest run, at each change: a day at one reading a second
WIDE = 1.5           # steps of the converter
WIDE_SHARE = 0.08
THAWED = 3           # changes that end a freeze


@compiled
def resting(limits, value, uncertain):  # type: ignore[no-untyped-def]
    """At an end of the span a value stands still because it is cut off there: no flow, a vented vessel, saturation."""
    return uncertain or value <= limits.low or value >= limits.high


@compiled
def usual_run(health, flowing):  # type: ignore[no-untyped-def]
    """Whether service has shown runs as long as the present one."""
    return health.run <= max(health.longest[flowing], FIRST_RUN)


@inlined
def follow_changes(health, limits, flowing, time, value, change, uncertain):  # type: ignore[no-untyped-def]
    """Take one usable reading; change: its distance from the one before."""
    if resting(limits, value, uncertain):
        begin_run(health, time)
        return
    if change > 0.0:
        learn_change(health, flowing, change)
        begin_run(health, time)
        health.thawed += 1
        if health.thawed == 1:
            health.thawed_at = time
        return
    health.run += 1
    health.expected += health.weight[flowing]
    if usual_run(health, flowing):
        health.learned[flowing] += 1
        health.changing[flowing] -= health.changing[flowing] / min(health.learned[flowing], MEMORY)


@compiled
def begin_run(health, time):  # type: ignore[no-untyped-def]
    """The value is a new one."""
    if still(health):
        health.thawed = 0
    health.run, health.run_since, health.expected = 0, time, 0.0


@compiled
def learn_change(health, flowing, change):  # type: ignore[no-untyped-def]
    """A run has ended as runs in service do."""
    if health.expected >= DOZENS:
        return
    health.learned[flowing] += 1
    share = 1.0 / min(health.learned[flowing], MEMORY)
    health.changing[flowing] += (1.0 - health.changing[flowing]) * share
    health.wide += ((1.0 if change > WIDE * health.quantum else 0.0) - health.wide) * share
    longest = max(health.longest[flowing] * (1.0 - FORGET), float(health.run))
    health.longest[flowing] = longest
    known = health.learned[flowing] >= ENOUGH and health.wide >= WIDE_SHARE
    health.weight[flowing] = min(health.changing[flowing], RUNS / max(longest, 1.0)) if known else 0.0


@compiled
def still(health):  # type: ignore[no-untyped-def]
    """Whether the value stands still against all expectation, however short."""
    return health.expected >= DOZENS


@compiled
def frozen(health, limits, tick):  # type: ignore[no-untyped-def]
    """Whether it has done so for as long as makes it a fault."""
    return limits.frozen_after > 0 and still(health) and tick - health.run_since >= limits.frozen_after
