"""What has been learned of a skid, as facts that outlive its state: after an upgrade or with changed settings the
state is rebuilt, these are given back.

A clean reference is kept for each part of element (`clean/PART`), and beside it what each vessel showed
(`clean/PART@VESSEL`). A fact says at which flow and temperature it holds, so that it survives a changed reference.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any

from monitor.engine.clocks import CLOCK, take_clock
from monitor.engine.forecasting import LIFE, take_life
from monitor.engine.trims import take_trim
from monitor.hydraulics.water import density, viscosity
from monitor.model import Fact
from monitor.skid import Reference, SkidSettings

if TYPE_CHECKING:
    from monitor.engine.event_tier import EventTier, Teller
    from monitor.engine.verification import Finding

NAMELESS = "element"      # of a part that configuration does not name
TURBULENT, PACKING = "turbulent", "packing"
ISOLATION = "isolation"   # whether a vessel is out of service, as the headers or its own pressure show it


def clean_key(skid: SkidSettings, vessel: str | None = None) -> str:
    part = skid.element.part or NAMELESS
    return f"clean/{part}" if vessel is None else f"clean/{part}@{vessel}"


def note_clean(teller: Teller, finding: Finding, spread: float, time: int) -> None:
    """Tell the clean reference as a good changeout has left it, and what its vessel showed. spread: relative, between
    elements of one part."""
    story, skid = teller.story, teller.skid
    story.learned += 1
    told = [Fact(skid.id, clean_key(skid), clean_value(skid, *story.clean, story.learned), time)]
    if story.vessel is not None:
        name = skid.vessels[story.vessel]
        mine = joined(story.own_clean.get(name), finding.after, math.hypot(finding.error, spread))
        story.own_clean[name] = mine
        told.append(Fact(skid.id, clean_key(skid, name), clean_value(skid, *mine), time))
    teller.told.facts += told


def joined(known: tuple[float, float, int] | None, value: float, error: float) -> tuple[float, float, int]:
    """A value [Pa] with its relative standard error and how many measurements it rests on, and one more: the mean of
    logarithms weighted by their precision."""
    if known is None:
        return value, error, 1
    w0, w1 = known[1] ** -2, error**-2
    log = (w0 * math.log(known[0]) + w1 * math.log(value)) / (w0 + w1)
    return math.exp(log), (w0 + w1) ** -0.5, known[2] + 1


def clean_value(skid: SkidSettings, resistance: float, error: float, changeouts: int) -> dict[str, Any]:
    return {
        "resistance_pa": resistance, "relative_error": error, "changeouts": changeouts,
        "from": "changeouts", "before": "data sheet" if skid.element.clean_dp is not None else "assumed",
        "at": basis(skid),
    }  # fmt: skip


def note_turbulent(teller: Teller, pascal: float, error: float, source: str, time: int) -> None:
    """Tell the turbulent part of dP [Pa] with the relative error that it is known to."""
    value = {"pressure_pa": pascal, "relative_error": error, "from": source, "at": basis(teller.skid)}
    teller.told.facts.append(Fact(teller.skid.id, TURBULENT, value, time))


def note_packing(teller: Teller, exponent: float, error: float, clean: float, time: int) -> None:
    """Tell how far cake is compressed: its exponent with standard error, and the clean skid's dP it was told with."""
    value = {"exponent": exponent, "standard_error": error, "clean_pa": clean, "from": "flow", "at": basis(teller.skid)}
    teller.told.facts.append(Fact(teller.skid.id, PACKING, value, time))


def note_isolation(teller: Teller, time: int) -> None:
    """Tell that a vessel is out of service, or is back: which one where its own pressure says so, and since when. Not
    recalled: a state that starts afresh has seen none."""
    story = teller.story
    name = None if story.vessel is None else teller.skid.vessels[story.vessel]
    value = {"vessel": name, "since": story.isolated_at, "until": story.returned_at or None}
    teller.told.facts.append(Fact(teller.skid.id, ISOLATION, value, time))


