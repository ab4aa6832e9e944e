"""`bagwright run`: the daemon on the real clock."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.commands.common import load_engine, load_settings, say
from monitor.model import Settings

if TYPE_CHECKING:
    from monitor.daemon.clock import Clock


def run_daemon(config: Path, *, page: bool) -> None:
    settings = load_settings(config)
    load_engine()
    from monitor.daemon.clock import wall

    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    server = start_page(config) if page else None
    try:
        watch(settings, wall, stop)
    finally:
        if server is not None:
            stop_process(server)
    say("stopped; the state is kept")


def watch(settings: Settings, clock: Clock, stop: threading.Event, tell: Callable[[str], None] = say) -> None:
    """Run the daemon until `stop`: store, engine, broker."""
    from monitor.daemon.announce import Announcer, link_listener
    from monitor.daemon.loop import Daemon
    from monitor.daemon.outbox import Outbox
    from monitor.ingest.mqtt import MqttSource
    from monitor.notify.mqtt import will
    from monitor.store import Store

    with Store.open(settings.store.path, now=clock) as store, Outbox(settings, store, clock, tell) as outbox:
        daemon = Daemon(settings, store, clock, tell, outbox.wake)
        again = daemon.resume()
        if again:
            tell(f"resumed: {again} stored readings run again")
        connected = threading.Event()
        broker = settings.broker
        with MqttSource(
            broker,
            daemon.intake.topics,
            now=clock,
            on_state=link_listener(connected, tell),
            will=will(broker.prefix, clock()),
        ) as source:
            daemon.run(source, Announcer(source, broker.prefix, clock, connected, store), stop)


def start_page(config: Path, port: int | None = None) -> subprocess.Popen[bytes]:
    """The page is a process of its own: it reads the store, and its faults are not the daemon's."""
    command = [sys.executable, "-m", "monitor", "page", "--config", str(config)]
    return subprocess.Popen(command + ([] if port is None else ["--port", str(port)]))


def stop_process(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    try:
        process.wait(5)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
