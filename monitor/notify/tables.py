"""What the monitor writes into an outside SQL database: tables, columns, and their rows as small lines of JSON.

Names and units are stable. `time_ns` is ns since 1970 UTC, as everywhere in the monitor; the database derives `time`
from it, to the microsecond. The key of each table makes a row that comes twice one row: the first one stays, but of
`signal` and `minute` the newest. A column is NULL where nothing is known.

A line is a JSON list: the table's name, then the values of its columns in order.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from monitor.alarms.plant_words import letters, status
from monitor.model import Entry, Event, Minute, Rows
from monitor.skid import SkidSettings

PA_PER_BAR = 1e5
ZERO_CELSIUS_K = 273.15
LONGEST_TEXT = 4_000        # characters of a text; the rest is cut. The line protocol's reference allows 64 KB
TEXT, NUMBER, WHOLE, SMALL, TRUTH = "text", "double precision", "bigint", "smallint", "boolean"


@dataclass(frozen=True, slots=True)
class Table:
    """columns: name, type, unit or meaning. key: columns that name a row. newest: of two with one key, which stays."""

    name: str
    columns: tuple[tuple[str, str, str], ...]
    key: tuple[str, ...]
    newest: bool = False

    @property
    def names(self) -> list[str]:
        return [name for name, _, _ in self.columns]


_SKID = ("skid", TEXT, "id of the skid")
_TIME = ("time_ns", WHOLE, "ns since 1970 UTC")
_PLANT = (("isa_5_1", TEXT, "letters of ISA-5.1"), ("ne_107", TEXT, "status of NE 107"))

SIGNAL = Table("signal", (
    _SKID, ("signal", TEXT, "id of the signal"), ("role", TEXT, "what it measures"), ("vessel", TEXT, "of a vessel's"),
    ("unit", TEXT, "the transmitter's own"), ("low", NUMBER, "span, in that unit"), ("high", NUMBER, "the same"),
), ("skid", "signal"), newest=True)  # fmt: skip
READING = Table("reading", (
    _SKID, ("signal", TEXT, "id of the signal"), _TIME, ("value", NUMBER, "in `unit`"),
    ("unit", TEXT, "the transmitter's own"), ("quality", SMALL, "0 good, 1 uncertain, 2 bad"),
    ("fed", TRUTH, "false: too late to be judged, or its time uncertain"),
), ("skid", "signal", "time_ns"))  # fmt: skip
MINUTE = Table("minute", (
    _SKID, ("time_ns", WHOLE, "start of the minute, ns since 1970 UTC"), ("inlet_bar", NUMBER, "bar, mean"),
    ("outlet_bar", NUMBER, "bar, mean"), ("pressure_drop_bar", NUMBER, "bar, mean dP between the headers"),
    ("normalised_bar", NUMBER, "bar, mean dP at reference flow and temperature"), ("flow_m3_h", NUMBER, "m^3/h, mean"),
    ("temperature_degc", NUMBER, "degC, mean"), ("judged", TRUTH, "normalised dP could be judged throughout"),
), ("skid", "time_ns"), newest=True)  # fmt: skip
EVENT = Table("event", (
    ("id", TEXT, "names the event for ever"), _SKID, _TIME, ("kind", TEXT, "kind of event"),
    ("transition", TEXT, "raised, cleared or noted"), ("vessel", TEXT, ""), ("signal", TEXT, ""),
    ("detail", TEXT, "a word of the kind"), ("grade", TEXT, "suspected or likely"), ("value", NUMBER, "in `unit`"),
    ("unit", TEXT, "bar, 1, min or h"), ("onset_ns", WHOLE, "when it is estimated to have begun"),
    ("message", TEXT, "for people"), *_PLANT,
), ("id",))  # fmt: skip
ALARM = Table("alarm", (
    ("id", TEXT, "names the step for ever"), _SKID, _TIME, ("step", TEXT, "what moved the alarm, or `note`"),
    ("kind", TEXT, "kind of alarm"), ("vessel", TEXT, ""), ("signal", TEXT, ""), ("before", TEXT, "state shown before"),
    ("after", TEXT, "state shown after"), ("priority", TEXT, "high, medium or low"), ("who", TEXT, "a person's name"),
    ("via", TEXT, "how it came"), ("why", TEXT, "reason given"), ("event", TEXT, "id of the event it goes back to"),
    *_PLANT,
), ("id",))  # fmt: skip
CHANGEOUT = Table("changeout", (
    ("event", TEXT, "id of its event"), _SKID, ("vessel", TEXT, ""), ("isolated_ns", WHOLE, "ns since 1970 UTC"),
    ("returned_ns", WHOLE, "ns since 1970 UTC"), ("life_h", NUMBER, "h with flow since the last return"),
    ("volume_m3", NUMBER, "m^3 through that vessel"), ("dp_before_bar", NUMBER, "bar, of the skid, normalised"),
    ("dp_after_bar", NUMBER, "bar, of the skid, normalised"),
    ("resistance_ratio", NUMBER, "of the vessel after, to its clean reference"), ("verdict", TEXT, "as in the event"),
), ("event",))  # fmt: skip
FORECAST = Table("forecast", (
    _SKID, _TIME, ("p10_h", NUMBER, "h until a changeout is due"), ("p50_h", NUMBER, "h"), ("p90_h", NUMBER, "h"),
), ("skid", "time_ns"))  # fmt: skip

TABLES = {t.name: t for t in (SIGNAL, READING, MINUTE, EVENT, ALARM, CHANGEOUT, FORECAST)}


def finite(value: float | None) -> float | None:
    """The value, None where it is none."""
    return float(value) if value is not None and math.isfinite(value) else None


def minute_values(skid: str, minute: Minute) -> list[Any]:
    bar = [finite(p / PA_PER_BAR) for p in (minute.inlet, minute.outlet, minute.pressure_drop, minute.normalised)]
    flow, temperature = finite(minute.flow * 3600.0), finite(minute.temperature - ZERO_CELSIUS_K)
    return [skid, minute.time, *bar, flow, temperature, bool(minute.judged)]


def event_values(event: Event) -> list[Any]:
    return [event.id, event.skid, event.time, event.kind, str(event.transition), event.vessel, event.signal,
            event.detail, event.grade, finite(event.value), event.unit, event.onset, event.message[:LONGEST_TEXT],
            letters(event.kind, event.detail), status(event.kind, event.detail)]  # fmt: skip


def changeout_values(event: Event) -> list[Any]:
    """Of an event `changeout-done`."""
    seen = event.evidence
    numbers = [finite(seen.get(key)) for key in ("life_h", "volume_m3", "drop_before_bar", "drop_after_bar")]
    return [event.id, event.skid, event.vessel, seen.get("isolated_at", event.onset),
            seen.get("returned_at", event.time), *numbers, finite(event.value),
            event.detail or "unverified"]  # fmt: skip


def alarm_values(entry: Entry) -> list[Any]:
    words = [letters(entry.kind), status(entry.kind)] if entry.kind else [None, None]
    return [entry.id, entry.skid, entry.time, entry.step, entry.kind, entry.vessel, entry.signal, entry.before,
            entry.after, entry.priority, entry.who, entry.via, entry.why[:LONGEST_TEXT], entry.event,
            *words]  # fmt: skip


class SqlLines:
    """Lines of what a commit holds."""

    def __init__(self, skids: Sequence[SkidSettings]) -> None:
        self._skids = {s.id: s for s in skids}
        self._heads = {
            s.id: [(json.dumps(["reading", s.id, signal.id])[:-1], json.dumps(signal.unit)) for signal in s.signals]
            for s in skids
        }

    def opening(self) -> list[str]:
        """What the readings' signals are."""
        return [_line(SIGNAL, [s.id, g.id, str(g.role), g.vessel, g.unit, finite(g.low), finite(g.high)])
                for s in self._skids.values() for g in s.signals]  # fmt: skip

    def readings(self, skid: str, rows: Rows, fed: npt.NDArray[np.bool_]) -> list[str]:
        """A line a reading. rows, fed: of equal length; `rows.signal` indexes the skid's signals."""
        heads = self._heads[skid]
        out = []
        for time, signal, value, quality, used in zip(
            rows.time.tolist(), rows.signal.tolist(), rows.value.tolist(), rows.quality.tolist(), fed.tolist(),
            strict=True,
        ):
            head, unit = heads[signal]
            shown = repr(value) if math.isfinite(value) else "null"
            out.append(f"{head}, {time}, {shown}, {unit}, {quality}, {'true' if used else 'false'}]")
        return out

    def minute(self, skid: str, minute: Minute) -> str:
        return _line(MINUTE, minute_values(skid, minute))

    def event(self, event: Event) -> list[str]:
        """The event, and the changeout where it tells of one."""
        changed = [_line(CHANGEOUT, changeout_values(event))] if event.kind == "changeout-done" else []
        return [_line(EVENT, event_values(event)), *changed]

    def step(self, entry: Entry) -> str:
        return _line(ALARM, alarm_values(entry))

    def forecast(self, time: int, skid: str, p10: float, p50: float, p90: float) -> str:
        return _line(FORECAST, [skid, time, finite(p10), finite(p50), finite(p90)])


def _line(table: Table, values: Sequence[Any]) -> str:
    return json.dumps([table.name, *values])
