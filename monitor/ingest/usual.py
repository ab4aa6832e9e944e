"""The usual message, `{"value": 2.3125, "time": "2026-03-01T12:00:00.250Z"}`, of many signals at once (compiled).

Takes no more than it is sure of, and says nothing of the rest: that goes through `decode`, message by message. A test
holds that where this speaks, `decode` says the same to the bit.
"""

from __future__ import annotations

from collections.abc import Sequence, Set
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.compiled import compiled, records
from monitor.conditioning.range import limits, span
from monitor.ingest.decode import AHEAD, MAX_PAYLOAD, QUALITY_FIELDS, TIME_FIELDS, VALUE_FIELDS
from monitor.model import NS
from monitor.skid import Payload, PayloadFormat, Signal, TimeFormat

LONGEST_NAME = 32
NAMES = len(VALUE_FIELDS) + len(TIME_FIELDS) + len(QUALITY_FIELDS)
DIGITS = 15                                 # whole numbers of so many digits are exact as a double
TENS = 10.0 ** np.arange(DIGITS + 1)        # as these are, so that one division rounds as it should
NOTHING, VALUE, TIME, QUALITY = 0, 1, 2, 3  # what a member of a message is
QUOTE, COMMA, MINUS, DOT, COLON, OPEN, CLOSE, BACKSLASH = (ord(c) for c in '",-.:{}\\')
ZERO, NINE, LETTER_T, LETTER_Z = (ord(c) for c in "09TZ")
GOOD, UNCERTAIN = 0, 1

form = np.dtype([("count", np.int64), ("kind", np.int64, NAMES), ("length", np.int64, NAMES),
                 ("name", np.uint8, (NAMES, LONGEST_NAME))])  # fmt: skip
# `form`: which of the forms messages of a signal have, -1 where they are never usual.
usual = np.dtype([("form", np.int64), ("fail_low", np.float64), ("measure_low", np.float64),
                  ("measure_high", np.float64), ("fail_high", np.float64)])  # fmt: skip


class Readings(NamedTuple):
    """Of each (message, signal): whether it was usual, and if so time [ns], value and quality."""

    known: npt.NDArray[np.bool_]
    time: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]
    quality: npt.NDArray[np.uint8]


class Reader:
    """Reads messages of `signals`. besides: those of them that are left alone."""

    def __init__(self, signals: Sequence[Signal], besides: Set[int] = frozenset()) -> None:
        forms: dict[Payload, int] = {}
        self._signals = records(len(signals), usual)
        for k, signal in enumerate(signals):
            readable = k not in besides and _is_readable(signal.payload)
            chosen = forms.setdefault(signal.payload, len(forms)) if readable else -1
            self._signals[k] = (chosen, *limits(*span(signal)))
        self._forms = records(max(len(forms), 1), form)
        for payload, at in forms.items():
            for i, (kind, name) in enumerate(_names(payload)):
                self._forms[at]["kind"][i], self._forms[at]["length"][i] = kind, len(name)
                self._forms[at]["name"][i][: len(name)] = np.frombuffer(name, np.uint8)
            self._forms[at]["count"] = len(_names(payload))

    def read(self, payloads: Sequence[bytes], arrivals: Sequence[int], message: npt.NDArray[np.int64],
             signal: npt.NDArray[np.int64]) -> Readings:
        """message, signal: which message to read for which signal. arrivals: of each message [ns]."""
        count = message.size
        found = Readings(np.zeros(count, np.bool_), np.zeros(count, np.int64), np.zeros(count),
                         np.zeros(count, np.uint8))  # fmt: skip
        ends = np.zeros(len(payloads) + 1, np.int64)
        np.cumsum(np.fromiter(map(len, payloads), np.int64, len(payloads)), out=ends[1:])
        text = np.frombuffer(b"".join([*payloads, b"\0"]), np.uint8)
        read_all(text, ends, np.fromiter(arrivals, np.int64, len(payloads)), message, signal, self._signals,
                 self._forms, TENS, *found)
        return found


def _is_readable(payload: Payload) -> bool:
    names = [name for _, name in _names(payload)]
    return (payload.format in (PayloadFormat.AUTO, PayloadFormat.JSON) and payload.time_format in
            (TimeFormat.AUTO, TimeFormat.RFC3339) and len(set(names)) == len(names)
            and all(b"." not in name and 0 < len(name) <= LONGEST_NAME for name in names))  # fmt: skip


def _names(payload: Payload) -> list[tuple[int, bytes]]:
    chosen = ((VALUE, payload.value_field, VALUE_FIELDS), (TIME, payload.time_field, TIME_FIELDS),
              (QUALITY, payload.quality_field, QUALITY_FIELDS))  # fmt: skip
    return [(kind, name.encode()) for kind, own, usually in chosen for name in ((own,) if own else usually)]


@compiled
def read_all(  # type: ignore[no-untyped-def]
    text, ends, arrivals, message, signal, signals, forms, tens, known, time, value, quality
):
    """Fills `known`, `time`, `value`, `quality`."""
    for i in range(message.size):
        m, bound = message[i], signals[signal[i]]
        if bound.form < 0 or ends[m + 1] - ends[m] > MAX_PAYLOAD:
            continue
        sure, at, number = read_one(text, ends[m], ends[m + 1], forms[bound.form], tens)
        if not sure or at > arrivals[m] + AHEAD or not bound.fail_low < number < bound.fail_high:
            continue
        known[i], time[i], value[i] = True, at, number
        quality[i] = GOOD if bound.measure_low <= number <= bound.measure_high else UNCERTAIN


