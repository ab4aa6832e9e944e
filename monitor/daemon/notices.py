"""What a commit has to tell the outside, queued in the very transaction that stores it.

    mqtt            each new event, for our own topics, where there is a broker
    webhook ...     each new event, once for each receiver that no rule names
    service ...     what rules tell people (`daemon/keeper.py` makes it, also for the webhooks they name)
    influx, sql     the readings that are new and the closed minutes, as compressed lines
    influx-events, sql-events
                    each new event, step of an alarm and forecast as lines: they need not wait behind days of readings
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from monitor.daemon.clock import Clock
from monitor.daemon.keeper import MQTT, service_channel
from monitor.daemon.ports import DaemonStore
from monitor.model import Event, Rows
from monitor.notify.delivery import pack
from monitor.notify.lines import InfluxLines
from monitor.notify.tables import SqlLines
from monitor.notify.webhook import channel_name
from monitor.records import event_object
from monitor.settings import Settings
from monitor.store import Batch, Notice

INFLUX, INFLUX_EVENTS = "influx", "influx-events"
SQL, SQL_EVENTS = "sql", "sql-events"
HOUR = 3_600_000_000_000


def channels(settings: Settings) -> list[str]:
    """The outbox's channels that these settings use."""
    databases = [INFLUX, INFLUX_EVENTS] if settings.notify.influx else []
    databases += [SQL, SQL_EVENTS] if settings.notify.sql else []
    services = [service_channel(s.id) for s in settings.notify.services]
    return [*_own_topics(settings), *(channel_name(w.url) for w in settings.notify.webhooks), *services, *databases]


def _own_topics(settings: Settings) -> list[str]:
    return [] if settings.broker is None else [MQTT]


def lines_notice(channel: str, lines: Sequence[str], time: int) -> Notice:
    """Lines for a database. Their digest is the key: the same points told twice are one notice."""
    digest = hashlib.sha256("\n".join(lines).encode("utf-8", "backslashreplace")).hexdigest()[:24]
    return Notice(channel, digest, pack(lines), time)


class Notices:
    """Fills the notices of batches. The store must know the skids already."""

    def __init__(self, settings: Settings, store: DaemonStore, clock: Clock) -> None:
        self._store, self._clock = store, clock
        ruled = {name for rule in settings.notify.rules for name in rule.channels}
        hooks = [channel_name(w.url) for w in settings.notify.webhooks if w.id not in ruled]
        self._receivers = [*_own_topics(settings), *hooks]
        self._layouts: list[tuple[str, str, InfluxLines | SqlLines]] = []
        if settings.notify.influx:
            self._layouts.append((INFLUX, INFLUX_EVENTS, InfluxLines(settings.skids)))
        if settings.notify.sql:
            self._layouts.append((SQL, SQL_EVENTS, SqlLines(settings.skids)))
        self._first: Batch | None = None    # says what the signals are, also where its commit is tried again
        self._signals = {s.id: [signal.id for signal in s.signals] for s in settings.skids}
        self._newest: dict[str, npt.NDArray[np.int64]] = {}

    def fill(self, batch: Batch) -> None:
        """Sets the batch's notices. May be called again where the commit has to be tried again."""
        now = self._clock()
        events = [e for e in batch.events if self._store.event(e.id) is None]
        batch.notices = list(self._told(events, now))
        if self._layouts and batch:
            batch.notices += self._written(batch, events, now)

    def _told(self, events: Iterable[Event], now: int) -> Iterable[Notice]:
        for event in events:
            body: dict[str, Any] = event_object(event)
            yield from (Notice(receiver, event.id, body, now) for receiver in self._receivers)

    def _written(self, batch: Batch, events: Sequence[Event], now: int) -> Iterable[Notice]:
        new = [(skid, self._new(skid, rows), rows, fed) for skid, rows, fed in batch.rows]
        readings = [(skid, rows.take(chosen), fed[chosen]) for skid, chosen, rows, fed in new]
        self._first = self._first or batch
        for bulk, prompt, layout in self._layouts:
            lines = layout.opening() if batch is self._first else []
            lines += [line for skid, rows, fed in readings for line in layout.readings(skid, rows, fed)]
            lines += [layout.minute(skid, minute) for skid, minute in batch.minutes]
            if lines:
                yield lines_notice(bulk, lines, now)
            yield from (lines_notice(prompt, layout.event(event), now) for event in events)
            others = [layout.step(entry) for entry in batch.journal]
            others += [layout.forecast(*foreseen) for foreseen in batch.forecasts]
            if others:
                yield lines_notice(prompt, others, now)

    def _new(self, skid: str, rows: Rows) -> npt.NDArray[np.intp]:
        """Positions of the readings that the store will take: the first to arrive of each signal and time, and not
        there yet. A second one with another value goes to quarantine, so it must not overwrite the first elsewhere."""
        if skid not in self._newest:
            self._newest[skid] = self._known(skid)
        newest = self._newest[skid]
        first = _firsts(rows)
        old = first[rows.time[first] <= newest[rows.signal[first]]]
        np.maximum.at(newest, rows.signal, rows.time)
        return np.setdiff1d(first, self._stored(skid, rows, old)) if old.size else first

    def _known(self, skid: str) -> npt.NDArray[np.int64]:
        """Time of each signal's newest stored reading."""
        latest = self._store.latest(skid)
        none = np.iinfo(np.int64).min
        return np.array([latest[s][0] if s in latest else none for s in self._signals[skid]], np.int64)

    def _stored(self, skid: str, rows: Rows, old: npt.NDArray[np.intp]) -> list[int]:
        """Those of the positions whose signal and time the store has."""
        found: set[tuple[int, int]] = set()
        for hour in np.unique(rows.time[old] // HOUR).tolist():
            there = self._store.rows(skid, hour * HOUR, (hour + 1) * HOUR, self._signals[skid], as_taken=True)
            found.update(zip(there.time.tolist(), there.signal.tolist(), strict=True))
        return [i for i in old.tolist() if (int(rows.time[i]), int(rows.signal[i])) in found]


def _firsts(rows: Rows) -> npt.NDArray[np.intp]:
    """Positions of the first reading of each signal and time, rising."""
    order = np.lexsort((rows.signal, rows.time))
    time, signal = rows.time[order], rows.signal[order]
    repeats = np.flatnonzero((time[1:] == time[:-1]) & (signal[1:] == signal[:-1])) + 1
    return np.sort(np.delete(order, repeats))
