"""What a push says: tags, skid, vessel, what is seen, since when, what to do, the cautions, a link."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from monitor.alarms.catalogue import CATALOGUE, CAUTION
from monitor.alarms.desk import Push
from monitor.alarms.plant_words import spoken
from monitor.alarms.standing import alarm_id
from monitor.model import NS, Event, Role
from monitor.skid import Handling, SkidSettings
from monitor.times import to_rfc3339

REASONS = {
    "raised": "", "told": "", "returned": "Back to normal: ",
    "unacknowledged": "Nobody has acknowledged: ",
}  # fmt: skip
PRESSURES = (Role.INLET_PRESSURE, Role.OUTLET_PRESSURE, Role.DIFFERENTIAL_PRESSURE)


class Told(NamedTuple):
    title: str
    text: str
    tags: tuple[str, ...]


def told(push: Push, event: Event | None, skid: SkidSettings | None, handling: Handling | None, link: str) -> Told:
    """The words of a push. event: the one that the alarm goes by; skid None: the monitor itself."""
    _, kind, vessel, _ = push.key
    where = f"{skid.name} ({skid.id})" if skid else "The monitor itself"
    of = f", vessel {vessel}" if vessel else ""
    level = f"[{handling.priority}] " if handling else ""
    title = f"{level}{REASONS[push.reason]}{kind.replace('-', ' ')}, {where}{of}"
    tags = tags_of(push.key, skid)
    parts = [event.message if event else f"{alarm_id(push.key)}."]
    parts.append(f"Tags: {', '.join(tags)}." if tags else "")
    called = spoken(kind, event.detail if event else None)
    parts.append(f"In plant terms: {called}." if called else "")
    parts.append(f"{'Over since' if push.reason == 'returned' else 'Since'} {moment(push, event)}.")
    if push.reason == "unacknowledged":
        parts.append(f"Announced {to_rfc3339(push.since)}, and nobody has acknowledged it yet.")
    if push.reason != "returned" and handling is not None:
        if handling.response not in parts[0]:
            parts.append(f"What to do: {handling.response}")
        parts.append(f"Useful within {handling.respond_within_s / 60:g} min. If not: {handling.consequence}")
    if kind in CATALOGUE and CATALOGUE[kind].opens_vessel and CAUTION not in parts[0]:
        parts.append(CAUTION)
    parts.append(link)
    return Told(title, "\n".join(p for p in parts if p), tags)


def moment(push: Push, event: Event | None) -> str:
    if push.reason == "returned" or event is None:
        return to_rfc3339(push.time)
    return to_rfc3339(event.time if event.onset is None else event.onset)


def tags_of(key: tuple[str, str, str | None, str | None], skid: SkidSettings | None) -> tuple[str, ...]:
    """Tag numbers of what an alarm is about: its signal, its vessel's transmitters, else those that tell dP."""
    _, _, vessel, signal = key
    if skid is None:
        return ()
    if signal is not None:
        return (signal,)
    own = tuple(s.id for s in skid.signals if vessel is not None and s.vessel == vessel)
    return own + tuple(s.id for s in skid.signals if s.role in PRESSURES)


def body_of(push: Push, event: Event | None, words: Told, link: str, event_object: Mapping[str, Any] | None,
            priority: str | None) -> dict[str, Any]:  # fmt: skip
    """The push as an object for programs; channels for people take title and text of it."""
    skid, kind, vessel, signal = push.key
    return {
        "title": words.title, "text": words.text, "reason": push.reason, "rule": push.rule,
        "alarm": alarm_id(push.key), "skid": skid, "kind": kind, "vessel": vessel, "signal": signal,
        "tags": list(words.tags), "priority": priority, "since": to_rfc3339(push.since), "time": to_rfc3339(push.time),
        "grade": event.grade if event else None, "link": link, "event": event_object,
        "announced_s": round((push.time - push.since) / NS),
    }  # fmt: skip
