"""No path through the skid while the pump pushes (compiled).

With a flow meter: no flow, dP, and an inlet above its usual level, which no stopped pump makes. Nothing flowing
without dP is a blockage outside the skid. Without a flow meter the plane of inlet and outlet tells, as far as it can:
the inlet rises by k (1 - x^2) and the outlet falls by s (1 - x^2) when flow falls to the share x of what it was, k and
s being what pump and system lose at the usual flow. If one vessel had been shut, dP would tell x; where a pump with so
much to lose, or a system with so little behind it, cannot be, the whole path is shut. Bounds on pump and system:
common practice, no source.
"""

from __future__ import annotations

import math

from monitor.alarms.delay import judge
from monitor.compiled import compiled
from monitor.engine.codes import BLOCK_FIELDS, BLOCKED, BLOCKS, FLOW, NOTED, OUTSIDE, PUMP
from monitor.engine.emissions import emit

SECOND = 1_000_000_000
DROP, RATIO, IN, OUT = (BLOCK_FIELDS.index(n) for n in ("pressure_drop", "flow", "inlet", "outlet"))
NO_FLOW, FLOWS = 0.03, 0.06      # of reference flow: nothing flows; something does again
FILLS, STANDS = 0.25, 0.95       # of reference flow, at most, into a vessel that fills; of dP of the shut path, still
FILLING = 300_000_000_000        # ns that filling takes at most
LAG = 10                         # blocks back to the usual levels: valves of many vessels take a minute to shut
TOGETHER = 6                     # blocks that must agree to be a usual level
APART, LEVEL_APART = 0.1, 0.01   # of dP and of the level, the greater: by how much they may differ
RISE, LEAST_RISE = 0.02, 0.05e5  # of the usual inlet level, and Pa: the pump pushes harder than usual
FALLEN = 0.9                     # of the usual inlet level: below it the pump does not push
TIGHTER = 1.2                    # times the usual dP, where the inlet does not tell
JUMP = 1.35                      # times the usual dP that a shut path makes at least
CAKE = 0.2                       # how far cake is compressed: its resistance goes with dP to that power
SHUT_OFF = 1.6                   # a pump's pressure without flow over that at its duty, at most
SLACK = 0.1e5                    # Pa: how far below nothing the pressure downstream may stand
MORE = 1.05                      # of the usual flow: more than the usual passes no vessel that is left
CERTAIN, FALL = 2.0, 0.08        # times the usual dP, and of the outlet, where pump and system have to tell
FRESH = 600_000_000_000          # ns that usual levels tell something by themselves
OUTSIDE_AFTER = 60_000_000_000   # ns: a surge also stops the flow, and is told as what it is


@compiled
def learn_usual(path, history, settings, skid, tick):  # type: ignore[no-untyped-def]
    """Take in the levels of some time ago, where the skid ran and they were settled."""
    if path.seen == history.used:
        return
    path.seen = history.used
    newest = history.used - 1 - LAG
    if newest < TOGETHER - 1 or path.active == 1 or path.pending_since != 0 or skid.flowing == 0:
        return
    inlet, outlet, drop = 0.0, 0.0, 0.0
    low, high = math.inf, -math.inf
    for j in range(newest - TOGETHER + 1, newest + 1):
        k = j % BLOCKS
        x = float(history.means[k, DROP])
        low, high, drop = min(low, x), max(high, x), drop + x / TOGETHER
        inlet += float(history.means[k, IN]) / TOGETHER
        outlet += float(history.means[k, OUT]) / TOGETHER
        if settings.role[FLOW] >= 0 and not history.means[k, RATIO] >= settings.min_flow:
            return
    level = inlet if math.isfinite(inlet) else drop
    if not (drop > settings.idle_dp and high - low <= max(APART * drop, LEVEL_APART * level)):
        return
    path.inlet, path.outlet, path.drop, path.known, path.learned = inlet, outlet, drop, 1, tick


@compiled
def contact(sensors, settings):  # type: ignore[no-untyped-def]
    """1 the pump's contact says it runs, 0 it stands, -1 not known."""
    k = settings.role[PUMP]
    if k < 0 or not math.isfinite(sensors[k].now):
        return -1
    return 1 if sensors[k].now > 0.5 else 0


@compiled
def rise_of(path):  # type: ignore[no-untyped-def]
    """What the inlet must be above its usual level by [Pa]."""
    return max(RISE * path.inlet, LEAST_RISE)


@compiled
def pushes(path, inlet, outlet, drop, pump):  # type: ignore[no-untyped-def]
    """Whether the pump pushes although nothing flows and there is dP."""
    if pump == 0 or path.known == 0:
        return pump == 1
    if not math.isfinite(inlet):
        return drop >= TIGHTER * path.drop
    if drop < path.drop:
        return False    # a shut path shows more dP than an open one at any flow
    rise = rise_of(path)
    held = inlet >= path.inlet - rise and outlet <= path.outlet - rise and drop >= TIGHTER * path.drop
    return inlet >= path.inlet + rise or held


