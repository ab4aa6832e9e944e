"""A real Ray cluster of several nodes on this machine, each node a tree of processes of its own that can be killed.

    with ray_cluster(tmp_path, nodes=2) as cluster:
        ... cluster.address, cluster.environment ...
        cluster.nodes[1].kill()     # kill -9: its raylet and its workers
"""

from __future__ import annotations

import contextlib
import os
import secrets
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from services import eventually, free_port

ROOT = Path(__file__).parents[1]
STORE = 80 << 20        # bytes of Ray's store of objects; its least is 75 MiB
START_S = 60


def descendants(pid: int) -> list[int]:
    """A process and all below it, by Linux' own table (proc(5), stat)."""
    children: dict[int, list[int]] = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            parent = int(stat.read_text().rpartition(")")[2].split()[1])
            children.setdefault(parent, []).append(int(stat.parent.name))
    found = [pid]
    for one in found:
        found += children.get(one, [])
    return found


class Node:
    """One `ray start --block`."""

    def __init__(self, words: list[str], environment: dict[str, str], log: Path, store: int) -> None:
        self.log = log
        with open(log, "wb") as file:
            self.process = subprocess.Popen(
                [str(Path(sys.executable).with_name("ray")), "start", "--block", "--disable-usage-stats",
                 f"--object-store-memory={store}", *words], stdout=file, stderr=subprocess.STDOUT, env=environment,
                start_new_session=True)  # fmt: skip

    def up(self) -> bool:
        text = self.log.read_text(errors="replace")
        assert self.process.poll() is None, text
        return "Ray runtime started" in text

    def pids(self) -> list[int]:
        return descendants(self.process.pid)

    def kill(self) -> None:
        """Stopped first, so that none begins another meanwhile; then kill -9."""
        self.tell(signal.SIGSTOP)
        self.tell(signal.SIGKILL)
        self.process.wait(10)

    def tell(self, number: signal.Signals) -> None:
        """A signal to every process of the node."""
        for pid in self.pids():
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, number)


@dataclass
class Cluster:
    """Nodes, the first of them the head. environment: what a program needs to join. store: bytes, of each node."""

    folder: Path
    port: int
    environment: dict[str, str]
    store: int
    nodes: list[Node] = field(default_factory=list)

    @property
    def address(self) -> str:
        return f"127.0.0.1:{self.port}"

    def add(self, cpus: int = 1) -> Node:
        head = [f"--address={self.address}"] if self.nodes else [
            "--head", f"--port={self.port}", "--include-dashboard=false", f"--temp-dir={self.folder}",
            "--min-worker-port=0", "--max-worker-port=0"]  # fmt: skip
        node = Node([*head, f"--num-cpus={cpus}"], self.environment, self.folder / f"node-{len(self.nodes)}.log",
                    self.store)
        self.nodes.append(node)
        eventually(node.up, START_S, "a node of Ray that is up")
        return node


@contextlib.contextmanager
def ray_cluster(folder: Path, nodes: int = 2, cpus: int = 1, store: int = STORE) -> Iterator[Cluster]:
    """folder: a short path (Ray keeps sockets below it). Nothing of it runs any more afterwards."""
    folder.mkdir(exist_ok=True)
    environment = os.environ | {
        "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'tests'}", "RAY_USAGE_STATS_ENABLED": "0", "RAY_AUTH_MODE": "token",
        "RAY_AUTH_TOKEN": secrets.token_hex(32), "OMP_NUM_THREADS": "1",
        "RAY_worker_niceness": "0",     # or what runs beside starves the shards, which Ray begins at 15
        # A node is dead after two seconds of silence, not after fifteen.
        "RAY_health_check_period_ms": "500", "RAY_health_check_failure_threshold": "4"}  # fmt: skip
    cluster = Cluster(folder, free_port(), environment, store)
    try:
        for _ in range(nodes):
            cluster.add(cpus)
        yield cluster
    finally:
        for node in cluster.nodes:
            node.kill()