def take_packing(tier: EventTier, i: int, fact: Fact) -> None:
    skid, frame, value = tier.skids[i], tier.rows.state.skid[i], fact.value
    exponent, clean = float(value["exponent"]), float(value["clean_pa"])
    if not (0 <= exponent < 1 and 0 < clean < math.inf):
        raise ValueError(fact.key)
    frame.packing, frame.clean = exponent, referred(clean, value["at"], skid, tier.turbulent(i))
    tier.stories[i].swings.surest = float(value["standard_error"])


def basis(skid: SkidSettings) -> dict[str, Any]:
    """What resistances are referred to."""
    return {"flow_m3s": skid.reference.flow, "temperature_k": skid.reference.temperature,
            "fluid": skid.reference.fluid, "in_service": skid.in_service}  # fmt: skip


def recall(tier: EventTier, i: int, facts: Iterable[Fact]) -> list[str]:
    """Give skid i back what it learned: of each key the newest. Returns the keys that could not be used."""
    newest: dict[str, Fact] = {}
    for fact in sorted(facts, key=lambda f: f.time):
        newest[fact.key] = fact
    unusable = []
    for name, take in RECALLED.items():
        for key in sorted(key for key in newest if key.partition("/")[0] == name):
            try:
                take(tier, i, newest[key])
            except (KeyError, TypeError, ValueError, AttributeError):
                unusable.append(key)
    return unusable


def take_clean(tier: EventTier, i: int, fact: Fact) -> None:
    """The reference of the part that is fitted now; one of another part stays in the store until it comes back."""
    skid, story, value = tier.skids[i], tier.stories[i], fact.value
    told, error, changeouts = float(value["resistance_pa"]), float(value["relative_error"]), int(value["changeouts"])
    if not (0 < told < math.inf and 0 < error < math.inf):
        raise ValueError(fact.key)
    resistance = referred(told, value["at"], skid, tier.turbulent(i))
    if fact.key == clean_key(skid):
        story.clean, story.learned = (resistance, error), changeouts
    for name in skid.vessels:
        if fact.key == clean_key(skid, name):
            story.own_clean[name] = (resistance, error, changeouts)


def take_turbulent(tier: EventTier, i: int, fact: Fact) -> None:
    skid, value = tier.skids[i], fact.value
    pascal, error = float(value["pressure_pa"]) * ratios(value["at"], skid)[1], float(value["relative_error"])
    if not (0 < pascal < math.inf and 0 < error < math.inf):
        raise ValueError(fact.key)
    tier.stories[i].turbulent_error = error
    tier.rows.state.skid[i].turbulent = pascal


def referred(resistance: float, at: dict[str, Any], skid: SkidSettings, turbulent: float) -> float:
    """A resistance [Pa] told at other reference conditions, at those of the skid. turbulent: part of it now [Pa]."""
    laminar, square = ratios(at, skid)
    then = turbulent / square
    return max(resistance - then, 0.0) * laminar + turbulent


def ratios(at: dict[str, Any], skid: SkidSettings) -> tuple[float, float]:
    """By how much the laminar and the turbulent part change from the conditions `at` to those of the skid."""
    now = skid.reference
    if at["fluid"] != now.fluid:
        raise ValueError(at["fluid"])
    then = Reference(float(at["flow_m3s"]), float(at["temperature_k"]))
    flow = (now.flow / skid.in_service) / (then.flow / int(at["in_service"]))
    thicker = float(viscosity(now.temperature) / viscosity(then.temperature))
    heavier = float(density(now.temperature) / density(then.temperature))
    return flow * thicker, flow * flow * heavier


# By the first word of a fact's key, in the order in which they are given back: resistances need the turbulent part.
RECALLED: dict[str, Callable[[EventTier, int, Fact], None]] = {
    TURBULENT: take_turbulent,
    PACKING: take_packing,
    "clean": take_clean,
    "trim": take_trim,
    CLOCK: take_clock,
    LIFE: take_life,
}
