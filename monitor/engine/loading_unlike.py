"""Loading held against earlier lives in the event tier: a note, or what a suspicion of a breach becomes by it."""

from __future__ import annotations

import math

import numpy as np

from monitor.engine.layout import State
from monitor.engine.look_back import level
from monitor.engine.messages_breach import grown_event
from monitor.engine.messages_loading import unusual_event
from monitor.engine.row_tier import Emission
from monitor.engine.story import Story
from monitor.engine.told import Told
from monitor.forecast.unusual import STALLED
from monitor.forecast.watch import Skid, Watch, compare
from monitor.model import NS, Role
from monitor.skid import SkidSettings

MINUTES_NS = 300 * NS    # over which turbidity is taken


def weigh_loading(skid: SkidSettings, story: Story, at: Skid, state: State, emission: Emission, told: Told) -> None:
    """Tell loading that is unlike that of all earlier lives, unless what it comes from has been told."""
    watch, i, time = story.forecast, emission.skid, emission.time
    turbidity = follow_turbidity(skid, watch, state.history[i], time)
    found = compare(watch, at)
    if found is None:
        return
    standing = story.breach.standing
    if found.what == STALLED and standing is not None:
        all_since = found.seconds <= int(state.skid[i].running) - standing.running
        if standing.grade == "suspected" and standing.stall_tells and all_since:
            watch.unusual.append(found.what)
            standing.grade = "likely"
            told.events.append(grown_event(skid, standing, time))
        return
    if found.what == STALLED and any(detail == "resistance-low" for _, detail in story.suspect):
        return
    watch.unusual.append(found.what)
    told.events.append(unusual_event(skid, found, time, by_volume=at.by_volume, turbidity=turbidity))


def follow_turbidity(skid: SkidSettings, watch: Watch, history: np.record, time: int) -> tuple[float, float]:
    """Turbidity at the outlet [NTU]: the mean of this run so far, and of the last minutes; NaN where not measured."""
    now = level(history, time - MINUTES_NS, time + NS) if skid.with_role(Role.TURBIDITY) else None
    if now is None or not math.isfinite(now.turbidity):
        return math.nan, math.nan
    mean, n = watch.turbidity
    watch.turbidity = (mean + (now.turbidity - mean) / (n + 1), n + 1)
    return watch.turbidity[0], now.turbidity
