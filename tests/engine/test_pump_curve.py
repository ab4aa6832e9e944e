"""Flow told by a pump's curve where no meter does: afternoons whose pump is known (HEAD - DROOP q^2, made up)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.engine.engine import Engine
from monitor.skid import SkidSettings
from tests.engine.afternoon import DROOP, HEAD, Part, judged, message, of_kind, rows_of, skid_of
from tests.skids import BAR

REFERENCE = 40 / 3600
LOADED = (0.62, 0.62)
BARE = skid_of(2, flow=False)


def with_curve(*ratios: float) -> SkidSettings:
    points = tuple((q * REFERENCE, (HEAD - DROOP * q * q) * BAR) for q in ratios)
    return replace(BARE, pump_curve=points)


def normalised(skid: SkidSettings, throttle: float) -> float:
    """dP [bar] at reference flow as the skid shows it after five minutes at a demand."""
    engine = Engine([skid])
    engine.feed({0: rows_of([Part(300, LOADED, throttle=throttle)], flow=False)})
    return float(engine.rows.state.skid[0].normalised) / BAR


@pytest.mark.parametrize("ratios", [(0.0, 1.3), (0.2, 0.7, 1.0, 1.2)])
def test_dp_stands_still_while_demand_moves(ratios):
    at = [normalised(with_curve(*ratios), throttle) for throttle in (0.4, 1.0, 4.0)]
    assert at == pytest.approx([0.62] * 3, rel=0.07)
    without = [normalised(BARE, throttle) for throttle in (0.4, 1.0, 4.0)]
    assert max(without) / min(without) > 1.5


def test_a_changeout_falls_due_at_low_demand_too_and_the_message_says_what_flow_rests_on():
    afternoon = [Part(600, (0.7, 0.7), throttle=3.0), Part(900, (0.7, 0.7), until=(1.15, 1.15), throttle=3.0),
                 Part(600, (1.15, 1.15), throttle=3.0)]  # fmt: skip
    output = judged(afternoon, with_curve(0.0, 0.6, 1.3), flow=False)
    assert [x[0] for x in of_kind(output, "changeout-due")] == ["raised"]
    assert "inferred from the inlet pressure by the pump's curve" in message(output, "changeout-due", "raised")
    assert of_kind(judged(afternoon, BARE, flow=False), "changeout-due") == []
