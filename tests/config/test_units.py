"""Units against NIST SP 811 (2008), appendix B, and against pint."""

from __future__ import annotations

import subprocess
import sys
import time

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.config.unit_tables import DIMENSIONS
from monitor.config.units import UnitError, dimension_of, from_si, normalised, parse_quantity, unit_scale
from monitor.errors import InputError

# NIST SP 811 (2008 ed.), appendix B.8/B.9, factors printed to seven digits, from memory; exact where they follow from
# definitions (1 in = 0.0254 m, 1 lb = 0.45359237 kg, g_n = 9.80665 m/s^2, 1 US gal = 231 in^3).
sp811_printed = [
    ("1 psi", "pressure", 6.894757e3),
    ("1 bar", "pressure", 1.0e5),
    ("1 mbar", "pressure", 1.0e2),
    ("1 atm", "pressure", 1.01325e5),
    ("1 kgf/cm^2", "pressure", 9.80665e4),
    ("1 torr", "pressure", 1.333224e2),
    ("1 inHg", "pressure", 3.386389e3),
    ("1 ftH2O", "pressure", 2.989067e3),
    ("1 inH2O_conv", "pressure", 2.490889e2),
    ("1 US gpm", "flow", 6.309020e-5),
    ("1 cfm", "flow", 4.719474e-4),
    ("1 ft", "length", 3.048e-1),
    ("1 ft^2", "area", 9.290304e-2),
    ("1 in", "length", 2.54e-2),
    ("1 d", "time", 8.64e4),
]
sp811_exact = [
    ("1 US gpm", "flow", 0.22712470704 / 3600),
    ("100 US gpm", "flow", 22.712470704 / 3600),
    ("1 psi", "pressure", 6894.757293168361),
    ("32 degF", "temperature", 273.15),
    ("60 degF", "temperature", 273.15 + 140 / 9),
    ("59 degF", "temperature", 288.15),
    ("212 degF", "temperature", 373.15),
    ("15 degC", "temperature", 288.15),
    ("2 %", "fraction", 0.02),
    ("25 um", "length", 25e-6),
    ("1500 mL/min", "flow", 25e-6),
    ("5 NTU", "turbidity", 5.0),
]


@pytest.mark.parametrize(("text", "dimension", "expected"), sp811_printed)
def test_factors_agree_with_sp_811_to_its_seven_digits(text: str, dimension: str, expected: float) -> None:
    # Half a unit of the seventh digit is at most 5e-7 of the value.
    assert parse_quantity(text, dimension) == pytest.approx(expected, rel=5e-7)


@pytest.mark.parametrize(("text", "dimension", "expected"), sp811_exact)
def test_values_that_follow_from_definitions_are_exact(text: str, dimension: str, expected: float) -> None:
    assert parse_quantity(text, dimension) == pytest.approx(expected, rel=1e-15)


def test_inches_of_water_are_three_and_differ_as_sp_811_prints() -> None:
    # SP 811: conventional 2.490 889 E+02, 4 degC 2.490 82 E+02, 60 degF 2.4884 E+02 Pa (printed digits from memory).
    assert parse_quantity("1 inH2O_4C", "pressure") == pytest.approx(249.082, abs=5e-4)
    assert parse_quantity("1 inH2O_60F", "pressure") == pytest.approx(248.84, abs=5e-3)


@pytest.mark.parametrize("unit", [
    "inH2O", "inch_H2O", "inches_H2O", "in H2O", "inWC", "in W.C.", "inch of water", "iwc"])
def test_bare_inch_of_water_is_refused_with_the_three_that_are_meant(unit: str) -> None:
    with pytest.raises(UnitError, match="three inches of water") as caught:
        parse_quantity(f"40 {unit}", "pressure")
    assert all(name in caught.value.accepted for name in ("inH2O_conv", "inH2O_4C", "inH2O_60F"))


PINT_SPELLING = {"inH2O_conv": "inch_H2O", "inH2O_60F": "inch_H2O_60F", "US gpm": "gallon/min", "cfm": "ft^3/min",
                 "psid": "psi", "": "dimensionless", "1": "dimensionless"}
