"""Checkpoints of filter state. Kept: the last two, one an hour as far back as an event may reach, and pinned ones."""

from __future__ import annotations

import apsw

from monitor.store.catalogue import Catalogue, skid_ref
from monitor.store.connection import Handle
from monitor.store.types import HOUR, Checkpoint

GENERATIONS = 2


def put(db: apsw.Connection, catalogue: Catalogue, checkpoints: dict[str, Checkpoint], now: int, reach: int) -> None:
    """Stores a checkpoint per skid and drops those nobody needs. reach: ns an event's window begins before it."""
    for skid, c in checkpoints.items():
        ref = catalogue.skid(skid)
        db.execute("INSERT OR REPLACE INTO checkpoint VALUES (?, ?, ?, ?, ?, ?)",
                   (ref, c.released, c.version, c.fingerprint, c.state, now))
        prune(db, ref, reach)


def prune(db: apsw.Connection, ref: int, reach: int) -> None:
    """Drops a skid's superfluous checkpoints."""
    rows = db.execute("SELECT released FROM checkpoint WHERE skid = ? ORDER BY released", (ref,))
    released = [row[0] for row in rows]
    spare = set(released) - needed(released, reach)
    db.executemany("""DELETE FROM checkpoint WHERE skid = ?1 AND released = ?2
                      AND NOT EXISTS (SELECT 1 FROM event WHERE skid = ?1 AND checkpoint = ?2)""",
                   [(ref, r) for r in spare])


def needed(released: list[int], reach: int) -> set[int]:
    """Of rising times: the last generations, the first of each hour within reach, and the last one beyond it."""
    if not released:
        return set()
    edge = released[-1] - reach
    hourly: dict[int, int] = {}
    for r in released:
        if r > edge:
            hourly.setdefault(r // HOUR, r)
    beyond = [r for r in released if r <= edge][-1:]
    return {*released[-GENERATIONS:], *hourly.values(), *beyond}


def get(handle: Handle, skid: str, at: int | None = None, generation: int = 0) -> Checkpoint | None:
    """The newest checkpoint released at or before `at` (ns; None: whatever is newest), or `generation` before it."""
    row = handle.one("""SELECT released, version, fingerprint, state FROM checkpoint
                        WHERE skid = ?1 AND (?2 IS NULL OR released <= ?2) ORDER BY released DESC LIMIT 1 OFFSET ?3""",
                     (skid_ref(handle, skid), at, generation))
    return None if row is None else Checkpoint(*row)
