"""The folder of a replay's results: what is replaced, what stays, and when."""

from __future__ import annotations

import json
import os
import pty
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from commands.helpers import HEADER, Running, assert_for_people, bagwright, environment, minutes, skid
from replay.recordings import files
from services import eventually

WRITTEN = {"changeouts.csv", "elements.jsonl", "events.jsonl", "forecasts.csv", "minutes.csv", "quarantine.csv",
           "report.html"}
COLUMNS = {
    "changeouts.csv": ["skid", "vessel", "isolated_at", "returned_at", "life_h", "volume_m3", "dp_before_bar",
                       "dp_after_bar", "resistance_ratio", "verdict"],
    "forecasts.csv": ["time", "skid", "p10_h", "p50_h", "p90_h"],
    "minutes.csv": ["time", "dp_normalised_bar", "dp_bar", "flow_m3_h"],
}  # fmt: skip
pytestmark = pytest.mark.timeout(300)


def replay(folder: Path, recording: str) -> int:
    done = bagwright("replay", recording, "--config", skid(folder), "--out", "results", cwd=folder)
    assert_for_people(done)
    return done.code


def test_a_replay_replaces_its_own_files_and_nothing_else(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(HEADER + minutes(2))
    results = tmp_path / "results"
    results.mkdir()
    (results / "notes.txt").write_text("the technician's own")
    (results / "events.jsonl").write_text("of another replay\n")
    (results / "old").mkdir()
    assert replay(tmp_path, "a.csv") == 0
    assert set(files(results)) == WRITTEN | {"notes.txt"} and (results / "old").is_dir()
    assert (results / "notes.txt").read_text() == "the technician's own"
    assert (results / "events.jsonl").read_text() == ""


def test_what_is_written_has_the_columns_of_the_contract(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(HEADER + minutes(2))
    assert replay(tmp_path, "a.csv") == 0
    for name, columns in COLUMNS.items():
        first = (tmp_path / "results" / name).read_text(encoding="utf-8").splitlines()[0]
        assert first.split(",")[: len(columns)] == columns


def test_an_unusable_recording_leaves_the_earlier_results(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(HEADER + minutes(2))
    (tmp_path / "b.csv").write_text(HEADER + "noon,3,2,40\n")
    assert replay(tmp_path, "a.csv") == 0
    before = files(tmp_path / "results")
    assert replay(tmp_path, "b.csv") == 2
    assert files(tmp_path / "results") == before


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_a_replay_that_is_stopped_half_way_leaves_the_earlier_results(tmp_path: Path, how: signal.Signals) -> None:
    (tmp_path / "a.csv").write_text(HEADER + minutes(2))
    (tmp_path / "long.csv").write_text(HEADER + "noon,3,2,40\n" + minutes(900) * 12)
    assert replay(tmp_path, "a.csv") == 0
    results = tmp_path / "results"
    before = files(results)
    words = ["replay", "long.csv", "--config", skid(tmp_path), "--out", "results"]
    with Running(*words, cwd=tmp_path) as run:
        eventually(lambda: len(files(results)) > len(before) or run.process.poll() is not None, 100)
        run.process.send_signal(how)
        done = run.ends()
    after = files(results)
    if how is signal.SIGKILL:       # nobody could tidy up
        assert {name for name in after if name not in before} <= {f".{name}.part" for name in WRITTEN}
    else:
        assert done.code == 130 and done.err.strip() == "bagwright: stopped" and set(after) == set(before)
    assert {name: after[name] for name in before} == before
    assert replay(tmp_path, "a.csv") == 0
    assert files(results) == before


def terminal(words: list[str], folder: Path) -> bytes:
    """What a command shows on a terminal of 80 columns."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen([sys.executable, "-m", "monitor", *words], cwd=folder, stdin=theirs, stdout=theirs,
                               stderr=theirs, env=environment(COLUMNS="80", TERM="xterm"))
    os.close(theirs)
    shown, deadline = b"", time.monotonic() + 200
    while time.monotonic() < deadline:
        try:
            more = os.read(ours, 65_536)
        except OSError:     # the other side has closed
            break
        if not more:
            break
        shown += more
    os.close(ours)
    assert process.wait(10) == 0, shown
    return shown


def test_a_bar_is_shown_on_a_terminal_only(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(HEADER + minutes(120))
    words = ["replay", "a.csv", "--config", str(skid(tmp_path)), "--out", "results"]
    shown = terminal(words, tmp_path)
    assert b"replaying" in shown and b"100%" in shown and b"21,600 used" in shown
    done = bagwright(*words, cwd=tmp_path)
    assert done.code == 0 and done.err == "" and "replaying" not in done.out


def test_the_summary_says_what_was_used_set_aside_and_found(tmp_path: Path) -> None:
    stuck = "".join(f"2025-03-01T08:{i // 60:02d}:{i % 60:02d}Z,3.0,12.0,40\n" for i in range(120))
    (tmp_path / "a.csv").write_text(HEADER + stuck)
    done = bagwright("replay", "a.csv", "--config", skid(tmp_path), "--out", "results", cwd=tmp_path)
    assert done.code == 0
    assert done.out.splitlines() == [
        "readings  240 used",
        "set aside 120, each with its reason in quarantine.csv: 120 out-of-range",
        "events    1 signal-fault raised",
        "written   results/report.html to look at; events.jsonl and tables beside it",
    ]
    (event,) = [json.loads(line) for line in (tmp_path / "results/events.jsonl").read_text().splitlines()]
    assert (event["signal"], event["detail"]) == ("PT-102", "out-of-range")
