"""How far apart the clocks of a skid's signals are, told by cross-correlation of transients.

A pump that starts, demand that moves, a vessel that is shut: headers, flow and vessels answer within a second or two,
so a signal whose answer comes seconds later has a clock that is behind, a gateway that holds it back, or much damping.
One transient can mislead (a controller answers late, a slow scan rounds); several that agree do not. What is found is
said as a fact `clock/SIGNAL`, and values are laid side by side by it.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.engine import codes, forecasting
from monitor.engine.row_tier import Emission, RowTier
from monitor.engine.story import NORMAL, Clock, Story
from monitor.engine.told import Told
from monitor.engine.wording import join
from monitor.model import NS, Event, Fact, Role
from monitor.skid import SkidSettings

if TYPE_CHECKING:
    from monitor.engine.event_tier import EventTier

Array = npt.NDArray[np.float64]
CLOCK = "clock"
IN_STEP, APART = "in step", "apart"
FURTHEST = 62            # s either way that is searched
WIDTH = 8                # s over which a move is taken
ALIKE = 0.85             # correlation of two moves, but for noise
UNIQUE = 0.85            # of the peak: the highest that correlation may be elsewhere
SHARP, SHARP_S = 0.95, 8     # of the peak: the most that may be left so far from it, or the moves are too slow to tell
NOISY = 0.5              # of a signal's power: more of it noise, and the move is lost in it
KEPT = 12                # lags of a signal
ENOUGH = 3               # that must agree
LOOKS_S = 2.0            # between looks of a reporter on change. Common practice, no source
GRAIN = 0.5              # of the interval between readings: standard deviation of a lag that it makes
SURE = 3.5               # standard errors
LEAST_S, LEAST_GRAINS = 3.0, 1.2     # of a lag: as a pump runs up the outlet follows the inlet by a second or two, and
                         # a reading's interval hides what is shorter
DAMPED_S = 4.5           # of a flow meter's: they are damped by some seconds. Common practice, no source
AGREE_S, AGREE_GRAINS = 2.0, 1.5     # how close lags must be, and in intervals between readings
UNTOUCHED = ("signal-fault", "changeout-forecast")   # kinds that rest on one signal, or on hours
MOVED_S = 1.0            # a change of a lag worth a new fact


class Lag(NamedTuple):
    """seconds: by which a signal came later; alike: correlation at that lag."""

    seconds: float
    alike: float


def clock_key(signal: str) -> str:
    return f"{CLOCK}/{signal}"


def compare_clocks(tier: EventTier, emission: Emission) -> Told:
    """A transient is over: what it shows of each clock."""
    i, told = emission.skid, Told()
    skid, story, rows = tier.skids[i], tier.stories[i], tier.rows
    window = last_minutes(rows, i, emission.time)
    if window is None:
        return told
    signals = traced(rows, i)
    for c, k in enumerate(signals[1:], 1):
        lag = lag_of(window[:, 0], window[:, c])
        if lag is None:
            continue
        name = skid.signals[k].id
        clock = story.clocks.setdefault(name, Clock())
        grain = max(interval(rows, i, signals[0]), interval(rows, i, k))
        # A reading stands until the next, half an interval on average.
        late = lag.seconds - 0.5 * (interval(rows, i, k) - interval(rows, i, signals[0]))
        clock.lags = [*clock.lags[-(KEPT - 1) :], round(late, 3)]
        if settle(clock, grain, DAMPED_S if skid.signals[k].role is Role.FLOW else LEAST_S):
            told.facts.append(clock_fact(skid, skid.signals[signals[0]].id, name, clock, emission.time))
    if put_clocks(rows, i, story, skid) > codes.BLOCK_S:
        begin_anew(skid, story, rows.state.skid[i])
    return told


def begin_anew(skid: SkidSettings, story: Story, state: np.record) -> None:
    """What was read before clocks were laid side by side is not compared with what is read after. By less than a block
    levels do not change."""
    story.breach.pending = story.breach.before = story.breach.last_steady = story.perhaps_out = None
    if story.phase != NORMAL:
        forecasting.not_changed(skid, story, state)
        story.phase, story.before, story.isolated = NORMAL, None, None
        state["isolated_since"] = 0
        state["wake_at"][codes.FOR_CHANGEOUT] = 0


def traced(rows: RowTier, i: int) -> list[int]:
    """Positions of the signals that are compared, the reference first."""
    settings = rows.parameters.skid[i]
    return [int(k) for k in settings["trace_signal"][: int(settings["traced"])]]


def interval(rows: RowTier, i: int, k: int) -> float:
    """Seconds between readings of a signal; of one that reports on change, between its looks for one."""
    if rows.parameters.health[i, k]["on_change"]:
        return LOOKS_S
    return float(rows.state.health[i, k]["interval"]) / NS


def last_minutes(rows: RowTier, i: int, time: int) -> Array | None:
    """(seconds, signals) values kept up to `time`, oldest first; None while they are too few."""
    trace, second = rows.state.trace[i], time // NS
    if time - int(trace["begun"]) < codes.TRACE * NS:
        return None
    order = (second - codes.TRACE + 1 + np.arange(codes.TRACE)) % codes.TRACE
    return np.asarray(trace["values"], float)[order]


def lag_of(reference: Array, other: Array) -> Lag | None:
    """By how much `other` came later, a value a second each; None where the two do not tell.

    >>> t = np.arange(192.0)
    >>> lag = lag_of(1 / (1 + np.exp(-(t - 80))), 3 - 1 / (1 + np.exp(-(t - 92))))
    >>> round(lag.seconds)
    12
    """
    x, y = moves(reference), moves(other)
    if x is None or y is None:
        return None
    power = math.sqrt(power_of(x) * power_of(y))
    if power == 0.0:
        return None
    middle = x.size - 1
    found = np.abs(np.correlate(y, x, "full")[middle - FURTHEST : middle + FURTHEST + 1]) / power
    at = int(found.argmax())
    peak = float(found[at])
    if peak < ALIKE or at in (0, found.size - 1):
        return None
    beside = found[[j for j in (at - SHARP_S, at + SHARP_S) if 0 <= j < found.size]]
    elsewhere = np.concatenate([found[: max(at - 2 * WIDTH, 0)], found[at + 2 * WIDTH + 1 :]])
    if beside.max() > SHARP * peak or elsewhere.max(initial=0.0) > UNIQUE * peak:
        return None
    left, right = float(found[at - 1]), float(found[at + 1])
    bend = left - 2 * peak + right
    between = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return Lag(at - FURTHEST + between, peak)


def moves(values: Array) -> Array | None:
    """How far a signal moved within WIDTH seconds, at each second; None where too little is known of it."""
    known = np.isfinite(values)
    if np.count_nonzero(known) < 0.9 * values.size:
        return None
    filled = values if known.all() else np.interp(np.arange(values.size), np.flatnonzero(known), values[known])
    return filled[WIDTH:] - filled[:-WIDTH]


def power_of(moved: Array) -> float:
    """Sum of squares but for that of noise, which most seconds hold nothing else of; 0 where noise is most of it."""
    total = float(moved @ moved)
    noise = moved.size * (1.4826 * float(np.median(np.abs(moved)))) ** 2
    return total - noise if noise < NOISY * total else 0.0


def settle(clock: Clock, grain: float, least: float) -> bool:
    """Decide by the latest lags that agree. grain: seconds between readings. True where what is known has changed."""
    close = max(AGREE_S, AGREE_GRAINS * grain)
    latest = clock.lags[-ENOUGH:]
    if len(latest) < ENOUGH or max(latest) - min(latest) > 2 * close:
        return False
    middle = float(np.median(latest))
    run = []
    for lag in reversed(clock.lags):
        if abs(lag - middle) > close:
            break
        run.append(lag)
    if len(run) < ENOUGH:
        return False
    # The mean: where two signals are read in turn, a step shows in one or the other first, and neither is the middle.
    lag = float(np.mean(run))
    error = max(float(np.std(run)), GRAIN * max(grain, 1.0)) / math.sqrt(len(run))
    least = max(least, LEAST_GRAINS * grain)
    apart = abs(lag) >= max(least, SURE * error)
    if not apart and abs(lag) >= least and clock.word != IN_STEP:
        return False    # not sure yet
    word, before, was = APART if apart else IN_STEP, clock.lag, clock.word
    clock.lag, clock.error, clock.seen = (lag if apart else 0.0), error, len(run)
    clock.word = word
    return word != was or abs(clock.lag - before) >= MOVED_S


def put_clocks(rows: RowTier, i: int, story: Story, skid: SkidSettings) -> int:
    """Let signals with early clocks wait for the latest one, in whole seconds. Returns the most that a wait changed."""
    signals = traced(rows, i)
    lags = [0.0] + [story.clocks[n].lag if (n := skid.signals[k].id) in story.clocks else 0.0 for k in signals[1:]]
    delays = [round(max(lags) - lag) for lag in lags]
    trace = rows.state.trace[i]
    moved = max(abs(a - b) for a, b in zip(trace["delay"].tolist(), delays, strict=False))
    trace["delay"][: len(delays)] = delays
    trace["delayed"] = int(any(delays))
    return int(moved)


def clock_fact(skid: SkidSettings, reference: str, name: str, clock: Clock, time: int) -> Fact:
    value: dict[str, Any] = {
        "word": clock.word, "lag_s": round(clock.lag, 2), "error_s": round(clock.error, 2),
        "transients": clock.seen, "against": reference,
    }  # fmt: skip
    return Fact(skid.id, clock_key(name), value, time)


def take_clock(tier: EventTier, i: int, fact: Fact) -> None:
    """A lag out of the store is in force again; one against another reference tells nothing."""
    value, name, skid = fact.value, fact.key.partition("/")[2], tier.skids[i]
    lag, error, word = float(value["lag_s"]), float(value["error_s"]), str(value["word"])
    if word not in (IN_STEP, APART) or not abs(lag) <= FURTHEST or not error >= 0:
        raise ValueError(fact.key)
    signals = [skid.signals[k].id for k in traced(tier.rows, i)]
    if name not in signals[1:] or value["against"] != signals[0]:
        return
    tier.stories[i].clocks[name] = Clock(word=word, lag=lag, error=error, seen=int(value["transients"]))
    put_clocks(tier.rows, i, tier.stories[i], skid)


def with_clocks(event: Event, skid: SkidSettings, story: Story, rows: RowTier, i: int) -> Event:
    """The event, saying whose clocks are apart where it rests on signals side by side."""
    lags = {name: clock.lag for name, clock in story.clocks.items() if clock.lag}
    if not lags or event.kind in UNTOUCHED:
        return event
    said = join(*(apart(name, lag, skid.signals[traced(rows, i)[0]].id) for name, lag in lags.items()))
    most = max(0.0, *lags.values()) - min(0.0, *lags.values())
    wait = f"Values are laid side by side, so all is told up to {most:.0f} s later."
    evidence = event.evidence | {"clock_lags_s": {name: round(lag, 1) for name, lag in lags.items()}}
    return replace(event, message=join(event.message, said, wait), evidence=evidence)


def apart(name: str, lag: float, reference: str) -> str:
    """One clock in words.

    >>> apart("PT-102", -12.4, "PT-101")
    'PT-102 comes 12 s before PT-101.'
    """
    return f"{name} comes {abs(lag):.0f} s {'after' if lag > 0 else 'before'} {reference}."
