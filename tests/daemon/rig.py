"""A daemon in this process, on a clock and messages of the test's own."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

from monitor.daemon.announce import Announcer
from monitor.daemon.loop import TAKE, Daemon
from monitor.ingest.mqtt import Link, LinkState, Message, MqttSource
from monitor.model import NS, Rows
from monitor.settings import Settings
from monitor.skid import SkidSettings
from monitor.store import Store
from monitor.times import to_rfc3339


class Messages:
    """Stands for the broker's side: rows as messages with a time of their own, a piece at a time."""

    def __init__(self, skid: SkidSettings, rows: Rows, late_s: float = 0.0) -> None:
        self.heard = 1 << 62        # everything that came is in `waiting`
        self.more, self.newest = False, 0
        self.away: dict[str, str] = {}
        self.link = Link(LinkState.CONNECTED, "connected")
        self.waiting = [
            (skid.signals[k].topic, json.dumps({"time": to_rfc3339(t), "value": v}).encode(), t + round(late_s * NS))
            for t, k, v in zip(rows.time.tolist(), rows.signal.tolist(), rows.value.tolist(), strict=True)
        ]

    def take(self, most: int, patience: float) -> Sequence[Message]:
        del patience
        taken, self.waiting = self.waiting[:most], self.waiting[most:]
        self.more, self.newest = len(taken) == most, taken[-1][2] if taken else 0
        return [Message(topic=t, payload=p, retain=False, arrival=at, mid=0, qos=1, generation=1)
                for t, p, at in taken]

    def ack(self, messages: Sequence[Message]) -> None:
        del messages


class Silent:
    """Stands for what announces."""

    def greet(self) -> None:
        pass

    def events(self) -> None:
        pass


class Rig:
    def __init__(self, daemon: Daemon, store: Store, skid: SkidSettings) -> None:
        self.daemon, self.store, self.skid = daemon, store, skid

    def hear(self, rows: Rows, late_s: float = 0.0) -> None:
        """Rows come as messages, each so long after its time; afterwards the clock stands at the newest's arrival."""
        source = Messages(self.skid, rows, late_s)
        while source.waiting:
            self.daemon.clock.now = source.waiting[:TAKE][-1][2]    # type: ignore[attr-defined]
            self.round(source)

    def round(self, source: Messages | None = None) -> None:
        source = source or Messages(self.skid, Rows.empty())
        self.daemon.round(cast(MqttSource, source), cast(Announcer, Silent()))

    def stop(self) -> None:
        self.daemon._commit(self.daemon._last_words())


class Hand:
    """A clock that is set by hand."""

    def __init__(self, now: int) -> None:
        self.now = now

    def __call__(self) -> int:
        return self.now


@contextmanager
def rig(folder: Path, skid: SkidSettings, now: int, said: list[str] | None = None, *others: SkidSettings,
        **store: Any) -> Iterator[Rig]:
    """A daemon resumed from the store in a folder. said: takes its sentences. others: skids that nobody hears."""
    clock = Hand(now)
    with Store.open(folder / "rig.db", now=clock, **store) as opened:
        daemon = Daemon(Settings((skid, *others)), opened, clock, (said if said is not None else []).append)
        daemon.resume()
        yield Rig(daemon, opened, skid)


def with_changeout_dp(skid: SkidSettings, bar: float) -> SkidSettings:
    """The skid with another limit: its checkpoints do not fit any more."""
    due = skid.alarms["changeout-due"]
    return replace(skid, alarms=skid.alarms | {"changeout-due": replace(due, limit=bar * 1e5)})


def second(rows: Rows, start: float, end: float) -> Rows:
    """Rows of some seconds of a stream."""
    first = int(rows.time[0])
    return rows.take((rows.time >= first + start * NS) & (rows.time < first + end * NS))
