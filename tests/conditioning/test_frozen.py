"""`frozen`: not one change in 300 s where the signal's own noise should have made dozens."""

from __future__ import annotations

import numpy as np
import pytest

from tests.conditioning.helpers import FLOW, IN, OUT, TEMPERATURE, columns, dp_of, on_change, run, seen, stream
from tests.skids import duplex


@pytest.mark.parametrize("every", [1.0, 2.0, 5.0])
@pytest.mark.parametrize("signal", [IN, OUT, FLOW, TEMPERATURE])
def test_a_signal_that_stands_still_is_frozen_after_five_minutes(signal, every):
    values = columns(7200, every=every)
    at, until = round(3600 / every), round(5400 / every)
    values[signal][at:until] = values[signal][at]
    name = duplex().signals[signal].id
    (raised, cleared) = seen(stream(values, every=every))
    assert raised[:3] == ("frozen", name, "raised")
    assert 3900 - every <= raised[3] <= 3900 + every + 1
    assert cleared[:3] == ("frozen", name, "cleared")
    assert 5400 <= cleared[3] <= 5400 + 30 + 3 * every + 1


def test_a_freeze_shorter_than_that_is_nothing():
    values = columns(3600)
    values[IN][1800:2080] = values[IN][1800]
    assert seen(stream(values)) == []


def test_a_frozen_value_is_not_believed_long_before_the_alarm_and_again_with_the_first_change():
    values = columns(4000)
    values[IN][1800:2500] = values[IN][1800]
    time, drop = dp_of(stream(values))
    assert np.isnan(drop[(time > 1900) & (time <= 2499)]).all()
    assert np.isfinite(drop[time >= 2501]).all()


def test_a_flow_of_exactly_zero_is_a_stop_and_not_a_freeze():
    values = columns(7200)
    for k, level in ((IN, 1.0), (OUT, 1.0)):
        values[k][3000:6000] += level - np.median(values[k])
    values[FLOW][3000:6000] = 0.0
    assert seen(stream(values)) == []


@pytest.mark.parametrize("seed", range(6))
def test_a_coarse_temperature_that_moves_for_hours_and_then_rests_is_not_frozen(seed):
    # Noise an eighth of the step: near an edge between two steps it moves busily, within one it rests for an hour.
    rng = np.random.default_rng(seed)
    n = 12 * 3600
    true = 15.05 + np.where(np.arange(n) < 6 * 3600, 0.0, 0.05) + np.cumsum(rng.normal(0, 2e-5, n))
    values = columns(n)
    values[TEMPERATURE] = np.round((true + rng.normal(0, 0.0125, n)) / 0.1) * 0.1
    still = np.diff(np.flatnonzero(np.diff(values[TEMPERATURE]) != 0), append=n)
    assert still.max() > 1800
    assert seen(stream(values)) == []


def test_what_reports_on_change_never_repeats_and_is_never_frozen():
    values = columns(3600)
    values[IN][1800:] = np.where(np.arange(1800) % 60 == 0, values[IN][1800], np.nan)
    assert seen(stream(values), on_change(duplex())) == []


def test_a_vented_vessel_or_a_header_at_the_end_of_its_span_rests_there():
    values = columns(7200)
    values[IN][3000:4500] = 10.2
    values[OUT][5000:6500] = 0.0
    assert [s for s in seen(stream(values)) if s[0] == "frozen"] == []


def test_the_message_counts_what_was_missed():
    values = columns(3000)
    values[FLOW][1800:] = values[FLOW][1800]
    (event,) = run(stream(values))[1]
    assert "exactly" in event.message
    assert "some 2" in event.message    # hundreds of changes
    assert "reference flow" in event.message
    assert event.vessel is None
