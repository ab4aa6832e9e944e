"""What the laws and the earlier lives say, put together: remaining volume as a lognormal, or why nothing can be
said."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.forecast.curve import Point, columns, level_at_start, level_now, pooled
from monitor.forecast.fit import LEAST_POINTS, LawFit, fit_laws
from monitor.forecast.laws import LAWS, straight
from monitor.forecast.prior import LEVELS, Template, alike, believe

Array = npt.NDArray[np.float64]

MEMORY = 0.4             # share of the volume so far after which an earlier point counts 1/e in the laws' fit
LAW_WORTH = 4.0          # independent points that the choice among laws rests on
LAW_ERROR = 0.30         # of ln(remaining), besides what the fit knows: solids and flow to come
LAW_STRETCH = 1.5        # by which the fit's own error is too small
EASING = 0.12            # share of the way (of ln(remaining)) from what a law says to a rate that stays as it is
EASING_ERROR = 0.50      # its standard deviation: cake follows blocking, pumps give way
MISS_ERROR, MISS_WORTH = 0.28, 1.0    # the laws' misses on lives of one part, before any are known; lives it is worth
LIVES_ERROR = 0.10       # of ln(remaining), besides what the lives' own spread says
LIVES_STRETCH = 1.3      # by which the error that lives are believed with is too small
TO_COME = 0.10           # of ln(remaining), whatever is said: solids and demand to come differ from those before
DP_BIAS = 0.030          # of the changeout point: transmitters' errors that no averaging takes away
UNMETERED_BIAS = 0.060   # the same where flow is not measured: it gives way as dP rises
SHARED = 1.0            # of the squared disagreement that is added to the variance
RISEN = 1.25             # resistance over that at the start, from which the laws speak
RISEN_ERRORS = 6.0       # standard errors of the level by which it must have risen at least
WIDEST = 0.55            # standard deviation of ln(remaining) beyond which nothing is said
MOST_ERROR = 0.8         # just below the point: a forecast of minutes is told with a factor of three
BACK = (0.35, 0.5, 0.65, 0.8)    # shares of the rise so far, from which the laws are asked for what is known by now
UNTOLD = 1.0             # what counts as missed where they would not have told at all
LEAST_SHARE = 0.02       # of the changeout point, below which a laminar part is not used
BEFORE_THE_KNEE = "no earlier life is known and the resistance has hardly risen yet: it may be before the knee"


class Source(NamedTuple):
    """One opinion: mean and standard deviation of ln(remaining); fit_error: the part of it that is the fit's own."""

    mean: float
    error: float
    fit_error: float = 0.0


@dataclass(frozen=True, slots=True)
class Estimate:
    """Remaining volume: lognormal with mean and standard deviation of its logarithm. laws: weight of each law, in the
    order of LAWS, empty where they were not used; lives: earlier lives that it rests on; risen: resistance over that at
    the start of the life."""

    mean: float
    error: float
    level: float
    laws: tuple[float, ...] = ()
    lives: int = 0
    risen: float = math.nan

    def quantile(self, z: float) -> float:
        """Remaining volume at z standard deviations."""
        return math.exp(self.mean + z * self.error)


@dataclass(frozen=True, slots=True)
class Silence:
    """Nothing can honestly be said, and why."""

    reason: str


