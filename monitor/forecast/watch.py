"""The forecast of one skid carried on sample by sample: its loading curve, its memory, and when to fit again."""

from __future__ import annotations

import math
from typing import NamedTuple

import msgspec
import numpy as np

from monitor.forecast.combine import Estimate, Silence, estimate
from monitor.forecast.curve import Point, add_point, columns, pooled
from monitor.forecast.life import FEW, Past, crossing, past, slowing, templates
from monitor.forecast.prior import MOST
from monitor.forecast.unusual import Unusual, unusual
from monitor.forecast.use import HOUR, Use, interval_hours, note_use

Z80 = 1.2815515594600038     # half width of an 80 % interval of a normal, in standard deviations
REFIT_LIFE = 0.01            # of the life expected, and ...
REFIT_LEFT = 0.10            # ... of what is left, that loading moves before laws and lives are fitted again
SHORTEST_S, LONGEST_S = 1, 590     # running time of a sample
SPELL = 0.01                 # of the running time so far
SHORT_OF_LIFE, SHORT_S = 0.002, 120.0     # of the shortest life known, that a sample stands for at least; at most
RESET = 0.5                  # of its level: dP below, near that of a clean skid, tells of elements changed unseen
SURE_OF_RESET = 3            # samples that say so
BRIEF = 0.10                 # of the usual life: a run that ended before belongs to the changeout that began it
KEPT_FORECASTS = 160
STRETCH_WORTH = 2.0          # scored lives that intervals as wide as they were computed are worth
STRETCHES = (0.7, 2.0)
HALF_OF_SQUARES = 0.4549     # median of the square of a standard normal
CLEAN_AT_MOST = 0.12         # of the changeout point, that counts as clean in any case
SAME_LIFE = 1e-4             # relative difference in volume, below which two lives that began together are one
MOVES = 0.2                  # of a life: a crossing further from where the alarm came is another
TRY_AGAIN = 1.02             # times the volume at which nothing could be said


class Fitted(msgspec.Struct):
    """The last fit: at which volume, ln(remaining) with its standard deviation, and what it rests on."""

    at: float
    mean: float
    error: float
    level: float
    laws: tuple[float, ...]
    lives: int


class Score(msgspec.Struct):
    """How the forecasts of a life did: share of the last 70 % of it in which [p10, p90] held the truth; median error of
    p50 in % of what truly remained."""

    inside: float
    error: float
    stretch: float = 1.0      # what the intervals ought to have been wider by


class Run(msgspec.Struct):
    """A run that is over. hours: wall-clock; total: volume up to the changeout point, or to its end."""

    began: int
    due: bool
    hours: float
    total: float
    points: list[Point]
    whole: bool
    score: Score | None = None


class Watch(msgspec.Struct):
    """What is kept of a skid. Volumes [m^3], or running seconds where flow is not measured, count from the run's
    start."""

    began: int = 0
    base: tuple[float, float] = (0.0, 0.0)         # running seconds and volume of the skid when the run began
    seen: tuple[float, float] = (0.0, 0.0)         # the same at the newest sample
    until: int = 0                                 # time of the newest sample [ns]
    whole: bool | None = None                      # whether it began with clean elements; None: not judged yet
    points: list[Point] = []
    doubted: bool = False                          # dP fell below the point again while a changeout was being judged
    due: tuple[int, float] | None = None           # when and at which volume it reached the changeout point
    level: float = 0.0                             # dP as it was, smoothed [Pa]
    low: int = 0                                   # samples in a row that lie far below it
    held: list[tuple[int, float, float, float]] = []    # samples since a return: whose they are is not known yet
    returned: tuple[int, float, float] | None = None    # when that was, and the skid's totals then
    use: Use = msgspec.field(default_factory=Use)
    fitted: Fitted | None = None
    tried: float = 0.0                             # volume of the last attempt to fit
    silence: str = "nothing has been seen yet"
    latest: tuple[int, float, float, float] | None = None
    told: list[tuple[int, float, float, float]] = []    # forecasts at each fit: time, p10, p50, p90 [h]
    lives: list[Past] = []
    last_life: float = 0.0                         # volume of the last run that was more than brief
    scores: list[Score] = []
    main: Run | None = None                        # the last run that was more than brief
    raised: bool = False
    near_since: int = 0                            # since when the point is inside the notice period
    taken_back: int = 0                            # times that it was, in this run, and then was not
    compared: float = 0.0                          # volume at which loading was last held against earlier lives
    unusual: list[str] = []                        # what of it has been told of this run
    turbidity: tuple[float, int] = (0.0, 0)        # mean of this run [NTU], of so many samples


