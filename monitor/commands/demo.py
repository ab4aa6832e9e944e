"""`bagwright demo`: broker, simulated skid, daemon, store and page on this machine, faster than life."""

from __future__ import annotations

import contextlib
import json
import signal
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from monitor.commands.broker import embedded_broker, free_port
from monitor.commands.common import load_engine, load_settings, say, warn
from monitor.commands.page_process import PageProcess
from monitor.commands.run import watch
from monitor.commands.wording import wrapped
from monitor.errors import RunError
from monitor.times import to_rfc3339

# At 180 times life a pause of this machine's is minutes of event time: rows may come that much late.
LATENESS, SILENCE = "60 s", "10 min"
SEED = 1
INDENT = " " * 17     # of what follows in a long message: below its kind


def run_demo(*, speed: float, port: int, seconds: float | None, folder: Path | None) -> None:
    load_engine()
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    with place(folder) as home, embedded_broker(home) as (broker_port, broker_name):
        config = home / "intake-1.toml"
        page_port = free_port(port)
        config.write_text(demo_config(home, broker_port, page_port), encoding="utf-8")
        with PageProcess(config, warn):
            opening(speed, page_port, broker_port, broker_name, home, keeps=folder is not None)
            play(config, speed, broker_port, stop, seconds)
    say("stopped")


@contextlib.contextmanager
def place(folder: Path | None) -> Iterator[Path]:
    """Where the demo lives: the folder given, else one that goes with it."""
    if folder is None:
        with tempfile.TemporaryDirectory(prefix="bagwright-demo-") as name:
            yield Path(name)
        return
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        advice = "give --dir a folder that can be written"
        raise RunError(f"{folder}: cannot be made ({error.strerror}); {advice}") from None
    yield folder.resolve()


def demo_config(home: Path, broker_port: int, page_port: int) -> str:
    from monitor.simulation.live import demo_settings_toml

    skid = demo_settings_toml().replace("[skid]\n", f'[skid]\nlateness = "{LATENESS}"\n', 1)
    skid = skid.replace("\nunit = ", f'\nmax_silence = "{SILENCE}"\nunit = ')
    return skid + (
        f'\n[broker]\nhost = "127.0.0.1"\nport = {broker_port}\n'
        f'\n[store]\npath = "{home / "demo.db"}"\n'
        f'\n[web]\nhost = "127.0.0.1"\nport = {page_port}\n'
    )


def opening(speed: float, page_port: int, broker_port: int, broker_name: str, home: Path, *, keeps: bool) -> None:
    say("Bagwright demo: the river intake of an invented trout hatchery, two bag vessels in parallel.")
    say(f"Time runs {speed:g} times faster than life: a minute here is {speed / 60:.1f} h at the skid.")
    say(f"  page     http://127.0.0.1:{page_port}/")
    say(f"  topics   mqtt://127.0.0.1:{broker_port} ({broker_name}): hatchery/# measured, bagwright/# from the monitor")
    say(f"  store    {home / 'demo.db'}" + ("" if keeps else " (goes when the demo stops; --dir keeps it)"))
    say("Ctrl-C stops it.")
    say("")


def play(config: Path, speed: float, port: int, stop: threading.Event, seconds: float | None) -> None:
    """The skid and the daemon, until stopped."""
    from monitor.daemon.clock import FastClock

    clock = FastClock(time.time_ns(), speed)
    settings = load_settings(config)
    faults: list[BaseException] = []

    def daemon() -> None:
        try:
            watch(settings, clock, stop, tell=lambda sentence: None)
        except BaseException as error:  # noqa: BLE001 - told by the main thread
            faults.append(error)
            stop.set()

    thread = threading.Thread(target=daemon, name="daemon")
    thread.start()
    deadline = None if seconds is None else time.monotonic() + seconds
    try:
        with control_room(port), skid(port, clock, stop):
            while not stop.wait(0.2):
                if deadline is not None and time.monotonic() > deadline:
                    break
    finally:
        stop.set()
        thread.join()
    if faults:
        raise faults[0]


def hour(time_text: str) -> str:
    """Day and time of an RFC 3339 text, for one line of the story."""
    return time_text[5:16].replace("T", " ")


@contextlib.contextmanager
def control_room(port: int) -> Iterator[None]:
    """Prints the monitor's events as a control room would receive them."""
    client = Client(CallbackAPIVersion.VERSION2, client_id="control-room", protocol=MQTTProtocolVersion.MQTTv5)

    def show(_client: Client, _userdata: Any, message: MQTTMessage) -> None:
        event = json.loads(message.payload)
        say(wrapped(f"{hour(event['time'])}  >>> {event['kind']} {event['transition']}: ", event["message"], INDENT))

    client.on_message = show
    client.on_connect = lambda c, *_: c.subscribe("bagwright/+/event", qos=1)
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        yield
    finally:
        client.disconnect()
        client.loop_stop()


@contextlib.contextmanager
def skid(port: int, clock: Any, stop: threading.Event) -> Iterator[None]:
    """Publishes what the simulated skid's transmitters read, when their time has come."""
    thread = threading.Thread(target=publish_plant, args=(port, clock, stop), name="plant")
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def publish_plant(port: int, clock: Any, stop: threading.Event) -> None:
    from monitor.simulation.live import DemoPlant

    client = Client(CallbackAPIVersion.VERSION2, client_id="plant", protocol=MQTTProtocolVersion.MQTTv5)
    client.max_inflight_messages_set(1000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        for step in DemoPlant(seed=SEED).run(clock() // 1_000_000_000 * 1_000_000_000):
            while step.time_ns > clock():
                if stop.wait(0.005):
                    return
            if step.caption:
                say(wrapped(f"{hour(to_rfc3339(step.time_ns))}  ", step.caption, INDENT[:13]))
            stamp = to_rfc3339(step.time_ns)
            for signal_id, value in step.samples.items():
                payload = json.dumps({"time": stamp, "value": round(value, 4)})
                client.publish(f"hatchery/intake-1/{signal_id}", payload, qos=1)
            if stop.is_set():
                return
    finally:
        client.disconnect()
        client.loop_stop()
