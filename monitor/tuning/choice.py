"""Which set is recommended: the cheapest that is in nothing worse than today, with as few changes as will do.

Cost: a miss counts as so many false alarms, a late detection as 0.4 of a miss, a wrong word as half of one, a needless
push a little, and an hour's delay less than anything that can be counted: it chooses between sets that count alike, and
is no reason by itself to leave today's. Common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.tuning.groups import Group, counts
from monitor.tuning.knobs import Knob
from monitor.tuning.score import Totals
from monitor.tuning.search import Trial
from monitor.tuning.tried import Results, Tried, Values

LATE, WRONG, NEEDLESS, HOUR = 0.4, 0.5, 0.05, 0.001
STEPS = 7           # values tried of each knob alone
ROUNDS = 2
EVEN = 1e-9         # costs closer than this are the same
SOON_S = 30.0       # an event told so much sooner is no reason to move towards where others are missed or false


@dataclass(frozen=True, slots=True)
class Chooser:
    """Chooses on the recordings `places`. miss: how many false alarms a miss is worth."""

    tried: Tried
    groups: Sequence[Group]
    places: Sequence[int]
    miss: float

    def counted(self, t: Totals) -> float:
        return self.miss * (t.missed + WRONG * t.wrong + LATE * t.late) + t.false + NEEDLESS * t.needless

    def cost(self, t: Totals) -> float:
        return self.counted(t) + HOUR * t.delay / 3600

    def of(self, results: Results, kinds: Sequence[str] | None = None) -> float:
        return self.cost(counts(results, self.places, kinds))

    def recommend(self, trials: Sequence[Trial]) -> Values:
        """Each group's best values, tried together; then every change undone that makes nothing better."""
        today = self.one({})
        together: dict[str, float] = {}
        for group in self.groups:
            together |= self._best(group, trials, today)
        together = self._bearable(together, trials, today)
        return self._worthwhile(self.fewer(together))

    def _worthwhile(self, values: dict[str, float]) -> dict[str, float]:
        """The same where something that can be counted gets better by it, else no change."""
        mine, today = (self.counted(counts(self.one(v), self.places)) for v in (values, {}))
        return values if mine < today - EVEN else {}

    def one(self, values: Values) -> Results:
        """Results of a set that is known to be possible."""
        (results,) = self.tried.results([values])
        assert results is not None, "a set that was tried is no longer possible"
        return results

    def cheapest(self, trials: Sequence[Trial]) -> Values:
        """Each group's cheapest values, whatever is worse than today; not tried together."""
        chosen: dict[str, float] = {}
        for group in self.groups:
            trial = min(trials, key=lambda t: self.of(t.results, group.kinds))
            chosen |= {k.name: trial.values[k.name] for k in group.knobs if k.name in trial.values}
        return chosen

    def _best(self, group: Group, trials: Sequence[Trial], today: Results) -> dict[str, float]:
        bound = counts(today, self.places, group.kinds)
        ranked = []
        for trial in trials:
            mine = counts(trial.results, self.places, group.kinds)
            if _no_worse(mine, bound):
                values = {k.name: trial.values[k.name] for k in group.knobs if k.name in trial.values}
                ranked.append((round(self.cost(mine), 9), _moved(group.knobs, values), sorted(values.items())))
        if not ranked:
            return {}
        best, _, chosen = min(ranked)
        return dict(chosen) if best < self.cost(bound) - EVEN else {}

    def _bearable(self, together: dict[str, float], trials: Sequence[Trial], today: Results) -> dict[str, float]:
        """The groups' values together; where they hinder each other, the best set that was tried as it is, or none."""
        bound = counts(today, self.places)
        (found,) = self.tried.results([together])
        if found is not None and _no_worse(counts(found, self.places), bound) and self.of(found) <= self.cost(bound):
            return together
        return self._best_whole(trials, bound)

    def _best_whole(self, trials: Sequence[Trial], bound: Totals) -> dict[str, float]:
        """The best set as it was tried, where it is better than `bound` and in nothing worse."""
        whole = [(self.of(t.results), sorted(t.values.items())) for t in trials
                 if _no_worse(counts(t.results, self.places), bound)]  # fmt: skip
        best, values = min(whole) if whole else (self.cost(bound), [])
        return dict(values) if best < self.cost(bound) - EVEN else {}

    def best_tried(self, trials: Sequence[Trial]) -> dict[str, float]:
        """The best set among those that were tried; nothing more is."""
        values = self._best_whole(trials, counts(self.one({}), self.places))
        return self._worthwhile({n: v for n, v in values.items() if v != self.tried.knobs[n].today})

    def fewer(self, values: Values) -> dict[str, float]:
        """Undo changes for as long as nothing gets dearer or worse."""
        kept = {name: v for name, v in values.items() if v != self.tried.knobs[name].today}
        results = self.one(kept)
        while kept:
            without = [{n: v for n, v in kept.items() if n != name} for name in sorted(kept)]
            found = self.tried.results(without)
            ranked = [(self.of(r), i) for i, r in enumerate(found) if r is not None and self._as_good(r, results)]
            if not ranked:
                break
            useless = [i for _, i in ranked]
            names = sorted(kept)
            at_once = {n: v for n, v in kept.items() if names.index(n) not in useless}
            (all_gone,) = self.tried.results([at_once])
            kept = at_once if all_gone is not None and self._as_good(all_gone, results) else without[min(ranked)[1]]
            results = self.one(kept)
        return kept

    def _as_good(self, new: Results, old: Results) -> bool:
        mine, theirs = counts(new, self.places), counts(old, self.places)
        return self.cost(mine) <= self.cost(theirs) + EVEN and _no_worse(mine, theirs)

    def settle(self, values: Values, sweeps: dict[str, list[tuple[float, float]]]) -> dict[str, float]:
        """Move each knob to where its own sweep (value, cost) is best; into the middle of what is equally good."""
        moved, results = dict(values), self.one(values)
        even = EVEN + HOUR * SOON_S / 3600 * counts(results, self.places).answered
        for name, sweep in sweeps.items():
            knob = self.tried.knobs[name]
            moved[name] = middle(knob, values.get(name, knob.today), sweep, even)
        today = counts(self.one({}), self.places)
        (found,) = self.tried.results([moved])
        if found is not None and self._as_cheap(found, results, today, even):
            return self._worthwhile(self.fewer(moved))
        for name in sorted(moved):      # together they hinder each other
            trial = {**values, name: moved[name]}
            (found,) = self.tried.results([trial])
            if found is not None and self._as_cheap(found, results, today, even):
                values, results = trial, found
        return self._worthwhile(self.fewer(values))

    def _as_cheap(self, new: Results, old: Results, today: Totals, even: float) -> bool:
        return self.of(new) <= self.of(old) + even and _no_worse(counts(new, self.places), today)

    def sweep(self, values: Values) -> dict[str, list[tuple[float, float]]]:
        """Cost of each knob alone along its way, the rest as in `values`."""
        points = [(k, v) for group in self.groups for k in group.knobs
                  for v in sorted({*k.steps(STEPS), k.today, k.usual, values.get(k.name, k.today)})]  # fmt: skip
        found = self.tried.results([{**values, k.name: v} for k, v in points])
        curves: dict[str, list[tuple[float, float]]] = {}
        for (knob, value), results in zip(points, found, strict=True):
            if results is not None:
                curves.setdefault(knob.name, []).append((value, self.of(results)))
        return curves


