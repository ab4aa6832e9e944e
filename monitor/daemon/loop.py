"""The daemon's loop: take, judge, commit, acknowledge, announce. In that order, so that nothing is lost.

What came is acknowledged only after the commit that holds it; alarms leave only after the commit that
holds them. Killed at any moment, the broker sends again what was not committed, and the store knows
what it has already.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from typing import Any

import msgspec
import numpy as np

from monitor.daemon.acting import act_on
from monitor.daemon.announce import Announcer
from monitor.daemon.clock import Clock, Due, LiveTime
from monitor.daemon.insist import insist
from monitor.daemon.intake import Intake, Taken
from monitor.daemon.notices import Notices
from monitor.daemon.rebuild import Memory, Resumption
from monitor.engine.engine import STATE_VERSION, Engine, Output
from monitor.engine.sequencer import Fate
from monitor.ingest.mqtt import Message, MqttSource
from monitor.model import NS, Event, Rows, Settings, SkidSettings, Transition
from monitor.store import Batch, Checkpoint, Store, StoreRetryError

TAKE = 5_000                # messages of one commit at most
PATIENCE_S = 0.25           # a commit waits no longer than this for messages
TICK_S = 1.0
CHECKPOINT_S = 60.0
UPKEEP_S = 30.0
UNSTORED = "what came since is not acknowledged, so that the broker keeps it"
PACK_AFTER = 2 * 3600 * NS  # an hour is packed when it lies this far back: late rows are then rare


class Daemon:
    """Runs the engine over live messages until `stop` is set. say: where sentences for a person go. committed: called
    after commits."""

    def __init__(
        self,
        settings: Settings,
        store: Store,
        clock: Clock,
        say: Callable[[str], None] = lambda sentence: None,
        committed: Callable[[], None] = lambda: None,
        stop: threading.Event | None = None,
    ) -> None:
        self.settings, self.store, self.clock, self.say = settings, store, clock, say
        self.stop = stop or threading.Event()
        self.notices, self.committed = Notices(settings, store, clock), committed
        self.engine = Engine(settings.skids)
        self.intake = Intake(settings)
        self.live = LiveTime(len(settings.skids))
        self._checkpoints = Due(len(settings.skids), CHECKPOINT_S, clock())
        self._ticked = 0
        self._kept_up = clock()
        self._behind = False

    def resume(self) -> int:
        """Take up each skid where its last checkpoint and the rows stored after it left it. Returns rows run again."""
        self._insist(lambda: self.store.configure(self.settings.skids))
        return sum(self._resume(i, skid) for i, skid in enumerate(self.settings.skids))

    def _resume(self, i: int, skid: SkidSettings) -> int:
        resumed = Resumption(self.engine, self.store, i, skid, self.say, lambda o: self._commit(self._batch(o))).run()
        newest = self.engine.sequencers[i].newest
        if newest > 0:
            # A transmitter's clock may be off: without its offset, time goes on from when we look.
            now, offset = self.clock(), resumed.offset
            self.live.note(i, newest, now if offset is None else min(newest + offset, now))
        return resumed.rows

    def run(self, source: MqttSource, announcer: Announcer) -> None:
        """Raises RunError where it is told to stop while the store cannot be written, BrokerError."""
        announcer.start(self._active())
        try:
            while not self.stop.is_set():
                self.round(source, announcer)
            self._commit(self._last_words())
        finally:
            announcer.part(on_purpose=self.stop.is_set())

    def _active(self) -> list[Event]:
        """The events that raised what is active now, oldest first."""
        states = self.store.alarm_states().values()
        events = [self.store.event(s["event"]) for s in states if s["state"] == "active"]
        return sorted((e for e in events if e is not None), key=lambda e: e.time)

    def round(self, source: MqttSource, announcer: Announcer) -> None:
        announcer.greet()
        messages = source.take(TAKE, PATIENCE_S)
        now = self.clock()
        batch = self._judge(messages, now)
        if messages or batch.ticks or batch.checkpoints or batch.answers:
            self._commit(batch)
        source.ack(messages)
        announcer.events()
        self._keep_up(now)

    def _keep_up(self, now: int) -> None:
        """A bounded piece of the store's housekeeping, so that taking messages never waits long for it."""
        if now - self._kept_up < UPKEEP_S * NS and not self._behind:
            return
        self._kept_up = now
        try:
            reached = [self.engine.reached(i) for i in range(len(self.settings.skids))]
            self._behind = self.store.pack(min(reached, default=0) - PACK_AFTER) or bool(
                self.store.retain(now, self.settings.store.retention_days)
            )
            self.store.vacuum()
        except StoreRetryError as error:
            self.say(f"{error}; housekeeping of the store waits")

    def _judge(self, messages: Sequence[Message], now: int) -> Batch:
        taken = self.intake.take(messages)
        output, fates = self._feed(taken)
        batch = self._batch(output)
        for i, rows in taken.rows.items():
            fed = taken.fed[i].copy()
            positions = np.flatnonzero(fed)
            fed[positions[fates[i].late]] = False
            batch.rows.append((self.settings.skids[i].id, rows, fed))
        batch.rejections.extend(taken.rejections)
        if now - self._ticked >= TICK_S * NS:
            self._ticked = now
            asked = self.store.requests(open_only=True)
            self._extend(batch, act_on(asked, self.engine, self.settings.skids, batch))
            before = [self.engine.reached(i) for i in range(len(self.settings.skids))]
            self._extend(batch, self.engine.advance(self.live.times(now)))
            # Rows give their time back when they are run again; time that passed without rows has to be stored.
            batch.ticks.update(
                (skid.id, self.engine.reached(i))
                for i, skid in enumerate(self.settings.skids)
                if self.engine.reached(i) > before[i]
            )
        for i in self._checkpoints.take(now):
            self._checkpoint(i, batch)
        return batch

    def _feed(self, taken: Taken) -> tuple[Output, dict[int, Fate]]:
        arrivals: dict[int, Rows] = {i: rows.take(taken.fed[i]) for i, rows in taken.rows.items()}
        for i, (time, arrival) in taken.newest.items():
            self.live.note(i, time, arrival)
        return self.engine.feed(arrivals)

    def _batch(self, output: Output) -> Batch:
        batch = Batch()
        self._extend(batch, output)
        return batch

    def _extend(self, batch: Batch, output: Output) -> None:
        batch.events.extend(output.events)
        batch.facts.extend(output.facts)
        batch.minutes.extend((self.settings.skids[i].id, minute) for i, minute in output.minutes)
        for event in output.events:
            if event.transition is not Transition.NOTED:
                key = (event.skid, event.kind, event.vessel, event.signal)
                batch.alarm_states[key] = alarm_state(event)

    def _checkpoint(self, i: int, batch: Batch) -> None:
        if self.engine.rows.state.skid[i].tick == 0:
            return
        memory = Memory(offset=self.live.offset(i), engine=msgspec.Raw(self.engine.snapshot(i)))
        reached = self.engine.reached(i)
        batch.checkpoints[self.settings.skids[i].id] = Checkpoint(
            reached, STATE_VERSION, self.engine.fingerprint(i), msgspec.json.encode(memory)
        )

    def _last_words(self) -> Batch:
        batch = Batch()
        for i in range(len(self.settings.skids)):
            self._checkpoint(i, batch)
        return batch

    def _commit(self, batch: Batch) -> None:
        """Commit, however long the store needs to become writable again; the broker keeps what comes meanwhile."""

        def step() -> None:
            self.notices.fill(batch)
            self.store.commit(batch)

        self._insist(step)
        self.committed()

    def _insist(self, step: Callable[[], None]) -> None:
        insist(step, self.stop, self.say, UNSTORED)


def alarm_state(event: Event) -> dict[str, Any]:
    """State of an alarm as the store keeps it."""
    return {
        "state": "active" if event.transition is Transition.RAISED else "normal",
        "since": event.time,
        "event": event.id,
    }
