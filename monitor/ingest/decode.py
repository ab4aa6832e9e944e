"""Message bytes -> one reading, or why there is none. Pure: no clock, no IO."""

from __future__ import annotations

import json
import math
import re
from typing import Any, NamedTuple

import msgspec

from monitor.conditioning.range import BEYOND_LIMITS, is_contact, limits, span
from monitor.ingest.words import BLANKS, NUMBER, is_number, on_off, quality_of, says_not_finite
from monitor.model import NS, Quality, Reason
from monitor.skid import Payload, PayloadFormat, Signal
from monitor.times import parse_time

MAX_PAYLOAD = 65_536
AHEAD = 300 * NS    # how far a device's clock may be ahead of arrival before its time is impossible

VALUE_FIELDS = ("value", "v")
TIME_FIELDS = ("time", "timestamp", "ts", "t")
QUALITY_FIELDS = ("quality", "q", "status")

_PLAIN = re.compile(rb"[ \t\r\n]*" + NUMBER.encode() + rb"[ \t\r\n]*").fullmatch
_GOOD, _UNCERTAIN, _BAD, _GONE = Quality


class Decoded(NamedTuple):
    """A reading. `reason` is set where it is kept as a BAD row and reported besides.

    time: [ns], None where the message carries none. value: in the signal's unit; NaN where none came.
    """

    time: int | None
    value: float
    quality: Quality
    reason: Reason | None = None
    note: str = ""


class Refused(NamedTuple):
    """No reading. time: [ns], where one could be read."""

    reason: Reason
    note: str
    time: int | None = None


class _NotJsonError(Exception):
    """The payload is no JSON document."""


class Decoder:
    """Decodes one signal's messages; build it once, call `decode` for each.

    >>> Decoder(signal).decode(b'{"value": 3.21, "time": "2025-03-01T08:00:00Z"}', arrival)  # doctest: +SKIP
    Decoded(time=1740816000000000000, value=3.21, quality=<Quality.GOOD: 0>, reason=None, note='')
    """

    __slots__ = (
        "_ahead", "_contact", "_fields", "_flat", "_json", "_limits", "_low", "_per_ma", "_plain", "_time_format",
    )  # fmt: skip

    def __init__(self, signal: Signal) -> None:
        payload = signal.payload
        self._plain = payload.format is not PayloadFormat.JSON
        self._json = payload.format in (PayloadFormat.AUTO, PayloadFormat.JSON)
        self._time_format = payload.time_format
        self._fields = _fields(payload)
        self._flat = all(len(path) == 1 for paths in self._fields for path in paths)
        self._contact = is_contact(signal)
        self._limits = limits(*span(signal))
        self._low = signal.low
        self._per_ma = (signal.high - signal.low) / 16.0 if payload.format is PayloadFormat.MILLIAMP else None

    def decode(self, payload: bytes, arrival: int) -> Decoded | Refused:
        """payload: the message as it came. arrival: [ns], against which a device's time is judged."""
        if len(payload) > MAX_PAYLOAD:
            return Refused(Reason.TOO_LARGE, f"{len(payload)} bytes; accepted: up to {MAX_PAYLOAD}")
        if self._plain and _PLAIN(payload):
            return self._number(float(payload), None, _GOOD)
        if self._json:
            try:
                return self._document(_parse(payload), arrival)
            except _NotJsonError:
                pass
        return self._word(payload)

    def _word(self, payload: bytes) -> Decoded | Refused:
        """Something that is neither a plain number nor JSON."""
        text = payload[:200].decode("utf-8", "replace").strip(BLANKS)
        if says_not_finite(text):
            return Refused(Reason.NOT_FINITE, "not a finite number")
        if not self._plain:
            return Refused(Reason.UNDECODABLE, "not JSON as configured")
        state = on_off(text) if self._contact else None
        if state is not None:
            return self._number(state, None, _GOOD)
        quality = quality_of(text) if text else None
        if quality is _GONE:
            return _gone(None)
        if quality is _BAD:
            return Decoded(None, math.nan, _BAD, Reason.BAD_QUALITY, "the source says there is no value")
        accepted = "a plain number or JSON" if self._json else "a plain number"
        return Refused(Reason.UNDECODABLE, f"accepted: {accepted}")

    def _document(self, document: Any, arrival: int) -> Decoded | Refused:
        value_paths, time_paths, quality_paths = self._fields
        if not isinstance(document, dict):
            if isinstance(document, list):
                return Refused(Reason.UNDECODABLE, "a JSON array; accepted: an object or a number")
            return self._value(document, None, _GOOD)
        time = _first(document, time_paths)
        ns: int | None = None
        if time is not None:
            read = parse_time(time.decode() if type(time) is bytes else time, self._time_format)
            if isinstance(read, str):
                return Refused(Reason.BAD_TIME, read)
            if read > arrival + AHEAD:
                return Refused(Reason.BAD_TIME, "more than five minutes ahead of its arrival", read)
            ns = read
        # Nothing but a value, or a value and a time, says nothing of quality: the usual message.
        bare = self._flat and len(document) == (1 if time is None else 2)
        quality = _GOOD if bare else self._quality(document, quality_paths)
        if quality is _GONE:
            return _gone(ns)
        value = _first(document, value_paths, _ABSENT)
        if value is _ABSENT:
            fields = " or ".join(".".join(path) for path in value_paths)
            return Refused(Reason.UNDECODABLE, f"no field {fields}", ns)
        return self._value(value, ns, quality)

    def _quality(self, document: dict[str, Any], paths: tuple[tuple[str, ...], ...]) -> Quality:
        """The stated quality. An unknown mark leaves doubt, but for a `status` nobody configured: that may be
        the state of anything."""
        for path in paths:
            mark = document.get(path[0]) if len(path) == 1 else _lookup(document, path)
            if mark is None or mark is _ABSENT:
                continue
            known = quality_of(float(mark) if type(mark) is bytes else mark)
            if known is not None:
                return known
            if path != ("status",) or len(paths) == 1:
                return _UNCERTAIN
        return _GOOD

    def _value(self, value: Any, time: int | None, quality: Quality) -> Decoded | Refused:
        kind = type(value)
        if kind is bytes or (kind is str and is_number(value.strip(BLANKS))):
            return self._number(float(value), time, quality)
        if kind is int or kind is float:
            return self._number(_to_float(value), time, quality)
        if kind is bool and self._contact:
            return self._number(float(value), time, quality)
        if value is None:
            return Decoded(time, math.nan, _BAD, Reason.BAD_QUALITY, "the value is null")
        return self._text(value, time, quality) if kind is str else _refuse_value(time)

    def _text(self, text: str, time: int | None, quality: Quality) -> Decoded | Refused:
        """A value given as text that is no number."""
        if says_not_finite(text):
            return Refused(Reason.NOT_FINITE, "not a finite number", time)
        state = on_off(text) if self._contact else None
        if state is not None:
            return self._number(state, time, quality)
        if quality is _BAD or (text.strip(BLANKS) and quality_of(text) is _BAD):
            return Decoded(time, math.nan, _BAD, Reason.BAD_QUALITY, "the source says there is no value")
        return _refuse_value(time)

    def _number(self, value: float, time: int | None, quality: Quality) -> Decoded | Refused:
        if self._per_ma is not None:
            value = self._low + (value - 4.0) * self._per_ma
        if not math.isfinite(value):
            return Refused(Reason.NOT_FINITE, "not a finite number", time)
        fail_low, measure_low, measure_high, fail_high = self._limits
        if value <= fail_low or value >= fail_high:
            return Decoded(time, value, _BAD, Reason.OUT_OF_RANGE, BEYOND_LIMITS)
        if quality is _BAD:
            return Decoded(time, value, _BAD, Reason.BAD_QUALITY, "the source says it cannot be believed")
        if quality is _GOOD and not measure_low <= value <= measure_high:
            quality = _UNCERTAIN
        return Decoded(time, value, quality)


