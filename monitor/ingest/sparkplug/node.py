"""One edge node: its births, deaths, aliases and sequence (Eclipse Sparkplug 3.0.0, chapters 5 and 6.4).

Metrics after a gap in the sequence are held: what was lost may have been a birth that gave an alias another meaning.
They are let go when what was missing arrives, or when the birth then asked for gives their aliases the same names.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from monitor.ingest.mqtt_parts import Message
from monitor.ingest.reading import gone, reading, refused
from monitor.ingest.sparkplug.metric import OddMetricError, quality_of, time_of, value_of
from monitor.model import NS, Reason
from monitor.skid import Signal

REORDER_S = 1.0         # how long what is missing may take: less than `lateness`, or it would come too late anyway
BIRTH_S = 10.0          # how long a birth that was asked for may take before what is held is given up
ASK_S = (5.0, 300.0)    # between requests for a birth: doubles while none comes
HELD = 1_000            # messages held of a node
SEQUENCE = 256
BD_SEQ = "bdSeq"

Name = tuple[str | None, str]       # device (None: the node itself), metric
Alias = tuple[Name, int]            # what an alias means, and its datatype


class Came(NamedTuple):
    """A message as it was parsed. kind: NDATA, DBIRTH and so on."""

    kind: str
    device: str | None
    payload: Any
    message: Message


class EdgeNode:
    """signals: those bound to metrics of this node."""

    def __init__(self, signals: Mapping[Name, Signal]) -> None:
        self._signals = signals
        self._born = False
        self._bd_seq: int | None = None
        self._next = 0
        self._aliases: dict[int, Alias] = {}
        self._former: dict[int, Alias] = {}         # of the birth before
        self._types: dict[Name, int] = {}
        self._devices: set[str] = set()
        self._dead: set[str | None] = set()         # told dead and not born since: devices, None for the node
        self._held: list[Came] = []
        self._gap: int | None = None                # since when something is missing [ns]
        self._lost = False                          # it will not come: a birth is needed
        self._doubt: int | None = None              # a death came [ns] of a node whose birth is not known
        self._wants_birth = True
        self._asked, self._patience = 0, 0.0

    # ---- what comes

    def take(self, came: Came) -> Iterator[Message]:
        """Readings and refusals of a message."""
        match came.kind:
            case "NBIRTH":
                yield from self._node_birth(came)
            case "NDEATH":
                yield from self._node_death(came)
            case _ if not self._born:
                self._wants_birth = True
                yield _refuse(came, Reason.NO_BIRTH, "no birth of this node is known yet; it is asked for")
            case _ if not came.payload.HasField("seq"):
                yield _refuse(came, Reason.UNDECODABLE, "no seq, which every such message must have")
            case _ if self._lost or came.payload.seq != self._next:
                yield from self._hold(came)
            case _:
                yield from self._in_turn(came)
                yield from self._let_go()

    def pass_time(self, now: int) -> Iterator[Message]:
        """What follows from nothing having come until `now` [ns]."""
        if self._gap is not None and not 0 <= now - self._gap <= REORDER_S * NS:
            self._gap, self._lost, self._wants_birth = None, True, True
        if self._doubt is not None and not 0 <= now - self._doubt <= BIRTH_S * NS:
            self._doubt = None
            yield from self._all_gone(now)
        if self._held and not 0 <= now - self._held[0].message.arrival <= BIRTH_S * NS:
            held, self._held = self._held, []
            for came in held:
                yield _refuse(came, Reason.SEQUENCE_GAP, "a message of this node was lost, and no birth came since")

    def wants_birth(self, now: int) -> bool:
        """Whether a birth is to be asked for now; not again until some time has passed."""
        if not self._wants_birth or 0 <= now - self._asked < self._patience * NS:
            return False
        self._asked, self._patience = now, min(max(2 * self._patience, ASK_S[0]), ASK_S[1])
        return True

    def missed(self) -> None:
        """We were not there for a while."""
        self._wants_birth = True

    # ---- births and deaths

    def _node_birth(self, came: Came) -> Iterator[Message]:
        names = _names(came, self._aliases)
        if names is None or not came.payload.HasField("seq"):
            yield _refuse(came, Reason.UNDECODABLE, "a birth without seq, or with one alias for two metrics")
            return
        revived = None in self._dead
        self._former, self._aliases, self._types = self._aliases, names, _types(came)
        self._born, self._bd_seq, self._next = True, _bd_seq(came.payload), (came.payload.seq + 1) % SEQUENCE
        self._devices, self._doubt, self._gap, self._lost = set(), None, None, False
        self._dead.discard(None)
        self._wants_birth, self._patience = False, ASK_S[0]
        yield from self._metrics(came, self._aliases, revived=revived)
        yield from self._after_birth(None)

    def _device_birth(self, came: Came) -> Iterator[Message]:
        names = _names(came, self._aliases)
        if names is None:
            self._wants_birth = True
            yield _refuse(came, Reason.UNDECODABLE, "a birth with one alias for two metrics")
            return
        device = came.device
        assert device is not None
        kept = {alias: what for alias, what in self._aliases.items() if what[0][0] != device}
        if kept.keys() & names.keys():
            self._wants_birth = True
            yield _refuse(came, Reason.UNDECODABLE, "a birth with an alias that another metric of the node has")
            return
        self._aliases = kept | names
        self._types |= _types(came)
        self._devices.add(device)
        revived = device in self._dead
        self._dead.discard(device)
        yield from self._metrics(came, self._aliases, revived=revived)
        yield from self._after_birth(device)

    def _node_death(self, came: Came) -> Iterator[Message]:
        """It counts only for the birth that it belongs to: an earlier session's may come late."""
        if not self._born:
            if None not in self._dead and self._doubt is None:
                self._doubt, self._wants_birth = came.message.arrival, True
        elif self._bd_seq is None or _bd_seq(came.payload) in (None, self._bd_seq):
            yield from self._all_gone(came.message.arrival)

    def _all_gone(self, now: int) -> Iterator[Message]:
        self._born, self._gap, self._lost = False, None, False
        self._dead |= {None, *(device for device, _ in self._signals)}
        self._devices = set()
        yield from (gone(signal, now) for signal in self._signals.values())

    def _device_death(self, came: Came) -> Iterator[Message]:
        self._devices.discard(came.device or "")
        self._dead.add(came.device)
        for (device, _), signal in self._signals.items():
            if device == came.device:
                yield gone(signal, came.message.arrival)

    # ---- the sequence

    def _in_turn(self, came: Came) -> Iterator[Message]:
        self._next = (came.payload.seq + 1) % SEQUENCE
        match came.kind:
            case "DBIRTH":
                yield from self._device_birth(came)
            case "DDEATH":
                yield from self._device_death(came)
            case "DDATA" if came.device not in self._devices:
                self._wants_birth = True
                yield _refuse(came, Reason.NO_BIRTH, "no birth of this device is known; it is asked for")
            case _:
                yield from self._metrics(came, self._aliases)

    def _hold(self, came: Came) -> Iterator[Message]:
        if self._gap is None and not self._lost:
            self._gap = came.message.arrival
        if came.kind == "DDEATH":       # not to be waited with
            yield from self._device_death(came)
        if len(self._held) >= HELD:
            yield _refuse(came, Reason.SEQUENCE_GAP, f"{HELD} messages wait already for one that was lost")
            return
        self._held.append(came)

    def _let_go(self) -> Iterator[Message]:
        """What was held and now follows."""
        while True:
            at = next((i for i, came in enumerate(self._held) if came.payload.seq == self._next), None)
            if at is None:
                break
            yield from self._in_turn(self._held.pop(at))
        if not self._held:
            self._gap = None

    def _after_birth(self, device: str | None) -> Iterator[Message]:
        """What was held, now that a birth says again what its aliases mean. Births in it are older than this one."""
        held = [came for came in self._held if came.device == device]
        self._held = [came for came in self._held if came.device != device]
        same = {alias: what for alias, what in self._former.items() if self._aliases.get(alias) == what}
        for came in held:
            if came.kind in ("NDATA", "DDATA"):
                yield from self._metrics(came, same, Reason.SEQUENCE_GAP)

    # ---- metrics

    def _metrics(self, came: Came, aliases: Mapping[int, Alias], unknown: Reason = Reason.NO_BIRTH, *,
                 revived: bool = False) -> Iterator[Message]:
        """revived: a birth after a death: its values hold from the birth on, whenever they were measured."""
        for metric in came.payload.metrics:
            name, datatype = _name(metric, came.device), metric.datatype
            if name is None:
                known = aliases.get(metric.alias)
                if known is None or known[0][0] != came.device:
                    self._wants_birth = True
                    yield _refuse(came, unknown, f"alias {metric.alias}: no birth of this sender says what it means")
                    continue
                name, datatype = known[0], datatype or known[1]
            signal = self._signals.get(name)
            if signal is None:
                continue
            time = time_of(came.payload if revived and came.payload.HasField("timestamp") else metric, came.payload)
            if metric.is_historical and time is None:
                yield _refuse(came, Reason.BAD_TIME, f"{name[1]}: a historical value without a time")
                continue
            try:
                value = value_of(metric, datatype or self._types.get(name, 0))
            except OddMetricError as error:
                yield _refuse(came, Reason.UNDECODABLE, f"{name[1]}: {error}")
                continue
            yield reading(signal, value, time, came.message.arrival, quality_of(metric))


def _refuse(came: Came, reason: Reason, note: str) -> Message:
    return refused(came.message.topic, came.message.payload.hex().encode(), came.message.arrival, reason, note)


def _name(metric: Any, device: str | None) -> Name | None:
    """None where it has an alias only."""
    return (device, metric.name) if metric.name else None


def _names(came: Came, former: Mapping[int, Alias]) -> dict[int, Alias] | None:
    """What the aliases of a birth mean, None where one means two things."""
    names: dict[int, Alias] = {}
    for metric in came.payload.metrics:
        if not metric.HasField("alias") or not metric.name:
            continue
        if metric.alias in names:
            return None
        names[metric.alias] = ((came.device, metric.name), metric.datatype)
    return names


def _types(came: Came) -> dict[Name, int]:
    return {(came.device, metric.name): metric.datatype for metric in came.payload.metrics if metric.name}


def _bd_seq(payload: Any) -> int | None:
    for metric in payload.metrics:
        if metric.name == BD_SEQ and metric.WhichOneof("value") in ("int_value", "long_value"):
            return int(metric.int_value or metric.long_value)
    return None
