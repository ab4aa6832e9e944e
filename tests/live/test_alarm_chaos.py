"""kill -9 at random moments with a receiver that fails at random: no reading, no step of an alarm and no push is lost,
none is there twice, and the alarms stand as if nothing had happened."""

from __future__ import annotations

import json
import os
import random
import threading
import time
from pathlib import Path
from typing import Any

import pytest
from notify.servers import RESET, Answer, Asked, HttpServer
from services import eventually, mosquitto

from monitor.alarms.catalogue import MONITOR
from monitor.alarms.desk import Desk
from monitor.config import load
from monitor.model import NS
from monitor.notify.webhook import header_id
from monitor.store import Reader
from tests.live.clogging import COLUMNS, clogging_run, messages
from tests.live.conftest import Peer
from tests.live.daemon import DaemonProcess, Publisher, wait_for_rows, write_config
from tests.live.test_daemon import PATIENT_BROKER, judged_alone, wait_for_subscription

KILLS = int(os.environ.get("BAGWRIGHT_KILLS", "20"))
A_SECOND = 1_500        # messages
SECONDS = 4.0           # of life between kills at most: some come before the daemon is even up
SECONDS_A_RUN = 260
GAP = 30


def stream() -> tuple[set[tuple[int, str, float]], list[tuple[str, bytes]]]:
    """Readings for as long as the kills take, in runs that each raise and clear alarms."""
    size = int(KILLS * SECONDS * 0.6 * A_SECOND)
    span = SECONDS_A_RUN + GAP
    runs = max(3, size // (3 * 10 * SECONDS_A_RUN))
    start = (time.time_ns() - (runs * span + 3_600) * NS) // NS * NS
    good: set[tuple[int, str, float]] = set()
    sent: list[tuple[str, bytes]] = []
    for run in range(runs):
        rows, begin = clogging_run(run), start + run * span * NS
        sent += messages(rows, begin)
        for k, row in enumerate(rows):
            good |= {(begin + k * NS // 10, name, float(v)) for name, v in zip(COLUMNS, row, strict=True)}
    return good, sent


def feed(port: int, sent: list[tuple[str, bytes]], done: threading.Event) -> None:
    publisher = Publisher(port)
    eventually(publisher.client.is_connected, 20)
    piece = A_SECOND // 10
    for i in range(0, len(sent), piece):
        assert publisher.send(sent[i : i + piece], patience=60)
        time.sleep(0.1)
    publisher.close()
    done.set()


@pytest.mark.timeout(3_600)
def test_kills_at_random_moments_lose_nothing_and_say_nothing_under_two_names(tmp_path: Path) -> None:
    chance, seed = random.Random(11), random.Random(12)
    good, sent = stream()
    failing = threading.Event()
    failing.set()

    def answer(asked: Asked) -> Answer:
        return seed.choice([Answer(), Answer(), Answer(503), RESET]) if failing.is_set() else Answer()

    with HttpServer(answer) as hook, mosquitto(tmp_path, config_extra=PATIENT_BROKER) as broker:
        config = write_config(tmp_path, broker.port, more='lateness = "20 s"')
        config.write_text(config.read_text() + f'\n[[notify.webhook]]\nurl = "{hook.url}/hook"\n')
        listener = Peer(broker.settings(client_id="room"), "bagwright/+/event")
        with DaemonProcess(config) as daemon:
            wait_for_subscription(daemon)
            done = threading.Event()
            feeder = threading.Thread(target=feed, args=(broker.port, sent, done))
            feeder.start()
            for _ in range(KILLS):
                time.sleep(chance.uniform(0.0, SECONDS))
                daemon.kill()
                daemon.start()
            feeder.join()
            failing.clear()
            assert wait_for_rows(tmp_path / "rig.db", "rig", len(good), seconds=300) == len(good)
            eventually(lambda: told_out(tmp_path / "rig.db"), 300, "everything is sent")
            assert daemon.stop() == 0
        heard = {json.loads(payload)["id"] for _, payload, _ in listener.heard}
        listener.close()
    check(tmp_path, config, good, hook, heard)


def told_out(path: Path) -> bool:
    with Reader.open(path) as reader:
        return all(told["queued"] == 0 for told in reader.outbox().values())


def check(folder: Path, config: Path, good: set[Any], hook: HttpServer, heard: set[str]) -> None:
    with Reader.open(folder / "rig.db") as reader:
        stored = reader.rows("rig", 0, 2**62, list(COLUMNS))
        fed = reader.rows("rig", 0, 2**62, list(COLUMNS), fed_only=True)
        live = reader.events(limit=100_000)
        journal = reader.journal("rig", limit=100_000)
        states = {k: v for k, v in reader.alarm_states().items() if k[0] == "rig"}
    rows = list(zip(stored.time.tolist(), (COLUMNS[s] for s in stored.signal), stored.value.tolist(), strict=True))
    assert len(rows) == len(good) and set(rows) == good
    pushed: dict[str, set[str]] = {}
    for asked in hook.asked:
        pushed.setdefault(json.loads(asked.body)["id"], set()).add(asked.headers["webhook-id"])
    assert pushed == {e.id: {header_id(e.id)} for e in live}
    assert heard == {e.id for e in live}
    own = [e for e in live if e.skid != MONITOR]
    undisturbed = Desk(load(config).skids)
    for event in judged_alone(config, fed, own):
        undisturbed.event(event)
    changes = undisturbed.take()
    assert sorted((e.id, e.time, e.before, e.after) for e in journal) == sorted(
        (e.id, e.time, e.before, e.after) for e in changes.entries)
    assert {k: v["state"] for k, v in states.items()} == {k: v["state"] for k, v in changes.states.items()}
    assert {k: v["causes"] for k, v in states.items() if "causes" in v} == {
        k: v["causes"] for k, v in changes.states.items() if "causes" in v}
    assert len(changes.entries) >= 4, "the stream moves alarms"
    print(f"\n{KILLS} kills, {len(rows)} readings, {len(live)} events, {len(journal)} steps, "
          f"{len(hook.asked)} requests for {len(pushed)} pushes")
