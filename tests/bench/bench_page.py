"""The page over many skids and months: how soon it is painted, and how much is sent. What viewers cost the daemon is
measured by its neighbour `bench_viewers.py`.

Run as a program with a Chromium on the PATH; prints a table. No figure is judged here.
"""

from __future__ import annotations

import argparse
import asyncio
import multiprocessing
import os
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import apsw
import httpx
import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from display_samples import MINUTE, START, event, hatchery_skid, minutes, rows  # noqa: E402
from page_plant import Plant  # noqa: E402

from monitor.model import NS, Transition  # noqa: E402
from monitor.settings import Settings  # noqa: E402
from monitor.skid import SkidSettings  # noqa: E402
from monitor.store import Batch, Reader, Store  # noqa: E402
from monitor.web.server import serve  # noqa: E402

DAY_MINUTES = 24 * 60
LIFE_MINUTES = 8 * DAY_MINUTES


def skids(count: int) -> tuple[SkidSettings, ...]:
    return tuple(hatchery_skid(f"intake-{i}", f"River intake {i}") for i in range(count))


def saw(count: int) -> dict[str, Any]:
    """Minutes of elements that load in eight days, are changed, and load again; an hour without data each week."""
    noise = np.random.default_rng(1)
    part = (np.arange(count) % LIFE_MINUTES) / LIFE_MINUTES
    flow = (60 + 6 * np.sin(np.arange(count) / 200)) / 3600
    normalised = 0.2e5 + 0.85e5 * part**2 + noise.normal(0, 500, count)
    normalised[np.arange(count) % (7 * DAY_MINUTES) < 60] = np.nan
    drop = normalised * (flow * 60) ** 1.5
    return {"time": START + MINUTE * np.arange(count), "inlet": 2e5 + drop, "outlet": 2e5 + 0 * drop,
            "pressure_drop": drop, "flow": flow, "temperature": 284.0 + 0 * drop, "normalised": normalised}


def build(folder: Path, count: int, days: float) -> Plant:
    """A store of `count` skids with a minute a minute for `days`; alarms on every twentieth."""
    settings, size = skids(count), round(days * DAY_MINUTES)
    newest = START + size * MINUTE + 20 * NS
    store = Store.open(folder / "many.db", now=time.time_ns)
    store.configure(settings)
    plant = Plant(store, folder / "many.db", Settings(skids=settings))
    store.commit(Batch(minutes=[(settings[0].id, m) for m in minutes(saw(size))]))
    store.close()
    with apsw.Connection(str(folder / "many.db")) as db:        # the others' minutes are copied
        db.execute("""INSERT INTO minute SELECT k.ref, m.time, m.inlet, m.outlet, m.pressure_drop, m.flow,
                      m.temperature, m.normalised * (1 - k.ref * 0.001), m.judged FROM skid k CROSS JOIN minute m
                      WHERE m.skid = 1 AND k.ref > 1 ORDER BY k.ref, m.time""")
    plant.store = Store.open(folder / "many.db", now=time.time_ns)
    for i, skid in enumerate(settings):
        plant.store.commit(Batch(rows=[(skid.id, *readings(newest, i))]))
        for life in range(LIFE_MINUTES, size, LIFE_MINUTES):
            done = event(life, "changeout-done", Transition.NOTED, skid=skid.id, vessel="V1", detail="good", value=1.0,
                         unit="1", evidence={"isolated_at": START + (life - 20) * MINUTE, "life_h": 190.0,
                                             "returned_at": START + life * MINUTE, "volume_m3": 5_700.0,
                                             "drop_before_bar": 1.0, "drop_after_bar": 0.6})
            plant.say(done)
        if i % 20 == 0:
            plant.say(event(size - 30, "changeout-due", skid=skid.id, value=1.0, unit="bar"))
    return plant


def readings(newest: int, i: int) -> tuple[Any, Any]:
    values = rows({0: 3.21, 1: 2.05 + 0.001 * (i % 7), 2: 58.5, 3: 11.25, 4: 3.2, 5: 0.0}, newest)
    return values, np.ones(values.size, np.bool_)


@contextmanager
def chromium() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        yield found
        found.close()