def estimate(
    points: list[Point], templates: Sequence[Template], *, now: float, limit: float, turbulent: float,
    metered: bool = True, whole: bool = True,
) -> Estimate | Silence:  # fmt: skip
    """Forecast the present life. points: its curve; now: its volume; limit: dP of the changeout point; turbulent: the
    part of dP that does not load [Pa]; metered: whether flow is measured; whole: whether it
    began with clean elements."""
    if len(points) < 4 or now <= 0:
        return Silence("the life has only begun")
    level, level_error = level_now(points, now, limit)
    first = level_at_start([p[1] for p in points], [p[2] for p in points])
    if not templates and not has_risen(first - turbulent, level - turbulent, level_error)[0]:
        return Silence(BEFORE_THE_KNEE)     # said often, to many young lives: before anything that costs
    volume, dp, weight = columns(points)
    gap = max(1 - level / limit, 0.005)
    sources, lives = [], 0
    rising = pooled(dp, weight)
    left = alike(templates, volume, rising, now=now, level=level, level_error=level_error, limit=limit)
    if left is not None:
        sources.append(Source(*left))
        lives = sum(not t.censored for t in templates)
    seen_whole = [t for t in templates if t.whole]
    belief = believe(seen_whole, volume, dp, weight, now=now, level=level, level_error=level_error, limit=limit,
                     whole=whole) if whole else None  # fmt: skip
    if belief is not None:
        logs = np.log(belief.remaining)
        mean = float(belief.weight @ logs)
        variance = float(belief.weight @ ((logs - mean) ** 2 + np.minimum(belief.error, 1.0) ** 2))
        sources.append(Source(mean, LIVES_STRETCH * math.hypot(math.sqrt(variance), LIVES_ERROR)))
    by_law, shares, risen = by_laws(volume, dp, weight, now=now, limit=limit, turbulent=turbulent, level=level,
                                    level_error=level_error)  # fmt: skip
    if by_law is not None and left is None:
        sources.append(back_tested(by_law, volume, dp, weight, turbulent=turbulent, level=level, now=now))
    elif by_law is not None:
        sources.append(calibrated(by_law, templates, level / limit))
    if not sources:
        return Silence(BEFORE_THE_KNEE)
    mean, error = together(sources)
    if error > WIDEST and not lives:
        return Silence("no earlier life is known and the loading laws disagree too much, with each other or with how "
                       "this life has gone on so far")  # fmt: skip
    error = math.hypot(error, TO_COME if lives else 0.0, (DP_BIAS if metered else UNMETERED_BIAS) / gap)
    return Estimate(mean, min(error, MOST_ERROR), level, shares, lives, risen)


def has_risen(first: float, level: float, level_error: float) -> tuple[bool, float]:
    """Whether the part of dP that loads has risen enough for the laws to speak, and by which factor. first, level: at
    the start and now [Pa]."""
    risen = level / first if first > 0 else math.inf
    return level > 0 and risen >= RISEN and level - first >= RISEN_ERRORS * level_error, risen


def by_laws(
    volume: Array, dp: Array, weight: Array, *, now: float, limit: float, turbulent: float, level: float,
    level_error: float,
) -> tuple[Source | None, tuple[float, ...], float]:
    """The laws' opinion with the weight of each, and how far resistance has risen; no opinion while it has hardly."""
    laminar = dp - turbulent
    speak, risen = has_risen(level_at_start(laminar, weight), level - turbulent, level_error)
    if not speak:
        return None, (), risen
    usable = laminar > LEAST_SHARE * limit
    fading = np.exp((volume - now) / (MEMORY * now))
    fit = fit_laws(volume[usable], laminar[usable], (weight * fading)[usable], now=now, limit=limit - turbulent,
                   level=level - turbulent)  # fmt: skip
    if fit is None or not np.isfinite(fit.remaining).any():
        return None, (), risen
    source, shares = averaged(fit, (level - turbulent) / (limit - turbulent))
    return source, shares, risen


def misses_of(volume: Array, dp: Array, *, total: float, limit: float, turbulent: float) -> Array:
    """By how much the laws would have missed from each of LEVELS on a life that is over: ln(forecast / truth). dp: not
    falling; total: volume at the changeout point."""
    out = np.full(LEVELS.size, np.nan)
    for j, level in enumerate(LEVELS * limit):
        k = int(np.searchsorted(dp, level))
        if 8 <= k < dp.size and volume[k - 1] < total:
            found, _, _ = by_laws(volume[:k], dp[:k], np.ones(k), now=float(volume[k - 1]), limit=limit,
                                  turbulent=turbulent, level=float(dp[k - 1]), level_error=0.0)  # fmt: skip
            out[j] = math.nan if found is None else found.mean - math.log(total - volume[k - 1])
    return out


