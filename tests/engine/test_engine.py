"""What the engine promises whatever the cut: chunks, restarts, shortened recordings, with and without compilation."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.engine.engine import Engine
from monitor.errors import InputError
from monitor.model import NS, Rows
from monitor.records import event_object
from tests.skids import START, duplex, stream

ROOT = Path(__file__).parents[2]


def busy_recording(seed: int = 5) -> Rows:
    """Two hours: loading past both limits, pump stops, a vessel isolated, an outage, disorder and repeats."""
    rng = np.random.default_rng(seed)
    n = 7200
    second = np.arange(n)
    dp = 0.3 + 2.2 * (second / n) ** 2
    dp[1500:2400] *= 2.1                       # one vessel out
    flow = 38 + 4 * np.sin(second / 300)
    flow[3000:3300] = 0
    dp = dp * flow / 40 + rng.normal(0, 0.01, n)
    dp[5200:5600] = 0.25                       # changed
    outlet = 2 + rng.normal(0, 0.004, n)
    gap = (second > 4000) & (second < 4200)
    blank = lambda x: np.where(gap, np.nan, x)  # noqa: E731
    rows = stream({0: blank(outlet + dp), 1: blank(outlet), 2: blank(flow + rng.normal(0, 0.1, n) * (flow > 0)),
                   3: blank(np.where(second % 10, np.nan, 15.0))})  # fmt: skip
    order = np.argsort(rows.time + rng.integers(0, round(1.5 * NS), rows.size), kind="stable")
    late = rng.choice(rows.size, 40, replace=False)
    order = np.concatenate([order, late])[np.argsort(np.concatenate([np.arange(rows.size), late + 300]), kind="stable")]
    return rows.take(order)


ROWS = busy_recording()
SKID = duplex()


def finished(parts, *, restart_after=()):
    """Events and minutes of parts fed one after the other; restarted from its own snapshot after some of them."""
    engine = Engine([SKID])
    events, minutes = [], []
    for k, part in enumerate(parts):
        output, _ = engine.feed({0: part})
        events += output.events
        minutes += output.minutes
        if k in restart_after:
            waiting, reached, newest = engine.sequencers[0].pending, engine.reached(0), engine.sequencers[0].newest
            snapshot = json.loads(json.dumps(json.loads(engine.snapshot(0))))
            engine = Engine([SKID])
            engine.restore(0, json.dumps(snapshot).encode())
            assert engine.reached(0) == reached
            engine.sequencers[0].push(waiting)      # what the store would run again
            engine.sequencers[0].newest = newest    # an outage moves no clock back
    output = engine.finish()
    return events + output.events, minutes + output.minutes


WHOLE = finished([ROWS])


def test_the_recording_has_something_to_get_wrong():
    kinds = [(e.kind, str(e.transition)) for e in WHOLE[0]]
    assert ("changeout-due", "raised") in kinds
    assert ("changeout-due", "cleared") in kinds
    assert ("dp-limit", "raised") in kinds
    assert len(WHOLE[1]) == 120


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(0, ROWS.size), max_size=6))
def test_events_and_minutes_do_not_depend_on_chunks(cuts):
    edges = sorted({0, ROWS.size, *cuts})
    parts = [ROWS.take(slice(a, b)) for a, b in pairwise(edges)]
    assert repr(finished(parts)) == repr(WHOLE)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(1, ROWS.size - 1), min_size=1, max_size=4, unique=True))
def test_a_restart_anywhere_changes_nothing(cuts):
    edges = sorted({0, ROWS.size, *cuts})
    parts = [ROWS.take(slice(a, b)) for a, b in pairwise(edges)]
    assert repr(finished(parts, restart_after=range(len(parts)))) == repr(WHOLE)


@settings(max_examples=25, deadline=None)
@given(st.integers(1, ROWS.size))
def test_a_recording_cut_short_gives_the_same_events_up_to_the_cut(cut):
    part = ROWS.take(slice(0, cut))
    # A straggler that the cut took away may have belonged before the last seconds.
    sure = int(part.time.max()) - 2 * NS
    assert [e for e in finished([part])[0] if e.time <= sure] == [e for e in WHOLE[0] if e.time <= sure]


def test_skids_fed_together_are_judged_as_if_alone():
    other = ROWS._replace(value=ROWS.value * np.where(ROWS.signal < 2, 0.999, 1.0))
    together = Engine([SKID, SKID])
    events = {0: [], 1: []}
    for a in range(0, ROWS.size, 997):
        for i, rows in ((0, ROWS), (1, other)):
            output, _ = together.feed({i: rows.take(slice(a, a + 997))})
            events[i] += output.events
    tail = together.finish()
    alone = finished([other])[0]
    assert repr(events[0] + events[1] + tail.events) == repr([*WHOLE[0], *alone])


@pytest.mark.timeout(300)
def test_without_compilation_the_same_events_come():
    code = (
        "import json, sys\n"
        "from tests.engine.test_engine import WHOLE, event_object\n"
        "print(json.dumps([event_object(e) for e in WHOLE[0]]))\n"
    )
    env = os.environ | {"NUMBA_DISABLE_JIT": "1", "PYTHONPATH": str(ROOT)}
    out = subprocess.run([sys.executable, "-c", code], env=env, cwd=ROOT, capture_output=True, text=True, timeout=280)
    assert out.returncode == 0, out.stderr
    plain = json.loads(out.stdout)
    compiled = json.loads(json.dumps([event_object(e) for e in WHOLE[0]]))
    assert [(e["time"], e["kind"], e["transition"]) for e in plain] == [
        (e["time"], e["kind"], e["transition"]) for e in compiled
    ]
    for a, b in zip(plain, compiled, strict=True):
        assert a["value"] == pytest.approx(b["value"], abs=1e-6)


def test_a_checkpoint_of_another_layout_is_refused_with_a_sentence():
    engine = Engine([SKID])
    for broken in (b"", b"{}", b'{"released": 1, "records": {"skid": "AA=="}}', b"\xff"):
        with pytest.raises(InputError, match="checkpoint of skid s"):
            engine.restore(0, broken)


def test_a_skid_that_was_never_heard_of_does_not_age():
    assert Engine([SKID]).advance({0: START}).minutes == []
