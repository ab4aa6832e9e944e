"""The evidence in every event: what was compared with what, over which window, by which rule, and what the smallest
case was that would have been told at that moment.

Events leave the engine through `with_evidence`, whichever part made them. The keys that all of them have, SI:

rule                  one sentence, with its limit
window                {"from", "until"}: RFC 3339, what was looked at
compared              {"what", "value", "against_what", "against", "unit"}; a value that is not known is null
smallest_detectable   {"what", "value", "unit"}
ruled_out             what else was weighed and does not explain it, in words
course                of raised and noted events: means of the look back up to the decision, see `course`
now                   of the same: means of the last four seconds before it [Pa, m^3/s]

What a kind knows besides stands beside them under its own names.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np

from monitor.engine import codes
from monitor.engine.look_back import latest_seconds
from monitor.engine.row_tier import RowTier
from monitor.model import NS, Event, Transition
from monitor.skid import SkidSettings
from monitor.times import to_rfc3339

STRIDE = 2               # blocks of the look back in one point of the course
LAST_S = 4               # seconds in `now`
COLUMNS = ("inlet", "outlet", "pressure_drop", "normalised")


@dataclass(frozen=True, slots=True)
class Moment:
    """An event and the state it was told in. i: position of the skid."""

    event: Event
    skid: SkidSettings
    tier: RowTier
    i: int

    @property
    def frame(self) -> np.record:
        record: np.record = self.tier.state.skid[self.i]
        return record

    @property
    def raised(self) -> bool:
        return self.event.transition is not Transition.CLEARED

    def number(self, key: str) -> float:
        """A number the event carries already, NaN where it does not."""
        value = self.event.evidence.get(key)
        return float(value) if isinstance(value, int | float) else math.nan

    @property
    def begun(self) -> int:
        return self.event.time if self.event.onset is None else self.event.onset


class Basis(NamedTuple):
    """What an event rests on. since: ns; the window ends with the decision."""

    rule: str
    since: int
    what: str
    value: float
    against_what: str
    against: float
    unit: str
    smallest_what: str
    smallest: float
    smallest_unit: str
    ruled_out: tuple[str, ...] = ()


Explain = Callable[[Moment], Basis]


def with_evidence(event: Event, skid: SkidSettings, tier: RowTier, i: int, explain: dict[str, Explain]) -> Event:
    """The event with the keys that all have; `explain`: by kind, what it rests on. Others stay as they are."""
    at = Moment(event, skid, tier, i)
    if event.kind not in explain:
        return event
    basis = explain[event.kind](at)
    shared: dict[str, Any] = {
        "rule": basis.rule,
        "window": {"from": to_rfc3339(min(basis.since, event.time)), "until": to_rfc3339(event.time)},
        "compared": {
            "what": basis.what, "value": number(basis.value), "against_what": basis.against_what,
            "against": number(basis.against), "unit": basis.unit,
        },
        "smallest_detectable": {
            "what": basis.smallest_what, "value": number(basis.smallest), "unit": basis.smallest_unit,
        },
        "ruled_out": list(basis.ruled_out),
    }  # fmt: skip
    if at.raised:
        shared["course"] = course(tier.state.history[i], skid.reference.flow)
        shared["now"] = now(tier.state.skid[i], skid.reference.flow)
    return replace(event, evidence=shared | event.evidence)


def course(history: np.record, reference_flow: float) -> dict[str, Any]:
    """The look back in points of `step_s` seconds, oldest first: `from` (RFC 3339), and lists of pressures [Pa] and
    flow [m^3/s] by name; null where not known, a column that is not known at all is left out."""
    used = min(int(history["used"]), codes.BLOCKS)
    start = np.asarray(history["start"])[:used]
    order = np.argsort(start)
    if used == 0:
        return {"from": None, "step_s": STRIDE * codes.BLOCK_S}
    start, means = start[order], np.asarray(history["means"], float)[:used][order]
    step = STRIDE * codes.BLOCK_S * NS
    first = int(start[0]) // step * step
    place = ((start - first) // step).astype(int)
    out: dict[str, Any] = {"from": to_rfc3339(first), "step_s": STRIDE * codes.BLOCK_S}
    for name in (*COLUMNS, "flow", "turbidity"):
        values = _averaged(means[:, codes.BLOCK_FIELDS.index(name)], place)
        if any(v is not None for v in values):
            scale = reference_flow if name == "flow" else 1.0
            unit = {"flow": "_m3s", "turbidity": "_ntu"}.get(name, "_pa")
            out[name + unit] = [None if v is None else number(v * scale, 5) for v in values]
    return out


def now(frame: np.record, reference_flow: float) -> dict[str, float | None]:
    """Means of the last seconds, by the names of `course`; null where one is not known."""
    rings = {"inlet_pa": "inlet", "outlet_pa": "outlet", "pressure_drop_pa": "dp", "normalised_pa": "normalised"}
    newest = latest_seconds(frame, 0, LAST_S)
    found = {name: number(float(np.mean(frame[f"ring_{ring}"][newest])), 5) for name, ring in rings.items()}
    return found | {"flow_m3s": number(float(np.mean(frame.ring_flow[newest])) * reference_flow, 5)}


def _averaged(values: np.ndarray, place: np.ndarray) -> list[float | None]:
    known = np.isfinite(values)
    size = int(place[-1]) + 1
    total = np.bincount(place[known], values[known], size)
    count = np.bincount(place[known], minlength=size)
    return [float(t / c) if c else None for t, c in zip(total, count, strict=True)]


def percent(share: float, digits: int = 0) -> str:
    """A share as text.

    >>> percent(0.15), percent(1.0625, 2)
    ('15 %', '106.25 %')
    """
    return f"{100 * share:.{digits}f} %"


def number(x: float, digits: int = 6) -> float | None:
    """A number to so many significant digits; null where it is not finite."""
    return float(f"{x:.{digits}g}") if math.isfinite(x) else None
