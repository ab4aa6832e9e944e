"""A vessel taken out of service, seen from the headers or from its own pressure.

With one of N vessels shut the rest carry its share: normalised dP steps up within seconds, where
loading takes minutes. It ends when the level has come back past the middle (in the logarithm) of
the levels before and after.
"""

from __future__ import annotations

import math

from monitor.compiled import compiled
from monitor.detectors.come_back import watch_return
from monitor.engine.codes import (
    BLOCK_FIELDS,
    BLOCK_S,
    BLOCKS,
    ISOLATED,
    MAX_VESSELS,
    NORMALISED,
    RETURNED,
    RING,
    SERVICE,
    VENTED,
)
from monitor.engine.emissions import emit
from monitor.hydraulics.frame import mean

SECOND = 1_000_000_000
INLET_BLOCK, OUTLET_BLOCK = BLOCK_FIELDS.index("inlet"), BLOCK_FIELDS.index("outlet")
DROP_BLOCK = BLOCK_FIELDS.index("pressure_drop")
NOW, GAP, SLOW = 3, 2, 7             # blocks averaged, between two averages, and back to before a slow return
RECENT, LAG, EARLIER = 4, 22, 30     # seconds: averaged now, back to the level before, and to its own rate
SETTLING = 6                         # seconds back to see whether the step is over
ENOUGH_BLOCKS = 5
SMALLEST = 0.035                     # rise of ln(normalised dP) worth calling a step: a loaded vessel beside clean ones
UNMOVED = math.exp(0.9 * SMALLEST)   # a ratio that surely is none
SIGNIFICANT = 6.0                    # times the scatter before it
SURELY, USUAL = 5.0, 60               # the same of averages of blocks, by the scatter of so many before them
FAR_OFF = 4.0                        # times the mean move between blocks: a step, not scatter
RETURN_SIGNIFICANT = 4.0             # the same for a return, of which one is expected
OWN = 0.3                            # of a return's fall of ln(normalised dP), at least this is dP's own, not flow's
AGAINST = 0.3                        # of dP's rise, at most this may a header move the wrong way
STILL = 0.15                         # of the rise, at most this in the last SETTLING seconds: a valve is shut by then
CONFIRM_STEP, CONFIRM_RETURN = 4, 5  # seconds each must last
BACK_LAG, BACK_DROP = 30, 0.82       # a return is also a drop by that much of the level so many seconds before
VENT, VENT_SHARE = 0.12e5, 0.15      # Pa, and share of the header's: below both a vessel is taken as vented
PRESSURISED = 0.4e5                  # Pa in the inlet header, below which nothing is told by a vessel without pressure
DEPARTED = 0.1e5                     # Pa that a vessel's pressure is off the header's when it is shut


@compiled
def step_up(skid, newest):  # type: ignore[no-untyped-def]
    """Rise of ln(normalised dP) over the last seconds beyond what its rate before would have made; 0 if
    unknown, too small to matter, or while it still goes on."""
    ring, filled = skid.ring_normalised, skid.filled
    if filled < LAG + EARLIER + RECENT:
        return 0.0
    now = mean(ring, filled, newest, 0, RECENT)
    before = mean(ring, filled, newest, LAG, RECENT)
    if not (before > 0.0 and now > UNMOVED * before):
        return 0.0    # nearly always: logarithms and the rest are for what has moved
    long_before = mean(ring, filled, newest, LAG + EARLIER, RECENT)
    if not long_before > 0.0:
        return 0.0
    rise = math.log(now / before)
    recently = mean(ring, filled, newest, SETTLING, RECENT)
    if not (recently > 0.0 and math.log(now / recently) <= STILL * rise):
        return 0.0
    rate = max(math.log(before / long_before) / EARLIER, 0.0)
    # Growth that is itself growing must not look like a valve: allow half as much again.
    return rise - 1.5 * rate * LAG


