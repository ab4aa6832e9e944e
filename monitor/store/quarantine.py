"""What could not be used: counted for ever, kept word for word up to a bound, oldest out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import apsw

from monitor.model import Reason, Rejection
from monitor.store.connection import Handle
from monitor.store.types import QuarantineCount

TEXT, ORIGIN, NOTE = 200, 300, 300  # characters kept

_COUNT = """INSERT INTO quarantine_count VALUES (?1, ?2, ?3, ?4, ?5, ?5)
            ON CONFLICT DO UPDATE SET count = count + excluded.count, last = excluded.last"""


def record(db: apsw.Connection, rejections: Sequence[Rejection], repeated: Counter[tuple[str, str]],
           now: int, bound: int) -> None:
    """Keeps rejections and counts them, with the repeated readings, which are counted only."""
    counts = Counter((r.skid or "", r.signal or "", str(r.reason)) for r in rejections)
    counts.update({(skid, signal, str(Reason.REPEATED)): n for (skid, signal), n in repeated.items()})
    db.executemany(_COUNT, [(*key, n, now) for key, n in counts.items()])
    if not rejections:
        return
    db.executemany("""INSERT INTO quarantine (received, skid, signal, reason, origin, text, time, note)
                      VALUES (?, ?, ?, ?, ?, ?, ?, ?)""",
                   [(now, r.skid, r.signal, str(r.reason), r.where[:ORIGIN], r.text[:TEXT], r.time, r.note[:NOTE])
                    for r in rejections[-bound:]])
    db.execute("DELETE FROM quarantine WHERE id <= (SELECT max(id) FROM quarantine) - ?", (bound,))


def counts(handle: Handle, skid: str | None = None) -> list[QuarantineCount]:
    """By skid, signal and reason, most frequent first. With `skid`: its own, and those of no known skid."""
    rows = handle.query("""SELECT nullif(skid, ''), nullif(signal, ''), reason, count, first, last FROM quarantine_count
                           WHERE ?1 IS NULL OR skid IN (?1, '') ORDER BY count DESC, skid, signal, reason""", (skid,))
    return [QuarantineCount(*row) for row in rows]


def samples(handle: Handle, *, skid: str | None, signal: str | None, reason: str | None,
            limit: int) -> list[tuple[int, Rejection]]:
    """(arrival ns, rejection), newest first."""
    rows = handle.query("""SELECT received, reason, skid, signal, origin, text, time, note FROM quarantine
                           WHERE (?1 IS NULL OR skid = ?1) AND (?2 IS NULL OR signal = ?2)
                           AND (?3 IS NULL OR reason = ?3)
                           ORDER BY id DESC LIMIT ?4""", (skid, signal, reason, limit))
    return [(received, Rejection(Reason(reason), *rest)) for received, reason, *rest in rows]
