"""Quantities with units, from text to SI and back.

`pint` alone cannot read what is written on site ("15 degC", "US gpm", "NTU"), reads some of it as
something else ("cfm" is a centifermi, "M" molar), and takes a third of a second to import. So a number
and a unit are split here; the usual units come from an exact table; `pint` answers for the rest.
"""

from __future__ import annotations

import math
import re
from fractions import Fraction
from functools import lru_cache
from tokenize import TokenError

from monitor.config.unit_tables import DIMENSIONS
from monitor.config.wording import RefusalError, nearest, shown
from monitor.errors import InputError

Scale = tuple[float, float]


class UnitError(RefusalError, InputError):
    """A quantity or unit that cannot be read."""


_OTHER_NOUNS = {"[mass] / [time]": "a mass flow", "[length] / [time]": "a speed", "[length] ** 3": "a volume",
                "[mass]": "a mass", "[mass] / [length] ** 3": "a concentration",
                "[current]": "an electric current", "[current] * [time]": "an electric charge",
                "dimensionless": "a number without dimension"}

_HINTS = {
    ("temperature", "C"): 'pint reads "C" as coulomb: write "degC"',
    ("temperature", "F"): 'pint reads "F" as farad: write "degF"',
    ("time", "m"): 'minutes are written "min"',
    ("time", "M"): 'minutes are written "min"',
    ("time", "D"): 'days are written "d"',
    ("time", "H"): 'hours are written "h"',
    ("time", "S"): 'seconds are written "s"',
    ("flow", "gpm"): 'say which gallon: "US gpm", or "imperial_gallon/min"',
    ("pressure", "N"): 'a force: write "Pa" or "N/m^2"',
}

_NUMBER = re.compile(r"\s*([+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)\s*(.*?)\s*", re.DOTALL)
_ABSOLUTE = re.compile(r"(?:m?bar|[hkM]?Pa|psi)\s*(?:a|\(a\)|abs\.?|\(abs\)|absolute)", re.IGNORECASE)
_INCH_OF_WATER = re.compile(r"(?:in|inch|inches|\")[\s_.]*(?:H2O|W\.?C\.?|W\.?G\.?|(?:of )?water(?: column)?)|iwc",
                            re.IGNORECASE)
_SIGNS = str.maketrans({"³": "^3", "²": "^2", "µ": "u", "μ": "u", "°": "deg", "·": "*", "−": "-"})
# What pint is asked: names, single-digit powers, no power of a bracket (towers of powers cost minutes).
_FOR_PINT = re.compile(r"(?!.*\)\s*(?:\*\*|\^))(?!.*[0-9]\s*(?:\*\*|\^))"
                       r"[A-Za-z_](?:[A-Za-z0-9_/*() %]|(?:\*\*|\^)\s*-?[0-9](?![0-9]))*")
_OWN_UNITS_ONLY = ("fraction", "turbidity")  # to pint, radians and decibels are fractions too
_LONGEST_UNIT = 60
_LONGEST_NUMBER = 40
_PINT_RAISES = (ValueError, TypeError, LookupError, SyntaxError, TokenError, AttributeError, AssertionError,
                ArithmeticError, RecursionError)


def parse_quantity(text: str | float, dimension: str) -> float:
    """A quantity as written, `"1.0 bar"`, in SI (Pa, m^3/s, K, m, m^2, s, 1, NTU).

    dimension: a key of DIMENSIONS. Only a fraction may be a bare number. Raises UnitError.

    >>> parse_quantity("15 degC", "temperature")
    288.15
    """
    accepted = DIMENSIONS[dimension].accepted
    if not isinstance(text, str):
        return _bare_number(text, dimension)
    match = _NUMBER.fullmatch(text)
    if match is None or match[2][:1] in (",", "_"):
        raise UnitError(f"{shown(text)}, {_why_no_number(text)}", accepted)
    number, unit = match[1], match[2]
    if not unit and dimension != "fraction":
        raise UnitError(f"{shown(text)}, a number without a unit", accepted)
    value = _converted(number, unit, dimension, text)
    if not math.isfinite(value):
        raise UnitError(f"{shown(text)}, too large a number", accepted)
    if dimension == "temperature" and value < 0:
        raise UnitError(f"{shown(text)}, below absolute zero", accepted)
    return value


def unit_scale(unit: str, dimension: str, written: str | None = None) -> Scale:
    """(scale, offset) of a unit: SI value = number * scale + offset.

    written: the text the unit came in, for the message. Raises UnitError where the unit is unknown,
    of another dimension, an absolute pressure, or ambiguous.
    """
    name = normalised(unit)
    exact = DIMENSIONS[dimension].units.get(name)
    if exact is not None:
        return float(exact[0]), float(exact[1])
    text = shown(unit if written is None else written)
    if dimension == "pressure":
        _refuse_absolute(name, text)
        _refuse_bare_inch_of_water(name, text)
    found = dimension_of(name)
    if found == dimension and dimension not in _OWN_UNITS_ONLY:
        return _from_pint(name)
    raise UnitError(f"{text}, {_what_it_is(name, found, dimension)}", DIMENSIONS[dimension].accepted)


