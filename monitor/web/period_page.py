"""The report of a period as HTML: a part of the page, or a file of its own."""

from __future__ import annotations

import numpy as np
from markupsafe import Markup

from monitor.web.period import PeriodReport, performance
from monitor.web.plots import Frame, Limit, Line, Panel, draw_panel
from monitor.web.templating import environment, inline
from monitor.web.words import Display, clock, due_limit


def body(report: PeriodReport, *, linked: bool) -> str:
    """The report without a page around it. linked: events lead to their evidence on the page."""
    return environment(zone=report.zone).get_template("_period.html").render(_values(report, linked))


def alone(report: PeriodReport) -> str:
    """A self-contained page."""
    return environment(zone=report.zone).get_template("period_alone.html").render(
        _values(report, False) | {"title": title(report), "style": inline("style.css")})


def title(report: PeriodReport) -> str:
    return f"Report of the {report.period} from {clock(report.start, report.zone)}"


def _values(report: PeriodReport, linked: bool) -> dict[str, object]:
    return {"report": report, "performance": performance(report.figures), "plots": _plots(report), "linked": linked}


def _plots(report: PeriodReport) -> Markup:
    drawn = Markup("\n")
    for curve in report.curves:
        show = Display(curve.skid)
        due = show.convert("pressure", due_limit(curve.skid))
        panel = Panel(f"{curve.skid.name}: normalised dP", show.unit("pressure"),
                      (Line("Normalised dP", show.array("pressure", np.asarray(curve.value)), limit=due),),
                      (Limit("changeout due", due),), height=110)
        drawn += draw_panel(curve.time, panel, Frame(report.start, report.end, zone=report.zone))
    return drawn
