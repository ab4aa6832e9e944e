"""Share done and time left of a search, against a clock that is written down."""

from __future__ import annotations

import pytest

from monitor.tuning.progress import Progress
from monitor.tuning.tune import EACH, SEARCH


def test_time_left_counts_all_stages_and_only_what_took_time() -> None:
    """100 sets to search and 300 more by themselves, a second each; 60 of the first were tried by an earlier run."""
    now, told = 0.0, []
    progress = Progress(lambda what, share, left: told.append((what, share, left)), clock=lambda: now)
    progress.expect({SEARCH: 100, EACH: 300})
    for done in (0, 20, 40, 60):
        assert progress.at(SEARCH, done, 100, 20)
    assert told[-1] == (SEARCH, 0.15, None)     # nothing is known of the pace
    for done in (5, 10, 15, 20):
        now += 5.0
        progress.within(done, 20)
    what, share, left = told[-1]
    assert (what, share, left) == (SEARCH, pytest.approx(0.2), pytest.approx(320.0))
    progress.at(SEARCH, 80, 100, 20)
    now += 20.0
    progress.within(3, 4)
    assert progress.at(EACH, 0, 2)
    assert told[-1] == (EACH, pytest.approx(0.25), pytest.approx(300.0))
    shares = [share for _, share, _ in told]
    assert shares == sorted(shares)
    progress.stop()
    assert not progress.within(1, 2) and not progress.at(EACH, 1, 2)
