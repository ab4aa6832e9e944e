"""Seeping closures, rising pressures and wet sensors in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from monitor.alarms.catalogue import CATALOGUE, CAUTION
from monitor.engine import codes
from monitor.engine.closures import SEEPING, UNDETERMINED
from monitor.engine.row_tier import Emission
from monitor.engine.wording import BAR, Words, clock, join
from monitor.model import Event, Role, Transition
from monitor.skid import SkidSettings

if TYPE_CHECKING:
    from monitor.detectors.robust_slope import Slope
    from monitor.engine.seep import Hold

NEAR = 0.1e5         # Pa: so near to the outlet header's pressure an asymptote is taken as heading for it
ATTENDED = (
    "A blocked-in vessel is held for a limited time only, with a relief path and someone attending: full of liquid "
    "it changes by several bar per kelvin."
)


def place(skid: SkidSettings, vessel: str | None) -> str:
    where = f"vessel {vessel}" if vessel else "the idle skid"
    roles = (Role.VESSEL_PRESSURE,) if vessel else (Role.INLET_PRESSURE, Role.OUTLET_PRESSURE)
    seen = ", ".join(s.id for s in skid.signals if s.role in roles and (vessel is None or s.vessel == vessel))
    return f"{skid.name} ({skid.id}, {seen}): {where}"


def seep_event(hold: Hold, noise: float, transition: Transition) -> Event:
    """A seep that is raised, or noted at the end of its hold where only that shows which side it goes to."""
    found, words, kind = hold.decay, Words(hold.skid), CATALOGUE["closure-seep"]
    return Event(
        time=hold.time, skid=hold.skid.id, kind="closure-seep", transition=transition, vessel=hold.vessel,
        detail="pressure-decay", value=minutes(found.constant.middle), unit="min", onset=hold.since,
        message=join(
            f"{place(hold.skid, hold.vessel)}, blocked in since {clock(hold.since)}, loses pressure: "
            f"{words.pressure(found.fall.middle)} of {words.pressure(found.first)} in {found.seconds / 60:.0f} min "
            f"(at least {words.pressure(found.fall.low)}; temperature can explain {words.pressure(hold.allowance)}), "
            f"a time constant of {found.constant.middle / 60:.0f} min{interval(found.constant)}.",
            heading(words, hold),
            "Cause: closure, drain, vent or isolating valve." if hold.vessel else
            "Cause: closure, drain, vent or isolating valve of any vessel; or the skid is open to something downstream "
            "whose pressure falls.",
            kind.response,
            CAUTION,
        ),
        evidence=evidence(hold) | {"noise_pa": rounded(noise)},
    )  # fmt: skip


def heading(words: Words, hold: Hold) -> str:
    """Where the pressure settles tells which side lets it out."""
    asymptote = hold.decay.asymptote
    if asymptote is None:
        return ""
    if for_outlet(hold):
        return (f"It heads for {words.pressure(asymptote.middle)}, about what the outlet header has: look at the "
                "outlet valve first.")  # fmt: skip
    return f"It heads for {words.pressure(asymptote.middle)}."


def for_outlet(hold: Hold) -> bool:
    """Whether a vessel's pressure is seen to head for the outlet header's."""
    asymptote = hold.decay.asymptote
    if asymptote is None or not hold.vessel:
        return False
    return abs(asymptote.middle - hold.outlet) <= max(NEAR, asymptote.high - asymptote.low)


def seep_cleared(skid: SkidSettings, vessel: str | None, emission: Emission) -> Event:
    return Event(
        time=emission.time, skid=skid.id, kind="closure-seep", transition=Transition.CLEARED, vessel=vessel,
        detail="pressure-decay", onset=emission.onset,
        message=join(
            f"{place(skid, vessel)} is no longer blocked in since {clock(emission.onset)}; whether it still loses "
            "water cannot be told in this state.",
            "What was found stays to be mended.",
        ),
    )  # fmt: skip


def answer_words(hold: Hold) -> str:
    """Why a hold's answer is what it is."""
    found, words = hold.decay, Words(hold.skid)
    span = f"{found.seconds / 60:.0f} min"
    explained = f"temperature can explain {words.difference(hold.allowance)}"
    if hold.answer == SEEPING:
        return f"at least {words.difference(found.fall.low)} was lost in {span}; {explained}"
    if hold.answer == UNDETERMINED and hold.shared:
        return "a header's pressure fell with it: it was open to that header"
    if hold.answer == UNDETERMINED:
        least, most = max(found.fall.low, 0.0), found.fall.high
        return f"between {words.difference(least)} and {words.difference(most)} was lost in {span}, and {explained}"
    slowest = f"a seep with a time constant up to {hold.smallest / 60:.0f} min would have been told"
    if found.fall.low >= hold.allowance:
        return f"it loses pressure more slowly than the limit that is set; {slowest}"
    return f"at most {words.difference(max(found.fall.high, 0.0))} was lost in {span}, and {explained}; {slowest}"


