"""`changeout-due` and `dp-limit`: the contract's delays, deadbands and standing rules, on made-up afternoons."""

from __future__ import annotations

import numpy as np

from monitor.engine.engine import Engine
from monitor.hydraulics.water import viscosity
from monitor.model import NS
from tests.skids import START, duplex, steady, stream


def events(rows, skid=None):
    engine = Engine([skid or duplex()])
    output, _ = engine.feed({0: rows})
    return [e for e in output.events + engine.finish().events if e.kind != "changeout-forecast"]


def told(rows, skid=None):
    """(kind, transition, second) of every event of the two alarms."""
    judged = [e for e in events(rows, skid) if e.kind in ("changeout-due", "dp-limit")]
    return [(e.kind, str(e.transition), (e.time - START) / NS) for e in judged]


def level(*parts):
    """Levels of dP [bar] one after the other: (seconds, value)."""
    return np.concatenate([np.full(n, v) for n, v in parts])


def ramp(seconds, start, end):
    return np.linspace(start, end, seconds)


def test_due_is_raised_once_an_on_delay_after_the_mean_crosses():
    dp = np.concatenate([ramp(4000, 0.5, 1.1), level((600, 1.1))])
    crossing = 4000 * 0.5 / 0.6
    (first, *rest) = told(steady(dp))
    assert first[:2] == ("changeout-due", "raised")
    # on-delay 15 s, and a mean over 15 s of a ramp lags by 7 s
    assert 15 <= first[2] - crossing <= 15 + 7 + 3
    assert rest == []


def test_no_due_when_the_level_is_left_within_the_on_delay():
    dp = level((600, 0.8), (12, 1.2), (600, 0.8))
    assert told(steady(dp), duplex(vessels=1)) == []


def test_due_clears_below_nine_tenths_and_not_before():
    dp = np.concatenate([ramp(3000, 0.6, 1.05), ramp(600, 1.05, 0.92), level((1200, 0.92)), ramp(600, 0.92, 0.85),
                         level((600, 0.85))])  # fmt: skip
    seen = told(steady(dp), duplex(vessels=1))
    assert [s[:2] for s in seen] == [("changeout-due", "raised"), ("changeout-due", "cleared")]
    left_at = 3000 + 600 + 1200 + 600 * (0.92 - 0.90) / 0.07
    assert 60 <= seen[1][2] - left_at <= 60 + 20


def test_demand_and_temperature_that_swing_raw_dp_over_the_limit_raise_nothing():
    n = 6 * 3600
    second = np.arange(n)
    flow = 40 * (1 + 0.4 * np.sin(2 * np.pi * second / 3600))
    celsius = 15 + 5 * np.sin(2 * np.pi * second / n)
    thick = viscosity(celsius + 273.15) / viscosity(288.15)
    turbulent = 0.45 * 0.16  # what the skid is assumed to have until measured
    raw = (0.9 - turbulent) * thick * flow / 40 + turbulent * (flow / 40) ** 2
    assert np.sum(np.diff((raw > 1.0).astype(int)) == 1) >= 5
    assert told(steady(raw, flow=flow, temperature=celsius)) == []


def test_below_a_third_of_flow_and_until_it_has_settled_nothing_is_judged():
    flow = level((900, 40.0), (900, 10.0), (900, 40.0))
    dp = level((900, 0.8), (900, 0.4), (100, 1.4), (800, 0.8))  # 1.4 only while flow settles
    assert told(steady(dp, flow=flow), duplex(vessels=1)) == []


def test_a_stopped_pump_clears_nothing():
    dp = np.concatenate([ramp(3000, 0.6, 1.1), level((3600, 0.0)), level((900, 1.1))])
    flow = level((3000, 40.0), (3600, 0.0), (900, 40.0))
    assert [s[:2] for s in told(steady(dp, flow=flow), duplex(vessels=1))] == [("changeout-due", "raised")]


def test_a_vessel_out_of_service_neither_raises_nor_clears_for_two_hours_and_then_the_rest_is_judged():
    dp = level((1800, 0.6), (3 * 3600, 1.3), (600, 0.5))
    seen = told(steady(dp))
    assert [s[:2] for s in seen] == [("changeout-due", "raised"), ("changeout-due", "cleared")]
    assert 1800 + 7200 <= seen[0][2] <= 1800 + 7200 + 60


def test_loading_as_fast_as_it_comes_is_not_taken_for_a_valve():
    # dP doubles every 20 s: as fast as the steepest of the filtration rigs in the open data sets.
    dp = np.concatenate([level((300, 0.05)), 0.05 * 2 ** (np.arange(100) / 20)])
    seen = told(steady(dp), duplex(on_delay=1.0, settle=10.0))
    assert ("changeout-due", "raised") in [s[:2] for s in seen]


def test_dp_limit_acts_on_actual_dp_at_any_flow_and_with_its_deadband():
    limit, clear = 0.85 * 2.4, 0.85 * 2.4 - 0.02 * 2.4
    dp = level((600, 0.5), (300, limit + 0.02), (300, clear + 0.02), (300, clear - 0.02))
    seen = [s for s in told(steady(dp, flow=14.0), duplex(vessels=1)) if s[0] == "dp-limit"]
    assert [s[1] for s in seen] == ["raised", "cleared"]
    assert 600 + 15 <= seen[0][2] <= 600 + 20
    assert 1200 + 15 <= seen[1][2] <= 1200 + 20


def test_dp_limit_is_not_judged_on_a_shut_path():
    dp = level((600, 0.5), (300, 3.0), (600, 0.5))
    flow = level((600, 40.0), (300, 0.0), (600, 40.0))
    assert [s for s in told(steady(dp, flow=flow)) if s[0] == "dp-limit"] == []


def test_unknown_inputs_hold_what_was_raised():
    n = 7200
    dp = np.concatenate([ramp(3000, 0.6, 1.1), np.full(n - 3000, 0.4)])
    rows = steady(dp)
    keep = (rows.signal != 0) | (rows.time < START + 3000 * NS)  # the inlet transmitter falls silent
    assert [s[:2] for s in told(rows.take(keep), duplex(vessels=1))] == [("changeout-due", "raised")]


def test_without_a_flow_meter_dp_counts_as_it_is_and_the_message_says_so():
    dp = np.concatenate([ramp(3000, 0.6, 1.1), level((300, 1.1))])
    rows = stream({0: 2 + dp, 1: np.full(dp.size, 2.0)})
    (event,) = events(rows, duplex(flow=False))
    assert "Flow is not measured" in event.message
    assert "Temperature is not measured" in event.message


def test_a_message_says_what_since_when_what_to_do_and_the_cautions():
    (event, *_) = events(steady(np.concatenate([ramp(3000, 0.6, 1.1), level((300, 1.1))])))
    for part in ("Test skid", "in, out", "1.00 bar", "since 2025-06-15", "40.0 m^3/h", "15.0 degC",
                 "one vessel at a time", "drain and vent", "local gauge",
                 "cannot prove that a vessel is safe to open", "local codes"):
        assert part in event.message
    assert event.unit == "bar"
    assert event.onset < event.time
