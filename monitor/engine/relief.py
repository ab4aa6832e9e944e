"""A standby that stands in for a loaded vessel: when it came into service, and whether what leaves is it again.

Beside those usually in service it lowers the skid's level; taken out it brings back the level that was, or, where a
vessel has been changed meanwhile, the one that was seen while it stood in for it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from monitor.detectors.isolation import DEPARTED
from monitor.engine.look_back import Level
from monitor.engine.story import pack
from monitor.model import NS, Role

if TYPE_CHECKING:
    from monitor.engine.event_tier import Teller

LIKE = 0.12               # of ln(normalised dP), within which two levels may be one; loading goes on between them

SEEN_S = 120              # how long a step may be seen again
STANDS_IN_S = 3 * 3600    # that a standby is in for one change, at most. Common practice, no source
STEPS_S = 600             # falls within it are one standby coming in


def has_standby(teller: Teller) -> bool:
    return teller.skid.in_service < len(teller.skid.vessels)


def may_have_come_in(teller: Teller, before: Level | None, time: int) -> None:
    """Resistance fell at once on a skid with a standby; before: the level until then. A valve is opened in steps."""
    at, story = teller.corrected(before), teller.story
    opening = story.relief is not None and time - story.relief_at < STEPS_S * NS
    if at is None or not has_standby(teller) or opening or stands_by(teller):
        return
    usual = teller.referred(at if math.isfinite(at.state.flow) else at._replace(state=at.state._replace(flow=1.0)))
    if usual > 0:
        story.relief, story.relief_at, story.usual, teller.state.relieved = usual, time, pack(at), 1


def stands_by(teller: Teller) -> bool:
    """Whether the vessels' own pressures say that no more of them than usual are open to the inlet header. False where
    they do not tell."""
    skid, sensors = teller.skid, teller.rows.state.sensor[teller.index]
    places = teller.rows.parameters.skid[teller.index]["vessel_signal"][: len(skid.vessels)]
    off = [abs(float(sensors[k]["now"]) - float(teller.state["inlet"])) > DEPARTED for k in places if k >= 0]
    return sum(off) >= len(skid.vessels) - skid.in_service


def lapse(teller: Teller, time: int) -> None:
    """Without a meter demand that fell looks as a standby that came in; one that stands in for a vessel to be changed
    does so for a while only."""
    if not teller.skid.with_role(Role.FLOW) and time - teller.story.relief_at > STANDS_IN_S * NS:
        is_over(teller)


def is_over(teller: Teller) -> None:
    """The usual vessels carry flow, or nothing is known of the standby."""
    teller.story.relief, teller.story.usual, teller.state.relieved = None, None, 0


def left_again(teller: Teller, time: int) -> bool:
    """Whether the vessel that has just left is the standby: the level is what the usual ones show. One step may be
    seen more than once."""
    story, now = teller.story, float(teller.state.level_isolated)
    usual = story.relief
    if usual is None and story.left is not None and time - story.left[0] < SEEN_S * NS:
        usual = story.left[1]
    if usual is None or not now > 0 or abs(math.log(now / usual)) > LIKE:
        return False
    is_over(teller)
    story.left, teller.state.isolated_since = (time, now), 0
    return True


def changed(teller: Teller, isolated: Level | None, vessel: float) -> None:
    """A vessel was changed while the standby stood in: what the usual ones will show without it. isolated: the level
    while the standby carried its flow, which a clean one takes over; vessel: resistance of the new element [Pa]."""
    alone = math.nan if isolated is None else teller.referred(isolated)
    expected = vessel if teller.skid.in_service == 1 else alone
    teller.story.relief, teller.story.usual = expected if expected > 0 else None, None
    teller.story.relief_at = teller.story.returned_at
    teller.state.relieved = 1
