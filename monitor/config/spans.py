"""What the transmitters of a skid can show of its dP."""

from __future__ import annotations

from collections.abc import Iterable

from monitor.model import Role

# NAMUR NE 43: up to 20.5 mA, 103.125 % of span, it is a reading.
READABLE = 1.03125


def largest_pressure_drop(spans: Iterable[tuple[Role, float, float]]) -> float | None:
    """The largest dP that can be read [Pa], from (role, low, high) in Pa; None without a source of dP.

    Across a pair it is the inlet's upper end with the outlet at its lower end.
    """
    ends = {role: (low, low + READABLE * (high - low)) for role, low, high in spans}
    seen = []
    if Role.DIFFERENTIAL_PRESSURE in ends:
        seen.append(ends[Role.DIFFERENTIAL_PRESSURE][1])
    if Role.INLET_PRESSURE in ends and Role.OUTLET_PRESSURE in ends:
        seen.append(ends[Role.INLET_PRESSURE][1] - ends[Role.OUTLET_PRESSURE][0])
    return max(seen, default=None)
