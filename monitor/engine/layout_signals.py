"""Records of one transmitter, and of the pair of headers: what is remembered to tell whether they can be believed."""

from __future__ import annotations

import numpy as np

from monitor.engine.codes import BUCKET

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
