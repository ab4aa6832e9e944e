"""Before a vessel is isolated: what the remaining ones will show."""

from __future__ import annotations

from typing import NamedTuple

from monitor.hydraulics.network import Conditions, resistance

PACKED = 0.4     # exponent that bounds how far cake is compressed; 0 to 0.6 for most. Common practice, no source
ROUNDS = 60


class Outlook(NamedTuple):
    """dP [Pa] of the rest at held flow: expected, and with cake that packs."""

    expected: float
    upper: float


def outlook(state: Conditions, vessels: int, turbulent: float) -> Outlook | None:
    """Of `vessels` alike in service, one is isolated and the rest carry the same flow. None where flow or dP is not
    positive, or no other vessel is left.

    turbulent: b q^2 at share 1 [Pa]. On a pump's curve flow gives way and dP comes out lower: this is the bound.
    """
    if vessels < 2 or not (state.flow > 0 and state.pressure_drop > 0):
        return None
    share = state.flow * vessels / (vessels - 1)
    laminar = (resistance(state, state.flow, turbulent) - turbulent) * state.viscosity
    square = turbulent * state.density * share * share
    expected = laminar * share + square
    upper = expected
    for _ in range(ROUNDS):  # dP packs the cake, which raises dP: a fixed point, since PACKED < 1
        upper = laminar * share * (upper / state.pressure_drop) ** PACKED + square
    return Outlook(expected, max(upper, expected))
