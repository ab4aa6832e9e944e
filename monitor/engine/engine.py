"""The engine: readings and time in, events and minutes out. Live, replay and tuning run this and nothing else."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from monitor.engine import layout
from monitor.engine.clocks import with_clocks
from monitor.engine.event_tier import EventTier
from monitor.engine.evidence import with_evidence
from monitor.engine.evidence_alarms import ALARMS
from monitor.engine.evidence_signal import SIGNALS
from monitor.engine.forecasting import open_lives, plan_of
from monitor.engine.messages_changeout import Changeout
from monitor.engine.messages_plan import Plan
from monitor.engine.parameters import ALARM_ORDER
from monitor.engine.row_tier import RowTier
from monitor.engine.sequencer import TICK, Fate, Sequencers
from monitor.engine.told import Answer, ForecastRow, Told
from monitor.errors import InputError
from monitor.forecast.life import ElementLife
from monitor.model import NS, Action, Event, Fact, Minute, Rows
from monitor.skid import SkidSettings

Ints = npt.NDArray[np.int64]
STATE_VERSION = 1
EXPLAINED = ALARMS | SIGNALS     # by kind, what its events rest on


@dataclass(slots=True)
class Output:
    """What came of a call: events in event time per skid, closed minutes as (skid index, minute), what was learned."""

    events: list[Event] = field(default_factory=list)
    minutes: list[tuple[int, Minute]] = field(default_factory=list)
    changeouts: list[Changeout] = field(default_factory=list)
    facts: list[Fact] = field(default_factory=list)
    answers: list[Answer] = field(default_factory=list)
    forecasts: list[ForecastRow] = field(default_factory=list)
    lives: list[ElementLife] = field(default_factory=list)

    def join(self, other: Output) -> None:
        """Add what came of a later call."""
        for mine, more in zip(self._parts(), other._parts(), strict=True):
            mine.extend(more)

    def _parts(self) -> tuple[list[Any], ...]:
        return self.events, self.minutes, self.changeouts, self.facts, self.answers, self.forecasts, self.lives


class Engine:
    """Watches skids. Rows of skid i come through `feed`, time that passes without rows through `advance`."""

    def __init__(self, skids: Sequence[SkidSettings], *, trend_buckets: int = 0) -> None:
        self.skids = tuple(skids)
        self._together = Sequencers([round(s.lateness_s * NS) for s in self.skids])
        self.sequencers = self._together.each
        self.rows = RowTier(self.skids, trend_buckets=trend_buckets)
        self.events = EventTier(self.skids, self.rows)
        self._fingerprints: dict[int, str] = {}

    def feed(self, arrivals: dict[int, Rows]) -> tuple[Output, dict[int, Fate]]:
        """Rows in order of arrival, by position of their skid."""
        ready: dict[int, Rows] = {}
        fates: dict[int, Fate] = {}
        for i, rows in arrivals.items():
            ready[i], fates[i] = self.sequencers[i].push(rows)
        return self._run(ready), fates

    def feed_together(self, places: Ints, starts: Ints, rows: Rows) -> tuple[Output, npt.NDArray[np.bool_]]:
        """Rows in order of arrival, those of the skid at places[k] from starts[k] to starts[k + 1]; a second that is
        complete is judged at once. Returns besides which of the rows came too late."""
        which, ready, late = self._together.push(places, starts, rows, self._next_tick())
        return self._run_rows(which, ready), late

    def advance(self, times: dict[int, int]) -> Output:
        """Event time [ns] that has been reached, by position of the skid; ticks follow `lateness` behind it."""
        places, reach = np.array(list(times), np.int64), np.array(list(times.values()), np.int64)
        nothing = np.zeros(places.size + 1, np.int64)
        which, ready, _ = self._together.push(places, nothing, Rows.empty(), self._next_tick(), reach)
        return self._run_rows(which, ready)

    def _next_tick(self) -> Ints:
        return np.asarray(self.rows.state.skid["tick"], np.int64)

    def act(self, i: int, action: Action) -> Output:
        """Apply an operator's action to skid i at event time `action.time` (as it comes, `reached(i)`); ticks up to
        there are judged first. The same action at the same time gives the same, so a rebuild applies it again there."""
        sequencer = self.sequencers[i]
        output = self._run({i: self._with_tick(i, sequencer.advance(action.time + sequencer.lateness))})
        return self._add(output, i, self.events.act(i, action))

    def acted(self, i: int) -> int:
        """`number` of the last action that skid i's state includes, 0 for none."""
        return self.events.stories[i].acted

    def finish(self) -> Output:
        """The recordings have ended: what was waiting for stragglers is judged, and nothing beyond."""
        return self._run({i: self._with_tick(i, s.finish()) for i, s in enumerate(self.sequencers)})

    def judge(self, released: dict[int, Rows]) -> Output:
        """Rows as the sequencers released them, in order, with ticks (signal -1) where time went on without rows:
        what was sequenced once can be judged again under other settings."""
        return self._run(released)

    def _with_tick(self, i: int, rows: Rows) -> Rows:
        reached = self.sequencers[i].released
        if self.rows.state.skid[i].tick == 0 and rows.size == 0:
            return rows  # nothing has been seen of this skid yet: there is nothing to age
        tick = TICK._replace(time=np.array([reached]))
        return Rows.concat([rows, tick]) if rows.size else tick

    def _run(self, ready: dict[int, Rows]) -> Output:
        parts = [(i, rows) for i, rows in ready.items() if rows.size]
        if not parts:
            return Output()
        places, sizes = zip(*((i, rows.size) for i, rows in parts), strict=True)
        which = np.repeat(np.array(places, np.int32), sizes)
        return self._run_rows(which, Rows.concat([rows for _, rows in parts]))

    def _run_rows(self, which: npt.NDArray[np.int32], rows: Rows) -> Output:
        output = Output()
        if not rows.size:
            return output
        for emission in self.rows.run(which, rows):
            self._add(output, emission.skid, self.events.handle(emission))
        output.minutes = self.rows.take_minutes()
        return output

    def _add(self, output: Output, i: int, told: Told) -> Output:
        explained = (with_evidence(e, self.skids[i], self.rows, i, EXPLAINED) for e in told.events)
        output.events += [with_clocks(e, self.skids[i], self.events.stories[i], self.rows, i) for e in explained]
        output.changeouts += told.changeouts
        output.facts += told.facts
        output.answers += told.answers
        output.forecasts += told.forecasts
        output.lives += told.lives
        return output

    @property
    def all_reached(self) -> Ints:
        """Event time [ns] up to which each skid has been judged; to be read."""
        return self._together.released

    @property
    def all_newest(self) -> Ints:
        """Time [ns] of the newest row of each skid, below zero where there was none; to be read."""
        return self._together.newest

    def reached(self, i: int) -> int:
        """Event time [ns] up to which skid i has been judged."""
        return self.sequencers[i].released

    def open_lives(self, i: int) -> list[ElementLife]:
        """Lives of skid i that have not ended, as they stand."""
        return open_lives(self.skids[i], self.events.stories[i])

    def plan(self, i: int) -> Plan:
        """What follows for skid i from the forecast as it stands."""
        return plan_of(self.skids[i], self.events.stories[i], self.rows, i)

    def snapshot(self, i: int) -> bytes:
        """Everything skid i needs to go on, as JSON text; not the rows still waiting for stragglers: the
        store has those, and they lie after `reached(i)`."""
        return msgspec.json.encode(
            {
                "released": self.sequencers[i].released,
                "records": {
                    name: base64.b64encode(part[i].tobytes()).decode()
                    for name, part in self.rows.state._asdict().items()
                },
                "story": self.events.snapshot(i),
            }
        )

    def restore(self, i: int, snapshot: bytes) -> None:
        """Take up a snapshot made with the same `fingerprint`; InputError when it does not fit."""
        try:
            content = msgspec.json.decode(snapshot)
            released, records = int(content["released"]), content["records"]
            parts = {name: base64.b64decode(records[name]) for name in self.rows.state._fields}
            self.events.restore(i, content["story"])
        except (msgspec.DecodeError, msgspec.ValidationError, KeyError, TypeError, ValueError) as error:
            raise InputError(f"checkpoint of skid {self.skids[i].id} cannot be read: {error}") from None
        for name, part in self.rows.state._asdict().items():
            if len(parts[name]) != part[i].nbytes:
                raise InputError(f"checkpoint of skid {self.skids[i].id} is of another layout ({name})")
            part[i] = np.frombuffer(parts[name], part.dtype).reshape(part[i].shape)
        sequencer = self.sequencers[i]
        sequencer.released = sequencer.newest = released
        sequencer.pending = Rows.empty()

    def recall(self, i: int, facts: Iterable[Fact]) -> list[str]:
        """Give skid i back what it learned before its state was lost or no longer fitted: of each key the newest.
        Returns the keys that could not be used."""
        return self.events.recall(i, facts)

    def stands(self, i: int, kind: str) -> None:
        """An alarm of skid i that an earlier engine raised is this one's to clear; only of kinds judged by a limit."""
        if kind in ALARM_ORDER:
            self.rows.state.alarm[i, ALARM_ORDER.index(kind)]["active"] = 1

    def fingerprint(self, i: int) -> str:
        """Changes with the layout of the state and with the settings of skid i that the state depends on."""
        if i not in self._fingerprints:
            self._fingerprints[i] = self._fingerprint(i)
        return self._fingerprints[i]

    def _fingerprint(self, i: int) -> str:
        parameters = self.rows.parameters
        settings = hashlib.sha256()
        for part in (parameters.skid, parameters.sensor, parameters.alarm, parameters.health, parameters.pair,
                     parameters.integrity, parameters.delays):  # fmt: skip
            settings.update(part[i].tobytes())
        settings.update(repr(self.skids[i].element).encode())
        return f"{STATE_VERSION}-{layout.fingerprint()}-{settings.hexdigest()[:16]}"
