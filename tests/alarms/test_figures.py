"""How an alarm system performs, on journals counted by hand."""

from __future__ import annotations

import pytest

from monitor.alarms.figures import figures
from monitor.model import DAY
from tests.alarms.plant import HOUR, START, Room, at, event, fault


def test_announcements_are_counted_by_day_by_ten_minutes_and_by_priority() -> None:
    room = Room()
    for k in range(12):     # 12 in one ten-minute span: a flood; then one more, in another
        room.events(fault(k, f"P{k}", "spikes"))
    room.events(event(3 * HOUR, "dp-limit"))
    found = figures(room.entries, START, START + 2 * DAY)
    assert (found.annunciated, found.a_day, found.most_in_10_min) == (13, 6.5, 12)
    assert found.by_priority == {"high": 1, "medium": 0, "low": 12}
    assert found.flood_share == pytest.approx(1 / 288) and found.per_10_min == pytest.approx(13 / 288)
    assert found.most_frequent[0][1] == 1 and found.top_ten_share == pytest.approx(10 / 13)


def test_an_alarm_that_comes_three_times_in_a_minute_chatters_and_one_in_two_minutes_does_not() -> None:
    room = Room()
    for k in range(3):
        room.events(event(20 * k, "dp-limit"), event(20 * k + 5, "dp-limit", "cleared"))
        room.events(event(20 * k + 6, "surge") if k == 0 else event(60 * k, "surge"),
                    event(60 * k + 7, "surge", "cleared"))
    found = figures(room.entries, START, START + DAY)
    assert found.chattering == ["s/dp-limit"]
    assert found.fleeting == 6


def test_what_stands_for_more_than_a_day_is_stale_and_waits_are_measured() -> None:
    room = Room()
    room.events(event(0, "changeout-due"), event(0, "flow-blocked"))
    room.act("ack", "s/changeout-due", 100)
    room.act("ack", "s/flow-blocked", 300)
    room.events(event(HOUR, "flow-blocked", "cleared"))
    found = figures(room.entries, START, at(26 * HOUR))
    assert found.stale == ["s/changeout-due"]
    assert (found.acknowledged, found.median_to_acknowledge_s) == (2, 200.0)


def test_hidden_alarms_are_counted_apart_and_not_as_announced() -> None:
    room = Room()
    room.act("out-of-service", "s/dp-limit", 0)
    room.events(event(1, "dp-limit"), fault(60, "in", "stale", onset=at(0)), fault(60, "out", "stale", onset=at(0)))
    found = figures(room.entries, START, START + DAY)
    assert (found.annunciated, found.suppressed, found.out_of_service) == (1, 1, 1)
