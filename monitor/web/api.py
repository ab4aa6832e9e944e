"""The JSON interface, version 1: SI values with the unit in each name, times in RFC 3339 UTC."""

from __future__ import annotations

import math
from typing import Annotated, Any

from fastapi import APIRouter, Depends, HTTPException, Query
from pydantic import BaseModel

from monitor.alarms.plant_words import letters, status
from monitor.model import Event, Quality
from monitor.settings import Settings
from monitor.skid import SkidSettings
from monitor.web.acting import REFUSALS, each_once
from monitor.web.data import LiveValue, SkidNow, Source
from monitor.web.live import Hub
from monitor.web.overview import row
from monitor.web.words import due_limit, iso

Millis = Annotated[int, Query(ge=0, le=9_000_000_000_000)]
Limit = Annotated[int, Query(ge=1, le=1000)]


class AlarmModel(BaseModel):
    kind: str
    vessel: str | None
    signal: str | None
    state: str
    since: str | None
    message: str


class SkidModel(BaseModel):
    id: str
    name: str
    newest_reading: str | None
    minute: str | None
    judged: bool | None
    normalised_dp_pa: float | None
    changeout_dp_pa: float
    dp_pa: float | None
    inlet_pa: float | None
    outlet_pa: float | None
    flow_m3_s: float | None
    temperature_k: float | None
    alarms: list[AlarmModel]


class ReadingModel(BaseModel):
    signal: str
    role: str
    vessel: str | None
    time: str | None
    value: float | None
    unit: str
    quality: str


class SkidDetailModel(SkidModel):
    vessels: list[str]
    readings: list[ReadingModel]


class EventModel(BaseModel):
    id: str
    time: str
    skid: str
    vessel: str | None
    signal: str | None
    kind: str
    transition: str
    onset: str | None
    detail: str | None
    grade: str | None
    value: float | None
    unit: str | None
    message: str
    isa_5_1: str | None
    ne_107: str | None


def router(hub: Hub, settings: Settings) -> APIRouter:
    """The routes under /api/v1."""
    found = APIRouter(prefix="/api/v1", tags=["skids"], responses=REFUSALS, dependencies=[Depends(each_once)])
    skids = {skid.id: skid for skid in settings.skids}

    def known(skid: str) -> SkidSettings:
        if skid not in skids:
            raise HTTPException(404, f"no skid {skid!r} is configured")
        return skids[skid]

    @found.get("/skids", summary="Every skid, the one that needs a person first on top")
    async def list_skids() -> list[SkidModel]:
        def ordered(source: Source) -> list[SkidNow]:
            newest = source.newest()
            return [r.now for r in sorted((row(now, newest) for now in source.now(settings.skids)),
                                          key=lambda r: r.urgency)]

        return [SkidModel(**_skid(now)) for now in await hub.ask(ordered)]

    @found.get("/skids/{skid}", summary="One skid with the newest reading of every signal")
    async def one_skid(skid: str) -> SkidDetailModel:
        setting = known(skid)
        return _detail((await hub.ask(lambda source: source.now([setting])))[0])

    @found.get("/events", summary="The last events, newest first; start_ms: none older than this (ms since 1970)")
    async def list_events(skid: str | None = None, start_ms: Millis | None = None,
                          limit: Limit = 100) -> list[EventModel]:
        if skid is not None:
            known(skid)
        start = None if start_ms is None else start_ms * 1_000_000
        return [_event(e) for e in await hub.ask(lambda source: source.events(skid, start=start, limit=limit))]

    return found


def _number(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _time(time: int | None) -> str | None:
    return None if time is None else iso(time)


def _skid(now: SkidNow) -> dict[str, Any]:
    minute = now.minute
    numbers = {"normalised_dp_pa": "normalised", "dp_pa": "pressure_drop", "inlet_pa": "inlet", "outlet_pa": "outlet",
               "flow_m3_s": "flow", "temperature_k": "temperature"}
    return {
        "id": now.skid.id, "name": now.skid.name, "newest_reading": _time(now.newest),
        "minute": iso(minute.time) if minute else None, "judged": minute.judged if minute else None,
        "changeout_dp_pa": due_limit(now.skid),
        "alarms": [AlarmModel(kind=a.kind, vessel=a.vessel, signal=a.signal, state=a.state, since=_time(a.since),
                              message=a.message) for a in now.alarms],
        **{name: _number(getattr(minute, column)) if minute else None for name, column in numbers.items()},
    }


def _detail(now: SkidNow) -> SkidDetailModel:
    return SkidDetailModel(vessels=list(now.skid.vessels), readings=[_reading(v) for v in now.values], **_skid(now))


def _reading(live: LiveValue) -> ReadingModel:
    signal = live.signal
    return ReadingModel(signal=signal.id, role=signal.role.value, vessel=signal.vessel, time=_time(live.time),
                        value=_number(live.value), unit=signal.unit, quality=Quality(live.quality).name.lower())


def _event(event: Event) -> EventModel:
    return EventModel(
        id=event.id, time=iso(event.time), skid=event.skid, vessel=event.vessel, signal=event.signal, kind=event.kind,
        transition=event.transition.value, onset=_time(event.onset), detail=event.detail, grade=event.grade,
        value=_number(event.value), unit=event.unit, message=event.message,
        isa_5_1=letters(event.kind, event.detail), ne_107=status(event.kind, event.detail))
