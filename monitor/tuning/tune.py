"""`bagwright tune`: from labelled recordings to a recommendation, what to expect of it, and why."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from monitor.errors import RunError
from monitor.tuning.choice import ROUNDS, Chooser
from monitor.tuning.expect import Expected, cross_validated
from monitor.tuning.fragment import Change
from monitor.tuning.groups import Group, counts, groups_of
from monitor.tuning.knobs import Knob, knobs_of
from monitor.tuning.material import Material
from monitor.tuning.score import Totals
from monitor.tuning.search import Trial, search
from monitor.tuning.tried import NAME, Results, Tried, Values
from monitor.tuning.workers import Workers

Curve = list[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Wishes:
    """How to search. miss: how many false alarms a miss is worth."""

    sets: int = 200
    seed: int = 1
    miss: float = 10.0


@dataclass(frozen=True, slots=True)
class Tuned:
    """What came of it. today, best: results by recording; curves: cost of each knob alone around the recommendation."""

    materials: Sequence[Material]
    groups: Sequence[Group]
    trials: Sequence[Trial]
    today: Results
    usual: Results | None
    best: Results
    values: Values
    changes: Sequence[Change]
    curves: dict[str, Curve]
    expected: Expected | None
    finished: bool
    miss: float

    @property
    def days(self) -> float:
        return sum(m.days for m in self.materials)

    def totals(self, results: Results, kinds: Sequence[str] | None = None) -> Totals:
        return counts(results, range(len(self.materials)), kinds)

    @property
    def kinds(self) -> list[str]:
        """Kinds that have labels or events, before or after."""
        return sorted({kind for results in (self.today, self.best) for part in results for kind in part})


class Progress:
    """Counts what is done against what there will be; stops when asked. told: share done, seconds left or None."""

    def __init__(self, told: Callable[[str, float, float | None], None], clock: Callable[[], float] = time.monotonic):
        self._told, self._clock = told, clock
        self._began = clock()
        self.stopped = False

    def stop(self) -> None:
        self.stopped = True

    def within(self, done: int, of: int) -> bool:
        """Whether to go on with what is being tried."""
        return not self.stopped

    def at(self, what: str, done: int, of: int) -> bool:
        """Whether to go on."""
        share = done / of if of else 1.0
        passed = self._clock() - self._began
        left = passed * (1 - share) / share if share > 0.02 else None
        self._told(what, share, left)
        return not self.stopped


def kinds_of(materials: Sequence[Material], today: Results) -> list[str]:
    """What there is to tune by: kinds that labels name or that are raised today."""
    labelled = {label.kind for m in materials for label in m.labels.events}
    return sorted(labelled | {kind for part in today for kind in part})


def tune(
    materials: Sequence[Material], knobs: Sequence[Knob] | None, workers: Workers, folder: Path, wishes: Wishes,
    progress: Progress,
) -> Tuned:  # fmt: skip
    """Search, choose, and say what to expect. knobs None: all of the kinds that occur."""
    skid = materials[0].template.settings({})
    first = Tried(materials, [], workers, folder / NAME, progress.within)
    (today,) = first.results([{}])
    if today is None:
        raise RunError("stopped before today's configuration had been judged: nothing was found yet")
    groups = groups_of(knobs if knobs is not None else knobs_of(skid, kinds_of(materials, today)))
    every = [knob for group in groups for knob in group.knobs]
    tried = Tried(materials, every, workers, folder / NAME, progress.within)
    places = list(range(len(materials)))
    chooser = Chooser(tried, groups, places, wishes.miss)
    usual = {k.name: k.usual for k in every if k.usual != k.today}
    trials = search(tried, groups, [{}, usual], sets=wishes.sets, seed=wishes.seed,
                    go_on=lambda done: progress.at("searching", done, wishes.sets + 2))  # fmt: skip
    values, curves = _refine(chooser, trials, progress)
    expected = None
    if not progress.stopped:
        expected = cross_validated(chooser, trials, [m.days for m in materials],
                                   lambda: progress.at("leaving recordings out", 1, 1))  # fmt: skip
    (plain,) = tried.results([usual])
    changes = _changes(chooser, values)
    if progress.stopped:
        # What else would have been tried is not known: the best of what is.
        values, curves, expected = chooser.best_tried(trials), {}, None
        changes = [Change(tried.knobs[name], value, None, tried=False) for name, value in values.items()]
    return Tuned(materials, groups, trials, today, plain, chooser.one(values), values, changes, curves, expected,
                 not progress.stopped, wishes.miss)  # fmt: skip


def _refine(chooser: Chooser, trials: Sequence[Trial], progress: Progress) -> tuple[Values, dict[str, Curve]]:
    values: Values = {}
    curves: dict[str, Curve] = {}
    if progress.at("putting together", 0, 1) and trials:
        values = chooser.recommend(trials)
    for number in range(ROUNDS):
        if not progress.at("each setting by itself", number, ROUNDS):
            break
        curves = chooser.sweep(values)
        if progress.stopped:
            break
        settled = chooser.settle(values, curves)
        if settled == values:
            break
        values = settled
    return values, curves


def _changes(chooser: Chooser, values: Values) -> list[Change]:
    """Each change with what it would cost to leave it."""
    names = [knob.name for group in chooser.groups for knob in group.knobs if knob.name in values]
    back = chooser.tried.results([{n: v for n, v in values.items() if n != name} for name in names])
    return [Change(chooser.tried.knobs[name], values[name], None if r is None else counts(r, chooser.places))
            for name, r in zip(names, back, strict=True)]  # fmt: skip
