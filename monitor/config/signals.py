"""The `[[signal]]` tables of one file: reading them and checking them against each other."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.config.documents import Document
from monitor.config.faults import Faults
from monitor.config.places import read_place
from monitor.config.positions import KeyPath
from monitor.config.skid_tables import PayloadTable, SignalTable
from monitor.config.tables import accepted_for, read_table
from monitor.config.unit_tables import DIMENSIONS
from monitor.config.units import UnitError, unit_scale
from monitor.config.wording import nearest, one_of, shown
from monitor.model import Role
from monitor.skid import PayloadFormat, Place

ROLE_DIMENSIONS = {
    Role.INLET_PRESSURE: "pressure", Role.OUTLET_PRESSURE: "pressure", Role.DIFFERENTIAL_PRESSURE: "pressure",
    Role.VESSEL_PRESSURE: "pressure", Role.FLOW: "flow", Role.TEMPERATURE: "temperature",
    Role.TURBIDITY: "turbidity", Role.LEAK_SENSOR: "fraction", Role.PUMP_RUNNING: "fraction",
    Role.VALVE_POSITION: "fraction",
}
CONTACTS = (Role.LEAK_SENSOR, Role.PUMP_RUNNING, Role.VALVE_POSITION)
HEADER_ROLES = (Role.INLET_PRESSURE, Role.OUTLET_PRESSURE, Role.DIFFERENTIAL_PRESSURE, Role.FLOW,
                Role.TEMPERATURE, Role.TURBIDITY, Role.PUMP_RUNNING)
RESERVED_IDS = ("time", "signal")  # columns of a recording


@dataclass(slots=True)
class SignalParts:
    """One signal's tables; `number` counts from 0 within the file."""

    number: int
    table: SignalTable
    payload: PayloadTable
    scale: tuple[float, float] | None = None
    place: Place | None = None

    @property
    def topic(self) -> str | None:
        """The topic, or what stands for it where the signal is read in another way."""
        return self.table.topic if self.place is None else self.place.address

    @property
    def path(self) -> KeyPath:
        return ("signal", self.number)

    @property
    def unit(self) -> str | None:
        is_contact = self.table.role in CONTACTS
        return self.table.unit if self.table.unit is not None or not is_contact else "1"

    @property
    def range(self) -> tuple[float, float] | None:
        if self.table.range is not None or self.table.role not in CONTACTS:
            return self.table.range
        return (0.0, 100.0) if self.unit == "%" else (0.0, 1.0)

    @property
    def name(self) -> str:
        return self.table.id or f"signal[{self.number}]"

    def span(self) -> tuple[float, float] | None:
        """The range in SI, or None where it or the unit is not known."""
        if self.range is None or self.scale is None:
            return None
        low, high = (end * self.scale[0] + self.scale[1] for end in self.range)
        return low, high


def read_signals(document: Document, faults: Faults) -> list[SignalParts]:
    """Every `[[signal]]`, each with what of it could be read."""
    tables = document.data.get("signal")
    if not isinstance(tables, list) or not tables:
        found = "nothing" if tables in (None, []) else "one table" if isinstance(tables, dict) else shown(tables)
        faults.add(document, ("signal",), found, "tables [[signal]], one for each transmitter")
        return []
    return [_read_signal(document, place, faults) for place in range(len(tables))]


def check_signals(
    document: Document, signals: list[SignalParts], vessels: tuple[str, ...] | None, faults: Faults
) -> None:
    """Faults of a file's signals taken together."""
    for signal in signals:
        _check_vessel(document, signal, vessels, faults)
    _check_different(document, signals, faults)
    _check_roles(document, signals, faults)
    if all(signal.table.role is not None for signal in signals) and signals:
        _check_pressure_drop(document, signals, faults)
        _check_all_vessels(document, signals, vessels, faults)


def _read_signal(document: Document, place: int, faults: Faults) -> SignalParts:
    path: KeyPath = ("signal", place)
    raw = document.data["signal"][place]
    table = read_table(SignalTable, document, path, faults)
    has_payload = isinstance(raw, dict) and "payload" in raw
    payload = read_table(PayloadTable, document, (*path, "payload"), faults, present=has_payload)
    signal = SignalParts(place, table, payload)
    if not isinstance(raw, dict):
        return signal
    if table.id in RESERVED_IDS:
        faults.add(document, (*path, "id"), f"{shown(table.id)}, which is a column of recordings", "another name")
    signal.place = read_place(document, path, raw, contact=table.role is None or table.role in CONTACTS, faults=faults)
    _check_unit(document, signal, raw, faults)
    _check_payload(document, signal, faults)
    return signal


