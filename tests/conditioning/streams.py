"""Seeded days of service with what service brings, and faults put into them. Invented; common practice, no source."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from monitor.model import NS, Quality, Rows
from monitor.skid import Reporting, SkidSettings
from tests.conditioning.helpers import FLOW, IN, OUT, TEMPERATURE, with_signal
from tests.skids import START, duplex

Values = npt.NDArray[np.float64]
KINDS = ("stale", "frozen", "out-of-range", "swapped", "zero-shift", "spikes")
LIMIT = {"stale": 60, "frozen": 300, "out-of-range": 30, "swapped": 120, "zero-shift": 900, "spikes": 600}


@dataclass(frozen=True, slots=True)
class Day:
    skid: SkidSettings
    rows: Rows
    kind: str | None = None
    signal: str | None = None
    begin: float = 0.0      # s, of the fault; of a shift, of the stop that shows it
    within: float = 0.0     # s, in which it is to be told


def wander(rng: np.random.Generator, n: int, spread: float, constant: float) -> Values:
    """A slow wander: points at random, joined smoothly enough."""
    points = rng.normal(0, spread, max(int(n / constant), 2) + 2)
    return np.interp(np.arange(n), np.linspace(0, n, points.size), points)


def day(seed: int, *, hours: float = 24.0, kind: str | None = None) -> Day:
    """A skid's service at a rate of 1-5 s, on change at times; with `kind` one fault in its middle."""
    rng = np.random.default_rng([seed, KINDS.index(kind) + 1 if kind else 0])
    n = round(hours * 3600)
    second = np.arange(n)
    flow = 40 * (1 + rng.uniform(0, 0.3) * np.sin(second / rng.uniform(300, 3000)) + wander(rng, n, 0.02, 120))
    on = np.ones(n, bool)
    stops = [(0.55, 0.75)] if kind == "zero-shift" else [(0.2, 0.25), (0.7, 0.9)]
    for a, b in stops:
        on[round(a * n) : round(b * n)] = False
    load = 0.15 + 0.6 * (second / n) ** 2
    dp = load * (flow / 40) ** rng.uniform(1.0, 1.6)
    if kind is None:
        shut = round(0.4 * n)
        dp[shut : shut + 1200] *= rng.uniform(1.6, 2.6)     # a vessel is changed
        dp[shut + 1200 :] *= 0.7
    level = 2.0 + wander(rng, n, 0.1, 600)
    dp, flow, level = dp * on, flow * on, np.where(on, level, 0.6 + wander(rng, n, 0.02, 1800))
    ripple = rng.normal(0, 0.002, n) * on
    every = float(rng.choice([1, 2, 5]))
    true = {IN: level + dp + ripple, OUT: level + 0.8 * ripple, FLOW: flow,
            TEMPERATURE: 15 + 3 * np.sin(second / 14_000)}  # fmt: skip
    begin = 0.35 * n
    pick = {"swapped": IN, "zero-shift": int(rng.integers(2))}.get(kind or "", int(rng.integers(3)))
    end = begin + rng.uniform(1800, 3000)
    if kind == "swapped":
        part = slice(round(begin), round(end))
        true[IN][part], true[OUT][part] = true[OUT][part].copy(), true[IN][part].copy()
    at = np.arange(rng.uniform(0, every), n - 1, every)
    at = np.sort(at + np.clip(rng.normal(0, 0.03, at.size) * every, -0.2 * every, 0.2 * every))
    noise = {IN: 10 * rng.uniform(2e-4, 8e-4), OUT: 10 * rng.uniform(2e-4, 8e-4), FLOW: 0.2, TEMPERATURE: 0.02}
    step = {IN: 10 / 4095, OUT: 10 / 4095, FLOW: 60 / 4095, TEMPERATURE: float(rng.choice([0.1, 0.012]))}
    zero = {IN: rng.normal(0, 0.007), OUT: rng.normal(0, 0.007), FLOW: 0.0, TEMPERATURE: 0.0}
    size = float(rng.choice([-1, 1]) * rng.uniform(0.06, 0.2))
    said = {}
    for k in range(4):
        seen = np.interp(at, second, true[k]) + zero[k]
        if kind == "zero-shift" and k == pick:
            seen = seen + np.where(at >= begin, size, 0.0)
        x = np.round((seen + rng.normal(0, noise[k], at.size)) / step[k]) * step[k]
        said[k] = np.where(seen <= 0, 0.0, x) if k == FLOW else x
    inside = (at >= begin) & (at < end)
    bad = _falsify(said[pick], inside, kind, pick, rng)
    skid = duplex()
    changes = kind is None and rng.random() < 0.25
    if changes:
        for k in range(4):
            skid = with_signal(skid, k, reporting=Reporting.ON_CHANGE)
    rows = _rows(at, said, bad, pick, inside if kind == "stale" else None, step if changes else None, rng)
    stop_at = stops[0][0] * n
    onset = stop_at if kind == "zero-shift" else begin
    within = LIMIT.get(kind or "", 0) + 4 + 3 * every
    return Day(skid, rows, kind, skid.signals[pick].id if kind else None, onset, within)


def _falsify(
    said: Values, inside: npt.NDArray[np.bool_], kind: str | None, k: int, rng: np.random.Generator
) -> npt.NDArray[np.bool_]:
    """Put the fault into one signal's readings; which of them the gateway grades bad."""
    high = 60.0 if k == FLOW else 10.0
    if kind == "frozen":
        said[inside] = said[np.argmax(inside)]
    if kind == "spikes":
        every = inside & (np.cumsum(inside) % 8 == 0)     # at 5 s fifteen in ten minutes
        hit = every | (inside & (rng.random(said.size) < 0.02))
        said[hit] += high * rng.choice([-1, 1], int(hit.sum())) * rng.uniform(0.03, 0.1, int(hit.sum()))
    if kind == "out-of-range":
        said[inside] = high * float(rng.choice([-0.03, 1.08]))
        return inside
    return np.zeros(said.size, bool)


def _rows(
    at: Values, said: dict[int, Values], bad: npt.NDArray[np.bool_], pick: int, silent: npt.NDArray[np.bool_] | None,
    step: dict[int, float] | None, rng: np.random.Generator,
) -> Rows:  # fmt: skip
    time = START + np.round(at * 1000).astype(np.int64) * 1_000_000
    parts = []
    for k, values in said.items():
        keep = rng.random(at.size) > 0.002
        if silent is not None and k == pick:
            keep &= ~silent
        if step is not None:
            keep &= np.abs(np.diff(np.round(values / step[k]), prepend=-1)) > 1
            keep |= np.arange(at.size) % 60 == 0
        quality = np.where(bad & (k == pick), Quality.BAD, Quality.GOOD).astype(np.uint8)
        parts.append(Rows(time, np.full(at.size, k, np.int16), values, quality).take(keep))
    rows = Rows.concat(parts)
    return rows.take(np.lexsort((rows.signal, rows.time)))


def second(time: int) -> float:
    return (time - START) / NS
