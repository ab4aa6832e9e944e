"""How far a replay is, on standard error, and how it is stopped."""

from __future__ import annotations

import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from monitor.commands.common import warn
from monitor.commands.wording import span

CHUNK = 100_000         # rows handed on at a time, so that progress is seen; results do not depend on it
QUIET_S = 20.0          # so long nothing is said where nobody watches, and so long between two lines


class Stopping:
    """Ctrl-C and SIGTERM: what is half written goes. A library that swallows the interruption does not keep us."""

    def __init__(self) -> None:
        self.asked = False
        for number_of in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number_of, self._ask)

    def _ask(self, *_: object) -> None:
        self.asked = True
        raise KeyboardInterrupt

    def checked(self, progress: Callable[[float], None]) -> Callable[[float], None]:
        def go_on(done: float) -> None:
            if self.asked:
                raise KeyboardInterrupt
            progress(done)

        return go_on


@contextmanager
def progress_bar() -> Iterator[Callable[[float], None]]:
    """A bar on the terminal; a line now and then where none watches and it takes long."""
    if not sys.stderr.isatty():
        yield Lines().show
        return
    import click

    with click.progressbar(length=1000, label="replaying", file=sys.stderr) as bar:
        yield lambda done: bar.update(round(1000 * done) - bar.pos)


class Lines:
    """Progress for a log: sparse, and none of what is quick."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._began = self._told = clock()

    def show(self, done: float) -> None:
        now = self._clock()
        if now - self._told < QUIET_S or not 0 < done < 1:
            return
        self._told = now
        warn(f"replaying: {100 * done:.0f} % read, about {span((now - self._began) * (1 - done) / done)} left")
