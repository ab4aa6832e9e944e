"""An emptied vessel whose pressure comes back slowly: no filling, but a valve that passes.

Filling brings a vessel from nothing to the header's pressure within a minute or two, by intent, and looks the same
whoever opens the valve; only what takes longer can be told from it. How much longer: common practice, no source.
"""

from __future__ import annotations

import math

import numpy as np

from monitor.alarms.catalogue import CATALOGUE, CAUTION
from monitor.engine.layout import BLOCK_FIELDS, BLOCK_S, BLOCKS
from monitor.engine.wording import BAR, Words, clock, join
from monitor.model import NS, Event, SkidSettings, Transition

EMPTY = 0.2e5            # Pa: below it a vessel counts as without pressure
FILLS_S = 240.0          # from there to half the header's pressure; filling has taken less


def repressurised(skid: SkidSettings, history: np.record, vessel: int, now: float, time: int) -> Event | None:
    """An event where vessel `vessel` took longer than filling does to come back to `now` [Pa]; None else."""
    since = empty_until(history, vessel, time)
    if since is None or (time - since) / NS < FILLS_S:
        return None
    name, words = skid.vessels[vessel], Words(skid)
    return Event(
        time=time, skid=skid.id, kind="vessel-repressurised", transition=Transition.NOTED, vessel=name, onset=since,
        value=round(now / BAR, 6), unit="bar",
        message=join(
            f"{skid.name} ({skid.id}): vessel {name} was isolated and without pressure; since {clock(since)} its "
            f"pressure has come back, {words.pressure(now)} now, more slowly than filling takes it.",
            "Water comes in past an isolating valve that passes, or past one that was not shut.",
            CATALOGUE["vessel-repressurised"].response,
            CAUTION,
        ),
        evidence={"pressure_pa": round(now, 1), "rose_for_s": round((time - since) / NS), "filling_s": FILLS_S,
                  "empty_below_pa": EMPTY},
    )  # fmt: skip


def empty_until(history: np.record, vessel: int, time: int) -> int | None:
    """When the vessel was last without pressure [ns], as far as the look back goes; None where it was not."""
    used = min(int(history["used"]), BLOCKS)
    starts = np.asarray(history["start"])[:used]
    own = np.asarray(history["means"])[:used, len(BLOCK_FIELDS) + vessel].astype(float)
    empty = starts[(own < EMPTY) & (starts < time)]
    if empty.size == 0:
        # It has risen for longer than the look back reaches.
        return int(starts.min()) if used and math.isfinite(own.min(initial=math.inf)) else None
    return int(empty.max()) + BLOCK_S * NS
