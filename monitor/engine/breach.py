"""Is a loss of resistance a breach? What the row tier saw fall is weighed against all else that could explain it.

In service the fall is judged some seconds later, once its new level is known; across a stop of the pump or of the
monitor the first steady minutes after it are compared with the last before it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from monitor.detectors.sudden import LATELY
from monitor.engine import codes, relief
from monitor.engine.answer import answered, outlet_led
from monitor.engine.explained import (
    BEFORE_S,
    BELOW_CLEAN,
    FLAT,
    MANY,
    PAIR,
    STEP_S,
    across_stop,
    as_demand,
    came_back,
    clean_one_comes,
    explained,
    flow_or_one,
    hidden_by_zero,
    hunting,
    in_turn,
    left_unseen,
    long_enough,
    loss_between,
    may_be_changed,
    may_be_changed_idle,
    no_more_than_left,
    nothing_left,
    other_of_pair,
    perhaps_out,
    stands_yet,
)
from monitor.engine.look_back import Level, level, seconds
from monitor.engine.messages_breach import cleared_event, raised_event, turbid
from monitor.engine.missed import step_before
from monitor.engine.row_tier import Emission
from monitor.engine.settling import TRACE_S, keep_trace, steady_rate
from monitor.engine.story import NORMAL, BreachStory, Standing, ToldChange, pack, unpack
from monitor.engine.unwatched import across
from monitor.engine.wording import clock
from monitor.model import NS, Role
from monitor.skid import SkidSettings

if TYPE_CHECKING:
    from monitor.engine.event_tier import Teller

IN_SERVICE, AFTER_RESTART = "in-service", "after-restart"
SOON_S, LATER_S = 18, 100        # after a fall was seen: a large loss is judged, then any
AGAIN_S = 4
EARLIER_S, VALVES = 90, 1.15      # before the level before a stop; so much more resistance since then is of valves
BEFORE_AT_ONCE_S, NOW_S = 3, 4   # seconds averaged before a large loss that is told at once, and now
STEADY_S, SURE_S, LONG_S = 105, 165, 330   # after flow came back: when levels count, and when they are judged
IDLE_S = 60                      # before flow came back: what drove nothing
SHOWS = 0.2                      # of a loss that less flow makes, so much of flow a meter damped by 10 s shows by then
CLEARLY = 0.75                   # of a large loss: so much at once needs no longer average to be told ...
SIGNIFICANT = 6.0                # ... where it is so many times its standard error, which six blocks tell but roughly
TOLERANCE = 0.9                  # of the loss that counts: a measured one scatters about the true one
SLOUGH = 0.04                    # part of the resistance that cake loses across a stop and does not regain at once
PUSHED = 0.5                     # of dP before: so much left says that the pump still pushed
WITH_FLOW = 0.5                  # of the fall of dP: the outlet falls by more where flow does
WHICH_PA = 400.0                 # more loss at one vessel's inlet that names it
ALL_SHUT_S = 60                  # before an isolation, or before flow stopped, that a shut path looked like
CLEAN_ENOUGH = 1.6               # ratio to clean, or its inverse: within it what comes back unseen is taken for clean


def weigh(teller: Teller, emission: Emission) -> None:
    """Carry the story of losses on by one emission."""
    story = teller.story.breach
    if emission.code == codes.DROPPED and emission.detail == codes.SUDDEN:
        _at_once(teller, story, emission.onset, emission.time)
    elif emission.code == codes.DROPPED:
        if not _missed(teller, emission.time, 1 - math.exp(-emission.value)):
            _begin(teller, story, IN_SERVICE, emission.time)
            relief.may_have_come_in(teller, unpack(story.before) if story.pending else None, emission.time)
    elif emission.code == codes.STOPPED:
        _stopped(teller, story, emission.onset)
    elif emission.code == codes.STARTED:
        _started(teller, story, emission.onset)
    elif emission.signal == codes.FOR_BREACH:
        _look(teller, story, emission.time)
    elif emission.signal == codes.FOR_TRACE:
        keep_trace(teller, story, emission.time)


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
    if standing is None or standing.detail != AFTER_RESTART or not across_stop(story, change.at, standing.onset):
        return
    name = teller.skid.vessels[change.vessel]
    why = f"vessel {name} was changed meanwhile, at {clock(change.at)}, as {change.who} tells"
    teller.told.events.append(cleared_event(teller.skid, standing, time, why))
    story.standing = None


def _missed(teller: Teller, seen: int, loss: float) -> bool:
    """Whether the fall that was seen at `seen` [ns] is a vessel's return whose leaving was not; it is then followed as
    any other."""
    skid = teller.skid
    if teller.story.phase != NORMAL or skid.in_service < PAIR or teller.own_pressures:
        return False
    fallen = seen - STEP_S * NS
    stepped = step_before(teller.history, fallen)
    since = stepped if stepped is not None else in_turn(teller, fallen)
    out = perhaps_out(teller, fallen) if since is None else None
    if out is not None:
        if no_more_than_left(out, loss):
            return False    # once it has settled, that explains it
        since = out.since
    before = teller.corrected(level(teller.history, fallen - BEFORE_S * NS, fallen))
    if since is None or before is None:
        return False
    if not clean_one_comes(teller, before, loss):
        return False
    if out is None and skid.in_service < MANY and not other_of_pair(teller, before, loss, fallen):
        return False
    teller.was_isolated(since, fallen, seen, seen=stepped is not None, out=out)
    return True


def not_returned(teller: Teller, before: Level | None, after: Level | None, time: int) -> None:
    """What was followed as a vessel's unseen return was none: the loss is told after all."""
    story = teller.story.breach
    loss = loss_between(teller, before, after)
    if before is None or after is None or loss < _least(teller.skid.alarms["element-breach"].extra["loss"], False):
        return
    story.pending, story.since, story.answered, story.outlet_led = IN_SERVICE, teller.story.returned_at, False, False
    _conclude(teller, story, before, after, loss, time)
    story.pending = None


