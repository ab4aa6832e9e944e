"""All edge nodes that signals are bound to: their messages become readings, and births are asked for where needed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from monitor.ingest.mqtt_parts import Message
from monitor.ingest.reading import refused
from monitor.ingest.sparkplug.node import Came, EdgeNode, Name
from monitor.ingest.sparkplug.payload import DecodeError, new_payload, rebirth
from monitor.model import Reason
from monitor.skid import Signal, SparkplugPlace

NAMESPACE = "spBv1.0"
NODE_KINDS = ("NBIRTH", "NDEATH", "NDATA")
DEVICE_KINDS = ("DBIRTH", "DDEATH", "DDATA")
MOST_METRICS = 50_000


class Request(NamedTuple):
    """A command to be published: topic and payload, at QoS 0."""

    topic: str
    payload: bytes


class SparkplugHost:
    """signals: of all skids; those without a place in Sparkplug are left aside."""

    def __init__(self, signals: Iterable[Signal]) -> None:
        bound: dict[tuple[str, str], dict[Name, Signal]] = {}
        for signal in signals:
            place = signal.place
            if isinstance(place, SparkplugPlace):
                bound.setdefault((place.group, place.node), {})[place.device, place.metric] = signal
        self._nodes = {key: EdgeNode(names) for key, names in bound.items()}

    @property
    def topics(self) -> list[str]:
        """What has to be subscribed to: all of a node, since one sequence goes through all of its messages."""
        return [
            topic for group, node in self._nodes
            for topic in (*(f"{NAMESPACE}/{group}/{kind}/{node}" for kind in NODE_KINDS),
                          *(f"{NAMESPACE}/{group}/{kind}/{node}/+" for kind in DEVICE_KINDS))
        ]  # fmt: skip

    def mine(self, message: Message) -> bool:
        return message.topic.startswith(f"{NAMESPACE}/")

    def take(self, message: Message) -> Iterator[Message]:
        """Readings and refusals of one message, in order."""
        levels = message.topic.split("/")
        node = self._nodes.get((levels[1], levels[3])) if len(levels) in (4, 5) else None
        kind, device = (levels[2], levels[4] if len(levels) == 5 else None) if node is not None else ("", None)
        if node is None or kind not in (NODE_KINDS if device is None else DEVICE_KINDS):
            yield _refuse(message, Reason.UNKNOWN_SIGNAL, "no signal is bound to this node")
            return
        if message.retain:
            yield _refuse(message, Reason.RETAINED, "a retained message: its age is unknown")
            return
        try:
            payload = new_payload(message.payload)
        except DecodeError:
            yield _refuse(message, Reason.UNDECODABLE, "no payload of Sparkplug B")
            return
        if len(payload.metrics) > MOST_METRICS:
            yield _refuse(message, Reason.TOO_LARGE, f"{len(payload.metrics)} metrics; accepted: up to {MOST_METRICS}")
            return
        yield from node.take(Came(kind, device, payload, message))

    def pass_time(self, now: int) -> Iterator[Message]:
        """What follows from nothing having come until `now` [ns]."""
        for node in self._nodes.values():
            yield from node.pass_time(now)

    def requests(self, now: int) -> Iterator[Request]:
        """Births to be asked for."""
        for (group, name), node in self._nodes.items():
            if node.wants_birth(now):
                yield Request(f"{NAMESPACE}/{group}/NCMD/{name}", rebirth(now))

    def connected(self) -> None:
        """A connection to the broker was made: what came before it at QoS 0 is lost."""
        for node in self._nodes.values():
            node.missed()


def _refuse(message: Message, reason: Reason, note: str) -> Message:
    return refused(message.topic, message.payload.hex().encode(), message.arrival, reason, note)
