"""The laws as a person sees them: statsmodels' intervals against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.forecast.curve import Point
from monitor.forecast.law_table import LEVEL, law_lines, law_table
from monitor.forecast.laws import LAWS, resistance_after

BAR = 1e5
Z80 = 1.2815515655446004     # 90 % point of the standard normal, any table


def newey_west(x: np.ndarray, y: np.ndarray, lags: int) -> tuple[float, float]:
    """Slope of a straight line and its standard error, written out as sums: Newey and West, Econometrica 55 (1987) 703,
    with Bartlett's weights and the factor n / (n - 2)."""
    n, d = len(x), x - x.mean()
    slope = float(d @ y / (d @ d))
    score = d * (y - y.mean() - slope * d)
    spread = float(score @ score)
    for lag in range(1, lags + 1):
        spread += 2 * (1 - lag / (lags + 1)) * float(score[lag:] @ score[:-lag])
    return slope, math.sqrt(spread * n / (n - 2)) / float(d @ d)


def noisy_cake() -> tuple[np.ndarray, np.ndarray]:
    draw = np.random.default_rng(11)
    x = np.linspace(0.0, 10.0, 50)
    return x, 0.2 + 0.03 * x + 0.01 * np.convolve(draw.standard_normal(54), np.ones(5) / 5, "valid")


def test_the_interval_of_cakes_rate_is_the_closed_form() -> None:
    x, a = noisy_cake()
    points: list[Point] = [(float(v), float(r) * BAR, 60.0) for v, r in zip(x, a, strict=True)]
    row = law_table(points, 0.0)[0]
    slope, error = newey_west(x, a, lags=3)     # 4 (50/100)^(2/9) = 3.4
    assert (row.law, LEVEL) == ("cake", 0.80)
    assert row.rate == pytest.approx(slope, rel=1e-6)
    assert (row.low, row.high) == pytest.approx((slope - Z80 * error, slope + Z80 * error), rel=1e-6)


@pytest.mark.parametrize("law", LAWS)
def test_an_exact_curve_has_its_rate_and_an_interval_of_no_width(law: str) -> None:
    m, x = LAWS[law], np.linspace(0.0, 1.0, 40)
    a = resistance_after(x, 0.3, 0.4, m)
    points: list[Point] = [(float(v), float(r) * BAR + 500.0, 60.0) for v, r in zip(x, a, strict=True)]
    row = next(r for r in law_table(points, 500.0) if r.law == law)
    assert (row.low, row.rate, row.high) == pytest.approx((0.4, 0.4, 0.4), rel=1e-6)
    assert row.scatter < 1e-9


def test_nothing_is_named_before_growth() -> None:
    draw = np.random.default_rng(2)
    flat: list[Point] = [(float(v), float(0.2 + 0.01 * draw.standard_normal()) * BAR, 60.0) for v in range(40)]
    assert [what for what, _ in law_lines(flat, 0.0, by_volume=True)] == ["laws"]
