"""Settings of skids as the row tier's parameter records."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from monitor.compiled import records
from monitor.engine import codes, layout, layout_integrity, layout_signals
from monitor.engine.parameters_integrity import fill_delays, fill_integrity
from monitor.engine.parameters_signal import fill_health, fill_pair, pair_span
from monitor.errors import InputError
from monitor.hydraulics.pressure_drop import CLEAN_SHARE, turbulent_part
from monitor.hydraulics.water import HIGHEST, density, viscosity
from monitor.model import NS, Role
from monitor.skid import AlarmSettings, Reporting, Signal, SkidSettings

FLUIDS = ("water",)
ROLE_ORDER = (
    Role.INLET_PRESSURE,
    Role.OUTLET_PRESSURE,
    Role.DIFFERENTIAL_PRESSURE,
    Role.FLOW,
    Role.TEMPERATURE,
    Role.PUMP_RUNNING,
    Role.TURBIDITY,
)
# What moves at once with the process, and in which order one of them is what the others' clocks are compared with.
TRACED_ROLES = (
    Role.INLET_PRESSURE,
    Role.DIFFERENTIAL_PRESSURE,
    Role.OUTLET_PRESSURE,
    Role.FLOW,
    Role.VESSEL_PRESSURE,
)
ALARM_ORDER = ("changeout-due", "dp-limit")
SILENCE_S = 60.0            # contract: silence that makes a signal stale
SLOW_HOLD_S = 600.0         # temperature of a body of water does not change faster than this matters
WINDOW_S = (5, 60)          # bounds of the averaging of normalised dP, which otherwise is the on-delay


def build(skids: Sequence[SkidSettings]) -> layout.Parameters:
    """Parameters of the row tier, in the order of `skids`; InputError for what it cannot hold."""
    parameters = layout.Parameters(
        skid=records(len(skids), layout.skid_parameters),
        sensor=records((len(skids), codes.MAX_SIGNALS), layout_signals.sensor_parameters),
        alarm=records((len(skids), codes.ALARMS), layout.alarm_parameters),
        health=records((len(skids), codes.MAX_SIGNALS), layout_signals.health_parameters),
        pair=records(len(skids), layout_signals.pair_parameters),
        integrity=records(len(skids), layout_integrity.integrity_parameters),
        delays=records((len(skids), 2), layout.alarm_parameters),
        viscosity=np.stack([viscosity(_grid())]),
        density=np.stack([density(_grid())]),
    )
    for i, skid in enumerate(skids):
        _check_size(skid)
        _fill_skid(parameters.skid[i], skid)
        for k, signal in enumerate(skid.signals):
            _fill_sensor(parameters.sensor[i, k], signal)
            fill_health(parameters.health[i, k], signal, skid.alarms["signal-fault"])
        fill_pair(parameters.pair[i], skid.alarms["signal-fault"])
        fill_integrity(parameters.integrity[i], skid)
        fill_delays(parameters.delays[i], skid)
        for k, kind in enumerate(ALARM_ORDER):
            _fill_alarm(parameters.alarm[i, k], skid.alarms[kind])
    return parameters


def _grid() -> npt.NDArray[np.float64]:
    # The last point must lie inside the validity of the fluid's equations.
    grid = codes.FLUID_LOWEST + codes.FLUID_STEP * np.arange(codes.FLUID_POINTS, dtype=np.float64)
    return np.minimum(grid, HIGHEST)


def _check_size(skid: SkidSettings) -> None:
    if len(skid.signals) > codes.MAX_SIGNALS or len(skid.vessels) > codes.MAX_VESSELS:
        raise InputError(
            f"{skid.source}: skid {skid.id}: {len(skid.signals)} signals and {len(skid.vessels)} vessels; "
            f"accepted: at most {codes.MAX_SIGNALS} signals and {codes.MAX_VESSELS} vessels"
        )


def _fill_skid(row: np.record, skid: SkidSettings) -> None:
    due = skid.alarms["changeout-due"]
    clean = skid.element.clean_dp or CLEAN_SHARE * skid.element.changeout_dp
    row["signals"] = len(skid.signals)
    row["role"] = [next((k for k, s in enumerate(skid.signals) if s.role is role), -1) for role in ROLE_ORDER]
    row["vessels"] = skid.in_service
    row["vessel_signal"] = -1
    for k, signal in enumerate(skid.signals):
        if signal.role is Role.VESSEL_PRESSURE and signal.vessel is not None:
            row["vessel_signal"][skid.vessels.index(signal.vessel)] = k
    row["reference_flow"] = skid.reference.flow
    row["reference_viscosity"] = viscosity(skid.reference.temperature)
    row["reference_density"] = density(skid.reference.temperature)
    row["fluid"] = FLUIDS.index(skid.reference.fluid)
    row["turbulent"] = turbulent_part(skid.element.clean_dp, skid.element.changeout_dp)
    row["idle_dp"] = 0.25 * clean
    row["min_flow"] = due.extra["min_flow_fraction"]
    row["settle"] = round(due.settle_s * NS)
    row["isolation_hold"] = round(due.extra["hold_while_isolated_s"] * NS)
    row["pair_span"] = pair_span(skid)
    traced = [k for role in TRACED_ROLES for k, s in enumerate(skid.signals) if s.role is role]
    row["traced"], row["trace_signal"][: len(traced)] = len(traced), traced
    _fill_curve(row, skid)
    row["window"] = int(min(max(due.on_delay_s, WINDOW_S[0]), WINDOW_S[1]))


def _fill_curve(row: np.record, skid: SkidSettings) -> None:
    """A pump's curve, by rising pressure; of a skid with a flow meter none is needed."""
    if skid.with_role(Role.FLOW) or not skid.with_role(Role.INLET_PRESSURE):
        return
    points = sorted((pressure, (flow / skid.reference.flow) ** 2) for flow, pressure in skid.pump_curve)
    row["curve_points"] = len(points)
    for k, (pressure, square) in enumerate(points):
        row["curve_pressure"][k], row["curve_square"][k] = pressure, square


def _fill_sensor(row: np.record, signal: Signal) -> None:
    hold = signal.max_silence_s or SILENCE_S
    if signal.role is Role.TEMPERATURE:
        hold = max(hold, SLOW_HOLD_S)
    if signal.reporting is Reporting.ON_CHANGE and signal.max_silence_s is None:
        hold = max(hold, SLOW_HOLD_S)
    row["scale"], row["offset"], row["hold"] = signal.scale, signal.offset, round(hold * NS)


def _fill_alarm(row: np.record, settings: AlarmSettings) -> None:
    row["enabled"] = settings.enabled
    limit = settings.limit if settings.limit is not None else np.inf
    row["limit"], row["clear"] = limit, limit - settings.deadband
    row["on_delay"], row["off_delay"] = round(settings.on_delay_s * NS), round(settings.off_delay_s * NS)
