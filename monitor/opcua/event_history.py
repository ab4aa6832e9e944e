"""HistoryRead of events (OPC 10000-11, 6.5.2 ReadEventDetails) out of the store: each event once, as it was told.

A response holds at most `MOST` events, and no more than `LOOKED` are looked at for it where a filter lets few through;
then it carries a continuation point, which is the last event looked at.
"""

from __future__ import annotations

import logging
from typing import Any

from asyncua import ua

from monitor.model import Event
from monitor.opcua.data import Source
from monitor.opcua.space import Space
from monitor.opcua.told import Where, as_told

MOST, LOOKED = 1_000, 5_000


class EventHistory:
    """Of the server all events, of a skid its own."""

    def __init__(self, space: Space, aspace: Any, source: Source) -> None:
        self._space, self._aspace, self._source = space, aspace, source
        self._skids = {node: skid for skid, node in space.skids.items()}
        self._server = ua.NodeId(ua.ObjectIds.Server)

    def has(self, node: ua.NodeId) -> bool:
        return node == self._server or node in self._skids

    def read(self, node: ua.NodeId, details: ua.ReadEventDetails, span: tuple[int, int, bool],
             after: bytes | None) -> tuple[ua.HistoryEvent, bytes | None]:
        """What is asked for, and where to go on. span: first and last time [ns] and whether forwards; after: where the
        last response ended. Raises ValueError where that is none of ours."""
        first, last, forward = span
        where = Where(logging.getLogger("asyncua.history"), self._aspace, details.Filter.WhereClause)
        wanted, mark = min(details.NumValuesPerNode or MOST, MOST), None if after is None else after.decode()
        found = self._source.events(self._skids.get(node), first, min(last, 1 << 62) + 1, limit=LOOKED + 1, before=mark,
                                    forward=forward)
        told: list[ua.HistoryEventFieldList] = []
        looked: Event | None = None
        for event in found[:LOOKED]:
            made = as_told(event, self._space) if event.skid in self._space.skids else None
            if made is not None and where.eval(made):
                if len(told) == wanted:
                    break
                told.append(ua.HistoryEventFieldList(made.to_event_fields(details.Filter.SelectClauses)))
            looked = event
        complete = looked is None or looked is found[-1] or (_open(span) and details.NumValuesPerNode == len(told))
        return ua.HistoryEvent(told), None if complete or looked is None else looked.id.encode()


def _open(span: tuple[int, int, bool]) -> bool:
    """Whether one end is given by the count alone."""
    return -span[0] >= 1 << 62 or span[1] >= 1 << 62
