"""The daemon is stopped, an element tears, the daemon is started: it is told within the contract's time of the first
steady flow, as an alarm that somebody has to acknowledge; where nothing was lost meanwhile nothing is told.

Contract: a breach after a restart within 300 s (loss of 40 %) or 600 s. Seeds are none that anything was tuned on.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from monitor.model import NS, Event, Rows, Transition
from monitor.simulation.story import Recording
from monitor.skid import SkidSettings
from tests.corpus import recordings, rows_of, seconds, settings_of
from tests.daemon.rig import rig

WANTED = int(os.environ.get("BAGWRIGHT_OUTAGES", "1"))      # of each sort; 20 in a full run
OUT_S = 1_800                # the daemon is away so long before the skid runs again
BENIGN_S = {"gap, nothing lost": 4_500, "restart, cake relaxation only": 4_500}


class Outage(NamedTuple):
    """A recording and the moment at which the skid runs again, seconds since 1970; within: None where nothing tore."""

    recording: Recording
    again: float
    within: float | None


def outages(torn: bool) -> Iterator[Outage]:
    for recording in recordings("breach-after-restart", range(501, 701)):
        for label in recording.labels["events"]:
            if torn and label["kind"] == "element-breach" and label["detail"] == "after-restart":
                yield Outage(recording, seconds(label["time"]), float(label["within_s"]))
        breaches = [label for label in recording.labels["events"] if label["kind"] == "element-breach"]
        for decoy in recording.labels["decoys"][:1]:
            if not torn and not breaches and decoy["what"] in BENIGN_S:
                yield Outage(recording, seconds(decoy["until"]) - BENIGN_S[decoy["what"]], None)


def between(rows: Rows, start: float, end: float) -> Rows:
    return rows.take((rows.time >= start * NS) & (rows.time < end * NS))


def told(folder: Path, outage: Outage) -> tuple[list[Event], str | None, SkidSettings]:
    """Breaches told after the outage, and what the alarm shows then."""
    skid, rows = settings_of(outage.recording, folder), rows_of(outage.recording)
    end = outage.again + (outage.within or 600.0) + 60
    before, after = between(rows, 0, outage.again - OUT_S), between(rows, outage.again - 5, end)
    with rig(folder, skid, int(before.time[0])) as daemon:
        daemon.hear(before)
        daemon.stop()
    with rig(folder, skid, int(after.time[0])) as daemon:
        daemon.hear(after)
        found = [e for e in daemon.store.events(kinds=["element-breach"], start=round((outage.again - 5) * NS))
                 if e.transition is Transition.RAISED]
        shown = [v["state"] for k, v in daemon.store.alarm_states().items() if k[1] == "element-breach"]
    return found, shown[0] if shown else None, skid


@pytest.mark.timeout(3_600)
def test_an_element_torn_while_the_daemon_was_off_is_told_in_time_and_stands_until_acknowledged(tmp_path: Path) -> None:
    missed = []
    for n, outage in zip(range(WANTED), outages(torn=True), strict=False):
        (tmp_path / str(n)).mkdir()
        found, shown, _ = told(tmp_path / str(n), outage)
        in_time = [e for e in found if e.time <= (outage.again + (outage.within or 0)) * NS]
        if not in_time or shown != "unacknowledged" or in_time[0].detail != "after-restart":
            missed.append((outage.recording.seed, found, shown))
    assert not missed


@pytest.mark.timeout(3_600)
def test_nothing_is_told_where_nothing_was_lost_while_the_daemon_was_off(tmp_path: Path) -> None:
    false = []
    for n, outage in zip(range(WANTED), outages(torn=False), strict=False):
        (tmp_path / str(n)).mkdir()
        found, _, _ = told(tmp_path / str(n), outage)
        false += [(outage.recording.seed, found)] if found else []
    assert not false
