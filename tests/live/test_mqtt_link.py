"""Publishing, TLS, the will and the notifier against a real mosquitto."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from services import eventually, mosquitto

from monitor.errors import InputError
from monitor.ingest import mqtt_outbox
from monitor.ingest.mqtt import LinkState, MqttSource
from monitor.notify.mqtt import MqttNotifier, will
from monitor.settings import BrokerSettings

Make = Callable[..., Any]
ROOT = Path(__file__).parents[2]

RAISED = {"time": "2026-03-01T12:00:00.000Z", "skid": "river intake/1", "vessel": "B", "signal": None,
          "kind": "changeout-due", "transition": "raised", "detail": None, "grade": None, "value": 1.02,
          "unit": "bar", "message": "Normalised dP has reached the changeout value."}
ALARM = "bagwright/river intake%2F1/alarm/changeout-due/B"


def test_a_publication_is_done_when_the_broker_has_confirmed_it(broker: mosquitto, connect: Make, peer: Make) -> None:
    listener = peer(broker.settings(), "out/#")
    source = connect(broker.settings())
    sure, quick = source.publish("out/a", b"1"), source.publish("out/b", b"2", qos=0)
    assert sure.wait(5)
    assert quick.wait(5)
    eventually(lambda: sorted(listener.heard) == [("out/a", b"1", False), ("out/b", b"2", False)])


def test_publications_of_an_outage_arrive_in_order_after_it(
        broker: mosquitto, connect: Make, collect: Make) -> None:
    source = connect(broker.settings())
    keeper = connect(broker.settings(client_id="keeper"), "out/#")
    broker.stop()
    eventually(lambda: source.link.state is LinkState.DISCONNECTED)
    sent = [source.publish("out/a", str(i).encode()) for i in range(100)]
    assert not sent[0].wait(0.1)
    broker.start()
    assert all(delivery.wait(10) for delivery in sent)
    assert [m.payload for m in collect(keeper, 100)] == [str(i).encode() for i in range(100)]


def test_a_publication_in_flight_when_the_broker_dies_is_sent_again(tmp_path: Path, connect: Make, peer: Make) -> None:
    with mosquitto(tmp_path) as broker:
        source = connect(broker.settings())
        sent = []
        for i in range(200):
            sent.append(source.publish("out/a", str(i).encode(), retain=True))
            if i == 100:
                broker.kill()
        eventually(lambda: source.link.state is LinkState.DISCONNECTED)
        broker.start()
        assert all(delivery.wait(15) for delivery in sent)
        listener = peer(broker.settings(), "out/#")
        eventually(lambda: listener.heard == [("out/a", b"199", True)])


def test_the_outbox_is_bounded_and_says_so(connect: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mqtt_outbox, "LIMIT", 5)
    source = connect(BrokerSettings(port=1), wait=False)
    sent = [source.publish("out/a", b"1") for _ in range(6)]
    assert [delivery.error for delivery in sent] == [None] * 5 + ["5 publications are waiting already"]
    source.close()
    assert all("closed" in (delivery.error or "") for delivery in sent[:5])
    assert source.publish("out/a", b"1").error == "the connection is closed"


def test_a_publication_larger_than_the_broker_takes_fails_alone(tmp_path: Path, connect: Make) -> None:
    with mosquitto(tmp_path, config_extra="max_packet_size 2000") as broker:
        source = connect(broker.settings())
        large, small = source.publish("out/a", bytes(5_000)), source.publish("out/a", b"1")
        assert small.wait(5)
        assert large.error == "5021 bytes are too many: the broker takes 2000"
        assert source.counters.generation == 1


def test_a_broker_without_retained_messages_still_gets_the_publication(tmp_path: Path, connect: Make) -> None:
    # [MQTT-3.2.2-14] a client must not retain where Retain Available is 0; the broker would end the connection.
    with mosquitto(tmp_path, config_extra="retain_available false") as broker:
        source = connect(broker.settings())
        assert source.publish("out/a", b"1", retain=True).wait(5)
        assert source.counters.generation == 1


@pytest.mark.parametrize("topic", ["", "a/+", "a/#", "a\0", "x" * 65_536])
def test_a_topic_that_nobody_may_publish_on_is_the_callers_mistake(topic: str) -> None:
    with MqttSource(BrokerSettings(port=1), [], now=time.time_ns) as source, pytest.raises(ValueError, match="topic"):
        source.publish(topic, b"1")


def test_closing_flushes_what_waits(broker: mosquitto, connect: Make, peer: Make) -> None:
    listener = peer(broker.settings(), "out/#")
    source = connect(broker.settings())
    sent = [source.publish("out/a", str(i).encode()) for i in range(50)]
    began = time.monotonic()
    source.close()
    assert time.monotonic() - began < 2
    assert all(delivery.done for delivery in sent)
    eventually(lambda: len(listener.heard) == 50)


def test_tls_with_a_trusted_broker_works_and_carries_bursts(
        tmp_path: Path, connect: Make, peer: Make, collect: Make) -> None:
    with mosquitto(tmp_path, tls=True, config_extra="require_certificate true") as broker:
        assert broker.certificates
        uncertified = connect(broker.settings(client_id="uncertified"), wait=False)
        c = broker.certificates
        own = {"cert_file": str(c.client_cert), "key_file": str(c.client_key)}
        source = connect(broker.settings(**own), "intake/#")
        other = connect(broker.settings(client_id="other", **own))
        sent = [other.publish("intake/a", str(i).encode() * 50) for i in range(500)]
        assert all(delivery.wait(10) for delivery in sent)
        assert [m.payload for m in collect(source, 500)] == [str(i).encode() * 50 for i in range(500)]
        assert uncertified.link.state is LinkState.DISCONNECTED


def test_an_untrusted_broker_is_explained_and_never_spoken_to(tmp_path: Path, connect: Make) -> None:
    with mosquitto(tmp_path, tls=True) as broker:
        assert broker.certificates
        source = connect(broker.settings(ca_file=str(broker.certificates.stranger_file)), "a", wait=False)
        eventually(lambda: source.link.state is LinkState.DISCONNECTED)
        assert "shows a certificate that is not trusted" in source.link.reason
        assert "watcher" not in broker.log


def test_a_certificate_for_another_name_is_not_trusted(tmp_path: Path, connect: Make) -> None:
    with mosquitto(tmp_path, tls=True) as broker:
        source = connect(broker.settings(host="127.0.0.2"), "a", wait=False)
        eventually(lambda: source.link.state is LinkState.DISCONNECTED)
        assert "127.0.0.2" in source.link.reason


def test_speaking_tls_to_a_plain_port_and_the_reverse_are_explained(tmp_path: Path, connect: Make) -> None:
    with mosquitto(tmp_path) as plain, mosquitto(tmp_path, tls=True) as secured:
        assert secured.certificates
        wrong = connect(plain.settings(tls=True, ca_file=str(secured.certificates.ca_file)), "a", wait=False)
        reverse = connect(secured.settings(tls=False), "a", wait=False)
        for source in (wrong, reverse):
            eventually(lambda source=source: source.link.state is LinkState.DISCONNECTED)
            assert "broker.tls" in source.link.reason, source.link.reason


@pytest.mark.parametrize(("key", "content"), [("ca_file", None), ("ca_file", "no certificate"), ("cert_file", None)])
def test_unusable_tls_files_are_named_with_their_key(tmp_path: Path, key: str, content: str | None) -> None:
    path = tmp_path / "file.pem"
    if content is not None:
        path.write_text(content)
    with pytest.raises(InputError) as caught:
        MqttSource(BrokerSettings(tls=True, **{key: str(path)}), [], now=time.time_ns)
    assert f"broker.{key}" in str(caught.value)
    assert str(path) in str(caught.value)


WATCHER = """
import sys, time
from monitor.ingest.mqtt import MqttSource
from monitor.notify.mqtt import MqttNotifier, will
from monitor.settings import BrokerSettings
with MqttSource(BrokerSettings(port=int(sys.argv[1])), [], now=time.time_ns, will=will("bagwright", 0)) as source:
    notifier = MqttNotifier(source.publish, "bagwright", now=time.time_ns)
    assert notifier.connected().wait(10)
    print("ready", flush=True)
    sys.stdin.readline()
    notifier.closing()
