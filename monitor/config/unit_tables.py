"""The kinds of quantity that configuration knows, and the exact scales of their usual units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

_INCH = Fraction("0.0254")
_FOOT = 12 * _INCH
_POUND = Fraction("0.45359237")
_GRAVITY = Fraction("9.80665")
_GALLON = 231 * _INCH**3
_LITRE = Fraction(1, 1000)
_Units = dict[str, Fraction | int]

@dataclass(frozen=True, slots=True)
class Dimension:
    """One kind of quantity. `noun` with article, `signature` in pint's words, `units` the exact ones."""

    noun: str
    example: str
    signature: str
    units: dict[str, tuple[Fraction, Fraction]]
    shown: str

    @property
    def accepted(self) -> str:
        return f'{self.noun} with its unit, as "{self.example}" ({self.shown})'


def _plain(units: Mapping[str, Fraction | int]) -> dict[str, tuple[Fraction, Fraction]]:
    return {name: (Fraction(scale), Fraction(0)) for name, scale in units.items()}


def _pressures() -> dict[str, tuple[Fraction, Fraction]]:
    psi = _POUND * _GRAVITY / _INCH**2
    gauge: _Units = {"Pa": 1, "hPa": 100, "kPa": 1000, "MPa": 10**6, "mbar": 100, "bar": 10**5, "psi": psi}
    marked = {f"{name}{mark}": scale for name, scale in gauge.items() for mark in ("g", " g", "(g)")}
    # NIST SP 811 (2008), appendix B, tells three inches of water apart; densities in kg/m^3.
    densities: _Units = {"inH2O_conv": 1000, "inH2O_4C": Fraction("999.972"), "inH2O_60F": Fraction("999.001")}
    water: _Units = {name: density * _GRAVITY * _INCH for name, density in densities.items()}
    return _plain({**gauge, **marked, "psid": psi, **water})


def _flows() -> dict[str, tuple[Fraction, Fraction]]:
    minute, hour = Fraction(1, 60), Fraction(1, 3600)
    cubic_metres = {"m^3/s": Fraction(1), "m^3/min": minute, "m^3/h": hour, "m^3/d": hour / 24}
    litres = {"L/s": _LITRE, "L/min": _LITRE * minute, "L/h": _LITRE * hour, "mL/min": _LITRE / 1000 * minute}
    gallons = {"US gpm": _GALLON * minute, "gal/min": _GALLON * minute}
    feet = {"cfm": _FOOT**3 * minute, "ft^3/min": _FOOT**3 * minute}
    small = {name.replace("L", "l"): scale for name, scale in litres.items()}
    return _plain(cubic_metres | litres | small | gallons | feet)


def _temperatures() -> dict[str, tuple[Fraction, Fraction]]:
    kelvin_per_degf = Fraction(5, 9)
    return {"K": (Fraction(1), Fraction(0)), "degC": (Fraction(1), Fraction("273.15")),
            "degF": (kelvin_per_degf, Fraction("459.67") * kelvin_per_degf)}


_MICRO = Fraction(1, 10**6)
_LENGTHS: _Units = {"m": 1, "cm": Fraction(1, 100), "mm": Fraction(1, 1000), "um": _MICRO, "micron": _MICRO,
                    "in": _INCH, "ft": _FOOT}
_AREAS: _Units = {"m^2": 1, "cm^2": Fraction(1, 10**4), "ft^2": _FOOT**2, "in^2": _INCH**2}
_TIMES: _Units = {"ms": Fraction(1, 1000), "s": 1, "min": 60, "h": 3600, "d": 86_400, "day": 86_400, "days": 86_400}
_FRACTIONS: _Units = {"1": 1, "": 1, "%": Fraction(1, 100), "percent": Fraction(1, 100), "ppm": _MICRO}

DIMENSIONS: dict[str, Dimension] = {
    "pressure": Dimension("a gauge pressure", "1.0 bar", "[mass] / [length] / [time] ** 2", _pressures(),
                          "bar, mbar, kPa, psi and others"),
    "flow": Dimension("a volume flow", "40 m^3/h", "[length] ** 3 / [time]", _flows(),
                      "m^3/h, L/min, mL/min, US gpm and others"),
    "temperature": Dimension("a temperature", "15 degC", "[temperature]", _temperatures(), "degC, degF, K"),
    "length": Dimension("a length", "25 um", "[length]", _plain(_LENGTHS), "um, mm, m, in and others"),
    "area": Dimension("an area", "0.41 m^2", "[length] ** 2", _plain(_AREAS), "m^2, ft^2 and others"),
    "time": Dimension("a duration", "15 s", "[time]", _plain(_TIMES), "ms, s, min, h, d and others"),
    "fraction": Dimension("a fraction", "2 %", "dimensionless", _plain(_FRACTIONS), "1 or %"),
    "turbidity": Dimension("a turbidity", "5 NTU", "", _plain({"NTU": 1, "FNU": 1, "FTU": 1}), "NTU, FNU"),
}
