"""What the monitor writes into a time-series database, as lines of the Influx line protocol (v2 reference).

Names and units are stable; times are ns since 1970 UTC and are part of a point's identity, so that a point
written twice is one point. (A server may keep both, or milliseconds only: VictoriaMetrics shows a repeat once when it
runs with -dedup.minScrapeInterval=1ms.)

    reading  each stored reading, at its source time
        tags    skid, signal, role, vessel (of a vessel's signal), unit (the transmitter's own)
        fields  value (float, in that unit; left out where there is none), quality (integer: 0 good, 1 uncertain,
                2 bad), fed (boolean: false where it came too late, or its time is uncertain, so that it was not judged)
    minute   means of each closed minute, at the minute's start
        tags    skid
        fields  inlet_bar, outlet_bar, pressure_drop_bar, normalised_bar (dP at reference flow and temperature),
                flow_m3_h, temperature_degc (floats, nine significant digits; left out where unknown),
                judged (boolean: whether normalised dP could be judged throughout)
    event    each event, at its event time
        tags    skid, kind, transition, vessel, signal (the last two where the event names one)
        fields  message, detail, grade, unit, isa_5_1, ne_107, id (strings), value (float, in that unit), onset
                (integer, ns); left out where the event has none
    alarm    each step of an alarm and each note, at its event time
        tags    skid, kind, step, vessel, signal (where the step is about one)
        fields  id, before, after, priority, who, via, why, event, isa_5_1, ne_107 (strings; left out where there is
                none)
    forecast each forecast, at its event time
        tags    skid
        fields  p10_h, p50_h, p90_h (floats, hours until a changeout is due)

A tag cannot show a backslash that ends it or stands before a comma, space, equals sign or another backslash: servers
read those differently (one swallows the next tag, one refuses the line). Such a backslash is written %5C.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import numpy.typing as npt

from monitor.alarms.plant_words import letters, status
from monitor.model import Entry, Event, Minute, Rows
from monitor.notify.tables import LONGEST_TEXT, MINUTE, NUMBER, minute_values
from monitor.skid import Signal, SkidSettings

_LONE_BACKSLASH = re.compile(r"\\(?=[\\,= ]|$)|(?<=\\)\\")
_CONTROL = re.compile(r"[\x00-\x1f\x7f]")


def tag(value: str) -> str:
    r"""A tag value, escaped. No line protocol can carry a line break in it: control characters become spaces.

    >>> print(tag("a, b=c"), tag("east\\west"), tag("C:\\"))
    a\,\ b\=c east\west C:%5C
    """
    plain = _LONE_BACKSLASH.sub("%5C", _CONTROL.sub(" ", value))
    return re.sub(r"([,= ])", r"\\\1", plain)


def text(value: str) -> str:
    r"""A string field, quoted.

    >>> print(text('say "no" \\ yes'))
    "say \"no\" \\ yes"
    """
    plain = _CONTROL.sub(" ", value)[:LONGEST_TEXT]
    return '"' + plain.replace("\\", "\\\\").replace('"', '\\"') + '"'


class ReadingLines:
    """Lines for the readings of one skid, whose tags never change."""

    def __init__(self, skid: SkidSettings) -> None:
        self._heads = [_series("reading", _signal_tags(skid.id, signal)) for signal in skid.signals]

    def lines(self, rows: Rows, fed: npt.NDArray[np.bool_]) -> list[str]:
        """A line a reading. rows, fed: of equal length; `rows.signal` indexes the skid's signals."""
        heads = self._heads
        out = []
        for time, signal, value, quality, used in zip(
            rows.time.tolist(), rows.signal.tolist(), rows.value.tolist(), rows.quality.tolist(), fed.tolist(),
            strict=True,
        ):
            shown = f"value={value!r}," if math.isfinite(value) else ""
            out.append(f"{heads[signal]} {shown}quality={quality}i,fed={'true' if used else 'false'} {time}")
        return out


