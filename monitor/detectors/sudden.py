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
# Seconds averaged now, back to the level before, and averaged there: as a rule; where loading is steep; where noise
# hides a fall from these two.
LOOKS = ((3, 7, 5), (2, 5, 3), (6, 9, 10))
STANDS = 0.25            # of the part lost: flow has not moved by more beyond its trend. A damped meter shows by then
                         # as much of a step that could make such a loss
TREND, LONG = 4, 10      # seconds averaged at each end of that trend, and between them; LONG of the scatter too
SIGNIFICANT = 5.0        # times the scatter of seconds, of the two means
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
def sudden_fall(skid, parameters, healths, newest):  # type: ignore[no-untyped-def]
    """Fall of ln(normalised dP) and the seconds back to the level before it; 0, 0 where there is none such."""
    if parameters.role[FLOW] < 0:
        return 0.0, 0
    for now, back, before in LOOKS:
        fall = fall_of_look(skid, parameters, healths, newest, now, back, before)
        if fall > 0.0:
            return fall, back
    return 0.0, 0


@compiled
def fall_of_look(skid, parameters, healths, newest, seconds, back, seconds_before):  # type: ignore[no-untyped-def]
    """The same by means of so many seconds now and before."""
    ring, filled = skid.ring_normalised, skid.filled
    now, before = mean(ring, filled, newest, 0, seconds), mean(ring, filled, newest, back, seconds_before)
    if not (now > 0.0 and now < LARGE * before):
        return 0.0
    noise = scatter_before(ring, newest, back) * math.sqrt(1 / seconds + 1 / seconds_before)
    if slowest(healths, parameters) > SLOWEST or before - now < SIGNIFICANT * noise:
        return 0.0
    for j in range(max(seconds, LOOKS[0][0] + SLOWEST)):
        if not ring[(newest - j) & (RING - 1)] < 0.5 * (before + now):
            return 0.0
    moved = STANDS * (1.0 - now / before)
    return math.log(before / now) if stands(skid.ring_flow, filled, newest, min(seconds, 3), back, moved) else 0.0


@compiled
def stands(flow, filled, newest, seconds, back, moved):  # type: ignore[no-untyped-def]
    """Whether flow is, but for the part `moved`, what it was before the fall, or what it was tending to: it sags as an
    element clogs."""
    near, far = mean(flow, filled, newest, back, TREND), mean(flow, filled, newest, back + LONG, TREND)
    now, tending = mean(flow, filled, newest, 0, seconds), near + (near - far) * back / LONG
    return min(abs(now - near), abs(now - tending)) <= moved * near
