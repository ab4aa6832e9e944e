"""A real store of an invented skid as a daemon writes it, and the page served over it."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from display_samples import MINUTE, START, history, minutes, rows

from monitor.model import NS, Event, Transition
from monitor.settings import Settings
from monitor.skid import SkidSettings
from monitor.store import Batch, Reader, Store, submit
from monitor.web.cases import Cases
from monitor.web.server import build_server, create_app, listen

NEWEST = START + 120 * MINUTE + 20 * NS


def as_told(told: Event) -> Batch:
    """An event and the alarm state that follows from it."""
    batch = Batch(events=[told])
    if told.transition is not Transition.NOTED:
        state = "active" if told.transition is Transition.RAISED else "normal"
        batch.alarm_states[told.skid, told.kind, told.vessel, told.signal] = {
            "state": state, "since": told.time, "event": told.id}
    return batch


@dataclass
class Plant:
    """The store as a daemon writes it."""

    store: Store
    path: Path
    settings: Settings

    def commit(self, batch: Batch) -> None:
        self.store.commit(batch)

    def say(self, told: Event) -> None:
        """Store an event and the alarm state that follows from it, as the daemon does."""
        self.commit(as_told(told))

    def read(self, time: int, inlet: float, skid: str = "intake") -> None:
        """Store a reading of the inlet."""
        found = rows({0: inlet}, time)
        self.commit(Batch(rows=[(skid, found, np.ones(1, np.bool_))]))

    def leave(self, skid: str | None, action: str, body: Any) -> int:
        """Leave a request as the page does beside a daemon."""
        return submit(str(self.path), skid, action, body, NEWEST)

    def reader(self) -> Reader:
        return Reader.open(self.path)


def build(folder: Path, skids: tuple[SkidSettings, ...]) -> Plant:
    """A store of these skids where the first one has been watched for two hours."""
    store = Store.open(folder / "plant.db", now=lambda: NEWEST)
    store.configure(skids)
    plant = Plant(store, folder / "plant.db", Settings(skids=skids))
    values = rows({0: 3.21, 1: 2.05, 2: 58.5, 3: 11.25, 4: 3.2, 5: 0.0}, NEWEST)
    plant.commit(Batch(rows=[(skids[0].id, values, np.ones(values.size, np.bool_))],
                       minutes=[(skids[0].id, m) for m in minutes(history(120))]))
    return plant


@contextlib.contextmanager
def served(plant: Plant, cases: Cases | None = None) -> Iterator[str]:
    """The page over a plant on a free loopback port; gives its address."""
    with contextlib.closing(listen("127.0.0.1", 0)) as bound:
        server = build_server(create_app(plant.reader, plant.settings, plant.leave, cases), plant.settings.web)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [bound]}, daemon=True)
        thread.start()
        while not server.started and thread.is_alive():
            time.sleep(0.01)
        try:
            yield f"http{'s' if plant.settings.web.cert_file else ''}://127.0.0.1:{bound.getsockname()[1]}"
        finally:
            server.should_exit = True
            thread.join(10)
