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

from monitor.skid import CURVE

MAX_SIGNALS = 32
MAX_VESSELS = 8
BUCKET = 16      # readings kept of one second; at more than 16 Hz the first 16 stand for it
RING = 64        # seconds of skid values kept, a power of two
FLUID_POINTS = 521
FLUID_LOWEST = 253.15      # K, first point of a fluid's table
FLUID_STEP = 0.25          # K; linear between points errs by less than 1e-5

# Alarms judged in the row tier by a limit, by position; then the kinds that are found otherwise.
DUE, LIMIT = 0, 1
ALARMS = 2
SIGNAL_FAULT = 2
SERVICE = 3      # not an alarm: vessels leaving and coming back, for the event tier
REVERSE = 4      # dP turned round while nothing flows forward
BREACH = 5       # losses of resistance, for the event tier
SURGE, BLOCKED, OUTSIDE = 6, 7, 8    # OUTSIDE: no path, but not through the skid's own fault
SEEP, LEAK = 9, 10                   # of a hold: WAKE to look at it, RETURNED when it is over; a wet sensor
FORECAST = 11    # spells of loading, for the event tier
CLOCK = 12       # transients over, by which clocks are compared
BACK = 13        # pressure that comes back in an emptied vessel

# What can be wrong with a signal, by position in the contract's words; in `health.active` as bits.
DETAILS = ("stale", "frozen", "out-of-range", "swapped", "zero-shift", "spikes")
STALE, FROZEN, FAILED, SWAPPED, SHIFTED, SPIKES = range(6)

# Roles by position in `SkidParameters.role`; -1 where a skid has no such signal.
INLET, OUTLET, DIFFERENTIAL, FLOW, TEMPERATURE, PUMP, TURBIDITY = range(7)
ROLES = 7

# Purposes the event tier may want to be woken for.
FOR_CHANGEOUT, FOR_BREACH, FOR_TRACE, FOR_TOLD = range(4)
WAKES = 4

GRADUAL, SUDDEN = -1, 1  # details of DROPPED: settled for a while; large, at a flow that stands, and just now

# What the row tier can emit.
RAISED, CLEARED, ISOLATED, RETURNED, VENTED, WAKE, NOTED, DROPPED, STOPPED, STARTED, SAMPLE = range(1, 12)
EMISSIONS_A_TICK = 256   # most that one skid can emit at one tick: every fault of every signal, and the rest

TRACE = 192      # seconds of values kept of what moves with the process, to compare clocks by
TRACED = 4 + MAX_VESSELS     # headers, dP, flow, vessels; the first there is, is what others are compared with
TOO_SOON, SLOWLY = 0, 1      # details of BACK: sooner than anybody can have opened it; more slowly than filling

# The event tier's look back: means of BLOCK_S seconds.
BLOCKS, BLOCK_S = 128, 10
BLOCK_FIELDS = (
    "pressure_drop", "flow", "viscosity", "density", "inlet", "outlet", "normalised", "turbidity",
)  # fmt: skip  # flow, viscosity, density: ratios
NORMALISED = BLOCK_FIELDS.index("normalised")
BLOCK_COLUMNS = len(BLOCK_FIELDS) + MAX_VESSELS

