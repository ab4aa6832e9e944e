"""What else than an element can explain a loss of resistance: a vessel or a standby that came in, demand, cake, a pump
that stops, a gauge whose zero shifted."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from monitor.engine.answer import slower_header
from monitor.engine.demand import demand_fell
from monitor.engine.look_back import Level, level, off_inlet, restlessness, rose_within_minutes, went_with_demand
from monitor.engine.resolution import zero_error
from monitor.engine.separation import HIGHEST_PACKING
from monitor.engine.story import BreachStory, PerhapsOut, Story
from monitor.model import NS, Role
from monitor.skid import SkidSettings

if TYPE_CHECKING:
    from monitor.engine.event_tier import Teller

STEP_S = 35                      # before a fall was seen, the level before it ends
HOUSING = 0.4                    # of the clean reference: left where one element is missing. Common practice, no source
SURE_CLEAN = 0.2                 # relative error of that reference, below which it is known
BELOW_CLEAN = 0.9                # of the clean reference: below it no cake can explain the level
FLAT = 0.15                      # of the fall of dP: a header that moved by less did not move
FLOW_ANSWERS = 0.03              # of flow per unit of ln(resistance): less, and flow is controlled or dP is wrong
ZERO_PA, ZERO_SPAN = 0.15e5, 0.02     # Pa, and of span: a fall of one header alone by less may be a zero that shifted
MOVES_S = 30                     # that valves take
LESS_FLOW = 0.92                 # of the flow before: demand has fallen
FAR_LESS = 0.75                  # the same: a damped meter or a wrong exponent makes no small part of what was lost
FEW_S = 3.0                      # between readings: of more, too few show what comes before a new level
CLOSER_PA = 3000.0               # by which a vessel's pressure comes closer to the header's when it is opened to it
DIPS = 0.2                       # of dP: a standby opened to the outlet first falls below the inlet by so much
PAIR = 2                         # vessels in service: one may leave while the other carries on
AS_CLEAN = 0.25                  # of ln(resistance): what a clean vessel makes of it is known so well
MANY = 3                         # vessels in service, from which on one that leaves may make a step too small to see
CLEAN_ONE = 1.25                 # of the loss that a clean vessel makes where all is laminar: what is taken for one
IN_TURN = 1.35                   # the same where the next of a round is due: likelier changed than torn
ZERO_ERRORS = 3.0                # standard errors of the zero of dP, that it may be off by
UNMETERED = 0.85                 # of the least that a clean vessel leaves, where flow is not measured
OVERDUE = 1.5                    # times the changeout point: a skid that is to be changed in all its vessels
ROUND_S = 7200                   # after a changeout in which the next one is likely: vessels are changed in turn
AS_LEFT = 1.3                    # of a step: what comes back unchanged makes no more
BEFORE_S = 75                    # span of the level before a fall
HUNTING, CALMED = 0.35, 0.25     # of what dP lost: scatter of the inlet's blocks; of that, what is left
WENT = 0.04                      # of dP: what demand moved so far may hide the step of a vessel that leaves
ROSE = 0.5                       # of ln(resistance), of the step that one of vessels alike makes as it leaves
ONCE_BACK_S = 60                 # after a return, until its fall of dP is over
OUT_S = 3600                     # that a vessel is out to be changed, at most. Common practice, no source
LEAST_ONE = 0.7                  # of the loss that a clean vessel makes where all is laminar: no less is taken for one
UNSEEN_S = 900                   # the longest level taken for that of the rest alone where none was seen to leave


def explained(teller: Teller, before: Level, after: Level, loss: float, restart: bool) -> bool:
    """Whether something other than a breach explains the loss, or may as well."""
    if _came_in(teller, before, after, loss) or _was_out(teller, before, loss):
        return True
    if restart:
        return _told_across(teller.story) or stands_yet(teller, after) or came_back(teller, before, loss, restart)
    if _stops(teller, before, after) or _cake_gave_way(teller, before, after, loss):
        return True
    if came_back(teller, before, loss, restart):
        return True
    if _less_demand(teller, before, after) or _hunting_ended(teller, before, loss):
        return True
    return not teller.story.breach.answered and one_header_alone(teller.skid, before, after, loss)


def stands_yet(teller: Teller, at: Level) -> bool:
    """Where no meter tells: pressures may have moved, and nothing flow yet."""
    return not teller.skid.with_role(Role.FLOW) and nothing_left(teller, at)


def _told_across(story: Story) -> bool:
    told = [t.at for t in story.told_changes] + [s.returned_at for s in story.seen_changes if not s.seen]
    return any(across_stop(story.breach, at, story.breach.since) for at in told)


def across_stop(story: BreachStory, at: int, again: int) -> bool:
    """Whether a changeout was told for the stop that ended when flow came back at `again` [ns]."""
    return story.stopped_at - MOVES_S * NS <= at <= again + MOVES_S * NS


def _stops(teller: Teller, before: Level, after: Level) -> bool:
    """A pump that stops, and a damped meter that shows it late: an element that gives way does not lower flow."""
    return after.state.flow < LESS_FLOW * before.state.flow and nothing_left(teller, after)


def nothing_left(teller: Teller, after: Level) -> bool:
    """Whether there is less dP than is left where one element is missing."""
    clean, error = teller.story.clean
    return error < SURE_CLEAN and teller.referred(flow_or_one(after)) < HOUSING * clean


def as_demand(teller: Teller, before: Level, after: Level, restart: bool) -> bool:
    """Whether demand that fell, or a pump that slowed down, would have left the same: in service where a meter shows
    far less flow, which no element that gives way makes; where none does, if the inlet did not fall, or it alone did in
    the end, after the outlet rose or within seconds that slow readings do not show."""
    skid = teller.skid
    if skid.with_role(Role.FLOW):
        return not restart and after.state.flow < FAR_LESS * before.state.flow
    down, up = before.inlet - after.inlet, after.outlet - before.outlet
    unseen = slower_header(skid, teller.rows.state.health[teller.index]) > FEW_S
    led = teller.story.breach.outlet_led
    return not down > FLAT * up or (not restart and (unseen or led) and abs(up) < FLAT * down)


def _less_demand(teller: Teller, before: Level, after: Level) -> bool:
    """Where no meter tells: flow may have gone back, and dP with it."""
    skid, healths = teller.skid, teller.rows.state.health[teller.index]
    headers = (Role.INLET_PRESSURE, Role.OUTLET_PRESSURE)
    if skid.with_role(Role.FLOW) or not all(skid.with_role(role) for role in headers):
        return False
    interval = slower_header(skid, healths)
    return demand_fell(teller.history, before, after, int(teller.state["tick"]), interval)


def _hunting_ended(teller: Teller, before: Level, loss: float) -> bool:
    """Whether a pump hunted until then: where flow swings faster than its meter shows, the mean of dP, which goes with
    more than the first power of flow, stands above that of steady flow."""
    then = hunting(teller, before, loss)
    later = restlessness(teller.history, "inlet", teller.story.breach.since, int(teller.state["tick"]))
    return then > 0 and later < CALMED * then


def hunting(teller: Teller, before: Level, loss: float) -> float:
    """By how much [Pa] the inlet moved by itself before the fall; 0 unless so far that seconds tell nothing."""
    since = teller.story.breach.since
    moved = restlessness(teller.history, "inlet", since - (STEP_S + BEFORE_S) * NS, since - STEP_S * NS)
    return moved if moved > HUNTING * loss * before.state.pressure_drop else 0.0


def _cake_gave_way(teller: Teller, before: Level, after: Level, loss: float) -> bool:
    """Where demand fell, cake that packs shows less resistance at the lower dP; by how much is not known until flow has
    swung. An element that tears lets more through, not less."""
    r, begun = teller.referred(flow_or_one(before)), teller.story.breach.since - (STEP_S + BEFORE_S) * NS
    earlier = teller.corrected(level(teller.history, begun - BEFORE_S * NS, begun))     # a fall may take its time
    full = before if earlier is None else max(before, earlier, key=lambda at: at.state.pressure_drop)
    x = after.state.pressure_drop / full.state.pressure_drop
    if teller.state["clean"] or not after.state.flow < LESS_FLOW * before.state.flow or not (r > 0 and 0 < x < 1):
        return False
    cake = max(1 - teller.story.clean[0] / r, 0.0)
    return loss <= cake * (1 - math.pow(x, HIGHEST_PACKING))


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
    return _clean_one_explains(teller, teller.referred(flow_or_one(before)), loss, standby=True)


def _was_out(teller: Teller, before: Level, loss: float) -> bool:
    """Vessels are changed in turn: of many seen from the headers only, the next one may have left with a step too small
    to see."""
    if teller.skid.in_service < MANY or teller.own_pressures or in_turn(teller, teller.story.breach.since) is None:
        return False
    return clean_one_comes(teller, before, loss, largest=IN_TURN)


def in_turn(teller: Teller, fallen: int) -> int | None:
    """Vessels are changed in turn: earliest time at which the next one may have left, None where none is due."""
    last = teller.story.returned_at
    if not teller.story.changes or fallen - teller.story.changes[-1].time > ROUND_S * NS:
        return None
    return max(last, fallen - UNSEEN_S * NS)


def perhaps_out(teller: Teller, at: int) -> PerhapsOut | None:
    """What left hours before `at` [ns] and was not seen to come back; None where nothing did."""
    out = teller.story.perhaps_out
    return out if out is not None and at <= out.until else None


def no_more_than_left(out: PerhapsOut, loss: float) -> bool:
    """Whether a loss is that of what left as it comes back unchanged."""
    return loss <= 1 - math.exp(-AS_LEFT * out.step)


def came_back(teller: Teller, before: Level, loss: float, restart: bool) -> bool:
    """Whether what left hours before may have come back as it was or, while nothing flowed, changed. In service one
    that comes back changed is followed as a return."""
    story = teller.story.breach
    out = perhaps_out(teller, story.stopped_at if restart else story.since)
    return out is not None and (no_more_than_left(out, loss) or (restart and clean_one_comes(teller, before, loss)))


def other_of_pair(teller: Teller, before: Level, loss: float, fallen: int) -> bool:
    """Whether the other of a pair may have been changed next: the loss is the one that a clean vessel makes beside what
    carried the flow alone."""
    if teller.skid.in_service != PAIR or teller.own_pressures or in_turn(teller, fallen) is None or loss >= 1:
        return False
    r, hidden = teller.referred(flow_or_one(before)), hidden_by_zero(teller, before)
    whole = PAIR * teller.story.clean[0]
    if r <= 0:
        return False
    least, most = (math.log((1 - loss * r / (r + h)) * (r + h + whole) / whole) for h in (0.0, hidden))
    return least < AS_CLEAN and most > -AS_CLEAN


def may_be_changed(teller: Teller, r: float, loss: float) -> bool:
    """Whether a loss may as well be a changeout that was not seen to begin: of many vessels seen from the headers only,
    long overdue, one that leaves moves dP little, since the pump gives no more. r: the skid's resistance [Pa]."""
    skid = teller.skid
    if skid.in_service < MANY or teller.own_pressures or r < OVERDUE * skid.element.changeout_dp:
        return False
    return _clean_one_explains(teller, r, loss)


