"""Roll-ups: closed minutes for the store, and a trend of bounded size for reports (compiled)."""

from __future__ import annotations

import math

import numpy as np

from monitor.compiled import compiled
from monitor.engine.layout import MINUTE_FIELDS

MINUTE = 60_000_000_000
SECOND = 1_000_000_000
FIELDS = len(MINUTE_FIELDS)
DP = MINUTE_FIELDS.index("pressure_drop")

trend_dtype = np.dtype(
    [
        ("start", np.int64),
        ("sums", np.float64, (FIELDS,)),
        ("counts", np.int64, (FIELDS,)),
        ("low", np.float64),     # of pressure_drop
        ("high", np.float64),
    ],
    align=True,
)
head_dtype = np.dtype([("used", np.int64), ("period", np.int64)], align=True)
closed_dtype = np.dtype(
    [("skid", np.int64), ("start", np.int64), ("means", np.float64, (FIELDS,)), ("judged", np.int64)], align=True
)


@compiled
def field(skid, k):  # type: ignore[no-untyped-def]
    """Value of one of MINUTE_FIELDS; normalised dP only where it may be judged or at least means something."""
    if k == 0:
        return skid.inlet
    if k == 1:
        return skid.outlet
    if k == 2:
        return skid.pressure_drop
    if k == 3:
        return skid.flow
    if k == 4:
        return skid.temperature
    return skid.momentary if skid.flowing == 1 else np.nan


@compiled
def add_minute(minute, skid, index, tick, out, used):  # type: ignore[no-untyped-def]
    """Add this second to its minute; a minute that is over goes to out[used]. Returns the new `used`.

    The second that ends at `tick` belongs to the minute it began in.
    """
    start = (tick - SECOND) // MINUTE * MINUTE
    if minute.seconds > 0 and minute.start != start:
        row = out[used]
        row.skid, row.start = index, minute.start
        row.judged = 1 if minute.judged == minute.seconds else 0
        for k in range(FIELDS):
            row.means[k] = minute.sums[k] / minute.counts[k] if minute.counts[k] > 0 else np.nan
            minute.sums[k] = 0.0
            minute.counts[k] = 0
        minute.seconds = 0
        minute.judged = 0
        used += 1
    minute.start = start
    minute.seconds += 1
    minute.judged += skid.judged
    for k in range(FIELDS):
        x = field(skid, k)
        if math.isfinite(x):
            minute.sums[k] += x
            minute.counts[k] += 1
    return used


@compiled
def add_trend(trend, head, skid, tick):  # type: ignore[no-untyped-def]
    """Add this second to the trend. When its buckets are used up, neighbours merge and the period doubles."""
    if head.period == 0:
        head.period = SECOND
    # Whether the last bucket is still open is told without a division.
    if head.used == 0 or not 0 <= tick - SECOND - trend[head.used - 1].start < head.period:
        start = (tick - SECOND) // head.period * head.period
        if head.used == trend.size:
            head.used = regroup(trend, head)
            start = (tick - SECOND) // head.period * head.period
        if head.used == 0 or trend[head.used - 1].start != start:
            fresh = trend[head.used]
            fresh.start, fresh.low, fresh.high = start, np.inf, -np.inf
            for k in range(FIELDS):
                fresh.sums[k] = 0.0
                fresh.counts[k] = 0
            head.used += 1
    bucket = trend[head.used - 1]
    for k in range(FIELDS):
        x = field(skid, k)
        if math.isfinite(x):
            bucket.sums[k] += x
            bucket.counts[k] += 1
    if math.isfinite(skid.pressure_drop):
        bucket.low = min(bucket.low, skid.pressure_drop)
        bucket.high = max(bucket.high, skid.pressure_drop)


@compiled
def regroup(trend, head):  # type: ignore[no-untyped-def]
    """Double the period until at least one place is free; buckets of one new period merge."""
    used = head.used
    while used == trend.size:
        head.period *= 2
        kept = 0
        for i in range(used):
            a = trend[i]
            start = a.start // head.period * head.period
            if kept > 0 and trend[kept - 1].start == start:
                b = trend[kept - 1]
                b.low, b.high = min(b.low, a.low), max(b.high, a.high)
                for k in range(FIELDS):
                    b.sums[k] += a.sums[k]
                    b.counts[k] += a.counts[k]
            else:
                b = trend[kept]
                low, high = a.low, a.high
                for k in range(FIELDS):
                    b.sums[k] = a.sums[k]
                    b.counts[k] = a.counts[k]
                b.start, b.low, b.high = start, low, high
                kept += 1
        used = kept
    return used
