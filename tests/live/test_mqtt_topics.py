"""Topics and states as the notifier writes them. Pure; clauses are MQTT 5.0 (OASIS, 2019)."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from monitor.notify.mqtt import (
    AlarmBoard,
    MonitorState,
    MqttNotifier,
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


def state_of(publication: Any) -> tuple[str, str, str | None]:
    shown = json.loads(publication.payload)
    return shown["state"], shown["since"], shown["detail"]


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


def test_an_alarm_is_active_from_its_raise_to_its_clearance() -> None:
    board = AlarmBoard("p")
    assert state_of(board.apply(event("raised", "t1"))) == ("active", "t1", None)
    assert state_of(board.apply(event("cleared", "t2"))) == ("normal", "t2", None)


def test_a_suspicion_that_grows_keeps_its_beginning_and_shows_the_new_grade() -> None:
    board = AlarmBoard("p")
    board.apply(event("raised", "t1", grade="suspected"))
    publication = board.apply(event("noted", "t2", grade="likely"))
    assert publication is not None
    shown = json.loads(publication.payload)
    assert (shown["state"], shown["since"], shown["grade"], shown["time"]) == ("active", "t1", "likely", "t2")


def test_what_is_only_noted_has_no_alarm_state() -> None:
    assert AlarmBoard("p").apply(event("noted", kind="changeout-done", detail="good")) is None


def test_a_signal_with_two_faults_is_normal_only_when_both_have_cleared() -> None:
    board = AlarmBoard("p")
    fault = {"kind": "signal-fault", "signal": "P1"}
    board.apply(event("raised", "t1", detail="frozen", **fault))
    assert state_of(board.apply(event("raised", "t2", detail="spikes", **fault))) == ("active", "t2", "spikes")
    assert state_of(board.apply(event("cleared", "t3", detail="spikes", **fault))) == ("active", "t1", "frozen")
    assert state_of(board.apply(event("cleared", "t4", detail="stale", **fault))) == ("active", "t1", "frozen")
    assert state_of(board.apply(event("cleared", "t5", detail="frozen", **fault))) == ("normal", "t5", "frozen")


def test_a_clearance_of_an_alarm_from_before_the_start_is_told() -> None:
    assert state_of(AlarmBoard("p").apply(event("cleared", "t9"))) == ("normal", "t9", None)


transitions = st.lists(st.tuples(st.sampled_from(["raised", "cleared"]), st.sampled_from(["a", "b", "c"])), max_size=30)


@given(transitions)
def test_a_topic_is_active_exactly_while_any_of_its_causes_is(steps: list[tuple[str, str]]) -> None:
    board, active = AlarmBoard("p"), set[str]()
    for transition, detail in steps:
        publication = board.apply(event(transition, detail=detail))
        (active.add if transition == "raised" else active.discard)(detail)
        assert state_of(publication)[0] == ("active" if active else "normal")


def test_alarms_known_to_the_store_are_shown_again_after_a_start() -> None:
    sent: list[tuple[str, bool]] = []

    def publish(topic: str, payload: bytes, qos: int = 1, retain: bool = False) -> None:
        sent.append((topic, retain))

    notifier = MqttNotifier(publish, "p", now=lambda: 0)
    notifier.restore([event("raised", vessel="A"), event("raised", vessel="B")])
    assert sent == [("p/intake-1/alarm/element-breach/A", True), ("p/intake-1/alarm/element-breach/B", True)]
    notifier.send(event("cleared", vessel="A"))
    assert sent[2:] == [("p/intake-1/alarm/element-breach/A", True), ("p/intake-1/event", False)]


def test_the_monitors_own_state_is_retained_with_its_time() -> None:
    # 1465839830100400200 ns = 2016-06-13T17:43:50.100400200Z: the example of the line-protocol reference page.
    publication = state_message("site/p", MonitorState.ONLINE, 1_465_839_830_100_400_200)
    assert publication.topic == "site/p/state"
    assert publication.retain
    assert json.loads(publication.payload) == {"state": "online", "time": "2016-06-13T17:43:50.100Z"}
    assert rfc3339(-1) == "1969-12-31T23:59:59.999Z"