@compiled
def fills(path, skid, settings, drop, tick):  # type: ignore[no-untyped-def]
    """Whether what flows fills a vessel on a path that stays shut: little, for some minutes, and dP does not give."""
    shut = path.middle * path.middle / max(path.drop, 1.0)
    if path.active == 0 or skid.flow > FILLS * settings.reference_flow or drop < STANDS * shut:
        path.filling_since = 0
        return False
    if path.filling_since == 0:
        path.filling_since = tick
    return tick - path.filling_since <= FILLING


@compiled
def shut_by_flow(path, skid, settings, pump, tick):  # type: ignore[no-untyped-def]
    """With a flow meter: 1 the path is shut, 0 it is not."""
    drop = skid.sustained - skid.idle_offset
    flowing = skid.flow > (FLOWS if path.active == 1 else NO_FLOW) * settings.reference_flow
    if not flowing:
        path.filling_since = 0
    elif not fills(path, skid, settings, drop, tick):
        return 0
    if not drop > settings.idle_dp:
        return 0
    if path.active == 1:
        return 0 if stopped(path, skid.inlet, pump) else 1
    return 1 if pushes(path, skid.inlet, skid.outlet, drop, pump) else 0


@compiled
def stopped(path, inlet, pump):  # type: ignore[no-untyped-def]
    """Whether the pump has stopped pushing."""
    return pump == 0 or (pump < 0 and path.known == 1 and inlet < FALLEN * path.inlet)


@compiled
def share_left(path, settings, drop):  # type: ignore[no-untyped-def]
    """Flow over the usual one, if one vessel had been shut and that had made dP."""
    others = settings.vessels / (settings.vessels - 1) if settings.vessels > 1 else 2.0
    square = min(settings.turbulent, 0.5 * path.drop)
    packed = (drop / path.drop) ** CAKE
    linear, quadratic = (path.drop - square) * others * packed, square * others * others
    return 2.0 * drop / (linear + math.sqrt(linear * linear + 4.0 * quadratic * drop))


@compiled
def shut_by_plane(path, skid, settings, least, pump, tick):  # type: ignore[no-untyped-def]
    """Without a flow meter: 1 the path is shut, 0 it is not."""
    inlet, outlet = skid.inlet, skid.outlet
    drop = skid.sustained - skid.idle_offset
    if path.active == 1:
        return 0 if drop < path.middle or stopped(path, inlet, pump) else 1
    up, down = inlet - path.inlet, path.outlet - outlet
    fresh = path.known == 1 and tick - path.learned <= FRESH
    if not fresh or pump == 0 or not (up >= rise_of(path) and drop >= max(JUMP * path.drop, least)):
        return 0
    share = share_left(path, settings, drop)
    if down < rise_of(path):
        return 0    # a controller holds the flow, or an open tank the outlet: nothing tells
    if share >= MORE:
        return 1
    if drop < CERTAIN * path.drop or down < FALL * path.outlet:
        return 0
    left = 1.0 - share * share
    if left <= 0.0:
        return 1
    return 1 if path.outlet - down / left < -SLACK and path.inlet + up / left > SHUT_OFF * path.inlet else 0


@compiled
def watch_path(path, history, skid, sensors, settings, least, rules, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Judge the path; least: dP [Pa] that tells without a flow meter. Returns how many emissions there are."""
    learn_usual(path, history, settings, skid, tick)
    pump = contact(sensors, settings)
    measured = settings.role[FLOW] >= 0 and math.isfinite(skid.flow)
    emitted = watch_outside(path, skid, settings, rules, pump, measured, tick, emissions, emitted)
    if not math.isfinite(skid.sustained):
        return emitted
    if measured:
        shut = shut_by_flow(path, skid, settings, pump, tick)
    else:
        shut = shut_by_plane(path, skid, settings, least, pump, tick)
    pending, leaving = path.pending_since, path.leaving_since
    code = judge(path, rules, float(shut), tick)
    if code == 0:
        return emitted
    if path.active == 1:
        path.middle = math.sqrt(max(path.drop, 1.0) * skid.sustained)
    since = pending if path.active == 1 else leaving
    return emit(emissions, emitted, code, BLOCKED, -1, -1, tick, since if since != 0 else tick, skid.sustained)


@compiled
def watch_outside(path, skid, settings, rules, pump, measured, tick, emissions, emitted):  # type: ignore[no-untyped-def]
    """Note once that nothing flows although the pump pushes and the path through the skid is open."""
    if not measured or path.known == 0 or rules.enabled == 0:
        return emitted
    if skid.flow > FLOWS * settings.reference_flow:
        path.outside_since, path.outside_told = 0, 0
        return emitted
    rise = rise_of(path)
    open_ = abs(skid.sustained - skid.idle_offset) <= settings.idle_dp
    pushing = skid.inlet >= path.inlet + rise and skid.outlet >= path.outlet + rise and pump != 0
    if not (open_ and pushing and skid.flow <= NO_FLOW * settings.reference_flow):
        path.outside_since = 0
        return emitted
    if path.outside_since == 0:
        path.outside_since = tick
    if path.outside_told == 1 or tick - path.outside_since < OUTSIDE_AFTER:
        return emitted
    path.outside_told = 1
    return emit(emissions, emitted, NOTED, OUTSIDE, -1, -1, tick, path.outside_since, skid.inlet)
