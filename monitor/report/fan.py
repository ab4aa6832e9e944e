"""The fan of forecasts: hours to the changeout point as foreseen at each time, and as it came."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from monitor.engine.told import ForecastRow
from monitor.model import Event, Transition
from monitor.web.plots import Frame, Line, Panel, draw_panel

POINTS = 1200
HOUR = 3_600_000_000_000


def draw_fan(rows: Sequence[ForecastRow], events: Sequence[Event], first: int, last: int) -> Markup:
    """p50 with the band from p10 to p90, and what truly remained where the point was reached; empty without forecasts.
    first, last: ns, the span shown."""
    if not rows or last <= first:
        return Markup("")
    thin = rows[:: max(1, len(rows) // POINTS)]
    time = np.array([r.time for r in thin], np.int64)
    table = np.array([(r.p10, r.p50, r.p90) for r in thin], float)
    due = [e.time for e in events if e.kind == "changeout-due" and e.transition is Transition.RAISED]
    changed = [e.time for e in events if e.kind == "changeout-done"]
    panel = Panel(
        "Hours to the changeout point", "h",
        (Line("Forecast, band: 80 %", table[:, 1], low=table[:, 0], high=table[:, 2]),
         Line("As it came", remained(time, due, changed), "dashed")),
        height=170,
    )  # fmt: skip
    return draw_panel(time, panel, Frame(first, last, tuple((t, "warning") for t in due)))


def remained(time: npt.NDArray[np.int64], due: Sequence[int], changed: Sequence[int]) -> npt.NDArray[np.float64]:
    """Hours from each time to when the point was reached; NaN where a changeout came before, or none was seen."""
    out = np.full(time.size, np.nan)
    for k, t in enumerate(time.tolist()):
        reached = next((d for d in due if d > t), None)
        ended = next((c for c in changed if c > t), None)
        if reached is not None and (ended is None or reached < ended):
            out[k] = (reached - t) / HOUR
    return out
