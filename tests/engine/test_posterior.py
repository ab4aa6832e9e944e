"""Ratio of an element to a clean one, weighed with how elements usually come out."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.engine.posterior import SPOILT, SPOILT_SPREAD, SPREAD, Reading, weigh_ratio


def reading(measured: float, error: float, evidence: float = 0.0) -> Reading:
    """As if the fit were linear: what a likeness then makes of it follows from the two errors alone."""
    whole = math.hypot(error, SPREAD)
    centre = measured * SPREAD**2 / whole**2
    return Reading(measured, error, (centre, error * SPREAD / whole), abs(measured) / whole, evidence)


def weighed(measured: float, error: float):
    return weigh_ratio([reading(measured, error)])


@pytest.mark.parametrize("ratio", [0.3, 0.55, 1.8, 3.0])
def test_what_is_measured_sharply_stands_as_measured(ratio):
    found = weighed(math.log(ratio), 0.05)
    assert found.middle == pytest.approx(ratio, rel=0.01)
    assert found.high / found.low == pytest.approx(math.exp(2 * 1.645 * 0.05), rel=0.1)


def test_a_vague_measurement_near_one_is_an_ordinary_element():
    found = weighed(math.log(1.2), 0.12)
    assert found.high < 1.3
    assert found.middle < 1.05


@pytest.mark.parametrize("error", [1.0, 3.0])
def test_without_a_measurement_to_speak_of_both_limits_lie_within(error):
    found = weighed(0.0, error)
    assert found.low < 0.75
    assert found.high > 1.3


def test_intervals_hold_the_truth_nine_times_in_ten_among_elements_as_they_usually_come_out():
    # Truths drawn as the module says, measurements with normal errors of several sizes.
    rng, held, n = np.random.default_rng(20), 0, 1500
    for _ in range(n):
        spoilt = rng.random() < SPOILT
        truth = rng.normal(0, SPOILT_SPREAD if spoilt else SPREAD)
        error = float(rng.choice([0.05, 0.1, 0.2]))
        found = weighed(truth + error * rng.standard_normal(), error)
        held += found.low <= math.exp(truth) <= found.high
    # binomial: 0.9 +- 0.0155 is two standard deviations; tails taken as heavier than normal hold a little more
    assert 0.88 < held / n < 0.94


def test_two_suppositions_weigh_as_their_evidence_and_as_the_element_they_make_is_likely():
    low, usual = math.log(0.5), 0.0
    both = weigh_ratio([reading(low, 0.05), reading(usual, 0.05)])
    assert both.likeliest == 1      # alike in evidence, but elements like a clean one are usual
    assert both.low > 0.75
    sure = weigh_ratio([reading(low, 0.05, evidence=8.0), reading(usual, 0.05)])
    assert sure.likeliest == 0
    assert sure.high < 0.6
