"""What follows from a forecast: the latest time to change on the run, elements to bring, another changeout point."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.forecast.combine import Silence, estimate
from monitor.forecast.life import at_other_point, templates
from monitor.forecast.prior import MOST, SHARES, Template, life_of
from monitor.forecast.use import hours_until, pattern
from monitor.forecast.watch import Z80, Skid, Watch, position
from monitor.hydraulics.isolating import Outlook, outlook
from monitor.hydraulics.network import Conditions

Array = npt.NDArray[np.float64]

DRAWS = 4000
MANY = 50           # lives in the longest span, from which on they are not drawn one by one
SEED = 20
POINTS = (0.8, 0.9, 1.1, 1.2)    # of the changeout point, that are compared
FAR = 400 * 24.0                 # h


class OnTheRun(NamedTuple):
    """Changing one vessel while the rest carry the flow held at reference. rest: what they would show now; level: dP of
    the skid from which they would pass max_dp [Pa], and `level_packed` where the cake packs; hours: until
    `level_packed` (the cautious bound) and until `level`; infinity where the changeout point comes first; None: not
    known."""

    rest: Outlook
    level: float
    level_packed: float
    hours_packed: float | None
    hours: float | None


def change_on_the_run(watch: Watch, skid: Skid, *, in_service: int, max_dp: float, time: int) -> OnTheRun | None:
    """None where no other vessel carries the flow, or nothing has been seen."""
    turbulent = skid.turbulent
    rest = outlook(Conditions(watch.level, 1.0), in_service, turbulent) if watch.level > 0 else None
    if rest is None:
        return None
    level = highest_level(in_service, max_dp, turbulent, packed=False)
    packed = highest_level(in_service, max_dp, turbulent, packed=True)
    return OnTheRun(rest, level, packed, hours_to_level(watch, skid, packed, time),
                    hours_to_level(watch, skid, level, time))  # fmt: skip


def highest_level(in_service: int, max_dp: float, turbulent: float, *, packed: bool) -> float:
    """dP [Pa] of the whole skid at reference conditions at which the rest would just show max_dp, one vessel
    isolated."""
    low, high = 0.0, max_dp
    for _ in range(50):
        middle = 0.5 * (low + high)
        found = outlook(Conditions(middle, 1.0), in_service, turbulent)
        shown = 0.0 if found is None else found.upper if packed else found.expected
        low, high = (middle, high) if shown < max_dp else (low, middle)
    return low


def hours_to_level(watch: Watch, skid: Skid, level: float, time: int) -> float | None:
    """p50 of the hours until dP reaches `level`; 0 where it has, infinity where the changeout point comes first, None
    where nothing can be said."""
    if watch.level >= level:
        return 0.0
    if level >= skid.limit:
        return math.inf
    x = position(watch, skid)
    lives = at_other_point(templates(watch.lives[-MOST:], skid.limit), level)
    found = estimate(watch.points, lives, now=x, limit=level, turbulent=skid.turbulent,
                     metered=skid.by_volume, whole=watch.whole is not False)  # fmt: skip
    if isinstance(found, Silence):
        return None
    return float(hours_until(watch.use, time, np.array([math.exp(found.mean)]))[0])


class Need(NamedTuple):
    """Elements over a span: expected, and what is enough in one of ten and in nine of ten cases."""

    days: float
    expected: float
    p10: float
    p90: float


def elements_needed(watch: Watch, *, elements: int, days: tuple[float, ...] = (7.0, 30.0)) -> list[Need] | None:
    """Elements a skid will use up, all of its vessels changed when it falls due: the present life's end first, then
    lives like the known ones. elements: in one changeout of all. None where no life is known. Draws have their seed.
    What is not known of all lives alike does not even out over a month, so each draw has a mean life of its own."""
    known = life_of(templates(watch.lives[-MOST:], 1.0)) if watch.lives else None
    daily = float(pattern(watch.use).sum())
    if known is None or daily <= 0:
        return None
    draw = np.random.default_rng(SEED)
    mean = known.mean + known.error * draw.standard_normal(DRAWS)
    ends = first_ends(watch, daily, draw, mean, known.spread)
    whole = np.exp(mean + 0.5 * known.spread**2) / daily        # a mean life [days]
    if max(days) > MANY * float(np.median(whole)):
        return needs({d: (ends <= d) + many_ends(np.maximum(d - ends, 0.0) / whole, known.spread, draw) for d in days},
                     elements)  # fmt: skip
    counts = {d: np.zeros(DRAWS) for d in days}
    shortest = math.exp(known.mean - 3 * math.hypot(known.error, known.spread)) / daily
    for _ in range(math.ceil(max(days) / shortest) + 1):
        for d in days:
            counts[d] += ends <= d
        if not (ends <= max(days)).any():
            break
        ends = ends + np.exp(mean + known.spread * draw.standard_normal(DRAWS)) / daily
    return needs(counts, elements)


def needs(counts: dict[float, Array], elements: int) -> list[Need]:
    """counts: changeouts within so many days, as draws."""
    return [Need(d, *(elements * float(v) for v in (c.mean(), *np.quantile(c, (0.1, 0.9))))) for d, c in counts.items()]


def many_ends(lives: Array, spread: float, draw: np.random.Generator) -> Array:
    """How many lives end in a span of so many mean lives, as draws. Their number is normal in the long run, with the
    variance of one life over its mean squared for each, and half a life less than there is room for where lives hardly
    vary (Feller, An Introduction to Probability Theory II, XI; from memory). One by one, lives of seconds would take
    minutes. spread: standard deviation of ln life."""
    variance = math.expm1(spread**2)
    drawn = lives + 0.5 * (variance - 1.0) + np.sqrt(variance * lives) * draw.standard_normal(lives.size)
    return np.asarray(np.maximum(np.round(drawn), 0.0))


def first_ends(watch: Watch, daily: float, draw: np.random.Generator, mean: Array, spread: float) -> Array:
    """Days until the present life ends, as draws. mean: of ln L (DRAWS,)."""
    if watch.due is not None:
        return np.zeros(DRAWS)
    if watch.latest is None:
        return np.asarray(np.exp(mean + spread * draw.standard_normal(DRAWS)) / daily * draw.random(DRAWS))
    _, p10, p50, p90 = watch.latest
    z = draw.standard_normal(DRAWS)
    wide = np.where(z < 0, math.log(p50 / p10), math.log(p90 / p50)) / Z80
    return np.asarray(p50 / 24 * np.exp(wide * z))


class OtherPoint(NamedTuple):
    """Another changeout point [Pa]: elements a month now and, in the long run, with it. carried_on: it lies above the
    point as it is, where no life has been seen: at least so many."""

    point: float
    now: float
    then: float
    carried_on: bool


def other_points(watch: Watch, skid: Skid, *, month: float, max_dp: float) -> list[OtherPoint]:
    """What another `changeout_dp` would do to elements a month (30 days), from the curves of earlier lives. month:
    elements expected in one as it is. Above the point as it is they are carried on as in their last tenth: an upper
    bound of what is gained, since loading accelerates."""
    found = [t for t in templates(watch.lives[-MOST:], skid.limit) if not t.censored]
    if not found:
        return []
    points = [share * skid.limit for share in POINTS]
    return [OtherPoint(p, month, month / life_share(found, p, skid.limit), carried_on=p > skid.limit)
            for p in points if p < max_dp]  # fmt: skip


def life_share(found: list[Template], point: float, limit: float) -> float:
    """Median over lives of the volume to `point` over that to the changeout point as it is."""
    shares = []
    for t in found:
        if point <= limit:
            shares.append(max(float(np.interp(point, t.shape, SHARES)), 0.02))
        else:
            slope = float(t.shape[-1] - np.interp(0.9, SHARES, t.shape)) / 0.1
            shares.append(1 + (point - limit) / max(slope, 1e-9))
    return float(np.median(shares))
