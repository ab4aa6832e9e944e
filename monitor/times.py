"""Times as they come (RFC 3339 text, epoch numbers, local clock time) -> integer ns since 1970 UTC.

Every reader returns the time, or one clause saying why there is none. Rules beyond RFC 3339:

- a space may stand for the T, and both T and Z may be lower case (RFC 3339 section 5.6, notes);
- `-00:00` says that the local offset is unknown; the time itself is UTC (section 4.3);
- second 60 is accepted only where a leap second can be, in the last second of a month in UTC, and
  is the same instant as the second that follows it, as POSIX counts;
- digits past the ninth decimal of a second are cut off;
- an epoch number without a stated unit is told by its size: within 1971 to 2200 the spans of s, ms,
  us and ns do not touch;
- times before 1971 or from 2200 on belong to a clock that was never set.
"""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta
from decimal import Decimal, InvalidOperation
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import numpy.typing as npt

from monitor.errors import InputError
from monitor.model import NS
from monitor.skid import TimeFormat

Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

_AUTO = TimeFormat.AUTO
EARLIEST = 31_536_000 * NS          # 1971-01-01
LATEST = 7_258_118_400 * NS         # 2200-01-01
DAY_S = 86_400
SCALES = {TimeFormat.EPOCH_S: NS, TimeFormat.EPOCH_MS: 1_000_000, TimeFormat.EPOCH_US: 1_000, TimeFormat.EPOCH_NS: 1}
_NO_EPOCH = "not a number of seconds, ms, us or ns since 1970"
_NO_UNIT = "a number that is no time from 1971 to 2200 in s, ms, us or ns"
NO_OFFSET = "a local time without offset; accepted: one that ends in Z or an offset such as +01:00"

_EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 -- its text must not carry an offset
_CLOCK = re.compile(
    r"(\d{4}-\d\d-\d\d)[Tt ](\d\d):(\d\d):(\d\d)(?:\.(\d+))?(?:([Zz])|([+-])(\d\d):(\d\d))?", re.ASCII
).fullmatch
_ZULU_SECOND = re.compile(r"([0-5]\d)(?:\.(\d+))?Z", re.ASCII).fullmatch
_DECIMAL = re.compile(r"(\d{1,19})(?:\.(\d*))?", re.ASCII).fullmatch
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII).fullmatch


def parse_rfc3339(text: str) -> int | str:
    """RFC 3339 date-time -> ns (any year), or what is wrong with it."""
    second = _ZULU_SECOND(text, 17)
    if second is not None:      # the usual shape, at a third of the cost
        minute = _minute(text[:17])
        if minute is not None:
            whole, fraction = second.groups()
            return minute + int(whole) * NS + (int(fraction[:9].ljust(9, "0")) if fraction else 0)
    found = read_clock(text)
    if isinstance(found, str):
        return found
    ns, local = found
    return NO_OFFSET if local else ns


def read_clock(text: str) -> tuple[int, bool] | str:
    """(ns, False), or (ns as if the clock showed UTC, True) where no offset is given, or what is wrong."""
    match = _CLOCK(text)
    if match is None:
        return "not a time as RFC 3339 writes it, such as 2025-03-01T08:00:00.250Z"
    day, hour, minute, second, fraction, zulu, sign, off_hour, off_minute = match.groups()
    days = _days(day)
    h, m, s = int(hour), int(minute), int(second)
    if days is None or h > 23 or m > 59 or s > 60:
        return "no such date or time of day"
    seconds = days * DAY_S + h * 3600 + m * 60 + s
    if sign:
        if int(off_hour) > 23 or int(off_minute) > 59:
            return "no such offset"
        offset = int(off_hour) * 3600 + int(off_minute) * 60
        seconds -= offset if sign == "+" else -offset
    if s == 60 and not (_starts_month(seconds) and (zulu or sign)):
        return "second 60 where no leap second can be"
    nanos = int(fraction[:9].ljust(9, "0")) if fraction else 0
    return seconds * NS + nanos, not (zulu or sign)


