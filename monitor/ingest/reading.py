"""What is read by other protocols, as messages that a transmitter on MQTT would send: JSON with value, time, quality.

So one decoder, one set of rules of time, quality and range, and one form to record and replay serve all of them.
"""

from __future__ import annotations

import json
from typing import Any

from monitor.ingest.mqtt_parts import Message
from monitor.model import Quality, Reason
from monitor.skid import Signal

QUALITIES = {Quality.UNCERTAIN: "uncertain", Quality.BAD: "bad", Quality.GONE: "gone"}


def reading(signal: Signal, value: Any, time: int | None, arrival: int, quality: Quality = Quality.GOOD) -> Message:
    """value: as the source gives it, before `raw`. time: [ns] of the source's own, None where it has none."""
    body: dict[str, Any] = {"value": in_unit(signal, value)}
    if time is not None:
        body["time"] = time
    if quality is not Quality.GOOD:
        body["quality"] = QUALITIES[quality]
    # What JSON has no word for (bytes, times, structures) goes as text, which the decoder refuses with its reason.
    text = json.dumps(body, default=lambda odd: f"a {type(odd).__name__}")
    return Message(signal.topic, text.encode(), retain=False, arrival=arrival, generation=0, mid=0, qos=0)


def gone(signal: Signal, arrival: int) -> Message:
    """The word that what sends the signal has ended or cannot be reached."""
    return reading(signal, None, None, arrival, Quality.GONE)


def refused(where: str, payload: bytes, arrival: int, reason: Reason, note: str) -> Message:
    """What came and can be no reading."""
    return Message(where, payload, retain=False, arrival=arrival, generation=0, mid=0, qos=0, reason=reason, note=note)


def in_unit(signal: Signal, value: Any) -> Any:
    """The value in the signal's unit, where the source counts in something else."""
    raw = signal.place.raw if signal.place is not None else None
    if raw is None or isinstance(value, bool) or not isinstance(value, int | float):
        return value
    low, high = raw
    return signal.low + (value - low) * (signal.high - signal.low) / (high - low)
