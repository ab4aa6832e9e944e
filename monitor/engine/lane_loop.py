"""The compiled loop with lanes: one skid, and beside it what other limits and delays would tell of the same seconds.

A lane has records of its own for what its settings decide (`Lanes`); values, levels and all else are the skid's. The
same functions judge both.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.compiled import compiled, records
from monitor.conditioning.frozen import still
from monitor.conditioning.health import watch, watch_silence
from monitor.conditioning.sensor import take
from monitor.detectors.holds import watch_holds
from monitor.detectors.leaks import watch_leaks
from monitor.detectors.path import watch_path
from monitor.detectors.surge import watch_surge
from monitor.engine import codes, layout, layout_integrity, layout_signals
from monitor.engine.codes import LIMIT
from monitor.engine.kernel import actual, judge_limit, second
from monitor.engine.layout_integrity import PATH, WET
from monitor.engine.rollup import SECOND


class Lanes(NamedTuple):
    """What a lane remembers by itself. Axis 0: lane."""

    alarm: npt.NDArray[np.void]     # (lanes,): of `dp-limit`
    health: npt.NDArray[np.void]    # (lanes, MAX_SIGNALS): the skid's as last needed, and the lane's own `active`
    pair: npt.NDArray[np.void]      # (lanes,): of which only `silence_at`
    surge: npt.NDArray[np.void]
    path: npt.NDArray[np.void]
    hold: npt.NDArray[np.void]      # (lanes, MAX_VESSELS + 1)
    leak: npt.NDArray[np.void]      # (lanes, LEAKS)
    faults: npt.NDArray[np.int64]   # (lanes,): 1 while one is raised


def new_lanes(count: int) -> Lanes:
    """Lanes that have seen nothing yet."""
    return Lanes(
        alarm=records(count, layout.alarm),
        health=records((count, codes.MAX_SIGNALS), layout_signals.health),
        pair=records(count, layout_signals.pair),
        surge=records(count, layout_integrity.surge),
        path=records(count, layout_integrity.path),
        hold=records((count, codes.MAX_VESSELS + 1), layout_integrity.hold),
        leak=records((count, layout_integrity.LEAKS), layout_integrity.leak),
        faults=np.zeros(count, np.int64),
    )


@compiled
def suspicious(sensors, healths, signals):  # type: ignore[no-untyped-def]
    """Whether a signal's fault is to be looked at, whatever is raised."""
    for k in range(signals):
        if healths[k].fresh != 0 or sensors[k].bad_since != 0 or still(healths[k]):
            return 1
    return 0


@compiled
def own_faults(sensors, healths, mine, limits, pair, signals, look, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Faults of transmitters as one lane tells them. healths: the skid's, before it has judged this second itself."""
    for k in range(signals):
        active = mine[k].active
        mine[k] = healths[k]
        mine[k].active = active
    emitted = watch_silence(mine, limits, signals, pair, tick, emissions, emitted)
    return watch(sensors, mine, limits, signals, pair.started, tick, emissions, emitted) if look else emitted


@compiled
def faults(state, parameters, lanes, rules, tick, told, counts):  # type: ignore[no-untyped-def]
    """All lanes' faults of transmitters at a second."""
    sensors, healths, signals = state.sensor[0], state.health[0], parameters.skid[0].signals
    strange = suspicious(sensors, healths, signals)
    for lane in range(counts.size):
        pair = lanes.pair[lane]
        look = strange == 1 or lanes.faults[lane] == 1
        if look:
            pair.silence_at = 0
        elif tick < pair.silence_at:
            continue
        pair.started = state.pair[0].started
        mine = lanes.health[lane]
        counts[lane] = own_faults(
            sensors, healths, mine, rules.health[lane], pair, signals, look, tick, told[lane], counts[lane]
        )
        raised = 0
        for k in range(signals):
            raised |= mine[k].active
        lanes.faults[lane] = 1 if raised != 0 else 0


@compiled
def others(state, parameters, lanes, rules, tick, told, counts):  # type: ignore[no-untyped-def]
    """All lanes' surges, shut paths, holds, leaks and dP at its limit, after the skid's own second; returns whether
    any lane has emitted something."""
    skid, settings, history = state.skid[0], parameters.skid[0], state.history[0]
    sensors, healths, scales = state.sensor[0], state.health[0], parameters.sensor[0]
    any_told = False
    for lane in range(counts.size):
        mine, delays, emissions, emitted = rules.integrity[lane], rules.delays[lane], told[lane], counts[lane]
        emitted = watch_surge(
            lanes.surge[lane], history, sensors, lanes.health[lane], settings, mine, tick, emissions, emitted
        )
        path = lanes.path[lane]
        emitted = watch_path(
            path, history, skid, sensors, settings, mine.least_shut, delays[PATH], tick, emissions, emitted
        )
        holds = lanes.hold[lane]
        emitted = watch_holds(holds, skid, sensors, healths, settings, scales, mine, tick, emissions, emitted)
        emitted = watch_leaks(
            lanes.leak[lane], holds, skid, sensors, settings, mine, delays[WET], tick, emissions, emitted
        )
        drop = actual(skid, path, settings)
        emitted = judge_limit(lanes.alarm[lane], rules.alarm[lane, LIMIT], LIMIT, drop, tick, emissions, emitted)
        counts[lane] = emitted
        any_told |= emitted > 0
    return any_told


@compiled
def run(state, parameters, lanes, rules, rows, start, emissions, told, counts):  # type: ignore[no-untyped-def]
    """As `kernel.run` for one skid, without minutes; rules: parameters, a lane in the place of a skid; told, counts: of
    each lane what it emits and how much, nothing at first.

    Returns (next row, emissions of the skid).
    """
    signal, time, value, quality = rows
    skid = state.skid[0]
    for i in range(start, time.size):
        if skid.tick == 0:
            skid.tick = (time[i] + SECOND - 1) // SECOND * SECOND
            state.pair[0].started = time[i]
        last = time[i] if signal[i] < 0 else time[i] - 1
        while skid.tick <= last:
            tick = skid.tick
            skid.tick += SECOND
            faults(state, parameters, lanes, rules, tick, told, counts)
            emitted = second(state, parameters, 0, tick, emissions)
            if others(state, parameters, lanes, rules, tick, told, counts) or emitted > 0:
                return i, emitted
        if signal[i] >= 0:
            k = signal[i]
            take(
                state.sensor[0, k], state.health[0, k], parameters.sensor[0, k], parameters.health[0, k], skid.flowing,
                time[i], value[i], quality[i],
            )  # fmt: skip
    return time.size, 0
