"""How cost grows with skids, rate, vessels and history: a table, and a plot of it as SVG.

    PYTHONPATH=.:tests python tests/bench/bench_growth.py [--full] [--out growth.svg]

The engine alone, processor time, the median of three runs each. The exponent is the slope of ln(cost of all) against
ln(how many): 1 is linear. Without `--full` the longest history is 100 days and the most skids are 1,000. Nothing is
asserted.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
from skids import BAR, START, duplex, signal

from monitor.engine.engine import Engine
from monitor.model import NS, Role, Rows
from monitor.skid import SkidSettings

DAY_S = 86_400
RUNS = 3
LIFE_DAYS = 30
SECONDS = 60          # of many skids that are counted, after as many that are not
WIDTH, HEIGHT, LEFT, TOP = 250, 190, 52, 26     # px of a plot, and of its margins


@dataclass(frozen=True)
class Curve:
    """cost: seconds of each size, of everything it stands for."""

    what: str
    each: str                 # what a unit of `per` is
    sizes: Sequence[float]
    cost: list[float]
    per: list[float]          # cost of one skid-second

    @property
    def exponent(self) -> float:
        """Slope of the logarithms by least squares."""
        return float(np.polyfit(np.log(self.sizes), np.log(self.cost), 1)[0])


def drawn(number: int, every: float) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Seconds of a day at which is read, and dP [bar] then: it loads for thirty days, and nights are quiet."""
    second = np.arange(0.0, DAY_S, every)
    load = 0.2 + 0.9 * ((number + second / DAY_S) % LIFE_DAYS) / LIFE_DAYS
    return second, load


def day(number: int, every: float, vessels: int) -> Rows:
    """A day of inlet, outlet, flow, temperature and a pressure for each vessel that has one."""
    chance = np.random.default_rng((3, number))
    second, load = drawn(number, every)
    share = 1.0 + 0.08 * np.sin(second / 4_000)
    outlet = 2.0 + chance.normal(0, 0.004, second.size)
    inlet = outlet + load * share**1.4 + chance.normal(0, 0.004, second.size)
    columns = [inlet, outlet, 40.0 * share + chance.normal(0, 0.15, second.size), 15.0 + 0 * second]
    columns += [inlet - 0.01 + chance.normal(0, 0.004, second.size) for _ in range(vessels)]
    values = np.round(np.stack(columns, 1), 4)
    time_ns = START + number * DAY_S * NS + np.round(second * NS).astype(np.int64)
    count = values.shape[1]
    return Rows(np.repeat(time_ns, count), np.tile(np.arange(count, dtype=np.int16), second.size), values.ravel(),
                np.zeros(values.size, np.uint8))


def skid(vessels: int = 2, pressures: int = 0) -> SkidSettings:
    whole = duplex(vessels=vessels)
    own = [signal(f"own{v}", Role.VESSEL_PRESSURE, "bar", 10.0, BAR, vessel=f"v{v}") for v in range(pressures)]
    return replace(whole, signals=(*whole.signals, *own))


def over(rows: Iterator[Rows], settings: SkidSettings) -> float:
    """Seconds that one skid's rows take."""
    engine, took = Engine([settings]), 0.0
    for part in rows:
        began = time.process_time()
        engine.feed({0: part})
        took += time.process_time() - began
    return took


def days(count: int, every: float, pressures: int = 0) -> Iterator[Rows]:
    return (day(number, every, pressures) for number in range(count))


def together(count: int) -> float:
    """Seconds for one second of each of `count` skids that come second by second, as they do live. Young ones: their
    forecasts take a sample every second or two, ten minutes apart later."""
    settings = duplex()
    engine = Engine([replace(settings, id=f"s{k}") for k in range(count)])
    whole, took = day(0, 1.0, 0), 0.0
    for second in range(2 * SECONDS):
        part = whole.take(slice(4 * second, 4 * second + 4))
        began = time.process_time()
        engine.feed(dict.fromkeys(range(count), part))
        took += time.process_time() - began if second >= SECONDS else 0.0
    return took / SECONDS


def curve(what: str, each: str, sizes: Sequence[float], work: Callable[[float], float],
          seconds: Callable[[float], float]) -> Curve:
    """seconds: skid-seconds of a size."""
    costs = [statistics.median(work(size) for _ in range(RUNS)) for size in sizes]
    return Curve(what, each, sizes, costs, [cost / seconds(size) for cost, size in zip(costs, sizes, strict=True)])


