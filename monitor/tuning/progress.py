"""How far a search is, how long it will still take, and whether to go on."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping

EARLY = 0.02        # share of the work after which its pace is known well enough


class Progress:
    """Counts what is done against what there will be, both in sets of settings; stops when asked.

    told: what is done now, share of all that is done, seconds left or None.
    """

    def __init__(self, told: Callable[[str, float, float | None], None], clock: Callable[[], float] = time.monotonic):
        self._told, self._clock = told, clock
        self._began = clock()
        self._ways: dict[str, tuple[float, float]] = {}
        self._what, self._share, self._step = "today's settings", 0.0, (0.0, 0.0)
        self._paid, self._tries = 0.0, False    # what an earlier run had tried takes no time and tells nothing of pace
        self.stopped = False

    def expect(self, stages: Mapping[str, float]) -> None:
        """The stages to come, in their order, and how many sets each will try at most."""
        total, before = sum(stages.values()), 0.0
        for what, sets in stages.items():
            self._ways[what] = before / total, sets / total
            before += sets

    def stop(self) -> None:
        self.stopped = True

    def at(self, what: str, done: float, of: float, step: float = 1) -> bool:
        """Whether to go on with a stage. step: how much of it comes next."""
        start, length = self._ways.get(what, (self._share, 0.0))
        first, last = (start + length * min(1.0, part / of) for part in (done, done + step))
        self._what, self._step = what, (first, last)
        self._reach(first)
        self._tries = False
        return not self.stopped

    def within(self, done: int, of: int) -> bool:
        """Whether to go on with what is being tried for the step. done: of so many tasks."""
        first, last = self._step
        self._tries = True
        self._reach(first + (last - first) * done / of)
        return not self.stopped

    def _reach(self, share: float) -> None:
        share = max(self._share, share)
        self._paid += (share - self._share) * self._tries
        self._share = share
        passed = self._clock() - self._began
        self._told(self._what, share, passed * (1 - share) / self._paid if self._paid > EARLY else None)
