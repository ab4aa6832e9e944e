"""Sizes, positions and codes that the compiled loop and those who read its records share."""

from __future__ import annotations

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
KEPT, KEPT_EVERY = 128, 6        # blocks, one in so many, of which some is kept longer: two hours
