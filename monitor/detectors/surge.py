"""A slow pressure transient: a peak above the settled levels both before and after it, at either header (compiled).

A level is settled where two blocks of the look back in a row agree; a peak is the highest reading of a block, not its
mean. A step to another level is none, because afterwards nothing is lower. What 1 Hz cannot see: a valve that stops
1 m/s of water makes a wave of 15 bar (Joukowsky: density x speed of sound x velocity) that is over in the time sound
takes through the pipe and back, 0.14 s for 100 m.
"""

from __future__ import annotations

import math

import numpy as np

from monitor.compiled import compiled
from monitor.engine.codes import BLOCK_FIELDS, BLOCK_S, BLOCKS, CLEARED, INLET, OUTLET, RAISED, SPIKES, SURGE
from monitor.engine.emissions import emit
from monitor.engine.layout_integrity import PEAKS

HEADERS = (BLOCK_FIELDS.index("inlet"), BLOCK_FIELDS.index("outlet"))
BLOCK = BLOCK_S * 1_000_000_000
AGREE = 0.1          # of the limit: two blocks in a row that differ by less are a settled level
SHOULDER = 0.5       # of the limit below the peak: a level above that is the transient's own plateau
SPIKY = 2            # lone spikes of a transmitter within MINUTES, with which the other header has to agree ...
MINUTES = 600_000_000_000
AGREEING = 0.25      # ... by so much of the overshoot
LONGEST = 9          # blocks that a transient stays above half its height; longer, and it is a level


@compiled
def settled(history, newest, column, limit):  # type: ignore[no-untyped-def]
    """Level [Pa] of the block number `newest` and the one before; NaN where they do not agree or are not known."""
    a, b = float(history.means[newest % BLOCKS, column]), float(history.means[(newest - 1) % BLOCKS, column])
    return 0.5 * (a + b) if abs(a - b) <= AGREE * limit else np.nan


@compiled
def highest(surge, header, first, last):  # type: ignore[no-untyped-def]
    """Block number of the highest peak from `first` to `last`; -1 for none."""
    best, at = -math.inf, -1
    for j in range(last, first - 1, -1):
        if surge.peaks[header, j % PEAKS] > best:
            best, at = surge.peaks[header, j % PEAKS], j
    return at


@compiled
def level_before(history, at, oldest, column, peak, limit):  # type: ignore[no-untyped-def]
    """Newest settled level [Pa] before block number `at` that is not the transient's own; NaN for none."""
    for j in range(at - 1, oldest, -1):
        level = settled(history, j, column, limit)
        if level <= peak - SHOULDER * limit:
            return level
    return np.nan


@compiled
def lasting(history, first, last, column, level):  # type: ignore[no-untyped-def]
    """Blocks from `first` to `last` whose mean is above a level."""
    above = 0
    for j in range(first, last + 1):
        above += history.means[j % BLOCKS, column] > level
    return above


@compiled
def overshoot(surge, history, header, limit):  # type: ignore[no-untyped-def]
    """(overshoot, level before, level after) of a transient that is over [Pa]; NaN where there is none."""
    nothing = (np.nan, np.nan, np.nan)
    column, newest = HEADERS[header], history.used - 1
    after = settled(history, newest, column, limit)
    oldest = max(newest - PEAKS + 1, surge.told, 0)
    at = highest(surge, header, oldest, newest - 2)
    if at < 0 or not surge.peaks[header, at % PEAKS] - after >= limit:
        return nothing
    peak = surge.peaks[header, at % PEAKS]
    before = level_before(history, at, oldest, column, peak, limit)
    over = peak - max(before, after)
    if not over >= limit or lasting(history, oldest, newest, column, peak - 0.5 * over) > LONGEST:
        return nothing
    return over, before, after


