"""The first replay of a case says what `replay` says; progress for a log is sparse."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from monitor.commands.progress import Lines
from monitor.config import load
from monitor.ingest.recording import open_recordings
from monitor.replay.first import first_replay
from monitor.replay.run import replay
from monitor.times import to_rfc3339

FOLDER = Path(__file__).parents[2] / "replay_data/unseated-element"


def test_a_first_replay_says_what_a_replay_says_however_it_is_cut(tmp_path: Path) -> None:
    skid = load(FOLDER / "skid.toml").skids[0]
    summary = replay([FOLDER / "recording.csv.gz"], skid, tmp_path / "out")
    found = [first_replay(open_recordings([FOLDER / "recording.csv.gz"], skid, chunk_rows=n), skid)
             for n in (700, 500_000)]
    for one in found:
        assert one.output.events == summary.events and one.summary.used == summary.used
        assert one.output.lives == summary.lives
        assert (to_rfc3339(one.first), one.last) == (to_rfc3339(found[0].first), found[0].last)
    times = [np.concatenate([part.time for part in one.minutes]) for one in found]
    assert np.array_equal(*times) and times[0].size > 100


def test_lines_are_told_only_of_what_takes_long(capsys: pytest.CaptureFixture[str]) -> None:
    now = 0.0
    lines = Lines(lambda: now)
    for second in range(1, 101):
        now = float(second)
        lines.show(second / 100)
    told = capsys.readouterr().err.splitlines()
    assert told == [f"replaying: {n} % read, about {100 - n} s left" for n in (20, 40, 60, 80)]
