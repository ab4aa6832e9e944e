"""The reorder buffer against a plain description of what it promises."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.engine.sequencer import BEGINNING, Sequencer, Sequencers
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


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(0, 2), st.integers(0, 60), st.integers(0, 2), st.integers(0, 2)), max_size=120),
       st.lists(st.integers(0, 120), max_size=5), st.lists(st.integers(0, 70), max_size=5))
def test_many_skids_at_once_are_as_each_alone(items, cuts, reaches):
    many, alone = Sequencers([LATENESS, 0, 3]), [Sequencer(lateness=late) for late in (LATENESS, 0, 3)]
    never = np.full(3, 1 << 62)     # no second is due
    edges = sorted({0, len(items), *(min(c, len(items)) for c in cuts)})
    for n, (a, b) in enumerate(pairwise(edges)):
        mine = [[row[1:] for row in items[a:b] if row[0] == i] for i in range(3)]
        starts = np.cumsum([0, *map(len, mine)])
        reach = np.full(3, reaches[n] if n < len(reaches) else BEGINNING)
        which, ready, late = many.push(np.arange(3), starts, Rows.concat([rows_of(m) for m in mine]), never, reach)
        for i, one in enumerate(alone):
            expected, fate = one.push(rows_of(mine[i]))
            if reach[i] > BEGINNING:
                expected = Rows.concat([expected, one.advance(int(reach[i]))])
            assert [c[which == i].tolist() for c in ready] == [c.tolist() for c in expected]
            assert np.flatnonzero(late[starts[i] : starts[i + 1]]).tolist() == fate.late.tolist()
            assert (many.released[i], many.newest[i]) == (one.released, one.newest)
            assert [c.tolist() for c in many.each[i].pending] == [c.tolist() for c in one.pending]


def test_more_rows_than_there_is_room_for_wait_all_the_same():
    sequencers = Sequencers([100])
    for start in (1, 41):
        rows = rows_of([(t, 0, t) for t in range(start, start + 40)])
        _, ready, _ = sequencers.push(np.zeros(1, np.int64), np.array([0, 40]), rows, np.full(1, 1 << 62))
        assert ready.size == 0
    assert sequencers.each[0].finish().time.tolist() == list(range(1, 81))
    assert sequencers.count.tolist() == [0]
