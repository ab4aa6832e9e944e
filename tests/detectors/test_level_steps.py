"""The tests of levels that losses and isolations rest on (means of blocks, their errors, steps, the scatter before a
fall), held against series and figures from outside.

They are no CUSUM and no EWMA charts: a difference of two adjacent means has to exceed six of its standard errors, since
hundreds of places a day are tried. So what the charts' textbook series show with fewer must be measured right here, and
must not be called.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
import ruptures
from scipy import stats
from statsmodels.api import OLS, add_constant, datasets

from monitor.detectors.drop import APART, SIGNIFICANT, SPAN, fall_of_blocks
from monitor.detectors.isolation import block_average
from monitor.detectors.sudden import LONG, line_before, scatter_before
from monitor.engine import codes, layout, missed
from monitor.model import NS

Array = npt.NDArray[np.float64]
BLOCK = codes.BLOCK_S * NS

# NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.3 (CUSUM): means of four, target 325, sigma of a mean 0.635; the
# shift comes at sample 13, and the tabular CUSUM signals at 14. Data from memory; their outputs agree when recomputed.
CUSUM = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150,
         328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]  # fmt: skip
# The same, 6.3.2.4 (EWMA): 50, s 2.0539; no signal, though the last five trend upwards. From memory, likewise.
EWMA = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4,
        53.6, 52.1]  # fmt: skip
# Montgomery, Introduction to Statistical Quality Control, CUSUM chapter: target 10, sigma 1; one sigma more from sample
# 21 on, which the CUSUM (k 0.5, h 5) signals at 29 and dates after 22. Data as in a library's documentation.
MONTGOMERY = [9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08, 9.37,
              10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31,
              10.52]  # fmt: skip
# e-Handbook 6.3.2.2 (individuals): mean moving range 1.8778, over 1.128 a sigma of 1.6647, limits 55.8041 and 45.8159
# about 50.81. From memory; recomputed by hand.
INDIVIDUALS = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def history_of(levels: npt.ArrayLike) -> np.record:
    """A look back whose blocks have these levels, oldest first; of headers nothing is known."""
    record = np.zeros(1, layout.history).view(np.recarray)[0]
    values = np.asarray(levels, float)
    record.means[:] = np.nan
    record.means[: values.size, codes.NORMALISED] = values
    record.start[: values.size] = BLOCK * np.arange(1, values.size + 1)
    record.used = values.size
    return record


def nile() -> Array:
    """Yearly flow at Aswan 1871-1970 (Cobb, Biometrika 65 (1978) 243), as statsmodels carries it."""
    return np.asarray(datasets.nile.load_pandas().data["volume"], float)


def places(level: Array) -> list[tuple[float, float, int]]:
    """Rise, its standard errors, place: every place `missed` would try."""
    last = len(level) - missed.SIDE - missed.GAP
    return [(*missed._step(level, k), k) for k in range(missed.SIDE, last + 1)]


def test_means_and_errors_of_the_niles_two_regimes():
    """1871-1898: 1097.75, sd 134.9962; 1899-1970: 849.9722, sd 124.7764."""
    history = history_of(nile())
    late, late_error = block_average(history, codes.NORMALISED, 0, 72)
    early, early_error = block_average(history, codes.NORMALISED, 72, 28)
    assert (early, late) == (pytest.approx(1097.75), pytest.approx(849.9722, abs=1e-3))
    assert early_error == pytest.approx(134.9962 / math.sqrt(28), rel=1e-5)
    assert late_error == pytest.approx(124.7764 / math.sqrt(72), rel=1e-5)


def test_the_niles_step_is_placed_in_1898_as_by_least_squares():
    """Run backwards, the fall of 1898 is a rise after 72 years; ruptures' exact search for one break agrees, and
    statsmodels' least squares with a line beside the step gives its t value."""
    level = np.log(nile()[::-1])
    (found,) = ruptures.Dynp(model="l2", min_size=5, jump=1).fit(level.reshape(-1, 1)).predict(n_bkps=1)[:1]
    assert found == 72
    _, errors, place = max(places(level), key=lambda p: p[1])
    assert found - missed.GAP <= place <= found
    years = np.r_[place - missed.REACH : place, place + missed.GAP : min(level.size, place + missed.GAP + missed.REACH)]
    line = add_constant(np.column_stack([years, years >= place]).astype(float))
    assert errors == pytest.approx(OLS(level[years], line).fit().tvalues[2], rel=1e-6)
    assert errors > 3.0


def test_the_niles_fall_is_called_while_its_means_straddle_1898_and_at_no_other_time():
    flow, least = nile(), SPAN + APART + SPAN
    called = [1870 + n for n in range(least, flow.size + 1) if fall_of_blocks(history_of(flow[:n]), NS) > 0.0]
    assert called
    assert all(1898 < year <= 1898 + least for year in called)


def test_the_dozen_years_beside_the_niles_change_are_not_sure_enough_for_a_step():
    """They tell it by less than five standard errors; six are asked for."""
    assert missed.step_before(history_of(nile()[::-1]), BLOCK * 101) is None


