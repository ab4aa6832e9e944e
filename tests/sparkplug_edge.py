"""The other end of Sparkplug B: payloads by the message classes generated from the specification's own definition (as
the package esio-spb-builder carries them), and an edge node on paho that does what chapters 5 and 6 ask of one."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from esio_spb_builder.core import sparkplug_b_pb2 as spb
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

INT8, INT16, INT32, INT64, UINT64, FLOAT, DOUBLE, BOOLEAN, STRING = 1, 2, 3, 4, 8, 9, 10, 11, 12
FIELDS = {INT8: "int_value", INT16: "int_value", INT32: "int_value", INT64: "long_value", UINT64: "long_value",
          FLOAT: "float_value", DOUBLE: "double_value", BOOLEAN: "boolean_value", STRING: "string_value"}


def metric(value: Any, *, name: str | None = None, alias: int | None = None, ms: int | None = None,
           datatype: int = DOUBLE, quality: int | None = None, historical: bool = False) -> Any:  # fmt: skip
    """value: None is null."""
    made = spb.Payload.Metric()
    for field, given in (("name", name), ("alias", alias), ("timestamp", ms), ("datatype", datatype or None)):
        if given is not None:
            setattr(made, field, given)
    if value is None:
        made.is_null = True
    else:
        signed = datatype in (INT8, INT16, INT32, INT64)
        setattr(made, FIELDS[datatype or DOUBLE],
                value & (2**64 - 1 if datatype == INT64 else 2**32 - 1) if signed else value)
    if historical:
        made.is_historical = True
    if quality is not None:
        made.properties.keys.append("Quality")
        made.properties.values.add(type=INT32, int_value=quality)
    return made


def payload(metrics: Iterable[Any], seq: int | None, ms: int | None = None) -> bytes:
    made = spb.Payload()
    if seq is not None:
        made.seq = seq
    if ms is not None:
        made.timestamp = ms
    made.metrics.extend(metrics)
    return made.SerializeToString()


def bd_seq(number: int) -> Any:
    return metric(number, name="bdSeq", datatype=INT64)


class Edge:
    """An edge node with one device, whose metrics are known by alias after their birth. names: of the device's metrics.
    now: its clock.

    It answers the command Node Control/Rebirth, and dies by its will when `drop` cuts the connection.
    """

    def __init__(self, port: int, names: Iterable[str], *, group: str = "hatchery", node: str = "intake",
                 device: str = "skid-1", now: Callable[[], int] = time.time_ns) -> None:  # fmt: skip
        self.ms = lambda: now() // 1_000_000
        self.names, self.group, self.node, self.device = list(names), group, node, device
        self.values: dict[str, tuple[float, int]] = dict.fromkeys(self.names, (0.0, self.ms()))
        self.seq, self.bd, self.births = 0, -1, 0
        self._lock = threading.RLock()
        self._port = port
        self._client: Client | None = None

    def topic(self, kind: str) -> str:
        return f"spBv1.0/{self.group}/{kind}/{self.node}" + (f"/{self.device}" if kind[0] == "D" else "")

    def connect(self, *, birth: bool = True) -> None:
        self.bd = (self.bd + 1) % 256
        up = threading.Event()
        client = self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv311)
        client.will_set(self.topic("NDEATH"), payload([bd_seq(self.bd)], None), qos=1)
        client.on_connect = lambda c, *_: c.subscribe(self.topic("NCMD"), 1)
        client.on_subscribe = lambda *_: up.set()
        client.on_message = self._command
        client.connect("127.0.0.1", self._port, 10)
        client.loop_start()
        assert up.wait(10)
        if birth:
            self.birth()

    def _command(self, _client: Client, _data: Any, message: Any) -> None:
        asked = spb.Payload()
        asked.ParseFromString(message.payload)
        if any(m.name == "Node Control/Rebirth" and m.boolean_value for m in asked.metrics):
            self.birth()

    def birth(self) -> None:
        with self._lock:
            self.births += 1
            self.seq = 0
            now = self.ms()
            control = metric(False, name="Node Control/Rebirth", alias=0, datatype=BOOLEAN, ms=now)
            self._publish("NBIRTH", [bd_seq(self.bd), control], now)
            self._publish("DBIRTH", [metric(self.values[n][0], name=n, alias=i, ms=self.values[n][1])
                                     for i, n in enumerate(self.names, 1)], now)

    def send(self, values: Mapping[str, tuple[float, int]], **flags: Any) -> None:
        """values: name -> (value, time in ms)."""
        with self._lock:
            self.values |= values
            self._publish("DDATA", [metric(v, alias=self.names.index(n) + 1, ms=ms, datatype=0, **flags)
                                    for n, (v, ms) in values.items()], self.ms())

    def skip(self) -> None:
        """As if a message had been lost on the way."""
        with self._lock:
            self.seq = (self.seq + 1) % 256

    def device_dies(self) -> None:
        with self._lock:
            self._publish("DDEATH", [], self.ms())

    def _publish(self, kind: str, metrics: list[Any], ms: int) -> None:
        assert self._client is not None
        self._client.publish(self.topic(kind), payload(metrics, self.seq, ms), qos=0)
        self.seq = (self.seq + 1) % 256

    def drop(self) -> None:
        """The connection breaks; the broker publishes the will."""
        assert self._client is not None
        self._client.loop_stop()
        sock = self._client.socket()
        assert sock is not None
        sock.close()    # type: ignore[union-attr]

    def close(self) -> None:
        assert self._client is not None
        self._client.disconnect()
        self._client.loop_stop()
