"""Small plots around a moment: dP at reference conditions, actual dP and flow, by the minute."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, tzinfo

import numpy as np
from markupsafe import Markup

from monitor.config.units import from_si
from monitor.replay.minutes import HALF_NS, SCALES, Minutes
from monitor.skid import SkidSettings
from monitor.web.plots import Frame, Limit, Line, Panel, draw_panel
from monitor.web.words import dp_limit, due_limit, unit_symbol

NEAR = 1.6      # a limit that lies beyond so many times what is shown is left out
PLAIN_UNITS = {"pressure": "bar", "flow": "m^3/h"}


def draw_around(minutes: Minutes, marks: Sequence[tuple[int, str]], skid: SkidSettings | None = None,
                zone: tzinfo = UTC) -> Markup:  # fmt: skip
    """dP and flow around the first mark, in the skid's display units and with its limits where it is given.

    marks: time [ns], level (a class of the style sheet). zone: by whose clocks the axis goes.
    """
    start, end = marks[0][0] - HALF_NS, marks[0][0] + HALF_NS
    first, last = np.searchsorted(minutes.time, [start, end])
    time, units = minutes.time[first:last], skid.display_units if skid is not None else PLAIN_UNITS
    normalised, actual, flow = minutes.values[first:last].T
    pressure = _scale(units["pressure"]) / SCALES[0]
    lines = (Line("at reference conditions", normalised * pressure, "strong"),
             Line("actual", actual * pressure, "dashed"))  # fmt: skip
    frame = Frame(start, end, tuple(marks), zone=zone)
    panel = Panel("dP", unit_symbol(units["pressure"]), lines, _limits(skid, lines, units["pressure"]), height=90)
    drawn = draw_panel(time, panel, frame)
    if np.isfinite(flow).any():
        shown = Line("flow", flow * _scale(units["flow"]) / SCALES[2], "dark")
        drawn += draw_panel(time, Panel("Flow", unit_symbol(units["flow"]), (shown,), height=60), frame)
    return drawn


def _limits(skid: SkidSettings | None, lines: Sequence[Line], unit: str) -> tuple[Limit, ...]:
    known = [x for line in lines for x in line.values[np.isfinite(line.values)].tolist()]
    if skid is None or not known:
        return ()
    limits = (Limit("due", due_limit(skid) * _scale(unit), alarm=False), Limit("limit", dp_limit(skid) * _scale(unit)))
    return tuple(limit for limit in limits if limit.value < NEAR * max(known))


def _scale(unit: str) -> float:
    """Of a unit of gauge pressure or flow over SI."""
    return float(from_si(1.0, unit))
