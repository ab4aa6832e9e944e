"""A shard's process that is stopped in the middle, loses its shard and goes on: nothing of what it then does counts."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from nodes import ROOT
from services import eventually, mosquitto, postgres

from tests.fleet.receiver import Receiver
from tests.fleet.yard import Load, asked, configured, stored

pytestmark = pytest.mark.timeout(300)
SKIDS = 6
RUN = """
import sys, threading, pathlib
from monitor.config import load
from monitor.fleet.database import url_of
from monitor.fleet.runner import run_shard
from monitor.fleet.shards import settings_of
settings = load(pathlib.Path(sys.argv[1]))
run_shard(settings_of(settings, 0), 0, url_of(settings), threading.Event(), print)
"""


def begun(config: Path, log: Path) -> subprocess.Popen[bytes]:
    with log.open("wb") as file:
        return subprocess.Popen([sys.executable, "-u", "-c", RUN, str(config)], stdout=file, stderr=file,
                                env=os.environ | {"PYTHONPATH": str(ROOT)})  # fmt: skip


def test_who_was_stopped_and_lost_its_shard_commits_nothing_and_tells_nobody(tmp_path: Path) -> None:
    with mosquitto(tmp_path) as broker, postgres(tmp_path) as database, Receiver() as receiver:
        config = configured(tmp_path, broker, database, SKIDS, 1, receiver.config)
        first = begun(config, tmp_path / "first.log")
        second = None
        try:
            # The broker keeps what is published for a session that it knows.
            eventually(lambda: "connected" in (tmp_path / "first.log").read_text(), 90, "the first listens")
            with Load(broker.port, SKIDS) as load:
                eventually(lambda: len(receiver.told) >= 4, 60, "alarms told by the first")
                receiver.answering.clear()      # the next push is under way, others wait behind it in its hands
                eventually(lambda: asked(database, "SELECT count(*) FROM notice WHERE channel LIKE 'webhook%'"
                                                   " AND state = 'queued'")[0][0] >= 4, 60, "pushes that wait")
                first.send_signal(signal.SIGSTOP)
                under_way, before = set(receiver.told), set(load.sent)
                receiver.answering.set()
                second = begun(config, tmp_path / "second.log")
                eventually(lambda: len(stored(database) - before) > 2 * SKIDS, 150, "the second has taken over")
                eventually(lambda: len(receiver.told) > len(under_way) + 4, 60, "it tells what waited, and more")
                first.send_signal(signal.SIGCONT)
                assert first.wait(30) != 0
            eventually(lambda: stored(database) >= load.sent, 30, "all that was published is stored")
            eventually(lambda: not asked(database, "SELECT 1 FROM notice WHERE state = 'queued'"), 30, "all is sent")
        finally:
            for process in (first, second):
                if process is not None:
                    process.kill()
                    process.wait()
        assert stored(database) == load.sent and load.refused == 0
        words = (tmp_path / "first.log").read_text()
        assert "epoch in force 2, ours 1" in words and "epoch in force" not in (tmp_path / "second.log").read_text()
        # What was under way at the stop has no answer and is told again, under its own key; nothing else is.
        again = {key for key, count in receiver.told.items() if count > 1}
        assert len(again) <= 1 and again <= under_way
        raised = {row[0] for row in asked(database, "SELECT id FROM event")}
        assert set(receiver.told) == raised and len(raised) > len(under_way) + 4
