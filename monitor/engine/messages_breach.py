"""Losses of resistance in words."""

from __future__ import annotations

import math

from monitor.alarms.catalogue import CATALOGUE, CAUTION
from monitor.engine.look_back import Level
from monitor.engine.story import Standing
from monitor.engine.wording import Words, clock, join, tags, unmeasured
from monitor.model import Event, SkidSettings, Transition

WHEN = {"in-service": "at once while it ran", "after-restart": "across a stop of the pump or of what measures it"}


def raised_event(skid: SkidSettings, standing: Standing, time: int, clean: float, before: Level, after: Level) -> Event:
    words, kind = Words(skid), CATALOGUE["element-breach"]
    against = (
        f"below the {words.pressure(clean)} of clean elements" if standing.after < clean
        else f"clean elements show {words.pressure(clean)}"
    )  # fmt: skip
    return _event(
        skid, standing, time, Transition.RAISED,
        join(
            f"{skid.name} ({skid.id}, {tags(skid)}): {100 * standing.loss:.0f} % of the resistance was lost "
            f"{WHEN[standing.detail]}, since {clock(standing.onset)}: dP at reference flow and temperature went from "
            f"{words.pressure(standing.before)} to {words.pressure(standing.after)}, {against}.",
            kind.meaning if standing.grade == "likely" else "An element may be torn or bypassed, or cake has slipped.",
            ruled_out(skid, standing),
            kind.response,
            unmeasured(skid),
            CAUTION,
        ),
        {"before": _numbers(before), "after": _numbers(after), "clean_reference_pa": round(clean, 3)},
    )  # fmt: skip


def loss_of(skid: SkidSettings, standing: Standing) -> str:
    return f"{skid.name} ({skid.id}): the loss of {100 * standing.loss:.0f} % since {clock(standing.onset)}"


def ruled_out(skid: SkidSettings, standing: Standing) -> str:
    causes = ["a changeout", "a vessel coming into service", "flow and temperature as measured"]
    if standing.detail == "in-service":
        causes.append("one gauge alone moving")
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
            "rate_before_per_h": standing.rate_before, **more,
        },
    )  # fmt: skip


def _numbers(at: Level) -> dict[str, object]:
    names = ("pressure_drop_pa", "flow_ratio", "viscosity_ratio", "density_ratio")
    values = dict(zip(names, at.state, strict=True))
    values |= {"inlet_pa": at.inlet, "outlet_pa": at.outlet, "turbidity": at.turbidity}
    known: dict[str, object] = {k: round(v, 6) if math.isfinite(v) else None for k, v in values.items()}
    return known | {"blocks_of_10_s": at.blocks}
