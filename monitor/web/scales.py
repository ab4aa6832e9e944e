"""Where ticks go: round numbers for values, round times for time. Pure, no drawing."""

from __future__ import annotations

import math
from datetime import UTC, datetime, tzinfo

from monitor.model import NS

_MINUTE, _HOUR, _DAY = 60, 3600, 86_400
_STEPS_S = (
    1, 2, 5, 10, 15, 30,
    _MINUTE, 2 * _MINUTE, 5 * _MINUTE, 10 * _MINUTE, 15 * _MINUTE, 30 * _MINUTE,
    _HOUR, 2 * _HOUR, 3 * _HOUR, 6 * _HOUR, 12 * _HOUR,
    _DAY, 2 * _DAY, 5 * _DAY, 7 * _DAY, 14 * _DAY,
)  # fmt: skip
_MONTHS = (1, 2, 3, 6, 12, 24, 60, 120)


def nice_step(span: float, count: int) -> float:
    """The step of 1, 2 or 5 times a power of ten that cuts `span` (> 0) into at most `count` parts."""
    raw = span / max(count, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    return next(power * m for m in (1.0, 2.0, 5.0, 10.0) if power * m >= raw * (1 - 1e-9))


def value_ticks(low: float, high: float, count: int = 4) -> list[float]:
    """Round values from `low` to `high`, both included where round. low < high, else empty."""
    if not (math.isfinite(low) and math.isfinite(high) and low < high):
        return []
    step = nice_step(high - low, count)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [i * step for i in range(first, last + 1)]


def decimals_for(step: float) -> int:
    """Digits after the point that tell multiples of `step` apart."""
    return max(0, -math.floor(math.log10(step) + 1e-9)) if step > 0 else 0


def time_ticks(start: int, end: int, count: int = 6, zone: tzinfo = UTC) -> list[tuple[int, str]]:
    """Times from `start` to `end` (ns) that are round by the clocks of `zone`, with labels, at most `count` + 1 of
    them. An hour that the clocks go through twice has its ticks once, one that they skip has none."""
    if end <= start:
        return []
    step = next((s for s in _STEPS_S if s * NS * count >= end - start), None)
    if step is None:
        return _month_ticks(start, end, count, zone)
    ticks: list[tuple[int, str]] = []
    for i in range(-(-_wall(start // NS, zone) // step), _wall(end // NS, zone) // step + 1):
        at = _instant(datetime.fromtimestamp(i * step, UTC), zone)
        if start <= at * NS <= end and _wall(at, zone) == i * step:
            ticks.append((at * NS, _label(i * step, step)))
    return ticks


def _wall(second: int, zone: tzinfo) -> int:
    """What the clocks of `zone` show, as if they were UTC."""
    return int(datetime.fromtimestamp(second, zone).replace(tzinfo=UTC).timestamp())


def _instant(wall: datetime, zone: tzinfo) -> int:
    """Seconds since 1970 at which the clocks of `zone` first show it."""
    return int(wall.replace(tzinfo=zone).timestamp())


def _label(second: int, step: int) -> str:
    when = datetime.fromtimestamp(second, UTC)
    if step >= _DAY or second % _DAY == 0:
        return f"{when.day} {when:%b}"
    return f"{when:%H:%M:%S}" if step < _MINUTE else f"{when:%H:%M}"


def _month_ticks(start: int, end: int, count: int, zone: tzinfo) -> list[tuple[int, str]]:
    first, last = (datetime.fromtimestamp(t // NS, zone) for t in (start, end))
    months = (last.year - first.year) * 12 + last.month - first.month
    step = next((m for m in _MONTHS if m * count >= months), _MONTHS[-1])
    begin = first.year * 12 + first.month - 1
    ticks = []
    for month in range(begin - begin % step, begin + months + 1, step):
        when = datetime(month // 12, month % 12 + 1, 1, tzinfo=UTC)
        at = _instant(when, zone) * NS
        if start <= at <= end:
            ticks.append((at, f"{when:%b %Y}"))
    return ticks
