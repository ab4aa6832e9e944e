"""What a measured ratio to a clean element says, given how elements usually come out.

Most elements are fitted well, and then come out within a few percent of each other; the rest come out anywhere from a
third of it, where there is no element, to several times a clean one. Weighing a measurement against that (Bayes) gives
the interval of the ratio: what is measured sharply stands as measured, what is measured vaguely is no longer told as if
nothing were known. With no measurement at all the interval spans both limits, so a verdict still needs evidence.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

SPREAD = 0.03            # of the logarithm, between clean elements of one part. Common practice, no source
SPOILT = 0.2             # of changeouts that fail in some way. Common practice, no source
SPOILT_SPREAD = 0.9      # of the logarithm, between those. Common practice, no source
STEP, REACH = 0.004, 3.0 # of the logarithm: of the sum over ratios, and how far it goes
TAILS = 30.0             # degrees of freedom of the measurement's error: a fit errs more often than its covariance says


class Ratio(NamedTuple):
    """Median of the ratio and its 90 % interval; likeliest: which of the readings bears most of it."""

    middle: float
    low: float
    high: float
    likeliest: int


class Reading(NamedTuple):
    """What the levels say under one supposition about what is not measured. measured: logarithm of the ratio by the
    levels alone, error: its standard error; alike: the same where the element is held to be like a clean one; away: how
    many standard errors that is from what the levels say; evidence: logarithm of the supposition's own weight."""

    measured: float
    error: float
    alike: tuple[float, float]
    away: float
    evidence: float = 0.0


def weigh_ratio(readings: Sequence[Reading]) -> Ratio:
    """What they say together, each as far as it is likely."""
    best = max(r.evidence for r in readings)
    reach = REACH + max(abs(r.measured) for r in readings)
    y = np.arange(-reach, reach, STEP)
    densities = np.array([math.exp(r.evidence - best) / r.error * _density(r, y) for r in readings])
    share = np.cumsum(densities.sum(0))
    low, middle, high = np.interp([0.05, 0.5, 0.95], share / share[-1], y)
    return Ratio(math.exp(middle), math.exp(low), math.exp(high), int(np.argmax(densities.sum(1))))


def _density(reading: Reading, y: Array) -> Array:
    measured, error, alike, away, _ = reading
    usual = (1 - SPOILT) * error / math.hypot(error, SPREAD) * likelihood(np.float64(away))
    spoilt = SPOILT * normal(y, 0.0, SPOILT_SPREAD) * likelihood((y - measured) / error)
    return np.asarray(usual * normal(y, alike[0], max(alike[1], 2 * STEP)) + spoilt)


def normal(y: Array, centre: float, spread: float) -> Array:
    return np.asarray(np.exp(-0.5 * ((y - centre) / spread) ** 2) / (spread * math.sqrt(2 * math.pi)))


def likelihood(z: Array | np.float64) -> Array:
    """Student's t but for a factor."""
    return np.asarray((1 + z * z / TAILS) ** (-0.5 * (TAILS + 1)))
