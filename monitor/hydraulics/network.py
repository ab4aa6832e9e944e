"""Vessels in parallel: resistances from what an isolation reveals, and what the rest will show.

A vessel's resistance is told as the dP [Pa] it shows at its equal share of the reference flow and at
reference temperature. Flow through a vessel is told as a ratio to that share.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from monitor.hydraulics.pressure_drop import flow_at, normalised


class Conditions(NamedTuple):
    """One steady state of the skid."""

    pressure_drop: float      # Pa
    flow: float               # ratio to the reference flow of the skid
    viscosity: float = 1.0    # ratios to those at reference temperature
    density: float = 1.0


def resistance(state: Conditions, share: float, turbulent: float) -> float:
    """Resistance [Pa] of a vessel that carries `share`, NaN where that is nothing. turbulent: b q^2 at share 1 [Pa]."""
    if not share > 0.0:
        return math.nan
    return float(normalised(state.pressure_drop, share, state.viscosity, state.density, turbulent))


def share_of(state: Conditions, vessel: float, turbulent: float) -> float:
    """Flow through a vessel of known resistance [Pa] at the state's dP, as a ratio to its share."""
    laminar = (vessel - turbulent) * state.viscosity
    square = turbulent * state.density
    if state.pressure_drop <= 0.0:
        return 0.0
    if laminar <= 0.0:  # no element: what is left is housing and strainer
        return math.sqrt(state.pressure_drop / square) if square > 0.0 else math.nan
    return flow_at(state.pressure_drop, laminar, square)


def one_of(state: Conditions, rest: float, vessels: int, turbulent: float) -> float:
    """Resistance [Pa] of one vessel beside `vessels` - 1 others of mean resistance `rest`, all in service."""
    others = (vessels - 1) * share_of(state, rest, turbulent)
    return resistance(state, state.flow * vessels - others, turbulent)


def together(resistances: list[float], flow: float, turbulent: float) -> float:
    """dP [Pa] at reference temperature of vessels in parallel that carry `flow` (ratio to the skid's reference flow).

    Bisection on dP: flows rise with it, so there is one answer.
    """
    wanted = flow * len(resistances)
    if wanted <= 0.0:
        return 0.0
    low, high = 0.0, max(resistances) * max(wanted, wanted * wanted) + turbulent * wanted * wanted
    for _ in range(200):
        middle = 0.5 * (low + high)
        carried = sum(share_of(Conditions(middle, flow), r, turbulent) for r in resistances)
        low, high = (middle, high) if carried < wanted else (low, middle)
        if high - low <= 1e-12 * high:
            break
    return 0.5 * (low + high)
