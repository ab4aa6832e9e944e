"""Words and numbers for a person: names of kinds, times, quantities in the skid's display units."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

import numpy as np
import numpy.typing as npt

from monitor.alarms.catalogue import CATALOGUE, CAUTION
from monitor.alarms.handling import handling_of
from monitor.config.units import from_si
from monitor.model import NS, Event, Role, Transition
from monitor.skid import Handling, SkidSettings

__all__ = [
    "CAUTION", "KINDS", "LEVELS", "UNKNOWN", "Display", "Kind", "clock", "digits_for", "dp_limit", "due_limit",
    "duration", "fixed", "handling", "hours", "iso", "kind_of", "level_of", "printed", "quantity_of",
    "unit_symbol", "utc",
]

UNKNOWN = "\u2014"      # what stands where nothing is known

_DEFAULT_UNITS = {"pressure": "bar", "flow": "m^3/h", "temperature": "degC", "turbidity": "NTU"}
_SYMBOLS = {"m^3/h": "m³/h", "degC": "°C", "degF": "°F", "m^2": "m²", "um": "µm", "m^3/s": "m³/s", "1": ""}
_UNITS_IN_TEXT = re.compile(r"(?<=\d )(?:m\^3/[hs]|m\^2|deg[CF]|um)\b")


@dataclass(frozen=True, slots=True)
class Kind:
    """How a kind of event is named, and how urgent its alarm is: high, medium, low, or note (no alarm)."""

    words: str
    level: str


KINDS: dict[str, Kind] = {
    "dp-limit": Kind("dP near the elements' limit", "high"),
    "flow-blocked": Kind("Flow blocked", "high"),
    "element-breach": Kind("Element breach", "high"),
    "surge": Kind("Pressure surge", "high"),
    "closure-seep": Kind("Closure seep", "medium"),
    "changeout-suspect": Kind("Changeout suspect", "medium"),
    "changeout-due": Kind("Changeout due", "medium"),
    "signal-fault": Kind("Signal fault", "low"),
    "pressure-rise": Kind("Pressure rises", "high"),
    "vessel-repressurised": Kind("Vessel repressurised", "high"),
    "blocked-outside": Kind("Blocked outside the skid", "medium"),
    "loading-unusual": Kind("Loading unlike before", "medium"),
    "reverse-dp": Kind("Reversed dP", "medium"),
    "monitor-fault": Kind("Monitor fault", "medium"),
    "changeout-forecast": Kind("Changeout forecast", "note"),
    "changeout-done": Kind("Changeout done", "note"),
}
LEVELS = ("high", "medium", "low", "note")


def kind_of(name: str) -> Kind:
    """The entry of a kind, with the catalogue's priority; a kind that this page does not know keeps its own name."""
    known = KINDS.get(name) or Kind(name, "low")
    return Kind(known.words, CATALOGUE[name].priority) if name in CATALOGUE else known


def handling(skid: SkidSettings | None, kind: str) -> Handling | None:
    """How a kind of alarm is dealt with on a skid (None: the monitor itself): what its configuration says, else the
    catalogue. None for what is no alarm."""
    rule = None if skid is None else skid.alarms.get(kind)
    return rule.handling if rule is not None and rule.handling is not None else handling_of(kind)


def level_of(event: Event, skid: SkidSettings | None = None) -> str:
    """How an event is coloured: a return to normal and a note are never alarming."""
    if event.transition is not Transition.RAISED:
        return "note"
    found = handling(skid, event.kind)
    return found.priority if found is not None else kind_of(event.kind).level


