"""What a control room's own systems call our kinds: ISA-5.1 letters and NE 107 status, from memory of both.

ISA-5.1 (2009): P pressure, D difference, F flow, M moisture; A alarm, H high, HH higher, L low. NE 107 (2017) sorts
what a device says of itself into failure (F), function check (C), out of specification (S) and maintenance
required (M); used here for filters and transmitters alike. Which kind goes with which: common practice, no source.
"""

from __future__ import annotations

FAILURE, CHECK, OUTSIDE, MAINTENANCE = "failure", "function-check", "out-of-specification", "maintenance-required"
SYMBOLS = {FAILURE: "F", CHECK: "C", OUTSIDE: "S", MAINTENANCE: "M"}

# A detail of its own before the kind as a whole (None).
_LETTERS: dict[str, dict[str | None, str]] = {
    "changeout-due": {None: "PDAH"},
    "dp-limit": {None: "PDAHH"},
    "element-breach": {None: "PDAL"},
    "changeout-suspect": {None: "PDA", "resistance-low": "PDAL", "resistance-high": "PDAH"},
    "closure-seep": {None: "PAL", "leak-sensor": "MAH"},
    "surge": {None: "PAHH"},
    "flow-blocked": {None: "FAL"},
    "blocked-outside": {None: "FAL"},
    "vessel-repressurised": {None: "PAH"},
    "pressure-rise": {None: "PAH"},
    "reverse-dp": {None: "PDAL"},
    "loading-unusual": {"stalled": "PDAL", "fast": "PDAH"},
}
_STATUS: dict[str, dict[str | None, str]] = {
    "changeout-due": {None: MAINTENANCE},
    "changeout-forecast": {None: MAINTENANCE},
    "dp-limit": {None: OUTSIDE},
    "element-breach": {None: FAILURE},
    "changeout-suspect": {None: MAINTENANCE},
    "closure-seep": {None: MAINTENANCE},
    "surge": {None: OUTSIDE},
    "flow-blocked": {None: FAILURE},
    "reverse-dp": {None: OUTSIDE},
    "vessel-repressurised": {None: OUTSIDE},
    "pressure-rise": {None: OUTSIDE},
    "signal-fault": {None: FAILURE, "zero-shift": OUTSIDE, "spikes": OUTSIDE},
    "loading-unusual": {None: MAINTENANCE},
    "monitor-fault": {None: FAILURE},
}


def letters(kind: str, detail: str | None = None) -> str | None:
    """Letters of the alarm in a tag, None where a kind has none.

    >>> letters("dp-limit"), letters("changeout-suspect", "resistance-high"), letters("changeout-done")
    ('PDAHH', 'PDAH', None)
    """
    return _of(_LETTERS, kind, detail)


def status(kind: str, detail: str | None = None) -> str | None:
    """NE 107 status in words (`SYMBOLS` has its letter), None where a kind says nothing of a state.

    >>> status("signal-fault", "stale"), status("signal-fault", "zero-shift")
    ('failure', 'out-of-specification')
    """
    return _of(_STATUS, kind, detail)


def spoken(kind: str, detail: str | None = None) -> str:
    """Both, for a line of text: `PDAH, M: maintenance required`; empty where there is neither."""
    condition = status(kind, detail)
    words = f"{SYMBOLS[condition]}: {condition.replace('-', ' ')}" if condition else None
    return ", ".join(w for w in (letters(kind, detail), words) if w)


def _of(table: dict[str, dict[str | None, str]], kind: str, detail: str | None) -> str | None:
    found = table.get(kind, {})
    return found.get(detail, found.get(None))
