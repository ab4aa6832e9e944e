"""What one file says of its skid: reading the tables and checking keys against each other."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, TypeVar

from monitor.config.alarm_rules import bar, check_alarms
from monitor.config.documents import Document
from monitor.config.faults import Faults
from monitor.config.kinds import KINDS
from monitor.config.signals import SignalParts, check_signals, read_signals
from monitor.config.skid_tables import (
    AlarmTable,
    DisplayTable,
    ElementTable,
    PumpTable,
    ReferenceTable,
    SkidTable,
    StepTable,
    Watch,
    alarm_table,
)
from monitor.config.spans import largest_pressure_drop
from monitor.config.tables import Table, read_table
from monitor.config.units import UnitError, unit_scale
from monitor.config.wording import one_of, shown
from monitor.model import Role

FLUIDS = ("water",)
PRESSURE_DROP_ROLES = (Role.INLET_PRESSURE, Role.OUTLET_PRESSURE, Role.DIFFERENTIAL_PRESSURE)
DISPLAY_UNITS = {"pressure": "bar", "flow": "m^3/h", "temperature": "degC", "turbidity": "NTU"}

T = TypeVar("T", bound=Table)


@dataclass(slots=True)
class SkidParts:
    """The tables of one skid; a key that could not be used is None."""

    document: Document
    skid: SkidTable
    display: DisplayTable
    element: ElementTable
    reference: ReferenceTable
    pump: PumpTable | None
    signals: list[SignalParts] = field(default_factory=list)
    alarms: dict[str, AlarmTable] = field(default_factory=dict)
    steps: list[StepTable] = field(default_factory=list)


def read_skid(document: Document, faults: Faults) -> SkidParts:
    """The skid of a document, checked within the file."""
    skid = read_table(SkidTable, document, ("skid",), faults, present="skid" in document.data)
    raw = document.data.get("skid")
    inside = raw if isinstance(raw, dict) else {}
    has_display = "display_units" in inside
    parts = SkidParts(
        document, skid,
        display=read_table(DisplayTable, document, ("skid", "display_units"), faults, present=has_display),
        element=_inner(ElementTable, document, inside, "element", faults),
        reference=_inner(ReferenceTable, document, inside, "reference", faults),
        pump=_inner(PumpTable, document, inside, "pump", faults) if "pump" in inside else None,
        signals=read_signals(document, faults),
        alarms=_read_alarms(document, faults),
        steps=_read_steps(document, skid, faults),
    )
    _check_display(parts, faults)
    _check_skid(parts, faults)
    _check_element(parts, faults)
    _check_pump(parts, faults)
    check_signals(document, parts.signals, parts.skid.vessels, faults)
    _check_visible(parts, faults)
    check_alarms(document, parts.alarms, parts.element, faults)
    return parts


def _inner(model: type[T], document: Document, inside: dict[str, Any], key: str, faults: Faults) -> T:
    # A missing table is already told as a missing key of [skid].
    return read_table(model, document, ("skid", key), faults) if key in inside else model()


def _read_alarms(document: Document, faults: Faults) -> dict[str, AlarmTable]:
    if "alarm" not in document.data:
        return {}
    tables = document.data["alarm"]
    if not isinstance(tables, dict):
        faults.add(document, ("alarm",), "no table", "tables [alarm.KIND]")
        return {}
    read: dict[str, AlarmTable] = {}
    for kind in tables:
        if kind in KINDS:
            read[kind] = read_table(alarm_table(kind), document, ("alarm", kind), faults)
        else:
            faults.unknown_key(document, ("alarm", kind), list(KINDS))
    return read


def _read_steps(document: Document, skid: SkidTable, faults: Faults) -> list[StepTable]:
    if skid.step is None:
        return []
    if not isinstance(skid.step, list) or not skid.step:
        watches = one_of(w.value for w in Watch)
        faults.add(document, ("skid", "step"), "no tables", f"tables [[skid.step]] with text, and watch: {watches}")
        return []
    return [read_table(StepTable, document, ("skid", "step", place), faults) for place in range(len(skid.step))]


def _check_display(parts: SkidParts, faults: Faults) -> None:
    for key in DISPLAY_UNITS:
        unit = getattr(parts.display, key)
        if unit is None:
            continue
        try:
            unit_scale(unit, key)
        except UnitError as error:
            faults.add(parts.document, ("skid", "display_units", key), error.found, error.accepted)


def _check_skid(parts: SkidParts, faults: Faults) -> None:
    vessels, in_service = parts.skid.vessels, parts.skid.in_service
    if vessels is not None and in_service is not None and in_service > len(vessels):
        faults.add(parts.document, ("skid", "in_service"), str(in_service),
                   f"a whole number from 1 to {len(vessels)}, the number of vessels")
    fluid = parts.reference.fluid
    if fluid is not None and fluid not in FLUIDS:
        faults.add(parts.document, ("skid", "reference", "fluid"), shown(fluid), one_of(FLUIDS))


def _check_element(parts: SkidParts, faults: Faults) -> None:
    element, path = parts.element, ("skid", "element")
    if element.changeout_dp is not None and element.max_dp is not None and element.changeout_dp >= element.max_dp:
        faults.add(parts.document, (*path, "changeout_dp"), bar(element.changeout_dp),
                   f"less than max_dp, which is {bar(element.max_dp)}")
    ceiling, name = (element.changeout_dp, "changeout_dp")
    if ceiling is None:
        ceiling, name = (element.max_dp, "max_dp")
    if element.clean_dp is not None and ceiling is not None and element.clean_dp >= ceiling:
        faults.add(parts.document, (*path, "clean_dp"), bar(element.clean_dp),
                   f"less than {name}, which is {bar(ceiling)}")


def _check_pump(parts: SkidParts, faults: Faults) -> None:
    if parts.pump is None or parts.pump.flow is None or parts.pump.pressure is None:
        return
    flow, pressure, path = parts.pump.flow, parts.pump.pressure, ("skid", "pump", "pressure")
    if len(flow) != len(pressure):
        faults.add(parts.document, path, f"{len(pressure)} pressures", f"{len(flow)}, one for each flow")
    elif any(b <= a for a, b in pairwise(flow)) or any(b >= a for a, b in pairwise(pressure)):
        faults.add(parts.document, path, "a curve that does not fall", "flows that rise and pressures that fall")


def _check_visible(parts: SkidParts, faults: Faults) -> None:
    """`changeout_dp` must lie within what the transmitters can show, or the changeout would never be seen."""
    sources = [s for s in parts.signals if s.table.role in PRESSURE_DROP_ROLES]
    spans = [(s.table.role, *span) for s in sources if s.table.role is not None and (span := s.span())]
    largest = largest_pressure_drop(spans) if len(spans) == len(sources) else None
    wanted = parts.element.changeout_dp
    if largest is not None and wanted is not None and wanted > largest:
        names = " and ".join(s.name for s in sources)
        faults.add(parts.document, ("skid", "element", "changeout_dp"), bar(wanted),
                   f"at most {bar(largest)}, the largest dP that the ranges of {names} can show")
