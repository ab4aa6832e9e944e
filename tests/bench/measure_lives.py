"""Forecasts on open recordings of filter rigs, beside naive methods: median error of p50 in % of what truly remains.

    python tests/bench/measure_lives.py --liquid FOLDER --air FOLDER

--liquid  CSV files of the PHM Society Europe data challenge 2020 (time s, flow mL/min, upstream and downstream psi) and
          its profiles.csv: one filter each, run from clean to 20 psi; the solids level of the run is left out
--air     CSV files of Mauthe, Braig, Zeiler, ESREL 2022 (dP Pa, flow m^3/h, feed, 10 Hz): air filters loaded to 600 Pa

Earlier lives are what replays of other runs leave behind, ten at most, drawn with a seed. Truth is where the median
over a second first passes the point: of dP as measured, and, with the flow meter, also of dP referred to the reference
flow, which is what `changeout-due` acts on and forecasts foretell. Naive, from the same earlier runs and dP as
measured: a
straight line and an exponential over the last 30 s (air: the last quarter of the life), the mean life, and what
remained at the same dP in earlier lives.
"""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[2]))
sys.path.insert(0, str(Path(__file__).parent))

import measure_rigs as rigs

from monitor.engine.engine import Engine
from monitor.engine.told import ForecastRow
from monitor.forecast.life import ElementLife
from monitor.replay.memory import recall
from monitor.skid import SkidSettings

Array = npt.NDArray[np.float64]
FRACTIONS = (0.5, 0.7, 0.8, 0.9)
NEAR = 0.03              # of a life: a forecast further off does not stand for a fraction
MOST = 10                # earlier runs
SEED = 6
SECOND = 10              # readings


@dataclass
class Life:
    """One run. group: like runs share it; level: what is left out together; crossed: when the point was passed [s], by
    how it is measured."""

    run: rigs.Run
    group: str
    level: str
    dp: Array
    referred: Array
    crossed: dict[str, float] = field(default_factory=dict)
    lives: dict[str, list[ElementLife]] = field(default_factory=dict)


def smooth(values: Array) -> Array:
    return np.asarray(pd.Series(values).rolling(SECOND, min_periods=1).median())


def first_above(second: Array, values: Array, limit: float) -> float:
    return float(second[np.argmax(values > limit)]) if (values > limit).any() else float(second[-1])


def liquid(folder: Path) -> Iterator[Life]:
    known = rigs.profiles(folder)
    for run in rigs.liquid(folder):
        size, solids = known[rigs.number_of(run)]
        up, down, flow = run.columns
        yield life(run, size, solids, up - down, flow / 560.0, 20.0)


def air(folder: Path) -> Iterator[Life]:
    for run in rigs.air(folder):
        feed = str(pd.read_csv(folder / run.name, nrows=1)["Vorschub"][0])
        yield life(run, feed, feed, run.columns[0], run.columns[1] / 80.0, 600.0)


def life(run: rigs.Run, group: str, level: str, dp: Array, share: Array, limit: float) -> Life:
    dp = smooth(dp)
    referred = dp / np.maximum(smooth(share), 0.3)
    return Life(run, group, level, dp, referred, {"dp": first_above(run.second, dp, limit),
                                                 "referred dp": first_above(run.second, referred, limit)})  # fmt: skip


def replay(
    life: Life, skid: SkidSettings, history: Sequence[ElementLife]
) -> tuple[list[ForecastRow], list[ElementLife]]:
    engine = Engine([skid])
    recall(engine, history)
    output, _ = engine.feed({0: life.run.rows(len(skid.signals))})
    output.join(engine.finish())
    return output.forecasts, [*output.lives, *engine.open_lives(0)]


def at_fractions(life: Life, rows: Sequence[ForecastRow], crossed: float) -> list[tuple[float, float, float, float]]:
    """Of the row nearest to each fraction: error of p50 (relative, signed), whether inside, relative width; NaN where
    there is none."""
    second = np.array([(r.time - rigs.START) / rigs.NS for r in rows])
    out = []
    for fraction in FRACTIONS:
        at = np.flatnonzero(np.abs(second / crossed - fraction) < NEAR)
        if not at.size:
            out.append((np.nan,) * 4)
            continue
        k = int(at[np.argmin(np.abs(second[at] / crossed - fraction))])
        left, row = crossed - second[k], rows[k]
        low, middle, high = (3600 * h for h in (row.p10, row.p50, row.p90))
        out.append((middle / left - 1, float(low <= left <= high), (high - low) / left, left))
    return out


def earlier(
    life: Life, lives: Sequence[Life], may: Callable[[Life, Life], bool], draw: np.random.Generator
) -> list[Life]:
    allowed = [other for other in lives if other is not life and may(life, other)]
    if len(allowed) <= MOST:
        return allowed
    return [allowed[k] for k in sorted(draw.choice(len(allowed), MOST, replace=False))]


