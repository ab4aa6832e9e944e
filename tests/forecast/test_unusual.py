"""Loading held against earlier lives: silent while it is as it was, told where it is far from all of them.

Lives load by the classical blocking laws (Hermia, Trans. IChemE 60 (1982) 183; closed forms in `test_laws`).
"""

from __future__ import annotations

import numpy as np
import pytest

from monitor.forecast.curve import Point, add_point
from monitor.forecast.laws import resistance_after, volume_to
from monitor.forecast.prior import Template, template
from monitor.forecast.unusual import FAST, STALLED, unusual

LIMIT, CLEAN, TOTAL = 1.0e5, 0.15e5, 400.0     # Pa, Pa, m^3
EVERY, SECONDS = 0.5, 60.0                     # m^3 and s of a sample


def loading(exponent: float, speed: np.ndarray, seed: int) -> list[Point]:
    """A curve of one law whose solids come `speed` times as fast, by sample; 0.5 % noise."""
    draw, rate = np.random.default_rng(seed), volume_to(CLEAN, LIMIT, 1.0, exponent) / TOTAL
    points: list[Point] = []
    for n, passed in enumerate(np.cumsum(speed * EVERY), 1):
        dp = float(resistance_after(passed, CLEAN, rate, exponent)) * (1 + 0.005 * float(draw.standard_normal()))
        if dp > LIMIT or not np.isfinite(dp):
            break
        add_point(points, (n * EVERY, dp, SECONDS), LIMIT)
    return points


def lives(exponent: float, speeds: tuple[float, ...] = (0.8, 1.0, 1.3)) -> list[Template]:
    out = []
    for seed, speed in enumerate(speeds):
        table = np.array(loading(exponent, np.full(4000, speed), seed))
        out.append(template(table[:, 0], table[:, 1], table[:, 2], limit=LIMIT, total=TOTAL / speed))
    return out


def first(points: list[Point], known: list[Template]) -> tuple[str, float] | None:
    """What is told first as the curve grows, and at which volume."""
    for n in range(1, len(points) + 1):
        found = unusual(points[:n], known, LIMIT)
        if found is not None:
            return found.what, points[n - 1][0]
    return None


@pytest.mark.parametrize("exponent", [0.0, 1.0, 1.5, 2.0])
def test_lives_twice_as_fast_or_slow_and_a_slug_of_three_times_are_as_ever(exponent):
    slug = np.ones(4000)
    slug[300:400] = 3.0
    for speed in (np.full(4000, 0.5), np.full(4000, 2.0), slug):
        assert first(loading(exponent, speed, 9), lives(exponent)) is None


@pytest.mark.parametrize("exponent", [0.0, 1.0, 1.5, 2.0])
def test_dp_that_stops_rising_is_told_before_as_much_again_as_a_life_has_passed(exponent):
    speed = np.ones(4000)
    speed[400:] = 0.0
    what, at = first(loading(exponent, speed, 9), lives(exponent)) or ("", 0.0)
    assert what == STALLED
    assert 200 < at < 200 + 2.5 * TOTAL


@pytest.mark.parametrize("exponent", [0.0, 1.0, 1.5, 2.0])
def test_a_slug_of_twelve_times_the_usual_solids_is_told_before_the_point(exponent):
    speed = np.ones(4000)
    speed[450:] = 12.0
    what, at = first(loading(exponent, speed, 9), lives(exponent)) or ("", 0.0)
    assert what == FAST
    assert at > 225


def test_a_step_is_no_loading():
    """As when a vessel left unseen."""
    points = loading(0.0, np.full(400, 1.0), 9)
    stepped = [(x, dp + (0.4e5 if x > 150 else 0.0), w) for x, dp, w in points]
    assert first(stepped, lives(0.0)) is None


def test_one_earlier_life_is_too_few():
    speed = np.ones(4000)
    speed[400:] = 0.0
    assert first(loading(1.0, speed, 9), lives(1.0)[:1]) is None
