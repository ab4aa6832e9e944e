"""Loading unlike that of earlier lives, through the engine: told once, in words that say what it rests on; what a
suspicion of a breach becomes by it."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.engine.engine import Engine, Output
from monitor.forecast.life import DUE, ElementLife, written
from monitor.model import NS, Fact
from monitor.times import to_rfc3339
from tests.skids import START, duplex, steady

CLEAN, FLOW = 0.16, 40.0             # bar, m^3/h


def life(k: int, size: float, unit: str = "m3") -> Fact:
    """An earlier life that loaded evenly from clean to the point of 1 bar over so many m^3, or hours."""
    hours = size / FLOW if unit == "m3" else size
    began = START - (9 - k) * 86_400 * NS
    curve = [[float(v), CLEAN + (1.0 - CLEAN) * float(v) / size, 0.02] for v in np.linspace(0.02, 1.0, 50) * size]
    lived = ElementLife(
        skid="s", vessel=None, part="", since=None, until=to_rfc3339(began + 3600 * NS), ended=DUE, hours=None,
        volume_m3=None, changeout_dp_bar=1.0, run=to_rfc3339(began), run_began=began, run_hours=hours,
        run_total=size, whole=True, unit=unit, curve=curve,
    )  # fmt: skip
    return Fact("s", f"life/{lived.until}/-", written(lived), began)


def run(dp: np.ndarray, volume: float, *, metered: bool = True) -> Output:
    """Two vessels at one flow; dP [bar] by second; three earlier lives of about `volume`."""
    engine = Engine([duplex(flow=metered)])
    size, unit = (volume, "m3") if metered else (volume / FLOW, "h")
    assert engine.recall(0, [life(k, size * stretched, unit) for k, stretched in enumerate((0.9, 1.0, 1.1))]) == []
    noise = np.random.default_rng(4).normal(0, 0.002, dp.size)
    rows = steady(dp + noise)
    output, _ = engine.feed({0: rows if metered else rows.take(rows.signal < 2)})
    return Output(output.events + engine.finish().events, output.minutes)


def stalled() -> Output:
    """Lives of 15 min; this one has not risen in an hour and a half."""
    return run(np.full(5400, 0.3), 10.0)


def fast() -> Output:
    """Lives of ten hours; after half an hour this one rises by 0.6 bar in 25 min."""
    return run(np.concatenate([np.full(1800, CLEAN), np.linspace(CLEAN, CLEAN + 0.6, 1500)]), 400.0)


@pytest.mark.parametrize(
    ("output", "detail", "means"),
    [(stalled, "stalled", "torn, not seated"), (fast, "fast", "A slug of solids")], ids=["stalled", "fast"],
)  # fmt: skip
def test_it_is_noted_once_with_what_it_rests_on(output, detail, means):
    (event,) = [e for e in output().events if e.kind == "loading-unusual"]
    assert (str(event.transition), event.detail, event.evidence["earlier_lives"]) == ("noted", detail, 3)
    for part in ("in, out", "earlier lives", means, "cannot prove that a vessel is safe to open"):
        assert part in event.message


def test_loading_as_before_is_none_of_it():
    """A life half as long, and one twice as long."""
    for seconds in (4500, 18_000):
        output = run(np.linspace(CLEAN, 0.95, seconds), 100.0)
        assert [e for e in output.events if e.kind == "loading-unusual"] == []


@pytest.mark.parametrize("metered", [True, False])
def test_a_suspected_breach_grows_by_it_where_flow_is_measured_and_there_is_no_note_beside(metered):
    """A loss of 28 % late in a life, and no loading in the next two lives; of less demand nothing grows."""
    before = np.linspace(0.80, 0.92, 5000)
    output = run(np.concatenate([before, np.full(14_400, 0.66)]), 80.0, metered=metered)
    about = ("element-breach", "loading-unusual")
    told = [(e.kind, str(e.transition), e.grade) for e in output.events if e.kind in about]
    grown = [("element-breach", "noted", "likely")] if metered else []
    assert told == [("element-breach", "raised", "suspected"), *grown]
