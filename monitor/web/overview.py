"""Every skid in one line: what is shown of it, and which one needs a person first. Sync; asks only `Source`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from monitor.model import Quality
from monitor.skid import SkidSettings
from monitor.web.data import AlarmNow, SkidNow
from monitor.web.vessels import service_count, vessels_now
from monitor.web.words import LEVELS, UNKNOWN, Display, due_limit, duration, hours

BEHIND_S = 120.0        # a skid whose newest reading lies so far behind the newest of all is called silent
NAMED = 3               # signals that a line names


@dataclass(frozen=True, slots=True)
class Gauge:
    """Normalised dP against its limit: share of it (NaN unknown), and the words beside the bar. judged: whether it can
    be gone by."""

    share: float
    text: str
    judged: bool = True

    def svg(self) -> Markup:
        """A bar with the limit marked at four fifths of its width; at or beyond it the colour and the words change."""
        known = self.share if math.isfinite(self.share) else 0.0
        width = 80 * min(max(known, 0.0), 1.25)
        over = " over" if known >= 1 and self.judged else ""
        return Markup(
            '<svg class="gauge" viewBox="0 0 100 10" preserveAspectRatio="none" aria-hidden="true">'
            '<rect class="full" width="100" height="10"/><rect class="part{over}" width="{width:.1f}" height="10"/>'
            '<line class="edge" x1="80" x2="80" y1="0" y2="10" vector-effect="non-scaling-stroke"/></svg>'
        ).format(over=over, width=width)


@dataclass(frozen=True, slots=True)
class Health:
    """Whether the skid's data can be gone by. `words` says what is wrong, or that nothing is."""

    well: bool
    words: str


@dataclass(frozen=True, slots=True)
class Row:
    """A skid in one line of the overview."""

    now: SkidNow
    gauge: Gauge
    drop: str
    flow: str
    foreseen: str
    service: str
    service_low: bool           # fewer vessels seen open than normally carry flow
    health: Health

    @property
    def urgency(self) -> tuple[int, int, int, bool, float, str]:
        """Sorts the one that needs a person first to the top: worst alarm, how many are owed an
        acknowledgement, how many stand, data not to go by, share."""
        seen = [a for a in self.now.alarms if not a.hidden]
        owed = [a for a in seen if a.owed]
        share = self.gauge.share if math.isfinite(self.gauge.share) and self.gauge.judged else 0.0
        return worst(seen), -len(owed), -len(seen), self.health.well, -share, self.now.skid.id


def worst(alarms: Sequence[AlarmNow]) -> int:
    """Position in LEVELS of the most urgent; beyond them where there is none."""
    return min((LEVELS.index(a.level) for a in alarms if a.level in LEVELS), default=len(LEVELS))


def row(now: SkidNow, newest: int | None) -> Row:
    """newest: time of the newest reading of all skids, ns."""
    show = Display(now.skid)
    names = ("normalised", "pressure_drop", "flow")
    normalised, drop, flow = (getattr(now.minute, n) if now.minute else math.nan for n in names)
    count = service_count(now, vessels_now(now))
    judged = now.minute is not None and now.minute.judged
    return Row(now, gauge(now.skid, normalised, judged=judged), show.text("pressure", drop), show.text("flow", flow),
               foreseen(now), UNKNOWN if count is None else f"{count[0]} of {count[1]}",
               count is not None and count[0] < now.skid.in_service, health(now, newest))


def foreseen(now: SkidNow) -> str:
    """When a changeout is expected, with its interval; a dash where nothing can honestly be said."""
    if any(a.kind == "changeout-due" and a.stands and not a.hidden for a in now.alarms):
        return "due"
    f = now.forecast
    return UNKNOWN if f is None else f"{hours(f.p50)} ({hours(f.p10)} to {hours(f.p90)})"


def gauge(skid: SkidSettings, normalised: float, *, judged: bool = True) -> Gauge:
    """Normalised dP (Pa) against the limit of `changeout-due`."""
    show, limit = Display(skid), due_limit(skid)
    words = f"of {show.text('pressure', limit)}"
    if not math.isfinite(normalised):
        return Gauge(math.nan, f"not known; limit {show.text('pressure', limit)}")
    share = normalised / limit
    remark = ", not judged" if not judged else ", reached" if share >= 1 else ""
    return Gauge(share, f"{show.number('pressure', normalised)} {words} ({share * 100:.0f} %{remark})", judged)


def health(now: SkidNow, newest: int | None) -> Health:
    """Silence of the whole skid, or the signals whose newest reading cannot be believed."""
    if now.newest is None:
        return Health(False, "no reading yet")
    behind = 0.0 if newest is None else (newest - now.newest) / 1e9
    if behind >= BEHIND_S:
        return Health(False, f"silent for {duration(behind)}")
    bad = [v.signal.id for v in now.values if v.time is None or v.quality >= Quality.BAD]
    if not bad:
        return Health(True, "readings come")
    more = f" and {len(bad) - NAMED} more" if len(bad) > NAMED else ""
    return Health(False, f"no good reading: {', '.join(bad[:NAMED])}{more}")


def tally(rows: list[Row]) -> str:
    """How many skids there are, and what stands on them, in a sentence."""
    levels = [worst([a for a in r.now.alarms if not a.hidden]) for r in rows]
    parts = [f"{levels.count(i)} with {level} priority" for i, level in enumerate(LEVELS[:3]) if i in levels]
    silent = sum(not r.health.well for r in rows)
    parts += [f"{silent} whose data need a look"] if silent else []
    many = f"{len(rows)} skid{'' if len(rows) == 1 else 's'}"
    return f"{many}: {', '.join(parts)}." if parts else f"{many}: nothing stands."