def left_unseen(teller: Teller, before: Level, loss: float) -> bool:
    """Whether a loss may as well be a changeout whose vessel left as demand changed, so that the headers did not part:
    no less is lost than a clean vessel makes. How much more that makes depends, without a meter, on a flow that is not
    known."""
    if teller.skid.in_service < PAIR or teller.own_pressures:
        return False
    r = teller.referred(flow_or_one(before))
    whole = teller.skid.in_service * teller.story.clean[0]
    large = r > 0 and loss >= LEAST_ONE * r / (r + whole)
    return large and _something_left(teller, before, teller.story.breach.since)


def _something_left(teller: Teller, before: Level, fallen: int) -> bool:
    """Whether in the hour before `fallen` [ns], since the last changeout, resistance rose as it does when a vessel
    leaves, or, without a meter, flow may have changed."""
    count, changed = teller.skid.in_service, max((change.time for change in teller.story.changes), default=0)
    span = max(fallen - OUT_S * NS, changed + ONCE_BACK_S * NS), fallen - STEP_S * NS
    if rose_within_minutes(teller.history, *span) > ROSE * math.log(count / (count - 1)):
        return True
    went = 0.0 if teller.skid.with_role(Role.FLOW) else went_with_demand(teller.history, *span)
    return went > WENT * before.state.pressure_drop


