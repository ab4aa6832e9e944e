"""Hours from volumes, against stepping through the pattern minute by minute."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.forecast.use import HOUR, Use, hours_until, interval_hours, note_use, pattern

DAY_BEGINS = 20_000 * 24 * HOUR


def worked(days: int, opens: int, closes: int) -> Use:
    """10 m^3/h between two hours of the day, nothing else; told every ten minutes of running."""
    use = Use()
    for day in range(days):
        for step in range(opens * 6, closes * 6):
            note_use(use, DAY_BEGINS + (day * 24 * 6 + step + 1) * HOUR // 6, 10 / 6, 600.0)
    return use


def test_a_steady_skid_takes_volume_over_flow() -> None:
    use = worked(3, 0, 24)
    found = hours_until(use, DAY_BEGINS + 72 * HOUR, np.array([1.0, 35.0, 500.0]))
    assert found == pytest.approx([0.1, 3.5, 50.0], rel=1e-6)


def test_nights_off_are_waited_for() -> None:
    use = worked(12, 6, 18)
    now = DAY_BEGINS + (11 * 24 + 16) * HOUR        # two hours before the stop
    daily = pattern(use)
    assert daily[6:18].min() > 8 and daily[:5].max() < 2
    assert float(hours_until(use, now, np.array([15.0]))[0]) == pytest.approx(1.5, abs=0.3)
    assert 13.5 < float(hours_until(use, now, np.array([35.0]))[0]) < 16.5, "the rest comes next morning"


def test_hours_are_those_of_stepping_through_the_pattern() -> None:
    use = worked(9, 7, 20)
    now = DAY_BEGINS + (8 * 24 + 15) * HOUR + HOUR // 3
    daily, passed, minute = pattern(use), 0.0, 0
    target = 180.0
    while passed < target:
        at = now + minute * HOUR // 60
        passed += (use.rate if minute < 60 else float(daily[(at // HOUR) % 24])) / 60
        minute += 1
    assert float(hours_until(use, now, np.array([target]))[0]) == pytest.approx(minute / 60, abs=0.05)


def test_hours_of_the_day_not_seen_yet_may_be_idle_and_those_seen_are_not() -> None:
    now, volumes = DAY_BEGINS + 16 * HOUR, np.full(3, 200.0)
    p10, p50, p90 = interval_hours(worked(1, 6, 16), now, volumes)
    assert p10 == pytest.approx(20.0, rel=0.02), "10 m^3/h all the time"
    assert 20.5 < p50 < 24.0 < p90
    seen = interval_hours(worked(12, 0, 24), DAY_BEGINS + 12 * 24 * HOUR, volumes)
    assert seen == pytest.approx((20.0, 20.0, 20.0), rel=0.1)


def test_what_stands_at_night_waits_for_morning_and_what_still_runs_goes_on() -> None:
    use = Use()
    for day in range(24):
        for step in range(0 if day % 6 == 0 else 36, 126 if day % 6 else 144):      # each sixth night it runs through
            note_use(use, DAY_BEGINS + (day * 144 + step + 1) * HOUR // 6, 10 / 6, 600.0)
    night = DAY_BEGINS + 24 * 24 * HOUR + HOUR                              # one o'clock; opens at six
    volumes = np.full(3, 5.0)
    assert interval_hours(use, night, volumes, runs=False)[1] == pytest.approx(5.5, abs=0.4)
    assert interval_hours(use, night, volumes * 5, runs=True)[1] == pytest.approx(2.5, abs=0.3)
    evening = night - 6 * HOUR
    assert interval_hours(use, evening, volumes * 8, runs=True)[1] == pytest.approx(13.0, abs=0.5), "the rest at six"
    mean = float(hours_until(use, evening, np.array([3000.0]))[0])
    assert interval_hours(use, evening, np.full(3, 3000.0))[1] == pytest.approx(mean, rel=0.05), "weeks even out"


def test_a_skid_that_never_ran_is_never_due() -> None:
    assert np.isinf(hours_until(Use(), DAY_BEGINS, np.array([1.0]))).all()
