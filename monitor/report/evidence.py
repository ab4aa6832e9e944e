"""The evidence of an event in words: what was compared, over which window, by which rule, what could have been seen.

`monitor.engine.evidence` says which keys there are. An event of an older version may lack some: what is missing is
left out, never guessed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from monitor.model import NS, Event
from monitor.times import parse_rfc3339
from monitor.web.words import duration, utc

SHARED = ("rule", "window", "compared", "smallest_detectable", "ruled_out", "course")
BARS = "▁▂▃▄▅▆▇█"
BAR_PA = 1e5
UNKNOWN = "not known"


def told(event: Event) -> Iterator[tuple[str, str]]:
    """Name and text of each part of the evidence that all kinds share."""
    evidence = event.evidence
    compared: Mapping[str, Any] | None = evidence.get("compared")
    if compared:
        unit = compared["unit"]
        yield "compared", (f"{compared['what']}: {quantity(compared['value'], unit)}; {compared['against_what']}: "
                           f"{quantity(compared['against'], unit)}")  # fmt: skip
    window = window_of(event)
    if window:
        start, end = window
        yield "window", f"{utc(start)} to {utc(end)} ({duration((end - start) / NS)})"
    if "rule" in evidence:
        yield "rule", str(evidence["rule"])
    smallest: Mapping[str, Any] | None = evidence.get("smallest_detectable")
    if smallest:
        yield "smallest", f"{smallest['what']}: {quantity(smallest['value'], smallest['unit'])}"
    if evidence.get("ruled_out"):
        yield "ruled out", "; ".join(evidence["ruled_out"])


def window_of(event: Event) -> tuple[int, int] | None:
    """What was looked at, ns."""
    window = event.evidence.get("window")
    if not isinstance(window, Mapping):
        return None
    start, end = parse_rfc3339(str(window["from"])), parse_rfc3339(str(window["until"]))
    return (start, end) if isinstance(start, int) and isinstance(end, int) else None


def quantity(value: float | None, unit: str) -> str:
    """A number of the evidence (SI) as people read it.

    >>> quantity(101325.0, "Pa"), quantity(120.0, "Pa"), quantity(0.59, "1"), quantity(0.01, "m^3/s")
    ('1.013 bar', '1.2 mbar', '0.59', '36 m³/h')
    """
    if value is None or not math.isfinite(value):
        return UNKNOWN
    if unit == "Pa":
        return f"{value / BAR_PA:.4g} bar" if abs(value) >= 0.01 * BAR_PA else f"{value / 100:.3g} mbar"
    if unit == "m^3/s":
        return f"{value * 3600:.4g} m³/h"
    if unit == "s":
        return f"{value:.3g} s" if abs(value) < 120 else duration(value)
    return f"{value:.4g}" + ("" if unit == "1" else f" {unit}")


def numbers(event: Event) -> Iterator[tuple[str, str]]:
    """What the kind knows besides, as it is stored (SI)."""
    for key, value in event.evidence.items():
        if key not in SHARED:
            yield from _flat(key, value)


def _flat(key: str, value: Any) -> Iterator[tuple[str, str]]:
    if isinstance(value, Mapping):
        for name, inner in value.items():
            yield from _flat(f"{key} {name}", inner)
    elif isinstance(value, list):
        yield key, ", ".join(_plain(v) for v in value) or "none"
    else:
        yield key, _plain(value)


def _plain(value: Any) -> str:
    if value is None:
        return UNKNOWN
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int) and value > 10**17:
        return utc(value)      # ns since 1970
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def course(event: Event) -> dict[str, np.ndarray] | None:
    """The look back that the event carries: `time` (ns, start of each point) and columns (SI, NaN where not known)."""
    kept = event.evidence.get("course")
    start = parse_rfc3339(str(kept.get("from"))) if isinstance(kept, Mapping) else None
    if not isinstance(kept, Mapping) or not isinstance(start, int):
        return None
    columns = {key.rpartition("_")[0]: np.array(v, float) for key, v in kept.items() if isinstance(v, list)}
    size = max((v.size for v in columns.values()), default=0)
    if size == 0:
        return None
    return {"time": start + np.arange(size, dtype=np.int64) * int(kept["step_s"]) * NS} | columns


def sparkline(values: np.ndarray, width: int = 60) -> str:
    """A course in one line of text; a gap where nothing is known.

    >>> sparkline(np.array([1.0, 2.0, np.nan, 3.0]))
    '▁▅ █'
    """
    parts = [p[np.isfinite(p)] for p in np.array_split(values, min(width, values.size))]
    means = [float(p.mean()) if p.size else math.nan for p in parts]
    known = [m for m in means if math.isfinite(m)]
    if not known:
        return ""
    low, span = min(known), max(known) - min(known) or 1.0
    return "".join(" " if math.isnan(m) else BARS[min(int((m - low) / span * len(BARS)), len(BARS) - 1)] for m in means)
