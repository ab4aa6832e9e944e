"""The evidence of an event as names and values for a person: what was compared, in units that are read."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from monitor.model import NS, Event
from monitor.web.words import UNKNOWN, duration, utc

YEAR_2000, YEAR_2100 = 946_684_800 * NS, 4_102_444_800 * NS


def facts(event: Event) -> list[tuple[str, str]]:
    """Every piece of evidence, in the order in which it was recorded."""
    return [(name, _value(key, value)) for name, key, value in _leaves(event.evidence)]


def _leaves(tree: Mapping[str, Any], above: str = "") -> Iterator[tuple[str, str, Any]]:
    for key, value in tree.items():
        name = f"{above}: {_name(key)}" if above else _name(key)
        if isinstance(value, Mapping):
            yield from _leaves(value, name)
        else:
            yield name, key, value


_UNITS = {"_pa": "bar", "_bar": "bar", "_h": "h", "_m3": "m³", "_s": "s", "_min": "min", "_90": ""}


def _name(key: str) -> str:
    for ending in _UNITS:
        if key.endswith(ending) and ending != "_90":
            key = key.removesuffix(ending)
    words = key.replace("_", " ")
    return words.replace(" 90", ", 90 % interval")[:1].upper() + words.replace(" 90", ", 90 % interval")[1:]


def _value(key: str, value: Any) -> str:
    if isinstance(value, list | tuple):
        return ", ".join(_value(key, x) for x in value) or UNKNOWN
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return UNKNOWN
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int) and YEAR_2000 <= value < YEAR_2100:
        return utc(value)
    if isinstance(value, int | float):
        return _number(key, float(value))
    return str(value)


def _number(key: str, value: float) -> str:
    ending = next((e for e in _UNITS if key.endswith(e)), "")
    if ending == "_s" and abs(value) >= 120:
        return duration(value)
    return f"{value / 1e5 if ending == '_pa' else value:.4g} {_UNITS.get(ending, '')}".strip()
