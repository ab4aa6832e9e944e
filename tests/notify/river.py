"""A skid that is heard of in steps of ten minutes, and a clock that is faster than life."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
from store.samples import START, event, rows, skid

from monitor.daemon.notices import Notices
from monitor.model import NS, Entry, Minute, Rows, Transition
from monitor.settings import (
    BrokerSettings,
    InfluxSettings,
    NotifySettings,
    Secret,
    Settings,
    StoreSettings,
    WebhookSettings,
)
from monitor.store import Batch, Store

STEP = 600              # seconds of event time in a commit
EVERY = 10              # seconds between readings of a signal
SIGNALS = 3
DAY = 86_400 // STEP    # commits
SECRET = "whsec_C2FVsBQIhrscChlQIMV+b5sSYspob7oD"


def settings(folder: Path, influx: str | None = None, hooks: tuple[str, ...] = ()) -> Settings:
    notify = NotifySettings(tuple(WebhookSettings(url, Secret(SECRET)) for url in hooks),
                            InfluxSettings(influx, "hatchery", "river", Secret("river-token")) if influx else None)
    return Settings((skid(),), BrokerSettings(), StoreSettings(str(folder / "s.db")), notify)


def readings(n: int) -> Rows:
    """Of commit n: values with two decimals that no other time has by chance."""
    seconds = np.repeat(np.arange(n * STEP, (n + 1) * STEP, EVERY), SIGNALS)
    which = np.tile(np.arange(SIGNALS), STEP // EVERY)
    value = np.round(3.0 + which + np.random.default_rng(n).normal(0.0, 0.3, seconds.size), 2)
    return rows(*zip(seconds.tolist(), which.tolist(), value.tolist(), strict=True))


def batch(n: int) -> Batch:
    """Commit n: readings, of which the last came late, a minute and an event."""
    taken = readings(n)
    fed = np.arange(taken.size) < taken.size - 1
    minute = Minute(START + n * STEP * NS, 3e5, 2e5, 1e5 + n, 0.01, 288.15, 0.9e5, True)
    return Batch(rows=[("intake-1", taken, fed)], minutes=[("intake-1", minute)], events=[event(n * STEP)])


def whole(n: int) -> Batch:
    """Commit n with everything that a database is told of."""
    filled = batch(n)
    time = START + n * STEP * NS
    filled.forecasts = [(time, "intake-1", 3.5, 4.25 + n, 6.0)]
    filled.journal = [Entry(f"step {n}", time, "intake-1", "ack", "dp-limit", "A", None, "unacknowledged",
                            "acknowledged", "Ada Brook", "page", "seen", event(n * STEP).id, "high")]
    filled.events.append(event(n * STEP + 1, "changeout-done", vessel="B", detail="good", value=1.02, unit="1",
                               transition=Transition.NOTED, evidence={
                                   "isolated_at": time - 600 * NS, "returned_at": time, "life_h": 101.5,
                                   "volume_m3": 5000.25, "drop_before_bar": 0.9, "drop_after_bar": 0.25}))
    return filled


class Fast:
    """Event time since START, `speed` times faster than life, from `origin` (ns of the system's clock) on."""

    def __init__(self, speed: float, origin: int | None = None) -> None:
        self.speed, self.origin = speed, time.time_ns() if origin is None else origin

    def __call__(self) -> int:
        return START + round((time.time_ns() - self.origin) * self.speed)


def opened(config: Settings, clock: Fast) -> Store:
    store = Store.open(config.store.path, now=clock)
    store.configure(config.skids)
    return store


def commit(store: Store, notices: Notices, n: int) -> None:
    filled = batch(n)
    notices.fill(filled)
    store.commit(filled)
