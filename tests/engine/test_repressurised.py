"""An isolated, emptied vessel whose pressure comes back by itself."""

from __future__ import annotations

from tests.engine.afternoon import CLEAN, OUT, Part, judged, of_kind

nan = float("nan")


def emptied(*rise: tuple[int, float], empty: int = 400) -> list[Part]:
    """A changeout in which the first vessel, `empty` for so many seconds, comes back by steps of (seconds, bar)."""
    steps = [Part(s, (OUT, 0.7), own=(p, nan)) for s, p in rise]
    return [Part(1200, (0.8, 0.7)), Part(60, (OUT, 0.7), own=(1.0, nan)), Part(empty, (OUT, 0.7), own=(0.0, nan)),
            *steps, Part(900, (CLEAN, 0.7))]  # fmt: skip


def test_pressure_that_creeps_back_is_told_with_the_usual_cautions():
    output = judged(emptied((150, 0.3), (150, 0.7), (30, 2.4)), own=True)
    (event,) = [e for e in output.events if e.kind == "vessel-repressurised"]
    assert (str(event.transition), event.vessel) == ("noted", "v0")
    assert "valve that passes" in event.message and "prove zero" in event.message
    assert "safe to open" in event.message and "cannot prove" in event.message
    assert event.time - event.onset >= 240 * 10**9


def test_pressure_that_comes_back_before_anybody_can_have_changed_an_element_is_told_at_once():
    output = judged(emptied((30, 0.4), (60, 2.4), empty=100), own=True)
    (event,) = [e for e in output.events if e.kind == "vessel-repressurised"]
    assert "sooner than an element can be changed" in event.message
    assert event.time - event.onset <= 10 * 10**9


def test_pressure_that_settles_below_half_the_headers_is_told_too():
    output = judged(emptied((400, 0.5),), own=True)
    (event,) = [e for e in output.events if e.kind == "vessel-repressurised"]
    assert "more slowly than filling" in event.message
    assert 240 * 10**9 <= event.time - event.onset <= 250 * 10**9


def test_a_start_that_fills_vessels_whose_gauges_follow_late_is_none():
    start = [Part(600, (0.8, 0.7)), Part(600, (0.8, 0.7), running=False, back=-0.55, own=(0.0, 0.0)),
             Part(60, (0.8, 0.7), own=(0.0, nan)), Part(600, (0.8, 0.7))]  # fmt: skip
    assert of_kind(judged(start, own=True), "vessel-repressurised") == []


def test_filling_is_not():
    for rise in (((60, 1.0),), ((30, 0.4), (60, 2.0)), ((100, 0.5), (60, 2.5))):
        assert of_kind(judged(emptied(*rise), own=True), "vessel-repressurised") == []
