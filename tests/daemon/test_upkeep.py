"""Care of the store beside the daemon's rounds."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from monitor.daemon.upkeep import EVERY_S, PACK_AFTER
from monitor.model import NS
from tests.daemon.rig import rig
from tests.skids import START, duplex, steady

SKID = duplex()


def test_a_skid_that_was_never_heard_keeps_no_hour_of_the_others_unpacked(tmp_path: Path) -> None:
    rows = steady(np.full(PACK_AFTER // NS + 4_000, 0.5))
    wired_later = replace(SKID, id="later", signals=tuple(replace(s, topic=f"later/{s.id}") for s in SKID.signals))
    with rig(tmp_path, SKID, START, None, wired_later) as daemon:
        daemon.hear(rows)
        for _ in range(10):
            daemon.daemon.clock.now += round(EVERY_S * NS)      # type: ignore[attr-defined]
            daemon.round()
        counts = daemon.store.status()["readings"]
        assert counts["packed"] > 0 and counts["recent"] + counts["packed"] == rows.size