def clock(time: int, zone: tzinfo) -> str:
    """Nanoseconds since 1970 by the clocks of `zone`, as `2026-03-11 05:05:06 CET`; where a zone has no letters,
    `2026-03-11 01:05:06 UTC-03`."""
    at = datetime.fromtimestamp(time // NS, zone)
    name = at.tzname() or ""
    return f"{at:%Y-%m-%d %H:%M:%S} {name if name[:1].isalpha() else f'UTC{name}'}"


def utc(time: int) -> str:
    """Nanoseconds since 1970 as `2026-03-11 04:05:06 UTC`."""
    return clock(time, UTC)


def iso(time: int, zone: tzinfo = UTC) -> str:
    """Nanoseconds since 1970 as RFC 3339, seconds or milliseconds, by the clocks of `zone`.

    >>> from zoneinfo import ZoneInfo
    >>> iso(0), iso(1_776_150_966_500_000_000, ZoneInfo("Europe/Oslo"))
    ('1970-01-01T00:00:00Z', '2026-04-14T09:16:06.500+02:00')
    """
    whole, rest = divmod(time, NS)
    at = datetime.fromtimestamp(whole, zone).replace(microsecond=rest // 1_000)
    text = at.isoformat(timespec="milliseconds" if rest >= 1_000_000 else "seconds")
    return text.removesuffix("+00:00") + "Z" if zone is UTC else text


def duration(seconds: float) -> str:
    """A length of time in the two units that matter: `45 s`, `12 min`, `3 h 20 min`, `8 h`, `2 d 4 h`."""
    s = max(0, round(seconds))
    if s < 120:
        return f"{s} s"
    if s < 7_200:
        return f"{s // 60} min"
    if s < 172_800:
        return _whole(f"{s // 3600} h", s % 3600 // 60, "min")
    return _whole(f"{s // 86_400} d", s % 86_400 // 3600, "h")


def _whole(text: str, rest: int, unit: str) -> str:
    return f"{text} {rest} {unit}" if rest else text


def hours(value: float) -> str:
    """A span of hours as roughly as a forecast knows it: `40 min`, `7.5 h`, `30 h`, `5.2 d`."""
    if value < 1:
        return f"{60 * value:.0f} min"
    if value < 10:
        return f"{value:.1f} h"
    return f"{value:.0f} h" if value < 72 else f"{value / 24:.1f} d"


def fixed(value: float, digits: int) -> str:
    """A number with so many digits after the point, or a dash where it is unknown."""
    return f"{value:.{digits}f}" if math.isfinite(value) else UNKNOWN


def unit_symbol(unit: str) -> str:
    """How a unit is printed: `m^3/h` as m³/h."""
    return _SYMBOLS.get(unit, unit)


def printed(text: str) -> str:
    """A sentence with the units in it as they are printed."""
    return _UNITS_IN_TEXT.sub(lambda found: unit_symbol(found[0]), text)


def digits_for(value: float) -> int:
    """Digits after the point that show `value` to three figures, at most three."""
    return min(3, max(0, 2 - math.floor(math.log10(abs(value))))) if value and math.isfinite(value) else 2


class Display:
    """Quantities of one skid in its display units. Values come in SI; resolution follows the limits."""

    def __init__(self, skid: SkidSettings) -> None:
        self.units = {q: skid.display_units.get(q, unit) for q, unit in _DEFAULT_UNITS.items()}
        self._digits = {
            "pressure": digits_for(self.convert("pressure", skid.element.changeout_dp)),
            "flow": digits_for(self.convert("flow", skid.reference.flow)),
            "temperature": 1,
            "turbidity": 2,
        }

    def convert(self, quantity: str, value: float) -> float:
        """SI to the display unit of `pressure`, `flow`, `temperature` or `turbidity`."""
        return float(from_si(value, self.units[quantity])) if math.isfinite(value) else math.nan

    def array(self, quantity: str, values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """The same for an array; every unit is a straight line over SI."""
        offset = float(from_si(0.0, self.units[quantity]))
        return np.asarray(values, np.float64) * (float(from_si(1.0, self.units[quantity])) - offset) + offset

    def number(self, quantity: str, value: float) -> str:
        return fixed(self.convert(quantity, value), self._digits[quantity])

    def text(self, quantity: str, value: float) -> str:
        """Number and unit, or a dash."""
        return f"{self.number(quantity, value)} {self.unit(quantity)}" if math.isfinite(value) else UNKNOWN

    def unit(self, quantity: str) -> str:
        return unit_symbol(self.units[quantity])


def quantity_of(role: Role) -> str | None:
    """The quantity a role measures, or None for contacts."""
    if role in (Role.FLOW, Role.TEMPERATURE, Role.TURBIDITY):
        return role.value
    return "pressure" if role.value.endswith("pressure") else None


def due_limit(skid: SkidSettings) -> float:
    """The normalised dP at which `changeout-due` is raised, Pa."""
    rule = skid.alarms.get("changeout-due")
    return rule.limit if rule is not None and rule.limit is not None else skid.element.changeout_dp


def dp_limit(skid: SkidSettings) -> float:
    """The actual dP at which `dp-limit` is raised, Pa: the configured limit, else 85 % of max_dp (the contract)."""
    rule = skid.alarms.get("dp-limit")
    return rule.limit if rule is not None and rule.limit is not None else 0.85 * skid.element.max_dp
