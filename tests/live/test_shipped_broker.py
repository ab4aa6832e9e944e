"""`deploy/mosquitto.conf` in the real broker: nothing is dropped while the monitor is away.

mosquitto's own defaults (mosquitto.conf(5), version 2.0: max_queued_messages 1000) are what it is there to change.
"""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from commands.helpers import publish
from services import Service, eventually, free_port, listening, mosquitto

from monitor.ingest.mqtt import Message, MqttSource
from monitor.settings import BrokerSettings
from tests.live.daemon import DaemonProcess, wait_for_rows, write_config

SHIPPED = Path(__file__).parents[2] / "deploy/mosquitto.conf"
BURST = 5_000


class Shipped(Service):
    """The broker with the shipped file, but for the port and the folder."""

    program = "mosquitto"

    def command(self) -> list[str]:
        text, changed = SHIPPED.read_text(encoding="utf-8"), 0
        for pattern, ours in ((r"(?m)^listener 1883 ", f"listener {self.port} "),
                              (r"(?m)^persistence_location .*$", f"persistence_location {self.folder}/")):
            text, count = re.subn(pattern, ours, text)
            changed += count
        assert changed == 2
        text += "user root\n" if os.geteuid() == 0 else ""
        (self.folder / "mosquitto.conf").write_text(text, encoding="utf-8")
        return ["-c", str(self.folder / "mosquitto.conf")]

    def ready(self) -> bool:
        return listening(self.port)


def burst() -> list[tuple[str, bytes]]:
    start = time.time_ns() // 10**9 - 3_600
    return [("rig/up", f'{{"time": {start + i / 10:.1f}, "value": {20 + i % 10}}}'.encode()) for i in range(BURST)]


@pytest.mark.timeout(200)
def test_a_burst_while_the_monitor_is_away_reaches_it_whole(tmp_path: Path) -> None:
    with Shipped(tmp_path, free_port()) as broker:
        config = write_config(tmp_path, broker.port, more='lateness = "20 s"')
        log = tmp_path / "daemon.log"
        with DaemonProcess(config) as daemon:
            eventually(lambda: "connected" in log.read_text(), 120)
            time.sleep(0.5)     # the subscription follows the connection
            assert daemon.stop() == 0
        publish(broker.port, burst())
        with DaemonProcess(config) as daemon:
            assert wait_for_rows(tmp_path / "rig.db", "rig", BURST) == BURST
            assert daemon.stop() == 0
        assert "rror" not in broker.log, broker.log


@pytest.mark.timeout(200)
def test_what_waits_survives_a_restart_of_the_broker(
    tmp_path: Path, connect: Callable[..., MqttSource], collect: Callable[..., list[Message]]
) -> None:
    with Shipped(tmp_path, free_port()) as broker:
        settings = BrokerSettings(port=broker.port, client_id="watcher")
        source = connect(settings, "rig/up")
        time.sleep(0.5)
        source.close()
        sent = burst()
        publish(broker.port, sent)
        broker.restart()
        messages = collect(connect(settings, "rig/up"), BURST, timeout=60.0)
    assert [m.payload for m in messages] == [payload for _, payload in sent]


def test_with_the_brokers_own_limit_the_same_burst_is_cut_short(
    tmp_path: Path, connect: Callable[..., MqttSource], collect: Callable[..., list[Message]]
) -> None:
    """Which shows that the file is needed, and that the tests above could fail."""
    with mosquitto(tmp_path, config_extra="max_queued_messages 1000") as broker:
        source = connect(broker.settings(), "rig/up")
        time.sleep(0.5)
        source.close()
        publish(broker.port, burst())
        assert len(collect(connect(broker.settings(), "rig/up"), BURST, timeout=4.0)) < BURST
