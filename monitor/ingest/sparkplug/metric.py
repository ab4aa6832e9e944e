"""One metric of a payload: its value, its time, its quality."""

from __future__ import annotations

from typing import Any

from monitor.model import Quality

# DataType, Sparkplug 3.0.0 chapter 6.4.15: signed integers travel as two's complement in unsigned fields.
_SIGNED = {1: 8, 2: 16, 3: 32, 4: 64}
_QUALITIES = {192: Quality.GOOD, 0: Quality.BAD, 500: Quality.GONE}     # chapter 6.4.9: GOOD, BAD, STALE
_PLAIN = ("int_value", "long_value", "float_value", "double_value", "boolean_value", "string_value")
MS = 1_000_000


class OddMetricError(Exception):
    """A metric of which no reading can be made."""


def value_of(metric: Any, datatype: int) -> Any:
    """Its value as a number, text, true, false, or None for null. datatype: its own, or that of its birth."""
    if metric.is_null:
        return None
    which = metric.WhichOneof("value")
    if which is None:
        raise OddMetricError("neither a value nor null")
    if which not in _PLAIN:
        raise OddMetricError(f"a {which.removesuffix('_value')}; accepted: a number, text, true or false")
    value = getattr(metric, which)
    if isinstance(value, bytes):
        raise OddMetricError("text that is not UTF-8")
    bits = _SIGNED.get(datatype)
    if bits is None or which not in ("int_value", "long_value"):
        return value
    # An Int8 or Int16 may come in all 32 bits of its field or in its own only.
    value &= (1 << bits) - 1
    return value - (1 << bits) if value >> (bits - 1) else value


def time_of(metric: Any, payload: Any) -> int | None:
    """ns since 1970 UTC: of the metric, else of the whole payload."""
    for part in (metric, payload):
        if part.HasField("timestamp"):
            return int(part.timestamp) * MS
    return None


def quality_of(metric: Any) -> Quality:
    """By the property `Quality`; where none is given it is good, as the specification leaves open."""
    properties = metric.properties
    for key, found in zip(properties.keys, properties.values, strict=False):
        if key in ("Quality", "quality"):
            return _QUALITIES.get(found.int_value, Quality.UNCERTAIN)
    return Quality.GOOD
