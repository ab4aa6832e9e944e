"""Whether the changeout point is near enough to be told of, without flapping."""

from __future__ import annotations

from enum import Enum

import numpy as np

from monitor.forecast.use import HOUR
from monitor.forecast.watch import Row, Watch

AWAY = 1.5            # times the notice period beyond which a forecast that had been told is taken back
NEARER = 0.5          # of the notice period, for each time that one was taken back in this run, to be told again
IN_TURN = 0.05        # of the usual life that a run must have lasted after a changeout: other vessels may be next ...
IN_TURN_H = 2.0       # ... at most


class Move(Enum):
    RAISE = 1
    TAKE_BACK = 2


def notice_hours(watch: Watch, row: Row, *, notice: float, share: float) -> float:
    """The lesser of the notice period [h] and a share of the median life; without earlier lives of this one's."""
    known = [p.hours for p in watch.lives if p.shape]
    life = float(np.median(known)) if known else (row.time - watch.began) / HOUR + row.p50
    return min(notice, share * life)


def weigh(watch: Watch, row: Row, notice: float, delay: int) -> Move | None:
    """What the forecast `row` asks for. notice: see `notice_hours`; delay: for how long the point must be that near
    [ns]."""
    if watch.raised:
        if row.p50 <= AWAY * notice or row.p10 <= notice:
            return None
        watch.raised, watch.near_since = False, 0
        watch.taken_back += 1
        return Move.TAKE_BACK
    if row.p50 > notice * NEARER**watch.taken_back or between_vessels(watch, row.time):
        watch.near_since = 0
        return None
    watch.near_since = watch.near_since or row.time
    if row.time - watch.near_since < delay:
        return None
    watch.raised = True
    return Move.RAISE


def between_vessels(watch: Watch, time: int) -> bool:
    """Whether the run may be one between two vessels of one changeout: dP is then that of a mixed skid."""
    if watch.main is None:
        return False
    known = [p.hours for p in watch.lives]
    usual = float(np.median(known)) if known else watch.main.hours
    return (time - watch.began) / HOUR < min(IN_TURN * usual, IN_TURN_H)
