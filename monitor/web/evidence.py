"""The evidence of an event as names and values for a person: what was compared, in units that are read."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from monitor.model import NS, Event
from monitor.times import parse_time
from monitor.web.words import UNKNOWN, duration, utc

YEAR_2000, YEAR_2100 = 946_684_800 * NS, 4_102_444_800 * NS


DRAWN = ("course",)         # what the trends beside it show
LISTED = 12                 # numbers of one list


def facts(event: Event) -> list[tuple[str, str]]:
    """Every piece of evidence, in the order in which it was recorded; what was compared in one sentence."""
    told: list[tuple[str, str]] = []
    for key, value in event.evidence.items():
        if key in DRAWN:
            continue
        if isinstance(value, Mapping) and "what" in value and "value" in value:
            told.append((_name(key), _compared(value)))
        elif isinstance(value, Mapping) and {"from", "until"} <= value.keys():
            told.append((_name(key), f"{_value('from', value['from'])} to {_value('until', value['until'])}"))
        else:
            told += [(name, _value(k, v)) for name, k, v in _leaves({key: value})]
    return told


def _compared(told: Mapping[str, Any]) -> str:
    unit = "" if told.get("unit") in (None, "1") else f" {told['unit']}"
    seen = f"{told['what']}: {_value('', told['value'])}{unit}"
    if told.get("against") is None:
        return seen
    return f"{seen}, against {told.get('against_what') or 'a limit'}: {_value('', told['against'])}{unit}"


def _leaves(tree: Mapping[str, Any], above: str = "") -> Iterator[tuple[str, str, Any]]:
    for key, value in tree.items():
        name = f"{above}: {_name(key)}" if above else _name(key)
        if isinstance(value, Mapping):
            yield from _leaves(value, name)
        else:
            yield name, key, value


_UNITS = {"_pa": "bar", "_bar": "bar", "_h": "h", "_m3s": "m³/h", "_m3": "m³", "_s": "s", "_min": "min", "_90": ""}
_SCALES = {"_pa": 1e-5, "_m3s": 3600.0}


def _name(key: str) -> str:
    for ending in _UNITS:
        if key.endswith(ending) and ending != "_90":
            key = key.removesuffix(ending)
    words = key.replace("pressure_drop", "dP").replace("drop_", "dP ").replace("_", " ")
    words = words.replace(" 90", ", 90 % interval")
    return words if words.startswith("dP") else words[:1].upper() + words[1:]


def _value(key: str, value: Any) -> str:
    if isinstance(value, list | tuple):
        more = f" and {len(value) - LISTED} more" if len(value) > LISTED else ""
        return ", ".join(_value(key, x) for x in value[:LISTED]) + more or UNKNOWN
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return UNKNOWN
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int) and YEAR_2000 <= value < YEAR_2100:
        return utc(value)
    if isinstance(value, int | float):
        return _number(key, float(value))
    at = parse_time(value) if isinstance(value, str) and value[:4].isdigit() and "T" in value else value
    return utc(at) if isinstance(at, int) else str(value)


def _number(key: str, value: float) -> str:
    ending = next((e for e in _UNITS if key.endswith(e)), "")
    if ending == "_s" and abs(value) >= 120:
        return duration(value)
    return f"{value * _SCALES.get(ending, 1.0):.4g} {_UNITS.get(ending, '')}".strip()
