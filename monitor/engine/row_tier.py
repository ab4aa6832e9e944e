"""The row tier behind one call: rows in, emissions and closed minutes out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import repeat
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.compiled import records
from monitor.engine import codes, layout, parameters, rollup
from monitor.engine.by_address import Loop
from monitor.model import Minute, Rows
from monitor.skid import SkidSettings

MINUTES_A_CALL = 4096


class Emission(NamedTuple):
    skid: int
    code: int
    alarm: int       # position of the kind
    signal: int      # index of a signal or vessel, -1 for none
    detail: int
    time: int
    onset: int
    value: float


class RowTier:
    """State and parameters of all skids of one engine. trend_buckets: size of the trend kept of the first skid."""

    def __init__(self, skids: Sequence[SkidSettings], *, trend_buckets: int = 0) -> None:
        self.parameters = parameters.build(skids)
        self.state = layout.new_state(len(skids))
        self._emissions = records(codes.EMISSIONS_A_TICK, layout.emission)
        self._minutes = records(MINUTES_A_CALL, rollup.closed_dtype)
        self._trend = records(trend_buckets, rollup.trend_dtype)
        self._head = records(1, rollup.head_dtype)
        self._loop = Loop(self.state, self.parameters, (self._emissions, self._minutes, self._trend, self._head))
        self._told, self._closed = self._emissions.view(np.ndarray), self._minutes.view(np.ndarray)
        self._kept: list[bytes] = []
        self.keeps_minutes = True    # tuning has no use for them, and they cost as much as the seconds they stand for

    def run(self, which: npt.NDArray[np.int32], rows: Rows) -> Iterator[Emission]:
        """Process rows (signal -1: time only) of the skids `which`; yields each emission before the next row is
        taken, so that what the caller changes in the state is in effect from there on."""
        self._loop.take(which, rows)
        i = 0
        while i < rows.size:
            i, emitted, closed = self._loop.run(i)
            if self.keeps_minutes and closed:
                self._kept.append(self._closed[:closed].tobytes())
            for fields in self._told[:emitted].tolist():
                yield Emission(int(which[i]), *fields)

    def take_minutes(self) -> list[tuple[int, Minute]]:
        """Skid and minute of all that have closed since this was last called."""
        if not self._kept:
            return []
        rows, self._kept = np.frombuffer(b"".join(self._kept), rollup.closed_dtype), []
        # A column at a time: field by field, a record costs more than the minute it stands for.
        columns = (rows["start"], *rows["means"].T, rows["judged"] == 1)
        fields = zip(*(column.tolist() for column in columns), strict=True)
        # What `Minute(...)` does, less a call of Python each.
        return list(zip(rows["skid"].tolist(), map(tuple.__new__, repeat(Minute), fields), strict=False))

    def trend(self) -> dict[str, npt.NDArray[np.float64] | npt.NDArray[np.int64]]:
        """The trend of the first skid: bucket starts [ns], means of layout.MINUTE_FIELDS, low and high of dP [SI]."""
        used = self._trend[: int(self._head[0].used)]
        count = used["counts"]
        mean = np.where(count > 0, used["sums"] / np.maximum(count, 1), np.nan)
        columns: dict[str, npt.NDArray[np.float64] | npt.NDArray[np.int64]] = {"time": used["start"].copy()}
        columns |= {name: mean[:, k] for k, name in enumerate(layout.MINUTE_FIELDS)}
        known = np.isfinite(used["low"])
        columns["pressure_drop_low"] = np.where(known, used["low"], np.nan)
        columns["pressure_drop_high"] = np.where(known, used["high"], np.nan)
        return columns
