"""A standby that stands in for a loaded vessel: when it came into service, and whether what leaves is it again.

Beside those usually in service it lowers the skid's level; taken out it brings back the level that was, or, where a
vessel has been changed meanwhile, the one that follows from the levels seen (resistances in parallel).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from monitor.engine.look_back import Level
from monitor.engine.story import pack
from monitor.model import NS

if TYPE_CHECKING:
    from monitor.engine.event_tier import Teller

LIKE = 0.12               # of ln(normalised dP), within which two levels may be one; loading goes on between them

STEPS_S = 600             # falls within it are one standby coming in


def has_standby(teller: Teller) -> bool:
    return teller.skid.in_service < len(teller.skid.vessels)


def may_have_come_in(teller: Teller, before: Level | None, time: int) -> None:
    """Resistance fell at once on a skid with a standby; before: the level until then. A valve is opened in steps."""
    at, story = teller.corrected(before), teller.story
    opening = story.relief is not None and time - story.relief_at < STEPS_S * NS
    if at is None or not has_standby(teller) or opening:
        return
    usual = teller.referred(at if math.isfinite(at.state.flow) else at._replace(state=at.state._replace(flow=1.0)))
    if usual > 0:
        story.relief, story.relief_at, story.usual, teller.state.relieved = usual, time, pack(at), 1


def is_over(teller: Teller) -> None:
    """The usual vessels carry flow, or nothing is known of the standby."""
    teller.story.relief, teller.story.usual, teller.state.relieved = None, None, 0


def left_again(teller: Teller) -> bool:
    """Whether the vessel that has just left is the standby: the level is what the usual ones show."""
    usual, now = teller.story.relief, float(teller.state.level_isolated)
    return usual is not None and now > 0 and abs(math.log(now / usual)) < LIKE


def changed(teller: Teller, before: Level | None, after: Level | None, vessel: float) -> None:
    """A vessel was changed while the standby stood in: what the usual ones will show without it. before, after: levels
    beside the standby, vessel: resistance of the new element [Pa]."""
    usual, expected = teller.story.relief, vessel
    if teller.skid.in_service > 1:
        beside = [math.nan if at is None else teller.referred(at) for at in (before, after)]
        known = usual is not None and min(beside) > 0
        conductance = 1 / usual + 1 / beside[1] - 1 / beside[0] if usual is not None and known else 0.0
        expected = 1 / conductance if conductance > 0 else math.nan
    teller.story.relief, teller.story.usual = expected if expected > 0 else None, None
    teller.state.relieved = 1
