"""What earlier lives say, on lives whose truth is known by construction."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.forecast.curve import MOST, Point, add_point, columns, pooled
from monitor.forecast.laws import LAWS, resistance_after, volume_to
from monitor.forecast.life import past, slowing, templates
from monitor.forecast.prior import OWN_SPREAD, OWN_WORTH, Template, believe, life_of
from tests.forecast.isotonic import isotonic_by_projection

LIMIT = 1e5


def knee(share: np.ndarray) -> np.ndarray:
    """dP [Pa] of a life that shows nothing until its last fifth."""
    return 0.1 * LIMIT + 0.9 * LIMIT * np.maximum(0, (share - 0.8) / 0.2) ** 1.5


def life(total: float) -> Template:
    x = np.linspace(0, total, 90)
    return templates([past(0, x, knee(x / total), np.ones(90), limit=LIMIT, turbulent=0.0, hours=total, whole=True)],
                     LIMIT)[0]  # fmt: skip


def forecast(lives: list[Template], total: float, share: float) -> tuple[float, float]:
    """Mean and standard deviation of ln(remaining) over the truth."""
    x = np.linspace(0, share * total, 50)
    dp = knee(x / total)
    belief = believe(lives, x, dp, np.ones(50), now=float(x[-1]), level=float(dp[-1]), level_error=100.0, limit=LIMIT)
    assert belief is not None
    logs = np.log(belief.remaining / ((1 - share) * total))
    mean = float(belief.weight @ logs)
    return mean, math.sqrt(float(belief.weight @ (logs - mean) ** 2))


def test_before_the_knee_the_lives_decide_and_after_it_dp_does() -> None:
    lives = [life(t) for t in (90.0, 100.0, 110.0, 95.0, 105.0)]
    before, unsure = forecast(lives, 130.0, 0.5)
    after, sure = forecast(lives, 130.0, 0.95)
    assert before < -0.2, "a life longer than all known cannot be told yet"
    assert abs(after) < 0.1 < abs(before)
    assert sure < unsure


def test_a_curve_that_began_with_loaded_elements_is_placed_by_its_dp() -> None:
    lives, total, seen = [life(t) for t in (95.0, 100.0, 105.0)], 100.0, np.linspace(84.0, 92.0, 40)
    dp = knee(seen / total)
    belief = believe(lives, seen - 84.0, dp, np.ones(40), now=8.0, level=float(dp[-1]), level_error=100.0, limit=LIMIT,
                     whole=False)  # fmt: skip
    assert belief is not None
    assert math.exp(float(belief.weight @ np.log(belief.remaining))) == pytest.approx(8.0, rel=0.2)


@pytest.mark.parametrize("law", LAWS)
def test_a_life_whose_beginning_was_not_seen_is_carried_back_to_clean_elements(law: str) -> None:
    """Exact curves (algebra of the laws) of 100 m^3 from 0.15 bar to 1 bar, seen from 40 m^3 on."""
    a0, a1 = 0.15 * LIMIT, LIMIT
    rate = volume_to(a0, a1, 1.0, LAWS[law]) / 100.0
    x = np.linspace(40.0, 100.0, 80)
    dp = resistance_after(x, a0, rate, LAWS[law])
    known, unknown = (
        past(0, x - 40.0, dp, np.ones(80), limit=LIMIT, turbulent=0.0, hours=60.0, whole=False, total=60.0, clean=clean)
        for clean in (a0, math.nan)
    )
    assert known.shape, "not a mere lower bound"
    assert known.total == pytest.approx(100.0, rel=0.1)
    assert known.hours == pytest.approx(100.0, rel=0.1)
    assert not unknown.shape and unknown.total == 60.0, "without a clean reference: a lower bound"


def test_one_life_widens_what_is_said_and_many_narrow_it() -> None:
    few, many = forecast([life(100.0)], 100.0, 0.5)[1], forecast([life(100.0)] * 9, 100.0, 0.5)[1]
    assert many < 0.7 * few


def test_mean_and_spread_of_lives_are_the_shrunk_ones_by_hand() -> None:
    found = life_of([life(100.0), life(140.0)])
    assert found is not None
    squares = 2 * (0.5 * math.log(1.4)) ** 2 + OWN_WORTH * OWN_SPREAD**2
    assert found.mean == pytest.approx(0.5 * (math.log(100) + math.log(140)), abs=1e-6)
    assert found.spread == pytest.approx(math.sqrt(squares / (OWN_WORTH + 1)), rel=1e-6)
    assert found.error == pytest.approx(found.spread / math.sqrt(2), rel=1e-6)


def test_a_life_changed_early_is_a_lower_bound_and_not_an_end() -> None:
    early = Template(150.0, np.empty(0), censored=True)
    lengthened, dropped = life_of([life(100.0), early]), life_of([life(100.0)])
    counted_as_end = life_of([life(100.0), life(150.0)])
    assert lengthened is not None and dropped is not None and counted_as_end is not None
    assert lengthened[0] > counted_as_end[0] > dropped[0]
    assert life_of([early]) is None, "nothing was seen to its end"


@given(st.lists(st.floats(-5, 5), min_size=1, max_size=12))
def test_the_pooled_sequence_is_the_nearest_that_never_falls(values: list[float]) -> None:
    y = np.array(values)
    assert pooled(y, np.ones(y.size)) == pytest.approx(isotonic_by_projection(y), abs=1e-6)


@given(st.lists(st.floats(0, 1), min_size=1, max_size=400))
def test_a_curve_stays_bounded_and_keeps_its_weight_and_mean(values: list[float]) -> None:
    points: list[Point] = []
    for k, v in enumerate(values):
        add_point(points, (float(k + 1), v * LIMIT, 1.0), LIMIT)
    x, dp, weight = columns(points)
    assert len(points) <= MOST
    assert weight.sum() == pytest.approx(len(values))
    assert float(weight @ dp) == pytest.approx(LIMIT * sum(values), rel=1e-9, abs=1e-6)
    assert (np.diff(x) > 0).all()


def test_flow_that_gave_way_on_earlier_lives_lengthens_the_hours_to_come() -> None:
    x = np.linspace(1, 100, 100)
    slow = np.where(x > 80, 2.0, 1.0)        # the last fifth took twice as long for its volume
    lives = [past(k, x, knee(x / 100), slow, limit=LIMIT, turbulent=0.0, hours=1.0, whole=True) for k in range(8)]
    assert slowing(lives, 0.79) == pytest.approx(1.4918, rel=0.01), "bounded by exp(0.4)"
    assert slowing(lives, 0.3) == pytest.approx((0.7 + 0.2) / 0.7, rel=0.1)
    assert slowing([], 0.5) == 1.0
