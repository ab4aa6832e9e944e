"""Labels: what a recording holds, read off the plant's truth.

Windows are as the contract of recordings asks: `time`, `within_s`, `early_s`, `until`; spans in `allowed`
where a raise is neither expected nor false. All times here are seconds since the recording's start.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Json = dict[str, Any]


def rfc3339(start_ns: int, second: float) -> str:
    """Event time as text, to the millisecond."""
    whole, rest = divmod(start_ns // 1_000_000 + round(second * 1000), 1000)
    return f"{datetime.fromtimestamp(whole, UTC):%Y-%m-%dT%H:%M:%S}.{rest:03d}Z"


@dataclass(slots=True)
class Labels:
    """Collects labels; `document` writes them as labels.json holds them."""

    start_ns: int
    seconds: float
    events: list[Json] = field(default_factory=list)
    decoys: list[Json] = field(default_factory=list)
    allowed: list[Json] = field(default_factory=list)

    def expect(
        self,
        second: float,
        kind: str,
        within: float,
        *,
        vessel: str | None = None,
        detail: str | None = None,
        **more: Any,
    ) -> None:
        """An event that is to be found; only allowed where the recording ends before `within` is over."""
        if second + within > self.seconds:
            self.allow(kind, second - float(more.get("early_s", 30)), self.seconds)
            return
        label = {"time": second, "kind": kind, "vessel": vessel, "detail": detail, "within_s": round(within)}
        self.events.append(label | more)

    def decoy(self, begin: float, end: float, what: str) -> None:
        """Something that looks like an event and is none."""
        self.decoys.append({"time": begin, "until": min(end, self.seconds), "what": what})

    def allow(self, kind: str, begin: float, end: float, *, detail: str | None = None) -> None:
        """A span in which a raise of `kind` is neither expected nor false."""
        self.allowed.append({"kind": kind, "time": begin, "until": end, "detail": detail})

    def document(self, **more: Any) -> Json:
        """labels.json: lists in time order, times as text."""
        def written(rows: list[Json]) -> list[Json]:
            ordered = sorted(rows, key=lambda r: (r["time"], r.get("kind", "")))
            return [
                {k: rfc3339(self.start_ns, v) if k in ("time", "until", "isolated_at") else v for k, v in r.items()}
                for r in ordered
            ]

        return {"events": written(self.events), "decoys": written(self.decoys), "allowed": written(self.allowed)} | more


def first_above(second: Array, value: Array, limit: float, begin: float) -> float | None:
    """When `value` first reaches `limit` after `begin`, between its rows; None if it does not."""
    k = int(np.searchsorted(second, begin))
    hit = np.flatnonzero(value[k:] >= limit)
    if not hit.size:
        return None
    i = k + int(hit[0])
    if i == 0 or value[i - 1] >= limit or value[i] == value[i - 1]:
        return float(second[i])
    share = (limit - value[i - 1]) / (value[i] - value[i - 1])
    return float(second[i - 1] + share * (second[i] - second[i - 1]))


def spans(second: Array, holds: npt.NDArray[np.bool_]) -> list[tuple[float, float]]:
    """From when to when something holds."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], holds, [False]]).astype(np.int8)))
    last = np.append(second, second[-1] + (second[-1] - second[-2] if second.size > 1 else 1.0))
    return [(float(last[a]), float(last[b])) for a, b in edges.reshape(-1, 2)]


@dataclass(frozen=True, slots=True)
class Due:
    """A crossing of changeout_dp: when, when it was `band` below and above, until when it lasted [s]."""

    time: float
    early: float
    late: float
    until: float


def due_crossings(second: Array, reference: Array, limit: float, band: float) -> list[Due]:
    """Upward crossings of `limit` by the true dP at reference conditions, that begin below it.

    A crossing ends where the dP is back under 90 % of the limit, as the alarm does.
    """
    found: list[Due] = []
    k = 0
    while True:
        below = np.flatnonzero(reference[k:] < 0.9 * limit)
        if not below.size:
            return found
        k += int(below[0])
        time = first_above(second, reference, limit, second[k])
        if time is None:
            return found
        i = int(np.searchsorted(second, time))
        over = np.flatnonzero(reference[i:] < 0.9 * limit)
        until = float(second[i + over[0]]) if over.size else float(second[-1])
        early = _last_below(second, reference, (1 - band) * limit, time)
        late = first_above(second, reference, (1 + band) * limit, time)
        found.append(Due(time, early, min(until, late if late is not None else until), until))
        k = int(np.searchsorted(second, until))


def _last_below(second: Array, value: Array, limit: float, before: float) -> float:
    """When `value` last rose through `limit` before a time."""
    i = int(np.searchsorted(second, before)) - 1
    below = np.flatnonzero(value[: i + 1] < limit)
    return float(second[min(below[-1] + 1, i)]) if below.size else float(second[0])
