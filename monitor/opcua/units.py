"""Units as OPC UA tells them: codes of UNECE Recommendation 20 (from memory), packed as OPC 10000-8, 5.6.3 says."""

from __future__ import annotations

from typing import NamedTuple

from monitor.model import Role
from monitor.skid import Signal

NAMESPACE = "http://www.opcfoundation.org/UA/units/un/cefact"


class Unit(NamedTuple):
    """code: of the recommendation; empty where it has none."""

    code: str
    shown: str

    @property
    def number(self) -> int:
        """The code's characters as the bytes of a number; -1 without one.

        >>> Unit("BAR", "bar").number
        4342098
        """
        return int.from_bytes(self.code.encode(), "big") if self.code else -1


BAR, FLOW, CELSIUS, HOURS = Unit("BAR", "bar"), Unit("MQH", "m³/h"), Unit("CEL", "°C"), Unit("HUR", "h")
ONE = Unit("C62", "1")
_PRESSURES = {1e5: BAR, 1e2: Unit("MBR", "mbar"), 1e3: Unit("KPA", "kPa"), 1.0: Unit("PAL", "Pa"),
              1e6: Unit("MPA", "MPa"), 6_894.757: Unit("PS", "psi")}  # fmt: skip
_FLOWS = {1 / 3_600: FLOW, 1.0: Unit("MQS", "m³/s"), 1 / 60_000: Unit("L2", "L/min"), 1e-3: Unit("G51", "L/s"),
          1e-3 / 3_600: Unit("E32", "L/h"), 6.309_019_64e-5: Unit("G2", "US gal/min")}  # fmt: skip
_TEMPERATURES = {273.15: CELSIUS, 0.0: Unit("KEL", "K"), 255.372_222: Unit("FAH", "°F")}    # by what zero is in K
_PRESSURE = (Role.INLET_PRESSURE, Role.OUTLET_PRESSURE, Role.DIFFERENTIAL_PRESSURE, Role.VESSEL_PRESSURE)


def unit_of(signal: Signal) -> Unit:
    """The unit of a transmitter's numbers, by what they are in SI; as it is spelled where the table has none."""
    table, sought = {}, signal.scale
    if signal.role in _PRESSURE:
        table = _PRESSURES
    elif signal.role is Role.FLOW:
        table = _FLOWS
    elif signal.role is Role.TEMPERATURE:
        table, sought = _TEMPERATURES, signal.offset
    elif signal.unit in ("1", "%"):
        return Unit("P1", "%") if signal.unit == "%" else ONE
    near = (u for scale, u in table.items() if abs(scale - sought) <= 1e-5 * max(abs(scale), 1e-9))
    return next(near, Unit("", signal.unit))
