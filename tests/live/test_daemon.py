"""The daemon end to end: the same events as a replay, and nothing lost whatever is killed on the way."""

from __future__ import annotations

import os
import random
import time
from pathlib import Path

import numpy as np
import pytest
from services import eventually, free_port, mosquitto

from monitor.config import load
from monitor.engine.engine import Engine
from monitor.model import NS, Rows
from monitor.replay.run import replay
from monitor.store import Reader
from tests.live.clogging import COLUMNS, clogging_run, messages, write_csv
from tests.live.daemon import DaemonProcess, Publisher, wait_for_rows, write_config

PATIENT_BROKER = "max_queued_messages 0\nmax_inflight_messages 0\n"
# 200,000 messages and ten kills of each in a full run; a tenth in everyday ones.
MESSAGES = int(os.environ.get("BAGWRIGHT_CHAOS", "20000"))
KILLS = 10 if MESSAGES >= 200_000 else 3


def summary(events):
    """What events say, by time. The store gives them newest first: two of one second then stand the other way round."""
    ordered = sorted(events, key=lambda e: (e.time, e.kind, str(e.transition)))
    return [(e.kind, str(e.transition), e.time, round(e.value or 0.0, 5)) for e in ordered]


@pytest.mark.timeout(180)
@pytest.mark.parametrize("seed", [1, 2])
def test_messages_through_a_broker_give_the_events_of_a_replay(tmp_path, seed):
    rows = clogging_run(seed)
    start = (time.time_ns() - 400 * NS) // NS * NS
    write_csv(tmp_path / "run.csv", rows, start)
    with mosquitto(tmp_path, config_extra=PATIENT_BROKER) as broker:
        config = write_config(tmp_path, broker.port)
        with DaemonProcess(config) as daemon:
            publisher = Publisher(broker.port)
            wait_for_subscription(daemon)
            assert publisher.send(messages(rows, start), patience=60)
            wanted = int(np.isfinite(rows).sum())
            assert wait_for_rows(tmp_path / "rig.db", "rig", wanted) == wanted
            publisher.close()
            assert daemon.stop() == 0
    replayed = replay([tmp_path / "run.csv"], load(config).skids[0], tmp_path / "out").events
    with Reader.open(tmp_path / "rig.db") as reader:
        live = reader.events(limit=1000)
    last = start + len(rows) * NS // 10
    assert summary(e for e in live if e.time < last) == summary(replayed)
    assert [e.kind for e in replayed if e.kind == "changeout-due"] == ["changeout-due"]


def wait_for_subscription(daemon: DaemonProcess) -> None:
    deadline = time.monotonic() + 60
    while "connected" not in daemon.log.read_text() and time.monotonic() < deadline:
        time.sleep(0.1)


def wait_for_save(broker: mosquitto) -> None:
    """Until the broker has saved what it knows now. A session that it has never saved is gone with a kill, and what it
    takes in before the daemon is back belongs to nobody."""
    now, kept = time.time(), broker.folder / "mosquitto.db"
    eventually(lambda: kept.exists() and kept.stat().st_mtime > now + 0.05, 10, "a save")


@pytest.mark.timeout(900)
def test_nothing_is_lost_or_stored_twice_when_broker_and_daemon_are_killed(tmp_path):
    chance = random.Random(7)
    good, sent, rubbish = spoiled_stream(chance)
    port = free_port()
    extra = PATIENT_BROKER + "autosave_interval 1\n"
    with mosquitto(tmp_path, port=port, config_extra=extra) as broker:
        config = write_config(tmp_path, port, more='lateness = "20 s"')
        with DaemonProcess(config) as daemon:
            wait_for_subscription(daemon)
            wait_for_save(broker)
            publish_with_kills(chance, sent, broker, daemon, port)
            have = wait_for_rows(tmp_path / "rig.db", "rig", len(good), seconds=120)
            assert daemon.stop() == 0
    assert have == len(good)
    with Reader.open(tmp_path / "rig.db") as reader:
        stored = reader.rows("rig", 0, 2**62, list(COLUMNS))
        fed = reader.rows("rig", 0, 2**62, list(COLUMNS), fed_only=True)
        counts = {c.reason: c.number for c in reader.quarantine_counts()}
        live = reader.events(limit=10_000)
    columns = (stored.time.tolist(), stored.signal.tolist(), stored.value.tolist())
    kept = {(t, COLUMNS[s], v) for t, s, v in zip(*columns, strict=True)}
    assert kept == good
    # Each bad message was sent at least once; what was sent again counts again.
    for reason, number in rubbish.items():
        assert counts.get(reason, 0) >= number, (reason, counts)
    assert summary(live) == summary(judged_alone(config, fed, live))


