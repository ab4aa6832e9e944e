"""The search: sets spread evenly over what may be turned, then sets that Optuna draws from what was learned.

Batches are of one size and drawn from the seed and their number, so neither the number of workers nor a stop in
between changes what is found. What can be judged side by side (`engine.lanes`) is drawn anew for each set, what needs a
pass of its own for every SHARED sets.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from monitor.tuning.groups import Group, counts
from monitor.tuning.tried import Results, Tried, Values

if TYPE_CHECKING:
    import optuna

BATCH = 16
SHARED = 4
SPREAD = 0.5        # part of the sets that is spread evenly: no label had a part in them; cross-validation needs such


@dataclass(frozen=True, slots=True)
class Trial:
    """A set and what came of it. blind: drawn before any result was known."""

    values: Values
    results: Results
    blind: bool


def spread(groups: Sequence[Group], count: int, seed: int) -> list[Values]:
    """Latin hypercube (McKay, Beckman, Conover 1979, Technometrics 21): each value of each knob once in its stratum."""
    rng = np.random.default_rng([seed, 1])
    columns = {}
    for group in groups:
        shared = 1 if group.side_by_side else SHARED
        strata = -(-count // shared)
        for knob in group.knobs:
            drawn = (rng.permutation(strata) + rng.random(strata)) / strata
            columns[knob.name] = [knob.at(float(share)) for share in np.repeat(drawn, shared)]
    return [{name: column[i] for name, column in columns.items()} for i in range(count)]


def search(
    tried: Tried, groups: Sequence[Group], firsts: Sequence[Values], *, sets: int, seed: int,
    go_on: Callable[[int], bool],
) -> list[Trial]:  # fmt: skip
    """Try `firsts`, then up to `sets` more. go_on: told how many sets are done, says whether to."""
    blind = [*firsts, *spread(groups, max(2, round(SPREAD * sets)), seed)]
    trials: list[Trial] = []
    for start in range(0, len(blind), BATCH):
        if not go_on(len(trials)):
            return trials
        trials += _try(tried, blind[start : start + BATCH], blind=True)
    learning = Learning(groups, trials, len(tried.materials), seed)
    for batch in range((sets + len(firsts) - len(blind) + BATCH - 1) // BATCH):
        if not go_on(len(blind) + batch * BATCH):
            break
        found = _try(tried, learning.ask(batch), blind=False)
        learning.learn(found)
        trials += found
    return trials


def _try(tried: Tried, sets: Sequence[Values], *, blind: bool) -> list[Trial]:
    found = tried.results(sets)
    return [Trial(v, r, blind) for v, r in zip(sets, found, strict=True) if r is not None]


class Learning:
    """One study a group, over the same runs."""

    def __init__(self, groups: Sequence[Group], trials: Sequence[Trial], places: int, seed: int) -> None:
        import optuna

        optuna.logging.set_verbosity(optuna.logging.ERROR)
        self._optuna: Any = optuna
        self._groups, self._places, self._seed = groups, range(places), seed
        self._studies: list[optuna.Study] = [optuna.create_study(directions=["minimize"] * 4) for _ in groups]
        self.learn(trials)

    def learn(self, trials: Sequence[Trial]) -> None:
        for group, study in zip(self._groups, self._studies, strict=True):
            ways = _ways(group)
            # Of what several sets share, one is enough: the group's own events are the same.
            own = {tuple(sorted((k.name, t.values[k.name]) for k in group.knobs if k.name in t.values)): t
                   for t in trials}  # fmt: skip
            for trial in own.values():
                shares = {k.name: min(max(k.share(trial.values.get(k.name, k.today)), 0.0), 1.0) for k in group.knobs}
                told = counts(trial.results, self._places, group.kinds).objectives
                study.add_trial(self._optuna.trial.create_trial(params=shares, distributions=ways, values=list(told)))

    def ask(self, batch: int) -> list[Values]:
        """The sets of a batch; each group draws by Parzen estimators, from the seed and the batch's number."""
        drawn: list[dict[str, float]] = [{} for _ in range(BATCH)]
        for number, (group, study) in enumerate(zip(self._groups, self._studies, strict=True)):
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")     # multivariate sampling is marked experimental there
                study.sampler = self._optuna.samplers.TPESampler(
                    seed=1 + hash((self._seed, batch, number)) % 2**31, multivariate=True, constant_liar=True,
                    n_startup_trials=1,
                )  # fmt: skip
                shared = 1 if group.side_by_side else SHARED
                asked = [study.ask(dict(_ways(group))) for _ in range(BATCH // shared)]
            for place, values in enumerate(drawn):
                values.update({k.name: k.at(asked[place // shared].params[k.name]) for k in group.knobs})
            for trial in asked:
                study.tell(trial, state=self._optuna.trial.TrialState.FAIL)    # what came of it is added as learned
        return list(drawn)


def _ways(group: Group) -> dict[str, Any]:
    from optuna.distributions import FloatDistribution

    return {knob.name: FloatDistribution(0.0, 1.0) for knob in group.knobs}
