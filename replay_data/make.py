"""Make the simulated recordings beside this file again; `spring-runoff` is not among them.

    .venv/bin/python replay_data/make.py --out elsewhere
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from pathlib import Path

from monitor.simulation.scenarios import generate
from monitor.simulation.site import Wishes
from monitor.simulation.story import Recording
from monitor.simulation.write import write

HERE = Path(__file__).parent


@dataclass(frozen=True, slots=True)
class Entry:
    """instruments: letters as in `Wishes`. bay: what the hatchery calls the skid. interval: s, of readings: mostly
    long ones, so that the files stay small."""

    folder: str
    scenario: str
    seed: int
    instruments: str
    bay: str
    interval: float = 10.0


ENTRIES = (
    Entry("wrong-element", "bad-changeout", 6, "HF", "raceways"),
    Entry("unseated-element", "bad-changeout", 7, "HF", "hatch house"),
    Entry("too-little-told", "bad-changeout", 3, "HF", "quarantine ponds"),
    Entry("torn-element", "torn-in-service", 1, "HF", "raceways"),
    Entry("torn-overnight", "breach-after-restart", 2, "HF", "broodstock"),
    Entry("seeping-lid", "closure-seep", 7, "HVL", "hatch house"),
    Entry("spikes-and-freezes", "signal-faults", 10, "HF", "broodstock"),
    Entry("swapped-and-silent", "signal-faults", 5, "HF", "raceways"),
    Entry("gate-surges", "surge", 1, "H", "quarantine ponds", interval=2.0),
    Entry("shut-path", "flow-blocked", 1, "HF", "broodstock"),
    Entry("past-the-limit", "plain-loading", 2, "HF", "raceways"),
)


def recording(entry: Entry) -> Recording:
    """An entry's recording, its skid one of the hatchery's."""
    made = generate(entry.scenario, entry.seed, wishes=Wishes(instruments=entry.instruments, interval=entry.interval))
    name = f"River intake, {entry.bay}"
    return replace(made, site=replace(made.site, id=f"intake-{entry.folder}", name=name, prefix="hatchery"))


def make(entry: Entry, place: Path) -> None:
    """Write an entry's folder; the truth behind it is left out, its labels are enough."""
    folder = place / entry.folder
    write(recording(entry), folder)
    (folder / "truth.csv.gz").unlink()


def main() -> None:
    parser = argparse.ArgumentParser(description="Make the simulated recordings again.")
    parser.add_argument("--out", type=Path, default=HERE, help="where the folders are made")
    asked = parser.parse_args()
    for entry in ENTRIES:
        make(entry, asked.out)


if __name__ == "__main__":
    main()
