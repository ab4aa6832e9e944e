"""What people do: acknowledge, reset, shelve, take out of service, write down. Who, when and why is kept; what cannot
be done is refused with a reason."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import msgspec

from monitor.alarms.catalogue import CATALOGUE, MONITOR
from monitor.alarms.desk import Cause, Desk
from monitor.alarms.lifecycle import RefusedError, Stimulus
from monitor.alarms.standing import Alarm, AlarmKey, alarm_id
from monitor.model import DAY, NS, Entry, Fact
from monitor.model import Action as EngineAction
from monitor.times import to_rfc3339

LONGEST = 2_000             # characters of a note or a reason
LONGEST_NAME = 100
OLDEST = 400 * DAY          # how far back a change can be told of
VERBS = {
    "ack": Stimulus.ACKNOWLEDGE, "reset": Stimulus.RESET, "shelve": Stimulus.SHELVE, "unshelve": Stimulus.UNSHELVE,
    "out-of-service": Stimulus.REMOVE, "in-service": Stimulus.RETURN,
}  # fmt: skip
WORDS = {
    "ack": "acknowledged", "reset": "reset", "shelve": "shelved", "unshelve": "unshelved",
    "out-of-service": "taken out of service", "in-service": "returned to service",
}  # fmt: skip
NEEDS_WHY = frozenset({"shelve", "out-of-service", "reset"})
NOTE, CHANGED, INSPECTION = "journal", "changed", "inspection"
ACTIONS = (*VERBS, NOTE, CHANGED, INSPECTION)
MOST_FOUND = 40             # answers of an inspection


class Action(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """What is asked. target: an alarm as SKID/KIND or SKID/KIND/WHERE, or a skid (for `ack`: everything that waits
    there); for `changed` SKID/VESSEL; or else skid, kind, vessel and signal by name. for_s: length of a shelf [s].
    at: when it was done [ns]. part: what was fitted."""

    who: str
    target: str = ""
    skid: str = ""
    kind: str = ""
    vessel: str | None = None
    signal: str | None = None
    why: str = ""
    for_s: float | None = None
    at: int | None = None
    part: str = ""


def read_action(verb: str, body: Any) -> Action:
    """The action of a request's body. Raises RefusedError for what is no action."""
    if verb not in ACTIONS:
        raise RefusedError(f"no such action: {verb[:60]}; accepted: {', '.join(ACTIONS)}")
    try:
        action = msgspec.convert(body, Action)
    except msgspec.ValidationError as error:
        raise RefusedError(f"it cannot be read: {error}") from None
    if not action.who.strip() or len(action.who) > LONGEST_NAME:
        raise RefusedError(f"who is missing or too long; accepted: a name of at most {LONGEST_NAME} characters")
    if len(action.why) > LONGEST:
        raise RefusedError(f"why is too long; accepted: at most {LONGEST} characters")
    if verb in (*NEEDS_WHY, NOTE) and not action.why.strip():
        raise RefusedError(f"{verb} needs a reason: say why")
    return action if action.target else msgspec.structs.replace(action, target=_target(action))


def _target(action: Action) -> str:
    if action.kind:
        return alarm_id((action.skid, action.kind, action.vessel, action.signal))
    return f"{action.skid}/{action.vessel}" if action.vessel else action.skid


