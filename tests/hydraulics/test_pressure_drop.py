"""Worked cases of parallel and Forchheimer flow, and of referring dP to reference conditions."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.hydraulics.pressure_drop import flow_at, normalised, pressure_drop
from monitor.hydraulics.water import viscosity


def test_darcy_only_normalisation_of_a_handbook_case():
    # Algebra on IAPWS viscosities: 100 kPa at 50 and 10 degC, referred to 60 and 20 degC: 92.037 kPa.
    ratio = viscosity(283.15) / viscosity(293.15)
    assert normalised(100.0, 50 / 60, ratio, 1.0, 0.0) == pytest.approx(92.037, rel=2e-4)


@pytest.mark.parametrize(
    ("branches", "total", "drop", "split"),
    [  # exact algebra of dP = a q + b q^2 in parallel
        (((1.0, 0.5), (2.0, 1.0)), 10.0, 24.0, (6.0, 4.0)),
        (((1.0, 0.02), (1.0, 0.02)), 20.0, 12.0, (10.0, 10.0)),
        (((1.0, 0.02), (3.0, 0.02)), 20.0, 18.180556, (85 / 6, 35 / 6)),
        (((1.0, 0.0), (3.0, 0.0)), 40.0, 30.0, (30.0, 10.0)),
    ],
)
def test_parallel_forchheimer_branches_share_one_drop(branches, total, drop, split):
    flows = [flow_at(drop, a, b) for a, b in branches]
    assert flows == pytest.approx(split, rel=1e-6)
    assert sum(flows) == pytest.approx(total, rel=1e-6)


def test_ergun_bed_as_forchheimer():
    # `fluids` 1.3.1, packed_bed.Ergun: 0.8 mm beads, voidage 0.4, 0.5 m, water-like: Pa at 1 and 2 mm/s.
    a, b = 659_179.6875, 1.025390625e7
    assert pressure_drop(1e-3, a, b) == pytest.approx(669.43359, rel=1e-6)
    assert pressure_drop(2e-3, a, b) == pytest.approx(1359.375, rel=1e-6)


@given(
    flow=st.floats(1e-3, 1e3), a=st.floats(1e-3, 1e3), b=st.one_of(st.just(0.0), st.floats(1e-9, 1e3)),
)  # fmt: skip
def test_flow_at_inverts_pressure_drop(flow, a, b):
    assert flow_at(pressure_drop(flow, a, b), a, b) == pytest.approx(flow, rel=1e-9)


@given(
    a=st.floats(0.05, 2.0), b=st.floats(0.0, 0.5), flow=st.floats(0.3, 1.5), thick=st.floats(0.6, 1.7),
    dense=st.floats(0.99, 1.01),
)  # fmt: skip
def test_a_skid_of_known_terms_is_referred_exactly(a, b, flow, thick, dense):
    seen = a * thick * flow + b * dense * flow**2
    assert normalised(seen, flow, thick, dense, b) == pytest.approx(a + b, rel=1e-9)


def test_halved_flow_through_one_of_two_elements_doubles_a_laminar_drop_and_quadruples_a_turbulent_one():
    # Losing one of N equal elements at held flow: each of the rest carries N/(N-1); exact algebra.
    assert pressure_drop(2.0, 1.0, 0.0) / pressure_drop(1.0, 1.0, 0.0) == 2.0
    assert pressure_drop(2.0, 0.0, 1.0) / pressure_drop(1.0, 0.0, 1.0) == 4.0
