"""All alarms of a configuration: events and time in, states, journal and pushes out.

A layer over the engine's events. Pure: what it decides depends on the events, the actions and their times only, not on
how they were cut into batches, so that a restart from what was stored goes on as if there had been none.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from monitor.alarms.attendance import NEVER, concerns, moment, names
from monitor.alarms.catalogue import CATALOGUE, MONITOR, sort_of
from monitor.alarms.handling import handlings
from monitor.alarms.lifecycle import OWED, State, Stimulus, moved
from monitor.alarms.standing import PLAIN, Alarm, AlarmKey, alarm_id, key_of, restored, stored
from monitor.alarms.suppression import TOGETHER, cause_of, still_follows
from monitor.model import NS, Entry, Event, Transition
from monitor.settings import RuleSettings
from monitor.skid import Handling, SkidSettings


class Push(NamedTuple):
    """Something to tell by a rule. reason: raised, unacknowledged, returned or told (what is no alarm)."""

    rule: str
    channels: tuple[str, ...]
    reason: str
    time: int
    key: AlarmKey
    event: str | None
    since: int
    entry: str


@dataclass(slots=True)
class Changes:
    """What came of what was put in since the last `take`. shots: by a line of the journal, the alarm after it."""

    entries: list[Entry] = field(default_factory=list)
    states: dict[AlarmKey, dict[str, Any]] = field(default_factory=dict)
    pushes: list[Push] = field(default_factory=list)
    shots: dict[str, dict[str, Any]] = field(default_factory=dict)


class Cause(NamedTuple):
    """What moves an alarm: `id` names it for ever; who, via, why of an operator's action."""

    id: str
    event: Event | None = None
    who: str = ""
    via: str = ""
    why: str = ""


