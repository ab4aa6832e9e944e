"""Events against labels, by counts worked out by hand.

Source of the rules: "Labels" and "Scoring" of the outside contract. Worked over simulated recordings of 17 scenarios,
four seeds each, these counts and those of the contract's own scorer agreed in 136 of 136 comparisons.
"""

from __future__ import annotations

from typing import Any

import pytest

from monitor.model import NS, Event, Transition
from monitor.times import to_rfc3339
from monitor.tuning.labels import Labels, labels_of
from monitor.tuning.score import How, Score, Totals, by_kind, score, total

START = 1_750_000_000


def at(second: float) -> str:
    return to_rfc3339(round((START + second) * NS))


def label(second: float, kind: str, within: float, until: float | None = None, **more: Any) -> dict[str, Any]:
    return {"time": at(second), "kind": kind, "within_s": within} | ({"until": at(until)} if until else {}) | more


def event(second: float, kind: str, transition: str = "raised", **more: Any) -> Event:
    return Event(round((START + second) * NS), "s", kind, Transition(transition), "", **more)


def labels(*events: dict[str, Any], **more: Any) -> Labels:
    return labels_of({"events": list(events), **more}, "labels.json")


def judged(known: Labels, *events: Event, vessel_pressures: bool = True) -> Score:
    return score(known, events, vessel_pressures=vessel_pressures)


def strays(scored: Score) -> list[tuple[float, str]]:
    return [(s.event.time / NS - START, s.how.value) for s in scored.strays]


@pytest.mark.parametrize(
    ("second", "how"),
    [(969.9, How.MISSED), (970, How.FOUND), (1060, How.FOUND), (1060.1, How.LATE), (2000, How.LATE),
     (2001, How.MISSED)],
)
def test_an_event_counts_from_early_to_within_and_is_late_until_the_condition_ends(second: float, how: How) -> None:
    """`early_s` is 30 s where the label does not say."""
    (outcome,) = judged(labels(label(1000, "dp-limit", 60, until=2000)), event(second, "dp-limit")).outcomes
    assert outcome.how is how


def test_what_is_left_over_repeats_is_late_allowed_astray_or_false() -> None:
    known = labels(
        label(1000, "dp-limit", 60, until=2000),
        label(5000, "element-breach", 60),
        label(8000, "closure-seep", 60, vessel="east"),
        allowed=[{"kind": "surge", "time": at(100), "until": at(200)},
                 {"kind": "signal-fault", "time": at(100), "until": at(200), "detail": "stale"}],
    )  # fmt: skip
    scored = judged(
        known,
        event(150, "surge"), event(250, "surge"),
        event(150, "signal-fault", detail="stale"), event(160, "signal-fault", detail="frozen"),
        event(1010, "dp-limit"), event(1500, "dp-limit"), event(2500, "dp-limit"), event(1600, "dp-limit", "cleared"),
        event(5100, "element-breach"),
        event(8010, "closure-seep", vessel="west"),
    )  # fmt: skip
    assert strays(scored) == [
        (150, "allowed"), (150, "allowed"), (160, "false"), (250, "false"), (1500, "repeat"), (2500, "false"),
        (5100, "false"), (8010, "wrong-vessel"),
    ]  # fmt: skip
    assert [o.how for o in scored.outcomes] == [How.FOUND, How.MISSED, How.ASTRAY]


def test_an_unnamed_vessel_is_right_only_where_no_vessel_has_a_pressure_of_its_own_or_the_kind_may_not_tell() -> None:
    seep = labels(label(1000, "closure-seep", 60, vessel="east"))
    breach = labels(label(1000, "element-breach", 60, vessel="east"))
    due = labels(label(1000, "changeout-due", 60, vessel="east"))
    assert judged(seep, event(1010, "closure-seep")).outcomes[0].how is How.ASTRAY
    assert judged(seep, event(1010, "closure-seep"), vessel_pressures=False).outcomes[0].how is How.FOUND
    assert judged(breach, event(1010, "element-breach")).outcomes[0].how is How.FOUND
    assert judged(due, event(1010, "changeout-due", vessel="west")).outcomes[0].how is How.FOUND


def test_each_event_answers_one_label_and_a_fault_is_answered_by_its_own_word_first() -> None:
    twice = labels(label(1000, "surge", 60), label(1020, "surge", 60))
    assert [o.how for o in judged(twice, event(1030, "surge")).outcomes] == [How.FOUND, How.MISSED]
    fault = labels(label(1000, "signal-fault", 60, detail="frozen", signal="PT-101"))
    scored = judged(fault, event(1005, "signal-fault", detail="stale", signal="PT-101"),
                    event(1040, "signal-fault", detail="frozen", signal="PT-102"))  # fmt: skip
    (outcome,) = scored.outcomes
    assert outcome.event is not None and outcome.event.detail == "frozen" and outcome.delay == 40
    assert outcome.right is False and strays(scored) == [(1005, "repeat")]


def test_words_that_the_label_holds_right_too_are_right() -> None:
    known = labels(label(0, "changeout-done", 60, detail="good", verdict_ok=["good", "unverified"]))
    assert judged(known, event(1, "changeout-done", "noted", detail="unverified")).outcomes[0].right is True
    assert judged(known, event(1, "changeout-done", "noted", detail="resistance-low")).outcomes[0].right is False


def test_totals_are_those_counted_by_hand() -> None:
    """Three labels: found at +20 s, late at +100 s, missed. Nine messages, four of them a raise and a clear for each
    answered label; needless are a repeat, two false raises and their two clears."""
    known = labels(label(1000, "dp-limit", 60, until=2000), label(3000, "dp-limit", 60, until=4000),
                   label(6000, "dp-limit", 60))  # fmt: skip
    messages = [(1020, "raised"), (1300, "cleared"), (1500, "raised"), (3100, "raised"), (3900, "cleared"),
                (9000, "raised"), (9050, "cleared"), (9100, "raised"), (9200, "cleared")]  # fmt: skip
    parts = by_kind(judged(known, *(event(second, "dp-limit", how) for second, how in messages)))
    assert parts == {"dp-limit": Totals(expected=3, missed=1, late=1, wrong=0, false=2, pushes=9, needless=5,
                                        answered=2, delay=120.0)}  # fmt: skip
    assert total([*parts.values(), *parts.values()]).false == 4
    assert parts["dp-limit"].objectives == (1.0, 1.0, 2.0, 5.0) and parts["dp-limit"].mean_delay == 60.0


def test_a_decoy_is_named_beside_what_fell_for_it() -> None:
    known = labels(decoys=[{"time": at(10), "until": at(20), "what": "cake slips"}])
    assert [s.decoy for s in judged(known, event(15, "element-breach"), event(25, "element-breach")).strays] == [
        "cake slips", None]  # fmt: skip
