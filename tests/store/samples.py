"""Skids, readings and clocks that the tests of the store share. A trout hatchery's river intake, invented."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import numpy.typing as npt

from monitor.model import NS, Event, Role, Rows, Transition
from monitor.skid import Element, Reference, Signal, SkidSettings
from monitor.store import Batch, Store

START = 1_767_225_600 * NS      # 2026-01-01T00:00:00Z, a full hour
HOUR = 3_600 * NS
MINUTE = 60 * NS


class Clock:
    """Wall time under the test's control."""

    def __init__(self, now: int = START) -> None:
        self.now = now

    def __call__(self) -> int:
        return self.now


def signal(name: str, role: Role = Role.INLET_PRESSURE, **changes: Any) -> Signal:
    settings: dict[str, Any] = {"topic": f"river/{name}", "unit": "bar", "low": 0.0, "high": 10.0, "scale": 1e5,
                                "offset": 0.0}
    return Signal(name, role, **settings | changes)


def skid(name: str = "intake-1", signals: Iterable[Signal] | None = None) -> SkidSettings:
    flow = signal("FT-1", Role.FLOW, unit="m^3/h", scale=1 / 3_600)
    usual = signal("PT-1"), signal("PT-2", Role.OUTLET_PRESSURE), flow
    chosen = tuple(signals or usual)
    return SkidSettings(name, name, ("A", "B"), 2, Element(2.4e5, 4e5), Reference(0.02, 288.15), chosen, {}, {})


def rows(*readings: tuple[float, int, float] | tuple[float, int, float, int]) -> Rows:
    """Of (seconds after START, signal, value[, quality])."""
    time, place, value, quality = zip(*((*r, 0)[:4] for r in readings), strict=True)
    return Rows(START + np.round(np.array(time) * NS).astype(np.int64), np.array(place, np.int16),
                np.array(value, np.float64), np.array(quality, np.uint8))


def regular(seconds: int, signals: int = 3, first: float = 0.0, seed: int = 1) -> Rows:
    """One reading a second of each signal, values with two decimals."""
    time = np.repeat(START + int(first * NS) + np.arange(seconds, dtype=np.int64) * NS, signals)
    value = np.round(np.random.default_rng(seed).normal(3.0, 0.2, time.size), 2)
    return Rows(time, np.tile(np.arange(signals, dtype=np.int16), seconds), value, np.zeros(time.size, np.uint8))


def batch(readings: Rows, fed: npt.NDArray[np.bool_] | bool = True, name: str = "intake-1", **parts: Any) -> Batch:
    return Batch(rows=[(name, readings, np.broadcast_to(np.asarray(fed), readings.time.shape))], **parts)


def opened(path: Any, clock: Clock | None = None, skids: Iterable[SkidSettings] | None = None, **options: Any) -> Store:
    """A writer that knows the sample skid."""
    store = Store.open(path, now=clock or Clock(), **options)
    store.configure(list(skids or (skid(),)))
    return store


def pack_all(store: Store, before: int = START + 10_000 * HOUR) -> int:
    """Packs every closed hour; how many steps it took."""
    steps = 0
    while store.pack(before):
        steps += 1
    return steps


def event(seconds: float, kind: str = "dp-limit", **changes: Any) -> Event:
    settings: dict[str, Any] = {"transition": Transition.RAISED, "message": "dP nears the limit"}
    return Event(START + int(seconds * NS), changes.pop("skid", "intake-1"), kind, **settings | changes)


def same(a: Rows, b: Rows) -> bool:
    """Equal to the bit, NaN payloads and signs of zero included."""
    bits = a.value.view(np.int64), b.value.view(np.int64)
    pairs = bits, (a.time, b.time), (a.signal, b.signal), (a.quality, b.quality)
    return all(np.array_equal(x, y) for x, y in pairs)
