"""One set of settings over one recording: the engine of the daemon and of replay, and the score of what it says.

Rows come decoded and sequenced, and fits of changeouts whose levels are the same are not made again
(`monitor.remembered`): of the stages only those that a change reaches run anew, with the results of a plain replay.
"""

from __future__ import annotations

from collections.abc import Mapping

from monitor.engine.engine import Engine, Output
from monitor.hydraulics import network_fit
from monitor.model import Role, Rows, SkidSettings
from monitor.tuning.material import Material
from monitor.tuning.score import Score, score

FITS = 20_000       # kept by each process while it tunes


def prepare() -> None:
    """Have this process remember what many sets share."""
    network_fit.fit.keep = FITS


def judged(rows: Rows, skid: SkidSettings, *, minutes: bool = False) -> Output:
    """What the engine says of rows that were sequenced before; minutes: the roll-ups too."""
    engine = Engine([skid])
    engine.rows.keeps_minutes = minutes
    return engine.judge({0: rows})


def evaluate(material: Material, changes: Mapping[str, str]) -> Score:
    """Score of a recording under changed keys. ConfigError where these do not go together."""
    skid = material.template.settings(changes)
    events = judged(material.rows, skid).events
    own = bool(skid.with_role(Role.VESSEL_PRESSURE))
    return score(material.labels, events, vessel_pressures=own)