def measured(full: bool) -> list[Curve]:
    over([day(0, 1.0, 0).take(slice(0, 4_000))].__iter__(), skid())      # compiles
    skids = [1, 10, 100, 1_000, *([10_000] if full else [])]
    history = [1, 10, 100, *([1_000] if full else [])]
    return [
        curve("skids", "skids", skids, lambda n: together(int(n)), lambda n: n),
        curve("rate", "readings a second and signal", [0.1, 0.2, 0.5, 1, 2, 5, 10],
              lambda hz: over(days(1, 1 / hz), skid()), lambda hz: DAY_S),
        curve("vessels", "vessels, each with its pressure", [2, 3, 4, 5, 6, 7, 8],
              lambda n: over(days(1, 1.0, int(n)), skid(int(n), int(n))), lambda n: DAY_S),
        curve("history", "days", history, lambda n: over(days(int(n), 1.0), skid()), lambda n: n * DAY_S),
    ]  # fmt: skip


def table(curves: Sequence[Curve]) -> str:
    lines = ["| what | how many | ns a skid-second | exponent of all |", "|---|---|---|---|"]
    for one in curves:
        for size, per in zip(one.sizes, one.per, strict=True):
            last = f"{one.exponent:.2f}" if size == one.sizes[-1] else ""
            lines.append(f"| {one.what} | {size:,g} {one.each} | {per * 1e9:,.0f} | {last} |")
    return "\n".join(lines)


def plot(curves: Sequence[Curve]) -> str:
    """Cost of all against how many, both logarithmic, beside a line of slope 1."""
    parts = [panel(one, LEFT + k * (WIDTH + LEFT)) for k, one in enumerate(curves)]
    size = f'width="{len(curves) * (WIDTH + LEFT) + 20}" height="{HEIGHT + TOP + 44}"'
    style = 'font-family="sans-serif" font-size="11" fill="none" stroke-width="1.5"'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size} {style}>{"".join(parts)}</svg>\n'


def panel(one: Curve, left: int) -> str:
    x, y = np.log10(one.sizes), np.log10(one.cost)
    middle, half = (y.min() + y.max()) / 2, max(np.ptp(x), np.ptp(y)) / 2 * 1.1 + 0.05

    def at(u: float, v: float) -> str:
        across = left + WIDTH * (u - x[0]) / np.ptp(x)
        return f"{across:.1f},{TOP + HEIGHT * (middle + half - v) / (2 * half):.1f}"

    points = " ".join(at(u, v) for u, v in zip(x, y, strict=True))
    linear = f"{at(x[0], y[-1] - np.ptp(x))} {at(x[-1], y[-1])}"
    ticks = "".join(f'<text x="{at(u, 0).split(",")[0]}" y="{TOP + HEIGHT + 15}" text-anchor="middle" fill="#444">'
                    f"{size:,g}</text>" for u, size in zip(x, one.sizes, strict=True))
    scale = "".join(f'<text x="{left - 4}" y="{at(0, v).split(",")[1]}" text-anchor="end" fill="#444">{10**v:.2g} s'
                    "</text>" for v in (y.min(), y.max()))
    words = f"cost against {one.what}: exponent {one.exponent:.2f} (dashed: 1)"
    return (f'<clipPath id="{one.what}"><rect x="{left}" y="{TOP}" width="{WIDTH}" height="{HEIGHT}"/></clipPath>'
            f'<rect x="{left}" y="{TOP}" width="{WIDTH}" height="{HEIGHT}" stroke="#999"/>'
            f'<polyline points="{linear}" stroke="#999" stroke-dasharray="5 4" clip-path="url(#{one.what})"/>'
            f'<polyline points="{points}" stroke="#0a5a8a"/>{ticks}{scale}'
            f'<text x="{left}" y="{TOP - 9}" fill="#000">{words}</text>'
            f'<text x="{left + WIDTH / 2}" y="{TOP + HEIGHT + 32}" text-anchor="middle" fill="#000">{one.each}</text>')


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--full", action="store_true", help="1,000 days and 10,000 skids besides: some ten minutes")
    options.add_argument("--out", type=Path, help="where the plot goes")
    chosen = options.parse_args()
    curves = measured(chosen.full)
    print(table(curves))
    if chosen.out:
        chosen.out.write_text(plot(curves))


if __name__ == "__main__":
    sys.exit(main())
