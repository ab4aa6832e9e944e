"""What operators did that the engine had to know, at the event time at which it took effect."""

from __future__ import annotations

from collections.abc import Sequence

import apsw

from monitor.model import Action
from monitor.store.catalogue import Catalogue, skid_ref
from monitor.store.connection import Handle, dump, load


def add(db: apsw.Connection, catalogue: Catalogue, actions: Sequence[Action]) -> None:
    db.executemany("""INSERT INTO action (skid, number, time, verb, by, reason, body) VALUES (?, ?, ?, ?, ?, ?, ?)
                      ON CONFLICT DO NOTHING""",
                   [(catalogue.skid(a.skid), a.number, a.time, a.verb, a.by, a.reason, dump(a.body)) for a in actions])


def since(handle: Handle, skid: str, time: int) -> list[Action]:
    """Those in effect from `time` (ns) on or later, in the order in which they were applied."""
    rows = handle.query("""SELECT time, verb, by, reason, body, number FROM action WHERE skid = ? AND time >= ?
                           ORDER BY number""", (skid_ref(handle, skid), time))
    return [Action(at, skid, verb, by, reason, load(body), number) for at, verb, by, reason, body, number in rows]
