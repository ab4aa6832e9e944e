"""The record of each vessel's changeouts: what the engine saw, and what people found when they looked."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from monitor.model import DAY, Event
from monitor.skid import SkidSettings
from monitor.web.data import Source
from monitor.web.words import iso

KIND = "changeout-done"
ACTION = "inspection"           # the request that carries what somebody found
MOST = 2_000
VERDICTS = {"good": "consistent with a clean element", "resistance-low": "too little resistance",
            "resistance-high": "too much resistance", "unverified": "not verified"}
# What is asked of the one who changed it: name, question, accepted answers.
QUESTIONS = (
    ("basket", "Strainer basket looked at", ("sound", "damaged", "not looked at")),
    ("element", "Element fitted", ("the usual one", "another one", "none")),
    ("o_ring", "O-ring of the closure", ("new", "kept, sound", "kept, worn", "not looked at")),
    ("leak", "Leak seen after return", ("none seen", "drips", "runs", "not looked at")),
)
WORDS = ("part", "note")        # free text: part number of another element, anything else
LONGEST = 500
NOTHING: Mapping[tuple[str, int], Mapping[str, Any]] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Inspection:
    """What somebody found. time: when it was said, wall clock, ns."""

    time: int
    who: str
    found: dict[str, str]

    @property
    def worrying(self) -> bool:
        return (self.found.get("basket") == "damaged" or self.found.get("element") == "none"
                or self.found.get("o_ring") == "kept, worn" or self.found.get("leak") in ("drips", "runs"))

    @property
    def words(self) -> str:
        told = [f"{label.lower()}: {self.found[name]}" for name, label, _ in QUESTIONS if self.found.get(name)]
        return "; ".join([*told, *(self.found[w] for w in WORDS if self.found.get(w))])


@dataclass(frozen=True, slots=True)
class Record:
    """One changeout. Times ns; None where not known. before, after: normalised dP of the skid, bar."""

    event: str
    skid: str
    vessel: str | None
    isolated: int | None
    returned: int
    life_h: float | None
    volume_m3: float | None
    before: float | None
    after: float | None
    ratio: float | None
    verdict: str
    closure: str          # what was seen of it while held shut, and why not more; empty: an older version told
    closure_why: str
    fitted: str = ""      # what somebody told was fitted, and who
    fitted_by: str = ""
    as_told: bool = False     # the vessel: it was not seen which
    inspections: tuple[Inspection, ...] = ()

    @property
    def verdict_words(self) -> str:
        return VERDICTS.get(self.verdict, self.verdict)


def records(source: Source, skid: str | None = None, limit: int = MOST) -> list[Record]:
    """The newest first."""
    found, told = inspections(source), source.told_changeouts(skid)
    return [record(e, told, found.get(e.id, ())) for e in source.events(skid, kinds=[KIND], limit=limit)]


def record(event: Event, told: Mapping[tuple[str, int], Mapping[str, Any]] = NOTHING,
           looked: Sequence[Inspection] = ()) -> Record:
    """told: what people told of changeouts, by skid and time of return."""
    seen: dict[str, Any] = event.evidence
    returned = seen.get("returned_at", event.time)
    said = told.get((event.skid, returned), {})
    return Record(event.id, event.skid, event.vessel or said.get("vessel"), seen.get("isolated_at", event.onset),
                  returned, seen.get("life_h"), seen.get("volume_m3"), seen.get("drop_before_bar"),
                  seen.get("drop_after_bar"), event.value, event.detail or "unverified",
                  str(seen.get("closure") or ""), str(seen.get("closure_why") or ""), str(said.get("part", "")),
                  str(said.get("who", "")), bool(said) and (event.vessel is None or not said["seen"]), tuple(looked))


def inspections(source: Source) -> dict[str, list[Inspection]]:
    """Event id -> what was found, oldest first."""
    found: dict[str, list[Inspection]] = {}
    for request in source.requests(ACTION):
        body = request.body if isinstance(request.body, dict) else {}
        told = {k: str(v) for k, v in body.items() if k not in ("event", "who")}
        found.setdefault(str(body.get("event")), []).insert(
            0, Inspection(request.time, str(body.get("who", "")), told))
    return found


def last_changes(events: Sequence[Event], told: Mapping[tuple[str, int], Mapping[str, Any]]) -> dict[str, Record]:
    """Vessel -> its newest changeout. events: the newest first; told: what people told of them."""
    found = (record(e, told) for e in reversed(events))
    return {one.vessel: one for one in found if one.vessel is not None}


@dataclass(frozen=True, slots=True)
class Used:
    """Elements used on a skid up to its newest reading, and what is said of those needed."""

    skid: SkidSettings
    month: int
    year: int
    needed: str


def elements_used(source: Source, skids: Sequence[SkidSettings], found: Sequence[Record]) -> list[Used]:
    """Elements of the last 30 and 365 days: every changeout takes as many as a vessel holds."""
    now = source.newest() or 0
    def count(skid: SkidSettings, days: int) -> int:
        return skid.element.per_vessel * sum(r.skid == skid.id and r.returned > now - days * DAY for r in found)

    plans = source.plans()
    needed = {skid: dict(told).get("elements", "") for skid, (_, told) in plans.items()}
    used = [Used(s, count(s, 30), count(s, 365), needed.get(s.id, "")) for s in skids]
    return [u for u in used if u.year or u.needed]


COLUMNS = ("skid", "vessel", "isolated_at", "returned_at", "life_h", "volume_m3", "dp_before_bar", "dp_after_bar",
           "resistance_ratio", "verdict", "closure", "closure_why", "fitted", "fitted_by", "looked_at_by",
           *(name for name, *_ in QUESTIONS), *WORDS)


def as_csv(found: Sequence[Record]) -> str:
    """The columns of a replay's `changeouts.csv`, then the newest inspection."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for r in found:
        looked = r.inspections[-1] if r.inspections else Inspection(0, "", {})
        cells = [r.skid, r.vessel or "", "" if r.isolated is None else iso(r.isolated), iso(r.returned), r.life_h,
                 r.volume_m3, r.before, r.after, r.ratio, r.verdict, r.closure, r.closure_why, r.fitted, r.fitted_by,
                 looked.who,
                 *(looked.found.get(name, "") for name, *_ in QUESTIONS), *(looked.found.get(w, "") for w in WORDS)]
        writer.writerow([_plain(c) for c in cells])
    return text.getvalue()


def _plain(cell: Any) -> Any:
    """A text that a spreadsheet would take for a formula is marked as text."""
    return f"'{cell}" if isinstance(cell, str) and cell[:1] in ("=", "+", "-", "@", "\t", "\r") else cell
