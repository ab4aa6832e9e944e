"""The same readings over plain MQTT, Sparkplug B, OPC UA and Modbus TCP: each path against a real peer on loopback, and
what is stored equal, reading for reading. And what each does when the other end dies, lies or is not there."""

from __future__ import annotations

import asyncio
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from asyncua.crypto.cert_gen import setup_self_signed_certificate
from cryptography.x509.oid import ExtendedKeyUsageOID
from services import eventually, mosquitto

from monitor.commands.common import load_engine
from monitor.commands.run import watch
from monitor.config import load
from monitor.daemon import clock
from monitor.errors import StoreError
from monitor.ingest.plant import link, opcua
from monitor.ingest.plant.modbus import AsyncModbusTcpClient
from monitor.model import NS, Quality, Rows
from monitor.settings import Settings
from monitor.store import Reader
from tests.commands.helpers import bagwright
from tests.live.clogging import COLUMNS, clogging_run, messages
from tests.live.daemon import CONFIG, DaemonProcess, Publisher
from tests.plant_peers import ModbusDevice, OpcuaServer
from tests.sparkplug_edge import Edge

# BAGWRIGHT_DAY=1: a whole day of a reading a second, instead of 20 s of ten; =10: one every ten seconds.
DAY = int(os.environ.get("BAGWRIGHT_DAY", "0"))
ROWS, STEP, PATIENCE_S = (86_400 // DAY, DAY * NS, 3_600.0) if DAY else (200, NS // 10, 30.0)
PIECE = 2_000       # rows that are sent before the daemon has to have stored them: less than queues hold on the way
pytestmark = pytest.mark.timeout(PATIENCE_S + 90)
TOPICS = {name: f'topic = "rig/{name}"' for name in COLUMNS}
SPARKPLUG = {
    name: f'sparkplug = {{ group = "hatchery", node = "intake", device = "skid-1", metric = "{name}" }}'
    for name in COLUMNS
}
OPCUA = {name: f'opcua = {{ source = "plc-1", node = "nsu=urn:hatchery:plc;s={name}" }}' for name in COLUMNS}
MODBUS = {
    name: f'modbus = {{ source = "io-1", table = "input", address = {4 * i}, type = "float64", word_order = "little" }}'
    for i, name in enumerate(COLUMNS)
}


def settings(folder: Path, port: int, places: dict[str, str], more: str = "") -> Settings:
    text = CONFIG.format(port=port, store=folder / "rig.db", more='lateness = "100 ms"')
    for name, place in places.items():
        assert TOPICS[name] in text
        text = text.replace(TOPICS[name], place)
    folder.mkdir(exist_ok=True)
    (folder / "rig.toml").write_text(text + more)
    return load(folder / "rig.toml")


class Running:
    """A daemon in a thread."""

    def __init__(self, config: Settings) -> None:
        self.config = config
        self.said: list[str] = []

    def _read(self, ask: Callable[[Reader], Any]) -> Any:
        try:
            with Reader.open(Path(self.config.store.path)) as reader:
                return ask(reader) if "rig" in reader.skids() else None
        except StoreError:      # it is just being made
            return None

    def rows(self) -> Rows:
        return self._read(lambda r: r.rows("rig", 0, 2**62, list(COLUMNS))) or Rows.empty()

    def size(self) -> int:
        return self._read(lambda r: r.status()["readings"]["recent"] + r.status()["readings"]["packed"]) or 0

    def counts(self) -> dict[str, int]:
        return self._read(lambda r: r.status()["quarantine"]) or {}

    def faults(self, kind: str = "signal-fault") -> list[tuple[str | None, str | None, str]]:
        """The oldest first."""
        events = self._read(lambda r: r.events(limit=100)) or []
        return [(e.detail, e.signal, str(e.transition)) for e in reversed(events) if e.kind == kind]


@contextmanager
def running(config: Settings, clock: Callable[[], int] = time.time_ns) -> Iterator[Running]:
    load_engine()       # compiling would take the patience of what waits for readings
    daemon, stop = Running(config), threading.Event()
    thread = threading.Thread(target=watch, args=(config, clock, stop, daemon.said.append, daemon.said.append))
    thread.start()
    try:
        yield daemon
    finally:
        stop.set()
        thread.join(20)
    assert not thread.is_alive()


def soon(condition: Callable[[], Any], seconds: float = 30.0, what: str = "") -> None:
    """Asked seldom: the daemon and its peers need the interpreter too."""

    def patiently() -> Any:
        time.sleep(0.1)
        return condition()

    eventually(patiently, seconds, what)


def arrived(daemon: Running, count: int) -> None:
    soon(lambda: daemon.size() >= count, PATIENCE_S, f"{count} readings")


def complete(daemon: Running, count: int) -> Rows:
    arrived(daemon, count)
    return daemon.rows()


def lost(daemon: Running) -> dict[str | None, str]:
    """What was told last of each source that has been away."""
    return {about: last for detail, about, last in daemon.faults("monitor-fault") if detail == "source-lost"}


def as_sent(values: np.ndarray, start: int) -> Rows:
    n = values.shape[0]
    return Rows(np.repeat(start + np.arange(n) * STEP, 3), np.tile(np.arange(3, dtype=np.int16), n), values.ravel(),
                np.zeros(3 * n, np.uint8))


def same(found: Rows, wanted: Rows) -> None:
    for name, a, b in zip(Rows._fields, found, wanted, strict=True):
        np.testing.assert_array_equal(a, b, name)


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[mosquitto]:
    with mosquitto(tmp_path_factory.mktemp("broker")) as service:
        yield service


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory, broker: mosquitto) -> tuple[np.ndarray, int, Rows]:
    """Values, when they begin, and what is stored of them when they come over plain MQTT."""
    runs = [clogging_run(seed) for seed in range(1, ROWS // 2_600 + 2)]
    values = np.clip(np.vstack(runs)[:ROWS], 0.0, (60.0, 60.0, 1_000.0))     # what is out of range is marked uncertain
    start = time.time_ns() // NS * NS - ROWS * STEP - 100 * NS
    sent = messages(values, start, STEP)
    config = settings(tmp_path_factory.mktemp("mqtt"), broker.port, TOPICS)
    with running(config) as daemon:
        soon(lambda: any("connected" in line for line in daemon.said))
        publisher = Publisher(broker.port)
        for k in range(0, len(sent), 3 * PIECE):
            assert publisher.send(sent[k:k + 3 * PIECE], patience=30)
        publisher.close()
        rows = complete(daemon, values.size)
    same(rows, as_sent(values, start))
    return values, start, rows


def test_sparkplug_gives_what_mqtt_gives_reading_for_reading(tmp_path, broker, day):
    values, start, wanted = day
    edge = Edge(broker.port, COLUMNS)
    stamp = [(start + STEP * k) // 1_000_000 for k in range(len(values))]
    edge.values = dict(zip(COLUMNS, ((v, stamp[0]) for v in values[0]), strict=True))
    edge.connect()
    with running(settings(tmp_path / "a", broker.port, SPARKPLUG)) as daemon:
        arrived(daemon, 3)             # of the birth that was asked for
        for k in range(1, len(values)):
            edge.send(dict(zip(COLUMNS, ((v, stamp[k]) for v in values[k]), strict=True)))
            if k % PIECE == 0:
                arrived(daemon, 3 * k)
        rows = complete(daemon, wanted.size)
    edge.close()
    same(rows, wanted)


def test_a_death_makes_signals_stale_at_once_and_a_birth_brings_them_back(tmp_path, broker, monkeypatch):
    monkeypatch.setattr(clock, "GRACE_S", 0.3)      # so long a connection must have lasted before silence counts
    edge = Edge(broker.port, COLUMNS, node="mortal")
    edge.connect()
    places = {name: place.replace('"intake"', '"mortal"') for name, place in SPARKPLUG.items()}
    with running(settings(tmp_path / "a", broker.port, places)) as daemon:
        arrived(daemon, 3)
        died = time.monotonic()
        edge.drop()
        soon(lambda: len(daemon.faults()) == 3, 20)
        assert daemon.faults() == [("stale", name, "raised") for name in COLUMNS]
        assert time.monotonic() - died < 10     # silence would tell after ten minutes
        edge.connect()
        soon(lambda: len(daemon.faults()) == 6, 20)
        edge.send({"up": (5.0, edge.ms())})
        edge.skip()                                 # a message is lost
        births = edge.births
        edge.send({"up": (6.0, edge.ms() + 1)})
        soon(lambda: edge.births > births, 15, "a birth asked for")
        soon(lambda: 6.0 in daemon.rows().value, 15, "what was held")
        edge.device_dies()
        soon(lambda: len(daemon.faults()) == 9, 20)
        edge._client.publish(edge.topic("DDATA"), b"\xff\xff", qos=0)
        soon(lambda: daemon.counts().get("undecodable") == 1)
    edge.close()


def test_opcua_gives_what_mqtt_gives_reading_for_reading(tmp_path, broker, day):
    values, start, wanted = day
    with OpcuaServer(COLUMNS) as server:
        first = [(n, v, start) for n, v in zip(COLUMNS, values[0], strict=True)]
        server.write(first)
        source = f'[[source.opcua]]\nid = "plc-1"\nurl = "{server.url}"\nsecurity = "none"\nsampling = "50 ms"\n'
        with running(settings(tmp_path / "a", broker.port, OPCUA, source)) as daemon:
            arrived(daemon, 3)
            for k in range(1, len(values), 80):
                piece = range(k, min(k + 80, len(values)))
                server.write([(n, v, start + i * STEP) for i in piece
                              for n, v in zip(COLUMNS, values[i], strict=True)])
                arrived(daemon, 3 * (piece[-1] + 1))
            same(complete(daemon, wanted.size), wanted)
            later = start + ROWS * STEP + 100 * NS
            server.write([("up", 5.0, later)], status=0x80000000)
            server.write([("up", 5.0, later + NS)], status=0x40000000)
            server.write([("up", float("nan"), later + 2 * NS)])
            server.write([("up", 1e6, later + 3 * NS)])
            soon(lambda: {"bad-quality", "not-finite", "out-of-range"} <= daemon.counts().keys())
            rows = daemon.rows()
            qualities = rows.quality[(rows.signal == 0) & (rows.time >= later)].tolist()
            assert qualities == [Quality.BAD, Quality.UNCERTAIN, Quality.BAD]


def test_a_variable_that_an_opcua_server_has_not_is_set_aside_and_the_rest_is_read(tmp_path, broker):
    with OpcuaServer(("up", "flow")) as server:
        source = f'[[source.opcua]]\nid = "plc-1"\nurl = "{server.url}"\nsecurity = "none"\nsampling = "50 ms"\n'
        with running(settings(tmp_path / "a", broker.port, OPCUA, source)) as daemon:
            soon(lambda: daemon.counts().get("unknown-signal"))     # there is no variable "down"
            server.write([("flow", 5.0, time.time_ns())])
            soon(lambda: 5.0 in daemon.rows().value)
            assert set(daemon.rows().signal.tolist()) == {0, 2}


def test_modbus_gives_what_mqtt_gives_reading_for_reading(tmp_path, broker, day):
    values, start, wanted = day
    step = -1

    def look(function: int, registers: list[int]) -> int:
        nonlocal step
        del function
        step += 1
        if step >= len(values):
            return 4
        for i, value in enumerate(values[step].tolist()):
            registers[4 * i:4 * i + 4] = AsyncModbusTcpClient.convert_to_registers(
                value, AsyncModbusTcpClient.DATATYPE.FLOAT64, word_order="little")
        return 0

    with ModbusDevice(look) as device:
        source = f'[[source.modbus]]\nid = "io-1"\nhost = "127.0.0.1"\nport = {device.port}\n'
        config = settings(tmp_path / "a", broker.port, MODBUS, source)
        quick = replace(config.source.modbus[0], poll_s=0.002)
        config = replace(config, source=replace(config.source, modbus=(quick,)))
        # Our clock is what dates a polled value: it moves on as the device is asked.
        with running(config, lambda: start + max(step, 0) * STEP) as daemon:
            rows = complete(daemon, wanted.size)
            soon(lambda: daemon.counts().get("bad-quality", 0) >= 6)      # asked for more than there is
    same(rows.take(slice(0, wanted.size)), wanted)


def test_a_site_that_speaks_no_mqtt_needs_no_broker(tmp_path):
    with ModbusDevice() as device:
        source = f'[[source.modbus]]\nid = "io-1"\nhost = "127.0.0.1"\nport = {device.port}\npoll = "100 ms"\n'
        config = settings(tmp_path / "a", 1, MODBUS, source)
        path = Path(config.skids[0].source)
        path.write_text(path.read_text().replace("[broker]\nport = 1\n", ""))
        assert load(path).broker is None
        with DaemonProcess(path) as daemon:
            soon(lambda: Running(config).size() >= 30, 60, "readings")
            done = bagwright("shelve", "rig/dp-limit", "--for", "1 h", "--why", "tried", "--config", path, cwd=tmp_path)
            assert done.code == 0 and "shelved" in done.out, done
            told = bagwright("status", "--config", path, cwd=tmp_path).out
            captured = bagwright("record", "--config", path, "--out", "some.jsonl", "--for", "1", cwd=tmp_path)
            assert daemon.stop() == 0
    assert "broker    none" in told and "mqtt" not in told, told
    assert "outbox    nothing yet" in told      # nobody would ever fetch it
    assert captured.code == 0 and len((tmp_path / "some.jsonl").read_text().splitlines()) >= 3, captured
    said = daemon.log.read_text()
    assert "broker    none" in said and "connected to the Modbus device io-1" in said
    assert "roubl" not in said and "cannot be reached" not in said, said


def test_a_server_that_is_away_is_a_fault_of_our_own_its_signals_are_gone_and_it_is_found_again(
    tmp_path, broker, monkeypatch
):
    monkeypatch.setattr(link, "AWAY_S", 0.5)
    monkeypatch.setattr(link, "GONE_S", 1.0)
    monkeypatch.setattr(opcua, "BREAK_S", 1.0)
    monkeypatch.setattr(link, "Backoff", partial(link.Backoff, low=0.1, high=0.3))
    monkeypatch.setattr(clock, "GRACE_S", 0.3)
    server, device = OpcuaServer(COLUMNS).start(), ModbusDevice().start()
    sources = (f'[[source.opcua]]\nid = "plc-1"\nurl = "{server.url}"\nsecurity = "none"\nsampling = "50 ms"\n'
               f'[[source.modbus]]\nid = "io-1"\nhost = "127.0.0.1"\nport = {device.port}\npoll = "200 ms"\n')
    places = OPCUA | {"flow": MODBUS["flow"]}
    with running(settings(tmp_path / "a", broker.port, places, sources)) as daemon:
        server.write([(name, 2.0, time.time_ns()) for name in COLUMNS])
        soon(lambda: set(daemon.rows().signal.tolist()) == {0, 1, 2})
        soon(lambda: set(lost(daemon).values()) <= {"cleared"})      # on a slow machine one has been away already
        before = len(daemon.faults())
        server.stop()
        device.stop()
        soon(lambda: len(daemon.faults()) == before + 3)
        assert sorted(daemon.faults()[before:]) == sorted(("stale", name, "raised") for name in COLUMNS)
        assert lost(daemon) == {"plc-1": "raised", "io-1": "raised"}
        server.start()
        device.start()
        server.write([(name, 2.0, time.time_ns()) for name in COLUMNS])
        soon(lambda: lost(daemon) == {"plc-1": "cleared", "io-1": "cleared"})
        server.write([(name, 3.0, time.time_ns()) for name in COLUMNS])
        soon(lambda: len(daemon.faults()) == before + 6)
        for name in ("the OPC UA server plc-1", "the Modbus device io-1"):
            assert any(name in line and "tried again" in line for line in daemon.said)
    server.stop()
    device.stop()


def test_a_secured_server_lets_us_in_with_certificate_and_password_and_nobody_without(tmp_path, broker):
    ours = certificate(tmp_path / "ours", "urn:hatchery:monitor")
    its = certificate(tmp_path / "its", "urn:hatchery:plc")
    for name, text in (("right", "river\n"), ("wrong", "sea\n")):
        (tmp_path / name).write_text(text)
    with OpcuaServer(COLUMNS, secured=its, users={"intake": "river"}) as server:
        more = "".join(
            f'[[source.opcua]]\nid = "{name}"\nurl = "{server.url}"\nsampling = "50 ms"\ntimeout = "1 s"\n'
            f'cert_file = "{ours[0]}"\nkey_file = "{ours[1]}"\nserver_cert_file = "{theirs}"\n'
            f'username = "intake"\npassword_file = "{tmp_path / password}"\n'
            for name, theirs, password in (
                ("plc-1", its[0], "right"), ("password", its[0], "wrong"), ("stranger", ours[0], "right"))
        )
        places = {name: OPCUA[name].replace("plc-1", source)
                  for name, source in zip(COLUMNS, ("plc-1", "password", "stranger"), strict=True)}
        server.write([(name, 2.0, time.time_ns()) for name in COLUMNS])
        with running(settings(tmp_path / "a", broker.port, places, more)) as daemon:
            soon(lambda: all(any(f"OPC UA server {n}" in x for x in daemon.said) for n in ("password", "stranger")))
            assert complete(daemon, 1).signal.tolist() == [0]
        told = "\n".join(line for line in daemon.said if "OPC UA" in line)
        assert "connected to the OPC UA server plc-1" in told and told.count("connected to") == 1
        assert "BadUserAccessDenied" in told or "BadIdentityTokenRejected" in told, told
        assert "sea" not in told and "river" not in told


def certificate(folder: Path, uri: str) -> tuple[Path, Path]:
    """A self-signed one and its key, as OPC UA applications have them."""
    folder.mkdir()
    cert, key = folder / "cert.der", folder / "key.pem"
    use = ExtendedKeyUsageOID.SERVER_AUTH if "plc" in uri else ExtendedKeyUsageOID.CLIENT_AUTH
    asyncio.run(setup_self_signed_certificate(key, cert, uri, "localhost", [use], {"commonName": uri}))
    return cert, key


def test_what_a_modbus_device_refuses_or_mangles_is_set_aside_with_its_reason(tmp_path, broker):
    answers = iter([0, 2, 11, 0, 0])

    def look(function: int, registers: list[int]) -> int:
        del function
        registers[:4] = AsyncModbusTcpClient.convert_to_registers(
            float("nan"), AsyncModbusTcpClient.DATATYPE.FLOAT64, word_order="little")
        return next(answers, 0)

    with ModbusDevice(look) as device:
        source = f'[[source.modbus]]\nid = "io-1"\nhost = "127.0.0.1"\nport = {device.port}\npoll = "50 ms"\n'
        with running(settings(tmp_path / "a", broker.port, MODBUS, source)) as daemon:
            soon(lambda: daemon.rows().size >= 12)
            rows, counts = daemon.rows(), daemon.counts()
    assert counts["not-finite"] > 0 and counts["bad-quality"] >= 9     # of three signals: said why, no value; gone
    assert rows.quality[rows.signal == 1].tolist()[:4] == [Quality.GOOD, Quality.BAD, Quality.GONE, Quality.GOOD]
