"""Hampel's identifier against pandas, and lone jumps that wait for the next reading."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from monitor.conditioning import sensor, spikes
from monitor.engine import layout, layout_signals
from monitor.engine.parameters import build
from tests.conditioning.helpers import IN, OUT, TEMPERATURE, columns, dp_of, run, seen, stream
from tests.skids import duplex

SCALED_MAD = 1.482602218505602      # 1 / Phi^-1(3/4)


def by_pandas(values: np.ndarray, noise: np.ndarray) -> np.ndarray:
    """Hampel's spikes, window 11, ends untouched; noise: 5 times it is the least distance, as known 5 readings on."""
    series = pd.Series(values)
    median = series.rolling(11, center=True).median()
    mad = series.rolling(11, center=True).apply(lambda w: np.median(np.abs(w - np.median(w))), raw=True)
    limit = np.maximum(3 * SCALED_MAD * mad, 5 * np.roll(noise, -5))
    return np.asarray((series - median).abs() > limit)


def by_us(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What the compiled identifier flags reading by reading, and the noise it knew at each."""
    parameters = build([duplex()])
    health = layout.records(1, layout_signals.health)[0]
    one = layout.records(1, layout_signals.sensor)[0]
    flagged, noise = np.zeros(values.size, bool), np.zeros(values.size)
    for i, x in enumerate(values):
        before = health.flag_index
        sensor.take(one, health, parameters.sensor[0, IN], parameters.health[0, IN], 1, (i + 1) * 10**9, x, 0)
        noise[i] = health.scatter
        if health.flag_index != before:
            flagged[health.flag_index] = True
    return flagged, noise


@pytest.mark.parametrize("seed", range(8))
def test_hampel_is_exactly_that_of_pandas(seed):
    rng = np.random.default_rng(seed)
    step = (0.002, 0.01, 1e-6)[seed % 3]
    values = 3 + np.cumsum(rng.normal(0, 0.002, 3000)) + rng.normal(0, 0.005, 3000)
    values[rng.integers(0, 3000, 60)] += rng.choice([-1, 1], 60) * rng.uniform(0.01, 1.0, 60)
    values[1500:] += 0.8
    values[2000:2003] += 0.5
    values = np.round(values / step) * step
    flagged, noise = by_us(values)
    ours, theirs = flagged[40:-11], by_pandas(values, noise)[40:-11]
    assert theirs.sum() > 30
    np.testing.assert_array_equal(ours, theirs)


def test_one_wild_reading_in_the_example_of_the_manual_is_found():
    # The edit rule's usual example: {2.1, 2.0, 1.9, 2.2, 2.0, 9.9, 2.1} has median 2.1 and MAD 0.1.
    values = np.tile([2.1, 2.0, 1.9, 2.2, 2.0, 2.1, 2.1], 10)
    values[45] = 9.9
    assert np.flatnonzero(by_us(values)[0]).tolist() == [45]


def spiked(signal: int, every: int, *, size: float = 0.5, seconds: int = 4000, at: int = 2000) -> dict[int, np.ndarray]:
    values = columns(seconds)
    values[signal][at::every] += size
    return values


def test_five_spikes_in_ten_minutes_are_a_fault_and_ten_minutes_without_end_it():
    values = columns(4000)
    values[OUT][2000:2500:100] += 0.4
    (raised, cleared) = seen(stream(values))
    assert raised == ("spikes", "out", "raised", 2405.0)
    assert cleared == ("spikes", "out", "cleared", 3001.0)


def test_four_are_none_and_five_in_a_longer_time_are_none():
    few, rare = columns(4000), columns(4000)
    few[OUT][2000:2400:100] += 0.4
    rare[OUT][1000::160] += 0.4
    assert seen(stream(few)) == []
    assert seen(stream(rare)) == []


def test_what_both_headers_see_is_the_process_and_no_fault_of_theirs():
    values = columns(4000)
    for k in (IN, OUT):
        values[k][2000::40] += 0.4
    assert seen(stream(values)) == []


def test_an_excursion_of_three_readings_counts_once():
    values = columns(4000)
    for start in range(2000, 2400, 100):
        values[IN][start : start + 3] += 0.5
    assert seen(stream(values)) == []


def test_steps_ramps_and_starts_of_a_pump_are_no_spikes():
    values = columns(7200)
    for start in range(1000, 7000, 100):
        values[IN][start : start + 50] += 0.3
        values[TEMPERATURE][start : start + 50] += np.linspace(0, 3, 50)
    assert seen(stream(values)) == []


def test_a_lone_spike_never_becomes_a_value():
    time, drop = dp_of(stream(spiked(IN, 37)))
    assert np.nanmax(np.abs(drop[time > 100] - 0.4e5)) < 0.05e5


@pytest.mark.parametrize("every", [1.0, 5.0])
def test_a_real_step_is_delayed_by_one_reading_at_most(every):
    values = columns(3000, every=every)
    values[IN][round(2000 / every) :] += 0.5
    time, drop = dp_of(stream(values, every=every))
    arrived = time[(time > 1990) & (drop > 0.65e5)][0]
    assert arrived <= 2000 + every + 1


def test_a_step_that_nothing_follows_stands_after_a_moment():
    values = columns(3000)
    values[IN][2000:] = np.nan
    values[IN][2000] = 3.0
    time, drop = dp_of(stream(values))
    assert drop[time == 2003] == pytest.approx(1.0e5, abs=0.05e5)


def test_the_message_shows_a_spike_and_what_was_around_it():
    (event,) = run(stream(spiked(IN, 20)))[1]
    assert "2.9" in event.message
    assert "2.4" in event.message
    assert "shield" in event.message


def test_the_noise_of_normal_readings_is_learned_to_a_tenth():
    rng = np.random.default_rng(3)
    flagged, noise = by_us(3 + rng.normal(0, 0.02, 5000))
    assert np.median(noise[200:]) == pytest.approx(0.02, rel=0.1)
    assert flagged.mean() < 0.001
    expected = 1 / (np.sqrt(2) * 0.6744897501960817)     # median |difference| of standard normal noise
    assert abs(spikes.NOISE_OF_CHANGE - expected) < 1e-9
