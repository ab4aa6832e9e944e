"""What the row tier emits, in words: Emission -> Event."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from monitor.alarms.catalogue import CATALOGUE, CAUTION
from monitor.engine import codes
from monitor.engine.parameters import ALARM_ORDER
from monitor.engine.row_tier import Emission, RowTier
from monitor.engine.wording import BAR, Words, clock, conditions, join, tags, unmeasured
from monitor.hydraulics.isolating import outlook
from monitor.hydraulics.network import Conditions
from monitor.hydraulics.pressure_drop import turbulent_part
from monitor.model import Event, Role, Transition
from monitor.skid import SkidSettings


def alarm_event(emission: Emission, skid: SkidSettings, tier: RowTier) -> Event:
    """The event that an alarm's emission stands for."""
    kind = ALARM_ORDER[emission.alarm]
    frame = tier.state.skid[emission.skid]
    raised = emission.code == codes.RAISED
    value = float(frame.normalised if kind == "changeout-due" else frame.sustained)
    words = Words(skid)
    message = MESSAGES[kind](words, skid, frame, emission, raised)
    return Event(
        time=emission.time,
        skid=skid.id,
        kind=kind,
        transition=Transition.RAISED if raised else Transition.CLEARED,
        message=message,
        value=round(value / BAR, 6),
        unit="bar",
        onset=emission.onset,
        evidence=evidence(skid, frame, kind),
    )


def evidence(skid: SkidSettings, frame: np.record, kind: str) -> dict[str, object]:
    """The numbers behind the event, SI; None where not known."""
    settings = skid.alarms[kind]
    return {
        "inlet_pa": _known(frame.inlet),
        "outlet_pa": _known(frame.outlet),
        "pressure_drop_pa": _known(frame.pressure_drop),
        "normalised_pa": _known(frame.normalised),
        "flow_m3s": _known(frame.flow),
        "temperature_k": _known(frame.temperature),
        "limit_pa": settings.limit,
        "clear_below_pa": None if settings.limit is None else settings.limit - settings.deadband,
        "on_delay_s": settings.on_delay_s,
        "flow_measured": bool(skid.with_role(Role.FLOW)),
    }


def due_message(words: Words, skid: SkidSettings, frame: np.record, emission: Emission, raised: bool) -> str:
    limit = words.pressure(skid.alarms["changeout-due"].limit or 0.0)
    seen = f"{skid.name} ({skid.id}, {tags(skid)}): dP at reference flow and temperature"
    if not raised:
        clear = words.pressure((skid.alarms["changeout-due"].limit or 0.0) - skid.alarms["changeout-due"].deadband)
        return join(
            f"{seen} is {words.pressure(frame.normalised)}, below {clear} since {clock(emission.onset)} "
            f"({conditions(words, frame)}): no changeout is due.",
            unmeasured(skid),
        )
    kind = CATALOGUE["changeout-due"]
    return join(
        f"{seen} has been at or above {limit} since {clock(emission.onset)}, now {words.pressure(frame.normalised)} "
        f"({conditions(words, frame)}).",
        kind.meaning,
        kind.response,
        before_isolating(words, skid, frame),
        unmeasured(skid),
        CAUTION,
    )


def before_isolating(words: Words, skid: SkidSettings, frame: np.record) -> str:
    """What the rest will show, said before anybody shuts a vessel."""
    has_flow = np.isfinite(frame.flow)
    ratio = float(frame.flow) / skid.reference.flow if has_flow else 1.0
    turbulent = float(frame.turbulent) or turbulent_part(skid.element.clean_dp, skid.element.changeout_dp)
    found = outlook(Conditions(float(frame.pressure_drop), ratio), skid.in_service, turbulent)
    if found is None:
        return ""
    over = "" if found.upper < skid.element.max_dp else (
        f" That can pass the {words.pressure(skid.element.max_dp)} the elements are built for: lower the flow first.")
    return (f"With one vessel isolated now the rest will show about {words.pressure(found.expected)} at held flow, at "
            f"most {words.pressure(found.upper)} where cake packs, less where flow gives way.{over}")  # fmt: skip


def limit_message(words: Words, skid: SkidSettings, frame: np.record, emission: Emission, raised: bool) -> str:
    settings = skid.alarms["dp-limit"]
    limit, maximum = words.pressure(settings.limit or 0.0), words.pressure(skid.element.max_dp)
    seen = f"{skid.name} ({skid.id}, {tags(skid)}): actual dP"
    if not raised:
        clear = words.pressure((settings.limit or 0.0) - settings.deadband)
        return f"{seen} is {words.pressure(frame.sustained)}, below {clear} since {clock(emission.onset)}."
    kind = CATALOGUE["dp-limit"]
    return join(
        f"{seen} has been at or above {limit} since {clock(emission.onset)}, now {words.pressure(frame.sustained)}; "
        f"the elements are built for {maximum}.",
        kind.meaning,
        kind.response,
        CAUTION,
    )


MESSAGES: dict[str, Callable[[Words, SkidSettings, np.record, Emission, bool], str]] = {
    "changeout-due": due_message,
    "dp-limit": limit_message,
}


def _known(value: float) -> float | None:
    return round(float(value), 6) if np.isfinite(value) else None
