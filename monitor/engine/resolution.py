"""What a skid's transmitters can tell at a moment: error of dP's zero, noise, error of normalised dP."""

from __future__ import annotations

import math

import numpy as np

from monitor.engine import codes
from monitor.engine.row_tier import RowTier
from monitor.model import NS, Role
from monitor.skid import SkidSettings

SPAN_ERROR = 0.0006        # of span, standard error of a transmitter's zero. Common practice, no source
LEFT_OVER = 0.15           # of the zero's error that remains where the offset without flow has been learned
FLOW_SCALE = 0.01          # relative, of a flow meter's reading. Common practice, no source
FLOW_BY_CURVE = 0.05       # where a pump's curve tells it: its points and a gauge's zero. Common practice, no source
FLOW_ASSUMED = 0.12        # and where flow is only taken as constant
WARMTH_UNKNOWN = 0.055     # relative, of viscosity 2 K off (2.5-3 % per kelvin)
HEADERS = (Role.INLET_PRESSURE, Role.OUTLET_PRESSURE)


def spans(skid: SkidSettings) -> list[float]:
    """Spans [Pa] of the transmitters that dP is told by."""
    direct = skid.with_role(Role.DIFFERENTIAL_PRESSURE)[:1]
    chosen = direct or tuple(s for s in skid.signals if s.role in HEADERS)
    return [(s.high - s.low) * s.scale for s in chosen]


def zero_error(skid: SkidSettings, state: np.record) -> float:
    """Standard error [Pa] of dP's zero. state: the skid's record."""
    whole = SPAN_ERROR * math.hypot(*spans(skid))
    if int(state["idle_offset_known"]) > 0:
        return math.hypot(float(state["idle_offset_error"]), LEFT_OVER * whole)
    return whole


def noise_of(tier: RowTier, i: int, signal: int) -> float:
    """Standard deviation of a signal's noise from reading to reading [SI], NaN for no such signal or not yet known."""
    if signal < 0:
        return math.nan
    scatter = float(tier.state.health[i, signal].scatter)
    return scatter * float(tier.parameters.sensor[i, signal].scale) if scatter > 0 else math.nan


def interval_of(tier: RowTier, i: int, signal: int) -> float:
    """Seconds between a signal's readings; 1 while not known."""
    learned = float(tier.state.health[i, signal].interval) / NS if signal >= 0 else 0.0
    return learned if learned > 0 else 1.0


def drop_noise(tier: RowTier, i: int) -> float:
    """Standard deviation [Pa] of dP from reading to reading; 0 while not known."""
    role = tier.parameters.skid[i].role
    direct = role[codes.DIFFERENTIAL]
    chosen = [direct] if direct >= 0 else [role[codes.INLET], role[codes.OUTLET]]
    known = [n for n in (noise_of(tier, i, int(k)) for k in chosen) if math.isfinite(n)]
    return math.hypot(*known)


def drop_error(skid: SkidSettings, tier: RowTier, i: int, seconds: float) -> float:
    """Standard error [Pa] of dP averaged over some seconds."""
    role = tier.parameters.skid[i].role
    k = int(role[codes.DIFFERENTIAL] if role[codes.DIFFERENTIAL] >= 0 else role[codes.INLET])
    readings = max(seconds / max(interval_of(tier, i, k), 1.0), 1.0)
    return math.hypot(zero_error(skid, tier.state.skid[i]), drop_noise(tier, i) / math.sqrt(readings))


def normalised_error(skid: SkidSettings, tier: RowTier, i: int, seconds: float) -> float:
    """Standard error [Pa] of dP at reference flow and temperature, averaged over some seconds."""
    frame = tier.state.skid[i]
    drop, level = float(frame.pressure_drop), float(frame.normalised)
    scale = level / drop if drop > 0 and math.isfinite(level) else 1.0
    unmeasured = FLOW_BY_CURVE if skid.pump_curve else FLOW_ASSUMED
    relative = math.hypot(FLOW_SCALE if skid.with_role(Role.FLOW) else unmeasured,
                          0.0 if skid.with_role(Role.TEMPERATURE) else WARMTH_UNKNOWN)  # fmt: skip
    known = level if math.isfinite(level) else 0.0
    return math.hypot(scale * drop_error(skid, tier, i, seconds), relative * known)