def may_be_changed_idle(teller: Teller, r: float, left: float) -> bool:
    """Whether elements long overdue may have been changed in the time before flow came back: it was long enough for
    that, and what is left is no less than clean ones show. r, left: the skid's resistance before and after [Pa]."""
    if teller.own_pressures or not long_enough(teller):
        return False
    return r >= OVERDUE * teller.skid.element.changeout_dp and left >= BELOW_CLEAN * teller.story.clean[0]


def long_enough(teller: Teller) -> bool:
    """Whether flow was away for as long as a changeout takes."""
    story, least = teller.story.breach, teller.skid.alarms["changeout-done"].extra["isolation"]
    return (story.since - story.stopped_at) / NS >= least


def clean_one_comes(teller: Teller, before: Level, loss: float, *, largest: float = CLEAN_ONE) -> bool:
    """Whether a clean vessel beside what carried flow until then makes such a loss, and no more; the zero of dP may be
    off, which little dP shows most."""
    r, hidden = teller.referred(flow_or_one(before)), hidden_by_zero(teller, before)
    return r > 0 and _clean_one_explains(teller, r + hidden, loss * r / (r + hidden), largest=largest)


def hidden_by_zero(teller: Teller, at: Level) -> float:
    """Resistance [Pa] that may be there and not be seen, as the zero of dP is not known better."""
    more = at.state.pressure_drop + ZERO_ERRORS * zero_error(teller.skid, teller.state)
    there = flow_or_one(at._replace(state=at.state._replace(pressure_drop=more)))
    return teller.referred(there) - teller.referred(flow_or_one(at))


