"""The row tier's memory: one record per skid (and per signal, per alarm) in numpy structured arrays.

Every field starts as zero bytes, which must mean "nothing seen yet": a fresh record needs no set-up,
and a checkpoint is the bytes of the records. Pressures Pa, times ns, ratios 1.
"""

from __future__ import annotations

import hashlib
from functools import cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.compiled import records
from monitor.engine.codes import (
    ALARMS,
    BLOCK_COLUMNS,
    BLOCKS,
    KEPT,
    MAX_SIGNALS,
    MAX_VESSELS,
    RING,
    ROLES,
    TRACE,
    TRACED,
    WAKES,
)
from monitor.engine.layout_integrity import LEAKS, hold, leak, path, surge
from monitor.engine.layout_signals import ZEROS, health, pair, sensor, zero
from monitor.skid import CURVE

skid_parameters = np.dtype(
    [
        ("signals", np.int64),
        ("role", np.int64, (ROLES,)),
        ("vessels", np.int64),                     # in service normally
        ("vessel_signal", np.int64, (MAX_VESSELS,)),
        ("reference_flow", np.float64),
        ("reference_viscosity", np.float64),
        ("reference_density", np.float64),
        ("fluid", np.int64),
        ("turbulent", np.float64),                 # b q_ref^2
        ("idle_dp", np.float64),                   # without flow or pump signal: below it nothing flows
        ("min_flow", np.float64),                  # fraction of reference flow
        ("settle", np.int64),
        ("isolation_hold", np.int64),
        ("window", np.int64),                      # seconds that normalised dP is averaged over
        ("pair_span", np.float64),                 # of both headers' transmitters, root of squares, Pa; 0 without
        ("traced", np.int64),                      # signals whose clocks are compared ...
        ("trace_signal", np.int64, (TRACED,)),     # ... and which they are
        ("curve_points", np.int64),                # of the pump's curve; 0 without
        ("curve_pressure", np.float64, (CURVE,)),  # at the inlet header [Pa], rising ...
        ("curve_square", np.float64, (CURVE,)),    # ... and the square of the flow ratio there
    ],
    align=True,
)
skid = np.dtype(
    [
        ("tick", np.int64),          # next whole second to be judged; 0: nothing seen yet
        ("inlet", np.float64),
        ("outlet", np.float64),
        ("pressure_drop", np.float64),
        ("flow", np.float64),        # m^3/s, measured or told by the pump's curve; else NaN
        ("temperature", np.float64),
        ("normalised", np.float64),  # over the window, NaN when it cannot be told
        ("momentary", np.float64),   # the same of this second alone
        ("sustained", np.float64),   # actual dP over the last three seconds, whatever its zero
        ("raw", np.float64, (4,)),   # dP of the latest seconds, whatever its zero
        ("ring_dp", np.float64, (RING,)),
        ("ring_flow", np.float64, (RING,)),
        ("ring_ratio", np.float64, (RING,)),       # viscosity over reference viscosity
        ("ring_density", np.float64, (RING,)),
        ("ring_normalised", np.float64, (RING,)),  # momentary
        ("ring_inlet", np.float64, (RING,)),
        ("ring_outlet", np.float64, (RING,)),
        ("filled", np.int64),        # ticks in the rings so far, at most RING
        ("flowing", np.int64),
        ("flow_since", np.int64),
        ("turning", np.int64),       # consecutive seconds that disagree with `flowing`
        ("isolated_since", np.int64),   # 0: all vessels that should be are in service
        ("level_before", np.float64),   # normalised dP before the isolation ...
        ("level_isolated", np.float64), # ... and just after
        ("returned_at", np.int64),
        ("turning_service", np.int64),   # consecutive seconds that look like an isolation, or a return
        ("opened", np.int64),        # bits: vessels that were vented since the isolation
        ("relieved", np.int64),      # whether a standby may carry flow beside those usually in service
        ("judged", np.int64),        # whether normalised dP may be judged now
        ("idle_offset", np.float64), # what dP reads without flow [Pa], learned ...
        ("idle_offset_known", np.int64), # ... from so many stops
        ("turbulent", np.float64),   # b q_ref^2 [Pa] as the event tier has found it; 0: the assumed one holds
        ("running", np.int64),       # seconds with flow, ever
        ("volume", np.float64),      # m^3 through the skid, ever, as far as flow was known
        ("vented", np.int64),        # bits: vessels whose own pressure has fallen to about nothing
        ("wake_at", np.int64, (WAKES,)),   # when the event tier wants to look again, by purpose; 0: it does not
        ("dropping", np.int64),      # consecutive seconds that look like a loss of resistance
        ("dropped_at", np.int64),
        ("sudden", np.int64),        # consecutive seconds that look like a large loss at a flow that stands
        ("steady", np.int64),        # whether normalised dP has had a value of late
        ("unsteady", np.int64),      # consecutive seconds that disagree with `steady`
        ("steady_since", np.int64),
        ("idle_offset_error", np.float64), # its standard error [Pa]; means nothing until it is known
        ("viscosity", np.float64),   # ratios as last known, held while no temperature can be believed; 0: never known
        ("density", np.float64),
        ("packing", np.float64),     # exponent of dP that cake's resistance goes with, as found; 0: not known
        ("clean", np.float64),       # normalised dP of the clean skid [Pa] that goes with it
        ("pressurised", np.int64),   # since when the inlet header has pressure; 0: it has none
        ("emptied", np.int64, (MAX_VESSELS,)),   # when each vessel was found vented
        ("rising", np.int64, (MAX_VESSELS,)),    # since when its pressure has been coming back; 0: it is not
        ("back", np.int64),          # bits: vessels of which that has been told
    ],
    align=True,
)
trace = np.dtype(                    # of second n at n % TRACE
    [
        ("values", np.float32, (TRACE, TRACED)),
        ("begun", np.int64),         # the first second kept
        ("moved", np.int64),         # when the reference began to move; 0: nothing is waited for
        ("delay", np.int64, (TRACED,)),      # seconds that each signal is held back for the latest clock
        ("delayed", np.int64),       # 1: one of them is not 0
    ],
    align=True,
)
loading = np.dtype(
    [
        ("spell", np.int64),         # seconds of running that one sample stands for; 0: the shortest
        ("begun", np.int64),         # first second of the open one
        ("seconds", np.int64),
        ("known", np.int64),         # seconds of it in which normalised dP could be judged
        ("total", np.float64),       # its sum over them [Pa]
        ("idle", np.int64),          # seconds without flow since the last sample
    ],
    align=True,
)
alarm_parameters = np.dtype(
    [
        ("enabled", np.int64),
        ("limit", np.float64),
        ("clear", np.float64),       # clears below this
        ("on_delay", np.int64),
        ("off_delay", np.int64),
    ],
    align=True,
)
alarm = np.dtype(
    [
        ("active", np.int64),
        ("pending_since", np.int64),   # condition present, on-delay running
        ("leaving_since", np.int64),   # condition gone, off-delay running
        ("changed", np.int64),         # when it last was raised or cleared
    ],
    align=True,
)
MINUTE_FIELDS = ("inlet", "outlet", "pressure_drop", "flow", "temperature", "normalised")
minute = np.dtype(
    [
        ("start", np.int64),
        ("sums", np.float64, (len(MINUTE_FIELDS),)),
        ("counts", np.int64, (len(MINUTE_FIELDS),)),
        ("judged", np.int64),        # seconds of it
        ("seconds", np.int64),
    ],
    align=True,
)
history = np.dtype(
    [
        ("start", np.int64, (BLOCKS,)),                      # of each block, ns
        ("means", np.float32, (BLOCKS, BLOCK_COLUMNS)),      # NaN where unknown
        ("sums", np.float64, (BLOCK_COLUMNS,)),              # of the block that is open
        ("known", np.int64, (BLOCK_COLUMNS,)),
        ("open", np.int64),                                  # its start
        ("used", np.int64),                                  # blocks closed so far
        ("kept_start", np.int64, (KEPT,)),                   # of each of the few that are kept longer, ns
        ("kept", np.float32, (KEPT, 3)),                     # inlet, outlet, normalised dP; NaN where unknown
    ],
    align=True,
)
emission = np.dtype(
    [
        ("code", np.int64),
        ("alarm", np.int64),     # position of the kind
        ("signal", np.int64),    # index of the signal it is about, or of the vessel; -1 for none
        ("detail", np.int64),    # position of the detail, -1 for none
        ("time", np.int64),
        ("onset", np.int64),
        ("value", np.float64),
    ],
    align=True,
)


