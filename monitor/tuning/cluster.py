"""Sets of settings tried on a Ray cluster that exists already, with the results of processes of this machine.

Each worker is an actor; Ray begins it again elsewhere where its node dies.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import numpy as np

from monitor.cluster import cause_of, joined
from monitor.compiled import sources_digest
from monitor.errors import RunError
from monitor.model import Rows
from monitor.tuning.material import Material
from monitor.tuning.passes import Pass, Task, passes
from monitor.tuning.tried import JUDGING
from monitor.tuning.workers import LOOK_S, Found, Parts, attempt

NAMESPACE = "bagwright-tune"
START_S = 300.0     # a node that has never run this compiles first


class Worker:
    """On a node. It keeps each material that it was once sent; begun again elsewhere, it is sent it again."""

    def __init__(self, digest: str) -> None:
        from monitor.tuning.evaluate import prepare

        if sources_digest(JUDGING) != digest:
            raise RunError("a node of the cluster has another version of Bagwright; the results would differ")
        prepare()
        self._held: dict[int, Material] = {}

    def ready(self) -> bool:
        return True

    def attempt(self, place: int, kept: Sequence[Any], sets: Sequence[Mapping[str, str]]) -> list[Parts | None]:
        """kept: the material in Ray's store of objects."""
        if place not in self._held:
            import ray

            found: Material = ray.get(kept[0])
            # Compiled code was made for arrays that may be written to.
            self._held[place] = replace(found, rows=Rows(*map(np.array, found.rows)))
        return attempt(self._held[place], sets)


class OnCluster:
    """Workers of a cluster, one pass at a time each."""

    def __init__(self, ray: Any, actors: Sequence[Any], kept: Sequence[Any]) -> None:
        self._ray, self._actors, self._kept = ray, actors, kept
        self.count = len(actors)

    def run(self, tasks: Sequence[Task], go_on: Callable[[int], bool]) -> Found:
        found: Found = {}
        waiting, free = passes(tasks, self.count)[::-1], list(self._actors)
        open_: dict[Any, tuple[Pass, Any]] = {}
        while (waiting or open_) and go_on(len(found)):
            while waiting and free:
                one, actor = waiting.pop(), free.pop()
                open_[actor.attempt.remote(one.place, [self._kept[one.place]], one.sets)] = one, actor
            done, _ = self._ray.wait(list(open_), timeout=LOOK_S)
            for answer in done:
                one, actor = open_.pop(answer)
                free.append(actor)
                found |= zip(one.tasks, self._got(answer), strict=True)
        for answer in open_:        # stopped: wanted by nobody any more
            self._ray.cancel(answer)
        return found

    def _got(self, answer: Any) -> list[Parts | None]:
        try:
            return list(self._ray.get(answer))
        except self._ray.exceptions.RayError as error:
            raise RunError(f"a worker of the cluster failed ({cause_of(error)}); what was found is kept: run the same "
                           "command again") from None


@contextmanager
def on_cluster(address: str, materials: Sequence[Material], count: int | None) -> Iterator[OnCluster]:
    """Workers at the cluster's `address`. count: how many at most, None one for each free
    processor."""
    with joined(address, NAMESPACE) as ray:
        free = int(ray.available_resources().get("CPU", 0))
        if free < 1:
            raise RunError(f"{address}: no processor of this cluster is free; accepted: a cluster with one that is")
        # Elsewhere after a node's death, and what it was at there again.
        actor = ray.remote(num_cpus=1, max_restarts=-1, max_task_retries=-1)(Worker)
        actors = [actor.remote(sources_digest(JUDGING)) for _ in range(min(free, count or free))]
        try:
            ray.get([one.ready.remote() for one in actors], timeout=START_S)
        except ray.exceptions.RayError as error:
            raise RunError(f"{address}: workers do not start on this cluster ({cause_of(error)}); needed on every "
                           "node: the same version of Bagwright") from None
        yield OnCluster(ray, actors, [ray.put(material) for material in materials])
