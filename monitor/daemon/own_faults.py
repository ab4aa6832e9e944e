"""What is wrong with the monitor itself, as events of kind `monitor-fault`: it is an alarm like the others.

    lag             readings wait long before they are judged
    store-unwritable  told when it is over; while it lasts the heart tells (nothing can be stored then)
    channel-dead    notices wait long for a receiver that fails
    broker-lost     no connection to the broker: no readings
    source-lost     an OPC UA server or a Modbus device cannot be reached
    clock-jump      this machine's clock was put forward or back
    off             it was not running for a while; until what waited meanwhile has been taken in
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from monitor.alarms.catalogue import CATALOGUE, MONITOR, MONITOR_FAULT
from monitor.daemon.clock import Clock, speed_of
from monitor.daemon.keeper import MQTT
from monitor.model import NS, Event, Transition
from monitor.times import to_rfc3339

LAG_S = (30.0, 5.0)         # waiting readings: raised above, cleared below
LOST_S = 15.0               # without a broker
DEAD_S = 900.0              # a notice waits while its channel fails
JUMP_S = 5.0                # of the wall clock against the monotonic one
JUMP_TOLD_S = 60.0          # how long a jump stays active
OFF_S = 60.0                # a shorter absence is no fault
UNWRITABLE_S = 15.0         # a shorter wait for the store is no fault
LOOK_S = 20.0               # how often the channels are looked at

Fault = tuple[str, str]     # detail, and what it is about


class OwnFaults:
    """outbox: gives the summary of the store's channels. monotonic: seconds that nobody can change."""

    def __init__(self, clock: Clock, outbox: Callable[[], Mapping[str, Mapping[str, Any]]],
                 monotonic: Callable[[], float] = time.monotonic) -> None:
        self._clock, self._outbox, self._monotonic = clock, outbox, monotonic
        self._speed = speed_of(clock)
        self._active: set[Fault] = set()
        self._found: dict[Fault, str] = {}
        self._said: dict[Fault, str] = {}       # of those that are active, what was said
        self._before = (clock(), monotonic())
        self._looked = -LOOK_S
        self._lost_since: float | None = None
        self._jumped = -JUMP_TOLD_S
        self._waited: tuple[int, int] | None = None
        self._latest = 0            # of what was told: a clock that was put back must not put back what we say

    def restore(self, standing: Iterable[Fault], latest: int) -> None:
        """Faults that stood when the monitor was stopped, and the time of the last that was told [ns]."""
        self._active, self._latest = set(standing), latest

    def was_off(self, since: int) -> list[Event]:
        """To be called at the start, with when anything was last taken in [ns]."""
        now = self._clock()
        if (now - since) / NS / self._speed < OFF_S:
            return []
        text = f"{SAID['off']}: nothing was taken in from {to_rfc3339(since)} to {to_rfc3339(now)}"
        self._set(OFF, text)
        self._said[OFF] = text
        self._active.add(OFF)
        return [self._event(now, OFF, Transition.RAISED, text)]

    def store_waited(self, since: int) -> None:
        """The store could not be written from `since` [ns] until now."""
        self._waited = (since, self._clock())

    def events(self, *, waiting_since: int | None, connected: bool, caught_up: bool = True,
               away: Mapping[str, str] | None = None) -> list[Event]:
        """What has changed. waiting_since: arrival of the oldest reading just taken [ns]; connected: to the broker;
        caught_up: what waited there has been taken in; away: sources that cannot be reached, and why."""
        now, real = self._clock(), self._monotonic()
        self._lag(now, waiting_since)
        if caught_up:
            self._set(OFF, None)
        self._broker(real, connected)
        self._sources(away or {})
        self._jump(now, real)
        if real - self._looked >= LOOK_S:
            self._looked = real
            self._channels(now)
        events = [self._event(now, fault, Transition.RAISED, text) for fault, text in self._found.items()
                  if fault not in self._active]
        over = sorted(self._active - self._found.keys())
        events += [self._event(now, fault, Transition.CLEARED, f"over: {self._said.pop(fault, SAID[fault[0]])}")
                   for fault in over]
        self._active = set(self._found)
        self._said |= self._found
        return [*events, *self._store(now)]

    def _set(self, fault: Fault, text: str | None) -> None:
        if text is None:
            self._found.pop(fault, None)
        else:
            self._found.setdefault(fault, text)

    def _lag(self, now: int, since: int | None) -> None:
        lag = 0.0 if since is None else (now - since) / NS / self._speed
        if lag > LAG_S[0]:
            self._set(("lag", "lag"), f"{SAID['lag']}: {lag:.0f} s")
        elif lag < LAG_S[1]:
            self._set(("lag", "lag"), None)

    def _broker(self, real: float, connected: bool) -> None:
        self._lost_since = None if connected else real if self._lost_since is None else self._lost_since
        lost = self._lost_since is not None and real - self._lost_since > LOST_S
        self._set(("broker-lost", "broker-lost"), SAID["broker-lost"] if lost else None)

    def _sources(self, away: Mapping[str, str]) -> None:
        told = {about for detail, about in self._found | dict.fromkeys(self._active) if detail == SOURCE_LOST}
        for name in told | away.keys():
            self._set((SOURCE_LOST, name), f"{SAID[SOURCE_LOST]}: {away[name]}" if name in away else None)

    def _jump(self, now: int, real: float) -> None:
        then, before = self._before
        self._before = (now, real)
        moved = (now - then) / NS / self._speed - (real - before)
        if abs(moved) > JUMP_S:
            self._jumped = real
            self._set(("clock-jump", "clock-jump"), f"{SAID['clock-jump']} by {moved:+.0f} s")
        elif real - self._jumped > JUMP_TOLD_S:
            self._set(("clock-jump", "clock-jump"), None)

    def _channels(self, now: int) -> None:
        for name, told in self._outbox().items():
            oldest, failed = told["oldest_queued"], told["failed_at"]
            fails = failed is not None and failed >= (told["sent_at"] or 0)
            waits = oldest is not None and (now - oldest) / NS / self._speed > DEAD_S
            dead = name != MQTT and fails and waits
            self._set(("channel-dead", name), f"{SAID['channel-dead']}, {name}: {told['last_error']}" if dead else None)

    def _store(self, now: int) -> list[Event]:
        waited, self._waited = self._waited, None
        if waited is None or (waited[1] - waited[0]) / NS / self._speed < UNWRITABLE_S:
            return []
        fault = ("store-unwritable", "store-unwritable")
        text = f"{SAID['store-unwritable']} from {to_rfc3339(waited[0])} to {to_rfc3339(waited[1])}"
        return [self._event(now, fault, Transition.RAISED, text), self._event(now, fault, Transition.CLEARED, text)]

    def _event(self, now: int, fault: Fault, transition: Transition, text: str) -> Event:
        kind = CATALOGUE[MONITOR_FAULT]
        now = self._latest = max(now, self._latest)
        asks = f" {kind.response}" if transition is Transition.RAISED else ""
        return Event(now, MONITOR, MONITOR_FAULT, transition, f"The monitor itself: {text}.{asks}",
                     signal=fault[1], detail=fault[0])


OFF: Fault = ("off", "off")
SOURCE_LOST = "source-lost"
SAID = {
    "off": "it was not running",
    "lag": "readings wait long before they are judged",
    "store-unwritable": "the store could not be written",
    "channel-dead": "notices wait for a receiver that fails",
    "broker-lost": "there is no connection to the broker, so no readings",
    SOURCE_LOST: "a source of readings cannot be reached",
    "clock-jump": "this machine's clock was changed",
}
