"""Messages as they were taken become rows by skid, rejections, and nothing lost in between."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import chain

import numpy as np
import numpy.typing as npt

from monitor.daemon.clock import LiveTime
from monitor.ingest.decode import Decoded, Decoder
from monitor.ingest.mqtt import Message
from monitor.ingest.usual import Reader
from monitor.model import NS, Quality, Reason, Rejection, Rows
from monitor.settings import Settings

SETTLE_S = 30.0       # after a connection: how long a backlog may take to drain
NEVER = (0, 0)
NOBODY = range(0)
NO_ROWS = Rows.empty()
SHOWN = 200           # characters of a refused message that are kept

Ints = npt.NDArray[np.int64]


@dataclass(slots=True)
class Arrival:
    """Readings of one signal without a time of their own, by when they came."""

    last: int = 0
    interval: float = 0.0     # usual ns between arrivals, 0 until known
    draining_until: int = 0   # until then arrivals in quick succession are a backlog

    def believable(self, now: int) -> bool:
        """Whether the time of arrival can stand for the time of the reading."""
        gap, self.last = now - self.last, now
        if now < self.draining_until and (self.interval == 0.0 or gap < 0.5 * self.interval):
            return False
        self.draining_until = 0
        if gap < 3600 * NS:
            self.interval = gap if self.interval == 0.0 else self.interval + 0.1 * (gap - self.interval)
        return True


@dataclass(slots=True)
class Binding:
    """A signal of a topic."""

    skid: int
    signal: int
    skid_id: str
    signal_id: str
    decoder: Decoder
    arrival: Arrival = field(default_factory=Arrival)
    gone: bool = False      # what sends it is known to be


@dataclass(slots=True)
class Columns:
    """Readings one after the other, a list for each column. newest: of each skid the newest source time that is fed,
    and when it arrived [ns]."""

    skid: list[int] = field(default_factory=list)
    time: list[int] = field(default_factory=list)
    signal: list[int] = field(default_factory=list)
    value: list[float] = field(default_factory=list)
    quality: list[int] = field(default_factory=list)
    fed: list[bool] = field(default_factory=list)
    arrival: list[int] = field(default_factory=list)
    newest: dict[int, tuple[int, int]] = field(default_factory=dict)


@dataclass(slots=True)
class Taken:
    """What one take of messages came to: rows, those of a skid side by side in order of arrival.

    places: the skids they are of; starts: where each skid's rows begin, and the end of all. fed: False where the time
    is uncertain. newest, heard: of each place the newest source time that is fed, and when it arrived [ns]; 0: none.
    """

    places: Ints
    starts: Ints
    rows: Rows
    fed: npt.NDArray[np.bool_]
    newest: Ints
    heard: Ints
    rejections: list[Rejection] = field(default_factory=list)
    ended: set[int] = field(default_factory=set)    # skids of which every signal is known to be gone


class Intake:
    """Decodes messages by the topic's signals. live: tells the time of a skid that it has been told of."""

    def __init__(self, settings: Settings, live: LiveTime) -> None:
        self._live = live
        skids, of_topic = settings.skids, dict[str, list[tuple[int, int]]]()
        for i, skid in enumerate(skids):
            for k, signal in enumerate(skid.signals):
                of_topic.setdefault(signal.topic, []).append((i, k))
        self._bindings: list[Binding] = []
        self._of_topic: dict[str, range] = {}
        shared = set[int]()     # bindings of a topic that several skids have
        for topic, places in of_topic.items():
            bound = range(len(self._bindings), len(self._bindings) + len(places))
            self._of_topic[topic] = bound
            if len({i for i, _ in places}) > 1:
                shared.update(bound)
            self._bindings += [Binding(i, k, skids[i].id, skids[i].signals[k].id, Decoder(skids[i].signals[k]))
                               for i, k in places]  # fmt: skip
        self._skid = np.array([b.skid for b in self._bindings], np.int64)
        self._signal = np.array([b.signal for b in self._bindings], np.int16)
        self._stamped = np.zeros(len(self._bindings), np.int64)     # newest time of its own taken of each [ns]
        self._reader = Reader([skids[b.skid].signals[b.signal] for b in self._bindings], besides=shared)
        self._gone = [0] * len(skids)               # signals of each skid that are known to be gone
        self._signals = [len(skid.signals) for skid in skids]
        self._generation = 0

    def take(self, messages: Sequence[Message]) -> Taken:
        """The usual messages all together; the others one by one, and with them all of the same skids: what a message
        means may depend on those before it."""
        alone, rejections = Columns(), list[Rejection]()
        if not messages:
            return _taken(alone, NO_ROWS, np.empty(0, np.int64), np.empty(0, np.int64), rejections)
        topics, payloads, retained, arrivals, generations, _, _, reasons, _ = zip(*messages, strict=True)
        bound = [self._of_topic.get(topic, NOBODY) for topic in topics]
        counts = np.fromiter(map(len, bound), np.int64, len(bound))
        which = np.repeat(np.arange(counts.size), counts)
        binding = np.fromiter(chain.from_iterable(bound), np.int64, which.size)
        found = self._reader.read(payloads, arrivals, which, binding)
        odd = (counts == 0) | np.array(retained, np.bool_) | np.array([r is not None for r in reasons], np.bool_)
        odd[which[~found.known]] = True
        if any(self._gone) or not {0, self._generation}.issuperset(generations):
            odd[:] = True
        elif odd.any():
            skids = np.zeros(len(self._signals), np.bool_)
            skids[self._skid[binding[odd[which]]]] = True
            odd[which[skids[self._skid[binding]]]] = True
        usual = np.flatnonzero(~odd[which])
        of, time = binding[usual], found.time[usual]
        np.maximum.at(self._stamped, of, time)
        for m in np.flatnonzero(odd).tolist():
            self._one(messages[m], bound[m], rejections, alone)
        rows = Rows(time, self._signal[of], found.value[usual], found.quality[usual])
        taken = _taken(alone, rows, self._skid[of], np.array(arrivals, np.int64)[which[usual]], rejections)
        if any(self._gone):
            taken.ended.update(i for i in alone.newest if self._gone[i] == self._signals[i])
        return taken

    def _one(self, message: Message, bound: range, rejections: list[Rejection], columns: Columns) -> None:
        if message.reason is not None:
            rejections.append(_refuse(message, None, message.reason, message.note))
            return
        if message.generation and message.generation != self._generation:
            self._reconnected(message)
        if not bound:
            note = "no configured signal has this topic"
            rejections.append(_refuse(message, None, Reason.UNKNOWN_SIGNAL, note))
        for k in bound:
            self._reading(message, k, rejections, columns)

    def _reconnected(self, message: Message) -> None:
        self._generation = message.generation
        for binding in self._bindings:
            if binding.arrival.last:
                binding.arrival.draining_until = message.arrival + round(SETTLE_S * NS)

    def _reading(self, message: Message, k: int, rejections: list[Rejection], columns: Columns) -> None:
        binding = self._bindings[k]
        if message.retain:
            note = "a retained message: its age is unknown, so it is no fresh reading"
            rejections.append(_refuse(message, binding, Reason.RETAINED, note))
            return
        # A transmitter's time that goes on as before is no time ahead: our own clock was put back.
        reading = binding.decoder.decode(message.payload, max(message.arrival, int(self._stamped[k])))
        if reading.reason is not None:
            rejections.append(_refuse(message, binding, reading.reason, reading.note, reading.time))
        if not isinstance(reading, Decoded):
            return
        time = reading.time
        fed = True
        if binding.gone or reading.quality is Quality.GONE:
            self._presence(binding, reading.quality)
        if time is None and reading.quality is Quality.GONE:
            time = self._gone_at(binding.skid, message.arrival, columns)
            if time is None:
                return
        elif time is None:
            time = message.arrival
            if not binding.arrival.believable(message.arrival):
                fed = False
                note = "came in a burst after an outage without a time of its own: kept, not judged"
                rejections.append(_refuse(message, binding, Reason.TIME_UNCERTAIN, note, time))
        elif time > self._stamped[k]:
            self._stamped[k] = time
        columns.skid.append(binding.skid)
        columns.time.append(time)
        columns.signal.append(binding.signal)
        columns.value.append(reading.value)
        columns.quality.append(reading.quality)
        columns.fed.append(fed)
        columns.arrival.append(message.arrival)
        if fed and time > columns.newest.get(binding.skid, NEVER)[0]:
            columns.newest[binding.skid] = (time, message.arrival)

    def _presence(self, binding: Binding, quality: Quality) -> None:
        """Keep count of the signals that are known to be gone."""
        if binding.gone is not (quality is Quality.GONE):
            binding.gone = not binding.gone
            self._gone[binding.skid] += 1 if binding.gone else -1

    def _gone_at(self, skid: int, arrival: int, columns: Columns) -> int | None:
        """When that came, by the skid's transmitters' clocks: by ours it might lie before or after all they send. None
        where none of them was heard yet: then there is nothing to end either."""
        if skid in columns.newest:
            self._live.note(skid, *columns.newest[skid])
        return self._live.at(skid, arrival)


