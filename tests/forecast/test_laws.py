"""The four loading laws against their published solutions.

Table: R(V) of dR/dV = k R^m from R = 1 (Hermia, Trans. IChemE 60 (1982) 183; Hlavacek and Bouchet, J. Membr. Sci. 82
(1993) 285; from memory), exact algebra, checked by integrating the equation numerically.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from monitor.forecast.laws import LAWS, resistance_after, volume_to

SHARES = (0.1, 0.25, 0.5, 0.75, 0.9)     # k V
RESISTANCE = {
    "complete": (1.111111, 1.333333, 2.0, 4.0, 10.0),
    "standard": (1.108033, 1.306122, 1.777778, 2.56, 3.305785),
    "intermediate": (1.105171, 1.284025, 1.648721, 2.117000, 2.459603),
    "cake": (1.1, 1.25, 1.5, 1.75, 1.9),
}
ENDS = (1.5, 2.0, 3.0, 5.0, 10.0)        # R, and k V to get there
VOLUME = {
    "complete": (0.333333, 0.5, 0.666667, 0.8, 0.9),
    "standard": (0.367007, 0.585786, 0.845299, 1.105573, 1.367544),
    "intermediate": (0.405465, 0.693147, 1.098612, 1.609438, 2.302585),
    "cake": (0.5, 1.0, 2.0, 4.0, 9.0),
}


@pytest.mark.parametrize("law", LAWS)
def test_resistance_after_a_volume_is_that_of_the_table(law: str) -> None:
    found = [float(resistance_after(v, 1.0, 1.0, LAWS[law])) for v in SHARES]
    assert found == pytest.approx(RESISTANCE[law], rel=1e-6)


@pytest.mark.parametrize("law", LAWS)
def test_volume_to_a_resistance_is_that_of_the_table_at_any_scale(law: str) -> None:
    found = [volume_to(7e4, 7e4 * r, 0.3 * 7e4 ** (1 - LAWS[law]), LAWS[law]) for r in ENDS]
    assert [0.3 * v for v in found] == pytest.approx(VOLUME[law], rel=2e-6)


def test_changeout_comes_sooner_the_more_a_law_accelerates() -> None:
    """R = 1.5 seen at V = 1, limit 3: 4, 2.709511, 2.303225, 2 (algebra)."""
    limits = {}
    for law, m in LAWS.items():
        k = volume_to(1.0, 1.5, 1.0, m)
        limits[law] = volume_to(1.0, 3.0, k, m)
    assert limits == pytest.approx({"cake": 4, "intermediate": 2.709511, "standard": 2.303225, "complete": 2}, rel=1e-6)


@pytest.mark.parametrize("law", LAWS)
def test_the_solution_is_the_equation_integrated_numerically(law: str) -> None:
    solved = solve_ivp(lambda v, r: 0.6 * r ** LAWS[law], (0, 1), [1.2], rtol=1e-10, atol=1e-12)
    assert float(resistance_after(1.0, 1.2, 0.6, LAWS[law])) == pytest.approx(float(solved.y[0, -1]), rel=1e-7)


def test_what_does_not_grow_never_gets_there_and_what_ran_away_is_infinite() -> None:
    assert volume_to(1.0, 2.0, 0.0, 1.0) == math.inf
    assert np.isinf(resistance_after(1.2, 1.0, 1.0, 2.0))
