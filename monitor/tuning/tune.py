"""`bagwright tune`: from labelled recordings to a recommendation, what to expect of it, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from monitor.errors import RunError
from monitor.tuning.choice import ROUNDS, STEPS, Chooser
from monitor.tuning.expect import MOST_FOLDS, Expected, cross_validated
from monitor.tuning.fragment import Change
from monitor.tuning.groups import Group, counts, groups_of
from monitor.tuning.knobs import Knob, knobs_of
from monitor.tuning.material import Material
from monitor.tuning.otherwise import Otherwise, otherwise
from monitor.tuning.progress import Progress
from monitor.tuning.score import Totals
from monitor.tuning.search import BATCH, Trial, search
from monitor.tuning.tried import NAME, Results, Tried, Values
from monitor.tuning.workers import Workers

Curve = list[tuple[float, float]]
SEARCH, TOGETHER, EACH, LEFT_OUT = (
    "searching", "putting together", "each setting by itself", "leaving recordings out")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Wishes:
    """How to search. miss: how many false alarms a miss is worth."""

    sets: int = 200
    seed: int = 1
    miss: float = 10.0


@dataclass(frozen=True, slots=True)
class Tuned:
    """What came of it. today, best: results by recording; curves: cost of each knob alone around the recommendation;
    otherwise: what else could be had."""

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
    otherwise: Sequence[Otherwise]
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
    progress.expect(stages(wishes.sets, len(every), len(materials)))
    tried = Tried(materials, every, workers, folder / NAME, progress.within)
    places = list(range(len(materials)))
    chooser = Chooser(tried, groups, places, wishes.miss)
    usual = {k.name: k.usual for k in every if k.usual != k.today}
    trials = search(tried, groups, [{}, usual], sets=wishes.sets, seed=wishes.seed,
                    go_on=lambda done: progress.at(SEARCH, done, wishes.sets + 2, BATCH))  # fmt: skip
    values, curves = _refine(chooser, trials, progress)
    expected = None
    if not progress.stopped:
        expected = cross_validated(chooser, trials, materials,
                                   lambda fold, of: progress.at(LEFT_OUT, fold, of))  # fmt: skip
    (plain,) = tried.results([usual])
    changes = _changes(chooser, values)
    if progress.stopped:
        # What else would have been tried is not known: the best of what is.
        values = min((values, chooser.best_tried(trials)), key=lambda v: chooser.of(chooser.one(v)))
        curves, expected = {}, None
        changes = [Change(tried.knobs[name], value, None, tried=False) for name, value in values.items()]
    best = chooser.one(values)
    others = [] if progress.stopped else otherwise(chooser, trials, best)
    return Tuned(materials, groups, trials, today, plain, best, values, changes, curves, expected, others,
                 not progress.stopped, wishes.miss)  # fmt: skip


def stages(sets: int, knobs: int, recordings: int) -> dict[str, float]:
    """About how many sets each stage will try, at most."""
    folds = min(recordings, MOST_FOLDS) if recordings > 1 else 0
    return {SEARCH: sets + 2, TOGETHER: 1 + knobs, EACH: ROUNDS * (STEPS + 2) * knobs, LEFT_OUT: folds * (1 + knobs)}


def _refine(chooser: Chooser, trials: Sequence[Trial], progress: Progress) -> tuple[Values, dict[str, Curve]]:
    values: Values = {}
    curves: dict[str, Curve] = {}
    if progress.at(TOGETHER, 0, 1) and trials:
        values = chooser.recommend(trials)
    for number in range(ROUNDS):
        if not progress.at(EACH, number, ROUNDS):
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
