"""The zero of what tells dP, seen while nothing flows: learned, and shifted (compiled).

Without flow and with an equalised path, dP reads an offset that stays: elevation between the taps and the
transmitters' own zeros. It is averaged over minutes that agree with each other, and compared with what was learned
at earlier stops. Before any, it is compared with zero: against the accuracy of the transmitters, or against less
where a header was seen to step by as much for no reason while the skid ran. Shares of span: common practice, no
source.
"""

from __future__ import annotations

import math

from monitor.compiled import compiled
from monitor.conditioning.pair import ACCURACY, noise_of, span_of
from monitor.engine.codes import CLEARED, DIFFERENTIAL, FLOW, INLET, OUTLET, PUMP, RAISED, SHIFTED, SIGNAL_FAULT
from monitor.engine.emissions import emit
from monitor.engine.layout_signals import STEPS

SECOND = 1_000_000_000
NO_FLOW = 0.02           # of reference flow
SETTLED = 90             # seconds without flow before anything is averaged
BLOCK = 60               # seconds averaged at a time
AGREEING = 3             # blocks in a row that must agree
AGREE, APART = 4.0, 2e-4  # standard errors of a block, and at least of span: a block further off does not agree ...
LEVEL_APART = 0.02       # ... nor one in which the header itself has moved by so much of span
LONGEST = 1800           # seconds averaged together
MOVED = 0.0025           # of span, of each transmitter, against an offset that is known
STEPPED = 0.0021         # the same, against zero, where a step explains it
STEP_LIKE = 0.3          # how well it must: of the step, and what the zero was before
RETURNED = 0.6           # of the limit: within it the zero is back
LARGEST = 0.03           # of span: more is no zero but a path that is not equalised
NOISES = 6.0
MEMORY = 8               # stops over which the offset is learned
VESSEL_NEAR = 0.03       # of span: a vessel's pressure that is a witness


@compiled
def at_rest(settings, sensors):  # type: ignore[no-untyped-def]
    """1 nothing flows, 0 something does or the pump pushes, -1 not known."""
    k = settings.role[PUMP]
    pump = k >= 0 and math.isfinite(sensors[k].now)
    if pump and sensors[k].now > 0.5:
        return 0
    k = settings.role[FLOW]
    if k >= 0 and math.isfinite(sensors[k].now):
        return 1 if abs(sensors[k].now) <= NO_FLOW * settings.reference_flow else 0
    return 1 if pump else -1


