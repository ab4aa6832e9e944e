"""The daemon's alarms: what the engine said and what people ask, through the desk, into the batch of the commit.

Only events that the store does not have yet move an alarm, so that running readings again after a kill moves none.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any
from urllib.parse import quote

from monitor.alarms.acting import CHANGED, Operator
from monitor.alarms.catalogue import CATALOGUE, MONITOR
from monitor.alarms.desk import Desk, Push
from monitor.alarms.lifecycle import RefusedError
from monitor.alarms.telling import body_of, told
from monitor.daemon.clock import Clock
from monitor.daemon.ports import DaemonStore
from monitor.daemon.renewal import REFUSED, RELOAD
from monitor.engine.event_tier import ACTIONS
from monitor.model import Action, Entry, Event
from monitor.notify.mqtt import alarm_object
from monitor.notify.webhook import channel_name
from monitor.records import event_object
from monitor.settings import Settings
from monitor.store import Batch, Done, Notice

AT_ONCE = 100       # requests of one commit
ENGINES = frozenset(ACTIONS) - {CHANGED}     # asked of the engine alone; of a changeout the journal knows first
MQTT = "mqtt"


def not_here() -> str:
    """Where no daemon runs there is nothing to renew."""
    return f"{REFUSED}no daemon runs here; it reads its configuration when it starts"


def later(action: Action, batch: Batch) -> str:
    """Where no engine runs: an action in the store is taken in by the next one."""
    batch.actions.append(action)
    return "the daemon takes it into account when it starts"


class Keeper:
    """reached: event time that a skid has come to [ns], 0 where it was never heard of. engage: has the engine take an
    action in, puts what came of it into the batch and answers; without one it is done when the daemon starts. renew:
    has the configuration read again and answers."""

    def __init__(self, settings: Settings, store: DaemonStore, clock: Clock, reached: Callable[[str], int],
                 engage: Callable[[Action, Batch], str] = later, renew: Callable[[], str] = not_here) -> None:
        self._settings, self._store, self._clock, self._reached = settings, store, clock, reached
        self.desk = Desk(settings.skids, settings.notify.rules)
        self._operator = Operator(self.desk, self._tell_engine)
        self._engage, self._renew = engage, renew
        self._asking: tuple[int, Batch] = (0, Batch())      # number of what is being done, and where it goes
        self._channels = channels_by_id(settings)

    def restore(self) -> None:
        """Take up the alarms where the last commit left them."""
        self.desk.restore(self._store.alarm_states())

    def own_faults(self) -> tuple[list[tuple[str, str]], int]:
        """Detail and subject of the monitor's own faults that stand, and the time of the last word on any."""
        known = self.desk.alarms[MONITOR].values()
        return ([(detail, a.signal or "") for a in known for detail in a.causes],
                max((a.newest for a in known), default=0))  # fmt: skip

    def counts(self) -> dict[str, int]:
        """How many alarms show each state but normal."""
        shown = Counter(str(a.shown) for alarms in self.desk.alarms.values() for a in alarms.values() if not a.idle)
        return dict(sorted(shown.items()))

    def standing(self) -> list[dict[str, Any]]:
        """Everything that is not normal, as objects for its retained topic, oldest first; alarms of a skid that is no
        longer configured as normal, so that none stands for ever."""
        gone = {"state": "normal", "active": False}
        found = [(key, body if key[0] in self.desk.alarms else body | gone)
                 for key, body in self._store.alarm_states().items() if body["state"] != "normal" and "active" in body]
        found.sort(key=lambda item: int(item[1]["since"]))
        return [alarm_object(key, body, self._object(body.get("event"))) for key, body in found]

    def _object(self, name: str | None) -> dict[str, Any] | None:
        event = None if name is None else self._store.event(name)
        return None if event is None else event_object(event)

    def time_of(self, skid: str) -> int:
        """Event time of a skid; of what was never heard of, and of the monitor, the clock's."""
        reached = 0 if skid in ("", MONITOR) else self._reached(skid)
        return reached or self._clock()

    def fill(self, batch: Batch, own: Iterable[Event] = (), ask: Callable[[], None] = lambda: None) -> None:
        """Puts into the batch what becomes of its events, of time, and of what is asked. own: events of the monitor
        itself, which join the batch's. ask: has commands done that came with it."""
        batch.events.extend(own)
        fresh: dict[str, Event] = {}
        self._events(batch.events, fresh)
        for skid in self.desk.waiting():
            self.desk.advance(skid, self.time_of(skid))
        known = len(batch.events)
        self._requests(batch)
        ask()
        self._events(batch.events[known:], fresh)
        self._drain(batch, fresh)

    def _events(self, events: Iterable[Event], fresh: dict[str, Event]) -> None:
        for event in events:
            if event.id not in fresh and self._store.event(event.id) is None:
                fresh[event.id] = event
                self.desk.event(event)

    # ---- what is asked

    def _requests(self, batch: Batch) -> None:
        for request in self._store.requests(open_only=True, limit=AT_ONCE):
            if request.action in ENGINES:
                continue        # `daemon/acting.py` does it
            given = request.body if isinstance(request.body, dict) else {}
            if request.action == RELOAD:
                why = str(given.get("why", ""))
                answer = self.renewed(f"request {request.id} {request.time}", str(given.get("who", "")), why,
                                      str(given.get("via", "page")))  # fmt: skip
                batch.answers.append((request.id, answer))
                continue
            body = {k: v for k, v in given.items() if k != "via"}
            if request.skid is not None and "target" not in body:
                body = body | {"skid": request.skid}
            self._asking = request.id, batch
            answer = self._asked(f"request {request.id} {request.time}", request.action, body,
                                 str(given.get("via", "page")))  # fmt: skip
            batch.answers.append((request.id, answer))

    def renewed(self, name: str, who: str, why: str, via: str) -> str:
        """Has the configuration read again, on record; the answer."""
        answer = self._renew()
        step = "refused" if answer.startswith(REFUSED) else RELOAD
        self.desk.note(Entry(f"{name}:{step}", self._clock(), None, step, who=who, via=via,
                             why=f"{why} {RELOAD}: {answer}".strip()))  # fmt: skip
        return answer

    def command(self, batch: Batch, name: str, verb: str, body: dict[str, Any], via: str) -> str:
        """A command that came with a name of its own: done once, however often it is delivered. The answer."""
        known = self._store.request(origin=name)
        if known is not None and known.answer is not None:
            return known.answer
        again = next((d.answer for d in batch.done if d.origin == name), None)
        if again is not None:
            return again
        if verb == CHANGED:
            return self._numbered(batch, name, body, via)
        answer = self._asked(f"command {name}", verb, body, via)
        skid = str(body.get("target", "")).partition("/")[0]
        batch.done.append(Done(name, self._clock(), skid if skid in self.desk.alarms else None, verb, body, answer))
        return answer

    def _numbered(self, batch: Batch, name: str, body: dict[str, Any], via: str) -> str:
        """What the engine is to know needs a number of its own before it is done, which the table of requests gives."""
        known = self._store.request(origin=name)
        number = self._store.ask(name, CHANGED, body | {"via": via}) if known is None else known.id
        done = next((text for other, text in batch.answers if other == number), None)
        if done is not None:
            return done
        self._asking = number, batch
        answer = self._asked(f"command {name}", CHANGED, body, via)
        batch.answers.append((number, answer))
        return answer

    def _tell_engine(self, action: Action) -> str:
        number, batch = self._asking
        if self._reached(action.skid) <= 0:
            return "nothing has been heard of this skid yet"
        return self._engage(replace(action, number=number), batch)

    def _asked(self, name: str, verb: str, body: Any, via: str) -> str:
        try:
            return self._operator.act(name, verb, body, via, self.time_of)
        except RefusedError as error:
            return self._operator.refused(name, verb, body, via, str(error), self._clock())

    # ---- into the batch

    def _drain(self, batch: Batch, fresh: dict[str, Event]) -> None:
        for action in (a for a in batch.actions if a.verb in ENGINES):
            self.desk.note(Entry(f"action {action.number}:{action.verb}", action.time, action.skid, action.verb,
                                 who=action.by, via="command line", why=action.reason))  # fmt: skip
        changes = self.desk.take()
        batch.facts.extend(self._operator.take())
        batch.journal.extend(changes.entries)
        batch.alarm_states.update(changes.states)
        now = self._clock()
        for entry in changes.entries:
            shot = changes.shots.get(entry.id)
            if shot is not None and self._settings.broker is not None:
                event = self._event(entry.event, fresh)
                batch.told.append(Notice(MQTT, entry.id, shot_object(entry, shot, event), now))
        for push in changes.pushes:
            batch.told.extend(self._push(push, fresh, now))

    def _event(self, name: str | None, fresh: dict[str, Event]) -> Event | None:
        return None if name is None else fresh.get(name) or self._store.event(name)

    def _push(self, push: Push, fresh: dict[str, Event], now: int) -> Iterable[Notice]:
        event = self._event(push.event, fresh)
        skid, kind = push.key[:2]
        handling = self.desk.handling(skid, kind) if kind in CATALOGUE else None
        link = self._link(skid)
        words = told(push, event, self.desk.skids.get(skid), handling, link)
        body = body_of(push, event, words, link, None if event is None else event_object(event),
                       handling.priority if handling else None)  # fmt: skip
        for name in push.channels:
            # Two rules that name one channel tell it once.
            yield Notice(self._channels[name], f"{push.reason}/{push.entry}", body, now)

    def _link(self, skid: str) -> str:
        base = self._settings.web.url
        return f"{base}/skid/{quote(skid, safe='')}" if skid != MONITOR else f"{base}/"


def shot_object(entry: Entry, shot: dict[str, Any], event: Event | None) -> dict[str, Any]:
    """An alarm's state after a step, for its retained topic."""
    key = (entry.skid or "", entry.kind or "", entry.vessel, entry.signal)
    return alarm_object(key, shot, None if event is None else event_object(event), step=entry.step)


def channels_by_id(settings: Settings) -> dict[str, str]:
    """What rules call a channel -> its name in the outbox."""
    hooks = {w.id: channel_name(w.url) for w in settings.notify.webhooks if w.id}
    return hooks | {s.id: service_channel(s.id) for s in settings.notify.services}


def service_channel(name: str) -> str:
    return f"service {name}"
