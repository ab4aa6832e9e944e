"""Inlet and outlet side by side, second by second, against pandas.merge_asof as the outside reference."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from monitor.engine.engine import Engine
from monitor.model import NS, Rows
from tests.skids import BAR, START, duplex

HOLD_S = 60  # contract: silence after which a reading no longer stands


def random_stream(rng: np.random.Generator, signal: int, seconds: int) -> pd.DataFrame:
    """One signal at its own rate, with jitter and gaps, at most one reading a second."""
    every = rng.uniform(1.05, 9.0)
    time = np.cumsum(rng.uniform(1.02, 2 * every - 1.02, round(seconds / every)))
    if rng.random() < 0.5:  # a gap longer than a reading may stand
        time[time.size // 2 :] += 150.0
    value = rng.uniform(1.0, 5.0, time.size)
    return pd.DataFrame({"time": START + np.round(time * NS).astype(np.int64), "signal": signal, "value": value})


def as_of(ticks: np.ndarray, frame: pd.DataFrame) -> np.ndarray:
    right = frame[["time", "value"]].sort_values("time")
    merged = pd.merge_asof(pd.DataFrame({"time": ticks}), right, on="time", direction="backward", tolerance=HOLD_S * NS)
    return merged["value"].to_numpy()


@pytest.mark.parametrize("seed", range(12))
def test_each_second_sees_the_newest_reading_of_each_header_as_merge_asof_does(seed):
    rng = np.random.default_rng(seed)
    inlet, outlet = random_stream(rng, 0, 600), random_stream(rng, 1, 600)
    both = pd.concat([inlet, outlet])
    # Out of order by less than the allowance of 2 s, and some rows twice.
    arrival = both["time"].to_numpy() + rng.integers(0, round(1.9 * NS), len(both))
    both = both.iloc[np.argsort(arrival, kind="stable")]
    both = pd.concat([both, both.sample(20, random_state=seed)])

    engine = Engine([duplex(flow=False)], trend_buckets=4096)
    engine.feed({0: Rows(both["time"].to_numpy(), both["signal"].to_numpy(np.int16), both["value"].to_numpy(),
                         np.zeros(len(both), np.uint8))})  # fmt: skip
    engine.finish()

    trend = engine.rows.trend()
    ticks = trend["time"] + NS  # a bucket is the second that ends at its tick
    assert np.all(np.diff(ticks) == NS)
    assert ticks[-1] == both["time"].max() // NS * NS
    for name, frame in (("inlet", inlet), ("outlet", outlet)):
        np.testing.assert_allclose(trend[name], as_of(ticks, frame) * BAR, rtol=1e-12)
    np.testing.assert_allclose(trend["pressure_drop"], (as_of(ticks, inlet) - as_of(ticks, outlet)) * BAR, atol=1e-6)


def test_a_second_with_several_readings_is_their_median():
    time = START + (np.arange(10) * NS) // 10 + 1
    value = np.array([3.0, 3.1, 3.2, 0.0, 3.3, 3.4, 3.5, 3.6, 9.9, 3.25])  # two wild ones
    engine = Engine([duplex(flow=False)], trend_buckets=64)
    engine.feed({0: Rows(np.repeat(time, 2), np.tile(np.array([0, 1], np.int16), 10),
                         np.ravel(np.column_stack([value, np.full(10, 1.0)])), np.zeros(20, np.uint8))})  # fmt: skip
    engine.advance({0: START + 5 * NS})
    assert engine.rows.trend()["inlet"][0] == pytest.approx(np.median(value) * BAR)
