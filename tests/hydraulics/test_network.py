"""Vessels in parallel: worked cases, brute force, and relations that undo each other."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from monitor.hydraulics.network import Conditions, one_of, resistance, share_of, together

resistances = st.lists(st.floats(0.05e5, 3e5), min_size=2, max_size=6)
turbulents = st.floats(0.0, 0.04e5)
flows = st.floats(0.2, 2.0)


@pytest.mark.parametrize(
    ("laminar", "square", "total", "drop", "split"),
    [  # exact algebra of dP = a q + b q^2 in parallel, with one b
        ((1.0, 1.0), 0.02, 20.0, 12.0, (10.0, 10.0)),
        ((1.0, 3.0), 0.02, 20.0, 18.180556, (85 / 6, 35 / 6)),
        ((1.0, 3.0), 0.0, 40.0, 30.0, (30.0, 10.0)),
    ],
)
def test_parallel_forchheimer_branches_come_to_the_worked_drop_and_split(laminar, square, total, drop, split):
    whole = [a + square for a in laminar]  # what each shows at share 1
    assert together(whole, total / len(whole), square) == pytest.approx(drop, rel=1e-6)
    assert [share_of(Conditions(drop, 1.0), r, square) for r in whole] == pytest.approx(split, rel=1e-6)


def test_power_law_shares_at_its_laminar_and_turbulent_ends():
    # dP = k q^n, k = (1, 4): the first carries 0.8 of it for n = 1; exact algebra. For n = 2 equal elements halve it.
    drop = together([1.0, 4.0], 0.5, 0.0)
    assert share_of(Conditions(drop, 0.5), 1.0, 0.0) == pytest.approx(0.8)
    assert drop == pytest.approx(0.8)  # (sum k_i^-1)^-1
    assert share_of(Conditions(together([1.0, 1.0], 0.5, 1.0), 0.5), 1.0, 1.0) == pytest.approx(0.5)


@settings(deadline=None)
@given(resistances, flows, turbulents)
def test_together_is_the_drop_at_which_flows_found_by_root_search_add_up(vessels, flow, turbulent):
    def missing(drop: float) -> float:
        carried = [brentq(lambda q, a=r - turbulent: a * q + turbulent * q * q - drop, 0, 1e5) for r in vessels]
        return sum(carried) - flow * len(vessels)

    expected = brentq(missing, 1e-3, 1e8)
    assert together(vessels, flow, turbulent) == pytest.approx(expected, rel=1e-6)


@settings(deadline=None)
@given(resistances, flows, turbulents)
def test_together_lies_between_all_vessels_being_like_the_least_and_the_most_resistant(vessels, flow, turbulent):
    drop = together(vessels, flow, turbulent)
    alike = [together([r] * len(vessels), flow, turbulent) for r in (min(vessels), max(vessels))]
    assert alike[0] * (1 - 1e-9) <= drop <= alike[1] * (1 + 1e-9)


@settings(max_examples=200, deadline=None)
@given(st.floats(0.1e5, 3e5), st.floats(0.1e5, 3e5), st.integers(2, 6), flows, turbulents, st.floats(0.6, 1.7))
def test_an_isolation_reveals_the_rest_and_with_it_the_one(one, rest, count, flow, turbulent, thick):
    others = [rest] * (count - 1)
    laminar = [(r - turbulent) * thick + turbulent for r in [one, *others]]
    alone = Conditions(together(laminar[1:], flow * count / (count - 1), turbulent), flow, thick)
    whole = Conditions(together(laminar, flow, turbulent), flow, thick)
    found = resistance(alone, flow * count / (count - 1), turbulent)     # of each that carries it all
    assert found == pytest.approx(rest, rel=1e-6)
    assert one_of(whole, found, count, turbulent) == pytest.approx(one, rel=1e-4)


@settings(deadline=None)
@given(st.floats(0.05e5, 3e5), st.floats(1e2, 5e5), turbulents, st.floats(0.6, 1.7), st.floats(0.99, 1.01))
def test_share_and_resistance_undo_each_other(vessel, drop, turbulent, thick, dense):
    state = Conditions(drop, 1.0, thick, dense)
    share = share_of(state, vessel, turbulent)
    assert resistance(state, share, turbulent) == pytest.approx(vessel, rel=1e-9)


def test_a_vessel_without_element_passes_what_its_housing_lets_through():
    # dP = b q^2 alone
    assert share_of(Conditions(0.36e5, 1.0), 0.04e5, 0.04e5) == pytest.approx(3.0)


def test_nothing_is_said_without_flow():
    assert together([1e5, 1e5], 0.0, 0.02e5) == 0.0
    assert share_of(Conditions(0.0, 1.0), 1e5, 0.02e5) == 0.0
    assert math.isnan(resistance(Conditions(1e5, 0.0), 0.0, 0.02e5))
