"""What the store costs: commits beside a bare executemany, bytes a reading beside their entropy, a day of one signal.

Run as a program; prints tables. Floor and subject alternate in one run, since the machine's mood changes between runs;
medians are shown. No figure is judged here.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import apsw
import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from store.samples import HOUR, START, opened, signal, skid  # noqa: E402

from monitor.model import Rows  # noqa: E402
from monitor.store import Batch, Store  # noqa: E402

BATCH = 1_000
ROUNDS = 7


def transmitters(seconds: int, signals: int, noise: float, jitter_ms: float, seed: int = 1) -> Rows:
    """1 Hz transmitters, 0-10 bar in 12 bits (2.44 mbar a step); noise in steps (sd), time jitter in ms (sd)."""
    rng = np.random.default_rng(seed)
    shape = (seconds, signals)
    code = np.round(1_200 + rng.normal(0.0, noise, shape)).astype(np.int64)
    late = np.round(rng.normal(0.0, jitter_ms, shape)).astype(np.int64)
    milliseconds = START // 1_000_000 + np.arange(seconds)[:, None] * 1_000 + late
    place = np.broadcast_to(np.arange(signals, dtype=np.int16), shape)
    value = (code * (10 / 4_096)).astype(np.float64)
    return Rows((milliseconds * 1_000_000).ravel(), place.ravel(), value.ravel(), np.zeros(seconds * signals, np.uint8))


def entropy(symbols: np.ndarray) -> float:
    """Bits a symbol of a memoryless source with these frequencies (Shannon)."""
    share = np.unique(symbols, return_counts=True)[1] / symbols.size
    return float(-(share * np.log2(share)).sum())


def seconds_of(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def bare(path: Path) -> apsw.Connection:
    """The floor: the same table and the same synchronisation, nothing else."""
    db = apsw.Connection(str(path))
    list(db.execute("""PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; PRAGMA wal_autocheckpoint = 4000;
        CREATE TABLE recent (time INTEGER NOT NULL, signal INTEGER NOT NULL, bits INTEGER NOT NULL,
        flags INTEGER NOT NULL, PRIMARY KEY (time, signal)) WITHOUT ROWID, STRICT"""))
    return db


def insert_bare(db: apsw.Connection, parts: list[Rows]) -> None:
    for rows in parts:
        db.execute("BEGIN IMMEDIATE")
        columns = rows.time.tolist(), rows.signal.tolist(), rows.value.view(np.int64).tolist(), rows.quality.tolist()
        db.executemany("INSERT INTO recent VALUES (?, ?, ?, ?)", zip(*columns, strict=True))
        db.execute("COMMIT")


def commit_all(store: Store, batches: list[Batch]) -> None:
    for batch in batches:
        store.commit(batch)


def in_batches(rows: Rows) -> list[Rows]:
    return [rows.take(slice(i, i + BATCH)) for i in range(0, rows.size, BATCH)]


def bench_commits(folder: Path, skids: int, each: int, seconds: int) -> None:
    """Commits of 1,000 readings interleaved over skids * each signals."""
    wide = transmitters(seconds, skids * each, 3.0, 100.0)
    settings = [skid(f"s{i}", [signal(f"PT-{k}") for k in range(each)]) for i in range(skids)]
    ratios, rates, floors = [], [], []
    for turn in range(ROUNDS):
        parts = in_batches(wide)
        batches = [by_skid(part, each) for part in parts]
        db = bare(folder / f"bare{skids}-{turn}.db")
        floor = seconds_of(partial(insert_bare, db, parts))
        db.close()
        with opened(folder / f"store{skids}-{turn}.db", skids=settings) as store:
            took = seconds_of(partial(commit_all, store, batches))
        ratios.append(floor / took)
        rates.append(wide.size / took)
        floors.append(wide.size / floor)
    print(f"{skids * each:>8} {skids:>6} {statistics.median(floors):>14,.0f} {statistics.median(rates):>14,.0f} "
          f"{statistics.median(ratios):>8.2f}")


def by_skid(rows: Rows, each: int) -> Batch:
    batch = Batch()
    for i in np.unique(rows.signal // each).tolist():
        mine = rows.take(rows.signal // each == i)
        batch.rows.append((f"s{i}", mine._replace(signal=mine.signal % each), np.ones(mine.size, np.bool_)))
    return batch


def bench_bytes(folder: Path, noise: float, jitter_ms: float) -> None:
    """Six hours of four transmitters, as rows and packed."""
    rows = transmitters(6 * 3_600, 4, noise, jitter_ms)
    steps = np.round(rows.value * 409.6).astype(np.int64)
    late = rows.time // 1_000_000 - START // 1_000_000 - np.repeat(np.arange(6 * 3_600) * 1_000, 4)
    least = entropy(steps) + entropy(late)
    settings = [skid("s0", [signal(f"PT-{k}") for k in range(4)])]
    with opened(folder / f"bytes{noise}-{jitter_ms}.db", skids=settings) as store:
        empty = size_of(store)
        for part in in_batches(rows):
            store.commit(by_skid(part, 4))
        before = size_of(store) - empty
        while store.pack(START + 9 * HOUR):
            pass
        while store.vacuum():
            pass
        after = size_of(store) - empty
        blobs = store.status()["readings"]["bytes_a_packed_reading"]
    print(f"{noise:>6.1f} {jitter_ms:>7.1f} {entropy(steps):>9.2f} {entropy(late):>8.2f} {least / 8:>10.3f} "
          f"{before / rows.size:>10.1f} {blobs:>8.3f} {after / rows.size:>8.3f} {blobs * 8 / least:>9.2f}")


def size_of(store: Store) -> int:
    store._handle.query("PRAGMA wal_checkpoint(TRUNCATE)")
    return int(store.status()["bytes"]["database"])


def bench_reading(folder: Path, hours: int) -> None:
    """One signal of 40, out of `hours` of them all; the last hour is unpacked."""
    names = [signal(f"PT-{k}") for k in range(40)]
    with opened(folder / "read.db", skids=[skid("s0", names)]) as store:
        pack_took = 0.0
        longest = 0.0
        for hour in range(hours):
            rows = transmitters(3_600, 40, 3.0, 5.0, seed=hour)
            moved = rows._replace(time=rows.time + hour * HOUR)
            for i in range(0, moved.size, 20_000):
                store.commit(by_skid(moved.take(slice(i, i + 20_000)), 40))
            more = True
            while more:
                begun = time.perf_counter()
                more = store.pack(START + hour * HOUR)
                pack_took += time.perf_counter() - begun
                longest = max(longest, time.perf_counter() - begun)
        end = START + hours * HOUR
        day = end - 24 * HOUR
        told = store.status()["readings"]
        print(f"{told['packed']:,} readings packed, {told['recent']:,} recent; packing "
              f"{told['packed'] / pack_took / 1e6:.2f} M readings/s, its longest step {longest * 1e3:.0f} ms")
        for what, work in (
            ("a day of one signal, every reading", lambda: store.rows("s0", day, end, ["PT-7"])),
            ("a day of six signals, every reading", lambda: store.rows("s0", day, end, [f"PT-{k}" for k in range(6)])),
            ("a day of one signal in 400 points", lambda: store.trend("s0", "PT-7", day, end, 400)),
            ("all of one signal in 20 points", lambda: store.trend("s0", "PT-7", START, end, 20)),
            ("the newest reading of 40 signals", lambda: store.latest("s0")),
            ("status", store.status),
        ):
            print(f"  {what:<38} {statistics.median(seconds_of(work) for _ in range(5)) * 1e3:>8.1f} ms")


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--hours", type=int, default=48, help="of 40 signals, to read from (48: 6.9 M readings)")
    hours = options.parse_args().hours
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        print(f"Commits of {BATCH} readings, synchronous=FULL, medians of {ROUNDS} rounds")
        print(f"{'signals':>8} {'skids':>6} {'bare rows/s':>14} {'store rows/s':>14} {'of bare':>8}")
        for skids, each, seconds in ((1, 6, 20_000), (10, 10, 1_000), (100, 10, 100)):
            bench_commits(folder, skids, each, seconds)
        print("\nBytes a reading: 12-bit transmitters, 0-10 bar, 1 Hz, ms time stamps; 6 h of 4, independent samples")
        for head in (("noise", "jitter", "value", "time", "entropy", "rows", "blob", "on disk", "blob/"),
                     ("steps", "ms", "bits", "bits", "bytes", "bytes", "bytes", "bytes", "entropy")):
            print("{:>6} {:>7} {:>9} {:>8} {:>10} {:>10} {:>8} {:>8} {:>9}".format(*head))
        for noise, jitter_ms in ((0.5, 0.0), (0.5, 2.0), (3.0, 2.0), (3.0, 20.0), (20.0, 100.0)):
            bench_bytes(folder, noise, jitter_ms)
        print("\nReading")
        bench_reading(folder, hours)


if __name__ == "__main__":
    main()