def decode(payload: bytes, signal: Signal, arrival: int) -> Decoded | Refused:
    """One message, once. For many of the same signal keep a `Decoder`."""
    return Decoder(signal).decode(payload, arrival)


_ABSENT: Any = object()
_Paths = tuple[tuple[str, ...], ...]


def _fields(payload: Payload) -> tuple[_Paths, _Paths, _Paths]:
    """Where value, time and quality are looked for, best first."""
    chosen = (payload.value_field, payload.time_field, payload.quality_field)
    usual = (VALUE_FIELDS, TIME_FIELDS, QUALITY_FIELDS)
    value, time, quality = (
        (tuple(field.split(".")),) if field else tuple((name,) for name in names)
        for field, names in zip(chosen, usual, strict=True)
    )
    return value, time, quality


def _first(document: dict[str, Any], paths: _Paths, default: Any = None) -> Any:
    for path in paths:
        found = document.get(path[0], _ABSENT) if len(path) == 1 else _lookup(document, path)
        if found is not _ABSENT:
            return found
    return default


def _lookup(document: dict[str, Any], path: tuple[str, ...]) -> Any:
    """Follow a dotted path; a field whose own name has the dots, and a place in a list, are found too."""
    at: Any = document
    for name in path:
        if isinstance(at, list) and name.isdecimal() and int(name) < len(at):
            at = at[int(name)]
        elif isinstance(at, dict) and name in at:
            at = at[name]
        else:
            return document.get(".".join(path), _ABSENT)
    return at


# Numbers with a point or exponent come as the bytes that were sent, so that a time in them keeps every digit.
_DECODER = msgspec.json.Decoder(float_hook=str.encode)


def _parse(payload: bytes) -> Any:
    """JSON, and the JSON that programs write who think that NaN and Infinity are part of it."""
    try:
        return _DECODER.decode(payload)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        if b"NaN" not in payload and b"Infinity" not in payload:
            raise _NotJsonError from error
    try:
        return json.loads(payload.decode("utf-8"), parse_float=str.encode)
    except (ValueError, RecursionError) as error:
        raise _NotJsonError from error


def _to_float(value: int | float) -> float:
    try:
        return float(value)
    except OverflowError:
        return math.inf


def _gone(time: int | None) -> Decoded:
    return Decoded(time, math.nan, _GONE, Reason.BAD_QUALITY, "what sends it is gone")


def _refuse_value(time: int | None) -> Refused:
    return Refused(Reason.UNDECODABLE, "the value is not a number", time)
