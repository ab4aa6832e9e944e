"""Loading unlike that of earlier lives, in words."""

from __future__ import annotations

import math

from monitor.alarms.catalogue import CATALOGUE, CAUTION
from monitor.engine.messages_forecast import hours
from monitor.engine.wording import BAR, Words, join, tags
from monitor.forecast.unusual import STALLED, Unusual
from monitor.model import Event, Transition
from monitor.skid import SkidSettings

KIND = "loading-unusual"


def unusual_event(
    skid: SkidSettings, found: Unusual, time: int, *, by_volume: bool, turbidity: tuple[float, float]
) -> Event:
    """turbidity: usual in this life, and now [NTU]; NaN where not measured."""
    words, kind = Words(skid), CATALOGUE[KIND]
    over = f"over the last {amount(found.carried, by_volume)} ({hours(found.seconds / 3600)} of running)"
    if found.what == STALLED:
        seen = (f"dP at reference flow and temperature has not risen {over}: {words.difference(found.rise)}, where "
                f"each of {found.lives} earlier lives rose by {words.difference(found.usual)} or more.")  # fmt: skip
        means = ("Either the water carries hardly any solids, or it goes round the elements: torn, not seated, or past "
                 "them by a by-pass.")  # fmt: skip
    else:
        seen = (f"dP at reference flow and temperature rose by {words.difference(found.rise)} {over}, for which each "
                f"of {found.lives} earlier lives took {amount(found.usual, by_volume)} or more: "
                f"{found.usual / found.carried:.0f} times as fast.")  # fmt: skip
        means = "A slug of solids has come, or something that blinds the elements; the next changeout comes sooner."
    return Event(
        time=time, skid=skid.id, kind=KIND, transition=Transition.NOTED, detail=found.what,
        value=round(found.rise / BAR, 6), unit="bar",
        message=join(f"{skid.name} ({skid.id}, {tags(skid)}): {seen}", means, beside(found, *turbidity), kind.response,
                     CAUTION),
        evidence={
            "rise_pa": round(found.rise, 3), "carried": round(found.carried, 6),
            "usual": round(found.usual, 6), "carried_unit": "m^3" if by_volume else "s of running",
            "running_s": round(found.seconds), "earlier_lives": found.lives,
            "turbidity_usual_ntu": known(turbidity[0]), "turbidity_now_ntu": known(turbidity[1]),
        },
    )  # fmt: skip


def amount(carried: float, by_volume: bool) -> str:
    return f"{carried:.3g} m³" if by_volume else f"{hours(carried / 3600)} of running"


def beside(found: Unusual, usual: float, now: float) -> str:
    """What turbidity at the outlet says to it. Half as much again: common practice, no source."""
    if not math.isfinite(usual + now):
        return ""
    said = f"Turbidity at the outlet is {now:.2f} NTU, in this life {usual:.2f} NTU so far"
    more = now > 1.5 * usual + 0.05
    if found.what == STALLED:
        return f"{said}: {'solids pass, so look at the elements first' if more else 'no more solids pass than before'}."
    return f"{said}: {'part of the slug passes' if more else 'the elements hold it back'}."


def known(x: float) -> float | None:
    return round(x, 4) if math.isfinite(x) else None
