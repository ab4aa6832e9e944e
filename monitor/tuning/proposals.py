"""Labels proposed from a replay, and what a person makes of them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from monitor.errors import InputError
from monitor.model import NS, Event, Transition
from monitor.times import to_rfc3339

# How long after its time a detection counts, and how long before, s: as the contract of recordings has it. `until`:
# the raise may come for as long as the condition stands.
WITHIN_S = {"changeout-due": (600, 600), "changeout-done": (960, 120), "changeout-suspect": (960, 120),
            "element-breach": (300, 60), "dp-limit": (60, 60), "surge": (180, 30), "flow-blocked": (60, 30),
            "closure-seep": (3_600, 60), "signal-fault": (1_800, 60), "changeout-forecast": (3_600, 3_600)}  # fmt: skip
USUAL_S = (600, 60)
OPTIONAL = ("until", "signal")          # of a label: left out rather than empty
LISTS = ("proposals", "events", "decoys", "allowed")
DECOY_S = 300           # on each side of an event that was none
_NUMBER = re.compile("[0-9]{1,9}")


def proposals(events: Sequence[Event]) -> list[dict[str, Any]]:
    """A label for each event that was raised or noted, oldest first; it counts once it is confirmed."""
    return [_proposal(event, events) for event in sorted(events, key=lambda e: e.time)
            if event.transition is Transition.RAISED or event.kind == "changeout-done"]  # fmt: skip


def _proposal(event: Event, events: Sequence[Event]) -> dict[str, Any]:
    within, early = WITHIN_S.get(event.kind, USUAL_S)
    onset = event.onset if event.onset is not None and event.kind != "changeout-done" else event.time
    # What was found must count: a slow detection of this replay widens its own window.
    within = max(within, -(-(event.time - onset) // NS) + within // 2)
    entry: dict[str, Any] = {"time": to_rfc3339(onset), "kind": event.kind, "vessel": event.vessel,
                             "detail": event.detail, "within_s": within, "early_s": early}  # fmt: skip
    if event.signal is not None:
        entry["signal"] = event.signal
    cleared = next((e.time for e in events if e.transition is Transition.CLEARED and e.time > event.time and
                    (e.kind, e.vessel, e.signal) == (event.kind, event.vessel, event.signal)), None)  # fmt: skip
    if cleared is not None:
        entry["until"] = to_rfc3339(cleared)
    return entry


def numbered(document: dict[str, Any]) -> list[tuple[int, str, dict[str, Any]]]:
    """Every entry with its number from 1, and which list it stands in, of LISTS in turn."""
    entries = [(name, entry) for name in LISTS
               for entry in document.get(name, []) if isinstance(entry, dict)]  # fmt: skip
    return [(number, name, entry) for number, (name, entry) in enumerate(entries, 1)]


def chosen(document: dict[str, Any], text: str) -> list[tuple[int, str, dict[str, Any]]]:
    """Entries by their numbers: `3`, `1,4-6`, or `all` for every proposal."""
    every = numbered(document)
    if text.strip() == "all":
        return [item for item in every if item[1] == "proposals"]
    wanted: set[int] = set()
    for part in text.split(","):
        low, dash, high = (word.strip() for word in part.partition("-"))
        if not _NUMBER.fullmatch(low) or (dash and not _NUMBER.fullmatch(high)):
            raise InputError(f"found {text!r}; accepted: numbers of the list, as 3 or 1,4-6, or all proposals as all")
        first, last = int(low), int(high or low)
        if not 1 <= first <= last <= len(every):
            accepted = f"numbers from 1 to {len(every)}" if every else "nothing, as the list is empty"
            raise InputError(f"found {part.strip()}; accepted: {accepted}")
        wanted |= set(range(first, last + 1))
    return [item for item in every if item[0] in wanted]


def confirm(document: dict[str, Any], text: str, *, by: str) -> int:
    """Proposals become labels. by: who says so, here and below. Returns how many."""
    picked = chosen(document, text)
    for _, name, entry in picked:
        if name != "proposals":
            raise InputError(f"{entry.get('time')}: is no proposal; accepted: numbers of proposals")
        document["proposals"].remove(entry)
        document.setdefault("events", []).append(entry | {"by": by})
    _order(document)
    return len(picked)


def reject(document: dict[str, Any], text: str, what: str, *, by: str) -> int:
    """Proposals and labels become decoys: they look like an event and are none. Returns how many."""
    picked = chosen(document, text)
    for _, name, entry in picked:
        if name not in ("proposals", "events"):
            raise InputError(f"{entry.get('time')}: is no proposal and no label; accepted: numbers of these")
        document[name].remove(entry)
        time = _ns(entry["time"])
        last = max(_ns(entry["until"]) if "until" in entry else time, time + round(entry["within_s"] * NS))
        document.setdefault("decoys", []).append(
            {"time": to_rfc3339(time - DECOY_S * NS), "until": to_rfc3339(last), "what": _none_such(entry, what),
             "by": by})
    _order(document)
    return len(picked)


def _none_such(entry: dict[str, Any], why: str) -> str:
    """What a decoy is called: `no signal-fault of PT-101, stale: the gateway was off`."""
    where = entry.get("signal") or entry.get("vessel")
    words = f"no {entry['kind']}" + (f" of {where}" if where else "")
    words += f", {entry['detail']}" if entry.get("detail") else ""
    return f"{words}: {why}" if why else words


def drop(document: dict[str, Any], text: str) -> int:
    """Take entries out. Returns how many."""
    picked = chosen(document, text)
    for _, name, entry in picked:
        document[name].remove(entry)
    return len(picked)


def correct(document: dict[str, Any], text: str, changes: dict[str, Any], *, by: str) -> int:
    """Change fields of labels and proposals; None empties one. A proposal that is corrected is confirmed. Returns how
    many."""
    picked = chosen(document, text)
    for _, name, entry in picked:
        if name not in ("proposals", "events"):
            raise InputError(f"{entry.get('time')}: is no proposal and no label; accepted: numbers of these")
        document[name].remove(entry)
        changed = entry | changes | {"by": by}
        for key in OPTIONAL:
            if changed.get(key) is None:
                changed.pop(key, None)
        document.setdefault("events", []).append(changed)
    _order(document)
    return len(picked)


def add(document: dict[str, Any], entry: dict[str, Any], *, by: str) -> None:
    """A label that no replay proposed."""
    if missing := [name for name in ("time", "kind") if name not in entry]:
        raise InputError(f"{' and '.join(missing)} missing; accepted: when it began, as 2026-04-14T07:16:00Z, and what "
                         "it was")
    within, early = WITHIN_S.get(entry["kind"], USUAL_S)
    whole = {"vessel": None, "detail": None, "within_s": within, "early_s": early} | entry | {"by": by}
    document.setdefault("events", []).append(whole)
    _order(document)


def _order(document: dict[str, Any]) -> None:
    for name in LISTS:
        if name in document:
            document[name].sort(key=lambda entry: (_ns(entry["time"]), entry.get("kind", "")))


def _ns(text: str) -> int:
    from monitor.times import parse_rfc3339

    found = parse_rfc3339(text)
    if isinstance(found, str):
        raise InputError(f"found time {text}; accepted: RFC 3339 with its offset, as 2026-04-14T07:16:00Z")
    return found
