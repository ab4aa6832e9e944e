"""What the page shows, gathered from the store. Sync and free of the web; only this module knows the reader."""

from __future__ import annotations

import math
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from monitor.alarms.catalogue import of_monitor
from monitor.model import DAY, NS, Entry, Event, Fact, Minute, Quality, Role, Rows
from monitor.skid import Signal, SkidSettings
from monitor.web.words import LEVELS, kind_of

MINUTE_NS = 60_000_000_000
FORESEEN_NS = 30 * MINUTE_NS   # a forecast so old is none: while a skid runs one is made every ten minutes at least
OUT_NS = DAY            # how long a vessel is taken to be out without a word of its return
ISOLATION = "isolation"     # the fact in which the engine tells it (`engine/learned.py`)
MINUTES_BACK = 10       # how far behind the newest reading its newest closed minute is looked for
AlarmKey = tuple[str, str, str | None, str | None]      # skid, kind, vessel, signal
Alarms = Mapping[AlarmKey, Mapping[str, Any]]
Columns = Mapping[str, npt.NDArray[Any]]      # time and what was measured, arrays of equal length

_SECONDS = {Role.INLET_PRESSURE: "inlet", Role.OUTLET_PRESSURE: "outlet", Role.DIFFERENTIAL_PRESSURE: "pressure_drop",
            Role.FLOW: "flow", Role.TEMPERATURE: "temperature"}
CLOCK = "clock/"        # facts of clocks
COLUMNS = ("inlet", "outlet", "pressure_drop", "flow", "temperature", "normalised")


@dataclass(frozen=True, slots=True)
class LiveValue:
    """The newest reading of a signal, raw in the signal's own unit. time: None where none was ever stored."""

    signal: Signal
    time: int | None
    value: float
    quality: Quality


OWED = frozenset({"active", "unacknowledged", "returned-unacknowledged", "latched-unacknowledged"})
HIDDEN = frozenset({"shelved", "suppressed-by-design", "out-of-service"})


@dataclass(frozen=True, slots=True)
class AlarmNow:
    """An alarm that is not back to normal and done with. state: a word of ISA-18.2; since: event time, ns; level:
    its priority; event: id of the one that raised it; until: end of a shelf; who, why: of the last action; cause: what
    it follows from, where it is suppressed."""

    skid: str
    kind: str
    vessel: str | None
    signal: str | None
    state: str
    since: int | None
    message: str
    level: str
    event: str | None = None
    until: int | None = None
    who: str = ""
    why: str = ""
    cause: str | None = None
    detail: str | None = None
    stands: bool = True         # whether its condition does
    alert: bool = False         # it tells, and nobody has to acknowledge it

    @property
    def target(self) -> str:
        """How requests name it: SKID/KIND, and what it is about where it says so."""
        where = self.signal or self.vessel
        return f"{self.skid}/{self.kind}/{where}" if where else f"{self.skid}/{self.kind}"

    @property
    def owed(self) -> bool:
        """Whether somebody has to acknowledge it."""
        return self.state in OWED and not self.alert

    @property
    def hidden(self) -> bool:
        return self.state in HIDDEN

    @property
    def state_words(self) -> str:
        return self.state.replace("-", " ")


class Isolation(NamedTuple):
    """One of the vessels in service is out of it since `since` (event time, ns), as the engine sees it. vessel: which
    one, None where the headers do not tell."""

    vessel: str | None
    since: int


class Forecast(NamedTuple):
    """Hours from `time` (event time, ns) until a changeout is due: median, and the interval that holds 80 %."""

    time: int
    p10: float
    p50: float
    p90: float


@dataclass(frozen=True, slots=True)
class SkidNow:
    """One skid as the store last saw it. minute: its newest closed minute."""

    skid: SkidSettings
    newest: int | None
    minute: Minute | None
    values: tuple[LiveValue, ...]
    alarms: tuple[AlarmNow, ...]
    forecast: Forecast | None = None
    isolation: Isolation | None = None


@dataclass(frozen=True, slots=True)
class Status:
    """version: differs whenever the store changed; written: wall time of the last commit, ns, of several writers of
    the one heard least."""

    version: str
    written: int


