"""The recordings that are shipped show every kind of event, tell what their labels say, and can be made again."""

from __future__ import annotations

import gzip
import runpy
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from commands.helpers import ROOT

from monitor.config import load
from monitor.model import Role
from monitor.replay.run import replay
from monitor.tuning.labels import read_labels
from monitor.tuning.score import How, score

SHIPPED = ROOT / "replay_data"
FOLDERS = sorted(path.parent for path in SHIPPED.glob("*/labels.json"))
MOST_KB = 700
# Kinds and details of the contract of recordings.
EVERY = {
    "changeout-due", "changeout-forecast", "dp-limit", "element-breach/in-service", "element-breach/after-restart",
    "changeout-done/good", "changeout-done/resistance-low", "changeout-done/resistance-high",
    "changeout-done/unverified", "changeout-suspect/resistance-low", "changeout-suspect/resistance-high",
    "closure-seep/pressure-decay", "closure-seep/leak-sensor", "signal-fault/stale", "signal-fault/frozen",
    "signal-fault/out-of-range", "signal-fault/swapped", "signal-fault/zero-shift", "signal-fault/spikes", "surge",
    "flow-blocked",
}  # fmt: skip
KINDS = {name.partition("/")[0] for name in EVERY}      # of the contract; we tell of others too, which have no labels

pytestmark = pytest.mark.timeout(300)


def test_every_label_is_found_in_its_time_nothing_else_is_told_and_every_kind_is_seen(tmp_path: Path) -> None:
    """By the contract's rules of matching: kind, window, vessel, detail, signal."""
    seen: set[str] = set()
    for folder in FOLDERS:
        skid = load(folder / "skid.toml").skids[0]
        events = replay([folder / "recording.csv.gz"], skid, tmp_path / folder.name).events
        found = score(read_labels(folder / "labels.json"), events,
                      vessel_pressures=bool(skid.with_role(Role.VESSEL_PRESSURE)))  # fmt: skip
        assert found.outcomes, folder.name
        assert [o for o in found.outcomes if o.how is not How.FOUND or o.right is False] == [], folder.name
        assert [s.event for s in found.strays if s.how in (How.FALSE, How.ASTRAY) and s.event.kind in KINDS] == []
        seen |= {e.kind if e.detail is None else f"{e.kind}/{e.detail}" for e in events}
    assert seen >= EVERY


def test_the_files_are_small_and_listed_with_their_provenance() -> None:
    listed = (SHIPPED / "README.md").read_text(encoding="utf-8")
    for folder in FOLDERS:
        assert f"| `{folder.name}` |" in listed
        assert {path.name for path in folder.iterdir()} == {"labels.json", "recording.csv.gz", "skid.toml"}
    assert sum(path.stat().st_size for folder in FOLDERS for path in folder.iterdir()) < MOST_KB * 1000


def test_a_recording_is_made_again_as_it_was_shipped(tmp_path: Path) -> None:
    """Times and labels to the letter; values to a step of their converters, which another machine's arithmetic may
    round the other way."""
    make = runpy.run_path(str(SHIPPED / "make.py"))
    entry = next(e for e in make["ENTRIES"] if e.folder == "unseated-element")
    make["make"](entry, tmp_path)
    mine, theirs = tmp_path / entry.folder, SHIPPED / entry.folder
    for name in ("labels.json", "skid.toml"):
        assert (mine / name).read_text() == (theirs / name).read_text(), name
    (head, times, values), (their_head, their_times, their_values) = table(mine), table(theirs)
    assert head == their_head and times == their_times
    assert np.allclose(values, their_values, rtol=0, atol=0.1, equal_nan=True)
    assert {e.folder for e in make["ENTRIES"]} == {f.name for f in FOLDERS} - {"spring-runoff"}


def table(folder: Path) -> tuple[str, list[str], Any]:
    with gzip.open(folder / "recording.csv.gz", "rt", encoding="utf-8") as file:
        head, *lines = file.read().splitlines()
    cells = [line.split(",") for line in lines]
    return head, [row[0] for row in cells], np.array([[float(c or "nan") for c in row[1:]] for row in cells])