class Operator:
    """Applies actions to the desk. What people know that outlasts the alarms comes out of `take`, what the engine is to
    know besides goes to `engage`, which answers."""

    def __init__(self, desk: Desk, engage: Callable[[EngineAction], str]) -> None:
        self.desk, self._engage = desk, engage
        self._facts: list[Fact] = []

    def take(self) -> list[Fact]:
        facts, self._facts = self._facts, []
        return facts

    def act(self, request: str, verb: str, body: Any, via: str, time_of: Callable[[str], int]) -> str:
        """Does it and says what was done. request: names it for ever; time_of: event time of a skid [ns]. Raises
        RefusedError, which `refused` writes down."""
        if verb == INSPECTION:
            return self._inspected(request, body, via, time_of)
        action = read_action(verb, body)
        cause = Cause(request, who=action.who.strip(), via=via, why=action.why.strip())
        if verb == NOTE:
            return self._note(action, cause, time_of)
        if verb == CHANGED:
            return self._changed(action, cause, time_of)
        return self._on_alarms(verb, action, cause, time_of)

    def refused(self, request: str, verb: str, body: Any, via: str, reason: str, time: int) -> str:
        """Puts a refusal on record; the answer."""
        who, target = (str(body.get(k, ""))[:LONGEST_NAME] if isinstance(body, dict) else "" for k in ("who", "target"))
        skid = target.partition("/")[0]
        self.desk.note(Entry(f"{request}:refused", time, skid if skid in self.desk.alarms else None, "refused",
                             who=who, via=via, why=f"{verb[:60]} {target}: {reason}"))  # fmt: skip
        return f"refused: {reason}"

    # ---- on alarms

    def _on_alarms(self, verb: str, action: Action, cause: Cause, time_of: Callable[[str], int]) -> str:
        alarms = self._chosen(verb, action.target)
        for alarm in alarms:
            self._one(verb, action, alarm, cause, time_of(alarm.skid))
        return f"{WORDS[verb]}: {', '.join(a.id for a in alarms)}"

    def _one(self, verb: str, action: Action, alarm: Alarm, cause: Cause, time: int) -> None:
        until = self._until(action, alarm, time) if verb == "shelve" else None
        own = cause._replace(id=f"{cause.id}/{alarm.id}")
        self.desk.move(alarm, VERBS[verb], time, own)
        if until is not None:
            self.desk.shelve(alarm, until)
        if verb in ("shelve", "out-of-service"):
            self.desk.release(alarm, time)

    def _until(self, action: Action, alarm: Alarm, time: int) -> int:
        limit = self.desk.handling(alarm.skid, alarm.kind).shelve_limit_s
        if action.for_s is None or not 0 < action.for_s <= limit:
            raise RefusedError(f"a shelf of {alarm.kind} ends after {limit / 3600:g} h at the latest: say for how long")
        return time + round(action.for_s * NS)

    def _chosen(self, verb: str, target: str) -> list[Alarm]:
        skid, _, rest = target.partition("/")
        if skid not in self.desk.alarms:
            raise RefusedError(f"no skid {skid[:60] or '(none named)'}; there are {', '.join(self.desk.skids)}")
        known = self.desk.alarms[skid]
        if not rest:
            owed = [a for a in known.values() if a.owed]
            if verb != "ack":
                raise RefusedError(f"{verb} needs an alarm, as {skid}/dp-limit")
            if not owed:
                raise RefusedError(f"nothing of {skid} waits for an acknowledgement")
            return owed
        exact = [a for a in known.values() if a.id == target]
        kind, _, where = rest.partition("/")
        alike = exact or ([] if where else [a for a in known.values() if a.kind == kind and not a.idle])
        if len(alike) > 1:
            raise RefusedError(f"{target} may be {' or '.join(a.id for a in alike)}: name one")
        return alike or [self._never_seen(skid, kind, where)]

    def _never_seen(self, skid: str, kind: str, where: str) -> Alarm:
        """An alarm that has never come can be shelved or taken out of service all the same."""
        settings = self.desk.skids.get(skid)
        if kind not in CATALOGUE:
            raise RefusedError(f"no kind of alarm {kind[:60]}; there are {', '.join(CATALOGUE)}")
        key: AlarmKey = (skid, kind, None, None)
        place = None if settings is None else settings.index(where)
        if settings is not None and place is not None:
            key = (skid, kind, settings.signals[place].vessel, where)
        elif settings is not None and where in settings.vessels:
            key = (skid, kind, where, None)
        elif where and skid != MONITOR:
            raise RefusedError(f"{skid} has no vessel or signal {where[:60]}")
        return self.desk.alarm(key if skid != MONITOR else (skid, kind, None, where or None))

    # ---- on record

    def _note(self, action: Action, cause: Cause, time_of: Callable[[str], int]) -> str:
        skid, _, where = action.target.partition("/")
        kind = where.partition("/")[0] if where.partition("/")[0] in CATALOGUE else None
        if skid and skid not in self.desk.alarms:
            raise RefusedError(f"no skid {skid[:60]}; there are {', '.join(self.desk.skids)}")
        vessel = action.vessel or (None if kind else where or None)
        self.desk.note(Entry(f"{cause.id}:note", time_of(skid), skid or None, "note", kind, vessel, action.signal,
                             who=cause.who, via=cause.via, why=cause.why))  # fmt: skip
        return "noted"

    def _inspected(self, request: str, body: Any, via: str, time_of: Callable[[str], int]) -> str:
        """What somebody found in a vessel that was changed, by the names of a form."""
        found = {str(k): str(v)[:LONGEST] for k, v in body.items()} if isinstance(body, dict) else {}
        who, skid, vessel = (found.pop(k, "") for k in ("who", "skid", "vessel"))
        if skid not in self.desk.skids or not who.strip() or not 0 < len(found) <= MOST_FOUND:
            raise RefusedError("an inspection names skid, who, and what was found")
        where, now = (vessel if vessel in self.desk.skids[skid].vessels else None), time_of(skid)
        said = "; ".join(f"{k.replace('_', ' ')}: {v}" for k, v in found.items() if k != "event")
        self._facts.append(Fact(skid, f"inspection/{where or '-'}", found | {"who": who}, now))
        self.desk.note(Entry(f"{request}:inspection", now, skid, INSPECTION, vessel=where, who=who[:LONGEST_NAME],
                             via=via, why=said[:LONGEST], event=found.get("event")))  # fmt: skip
        return "on record"

    def _changed(self, action: Action, cause: Cause, time_of: Callable[[str], int]) -> str:
        skid, _, vessel = action.target.partition("/")
        settings = self.desk.skids.get(skid)
        if settings is None or vessel not in settings.vessels:
            there = f"{skid}/{settings.vessels[0]}" if settings else "SKID/VESSEL"
            raise RefusedError(f"no vessel {action.target[:120]}; accepted: a configured one, as {there}")
        now = time_of(skid)
        at = now // NS * NS if action.at is None else action.at
        if not now - OLDEST <= at <= now + 60 * NS:
            raise RefusedError(f"{to_rfc3339(at)} is no time at which it can have been; accepted: up to now")
        part = action.part.strip() or settings.element.part
        fitted = f" with {part}" if part else ""
        self._facts.append(Fact(skid, f"changed/{vessel}", {"part": part, "who": cause.who, "why": cause.why}, at))
        self.desk.note(Entry(f"{cause.id}:changed", now, skid, "changed", vessel=vessel, who=cause.who, via=cause.via,
                             why=f"changed at {to_rfc3339(at)}{fitted}. {cause.why}".rstrip()))  # fmt: skip
        said = self._engage(EngineAction(now, skid, CHANGED, cause.who, cause.why,
                                         {"vessel": vessel, "at": at, "part": part}))  # fmt: skip
        return f"on record: {alarm_id((skid, vessel, None, None))} changed at {to_rfc3339(at)}{fitted}; {said}"
