"""Taking up a skid where the store left it: from its checkpoint, or where that does not fit from stored readings and
what was learned before them."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from functools import cached_property
from typing import NamedTuple

import msgspec
import numpy as np

from monitor.daemon.ports import DaemonStore
from monitor.engine.engine import Engine, Output
from monitor.errors import InputError
from monitor.model import DAY, NS, Action, Fact, Rows
from monitor.skid import SkidSettings

RECENT = 150 * NS           # read at once of all skids: checkpoints are a minute apart
REBUILD = DAY               # how far back readings are run again where no checkpoint can be used


class Memory(msgspec.Struct):
    """What a checkpoint holds of a skid: offset of our clock against its transmitters' [ns], and the engine's state."""

    offset: int
    engine: msgspec.Raw


class Resumed(NamedTuple):
    """Rows that were run again, and the offset where it was known."""

    rows: int
    offset: int | None


def rerun(engine: Engine, i: int, parts: Iterable[Rows], actions: Iterable[Action],
          take: Callable[[Output], None]) -> int:
    """Run stored readings of skid i and the actions that its state does not include, each action where it took effect.
    Returns how many readings."""
    done, count = engine.acted(i), 0
    waiting = deque(a for a in actions if a.number > done)
    for part in parts:
        count, rows = count + part.size, part
        while waiting and waiting[0].time < rows.time[-1]:
            cut = int(np.searchsorted(rows.time, waiting[0].time, side="right"))
            take(engine.feed({i: rows.take(slice(None, cut))})[0])
            take(engine.act(i, waiting.popleft()))
            rows = rows.take(slice(cut, None))
        take(engine.feed({i: rows})[0])
    for action in waiting:
        take(engine.act(i, action))
    return count


class Recent:
    """The newest readings of all skids, read at once: what checkpoints a minute old still lack."""

    def __init__(self, store: DaemonStore) -> None:
        self.since, self._rows = store.recent_of_all(RECENT)
        self._store = store

    def after(self, skid: str, time: int) -> Rows | None:
        """Readings of a skid later than `time` [ns], None where they reach further back or have to be converted."""
        rows = self._rows.get(skid)
        if rows is None or time < self.since:
            return None
        return rows.take(slice(int(rows.time.searchsorted(time, side="right")), None))

    @cached_property
    def standing(self) -> dict[str, set[str]]:
        """Kinds of alarms that stand, by skid."""
        found: dict[str, set[str]] = {}
        for (skid, kind, *_), body in self._store.alarm_states().items():
            if body.get("active"):
                found.setdefault(skid, set()).add(kind)
        return found


class Resumption:
    """One skid's. say: where sentences for a person go. commit: takes what the engine says of what is run again."""

    def __init__(self, engine: Engine, store: DaemonStore, i: int, skid: SkidSettings, recent: Recent,
                 say: Callable[[str], None], commit: Callable[[Output], None]) -> None:
        self.engine, self.store, self.i, self.skid, self.say = engine, store, i, skid, say
        self._recent, self._commit = recent, commit
        self._learned: set[str] = set()
        self._told: set[str] = set()

    def run(self) -> Resumed:
        memory, since = self._restored()
        if memory is None:
            self._recall(self.store.facts(self.skid.id, at=since).values())
        rows_again = self._again(since)
        reached = self.store.tick(self.skid.id)
        if reached is not None:
            self._take(self.engine.advance({self.i: reached + self.engine.sequencers[self.i].lateness}))
        if memory is None:
            # What the readings of one day alone did not teach again was learned with more to go by.
            facts = self.store.facts(self.skid.id).values()
            self._recall([f for f in facts if f.time > since and f.key not in self._learned])
            # What an earlier release raised and this one never said a word of would stand for ever.
            for kind in self._recent.standing.get(self.skid.id, set()) - self._told:
                self.engine.stands(self.i, kind)
        return Resumed(rows_again, None if memory is None else memory.offset)

    def _again(self, since: int) -> int:
        """Run readings and actions again. Returns how many readings."""
        rows = self._recent.after(self.skid.id, since)
        parts: Iterable[Rows] = [] if rows is None or not rows.size else [rows]
        if rows is None:
            parts = self.store.rows_after(self.skid.id, since, signals=[s.id for s in self.skid.signals])
        return rerun(self.engine, self.i, parts, self.store.actions(self.skid.id, since), self._take)

    def _restored(self) -> tuple[Memory | None, int]:
        """What the checkpoint held, None where none fits, and the event time after which readings are run again."""
        checkpoint = self.store.checkpoint(self.skid.id)
        if checkpoint is None:
            return None, 0
        try:
            if checkpoint.fingerprint != self.engine.fingerprint(self.i):
                raise InputError("made by another version or with other settings")
            memory = msgspec.json.decode(checkpoint.state, type=Memory)
            self.engine.restore(self.i, bytes(memory.engine))
            return memory, checkpoint.released
        except (InputError, msgspec.DecodeError) as error:
            self.say(f"{self.skid.id}: its checkpoint is not used ({error}); rebuilding from the stored readings")
            return None, checkpoint.released - REBUILD

    def _recall(self, facts: Iterable[Fact]) -> None:
        unusable = self.engine.recall(self.i, facts)
        if unusable:
            self.say(f"{self.skid.id}: what the store says was learned of {', '.join(unusable)} cannot be used")

    def _take(self, output: Output) -> None:
        self._learned.update(fact.key for fact in output.facts)
        self._told.update(event.kind for event in output.events)
        self._commit(output)