@compiled
def watch_zeros(zeros, pair, skid, settings, rules, sensors, healths, parameters, limits, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Judge both ways of telling dP at a second; returns the emissions."""
    rest = at_rest(settings, sensors)
    idle = rest == 1 or (rest == -1 and skid.flowing == 0)
    if not idle:
        zeros[0].idle_since = 0
        zeros[1].idle_since = 0
        return emitted
    i, o, d = settings.role[INLET], settings.role[OUTLET], settings.role[DIFFERENTIAL]
    if i >= 0 and o >= 0:
        spread = math.hypot(spread_of(healths, parameters, i), spread_of(healths, parameters, o))
        span = settings.pair_span
        drop, level = sensors[i].now - sensors[o].now, sensors[i].now
        if follow_idle(zeros[0], drop, level, span, spread, tick):
            witness(zeros[0], settings, sensors, span)
            if ready(zeros[0], rules, tick):
                signal = suspect(zeros[0], pair, span, i, o)
                emitted = judge(zeros[0], pair, rules, span, spread, rest, signal, tick, emissions, emitted)
    if d >= 0:
        spread, span = spread_of(healths, parameters, d), span_of(parameters, limits, d)
        if follow_idle(zeros[1], sensors[d].now, 0.0, span, spread, tick) and ready(zeros[1], rules, tick):
            emitted = judge(zeros[1], pair, rules, span, spread, rest, d, tick, emissions, emitted)
    mine = zeros[1] if d >= 0 else zeros[0]
    skid.idle_offset, skid.idle_offset_known = mine.offset, mine.known
    skid.idle_offset_error = math.sqrt(mine.variance / max(mine.known, 1))
    return emitted


@compiled
def spread_of(healths, parameters, k):  # type: ignore[no-untyped-def]
    """Standard error of a signal's mean over a block [Pa]."""
    every = min(max(healths[k].interval / SECOND, 1.0), BLOCK)
    return noise_of(healths, parameters, k) * math.sqrt(every / BLOCK)


@compiled
def follow_idle(zero, drop, level, span, spread, tick):  # type: ignore[no-untyped-def]
    """Average dP [Pa] over a block of seconds; True where a block has just ended."""
    if not (math.isfinite(drop) and math.isfinite(level)):
        return False
    if zero.idle_since == 0:
        zero.idle_since = tick
        zero.block_seconds, zero.seconds, zero.vessel_seconds, zero.learned = 0, 0, 0, 0
    if tick - zero.idle_since < SETTLED * SECOND:
        return False
    if zero.block_seconds == 0:
        zero.block_sum, zero.block_level = 0.0, 0.0
    zero.block_sum += drop
    zero.block_level += level
    zero.block_seconds += 1
    if zero.block_seconds < BLOCK:
        return False
    mean, high = zero.block_sum / BLOCK, zero.block_level / BLOCK
    apart = zero.seconds > 0 and abs(mean - zero.total / zero.seconds) > max(APART * span, AGREE * spread)
    if zero.seconds >= LONGEST or apart or abs(high - zero.last_level) > LEVEL_APART * span:
        zero.seconds, zero.vessel_seconds = 0, 0
    if zero.seconds == 0:
        zero.total, zero.sum_level, zero.sum_vessel = 0.0, 0.0, 0.0
    zero.total += zero.block_sum
    zero.sum_level += zero.block_level
    zero.seconds += BLOCK
    zero.last_level, zero.block_seconds = high, 0
    return True


@compiled
def witness(zero, settings, sensors, span):  # type: ignore[no-untyped-def]
    """Note what a vessel's own pressure says beside the headers: it tells which of them moved."""
    for k in settings.vessel_signal:
        if k >= 0 and abs(sensors[k].now - zero.last_level) < VESSEL_NEAR * span:
            zero.sum_vessel += sensors[k].now
            zero.vessel_seconds += 1


@compiled
def ready(zero, rules, tick):  # type: ignore[no-untyped-def]
    """Whether enough has been averaged, long enough after the stop."""
    return zero.seconds >= AGREEING * BLOCK and tick - zero.idle_since >= rules.zero_after // 2


@compiled
def suspect(zero, pair, span, inlet, outlet):  # type: ignore[no-untyped-def]
    """The header whose zero moved: the one that stepped, else the one that a vessel's pressure speaks against,
    else the inlet, which is then only the first to be looked at."""
    mean = zero.total / zero.seconds
    k = matching_step(pair, mean - zero.offset, span)
    if k >= 0:
        return outlet if pair.step_outlet[k] == 1 else inlet
    if zero.vessel_seconds > 0:
        vessel, level = zero.sum_vessel / zero.vessel_seconds, zero.sum_level / zero.seconds
        return outlet if abs(level - mean - vessel) > abs(level - vessel) else inlet
    return inlet


@compiled
def matching_step(pair, shift, span):  # type: ignore[no-untyped-def]
    """The newest step of a header that is like a shift of dP [Pa]; -1 for none."""
    for k in range(STEPS - 1, -1, -1):
        allowed = max(STEP_LIKE * abs(pair.step_size[k]), STEPPED * span)
        if pair.step_at[k] != 0 and abs(shift - pair.step_size[k]) <= allowed:
            return k
    return -1


@compiled
def limit_of(zero, pair, span, spread, shift):  # type: ignore[no-untyped-def]
    """How far the offset may be from what was learned, or from zero [Pa]."""
    share = ACCURACY
    if zero.known > 0:
        share = MOVED
    elif matching_step(pair, shift, span) >= 0:
        share = STEPPED
    return max(share * span, NOISES * spread / math.sqrt(zero.seconds / BLOCK))


@compiled
def judge(zero, pair, rules, span, spread, rest, signal, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Raise or clear a shift, or learn the offset."""
    mean = zero.total / zero.seconds
    shift = mean - zero.offset
    limit = limit_of(zero, pair, span, spread, shift)
    # Without flow meter and pump contact, a small dP may be a small flow; a negative one is not.
    if abs(mean) > LARGEST * span or (rest < 0 and mean > 0.0):
        return emitted
    if zero.shifted == 1:
        if abs(shift) > RETURNED * limit_of(zero, pair, span, spread, shift):
            return emitted
        zero.shifted = 0
        learn(zero, mean)
        return emit(emissions, emitted, CLEARED, SIGNAL_FAULT, zero.signal, SHIFTED, tick, tick, shift)
    if abs(shift) > limit:
        if rules.enabled == 0:
            return emitted
        zero.shifted, zero.shift, zero.signal = 1, shift, signal
        return emit(emissions, emitted, RAISED, SIGNAL_FAULT, signal, SHIFTED, tick, zero.idle_since, shift)
    if rest == 1 and zero.learned == 0:
        learn(zero, mean)
        for k in range(STEPS):
            pair.step_at[k] = 0
    return emitted


@compiled
def learn(zero, mean):  # type: ignore[no-untyped-def]
    """Take a stop's offset [Pa] into the memory."""
    zero.learned = 1
    zero.known += 1
    share = 1.0 / min(zero.known, MEMORY)
    away = mean - zero.offset
    zero.offset += away * share
    if zero.known > 1:
        zero.variance += (away * away - zero.variance) * share
