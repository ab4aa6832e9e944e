"""Ticks: round, inside, in order, few."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model import NS
from monitor.web.scales import decimals_for, nice_step, time_ticks, value_ticks

SPANS = st.integers(1, 20 * 366 * 86_400)
STARTS = st.integers(0, 2_000_000_000)


@given(low=st.floats(-1e6, 1e6), span=st.floats(1e-6, 1e7), count=st.integers(2, 8))
def test_value_ticks_are_few_ordered_and_inside(low: float, span: float, count: int) -> None:
    high = low + span
    ticks = value_ticks(low, high, count)
    slack = 1e-6 * max(abs(low), abs(high), span)
    assert len(ticks) <= count + 1
    assert all(a < b for a, b in pairwise(ticks))
    assert all(low - slack <= t <= high + slack for t in ticks)


@given(start=STARTS, span=SPANS)
def test_time_ticks_are_few_ordered_inside_and_differ_from_their_neighbours(start: int, span: int) -> None:
    ticks = time_ticks(start * NS, (start + span) * NS)
    assert len(ticks) <= 7
    assert all(start * NS <= at <= (start + span) * NS for at, _ in ticks)
    assert all(a < b for (a, _), (b, _) in pairwise(ticks))
    assert all(a != b for (_, a), (_, b) in pairwise(ticks))


@pytest.mark.parametrize(("span", "count", "step"), [(1.0, 4, 0.5), (10.0, 5, 2.0), (0.9, 5, 0.2), (7.0, 10, 1.0)])
def test_steps_are_one_two_or_five(span: float, count: int, step: float) -> None:
    assert nice_step(span, count) == pytest.approx(step)


@pytest.mark.parametrize(("step", "digits"), [(0.5, 1), (0.05, 2), (1.0, 0), (20.0, 0), (0.002, 3), (0.1, 1)])
def test_decimals_tell_neighbouring_ticks_apart(step: float, digits: int) -> None:
    assert decimals_for(step) == digits


def test_a_night_is_labelled_with_hours_and_the_date_at_midnight() -> None:
    start = int(datetime(2026, 3, 1, 20, tzinfo=UTC).timestamp()) * NS
    labels = [label for _, label in time_ticks(start, start + 10 * 3600 * NS)]
    assert labels == ["20:00", "22:00", "2 Mar", "02:00", "04:00", "06:00"]


def test_a_year_is_labelled_with_months() -> None:
    start, end = (int(datetime(y, 1, 1, tzinfo=UTC).timestamp()) * NS for y in (2026, 2027))
    assert [label for _, label in time_ticks(start, end)] == [
        "Jan 2026", "Mar 2026", "May 2026", "Jul 2026", "Sep 2026", "Nov 2026", "Jan 2027"]


def test_nothing_to_show_has_no_ticks() -> None:
    assert value_ticks(1.0, 1.0) == [] and value_ticks(float("nan"), 2.0) == [] and time_ticks(5, 5) == []
