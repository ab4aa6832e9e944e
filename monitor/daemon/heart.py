"""That the daemon is at work: a heartbeat over MQTT, the service manager's watchdog, and a word where it is stuck.

A thread of its own tells, but only while the loop shows signs of life: a daemon that hangs falls silent, and the
service manager starts it again. Waiting for a store that cannot be written is no hanging: the heart says so instead.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from typing import Any, Self

from monitor.daemon.systemd import Notify

BEAT_S = 10.0
STUCK_S = 60.0      # without a sign of the loop; a commit of many readings takes seconds
PULSE_S = 0.25      # how often the thread looks
LONG_S = 15.0       # a shorter wait is not told: every commit waits a little


class Heart:
    """beat: called with what is told, every `BEAT_S`. trouble: called once with what keeps the loop waiting, and once
    with None when that is over. caught_up: whether the loop has taken all that waited for it at the broker."""

    def __init__(self, notify: Notify, *, beat_s: float = BEAT_S, stuck_s: float = STUCK_S,
                 long_s: float = LONG_S) -> None:  # fmt: skip
        self._notify, self._beat_s, self._stuck_s, self._long_s = notify, beat_s, stuck_s, long_s
        self.unheard()
        self._told: Mapping[str, Any] = {}
        self.caught_up = False
        self._sign = time.monotonic()
        self._waits: tuple[str, float] | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="heart", daemon=True)

    def unheard(self) -> None:
        """Nobody is told but the service manager."""
        self.beat: Callable[[Mapping[str, Any]], object] = lambda told: None
        self.trouble: Callable[[str | None], object] = lambda what: None

    def alive(self, told: Mapping[str, Any] | None = None) -> None:
        """The loop's sign of life, with what the next heartbeat tells."""
        self._sign = time.monotonic()
        if told is not None:
            self._told = told

    def ready(self) -> None:
        self._notify.tell(ready="1", status="watching")

    @contextlib.contextmanager
    def waiting(self, what: str) -> Iterator[None]:
        """Inside, the loop waits for something outside, and is not stuck."""
        self._waits = what, time.monotonic()
        try:
            yield
        finally:
            self._waits = None
            self.alive()

    @property
    def stuck(self) -> bool:
        return self._waits is None and time.monotonic() - self._sign > self._stuck_s

    def _long_wait(self, now: float) -> str | None:
        waits = self._waits
        return waits[0] if waits is not None and now - waits[1] > self._long_s else None

    def _run(self) -> None:
        period = self._notify.watchdog_s
        feed, beat, told = 0.0, 0.0, None
        while not self._stop.wait(min(PULSE_S, self._beat_s / 4, (period or 1.0) / 4)):
            now = time.monotonic()
            waits = self._long_wait(now)
            if self.stuck:
                continue
            if period is not None and now >= feed:
                feed = now + period / 3
                self._notify.tell(watchdog="1")
            if waits != told:
                told = waits
                self._notify.tell(status=waits or "watching")
                self.trouble(waits)
            if now >= beat:
                beat = now + self._beat_s
                self.beat({**self._told, "waits_for": waits})

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(2.0)
        self._notify.tell(stopping="1", status="stopping")
