"""An event as a CloudEvent (specification 1.0.2 of the CNCF), structured mode, JSON format."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import quote

CONTENT_TYPE = "application/cloudevents+json"
TYPE = "bagwright.{}.v1"        # of an event, by kind; the number moves when the data's meaning does


def enveloped(key: str, event: Mapping[str, Any]) -> dict[str, Any]:
    """The event under the attributes that the specification asks for. key: the idempotency key, the CloudEvent's id."""
    envelope: dict[str, Any] = {
        "specversion": "1.0", "id": key, "type": TYPE.format(event.get("kind") or "notice"),
        "source": f"/skids/{quote(str(event.get('skid')), safe='')}", "datacontenttype": "application/json",
    }  # fmt: skip
    if event.get("time"):
        envelope["time"] = event["time"]
    subject = event.get("vessel") or event.get("signal")
    return envelope | ({"subject": subject} if subject else {}) | {"data": dict(event)}