def test_loading_that_goes_on_is_no_step_and_one_in_it_is_found():
    """12 % in twenty minutes: levels a minute or two apart differ by more than a step must, and surely so."""
    level = np.log(0.18) + np.linspace(0.0, 0.12, 120) + np.random.default_rng(1).normal(0, 0.002, 120)
    assert missed.step_before(history_of(1e4 * np.exp(level)), BLOCK * 121) is None
    level[70:] += 0.03
    told = missed.step_before(history_of(1e4 * np.exp(level)), BLOCK * 121)
    assert told is not None
    assert abs(told / BLOCK - 1 - 70) <= missed.GAP


@pytest.mark.parametrize("seed", range(1, 9))
def test_steps_in_made_series_are_placed_where_ruptures_places_them(seed):
    """ruptures' own generator of piecewise constant series; steps of ten standard deviations, noise of 0.5 %."""
    signal, (true, _) = ruptures.pw_constant(100, 1, 1, noise_std=0.1, delta=(1, 1.5), seed=seed)
    level = 0.05 * signal[:, 0] * np.sign(signal[-1, 0] - signal[0, 0])
    (found,) = ruptures.Pelt(model="l2", min_size=5, jump=1).fit(level.reshape(-1, 1)).predict(pen=0.01)[:1]
    assert abs(found - true) <= 1
    told = missed.step_before(history_of(1e4 * np.exp(level)), BLOCK * 101)
    assert told is not None
    assert abs(told / BLOCK - 1 - found) <= missed.GAP


def test_the_handbooks_shift_is_measured_at_its_size_and_dated_at_sample_13():
    shift, error = np.mean(CUSUM[12:]) - np.mean(CUSUM[:12]), 0.635
    history = history_of(CUSUM)
    after, after_error = block_average(history, codes.NORMALISED, 0, 8)
    before, before_error = block_average(history, codes.NORMALISED, 8, 12)
    assert after - before == pytest.approx(shift, abs=1e-3)
    assert after_error * math.sqrt(8) == pytest.approx(error, rel=0.25)
    assert before_error * math.sqrt(12) == pytest.approx(error, rel=0.45)
    assert after - before > SIGNIFICANT * math.hypot(after_error, before_error)
    found = ruptures.Dynp(model="l2", min_size=3, jump=1).fit(np.reshape(CUSUM, (-1, 1))).predict(n_bkps=1)[0]
    assert found == 12


@pytest.mark.parametrize("series", [EWMA, MONTGOMERY], ids=["drift of the EWMA example", "one sigma of Montgomery's"])
def test_what_charts_are_slow_to_signal_is_not_called(series):
    """As loading: dP that falls by as much as these rise, in percent of its level."""
    values = np.asarray(series)
    falling = 1e4 * np.exp(-0.05 * (values - values[:10].mean()))
    for n in range(SPAN + APART + SPAN, values.size + 1):
        assert fall_of_blocks(history_of(falling[:n]), NS) == 0.0


def test_scatter_before_a_fall_is_the_handbooks_moving_range():
    ring = np.zeros(codes.RING)
    ring[np.arange(-7, -7 - LONG, -1)] = INDIVIDUALS
    sigma = scatter_before(ring, 0, 7)
    assert sigma == pytest.approx(1.8778 / 1.128, rel=1e-4)
    assert 50.81 + 3 * sigma == pytest.approx(55.8041, abs=1e-3)
    assert 50.81 - 3 * sigma == pytest.approx(45.8159, abs=1e-3)


def test_the_line_before_a_fall_is_that_of_least_squares():
    """End, scatter and the error of the end: ten years of the Nile against statsmodels."""
    years, back = nile()[:LONG], 5
    ring = np.zeros(codes.RING)
    ring[np.arange(-back - LONG + 1, -back + 1)] = years
    fitted = OLS(years, add_constant(np.arange(LONG, dtype=float))).fit()
    end, scatter = line_before(ring, 0, back)
    assert end == pytest.approx(fitted.fittedvalues[-1], rel=1e-12)
    assert scatter == pytest.approx(math.sqrt(fitted.mse_resid), rel=1e-12)
    error = fitted.get_prediction([[1.0, LONG - 1.0]]).se_mean[0]
    assert scatter * math.sqrt((4 * LONG - 2) / (LONG * (LONG + 1))) == pytest.approx(error, rel=1e-12)


def test_between_false_falls_pass_as_many_looks_as_students_t_says():
    """Run length in control: the difference of two means of five independent normal blocks over its error is t with 8
    degrees of freedom; independent looks, so that the mean run length is 1 / P(t > 6), one in 6,200."""
    rng, looks, length = np.random.default_rng(5), 40_000, SPAN + APART + SPAN
    levels = (1e4 * (1 + 0.05 * rng.standard_normal((looks, length)))).astype(np.float32)
    history, false = history_of(np.ones(length)), 0
    for row in levels:
        history.means[:length, codes.NORMALISED] = row
        false += fall_of_blocks(history, NS) > 0.0
    expected = looks * float(stats.t.sf(SIGNIFICANT, 2 * SPAN - 2))
    low, high = stats.poisson.interval(0.999, expected)
    assert low <= false <= high
