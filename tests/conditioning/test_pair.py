"""The two headers against each other: swapped tags, reversed dP, the zero learned and shifted at stops."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from monitor.engine.engine import Engine
from monitor.model import NS, Role, Rows
from tests.conditioning.helpers import FLOW, IN, OUT, Values, columns, dp_of, run, seen, stream, told
from tests.skids import BAR, START, duplex, signal

SPAN = 10.0     # bar, of each header


def swap(values: dict[int, Values], start: int, end: int) -> dict[int, Values]:
    one, two = values[IN][start:end].copy(), values[OUT][start:end].copy()
    values[IN][start:end], values[OUT][start:end] = two, one
    return values


def stop(values: dict[int, Values], start: int, end: int, level: float = 1.0) -> dict[int, Values]:
    """The pump is off: both headers at one level, no flow."""
    values[IN][start:end] += level - 2.4
    values[OUT][start:end] += level - 2.0
    values[FLOW][start:end] = 0.0
    return values


# ---- swapped


@pytest.mark.parametrize("dp", [0.1, 0.4, 1.2])
def test_swapped_tags_are_told_after_two_minutes_by_the_inlet_and_cleared(dp):
    values = swap(columns(3000, dp=dp), 1500, 2100)
    (raised, cleared) = seen(stream(values))
    assert raised[:3] == ("swapped", "in", "raised")
    assert 1620 <= raised[3] <= 1623
    assert cleared[:3] == ("swapped", "in", "cleared")
    assert 2130 <= cleared[3] <= 2140


def test_tags_swapped_from_the_first_row_on_are_found_by_the_flow_alone():
    values = swap(columns(900), 0, 900)
    assert [s[:3] for s in seen(stream(values))] == [("swapped", "in", "raised")]


def test_without_a_flow_meter_headers_that_change_places_tell():
    values = {k: v for k, v in swap(columns(3000), 1500, 2100).items() if k in (IN, OUT)}
    assert [s[:3] for s in seen(stream(values), duplex(flow=False))] == [
        ("swapped", "in", "raised"), ("swapped", "in", "cleared")]  # fmt: skip


def test_dp_is_unknown_while_tags_are_swapped():
    time, drop = dp_of(stream(swap(columns(3000), 1500, 2100)))
    assert np.isnan(drop[(time > 1515) & (time < 2100)]).all()
    assert np.isfinite(drop[time > 2105]).all()


def test_a_stopped_pump_does_not_clear_swapped_tags():
    values = swap(stop(columns(4000), 2000, 3000), 1500, 4000)
    assert [s[:3] for s in seen(stream(values)) if s[0] == "swapped"] == [("swapped", "in", "raised")]


@pytest.mark.parametrize("offset", [-0.03, 0.03])
def test_a_zero_error_larger_than_dp_is_not_taken_for_swapped_tags(offset):
    values = columns(3600, dp=0.02)
    values[IN] += offset
    assert seen(stream(values)) == []


# ---- reversed


def drained(seconds: int, start: int, by: float) -> dict[int, Values]:
    values = stop(columns(seconds), start, seconds, level=1.5)
    values[IN][start:] -= by
    return values


def test_dp_that_is_truly_reversed_is_noted_once_and_is_not_swapped():
    events = run(stream(drained(3000, 1000, 1.2)))[1]
    (event,) = events
    assert (event.kind, str(event.transition), event.value) == ("reverse-dp", "noted", pytest.approx(-1.2, abs=0.02))
    assert 1030 <= (event.time - START) / NS <= 1040
    assert "lifts elements off their seats" in event.message


@pytest.mark.parametrize("by", [0.05, 0.15])
def test_a_zero_error_is_no_reversed_dp(by):
    assert [e for e in run(stream(drained(3000, 1000, by)))[1] if e.kind == "reverse-dp"] == []


# ---- zero


def days(offsets: list[float], *, seed: int = 1, size: float = 0.0, at: int | None = None) -> Rows:
    """Half an hour of service and half an hour of rest, for each idle offset [bar]; an outlet's zero that moves."""
    values = columns(3600 * len(offsets), seed=seed)
    for k, offset in enumerate(offsets):
        stop(values, 3600 * k + 1800, 3600 * (k + 1), level=1.0 + 0.1 * k)
        values[IN][3600 * k : 3600 * (k + 1)] += offset
    if at is not None:
        values[OUT][at:] += size
    return stream(values)


