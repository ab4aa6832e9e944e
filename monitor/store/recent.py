"""Recent readings of all skids in one question: where each were asked for, every skid's hour would be read for each."""

from __future__ import annotations

import numpy as np

from monitor.model import Rows
from monitor.store.connection import Handle, integers
from monitor.store.faults import explained
from monitor.store.history import Readings
from monitor.store.intake import NOT_FED, VERSION_SHIFT


def recent_of_all(handle: Handle, span: int) -> tuple[int, dict[str, Rows]]:
    """A time [ns], `span` before the newest reading; and of each skid what was fed to the engine later than that and is
    not packed yet, in order of (time, signal). Skids are left out of whose readings some were taken under other
    settings."""
    with handle.snapshot():
        newest = handle.one("SELECT max(time) FROM latest")
        since = newest[0] - span if newest and newest[0] is not None else 0
        known = handle.query("""SELECT k.id, s.ref, s.place, s.version FROM signal s JOIN skid k ON k.ref = s.skid
                                WHERE s.place IS NOT NULL""")
        with explained(handle.path):
            cursor = handle.db.execute("SELECT time, signal, bits, flags FROM recent WHERE time > ?", (since,))
            time, ref, bits, flags = integers(cursor, 4).T.copy()
    names = list(dict.fromkeys(row[0] for row in known))
    number = {name: k for k, name in enumerate(names)}
    highest = max(int(ref.max(initial=0)), *(row[1] for row in known), 0)
    by_ref = np.full((highest + 1, 3), -1, np.int64)      # skid, place, version; -1: not configured any more
    for name, signal, place, version in known:
        by_ref[signal] = number[name], place, version
    skid, place, version = by_ref[ref].T
    mine = (skid >= 0) & ((flags & NOT_FED) == 0)
    changed = set(skid[mine & (flags >> VERSION_SHIFT != version)].tolist())
    readings, skid = Readings(time, place, bits, flags).take(mine), skid[mine]
    order = np.lexsort((readings.place, readings.time, skid))
    rows, ends = readings.take(order).rows(), np.searchsorted(skid[order], np.arange(len(names) + 1)).tolist()
    return since, {name: rows.take(slice(ends[k], ends[k + 1])) for k, name in enumerate(names) if k not in changed}
