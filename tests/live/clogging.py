"""A filter run as an experimental rig shows it: 10 Hz, noisy gauges, a late upturn, flow that sags.

The shape (life, noise of 0.5-1 psi with 0.75 correlation, sag) follows what was measured on the runs of the data
challenge of the 5th European PHM Society conference, 2020; the numbers are made here.
"""

from __future__ import annotations

import json

import numpy as np

from monitor.model import NS
from monitor.times import to_rfc3339

COLUMNS = ("up", "down", "flow")


def clogging_run(seed: int, seconds: float = 260.0) -> np.ndarray:
    """Rows of (upstream psi, downstream psi, flow mL/min), ten a second."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, seconds, 0.1)
    life = 0.88 * seconds
    dp = 0.5 + 3.0 * (t / life) ** 2 + 16.5 * np.exp((t - life) / 18.0)
    flow = np.where(t < 6, 0.0, 560 - 1.2 * dp + rng.normal(0, 6, t.size))
    shared = rng.normal(0, 0.6, t.size)
    up = dp * (flow > 0) + 1.0 + shared + rng.normal(0, 0.35, t.size)
    down = 1.0 + shared + rng.normal(0, 0.35, t.size)
    return np.round(np.column_stack([up, down, flow]), 4)


def messages(rows: np.ndarray, start: int, step: int = NS // 10) -> list[tuple[str, bytes]]:
    """One message a value, in order of time, with the time of its own."""
    out = []
    for k, row in enumerate(rows):
        stamp = to_rfc3339(start + k * step)
        for name, value in zip(COLUMNS, row, strict=True):
            out.append((f"rig/{name}", json.dumps({"time": stamp, "value": value}).encode()))
    return out


def write_csv(path, rows: np.ndarray, start: int) -> None:
    with open(path, "w", newline="") as f:
        f.write("time," + ",".join(COLUMNS) + "\n")
        for k, row in enumerate(rows):
            f.write(to_rfc3339(start + k * NS // 10) + "," + ",".join(map(str, row)) + "\n")
