"""An isolated, emptied vessel whose pressure comes back by itself."""

from __future__ import annotations

from tests.engine.afternoon import CLEAN, OUT, Part, judged, of_kind

nan = float("nan")


def emptied(*rise: tuple[int, float]) -> list[Part]:
    """A changeout in which the first vessel, empty, comes back by steps of (seconds, bar)."""
    steps = [Part(s, (OUT, 0.7), own=(p, nan)) for s, p in rise]
    return [Part(1200, (0.8, 0.7)), Part(60, (OUT, 0.7), own=(1.0, nan)), Part(400, (OUT, 0.7), own=(0.0, nan)), *steps,
            Part(900, (CLEAN, 0.7))]  # fmt: skip


def test_pressure_that_creeps_back_is_told_with_the_usual_cautions():
    output = judged(emptied((150, 0.3), (150, 0.7), (30, 2.4)), own=True)
    (event,) = [e for e in output.events if e.kind == "vessel-repressurised"]
    assert (str(event.transition), event.vessel) == ("noted", "v0")
    assert "valve that passes" in event.message and "prove zero" in event.message
    assert "safe to open" in event.message and "cannot prove" in event.message
    assert event.time - event.onset >= 240 * 10**9


def test_filling_is_not():
    for rise in (((60, 1.0),), ((30, 0.4), (60, 2.0)), ((100, 0.5), (60, 2.5))):
        assert of_kind(judged(emptied(*rise), own=True), "vessel-repressurised") == []