def minute_line(skid: str, minute: Minute) -> str:
    """The line of a closed minute."""
    values = zip(MINUTE.columns, minute_values(skid, minute), strict=True)
    fields = [f"{name}={value:.9g}" for (name, kind, _), value in values if kind == NUMBER and value is not None]
    fields.append(f"judged={'true' if minute.judged else 'false'}")
    return f"{_series('minute', {'skid': skid})} {','.join(fields)} {minute.time}"


def event_line(event: Event) -> str:
    """The line of an event."""
    tags = {"skid": event.skid, "kind": event.kind, "transition": str(event.transition), "vessel": event.vessel,
            "signal": event.signal}
    fields = [f"message={text(event.message)}", f"id={text(event.id)}"]
    named = {"detail": event.detail, "grade": event.grade, "unit": event.unit,
             "isa_5_1": letters(event.kind, event.detail), "ne_107": status(event.kind, event.detail)}  # fmt: skip
    fields += [f"{name}={text(value)}" for name, value in named.items() if value is not None]
    if event.value is not None and math.isfinite(event.value):
        fields.append(f"value={float(event.value)!r}")
    if event.onset is not None:
        fields.append(f"onset={event.onset}i")
    return f"{_series('event', tags)} {','.join(fields)} {event.time}"


def step_line(entry: Entry) -> str:
    """The line of a step in the journal."""
    tags = {"skid": entry.skid, "kind": entry.kind, "step": entry.step, "vessel": entry.vessel, "signal": entry.signal}
    named = {"before": entry.before, "after": entry.after, "priority": entry.priority, "who": entry.who,
             "via": entry.via, "why": entry.why, "event": entry.event,
             "isa_5_1": letters(entry.kind or ""), "ne_107": status(entry.kind or "")}  # fmt: skip
    fields = [f"id={text(entry.id)}", *(f"{name}={text(value)}" for name, value in named.items() if value)]
    return f"{_series('alarm', tags)} {','.join(fields)} {entry.time}"


def forecast_line(time: int, skid: str, p10: float, p50: float, p90: float) -> str:
    """The line of a forecast; it always has a finite middle."""
    named = {"p10_h": p10, "p50_h": p50, "p90_h": p90}
    fields = [f"{name}={float(hours)!r}" for name, hours in named.items() if math.isfinite(hours)]
    return f"{_series('forecast', {'skid': skid})} {','.join(fields)} {time}"


class InfluxLines:
    """Lines of what a commit holds."""

    def __init__(self, skids: Sequence[SkidSettings]) -> None:
        self._readings = {skid.id: ReadingLines(skid) for skid in skids}

    def opening(self) -> list[str]:
        """Nothing: each point says all of itself."""
        return []

    def readings(self, skid: str, rows: Rows, fed: npt.NDArray[np.bool_]) -> list[str]:
        return self._readings[skid].lines(rows, fed)

    def minute(self, skid: str, minute: Minute) -> str:
        return minute_line(skid, minute)

    def event(self, event: Event) -> list[str]:
        return [event_line(event)]

    def step(self, entry: Entry) -> str:
        return step_line(entry)

    def forecast(self, time: int, skid: str, p10: float, p50: float, p90: float) -> str:
        return forecast_line(time, skid, p10, p50, p90)


def _signal_tags(skid: str, signal: Signal) -> dict[str, str | None]:
    return {"skid": skid, "signal": signal.id, "role": str(signal.role), "vessel": signal.vessel, "unit": signal.unit}


def _series(measurement: str, tags: Mapping[str, str | None]) -> str:
    """Measurement and tags in order of their keys, as the reference advises; a tag without a value is left out."""
    return ",".join([measurement, *_pairs(tags.items())])


def _pairs(tags: Iterable[tuple[str, str | None]]) -> list[str]:
    return [f"{key}={tag(value)}" for key, value in sorted(tags, key=lambda t: t[0]) if value]
