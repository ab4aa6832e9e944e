"""Zero trims: proposed when a zero has shifted, approved or undone by a person, never by themselves.

A trim is taken off what a transmitter reads, from the next row on, wherever its value is used but in the judgement of
the transmitter itself. A shift of dP says how much, not which of two headers moved: the trim goes to the one named.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from msgspec.structs import replace as changed

from monitor.engine import codes
from monitor.engine.row_tier import Emission
from monitor.engine.story import NORMAL, Trim
from monitor.engine.told import Answer, Told
from monitor.engine.wording import BAR, Words, clock, join
from monitor.model import Action, Event, Fact, Role, Transition
from monitor.skid import SkidSettings

if TYPE_CHECKING:
    from monitor.engine.event_tier import EventTier

PROPOSED, APPROVED, UNDONE, WITHDRAWN = "proposed", "approved", "undone", "withdrawn"
UNKNOWN_SHARE = 0.0006    # of span: error of a zero before any stop has shown it. Common practice, no source


def trim_key(signal: str) -> str:
    return f"trim/{signal}"


def follow_zero(tier: EventTier, emission: Emission, told: Told) -> Told:
    """Propose a trim where a zero shift was raised; withdraw it where the zero came back by itself."""
    if emission.alarm != codes.SIGNAL_FAULT or emission.detail != codes.SHIFTED:
        return told
    i, k = emission.skid, emission.signal
    skid, story = tier.skids[i], tier.stories[i]
    name = skid.signals[k].id
    if emission.code == codes.RAISED:
        trim = proposal(tier, emission)
        story.trims[name] = trim
        told.facts.append(trim_fact(skid, name, trim, emission.time))
        told.events[-1] = _with_proposal(skid, told.events[-1], name, trim)
        return told
    stood = story.trims.get(name)
    if stood is not None and stood.state == PROPOSED:
        _withdraw(tier, i, name, stood, told, emission.time)
    return told


def proposal(tier: EventTier, emission: Emission) -> Trim:
    i, k = emission.skid, emission.signal
    skid, frame, sensor = tier.skids[i], tier.rows.state.skid[i], tier.rows.state.sensor[i, k]
    outlet = skid.signals[k].role is Role.OUTLET_PRESSURE
    across = skid.signals[k].role is Role.DIFFERENTIAL_PRESSURE
    zero = tier.rows.state.zero[i, 1 if across else 0]
    spans = [(s.high - s.low) * s.scale for s in skid.signals if s.role is skid.signals[k].role]
    whole = spans[0] if across else float(tier.rows.parameters.skid[i].pair_span)
    known = math.sqrt(float(zero.variance) / max(int(zero.known), 1)) if zero.known else UNKNOWN_SHARE * whole
    before = float(sensor.trim)
    shift = emission.value
    return Trim(PROPOSED, before + (-shift if outlet else shift), before, max(known, float(frame.idle_offset_error)),
                shift, 1 if across else 0, emission.time)  # fmt: skip


def _with_proposal(skid: SkidSettings, event: Event, name: str, trim: Trim) -> Event:
    words = Words(skid)
    offered = (
        f"Proposed trim: take {words.difference(trim.offset)} (+- {words.difference(trim.error)}) off {name}. Nothing "
        f"is trimmed until a person approves it: bagwright trim approve {name}; it can be undone."
    )
    evidence = event.evidence | {"trim_pa": round(trim.offset, 3), "trim_error_pa": round(trim.error, 3)}
    return replace(event, message=join(event.message, offered), evidence=evidence)


def _withdraw(tier: EventTier, i: int, name: str, trim: Trim, told: Told, time: int) -> None:
    """The zero is back: what stood before the proposal stands."""
    skid = tier.skids[i]
    told.facts.append(trim_fact(skid, name, changed(trim, state=WITHDRAWN), time))
    if trim.before == 0.0:
        del tier.stories[i].trims[name]
        return
    tier.stories[i].trims[name] = _standing(trim)


def approve(tier: EventTier, i: int, action: Action) -> Told:
    """Put a proposed trim in force: dP is told again from the next row on."""
    trim, name, told = _named(tier, i, action)
    if trim is None or trim.state != PROPOSED:
        return _refused(told, f"no trim of {name} is proposed; nothing was changed")
    put(tier, i, name, trim.offset)
    zero = tier.rows.state.zero[i, trim.pair]
    zero.shifted, zero.shift, zero.idle_since = 0, 0.0, 0
    words = Words(tier.skids[i])
    told.events.append(_event(tier.skids[i], name, trim, action, Transition.CLEARED,
        f"its zero is trimmed: {words.difference(trim.offset)} are taken off it, approved by {action.by}"
        f"{because(action)}. dP is told from it again."))  # fmt: skip
    return _settled(tier, i, action, changed(trim, state=APPROVED), told)


def undo(tier: EventTier, i: int, action: Action) -> Told:
    """Take a trim back: the transmitter reads as it did before, and its shift stands again."""
    trim, name, told = _named(tier, i, action)
    if trim is None or trim.state != APPROVED:
        return _refused(told, f"no trim of {name} is in force; nothing was changed")
    put(tier, i, name, trim.before)
    zero = tier.rows.state.zero[i, trim.pair]
    zero.shifted, zero.shift, zero.signal = 1, trim.shift, tier.skids[i].index(name)
    zero.idle_since = 0
    told.events.append(_event(tier.skids[i], name, trim, action, Transition.RAISED,
        f"its zero trim was undone by {action.by}{because(action)}. What it was trimmed for stands again: dP is not "
        "told from it until its zero is trimmed or has come back."))  # fmt: skip
    return _settled(tier, i, action, changed(trim, state=UNDONE), told)


def put(tier: EventTier, i: int, name: str, offset: float) -> None:
    """Let a trim [Pa] take effect, also in the value that stands until the next row."""
    sensor: Any = tier.rows.state.sensor[i, tier.skids[i].index(name)]
    more = offset - float(sensor.trim)
    sensor.trim = offset
    sensor.held -= more
    sensor.high -= more
    sensor.bucket[: int(sensor.count)] -= more


def because(action: Action) -> str:
    return f" ({action.reason})" if action.reason else ""


def _named(tier: EventTier, i: int, action: Action) -> tuple[Trim | None, str, Told]:
    name = str(action.body.get("signal", ""))
    return tier.stories[i].trims.get(name), name, Told()


def _refused(told: Told, text: str) -> Told:
    told.answers.append(Answer(False, text))
    return told


def _settled(tier: EventTier, i: int, action: Action, trim: Trim, told: Told) -> Told:
    """Remember a decision. What was read before it is not compared with what is read after."""
    skid, story, name = tier.skids[i], tier.stories[i], str(action.body["signal"])
    # An undone trim may be approved again: the shift that it answers is still there.
    story.trims[name] = changed(trim, state=PROPOSED) if trim.state == UNDONE else trim
    story.breach.pending = story.breach.before = story.breach.last_steady = None
    if story.phase != NORMAL:
        story.before = story.isolated = None
    told.facts.append(trim_fact(skid, name, trim, action.time, action))
    told.answers.append(Answer(True, f"the trim of {name}, {Words(skid).difference(trim.offset)}, is {trim.state}"))
    return told


def _event(skid: SkidSettings, name: str, trim: Trim, action: Action, transition: Transition, said: str) -> Event:
    return Event(
        time=action.time, skid=skid.id, kind="signal-fault", transition=transition, signal=name, detail="zero-shift",
        value=round(trim.shift / BAR, 6), unit="bar", onset=trim.time,
        message=f"{skid.name} ({skid.id}), {name}: {said} The shift was found {clock(trim.time)}.",
        evidence={"trim_pa": round(trim.offset, 3), "trim_error_pa": round(trim.error, 3), "by": action.by,
                  "reason": action.reason},
    )  # fmt: skip


def trim_fact(skid: SkidSettings, name: str, trim: Trim, time: int, action: Action | None = None) -> Fact:
    value: dict[str, Any] = {
        "state": trim.state, "offset_pa": trim.offset, "before_pa": trim.before, "error_pa": trim.error,
        "shift_pa": trim.shift, "pair": trim.pair, "found": trim.time,
        "by": action.by if action else "", "reason": action.reason if action else "",
    }  # fmt: skip
    return Fact(skid.id, trim_key(name), value, time)


def take_trim(tier: EventTier, i: int, fact: Fact) -> None:
    """A trim out of the store: in force again, or proposed again."""
    value, name = fact.value, fact.key.partition("/")[2]
    k = tier.skids[i].index(name)
    if k is None:
        return
    trim = Trim(str(value["state"]), float(value["offset_pa"]), float(value["before_pa"]), float(value["error_pa"]),
                float(value["shift_pa"]), int(value["pair"]), int(value["found"]))  # fmt: skip
    if trim.state not in (PROPOSED, APPROVED, UNDONE, WITHDRAWN) or not math.isfinite(trim.offset + trim.before):
        raise ValueError(fact.key)
    put(tier, i, name, trim.offset if trim.state == APPROVED else trim.before)
    if trim.state in (PROPOSED, UNDONE):
        zero = tier.rows.state.zero[i, trim.pair]
        zero.shifted, zero.shift, zero.signal = 1, trim.shift, k
        tier.stories[i].trims[name] = changed(trim, state=PROPOSED)
    elif trim.state == APPROVED or trim.before:
        tier.stories[i].trims[name] = trim if trim.state == APPROVED else _standing(trim)


def _standing(trim: Trim) -> Trim:
    """The trim that was in force before a proposal that came to nothing."""
    return changed(trim, state=APPROVED, offset=trim.before, before=0.0)
