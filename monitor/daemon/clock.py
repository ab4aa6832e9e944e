"""The only places where the program looks at a clock."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

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


class LiveTime:
    """Event time of each skid between its rows: its newest row's own time, plus what has passed since that arrived,
    less a grace.

    So ticks follow the transmitters' clocks, whatever their offset from ours.
    """

    def __init__(self, skids: int) -> None:
        self._newest = np.zeros(skids, np.int64)
        self._arrival = np.zeros(skids, np.int64)

    def note(self, skid: int, newest: int, arrival: int) -> None:
        """A row of source time `newest` arrived at `arrival` [ns]."""
        if newest > self._newest[skid]:
            self._newest[skid], self._arrival[skid] = newest, arrival

    def times(self, now: int) -> dict[int, int]:
        """Event time [ns] of every skid that has been heard of."""
        known = np.flatnonzero(self._newest)
        since = np.maximum(now - self._arrival[known] - round(GRACE_S * NS), 0)
        return dict(zip(known.tolist(), (self._newest[known] + since).tolist(), strict=True))

    def offset(self, skid: int) -> int:
        """How far our clock is ahead of the skid's newest row when it arrived [ns]."""
        return int(self._arrival[skid] - self._newest[skid])


class Due:
    """Which skids' turn it is for work that each needs every `period` seconds, staggered."""

    def __init__(self, skids: int, period_s: float, now: int) -> None:
        self._period = round(period_s * NS)
        self._next = now + (np.arange(skids, dtype=np.int64) + 1) * (self._period // max(skids, 1))

    def take(self, now: int) -> list[int]:
        due = np.flatnonzero(self._next <= now)
        self._next[due] = now + self._period
        return [int(i) for i in due]