def _clean_one_explains(
    teller: Teller, r: float, loss: float, *, standby: bool = False, largest: float = CLEAN_ONE
) -> bool:
    """The same of a skid's resistance r [Pa]. largest: of what a clean one makes where all is laminar, taken for one.

    With a standby beside those usually in service the skid goes below what these show clean, at most by the square of
    flow; and so far its loss may go too, or where no meter tells how dP goes with flow.
    """
    count, clean = teller.skid.in_service, teller.story.clean[0]
    if r <= 0:
        return False
    most, least = largest * r / (r + count * clean), BELOW_CLEAN * clean
    metered, alone = bool(teller.skid.with_role(Role.FLOW)), count * math.sqrt(clean)
    if standby or not metered:
        most = max(most, 1 - (alone / (alone + math.sqrt(r))) ** 2)
    if standby:
        least *= (count / (count + 1)) ** 2
    if not metered:
        least *= UNMETERED      # what a clean one shows depends on a flow that is not known
    return loss <= most and (1 - loss) * r > least


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


def loss_between(teller: Teller, before: Level | None, after: Level | None) -> float:
    """Part of the skid's resistance that is gone; negative infinity where a level is not known."""
    if before is None or after is None:
        return -math.inf
    a, b = flow_or_one(before), flow_or_one(after)
    r0, r1 = teller.referred(a), teller.referred(b)
    return 1 - r1 / r0 if r0 > 0 and math.isfinite(r1) else -math.inf


def flow_or_one(at: Level) -> Level:
    return at if math.isfinite(at.state.flow) else at._replace(state=at.state._replace(flow=1.0))
