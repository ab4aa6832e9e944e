"""Topics and states as the notifier writes them. Pure; clauses are MQTT 5.0 (OASIS, 2019)."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from monitor.notify.mqtt import (
    MonitorState,
    MqttNotifier,
    alarm_message,
    alarm_object,
    alarm_topic,
    event_message,
    rfc3339,
    state_message,
    topic_level,
)

any_text = st.text(st.characters(), max_size=30)    # lone surrogates and control characters included


def event(transition: str, time: str = "2026-03-01T12:00:00.000Z", **changes: Any) -> dict[str, Any]:
    return {"time": time, "skid": "intake-1", "vessel": None, "signal": None, "kind": "element-breach",
            "transition": transition, "detail": None, "grade": None, "value": 0.2, "unit": "1"} | changes


@given(any_text, any_text)
@example("a/b", "a%2Fb")
@example("%", "%25")
@example("", "%00")
def test_two_texts_never_share_a_topic_level(a: str, b: str) -> None:
    assert (topic_level(a) == topic_level(b)) == (a == b)


@given(any_text)
def test_a_topic_level_is_one_plain_level_that_any_broker_accepts(text: str) -> None:
    level = topic_level(text)
    encoded = level.encode()                                        # [MQTT-1.5.4-1] no surrogates
    assert b"\0" not in encoded                                     # [MQTT-1.5.4-2]
    assert not set("/+#") & set(level)                              # [MQTT-4.7.1-1], 4.7.1.1
    assert not any(ord(c) < 0x20 or 0x7F <= ord(c) <= 0x9F for c in level)
    assert topic_matches_sub("p/+/alarm", f"p/{level}/alarm")       # the library agrees that it is one level


@pytest.mark.parametrize("text", ["intake-1", "Flusswasser Süd", "ponds 3 & 4", "水"])
def test_ordinary_names_stay_readable(text: str) -> None:
    assert topic_level(text) == text


def test_escapes_are_those_of_percent_encoding() -> None:
    # RFC 3986, 2.1: "%20" is the octet 0x20; upper-case digits. Octets of U+0085 in UTF-8: C2 85 (RFC 3629, 3).
    assert topic_level("a/b+c#d%e\0\u0085") == "a%2Fb%2Bc%23d%25e%00%C2%85"


def test_the_alarm_topic_names_the_signal_or_else_the_vessel() -> None:
    assert alarm_topic("p", event("raised")) == "p/intake-1/alarm/element-breach"
    assert alarm_topic("p", event("raised", vessel="B")) == "p/intake-1/alarm/element-breach/B"
    fault = event("raised", kind="signal-fault", vessel="B", signal="P/2")
    assert alarm_topic("p", fault) == "p/intake-1/alarm/signal-fault/P%2F2"


def test_an_event_is_sent_as_it_is_and_not_retained() -> None:
    sent = event("noted", kind="changeout-done", detail="good")
    publication = event_message("p", sent)
    assert publication.topic == "p/intake-1/event"
    assert not publication.retain
    assert json.loads(publication.payload) == sent


def standing(state: str, since: int = 0, **more: Any) -> dict[str, Any]:
    body = {"state": state, "since": since, "active": state != "normal", "priority": "high", "id": "a"} | more
    place = {name: more.pop(name, None) for name in ("vessel", "signal")}
    return alarm_object(("intake-1", "element-breach", *place.values()), body, event("raised", **place), step="raised")


def test_an_alarms_topic_retains_what_it_shows_since_when_and_by_which_event() -> None:
    publication = alarm_message("p", standing("unacknowledged", since=1_465_839_830_100_400_200))
    shown = json.loads(publication.payload)
    assert publication.retain and publication.topic == "p/intake-1/alarm/element-breach"
    assert (shown["state"], shown["since"]) == ("unacknowledged", "2016-06-13T17:43:50.100Z")
    assert (shown["active"], shown["kind"], shown["transition"]) == (True, "element-breach", "raised")


def test_a_shelved_alarm_says_until_when_by_whom_and_why() -> None:
    shown = standing("shelved", until=1_465_839_830_100_400_200, who="Ada", why="gauge is being changed")
    assert shown["shelved_until"] == "2016-06-13T17:43:50.100Z"
    assert (shown["who"], shown["why"]) == ("Ada", "gauge is being changed")


def test_an_alert_has_a_topic_apart_from_alarms() -> None:
    body = {"state": "active", "since": 0, "active": True, "sort": "alert", "id": "a"}
    told = alarm_object(("intake-1", "changeout-forecast", None, None), body, None)
    assert (told["isa_5_1"], told["ne_107"]) == (None, "maintenance-required")
    assert alarm_message("p", told).topic == "p/intake-1/alert/changeout-forecast"


def test_what_is_queued_goes_to_the_topic_of_its_kind() -> None:
    sent: list[tuple[str, bool]] = []

    def publish(topic: str, payload: bytes, qos: int = 1, retain: bool = False) -> None:
        sent.append((topic, retain))

    notifier = MqttNotifier(publish, "p", now=lambda: 0)
    notifier.restore([standing("acknowledged", vessel="A"), standing("shelved", vessel="B")])
    assert sent == [("p/intake-1/alarm/element-breach/A", True), ("p/intake-1/alarm/element-breach/B", True)]
    notifier.send(standing("normal", vessel="A"))
    notifier.send(event("cleared", vessel="A"))
    notifier.send({"id": "c1", "done": True, "answer": "acknowledged"})
    assert sent[2:] == [("p/intake-1/alarm/element-breach/A", True), ("p/intake-1/event", False),
                        ("p/command/answer", False)]


def test_the_monitors_own_state_is_retained_with_its_time() -> None:
    # 1465839830100400200 ns = 2016-06-13T17:43:50.100400200Z: the example of the line-protocol reference page.
    publication = state_message("site/p", MonitorState.ONLINE, 1_465_839_830_100_400_200)
    assert publication.topic == "site/p/state"
    assert publication.retain
    assert json.loads(publication.payload) == {"state": "online", "time": "2016-06-13T17:43:50.100Z"}
    assert rfc3339(-1) == "1969-12-31T23:59:59.999Z"
