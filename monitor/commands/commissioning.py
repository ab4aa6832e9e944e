"""The commissioning print of `check`: what these instruments can see, by the engine's own arithmetic."""

from __future__ import annotations

import math

from monitor.model import Role
from monitor.skid import SkidSettings

# Taken where the configuration does not say: 12 bit, one reading a second, this noise. Common practice, no source.
RESOLUTION, NOISE = 1 / 4096, 0.0007      # of span
READINGS = 14 * 10                        # behind each level that a changeout is verified by


def commissioning(skid: SkidSettings) -> list[str]:
    """Lines for one skid: error of dP, smallest loss of resistance, error of a changeout's check, smallest seep."""
    from monitor.engine.wording import Words

    words = Words(skid)
    zero, noise = zero_and_noise(skid)
    clean, due = skid.element.clean_dp or 0.15 * skid.element.changeout_dp, skid.element.changeout_dp
    out = [
        f"{skid.id}: what these instruments can see (taken as 12 bit, one reading a second, noise {100 * NOISE:.2g} % "
        "of span; common practice, no source)",
        f"  zero of dP           +-{words.pressure(1.645 * zero)} (90 %) until learned while nothing flows",
        f"  smallest loss        {smallest_loss(noise, clean):.0%} of resistance with clean elements, "
        f"{smallest_loss(noise, due):.0%} when due; 15 % and more are told",
        f"  changeout's check    {changeout_words(skid, zero, noise)}",
    ]
    own = skid.with_role(Role.VESSEL_PRESSURE)
    if own:
        least = smallest_decay(max((s.high - s.low) * s.scale for s in own))
        out.append(f"  smallest seep        a fall of {words.pressure(least)} within a hold; less stays undetermined")
    else:
        out.append("  smallest seep        none: no vessel's own pressure is measured, so no hold is seen")
    return out


def zero_and_noise(skid: SkidSettings) -> tuple[float, float]:
    """Standard error of dP's zero, and its noise from reading to reading [Pa]."""
    from monitor.engine.resolution import SPAN_ERROR

    direct = skid.with_role(Role.DIFFERENTIAL_PRESSURE)
    pair = (*skid.with_role(Role.INLET_PRESSURE), *skid.with_role(Role.OUTLET_PRESSURE))
    spans = [(s.high - s.low) * s.scale for s in (direct or pair)]
    whole = math.sqrt(sum(s * s for s in spans))
    return SPAN_ERROR * whole, math.hypot(NOISE, RESOLUTION / math.sqrt(12)) * whole


def smallest_loss(noise: float, level: float) -> float:
    """Part of resistance whose sudden loss stands out of the noise at a level of dP [Pa]."""
    from monitor.detectors.drop import SIGNIFICANT, SMALLEST
    from monitor.detectors.isolation import RECENT

    return 1 - math.exp(-max(SMALLEST, SIGNIFICANT * noise / math.sqrt(RECENT) / level))


def changeout_words(skid: SkidSettings, zero: float, noise: float) -> str:
    """Interval of the check after an ideal change of one loaded vessel."""
    if skid.in_service < 2:
        return "not possible: no other vessel carries the flow meanwhile, so only the level after it can be compared"
    if not skid.with_role(Role.FLOW):
        return "flow is not measured, only told by the outlet pressure: often `unverified`"
    low, high = ideal_changeout(skid, zero, noise)
    return f"a clean element will read {low:.2f} to {high:.2f} of clean (90 %), before zeros and housing are learned"


def ideal_changeout(skid: SkidSettings, zero: float, noise: float) -> tuple[float, float]:
    from monitor.engine.event_tier import SHEET_ERROR, UNKNOWN_ERROR
    from monitor.engine.evidence_alarms import Z90
    from monitor.engine.look_back import Level
    from monitor.engine.verification import TURBULENT_ERROR, Change, Reference, Site, verify
    from monitor.hydraulics.network import Conditions, together
    from monitor.hydraulics.network_fit import Prior
    from monitor.hydraulics.pressure_drop import turbulent_part

    vessels, due = skid.in_service, skid.element.changeout_dp
    turbulent = turbulent_part(skid.element.clean_dp, due)
    clean = skid.element.clean_dp or 0.15 * due

    def level(resistances: list[float]) -> Level:
        drop = together(resistances, vessels / len(resistances), turbulent)
        unknown = math.nan
        error = noise / math.sqrt(READINGS) / drop
        return Level(Conditions(drop, 1.0), unknown, unknown, unknown, (), error, READINGS // 10)

    rest = [due] * (vessels - 1)
    change = Change(0, 0, level([due, *rest]), level(rest), level([clean, *rest]))
    reference = Reference(clean, SHEET_ERROR if skid.element.clean_dp else UNKNOWN_ERROR)
    finding = verify([change], Site(vessels, Prior(turbulent, TURBULENT_ERROR), reference, zero), (0.75, 1.3))
    spread = math.exp(Z90 * finding.error)
    return finding.measured / spread, finding.measured * spread


def smallest_decay(span: float) -> float:
    """Fall of a blocked-in vessel's pressure [Pa] that is three times noise and what 0.3 K can do."""
    thermal = 0.12e5    # 0.3 K in a closed, full vessel with some air: the simulated and real holds we have seen
    return 3 * math.hypot(thermal / 3, NOISE * span)
