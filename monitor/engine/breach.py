"""Is a loss of resistance a breach? What the row tier saw fall is weighed against all else that could explain it.

In service the fall is judged some seconds later, once its new level is known; across a stop of the pump or of the
monitor the first steady minutes after it are compared with the last before it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from monitor.engine import codes, relief
from monitor.engine.answer import answered, interval_of
from monitor.engine.demand import demand_fell
from monitor.engine.look_back import Level, level, off_inlet, seconds
from monitor.engine.messages_breach import cleared_event, grown_event, raised_event, turbid
from monitor.engine.missed import step_before
from monitor.engine.row_tier import Emission
from monitor.engine.story import NORMAL, BreachStory, Standing, Story, ToldChange, pack, unpack
from monitor.engine.unwatched import across
from monitor.engine.wording import clock
from monitor.model import NS, Role
from monitor.skid import SkidSettings

if TYPE_CHECKING:
    from monitor.engine.event_tier import Teller

IN_SERVICE, AFTER_RESTART = "in-service", "after-restart"
BEFORE_S, STEP_S = 75, 35        # span of the level before a fall, which ends so long before it was seen
SOON_S, LATER_S = 18, 100        # after a fall was seen: a large loss is judged, then any
AGAIN_S = 4
EARLIER_S, VALVES = 90, 1.15      # before the level before a stop; so much more resistance since then is of valves
BEFORE_AT_ONCE_S, NOW_S = 5, 4   # seconds averaged before a large loss that is told at once, and now
STEADY_S, SURE_S, LONG_S = 105, 165, 330   # after flow came back: when levels count, and when they are judged
IDLE_S = 60                      # before flow came back: what drove nothing
TRACE_S, TRACE_KEPT = 600, 13
CLEARLY = 0.75                   # of a large loss: so much at once needs no longer average to be told
TOLERANCE = 0.9                  # of the loss that counts: a measured one scatters about the true one
SLOUGH = 0.04                    # part of the resistance that cake loses across a stop and does not regain at once
HOUSING = 0.4                    # of the clean reference: left where one element is missing. Common practice, no source
SURE_CLEAN = 0.2                 # relative error of that reference, below which it is known
BELOW_CLEAN = 0.9                # of the clean reference: below it no cake can explain the level
FLAT = 0.15                      # of the fall of dP: a header that moved by less did not move
WITH_FLOW = 0.5                  # of the fall of dP: the outlet falls by more where flow does
FLOW_ANSWERS = 0.03              # of flow per unit of ln(resistance): less, and flow is controlled or dP is wrong
ZERO_PA, ZERO_SPAN = 0.15e5, 0.02     # Pa, and of span: a fall of one header alone by less may be a zero that shifted
WHICH_PA = 400.0                 # more loss at one vessel's inlet that names it
MOVES_S = 30                     # that valves take
LESS_FLOW = 0.92                 # of the flow before: demand has fallen
MOST_PACKING = 0.4               # exponent of dP that cake's resistance may go with, as long as it has not been told
ALL_SHUT_S = 60                  # before an isolation, or before flow stopped, that a shut path looked like
CLEAN_ENOUGH = 1.6               # ratio to clean, or its inverse: within it what comes back unseen is taken for clean
CLOSER_PA = 3000.0               # by which a vessel's pressure comes closer to the header's when it is opened to it
DIPS = 0.2                       # of dP: a standby opened to the outlet first falls below the inlet by so much
PAIR = 2                         # vessels in service: one may leave while the other carries on
AS_CLEAN = 0.25                  # of ln(resistance): what a clean vessel makes of it is known so well
MANY = 3                         # vessels in service, from which on one that leaves may make a step too small to see
CLEAN_ONE = 1.25                 # of the loss that a clean vessel makes where all is laminar: what is taken for one
ROUND_S = 7200                   # after a changeout in which the next one is likely: vessels are changed in turn
UNSEEN_S = 900                   # the longest level taken for that of the rest alone where none was seen to leave
SETTLE_RUNNING_S = (3600, 7200)  # running time after which a suspicion is compared with how loading goes on
RESUMED, STOPPED_LOADING = 0.6, 0.3   # of the rate before


def weigh(teller: Teller, emission: Emission) -> None:
    """Carry the story of losses on by one emission."""
    story = teller.story.breach
    if emission.code == codes.DROPPED and emission.detail == codes.SUDDEN:
        _at_once(teller, story, emission.onset, emission.time)
    elif emission.code == codes.DROPPED:
        if not _missed(teller, emission.time, emission.value):
            _begin(teller, story, IN_SERVICE, emission.time)
            relief.may_have_come_in(teller, unpack(story.before) if story.pending else None, emission.time)
    elif emission.code == codes.STOPPED:
        _stopped(teller, story, emission.onset)
    elif emission.code == codes.STARTED:
        _started(teller, story, emission.onset)
    elif emission.signal == codes.FOR_BREACH:
        _look(teller, story, emission.time)
    elif emission.signal == codes.FOR_TRACE:
        _trace(teller, story, emission.time)


def made_good(teller: Teller, time: int) -> None:
    """A changeout has been verified: what was lost is whole again, whatever its latch says."""
    story = teller.story.breach
    if story.standing is not None:
        teller.told.events.append(cleared_event(teller.skid, story.standing, time, "a vessel has been changed since"))
        story.standing = None
    story.trace = []


def changed_unseen(teller: Teller, change: ToldChange, time: int) -> None:
    """A person tells of a changeout that nothing was seen of: where the loss that stands was found across the stop in
    which it was, it is explained."""
    story = teller.story.breach
    standing = story.standing
    if standing is None or standing.detail != AFTER_RESTART or not _across(story, change.at, standing.onset):
        return
    name = teller.skid.vessels[change.vessel]
    why = f"vessel {name} was changed meanwhile, at {clock(change.at)}, as {change.who} tells"
    teller.told.events.append(cleared_event(teller.skid, standing, time, why))
    story.standing = None


def _across(story: BreachStory, at: int, again: int) -> bool:
    """Whether a changeout was told for the stop that ended when flow came back at `again` [ns]."""
    return story.stopped_at - MOVES_S * NS <= at <= again + MOVES_S * NS


def _told_across(story: Story) -> bool:
    told = [t.at for t in story.told_changes] + [s.returned_at for s in story.seen_changes if not s.seen]
    return any(_across(story.breach, at, story.breach.since) for at in told)


def _missed(teller: Teller, time: int, fall: float) -> bool:
    """Whether the fall is a vessel's return whose leaving went unseen; it is then followed as any other."""
    skid = teller.skid
    if teller.story.phase != NORMAL or skid.in_service < PAIR or teller.own_pressures:
        return False
    fallen = time - STEP_S * NS
    stepped = step_before(teller.history, fallen)
    since = stepped if stepped is not None else _in_turn(teller, fallen)
    before = teller.corrected(level(teller.history, fallen - BEFORE_S * NS, fallen))
    if since is None or before is None:
        return False
    loss = 1 - math.exp(-fall)
    if not _clean_one_explains(teller, teller.referred(_flow_or_one(before)), loss):
        return False
    if skid.in_service < MANY and not _other_of_pair(teller, before, loss, fallen):
        return False
    teller.was_isolated(since, fallen, time, seen=stepped is not None)
    return True


