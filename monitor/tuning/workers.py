"""Where sets of settings are tried: in this process or in processes of this machine. Same results."""

from __future__ import annotations

import os
import signal
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import get_context
from pathlib import Path
from typing import NamedTuple, Protocol

import numpy as np

from monitor.config.overrides import Template
from monitor.errors import ConfigError, RunError
from monitor.model import Rows
from monitor.tuning.labels import Labels
from monitor.tuning.material import Material
from monitor.tuning.score import Totals, by_kind

Parts = dict[str, Totals]      # of one recording: kind -> its counts


class Task(NamedTuple):
    """A recording by its place, and the keys to change in its configuration."""

    place: int
    changes: Mapping[str, str]


class Workers(Protocol):
    """Tries tasks; results come in the order of the tasks, None where the keys do not go together."""

    count: int

    def run(self, tasks: Sequence[Task], told: Callable[[], None]) -> list[Parts | None]:
        """told: called as each task is done."""
        ...


def attempt(material: Material, changes: Mapping[str, str]) -> Parts | None:
    """One task."""
    from monitor.tuning.evaluate import evaluate

    try:
        return by_kind(evaluate(material, changes))
    except ConfigError:
        return None


class Here:
    """In this process."""

    count = 1

    def __init__(self, materials: Sequence[Material]) -> None:
        from monitor.tuning.evaluate import prepare

        prepare()
        self._materials = materials

    def run(self, tasks: Sequence[Task], told: Callable[[], None]) -> list[Parts | None]:
        results = []
        for task in tasks:
            results.append(attempt(self._materials[task.place], task.changes))
            told()
        return results


class Processes:
    """In processes of this machine, which share the decoded arrays through files."""

    def __init__(self, pool: ProcessPoolExecutor, count: int) -> None:
        self._pool, self.count = pool, count

    def run(self, tasks: Sequence[Task], told: Callable[[], None]) -> list[Parts | None]:
        waiting = [self._pool.submit(_try, task) for task in tasks]
        for future in waiting:
            future.add_done_callback(lambda _: told())
        try:
            return [future.result() for future in waiting]
        except BrokenProcessPool:
            raise RunError("a process that tried settings ended by itself, perhaps for want of memory; what was "
                           "found is kept: run the same command again, with fewer --processes") from None
        finally:
            for future in waiting:
                future.cancel()


@contextmanager
def processes(materials: Sequence[Material], count: int) -> Iterator[Processes]:
    """A pool of `count` processes that hold the materials."""
    with tempfile.TemporaryDirectory(prefix="bagwright-") as folder:
        for place, material in enumerate(materials):
            for name, column in material.rows._asdict().items():
                np.save(Path(folder, f"{place}-{name}.npy"), column)
        rest = [(m.name, m.template, m.labels) for m in materials]
        pool = ProcessPoolExecutor(count, get_context("spawn"), _begin, (folder, rest))
        try:
            yield Processes(pool, count)
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


_held: list[Material] = []      # of a process of the pool


def _begin(folder: str, rest: Sequence[tuple[str, Template, Labels]]) -> None:
    from monitor.tuning.evaluate import prepare

    signal.signal(signal.SIGINT, signal.SIG_IGN)    # Ctrl-C is for the one who asked, who then stops us
    prepare()
    for place, (name, template, labels) in enumerate(rest):
        # Copy on write: compiled code was made for arrays that may be written to.
        columns = [np.load(Path(folder, f"{place}-{column}.npy"), mmap_mode="c").view(np.ndarray)
                   for column in Rows._fields]
        _held.append(Material(name, template, labels, Rows(*columns)))


def _try(task: Task) -> Parts | None:
    return attempt(_held[task.place], task.changes)


def usable_cores() -> int:
    """Cores that this process may run on."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
