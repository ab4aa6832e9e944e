"""Columns of times -> ns since 1970 UTC, row after row.

Text cells are sorted by their shape and each shape is cast at once; odd cells are read one by one
by the same rules (monitor.times), or as plants write dates (`dates`). So formats may be mixed, and a
cell that cannot be read costs only itself.
"""

from __future__ import annotations

from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from monitor.ingest.recording import dates
from monitor.ingest.recording.arrow import Array, numbers, present
from monitor.ingest.recording.cells import as_text, is_textual
from monitor.ingest.recording.piece import Flags, Ints
from monitor.ingest.words import BLANKS, is_number
from monitor.model import NS
from monitor.times import EARLIEST, LATEST, NO_OFFSET, LocalClock, outside, parse_epoch, read_clock

ONE_BY_ONE = 32     # cells too few to be worth a vectorised attempt
COLON, DASH, PLUS, ZULU, ZERO = b":-+Z0"
ODD, ZULU_CLOCK, OFFSET_CLOCK, BARE, NUMBER = range(5)      # shapes of a text cell


ORDER_UNSAID = "a date whose order of day and month is not told; accepted with it: --dates day-first or month-first"


class Times(NamedTuple):
    """ns: arbitrary where not usable. local: cells without an offset. unsaid: dates that lack only the order of day and
    month."""

    ns: Ints
    usable: Flags
    local: Flags
    unsaid: Flags


class Clock:
    """Reads one file's time column, piece after piece."""

    def __init__(self, zone: ZoneInfo | None, *, decimal_comma: bool = False, order: str | None = None) -> None:
        """order: of day and month in dates that do not tell, one of `dates.ORDERS`."""
        self._zone, self._order = zone, order
        self._local = LocalClock(zone) if zone else None
        self._comma = decimal_comma
        self.read_so_far = self.without_offset = 0      # cells that hold a time; those that lack what tells UTC
        self.without_order = 0

    def read(self, column: Array) -> Times:
        """A column of text, timestamps or epoch numbers, in order of rows."""
        ns, usable, local, unsaid = self._raw(column)
        self.without_order += int(unsaid.sum())
        self.read_so_far += int(usable.sum())
        self.without_offset += int((usable & local).sum())
        usable = usable & (ns >= EARLIEST) & (ns < LATEST)
        if self._local is None:
            return Times(ns, usable & ~local, local, unsaid)
        skipped = self._local.settle(ns, local, usable)
        return Times(ns, usable & ~skipped, local, unsaid)

    @property
    def lacks_zone(self) -> bool:
        """Whether every time so far is local and no zone was given."""
        return self._zone is None and 0 < self.read_so_far == self.without_offset

    def explain(self, cell: object) -> str:
        """Why a cell gave no time: one clause."""
        if cell is None or (isinstance(cell, str) and not cell.strip(BLANKS)):
            return "no time"
        found = self._one(self._bare(cell)) if isinstance(cell, str) else parse_epoch(cell)  # type: ignore[arg-type]
        if isinstance(found, str):
            return found
        ns, local = found if isinstance(found, tuple) else (found, False)
        if local and self._zone is None:
            return NO_OFFSET + ", or a time zone by --timezone"
        if not EARLIEST <= ns < LATEST:
            return outside(ns)
        return f"a local time that the clock of {self._zone} skips"

    @property
    def lacks_order(self) -> bool:
        """Whether there was no time so far but dates whose order is not told."""
        return self.read_so_far == 0 < self.without_order

    def _one(self, text: str) -> tuple[int, bool] | int | str:
        import pyarrow as pa

        if not dates.has_form(text):
            return _read_cell(text)
        ns, good, _ = dates.read(pa.array([text]), self._order)
        if good[0]:
            return int(ns[0]), True
        is_date = dates.read(pa.array([text]), None)[2][0]
        return _read_cell(text) if not is_date else f"no date, read {self._order}" if self._order else ORDER_UNSAID

    def _bare(self, text: str) -> str:
        bare = text.strip(BLANKS)
        return bare.replace(",", ".") if self._comma and bare.count(",") == 1 else bare

    def _raw(self, column: Array) -> Times:
        import pyarrow as pa

        kind = column.type
        if pa.types.is_dictionary(kind) and not is_textual(kind):
            column, kind = column.dictionary_decode(), kind.value_type
        if pa.types.is_timestamp(kind):
            return _from_timestamps(column)
        if pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind):
            return _from_numbers(column)
        text = as_text(column)
        if self._comma:
            text = pa.compute.replace_substring(text, pattern=",", replacement=".")
        return _from_text(text, self._order)


def _from_timestamps(column: Array) -> Times:
    import pyarrow as pa

    per = {"s": NS, "ms": 1_000_000, "us": 1_000, "ns": 1}[column.type.unit]
    counts = column.cast(pa.int64())
    ticks = numbers(counts, 0)
    fits = np.abs(ticks) <= np.iinfo(np.int64).max // per
    local = np.full(len(column), column.type.tz is None)
    return Times(np.where(fits, ticks, 0) * per, present(counts) & fits, local, *_none_of(len(column), 1))


