"""One event on a page of its own: its message, its evidence, and the plots of what was looked at. Self-contained."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from monitor.model import NS, Event
from monitor.report.evidence import numbers, told, window_of
from monitor.skid import SkidSettings
from monitor.web.plots import Frame, Line, Panel, draw
from monitor.web.trend import panels
from monitor.web.words import level_of

_HERE = Path(__file__).parent
_BAR = 1e-5
Columns = Mapping[str, npt.NDArray[np.float64] | npt.NDArray[np.int64]]


def render_event(event: Event, columns: Columns | None, skid: SkidSettings | None, remarks: Sequence[str] = ()) -> str:
    """The page as text. The same arguments give the same bytes.

    columns: `time` (ns, ascending) and SI columns named as in a trend, or None where nothing was kept. skid: for its
    units and limits; without it pressures are in bar. remarks: sentences that stand above the plots.
    """
    from monitor.web.templating import environment, inline

    script = inline("times.js") + inline("plots.js")
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return environment(_HERE / "templates").get_template("event.html").render(
        event=event, style=inline("style.css"), script=script, digest=digest, told=list(told(event)),
        numbers=list(numbers(event)), remarks=list(remarks), plots=plots(event, columns, skid))


def plots(event: Event, columns: Columns | None, skid: SkidSettings | None) -> Markup:
    """Panels with marks where it began, where the window opens and where it was decided."""
    if columns is None or columns["time"].size == 0:
        return Markup("")
    time = np.asarray(columns["time"], np.int64)
    step = int(np.median(np.diff(time))) if time.size > 1 else NS
    window = window_of(event)
    marks = [(event.time, level_of(event))]
    marks += [(at, "note") for at in {event.onset, window[0] if window else None} - {None} if at is not None]
    frame = Frame(int(time[0]), int(time[-1]) + step, tuple(sorted(m for m in marks if time[0] <= m[0])))
    if skid is not None:
        whole = {name: columns.get(name, np.full(time.size, np.nan)) for name in
                 ("inlet", "outlet", "pressure_drop", "normalised", "flow", "temperature")}  # fmt: skip
        return draw(time, panels(skid, whole), [], frame)
    return draw(time, _plain(columns), [], frame)


def _plain(columns: Columns) -> list[Panel]:
    """Without a configuration: pressures in bar, flow in m³/h, no limits."""
    def line(name: str, label: str, scale: float, style: str = "strong") -> Line:
        return Line(label, np.asarray(columns[name], float) * scale, style)

    found = [
        Panel(title, "bar", (line(name, title, _BAR),), height=150)
        for name, title in (("normalised", "Normalised dP"), ("pressure_drop", "dP, actual")) if name in columns
    ]  # fmt: skip
    headers = [line(n, n.capitalize(), _BAR, s) for n, s in (("inlet", "strong"), ("outlet", "dashed")) if n in columns]
    if headers:
        found.append(Panel("Header pressures", "bar", tuple(headers), from_zero=False))
    if "flow" in columns:
        found.append(Panel("Flow", "m³/h", (line("flow", "Flow", 3600.0),), height=110))
    return found

