"""NE 43 limits against 4-20 mA arithmetic (percent = (mA - 4) / 16 * 100) and NE 43's own currents."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.conditioning.range import grade, is_contact, limits, span
from monitor.model import Quality, Role
from monitor.skid import Signal

GOOD, UNCERTAIN, BAD = Quality.GOOD, Quality.UNCERTAIN, Quality.BAD

PT = Signal("PT-101", Role.INLET_PRESSURE, "t", "bar", 0.0, 10.0, 1e5, 0.0)
LEAK = Signal("LS-1", Role.LEAK_SENSOR, "t", "1", 0.0, 1.0, 1.0, 0.0)

# NAMUR NE 43: measurement 3.8 to 20.5 mA, failure <= 3.6 or >= 21.0 mA, between them neither.
CURRENTS = [
    (0.0, BAD), (3.5, BAD), (3.6, BAD), (3.61, UNCERTAIN), (3.7, UNCERTAIN), (3.79, UNCERTAIN), (3.8, GOOD),
    (4.0, GOOD), (12.0, GOOD), (20.0, GOOD), (20.5, GOOD), (20.51, UNCERTAIN), (20.9, UNCERTAIN), (20.99, UNCERTAIN),
    (21.0, BAD), (22.0, BAD),
]


@pytest.mark.parametrize(("low", "high"), [(0.0, 10.0), (-1.0, 9.0), (0.0, 70.0), (32.0, 212.0), (0.0, 0.3)])
@pytest.mark.parametrize(("current", "expected"), CURRENTS)
def test_a_loop_current_is_graded_as_ne43_puts_it(current: float, expected: Quality, low: float, high: float) -> None:
    value = low + (current - 4.0) / 16.0 * (high - low)
    assert grade(value, low, high) == expected


def test_limits_of_ten_bar_are_those_of_the_loop_arithmetic() -> None:
    assert limits(0.0, 10.0) == pytest.approx((-0.25, -0.125, 10.3125, 10.625), abs=1e-7)


def test_a_value_exactly_at_minus_two_and_a_half_percent_has_failed_whatever_the_span() -> None:
    spans = np.random.default_rng(43).uniform(0.01, 1e5, 5000).round(3)
    assert (grade(-0.025 * spans, 0.0, spans) == BAD).all()
    assert (grade(1.0625 * spans, 0.0, spans) == BAD).all()
    assert (grade(-0.0125 * spans, 0.0, spans) == GOOD).all()
    assert (grade(1.03125 * spans, 0.0, spans) == GOOD).all()


def test_what_is_not_finite_is_bad_with_and_without_a_span() -> None:
    odd = np.array([np.nan, np.inf, -np.inf])
    assert (grade(odd, 0.0, 10.0) == BAD).all()
    assert (grade(odd, -math.inf, math.inf) == BAD).all()


def test_a_contact_has_no_failure_limits() -> None:
    assert is_contact(LEAK) and not is_contact(PT)
    assert (grade(np.array([-1.0, 0.0, 1.0, 255.0]), *span(LEAK)) == GOOD).all()
    assert span(PT) == (0.0, 10.0)
    assert not is_contact(dataclasses.replace(LEAK, unit="NTU"))


def test_columns_of_different_spans_are_graded_at_once() -> None:
    values = np.array([[5.0, 5.0, 5.0], [-0.3, -0.3, -0.3]])
    low, high = np.array([0.0, 0.0, -math.inf]), np.array([10.0, 4.8, math.inf])
    assert grade(values, low, high).tolist() == [[GOOD, UNCERTAIN, GOOD], [BAD, BAD, GOOD]]


@given(st.floats(-1e6, 1e6), st.floats(-1e3, 1e3), st.floats(0.1, 1e3))
def test_grades_only_worsen_away_from_the_middle(value: float, low: float, width: float) -> None:
    high = low + width
    further = value + math.copysign(0.01 * width, value - (low + high) / 2)
    assert grade(further, low, high) >= grade(value, low, high)
