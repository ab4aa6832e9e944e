"""Where sets of settings are tried: in this process or in processes of this machine. Same results.

On other machines: `monitor.tuning.cluster`.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import tempfile
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing import connection, get_context
from pathlib import Path
from typing import Protocol

import numpy as np

from monitor.config.overrides import Template
from monitor.errors import RunError
from monitor.model import Rows
from monitor.tuning.labels import Labels
from monitor.tuning.material import Material
from monitor.tuning.passes import Pass, Task, passes
from monitor.tuning.score import Totals, by_kind

Parts = dict[str, Totals]      # of one recording: kind -> its counts
Found = dict[int, Parts | None]     # by number of the task; None where its keys do not go together
STOPPING = (signal.SIGINT, signal.SIGTERM)
LOOK_S = 0.5        # how often whoever waits looks whether to go on


class Workers(Protocol):
    """Tries tasks. count: how many at once."""

    count: int

    def run(self, tasks: Sequence[Task], go_on: Callable[[int], bool]) -> Found:
        """go_on: told how many tasks are done; where it says no, what is done by then is returned."""
        ...


def attempt(material: Material, sets: Sequence[Mapping[str, str]]) -> list[Parts | None]:
    """One pass."""
    from monitor.tuning.evaluate import evaluate

    return [None if scored is None else by_kind(scored) for scored in evaluate(material, sets)]


class Here:
    """In this process."""

    count = 1

    def __init__(self, materials: Sequence[Material]) -> None:
        from monitor.tuning.evaluate import prepare

        prepare()
        self._materials = materials

    def run(self, tasks: Sequence[Task], go_on: Callable[[int], bool]) -> Found:
        found: Found = {}
        for one in passes(tasks, self.count):
            if not go_on(len(found)):
                break
            found |= zip(one.tasks, attempt(self._materials[one.place], one.sets), strict=True)
        return found


class Processes:
    """In processes of this machine, which share the decoded arrays through files."""

    def __init__(self, pool: ProcessPoolExecutor, count: int) -> None:
        self._pool, self.count = pool, count

    def run(self, tasks: Sequence[Task], go_on: Callable[[int], bool]) -> Found:
        found: Found = {}
        with _held_back():
            open_: dict[Future[list[Parts | None]], Pass] = {
                self._pool.submit(_try, one.place, one.sets): one for one in passes(tasks, self.count)
            }
        try:
            while open_ and go_on(len(found)):
                done, _ = wait(open_, LOOK_S, FIRST_COMPLETED)
                for future in done:
                    found |= zip(open_.pop(future).tasks, future.result(), strict=True)
        except BrokenProcessPool:
            raise RunError("a process that tried settings ended by itself, perhaps for want of memory; what was "
                           "found is kept: run the same command again, with fewer --processes") from None
        return found


@contextmanager
def _held_back() -> Iterator[None]:
    """Processes that are started within wait with signals until they have said what they do about them."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, STOPPING)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def processes(materials: Sequence[Material], count: int) -> Iterator[Processes]:
    """A pool of `count` processes that hold the materials; none of them outlives this process."""
    with tempfile.TemporaryDirectory(prefix="bagwright-") as folder:
        for place, material in enumerate(materials):
            for name, column in material.rows._asdict().items():
                np.save(Path(folder, f"{place}-{name}.npy"), column)
        rest = [(m.name, m.template, m.labels) for m in materials]
        before = set(multiprocessing.active_children())
        pool = ProcessPoolExecutor(count, get_context("spawn"), _begin, (folder, rest))
        try:
            yield Processes(pool, count)
        finally:
            # What still runs is wanted by nobody any more, and is not waited for.
            for child in set(multiprocessing.active_children()) - before:
                child.kill()
            pool.shutdown(wait=True, cancel_futures=True)


_held: list[Material] = []      # of a process of the pool


def _begin(folder: str, rest: Sequence[tuple[str, Template, Labels]]) -> None:
    from monitor.tuning.evaluate import prepare

    # Both are for the one who was asked: Ctrl-C and a stopped service reach the whole group, and the best so far is to
    # be kept.
    for number in STOPPING:
        signal.signal(number, signal.SIG_IGN)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, STOPPING)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    prepare()
    for place, (name, template, labels) in enumerate(rest):
        # Copy on write: compiled code was made for arrays that may be written to.
        columns = [np.load(Path(folder, f"{place}-{column}.npy"), mmap_mode="c").view(np.ndarray)
                   for column in Rows._fields]
        _held.append(Material(name, template, labels, Rows(*columns)))


def _end_with_parent() -> None:
    """A process whose parent was killed has nobody to work for."""
    parent = multiprocessing.parent_process()
    assert parent is not None
    connection.wait([parent.sentinel])
    os._exit(1)


def _try(place: int, sets: Sequence[Mapping[str, str]]) -> list[Parts | None]:
    return attempt(_held[place], sets)


def usable_cores() -> int:
    """Cores that this process may run on."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
