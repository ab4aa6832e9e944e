"""The only places where the program looks at a clock."""

from __future__ import annotations

import time
from collections.abc import Callable, Set

import numpy as np
import numpy.typing as npt

from monitor.model import NS

Clock = Callable[[], int]


def wall() -> int:
    """ns since 1970 UTC."""
    return time.time_ns()


class FastClock:
    """A clock that starts at `start` [ns] and runs `speed` times faster than life: for the demo."""

    def __init__(self, start: int, speed: float) -> None:
        self._start, self._speed, self._origin = start, speed, time.monotonic_ns()

    def __call__(self) -> int:
        return self._start + round((time.monotonic_ns() - self._origin) * self._speed)

    @property
    def speed(self) -> float:
        return self._speed


def speed_of(clock: Clock) -> float:
    """How many times faster than life a clock runs."""
    return clock.speed if isinstance(clock, FastClock) else 1.0


GRACE_S = 8.0     # silence of a skid before its time moves on without rows: a gateway that sends in bursts is not late
HOLD_S = 60.0     # without a connection that has settled, before silence counts all the same


class LiveTime:
    """Event time of each skid between its rows: its newest row's own time, plus what has passed since that arrived,
    less a grace (of our own seconds, however much faster than life the clock runs).

    So ticks follow the transmitters' clocks, whatever their offset from ours.
    """

    def __init__(self, skids: int, speed: float = 1.0) -> None:
        self._newest = np.zeros(skids, np.int64)
        self._arrival = np.zeros(skids, np.int64)
        self._grace = round(GRACE_S * speed * NS)
        self._ended = np.zeros(skids, np.bool_)
        self._told = np.zeros(skids, np.int64)      # the latest that `times` has given

    def end(self, heard: npt.NDArray[np.int64], ended: Set[int]) -> None:
        """Of the skids just heard of: those whose senders are all gone, from which nothing more is on its way."""
        if ended or self._ended.any():
            self._ended[heard] = False
            self._ended[list(ended)] = True

    def note(self, skid: int, newest: int, arrival: int) -> None:
        """A row of source time `newest` arrived at `arrival` [ns]."""
        if newest > self._newest[skid]:
            self._newest[skid], self._arrival[skid] = newest, arrival

    def note_all(self, skids: npt.NDArray[np.int64], newest: npt.NDArray[np.int64],
                 arrival: npt.NDArray[np.int64]) -> None:
        """`note` of many skids, each once."""
        later = newest > self._newest[skids]
        self._newest[skids[later]], self._arrival[skids[later]] = newest[later], arrival[later]

    @property
    def last(self) -> int | None:
        """When anything last arrived from any skid [ns]."""
        return int(self._arrival.max(initial=0)) or None

    def times(self, heard: int) -> dict[int, int]:
        """Event time [ns] of every skid that has been heard of. heard: until when all that came is known [ns]."""
        known = np.flatnonzero(self._newest)
        grace = np.where(self._ended[known], 0, self._grace)
        since = np.maximum(heard - self._arrival[known] - grace, 0)
        times = self._newest[known] + since
        self._told[known] = np.maximum(self._told[known], times)
        return dict(zip(known.tolist(), times.tolist(), strict=True))

    def at(self, skid: int, arrival: int) -> int | None:
        """Event time [ns] of what came at `arrival` and can have no time of its own: after all that was told of the
        skid by then. None where nothing was heard of it yet."""
        newest = int(self._newest[skid])
        if newest == 0:
            return None
        return max(newest + max(0, arrival - int(self._arrival[skid])), int(self._told[skid]) + 1)

    def offset(self, skid: int) -> int:
        """How far our clock is ahead of the skid's newest row when it arrived [ns]."""
        return int(self._arrival[skid] - self._newest[skid])


class Hearing:
    """Until when what came is known: silence after that is ours, not the transmitters'.

    What waits in our own queue, or at the broker while we were away, is older than now; were time to move on without
    it, it would be late and a gap would stand in its place. So no time passes without rows until a connection has
    lasted for a grace, for `HOLD_S` at most.
    """

    def __init__(self, now: int, speed: float = 1.0) -> None:
        self._grace, self._hold = round(GRACE_S * speed * NS), round(HOLD_S * speed * NS)
        self._settled = self._changed = now
        self._connected = False

    def until(self, now: int, heard: int, *, connected: bool) -> int | None:
        """heard: until when the connection had nothing more for us [ns]. None: no time is to pass without rows."""
        if connected != self._connected or now < self._changed:     # or the clock was put back
            self._connected, self._changed = connected, now
        self._settled = min(self._settled, now)
        if connected and now - self._changed >= self._grace:
            self._settled = now
            return min(heard, now)
        return None if now - self._settled < self._hold else now


class Due:
    """Which skids' turn it is for work that each needs every `period` seconds, staggered."""

    def __init__(self, skids: int, period_s: float, now: int) -> None:
        self._period = round(period_s * NS)
        self._next = now + (np.arange(skids, dtype=np.int64) + 1) * (self._period // max(skids, 1))

    def take(self, now: int) -> list[int]:
        due = np.flatnonzero(self._next <= now)
        self._next[due] = now + self._period
        return [int(i) for i in due]
