"""Minutes around events, kept beside them: enough to draw what went on, little enough for any length of recording."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from operator import attrgetter
from pathlib import Path

import numpy as np
import numpy.typing as npt

from monitor.errors import InputError
from monitor.model import NS, Minute
from monitor.times import parse_rfc3339, to_rfc3339

HALF_NS = 5_400 * NS        # ninety minutes on each side
COLUMNS = ("time", "dp_normalised_bar", "dp_bar", "flow_m3_h")
FIELDS = ("normalised", "pressure_drop", "flow")
SCALES = (1e-5, 1e-5, 3600.0)
DIGITS = (5, 5, 4)
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Minutes:
    """Roll-ups as columns: start [ns]; normalised dP, dP [bar] and flow [m^3/h] as (n, 3), NaN where unknown."""

    time: npt.NDArray[np.int64]
    values: Floats

    @classmethod
    def of(cls, minutes: Sequence[Minute]) -> Minutes:
        values = np.array(list(map(attrgetter(*FIELDS), minutes)), float).reshape(-1, 3)
        return cls(np.array([m.time for m in minutes], np.int64), values * SCALES)

    @classmethod
    def concat(cls, parts: Sequence[Minutes]) -> Minutes:
        if not parts:
            return cls.of([])
        return cls(np.concatenate([p.time for p in parts]), np.concatenate([p.values for p in parts]))

    def near(self, moments: Iterable[int]) -> Minutes:
        """Those within ninety minutes of any of the moments [ns]."""
        ordered = np.sort(np.fromiter(moments, np.int64))
        if ordered.size == 0:
            return Minutes.of([])
        first = ordered[np.searchsorted(ordered, self.time - HALF_NS).clip(max=ordered.size - 1)]
        kept = np.abs(self.time - first) <= HALF_NS
        return Minutes(self.time[kept], self.values[kept])

    def parted(self) -> tuple[Minutes, Minutes]:
        """Those that no later event can be near, and the newest, that one may."""
        k = int(np.searchsorted(self.time, self.time[-1] - 2 * HALF_NS)) if self.time.size else 0
        return Minutes(self.time[:k], self.values[:k]), Minutes(self.time[k:], self.values[k:])

    def rows(self) -> Iterator[tuple[str, ...]]:
        """As cells of minutes.csv; what is not known stays empty."""
        for time, values in zip(self.time.tolist(), self.values.tolist(), strict=True):
            yield to_rfc3339(time), *(f"{v:.{d}f}" if math.isfinite(v) else ""
                                      for v, d in zip(values, DIGITS, strict=True))  # fmt: skip


def write_minutes(path: Path, minutes: Minutes) -> None:
    """As `read_minutes` reads them. Raises OSError."""
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows([COLUMNS, *minutes.rows()])


def read_minutes(path: Path) -> Minutes:
    """A minutes.csv; InputError where it is none."""
    try:
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        times = [parse_rfc3339(row["time"]) for row in rows]
        values = [[float(row[name] or "nan") for name in COLUMNS[1:]] for row in rows]
    except (OSError, UnicodeDecodeError, KeyError, ValueError, TypeError, csv.Error):
        times = ["unreadable"]
    if any(isinstance(time, str) for time in times):
        raise InputError(f"{path}: cannot be read; accepted: the minutes.csv of a replay")
    return Minutes(np.array(times, np.int64), np.array(values, float).reshape(-1, 3))
