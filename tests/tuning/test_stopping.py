"""A search in processes is stopped as services are, killed as nobody should be, and taken up by another program."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pytest
from commands.helpers import ROOT
from services import eventually

from monitor.tuning import tried
from monitor.tuning.passes import Task
from monitor.tuning.tried import NAME, Tried
from monitor.tuning.workers import processes
from tests.tuning.hatchery import WrittenPlant, materials, two_kinds

SPRING = ROOT / "replay_data/spring-runoff"
POOR = '[alarm.dp-limit]\nlimit = "25 %"\non_delay = "0 s"\n'

pytestmark = pytest.mark.timeout(300)


@pytest.fixture
def search(tmp_path: Path) -> subprocess.Popen[str]:
    """`bagwright tune` in two processes and a group of its own, with more sets than it will be left time for."""
    (tmp_path / "skid.toml").write_text((SPRING / "skid.toml").read_text(encoding="utf-8") + POOR, encoding="utf-8")
    words = ["tune", SPRING / "recording.csv.gz", "--labels", SPRING / "labels.json", "--config", "skid.toml",
             "--out", "tuned", "--processes", 2, "--sets", 100_000]  # fmt: skip
    return subprocess.Popen([sys.executable, "-m", "monitor", *map(str, words)], cwd=tmp_path, start_new_session=True,
                            env=os.environ | {"PYTHONPATH": str(ROOT)}, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                            text=True)  # fmt: skip


def living(group: int) -> list[int]:
    """Processes of a group that have not ended, by Linux' own table (proc(5), stat)."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            state, _, its_group = stat.read_text().rpartition(")")[2].split()[:3]
            if int(its_group) == group and state != "Z":
                found.append(int(stat.parent.name))
    return found


def under_way(process: subprocess.Popen[str], folder: Path) -> list[int]:
    """Its processes, once some sets have been tried."""
    def some() -> bool:
        assert process.poll() is None, process.communicate()
        return (folder / "tuned" / NAME).is_file() and (folder / "tuned" / NAME).read_text().count("\n") > 20

    eventually(some, 240, "twenty sets")
    return living(process.pid)


def test_a_group_that_is_told_to_end_writes_the_best_so_far_and_leaves_no_process(
    search: subprocess.Popen[str], tmp_path: Path
) -> None:
    children = under_way(search, tmp_path)
    os.killpg(search.pid, signal.SIGTERM)
    _, err = search.communicate(timeout=60)
    assert search.returncode == 0, err
    assert "stopping" in err and "Stopped before its end" in err and "Traceback" not in err
    numbers = json.loads((tmp_path / "tuned/tuning.json").read_text())
    assert not numbers["finished"] and "alarm.dp-limit.limit" in numbers["changes"]
    assert (numbers["today"]["by_kind"]["dp-limit"]["false"], numbers["recommended"]["together"]["false"]) == (1, 0)
    assert "What leaving it would cost was not tried before the stop" in (
        tmp_path / "tuned/recommended.toml").read_text()  # fmt: skip
    assert len(children) >= 3
    eventually(lambda: not living(search.pid), 20, "the end of every process")


def test_processes_whose_parent_was_killed_end_by_themselves(search: subprocess.Popen[str], tmp_path: Path) -> None:
    assert len(under_way(search, tmp_path)) >= 3
    search.kill()
    eventually(lambda: not living(search.pid), 20, "their end")
    search.communicate()


def test_a_pool_that_is_slow_to_notice_the_stop_writes_no_traceback(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its thread finds the processes dead before it hears that nothing is wanted any more."""
    raised: list[threading.ExceptHookArgs] = []
    monkeypatch.setattr(threading, "excepthook", raised.append)
    shutdown = ProcessPoolExecutor.shutdown

    def late(pool: ProcessPoolExecutor, **how: bool) -> None:
        time.sleep(1.0)
        shutdown(pool, **how)

    monkeypatch.setattr(ProcessPoolExecutor, "shutdown", late)
    made = materials(tmp_path, 40)
    with processes(made, 1) as workers:
        assert workers.run([Task(place, {}) for place in range(len(made))], lambda done: bool(time.sleep(0.3))) == {}
    assert raised == []


def test_what_another_program_has_tried_counts_for_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made, path = materials(tmp_path), tmp_path / NAME
    assert Tried(made, [], WrittenPlant(two_kinds), path).results([{}])[0] is not None
    again = WrittenPlant(two_kinds)
    assert Tried(made, [], again, path).results([{}])[0] is not None and again.asked == []
    monkeypatch.setattr(tried, "sources_digest", lambda besides: "of other sources")
    other = Tried(made, [], again, path)
    assert other.begun_anew and other.results([{}])[0] is not None and len(again.asked) == len(made)
