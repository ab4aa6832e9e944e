"""What to expect on recordings that were not tuned on, how sure that is, and where labels are too few to tell."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from monitor.tuning.choice import Chooser
from monitor.tuning.folds import divided, lonely, sorts_of
from monitor.tuning.groups import counts
from monitor.tuning.material import Material
from monitor.tuning.score import MONTH_DAYS, Totals, total
from monitor.tuning.search import Trial
from monitor.tuning.tried import Results, Values

MOST_FOLDS = 8
TAIL = 0.05             # each side of a 90 % interval
UNSURE = 0.25           # of events: an upper bound above that is a warning


@dataclass(frozen=True, slots=True)
class Expected:
    """Counts on recordings left out. by_kind likewise; folds: into how many parts they fell."""

    together: Totals
    by_kind: dict[str, Totals]
    days: float
    folds: int


def folds_of(sorts: Sequence[frozenset[str]]) -> list[list[int]]:
    """Places left out together: each by itself up to eight recordings, else in eight parts that have their share of
    every sort of label (`folds.sorts_of` each recording); none of a lone one."""
    if len(sorts) < 2:
        return []
    return [[place] for place in range(len(sorts))] if len(sorts) <= MOST_FOLDS else divided(sorts, MOST_FOLDS)


def cross_validated(
    chooser: Chooser, trials: Sequence[Trial], materials: Sequence[Material], go_on: Callable[[int, int], bool]
) -> Expected | None:
    """Choose on all recordings but some, among sets that no label had a part in drawing, and judge on those left out.

    The real choice comes from more sets, so this errs towards the worse. None where there are not two recordings.
    """
    blind = [trial for trial in trials if trial.blind]
    left_out: list[tuple[int, Results]] = []
    folds = folds_of([sorts_of(m.labels) for m in materials])
    for number, fold in enumerate(folds):
        if not go_on(number, len(folds)):
            return None
        rest = replace(chooser, places=[p for p in chooser.places if p not in fold])
        values: Values = rest.recommend(blind)
        if not go_on(number, len(folds)):
            return None
        left_out += [(place, chooser.one(values)) for place in fold]
    if not folds:
        return None
    kinds = sorted({kind for place, results in left_out for kind in results[place]})
    by_kind = {kind: total(counts(r, [p], [kind]) for p, r in left_out) for kind in kinds}
    return Expected(total(by_kind.values()), by_kind, sum(m.days for m in materials), len(folds))


def share_interval(count: int, of: int) -> tuple[float, float]:
    """90 % interval of a share (Clopper and Pearson 1934, Biometrika 26, p. 404).

    >>> share_interval(0, 10)[0], round(share_interval(0, 10)[1], 3)
    (0.0, 0.259)
    """
    from scipy.special import betaincinv

    if of == 0:
        return 0.0, 1.0
    low = 0.0 if count == 0 else float(betaincinv(count, of - count + 1, TAIL))
    high = 1.0 if count == of else float(betaincinv(count + 1, of - count, 1 - TAIL))
    return low, high


def rate_interval(count: int, days: float) -> tuple[float, float]:
    """90 % interval of events in thirty days (Garwood 1936, Biometrika 28, p. 437).

    >>> rate_interval(0, 30.0)[0], round(rate_interval(0, 30.0)[1], 2)
    (0.0, 3.0)
    """
    from scipy.special import gammaincinv

    if days <= 0:
        return 0.0, math.inf
    low = 0.0 if count == 0 else float(gammaincinv(count, TAIL))
    return MONTH_DAYS * low / days, MONTH_DAYS * float(gammaincinv(count + 1, 1 - TAIL)) / days


def warnings(
    now: dict[str, Totals], kinds: Sequence[str], days: float, sorts: Sequence[frozenset[str]]
) -> list[str]:  # fmt: skip
    """Where these labels cannot tell, in sentences. now: counts of what is recommended, by kind; kinds: those tuned;
    sorts: `folds.sorts_of` each recording."""
    told = []
    for kind in kinds:
        t = now.get(kind, Totals())
        if t.expected == 0:
            told.append(f"{kind}: no label: whether such events would be missed cannot be told; only false ones were "
                        "counted.")
            continue
        bound = share_interval(t.missed, t.expected)[1]
        if bound > UNSURE:
            told.append(f"{kind}: {_labels(t.expected)}: even as found, up to {100 * bound:.0f} % of such events could "
                        "be missed.")
    bound = rate_interval(0, days)[1]
    if bound > 1:
        told.append(f"{days:.1f} skid-days: without one false alarm there could still be {bound:.1f} in thirty.")
    if len(sorts) > 1 and (alone := lonely(sorts)):
        told.append(f"Labels in one recording only, so that leaving it out tells little of them: {', '.join(alone)}.")
    if len(sorts) < 2:
        told.append("One recording: nothing was left out to try the choice on; expect less than is shown.")
    return told


def _labels(count: int) -> str:
    return "1 label" if count == 1 else f"{count} labels"
