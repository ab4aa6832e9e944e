"""How a file's own names are tied to the configured signals, and its units to theirs.

A name may carry the unit of its values in brackets, `PT-101 [psi]`, in a header or behind `--map`; values are then
brought to the unit that is configured.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from monitor.config.units import UnitError, dimension_of, normalised, unit_scale
from monitor.errors import InputError
from monitor.skid import Signal, SkidSettings

LONG = ("signal", "value")
WORDS = ("time", *LONG, "quality", "date")
SAME = 1e-12
GALLONS = ("US gpm", "imperial_gallon/min")     # a file's "gpm" is the one of these that is configured
_BRACKETS = re.compile(r"(.*?\S)\s*(?:\[([^\[\]]+)\]|\(([^()]+(?:\([a-z]\))?)\))").fullmatch
_BARE_UNIT = re.compile(r"[\[(]?([^\[\]]*?[A-Za-z%°][^\[\]]*?)[\])]?").fullmatch

Scale = tuple[float, float]     # configured unit = read * first + second


class Name(NamedTuple):
    """What a name stands for: a configured id, one of WORDS, or itself; and the unit that it says."""

    target: str
    unit: str | None = None


@dataclass(frozen=True, slots=True)
class Names:
    """How a file's own names are tied to the configured ones. mapping: as typed, a file's own name -> SIGNAL [UNIT]."""

    skid: SkidSettings
    mapping: dict[str, str]
    _told: dict[str, Name] = field(default_factory=dict, init=False)

    def __post_init__(self) -> None:
        known = {signal.id for signal in self.skid.signals}
        for column, typed in self.mapping.items():
            name = Name(typed) if typed in known else _split(typed)
            if name.target not in known and (name.target.casefold() not in WORDS or name.unit):
                ids = ", ".join(sorted(known))
                raise InputError(f"--map {column}={typed}: no such signal; accepted: time, or one of {ids}, with the "
                                 "unit of its values where that is not the configured one, as 'PT-101 [psi]'")
            self._told[column] = name

    def resolve(self, name: str) -> Name:
        """What a column's name, or that of a row in a long table, stands for."""
        whole = name.strip()
        found = self._plain(whole)
        if found is None and (split := _split(whole)).unit is not None:
            bare = self._plain(split.target)
            if bare is not None and bare.target not in WORDS:
                return bare if bare.unit else Name(bare.target, split.unit)
        if found is None and whole.casefold() in WORDS:
            return Name(whole.casefold())
        return found or Name(whole)

    def _plain(self, name: str) -> Name | None:
        told = self._told.get(name)
        if told is None:
            return Name(name) if self.skid.index(name) is not None else None
        return told if self.skid.index(told.target) is not None else Name(told.target.casefold())

    def signals(self) -> dict[str, tuple[int, Scale | None]]:
        """What a signal column may say -> index of the signal, and how its values get the configured unit."""
        found: dict[str, tuple[int, Scale | None]] = {s.id: (i, None) for i, s in enumerate(self.skid.signals)}
        for typed, name in self._told.items():
            index = self.skid.index(name.target)
            if index is not None:
                found[typed] = index, scale_to(self.skid.signals[index], name.unit, f"--map {typed}")
        return found

    def topics(self) -> dict[str, list[int]]:
        """Topic -> the signals that it carries."""
        topics: dict[str, list[int]] = {}
        for i, signal in enumerate(self.skid.signals):
            topics.setdefault(signal.topic, []).append(i)
        for typed, (i, scale) in self.signals().items():
            if scale is not None:
                raise InputError(f"--map {typed}: captured messages are in the configured unit; accepted: no unit")
            topics[typed] = [i]
        return topics


def _split(text: str) -> Name:
    match = _BRACKETS(text)
    return Name(text) if match is None else Name(match[1], (match[2] or match[3]).strip())


def is_unit(text: str) -> bool:
    """Whether a text is a unit that is known here."""
    return bool(dimension_of(normalised(text)))


def scale_to(signal: Signal, unit: str | None, where: str) -> Scale | None:
    """How values in `unit` get the unit of a signal; None where they have it. InputError where that cannot be."""
    if unit is None or normalised(unit) == normalised(signal.unit):
        return None
    if unit.casefold() == "gpm" and normalised(signal.unit) in map(normalised, GALLONS):
        return None
    dimension = dimension_of(normalised(signal.unit))
    try:
        scale, offset = unit_scale(unit, dimension)
    except UnitError as error:
        raise InputError(f"{where}: found unit {error.found}, but {signal.id} is in {signal.unit}; accepted: a unit "
                         f"that can become that, or one of your own, as --map 'COLUMN={signal.id} "
                         f"[{signal.unit}]'") from None
    own, start = unit_scale(signal.unit, dimension)
    ratio, shift = scale / own, (offset - start) / own
    return None if abs(ratio - 1) < SAME and abs(shift) < SAME else (ratio, shift)


def units_in(cells: Sequence[str], tied: Sequence[int], time: int) -> dict[int, str]:
    """Units of the tied columns where the line after a header names them, by position; else empty."""
    some = {i: cells[i].strip() for i in tied if i < len(cells) and cells[i].strip()}
    clock = cells[time] if time < len(cells) else ""
    bare = {i: match[1].strip() for i, text in some.items() if (match := _BARE_UNIT(text))}
    if len(bare) != len(some) or any(c.isdigit() for c in clock):
        return {}
    return bare if any(is_unit(text) for text in bare.values()) else {}
