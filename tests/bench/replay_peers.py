"""What a replay is timed beside: a floor of compiled steps, and those steps of the engine that pandas can say, in
pandas, in Python and alone.

The steps, for each of three signals: readings at or beyond the failure limits, spikes (Hampel's identifier over 11
readings, five times the noise besides), silence of ten seconds, a value that stands still for five minutes; one value a
second, which a reading may hold for five. The signals joined as of the inlet's seconds; dP; means over 15 s; dP at
reference flow (linear and square part) while enough flows; two limits with on-delay, off-delay and deadband; means of
ten seconds and of a minute. Everything else that the engine does (swapped, shifted and late signals, changeouts,
breaches, surges, shut paths, leaks, forecasts) is in no peer.
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

from monitor.compiled import records
from monitor.conditioning.health import watch
from monitor.conditioning.sensor import close_second, take
from monitor.engine import codes, layout, rollup
from monitor.engine.engine import Engine
from monitor.engine.history import add_block
from monitor.engine.kernel import judge_limit
from monitor.engine.sequencer import Sequencer
from monitor.hydraulics.frame import assemble
from monitor.ingest.recording import open_recordings
from monitor.model import NS
from monitor.skid import SkidSettings

WINDOW, HALF = 11, 5
SCALED_MAD = 3.0 * 1.482602218505602
NOISES = 5.0
MEAN_S, DELAY_S, OFF_S, HOLD_S, SILENT_S, STILL_S, BLOCK_S = 15, 15, 15, 5, 10, 300, 10
PACE = 0.03               # at which the noise is learned
TURBULENT = 0.072e5       # Pa at reference flow
FLOW = 40.0               # m^3/h, reference
LIMITS = (1.0e5, 2.4e5)   # of dP at reference flow and of dP itself, Pa
CLEAR = 0.05e5            # below the limit
RANGES = {"in": (0.0, 10.0), "out": (0.0, 10.0), "flow": (0.0, 60.0)}
FAILED_BELOW, FAILED_ABOVE = 0.025, 0.0625      # of span: 3.6 and 21 mA (NAMUR NE 43)
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


def in_pandas(path: Path, rows: int) -> int:
    """On the first rows; how many seconds the two alarms stood."""
    columns = read(path, rows)
    time = pd.to_datetime(columns.pop("time"), unit="ns", utc=True)
    seconds, faults = {}, 0
    for name, values in columns.items():
        series = pd.Series(values, time)
        times = series.index.to_series()
        low, high = RANGES[name]
        span = high - low
        failed = (series <= low - FAILED_BELOW * span) | (series >= high + FAILED_ABOVE * span)
        series = series.mask(failed)
        change = series.diff().abs()
        noise = change.ewm(alpha=PACE).mean()
        window = series.rolling(WINDOW, center=True)
        middle = window.median()
        away = (series - middle).abs()
        spread = away.rolling(WINDOW, center=True).median()
        spike = (away > SCALED_MAD * spread) & (away > NOISES * noise)
        still = times - times.where(change != 0.0).ffill() > pd.Timedelta(f"{STILL_S}s")
        silent = times.diff() > pd.Timedelta(f"{SILENT_S}s")
        faults += int(failed.sum()) + int(spike.sum()) + int(silent.sum())
        second = series.mask(spike | still).resample("1s").median().ffill(limit=HOLD_S)
        seconds[name] = second.rename(name).reset_index()
    frame = seconds.pop("in")
    for other in seconds.values():
        frame = pd.merge_asof(frame, other, on=other.columns[0], tolerance=pd.Timedelta(f"{HOLD_S}s"))
    frame = frame.set_index(frame.columns[0])
    frame["dp"] = (frame["in"] - frame["out"]) * 1e5
    mean = frame[["dp", "flow"]].rolling(MEAN_S, min_periods=1).mean()
    ratio = (mean["flow"] / FLOW).where(mean["flow"] > 0.3 * FLOW)
    frame["normalised"] = (mean["dp"] - TURBULENT * ratio * ratio) / ratio + TURBULENT
    stood = sum(int(delayed(value, limit).sum()) for value, limit in
                zip((frame["normalised"], mean["dp"]), LIMITS, strict=True))  # fmt: skip
    frame.resample(f"{BLOCK_S}s").mean()
    frame.resample("1min").mean()
    return stood


def delayed(value: pd.Series, limit: float) -> pd.Series:
    """Seconds at which an alarm stands: raised by what lasted above its limit, cleared by what lasted below."""
    above = (value >= limit).astype(float).rolling(DELAY_S).min() == 1.0
    below = (value < limit - CLEAR).astype(float).rolling(OFF_S).min() == 1.0
    return pd.Series(np.where(above, 1.0, np.where(below, 0.0, np.nan)), value.index).ffill() == 1.0


def in_python(path: Path, rows: int) -> int:
    """The same sample by sample, with nothing but the standard library; how many seconds the alarms stood."""
    columns = read(path, rows)
    names = ("in", "out", "flow")
    windows = {name: deque[float](maxlen=WINDOW) for name in names}
    noise, last = dict.fromkeys(names, 0.0), dict.fromkeys(names, 0.0)
    changed, heard = dict[str, int](), dict[str, int]()
    drops, flows = deque[float](maxlen=MEAN_S), deque[float](maxlen=MEAN_S)
    spans = [[width * NS, -1, [0.0] * 5, []] for width in (BLOCK_S, 60)]
    since, leaving, stands, stood, faults = [0, 0], [0, 0], [False, False], 0, 0
    series = zip(columns["time"].tolist(), *(columns[name].tolist() for name in names), strict=True)
    for time, *values in series:
        good = []
        for name, value in zip(names, values, strict=True):
            low, high = RANGES[name]
            if value <= low - FAILED_BELOW * (high - low) or value >= high + FAILED_ABOVE * (high - low):
                faults += 1
                value = math.nan
            change = abs(value - last[name])
            noise[name] += PACE * (change - noise[name])
            if change > 0.0 or name not in changed:
                changed[name] = time
            faults += time - heard.get(name, time) > SILENT_S * NS
            heard[name], last[name] = time, value
            window = windows[name]
            window.append(value)
            if len(window) == WINDOW:
                middle = statistics.median(window)
                away = abs(window[HALF] - middle)
                spread = statistics.median([abs(x - middle) for x in window])
                if away > SCALED_MAD * spread and away > NOISES * noise[name]:
                    faults += 1
            good.append(math.nan if time - changed[name] > STILL_S * NS else value)
        inlet, outlet, flow = good
        drops.append((inlet - outlet) * 1e5)
        flows.append(flow)
        ratio, drop = sum(flows) / len(flows) / FLOW, sum(drops) / len(drops)
        normalised = (drop - TURBULENT * ratio * ratio) / ratio + TURBULENT if ratio > 0.3 else math.nan
        for k, value in enumerate((normalised, drop)):
            since[k] = (since[k] or time) if value >= LIMITS[k] else 0
            leaving[k] = (leaving[k] or time) if value < LIMITS[k] - CLEAR else 0
            if since[k] and time - since[k] >= DELAY_S * NS:
                stands[k] = True
            elif leaving[k] and time - leaving[k] >= OFF_S * NS:
                stands[k] = False
            stood += stands[k]
        for span in spans:
            width, number, sums, means = span
            if time // width != number:
                means.append([x * NS / width for x in sums])
                span[1], sums = time // width, [0.0] * 5
            span[2] = [a + b for a, b in zip(sums, (inlet, outlet, drops[-1], flow, normalised), strict=True)]
    return stood


@numba.njit(cache=False, nogil=True)
def core(state, parameters, rows, emissions, minutes):  # type: ignore[no-untyped-def]
    """The engine's own functions for these steps, and none of its others; how many seconds the alarms stood."""
    signal, time, value, quality = rows
    skid, settings = state.skid[0], parameters.skid[0]
    stood, closed = 0, 0
    for i in range(time.size):
        if skid.tick == 0:
            skid.tick = (time[i] + rollup.SECOND - 1) // rollup.SECOND * rollup.SECOND
        while skid.tick <= time[i] - 1:
            tick = skid.tick
            skid.tick += rollup.SECOND
            look = 0
            for k in range(settings.signals):
                look |= close_second(state.sensor[0, k], state.health[0, k], parameters.sensor[0, k],
                                     parameters.health[0, k], tick)  # fmt: skip
            if look == 1:
                watch(state.sensor[0], state.health[0], parameters.health[0], settings.signals, time[0], tick,
                      emissions, 0)  # fmt: skip
            assemble(skid, settings, state.sensor[0], state.zero[0], parameters.viscosity, parameters.density, tick)
            add_block(state.history[0], skid, settings, state.sensor[0], tick)
            judge_limit(state.alarm[0, codes.DUE], parameters.alarm[0, codes.DUE], codes.DUE, skid.normalised, tick,
                        emissions, 0)  # fmt: skip
            judge_limit(state.alarm[0, codes.LIMIT], parameters.alarm[0, codes.LIMIT], codes.LIMIT, skid.sustained,
                        tick, emissions, 0)  # fmt: skip
            stood += state.alarm[0, codes.DUE].active + state.alarm[0, codes.LIMIT].active
            closed = rollup.add_minute(state.minute[0], skid, 0, tick, minutes, closed) % (minutes.size - 1)
        k = signal[i]
        take(state.sensor[0, k], state.health[0, k], parameters.sensor[0, k], parameters.health[0, k], skid.flowing,
             time[i], value[i], quality[i])  # fmt: skip
    return stood


def alone(path: Path, skid: SkidSettings) -> int:
    """The recording read and sequenced as for the engine, then `core` of it."""
    tier = Engine([skid]).rows
    sequencer = Sequencer(lateness=round(skid.lateness_s * NS))
    emissions = records(codes.EMISSIONS_A_TICK, layout.emission)
    minutes = records(4_096, rollup.closed_dtype)
    stood = 0
    for chunk in open_recordings([path], skid):
        rows, _ = sequencer.push(chunk.rows)
        if rows.size:
            columns = (rows.signal, rows.time, rows.value, rows.quality)
            stood += core(tier.state, tier.parameters, columns, emissions, minutes)
    return stood
