"""What the rest will show, against exact algebra of parallel vessels."""

from __future__ import annotations

import pytest

from monitor.hydraulics.isolating import outlook
from monitor.hydraulics.network import Conditions, together


@pytest.mark.parametrize(("vessels", "laminar", "square"), [(2, 2.0, 4.0), (3, 1.5, 2.25), (4, 4 / 3, 16 / 9)])
def test_losing_one_of_n_equal_vessels_follows_the_exact_factors(vessels, laminar, square):
    # Flow per vessel times N/(N-1): dP by that factor where laminar, by its square where turbulent. Exact algebra.
    assert outlook(Conditions(1e5, 1.0), vessels, 0.0).expected == pytest.approx(1e5 * laminar)
    assert outlook(Conditions(1e5, 1.0), vessels, 1e5).expected == pytest.approx(1e5 * square)


def test_it_agrees_with_the_network_of_the_vessels_that_are_left():
    turbulent, each = 0.06e5, 0.9e5
    now = together([each] * 3, 0.8, turbulent)
    rest = together([each] * 2, 0.8 * 3 / 2, turbulent)
    assert outlook(Conditions(now, 0.8), 3, turbulent).expected == pytest.approx(rest, rel=1e-6)


def test_packed_cake_bounds_it_from_above_and_satisfies_its_own_equation():
    found = outlook(Conditions(1e5, 1.0), 2, 0.0)
    # dP = 2 (dP/1 bar)^0.4 bar: 2^(1/0.6) = 3.17 bar
    assert found.upper == pytest.approx(2 ** (1 / 0.6) * 1e5, rel=1e-6)
    assert found.upper > found.expected


@pytest.mark.parametrize(
    ("state", "vessels"), [(Conditions(1e5, 0.0), 2), (Conditions(-1.0, 1.0), 2), (Conditions(1e5, 1.0), 1)]
)
def test_nothing_is_said_where_nothing_can_be(state, vessels):
    assert outlook(state, vessels, 0.0) is None
