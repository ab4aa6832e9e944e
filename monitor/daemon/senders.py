"""How each kind of channel sends what is due: one step at a time, everything that lasts kept in the store.

What failed waits for its turn there, so a restart neither forgets nor hammers. While a database is away, small notices
of lines are put together, which packs them far better: days of it take little room.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from typing import Protocol

from monitor.daemon.clock import Clock
from monitor.daemon.notices import lines_notice
from monitor.daemon.ports import Outgoing
from monitor.model import NS
from monitor.notify.delivery import BATCH, LineWriter, unpack
from monitor.notify.outcome import Later, Refused, Taken
from monitor.notify.webhook import Webhook
from monitor.store import Due, next_try

GATHER = NS             # readings are sent about once a second, not at each commit
TRIM = 60 * NS          # how often the room of a channel is looked at
SLOW = 7                # failures that a mistake of the operator counts for: 3 to 5 min between attempts, then longer
STUBBORN = 4            # failures after which a notice is stepped over, to see whether it alone is the trouble
HANDFUL = 20            # events that are looked at together
CRUMB = 8_192           # bytes of a body that is worth putting together with others
CRUMBS = (50, 500)      # so many at least are worth it, so many at once


class Sender(Protocol):
    """What a worker runs."""

    name: str

    def turn(self) -> int | None:
        """Sends something of what is due. Returns when to go on [ns]; None: when there is something new."""

    def close(self) -> None: ...


class Patience:
    """How long a channel waits after a failure, and saying once that it fails and once that it works again."""

    def __init__(self, name: str, clock: Clock, say: Callable[[str], None], seed: str) -> None:
        self._name, self._clock, self._say = name, clock, say
        self._chance = random.Random(f"{seed} {name}")
        self._failures = 0          # since something was taken
        self._complained = False

    def until(self, later: Later, attempts: int) -> int:
        """When to try again [ns]. attempts: failures of the notice before this one."""
        self._failures += 1
        now = self._clock()
        failures = max(attempts + 1, self._failures, SLOW if later.slow else 0)
        turn = next_try(now, failures, self._chance)
        return turn if later.wait_s is None else max(now + round(later.wait_s * NS), now + NS)

    def complain(self, reason: str) -> None:
        """The whole channel has to wait."""
        if not self._complained:
            self._complained = True
            self.say(f"{reason}. It is tried again; what waits is kept")

    def relieved(self) -> None:
        """Something was taken."""
        self._failures = 0
        if self._complained:
            self._complained = False
            self.say("works again")

    def say(self, sentence: str) -> None:
        self._say(f"{self._name}: {sentence}")


class WebhookSender:
    """Events in order. A notice that fails again and again is stepped over: if the next one gets through, it alone is
    the trouble and waits alone; else the whole channel waits."""

    def __init__(self, name: str, hook: Webhook, store: Outgoing, patience: Patience, clock: Clock,
                 stopping: Callable[[], bool]) -> None:
        self.name = name
        self._hook, self._store, self._patience, self._clock, self._stopping = hook, store, patience, clock, stopping

    def turn(self) -> int | None:
        notices = self._store.due(self.name, self._clock(), HANDFUL)
        stepped_over = False
        for notice in notices:
            if self._stopping():
                break
            outcome = self._hook.send(notice.key, notice.body)
            if not isinstance(outcome, Later):
                self._settled(notice, outcome)
                continue
            until = self._patience.until(outcome, notice.attempts)
            self._store.failed([notice.id], outcome.reason, until)
            if stepped_over or notice.attempts < STUBBORN:
                self._patience.complain(outcome.reason)
                return until
            stepped_over = True
        return self._clock() if notices else None

    def _settled(self, notice: Due, outcome: Taken | Refused) -> None:
        if isinstance(outcome, Refused):
            self._store.refused([notice.id], outcome.reason)
        else:
            self._store.sent([notice.id])
            self._patience.relieved()

    def close(self) -> None:
        self._hook.close()


class LinesSender:
    """Lines, many notices in one request. keep: bytes that may wait, None: without bound."""

    def __init__(self, name: str, writer: LineWriter, store: Outgoing, patience: Patience, clock: Clock,
                 stopping: Callable[[], bool], keep: int | None) -> None:
        self.name = name
        self._writer, self._store, self._patience, self._clock = writer, store, patience, clock
        self._stopping, self._keep = stopping, keep
        self._ask = CRUMBS[1]
        self._trim_at = 0

    def turn(self) -> int | None:
        self._trim()
        notices = self._store.due(self.name, self._clock(), self._ask)
        if not notices:
            return None
        chosen, lines = _gathered(notices)
        self._ask = min(CRUMBS[1], max(4, 2 * len(chosen)))
        result = self._writer.deliver(lines)
        later = result.later
        until = None if later is None else self._failed(chosen, later)
        if not result.left and not result.refused:
            self._store.sent([n.id for n in chosen], forget=True)
        elif len(chosen) > 1 or len(result.left) < len(lines):
            self._replace(chosen, result.left, result.refused)
        if until is not None:
            self._put_together()
            return until
        self._patience.relieved()
        return self._clock() + (GATHER if len(lines) < BATCH // 2 else 0)

    def _failed(self, notices: Sequence[Due], later: Later) -> int:
        until = self._patience.until(later, max(n.attempts for n in notices))
        self._patience.complain(later.reason)
        self._store.failed([n.id for n in notices], later.reason, until)
        return until

    def _trim(self) -> None:
        now = self._clock()
        if self._keep is not None and now >= self._trim_at:
            self._trim_at = now + TRIM
            dropped = self._store.drop_oldest(self.name, self._keep)
            if dropped:
                self._patience.say(f"{dropped} points are given up for want of space; the store has the readings")

    def _replace(self, notices: Sequence[Due], left: list[str], refused: Sequence[tuple[str, str]]) -> None:
        """Other notices for what was not taken; a refused line becomes one of its own, with the reason."""
        created = min(n.created for n in notices)
        parts = [lines_notice(self.name, left[i : i + BATCH], created) for i in range(0, len(left), BATCH)]
        alone = [(lines_notice(self.name, [line], created), reason) for line, reason in refused]
        self._store.replace([n.id for n in notices], parts, alone)

    def _put_together(self) -> None:
        """Many small notices become few large ones."""
        while not self._stopping():
            crumbs = self._store.crumbs(self.name, CRUMB, CRUMBS[1])
            if len(crumbs) < CRUMBS[0]:
                return
            chosen, lines = _gathered(crumbs)
            self._replace(chosen, lines, [])

    def close(self) -> None:
        self._writer.close()


def _gathered(notices: Sequence[Due]) -> tuple[list[Due], list[str]]:
    """The first notices, up to a request's worth of lines, one notice at least; and their lines."""
    chosen, lines = [], list[str]()
    for notice in notices:
        if lines and len(lines) + notice.body["points"] > BATCH:
            break
        chosen.append(notice)
        lines += unpack(notice.body)
    return chosen, lines