NOT_IN_PINT = {"inH2O_4C", "NTU", "FNU", "FTU"}
TABLE = [(unit, dimension) for dimension, d in DIMENSIONS.items() for unit in d.units if unit not in NOT_IN_PINT]


@pytest.fixture(scope="module")
def registry() -> pint.UnitRegistry[float]:
    return pint.UnitRegistry()


@pytest.mark.parametrize(("unit", "dimension"), TABLE)
def test_own_table_gives_what_pint_gives(unit: str, dimension: str, registry: pint.UnitRegistry[float]) -> None:
    spelling = PINT_SPELLING.get(unit, unit.removesuffix("(g)").removesuffix(" g"))
    if dimension == "pressure" and spelling.endswith("g"):
        spelling = spelling[:-1]  # the mark of gauge is ours
    expected = registry.Quantity(12.5, spelling).to_base_units().magnitude
    # pint rounds in several steps, and its water at 60 degF carries six digits of density.
    tolerance = 1e-6 if "60F" in unit else 1e-12
    assert parse_quantity(f"12.5 {unit}", dimension) == pytest.approx(expected, rel=tolerance)


@pytest.mark.parametrize(("text", "dimension"), [
    ("1 dyn/cm^2", "pressure"), ("1 kg/(m*s^2)", "pressure"), ("0.5 imperial_gallon/min", "flow"),
    ("1 cm^3/s", "flow"), ("2 fortnight", "time"), ("3 acre", "area"), ("1 nanometer", "length"),
])
def test_what_only_pint_knows_is_read_through_pint(
    text: str, dimension: str, registry: pint.UnitRegistry[float]
) -> None:
    number, _, unit = text.partition(" ")
    expected = registry.Quantity(float(number), unit).to_base_units().magnitude
    assert parse_quantity(text, dimension) == pytest.approx(expected, rel=1e-12)


def test_offset_units_that_only_pint_knows_keep_their_offset() -> None:
    # Reaumur: water boils at 80 degrees, freezes at 0 (definition).
    assert parse_quantity("80 degRe", "temperature") == pytest.approx(373.15, rel=1e-12)
    assert parse_quantity("0 degRe", "temperature") == pytest.approx(273.15, rel=1e-12)


@pytest.mark.parametrize(("written", "same"), [
    ("m3/h", "m^3/h"), ("m³/h", "m^3/h"), ("m ** 3 / h", "m^3/h"), ("m^3 /h", "m^3/h"), ("°C", "degC"), ("°F", "degF"),
    ("µm", "um"), ("μm", "um"), ("US  gpm", "US gpm"), ("ft2", "ft^2"), ("m²", "m^2"),
])
def test_usual_spellings_are_one_unit(written: str, same: str) -> None:
    assert normalised(written) == same


@pytest.mark.parametrize(("unit", "plain"), [
    ("barg", "bar"), ("bar(g)", "bar"), ("bar g", "bar"), ("psig", "psi"), ("kPag", "kPa"), ("psid", "psi")])
def test_marks_of_gauge_are_welcome_since_all_pressures_are_gauge(unit: str, plain: str) -> None:
    assert unit_scale(unit, "pressure") == unit_scale(plain, "pressure")


@pytest.mark.parametrize("unit", ["bara", "psia", "kPa a", "bar(a)", "bar abs", "mbara", "psi absolute"])
def test_absolute_pressures_are_refused_with_the_reason(unit: str) -> None:
    with pytest.raises(UnitError, match="absolute pressure") as caught:
        parse_quantity(f"1.0 {unit}", "pressure")
    assert "gauge" in caught.value.accepted


