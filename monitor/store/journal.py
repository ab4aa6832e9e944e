"""The journal of alarms: what moved each of them, and what people wrote."""

from __future__ import annotations

from collections.abc import Sequence

import apsw

from monitor.model import Entry
from monitor.store.catalogue import Catalogue, skid_ref
from monitor.store.connection import Handle, dump

_COLUMNS = """j.id, j.time, k.id, j.step, j.kind, j.vessel, j.signal, j.before, j.after, j.who, j.via, j.why, j.event,
              j.priority"""


def insert(db: apsw.Connection, catalogue: Catalogue, entries: Sequence[Entry], now: int) -> None:
    """Lines that are there already, as after a restart, are left as they are."""
    db.executemany(
        """INSERT INTO journal (id, skid, time, step, kind, vessel, signal, before, after, priority, who, via, why,
                                event, recorded)
           VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING""",
        [(e.id, None if e.skid is None else catalogue.skid(e.skid), e.time, e.step, e.kind, e.vessel, e.signal,
          e.before, e.after, e.priority, e.who, e.via, e.why, e.event, now) for e in entries])


def select(handle: Handle, *, skid: str | None, start: int | None, end: int | None, steps: Sequence[str] | None,
           limit: int) -> list[Entry]:
    """Newest first."""
    ref = None if skid is None else skid_ref(handle, skid)
    rows = handle.query(f"""SELECT {_COLUMNS} FROM journal j LEFT JOIN skid k ON k.ref = j.skid
        WHERE (?1 IS NULL OR j.skid = ?1) AND j.time >= ?2 AND j.time < ?3
        AND (?4 IS NULL OR j.step IN (SELECT value FROM json_each(?4)))
        ORDER BY j.time DESC, j.seq DESC LIMIT ?5""",  # noqa: S608 (our own column names)
        (ref, -(1 << 63) if start is None else start, (1 << 63) - 1 if end is None else end,
         None if steps is None else dump(list(steps)), limit))
    return [Entry(*row) for row in rows]
