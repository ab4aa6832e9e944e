"""A yard of small skids on one broker and one database: its configuration, what is published, what was stored."""

from __future__ import annotations

import json
import threading
import time
from pathlib import Path

import psycopg
from services import eventually, mosquitto, postgres

from monitor.times import to_rfc3339
from tests.live.daemon import Publisher

SKID = """
[skid]
id = "yard-{n}"
vessels = ["one"]
[skid.element]
changeout_dp = "1 bar"
max_dp = "2.4 bar"
[skid.reference]
flow = "40 m^3/h"
temperature = "15 degC"
[[signal]]
id = "up"
role = "inlet-pressure"
topic = "yard/{n}/up"
unit = "bar"
range = [0.0, 10.0]
[[signal]]
id = "down"
role = "outlet-pressure"
topic = "yard/{n}/down"
unit = "bar"
range = [0.0, 10.0]
[alarm.dp-limit]
on_delay = "1 s"
off_delay = "1 s"
"""
SHARED = """
[broker]
port = {port}
[fleet]
shards = {shards}
database_file = "database"
{more}
"""
HIGH_S, PERIOD_S = 4, 8       # dP beyond the limit for so long, so often: each skid alarms again and again


def configured(folder: Path, broker: mosquitto, database: postgres, skids: int, shards: int, more: str = "") -> Path:
    """A folder of configuration."""
    path = folder / "yard"
    path.mkdir()
    (path / "database").write_text(database.url)
    (path / "database").chmod(0o600)
    (path / "site.toml").write_text(SHARED.format(port=broker.port, shards=shards, more=more))
    for n in range(skids):
        (path / f"yard-{n}.toml").write_text(SKID.format(n=n))
    return path


class Load:
    """Publishes one reading a second of each of two signals of each skid, at its own time, and knows what the broker
    has taken."""

    def __init__(self, port: int, skids: int, *, period_s: int = PERIOD_S) -> None:
        self._publisher, self._skids, self._period = Publisher(port), skids, period_s
        eventually(self._publisher.client.is_connected, what="the load is connected")
        self.sent: set[tuple[str, str, int]] = set()
        self.refused = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def second(self, at: int) -> None:
        """Every skid's readings of whole second `at`."""
        now = at * 1_000_000_000
        messages, names = [], []
        for n in range(self._skids):
            high = (at + n * self._period // self._skids) % self._period < HIGH_S     # by turns
            for signal, value in (("up", 5.4 if high else 3.2), ("down", 3.0)):
                body = json.dumps({"value": value + (at + n) % 7 / 1000, "time": to_rfc3339(now)})
                messages.append((f"yard/{n}/{signal}", body.encode()))
                names.append((f"yard-{n}", signal, now))
        if self._publisher.send(messages):
            self.sent.update(names)
        else:
            self.refused += len(names)

    def _run(self) -> None:
        at = int(time.time())
        while not self._stop.is_set():
            self.second(at)
            at += 1
            self._stop.wait(max(0.0, at - time.time()))

    def __enter__(self) -> Load:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(20)


def stored(database: postgres) -> set[tuple[str, str, int]]:
    """What the database holds: skid, signal, time. A reading stored twice would be refused by its key."""
    return set(asked(database, """SELECT k.id, s.id, r.time FROM reading r JOIN signal s ON s.ref = r.signal
                                  JOIN skid k ON k.ref = s.skid"""))


def asked(database: postgres, sql: str) -> list[tuple[object, ...]]:
    with psycopg.connect(database.url) as connection:
        return connection.execute(sql.encode()).fetchall()

