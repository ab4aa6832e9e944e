"""Local dates as plants and spreadsheets write them -> ns, a column at once.

    25.10.2026 02:00:00      25-Oct-26 2:00:00 PM      2026/10/25 02:00      10/25/2026 2:00:00 AM

Points mean day, month, year (DIN 5008). Figures between strokes or dashes say nothing of their order: it is told, or
they are refused. Two figures of a year: 69 to 99 are of the last century (POSIX strptime, %y). Seconds may be missing.
"""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import numpy.typing as npt

from monitor.ingest.recording.arrow import Array, flags, numbers, present
from monitor.ingest.recording.piece import Flags, Ints
from monitor.model import NS

DAY_FIRST, MONTH_FIRST = "day-first", "month-first"
ORDERS = (DAY_FIRST, MONTH_FIRST)
MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")

_DAY = r"(?P<a>[0-9]{1,2})(?P<mark>[./ -])(?P<b>[0-9]{1,2}|[A-Za-z]{3,9})[./ -]{1,2}(?P<year>[0-9]{4}|[0-9]{2})"
_YEAR = r"(?P<whole_year>[0-9]{4})[./-](?P<month>[0-9]{1,2})[./-](?P<day>[0-9]{1,2})"
_CLOCK = r"(?P<hour>[0-9]{1,2}):(?P<minute>[0-9]{2})(?::(?P<second>[0-9]{2})(?:[.,](?P<part>[0-9]{1,9}))?)?"
PATTERN = rf"^[ \t]*(?:{_DAY}|{_YEAR})[.,]?[ T]+{_CLOCK}[ ]*(?:(?P<half>[AaPp])\.?[Mm]\.?)?[ \t\r]*$"

Numbers = npt.NDArray[np.int64]


def has_form(text: str) -> bool:
    """Whether a cell looks like a date, be there such a day or not: the columns below are dear for one cell."""
    return re.match(PATTERN, text) is not None


def read(column: Array, order: str | None) -> tuple[Ints, Flags, Flags]:
    """A column of text -> (ns as if its clock showed UTC, where that is a time, where only the order of day and month
    keeps it from being one)."""
    import pyarrow as pa

    coded = column.dictionary_encode()      # in long tables several rows have one time
    at = numbers(coded.indices.cast(pa.int64()), len(coded.dictionary))
    ns, good, unsaid = _each(coded.dictionary, order)
    return np.append(ns, 0)[at], np.append(good, False)[at], np.append(unsaid, False)[at]


def _each(column: Array, order: str | None) -> tuple[Ints, Flags, Flags]:
    import pyarrow.compute as pc

    found = pc.extract_regex(column, pattern=PATTERN)
    matched = present(found)
    if not matched.any():
        return np.zeros(len(column), np.int64), matched, matched
    cells = {found.type.field(i).name: pc.struct_field(found, i) for i in range(found.type.num_fields)}
    day, month, unsaid = _day_and_month(cells, order)
    year = _years(cells)
    hour = _whole(cells["hour"])
    half = pc.utf8_lower(cells["half"])
    halved, afternoon = _is(half, "a") | _is(half, "p"), _is(half, "p")
    good = matched & (month >= 1) & (month <= 12) & (day >= 1) & (hour <= 23) & (year >= 1)
    good &= ~halved | ((hour >= 1) & (hour <= 12))
    hour = np.where(halved, hour % 12 + 12 * afternoon, hour)
    minute, second = _whole(cells["minute"]), _whole(cells["second"])
    first = ((np.where(good, year, 1970) - 1970) * 12 + np.where(good, month, 1) - 1).astype("M8[M]")
    days = first.astype("M8[D]").astype(np.int64) + day - 1
    good &= (day <= ((first + 1).astype("M8[D]") - first.astype("M8[D]")).astype(np.int64))
    good &= (minute <= 59) & (second <= 59) & (year >= 1678) & (year <= 2261)       # what ns since 1970 can hold
    part = _whole(pc.utf8_rpad(cells["part"], 9, "0"))
    ns = np.where(good, ((days * 24 + hour) * 60 + minute) * 60 + second, 0) * NS + np.where(good, part, 0)
    return ns, good & ~unsaid, good & unsaid


def _day_and_month(cells: dict[str, Any], order: str | None) -> tuple[Numbers, Numbers, Flags]:
    """Day, month, and where their order is not said."""
    import pyarrow.compute as pc

    short = pc.utf8_slice_codeunits(pc.utf8_lower(cells["b"]), 0, 3)
    named = np.zeros(len(short), np.int64)
    for number, name in enumerate(MONTHS, 1):
        named[_is(short, name)] = number
    figures = pc.match_substring_regex(cells["b"], pattern="^[0-9]+$")
    a, b = _whole(cells["a"]), _whole(pc.if_else(figures, cells["b"], None))
    open_ = (b > 0) & ~_is(cells["mark"], ".")
    swapped = open_ & (order == MONTH_FIRST)
    day, month = np.where(swapped, b, a), np.where(swapped, a, np.where(b > 0, b, named))
    yearly = present(cells["whole_year"]) & (_whole(cells["whole_year"]) > 0)
    day = np.where(yearly, _whole(cells["day"]), day)
    month = np.where(yearly, _whole(cells["month"]), month)
    if order is None:       # where it matters, either order must be a date for the order to be what is missing
        month = np.where(open_ & ~yearly, np.minimum(a, b), month)
        day = np.where(open_ & ~yearly, np.maximum(a, b), day)
    return day, month, open_ & ~yearly & (order is None)


def _years(cells: dict[str, Any]) -> Numbers:
    import pyarrow.compute as pc

    short = _whole(cells["year"])
    two = flags(pc.equal(pc.binary_length(cells["year"]), 2))
    return np.where(two, short + np.where(short >= 69, 1900, 2000), short) + _whole(cells["whole_year"])


def _is(column: Array, word: str) -> Flags:
    import pyarrow.compute as pc

    return flags(pc.equal(column, word))


def _whole(column: Array) -> Numbers:
    """Digits as numbers, 0 where there are none."""
    import pyarrow as pa
    import pyarrow.compute as pc

    bare = pc.if_else(pc.equal(pc.binary_length(column), 0), None, column)
    return np.array(numbers(bare.cast(pa.int64()), 0))
