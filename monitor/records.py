"""Events as the JSON objects that files, topics and pages show."""

from __future__ import annotations

from typing import Any

from monitor.alarms.plant_words import letters, status
from monitor.model import Event
from monitor.times import to_rfc3339


def event_object(event: Event) -> dict[str, Any]:
    """The event in the contract's words, its evidence last."""
    return {
        "time": to_rfc3339(event.time),
        "skid": event.skid,
        "vessel": event.vessel,
        "signal": event.signal,
        "kind": event.kind,
        "transition": str(event.transition),
        "onset": None if event.onset is None else to_rfc3339(event.onset),
        "detail": event.detail,
        "grade": event.grade,
        "value": event.value,
        "unit": event.unit,
        "message": event.message,
        "id": event.id,
        "isa_5_1": letters(event.kind, event.detail),
        "ne_107": status(event.kind, event.detail),
        "evidence": event.evidence,
    }
