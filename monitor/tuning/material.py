"""Labelled recordings, decoded and sequenced once, to be judged many times."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import TYPE_CHECKING

import numpy as np

from monitor.config.overrides import Template
from monitor.engine.sequencer import Sequencer
from monitor.errors import InputError
from monitor.model import NS, Quality, Rejection, Role, Rows
from monitor.skid import SkidSettings
from monitor.tuning.labels import Labels

if TYPE_CHECKING:
    from monitor.ingest.recording import Recordings

DAY_NS = 86_400 * NS


@dataclass(frozen=True, slots=True)
class Material:
    """One recording with its labels. rows: as the sequencer released them, ended by a tick at the newest. zone: by
    whose clocks it was made."""

    name: str
    template: Template
    labels: Labels
    rows: Rows
    zone: tzinfo = UTC

    @property
    def days(self) -> float:
        return float(self.rows.time[-1] - self.rows.time[0]) / DAY_NS if self.rows.size else 0.0

    @property
    def vessel_pressures(self) -> bool:
        return bool(self.template.settings({}).with_role(Role.VESSEL_PRESSURE))


def rows_of(history: Recordings, skid: SkidSettings, name: str) -> Rows:
    """A recording's rows, sequenced; InputError without one usable row says what became of the first."""
    refused: list[Rejection] = []

    def arrivals() -> Iterable[Rows]:
        for chunk in history:
            refused.extend(chunk.rejections[: 1 - len(refused)])
            yield chunk.rows

    try:
        return sequenced(arrivals(), skid, name)
    except InputError as error:
        why = "".join(f"; {r.where}: {r.text[:60]}: {r.note}" for r in refused)
        raise InputError(f"{error}{why}") from None


def sequenced(arrivals: Iterable[Rows], skid: SkidSettings, name: str) -> Rows:
    """Rows in order of arrival as the engine judges them; InputError without one usable row."""
    sequencer = Sequencer(lateness=round(skid.lateness_s * NS))
    parts = [sequencer.push(rows)[0] for rows in arrivals]
    parts.append(sequencer.finish())
    rows = Rows.concat([part for part in parts if part.size])
    if not np.any((rows.quality < Quality.BAD) & np.isfinite(rows.value)):
        raise InputError(f"{name}: not one usable row; accepted: rows with a time and a number for a configured signal")
    tick = Rows(np.array([sequencer.released]), np.array([-1], np.int16), np.array([np.nan]), np.zeros(1, np.uint8))
    return Rows.concat([rows, tick])
