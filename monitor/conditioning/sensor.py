"""One transmitter: its readings become one value a second, or none that can be believed."""

from __future__ import annotations

import math

import numpy as np

from monitor.compiled import compiled
from monitor.engine.layout import BUCKET
from monitor.model import Quality

BAD = int(Quality.BAD)


@compiled
def take(sensor, parameters, time, value, quality):  # type: ignore[no-untyped-def]
    """Take one reading: time [ns], value in the transmitter's own unit."""
    if quality == BAD or not math.isfinite(value):
        if sensor.bad_since == 0:
            sensor.bad_since = time
        return
    sensor.bad_since = 0
    sensor.seen = time
    sensor.total += 1
    if sensor.count < BUCKET:
        sensor.bucket[sensor.count] = value * parameters.scale + parameters.offset
        sensor.count += 1


@compiled
def median(values, count):  # type: ignore[no-untyped-def]
    """Median of the first `count` values, which it sorts in place: insertion sort, best for a handful."""
    for i in range(1, count):
        x = values[i]
        j = i - 1
        while j >= 0 and values[j] > x:
            values[j + 1] = values[j]
            j -= 1
        values[j + 1] = x
    half = count // 2
    return values[half] if count % 2 else 0.5 * (values[half - 1] + values[half])


@compiled
def close_second(sensor, parameters, tick):  # type: ignore[no-untyped-def]
    """Value at a whole second: the median of the second's readings, else the last one for as long as it may stand."""
    if sensor.count > 0:
        sensor.held = median(sensor.bucket, sensor.count)
        sensor.count = 0
    if sensor.total > 0 and sensor.bad_since == 0 and tick - sensor.seen <= parameters.hold:
        sensor.now = sensor.held
    else:
        sensor.now = np.nan
