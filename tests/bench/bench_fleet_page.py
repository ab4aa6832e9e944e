"""The page over a fleet's database: thousands of skids in a few shards, a reading a second of each coming meanwhile.

    PYTHONPATH=.:tests python tests/bench/bench_fleet_page.py [--skids 3000] [--shards 8] [--shots FOLDER]

Each skid has a day of minutes, one of them three months; every twentieth an alarm, one in two of them acknowledged.
Prints what its neighbour `bench_page.py` prints, and what one open overview costs page and database a second.
`--shots`: pictures at 1440 and 360 pixels. Judges nothing.
"""

from __future__ import annotations

import argparse
import multiprocessing
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "tests" / "bench")]

from bench_fleet import processor_s  # noqa: E402
from bench_page import chromium, cpu, mean_cpu, painted, saw, skids  # noqa: E402
from display_samples import MINUTE, START, event, minutes, rows  # noqa: E402
from page_plant import as_told  # noqa: E402
from services import postgres  # noqa: E402

from monitor.fleet.database import Database, prepare  # noqa: E402
from monitor.fleet.reader import FleetReader  # noqa: E402
from monitor.fleet.shards import shard_of  # noqa: E402
from monitor.fleet.store import ShardStore  # noqa: E402
from monitor.model import NS  # noqa: E402
from monitor.settings import Settings  # noqa: E402
from monitor.store import Batch  # noqa: E402
from monitor.web.server import serve  # noqa: E402

DAYS = 90
LOOK_S = 20.0       # with one open overview
PAGES = (("overview", "/"), ("a day of a skid", "/skid/intake-7?span=24h"),
         ("three months of a skid", "/skid/intake-0?span=90d"), ("alarms", "/alarms"), ("changeouts", "/changeouts"),
         ("report of a day", "/report"))  # fmt: skip


class Fleet:
    """The stores of all shards, as their daemons write them."""

    def __init__(self, url: str, count: int, shards: int) -> None:
        self.settings, self.url = skids(count), url
        prepare(Database(url, "bench"), shards)
        self.stores = [ShardStore(Database(url, "bench"), n, f"bench, shard {n}", now=time.time_ns)
                       for n in range(shards)]  # fmt: skip
        self.of = {skid.id: self.stores[shard_of(skid.id, shards)] for skid in self.settings}
        for store in self.stores:
            store.configure([s for s in self.settings if self.of[s.id] is store])

    def fill(self) -> None:
        newest = time.time_ns() // MINUTE * MINUTE
        kept = saw(DAYS * 24 * 60)
        kept["time"] += newest - MINUTE - int(kept["time"][-1])
        first, database = self.settings[0].id, Database(self.url, "bench")
        self.of[first].commit(Batch(minutes=[(first, m) for m in minutes(kept)]))
        database._open().execute(
            """INSERT INTO minute SELECT k.ref, m.time, m.inlet, m.outlet, m.pressure_drop, m.flow, m.temperature,
               m.normalised * (1 - k.ref %% 1000 * 0.0005), m.judged FROM skid k CROSS JOIN minute m
               JOIN skid f ON f.ref = m.skid WHERE f.id = %s AND k.id NOT IN (%s, 'monitor') AND m.time > %s""",
            (first, first, newest - 24 * 60 * MINUTE))
        database._open().execute("ANALYZE")
        for i, skid in enumerate(self.settings[::20]):
            kind = ("changeout-due", "dp-limit", "changeout-forecast")[i % 3]
            told = event((newest - START) // MINUTE - (i % 50 + 1) * 7, kind, skid=skid.id, value=1.0, unit="bar")
            batch = as_told(told)
            if i % 2:
                for state in batch.alarm_states.values():
                    state |= {"state": "acknowledged", "who": "ann", "why": "seen"}
            self.of[skid.id].commit(batch)

    @contextmanager
    def living(self) -> Iterator[None]:
        """Every skid's readings once a second, one commit a shard."""
        stop = threading.Event()

        def go() -> None:
            at = int(time.time())
            while not stop.wait(max(0.0, at - time.time())):
                for store in self.stores:
                    store.commit(Batch(rows=[(s.id, *reading(at * NS, s.id)) for s in self.settings
                                             if self.of[s.id] is store]))  # fmt: skip
                at = max(at + 1, int(time.time()))

        thread = threading.Thread(target=go, daemon=True)
        thread.start()
        yield
        stop.set()
        thread.join()


def reading(at: int, skid: str) -> tuple[Any, Any]:
    found = rows({0: 3.21 + (at // NS + hash(skid)) % 9 / 100, 1: 2.05}, at)
    return found, np.ones(found.size, np.bool_)


def serve_fleet(url: str, count: int, shards: int, ready: Any) -> None:
    """A process of its own, as `bagwright fleet page`."""
    serve(lambda: FleetReader(Database(url, "page"), shards, range(shards)), Settings(skids=skids(count)), port=0,
          ready=ready.put)  # fmt: skip


def open_overview(browser: Any, address: str, page: int, database: int) -> None:
    shown = browser.new_context(viewport={"width": 1440, "height": 1000}).new_page()
    shown.goto(address)
    shown.wait_for_timeout(5_000)
    before = cpu(page), processor_s(database)
    shown.wait_for_timeout(1e3 * LOOK_S)
    after = cpu(page), processor_s(database)
    spent = [(b - a) / LOOK_S for a, b in zip(before, after, strict=True)]
    print(f"one open overview: page {spent[0]:.2f} processors, database {spent[1]:.2f} with the readings that come")
    shown.context.close()


def shots(browser: Any, address: str, folder: Path) -> None:
    for width in (1440, 360):
        page = browser.new_context(viewport={"width": width, "height": 900}).new_page()
        for name, path in (("overview", "/"), ("skid", "/skid/intake-7"), ("alarms", "/alarms")):
            page.goto(address + path)
            page.wait_for_timeout(2_000)
            page.screenshot(path=folder / f"{name}-{width}.png")
            print(f"{name} at {width}: {page.evaluate('document.documentElement.scrollWidth')} wide, "
                  f"{page.evaluate('document.documentElement.scrollHeight')} high")  # fmt: skip
        page.context.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--skids", type=int, default=3000)
    parser.add_argument("--shards", type=int, default=8)
    parser.add_argument("--shots", type=Path)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary, postgres(Path(temporary)) as database, chromium() as browser:
        assert database.process is not None
        begun = time.perf_counter()
        fleet = Fleet(database.url, chosen.skids, chosen.shards)
        fleet.fill()
        took = time.perf_counter() - begun
        print(f"{chosen.skids} skids in {chosen.shards} shards, ready in {took:.0f} s", flush=True)
        spawn = multiprocessing.get_context("spawn")
        ready = spawn.Queue()
        page = spawn.Process(target=serve_fleet, args=(database.url, chosen.skids, chosen.shards, ready), daemon=True)
        with fleet.living():
            time.sleep(3)
            page.start()
            address = ready.get(timeout=60).rstrip("/")
            assert page.pid is not None
            for name, path in PAGES:
                found = [painted(browser, address + path) for _ in range(5)]
                paint, load, work, sent = (statistics.median(column) for column in zip(*found, strict=True))
                made = mean_cpu(page.pid, address + path)
                print(f"{name:24} first paint {paint:6.0f} ms   ready {load:6.0f} ms   {sent:6.0f} kB   CPU: server "
                      f"{made:5.0f} ms, browser {work:5.0f} ms", flush=True)
            open_overview(browser, address + "/", page.pid, database.process.pid)
            if chosen.shots:
                shots(browser, address, chosen.shots)
        page.terminate()


if __name__ == "__main__":
    main()
