"""No path through the skid: with a flow meter, with a pump's contact, from the pressures alone; and what is none."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.alarms.catalogue import CAUTION
from monitor.model import Role, Transition
from tests.detectors.made import Afternoon, cleared, raised

AT, OPEN = 900, 1300
SECONDS = 1800


def shut(day: Afternoon, begin: int = AT, end: int = OPEN, *, inlet: float = 4.7, outlet: float = 1.2) -> Afternoon:
    """All vessels shut within some seconds: the inlet goes to the pump's shut-off pressure, the outlet to what is
    downstream."""
    second = np.arange(day.seconds)
    part = np.interp(second, [begin, begin + 5, end, end + 5], [0, 1, 1, 0])
    day.inlet += part * (inlet - 4.0)
    day.outlet += part * (outlet - 3.4)
    day.rate *= 1 - part
    return day


def test_no_flow_with_dp_and_a_pump_that_pushes_is_told_after_ten_seconds_and_cleared_when_the_path_is_open():
    events = shut(Afternoon(SECONDS)).events("flow-blocked")
    assert len(events) == 2
    assert AT + 10 <= raised(events)[0] <= AT + 25
    assert OPEN < cleared(events)[0] <= OPEN + 60
    assert events[0].value == pytest.approx(3.5, abs=0.2)
    assert CAUTION in events[0].message
    assert "usually 4.00 bar" in events[0].message


def test_dp_limit_is_not_judged_on_a_shut_path():
    assert shut(Afternoon(SECONDS)).events("dp-limit") == []
    assert shut(Afternoon(SECONDS, flow=False)).events("dp-limit") == []


def test_a_vessel_that_fills_does_not_open_a_shut_path_but_lasting_flow_does():
    filling = shut(Afternoon(SECONDS))
    filling.rate[AT + 200:AT + 260] = 4.0
    events = filling.run()[1]
    assert [e.transition for e in events if e.kind == "flow-blocked"] == [Transition.RAISED, Transition.CLEARED]
    assert [e for e in events if e.kind == "dp-limit"] == []
    loaded = shut(Afternoon(2400), end=2300)      # what passes little for long is loaded, not filling
    loaded.rate[AT + 200:2300] = 4.0
    assert raised(loaded.events("dp-limit")) == [pytest.approx(AT + 200 + 300 + 15, abs=20)]


def test_one_that_opens_again_within_the_delay_is_not_told():
    assert shut(Afternoon(SECONDS), AT, AT + 10).events("flow-blocked") == []


def test_a_blockage_outside_the_skid_says_so_and_is_none():
    day = shut(Afternoon(SECONDS), inlet=4.7, outlet=4.7)
    assert day.events("flow-blocked") == []
    notes = shut(Afternoon(SECONDS), inlet=4.7, outlet=4.7).events("blocked-outside")
    assert [e.transition for e in notes] == [Transition.NOTED]
    assert "outside" in notes[0].message


@pytest.mark.parametrize("flow", [True, False])
def test_a_stopped_pump_is_none(flow):
    day = Afternoon(SECONDS, flow=flow)
    day.stop(AT, OPEN)
    assert day.events("flow-blocked") == []
    assert day.events("blocked-outside") == []


def test_a_pump_that_stops_behind_shut_valves_ends_it():
    day = shut(Afternoon(SECONDS), AT, SECONDS - 10)
    day.inlet[1200:] = 2.2
    assert 1200 < cleared(day.events("flow-blocked"))[0] <= 1220


def test_trapped_pressure_without_flow_is_none_where_the_pumps_contact_says_it_stands():
    day = shut(Afternoon(SECONDS))
    day.add("pump", Role.PUMP_RUNNING, np.where((np.arange(SECONDS) < AT) | (np.arange(SECONDS) > OPEN), 1.0, 0.0))
    assert day.events("flow-blocked") == []


def test_a_start_against_a_shut_path_is_told_where_the_contact_says_that_the_pump_runs():
    day = Afternoon(SECONDS)
    day.stop(0, AT, level=1.0)
    day.inlet[AT:], day.outlet[AT:], day.rate[AT:] = 4.7, 1.0, 0.0
    day.add("pump", Role.PUMP_RUNNING, np.where(np.arange(SECONDS) < AT, 0.0, 1.0))
    assert AT + 10 <= raised(day.events("flow-blocked"))[0] <= AT + 25


def test_a_flow_meter_that_reads_nothing_while_the_headers_stay_is_a_faulty_meter_not_a_blockage():
    for contact in (False, True):
        day = Afternoon(SECONDS)
        day.rate[AT:] = 0.0
        if contact:
            day.add("pump", Role.PUMP_RUNNING, np.ones(SECONDS))
        assert day.events("flow-blocked") == []


def test_from_the_pressures_alone_a_shut_path_is_told_and_says_so():
    events = shut(Afternoon(SECONDS, flow=False)).events("flow-blocked")
    assert AT + 10 <= raised(events)[0] <= AT + 25
    assert OPEN < cleared(events)[0] <= OPEN + 60
    assert "Flow is not known" in events[0].message


@pytest.mark.parametrize("flow", [True, False])
def test_a_shut_path_is_no_changeout_however_long_and_makes_none_due(flow):
    day = shut(Afternoon(2400, flow=flow), 900, 1500)
    assert [e.kind for e in day.run()[1] if e.kind.startswith("changeout")] == []


def solved(dp: float, vessels: float, head: float, back: float, pump: float, system: float) -> tuple[float, float]:
    """Inlet and outlet [bar] where the vessels' dP meets pump and system: head - pump x^2, back + system x^2. Of dP
    at the usual flow 0.07 bar are turbulent; each vessel carries `vessels` times its share. Roots by numpy."""
    square = 0.07 * vessels**2 + pump + system
    x = max(np.roots([square, (dp - 0.07) * vessels, back - head]).real)
    return head - pump * x**2, back + system * x**2


@pytest.mark.parametrize("dp", [0.2, 0.4, 0.8])
@pytest.mark.parametrize(("pump", "system"), [(0.3, 1.0), (0.8, 2.0), (1.0, 0.5)])
def test_one_vessel_of_two_that_is_shut_is_no_blocked_path(dp, pump, system):
    head, back = 4.0 + pump, 4.0 - dp - system
    day = Afternoon(SECONDS, flow=False)
    before, during = (solved(dp, k, head, back, pump, system) for k in (1.0, 2.0))
    day.inlet[:], day.outlet[:] = before
    day.inlet[AT:OPEN], day.outlet[AT:OPEN] = during
    assert during[0] - during[1] > 1.2 * (before[0] - before[1])
    assert day.events("flow-blocked") == []


def test_a_controller_that_holds_the_flow_makes_an_isolation_look_worse_but_not_blocked():
    day = Afternoon(SECONDS, flow=False)
    day.inlet[AT:OPEN] += 1.8     # dP from 0.6 to 2.4: all turbulent, at held flow
    assert day.events("flow-blocked") == []


@pytest.mark.parametrize(("inlet", "outlet"), [(4.4, 3.9), (3.6, 3.1), (4.4, 3.2), (3.9, 3.0)])
def test_throttling_more_supply_and_slow_loading_are_none(inlet, outlet):
    for flow in (True, False):
        day = Afternoon(SECONDS, flow=flow)
        day.inlet[AT:], day.outlet[AT:] = inlet, outlet
        assert day.events("flow-blocked") == []