def _begin(teller: Teller, story: BreachStory, detail: str, time: int) -> None:
    if teller.story.phase != NORMAL or story.pending is not None:
        return
    story.before = pack(level(teller.history, time - (STEP_S + BEFORE_S) * NS, time - STEP_S * NS))
    if story.before is not None:
        story.pending, story.since = detail, time
        seen = teller.skid, teller.state, teller.rows.state.health[teller.index]
        story.answered, story.outlet_led = answered(*seen), outlet_led(*seen)
        teller.state.wake_at[codes.FOR_BREACH] = time + SOON_S * NS


def _at_once(teller: Teller, story: BreachStory, since: int, time: int) -> None:
    """A large loss at a flow that stands is told now, where nothing but an element can be its cause: where vessels may
    come and go unseen, it waits as any other."""
    skid, settings = teller.skid, teller.skid.alarms["element-breach"].extra
    steady = teller.story.phase == NORMAL and story.pending is None and story.standing is None
    if not steady or skid.in_service >= MANY or skid.in_service < len(skid.vessels):
        return
    if perhaps_out(teller, since) is not None:
        return
    back, (averaged, apart) = (time - since) // NS, LATELY
    spans = ((back, BEFORE_AT_ONCE_S), (0, NOW_S), (back, averaged), (back + apart, averaged))
    *levels, lately, earlier = [seconds(teller.state, ago, count, codes.MAX_VESSELS) for ago, count in spans]
    before, after = (teller.corrected(at) for at in levels)
    loss = loss_between(teller, before, after)
    if before is None or after is None or loss < settings["likely_loss"] or other_of_pair(teller, before, loss, since):
        return
    story.answered, story.since = False, since
    story.outlet_led = outlet_led(skid, teller.state, teller.rows.state.health[teller.index])
    if story.outlet_led or hunting(teller, before, loss) > 0:
        return
    # Flow sags faster and faster as an element clogs.
    tending = before.state.flow + min(0.0, lately.state.flow - earlier.state.flow) * back / apart
    stops = nothing_left(teller, after) or after.state.flow < (1 - SHOWS * loss) * tending
    if not stops and not _less_flow(before, after) and not explained(teller, before, after, loss, restart=False):
        story.pending = IN_SERVICE
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
    grown = -loss_between(teller, teller.corrected(earlier), teller.corrected(last))
    return earlier if VALVES - 1 < grown < math.inf else last


def _started(teller: Teller, story: BreachStory, onset: int) -> None:
    idle = level(teller.history, onset - IDLE_S * NS, onset - 5 * NS)
    last = unpack(story.last_steady)
    quiet = idle is not None and last is not None and abs(idle.state.pressure_drop) < 0.1 * last.state.pressure_drop
    if quiet and idle is not None and math.isfinite(idle.outlet):
        teller.story.idle_outlet = idle.outlet
    if teller.state.wake_at[codes.FOR_TRACE] == 0:
        teller.state.wake_at[codes.FOR_TRACE] = onset + TRACE_S * NS
    flow_came(teller, onset)


def flow_came(teller: Teller, onset: int) -> None:
    """Flow is back since `onset` [ns]: what it shows is compared with the last level before it stopped."""
    story = teller.story.breach
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
    loss = loss_between(teller, before, after)
    last = story.since + (LONG_S if restart else LATER_S) * NS
    if not (loss >= CLEARLY * settings["likely_loss"] and _stands_out(before, after, loss)) and time < last:
        # A level needs a whole block; until then nothing is known.
        again = time + AGAIN_S * NS if after is None and before is not None else last
        teller.state.wake_at[codes.FOR_BREACH] = min(again, last)
        return
    # A valve is opened in steps, of which the first said little of the whole: whether it was a return is asked again.
    known = before is not None and after is not None and loss >= _least(settings["loss"], restart)
    if before and after and known and (restart or not _missed(teller, story.since, loss)):
        _conclude(teller, story, before, after, loss, time)
    story.pending = None


