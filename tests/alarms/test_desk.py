"""All alarms together: what hides, what follows from what, who is told when. Terms as in ISA-18.2 / IEC 62682."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from monitor.alarms.attendance import NEVER as NO_MOMENT
from monitor.alarms.attendance import moment
from monitor.alarms.catalogue import CATALOGUE
from monitor.alarms.lifecycle import RefusedError
from monitor.alarms.suppression import NEVER
from monitor.model import NS
from monitor.settings import Hours, RuleSettings
from monitor.skid import ModbusPlace, OpcuaPlace, SparkplugPlace
from tests.alarms.plant import HOUR, Room, at, event, fault, skid

PHONE = RuleSettings("phone", ("duty",), priority="high")
LATER = RuleSettings("later", ("boss",), priority="medium", after_s=600)
OFFICE = RuleSettings("office", ("desk",), hours=(Hours((0, 1, 2, 3, 4), 7 * 60, 16 * 60),), timezone="Europe/Oslo")


# ---- shelves, service, latches


def test_a_shelf_ends_by_itself_and_announces_what_still_stands() -> None:
    room = Room()
    room.events(event(0, "dp-limit"))
    room.act("ack", "s/dp-limit", 5)
    room.act("shelve", "s/dp-limit", 10, for_s=600)
    room.pass_to(609)
    assert room.shown("s/dp-limit") == "shelved"
    room.pass_to(611)
    assert room.shown("s/dp-limit") == "unacknowledged"
    assert room.alarm("s/dp-limit").since == at(610), "dated when the shelf ended, not when that was noticed"


def test_a_condition_that_comes_and_goes_on_the_shelf_leaves_nothing_behind() -> None:
    room = Room()
    room.act("shelve", "s/closure-seep/v0", 0, for_s=3600)
    room.events(event(10, "closure-seep", vessel="v0", detail="leak-sensor"),
                event(20, "closure-seep", "cleared", vessel="v0", detail="leak-sensor"))
    room.pass_to(4000)
    assert room.shown("s/closure-seep/v0") == "normal"
    assert [e.step for e in room.entries] == ["shelve", "raised", "cleared", "shelf-expired"], "all of it on record"


def test_a_shelf_longer_than_its_kind_allows_is_refused() -> None:
    with pytest.raises(RefusedError, match="ends after 1 h at the latest"):
        Room().act("shelve", "s/dp-limit", 0, for_s=3601)


def test_an_alarm_taken_out_of_service_comes_back_unacknowledged() -> None:
    room = Room()
    room.act("out-of-service", "s/dp-limit", 0)
    room.events(event(10, "dp-limit"))
    assert room.shown("s/dp-limit") == "out-of-service"
    room.act("in-service", "s/dp-limit", 20)
    assert room.shown("s/dp-limit") == "unacknowledged"


def test_a_breach_stays_latched_after_the_condition_is_over() -> None:
    room = Room()
    room.events(event(0, "element-breach", grade="likely"), event(60, "element-breach", "cleared"))
    with pytest.raises(RefusedError, match="acknowledge it first"):
        room.act("reset", "s/element-breach", 61)
    room.act("ack", "s/element-breach", 62)
    assert room.shown("s/element-breach") == "latched-acknowledged"
    room.act("reset", "s/element-breach", 63)
    assert room.shown("s/element-breach") == "normal"


def test_an_acknowledged_alarm_that_stays_is_announced_again_after_its_time() -> None:
    room = Room()
    room.events(event(0, "dp-limit"))
    room.act("ack", "s/dp-limit", 60)
    room.pass_to(60 + 8 * HOUR - 1)
    assert room.shown("s/dp-limit") == "acknowledged"
    room.pass_to(60 + 8 * HOUR)
    assert room.shown("s/dp-limit") == "unacknowledged"


def test_a_suspicion_that_becomes_likely_is_announced_again() -> None:
    room = Room([PHONE])
    room.events(event(0, "element-breach", grade="suspected", detail="in-service"))
    room.act("ack", "s/element-breach", 10)
    room.events(event(900, "element-breach", "noted", grade="likely", detail="in-service"))
    assert room.shown("s/element-breach") == "unacknowledged"
    assert [p.time for p in room.pushes] == [at(0), at(900)]


def test_a_signal_with_two_faults_is_active_until_both_are_over() -> None:
    room = Room()
    room.events(fault(0, "in", "spikes"), fault(5, "in", "frozen"), fault(9, "in", "frozen", "cleared"))
    assert room.alarm("s/signal-fault/in").active
    room.events(fault(12, "in", "spikes", "cleared"))
    assert room.shown("s/signal-fault/in") == "returned-unacknowledged"


def test_what_is_only_noted_but_needs_a_person_waits_for_an_acknowledgement() -> None:
    room = Room()
    room.events(event(0, "pressure-rise", "noted", vessel="v0"))
    assert room.shown("s/pressure-rise/v0") == "returned-unacknowledged"


def test_alerts_and_events_are_no_alarms() -> None:
    room = Room([RuleSettings("all", ("x",)), RuleSettings("named", ("y",), kinds=("changeout-done",))])
    room.events(event(0, "changeout-forecast"), event(1, "changeout-done", "noted"))
    assert [(p.rule, p.reason) for p in room.pushes] == [("named", "told")]
    assert [s["sort"] for s in room.states.values()] == ["alert"]
    with pytest.raises(RefusedError):
        room.act("ack", "s/changeout-forecast", 2)


def test_a_vessel_that_became_known_meanwhile_clears_the_same_alarm() -> None:
    room = Room()
    room.events(event(0, "element-breach", detail="in-service"),
                event(9, "element-breach", "cleared", detail="in-service", vessel="v1"))
    assert room.shown("s/element-breach") == "latched-unacknowledged"


# ---- one cause, one alarm


def test_transmitters_that_fall_silent_together_are_one_alarm() -> None:
    room = Room()
    room.events(*(fault(60, name, "stale", onset=at(k)) for k, name in enumerate(("in", "out", "flow"))))
    assert room.shown("s/signal-fault/in") == "unacknowledged"
    assert {room.shown(f"s/signal-fault/{n}") for n in ("out", "flow")} == {"suppressed-by-design"}
    room.events(fault(200, "in", "stale", "cleared"))
    assert {room.shown(f"s/signal-fault/{n}") for n in ("out", "flow")} == {"suppressed-by-design"}
    room.pass_to(230)
    shown = sorted(room.shown(f"s/signal-fault/{n}") for n in ("out", "flow"))
    assert shown == ["suppressed-by-design", "unacknowledged"], "what is still silent comes out, as one alarm again"


def test_transmitters_that_are_heard_again_together_leave_one_alarm() -> None:
    room = Room()
    room.events(*(fault(60, n, "stale", onset=at(0)) for n in ("in", "out", "flow")),
                *(fault(200, n, "stale", "cleared") for n in ("in", "out", "flow")))
    room.pass_to(300)
    assert [room.shown(f"s/signal-fault/{n}") for n in ("in", "out", "flow")] == [
        "returned-unacknowledged", "normal", "normal"]
    assert not any(e.after == "unacknowledged" for e in room.entries if e.signal in ("out", "flow"))


def test_what_was_silent_because_the_monitor_was_off_is_one_alarm_of_its_own() -> None:
    room = Room()
    room.events(event(5_000, "monitor-fault", skid="monitor", detail="off"),    # by another clock
                *(fault(60, n, "stale", onset=at(0)) for n in ("in", "out")),
                fault(5_005, "in", "stale", "cleared"),
                event(5_010, "monitor-fault", "cleared", skid="monitor", detail="off"))
    room.pass_to(5_100)
    assert [room.shown(f"s/signal-fault/{n}") for n in ("in", "out")] == ["normal", "unacknowledged"]


def test_silence_because_the_broker_is_lost_is_the_monitors_alarm() -> None:
    room = Room()
    room.events(event(20, "monitor-fault", skid="monitor", detail="broker-lost"),
                fault(60, "in", "stale", onset=at(0)), fault(62, "out", "stale", onset=at(2)))
    assert {room.shown(f"s/signal-fault/{n}") for n in ("in", "out")} == {"suppressed-by-design"}
    room.events(event(90, "monitor-fault", "cleared", skid="monitor", detail="broker-lost"))
    room.pass_to(120)
    assert room.shown("s/signal-fault/in") == "unacknowledged"


def test_silence_of_what_is_read_from_a_source_away_is_the_monitors_alarm_and_no_other_silence_is() -> None:
    whole = skid()
    places = {"in": OpcuaPlace("plc-1", "ns=2;s=in"), "out": ModbusPlace("io-1", "input", 0, "float32"),
              "flow": SparkplugPlace("g", "n", "flow")}
    room = Room(skids=[replace(whole, signals=tuple(replace(s, place=places.get(s.id)) for s in whole.signals))])
    room.events(event(5_000, "monitor-fault", skid="monitor", signal="plc-1", detail="source-lost"),    # another clock
                fault(60, "in", "frozen"), fault(61, "in", "frozen", "cleared"))
    assert room.shown("s/signal-fault/in") == "returned-unacknowledged", "not what makes it lie"
    room.act("ack", "s/signal-fault/in", 70)
    silent = ("in", "out", "flow", "p" + whole.vessels[0])
    # Each so long after the other that they are not taken for silent together.
    room.events(*(fault(200 + 100 * k, name, "stale", onset=at(100 + 100 * k)) for k, name in enumerate(silent)))
    assert [room.shown(f"s/signal-fault/{n}") for n in silent] == ["suppressed-by-design", *["unacknowledged"] * 3]
    room.events(event(5_100, "monitor-fault", "cleared", skid="monitor", signal="plc-1", detail="source-lost"))
    room.pass_to(6_000)
    assert room.shown("s/signal-fault/in") == "unacknowledged", "what is still silent comes out"


def test_a_suspicion_from_a_dead_transmitter_waits_but_a_likely_breach_does_not() -> None:
    room = Room()
    room.events(fault(0, "in", "frozen"), event(10, "element-breach", grade="suspected"))
    assert room.shown("s/element-breach") == "suppressed-by-design"
    room.events(event(20, "element-breach", "noted", grade="likely"))
    assert room.shown("s/element-breach") == "unacknowledged"


def test_of_two_causes_the_one_that_was_raised_first_is_named_whatever_stood_before() -> None:
    room = Room()
    room.events(fault(60, "in", "stale", onset=at(0)), fault(100, "in", "stale", "cleared"))
    room.events(fault(200, "out", "stale", onset=at(140)), fault(400, "in", "stale", onset=at(340)))
    room.events(event(500, "element-breach", "raised", detail="in-service", grade="suspected"))
    assert room.alarm("s/element-breach").cause == "s/signal-fault/out"


def test_a_failed_check_of_a_torn_element_follows_from_the_breach() -> None:
    room = Room()
    room.events(event(0, "element-breach", grade="likely", vessel="v0"),
                event(10, "changeout-suspect", vessel="v0", detail="resistance-low"),
                event(11, "changeout-suspect", vessel="v1", detail="resistance-low"))
    assert room.shown("s/changeout-suspect/v0") == "suppressed-by-design"
    assert room.shown("s/changeout-suspect/v1") == "unacknowledged"


def test_what_was_announced_before_its_cause_stays_in_view() -> None:
    room = Room()
    room.events(event(0, "changeout-due"), fault(10, "in", "frozen"))
    assert room.shown("s/changeout-due") == "unacknowledged"


def test_no_cause_whatever_suppresses_what_can_hurt() -> None:
    """Design: never suppressed are dp-limit, surge, flow-blocked and pressure in an isolated vessel."""
    assert {"dp-limit", "surge", "flow-blocked", "pressure-rise"} <= NEVER
    room = Room()
    room.events(event(0, "monitor-fault", skid="monitor", detail="broker-lost"), event(0, "element-breach"),
                *(fault(1, s.id, d) for s in skid().signals for d in ("stale", "frozen", "out-of-range", "swapped")))
    for kind in NEVER:
        room.events(event(10, kind, "noted" if CATALOGUE[kind].moment else "raised", vessel="v0"))
        assert room.alarm(f"s/{kind}/v0").owed, kind


def test_shelving_a_cause_brings_out_what_followed_from_it() -> None:
    room = Room()
    room.events(fault(60, "in", "stale", onset=at(0)), fault(60, "out", "stale", onset=at(0)))
    room.act("shelve", "s/signal-fault/in", 70, for_s=600)
    room.pass_to(100)
    assert room.shown("s/signal-fault/out") == "unacknowledged"


# ---- who is told when


def test_a_rule_tells_at_once_and_once_until_somebody_acknowledges() -> None:
    room = Room([PHONE])
    for k in range(5):      # it chatters, and nobody has acknowledged
        room.events(event(20 * k, "dp-limit"), event(20 * k + 10, "dp-limit", "cleared"))
    assert len(room.pushes) == 1
    room.act("ack", "s/dp-limit", 200)
    room.events(event(300, "dp-limit"))
    assert [p.time for p in room.pushes] == [at(0), at(300)]


def test_what_nobody_acknowledges_escalates_and_what_somebody_did_does_not() -> None:
    room = Room([LATER])
    room.events(event(0, "dp-limit"), event(0, "changeout-due"), event(0, "signal-fault", signal="in", detail="spikes"))
    room.act("ack", "s/changeout-due", 599)
    room.pass_to(5000)
    assert [(p.key[1], p.reason, p.time) for p in room.pushes] == [("dp-limit", "unacknowledged", at(600))]


def test_outside_its_hours_a_rule_waits_for_the_morning_and_tells_what_is_still_open() -> None:
    room = Room([OFFICE])
    friday_evening = 18 * HOUR + 24 * HOUR
    room.events(event(friday_evening, "changeout-due"), event(friday_evening, "surge"),
                event(friday_evening + 60, "surge", "cleared"))
    room.act("ack", "s/surge", friday_evening + 120)
    room.pass_to(10 * 24 * HOUR)
    monday = datetime(2026, 1, 5, 7, tzinfo=ZoneInfo("Europe/Oslo"))
    assert [(p.key[1], p.time) for p in room.pushes] == [("changeout-due", round(monday.timestamp()) * NS)]


@pytest.mark.parametrize(("asked", "expected"), [
    ("2026-03-27T15:59", "2026-03-27T15:59"), ("2026-03-27T16:00", "2026-03-30T07:00"),   # over the change to summer
    ("2026-10-23T16:00", "2026-10-26T07:00"), ("2026-10-26T06:59", "2026-10-26T07:00"),   # and back
])
def test_hours_follow_the_wall_clock_over_summer_time(asked: str, expected: str) -> None:
    """Dates of the change: Directive 2000/84/EC, last Sundays of March and October."""
    zone = ZoneInfo("Europe/Oslo")
    then, wanted = (round(datetime.fromisoformat(t).replace(tzinfo=zone).timestamp()) * NS for t in (asked, expected))
    assert moment(OFFICE, then) == wanted


def test_hours_over_midnight_belong_to_the_day_they_begin_on() -> None:
    night = RuleSettings("night", ("x",), hours=(Hours((4,), 22 * 60, 6 * 60),))      # Friday night
    assert moment(night, at(2 * 24 * HOUR + 3 * HOUR)) == at(2 * 24 * HOUR + 3 * HOUR)  # Saturday 03:00 UTC
    assert moment(night, at(3 * HOUR)) == at(24 * HOUR + 22 * HOUR)
    assert moment(RuleSettings("never", ("x",), hours=(Hours((), 0, 60),)), at(0)) == NO_MOMENT


def test_who_was_told_of_an_alarm_is_told_when_it_is_over_where_the_rule_says_so() -> None:
    room = Room([RuleSettings("chat", ("c",), returned=True)])
    room.events(event(0, "dp-limit"), event(9, "dp-limit", "cleared"))
    assert [p.reason for p in room.pushes] == ["raised", "returned"]


# ---- people


@pytest.mark.parametrize(("verb", "target", "more", "reason"), [
    ("ack", "t/dp-limit", {}, "no skid t"),
    ("ack", "s", {}, "nothing of s waits"),
    ("reset", "s", {}, "needs an alarm"),
    ("shelve", "s/dp-limits", {"for_s": 60}, "no kind of alarm dp-limits"),
    ("shelve", "s/closure-seep/v9", {"for_s": 60}, "no vessel or signal v9"),
    ("shelve", "s/dp-limit", {}, "say for how long"),
    ("shelve", "s/dp-limit", {"for_s": 60, "why": " "}, "say why"),
    ("ack", "s/dp-limit", {"who": ""}, "who is missing"),
    ("ack", "s/dp-limit", {"speed": 1}, "cannot be read"),
    ("ack", "s/dp-limit", {}, "nothing to acknowledge"),
    ("explode", "s/dp-limit", {}, "no such action"),
    ("changed", "s/v9", {}, "accepted: a configured one, as s/v0"),
    ("changed", "s/v0", {"at": at(9e6)}, "no time at which"),
    ("journal", "", {"why": ""}, "say why"),
])
def test_what_cannot_be_done_is_refused_with_its_reason(verb: str, target: str, more: dict, reason: str) -> None:
    with pytest.raises(RefusedError, match=reason):
        Room().act(verb, target, 0, **more)


def test_who_when_and_why_are_kept() -> None:
    room = Room()
    room.events(event(0, "dp-limit"))
    room.act("ack", "s", 7, why="seen")
    assert room.act("changed", "s/v0", 100, at=at(40), part="25 um felt").startswith("on record")
    acknowledged, changed = room.entries[1:]
    assert (acknowledged.who, acknowledged.time, acknowledged.why, acknowledged.via) == ("Ada", at(7), "seen", "test")
    assert (acknowledged.before, acknowledged.after) == ("unacknowledged", "acknowledged")
    assert "25 um felt" in changed.why and changed.vessel == "v0"
    fact, = room.operator.take()
    assert (fact.skid, fact.key, fact.time, fact.value["part"]) == ("s", "changed/v0", at(40), "25 um felt")


def test_nobody_is_asked_again_after_a_restart() -> None:
    room = Room([PHONE, LATER])
    room.events(event(0, "dp-limit"), event(1, "surge"), event(2, "element-breach"))
    room.act("ack", "s/dp-limit", 5)
    room.act("shelve", "s/surge", 6, for_s=600)
    before, told = dict(room.states), len(room.pushes)
    room.restarted()
    room.events(event(0, "dp-limit"), event(1, "surge"), event(2, "element-breach"))      # judged again
    assert room.states == before and len(room.pushes) == told
    room.pass_to(606)
    assert room.shown("s/surge") == "unacknowledged", "the shelf ends as it would have"