def naive(life: Life, others: Sequence[Life], second: float, limit: float, lately: float) -> dict[str, float]:
    """Remaining life [s] by each method."""
    run, k = life.run.second, int(np.searchsorted(life.run.second, second))
    back = int(np.searchsorted(run, second - lately))
    x, y = run[back:k] - second, life.dp[back:k]
    slope, now = np.polyfit(x, y, 1)
    rate, log_now = np.polyfit(x, np.log(np.maximum(y, limit / 400)), 1)
    level = float(life.dp[k])
    same = [o.crossed["dp"] - first_above(o.run.second, o.dp, level) for o in others]
    return {
        "straight line": (limit - now) / slope if slope > 0 else np.inf,
        "exponential": (np.log(limit) - log_now) / rate if rate > 0 else np.inf,
        "mean life": max(float(np.mean([o.crossed["dp"] for o in others])) - second, 0.0),
        "dP look-up": float(np.median(same)),
    }


def percent(values: Sequence[float]) -> str:
    known = [abs(v) for v in values if not np.isnan(v)]
    return f"{100 * np.median(known):.0f}" if known else "-"


def report(
    name: str, lives: list[Life], skids: dict[str, SkidSettings], pools: dict[str, Callable[[Life, Life], bool]],
    limit: float, lately: Callable[[float], float],
) -> None:
    print(f"\n{name}: {len(lives)} runs; median error in % at {'/'.join(f'{f:.0%}' for f in FRACTIONS)} of life")
    for how, skid in skids.items():
        for one in lives:
            _, one.lives[how] = replay(one, skid, ())
    for what, may in pools.items():
        draw = np.random.default_rng(SEED)
        known = [earlier(one, lives, may, draw) for one in lives]
        for how, skid in skids.items():
            told = [replay(one, skid, [one_life for o in others for one_life in o.lives[how]])[0]
                    for one, others in zip(lives, known, strict=True)]  # fmt: skip
            for truth in ("dp", "referred dp") if len(skid.signals) == len(lives[0].run.columns) else ("dp",):
                line(f"{what}, {how}, until {truth} passes the point", lives, told, truth)
        if not any(known):
            continue
        misses: dict[str, list[list[float]]] = {}
        for one, others in zip(lives, known, strict=True):
            end = one.crossed["dp"]
            for f in FRACTIONS:
                for method, left in naive(one, others, f * end, limit, lately(f * end)).items():
                    errors = misses.setdefault(method, [[] for _ in FRACTIONS])
                    errors[FRACTIONS.index(f)].append(left / ((1 - f) * end) - 1)
        for method, by_fraction in misses.items():
            print(f"  {what + ', ' + method:75s} {'/'.join(percent(e) for e in by_fraction)}")


def line(what: str, lives: Sequence[Life], told: Sequence[Sequence[ForecastRow]], truth: str) -> None:
    found = np.array([at_fractions(one, rows, one.crossed[truth]) for one, rows in zip(lives, told, strict=True)])
    spoke = np.isfinite(found[:, :, 0]).sum(0)
    inside = np.nansum(found[:, :, 1], 0).astype(int)
    width = [percent(found[:, j, 2].tolist()) for j in range(len(FRACTIONS))]
    bias = [f"{100 * np.nanmedian(found[:, j, 0]):+.0f}" if spoke[j] else "-" for j in range(len(FRACTIONS))]
    errors = "/".join(percent(found[:, j, 0].tolist()) for j in range(len(FRACTIONS)))
    print(f"  {what:75s} {errors}; bias {'/'.join(bias)}; spoke {'/'.join(map(str, spoke))}; "
          f"inside {'/'.join(map(str, inside))}; width {'/'.join(width)} %")  # fmt: skip


def without_flow(text: str) -> str:
    return re.sub(r'\[\[signal\]\]\nid = "flow"\n.*?(?=\n\[)', "", text, count=1, flags=re.DOTALL)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--liquid", type=Path)
    parser.add_argument("--air", type=Path)
    asked = parser.parse_args()
    if asked.liquid:
        skids = {"flow meter": rigs.settings(rigs.LIQUID), "no flow meter": rigs.settings(without_flow(rigs.LIQUID))}
        report("liquid", list(liquid(asked.liquid)), skids, {
            "none": lambda a, b: False,
            "same particles, other solids": lambda a, b: a.group == b.group and a.level != b.level,
            "any particles, other solids": lambda a, b: a.level != b.level,
        }, 20.0, lambda second: 30.0)  # fmt: skip
    if asked.air:
        skids = {"flow meter": rigs.settings(rigs.AIR), "no flow meter": rigs.settings(without_flow(rigs.AIR))}
        report("air", list(air(asked.air)), skids, {
            "none": lambda a, b: False,
            "same feed": lambda a, b: a.group == b.group,
            "any feed": lambda a, b: True,
            "other feeds": lambda a, b: a.group != b.group,
        }, 600.0, lambda second: 0.25 * second)  # fmt: skip


if __name__ == "__main__":
    main()
