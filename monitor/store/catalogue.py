"""Skids, signals and what their numbers meant: names to integers and back."""

from __future__ import annotations

from collections.abc import Sequence

import apsw
import numpy as np

from monitor.errors import StoreError
from monitor.skid import Signal, SkidSettings
from monitor.store.connection import Handle
from monitor.store.types import SignalVersion

NEVER = np.iinfo(np.int64).min


class Catalogue:
    """The configured skids of a writer.

    By skid: `skids` its ref, `span` where its signals' refs lie in `refs` (first, number), in configured order.
    By signal ref: `version` in force, `newest` stored time (ns), `names` (skid, signal id).
    """

    def __init__(self, db: apsw.Connection) -> None:
        self.skids: dict[str, int] = dict(db.execute("SELECT id, ref FROM skid"))
        self.span: dict[str, tuple[int, int]] = {}
        self.refs = np.empty(0, np.int64)
        self.names: dict[int, tuple[str, str]] = {}
        size = 1 + (db.execute("SELECT max(ref) FROM signal").get or 0)
        self.version = np.zeros(size, np.int64)
        self.newest = np.full(size, NEVER, np.int64)
        self._read_signals(db)

    def _read_signals(self, db: apsw.Connection) -> None:
        refs: list[int] = []
        rows = db.execute("""SELECT k.id, s.id, s.ref, s.place, s.version, l.time FROM signal s
                             JOIN skid k ON k.ref = s.skid LEFT JOIN latest l ON l.signal = s.ref
                             ORDER BY k.ref, s.place""")
        for skid, name, ref, place, version, newest in rows:
            self.names[ref] = (skid, name)
            self.version[ref] = version
            self.newest[ref] = NEVER if newest is None else newest
            if place is not None:
                first, number = self.span.get(skid, (len(refs), 0))
                self.span[skid] = first, number + 1
                refs.append(ref)
        self.refs = np.array(refs, np.int64)

    def skid(self, name: str) -> int:
        """Ref of a skid. Raises StoreError where the store was not told of it."""
        ref = self.skids.get(name)
        if ref is None:
            known = ", ".join(sorted(self.skids)) or "none"
            raise StoreError(f"skid {name} is not known to the store; it knows {known}")
        return ref


def configure(db: apsw.Connection, skids: Sequence[SkidSettings], now: int) -> None:
    """Records names, order and meaning of the signals. Those no longer configured keep their readings."""
    for settings in skids:
        add_skid(db, settings.id)
        skid = db.execute("SELECT ref FROM skid WHERE id = ?", (settings.id,)).get
        db.execute("UPDATE signal SET place = NULL WHERE skid = ?", (skid,))
        for place, signal in enumerate(settings.signals):
            _configure_signal(db, skid, place, signal, now)


def add_skid(db: apsw.Connection, name: str) -> None:
    """Makes a name known under which things can be stored."""
    db.execute("INSERT INTO skid (id) VALUES (?) ON CONFLICT DO NOTHING", (name,))


def _configure_signal(db: apsw.Connection, skid: int, place: int, signal: Signal, now: int) -> None:
    db.execute("""INSERT INTO signal (skid, id, place, version) VALUES (?, ?, ?, -1)
                  ON CONFLICT DO UPDATE SET place = excluded.place""", (skid, signal.id, place))
    ref, version = db.execute("SELECT ref, version FROM signal WHERE skid = ? AND id = ?", (skid, signal.id)).get
    meaning = (str(signal.role), signal.vessel, signal.unit, signal.low, signal.high, signal.scale, signal.offset)
    known = db.execute("""SELECT role, vessel, unit, low, high, scale, offset FROM signal_version
                          WHERE signal = ? AND version = ?""", (ref, version)).get
    if known != meaning:
        db.execute("INSERT INTO signal_version VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                   (ref, version + 1, now, *meaning))
        db.execute("UPDATE signal SET version = ? WHERE ref = ?", (version + 1, ref))


def skid_ref(handle: Handle, skid: str) -> int:
    """Ref of a skid for reading. Raises StoreError naming those there are."""
    row = handle.one("SELECT ref FROM skid WHERE id = ?", (skid,))
    if row is None:
        known = ", ".join(str(r[0]) for r in handle.query("SELECT id FROM skid ORDER BY id"))
        raise StoreError(f"{handle.path}: no skid {skid} in the store; it has {known or 'none'}")
    return int(row[0])


def signal_refs(handle: Handle, skid: str, *, former: bool) -> dict[str, int]:
    """Signal id -> ref: the configured ones in their order; with `former` then those of earlier configurations."""
    rows = handle.query("""SELECT id, ref FROM signal WHERE skid = ? AND (? OR place IS NOT NULL)
                           ORDER BY place IS NULL, place, ref""", (skid_ref(handle, skid), former))
    return dict(rows)


def chosen_refs(handle: Handle, skid: str, signals: Sequence[str] | None) -> list[int]:
    """Refs of the named signals in the order given; the configured ones in their order where none are named."""
    known = signal_refs(handle, skid, former=signals is not None)
    unknown = [s for s in signals or () if s not in known]
    if unknown:
        raise StoreError(f"{handle.path}: skid {skid} has no signal {', '.join(unknown)}; it has {', '.join(known)}")
    return [known[s] for s in (known if signals is None else signals)]


def versions(handle: Handle, ref: int) -> list[SignalVersion]:
    """Every meaning a signal's numbers had, oldest first."""
    rows = handle.query("""SELECT version, since, role, vessel, unit, low, high, scale, offset
                           FROM signal_version WHERE signal = ? ORDER BY version""", (ref,))
    return [SignalVersion(*row) for row in rows]
