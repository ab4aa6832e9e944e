"""A fleet on two real nodes of Ray: a node is killed under load, and comes back. Nothing is lost, nothing told under a
second key, whole shards move."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
from nodes import ROOT, Cluster
from services import eventually, mosquitto, postgres

from tests.fleet.receiver import Receiver
from tests.fleet.yard import Load, asked, configured, stored

pytestmark = [pytest.mark.needs("ray"), pytest.mark.timeout(300)]
SKIDS, SHARDS = 8, 2
EVERY = {f"yard-{n}" for n in range(SKIDS)}


@contextmanager
def keeper(config: Path, nodes: Cluster, log: Path) -> Iterator[subprocess.Popen[bytes]]:
    """`bagwright fleet run`, and the end of the shards afterwards."""
    words = ["--config", str(config), "--cluster", nodes.address]
    with log.open("wb") as file:
        process = subprocess.Popen([sys.executable, "-u", "-m", "monitor", "fleet", "run", *words], stdout=file,
                                   stderr=file, env=nodes.environment)  # fmt: skip
    try:
        yield process
    finally:
        process.terminate()
        process.wait(20)
        subprocess.run([sys.executable, "-m", "monitor", "fleet", "stop", *words], env=nodes.environment, timeout=90,
                       check=True, stdout=subprocess.DEVNULL)  # fmt: skip


def shown(config: Path, what: str) -> list[dict[str, Any]]:
    done = subprocess.run([sys.executable, "-m", "monitor", "fleet", what, "--json", "--config", str(config)],
                          env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True, text=True)  # fmt: skip
    assert done.returncode == 0, done.stderr
    found: list[dict[str, Any]] = json.loads(done.stdout)
    return found


@contextmanager
def page(config: Path) -> Iterator[httpx.Client]:
    """`bagwright fleet page`."""
    process = subprocess.Popen([sys.executable, "-u", "-m", "monitor", "fleet", "page", "--port", "0", "--config",
                                str(config)], stdout=subprocess.PIPE, text=True,
                               env=os.environ | {"PYTHONPATH": str(ROOT)})  # fmt: skip
    assert process.stdout is not None
    with process.stdout:
        try:
            address = process.stdout.readline().partition("page at ")[2].strip()
            with httpx.Client(base_url=address, timeout=20, trust_env=False) as client:
                yield client
        finally:
            process.terminate()
            process.wait(20)


def shelved_on_the_page(client: httpx.Client) -> None:
    """Every skid of every shard is on one overview and in one list; what is asked there is done by its shard."""
    for path in ("/", "/alarms"):
        text = client.get(path).raise_for_status().text
        assert all(skid in text for skid in EVERY), path
    assert "dP" in client.get("/skid/yard-1").raise_for_status().text
    for skid in sorted(EVERY)[1:3]:
        body = {"action": "shelve", "target": f"{skid}/dp-limit", "who": "bo", "why": "being changed", "for_s": 3600}
        number = client.post("/api/v1/requests", json=body).raise_for_status().json()["id"]
        eventually(lambda number=number: client.get(f"/api/v1/requests/{number}").json()["answer"] is not None,  # type: ignore[misc]
                   30, "its shard has answered")  # fmt: skip
        assert "refused" not in client.get(f"/api/v1/requests/{number}").json()["answer"]
    shelved = [a for a in client.get("/api/v1/alarms").json() if a["state"] == "shelved"]
    assert sorted(a["skid"] for a in shelved) == sorted(EVERY)[1:3]
    assert "bagwright_alarms" in client.get("/metrics").raise_for_status().text


def test_a_node_that_is_killed_under_load_costs_nothing_and_one_that_comes_takes_its_share(
    nodes: Cluster, tmp_path: Path
) -> None:
    with mosquitto(tmp_path) as broker, postgres(tmp_path) as database, Receiver() as receiver:
        config = configured(tmp_path, broker, database, SKIDS, SHARDS, receiver.config)

        def epochs() -> dict[int, int]:
            return dict(asked(database, "SELECT shard, epoch FROM lease"))  # type: ignore[arg-type]

        def listening() -> bool:
            return broker.log.count("as bagwright-") >= SHARDS

        with keeper(config, nodes, tmp_path / "keeper.log"):
            eventually(listening, 120, "both shards listen")
            first = epochs()
            with Load(broker.port, SKIDS) as load:
                eventually(lambda: {key.partition("/")[0] for key in receiver.told} >= EVERY, 60, "alarms of all skids")
                asked_for = ["act", "ack", "yard-0/dp-limit", "--by", "ann", "--why", "seen", "--config", str(config)]
                done = subprocess.run([sys.executable, "-m", "monitor", "fleet", *asked_for], env=nodes.environment,
                                      capture_output=True, text=True)  # fmt: skip
                assert done.returncode == 0, done.stderr
                with page(config) as client:
                    shelved_on_the_page(client)
                nodes.nodes[1].kill()
                eventually(lambda: any(epochs()[s] > first[s] for s in first), 60, "the shard is taken over")
                known = set(load.sent)
                eventually(lambda: len({skid for skid, *_ in stored(database) - known}) == SKIDS, 60,
                           "readings of every skid go on")  # fmt: skip
                second = epochs()
                assert [s for s in first if second[s] == first[s]], "the other node's shard was let alone"
                nodes.add()
                eventually(lambda: epochs() != second, 90, "a shard moved to the new node")
            eventually(lambda: stored(database) >= load.sent, 60, "all that was published is stored")
            eventually(lambda: not asked(database, "SELECT 1 FROM notice WHERE state = 'queued'"), 30, "all is sent")
        assert stored(database) == load.sent and load.refused == 0
        raised = {row[0] for row in asked(database, "SELECT id FROM event WHERE id NOT LIKE 'monitor/%'")}
        assert {key for key in receiver.told if not key.startswith("monitor/")} == raised and len(raised) > SKIDS
        assert asked(database, "SELECT count(*) FROM journal WHERE body::json->>'who' = 'ann'") == [(1,)]
        states = shown(config, "status")
        assert [state["shard"] for state in states] == [0, 1] and sum(s["skids"] for s in states) == SKIDS
        alarmed = {alarm["id"].partition("/")[0] for alarm in shown(config, "alarms")}
        assert alarmed >= EVERY
