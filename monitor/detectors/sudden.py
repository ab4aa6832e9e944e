"""A large loss of resistance at a flow that stands: told within ten seconds (compiled).

What moves the flow (a valve, a pump) moves dP with it, and a meter may lag behind: such a fall waits until it has
settled. Where flow stands still, as under a displacement pump or flow control, nothing has to be waited for but the
next readings.
"""

from __future__ import annotations

import math

from monitor.compiled import compiled
from monitor.engine.codes import DIFFERENTIAL, FLOW, INLET, OUTLET, RING
from monitor.hydraulics.frame import mean

LARGE = 0.6              # of the level before: it has fallen below that
# Seconds averaged now, back to the level before, and averaged there: soon; where loading is so steep that every mean
# lags behind (before is then where a line ends); where flow has just moved; where noise hides a fall from these.
LINE = 0
LOOKS = ((2, 5, 3), (4, 5, LINE), (3, 7, 5), (6, 9, 10))
HIGHER = 1.3             # of the mean of three seconds: no line ends above that
LASTS = 4                # seconds that a fall must have lasted
STANDS = 0.25            # of the part lost: flow has not moved by more beyond its trend. A damped meter shows by then
                         # as much of a step that could make such a loss
# Seconds averaged at each end of a trend of flow, and between them: of a while, and of what has just begun.
SLOW, LATELY = (4, 10), (2, 3)
LONG = 10                # seconds of the scatter, and of the line
SIGNIFICANT = 5.0        # times the error of the two levels
SLOWEST = 1              # seconds between readings: of slower ones so few make a mean that noise does too


@compiled
def slowest(healths, parameters):  # type: ignore[no-untyped-def]
    """Whole seconds between the readings of the slowest of what tells dP and flow."""
    longest = 1.0
    for role in (INLET, OUTLET, DIFFERENTIAL, FLOW):
        k = parameters.role[role]
        if k >= 0:
            longest = max(longest, healths[k].interval / 1e9)
    return math.ceil(longest - 0.2)


@compiled
def scatter_before(ring, newest, back):  # type: ignore[no-untyped-def]
    """Standard deviation of seconds about their neighbours, of those that end `back` seconds before the newest (mean
    |difference| / 1.128)."""
    total = 0.0
    for j in range(back, back + LONG - 1):
        total += abs(ring[(newest - j) & (RING - 1)] - ring[(newest - j - 1) & (RING - 1)])
    return total / (LONG - 1) / 1.128


@compiled
def line_before(ring, newest, back):  # type: ignore[no-untyped-def]
    """Where the line through the seconds that end `back` before the newest ends (least squares), and the standard
    deviation of seconds about it."""
    middle, spread = 0.5 * (LONG - 1), LONG * (LONG * LONG - 1) / 12.0
    level, slope, squares = 0.0, 0.0, 0.0
    for j in range(LONG):
        x = ring[(newest - back - j) & (RING - 1)]
        level += x / LONG
        slope += (middle - j) * x / spread
    for j in range(LONG):
        squares += (ring[(newest - back - j) & (RING - 1)] - level - slope * (middle - j)) ** 2
    return level + slope * middle, math.sqrt(squares / (LONG - 2))


@compiled
def level_before(ring, filled, newest, back, seconds, now):  # type: ignore[no-untyped-def]
    """Level before a fall, the scatter of seconds there, and the variance of that level over the one of a second."""
    if seconds != LINE:
        before = mean(ring, filled, newest, back, seconds)
        return before, scatter_before(ring, newest, back) if now < LARGE * before else 0.0, 1 / seconds
    if not now < LARGE * HIGHER * mean(ring, filled, newest, back, 3):
        return 0.0, 0.0, 0.0
    before, scatter = line_before(ring, newest, back)
    return before, scatter, (4 * LONG - 2) / (LONG * (LONG + 1))


@compiled
def sudden_fall(skid, parameters, healths, newest):  # type: ignore[no-untyped-def]
    """Fall of ln(normalised dP) and the seconds back to the level before it; 0, 0 where there is none such."""
    if parameters.role[FLOW] < 0:
        return 0.0, 0
    ring, filled = skid.ring_normalised, skid.filled
    for seconds, back, seconds_before in LOOKS:
        now = mean(ring, filled, newest, 0, seconds)
        before, scatter, variance = level_before(ring, filled, newest, back, seconds_before, now)
        if now > 0.0 and now < LARGE * before:
            error = scatter * math.sqrt(1 / seconds + variance)
            if lasts(skid, parameters, healths, newest, seconds, back, now, before, error):
                return math.log(before / now), back
    return 0.0, 0


@compiled
def lasts(skid, parameters, healths, newest, seconds, back, now, before, error):  # type: ignore[no-untyped-def]
    """Whether a fall is beyond noise and holds, at a flow that stands. error: of the difference of the two levels."""
    if slowest(healths, parameters) > SLOWEST or before - now < SIGNIFICANT * error:
        return False
    for j in range(max(seconds, LASTS)):
        if not skid.ring_normalised[(newest - j) & (RING - 1)] < 0.5 * (before + now):
            return False
    return stands(skid.ring_flow, skid.filled, newest, min(seconds, 3), back, STANDS * (1.0 - now / before))


@compiled
def stands(flow, filled, newest, seconds, back, moved):  # type: ignore[no-untyped-def]
    """Whether flow is, but for the part `moved`, between what it was before the fall and what it was tending to: it
    sags as an element clogs."""
    now, before = mean(flow, filled, newest, 0, seconds), mean(flow, filled, newest, back, SLOW[0])
    low, high = before, before
    for averaged, apart in (SLOW, LATELY):
        far = mean(flow, filled, newest, back + apart, averaged)
        tending = before + (mean(flow, filled, newest, back, averaged) - far) * back / apart
        if tending < low:
            low = tending
        elif tending > high:
            high = tending
    return low - moved * before <= now <= high + moved * before