def _other_of_pair(teller: Teller, before: Level, loss: float, fallen: int) -> bool:
    """Whether the other of a pair may have been changed next: the loss is the one that a clean vessel makes beside what
    carried the flow alone."""
    if teller.skid.in_service != PAIR or teller.own_pressures or _in_turn(teller, fallen) is None or loss >= 1:
        return False
    r, whole = teller.referred(_flow_or_one(before)), PAIR * teller.story.clean[0]
    return r > 0 and abs(math.log(1 - loss) + math.log((r + whole) / whole)) < AS_CLEAN


def _in_turn(teller: Teller, fallen: int) -> int | None:
    """Vessels are changed in turn: earliest time at which the next one may have left, None where none is due."""
    last = teller.story.returned_at
    if not teller.story.changes or fallen - teller.story.changes[-1].time > ROUND_S * NS:
        return None
    return max(last, fallen - UNSEEN_S * NS)


def not_returned(teller: Teller, before: Level | None, after: Level | None, time: int) -> None:
    """What was followed as a vessel's unseen return was none: the loss is told after all."""
    story = teller.story.breach
    loss = _loss(teller, before, after)
    if before is None or after is None or loss < _least(teller.skid.alarms["element-breach"].extra["loss"], False):
        return
    story.pending, story.since, story.answered = IN_SERVICE, teller.story.returned_at, False
    _conclude(teller, story, before, after, loss, time)
    story.pending = None


