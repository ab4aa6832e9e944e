"""How the skid is used: what it carries by hour of the day, from its own recent pattern; and hours from volumes."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

HOUR = 3_600_000_000_000     # ns
MEMORY_DAYS = 4.0            # after which a day counts 1/e
OWN_WORTH = 0.4              # hours that an hour of the day is worth before it was seen, at the mean of all
UNSEEN = (1.0, 0.8, 0.55)    # use in hours of the day not seen yet, of the mean of all, for p10, p50, p90: recordings
                            # begin when people are there, and nobody runs more at night. Common practice, no source
NOW_HOURS = 1.0              # for how long it goes on as at present before the pattern takes over
PERSISTS_HOURS = 12.0        # after which its running or standing now tells little of whether it will
MIDDLE = (0.3, 0.7)          # chances of running: below, the middle future stands in that hour; above, it runs
EVENS_OUT = 12               # hours, from which on a middle future carries as much a day as the mean of all does
FULL_HOURS = 6               # of the day that carry most: they tell what running means
LEAST_CHANCE = 1e-3          # of running in an hour in which it never has
AHEAD = 48                   # hours that are followed one by one; then days repeat
LATELY, LEAST_LATELY_S, MOST_LATELY_S = 0.1, 30.0, 600.0
MANY = 24 * 400              # hours: further off nothing is told


class Use(msgspec.Struct):
    """seen: hours of each hour of the day (UTC) that were watched, carried: volume in them (m^3, or s of running), both
    fading; mark: up to when; rate: volume an hour while it runs, lately."""

    seen: list[float] = msgspec.field(default_factory=lambda: [0.0] * 24)
    carried: list[float] = msgspec.field(default_factory=lambda: [0.0] * 24)
    mark: int = 0
    rate: float = 0.0
    ran: float = 0.0         # s of running that it rests on


def note_use(use: Use, time: int, volume: float, running_s: float) -> None:
    """Up to `time` [ns] the skid has carried `volume` since the last note, running for `running_s` of it."""
    if use.mark == 0:
        use.mark = time - round(running_s * 1e9)
    hours = (time - use.mark) / HOUR
    if hours <= 0:
        return
    first, last = use.mark // HOUR, (time - 1) // HOUR
    if last == first:
        _add(use, int(first % 24), hours, volume, hours)
    else:
        # What stood still for most of a long span ran at its end.
        stood = hours - running_s / 3600 > 0.5 * hours
        start = time - round(running_s * 1e9) if stood else use.mark
        for hour in range(int(max(first, last - 24 * 14)), int(last) + 1):
            a, b = max(use.mark, hour * HOUR), min(time, (hour + 1) * HOUR)
            ran = max(b - max(a, start), 0) / max(time - start, 1)
            _add(use, hour % 24, (b - a) / HOUR, volume * ran, (b - a) / HOUR)
    use.mark = time
    if running_s > 0:
        # At first a plain mean, then one over the last tenth of the running time, ten minutes at most.
        use.ran += running_s
        memory = min(max(LATELY * use.ran, min(use.ran, LEAST_LATELY_S)), MOST_LATELY_S)
        share = min(running_s / memory, 1.0)
        use.rate += share * (volume / running_s * 3600 - use.rate)


def _add(use: Use, hour: int, seen: float, carried: float, passed: float) -> None:
    # An hour of the day is seen once a day: it fades by the days between, not by the hours.
    keep = math.exp(-passed / MEMORY_DAYS)
    use.seen[hour] = keep * use.seen[hour] + seen
    use.carried[hour] = keep * use.carried[hour] + carried


def pattern(use: Use, unseen: float = 1.0) -> Array:
    """Volume expected in each hour of the day (24,). unseen: what an hour carries that was not seen yet, over the mean
    of those that were."""
    seen, carried = np.array(use.seen), np.array(use.carried)
    mean = carried.sum() / max(seen.sum(), 1e-12)
    return np.asarray((carried + OWN_WORTH * unseen * mean) / (seen + OWN_WORTH))


def interval_hours(use: Use, time: int, volumes: Array, *, runs: bool = True) -> tuple[float, float, float]:
    """p10, p50, p90 of the hours until `volumes` (their p10, p50, p90) have been carried: hours of the day that were
    not seen yet may be like the others, or the skid may stand still in them."""
    p10, p50, p90 = (
        float(hours_until(use, time, volumes[k : k + 1], runs=runs, unseen=share, middle=k == 1)[0])
        for k, share in enumerate(UNSEEN)
    )
    return min(p10, p50), p50, max(p50, p90)     # where the middle future waits for morning, the mean may not


def hours_until(
    use: Use, time: int, volumes: Array, *, runs: bool = True, unseen: float = 1.0, middle: bool = False
) -> Array:
    """Wall-clock hours from `time` [ns] until each of `volumes` (ascending) has been carried; infinity where never.
    runs: whether the skid runs now; unseen: see `pattern`; middle: by the middle one of the futures that are possible,
    else by their mean. A mean runs a little in every night, the middle one not at all."""
    daily = pattern(use, unseen)
    if use.rate <= 0 or daily.sum() <= 0:
        return np.full(volumes.shape, np.inf)
    # It goes on as it does now for a while; then by what each hour is likely to carry: the rest of the present one,
    # whole ones, and so on.
    at_first = NOW_HOURS if runs else 0.0
    rest = volumes - use.rate * at_first
    then = time + round(at_first * HOUR)
    part = 1 - (then % HOUR) / HOUR
    flow = expected(daily, int(time // HOUR) % 24, int(then // HOUR) % 24, runs=runs, middle=middle)
    clock = np.concatenate(([0.0], part + np.arange(AHEAD)))
    carried = np.concatenate(([0.0], np.cumsum(np.concatenate(([part * flow[0]], flow[1:])))))
    carried += 1e-9 * daily.sum() * clock       # so that it can be read backwards
    with np.errstate(over="ignore"):            # what has stood for months: infinity is the answer
        beyond = (rest - carried[-1]) / daily.mean()
        at_once = volumes / use.rate
    later = at_first + np.where(beyond > 0, clock[-1] + beyond, np.interp(rest, carried, clock))
    out = np.where(rest > 0, later, at_once)
    return np.where(out > MANY, np.inf, out)


def expected(daily: Array, now: int, first: int, *, runs: bool, middle: bool) -> Array:
    """Volume of each hour from the hour of the day `first` on (AHEAD,), `now` being the present one. What stands does
    not start before its usual time, and what still runs late may run on: the chance of running follows the pattern with
    as few starts and stops as that takes, and what is known of now fades."""
    full = float(np.sort(daily)[-FULL_HOURS:].mean())
    share = np.minimum(np.maximum(daily / full, LEAST_CHANCE), 1.0)
    usual, fades, chance = share.tolist(), math.exp(-1 / PERSISTS_HOURS), float(runs)
    before, chances = usual[now], []
    for k in range(AHEAD):
        if k or runs:
            chance = before + (chance - before) * fades
        this = usual[(first + k) % 24]
        if this < before:
            chance *= this / before
        elif this > before:
            chance = 1 - (1 - chance) * (1 - this) / (1 - before)
        chances.append(chance)
        before = this
    out = np.array(chances)
    if middle:
        out = decided(out)
        out[EVENS_OUT:] *= share.sum() / max(float(decided(share).sum()), 1e-3)
    return out * np.maximum(daily, full)[(first + np.arange(AHEAD)) % 24]


def decided(chance: Array) -> Array:
    """Share of an hour that the middle future runs in it."""
    low, high = MIDDLE
    return np.where(chance < high, np.maximum(chance - low, 0.0) * high / (high - low), chance)
