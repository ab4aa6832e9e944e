"""The two headers against each other: tags that are swapped, and dP that is truly reversed (compiled).

Reversed dP while flow goes forward cannot be: the inlet's and the outlet's tags are swapped. Without a flow meter
the levels themselves tell: each header suddenly reads what the other did. Reversed dP without forward flow is the
process's own (the outlet header holds pressure, the inlet has lost it) and lifts elements off their seats.
How much is beyond a pair's zero error: common practice, no source.
"""

from __future__ import annotations

import math

import numpy as np

from monitor.compiled import compiled
from monitor.engine.codes import (
    BLOCK_FIELDS,
    BLOCK_S,
    BLOCKS,
    CLEARED,
    FLOW,
    INLET,
    NOTED,
    OUTLET,
    PUMP,
    RAISED,
    REVERSE,
    SIGNAL_FAULT,
    SWAPPED,
)
from monitor.engine.emissions import emit

SECOND = 1_000_000_000
ACCURACY = 0.005         # of span, of one transmitter's zero (common practice, no source)
KNOWN = 0.3              # of that where the idle offset is known
NO_FLOW = 0.02           # of reference flow: below it nothing flows
FORWARD = 0.1            # of reference flow: above it flow surely goes forward
NOISES = 3.0
BEGINS = 3               # seconds in a row that begin a reversal
ENDS = 6                 # and that end it
SETTLING = 6             # seconds until transmitters have followed
STRONG = 12              # seconds of reversal from which the pair is not believed
USUAL = 3                # blocks of the look back that tell the usual levels
SAME = 0.2               # of the usual dP: how well the sum of both must stand where they changed places ...
LIKE, ZEROS_APART = 0.25, 0.03   # ... and dP turn round: of itself, or of the pair's span
REVERSE_SPAN, REVERSE_LEAST = 0.03, 0.1e5   # of span, and Pa: reversed dP worth a word
REVERSE_AFTER = 30       # seconds
QUIET_AFTER = 600        # seconds without, after which the next one is told again
IN, OUT = BLOCK_FIELDS.index("inlet"), BLOCK_FIELDS.index("outlet")


@compiled
def flow_direction(parameters, sensors):  # type: ignore[no-untyped-def]
    """1 forward, 0 none or backward, -1 not known."""
    k = parameters.role[FLOW]
    if k >= 0 and math.isfinite(sensors[k].now):
        ratio = sensors[k].now / parameters.reference_flow
        return 1 if ratio >= FORWARD else 0 if ratio <= NO_FLOW else -1
    k = parameters.role[PUMP]
    if k >= 0 and math.isfinite(sensors[k].now):
        return 1 if sensors[k].now > 0.5 else 0
    return -1


@compiled
def noise_of(healths, parameters, k):  # type: ignore[no-untyped-def]
    """Standard deviation of a signal's noise [SI]."""
    return healths[k].scatter * parameters[k].scale


@compiled
def span_of(parameters, limits, k):  # type: ignore[no-untyped-def]
    """Span of a transmitter [SI]."""
    return (limits[k].high - limits[k].low) * parameters[k].scale


@compiled
def watch_pair(  # type: ignore[no-untyped-def]
    pair, zero, history, settings, rules, sensors, healths, parameters, limits, tick, emissions, emitted
):  # fmt: skip
    """Judge the two headers at a second in which dP is reversed, or was lately; what cannot be believed reads NaN
    from here on. Returns how many emissions there are."""
    i, o = settings.role[INLET], settings.role[OUTLET]
    inlet, outlet = sensors[i].now, sensors[o].now
    if not (math.isfinite(inlet) and math.isfinite(outlet)):
        return emitted
    noise = math.hypot(noise_of(healths, parameters, i), noise_of(healths, parameters, o))
    direction = flow_direction(settings, sensors)
    if pair.idle != (1 if direction == 0 else 0):
        pair.idle = 1 if direction == 0 else 0
        pair.reversed_since, pair.turned = 0, 0    # what was read without flow says nothing of the tags
    offset = zero.offset + (zero.shift if zero.shifted == 1 else 0.0)
    follow_reversal(pair, history, inlet, outlet, offset, noise, settings.pair_span, tick)
    error = ACCURACY * settings.pair_span * (KNOWN if zero.known > 0 else 1.0)
    strong = impossible(pair, direction, offset, error, noise)
    if strong:
        sensors[i].now = np.nan
        sensors[o].now = np.nan
    if rules.enabled == 0:
        return emitted
    drop = inlet - outlet - offset
    if pair.swapped == 1:
        return clear_swapped(pair, rules, direction, drop, noise, i, tick, emissions, emitted)
    if strong and tick - pair.reversed_since >= rules.swapped_after:
        pair.swapped, pair.forward_right = 1, 0
        return emit(emissions, emitted, RAISED, SIGNAL_FAULT, i, SWAPPED, tick, pair.reversed_since, drop)
    largest = max(span_of(parameters, limits, i), span_of(parameters, limits, o))
    return tell_reverse(pair, direction, strong, offset, largest, i, tick, emissions, emitted)


