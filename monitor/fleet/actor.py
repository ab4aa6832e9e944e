"""A shard as an actor of Ray. Where its process or node dies, Ray begins it again elsewhere: it then takes the lease
over, which fences off whoever still believes to have it."""

from __future__ import annotations

import os
import threading
import time
from typing import NamedTuple

from monitor.compiled import sources_digest
from monitor.daemon.heart import Heart
from monitor.daemon.systemd import Notify
from monitor.errors import RunError
from monitor.fleet.lease import LeaseLostError
from monitor.fleet.runner import run_shard
from monitor.fleet.shards import digest
from monitor.settings import Settings

NAMESPACE = "bagwright"
PARTS = ("config", "daemon", "fleet", "ingest", "notify", "store")     # sources besides the engine's
LEAVE_S = 60.0
AGAIN_S = 5.0       # before a process ends of a fault that beginning again may not mend


def name_of(shard: int) -> str:
    return f"shard {shard}"


class About(NamedTuple):
    """Where a shard runs, a digest of the settings that it runs under, and whether it has taken all that waited."""

    node: str
    settings: str
    caught_up: bool


class Shard:
    """settings: the shard's own. program: digest of the sources that it was sent by; others refuse to run."""

    def __init__(self, shard: int, settings: Settings, url: str, program: str) -> None:
        if sources_digest(PARTS) != program:
            raise RunError("this node has another version of Bagwright; the same is needed on every node")
        self._shard, self._settings, self._url = shard, settings, url
        self._stop, self._heart = threading.Event(), Heart(Notify({}))
        self._thread = threading.Thread(target=self._run, name="shard", daemon=True)
        self._thread.start()

    def about(self) -> About:
        import ray

        return About(ray.get_runtime_context().get_node_id(), digest(self._settings), self._heart.caught_up)

    def leave(self) -> None:
        """Commits, says goodbye to the broker and is ready to be begun elsewhere."""
        self._stop.set()
        self._thread.join(LEAVE_S)

    def _run(self) -> None:
        try:
            run_shard(self._settings, self._shard, self._url, self._stop, _say, self._heart)
            return
        except LeaseLostError as error:
            _say(str(error))
        except BaseException as error:  # noqa: BLE001  # top of the thread: Ray sees a process that ended, no thread
            _say(f"shard {self._shard}: {type(error).__name__}: {error}")
        if not self._stop.is_set():
            time.sleep(AGAIN_S)
        os._exit(1)


def _say(sentence: str) -> None:
    print(sentence, flush=True)