@lru_cache(maxsize=64)
def _minute(start: str) -> int | None:
    """ns since 1970 of `2025-03-01T08:00:` in UTC: successive readings share it. None where it is none."""
    found = read_clock(start + "00Z") if len(start) == 17 else ""
    return None if isinstance(found, str) else found[0]


@lru_cache(maxsize=512)
def _days(day: str) -> int | None:
    """Days since 1970 of YYYY-MM-DD, None where there is no such day."""
    try:
        return date.fromisoformat(day).toordinal() - 719_163
    except ValueError:
        return None


def _starts_month(seconds: int) -> bool:
    days, rest = divmod(seconds, DAY_S)
    return rest == 0 and date.fromordinal(days + 719_163).day == 1


def parse_epoch(number: str | int | float | Decimal, unit: TimeFormat = TimeFormat.AUTO) -> int | str:
    """Epoch number -> ns; the unit by size where it is AUTO. Exact for text, int and Decimal."""
    if isinstance(number, str):
        plain = _DECIMAL(number)
        if plain is not None:
            return _exact_epoch(int(plain[1]), plain[2] or "", unit)
        if _NUMBER(number) is None:
            return _NO_EPOCH
    try:
        value = number if isinstance(number, int) else Decimal(str(number))
        scale = epoch_scale(value) if unit is _AUTO else SCALES[unit]
        if scale is None:
            return _NO_UNIT
        ns = value * scale
        return int(ns) if EARLIEST <= ns < LATEST else outside(int(ns))
    except (InvalidOperation, OverflowError, ValueError):
        return _NO_EPOCH


def _exact_epoch(whole: int, fraction: str, unit: TimeFormat) -> int | str:
    scale = epoch_scale(whole) if unit is _AUTO else SCALES[unit]
    if scale is None:
        return _NO_UNIT
    ns = whole * scale + int(fraction[:9].ljust(9, "0")) * scale // NS
    return ns if EARLIEST <= ns < LATEST else outside(ns)


def epoch_scale(value: int | float | Decimal) -> int | None:
    """ns per unit of an epoch number of unstated unit, None where no unit puts it between 1971 and 2200."""
    for scale in (NS, 1_000_000, 1_000, 1):
        if EARLIEST <= value * scale < LATEST:
            return scale
    return None


def parse_time(value: object, format: TimeFormat = TimeFormat.AUTO) -> int | str:
    """A time as a message carries it (text or number) -> ns between 1971 and 2200, or what is wrong with it."""
    if isinstance(value, str):
        text = value.strip(" \t\r\n")
        clock = (text[4:5] == "-" or not _NUMBER(text)) if format is _AUTO else format is TimeFormat.RFC3339
        ns = parse_rfc3339(text) if clock else parse_epoch(text, format)
        return ns if isinstance(ns, str) or EARLIEST <= ns < LATEST else outside(ns)
    if isinstance(value, bool) or not isinstance(value, (int, float, Decimal)):
        return "neither text nor a number"
    return "a number where RFC 3339 text is configured" if format is TimeFormat.RFC3339 else parse_epoch(value, format)


def outside(ns: int) -> str:
    """Why a readable time is refused."""
    return "before 1971: a clock that was never set" if ns < EARLIEST else "in or after 2200: an impossible time"


def to_rfc3339(ns: int) -> str:
    """UTC with Z, to the ms, or to the us or ns where less would lose something. Years 1 to 9999."""
    seconds, nanos = divmod(int(ns), NS)
    digits = 3 if nanos % 1_000_000 == 0 else 6 if nanos % 1_000 == 0 else 9
    return f"{(_EPOCH + timedelta(seconds=seconds)).isoformat()}.{f'{nanos:09d}'[:digits]}Z"


