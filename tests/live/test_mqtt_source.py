"""MqttSource against a real mosquitto. Clauses in brackets are normative statements of MQTT 5.0 (OASIS, 2019)."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any

import pytest
from services import eventually, free_port, mosquitto

from monitor.errors import BrokerError, InputError
from monitor.ingest.mqtt import Link, LinkState, Message, MqttSource
from monitor.ingest.mqtt_parts import Backoff, check_filter
from monitor.settings import BrokerSettings, Secret

Make = Callable[..., Any]


def payloads(messages: list[Message]) -> list[bytes]:
    return [m.payload for m in messages]


def numbers(count: int) -> list[bytes]:
    return [str(i).encode() for i in range(count)]


def test_a_message_arrives_with_topic_payload_time_and_generation(
        broker: mosquitto, connect: Make, peer: Make, collect: Make) -> None:
    source, before = connect(broker.settings(), "intake/+/pressure"), time.time_ns()
    peer(broker.settings()).say("intake/a/pressure", "2.31")
    (message,) = collect(source, 1)
    assert (message.topic, message.payload, message.retain, message.qos) == ("intake/a/pressure", b"2.31", False, 1)
    assert before <= message.arrival <= time.time_ns()
    assert message.generation == source.counters.generation == 1


def test_what_was_published_while_the_monitor_was_down_arrives_in_order(
        broker: mosquitto, connect: Make, peer: Make, collect: Make) -> None:
    connect(broker.settings(), "intake/#").close()
    peer(broker.settings()).say("intake/a", *numbers(300))
    assert payloads(collect(connect(broker.settings(), "intake/#"), 300)) == numbers(300)


def test_it_subscribes_again_after_the_broker_was_killed_and_lost_the_session(
        broker: mosquitto, connect: Make, peer: Make, collect: Make) -> None:
    source = connect(broker.settings(), "intake/#")
    broker.kill()
    eventually(lambda: source.link.state == "disconnected")
    broker.start()
    eventually(lambda: source.counters.generation == 2, what="second connection")
    # Retained: it comes whether the subscription is there before or after it, and only if there is one.
    peer(broker.settings()).say("intake/a", "after", retain=True)
    assert payloads(collect(source, 1)) == [b"after"]
    assert source.counters.reconnects == 1


def test_the_session_survives_a_restart_of_the_broker_that_saved_its_state(
        broker: mosquitto, connect: Make, peer: Make, collect: Make) -> None:
    connect(broker.settings(), "intake/#").close()
    peer(broker.settings()).say("intake/a", *numbers(20))
    broker.restart()
    assert payloads(collect(connect(broker.settings(), "intake/#"), 20)) == numbers(20)


def test_unacknowledged_messages_come_again_and_acknowledgements_of_the_old_connection_are_dropped(
        broker: mosquitto, connect: Make, peer: Make, collect: Make) -> None:
    # [MQTT-4.4.0-1] a broker sends again only on reconnect; it reuses packet ids, so an old ack would hit a new one.
    source = connect(broker.settings(), "intake/#")
    peer(broker.settings()).say("intake/a", *numbers(5))
    first = collect(source, 5, ack=False)
    source.ack(first[:2])
    eventually(lambda: not source._acks)
    broker.restart()
    eventually(lambda: source.counters.generation == 2, what="second connection")
    source.ack(first[2:])
    again = collect(source, 3, ack=False)
    assert payloads(again) == payloads(first[2:])
    assert {m.generation for m in again} == {2}
    eventually(lambda: source.counters.stale_acks == 3)
    source.close()
    third = connect(broker.settings(), "intake/#")
    assert payloads(collect(third, 3)) == payloads(first[2:]), "an old acknowledgement must not have counted"


def test_acknowledged_messages_do_not_come_again(
        broker: mosquitto, connect: Make, peer: Make, collect: Make) -> None:
    source = connect(broker.settings(), "intake/#")
    peer(broker.settings()).say("intake/a", *numbers(50))
    assert len(collect(source, 50)) == 50
    # close() gives them a second, which a busy machine may not have; what the broker confirms came after them.
    eventually(lambda: not source._acks)
    assert source.publish("after", b"").wait(20)
    source.close()
    second = connect(broker.settings(), "intake/#")
    assert second.take(10, 0.5) == []


def test_nothing_is_lost_and_the_queue_stays_bounded_when_nobody_takes(
        broker: mosquitto, connect: Make, peer: Make, collect: Make) -> None:
    source = connect(broker.settings(queue_limit=500), "intake/#")
    peer(broker.settings()).say("intake/a", *numbers(5_000))
    eventually(lambda: source.counters.received == 500)
    time.sleep(0.3)
    assert source.counters.received == 500, "[MQTT-3.3.4-9] the broker must not exceed Receive Maximum"
    assert payloads(collect(source, 5_000)) == numbers(5_000)
    assert source.counters.overflow == 0


def test_a_full_queue_drops_and_counts_messages_of_qos_0_only(
        broker: mosquitto, connect: Make, peer: Make, collect: Make) -> None:
    source = connect(broker.settings(queue_limit=100), "intake/#")
    talker = peer(broker.settings())
    talker.say("intake/fast", *numbers(300), qos=0)
    eventually(lambda: source.counters.received == 300)
    talker.say("intake/sure", "kept")
    eventually(lambda: source.counters.received == 301)
    got = collect(source, 101)
    assert payloads(got) == [*numbers(100), b"kept"]
    assert source.counters.overflow == 200


def test_the_connection_lives_through_a_pause_of_many_keepalives_with_a_full_queue(
        broker: mosquitto, connect: Make, peer: Make, collect: Make) -> None:
    source = connect(broker.settings(queue_limit=10, keepalive_s=2), "intake/#")
    peer(broker.settings()).say("intake/a", *numbers(100))
    time.sleep(8)       # the broker cuts after 1.5 times keep-alive [MQTT-3.1.2-22]; mosquitto looks every 5 s
    assert source.link.state is LinkState.CONNECTED
    assert source.counters.generation == 1
    assert payloads(collect(source, 100)) == numbers(100)


def test_a_retained_message_is_marked_and_a_reconnect_does_not_bring_it_again(
        broker: mosquitto, connect: Make, peer: Make, collect: Make) -> None:
    talker = peer(broker.settings())
    talker.say("intake/a", "old", retain=True)
    source = connect(broker.settings(), "intake/#")
    (message,) = collect(source, 1)
    assert (message.payload, message.retain) == (b"old", True)
    talker.say("intake/a", "fresh", retain=True)    # retained for others, but to us it is live [MQTT-3.3.1-12]
    (message,) = collect(source, 1)
    assert (message.payload, message.retain) == (b"fresh", False)
    source.close()
    again = connect(broker.settings(), "intake/#")
    assert again.take(10, 0.5) == []


def test_filters_of_an_earlier_configuration_are_given_up(
        broker: mosquitto, connect: Make, peer: Make, collect: Make) -> None:
    connect(broker.settings(), "intake/#", "yard/#").close()
    source = connect(broker.settings(), "intake/#", former=["yard/#", "intake/#"])
    eventually(lambda: "unsubscribe" in broker.log.lower() or source.counters.generation)
    talker = peer(broker.settings())
    talker.say("intake/a", "first")
    collect(source, 1)      # the broker has handled our UNSUBSCRIBE, which we sent before this arrived
    talker.say("yard/a", "unwanted")
    talker.say("intake/a", "wanted")
    assert payloads(collect(source, 1)) == [b"wanted"]


def test_a_wrong_password_ends_in_a_sentence_without_the_password(tmp_path: Path, connect: Make) -> None:
    states: list[Link] = []
    with mosquitto(tmp_path, password=("intake", "right")) as broker:
        source = connect(broker.settings(password=Secret("w-r-o-n-g")), "a", wait=False, on_state=states.append)
        with pytest.raises(BrokerError, match=r"refuses the connection: .*check broker.username") as caught:
            source.take(1, 20)
        with pytest.raises(BrokerError):
            source.check()
        assert "w-r-o-n-g" not in str(caught.value) + repr(states) + repr(source.broker)
        refused = [link for link in states if link.state is LinkState.REFUSED]
        assert len(refused) == 1, "told once, not per attempt"


def test_a_password_that_is_put_right_within_the_first_attempts_is_forgiven(tmp_path: Path, connect: Make) -> None:
    with mosquitto(tmp_path, password=("intake", "right")) as broker:
        settings, port = broker.settings(), broker.port
    with mosquitto(tmp_path, password=("intake", "other"), port=port) as broker:
        source = connect(settings, "a", wait=False)
        eventually(lambda: source.link.state is LinkState.REFUSED)
    with mosquitto(tmp_path, password=("intake", "right"), port=port):
        eventually(lambda: source.link.state is LinkState.CONNECTED)
        source.check()


def test_a_refusal_after_a_first_success_is_reported_and_tried_again(tmp_path: Path, connect: Make) -> None:
    with mosquitto(tmp_path, password=("intake", "right")) as broker:
        source, port = connect(broker.settings(), "a", random=Random(3)), broker.port
    with mosquitto(tmp_path, password=("intake", "other"), port=port):
        eventually(lambda: source._refusals >= 2, timeout=40)
        assert source.link.state is LinkState.REFUSED
        assert source.take(1, 0) == []
    with mosquitto(tmp_path, password=("intake", "right"), port=port):
        eventually(lambda: source.link.state is LinkState.CONNECTED, timeout=40)


def test_a_broker_that_is_not_there_is_reported_once_and_found_when_it_comes(tmp_path: Path, connect: Make) -> None:
    port, states = free_port(), list[Link]()
    source = connect(BrokerSettings(port=port), "intake/#", wait=False, on_state=states.append)
    eventually(lambda: states)
    time.sleep(2.5)     # a second attempt has failed meanwhile
    assert [link.state for link in states] == [LinkState.DISCONNECTED]
    assert states[0].reason == f"the broker at 127.0.0.1:{port} cannot be reached: Connection refused"
    source.check()
    with mosquitto(tmp_path, port=port):
        eventually(lambda: source.link.state is LinkState.CONNECTED)


def test_a_host_name_that_cannot_exist_is_explained(connect: Make) -> None:
    source = connect(BrokerSettings(host="broker..example"), "a", wait=False)
    eventually(lambda: source.link.state is LinkState.DISCONNECTED)
    assert "the broker at broker..example:1883 cannot be reached" in source.link.reason


def test_a_broker_that_speaks_only_mqtt_3_is_named_as_such(connect: Make) -> None:
    # MQTT 3.1.1, 3.2.2.3: CONNACK with return code 1, unacceptable protocol version.
    with fake_broker(b"\x20\x02\x00\x01") as port:
        source = connect(BrokerSettings(port=port), "a", wait=False)
        with pytest.raises(BrokerError, match="MQTT 5 is needed"):
            source.take(1, 20)


def test_a_session_that_the_broker_says_was_taken_over_ends_us(connect: Make) -> None:
    # [MQTT-3.1.4-3] DISCONNECT (0xE0) with reason 0x8E, session taken over, after an accepting CONNACK.
    with fake_broker(b"\x20\x03\x00\x00\x00" + b"\xe0\x01\x8e") as port:
        source = connect(BrokerSettings(port=port, client_id="intake-1"), "a", wait=False)
        with pytest.raises(BrokerError, match="under our client id 'intake-1'; two monitors must not share one"):
            source.take(1, 10)


def test_two_monitors_under_one_name_are_told_what_keeps_cutting_them_off(
        broker: mosquitto, connect: Make) -> None:
    # mosquitto 2.0.11 closes the older connection without the DISCONNECT that the standard asks for.
    sources = [connect(broker.settings(), "a", random=Random(seed)) for seed in (1, 2)]
    eventually(lambda: any("does another client use our client id 'watcher'?" in s.link.reason for s in sources), 60)


def test_a_topic_that_the_broker_forbids_is_named(tmp_path: Path, connect: Make) -> None:
    rules = tmp_path / "rules"
    rules.write_text("topic read intake/#\n")
    rules.chmod(0o600)
    with mosquitto(tmp_path, config_extra=f"acl_file {rules}") as broker:
        source = connect(broker.settings(), "intake/#")
        refused = source.publish("yard/a", b"1")
        assert not refused.wait(5)
        assert "refuses yard/a: Not authorized" in (refused.error or "")


def test_a_listener_that_raises_does_not_stop_the_messages(
        broker: mosquitto, connect: Make, peer: Make, collect: Make) -> None:
    def broken(_: Link) -> None:
        raise RuntimeError("listener")

    source = connect(broker.settings(), "intake/#", on_state=broken)
    peer(broker.settings()).say("intake/a", "1")
    assert payloads(collect(source, 1)) == [b"1"]
    assert source.counters.listener_faults == 1


def test_a_fault_while_a_message_is_received_does_not_stop_those_after_it(
        broker: mosquitto, peer: Make, collect: Make) -> None:
    faults = [ZeroDivisionError("clock")]

    def clock() -> int:
        if source.counters.received == 1 and faults:
            raise faults.pop()
        return 1

    source = MqttSource(broker.settings(), ["intake/#"], now=clock)
    with source:
        eventually(lambda: source.link.state is LinkState.CONNECTED)
        peer(broker.settings()).say("intake/a", *numbers(3))
        assert payloads(collect(source, 2)) == [b"1", b"2"]
    assert not faults


def test_it_knows_until_when_it_has_heard_everything(broker: mosquitto, connect: Make, peer: Make) -> None:
    source = connect(broker.settings(), "intake/#")
    peer(broker.settings()).say("intake/a", *numbers(1))
    eventually(lambda: source.counters.received == 1)
    now = time.time_ns()
    eventually(lambda: source.heard > now, 5, "silence is heard of")


@pytest.mark.parametrize("bad", ["", "a/#/b", "a#", "b/+c", "a\0b", "$share/x", "$share//a", "x" * 65_536, "\ud800"])
def test_a_filter_that_no_broker_accepts_is_refused_before_connecting(bad: str) -> None:
    # [MQTT-4.7.1-1], [4.7.1-2], [4.7.3-1..3], [4.8.2-1, -2]
    with pytest.raises(InputError, match="accepted: levels"):
        MqttSource(BrokerSettings(), [bad], now=time.time_ns)


@pytest.mark.parametrize("good", ["#", "+", "/", "sport/#", "+/tennis/#", "sport/+/player1", "$share/shard/sport/+"])
def test_the_filters_of_the_standards_examples_are_accepted(good: str) -> None:
    assert check_filter(good) == good   # MQTT 5.0, 4.7.1 and 4.8.2


def test_the_waits_between_attempts_grow_within_1_and_60_seconds_and_repeat_with_their_seed() -> None:
    def waits(seed: int) -> list[float]:
        backoff = Backoff(Random(seed))
        return [backoff.next() for _ in range(200)]

    assert waits(7) == waits(7) != waits(8)
    assert all(1 <= wait <= 60 for wait in waits(7))
    assert max(waits(7)[:2]) <= 4 < 30 < max(waits(7))
    backoff = Backoff(Random(7))
    for _ in range(20):
        backoff.next()
    backoff.reset()
    assert backoff.next() <= 2


def test_closing_takes_less_than_two_seconds_when_the_broker_hangs(broker: mosquitto, connect: Make) -> None:
    with fake_broker(b"") as port:
        source = connect(BrokerSettings(port=port), "a", wait=False)
        delivery = source.publish("a", b"1")
        time.sleep(0.3)
        began = time.monotonic()
        source.close()
        assert time.monotonic() - began < 2.2
        assert not delivery.done
        assert "closed" in (delivery.error or "")


class fake_broker:  # noqa: N801
    """Accepts TCP connections and answers CONNECT with fixed bytes, or with nothing."""

    def __init__(self, answer: bytes) -> None:
        self._answer = answer
        self._server = socket.create_server(("127.0.0.1", 0))
        self._open: list[socket.socket] = []

    def __enter__(self) -> int:
        threading.Thread(target=self._serve, daemon=True).start()
        return int(self._server.getsockname()[1])

    def _serve(self) -> None:
        while True:
            try:
                connection, _ = self._server.accept()
            except OSError:
                return
            self._open.append(connection)
            connection.recv(1024)
            if self._answer:
                connection.sendall(self._answer)

    def __exit__(self, *_: object) -> None:
        self._server.shutdown(socket.SHUT_RDWR)
        for one in [self._server, *self._open]:
            one.close()

