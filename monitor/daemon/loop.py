"""The daemon's loop: take, judge, commit, acknowledge, announce. In that order, so that nothing is lost.

What came is acknowledged only after the commit that holds it; alarms leave only after the commit that
holds them. Killed at any moment, the broker sends again what was not committed, and the store knows
what it has already.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

import msgspec
import numpy as np
import numpy.typing as npt

from monitor.daemon.acting import act_on
from monitor.daemon.announce import Announcer, Unannounced
from monitor.daemon.clock import Clock, Due, Hearing, LiveTime, speed_of
from monitor.daemon.commands import Commands
from monitor.daemon.heart import Heart
from monitor.daemon.insist import insist
from monitor.daemon.intake import Intake, Taken
from monitor.daemon.keeper import Keeper
from monitor.daemon.notices import Notices
from monitor.daemon.own_faults import OwnFaults
from monitor.daemon.ports import DaemonStore
from monitor.daemon.rebuild import Memory, Recent, Resumption
from monitor.daemon.renewal import Renewal
from monitor.daemon.systemd import Notify
from monitor.daemon.upkeep import Upkeep
from monitor.engine import separation
from monitor.engine.engine import STATE_VERSION, Engine, Output
from monitor.engine.messages_plan import plan_lines
from monitor.ingest.mqtt import Link, Message
from monitor.ingest.sources import topics_of
from monitor.model import NS, Action
from monitor.settings import Settings
from monitor.skid import SkidSettings
from monitor.store import Batch, Checkpoint

TAKE = 5_000                # messages of one commit at most
PATIENCE_S = 0.25           # a commit waits no longer than this for messages
TICK_S = 1.0
CHECKPOINT_S = 60.0
PLAN_S = 600.0
SETTLED = 2_000             # minutes and events of a commit while skids are taken up
UNSTORED = "what came since is not acknowledged, so that the broker keeps it"
THE_STORE = "the store, which cannot be written"


class Source(Protocol):
    """What messages are taken from: `MqttSource`, or `Sources`, which has more behind it."""

    @property
    def heard(self) -> int: ...

    @property
    def more(self) -> bool: ...

    @property
    def newest(self) -> int: ...

    @property
    def link(self) -> Link: ...

    @property
    def away(self) -> Mapping[str, str]: ...

    def take(self, limit: int, timeout: float) -> Sequence[Message]: ...

    def ack(self, messages: Sequence[Message]) -> None: ...


class Daemon:
    """Runs the engine over live messages until `stop` is set, or `renewal` has other settings for the next one. say:
    where sentences for a person go. committed: called after commits."""

    def __init__(
        self,
        settings: Settings,
        store: DaemonStore,
        clock: Clock,
        say: Callable[[str], None] = lambda sentence: None,
        committed: Callable[[], None] = lambda: None,
        stop: threading.Event | None = None,
        heart: Heart | None = None,
        renewal: Renewal | None = None,
    ) -> None:
        self.settings, self.store, self.clock, self.say = settings, store, clock, say
        self.stop = stop or threading.Event()
        self.notices, self.committed = Notices(settings, store, clock), committed
        self.engine = Engine(settings.skids)
        self._places = {skid.id: i for i, skid in enumerate(settings.skids)}
        self.live = LiveTime(len(settings.skids), speed_of(clock))
        self.intake = Intake(settings, self.live)
        self._hearing = Hearing(clock(), speed_of(clock))
        self._checkpoints = Due(len(settings.skids), CHECKPOINT_S, clock())
        self._plans = Due(len(settings.skids), PLAN_S, clock())
        self._ticked = 0
        self._resumed = Output()    # not committed yet
        self._upkeep = Upkeep(store, clock(), self.settings.store.retention_days, say)
        self.renewal = renewal or Renewal(lambda: settings, settings)
        self.keeper = Keeper(settings, store, clock, self._reached, self._engage, self.renewal.renew)
        prefix = None if settings.broker is None else settings.broker.prefix
        self.commands = Commands(settings.command, prefix, self.keeper, clock)
        self.faults = OwnFaults(clock, store.outbox)
        self.heart = heart or Heart(Notify({}))

    @property
    def topics(self) -> list[str]:
        """What has to be subscribed to."""
        return [*topics_of(self.settings), *([] if self.commands.topic is None else [self.commands.topic])]

    def _reached(self, skid: str) -> int:
        i = self._places.get(skid)
        return 0 if i is None else max(0, self.engine.reached(i))

    def _engage(self, action: Action, batch: Batch) -> str:
        """The engine takes an action in at the event time reached."""
        came = self.engine.act(self._places[action.skid], action)
        batch.actions.append(action)
        self._extend(batch, came)
        return came.answers[-1].text

    def resume(self) -> int:
        """Take up each skid where its last checkpoint and the rows stored after it left it. Returns rows run again."""
        separation.load()
        self._insist(lambda: self.store.configure(self.settings.skids))
        self.keeper.restore()
        self.faults.restore(*self.keeper.own_faults())
        recent = Recent(self.store)
        rows = sum(self._resume(i, skid, recent) for i, skid in enumerate(self.settings.skids))
        batch, self._resumed = self._batch(self._resumed), Output()
        last = self.live.last
        self.keeper.fill(batch, [] if last is None else self.faults.was_off(last))
        if batch:
            self._commit(batch)
        return rows

    def _resume(self, i: int, skid: SkidSettings, recent: Recent) -> int:
        resumed = Resumption(self.engine, self.store, i, skid, recent, self.say, self._settle).run()
        newest = self.engine.sequencers[i].newest
        if newest > 0:
            # A transmitter's clock may be off: without its offset, time goes on from when we look.
            now, offset = self.clock(), resumed.offset
            self.live.note(i, newest, now if offset is None else min(newest + offset, now))
        return resumed.rows

    def run(self, source: Source, announcer: Announcer | Unannounced) -> None:
        """Raises RunError where it is told to stop while the store cannot be written, BrokerError."""
        announcer.start(self.keeper.standing())
        try:
            while not self.stop.is_set() and self.renewal.next is None:
                self.round(source, announcer)
            self._commit(self._last_words())
        finally:
            if self.renewal.next is None or self.stop.is_set():
                announcer.part(on_purpose=self.stop.is_set())

    def round(self, source: Source, announcer: Announcer | Unannounced) -> None:
        announcer.greet()
        heard = source.heard
        messages = source.take(TAKE, PATIENCE_S)
        now, connected = self.clock(), source.link.whole
        if source.more:
            heard = min(heard, source.newest)
        orders, readings = self.commands.split(messages)
        until = self._hearing.until(now, heard, connected=connected)
        batch = self._judge(readings, now, until)
        self.heart.caught_up = caught_up = until is not None and not source.more
        own = self.faults.events(waiting_since=min((m.arrival for m in messages), default=None), connected=connected,
                                 caught_up=caught_up, away=source.away)
        if self.renewal.asked():
            self.say(self.keeper.renewed(f"signal {now}", "", "", "signal"))
        self.keeper.fill(batch, own, lambda: self.commands.take(orders, batch))
        if messages or batch:
            self._commit(batch)
        source.ack(messages)
        announcer.events()
        reached = self.engine.all_reached       # a skid that was never heard keeps no hour of the others open
        self._upkeep.step(now, int(reached.min(where=reached > 0, initial=now)))
        ticked = now == self._ticked
        self.heart.alive({"newest_s": self._behind(now), "alarms": self.keeper.counts()} if ticked else None)

    def _behind(self, now: int) -> float | None:
        """How long ago [s] the newest reading of all is, by our clock."""
        newest = int(self.engine.all_newest.max(initial=0))
        return round((now - newest) / NS, 1) if newest > 0 else None

    def _judge(self, messages: Sequence[Message], now: int, heard: int | None) -> Batch:
        """heard: until when silence is silence, None where no time is to pass without rows."""
        taken = self.intake.take(messages)
        output, late = self._feed(taken)
        batch = self._batch(output)
        fed = taken.fed & ~late
        for k, i in enumerate(taken.places.tolist()):
            cut = slice(taken.starts[k], taken.starts[k + 1])
            batch.rows.append((self.settings.skids[i].id, taken.rows.take(cut), fed[cut]))
        batch.rejections.extend(taken.rejections)
        if now - self._ticked >= TICK_S * NS:
            self._ticked = now
            asked = self.store.requests(open_only=True)
            self._extend(batch, act_on(asked, self.engine, self.settings.skids, batch))
            if heard is not None:
                self._pass_time(heard, batch)
        for i in self._checkpoints.take(now):
            self._checkpoint(i, batch)
        for i in self._plans.take(now):
            self._plan(i, batch)
        return batch

    def _pass_time(self, heard: int, batch: Batch) -> None:
        before = self.engine.all_reached.copy()
        self._extend(batch, self.engine.advance(self.live.times(heard)))
        # Rows give their time back when they are run again; time that passed without rows has to be stored.
        for i in np.flatnonzero(self.engine.all_reached > before).tolist():
            batch.ticks[self.settings.skids[i].id] = self.engine.reached(i)

    def _feed(self, taken: Taken) -> tuple[Output, npt.NDArray[np.bool_]]:
        """Judges what is to be fed. Returns besides which of the rows came too late."""
        self.live.end(taken.places, taken.ended)
        self.live.note_all(taken.places, taken.newest, taken.heard)
        late = np.zeros(taken.fed.size, np.bool_)
        fed = np.flatnonzero(taken.fed)
        starts = np.searchsorted(fed, taken.starts)
        output, late[fed] = self.engine.feed_together(taken.places, starts, taken.rows.take(fed))
        return output, late

    def _batch(self, output: Output) -> Batch:
        batch = Batch()
        self._extend(batch, output)
        return batch

    def _extend(self, batch: Batch, output: Output) -> None:
        batch.events.extend(output.events)
        batch.facts.extend(output.facts)
        batch.forecasts.extend(output.forecasts)
        batch.minutes.extend((self.settings.skids[i].id, minute) for i, minute in output.minutes)

    def _plan(self, i: int, batch: Batch) -> None:
        """What follows from the forecast, for pages: made seldom, since it takes some fits."""
        if self.engine.rows.state.skid[i].tick == 0:
            return
        told = list(plan_lines(self.settings.skids[i], self.engine.plan(i)))
        batch.plans.append((self.settings.skids[i].id, self.engine.reached(i), told))

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

    def _settle(self, output: Output) -> None:
        """What the engine says of readings that are run again: of many skids in one commit."""
        self._resumed.join(output)
        if len(self._resumed.minutes) + len(self._resumed.events) < SETTLED:
            return
        batch, self._resumed = self._batch(self._resumed), Output()
        self.keeper.fill(batch)
        self._commit(batch)

    def _commit(self, batch: Batch) -> None:
        """Commit, however long the store needs to become writable again; the broker keeps what comes meanwhile."""

        def step() -> None:
            self.notices.fill(batch)
            self.store.commit(batch)

        self._insist(step)
        self.committed()

    def _insist(self, step: Callable[[], None]) -> None:
        """A wait for the store is no hanging: the heart says so meanwhile, an alarm of our own afterwards."""
        since = self.clock()
        tries = 0

        def counted() -> None:
            nonlocal tries
            tries += 1
            step()

        with self.heart.waiting(THE_STORE):
            insist(counted, self.stop, self.say, UNSTORED)
        if tries > 1:
            self.faults.store_waited(since)
