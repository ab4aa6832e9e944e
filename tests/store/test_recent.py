"""Recent readings of all skids at once are what each skid would be given alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from store.samples import START, opened, signal, skid

from monitor.model import NS, Rows
from monitor.store import Batch, Store


def commit(store: Store, chance: np.random.Generator) -> None:
    """Readings of three skids, some of them not fed, as they came."""
    for name in ("a", "b", "c"):
        time = START + chance.permutation(400) * NS
        rows = Rows(time, chance.integers(0, 2, 400).astype(np.int16), chance.random(400), np.zeros(400, np.uint8))
        store.commit(Batch(rows=[(name, rows, chance.random(400) < 0.9)]))


def test_all_at_once_gives_each_skid_its_own(tmp_path: Path) -> None:
    skids = [skid(name, [signal("PT-1"), signal("PT-2")]) for name in ("a", "b", "c", "silent")]
    with opened(tmp_path / "s.db", skids=skids) as store:
        commit(store, np.random.default_rng(5))
        since, found = store.recent_of_all(150 * NS)
        assert since == store.newest() - 150 * NS
        for name in ("a", "b", "c", "silent"):
            alone = Rows.concat(list(store.rows_after(name, since)))
            assert all(np.array_equal(mine, own) for mine, own in zip(found[name], alone, strict=True))
        assert found["a"].size > 0 and found["silent"].size == 0


def test_a_skid_whose_signals_have_changed_is_left_out(tmp_path: Path) -> None:
    skids = [skid(name, [signal("PT-1"), signal("PT-2")]) for name in ("a", "b", "c")]
    with opened(tmp_path / "s.db", skids=skids) as store:
        commit(store, np.random.default_rng(6))
        other = replace(skids[1], signals=(replace(skids[1].signals[0], high=4.0), skids[1].signals[1]))
        store.configure([skids[0], other, skids[2]])
        assert store.recent_of_all(150 * NS)[1].keys() == {"a", "c"}
