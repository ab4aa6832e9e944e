"""Records of surges, of the path through the skid, of holds and of leak sensors."""

from __future__ import annotations

import numpy as np

from monitor.engine.codes import MAX_VESSELS

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
        ("filling_since", np.int64),     # flow into a vessel while the path stays shut, since
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
