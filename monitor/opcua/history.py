"""HistoryRead (OPC 10000-11) of raw readings, of closed minutes and of events, out of the store, in threads of its own.

A response holds at most `MOST` values of a node, and no more than the client wants at once; where its span holds more
it carries a continuation point (6.5.3), which is the time to go on from. Times are told to the microsecond.
"""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from asyncua import ua
from asyncua.server.history import HistoryManager

from monitor.model import NS, Quality
from monitor.opcua.data import Source
from monitor.opcua.event_history import EventHistory
from monitor.opcua.values import COMPUTED, Place, Value, computed, judged

MOST = 5_000
NODES = 100             # of one request
AT_ONCE = 2             # requests that read the store
WINDOW = 6 * 3_600 * NS     # read at a time; many short reads let others in between
EVER = 1 << 62
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NEVER = datetime(1602, 1, 1, tzinfo=UTC)       # the protocol's zero, or as good as


class StoreHistory(HistoryManager):
    """places: which nodes have a history. source: opened anew for each thread's read."""

    def __init__(self, iserver: Any, source: Source, places: Mapping[ua.NodeId, Place], events: EventHistory) -> None:
        super().__init__(iserver)
        self._source, self._places, self._events = source, places, events
        self._turn = asyncio.Semaphore(AT_ONCE)

    async def read_history(self, params: ua.HistoryReadParameters) -> list[ua.HistoryReadResult]:
        if len(params.NodesToRead) > NODES:
            raise ua.UaStatusCodeError(ua.StatusCodes.BadTooManyOperations)
        if params.ReleaseContinuationPoints:    # we keep nothing
            return [ua.HistoryReadResult() for _ in params.NodesToRead]
        return [await self._one(params.HistoryReadDetails, node) for node in params.NodesToRead]

    async def _one(self, details: Any, node: ua.HistoryReadValueId) -> ua.HistoryReadResult:
        result = ua.HistoryReadResult()
        if type(details) is ua.ReadEventDetails and self._events.has(node.NodeId):
            return await self._told(details, node)
        place = self._places.get(node.NodeId)
        if place is None:
            known = node.NodeId in self.iserver.aspace
            code = ua.StatusCodes.BadHistoryOperationUnsupported if known else ua.StatusCodes.BadNodeIdUnknown
            result.StatusCode = ua.StatusCode(code)
            return result
        if not isinstance(details, ua.ReadRawModifiedDetails) or details.IsReadModified:
            result.StatusCode = ua.StatusCode(ua.StatusCodes.BadHistoryOperationUnsupported)
            return result
        try:
            first, last, forward = span(details.StartTime, details.EndTime, details.NumValuesPerNode)
            if node.ContinuationPoint:
                at = int.from_bytes(node.ContinuationPoint, "big", signed=True)
                first, last = (at, last) if forward else (first, at)
        except ValueError:
            result.StatusCode = ua.StatusCode(ua.StatusCodes.BadInvalidArgument)
            return result
        wanted = min(details.NumValuesPerNode or MOST, MOST)
        async with self._turn:
            found = await asyncio.to_thread(self._read, place, first, last, forward, wanted + 1)
        complete = EVER in (-first, last) and details.NumValuesPerNode == wanted    # the span is that many values
        result.HistoryData = ua.HistoryData(DataValues=[data_value(v) for v in found[:wanted]])
        if len(found) > wanted and not complete:
            result.ContinuationPoint = (found[wanted].time or 0).to_bytes(8, "big", signed=True)
        elif not found:
            result.StatusCode = ua.StatusCode(ua.StatusCodes.GoodNoData)
        return result

    async def _told(self, details: ua.ReadEventDetails, node: ua.HistoryReadValueId) -> ua.HistoryReadResult:
        result = ua.HistoryReadResult()
        try:
            wanted = span(details.StartTime, details.EndTime, details.NumValuesPerNode)
            async with self._turn:
                result.HistoryData, result.ContinuationPoint = await asyncio.to_thread(
                    self._events.read, node.NodeId, details, wanted, node.ContinuationPoint)
        except ValueError:
            result.StatusCode = ua.StatusCode(ua.StatusCodes.BadInvalidArgument)
            return result
        if not result.HistoryData.Events and result.ContinuationPoint is None:
            result.StatusCode = ua.StatusCode(ua.StatusCodes.GoodNoData)
        return result

    def _read(self, place: Place, first: int, last: int, forward: bool, count: int) -> list[Value]:
        """At most `count` values with first <= time <= last."""
        oldest = self._source.oldest([place[0]])
        if oldest is None:
            return []
        first, last = max(first, oldest), min(last, self._source.newest() or oldest)
        windows: Iterator[int] = iter(range(first, last + 1, WINDOW)) if forward else (
            iter(range(last - WINDOW + 1, first - WINDOW, -WINDOW)))  # fmt: skip
        parts = (self._window(place, max(at, first), min(at + WINDOW - 1, last), forward) for at in windows)
        return list(itertools.islice(itertools.chain.from_iterable(parts), count))

    def _window(self, place: Place, first: int, last: int, forward: bool) -> list[Value]:
        skid, name = place
        if name in COMPUTED:
            _, column, factor, offset = COMPUTED[name]
            minutes = self._source.minutes(skid, first, last + 1)
            rows = zip(minutes["time"].tolist(), minutes[column].tolist(), minutes["judged"].tolist(), strict=True)
            found = [computed({"time": t, column: v, "judged": j}, column, factor, offset) for t, v, j in rows]
        else:
            raw = self._source.rows(skid, first, last + 1, [name])
            found = [judged(t, v, Quality(q)) for t, v, q in
                     zip(raw.time.tolist(), raw.value.tolist(), raw.quality.tolist(), strict=True)]  # fmt: skip
        return found if forward else found[::-1]

    async def stop(self) -> None:
        return


def span(start: datetime | None, end: datetime | None, count: int) -> tuple[int, int, bool]:
    """First and last time [ns] and whether read forwards (OPC 10000-11, 6.5.3): of start, end and count two at least.
    Raises ValueError."""
    begin, finish = _ns(start), _ns(end)
    if begin is not None and finish is not None:
        return min(begin, finish), max(begin, finish), begin <= finish
    if not count or (begin is None and finish is None):
        raise ValueError("too little is said of the span")
    if begin is not None:
        return begin, EVER, True
    assert finish is not None
    return -EVER, finish, False


def _ns(time: datetime | None) -> int | None:
    if time is None:
        return None
    aware = time if time.tzinfo else time.replace(tzinfo=UTC)
    return None if aware <= _NEVER else (aware - _EPOCH) // timedelta(microseconds=1) * 1_000


def data_value(told: Value) -> ua.DataValue:
    time = None if told.time is None else _EPOCH + timedelta(microseconds=told.time // 1_000)
    variant = ua.Variant(None, ua.VariantType.Null) if told.value is None else ua.Variant(
        told.value, ua.VariantType.Double)  # fmt: skip
    return ua.DataValue(variant, StatusCode=ua.StatusCode(told.status), SourceTimestamp=time)
