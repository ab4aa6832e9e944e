"""How fast messages come in, beside paho's own empty callback in the same run.

    PYTHONPATH=.:tests python tests/bench/bench_mqtt.py [MESSAGES] [RUNS]

QoS 1: both clients have a session with the same messages queued at the broker and drain it, each
alone, in turns. QoS 0: a third process sends for both in turns. Ours includes taking and
acknowledging in a second thread; paho's acknowledges by itself and counts. Rates depend on the
machine, the ratio hardly. Nothing is asserted.
"""

from __future__ import annotations

import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from statistics import median

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from services import eventually, mosquitto

from monitor.ingest.mqtt import MqttSource
from monitor.settings import BrokerSettings

TOPIC, PAYLOAD = "intake/skid-1/inlet-pressure", b'{"value":2.3125,"time":"2026-03-01T12:00:00.000Z"}'


class Peer:
    """paho alone, MQTT 5, its own thread, a callback that counts."""

    name = "paho, empty callback"

    def __init__(self, broker: BrokerSettings) -> None:
        self.count = 0
        self.client = Client(CallbackAPIVersion.VERSION2, "peer", protocol=MQTTProtocolVersion.MQTTv5)
        self.client.on_message = self._on_message
        self.client.on_connect = lambda client, *_: client.subscribe(TOPIC, 1)
        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = 3600
        self.client.connect(broker.host, broker.port, clean_start=False, properties=properties)
        self.client.loop_start()

    def _on_message(self, *_: object) -> None:
        self.count += 1

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


class Subject:
    """MqttSource with a thread that takes and acknowledges."""

    name = "MqttSource, take and ack"

    def __init__(self, broker: BrokerSettings) -> None:
        self.count, self.running = 0, True
        self.source = MqttSource(broker, [TOPIC], now=time.time_ns).__enter__()
        self.thread = threading.Thread(target=self._consume)
        self.thread.start()

    def _consume(self) -> None:
        while self.running:
            batch = self.source.take(1_000, 0.1)
            self.source.ack(batch)
            self.count += len(batch)

    def close(self) -> None:
        self.running = False
        self.thread.join()
        self.source.close()


def queued(kind: type[Peer] | type[Subject], broker: BrokerSettings, messages: int) -> float:
    """Messages a second while a session's queue is drained at QoS 1."""
    client = kind(broker)
    eventually(lambda: client.count, 30)
    began, first = time.perf_counter(), client.count
    eventually(lambda: client.count >= messages, 120, f"{messages} messages")
    rate = (client.count - first) / (time.perf_counter() - began)
    client.close()
    return rate


def streamed(kind: type[Peer] | type[Subject], broker: BrokerSettings, seconds: float) -> float:
    """Messages a second at QoS 0 while another process sends without pause."""
    client = kind(broker)
    time.sleep(0.3)
    sender = subprocess.Popen([sys.executable, __file__, "--send", str(broker.port)])
    try:
        eventually(lambda: client.count, 30)
        began, first = time.perf_counter(), client.count
        time.sleep(seconds)
        return (client.count - first) / (time.perf_counter() - began)
    finally:
        sender.kill()
        sender.wait()
        client.close()


def prepare(broker: BrokerSettings, messages: int) -> None:
    """Gives both clients' sessions the same queue."""
    for client in (Peer(broker), Subject(broker)):
        time.sleep(0.3)
        client.close()
    feed = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv311)
    feed.connect(broker.host, broker.port)
    feed.loop_start()
    sent = [feed.publish(TOPIC, PAYLOAD, 1) for _ in range(messages)]
    for info in sent:
        info.wait_for_publish(120)
    feed.disconnect()
    feed.loop_stop()


def send(port: int) -> None:
    """QoS 0 PUBLISH packets (MQTT 3.1.1, 3.3) as fast as the broker reads them, until killed."""
    body = len(TOPIC).to_bytes(2, "big") + TOPIC.encode() + PAYLOAD
    connect = b"\x00\x04MQTT\x04\x02\x00\x00\x00\x04feed"
    with socket.create_connection(("127.0.0.1", port)) as sock:
        sock.sendall(b"\x10" + bytes([len(connect)]) + connect)
        sock.recv(4)
        chunk = (b"\x30" + bytes([len(body)]) + body) * 50
        while True:
            sock.sendall(chunk)
            time.sleep(0.0005)


def main(messages: int = 10_000, runs: int = 3) -> None:
    results: dict[tuple[int, str], list[float]] = {}
    with tempfile.TemporaryDirectory() as folder, mosquitto(Path(folder)) as service:
        broker = service.settings(client_id="subject")
        for run in range(runs + 1):     # the first warms up
            prepare(broker, messages)
            for kind in (Peer, Subject) if run % 2 else (Subject, Peer):
                rates = {1: queued(kind, broker, messages), 0: streamed(kind, broker, 1.5)}
                for qos, rate in rates.items():
                    results.setdefault((qos, kind.name), []).extend([rate] if run else [])
    for qos in (0, 1):
        peer, ours = (median(results[qos, kind.name]) for kind in (Peer, Subject))
        print(f"QoS {qos}  {Peer.name} {peer:9,.0f}/s  {Subject.name} {ours:9,.0f}/s  ratio {ours / peer:.2f}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--send"]:
        send(int(sys.argv[2]))
    main(*map(int, sys.argv[1:3]))