def painted(browser: Any, address: str) -> tuple[float, float, float, float]:
    """First contentful paint and load [ms], CPU time of the browser's page until then [ms], and bytes transferred [kB],
    of a browser that was never here."""
    context = browser.new_context(viewport={"width": 1440, "height": 1000})
    page = context.new_page()
    page.goto("about:blank")
    work = context.new_cdp_session(page)
    work.send("Performance.enable", {"timeDomain": "threadTicks"})
    page.goto(address, wait_until="load")
    while not page.evaluate("performance.getEntriesByName('first-contentful-paint').length"):
        page.wait_for_timeout(20)
    told = {m["name"]: m["value"] for m in work.send("Performance.getMetrics")["metrics"]}
    paint, load, size = page.evaluate("""() => [
        performance.getEntriesByName('first-contentful-paint')[0].startTime,
        performance.getEntriesByType('navigation')[0].domContentLoadedEventEnd,
        [...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')]
            .reduce((sum, entry) => sum + entry.transferSize, 0) / 1000]""")
    context.close()
    return paint, load, 1e3 * told["TaskDuration"], size


def mean_cpu(pid: int, address: str) -> float:
    """CPU time [ms] that the server takes for a page, made anew and sent gzipped; mean of several."""
    times = 10
    with httpx.Client(trust_env=False, timeout=60) as client:
        before = cpu(pid)
        for _ in range(times):
            client.get(address).raise_for_status()
    return 1e3 * (cpu(pid) - before) / times


def cpu(pid: int) -> float:
    """User and system seconds of a process and its threads."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def serve_many(folder: str, count: int, ready: Any) -> None:
    """A process of its own, as beside a daemon."""
    settings = Settings(skids=skids(count))
    serve(lambda: Reader.open(Path(folder) / "many.db"), settings, port=0, ready=ready.put)


def watch_many(addresses: list[str], ready: Any) -> None:
    """Open streams of pages that read what is pushed, in a process of their own."""
    async def look(client: httpx.AsyncClient, address: str) -> None:
        async with client.stream("GET", address) as answer:
            async for _ in answer.aiter_raw():
                pass

    async def every() -> None:
        limits = httpx.Limits(max_connections=len(addresses))
        async with httpx.AsyncClient(timeout=60, trust_env=False, limits=limits) as client:
            looking = [asyncio.create_task(look(client, address)) for address in addresses]
            ready.put(len(addresses))
            await asyncio.gather(*looking)

    asyncio.run(every())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--skids", type=int, default=500)
    parser.add_argument("--days", type=float, default=92)
    parser.add_argument("--folder", type=Path, help="keeps the store here, and takes one that is there")
    chosen = parser.parse_args()
    with ExitStack() as stack:
        folder = chosen.folder or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        begun = time.perf_counter()
        kept = (folder / "many.db").exists()
        plant = again(folder, chosen.skids) if kept else build(folder, chosen.skids, chosen.days)
        size, took = (folder / "many.db").stat().st_size / 1e9, time.perf_counter() - begun
        print(f"{chosen.skids} skids, {chosen.days:g} days: {size:.1f} GB, ready in {took:.0f} s", flush=True)
        spawn = multiprocessing.get_context("spawn")
        ready = spawn.Queue()
        page = spawn.Process(target=serve_many, args=(str(folder), chosen.skids, ready), daemon=True)
        page.start()
        address = ready.get(timeout=60)
        browser = stack.enter_context(chromium())
        for name, path in (("overview", "/"), ("a day of a skid", "/skid/intake-7?span=24h"),
                           ("three months of a skid", "/skid/intake-7?span=90d"), ("alarms", "/alarms"),
                           ("changeouts", "/changeouts"),
                           ("report of a day", "/report")):
            found = [painted(browser, address.rstrip("/") + path) for _ in range(5)]
            paint, load, work, sent = (statistics.median(column) for column in zip(*found, strict=True))
            made = mean_cpu(page.pid, address.rstrip("/") + path)
            print(f"{name:24} first paint {paint:6.0f} ms   ready {load:6.0f} ms   {sent:6.0f} kB   CPU: server "
                  f"{made:5.0f} ms, browser {work:5.0f} ms", flush=True)
        page.terminate()
        plant.store.close()


def again(folder: Path, count: int) -> Plant:
    return Plant(Store.open(folder / "many.db", now=time.time_ns), folder / "many.db", Settings(skids=skids(count)))


if __name__ == "__main__":
    main()
