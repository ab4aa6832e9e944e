"""What left hours ago and was not seen to come back: a vessel left out of service, or demand that rose."""

from __future__ import annotations

import pytest

from monitor.model import NS
from tests.engine.afternoon import CLEAN, OUT, START, Part, judged, judged_in_two, of_kind
from tests.engine.test_breach import LEAD, OLD, held, torn

HOURS = 3 * 3600
LEFT = [Part(LEAD, OLD), Part(HOURS, (OUT, 0.8))]
RISES = 0.8     # of the pipe's resistance: dP rises by a tenth at once where the inlet is held
MORE = [Part(LEAD, OLD), held("inlet", HOURS, OLD, RISES)]


@pytest.mark.parametrize("flow", [True, False])
@pytest.mark.parametrize("rest", [(0.8,), (0.8, 0.72, 0.74)])
def test_a_vessel_that_comes_back_clean_after_hours_is_a_changeout_since_it_left(rest, flow):
    parts = [Part(LEAD, (0.7, *rest)), Part(HOURS, (OUT, *rest)), Part(1800, (CLEAN, *rest))]
    output = judged(parts, flow=flow)
    ((_, detail, _, _),) = of_kind(output, "changeout-done")
    (changeout,) = output.changeouts
    assert detail == "good"
    assert (changeout.isolated_at - START) / NS == pytest.approx(LEAD, abs=60)
    assert of_kind(output, "element-breach") == []


@pytest.mark.parametrize("flow", [True, False])
@pytest.mark.parametrize("back", [
    [Part(1800, OLD)], [Part(1800, OLD, running=False), Part(1800, (CLEAN, 0.8))],
])
def test_as_it_was_or_while_nothing_flowed_it_comes_back_without_a_breach(back, flow):
    assert of_kind(judged([*LEFT, *back], flow=flow), "element-breach") == []


@pytest.mark.parametrize("pause", [40, 200])
def test_one_that_comes_back_clean_through_a_valve_opened_in_two_steps_is_no_breach(pause):
    ajar = 1.4      # bar at its share: what lets half as much through as the rest, and the loss is less than left
    parts = [*LEFT, Part(pause, (ajar, 0.8)), Part(1800, (CLEAN, 0.8))]
    assert of_kind(judged(parts), "element-breach") == []


def test_demand_that_rose_hides_no_tear_hours_later():
    tear = held("inlet", 900, torn(0.7), RISES)
    ((transition, _, _, at),) = of_kind(judged([*MORE, tear], flow=False), "element-breach")
    assert transition == "raised"
    assert at <= LEAD + HOURS + 60


def test_demand_that_goes_back_is_no_breach():
    assert of_kind(judged([*MORE, Part(900, OLD)], flow=False), "element-breach") == []


def test_a_vessel_that_leaves_hours_after_demand_rose_is_the_one_that_is_out():
    change = [held("inlet", 900, (OUT, 0.8), RISES), held("inlet", 900, (CLEAN, 0.8), RISES)]
    (changeout,) = judged([*MORE, *change], flow=False).changeouts
    assert (changeout.isolated_at - START) / NS == pytest.approx(LEAD + HOURS, abs=60)


@pytest.mark.parametrize("cut", [LEAD + 7100, LEAD + 7300, LEAD + HOURS + 20])
def test_a_stop_and_a_restore_in_between_change_nothing(cut):
    parts = [*LEFT, Part(1800, (CLEAN, 0.8))]
    events = judged_in_two(parts, cut)
    assert [repr(e) for e in events] == [repr(e) for e in judged(parts).events]
    assert "changeout-done" in [e.kind for e in events]
