"""What every event carries: the numbers compared, the window, the rule, and the smallest case that would have been
told. One walk over every kind there is."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from monitor.detectors.registry import ENTRIES, example_skid
from monitor.engine.engine import EXPLAINED, Engine
from monitor.model import Event, Role
from monitor.records import event_object
from monitor.times import parse_rfc3339
from tests.detectors.made import Afternoon
from tests.engine.afternoon import CLEAN, OUT, Part, judged
from tests.engine.test_loading_unusual import fast, stalled
from tests.skids import duplex, steady

SHARED = ("rule", "window", "compared", "smallest_detectable", "ruled_out")


def of_detectors() -> Iterator[Event]:
    """What the examples of the registry raise."""
    for entry in ENTRIES:
        engine = Engine([example_skid()])
        output, _ = engine.feed({0: entry.step(np.random.default_rng(3))})
        yield from output.events + engine.finish().events


def of_changeouts() -> Iterator[Event]:
    for new in (CLEAN, 0.07):
        parts = [Part(1500, (0.8, 0.7)), Part(900, (OUT, 0.7)), Part(1500, (new, 0.7))]
        yield from judged(parts).events
    yield from judged([Part(1500, (0.7, 0.8)), Part(900, (0.2, 0.8))]).events


def of_alarms() -> Iterator[Event]:
    engine = Engine([duplex(on_delay=5.0)])
    output, _ = engine.feed({0: steady(np.repeat([0.6, 1.3, 2.3, 0.4], 400))})
    yield from output.events + engine.finish().events
    engine = Engine([duplex(vessels=1)])
    output, _ = engine.feed({0: steady(np.linspace(0.5, 0.9, 3000))})
    yield from output.events + engine.finish().events


def of_holds() -> Iterator[Event]:
    """A vessel that stands by full and warms towards the end of its gauge's span; a path that is shut outside."""
    day = Afternoon(3000)
    day.add("p0", Role.VESSEL_PRESSURE, np.linspace(8.0, 9.6, 3000), "v0")
    day.add("p1", Role.VESSEL_PRESSURE, day.inlet, "v1")
    yield from day.run()[1]
    shut = Afternoon(1800)
    shut.inlet[900:1300], shut.outlet[900:1300], shut.rate[900:1300] = 4.7, 4.7, 0.0
    yield from shut.run()[1]


@pytest.fixture(scope="module")
def events() -> list[Event]:
    return [*of_detectors(), *of_changeouts(), *of_alarms(), *of_holds(), *stalled().events, *fast().events]


def finite(x: Any) -> bool:
    return isinstance(x, int | float) and math.isfinite(x)


def test_the_walk_meets_every_kind_and_every_fault_of_a_signal(events):
    assert {e.kind for e in events} == set(EXPLAINED)
    faults = {e.detail for e in events if e.kind == "signal-fault"}
    assert faults == {"stale", "frozen", "out-of-range", "swapped", "zero-shift", "spikes"}
    assert {e.detail for e in events if e.kind == "closure-seep"} == {"pressure-decay", "leak-sensor"}


def test_every_event_says_what_was_compared_over_which_window_by_which_rule_and_what_was_the_smallest_case(events):
    for event in events:
        evidence = event.evidence
        assert set(SHARED) <= set(evidence), event.id
        compared, smallest, window = evidence["compared"], evidence["smallest_detectable"], evidence["window"]
        assert finite(compared["against"]), event.id
        assert finite(smallest["value"]) and smallest["value"] > 0, event.id
        assert finite(compared["value"]), event.id
        assert all(isinstance(compared[k], str) and compared[k] for k in ("what", "against_what", "unit"))
        start, end = parse_rfc3339(window["from"]), parse_rfc3339(window["until"])
        assert isinstance(start, int) and isinstance(end, int)
        assert start <= (event.onset or event.time) and end == event.time, event.id
        assert any(c.isdigit() for c in evidence["rule"]) and evidence["rule"].endswith("."), event.id
        assert "nan" not in evidence["rule"]


def test_what_was_raised_by_a_limit_is_beyond_it_and_by_more_than_could_be_told(events):
    held = {"dp-limit", "changeout-due", "surge", "element-breach"}
    raised = [e for e in events if e.kind in held and e.transition == "raised"]
    assert {e.kind for e in raised} == held
    for event in raised:
        compared = event.evidence["compared"]
        assert compared["value"] >= compared["against"], event.id


def test_a_changeouts_smallest_case_is_half_the_interval_that_its_message_states(events):
    for event in (e for e in events if e.kind == "changeout-done"):
        low, high = event.evidence["ratio_90"]
        assert event.evidence["smallest_detectable"]["value"] == pytest.approx((high - low) / 2, rel=1e-5)


def test_the_smallest_loss_follows_the_noise_and_is_never_below_what_the_settings_ask_for():
    parts = [Part(1500, (0.7, 0.8)), Part(900, (0.2, 0.8))]
    quiet, noisy = (
        next(e for e in judged(parts, noise=noise).events if e.kind == "element-breach") for noise in (0.003, 0.12)
    )
    least = [e.evidence["smallest_detectable"]["value"] for e in (quiet, noisy)]
    assert least[0] == pytest.approx(0.9 * 0.15)
    assert least[0] < least[1] < 1


def test_the_course_ends_with_the_decision_and_the_last_seconds_show_the_fall(events):
    breach = next(e for e in events if e.kind == "element-breach")
    course = breach.evidence["course"]
    columns = {k: v for k, v in course.items() if isinstance(v, list)}
    assert {"inlet_pa", "outlet_pa", "pressure_drop_pa", "normalised_pa", "flow_m3s"} <= set(columns)
    assert len({len(v) for v in columns.values()}) == 1
    start = parse_rfc3339(course["from"])
    assert isinstance(start, int)
    end = start + len(columns["inlet_pa"]) * course["step_s"] * 1_000_000_000
    assert breach.time - 2 * course["step_s"] * 1_000_000_000 < end <= breach.time + course["step_s"] * 1_000_000_000
    level = np.array(columns["normalised_pa"], float)
    assert breach.evidence["now"]["normalised_pa"] < 0.8 * np.nanmedian(level[:20])


def test_cleared_events_carry_no_course_and_the_whole_is_plain_json(events):
    for event in events:
        assert ("course" in event.evidence) == (event.transition != "cleared")
        assert json.loads(json.dumps(event_object(event), allow_nan=False))["evidence"] == event.evidence


def test_an_event_of_a_kind_that_is_not_explained_stays_as_it_is():
    engine = Engine([replace(duplex(), name="x")])
    made = Event(time=1, skid="s", kind="else", transition="noted", message="", evidence={"a": 1})  # type: ignore[arg-type]
    from monitor.engine.evidence import with_evidence

    assert with_evidence(made, engine.skids[0], engine.rows, 0, EXPLAINED) is made