@compiled
def read_one(text, at, end, names, tens):  # type: ignore[no-untyped-def]
    """One flat object with a value, a time and nothing said of quality: (whether it is that, time [ns], value)."""
    nothing = (False, 0, 0.0)
    time, value, timed, valued = 0, 0.0, False, False
    at = blanks(text, at, end)
    if at >= end or text[at] != OPEN:
        return nothing
    while True:
        at = blanks(text, at + 1, end)
        first = at + 1
        at = string_end(text, at, end)
        if at < 0:
            return nothing
        kind = kind_of(text, first, at, names)
        at = blanks(text, at + 1, end)
        if at >= end or text[at] != COLON:
            return nothing
        at = blanks(text, at + 1, end)
        if at >= end or kind == QUALITY:
            return nothing
        if text[at] == QUOTE:
            first = at + 1
            at = string_end(text, at, end)
            if at < 0 or kind == VALUE:
                return nothing
            if kind == TIME:
                sure, ns = clock(text, first, at)
                if not sure or timed:
                    return nothing
                time, timed = ns, True
            at += 1
        else:
            at, x = number(text, at, end, tens)
            if at < 0 or kind == TIME or (kind == VALUE and valued):
                return nothing
            if kind == VALUE:
                value, valued = x, True
        at = blanks(text, at, end)
        if at < end and text[at] == COMMA:
            continue
        if at >= end or text[at] != CLOSE or blanks(text, at + 1, end) != end:
            return nothing
        return timed and valued, time, value


@compiled
def blanks(text, at, end):  # type: ignore[no-untyped-def]
    """Where the blanks of JSON (RFC 8259, 2) end."""
    while at < end and (text[at] == 32 or text[at] == 9 or text[at] == 10 or text[at] == 13):
        at += 1
    return at


@compiled
def string_end(text, at, end):  # type: ignore[no-untyped-def]
    """Where the closing quote of a plain ASCII string stands, -1 where this is none."""
    if at >= end or text[at] != QUOTE:
        return -1
    at += 1
    while at < end and text[at] != QUOTE:
        if text[at] < 32 or text[at] > 126 or text[at] == BACKSLASH:
            return -1
        at += 1
    return at if at < end else -1


@compiled
def kind_of(text, first, end, names):  # type: ignore[no-untyped-def]
    """Which of the fields a name stands for."""
    for i in range(names.count):
        if names.length[i] != end - first:
            continue
        same = True
        for k in range(end - first):
            same = same and names.name[i, k] == text[first + k]
        if same:
            return names.kind[i]
    return NOTHING


@compiled
def number(text, at, end, tens):  # type: ignore[no-untyped-def]
    """(where a JSON number ends, its value); -1 for one with an exponent, or too long to be exact in one division."""
    nothing = (-1, 0.0)
    negative = text[at] == MINUS
    if negative:
        at += 1
    first, whole = at, 0
    while at < end and ZERO <= text[at] <= NINE and at - first <= DIGITS:
        whole = 10 * whole + int(text[at]) - ZERO
        at += 1
    digits, decimals = at - first, 0
    if digits == 0 or (digits > 1 and text[first] == ZERO):
        return nothing
    if at < end and text[at] == DOT:
        at += 1
        while at < end and ZERO <= text[at] <= NINE and digits + decimals <= DIGITS:
            whole = 10 * whole + int(text[at]) - ZERO
            at += 1
            decimals += 1
        if decimals == 0:
            return nothing
    elif negative and whole == 0:
        return nothing      # a whole number: no minus zero
    if digits + decimals > DIGITS or (at < end and (text[at] == 69 or text[at] == 101)):
        return nothing
    value = whole / tens[decimals]
    return at, -value if negative else value


@compiled
def pair(text, at):  # type: ignore[no-untyped-def]
    """Two digits as a number, below zero where they are none."""
    high, low = int(text[at]) - ZERO, int(text[at + 1]) - ZERO
    return 10 * high + low if 0 <= high <= 9 and 0 <= low <= 9 else -1


@compiled
def clock(text, first, end):  # type: ignore[no-untyped-def]
    """(whether it is one, ns since 1970) of `2026-03-01T12:00:00.250Z`, years 1971 to 2199, no leap second."""
    nothing = (False, 0)
    if end - first < 20 or end - first > 30 or text[end - 1] != LETTER_Z or text[first + 10] != LETTER_T:
        return nothing
    if text[first + 4] != MINUS or text[first + 7] != MINUS or text[first + 13] != COLON or text[first + 16] != COLON:
        return nothing
    century, years, month, day = pair(text, first), pair(text, first + 2), pair(text, first + 5), pair(text, first + 8)
    hour, minute, second = pair(text, first + 11), pair(text, first + 14), pair(text, first + 17)
    year = 100 * century + years
    if century < 0 or years < 0 or not (1971 <= year < 2200 and 1 <= month <= 12 and 1 <= day <= 31):
        return nothing
    if not (0 <= hour <= 23 and 0 <= minute <= 59 and 0 <= second <= 59):
        return nothing
    leap = year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
    if day > 28 and day > (28 + leap if month == 2 else 30 + (month + month // 8) % 2):
        return nothing
    nanos, places = 0, end - first - 21
    if places >= 0:
        if places == 0 or text[first + 19] != DOT:
            return nothing
        for k in range(9):
            digit = int(text[first + 20 + k]) - ZERO if k < places else 0
            if not 0 <= digit <= 9:
                return nothing
            nanos = 10 * nanos + digit
    # Days since 1970: years that begin in March end with the leap day.
    since, of_year = (year, month - 3) if month > 2 else (year - 1, month + 9)
    days = 365 * since + since // 4 - since // 100 + since // 400 + (153 * of_year + 2) // 5 + day - 719_469
    return True, (days * 86_400 + hour * 3_600 + minute * 60 + second) * NS + nanos
