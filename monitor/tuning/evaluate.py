"""Sets of settings over one recording: the engine of the daemon and of replay, and the score of what it says.

Rows come decoded and sequenced. Sets that differ only in what is told go through one pass side by side
(`engine.lanes`), and fits of changeouts whose levels are the same are not made again (`monitor.remembered`): of the
stages only those that a change reaches run anew, with the results of a plain replay.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from monitor.detectors import pressure_decay
from monitor.engine.engine import Engine, Output
from monitor.engine.lanes import judge_side_by_side
from monitor.errors import ConfigError
from monitor.hydraulics import network_fit
from monitor.model import Role, Rows
from monitor.skid import SkidSettings
from monitor.tuning.material import Material
from monitor.tuning.score import Score, score

FITS = 20_000       # kept by each process while it tunes
FORECAST = "changeout-forecast"


def prepare() -> None:
    """Have this process remember what many sets share."""
    network_fit.fit.keep = FITS
    pressure_decay.heading_of.keep = FITS


def judged(rows: Rows, skid: SkidSettings, *, minutes: bool = False, forecasts: bool = True) -> Output:
    """What the engine says of rows that were sequenced before; minutes: the roll-ups too."""
    engine = Engine([skid])
    engine.rows.keeps_minutes = minutes
    engine.events.forecasts = forecasts
    return engine.judge({0: rows})


def asks_for_forecasts(material: Material) -> bool:
    """Whether a label is about a forecast; without one they are not judged, which costs as much as all the rest."""
    return any(label.kind == FORECAST for label in material.labels.events)


def evaluate(material: Material, sets: Sequence[Mapping[str, str]]) -> list[Score | None]:
    """Score of a recording under each set of changed keys, None where these do not go together. The sets may differ
    from each other in what is told only."""
    skids = [_settings(material, changes) for changes in sets]
    possible = [skid for skid in skids if skid is not None]
    if not possible:
        return [None for _ in skids]
    own = bool(possible[0].with_role(Role.VESSEL_PRESSURE))
    told = iter(judge_side_by_side(material.rows, possible, forecasts=asks_for_forecasts(material)))
    return [None if skid is None else score(material.labels, next(told), vessel_pressures=own) for skid in skids]


def _settings(material: Material, changes: Mapping[str, str]) -> SkidSettings | None:
    try:
        return material.template.settings(changes)
    except ConfigError:
        return None
