"""How resistance goes on after a suspicion: a slip of cake loads on as before, a tear does not."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from monitor.detectors.robust_slope import Slope, pair_slopes, theil_sen
from monitor.engine import codes
from monitor.engine.explained import flow_or_one
from monitor.engine.look_back import level
from monitor.engine.messages_breach import cleared_event, grown_event
from monitor.engine.story import NORMAL, BreachStory
from monitor.model import NS, Role

if TYPE_CHECKING:
    from monitor.engine.event_tier import Teller

Array = npt.NDArray[np.float64]
TRACE_S, TRACE_KEPT, FEWEST = 600, 13, 5
SURELY = 1.645           # standard normal deviations: one-sided 95 %
SETTLE_RUNNING_S = (3600, 7200)  # running time after which a suspicion is compared with how loading goes on
RESUMED, STOPPED_LOADING = 0.6, 0.3   # of the rate before
UNSEEN_WARMING = 0.03    # of ln(resistance) per hour: what water hides that warms by 1 K an hour.
                         # Common practice, no source
GROWN = 0.75             # of the slopes between all points: more went up, and it loaded steadily


def keep_trace(teller: Teller, story: BreachStory, time: int) -> None:
    """Keep how resistance goes on, and hold a suspicion against it."""
    teller.state["wake_at"][codes.FOR_TRACE] = time + TRACE_S * NS
    now = teller.corrected(level(teller.history, time - 60 * NS, time + NS))
    if now is None or teller.story.phase != NORMAL or not teller.state["judged"]:
        return
    value = teller.referred(flow_or_one(now))
    if value > 0:
        story.trace = [*story.trace[-(TRACE_KEPT - 1) :], (int(teller.state["running"]), value)]
        _settle(teller, story, time)


def _settle(teller: Teller, story: BreachStory, time: int) -> None:
    """A slip of cake loads on as before, a tear does not."""
    standing = story.standing
    if standing is None or standing.grade != "suspected" or not standing.rate_before or standing.rate_before < 0.01:
        return
    ran = int(teller.state.running) - standing.running
    rate = loading_rate(story.trace)
    if ran < SETTLE_RUNNING_S[0] or rate is None:
        return
    # Resistance that is still there loads in proportion; what was lost does not.
    usual = standing.rate_before * standing.before / story.trace[-1][1]
    if rate.middle > RESUMED * usual:
        why = "loading has gone on as before: cake that slipped, not an element that tore"
        teller.told.events.append(cleared_event(teller.skid, standing, time, why))
        story.standing = None
        return
    stopped = rate.middle > -STOPPED_LOADING * usual and rate.high + _hidden(teller) < STOPPED_LOADING * usual
    if stopped and ran >= SETTLE_RUNNING_S[1] and standing.stall_tells:
        standing.grade = "likely"
        teller.told.events.append(grown_event(teller.skid, standing, time))


def _hidden(teller: Teller) -> float:
    """Growth of ln(resistance) per hour that may not be seen: nobody knows whether the water warms."""
    return 0.0 if teller.skid.with_role(Role.TEMPERATURE) else UNSEEN_WARMING


def loading_rate(trace: list[tuple[int, float]]) -> Slope | None:
    """Growth of ln(resistance) per running hour; None where too short."""
    points = _points(trace)
    return None if points is None else theil_sen(*points, SURELY)


def steady_rate(trace: list[tuple[int, float]]) -> float | None:
    """The same where resistance grew all the while; None where it went up and down, as while a pump hunts."""
    points = _points(trace)
    if points is None:
        return None
    slopes = pair_slopes(*points)
    return float(np.median(slopes)) if np.mean(slopes > 0) > GROWN else None


def _points(trace: list[tuple[int, float]]) -> tuple[Array, Array] | None:
    """Running hours and ln(resistance), each hour once; None where there are too few."""
    once = dict(trace)
    if len(once) < FEWEST:
        return None
    seconds, values = np.array(list(once.items())).T
    return seconds / 3600, np.log(values)
