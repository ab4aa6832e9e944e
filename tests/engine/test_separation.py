"""a and b of dP told apart where flow swings, against numbers made up by hand from the same law."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from monitor.engine.engine import Engine
from monitor.engine.separation import separate, swung
from monitor.hydraulics.pressure_drop import normalised, uncompressed
from monitor.hydraulics.water import viscosity
from monitor.model import NS, Role, Rows
from tests.skids import BAR, duplex, stream

CLEAN, TURBULENT, PACKING = 16_000.0, 5_000.0, 0.2
D = 60_000.0             # Pa: where cake counts as it is


def law(cake: np.ndarray, flow: np.ndarray, thick: np.ndarray, packing: float = PACKING) -> np.ndarray:
    """dP [Pa] by fixed-point iteration on dP = (c + k (dP/D)^s) mu q + b q^2, Forchheimer with cake that packs."""
    drop = np.full(flow.shape, D)
    for _ in range(200):
        drop = (CLEAN - TURBULENT + cake * (drop / D) ** packing) * thick * flow + TURBULENT * flow**2
    return drop


def points(seed: int = 1, n: int = 90, packing: float = PACKING) -> np.ndarray:
    rng = np.random.default_rng(seed)
    turn = np.where(np.arange(n // 6 + 1) % 2 == 0, 0.65, 1.25)
    flow = np.repeat(turn + rng.uniform(-0.07, 0.07, turn.size), 6)[:n]
    thick = 1.0 + 0.12 * np.sin(np.linspace(0, 3, n))
    volume = np.cumsum(flow) * 7.0
    drop = law(30_000 + 25_000 * np.linspace(0, 1, n) ** 1.5, flow, thick, packing) * np.exp(rng.normal(0, 0.004, n))
    return np.stack([volume, drop, flow, thick, np.ones(n)], axis=1)


@pytest.mark.parametrize("packing", [0.0, 0.2, 0.4])
def test_the_parts_come_back_within_their_errors(packing):
    away = []
    for seed in range(12):
        found = separate(points(seed, packing=packing), CLEAN, 1.4 * TURBULENT, 0.35)
        assert found is not None and found.scatter < 0.02
        assert found.packing == pytest.approx(packing, abs=0.05)
        away.append((found.packing - packing) / found.packing_error)
        assert found.turbulent_error < 0.35
        assert abs(math.log(found.turbulent / TURBULENT)) < 4 * found.turbulent_error
    assert np.sqrt(np.mean(np.square(away))) < 3.0      # the errors that are told are of the right size


@pytest.mark.parametrize("flow", [0.6, 1.0, 1.35])
def test_dp_is_referred_through_cake_that_packs(flow):
    cake, thick = np.array([40_000.0]), np.array([1.1])
    drop = float(law(cake, np.array([flow]), thick)[0])
    wanted = float(law(cake, np.array([1.0]), np.array([1.0]))[0])
    plain = float(normalised(drop, flow, 1.1, 1.0, TURBULENT))
    assert float(uncompressed(drop, plain, CLEAN, PACKING)) == pytest.approx(wanted, rel=2e-3)
    assert float(uncompressed(drop, plain, CLEAN, 0.0)) == plain


def day(hours: int, low: float, high: float) -> Rows:
    """Service with demand between two ratios, moved over ten minutes, in water that warms and cools by 10 K."""
    seconds, rng = hours * 3600, np.random.default_rng(3)
    second = np.arange(seconds)
    turns = np.arange(0, seconds + 3600, 3600)
    knots = np.sort(np.concatenate([turns, turns + 600]))
    flow = np.interp(second, knots, np.tile([low, high, high, low], knots.size)[: knots.size])
    kelvin = 288.15 + 5.0 * np.sin(second / seconds * 2 * np.pi)
    cake = 35_000.0 + 10_000.0 * second / seconds
    # Viscosity by IAPWS SR6-08, which `tests/hydraulics/test_water.py` checks against the release's own table.
    drop = law(cake, flow, viscosity(kelvin) / viscosity(288.15)) / BAR
    outlet = 0.6 + 1.3 * flow**2
    noise = rng.normal(0, 0.002, (2, seconds))
    return stream({0: outlet + drop + noise[0], 1: outlet + noise[1],
                   2: 40 * (flow + rng.normal(0, 0.003, seconds)), 3: kelvin - 273.15})  # fmt: skip


def test_normalised_dp_stays_while_demand_swings_by_forty_per_cent_and_water_by_ten_kelvin():
    engine = Engine([duplex(clean=CLEAN / BAR)], trend_buckets=2000)
    output, _ = engine.feed({0: day(14, 0.65, 1.3)})
    assert [e for e in output.events if e.kind != "changeout-forecast"] == []
    packing = [f for f in output.facts if f.key == "packing"]
    assert packing and packing[-1].value["exponent"] == pytest.approx(PACKING, abs=0.05)
    assert {f.value["from"] for f in output.facts if f.key == "turbulent"} == {"flow"}
    trend = engine.rows.trend()
    hours = (trend["time"] - trend["time"][0]) / NS / 3600
    found = (packing[0].time - int(trend["time"][0])) / NS / 3600
    away = np.log(trend["normalised"] / (CLEAN + (35_000.0 + 10_000.0 * hours / 14)))
    before, after = away[(hours > 0.2) & (hours < found)], away[hours > found + 0.1]
    assert np.nanstd(after) < 0.015 < 0.04 < np.nanstd(before)
    fresh = Engine([duplex(clean=CLEAN / BAR)])
    assert fresh.recall(0, output.facts) == []
    assert fresh.rows.state.skid[0].packing == engine.rows.state.skid[0].packing
    assert fresh.rows.state.skid[0].turbulent == engine.rows.state.skid[0].turbulent


def test_without_swings_nothing_is_claimed():
    output, _ = Engine([duplex(clean=CLEAN / BAR)]).feed({0: day(7, 1.0, 1.05)})
    assert [f.key for f in output.facts] == []


def test_how_far_and_how_often_flow_has_swung():
    wide, crossed = swung([*[0.8] * 12, *[1.2] * 12, *[0.8] * 12])
    assert wide == pytest.approx(math.log(1.5)) and crossed == 2
    assert swung([1.0] * 24) == (0.0, 0)


def test_one_move_of_demand_tells_nothing_and_neither_do_many_without_a_thermometer():
    once = day(10, 0.65, 0.65)
    once.value[(once.signal == 2) & (once.time > once.time[0] + 5 * 3600 * NS)] *= 1.3
    assert [f.key for f in Engine([duplex(clean=CLEAN / BAR)]).feed({0: once})[0].facts if f.key == "packing"] == []
    many, skid = day(10, 0.65, 1.3), duplex(clean=CLEAN / BAR)
    blind = replace(skid, signals=tuple(s for s in skid.signals if s.role is not Role.TEMPERATURE))
    many = many.take(np.flatnonzero(many.signal != 3))
    assert [f.key for f in Engine([blind]).feed({0: many})[0].facts] == []