class Asked(Protocol):
    """A request to the daemon, as `monitor.store.Request`. Times in wall clock ns; answered: None while open."""

    @property
    def id(self) -> int: ...

    @property
    def time(self) -> int: ...

    @property
    def skid(self) -> str | None: ...

    @property
    def action(self) -> str: ...

    @property
    def body(self) -> Any: ...

    @property
    def answered(self) -> int | None: ...

    @property
    def answer(self) -> str | None: ...


class StoreReader(Protocol):
    """A store opened for reading, as `monitor.store.Reader`; times in ns, newest events first."""

    def skids(self) -> Sequence[str]: ...

    def latest(self, skid: str) -> Mapping[str, tuple[int, float, Quality]]: ...

    def newest(self) -> int | None: ...

    def all_latest(self) -> Mapping[str, Mapping[str, tuple[int, float, Quality]]]: ...

    def minutes(self, skid: str, start: int, end: int) -> Columns: ...

    def minute_figures(self, start: int, end: int) -> Mapping[str, tuple[int, float, float, float]]:
        """Of each skid with roll-ups then: how many, the share judged, normalised dP at its highest and last."""
        ...

    def newest_minutes(self) -> Mapping[str, Mapping[str, Any]]: ...

    def rows(self, skid: str, start: int, end: int, signals: Sequence[str] | None = None) -> Rows: ...

    def events(self, skid: str | None = None, start: int | None = None, end: int | None = None,
               kinds: Sequence[str] | None = None, *, limit: int = 100, before: str | None = None
               ) -> Sequence[Event]: ...

    def event(self, event_id: str) -> Event | None: ...

    def journal(self, skid: str | None = None, start: int | None = None, end: int | None = None, *,
                limit: int = 100) -> Sequence[Entry]: ...

    def forecasts(self, skid: str, start: int, end: int) -> Columns: ...

    def plans(self) -> Mapping[str, tuple[int, Sequence[tuple[str, str]]]]: ...

    def newest_forecasts(self) -> Mapping[str, tuple[int, float, float, float]]: ...

    def facts(self, skid: str) -> Mapping[str, Fact]: ...

    def requests(self, *, action: str | None = None, limit: int = 100) -> Sequence[Asked]: ...

    def named_facts(self, word: str, skid: str | None = None) -> Sequence[Fact]: ...

    def alarm_states(self) -> Alarms: ...

    def newest_facts(self, key: str) -> Mapping[str, Fact]: ...

    def status(self) -> Mapping[str, Any]: ...

    def stamp(self) -> tuple[str, int]:
        """What differs whenever the store changed, and when it did (wall time, ns)."""
        ...

    def close(self) -> None: ...


