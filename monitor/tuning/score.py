"""Events of a replay against its labels, by the contract's rules.

What was raised or noted is matched to a label of its kind that it falls in the window of, in order of time, each once.
What is left over repeats a matched label whose condition lasts, comes late for one that stays unfound, names the wrong
vessel, is allowed, or is false.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from enum import StrEnum

from monitor.model import NS, Event, Transition
from monitor.tuning.labels import Label, Labels

OF_THE_SKID = frozenset({"changeout-due", "changeout-forecast", "dp-limit", "surge", "flow-blocked"})
MAY_BE_UNNAMED = frozenset({"signal-fault", "element-breach"})      # even where vessels have their own pressures
MONTH_DAYS = 30.0


class How(StrEnum):
    """What became of a label (first four) or of an event beside the labels (the rest, and `late`)."""

    FOUND = "found"
    LATE = "late"
    MISSED = "missed"
    ASTRAY = "wrong-vessel"
    REPEAT = "repeat"
    ALLOWED = "allowed"
    FALSE = "false"


@dataclass(frozen=True, slots=True)
class Outcome:
    """A label and the event that answered it; delay [s] from the label's time."""

    label: Label
    how: How
    event: Event | None = None

    @property
    def delay(self) -> float | None:
        return None if self.event is None else (self.event.time - self.label.time) / NS

    @property
    def right(self) -> bool | None:
        """Whether the event says what the label says (verdict or fault, and signal); None where neither says."""
        if self.event is None or (self.label.detail is None and self.label.signal is None):
            return None
        details = self.label.verdict_ok or (self.label.detail,)
        signals = self.label.signal_ok or (self.label.signal,)
        return (self.label.detail is None or self.event.detail in details) and (
            self.label.signal is None or self.event.signal in signals
        )


@dataclass(frozen=True, slots=True)
class Stray:
    """An event that answers no label, and what it looks like where a decoy says."""

    event: Event
    how: How
    decoy: str | None = None


@dataclass(frozen=True, slots=True)
class Score:
    """One recording. events: all of them, `cleared` too: that many messages would be pushed."""

    outcomes: tuple[Outcome, ...]
    strays: tuple[Stray, ...]
    events: tuple[Event, ...]


def score(labels: Labels, events: Iterable[Event], *, vessel_pressures: bool) -> Score:
    """Judge events of one recording. vessel_pressures: whether vessels have their own, so that a name is due."""
    every = tuple(events)
    told = sorted((e for e in every if e.transition is not Transition.CLEARED), key=lambda e: e.time)
    matcher = _Matcher(labels, told, vessel_pressures)
    answered = matcher.answers()
    strays = tuple(matcher.stray(e, answered) for e in matcher.left)
    outcomes = tuple(matcher.outcome(place, answered, strays) for place in range(len(labels.events)))
    return Score(outcomes, strays, every)


class _Matcher:
    def __init__(self, labels: Labels, told: Sequence[Event], vessel_pressures: bool) -> None:
        self.labels, self.left, self.vessel_pressures = labels, list(told), vessel_pressures

    def answers(self) -> dict[int, Event]:
        """Event by place of the label it answers; what answers none stays in `left`."""
        found: dict[int, Event] = {}
        for place, label in sorted(enumerate(self.labels.events), key=lambda item: item[1].time):
            fitting = [e for e in self.left if self._in(label, e, label.last) and self._names(label, e)]
            if label.kind == "signal-fault":
                fitting.sort(key=lambda e: (e.detail != label.detail, e.time))
            if fitting:
                found[place] = fitting[0]
                self.left.remove(fitting[0])
        return found

    def stray(self, event: Event, answered: dict[int, Event]) -> Stray:
        standing = [k for k, label in enumerate(self.labels.events)
                    if self._in(label, event, label.end) and self._names(label, event)]
        decoy = next((d.what for d in self.labels.decoys if d.time <= event.time <= d.until), None)
        return Stray(event, self._how(event, standing, answered), decoy)

    def _how(self, event: Event, standing: list[int], answered: dict[int, Event]) -> How:
        if any(k in answered for k in standing):
            return How.REPEAT
        if standing:
            return How.LATE
        if any(a.kind == event.kind and a.time <= event.time <= a.until and a.detail in (None, event.detail)
               for a in self.labels.allowed):  # fmt: skip
            return How.ALLOWED
        astray = any(self._in(label, event, label.last) for label in self.labels.events)
        return How.ASTRAY if astray else How.FALSE

    def outcome(self, place: int, answered: dict[int, Event], strays: Sequence[Stray]) -> Outcome:
        label = self.labels.events[place]
        if place in answered:
            return Outcome(label, How.FOUND, answered[place])
        late = [s.event for s in strays if s.how is How.LATE and self._in(label, s.event, label.end)
                and self._names(label, s.event)]  # fmt: skip
        if late:
            return Outcome(label, How.LATE, late[0])
        other = any(self._in(label, e, label.last) for e in self.left)
        return Outcome(label, How.ASTRAY if other else How.MISSED)

    def _in(self, label: Label, event: Event, last: int) -> bool:
        return event.kind == label.kind and label.first <= event.time <= last

    def _names(self, label: Label, event: Event) -> bool:
        if label.vessel is None or label.kind in OF_THE_SKID or event.vessel == label.vessel:
            return True
        return event.vessel is None and (not self.vessel_pressures or label.kind in MAY_BE_UNNAMED)