def _from_numbers(column: Array) -> Times:
    """Epoch numbers of a typed column. A double holds no more than a quarter of a us of today's time in
    seconds, so doubles are rounded to the us."""
    import pyarrow as pa

    whole = pa.types.is_integer(column.type)
    kind = pa.int64() if whole else pa.float64()
    there, values = present(column), numbers(column.cast(kind, safe=False), 0)
    ns, usable = np.zeros(len(column), np.int64), np.zeros(len(column), bool)
    for scale in (NS, 1_000_000, 1_000, 1):
        low, high = -(-EARLIEST // scale), -(-LATEST // scale)
        mine = there & (values >= low) & (values < high)
        if whole or scale == 1:
            ns[mine] = np.rint(values[mine]).astype(np.int64) * scale if not whole else values[mine] * scale
        else:
            ns[mine] = np.rint(values[mine] * (scale / 1_000)).astype(np.int64) * 1_000
        usable |= mine
    return Times(ns, usable, *_none_of(len(column), 2))


def _none_of(size: int, count: int) -> list[Flags]:
    return [np.zeros(size, bool) for _ in range(count)]


def _from_text(column: Array, order: str | None) -> Times:
    """Cells of one shape are cast together, those of no known shape are read one by one."""
    import pyarrow as pa

    shapes = _shapes(column)
    kinds = np.unique(shapes).tolist()
    if len(kinds) == 1:
        return _of_shape(column, kinds[0], order)
    result = Times(np.zeros(len(column), np.int64), *_none_of(len(column), 3))
    for kind in kinds:
        rows = np.flatnonzero(shapes == kind)
        part = _of_shape(column.take(pa.array(rows)), kind, order)
        for whole, some in zip(result, part, strict=True):
            whole[rows] = some
    return result


def _of_shape(column: Array, shape: int, order: str | None) -> Times:
    """Cast at once; where a cell of that shape is none after all, by halves down to it."""
    size = len(column)
    if shape != ODD and size > ONE_BY_ONE:
        quick = _cast_epoch(column) if shape == NUMBER else _cast_clock(column, shape == BARE)
        if quick is not None:
            return quick
        half = size // 2
        left, right = _of_shape(column.slice(0, half), shape, order), _of_shape(column.slice(half), shape, order)
        return Times(*(np.concatenate(pair) for pair in zip(left, right, strict=True)))
    return _odd_cells(column, order)


def _odd_cells(column: Array, order: str | None) -> Times:
    """As plants write dates, together; the rest one by one."""
    import pyarrow as pa

    ns, usable, unsaid = dates.read(column, order)
    local = usable.copy()
    rest = np.flatnonzero(~usable & ~unsaid)
    for i, cell in zip(rest.tolist(), column.take(pa.array(rest)).to_pylist(), strict=True):
        found = _read_cell(cell.strip(BLANKS)) if cell else ""
        if not isinstance(found, str) and abs(found[0]) < np.iinfo(np.int64).max:
            ns[i], local[i] = found
            usable[i] = True
    return Times(ns, usable, local, unsaid)


def _read_cell(text: str) -> tuple[int, bool] | str:
    if text[4:5] == "-" or not is_number(text):
        return read_clock(text)
    ns = parse_epoch(text)
    return ns if isinstance(ns, str) else (ns, False)


def _shapes(column: Array) -> npt.NDArray[np.int8]:
    """The shape of each text cell, from its length and a few of its bytes.

    With a date in front and 19 bytes or more, what Arrow's own parser accepts is strict RFC 3339
    once the end is known: Z; an offset with a colon; or a digit of the seconds.
    """
    _, bounds, data = column.buffers()
    at = np.frombuffer(bounds, np.int32)[column.offset : column.offset + len(column) + 1]
    start, end, length = at[:-1], at[1:], np.diff(at)
    if data is None or data.size == 0:
        return np.full(len(column), ODD, np.int8)
    octets = np.frombuffer(data, np.uint8)
    last = octets[end - 1]
    dated = (length >= 19) & (octets[np.minimum(start + 4, data.size - 1)] == DASH)
    sign, colon = octets[np.maximum(end - 6, 0)], octets[np.maximum(end - 3, 0)]
    signed = dated & ((sign == PLUS) | (sign == DASH))
    numeric = (length > 0) & ~dated & _is_digit(last)
    for place in range(5):      # a point or stroke among them makes it a date
        numeric &= _is_digit(octets[np.minimum(np.minimum(start + place, end - 1), data.size - 1)])
    offset = signed & (colon == COLON) & (length >= 25)
    choices = [dated & (last == ZULU), offset, dated & ~signed & _is_digit(last), numeric]
    shapes = np.select(choices, [ZULU_CLOCK, OFFSET_CLOCK, BARE, NUMBER], ODD).astype(np.int8)
    if column.null_count:
        shapes[~present(column)] = ODD
    return shapes


def _is_digit(octets: npt.NDArray[np.uint8]) -> Flags:
    return (octets >= ZERO) & (octets < ZERO + 10)


def _cast_clock(column: Array, bare: bool) -> Times | None:
    import pyarrow as pa

    try:
        times = column.cast(pa.timestamp("ns") if bare else pa.timestamp("ns", "UTC"))
    except pa.ArrowInvalid:
        return None
    ns = numbers(times.cast(pa.int64()), 0).copy()
    return Times(ns, np.ones(ns.size, bool), np.full(ns.size, bare), *_none_of(ns.size, 1))


def _cast_epoch(column: Array) -> Times | None:
    """Epoch numbers as text, of one unit: exact by decimal arithmetic."""
    import pyarrow as pa

    try:
        values = numbers(column.cast(pa.float64()), np.nan)
        for scale, digits in ((NS, 9), (1_000_000, 6), (1_000, 3), (1, 0)):
            if EARLIEST // scale < values.min() and values.max() < LATEST // scale - 1:
                exact = column.cast(pa.decimal128(19, digits))
                words = np.frombuffer(exact.buffers()[1], np.int64)[2 * exact.offset :: 2][: len(exact)]
                return Times(words.copy(), np.ones(len(exact), bool), *_none_of(len(exact), 2))
    except pa.ArrowInvalid:     # not a number, or more digits than ns have
        return None
    return None
