"""Quantities, times and tags as messages show them."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from monitor.config.units import from_si
from monitor.model import NS, Role
from monitor.skid import SkidSettings

BAR = 1e5
DECIMALS = {
    "bar": 2, "mbar": 0, "kPa": 0, "psi": 1, "m^3/h": 1, "US gpm": 0, "L/min": 0, "mL/min": 0, "degC": 1, "degF": 1,
}  # fmt: skip


class Words:
    """Quantities in a skid's display units."""

    def __init__(self, skid: SkidSettings) -> None:
        self.units = skid.display_units

    def quantity(self, name: str, si: float) -> str:
        unit = self.units[name]
        return f"{from_si(si, unit):.{DECIMALS.get(unit, 2)}f} {unit}"

    def pressure(self, pascal: float) -> str:
        return self.quantity("pressure", pascal)

    def difference(self, pascal: float) -> str:
        """A small difference of pressure, with a digit more than pressures have."""
        unit = self.units["pressure"]
        return f"{from_si(pascal, unit) - from_si(0.0, unit):.{DECIMALS.get(unit, 2) + 1}f} {unit}"


def clock(time: int) -> str:
    return datetime.fromtimestamp(time // NS, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def conditions(words: Words, frame: np.record) -> str:
    """Actual dP with the flow and temperature it was seen at, as far as they are known."""
    parts = [f"actual dP {words.pressure(frame.pressure_drop)}"]
    if np.isfinite(frame.flow):
        parts.append(f"at {words.quantity('flow', frame.flow)}")
    if np.isfinite(frame.temperature):
        parts.append(f"and {words.quantity('temperature', frame.temperature)}")
    return " ".join(parts)


def unmeasured(skid: SkidSettings) -> str:
    """What was assumed because nothing measures it."""
    said = []
    if not skid.with_role(Role.FLOW) and skid.pump_curve:
        said.append("Flow is not measured but inferred from the inlet pressure by the pump's curve: at another speed "
                    "of the pump it is wrong.")
    elif not skid.with_role(Role.FLOW):
        said.append("Flow is not measured and taken as constant: demand can look like loading.")
    if not skid.with_role(Role.TEMPERATURE):
        said.append("Temperature is not measured: 1 K changes dP by 2.5-3 %.")
    return " ".join(said)


def tags(skid: SkidSettings) -> str:
    """Tag numbers of the transmitters that tell dP."""
    roles = (Role.INLET_PRESSURE, Role.OUTLET_PRESSURE, Role.DIFFERENTIAL_PRESSURE)
    return ", ".join(s.id for s in skid.signals if s.role in roles)


def join(*sentences: str) -> str:
    return " ".join(s for s in sentences if s)
