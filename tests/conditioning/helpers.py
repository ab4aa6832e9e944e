"""What the engine says of the health of signals on made-up streams."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from monitor.engine.engine import Engine
from monitor.model import NS, Event, Quality, Rows
from monitor.skid import Reporting, SkidSettings
from tests.skids import START, duplex, stream

IN, OUT, FLOW, TEMPERATURE = range(4)
Values = npt.NDArray[np.float64]


def columns(seconds: int, *, seed: int = 1, every: float = 1.0, dp: float = 0.4) -> dict[int, Values]:
    """Steady service with noise of two or three steps of each converter."""
    rng = np.random.default_rng(seed)
    n = round(seconds / every)
    quantised = lambda x, step: np.round(x / step) * step  # noqa: E731
    return {
        IN: quantised(2 + dp + rng.normal(0, 0.005, n), 0.002),
        OUT: quantised(2 + rng.normal(0, 0.005, n), 0.002),
        FLOW: quantised(40 + rng.normal(0, 0.2, n), 0.01),
        TEMPERATURE: quantised(15 + rng.normal(0, 0.03, n), 0.01),
    }


def bad(rows: Rows, where: npt.NDArray[np.bool_]) -> Rows:
    """The same rows, of bad quality where asked."""
    return rows._replace(quality=np.where(where, Quality.BAD, rows.quality).astype(np.uint8))


def with_signal(skid: SkidSettings, k: int, **changes: object) -> SkidSettings:
    """The skid with one signal changed."""
    signals = list(skid.signals)
    signals[k] = replace(signals[k], **changes)  # type: ignore[arg-type]
    return replace(skid, signals=tuple(signals))


def on_change(skid: SkidSettings, silence: float | None = None) -> SkidSettings:
    """The skid with every signal reported on change."""
    for k in range(len(skid.signals)):
        skid = with_signal(skid, k, reporting=Reporting.ON_CHANGE, max_silence_s=silence)
    return skid


def run(rows: Rows, skid: SkidSettings | None = None) -> tuple[Engine, list[Event]]:
    """An engine that has seen the rows, and what it said of signals."""
    engine = Engine([skid or duplex()], trend_buckets=20_000)
    output, _ = engine.feed({0: rows})
    events = output.events + engine.finish().events
    return engine, [e for e in events if e.kind in ("signal-fault", "reverse-dp")]


def told(events: list[Event]) -> list[tuple[str | None, str | None, str, float]]:
    """(detail, signal, transition, second) of each."""
    return [(e.detail, e.signal, str(e.transition), (e.time - START) / NS) for e in events]


def seen(rows: Rows, skid: SkidSettings | None = None) -> list[tuple[str | None, str | None, str, float]]:
    return told(run(rows, skid)[1])


def dp_of(rows: Rows, skid: SkidSettings | None = None) -> tuple[Values, Values]:
    """Seconds since the start, and the dP [Pa] that detectors saw at each."""
    trend = run(rows, skid)[0].rows.trend()
    return (trend["time"] - START) / NS + 1, trend["pressure_drop"]


__all__ = ["FLOW", "IN", "OUT", "TEMPERATURE", "bad", "columns", "dp_of", "on_change", "run", "seen", "stream", "told",
           "with_signal"]  # fmt: skip
