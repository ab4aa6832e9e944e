"""Alarms, events and the monitor's own state as MQTT messages.

    PREFIX/SKID/alarm/KIND            retained: the alarm's state, with the event that made it so
    PREFIX/SKID/alarm/KIND/WHERE      the same, where the event names a vessel or a signal
    PREFIX/SKID/event                 not retained: each event, as in events.jsonl
    PREFIX/command/answer             not retained: what came of a command
    PREFIX/heartbeat                  not retained: that the monitor is at work
    PREFIX/state                      retained: whether the monitor is there

SKID and WHERE go through `topic_level`; alerts are under `alert` in place of `alarm`. Building messages is pure;
`MqttNotifier` hands them to a `publish` function. Who subscribes late sees what stands now.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, Generic, NamedTuple, Protocol, TypeVar

from monitor.alarms.plant_words import letters, status
from monitor.model import NS

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
    sort = event.get("sort") or "alarm"
    levels = [topic_level(event["skid"]), sort, topic_level(event["kind"])]
    return "/".join([prefix, *levels, *([topic_level(where)] if where else [])])


def event_message(prefix: str, event: EventObject) -> Publication:
    """The event for those who listen now."""
    return Publication(f"{prefix}/{topic_level(event['skid'])}/event", _json(event), retain=False)


def alarm_object(key: tuple[str, str, str | None, str | None], body: Mapping[str, Any], event: EventObject | None,
                 *, step: str | None = None) -> dict[str, Any]:  # fmt: skip
    """An alarm's state for its topic: what it shows and since when, whether its condition stands, who acted last, and
    the event that it goes by. body: as the store keeps it; step: what has just moved it."""
    skid, kind, vessel, signal = key
    place = {"skid": skid, "kind": kind, "vessel": vessel, "signal": signal}
    state: dict[str, Any] = {"state": body["state"], "since": rfc3339(body["since"])}
    state |= {"active": body["active"], "alarm": body.get("id"), "sort": body.get("sort", "alarm"),
              "priority": body.get("priority"), "step": step}
    for name, key_of_body in (("shelved_until", "until"), ("acknowledged", "acknowledged")):
        if body.get(key_of_body) is not None:
            state[name] = rfc3339(body[key_of_body])
    state |= {name: body[source] for name, source in (("follows", "cause"), ("who", "who"), ("why", "why"))
              if body.get(source)}
    plant = {"isa_5_1": letters(kind), "ne_107": status(kind)}      # an alarm may be shelved that never came
    return state | place | plant | dict(event or {})


def alarm_message(prefix: str, alarm: EventObject) -> Publication:
    """The alarm's state, retained."""
    return Publication(alarm_topic(prefix, alarm), _json(alarm), retain=True)


def answer_message(prefix: str, answer: EventObject) -> Publication:
    """What came of a command, for who sent it."""
    return Publication(f"{prefix}/command/answer", _json(answer), retain=False)


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


class MqttNotifier(Generic[T]):
    """Sends events and states through one connection's `publish`.

    now: the clock, ns since 1970 UTC. `connected` belongs into every (re)connection, since the will may
    have said `gone` meanwhile; `restore` into the start, with the alarms that are not normal.
    """

    def __init__(self, publish: Publish[T], prefix: str, *, now: Callable[[], int]) -> None:
        self._publish, self._prefix, self._now = publish, prefix, now

    def send(self, body: EventObject) -> list[T]:
        """What is queued for our topics: an alarm's state, an answer to a command, or an event. Returns the
        connection's handles."""
        if "state" in body:
            return [self._put(alarm_message(self._prefix, body))]
        if "answer" in body:
            return [self._put(answer_message(self._prefix, body))]
        return [self._put(event_message(self._prefix, body))]

    def restore(self, alarms: Iterable[EventObject]) -> list[T]:
        """States of alarms from before this start, as `alarm_object` makes them: a broker may have lost them."""
        return [self._put(alarm_message(self._prefix, alarm)) for alarm in alarms]

    def beat(self, told: Mapping[str, Any]) -> T:
        """That we are at work, and how it goes."""
        return self._put(Publication(f"{self._prefix}/heartbeat", _json(told), retain=False))

    def connected(self) -> T:
        return self._put(state_message(self._prefix, MonitorState.ONLINE, self._now()))

    def closing(self) -> T:
        return self._put(state_message(self._prefix, MonitorState.OFFLINE, self._now()))

    def _put(self, publication: Publication) -> T:
        return self._publish(publication.topic, publication.payload, 1, publication.retain)