def _clean_one_explains(teller: Teller, r: float, loss: float, *, standby: bool = False) -> bool:
    """Whether a clean vessel beside what carried flow at a skid's resistance r [Pa] makes such a loss, and no more.

    With a standby beside those usually in service the skid goes below what these show clean, at most by the square of
    flow; and so far its loss may go too.
    """
    count, clean = teller.skid.in_service, teller.story.clean[0]
    if r <= 0:
        return False
    most, least = CLEAN_ONE * r / (r + count * clean), BELOW_CLEAN * clean
    if standby:
        alone = count * math.sqrt(clean)
        most, least = max(most, 1 - (alone / (alone + math.sqrt(r))) ** 2), least * (count / (count + 1)) ** 2
    return loss <= most and (1 - loss) * r > least


def _begin(teller: Teller, story: BreachStory, detail: str, time: int) -> None:
    if teller.story.phase != NORMAL or story.pending is not None:
        return
    story.before = pack(level(teller.history, time - (STEP_S + BEFORE_S) * NS, time - STEP_S * NS))
    if story.before is not None:
        story.pending, story.since = detail, time
        story.answered = answered(teller.skid, teller.state, teller.rows.state.health[teller.index])
        teller.state.wake_at[codes.FOR_BREACH] = time + SOON_S * NS