"""


def watcher(port: int) -> subprocess.Popen[str]:
    process = subprocess.Popen([sys.executable, "-c", WATCHER, str(port)], cwd=ROOT, text=True,
                               stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert process.stdout
    assert process.stdout.readline() == "ready\n"
    return process


def states(listener: Any) -> list[str]:
    return [json.loads(payload)["state"] for topic, payload, _ in listener.heard if topic == "bagwright/state"]


def test_the_broker_says_that_the_monitor_is_gone_when_it_was_killed(broker: mosquitto, peer: Make) -> None:
    listener = peer(broker.settings(), "bagwright/#")
    with watcher(broker.port) as process:
        process.kill()
    eventually(lambda: states(listener) == ["online", "gone"])
    assert json.loads(listener.last("bagwright/state")) == {"state": "gone", "time": "1970-01-01T00:00:00.000Z"}
    late = peer(broker.settings(), "bagwright/#")
    eventually(lambda: states(late) == ["gone"])


def test_a_clean_close_says_offline_and_never_gone(broker: mosquitto, peer: Make) -> None:
    # [MQTT-3.14.4-3] the will is discarded on DISCONNECT with reason 0x00.
    listener = peer(broker.settings(), "bagwright/#")
    with watcher(broker.port) as process:
        process.communicate("\n", timeout=10)
    assert process.returncode == 0
    eventually(lambda: "offline" in states(listener))
    time.sleep(0.5)
    assert states(listener) == ["online", "offline"]


def test_an_alarm_is_there_for_who_subscribes_late_and_its_event_is_not(
        broker: mosquitto, connect: Make, peer: Make) -> None:
    source = connect(broker.settings(), will=will("bagwright", 0))
    notifier = MqttNotifier(source.publish, "bagwright", now=time.time_ns)
    early = peer(broker.settings(), "bagwright/#")
    state = {"state": "unacknowledged", "since": RAISED["time"], **RAISED}
    assert all(delivery.wait(5) for body in (state, RAISED) for delivery in notifier.send(body))
    eventually(lambda: len(early.heard) == 2)
    assert [topic for topic, _, _ in early.heard] == [ALARM, "bagwright/river intake%2F1/event"]
    assert json.loads(early.last("bagwright/river intake%2F1/event")) == RAISED
    late = peer(broker.settings(), "bagwright/#")
    eventually(lambda: late.heard)
    ((topic, payload, retained),) = late.heard
    assert (topic, retained) == (ALARM, True)
    assert json.loads(payload) == state