class Sample(NamedTuple):
    """One spell of running: its end [ns], the skid's totals then, mean normalised dP [Pa] or NaN."""

    time: int
    running: float
    volume: float
    dp: float


class Row(NamedTuple):
    """Hours until the changeout point."""

    time: int
    p10: float
    p50: float
    p90: float


class Skid(NamedTuple):
    """What does not change, or seldom. limit: the changeout point [Pa]; by_volume: flow is measured; turbulent: the
    part of dP that does not load [Pa]."""

    limit: float
    by_volume: bool
    turbulent: float


def spell(watch: Watch) -> int:
    """Running seconds that the next sample is to stand for: short ones at first, unless lives are known to be long."""
    known = [p.hours for p in watch.lives]
    least = min(SHORT_OF_LIFE * 3600 * min(known), SHORT_S) if known else 0.0
    return int(min(max(SPELL * (watch.seen[0] - watch.base[0]), least, SHORTEST_S), LONGEST_S))


def take(watch: Watch, skid: Skid, sample: Sample, *, clean: float, unsettled: bool) -> Row | None:
    """Take a sample; the forecast now, None where there is none (`watch.silence` says why). clean: dP of the clean
    skid; unsettled: a vessel is out or has just come back."""
    if watch.began == 0:
        begin(watch, sample.time, watch.seen)
    before = watch.seen
    watch.seen, watch.until = (sample.running, sample.volume), sample.time
    ran, carried = sample.running - before[0], sample.volume - before[1]
    if ran > 0:
        note_use(watch.use, sample.time, carried if skid.by_volume else ran, ran)
    if unsettled:
        if math.isfinite(sample.dp):
            watch.held.append((sample.time, sample.running, sample.volume, sample.dp))
        silent(watch, "a vessel is out of service or has just come back")
        return None
    watch.held, watch.returned = [], None
    if math.isfinite(sample.dp):
        # The mean of dP stands for the middle of the spell.
        middle = position(watch, skid) - 0.5 * (carried if skid.by_volume else ran)
        add(watch, skid, sample.time, middle, sample.dp, ran, clean)
    if watch.due is not None:
        silent(watch, "the changeout point has been reached")
        return None
    x = position(watch, skid)
    if not watch.points:
        silent(watch, "dP could not be judged yet")
        return None
    refit(watch, skid, x, sample.time)
    if watch.fitted is None:
        watch.latest = None
        return None
    watch.latest = (sample.time, *remaining_hours(watch, x, sample.time))
    row = Row(*watch.latest)
    if math.isfinite(row.p50):
        return row
    silent(watch, "the skid has hardly been in use")
    return None


def stand(watch: Watch, skid: Skid, time: int, *, unsettled: bool) -> Row | None:
    """The skid stands still: the forecast now, by its pattern of use."""
    if watch.fitted is None or watch.due is not None or unsettled:
        return None
    watch.latest = (time, *remaining_hours(watch, position(watch, skid), time, runs=False))
    return Row(*watch.latest) if math.isfinite(watch.latest[2]) else None


def silent(watch: Watch, reason: str) -> None:
    watch.silence, watch.latest = reason, None


def position(watch: Watch, skid: Skid) -> float:
    """Volume (or running seconds) since the run began."""
    k = 1 if skid.by_volume else 0
    return watch.seen[k] - watch.base[k]


def begin(watch: Watch, time: int, base: tuple[float, float], whole: bool | None = None) -> None:
    """A run begins."""
    watch.began, watch.base, watch.whole = time, base, whole
    watch.points, watch.due, watch.fitted, watch.told, watch.tried = [], None, None, [], 0.0
    watch.level, watch.low, watch.latest, watch.doubted, watch.taken_back = 0.0, 0, None, False, 0
    watch.compared, watch.unusual, watch.turbidity = 0.0, [], (0.0, 0)
    watch.silence = "the life has only begun"


def add(watch: Watch, skid: Skid, time: int, x: float, dp: float, weight: float, clean: float) -> None:
    """Add a mean of dP to the curve, unless it says that the elements are others than a while ago."""
    if watch.level > 0.3 * skid.limit and dp < RESET * watch.level and dp < 1.5 * clean:
        watch.low += 1
        if watch.low >= SURE_OF_RESET:
            end_run(watch, skid, time, clean)
            begin(watch, time, watch.seen, whole=True)
        return
    watch.low = 0
    add_point(watch.points, (x, dp, max(weight, 1.0)), skid.limit)
    keep = 0.7 if watch.level > 0 else 0.0
    watch.level = keep * watch.level + (1 - keep) * dp
    if watch.whole is None and len(watch.points) >= 4:
        watch.whole = min(p[1] for p in watch.points[1:4]) <= max(1.3 * clean, CLEAN_AT_MOST * skid.limit)


