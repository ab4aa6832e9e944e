"""Surges, shut paths, holds and wet sensors: Emission -> events."""

from __future__ import annotations

import math

import numpy as np

from monitor.alarms.catalogue import CATALOGUE, CAUTION
from monitor.engine import codes
from monitor.engine.messages_seep import leak_event, rounded
from monitor.engine.row_tier import Emission, RowTier
from monitor.engine.seep import seep_events
from monitor.engine.story import Story
from monitor.engine.wording import BAR, Words, clock, join, tags
from monitor.model import Event, Role, Transition
from monitor.skid import SkidSettings

KINDS_TOLD = (codes.SURGE, codes.BLOCKED, codes.OUTSIDE, codes.SEEP, codes.LEAK)


def integrity_events(emission: Emission, skid: SkidSettings, tier: RowTier, story: Story) -> list[Event]:
    """Events of an emission whose `alarm` is one of KINDS_TOLD. What holds have said is kept in the story."""
    if emission.alarm == codes.SURGE:
        return [surge_event(emission, skid, tier.state.surge[emission.skid])]
    if emission.alarm == codes.SEEP:
        return seep_events(emission, skid, tier, story.holds)
    if emission.alarm == codes.LEAK:
        return [leak_event(emission, skid)]
    path, frame = tier.state.path[emission.skid], tier.state.skid[emission.skid]
    if emission.alarm == codes.OUTSIDE:
        return [outside_event(emission, skid, path, frame)]
    if emission.code == codes.RAISED:
        story.shut_at = emission.time
    return [blocked_event(emission, skid, path, frame)]


def transition(emission: Emission) -> Transition:
    return Transition.RAISED if emission.code == codes.RAISED else Transition.CLEARED


def surge_event(emission: Emission, skid: SkidSettings, surge: np.record) -> Event:
    """A peak that is over, or that no other has followed."""
    words, kind, limit = Words(skid), CATALOGUE["surge"], skid.alarms["surge"].limit or 0.0
    seen = f"{skid.name} ({skid.id}, {tags(skid)})"
    raised = emission.code == codes.RAISED
    text = f"{seen}: no further surge since {clock(emission.onset)}; pressures are settled."
    if raised:
        peak = max(surge.before, surge.after) + emission.value
        text = join(
            f"{seen}: {skid.signals[emission.signal].id} went up to {words.pressure(peak)} at {clock(emission.onset)}, "
            f"from {words.pressure(surge.before)} before and back to {words.pressure(surge.after)} after: "
            f"{words.pressure(emission.value)} above both, the limit is {words.pressure(limit)}.",
            kind.meaning,
            kind.response,
            CAUTION,
        )
    return Event(
        time=emission.time, skid=skid.id, kind="surge", transition=transition(emission), onset=emission.onset,
        value=round(emission.value / BAR, 6), unit="bar", message=text,
        evidence={
            "header": skid.signals[emission.signal].id if raised else None, "before_pa": rounded(surge.before),
            "after_pa": rounded(surge.after), "overshoot_pa": rounded(emission.value), "limit_pa": limit,
        },
    )  # fmt: skip


def blocked_event(emission: Emission, skid: SkidSettings, path: np.record, frame: np.record) -> Event:
    words, kind = Words(skid), CATALOGUE["flow-blocked"]
    seen = f"{skid.name} ({skid.id}, {tags(skid)})"
    if emission.code != codes.RAISED:
        text = (f"{seen}: since {clock(emission.onset)} the path is open again or the pump no longer pushes; dP "
                f"{words.pressure(frame.sustained)}{at_flow(words, frame)}.")  # fmt: skip
    else:
        text = join(
            f"{seen}: no path through the skid since {clock(emission.onset)}: dP {words.pressure(emission.value)}"
            f"{at_flow(words, frame)}{against_usual(words, path, frame)}.",
            "" if skid.with_role(Role.FLOW) and math.isfinite(frame.flow) else
            "Flow is not known: this is told from pressures alone; several vessels shut at once look much the same.",
            kind.response,
            CAUTION,
        )  # fmt: skip
    return Event(
        time=emission.time, skid=skid.id, kind="flow-blocked", transition=transition(emission), onset=emission.onset,
        value=round(emission.value / BAR, 6), unit="bar", message=text, evidence=evidence(path, frame, skid),
    )


def outside_event(emission: Emission, skid: SkidSettings, path: np.record, frame: np.record) -> Event:
    """Nothing flows and there is no dP: whatever is shut lies outside the skid."""
    words = Words(skid)
    return Event(
        time=emission.time, skid=skid.id, kind="blocked-outside", transition=Transition.NOTED, onset=emission.onset,
        value=round(emission.value / BAR, 6), unit="bar",
        message=join(
            f"{skid.name} ({skid.id}, {tags(skid)}): nothing flows since {clock(emission.onset)} although the pump "
            f"pushes{against_usual(words, path, frame)}, and there is no dP: the path through the skid is open, the "
            "blockage lies outside it.",
            "Check valves and users downstream, or stop the pump: it runs against its shut-off head.",
        ),
        evidence=evidence(path, frame, skid),
    )  # fmt: skip


def at_flow(words: Words, frame: np.record) -> str:
    return f" at {words.quantity('flow', frame.flow)}" if math.isfinite(frame.flow) else ""


def against_usual(words: Words, path: np.record, frame: np.record) -> str:
    """Headers now and as usual, as far as they are known."""
    if not path.known or not math.isfinite(frame.inlet + frame.outlet):
        return ""
    return (f", inlet {words.pressure(frame.inlet)} (usually {words.pressure(path.inlet)}), outlet "
            f"{words.pressure(frame.outlet)} (usually {words.pressure(path.outlet)})")  # fmt: skip


def evidence(path: np.record, frame: np.record, skid: SkidSettings) -> dict[str, object]:
    usual = (path.inlet, path.outlet, path.drop) if path.known else (math.nan,) * 3
    return {
        "inlet_pa": rounded(frame.inlet), "outlet_pa": rounded(frame.outlet),
        "pressure_drop_pa": rounded(frame.sustained), "flow_m3s": rounded(frame.flow),
        "usual_inlet_pa": rounded(usual[0]), "usual_outlet_pa": rounded(usual[1]),
        "usual_pressure_drop_pa": rounded(usual[2]), "flow_measured": bool(skid.with_role(Role.FLOW)),
        "on_delay_s": skid.alarms["flow-blocked"].on_delay_s,
    }  # fmt: skip
