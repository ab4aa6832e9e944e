"""Failure limits of an analog transmitter, as NAMUR NE 43 puts them for a 4-20 mA loop.

In percent of span (3.6, 3.8, 20.5 and 21 mA): at or below -2.5 % or at or above +106.25 % the
transmitter has failed; from -1.25 % to +103.125 % it measures; what lies between is uncertain,
because saturation may be a real overpressure.

A contact or leak sensor (unit "1") has no live zero and no span: NE 43 says nothing about it, so
every finite value of it is taken as it is.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.model import Quality
from monitor.skid import Signal

Numbers = float | npt.NDArray[np.float64]

# Below the low end and above the high end, as fractions of span.
FAIL_BELOW, MEASURE_BELOW, MEASURE_ABOVE, FAIL_ABOVE = 0.025, 0.0125, 0.03125, 0.0625
BEYOND_LIMITS = "at or beyond the failure limits of NE 43 (-2.5 % and 106.25 % of span)"
ROUNDING = 1e-9     # of span: what binary fractions do to a value that lies exactly on a limit


class Limits(NamedTuple):
    """Values in the signal's unit. Failed: <= fail_low or >= fail_high. Measured: measure_low to measure_high."""

    fail_low: Numbers
    measure_low: Numbers
    measure_high: Numbers
    fail_high: Numbers


def limits(low: Numbers, high: Numbers) -> Limits:
    """NE 43's limits of a span from `low` to `high` (same unit, same shape; low < high)."""
    span = high - low
    return Limits(
        low - (FAIL_BELOW - ROUNDING) * span,
        low - (MEASURE_BELOW + ROUNDING) * span,
        high + (MEASURE_ABOVE + ROUNDING) * span,
        high + (FAIL_ABOVE - ROUNDING) * span,
    )


def is_contact(signal: Signal) -> bool:
    """Whether a signal is a contact or leak sensor: 0 or 1, without failure limits."""
    return signal.unit.strip() == "1"


def span(signal: Signal) -> tuple[float, float]:
    """The span that `grade` judges a signal by; without end for a contact."""
    return (-math.inf, math.inf) if is_contact(signal) else (signal.low, signal.high)


def grade(values: Numbers, low: Numbers, high: Numbers) -> npt.NDArray[np.uint8]:
    """Quality of each value: GOOD, UNCERTAIN or BAD; NaN and infinity are BAD.

    values: [signal's unit], any shape. low, high: [same unit], scalars or broadcastable arrays;
    minus and plus infinity where there is no span. Returns uint8 of the shape of `values`.
    """
    x = np.asarray(values, np.float64)
    at = limits(low, high)
    quality = np.zeros(x.shape, np.uint8)
    with np.errstate(invalid="ignore"):
        quality[~((x >= at.measure_low) & (x <= at.measure_high))] = Quality.UNCERTAIN
        failed = (x <= at.fail_low) | (x >= at.fail_high) | ~np.isfinite(x)
    quality[failed] = Quality.BAD
    return quality
