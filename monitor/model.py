"""The words every part shares: roles, qualities, readings, rejections, events.

Pure data. Inside the program pressures are Pa, flows m^3/s, temperatures K, times integer
nanoseconds since 1970 UTC; a reading keeps its transmitter's own unit until the row tier
scales it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

NS = 1_000_000_000
DAY = 86_400 * NS


class Role(StrEnum):
    """What a signal measures, as written in configuration."""

    INLET_PRESSURE = "inlet-pressure"
    OUTLET_PRESSURE = "outlet-pressure"
    DIFFERENTIAL_PRESSURE = "differential-pressure"
    VESSEL_PRESSURE = "vessel-pressure"
    FLOW = "flow"
    TEMPERATURE = "temperature"
    TURBIDITY = "turbidity"
    LEAK_SENSOR = "leak-sensor"
    PUMP_RUNNING = "pump-running"
    VALVE_POSITION = "valve-position"


class Quality(IntEnum):
    """Whether a reading can be believed. BAD readings are kept and counted, never used as values. GONE is no reading
    but the word that whatever sends this signal has ended or cannot be reached: silence from then on is certain."""

    GOOD = 0
    UNCERTAIN = 1
    BAD = 2
    GONE = 3


class Reason(StrEnum):
    """Why something that arrived is in quarantine."""

    UNDECODABLE = "undecodable"          # not a number, not the configured JSON, not text
    UNKNOWN_SIGNAL = "unknown-signal"    # a topic or column that no configured signal has
    NOT_FINITE = "not-finite"            # NaN or infinity
    BAD_QUALITY = "bad-quality"          # the source itself says it cannot be believed
    OUT_OF_RANGE = "out-of-range"        # at or beyond NE 43's failure limits
    BAD_TIME = "bad-time"                # no time, unreadable, without offset, or impossible (far future)
    REPEATED = "repeated"                # same signal and source time once more (a second delivery)
    CONFLICTING = "conflicting"          # same signal and source time, another value
    LATE = "late"                        # older than what was already processed: stored, not fed
    TIME_UNCERTAIN = "time-uncertain"    # no device time and arrived in a burst after an outage
    RETAINED = "retained"                # a retained message: its age is unknown
    TOO_LARGE = "too-large"              # longer than any reading can be
    NO_BIRTH = "no-birth"                # from a Sparkplug node or device whose birth is not known
    SEQUENCE_GAP = "sequence-gap"        # from a Sparkplug node of which something was lost: it may mean another metric
    UNAUTHORISED = "unauthorised"        # a command whose sender is not known


class Rows(NamedTuple):
    """Readings of one skid as arrays of equal length, in order of arrival unless said otherwise."""

    time: npt.NDArray[np.int64]      # ns since 1970 UTC
    signal: npt.NDArray[np.int16]    # index into SkidSettings.signals
    value: npt.NDArray[np.float64]   # in the signal's own unit; NaN where quality is BAD and no value came
    quality: npt.NDArray[np.uint8]   # Quality

    @classmethod
    def empty(cls, shape: int | tuple[int, int] = 0) -> Rows:
        """Room for so many, with nothing of use in it."""
        return cls(np.empty(shape, np.int64), np.empty(shape, np.int16), np.empty(shape), np.empty(shape, np.uint8))

    @classmethod
    def concat(cls, parts: list[Rows]) -> Rows:
        if not parts:
            return cls.empty()
        if len(parts) == 1:
            return parts[0]
        times, signals, values, qualities = zip(*parts, strict=True)
        return cls(np.concatenate(times), np.concatenate(signals), np.concatenate(values), np.concatenate(qualities))

    def take(self, index: Any) -> Rows:
        """Rows at a slice, mask or index array."""
        return Rows(self.time[index], self.signal[index], self.value[index], self.quality[index])

    @property
    def size(self) -> int:
        return int(self.time.size)


@dataclass(frozen=True, slots=True)
class Rejection:
    """Something that arrived and is not fed: kept with its reason."""

    reason: Reason
    skid: str | None
    signal: str | None          # id where known, else None
    where: str                  # "file.csv:123", or the MQTT topic
    text: str                   # what came, shortened to 200 characters
    time: int | None = None     # source time in ns where one could be read
    note: str = ""              # one clause for a person: what was wrong, what is accepted


class Transition(StrEnum):
    RAISED = "raised"
    CLEARED = "cleared"
    NOTED = "noted"


@dataclass(frozen=True, slots=True)
class Event:
    """What the engine says. Values in the contract's units (bar, 1, min, h)."""

    time: int
    skid: str
    kind: str
    transition: Transition
    message: str
    vessel: str | None = None
    signal: str | None = None
    detail: str | None = None
    grade: str | None = None
    value: float | None = None
    unit: str | None = None
    onset: int | None = None
    evidence: dict[str, Any] = field(default_factory=dict)

    @property
    def id(self) -> str:
        """The same event gets the same id however often it is computed."""
        return "/".join((self.skid, self.kind, self.vessel or "-", self.signal or "-", self.transition, str(self.time)))


@dataclass(frozen=True, slots=True)
class Entry:
    """A line of the journal: what moved an alarm, or what a person wrote. `id` is the same however often it is
    computed. time: event time, ns. before, after: what the alarm showed; None for what is no alarm. via: how an
    action came; event: id of the event that it goes back to."""

    id: str
    time: int
    skid: str | None
    step: str
    kind: str | None = None
    vessel: str | None = None
    signal: str | None = None
    before: str | None = None
    after: str | None = None
    who: str = ""
    via: str = ""
    why: str = ""
    event: str | None = None
    priority: str | None = None


@dataclass(frozen=True, slots=True)
class Fact:
    """Something learned that outlives upgrades: a clean reference, an element's life, a zero trim.

    `value` is anything JSON can hold. The newest `time` (event time, ns) of a key is in force, older ones are its
    history.
    """

    skid: str
    key: str
    value: Any
    time: int


@dataclass(frozen=True, slots=True)
class Action:
    """What an operator did that the engine must know. `time`: event time [ns] at which it takes effect; `number` rises
    with each action of a store, so that none is applied twice. `reason`: the operator's own words."""

    time: int
    skid: str
    verb: str
    by: str
    reason: str = ""
    body: dict[str, Any] = field(default_factory=dict)
    number: int = 0


class Minute(NamedTuple):
    """Roll-up of one minute of a skid; NaN where unknown. SI units."""

    time: int                   # start of the minute, ns
    inlet: float
    outlet: float
    pressure_drop: float
    flow: float
    temperature: float
    normalised: float           # pressure drop at reference flow and temperature
    judged: bool                # whether normalised could be judged throughout
