"""What is done to a running skid: isolating, holding, tearing, slipping, throttling."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from monitor.simulation.machine import Machine, new_vessels, surroundings
from monitor.simulation.operator import Element, Practice, bring_in, change, isolate_briefly, take_out
from monitor.simulation.plant import CONTROL_NONE, Skid

SHARE = 20 / 3600
ELEMENT = Element(clean=0.64 * 0.16e5 / SHARE, housing=0.36 * 0.16e5 / SHARE**2 / 999.1, loading=0.0)


def pair(loading: float = 0.0, ratio: float = 5.0, count: int = 2) -> Machine:
    """Two vessels on a pump, loaded alike, at 15 degC."""
    flow = count * SHARE
    skid = Skid(
        head=3.6e5, pump_curve=0.8e5 / flow**2, system_curve=1.3e5 / flow**2, valve=150 / SHARE**2, exponent=1.0,
        compressibility=0.1, cake_pressure=0.5e5, viscosity_ref=1.1376e-3, density_ref=999.1, flow_ref=flow,
        in_service=count, control=CONTROL_NONE, control_gain=0.0, speed_limit=1.0, overshoot_decay=20.0,
    )  # fmt: skip
    one = np.ones(count)
    vessels = new_vessels(ELEMENT.clean * one, ELEMENT.housing * one, loading * one)
    vessels.ratio[:] = ratio
    return Machine(skid, vessels, back=1.0e5)


def calm(seconds: int):  # type: ignore[no-untyped-def]
    return surroundings(np.full(seconds, 288.15), np.ones(seconds), np.ones(seconds), np.zeros(seconds))


def test_cutting_a_run_into_blocks_changes_nothing() -> None:
    whole, parts = pair(loading=0.02), pair(loading=0.02)
    for machine in (whole, parts):
        change(machine, 700, 0, Practice(), ELEMENT)
    one = whole.run(calm(3000))
    two = [parts.run(calm(n)) for n in (7, 53, 640, 1, 1299, 1000)]
    for name in ("inlet", "flow", "vessel", "reference", "resistance"):
        assert np.array_equal(getattr(one, name), np.concatenate([getattr(r, name) for r in two]))


def test_a_changed_vessel_walks_through_the_steps_an_operator_takes() -> None:
    machine = pair()
    plan = change(machine, 600, 0, Practice(hold=120.0), ELEMENT)
    record = machine.run(calm(plan.returned + 300))
    vessel, inlet, outlet = record.vessel[:, 0], record.inlet, record.outlet
    assert vessel[590] == pytest.approx(inlet[590], abs=600)
    # Inlet shut, outlet still open: at the outlet header's pressure.
    assert vessel[plan.isolated] == pytest.approx(outlet[plan.isolated], rel=1e-3)
    assert vessel[plan.filling - 1] == pytest.approx(0.0, abs=10)
    assert vessel[plan.held] == pytest.approx(0.97 * inlet[plan.held - 1], rel=0.01)
    assert np.ptp(vessel[plan.held + 1 : plan.outlet_opened]) == pytest.approx(0.0, abs=1e-6)
    assert vessel[-1] == pytest.approx(inlet[-1], abs=600)


def test_isolating_one_of_two_more_than_doubles_the_others_share_of_dp() -> None:
    machine = pair()
    isolate_briefly(machine, 60, 0, 300)
    record = machine.run(calm(500))
    before, during, after = (record.inlet[k] - record.outlet[k] for k in (50, 200, 480))
    assert record.flow[200] < record.flow[50]
    per_flow = (during / record.flow[200]) / (before / record.flow[50])
    assert per_flow > 2.0
    assert after == pytest.approx(before, rel=1e-4)


def test_a_seeping_hold_decays_exponentially() -> None:
    # 6 bar with a time constant of 1000 s: exponential decay, exact algebra.
    machine = pair()
    plan = change(machine, 600, 0, replace(Practice(), hold=2500.0, seep=1000.0), ELEMENT)
    held = machine.run(calm(plan.outlet_opened)).vessel[plan.held - 1 :, 0]
    for after, wanted in ((100, 5.429025), (500, 3.639184), (1000, 2.207277), (2000, 0.812012)):
        assert held[after] / held[0] == pytest.approx(wanted / 6.0, rel=1e-6)


def test_an_idle_skid_that_is_boxed_in_decays_and_one_that_is_open_does_not() -> None:
    machine = pair()
    machine.stop_pump()
    machine.at(60, lambda: machine.box_in(2000.0))
    machine.at(1060, machine.release)
    idle = machine.run(calm(1200))
    assert idle.inlet[1059] / idle.inlet[59] == pytest.approx(math.exp(-0.5), rel=1e-6)
    assert idle.inlet[59] == idle.inlet[1100] == 1.0e5


@pytest.mark.parametrize("loss", [0.16, 0.3, 0.45, 0.6])
def test_a_tear_costs_the_share_of_dp_that_was_asked(loss: float) -> None:
    machine = pair()
    before = machine.at_reference()[0]
    said = machine.tear_to_lose(0, loss, 0.0)
    assert said == pytest.approx(loss, abs=1e-6)
    assert machine.at_reference()[0] == pytest.approx((1 - loss) * before, rel=1e-6)


def test_a_tear_cannot_cost_more_than_one_vessel_has() -> None:
    machine = pair(count=4)
    said = machine.tear_to_lose(0, 0.9, 0.0)
    assert 0.3 < said < 0.8
    assert machine.vessels.clean[0] == pytest.approx(0.03 * ELEMENT.clean)


def test_a_slipped_cake_costs_its_share_and_partly_comes_back() -> None:
    machine = pair()
    machine.vessels.recovery[:] = 2.0
    before = machine.at_reference()[0]
    machine.slip(0, 0.10, 0.6)
    slipped = machine.at_reference()[0]
    machine.run(calm(7200))
    assert slipped == pytest.approx(0.90 * before, rel=1e-3)
    assert slipped < machine.at_reference()[0] < before


def test_throttling_brings_flow_to_the_share_that_was_asked() -> None:
    machine = pair()
    usual = machine.run(calm(10)).flow[-1]
    machine.throttle(machine.throttle_for(0.7), over=1)
    # dP is taken as going with flow there, so a percent or two is left.
    assert machine.run(calm(10)).flow[-1] / usual == pytest.approx(0.7, abs=0.02)


def test_a_standby_takes_its_share_and_gives_it_back() -> None:
    machine = pair(count=3)
    first = take_out(machine, 10, 2)
    carried = bring_in(machine, 200, 2)
    record = machine.run(calm(carried + 100))
    drop = record.inlet - record.outlet
    assert drop[first + 20] > 1.3 * drop[5]
    assert drop[-1] == pytest.approx(drop[5], rel=1e-4)