def test_the_idle_offset_is_learned_with_its_error_once_a_stop():
    engine, events = run(days([0.021, 0.024, 0.018, 0.022]))
    frame = engine.rows.state.skid[0]
    assert events == []
    assert frame.idle_offset_known == 4
    assert frame.idle_offset / BAR == pytest.approx(0.02125, abs=0.0015)
    assert 0 < frame.idle_offset_error / BAR < 0.004


@pytest.mark.parametrize("size", [-0.2, -0.05, 0.05, 0.2])
def test_a_zero_that_moved_since_earlier_stops_is_told_within_a_quarter_of_an_hour_of_the_next(size):
    # From 0.5 % of span; an elevation that stays is none.
    rows = days([0.06, 0.06, 0.06, 0.06], size=size, at=3 * 3600 + 600)
    (event,) = run(rows)[1]
    assert (event.detail, event.signal) == ("zero-shift", "out")
    assert 450 <= (event.time - START) / NS - (3 * 3600 + 1800) <= 900
    assert event.value == pytest.approx(-size, abs=0.01)
    assert "zero" in event.message


def test_without_an_earlier_stop_the_accuracy_of_the_transmitters_is_the_limit():
    # Half a per cent of span of each, as a root of squares: 0.071 bar.
    assert seen(days([0.06])) == []
    assert [s[0] for s in seen(days([0.08]))] == ["zero-shift"]


def test_a_smaller_shift_at_the_first_stop_is_told_where_a_header_was_seen_to_step():
    rows = days([0.0, 0.0], size=0.045, at=900)
    values = rows.time < START + 3600 * NS
    assert [s[:2] for s in seen(rows.take(values))] == [("zero-shift", "out")]


def test_a_zero_that_comes_back_clears_and_dp_is_unknown_in_between_but_its_limit_is_judged():
    values = columns(4 * 3600)
    for k in range(4):
        stop(values, 3600 * k + 1800, 3600 * (k + 1))
    values[OUT][3600 + 600 : 3 * 3600 + 600] -= 0.1
    engine, events = run(stream(values))
    assert [(e.detail, str(e.transition)) for e in events] == [("zero-shift", "raised"), ("zero-shift", "cleared")]
    trend = engine.rows.trend()
    second = (trend["time"] - START) // NS
    between = (second > 2 * 3600) & (second < 3 * 3600)
    assert np.isnan(trend["pressure_drop"][between]).all()
    assert np.isfinite(trend["inlet"][between]).all()

    values[IN][2 * 3600 + 600 : 2 * 3600 + 900] += 2.2
    output, _ = Engine([duplex()]).feed({0: stream(values)})
    assert "dp-limit" in {e.kind for e in output.events}


@pytest.mark.parametrize("drop", [0.5, 3.0])
def test_a_path_that_is_shut_is_no_zero_that_moved(drop):
    values = stop(columns(7200), 3600, 7200)
    values[IN][3600:] += drop
    assert seen(stream(values)) == []


def test_an_idle_skid_that_bleeds_down_on_one_side_is_no_zero_that_moved():
    values = stop(columns(7200), 3600, 7200)
    values[OUT][3600:] -= np.linspace(0, 0.3, 3600)
    assert [e for e in seen(stream(values)) if e[0] == "zero-shift"] == []


def test_a_pump_that_pushes_against_a_shut_valve_is_not_a_stop():
    skid = duplex()
    skid = replace(skid, signals=(*skid.signals, signal("pump", Role.PUMP_RUNNING, "1", 1.0, 1.0)))
    values = stop(columns(7200), 3600, 7200)
    values[IN][3600:] += 0.1
    values[4] = np.ones(7200)
    assert [e for e in seen(stream(values), skid) if e[0] == "zero-shift"] == []


def test_a_transmitter_across_the_headers_has_a_zero_of_its_own():
    skid = duplex()
    skid = replace(skid, signals=(*skid.signals, signal("dp", Role.DIFFERENTIAL_PRESSURE, "bar", 2.0, BAR)))
    values = columns(3 * 3600)
    values[4] = 0.4 + np.random.default_rng(4).normal(0, 0.002, 3 * 3600)
    for k in range(3):
        stop(values, 3600 * k + 1800, 3600 * (k + 1))
        values[4][3600 * k + 1800 : 3600 * (k + 1)] -= 0.4
    values[4][2 * 3600 :] += 0.02
    engine, events = run(stream(values), skid)
    assert told(events)[0][:3] == ("zero-shift", "dp", "raised")
    assert engine.rows.state.skid[0].idle_offset_known == 2
    assert engine.rows.trend()["pressure_drop"][-1] / BAR == pytest.approx(0.0, abs=0.02)    # by the pair
