"""What pages, commands and a restarting daemon ask of the store."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Self

import numpy.typing as npt

from monitor.model import Action, Entry, Event, Fact, Quality, Rejection, Rows
from monitor.store import (
    actions,
    catalogue,
    checkpoint,
    events,
    history,
    journal,
    outbox,
    quarantine,
    recent,
    requests,
    status,
    trends,
)
from monitor.store.connection import Handle
from monitor.store.types import (
    HOUR,
    MONITOR,
    AlarmKey,
    Checkpoint,
    Due,
    MinuteFigures,
    QuarantineCount,
    Request,
    SignalVersion,
    Trend,
)


class Queries:
    """What can be asked of a store, open for reading or for writing. Several threads may share one.

    Every call raises StoreError where the store is damaged or does not know the skid or signal named.
    Spans are start <= time < end, in ns.
    """

    def __init__(self, handle: Handle) -> None:
        self._handle = handle

    def close(self) -> None:
        """Idempotent."""
        self._handle.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # Names

    def skids(self) -> list[str]:
        """Those that were ever configured."""
        return [name for (name,) in self._handle.query("SELECT id FROM skid WHERE id <> ? ORDER BY ref", (MONITOR,))]

    def signals(self, skid: str, *, former: bool = False) -> list[str]:
        """Signal ids: the configured ones in their order; with `former` then those of earlier configurations."""
        return list(catalogue.signal_refs(self._handle, skid, former=former))

    def versions(self, skid: str, signal: str) -> list[SignalVersion]:
        """What the signal's numbers meant, oldest first; the last one is in force."""
        return catalogue.versions(self._handle, catalogue.chosen_refs(self._handle, skid, [signal])[0])

    # Readings

    def rows(self, skid: str, start: int, end: int, signals: Sequence[str] | None = None, *,
             fed_only: bool = False, as_taken: bool = False) -> Rows:
        """Readings in order of (time, signal); `Rows.signal` indexes `signals`, or the configured ones where None.

        Values are in the unit configured now: readings taken under another scale are converted, those taken while
        the id had another role are left out. as_taken: every reading, as it came.
        """
        refs = catalogue.chosen_refs(self._handle, skid, signals)
        with self._handle.snapshot():
            found = history.read(self._handle, refs, start, end)
            found = history.fed(found) if fed_only else found
            return (found if as_taken else history.in_present_units(self._handle, refs, found)).rows()

    def rows_after(self, skid: str, time: int, *, fed_only: bool = True,
                   signals: Sequence[str] | None = None) -> Iterator[Rows]:
        """Readings later than `time`, an hour at a time, up to what is stored when each hour is read."""
        refs = catalogue.chosen_refs(self._handle, skid, signals)
        for hour in history.hours_with_readings(self._handle, refs, time + 1):
            rows = self.rows(skid, max(time + 1, hour * HOUR), (hour + 1) * HOUR, signals, fed_only=fed_only)
            if rows.size:
                yield rows

    def recent_of_all(self, span: int) -> tuple[int, dict[str, Rows]]:
        """A time [ns], `span` before the newest reading, and each skid's readings later than that which were fed to the
        engine: one question where thousands would be asked. Skids are left out whose signals have changed since."""
        return recent.recent_of_all(self._handle, span)

    def latest(self, skid: str) -> dict[str, tuple[int, float, Quality]]:
        """Configured signal id -> (time, value, quality) of the newest reading, fed or not."""
        with self._handle.snapshot():
            return history.latest(self._handle, catalogue.signal_refs(self._handle, skid, former=False))

    def newest(self) -> int | None:
        """Time of the newest reading of all, ns."""
        row = self._handle.one("SELECT max(time) FROM latest")
        return row[0] if row else None

    def oldest(self, skids: Sequence[str]) -> int | None:
        """Start (ns) of the first hour that holds readings of these skids."""
        refs = [ref for skid in skids for ref in catalogue.signal_refs(self._handle, skid, former=True).values()]
        hour = next(history.hours_with_readings(self._handle, refs, 0), None) if refs else None
        return None if hour is None else hour * HOUR

    def all_latest(self) -> dict[str, dict[str, tuple[int, float, Quality]]]:
        """`latest` of every skid that has configured signals, in one go."""
        return history.all_latest(self._handle)

    def newest_minutes(self) -> dict[str, dict[str, Any]]:
        """The newest roll-up of every skid that has one: its time, quantities (SI, NaN where unknown), judged."""
        return trends.newest_minutes(self._handle)

    def minute_figures(self, start: int, end: int) -> dict[str, MinuteFigures]:
        """What there is to say of the roll-ups of each skid that has any with start <= time < end (ns)."""
        return trends.minute_figures(self._handle, start, end)

    def minutes(self, skid: str, start: int, end: int) -> dict[str, npt.NDArray[Any]]:
        """Roll-ups as columns: time, the quantities of `Minute` (SI, NaN where unknown), judged."""
        return trends.minutes(self._handle, skid, start, end)

    def forecasts(self, skid: str, start: int, end: int) -> dict[str, npt.NDArray[Any]]:
        """Forecasts as they were made, as columns: time, and p10, p50, p90 in hours until a changeout is due."""
        return trends.forecasts(self._handle, skid, start, end)

    def plans(self) -> dict[str, tuple[int, list[tuple[str, str]]]]:
        """Skid -> time (ns) of what was last planned of its changeouts, and [(what, sentence)]."""
        return trends.plans(self._handle)

    def newest_forecasts(self) -> dict[str, tuple[int, float, float, float]]:
        """(time, p10, p50, p90) of the newest forecast of every skid that has one."""
        return trends.newest_forecasts(self._handle)

    def trend(self, skid: str, signal: str, start: int, end: int, points: int) -> Trend:
        """At most `points` buckets of a signal (its unit; bad readings left out) or of a quantity of `Minute` (SI)."""
        return trends.trend(self._handle, skid, signal, start, end, points)

    # Events and what is known

    def events(self, skid: str | None = None, start: int | None = None, end: int | None = None,
               kinds: Sequence[str] | None = None, *, limit: int = 100, before: str | None = None,
               forward: bool = False) -> list[Event]:
        """Newest first, forward: oldest first; `before`: the id of the last event of the page already seen."""
        return events.select(self._handle, skid=skid, start=start, end=end, kinds=kinds, limit=limit, before=before,
                             forward=forward)

    def events_like(self, part: str, *, limit: int = 100) -> list[Event]:
        """Those whose id holds `part`, newest first."""
        return events.like(self._handle, part, limit)

    def event(self, event_id: str) -> Event | None:
        return events.find(self._handle, event_id)

    def pinned(self, event_id: str) -> tuple[int, int, int | None] | None:
        """(from, until, `released` of the checkpoint to start from or None) kept for an event; None: no such event."""
        return events.pinned(self._handle, event_id)

    def alarm_states(self) -> dict[AlarmKey, dict[str, Any]]:
        return events.alarm_states(self._handle)

    def facts(self, skid: str, *, at: int | None = None) -> dict[str, Fact]:
        """The newest fact of every key; `at`: as it was at that event time (ns)."""
        return events.facts(self._handle, skid, at)

    def newest_facts(self, key: str) -> dict[str, Fact]:
        """Skid -> its newest fact of one key."""
        return events.newest_facts(self._handle, key)

    def named_facts(self, word: str, skid: str | None = None) -> list[Fact]:
        """Of one skid or of all, the newest of every key that begins with `word/`."""
        return events.named_facts(self._handle, word, skid)

    def fact_history(self, skid: str, key: str) -> list[Fact]:
        """Oldest first."""
        return events.fact_history(self._handle, skid, key)

    def actions(self, skid: str, since: int = 0) -> list[Action]:
        """What operators did that the engine had to know, from event time `since` on, in the order it was applied."""
        return actions.since(self._handle, skid, since)

    def tick(self, skid: str) -> int | None:
        """Event time the skid's engine had reached, ns."""
        row = self._handle.one("SELECT tick FROM skid WHERE ref = ?", (catalogue.skid_ref(self._handle, skid),))
        return row[0] if row else None

    def checkpoint(self, skid: str, *, at: int | None = None, generation: int = 0) -> Checkpoint | None:
        """The newest checkpoint released at or before `at`, or `generation` before that one."""
        return checkpoint.get(self._handle, skid, at, generation)

    # Quarantine, outbox, requests, figures

    def quarantine_counts(self, skid: str | None = None) -> list[QuarantineCount]:
        return quarantine.counts(self._handle, skid)

    def quarantine(self, *, skid: str | None = None, signal: str | None = None, reason: str | None = None,
                   limit: int = 100) -> list[tuple[int, Rejection]]:
        """(arrival ns, rejection), newest first."""
        return quarantine.samples(self._handle, skid=skid, signal=signal, reason=reason, limit=limit)

    def due(self, channel: str, now: int, limit: int) -> list[Due]:
        """Notices whose turn it is, those waiting longest first."""
        return outbox.due(self._handle, channel, now, limit)

    def sent_since(self, channel: str, time: int) -> int:
        """How many notices of a channel were taken at or after a time (ns)."""
        return outbox.sent_since(self._handle, channel, time)

    def requests(self, *, open_only: bool = False, action: str | None = None, limit: int = 100) -> list[Request]:
        """Open ones oldest first, else all newest first; of one action where it is named."""
        return requests.select(self._handle, open_only=open_only, action=action, limit=limit)

    def request(self, number: int | None = None, *, origin: str | None = None) -> Request | None:
        """By its number, or by its own name; None where there is none."""
        return requests.find(self._handle, number, origin)

    def journal(self, skid: str | None = None, start: int | None = None, end: int | None = None,
                steps: Sequence[str] | None = None, *, limit: int = 100) -> list[Entry]:
        """Newest first."""
        return journal.select(self._handle, skid=skid, start=start, end=end, steps=steps, limit=limit)

    def outbox(self) -> dict[str, dict[str, Any]]:
        """By channel; see `monitor.store.outbox.summary`."""
        return outbox.summary(self._handle)

    def status(self) -> dict[str, Any]:
        """See `monitor.store.status.status`."""
        return status.status(self._handle)