@compiled
def clear_swapped(pair, rules, direction, drop, noise, k, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Clear the fault once dP has been as it should be; a stopped pump clears nothing."""
    right = direction != 0 and drop > NOISES * noise
    pair.forward_right = pair.forward_right + 1 if right else 0
    if pair.forward_right * SECOND < rules.off_delay or pair.reversed_since != 0:
        return emitted
    pair.swapped, pair.watched = 0, 0
    return emit(emissions, emitted, CLEARED, SIGNAL_FAULT, k, SWAPPED, tick, tick, drop)


@compiled
def follow_reversal(pair, history, inlet, outlet, offset, noise, span, tick):  # type: ignore[no-untyped-def]
    """Whether dP is reversed, since when, and what the headers read meanwhile."""
    if inlet - outlet - offset < -NOISES * noise:
        pair.turned += 1
        pair.righted = 0
    else:
        pair.turned = 0
        pair.righted += 1
    pair.watched = 1
    if pair.reversed_since == 0:
        if pair.turned < BEGINS:
            pair.watched = 1 if pair.turned > 0 else pair.swapped
            return
        pair.reversed_since = tick - (BEGINS - 1) * SECOND
        pair.sum_inlet, pair.sum_outlet, pair.seconds, pair.exchanged = 0.0, 0.0, 0, 0
    if pair.righted >= ENDS:
        pair.reversed_since = 0
        pair.watched = pair.swapped
        return
    pair.seconds += 1
    if pair.seconds <= SETTLING:
        return
    pair.sum_inlet += inlet
    pair.sum_outlet += outlet
    if pair.seconds == STRONG:
        pair.exchanged = 1 if changed_places(pair, history, noise, span) else 0


@compiled
def changed_places(pair, history, noise, span):  # type: ignore[no-untyped-def]
    """Whether each header now reads what the other did before: their sum stands, and dP has turned round, as far as
    the zeros of the two transmitters, which stay with their tags, let it."""
    earlier = history.used - 1 - (pair.seconds + BEGINS) // BLOCK_S    # the last block that ended before
    if earlier < USUAL - 1:
        return False
    usual_inlet, usual_outlet = 0.0, 0.0
    for j in range(USUAL):
        usual_inlet += history.means[(earlier - j) % BLOCKS, IN] / USUAL
        usual_outlet += history.means[(earlier - j) % BLOCKS, OUT] / USUAL
    usual = usual_inlet - usual_outlet
    inlet, outlet = pair.sum_inlet / (pair.seconds - SETTLING), pair.sum_outlet / (pair.seconds - SETTLING)
    together = abs(inlet + outlet - usual_inlet - usual_outlet) <= SAME * usual + noise
    turned = abs(inlet - outlet + usual) <= max(LIKE * usual, ZEROS_APART * span)
    return together and turned and usual > 2.0 * noise


@compiled
def mean_reversal(pair):  # type: ignore[no-untyped-def]
    """dP as the headers have read it since the reversal settled [Pa]."""
    return (pair.sum_inlet - pair.sum_outlet) / (pair.seconds - SETTLING)


@compiled
def impossible(pair, direction, offset, error, noise):  # type: ignore[no-untyped-def]
    """Whether the reversal, as far as it has lasted, can only be swapped tags."""
    if pair.reversed_since == 0 or pair.seconds < STRONG or direction == 0:
        return False
    mean = mean_reversal(pair) - offset
    beyond = mean < -max(error, NOISES * noise / math.sqrt(STRONG - SETTLING))
    return pair.exchanged == 1 or (direction == 1 and beyond)


@compiled
def tell_reverse(pair, direction, strong, offset, span, k, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Note dP that is truly reversed, once an episode."""
    if pair.reversed_since == 0 or strong or direction == 1:
        return emitted
    if pair.seconds < REVERSE_AFTER:
        return emitted
    mean = mean_reversal(pair) - offset
    if mean > -max(REVERSE_SPAN * span, REVERSE_LEAST):
        return emitted
    told_before = pair.reverse_at != 0 and tick - pair.reverse_at < QUIET_AFTER * SECOND
    pair.reverse_at = tick
    if told_before:
        return emitted
    return emit(emissions, emitted, NOTED, REVERSE, k, -1, tick, pair.reversed_since, mean)