@dataclass(frozen=True, slots=True)
class Totals:
    """Counts of one kind, or of several kinds and recordings together; these are what a search makes small.

    missed: neither found in time nor late; the wrong vessel is a miss. wrong: found, but with another verdict, fault
    or signal than the label's. pushes: messages; needless: those beyond one raise and one clear for each label.
    delay: sum [s] over what was answered, in time or late.
    """

    expected: int = 0
    missed: int = 0
    late: int = 0
    wrong: int = 0
    false: int = 0
    pushes: int = 0
    needless: int = 0
    answered: int = 0
    delay: float = 0.0

    @classmethod
    def of(cls, scored: Score) -> Totals:
        """Of a score of one kind."""
        delays = [o.delay for o in scored.outcomes if o.delay is not None]
        cleared = sum(e.transition is Transition.CLEARED for e in scored.events)
        told, answers = len(scored.events) - cleared, {o.event.id for o in scored.outcomes if o.event is not None}
        return cls(
            expected=len(scored.outcomes), missed=sum(o.how in (How.MISSED, How.ASTRAY) for o in scored.outcomes),
            late=sum(o.how is How.LATE for o in scored.outcomes),
            wrong=sum(o.right is False for o in scored.outcomes if o.how is How.FOUND),
            false=sum(s.how is How.FALSE for s in scored.strays), pushes=len(scored.events),
            needless=told - len(answers) + max(0, cleared - len(answers)), answered=len(delays), delay=sum(delays),
        )  # fmt: skip

    def __add__(self, other: Totals) -> Totals:
        return Totals(*(getattr(self, name) + getattr(other, name) for name in FIELDS))

    @property
    def objectives(self) -> tuple[float, float, float, float]:
        """What a search makes small: missed (a wrong word counts half), late, false, needless pushes."""
        return self.missed + 0.5 * self.wrong, float(self.late), float(self.false), float(self.needless)

    @property
    def mean_delay(self) -> float | None:
        return self.delay / self.answered if self.answered else None


FIELDS = tuple(field.name for field in fields(Totals))


def total(parts: Iterable[Totals]) -> Totals:
    """The sum."""
    result = Totals()
    for part in parts:
        result = result + part
    return result


def a_month(count: float, days: float) -> float:
    """A count over so many skid-days as so many in thirty."""
    return MONTH_DAYS * count / days if days > 0 else 0.0


def by_kind(scored: Score) -> dict[str, Totals]:
    """A score's counts, each kind by itself."""
    kinds = {o.label.kind for o in scored.outcomes} | {e.kind for e in scored.events}
    return {kind: Totals.of(_only(scored, kind)) for kind in sorted(kinds)}


def _only(scored: Score, kind: str) -> Score:
    return Score(
        tuple(o for o in scored.outcomes if o.label.kind == kind),
        tuple(s for s in scored.strays if s.event.kind == kind),
        tuple(e for e in scored.events if e.kind == kind),
    )  # fmt: skip
