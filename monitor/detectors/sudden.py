"""A large loss of resistance at a flow that stands: told within ten seconds (compiled).

What moves the flow (a valve, a pump) moves dP with it, and a meter may lag behind: such a fall waits until it has
settled. Where flow stands still, as under a displacement pump or flow control, nothing has to be waited for but the
next readings.
"""

from __future__ import annotations

import math

from monitor.compiled import compiled
from monitor.engine.layout import DIFFERENTIAL, FLOW, INLET, OUTLET, RING
from monitor.hydraulics.frame import mean

LARGE = 0.6              # of the level before: it has fallen below that
NOW, BACK, BEFORE = 3, 7, 5      # seconds averaged now, back to the level before, and averaged there
STANDS = 0.1             # of flow: it has not moved by more beyond its trend; a damped meter shows a step by then
TREND, LONG = 4, 10      # seconds averaged at each end of that trend, and between them; LONG of the scatter too
SIGNIFICANT = 5.0        # times the scatter of seconds, of the two means
SLOWEST = 3              # seconds between readings: beyond it, one may say of dP what the next says of flow


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
def scatter_before(ring, newest):  # type: ignore[no-untyped-def]
    """Standard deviation of seconds about their neighbours, of those before (mean |difference| / 1.128)."""
    total = 0.0
    for j in range(BACK, BACK + LONG - 1):
        total += abs(ring[(newest - j) & (RING - 1)] - ring[(newest - j - 1) & (RING - 1)])
    return total / (LONG - 1) / 1.128


@compiled
def sudden_fall(skid, parameters, healths, newest):  # type: ignore[no-untyped-def]
    """Fall of ln(normalised dP), 0 where there is none such."""
    ring, filled = skid.ring_normalised, skid.filled
    now, before = mean(ring, filled, newest, 0, NOW), mean(ring, filled, newest, BACK, BEFORE)
    if not (now > 0.0 and now < LARGE * before) or parameters.role[FLOW] < 0:
        return 0.0
    wait = slowest(healths, parameters)
    if wait > SLOWEST or before - now < SIGNIFICANT * scatter_before(ring, newest) * math.sqrt(1 / NOW + 1 / BEFORE):
        return 0.0
    for j in range(NOW + wait):
        if not ring[(newest - j) & (RING - 1)] < 0.5 * (before + now):
            return 0.0
    return math.log(before / now) if stands(skid.ring_flow, filled, newest) else 0.0


@compiled
def stands(flow, filled, newest):  # type: ignore[no-untyped-def]
    """Whether flow is what it was before the fall, or what it was tending to: it sags as an element clogs."""
    near, far = mean(flow, filled, newest, BACK, TREND), mean(flow, filled, newest, BACK + LONG, TREND)
    now, tending = mean(flow, filled, newest, 0, NOW), near + (near - far) * BACK / LONG
    return min(abs(now - near), abs(now - tending)) <= STANDS * near
