"""What goes into the store and comes out of it, beside the shared types of `monitor.model`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.model import Action, Entry, Event, Fact, Minute, Rejection, Rows

HOUR = 3_600_000_000_000
DAY = 24 * HOUR
MINUTE = 60_000_000_000
MONITOR = "monitor"     # in place of a skid: what the monitor tells of itself

# skid, kind, vessel, signal
AlarmKey = tuple[str, str, str | None, str | None]


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """Filter state after every reading up to event time `released` (ns, inclusive)."""

    released: int
    version: int
    fingerprint: str
    state: bytes


class Notice(NamedTuple):
    """A message for the outbox. `(channel, key)` is said once, however often it is computed."""

    channel: str
    key: str
    body: Any       # anything JSON can hold
    time: int


Foreseen = tuple[int, str, float, float, float]     # time [ns], skid, p10, p50, p90 [h until a changeout is due]

PlanTold = tuple[str, int, Sequence[tuple[str, str]]]   # skid, time [ns], what and the sentence about it


class MinuteFigures(NamedTuple):
    """Of a skid's roll-ups in a span: how many, which share was judged, and of normalised dP the highest and the last
    [Pa], NaN where it is not known."""

    minutes: int
    judged: float
    highest: float
    last: float


@dataclass(slots=True)
class Batch:
    """Everything that is stored in one transaction.

    rows: skid, readings as received (`Rows.signal` indexes the configured signals), and which were fed
    to the engine (False: late or time-uncertain).
    alarm_states: a value of None removes the state. answers: id of a request, and what came of it. told: notices
    beside those that follow from the events. A batch is true where it holds anything.
    """

    rows: list[tuple[str, Rows, npt.NDArray[np.bool_]]] = field(default_factory=list)
    rejections: list[Rejection] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    minutes: list[tuple[str, Minute]] = field(default_factory=list)
    alarm_states: dict[AlarmKey, dict[str, Any] | None] = field(default_factory=dict)
    facts: list[Fact] = field(default_factory=list)
    ticks: dict[str, int] = field(default_factory=dict)
    checkpoints: dict[str, Checkpoint] = field(default_factory=dict)
    notices: list[Notice] = field(default_factory=list)
    answers: list[tuple[int, str]] = field(default_factory=list)
    actions: list[Action] = field(default_factory=list)
    forecasts: list[Foreseen] = field(default_factory=list)
    plans: list[PlanTold] = field(default_factory=list)
    journal: list[Entry] = field(default_factory=list)
    told: list[Notice] = field(default_factory=list)
    done: list[Done] = field(default_factory=list)

    def __bool__(self) -> bool:
        return any(getattr(self, part) for part in self.__slots__)


@dataclass(frozen=True, slots=True)
class Committed:
    """What of a batch was new. `stored` readings, `repeated` and `conflicting` ones that were not."""

    stored: int = 0
    repeated: int = 0
    conflicting: int = 0
    new_events: list[Event] = field(default_factory=list)


class Due(NamedTuple):
    """A queued notice whose turn has come. `attempts` have failed so far."""

    id: int
    channel: str
    key: str
    body: Any
    created: int
    attempts: int


class Done(NamedTuple):
    """A request that came and was answered at once. origin: its own name, for ever."""

    origin: str
    time: int
    skid: str | None
    action: str
    body: Any
    answer: str


class SignalVersion(NamedTuple):
    """What a signal's numbers meant from `since` (ns) on. SI value = raw * scale + offset."""

    version: int
    since: int
    role: str
    vessel: str | None
    unit: str
    low: float
    high: float
    scale: float
    offset: float


class Request(NamedTuple):
    """What a person asked of the daemon (acknowledge, shelve, reset ...). `answered` is None while open."""

    id: int
    time: int
    skid: str | None
    action: str
    body: Any
    answered: int | None
    answer: str | None
    origin: str | None = None


class QuarantineCount(NamedTuple):
    """How often a reason was met, since the store exists. `first`, `last`: arrival, ns."""

    skid: str | None
    signal: str | None
    reason: str
    number: int
    first: int
    last: int


class Trend(NamedTuple):
    """A signal in buckets: start of each (ns), figures of its believable readings. Empty buckets are left out."""

    time: npt.NDArray[np.int64]
    minimum: npt.NDArray[np.float64]
    mean: npt.NDArray[np.float64]
    maximum: npt.NDArray[np.float64]
    readings: npt.NDArray[np.int64]     # minutes where it is made of minutes
