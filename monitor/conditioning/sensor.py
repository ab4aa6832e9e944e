"""One transmitter: its readings become one value a second, or none that can be believed."""

from __future__ import annotations

import math

import numpy as np

from monitor.compiled import compiled, inlined
from monitor.conditioning.failed import beyond, certain
from monitor.conditioning.frozen import begin_run, follow_changes, still
from monitor.conditioning.order import median
from monitor.conditioning.spikes import learn_noise, look_for_spike, out_of_patience, remember, waits
from monitor.conditioning.stale import go, hear
from monitor.engine.codes import BUCKET
from monitor.model import Quality

BAD = int(Quality.BAD)
UNCERTAIN = int(Quality.UNCERTAIN)
GONE = int(Quality.GONE)
WORD_STANDS = 30_000_000_000     # ns that the value before a lone bad reading stands


@inlined
def take(sensor, health, parameters, limits, flowing, time, value, quality):  # type: ignore[no-untyped-def]
    """Take one reading: time [ns], value in the transmitter's own unit; flowing: whether the skid runs, 0 or 1."""
    if quality >= BAD or not math.isfinite(value):
        take_bad(sensor, health, limits, time, value if quality != GONE else np.nan)
        if quality == GONE:
            go(health, time)
        return
    broken = hear(health, time)
    if sensor.bad_since != 0:
        sensor.bad_since, health.bad_run, health.good_since = 0, 0, time
    sensor.seen = time
    sensor.total += 1
    if limits.analog == 1 and judge_reading(health, limits, broken, flowing, time, value, quality == UNCERTAIN):
        return
    fill(sensor, parameters, value)


@compiled
def take_bad(sensor, health, limits, time, value):  # type: ignore[no-untyped-def]
    """Take a reading that is no value: of a failed loop, which is not silent, or a word of its source, which is."""
    if sensor.bad_since == 0:
        sensor.bad_since = time
    health.bad_run += 1
    health.bad_value = np.nan
    if beyond(limits, value):
        health.bad_value = value
        hear(health, time)


@compiled
def fill(sensor, parameters, value):  # type: ignore[no-untyped-def]
    """Put a reading that stands as a value into this second's bucket."""
    if sensor.count < BUCKET:
        sensor.bucket[sensor.count] = value * parameters.scale + parameters.offset - sensor.trim
        sensor.count += 1


@inlined
def judge_reading(health, limits, broken, flowing, time, value, uncertain):  # type: ignore[no-untyped-def]
    """Learn from a usable reading what is usual; True where it is a lone jump that has to wait."""
    if broken:
        health.ringed, health.pending_at, health.last, health.accepted = 0, 0, value, value
        begin_run(health, time)
    change = abs(value - health.last)
    learn_noise(health, limits, flowing, value, change)
    follow_changes(health, limits, flowing, time, value, change, uncertain)
    remember(health, time, value)
    health.last = value
    health.readings += 1
    look_for_spike(health, limits)
    return waits(health, limits, time, value)


@compiled
def close_second(sensor, health, parameters, limits, tick):  # type: ignore[no-untyped-def]
    """Value at a whole second: the median of the second's readings, else the last one for as long as it may
    stand; NaN while the signal is silent, has failed or stands still. Returns 1 where a fault is to be looked at."""
    if health.pending_at != 0 and out_of_patience(health, limits, tick):
        health.pending_at, health.accepted = 0, health.pending
        fill(sensor, parameters, health.pending)
    if sensor.count > 0:
        sensor.held = median(sensor.bucket, sensor.count)
        sensor.high = sensor.bucket[sensor.count - 1]  # sorted by now
        sensor.count = 0
    believed = sensor.total > 0 and tick - sensor.seen <= parameters.hold and not still(health)
    if sensor.bad_since != 0:
        believed = believed and not certain(health, limits) and tick - sensor.seen <= WORD_STANDS
    sensor.now = sensor.held if believed else np.nan
    return 1 if health.active != 0 or health.fresh != 0 or sensor.bad_since != 0 or still(health) else 0
