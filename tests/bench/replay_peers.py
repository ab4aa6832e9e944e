"""What a replay is timed beside: a floor of compiled steps, and the core of the engine's steps in pandas and in Python.

The core steps: dP, means over 15 s, dP normalised to the reference flow (linear and square part), a limit with an
on-delay of 15 s, Hampel's identifier over 11 readings on each signal, minutes.
"""

from __future__ import annotations

import math
import statistics
from collections import deque
from pathlib import Path
from typing import Any

import numba
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
from pyarrow import parquet

WINDOW, HALF = 11, 5
SCALED_MAD = 3.0 * 1.482602218505602
MEAN_S, DELAY_S = 15, 15
TURBULENT = 0.072e5       # Pa at reference flow
Columns = dict[str, npt.NDArray[Any]]


def read(path: Path, rows: int | None = None) -> Columns:
    """All columns of the recording, times in ns."""
    table = parquet.read_table(path, use_threads=False)
    table = table if rows is None else table.slice(0, rows)
    columns = {name: table[name].to_numpy() for name in table.column_names if name != "time"}
    return {"time": table["time"].cast(pa.int64()).to_numpy(), **columns}


@numba.njit(cache=False)
def as_of(left, right):  # type: ignore[no-untyped-def]
    """For each time of `left` the index of the newest of `right` that is not later; -1 for none."""
    out = np.empty(left.size, np.int64)
    j = -1
    for i in range(left.size):
        while j + 1 < right.size and right[j + 1] <= left[i]:
            j += 1
        out[i] = j
    return out


@numba.njit(cache=False)
def hampel(x):  # type: ignore[no-untyped-def]
    """How many readings lie further than three scaled MAD from the median of their window; exact, the window kept
    sorted, the MAD found by walking outwards from the median."""
    ordered = np.sort(x[:WINDOW])
    spikes = 0
    for i in range(HALF, x.size - HALF):
        median = ordered[HALF]
        low, high, mad = HALF - 1, HALF + 1, 0.0
        for _ in range(HALF):
            below = median - ordered[low] if low >= 0 else np.inf
            above = ordered[high] - median if high < WINDOW else np.inf
            if below <= above:
                mad, low = below, low - 1
            else:
                mad, high = above, high + 1
        spikes += abs(x[i] - median) > SCALED_MAD * mad
        if i + HALF + 1 < x.size:
            replace(ordered, x[i - HALF], x[i + HALF + 1])
    return spikes


@numba.njit(cache=False)
def replace(ordered, old, new):  # type: ignore[no-untyped-def]
    """Put `new` in the place of `old` in a sorted window."""
    k = 0
    while ordered[k] != old:
        k += 1
    while k + 1 < WINDOW and ordered[k + 1] < new:
        ordered[k] = ordered[k + 1]
        k += 1
    while k > 0 and ordered[k - 1] > new:
        ordered[k] = ordered[k - 1]
        k -= 1
    ordered[k] = new


def floor(path: Path) -> None:
    """Read the file, align two signals to the first, Hampel on each."""
    columns = read(path)
    time = columns["time"]
    for name in ("out", "flow"):
        columns[name] = columns[name][as_of(time, time)]
    for name in ("in", "out", "flow"):
        hampel(columns[name])


def in_pandas(path: Path, rows: int, limit: float) -> int:
    """The core steps on the first rows; how many seconds the alarm stood."""
    columns = read(path, rows)
    time = pd.to_datetime(columns.pop("time"), unit="ns", utc=True)
    frames = [pd.DataFrame({"time": time, name: values}) for name, values in columns.items()]
    frame = frames[0]
    for other in frames[1:]:
        frame = pd.merge_asof(frame, other, on="time", tolerance=pd.Timedelta("60s"))
    frame = frame.set_index("time")
    for name in columns:
        window = frame[name].rolling(WINDOW, center=True)
        middle = window.median()
        spread = (frame[name] - middle).abs().rolling(WINDOW, center=True).median()
        frame[f"{name} spike"] = (frame[name] - middle).abs() > SCALED_MAD * spread
    frame["dp"] = (frame["in"] - frame["out"]) * 1e5
    mean = frame[["dp", "flow"]].rolling(f"{MEAN_S}s").mean()
    ratio = (mean["flow"] / 40.0).where(mean["flow"] > 12.0)
    frame["normalised"] = (mean["dp"] - TURBULENT * ratio * ratio) / ratio + TURBULENT
    raised = (frame["normalised"] >= limit).astype(float).rolling(f"{DELAY_S}s").min() == 1.0
    frame[["in", "out", "dp", "flow", "normalised"]].resample("1min").mean()
    return int(raised.sum())


def in_python(path: Path, rows: int, limit: float) -> int:
    """The same sample by sample, with nothing but the standard library; how many seconds the alarm stood."""
    columns = read(path, rows)
    names = ("in", "out", "flow")
    windows = {name: deque[float](maxlen=WINDOW) for name in names}
    drops, flows = deque[float](maxlen=MEAN_S), deque[float](maxlen=MEAN_S)
    minute, sums, minutes = -1, [0.0] * 5, []
    since, stood, spikes = None, 0, 0
    series = zip(columns["time"].tolist(), *(columns[name].tolist() for name in names), strict=True)
    for time, *values in series:
        for name, value in zip(names, values, strict=True):
            window = windows[name]
            window.append(value)
            if len(window) == WINDOW:
                middle = statistics.median(window)
                spread = statistics.median([abs(x - middle) for x in window])
                spikes += abs(window[HALF] - middle) > SCALED_MAD * spread
        inlet, outlet, flow = values
        drops.append((inlet - outlet) * 1e5)
        flows.append(flow)
        ratio = sum(flows) / len(flows) / 40.0
        normalised = math.nan
        if ratio > 0.3:
            normalised = (sum(drops) / len(drops) - TURBULENT * ratio * ratio) / ratio + TURBULENT
        since = (since or time) if normalised >= limit else None
        stood += since is not None and time - since >= DELAY_S * 1_000_000_000
        if time // 60_000_000_000 != minute:
            minutes.append([x / 60 for x in sums])
            minute, sums = time // 60_000_000_000, [0.0] * 5
        sums = [a + b for a, b in zip(sums, (inlet, outlet, drops[-1], flow, normalised), strict=True)]
    return stood
