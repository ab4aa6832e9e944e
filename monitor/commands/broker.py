"""A broker for the demonstration: mosquitto where it is installed, else one from an installed package."""

from __future__ import annotations

import contextlib
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

from monitor.errors import RunError

SEARCHED = "/usr/local/sbin:/usr/sbin:/usr/local/bin:/usr/bin:/bin"
START_S = 10.0

_MOSQUITTO = """\
listener {port} 127.0.0.1
allow_anonymous true
persistence false
# The default of 1,000 drops QoS 1 messages silently when a client is slow.
max_queued_messages 100000
max_inflight_messages 0
"""

_IOTCORE = """\
id = 0
[router]
id = 0
max_connections = 50
max_outgoing_packet_count = 2000
max_segment_size = 1048576
max_segment_count = 4

[v5.1]
name = "demo"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
    [v5.1.connections]
    connection_timeout_ms = 60000
    max_payload_size = 20480
    max_inflight_count = 500
    dynamic_filters = true
"""


def free_port(wished: int = 0) -> int:
    """A free port on 127.0.0.1: the wished one where it is free."""
    for port in (wished, 0):
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind(("127.0.0.1", port))
            return int(probe.getsockname()[1])
    raise RunError("no free port on 127.0.0.1")


@contextlib.contextmanager
def embedded_broker(folder: Path) -> Iterator[tuple[int, str]]:
    """Runs a broker on loopback; yields its port and its name. RunError where none can be had."""
    port = free_port()
    program = shutil.which("mosquitto") or shutil.which("mosquitto", path=SEARCHED)
    if program is not None:
        with _mosquitto(program, folder, port):
            yield port, "mosquitto"
        return
    try:
        from iotcore import Broker
    except ImportError:
        raise RunError(
            "the demo needs an MQTT broker: install the package mosquitto (apt-get install mosquitto), then start again"
        ) from None
    path = folder / "broker.toml"
    path.write_text(_IOTCORE.format(port=port), encoding="utf-8")
    broker = Broker(config_path=str(path))
    broker.start()
    try:
        yield port, "an embedded broker"
    finally:
        broker.stop()


@contextlib.contextmanager
def _mosquitto(program: str, folder: Path, port: int) -> Iterator[None]:
    path = folder / "mosquitto.conf"
    path.write_text(_MOSQUITTO.format(port=port), encoding="utf-8")
    log = folder / "mosquitto.log"
    with log.open("wb") as sink:
        # Its own session: Ctrl-C at the terminal must not take the broker before the daemon has said goodbye.
        process = subprocess.Popen([program, "-c", str(path)], stdout=sink, stderr=sink, start_new_session=True)
    try:
        _await_port(port, process, log)
        yield
    finally:
        process.terminate()
        process.wait(5)


def _await_port(port: int, process: subprocess.Popen[bytes], log: Path) -> None:
    deadline = time.monotonic() + START_S
    while time.monotonic() < deadline:
        if process.poll() is not None:
            raise RunError(f"mosquitto did not start: {log.read_text(errors='replace').strip()[-300:]}")
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 0.2):
            return
        time.sleep(0.05)
    raise RunError(f"mosquitto did not listen on port {port} within {START_S:.0f} s")
