"""HTML of the views: what of a skid is shown, and in which words. Sync; asks only `Source`."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from monitor.model import DAY, NS, Event, Quality, Role
from monitor.settings import Settings
from monitor.skid import SkidSettings
from monitor.web.changeouts import KIND as CHANGED
from monitor.web.changeouts import last_changes
from monitor.web.data import MINUTE_NS, LiveValue, SkidNow, Source, bucket_width, bucketed
from monitor.web.drawing import draw_skid
from monitor.web.evidence import facts
from monitor.web.live import Fragments
from monitor.web.overview import Row, row, tally
from monitor.web.resistances import last_seen
from monitor.web.templating import environment
from monitor.web.trend import draw_trend, fan
from monitor.web.vessels import vessels_now
from monitor.web.words import (
    UNKNOWN,
    Display,
    dp_limit,
    due_limit,
    fixed,
    hours,
    quantity_of,
    unit_symbol,
)

HOUR_NS = 3_600_000_000_000
SPANS = {"15m": ("15 minutes", 0.25), "1h": ("1 hour", 1), "8h": ("8 hours", 8), "24h": ("24 hours", 24),
         "7d": ("7 days", 7 * 24), "30d": ("30 days", 30 * 24),
         "90d": ("90 days", 90 * 24), "1y": ("1 year", 365 * 24)}      # words, hours
DEFAULT_SPAN = "8h"
BUCKETS = 720
BY_SECONDS = HOUR_NS // 2      # spans up to this are drawn from readings, longer ones from minutes
EVENTS = 50
LIVES = 400 * DAY              # how far on either side of a span a vessel's resistance is looked for
KEPT = 400                     # parts that are kept for the next who asks

_QUALITIES = {Quality.GOOD: "", Quality.UNCERTAIN: "uncertain", Quality.BAD: "bad", Quality.GONE: "gone"}
_CONTACTS = {"leak-sensor": ("dry", "wet"), "pump-running": ("off", "on")}


@dataclass(frozen=True, slots=True)
class Around:
    """Which trend is shown: its span, and where it ends (seconds since 1970; None: at the newest minute)."""

    span: str
    until: int | None = None

    def edges(self, newest: int) -> tuple[int, int]:
        """Start and end, ns. newest: end of the newest minute."""
        end = newest if self.until is None else self.until * NS
        return end - int(SPANS[self.span][1] * HOUR_NS), end


class Pages:
    """Renders the views of one configuration; without a skid there are none of them. may_act: whether anybody can ask
    for something here; cases: whether there are any to look at."""

    def __init__(self, settings: Settings, *, may_act: bool = False, cases: bool = False) -> None:
        self.settings = settings
        self.skids = {skid.id: skid for skid in settings.skids}
        self._templates = environment(skids=settings.skids)
        views = [("/", "Overview"), ("/alarms", "Alarms"), ("/changeouts", "Changeouts"), ("/report", "Report")]
        views = (views if settings.skids else []) + ([("/cases", "Cases")] if cases else [])
        self._templates.globals.update(may_act=may_act, views=views)
        self._lines: dict[str, tuple[object, str]] = {}
        self._kept: dict[tuple[str, ...], tuple[object, str]] = {}

    def overview(self, source: Source) -> Fragments:
        """A part for each skid, so that only lines that changed are sent, and one for their order."""
        newest = source.newest()
        rows = [row(now, newest) for now in source.now(self.settings.skids)]
        names = {r.now.skid.id: f"s{i}" for i, r in enumerate(rows)}
        ordered = sorted(rows, key=lambda r: r.urgency)
        return {
            "newest": self.render("_newest.html", newest=newest), "tally": tally(rows),
            **{names[r.now.skid.id]: self._line(r) for r in ordered},
            "order:skids": " ".join(names[r.now.skid.id] for r in ordered),
        }

    def _line(self, found: Row) -> str:
        """One line; made anew only where something of it changed."""
        key = found.now.skid.id
        shown = (found.gauge, found.drop, found.flow, found.foreseen, found.service, found.health, found.now.alarms)
        known = self._lines.get(key)
        if known is None or known[0] != shown:
            known = self._lines[key] = (shown, self.render("_row.html", row=found))
        return known[1]

    def _keep(self, key: tuple[str, ...], state: object, make: Callable[[], str]) -> str:
        """A part that follows from `state` alone; made anew only where that changed. Those last asked for are kept."""
        known = self._kept.pop(key, None)
        if known is None or known[0] != state:
            known = (state, make())
        self._kept[key] = known
        if len(self._kept) > KEPT:
            del self._kept[next(iter(self._kept))]
        return known[1]

    def skid(self, source: Source, skid: SkidSettings, around: Around) -> Fragments:
        (now,) = source.now([skid])
        start, end = around.edges(now.minute.time + MINUTE_NS if now.minute else now.newest or 0)
        vessels, clocks = vessels_now(now), source.clocks(skid.id)
        latest = source.events(skid.id, limit=EVENTS)
        changed = source.events(skid.id, kinds=[CHANGED], limit=200)
        told, said = tuple(e.id for e in latest), source.told_changeouts(skid.id)
        seen = now.newest if end - start <= BY_SECONDS else now.forecast     # what else the plots rest on
        return {
            "newest": self.render("_newest.html", newest=now.newest),
            "alarms": self.render("_alarms.html", alarms=now.alarms),
            "drawing": str(draw_skid(now, vessels)),
            "vessels": self.render("_vessels.html", skid=skid, vessels=vessels, changed=last_changes(changed, said),
                                   resistance=last_seen(skid, changed)),
            "values": self.render("_values.html", row=row(now, source.newest()), derived=derived(now),
                                   values=[live(skid, v, clocks.get(v.signal.id)) for v in now.values]),
            "plan": self.render("_plan.html", plan=source.plans().get(skid.id)),
            "plots": self._keep((skid.id, around.span, str(around.until)), (start, end, told, seen),
                                lambda: str(trend_of(source, skid, start, end))),
            "events": self._keep((skid.id,), told, lambda: self.render("_event_list.html", events=latest)),
            "edges": self.render("_edges.html", start=start, end=end, around=around, at_newest=around.until is None),
        }

    def event(self, source: Source, event: Event) -> Fragments:
        """One event with what was compared, and the trend around it."""
        skid = self.skids[event.skid]
        start = min(event.onset or event.time, event.time) - HOUR_NS
        end = max(event.time + MINUTE_NS, min(event.time + HOUR_NS, source.newest() or 0))
        return {
            "newest": self.render("_newest.html", newest=source.newest()),
            "evidence": self.render("_evidence.html", facts=facts(event), event=event),
            "plots": str(trend_of(source, skid, start, end)),
        }

    def page(self, template: str, fragments: Fragments, **values: Any) -> str:
        """A whole page around its parts."""
        return self.render(template, parts={name: Markup(html) for name, html in fragments.items()}, **values)  # noqa: S704

    def sorry(self, title: str, message: str) -> str:
        """A page that says why there is nothing else."""
        return self.page("sorry.html", {}, title=title, message=message)

    def only_newest(self, source: Source) -> Fragments:
        """What a page shows that has nothing else of the store."""
        return {"newest": self.render("_newest.html", newest=source.newest()) if self.skids else ""}

    def render(self, template: str, **values: Any) -> str:
        return self._templates.get_template(template).render(**values)


def trend_of(source: Source, skid: SkidSettings, start: int, end: int) -> Markup:
    """The plots of a span: by the second up to half an hour, else by minutes or means of them."""
    events = source.events(skid.id, start=start - 30 * 24 * HOUR_NS, end=end, limit=1_000)
    known = {e.id for e in events}
    changes = [e for e in source.events(skid.id, start=start - LIVES, end=end + LIVES, kinds=[CHANGED], limit=500)
               if e.id not in known]
    if end - start <= BY_SECONDS:
        return draw_trend(skid, source.seconds(skid, start, end), events, start=start, end=end, changes=changes)
    trend = bucketed(source.minutes(skid.id, start, end), start, end, BUCKETS)
    drawn = draw_trend(skid, trend, events, start=start, end=end, width=bucket_width(start, end, BUCKETS),
                       changes=changes)
    return drawn + fan(source.forecasts(skid.id, start, end), start, end)


def derived(now: SkidNow) -> list[tuple[str, str, str]]:
    """Name, value and remark of what is computed from the readings: the newest closed minute."""
    skid, minute = now.skid, now.minute
    show = Display(skid)
    if minute is None:
        return []
    due = f"changeout due at {show.text('pressure', due_limit(skid))}"
    judged = minute.judged and math.isfinite(minute.normalised)
    remark = due if judged else "not judged in this minute: no steady flow, or a vessel out of service"
    limit, reference = show.text("pressure", dp_limit(skid)), show.text("flow", skid.reference.flow)
    found = [("Normalised dP", show.text("pressure", minute.normalised), remark),
             ("dP, actual", show.text("pressure", minute.pressure_drop), f"alarm at {limit}")]
    if now.forecast is not None:
        f = now.forecast
        found.append(("Changeout due in", hours(f.p50), f"80 %: {hours(f.p10)} to {hours(f.p90)}, as used of late"))
    if not skid.with_role(Role.FLOW):
        found.append(("Flow, inferred", show.text("flow", minute.flow), f"reference {reference}"))
    return found


@dataclass(frozen=True, slots=True)
class Shown:
    """A reading as shown: tag, role in words, vessel, value in the display unit, quality where it is not good."""

    tag: str
    role: str
    text: str
    quality: str
    time: int | None


def live(skid: SkidSettings, value: LiveValue, clock: Mapping[str, Any] | None = None) -> Shown:
    """The newest reading of a signal in the skid's display unit; clock: what is known of its clock."""
    signal = value.signal
    role = signal.role.value.replace("-", " ").capitalize() + (f", {signal.vessel}" if signal.vessel else "")
    quantity = quantity_of(signal.role)
    if value.time is None or not math.isfinite(value.value):
        text = UNKNOWN
    elif quantity is not None:
        text = Display(skid).text(quantity, value.value * signal.scale + signal.offset)
    elif signal.role.value in _CONTACTS and value.value in (0.0, 1.0):
        text = _CONTACTS[signal.role.value][int(value.value)]
    else:
        text = f"{fixed(value.value, 2)} {unit_symbol(signal.unit)}".strip()
    quality = ", ".join(word for word in (_QUALITIES[value.quality], clock_word(clock)) if word)
    return Shown(signal.id, role, text, quality, value.time)


def clock_word(clock: Mapping[str, Any] | None) -> str:
    """How far a signal's clock is from the one it is compared with, where that is known and not nothing."""
    if clock is None or not clock["lag_s"]:
        return ""
    return f"{abs(clock['lag_s']):.0f} s {'behind' if clock['lag_s'] > 0 else 'ahead of'} {clock['against']}"
