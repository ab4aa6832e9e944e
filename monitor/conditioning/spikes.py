"""Spikes: Hampel's identifier over 11 readings, and lone jumps that wait for the next reading.

Hampel: the middle reading of a window is a spike where it is further from the window's median than three scaled
median absolute deviations (Pearson's edit rule, European Control Conference 1999, as the manual of the R package
`pracma` cites it), and than five times the signal's noise (contract), which is at least one step of its converter:
the MAD of a quantised signal can be nothing. The first and last five readings between two gaps are not judged.
"""

from __future__ import annotations

import math

from monitor.compiled import compiled
from monitor.conditioning.frozen import usual_run
from monitor.engine.layout_signals import READINGS, SPIKES_KEPT

WINDOW = 11
HALF = WINDOW // 2
SCALED_MAD = 3.0 * 1.482602218505602     # 1 / Phi^-1(3/4): makes the MAD of normal noise its standard deviation
NOISES = 5.0
NOISE_OF_CHANGE = 1.0 / 0.9538725524     # median |difference| of normal noise: sqrt(2) Phi^-1(3/4) standard deviations
ENOUGH = 32          # readings, before noise is known
PACE = 0.03          # of the running median's step, a reading
FINEST = 1e-6        # of span: smaller changes are arithmetic, not the converter
JUMP_NOISES = 8.0    # a lone jump that waits: beyond this, and beyond a share of the span
JUMP_SHARE = 0.005
PATIENCE = 2.2       # intervals a jump waits for the next reading, at least
LEAST_PATIENCE, MOST_PATIENCE = 2_000_000_000, 60_000_000_000
ON_CHANGE_PATIENCE = 3_000_000_000   # on change, a reading that nothing follows is the new level


@compiled
def learn_noise(health, limits, flowing, value, change):  # type: ignore[no-untyped-def]
    """Running median of the changes from reading to reading, apart for times with and without flow: a mean at
    first, then by steps up and down. At the foot of its span a signal may be cut off, and a run longer than any in
    service may be a freeze: they say nothing of noise."""
    if change > FINEST * (limits.high - limits.low) and (health.quantum == 0.0 or change < health.quantum):
        health.quantum = change
    if value > limits.low and (change > 0.0 or usual_run(health, flowing)):
        health.noises[flowing] += 1
        noise = health.noise[flowing]
        if health.noises[flowing] <= ENOUGH:
            noise += (change - noise) / health.noises[flowing]
        else:
            noise = max(noise * (1.0 + PACE if change > noise else 1.0 - PACE), 0.25 * health.quantum)
        health.noise[flowing] = noise
    known = health.noises[flowing] >= ENOUGH
    health.scatter = max(NOISE_OF_CHANGE * health.noise[flowing], health.quantum) if known else 0.0


@compiled
def remember(health, time, value):  # type: ignore[no-untyped-def]
    """Put a reading into the ring."""
    k = health.readings & (READINGS - 1)
    health.ring[k], health.ring_time[k] = value, time
    health.ringed += 1


@compiled
def look_for_spike(health, limits):  # type: ignore[no-untyped-def]
    """Judge the reading HALF before the newest; health.readings counts the newest already."""
    if health.ringed < WINDOW or not health.scatter > 0.0:
        return
    middle = health.readings - 1 - HALF
    centre = health.ring[middle & (READINGS - 1)]
    limit = NOISES * health.scatter
    # Five neighbours within the limit bring the median within it too: no need to look for the median.
    near = 0
    for j in range(1, HALF + 1):
        if abs(health.ring[(middle - j) & (READINGS - 1)] - centre) <= limit:
            near += 1
        if abs(health.ring[(middle + j) & (READINGS - 1)] - centre) <= limit:
            near += 1
        if near >= HALF:
            return
    around = median_around(health, middle)
    spread = deviation_around(health, middle, around)
    if abs(centre - around) > max(SCALED_MAD * spread, limit) and around > limits.low:
        flag(health, middle, centre, around)


