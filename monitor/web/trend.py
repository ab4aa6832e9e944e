"""The usual plots of one skid, for the page and the report alike: what is drawn, and against which limits."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from monitor.model import Event, Transition
from monitor.skid import SkidSettings
from monitor.web.plots import Frame, Lane, Limit, Line, Panel, Span, draw, draw_panel
from monitor.web.resistances import draw_resistances
from monitor.web.words import KINDS, Display, dp_limit, due_limit, kind_of, level_of, utc

Trend = Mapping[str, npt.NDArray[Any]]

MINUTE_NS = 60_000_000_000
JUDGED = 0.5        # share of a bucket that has to have been judged for its normalised dP to be gone by
COLUMNS = ("inlet", "outlet", "pressure_drop", "normalised", "flow", "temperature")


def draw_trend(skid: SkidSettings, trend: Trend, events: Sequence[Event], *, start: int | None = None,
               end: int | None = None, width: int | None = None, changes: Sequence[Event] = ()) -> Markup:
    """Lanes of events, normalised dP, dP, pressures, flow and temperature of one skid, and its vessels' resistances.

    trend: `time` (int64 ns, start of each bucket, ascending) and the columns above (SI, NaN where unknown),
    optionally `pressure_drop_low` and `pressure_drop_high`, and `judged` (share of the bucket). start, end: the span
    shown, else that of the data. width: of a bucket, ns, else the usual step. changes:
    changeouts beyond `events`, for what they tell of single vessels.
    """
    time = np.asarray(trend["time"], np.int64)
    step = width or (int(np.median(np.diff(time))) if time.size > 1 else MINUTE_NS)
    first = start if start is not None else int(time[0]) if time.size else min((e.time for e in events), default=0)
    last = end if end is not None else int(time[-1]) + step if time.size else max((e.time for e in events), default=1)
    shown = [e for e in events if first <= e.time <= last]
    frame = Frame(first, max(last, first + 1), tuple(
        (e.time, level_of(e, skid)) for e in shown if e.transition is Transition.RAISED or e.kind == "changeout-done"),
        gaps(time, step, first, last) if start is not None else (), doubts(trend, step))
    return _key(frame) + draw(time, panels(skid, trend), lanes(skid, events, first, last),
                              frame) + draw_resistances(skid, [*events, *changes], frame)


FAN_POINTS = 600
APART = 30 * MINUTE_NS      # forecasts no farther apart are one course: while a skid runs they come every ten minutes


def fan(foreseen: Trend, start: int, end: int) -> Markup:
    """Hours to the changeout point as they were foreseen, with the band that holds 80 %; nothing without forecasts."""
    size = foreseen["time"].size
    if not size:
        return Markup("")
    every = {name: column[::max(1, size // FAN_POINTS)] for name, column in foreseen.items()}
    panel = Panel("Hours until a changeout is due, as foreseen; band: 80 %", "h",
                  (Line("Forecast", every["p50"], low=every["p10"], high=every["p90"]),), height=120,
                  joined=APART)
    return draw_panel(np.asarray(every["time"], np.int64), panel, Frame(start, end))


def _key(frame: Frame) -> Markup:
    """What the shades mean, where there are any."""
    words = [("gap", "no data")] * bool(frame.gaps) + [("doubt", "normalised dP not judged")] * bool(frame.doubts)
    if not words:
        return Markup("")
    return Markup('<p class="shades small">{}</p>').format(Markup(" ").join(
        Markup('<span class="key"><svg width="22" height="12" aria-hidden="true"><rect class="{}" y="{}" width="22" '
               'height="{}"/></svg> {}</span>').format(name, *((0, 12) if name == "gap" else (7, 5)), text)
        for name, text in words))


def gaps(time: npt.NDArray[np.int64], step: int, first: int, last: int) -> tuple[tuple[int, int], ...]:
    """Where between first and last nothing was measured for longer than one and a half steps. time: starts."""
    edges = np.concatenate(([first - step], time, [last]))
    empty = np.flatnonzero(np.diff(edges) > 1.5 * step)
    return tuple((int(edges[i]) + step, int(edges[i + 1])) for i in empty)


def doubts(trend: Trend, step: int) -> tuple[tuple[int, int], ...]:
    """Where normalised dP was measured but could not be judged in at least half of a bucket."""
    if "judged" not in trend:
        return ()
    time = np.asarray(trend["time"], np.int64)
    weak = np.asarray(trend["judged"], np.float64) < JUDGED
    starts = np.flatnonzero(weak & ~np.concatenate(([False], weak[:-1])))
    ends = np.flatnonzero(weak & ~np.concatenate((weak[1:], [False])))
    return tuple((int(time[a]), int(time[b]) + step) for a, b in zip(starts, ends, strict=True))


def panels(skid: SkidSettings, trend: Trend) -> list[Panel]:
    """The panels in display units. Temperature is left out where none is measured."""
    show = Display(skid)
    column = {name: show.array(_quantity(name), trend[name]) for name in COLUMNS}
    edges = {side: show.array("pressure", trend[f"pressure_drop_{side}"])
             for side in ("low", "high") if f"pressure_drop_{side}" in trend}
    judged = np.asarray(trend["judged"], np.float64) >= JUDGED if "judged" in trend else None
    due, near, most = (show.convert("pressure", p) for p in (due_limit(skid), dp_limit(skid), skid.element.max_dp))
    bar, flow = show.unit("pressure"), show.unit("flow")
    found = [
        Panel("Normalised dP", bar, (Line("Normalised dP", column["normalised"], limit=due, firm=judged),),
              (Limit("changeout due", due),), height=170),
        Panel("dP, actual", bar, (Line("dP", column["pressure_drop"], low=edges.get("low"), high=edges.get("high"),
                                       limit=near),),
              (Limit("dP limit", near), Limit("elements' maximum", most)), height=150),
        Panel("Header pressures", bar, (Line("Inlet", column["inlet"]), Line("Outlet", column["outlet"], "dashed")),
              from_zero=False, empty="No header pressures in this span."),
        Panel("Flow", flow, (Line("Flow", column["flow"]),),
              (Limit("reference", show.convert("flow", skid.reference.flow), alarm=False),), height=110,
              empty="No flow in this span."),
    ]
    if np.isfinite(column["temperature"]).any():
        found.append(Panel("Temperature", show.unit("temperature"), (Line("Temperature", column["temperature"]),),
                           height=80, from_zero=False))
    return found


def _quantity(column: str) -> str:
    return column if column in ("flow", "temperature") else "pressure"


def lanes(skid: SkidSettings, events: Iterable[Event], first: int, last: int) -> list[Lane]:
    """One lane for each kind that occurred between first and last: raised to cleared, or the moment it was noted."""
    spans: dict[str, list[Span]] = {}
    standing: dict[tuple[str, str | None, str | None], Event] = {}
    for event in sorted(events, key=lambda e: e.time):
        key = (event.kind, event.vessel, event.signal)
        if event.transition is Transition.RAISED:
            standing.setdefault(key, event)
        elif event.transition is Transition.CLEARED:
            raised = standing.pop(key, None)        # None: raised before what we were given
            began = raised or replace(event, time=first, transition=Transition.RAISED)
            spans.setdefault(event.kind, []).append(_span(skid, began, event.time))
        else:
            spans.setdefault(event.kind, []).append(Span(event.time, event.time, "note", _title(event, None)))
    for event in standing.values():
        spans.setdefault(event.kind, []).append(_span(skid, event, None))
    order = [*KINDS, *sorted(set(spans) - set(KINDS))]
    shown = {k: tuple(s for s in spans.get(k, ()) if s.within(first, last)) for k in order}
    return [Lane(kind_of(kind).words, found) for kind, found in shown.items() if found]


def _span(skid: SkidSettings, raised: Event, end: int | None) -> Span:
    return Span(raised.time, end, level_of(raised, skid), _title(raised, end))


def _title(event: Event, end: int | None) -> str:
    standing = ", still standing" if event.transition is Transition.RAISED else ""
    until = standing if end is None else f" to {utc(end)}"
    return f"{utc(event.time)}{until}: {event.message}"
