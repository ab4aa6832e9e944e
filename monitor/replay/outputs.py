"""The files of a replay. They replace those of an earlier one only when all is written."""

from __future__ import annotations

import contextlib
import csv
import errno
import json
import math
import os
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import IO, Any

from monitor.engine.messages_changeout import Changeout
from monitor.engine.told import ForecastRow
from monitor.errors import RunError
from monitor.forecast.life import ElementLife, written
from monitor.model import Event, Rejection
from monitor.records import event_object
from monitor.replay.minutes import COLUMNS, Minutes
from monitor.times import to_rfc3339

TABLES = {
    "quarantine.csv": ("time", "skid", "signal", "reason", "where", "text", "note"),
    "changeouts.csv": (
        "skid", "vessel", "isolated_at", "returned_at", "life_h", "volume_m3",
        "dp_before_bar", "dp_after_bar", "resistance_ratio", "verdict",
    ),
    "forecasts.csv": ("time", "skid", "p10_h", "p50_h", "p90_h"),
    "minutes.csv": COLUMNS,
}  # fmt: skip
LINES = ("events.jsonl", "elements.jsonl")
REPORT = "report.html"
NAMES = (*TABLES, *LINES, REPORT)


class Outputs:
    """Open the output files of a replay in a folder; on a clean exit they take their places together."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._files: dict[str, IO[str]] = {}
        self._tables: dict[str, Any] = {}

    def __enter__(self) -> Outputs:
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            for name in NAMES:
                if (self.folder / name).is_dir():
                    raise IsADirectoryError(errno.EISDIR, f"{name} is a folder")
                # A recording's name may hold what UTF-8 cannot.
                self._files[name] = self._part(name).open("w", encoding="utf-8", errors="backslashreplace", newline="")
        except BaseException as error:
            self._close()
            self._discard()
            if not isinstance(error, OSError):
                raise       # a stop that was asked for may come here too
            raise RunError(f"{self.folder}: the results cannot be written there ({self._reason(error)}); "
                           "accepted for --out: a folder that can be written, or a new one") from None
        for name, columns in TABLES.items():
            self._tables[name] = csv.writer(self._files[name], lineterminator="\n")
            self._tables[name].writerow(columns)
        return self

    def report(self, page: str) -> None:
        self._files[REPORT].write(page)

    def _part(self, name: str) -> Path:
        """Where a file is written before it takes its place."""
        return self.folder / f".{name}.part"

    def events(self, events: Iterable[Event]) -> None:
        for event in events:
            self._files["events.jsonl"].write(json.dumps(event_object(event), ensure_ascii=False) + "\n")

    def changeouts(self, changeouts: Iterable[Changeout]) -> None:
        for c in changeouts:
            self._tables["changeouts.csv"].writerow(
                (c.skid, c.vessel or "", to_rfc3339(c.isolated_at), to_rfc3339(c.returned_at),
                 _cell(c.running_s, 3600.0, 3), _cell(c.volume, 1.0, 3), _cell(c.drop_before, 1e5, 5),
                 _cell(c.drop_after, 1e5, 5), _cell(c.finding.ratio, 1.0, 4), c.finding.verdict)
            )  # fmt: skip

    def forecasts(self, rows: Iterable[ForecastRow]) -> None:
        for r in rows:
            self._tables["forecasts.csv"].writerow(
                (to_rfc3339(r.time), r.skid, f"{r.p10:.5g}", f"{r.p50:.5g}", f"{r.p90:.5g}")
            )

    def elements(self, lives: Iterable[ElementLife]) -> None:
        for life in lives:
            self._files["elements.jsonl"].write(json.dumps(written(life), ensure_ascii=False) + "\n")

    def minutes(self, minutes: Minutes) -> None:
        self._tables["minutes.csv"].writerows(minutes.rows())

    def quarantine(self, rejections: Iterable[Rejection]) -> None:
        table = self._tables["quarantine.csv"]
        for r in rejections:
            table.writerow(
                ("" if r.time is None else to_rfc3339(r.time), r.skid or "", r.signal or "", r.reason, r.where, r.text,
                 r.note)
            )

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        fault = self._close()
        if kind is None and fault is None:
            fault = self._take_places()
        self._discard()
        fault = error if isinstance(error, OSError) else fault
        if fault is not None and (kind is None or fault is error):
            raise RunError(f"{self.folder}: the results could not be written ({self._reason(fault)}); those of an "
                           "earlier replay are left as they were") from None

    def _close(self) -> OSError | None:
        """Closes every file; what went wrong at that."""
        wrong = None
        for file in self._files.values():
            try:
                file.close()
            except OSError as error:
                wrong = error
        return wrong

    def _take_places(self) -> OSError | None:
        for name in NAMES:
            try:
                os.replace(self._part(name), self.folder / name)
            except OSError as error:
                return error
        return None

    def _discard(self) -> None:
        for name in NAMES:
            with contextlib.suppress(OSError):
                self._part(name).unlink(missing_ok=True)

    def _reason(self, error: OSError) -> str:
        if self.folder.exists() and not self.folder.is_dir():
            return "it is a file"
        return (error.strerror or str(error)).lower()


def _cell(value: float | None, unit: float, digits: int) -> str:
    """A number in a unit; what is not known stays empty."""
    return "" if value is None or not math.isfinite(value) else f"{value / unit:.{digits}f}"
