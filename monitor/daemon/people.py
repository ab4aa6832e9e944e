"""How pushes reach people: one message an alarm in quiet times, one for many in a flood.

A flood is more than ten in ten minutes, which is what one operator can take in (EEMUA 191 and ISA-18.2, from memory).
Then a channel sends one summary a minute of what has gathered, so that nobody is sent hundreds. Everything rests on the
outbox: a push stays queued under its own key until a message that holds it was taken.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from monitor.daemon.clock import Clock, speed_of
from monitor.daemon.ports import Outgoing
from monitor.daemon.senders import Patience
from monitor.model import DAY, NS
from monitor.notify.outcome import Later, Outcome
from monitor.notify.service import Service
from monitor.store import Due

FLOOD = 10              # pushes of a channel
WINDOW_S = 600.0        # within this time
PAUSE_S = 60.0          # between summaries
GATHERED = 500          # that are looked at together
TRIED = 2               # failures in a row that make the channel wait: one alone may be that push's own fault
OLD = DAY               # an older push is of no use any more


class ServiceSender:
    """Pushes in order. A service that fails makes its own channel wait, no other."""

    def __init__(self, name: str, service: Service, store: Outgoing, patience: Patience, clock: Clock,
                 stopping: Callable[[], bool]) -> None:  # fmt: skip
        self.name = name
        self._service, self._store, self._patience, self._clock = service, store, patience, clock
        self._stopping = stopping
        self._pace = speed_of(clock) * NS       # of the clock, in a second of life
        self._summed = 0

    def turn(self) -> int | None:
        """See `Sender`."""
        now = self._clock()
        due = self._fresh(self._store.due(self.name, now, GATHERED), now)
        if not due:
            return None
        recent = self._store.sent_since(self.name, now - round(WINDOW_S * self._pace))
        if recent + len(due) > FLOOD:
            return self._summary(due, now)
        failed = 0
        for notice in due:
            if self._stopping():
                break
            until = self._settled([notice], self._service.send(notice.key, notice.body))
            failed = 0 if until is None else failed + 1
            if until is not None and failed == TRIED:
                return until
        return self._clock()

    def _summary(self, due: Sequence[Due], now: int) -> int | None:
        pause = self._summed + round(PAUSE_S * self._pace)
        if self._summed and now < pause:
            return pause
        until = self._settled(due, self._service.summary([n.body for n in due]))
        self._summed = self._clock()
        return self._clock() if until is None else until

    def _fresh(self, due: Sequence[Due], now: int) -> list[Due]:
        """Without what is too old to be of use; that is kept as refused."""
        old = [n.id for n in due if now - n.created > OLD]
        if old:
            self._store.refused(old, "a day old: of no use any more")
        return [n for n in due if now - n.created <= OLD]

    def _settled(self, notices: Sequence[Due], outcome: Outcome) -> int | None:
        """Marks what became of notices. Returns when to go on, where they have to wait."""
        ids = [n.id for n in notices]
        if isinstance(outcome, Later):
            until = self._patience.until(outcome, max(n.attempts for n in notices))
            self._store.failed(ids, outcome.reason, until)
            self._patience.complain(outcome.reason)
            return until
        self._store.sent(ids)
        self._patience.relieved()
        return None

    def close(self) -> None:
        """Nothing is held open between messages."""