@pytest.mark.parametrize(("text", "dimension", "says"), [
    ("5 m", "pressure", "a length"),
    ("5 m", "time", "minutes are written"),
    ("15 C", "temperature", "degC"),
    ("59 F", "temperature", "degF"),
    ("15 delta_degC", "temperature", "not known"),
    ("1 Bar", "pressure", 'did you mean "bar"'),
    ("1 PSI", "pressure", 'did you mean "psi"'),
    ("1 KPa", "pressure", 'did you mean "kPa"'),
    ("2 M", "time", "minutes are written"),
    ("2 H", "time", "hours are written"),
    ("2 D", "time", "days are written"),
    ("10 gpm", "flow", "US gpm"),
    ("2 kg/h", "flow", "a mass flow"),
    ("2 m/s", "flow", "a speed"),
    ("40 m^3", "flow", "a volume"),
    ("1 NTU", "pressure", "a turbidity"),
    ("3 dB", "fraction", "not known"),
    ("1 rad", "fraction", "not known"),
    ("5", "pressure", "without a unit"),
    ("bar", "pressure", "not a number"),
    ("", "pressure", "not a number"),
    ("1,5 bar", "pressure", "comma"),
    ("1_000 mbar", "pressure", "underscore"),
    ("inf bar", "pressure", "not a finite"),
    ("nan bar", "pressure", "not a finite"),
    ("1e999 bar", "pressure", "too large"),
    ("0x10 bar", "pressure", "not known"),
    ("٣ bar", "pressure", "not a number"),
    ("1 bar bar", "pressure", ""),
    ("-300 degC", "temperature", "absolute zero"),
])
def test_what_cannot_be_read_is_refused_with_a_helpful_clause(text: str, dimension: str, says: str) -> None:
    with pytest.raises(UnitError) as caught:
        parse_quantity(text, dimension)
    assert says in caught.value.found
    assert DIMENSIONS[dimension].noun in caught.value.accepted


@pytest.mark.parametrize("value", [5, 5.0, True, None, [], float("nan")])
def test_bare_numbers_and_other_things_are_no_pressure(value: object) -> None:
    with pytest.raises(UnitError):
        parse_quantity(value, "pressure")  # type: ignore[arg-type]


def test_fractions_alone_may_be_bare() -> None:
    assert parse_quantity(0.3, "fraction") == parse_quantity("0.3", "fraction") == parse_quantity("30 %", "fraction")
    with pytest.raises(UnitError):
        parse_quantity(float("inf"), "fraction")


def test_unit_errors_are_input_errors_for_whoever_catches_those() -> None:
    with pytest.raises(InputError):
        from_si(1.0, "furlongs per fortnight")


def test_towers_of_powers_are_refused_at_once() -> None:
    started = time.perf_counter()
    for unit in ("m**9**9**9**9", "((9**99)**99)**99", "9**9**9", "m^99999999", "(" * 50, "m" * 5000):
        with pytest.raises(UnitError):
            parse_quantity(f"1 {unit}", "pressure")
    assert time.perf_counter() - started < 2.0


def test_usual_units_do_not_import_pint() -> None:
    code = ("import sys; from monitor.config.units import parse_quantity as p;"
            "p('1 bar','pressure'); p('15 degC','temperature'); p('200 US gpm','flow'); p('5 NTU','turbidity');"
            "sys.exit('pint' in sys.modules)")
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@given(st.floats(-1e6, 1e6), st.sampled_from([pair for pair in TABLE if pair[1] != "fraction"]))
def test_from_si_undoes_unit_scale(number: float, pair: tuple[str, str]) -> None:
    unit, dimension = pair
    scale, offset = unit_scale(unit, dimension)
    assert dimension_of(normalised(unit)) == dimension
    assert from_si(number * scale + offset, unit) == pytest.approx(number, rel=1e-12, abs=1e-9)


@given(st.text(max_size=40), st.sampled_from(list(DIMENSIONS)))
def test_any_text_is_a_finite_value_or_a_unit_error(text: str, dimension: str) -> None:
    for written in (text, f"1.5 {text}"):
        told = ""
        try:
            assert abs(parse_quantity(written, dimension)) < float("inf")
        except UnitError as error:
            told = str(error)
        assert told == "" or told.isprintable()


PIECES = ["m", "s", "bar", "kg", "degC", "K", "dB", "^", "**", "2", "-1", "/", "*", "(", ")", " ", "%"]


@given(st.lists(st.sampled_from(PIECES), max_size=9), st.sampled_from(list(DIMENSIONS)))
def test_any_expression_of_units_is_read_or_refused(pieces: list[str], dimension: str) -> None:
    try:
        scale, offset = unit_scale("".join(pieces), dimension)
    except UnitError:
        return
    assert abs(scale) > 0 and abs(offset) < float("inf")