def refit(watch: Watch, skid: Skid, x: float, time: int) -> None:
    """Fit again where loading has moved on; else what was fitted stands."""
    last = watch.fitted
    if last is not None:
        left = math.exp(last.mean)
        if x - last.at < min(REFIT_LIFE * (last.at + left), REFIT_LEFT * left):
            return
    elif x < TRY_AGAIN * watch.tried:
        return
    watch.tried = x
    found = estimate(watch.points, templates(watch.lives[-MOST:], skid.limit), now=x, limit=skid.limit,
                     turbulent=skid.turbulent, metered=skid.by_volume, whole=watch.whole is not False)  # fmt: skip
    if isinstance(found, Silence):
        watch.fitted, watch.silence = None, found.reason
        return
    watch.fitted = fitted(found, x, watch.scores)
    row = (time, *remaining_hours(watch, x, time))
    watch.told = (watch.told if len(watch.told) < KEPT_FORECASTS else watch.told[::2]) + [row]


def fitted(found: Estimate, x: float, scores: list[Score]) -> Fitted:
    return Fitted(x, found.mean, found.error * stretch(scores), found.level, found.laws, found.lives)


def stretch(scores: list[Score]) -> float:
    """What the intervals are to be widened (or narrowed) by, after how those of earlier lives did; drawn to 1."""
    squares = sum(s.stretch**2 for s in scores) + STRETCH_WORTH
    return min(max(math.sqrt(squares / (len(scores) + STRETCH_WORTH)), STRETCHES[0]), STRETCHES[1])


def remaining_hours(watch: Watch, x: float, time: int, *, runs: bool = True) -> tuple[float, float, float]:
    """p10, p50, p90 of the hours left: the last fit, carried on by what has passed since."""
    last = watch.fitted
    assert last is not None
    left = np.exp(last.mean + Z80 * last.error * np.array([-1.0, 0.0, 1.0]))
    left = np.maximum(left - (x - last.at), 0.05 * left)
    longer = slowing(watch.lives, x / (x + float(left[1])))
    return interval_hours(watch.use, time, left * longer, runs=runs)


def drop_latest(watch: Watch, skid: Skid, seconds: float) -> None:
    """Take the last `seconds` of running off the curve."""
    per_second = watch.use.rate / 3600
    begun = position(watch, skid) - seconds * per_second
    while watch.points and watch.points[-1][0] > begun:
        watch.points.pop()


def reached(watch: Watch, skid: Skid, time: int) -> None:
    """The changeout point was reached: where the curve crosses it, since an alarm waits for its on-delay."""
    x = position(watch, skid)
    found = crossed(watch, skid)
    total = x if found is None else min(found, x)
    waited = (x - total) / watch.use.rate * HOUR if watch.use.rate > 0 else 0.0
    watch.due = (max(time - round(waited), watch.began), total)
    silent(watch, "the changeout point has been reached")


def crossed(watch: Watch, skid: Skid) -> float | None:
    """Volume at which the curve crosses the changeout point."""
    if len(watch.points) < FEW:
        return None
    volume, dp, weight = columns(watch.points)
    return crossing(volume, pooled(dp, weight), skid.limit)


def place_end(watch: Watch, skid: Skid) -> None:
    """Where the point was reached, now that the curve has gone beyond it: an alarm comes with the first of the moves up
    and down about it, so a bit early."""
    found = crossed(watch, skid)
    if watch.due is not None and found is not None and abs(found - watch.due[1]) < MOVES * watch.due[1]:
        watch.due = (watch.due[0], found)


def receded(watch: Watch) -> None:
    """It was not, after all: dP fell below it again without a changeout."""
    watch.doubted = False
    watch.due, watch.silence = None, "dP has just fallen below the changeout point"


def compare(watch: Watch, skid: Skid) -> Unusual | None:
    """What is unlike the earlier lives and has not been told of this run; looked at each hundredth of a life."""
    x, whole = position(watch, skid), [p.total for p in watch.lives if p.shape]
    if watch.due is not None or not whole or x - watch.compared < REFIT_LIFE * min(whole):
        return None
    watch.compared = x
    found = unusual(watch.points, templates(watch.lives[-MOST:], skid.limit), skid.limit)
    if found is None or found.what in watch.unusual:
        return None
    return found


