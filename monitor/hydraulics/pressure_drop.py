"""dP of elements and housings, and what it would be at reference flow and temperature.

One vessel, and by the same form the whole skid: dP = a (mu/mu_ref) q + b (rho/rho_ref) q^2
(Forchheimer). `a` is the element with what it has caught, laminar; `b` is housing, strainer and
nozzles, turbulent, and does not load with dirt.
"""

from __future__ import annotations

import math

from monitor.compiled import compiled

# Without measurements of its own, how much of a clean skid's dP is turbulent, and how much of
# `changeout_dp` a clean skid shows when the data sheet is silent. Common practice, no source.
TURBULENT_SHARE = 0.45
CLEAN_SHARE = 0.15


def turbulent_part(clean_dp: float | None, changeout_dp: float) -> float:
    """Turbulent part [Pa] of the skid's dP at reference flow, assumed until it has been measured."""
    return TURBULENT_SHARE * (CLEAN_SHARE * changeout_dp if clean_dp is None else clean_dp)


@compiled
def normalised(pressure_drop, flow_ratio, viscosity_ratio, density_ratio, turbulent):  # type: ignore[no-untyped-def]
    """dP [Pa] the skid would show at reference flow and temperature.

    pressure_drop [Pa]; flow_ratio: flow over reference flow, positive; viscosity_ratio, density_ratio: over
    those at reference temperature; turbulent: b q_ref^2 [Pa]. Only the first term carries viscosity.
    """
    laminar = pressure_drop - turbulent * density_ratio * flow_ratio * flow_ratio
    return laminar / (viscosity_ratio * flow_ratio) + turbulent


@compiled
def uncompressed(pressure_drop, referred, clean, packing):  # type: ignore[no-untyped-def]
    """dP [Pa] at reference conditions where cake gives way to dP: its resistance goes with dP to the power `packing`
    (Ruth 1935; s of the filtration handbooks, 0 to 0.6 for most cakes), that of the clean element does not.

    pressure_drop [Pa]: as measured; referred [Pa]: `normalised`; clean [Pa]: of the clean skid. The answer stands on
    both sides; three rounds leave less than 1e-3 of it where dP is within 0.3 to 3 times the answer.
    """
    cake = referred - clean
    if packing <= 0.0 or not cake > 0.0 or not pressure_drop > 0.0:
        return referred
    answer = referred
    for _ in range(3):
        answer = clean + cake * (answer / pressure_drop) ** packing
    return answer


def pressure_drop(flow: float, a: float, b: float) -> float:
    """dP = a q + b q^2."""
    return a * flow + b * flow * flow


def flow_at(pressure_drop: float, a: float, b: float) -> float:
    """Flow at a dP, the inverse of `pressure_drop`; the form that keeps digits where b is small or nothing."""
    if pressure_drop == 0:
        return 0.0
    return 2.0 * pressure_drop / (a + math.sqrt(a * a + 4.0 * b * pressure_drop))
