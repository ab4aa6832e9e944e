"""Alarms, events and the monitor's own state as MQTT messages.

    PREFIX/SKID/alarm/KIND            retained: the alarm's state, with the event that made it so
    PREFIX/SKID/alarm/KIND/WHERE      the same, where the event names a vessel or a signal
    PREFIX/SKID/event                 not retained: each event, as in events.jsonl
    PREFIX/state                      retained: whether the monitor is there

SKID and WHERE go through `topic_level`. Building messages is pure; `MqttNotifier` only remembers which
alarms are active and hands messages to a `publish` function. Who subscribes late sees what is active now.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, Generic, NamedTuple, Protocol, TypeVar

from monitor.model import NS, Transition

EventObject = Mapping[str, Any]     # one line of events.jsonl


class MonitorState(StrEnum):
    ONLINE = "online"
    OFFLINE = "offline"     # stopped on purpose
    GONE = "gone"           # said by the broker (will): the monitor died or cannot be reached


class Publication(NamedTuple):
    topic: str
    payload: bytes
    retain: bool


T = TypeVar("T", covariant=True)


class Publish(Protocol[T]):
    """What `MqttNotifier` needs of a connection; returns a handle of the connection's own."""

    def __call__(self, topic: str, payload: bytes, qos: int = 1, retain: bool = False) -> T: ...


def topic_level(text: str) -> str:
    """The text as one level of a topic: no two texts give the same level.

    Escaped as percent and two hexadecimal digits for each byte of UTF-8 (the way of RFC 3986, 2.1):
    `/ + #` and NUL, which mean something in a topic or may not stand there (MQTT 5.0, 4.7); `%` itself,
    which keeps the mapping one to one; control characters, non-characters and lone surrogates, for
    which a broker may close the connection (MQTT 5.0, 1.5.4). Everything else stays readable.
    """
    return "".join(_escaped(c) if _unsafe(c) else c for c in text)


def _unsafe(c: str) -> bool:
    point = ord(c)
    return (c in "/+#%" or point < 0x20 or 0x7F <= point <= 0x9F or 0xD800 <= point <= 0xDFFF
            or 0xFDD0 <= point <= 0xFDEF or point & 0xFFFE == 0xFFFE)


def _escaped(c: str) -> str:
    return "".join(f"%{byte:02X}" for byte in c.encode("utf-8", "surrogatepass"))


def alarm_topic(prefix: str, event: EventObject) -> str:
    """Where the state of the event's alarm is retained."""
    where = event.get("signal") or event.get("vessel")
    levels = [topic_level(event["skid"]), "alarm", topic_level(event["kind"])]
    return "/".join([prefix, *levels, *([topic_level(where)] if where else [])])


def event_message(prefix: str, event: EventObject) -> Publication:
    """The event for those who listen now."""
    return Publication(f"{prefix}/{topic_level(event['skid'])}/event", _json(event), retain=False)


def alarm_message(prefix: str, event: EventObject, *, active: bool, since: str) -> Publication:
    """The alarm's state, retained. since: RFC 3339; of `active` the raise, of `normal` the clearance."""
    state = {"state": "active" if active else "normal", "since": since}
    return Publication(alarm_topic(prefix, event), _json(state | dict(event)), retain=True)


def state_message(prefix: str, state: MonitorState, time: int) -> Publication:
    """The monitor's own state, retained. time: ns since 1970 UTC."""
    return Publication(f"{prefix}/state", _json({"state": state.value, "time": rfc3339(time)}), retain=True)


def will(prefix: str, time: int) -> tuple[str, bytes]:
    """Topic and payload that the broker publishes, retained, when the monitor vanishes. The time in it is
    that of the connection: nobody can write down beforehand when it will break."""
    topic, payload, _ = state_message(prefix, MonitorState.GONE, time)
    return topic, payload


def rfc3339(time: int) -> str:
    """UTC with milliseconds, cut off, not rounded. time: ns since 1970 UTC."""
    seconds, rest = divmod(time, NS)
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%S}.{rest // 1_000_000:03d}Z"


def _json(value: Mapping[str, Any]) -> bytes:
    # Lone surrogates cannot be UTF-8; ASCII escapes keep any text sendable.
    return json.dumps(value, separators=(",", ":"), allow_nan=False).encode()


class _Active(NamedTuple):
    since: str
    event: EventObject


class AlarmBoard:
    """Which alarms are active, topic by topic. One topic may hold several causes (a transmitter both
    frozen and out of range), told apart by `detail`: it is normal only when all have cleared."""

    def __init__(self, prefix: str) -> None:
        self._prefix = prefix
        self._active: dict[str, dict[str | None, _Active]] = {}

    def apply(self, event: EventObject) -> Publication | None:
        """The new retained state, or None where the event changes none (a `noted` without an alarm)."""
        topic = alarm_topic(self._prefix, event)
        causes = self._active.get(topic, {})
        transition = Transition(event["transition"])
        if transition is Transition.CLEARED:
            return self._clear(topic, causes, event)
        if transition is Transition.RAISED:
            known = causes.pop(event.get("detail"), None)       # put last: the newest is shown
            causes[event.get("detail")] = _Active(known.since if known else event["time"], event)
            self._active[topic] = causes
        elif event.get("detail") in causes:                     # a suspicion that grew
            causes[event.get("detail")] = _Active(causes[event.get("detail")].since, event)
        else:
            return None
        return self._show(causes)

    def _clear(self, topic: str, causes: dict[str | None, _Active], event: EventObject) -> Publication:
        detail = event.get("detail")
        if detail is None:
            causes.clear()
        causes.pop(detail, None)
        causes.pop(None, None)      # a raise that did not say its cause
        if causes:
            return self._show(causes)
        self._active.pop(topic, None)
        return alarm_message(self._prefix, event, active=False, since=event["time"])

    def _show(self, causes: dict[str | None, _Active]) -> Publication:
        newest = next(reversed(causes.values()))
        return alarm_message(self._prefix, newest.event, active=True, since=newest.since)


class MqttNotifier(Generic[T]):
    """Sends events and states through one connection's `publish`.

    now: the clock, ns since 1970 UTC. `connected` belongs into every (re)connection, since the will may
    have said `gone` meanwhile; `restore` into the start, with what the store knows to be active.
    """

    def __init__(self, publish: Publish[T], prefix: str, *, now: Callable[[], int]) -> None:
        self._publish, self._prefix, self._now = publish, prefix, now
        self._board = AlarmBoard(prefix)

    def send(self, event: EventObject) -> list[T]:
        """The event, and the state of its alarm where that changed: the state first, so that who reacts
        to the event finds it. Returns the connection's handles."""
        state = self._board.apply(event)
        return [self._put(p) for p in (state, event_message(self._prefix, event)) if p is not None]

    def restore(self, raised: Iterable[EventObject]) -> list[T]:
        """States of alarms that are active since before this start: their last `raised` events, oldest first."""
        states = [self._board.apply(event) for event in raised]
        return [self._put(p) for p in states if p is not None]

    def connected(self) -> T:
        return self._put(state_message(self._prefix, MonitorState.ONLINE, self._now()))

    def closing(self) -> T:
        return self._put(state_message(self._prefix, MonitorState.OFFLINE, self._now()))

    def _put(self, publication: Publication) -> T:
        return self._publish(publication.topic, publication.payload, 1, publication.retain)
