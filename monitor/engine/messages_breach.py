"""Losses of resistance in words."""

from __future__ import annotations

import math

from monitor.alarms.catalogue import CATALOGUE, CAUTION
from monitor.engine.look_back import Level
from monitor.engine.story import Standing
from monitor.engine.unwatched import NO_FLOW
from monitor.engine.wording import Words, clock, join, tags, unmeasured
from monitor.model import Event, Role, Transition
from monitor.skid import SkidSettings
from monitor.times import to_rfc3339


def raised_event(skid: SkidSettings, standing: Standing, time: int, clean: float, before: Level, after: Level,
                 alike: bool, changed: bool) -> Event:
    """alike, changed: whether demand that fell, or a changeout that was not seen, would have left the same."""
    words, kind = Words(skid), CATALOGUE["element-breach"]
    against = (
        f"below the {words.pressure(clean)} of clean elements" if standing.after < clean
        else f"clean elements show {words.pressure(clean)}"
    )  # fmt: skip
    return _event(
        skid, standing, time, Transition.RAISED,
        join(
            f"{skid.name} ({skid.id}, {tags(skid)}): {100 * standing.loss:.0f} % of the resistance was lost "
            f"{when(standing)}: dP at reference flow and temperature went from "
            f"{words.pressure(standing.before)} to {words.pressure(standing.after)}, {against}.",
            kind.meaning if standing.grade == "likely" else "An element may be torn or bypassed, or cake has slipped.",
            unwatched(standing),
            demand(skid, alike, before, after),
            "A clean element in place of a loaded one leaves the same: ask whether one was changed." if changed else "",
            beside(before, after),
            ruled_out(skid, standing, alike, changed),
            kind.response,
            unmeasured(skid),
            CAUTION,
        ),
        {"before": _numbers(before), "after": _numbers(after), "clean_reference_pa": round(clean, 3),
         "may_be_a_changeout": changed},
    )  # fmt: skip


def when(standing: Standing) -> str:
    if standing.detail == "in-service":
        return f"at once while it ran, since {clock(standing.onset)}"
    return f"while it was not watched, and is missing since flow came back at {clock(standing.onset)}"


def unwatched(standing: Standing) -> str:
    """From when to when what was lost could not be seen going."""
    said = []
    for span in standing.unwatched:
        between = f"from {clock(span.since)} to {clock(span.until)}"
        if span.what == NO_FLOW:
            said.append(f"{between} nothing flowed that could have told")
        else:
            silent = ", ".join(span.signals)
            said.append(f"{between} nothing was heard of {silent} (transmitter, gateway or monitor off)")
    return f"Not watched: {'; '.join(said)}." if said else ""


def demand(skid: SkidSettings, alike: bool, before: Level, after: Level) -> str:
    """What is said where demand that fell, or a pump that slowed down, would have left the same."""
    if not alike:
        return ""
    if not skid.with_role(Role.FLOW):
        return ("Demand that fell, or a pump that slowed down, can leave the same: without a flow meter these readings "
                "cannot tell.")
    left = after.state.flow / before.state.flow
    return (f"Flow fell too, to {100 * left:.0f} % of what it was, which no element that gives way makes: the meter "
            "may lag behind, or flow swing faster than it shows.")


def beside(before: Level, after: Level) -> str:
    """What turbidity did, where it is measured."""
    if not math.isfinite(before.turbidity + after.turbidity):
        return ""
    meant = "solids pass" if turbid(before, after) else "no sign that more solids pass"
    return (f"Beside it turbidity at the outlet went from {before.turbidity:.2f} to {after.turbidity:.2f} NTU: "
            f"{meant}.")  # fmt: skip


def turbid(before: Level, after: Level) -> bool:
    """Whether the outlet got turbid with the loss. Half as much again: common practice, no source."""
    return after.turbidity > 1.5 * before.turbidity + 0.05


def loss_of(skid: SkidSettings, standing: Standing) -> str:
    return f"{skid.name} ({skid.id}): the loss of {100 * standing.loss:.0f} % since {clock(standing.onset)}"


def ruled_out(skid: SkidSettings, standing: Standing, alike: bool, changed: bool) -> str:
    causes = ["a vessel coming into service"]
    causes = causes if changed else ["a changeout", *causes]
    measured = [name for name, role in (("flow", Role.FLOW), ("temperature", Role.TEMPERATURE)) if skid.with_role(role)]
    if alike and "flow" in measured:
        measured.remove("flow")
    causes += [f"{' and '.join(measured)} as measured"] if measured else []
    causes.append(
        "one gauge alone moving" if standing.detail == "in-service" else "the little that cake lets go across a stop"
    )
    which = f"More flow than before goes through vessel {standing.vessel}." if standing.vessel else (
        "Which vessel it is the headers do not tell.")  # fmt: skip
    return f"Ruled out: {', '.join(causes)}. {which}"


def grown_event(skid: SkidSettings, standing: Standing, time: int) -> Event:
    return _event(
        skid, standing, time, Transition.NOTED,
        join(
            f"{loss_of(skid, standing)} is likely a breach: "
            "volume has passed since without the loading there was before.",
            CATALOGUE["element-breach"].response,
            CAUTION,
        ),
        {},
    )  # fmt: skip


def cleared_event(skid: SkidSettings, standing: Standing, time: int, why: str) -> Event:
    return _event(
        skid, standing, time, Transition.CLEARED,
        f"{loss_of(skid, standing)} is answered: {why}.",
        {},
    )  # fmt: skip


def _event(skid: SkidSettings, standing: Standing, time: int, transition: Transition, message: str,
           more: dict[str, object]) -> Event:  # fmt: skip
    return Event(
        time=time, skid=skid.id, kind="element-breach", transition=transition, message=message, vessel=standing.vessel,
        detail=standing.detail,
        grade=standing.grade, value=round(standing.loss, 4), unit="1", onset=standing.onset,
        evidence={
            "resistance_before_pa": round(standing.before, 3), "resistance_after_pa": round(standing.after, 3),
            "rate_before_per_h": standing.rate_before,
            "unwatched": [f"{s.what} {to_rfc3339(s.since)} {to_rfc3339(s.until)}" for s in standing.unwatched], **more,
        },
    )  # fmt: skip


def _numbers(at: Level) -> dict[str, object]:
    names = ("pressure_drop_pa", "flow_ratio", "viscosity_ratio", "density_ratio")
    values = dict(zip(names, at.state, strict=True))
    values |= {"inlet_pa": at.inlet, "outlet_pa": at.outlet, "turbidity": at.turbidity}
    known: dict[str, object] = {k: round(v, 6) if math.isfinite(v) else None for k, v in values.items()}
    return known | {"blocks_of_10_s": at.blocks}