class Desk:
    """The alarms of `skids` and of the monitor itself, told on by `rules`."""

    def __init__(self, skids: Sequence[SkidSettings], rules: Sequence[RuleSettings] = ()) -> None:
        self.skids: Mapping[str, SkidSettings] = {s.id: s for s in skids}
        self.rules = tuple(rules)
        self.alarms: dict[str, dict[AlarmKey, Alarm]] = {name: {} for name in (*self.skids, MONITOR)}
        self._handling = {s.id: handlings(s) for s in skids} | {MONITOR: handlings(None)}
        self._wake: dict[str, int] = {}     # when time brings something to a skid; absent: never
        self._changes = Changes()

    def restore(self, states: Mapping[AlarmKey, dict[str, Any]]) -> None:
        """Take up what the store has. Alarms of skids that are no longer configured stay as they are there."""
        for key, body in states.items():
            alarm = restored(key, body)
            if alarm is not None and key[0] in self.alarms and key[1] in CATALOGUE:
                self.alarms[key[0]][key] = alarm
                self._wake[key[0]] = 0

    def take(self) -> Changes:
        """What has changed since the last time."""
        changes, self._changes = self._changes, Changes()
        return changes

    def handling(self, skid: str, kind: str) -> Handling:
        return self._handling[skid][kind]

    # ---- events

    def event(self, event: Event) -> None:
        """One event of a configured skid or of the monitor, in event time."""
        self.advance(event.skid, event.time)
        if sort_of(event.kind) != "alarm":
            self._tell_other(event)
        elif event.transition is Transition.RAISED:
            self._raised(event)
        elif event.transition is Transition.CLEARED:
            self._cleared(event)
        elif CATALOGUE[event.kind].moment:
            self._raised(event)
            self._cleared(event)
        else:
            self._noted(event)

    def _raised(self, event: Event) -> None:
        alarm = self.alarm(key_of(event))
        name = event.detail or PLAIN
        if event.time < alarm.newest or name in alarm.causes:
            return      # computed again from readings that were judged before
        first = not alarm.causes
        if first and alarm.position == (State.NORMAL, None):
            self._suppress(alarm, event)
        self._follow(alarm, event)
        alarm.causes = alarm.causes | {name: event.id}
        if first:
            alarm.raised, alarm.onset = event.time, event.onset
        self.move(alarm, Stimulus.RAISED if first else Stimulus.GROWN, event.time, Cause(event.id, event))

    def _suppress(self, alarm: Alarm, event: Event) -> None:
        cause = cause_of(event, self._standing(event.skid), self.skids.get(event.skid))
        if cause is not None:
            alarm.cause = cause.id
            self.move(alarm, Stimulus.SUPPRESSED, event.time, Cause(event.id, event, why=f"follows from {cause.id}"))

    def _cleared(self, event: Event) -> None:
        alarm = self._meant(event)
        if alarm is None or event.time < alarm.newest:
            return
        left = {} if event.detail is None else {
            k: v for k, v in alarm.causes.items() if k not in (event.detail, PLAIN)}  # fmt: skip
        if left == alarm.causes:
            return
        self._follow(alarm, event)
        alarm.causes = left
        if left:
            alarm.detail, alarm.event = list(left.items())[-1]
            self._touch(alarm)
            return
        self.move(alarm, Stimulus.CLEARED, event.time, Cause(event.id, event))
        self.release(alarm, event.time)

    def _noted(self, event: Event) -> None:
        """What is said of an alarm that stands; a suspicion that became likely is announced again."""
        alarm = self._meant(event)
        if alarm is None or not alarm.causes or event.time < alarm.newest:
            return
        grown = event.grade == "likely" and alarm.grade == "suspected"
        self._follow(alarm, event)
        if not grown:
            self._touch(alarm)
            return
        alarm.told = []
        if alarm.hidden is State.SUPPRESSED:
            self.move(alarm, Stimulus.RELEASED, event.time, Cause(event.id, event, why="no longer a mere suspicion"))
        self.move(alarm, Stimulus.GROWN, event.time, Cause(event.id, event))

    def _follow(self, alarm: Alarm, event: Event) -> None:
        alarm.newest, alarm.event = event.time, event.id
        alarm.detail, alarm.grade = event.detail, event.grade

    def _meant(self, event: Event) -> Alarm | None:
        """The alarm that an event continues: its own, or the only one of its kind and detail that stands on the skid:
        which vessel it is may have become known meanwhile."""
        own = self.alarms[event.skid].get(key_of(event))
        if own is not None and own.causes:
            return own
        name = event.detail or PLAIN
        others = [a for a in self.alarms[event.skid].values()
                  if a.kind == event.kind and name in a.causes and a.signal == event.signal
                  and (event.vessel is None or a.vessel is None)]  # fmt: skip
        return others[0] if len(others) == 1 else own

    def _tell_other(self, event: Event) -> None:
        """An alert has a state that nobody acknowledges; an event has none. Rules that name the kind tell of it."""
        key = key_of(event)
        if event.transition is not Transition.NOTED:
            active = event.transition is Transition.RAISED
            before, after = ("normal", "active") if active else ("active", "normal")
            self._changes.states[key] = {
                "state": after, "since": event.time, "event": event.id, "sort": "alert", "active": active,
                "id": alarm_id(key)}  # fmt: skip
            entry = Entry(f"{event.id}:{event.transition}", event.time, event.skid, str(event.transition), event.kind,
                          event.vessel, event.signal, before, after, event=event.id)  # fmt: skip
            self._changes.entries.append(entry)
            self._changes.shots[entry.id] = self._changes.states[key]
        for rule in self.rules:
            if names(rule, event.kind, event.skid) and event.transition is not Transition.CLEARED:
                self._changes.pushes.append(
                    Push(rule.id, rule.channels, "told", event.time, key, event.id, event.time, event.id))

    # ---- time

    def advance(self, skid: str, time: int) -> None:
        """Event time of a skid has come to `time` [ns]: shelves end, alarms are announced again, rules escalate."""
        while self._wake.get(skid, NEVER) <= time:
            step = self._next(skid)
            if step is None:
                del self._wake[skid]
                return
            self._wake[skid] = step.time
            if step.time > time:
                return
            self._take(step)

    def waiting(self) -> list[str]:
        """Skids to which time may bring something."""
        return list(self._wake)

    def _next(self, skid: str) -> _Step | None:
        steps = [step for alarm in self.alarms[skid].values() if not alarm.idle for step in self._steps(alarm)]
        return min(steps, default=None, key=lambda s: (s.time, s.alarm.id, s.rule.id if s.rule else ""))

    def _steps(self, alarm: Alarm) -> Iterable[_Step]:
        if alarm.hidden is State.SHELVED and alarm.until is not None:
            yield _Step(alarm.until, alarm, Stimulus.EXPIRED, None)
        if alarm.hidden is State.SUPPRESSED and alarm.release_at is not None:
            yield _Step(alarm.release_at, alarm, Stimulus.RELEASED, None)
        if alarm.hidden is None and alarm.realarm_at is not None:
            yield _Step(alarm.realarm_at, alarm, Stimulus.REALARMED, None)
        if alarm.owed and alarm.announced is not None:
            for rule in self._rules(alarm):
                yield _Step(moment(rule, alarm.announced), alarm, None, rule)

    def _rules(self, alarm: Alarm) -> Iterable[RuleSettings]:
        """Those that have yet to tell of what is announced."""
        priority = self.handling(alarm.skid, alarm.kind).priority
        return (r for r in self.rules if r.id not in alarm.told and concerns(r, alarm.kind, priority, alarm.skid))

    def _take(self, step: _Step) -> None:
        alarm = step.alarm
        if step.stimulus is Stimulus.RELEASED:
            self._come_out(alarm, step.time)
        elif step.stimulus is not None:
            self.move(alarm, step.stimulus, step.time, Cause(f"{alarm.id}/{step.stimulus}/{step.time}"))
        elif step.rule is not None:
            self._tell(alarm, step.rule, "unacknowledged", step.time, f"{alarm.id}/unacknowledged/{alarm.announced}")
            self._touch(alarm)

    # ---- moving one alarm

    def alarm(self, key: AlarmKey) -> Alarm:
        """The alarm of a key, made where it never was."""
        return self.alarms[key[0]].setdefault(key, Alarm(*key))

    def move(self, alarm: Alarm, stimulus: Stimulus, time: int, cause: Cause) -> None:
        """Apply a stimulus, with everything that hangs on it. RefusedError for an action that is not possible."""
        handling = self.handling(alarm.skid, alarm.kind)
        before = alarm.position
        after = moved(before, stimulus, latching=handling.latching)
        alarm.memory, alarm.hidden = after
        if after.shown is not before.shown:
            alarm.since = time
        if before.hidden is not None and alarm.hidden is None:
            alarm.announced = None      # what comes into view again is announced again
        if cause.who:
            alarm.who, alarm.why = cause.who, cause.why
        self._times(alarm, before.memory, time, handling)
        entry = self._entry(alarm, stimulus, time, cause, str(before.shown), handling)
        self._changes.entries.append(entry)
        if stimulus is Stimulus.CLEARED and before.hidden is None:
            self._tell_returned(alarm, time, entry.id)
        elif alarm.owed and alarm.announced is not None:
            for rule in list(self._rules(alarm)):
                if moment(rule, alarm.announced) <= time:
                    self._tell(alarm, rule, "raised", time, entry.id)
        self._touch(alarm)
        self._changes.shots[entry.id] = self._changes.states[alarm.key]

    def _times(self, alarm: Alarm, before: State, time: int, handling: Handling) -> None:
        if alarm.hidden is not State.SHELVED:
            alarm.until = None
        if alarm.hidden is not State.SUPPRESSED:
            alarm.cause, alarm.release_at = None, None
        if alarm.memory is State.ACKNOWLEDGED:
            if before is not State.ACKNOWLEDGED:
                alarm.acknowledged = time
                alarm.realarm_at = time + round(handling.realarm_s * NS) if handling.realarm_s else None
        else:
            alarm.realarm_at = None
        if alarm.memory not in OWED:
            alarm.announced = None
        elif alarm.hidden is None and alarm.announced is None:
            alarm.announced, alarm.acknowledged, alarm.told = time, None, []
        if not alarm.causes:
            alarm.raised = None

    def _entry(self, alarm: Alarm, stimulus: Stimulus, time: int, cause: Cause, before: str,
               handling: Handling) -> Entry:  # fmt: skip
        event = alarm.event if cause.event is None else cause.event.id
        return Entry(f"{cause.id}:{stimulus}", time, alarm.skid, str(stimulus), alarm.kind, alarm.vessel, alarm.signal,
                     before, str(alarm.shown), cause.who, cause.via, cause.why, event, handling.priority)  # fmt: skip

    def shelve(self, alarm: Alarm, until: int) -> None:
        """How long an alarm that was shelved stays so [ns]."""
        alarm.until = until
        self._touch(alarm)
        last = self._changes.entries[-1]
        if (last.skid, last.kind, last.vessel, last.signal) == alarm.key:
            self._changes.shots[last.id] = self._changes.states[alarm.key]

    def note(self, entry: Entry) -> None:
        """A line of the journal that moves no alarm."""
        self._changes.entries.append(entry)

    def _touch(self, alarm: Alarm) -> None:
        priority = self.handling(alarm.skid, alarm.kind).priority
        self._changes.states[alarm.key] = stored(alarm, priority)
        self._wake[alarm.skid] = 0

    def _tell(self, alarm: Alarm, rule: RuleSettings, reason: str, time: int, entry: str) -> None:
        since = alarm.announced if alarm.announced is not None else time
        alarm.told = [*alarm.told, rule.id]
        self._changes.pushes.append(
            Push(rule.id, rule.channels, reason, time, alarm.key, alarm.event, since, entry))

    def _tell_returned(self, alarm: Alarm, time: int, entry: str) -> None:
        for rule in self.rules:
            if rule.returned and rule.id in alarm.told:
                self._changes.pushes.append(
                    Push(rule.id, rule.channels, "returned", time, alarm.key, alarm.event, time, entry))

    # ---- what follows from what

    def _standing(self, skid: str) -> list[Alarm]:
        return [*self.alarms[skid].values(), *(self.alarms[MONITOR].values() if skid != MONITOR else ())]

    def release(self, cause: Alarm, time: int) -> None:
        """An alarm is over or out of view: what was suppressed as its consequence comes out a little later, where it
        is not over by then as well."""
        where = list(self.alarms) if cause.skid == MONITOR else [cause.skid]
        for alarm in [a for name in where for a in self.alarms[name].values()]:
            if alarm.hidden is State.SUPPRESSED and alarm.cause == cause.id and not still_follows(alarm, cause):
                alarm.release_at = time + TOGETHER
                self._touch(alarm)

    def _come_out(self, alarm: Alarm, time: int) -> None:
        """The cause of an alarm is over: it finds another cause, or comes into view."""
        over, alarm.release_at = alarm.cause, None
        other = self._other_cause(alarm)
        if other is not None:
            alarm.cause = other.id
            self._touch(alarm)
            return
        self.move(alarm, Stimulus.RELEASED, time, Cause(f"{alarm.id}/released/{time}", why=f"{over} is over"))

    def _other_cause(self, alarm: Alarm) -> Alarm | None:
        if not alarm.active:
            return None
        again = Event(alarm.newest, alarm.skid, alarm.kind, Transition.RAISED, "", alarm.vessel, alarm.signal,
                      alarm.detail, alarm.grade, onset=alarm.onset)  # fmt: skip
        standing = [a for a in self._standing(alarm.skid) if a is not alarm]
        return cause_of(again, standing, self.skids.get(alarm.skid))


class _Step(NamedTuple):
    """Something that time brings: a stimulus, or a rule that tells."""

    time: int
    alarm: Alarm
    stimulus: Stimulus | None
    rule: RuleSettings | None