def _stands_out(before: Level | None, after: Level | None, loss: float) -> bool:
    """Whether a loss is beyond what blocks scatter by, as those of slow readings do while a pump hunts. The few since
    the fall tell little of their own scatter. Levels of seconds were judged by theirs."""
    if before is None or after is None:
        return False
    error = before.error * math.sqrt(1 + before.blocks / after.blocks) if after.blocks else 0.0
    return loss >= SIGNIFICANT * error


def _conclude(teller: Teller, story: BreachStory, before: Level, after: Level, loss: float, time: int) -> None:
    if story.pending == AFTER_RESTART and not teller.own_pressures:
        if teller.skid.in_service == 1 and _changed_while_shut(teller, story, after):
            teller.was_isolated(story.stopped_at, story.stopped_at, story.since)
            return
        if teller.skid.in_service > 1 and _changed_at_little_flow(teller, story, before, loss):
            teller.was_isolated(story.stopped_at, story.since, story.since)
            return
    restart = story.pending == AFTER_RESTART
    if not explained(teller, before, after, loss, restart):
        _raise(teller, story, before, after, loss, time)
    elif came_back(teller, before, loss, restart) and not (restart and stands_yet(teller, after)):
        out = teller.story.perhaps_out
        assert out is not None
        out.until = min(out.until, time + relief.STEPS_S * NS)      # its valve may be opened further yet


def _changed_while_shut(teller: Teller, story: BreachStory, after: Level) -> bool:
    """Whether the only vessel in service was changed with nothing standing in for it: the path was shut, the pump
    pushing, for as long as that takes, and what came back is as a clean one."""
    shut = teller.story.shut_at > story.stopped_at - ALL_SHUT_S * NS
    ratio = teller.referred(flow_or_one(after)) / teller.story.clean[0]
    clean = 1 / CLEAN_ENOUGH < ratio < CLEAN_ENOUGH
    return shut and clean and long_enough(teller)


def _changed_at_little_flow(teller: Teller, story: BreachStory, before: Level, loss: float) -> bool:
    """Whether flow did not stop, but one of several was shut: the loaded rest let so little through that flow was none,
    the pump pushing for as long as a changeout takes, and what was lost then is what a clean vessel makes."""
    idle = level(teller.history, story.since - IDLE_S * NS, story.since - 5 * NS)
    pushed = idle is not None and idle.state.pressure_drop > PUSHED * before.state.pressure_drop
    return pushed and long_enough(teller) and clean_one_comes(teller, before, loss)


def _least(loss: float, restart: bool) -> float:
    return TOLERANCE * loss + (SLOUGH if restart else 0.0) * TOLERANCE


def _raise(teller: Teller, story: BreachStory, before: Level, after: Level, loss: float, time: int) -> None:
    if story.standing is not None:
        return
    assert story.pending is not None
    r0, r1 = teller.referred(flow_or_one(before)), teller.referred(flow_or_one(after))
    metered = bool(teller.skid.with_role(Role.FLOW))
    # Far from the reference flow the turbulent part decides, and one that was fitted to few changes may be wrong.
    r1_most = max(r1, teller.referred(flow_or_one(after), teller.assumed))
    below_clean = r1_most + hidden_by_zero(teller, after) < BELOW_CLEAN * teller.story.clean[0]
    restart = story.pending == AFTER_RESTART
    alike = as_demand(teller, before, after, restart)
    sure = not alike and (restart or _stands_out(before, after, loss))
    unseen = may_be_changed(teller, r0, loss) or (not restart and left_unseen(teller, before, loss))
    changed = may_be_changed_idle(teller, r0, r1) if restart else unseen
    likely = sure and not changed and (
        loss >= teller.skid.alarms["element-breach"].extra["likely_loss"]
        or (metered and below_clean)   # else less flow shows so little, too
        or turbid(before, after)
    )
    story.standing = Standing(
        detail=story.pending, grade="likely" if likely else "suspected", onset=story.since, loss=loss, before=r0,
        after=r1, vessel=_which(teller.skid, before, after), running=int(teller.state.running),
        rate_before=None if restart and changed else steady_rate(story.trace),    # a clean element hardly loads
        unwatched=across(teller.story, story.stopped_at, story.since) if restart else [],
        # Less demand, and a clean element in a loaded one's place, hardly load.
        stall_tells=metered and not changed and not unseen,
    )  # fmt: skip
    event = raised_event(teller.skid, story.standing, time, teller.story.clean[0], before, after, alike, changed)
    teller.told.events.append(event)
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