def _at_once(teller: Teller, story: BreachStory, since: int, time: int) -> None:
    """A large loss at a flow that stands is told now, where nothing but an element can be its cause: where vessels may
    come and go unseen, it waits as any other."""
    skid, settings = teller.skid, teller.skid.alarms["element-breach"].extra
    steady = teller.story.phase == NORMAL and story.pending is None and story.standing is None
    if not steady or skid.in_service >= MANY or skid.in_service < len(skid.vessels):
        return
    spans = (((time - since) // NS, BEFORE_AT_ONCE_S), (0, NOW_S))
    levels = [seconds(teller.state, back, count, codes.MAX_VESSELS) for back, count in spans]
    before, after = (teller.corrected(at) for at in levels)
    loss = _loss(teller, before, after)
    if before is None or after is None or loss < settings["likely_loss"] or _other_of_pair(teller, before, loss, since):
        return
    story.answered = False
    stops = _nothing_left(teller, after) or after.state.flow < LESS_FLOW * before.state.flow
    if not stops and not _less_flow(before, after) and not _explained(teller, before, after, loss, restart=False):
        story.pending, story.since = IN_SERVICE, since
        _raise(teller, story, before, after, loss, time)
        story.pending = None


def _less_flow(before: Level, after: Level) -> bool:
    """Whether the headers may tell of less flow that a damped meter does not show yet: the outlet falls too, or the
    inlet does not."""
    down, up = before.inlet - after.inlet, after.outlet - before.outlet
    return down < FLAT * (down + up) or up < -WITH_FLOW * (down + up)


def _stopped(teller: Teller, story: BreachStory, onset: int) -> None:
    story.pending, story.stopped_at = None, onset
    teller.state.wake_at[codes.FOR_BREACH] = 0
    if teller.story.phase == NORMAL:
        story.last_steady = pack(_before_stop(teller, onset))
    else:
        story.last_steady = None


def _before_stop(teller: Teller, onset: int) -> Level | None:
    """The last level before flow stopped; one that valves raised as they were shut is no level of the elements."""
    last = level(teller.history, onset - BEFORE_S * NS, onset - 5 * NS)
    earlier = level(teller.history, onset - (EARLIER_S + BEFORE_S) * NS, onset - (EARLIER_S + 5) * NS)
    grown = -_loss(teller, teller.corrected(earlier), teller.corrected(last))
    return earlier if VALVES - 1 < grown < math.inf else last


def _started(teller: Teller, story: BreachStory, onset: int) -> None:
    idle = level(teller.history, onset - IDLE_S * NS, onset - 5 * NS)
    last = unpack(story.last_steady)
    quiet = idle is not None and last is not None and abs(idle.state.pressure_drop) < 0.1 * last.state.pressure_drop
    if quiet and idle is not None and math.isfinite(idle.outlet):
        teller.story.idle_outlet = idle.outlet
    if teller.state.wake_at[codes.FOR_TRACE] == 0:
        teller.state.wake_at[codes.FOR_TRACE] = onset + TRACE_S * NS
    if story.last_steady is None or teller.story.phase != NORMAL:
        return
    story.pending, story.since, story.before = AFTER_RESTART, onset, story.last_steady
    teller.state.wake_at[codes.FOR_BREACH] = onset + SURE_S * NS


def _look(teller: Teller, story: BreachStory, time: int) -> None:
    """Judge the pending loss, or wait for a longer average."""
    if story.pending is None or teller.story.phase != NORMAL:
        story.pending = None
        return
    restart = story.pending == AFTER_RESTART
    start = story.since + STEADY_S * NS if restart else story.since - 5 * NS
    before, after = teller.corrected(unpack(story.before)), teller.corrected(level(teller.history, start, time + NS))
    settings = teller.skid.alarms["element-breach"].extra
    loss = _loss(teller, before, after)
    last = story.since + (LONG_S if restart else LATER_S) * NS
    large = settings["likely_loss"]
    if loss < CLEARLY * large and time < last:
        # A level needs a whole block; until then nothing is known.
        again = time + AGAIN_S * NS if after is None and before is not None else last
        teller.state.wake_at[codes.FOR_BREACH] = min(again, last)
        return
    if before is not None and after is not None and loss >= _least(settings["loss"], restart):
        _conclude(teller, story, before, after, loss, time)
    story.pending = None


def _conclude(teller: Teller, story: BreachStory, before: Level, after: Level, loss: float, time: int) -> None:
    if story.pending == AFTER_RESTART and _changed_while_shut(teller, story, after):
        teller.was_isolated(story.stopped_at, story.stopped_at, story.since)
        return
    if not _explained(teller, before, after, loss, story.pending == AFTER_RESTART):
        _raise(teller, story, before, after, loss, time)


def _changed_while_shut(teller: Teller, story: BreachStory, after: Level) -> bool:
    """Whether the only vessel in service was changed with nothing standing in for it: the path was shut, the pump
    pushing, for as long as that takes, and what came back is as a clean one."""
    if teller.skid.in_service > 1 or teller.own_pressures:
        return False
    shut = teller.story.shut_at > story.stopped_at - ALL_SHUT_S * NS
    lasting = (story.since - story.stopped_at) / NS
    ratio = teller.referred(_flow_or_one(after)) / teller.story.clean[0]
    clean = 1 / CLEAN_ENOUGH < ratio < CLEAN_ENOUGH
    return shut and clean and lasting >= teller.skid.alarms["changeout-done"].extra["isolation"]


def _least(loss: float, restart: bool) -> float:
    return TOLERANCE * loss + (SLOUGH if restart else 0.0) * TOLERANCE


def _loss(teller: Teller, before: Level | None, after: Level | None) -> float:
    """Part of the skid's resistance that is gone; negative infinity where a level is not known."""
    if before is None or after is None:
        return -math.inf
    a, b = _flow_or_one(before), _flow_or_one(after)
    r0, r1 = teller.referred(a), teller.referred(b)
    return 1 - r1 / r0 if r0 > 0 and math.isfinite(r1) else -math.inf


def _flow_or_one(at: Level) -> Level:
    return at if math.isfinite(at.state.flow) else at._replace(state=at.state._replace(flow=1.0))


def _explained(teller: Teller, before: Level, after: Level, loss: float, restart: bool) -> bool:
    """Whether something other than a breach explains the loss, or may as well."""
    if restart and _told_across(teller.story):
        return True
    if _came_in(teller, before, after, loss) or _was_out(teller, before, loss):
        return True
    if not restart and _stops(teller, before, after):
        return True
    if not restart and (_cake_gave_way(teller, before, after, loss) or _less_demand(teller, before, after)):
        return True
    return not (restart or teller.story.breach.answered) and one_header_alone(teller.skid, before, after, loss)


def _stops(teller: Teller, before: Level, after: Level) -> bool:
    """A pump that stops, and a damped meter that shows it late: an element that gives way does not lower flow."""
    return after.state.flow < LESS_FLOW * before.state.flow and _nothing_left(teller, after)


def _nothing_left(teller: Teller, after: Level) -> bool:
    """Whether there is less dP than is left where one element is missing."""
    clean, error = teller.story.clean
    return error < SURE_CLEAN and teller.referred(_flow_or_one(after)) < HOUSING * clean


def _less_demand(teller: Teller, before: Level, after: Level) -> bool:
    """Where no meter tells: flow may have gone back, and dP with it."""
    skid, healths = teller.skid, teller.rows.state.health[teller.index]
    headers = (Role.INLET_PRESSURE, Role.OUTLET_PRESSURE)
    if skid.with_role(Role.FLOW) or not all(skid.with_role(role) for role in headers):
        return False
    slower = max(interval_of(skid, healths, role) for role in headers)
    return demand_fell(teller.history, before, after, int(teller.state["tick"]), slower)


def _cake_gave_way(teller: Teller, before: Level, after: Level, loss: float) -> bool:
    """Where demand fell, cake that packs shows less resistance at the lower dP; by how much is not known until flow has
    swung. An element that tears lets more through, not less."""
    r = teller.referred(_flow_or_one(before))
    x = after.state.pressure_drop / before.state.pressure_drop
    if teller.state["clean"] or not after.state.flow < LESS_FLOW * before.state.flow or not (r > 0 and 0 < x < 1):
        return False
    cake = max(1 - teller.story.clean[0] / r, 0.0)
    return loss <= cake * (1 - math.pow(x, MOST_PACKING))


def _came_in(teller: Teller, before: Level, after: Level, loss: float) -> bool:
    """A vessel or a standby that took up flow: its own pressure tells, else the size of the loss must exceed it."""
    for p0, p1 in zip(before.vessels, after.vessels, strict=True):
        if abs(p0 - before.inlet) > abs(p1 - after.inlet) + CLOSER_PA:
            return True
    skid = teller.skid
    if skid.in_service == len(skid.vessels):
        return False
    if teller.own_pressures:    # held at the inlet's pressure, a standby may have been opened to the outlet first
        since, drop = teller.story.breach.since, before.inlet - before.outlet
        return off_inlet(teller.history, since - (STEP_S + MOVES_S) * NS, since) > max(DIPS * drop, CLOSER_PA)
    return _clean_one_explains(teller, teller.referred(_flow_or_one(before)), loss, standby=True)


def _was_out(teller: Teller, before: Level, loss: float) -> bool:
    """Vessels are changed in turn: of many seen from the headers only, the next one may have left with a step too small
    to see."""
    if teller.skid.in_service < MANY or teller.own_pressures or not teller.story.changes:
        return False
    if teller.story.breach.since - teller.story.changes[-1].time >= ROUND_S * NS:
        return False
    return _clean_one_explains(teller, teller.referred(_flow_or_one(before)), loss)


def one_header_alone(skid: SkidSettings, before: Level, after: Level, loss: float) -> bool:
    """One header that moved while flow and the other stood still: a zero that shifted, not resistance.

    Under flow control a breach looks so too, with the inlet falling; then the size decides, and a vessel's own
    pressure, which falls with the inlet's when it is real.
    """
    down, up = before.inlet - after.inlet, after.outlet - before.outlet
    fall = down + up
    if not math.isfinite(fall) or fall <= 0:
        return False
    if skid.with_role(Role.FLOW):
        if skid.with_role(Role.DIFFERENTIAL_PRESSURE):
            return False    # dP was told by a transmitter of its own
        answer = math.log(after.state.flow / before.state.flow)
        if answer > FLOW_ANSWERS * -math.log(max(1 - loss, 0.05)):
            return False
    elif down > FLAT * fall and up > FLAT * fall:
        return False
    elif down < -FLAT * fall or up < -FLAT * fall:
        return True  # both headers went one way: throttled, or more supply, and no meter to tell by how much
    least = _least_of_zero(skid)
    if abs(down) <= FLAT * fall:
        return fall < least or bool(skid.with_role(Role.FLOW))
    if abs(up) > FLAT * fall:
        return False
    own = [p0 - p1 for p0, p1 in zip(before.vessels, after.vessels, strict=True) if math.isfinite(p0 - p1)]
    if own:
        return max(own) < 0.5 * down
    return fall < least


def _least_of_zero(skid: SkidSettings) -> float:
    """Fall [Pa] of one header alone that no zero makes."""
    spans = [(s.high - s.low) * s.scale for s in skid.signals if s.role is Role.INLET_PRESSURE]
    return min(ZERO_PA, *(ZERO_SPAN * span for span in spans))


def _raise(teller: Teller, story: BreachStory, before: Level, after: Level, loss: float, time: int) -> None:
    if story.standing is not None:
        return
    assert story.pending is not None
    r0, r1 = teller.referred(_flow_or_one(before)), teller.referred(_flow_or_one(after))
    sure = bool(teller.skid.with_role(Role.FLOW)) or before.inlet - after.inlet > FLAT * (after.outlet - before.outlet)
    likely = sure and (
        loss >= teller.skid.alarms["element-breach"].extra["likely_loss"]
        or r1 < BELOW_CLEAN * teller.story.clean[0]
        or turbid(before, after)
    )
    story.standing = Standing(
        detail=story.pending, grade="likely" if likely else "suspected", onset=story.since, loss=loss, before=r0,
        after=r1, vessel=_which(teller.skid, before, after), running=int(teller.state.running),
        rate_before=_rate(story.trace),
        unwatched=across(teller.story, story.stopped_at, story.since) if story.pending == AFTER_RESTART else [],
    )  # fmt: skip
    teller.told.events.append(raised_event(teller.skid, story.standing, time, teller.story.clean[0], before, after))
    story.trace = []
    teller.state.wake_at[codes.FOR_TRACE] = time + TRACE_S * NS
    relief.is_over(teller)


def _which(skid: SkidSettings, before: Level, after: Level) -> str | None:
    """The vessel whose inlet loses more pressure than before, while no other's does: more flow goes there now."""
    gains = [(after.inlet - p1) - (before.inlet - p0) for p0, p1 in zip(before.vessels, after.vessels, strict=True)]
    known = sorted((g, v) for v, g in enumerate(gains) if math.isfinite(g))
    if len(known) < len(skid.vessels) or len(known) < 2:
        return None
    (second, _), (most, vessel) = known[-2:]
    return skid.vessels[vessel] if most > WHICH_PA and most > 2 * max(second, 0.0) + WHICH_PA / 2 else None


def _trace(teller: Teller, story: BreachStory, time: int) -> None:
    """Keep how resistance goes on, and hold a suspicion against it."""
    teller.state["wake_at"][codes.FOR_TRACE] = time + TRACE_S * NS
    now = teller.corrected(level(teller.history, time - 60 * NS, time + NS))
    if now is None or teller.story.phase != NORMAL or not teller.state["judged"]:
        return
    value = teller.referred(_flow_or_one(now))
    if value > 0:
        story.trace = [*story.trace[-(TRACE_KEPT - 1) :], (int(teller.state["running"]), value)]
        _settle(teller, story, time)


def _rate(trace: list[tuple[int, float]]) -> float | None:
    """Growth of ln(resistance) per running hour, by the median of slopes (Theil 1950); None where too short."""
    if len(trace) < 5:
        return None
    slopes = sorted(
        3600 * (math.log(b) - math.log(a)) / (t1 - t0)
        for i, (t0, a) in enumerate(trace)
        for t1, b in trace[i + 1 :]
        if t1 > t0
    )
    return slopes[len(slopes) // 2] if slopes else None


def _settle(teller: Teller, story: BreachStory, time: int) -> None:
    """A slip of cake loads on as before, a tear does not."""
    standing = story.standing
    if standing is None or standing.grade != "suspected" or not standing.rate_before or standing.rate_before < 0.01:
        return
    ran = int(teller.state.running) - standing.running
    rate = _rate(story.trace)
    if ran < SETTLE_RUNNING_S[0] or rate is None:
        return
    # Resistance that is still there loads in proportion; what was lost does not.
    share = rate * story.trace[-1][1] / (standing.rate_before * standing.before)
    if share > RESUMED:
        why = "loading has gone on as before: cake that slipped, not an element that tore"
        teller.told.events.append(cleared_event(teller.skid, standing, time, why))
        story.standing = None
    elif share < STOPPED_LOADING and ran >= SETTLE_RUNNING_S[1]:
        standing.grade = "likely"
        teller.told.events.append(grown_event(teller.skid, standing, time))
