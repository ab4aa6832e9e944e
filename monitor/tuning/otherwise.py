"""What else could be had: the best of what was tried where a miss is worth more, or less, than was asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from monitor.tuning.choice import Chooser
from monitor.tuning.groups import counts
from monitor.tuning.score import Totals
from monitor.tuning.search import Trial
from monitor.tuning.tried import Results, Values

TIMES = (1 / 30, 1 / 10, 1 / 3, 3, 10, 30)      # what was asked for


@dataclass(frozen=True, slots=True)
class Otherwise:
    """A set that finds more or is quieter than the recommendation. miss: how many false alarms one is worth then."""

    miss: float
    values: Values
    counts: Totals


def otherwise(chooser: Chooser, trials: Sequence[Trial], recommended: Results) -> list[Otherwise]:
    """Sets that are in something better than the recommendation and worse than none of the others in everything, from
    quiet to watchful. What is worse than today counts for nothing here: it is what there is to choose between."""
    sets = [replace(chooser, miss=times * chooser.miss).cheapest(trials) for times in TIMES]
    best = counts(recommended, chooser.places)
    found: list[Otherwise] = []
    for times, values, results in zip(TIMES, sets, chooser.tried.results(sets), strict=True):
        if results is None:
            continue
        mine = counts(results, chooser.places)
        if not any(_no_better(mine, other) for other in (best, *(one.counts for one in found))):
            found.append(Otherwise(times * chooser.miss, values, mine))
    return [one for one in found if not any(_no_better(one.counts, o.counts) for o in found if o is not one)]


def _no_better(mine: Totals, other: Totals) -> bool:
    """In what people would choose by."""
    return mine.missed + mine.late + mine.wrong >= other.missed + other.late + other.wrong and mine.false >= other.false
