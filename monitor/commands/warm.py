"""`bagwright warm`: have the engine compiled and kept, so that the first run need not wait."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

from monitor.commands.common import load_engine
from monitor.model import Rows


def warm_up() -> None:
    load_engine()
    from monitor.config import load
    from monitor.engine.engine import Engine
    from monitor.engine.look_back import level
    from monitor.ingest.usual import Reader
    from monitor.simulation.live import demo_settings_toml

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "intake-1.toml")
        path.write_text(demo_settings_toml(), encoding="utf-8")
        skid = load(path).skids[0]
    rows = Rows(np.array([1, 2]), np.array([0, 1], np.int16), np.array([3.0, 2.0]), np.zeros(2, np.uint8))
    for buckets in (0, 16):
        engine = Engine([skid], trend_buckets=buckets)
        engine.feed({0: rows})
        engine.finish()
    Reader(skid.signals).read([b"{}"], [0], np.zeros(1, np.int64), np.zeros(1, np.int64))
    level(engine.rows.state.history[0], 0, 1)
    Engine([skid]).feed_together(np.zeros(1, np.int64), np.array([0, 2]), rows)
