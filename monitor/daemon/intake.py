"""Messages as they were taken become rows by skid, rejections, and nothing lost in between."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import chain
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.daemon.clock import LiveTime
from monitor.ingest.decode import Decoded, Decoder
from monitor.ingest.mqtt import Message
from monitor.model import NS, Quality, Reason, Rejection, Rows
from monitor.settings import Settings

SETTLE_S = 30.0       # after a connection: how long a backlog may take to drain
NEVER = (0, 0)
SHOWN = 200           # characters of a refused message that are kept


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
    """A signal of a topic. stamped: newest time of its own that was taken [ns]."""

    skid: int
    signal: int
    skid_id: str
    signal_id: str
    decoder: Decoder
    arrival: Arrival = field(default_factory=Arrival)
    stamped: int = 0
    gone: bool = False      # what sends it is known to be


class Part(NamedTuple):
    """Readings of one skid, a list for each column of its rows."""

    time: list[int]
    signal: list[int]
    value: list[float]
    quality: list[int]
    fed: list[bool]


@dataclass(slots=True)
class Taken:
    """What one take of messages came to. fed: False where the time is uncertain."""

    rows: dict[int, Rows] = field(default_factory=dict)
    fed: dict[int, npt.NDArray[np.bool_]] = field(default_factory=dict)
    rejections: list[Rejection] = field(default_factory=list)
    newest: dict[int, tuple[int, int]] = field(default_factory=dict)   # skid -> (source time, its arrival)
    ended: set[int] = field(default_factory=set)    # skids of which every signal is known to be gone


class Intake:
    """Decodes messages by the topic's signals. live: tells the time of a skid that it has been told of."""

    def __init__(self, settings: Settings, live: LiveTime) -> None:
        self._live = live
        self._bindings: dict[str, list[Binding]] = {}
        for i, skid in enumerate(settings.skids):
            for k, signal in enumerate(skid.signals):
                self._bindings.setdefault(signal.topic, []).append(Binding(i, k, skid.id, signal.id, Decoder(signal)))
        self._gone = [0] * len(settings.skids)              # signals of each skid that are known to be gone
        self._signals = [len(skid.signals) for skid in settings.skids]
        self._generation = 0

    def take(self, messages: Sequence[Message]) -> Taken:
        taken, parts = Taken(), dict[int, Part]()
        for message in messages:
            if message.reason is not None:
                taken.rejections.append(_refuse(message, None, message.reason, message.note))
                continue
            if message.generation and message.generation != self._generation:
                self._reconnected(message)
            bindings = self._bindings.get(message.topic)
            if bindings is None:
                note = "no configured signal has this topic"
                taken.rejections.append(_refuse(message, None, Reason.UNKNOWN_SIGNAL, note))
                continue
            for binding in bindings:
                self._one(message, binding, taken, parts)
        _split(parts, taken)
        taken.ended.update(skid for skid in taken.newest if self._gone[skid] == self._signals[skid])
        return taken

    def _reconnected(self, message: Message) -> None:
        self._generation = message.generation
        for binding in (b for bindings in self._bindings.values() for b in bindings):
            if binding.arrival.last:
                binding.arrival.draining_until = message.arrival + round(SETTLE_S * NS)

    def _one(self, message: Message, binding: Binding, taken: Taken, parts: dict[int, Part]) -> None:
        if message.retain:
            note = "a retained message: its age is unknown, so it is no fresh reading"
            taken.rejections.append(_refuse(message, binding, Reason.RETAINED, note))
            return
        # A transmitter's time that goes on as before is no time ahead: our own clock was put back.
        reading = binding.decoder.decode(message.payload, max(message.arrival, binding.stamped))
        if reading.reason is not None:
            taken.rejections.append(_refuse(message, binding, reading.reason, reading.note, reading.time))
        if not isinstance(reading, Decoded):
            return
        time = reading.time
        fed = True
        if binding.gone or reading.quality is Quality.GONE:
            self._presence(binding, reading.quality)
        if time is None and reading.quality is Quality.GONE:
            time = self._gone_at(binding.skid, message.arrival, taken)
            if time is None:
                return
        elif time is None:
            time = message.arrival
            if not binding.arrival.believable(message.arrival):
                fed = False
                note = "came in a burst after an outage without a time of its own: kept, not judged"
                taken.rejections.append(_refuse(message, binding, Reason.TIME_UNCERTAIN, note, time))
        elif time > binding.stamped:
            binding.stamped = time
        skid = binding.skid
        part = parts.get(skid)
        if part is None:
            part = parts[skid] = Part([], [], [], [], [])
        part.time.append(time)
        part.signal.append(binding.signal)
        part.value.append(reading.value)
        part.quality.append(reading.quality)
        part.fed.append(fed)
        if fed and time > taken.newest.get(skid, NEVER)[0]:
            taken.newest[skid] = (time, message.arrival)

    def _presence(self, binding: Binding, quality: Quality) -> None:
        """Keep count of the signals that are known to be gone."""
        if binding.gone is not (quality is Quality.GONE):
            binding.gone = not binding.gone
            self._gone[binding.skid] += 1 if binding.gone else -1

    def _gone_at(self, skid: int, arrival: int, taken: Taken) -> int | None:
        """When that came, by the skid's transmitters' clocks: by ours it might lie before or after all they send. None
        where none of them was heard yet: then there is nothing to end either."""
        if skid in taken.newest:
            self._live.note(skid, *taken.newest[skid])
        return self._live.at(skid, arrival)


def _split(parts: dict[int, Part], taken: Taken) -> None:
    """Rows of each skid: cut from columns of all, since ten thousand small arrays take long to make."""
    if not parts:
        return
    time, signal, value, quality, fed = map(chain.from_iterable, zip(*parts.values(), strict=True))
    rows = Rows(np.fromiter(time, np.int64), np.fromiter(signal, np.int16), np.fromiter(value, np.float64),
                np.fromiter(quality, np.uint8))  # fmt: skip
    believed, start = np.fromiter(fed, np.bool_), 0
    for skid, part in parts.items():
        cut = slice(start, start + len(part.time))
        start = cut.stop
        taken.rows[skid], taken.fed[skid] = rows.take(cut), believed[cut]


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
