"""A folder with one case of the hatchery, as `bagwright case new` makes it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from monitor.config.overrides import template_of
from monitor.model import NS
from monitor.replay.minutes import Minutes
from monitor.times import to_rfc3339
from monitor.tuning.cases import LABELS, new_case, write_labels
from monitor.tuning.labels import read_document

ROOT = Path(__file__).parents[2]
START = 1_776_000_000 * NS      # 2026-04-12T13:20:00Z
NAME = "2026-04-12-intake-1"


def clock(minute: int) -> str:
    return to_rfc3339(START + minute * 60 * NS)


def folder_with_a_case(place: Path) -> Path:
    """Three proposals, ten hours of minutes; the recording itself matters to nobody here."""
    recording = place / "export.csv"
    recording.write_text(f"time,PT-101\n{clock(0)},3.5\n", encoding="utf-8")
    time = START + np.arange(600) * 60 * NS
    drop = np.linspace(0.3, 1.1, 600)
    minutes = Minutes(time, np.stack([drop, drop * 1.02, np.full(600, 38.0)], 1))
    case = new_case(place / "cases", [recording], template_of(ROOT / "replay_data/spring-runoff/skid.toml"),
                    timezone=None, mapping={}, dates=None, first=START, last=START + 36_000 * NS, minutes=minutes)
    document = read_document(case / LABELS)
    document["proposals"] = [
        {"time": clock(100), "kind": "changeout-due", "vessel": None, "detail": None, "within_s": 600, "early_s": 600},
        {"time": clock(200), "kind": "changeout-done", "vessel": "east", "detail": "good", "within_s": 960,
         "early_s": 120},
        {"time": clock(300), "kind": "signal-fault", "vessel": None, "detail": "stale", "signal": "PT-101",
         "within_s": 1800, "early_s": 60, "until": clock(320)},
    ]
    write_labels(case, document)
    assert case.name == NAME
    return place / "cases"