sensor_parameters = np.dtype(
    [("scale", np.float64), ("offset", np.float64), ("hold", np.int64)], align=True
)
sensor = np.dtype(
    [
        ("seen", np.int64),        # time of the newest reading that could be used
        ("bad_since", np.int64),   # time of the first unusable reading since then
        ("held", np.float64),      # value of the newest second that had one
        ("trim", np.float64),      # taken off every value: a zero that a person has approved
        ("now", np.float64),       # value at this tick, NaN when none can be believed
        ("high", np.float64),      # highest reading of the newest second that had one
        ("bucket", np.float64, (BUCKET,)),
        ("count", np.int64),       # readings in the bucket
        ("total", np.int64),       # usable readings ever
    ],
    align=True,
)
READINGS = 16    # latest readings kept of a signal, a power of two
SPIKES_KEPT = 5  # so many in the time allowed are a fault (contract)
STEPS = 4        # unexplained steps of a header that are remembered until the next idle offset
health_parameters = np.dtype(
    [
        ("enabled", np.int64),
        ("analog", np.int64),        # 0: a contact or position, of which nothing but silence is judged
        ("on_change", np.int64),
        ("own_silence", np.int64),   # `stale_after` was configured: the signal's own interval does not lengthen it
        ("common", np.int64),        # moves with the process: pressures and flow
        ("low", np.float64),         # span in the transmitter's own unit
        ("high", np.float64),
        ("stale_after", np.int64),
        ("failed_after", np.int64),
        ("frozen_after", np.int64),
        ("spike_window", np.int64),
        ("off_delay", np.int64),
    ],
    align=True,
)
health = np.dtype(
    [
        ("active", np.int64),        # bits of DETAILS: raised and not cleared
        ("heard", np.int64),         # time of the newest reading, also of a failed loop
        ("gone", np.int64),          # since when what sends it is known to be gone; 0: it is not
        ("interval", np.float64),    # ns between readings, as learned
        ("bad_run", np.int64),       # unusable readings in a row
        ("bad_value", np.float64),   # the newest of them; NaN where it was no failed loop but a word of its source
        ("good_since", np.int64),    # first usable reading after the failure that is raised
        ("readings", np.int64),      # usable ones so far
        ("last", np.float64),        # the newest, in the transmitter's own unit
        ("quantum", np.float64),     # smallest change seen
        ("noise", np.float64, (2,)), # median of changes, running: without flow, with
        ("noises", np.int64, (2,)),  # changes these rest on
        ("scatter", np.float64),     # standard deviation of the noise at present; 0 while not known
        ("accepted", np.float64),    # the newest that stood as a value
        ("pending", np.float64),     # a lone jump that waits for the next reading ...
        ("pending_at", np.int64),    # ... since then; 0: none waits
        ("run", np.int64),           # repeats of the newest value
        ("run_since", np.int64),     # its first reading
        ("expected", np.float64),    # changes that noise should have made since
        ("thawed", np.int64),        # changes since it last stood still against all expectation
        ("thawed_at", np.int64),
        ("wide", np.float64),        # share of changes by more than one quantum
        ("changing", np.float64, (2,)),   # share of readings that differ from the one before: without flow, with
        ("longest", np.float64, (2,)),    # repeats in a row seen in service
        ("learned", np.int64, (2,)),      # readings these rest on
        ("weight", np.float64, (2,)),     # changes expected of one reading
        ("ring", np.float64, (READINGS,)),
        ("ring_time", np.int64, (READINGS,)),
        ("ringed", np.int64),        # readings in the ring without a gap
        ("flag_index", np.int64),    # count of the newest reading that was a spike
        ("flagged", np.int64),       # its time
        ("fresh", np.int64),         # the same, until looked at
        ("spike", np.float64),       # its value, and the median around it
        ("around", np.float64),
        ("spikes", np.int64, (SPIKES_KEPT,)),   # times of the newest that were this signal's own
    ],
    align=True,
)
pair_parameters = np.dtype(
    [
        ("enabled", np.int64),
        ("swapped_after", np.int64),
        ("zero_after", np.int64),
        ("off_delay", np.int64),
    ],
    align=True,
)
pair = np.dtype(
    [
        ("started", np.int64),           # time of the skid's first row
        ("silence_at", np.int64),        # before then no signal can be stale that is not yet
        ("watched", np.int64),           # 1: dP is or was lately reversed
        ("idle", np.int64),              # 1: nothing flowed at the last look
        ("turned", np.int64),            # seconds in a row with dP reversed
        ("righted", np.int64),           # seconds in a row without
        ("reversed_since", np.int64),
        ("sum_inlet", np.float64),       # since then
        ("sum_outlet", np.float64),
        ("seconds", np.int64),
        ("exchanged", np.int64),         # 1: the two levels changed places
        ("swapped", np.int64),           # raised
        ("forward_right", np.int64),     # seconds in a row with dP as it should be, while that is raised
        ("reverse_at", np.int64),        # when dP was last truly reversed for long enough to be told
        ("steps_seen", np.int64),        # blocks of the look back that were searched for steps
        ("step_size", np.float64, (STEPS,)),     # of dP, Pa; newest last
        ("step_at", np.int64, (STEPS,)),
        ("step_outlet", np.int64, (STEPS,)),     # 1: the outlet moved, 0: the inlet
    ],
    align=True,
)
zero = np.dtype(                         # of the pair of headers, and of a transmitter across them
    [
        ("idle_since", np.int64),
        ("block_sum", np.float64),
        ("block_level", np.float64),
        ("block_seconds", np.int64),
        ("last_level", np.float64),      # of the block before
        ("total", np.float64),           # over blocks that agree
        ("sum_level", np.float64),       # the same of the inlet, and of vessels beside it
        ("sum_vessel", np.float64),
        ("seconds", np.int64),
        ("vessel_seconds", np.int64),
        ("offset", np.float64),          # learned, Pa
        ("variance", np.float64),        # of what it was learned from, Pa^2
        ("known", np.int64),             # stops it was learned from
        ("learned", np.int64),           # 1: this stop is among them
        ("shift", np.float64),           # raised, Pa against what it was judged by
        ("shifted", np.int64),           # 1: raised
        ("signal", np.int64),            # the one named
    ],
    align=True,
)
ZEROS = 2
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
PEAKS = 20       # blocks of the look back whose highest readings are kept of each header
RECENT = 12      # seconds of a hold's pressure that wait before they count
LEVELS = 32      # means kept of one hold, however long: when they are full each two become one
LEAKS = 16       # leak sensors
IDLE = MAX_VESSELS       # position of the idle skid among the holds
PATH, WET = 0, 1         # positions in `Parameters.delays`
integrity_parameters = np.dtype(
    [
        ("surge_enabled", np.int64),
        ("surge_limit", np.float64),
        ("surge_off", np.int64),
        ("least_shut", np.float64),                # Pa that a shut path shows at least, told without a flow meter
        ("seep_enabled", np.int64),
        ("seep_off", np.int64),
        ("thermal", np.float64),                   # Pa that a tight hold may gain or lose by temperature
        ("spillage", np.int64),
        ("leaks", np.int64),
        ("leak_signal", np.int64, (LEAKS,)),
        ("leak_vessel", np.int64, (LEAKS,)),       # -1: of no vessel
    ],
    align=True,
)
surge = np.dtype(
    [
        ("seen", np.int64),          # blocks of the look back that were judged
        ("told", np.int64),          # blocks whose peaks have been told of
        ("high", np.float64, (2,)),  # of the open block, by header: inlet, outlet
        ("peaks", np.float64, (2, PEAKS)),
        ("active", np.int64),
        ("latest", np.int64),        # when a surge was last told
        ("before", np.float64),      # settled levels on both sides of it
        ("after", np.float64),
    ],
    align=True,
)
path = np.dtype(
    [
        ("active", np.int64),            # as in `alarm`
        ("pending_since", np.int64),
        ("leaving_since", np.int64),
        ("changed", np.int64),
        ("seen", np.int64),              # blocks of the look back that were taken in
        ("inlet", np.float64),           # usual levels while the skid runs [Pa] ...
        ("outlet", np.float64),
        ("drop", np.float64),
        ("known", np.int64),             # ... 1: there are some
        ("learned", np.int64),           # and when they were last
        ("middle", np.float64),          # dP between the usual and that of the shut path [Pa]
        ("outside_since", np.int64),     # no flow and no dP while the pump pushes, since
        ("outside_told", np.int64),
    ],
    align=True,
)
hold = np.dtype(
    [
        ("phase", np.int64),             # see `detectors.holds`
        ("low", np.int64),               # 1: it was without pressure
        ("apart", np.int64),             # seconds in a row off both headers
        ("filled", np.int64),            # seconds in `recent`
        ("recent", np.float64, (RECENT,)),
        ("since", np.int64),             # time of the first value that counts
        ("width", np.int64),             # seconds in one mean
        ("used", np.int64),
        ("seconds", np.int64),           # so far in the open one, and how many had a value
        ("known", np.int64),
        ("total", np.float64),
        ("total_inlet", np.float64),
        ("total_outlet", np.float64),
        ("levels", np.float64, (LEVELS,)),
        ("inlets", np.float64, (LEVELS,)),     # of the headers meanwhile
        ("outlets", np.float64, (LEVELS,)),
        ("look_at", np.int64),
        ("ended", np.int64),             # when the last hold ended
        ("raised", np.int64),            # 1: a seep is raised
        ("rise_told", np.int64),         # 1: of this hold
        ("smallest", np.float64),        # time constant [s] of the slowest seep that the last one would have shown
    ],
    align=True,
)
leak = np.dtype(
    [
        ("active", np.int64),            # as in `alarm`
        ("pending_since", np.int64),
        ("leaving_since", np.int64),
        ("changed", np.int64),
        ("wet_since", np.int64),
        ("spilt", np.int64),             # 1: it got wet during a changeout
        ("out", np.int64),               # when its vessel was last out of service
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


def records(shape: int | tuple[int, ...], dtype: np.dtype[np.void]) -> npt.NDArray[np.void]:
    """Zeroed records whose fields read as attributes, compiled or not."""
    return np.zeros(shape, np.dtype((np.record, dtype)))


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