def middle(knob: Knob, now: float, sweep: Sequence[tuple[float, float]], even: float = EVEN) -> float:
    """Where a knob is best left: as today, or as is usual, if that is as good as any; else amid the best values, away
    from the end beyond which more is lost. even: by how much costs may differ that are as good.

    Where a value that has not been seen yet lies beyond either end by an amount that is exponentially distributed, of
    scale s, what is lost is least at the middle + s/2 ln(lost below / lost above); s: a quarter of the way between the
    ends. Common practice, no source.
    """
    least = min(cost for _, cost in sweep)
    good = [cost <= least + even for _, cost in sweep]
    values = [value for value, _ in sweep]
    for known in (knob.today, knob.usual):
        if known in values and good[values.index(known)]:
            return known
    at = values.index(now) if now in values and good[values.index(now)] else good.index(True)
    low = high = at
    while low > 0 and good[low - 1]:
        low -= 1
    while high < len(values) - 1 and good[high + 1]:
        high += 1
    first, last = knob.share(values[low]), knob.share(values[high])
    amid = (first + last) / 2
    if low > 0 and high < len(values) - 1:
        below, above = (sweep[place][1] - least for place in (low - 1, high + 1))
        amid += (last - first) / 8 * math.log(below / above)
    return knob.at(min(max(amid, first), last))


def _no_worse(mine: Totals, theirs: Totals) -> bool:
    return all(a <= b + EVEN for a, b in zip(mine.objectives, theirs.objectives, strict=True))


def _moved(knobs: Sequence[Knob], values: Values) -> float:
    """How far a set is from today."""
    return round(sum(abs(k.share(values[k.name]) - k.share(k.today)) for k in knobs if k.name in values), 6)