@compiled
def scatter(ring, filled, newest):  # type: ignore[no-untyped-def]
    """Relative scatter of means over RECENT seconds before the step. Means, not single seconds: transmitters
    that report every few seconds stand still in between. Infinite if unknown."""
    total = 0.0
    squares = 0.0
    blocks = 0
    for skip in range(LAG, RING - RECENT, RECENT):
        x = mean(ring, filled, newest, skip, RECENT)
        if math.isfinite(x):
            total += x
            squares += x * x
            blocks += 1
    if blocks < ENOUGH_BLOCKS or not total > 0.0:
        return math.inf
    level = total / blocks
    return math.sqrt(max(squares / blocks - level * level, 0.0) * blocks / (blocks - 1)) / level


@compiled
def departed(skid, parameters, sensors):  # type: ignore[no-untyped-def]
    """Whether a vessel's own pressure has left the inlet header's: one that was vented, where any was. A standby is
    off it all the time."""
    if not math.isfinite(skid.inlet):
        return False
    for v in range(MAX_VESSELS):
        k = parameters.vessel_signal[v]
        asked = skid.opened == 0 or skid.opened & (1 << v) != 0
        if k >= 0 and asked and abs(sensors[k].now - skid.inlet) > DEPARTED:
            return True
    return False


@compiled
def follow(skid, parameters, sensors, history, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Update what is known of the service of vessels; returns how many emissions there are."""
    emitted = follow_vents(skid, parameters, sensors, tick, emissions, emitted)
    if skid.flowing == 0:
        return emitted
    newest = tick // SECOND & (RING - 1)
    alone = parameters.vessels < 2 and skid.relieved == 0    # while nothing stands in for it, it cannot be shut
    if skid.isolated_since == 0 and (alone or not leaves(skid, history, newest, tick)):
        return emitted
    level = mean(skid.ring_normalised, skid.filled, newest, 0, RECENT)
    if skid.isolated_since == 0:
        skid.isolated_since = tick
        skid.opened = 0
        skid.level_before = mean(skid.ring_normalised, skid.filled, newest, LAG, RECENT)
        skid.level_isolated = level
        return emit(emissions, emitted, ISOLATED, SERVICE, -1, -1, tick, tick, level)
    if math.isfinite(level):
        skid.level_isolated = max(skid.level_isolated, level)
    if returns(skid, parameters, sensors, history, newest, level):
        onset = skid.isolated_since
        skid.isolated_since, skid.opened = 0, 0
        skid.returned_at = tick
        return emit(emissions, emitted, RETURNED, SERVICE, -1, -1, tick, onset, level)
    return emitted


@compiled
def block_average(history, column, skip, count):  # type: ignore[no-untyped-def]
    """Mean of `count` closed blocks of a column that end `skip` blocks before the newest, and its standard error."""
    total = 0.0
    squares = 0.0
    for j in range(count):
        x = float(history.means[(history.used - 1 - skip - j) % BLOCKS, column])
        total += x
        squares += x * x
    level = total / count
    return level, math.sqrt(max(squares / count - level * level, 0.0) / (count - 1))


@compiled
def usual_scatter(history, skip):  # type: ignore[no-untyped-def]
    """Of ln(a block's normalised dP), before the newest `skip`: from what successive blocks differ by on average, which
    drift does not move (compare von Neumann 1941); without those moves that are steps."""
    return usual_move(history, skip, FAR_OFF * usual_move(history, skip, math.inf)) * 0.5 * math.sqrt(math.pi)


@compiled
def usual_move(history, skip, most):  # type: ignore[no-untyped-def]
    """Mean of |ln| between successive blocks, of those moves that are not above `most`. Infinite if unknown."""
    moves = 0.0
    known = 0
    for j in range(min(USUAL, history.used - skip - 1)):
        a = float(history.means[(history.used - 1 - skip - j) % BLOCKS, NORMALISED])
        b = float(history.means[(history.used - 2 - skip - j) % BLOCKS, NORMALISED])
        if a > 0.0 and b > 0.0 and abs(math.log(a / b)) <= most:
            moves += abs(math.log(a / b))
            known += 1
    return moves / known if known > 0 else math.inf


@compiled
def rise_of_blocks(history, tick):  # type: ignore[no-untyped-def]
    """Whether averages of half a minute stepped up and stand still since: for steps that noise hides from seconds."""
    if history.used < NOW + GAP + 2 * NOW + GAP or (tick // SECOND) % BLOCK_S != 1:
        return False
    now, now_error = block_average(history, NORMALISED, 0, NOW)
    before, before_error = block_average(history, NORMALISED, NOW + GAP, NOW)
    earlier, _ = block_average(history, NORMALISED, 2 * NOW + 2 * GAP, NOW)
    if not (now > 0.0 and before > 0.0 and earlier > 0.0):
        return False
    noise = math.sqrt((now_error / now) ** 2 + (before_error / before) ** 2)
    rise = math.log(now / before) - 1.5 * max(math.log(before / earlier), 0.0)
    newest = float(history.means[(history.used - 1) % BLOCKS, NORMALISED])
    oldest = float(history.means[(history.used - NOW) % BLOCKS, NORMALISED])
    if not (newest > 0.0 and oldest > 0.0):
        return False
    still = math.log(newest / oldest) < max(2 * STILL * rise, 3.0 * now_error / now)
    if not (rise > SMALLEST and rise > SIGNIFICANT * noise and still):
        return False
    # Three blocks tell their own scatter badly: every few hours it seems small by chance.
    if not rise > SURELY * math.sqrt(2.0 / NOW) * usual_scatter(history, NOW + GAP):
        return False
    up = block_average(history, INLET_BLOCK, 0, NOW)[0] - block_average(history, INLET_BLOCK, NOW + GAP, NOW)[0]
    down = block_average(history, OUTLET_BLOCK, NOW + GAP, NOW)[0] - block_average(history, OUTLET_BLOCK, 0, NOW)[0]
    if not math.isfinite(up + down):
        return True
    return up > -AGAINST * (up + down) and down > -AGAINST * (up + down)


@compiled
def parted(skid, newest):  # type: ignore[no-untyped-def]
    """Whether inlet went up and outlet down, as when resistance rises; one may stay flat (control, open tank).

    Both up is throttling downstream or more supply, both down the opposite. True where only dP is measured.
    """
    up = mean(skid.ring_inlet, skid.filled, newest, 0, RECENT) - mean(skid.ring_inlet, skid.filled, newest, LAG, RECENT)
    down = mean(skid.ring_outlet, skid.filled, newest, LAG, RECENT) - mean(
        skid.ring_outlet, skid.filled, newest, 0, RECENT
    )
    if not math.isfinite(up + down):
        return True
    return up > -AGAINST * (up + down) and down > -AGAINST * (up + down)


@compiled
def rejoined(skid, newest):  # type: ignore[no-untyped-def]
    """The opposite of `parted`: a level that fell with demand, or as flow filled a vessel, is no vessel coming back."""
    inlet, outlet, filled = skid.ring_inlet, skid.ring_outlet, skid.filled
    down = mean(inlet, filled, newest, LAG, RECENT) - mean(inlet, filled, newest, 0, RECENT)
    up = mean(outlet, filled, newest, 0, RECENT) - mean(outlet, filled, newest, LAG, RECENT)
    before, now = mean(skid.ring_normalised, skid.filled, newest, LAG, RECENT), mean(
        skid.ring_normalised, skid.filled, newest, 0, RECENT
    )
    if not (before > 0.0 and now > 0.0):
        return False
    fall = math.log(before / now)
    if fall < SMALLEST or fall < RETURN_SIGNIFICANT * scatter(skid.ring_normalised, skid.filled, newest):
        return False
    drop_before = mean(skid.ring_dp, filled, newest, LAG, RECENT)
    if drop_before > 0.0 and mean(skid.ring_dp, filled, newest, 0, RECENT) > drop_before * math.exp(-OWN * fall):
        return False
    if not math.isfinite(up + down):
        return True
    return up + down > 0.0 and up > -AGAINST * (up + down) and down > -AGAINST * (up + down)


@compiled
def rejoined_of_blocks(history):  # type: ignore[no-untyped-def]
    """The same over a minute, for valves that are opened slowly."""
    if history.used < SLOW + NOW:
        return False
    now, now_error = block_average(history, NORMALISED, 0, NOW)
    before, before_error = block_average(history, NORMALISED, SLOW, NOW)
    if not (now > 0.0 and before > 0.0):
        return False
    fall = math.log(before / now)
    if fall < SMALLEST or fall < RETURN_SIGNIFICANT * math.sqrt((now_error / now) ** 2 + (before_error / before) ** 2):
        return False
    own_before, own = block_average(history, DROP_BLOCK, SLOW, NOW)[0], block_average(history, DROP_BLOCK, 0, NOW)[0]
    if own_before > 0.0 and own > own_before * math.exp(-OWN * fall):
        return False
    down = block_average(history, INLET_BLOCK, SLOW, NOW)[0] - block_average(history, INLET_BLOCK, 0, NOW)[0]
    up = block_average(history, OUTLET_BLOCK, 0, NOW)[0] - block_average(history, OUTLET_BLOCK, SLOW, NOW)[0]
    return up + down > 0.0 and up > -AGAINST * (up + down) and down > -AGAINST * (up + down)


@compiled
def leaves(skid, history, newest, tick):  # type: ignore[no-untyped-def]
    """Whether normalised dP has just stepped up as it does when a vessel is shut."""
    rise = step_up(skid, newest)
    stepped = rise > SMALLEST and rise > SIGNIFICANT * scatter(skid.ring_normalised, skid.filled, newest)
    stepped = stepped and parted(skid, newest)
    skid.turning_service = skid.turning_service + 1 if stepped else 0
    if skid.turning_service < CONFIRM_STEP and not rise_of_blocks(history, tick):
        return False
    skid.turning_service = 0
    return True


@compiled
def returns(skid, parameters, sensors, history, newest, level):  # type: ignore[no-untyped-def]
    """Whether the level has come back: past the middle, or well below what it just was."""
    middle = math.sqrt(skid.level_before * skid.level_isolated)
    just = mean(skid.ring_normalised, skid.filled, newest, BACK_LAG, RECENT)
    back = (level < middle or level < BACK_DROP * just) and not departed(skid, parameters, sensors)
    back = back and (rejoined(skid, newest) or rejoined_of_blocks(history))
    skid.turning_service = skid.turning_service + 1 if back else 0
    if skid.turning_service < CONFIRM_RETURN:
        return False
    skid.turning_service = 0
    return True


@compiled
def follow_vents(skid, parameters, sensors, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Note vessels whose own pressure falls to about nothing while the header has pressure, and when it is back."""
    if not skid.inlet > PRESSURISED:
        skid.pressurised = 0
        return emitted
    if skid.pressurised == 0:
        skid.pressurised = tick
    for v in range(MAX_VESSELS):
        k = parameters.vessel_signal[v]
        if k < 0 or not math.isfinite(sensors[k].now):
            continue
        bit, own = 1 << v, sensors[k].now
        if skid.vented & bit == 0 and own < min(VENT, VENT_SHARE * skid.inlet):
            skid.vented |= bit
            skid.opened |= bit
            skid.back &= ~bit
            skid.emptied[v], skid.rising[v] = tick, 0
            emitted = emit(emissions, emitted, VENTED, SERVICE, v, 1, tick, tick, own)
        elif skid.vented & bit != 0:
            emitted = watch_return(skid, v, own, tick, emissions, emitted)
            if own > 0.5 * skid.inlet:
                skid.vented &= ~bit
                emitted = emit(emissions, emitted, VENTED, SERVICE, v, 0, tick, tick, own)
    return emitted
