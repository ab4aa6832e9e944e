"""Whether what stands still again has answered a fall of dP for a moment.

Under control of flow or of a header's pressure an element that gives way moves one header for good, as a zero that
shifts does. But a controller takes seconds: until then flow is higher, the outlet with it, and the inlet lower. A
transmitter whose zero shifts moves nothing else. Demand that falls does: `demand` tells it apart where no meter does.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from monitor.engine.look_back import latest_seconds
from monitor.model import NS, Role
from monitor.skid import SkidSettings

AROUND = (5, 8)          # seconds before and after the fall in which an answer shows
LEADS = 10               # seconds before the fall's middle in which the outlet rises first where demand falls
CLEAR = 3                # seconds between those and the level before
LEAST = 12               # seconds of the level before
SIGNIFICANT = 3.0        # times the standard error
RISEN = 6.0              # times the scatter of seconds
Array = npt.NDArray[np.float64]


def answered(skid: SkidSettings, state: np.record, healths: npt.NDArray[np.void]) -> bool:
    """Whether flow or the outlet rose for a moment as dP fell, or the inlet fell, within the seconds of the row tier's
    rings."""
    places = latest_seconds(state, 0, int(state["filled"]))[::-1]
    fallen = fall_in(np.asarray(state["ring_dp"], float)[places])
    if fallen is None:
        return False
    looks = (("ring_flow", Role.FLOW, 1.0), ("ring_outlet", Role.OUTLET_PRESSURE, 1.0),
             ("ring_inlet", Role.INLET_PRESSURE, -1.0))  # fmt: skip
    return any(bulges(sign * np.asarray(state[ring], float)[places], fallen, interval_of(skid, healths, role))
               for ring, role, sign in looks if skid.with_role(role))


def outlet_led(skid: SkidSettings, state: np.record, healths: npt.NDArray[np.void]) -> bool:
    """Where no meter tells flow: whether the outlet rose, and the inlet fell only later than readings can hide, within
    the seconds of the row tier's rings. Behind a held outlet so it is with demand that falls at once."""
    headers = skid.with_role(Role.INLET_PRESSURE) and skid.with_role(Role.OUTLET_PRESSURE)
    if skid.with_role(Role.FLOW) or not headers:
        return False
    places = latest_seconds(state, 0, int(state["filled"]))[::-1]
    drop, inlet, outlet = (np.asarray(state[f"ring_{name}"], float)[places] for name in ("dp", "inlet", "outlet"))
    fallen = fall_in(drop)
    if fallen is None or fallen - LEADS - CLEAR < LEAST or not np.isfinite(inlet + outlet).all():
        return False
    before, since = slice(0, fallen - LEADS - CLEAR), slice(fallen - LEADS, fallen + AROUND[1])
    risen, unmoved = (seen[since] - float(np.mean(seen[before])) > times * float(np.std(seen[before], ddof=1))
                      for seen, times in ((outlet, RISEN), (inlet, -1.0)))  # fmt: skip
    return int(np.count_nonzero(risen & unmoved)) > slower_header(skid, healths)


def interval_of(skid: SkidSettings, healths: npt.NDArray[np.void], role: Role) -> float:
    """Seconds between readings of the role's signal, as learned."""
    (signal, *_) = skid.with_role(role)
    return float(healths[skid.signals.index(signal)]["interval"]) / NS


def slower_header(skid: SkidSettings, healths: npt.NDArray[np.void]) -> float:
    """Seconds between readings of the slower of the headers; 0 without any."""
    headers = (Role.INLET_PRESSURE, Role.OUTLET_PRESSURE)
    return max((interval_of(skid, healths, role) for role in headers if skid.with_role(role)), default=0.0)


def fall_in(drop: Array) -> int | None:
    """Second from which dP is below the middle of its levels at the beginning and at the end."""
    if drop.size < 2 * LEAST or not np.isfinite(drop).all():
        return None
    before, now = float(np.median(drop[:LEAST])), float(np.median(drop[-LEAST // 3 :]))
    above = np.flatnonzero(drop > 0.5 * (before + now))
    return int(above[-1]) + 1 if above.size else None


def bulges(seen: Array, fallen: int, interval: float) -> bool:
    """Whether values [one a second, of readings so many seconds apart] were higher about the fall than before it and at
    the end, by more than chance."""
    start, end = fallen - AROUND[0], fallen + AROUND[1]
    before, later = seen[: max(start - CLEAR, 0)], seen[end:]
    if before.size < LEAST or later.size == 0 or not np.isfinite(seen).all():
        return False
    bulge = seen[start:end]
    independent = 1.0 / max(interval, 1.0)
    noise = float(np.std(before, ddof=1))
    error = noise * math.sqrt(1 / (bulge.size * independent) + 1 / (before.size * independent))
    rise = float(np.mean(bulge)) - float(np.mean(before))
    return rise > SIGNIFICANT * error and rise > float(np.mean(later)) - float(np.mean(before))
