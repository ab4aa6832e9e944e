"""Simulated recordings for other tests: as readings for the engine, and events judged by their labels.

The rules of matching are the contract's: an event counts for a label of its kind in
[time - early_s, time + within_s] (early_s 30 unless the label says more).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from monitor.config import load
from monitor.model import Event, Quality, Rows, Transition
from monitor.simulation.sampling import arrival_order
from monitor.simulation.scenarios import generate
from monitor.simulation.story import Recording
from monitor.simulation.write import skid_toml
from monitor.skid import SkidSettings

NS = 1_000_000_000


def recordings(name: str, seeds: range, **how: Any) -> Iterator[Recording]:
    """One recording of a scenario for each seed."""
    for seed in seeds:
        yield generate(name, seed, **how)


def settings_of(recording: Recording, folder: Path) -> SkidSettings:
    """The skid's settings, through a configuration file written to `folder`."""
    path = folder / "skid.toml"
    path.write_text(skid_toml(recording.site, recording.style.on_change), encoding="utf-8")
    return load(path).skids[0]


def rows_of(recording: Recording) -> Rows:
    """The readings in order of arrival; words in cells are bad readings without a value."""
    order = arrival_order(recording.groups, recording.style, np.random.default_rng([recording.seed, 7]))
    time, signal, value, quality = [], [], [], []
    for owner, row in order:
        group = recording.groups[owner]
        for column, index in enumerate(group.signals):
            said = group.value[row, column]
            if np.isnan(said):
                continue
            bad = (row, column) in group.words
            time.append(group.time[row])
            signal.append(index)
            value.append(np.nan if bad else said)
            quality.append(Quality.BAD if bad else Quality.GOOD)
    return Rows(
        np.array(time, np.int64), np.array(signal, np.int16), np.array(value, float), np.array(quality, np.uint8)
    )


def seconds(text: str) -> float:
    """Seconds since 1970 of a label's time."""
    return datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp()


@dataclass(slots=True)
class Verdict:
    """Labels found and missed, and events that no label explains."""

    found: list[tuple[dict[str, Any], Event]] = field(default_factory=list)
    missed: list[dict[str, Any]] = field(default_factory=list)
    false: list[Event] = field(default_factory=list)


def judge(labels: dict[str, Any], events: list[Event], *, vessel_pressures: bool) -> Verdict:
    """Events that were raised or noted against a recording's labels."""
    verdict = Verdict()
    left = sorted((e for e in events if e.transition in (Transition.RAISED, Transition.NOTED)), key=lambda e: e.time)
    for label in labels["events"]:
        match = next((e for e in left if _matches(label, e, label["within_s"], vessel_pressures)), None)
        if match is None:
            verdict.missed.append(label)
        else:
            left.remove(match)
            verdict.found.append((label, match))
    verdict.false = [e for e in left if not _excused(labels, e, vessel_pressures)]
    return verdict


def _matches(label: dict[str, Any], event: Event, within: float, vessel_pressures: bool) -> bool:
    at = seconds(label["time"])
    unnamed = event.vessel is None and (not vessel_pressures or event.kind in ("signal-fault", "element-breach"))
    right = label["vessel"] in (None, event.vessel) or unnamed
    return event.kind == label["kind"] and right and at - label.get("early_s", 30) <= event.time / NS <= at + within


def _excused(labels: dict[str, Any], event: Event, vessel_pressures: bool) -> bool:
    """A repeat or late raise while a labelled condition lasts, or inside an allowed span."""
    for label in labels["events"]:
        until = seconds(label["until"]) - seconds(label["time"]) if "until" in label else 0.0
        if _matches(label, event, max(label["within_s"], until), vessel_pressures):
            return True
    return any(
        a["kind"] == event.kind
        and a["detail"] in (None, event.detail)
        and seconds(a["time"]) <= event.time / NS <= seconds(a["until"])
        for a in labels["allowed"]
    )
