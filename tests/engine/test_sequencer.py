"""The reorder buffer against a plain description of what it promises."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.engine.sequencer import Sequencer
from monitor.model import Rows

LATENESS = 5

arrivals = st.lists(st.tuples(st.integers(0, 60), st.integers(0, 2), st.integers(0, 2)), max_size=60)


def rows_of(items):
    time, signal, value = (list(c) for c in zip(*items, strict=True)) if items else ([], [], [])
    quality = np.zeros(len(time), np.uint8)
    return Rows(np.array(time, np.int64), np.array(signal, np.int16), np.array(value, float), quality)


def plain(items):
    """What must come of arrivals: one at a time, as the docstring says."""
    newest, fed, late, repeated, conflicting, first = -(10**9), [], [], [], [], {}
    for i, (time, signal, value) in enumerate(items):
        if time <= newest - LATENESS:
            late.append(i)
        elif (time, signal) in first:
            (repeated if first[time, signal] == value else conflicting).append(i)
        else:
            first[time, signal] = value
            fed.append((time, signal, value))
        newest = max(newest, time)
    return sorted(fed), late, repeated, conflicting


def through(items, cuts):
    sequencer = Sequencer(lateness=LATENESS)
    fed, late, repeated, conflicting = [], [], [], []
    edges = sorted({0, len(items), *(min(c, len(items)) for c in cuts)})
    for a, b in pairwise(edges):
        ready, fate = sequencer.push(rows_of(items[a:b]))
        fed.append(ready)
        late += (fate.late + a).tolist()
        repeated += (fate.repeated + a).tolist()
        conflicting += (fate.conflicting + a).tolist()
    fed.append(sequencer.finish())
    everything = Rows.concat(fed)
    ordered = list(zip(everything.time.tolist(), everything.signal.tolist(), everything.value.tolist(), strict=True))
    return ordered, sorted(late), sorted(repeated), sorted(conflicting)


@settings(deadline=None)    # the first call may compile
@given(arrivals, st.lists(st.integers(0, 60), max_size=5))
def test_every_arrival_is_fed_in_order_or_accounted_for_however_arrivals_are_cut(items, cuts):
    assert through(items, cuts) == plain(items)


@settings(deadline=None)    # the first call may compile
@given(arrivals)
def test_what_was_released_is_never_taken_back(items):
    sequencer = Sequencer(lateness=LATENESS)
    reached = -(10**9)
    for item in items:
        ready, _ = sequencer.push(rows_of([item]))
        assert all(t > reached for t in ready.time.tolist())
        reached = max(reached, sequencer.released)


def test_time_alone_releases_and_makes_later_stragglers_late():
    sequencer = Sequencer(lateness=LATENESS)
    ready, _ = sequencer.push(rows_of([(10, 0, 1)]))
    assert ready.size == 0
    assert sequencer.advance(15).time.tolist() == [10]
    _, fate = sequencer.push(rows_of([(10, 1, 1), (11, 1, 1)]))
    assert fate.late.tolist() == [0]


def test_unknown_values_of_the_same_second_are_a_repeat_not_a_conflict():
    rows = rows_of([(10, 0, 0), (10, 0, 0)])._replace(value=np.array([np.nan, np.nan]))
    _, fate = Sequencer(lateness=LATENESS).push(rows)
    assert fate.repeated.tolist() == [1]
    assert fate.conflicting.size == 0


def test_negative_lateness_is_refused_by_name():
    with pytest.raises(ValueError, match="lateness"):
        Sequencer(lateness=-1)
