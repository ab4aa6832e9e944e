"""What is served of a skid: its signals and what the engine makes of them, with the status codes of OPC 10000-8.

    good                            Good
    uncertain (NE 43)               UncertainEngineeringUnitsExceeded
    bad                             BadSensorFailure
    none was ever stored            BadWaitingForInitialData
    signal-fault stale              UncertainLastUsableValue
    signal-fault out-of-range       BadSensorFailure
    signal-fault swapped            BadConfigurationError
    signal-fault frozen, spikes, zero-shift     UncertainSensorNotAccurate
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, NamedTuple

from asyncua import ua

from monitor.model import Quality
from monitor.opcua.data import Source, States
from monitor.opcua.units import BAR, CELSIUS, FLOW, HOURS, Unit, unit_of
from monitor.skid import SkidSettings

Place = tuple[str, str]     # skid, signal id or name of what is computed
_CODES = ua.StatusCodes
_FAULTS = {"stale": _CODES.UncertainLastUsableValue, "out-of-range": _CODES.BadSensorFailure,
           "swapped": _CODES.BadConfigurationError}  # fmt: skip
_QUALITIES = {Quality.GOOD: _CODES.Good, Quality.UNCERTAIN: _CODES.UncertainEngineeringUnitsExceeded,
              Quality.BAD: _CODES.BadSensorFailure}  # fmt: skip
# Name -> unit, column of minutes or of forecasts, factor and offset from SI.
COMPUTED: dict[str, tuple[Unit, str, float, float]] = {
    "PressureDrop": (BAR, "pressure_drop", 1e-5, 0.0),
    "NormalisedPressureDrop": (BAR, "normalised", 1e-5, 0.0),
    "Flow": (FLOW, "flow", 3_600.0, 0.0),
    "Temperature": (CELSIUS, "temperature", 1.0, -273.15),
}
FORESEEN = {"HoursToChangeoutP10": 1, "HoursToChangeoutP50": 2, "HoursToChangeoutP90": 3}


class Served(NamedTuple):
    """A variable to be made. low, high: its range in that unit, None where it has none; history: whether it can be
    read."""

    name: str
    unit: Unit
    low: float | None
    high: float | None
    history: bool
    about: str


class Value(NamedTuple):
    """time: ns, None where there is none."""

    value: float | None
    status: int
    time: int | None


def served(skid: SkidSettings) -> Iterator[Served]:
    for s in skid.signals:
        where = f" of {s.vessel}" if s.vessel else ""
        yield Served(s.id, unit_of(s), s.low, s.high, True, f"{s.role}{where}, as the transmitter says it")
    for name, (unit, column, _, _) in COMPUTED.items():
        top = skid.element.max_dp / 1e5 if unit is BAR else None
        yield Served(name, unit, None if top is None else 0.0, top, True, f"mean {column} of the newest closed minute")
    for name in FORESEEN:
        yield Served(name, HOURS, None, None, False, "hours until a changeout is due, from the newest forecast")


def current(source: Source, skids: tuple[SkidSettings, ...], states: States) -> Iterator[tuple[Place, Value]]:
    """The newest of everything. states: of all alarms."""
    latest, minutes, forecasts = source.all_latest(), source.newest_minutes(), source.newest_forecasts()
    faults = {(key[0], key[3]): str(body.get("detail")) for key, body in states.items()
              if key[1] == "signal-fault" and body.get("active")}  # fmt: skip
    for skid in skids:
        told = latest.get(skid.id, {})
        for s in skid.signals:
            found = told.get(s.id)
            yield (skid.id, s.id), (Value(None, _CODES.BadWaitingForInitialData, None) if found is None else
                                    judged(*found, faults.get((skid.id, s.id))))  # fmt: skip
        minute = minutes.get(skid.id)
        for name, (_, column, factor, offset) in COMPUTED.items():
            yield (skid.id, name), computed(minute, column, factor, offset)
        foreseen = forecasts.get(skid.id)
        for name, place in FORESEEN.items():
            yield (skid.id, name), (Value(None, _CODES.BadNoData, None) if foreseen is None else
                                    Value(float(foreseen[place]), _CODES.Good, foreseen[0]))  # fmt: skip


def judged(time: int, value: float, quality: Quality, fault: str | None = None) -> Value:
    """A reading with its status; fault: what the engine says of the transmitter just now."""
    status = _QUALITIES[Quality(quality)]
    if fault is not None and quality is not Quality.BAD:
        status = _FAULTS.get(fault, _CODES.UncertainSensorNotAccurate)
    return Value(value if math.isfinite(value) else None, status, time)


def computed(minute: Any, column: str, factor: float, offset: float) -> Value:
    if minute is None or not math.isfinite(minute[column]):
        return Value(None, _CODES.BadNoData, None if minute is None else int(minute["time"]))
    sure = column != "normalised" or minute["judged"]
    status = _CODES.Good if sure else _CODES.UncertainSubNormal
    return Value(float(minute[column]) * factor + offset, status, int(minute["time"]))
