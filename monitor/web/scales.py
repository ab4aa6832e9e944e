"""Where ticks go: round numbers for values, round times for time. Pure, no drawing."""

from __future__ import annotations

import math
from datetime import UTC, datetime

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


def time_ticks(start: int, end: int, count: int = 6) -> list[tuple[int, str]]:
    """Round UTC times from `start` to `end` (ns) with labels, at most `count` + 1 of them."""
    if end <= start:
        return []
    step = next((s for s in _STEPS_S if s * NS * count >= end - start), None)
    if step is None:
        return _month_ticks(start, end, count)
    first = -(-start // (step * NS))
    return [(i * step * NS, _label(i * step, step)) for i in range(first, end // (step * NS) + 1)]


def _label(second: int, step: int) -> str:
    when = datetime.fromtimestamp(second, UTC)
    if step >= _DAY or second % _DAY == 0:
        return f"{when.day} {when:%b}"
    return f"{when:%H:%M:%S}" if step < _MINUTE else f"{when:%H:%M}"


def _month_ticks(start: int, end: int, count: int) -> list[tuple[int, str]]:
    first, last = (datetime.fromtimestamp(t // NS, UTC) for t in (start, end))
    months = (last.year - first.year) * 12 + last.month - first.month
    step = next((m for m in _MONTHS if m * count >= months), _MONTHS[-1])
    begin = first.year * 12 + first.month - 1
    ticks = []
    for month in range(begin - begin % step, begin + months + 1, step):
        when = datetime(month // 12, month % 12 + 1, 1, tzinfo=UTC)
        at = int(when.timestamp()) * NS
        if start <= at <= end:
            ticks.append((at, f"{when:%b %Y}"))
    return ticks
