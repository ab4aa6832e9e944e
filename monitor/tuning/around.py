"""Small plots around a moment: dP at reference conditions, actual dP and flow, by the minute."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from monitor.model import NS, Minute, SkidSettings
from monitor.web.plots import Frame, Limit, Line, Panel, draw_panel
from monitor.web.words import Display, dp_limit, due_limit

HALF_NS = 5_400 * NS        # ninety minutes on each side
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Minutes:
    """Roll-ups as columns: start [ns], and normalised dP, dP [Pa], flow [m^3/s], NaN where unknown."""

    time: npt.NDArray[np.int64]
    normalised: Floats
    pressure_drop: Floats
    flow: Floats

    @classmethod
    def of(cls, minutes: Sequence[Minute]) -> Minutes:
        return cls(np.array([m.time for m in minutes], np.int64), *(
            np.array([getattr(m, name) for m in minutes], float) for name in ("normalised", "pressure_drop", "flow")))

    def near(self, moments: Sequence[int]) -> npt.NDArray[np.bool_]:
        """Which minutes lie around any of the moments."""
        if not moments:
            return np.zeros(self.time.size, bool)
        ordered = np.sort(np.array(moments, np.int64))
        first = ordered[np.searchsorted(ordered, self.time - HALF_NS).clip(max=ordered.size - 1)]
        return np.asarray(np.abs(self.time - first) <= HALF_NS)


def draw_around(skid: SkidSettings, minutes: Minutes, marks: Sequence[tuple[int, str]]) -> Markup:
    """dP and flow around the first mark; marks: time [ns], level (a class of the style sheet)."""
    middle = marks[0][0]
    start, end = middle - HALF_NS, middle + HALF_NS
    shown = slice(*np.searchsorted(minutes.time, [start, end]))
    show, time = Display(skid), minutes.time[shown]
    unit = show.unit("pressure")
    lines = (
        Line("at reference conditions", show.array("pressure", minutes.normalised[shown]), "strong"),
        Line("actual", show.array("pressure", minutes.pressure_drop[shown]), "dashed"),
    )
    limits = (Limit("due", show.convert("pressure", due_limit(skid)), alarm=False),
              Limit("limit", show.convert("pressure", dp_limit(skid))))  # fmt: skip
    known = [x for line in lines for x in line.values[np.isfinite(line.values)].tolist()]
    near = tuple(limit for limit in limits if known and limit.value < 1.6 * max(known))
    frame = Frame(start, end, tuple(marks))
    drawn = draw_panel(time, Panel("dP", unit, lines, near, height=90), frame)
    flow = show.array("flow", minutes.flow[shown])
    if np.isfinite(flow).any():
        drawn += draw_panel(time, Panel("Flow", show.unit("flow"), (Line("flow", flow, "dark"),), height=50), frame)
    return drawn
