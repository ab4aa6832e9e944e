"""Several settings of one skid over the same rows in one pass: what each would have told.

Only what is told may differ from set to set, not what is measured or followed up: see `TOLD`. The first set is the
skid itself, run by the engine; the others are lanes beside it (`lane_loop`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np

from monitor.compiled import records
from monitor.engine import codes, lane_loop, layout, parameters
from monitor.engine.engine import Engine
from monitor.engine.event_tier import new_story
from monitor.engine.events import alarm_event
from monitor.engine.integrity import KINDS_TOLD, integrity_events
from monitor.engine.messages_signal import signal_event
from monitor.engine.row_tier import Emission
from monitor.model import Event, Rows
from monitor.skid import AlarmSettings, SkidSettings

# Kinds, and keys of `signal-fault`, whose settings decide only when they are told: nothing else of the engine asks for
# them. A shifted zero and swapped tags are not among these: they change the dP that is believed.
TOLD = frozenset({"dp-limit", "surge", "flow-blocked", "closure-seep"})
BESIDE = frozenset({"blocked-outside", "pressure-rise"})    # told by the same records
TOLD_FAULTS = {"failed_loop": "out-of-range", "stale": "stale", "frozen": "frozen", "spikes": "spikes"}


def is_told(kind: str, key: str) -> bool:
    """Whether sets that differ in this key can go side by side."""
    return kind in TOLD or (kind == "signal-fault" and key in TOLD_FAULTS)


def judge_side_by_side(rows: Rows, skids: Sequence[SkidSettings], *, forecasts: bool) -> list[list[Event]]:
    """Events of each set of settings over sequenced rows, as a replay under it would tell them, but for evidence, and
    for what messages of other kinds say of silences and holds.

    ValueError where the sets differ in more than what is told.
    """
    if any(_shared(skid) != _shared(skids[0]) for skid in skids):
        raise ValueError("settings that differ in what is measured or followed up cannot go side by side")
    return _Pass(skids, forecasts).over(rows)


def _shared(skid: SkidSettings) -> object:
    """What sets that go side by side have in common."""
    alarms = {kind: _without_told(kind, settings) for kind, settings in skid.alarms.items() if kind not in TOLD}
    return replace(skid, alarms=alarms)


def _without_told(kind: str, settings: AlarmSettings) -> AlarmSettings:
    if kind != "signal-fault":
        return settings
    return replace(settings, extra={key: value for key, value in settings.extra.items() if key not in TOLD_FAULTS})


def _of_all(event: Event) -> bool:
    """Whether an event of the skid itself is every set's."""
    if event.kind == "signal-fault":
        return event.detail not in TOLD_FAULTS.values()
    return event.kind not in TOLD | BESIDE


class _Pass:
    """One engine with its lanes."""

    def __init__(self, skids: Sequence[SkidSettings], forecasts: bool) -> None:
        self.engine = Engine([skids[0]])
        self.engine.events.forecasts = forecasts
        self.beside = skids[1:]
        self.lanes = lane_loop.new_lanes(len(self.beside))
        self.stories = [new_story(skid) for skid in self.beside]
        self.rules = parameters.build(self.beside)
        self.told = records((len(self.beside), codes.EMISSIONS_A_TICK), layout.emission)
        self.counts = np.zeros(len(self.beside), np.int64)
        self.events: list[list[Event]] = [[] for _ in skids]
        self.tier: Any = SimpleNamespace(state=self._seen_by_lanes(), parameters=self.rules)

    def _seen_by_lanes(self) -> layout.State:
        """State in which a lane's place holds its own records, and the skid's where it has none."""
        state, count = self.engine.rows.state, len(self.beside)
        shared = {name: np.broadcast_to(part, (count, *part.shape[1:]), subok=True)
                  for name, part in state._asdict().items()}  # fmt: skip
        own = {name: getattr(self.lanes, name) for name in ("health", "surge", "path", "hold", "leak")}
        return layout.State(**shared | own)

    def over(self, rows: Rows) -> list[list[Event]]:
        tier, which = self.engine.rows, np.zeros(1, np.int32)
        arrays = (rows.signal, rows.time, rows.value, rows.quality)
        emissions, i = records(codes.EMISSIONS_A_TICK, layout.emission), 0
        while i < rows.size:
            i, emitted = lane_loop.run(tier.state, tier.parameters, self.lanes, self.rules, arrays, i, emissions,
                                       self.told, self.counts)  # fmt: skip
            self._take_lanes()
            for fields in emissions.view(np.ndarray)[:emitted].tolist():
                self._take(Emission(int(which[0]), *fields))
        return self.events

    def _take_lanes(self) -> None:
        for lane in np.flatnonzero(self.counts).tolist():
            for fields in self.told.view(np.ndarray)[lane, : self.counts[lane]].tolist():
                self.events[lane + 1] += self._event(Emission(lane, *fields), self.beside[lane])
        self.counts[:] = 0

    def _event(self, emission: Emission, skid: SkidSettings) -> list[Event]:
        if emission.alarm in KINDS_TOLD:
            return integrity_events(emission, skid, self.tier, self.stories[emission.skid])
        if emission.alarm == codes.SIGNAL_FAULT:
            return [signal_event(emission, skid, self.tier)]
        return [alarm_event(emission, skid, self.tier)]

    def _take(self, emission: Emission) -> None:
        """What the skid itself emits: its events, and the sets' where they cannot differ."""
        told = self.engine.events.handle(emission).events
        self.events[0] += told
        for events in self.events[1:]:
            events += [event for event in told if _of_all(event)]