def pressure_rise_event(hold: Hold) -> Event:
    """Pressure that rises towards the end of the transmitter's span in a vessel that is blocked in."""
    found, words = hold.decay, Words(hold.skid)
    level = found.first - found.fall.middle
    return Event(
        time=hold.time, skid=hold.skid.id, kind="pressure-rise", transition=Transition.NOTED, vessel=hold.vessel,
        value=round(level / BAR, 6), unit="bar", onset=hold.since,
        message=join(
            f"{place(hold.skid, hold.vessel)}, blocked in since {clock(hold.since)}, gains pressure: from "
            f"{words.pressure(found.first)} to {words.pressure(level)}. Warming of trapped liquid or a passing inlet "
            "valve can take it past what the vessel is built for.",
            "Relieve it by the site's procedure, from a safe place, before it reaches the design pressure.",
            ATTENDED,
            CAUTION,
        ),
        evidence=evidence(hold),
    )  # fmt: skip


def leak_event(emission: Emission, skid: SkidSettings) -> Event:
    """A sensor that is wet, or dry again."""
    signal, kind = skid.signals[emission.signal], CATALOGUE["closure-seep"]
    raised = emission.code == codes.RAISED
    of = f" of vessel {signal.vessel}" if signal.vessel else ""
    seen = f"{skid.name} ({skid.id}), {signal.id}: the leak sensor{of}"
    text = f"{seen} is dry again since {clock(emission.onset)}."
    if raised:
        text = join(f"{seen} is wet since {clock(emission.onset)}.", kind.meaning, kind.response, CAUTION)
    return Event(
        time=emission.time, skid=skid.id, kind="closure-seep",
        transition=Transition.RAISED if raised else Transition.CLEARED, vessel=signal.vessel, detail="leak-sensor",
        onset=emission.onset, message=text,
        evidence={"sensor": signal.id, "value": emission.value,
                  "spillage_s": skid.alarms["closure-seep"].extra["spillage"]},
    )  # fmt: skip


def evidence(hold: Hold) -> dict[str, object]:
    """The numbers behind the answer, SI."""
    found = hold.decay
    settings = hold.skid.alarms["closure-seep"]
    return {
        "held_since": hold.since, "held_s": round(found.seconds), "judged_at": hold.time,
        "first_pa": rounded(found.first), "fall_pa": [rounded(x) for x in found.fall],
        "thermal_allowance_pa": rounded(hold.allowance),
        "noise_ratio": settings.extra["noise_ratio"], "time_constant_s": [rounded(x) for x in found.constant],
        "asymptote_pa": None if found.asymptote is None else [rounded(x) for x in found.asymptote],
        "inlet_pa": rounded(hold.inlet), "outlet_pa": rounded(hold.outlet),
        "slowest_seep_seen_s": rounded(hold.smallest),
    }  # fmt: skip


def interval(constant: Slope) -> str:
    if not math.isfinite(constant.high):
        return ""
    return f" ({constant.low / 60:.0f} to {constant.high / 60:.0f} min)"


def minutes(seconds: float) -> float | None:
    return round(seconds / 60, 3) if math.isfinite(seconds) else None


def rounded(x: float) -> float | None:
    return round(float(x), 6) if math.isfinite(x) else None
