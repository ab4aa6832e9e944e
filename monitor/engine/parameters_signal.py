"""Settings of `signal-fault` as the row tier's parameter records."""

from __future__ import annotations

import math

import numpy as np

from monitor.conditioning.range import is_contact
from monitor.conditioning.times import FaultTimes
from monitor.model import NS, Role
from monitor.skid import AlarmSettings, Reporting, Signal, SkidSettings

ON_CHANGE_SILENCE_S = 600.0     # of a signal that reports on change and has no `max_silence`
COMMON = (
    Role.INLET_PRESSURE,
    Role.OUTLET_PRESSURE,
    Role.DIFFERENTIAL_PRESSURE,
    Role.VESSEL_PRESSURE,
    Role.FLOW,
)
SPIKING = (*COMMON, Role.TEMPERATURE)    # a turbidimeter sees bubbles, and that is no fault of it
NEVER_FROZEN = (Role.VALVE_POSITION,)


def fill_health(row: np.record, signal: Signal, settings: AlarmSettings) -> None:
    """One signal's `health_parameters`."""
    times = FaultTimes.of(settings.extra)
    on_change = signal.reporting is Reporting.ON_CHANGE
    silence = signal.max_silence_s or (ON_CHANGE_SILENCE_S if on_change else times.stale)
    analog = not is_contact(signal) and signal.role not in (Role.LEAK_SENSOR, Role.PUMP_RUNNING)
    row["enabled"] = settings.enabled
    row["analog"] = analog
    row["on_change"] = on_change
    row["own_silence"] = signal.max_silence_s is not None
    row["common"] = signal.role in COMMON
    row["low"], row["high"] = signal.low, signal.high
    row["stale_after"] = round(silence * NS)
    row["failed_after"] = round(times.failed_loop * NS)
    row["frozen_after"] = round(times.frozen * NS) if not on_change and signal.role not in NEVER_FROZEN else 0
    row["spike_window"] = round(times.spikes * NS) if signal.role in SPIKING else 0
    row["off_delay"] = round(settings.off_delay_s * NS)


def fill_pair(row: np.record, settings: AlarmSettings) -> None:
    """A skid's `pair_parameters`."""
    times = FaultTimes.of(settings.extra)
    row["enabled"] = settings.enabled
    row["swapped_after"] = round(times.swapped * NS)
    row["zero_after"] = round(times.zero_shift * NS)
    row["off_delay"] = round(settings.off_delay_s * NS)


def pair_span(skid: SkidSettings) -> float:
    """Root of the squares of both headers' spans [Pa]; 0 where there are not both."""
    spans = [(s.high - s.low) * s.scale for s in skid.signals if s.role in (Role.INLET_PRESSURE, Role.OUTLET_PRESSURE)]
    return math.hypot(*spans) if len(spans) == 2 else 0.0
