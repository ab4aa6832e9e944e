"""The report of a shift, a day or a month: what it holds, gathered from the store. Sync; asks only `Source`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from monitor.alarms.catalogue import sort_of
from monitor.alarms.figures import TARGETS, Figures, figures
from monitor.model import NS, Event, Transition
from monitor.skid import SkidSettings
from monitor.web.changeouts import Record, records
from monitor.web.data import MINUTE_NS, Source
from monitor.web.words import UNKNOWN, due_limit, duration

PERIODS = {"shift": "shift of 8 hours", "day": "day", "month": "month"}
SHIFTS = (6, 14, 22)        # when one begins, local hour; common practice, no source
PLOTTED = 12                # skids whose normalised dP is drawn
LISTED = 500                # events
POINTS = 400
MOST = 1_000_000            # events looked at
NOTHING = (0, 0.0, np.nan, np.nan)      # of a skid without a minute


@dataclass(frozen=True, slots=True)
class Line:
    """One skid in the period. have, judged: shares of its minutes; highest, last: normalised dP, Pa, NaN unknown."""

    skid: SkidSettings
    have: float
    judged: float
    highest: float
    last: float
    changed: int
    raised: int
    elements: int

    @property
    def limit(self) -> float:
        return due_limit(self.skid)


@dataclass(frozen=True, slots=True)
class Curve:
    """Normalised dP of one skid: time ns and Pa."""

    skid: SkidSettings
    time: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PeriodReport:
    """Times ns. figures: how the alarm system performed."""

    period: str
    start: int
    end: int
    lines: tuple[Line, ...]
    changeouts: tuple[Record, ...]
    raised: Mapping[str, int]           # kind -> how often
    events: tuple[Event, ...]
    left_out: int                       # events beyond those listed
    figures: Figures
    curves: tuple[Curve, ...]
    zone: ZoneInfo                      # whose clocks it goes by


def edges(period: str, at: int, zone: ZoneInfo) -> tuple[int, int]:
    """Start and end [ns] of the shift, day or month that the time `at` [ns] lies in, by the clocks of `zone`."""
    local = datetime.fromtimestamp(at // NS, zone)
    midnight = local.replace(hour=0, minute=0, second=0, microsecond=0)
    if period == "month":
        start = midnight.replace(day=1)
        end = (start + timedelta(days=32)).replace(day=1)
    elif period == "day":
        start, end = midnight, midnight + timedelta(days=1)
    else:
        begun = [midnight + timedelta(days=d, hours=h) for d in (-1, 0) for h in SHIFTS]
        start = max(b for b in begun if b <= local)
        end = min(b for b in (*begun, midnight + timedelta(days=1, hours=SHIFTS[0])) if b > local)
    return int(start.timestamp()) * NS, int(end.timestamp()) * NS


def gather(source: Source, skids: Sequence[SkidSettings], period: str, at: int, zone: ZoneInfo) -> PeriodReport:
    """What happened in the shift, day or month that the time `at` [ns] lies in, by the clocks of `zone`."""
    start, end = edges(period, at, zone)
    wanted = {s.id for s in skids}
    told = source.events(None, start=start, end=end, limit=MOST)
    events = [e for e in reversed(told) if e.skid in wanted]
    changeouts = [r for r in records(source) if r.skid in wanted and start <= r.returned < end]
    alarms = [e for e in events if _alarm(e)]
    figured = source.minute_figures(start, end)
    whole = max(1, (min(end, source.newest() or end) - start) // MINUTE_NS)
    changed, raised = Counter(r.skid for r in changeouts), Counter(e.skid for e in alarms)
    lines = tuple(_line(s, figured.get(s.id, NOTHING), whole, changed[s.id], raised[s.id]) for s in skids)
    entries = [e for e in source.journal(start, end) if e.skid is None or e.skid in wanted]
    curves = tuple(_curve(source, s, start, end) for s in [s for s in skids if s.id in figured][:PLOTTED])
    kinds = dict(Counter(e.kind for e in alarms).most_common())
    return PeriodReport(period, start, end, lines, tuple(changeouts), kinds, tuple(events[-LISTED:]),
                        max(0, len(events) - LISTED), figures(entries, start, end), curves, zone)


def _line(skid: SkidSettings, figured: tuple[int, float, float, float], whole: int, changed: int, raised: int) -> Line:
    """whole: minutes that there might be."""
    count, judged, highest, last = figured
    return Line(skid, min(1.0, count / whole), judged, highest, last, changed, raised,
                changed * skid.element.per_vessel)


def _curve(source: Source, skid: SkidSettings, start: int, end: int) -> Curve:
    minutes = source.minutes(skid.id, start, end)
    normalised = np.asarray(minutes["normalised"], np.float64)
    step = max(1, normalised.size // POINTS)
    return Curve(skid, np.asarray(minutes["time"], np.int64)[::step], normalised[::step])


def _alarm(event: Event) -> bool:
    return event.transition is Transition.RAISED and sort_of(event.kind) == "alarm"


def performance(found: Figures) -> list[tuple[str, str, str]]:
    """Name, figure and target of each measure of the alarm system (ISA-18.2, IEC 62682, EEMUA 191, from memory)."""
    total = max(found.annunciated, 1)
    shares = ", ".join(f"{p} {n} ({100 * n / total:.0f} %)" for p, n in found.by_priority.items())
    half = found.median_to_acknowledge_s
    return [
        ("Announced", f"{found.annunciated}, {found.a_day:.1f} a day", f"about {TARGETS['a_day']:.0f} a day at most"),
        ("Most in ten minutes", str(found.most_in_10_min), "10"),
        ("Time in floods", f"{100 * found.flood_share:.1f} %", "under 1 %"),
        ("By priority", shares or UNKNOWN, "about 5 % high, 15 % medium, 80 % low"),
        ("Chattering", ", ".join(found.chattering) or "none", "none"),
        ("Stale for more than a day", ", ".join(found.stale) or "none", "under 5"),
        ("Acknowledged", f"{found.acknowledged}" + ("" if half is None else f", half within {duration(half)}"), ""),
        ("Shelved, suppressed, out of service", f"{found.shelved}, {found.suppressed}, {found.out_of_service}", ""),
    ]
