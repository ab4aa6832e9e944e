"""Captured messages: JSON Lines of `{"time": ..., "topic": ..., "payload": ...}`; gzip or not.

`payload` as text is the message word for word; as a number or an object it is the message's JSON.
`payload_base64` holds a message that is not text. `retain` true marks a retained message.
"""

from __future__ import annotations

import base64
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
import numpy as np

from monitor.ingest.decode import Decoded, Decoder, Refused
from monitor.ingest.recording.clock import Clock
from monitor.ingest.recording.piece import Assembler, Fault, Piece
from monitor.ingest.recording.source import BLOCK, MAX_LINE, READ, Block, Source, blocks
from monitor.ingest.recording.tables import Context
from monitor.model import Reason, Rows

KINDS = (np.int64, np.int16, np.float64, np.uint8, np.int64, np.int64, np.int16)
RETAINED = Refused(Reason.RETAINED, "a retained message: its age is unknown")
ACCEPTED = 'accepted: {"time": ..., "topic": ..., "payload": ...}'


class Line(msgspec.Struct):
    """One line. What is kept raw keeps every digit."""

    time: msgspec.Raw
    topic: str
    payload: msgspec.Raw = msgspec.Raw(b"")
    payload_base64: str | None = None
    retain: bool | int = False


class Captured:
    """One file of captured messages. topics: topic -> indices of the signals that it carries."""

    def __init__(self, path: Path, context: Context, file: str, topics: dict[str, list[int]], clock: Clock) -> None:
        self._path, self._context, self.clock = path, context, clock
        signals = context.skid.signals
        self._topics = {t: [(i, signals[i].id, Decoder(signals[i])) for i in known] for t, known in topics.items()}
        self._assembler = Assembler(context.skid.id, file, context.merged)
        self._line = msgspec.json.Decoder(Line)
        self.source: Source | None = None

    def pieces(self, block: int = BLOCK, read: int = READ) -> Iterator[Piece]:
        """The file in pieces of about `block` bytes, read `read` bytes at a time."""
        with Source(self._path, read) as source:
            self.source = source
            for text in blocks(source, block):
                yield self._piece(text)

    @property
    def done(self) -> float:
        return self.source.done if self.source else 0.0

    @property
    def cut_short(self) -> str | None:
        return self.source.cut_short if self.source else None

    def _piece(self, block: Block) -> Piece:
        faults: list[Fault] = []
        messages: list[_Message] = []
        for number, text in enumerate(block.text.split(b"\n"), block.first):
            bare = text.strip()
            if bare:
                message = self._parse(bare, number)
                (faults if isinstance(message, Fault) else messages).append(message)  # type: ignore[arg-type]
        found = [row for message in self._timed(messages, faults) for row in self._decode(*message, faults)]
        columns = zip(*found, strict=True) if found else ((),) * len(KINDS)
        time, signal, value, quality, arrival, line, order = map(np.array, columns, KINDS)
        return self._assembler.piece(Rows(time, signal, value, quality), line, order, arrival, faults)

    def _parse(self, text: bytes, number: int) -> _Message | Fault:
        if len(text) > MAX_LINE:
            return _fault(number, Reason.TOO_LARGE, text, f"a line of more than {MAX_LINE} bytes")
        try:
            line = self._line.decode(text)
            payload = _payload(line)
            time = bytes(line.time).decode()
            time = msgspec.json.decode(time, type=str) if time[:1] == '"' else time
        except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError, ValueError):
            return _fault(number, Reason.UNDECODABLE, text, ACCEPTED)
        return _Message(number, time, line.topic, payload, bool(line.retain))

    def _timed(self, messages: list[_Message], faults: list[Fault]) -> Iterator[tuple[_Message, int]]:
        """The messages whose own time can be read, and that time: when each arrived."""
        import pyarrow as pa

        times = self.clock.read(pa.array([message.time for message in messages], pa.string()))
        for message, ns, usable in zip(messages, times.ns.tolist(), times.usable.tolist(), strict=True):
            if usable:
                yield message, ns
            else:
                note = self.clock.explain(message.time)
                faults.append(Fault(message.number, -1, Reason.BAD_TIME, None, message.time, None, note))

    def _decode(self, message: _Message, arrival: int, faults: list[Fault]) -> Iterator[tuple[Any, ...]]:
        """Rows as tuples of KINDS; one message may carry several signals."""
        number, _, topic, payload, retained = message
        known = self._topics.get(topic)
        if known is None:
            self._context.count_unknown(topic)
            note = "no configured signal has this topic"
            faults.append(Fault(number, -1, Reason.UNKNOWN_SIGNAL, None, topic, arrival, note))
            return
        for order, (index, name, decoder) in enumerate(known):
            result = RETAINED if retained else decoder.decode(payload, arrival)
            time = arrival if result.time is None else result.time
            if isinstance(result, Decoded):
                yield time, index, result.value, result.quality, arrival, number, order
            if result.reason is not None:
                shown = payload[:1000].decode("utf-8", "replace")
                faults.append(Fault(number, order, result.reason, name, shown, time, result.note, arrival))


class _Message(NamedTuple):
    number: int
    time: str
    topic: str
    payload: bytes
    retained: bool


def _fault(number: int, reason: Reason, text: bytes, note: str) -> Fault:
    return Fault(number, -1, reason, None, text[:1000].decode("utf-8", "replace"), None, note)


def _payload(line: Line) -> bytes:
    """The message's bytes. Raises ValueError where the line has none."""
    if line.payload_base64 is not None:
        return base64.b64decode(line.payload_base64, validate=True)
    raw = bytes(line.payload)
    if not raw:
        raise ValueError("no payload")
    return msgspec.json.decode(raw, type=str).encode() if raw[:1] == b'"' else raw
