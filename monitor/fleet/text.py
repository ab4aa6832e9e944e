"""Values as JSON that PostgreSQL takes as text: no lone surrogate stands in it, and NUL is escaped by JSON itself."""

from __future__ import annotations

from typing import Any

from monitor.model import Entry, Event, Transition
from monitor.store.connection import LONE, load, whole
from monitor.store.connection import dump as plain_dump

__all__ = ["dump", "event_of", "load", "plain", "record"]


def dump(value: Any) -> str:
    return LONE.sub(lambda found: f"\\u{ord(found[0]):04x}", plain_dump(value))


def plain(text: str) -> str:
    """Text for a column, without what cannot stand there."""
    return whole(text.replace("\0", "\ufffd"))


def record(value: Event | Entry) -> str:
    """Every field of it, as JSON."""
    return dump({name: getattr(value, name) for name in value.__slots__})


def event_of(text: str) -> Event:
    fields = load(text)
    return Event(**(fields | {"transition": Transition(fields["transition"])}))
