"""One cause, one alarm: what merely follows from an alarm that already stands is suppressed by design, on record.

Suppressing wrongly is worse than saying a thing twice: only what is raised after its cause is suppressed, nothing that
was announced before; a suspicion that becomes likely comes out; and some kinds never are.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from monitor.alarms.catalogue import MONITOR, MONITOR_FAULT
from monitor.alarms.standing import Alarm
from monitor.model import NS, Event, Role
from monitor.skid import ModbusPlace, OpcuaPlace, SkidSettings

# Danger to people or to elements, least of all hidden while a vessel is isolated.
NEVER = frozenset({"dp-limit", "surge", "flow-blocked", "blocked-outside", "pressure-rise", "reverse-dp",
                   "vessel-repressurised"})
SOURCE_LOST = "source-lost"
DEAD = frozenset({"stale", "frozen", "out-of-range", "swapped"})    # dP cannot be had from such a transmitter
MEASURES = (Role.INLET_PRESSURE, Role.OUTLET_PRESSURE, Role.DIFFERENTIAL_PRESSURE, Role.FLOW)
TOGETHER = 30 * NS      # silences that began so close together have one cause: a gateway, a cable, a supply; what has
                        # one cause is over within so long of it


@dataclass(frozen=True, slots=True)
class Follows:
    """What follows from what; `details` of the cause, empty: any."""

    consequence: str
    cause: str
    details: frozenset[str]
    why: str


RULES = (
    Follows("signal-fault", "signal-fault", frozenset({"stale"}), "transmitters that fell silent together"),
    Follows("signal-fault", MONITOR_FAULT, frozenset({"broker-lost", "off"}), "silence because nothing reached us"),
    Follows("signal-fault", MONITOR_FAULT, frozenset({SOURCE_LOST}), "silence of what is read from a source away"),
    Follows("changeout-due", "signal-fault", DEAD, "dP or flow from a transmitter that cannot be believed"),
    Follows("changeout-suspect", "signal-fault", DEAD, "a check with a transmitter that cannot be believed"),
    Follows("element-breach", "signal-fault", DEAD, "a suspicion from a transmitter that cannot be believed"),
    Follows("changeout-suspect", "element-breach", frozenset(), "too little resistance where an element is torn"),
)


def cause_of(event: Event, standing: Iterable[Alarm], skid: SkidSettings | None) -> Alarm | None:
    """The standing alarm that the event of a raise merely follows from, or None. standing: of the skid and of the
    monitor itself."""
    if event.kind in NEVER:
        return None
    # The monitor's own clock is another than a skid's: there the order in which they came decides.
    causes = [a for a in standing
              if a.active and a.hidden is None and (a.skid == MONITOR or (a.raised or 0) <= event.time)]  # fmt: skip
    causes.sort(key=lambda a: (a.raised or 0, a.id))    # of several the first: in what order they are kept says nothing
    for rule in RULES:
        if rule.consequence != event.kind:
            continue
        for alarm in causes:
            if alarm.kind == rule.cause and _meant(rule, alarm) and _holds(rule, alarm, event, skid):
                return alarm
    return None


def still_follows(alarm: Alarm, cause: Alarm | None) -> bool:
    """Whether what was suppressed still has its cause."""
    if cause is None or not cause.active or cause.hidden is not None:
        return False
    return not (alarm.kind == "element-breach" and alarm.grade == "likely")


def _meant(rule: Follows, alarm: Alarm) -> bool:
    return not rule.details or bool(rule.details & alarm.causes.keys())


def _holds(rule: Follows, alarm: Alarm, event: Event, skid: SkidSettings | None) -> bool:
    """What a rule asks besides kind and detail."""
    if rule.cause == "element-breach":
        return event.detail == "resistance-low" and alarm.vessel in (None, event.vessel)
    if rule.consequence == "signal-fault":
        if event.detail != "stale" or (alarm.skid != MONITOR and alarm.signal == event.signal):
            return False
        if alarm.skid == MONITOR:
            return SOURCE_LOST not in alarm.causes or alarm.signal == _source(event, skid)
        return abs((alarm.onset or 0) - (event.onset or event.time)) <= TOGETHER
    if event.kind == "element-breach" and event.grade != "suspected":
        return False
    return _reads(alarm, event, skid)


def _source(event: Event, skid: SkidSettings | None) -> str | None:
    """Id of the server or device that the event's signal is read from."""
    at = None if skid is None or event.signal is None else skid.index(event.signal)
    place = None if skid is None or at is None else skid.signals[at].place
    return place.source if isinstance(place, OpcuaPlace | ModbusPlace) else None


def _reads(alarm: Alarm, event: Event, skid: SkidSettings | None) -> bool:
    """Whether what the event says rests on the signal that the alarm is about."""
    place = None if skid is None or alarm.signal is None else skid.index(alarm.signal)
    if skid is None or place is None:
        return False
    signal = skid.signals[place]
    own = signal.role is Role.VESSEL_PRESSURE and signal.vessel == event.vessel and event.kind == "changeout-suspect"
    return signal.role in MEASURES or own
