"""Curves for pages: buckets of a signal or of a minute's quantity, reduced here and not in the browser."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import apsw
import numpy as np
import numpy.typing as npt

from monitor.errors import StoreError
from monitor.model import Minute, Quality
from monitor.store import history
from monitor.store.catalogue import Catalogue, signal_refs, skid_ref, versions
from monitor.store.connection import Handle, dump, load
from monitor.store.types import HOUR, MINUTE, Foreseen, MinuteFigures, PlanTold, Trend

QUANTITIES = ("inlet", "outlet", "pressure_drop", "flow", "temperature", "normalised")


def add_minutes(db: apsw.Connection, catalogue: Catalogue, rolled: Sequence[tuple[str, Minute]]) -> None:
    """A minute computed again, as after a restart, replaces itself."""
    db.executemany("INSERT OR REPLACE INTO minute VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                   [(catalogue.skid(skid), *minute) for skid, minute in rolled])


def add_forecasts(db: apsw.Connection, catalogue: Catalogue, foreseen: Sequence[Foreseen]) -> None:
    """A forecast made again, as after a restart, replaces itself."""
    db.executemany("INSERT OR REPLACE INTO forecast VALUES (?, ?, ?, ?, ?)",
                   [(catalogue.skid(skid), time, *hours) for time, skid, *hours in foreseen])


def forecasts(handle: Handle, skid: str, start: int, end: int) -> dict[str, npt.NDArray[Any]]:
    """Forecasts made with start <= time < end (ns) as columns: time, p10, p50, p90 [h]."""
    rows = handle.query("SELECT time, p10, p50, p90 FROM forecast WHERE skid = ? AND time >= ? AND time < ? "
                        "ORDER BY time", (skid_ref(handle, skid), start, end))
    columns = list(zip(*rows, strict=True)) or [()] * 4
    return {"time": np.array(columns[0], np.int64),
            **{name: np.array(c, np.float64) for name, c in zip(("p10", "p50", "p90"), columns[1:], strict=True)}}


def add_plans(db: apsw.Connection, catalogue: Catalogue, plans: Sequence[PlanTold]) -> None:
    db.executemany("INSERT OR REPLACE INTO plan VALUES (?, ?, ?)",
                   [(catalogue.skid(skid), time, dump(list(told))) for skid, time, told in plans])


def plans(handle: Handle) -> dict[str, tuple[int, list[tuple[str, str]]]]:
    """Skid -> time of its plan and [(what, sentence)]."""
    rows = handle.query("SELECT k.id, p.time, p.body FROM plan p JOIN skid k ON k.ref = p.skid")
    return {skid: (time, [(what, told) for what, told in load(body)]) for skid, time, body in rows}


def newest_forecasts(handle: Handle) -> dict[str, tuple[int, float, float, float]]:
    """Skid -> (time, p10, p50, p90) of the newest forecast."""
    rows = handle.query("""SELECT k.id, f.time, f.p10, f.p50, f.p90 FROM skid k CROSS JOIN forecast f
        ON f.skid = k.ref AND f.time = (SELECT max(time) FROM forecast WHERE skid = k.ref)""")
    return {skid: (time, p10, p50, p90) for skid, time, p10, p50, p90 in rows}


def minutes(handle: Handle, skid: str, start: int, end: int) -> dict[str, npt.NDArray[Any]]:
    """Roll-ups with start <= time < end (ns) as columns: time, the quantities (SI, NaN where unknown), judged."""
    rows = handle.query(f"SELECT time, {', '.join(QUANTITIES)}, judged FROM minute "  # noqa: S608 (our own names)
                        "WHERE skid = ? AND time >= ? AND time < ? ORDER BY time", (skid_ref(handle, skid), start, end))
    columns = list(zip(*rows, strict=True)) or [()] * (len(QUANTITIES) + 2)
    found: dict[str, npt.NDArray[Any]] = {"time": np.array(columns[0], np.int64)}
    found.update({name: np.array(c, np.float64) for name, c in zip(QUANTITIES, columns[1:-1], strict=True)})
    return found | {"judged": np.array(columns[-1], np.bool_)}


def minute_figures(handle: Handle, start: int, end: int) -> dict[str, MinuteFigures]:
    """Of every skid that has roll-ups with start <= time < end (ns)."""
    rows = handle.query("""SELECT k.id, count(*), avg(m.judged), max(m.normalised), (SELECT normalised FROM minute
        WHERE skid = k.ref AND time >= ?1 AND time < ?2 AND normalised IS NOT NULL ORDER BY time DESC LIMIT 1)
        FROM skid k CROSS JOIN minute m ON m.skid = k.ref AND m.time >= ?1 AND m.time < ?2 GROUP BY k.ref""",
                        (start, end))
    return {skid: MinuteFigures(count, judged, *(math.nan if x is None else x for x in normalised))
            for skid, count, judged, *normalised in rows}


def newest_minutes(handle: Handle) -> dict[str, dict[str, Any]]:
    """The newest roll-up of every skid that has one. CROSS JOIN keeps the planner from reading every minute."""
    rows = handle.query(f"""SELECT k.id, m.time, {', '.join(f'm.{name}' for name in QUANTITIES)}, m.judged FROM skid k
        CROSS JOIN minute m ON m.skid = k.ref AND m.time = (SELECT max(time) FROM minute WHERE skid = k.ref)
        """)  # noqa: S608 (our own names)
    return {skid: {"time": time, "judged": bool(judged),
                   **{name: math.nan if x is None else x for name, x in zip(QUANTITIES, values, strict=True)}}
            for skid, time, *values, judged in rows}


def trend(handle: Handle, skid: str, signal: str, start: int, end: int, points: int) -> Trend:
    """At most `points` buckets of a signal (its own unit, today's) or of one of `QUANTITIES` (SI, from minutes).

    From an hour a bucket on, whole hours are taken from figures kept beside the packed readings: the first
    and last bucket may then reach past the span.
    """
    if points < 1 or end <= start:
        raise StoreError(f"a trend needs at least one point and an end after its start; got {points} points")
    width = -(-(end - start) // points)
    refs = signal_refs(handle, skid, former=True)
    if signal not in refs:
        return _of_minutes(handle, skid, signal, start, end, max(width, MINUTE), list(refs))
    if width < HOUR:
        return _of_readings(handle, refs[signal], start, end, width)
    return _of_hours(handle, refs[signal], start, end, points)


def _of_minutes(handle: Handle, skid: str, quantity: str, start: int, end: int, width: int, known: list[str]) -> Trend:
    if quantity not in QUANTITIES:
        raise StoreError(f"{handle.path}: skid {skid} has no signal {quantity}; it has {', '.join(known)}, "
                         f"and by the minute {', '.join(QUANTITIES)}")
    rows = handle.query(f"""SELECT (time - ?2) / ?4 AS bucket, min({quantity}), avg({quantity}), max({quantity}),
        count({quantity}) FROM minute WHERE skid = ?1 AND time >= ?2 AND time < ?3 AND {quantity} IS NOT NULL
        GROUP BY bucket ORDER BY bucket""", (skid_ref(handle, skid), start, end, width))  # noqa: S608 (checked above)
    place, low, mean, high, count = zip(*rows, strict=True) if rows else ((),) * 5
    return Trend(start + width * np.array(place, np.int64), np.array(low, np.float64), np.array(mean, np.float64),
                 np.array(high, np.float64), np.array(count, np.int64))


def _of_readings(handle: Handle, ref: int, start: int, end: int, width: int) -> Trend:
    rows = history.in_present_units(handle, [ref], history.read(handle, [ref], start, end)).rows()
    rows = rows.take((rows.quality != Quality.BAD) & np.isfinite(rows.value))
    bucket = (rows.time - start) // width
    return _reduced(start + width * bucket, rows.value, rows.value, rows.value, np.ones(rows.size, np.int64))


def _of_hours(handle: Handle, ref: int, start: int, end: int, points: int) -> Trend:
    """From the figures of packed hours; recent rows and hours of mixed settings are read one by one."""
    width = max(1, -(-(-(-end // HOUR) - start // HOUR) // points)) * HOUR
    first, known = start // HOUR * HOUR, {v.version: v for v in versions(handle, ref)}
    with handle.snapshot():
        hours = handle.query("""SELECT hour, version, good, minimum, maximum, total FROM packed
                                WHERE signal = ? AND hour >= ? AND hour * ? < ?""", (ref, first // HOUR, HOUR, end))
        loose = [hour for hour, version, *_ in hours if version is None]
        recent = handle.query("SELECT DISTINCT time / ?4 FROM recent WHERE signal = ?1 AND time >= ?2 AND time < ?3",
                              (ref, first, end, HOUR))
        loose = sorted({*loose, *(hour for (hour,) in recent)})
        parts = [_of_readings(handle, ref, h * HOUR, (h + 1) * HOUR, HOUR) for h in loose]
    parts += [_of_figures(row, known) for row in hours if row[0] not in loose and row[2]]
    time, low, mean, high, count = (np.concatenate(c) for c in zip(_nothing(), *parts, strict=True))
    return _reduced(first + (time - first) // width * width, low, mean, high, count)


def _of_figures(row: tuple[Any, ...], known: dict[int, Any]) -> Trend:
    hour, version, good, low, high, total = row
    present = known[max(known)]
    if not history.same_quantity(known[version], present):
        return _nothing()
    figures = history.converted(np.array([low, total / good, high]), known[version], present)
    edges = np.sort(figures[[0, 2]])  # a negative scale would swap them
    return Trend(np.array([hour * HOUR]), edges[:1], figures[1:2], edges[1:], np.array([good]))


def _nothing() -> Trend:
    return Trend(np.empty(0, np.int64), np.empty(0), np.empty(0), np.empty(0), np.empty(0, np.int64))


def _reduced(bucket: npt.NDArray[np.int64], low: npt.NDArray[np.float64], mean: npt.NDArray[np.float64],
             high: npt.NDArray[np.float64], count: npt.NDArray[np.int64]) -> Trend:
    """Figures that fall into the same bucket as one, buckets rising."""
    order = np.argsort(bucket, kind="stable")
    start, first = np.unique(bucket[order], return_index=True)
    if not start.size:
        return Trend(start, low, mean, high, count)
    total = np.add.reduceat(count[order], first)
    weighted = np.add.reduceat((mean * count)[order], first) / total
    return Trend(start, np.minimum.reduceat(low[order], first), weighted, np.maximum.reduceat(high[order], first),
                 total)
