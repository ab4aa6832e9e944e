"""Sets of settings tried on an existing cluster, through Ray (the `cluster` extra). Workers hold the recordings."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import numpy as np

from monitor import __version__
from monitor.errors import InputError, RunError
from monitor.tuning.material import Material
from monitor.tuning.workers import Here, Parts, Task


class Cluster:
    """Actors of a Ray cluster. Results come in the order of the tasks, whatever is done first."""

    def __init__(self, ray: Any, actors: Sequence[Any]) -> None:
        self._ray, self._actors = ray, actors
        self.count = len(actors)

    def run(self, tasks: Sequence[Task], told: Callable[[], None]) -> list[Parts | None]:
        results: list[Parts | None] = [None] * len(tasks)
        todo = list(enumerate(tasks))[::-1]
        running: dict[Any, tuple[int, Any]] = {}
        idle = list(self._actors)
        try:
            while todo or running:
                while todo and idle:
                    place, task = todo.pop()
                    actor = idle.pop()
                    running[actor.attempt.remote(tuple(task))] = place, actor
                for done in self._ray.wait(list(running))[0]:
                    place, actor = running.pop(done)
                    results[place] = self._ray.get(done)
                    idle.append(actor)
                    told()
        except self._ray.exceptions.RayError as error:
            raise RunError(f"--cluster: a worker was lost ({_short(error)}); what was found is kept: run the same "
                           "command again") from None
        return results


class Holder:
    """What runs in a worker of the cluster."""

    def __init__(self, version: str, materials: Sequence[Material]) -> None:
        if version != __version__:
            raise ValueError(f"bagwright {__version__} there, {version} here")
        # What comes from the object store cannot be written to, and compiled code was made for what can.
        self._here = Here([Material(m.name, m.template, m.labels, m.rows.take(np.arange(m.rows.size)))
                           for m in materials])

    def ready(self) -> bool:
        return True

    def attempt(self, task: tuple[int, dict[str, str]]) -> Parts | None:
        return self._here.run([Task(*task)], lambda: None)[0]


@contextmanager
def cluster(materials: Sequence[Material], address: str) -> Iterator[Cluster]:
    """As many workers as the cluster has processors. InputError without Ray, RunError without the cluster."""
    try:
        import ray
    except ImportError:
        raise InputError("--cluster needs Ray, which is not installed; accepted: pip install 'bagwright[cluster]', "
                         "or no --cluster") from None
    try:
        ray.init(address=address, logging_level=logging.ERROR, log_to_driver=False)
    except (ConnectionError, RuntimeError, ValueError, OSError) as error:
        raise RunError(f"--cluster {address}: no cluster answers there ({_short(error)}); accepted: the address of a "
                       "running head node, as 10.0.0.5:6379") from None
    try:
        resources: Any = ray.cluster_resources
        count = max(1, int(resources().get("CPU", 1)))
        shared = ray.put(list(materials))
        made: Any = ray.remote(num_cpus=1)(Holder)
        actors = [made.remote(__version__, shared) for _ in range(count)]
        try:
            ray.get([actor.ready.remote() for actor in actors])
        except ray.exceptions.RayError as error:
            raise RunError(f"--cluster {address}: its workers cannot run bagwright {__version__} ({_short(error)}); "
                           "install the same version there") from None
        yield Cluster(ray, actors)
    finally:
        ray.shutdown()


def _short(error: BaseException) -> str:
    lines = str(error).strip().splitlines()
    return lines[-1].strip()[:200] if lines else type(error).__name__
