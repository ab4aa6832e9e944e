"""Tables without a fault to the frozen settings of `monitor.skid` and `monitor.settings`."""

from __future__ import annotations

from typing import TypeVar

from monitor.config.alarm_rules import given_in
from monitor.config.kinds import KINDS, alarm_settings
from monitor.config.signals import SignalParts
from monitor.config.skid_tables import ElementTable, PayloadTable, PumpTable, ReferenceTable
from monitor.config.skids import DISPLAY_UNITS, SkidParts
from monitor.skid import (
    READ,
    Element,
    OpcuaPlace,
    Payload,
    Reference,
    Reporting,
    Signal,
    SkidSettings,
    SparkplugPlace,
    Step,
)

T = TypeVar("T")


def skid_settings(parts: SkidParts) -> SkidSettings:
    """One skid. The parts must have no fault."""
    skid, vessels = parts.skid, _known(parts.skid.vessels)
    display = {key: getattr(parts.display, key) or default for key, default in DISPLAY_UNITS.items()}
    return SkidSettings(
        id=_known(skid.id), name=skid.name or _known(skid.id), vessels=vessels,
        in_service=skid.in_service or len(vessels), element=_element(parts.element),
        reference=_reference(parts.reference), signals=tuple(map(_signal, parts.signals)),
        alarms={kind: alarm_settings(kind, given_in(parts.alarms.get(kind)), parts.element) for kind in KINDS},
        pump_curve=_curve(parts.pump),
        procedure=tuple(Step(_known(s.text), str(s.watch or "")) for s in parts.steps),
        display_units=display, lateness_s=2.0 if skid.lateness is None else skid.lateness, source=parts.document.name)


def _element(table: ElementTable) -> Element:
    return Element(
        changeout_dp=_known(table.changeout_dp), max_dp=_known(table.max_dp), rating=table.rating_um, area=table.area,
        clean_dp=table.clean_dp, per_vessel=table.per_vessel or 1, part=table.part or "")


def _reference(table: ReferenceTable) -> Reference:
    return Reference(_known(table.flow), _known(table.temperature), table.fluid or "water")


def _curve(table: PumpTable | None) -> tuple[tuple[float, float], ...]:
    return () if table is None else tuple(zip(_known(table.flow), _known(table.pressure), strict=True))


def _signal(parts: SignalParts) -> Signal:
    table, (low, high), (scale, offset) = parts.table, _known(parts.range), _known(parts.scale)
    return Signal(
        id=_known(table.id), role=_known(table.role), topic=_known(parts.topic), unit=_known(parts.unit), low=low,
        high=high, scale=scale, offset=offset, vessel=table.vessel, reporting=table.reporting or _usual(parts),
        max_silence_s=table.max_silence, payload=_payload(parts.payload) if parts.place is None else READ,
        place=parts.place)


def _usual(parts: SignalParts) -> Reporting:
    """Sparkplug and OPC UA report by exception, unless somebody knows better."""
    return Reporting.ON_CHANGE if isinstance(parts.place, SparkplugPlace | OpcuaPlace) else Reporting.PERIODIC


def _payload(table: PayloadTable) -> Payload:
    default = Payload()
    return Payload(
        format=table.format or default.format, value_field=table.value_field, time_field=table.time_field,
        quality_field=table.quality_field, time_format=table.time_format or default.time_format)


def _known(value: T | None) -> T:
    assert value is not None, "a fault was not told"
    return value
