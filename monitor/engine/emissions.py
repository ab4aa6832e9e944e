"""How compiled code hands something on."""

from __future__ import annotations

from monitor.compiled import compiled
from monitor.engine.codes import EMISSIONS_A_TICK


@compiled
def emit(emissions, used, code, alarm, signal, detail, tick, onset, value):  # type: ignore[no-untyped-def]
    """Write one emission; returns how many there are now. See `layout.emission` for the fields."""
    if used == EMISSIONS_A_TICK:
        return used
    row = emissions[used]
    row.code, row.alarm, row.signal, row.detail = code, alarm, signal, detail
    row.time, row.onset, row.value = tick, onset, value
    return used + 1
