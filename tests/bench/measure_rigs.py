"""Open recordings of filter rigs through the engine: breaches called where none was, and made-up ones found.

    python tests/bench/measure_rigs.py --liquid FOLDER --air FOLDER

--liquid  CSV files of the PHM Society Europe data challenge 2020 (time s, flow mL/min, upstream and downstream psi):
          one filter each, run from clean to clogged
--air     CSV files of Mauthe, Braig, Zeiler, ESREL 2022 (dP Pa, flow m^3/h, 10 Hz): air filters loaded to 600 Pa,
          whose cake slips

A breach is made by taking from the upstream pressure what brings the smoothed dP to 10 to 40 % of itself: the noise
stays. It is found where `element-breach` is raised after it, at most --within seconds later. Rates come with their
one-sided 95 % bound (Clopper and Pearson, Biometrika 26 (1934) 404).
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[2]))

from monitor.config import load
from monitor.engine.engine import Engine
from monitor.model import NS, Event, Rows, Transition
from monitor.skid import SkidSettings

Array = npt.NDArray[np.float64]
START = 1_700_000_000 * NS
PSI = 6894.757
SMOOTHED = 51            # readings: 5 s
LEAD_S = 130.0           # a breach is made no sooner: references have to exist
AFTER_S = 25.0           # and no later than so long before the end

LIQUID = """
[skid]
id = "rig"
name = "Filtration rig"
vessels = ["filter"]
[skid.element]
changeout_dp = "20 psi"
max_dp = "40 psi"
[skid.reference]
flow = "560 mL/min"
temperature = "20 degC"
[[signal]]
id = "up"
role = "inlet-pressure"
topic = "rig/up"
unit = "psi"
range = [0.0, 60.0]
[[signal]]
id = "down"
role = "outlet-pressure"
topic = "rig/down"
unit = "psi"
range = [0.0, 60.0]
[[signal]]
id = "flow"
role = "flow"
topic = "rig/flow"
unit = "mL/min"
range = [0.0, 1000.0]
[alarm.changeout-due]
on_delay = "5 s"
settle = "10 s"
"""
AIR = """
[skid]
id = "bench"
name = "Air filter bench"
vessels = ["filter"]
[skid.element]
changeout_dp = "600 Pa"
max_dp = "1200 Pa"
clean_dp = "60 Pa"
[skid.reference]
flow = "80 m^3/h"
temperature = "20 degC"
[[signal]]
id = "dp"
role = "differential-pressure"
topic = "bench/dp"
unit = "Pa"
range = [0.0, 1000.0]
[[signal]]
id = "flow"
role = "flow"
topic = "bench/flow"
unit = "m^3/h"
range = [0.0, 120.0]
[alarm.changeout-due]
on_delay = "5 s"
settle = "10 s"
"""


@dataclass(frozen=True)
class Run:
    """One recording: seconds, and a column of each signal in the configuration's order."""

    name: str
    second: Array
    columns: tuple[Array, ...]

    @property
    def drop(self) -> Array:
        smooth = pd.Series(self.columns[0] - self.columns[1] if len(self.columns) == 3 else self.columns[0])
        return np.asarray(smooth.rolling(SMOOTHED, center=True, min_periods=1).median())

    def rows(self, signals: int | None = None) -> Rows:
        """Readings of the first so many columns, of all where none is said."""
        columns = self.columns[:signals]
        time = START + np.round(self.second * 1000).astype(np.int64) * 1_000_000
        n, k = time.size, len(columns)
        return Rows(np.repeat(time, k), np.tile(np.arange(k, dtype=np.int16), n), np.stack(columns, 1).ravel(),
                    np.zeros(n * k, np.uint8))  # fmt: skip

    def torn(self, at: float, left: float) -> Run:
        """The same with dP at `left` of itself from a second on."""
        taken = np.where(self.second >= at, (1 - left) * self.drop, 0.0)
        return Run(self.name, self.second, (self.columns[0] - taken, *self.columns[1:]))


def liquid(folder: Path) -> Iterator[Run]:
    for path in sorted(folder.glob("*.csv*")):
        if path.name.startswith("profiles"):
            continue
        table = pd.read_csv(path).to_numpy(float)
        yield Run(path.name, table[:, 0], (table[:, 2], table[:, 3], table[:, 1]))


