"""Lines that a server takes many at once: divided where it refuses some, so that the good ones go through.

No line is refused for good before the server has taken one: a server that refuses everything is set up wrongly.
"""

from __future__ import annotations

import abc
import base64
import threading
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from monitor.notify.outcome import Later, Outcome, Taken

BATCH = 5_000               # lines of one request; InfluxDB's v2 documentation calls it the optimal size
REQUESTS = 200              # of one delivery: a batch full of bad lines is divided over several
REQUESTS_UNPROVEN = 30      # the same before the server has taken anything


@dataclass(slots=True)
class Delivery:
    """What came of some lines. refused: line and reason. left: not taken yet, in order. later: why, if tried."""

    refused: list[tuple[str, str]] = field(default_factory=list)
    left: list[str] = field(default_factory=list)
    later: Later | None = None


@dataclass(frozen=True, slots=True)
class TooLarge:
    """Half as much may do."""

    reason: str


class LineWriter(abc.ABC):
    """stopping: whether to leave the rest for another time. proven: set once the server has taken a line; writers to
    one server share it. One thread at a time may write."""

    def __init__(self, proven: threading.Event | None = None, stopping: Callable[[], bool] = lambda: False) -> None:
        self.batch = BATCH
        self.proven = threading.Event() if proven is None else proven
        self._stopping = stopping

    @abc.abstractmethod
    def write(self, lines: Sequence[str]) -> Outcome | TooLarge:
        """One request: all of the lines, or none."""

    @abc.abstractmethod
    def close(self) -> None: ...

    def deliver(self, lines: Sequence[str]) -> Delivery:
        """Writes the lines, in requests of at most `batch`, around those that the server refuses."""
        result = Delivery()
        parts = [list(lines)]
        requests = 0
        while parts and result.later is None:
            if self._stopping() or requests >= (REQUESTS if self.proven.is_set() else REQUESTS_UNPROVEN):
                break
            part = parts.pop()
            if len(part) > self.batch:
                parts += [part[self.batch :], part[: self.batch]]
                continue
            requests += 1
            self._one(part, parts, result)
        result.left += [line for part in reversed(parts) for line in part]
        return result if self.proven.is_set() else _doubted(result)

    def _one(self, part: list[str], parts: list[list[str]], result: Delivery) -> None:
        outcome = self.write(part)
        half = (len(part) + 1) // 2
        if isinstance(outcome, Taken):
            self.proven.set()
        elif isinstance(outcome, Later):
            result.later, result.left = outcome, part
        elif half < len(part):
            if isinstance(outcome, TooLarge):
                self.batch = half
            parts += [part[half:], part[:half]]
        else:
            result.refused.append((part[0], outcome.reason))


def pack(lines: Sequence[str]) -> dict[str, Any]:
    """Lines as a small JSON object for the outbox: how many, and their text compressed."""
    return {"points": len(lines), "z": base64.b64encode(zlib.compress("\n".join(lines).encode(), 6)).decode()}


def unpack(body: Mapping[str, Any]) -> list[str]:
    """The lines of `pack`."""
    return zlib.decompress(base64.b64decode(body["z"])).decode().split("\n")


def _doubted(result: Delivery) -> Delivery:
    """The result where the server has taken nothing yet: what it refuses may be the request, not the line."""
    if result.refused and result.later is None:
        result.later = Later(f"every line is refused so far: {result.refused[0][1]}", slow=True)
    return Delivery([], [line for line, _ in result.refused] + result.left, result.later)
