"""The plan and the status that a store gives, after a daemon has watched some hours of loading."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from monitor.commands.plan import lines
from monitor.commands.status import forecast_of, kept_of
from monitor.forecast.law_table import law_lines, law_table
from monitor.forecast.laws import LAWS, resistance_after
from monitor.store import Reader
from tests.daemon.rig import rig
from tests.skids import START, duplex, steady


def test_a_store_tells_when_the_next_changeout_falls_due_and_on_what_that_rests(tmp_path: Path) -> None:
    skid = duplex(vessels=1)
    second = np.arange(3 * 3600)
    dp = 0.02 + 0.2 * np.exp(1.2 * second / (4 * 3600))     # reaches 1 bar after 5.3 h
    noise = 0.003 * np.random.default_rng(1).standard_normal(dp.size)
    with rig(tmp_path, skid, START, None) as running:
        running.hear(steady(dp + noise, flow=40.0 + 0.1 * np.random.default_rng(2).standard_normal(dp.size)))
        running.stop()
    with Reader.open(tmp_path / "rig.db") as reader:
        told = dict(lines(reader, skid))
        foreseen = forecast_of(kept_of(reader, skid.id))
    assert re.match(r"about \S+ \S+ UTC, in \S+ h \(80 %: ", told["due"])
    assert told["elements"].startswith("not known before one life")
    assert set(LAWS) <= set(told)
    assert foreseen["p10_h"] < foreseen["p50_h"] < foreseen["p90_h"]
    assert foreseen["p10_h"] < 4 * np.log(0.98 / 0.2) / 1.2 - 3 < foreseen["p90_h"]


def test_the_table_of_laws_is_statsmodels_own_and_knows_an_exact_curve() -> None:
    volume = np.linspace(0, 2, 40)
    bar = resistance_after(volume, 0.2, 0.9, 1.5)
    points = [(float(v), 1e5 * (0.05 + float(a)), 1.0) for v, a in zip(volume, bar, strict=True)]
    table = {row.law: row for row in law_table(points, 0.05e5)}
    best = min(table.values(), key=lambda row: row.scatter)
    assert best.law == "standard"
    assert abs(best.rate - 0.9) < 1e-6 and best.low <= best.rate <= best.high
    assert law_table(points[:3], 0.0) == []


def test_without_growth_no_law_is_named() -> None:
    noise = np.random.default_rng(4).standard_normal(40)
    points = [(float(k), 1e5 * (0.2 + 0.002 * float(v)), 1.0) for k, v in enumerate(noise)]
    assert [what for what, _ in law_lines(points, 0.0, by_volume=True)] == ["laws"]