def zone_named(name: str) -> ZoneInfo:
    """The time zone of an IANA name. Raises InputError where there is none."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise InputError(f"--timezone {name}: no such time zone; accepted: a name such as Europe/Berlin") from error


class LocalClock:
    """Local clock time -> UTC, row after row.

    An hour that the clock shows twice is settled by the order of rows: it is the first one unless
    that would lie more than LATE before the row that came before. So a file in order of time passes
    to the second hour where its clock jumps back, and a row that comes a little late stays in its own
    hour. Where nothing came before, it is the first. A time that the clock skips does not exist.
    """

    LATE = 300 * NS

    def __init__(self, zone: ZoneInfo) -> None:
        self._zone = zone
        self._last: int | None = None

    def settle(self, ns: Ints, local: Flags, usable: Flags) -> Flags:
        """Turn ns[local & usable] into UTC in place; returns where the local time does not exist.

        ns: times in order of rows, those of `local` as if the clock showed UTC, within 1971 to 2200
        where `usable`.
        """
        at = np.flatnonzero(local & usable)
        missing = np.zeros(ns.size, bool)
        again: list[tuple[int, int]] = []
        if at.size:
            missing[at], again = self._shift(ns, at)
        self._follow_order(ns, again, usable & ~missing)
        return missing

    def _shift(self, ns: Ints, at: npt.NDArray[np.intp]) -> tuple[Flags, list[tuple[int, int]]]:
        """First reading of each local time; returns where there is none and [(row, its second reading)]."""
        clock = ns[at] // NS
        when, before, after = _changes_between(self._zone, int(clock.min()), int(clock.max()))
        index = np.searchsorted(when + np.maximum(before, after)[:-1], clock, side="right")
        offset = before[index]
        change = np.append(when, np.iinfo(np.int64).max)[index]
        ns[at] -= offset * NS
        twice = (clock - after[index] >= change) & (clock - offset < change)
        return clock - offset >= change, [
            (int(i), int(shift) * NS) for i, shift in zip(at[twice], (offset - after[index])[twice], strict=True)
        ]

    def _follow_order(self, ns: Ints, again: list[tuple[int, int]], usable: Flags) -> None:
        rows = np.where(usable, np.arange(ns.size), -1)
        newest = np.maximum.accumulate(rows) if ns.size else rows
        for i, shift in again:
            previous = int(newest[i - 1]) if i else -1
            near = int(ns[previous]) if previous >= 0 else self._last
            if near is not None and int(ns[i]) < near - self.LATE:
                ns[i] += shift
        if ns.size and newest[-1] >= 0:
            self._last = int(ns[newest[-1]])


def _changes_between(zone: ZoneInfo, first: int, last: int) -> tuple[Ints, Ints, Ints]:
    """UTC seconds of the clock changes around local seconds first..last, offset before each and after each;
    the offsets have one entry more, for after the last change."""
    years = range(_year(first - DAY_S), _year(last + DAY_S) + 1)
    changes = [change for year in years for change in _changes(zone, year)]
    ending = changes[-1][2] if changes else _offset(zone, first)
    table = np.array([*changes, (0, ending, ending)], np.int64)
    return table[:-1, 0], table[:, 1], table[:, 2]


def _year(seconds: int) -> int:
    return date.fromordinal(seconds // DAY_S + 719_163).year


@lru_cache(maxsize=1024)
def _changes(zone: ZoneInfo, year: int) -> tuple[tuple[int, int, int], ...]:
    """(UTC second, offset before, offset after) of each clock change in a year; no zone changes twice in 6 h."""
    start, end = ((date(y, 1, 1).toordinal() - 719_163) * DAY_S for y in (year, year + 1))
    grid = range(start, end + 1, 6 * 3600)
    offsets = [_offset(zone, t) for t in grid]
    return tuple(
        (_bisect(zone, t - 6 * 3600, t), a, b)
        for t, a, b in zip(grid[1:], offsets[:-1], offsets[1:], strict=True)
        if a != b
    )


def _bisect(zone: ZoneInfo, low: int, high: int) -> int:
    before = _offset(zone, low)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if _offset(zone, middle) == before else (low, middle)
    return high


def _offset(zone: ZoneInfo, seconds: int) -> int:
    offset = datetime.fromtimestamp(seconds, zone).utcoffset()
    return 0 if offset is None else int(offset.total_seconds())