def is_brief(watch: Watch, skid: Skid) -> bool:
    """Whether the run is one between two vessels of one changeout, or nothing was seen of it."""
    if watch.due is not None and watch.points:
        return False
    return len(watch.points) < FEW or position(watch, skid) < BRIEF * watch.last_life


def end_run(watch: Watch, skid: Skid, time: int, clean: float) -> None:
    """The run is over: into the memory with it, and its forecasts are scored; unless it was brief."""
    if is_brief(watch, skid):
        return
    place_end(watch, skid)
    scored = score(watch) if watch.due is not None else None
    end = time if watch.due is None else watch.due[0]
    hours = (end - watch.began) / 3.6e12
    watch.main = Run(watch.began, watch.due is not None, hours, position_of_end(watch), watch.points,
                     watch.whole is True, scored)  # fmt: skip
    watch.last_life = watch.points[-1][0]
    x, dp, weight = columns(watch.points)
    remember(watch, past(
        watch.began, x, dp, weight, limit=skid.limit, turbulent=skid.turbulent, hours=hours, whole=watch.whole is True,
        total=None if watch.due is None else watch.due[1], clean=clean,
    ))  # fmt: skip


def position_of_end(watch: Watch) -> float:
    return watch.points[-1][0] if watch.due is None else watch.due[1]


def changed(watch: Watch, skid: Skid, isolated_at: int, clean: float) -> None:
    """A vessel was changed: what came since its return belongs to the next run."""
    end_run(watch, skid, isolated_at, clean)
    time, running, volume = watch.returned or (isolated_at, *watch.seen)
    held, watch.held, watch.returned = watch.held, [], None
    begin(watch, time, (running, volume))
    take_held(watch, skid, held, (running, volume), clean)


def changed_unseen(watch: Watch, skid: Skid, at: int, time: int, clean: float) -> None:
    """A vessel was changed at `at` [ns], which is only known at `time`: what came between is neither run's."""
    drop_latest(watch, skid, (time - at) / 1e9)
    end_run(watch, skid, at, clean)
    begin(watch, time, watch.seen)


def unchanged(watch: Watch, skid: Skid, clean: float) -> None:
    """None was: what came since belongs to this run."""
    if watch.doubted:
        receded(watch)
    held, watch.held = watch.held, []
    start = watch.returned or (0, *watch.seen)
    watch.returned = None
    take_held(watch, skid, held, start[1:], clean)


def take_held(watch: Watch, skid: Skid, held: list[tuple[int, float, float, float]], since: tuple[float, float],
              clean: float) -> None:  # fmt: skip
    k = 1 if skid.by_volume else 0
    for time, running, volume, dp in held:
        x = 0.5 * ((running, volume)[k] + since[k]) - watch.base[k]
        add(watch, skid, time, x, dp, running - since[0], clean)
        since = (running, volume)


def remember(watch: Watch, past: Past) -> None:
    """Keep the newest lives, each once: vessels that are changed in turn share one. Recordings of rigs may all begin at
    the same time and yet be of different lives. One without any volume teaches nothing."""
    if past.total <= 0:
        return
    if not any(p.run == past.run and abs(p.total - past.total) <= SAME_LIFE * past.total for p in watch.lives):
        watch.lives = sorted([*watch.lives, past], key=lambda p: p.run)[-MOST:]
    watch.last_life = watch.last_life or past.total


def score(watch: Watch) -> Score | None:
    """Past forecasts against when it came; None where there were none."""
    assert watch.due is not None
    due = watch.due[0]
    inside, errors, squares = [], [], []
    for time, p10, p50, p90 in watch.told:
        left = (due - time) / 3.6e12
        if left > 0 and time - watch.began >= 0.3 * (due - watch.began):
            inside.append(p10 <= left <= p90)
            errors.append(abs(p50 - left) / left * 100)
            used = (math.log(p90 / p10) / (2 * Z80)) / stretch(watch.scores)
            squares.append((math.log(left / p50) / max(used, 1e-3)) ** 2)
    if not inside:
        return None
    told = Score(round(float(np.mean(inside)), 3), round(float(np.median(errors)), 1),
                 round(min(math.sqrt(float(np.median(squares)) / HALF_OF_SQUARES), 3.0), 3))  # fmt: skip
    watch.scores = [*watch.scores, told][-MOST:]
    return told