class Source:
    """The store in the words of the page. All calls come from one thread."""

    def __init__(self, reader: StoreReader) -> None:
        self.reader = reader

    def told_changeouts(self, skid: str | None = None) -> dict[tuple[str, int], Mapping[str, Any]]:
        """Skid and time of return [ns] -> what people told of that changeout: vessel, part, who."""
        facts = self.reader.named_facts("changeout", skid)
        return {(f.skid, int(f.value["returned_at"])): f.value for f in facts}

    def now(self, skids: Sequence[SkidSettings]) -> list[SkidNow]:
        """What the store last saw of each skid; a skid that it does not know yet has nothing."""
        latest = self.reader.all_latest() if len(skids) > 1 else self._latest(skids)
        minutes, foreseen = self.reader.newest_minutes(), self.reader.newest_forecasts()
        out = self.reader.newest_facts(ISOLATION)
        standing: dict[str, list[AlarmNow]] = {skid.id: [] for skid in skids}
        for key, body in self.reader.alarm_states().items():
            if body["state"] != "normal" and key[0] in standing:
                standing[key[0]].append(self._alarm(key, body))
        return [_now(s, latest.get(s.id, {}), minutes.get(s.id), foreseen.get(s.id), standing[s.id], out.get(s.id))
                for s in skids]

    def _latest(self, skids: Sequence[SkidSettings]) -> dict[str, Mapping[str, tuple[int, float, Quality]]]:
        known = set(self.reader.skids())
        return {s.id: self.reader.latest(s.id) for s in skids if s.id in known}

    def alarms(self, skids: Container[str]) -> list[AlarmNow]:
        """Every alarm of these skids and of the monitor that is not normal, the most urgent first."""
        states = self.reader.alarm_states().items()
        return list(by_urgency([self._alarm(key, body) for key, body in states
                                if body["state"] != "normal" and (key[0] in skids or of_monitor(key[0]))]))

    def _alarm(self, key: AlarmKey, body: Mapping[str, Any]) -> AlarmNow:
        """body: its state, the time it is in it since, the id of the event that raised it; and what is remembered."""
        skid, kind, vessel, signal = key
        event = self.reader.event(str(body["event"])) if body.get("event") else None
        message = event.message if event else ""
        return AlarmNow(skid, kind, vessel, signal, str(body["state"]), body.get("since"), message,
                        str(body.get("priority") or kind_of(kind).level), body.get("event"), body.get("until"),
                        str(body.get("who", "")), str(body.get("why", "")), body.get("cause"),
                        event.detail if event else None, bool(body.get("active", True)), body.get("sort") == "alert")

    def minute_figures(self, start: int, end: int) -> Mapping[str, tuple[int, float, float, float]]:
        """Of each skid with closed minutes with start <= time < end: how many, the share judged, and of normalised dP
        the highest and the last, Pa, NaN where not known."""
        return self.reader.minute_figures(start, end)

    def minutes(self, skid: str, start: int, end: int) -> Columns:
        """Closed minutes with start <= time < end."""
        if skid not in self.reader.skids():
            return {name: np.empty(0, np.int64 if name == "time" else np.float64)
                    for name in ("time", *COLUMNS, "judged")}
        return self.reader.minutes(skid, start, end)

    def seconds(self, skid: SkidSettings, start: int, end: int) -> Columns:
        """The headers' readings of a short span by the second, in the columns of `minutes`; NaN where none came."""
        size = max(0, -(-(end - start) // NS))
        found: dict[str, npt.NDArray[Any]] = {name: np.full(size, np.nan) for name in COLUMNS}
        wanted = {name: s for role, name in _SECONDS.items() for s in skid.with_role(role)[:1]}
        if skid.id in self.reader.skids() and wanted:
            rows = self.reader.rows(skid.id, start, end, [s.id for s in wanted.values()])
            for place, (name, signal) in enumerate(wanted.items()):
                good = (rows.signal == place) & (rows.quality < Quality.BAD)
                found[name][(rows.time[good] - start) // NS] = rows.value[good] * signal.scale + signal.offset
        if np.isnan(found["pressure_drop"]).all():
            found["pressure_drop"] = found["inlet"] - found["outlet"]
        some = np.isfinite(np.array([found[name] for name in COLUMNS])).any(axis=0)
        return {"time": start + NS * np.flatnonzero(some), **{name: found[name][some] for name in COLUMNS}}

    def journal(self, start: int, end: int) -> Sequence[Entry]:
        """What moved alarms with start <= time < end, newest first."""
        return self.reader.journal(None, start, end, limit=1_000_000)

    def forecasts(self, skid: str, start: int, end: int) -> Columns:
        """Forecasts as they were made."""
        if skid not in self.reader.skids():
            return {"time": np.empty(0, np.int64), **{name: np.empty(0) for name in ("p10", "p50", "p90")}}
        return self.reader.forecasts(skid, start, end)

    def plans(self) -> Mapping[str, tuple[int, Sequence[tuple[str, str]]]]:
        """Skid -> when its changeouts were last planned (event time, ns), and [(what, sentence)]."""
        return self.reader.plans()

    def clocks(self, skid: str) -> dict[str, Mapping[str, Any]]:
        """What is known of each signal's clock, by signal: word, lag_s, error_s, transients, against."""
        facts = self.reader.facts(skid)
        return {key.removeprefix(CLOCK): fact.value for key, fact in facts.items() if key.startswith(CLOCK)}

    def values(self, skid: str, signal: Signal, start: int, end: int) -> npt.NDArray[np.float64]:
        """Believable readings of one signal, SI."""
        if skid not in self.reader.skids():
            return np.empty(0)
        rows = self.reader.rows(skid, start, end, [signal.id])
        good = (rows.quality < Quality.BAD) & np.isfinite(rows.value)
        return np.asarray(rows.value[good] * signal.scale + signal.offset, np.float64)

    def events(self, skid: str | None, *, start: int | None = None, end: int | None = None,
               kinds: Sequence[str] | None = None, before: str | None = None, limit: int = 200) -> Sequence[Event]:
        """The newest `limit` events, newest first. before: the id of the last one already seen."""
        if skid is not None and skid not in self.reader.skids():
            return []
        return self.reader.events(skid, start, end, kinds, limit=limit, before=before)

    def event(self, event_id: str) -> Event | None:
        return self.reader.event(event_id)

    def requests(self, action: str | None = None, limit: int = 2_000) -> Sequence[Asked]:
        """What people asked of the daemon, newest first."""
        return self.reader.requests(action=action, limit=limit)

    def newest(self) -> int | None:
        """Event time of the newest reading of all, ns."""
        return self.reader.newest()

    def status(self) -> Status:
        return Status(*self.reader.stamp())

    def close(self) -> None:
        self.reader.close()


_NEVER = (None, math.nan, Quality.GOOD)


def _now(skid: SkidSettings, latest: Mapping[str, tuple[int, float, Quality]], minute: Mapping[str, Any] | None,
         foreseen: tuple[int, float, float, float] | None, alarms: Sequence[AlarmNow], out: Fact | None) -> SkidNow:
    newest = max((time for time, *_ in latest.values()), default=None)
    values = tuple(LiveValue(s, *latest.get(s.id, _NEVER)) for s in skid.signals)
    recent = minute is not None and newest is not None and minute["time"] >= newest - MINUTES_BACK * MINUTE_NS
    current = foreseen is not None and newest is not None and newest - foreseen[0] <= FORESEEN_NS
    return SkidNow(skid, newest, Minute(**minute) if minute and recent else None, values, by_urgency(alarms),
                   Forecast(*foreseen) if foreseen and current else None, _isolation(out, newest))


def _isolation(told: Fact | None, newest: int | None) -> Isolation | None:
    """What stands; after so long nothing is gone by, since an engine that began afresh meanwhile tells of no return."""
    if told is None or told.value["until"] is not None or newest is None or newest - told.value["since"] > OUT_NS:
        return None
    return Isolation(told.value["vessel"], told.value["since"])


def bucket_width(start: int, end: int, buckets: int) -> int:
    """Whole minutes [ns], so that at most `buckets` of them fill the span."""
    return max(MINUTE_NS, -(-(end - start) // (buckets * MINUTE_NS)) * MINUTE_NS)


def bucketed(minutes: Columns, start: int, end: int, buckets: int) -> dict[str, npt.NDArray[Any]]:
    """Means over at most `buckets` equal spans of [start, end), with the envelope of pressure_drop and the share of
    minutes whose normalised dP was judged.

    An empty bucket between two filled ones is left out, and so shows as a gap.
    """
    time = minutes["time"]
    width = bucket_width(start, end, buckets)
    slot = (time - start) // width
    first = np.flatnonzero(np.diff(slot, prepend=-1)) if time.size else np.empty(0, np.int64)
    trend: dict[str, npt.NDArray[Any]] = {"time": start + slot[first] * width}
    for name in COLUMNS:
        trend[name] = _means(minutes[name], first)
    trend["judged"] = _means(minutes["judged"].astype(np.float64), first)
    drop = minutes["pressure_drop"]
    if first.size and width > MINUTE_NS:
        trend["pressure_drop_low"] = np.fmin.reduceat(drop, first)
        trend["pressure_drop_high"] = np.fmax.reduceat(drop, first)
    return trend


def _means(values: npt.NDArray[np.float64], first: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
    if not first.size:
        return np.empty(0)
    good = np.isfinite(values)
    total = np.add.reduceat(np.where(good, values, 0.0), first)
    count = np.add.reduceat(good.astype(np.int64), first)
    with np.errstate(invalid="ignore"):         # 0/0 is how an empty bucket becomes unknown
        return np.asarray(total / count, np.float64)


def by_urgency(alarms: Sequence[AlarmNow]) -> tuple[AlarmNow, ...]:
    """What is hidden last; else what is owed an acknowledgement, the most urgent, the newest first."""
    def key(alarm: AlarmNow) -> tuple[bool, int, bool, int, str, str]:
        level = LEVELS.index(alarm.level) if alarm.level in LEVELS else len(LEVELS)
        return alarm.hidden, level, not alarm.owed, -(alarm.since or 0), alarm.kind, alarm.vessel or ""

    return tuple(sorted(alarms, key=key))
