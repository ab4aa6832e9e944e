"""Fits of the laws against exact curves, and their errors against statsmodels."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.forecast.fit import fit_laws, fit_lines, lags_for
from monitor.forecast.laws import LAWS, resistance_after, volume_to


def test_lines_and_their_errors_are_those_of_statsmodels() -> None:
    """WLS with cov_type HAC (Newey and West), Bartlett's kernel, small-sample correction; statsmodels 0.15."""
    wls = pytest.importorskip("statsmodels.regression.linear_model").WLS
    draw = np.random.default_rng(3)
    x = np.sort(draw.uniform(0, 4, 60))
    noise = np.convolve(draw.standard_normal(64), np.ones(5) / 5, "valid")
    y = np.stack((1.0 + 0.5 * x + 0.1 * noise, 2.0 - 0.3 * x + 0.2 * noise))
    weight = draw.uniform(0.5, 2, (2, 60))
    lines = fit_lines(x, y, weight)
    for k in range(2):
        theirs = wls(y[k], np.column_stack((np.ones(60), x)), weights=weight[k]).fit(
            cov_type="HAC", cov_kwds={"maxlags": lags_for(60), "use_correction": True}
        )
        assert (lines.level[k], lines.slope[k]) == pytest.approx(tuple(theirs.params), rel=1e-9)
        assert lines.covariance[k] == pytest.approx(theirs.cov_params(), rel=1e-9)


def test_with_plain_noise_the_error_of_a_slope_is_the_textbooks() -> None:
    """sigma / sqrt(sum (x - mean)^2), any statistics textbook; over 400 draws, so within a tenth."""
    draw = np.random.default_rng(5)
    x = np.linspace(0, 1, 80)
    lines = fit_lines(x, 1 + x + 0.2 * draw.standard_normal((400, 80)), np.ones((400, 80)))
    textbook = 0.2 / np.sqrt(np.sum((x - x.mean()) ** 2))
    assert float(np.sqrt(lines.covariance[:, 1, 1]).mean()) == pytest.approx(textbook, rel=0.1)
    assert float(lines.slope.std()) == pytest.approx(textbook, rel=0.1)


@pytest.mark.parametrize("law", LAWS)
def test_an_exact_curve_is_known_by_its_law_and_ends_where_the_law_says(law: str) -> None:
    m = LAWS[law]
    rate = 0.5 * volume_to(1.0, 4.0, 1.0, m)     # half of the life is seen
    volume = np.linspace(0, 1, 60)
    seen = resistance_after(volume, 1.0, rate, m)
    fit = fit_laws(volume, seen, np.ones(60), now=1.0, limit=4.0)
    assert fit is not None
    k = list(LAWS).index(law)
    assert int(np.argmax(fit.evidence)) == k
    assert fit.remaining[k] == pytest.approx(1.0, rel=1e-6)
    assert fit.error[k] < 1e-6


def test_outliers_hardly_move_the_forecast() -> None:
    volume = np.linspace(0, 1, 60)
    seen = resistance_after(volume, 1.0, 0.5 * volume_to(1.0, 4.0, 1.0, 1.0), 1.0)
    seen = np.where(np.arange(60) % 11 == 5, 1.5 * seen, seen)
    fit = fit_laws(volume, seen, np.ones(60), now=1.0, limit=4.0)
    assert fit is not None
    assert fit.remaining[list(LAWS).index("intermediate")] == pytest.approx(1.0, rel=0.03)


def test_too_few_points_and_falling_resistance_say_nothing() -> None:
    assert fit_laws(np.arange(4.0), np.arange(1.0, 5.0), np.ones(4), now=3.0, limit=9.0) is None
    falling = fit_laws(np.arange(20.0), np.linspace(2, 1, 20), np.ones(20), now=19.0, limit=9.0)
    assert falling is not None
    assert np.isinf(falling.remaining).all()
