"""How far the elements have loaded: means of normalised dP over spells of running, for the forecast (compiled)."""

from __future__ import annotations

import math

import numpy as np

from monitor.compiled import compiled
from monitor.engine.codes import FORECAST, SAMPLE
from monitor.engine.emissions import emit

SECOND = 1_000_000_000
LEAST_S = 1      # shortest spell, at the start of a life: 2 % of one of a minute
IDLE_S = 1800    # of standing still, after which what is foreseen is told again
REST_S = 5       # flow may still be rising


@compiled
def speaks(skid, settings, spell, tick):  # type: ignore[no-untyped-def]
    """Whether normalised dP of this second tells of the elements' load: all are in service, and flow has settled, but
    not longer than two spells for the sake of lives of minutes."""
    if skid.isolated_since != 0 or not math.isfinite(skid.momentary):
        return False
    settle = min(settings.settle, max(2 * spell, REST_S) * SECOND)
    return tick - skid.flow_since >= settle and (skid.returned_at == 0 or tick - skid.returned_at >= settle)


@compiled
def sample_loading(loading, skid, settings, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Add this second; a spell that is full is emitted with its mean, NaN where under half of it can be judged. While
    the skid stands, the time that passes is emitted now and then (detail 1)."""
    if skid.flowing == 0:
        loading.idle += 1
        if loading.idle < IDLE_S:
            return emitted
        loading.idle = 0
        return emit(emissions, emitted, SAMPLE, FORECAST, -1, 1, tick, tick, np.nan)
    loading.idle = 0
    spell = max(loading.spell, LEAST_S)
    if loading.seconds == 0:
        loading.begun = tick
    loading.seconds += 1
    if speaks(skid, settings, spell, tick):
        loading.total += skid.momentary
        loading.known += 1
    if loading.seconds < spell:
        return emitted
    mean = loading.total / loading.known if 2 * loading.known >= loading.seconds else np.nan
    begun = loading.begun
    loading.seconds, loading.known, loading.total = 0, 0, 0.0
    return emit(emissions, emitted, SAMPLE, FORECAST, -1, -1, tick, begun, mean)