def from_si(value: float, unit: str) -> float:
    """An SI value in `unit`, whatever its dimension. Raises UnitError for an unknown unit.

    >>> from_si(288.15, "degC")
    15.0
    """
    scale, offset = _scale_of(unit)
    return (value - offset) / scale


@lru_cache(maxsize=4096)
def normalised(unit: str) -> str:
    """A unit's spelling as the table has it: m3/h and m³ / h are m^3/h, °C is degC.

    >>> normalised("m³ / h")
    'm^3/h'
    """
    text = re.sub(r"\s*(/|\*\*|\^|\*)\s*", r"\1", " ".join(unit.translate(_SIGNS).split())).replace("**", "^")
    return re.sub(r"(?<![A-Za-z])((?:c|m)?m|in|ft)([23])(?![0-9A-Za-z])", r"\1^\2", text)


def dimension_of(unit: str) -> str:
    """The key of DIMENSIONS a unit belongs to; pint's own signature for another dimension; "" if unknown."""
    for key, dimension in DIMENSIONS.items():
        if unit in dimension.units:
            return key
    if len(unit) > _LONGEST_UNIT or not _FOR_PINT.fullmatch(unit):
        return ""
    signature = _signature(unit)
    return next((key for key, d in DIMENSIONS.items() if signature and d.signature == signature), signature)


@lru_cache(maxsize=512)
def _scale_of(unit: str) -> Scale:
    name = normalised(unit)
    dimension = dimension_of(name)
    if dimension not in DIMENSIONS:
        raise UnitError(f"{shown(unit)}, no unit known here", "a unit of " + ", ".join(DIMENSIONS))
    return unit_scale(name, dimension)


@lru_cache(maxsize=4096)
def _converted(number: str, unit: str, dimension: str, text: str) -> float:
    scale, offset = unit_scale(unit, dimension, written=text)
    exact = DIMENSIONS[dimension].units.get(normalised(unit))
    if exact is None or len(number) > _LONGEST_NUMBER or not math.isfinite(float(number)):
        return float(number) * scale + offset
    # Rounded once, so that 2.3 bar is 230000 Pa and limits that are equal on paper are equal here.
    return float(Fraction(number) * exact[0] + exact[1])


def _bare_number(number: object, dimension: str) -> float:
    accepted = DIMENSIONS[dimension].accepted
    if isinstance(number, bool) or not isinstance(number, (int, float)):
        raise UnitError(shown(number), accepted)
    if dimension != "fraction":
        raise UnitError(f"{shown(number)}, a number without a unit", accepted)
    try:
        value = float(number)
    except OverflowError:
        value = math.inf
    if not math.isfinite(value):
        raise UnitError(f"{shown(number)}, not a finite number", accepted)
    return value


def _why_no_number(text: str) -> str:
    if re.match(r"\s*[+-]?(?:inf|nan)", text, re.IGNORECASE):
        return "not a finite number"
    if re.match(r"\s*[+-]?[0-9]+[,_]", text):
        return "a number with a comma or underscore in it"
    return "not a number followed by a unit"


def _refuse_absolute(name: str, text: str) -> None:
    if _ABSOLUTE.fullmatch(name):
        accepted = DIMENSIONS["pressure"].accepted
        raise UnitError(f"{text}, an absolute pressure", f"{accepted}; all pressures here are gauge: set the "
                        "transmitter to gauge, or subtract the air pressure (about 1.013 bar)")


def _refuse_bare_inch_of_water(name: str, text: str) -> None:
    if _INCH_OF_WATER.fullmatch(name):
        raise UnitError(f"{text}, which of the three inches of water is not said",
                        "inH2O_conv (249.089 Pa, for 1000 kg/m^3), inH2O_4C (249.082 Pa) or inH2O_60F (248.840 Pa)")


def _what_it_is(name: str, found: str, dimension: str) -> str:
    hint = _HINTS.get((dimension, name))
    close = nearest(name, [n for n in DIMENSIONS[dimension].units if n])
    if found in DIMENSIONS and found != dimension:
        what = DIMENSIONS[found].noun.replace("a gauge", "a")
    elif found and found != dimension:
        what = _OTHER_NOUNS.get(found, f"of dimension {found}")
    else:
        what = f"whose unit {shown(name)} is not known" if name else "without a unit"
    return what + (f" ({hint})" if hint else f' (did you mean "{close}"?)' if close else "")


@lru_cache(maxsize=1)
def _registry() -> object:
    import pint

    return pint.UnitRegistry(cache_folder=None)


@lru_cache(maxsize=512)
def _signature(unit: str) -> str:
    """pint's dimensionality of a unit, "" where it reads none or it is a difference of temperatures."""
    import pint

    registry = _registry()
    assert isinstance(registry, pint.UnitRegistry)
    try:
        parsed = registry.Unit(unit)
        signature = str(parsed.dimensionality)
        _from_pint(unit)
    except (*_PINT_RAISES, pint.PintError):
        return ""
    return "" if "delta_" in str(parsed) or str(parsed) == "inch_H2O" else signature


@lru_cache(maxsize=512)
def _from_pint(unit: str) -> Scale:
    import pint

    registry = _registry()
    assert isinstance(registry, pint.UnitRegistry)
    zero, hundred = (float(registry.Quantity(x, unit).to_base_units().magnitude) for x in (0.0, 100.0))
    return (hundred - zero) / 100.0, zero