def judged_alone(config: Path, fed: Rows, live) -> list:
    """Events of an undisturbed run over what was stored, as far as time went without rows at the end."""
    engine = Engine(load(config).skids)
    output, _ = engine.feed({0: fed})
    rest = engine.advance({0: max([e.time for e in live], default=0) + engine.sequencers[0].lateness})
    return output.events + rest.events


def spoiled_stream(chance: random.Random):
    """Readings that must be stored; messages with repeats, disorder and 1 % rubbish; rubbish by reason."""
    start = (time.time_ns() - 40_000 * NS) // NS * NS
    per_run = clogging_run(0).shape[0]
    stream: list[tuple[str, bytes]] = []
    good: set[tuple[int, str, float]] = set()
    run = 0
    while len(stream) < MESSAGES:
        rows, begin = clogging_run(run), start + run * (per_run // 10 + 30) * NS
        stream += messages(rows, begin)
        for k, row in enumerate(rows):
            good |= {(begin + k * NS // 10, name, float(v)) for name, v in zip(COLUMNS, row, strict=True)}
        run += 1
    for i in chance.sample(range(len(stream) - 40), len(stream) // 50):    # disorder
        j = i + chance.randrange(1, 40)
        stream[i], stream[j] = stream[j], stream[i]
    repeats = [(i + 30, stream[i]) for i in chance.sample(range(len(stream) - 40), len(stream) // 50)]
    bad = {"undecodable": b"12,5", "not-finite": b'{"value": NaN}', "bad-time": b'{"time": "yesterday", "value": 1}'}
    rubbish = dict.fromkeys(bad, 0)
    for i in chance.sample(range(len(stream)), len(stream) // 100):
        reason = chance.choice(sorted(bad))
        rubbish[reason] += 1
        repeats.append((i, ("rig/up", bad[reason])))
    for i, message in sorted(repeats, key=lambda x: -x[0]):
        stream.insert(i, message)
    return good, stream, rubbish


UNSAVED_S = 5.0     # a killed broker loses what came since its last save, once a second here


def first_since(sent_at: dict[int, float], moment: float) -> int:
    """The first piece that was sent at or after a moment: a gateway's buffer begins there."""
    return min((i for i, at in sent_at.items() if at >= moment), default=0)


def publish_with_kills(chance, stream, broker, daemon, port) -> None:
    """Send it in pieces; between and during them kill the broker or the daemon. What was not confirmed, and what
    a killed broker may have had in hand, is sent again."""
    publisher = Publisher(port)
    piece = 500
    moments = chance.sample(range(1, len(stream) // piece - 1), 2 * KILLS)
    victims = dict(zip(moments, ["broker", "daemon"] * KILLS, strict=True))
    sent_at: dict[int, float] = {}
    i = 0
    while i * piece < len(stream):
        part = stream[i * piece : (i + 1) * piece]
        victim = victims.pop(i, None)
        if victim == "daemon":
            publisher.send(part[: piece // 2])
            daemon.kill()
            daemon.start()
        elif victim == "broker":
            publisher.send(part[: piece // 2])
            killed = time.monotonic()       # before it: to start and connect may take a loaded machine many seconds
            broker.kill()
            broker.start()
            publisher.reconnect()
            i = first_since(sent_at, killed - UNSAVED_S)
            continue
        if publisher.send(part):
            sent_at[i] = time.monotonic()
            i += 1
        else:
            publisher.reconnect()
    publisher.close()
