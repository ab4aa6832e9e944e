"""An element that gives way at the knee, where loading raises dP by a tenth a second and flow sags under it: told at
once, as on a rig with a displacement pump."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.engine.engine import Engine, Output
from monitor.model import Rows
from tests.engine.afternoon import behind, of_kind, skid_of
from tests.skids import stream

TORN, KNEE_S = 600, 15               # seconds: when it gives way, and how long dP has climbed by then
LEVEL, NOISE = 0.3, 0.003            # bar: resistance before the knee; each reading


def readings(left: float, climbs: float, sags: float, ahead: int, *, seed: int = 1, after: float = 0.05) -> Rows:
    """One vessel. left: of its resistance after it gave way; climbs, after: growth of ln(resistance) a second before
    and after; sags: of flow a second, from `ahead` seconds before until six after."""
    t, rng = np.arange(TORN + 100.0), np.random.default_rng(seed)
    resistance = LEVEL * np.exp(climbs * np.clip(t - (TORN - KNEE_S), 0, KNEE_S))
    resistance = np.where(t < TORN, resistance, resistance * left * np.exp(after * np.clip(t - TORN, 0, 12)))
    flow = 1 - sags * np.clip(t - (TORN - ahead), 0, ahead + 6)
    noise = NOISE * rng.standard_normal((2, t.size))
    return stream({0: 2 + resistance * flow + noise[0], 1: 2 + noise[1],
                   2: 40 * flow * (1 + 0.002 * rng.standard_normal(t.size)), 3: np.full(t.size, 15.0)})  # fmt: skip


def told(rows: Rows) -> list[tuple[str, str | None, float]]:
    engine = Engine([skid_of(1)])
    output, _ = engine.feed({0: rows})
    events = output.events + engine.finish().events
    return [(kind, grade, at) for kind, _, grade, at in of_kind(Output(events), "element-breach")]


@pytest.mark.parametrize(("climbs", "sags"), [(0.05, 0.005), (0.09, 0.015), (0.1, 0.02)])
def test_a_loss_is_taken_from_where_the_level_had_climbed_to(climbs, sags):
    """61 % of it; against a mean of the seconds before, it would seem less."""
    ((transition, grade, at),) = told(readings(0.39, climbs, sags, ahead=8))
    assert (transition, grade) == ("raised", "likely")
    assert TORN < at <= TORN + 10


@pytest.mark.parametrize("left", [0.15, 0.3])
@pytest.mark.parametrize(("sags", "ahead"), [(0.02, 2), (0.025, 4), (0.03, 3)])
def test_flow_that_goes_on_to_sag_as_it_had_begun_to_is_no_stop(left, sags, ahead):
    ((transition, grade, at),) = told(readings(left, 0.07, sags, ahead))
    assert (transition, grade) == ("raised", "likely")
    assert TORN < at <= TORN + 10


@pytest.mark.parametrize("left", [0.3, 0.4, 0.5])
@pytest.mark.parametrize("takes", [1, 3])
@pytest.mark.parametrize("damped", [5.0, 10.0])
def test_a_pump_that_slows_down_tells_nothing_at_once_where_the_meter_lags_behind(left, takes, damped):
    """left: of the flow; takes: seconds; damped: the meter's time constant [s]."""
    t, rng = np.arange(TORN + 100.0), np.random.default_rng(1)
    flow = 1 - (1 - left) * np.clip((t - TORN + 1) / takes, 0, 1)
    noise = NOISE * rng.standard_normal((2, t.size))
    metered = 40 * behind(flow, damped) * (1 + 0.002 * rng.standard_normal(t.size))
    rows = {0: 2 + LEVEL * flow**1.3 + noise[0], 1: 2 + noise[1], 2: metered, 3: np.full(t.size, 15.0)}
    assert [at for _, _, at in told(stream(rows)) if at <= TORN + 10] == []


def test_the_same_climb_without_a_loss_is_none():
    assert told(readings(1.0, 0.1, 0.02, ahead=8)) == []
