"""Noise makes no isolation: averages of a few blocks tell their own scatter badly, and some seem still by chance."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.engine.engine import Engine
from monitor.model import NS
from tests.skids import START, duplex, steady

HOURS, EVERY = 6, 5.0
NOISE = 0.014       # bar, each gauge of a pair 16 bar wide: 0.1 % of span


def isolated(rows, step_s: int = 60):
    """Seconds at which a vessel is taken for isolated."""
    engine, seen = Engine([duplex(vessels=5, flow=False)]), []
    for k in range(0, int((rows.time[-1] - START) / NS), step_s):
        part = rows.take((rows.time >= START + k * NS) & (rows.time < START + (k + step_s) * NS))
        engine.feed({0: part})
        seen += [k] if engine.rows.state.skid[0].isolated_since else []
    return seen


@pytest.mark.parametrize("seed", [2, 3, 4])
def test_six_hours_of_noise_are_no_isolation(seed):
    chance = np.random.default_rng(seed)
    count = round(HOURS * 3_600 / EVERY)
    noise = chance.normal(0, NOISE * np.sqrt(2), count)
    assert isolated(steady(0.5 + noise, every=EVERY)) == []