def _taken(alone: Columns, rows: Rows, skid: Ints, arrival: Ints, rejections: list[Rejection]) -> Taken:
    """Both kinds of readings by skid: of no skid are there both."""
    if alone.skid:
        others = Rows(np.array(alone.time, np.int64), np.array(alone.signal, np.int16),
                      np.array(alone.value, np.float64), np.array(alone.quality, np.uint8))  # fmt: skip
        rows, skid = Rows.concat([rows, others]), np.concatenate((skid, np.array(alone.skid, np.int64)))
        arrival = np.concatenate((arrival, np.array(alone.arrival, np.int64)))
    fed = np.ones(rows.size, np.bool_)
    fed[rows.size - len(alone.fed) :] = alone.fed
    order = np.argsort(skid, kind="stable")
    rows, skid, fed, arrival = rows.take(order), skid[order], fed[order], arrival[order]
    places, firsts, group = np.unique(skid, return_index=True, return_inverse=True)
    newest, heard = np.zeros(places.size, np.int64), np.zeros(places.size, np.int64)
    time = np.where(fed, rows.time, 0)
    np.maximum.at(newest, group, time)
    first = np.flatnonzero((time == newest[group]) & fed)[::-1]     # the last to be set is the first to have come
    heard[group[first]] = arrival[first]
    return Taken(places, np.append(firsts, rows.size), rows, fed, newest, heard, rejections)


def _refuse(message: Message, binding: Binding | None, reason: Reason, note: str, time: int | None = None) -> Rejection:
    return Rejection(
        reason=reason,
        skid=binding.skid_id if binding else None,
        signal=binding.signal_id if binding else None,
        where=message.topic,
        text=message.payload[: 4 * SHOWN].decode("utf-8", "replace")[:SHOWN],
        time=time,
        note=note,
    )
