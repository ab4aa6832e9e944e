"""What tuning costs: sets of settings over recordings, in one process and in two.

    python tests/bench/bench_tune.py                          # three days, 40 sets: for CI
    python tests/bench/bench_tune.py --days 30 --sets 200     # as it is meant
    python tests/bench/bench_tune.py --folder CORPUS          # recordings of one's own, each with labels and skid.toml
    python tests/bench/bench_tune.py --ray                    # also with two workers, on two nodes of Ray

Run as a program; prints a table, judges nothing. The corpus is simulated service at 1 Hz, ten days a skid, with faults
and losses beside it. Sets are those that a search draws before it knows anything, over every key there is to turn; what
they come to is compared between one process, two, and Ray. Seconds of the clock, and of processors (others use them).
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from monitor.config.overrides import template_of  # noqa: E402
from monitor.ingest.recording import open_recordings  # noqa: E402
from monitor.simulation.scenarios import simulate  # noqa: E402
from monitor.simulation.site import Wishes  # noqa: E402
from monitor.tuning.cluster import on_cluster  # noqa: E402
from monitor.tuning.groups import groups_of  # noqa: E402
from monitor.tuning.knobs import RANGES, knobs_of  # noqa: E402
from monitor.tuning.labels import read_labels  # noqa: E402
from monitor.tuning.material import Material, sequenced  # noqa: E402
from monitor.tuning.search import BATCH, spread  # noqa: E402
from monitor.tuning.tried import Results, Tried  # noqa: E402
from monitor.tuning.workers import Here, Workers, processes  # noqa: E402

PART_DAYS = 10.0
BESIDE = ("signal-faults", "torn-in-service", "surge", "flow-blocked", "closure-seep")
FIRST_SEED = 1
STORE = 600 << 20       # bytes of each node of Ray: the decoded arrays lie there


def corpus(folder: Path, days: float) -> None:
    """Simulated recordings of so many skid-days and the short ones beside them."""
    seed = FIRST_SEED
    while days > 0.1:
        part = min(days, PART_DAYS)
        simulate("normal-service", folder / f"service-{seed}", seed, days=part, wishes=Wishes(interval=1.0))
        days, seed = days - part, seed + 1
    for family in BESIDE:
        simulate(family, folder / family, FIRST_SEED, wishes=Wishes(interval=1.0))


def materials(folder: Path) -> Iterator[Material]:
    """Every recording below a folder, decoded once."""
    for labels in sorted(folder.glob("*/labels.json")):
        template = template_of(labels.parent / "skid.toml")
        skid = template.settings({})
        history = open_recordings([labels.parent / "recording.csv.gz"], skid)
        rows = sequenced((chunk.rows for chunk in history), skid, labels.parent.name)
        yield Material(labels.parent.name, template, read_labels(labels), rows)


def processor_s() -> float:
    """Of this process and those it has waited for [s]."""
    times = os.times()
    return times.user + times.system + times.children_user + times.children_system


@contextmanager
def timed(row: list[float]) -> Iterator[None]:
    clock, cpu = time.perf_counter(), processor_s()
    yield
    row += [time.perf_counter() - clock, processor_s() - cpu]


@contextmanager
def on_ray(made: Sequence[Material]) -> Iterator[Workers]:
    """Workers on two nodes of a cluster that is started for it."""
    from nodes import ray_cluster

    with tempfile.TemporaryDirectory(prefix="ray-") as folder, ray_cluster(Path(folder), store=STORE) as cluster:
        os.environ |= {name: cluster.environment[name] for name in ("RAY_AUTH_MODE", "RAY_AUTH_TOKEN")}
        with on_cluster(cluster.address, made, 2) as workers:
            yield workers


def tried(made: Sequence[Material], sets: int, workers: Workers) -> list[Results | None]:
    """Results of the sets, batch by batch as a search asks for them."""
    skid = made[0].template.settings({})
    groups = groups_of(knobs_of(skid, RANGES))
    drawn = spread(groups, sets, seed=1)
    found: list[Results | None] = []
    with tempfile.TemporaryDirectory() as folder:
        kept = Tried(made, [k for g in groups for k in g.knobs], workers, Path(folder, "tried.jsonl"))
        for start in range(0, sets, BATCH):
            found += kept.results(drawn[start : start + BATCH])
    return found


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--days", type=float, default=3.0)
    parser.add_argument("--sets", type=int, default=40)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--ray", action="store_true")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as own:
        folder = asked.folder or Path(own)
        if asked.folder is None:
            corpus(folder, asked.days)
        decoding: list[float] = []
        with timed(decoding):
            made = list(materials(folder))
        days, rows = sum(m.days for m in made), sum(m.rows.size for m in made)
        print(f"{len(made)} recordings, {days:.1f} skid-days, {rows / 1e6:.1f} million readings; decoded in "
              f"{decoding[0]:.1f} s; {asked.sets} sets")
        print(f"load of this machine before: {os.getloadavg()[0]:.1f}")
        tried(made, 1, Here(made))      # compiled code is warm
        print("               clock s   processors s   a set and 30 skid-days, processors s")
        results = []
        for name, place in ways(made, asked.ray):
            row: list[float] = []
            with timed(row), place as workers:
                results.append(tried(made, asked.sets, workers))
            print(f"{name:<14}{row[0]:8.1f}{row[1]:15.1f}{row[1] / asked.sets / days * 30:41.2f}")
        possible = sum(found is not None for found in results[0])
        print(f"the same counts from all: {all(r == results[0] for r in results)}; {possible} sets possible")


def ways(made: Sequence[Material], ray: bool) -> Iterator[tuple[str, AbstractContextManager[Workers]]]:
    yield "one process", nullcontext(Here(made))
    yield "two processes", processes(made, 2)
    if ray:
        yield "two of Ray", on_ray(made)


if __name__ == "__main__":
    main()
