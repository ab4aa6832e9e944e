"""Readings in PostgreSQL: new ones, second deliveries, contradictions; and back again."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.fleet.database import Database
from monitor.model import Quality, Rejection, Rows
from monitor.skid import SkidSettings
from monitor.store.intake import NOT_FED, QUALITY_BITS, conflict

if TYPE_CHECKING:
    from psycopg import Connection

_ARRIVED = "unnest(%b::integer[], %b::bigint[], %b::double precision[], %b::smallint[])"
# The first of each key that comes is kept, in the order of arrival.
_INSERT = f"INSERT INTO reading SELECT * FROM {_ARRIVED} ON CONFLICT DO NOTHING"  # noqa: S608 (our own text)
_OTHER = f"""SELECT k.id, s.id, u.time, u.value, u.flags, r.value, r.flags
             FROM {_ARRIVED} WITH ORDINALITY AS u (signal, time, value, flags, n)
             JOIN reading r ON (r.signal, r.time) = (u.signal, u.time)
             JOIN signal s ON s.ref = u.signal JOIN skid k ON k.ref = s.skid
             WHERE r.value IS DISTINCT FROM u.value OR (r.flags & 3) <> (u.flags & 3) ORDER BY u.n"""  # noqa: S608


class Inserted(NamedTuple):
    """Outcome of a batch's readings."""

    number: int
    repeated: int
    conflicting: list[Rejection]


def configure(connection: Connection[tuple[Any, ...]], shard: int, skid: SkidSettings) -> None:
    """Names, order and meaning of a skid's signals. A signal whose meaning changed goes on as another one, and what
    was read before stays with the former."""
    ref = connection.execute("SELECT ref FROM skid WHERE shard = %s AND id = %s", (shard, skid.id)).fetchall()[0][0]
    connection.execute("UPDATE signal SET place = NULL WHERE skid = %s", (ref,))
    for place, s in enumerate(skid.signals):
        connection.execute(
            """INSERT INTO signal (skid, id, place, role, vessel, unit, scale, zero)
               VALUES (%s, %s, %s, %s, %s, %s, %s, %s) ON CONFLICT (skid, id, role, vessel, unit, scale, zero)
               DO UPDATE SET place = excluded.place""",
            (ref, s.id, place, str(s.role), s.vessel or "", s.unit, s.scale, s.offset))  # fmt: skip


def insert(connection: Connection[tuple[Any, ...]],
           batch: Sequence[tuple[Sequence[int], Rows, npt.NDArray[np.bool_]]]) -> Inserted:
    """batch: refs of a skid's signals, readings in order of arrival, which were fed."""
    if not batch:
        return Inserted(0, 0, [])
    arrays = _columns(batch)
    number = connection.execute(_INSERT, arrays).rowcount
    total = len(arrays[0])
    if number == total:
        return Inserted(number, 0, [])
    other = [conflict(skid, signal, time, (came, flags), (kept, kept_flags)) for
             skid, signal, time, came, flags, kept, kept_flags in connection.execute(_OTHER, arrays).fetchall()]
    return Inserted(number, total - number - len(other), other)


def _columns(batch: Sequence[tuple[Sequence[int], Rows, npt.NDArray[np.bool_]]]) -> tuple[list[Any], ...]:
    signal = np.concatenate([np.asarray(refs)[rows.signal] for refs, rows, _ in batch])
    time, value, quality = (np.concatenate(column) for column in
                            zip(*((r.time, r.value, r.quality) for _, r, _ in batch), strict=True))  # fmt: skip
    fed = np.concatenate([np.asarray(fed, np.bool_) for _, _, fed in batch])
    return signal.tolist(), time.tolist(), value.tolist(), (quality + NOT_FED * ~fed).tolist()


def read(database: Database, skid: int, signals: Sequence[str] | None, start: int, end: int, *, fed_only: bool,
         as_taken: bool) -> Rows:
    """Readings of start <= time < end. Those taken in another unit are converted, those taken while the id had
    another role are left out; as_taken: every one as it came. Places are those of `signals`, or of the configured."""
    known = database.query("""SELECT f.ref, n.id, n.place, f.scale, f.zero, n.scale, n.zero,
        (f.role, f.vessel) = (n.role, n.vessel) FROM signal n JOIN signal f ON f.skid = n.skid AND f.id = n.id
        WHERE n.skid = %s AND n.place IS NOT NULL""", (skid,))
    place = {row[0]: (row[2] if signals is None else signals.index(row[1]))
             for row in known if (signals is None or row[1] in signals) and (row[7] or as_taken)}  # fmt: skip
    found = database.query("""SELECT signal, time, value, flags FROM reading
        WHERE signal = ANY(%s) AND time >= %s AND time < %s AND (flags & 4 = 0 OR NOT %s)""",
                           (list(place), start, end, fed_only))  # fmt: skip
    if not found:
        return Rows.empty()
    ref, time, value, flags = (np.array(column) for column in zip(*found, strict=True))
    value = value.astype(np.float64)
    for row in known:
        if row[3:5] != row[5:7] and not as_taken:
            mine = ref == row[0]
            value[mine] = (value[mine] * row[3] + (row[4] - row[6])) / row[5]
    where = np.array([place[r] for r in ref.tolist()], np.int16)
    order = np.lexsort((where, time))
    return Rows(time[order], where[order], value[order], (flags[order] & QUALITY_BITS).astype(np.uint8))


def first_from(database: Database, skid: int, time: int) -> int | None:
    """Time of the first reading of a skid at or after `time`."""
    found = database.query("""SELECT min((SELECT r.time FROM reading r WHERE r.signal = s.ref AND r.time >= %s
        ORDER BY r.time LIMIT 1)) FROM signal s WHERE s.skid = %s""", (time, skid))
    return None if found[0][0] is None else int(found[0][0])


def latest(database: Database, skid: int) -> dict[str, tuple[int, float, Quality]]:
    """Configured signal id -> (time, value, quality) of its newest reading under its present meaning."""
    found = database.query("""SELECT s.id, r.time, r.value, r.flags FROM signal s CROSS JOIN LATERAL
        (SELECT time, value, flags FROM reading WHERE signal = s.ref ORDER BY time DESC LIMIT 1) r
        WHERE s.skid = %s AND s.place IS NOT NULL ORDER BY s.place""", (skid,))
    return {name: (time, value, Quality(flags & QUALITY_BITS)) for name, time, value, flags in found}