@compiled
def spiky(health, onset):  # type: ignore[no-untyped-def]
    """Whether a transmitter shows lone spikes besides the transient at `onset`: two in a row look like one."""
    if health.active & (1 << SPIKES) != 0:
        return True
    found = 0
    for time in health.spikes:
        found += onset - MINUTES < time and not onset - BLOCK < time < onset + 3 * BLOCK
    return found >= SPIKY


@compiled
def agrees(surge, history, header, onset, over, limit):  # type: ignore[no-untyped-def]
    """Whether a header rose with the other's transient."""
    after = settled(history, history.used - 1, HEADERS[header], limit)
    first = history.used - 1 - (history.start[(history.used - 1) % BLOCKS] - onset) // (BLOCK)
    at = highest(surge, header, max(first, history.used - PEAKS, 0), history.used - 1)
    return at >= 0 and surge.peaks[header, at % PEAKS] - after >= AGREEING * over


@compiled
def keep_peaks(surge, history, sensors, settings):  # type: ignore[no-untyped-def]
    """Close the block that ended and take in this second; True where a block has ended."""
    ended = surge.seen != history.used
    if ended:
        surge.seen = history.used
        for header in range(2):
            surge.peaks[header, (history.used - 1) % PEAKS] = surge.high[header]
            surge.high[header] = -math.inf
    for header in range(2):
        k = settings.role[INLET if header == 0 else OUTLET]
        if k >= 0 and math.isfinite(sensors[k].now):
            surge.high[header] = max(surge.high[header], max(sensors[k].high, sensors[k].now))
    return ended


@compiled
def find(surge, history, healths, settings, limit):  # type: ignore[no-untyped-def]
    """(header, overshoot, level before, level after, onset) of the greater transient that has just ended; overshoot 0
    where there is none."""
    header, best, before, after, onset = 0, 0.0, 0.0, 0.0, 0
    for h in range(2):
        over, low, back = overshoot(surge, history, h, limit)
        if not over > best:
            continue
        since = onset_of(surge, history, h, low, over)
        doubtful = spiky(healths[settings.role[INLET if h == 0 else OUTLET]], since)
        if not doubtful or agrees(surge, history, 1 - h, since, over, limit):
            header, best, before, after, onset = h, over, low, back, since
    return header, best, before, after, onset


@compiled
def watch_surge(surge, history, sensors, healths, settings, rules, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Judge both headers; returns how many emissions there are."""
    if not keep_peaks(surge, history, sensors, settings) or rules.surge_enabled == 0:
        return emitted
    header, over, before, after, onset = find(surge, history, healths, settings, rules.surge_limit)
    if over > 0.0:
        surge.told, surge.latest = history.used, tick
        if surge.active == 0:
            surge.active, surge.before, surge.after = 1, before, after
            signal = settings.role[INLET if header == 0 else OUTLET]
            return emit(emissions, emitted, RAISED, SURGE, signal, -1, tick, onset, over)
    elif surge.active == 1 and tick - surge.latest >= rules.surge_off and at_rest(history, rules.surge_limit):
        surge.active = 0
        return emit(emissions, emitted, CLEARED, SURGE, -1, -1, tick, surge.latest, 0.0)
    return emitted


@compiled
def onset_of(surge, history, header, before, over):  # type: ignore[no-untyped-def]
    """Start of the first block that rose to half of the overshoot [ns]."""
    oldest = max(history.used - PEAKS, surge.told, 0)
    onset = history.start[(history.used - 1) % BLOCKS]
    for j in range(history.used - 1, oldest - 1, -1):
        if surge.peaks[header, j % PEAKS] > before + 0.5 * over:
            onset = history.start[j % BLOCKS]
    return onset


@compiled
def at_rest(history, limit):  # type: ignore[no-untyped-def]
    """Whether the headers that are known stand at a settled level."""
    known = False
    for header in range(2):
        level = float(history.means[(history.used - 1) % BLOCKS, HEADERS[header]])
        if math.isfinite(level):
            known = True
            if not math.isfinite(settled(history, history.used - 1, HEADERS[header], limit)):
                return False
    return known
