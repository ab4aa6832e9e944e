"""What endangers vessels and people beside dirt: surges, a shut path, seeping closures; each second (compiled)."""

from __future__ import annotations

from monitor.compiled import compiled
from monitor.detectors.holds import watch_holds
from monitor.detectors.leaks import watch_leaks
from monitor.detectors.path import watch_path
from monitor.detectors.surge import watch_surge
from monitor.engine.layout_integrity import PATH, WET


@compiled
def watch_integrity(state, parameters, s, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Judge one skid; returns how many emissions there are. None of these is ever suppressed."""
    settings, rules, skid = parameters.skid[s], parameters.integrity[s], state.skid[s]
    history, sensors, delays = state.history[s], state.sensor[s], parameters.delays[s]
    emitted = watch_surge(
        state.surge[s], history, sensors, state.health[s], settings, rules, tick, emissions, emitted
    )
    emitted = watch_path(
        state.path[s], history, skid, sensors, settings, rules.least_shut, delays[PATH], tick, emissions, emitted
    )
    emitted = watch_holds(
        state.hold[s], skid, sensors, state.health[s], settings, parameters.sensor[s], rules, tick, emissions, emitted
    )
    return watch_leaks(
        state.leak[s], state.hold[s], skid, sensors, settings, rules, delays[WET], tick, emissions, emitted
    )