def profiles(folder: Path) -> dict[int, tuple[str, str]]:
    """Of the liquid runs by number: size of the particles [um], share of solids."""
    table = pd.read_csv(folder / "profiles.csv", sep=";", encoding="utf-8-sig", dtype=str)
    return {int(number): (size, solids) for number, size, solids in table.to_numpy()}


def number_of(run: Run) -> int:
    """The number in the name of a liquid run's file."""
    return int("".join(filter(str.isdigit, run.name.split(".")[0])))


def air(folder: Path) -> Iterator[Run]:
    for path in sorted(folder.glob("*.csv*")):
        table = pd.read_csv(path)
        yield Run(path.name, table["Zeit"].to_numpy(float),
                  (table["Differenzdruck"].to_numpy(float), table["Durchfluss"].to_numpy(float)))  # fmt: skip


def settings(text: str) -> SkidSettings:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "skid.toml"
        path.write_text(text, encoding="utf-8")
        return load(path).skids[0]


def events_of(run: Run, skid: SkidSettings) -> list[Event]:
    engine = Engine([skid])
    output, _ = engine.feed({0: run.rows()})
    return [e for e in output.events + engine.finish().events if e.kind == "element-breach"]


def raised(events: list[Event]) -> list[tuple[float, str]]:
    return [((e.time - START) / NS, e.grade or "") for e in events if e.transition is Transition.RAISED]


def bound(good: int, n: int) -> float:
    """Lower one-sided 95 % bound of a rate."""
    from scipy.stats import beta

    return float(beta.ppf(0.05, good, n - good + 1)) if good else 0.0


def quiet(name: str, runs: list[Run], skid: SkidSettings) -> None:
    grades = [{g for _, g in raised(events_of(r, skid))} for r in runs]
    likely, suspected = (sum(word in g for g in grades) for word in ("likely", "suspected"))
    print(f"{name}: {len(runs)} runs, likely on {likely}, suspected on {suspected}")
    for run, found in zip(runs, grades, strict=True):
        if found:
            print(f"    {run.name}: {', '.join(sorted(found))}")


def made(name: str, runs: list[Run], skid: SkidSettings, least: float, tries: int, within: float) -> None:
    rng, found, delays, missed = np.random.default_rng(1), 0, [], []
    n = 0
    for run in runs:
        possible = run.second[(run.drop >= least) & (run.second >= LEAD_S) & (run.second <= run.second[-1] - AFTER_S)]
        for _ in range(tries if possible.size else 0):
            at, left = float(rng.choice(possible)), float(rng.uniform(0.1, 0.4))
            n += 1
            first = [t - at for t, _ in raised(events_of(run.torn(at, left), skid)) if t >= at]
            delays += first[:1]
            found += bool(first) and first[0] <= within
            if not first or first[0] > within:
                level = float(run.drop[np.searchsorted(run.second, at)])
                missed.append(f"{run.name} at {at:.0f} s, dP {level:.3g} to {left:.0%}: "
                              + (f"{first[0]:.0f} s" if first else "never"))  # fmt: skip
    middle = f", delay {np.median(delays):.0f} s (90 %: {np.quantile(delays, 0.9):.0f} s)" if delays else ""
    least_rate = f"at least {bound(found, n):.1%}"
    print(f"{name}: {found}/{n} found within {within:g} s, {least_rate}; at all {len(delays)}{middle}")
    for line in missed[:12]:
        print("   ", line)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--liquid", type=Path)
    parser.add_argument("--air", type=Path)
    parser.add_argument("--tries", type=int, default=4, help="breaches made in each run")
    parser.add_argument("--within", type=float, default=10.0, help="seconds")
    asked = parser.parse_args()
    if asked.liquid:
        skid, runs = settings(LIQUID), list(liquid(asked.liquid))
        quiet("liquid", runs, skid)
        made("liquid, torn from 2 psi up", runs, skid, 2.0, asked.tries, asked.within)
    if asked.air:
        skid, runs = settings(AIR), list(air(asked.air))
        quiet("air", runs, skid)
        made("air, torn from 100 Pa up", runs, skid, 100.0, asked.tries, asked.within)


if __name__ == "__main__":
    main()