@compiled
def median_around(health, middle):  # type: ignore[no-untyped-def]
    """Median of the window around the reading number `middle`, by counting: there is no room to sort in."""
    for j in range(WINDOW):
        candidate = health.ring[(middle - HALF + j) & (READINGS - 1)]
        below, equal = 0, 0
        for i in range(WINDOW):
            x = health.ring[(middle - HALF + i) & (READINGS - 1)]
            below += x < candidate
            equal += x == candidate
        if below <= HALF < below + equal:
            return candidate
    return math.nan


@compiled
def deviation_around(health, middle, around):  # type: ignore[no-untyped-def]
    """Median absolute deviation of that window from `around`."""
    for j in range(WINDOW):
        candidate = abs(health.ring[(middle - HALF + j) & (READINGS - 1)] - around)
        below, equal = 0, 0
        for i in range(WINDOW):
            x = abs(health.ring[(middle - HALF + i) & (READINGS - 1)] - around)
            below += x < candidate
            equal += x == candidate
        if below <= HALF < below + equal:
            return candidate
    return math.nan


@compiled
def flag(health, middle, centre, around):  # type: ignore[no-untyped-def]
    """Keep a spike; readings in a row that are spikes are one excursion."""
    time = health.ring_time[middle & (READINGS - 1)]
    if health.flag_index == 0 or middle - health.flag_index > 1:
        health.fresh = time
        health.spike, health.around = centre, around
    health.flag_index, health.flagged = middle, time


@compiled
def count_spike(healths, limits, signals, k):  # type: ignore[no-untyped-def]
    """Count the fresh spike of signal k, unless another signal of the process has one at the same time:
    what several transmitters see is a transient of the process, and then neither is counted."""
    health = healths[k]
    fresh, health.fresh = health.fresh, 0
    shared = False
    for j in range(signals):
        if j == k or limits[j].common == 0 or limits[k].common == 0 or healths[j].flagged == 0:
            continue
        apart = abs(healths[j].flagged - fresh)
        if apart <= 1_500_000_000 + max(healths[j].interval, health.interval):
            shared = True
            if healths[j].spikes[SPIKES_KEPT - 1] == healths[j].flagged:
                shift_back(healths[j].spikes)
    if not shared:
        for j in range(SPIKES_KEPT - 1):
            health.spikes[j] = health.spikes[j + 1]
        health.spikes[SPIKES_KEPT - 1] = fresh


@compiled
def shift_back(spikes):  # type: ignore[no-untyped-def]
    """Take the newest out."""
    for j in range(SPIKES_KEPT - 1, 0, -1):
        spikes[j] = spikes[j - 1]
    spikes[0] = 0


@compiled
def spiking(health, limits, tick):  # type: ignore[no-untyped-def]
    """Whether SPIKES_KEPT of them lie within the time allowed."""
    oldest = health.spikes[0]
    return limits.spike_window > 0 and oldest != 0 and tick - oldest <= limits.spike_window


@compiled
def waits(health, limits, time, value):  # type: ignore[no-untyped-def]
    """Whether a reading is held back: it jumped alone, and the next will tell a spike from a step.

    It costs a real step at most one reading's delay.
    """
    if not health.scatter > 0.0:
        health.accepted = value
        return False
    if health.pending_at != 0:
        lone = abs(value - health.accepted) < abs(value - health.pending)
        health.pending_at = 0
        if not lone:
            health.accepted = value
            return False
    if abs(value - health.accepted) > max(JUMP_NOISES * health.scatter, JUMP_SHARE * (limits.high - limits.low)):
        health.pending, health.pending_at = value, time
        return True
    health.accepted = value
    return False


@compiled
def out_of_patience(health, limits, tick):  # type: ignore[no-untyped-def]
    """Whether the jump that waits has waited long enough to stand: no reading came to contradict it."""
    if limits.on_change == 1:
        return tick - health.pending_at >= ON_CHANGE_PATIENCE
    wait = min(max(PATIENCE * health.interval, LEAST_PATIENCE), MOST_PATIENCE)
    return math.isfinite(wait) and tick - health.pending_at >= wait
