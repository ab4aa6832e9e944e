"""Pressure that comes back in an emptied vessel by itself: an isolating valve passes, or was not shut (compiled).

Filling before the return brings it back too, by intent; it comes once the element has been changed, and takes a minute
or two. So what comes back sooner than anybody can have opened, changed and shut the vessel is told at once, and what
comes back more slowly than filling once it has. A quick return after a while looks like filling whoever opened the
valve. How soon and how slowly: common practice, no source.
"""

from __future__ import annotations

from monitor.compiled import compiled
from monitor.engine.codes import BACK, NOTED, SLOWLY, TOO_SOON
from monitor.engine.emissions import emit

SECOND = 1_000_000_000
EMPTY, RISEN = 0.2e5, 0.3e5      # Pa: below the one nothing comes back, above the other it surely does
SURE_S = 5                       # seconds above EMPTY before anything is told
SOON_S = 150                     # from emptied to coming back: nobody changes an element in less
EMPTIED_S = 20                   # and at least so long it was empty: less may be a gauge that follows the header late
PRESSURISED_S = 300              # so long the header had pressure before: a start fills vessels too
FILLS_S = 240                    # filling has brought it past half the header's pressure by then


@compiled
def watch_return(skid, v, own, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Judge vessel v, which was found vented, by its own pressure [Pa]; returns how many emissions there are."""
    if own < EMPTY:
        skid.rising[v] = 0
        return emitted
    if skid.rising[v] == 0:
        skid.rising[v] = tick
    rising = skid.rising[v]
    if skid.back & (1 << v) != 0 or own < RISEN or tick - rising < SURE_S * SECOND:
        return emitted
    empty = rising - skid.emptied[v]
    soon = EMPTIED_S * SECOND <= empty <= SOON_S * SECOND
    soon = soon and skid.emptied[v] - skid.pressurised >= PRESSURISED_S * SECOND
    if not soon and tick - rising < FILLS_S * SECOND:
        return emitted
    skid.back |= 1 << v
    return emit(emissions, emitted, NOTED, BACK, v, TOO_SOON if soon else SLOWLY, tick, rising, own)
