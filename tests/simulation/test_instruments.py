"""Transmitters against NAMUR NE 43, NIST SP 811 and the textbook first-order response."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.model import Role
from monitor.simulation.instruments import FAILED_HIGH, FAILED_LOW, UNITS, Transmitter, first_order
from monitor.simulation.sampling import changes


def gauge(**changes_: float) -> Transmitter:
    return Transmitter("PT-1", Role.INLET_PRESSURE, "bar", 0.0, 10.0, **changes_)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("unit", "value", "si"),
    [  # NIST SP 811 (2008), appendix B
        ("psi", 1.0, 6894.757), ("bar", 1.0, 1e5), ("US gpm", 1.0, 6.309020e-5), ("degF", 68.0, 293.15),
        ("degF", 32.0, 273.15), ("degC", 25.0, 298.15), ("m^3/h", 3600.0, 1.0), ("kPa", 1.0, 1e3),
    ],
)  # fmt: skip
def test_units_are_nists(unit: str, value: float, si: float) -> None:
    scale, offset = UNITS[unit]
    assert value * scale + offset == pytest.approx(si, rel=1e-6)


def test_saturation_lies_where_ne_43_puts_it_and_failure_beyond() -> None:
    rng = np.random.default_rng(0)
    said = gauge().convert(np.array([-5.0, 50.0]), rng)
    assert said.tolist() == [-0.125, 10.3125]
    assert FAILED_LOW <= -0.025
    assert FAILED_HIGH >= 1.0625


def test_lag_reaches_63_percent_after_its_time_constant() -> None:
    step = np.concatenate([np.zeros(10), np.ones(200)])
    assert first_order(step, 20.0)[29] == pytest.approx(1 - math.exp(-1), rel=1e-9)


def test_resolution_leaves_only_its_steps() -> None:
    t = gauge(resolution=10 / 4095, noise=0.01)
    said = t.convert(np.full(5000, 3.3), np.random.default_rng(1))
    steps = said / t.resolution
    assert np.allclose(steps, np.round(steps), atol=0.03)
    assert np.std(said) == pytest.approx(0.01, rel=0.05)


def test_flow_below_its_cut_off_is_exactly_zero() -> None:
    meter = Transmitter("FT-1", Role.FLOW, "m^3/h", 0.0, 60.0, noise=0.2, cutoff=0.9)
    said = meter.convert(np.array([0.0, 0.5, 30.0]), np.random.default_rng(2))
    assert said[:2].tolist() == [0.0, 0.0]
    assert said[2] > 25


def test_on_change_reporting_sends_moves_and_heartbeats_only() -> None:
    time = np.arange(12) * 1_000_000_000
    value = np.array([1.0, 1.0, 1.05, 1.2, 1.2, np.nan, 1.2, 1.2, 1.2, 1.2, 1.2, 1.2])
    kept = np.flatnonzero(changes(time, value, 0.1, 5_000_000_000)).tolist()
    assert kept == [0, 3, 8]
