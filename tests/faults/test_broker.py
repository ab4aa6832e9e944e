"""The line to the broker flaps, crawls or goes silent, the broker is gone for hours, and sends what it retained."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from faults.proxy import Line
from services import eventually, mosquitto

from monitor.ingest.mqtt import MqttSource
from monitor.model import NS, Reason
from monitor.store import Reader
from tests.live.daemon import DaemonProcess, Publisher, wait_for_rows, write_config

PATIENT = "max_inflight_messages 0"
COUNT = 3_000


def messages(count: int, first: int = 0) -> list[tuple[str, bytes]]:
    start = time.time_ns() // 10**9 - 1_000
    return [("rig/up", f'{{"time": {start + i / 10:.1f}, "value": {20 + i % 10}}}'.encode())
            for i in range(first, first + count)]


def flap(line: Line) -> None:
    for n in range(8):
        line.closed = n % 2 == 1
        line.cut()
        time.sleep(0.15)
    line.closed = False


def crawl(line: Line) -> None:
    line.rate, line.delay = 60_000.0, 0.05


def fall_silent(line: Line) -> None:
    line.silent = True
    time.sleep(7.0)         # our end gives up two keepalives of 2 s after the last word at the latest
    line.silent = False


@pytest.mark.parametrize("trouble", [flap, crawl, fall_silent])
def test_every_message_comes_through_a_bad_line_in_the_end(tmp_path: Path, trouble: Callable[[Line], None]) -> None:
    sent = [body for _, body in messages(COUNT)]
    with mosquitto(tmp_path, config_extra=PATIENT) as broker, Line(broker.port) as line:
        settings = broker.settings(port=line.port, keepalive_s=2)
        with MqttSource(settings, ["rig/up"], now=time.time_ns) as source:
            eventually(lambda: source.link.state == "connected", what="connected")
            first = Publisher(broker.port)
            eventually(lambda: first.client.is_connected(), what="publisher")
            got = set[bytes]()
            eventually(lambda: first.send([("rig/up", b"ready")]) and _take(source, got), what="subscribed")
            assert first.send([("rig/up", body) for body in sent[:1_500]], patience=30)
            worker = threading.Thread(target=trouble, args=(line,))
            worker.start()
            assert first.send([("rig/up", body) for body in sent[1_500:]], patience=30)
            eventually(lambda: (_take(source, got), got >= set(sent))[1], 60, "everything")
            worker.join()
            eventually(lambda: line.accepted >= (1 if trouble is crawl else 2), 15, "a connection made anew")
            first.close()


def _take(source: MqttSource, got: set[bytes]) -> bool:
    taken = source.take(200, 0.1)
    got.update(m.payload for m in taken)
    source.ack(taken)
    return bool(taken)


@pytest.mark.timeout(250)
def test_after_hours_without_the_broker_what_gateways_kept_is_judged_at_its_own_time(tmp_path: Path) -> None:
    """Three hours of readings come at once when the broker is back; dP passed its limit in the middle of them. Beside
    them lies what somebody retained: it is set aside, and no reading."""
    start = (time.time_ns() // 10**9 - 3 * 3_600) // 60 * 60
    kept = []
    for second in range(0, 3 * 3_600, 10):
        dp = 36.0 if 6_000 <= second < 6_600 else 6.0
        for topic, value in (("rig/up", 20.0 + dp), ("rig/down", 20.0), ("rig/flow", 560.0)):
            kept.append((topic, json.dumps({"time": start + second, "value": value + second % 70 / 7_000}).encode()))
    with mosquitto(tmp_path, config_extra=PATIENT) as broker:
        config = write_config(tmp_path, broker.port)
        with DaemonProcess(config) as daemon:
            eventually(lambda: "connected" in (tmp_path / "daemon.log").read_text(), 120)
            publisher = Publisher(broker.port)
            eventually(publisher.client.is_connected, 15)
            eventually(lambda: publisher.send(kept[:3]) and wait_for_rows(tmp_path / "rig.db", "rig", 3, seconds=1), 60)
            broker.kill()
            publisher.close()
            eventually(lambda: (tmp_path / "daemon.log").read_text().count("tried again"), 30)
            broker.start()
            publisher = Publisher(broker.port)
            eventually(publisher.client.is_connected, 15)
            for topic in ("rig/up", "rig/down"):
                publisher.client.publish(topic, b"999", qos=1, retain=True).wait_for_publish(10)
            daemon.kill()       # who subscribes anew is sent what is retained
            before = (tmp_path / "daemon.log").read_text().count("connected to")
            daemon.start()
            eventually(lambda: (tmp_path / "daemon.log").read_text().count("connected to") > before, 120)
            for piece in _pieces(kept, 500):
                assert publisher.send(piece, patience=30)
            assert wait_for_rows(tmp_path / "rig.db", "rig", len(kept)) >= len(kept)
            eventually(lambda: _limit(tmp_path), 60, "dp-limit")
            publisher.close()
            assert daemon.stop() == 0
    with Reader.open(tmp_path / "rig.db") as reader:
        rows = reader.rows("rig", start * NS, (start + 3 * 3_600) * NS)
        assert rows.size == len(kept) and rows.value.max() < 600
        raised, cleared = _limit(tmp_path)
        assert 6_000 <= (raised - start * NS) / NS <= 6_060 and 6_600 <= (cleared - start * NS) / NS <= 6_700
        assert reader.status()["quarantine"].get(str(Reason.RETAINED), 0) >= 2


def _pieces(messages: list[tuple[str, bytes]], size: int) -> list[list[tuple[str, bytes]]]:
    return [messages[i : i + size] for i in range(0, len(messages), size)]


def _limit(folder: Path) -> list[int]:
    """When dp-limit was raised and cleared, once both are there [ns]."""
    with Reader.open(folder / "rig.db") as reader:
        times = sorted(e.time for e in reader.events(limit=1_000) if e.kind == "dp-limit")
    return times if len(times) == 2 else []
