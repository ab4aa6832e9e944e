"""One alarm as it stands: what is remembered of it, as a record that survives a trip through JSON."""

from __future__ import annotations

from typing import Any

import msgspec

from monitor.alarms.lifecycle import OWED, Position, State
from monitor.model import Event

AlarmKey = tuple[str, str, str | None, str | None]      # skid, kind, vessel, signal
PLAIN = ""      # the cause of an event that names none


class Alarm(msgspec.Struct):
    """Times in ns of the skid's event time.

    causes: detail -> id of the event that raised it, while it stands. newest: time of the last event taken. event:
    the one that says most. onset: when the present condition is estimated to have begun. announced: since when
    somebody has to acknowledge; told: the rules that have told of that. until: of a shelf. cause: the alarm that this
    one follows from; release_at: when it comes out, its cause being over. who, why: of the last action.
    """

    skid: str
    kind: str
    vessel: str | None
    signal: str | None
    memory: State = State.NORMAL
    hidden: State | None = None
    causes: dict[str, str] = {}
    since: int = 0
    newest: int = 0
    event: str | None = None
    raised: int | None = None
    onset: int | None = None
    detail: str | None = None
    grade: str | None = None
    announced: int | None = None
    acknowledged: int | None = None
    told: list[str] = []
    until: int | None = None
    realarm_at: int | None = None
    cause: str | None = None
    release_at: int | None = None
    who: str = ""
    why: str = ""

    @property
    def key(self) -> AlarmKey:
        return self.skid, self.kind, self.vessel, self.signal

    @property
    def id(self) -> str:
        return alarm_id(self.key)

    @property
    def position(self) -> Position:
        return Position(self.memory, self.hidden)

    @property
    def shown(self) -> State:
        return self.position.shown

    @property
    def active(self) -> bool:
        """Whether its condition stands."""
        return bool(self.causes)

    @property
    def owed(self) -> bool:
        """Whether somebody who sees it has to acknowledge it."""
        return self.hidden is None and self.memory in OWED

    @property
    def idle(self) -> bool:
        return self.shown is State.NORMAL


def alarm_id(key: AlarmKey) -> str:
    """How people and programs name an alarm: SKID/KIND, and what it is about where it says so.

    >>> alarm_id(("intake-1", "signal-fault", "east", "PT-111"))
    'intake-1/signal-fault/PT-111'
    """
    skid, kind, vessel, signal = key
    where = signal or vessel
    return f"{skid}/{kind}/{where}" if where else f"{skid}/{kind}"


def key_of(event: Event) -> AlarmKey:
    return event.skid, event.kind, event.vessel, event.signal


def stored(alarm: Alarm, priority: str) -> dict[str, Any]:
    """The alarm as the store keeps it: what it shows first, then what is remembered."""
    memory = msgspec.to_builtins(alarm)
    head = {"state": str(alarm.shown), "since": alarm.since, "event": alarm.event, "sort": "alarm",
            "priority": priority, "active": alarm.active, "id": alarm.id}  # fmt: skip
    return head | {k: v for k, v in memory.items() if k not in ("skid", "kind", "vessel", "signal")}


def restored(key: AlarmKey, body: dict[str, Any]) -> Alarm | None:
    """The alarm of a stored body; None for one that is no alarm. A store from before there was a life cycle says only
    whether it is active: that is taken as announced and not acknowledged."""
    if body.get("sort", "alarm") != "alarm":
        return None
    skid, kind, vessel, signal = key
    alarm = Alarm(skid, kind, vessel, signal)
    if "memory" in body:
        return msgspec.convert(body | {"skid": skid, "kind": kind, "vessel": vessel, "signal": signal}, Alarm)
    since = int(body.get("since", 0))
    alarm.since = alarm.newest = since
    alarm.event = body.get("event")
    if body.get("state") == "active":
        alarm.memory, alarm.raised, alarm.announced = State.UNACKNOWLEDGED, since, since
        alarm.causes = {PLAIN: str(body.get("event"))}
    return alarm

