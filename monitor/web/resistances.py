"""What each vessel's resistance was when it was last seen by itself: at isolations, and when a new element came in.

While all are in service the headers tell the resistance of all together only, which is normalised dP; one vessel's own
shows when it leaves and when it is back, and that of the others while it is out. Between two such moments it is drawn
as a thin straight line, and said not to be known. A vessel's pressure transmitter does not change that: it sits on the
unfiltered side, so it reads the dP that all have in common.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from markupsafe import Markup

from monitor.model import Event
from monitor.skid import SkidSettings
from monitor.web.plots import Frame, Limit, Line, Panel, draw_panel
from monitor.web.words import Display

KIND = "changeout-done"
UNNAMED = "not known which"
STYLES = ("strong", "dashed", "dotted", "chained", "strong soft", "dashed soft", "dotted soft", "chained soft")
TITLE = "Resistance of each vessel, as isolations showed it"
NOTE = ("dP that a vessel shows at its equal share of the reference flow. A dot: seen when a vessel was isolated or "
        "came back. In between only all together are known, as normalised dP above.")


class Seen(NamedTuple):
    """A resistance [Pa at its share] at a time, ns. vessel: None where the headers do not tell which. fresh: of an
    element that was just put in."""

    time: int
    vessel: str | None
    pascal: float
    fresh: bool


def seen(skid: SkidSettings, events: Iterable[Event]) -> list[Seen]:
    """Everything that changeouts told of single vessels, oldest first."""
    found: list[Seen] = []
    for event in events:
        if event.kind != KIND:
            continue
        told: Mapping[str, Any] = event.evidence
        out, back = told.get("isolated_at", event.onset), told.get("returned_at", event.time)
        before, after, others = (told.get(f"resistance_{name}_pa") for name in ("before", "after", "others"))
        if out is not None and before is not None:
            found.append(Seen(out, event.vessel, before, False))
        if after is not None:
            found.append(Seen(back, event.vessel, after, True))
        rest = [name for name in skid.vessels if name != event.vessel] if event.vessel is not None else []
        if out is not None and others and len(others) == len(rest):
            found += [Seen(out, name, pascal, False) for name, pascal in zip(rest, others, strict=True)
                      if pascal is not None]
    return sorted(found, key=lambda s: s.time)


def last_seen(skid: SkidSettings, events: Iterable[Event]) -> dict[str, Seen]:
    """Vessel -> its newest."""
    return {s.vessel: s for s in seen(skid, events) if s.vessel is not None}


def clean_reference(skid: SkidSettings, events: Iterable[Event]) -> float | None:
    """Of a clean element [Pa at its share], as the newest changeout was held against; else by the data sheet."""
    told = sorted((e for e in events if e.kind == KIND), key=lambda e: e.time, reverse=True)
    known = (e.evidence.get("clean_reference_pa") for e in told)
    return next((float(pascal) for pascal in known if pascal is not None), skid.element.clean_dp)


def draw_resistances(skid: SkidSettings, events: Sequence[Event], frame: Frame) -> Markup:
    """A panel with a curve for each vessel; nothing where none was seen in the span or on both sides of it."""
    found, clean = seen(skid, events), clean_reference(skid, events)
    names = [*skid.vessels, None] if any(s.vessel is None for s in found) else list(skid.vessels)
    courses = {name: _within([s for s in found if s.vessel == name], frame) for name in names}
    if not any(courses.values()):
        return Markup("")
    show = Display(skid)
    lines = tuple(_line(name or UNNAMED, STYLES[i % len(STYLES)], courses[name], show, joined=name is not None)
                  for i, name in enumerate(names) if courses[name])
    limits = () if clean is None else (Limit("clean", show.convert("pressure", clean), alarm=False),)
    panel = Panel(TITLE, show.unit("pressure"), lines, limits, height=120, note=NOTE)
    return draw_panel(np.empty(0, np.int64), panel, frame)


def _within(course: list[Seen], frame: Frame) -> list[Seen]:
    """What lies in the span, with one on either side of it, which the line comes from or goes to."""
    inside = [i for i, s in enumerate(course) if frame.start <= s.time <= frame.end]
    if inside:
        return course[max(inside[0] - 1, 0):inside[-1] + 2]
    after = next((i for i, s in enumerate(course) if s.time > frame.end), None)
    crossing = after is not None and after > 0 and not course[after].fresh
    return course[after - 1:after + 1] if crossing and after is not None else []


def _line(label: str, style: str, course: list[Seen], show: Display, *, joined: bool) -> Line:
    """A life is joined by a line; between two of them, and where the vessel is not known, there is none."""
    time: list[int] = []
    value: list[float] = []
    for s in course:
        if value and (s.fresh or not joined):
            time.append(s.time)
            value.append(math.nan)
        time.append(s.time)
        value.append(show.convert("pressure", s.pascal))
    return Line(label, np.array(value), f"thin {style}", time=np.array(time, np.int64), dots=True)