class Parameters(NamedTuple):
    """What does not change while running. Axis 0: skid."""

    skid: npt.NDArray[np.void]      # (skids,)
    sensor: npt.NDArray[np.void]    # (skids, MAX_SIGNALS)
    alarm: npt.NDArray[np.void]     # (skids, ALARMS)
    health: npt.NDArray[np.void]    # (skids, MAX_SIGNALS)
    pair: npt.NDArray[np.void]      # (skids,)
    integrity: npt.NDArray[np.void]  # (skids,)
    delays: npt.NDArray[np.void]    # (skids, 2): of a shut path, of a wet sensor
    viscosity: npt.NDArray[np.float64]   # (fluids, FLUID_POINTS) Pa s
    density: npt.NDArray[np.float64]     # (fluids, FLUID_POINTS) kg/m^3


class State(NamedTuple):
    """What does. Axis 0: skid."""

    skid: npt.NDArray[np.void]      # (skids,)
    sensor: npt.NDArray[np.void]    # (skids, MAX_SIGNALS)
    alarm: npt.NDArray[np.void]     # (skids, ALARMS)
    minute: npt.NDArray[np.void]    # (skids,)
    history: npt.NDArray[np.void]   # (skids,)
    health: npt.NDArray[np.void]    # (skids, MAX_SIGNALS)
    pair: npt.NDArray[np.void]      # (skids,)
    zero: npt.NDArray[np.void]      # (skids, ZEROS)
    surge: npt.NDArray[np.void]     # (skids,)
    path: npt.NDArray[np.void]      # (skids,)
    hold: npt.NDArray[np.void]      # (skids, MAX_VESSELS + 1)
    leak: npt.NDArray[np.void]      # (skids, LEAKS)
    loading: npt.NDArray[np.void]   # (skids,)
    trace: npt.NDArray[np.void]     # (skids,)


def new_state(skids: int) -> State:
    return State(
        skid=records(skids, skid),
        sensor=records((skids, MAX_SIGNALS), sensor),
        alarm=records((skids, ALARMS), alarm),
        minute=records(skids, minute),
        history=records(skids, history),
        health=records((skids, MAX_SIGNALS), health),
        pair=records(skids, pair),
        zero=records((skids, ZEROS), zero),
        surge=records(skids, surge),
        path=records(skids, path),
        hold=records((skids, MAX_VESSELS + 1), hold),
        leak=records((skids, LEAKS), leak),
        loading=records(skids, loading),
        trace=records(skids, trace),
    )


@cache
def fingerprint() -> str:
    """Changes whenever the layout of the state does."""
    parts = (sensor, skid, alarm, minute, history, health, pair, zero, surge, path, hold, leak, loading, trace)
    text = repr([d.descr for d in parts])
    return hashlib.sha256(text.encode()).hexdigest()[:16]
