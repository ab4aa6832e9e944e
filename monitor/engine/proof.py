"""Was it a changeout? What the headers alone prove where a vessel's own pressure is not measured.

A fall of the skid's resistance across an isolation is a new element; a leaking one that gave way to a sound one shows
none, and is told by the isolation itself, where it lasted and its step was clear.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from monitor.engine.breach import ALL_SHUT_S, CLEAN_ENOUGH
from monitor.engine.explained import FLAT, ZERO_PA, one_header_alone
from monitor.engine.look_back import Level
from monitor.engine.story import unpack
from monitor.engine.verification import Finding
from monitor.model import NS, Role

if TYPE_CHECKING:
    from monitor.engine.event_tier import Teller

FALLEN, FALLEN_UNKNOWN = 0.05, 0.08     # fall of ln(normalised dP) that proves it, with a flow meter and without
CLEARLY = 4.0             # and in standard errors
AGAINST = 0.3             # of dP's fall, at most this may a header have moved the wrong way
RISEN = 0.1               # rise of ln(normalised dP) that says that nothing came back
LIKE = 0.7                # of ln(resistance), between an isolated vessel's and what it had before
MOST_LOADED = 3.0         # times the changeout point: more resistance than any vessel has. Common practice, no source
BLUR = 0.5                # error of ln(resistance) above which the headers prove nothing
NO_ELEMENT_SO_HIGH = 5.0  # ratio to clean: more than any element that was fitted badly
CLEAR_STEP = 0.08         # rise of ln(normalised dP) that an isolation long enough to be a changeout must have made
NOT_BACK = 0.25          # of the isolation's step: what came back of it less than that is no return
STILL_OUT_S = 7200       # since the isolation: later it is taken for over. As `changeout-due` waits for it
MOVED, OWES = 0.03, 0.5  # of ln(flow): more moves the headers too; so much of it dP may owe to cake that packs


def proved_by_headers(teller: Teller, finding: Finding) -> bool:
    """Without the vessel's own pressure: the skid came back lower, or it was out too long for less."""
    story = teller.story
    before, after = teller.corrected(unpack(story.before)), teller.corrected(unpack(story.after))
    if after is None:
        return False
    if before is None:
        return story.looked_back and _clean_came_in(finding)
    was, now = teller.referred(before), teller.referred(after)
    if not (0 < was < math.inf and 0 < now < math.inf):
        return False
    fall, flow = math.log(was / now), bool(teller.skid.with_role(Role.FLOW))
    noise = CLEARLY * math.hypot(before.error, after.error)
    zeros = not _out_long_enough(teller)      # one that shifts twice, up and further down, so far apart is none
    if fall > max(FALLEN if flow else FALLEN_UNKNOWN, noise) and (
        fell(before, after, zeros=zeros) or (flow and _fell_with_flow(teller, before, after, fall))
    ):
        return True
    return fall > -RISEN and _out_for_long(teller, finding)


def fell(before: Level, after: Level, *, zeros: bool) -> bool:
    """Whether inlet went down and outlet up, as when resistance falls; one may stay flat, or not be known. zeros: both
    but little, or one alone and more than a zero shifts by."""
    down, up = before.inlet - after.inlet, after.outlet - before.outlet
    fall = down + up
    if not math.isfinite(fall):
        return True
    alone = zeros and min(abs(down), abs(up)) < FLAT * fall and fall < ZERO_PA and not _flow_answers(before, after)
    return fall > 0 and min(down, up) > -AGAINST * fall and not alone


def _fell_with_flow(teller: Teller, before: Level, after: Level, fall: float) -> bool:
    """Whether it fell beyond what flow may have done that is not the same any more. Then both headers have moved with
    flow, and only what a meter refers dP to can tell."""
    owed = _owed_to_flow(before, after)
    return owed > 0 and fall > FALLEN + owed and _out_long_enough(teller)


def _owed_to_flow(before: Level | None, after: Level | None) -> float:
    """Part of a fall of ln(normalised dP) that flow may have made which is not the same any more; 0 where it is."""
    if before is None or after is None or not min(before.state.flow, after.state.flow) > 0:
        return 0.0
    moved = abs(math.log(after.state.flow / before.state.flow))
    return OWES * moved if moved > MOVED else 0.0


def nothing_came_back(teller: Teller, time: int) -> bool:
    """Whether the level after a supposed return is that of the isolation still: what moved was something else."""
    story = teller.story
    levels = [teller.corrected(unpack(p)) for p in (story.before, story.isolated, story.after)]
    if story.looked_back or time - story.isolated_at > STILL_OUT_S * NS:
        return False
    known = [teller.referred(found) for found in levels if found is not None]
    if len(known) < len(levels) or min(known) <= 0:
        return False
    stepped, back = math.log(known[1] / known[0]), math.log(known[1] / known[2])
    return stepped > CLEAR_STEP and back < NOT_BACK * stepped + _owed_to_flow(levels[1], levels[2])


def held_full(teller: Teller, finding: Finding, time: int) -> bool:
    """Whether a vessel with the header's pressure in it stands full with its outlet shut: no element lets so little
    through, however badly it was fitted."""
    lasting = time - teller.story.isolated_at <= STILL_OUT_S * NS
    return lasting and finding.measured * math.exp(-finding.error) > NO_ELEMENT_SO_HIGH


def _flow_answers(before: Level, after: Level) -> bool:
    return after.state.flow > before.state.flow


def _clean_came_in(finding: Finding) -> bool:
    return finding.error < BLUR and abs(math.log(finding.measured)) < math.log(CLEAN_ENOUGH)


def _out_for_long(teller: Teller, finding: Finding) -> bool:
    if teller.story.shut_at > teller.story.isolated_at - ALL_SHUT_S * NS:
        return False    # all were shut, not one
    if not math.isfinite(finding.error) or finding.error > BLUR or finding.measured > NO_ELEMENT_SO_HIGH:
        return False
    if not _plausible(teller, finding.before):
        return False
    return _out_long_enough(teller) and _stepped(teller) > CLEAR_STEP


def _out_long_enough(teller: Teller) -> bool:
    lasting = (teller.story.returned_at - teller.story.isolated_at) / NS
    return lasting >= teller.skid.alarms["changeout-done"].extra["isolation"]


def _plausible(teller: Teller, before: float) -> bool:
    """Whether the isolated vessel's resistance is one that a vessel here may have had: a step that something else made
    gives one out of all proportion."""
    known = [p for p in teller.story.places if p]
    if known:
        return before > 0 and min(abs(math.log(before / p)) for p in known) < LIKE
    return 0 < before < MOST_LOADED * teller.skid.element.changeout_dp


def _stepped(teller: Teller) -> float:
    """Rise of ln(normalised dP) that the isolation made; 0 where one gauge alone may have moved."""
    before, isolated = unpack(teller.story.before), unpack(teller.story.isolated)
    if before is None or isolated is None:
        return 0.0
    share = 1 - before.state.pressure_drop / isolated.state.pressure_drop
    if one_header_alone(teller.skid, isolated, before, share):
        return 0.0
    a, b = teller.referred(before), teller.referred(isolated)
    return math.log(b / a) if a > 0 and b > 0 else 0.0
