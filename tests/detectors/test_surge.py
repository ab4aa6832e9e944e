"""Surges: peaks above the settled levels on both sides, at what rate they are seen, and what is none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from monitor.alarms.catalogue import CAUTION
from monitor.engine import codes
from monitor.engine.row_tier import RowTier
from monitor.model import Role
from tests.detectors.made import NOISE, Afternoon, cleared, raised
from tests.skids import duplex, stream

AT = 600


def pulse(height: float, *, rise: int = 4, top: int = 10, seconds: int = 1200) -> np.ndarray:
    """A trapezoid [bar] from AT on."""
    second = np.arange(seconds)
    return height * np.interp(second, [AT, AT + rise, AT + rise + top, AT + 2 * rise + top], [0, 1, 1, 0])


@pytest.mark.parametrize(("header", "every"), [("inlet", 1), ("outlet", 1), ("inlet", 2), ("outlet", 5)])
def test_a_peak_above_the_levels_before_and_after_is_told_once_within_three_minutes(header, every):
    day = Afternoon(1200)
    getattr(day, header)[:] += pulse(2.0)
    events = day.events("surge", every=every)
    assert len(raised(events)) == 1
    assert AT < raised(events)[0] <= AT + 180
    assert events[0].value == pytest.approx(2.0, abs=6 * NOISE)
    assert (events[0].unit, events[0].vessel, events[0].signal, events[0].detail) == ("bar", None, None, None)
    assert events[0].evidence["header"] == header.replace("let", "")
    assert CAUTION in events[0].message


def test_it_is_cleared_once_pressures_have_been_settled_for_the_off_delay():
    day = Afternoon(1200)
    day.inlet += pulse(2.0)
    events = day.events("surge")
    assert cleared(events) == [pytest.approx(raised(events)[0] + 60, abs=10)]


def test_a_peak_below_the_limit_is_none_and_the_limit_can_be_set():
    day = Afternoon(1200)
    day.inlet += pulse(1.35)
    assert day.events("surge") == []
    skid = day.skid()
    lower = replace(skid, alarms=skid.alarms | {"surge": replace(skid.alarms["surge"], limit=1.2e5)})
    assert len(raised(day.events("surge", skid=lower))) == 1
    off = replace(skid, alarms=skid.alarms | {"surge": replace(skid.alarms["surge"], limit=1.2e5, enabled=False)})
    assert day.events("surge", skid=off) == []


@pytest.mark.parametrize("over", [1, 6, 60, 300])
def test_a_step_up_or_down_is_no_surge(over):
    for size in (2.5, -2.5):
        day = Afternoon(1200)
        day.inlet += size * np.interp(np.arange(1200), [AT, AT + over], [0, 1])
        day.outlet += size * np.interp(np.arange(1200), [AT, AT + over], [0, 1])
        assert day.events("surge") == []


def test_a_level_that_lasts_some_minutes_is_a_level():
    day = Afternoon(1800)
    day.inlet += pulse(2.5, top=240, seconds=1800)
    assert day.events("surge") == []


@pytest.mark.parametrize(("peak", "expected"), [(5.2, 0), (5.8, 1)])
def test_a_start_is_a_surge_only_where_it_overshoots_what_it_settles_at_by_the_limit(peak, expected):
    day = Afternoon(1200)
    day.stop(0, AT)
    day.inlet[AT:] = 4.0 + (peak - 4.0) * np.exp(-np.arange(1200 - AT) / 12.0)
    day.inlet[AT] = 3.0
    assert len(raised(day.events("surge"))) == expected


def test_a_stop_and_a_dip_are_none():
    day = Afternoon(1500)
    day.stop(AT, AT + 40)
    day.stop(1100, 1500)
    assert day.events("surge") == []


def test_two_surges_in_a_row_are_raised_once_and_one_much_later_again():
    day = Afternoon(2400)
    course = pulse(2.0, seconds=2400)
    day.inlet += course + np.roll(course, 70) + np.roll(course, 900)
    events = day.events("surge")
    assert len(raised(events)) == 2
    assert len(cleared(events)) == 2


def test_it_is_told_while_a_vessel_is_isolated():
    day = Afternoon(1500)
    own = day.add("p0", Role.VESSEL_PRESSURE, np.full(1500, 4.0), "v0")
    day.add("p1", Role.VESSEL_PRESSURE, np.full(1500, 4.0), "v1")
    day.inlet[300:] += 0.4
    own[300:] = 0.0
    day.inlet += pulse(2.0, seconds=1500)
    assert len(raised(day.events("surge"))) == 1


def test_lone_spikes_are_none_even_where_two_follow_each_other():
    day = Afternoon(1200)
    for at in (300, 340, 390, 450, AT, AT + 1, 700, 760):
        day.inlet[at] += 2.0
    assert day.events("surge") == []


def test_at_ten_readings_a_second_the_highest_counts_not_the_median():
    """Pulses of 0.3 s in each second, at both headers: the medians stay, the peak is there all the same."""
    rng = np.random.default_rng(3)
    n = 9000
    inlet, outlet = 4.0 + rng.normal(0, NOISE, n), 3.4 + rng.normal(0, NOISE, n)
    for second in range(600, 612):
        for header in (inlet, outlet):
            header[second * 10 + 4 : second * 10 + 7] += 2.0
    tier = RowTier([duplex(flow=False)])
    rows = stream({0: np.round(inlet, 3), 1: np.round(outlet, 3)}, every=0.1)
    told = [e for e in tier.run(np.zeros(rows.size, np.int32), rows) if e.alarm == codes.SURGE]
    assert [e.code for e in told][:1] == [codes.RAISED]
    assert told[0].value == pytest.approx(2.0e5, abs=0.03e5)


def test_water_hammer_is_over_before_one_reading_a_second_can_see_it():
    """Joukowsky: density x speed of sound x change of velocity. IAPWS-95 by CoolProp at 20 degC and 0.1 MPa: 998.2065
    kg/m^3 and 1482.34 m/s (values as tabulated from CoolProp 8.0). For 1 m/s some 14.8 bar, ten times the limit; it
    lasts 2 L / c, so that a pipe would have to be longer than 700 m for the wave to fill one second."""
    density, sound = 998.2065, 1482.34
    assert density * sound * 1.0 / 1e5 == pytest.approx(14.797, abs=0.001)
    assert 2 * 100 / sound == pytest.approx(0.135, abs=0.001)
    day = Afternoon(1200)
    day.inlet[AT] += density * sound / 1e5 * 0.35     # one reading that happens to fall into the wave
    assert day.events("surge") == []
