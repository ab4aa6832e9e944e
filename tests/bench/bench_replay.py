"""What a replay costs: everything from Parquet to events, beside a floor, pandas and plain Python in the same run.

    python tests/bench/bench_replay.py               # 20 days: for CI
    python tests/bench/bench_replay.py --days 365    # a skid-year; the recording takes 0.3 GB in the temporary folder
    python tests/bench/bench_replay.py --days 60 --forecasts    # what forecasts cost, on simulated service

Run as a program; prints tables, judges nothing. Processor time of all threads, since everything is meant for one core
and machines are shared; floor and subject alternate, medians are shown, compiled code is warm. One skid, 1 Hz, inlet,
outlet, flow: 12-bit converters, some ms of jitter, a pump that stops every third day.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "bench")]

import replay_peers as peers  # noqa: E402

from monitor.detectors.registry import example_skid  # noqa: E402
from monitor.engine.engine import Engine  # noqa: E402
from monitor.engine.sequencer import Sequencer  # noqa: E402
from monitor.ingest.recording import open_recordings  # noqa: E402
from monitor.model import NS  # noqa: E402

DAY_S = 86_400
START_MS = 1_750_000_000_000
ROUNDS = 5
SKID = example_skid()


def day(number: int) -> Any:
    """One day as an Arrow table; the same whatever else is made."""
    import pyarrow as pa

    rng = np.random.default_rng((7, number))
    second = np.arange(DAY_S)
    running = ~((number % 3 == 2) & (second > 40_000) & (second < 41_800))
    flow = np.where(running, 38 + 3 * np.sin(second / 4_000) + rng.normal(0, 0.15, DAY_S), 0.0)
    drop = (0.25 + 0.4 * (number % 30 + second / DAY_S) / 30) * (flow / 40) ** 1.5
    outlet = np.where(running, 2.0, 1.2) + rng.normal(0, 0.004, DAY_S)
    inlet = outlet + drop + rng.normal(0, 0.004, DAY_S)
    jitter = np.round(np.abs(rng.normal(0, 4, DAY_S))).astype(np.int64)
    milliseconds = START_MS + (number * DAY_S + second) * 1_000 + jitter
    columns = {"time": pa.array(milliseconds, pa.timestamp("ms", "UTC"))}
    for name, values, span in (("in", inlet, 10.0), ("out", outlet, 10.0), ("flow", flow, 60.0)):
        columns[name] = pa.array(np.round(values * (4_096 / span)) * (span / 4_096))
    return pa.table(columns).cast(pa.schema([("time", pa.timestamp("ns", "UTC")), *((n, pa.float64()) for n in columns
                                                                                   if n != "time")]))  # fmt: skip


def write(path: Path, days: int) -> None:
    from pyarrow import parquet

    with parquet.ParquetWriter(path, day(0).schema, compression="zstd") as writer:
        for number in range(days):
            writer.write_table(day(number))


def seconds_of(work: Callable[[], object]) -> float:
    begun = time.process_time()
    work()
    return time.process_time() - begun


def engine_alone(path: Path) -> None:
    """Reading and judging, without files and report."""
    engine = Engine([SKID])
    for chunk in open_recordings([path], SKID):
        engine.feed({0: chunk.rows})
    engine.finish()


def whole(path: Path, out: Path) -> None:
    """What `bagwright replay` does once it has started."""
    from monitor.replay.run import replay

    replay([path], SKID, out)


def stages(path: Path) -> dict[str, float]:
    """Seconds in each stage of one pass."""
    spent = dict.fromkeys(("reading", "sequencer", "row tier", "event tier"), 0.0)
    sequencer = Sequencer(lateness=round(SKID.lateness_s * NS))
    engine = Engine([SKID])
    handle = engine.events.handle

    def timed(emission: Any) -> Any:
        begun = time.process_time()
        told = handle(emission)
        spent["event tier"] += time.process_time() - begun
        return told

    engine.events.handle = timed  # type: ignore[method-assign]
    begun = time.process_time()
    for chunk in open_recordings([path], SKID):
        read = time.process_time()
        sequencer.push(chunk.rows)
        sequenced = time.process_time()
        told = spent["event tier"]
        engine.feed({0: chunk.rows})
        fed = time.process_time()
        spent["reading"] += read - begun
        spent["sequencer"] += sequenced - read
        spent["row tier"] += fed - sequenced - (sequenced - read) - (spent["event tier"] - told)
        begun = time.process_time()
    return spent


def forecasts(days: int, folder: Path) -> None:
    """Samples that forecasts take and fits among them: how many, what each costs, and what that comes to."""
    from monitor.config import load
    from monitor.engine import forecasting
    from monitor.forecast import watch
    from monitor.simulation.scenarios import simulate
    from monitor.simulation.site import Wishes

    simulate("normal-service", folder, 1, days=days, wishes=Wishes(interval=1.0))
    engine = Engine(load(folder / "skid.toml").skids[:1])
    spent: dict[str, list[float]] = {"samples": [], "fits": []}
    wrapped = {"samples": (forecasting, "sampled"), "fits": (watch, "estimate")}

    def timed(name: str, step: Callable[..., Any]) -> Callable[..., Any]:
        def call(*given: Any, **named: Any) -> Any:
            spent[name].append(0.0)
            begun = time.process_time()
            found = step(*given, **named)
            spent[name][-1] = time.process_time() - begun
            return found

        return call

    for name, (module, step) in wrapped.items():
        setattr(module, step, timed(name, getattr(module, step)))
    for chunk in open_recordings([folder / "recording.csv.gz"], engine.skids[0]):
        engine.feed({0: chunk.rows})
    lives = len(engine.events.stories[0].forecast.lives)
    print(f"{days} days of simulated service, 1 Hz; {lives} lives kept")
    for name, each in spent.items():
        middle = statistics.median(each) * 1e6
        print(f"{name}: {len(each):,}, {middle:,.0f} us (median), {sum(each) / len(each) * 1e6:,.0f} us (mean), "
              f"in the last quarter {statistics.median(each[-len(each) // 4 :]) * 1e6:,.0f} us")
    whole = sum(spent["samples"])       # fits are made while a sample is taken
    print(f"a skid-year: {whole / days * 365:.1f} s; 10,000 skids: {whole / days / 24 * 10_000:.0f} s of every hour")


def peak_of(path: Path, out: Path) -> float:
    """MiB that a process of its own comes to while it replays."""
    call = [sys.executable, __file__, "--peak", str(path), str(out)]
    return float(subprocess.run(call, check=True, capture_output=True, text=True).stdout)


def peak_here() -> float:
    """MiB that this program came to; `ru_maxrss` would count what it was forked from."""
    words = Path("/proc/self/status").read_text().split()
    return int(words[words.index("VmHWM:") + 1]) / 1024


def table(path: Path, days: int, folder: Path) -> None:
    seconds = days * DAY_S
    few, fewer = min(seconds, 2 * DAY_S), 7_200
    works: dict[str, tuple[Callable[[], object], int]] = {
        "floor: Parquet, as-of, Hampel": (partial(peers.floor, path), seconds),
        "everything": (partial(engine_alone, path), seconds),
        "everything, files and report": (partial(whole, path, folder / "out"), seconds),
        "the steps of the peers alone": (partial(peers.alone, path, SKID), seconds),
        "these steps in pandas": (partial(peers.in_pandas, path, few), few),
        "these steps in plain Python": (partial(peers.in_python, path, fewer), fewer),
    }
    took: dict[str, list[float]] = {name: [] for name in works}
    for turn in range(ROUNDS + 1):
        for name, (work, size) in works.items():
            each = seconds_of(work) / size
            if turn > 0:    # the first round compiles and touches memory
                took[name].append(each)
    print(f"{days} days of one skid, 3 signals, 1 Hz; medians of {ROUNDS} rounds, processor time")
    print(f"{'':<32} {'ns a skid-second':>17} {'s a year':>9} {'of floor':>9} {'of everything':>14}")
    ours = took["everything"]
    for name, each in took.items():
        middle = statistics.median(each)
        floors, whole_ones = (statistics.median(a / b for a, b in zip(each, of, strict=True))
                              for of in (took["floor: Parquet, as-of, Hampel"], ours))  # fmt: skip
        print(f"{name:<32} {middle * 1e9:>17,.0f} {middle * 365 * DAY_S:>9,.1f} {floors:>9.2f} {whole_ones:>14.2f}")
    passes = [stages(path) for _ in range(ROUNDS)]
    print("\nby stage, ns a skid-second: " + ", ".join(
        f"{name} {statistics.median(p[name] for p in passes) / seconds * 1e9:,.0f}" for name in passes[0]))
    print(f"peak memory of a replay: {peak_of(path, folder / 'peak'):,.0f} MiB")


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--days", type=int, default=20)
    options.add_argument("--forecasts", action="store_true", help="only what these cost")
    options.add_argument("--peak", nargs=2, type=Path, help=argparse.SUPPRESS)
    chosen = options.parse_args()
    if chosen.peak:
        whole(*chosen.peak)
        print(peak_here())
        return
    with tempfile.TemporaryDirectory() as name:
        if chosen.forecasts:
            forecasts(chosen.days, Path(name, "service"))
            return
        path = Path(name, "recording.parquet")
        write(path, chosen.days)
        table(path, chosen.days, Path(name))


if __name__ == "__main__":
    main()
