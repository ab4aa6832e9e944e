"""Hours of the week and time zones, as people write them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from monitor.config.wording import RefusalError, shown
from monitor.settings import Hours

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_SPAN = re.compile(r"([A-Za-z, -]+) (\d{1,2}):(\d{2}) ?- ?(\d{1,2}):(\d{2})")
_WHOLE_DAY = 24 * 60


@dataclass(frozen=True, slots=True)
class WeekHours:
    """A list of parts of the week."""

    accepted: str = ('days and times, as ["Mon-Fri 07:00-16:00", "Sat,Sun 08:00-12:00"] (days in English; an end at or '
                     "before the start is on the next day)")

    def __call__(self, value: Any) -> tuple[Hours, ...]:
        if not isinstance(value, list) or not value:
            raise RefusalError(shown(value), self.accepted)
        return tuple(self._one(part) for part in value)

    def _one(self, part: Any) -> Hours:
        match = _SPAN.fullmatch(part.strip()) if isinstance(part, str) else None
        if match is None:
            raise RefusalError(shown(part), self.accepted)
        try:
            days = days_of(match[1])
        except ValueError:
            raise RefusalError(shown(part), self.accepted) from None
        start, end = int(match[2]) * 60 + int(match[3]), int(match[4]) * 60 + int(match[5])
        if start >= _WHOLE_DAY or end > _WHOLE_DAY or int(match[3]) > 59 or int(match[5]) > 59:
            raise RefusalError(shown(part), self.accepted)
        return Hours(days, start, end)


def days_of(text: str) -> tuple[int, ...]:
    """Days of the week, Monday 0. ValueError for what is none.

    >>> days_of("Mon-Wed, Sun"), days_of("Fri-Mon")
    ((0, 1, 2, 6), (0, 4, 5, 6))
    """
    found: set[int] = set()
    for part in text.split(","):
        first, _, last = (end.strip().title() for end in part.partition("-"))
        begin, end = DAYS.index(first), DAYS.index(last or first)
        found |= {(begin + k) % 7 for k in range((end - begin) % 7 + 1)}
    return tuple(sorted(found))


@dataclass(frozen=True, slots=True)
class ZoneName:
    """A time zone of the IANA database."""

    accepted: str = 'the name of a time zone, as "Europe/Oslo"'

    def __call__(self, value: Any) -> str:
        try:
            if not isinstance(value, str):
                raise ValueError
            ZoneInfo(value)
        except (ValueError, OSError, ZoneInfoNotFoundError):
            raise RefusalError(shown(value), self.accepted) from None
        return value