def _check_unit(document: Document, signal: SignalParts, raw: dict[str, object], faults: Faults) -> None:
    role, path = signal.table.role, signal.path
    if role is None:
        return
    for key in ("unit", "range"):
        if key not in raw and role not in CONTACTS:
            faults.add(document, (*path, key), "nothing", accepted_for(SignalTable, key))
    if signal.unit is None:
        return
    try:
        signal.scale = unit_scale(signal.unit, ROLE_DIMENSIONS[role])
    except UnitError as error:
        faults.add(document, (*path, "unit"), error.found, _units_for(role, error))
        return
    if role in CONTACTS and signal.unit not in _contact_units(role).split(" or "):
        faults.add(document, (*path, "unit"), shown(signal.unit), _contact_units(role))
        signal.scale = None


def _units_for(role: Role, error: UnitError) -> str:
    dimension = DIMENSIONS[ROLE_DIMENSIONS[role]]
    if role in CONTACTS:
        return _contact_units(role)
    # An error that accepts something else than usual has its own reason to tell.
    return f"a unit for {role}: {dimension.shown}" if error.accepted == dimension.accepted else error.accepted


def _contact_units(role: Role) -> str:
    return "1 or %" if role is Role.VALVE_POSITION else "1"


def _check_payload(document: Document, signal: SignalParts, faults: Faults) -> None:
    payload = signal.payload
    if payload.format not in (PayloadFormat.NUMBER, PayloadFormat.MILLIAMP):
        return
    for key in ("value_field", "time_field", "quality_field"):
        if getattr(payload, key) is not None:
            faults.add(document, (*signal.path, "payload", key), f"a field, while format is {payload.format}",
                       "no field, or format json or auto")


def _check_vessel(
    document: Document, signal: SignalParts, vessels: tuple[str, ...] | None, faults: Faults
) -> None:
    role, vessel, path = signal.table.role, signal.table.vessel, (*signal.path, "vessel")
    raw = document.data["signal"][signal.number]
    if not isinstance(raw, dict):
        return
    names = one_of(map(shown, vessels)) if vessels else "a name from skid.vessels"
    if role is Role.VESSEL_PRESSURE and "vessel" not in raw:
        faults.add(document, path, "nothing", f"the vessel this signal belongs to: {names}")
    elif role in HEADER_ROLES and "vessel" in raw:
        faults.add(document, path, f"a vessel on {role}, which belongs to the whole skid", "no key vessel here")
    elif vessel is not None and vessels is not None and vessel not in vessels:
        close = nearest(vessel, vessels)
        suggestion = f" (did you mean {shown(close)}?)" if close else ""
        faults.add(document, path, f"{shown(vessel)}, a vessel that skid.vessels does not name{suggestion}", names)


def _check_different(document: Document, signals: list[SignalParts], faults: Faults) -> None:
    seen: dict[str, SignalParts] = {}
    for signal in signals:
        name = signal.table.id
        if name is not None and name in seen:
            faults.add(document, (*signal.path, "id"), f"{shown(name)}, which signal[{seen[name].number}] has too",
                       "a different id for each signal")
        elif name is not None:
            seen[name] = signal


def _check_roles(document: Document, signals: list[SignalParts], faults: Faults) -> None:
    seen: dict[tuple[Role, str | None], SignalParts] = {}
    for signal in signals:
        role, vessel = signal.table.role, signal.table.vessel
        is_single = role in HEADER_ROLES or (role is Role.VESSEL_PRESSURE and vessel is not None)
        if role is None or not is_single:
            continue
        place = (role, None if role in HEADER_ROLES else vessel)
        if place in seen:
            where = "the skid" if place[1] is None else f"vessel {shown(vessel)}"
            faults.add(document, (*signal.path, "role"), f"{role} of {where} a second time (first: {seen[place].name})",
                       f"one {role} for {'a skid' if place[1] is None else 'each vessel'}")
        seen.setdefault(place, signal)


def _check_pressure_drop(document: Document, signals: list[SignalParts], faults: Faults) -> None:
    roles = {signal.table.role for signal in signals}
    pair = {Role.INLET_PRESSURE, Role.OUTLET_PRESSURE}
    if Role.DIFFERENTIAL_PRESSURE in roles or pair <= roles:
        return
    there = roles & pair
    found = f"only {next(iter(there))}" if there else "no signal that gives the dP across the headers"
    faults.add(document, ("signal",), found, "inlet-pressure and outlet-pressure, or differential-pressure")


def _check_all_vessels(
    document: Document, signals: list[SignalParts], vessels: tuple[str, ...] | None, faults: Faults
) -> None:
    measured = [s.table.vessel for s in signals if s.table.role is Role.VESSEL_PRESSURE]
    if vessels is None or not measured or not set(measured) <= set(vessels):
        return  # a wrong name is told where it stands
    for vessel in vessels:
        if vessel not in measured:
            faults.add(document, ("signal",), f"vessel-pressure for some vessels and none for {shown(vessel)}",
                       "a vessel-pressure for every vessel, or for none")
