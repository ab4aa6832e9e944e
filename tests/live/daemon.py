"""A real daemon process against a real broker, and a publisher that keeps its word."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from monitor.store import Reader

ROOT = Path(__file__).parents[2]

CONFIG = """
[skid]
id = "rig"
name = "Test rig"
vessels = ["one"]
{more}
[skid.element]
changeout_dp = "20 psi"
max_dp = "40 psi"
[skid.reference]
flow = "560 mL/min"
temperature = "20 degC"
[[signal]]
id = "up"
role = "inlet-pressure"
topic = "rig/up"
unit = "psi"
range = [0.0, 60.0]
[[signal]]
id = "down"
role = "outlet-pressure"
topic = "rig/down"
unit = "psi"
range = [0.0, 60.0]
[[signal]]
id = "flow"
role = "flow"
topic = "rig/flow"
unit = "mL/min"
range = [0.0, 1000.0]
[alarm.changeout-due]
on_delay = "1 s"
settle = "10 s"
[broker]
port = {port}
[store]
path = "{store}"
"""


def write_config(folder: Path, port: int, more: str = "") -> Path:
    path = folder / "rig.toml"
    path.write_text(CONFIG.format(port=port, store=folder / "rig.db", more=more))
    return path


class DaemonProcess:
    """`bagwright run` in a process of its own."""

    def __init__(self, config: Path) -> None:
        self.config, self.log = config, config.parent / "daemon.log"
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self.log.open("ab") as sink:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "monitor", "run", "--no-page", "--config", str(self.config)],
                cwd=ROOT, stdout=sink, stderr=sink, env=os.environ | {"PYTHONPATH": str(ROOT)},
            )  # fmt: skip

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait()

    def stop(self) -> int:
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(20)

    def __enter__(self) -> DaemonProcess:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self.process is not None and self.process.poll() is None:
            self.kill()


class Publisher:
    """Publishes at QoS 1 and knows what the broker has confirmed; after a broker's death the rest is sent again,
    with a window before it: what a gateway with a buffer does."""

    def __init__(self, port: int, user: tuple[str, str] | None = None) -> None:
        self.port, self.user = port, user
        self._connect()

    def _connect(self) -> None:
        self.client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self.client.max_inflight_messages_set(500)
        if self.user:
            self.client.username_pw_set(*self.user)
        answered = threading.Event()
        self.client.on_connect = lambda *_: answered.set()
        self.client.connect("127.0.0.1", self.port)
        self.client.loop_start()
        answered.wait(30.0)     # what the broker says, yes or no: a busy machine takes its time

    def send(self, messages: list[tuple[str, bytes]], *, patience: float = 10.0) -> bool:
        """True when the broker has confirmed them all."""
        handles = [self.client.publish(topic, payload, qos=1) for topic, payload in messages]
        deadline = time.monotonic() + patience
        while not all(h.is_published() for h in handles):
            if time.monotonic() > deadline or not self.client.is_connected():
                return False
            time.sleep(0.002)
        return True

    def reconnect(self) -> None:
        self.close()
        self._connect()

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def wait_for_rows(store: Path, skid: str, wanted: int, *, seconds: float = 60.0) -> int:
    """How many readings the store has, once it has `wanted` or patience has ended."""
    deadline = time.monotonic() + seconds
    have = 0
    while time.monotonic() < deadline:
        if store.exists():
            with Reader.open(store) as reader:
                have = sum(reader.status()["readings"][k] for k in ("recent", "packed"))
            if have >= wanted:
                break
        time.sleep(0.3)
    return have
