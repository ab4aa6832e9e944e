"""`out-of-range`: readings beyond NAMUR NE 43's failure limits for 30 s, counted from the first."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.conditioning.range import grade
from monitor.model import Rows
from tests.conditioning.helpers import FLOW, IN, columns, dp_of, on_change, run, seen, stream, told
from tests.skids import duplex


def failed(values: dict[int, np.ndarray], signal: int, low: float, high: float) -> Rows:
    rows = stream(values)
    mine = rows.signal == signal
    return rows._replace(quality=np.where(mine, grade(rows.value, low, high), rows.quality).astype(np.uint8))


def broken(start: int, end: int, share: float) -> Rows:
    """The inlet's loop (0-10 bar) at a share of its span for a while."""
    values = columns(900)
    values[IN][start:end] = 10 * share
    return failed(values, IN, 0.0, 10.0)


@pytest.mark.parametrize("share", [-0.025, -0.25, 1.0625, 1.1])
def test_a_failed_loop_is_told_after_half_a_minute_and_cleared_after_good_readings(share):
    assert seen(broken(300, 400, share)) == [
        ("out-of-range", "in", "raised", 330.0), ("out-of-range", "in", "cleared", 430.0)]  # fmt: skip


@pytest.mark.parametrize("share", [-0.024, -0.0125, 1.03125, 1.062])
def test_what_ne_43_calls_uncertain_is_no_failure(share):
    assert [d for d, *_ in seen(broken(300, 400, share))] in ([], ["spikes"])


def test_a_dropout_shorter_than_the_limit_is_nothing():
    assert seen(broken(300, 325, -0.03)) == []


def test_a_failed_loop_says_that_it_may_be_a_real_overpressure_only_where_it_may():
    high, low = run(broken(300, 400, 1.08))[1][0], run(broken(300, 400, -0.03))[1][0]
    assert "real pressure above the transmitter's span" in high.message
    assert "local gauge" in high.message
    assert "108.0 % of its span" in high.message
    assert "real pressure" not in low.message
    assert "broken wire" in low.message
    assert "dP is unknown" in low.message


def test_dp_is_unknown_while_a_header_has_failed_and_known_again_at_once():
    time, drop = dp_of(broken(300, 400, -0.03))
    assert np.isnan(drop[(time > 301) & (time < 400)]).all()
    assert np.isfinite(drop[(time > 401) & (time < 410)]).all()


def test_on_change_a_failure_is_reported_once_and_counts():
    values = columns(900)
    values[FLOW][300:] = np.nan
    values[FLOW][300] = -3.0
    events = run(failed(values, FLOW, 0.0, 60.0), on_change(duplex()))[1]
    assert told(events) == [("out-of-range", "flow", "raised", 330.0)]
