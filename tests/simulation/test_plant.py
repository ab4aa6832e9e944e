"""The plant's physics against worked cases from outside.

Forchheimer and parallel cases are exact algebra; "White" is White, Fluid Mechanics, example 6.17 (inputs and
answers from memory, recomputed with a general fluids library); the branches are a civil-engineering review
text's; Ergun's figures are that library's; the blocking laws are Hermia's (Trans IChemE 60, 1982, 183) in
constant-flow form, their solutions algebra; affinity is Crane TP-410, example 7.33.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.hydraulics.water import density, viscosity
from monitor.simulation.machine import Machine, new_vessels, surroundings
from monitor.simulation.plant import (
    CONTROL_FLOW,
    CONTROL_NONE,
    CONTROL_OUTLET,
    Skid,
    cake_factor,
    forchheimer_flow,
    grow,
    pressure_drop_at_flow,
    pressure_drop_on_curve,
    vessel_flow,
)

PLAIN = Skid(
    head=0.0, pump_curve=0.0, system_curve=0.0, valve=0.0, exponent=1.0, compressibility=0.0, cake_pressure=1e5,
    viscosity_ref=1e-3, density_ref=1000.0, flow_ref=1.0, in_service=1, control=CONTROL_NONE, control_gain=0.0,
    speed_limit=1.0, overshoot_decay=20.0,
)  # fmt: skip


def together(flow: float, linear: list[float], quadratic: list[float]) -> tuple[float, list[float]]:
    """dP of vessels in parallel, and how they split the flow."""
    a, b = np.array(linear, float), np.array(quadratic, float)
    drop = pressure_drop_at_flow(flow, a, b, np.ones(a.size), PLAIN, 1.0)
    return drop, [forchheimer_flow(drop, x, y) for x, y in zip(a, b, strict=True)]


@pytest.mark.parametrize(
    ("flow", "linear", "quadratic", "drop", "split"),
    [
        (10, [1, 2], [0.5, 1], 24, [6, 4]),
        (20, [1, 1], [0.02, 0.02], 12, [10, 10]),
        (20, [1, 3], [0.02, 0.02], 18.180556, [85 / 6, 35 / 6]),
        (40, [1, 3], [0, 0], 30, [30, 10]),
        (0.120, [0, 0], [1, 4], 0.0064, [0.080, 0.040]),
        (1.0, [0, 0], [1, 4], 0.444444, [0.666667, 0.333333]),
    ],
)
def test_vessels_in_parallel_split_flow_as_the_worked_cases_do(
    flow: float, linear: list[float], quadratic: list[float], drop: float, split: list[float]
) -> None:
    got, shares = together(flow, linear, quadratic)
    # 1e-3 Pa is where the solver stops looking for less.
    assert got == pytest.approx(drop, rel=1e-6, abs=1e-6)
    assert shares == pytest.approx(split, rel=1e-4)


def test_three_pipes_in_parallel_pass_what_white_says() -> None:
    head, gravity, rho = 20.3, 9.81, 1000.0
    pipes = [(100, 0.08, 0.02667), (150, 0.06, 0.02459), (80, 0.04, 0.03132)]
    quadratic = [rho * f * length / d / 2 / (math.pi * d**2 / 4) ** 2 for length, d, f in pipes]
    flows = [3600 * forchheimer_flow(rho * gravity * head, 0.0, k) for k in quadratic]
    # The book's friction factors are rounded to three digits.
    assert flows == pytest.approx([62.5, 25.9, 11.4], rel=4e-3)
    total = sum(flows) / 3600
    assert together(total, [0, 0, 0], quadratic)[0] == pytest.approx(rho * gravity * head, rel=1e-6)


def test_erguns_equation_is_read_back_as_a_forchheimer_pair() -> None:
    linear, quadratic = 659179.6875, 1.025390625e7
    assert forchheimer_flow(669.43359, linear, quadratic) == pytest.approx(1e-3, rel=1e-6)
    assert forchheimer_flow(1359.375, linear, quadratic) == pytest.approx(2e-3, rel=1e-6)


@pytest.mark.parametrize(("count", "laminar", "turbulent"), [(2, 2.0, 4.0), (3, 1.5, 2.25), (4, 4 / 3, 16 / 9)])
def test_losing_one_of_equal_vessels_raises_dp_as_its_law_says(count: int, laminar: float, turbulent: float) -> None:
    for linear, quadratic, factor in ((5.0, 0.0, laminar), (0.0, 5.0, turbulent)):
        full, _ = together(12.0, [linear] * count, [quadratic] * count)
        less, _ = together(12.0, [linear] * (count - 1), [quadratic] * (count - 1))
        assert less / full == pytest.approx(factor, rel=1e-6)


def test_pump_and_filter_meet_where_the_curves_cross() -> None:
    # H = 50 - 0.02 Q^2 against 0.03 Q^2; then the filter's coefficient doubled (exact algebra), in units of kPa.
    for coefficient, flow, head in ((0.03, 31.6228, 30.0), (0.06, 25.0, 37.5)):
        args = (np.zeros(1), np.array([coefficient * 1e3]), np.ones(1), PLAIN, 1e4)
        drop = pressure_drop_on_curve(50e3, 20.0, 0.0, *args)
        assert drop == pytest.approx(head * 1e3, rel=1e-6)
        assert forchheimer_flow(drop, 0.0, coefficient * 1e3) == pytest.approx(flow, rel=1e-5)


def test_normalised_by_viscosity_as_darcy_says() -> None:
    # dP 100 kPa at 50 m3/h and 10 degC is 92.037 kPa at 60 m3/h and 20 degC (algebra, viscosities of IAPWS).
    linear = 100e3 / (50 / 3600)
    warm = linear * float(viscosity(293.15) / viscosity(283.15))
    assert together(60 / 3600, [warm], [0.0])[0] == pytest.approx(92.037e3, rel=1e-4)


BLOCKING = {  # kV -> R for complete, standard, intermediate blocking and cake
    2.0: {0.1: 1.111111, 0.25: 1.333333, 0.5: 2.0, 0.75: 4.0, 0.9: 10.0},
    1.5: {0.1: 1.108033, 0.25: 1.306122, 0.5: 1.777778, 0.75: 2.56, 0.9: 3.305785},
    1.0: {0.1: 1.105171, 0.25: 1.284025, 0.5: 1.648721, 0.75: 2.117000, 0.9: 2.459603},
    0.0: {0.1: 1.1, 0.25: 1.25, 0.5: 1.5, 0.75: 1.75, 0.9: 1.9},
}


@pytest.mark.parametrize("exponent", list(BLOCKING))
def test_elements_load_by_hermias_laws(exponent: float) -> None:
    for filtered, wanted in BLOCKING[exponent].items():
        ratio, steps = 1.0, 20_000
        for _ in range(steps):
            ratio = grow(ratio, filtered / steps, 1.0, exponent)
        assert ratio == pytest.approx(wanted, rel=1e-5)


def test_cake_is_compressed_by_a_power_of_dp_and_the_clean_medium_is_not() -> None:
    assert cake_factor(1.0, 3e5, 1e5, 0.5) == 1.0
    assert cake_factor(5.0, 4e5, 1e5, 0.5) == pytest.approx(1 + 4 * 2)
    assert cake_factor(5.0, 4e5, 1e5, 0.0) == 5.0


@given(
    st.lists(st.floats(1e6, 1e8), min_size=1, max_size=6),
    st.floats(0.0, 0.5),
    st.floats(1.0, 30.0),
    st.floats(1e-4, 0.1),
)
def test_what_the_vessels_take_together_is_what_was_asked(
    linear: list[float], squeeze: float, ratio: float, flow: float
) -> None:
    skid = PLAIN._replace(compressibility=squeeze)
    a = np.array(linear)
    b, r = 5.0 * a, np.full(a.size, ratio)
    drop = pressure_drop_at_flow(flow, a, b, r, skid, 1e4)
    total = sum(vessel_flow(drop, a[i], b[i], r[i], skid)[0] for i in range(a.size))
    assert total == pytest.approx(flow, rel=1e-6)


def test_flow_slope_is_the_derivative_of_flow() -> None:
    skid = PLAIN._replace(compressibility=0.3)
    _, slope = vessel_flow(5e4, 1e7, 1e9, 6.0, skid)
    above, below = (vessel_flow(5e4 + d, 1e7, 1e9, 6.0, skid)[0] for d in (1.0, -1.0))
    assert slope == pytest.approx((above - below) / 2.0, rel=1e-5)


FOOT = 0.3048 * 9.80665 * 1000.0
GPM = 6.30901964e-5


def still(seconds: int, celsius: float = 20.0) -> tuple[np.ndarray, ...]:
    return np.full(seconds, 273.15 + celsius), np.ones(seconds), np.ones(seconds), np.zeros(seconds)


def quadratic_skid(**changes: Any) -> Machine:
    """A skid whose only resistance goes with the square of flow, with a pump of 126 ft at 400 US gpm."""
    flow, head = 400 * GPM, 126 * FOOT
    skid = PLAIN._replace(
        head=1.3 * head, pump_curve=0.3 * head / flow**2, system_curve=0.6 * head / flow**2, flow_ref=flow,
        density_ref=float(density(293.15)), viscosity_ref=float(viscosity(293.15)),
    )._replace(**changes)  # fmt: skip
    housing = np.array([0.4 * head / flow**2 / skid.density_ref])
    return Machine(skid, new_vessels(np.array([1e-9]), housing, np.zeros(1)), back=0.0)


def test_a_slower_pump_follows_the_affinity_laws() -> None:
    machine = quadratic_skid()
    full = machine.run(surroundings(*still(5)))
    machine.move(0, 1700 / 3500)
    slow = machine.run(surroundings(*still(5)))
    assert full.flow[-1] / GPM == pytest.approx(400, rel=1e-6)
    assert full.inlet[-1] / FOOT == pytest.approx(126, rel=1e-6)
    assert slow.flow[-1] / GPM == pytest.approx(194.286, rel=1e-5)
    assert slow.inlet[-1] / FOOT == pytest.approx(29.7257, rel=1e-5)


def test_controllers_hold_their_set_point() -> None:
    flow = 300 * GPM
    held = quadratic_skid(control=CONTROL_FLOW, control_gain=0.2, speed_limit=1.2)
    held.actuators.position[3] = held.actuators.goal[3] = flow
    assert held.run(surroundings(*still(300))).forward[-1] == pytest.approx(flow, rel=1e-4)
    pressure = 40 * FOOT
    held = quadratic_skid(control=CONTROL_OUTLET, control_gain=0.2, speed_limit=1.2)
    held.actuators.position[3] = held.actuators.goal[3] = pressure
    assert held.run(surroundings(*still(300))).outlet[-1] == pytest.approx(pressure, rel=1e-4)


def test_a_stopped_skid_shows_no_flow_and_one_pressure() -> None:
    machine = quadratic_skid()
    machine.actuators.position[2] = machine.actuators.goal[2] = 1e5
    machine.stop_pump(over=4)
    idle = machine.run(surroundings(*still(10)))
    assert idle.flow[-1] == 0.0
    assert idle.inlet[-1] == idle.outlet[-1] == idle.vessel[-1, 0] == 1e5
