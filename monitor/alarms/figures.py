"""How the alarm system performs, from its journal: the measures of ISA-18.2, IEC 62682 and EEMUA 191.

The measures and the targets beside them are from memory of those documents: an operator can take about one alarm in
ten minutes (150 a day), two (300 a day) at the most; more than ten in ten minutes is a flood, of less than 1 % of the
time; the ten most frequent make less than 5 % of the load; chattering alarms none; stale ones under five a day;
priorities about 5 % high, 15 % medium, 80 % low.
"""

from __future__ import annotations

import statistics
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

from monitor.alarms.catalogue import PRIORITIES, sort_of
from monitor.alarms.lifecycle import State
from monitor.alarms.standing import alarm_id
from monitor.model import DAY, NS, Entry

TEN_MINUTES = 600 * NS
FLOOD = 10                  # annunciations in ten minutes, above which it is a flood
CHATTER, CHATTER_WITHIN = 3, 60 * NS
FLEETING = 60 * NS          # over so soon that nobody can have responded
STALE = DAY                 # active for longer without a break
MOST = 10
TARGETS = {
    "a_day": 150.0, "a_day_at_most": 300.0, "per_10_min": 1.0, "flood_share": 0.01, "top_ten_share": 0.05,
    "chattering": 0, "stale": 5, "priority_share": {"high": 0.05, "medium": 0.15, "low": 0.80},
}  # fmt: skip


@dataclass(slots=True)
class Figures:
    """Over `days`. Shares are parts of 1; times in s; counts of annunciations unless said otherwise."""

    days: float
    annunciated: int = 0
    a_day: float = 0.0
    per_10_min: float = 0.0
    most_in_10_min: int = 0
    flood_share: float = 0.0            # of the ten-minute spans
    by_priority: dict[str, int] = field(default_factory=dict)
    most_frequent: list[tuple[str, int]] = field(default_factory=list)
    top_ten_share: float = 0.0
    chattering: list[str] = field(default_factory=list)
    fleeting: int = 0
    stale: list[str] = field(default_factory=list)
    acknowledged: int = 0
    median_to_acknowledge_s: float | None = None
    shelved: int = 0
    suppressed: int = 0
    out_of_service: int = 0
    refused: int = 0


def figures(entries: Sequence[Entry], start: int, end: int) -> Figures:
    """From the lines of the journal with start <= time < end [ns], in any order. What stood before is not known."""
    span = max(end - start, 1)
    found = Figures(days=span / DAY)
    lines = sorted((e for e in entries if start <= e.time < end), key=lambda e: e.time)
    alarms: dict[str, list[Entry]] = defaultdict(list)
    for line in lines:
        if line.kind is not None and line.skid is not None and line.after is not None and sort_of(line.kind) == "alarm":
            alarms[alarm_id((line.skid, line.kind, line.vessel, line.signal))].append(line)
    told = [(e.time, name, e.priority) for name, lines_of in alarms.items() for e in lines_of if annunciates(e)]
    _load(found, told, start, span)
    _each(found, alarms, end)
    steps = Counter(line.step for line in lines)
    found.shelved, found.suppressed = steps["shelve"], steps["suppressed"]
    found.out_of_service, found.refused = steps["out-of-service"], steps["refused"]
    return found


def annunciates(entry: Entry) -> bool:
    """Whether the line is one at which the control room was told."""
    return entry.after == State.UNACKNOWLEDGED and entry.before != State.UNACKNOWLEDGED


def _load(found: Figures, told: Sequence[tuple[int, str, str | None]], start: int, span: int) -> None:
    found.annunciated = len(told)
    found.a_day = len(told) / found.days
    spans = max(1, -(-span // TEN_MINUTES))
    found.per_10_min = len(told) / spans
    loads = Counter((time - start) // TEN_MINUTES for time, _, _ in told)
    found.most_in_10_min = max(loads.values(), default=0)
    found.flood_share = sum(n > FLOOD for n in loads.values()) / spans
    counts = Counter(priority for _, _, priority in told)
    found.by_priority = {p: counts[p] for p in PRIORITIES}
    found.most_frequent = Counter(name for _, name, _ in told).most_common(MOST)
    found.top_ten_share = sum(n for _, n in found.most_frequent) / len(told) if told else 0.0


def _each(found: Figures, alarms: dict[str, list[Entry]], end: int) -> None:
    waits: list[float] = []
    for name, lines in alarms.items():
        raised = [e.time for e in lines if e.step == "raised"]
        if any(b - a <= CHATTER_WITHIN for a, b in zip(raised, raised[CHATTER - 1 :], strict=False)):
            found.chattering.append(name)
        active: int | None = None
        told: int | None = None
        for line in lines:
            if line.step == "raised":
                active = line.time
            elif line.step == "cleared" and active is not None:
                found.fleeting += line.time - active <= FLEETING
                _stale(found, name, active, line.time)
                active = None
            if annunciates(line) and told is None:
                told = line.time
            elif line.step == "ack" and told is not None:
                waits.append((line.time - told) / NS)
                told = None
        if active is not None:
            _stale(found, name, active, end)
    found.acknowledged = len(waits)
    found.median_to_acknowledge_s = statistics.median(waits) if waits else None


def _stale(found: Figures, name: str, since: int, until: int) -> None:
    if until - since > STALE and name not in found.stale:
        found.stale.append(name)
