"""Who is told when: the moments of notification rules, by the hours in which somebody attends.

Outside its hours a rule waits for the next of them, and then tells only what is still unacknowledged. With `after` it
escalates: it tells what nobody has acknowledged for so long.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from monitor.alarms.catalogue import PRIORITIES
from monitor.model import NS
from monitor.settings import Hours, RuleSettings

WEEK = 7
NEVER = 1 << 62


def concerns(rule: RuleSettings, kind: str, priority: str, skid: str) -> bool:
    """Whether an alarm is one of those that a rule is about."""
    return (
        (not rule.kinds or kind in rule.kinds) and (not rule.skids or skid in rule.skids)
        and PRIORITIES.index(priority) <= PRIORITIES.index(rule.priority)
    )  # fmt: skip


def names(rule: RuleSettings, kind: str, skid: str) -> bool:
    """Whether a rule asks for what is no alarm by its name."""
    return kind in rule.kinds and (not rule.skids or skid in rule.skids)


def moment(rule: RuleSettings, announced: int) -> int:
    """When the rule tells of what was announced at a time [ns], if it is still unacknowledged then: the first moment
    within its hours that is `after` later. NEVER where its hours leave none."""
    wanted = announced + round(rule.after_s * NS)
    if not rule.hours:
        return wanted
    zone = ZoneInfo(rule.timezone)
    spans = [span for hours in rule.hours for span in _spans(hours, datetime.fromtimestamp(wanted // NS, zone), zone)]
    starts = [max(start, wanted) for start, end in spans if wanted < end]
    return min(starts, default=NEVER)


def _spans(hours: Hours, around: datetime, zone: ZoneInfo) -> Iterator[tuple[int, int]]:
    """The hours as times [ns] from the day before to a week after. Wall clocks: where summer time begins or ends, the
    hours follow them."""
    for ahead in range(-1, WEEK + 1):
        day = (around + timedelta(days=ahead)).date()
        if day.weekday() not in hours.days:
            continue
        last = day if hours.end > hours.start else day + timedelta(days=1)
        midnight = [datetime(d.year, d.month, d.day, tzinfo=zone) for d in (day, last)]
        start, end = (_wall(at, minutes) for at, minutes in zip(midnight, (hours.start, hours.end), strict=True))
        yield start, end


def _wall(midnight: datetime, minutes: int) -> int:
    return int((midnight + timedelta(minutes=minutes)).astimezone(UTC).timestamp()) * NS