def back_tested(
    by_law: Source, volume: Array, dp: Array, weight: Array, *, turbulent: float, level: float, now: float
) -> Source:
    """The laws' opinion after how they would have missed on this life itself: from where dP had made a part of its
    rise, the volume in which it has come to `level`. None of the laws knows a knee, and cake packs and slips. What was
    missed is worth one life's; all of it makes less sure."""
    laminar = np.maximum(pooled(dp, weight) - turbulent, LEAST_SHARE * level)
    end = level - turbulent
    misses = []
    for share in BACK:
        k = int(np.searchsorted(laminar, laminar[0] + share * (end - laminar[0])))
        if k < LEAST_POINTS or laminar[k - 1] >= end:
            continue
        then, passed = float(volume[k - 1]), now - float(volume[k - 1])
        fading = np.exp((volume[:k] - then) / (MEMORY * then))
        fit = fit_laws(volume[:k], np.maximum(dp[:k] - turbulent, LEAST_SHARE * level), weight[:k] * fading, now=then,
                       limit=end, level=float(laminar[k - 1]))  # fmt: skip
        found = None
        if fit is not None and np.isfinite(fit.remaining).any():
            found, _ = averaged(fit, float(laminar[k - 1]) / end)
        misses.append(UNTOLD if found is None else found.mean - math.log(passed))
    if not misses:
        return by_law
    shift = sum(misses) / len(misses) / (1 + MISS_WORTH)
    squares = sum((m - shift) ** 2 for m in misses) / len(misses)
    return Source(by_law.mean - shift, math.hypot(by_law.error, math.sqrt(squares)), by_law.fit_error)


def calibrated(by_law: Source, templates: Sequence[Template], reached: float) -> Source:
    """The laws' opinion corrected by how they would have missed on earlier lives at the same dP. reached: of the
    point."""
    misses = np.array([np.interp(reached, LEVELS, t.misses) for t in templates if not t.censored])
    misses = misses[np.isfinite(misses)]
    if misses.size == 0:
        return by_law
    mean = float(misses.sum() / (misses.size + MISS_WORTH))
    squares = float(np.sum((misses - mean) ** 2)) + MISS_WORTH * MISS_ERROR**2
    spread = math.sqrt(squares / (misses.size + MISS_WORTH) * (1 + 1 / misses.size))
    return Source(by_law.mean - mean, math.hypot(spread, by_law.fit_error))


def averaged(fit: LawFit, reached: float) -> tuple[Source, tuple[float, ...]]:
    """Over the laws by evidence; those that never get there count for nothing. reached: resistance now over that of the
    point. What accelerates may do so less later on: each law's opinion leans towards a rate that stays as it is."""
    alive = np.isfinite(fit.remaining)
    shares = np.where(alive, np.exp(LAW_WORTH * (fit.evidence - fit.evidence[alive].max())), 0.0)
    shares /= shares.sum()
    easing = np.array([eased(m, reached) for m in LAWS.values()])
    logs = np.log(np.where(alive, fit.remaining, 1.0)) + EASING * easing
    mean = float(shares @ logs)
    own = float(shares @ (LAW_STRETCH * np.where(alive, fit.error, 0.0)) ** 2)
    variance = own + float(shares @ ((logs - mean) ** 2 + (EASING_ERROR * easing) ** 2))
    return Source(mean, math.sqrt(variance + LAW_ERROR**2), math.sqrt(own)), tuple(float(s) for s in shares)


def eased(exponent: float, reached: float) -> float:
    """ln of what remains at the present rate over what remains under the law, at `reached` of the point's
    resistance."""
    if not 0 < reached < 1:
        return 0.0
    return math.log((1 - reached) / reached**exponent / float(straight(1.0, exponent) - straight(reached, exponent)))


def together(sources: Sequence[Source]) -> tuple[float, float]:
    """Weighted by their variances. Sources that disagree more than they should make the result less sure."""
    weights = np.array([s.error**-2 for s in sources])
    means = np.array([s.mean for s in sources])
    mean = float(weights @ means / weights.sum())
    apart = float(weights @ (means - mean) ** 2 / weights.sum())
    return mean, math.sqrt(1 / float(weights.sum()) + SHARED * apart)


def likeliest(shares: Sequence[float]) -> str | None:
    """Name of the law with the most weight."""
    return max(zip(LAWS, shares, strict=True), key=lambda s: s[1])[0] if shares else None
