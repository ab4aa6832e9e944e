"""`stale`: the contract's 60 s or `max_silence`, dated at the last reading plus the limit, whatever else is silent."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.engine.engine import Engine
from monitor.model import NS, Quality, Rows
from tests.conditioning.helpers import (
    FLOW,
    IN,
    OUT,
    TEMPERATURE,
    bad,
    columns,
    dp_of,
    on_change,
    run,
    seen,
    stream,
    told,
    with_signal,
)
from tests.skids import START, duplex


def without(rows: Rows, signal: int, start: float, end: float) -> Rows:
    second = (rows.time - START) / NS
    return rows.take(~((rows.signal == signal) & (second > start) & (second < end)))


def test_a_signal_is_stale_exactly_its_limit_after_its_last_reading_and_cleared_when_it_speaks():
    rows = without(stream(columns(600)), IN, 200, 400)
    assert seen(rows) == [("stale", "in", "raised", 260.0), ("stale", "in", "cleared", 400.0)]


def test_the_date_is_exact_between_whole_seconds_too():
    rows = without(stream(columns(400), start=START + 333_000_000), IN, 200.5, 400)
    (first, *_) = run(rows)[1]
    assert first.time == START + round(260.333 * NS)
    assert first.onset == START + round(200.333 * NS)


def test_in_a_silent_gap_each_signal_is_dated_for_itself_and_in_order_of_time():
    rows = stream(columns(200))
    staggered = Rows(rows.time + rows.signal.astype(np.int64) * 7 * NS // 40, *rows[1:])
    later = stream(columns(60), start=START + 3600 * NS)
    events = run(Rows.concat([staggered, later]))[1]
    raised = [e for e in events if e.transition == "raised"]
    assert [e.signal for e in raised] == ["in", "out", "flow", "temp"]
    for k, event in enumerate(raised):
        assert event.time == START + 199 * NS + k * 7 * NS // 40 + 60 * NS
    assert [e.transition for e in events[4:]] == ["cleared"] * 4


def test_the_end_of_a_recording_emits_nothing():
    assert seen(without(stream(columns(400)), IN, 341, 400)) == []


def test_live_time_alone_ages_a_silent_skid():
    engine = Engine([duplex()])
    engine.feed({0: stream(columns(100))})
    events = engine.advance({0: START + 300 * NS}).events
    assert {(e.signal, (e.time - START) // NS) for e in events} == {(s, 159) for s in ("in", "out", "flow", "temp")}


def test_a_configured_signal_that_never_comes_is_stale_after_the_first_row_of_the_skid():
    rows = stream(columns(300))
    events = run(rows.take(rows.signal != FLOW))[1]
    assert told(events) == [("stale", "flow", "raised", 60.0)]
    assert "not one reading" in events[0].message
    assert "configured one" in events[0].message


def test_max_silence_stands_in_place_of_a_minute():
    skid = with_signal(duplex(), IN, max_silence_s=150.0)
    assert seen(without(stream(columns(600)), IN, 200, 340), skid) == []
    assert seen(without(stream(columns(600)), IN, 200, 400), skid)[0] == ("stale", "in", "raised", 350.0)


def test_what_reports_on_change_may_be_silent_for_ten_minutes_or_its_own_limit():
    rows = without(stream(columns(2000)), IN, 200, 1200)
    assert seen(rows, on_change(duplex()))[0] == ("stale", "in", "raised", 800.0)
    assert seen(rows, on_change(duplex(), silence=900.0))[0] == ("stale", "in", "raised", 1100.0)


def test_a_signal_that_comes_once_a_minute_is_not_stale_between_its_readings():
    values = columns(7200)
    values[TEMPERATURE] = np.where(np.arange(7200) % 60 == 0, values[TEMPERATURE], np.nan)
    assert seen(stream(values)) == []
    values[TEMPERATURE][3700:] = np.nan
    ((detail, signal, _, second),) = seen(stream(values))
    assert (detail, signal) == ("stale", "temp")
    assert 3660 + 60 < second <= 3660 + 180


def test_words_in_the_place_of_readings_are_silence_and_half_a_minute_of_them_is_nothing():
    # As gateways and historians write them: quality bad, no number.
    rows = stream(columns(600))
    second = (rows.time - START) // NS
    word = lambda a, b: (rows.signal == OUT) & (second > a) & (second < b)  # noqa: E731
    short, long = word(200, 240), word(300, 500)
    spoken = bad(rows._replace(value=np.where(short | long, np.nan, rows.value)), short | long)
    events = run(spoken)[1]
    assert told(events) == [("stale", "out", "raised", 360.0), ("stale", "out", "cleared", 500.0)]
    assert "called bad by its source" in events[0].message


def test_one_word_does_not_make_dp_unknown_and_two_do():
    rows = stream(columns(300))
    second = (rows.time - START) // NS
    lone, two = (rows.signal == IN) & (second == 100), (rows.signal == IN) & ((second == 200) | (second == 201))
    time, drop = dp_of(bad(rows._replace(value=np.where(lone | two, np.nan, rows.value)), lone | two))
    assert np.isfinite(drop[time == 100]).all()
    assert np.isnan(drop[time == 201]).all()
    assert np.isfinite(drop[time == 202]).all()


@pytest.mark.parametrize("quality", [Quality.GOOD, Quality.UNCERTAIN])
def test_a_contact_that_stands_still_is_only_ever_silent(quality):
    skid = with_signal(duplex(), TEMPERATURE, unit="1", low=0.0, high=1.0)
    values = columns(3600)
    values[TEMPERATURE][:] = 1.0
    rows = stream(values)
    rows = rows._replace(quality=np.where(rows.signal == TEMPERATURE, quality, rows.quality).astype(np.uint8))
    assert seen(rows, skid) == []
    assert seen(without(rows, TEMPERATURE, 500, 700), skid)[0] == ("stale", "temp", "raised", 560.0)


def gone(rows: Rows, signal: int, start: float, end: float) -> Rows:
    """What sends a signal dies and is back later: the one word of it in between."""
    word = Rows(np.array([START + round(start * NS)]), np.array([signal], np.int16), np.array([np.nan]),
                np.array([Quality.GONE], np.uint8))
    both = Rows.concat([without(rows, signal, start, end), word])
    return both.take(np.lexsort((both.signal, both.time)))


def test_what_is_known_to_be_gone_is_stale_at_once_and_cleared_when_it_speaks():
    rows = gone(stream(columns(300)), IN, 200.25, 260)
    (raised, cleared) = run(rows)[1]
    assert told([raised, cleared]) == [("stale", "in", "raised", 200.25), ("stale", "in", "cleared", 260.0)]
    assert raised.onset == START + 200 * NS
    assert "what sends it is gone since" in raised.message


def test_no_value_stands_from_the_moment_it_is_gone_on():
    second, dp = dp_of(gone(stream(columns(300)), IN, 200.25, 260))
    assert np.isnan(dp[(second > 201) & (second < 260)]).all() and np.isfinite(dp[second > 262]).all()


def test_a_bad_word_from_what_is_gone_does_not_bring_it_back_nor_does_its_being_repeated():
    rows = gone(gone(stream(columns(300)), IN, 200.25, 260), IN, 210.5, 260)
    word = rows.time == START + round(210.5 * NS)
    assert seen(rows) == seen(bad(rows, word)) == [("stale", "in", "raised", 200.25), ("stale", "in", "cleared", 260.0)]


def test_a_signal_that_reports_on_change_is_stale_at_once_too():
    rows = gone(stream(columns(300)), IN, 200.25, 260)
    assert seen(rows, on_change(duplex()))[0] == ("stale", "in", "raised", 200.25)
